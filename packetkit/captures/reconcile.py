"""Two sources of one downlink held against each other, such as a memory card and the radio: what one has and the other misses, when, and
where their bytes differ.

A stretch is numbers in a row that one of them misses; it ends where that one has a frame, or where the unit restarted. Beyond the first and
the last number that anybody has, nobody knows what was sent.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, NamedTuple

from packetkit.captures.merge import Entry, Kind
from packetkit.codec import cells
from packetkit.codec.frame import Frame


@dataclass(slots=True)
class Stretch:
    """Numbers in a row that a source misses. others_have: of the frames those that somebody else has; the rest nobody has.

    before, after: the frames around it that this source has, None where it has none in this time between restarts. inside: the first and
    the last frame of it that somebody else has.
    """

    source: int
    kind: str
    boot: int
    first: int
    last: int
    others_have: int = 0
    before: Entry | None = None
    after: Entry | None = None
    inside: tuple[Entry, Entry] | None = None

    @property
    def frames(self) -> int:
        """How many numbers."""
        return self.last - self.first + 1


def stretches(kind: Kind, source: int) -> Iterator[Stretch]:
    """Yield what one source misses of a kind of frame that has a sequence, in order; nothing of another kind."""
    if kind.counters.sequence is None:
        return
    open_one: Stretch | None = None
    last: Entry | None = None  # of anybody's
    mine: Entry | None = None  # the last that this source has
    for entry in kind.entries():
        if entry.place is None:
            continue
        boot, number = entry.place
        if last is None or last.place is None or last.place.boot != boot:
            if open_one is not None:
                yield open_one
            open_one, mine, expected = None, None, number
        else:
            expected = last.place.number + 1
        if source in entry.sources:
            if number > expected:
                open_one = open_one or Stretch(source, kind.name, boot, expected, expected, before=mine)
                open_one.last = number - 1
            if open_one is not None:
                open_one.after = entry
                yield open_one
            open_one, mine = None, entry
        else:
            open_one = open_one or Stretch(source, kind.name, boot, expected, expected, before=mine)
            open_one.last = number
            open_one.others_have += 1
            open_one.inside = (open_one.inside[0] if open_one.inside else entry, entry)
        last = entry
    if open_one is not None:
        yield open_one


class Counts(NamedTuple):
    """Of one kind of frame: had by both, by the first or the second only, by both with other bytes, and by neither (None: not counted)."""

    both: int
    only_first: int
    only_second: int
    disagreements: int
    neither: int | None


def counts(kind: Kind) -> Counts:
    """Return how the frames of a kind are split between two sources."""
    found = kind.entries()
    both = sum(len(entry.sources) == 2 for entry in found)
    first = sum(entry.sources == {0} for entry in found)
    neither = None if kind.counters.sequence is None else sum(gap.frames for gap in kind.gaps())
    return Counts(both, first, len(found) - both - first, sum(entry.disagrees for entry in found), neither)


def sequence_of(kind: Kind, number: int) -> int:
    """Return what the sequence counter reads at a number that goes on over wraps."""
    return number % kind.counters.modulus


def clock_s(kind: Kind, entry: Entry | None) -> Fraction | None:
    """Return what the unit's clock says in a frame, in seconds from its lowest; None where nothing tells."""
    tick = kind.counters.tick_s
    clock = None if entry is None else entry.best.clock
    return None if clock is None or tick is None else clock * tick


def received(entry: Entry | None, source: int | None = None) -> str | None:
    """Return when a frame was received, as the capture says it: by that source, or by who had it best."""
    if entry is None:
        return None
    heard = [one for version in entry.versions.values() for one in version if source in (None, one.source)]
    said = entry.best.received if source is None else heard[0].received if heard else None
    return None if said is None else said.time


def differing(frame: Frame, first: bytes, second: bytes) -> list[tuple[str, Any, Any]]:
    """Return the fields, by path, that two good frames have with other values, and both values."""
    values = [
        {cell.path: cell.value for cell in cells.cells(frame.layout, frame.decode(data))}
        for data in (first, second)
    ]
    paths = dict.fromkeys([*values[0], *values[1]])
    return [
        (path, values[0].get(path), values[1].get(path))
        for path in paths
        if values[0].get(path) != values[1].get(path)
    ]
