"""Bits in octets, the slow and plain way: a slot's code out of a frame and into one, and what a check is fed with.

Positions are bits from the frame's start, numbered as the packing numbers them (packetkit/layout/model.py).
What would surprise a reader: under WORD_k a run is written as under MOST and the octets of each word are then
reversed, so a position inside a word and its octet on the wire differ; `wire_spans` is the one place that
turns the former into the latter.
"""

from __future__ import annotations

from collections.abc import Sequence

from packetkit.emit.wire import Span as Span
from packetkit.emit.wire import Words as Words
from packetkit.emit.wire import code_of as code_of
from packetkit.emit.wire import raw_of as raw_of
from packetkit.emit.wire import reversed_bits as reversed_bits
from packetkit.emit.wire import wire_spans as wire_spans
from packetkit.emit.wire import without as without
from packetkit.integrity import crc
from packetkit.layout.slots import Check, Packing, Slot

Octets = bytes | bytearray | memoryview
Pieces = tuple[tuple[int, int], ...]  # of one code: each one's first bit in the run, and its width


def octets(data: Octets) -> bytes:
    """Return the octets of any object that holds some: bytes, bytearray, memoryview and the like.

    Raises TypeError for anything else, text and numbers among it.
    """
    return data if type(data) is bytes else memoryview(data).tobytes()


def read(frame: bytes, packing: Packing, run_at: int, offset: int, width: int) -> int:
    """Return the code of `width` bits that starts `offset` bits into a run."""
    first, last, shift = _covering(packing, run_at, offset, width)
    part = _in_reading_order(frame[first:last], packing)
    order = "little" if packing is Packing.LEAST else "big"
    return int.from_bytes(part, order) >> shift & ((1 << width) - 1)  # type: ignore[arg-type]


def gather(frame: bytes, packing: Packing, run_at: int, pieces: Pieces) -> int:
    """Return the code that lies in pieces, each of which starts some bits into a run; the first is the most significant."""
    code = 0
    for at, width in pieces:
        code = code << width | read(frame, packing, run_at, at, width)
    return code


def scatter(frame: bytearray, packing: Packing, run_at: int, pieces: Pieces, code: int) -> None:
    """Put a code into a frame that has zeros in the place of its pieces."""
    left = sum(width for _, width in pieces)
    for at, width in pieces:
        left -= width
        write(frame, packing, run_at, at, width, code >> left & ((1 << width) - 1))


def write(frame: bytearray, packing: Packing, run_at: int, offset: int, width: int, code: int) -> None:
    """Put a code's bits into a frame that has zeros in their place."""
    first, last, shift = _covering(packing, run_at, offset, width)
    order = "little" if packing is Packing.LEAST else "big"
    part = (code << shift).to_bytes(last - first, order)  # type: ignore[arg-type]
    for at, octet in enumerate(_in_reading_order(part, packing), first):
        frame[at] |= octet


def octets_of(packing: Packing, run_at: int, offset: int, width: int) -> tuple[tuple[int, ...], int]:
    """Return the octets that a code lies in, in the order of falling weight, and how far it is from the low end of the last."""
    first, last, shift = _covering(packing, run_at, offset, width)
    word = packing.word_bits
    places = list(range(first, last))
    if packing is Packing.LEAST:
        places.reverse()
    elif word is not None:
        size = word // 8
        places = [at for start in range(first, last, size) for at in reversed(range(start, start + size))]
    needed = -(-(shift % 8 + width) // 8)  # a word's other octets are left out
    end = len(places) - shift // 8
    return tuple(places[end - needed : end]), shift % 8


def _covering(packing: Packing, run_at: int, offset: int, width: int) -> tuple[int, int, int]:
    """The octets (whole words) around a code: first, the one after the last, and how far the code is from their low end."""
    word = packing.word_bits
    if word is not None:
        start, end = offset // word * word, -(-(offset + width) // word) * word
        return (run_at + start) // 8, (run_at + end) // 8, end - offset - width
    first, last = (run_at + offset) // 8, -(-(run_at + offset + width) // 8)
    if packing is Packing.LEAST:
        return first, last, (run_at + offset) % 8
    return first, last, last * 8 - run_at - offset - width


def _in_reading_order(part: bytes, packing: Packing) -> bytes:
    """Whole words with the octets of each reversed; anything else as it is."""
    word = packing.word_bits
    if word is None:
        return part
    size = word // 8
    return b"".join(part[at : at + size][::-1] for at in range(0, len(part), size))


# -- checks ----------------------------------------------------------------------------------------


def check_value(
    check: Check,
    width: int,
    spans: Sequence[Span],
    own: Sequence[Span],
    words: Sequence[Words],
    frame: bytes,
    front: Sequence[tuple[int, int]] = (),
) -> int:
    """Return what a check computes over a frame.

    spans, own: the bits it covers and its own, which may be split, by their numbers in the packing; words: the
    frame's runs of words. front: codes that are fed before all else, each with its bits.
    """
    pieces, mine = wire_spans(spans, words), wire_spans(own, words)
    if check.own == "skip":
        pieces = without(pieces, mine)
    order = "little" if check.least_first else "big"
    number = int.from_bytes(frame, order)  # type: ignore[arg-type]
    total = len(frame) * 8
    for start, end in mine if check.own in ("zero", "ones") else ():
        mask = ((1 << (end - start)) - 1) << (start if check.least_first else total - end)
        number = number | mask if check.own == "ones" else number & ~mask
    # Octets in front count as if they stood on the wire, numbered as the span is.
    joined, length = int.from_bytes(check.also, order), len(check.also) * 8  # type: ignore[arg-type]
    for code, size in front:
        joined = joined | code << length if check.least_first else joined << size | code
        length += size
    for start, end in pieces:
        if check.least_first:
            joined |= (number >> start & ((1 << (end - start)) - 1)) << length
        else:
            joined = joined << (end - start) | number >> (total - end) & ((1 << (end - start)) - 1)
        length += end - start
    return _computed(check, joined, length) & ((1 << width) - 1)


def with_check(
    frame: bytes,
    slot: Slot,
    packing: Packing,
    spans: Sequence[Span],
    own: Sequence[Span],
    words: Sequence[Words],
) -> bytes:
    """Return a frame, which has zeros in a check's place, with that check computed."""
    assert slot.check is not None
    made = bytearray(frame)
    value = check_value(slot.check, slot.width, spans, own, words, frame)
    write(made, packing, own[0][0] - slot.offset_bits, slot.offset_bits, slot.width, code_of(slot, value))
    return bytes(made)


def _computed(check: Check, joined: int, length: int) -> int:
    if check.in_wire_order:
        fed = reversed_bits(joined, length) if check.least_first else joined
        return crc.compute_bits(check.algorithm, fed, length)
    size = -(-length // 8)
    if check.least_first:  # the bits that complete a last octet are above all others
        return crc.compute(check.algorithm, joined.to_bytes(size, "little"))
    return crc.compute(check.algorithm, (joined << (size * 8 - length)).to_bytes(size, "big"))
