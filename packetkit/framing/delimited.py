"""Streams whose frames end at a delimiter that stands nowhere else: any pieces in, units out.

The rule kept here: what lies between two delimiters is one unit, whole or with a sentence on what is wrong with it; empty ones are no
units. Offsets count bytes of the stream. Memory is bounded: what runs on without a delimiter is cut at LONGEST and said to be so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

# Twice the longest frame of its own (65,535 bytes): every octet of it may be escaped, and some for checks.
LONGEST = 2 * 65_535 + 64

Unescape = Callable[[bytes], "tuple[bytes, str]"]


class Unit(NamedTuple):
    """What stood between two delimiters: where, its bytes without escapes, and what is wrong with them, empty where nothing is."""

    offset: int
    data: bytes
    problem: str = ""


class Framing(NamedTuple):
    """One way to delimit: its name, the delimiter, and both directions of what lies between. source: where it is written down."""

    name: str
    delimiter: int
    unescape: Unescape
    escape: Callable[[bytes], bytes]
    source: str

    def wrap(self, data: bytes) -> bytes:
        """Return a frame between two delimiters."""
        mark = bytes((self.delimiter,))
        return mark + self.escape(data) + mark


def units(framing: Framing, pieces: Iterable[bytes]) -> Iterator[Unit]:
    """Yield what stands between delimiters. What the stream's end cuts off has a problem."""
    mark = bytes((framing.delimiter,))
    held = bytearray()
    at = 0  # the stream's offset of what is held
    for piece in pieces:
        start = len(held)
        held += piece
        while (end := held.find(mark, start)) >= 0:
            yield from _unit(framing, at, bytes(held[:end]))
            del held[: end + 1]
            at += end + 1
            start = 0
        while len(held) > LONGEST:
            yield Unit(at, bytes(held[:LONGEST]), f"{LONGEST:,} bytes without a delimiter are no frame")
            del held[:LONGEST]
            at += LONGEST
    if held:
        data, problem = framing.unescape(bytes(held))
        yield Unit(at, data, problem or "the stream ends before the frame's delimiter")


def _unit(framing: Framing, at: int, escaped: bytes) -> Iterator[Unit]:
    if len(escaped) > LONGEST:  # the same cut as where it came in pieces
        yield Unit(at, escaped[:LONGEST], f"{LONGEST:,} bytes without a delimiter are no frame")
        yield from _unit(framing, at + LONGEST, escaped[LONGEST:])
    elif escaped:
        yield Unit(at, *framing.unescape(escaped))
