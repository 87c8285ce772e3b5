"""Frames in demodulated bits: anywhere between bits, perhaps inverted as a whole, with a few wrong bits in the marker.

A frame is looked for by its constant bits. Where at most `errors` of them differ (or, the bits inverted, agree) the frame is decoded
with its constants set right; it is good only if the rest decodes and, where any marker bit was wrong, a check says so too. Offsets count
bits. What would surprise a reader: frames whose constants are fewer than 16 bits are refused, for noise agrees with those at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Any

from packetkit.captures.stream import Event, Failed, Good, Skipped, contested, obstacle
from packetkit.codec.frame import Frame
from packetkit.errors import CheckFailed, DecodeError, InputError
from packetkit.layout.alike import markers

if TYPE_CHECKING:  # numpy is for those who have bits: every other form is read without it
    import numpy as np
    import numpy.typing as npt

    Bits = npt.NDArray[np.uint8]

# Noise agrees with 16 bits at one place in 65,536 (twice that where inversion is tried), and a check decides then.
FEWEST = 16


@dataclass(frozen=True, slots=True)
class _Sought:
    """A frame and its constant bits: places from the frame's first bit, and what stands there."""

    name: str
    frame: Frame
    places: tuple[int, ...]
    values: tuple[int, ...]
    is_checked: bool
    longest_bits: int


def from_text(pieces: Iterable[bytes]) -> Iterator[bytes]:
    """Yield octets 0 and 1 for digits 0 and 1 (or octets 0 and 1); white space is passed over. Raises InputError for anything else."""
    at = 0
    for piece in pieces:
        digits = piece.translate(None, b" \t\r\n")
        made = digits.translate(_DIGITS)
        if made.translate(None, b"\0\1"):
            wrong = next(octet for octet in digits if octet not in b"01\0\1")
            place = at + piece.index(wrong)
            raise InputError(
                f"offset {place}: 0x{wrong:02x} is no bit: bits are digits, or octets, 0 and 1. Where eight stand in an octet, "
                "say --from packed-bits or hdlc-packed-bits"
            )
        yield made
        at += len(piece)


_DIGITS = bytes(octet - 48 if octet in b"01" else octet for octet in range(256))


def from_octets(pieces: Iterable[bytes]) -> Iterator[bytes]:
    """Yield octets 0 and 1 for the bits of packed octets, the most significant first."""
    import numpy as np

    for piece in pieces:
        yield np.unpackbits(np.frombuffer(piece, np.uint8)).tobytes()


def bit_events(
    frames: Mapping[str, Frame],
    pieces: Iterable[bytes],
    errors: int,
    *,
    detail: bool = False,
    salvage: bool = False,
    owners: Mapping[str, str] | None = None,
) -> Iterator[Event]:
    """Yield the events of bits that come one an octet. Raises InputError for frames that bits do not show.

    owners: whose each frame is, where there are several schemas; what is good for two of them is `contested`.
    """
    import numpy as np

    sought = [_sought(name, frame) for name, frame in frames.items()]
    problem = obstacle(frames, owners)
    if problem:
        raise InputError(problem)
    bits = np.frombuffer(b"".join(pieces), np.uint8)
    at = 0
    failed: Failed | None = None
    for place, here in groupby(_candidates(sought, bits, errors), lambda one: one[0]):
        if place < at:
            continue
        events = [
            event
            for _, is_inverted, one, wrong in here
            if (event := _decoded(one, bits, place, is_inverted, wrong, detail, salvage)) is not None
        ]
        taken = _taken(events, owners)
        if taken is not None:
            if failed is not None:
                yield from _with_gap(failed, at, place)
                at = min(failed.offset + failed.size * 8, place)
                failed = None
            yield from _with_gap(taken, at, None)
            at = place + taken.size * 8
            continue
        for event in events:
            if isinstance(event, Failed) and (failed is None or place >= failed.offset + failed.size * 8):
                if failed is not None:
                    yield from _with_gap(failed, at, None)
                    at = failed.offset + failed.size * 8
                failed = event
    if failed is not None:
        yield from _with_gap(failed, at, None)
        at = failed.offset + failed.size * 8
    if at < len(bits):
        yield Skipped(at, len(bits) - at, unit="bit")


def _taken(events: list[Good | Failed], owners: Mapping[str, str] | None) -> Good | Failed | None:
    """The good frame of one place, or that several schemas take it for theirs; None where there is none."""
    good: dict[str, Good] = {}
    for event in events:
        if isinstance(event, Good):
            good.setdefault("" if owners is None else owners[event.frame], event)
    found = list(good.values())
    return None if not found else found[0] if len(found) == 1 else contested(found)


def _with_gap(event: Good | Failed, at: int, stop: int | None) -> Iterator[Event]:
    """The event behind the bits that belong to none, unless a good frame at `stop` begins inside it."""
    if stop is not None and event.offset + event.size * 8 > stop:
        return
    if event.offset > at:
        yield Skipped(at, event.offset - at, unit="bit")
    yield event


def _sought(name: str, frame: Frame) -> _Sought:
    places: list[int] = []
    values: list[int] = []
    for marker in markers(frame.layout):
        if len(marker.codes) == 1 and marker.codes[0].low == marker.codes[0].high:
            code = marker.codes[0].low
            places += marker.bits
            values += [code >> place & 1 for place in reversed(range(len(marker.bits)))]
    if len(places) < FEWEST:
        raise InputError(
            f"{name} has {len(places)} constant bits, and finding it among bits takes {FEWEST}: give it a sync marker"
        )
    longest = (frame.layout.maximum_bytes or 0) * 8
    return _Sought(name, frame, tuple(places), tuple(values), bool(frame.layout.check_order), longest)


def _candidates(sought: list[_Sought], bits: Bits, errors: int) -> Iterator[tuple[int, bool, _Sought, int]]:
    """Every place where a frame may begin, in order: place, whether inverted, which, how many constant bits are wrong."""
    import numpy as np

    found: list[tuple[int, int, int, int]] = []
    for number, one in enumerate(sought):
        reach = max(one.places) + 1
        span = len(bits) - reach + 1
        if span <= 0:
            continue
        wrong = np.zeros(span, np.uint16)
        for place, value in zip(one.places, one.values, strict=True):
            wrong += bits[place : place + span] ^ value
        for is_inverted, count in ((0, wrong), (1, len(one.places) - wrong)):
            at = np.flatnonzero(count <= errors)
            found += [(int(place), int(count[place]), number, is_inverted) for place in at]
    for where, differing, which, turned in sorted(found):
        yield where, bool(turned), sought[which], differing


def _decoded(
    one: _Sought, bits: Bits, place: int, is_inverted: bool, wrong: int, detail: bool, salvage: bool
) -> Good | Failed | None:
    import numpy as np

    taken = bits[place : place + one.longest_bits] ^ np.uint8(is_inverted)
    taken[list(one.places)] = one.values
    data = np.packbits(taken[: len(taken) // 8 * 8]).tobytes()
    try:
        record, used = one.frame.decode_from(data, 0, detail=detail)
    except DecodeError as error:
        if not isinstance(error, CheckFailed):
            return None
        cut = data[: one.longest_bits // 8]
        read: dict[str, Any] | None = (
            one.frame.decode(cut, salvage=True) if salvage and one.frame.layout.is_fixed else None
        )
        return (
            Failed(one.name, place, cut, error.reason, str(error), read)
            if one.frame.layout.is_fixed
            else None
        )
    if wrong and not one.is_checked:
        return None
    return Good(one.name, place, data[:used], record)
