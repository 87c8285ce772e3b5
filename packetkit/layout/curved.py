"""What a field with a curve declares, judged: what stands beside the curve, its codes, its values, and its inverse."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from packetkit.errors import counted
from packetkit.layout.curve import Curve, curve_of, extremes, with_inverse
from packetkit.layout.noting import Note
from packetkit.schema.model import Field
from packetkit.schema.words import format_number

_LARGEST = Fraction(2) ** 1023  # somewhat below the largest double


def fits(one: Field, note: Note) -> bool:
    """Whether a curve has beside it only what it leaves open."""
    assert one.curve is not None
    ruled_out = ["minimum", "maximum", "role"]
    if one.curve.what != "square":
        ruled_out += ["scale", "offset"]
    for key in ruled_out:
        if getattr(one, key) is not None:
            means = "what each code means" if key != "role" else "a measured value, which plays no role"
            remedy = f"Leave {key} out." if key != "role" else "Leave role or curve out."
            note(
                one.places.get(key, one.place),
                "curve-unfit",
                f"{key} stands beside a curve, which says {means}",
                remedy,
            )
            return False
    if one.scale == 0:
        text = "scale is 0, so every code would be the same value"
        note(one.places["scale"], "scale-zero", text, "Write the size of one step.")
        return False
    return True


def declared(one: Field, low: int, high: int, note: Note) -> Curve | None:
    """The curve over the codes that the field's bits hold, or None where that was noted."""
    assert one.curve is not None and one.bits is not None
    place = one.places["curve"]
    for raw, _ in one.curve.points:
        if not low <= raw <= high:
            bits = counted(one.bits, "bit")
            text = f"code {format_number(Fraction(raw))} of its curve does not fit {bits}"
            note(place, "code-too-large", text, f"Use codes from {low} to {high}.")
            return None
    made = curve_of(
        one.curve, Fraction(1) if one.scale is None else one.scale, one.offset or Fraction(0), low, high
    )
    if not made.is_integer and max(map(abs, extremes(made.pieces))) > _LARGEST:
        text = "some of its values are beyond every double-precision number"
        note(place, "curve-unfit", text, "Use fewer bits, or smaller coefficients.")
        return None
    return made


def inverted(
    one: Field, curve: Curve, ends: tuple[int, int], bounds: Mapping[str, int], note: Note
) -> Curve | None:
    """The curve with its inverse over the codes that may be sent, or None where something beside it has no meaning.

    bounds: the codes of at_least and at_most.
    """
    for key, code in bounds.items():
        if curve.piece(code) is None:
            text = f"code {code} is {key}, and the curve gives it no value"
            note(
                one.places[key],
                "curve-unfit",
                text,
                f"Give the code a value on the curve, or leave {key} out and declare the code missing with a reason.",
            )
            return None
    made = with_inverse(curve, *ends)
    for key in ("out_of_range", "flag", "default"):
        if not made.line and getattr(one, key) is not None:
            text = f"{key} is about encoding a value, and a curve that neither rises nor falls throughout has no code for one"
            note(
                one.places[key], "curve-unfit", text, f"Leave {key} out: such a field takes {{raw: n}} only."
            )
            return None
    return made
