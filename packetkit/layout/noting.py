"""How a fault in one field is noted: the place of what was written, and numbers in words.

Whoever judges a field gets a `Note` and says place, rule, summary and remedy; which field of which frame it is, the caller knows.
"""

from __future__ import annotations

from collections.abc import Callable

from packetkit.errors import counted
from packetkit.schema.model import Field, Place
from packetkit.schema.words import whole

Note = Callable[[Place, str, str, str], None]  # place, rule, summary, remedy


def bits_text(bits: int) -> str:
    """`1 bit`, `8 bits`."""
    return counted(bits, "bit")


def hexadecimal(code: int) -> str:
    """A code as formats write it; one far beyond any field in decimals, short."""
    return f"{code:#x}" if abs(code) < 1 << 64 else whole(code)


def at(one: Field, *keys: str) -> Place:
    """The place of the first of these keys that was written, else the field's."""
    return next((one.places[key] for key in keys if key in one.places), one.place)
