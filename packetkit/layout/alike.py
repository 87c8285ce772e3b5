"""How a mission's frames are told apart, proved when the schema is loaded (WIRE.md 14).

Two frames differ where a constant or a tag at the same bits cannot be the same, or where no length is possible for both. What is proved
for each pair makes `matches` decide for all: at most one frame of a mission matches a string of bytes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from packetkit.layout.model import Fill, Layout, Node, Optional, Packing, Range, Repeat, Run, Slot

# Beyond so many different lengths a frame's lengths count as a whole range: pairs that differ only inside it are not told apart by length.
_MOST_LENGTHS = 4_096


@dataclass(frozen=True, slots=True)
class Marker:
    """A constant, sync or tag at a constant place: `bits` are its wire bits (octet*8, most significant first), highest first."""

    address: str
    bits: tuple[int, ...]
    codes: tuple[Range, ...]

    def code_in(self, data: bytes) -> int:
        """The code that stands there. data holds at least all its bits."""
        code = 0
        for bit in self.bits:
            code = code << 1 | (data[bit >> 3] >> (7 - (bit & 7))) & 1
        return code

    def agrees(self, data: bytes) -> bool:
        """True where data holds one of the codes, or ends before it."""
        return max(self.bits) >= len(data) * 8 or any(self.code_in(data) in codes for codes in self.codes)


def markers(layout: Layout) -> tuple[Marker, ...]:
    """The frame's constants, sync markers and tags whose place is constant."""
    return tuple(
        Marker(slot.address, wire_bits(run, slot), slot.codes)
        for run in layout.nodes
        if isinstance(run, Run) and run.at is not None
        for slot in run.slots
        if slot.kind in ("constant", "sync", "tag")
    )


def wire_bits(run: Run, slot: Slot) -> tuple[int, ...]:
    """Where a slot's bits are, the most significant of its raw code first; counted from the frame's start, or the run's where that varies.

    Bit b is in octet b//8, at 7 - b%8.
    """
    base = run.at or 0
    places = [_wire_bit(run.packing, base, slot.offset_bits + i) for i in range(slot.width)]
    if run.packing is Packing.LEAST:
        places.reverse()
    if slot.octets_reversed:
        places = [place for at in range(slot.width - 8, -1, -8) for place in places[at : at + 8]]
    return tuple(reversed(places)) if slot.bits_reversed else tuple(places)


def _wire_bit(packing: Packing, base: int, bit: int) -> int:
    if packing is Packing.MOST:
        return base + bit
    octet, inside = divmod(bit, 8)
    if packing is Packing.LEAST:
        return base + octet * 8 + 7 - inside
    word = (packing.word_bits or 8) // 8
    return base + (octet // word * word + word - 1 - octet % word) * 8 + inside


def lengths(layout: Layout) -> range | frozenset[int]:
    """The lengths in bytes that a frame can have: exactly, or as a range where there are very many."""
    most = 65_535 if layout.maximum_bytes is None else layout.maximum_bytes
    whole = range(layout.minimum_bits // 8, most + 1)
    sizes = None if layout.maximum_bits is None else _sizes(layout.nodes, frozenset({0}))
    return whole if sizes is None else frozenset(-(-size // 8) for size in sizes)


def _sizes(nodes: tuple[Node, ...], before: frozenset[int]) -> frozenset[int] | None:
    """All positions in bits that can follow `before`; None where they are too many to list."""
    sizes: frozenset[int] | None = before
    for node in nodes:
        if sizes is None or len(sizes) > _MOST_LENGTHS:
            return None
        if isinstance(node, Run):
            sizes = frozenset(size + node.size_bits for size in sizes)
        elif isinstance(node, Fill):
            sizes = frozenset(-(-size // node.unit_bits) * node.unit_bits for size in sizes)
        elif isinstance(node, Optional):
            inside = _sizes(node.body, sizes)
            sizes = None if inside is None else sizes | inside
        else:
            sizes = _repeated(node, sizes)
    return sizes


def _repeated(node: Repeat, before: frozenset[int]) -> frozenset[int] | None:
    most = node.count if node.count is not None else node.maximum
    if most is None or most > _MOST_LENGTHS:
        return None
    step: frozenset[int] | None = before
    found = before if node.count is None else frozenset()
    for number in range(1, most + 1):
        step = _sizes(node.element, step or frozenset())
        if step is None or len(found) > _MOST_LENGTHS:
            return None
        if node.count in (None, number):
            found |= step
    return found


def differ(first: Layout, second: Layout) -> bool:
    """True where no bytes can be taken for both frames."""
    mine, theirs = markers(first), markers(second)
    if _constant_bits(mine).keys() and _differ_in_bits(mine, theirs):
        return True
    for one in mine:
        for other in theirs:
            if one.bits == other.bits and not any(
                a.low <= b.high and b.low <= a.high for a in one.codes for b in other.codes
            ):
                return True
    a, b = lengths(first), lengths(second)
    if isinstance(a, range) and isinstance(b, range):
        return a.stop <= b.start or b.stop <= a.start
    return not any(length in b for length in a)


def _constant_bits(marked: tuple[Marker, ...]) -> dict[int, int]:
    """Wire bit to its constant value, for the markers that have one code."""
    return dict(
        pair
        for marker in marked
        if len(marker.codes) == 1 and marker.codes[0].low == marker.codes[0].high
        for pair in _bits_of(marker)
    )


def _bits_of(marker: Marker) -> Iterator[tuple[int, int]]:
    code = marker.codes[0].low
    for place, bit in enumerate(marker.bits):
        yield bit, code >> (len(marker.bits) - 1 - place) & 1


def _differ_in_bits(mine: tuple[Marker, ...], theirs: tuple[Marker, ...]) -> bool:
    first, second = _constant_bits(mine), _constant_bits(theirs)
    return any(first[bit] != second[bit] for bit in first.keys() & second.keys())
