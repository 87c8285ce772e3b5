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
        if (target is None and by.measures != WHOLE_FRAME) or by.repeat or by.present_when:
            continue  # it measures nothing, or cannot be optional itself, and that is noted
        behind = target is not None and place[id(target)] < place[id(by)]
        fault = _astray(
            by, target, above[id(by)], len(above[id(target)]) if target is not None else 0, behind=behind
        )
        if fault is not None:
            r.whole = r.placed = False
            r.note(by.places["measures"], "length-astray", r.full(by.name), *fault)


def _astray(
    by: Field, target: Field | None, around: tuple[Field, ...], shared: int, *, behind: bool
) -> tuple[str, str] | None:
    """Why a length cannot stand where it does, and the remedy; None where it can.

    target: what it measures, None: the frame. around: the groups that it stands in, `shared` of them around its target too.
    """
    inside = target in around
    what = "the frame" if target is None else target.name
    if by.coding is not None and (inside or target is None):
        text = f"has as many octets as it needs, and {what} holds them"
        other = f"Leave coding out, or put what follows it into a group{' of its own' if inside else ''}, and measure that."
        return text, other
    if target is not None and behind and not inside:
        return (
            f"stands behind {target.name}, which could not be read before it",
            f"Put it before {target.name}.",
        )
    passed = [one for one in around[shared:] if not (one is target and _always_one(one))]
    unsure = next((one for one in passed if not _always(one)), None)
    if unsure is None:
        return None
    if unsure is target:
        remedy = f"Put what follows it in {what} into a group of its own, and measure that."
        return f"is one size for {what}, which {_why(unsure)}", remedy
    remedy = f"Put it outside of {unsure.name}"
    remedy += ", among the frame's own fields." if target is None else f", before {what}."
    return f"{what} can be there without it: {unsure.name} {_why(unsure)}", remedy


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
        if one.measures == one.name:
            text, remedy = "it would measure itself", "Name what it measures, or whole_frame."
        elif others:
            text, remedy = f"{others[0]} measures {one.measures} already", "Leave one of them out."
        elif near == one.measures:
            holder = next(other.name for other in _all(fields) if near in _members(other))
            text, remedy = f"{near} stands inside {holder}", f"Put {one.name} into {holder}, before {near}."
        r.note(one.places["measures"], "length-unknown", r.full(one.name), text, remedy)


def _names(fields: tuple[Field, ...]) -> list[str]:
    """The names of all fields that a length could measure."""
    inner = [group for one in fields for group in (one.fields, *(variant.fields for variant in one.variants))]
    own = [one.name for one in fields if one.kind not in ("length", "count", "check", "reserved")]
    return own + [name for group in inner for name in _names(group)]


def _members(one: Field) -> list[str]:
    """The names of what stands directly in a field."""
    return [inner.name for group in groups_in(one) for inner in group]


def _all(fields: tuple[Field, ...]) -> Iterator[Field]:
    """Every field, wherever it stands."""
    for one in fields:
        yield one
        for inner in groups_in(one):
            yield from _all(inner)


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
