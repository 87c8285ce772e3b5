"""A layout as C has it: a bundle is the slots that it is made of, a first code and an array of differences; a number that goes on from
octet to octet is the number itself.

Slots that this makes are numbered behind all others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import count

from packetkit.layout.bundle import opened
from packetkit.layout.model import (
    Branch,
    Choice,
    Continued,
    Layout,
    Node,
    Optional,
    Repeat,
    Run,
    Trailer,
    bodies,
    with_bodies,
)
from packetkit.layout.numbered import numbered, numbers_of
from packetkit.layout.slots import Slot


def without_bundles(layout: Layout) -> Layout:
    """Return the layout with bundles opened; the same one where it has none."""
    if all(slot.kind != "bundle" for slot in layout.slots):
        return layout
    numbers, found = count(len(layout.slots)), dict[int, tuple[Slot, ...]]()
    for slot in layout.slots:
        if slot.kind == "bundle":
            first, *steps = opened(slot)
            found[slot.number] = (first, *(replace(one, number=next(numbers)) for one in steps))
    nodes = tuple(_opened(node, found) for node in layout.nodes)
    slots = [found.get(slot.number, (slot,))[0] for slot in layout.slots]
    slots += [step for _, *steps in found.values() for step in steps]
    return replace(layout, nodes=nodes, slots=tuple(slots))


def _opened(node: Node, found: dict[int, tuple[Slot, ...]]) -> Node:
    if isinstance(node, Run):
        return replace(
            node, slots=tuple(one for slot in node.slots for one in found.get(slot.number, (slot,)))
        )
    return with_bodies(node, tuple(tuple(_opened(one, found) for one in body) for body in bodies(node)))


def with_numbers(layout: Layout) -> Layout:
    """Return the layout with numbers that go on in plain binary; the same one where it has none."""
    if not any(slot.is_continued for slot in layout.slots):
        return layout
    nodes = tuple(_numbered(node, layout.slots) for node in layout.nodes)
    return replace(layout, nodes=nodes, slots=tuple(map(numbered, layout.slots)))


def sizes_of(layout: Layout) -> dict[int, tuple[int, ...]]:
    """Return the bits that each number of varying size can have, by its slot, as it was declared."""
    return {node.slot.number: node.sizes for node in layout.walk() if isinstance(node, Continued)}


def _numbered(node: Node, slots: Sequence[Slot]) -> Node:
    """A node with numbers instead of raw codes, also where such a number tells of it."""
    if isinstance(node, Continued):
        return replace(node, slot=numbered(node.slot))
    inner = tuple(tuple(_numbered(one, slots) for one in body) for body in bodies(node))
    node = with_bodies(node, inner)
    if isinstance(node, Optional) and node.by is not None and node.by >= 0:
        node = replace(node, codes=numbers_of(slots[node.by], node.codes))
    if isinstance(node, Choice):
        node = replace(node, branches=tuple(_branch(node, branch, slots) for branch in node.branches))
    if isinstance(node, (Optional, Repeat)) and node.trailers:
        node = replace(node, trailers=tuple(_trailer(one, slots) for one in node.trailers))
    return node


def _branch(node: Choice, branch: Branch, slots: Sequence[Slot]) -> Branch:
    told = zip(node.told_by, branch.codes, strict=bool(node.told_by))
    codes = tuple(numbers_of(slots[by], codes) if by >= 0 else codes for by, codes in told)
    return replace(branch, codes=codes if node.told_by else branch.codes)


def _trailer(one: Trailer, slots: Sequence[Slot]) -> Trailer:
    return replace(
        one, told=tuple((by, numbers_of(slots[by], codes) if by >= 0 else codes) for by, codes in one.told)
    )
