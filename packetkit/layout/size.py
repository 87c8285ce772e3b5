"""How long a frame can be: its shortest and longest form, every length it can have, and its useful bits.

Padding depends on where it starts, so sizes are not added up but walked. The longest frame is the one with everything there, since
whatever starts later never ends earlier; of variants the longest, and octets of an unknown one do not count.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from packetkit.layout.model import (
    Carried,
    Choice,
    Continued,
    Fill,
    Layout,
    Measured,
    Node,
    Optional,
    Repeat,
    Run,
    bodies,
    slots_of,
    walk,
)
from packetkit.layout.slots import Slot

# Beyond so many different lengths a frame's lengths count as a whole range: pairs that differ only inside it are not told apart by length.
_MOST_LENGTHS = 4_096


MAXIMUM_BITS = 65_535 * 8  # of a frame, whatever its lengths could say

Starts = dict[
    int, int
]  # where nodes start, by number: a fill may count from a part, or from what is left of one of constant size


def shortest(nodes: tuple[Node, ...], at: int = 0, starts: Starts | None = None) -> int:
    """The bit where nodes that start at `at` end at the earliest: nothing optional, and no element that need not be."""
    starts = {} if starts is None else starts
    for node in nodes:
        starts[node.number] = at
        if isinstance(node, Run):
            at += node.size_bits
        elif isinstance(node, Fill):
            at += -(at - starts.get(node.since, 0)) % node.unit_bits
        elif isinstance(node, Continued):
            at += node.sizes[0]
        elif isinstance(node, Repeat):
            at = _elements(node, at, node.least, starts, everything=False)
        elif isinstance(node, Measured):
            at = shortest(node.body, at, starts)
        elif isinstance(node, Choice) and node.unknown is None:
            at = min(shortest(branch.body, at, starts) for branch in node.branches)
    return at


def longest(nodes: tuple[Node, ...], at: int = 0, starts: Starts | None = None) -> int:
    """The bit where nodes that start at `at` end at the latest: everything there. A repeat that nothing bounds counts as empty."""
    starts = {} if starts is None else starts
    for node in nodes:
        starts[node.number] = at
        if isinstance(node, Run):
            at += node.size_bits
        elif isinstance(node, Fill):
            at += -(at - starts.get(node.since, 0)) % node.unit_bits
        elif isinstance(node, Continued):
            at += node.slot.width
        elif isinstance(node, Optional):
            at = longest(node.body, at, starts)
        elif isinstance(node, Measured):
            at = min(longest(node.body, at, starts), at + node.maximum_bits)
        elif isinstance(node, Choice):
            known = max(longest(branch.body, at, starts) for branch in node.branches)
            at = (
                known if node.unknown is None else max(known, at + 8)
            )  # octets that no variant has may be one
        else:
            at = _elements(node, at, node.maximum or 0, starts, everything=True)
    return at


def _elements(node: Repeat, at: int, count: int, starts: Starts, *, everything: bool) -> int:
    """Where so many elements end. What an element takes depends on nothing but where it starts in a 64-bit word."""
    if node.minimum_bits == node.maximum_bits:
        return at + count * node.minimum_bits
    return after_elements(
        at, count, lambda at: (longest if everything else shortest)(node.element, at, starts)
    )


def after_elements(at: int, count: int, end_of: Callable[[int], int]) -> int:
    """The bit where so many elements end, given where one ends; its size hangs on nothing but where it starts in a 64-bit word.

    So starts come round again, and a length of 32 bits may say four thousand million elements without anybody counting them.
    """
    met: dict[
        int, tuple[int, int]
    ] = {}  # where an element starts in its word: how many are left then, and the bit
    while count:
        if at % 64 in met:
            left, before = met[at % 64]
            rounds = count // (left - count)
            at += rounds * (at - before)
            count -= rounds * (left - count)
            met = {}
            if not count:
                break
        met[at % 64] = (count, at)
        at = end_of(at)
        count -= 1
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
            if node.since >= 0:
                return None  # where its part starts is not followed here
            sizes = frozenset(-(-size // node.unit_bits) * node.unit_bits for size in sizes)
        elif isinstance(node, Continued):
            sizes = frozenset(size + more for size in sizes for more in node.sizes)
        elif isinstance(node, Optional):
            inside = _sizes(node.body, sizes, work)
            sizes = None if inside is None else sizes | inside
        elif isinstance(node, Measured):
            sizes = _sizes(node.body, sizes, work)
        elif isinstance(node, Choice):
            sizes = _chosen(node, sizes, work)
        else:
            sizes = _repeated(node, sizes, work)
    return sizes


def _chosen(node: Choice, before: frozenset[int], work: _Work) -> frozenset[int] | None:
    """After each of the branches; octets of an unknown one are of any number."""
    if node.unknown is not None:
        return None
    found: frozenset[int] = frozenset()
    for branch in node.branches:
        inside = _sizes(branch.body, before, work)
        if inside is None:
            return None
        found |= inside
    return found


def _repeated(node: Repeat, before: frozenset[int], work: _Work) -> frozenset[int] | None:
    if node.count is not None and node.is_fixed:
        return frozenset(size + node.count * node.minimum_bits for size in before)
    most = node.count if node.count is not None else node.maximum
    if most is None or most > _MOST_LENGTHS:
        return None
    step: frozenset[int] | None = before
    found = frozenset() if node.least else before
    for number in range(1, most + 1):
        step = _sizes(node.element, step or frozenset(), work)
        if step is None or work.ends(len(found)):
            return None
        if node.count in (None, number):
            found |= step
    return found


def useful_bits(
    nodes: tuple[Node, ...], elements: int | None = None, carried: tuple[Carried, ...] = ()
) -> int | None:
    """Bits of value fields at the longest (WIRE.md 21); where frames are carried, of what is in them.

    elements: how many a repeat has that only the frame's length bounds; None where that is not known, and then the answer is None too.
    """
    if elements is None and any(True for _ in _unbounded(nodes)):
        return None
    found = times(nodes, elements=elements or 0)
    slots = (slot for node in walk(nodes) for slot in slots_of(node))
    return sum(found.get(slot.number, 0) * slot.width for slot in slots if is_useful(slot, carried))


def is_useful(slot: Slot, carried: tuple[Carried, ...]) -> bool:
    """Whether a slot's bits are useful ones: a value's, and in an envelope those of the frame that it carries."""
    return slot.is_value and (not carried or any(one.holds(slot) for one in carried))


def times(nodes: tuple[Node, ...], *, longest_form: bool = True, elements: int = 0) -> dict[int, int]:
    """How often each slot, by its number, stands in the longest (or the shortest) form of these nodes.

    Of variants the longest counts. Where a length allows less than all at their most, what comes last has less of it.
    elements: how many a repeat has that only the frame's length bounds.
    """
    found: dict[int, int] = {}
    if longest_form:
        _count(nodes, 1, found, elements, _Left(max(0, longest(nodes) - MAXIMUM_BITS)))
    else:
        _count_least(nodes, 1, found)
    return found


@dataclass(slots=True)
class _Left:
    """Bits that must still be left out, so that a measured part is as long as its length can say."""

    excess: int


def _count(nodes: tuple[Node, ...], each: int, found: dict[int, int], elements: int, left: _Left) -> None:
    """Count what stands in the longest form, the last node first: that is where less of it stands."""
    for node in reversed(nodes):
        for slot in slots_of(node):
            found[slot.number] = each
        if isinstance(node, Measured):
            within = _Left(max(0, longest(node.body) - node.maximum_bits) + left.excess)
            _count(node.body, each, found, elements, within)
            left.excess = min(left.excess, within.excess)
        elif isinstance(node, Optional):
            _count(node.body, each, found, elements, left)
        elif isinstance(node, Choice):
            _count(max((one.body for one in node.branches), key=longest), each, found, elements, left)
        elif isinstance(node, Repeat) and node.count is not None:
            share = -(-left.excess // max(1, node.count))  # each element leaves out its share
            within = _Left(share)
            _count(node.element, each * node.count, found, elements, within)
            left.excess = max(0, left.excess - (share - within.excess) * node.count)
        elif isinstance(node, Repeat):
            most = elements if node.maximum is None else node.maximum
            fewer = min(most, -(-left.excess // max(1, node.maximum_bits)))
            spare = max(0, fewer * node.maximum_bits - left.excess)
            left.excess = max(0, left.excess - fewer * node.maximum_bits)
            _count(node.element, each * (most - fewer), found, elements, _Left(0))
            _count_rest(node, each, spare, found, elements)


def _count_rest(node: Repeat, each: int, spare: int, found: dict[int, int], elements: int) -> None:
    """Count one more element, in the bits that are spare behind whole ones: as long as it then may be, else at its least."""
    if spare < max(1, node.minimum_bits):
        return
    part: dict[int, int] = {}
    within = _Left(node.maximum_bits - spare)
    _count(node.element, each, part, elements, within)
    if within.excess:
        part.clear()
        _count_least(node.element, each, part)
    for number, times_more in part.items():
        found[number] = found.get(number, 0) + times_more


def _count_least(nodes: tuple[Node, ...], each: int, found: dict[int, int]) -> None:
    for node in nodes:
        for slot in slots_of(node):
            found[slot.number] = each
        if isinstance(node, Measured):
            _count_least(node.body, each, found)
        elif isinstance(node, Choice) and node.unknown is None:
            _count_least(min((one.body for one in node.branches), key=shortest), each, found)
        elif isinstance(node, Repeat):
            _count_least(node.element, each * node.least, found)


def unbounded(layout: Layout) -> Iterator[Repeat]:
    """The repeats that only the frame's length bounds; an unknown variant's octets are not among them."""
    return _unbounded(layout.nodes)


def _unbounded(nodes: tuple[Node, ...]) -> Iterator[Repeat]:
    for node in nodes:
        if isinstance(node, Repeat) and node.maximum is None:
            yield node
        inner = [branch.body for branch in node.branches] if isinstance(node, Choice) else bodies(node)
        for body in inner:
            yield from _unbounded(body)


def bytes_within(layout: Layout, limit_bytes: int) -> tuple[int, int]:
    """The longest frame of at most limit_bytes, in bytes, and the elements of the repeat to the end that it holds.

    For frames that only their length bounds, with elements at their longest. Where not even the shortest fits: the shortest, no element.
    """
    repeat = next(unbounded(layout))
    most = max((limit_bytes * 8 - layout.minimum_bits) // repeat.maximum_bits, 0)
    return -(-(layout.minimum_bits + most * repeat.maximum_bits) // 8), most
