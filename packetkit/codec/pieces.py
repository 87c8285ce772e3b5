"""The bits of one field in pieces, as texts: what is looked up piece by piece need not be put together first.

A piece is told by its lowest bit and its width, counted in the field's code; where it lies among the words that were read is the cut's
to say, or that of a variable which holds the whole code.
"""

from __future__ import annotations

from collections.abc import Callable

from packetkit.codec.chunks import Cut
from packetkit.layout.slots import Bundle, Slot

Pieces = Callable[[int, int], str]
Places = tuple[tuple[int, int], ...]  # the lowest bit and the width of each piece


def places_of(slot: Slot) -> Places:
    """Return the pieces that a slot's value is made from, the first to be looked up first; none where it is made from its whole code."""
    if slot.octets_reversed or slot.bits_reversed or slot.pieces:
        return ()
    if isinstance(slot.transform, Bundle):
        return () if slot.transform.octets_reversed else in_bundle(slot.transform)
    return in_octets(slot.width) if slot.coding in ("gray", "binary_coded_decimal") else ()


def in_octets(width: int) -> Places:
    """Return the octets of a code, from the top; the first has the bits that the others leave.

    >>> in_octets(13)
    ((8, 5), (0, 8))
    """
    return tuple((at, min(8, width - at)) for at in range((width - 1) // 8 * 8, -1, -8))


def in_bundle(bundle: Bundle) -> Places:
    """Return the first code of a bundle and its differences, in the order of the samples."""
    width, count, first = bundle.width, bundle.differences, bundle.sample.width
    if bundle.first_low:
        return ((0, first), *((at, width) for at in range(first, bundle.bits, width)))
    return ((count * width, first), *((at, width) for at in range((count - 1) * width, -1, -width)))


def in_cut(cutting: Cut, start: int, whole: int) -> Pieces:
    """Return the texts of the pieces of a code of `whole` bits that begins at a bit of a cut."""

    def piece(at: int, width: int) -> str:
        return cutting.text(place_in(cutting.low_first, start, whole, at, width), width)

    return piece


def place_in(low_first: bool, start: int, whole: int, at: int, width: int) -> int:
    """Return the first bit, in wire order, of a piece of a code that begins at `start`."""
    return start + (at if low_first else whole - at - width)


def in_name(name: str, whole: int, *, first: str) -> Pieces:
    """Return the texts of the pieces of a code of `whole` bits that a variable holds. first: the text by which the top piece gets it."""

    def piece(at: int, width: int) -> str:
        is_top = at + width == whole
        text = first if is_top else name
        text = f"{text} >> {at}" if at else text
        if not is_top:
            text = f"{text} & {(1 << width) - 1:#x}"
        return f"({text})" if " " in text else text

    return piece
