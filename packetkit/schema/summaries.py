"""A summary written out: one declaration of a quantity becomes the fields that sum up its samples over an interval.

minimum, mean and maximum share the quantity's range and resolution, so that they must fit it; the mean may have a finer step. Each has a
code for "no value", which an interval without a sample needs. count says how many samples there were. Later stages see a plain group.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

from packetkit.schema.model import Field, Place, Summary
from packetkit.schema.words import format_number

MEMBERS = ("minimum", "mean", "maximum", "count")  # in the order in which they are sent
_SHARED = ("minimum", "maximum", "resolution", "unit", "out_of_range", "flag", "limits", "preset")

Note = Callable[[Place, str, str, str], None]  # place, rule, summary, remedy


def written_out(one: Field, note: Note) -> Field:
    """Return the group that a summary stands for; whole is False where something was noted."""
    assert one.summary is not None
    lacking = [key for key in ("minimum", "maximum", "resolution") if getattr(one, key) is None]
    if lacking:
        remedy = f"Add {' and '.join(lacking)}, or a preset; the bits are worked out."
        note(one.place, "summary-range", f"a summary needs {' and '.join(lacking)}", remedy)
        return replace(one, kind="group", whole=False, summary=None)
    finer = one.summary.mean_resolution
    assert one.resolution is not None
    if finer is not None and (one.resolution / finer).denominator != 1:
        text = f"mean_resolution {format_number(finer)} does not divide the resolution {format_number(one.resolution)}"
        options = " or ".join(format_number(one.resolution / part) for part in (2, 5))
        note(one.places["summary.mean_resolution"], "summary-range", text, f"Use such as {options}.")
        return replace(one, kind="group", whole=False, summary=None)
    made = tuple(_member(one, one.summary, word) for word in MEMBERS if word in one.summary.keep)
    return Field(
        one.name,
        "group",
        one.place,
        one.places,
        one.named,
        one.whole,
        one.description,
        fields=made,
        repeat=one.repeat,
        present_when=one.present_when,
        summary=one.summary,
    )


def _member(one: Field, summary: Summary, word: str) -> Field:
    """One field of the group; what is wrong with it is shown where it was written."""
    if word == "count":
        places = {
            key: one.places["summary.samples"] for key in ("maximum",) if "summary.samples" in one.places
        }
        top = Fraction(summary.samples)
        return Field(
            word,
            "number",
            one.place,
            places,
            minimum=Fraction(0),
            maximum=top,
            resolution=Fraction(1),
            part=word,
        )
    shared = {key: getattr(one, key) for key in _SHARED}
    places = {key: place for key, place in one.places.items() if key.partition(".")[0] in _SHARED}
    if word == "mean" and summary.mean_resolution is not None:
        shared["resolution"] = summary.mean_resolution
        places["resolution"] = one.places["summary.mean_resolution"]
    return Field(word, "number", one.place, places, missing=True, part=word, **shared)
