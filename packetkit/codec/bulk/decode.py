"""Frames back to back to columns: block by block where the layout is fixed, one by one where it is not.

What would surprise a reader: rows that are not ok are found while their columns are filled, and what they hold is wiped afterwards; that
is cheap, as they are few, and nothing of a frame whose check failed is left.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache, partial
from typing import Any

import numpy as np

from packetkit.codec import bits, cells, reading, walk
from packetkit.codec.bulk import checks, derived
from packetkit.codec.bulk.columns import Columns
from packetkit.codec.bulk.gather import Array, Block
from packetkit.codec.bulk.plan import Placed, Plan, obstacle, plan_of
from packetkit.codec.bulk.values import Meaning, dtype_of, filler, integer_type, meaning, within
from packetkit.errors import DecodeError
from packetkit.layout.model import Layout
from packetkit.layout.slots import Slot

# Rows at a time: what is worked on stays in a cache of 1 MiB. Measured in tests/bench/bench_bulk.py.
BLOCK = 1 << 14

Scalar = Callable[..., Mapping[str, Any]]  # as Frame.decode


def decode_many(
    layout: Layout,
    buffer: bits.Octets,
    scalar: Scalar | None = None,
    *,
    raw: bool = False,
    variants: reading.Variants | None = None,
) -> Columns:
    """Return the columns of frames that stand back to back; a trailing part is a last row that is not ok.

    raw: keep the codes on the wire too, of every field that is one number there. scalar: the codec of one frame, for layouts that vary
    in size or that numpy cannot hold; the result's `obstacle` then says why. variants: those that are told from outside, as scalar was
    told. Bad frames are masked, never raised.
    """
    data = bits.octets(buffer)
    reader = _reader(layout)
    if reader is None:
        decode = scalar or partial(walk.decode, layout, variants=variants)
        return _one_by_one(layout, data, decode, raw, variants)
    return reader.table(data, raw)


@lru_cache(64)
def _reader(layout: Layout) -> _Reader | None:
    plan = plan_of(layout)
    return None if plan is None else _Reader(plan)


@dataclass(frozen=True)
class _Column:
    """One column while it is filled. valid None: where the rows are ok."""

    placed: Placed
    meaning: Meaning
    values: Array
    valid: Array | None
    raw: Array | None

    @property
    def is_direct(self) -> bool:
        """True where codes are values, and of the type that a window gives."""
        return self.meaning.is_code and self.meaning.dtype.itemsize in (1, 4)


class _Room:
    """Memory for many columns in one piece: systems give a large piece in large pages, at a fraction of the cost of small ones."""

    def __init__(self, rows: int, kinds: Sequence[np.dtype[Any]]) -> None:
        self.rows = rows
        self.left = np.empty(sum(self.size_of(kind) for kind in kinds), np.uint8)

    def size_of(self, kind: np.dtype[Any]) -> int:
        """The bytes of one column, in whole cache lines."""
        return -(-self.rows * kind.itemsize // 64) * 64

    def column(self, kind: np.dtype[Any]) -> Array:
        """The next column."""
        made, self.left = self.left[: self.rows * kind.itemsize], self.left[self.size_of(kind) :]
        return np.empty(self.rows, kind) if kind.hasobject else made.view(kind)


class _Reader:
    """Decodes frames of one fixed layout; its tables are made once."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.derived = derived.steps(plan.layout)
        self.titles = {path: place for place, path in enumerate(cells.titles(plan.layout))}
        self.meanings = {one.name: meaning(one.slot) for one in plan.placed if one.slot.is_value}
        self.checks = {one.name: checks.computer(plan, one) for one in plan.placed if one.slot.check}
        mixed = {one.name: plan.mixed(one) for one in plan.placed if one.slot.check}
        self.mixed = {name: other for name, other in mixed.items() if other is not None}
        self.kept = {*self.checks, *(other.name for other in self.mixed.values())}

    def table(self, data: bytes, raw: bool) -> Columns:
        """The columns of a buffer."""
        size = self.plan.size
        whole, rest = divmod(len(data), size)
        rows = whole + (rest > 0)
        values = [one for one in self.plan.placed if one.slot.is_value]
        ok = np.ones(rows, np.bool_)
        shapes = [self.shape(one, raw) for one in values]
        room = _Room(rows, [kind for shape in shapes for kind in shape if kind is not None])
        columns = [
            _Column(
                one,
                self.meanings[one.name],
                room.column(values_kind),
                *(kind and room.column(kind) for kind in kinds),
            )
            for one, (values_kind, *kinds) in zip(values, shapes, strict=True)
        ]
        by_name = {one.placed.name: one for one in columns}
        octets = np.frombuffer(data, np.uint8, whole * size).reshape(whole, size)
        block = Block(self.plan, min(BLOCK, whole))
        for start in range(0, whole, BLOCK):
            stop = min(start + BLOCK, whole)
            self.fill(block, octets[start:stop], slice(start, stop), by_name, ok)
        if rest:
            ok[-1] = False
            for one in columns:
                _wipe(one, slice(whole, rows), np.zeros(1, np.int64))
        offsets = np.arange(rows, dtype=np.int64) * size
        sizes = np.full(rows, size, np.int64)
        sizes[whole:] = rest
        made = {one.placed.name: (one.values, ok if one.valid is None else one.valid) for one in columns}
        for step in self.derived:
            if all(path in made for path in step.needs.values()):  # else in an option that is never there
                made[step.path] = derived.compute(step, made, rows)
        made = {path: made[path] for path in sorted(made, key=self.order)}
        return Columns(
            self.plan.layout,
            data,
            ok,
            {path: values for path, (values, _) in made.items()},
            {path: valid for path, (_, valid) in made.items()},
            {one.placed.name: one.raw for one in columns if one.raw is not None},
            offsets,
            sizes,
            {path: by_name[path].placed.slot if path in by_name else None for path in made},
        )

    def order(self, path: str) -> int:
        """A column's place among all."""
        return self.titles.get(path, len(self.titles))

    def shape(
        self, placed: Placed, raw: bool
    ) -> tuple[np.dtype[Any], np.dtype[Any] | None, np.dtype[Any] | None]:
        """The types of a column's values, of its validity, which None leaves to the rows', and of its codes, where they are asked for."""
        mean = self.meanings[placed.name]
        codes = integer_type(*placed.slot.raw_limits) if raw else None
        return mean.dtype, np.dtype(np.bool_) if mean.may_lack else None, codes

    def fill(
        self, block: Block, octets: Array, place: slice, columns: Mapping[str, _Column], ok: Array
    ) -> None:
        """Decode the rows of one block into their place."""
        good = ok[place]
        kept: dict[str, Array] = {}
        direct = {name: one.values[place] for name, one in columns.items() if one.is_direct}
        for placed, raws, is_done in block.codes(octets, direct):
            slot, name = placed.slot, placed.name
            if name in self.kept:
                kept[name] = raws.copy()
            if name in columns:
                _put(columns[name], raws, place, is_done)
            _judge(slot, raws, good)
        for name, compute in self.checks.items():
            other = self.mixed.get(name)
            good &= _agrees(compute(octets), kept[name], None if other is None else (other, kept[other.name]))
        bad = np.flatnonzero(~good)
        for column in columns.values():
            _wipe(column, place, bad)


def _agrees(computed: Array, found: Array, mixed: tuple[Placed, Array] | None) -> Array:
    """Whether checks are what was computed; mixed: the slot whose bits the computed value is combined with, and its codes."""
    if mixed is None:
        return found == computed.astype(found.dtype)
    other, codes = mixed
    mask = np.uint64((1 << other.slot.width) - 1)
    made: Array = computed.astype(np.uint64) ^ (codes.astype(np.int64).view(np.uint64) & mask)
    return made == found.astype(np.uint64)


def _judge(slot: Slot, raws: Array, good: Array) -> None:
    """Note the rows whose constant, tag, count or strict reserved bits are not as they must be."""
    if slot.kind in ("constant", "sync", "tag"):
        good &= within(raws, slot.codes)
    elif slot.strict and slot.kind == "reserved":
        good &= raws == 0
    if slot.maximum_count is not None and slot.maximum_count < slot.raw_limits[1]:
        good &= raws <= raws.dtype.type(slot.maximum_count)


def _put(column: _Column, raws: Array, place: slice, is_done: bool) -> None:
    """Write a block's codes as values, and where there are any. is_done: they are there already."""
    values = column.values[place]
    if not is_done:
        column.meaning.write(raws, values)
    if column.raw is not None:
        np.copyto(column.raw[place], raws, casting="unsafe")
    if column.valid is not None:
        valid = column.meaning.valid(raws, values)
        if valid is None:
            column.valid[place] = True
        else:
            column.valid[place] = valid
            if not valid.all():
                values[~valid] = filler(column.meaning.dtype)


def _wipe(column: _Column, place: slice, bad: Array) -> None:
    """Leave nothing of rows that are not ok. bad: their numbers within the place."""
    if not len(bad):
        return
    column.values[place][bad] = filler(column.meaning.dtype)
    if column.valid is not None:
        column.valid[place][bad] = False
    if column.raw is not None:
        column.raw[place][bad] = 0


# -- one by one ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Row:
    """A frame decoded by itself, and where it lies. record None: it is not ok. codes: raw ones by path, where they are asked for."""

    start: int
    size: int
    record: Mapping[str, Any] | None = None
    codes: Mapping[str, int] = field(default_factory=dict)


def _one_by_one(
    layout: Layout, data: bytes, decode: Scalar, raw: bool, variants: reading.Variants | None
) -> Columns:
    """The columns of frames that the scalar codec decodes."""
    rows = list(_rows(layout, data, decode, raw, variants))
    most: dict[int, int] = {}
    for row in rows:
        if row.record is not None:
            cells.longest_lists(layout, row.record, most)
    empty = list(cells.cells(layout, {}, most))
    slots = {cell.path: cell.slot for cell in empty}
    kinds = {cell.path: _kind(cell) for cell in empty}
    values = {path: np.full(len(rows), filler(kind), kind) for path, kind in kinds.items()}
    valid = {path: np.zeros(len(rows), np.bool_) for path in kinds}
    names = {path: {name: code for code, name in slot.states} if slot else {} for path, slot in slots.items()}
    for number, row in enumerate(rows):
        for cell in cells.cells(layout, row.record, most) if row.record is not None else ():
            if cell.value is not None:
                values[cell.path][number] = (
                    names[cell.path].get(cell.value, cell.value) if names[cell.path] else cell.value
                )
                valid[cell.path][number] = True
    return Columns(
        layout,
        data,
        np.array([row.record is not None for row in rows], np.bool_),
        values,
        valid,
        _raw_columns(empty, rows) if raw else {},
        np.array([row.start for row in rows], np.int64),
        np.array([row.size for row in rows], np.int64),
        slots,
        obstacle(layout) or f"{layout.name} is too long, or two of its fields have one name",
    )


def _raw_columns(places: Sequence[cells.Cell], rows: Sequence[_Row]) -> dict[str, Array]:
    """The codes of every field that is one number on the wire, 0 where a frame has none."""
    made: dict[str, Array] = {}
    for cell in places:
        if cell.slot is not None and cell.has_code:
            codes = [row.codes.get(cell.path, 0) for row in rows]
            made[cell.path] = np.array(codes, integer_type(*cell.slot.raw_limits))
    return made


def _kind(cell: cells.Cell) -> np.dtype[Any]:
    """The type of a column: of a field, a derived value, or the length of a list."""
    if cell.slot is not None:
        return dtype_of(cell.slot)
    return np.dtype(np.int64 if cell.derived is None else np.float64)


def _rows(
    layout: Layout, data: bytes, decode: Scalar, raw: bool, variants: reading.Variants | None
) -> Iterator[_Row]:
    """Each frame; where no size can be read, the rest is one row."""
    at = 0
    while at < len(data):
        size = _size_at(layout, data, at, variants)
        frame = data[at : at + size]
        try:
            record = decode(frame)
            codes = dict(cells.codes(decode(frame, detail=True))) if raw else {}
        except DecodeError:
            yield _Row(at, size)
        else:
            yield _Row(at, size, record, codes)
        at += size


def _size_at(layout: Layout, data: bytes, at: int, variants: reading.Variants | None) -> int:
    """How many bytes the frame has that begins there; all that is left where that cannot be told."""
    left = len(data) - at
    if layout.runs_to_end:
        return left
    if layout.size_bytes is not None:
        return min(layout.size_bytes or left, left)
    most = left if layout.maximum_bytes is None else min(left, layout.maximum_bytes)
    found = reading.read(layout, data[at : at + most], variants)
    return left if found.failure is not None else max(found.used, 1)
