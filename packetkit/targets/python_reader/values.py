"""What a code means, and what a value encodes to."""

from __future__ import annotations

import struct
from collections.abc import Iterable
from decimal import Decimal
from fractions import Fraction
from math import inf, isinf, isnan
from numbers import Rational
from operator import index
from typing import Any, Optional, Tuple

from packetkit.targets.python_reader.bits import Row, _holds, _shown
from packetkit.targets.python_reader.bundles import _bundled, _samples
from packetkit.targets.python_reader.calendars import _code_of_moment, _is_time, _text_of_moment
from packetkit.targets.python_reader.continued import _number_in, _number_limits, _spelled, _spelling
from packetkit.targets.python_reader.texts import _digits_number, _digits_text, _Unfit
from packetkit.targets.python_reader.times import _moment_given

# -- from code to value ----------------------------------------------------------------------------

_IEEE = {16: (">e", ">H"), 32: (">f", ">I"), 64: (">d", ">Q")}


def _number(slot: Row, raw: int) -> Any:
    if "ieee" in slot:
        form, pattern = _IEEE[slot["ieee"]]
        return struct.unpack(form, struct.pack(pattern, raw))[0]
    if "curve" in slot:
        piece = next(one for one in slot["curve"]["pieces"] if one[0] <= raw <= one[1])
        above = _above(piece, raw)
        return above // piece[3] if slot["curve"].get("whole") else above / piece[3] + 0.0
    numerator, base, denominator = slot.get("scale", (1, 0, 1))
    exact = raw * numerator + base
    return exact if denominator == 1 else exact / denominator + 0.0  # rounded once; + 0.0 makes a zero +0.0


def _meaning(slot: Row, raw: int) -> tuple[Any, str, str]:
    """What a raw code means: its value, the reason where that is None, a note where there is one."""
    kind = slot["kind"]
    if kind == "flag":
        return raw == 1, "", ""
    if "bundle" in slot:
        return _samples(slot["bundle"], raw, _meaning)
    if "digits" in slot:
        return (*_digits_text(slot["digits"], raw), "")
    if kind not in ("number", "float", "states", "time"):
        note = "not zero" if kind == "reserved" and raw else ""
        return _number_in(slot, raw), "", "not computed" if _is_no_check(slot, raw) else note
    for low, high, meaning, reason in slot.get("specials", ()):
        if low <= raw <= high:
            if meaning == "missing":
                return None, reason or "missing", ""
            return _number(slot, raw), "", meaning.replace("_", " ")
    if _is_time(slot):
        return (*_text_of_moment(slot, raw), "")
    if kind == "states":
        return next((name for code, name in slot["states"] if code == raw), raw), "", ""
    return _ieee_meaning(slot, raw) if "ieee" in slot else _number_meaning(slot, raw)


def _is_no_check(slot: Row, raw: int) -> bool:
    """Whether a check's code says that there is none."""
    return "check" in slot and slot["check"].get("not_computed") == raw


def _number_meaning(slot: Row, raw: int) -> tuple[Any, str, str]:
    number = _spelled(slot, raw) if "coding" in slot else raw
    if number is None:
        return None, "bad digit", ""
    if _holds(number, slot["legal"]):
        return _number(slot, number), "", ""
    return (None, "unassigned", "") if slot.get("unassigned") else (_number(slot, number), "", "out_of_range")


def _ieee_meaning(slot: Row, raw: int) -> tuple[Any, str, str]:
    value = _number(slot, raw)
    if isnan(value):
        return None, "not finite" if _missing_code(slot) is None else "missing", ""
    if isinf(value):
        return None, "not finite", ""
    return value, "", "" if slot["low"] <= value <= slot["high"] else "out_of_range"


def _missing_code(slot: Row) -> int | None:
    if "bundle" in slot:
        return slot["bundle"].get("nothing")  # type: ignore[no-any-return]
    return next((one[0] for one in slot.get("specials", ()) if one[2] == "missing"), None)


def _is_missing(slot: Row, raw: int) -> bool:
    return any(
        low <= raw <= high for low, high, meaning, _ in slot.get("specials", ()) if meaning == "missing"
    )


def _beyond_limit(limits: Iterable[Row], value: Any) -> str:
    """Which of the ground's limits a value is beyond, the hard one first: `hard maximum`; empty where it is within all."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return ""
    for one in limits:
        if "maximum" in one and value > one["maximum"]:
            return f"{one['name']} maximum"
        if "minimum" in one and value < one["minimum"]:
            return f"{one['name']} minimum"
    return ""


# -- from value to code ----------------------------------------------------------------------------

# Raw code, was it clamped, and where there is none (rule, message).
Outcome = Tuple[int, bool, Optional[Tuple[str, str]]]


def _no(rule: str, message: str) -> Outcome:
    return 0, False, (rule, message)


def _to_raw(slot: Row, value: Any, bits: int) -> Outcome:
    """What a value encodes to."""
    kind = slot["kind"]
    if "digits" in slot or ("bundle" in slot and value is not None):
        return _in_parts(slot, value)
    if isinstance(value, str):
        return _from_word(slot, value)
    if kind == "flag":
        if _is_truth(value) and getattr(value, "ndim", 0) == 0:
            return int(bool(value)), False, None
        return _no("wrong-type", f"{_shown(value)} is neither True nor False")
    if value is None:
        return _from_none(slot)
    if _is_time(slot):
        return _from_moment(slot, value)
    if kind not in ("number", "float"):
        return _from_code(slot, value, _exact(value, slot), bits)
    return _from_number(slot, value)


def _from_number(slot: Row, value: Any) -> Outcome:
    exact = _exact(value, slot)
    if exact is None:
        return _no("not-a-number", f"{_shown(value)} is not a number")
    if isinstance(exact, float) and isnan(exact):
        missing = _missing_code(slot)
        if missing is None:
            return _no("not-finite", "NaN is not a value here: the field declares no missing code")
        return missing, False, None
    if "ieee" in slot:
        return _to_ieee(slot, value if isinstance(value, float) else _double(exact), value)
    if "curve" in slot:
        return _to_curve(slot, exact, value)
    if isinstance(exact, float):
        return _beyond(slot, exact > 0, value)
    return _to_linear(slot, _round_raw(slot, exact), value)


def _in_parts(slot: Row, value: Any) -> Outcome:
    """The code of a value that is several: the digits of a text, or samples."""
    try:
        if "digits" in slot:
            return _digits_number(slot["digits"], value), False, None
        return (*_bundled(slot, value, _to_raw), None)
    except _Unfit as no:
        return _no(no.rule, str(no))


def _from_moment(slot: Row, value: Any) -> Outcome:
    """The code of a moment, given as text or as a datetime with a zone."""
    try:
        raw = _code_of_moment(slot, _moment_given(slot.get("calendar") or slot["clock"], value))
    except _Unfit as no:
        return _no(no.rule, f"{_shown(value)}: {no}")
    if raw is None:
        return _no("out-of-range", f"{_shown(value)} has no code")
    if _is_special(slot, raw):
        return _no("out-of-range", f"{_shown(value)} would be sent as code {raw}, which is reserved")
    return raw, False, None


def _round_raw(slot: Row, value: Any) -> int:
    """floor((value - offset)/scale + 1/2), exactly."""
    numerator, base, denominator = slot.get("scale", (1, 0, 1))
    above, below = int(value.numerator), int(value.denominator)
    step = below * numerator
    return int((2 * (above * denominator - base * below) + step) // (2 * step))


def _to_linear(slot: Row, raw: int, value: Any) -> Outcome:
    legal = slot["legal"]
    if _holds(raw, legal):
        return _spelling(slot, raw), False, None
    if any(low <= raw <= high and meaning != "missing" for low, high, meaning, _ in slot.get("specials", ())):
        return raw, False, None
    if not legal[0][0] <= raw <= legal[-1][1]:
        return _beyond(slot, (raw > legal[-1][1]) is _rises(slot), value)
    if slot.get("policy") != "clamp":
        return _by_policy(slot, value)
    near = min((abs(code - raw), code) for codes in legal for code in codes)
    return _spelling(slot, near[1]), True, None


def _above(piece: Any, raw: int) -> int:
    """The numerator of a curve's value: a polynomial of the code."""
    total = 0
    for one in reversed(piece[2]):
        total = total * raw + one
    return total


def _exactly(piece: Any, raw: int) -> Fraction:
    return Fraction(_above(piece, raw), piece[3])


def _to_curve(slot: Row, exact: Any, value: Any) -> Outcome:
    """The code whose value is nearest; beyond the values of the ends, exact or as they are decoded, none is."""
    line = slot["curve"].get("line")
    if line is None:
        return _no("no-inverse", f"{_shown(value)} cannot be encoded. Give the code: {{'raw': n}}")
    if isinstance(exact, float):
        return _beyond(slot, exact > 0, value)
    ends = ((line[0], line[0][0]), (line[-1], line[-1][1]))
    values = [end for piece, raw in ends for end in (_exactly(piece, raw), _number(slot, raw))]
    wanted = Fraction(int(exact.numerator), int(exact.denominator))
    if not min(values) <= wanted <= max(values):
        return _beyond(slot, wanted > max(values), value)
    return _to_linear(slot, _nearest_on_curve(line, 1 if _rises(slot) else -1, wanted), value)


def _nearest_on_curve(line: list[Any], turn: int, wanted: Fraction) -> int:
    """The code whose value is nearest, the greater of two: the last that is not beyond the value, or the one after it."""
    at = 0
    while at + 1 < len(line) and turn * _exactly(line[at + 1], line[at + 1][0]) <= turn * wanted:
        at += 1
    here, first, last = line[at], line[at][0], line[at][1]
    if turn * _exactly(here, first) > turn * wanted:
        return int(first)
    while first < last:
        middle = (first + last + 1) // 2
        first, last = (
            (middle, last) if turn * _exactly(here, middle) <= turn * wanted else (first, middle - 1)
        )
    there, after = here, first + 1
    if first == here[1]:
        if at + 1 == len(line):
            return int(first)
        there, after = line[at + 1], line[at + 1][0]
    return int(
        after if abs(_exactly(there, after) - wanted) <= abs(wanted - _exactly(here, first)) else first
    )


def _rises(slot: Row) -> bool:
    if "curve" in slot:
        return bool(slot["curve"].get("rising"))
    return bool(slot.get("scale", (1,))[0] > 0)


def _beyond(slot: Row, above: bool, value: Any) -> Outcome:
    """What becomes of a value above (or below) every legal one."""
    if slot.get("policy") != "clamp":
        return _by_policy(slot, value)
    wanted = "at_least" if above else "at_most"
    bound = next((one[0] for one in slot.get("specials", ()) if one[2] == wanted), None)
    if bound is not None:
        return bound, True, None
    end = slot["legal"][-1][1] if above is _rises(slot) else slot["legal"][0][0]
    return _spelling(slot, end), True, None


def _by_policy(slot: Row, value: Any) -> Outcome:
    missing = _missing_code(slot)
    if slot.get("policy") == "missing" and missing is not None:
        return missing, False, None
    if "ieee" in slot:
        ends = [slot["low"], slot["high"]]
    else:
        ends = sorted(_number(slot, raw) for raw in (slot["legal"][0][0], slot["legal"][-1][1]))
    return _no("out-of-range", f"{_shown(value)} cannot be sent; the field holds {ends[0]} to {ends[1]}")


def _rounded(bits: int, value: float) -> float:
    """The nearest number of an IEEE format, ties to even; infinite where it is beyond."""
    try:
        return float(struct.unpack(_IEEE[bits][0], struct.pack(_IEEE[bits][0], value))[0])
    except OverflowError:
        return inf if value > 0 else -inf


def _pattern(bits: int, value: float) -> int:
    return int(struct.unpack(_IEEE[bits][1], struct.pack(_IEEE[bits][0], value))[0])


def _is_special(slot: Row, raw: int) -> bool:
    return any(one[0] <= raw <= one[1] for one in slot.get("specials", ()))


def _to_ieee(slot: Row, double: float, value: Any) -> Outcome:
    rounded = _rounded(slot["ieee"], double)
    nearest = _pattern(slot["ieee"], min(max(rounded, slot["low"]), slot["high"]))
    if slot["low"] <= rounded <= slot["high"] and not _is_special(slot, nearest):
        return nearest, False, None
    if slot.get("policy") != "clamp":
        return _by_policy(slot, value)
    return _nearest_ieee(slot, nearest), True, None


def _nearest_ieee(slot: Row, raw: int) -> int:
    """The legal pattern that is fewest patterns away, in the order of their numbers; the lower number of two."""
    sign, low, high = 1 << (slot["ieee"] - 1), slot["low"], slot["high"]
    around = [end for one in slot.get("specials", ()) for end in (one[0] - 1, one[1] + 1)]
    ends = [_pattern(slot["ieee"], low), _pattern(slot["ieee"], high)]
    legal = [
        code
        for code in (raw, 0, sign, *ends, *around)
        if 0 <= code < 2 * sign and low <= _number(slot, code) <= high and not _is_special(slot, code)
    ]

    def place(code: int) -> int:
        return sign - 1 - code if code & sign else code

    return int(min(legal or [raw], key=lambda code: (abs(place(code) - place(raw)), place(code))))


def _double(value: Any) -> float:
    try:
        return float(value)
    except OverflowError:
        return inf if value > 0 else -inf


def _is_truth(value: Any) -> bool:
    return isinstance(value, bool) or getattr(getattr(value, "dtype", None), "kind", None) == "b"


def _exact(value: Any, slot: Row) -> Any:
    """A number exactly, NaN or an infinity as a float, or None for what is not a number."""
    if isinstance(value, (str, bytes, bytearray)) or _is_truth(value):
        return None
    if type(value) is int:
        return value
    if isinstance(value, float):
        return Fraction(value) if value - value == 0 else float(value)
    if isinstance(value, Decimal):
        return _from_decimal(value, slot)
    try:
        if hasattr(value, "__index__"):
            return index(value)
        if isinstance(value, Rational):
            return Fraction(int(value.numerator), int(value.denominator))
        if hasattr(value, "__float__"):
            return _exact(float(value), slot)
    except (TypeError, ValueError, ArithmeticError):
        return None
    return None


def _from_decimal(value: Decimal, slot: Row) -> Any:
    """A Decimal, with an exponent out of all proportion as an infinity or as next to nothing: no power of ten is written out."""
    if not value.is_finite():
        return float(value) if not value.is_snan() else float("nan")
    if not value:
        return Fraction(0)
    reach = 420 + sum(abs(term).bit_length() for term in slot.get("scale", (1, 0, 1))) * 3 // 10
    if value.adjusted() > reach:
        return inf if value > 0 else -inf
    if value.adjusted() < -reach:
        return Fraction(1 if value > 0 else -1, 10**reach)
    return Fraction(value)


def _from_none(slot: Row) -> Outcome:
    missing = _missing_code(slot)
    if missing is not None:
        return missing, False, None
    rule = "not-a-number" if slot["kind"] in ("number", "float") else "wrong-type"
    return _no(rule, "None is not a value here: the field declares no missing code")


def _from_word(slot: Row, word: str) -> Outcome:
    for low, _, meaning, reason in slot.get("specials", ()):
        if meaning == "missing" and reason and reason == word:
            return low, False, None
    if slot["kind"] == "states":
        code = next((code for code, name in slot["states"] if name == word), None)
        return (
            _no("unknown-state", f"{_shown(word)} is none of its states")
            if code is None
            else (code, False, None)
        )
    if _is_time(slot):
        return _from_moment(slot, word)
    return _no("wrong-type" if slot["kind"] == "flag" else "not-a-number", f"{_shown(word)} is text")


def _from_code(slot: Row, value: Any, exact: Any, bits: int) -> Outcome:
    low, high = _number_limits(slot, bits)
    if exact is None or isinstance(exact, float) or exact.denominator != 1:
        rule = "wrong-type" if slot["kind"] == "states" else "not-a-number"
        return _no(rule, f"{_shown(value)} is not a whole number")
    code = int(exact)
    if not low <= code <= high:
        return _no("out-of-range", f"{_shown(value)} does not fit {bits} bits, which hold {low} to {high}")
    if slot["kind"] == "tag" and not slot.get("hidden") and not _holds(code, slot["codes"]):
        return _no("out-of-range", f"{code} is none of its codes")
    return _spelling(slot, code), False, None
