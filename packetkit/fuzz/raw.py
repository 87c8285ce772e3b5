"""Codecs that know raw codes only, in another process, held against the codec: what a generated target has to answer.

A subject is a frame's members (packetkit/conformance/members.py), to be encoded, or bytes, to be decoded. Every answer is known beforehand
from the Python codec; so questions go out in batches, and what differs is asked again, smaller, until nothing can be left out.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from packetkit.codec.frame import Frame
from packetkit.conformance import faults, members
from packetkit.conformance.batch import WORD, Answer, Question
from packetkit.conformance.faults import Chance
from packetkit.errors import DecodeError, EncodeError
from packetkit.fuzz import shrink
from packetkit.fuzz.at_once import Put, answered
from packetkit.layout.model import Layout, tellers
from packetkit.layout.numbered import TooWide
from packetkit.layout.slots import Slot

Subject = tuple[int, ...] | bytes
Outcome = tuple[
    str, Any
]  # `ok` and bytes or members, `refused` and the number of the slot (None: any), or a reason and None
Ask = Callable[[Sequence[Question]], list[Answer]]

_CUTS = 300


class Sent(tuple[int, ...]):
    """Members with the frame that the codec makes of them, so that it is not asked again."""

    data: bytes

    @classmethod
    def of(cls, row: Sequence[int], data: bytes) -> Sent:
        made = cls(row)
        made.data = data
        return made


@dataclass(frozen=True, slots=True)
class Held:
    """One frame of a target: its layout, its codec, and its number in the batches that the target is asked in."""

    layout: Layout
    frame: Frame
    number: int


@dataclass(frozen=True, slots=True)
class Parting:
    """A subject on which a target does not answer as the codec does."""

    subject: Subject
    expected: Outcome
    found: Outcome


def expected(held: Held, subject: Subject) -> Outcome:
    """Return what the codec makes of a subject. Raises ValueError for a row of members that no record has."""
    if isinstance(subject, bytes):
        data, variants, known = members.untold(held.layout, subject)
        for slot in held.layout.supplied:
            if not fits(slot, known[slot.path[0]]):
                return "refused", _place(held.layout, slot)
        more: dict[str, Any] = {"known": known} if known else {}
        try:
            detail = held.frame.decode(data, detail=True, variants=variants, **more)
        except DecodeError as no:
            return no.reason, None
        try:
            return "ok", members.from_detail(held.layout, detail)
        except TooWide:
            return "bad length", None  # after everything else that could be wrong with a frame
    if isinstance(subject, Sent):
        return "ok", subject.data
    detail, coded = members.coded(held.layout, subject)
    unfit = next((slot for slot, raw in coded if not fits(slot, raw)), None)
    if unfit is not None:
        if unfit.kind == "count":
            raise ValueError(f"{unfit.address} counts more than there can be")
        if not all(_is_held(slot, raw) for slot, raw in coded):
            raise ValueError("no type of so few bits holds such a code")
        return "refused", _place(held.layout, unfit)
    try:
        return "ok", held.frame.encode(detail)
    except EncodeError:
        return (
            "refused",
            None,
        )  # what no slot says alone: a size that no length can say, something behind what is absent


def _place(layout: Layout, slot: Slot) -> int:
    """The number by which a target names a slot: supplied fields come behind those that have bits."""
    return slot.number if slot.number >= 0 else len(layout.slots) - 1 - slot.number


def fits(slot: Slot, raw: int) -> bool:
    """Return whether a slot takes a raw code: its bits hold it, and a tag or a count may have it."""
    low, high = slot.raw_limits
    if slot.maximum_count is not None:
        high = min(high, slot.maximum_count)
    return low <= raw <= high and (not slot.codes or any(raw in codes for codes in slot.codes))


def found(held: Held, question: Question, answer: Answer) -> Outcome:
    """Return what a target has answered."""
    if answer.status == "refused":
        return "refused", answer.slot
    if answer.status != "ok":
        return answer.status, None
    if not isinstance(question.subject, bytes):
        return "ok", answer.content
    count = len(answer.content) // 8
    plain = answer.members([False] * count)
    try:
        signed = [slot is not None and slot.signed for slot in members.slots(held.layout, plain)]
    except ValueError:
        return "ok", plain
    return "ok", answer.members(signed) if len(signed) == count else plain


def subjects(layout: Layout, frame: Frame, chance: Chance, records: int) -> Iterator[Subject]:
    """Yield members at random with the frames that they make, every fourth of them damaged too; now and then a code that does not fit."""
    for at in range(records):
        row, detail = members.drawn_record(layout, chance)
        try:
            data = frame.encode(members.to_detail(layout, row) if detail is None else detail)
        except EncodeError:
            yield row  # what cannot be sent is asked all the same
            continue
        except ValueError:
            continue  # codes that no record has
        if at % 8 == 7:
            yield spoilt(layout, row, chance)
            continue
        yield Sent.of(row, data)
        told = members.told(layout, row)
        yield told + data
        if at % 4 == 1 and data:
            yield told + faults.inject(data, chance).data


def spoilt(layout: Layout, row: tuple[int, ...], chance: Chance) -> tuple[int, ...]:
    """Return members of which one, whatever hangs on none of them, has a code that its slot does not take, but the type around it holds."""
    asked = {number for node in layout.walk() for number in tellers(node)}
    places = [
        (at, slot)
        for at, slot in enumerate(members.slots(layout, row))
        if slot is not None and slot.kind != "count" and slot.number not in asked and _beyond(slot)
    ]
    if not places:
        return row
    at, slot = chance.choice(places)
    return (*row[:at], chance.choice(_beyond(slot)), *row[at + 1 :])


def _beyond(slot: Slot) -> list[int]:
    """Codes that a slot does not take, though the smallest type of 8, 16, 32 or 64 bits around it can hold them."""
    low, high = _type_limits(slot)
    near = [
        slot.raw_limits[0] - 1,
        slot.raw_limits[1] + 1,
        low,
        high,
        *(codes.high + 1 for codes in slot.codes),
    ]
    return [raw for raw in near if low <= raw <= high and not fits(slot, raw)]


def _type_limits(slot: Slot) -> tuple[int, int]:
    """What the smallest type around a slot holds."""
    size = next(size for size in (8, 16, 32, 64) if size >= slot.width)
    return (-(1 << size - 1), (1 << size - 1) - 1) if slot.signed else (0, (1 << size) - 1)


def _is_held(slot: Slot, raw: int) -> bool:
    low, high = _type_limits(slot)
    return low <= raw <= high


def partings(held: Held, ask: Ask, given: Sequence[Subject]) -> Iterator[Parting]:
    """Yield every subject on which a target differs from the codec."""
    questions = [Question(held.number, subject) for subject in given]
    outcomes = [expected(held, subject) for subject in given]
    yield from _differing(held, questions, outcomes, ask(questions))


def first_partings(held: Held, put: Put, given: Sequence[Subject]) -> dict[str, Parting]:
    """Return the first subject on which each of several targets differs, by name; what the codec answers is worked out while they work."""
    questions = [Question(held.number, subject) for subject in given]
    waiting = put(questions)
    outcomes = [expected(held, subject) for subject in given]
    firsts = {
        name: next(_differing(held, questions, outcomes, answers), None)
        for name, answers in answered(waiting).items()
    }
    return {name: first for name, first in firsts.items() if first is not None}


def _differing(
    held: Held, questions: Sequence[Question], outcomes: Sequence[Outcome], given: Sequence[Answer]
) -> Iterator[Parting]:
    for question, answer, wanted in zip(questions, given, outcomes, strict=True):
        if _is_said(answer, wanted):
            continue
        got = found(held, question, answer)
        if wanted != got and not (got[0] == "refused" and wanted == ("refused", None)):
            yield Parting(question.subject, wanted, got)


def _is_said(answer: Answer, wanted: Outcome) -> bool:
    """Whether an answer is an outcome octet for octet, so that nobody has to look which of its codes have a sign."""
    status, content = wanted
    if status != "ok" or answer.status != "ok":
        return False
    if isinstance(content, tuple):
        content = struct.pack(f"<{len(content)}Q", *(code & WORD for code in content))
    return bool(answer.content == content)


def smallest(held: Held, ask: Ask, parting: Parting) -> Parting:
    """Return a difference of the same kind with a subject that nothing can be cut from, within some tries."""
    best = parting

    def fails(subject: Any) -> bool:
        nonlocal best
        given = bytes(subject) if isinstance(parting.subject, bytes) else tuple(subject)
        if any(type(one) is not int for one in given):
            return False
        try:
            one = next(partings(held, ask, [given]), None)
        except (ValueError, IndexError):
            return False  # too few members, or too many
        if one is not None:
            best = one
        return one is not None

    start = parting.subject if isinstance(parting.subject, bytes) else list(parting.subject)
    shrink.smaller(start, fails, _CUTS)
    return best
