"""Bit orders: octets, or whole words, of a stream of bits turned into another order and back."""

from __future__ import annotations

from collections.abc import Callable

from construct import Construct, Restreamed, Transformed
from construct.lib import swapbytes, swapbytesinbits

from packetkit.codec.constructs.groups import Group, size_bits
from packetkit.layout.slots import Packing

_Turn = Callable[[bytes], bytes]


def turn_of(packing: Packing) -> _Turn:
    """The function from bits as MOST has them to bits as a packing has them; it is its own inverse."""
    unit = 8 if packing is Packing.LEAST else packing.word_bits
    if unit is None:
        return lambda bits: bits
    turn: _Turn = swapbytes if packing is Packing.LEAST else swapbytesinbits

    def turned(bits: bytes) -> bytes:
        # What follows a frame in its window need not be whole units; nobody reads that.
        whole = len(bits) - len(bits) % unit
        return b"".join(turn(bits[at : at + unit]) for at in range(0, whole, unit)) + bits[whole:]

    return turned


def turned(made: Construct, outer: Packing, group: Group) -> Construct:
    """A group's construct, its bits in the group's order, in a stream of bits of the order around it."""
    if group.packing is outer:
        return made
    changed = group.packing if outer is Packing.MOST else outer
    turn, size = turn_of(changed), size_bits(group)
    if size is not None:
        return Transformed(made, turn, size, turn, size)
    unit = changed.word_bits or 8
    return Restreamed(made, turn, unit, turn, unit, None)
