"""How long a frame can be: its shortest and longest form, every length it can have, and its useful bits.

Padding depends on where it starts, so sizes are not added up but walked. The longest frame is the one with everything there, since
whatever starts later never ends earlier.
"""

from __future__ import annotations

from dataclasses import dataclass

from packetkit.layout.model import Fill, Layout, Node, Optional, Repeat, Run

# Beyond so many different lengths a frame's lengths count as a whole range: pairs that differ only inside it are not told apart by length.
_MOST_LENGTHS = 4_096


def shortest(nodes: tuple[Node, ...], at: int = 0) -> int:
    """The bit where nodes that start at `at` end at the earliest: nothing optional, and no element that need not be."""
    for node in nodes:
        if isinstance(node, Run):
            at += node.size_bits
        elif isinstance(node, Fill):
            at = _filled(node, at)
        elif isinstance(node, Repeat):
            at = _elements(node, at, node.count or 0, everything=False)
    return at


def longest(nodes: tuple[Node, ...], at: int = 0) -> int:
    """The bit where nodes that start at `at` end at the latest: everything there. A repeat that nothing bounds counts as empty."""
    for node in nodes:
        if isinstance(node, Run):
            at += node.size_bits
        elif isinstance(node, Fill):
            at = _filled(node, at)
        elif isinstance(node, Optional):
            at = longest(node.body, at)
        else:
            at = _elements(node, at, node.maximum or 0, everything=True)
    return at


def _filled(node: Fill, at: int) -> int:
    return -(-at // node.unit_bits) * node.unit_bits


def _elements(node: Repeat, at: int, count: int, *, everything: bool) -> int:
    """Where so many elements end. What an element takes depends on nothing but where it starts in a 32-bit word."""
    if node.minimum_bits == node.maximum_bits:
        return at + count * node.minimum_bits
    sizes: dict[int, int] = {}
    for _ in range(count):
        if at % 32 not in sizes:
            sizes[at % 32] = (longest if everything else shortest)(node.element, at) - at
        at += sizes[at % 32]
    return at


def lengths(layout: Layout) -> range | frozenset[int]:
    """The lengths in bytes that a frame can have: exactly, or as a range where there are very many."""
    most = 65_535 if layout.maximum_bytes is None else layout.maximum_bytes
    whole = range(layout.minimum_bits // 8, most + 1)
    sizes = None if layout.maximum_bits is None else _sizes(layout.nodes, frozenset({0}), _Work())
    return whole if sizes is None else frozenset(-(-size // 8) for size in sizes)


@dataclass(slots=True)
class _Work:
    """How many positions may still be looked at for one frame: repeats in repeats multiply."""

    left: int = 25 * _MOST_LENGTHS

    def ends(self, positions: int) -> bool:
        self.left -= positions
        return self.left < 0 or positions > _MOST_LENGTHS


def _sizes(nodes: tuple[Node, ...], before: frozenset[int], work: _Work) -> frozenset[int] | None:
    """All positions in bits that can follow `before`; None where they are too many to list."""
    sizes: frozenset[int] | None = before
    for node in nodes:
        if sizes is None or work.ends(len(sizes)):
            return None
        if isinstance(node, Run):
            sizes = frozenset(size + node.size_bits for size in sizes)
        elif isinstance(node, Fill):
            sizes = frozenset(-(-size // node.unit_bits) * node.unit_bits for size in sizes)
        elif isinstance(node, Optional):
            inside = _sizes(node.body, sizes, work)
            sizes = None if inside is None else sizes | inside
        else:
            sizes = _repeated(node, sizes, work)
    return sizes


def _repeated(node: Repeat, before: frozenset[int], work: _Work) -> frozenset[int] | None:
    if node.count is not None and node.is_fixed:
        return frozenset(size + node.count * node.minimum_bits for size in before)
    most = node.count if node.count is not None else node.maximum
    if most is None or most > _MOST_LENGTHS:
        return None
    step: frozenset[int] | None = before
    found = before if node.count is None else frozenset()
    for number in range(1, most + 1):
        step = _sizes(node.element, step or frozenset(), work)
        if step is None or work.ends(len(found)):
            return None
        if node.count in (None, number):
            found |= step
    return found


def useful_bits(nodes: tuple[Node, ...], elements: int | None = None) -> int | None:
    """Bits of value fields at the longest (WIRE.md 21).

    elements: how many a repeat has that only the frame's length bounds; None where that is not known, and then the answer is None too.
    """
    total = 0
    for node in nodes:
        if isinstance(node, Run):
            total += sum(slot.width for slot in node.slots if slot.is_value)
        elif isinstance(node, Repeat):
            most = elements if node.maximum is None else node.maximum
            inner = useful_bits(node.element, elements)
            if most is None or inner is None:
                return None
            total += inner * most
        elif isinstance(node, Optional):
            total += useful_bits(node.body, elements) or 0
    return total


def bytes_within(layout: Layout, limit_bytes: int) -> tuple[int, int]:
    """The longest frame of at most limit_bytes, in bytes, and the elements of the repeat to the end that it holds.

    For frames that only their length bounds. Where not even the shortest fits: the shortest, and no element.
    """
    repeat = next(node for node in layout.nodes if isinstance(node, Repeat) and node.maximum is None)
    most = max((limit_bytes * 8 - layout.minimum_bits) // repeat.minimum_bits, 0)
    return -(-(layout.minimum_bits + most * repeat.minimum_bits) // 8), most
