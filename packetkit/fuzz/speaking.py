"""Random schemas and records put to generated code that takes and gives values, held to the Python codec in every answer.

Only `write` and `ask` know the language: text of files comes from the one, answers from the other. What is asked of a frame: records,
good and spoilt, to encode; the frames they make, to decode, plain and in detail; and those frames damaged.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from random import Random
from typing import Any

from packetkit.codec.frame import Frame
from packetkit.conformance import draw, faults, spoil, spoken
from packetkit.conformance.spoken import Question, Told
from packetkit.errors import DecodeError, Unsupported
from packetkit.fuzz import features, shrink
from packetkit.fuzz.at_once import answered, at_once
from packetkit.fuzz.campaign import loaded, schema_seed
from packetkit.layout.model import Choice
from packetkit.layout.slots import Slot
from packetkit.mission.load import Mission

Ask = Callable[[Sequence[Question]], list[Any]]
# Writes a mission's files and returns what questions to its codec are asked by. Raises Unsupported.
Write = Callable[[Mission], Ask]

_CUTS = 300
BATCH = 200  # questions a line: long enough that the pipe costs nothing, short enough for any buffer


@dataclass(slots=True)
class Report:
    """What was asked, what each target refused and why, and the first difference of each frame that shows one."""

    schemas: Counter[str] = field(default_factory=Counter)
    frames: int = 0
    questions: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    answers: Counter[str] = field(default_factory=Counter)
    features: Counter[str] = field(default_factory=Counter)
    differences: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Difference:
    """A question that a target answers otherwise than the Python codec."""

    target: str
    question: Question
    expected: Any
    found: Any

    def __str__(self) -> str:
        word, _, subject = self.question
        asked = subject.hex() if isinstance(subject, bytes) else subject
        return f"{self.target}: {word} {asked}\n  expected {self.expected}\n  found {self.found}"


def agreement(
    targets: Mapping[str, Write], seed: int, numbers: Iterable[int], records: int, wanted: int | None = None
) -> Report:
    """Return what happens when random schemas of a campaign, each with so many records, are put to targets, by name.

    wanted: end after so many schemas that a target could express; those that none could cost nothing but their drawing.
    """
    report, expressed = Report(), 0
    for number in numbers:
        chance = schema_seed(seed, number)
        drawn, mission = loaded(chance, Counter())
        asks = _written(targets, mission, report)
        expressed += bool(asks)
        for declared in mission.declared.frames if asks else ():
            report.frames += 1
            report.features.update(features.of(declared, mission.layouts[declared.name]))
            found = next(differences(mission.frames[declared.name], asks, chance, records, report), None)
            if found is not None:
                report.differences.append(f"schema {number}\n{drawn.text}\n{found}")
        if expressed == wanted:
            break
    return report


def _written(targets: Mapping[str, Write], mission: Mission, report: Report) -> dict[str, Ask]:
    """Write a mission for every target that can express it."""
    made = {name: _asked_by(name, write, mission, report) for name, write in targets.items()}
    asks = {name: ask for name, ask in made.items() if ask is not None}
    report.schemas.update(asks.keys())
    return asks


def _asked_by(name: str, write: Write, mission: Mission, report: Report) -> Ask | None:
    try:
        return write(mission)
    except Unsupported as no:
        report.refused.update(f"{name}: {reason}" for _, reason in no.items)
        return None


def differences(
    frame: Frame, asks: Mapping[str, Ask], chance: Random, records: int, report: Report | None = None
) -> Iterator[Difference]:
    """Yield every question that a target answers otherwise than the Python codec."""
    questions = list(_about_records(frame, chance, records))
    expected = spoken.answers(frame, questions)
    more = list(_about_frames(frame, chance, questions, expected))
    questions += more
    expected += spoken.answers(frame, more)
    if report is not None:
        report.questions += len(questions)
        report.answers.update(answer.get("reason", next(iter(answer))) for answer in expected)
    with at_once(asks) as put:
        waiting = put(questions[:BATCH])
        for at in range(0, len(questions), BATCH):
            given = answered(waiting)
            waiting = put(questions[at + BATCH : at + 2 * BATCH])  # asked while these are compared
            asked, right = questions[at : at + BATCH], expected[at : at + BATCH]
            differing = list(_differing(asked, right, given))
            if differing:
                answered(waiting)  # whoever looks closer asks by himself
            yield from differing


def _differing(
    asked: Sequence[Question], right: Sequence[Any], given: Mapping[str, Sequence[Any]]
) -> Iterator[Difference]:
    for name, answers in given.items():
        for question, answer, found in zip(asked, right, answers, strict=True):
            if not spoken.same(answer, found):
                yield Difference(name, question, answer, found)


def smallest(frame: Frame, ask: Ask, difference: Difference) -> Difference:
    """Return a difference of the same kind with a subject that nothing can be cut from, within some tries."""
    best, (word, name, whole) = difference, difference.question
    if isinstance(whole, Told):
        return difference

    def fails(subject: Any) -> bool:
        nonlocal best
        question: Question = (word, name, subject if isinstance(whole, bytes) else spoken.common(subject))
        (expected,), (found,) = spoken.answers(frame, [question]), ask([question])
        if not spoken.same(expected, found):
            best = Difference(difference.target, question, expected, found)
            return True
        return False

    shrink.smaller(whole, fails, _CUTS)
    return best


def _told(frame: Frame, data: bytes, record: Any, chance: Random) -> bytes | Told:
    """Bytes with what is told beside them, where the frame needs any: variants at random, supplied codes mostly as they are.

    record: what the bytes were made of, as not every supplied field can be recovered from its checks.
    """
    choices = [node for node in frame.layout.walk() if isinstance(node, Choice) and not node.told_by]
    supplied = frame.layout.supplied
    if not choices and not supplied:
        return data
    variants = {node.address: chance.choice(node.branches).name for node in choices}
    known = {slot.path[0]: chance.randint(*slot.raw_limits) for slot in supplied}
    if chance.random() < 0.75:
        with suppress(DecodeError):
            found = frame.decode(data, detail=True, variants=variants)
            sent = {slot.path[0]: _code(slot, record.get(slot.path[0])) for slot in supplied}
            told = {name: sent[name] if found[name]["raw"] is None else found[name]["raw"] for name in known}
            known = {name: code for name, code in told.items() if code is not None and chance.random() < 0.75}
    return Told(data, variants, known)


def _code(slot: Slot, value: Any) -> int | None:
    """The code of a supplied field in a record, None where it has none."""
    code = value.get("raw") if isinstance(value, dict) else value
    low, high = slot.raw_limits
    return code if type(code) is int and low <= code <= high else None


def _about_records(frame: Frame, chance: Random, records: int) -> Iterator[Question]:
    for at in range(records):
        record = draw.record(frame.layout, chance)
        yield "encode", frame.name, spoken.common(spoil.spoilt(record, chance) if at % 8 == 7 else record)


def _about_frames(
    frame: Frame, chance: Random, asked: Sequence[Question], encoded: Sequence[Any]
) -> Iterator[Question]:
    for at, ((_, _, record), answer) in enumerate(zip(asked, encoded, strict=True)):
        if "bytes" not in answer:
            continue
        data = bytes.fromhex(answer["bytes"])
        yield ("detail" if at % 4 == 1 else "decode"), frame.name, _told(frame, data, record, chance)
        if at % 4 == 3 and data:
            yield "decode", frame.name, faults.inject(data, chance).data
