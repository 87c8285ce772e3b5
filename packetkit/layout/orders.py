"""Which octet of a number comes first, and whether that goes with its width, its packing and its words (WIRE.md 2)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from packetkit.layout.places import Style
from packetkit.schema.model import Field

if TYPE_CHECKING:
    from packetkit.layout.resolve import Resolver

# The legal pictures of WIRE.md 2.
PICTURES = """\
What there is, and the bytes of an example:
  16 bits that hold 0xABCD             AB CD
    with order: little                 CD AB
  3, 7 and 6 bits that hold 5, 100, 33 B9 21
    packing: least_significant_first   25 87
    word_bits: 16 and order: little    21 B9"""


def reversal(r: Resolver, one: Field, width: int, style: Style, where: str) -> bool:
    """Whether the slot's octets are reversed against its packing's natural order (WIRE.md 2)."""
    if one.kind in ("flag", "reserved") or one.runs:
        return False
    if one.kind == "check" and one.stored == "bits_reversed":
        return False
    own = {"high_octet_first": "big", "low_octet_first": "little", None: one.order}[one.stored]
    if style.packing.word_bits and own is not None:
        key = "stored" if one.stored else "order"
        r.note(one.places[key], "order-words", where, "inside a group of words the order is fixed", PICTURES)
        return False
    wanted = own or style.order or style.natural
    if wanted == style.natural:
        return False
    if width % 8 == 0:
        return width > 8
    if own is None and width < 8:
        return False
    rule, key = ("stored-width", "stored") if one.kind == "check" else ("order-width", "order")
    text = f"{width} bits are not whole octets, so they cannot be sent {'low' if wanted == 'little' else 'high'} octet first"
    remedy = (
        PICTURES if own is None or one.kind != "check" else "Use stored: bits_reversed, or leave stored out."
    )
    r.note(one.places.get(key, one.places.get("bits", one.place)), rule, where, text, remedy)
    return False
