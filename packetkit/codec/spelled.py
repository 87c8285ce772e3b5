"""Numbers that their bits spell in BCD or in Gray code, as texts that look an octet up at a time.

An octet of BCD is two digits, so a number is a sum of table entries, one table for each place; an entry of an octet with a bad digit is
beyond all sums. A Gray code is linear over exclusive-or: each octet gives its own bits, and inverts all below it where its parity is
odd; so a number is the exclusive-or of table entries. The rules themselves are layout/coding.py's, the choice measured in
tests/bench/bench_variable_frame.py.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from packetkit.codec.pieces import Pieces, in_octets
from packetkit.codec.source import Source, bare
from packetkit.layout.coding import CODINGS
from packetkit.layout.number import value_of
from packetkit.layout.slots import Linear, Slot, Special

_BEYOND = 10**17  # more than 64 bits of BCD can spell, sixteen digits
_FEW = 16  # special codes up to so many are looked at one by one


def number_text(slot: Slot, pieces: Pieces, source: Source) -> str:
    """Return the text of the number that a code spells; a bad digit of BCD makes it larger than any."""
    gray = slot.coding == "gray"
    terms = []
    for at, width in in_octets(slot.width):
        table = source.name("octets", partial(_gray if gray else _digits, at), (slot.coding, at))
        terms.append(f"{table}[{bare(pieces(at, width))}]")
    return (" ^ " if gray else " + ").join(terms)


def spells_nothing(slot: Slot, special: Special) -> bool:
    """Return whether no code of a special one spells a number, so that nothing further need tell it."""
    number_of, few = CODINGS[slot.coding].number_of, special.high - special.low < _FEW
    return few and all(number_of(slot.width, code) is None for code in range(special.low, special.high + 1))


def _digits(at: int) -> tuple[int, ...]:
    """What each octet of two decimal digits adds where its lowest bit is bit `at`."""
    return tuple(
        (10 * (octet >> 4) + (octet & 15)) * 10 ** (at // 4)
        if octet >> 4 < 10 and octet & 15 < 10
        else _BEYOND
        for octet in range(256)
    )


def _gray(at: int) -> tuple[int, ...]:
    """The bits of the number that each octet turns over where its lowest bit is bit `at`."""
    number_of = CODINGS["gray"].number_of
    octets = [number_of(8, octet) or 0 for octet in range(256)]
    return tuple(octet << at | (octet & 1) * ((1 << at) - 1) for octet in octets)


def reader(slot: Slot) -> Callable[[int], int | float | None]:
    """Return a function from a code that spells a number to the value; by wire, a number beyond the bounds is a value too."""
    assert isinstance(slot.transform, Linear)
    number_of, width, transform = CODINGS[slot.coding].number_of, slot.width, slot.transform

    def read(raw: int) -> int | float | None:
        number = number_of(width, raw)
        return None if number is None else value_of(transform, number)

    return read
