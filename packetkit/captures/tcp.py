"""Streams of TCP put together again from captured segments: any order in, the bytes as they were sent out, and what is missing said.

A stream is one direction of a connection. Its next bytes are given as soon as they are there; what came again is left out (the first copy
counts), what came early is held. Bytes that the capture lacks are given up as missing where the connection ends, where the capture does, or
where more than HELD bytes wait behind them; what follows begins a run of its own, as a frame does not go on across a gap. Source: RFC 9293,
sections 3.4 (sequence numbers) and 3.8.6 (windows of up to 2**30 bytes by RFC 7323). What would surprise a reader: where a capture begins
inside a connection, nobody knows where the first segment seen has its place, so the first few are held and put in order, or wait for the
segment that opens the connection; what comes later still from before them is left out, and said.
"""

from __future__ import annotations

import heapq
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import NamedTuple, Protocol

from packetkit.captures.internet import FIN, RST, SYN, Segment
from packetkit.captures.lines import Count
from packetkit.captures.stream import Event, Failed, Good, Received, Skipped

# So many bytes wait for earlier ones in one stream: what a receiver's window usually holds is less. In all streams together, TOTAL.
HELD, TOTAL = 1 << 20, 1 << 26

# So many segments of a stream whose beginning the capture lacks are held before the first of them counts as its beginning. A sender takes
# three later ones for a loss (RFC 5681, section 3.2), and captures of several interfaces shuffle a few more.
SETTLING = 16

# So many streams are kept in mind, the ended ones too, because their last segments may come again.
MOST = 4096

# A segment further off belongs to another connection between the same ports: no window is larger.
_FAR = 1 << 30


class Place(NamedTuple):
    """Where a segment stands in the capture: the offset of its packet, and when that came."""

    offset: int
    received: Received | None = None


class Run(NamedTuple):
    """The next bytes of a stream."""

    stream: str
    place: Place
    data: bytes


class Gap(NamedTuple):
    """Bytes of a stream that the capture lacks, before the packet at this place."""

    stream: str
    place: Place
    size: int


class Inside(NamedTuple):
    """A stream is given from here on; the capture begins inside it, and lacks whatever it carried before this packet."""

    stream: str
    place: Place


class Late(NamedTuple):
    """Bytes of a stream that came too late to be put before the first ones that were given."""

    stream: str
    place: Place
    size: int


class End(NamedTuple):
    """The end of a stream."""

    stream: str


Given = Run | Gap | Inside | Late | End


@dataclass(slots=True)
class _Stream:
    """One direction of a connection: at counts the bytes that are done with, from the one with sequence number `base`.

    settling: how many segments are held until the first byte is certain, 0 where it is; first: which it is, in a stream that began
    before the capture, None in others.
    """

    name: str
    base: int
    settling: int = 0
    at: int = 0
    first: int | None = None
    end: tuple[int, Place] | None = None  # where the sender closed it, and by which packet
    is_over: bool = False
    held: list[tuple[int, int, bytes, Place]] = field(
        default_factory=list
    )  # a heap by position, then by arrival
    waiting: int = 0
    arrived: int = 0

    def position(self, sequence: int) -> int:
        """Where a sequence number stands, taken for the nearest of those that it could be."""
        ahead = (sequence - self.base - self.at + (1 << 31)) % (1 << 32) - (1 << 31)
        return self.at + ahead

    def take(self, position: int, data: bytes, place: Place) -> Iterator[Given]:
        """Take a segment's bytes; give what is next, if it is there now."""
        if data and self.first is not None and position < self.first:
            yield Late(self.name, place, min(len(data), self.first - position))
        if data and (self.settling or position + len(data) > self.at):
            heapq.heappush(self.held, (position, self.arrived, data, place))
            self.arrived += 1
            self.waiting += len(data)
        if not self.settling:
            yield from self.ready()
        elif self.arrived >= self.settling:
            yield from self.settle()

    def open(self, position: int) -> None:
        """Begin with this byte: the segment that opens the connection says so."""
        self.at, self.settling = position, 0

    def settle(self) -> Iterator[Given]:
        """Begin with the first byte that came."""
        self.settling = 0
        if self.held:
            self.at = self.first = self.held[0][0]
            yield Inside(self.name, self.held[0][3])
            yield from self.ready()

    def ready(self) -> Iterator[Given]:
        while self.held and self.held[0][0] <= self.at:
            position, _, data, place = heapq.heappop(self.held)
            self.waiting -= len(data)
            if new := data[self.at - position :]:
                self.at += len(new)
                yield Run(self.name, place, new)

    def give_up(self) -> Iterator[Given]:
        """Give up what is missing before the first bytes that wait, and give these."""
        if self.settling:
            yield from self.settle()
            return
        position, _, _, place = self.held[0]
        yield Gap(self.name, place, position - self.at)
        self.at = position
        yield from self.ready()

    def close(self) -> Iterator[Given]:
        """End it, and give all that waits."""
        while self.held:
            yield from self.give_up()
        self.settling = 0
        if not self.is_over:
            self.is_over = True
            if self.end is not None and self.end[0] > self.at:
                yield Gap(self.name, self.end[1], self.end[0] - self.at)
                self.at = self.end[0]
            yield End(self.name)


class Streams:
    """All streams of a capture: segments in, and what they make of them.

    settling: how many segments of a stream without a beginning are held; 1: none, as nobody waits for a second one.
    """

    def __init__(self, settling: int = SETTLING) -> None:
        self._settling = settling
        self._known: dict[str, _Stream] = {}
        self._waiting = 0

    def take(self, segment: Segment, place: Place) -> Iterator[Given]:
        """Take the next segment of the capture; give what is certain by it."""
        stream = self._known.pop(segment.stream, None)
        begins = segment.sequence + 1 if segment.flags & SYN else segment.sequence
        if stream is not None and self._is_another(stream, segment, begins):
            yield from self._changed(stream, stream.close())
            stream = None
        if stream is None:
            if not segment.flags & SYN and not segment.data:
                return  # says nothing of a stream that nobody knows
            stream = _Stream(segment.stream, begins, 0 if segment.flags & SYN else self._settling)
        self._known[stream.name] = stream  # the last one used is the last to be forgotten
        yield from self._changed(stream, self._taken(stream, segment, begins, place))
        while len(self._known) > MOST:
            oldest = self._known.pop(next(iter(self._known)))
            yield from self._changed(oldest, oldest.close())

    def close(self) -> Iterator[Given]:
        """Take it that the capture ends: give all that waits."""
        for stream in self._known.values():
            yield from stream.close()
        self._known.clear()

    def _is_another(self, stream: _Stream, segment: Segment, begins: int) -> bool:
        if segment.flags & RST:
            return False
        position = stream.position(begins)
        if segment.flags & SYN and stream.settling:
            return not stream.held[0][0] - HELD <= position <= stream.held[0][0]
        if segment.flags & SYN:
            return (begins - stream.base) % (1 << 32) != 0
        goes_on = stream.is_over and segment.data and position + len(segment.data) > stream.at
        return bool(goes_on) or abs(position - stream.at) > _FAR

    def _taken(self, stream: _Stream, segment: Segment, begins: int, place: Place) -> Iterator[Given]:
        if stream.is_over:
            return  # a last segment that came again
        position = stream.position(begins)
        if not segment.flags & RST:  # what stands there is no part of the stream (RFC 9293, section 3.5.3)
            if segment.flags & SYN and stream.settling:
                stream.open(position)
            yield from stream.take(position, segment.data, place)
        while stream.waiting > HELD or (stream.held and self._waiting + stream.waiting > TOTAL):
            yield from stream.give_up()
        if segment.flags & FIN:
            stream.end = position + segment.size, place
        if segment.flags & RST or (stream.end is not None and stream.at >= stream.end[0]):
            yield from stream.close()

    def _changed(self, stream: _Stream, made: Iterator[Given]) -> Iterator[Given]:
        """What is made of one stream; meanwhile the bytes that wait are those of all the others."""
        self._waiting -= stream.waiting
        yield from made
        self._waiting += stream.waiting


# -- frames in them --------------------------------------------------------------------------------


class Finder(Protocol):
    """What looks for frames in one run of bytes; offsets of its events count these bytes."""

    def feed(self, data: bytes) -> Iterator[Event]: ...

    def close(self) -> Iterator[Event]: ...


class _Run:
    """A run of a stream without gaps: its finder, and where each of its bytes came from."""

    def __init__(self, finder: Finder) -> None:
        self._finder = finder
        self._places: deque[tuple[int, Place]] = deque()
        self._size = 0

    def feed(self, run: Run) -> Iterator[Event]:
        self._places.append((self._size, run.place))
        self._size += len(run.data)
        yield from self._placed(self._finder.feed(run.data))

    def close(self) -> Iterator[Event]:
        yield from self._placed(self._finder.close())

    def _placed(self, found: Iterator[Event]) -> Iterator[Event]:
        """Events with the place of the packet that brought their first byte. They come in order, so earlier places are forgotten."""
        for event in found:
            while len(self._places) > 1 and self._places[1][0] <= event.offset:
                self._places.popleft()
            place = self._places[0][1]
            if isinstance(event, Skipped):
                yield replace(event, offset=place.offset)
            else:
                yield replace(event, offset=place.offset, received=place.received)


def stream_events(
    segments: Iterable[tuple[Segment, Place] | Event],
    finder: Callable[[], Finder],
    count: Count,
    settling: int = SETTLING,
) -> Iterator[Event]:
    """Yield the events of streams; those that come along are passed on in their place. finder: makes one for each run of bytes.

    count: streams that began before the capture are counted there.
    """
    streams, runs = Streams(settling), dict[str, _Run]()
    for one in segments:
        if isinstance(one, (Good, Failed, Skipped)):
            yield one
        else:
            yield from _events(streams.take(*one), runs, finder, count)
    yield from _events(streams.close(), runs, finder, count)


def _events(
    given: Iterable[Given], runs: dict[str, _Run], finder: Callable[[], Finder], count: Count
) -> Iterator[Event]:
    for one in given:
        if isinstance(one, Run):
            if one.stream not in runs:
                runs[one.stream] = _Run(finder())
            yield from runs[one.stream].feed(one)
        elif isinstance(one, Inside):
            count.inside += 1
        elif isinstance(one, Late):
            yield Skipped(one.place.offset, one.size)
        else:
            if one.stream in runs:
                yield from runs.pop(one.stream).close()
            if isinstance(one, Gap):
                said = f"{one.size:,} bytes of the TCP stream {one.stream} before this packet are not in the capture"
                yield Failed("", one.place.offset, b"", "gap", said, received=one.place.received)
