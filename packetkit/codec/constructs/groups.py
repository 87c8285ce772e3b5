"""A frame as construct sees it: a tree of groups, each with the packing of its own slots.

What is in a repeat, or in an optional, is a tree of its own (`container_of`). A group without slots of its own goes with what is in it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby

from packetkit.layout.model import Fill, Layout, Node, Optional, Repeat, Run, walk
from packetkit.layout.slots import Packing, Slot


@dataclass(frozen=True, slots=True, eq=False)
class Leaf:
    """A slot, a fill, a repeat, an optional, or a run without slots (a mark). first: its node starts with it."""

    key: str
    node: Node
    slot: Slot | None
    first: bool

    @property
    def is_value(self) -> bool:
        """Whether it is part of a plain record: what repeats or may be absent always is."""
        if isinstance(self.node, (Repeat, Optional)):
            return True
        return isinstance(self.node, Run) and self.slot is not None and self.slot.is_value


@dataclass(frozen=True, slots=True, eq=False)
class Group:
    """A mapping of the record: its members in wire order, and the packing that its own slots have."""

    key: str
    address: str
    members: tuple[Leaf | Group, ...]
    packing: Packing

    @property
    def is_value(self) -> bool:
        return any(member.is_value for member in self.members)


def container_of(of: Layout | Repeat | Optional, outer: Packing) -> Group:
    """The mapping that a frame is, or an element of a repeat, or the body of an optional."""
    if isinstance(of, Layout):
        address, nodes = "", of.nodes
    else:
        address, nodes = of.address + ("[]" if isinstance(of, Repeat) else ""), inner(of)
    return _group("", address, [entry for node in nodes for entry in _entries(node)], outer)


def _entries(node: Node) -> Iterator[tuple[tuple[str, ...], Leaf]]:
    """The leaves of a node with their paths."""
    if isinstance(node, Run):
        for slot in node.slots:
            yield slot.path, Leaf(slot.path[-1] if slot.path else "", node, slot, slot is node.slots[0])
        if not node.slots:
            yield ("",), Leaf("", node, None, True)
    elif isinstance(node, Fill):
        yield node.slot.path, Leaf(node.slot.path[-1], node, node.slot, True)
    elif isinstance(node, (Repeat, Optional)):
        yield node.path, Leaf(node.path[-1] if node.path else "", node, None, True)


def _group(key: str, address: str, entries: list[tuple[tuple[str, ...], Leaf]], outer: Packing) -> Group:
    """Entries gathered by the first key of their paths; what is left of a path leads on into a group."""
    members: list[Leaf | Group] = []
    for (keys, is_leaf), same in groupby(entries, lambda entry: (entry[0][:1], len(entry[0]) < 2)):
        if is_leaf:
            members += [leaf for _, leaf in same]
        else:
            inside = f"{address}.{keys[0]}" if address else keys[0]
            members.append(_group(keys[0], inside, [(path[1:], leaf) for path, leaf in same], outer))
    own = own_packings(members)
    inner = packings(members)
    # Without slots of its own, a group goes with what is in it where that is of one kind, else with what is around it.
    return Group(key, address, tuple(members), own[0] if own else inner.pop() if len(inner) == 1 else outer)


def own_packings(members: Iterable[Leaf | Group]) -> list[Packing]:
    """How a group's own slots are packed, or where it has none its own fill."""
    members = list(members)
    fills = [one.node for one in members if isinstance(one, Leaf) and isinstance(one.node, Fill)]
    return [run.packing for run in own_runs(members)] or [fill.packing for fill in fills]


def own_runs(members: Iterable[Leaf | Group]) -> Iterator[Run]:
    """The runs of a group's own slots."""
    for one in members:
        if isinstance(one, Leaf) and one.slot is not None and isinstance(one.node, Run):
            yield one.node


def runs(members: Iterable[Leaf | Group]) -> Iterator[Run]:
    """The runs with slots anywhere in a group."""
    for leaf in leaves(members):
        nodes = inner(leaf.node) if isinstance(leaf.node, (Repeat, Optional)) else (leaf.node,)
        yield from (node for node in walk(nodes) if isinstance(node, Run) and node.slots)


def packings(members: Iterable[Leaf | Group]) -> set[Packing]:
    """How the slots and fills anywhere in a group are packed."""
    found = set()
    for leaf in leaves(members):
        nodes = inner(leaf.node) if isinstance(leaf.node, (Repeat, Optional)) else (leaf.node,)
        found |= {
            node.packing
            for node in walk(nodes)
            if isinstance(node, Fill) or (isinstance(node, Run) and node.slots)
        }
    return found


def leaves(members: Iterable[Leaf | Group]) -> Iterator[Leaf]:
    """The leaves of a group and the groups in it, in wire order; repeats and optionals stay whole."""
    for member in members:
        if isinstance(member, Group):
            yield from leaves(member.members)
        else:
            yield member


def inner(node: Repeat | Optional) -> tuple[Node, ...]:
    return node.element if isinstance(node, Repeat) else node.body


def size_bits(group: Group) -> int | None:
    """The size of a group where it is always the same."""
    total = 0
    for leaf in leaves(group.members):
        if isinstance(leaf.node, Run):
            total += leaf.slot.width if leaf.slot else 0
        elif isinstance(leaf.node, Repeat) and leaf.node.is_fixed:
            total += (leaf.node.count or 0) * leaf.node.minimum_bits
        else:
            return None
    return total
