"""What an account asks of good frames, noted where they are decoded and counted elsewhere: the account of a file by another process.

Counts of one file are added to those of another; what counters tell of a frame depends on all frames before it, whichever file they
stand in. So a `Recorder` stands in the place of a continuity, and what it noted is taken by the true one later, in the order of the files.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np

from packetkit.captures.account import Account
from packetkit.captures.continuity import Continuity, Counters
from packetkit.captures.rows import CERTAIN, Given, Rows, numbers_of
from packetkit.captures.stream import Received
from packetkit.captures.swift import Block
from packetkit.layout.model import Layout


class Numbers(NamedTuple):
    """Good frames of one kind in a row: what sequence, boot counter and clock read, where frames begin, their bytes, when they came.

    given: three, None where the kind has no such role. ends: of each frame's bytes in data. received: None where nothing is known of any.
    """

    given: tuple[Given | None, ...]
    offsets: Any
    ends: Any
    data: bytes
    received: list[Received | None] | None


class Recorder(Continuity):
    """Takes good frames as a continuity does, and keeps what that asks of them instead of counting."""

    def __init__(self, layout: Layout) -> None:
        super().__init__(layout)
        self._made: list[Numbers] = []
        self._rows: list[tuple[int | None, int | None, int | None]] = []
        self._offsets: list[int] = []
        self._datas: list[bytes] = []
        self._beside: list[Received | None] = []

    def take(
        self, record: Mapping[str, Any], data: bytes, offset: int, received: Received | None = None
    ) -> str:
        """Note a frame more; what it is, nobody knows yet."""
        self._rows.append(_read(self.counters, record))
        self._offsets.append(offset)
        self._datas.append(data)
        self._beside.append(received)
        return ""

    def take_block(self, block: Block, origin: int) -> None:
        """Note a row of frames more."""
        self._gather()
        table = block.table
        first, ends = int(table.offsets[0]), np.cumsum(table.sizes)
        offsets = origin + block.offset - first + table.offsets
        data = table.data[first : first + int(ends[-1])]
        self._made.append(Numbers(numbers_of(self.counters, block), offsets, ends, data, None))

    def cut(self) -> list[Numbers]:
        """Return what was noted, and begin anew."""
        self._gather()
        made, self._made = self._made, []
        return made

    def _gather(self) -> None:
        if not self._rows:
            return
        roles = (self.counters.sequence, self.counters.boot, self.counters.clock)
        columns = zip(*self._rows, strict=True)
        given = tuple(
            None if role is None else _column(values) for role, values in zip(roles, columns, strict=True)
        )
        ends = np.cumsum([len(data) for data in self._datas])
        received = self._beside if any(self._beside) else None
        self._made.append(Numbers(given, np.array(self._offsets), ends, b"".join(self._datas), received))
        self._rows, self._offsets, self._datas, self._beside = [], [], [], []


def _read(how: Counters, record: Mapping[str, Any]) -> tuple[int | None, int | None, int | None]:
    return (
        None if how.sequence is None else how.sequence(record),
        None if how.boot is None else how.boot(record),
        None if how.clock is None else how.clock(record),
    )


def _column(values: tuple[int | None, ...]) -> Given:
    plain = [value or 0 for value in values]
    is_small = min(plain) > -CERTAIN and max(plain) < CERTAIN
    there = np.array([value is not None for value in values], np.bool_)
    return np.array(plain, np.int64 if is_small else np.object_), there


@dataclass(slots=True)
class Tally:
    """An account in which counters are noted, not followed; `cut` hands over what there is."""

    layouts: Mapping[str, Layout]
    unit: str = "byte"
    account: Account = field(init=False)
    _recorders: dict[str, Recorder] = field(init=False)

    def __post_init__(self) -> None:
        told = Account.of(self.layouts).continuity
        self._recorders = {name: Recorder(self.layouts[name]) for name in told}
        self.account = self._new()

    def _new(self) -> Account:
        return Account(continuity=dict(self._recorders), unit=self.unit)

    def cut(self) -> tuple[Account, dict[str, list[Numbers]]]:
        """Return counts since the last time, and what counters read."""
        made = replace(self.account, continuity={})
        self.account = self._new()
        return made, {name: one.cut() for name, one in self._recorders.items()}


def take_numbers(continuity: Continuity, numbers: Numbers, origin: int) -> None:
    """Count frames that were noted. origin: where their file's offsets begin."""
    starts = np.concatenate(([0], numbers.ends[:-1])).tolist()
    ends, offsets = numbers.ends.tolist(), numbers.offsets
    rows = Rows(
        continuity,
        numbers.given,
        len(ends),
        lambda row: numbers.data[starts[row] : ends[row]],
        lambda row: origin + int(offsets[row]),
    )
    if numbers.received is None:
        rows.take()
    else:
        for row, received in enumerate(numbers.received):
            rows.one(row, received)
