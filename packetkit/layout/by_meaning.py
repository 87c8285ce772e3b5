"""Numbers declared by their range: raw 0 is the minimum and each code one step more (WIRE.md 6).

The step is said, and the bits worked out, or the bits are said and divide the range. The codes that mean missing lie above the range.
"""

from __future__ import annotations

from fractions import Fraction

from packetkit.layout.bounds import note_not_above
from packetkit.layout.noting import Note, at, bits_text
from packetkit.layout.ranges import amount
from packetkit.layout.slots import Linear, Range
from packetkit.schema.model import Codes, Field
from packetkit.schema.words import format_number, whole

WIRE_KEYS = ("signed", "coding", "scale", "offset", "curve")  # any of these: the number is declared by wire


def is_by_meaning(one: Field) -> bool:
    """True where a number's codes are counted up from its minimum."""
    wire = any(getattr(one, key) is not None for key in WIRE_KEYS)
    return one.kind == "number" and one.minimum is not None and one.maximum is not None and not wire


# Width, transform, whether codes are signed, and the codes of its bounds.
Base = tuple[int, Linear, bool, Range]


def base_by_meaning(one: Field, note: Note) -> Base | None:
    """Width, transform and bounds of a number declared by its range: raw 0 is the minimum (WIRE.md 6)."""
    assert one.minimum is not None and one.maximum is not None
    low, high = one.minimum, one.maximum
    span = high - low
    if span <= 0:
        note_not_above(one, note)
        return None
    listed = one.missing if isinstance(one.missing, tuple) else ()
    reserved = 1 if one.missing is True else amount(listed)
    if one.resolution is not None:
        steps = span / one.resolution
        if steps.denominator != 1:
            _not_whole(one, low, steps, note)
            return None
        n = steps.numerator
    elif one.bits is not None:
        n = (1 << one.bits) - 1 - reserved
        if n < 1:
            total = 1 << one.bits
            text = f"{bits_text(one.bits)}: {total} codes, {whole(reserved)} of them reserved, leave no step between values"
            note(
                at(one, "bits"),
                "range-does-not-fit",
                text,
                f"Use bits: {(reserved + 1).bit_length()}, or more.",
            )
            return None
    else:
        remedy = "Add resolution: the smallest step that matters to you; the bits are worked out."
        note(one.place, "step-unknown", "neither resolution nor bits says the step", remedy)
        return None
    if (width := _width(one, n, listed, note)) is None:
        return None
    return width, Linear.of(span / n, low), False, Range(0, n)


def _not_whole(one: Field, low: Fraction, steps: Fraction, note: Note) -> None:
    assert one.resolution is not None and one.maximum is not None
    whole = steps.numerator // steps.denominator
    near = [format_number(low + one.resolution * k) for k in (whole, whole + 1) if k > 0]
    text = (
        f"maximum {format_number(one.maximum)} is not a whole number of steps of {format_number(one.resolution)} "
        f"above {format_number(low)}"
    )
    note(at(one, "maximum", "resolution"), "range-not-whole", text, f"Use maximum: {' or '.join(near)}.")


def _width(one: Field, n: int, listed: tuple[Codes, ...], note: Note) -> int | None:
    """The bits that hold codes 0 to n and every special code; True reserves all ones, so no other code is that."""
    missing = max((codes.high for codes in listed), default=0)
    tops = {"missing": missing, "at_least": one.at_least or 0, "at_most": one.at_most or 0}
    for key, code in tops.items():
        if code >= 1 << 64:
            text = f"code {whole(code)} needs more than 64 bits"
            note(at(one, key), "code-too-large", text, "Use a smaller code.")
            return None
    top = max(n, *tops.values())
    needed = max(top.bit_length(), 1)
    if one.missing is True and (1 << needed) - 1 == top:
        needed += 1
    if needed > 64:
        text = f"its {whole(n + 1)} codes need {needed} bits, and 64 is the most"
        note(at(one, "resolution", "maximum"), "range-too-wide", text, "Use a coarser resolution.")
        return None
    if one.bits is None or one.bits >= needed:
        return one.bits or needed
    assert one.minimum is not None and one.maximum is not None
    step, unit = (one.maximum - one.minimum) / n, f" {one.unit}" if one.unit else ""
    reach = one.minimum + step * ((1 << one.bits) - 1 - (1 if one.missing is True else 0))
    reserved = " and its reserved codes" if top > n or one.missing else ""
    text = f"{bits_text(one.bits)} cannot hold its {whole(n + 1)} values{reserved}"
    remedy = (
        f"One step is {format_number(step)}{unit}, so {bits_text(one.bits)} reach {format_number(reach)}{unit}. "
        f"Use bits: {needed}, or a coarser resolution."
    )
    note(at(one, "bits"), "range-does-not-fit", text, remedy)
    return None
