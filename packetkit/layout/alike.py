"""How a mission's frames are told apart, proved when the schema is loaded (WIRE.md 14).

Two frames differ where a constant or a tag at the same bits cannot be the same, or where no length is possible for both. What is proved
for each pair makes `matches` decide for all: at most one frame of a mission matches a string of bytes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from packetkit.layout.model import Layout, Run, flat
from packetkit.layout.size import lengths
from packetkit.layout.slots import Packing, Range, Slot


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
        for run in flat(layout.nodes)
        if isinstance(run, Run) and run.at is not None
        for slot in run.slots
        if slot.codes
    )


def wire_bits(run: Run, slot: Slot) -> tuple[int, ...]:
    """Where a slot's bits are, the most significant of its raw code first; counted from the frame's start, or the run's where that varies.

    Bit b is in octet b//8, at 7 - b%8.
    """
    if slot.pieces:
        parts = (replace(slot, pieces=(), offset_bits=at, width=width) for at, width in slot.pieces)
        return tuple(bit for part in parts for bit in wire_bits(run, part))
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
    if packing is Packing.LEAST:
        # Counted from the frame's start: after an optional part a run may start inside a byte.
        octet, inside = divmod(base + bit, 8)
        return octet * 8 + 7 - inside
    octet, inside = divmod(bit, 8)
    word = (packing.word_bits or 8) // 8
    return base + (octet // word * word + word - 1 - octet % word) * 8 + inside


@dataclass(frozen=True, slots=True)
class Told:
    """What a frame is known by, worked out once: its markers, their constant bits, and its lengths in bytes."""

    markers: tuple[Marker, ...]
    constant: Mapping[int, int]
    lengths: range | frozenset[int]


def told(layout: Layout) -> Told:
    """What tells a frame from others."""
    found = markers(layout)
    return Told(found, _constant_bits(found), lengths(layout))


def differ(first: Told, second: Told) -> bool:
    """True where no bytes can be taken for both frames."""
    if any(
        first.constant[bit] != second.constant[bit] for bit in first.constant.keys() & second.constant.keys()
    ):
        return True
    theirs = {marker.bits: marker for marker in second.markers}
    for one in first.markers:
        other = theirs.get(one.bits)
        if other and not any(a.low <= b.high and b.low <= a.high for a in one.codes for b in other.codes):
            return True
    return shared_length(first, second) is None


def shared_length(first: Told, second: Told) -> int | None:
    """The least length in bytes that both can have, or None."""
    a, b = first.lengths, second.lengths
    if isinstance(a, range) and isinstance(b, range):
        least = max(a.start, b.start)
        return least if least < min(a.stop, b.stop) else None
    if isinstance(a, range):
        a, b = b, a
    return min((length for length in a if length in b), default=None)


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
