"""Columns to frames back to back: values to codes a column at a time, codes to bits, checks at last.

The rule kept here: arithmetic in doubles and machine integers decides a code only where it is certain to be the exact one; every row
with a value that is near a tie, out of range, of the wrong kind or missing where that is not declared is handed to the scalar codec as a
whole record, which encodes it or says what is wrong with it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from packetkit.codec import walk
from packetkit.codec.bulk import checks, derived, nested
from packetkit.codec.bulk.columns import Columns
from packetkit.codec.bulk.gather import Array, bits_turned, octets_turned, pieced, raw_of
from packetkit.codec.bulk.plan import Part, Placed, Plan, plan_of
from packetkit.codec.bulk.values import within
from packetkit.errors import EncodeError, Fault
from packetkit.layout.curve import Curve
from packetkit.layout.ieee import ieee_bounds
from packetkit.layout.model import Layout
from packetkit.layout.number import to_raw
from packetkit.layout.slots import Ieee, Linear, Range, Slot

Scalar = Callable[[Mapping[str, Any]], bytes]

# Faults of so many rows are told; a wrong column has one in every row.
ROWS_TOLD = 10

# Doubles decide while a code is this far below where they no longer hold every integer.
_CERTAIN = 2.0**-50


def encode_many(layout: Layout, columns: Mapping[str, Any], scalar: Scalar | None = None) -> bytes:
    """Return the frames, back to back, of columns by path; what decode_many gives is taken, and rows of values of any kind.

    NaN, None, and a False in the mask of Columns are missing. A path that is left out is filled in as in a record. scalar: the codec
    of one frame, for rows and layouts that need it. Raises EncodeError with the faults of the first rows that have any, and for
    columns of different lengths.
    """
    encode = scalar or (lambda record: walk.encode(layout, record))
    given = _Given(columns)
    plan = plan_of(layout)
    if plan is None:
        return _checked(layout, given, encode, range(given.rows))
    frames = np.zeros((given.rows, plan.size), np.uint8)
    unsure = np.zeros(given.rows, np.bool_)
    names = {one.name for one in plan.placed} | {step.path for step in derived.steps(layout)}
    raised = {
        slot.raises for slot in layout.slots
    }  # such a flag is False unless a value is clamped, which is not certain
    if any(path not in names for path in given.columns):
        unsure[:] = True
    for placed in plan.placed:
        if placed.slot.check is None:
            may_be_raised = placed.slot.number in raised
            raws = (
                0
                if may_be_raised and placed.name not in given.columns
                else _raws(placed.slot, given, placed.name, unsure)
            )
            if raws is not None:
                scatter(frames, placed, raws)
        elif placed.name in given.columns:
            unsure[:] = True
    _put_checks(plan, frames)
    made = frames.tobytes()
    if not unsure.any():
        return made
    rows = np.flatnonzero(unsure).tolist()
    redone = _checked(layout, given, encode, rows)
    if len(rows) == given.rows:
        return redone
    frames[unsure] = np.frombuffer(redone, np.uint8).reshape(len(rows), plan.size)
    return frames.tobytes()


@dataclass
class _Given:
    """The columns that were given, as arrays of one length; lacking: where a mask says that there is no value."""

    columns: dict[str, Array]
    lacking: dict[str, Array]
    rows: int

    def __init__(self, columns: Mapping[str, Any]) -> None:
        self.columns = {path: _array(path, column) for path, column in columns.items()}
        self.lacking = {}
        if isinstance(columns, Columns):
            self.lacking = {path: ~columns.valid[path] for path in columns}
        lengths = {path: len(column) for path, column in self.columns.items()}
        self.rows = columns.rows if isinstance(columns, Columns) else max(lengths.values(), default=0)
        wrong = [path for path, length in lengths.items() if length != self.rows]
        if wrong:
            text = f"has {lengths[wrong[0]]} rows, but the longest column has {self.rows}. Give one value a frame"
            raise EncodeError(tuple(Fault(path, "wrong-length", text) for path in wrong[:1]))

    def values(self, row: int) -> Iterator[tuple[str, Any]]:
        """The paths and values of one row."""
        for path, column in self.columns.items():
            lacks = path in self.lacking and self.lacking[path][row]
            value = column[row]
            yield path, None if lacks else value.item() if isinstance(value, np.generic) else value


def _array(path: str, column: Any) -> Array:
    made = np.asarray(column) if not isinstance(column, (list, tuple)) else _from_list(column)
    if made.ndim != 1:
        raise EncodeError((Fault(path, "wrong-type", "a column is one value a frame, in one dimension"),))
    return made


def _from_list(column: list[Any] | tuple[Any, ...]) -> Array:
    """A list as an array that keeps each value as it is: all floats, all truths, or all small integers are numpy's own."""
    kinds = {type(value) for value in column}
    if kinds <= {float} or kinds <= {bool}:
        return np.array(column)
    if kinds == {int} and all(-(1 << 63) <= value < 1 << 63 for value in column):
        return np.array(column, np.int64)
    made = np.empty(len(column), object)
    for number, value in enumerate(column):
        made[number] = value
    return made


def _checked(layout: Layout, given: _Given, encode: Scalar, rows: Any) -> bytes:
    """The frames of some rows by the scalar codec. Raises EncodeError for those that cannot be encoded."""
    made: list[bytes] = []
    faults: list[Fault] = []
    told = 0
    for row in rows:
        frame, wrong = _one(layout, encode, given.values(row))
        made.append(frame)
        faults += [Fault(f"row {row}: {one.path}", one.rule, one.message) for one in wrong]
        told += bool(wrong)
        if told == ROWS_TOLD:
            break
    if faults:
        raise EncodeError(tuple(faults))
    return b"".join(made)


def _one(
    layout: Layout, encode: Scalar, values: Iterable[tuple[str, Any]]
) -> tuple[bytes, tuple[Fault, ...]]:
    """A frame, or what is wrong with its values."""
    try:
        return encode(nested.record(layout, values)), ()
    except EncodeError as error:
        return b"", error.faults


# -- values to codes -------------------------------------------------------------------------------


def _raws(slot: Slot, given: _Given, path: str, unsure: Array) -> Array | int | None:
    """A slot's codes, or its only one, None for zeros; rows whose code is not certain are noted."""
    if path not in given.columns:
        code = _left_out(slot)
        if code is None:
            unsure[:] = True
        return code
    column = given.columns[path]
    lacks = given.lacking.get(path)
    if column.dtype.kind == "f":
        missing = np.isnan(column)
        lacks = missing if lacks is None else lacks | missing
    raws, sure = _codes(slot, column)
    if lacks is not None and lacks.any():
        code = slot.missing_code
        sure = sure & ~lacks if code is None or not slot.is_value else sure | lacks
        raws = np.where(lacks, raws.dtype.type(_pattern(code or 0, raws.dtype)), raws)
    unsure |= ~sure
    return raws


def _pattern(code: int, dtype: np.dtype[Any]) -> int:
    """A code as a value of an array's type: the upper half of unsigned codes is negative in a signed one."""
    if dtype.kind == "i" and code >= 1 << 63:
        return code - (1 << 64)
    return code


def _left_out(slot: Slot) -> int | None:
    """The code of a field that has no column (WIRE.md 12), None where that is for the scalar codec to say."""
    if slot.is_constant:
        return slot.codes[0].low
    if slot.default is not None:
        return slot.default
    if slot.missing_code is not None:
        return slot.missing_code
    return 0 if slot.kind == "reserved" else None


def _codes(slot: Slot, column: Array) -> tuple[Array, Array]:
    """A column's codes, and where they are certain."""
    kind = column.dtype.kind
    if (
        slot.kind in ("number", "float")
        and kind in "iuf"
        and not (slot.coding or isinstance(slot.transform, Curve))
    ):
        if isinstance(slot.transform, Ieee):
            return _ieee_codes(slot, slot.transform, column)
        assert isinstance(slot.transform, Linear)
        if kind == "f":
            return _float_codes(slot, slot.transform, column)
        return _integer_codes(slot, slot.transform, column)
    if slot.kind == "flag" and kind == "b":
        return column.astype(np.int64), np.ones(len(column), np.bool_)
    if slot.kind in ("states", "tag") and kind in "iu" and column.dtype != np.uint64:
        codes = column.astype(np.int64)
        return codes, within(codes, slot.codes or (Range(*slot.raw_limits),))
    return _each(slot, column)


def _each(slot: Slot, column: Array) -> tuple[Array, Array]:
    """Codes asked for value by value; those of a check, a constant or a count are for the scalar codec."""
    raws, sure = np.zeros(len(column), np.int64), np.zeros(len(column), np.bool_)
    if not slot.is_value:
        return raws, sure
    for number, value in enumerate(column.tolist()):
        if isinstance(value, Mapping):
            continue
        outcome = to_raw(slot, value)
        if outcome.fault is None and not outcome.clamped:
            raws[number] = _pattern(outcome.raw, raws.dtype)
            sure[number] = True
    return raws, sure


def _allowed(slot: Slot) -> tuple[Range, ...]:
    """The codes that encode sends for a value that rounds to them."""
    bounds = [Range(one.low, one.high) for one in slot.specials if one.meaning != "missing"]
    return (*slot.legal, *bounds)


def _float_codes(slot: Slot, transform: Linear, column: Array) -> tuple[Array, Array]:
    """floor((value - offset)/scale + 1/2), and where rounding in doubles cannot have moved it over a whole number."""
    num, base, den = float(transform.numerator), float(transform.base), float(transform.denominator)
    values = column.astype(np.float64)
    with np.errstate(over="ignore", invalid="ignore"):
        above = values * den
        exact = (above - base) / num + 0.5
        floor = np.floor(exact)
        error = (np.abs(above) + abs(base)) * (_CERTAIN / abs(num)) + (np.abs(exact) + 1.0) * _CERTAIN
        sure = (exact - floor > error) & (floor + 1.0 - exact > error) & (np.abs(exact) < 2.0**50)
    raws = np.where(sure, floor, 0.0).astype(np.int64)
    return raws, sure & within(raws, _allowed(slot))


def _integer_codes(slot: Slot, transform: Linear, column: Array) -> tuple[Array, Array]:
    num, base, den = transform.numerator, transform.base, transform.denominator
    none = np.zeros(len(column), np.bool_)
    if not len(column):
        return column.astype(np.int64), none
    largest = max(abs(int(column.min())), abs(int(column.max())))
    if 2 * (largest * den + abs(base) + abs(num)) >= 1 << 63:
        return _each(slot, column)
    values = column.astype(np.int64)
    raws = (2 * (values * den - base) + num) // (2 * num)
    return raws, within(raws, _allowed(slot))


def _ieee_codes(slot: Slot, transform: Ieee, column: Array) -> tuple[Array, Array]:
    number, pattern = {16: ("f2", "u2"), 32: ("f4", "u4"), 64: ("f8", "u8")}[transform.bits]
    with np.errstate(over="ignore", invalid="ignore"):
        rounded = column.astype(np.float64).astype(number)
        wide = rounded.astype(np.float64)
    low, high = ieee_bounds(slot)
    codes = rounded.view(pattern).astype(np.uint64)
    sure = (wide >= low) & (wide <= high)
    reserved = tuple(Range(one.low, one.high) for one in slot.specials)
    return codes, sure & ~within(codes, reserved)


# -- codes to bits ---------------------------------------------------------------------------------


def scatter(frames: Array, placed: Placed, raws: Array | int) -> None:
    """Put a slot's codes into frames that have zeros in their place."""
    slot, width = placed.slot, placed.slot.width
    if isinstance(raws, int):
        if not raws:
            return
        raws = np.full(1, raws & ((1 << width) - 1), np.uint64)
    codes = raws.astype(np.int64).view(np.uint64) if raws.dtype != np.uint64 else raws
    codes = codes & np.uint64((1 << width) - 1)
    if slot.bits_reversed:
        codes = bits_turned(codes, width)
    if slot.octets_reversed:
        codes = octets_turned(codes, width)
    below = 0  # bits of the code in the parts behind the one at hand
    for part in reversed(placed.parts):
        _put(frames, part, codes >> np.uint64(below) & np.uint64((1 << part.width) - 1))
        below += part.width


def _put(frames: Array, part: Part, codes: Array) -> None:
    weight = -part.shift  # of the code's lowest bit in the octet at hand, as a shift to the right
    for at in reversed(part.octets):
        octets = codes >> np.uint64(weight) if weight >= 0 else codes << np.uint64(-weight)
        frames[:, at] |= (octets & np.uint64(255)).astype(np.uint8)
        weight += 8


def _put_checks(plan: Plan, frames: Array) -> None:
    """Compute and store every check, inner ones first."""
    for computer, placed in _computers(plan.layout):
        values = computer(frames)
        other = plan.mixed(placed)
        if other is not None:
            mask = np.uint64((1 << other.slot.width) - 1)
            codes = raw_of(other.slot, pieced(frames, other)).astype(np.int64).view(np.uint64)
            values = values.astype(np.uint64) ^ codes & mask
        scatter(frames, placed, values)


@lru_cache(64)
def _computers(layout: Layout) -> list[tuple[checks.Computer, Placed]]:
    plan = plan_of(layout)
    assert plan is not None
    order = {number: place for place, number in enumerate(layout.check_order)}
    slots = sorted(
        (one for one in plan.placed if one.slot.check is not None), key=lambda one: order[one.slot.number]
    )
    return [(checks.computer(plan, one), one) for one in slots]
