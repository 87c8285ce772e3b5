"""One frame's bytes field by field, whatever is wrong with them: what each field holds, where its bits lie, which of them is wrong.

Nothing is raised: a frame that is cut off has the fields that could be read, a damaged one has all of them, and what is amiss is said at
the field it is amiss with. Positions are bits on the wire: bit b is in octet b//8, at 7 - b%8, whatever the packing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from packetkit.codec import bits, reading, walk
from packetkit.codec.reading import Found
from packetkit.codec.tree import Leaf, computed, is_known, mixed_into
from packetkit.errors import DecodeError
from packetkit.layout.alike import wire_bits
from packetkit.layout.model import Layout, Run
from packetkit.layout.number import Value, from_raw, listed
from packetkit.layout.slots import Slot


@dataclass(frozen=True, slots=True)
class Field:
    """One field of one frame. bits: where they lie, the most significant of its raw code first. wrong: what is wrong with it, or empty."""

    slot: Slot
    address: str
    raw: int
    value: Value
    reason: str
    note: str
    bits: tuple[int, ...]
    wrong: str = ""


@dataclass(frozen=True, slots=True)
class Annotation:
    """A frame's bytes in fields. failure: what decode raises for them. used: the octets that the frame takes, all where it is cut off."""

    layout: Layout
    data: bytes
    fields: tuple[Field, ...]
    failure: DecodeError | None
    used: int

    def at(self, bit: int) -> Field | None:
        """Return the field that a bit of the frame belongs to."""
        return next((field for field in self.fields if bit in field.bits), None)

    def touched(self, places: frozenset[int]) -> tuple[Field, ...]:
        """Return the fields that have any of these bits, in wire order."""
        return tuple(field for field in self.fields if places.intersection(field.bits))


def annotate(layout: Layout, data: bytes) -> Annotation:
    """Return the fields of what is, or claims to be, one frame."""
    found = reading.read(layout, data)
    failure: DecodeError | None = None
    try:
        walk.decode(layout, data)
    except DecodeError as error:
        failure = error
    whole = found.failure is None
    fields = tuple(_field(leaf, found, data, whole) for leaf in found.leaves if leaf.width)
    used = found.used if whole else len(data)
    return Annotation(layout, data, fields, failure, used)


def _field(leaf: Leaf, found: Found, data: bytes, whole: bool) -> Field:
    slot = leaf.slot if leaf.slot.width == leaf.width else replace(leaf.slot, width=leaf.width)  # fill
    value, reason, note = _meaning(leaf, slot)
    run = Run(0, leaf.run_at, leaf.run_at % 8, leaf.offset + leaf.width, leaf.packing, ())
    placed = wire_bits(run, replace(slot, offset_bits=leaf.offset))
    return Field(
        slot, leaf.address, leaf.raw, value, reason, note, placed, _wrong(leaf, slot, found, data, whole)
    )


def _meaning(leaf: Leaf, slot: Slot) -> tuple[Value, str, str]:
    """What a code means: value, reason and note; nothing where the frame ends before what says so."""
    if not slot.tellers:
        return from_raw(slot, leaf.raw)
    if all(map(leaf.scope.knows, slot.tellers)):
        return leaf.meaning
    return None, "not known: the frame is cut off", ""


def _wrong(leaf: Leaf, slot: Slot, found: Found, data: bytes, whole: bool) -> str:
    if slot.kind in ("constant", "sync", "tag") and not any(leaf.raw in one for one in slot.codes):
        hexadecimal = len(slot.codes) == 1 and slot.codes[0].low == slot.codes[0].high
        return f"not {slot.codes[0].low:#x}" if hexadecimal else f"not one of {listed(slot.codes)}"
    if slot.strict and slot.kind == "reserved" and leaf.raw:
        return "not zero in a strict frame"
    if slot.maximum_count is not None and leaf.raw > slot.maximum_count:
        return f"more than {slot.maximum_count}"
    if slot.check is None:
        return ""
    if not whole:
        return "not verified: the frame is cut off"
    if (slot.check.mixed is not None and slot.check.mixed < 0) or not is_known(leaf):
        return ""  # what goes into it is not known here
    if leaf.raw == slot.check.not_computed:
        return ""
    made = check_of(leaf, found.words, data[: found.used])
    return "" if made == leaf.raw else f"the bytes give 0x{made:0{-(-leaf.width // 4)}X}"


def check_of(leaf: Leaf, words: list[bits.Words], data: bytes) -> int:
    """Return what a check's field would hold over a whole frame's bytes."""
    return computed(leaf, words, data) ^ mixed_into(leaf)


def shifted(data: bytes, start: int) -> bytes:
    """Return the whole octets that begin `start` bits into some bytes, high bit first.

    >>> shifted(bytes.fromhex("0b 92 10"), 4).hex()
    'b921'
    """
    octets = max(len(data) * 8 - start, 0) // 8
    spare = len(data) * 8 - start - octets * 8
    number = int.from_bytes(data, "big") >> spare if octets else 0
    return (number & ((1 << octets * 8) - 1)).to_bytes(octets, "big")
