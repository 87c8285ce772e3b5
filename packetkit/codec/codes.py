"""From a value to a field's code, as Python expressions that are exact by number.py's rule.

A code here is the raw code, plus half of its range if it is signed, so that it is never negative; whoever puts it into a word flips the
top bit afterwards (`flip`). A number with a coding is rounded first, above zero, too (`_lift`), and then spelled. Each text ends in
`else code_n(v)`: a function that takes any value and any rule, and raises RefusedError where only the walker can say more.

**Rounding in doubles.** The code is floor(y*) with y* = v*a + b, a = denominator/numerator, b = 1/2 - base/numerator (+ half). The text
computes y = fl(fl(v*A) + B) with A, B the doubles nearest to a and b. With u = 2**-53 each of the four roundings is off by a
factor of 1 + u at most, so |y - y*| < u*(2|v*a| + |b| + |y|), and |v*a| <= |y*| + |b|; for a code below 2**w that is less than
margin = 2**-51 * (2**w + |b| + 2). n = trunc(y) and y - n are exact, as n < 2**53. So where margin < y - n < 1 - margin, y* lies
strictly between n and n + 1, and n is the code. Anything nearer to an integer, that is to a tie of the value, goes to code_n, which
counts in integers. A negative y has y - n <= 0, and fails the test by itself.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from math import frexp
from struct import Struct
from typing import Any

from packetkit.codec import bits, bundled
from packetkit.codec.source import Source
from packetkit.codec.values import LARGEST, TABLE_BITS, is_nan, meaning
from packetkit.layout.beside import nothing
from packetkit.layout.curve import Curve
from packetkit.layout.ieee import ieee_bounds
from packetkit.layout.number import to_raw, value_of
from packetkit.layout.slots import Bundle, Ieee, Linear, Slot


class RefusedError(ValueError):
    """A value that only the walker can encode, or say why not."""


# A margin above this would send too many values to the slow way.
_WIDEST_MARGIN = 2.0**-4
# A scale beyond is not sure to be a normal double.
_NORMAL = 10**290


class Codes:
    """Texts of one frame's codes."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self.used = 0

    def variable(self, prefix: str) -> str:
        """Return a variable's name that was not used before."""
        self.used += 1
        return f"{prefix}{self.used}"

    def text(self, slot: Slot, value: str, shift: int = 0, *, guarded: bool = False) -> str:
        """Return the text of a slot's code, shifted left, from the text of its value, which stands in it once.

        guarded: a code that is negative or too large for the slot's width makes struct refuse the word it is in.
        """
        other = f"{self.coder(slot)}(v)"
        if slot.kind == "flag":
            last = shifted(other, shift)
            return f"({1 << shift} if (v := {value}) is True else 0 if v is False else {last})"
        return shifted(self._unshifted(slot, value, other, guarded and slot.policy == "error"), shift)

    def _unshifted(self, slot: Slot, value: str, other: str, guarded: bool) -> str:
        if slot.octets_reversed or slot.bits_reversed:
            return f"{self.coder(slot)}({value})"
        if slot.kind == "states":
            known = {name: code for code, name in reversed(slot.states)}
            names = self.source.name("states", lambda: known, ("codes", slot.states))
            return f"(c if (c := {names}.get(v := {value})) is not None else {other})"
        if slot.kind == "tag":
            test = " or ".join(f"{one.low} <= v <= {one.high}" for one in slot.codes)
            return f"(v if (v := {value}).__class__ is int and ({test}) else {other})"
        if isinstance(slot.transform, Linear) and slot.kind == "number":
            transform = slot.transform
            make = _whole if transform.denominator == 1 else _rounded
            made = make(slot, value, guarded and not slot.coding)
            if made is not None:
                code, test = made
                return f"({self._spelled(slot, code)} if {test} else {other})"
        if isinstance(slot.transform, Curve) and slot.transform.line and slot.width <= TABLE_BITS:
            on_curve = self.source.name("codes", lambda: _codes_on(slot), ("codes", meaning(slot)))
            kind = "int" if slot.transform.is_integer else "float"
            test = f"(v := {value}).__class__ is {kind} and (c := {on_curve}.get(v)) is not None"
            return f"(c if {test} else {other})"
        return f"{self.coder(slot)}({value})"

    def _spelled(self, slot: Slot, lifted: str) -> str:
        """The text of a code from that of a number plus _lift: the same but for a coding, whose table it follows (layout/coding.py)."""
        if slot.coding == "sign_and_magnitude":
            sign = _lift(slot)
            return f"(m ^ {sign:#x} if (m := {lifted}) >= {sign:#x} else {2 * sign:#x} - m)"
        if slot.coding == "gray":
            return f"((m := {lifted}) ^ m >> 1)"
        return self._in_digits(slot, lifted) if slot.coding == "binary_coded_decimal" else lifted

    def _in_digits(self, slot: Slot, number: str) -> str:
        """The text of a number in BCD, three digits at a time by a table; up to nine digits, as more are seldom and rather said in text."""
        places = -(-len(str(slot.number_limits[1])) // 3)
        if places > 3:
            return f'int(f"{{{number}}}", 16)'
        table = self.source.name("digits", lambda: tuple(int(str(one), 16) for one in range(1000)), ())
        texts: list[str] = []
        for place in reversed(range(places)):
            index = "m" if texts else f"(m := {number})"
            index = f"{index} // {1000**place}" if place else index
            texts.append(shifted(f"{table}[{index}{' % 1000' if texts else ''}]", 12 * place))
        return f"({' + '.join(texts)})"

    def real(self, slot: Slot, value: str) -> str:
        """Return the text of a float that struct rounds to a slot's format, from the text of its value.

        Between the bounds, which are numbers of the format, nothing rounds to beyond them; what is too large for the format struct
        refuses. Just outside of them a number may round to a bound: the function knows.
        """
        low, high = ieee_bounds(slot)
        if slot.minimum is None and slot.maximum is None:
            low, high = -LARGEST, LARGEST
        other = self.source.name("real", lambda: _real_coder(slot), slot.number)
        return f"v if (v := {value}).__class__ is float and {low!r} <= v <= {high!r} else {other}(v)"

    def coder(self, slot: Slot) -> str:
        """Return the name of a function from any value to the slot's code."""
        return self.source.name(
            "code", lambda: _coder(slot), (slot.number, slot.octets_reversed, slot.transform)
        )


def shifted(text: str, shift: int) -> str:
    """Return the text of a number shifted left: a product, which CPython has a fast way for, unlike a shift."""
    return f"{text} * {1 << shift}" if shift else text


def half(slot: Slot) -> int:
    """Return what is added to a raw code to make it a code: half of the range where it is signed."""
    return 1 << (slot.width - 1) if slot.signed and not (slot.octets_reversed or slot.bits_reversed) else 0


def flip(slot: Slot) -> int:
    """Return the bits of a code to invert for the wire: adding half of the range and inverting the top bit is two's complement."""
    return half(slot)


def _lift(slot: Slot) -> int:
    """What is added to a number so that it is not negative while it is rounded: half, and so much to one that has a sign bit, too."""
    return 1 << (slot.width - 1) if slot.coding == "sign_and_magnitude" else half(slot)


def _usual(slot: Slot) -> tuple[int, int]:
    """The largest range of legal codes, as codes; under a coding of the numbers, lifted."""
    codes = max(slot.legal, key=lambda codes: codes.high - codes.low)
    return codes.low + _lift(slot), codes.high + _lift(slot)


def _bounds(slot: Slot, name: str, low: int, high: int, guarded: bool) -> str:
    """The text of a range test, `and` before it; none where the range is all that the width holds, and guarded."""
    least, most = slot.raw_limits
    if guarded and len(slot.legal) == 1 and (slot.legal[0].low, slot.legal[0].high) == (least, most):
        return ""
    return f" and {name} >= {low} and {name} <= {high}"


_Lifted = tuple[
    str, str
]  # the text of a number plus _lift, and that of the test, to be made first, of whether it is that


def _whole(slot: Slot, value: str, guarded: bool) -> _Lifted | None:
    """A whole value in whole steps."""
    assert isinstance(slot.transform, Linear)
    num, base = slot.transform.numerator, slot.transform.base
    low, high = _usual(slot)
    if num == 1:
        shift = _lift(slot) - base  # code = value + shift
        code = f"v {'+' if shift > 0 else '-'} {abs(shift)}" if shift else "v"
        test = f"(v := {value}).__class__ is int{_bounds(slot, 'v', low - shift, high - shift, guarded)}"
        return code, test
    # floor((v - base)/num + 1/2) + lift, over one denominator
    up, over = num - 2 * base + 2 * num * _lift(slot), 2 * num
    code = f"(2 * v {'+' if up >= 0 else '-'} {abs(up)}) // {over}"
    return "n", f"(v := {value}).__class__ is int and {low} <= (n := {code}) <= {high}"


def _rounded(slot: Slot, value: str, guarded: bool) -> _Lifted | None:
    """A double in fractional steps, where doubles decide nearly always; see the module's docstring."""
    assert isinstance(slot.transform, Linear)
    line = _line_in_doubles(slot)
    if line is None:
        return None
    factor, added, margin = line
    low, high = _usual(slot)
    bounds = _bounds(slot, "n", low, high, guarded)
    if low <= 0:
        bounds = bounds.replace(f" and n >= {low}", "")  # a negative n does not come so far
    text = f"v * {factor!r} {'-' if added < 0 else '+'} {abs(added)!r}"
    near = f"{margin!r} < (y := {text}) - (n := y.__trunc__()) < {1 - margin!r}"
    return "n", f"(v := {value}).__class__ is float and {near}{bounds}"


def _line_in_doubles(slot: Slot) -> tuple[float, float, float] | None:
    """The doubles A and B, and the margin, by which a value is rounded; None where doubles decide too seldom."""
    assert isinstance(slot.transform, Linear)
    num, base, den = slot.transform.numerator, slot.transform.base, slot.transform.denominator
    factor, added = Fraction(den, num), Fraction(1, 2) - Fraction(base, num) + _lift(slot)
    if not (Fraction(1, _NORMAL) < abs(factor) < _NORMAL and abs(added) < _NORMAL):
        return None
    margin = _power_above(((1 << slot.width) + abs(added) + 2) / (1 << 51))
    return None if margin > _WIDEST_MARGIN else (float(factor), float(added), margin)


def _power_above(number: Fraction) -> float:
    """The least power of two that is not below."""
    mantissa, exponent = frexp(float(number))
    return float(2.0 ** (exponent - 1 if mantissa == 0.5 and Fraction(float(number)) >= number else exponent))


# -- any value -------------------------------------------------------------------------------------


def _coder(slot: Slot) -> Callable[[Any], int]:
    """A function from any value to the slot's code; the usual numbers by integers alone."""
    added, lift = half(slot), _lift(slot)
    is_reversed = slot.octets_reversed or slot.bits_reversed

    def settled(value: Any) -> int:
        outcome = to_raw(slot, value)
        if outcome.fault is not None or (outcome.clamped and slot.raises is not None):
            raise RefusedError
        return bits.code_of(slot, outcome.raw) if is_reversed else outcome.raw + added

    if (
        isinstance(slot.transform, Ieee)
        and not is_reversed
        and all(is_nan(slot.transform, one) for one in slot.specials)
    ):
        return _ieee_coder(slot, slot.transform.bits, settled)
    if isinstance(slot.transform, Bundle) and not slot.transform.octets_reversed:
        return bundled.coder(slot.transform, _sample_coder(slot), settled)
    if slot.kind != "number" or not isinstance(slot.transform, Linear) or is_reversed:
        return settled
    num, base, den = slot.transform.numerator, slot.transform.base, slot.transform.denominator
    low, high = _usual(slot)
    spelled = slot.code_of if slot.coding else None

    def code(value: Any) -> int:
        kind = type(value)
        if kind is int:
            above, below = value, 1
        elif kind is float and value - value == 0:
            above, below = value.as_integer_ratio()
        else:
            return settled(value)
        step = below * num
        found: int = (2 * (above * den - base * below) + step) // (2 * step) + lift
        if not low <= found <= high:
            return settled(value)
        return found if spelled is None else spelled(found - lift)

    return code


def nothing_for(slot: Slot, *, real: bool) -> Callable[[Any], Any]:
    """A function from None to the code, or the float, that is sent for a value that does not count; any other is the walker's."""
    raw = nothing(slot)
    is_reversed = slot.octets_reversed or slot.bits_reversed
    sent: int | float = bits.code_of(slot, raw) if is_reversed else raw + half(slot)
    if real:
        sent = float(value_of(slot.transform, raw))

    def none(value: Any) -> int | float:
        if value is not None:
            raise RefusedError
        return sent

    return none


def _sample_coder(slot: Slot) -> Callable[[Any], int | None]:
    """A function from one sample of a bundle to its code, None where it is missing. Raises OverflowError where only number.py can say."""
    assert isinstance(slot.transform, Bundle)
    bundle, sample = slot.transform, slot.transform.sample
    assert isinstance(sample.transform, Linear)
    num, base, den = sample.transform.numerator, sample.transform.base, sample.transform.denominator
    low, high = sample.legal[0].low, sample.legal[0].high
    # The margin grows with the lift of a signed sample, which is taken off again.
    factor, added, margin = _line_in_doubles(sample) or (0.0, 0.0, 1.0)
    lift = _lift(sample)

    def code_of(value: Any) -> int | None:
        kind = type(value)
        if kind is float:
            near = value * factor + added
            if -_NORMAL < near < _NORMAL and margin < near - (code := int(near)) < 1 - margin:
                found: int = code - lift
            elif value - value == 0:
                above, below = value.as_integer_ratio()
                found = (2 * (above * den - base * below) + below * num) // (2 * below * num)
            else:
                raise OverflowError
        elif kind is int:
            found = (2 * (value * den - base) + num) // (2 * num)
        elif value is None and bundle.has_missing:
            return None
        else:
            raise OverflowError
        if not low <= found <= high:
            raise OverflowError
        return found

    return code_of


def _codes_on(slot: Slot) -> dict[int | float, int]:
    """The codes of a narrow slot's values, as decoding gives them."""
    numbers = (number for codes in slot.legal for number in range(codes.low, codes.high + 1))
    return {value_of(slot.transform, number): slot.code_of(number) + half(slot) for number in numbers}


def _real_coder(slot: Slot) -> Callable[[Any], float]:
    """A function from any value to the float to send; for None that is the quiet NaN."""

    def real(value: Any) -> float:
        outcome = to_raw(slot, value)
        if outcome.fault is not None or (outcome.clamped and slot.raises is not None):
            raise RefusedError
        return float(value_of(slot.transform, outcome.raw))

    return real


def _ieee_coder(slot: Slot, width: int, settled: Callable[[Any], int]) -> Callable[[Any], int]:
    number, pattern = {16: (">e", ">H"), 32: (">f", ">I"), 64: (">d", ">Q")}[width]
    pack, unpack, pattern_of = Struct(number).pack, Struct(number).unpack, Struct(pattern).unpack
    low, high = ieee_bounds(slot)

    def code(value: Any) -> int:
        if type(value) is not float:
            return settled(value)
        try:
            octets = pack(value)
        except OverflowError:
            return settled(value)
        (rounded,) = unpack(octets)
        if not low <= rounded <= high:
            return settled(value)
        found: int = pattern_of(octets)[0]
        return found

    return code
