"""What a capture looks like under one assumption: the frames found in it, how much they explain, how plausible their values are."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Any

from packetkit.captures.stream import Event, Failed, Good, Skipped, events, obstacle
from packetkit.codec.frame import Frame
from packetkit.errors import DecodeError
from packetkit.layout.model import Layout

# A longer row of octets between frames is junk, not what a driver adds.
MOST_DRIVER_BYTES = 16
# With so many frames there is something to see: an explanation, or steps of a value.
FRAMES = 3


@dataclass(frozen=True)
class Sight:
    """What a capture of some size in bytes looks like under one assumption. layouts: those that were looked for, by name.

    start: where in the capture it begins; offsets of events count from there.
    """

    size: int
    good: tuple[Good, ...]
    failed: tuple[Failed, ...]
    skipped: tuple[Skipped, ...]
    layouts: Mapping[str, Layout]
    start: int = 0

    @cached_property
    def driver_bytes(self) -> int:
        """The octets that stand between all frames, 0 where it is not one number."""
        inner = [one.size for one in self.skipped if one.offset > 0 and one.offset + one.size < self.size]
        sizes = Counter(inner)
        size, count = sizes.most_common(1)[0] if sizes else (0, 0)
        found = len(self.good) + len(self.failed)
        is_regular = count >= max(2, 0.8 * (found - 1)) and count >= 0.8 * len(inner)
        return size if is_regular and size <= MOST_DRIVER_BYTES else 0

    @property
    def lead(self) -> int:
        """The octets skipped before the first frame."""
        first = self.skipped[0] if self.skipped else None
        return first.size if first is not None and first.offset == 0 else 0

    @cached_property
    def explained(self) -> float:
        """The part of the bytes that is good frames, what a driver adds and a cut beginning and end aside."""
        inside = self.size - (self.driver_bytes * len(self.skipped) if self.driver_bytes else 0)
        longest = max((one.size for one in self.good), default=0)
        for one in self.skipped:
            if (
                not self.driver_bytes
                and (one.offset == 0 or one.offset + one.size == self.size)
                and one.size < longest
            ):
                inside -= one.size
        inside -= sum(one.size for one in self.failed if one.reason == "truncated")
        return min(sum(one.size for one in self.good) / max(inside, 1), 1.0) if self.good else 0.0

    @cached_property
    def plausible(self) -> float:
        """How plausible the values of the good frames are, from 0 to 1."""
        marks = [mark for name in self.layouts for mark in marks_of(self.rows(name))]
        return sum(marks) / len(marks) if marks else 0.5

    def rows(self, name: str) -> list[dict[str, dict[str, Any]]]:
        """The slots of each good frame of a name, by path, in order."""
        return [dict(leaves_of(one.record)) for one in self.good if one.frame == name]


def leaves_of(detail: Any, path: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """The path and the detail of every slot."""
    if isinstance(detail, list):
        for number, element in enumerate(detail):
            yield from leaves_of(element, f"{path}[{number}]")
    elif isinstance(detail, dict):
        if isinstance(detail.get("raw"), int):
            yield path, detail
            return
        for key, inner in detail.items():
            yield from leaves_of(inner, f"{path}.{key}" if path else key)


def marks_of(rows: list[dict[str, dict[str, Any]]]) -> Iterator[float]:
    """A mark for each field of some frames: its values are legal, and move in small steps."""
    for path in rows[0] if rows else ():
        leaves = [row[path] for row in rows if path in row]
        yield legality(leaves)
        raws = [leaf["raw"] for leaf in leaves]
        if len(raws) >= FRAMES:
            yield smoothness(raws)


def legality(leaves: list[dict[str, Any]]) -> float:
    """Return the part of values that are legal."""
    bad = sum(
        leaf.get("reason") in ("unassigned", "not finite", "bad digit") or "note" in leaf for leaf in leaves
    )
    return 1 - bad / max(len(leaves), 1)


def smoothness(raws: list[int]) -> float:
    """Return 1 for a quantity that moves in small steps against its range, or by one step always, 0 for one that jumps about."""
    steps = [after - before for before, after in pairwise(raws)]
    span = max(raws) - min(raws)
    if span == 0 or len(set(steps)) == 1:
        return 1.0
    moved = sum(map(abs, steps)) / len(steps)
    return max(0.0, 1 - 3 * moved / (span + 4))


def within(sight: Sight, start: int, *, cut_before: bool, cut_behind: bool) -> Sight:
    """Return what part of a capture looks like, without the frames of which it has only a piece: those are nobody's fault.

    start: where the part begins in the capture; cut_before, cut_behind: there are more bytes on that side.
    """
    longest = max((one.size for one in sight.good), default=0)
    good, failed, skipped, size, lead = sight.good, sight.failed, sight.skipped, sight.size, 0
    if cut_behind and failed and failed[-1].reason == "truncated":
        if failed[-1].offset + failed[-1].size == size:
            size, failed = failed[-1].offset, failed[:-1]
    elif cut_behind and skipped and skipped[-1].offset + skipped[-1].size == size:
        if skipped[-1].size < longest:
            size, skipped = skipped[-1].offset, skipped[:-1]
    if cut_before and skipped and skipped[0].offset == 0 and skipped[0].size < longest:
        lead, skipped = skipped[0].size, skipped[1:]
    return Sight(
        size - lead,
        tuple(replace(one, offset=one.offset - lead) for one in good),
        tuple(replace(one, offset=one.offset - lead) for one in failed),
        tuple(replace(one, offset=one.offset - lead) for one in skipped),
        sight.layouts,
        start + lead,
    )


def look(frames: Mapping[str, Frame], data: bytes) -> Sight:
    """Return what frames are found in bytes."""
    if obstacle(frames):
        return _looked_whole(frames, data)
    found: list[Event] = list(events(frames, [data], detail=True)) if data else []
    return Sight(
        len(data),
        tuple(one for one in found if isinstance(one, Good)),
        tuple(one for one in found if isinstance(one, Failed)),
        tuple(one for one in found if isinstance(one, Skipped)),
        {name: frame.layout for name, frame in frames.items()},
    )


def _looked_whole(frames: Mapping[str, Frame], data: bytes) -> Sight:
    """The input as one frame: for frames that cannot be found in a stream."""
    layouts = {name: frame.layout for name, frame in frames.items()}
    for name, frame in frames.items():
        try:
            record = frame.decode(data, detail=True)
        except DecodeError:
            continue
        good = Good(name, 0, data, record, not frame.layout.supplied)
        return Sight(len(data), (good,), (), (), layouts)
    return Sight(len(data), (), (), (Skipped(0, len(data)),), layouts)
