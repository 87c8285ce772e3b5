"""Records as other languages have them: how a record is written for a codec in another process, and whether its answer is the same.

Codecs that take and give values (JavaScript, standalone Python) answer lines of JSON: a batch of questions is one line, so is the batch
of answers. Python has numbers that others lack; `common` turns a record into one that all have, and every codec is asked that one.
Whole numbers beyond 2^53 - 1 are spoken as decimal strings, what JSON lacks as {"Double": "nan"}, octets as {"Octets": "00ff"}; in
answers octets are hexadecimal text.
"""

from __future__ import annotations

import json
import re
import struct
from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from functools import partial
from math import copysign
from typing import Any, NamedTuple

from packetkit.codec.frame import Frame
from packetkit.conformance import batch, members
from packetkit.conformance.judge import REFUSED, Judge, asked, faults
from packetkit.errors import TargetError
from packetkit.layout.model import (
    Choice,
    Continued,
    Fill,
    Layout,
    Node,
    Optional,
    Repeat,
    Run,
    flat,
    slots_of,
)
from packetkit.layout.slots import Slot

SAFE = 2**53 - 1
_NO_SLOT = 0xFFFF  # a refusal that names no slot


class Told(NamedTuple):
    """Bytes to decode, with the variants that are told from outside and the codes of supplied fields."""

    data: bytes
    variants: Mapping[str, str]
    known: Mapping[str, int]


# Encode a record, decode bytes, or decode them in detail: the word, the frame's name, the subject.
Question = tuple[str, str, Any]
Ask = Callable[[Sequence[Question]], list[Any]]


def common(value: Any) -> Any:
    """Return a value, or a record of values, in the numbers that every language has: doubles and whole numbers.

    Text of digits becomes other text: in JavaScript it is a number, and where text is wanted no number is. So what no field holds is a
    double, except as a raw code.
    """
    if isinstance(value, dict):
        return {
            key: one if key == "raw" and isinstance(one, int) else common(one) for key, one in value.items()
        }
    if isinstance(value, (list, tuple)):
        return [common(one) for one in value]
    if isinstance(value, (Fraction, Decimal)):
        try:
            return float(value)
        except OverflowError:
            return float("inf") if value > 0 else float("-inf")
    if isinstance(value, int) and abs(value) >= 1 << 64 and float(value) == value:
        return float(value)
    return f"text {value!r}" if isinstance(value, str) and value.lstrip("+-").isdigit() else value


def spoken(value: Any) -> Any:
    """Return a common value as JSON has it."""
    if isinstance(value, dict):
        return {key: spoken(one) for key, one in value.items()}
    if isinstance(value, list):
        return [spoken(one) for one in value]
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) > SAFE:
        return str(value)
    if isinstance(value, bytes):
        return {"Octets": value.hex()}
    if isinstance(value, float) and value - value != 0:
        return {"Double": repr(value)}
    return value


def line(module: str, questions: Sequence[Question]) -> str:
    """Return a batch of questions to the codec of one mission, told by its file, as one line."""
    made = [[word, frame, *_subject(word, subject)] for word, frame, subject in questions]
    return json.dumps({"module": module, "questions": made}) + "\n"


def _subject(word: str, subject: Any) -> list[Any]:
    if word == "encode":
        return [spoken(subject)]
    if isinstance(subject, Told):
        return [
            subject.data.hex(),
            {"variants": dict(subject.variants), "known": spoken(dict(subject.known))},
        ]
    return [subject.hex()]


def same(expected: Any, found: Any) -> bool:
    """Return whether a codec's answer is Python's: numbers by value, a zero with its sign, keys in their order."""
    if isinstance(found, dict) and set(found) == {"Double"}:
        found = float(found["Double"])
    if isinstance(expected, dict):
        return (
            isinstance(found, dict)
            and list(expected) == list(found)
            and all(same(one, found[key]) for key, one in expected.items())
        )
    if isinstance(expected, list):
        return (
            isinstance(found, list)
            and len(expected) == len(found)
            and all(same(a, b) for a, b in zip(expected, found, strict=True))
        )
    if isinstance(expected, bytes):
        return bool(found == expected.hex())
    if isinstance(expected, bool) or expected is None or isinstance(expected, str):
        return type(expected) is type(found) and bool(expected == found)
    if isinstance(expected, int) and (isinstance(found, str) or abs(expected) > SAFE):
        return bool(found == str(expected))
    if isinstance(found, bool) or not isinstance(found, (int, float)):
        return False
    # A double is written in the fewest digits that give it back: without a point, those are no whole number.
    return bool(expected == float(found)) and (expected != 0 or copysign(1, expected) == copysign(1, found))


def answers(frame: Frame, questions: Sequence[Question]) -> list[Any]:
    """Return what the Python codec answers to questions about one frame, in the words of a batch."""
    return [_ANSWER[word](frame, subject) for word, _, subject in questions]


def _encoded(frame: Frame, record: Any) -> Any:
    found = asked(lambda: frame.encode(record))
    if found == REFUSED:
        return {"refused": [list(one) for one in faults(lambda: frame.encode(record))]}
    return {"bytes": found.hex()}


def _decoded(frame: Frame, subject: bytes | Told, detail: bool = False) -> Any:
    data, variants, known = subject if isinstance(subject, Told) else (subject, {}, {})
    found = asked(lambda: frame.decode(data, detail=detail, variants=variants, known=known))
    return {"reason": found} if isinstance(found, str) else {"record": found}


_ANSWER: dict[str, Callable[[Frame, Any], Any]] = {
    "encode": _encoded,
    "decode": _decoded,
    "detail": lambda frame, subject: _decoded(frame, subject, detail=True),
}


# -- on raw codes, as codecs that know no values are asked (conformance/batch.py) -------------------------------


def raw_answers(layouts: Sequence[Layout], asked: Sequence[batch.Question], ask: Ask) -> list[batch.Answer]:
    """Return the answers of a codec that speaks values to questions about raw codes: through records of {"raw": n}."""
    questions: list[Question] = []
    for one in asked:
        layout = layouts[one.frame]
        if isinstance(one.subject, bytes):
            told = Told(*members.untold(layout, one.subject))
            questions.append(("detail", layout.name, told if members.told_size(layout) else told.data))
        else:
            record = _with_leaves(layout.nodes, members.to_detail(layout, one.subject), _plain_tag)
            questions.append(("encode", layout.name, record))
    return [_raw_answer(layouts[one.frame], found) for one, found in zip(asked, ask(questions), strict=True)]


def _raw_answer(layout: Layout, found: Any) -> batch.Answer:
    if "bytes" in found:
        return batch.Answer("ok", bytes.fromhex(found["bytes"]))
    if "record" in found:
        detail = _with_leaves(layout.nodes, found["record"], _whole)
        for slot in layout.supplied:
            detail[slot.path[0]] = _whole(slot, detail[slot.path[0]])
        row = [code & batch.WORD for code in members.from_detail(layout, detail)]
        return batch.Answer("ok", struct.pack(f"<{len(row)}Q", *row))
    if "refused" in found:
        address = re.sub(r"\[[0-9]+\]", "[]", found["refused"][0][0])
        number = next((slot.number for slot in layout.slots if slot.address == address), _NO_SLOT)
        return batch.Answer("refused", struct.pack("<H", number))
    if found.get("reason") in batch.STATUSES:
        return batch.Answer(found["reason"], b"")
    raise TargetError(f"the codec broke down: {found.get('crash', found)}")


def _plain_tag(slot: Slot, leaf: Any) -> Any:
    """A tag as a plain code: so given, one that is none of its codes is refused, as targets of raw codes do."""
    return leaf["raw"] if slot.kind == "tag" and slot.is_value else leaf


def _whole(slot: Slot, leaf: Any) -> Any:
    """A leaf of a detail record whose raw code is a whole number, a decimal string too."""
    return {**leaf, "raw": int(leaf["raw"])}


def _with_leaves(nodes: Sequence[Node], record: Any, change: Callable[[Slot, Any], Any]) -> Any:
    """A detail record in which what each slot has is changed; texts and octets stay as they are."""
    for node in flat(tuple(nodes)):
        if isinstance(node, (Run, Fill, Continued)):
            for slot in slots_of(node):
                record = _replaced(record, slot.path, partial(change, slot))
        elif isinstance(node, (Optional, Choice)) or (isinstance(node, Repeat) and node.joined is None):
            record = _replaced(record, node.path, partial(_inside, node, change))
    return record


def _inside(node: Node, change: Callable[[Slot, Any], Any], held: Any) -> Any:
    if held is None:
        return None
    if isinstance(node, Choice):
        bodies = {branch.name: branch.body for branch in node.all}
        return {name: _with_leaves(bodies[name], one, change) for name, one in held.items()}
    if isinstance(node, Repeat):
        return [_with_leaves(node.element, one, change) for one in held]
    assert isinstance(node, Optional)
    return _with_leaves(node.body, held, change)


def _replaced(record: Any, path: Sequence[str], change: Callable[[Any], Any]) -> Any:
    """A copy of a record with what stands at a path changed, if anything does."""
    if not path:
        return change(record)
    key, *rest = path
    return {**record, key: _replaced(record[key], rest, change)} if key in record else record


def judge(name: str, layout: Layout, ask: Ask) -> Judge:
    """Return a codec in another process as a judge of one frame, asked one question at a time."""

    def decoded(word: str, data: bytes) -> Any:
        (found,) = ask([(word, layout.name, data)])
        return found["reason"] if "reason" in found else found["record"]

    def encoded(record: Any) -> bytes | str:
        (found,) = ask([("encode", layout.name, common(record))])
        return bytes.fromhex(found["bytes"]) if "bytes" in found else REFUSED

    return Judge(name, encoded, lambda data: decoded("decode", data), lambda data: decoded("detail", data))
