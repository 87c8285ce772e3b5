"""Bounds that cannot be: a maximum that is not above the minimum, an end that no code reaches; with the bits that would do."""

from __future__ import annotations

from fractions import Fraction

from packetkit.layout.coding import limits_for
from packetkit.layout.noting import Note, at, bits_text
from packetkit.layout.number import round_raw
from packetkit.layout.slots import Linear, Slot
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
