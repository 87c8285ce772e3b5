"""Streams whose frames end at a delimiter that stands nowhere else: any pieces in, units out.

The rule kept here: what lies between two delimiters is one unit, whole or with a sentence on what is wrong with it; empty ones are no
units. Offsets count bytes of the stream. Memory is bounded: what runs on without a delimiter is cut at LONGEST and said to be so.
"""

from __future__ import annotations

import re
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


class Unwrapper:
    """Takes a stream in any pieces (`feed`, then `close`) and gives its units as soon as they end."""

    def __init__(self, framing: Framing) -> None:
        self._framing, self._mark = framing, bytes((framing.delimiter,))
        self._other = re.compile(b"[^" + re.escape(self._mark) + b"]")
        self._held = bytearray()
        self._at = 0  # the stream's offset of what is held

    def feed(self, piece: bytes) -> Iterator[Unit]:
        """Take the next bytes; yield the units that end in them."""
        held, start = self._held, len(self._held)
        held += piece
        while (end := held.find(self._mark, start)) >= 0:
            if end == 0:  # a line at rest may send delimiters for hours: all of them are passed at once
                found = self._other.search(held)
                rest = found.start() if found else len(held)
                del held[:rest]
                self._at += rest
                start = 0
                continue
            yield from _unit(self._framing, self._at, bytes(held[:end]))
            del held[: end + 1]
            self._at += end + 1
            start = 0
        while len(held) > LONGEST:
            yield Unit(self._at, bytes(held[:LONGEST]), f"{LONGEST:,} bytes without a delimiter are no frame")
            del held[:LONGEST]
            self._at += LONGEST

    def close(self) -> Iterator[Unit]:
        """Take it that the stream has ended: what that cuts off has a problem."""
        if self._held:
            data, problem = self._framing.unescape(bytes(self._held))
            yield Unit(self._at, data, problem or "the stream ends before the frame's delimiter")
            self._held.clear()


def units(framing: Framing, pieces: Iterable[bytes]) -> Iterator[Unit]:
    """Yield what stands between delimiters. What the stream's end cuts off has a problem."""
    unwrapper = Unwrapper(framing)
    for piece in pieces:
        yield from unwrapper.feed(piece)
    yield from unwrapper.close()


def _unit(framing: Framing, at: int, escaped: bytes) -> Iterator[Unit]:
    if len(escaped) > LONGEST:  # the same cut as where it came in pieces
        yield Unit(at, escaped[:LONGEST], f"{LONGEST:,} bytes without a delimiter are no frame")
        yield from _unit(framing, at + LONGEST, escaped[LONGEST:])
    elif escaped:
        yield Unit(at, *framing.unescape(escaped))
