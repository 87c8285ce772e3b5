"""Frames of demodulated bits between flags, with zeros stuffed in: HDLC as it is on synchronous lines and on radio links.

A flag is 01111110; behind five ones in a row the sender puts a zero, so a flag stands nowhere inside a frame; seven ones or more end
one that the sender gave up, and fifteen are a line at rest (ISO/IEC 13239, clause 4, from memory; ITU-T X.25, 2.2.2 to 2.2.10). Bits
are octets 0 and 1 in the order in which they came, and offsets count them. One flag may stand between two frames, and two flags may
share a zero. What would surprise a reader: fewer bits between flags than an octet and the check take are no frame (noise makes them all
the time), so they are told as junk and not as a frame that failed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

Check = Callable[[bytes], int]

FLAG = bytes((0, 1, 1, 1, 1, 1, 1, 0))
_FIVE = bytes((1,) * 5)
_STUFFED = _FIVE + b"\0"
_ABORT = bytes((1,) * 7)

# As many bits as the longest frame of its own (65,535 bytes) takes where every fifth bit is followed by a stuffed one, and its check.
LONGEST = (65_535 + 8) * 8 * 6 // 5

# A packed capture ends in an octet that is filled up: fewer zeros than this behind the last flag are that.
_FILLED_UP = 8

_RUN_ON = f"{LONGEST:,} bits without a flag are no frame"


class Stretch(NamedTuple):
    """What stood in a stretch of bits: where, how many, its bytes, what is wrong with them; is_frame: False for junk."""

    offset: int
    size_bits: int
    data: bytes
    problem: str = ""
    is_frame: bool = True


@dataclass(frozen=True, slots=True)
class Stuffing:
    """One way to write such frames; check: of the data, None for none, taking so many octets.

    low_bit_first: how octets are sent, ISO/IEC 13239's way; the check is sent its highest power first either way.
    nrzi: a zero is sent as a change of level and a one as none (USB 2.0 specification, section 7.1.8, describes the same code).
    """

    check: Check | None
    octets: int
    low_bit_first: bool = True
    nrzi: bool = False

    def wrap(self, frames: Iterable[bytes]) -> bytes:
        """Return the bits of frames, one flag between two of them. The level before the first bit is taken for 0."""
        made = bytearray(FLAG)
        for data in frames:
            inner = data
            if self.check is not None:
                inner += self.check(data).to_bytes(self.octets, "little" if self.low_bit_first else "big")
            made += self._bits(inner).replace(_FIVE, _STUFFED) + FLAG
        return _levels(bytes(made)) if self.nrzi else bytes(made)

    def stretches(self, pieces: Iterable[bytes]) -> Iterator[Stretch]:
        """Yield what bits in pieces hold: frames, whole or with what is wrong with them, and junk. Flags and rest are neither."""
        held, at, is_open = (
            bytearray(),
            0,
            False,
        )  # at: the place of what is held; is_open: a flag stands before it
        for piece in _bits_of(pieces) if self.nrzi else pieces:
            looked = max(len(held) - len(FLAG) + 1, 0)
            held += piece
            while (end := held.find(FLAG, looked)) >= 0:
                # The flag before may have lent its last zero: then nothing, and less than nothing, stands between.
                yield from self._between(bytes(held[_lent(is_open) : end]), at + _lent(is_open), is_open)
                kept = end + len(FLAG) - 1  # the flag's last zero may be the next one's first
                del held[:kept]
                at, is_open, looked = at + kept, True, 0
            while len(held) > LONGEST + len(FLAG):
                yield from self._closed(
                    bytes(held[_lent(is_open) : LONGEST]), at + _lent(is_open), is_open, _RUN_ON
                )
                del held[:LONGEST]
                at, is_open = at + LONGEST, False
        yield from self._rest(bytes(held[_lent(is_open) :]), at + _lent(is_open), is_open)

    def _between(self, bits: bytes, at: int, is_open: bool) -> Iterator[Stretch]:
        """What stands before a flag; the same cut of what is too long as where no flag came."""
        while len(bits) + _lent(is_open) > LONGEST:
            first = LONGEST - _lent(is_open)
            yield from self._closed(bits[:first], at, is_open, _RUN_ON)
            bits, at, is_open = bits[first:], at + first, False
        yield from self._closed(bits, at, is_open, "")

    def _closed(self, bits: bytes, at: int, is_open: bool, problem: str) -> Iterator[Stretch]:
        aborted = bits.find(_ABORT)
        inner = bits if aborted < 0 else bits[:aborted]
        if not is_open:
            yield from _junk(bits, at)
            return
        if len(inner) >= 8 * (self.octets + 1):
            if aborted >= 0:
                problem = f"{len(_ABORT)} ones in a row at bit {at + aborted}: the sender gave up"
            yield self._frame(inner, at, problem)
        else:
            yield from _junk(inner, at)
        if aborted >= 0:
            yield from _junk(bits[aborted:], at + aborted)

    def _frame(self, stuffed: bytes, at: int, problem: str) -> Stretch:
        bits = stuffed.replace(_STUFFED, _FIVE)
        spare = len(bits) % 8
        data = self._octets(bits[: len(bits) - spare])
        if not problem and spare:
            problem = f"{len(bits)} bits between flags are no whole octets"
        if not problem and self.check is not None:
            data, stored = data[: -self.octets], data[-self.octets :]
            says = int.from_bytes(stored, "little" if self.low_bit_first else "big")
            worked_out = self.check(data)
            if says != worked_out:
                digits = 2 * self.octets
                problem = (
                    f"the check of the framing is 0x{says:0{digits}X}, worked out 0x{worked_out:0{digits}X}"
                )
        return Stretch(at, len(stuffed), data, problem)

    def _rest(self, bits: bytes, at: int, is_open: bool) -> Iterator[Stretch]:
        """What the end of the bits leaves without a flag."""
        inner = bits.rstrip(b"\1")
        if len(inner) >= _FILLED_UP or any(inner) or not is_open:
            yield from self._closed(bits, at, is_open, "the bits end before the frame's flag")

    def _bits(self, data: bytes) -> bytes:
        """The bits of octets, in the order in which they are sent."""
        number = int.from_bytes(data, "little" if self.low_bit_first else "big")
        digits = f"{number:0{8 * len(data)}b}".encode().translate(_FROM_DIGITS) if data else b""
        return digits[::-1] if self.low_bit_first else digits

    def _octets(self, bits: bytes) -> bytes:
        """The octets of whole ones."""
        digits = (bits[::-1] if self.low_bit_first else bits).translate(_TO_DIGITS)
        return int(digits or b"0", 2).to_bytes(len(bits) // 8, "little" if self.low_bit_first else "big")


_TO_DIGITS = b"01" + bytes(254)
_FROM_DIGITS = bytes(octet & 1 for octet in range(256))


def _lent(is_open: bool) -> int:
    """How many bits of what is held belong to the flag before it."""
    return int(is_open)


def _junk(bits: bytes, at: int) -> Iterator[Stretch]:
    """Bits that are no frame; none where they are ones alone, which is a line at rest."""
    if bits.strip(b"\1"):
        yield Stretch(at, len(bits), b"", is_frame=False)


def _levels(bits: bytes) -> bytes:
    made, level = bytearray(), 0
    for bit in bits:
        level ^= bit ^ 1
        made.append(level)
    return bytes(made)


def _bits_of(pieces: Iterable[bytes]) -> Iterator[bytes]:
    """The bits that levels mean. What came before the first one nobody knows: it is taken for a change, as a flag begins with one."""
    before = None
    for piece in pieces:
        if not piece:
            continue
        first = piece[0] ^ 1 if before is None else before
        size = len(piece)
        # As one number each: the levels, those one earlier, and a one for each place.
        earlier = int.from_bytes(bytes((first,)) + piece[:-1], "big")
        changed = int.from_bytes(piece, "big") ^ earlier
        yield (changed ^ int.from_bytes(b"\1" * size, "big")).to_bytes(size, "big")
        before = piece[-1]
