"""Records as other languages have them: how a record is written for a codec in another process, and whether its answer is the same.

Codecs that take and give values (JavaScript, standalone Python) answer lines of JSON: a batch of questions is one line, so is the batch
of answers. Python has numbers that others lack; `common` turns a record into one that all have, and every codec is asked that one.
Whole numbers beyond 2^53 - 1 are spoken as decimal strings, what JSON lacks as {"Double": "nan"}.
"""

from __future__ import annotations

import json
import re
import struct
from collections.abc import Callable, Sequence
from decimal import Decimal
from fractions import Fraction
from functools import partial
from math import copysign
from typing import Any

from packetkit.codec.frame import Frame
from packetkit.conformance import batch, members
from packetkit.conformance.judge import REFUSED, Judge, asked, faults
from packetkit.errors import TargetError
from packetkit.layout.model import Layout, Node, Optional, Repeat, Run

SAFE = 2**53 - 1
_NO_SLOT = 0xFFFF  # a refusal that names no slot

# Encode a record, decode bytes, or decode them in detail: the word, the frame's name, the subject.
Question = tuple[str, str, Any]
Ask = Callable[[Sequence[Question]], list[Any]]


def common(value: Any) -> Any:
    """Return a value, or a record of values, in the numbers that every language has: doubles and whole numbers.

    Text of digits becomes other text: in JavaScript it is a number.
    """
    if isinstance(value, dict):
        return {key: common(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [common(one) for one in value]
    if isinstance(value, (Fraction, Decimal)):
        try:
            return float(value)
        except OverflowError:
            return float("inf") if value > 0 else float("-inf")
    if isinstance(value, (bytes, str)):
        return f"text {value!r}" if isinstance(value, bytes) or value.lstrip("+-").isdigit() else value
    return value


def spoken(value: Any) -> Any:
    """Return a common value as JSON has it."""
    if isinstance(value, dict):
        return {key: spoken(one) for key, one in value.items()}
    if isinstance(value, list):
        return [spoken(one) for one in value]
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) > SAFE:
        return str(value)
    if isinstance(value, float) and value - value != 0:
        return {"Double": repr(value)}
    return value


def line(module: str, questions: Sequence[Question]) -> str:
    """Return a batch of questions to the codec of one mission, told by its file, as one line."""
    made = [
        [word, frame, subject.hex() if isinstance(subject, bytes) else spoken(subject)]
        for word, frame, subject in questions
    ]
    return json.dumps({"module": module, "questions": made}) + "\n"


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


def _decoded(frame: Frame, data: bytes, detail: bool = False) -> Any:
    found = asked(lambda: frame.decode(data, detail=detail))
    return {"reason": found} if isinstance(found, str) else {"record": found}


_ANSWER: dict[str, Callable[[Frame, Any], Any]] = {
    "encode": _encoded,
    "decode": _decoded,
    "detail": lambda frame, data: _decoded(frame, data, detail=True),
}


# -- on raw codes, as codecs that know no values are asked (conformance/batch.py) -------------------------------


def raw_answers(layouts: Sequence[Layout], asked: Sequence[batch.Question], ask: Ask) -> list[batch.Answer]:
    """Return the answers of a codec that speaks values to questions about raw codes: through records of {"raw": n}."""
    questions: list[Question] = []
    for one in asked:
        layout = layouts[one.frame]
        if isinstance(one.subject, bytes):
            questions.append(("detail", layout.name, one.subject))
        else:
            record = _with_plain_tags(layout.nodes, members.to_detail(layout, one.subject))
            questions.append(("encode", layout.name, record))
    return [_raw_answer(layouts[one.frame], found) for one, found in zip(asked, ask(questions), strict=True)]


def _raw_answer(layout: Layout, found: Any) -> batch.Answer:
    if "bytes" in found:
        return batch.Answer("ok", bytes.fromhex(found["bytes"]))
    if "record" in found:
        row = [code & batch.WORD for code in members.from_detail(layout, _with_numbers(found["record"]))]
        return batch.Answer("ok", struct.pack(f"<{len(row)}Q", *row))
    if "refused" in found:
        address = re.sub(r"\[[0-9]+\]", "[]", found["refused"][0][0])
        number = next((slot.number for slot in layout.slots if slot.address == address), _NO_SLOT)
        return batch.Answer("refused", struct.pack("<H", number))
    if found.get("reason") in batch.STATUSES:
        return batch.Answer(found["reason"], b"")
    raise TargetError(f"the codec broke down: {found.get('crash', found)}")


def _with_plain_tags(nodes: Sequence[Node], record: Any) -> Any:
    """A record of {"raw": n} in which tags are plain: so given, one that is none of its codes is refused, as targets of raw codes do."""
    if not isinstance(record, dict) or set(record) == {"raw"}:
        return record
    made = dict(record)
    for node in nodes:
        if isinstance(node, Run):
            for slot in node.slots:
                if slot.kind == "tag" and slot.is_value and slot.path:
                    _replace(made, slot.path, lambda leaf: leaf["raw"])
        elif isinstance(node, (Repeat, Optional)) and node.path and not node.bare:
            inner = node.element if isinstance(node, Repeat) else node.body
            _replace(made, node.path, partial(_inside, inner))
    return made


def _inside(nodes: Sequence[Node], held: Any) -> Any:
    return (
        [_with_plain_tags(nodes, one) for one in held]
        if isinstance(held, list)
        else _with_plain_tags(nodes, held)
    )


def _replace(record: dict[str, Any], path: Sequence[str], change: Callable[[Any], Any]) -> None:
    """Change what stands at a path of a record whose groups are copied on the way."""
    key, *rest = path
    if key not in record:
        return
    if rest:
        record[key] = dict(record[key])
        _replace(record[key], rest, change)
    else:
        record[key] = change(record[key])


def _with_numbers(detail: Any) -> Any:
    """A detail record whose raw codes are whole numbers, decimal strings too."""
    if isinstance(detail, list):
        return [_with_numbers(one) for one in detail]
    if not isinstance(detail, dict):
        return detail
    if isinstance(detail.get("raw"), (int, str)):
        return {**detail, "raw": int(detail["raw"])}
    return {key: _with_numbers(one) for key, one in detail.items()}


def judge(name: str, layout: Layout, ask: Ask) -> Judge:
    """Return a codec in another process as a judge of one frame, asked one question at a time."""

    def decoded(word: str, data: bytes) -> Any:
        (found,) = ask([(word, layout.name, data)])
        return found["reason"] if "reason" in found else found["record"]

    def encoded(record: Any) -> bytes | str:
        (found,) = ask([("encode", layout.name, common(record))])
        return bytes.fromhex(found["bytes"]) if "bytes" in found else REFUSED

    return Judge(name, encoded, lambda data: decoded("decode", data), lambda data: decoded("detail", data))
