"""What a check hangs on besides the bits that it covers: fields that are fed in front, mixed in or start a register, and zero's meaning.

A code enters as it would lie on the wire there: its highest bit first, under least-significant-first packing its lowest.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from packetkit.layout.model import Layout
from packetkit.layout.places import Scope
from packetkit.layout.slots import Check, Fed, Slot
from packetkit.schema.model import FrameSize
from packetkit.schema.words import shown

if TYPE_CHECKING:
    from packetkit.layout.spans import Note, PendingCheck

# Kinds of fields whose code is one whole number, known before any check is computed.
MIXED = ("number", "states", "flag", "tag", "constant", "sync", "count", "supplied")
_FED = (*MIXED, "length")


@dataclass
class Feeding:
    """One check, asked what goes into it besides its spans."""

    pending: PendingCheck
    note: Note
    suggest: Callable[[str, Scope, tuple[str, ...]], str]

    def told(self) -> dict[str, Any] | None:
        """The attributes of a layout's check that say so, or None where something was noted."""
        one, width = self.pending.one, self.pending.algorithm.width
        front = [self.in_front(item, at) for at, item in enumerate(one.also)]
        mixed = None if one.mixed_with is None else self.mixed(one.mixed_with)
        initial = None if one.starts_from is None else self.start(one.starts_from)
        missing = (mixed is None) is not (one.mixed_with is None) or (initial is None) is not (
            one.starts_from is None
        )
        if None in front or missing or not self.zero_fits(width):
            return None
        fed = tuple(item for item in front if item is not None)
        octets = [item.octet for item in fed if item.octet is not None]
        plain = len(octets) == len(fed)
        return {
            "also": bytes(octets) if plain else b"",
            "front": () if plain else fed,
            "mixed": mixed,
            "initial": initial,
            "zero_as_ones": one.zero_is_sent_as == "all_ones",
            "not_computed": one.not_computed,
        }

    def in_front(self, item: int | str | FrameSize, at: int) -> Fed | None:
        if isinstance(item, int):
            return Fed(8, octet=item)
        if isinstance(item, FrameSize):
            return Fed(item.bits)
        slot = self.slot(item, _FED, f"also.{at}", "fed-unfit", "fed in front of a check")
        return None if slot is None else Fed(slot.width, by=slot.number)

    def mixed(self, name: str) -> int | None:
        """The number of the slot that a check is mixed with, or None where that was noted."""
        slot = self.slot(name, MIXED, "mixed_with", "mixed-unfit", "mixed into a check")
        width = self.pending.algorithm.width
        if slot is not None and slot.width > width:
            text = f"{slot.address} has {slot.width} bits, and the check {width}"
            self.no("mixed_with", "mixed-unfit", text, "Mix it with a field no wider than the check.")
            return None
        return None if slot is None else slot.number

    def start(self, name: str) -> int | None:
        """The number of the slot with whose code a register starts, or None where that was noted."""
        algorithm = self.pending.algorithm
        if algorithm.family != "crc":
            text = f"{algorithm.name} has no register that could start from {shown(name)}"
            self.no("starts_from", "fed-unfit", text, "Feed it in front instead: also.")
            return None
        slot = self.slot(name, _FED, "starts_from", "fed-unfit", "where a register starts")
        if slot is not None and slot.width > algorithm.width:
            text = f"{slot.address} has {slot.width} bits, and the register {algorithm.width}"
            remedy = "Start it from a field no wider than the check."
            self.no("starts_from", "fed-unfit", text, remedy)
            return None
        return None if slot is None else slot.number

    def slot(self, name: str, kinds: tuple[str, ...], key: str, rule: str, what: str) -> Slot | None:
        """The field before this check that a name means, of some kinds and of fixed size; None where that was noted."""
        found = self.pending.scope.find(name)
        slot = found[0].slots.get(found[1]) if found else None
        verb = "Mix it with" if key == "mixed_with" else "Name"
        if slot is not None and slot.number > self.pending.slot_number:
            text, remedy = f"{slot.address} stands behind this check", f"Put {slot.address} before the check."
        elif slot is None:
            text = f"{shown(name)} is not a field before this check"
            remedy = self.suggest(name, self.pending.scope, kinds)
        elif slot.kind not in kinds:
            text = f"{slot.address} is a {slot.kind} field, whose code cannot be {what}"
            length = ", a count or a length" if "length" in kinds else " or a count"
            remedy = f"{verb} a whole number, states, a tag, a constant{length}."
        elif slot.is_continued:
            text = f"{slot.address} has as many octets as it needs, which cannot be {what}"
            remedy = f"{verb} a field of fixed size."
        else:
            return slot
        self.no(key, rule, text, remedy)
        return None

    def zero_fits(self, width: int) -> bool:
        """Whether the codes that have a meaning of their own are codes of this check, which then is mixed with nothing."""
        one = self.pending.one
        code = one.not_computed
        if code is not None and not 0 <= code < 1 << width:
            text = f"{code} is not a code of {width} bits"
            self.no("not_computed", "fed-unfit", text, f"Write one from 0 to {(1 << width) - 1:#x}.")
            return False
        for key, said in (("zero_is_sent_as", one.zero_is_sent_as), ("not_computed", code)):
            if said is not None and one.mixed_with is not None:
                text = f"{key} is said of what was computed, and {shown(one.mixed_with)} is mixed into it"
                self.no(key, "fed-unfit", text, "Leave one of both out.")
                return False
        return True

    def no(self, key: str, rule: str, text: str, remedy: str) -> None:
        places = self.pending.one.places
        self.note(places.get(key, places[key.partition(".")[0]]), rule, self.pending.path, text, remedy)


def mixed_slot(layout: Layout, number: int) -> Slot:
    """The slot that a check is fed or mixed with: one that is sent, or, below zero, one that is supplied."""
    return layout.slots[number] if number >= 0 else layout.supplied[-1 - number]


def fed_text(layout: Layout, check: Check) -> str:
    """What is fed in front of a check's spans: `source, 00 11, the frame's size in 16 bits`."""
    found: list[str] = []
    octets = False
    for one in check.front:
        if one.octet is not None:
            text = f"{one.octet:02X}"
            if octets:
                found[-1] += f" {text}"
            else:
                found.append(text)
        elif one.by is not None:
            found.append(mixed_slot(layout, one.by).address)
        else:
            found.append(f"the frame's size in {one.bits} bits")
        octets = one.octet is not None
    return ", ".join(found)


def sent_text(check: Check) -> str:
    """How what was computed is sent, where that is not as it is: `zero as all ones; 0x0: not computed`."""
    told = ["zero as all ones"] if check.zero_as_ones else []
    if check.not_computed is not None:
        told.append(f"{check.algorithm.hexadecimal(check.not_computed)}: not computed")
    return "; ".join(told)
