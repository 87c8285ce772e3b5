"""Value <-> raw: the one definition of what a slot's code means (WIRE.md 4 to 11), exact.

Everything is integers and fractions; a double appears once, at the end of decoding. Faster paths elsewhere
must give these answers to the bit and come back here where they cannot. What would surprise a reader: a float
is exactly its binary value, so 0.15 at a step of 0.1 is raw 1 and Fraction(15, 100) is raw 2; and a value is
judged in range after rounding, by its raw code.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from decimal import Decimal
from fractions import Fraction
from math import inf, isinf, isnan
from numbers import Rational
from typing import Any, NamedTuple

from packetkit.errors import EncodeError, Fault
from packetkit.layout import bundle, clock, moments
from packetkit.layout.coding import BAD_DIGIT
from packetkit.layout.curve import Curve, extremes, nearest
from packetkit.layout.exact import exact_integer, exact_number, is_truth, nearest_double
from packetkit.layout.ieee import ieee_bounds, ieee_pattern, ieee_rounded, ieee_value
from packetkit.layout.joined import Unfit, from_digits, to_digits
from packetkit.layout.shown import shown
from packetkit.layout.slots import Bundle, Chosen, Digits, Ieee, Linear, Range, Slot, Transform

Value = int | float | str | bool | list[int | float | None] | None

# More digits than any number of use, few enough to convert at once: int() of text refuses 4300 by itself.
_LONGEST_TEXT = 1000

_WHOLE = re.compile(r"[+-]?[0-9]+")

_POINT = re.compile(
    r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?|[+-]?(?:inf|infinity)|nan", re.IGNORECASE
)


class Outcome(NamedTuple):
    """What a value encodes to: its raw code and whether it was clamped, or the fault that prevents it."""

    raw: int
    clamped: bool = False
    fault: Fault | None = None


# -- from raw to value -----------------------------------------------------------------------------


def value_of(transform: Transform, raw: int) -> int | float:
    """Return a code's value: an integer where scale and offset are whole, else the nearest double.

    Raises OverflowError where the number is beyond every double; `roundtrips` tells such a field beforehand.
    """
    assert not isinstance(transform, (Digits, Bundle, Chosen))  # from_digits, bundle.read, beside.read_as
    if isinstance(transform, Ieee):
        return ieee_value(transform.bits, raw)
    if isinstance(transform, Curve):
        return _on_curve(transform, raw)
    exact = raw * transform.numerator + transform.base
    if transform.denominator == 1:
        return exact
    return (
        exact / transform.denominator + 0.0
    )  # int by int is rounded once; + 0.0 makes a vanishing negative +0.0


def _on_curve(curve: Curve, raw: int) -> int | float:
    piece = curve.piece(raw)
    assert piece is not None  # a code without a value is not legal, and no bound
    above = piece.above(raw)
    return above // piece.denominator if curve.is_integer else above / piece.denominator + 0.0


def has_value(transform: Transform, raw: int) -> bool:
    """Return whether the transform gives a code a value."""
    return not isinstance(transform, Curve) or transform.piece(raw) is not None


def is_decode_only(slot: Slot) -> bool:
    """Return whether encode takes codes only, because the slot's curve has no inverse."""
    return isinstance(slot.transform, Curve) and not slot.transform.line


def between(transform: Linear | Curve, raw: int, part: Fraction) -> Fraction:
    """Return a value that lies a part of the way from one code's value to the next's; beyond a curve's end, at its end."""
    if isinstance(transform, Linear):
        return transform.offset + transform.scale * (raw + part)
    here = _exactly(transform, raw)
    return here + part * ((_exactly(transform, raw + 1) if has_value(transform, raw + 1) else here) - here)


def from_raw(slot: Slot, raw: int) -> tuple[Value, str, str]:
    """Return what a code decodes to: its value, the reason where that is None, and a note where there is one.

    raw: within slot.raw_limits. Notes: `at least`, `at most`, `out_of_range`, `not zero`, `not computed`.
    """
    if slot.kind == "flag":
        return raw == 1, "", ""
    if isinstance(slot.transform, (Digits, Bundle)):
        return _in_parts(slot.transform, raw)
    if slot.kind not in ("number", "float", "states", "time"):
        return _plain(slot, raw)
    for special in slot.specials:
        if special.low <= raw <= special.high:
            if special.meaning == "missing":
                return None, special.reason or "missing", ""
            return value_of(slot.transform, raw), "", special.meaning.replace("_", " ")
    if slot.kind == "time":
        text, reason = moments.text_of(slot, raw)
        return text, reason, ""
    if slot.kind == "states":
        return next((name for code, name in slot.states if code == raw), raw), "", ""
    if isinstance(slot.transform, Ieee):
        return _from_ieee(slot, raw)
    number = slot.number_of(raw)
    if number is None:
        return None, BAD_DIGIT, ""
    if is_legal(slot, number):
        return value_of(slot.transform, number), "", ""
    return (
        (None, "unassigned", "")
        if slot.unassigned
        else (value_of(slot.transform, number), "", "out_of_range")
    )


def _plain(slot: Slot, raw: int) -> tuple[Value, str, str]:
    """A code that is a number as it stands, or under the coding of a count or a length."""
    if slot.check is not None:
        return raw, "", "not computed" if raw == slot.check.not_computed else ""
    number = slot.number_of(raw)
    return (
        number,
        "" if number is not None else BAD_DIGIT,
        "not zero" if slot.kind == "reserved" and raw else "",
    )


def _in_parts(transform: Digits | Bundle, raw: int) -> tuple[Value, str, str]:
    """A code that holds several: digits, or samples."""
    if isinstance(transform, Bundle):
        return bundle.read(transform, raw, from_raw)
    return (*from_digits(transform, raw), "")


def _from_ieee(slot: Slot, raw: int) -> tuple[Value, str, str]:
    value = value_of(slot.transform, raw)
    if isnan(value):
        return None, "not finite" if slot.missing_code is None else "missing", ""
    if isinf(value):
        return None, "not finite", ""
    low, high = ieee_bounds(slot)
    return value, "", "" if low <= value <= high else "out_of_range"


def is_legal(slot: Slot, number: int) -> bool:
    """Return whether encode may send this code (under a coding: the code that spells this number) for a value."""
    return any(codes.low <= number <= codes.high for codes in slot.legal)


# -- from value to raw -----------------------------------------------------------------------------


def round_raw(transform: Linear, value: Rational | int) -> int:
    """Return floor((value - offset)/scale + 1/2), exactly: the nearest code, the larger one on a tie.

    >>> round_raw(Linear(1, 0, 10), Fraction(15, 100)), round_raw(Linear(1, 0, 10), Fraction(0.15))
    (2, 1)
    """
    above, below = int(value.numerator), int(value.denominator)
    step = below * transform.numerator
    return (2 * (above * transform.denominator - transform.base * below) + step) // (2 * step)


def to_raw(slot: Slot, value: object) -> Outcome:
    """Return the code that sends a value through a slot, or the fault that says why none does.

    value: a plain value, not the form {"raw": n}. The fault's path is the slot's address. Takes a bounded
    time and never raises.
    """
    if isinstance(slot.transform, Digits):
        return _from_text(slot, slot.transform, value)
    if isinstance(slot.transform, Bundle) and value is not None:
        return _from_samples(slot, slot.transform, value)
    if isinstance(value, str):
        return _from_word(slot, value)
    if slot.kind == "flag":
        return _from_truth(slot, value)
    if value is None:
        return _from_none(slot)
    if slot.kind == "time":
        return _from_moment(slot, value)
    if slot.kind not in ("number", "float"):
        return _from_code(slot, value)
    return _from_number(slot, value)


def _from_number(slot: Slot, value: object) -> Outcome:
    exact = exact_number(value, slot.transform)
    if exact is None:
        return _fault(
            slot,
            "not-a-number",
            f"{shown(value)} is not a number. Give an int, a float, a Fraction or a Decimal",
        )
    if isinstance(exact, float) and isnan(exact):
        if slot.missing_code is not None:
            return Outcome(slot.missing_code)
        return _fault(
            slot,
            "not-finite",
            "NaN is not a value here: the field declares no missing code. Give a number, or declare missing",
        )
    if isinstance(slot.transform, Ieee):
        return _to_ieee(slot, exact, value)
    if isinstance(slot.transform, Curve):
        return _to_curve(slot, slot.transform, exact, value)
    if isinstance(exact, float):
        return _beyond(slot, exact > 0, value)
    assert isinstance(slot.transform, Linear)  # digits were texts
    return _to_linear(slot, round_raw(slot.transform, exact), value)


def _to_curve(slot: Slot, curve: Curve, exact: Rational | int | float, value: object) -> Outcome:
    """The code of the line whose value is nearest; beyond the values of its ends, exact or as they are decoded, none is."""
    if not curve.line:
        text = f"{shown(value)} cannot be encoded, as several codes may have one value. Give the code: {{'raw': n}}"
        return _fault(slot, "no-inverse", text)
    if isinstance(exact, float):
        return _beyond(slot, exact > 0, value)
    ends = (curve.line[0].low, curve.line[-1].high)
    values = [end for raw in ends for end in (_exactly(curve, raw), value_of(curve, raw))]
    wanted = Fraction(int(exact.numerator), int(exact.denominator))
    if not min(values) <= wanted <= max(values):
        return _beyond(slot, wanted > max(values), value)
    return _to_linear(slot, nearest(curve, wanted), value)


def _exactly(curve: Curve, raw: int) -> Fraction:
    piece = curve.piece(raw)
    assert piece is not None
    return piece.exact(raw)


def rises(transform: Transform) -> bool:
    """Return whether values rise with the codes of a transform that is no IEEE number."""
    if isinstance(transform, Curve):
        return not transform.line or transform.is_rising
    return not isinstance(transform, Linear) or transform.numerator > 0


def _to_linear(slot: Slot, raw: int, value: object) -> Outcome:
    if is_legal(slot, raw):
        return Outcome(slot.code_of(raw))
    if any(special.low <= raw <= special.high and special.meaning != "missing" for special in slot.specials):
        return Outcome(raw)
    first, last = slot.legal[0].low, slot.legal[-1].high
    if not first <= raw <= last:
        return _beyond(slot, (raw > last) is rises(slot.transform), value)
    if slot.policy != "clamp":
        return _by_policy(slot, raw, value)
    near = min((abs(code - raw), code) for codes in slot.legal for code in (codes.low, codes.high))
    return Outcome(slot.code_of(near[1]), True)


def _beyond(slot: Slot, above: bool, value: object) -> Outcome:
    """What becomes of a value above (or below) every legal one."""
    end = slot.legal[-1].high if above is rises(slot.transform) else slot.legal[0].low
    if slot.policy != "clamp":
        return _by_policy(slot, end, value)
    wanted = "at_least" if above else "at_most"
    bound = next((one.low for one in slot.specials if one.meaning == wanted), None)
    return Outcome(slot.code_of(end) if bound is None else bound, True)


def _to_ieee(slot: Slot, exact: Rational | int | float, value: object) -> Outcome:
    assert isinstance(slot.transform, Ieee)
    bits = slot.transform.bits
    # The sign of -0.0 is in the float itself, and a double is what WIRE.md 8 rounds from.
    rounded = ieee_rounded(bits, value if isinstance(value, float) else nearest_double(exact))
    low, high = ieee_bounds(slot)
    nearest = ieee_pattern(bits, min(max(rounded, low), high))
    if low <= rounded <= high and not _is_reserved(slot, nearest):
        return Outcome(nearest)
    if slot.policy != "clamp":
        return _by_policy(slot, nearest, value)
    return Outcome(_nearest_ieee(slot, nearest), True)


def _is_reserved(slot: Slot, raw: int) -> bool:
    return any(special.low <= raw <= special.high for special in slot.specials)


def _nearest_ieee(slot: Slot, raw: int) -> int:
    """The legal pattern that is fewest patterns away, in the order of their numbers; the lower number of two."""
    assert isinstance(slot.transform, Ieee)
    bits, (low, high) = slot.transform.bits, ieee_bounds(slot)
    sign = 1 << (bits - 1)
    around = [end for special in slot.specials for end in (special.low - 1, special.high + 1)]
    ends = [ieee_pattern(bits, low), ieee_pattern(bits, high)]
    legal = [
        code
        for code in (raw, 0, sign, *ends, *around)
        if 0 <= code < 2 * sign
        and low <= value_of(slot.transform, code) <= high
        and not _is_reserved(slot, code)
    ]

    def place(code: int) -> int:  # among the codes in the order of their numbers: -1 for -0, 0 for 0
        return sign - 1 - code if code & sign else code

    return min(legal or [raw], key=lambda code: (abs(place(code) - place(raw)), place(code)))


def _by_policy(slot: Slot, nearest: int, value: object) -> Outcome:
    if slot.policy == "missing" and slot.missing_code is not None:
        return Outcome(slot.missing_code)
    unit = f" {slot.unit}" if slot.unit else ""
    low, high = value_limits(slot)
    if low <= _ordered(value) <= high:
        text = f"{shown(value)}{unit} would be sent as code {slot.code_of(nearest)}, which is reserved. Give another value"
        return _fault(slot, "out-of-range", text)
    text = f"{shown(value)}{unit} is outside {shown(low)} to {shown(high)}{unit}"
    if slot.part == "count":  # a summary's out_of_range is its values'
        return _fault(
            slot, "out-of-range", f"{text}. Give a value inside: a number of samples is never clamped"
        )
    return _fault(slot, "out-of-range", f"{text}. Give a value inside, or declare out_of_range: clamp")


def value_limits(slot: Slot) -> tuple[int | float, int | float]:
    """Return the least and the greatest value that encode takes for a number or float slot."""
    if isinstance(slot.transform, Ieee):
        return ieee_bounds(slot)
    if isinstance(slot.transform, Curve) and not slot.transform.line:
        low, high = extremes(slot.transform.pieces)
        return (int(low), int(high)) if slot.transform.is_integer else (float(low), float(high))
    ends = sorted(value_of(slot.transform, raw) for raw in (slot.legal[0].low, slot.legal[-1].high))
    return ends[0], ends[1]


def _ordered(value: object) -> Any:
    """A number to compare with a double: anything but a plain number is only comparable as a float."""
    if isinstance(value, (int, float, Fraction)):
        return value
    if isinstance(value, Decimal):
        return Fraction(value) if value.is_finite() and abs(value.adjusted()) < _LONGEST_TEXT else inf
    return nearest_double(value)


def _from_none(slot: Slot) -> Outcome:
    if slot.missing_code is not None:
        return Outcome(slot.missing_code)
    rule = "not-a-number" if slot.kind in ("number", "float") else "wrong-type"
    return _fault(
        slot,
        rule,
        "None is not a value here: the field declares no missing code. Give a value, or declare missing",
    )


def _from_word(slot: Slot, word: str) -> Outcome:
    for special in slot.specials:
        if special.meaning == "missing" and special.reason and special.reason == word:
            return Outcome(special.low)
    if slot.kind == "states":
        for code, name in slot.states:
            if name == word:
                return Outcome(code)
        names = ", ".join(name for _, name in slot.states)
        return _fault(
            slot, "unknown-state", f"{shown(word)} is none of its states. Give one of {names}, or a code"
        )
    if slot.kind == "time":
        return _from_moment(slot, word)
    if slot.kind == "flag":
        return _fault(slot, "wrong-type", f"{shown(word)} is text. A flag is true or false")
    reasons = [special.reason for special in slot.specials if special.meaning == "missing" and special.reason]
    remedy = f"Give a number, or one of the reasons {', '.join(reasons)}" if reasons else "Give a number"
    return _fault(slot, "not-a-number", f"{shown(word)} is text, not a number. {remedy}")


def _from_text(slot: Slot, digits: Digits, value: object) -> Outcome:
    try:
        return Outcome(to_digits(digits, value))
    except Unfit as error:
        return Outcome(0, False, error.fault(slot.address))


def _from_samples(slot: Slot, samples: Bundle, value: object) -> Outcome:
    try:
        raw, clamped = bundle.write(samples, value, slot.policy, to_raw)
    except Unfit as error:
        return Outcome(0, False, error.fault(slot.address))
    return Outcome(raw, clamped)


def _from_moment(slot: Slot, value: object) -> Outcome:
    """The code of a moment, given as text or as a datetime with a zone."""
    try:
        raw = moments.raw_of(slot, clock.moment_of(value))
    except clock.NoTimeError as no:
        return _fault(slot, "not-a-time", f"{shown(value)}: {no}")
    if raw is None:
        first, last = moments.ends(slot)
        return _fault(slot, "out-of-range", f"{shown(value)} has no code: they run from {first} to {last}")
    if _is_reserved(slot, raw):
        text = f"{shown(value)} would be sent as code {raw}, which is reserved. Give another time"
        return _fault(slot, "out-of-range", text)
    return Outcome(raw)


def _from_truth(slot: Slot, value: object) -> Outcome:
    if is_truth(value) and getattr(value, "ndim", 0) == 0:
        return Outcome(int(bool(value)))
    return _fault(slot, "wrong-type", f"{shown(value)} is neither True nor False")


def _from_code(slot: Slot, value: object) -> Outcome:
    code = exact_integer(value)
    low, high = slot.number_limits
    if code is None:
        rule = "wrong-type" if slot.kind == "states" else "not-a-number"
        what = "a state's name nor a whole number" if slot.kind == "states" else "a whole number"
        return _fault(slot, rule, f"{shown(value)} is {'neither' if slot.kind == 'states' else 'not'} {what}")
    if not low <= code <= high:
        return _fault(
            slot, "out-of-range", f"{shown(code)} does not fit {slot.width} bits, which hold {low} to {high}"
        )
    if slot.kind == "tag" and slot.is_value and not any(code in codes for codes in slot.codes):
        return _fault(slot, "out-of-range", f"{code} is none of its codes {listed(slot.codes)}")
    return Outcome(slot.code_of(code))


def _fault(slot: Slot, rule: str, message: str) -> Outcome:
    return Outcome(0, False, Fault(slot.address, rule, message))


def listed(codes: Iterable[Range]) -> str:
    """Return codes as text: `1, 4 to 6`."""
    return ", ".join(str(one.low) if one.low == one.high else f"{one.low} to {one.high}" for one in codes)


# -- from text, at the edge ------------------------------------------------------------------------


def parse_text(slot: Slot, text: str) -> Value:
    """Return the value that a cell of a table or a word of a command line means for a slot (WIRE.md 4).

    Numbers are exact where they have neither point nor exponent, else the nearest double; empty is None; true
    and false are for flags; a state's name and a declared reason stay words. Raises EncodeError, with one
    fault, for anything else.
    """
    if isinstance(slot.transform, Digits):
        return text
    if isinstance(slot.transform, Bundle):
        text = f"is a list. Give its samples by themselves: {slot.address}[0] and so on"
        raise EncodeError((Fault(slot.address, "wrong-type", text),))
    word = text.strip()
    if not word:
        return None
    if slot.kind == "flag":
        if word.casefold() in ("true", "false"):
            return word.casefold() == "true"
        raise EncodeError((Fault(slot.address, "wrong-type", f"{shown(word)} is neither true nor false"),))
    words = [special.reason for special in slot.specials if special.meaning == "missing"]
    if word in words or slot.kind == "time" or word in (name for _, name in slot.states):
        return word
    if len(word) <= _LONGEST_TEXT:
        if _WHOLE.fullmatch(word):
            return int(word)
        if _POINT.fullmatch(word):
            return float(word)
    if slot.kind in ("states", "time"):
        return word  # encode says which states there are
    raise EncodeError((Fault(slot.address, "not-a-number", f"{shown(word)} is not a number"),))
