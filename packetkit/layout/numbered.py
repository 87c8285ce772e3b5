"""A number that goes on from octet to octet, as targets hold it: the number itself, in plain binary, as its octets follow from it.

So octets that were not needed are not kept, unlike in a detail record, whose raw code is the octets as they lie.
"""

from __future__ import annotations

from dataclasses import replace

from packetkit.layout.model import Slot


def numbered(slot: Slot) -> Slot:
    """Return a continued number's slot in plain binary, as wide as its octets can tell; any other slot as it is."""
    if not slot.is_continued:
        return slot
    low, high = slot.number_limits
    return replace(slot, coding="", width=high.bit_length() + (low < 0), signed=low < 0)


def number_in(slot: Slot, raw: int) -> int:
    """Return the number that a raw code of a slot spells, where it goes on; else the code."""
    number = slot.number_of(raw) if slot.is_continued else raw
    assert number is not None  # what was read ends where its octets say
    return number


def raw_for(slot: Slot, number: int) -> int:
    """Return the raw code of a number; of one that no octets of the slot can spell, a code that its bits do not hold."""
    if not slot.is_continued:
        return number
    low, high = slot.number_limits
    return slot.code_of(number) if low <= number <= high else 1 << slot.width
