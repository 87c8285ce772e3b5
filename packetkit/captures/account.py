"""What a capture held, counted: nothing of it is left out, and it takes the same memory for any capture."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from packetkit.captures.continuity import Continuity, continuities
from packetkit.captures.signal import Signal, total
from packetkit.captures.stream import Event, Failed, Good, Skipped
from packetkit.layout.model import Layout

if TYPE_CHECKING:
    from packetkit.captures.swift import Block

# The ranges that are kept to be shown; all are counted.
SHOWN = 10


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

    @property
    def signal(self) -> Signal:
        """Good, failed and missing frames by the signal with which they, or those next to them, came; whole once `finish` was called."""
        return total([self.uncounted, *(one.signal for one in self.continuity.values())])

    @classmethod
    def of(cls, layouts: Mapping[str, Layout], unit: str = "byte") -> Account:
        """Return an empty account that follows the counters of these frames, by what events call them."""
        return cls(continuity=continuities(layouts), unit=unit)

    def finish(self) -> None:
        """Take it that there are no more events."""
        for one in self.continuity.values():
            one.finish()

    def add(self, event: Event) -> None:
        """Count one event more."""
        self.last_offset = event.offset
        self.size += event.size * (8 if self.unit == "bit" and not isinstance(event, Skipped) else 1)
        if isinstance(event, Good):
            self.good[event.frame] += 1
            if event.frame in self.continuity:
                self.continuity[event.frame].take(event.record, event.data, event.offset, event.received)
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
            if len(self.ranges) < SHOWN:
                self.ranges.append(event)

    def add_block(self, block: Block) -> None:
        """Count a row of good frames more, as if each had been added."""
        from packetkit.captures.rows import take_rows

        self.last_offset = block.last_offset
        self.size += block.size
        self.good[block.frame] += block.table.rows
        if block.frame in self.continuity:
            take_rows(self.continuity[block.frame], block)

    @property
    def is_clean(self) -> bool:
        """True where there is at least one good frame and nothing else."""
        return bool(self.good) and not self.failed and not self.skipped_ranges

    @property
    def failed_by_reason(self) -> Counter[str]:
        """Failed frames by reason, whatever frame they claimed to be."""
        made: Counter[str] = Counter()
        for (_, reason), count in self.failed.items():
            made[reason] += count
        return made
