"""A scale that another field chooses: from the declared choices to one transform whose choices share a denominator."""

from __future__ import annotations

from collections.abc import Iterator
from math import lcm

from packetkit.layout.noting import Note
from packetkit.layout.slots import Chosen, Linear, Range
from packetkit.schema.model import Codes, Condition, Field, ScaleBy
from packetkit.schema.words import format_number

# What says a scale, or the ends of one; and a default, which would be another code for each.
_BESIDE = ("scale", "offset", "curve", "resolution", "minimum", "maximum", "default")


def fits(one: Field, note: Note) -> bool:
    """Whether nothing beside a chosen scale says what it says, no scale is zero, and the bits are told."""
    assert one.scale_by is not None
    at = one.places.get("scale_by", one.place)
    beside = next((key for key in _BESIDE if getattr(one, key) is not None), None)
    if beside is not None:
        means = beside if beside in one.places else f"the preset {one.preset}"
        text = f"{means} and scale_by both say which values its codes have"
        note(one.places.get(beside, at), "scale-unfit", text, f"Leave {means} out, or scale_by.")
    elif any(choice.scale == 0 for choice in one.scale_by.choices):
        text = "scale is 0, so every code would be the same value"
        note(at, "scale-zero", text, "Write the size of one step.")
    elif one.bits is None:
        note(one.place, "step-unknown", "nothing says its size", "Add bits.")
    else:
        return True
    return False


def declared(by: ScaleBy) -> Chosen:
    """The transform, whose choices have one denominator; whose codes they are is not known here."""
    ends = [part.denominator for choice in by.choices for part in (choice.scale, choice.offset)]
    one = lcm(*ends)
    linears = (Linear(int(choice.scale * one), int(choice.offset * one), one) for choice in by.choices)
    return Chosen(-1, tuple((Range(0, 0), linear) for linear in linears))


def conditions(by: ScaleBy) -> Iterator[tuple[str, Condition]]:
    """Each choice as the schema names it, and what must hold for it."""
    for choice in by.choices:
        if isinstance(choice.said, str):
            yield choice.said, Condition(by.by, states=(choice.said,))
        else:
            yield str(choice.said), Condition(by.by, (Codes(choice.said, choice.said),))


def words(linear: Linear) -> str:
    """A scale in words: `0.25`, `4 from -4`."""
    return format_number(linear.scale) + (f" from {format_number(linear.offset)}" if linear.base else "")
