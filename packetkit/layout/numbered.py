"""A number that goes on from octet to octet, as targets hold it: the number itself, in plain binary, as its octets follow from it.

So octets that were not needed are not kept, unlike in a detail record, whose raw code is the octets as they lie. Ten octets could tell more
than 64 bits; no number that a schema means does, and no type of a target holds one.
"""

from __future__ import annotations

from dataclasses import replace

from packetkit.layout.coding import CODINGS
from packetkit.layout.ranges import merged
from packetkit.layout.slots import Range, Slot

WIDEST = 64  # bits of a number that targets hold


class TooWide(ValueError):
    """Octets that tell a number of more bits than targets hold."""


def numbered(slot: Slot) -> Slot:
    """Return a continued number's slot in plain binary, as wide as its octets can tell, or as WIDEST; any other slot as it is."""
    if not slot.is_continued:
        return slot
    low, high = slot.number_limits
    return replace(slot, coding="", width=min(high.bit_length() + (low < 0), WIDEST), signed=low < 0)


def number_in(slot: Slot, raw: int) -> int:
    """Return the number that a raw code of a slot spells, where it goes on; else the code. Raises TooWide."""
    if not slot.is_continued:
        return raw
    number, (low, high) = slot.number_of(raw), numbered(slot).raw_limits
    assert number is not None  # what was read ends where its octets say
    if not low <= number <= high:
        raise TooWide(f"{slot.address} is {number}, and targets hold {low} to {high}")
    return number


def raw_for(slot: Slot, number: int) -> int:
    """Return the raw code of a number; of one that no octets of the slot can spell, a code that its bits do not hold."""
    if not slot.is_continued:
        return number
    low, high = slot.number_limits
    return slot.code_of(number) if low <= number <= high else 1 << slot.width


def numbers_of(slot: Slot, codes: tuple[Range, ...]) -> tuple[Range, ...]:
    """Return the numbers of raw codes that a condition asks for, of every size; of other slots the codes themselves."""
    if not slot.is_continued:
        return codes
    first = CODINGS[slot.coding].first
    made: list[Range] = []
    for one in codes:
        parts = [(one.low, one.high)]
        if first is not None:  # codes of two forms may lie side by side, and their numbers elsewhere
            parts = [
                (max(one.low, low), min(one.high, high)) for low, high in (form.raws for form in first.forms)
            ]
        made += [Range(number_in(slot, low), number_in(slot, high)) for low, high in parts if low <= high]
    return merged(made)
