"""From a raw code to the bits that are sent, and from the bits that a check covers to where they lie: for codecs and generated code.

Positions are bits, numbered as the packing numbers them (packetkit/layout/model.py). What would surprise a reader: under WORD_k a run is
written as under MOST and the octets of each word are then reversed, so a position inside a word and its octet on the wire differ;
`wire_spans` is the one place that turns the former into the latter.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from packetkit.layout.slots import Slot

Span = tuple[int, int]
Words = tuple[int, int, int]  # a run of words: its first bit, the bit after it, bits in a word


def code_of(slot: Slot, raw: int) -> int:
    """Return the bits that are sent for a raw code, as one number in the packing's natural order."""
    code = raw & ((1 << slot.width) - 1)
    if slot.bits_reversed:
        code = reversed_bits(code, slot.width)
    return reversed_octets(code, slot.width) if slot.octets_reversed else code


def raw_of(slot: Slot, code: int) -> int:
    """Return the raw code that bits in the packing's natural order stand for."""
    if slot.octets_reversed:
        code = reversed_octets(code, slot.width)
    if slot.bits_reversed:
        code = reversed_bits(code, slot.width)
    return code - (1 << slot.width) if slot.signed and code >> (slot.width - 1) else code


def reversed_bits(code: int, width: int) -> int:
    """Return a code with its first bit last."""
    return int(f"{code:0{width}b}"[::-1], 2) if width else 0


def reversed_octets(code: int, width: int) -> int:
    """Return a code of whole octets with its first octet last."""
    return int.from_bytes(code.to_bytes(width // 8, "big"), "little")


def wire_spans(spans: Iterable[Span], words: Sequence[Words]) -> list[Span]:
    """Return spans as they lie on the wire, in order: parts of a word are where its reversed octets put them."""
    if not words:
        return [(start, end) for start, end in spans if start < end]
    pieces: list[Span] = []
    for at, end in spans:
        while at < end:
            inside = next(((first, word) for first, last, word in words if first <= at < last), None)
            if inside is None:
                stop = min([end, *(first for first, _, _ in words if first > at)])
                pieces.append((at, stop))
            else:
                first, word = inside
                place = (at - first) % word
                stop = min(end, at + word - place if place == 0 else at + 8 - place % 8)
                if stop - at == word:
                    pieces.append((at, stop))
                else:
                    stop = min(stop, at + 8 - place % 8)
                    moved = at - place + (word // 8 - 1 - place // 8) * 8 + place % 8
                    pieces.append((moved, moved + stop - at))
            at = stop
    return _merged(sorted(pieces))


def _merged(pieces: list[Span]) -> list[Span]:
    made: list[Span] = []
    for start, end in pieces:
        if made and made[-1][1] == start:
            start = made.pop()[0]
        made.append((start, end))
    return made


def without(pieces: list[Span], holes: list[Span]) -> list[Span]:
    """Return stretches less others."""
    for first, last in holes:
        pieces = [
            part
            for start, end in pieces
            for part in ((start, min(end, first)), (max(start, last), end))
            if part[0] < part[1]
        ]
    return pieces
