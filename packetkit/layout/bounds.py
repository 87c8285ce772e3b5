"""Bounds that cannot be: a maximum that is not above the minimum, an end that no code reaches; with the bits that would do.

So is a code for "this or more" that values lie above: clamping lands on it, and would send one end of the range for the other. It is
the code of the greatest value, or the next above; one for "this or less" that of the least, or the next below.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from packetkit.layout.coding import limits_for
from packetkit.layout.curve import Curve
from packetkit.layout.noting import Note, at, bits_text
from packetkit.layout.number import has_value, rises, round_raw, value_of
from packetkit.layout.ranges import without
from packetkit.layout.slots import Chosen, Linear, Range, Slot, Transform
from packetkit.schema.model import Field
from packetkit.schema.words import format_number


def note_not_above(one: Field, note: Note) -> None:
    """Note a maximum that is not above the minimum."""
    assert one.minimum is not None and one.maximum is not None
    text = f"maximum {format_number(one.maximum)} is not above minimum {format_number(one.minimum)}"
    remedy = "Swap minimum and maximum." if one.maximum < one.minimum else "Widen the range."
    note(at(one, "maximum", "minimum"), "range-order", text, remedy)


def note_unreachable(one: Field, key: str, transform: Linear, low: int, high: int, note: Note) -> None:
    """Note a bound beyond the values of all codes, which run from low to high; with the bits that reach it."""
    bound = getattr(one, key)
    ends = sorted((transform.offset + transform.scale * low, transform.offset + transform.scale * high))
    reach = ends[0] if key == "minimum" else ends[1]
    unit = f" {one.unit}" if one.unit else ""
    text = f"{bits_text(one.bits or 0)} cannot reach {key} {format_number(bound)}{unit}"
    more = _bits_reaching(one, transform, bound)
    advice = f"Use bits: {more}, or a larger scale." if more else "Check offset, scale and signed."
    remedy = (
        f"One step is {format_number(abs(transform.scale))}{unit}, so {bits_text(one.bits or 0)} reach "
        f"{format_number(reach)}{unit}. {advice}"
    )
    note(at(one, "bits"), "bound-unreachable", text, remedy)


def _bits_reaching(one: Field, transform: Linear, bound: Fraction) -> int | None:
    raw = round_raw(transform, bound)
    for bits in range((one.bits or 0) + 1, 65):
        plain = Slot(0, (), "", "number", 0, bits, signed=bool(one.signed))
        low, high = limits_for(one.coding, bits) if one.coding else plain.number_limits
        if low <= raw <= high:
            return bits
    return None


# -- codes that mean this or more, this or less -----------------------------------------------------------------------


def ends_fit(one: Field, slot: Slot, spans: tuple[Range, ...], note: Note) -> bool:
    """Whether the codes of at_least and at_most stand at the end that they mean; noted where not.

    slot: with its transform and its special codes. spans: the codes that have a value, but for those that mean missing.
    """
    missing = tuple(special for special in slot.specials if special.meaning == "missing")
    values = tuple(codes for span in spans for codes in without(span, missing))
    scales = list(_scales(slot.transform))
    for special in slot.specials:
        if special.meaning != "missing" and values:
            if len({rises(transform) for transform in scales}) == 2:
                text = f"{special.meaning} is one code, and values rise with the codes on one scale and fall on another"
                remedy = f"Leave {special.meaning} out, and declare code {special.low} missing with a reason."
                note(at(one, special.meaning), "bound-astray", text, remedy)
                return False
            for transform in scales:
                upwards = (special.meaning == "at_least") is rises(transform)
                stands = list(_end(values, transform, upwards, slot))
                if special.low not in stands:
                    _note_astray(one, special.meaning, special.low, transform, stands, note)
                    return False
    return True


def _scales(transform: Transform) -> Iterator[Linear | Curve]:
    """The scales that a code may have; none where a curve has no inverse, so that no value ever lands on a code."""
    if isinstance(transform, Chosen):
        yield from (linear for _, linear in transform.choices)
    elif isinstance(transform, Linear) or (isinstance(transform, Curve) and transform.line):
        yield transform


def _end(values: tuple[Range, ...], transform: Linear | Curve, upwards: bool, slot: Slot) -> Iterator[int]:
    """The last code of the values, and the next one beyond that has a value and means nothing else."""
    last, step = (values[-1].high, 1) if upwards else (values[0].low, -1)
    yield last
    low, high = slot.raw_limits
    beyond = last + step
    if isinstance(transform, Curve):
        codes = [
            code for piece in transform.pieces for code in (piece.low, piece.high) if (code - last) * step > 0
        ]
        beyond = (
            beyond if has_value(transform, beyond) else min(codes, key=lambda code: code * step, default=last)
        )
    taken = any(
        special.low <= beyond <= special.high for special in slot.specials if special.meaning == "missing"
    )
    if low <= beyond <= high and beyond != last and not taken:
        yield beyond


def _note_astray(
    one: Field, key: str, code: int, transform: Linear | Curve, stands: list[int], note: Note
) -> None:
    """Note a code for this or more, or less, that is not at the end of the values; with the codes that are."""
    more, end = ("or more", "end at") if key == "at_least" else ("or less", "begin at")
    unit = f" {one.unit}" if one.unit else ""

    def value(raw: int) -> str:
        if isinstance(transform, Linear):
            return format_number(transform.offset + transform.scale * raw) + unit
        return f"{value_of(transform, raw):g}{unit}"

    text = f"code {code} means {value(code)} {more}, and its values {end} {value(stands[0])}"
    places = " or ".join(f"{raw} ({value(raw)} {more})" for raw in stands)
    remedy = f"Use {key}: {places}, or declare code {code} missing with a reason."
    note(at(one, key), "bound-astray", text, remedy)
