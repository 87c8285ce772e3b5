"""Measured parts of constant size, opened up: their lengths are constants then, and every back end has them for nothing.

Variants told by fields never count as constant, as another variant may come.
"""

from __future__ import annotations

from dataclasses import replace

from packetkit.layout.model import (
    Choice,
    Continued,
    Fill,
    Measured,
    Node,
    Repeat,
    Run,
    bodies,
    walk,
    with_bodies,
)
from packetkit.layout.slots import Mark, Range, Slot


def without_fixed_parts(nodes: tuple[Node, ...]) -> tuple[tuple[Node, ...], dict[int, int]]:
    """The nodes with measured parts of constant size opened up, and the code that each of their length slots always has."""
    codes: dict[int, int] = {}
    moved: dict[int, int] = {}
    # Lengths that need as many octets as they are large are left as they are.
    going_on = {node.slot.number for node in walk(nodes) if isinstance(node, Continued)}

    def opened(inner: tuple[Node, ...]) -> tuple[Node, ...]:
        made: list[Node] = []
        for node in inner:
            node = with_bodies(node, tuple(map(opened, bodies(node))))
            if isinstance(node, Measured) and node.by not in going_on and _never_varies(node):
                codes[node.by] = node.number_of(node.minimum_bits)[0]
                moved[node.number] = node.body[0].number
                made += node.body
            else:
                made.append(node)
        return tuple(made)

    flat = opened(nodes)
    return (_remarked(flat, codes, moved), codes) if codes else (nodes, codes)


def _never_varies(node: Measured) -> bool:
    """Whether a part has the same size in every frame: by its fields, not because variants, or fill after options, happen to."""
    return node.minimum_bits == node.maximum_bits and all(map(_is_always_so, walk(node.body)))


def _is_always_so(node: Node) -> bool:
    """Whether nothing in a frame decides what a node is made of."""
    if isinstance(node, Choice):
        return not node.told_by
    return isinstance(node, (Run, Measured, Fill)) or (isinstance(node, Repeat) and node.is_fixed)


def _remarked(nodes: tuple[Node, ...], codes: dict[int, int], moved: dict[int, int]) -> tuple[Node, ...]:
    """The nodes with marks at parts that are gone moved to what stood first in them, and their lengths made constants."""

    def mark(one: Mark) -> Mark:
        while one.node in moved:
            one = replace(one, node=moved[one.node])
        return one

    def slot(one: Slot) -> Slot:
        if one.number in codes:
            return replace(one, codes=(Range(codes[one.number], codes[one.number]),))
        if one.check is None:
            return one
        return replace(
            one, check=replace(one.check, spans=tuple((mark(a), mark(b)) for a, b in one.check.spans))
        )

    made: list[Node] = []
    for node in nodes:
        if isinstance(node, Run):
            node = replace(node, slots=tuple(map(slot, node.slots)))
        elif isinstance(node, Fill) and node.since in moved:
            node = replace(node, since=moved[node.since])
        made.append(with_bodies(node, tuple(_remarked(inner, codes, moved) for inner in bodies(node))))
    return tuple(made)
