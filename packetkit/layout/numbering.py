"""Numbers without gaps: slots counted from 0 on, once it is known which of them there are, and whatever refers to one by its new number."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from packetkit.layout.model import (
    Choice,
    Continued,
    Fill,
    Node,
    Optional,
    Repeat,
    Run,
    bodies,
    slots_of,
    walk,
    with_bodies,
)
from packetkit.layout.slots import Check, Chosen, Slot


def _moved(one: Node, moved: Mapping[int, int]) -> Node:
    """The node with what stands behind it only sometimes told by the new numbers."""
    if not isinstance(one, (Repeat, Optional)) or not one.trailers:
        return one
    told = (tuple((moved[by], codes) for by, codes in each.told) for each in one.trailers)
    trailers = tuple(replace(each, told=new) for each, new in zip(one.trailers, told, strict=True))
    return replace(one, trailers=trailers)


def renumbered(nodes: tuple[Node, ...]) -> tuple[tuple[Node, ...], dict[int, int]]:
    """The nodes with slots numbered from 0 on, and the new number of each; octets that could not be told left a gap."""
    old = sorted(slot.number for node in walk(nodes) for slot in slots_of(node))
    moved = {number: at for at, number in enumerate(old)}
    if all(number == at for number, at in moved.items()):
        return nodes, moved

    def slot(one: Slot) -> Slot:
        check = one.check
        if check is not None and not check.is_plain:
            check = _check_moved(check, moved)
        raises = None if one.raises is None else moved[one.raises]
        valid = one.valid_when and replace(one.valid_when, by=moved[one.valid_when.by])
        scale = one.transform
        if isinstance(scale, Chosen):
            one = replace(one, transform=replace(scale, by=moved[scale.by]))
        return replace(one, number=moved[one.number], raises=raises, check=check, valid_when=valid)

    def node(one: Node) -> Node:
        one = with_bodies(_moved(one, moved), tuple(tuple(map(node, inner)) for inner in bodies(one)))
        if isinstance(one, Run):
            return replace(one, slots=tuple(map(slot, one.slots)))
        if isinstance(one, (Fill, Continued)):
            return replace(one, slot=slot(one.slot))
        if isinstance(one, Repeat):
            factors = tuple(replace(factor, by=moved[factor.by]) for factor in one.factors)
            counted_by = None if one.counted_by is None else moved[one.counted_by]
            own_end = one.own_end and replace(one.own_end, by=moved[one.own_end.by])
            return replace(one, counted_by=counted_by, factors=factors, own_end=own_end)
        if isinstance(one, Choice):
            return replace(one, told_by=tuple(moved[number] for number in one.told_by))
        return one if one.by is None else replace(one, by=moved[one.by])

    return tuple(map(node, nodes)), moved


def _check_moved(check: Check, moved: dict[int, int]) -> Check:
    """A check with the fields that go into it by their new numbers; supplied ones, below zero, keep theirs."""

    def number(one: int | None) -> int | None:
        return None if one is None else moved.get(one, one)

    front = tuple(replace(one, by=number(one.by)) for one in check.front)
    return replace(check, mixed=number(check.mixed), front=front, initial=number(check.initial))
