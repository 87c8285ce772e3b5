"""The strip's geometry: which bit of which field stands at each place of a run's octets, and what it is called there.

Each octet as hexadecimal writes it, its high bit at the left, whatever the packing. What draws the strip, in a terminal, on a page or as a
picture, draws this.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import NamedTuple

from packetkit.layout.alike import wire_bits
from packetkit.layout.model import Node, Run
from packetkit.layout.slots import Slot

# What an unknown bit of a kind looks like; the others show what is sent.
BITS = {"count": "n", "check": "#"}


class Bit(NamedTuple):
    """One bit on the wire: its slot, which bit of the slot's raw code it is, and what it is in one frame, if one is drawn."""

    slot: Slot
    rank: int
    sent: str = ""


def short_names(nodes: Iterable[Node]) -> dict[int, str]:
    """What each slot is called in the picture: the last part of its name, more of it where that is not clear."""
    slots = [slot for node in nodes if isinstance(node, Run) for slot in node.slots]
    last = [_last_name(slot) for slot in slots]
    return {
        slot.number: ".".join(slot.path) if last.count(name) > 1 and slot.named and slot.path else name
        for slot, name in zip(slots, last, strict=True)
    }


def _last_name(slot: Slot) -> str:
    if not slot.named:
        return slot.kind
    return slot.path[-1] if slot.path else slot.address.rpartition(".")[2].removesuffix("[]")


def bits_of(run: Run) -> list[Bit | None]:
    """The bits of a run from the first bit of the byte in which it starts, each byte's high bit first; None belongs to others.

    Where it may start at any bit, its fields in wire order, each from its high bit on.
    """
    if run.residue is None:
        order: dict[int, Bit] = {}
        for slot in run.slots:
            left = slot.width
            for at, width in slot.pieces or ((slot.offset_bits, slot.width),):
                order |= {at + i: Bit(slot, left - 1 - i) for i in range(width)}
                left -= width
        return [order[bit] for bit in sorted(order)]
    start = run.residue if run.at is None else run.at
    first = start // 8 * 8
    bits: list[Bit | None] = [None] * (-(-(start + run.size_bits - first) // 8) * 8)
    placed = replace(run, at=start)
    for slot in run.slots:
        for place, bit in enumerate(wire_bits(placed, slot)):
            bits[bit - first] = Bit(slot, slot.width - 1 - place)
    return bits


def shown(bit: Bit) -> str:
    """A bit as it is sent where that is known."""
    slot = bit.slot
    if bit.sent:
        return bit.sent
    if slot.kind == "reserved":
        return "0"
    if slot.codes and not slot.is_value:
        return str(slot.codes[0].low >> bit.rank & 1)
    return BITS.get(slot.kind, "·")
