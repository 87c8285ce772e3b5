"""Captures in which every frame stands by itself, with its place and, where known, when and how well it was received.

A reader of one form yields `Packet`s; `packet_events` makes events of them. What would surprise a reader: the offset of an event is
where its packet begins in the file as captured (a line, a record, a delimiter), because there it can be looked up; it does not count
the frame's own bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from packetkit.captures.many import Teams
from packetkit.captures.stream import (
    CONTESTED,
    Event,
    Failed,
    Good,
    Reader,
    Received,
    Skipped,
    events,
    obstacle,
    whole,
)
from packetkit.codec.frame import Frame
from packetkit.errors import counted
from packetkit.framing.delimited import Framing, Unwrapper, units
from packetkit.framing.stuffed import Stuffing
from packetkit.mission.load import Mission


@dataclass(frozen=True, slots=True)
class Packet:
    """One frame as it was captured; problem: what is wrong with how it was wrapped, empty where nothing is."""

    offset: int
    data: bytes
    problem: str = ""
    received: Received | None = None


@dataclass(frozen=True, slots=True)
class Strip:
    """Bytes that a radio driver or a forwarder added around each frame."""

    front: int = 0
    back: int = 0


UNTOUCHED = Strip()


def framed(framing: Framing, pieces: Iterable[bytes]) -> Iterator[Packet]:
    """Yield what a delimited stream holds."""
    return (Packet(*unit) for unit in units(framing, pieces))


def stuffed(stuffing: Stuffing, pieces: Iterable[bytes]) -> Iterator[Packet | Skipped]:
    """Yield what demodulated bits hold between flags; offsets and skipped ranges count bits."""
    for one in stuffing.stretches(pieces):
        yield (
            Packet(one.offset, one.data, one.problem)
            if one.is_frame
            else Skipped(one.offset, one.size_bits, unit="bit")
        )


def packet_events(
    mission: Mission | Teams,
    frames: Mapping[str, Frame],
    packets: Iterable[Packet | Skipped],
    *,
    strip: Strip = UNTOUCHED,
    detail: bool = False,
    salvage: bool = False,
    known: Mapping[str, int] | None = None,
    unit: str = "byte",
) -> Iterator[Event]:
    """Yield the events of packets: each is one frame, or where that is none of them, frames back to back; what was skipped stays so.

    known: raw codes of supplied fields, for a frame that has some. unit: what offsets and skipped ranges count, `byte` or `bit`.
    """
    name = next(iter(frames)) if len(frames) == 1 else None
    owners = mission.owners if isinstance(mission, Teams) else None
    in_stream = not obstacle(frames, owners)

    def judged(data: bytes) -> Event:
        if isinstance(mission, Teams):
            return mission.whole(data, detail=detail, salvage=salvage)
        return whole(mission, data, frame=name, detail=detail, salvage=salvage, known=known)

    for packet in packets:
        if isinstance(packet, Skipped):
            yield packet
            continue
        added = strip.front + strip.back
        if packet.problem or len(packet.data) <= added:
            problem = (
                packet.problem or f"{counted(len(packet.data), 'byte')}, of which {added} are not the frame's"
            )
            reason = "framing" if packet.problem else "truncated"
            yield Failed("", packet.offset, packet.data, reason, problem, received=packet.received)
            continue
        data = packet.data[strip.front : len(packet.data) - strip.back]
        event = judged(data)
        found = [event]
        if isinstance(event, Failed) and in_stream and event.reason not in ("check failed", CONTESTED):
            several = list(events(frames, [data], detail=detail, salvage=salvage, owners=owners))
            found = several if any(isinstance(one, Good) for one in several) else found
        for one in found:
            if isinstance(one, (Good, Failed)):
                yield replace(one, offset=packet.offset, received=packet.received)
            else:
                yield replace(
                    one, offset=packet.offset, size=one.size * (8 if unit == "bit" else 1), unit=unit
                )


# What makes events of packets: `packet_events` with everything else given.
Interpret = Callable[[Iterable[Packet | Skipped]], Iterator[Event]]


class Delimited:
    """Looks for delimited frames in a stream that comes in pieces; offsets of events count its bytes."""

    def __init__(self, framing: Framing, interpret: Interpret) -> None:
        self._unwrapper, self._interpret = Unwrapper(framing), interpret

    def feed(self, data: bytes) -> Iterator[Event]:
        """Take the next bytes; yield the events that are certain."""
        return self._interpret(Packet(*unit) for unit in self._unwrapper.feed(data))

    def close(self) -> Iterator[Event]:
        """Take it that the stream has ended."""
        return self._interpret(Packet(*unit) for unit in self._unwrapper.close())


class BackToBack:
    """Looks for frames back to back in a stream that comes in pieces, as `Delimited` does for delimited ones."""

    def __init__(
        self, frames: Mapping[str, Frame], owners: Mapping[str, str] | None, *, detail: bool, salvage: bool
    ) -> None:
        self._reader = Reader(frames, detail=detail, salvage=salvage, owners=owners)

    def feed(self, data: bytes) -> Iterator[Event]:
        """Take the next bytes; yield the events that are certain."""
        self._reader.feed(data)
        return self._reader.events()

    def close(self) -> Iterator[Event]:
        """Take it that the stream has ended."""
        self._reader.close()
        return self._reader.events()
