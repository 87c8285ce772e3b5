"""Campaigns: random schemas and records in great number, every codec held against the oracle, what was proven told as it grows.

A campaign owns no stream and no clock: it takes callables and hands back a `Report`. Every choice follows from the seed, schema by
schema, so that one schema of a long run can be had again by itself. Interrupted, it hands back what it has.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from random import Random
from typing import Any

from packetkit.conformance import draw, faults, prune, spoil
from packetkit.conformance.judge import REFUSED, Judge
from packetkit.errors import SchemaError
from packetkit.fuzz import features, judges, laws, schemas, shrink
from packetkit.fuzz.agreement import Difference, about_bytes, about_record, ask
from packetkit.fuzz.entries import Entry, text_of
from packetkit.layout.model import Layout
from packetkit.mission.load import Mission, parse

# Questions that a judge of one frame is asked, and can be asked again about something smaller.
_SHRUNK = ("encode", "decode", "detail", "encode back")

Tick = Callable[[int], None]


@dataclass(slots=True)
class Report:
    """What a campaign did and found. rows: schemas that have a feature of the language; refused: draws that did not load."""

    seed: int
    schemas: int = 0
    frames: int = 0
    records: int = 0
    damaged: int = 0
    answers: Counter[str] = field(default_factory=Counter)
    features: Counter[str] = field(default_factory=Counter)
    reasons: Counter[str] = field(default_factory=Counter)
    refused: Counter[str] = field(default_factory=Counter)
    findings: list[Finding] = field(default_factory=list)
    interrupted: bool = False


@dataclass(frozen=True, slots=True)
class Finding:
    """A difference, with the smallest schema and subject that were found to show it."""

    number: int
    text: str
    frame: str
    difference: Difference


def schema_seed(seed: int, number: int) -> Random:
    """Return the generator from which one schema of a campaign and its records follow."""
    return Random(f"{seed} {number}")  # text is hashed the same everywhere


def agreement(
    seed: int,
    count: int = 200,
    records: int = 1000,
    *,
    names: tuple[str, ...] = tuple(judges.JUDGES),
    numbers: Iterable[int] | None = None,
    tick: Tick = lambda done: None,
    most_findings: int = 5,
) -> Report:
    """Return what happens when `count` random schemas, each with so many records, are put to every codec.

    numbers: which schemas of the campaign, where not all. tick: told of records done. Ends early after most_findings.
    """
    report = Report(seed)
    try:
        for number in range(count) if numbers is None else numbers:
            _one_schema(report, number, records, names, tick)
            if len(report.findings) >= most_findings:
                break
    except KeyboardInterrupt:
        report.interrupted = True
    return report


def share(seed: int, count: int, records: int, workers: int, worker: int) -> Report:
    """Return one worker's share of a campaign: every schema belongs to one of so many workers."""
    return agreement(seed, count, records, numbers=range(worker, count, workers))


def _one_schema(report: Report, number: int, records: int, names: tuple[str, ...], tick: Tick) -> None:
    chance = schema_seed(report.seed, number)
    drawn, mission = loaded(chance, report.refused)
    report.schemas += 1
    for declared in mission.declared.frames:
        layout = mission.layouts[declared.name]
        report.frames += 1
        report.features.update(features.of(declared, layout))
        one = _Frame(mission, layout, judges.of(declared, layout, names))
        part = -(-records // len(mission.layouts))
        difference = _records(report, one, chance, part, tick)
        if difference is not None:
            report.findings.append(smallest(number, drawn, declared.name, difference, names))


@dataclass(frozen=True, slots=True)
class _Frame:
    """One frame under question."""

    mission: Mission
    layout: Layout
    held: Mapping[str, Judge]


def loaded(chance: Random, refused: Counter[str], *, parts: bool = True) -> tuple[schemas.Drawn, Mission]:
    """Return a random schema that loads; the rules that refuse one are counted. parts: as `schemas.schema` has it."""
    while True:
        drawn = schemas.schema(chance, parts=parts)
        try:
            return drawn, parse(drawn.text)
        except SchemaError as error:
            refused.update(problem.rule for problem in error.problems)


def _records(report: Report, one: _Frame, chance: Random, records: int, tick: Tick) -> Difference | None:
    """Put records, and damaged frames, of one layout to all judges; return the first difference."""
    for at in range(records):
        record = draw.record(one.layout, chance)
        if at % 16 == 15:
            record = spoil.spoilt(record, chance)
        report.records += 1
        report.answers.update(one.held.keys())
        # The oracle takes most of the time: details are asked of every fourth record, damage of every fourth frame.
        found = next(about_record(one.held, record, detail=at % 4 == 1), None)
        if found is None and at % 4 == 3:
            found = _damaged(report, one.held, record, chance)
        if found is None and at % 8 == 5:
            found = _in_its_mission(one, record)
        if found is not None:
            return found
        tick(1)
    return None


def _damaged(report: Report, held: Mapping[str, Judge], record: Any, chance: Random) -> Difference | None:
    """Put a record's frame, damaged, to all judges."""
    data = ask(held["oracle"].encode, record)
    if not isinstance(data, bytes) or not data:
        report.reasons[REFUSED] += data == REFUSED
        return None
    damage = faults.inject(data, chance)
    report.damaged += 1
    report.reasons[_reason(ask(held["oracle"].decode, damage.data))] += 1
    return next(about_bytes(held, damage.data, detail=False), None)


def _in_its_mission(one: _Frame, record: Any) -> Difference | None:
    """Ask what only a mission's frame can answer: which of the frames it is, and where it ends in a buffer."""
    data = ask(one.held["oracle"].encode, record)
    if not isinstance(data, bytes):
        return None
    frame = one.mission.frames[one.layout.name]
    wrong = ask(lambda subject: laws.leaves_the_rest(frame, subject, b"\xa5", b"\x5a\xff"), data)
    if wrong:
        return Difference("codec", "decode inside a buffer", data, "as alone", wrong)
    if one.layout.name in one.mission.outside:
        return None  # no bytes tell it
    name = ask(one.mission.identify, data)
    if name != one.layout.name:
        return Difference("mission", "tell the frame of", data, one.layout.name, name)
    return None


def _reason(answer: Any) -> str:
    return answer if isinstance(answer, str) else "not seen"


# -- shrinking -------------------------------------------------------------------------------------------------


def smallest(
    number: int,
    drawn: schemas.Drawn,
    frame: str,
    difference: Difference,
    names: tuple[str, ...],
    cuts: int = 400,
) -> Finding:
    """Return a difference with everything cut out of its schema and its subject that it does not need."""
    if difference.question not in _SHRUNK:
        return Finding(number, drawn.text, frame, difference)
    best = difference

    def fails(frames: dict[str, Entry]) -> bool:
        nonlocal best
        found = _shows(schemas.Drawn(frames), frame, best, names)
        if found is not None:
            best = found
        return found is not None

    with_it = drawn.frames if _carries(drawn.frames.get(frame)) else {frame: drawn.frames.get(frame, {})}
    frames = shrink.smaller_schema(with_it, fails, cuts) if frame in drawn.frames else drawn.frames
    text = text_of(frames)
    try:
        mission = parse(text)
    except SchemaError:
        return Finding(number, drawn.text, frame, difference)
    held = judges.of(mission.declared.frames[0], mission.layouts[frame], names)
    return Finding(number, text, frame, smallest_subject(held, best))


def _carries(frame: Entry | None) -> bool:
    """Whether a drawn frame carries the other."""
    return frame is not None and any("carried" in entry for entry in frame["fields"])


def smallest_subject(held: Mapping[str, Judge], difference: Difference) -> Difference:
    """Return a difference with everything cut out of its record or bytes that it does not need."""
    best = difference
    if difference.question not in _SHRUNK:
        return best

    def fails(subject: Any) -> bool:
        nonlocal best
        found = _again(held, best, subject)
        if found is not None:
            best = found
        return found is not None

    shrink.smaller(difference.subject, fails)
    return best


def _shows(
    drawn: schemas.Drawn, frame: str, difference: Difference, names: tuple[str, ...]
) -> Difference | None:
    """Whether a smaller schema shows a difference of the same kind: with what is left of the subject, or with new records."""
    try:
        mission = parse(drawn.text)
        declared, layout = mission.declared.frames[0], mission.layouts[frame]
        held = judges.of(declared, layout, names)
    except (SchemaError, KeyError):
        return None
    if difference.judge not in held:
        return None
    for subject in _subjects(layout, difference, held):
        found = _again(held, difference, subject)
        if found is not None:
            return found
    return None


def _subjects(layout: Layout, difference: Difference, held: Mapping[str, Judge]) -> Iterator[Any]:
    if isinstance(difference.subject, dict):
        yield prune.pruned(layout, difference.subject)
    chance = Random(1)
    for at in range(40):
        record = draw.record(layout, chance)
        if difference.question == "encode":
            yield spoil.spoilt(record, chance) if at % 4 == 3 else record
            continue
        data = ask(held["oracle"].encode, record)
        if isinstance(data, bytes):
            yield faults.inject(data, chance).data if at % 4 == 3 and data else data


def _again(held: Mapping[str, Judge], difference: Difference, subject: Any) -> Difference | None:
    """A difference of the same judge and question about another subject."""
    wanted = (difference.judge, difference.question)
    found = about_bytes(held, subject) if isinstance(subject, bytes) else about_record(held, subject)
    return next((one for one in found if (one.judge, one.question) == wanted), None)


def merged(reports: Iterable[Report]) -> Report:
    """Return the sum of a campaign's parts, done side by side."""
    first, *others = reports
    made = replace(first, findings=list(first.findings))
    for other in others:
        for name in ("schemas", "frames", "records", "damaged"):
            setattr(made, name, getattr(made, name) + getattr(other, name))
        for name in ("answers", "features", "reasons", "refused"):
            setattr(made, name, getattr(made, name) + getattr(other, name))
        made.findings += other.findings
        made.interrupted |= other.interrupted
    return made


def rows(report: Report) -> dict[int, int]:
    """Return how often each row of the language was drawn: its features in frames; for damage, the damaged frames that were refused."""
    made = dict.fromkeys(features.ROWS, 0)
    for feature in features.FEATURES:
        made[feature.row] += report.features[features.key(feature)]
    made[features.DAMAGE] = sum(count for reason, count in report.reasons.items() if reason != "not seen")
    return made


def never_drawn(report: Report) -> list[str]:
    """Return the features, and the rows, that no schema of a campaign had."""
    lacking = [features.key(one) for one in features.FEATURES if not report.features[features.key(one)]]
    return lacking + [f"row {row}" for row, count in rows(report).items() if not count]
