"""What the counters of a block of frames tell: the account of packetkit/captures/continuity.py, without looking at each frame.

Where every number is the one after that of the frame before, the boot stays and the clock goes on as it does from frame to frame, nothing
is missing, late or new, and a whole row is counted at once. All other frames, and as many as the window behind each of them, are taken
one by one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from packetkit.captures.continuity import Continuity, Counters
from packetkit.captures.stream import Received
from packetkit.captures.swift import Block
from packetkit.layout.slots import Linear, Slot

Numbers = npt.NDArray[Any]

# What a role's field reads in each frame of a row, and where it says anything.
Given = tuple[Numbers, npt.NDArray[np.bool_]]

# From here on the double that a value is may not tell its code.
CERTAIN = 1 << 40


def take_rows(continuity: Continuity, block: Block, origin: int = 0) -> None:
    """Count every frame of a block. origin: where its file's offsets begin."""
    table, size = block.table, int(block.table.sizes[0])
    start = origin + block.offset
    given = numbers_of(continuity.counters, block)
    Rows(continuity, given, table.rows, table.frame, lambda row: start + row * size).take()


def numbers_of(counters: Counters, block: Block) -> tuple[Given | None, ...]:
    """Return what sequence, boot counter and clock read in each frame of a block, None where the kind has none."""
    return tuple(_numbers(block, slot, number == 2) for number, slot in enumerate(counters.slots))


def _numbers(block: Block, slot: Slot | None, is_clock: bool) -> Given | None:
    """What a role's field counts, counted from its lowest code where it is the clock, and where it says anything."""
    if slot is None:
        return None
    path = ".".join(slot.path)
    values, valid = block.table[path], block.table.valid[path]
    assert isinstance(slot.transform, Linear)
    if not slot.transform.is_identity:
        offset, scale = float(slot.transform.offset), float(slot.transform.scale)
        values = np.rint((np.where(valid, values, offset) - offset) / scale)
    lowest = slot.legal[0].low if is_clock else 0
    if values.dtype.kind in "Ou" or max(map(abs, slot.number_limits)) >= CERTAIN:
        return np.array([int(value or 0) - lowest for value in values.tolist()], np.object_), valid
    return values.astype(np.int64) - lowest, valid


class Rows:
    """Numbers of frames in a row beside the continuity that takes them; data and offset: of each frame, by its place in the row."""

    def __init__(
        self,
        continuity: Continuity,
        given: Sequence[Given | None],
        rows: int,
        data: Callable[[int], bytes],
        offset: Callable[[int], int],
    ) -> None:
        self.continuity, self.rows = continuity, rows
        self.sequence, self.boot, self.clock = given
        self.data, self.offset = data, offset

    def take(self) -> None:
        """Count them all."""
        rows, at = self.rows, 0
        breaks = self.breaks()
        settle = 2 * self.continuity.window + 2  # so many in a row, and no number is open any more
        for place in [*breaks, rows]:
            until = min(at + settle, place)
            for row in range(at, until):
                self.one(row)
            if place > until:
                self.many(until, place)
            at = place

    def breaks(self) -> list[int]:
        """The rows that are not plainly the next after the row before; all but the first where that cannot be told from numbers."""
        rows = self.rows
        if self.sequence is None or any(
            one is not None and one[0].dtype.hasobject for one in (self.boot, self.clock)
        ):
            return list(range(1, rows))
        numbers, there = self.sequence
        if numbers.dtype.hasobject:
            return list(range(1, rows))
        plain = (np.diff(numbers) % self.continuity.counters.modulus == 1) & there[1:] & there[:-1]
        if self.boot is not None:
            plain &= (np.diff(self.boot[0]) == 0) & self.boot[1][1:] & self.boot[1][:-1]
        if self.clock is not None:
            gone = self.steps
            plain &= (gone >= 0) & self.clock[1][1:] & self.clock[1][:-1]
            most = self.continuity.longest_step()
            if most is not None:
                plain &= gone <= most
        found: list[int] = (np.flatnonzero(~plain) + 1).tolist()
        return found

    @cached_property
    def steps(self) -> Numbers:
        """How far the clock went from each row to the next, less than 0 where it went back."""
        assert self.clock is not None
        span = self.continuity.counters.clock_span
        gone = np.diff(self.clock[0]) % span
        made: Numbers = np.where(gone <= span // 2, gone, gone - span)
        return made

    def number(self, given: Any, row: int) -> int | None:
        return None if given is None or not given[1][row] else int(given[0][row])

    def one(self, row: int, received: Received | None = None) -> None:
        """Count one row by itself."""
        sequence, boot, clock = (self.number(given, row) for given in (self.sequence, self.boot, self.clock))
        self.continuity.take_numbers(sequence, boot, clock, self.data(row), self.offset(row), received)

    def many(self, first: int, stop: int) -> None:
        """Count rows that are each the next."""
        clock, ticks = None, np.zeros(stop - first, np.int64)
        if self.clock is not None:
            clock = int(self.clock[0][stop - 1])
            ticks = self.continuity.ticks + np.cumsum(self.steps[first - 1 : stop - 1])
        self.continuity.take_row(
            ticks.data,  # Python's integers, of those that are asked for
            clock,
            lambda row: self.data(first + row),
            lambda row: self.offset(first + row),
        )
