"""From raw codes to columns of values: which numpy type a slot's column has, which codes have a value, and the values.

A column's type follows from the layout, never from the data: bool for flags, the first of int32, int64 and uint64 that holds every value
of an integer, Python integers beyond, doubles for the rest. int32 is the narrowest on purpose: sums and differences of narrower ones
wrap unseen. Doubles are exact by one division while everything before it stays below 2**53; beyond, values are looked up or asked one by
one. Where there is no value a column holds NaN, 0 or False.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import isnan

import numpy as np

from packetkit.codec.bulk.gather import Array
from packetkit.layout.curve import Curve, extremes
from packetkit.layout.number import from_raw, value_of
from packetkit.layout.slots import Chosen, Ieee, Linear, Range, Slot

# From here on a double does not hold every integer.
EXACT = 1 << 53

# Codes of so many bits are looked up where they cannot be computed in doubles: 65,536 doubles are 512 KiB.
LOOKED_UP_BITS = 16


def dtype_of(slot: Slot) -> np.dtype[np.generic]:
    """Return the numpy type of a value slot's column."""
    if slot.kind == "flag":
        return np.dtype(np.bool_)
    if slot.kind == "number" and isinstance(slot.transform, Linear):
        if not slot.transform.is_integer:
            return np.dtype(np.float64)
        ends = [int(value_of(slot.transform, number)) for number in slot.number_limits]
        return integer_type(min(ends), max(ends))
    if isinstance(slot.transform, Chosen) and slot.transform.is_integer:
        scales = (linear for _, linear in slot.transform.choices)
        ends = [int(value_of(one, number)) for one in scales for number in slot.number_limits]
        return integer_type(min(ends), max(ends))
    if slot.kind == "number" and isinstance(slot.transform, Curve) and slot.transform.is_integer:
        return integer_type(*(int(end) for end in extremes(slot.transform.pieces)))
    if slot.kind in ("number", "float"):
        return np.dtype(np.float64)
    if slot.kind in ("states", "tag", "count", "reserved", "check", "constant", "sync") and slot.width <= 64:
        return integer_type(*slot.raw_limits)
    return np.dtype(np.object_)


def integer_type(low: int, high: int) -> np.dtype[np.generic]:
    """Return the narrowest type from int32 on that holds all integers from low to high; objects hold any."""
    for kind in (np.int32, np.int64, np.uint64):
        limits = np.iinfo(kind)
        if int(limits.min) <= low and high <= int(limits.max):
            return np.dtype(kind)
    return np.dtype(np.object_)


def filler(dtype: np.dtype[np.generic]) -> object:
    """Return what stands in a column where there is no value."""
    return {"f": float("nan"), "b": False, "O": None}.get(dtype.kind, 0)


# -- which codes have a value ----------------------------------------------------------------------


def valued(slot: Slot) -> tuple[Range, ...] | None:
    """Return the ranges of raw codes that decode to something, None where all do; of an IEEE slot, finite numbers aside."""
    if slot.kind not in ("number", "float", "states"):
        return None
    least, most = slot.raw_limits
    edges = {least, most + 1}
    parts = [(one.low, one.high) for one in slot.legal] + [(one.low, one.high) for one in slot.specials]
    for first, last in parts:
        edges |= {first, last + 1}
    inside = sorted(edge for edge in edges if least <= edge <= most + 1)
    made: list[Range] = []
    for number, after in enumerate(inside[1:]):
        low = inside[number]
        if _has_value(slot, low):
            start = made.pop().low if made and made[-1].high == low - 1 else low
            made.append(Range(start, after - 1))
    return None if made == [Range(least, most)] else tuple(made)


def _has_value(slot: Slot, raw: int) -> bool:
    if isinstance(slot.transform, Ieee) and not any(one.low <= raw <= one.high for one in slot.specials):
        return True  # NaN and the infinities are told by their values
    return from_raw(slot, raw)[0] is not None


def within(raws: Array, ranges: tuple[Range, ...]) -> Array:
    """Return where raw codes lie in any of some ranges."""
    made = np.zeros(len(raws), np.bool_)
    limits = np.iinfo(raws.dtype)
    for one in ranges:
        low, high = max(one.low, int(limits.min)), min(one.high, int(limits.max))
        if low == high:
            made |= raws == raws.dtype.type(low)
        elif low < high:
            made |= (raws >= raws.dtype.type(low)) & (raws <= raws.dtype.type(high))
    return made


# -- the values ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Meaning:
    """How one slot's codes become its column. write: raw codes to a stretch of the column.

    ranges: the codes that have a value, None for all; finite: numbers that are not finite have none; there: asks about codes
    where neither decides.
    """

    dtype: np.dtype[np.generic]
    write: Callable[[Array, Array], None]
    ranges: tuple[Range, ...] | None
    finite: bool
    there: Callable[[Array], Array] | None = None

    @property
    def may_lack(self) -> bool:
        """True where not every code has a value."""
        return self.ranges is not None or self.finite or self.there is not None

    @property
    def is_code(self) -> bool:
        """True where a code is its own value."""
        return self.write is _copied

    def valid(self, raws: Array, values: Array) -> Array | None:
        """Return where there is a value, None for everywhere."""
        if self.there is not None:
            return self.there(raws)
        made = None if self.ranges is None else within(raws, self.ranges)
        if self.finite:
            finite = np.isfinite(values)
            made = finite if made is None else made & finite
        return made


def meaning(slot: Slot) -> Meaning:
    """Return how a slot's codes become values."""
    dtype = dtype_of(slot)
    transform = slot.transform
    if slot.coding or isinstance(transform, Curve):
        return Meaning(dtype, _asked(slot), None, False, _has_number(slot))
    if slot.kind in ("number", "float") and isinstance(transform, Ieee):
        return Meaning(dtype, _ieee(transform), valued(slot), True)
    if slot.kind == "number" and isinstance(transform, Linear):
        return Meaning(dtype, _linear(slot, transform, dtype), valued(slot), False)
    return Meaning(dtype, _copied, valued(slot), False)


def _asked(slot: Slot) -> Callable[[Array, Array], None]:
    """Values asked for code by code, each code once: for codings and curves."""

    def write(raws: Array, out: Array) -> None:
        codes, places = np.unique(raws, return_inverse=True)
        known = [from_raw(slot, int(code))[0] for code in codes.tolist()]
        values = np.array([0 if value is None else value for value in known], out.dtype)
        np.copyto(out, values[places.reshape(-1)])

    return write


def _has_number(slot: Slot) -> Callable[[Array], Array]:
    def there(raws: Array) -> Array:
        codes, places = np.unique(raws, return_inverse=True)
        known = [from_raw(slot, int(code))[0] is not None for code in codes.tolist()]
        return np.array(known, np.bool_)[places.reshape(-1)]

    return there


def _copied(raws: Array, out: Array) -> None:
    np.copyto(out, raws, casting="unsafe")


def _ieee(transform: Ieee) -> Callable[[Array, Array], None]:
    pattern, number = {16: ("u2", "f2"), 32: ("u4", "f4"), 64: ("u8", "f8")}[transform.bits]

    def write(raws: Array, out: Array) -> None:
        with np.errstate(invalid="ignore"):  # a signalling NaN is as good a NaN
            np.copyto(out, raws.astype(pattern).view(number))

    return write


def _linear(slot: Slot, transform: Linear, dtype: np.dtype[np.generic]) -> Callable[[Array, Array], None]:
    num, base, den = transform.numerator, transform.base, transform.denominator
    if (num, base, den) == (1, 0, 1):
        return _copied
    largest = max(abs(raw) for raw in slot.raw_limits)
    sums = [abs(raw * num + base) for raw in slot.raw_limits]
    reach = max(largest * abs(num), abs(base), den, *sums)
    if den == 1 and dtype.kind == "i" and reach < 1 << 63:
        return _whole(num, base)
    if den > 1 and reach < EXACT:
        return _divided(num, base, den)
    return _looked_up(slot, transform) if slot.width <= LOOKED_UP_BITS else _one_by_one(transform)


def _whole(num: int, base: int) -> Callable[[Array, Array], None]:
    def write(raws: Array, out: Array) -> None:
        wide = raws.astype(np.int64)
        wide *= np.int64(num)
        wide += np.int64(base)
        np.copyto(out, wide, casting="unsafe")

    return write


def _divided(num: int, base: int, den: int) -> Callable[[Array, Array], None]:
    """(raw*num + base)/den, rounded once; a product of zero and a negative number is made +0.0 by the sum."""
    scale = float(num)
    is_power = den & (den - 1) == 0

    def write(raws: Array, out: Array) -> None:
        np.copyto(out, raws)
        if num != 1:
            np.multiply(out, scale, out=out)
        if base or num < 0:
            np.add(out, float(base), out=out)
        if is_power:
            np.multiply(out, 1.0 / den, out=out)
        else:
            np.divide(out, float(den), out=out)

    return write


def _looked_up(slot: Slot, transform: Linear) -> Callable[[Array, Array], None]:
    least, most = slot.raw_limits
    table = np.array([_number(transform, raw) for raw in range(least, most + 1)], dtype_of(slot))

    def write(raws: Array, out: Array) -> None:
        np.copyto(out, table[raws.astype(np.int64) - least])

    return write


def _one_by_one(transform: Linear) -> Callable[[Array, Array], None]:
    def write(raws: Array, out: Array) -> None:
        out[:] = [_number(transform, raw) for raw in raws.tolist()]

    return write


def _number(transform: Linear, raw: int) -> int | float:
    """A code's value; infinite where it is beyond every double, which only codes without a value are."""
    try:
        return value_of(transform, raw)
    except OverflowError:
        return float("inf")


def plain(value: object) -> object:
    """Return a value of a column as the scalar codec has it; NaN, which it never has, is None."""
    made = value.item() if isinstance(value, np.generic) else value
    return None if isinstance(made, float) and isnan(made) else made
