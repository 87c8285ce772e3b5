"""From a field's bits to its value, as Python expressions and lookup tables that are exact by number.py's rule.

Up to TABLE_BITS a value is looked up; beyond, it is arithmetic that rounds once (linear.py), after an octet at a time was looked up
where bits spell the number otherwise (spelled.py). Bundles are sums of what is looked up (bundled.py).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from struct import Struct
from typing import Any

from packetkit.codec import bits, bundled, spelled
from packetkit.codec.linear import linear_text
from packetkit.codec.pieces import Pieces, in_name
from packetkit.codec.source import Source, bare
from packetkit.layout.curve import Curve
from packetkit.layout.number import from_raw, value_of
from packetkit.layout.slots import Bundle, Ieee, Linear, Slot, Special

# 4096 values of 24 bytes and their pointers are 128 KiB; wider tables cost more in cache misses than the arithmetic they save.
TABLE_BITS = 12
# All tables of a frame together: 1 MiB of pointers and values, at some 32 bytes each. Beyond, fields are computed.
TABLE_ENTRIES = 32_768
# Fields narrower than this share the table of their octet.
SMALL_BITS = 8
LARGEST = 1.7976931348623157e308


class Values:
    """Texts and tables of one frame's values; the tables are bounded together."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self.left = TABLE_ENTRIES
        self.used = 0

    def variable(self, prefix: str) -> str:
        """Return a variable's name that was not used before; prefix: none of those that a slot's or a node's number follows."""
        assert prefix not in "elmnorst"
        self.used += 1
        return f"{prefix}{self.used}"

    def is_looked_up(self, slot: Slot) -> bool:
        """Return whether a slot's value is to come from a table: it is narrow, and not its own code."""
        if slot.width > TABLE_BITS or slot.kind not in ("number", "float", "states", "flag"):
            return False
        plain = is_own_code(slot) and not slot.signed and not slot.octets_reversed and not slot.bits_reversed
        return not plain and (1 << slot.width <= self.left or self.source.has("table", meaning(slot)))

    def table(self, slot: Slot) -> str:
        """Return the name of the table from a slot's code to its value."""
        if not self.source.has("table", meaning(slot)):
            self.left -= 1 << slot.width
        return self.source.name("table", lambda: table_values(slot), meaning(slot))

    def tuples(self, fields: tuple[tuple[int, Slot], ...], width: int) -> str:
        """Return the name of the table from bits to the values of the slots in them, each with its shift."""
        key = (width, *((shift, meaning(slot)) for shift, slot in fields))
        if not self.source.has("table", key):
            self.left -= 1 << width
        return self.source.name("table", lambda: _rows(fields, width), key)

    def value(self, slot: Slot, raw: str, pieces: Pieces | None = None) -> str:
        """Return the text of a slot's value, from the text of its raw code, and of its pieces where they can be had for less."""
        if slot.kind == "flag":
            return f"({raw} == 1)"
        if isinstance(slot.transform, Bundle):
            return self._bundle(slot, slot.transform, raw, pieces)
        if slot.kind not in ("number", "states") or is_own_code(slot):
            by_function = slot.kind in ("float", "radix_text", "time")
            return f"{self.reader(slot)}({bare(raw)})" if by_function else raw
        if slot.kind == "states":
            return self._state(slot, raw)
        if isinstance(slot.transform, Curve):
            return self._curved(slot, slot.transform, raw)
        if slot.coding:
            return self._coded(slot, raw, pieces)
        assert isinstance(slot.transform, Linear)
        low, high = computed_codes(slot)
        least, most = slot.raw_limits
        if (low, high) == (least, most):
            return f"({linear_text(slot.transform, raw, low, high)})"
        name = self.variable("x")
        text = linear_text(slot.transform, name, low, high)
        if (
            len(slot.specials) == 1
            and slot.specials[0].meaning == "missing"
            and high - low + 1 == most - least
        ):
            code = most if low == least else least
            return f"(None if ({name} := {bare(raw)}) == {code} else {text})"
        other = "None" if slot.unassigned and _all_missing(slot) else f"{self.reader(slot)}({name})"
        return f"({text} if {low} <= ({name} := {bare(raw)}) <= {high} else {other})"

    def _curved(self, slot: Slot, curve: Curve, raw: str) -> str:
        """A number on a curve: one polynomial over all codes is computed in place, by Horner's rule in integers."""
        if len(curve.pieces) > 1 or slot.coding or slot.specials or slot.unassigned:
            return f"{self.reader(slot)}({bare(raw)})"
        name, piece = self.variable("x"), curve.pieces[0]
        *lower, text = map(str, piece.coefficients)
        for at, term in enumerate(reversed(lower)):
            text = f"({text} * {name if at else f'({name} := {bare(raw)})'} + {term})"
        return f"({text} / {piece.denominator} + 0.0)" if not curve.is_integer else text

    def _bundle(self, slot: Slot, bundle: Bundle, raw: str, pieces: Pieces | None) -> str:
        """Samples: summed in place, else by a function."""
        other = f"{self.reader(slot)}({bare(raw)})"
        if pieces is None or not bundled.is_written_out(bundle):
            return other
        return bundled.samples_text(bundle, pieces, self.source, self.variable, other)

    def _coded(self, slot: Slot, raw: str, pieces: Pieces | None) -> str:
        """A number that its bits spell otherwise than in plain binary; see layout/coding.py for the rule of each."""
        assert isinstance(slot.transform, Linear)
        code, name = self.variable("x"), self.variable("x")
        first = f"({code} := {bare(raw)})"
        told = [one for one in slot.specials if not spelled.spells_nothing(slot, one)]
        none = [f"{one.low} <= {code if at else first} <= {one.high}" for at, one in enumerate(told)]
        here = code if none else first
        if slot.coding == "sign_and_magnitude":
            sign = 1 << (slot.width - 1)
            number = f"({code} if {here} < {sign:#x} else {sign:#x} - {code})"
        else:
            places = pieces or in_name(code, slot.width, first=here)
            number = f"({spelled.number_text(slot, places, self.source)})"
        if slot.coding == "binary_coded_decimal":
            none.append(f"({name} := {number}) > {slot.number_limits[1]}")
            number = name
        text = linear_text(slot.transform, number, *slot.number_limits)
        return f"(None if {' or '.join(none)} else {text})" if none else f"({text})"

    def _state(self, slot: Slot, raw: str) -> str:
        """States wider than a table: by name where there is one, else as the walker has it."""
        known = {code: from_raw(slot, code)[0] for code, _ in slot.states}
        names = self.source.name("states", lambda: known, meaning(slot))
        name = self.variable("x")
        other = f"{self.reader(slot)}({name})" if slot.specials else name
        return f"({names}[{name}] if ({name} := {bare(raw)}) in {names} else {other})"

    def reader(self, slot: Slot) -> str:
        """Return the name of a function from any raw code of a slot to its value."""
        return self.source.name("value", lambda: _reader(slot), meaning(slot))


def meaning(slot: Slot) -> tuple[Any, ...]:
    """Return all that decides a slot's value, so that slots alike share a table."""
    shape = (slot.kind, slot.width, slot.octets_reversed, slot.bits_reversed, slot.signed, slot.coding)
    numbers = (slot.transform, slot.legal, slot.specials, slot.unassigned, slot.minimum, slot.maximum)
    return (*shape, *numbers, slot.states, slot.clock, slot.calendar)


def is_own_code(slot: Slot) -> bool:
    """Return whether every raw code of a slot is its own value."""
    if slot.kind != "number":
        return slot.kind not in ("flag", "states", "float", "radix_text", "time", "bundle")
    if not isinstance(slot.transform, Linear):
        return False
    return not slot.coding and slot.transform.is_identity and computed_codes(slot) == slot.raw_limits


def computed_codes(slot: Slot) -> tuple[int, int]:
    """Return the range of raw codes that are numbers by the transform; others may be too, but not for certain."""
    least, most = slot.raw_limits
    missing = [special for special in slot.specials if special.meaning == "missing"]
    if slot.unassigned:
        whole = max(slot.legal, key=lambda codes: codes.high - codes.low)
        return whole.low, whole.high
    low, high = least, most
    for special in sorted(missing, key=lambda special: special.low):
        if special.low - low >= high - special.high:
            high = min(high, special.low - 1)
        else:
            low = max(low, special.high + 1)
    return low, high


def _all_missing(slot: Slot) -> bool:
    return len(slot.legal) == 1 and all(special.meaning == "missing" for special in slot.specials)


def real_text(value: str) -> str:
    """Return the text of an IEEE number that struct has read; None where it is not finite."""
    return f"({value} if {-LARGEST!r} <= {value} <= {LARGEST!r} else None)"


def raw_text(slot: Slot, code: str, *, signed: bool) -> str:
    """Return the text of a slot's raw code, from the text of its bits; signed: that is two's complement already."""
    if slot.octets_reversed:
        code = f'int.from_bytes({code}.to_bytes({slot.width // 8}, "big"), "little")'
    if slot.bits_reversed:
        code = f"reversed_bits({bare(code)}, {slot.width})"
    if slot.signed and not signed:
        half = 1 << (slot.width - 1)
        code = f"(({code} ^ {half:#x}) - {half:#x})"
    return code


def table_values(slot: Slot) -> tuple[Any, ...]:
    """Return a narrow slot's values by the code of its bits."""
    by_raw = _by_raw(slot)
    return tuple(by_raw[bits.raw_of(slot, code)] for code in range(1 << slot.width))


def _by_raw(slot: Slot) -> dict[int, Any]:
    """A narrow slot's values by raw code; the linear ones without asking code by code."""
    least, most = slot.raw_limits
    if slot.kind != "number" or not isinstance(slot.transform, Linear) or slot.coding:
        return {raw: from_raw(slot, raw)[0] for raw in range(least, most + 1)}
    low, high = computed_codes(slot)
    made: dict[int, Any] = {raw: value_of(slot.transform, raw) for raw in range(low, high + 1)}
    for raw in (*range(least, low), *range(high + 1, most + 1)):
        made[raw] = from_raw(slot, raw)[0]
    return made


def _rows(fields: tuple[tuple[int, Slot], ...], width: int) -> tuple[tuple[Any, ...], ...]:
    columns = [(shift, (1 << slot.width) - 1, table_values(slot)) for shift, slot in fields]
    return tuple(
        tuple(values[code >> shift & mask] for shift, mask, values in columns) for code in range(1 << width)
    )


def _reader(slot: Slot) -> Callable[[int], Any]:
    if isinstance(slot.transform, Ieee) and all(is_nan(slot.transform, special) for special in slot.specials):
        return _ieee_reader(slot.transform)
    if isinstance(slot.transform, Linear) and slot.coding and not slot.specials:
        return spelled.reader(slot)
    if isinstance(slot.transform, Curve) and not (slot.coding or slot.specials or slot.unassigned):
        return _curve_reader(slot.transform)
    if isinstance(slot.transform, Bundle) and not slot.transform.octets_reversed:
        return bundled.reader(slot.transform)
    return lambda raw: from_raw(slot, raw)[0]


def _curve_reader(curve: Curve) -> Callable[[int], int | float]:
    """A function from a code to its value on a curve that has one for each."""
    starts = [piece.low for piece in curve.pieces]

    def read(raw: int) -> int | float:
        piece = curve.pieces[bisect_right(starts, raw) - 1]
        above = piece.above(raw)
        return above // piece.denominator if curve.is_integer else above / piece.denominator + 0.0

    return read


def is_nan(transform: Ieee, special: Special) -> bool:
    """Return whether a special code of an IEEE slot is one NaN."""
    ends = value_of(transform, special.low), value_of(transform, special.high)
    return special.low == special.high and ends[0] != ends[0]


def _ieee_reader(transform: Ieee) -> Callable[[int], float | None]:
    """A function from a bit pattern to the number, or None where that is not finite."""
    number, pattern = {16: (">e", ">H"), 32: (">f", ">I"), 64: (">d", ">Q")}[transform.bits]
    unpack, pack = Struct(number).unpack, Struct(pattern).pack

    def read(raw: int) -> float | None:
        (value,) = unpack(pack(raw))
        return value if -LARGEST <= value <= LARGEST else None

    return read
