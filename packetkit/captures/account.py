"""What a capture held, counted: nothing of it is left out, and it takes the same memory for any capture."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from packetkit.captures.continuity import Continuity, continuities
from packetkit.captures.lines import Count
from packetkit.captures.order import Ends, backwards
from packetkit.captures.probe import takes_anything
from packetkit.captures.signal import Signal, total
from packetkit.captures.stream import Event, Failed, Good, Skipped
from packetkit.layout.model import Layout

if TYPE_CHECKING:
    from packetkit.captures.numbers import Numbers
    from packetkit.captures.swift import Block

# The ranges that are kept to be shown; all are counted.
SHOWN = 10

# Beyond any offset in a file, so that one number says which of several files and where in it.
SPAN = 1 << 56


@dataclass(slots=True)
class File:
    """One of the files that an account is of: what it is called, how it was read, and counts of what it held."""

    name: str
    read_as: str
    size: int = 0
    good: int = 0
    failed: int = 0
    skipped: int = 0
    unwritten: int = 0
    read: Count | None = None  # of its lines or packets, where it was read by them
    ends: dict[str, Ends] = field(default_factory=dict)  # of each kind: what counters read first and last

    @property
    def is_clean(self) -> bool:
        """True where it holds nothing but good frames."""
        return not self.failed and not self.skipped and self.is_whole

    @property
    def is_whole(self) -> bool:
        """True where no line was damaged, and nothing cut off."""
        return self.read is None or not (self.read.damaged or self.read.cut)


@dataclass(slots=True)
class Account:
    """Counts of events. failed: by claimed frame and reason. ranges: the first skipped ones, for showing.

    continuity: what the counters of each frame tell, by its name; `of` makes one for frames that have counters.
    unit: what offsets and skipped ranges count, `byte` or `bit`; size is in the same unit. unwritten: of the tail that was never
    written to, which no range counts. uncounted: by signal, frames that failed and those without counters.
    """

    size: int = 0
    good: Counter[str] = field(default_factory=Counter)
    failed: Counter[tuple[str, str]] = field(default_factory=Counter)
    skipped_ranges: int = 0
    skipped_bytes: int = 0
    ranges: list[Skipped] = field(default_factory=list)
    continuity: dict[str, Continuity] = field(default_factory=dict)
    unit: str = "byte"
    unwritten: int = 0
    last_offset: int = 0
    uncounted: Signal = field(default_factory=Signal)
    files: list[File] = field(default_factory=list)
    unguarded: frozenset[str] = frozenset()
    range_files: list[str] = field(default_factory=list)  # those of the ranges
    _origin: int = 0  # what is added to offsets of the file at hand, so that one number says file and offset
    _before: tuple[int, ...] = (0, 0, 0, 0, 0)  # counts up to the file at hand

    @property
    def signal(self) -> Signal:
        """Good, failed and missing frames by the signal with which they, or those next to them, came; whole once `finish` was called."""
        return total([self.uncounted, *(one.signal for one in self.continuity.values())])

    @classmethod
    def of(cls, layouts: Mapping[str, Layout], unit: str = "byte") -> Account:
        """Return an empty account that follows the counters of these frames, by what events call them."""
        unguarded = frozenset(name for name, layout in layouts.items() if takes_anything(layout))
        return cls(continuity=continuities(layouts), unit=unit, unguarded=unguarded)

    def begin(self, name: str, read_as: str) -> None:
        """Take it that what is added from now on stands in another file."""
        self._close()
        self._origin = len(self.files) * SPAN
        self.files.append(File(name, read_as))

    def note(self, count: Count) -> None:
        """Take it that the file at hand was read like that."""
        self.files[-1].read = count

    def _close(self) -> None:
        """Note of the last file what was added since it began."""
        if not self.files:
            return
        last, before = self.files[-1], self._before
        counts = (
            self.size,
            sum(self.good.values()),
            sum(self.failed.values()),
            self.skipped_bytes,
            self.unwritten,
        )
        last.size, last.good, last.failed, last.skipped, last.unwritten = (
            now - then for now, then in zip(counts, before, strict=True)
        )
        self._before = counts
        last.ends |= {
            name: ends for name, one in self.continuity.items() if (ends := one.cut_ends()) is not None
        }

    @property
    def backwards(self) -> list[tuple[str, str]]:
        """The files, each with the one before it, from which on counters run backwards; whole once `finish` was called."""
        found = backwards(
            {name: one.counters for name, one in self.continuity.items()}, [file.ends for file in self.files]
        )
        return [(self.files[place - 1].name, self.files[place].name) for place in found]

    def place(self, offset: int | None) -> tuple[str | None, int | None]:
        """Return file and offset of a number that a continuity keeps; the file is None where nobody said what is counted."""
        if offset is None:
            return None, None
        number, at = divmod(offset, SPAN)
        return self.files[number].name if self.files else None, at

    def finish(self) -> None:
        """Take it that there are no more events."""
        self._close()
        for one in self.continuity.values():
            one.finish()

    def add(self, event: Event) -> None:
        """Count one event more."""
        self.last_offset = event.offset
        self.size += event.size * (8 if self.unit == "bit" and not isinstance(event, Skipped) else 1)
        if isinstance(event, Good):
            self.good[event.frame] += 1
            if event.frame in self.continuity:
                self.continuity[event.frame].take(
                    event.record, event.data, self._origin + event.offset, event.received
                )
            else:
                self.uncounted.came(event.received)
        elif isinstance(event, Failed):
            self.failed[event.claimed, event.reason] += 1
            self.uncounted.fell(event.received)
        elif event.unwritten:
            self.unwritten += event.size
        else:
            self.skipped_ranges += 1
            self.skipped_bytes += event.size
            self._show([event])

    def add_block(self, block: Block) -> None:
        """Count a row of good frames more, as if each had been added."""
        self.last_offset = block.last_offset
        self.size += block.size
        self.good[block.frame] += block.table.rows
        if block.frame in self.continuity:
            self.continuity[block.frame].take_block(block, self._origin)

    def join(self, other: Account, numbers: Mapping[str, Sequence[Numbers]]) -> None:
        """Count what another account has, of the same file, behind what this one has; numbers: what counters read in its frames."""
        from packetkit.captures.numbers import take_numbers

        self.last_offset = other.last_offset
        self.size += other.size
        self.good.update(other.good)
        self.failed.update(other.failed)
        self.skipped_ranges += other.skipped_ranges
        self.skipped_bytes += other.skipped_bytes
        self._show(other.ranges)
        self.unwritten += other.unwritten
        self.uncounted = total([self.uncounted, other.uncounted])
        for name, noted in numbers.items():
            for one in noted:
                take_numbers(self.continuity[name], one, self._origin)

    def _show(self, ranges: Sequence[Skipped]) -> None:
        kept = ranges[: SHOWN - len(self.ranges)]
        self.ranges += kept
        self.range_files += [self.files[-1].name if self.files else ""] * len(kept)

    @property
    def is_clean(self) -> bool:
        """True where there is at least one good frame and nothing else."""
        is_whole = all(file.is_whole for file in self.files)
        return bool(self.good) and not self.failed and not self.skipped_ranges and is_whole

    @property
    def failed_by_reason(self) -> Counter[str]:
        """Failed frames by reason, whatever frame they claimed to be."""
        made: Counter[str] = Counter()
        for (_, reason), count in self.failed.items():
            made[reason] += count
        return made
