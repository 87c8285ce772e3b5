"""What bulk decoding gives: columns of values, with a validity mask each, and which rows are frames at all."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from packetkit.codec import walk
from packetkit.codec.bulk.gather import Array
from packetkit.codec.bulk.values import plain
from packetkit.errors import DecodeError
from packetkit.layout.model import Layout
from packetkit.layout.slots import Slot


@dataclass(frozen=True)
class Columns(Mapping[str, Array]):
    """Frames as columns: a mapping from paths such as `power.cell_voltage` or `readings[0].field_x` to arrays, in wire order.

    ok: bool (N,), False where sync, constant, count, check or a strict reserved bit is wrong, or the bytes end. valid: bool (N,) for
    each column, False where the row is not ok or the field has no value there; the column then holds NaN, 0 or False. raw: the codes on
    the wire, where they were asked for. offsets and sizes: where each row lies in the bytes that were decoded, `data`. slots: what a
    column's codes mean; None for the length of a list and a derived value. obstacle: why rows were decoded one by one; empty where
    they were not.
    """

    layout: Layout
    data: bytes = field(repr=False)
    ok: Array
    values_of: Mapping[str, Array] = field(repr=False)
    valid: Mapping[str, Array] = field(repr=False)
    raw: Mapping[str, Array] = field(repr=False)
    offsets: Array = field(repr=False)
    sizes: Array = field(repr=False)
    slots: Mapping[str, Slot | None] = field(repr=False)
    obstacle: str = ""

    def __getitem__(self, path: str) -> Array:
        return self.values_of[path]

    def __iter__(self) -> Iterator[str]:
        return iter(self.values_of)

    def __len__(self) -> int:
        return len(self.values_of)

    @property
    def rows(self) -> int:
        """How many rows there are."""
        return len(self.ok)

    def __repr__(self) -> str:
        good = int(np.count_nonzero(self.ok))
        return f"<Columns of {self.layout.name}: {self.rows:,} rows, {good:,} ok, {len(self)} columns>"

    def part(self, first: int, stop: int) -> Columns:
        """Return the rows from `first` to before `stop`, without copying them."""
        rows = slice(first, stop)
        if (first, stop) == (0, self.rows):
            return self
        ok = self.ok[rows]
        return Columns(
            self.layout,
            self.data,
            ok,
            {path: values[rows] for path, values in self.values_of.items()},
            {path: ok if valid is self.ok else valid[rows] for path, valid in self.valid.items()},
            {path: codes[rows] for path, codes in self.raw.items()},
            self.offsets[rows],
            self.sizes[rows],
            self.slots,
            self.obstacle,
        )

    def states(self, path: str) -> Mapping[int, str]:
        """Return the names of a column's codes; empty where it has none."""
        slot = self.slots[path]
        return {} if slot is None else dict(slot.states)

    def frame(self, row: int) -> bytes:
        """Return the bytes of a row."""
        start = int(self.offsets[row])
        return self.data[start : start + int(self.sizes[row])]

    def failure(self, row: int) -> DecodeError | None:
        """Return why a row is not ok, in the scalar codec's words; None where it is."""
        try:
            walk.decode(self.layout, self.frame(row))
        except DecodeError as error:
            return error
        return None

    def to_arrow(self) -> Any:
        """Return the columns as a table of pyarrow (extra `tables`): offset, ok, then every path, with units in the fields' metadata.

        Null where a row is not ok or there is no value; a state is its name. Codes that were kept stand under the path and ` raw`.
        """
        from packetkit.codec.bulk.arrow import table

        return table(self)

    def to_pandas(self) -> Any:
        """Return the columns as a data frame of pandas, which must be installed beside the extra `tables`; as to_arrow."""
        from packetkit.codec.bulk.arrow import data_frame

        return data_frame(self)

    def cells(self, row: int) -> dict[str, Any]:
        """Return one row's values by path as plain Python values, None where there is none, a state by its name."""
        made: dict[str, Any] = {}
        for path, column in self.values_of.items():
            value = plain(column[row]) if self.valid[path][row] else None
            made[path] = self.states(path).get(value, value) if isinstance(value, int) else value
        return made
