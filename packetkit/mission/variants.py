"""The frames of a mission as they would be if one thing in the schema were different: what a diagnosis tries.

A variant is the declared schema with that one thing changed, resolved again by the same rules; one that no rule allows is none.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

from packetkit.errors import Position
from packetkit.layout.model import Layout, Run
from packetkit.layout.resolve import resolve
from packetkit.layout.slots import Range, Slot
from packetkit.mission.load import Mission
from packetkit.schema import model
from packetkit.schema.model import Place

Layouts = Mapping[str, Layout]


class _Anywhere(dict[str, Place]):
    """Where keys stand, and for those that stand nowhere the first line."""

    def __missing__(self, key: str) -> Place:
        return Place(Position(1, 1))


_Change = Callable[[model.Field], "model.Field | None"]

MOST, LEAST = "most_significant_first", "least_significant_first"
SUMS_IN_FRONT = ("everything_before", "whole_frame")


def packing_turned(mission: Mission) -> Layouts | None:
    """Return the frames packed from the other end of each octet."""

    def turned(packing: str | None) -> str:
        return MOST if packing == LEAST else LEAST

    def field(one: model.Field) -> model.Field:
        return replace(one, packing=turned(one.packing)) if one.packing else one

    return _resolved(mission, field, lambda frame: replace(frame, packing=turned(frame.packing)))


def order_turned(mission: Mission) -> Layouts | None:
    """Return the frames with the octets of their numbers in the opposite order, those of checks too."""

    def turned(order: str | None) -> str:
        return "big" if order == "little" else "little"

    def field(one: model.Field) -> model.Field | None:
        if one.order:
            return replace(one, order=turned(one.order))
        has_octets = one.bits is not None and one.bits > 8 and one.bits % 8 == 0
        return (
            replace(one, order="little") if one.kind in ("number", "float", "states") and has_octets else one
        )

    return _resolved(mission, field, lambda frame: frame)


def checks_turned(mission: Mission) -> Layouts | None:
    """Return the frames with each check's octets stored in the opposite order."""

    def field(one: model.Field) -> model.Field | None:
        if one.kind != "check" or one.stored == "bits_reversed":
            return one
        stored = "high_octet_first" if one.stored == "low_octet_first" else "low_octet_first"
        return replace(one, stored=stored)

    return _resolved(mission, field, lambda frame: frame)


def without_sync(mission: Mission) -> Layouts | None:
    """Return the frames as a receiver hands them on that takes the sync marker off; checks still cover it, and need not."""
    return _without_sync(mission, fed=True)


def without_sync_unchecked(mission: Mission) -> Layouts | None:
    """Return the frames without their sync marker, and checks that never covered it."""
    return _without_sync(mission, fed=False)


def _without_sync(mission: Mission, *, fed: bool) -> Layouts | None:
    made: dict[str, Layout] = {}
    for frame in mission.declared.frames:
        front = frame.fields[0] if frame.fields else None
        if front is None or front.kind != "sync" or not front.bits or front.bits % 8 or not front.code:
            return None
        octets = mission.layouts[frame.name].slots[0].codes[0].low.to_bytes(front.bits // 8, "big")

        def field(one: model.Field, octets: bytes = octets) -> model.Field | None:
            if one.kind == "check" and fed and (one.covers or model.Covers()).what in SUMS_IN_FRONT:
                return replace(one, also=(*one.also, *octets))
            return one

        layout, problems = resolve(replace(frame, fields=_changed(frame.fields[1:], field)))
        if layout is None or problems:
            return None
        made[frame.name] = layout
    return made


def signs_turned(mission: Mission, frame: str, path: tuple[str, ...]) -> Layout | None:
    """Return one frame with one of its numbers signed instead of unsigned, or the other way round."""

    def field(one: model.Field, here: tuple[str, ...]) -> model.Field:
        if here == path[: len(here)] and one.fields:
            return replace(one, fields=tuple(field(inner, (*here, inner.name)) for inner in one.fields))
        return replace(one, signed=not one.signed) if here == path else one

    declared = next(one for one in mission.declared.frames if one.name == frame)
    fields = tuple(field(one, (one.name,)) for one in declared.fields)
    layout, problems = resolve(replace(declared, fields=fields))
    return None if problems else layout


def constants_open(layouts: Layouts, kinds: tuple[str, ...] = ("tag", "constant", "sync")) -> Layouts:
    """Return layouts whose constants of some kinds may be anything; bits and checks are the same."""
    return {name: _open(layout, kinds) for name, layout in layouts.items()}


def _open(layout: Layout, kinds: tuple[str, ...]) -> Layout:
    def slot(one: Slot) -> Slot:
        return replace(one, codes=(Range(*one.raw_limits),)) if one.kind in kinds else one

    nodes = tuple(
        replace(node, slots=tuple(map(slot, node.slots))) if isinstance(node, Run) else node
        for node in layout.nodes
    )
    return replace(layout, nodes=nodes, slots=tuple(map(slot, layout.slots)))


def _resolved(
    mission: Mission, field: _Change, frame: Callable[[model.Frame], model.Frame]
) -> Layouts | None:
    made: dict[str, Layout] = {}
    for declared in mission.declared.frames:
        changed = frame(replace(declared, fields=_changed(declared.fields, field)))
        layout, problems = resolve(changed)
        if layout is None or problems:
            return None
        made[declared.name] = layout
    same = all(made[name].fingerprint == layout.fingerprint for name, layout in mission.layouts.items())
    return None if same else made


def _changed(fields: tuple[model.Field, ...], change: _Change) -> tuple[model.Field, ...]:
    return tuple(_each(fields, change))


def _each(fields: tuple[model.Field, ...], change: _Change) -> Iterator[model.Field]:
    for one in fields:
        made = change(one)
        if made is not None and made is not one:
            # A rule that the change breaks points at a key, which the schema need not have.
            made = replace(made, places=_Anywhere(made.places))
        if made is not None:
            yield replace(made, fields=_changed(made.fields, change)) if made.fields else made
