"""Why a capture does not decode: causes tried one by one and in pairs, ranked by what they explain.

Each cause is undone, in the bytes (inverted bits, hexadecimal of hexadecimal, swapped or shifted octets) or in the schema (packing,
octet order, sync taken off, constants of another frame or version, another check), and the capture is decoded again. What counts is
how much of it then is good frames, and whether their values are plausible: legal, and moving in small steps. "Nothing is wrong" is one
of the causes, and where none explains much the answer is that none of these does.

What would surprise a reader: a cause that leaves checks intact (a sign, a scale) is seen in the values of good frames alone, so it is only
suspected, and never where the values are legal and move in small steps.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

from packetkit.captures.causes import Cause, in_bytes, in_schema
from packetkit.captures.sight import FRAMES, Sight, leaves_of, look, marks_of, within
from packetkit.captures.stream import obstacle
from packetkit.codec import reading, walk
from packetkit.codec.annotate import check_of
from packetkit.codec.frame import Frame
from packetkit.codec.tree import Leaf, spans_of
from packetkit.errors import AlgorithmError, InputError, counted
from packetkit.integrity.algorithm import Algorithm
from packetkit.integrity.catalog import ALGORITHMS
from packetkit.integrity.identify import identify
from packetkit.layout.model import Layout, Run
from packetkit.layout.slots import Linear, Packing, Slot
from packetkit.mission.load import Mission

# So much of a capture is looked at in each of three places, its start, middle and end: some hundred frames of a small downlink. Causes
# are tried where the fewest bytes are good frames; in pairs with less of them, as there are many.
LOOKED_AT = 6000
IN_PAIRS = 2500
# A cause has to explain this part of the bytes, with this many frames (fewer where a capture has fewer), to be one.
EXPLAINS = 0.4
# A place of which one octet is more than this part is a line at rest, or memory that was never written to.
IDLE = 0.95
# What each further step has to bring.
STEP = 0.04
# How much the plausibility of values counts beside the part of the bytes that is good frames.
VALUES = 0.5
# An explanation with more than this part of the bytes, and of plausible marks, leaves no need of two causes.
SOUND = 0.85
# Other constants and another check leave nothing that tells a frame: inverted bits, say, look like that as well.
UNLIKELY_PAIR, UNLIKELY = frozenset({"wrong frame or version", "check parameters"}), 0.2


@dataclass(frozen=True)
class Finding:
    """An explanation: its causes (none: nothing is wrong), what the capture then looks like, and what speaks for it.

    explained: the part of the bytes that it makes good frames; plausible: how plausible their values are; extra: what else it is worth.
    """

    causes: tuple[Cause, ...]
    sight: Sight
    explained: float
    plausible: float
    extra: float = 0.0
    evidence: tuple[str, ...] = ()

    @property
    def score(self) -> float:
        """What explanations are ranked by."""
        unlikely = UNLIKELY if set(self.kinds) >= UNLIKELY_PAIR else 0.0
        return self.explained + VALUES * self.plausible + self.extra - STEP * len(self.causes) - unlikely

    @property
    def kinds(self) -> tuple[str, ...]:
        """The kinds of its causes."""
        return tuple(cause.kind for cause in self.causes)

    @property
    def is_sound(self) -> bool:
        """True where it leaves little to explain: nearly all bytes are good frames, and their values are plausible."""
        return self.explained > SOUND and self.plausible > SOUND


# -- the diagnosis -----------------------------------------------------------------------------------------------------


@dataclass
class _Case:
    """One capture being diagnosed."""

    mission: Mission
    frames: Mapping[str, Frame]
    data: bytes
    place: Place
    findings: list[Finding] = field(default_factory=list)
    compiled: dict[tuple[str, ...], Mapping[str, Frame]] = field(default_factory=dict)

    def under(self, causes: tuple[Cause, ...], most: int) -> Sight:
        """What the capture looks like with the causes undone."""
        most = min(most, self.place.size)
        data, frames = self.data[self.place.start : self.place.start + most], self.frames
        for cause in causes:
            if cause.mend is not None:
                data = cause.mend(data)
            if cause.layouts is not None:
                frames = self.frames_of(cause)
        return self.seen(frames, data, most)

    def seen(self, frames: Mapping[str, Frame], data: bytes, size: int) -> Sight:
        """What frames are in the first bytes of the place, mended or not."""
        start = self.place.start
        return within(
            look(frames, data), start, cut_before=start > 0, cut_behind=start + size < len(self.data)
        )

    def frames_of(self, cause: Cause) -> Mapping[str, Frame]:
        """Frames of other layouts, made once."""
        assert cause.layouts is not None
        key = (cause.kind, cause.told)
        if key not in self.compiled:
            chosen = {name: layout for name, layout in cause.layouts.items() if name in self.frames}
            self.compiled[key] = {name: Frame(layout) for name, layout in chosen.items()}
        return self.compiled[key]

    def note(
        self, causes: tuple[Cause, ...], sight: Sight, extra: float = 0.0, *evidence: str
    ) -> Finding | None:
        """Keep an explanation that explains something."""
        if not enough(sight):
            return None
        causes = tuple(replace(one, told=_constants_told(one, sight, self.mission)) for one in causes)
        causes = tuple(
            replace(one, remedy=one.remedy or _stored_in(sight)) if one.kind == "check order" else one
            for one in causes
        )
        if not all(one.told for one in causes):
            return None
        own = _in_between(sight) if not any(one.kind == "driver bytes" for one in causes) else ()
        causes = (*causes, *own)
        made = Finding(causes, sight, sight.explained, sight.plausible, 0.0, _evidence(sight))
        self.findings.append(made)
        return made


def enough(sight: Sight) -> bool:
    """Return whether what is seen is more than chance."""
    frames = len(sight.good)
    few = sight.size < 2 * FRAMES * max((one.size for one in sight.good), default=1)
    return frames >= (1 if few else FRAMES) and sight.explained >= EXPLAINS


def _in_between(sight: Sight) -> tuple[Cause, ...]:
    """What stands between frames, or before the first: causes that finding frames shows by itself."""
    if sight.driver_bytes:
        size = sight.driver_bytes
        told = f"{size} {'byte stands' if size == 1 else 'bytes stand'} between frames that the radio's driver or a logger adds"
        return (Cause("driver bytes", told, remedy="none is needed: decode skips them"),)
    longest = max((one.size for one in sight.good), default=0)
    if 0 < sight.lead < longest and not any(
        one.offset > 0 and one.offset + one.size < sight.size for one in sight.skipped
    ):
        told = f"the capture begins {counted(sight.lead, 'byte')} before its first whole frame"
        return (Cause("shifted start", told, remedy="nothing is lost but that frame"),)
    return ()


def _constants_told(cause: Cause, sight: Sight, mission: Mission) -> str:
    """The sentence of a cause, with the codes that were found where constants are other ones; empty where they are not."""
    if cause.kind != "wrong frame or version":
        return cause.told
    found = []
    for name, layout in mission.layouts.items():
        rows = sight.rows(name)
        for slot in layout.slots:
            if slot.kind in ("tag", "constant", "sync") and rows:
                codes = Counter(row[slot.address]["raw"] for row in rows if slot.address in row)
                other = [
                    code for code, _ in codes.most_common(3) if not any(code in one for one in slot.codes)
                ]
                found += [f"{slot.address} is {', '.join(hex(code) for code in other)}"] if other else []
    return "; ".join(found) if cause.layouts is not None else cause.told


def _evidence(sight: Sight) -> tuple[str, ...]:
    """What speaks for an explanation, in words."""
    kinds = Counter(one.frame for one in sight.good)
    good = ", ".join(f"{count} {name}" for name, count in kinds.items())
    told = [f"good frames: {good}; {100 * sight.explained:.0f} % of the bytes looked at"]
    if sight.failed:
        told.append(f"failed: {len(sight.failed)}")
    told.append(f"values: {100 * sight.plausible:.0f} % plausible")
    return tuple(told)


@dataclass(frozen=True)
class Place:
    """Where a capture was looked at, and which part of that is good frames as it stands; is_idle: one octet, over and over."""

    start: int
    size: int
    explained: float = 0.0
    is_idle: bool = False


@dataclass(frozen=True)
class Diagnosis:
    """The explanations of a capture, the best first, of the chosen one of the places that were looked at."""

    findings: tuple[Finding, ...]
    places: tuple[Place, ...]
    chosen: Place


def diagnose(mission: Mission, data: bytes, frame: str | None = None) -> tuple[Finding, ...]:
    """Return the explanations of a capture, the best first; empty where none of these is one.

    frame: only this one is looked for; then that it is another of the mission's is a cause. Raises InputError for no bytes.
    """
    return examine(mission, data, frame).findings


def examine(mission: Mission, data: bytes, frame: str | None = None) -> Diagnosis:
    """Return the same, and where the capture was looked at."""
    if not data:
        raise InputError("there are no bytes to diagnose")
    asked = {
        name: one for name, one in mission.frames.items() if name not in mission.outside or frame == name
    }
    frames = {frame: mission.frames[frame]} if frame is not None else asked or dict(mission.frames)
    places = _places(mission, frames, data)
    chosen = min(places, key=lambda one: (one.is_idle, one.explained, one.start))
    return Diagnosis(_findings(_Case(mission, frames, data, chosen), frame), places, chosen)


def _places(mission: Mission, frames: Mapping[str, Frame], data: bytes) -> tuple[Place, ...]:
    """Where a capture is looked at: all of it where it is short, or one frame; else at its start, middle and end."""
    size = len(data) if len(data) <= LOOKED_AT or obstacle(frames) else LOOKED_AT
    last = (len(data) - size) // 8 * 8  # whole groups of octets, which a cause may swap
    found = []
    for start in sorted({0, last // 2 // 8 * 8, last} if last >= 2 * size else {0, last}):
        end = len(data) if start == last else start + size
        part = data[start:end]
        is_idle = max(map(part.count, set(part[:256]))) > IDLE * len(part)
        case = _Case(mission, frames, data, Place(start, end - start))
        found.append(Place(start, end - start, case.under((), end - start).explained, is_idle))
    return tuple(found)


def _findings(case: _Case, frame: str | None) -> tuple[Finding, ...]:
    """The explanations of the bytes at a place."""
    mission = case.mission
    plain = case.under((), LOOKED_AT)
    case.note((), plain)
    shown = case.data[case.place.start : case.place.start + case.place.size]
    singles = (
        *(one for one in in_bytes() if one.mend is not None and one.mend(shown) != shown),
        *in_schema(mission),
    )
    for cause in singles:
        case.note((cause,), case.under((cause,), LOOKED_AT))
    if frame is not None:
        _other_frames(case, frame)
    in_bytes_only = [one for one in case.findings if not any(cause.layouts for cause in one.causes)]
    proven = [one for one in in_bytes_only if _is_checked(one.sight)]
    if not any(one.causes for one in proven):
        _other_checks(case, (), plain)
    if not any(one.is_sound for one in case.findings):
        _in_pairs(case, singles, checks=not proven)
    best = max((one.score for one in case.findings), default=0.0)
    for one in [one for one in case.findings if one.score > best - STEP / 2]:
        _suspects(case, one)
    return _ranked(case.findings)


def _other_frames(case: _Case, frame: str) -> None:
    """The other frames of the mission, where one was named."""
    for name, other in case.mission.frames.items():
        if name != frame:
            start, size = case.place.start, case.place.size
            sight = case.seen({name: other}, case.data[start : start + size], size)
            cause = Cause(
                "wrong frame or version", f"these are frames {name}, not {frame}", remedy=f"--frame {name}"
            )
            case.note((cause,), sight)


def _is_checked(sight: Sight) -> bool:
    """Whether checks agreed in good frames: then they are the right ones, and others would only be fitted to other bytes."""
    names = {one.frame for one in sight.good}
    return bool(names) and all(
        any(slot.check is not None for slot in sight.layouts[name].slots) for name in names
    )


def _in_pairs(case: _Case, singles: tuple[Cause, ...], *, checks: bool) -> None:
    """Two causes at once: one undone in the bytes, the other in the bytes or in the schema; or, where asked, in the schema's checks."""
    first = [one for one in singles if one.mend is not None]
    for number, one in enumerate(first):
        sight = case.under((one,), IN_PAIRS)
        if checks:
            _other_checks(case, (one,), sight)
        for other in (*first[number + 1 :], *(cause for cause in singles if cause.layouts is not None)):
            if one.kind == other.kind == "shifted start":
                continue  # two shifts are one, or none
            pair = (other, one) if other.kind == "hex of hex" else (one, other)
            case.note(pair, case.under(pair, IN_PAIRS))
    for one in singles:
        # Both orders are tried of every other check: with this cause beside it, that would undo it again.
        if checks and one.layouts is not None and one.kind != "check order":
            _other_checks(case, (one,), case.under((one,), IN_PAIRS))


def _ranked(findings: list[Finding]) -> tuple[Finding, ...]:
    """The best first, each set of causes once; what adds a cause and explains no more than one without it is left out."""
    made: dict[tuple[str, ...], Finding] = {}
    for one in sorted(findings, key=lambda one: (-one.score, len(one.causes))):
        key = tuple(sorted(f"{cause.kind}: {cause.told}" for cause in one.causes))
        made.setdefault(key, one)
    return tuple(one for one in made.values() if not any(_is_idle(one, other) for other in made.values()))


def _is_idle(one: Finding, other: Finding) -> bool:
    """Whether an explanation has a cause more than another, and brings nothing for it."""
    if (
        len(one.causes) <= len(other.causes)
        or one.score >= other.score
        or any("check " in kind for kind in one.kinds)
    ):
        return False
    gains = one.explained - other.explained, one.plausible - other.plausible
    return max(gains) < STEP / 4


# -- checks ------------------------------------------------------------------------------------------------------------

# Octets that a check may leave out at the start, or cover in front of it, against what the schema says.
MOST_MOVED = 8


def _stored(layout: Layout, slot: Slot, *, turned: bool = False) -> str:
    """How a check's octets are stored, as a schema says it; turned: the other way round."""
    runs = (node for node in layout.walk() if isinstance(node, Run) and slot in node.slots)
    is_low = slot.octets_reversed is not any(run.packing is Packing.LEAST for run in runs)
    return f"stored: {'low' if is_low is not turned else 'high'}_octet_first"


def _stored_in(sight: Sight) -> str:
    """The same of all checks of frames that were looked for."""
    told = (
        _stored(layout, slot)
        for layout in sight.layouts.values()
        for slot in layout.slots
        if slot.check is not None and slot.width > 8
    )
    return " and ".join(dict.fromkeys(told))


@dataclass(frozen=True)
class _Check:
    """One other way of computing a check."""

    algorithm: Algorithm
    swapped: bool
    moved: int  # octets by which the span starts later

    def remedy(self, layout: Layout, slot: Slot) -> str:
        """What to say of the check in the schema."""
        assert slot.check is not None
        parts = [f"algorithm: {self.algorithm.name}"] if self.algorithm != slot.check.algorithm else []
        parts += [_stored(layout, slot, turned=True)] if self.swapped else []
        parts += ["covers: {from: the field that begins there}"] if self.moved else []
        return f"say of {slot.address} {', '.join(parts)}"

    def told(self, slot: Slot) -> tuple[str, str]:
        """The kind of cause that it is, and the sentence."""
        assert slot.check is not None
        parts = []
        kind = "check parameters"
        if self.algorithm != slot.check.algorithm:
            parts.append(f"{slot.address} is {self.algorithm.name}, not {slot.check.algorithm.name}")
        if self.swapped:
            kind, whose = (kind, "its") if parts else ("check order", "the check's")
            parts.append(f"{whose} octets are stored in the opposite order")
        if self.moved:
            kind = kind if parts else "check span"
            side = "later" if self.moved > 0 else "earlier"
            parts.append(f"what {slot.address} covers begins {counted(abs(self.moved), 'byte')} {side}")
        return kind, ", and ".join(parts)


def _other_checks(case: _Case, causes: tuple[Cause, ...], sight: Sight) -> None:
    """Another algorithm, order or span of the check, where frames are claimed and only their check fails."""
    claimed = [one for one in sight.failed if one.reason == "check failed"]
    for name, layout in sight.layouts.items():
        mine = [one.data for one in claimed if one.claimed == name][:40]
        total = len(mine) + sum(one.frame == name for one in sight.good)
        slots = [slot for slot in layout.slots if slot.check is not None]
        if len(set(mine)) < FRAMES or len(mine) < 0.5 * total or len(slots) != 1:
            continue
        best, count = _best_check(layout, slots[0], mine)
        if best is not None and count >= max(FRAMES - 1, 0.5 * len(mine)):
            kind, told = best.told(slots[0])
            _note_check(
                case,
                (*causes, Cause(kind, told, remedy=best.remedy(layout, slots[0]))),
                sight,
                count / total,
            )
        elif slots[0].width % 8 == 0 and slots[0].width >= 16:
            _solved_check(case, causes, sight, slots[0], mine)


def _note_check(
    case: _Case, causes: tuple[Cause, ...], sight: Sight, part: float, extra: float = 0.0
) -> None:
    """An explanation by another check: the frames that agree with it are as good as good ones."""
    size = sum(one.size for one in sight.failed) + sum(one.size for one in sight.good)
    explained = part * min(size / max(sight.size, 1), 1.0)
    if explained < EXPLAINS:
        return
    evidence = (f"{100 * part:.0f} % of the claimed frames agree with it",)
    marks = [mark for name in sight.layouts for mark in marks_of(_salvaged(sight, name))]
    case.findings.append(Finding(causes, sight, explained, sum(marks) / max(len(marks), 1), extra, evidence))


def _salvaged(sight: Sight, name: str) -> list[dict[str, dict[str, Any]]]:
    """What the frames of a name hold whose check failed, as `Sight.rows` of good ones."""
    layout = sight.layouts[name]
    mine = [one.data for one in sight.failed if one.claimed == name and one.reason == "check failed"]
    return [dict(leaves_of(walk.decode(layout, data, salvage=True))) for data in mine]


def _best_check(layout: Layout, slot: Slot, frames: list[bytes]) -> tuple[_Check | None, int]:
    """The other check that most frames agree with."""
    votes: Counter[_Check] = Counter()
    for data in frames[:12]:
        votes.update(set(_agreeing(layout, slot, data)))
    declared = slot.check.algorithm if slot.check is not None else None
    ranked = sorted(
        votes, key=lambda one: (-votes[one], one.algorithm != declared, abs(one.moved), one.swapped)
    )
    if not ranked:
        return None, 0
    best = ranked[0]
    count = sum(best in set(_agreeing(layout, slot, data)) for data in frames)
    return best, count


def _agreeing(layout: Layout, slot: Slot, data: bytes) -> Iterator[_Check]:
    """Every other check that one frame agrees with."""
    found = reading.read(layout, data)
    leaf = next((one for one in found.leaves if one.slot.number == slot.number), None)
    if leaf is None or found.failure is not None or slot.check is None:
        return
    whole_octets = slot.width % 8 == 0
    swapped = (
        int.from_bytes(leaf.raw.to_bytes(slot.width // 8, "big"), "little") if whole_octets else leaf.raw
    )
    rows = [row for row in ALGORITHMS.values() if row.width == slot.width]
    if slot.check.algorithm not in rows:
        rows.append(slot.check.algorithm)
    for moved in range(-MOST_MOVED, MOST_MOVED + 1):
        check = _moved_span(slot, moved, leaf)
        if check is None:
            continue
        for row in rows:
            other = replace(leaf, slot=replace(slot, check=replace(check, algorithm=row)))
            try:
                value = check_of(other, found.words, data[: found.used])
            except AlgorithmError:  # a sum over a partial octet
                continue
            if value == leaf.raw:
                yield _Check(row, False, moved)
            elif value == swapped and whole_octets and slot.width > 8:
                yield _Check(row, True, moved)


def _moved_span(slot: Slot, moved: int, leaf: Leaf) -> Any:
    """The check with its span starting some octets later; None where that leaves the frame, or nothing."""
    check = slot.check
    assert check is not None
    (first, last), *others = check.spans
    if not moved:
        return check
    start, end = spans_of(leaf, 1 << 20)[0]
    if start + 8 * moved < 0 or start + 8 * moved >= end:
        return None
    return replace(check, spans=((replace(first, bits=first.bits + 8 * moved), last), *others))


def _solved_check(
    case: _Case, causes: tuple[Cause, ...], sight: Sight, slot: Slot, frames: list[bytes]
) -> None:
    """A CRC that has no name, from the claimed frames."""
    try:
        matches = [one for one in identify(frames[:8]) if one.is_credible]
    except AlgorithmError:
        return
    if matches:
        best = matches[0]
        part = sum(map(best.agrees, frames)) / len(frames)
        told = f"{slot.address} is {best.name or ', '.join(f'{key} {value}' for key, value in best.algorithm.parameters())}: {best.place}"
        cause = Cause("check parameters", told, remedy="see packetkit identify")
        # Parameters that were solved for fit more than a cause that was looked up does: that costs a further step.
        _note_check(case, (*causes, cause), sight, part, 0.0 if best.name else -STEP)


# Where more fields are suspect than these the cause is none of theirs.
MOST_SUSPECTS = 1


# -- what only values show ---------------------------------------------------------------------------------------------


def _suspects(case: _Case, best: Finding) -> None:
    """Signs and scales that the values of an explanation speak against."""
    found: list[tuple[Cause, float, str]] = []
    for name, layout in best.sight.layouts.items():
        rows = best.sight.rows(name)
        if len(rows) < 2 * FRAMES:
            continue
        paths = {path for row in rows for path in row}
        for slot in layout.slots:
            mine = sorted(path for path in paths if _is_at(path, slot.address))
            leaves = [[row[path] for row in rows if path in row] for path in mine]
            if slot.kind != "number" or not isinstance(slot.transform, Linear) or slot.coding or not leaves:
                continue
            found += (*_sign(slot, leaves), *_scale(slot, leaves))
    for cause, strength, evidence in found if len(found) <= MOST_SUSPECTS else ():
        made = replace(
            best,
            causes=(*best.causes, cause),
            extra=0.1 + 0.3 * strength,
            evidence=(*best.evidence, evidence),
        )
        case.findings.append(made)


_INDEX = re.compile(r"\[[0-9]+\]")


def _is_at(path: str, address: str) -> bool:
    """Whether a path is an address with its indices filled in."""
    return _INDEX.sub("[]", path) == address


def _sign(slot: Slot, leaves: list[list[dict[str, Any]]]) -> Iterator[tuple[Cause, float, str]]:
    """A number that is to be read with the other sign: its values jump by nearly its whole range, and would not."""
    if slot.by_meaning or slot.width < 6 or slot.role is not None:
        return
    half, whole_range = 1 << (slot.width - 1), 1 << slot.width
    missing = {one.low for one in slot.specials}
    jumps = others = total = 0
    far = 0
    for one in leaves:
        raws = [leaf["raw"] for leaf in one if leaf["raw"] not in missing]
        turned = [
            raw - whole_range
            if not slot.signed and raw >= half
            else raw % whole_range
            if slot.signed
            else raw
            for raw in raws
        ]
        jumps += sum(abs(after - before) > half for before, after in pairwise(raws))
        others += sum(abs(after - before) > half for before, after in pairwise(turned))
        far += sum(not slot.signed and raw >= whole_range - whole_range // 8 for raw in raws)
        total += len(raws)
    way = "unsigned, but it is declared signed" if slot.signed else "signed, but it is declared unsigned"
    cause = Cause(
        "signedness", f"{slot.address} is {way}", remedy=f"signed: {'false' if slot.signed else 'true'}"
    )
    if jumps >= 2 and others * 4 <= jumps:
        told = f"{slot.address} jumps by more than half its range {jumps} times; read the other way {others} times"
        yield cause, min(1.0, 0.4 + jumps / max(total, 1)), told
    elif total >= 2 * FRAMES and far > 0.9 * total:
        yield (
            cause,
            0.5,
            f"{slot.address} is always within an eighth of its largest code: as a signed number a little below zero",
        )


def _scale(slot: Slot, leaves: list[list[dict[str, Any]]]) -> Iterator[tuple[Cause, float, str]]:
    """A number that is ten times too large or small: most values are outside its bounds, and a tenth of them would not be."""
    raws = [leaf["raw"] for one in leaves for leaf in one]
    missing = {code for one in slot.specials if one.meaning == "missing" for code in (one.low, one.high)}
    raws = [raw for raw in raws if raw not in missing]
    assert isinstance(slot.transform, Linear)
    outside = [raw for raw in raws if not any(one.low <= raw <= one.high for one in slot.legal)]
    if len(raws) < 2 * FRAMES or len(outside) < 0.4 * len(raws):
        return
    base, num = slot.transform.base, slot.transform.numerator
    for factor, word in ((10, "ten times too large"), (0.1, "ten times too small")):
        near = [(raw * num + base) / factor for raw in raws]
        inside = sum(any(one.low <= (value - base) / num <= one.high for one in slot.legal) for value in near)
        if inside >= 0.95 * len(raws):
            left = len(raws) - inside
            told = f"{slot.address} is outside its bounds in {len(outside)} of {len(raws)} values; divided by {factor:g}, in {left}"
            yield Cause("scale", f"{slot.address} reads {word}", remedy="look at the unit's scale"), 0.9, told
