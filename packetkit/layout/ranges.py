"""Raw codes as ranges: brought into order, and less those that mean something else."""

from __future__ import annotations

from collections.abc import Iterable
from math import prod

from packetkit.layout.slots import Range, Special
from packetkit.schema.model import Codes


def merged(ranges: Iterable[Range]) -> tuple[Range, ...]:
    """The same codes as ascending, disjoint ranges, as few as there can be."""
    made: list[Range] = []
    for codes in sorted(ranges, key=low_of):
        if made and codes.low <= made[-1].high + 1:
            made[-1] = Range(made[-1].low, max(made[-1].high, codes.high))
        else:
            made.append(codes)
    return tuple(made)


def low_of(codes: Range) -> int:
    """What ranges are ordered by."""
    return codes.low


def without(bounds: Range, specials: Iterable[Range | Special]) -> tuple[Range, ...]:
    """The raw codes of `bounds` that no special code takes."""
    pieces, low = [], bounds.low
    for special in sorted(specials, key=lambda special: special.low):
        pieces.append(Range(low, min(bounds.high, special.low - 1)))
        low = max(low, special.high + 1)
    pieces.append(Range(low, bounds.high))
    return tuple(piece for piece in pieces if piece.low <= piece.high)


def amount(ranges: Iterable[Range | Special | Codes]) -> int:
    """How many codes there are in ranges of which no two have one in common."""
    return sum(codes.high - codes.low + 1 for codes in ranges)


def common(one: tuple[Range, ...], other: tuple[Range, ...]) -> int | None:
    """A code that is in both, None where none is."""
    both = ((max(a.low, b.low), min(a.high, b.high)) for a in one for b in other)
    return next((low for low, high in both if low <= high), None)


def are_all_codes(told: Iterable[tuple[tuple[Range, ...], ...]], widths: Iterable[int]) -> bool:
    """Return whether combinations of codes of fields of so many bits, no two of which overlap, are all that there are."""
    found = sum(prod(amount(ranges) for ranges in each) for each in told)
    return found == prod(1 << width for width in widths)
