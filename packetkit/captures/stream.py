"""Frames back to back in a stream of bytes, with junk between them: bytes in any pieces, events out.

At a place where a frame's constants agree it is decoded. If it is good, it is taken and the search goes on
behind it; else the search moves on by ONE byte, because a true frame may begin inside a false one. What lies
between good frames is accounted for: frames that were claimed and failed, where their size fits in between;
one that the end cuts off; all other bytes as skipped ranges. The events cover every byte once, in order, and
do not depend on how the bytes were cut into pieces.

What would surprise a reader: with fewer than eight constant bits (first of all with none) agreeing says
nothing, so such frames are found by their check, and bytes between good ones are failed frames only where
they are a whole row of them. Memory is bounded by the longest frame and 64 KiB, not by the input; time is proportional
to it, for hostile input times the longest frame.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

from packetkit.captures.extent import LONGEST_FRAME, BeyondFrameError
from packetkit.captures.probe import Probe
from packetkit.codec.frame import Frame
from packetkit.errors import DecodeError, InputError, ShortFrame, WrongConstant
from packetkit.layout.alike import differ, told
from packetkit.mission.load import Mission

# 64 KiB: more without any good frame is noise, not a row of damaged frames; so much is kept to tell.
LONGEST_ROW = 1 << 16

# A tail of 0x00 or 0xFF counts as unwritten memory from so many bytes on: shorter ones end frames now and then.
UNWRITTEN = 32

# Bytes that are a good frame of two schemas at once; no DecodeError, as each of them finds nothing wrong.
CONTESTED = "contested"


@dataclass(frozen=True, slots=True)
class Received:
    """What the capture says beside a frame: when it came (as it is written there), signal strength, signal-to-noise ratio."""

    time: str | None = None
    rssi_dbm: float | None = None
    snr_db: float | None = None


@dataclass(frozen=True, slots=True)
class Good:
    """A frame with its record; offset counts bytes of the input."""

    frame: str
    offset: int
    data: bytes
    record: dict[str, Any]
    is_verified: bool = True  # False: something that is mixed into a check was recovered from it
    received: Received | None = None

    @property
    def size(self) -> int:
        return len(self.data)


@dataclass(frozen=True, slots=True)
class Failed:
    """Bytes that claim to be a frame and are not a good one.

    reason is the word of the DecodeError, message its text. claimed is empty where no frame is claimed.
    record: what could be read where salvage was asked for and the check is what failed.
    """

    claimed: str
    offset: int
    data: bytes
    reason: str
    message: str
    record: dict[str, Any] | None = None
    received: Received | None = None

    @property
    def size(self) -> int:
        return len(self.data)


@dataclass(frozen=True, slots=True)
class Skipped:
    """Bytes that belong to no frame, or bits where the capture is bits.

    unwritten: they are all 0x00 or all 0xFF at the end, as memory that was never written to.
    """

    offset: int
    size: int
    unwritten: bool = False
    unit: str = "byte"


Event = Good | Failed | Skipped


@dataclass(frozen=True, slots=True)
class _Claim:
    """A place where a frame is claimed. size None: not known, up to what follows; cut: the input ends in it; beyond: it says too much."""

    probe: Probe
    offset: int
    size: int | None
    cut: bool = False
    beyond: BeyondFrameError | None = None


def _claim(probe: Probe, at: int, data: bytes) -> _Claim:
    """The claim of the frame that these bytes begin with; they are all that it could need, or reach to the end."""
    try:
        return _Claim(probe, at, probe.size_of(data))
    except BeyondFrameError as error:
        return _Claim(probe, at, None, beyond=error)
    except ShortFrame:
        return _Claim(probe, at, None, cut=True)
    except DecodeError:  # a count, a length or a variant that no such frame has
        return _Claim(probe, at, None)


def contested(good: list[Good]) -> Failed:
    """Return the event of bytes that frames of several schemas all take for theirs, each with a good check: none of them is believed."""
    claims = " or ".join(sorted(one.frame for one in good))
    longest = max(good, key=lambda one: one.size)
    said = f"the bytes are a good frame of each: {claims}. Give the schemas a tag or a sync marker that tells them apart"
    return Failed(claims, longest.offset, longest.data, CONTESTED, said)


def obstacle(frames: Mapping[str, Frame], owners: Mapping[str, str] | None = None) -> str:
    """Return why these frames cannot be found in a stream, or nothing where they can.

    owners: whose each frame is, where there are several schemas; frames of two of them need not differ, as `Reader` says where they do not.
    """
    for name, frame in frames.items():
        if frame.layout.supplied:
            missing = " and ".join(slot.address for slot in frame.layout.supplied)
            return f"{missing} {'go' if ' and ' in missing else 'goes'} into the check of {name}, which tells nothing without"
        if frame.layout.runs_to_end:
            return f"{name} runs to the end of its bytes, so nothing tells where it ends in a stream"
    known = {name: told(frame.layout) for name, frame in frames.items()}
    same = range(1, 2)
    for first, second in combinations(frames, 2):
        checked = all(frames[name].layout.check_order for name in (first, second))
        if checked or (owners is not None and owners[first] != owners[second]):
            continue  # each place is tried for both, and the check decides
        if not differ(replace(known[first], lengths=same), replace(known[second], lengths=same)):
            return f"{first} and {second} are told apart only by their length, which a stream does not show"
    return ""


def whole(
    mission: Mission,
    data: bytes,
    *,
    frame: str | None = None,
    detail: bool = False,
    salvage: bool = False,
    known: Mapping[str, int] | None = None,
) -> Event:
    """Return the one event of an input that is one frame: for frames that cannot be found in a stream.

    known: raw codes of supplied fields, for a frame that has some.
    """
    name = frame or ""
    if len(data) > LONGEST_FRAME:
        said = f"{len(data):,} bytes are more than the {LONGEST_FRAME:,} that a frame may have: give each frame by itself, or in a framing"
        return Failed(name, 0, data, BeyondFrameError.reason, said)
    try:
        name = frame or mission.identify(data)
        _, made = mission.decode(data, frame=name, detail=detail, known=known)
        supplied = mission.frames[name].layout.supplied
        return Good(name, 0, data, made, all(slot.path[0] in (known or {}) for slot in supplied))
    except DecodeError as error:
        record = None
        if salvage and error.reason == "check failed":
            _, record = mission.decode(data, frame=name, salvage=True, known=known)
        return Failed(name, 0, data, error.reason, str(error), record)


def events(
    frames: Mapping[str, Frame],
    chunks: Iterable[bytes],
    *,
    detail: bool = False,
    salvage: bool = False,
    owners: Mapping[str, str] | None = None,
) -> Iterator[Event]:
    """Yield the events of an input that comes in pieces; owners as `Reader` takes them."""
    reader = Reader(frames, detail=detail, salvage=salvage, owners=owners)
    for chunk in chunks:
        reader.feed(chunk)
        yield from reader.events()
    reader.close()
    yield from reader.events()


class Reader:
    """Takes bytes in any pieces (`feed`, then `close`) and gives events as soon as they are certain.

    detail: good frames come with every slot. salvage: failed ones with what could be read of them. owners: whose each frame is, where
    there are several schemas; then all are tried at each place, and what is good for two of them is `contested`. Raises InputError for
    frames that cannot be found in a stream.
    """

    def __init__(
        self,
        frames: Mapping[str, Frame],
        *,
        detail: bool = False,
        salvage: bool = False,
        owners: Mapping[str, str] | None = None,
    ) -> None:
        problem = obstacle(frames, owners)
        if problem:
            raise InputError(problem)
        self._owners = owners
        self._probes = [Probe(frame, name) for name, frame in frames.items()]
        self._look = max(probe.longest for probe in self._probes)
        self._by_claims = all(probe.is_credible for probe in self._probes)
        self._detail, self._salvage = detail, salvage
        self._buffer = bytearray()
        self._base = 0  # the input's offset of the buffer's first byte
        self._at = 0  # the next place to try
        self._gap = 0  # the first byte not yet accounted for
        self._next = [(0, False)] * len(self._probes)  # where each may start next; False: not before there
        self._claims: list[_Claim] = []
        self._made: deque[Event] = deque()
        self._closed = False
        self._last = b""
        self._tail = 0  # how many equal octets 0x00 or 0xFF the input ends with so far

    def restart(self, offset: int, before: bytes) -> None:
        """Begin anew at an offset of an input: a good frame ended there, or nothing came yet. before: the bytes in front of it."""
        self._buffer.clear()
        self._base = self._at = self._gap = offset
        self._next = [(offset, False)] * len(self._probes)
        self._claims.clear()
        self._made.clear()
        self._closed = False
        self._last, self._tail = before[-1:], _tail(before, 0, b"")

    @property
    def offset(self) -> int:
        """How far the input has been searched, in bytes."""
        return self._at

    def feed(self, data: bytes) -> None:
        """Take the next bytes of the input."""
        self._buffer += data
        self._tail = _tail(data, self._tail, self._last)
        self._last = data[-1:] or self._last
        self._advance(self._end - self._look + 1)
        self._forget()

    def close(self) -> None:
        """Take it that the input has ended."""
        if self._closed:
            return
        self._closed = True
        self._advance(self._end)
        self._at = self._end
        self._account(self._end)

    def events(self) -> Iterator[Event]:
        """Yield the events that are certain and have not been given."""
        while self._made:
            yield self._made.popleft()

    # -- searching ---------------------------------------------------------------------------------

    @property
    def _end(self) -> int:
        return self._base + len(self._buffer)

    def _bytes(self, start: int, stop: int) -> bytes:
        return bytes(self._buffer[start - self._base : stop - self._base])

    def _advance(self, stop: int) -> None:
        """Try every place before `stop`: there the buffer has all that any frame could need."""
        while self._at < stop:
            at = self._candidate(stop)
            if at is None:
                self._at = stop
                break
            self._at = at
            self._settle()
            good = self._try()
            if good is None:
                self._at += 1
                continue
            self._account(at)
            self._made.append(good)
            self._at = self._gap = at + good.size
        self._settle()

    def _candidate(self, stop: int) -> int | None:
        """The next place from here to before stop where some frame may start."""
        best: int | None = None
        for number, probe in enumerate(self._probes):
            place, is_one = self._next[number]
            if not is_one or place < self._at:
                start = max(place, self._at)
                found = probe.find(self._buffer, start - self._base, stop - self._base)
                place, is_one = (stop, False) if found < 0 else (found + self._base, True)
                self._next[number] = place, is_one
            if is_one and place < stop and (best is None or place < best):
                best = place
        return best

    def _try(self) -> Good | Failed | None:
        """The good frame that starts here, or what several schemas take for theirs; else None, and a claim noted."""
        claim: _Claim | None = None
        good: dict[str, Good] = {}  # by owner, the first one of each
        for (place, is_one), probe in zip(self._next, self._probes, strict=True):
            if not is_one or place != self._at:
                continue
            owner = "" if self._owners is None else self._owners[probe.name]
            if owner in good:
                continue
            data = self._bytes(self._at, self._at + probe.longest)
            if probe.may_be_good(data):
                try:
                    record, used = probe.frame.decode_from(data, 0, detail=self._detail)
                    good[owner] = Good(probe.name, self._at, data[:used], record)
                    if self._owners is None:
                        break
                    continue
                except DecodeError:
                    pass  # what failed is told when it is certain that no good frame begins inside
            if claim is None and self._by_claims:
                claim = _claim(probe, self._at, data)
        if good:
            found = list(good.values())
            return found[0] if len(found) == 1 else contested(found)
        if claim is not None:
            self._claims.append(claim)
        return None

    # -- accounting --------------------------------------------------------------------------------

    def _settle(self) -> None:
        """Account for the first claims as far as no good frame can begin inside them any more."""
        while self._claims:
            first = self._claims[0]
            limit = first.offset + (first.probe.longest if first.size is None else first.size)
            if limit > self._at or first.cut:
                return
            self._fail(self._claims.pop(0), limit)

    def _account(self, stop: int) -> None:
        """Account for all bytes before `stop`: a good frame begins there, or the input ends."""
        if self._by_claims:
            while self._claims:
                first = self._claims.pop(0)
                self._fail(first, min(stop, first.offset + (first.size or first.probe.longest)), stop)
        elif stop - self._gap <= LONGEST_ROW:
            end = self._written(stop)
            for claim in self._row(end):
                self._fail(claim, min(claim.offset + (claim.size or end), end), end)
        self._skip(stop)

    def _fail(self, claim: _Claim, end: int, stop: int | None = None) -> None:
        """Make an event of a claim that ends there, if nothing speaks against it."""
        probe = claim.probe
        if claim.offset < self._gap:
            return
        if claim.size is None and self._claims:
            end = min(end, self._claims[0].offset)
        if claim.cut:
            fits = self._closed and end == self._end
        else:
            fits = claim.beyond is not None or end - claim.offset >= (
                probe.shortest if claim.size is None else claim.size
            )
        if not fits:
            return
        failed = self._failed(claim, self._bytes(claim.offset, end))
        if failed.reason == WrongConstant.reason:
            return  # one whose place varies: it is some other frame, or none
        self._skip(claim.offset)
        self._made.append(failed)
        self._gap = end

    def _failed(self, claim: _Claim, data: bytes) -> Failed:
        frame = claim.probe.frame
        if claim.beyond is not None:
            return Failed(claim.probe.name, claim.offset, data, claim.beyond.reason, str(claim.beyond))
        try:
            frame.decode(data)
        except DecodeError as error:
            record = None
            if self._salvage and error.reason == "check failed":
                record = frame.decode(data, salvage=True)
            return Failed(claim.probe.name, claim.offset, data, error.reason, str(error), record)
        raise AssertionError(f"{claim.probe.name} at {claim.offset} is good, but was not taken")

    def _skip(self, stop: int) -> None:
        if stop <= self._gap:
            return
        blank = self._written(stop)
        if blank > self._gap:
            self._made.append(Skipped(self._gap, blank - self._gap))
        if stop > blank:
            self._made.append(Skipped(blank, stop - blank, stop - blank >= UNWRITTEN))
        self._gap = stop

    def _written(self, stop: int) -> int:
        """Where a tail that was never written to begins, else stop."""
        is_tail = self._closed and stop == self._end and self._tail >= UNWRITTEN
        return max(self._gap, stop - self._tail) if is_tail else stop

    def _row(self, stop: int) -> list[_Claim]:
        """The bytes since the last good frame as a row of frames, none where they are not a whole number of them.

        At the end of the input the row may break off.
        """
        row: list[_Claim] = []
        at = self._gap
        while at < stop:
            data = self._bytes(at, min(stop, at + self._look))
            agreeing = [probe for probe in self._probes if probe.agrees(data)]
            if len(agreeing) != 1:
                break
            claim = _claim(agreeing[0], at, data)
            row.append(claim)
            at = stop if claim.size is None else at + claim.size
        is_whole = at == stop and not any(claim.size is None for claim in row)
        return row if is_whole or (self._closed and stop == self._end) else []

    def _forget(self) -> None:
        """Drop the bytes that nothing can refer to any more."""
        keep = self._claims[0].offset if self._claims else self._at
        if not self._by_claims and self._at - self._gap <= LONGEST_ROW:
            keep = self._gap
        if keep > self._base:
            del self._buffer[: keep - self._base]
            self._base = keep


def _tail(data: bytes, before: int, last: bytes) -> int:
    """How many equal octets 0x00 or 0xFF the input ends with after these bytes; before, last: how many until now, and which."""
    octet = data[-1:]
    if octet not in (b"\x00", b"\xff"):
        return 0 if octet else before
    run = len(data) - len(data.rstrip(octet))
    return run + before if run == len(data) and octet == last else run
