"""Which field of the schema a length measures, found before anything is placed; lengths astray are noted.

A length stands certainly before or inside what it measures: one that may be absent, repeated or of another variant would leave frames
whose parts nothing ends.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from packetkit.schema.model import Field
from packetkit.schema.words import closest, shown

if TYPE_CHECKING:
    from packetkit.layout.resolve import Resolver


WHOLE_FRAME = "whole_frame"


def measured_fields(fields: tuple[Field, ...]) -> dict[int, Field]:
    """Each field that a length field measures, by its identity, and that length field. Whole-frame lengths are not in it."""
    found: dict[int, Field] = {}

    def look(members: tuple[Field, ...], around: tuple[Field, ...]) -> None:
        for one in members:
            if one.kind == "length" and one.measures not in (None, WHOLE_FRAME):
                target = next((other for other in (*members, *around) if other.name == one.measures), None)
                if target is not None and target is not one:
                    found.setdefault(id(target), one)
            for inner in groups_in(one):
                look(inner, (one, *(other for other in members if other is not one), *around))

    if any(True for _ in lengths(fields)):
        look(fields, ())
    return found


def groups_in(one: Field) -> list[tuple[Field, ...]]:
    """The lists of fields inside a field, those with something in them."""
    return [inner for inner in (one.fields, *(variant.fields for variant in one.variants)) if inner]


def note_astray(r: Resolver, fields: tuple[Field, ...]) -> None:
    """Note length fields that a frame may hold what they measure without: not read yet, or not there."""
    order: list[Field] = []
    above: dict[int, tuple[Field, ...]] = {}

    def look(members: tuple[Field, ...], around: tuple[Field, ...]) -> None:
        for one in members:
            order.append(one)
            above[id(one)] = around
            for inner in groups_in(one):
                look(inner, (*around, one))

    look(fields, ())
    place = {id(one): number for number, one in enumerate(order)}
    measured = {id(by): order[place[target]] for target, by in r.measured.items()}
    for by in lengths(fields):
        target = measured.get(id(by))
        if target is None and by.measures != WHOLE_FRAME:
            continue  # it measures nothing, and that is noted
        inside = target is not None and target in above[id(by)]
        fault = None
        if target is not None and not inside and place[id(target)] < place[id(by)]:
            fault = f"stands behind {target.name}, which could not be read before it"
        if by.coding is not None and (inside or target is None):
            fault = f"has as many octets as it needs, and {'the frame' if target is None else target.name} holds them"
        shared = 0 if target is None else len(above[id(target)])
        passed = [one for one in (*above[id(by)][shared:], by) if not (one is target and _always_one(one))]
        unsure = next((one for one in passed if not _always(one)), None)
        if unsure is not None and fault is None:
            what = "the frame" if target is None else target.name
            fault = f"{what} can be there without it: {unsure.name} {_why(unsure)}"
            if unsure is target:
                fault = f"is one size for {what}, which {_why(unsure)}"
        if fault is not None:
            r.whole = r.placed = False
            remedy = (
                "Put it before what it measures, outside of what may be absent, repeated or of several forms."
            )
            r.note(by.places["measures"], "length-astray", r.full(by.name), fault, remedy)


def _always_one(one: Field) -> bool:
    """Whether a field that is there holds its fields once: it may be optional as a whole."""
    return one.repeat is None and one.kind != "variants"


def _always(one: Field) -> bool:
    return _always_one(one) and one.present_when is None


def _why(one: Field) -> str:
    if one.kind == "variants":
        return "has other variants too"
    return "is repeated" if one.repeat is not None else "may be absent"


def note_unused(r: Resolver, fields: tuple[Field, ...]) -> None:
    """Note length fields that measure nothing, or what another measures."""
    used = {id(by) for by in r.measured.values()}
    for one in lengths(fields):
        if (
            one.measures in (None, WHOLE_FRAME) or id(one) in used
        ):  # None: its reader has told that it lacks one
            continue
        others = [by.name for by in lengths(fields) if id(by) in used and by.measures == one.measures]
        near = closest(one.measures or "", _names(fields))
        text = f"{shown(one.measures or '')} is not a field of its group or of one around it"
        remedy = f"Did you mean {near}?" if near else "Name what it measures, or whole_frame."
        if others:
            text, remedy = f"{others[0]} measures {one.measures} already", "Leave one of them out."
        r.note(one.places["measures"], "length-unknown", r.full(one.name), text, remedy)


def _names(fields: tuple[Field, ...]) -> list[str]:
    """The names of all fields that a length could measure."""
    inner = [group for one in fields for group in (one.fields, *(variant.fields for variant in one.variants))]
    own = [one.name for one in fields if one.kind not in ("length", "count", "check", "reserved")]
    return own + [name for group in inner for name in _names(group)]


def lengths(fields: tuple[Field, ...]) -> Iterator[Field]:
    """Every length field, wherever it stands."""
    for one in fields:
        if one.kind == "length":
            yield one
        for inner in (one.fields, *(variant.fields for variant in one.variants)):
            yield from lengths(inner)


def whole_frame_length(fields: tuple[Field, ...]) -> Field | None:
    """The length field that measures the whole frame, if there is one."""
    return next((one for one in lengths(fields) if one.measures == WHOLE_FRAME), None)
