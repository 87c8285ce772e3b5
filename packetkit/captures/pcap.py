"""Capture files of network tools: pcap and pcapng, and what a frame is in them.

Sources: draft-ietf-opsawg-pcap (the file of fixed headers), draft-ietf-opsawg-pcapng (the file of blocks); link types by the registry
that the first one names. In a capture of a network a frame is the payload of a UDP datagram; segments of TCP come as such where they are
asked for, and captures/tcp puts them together; other traffic is counted and left out. Of any other link type a frame is the whole packet.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from fractions import Fraction
from typing import Literal

from packetkit.captures.internet import Datagram, Segment, carried
from packetkit.captures.lines import Count
from packetkit.captures.packets import Packet
from packetkit.captures.stream import Received
from packetkit.captures.tcp import Place
from packetkit.errors import InputError, counted

Order = Literal["big", "little"]

# Magic number as it stands in the file -> byte order, parts of a second.
_MAGIC: dict[bytes, tuple[Order, int]] = {
    bytes.fromhex("a1b2c3d4"): ("big", 10**6),
    bytes.fromhex("d4c3b2a1"): ("little", 10**6),
    bytes.fromhex("a1b23c4d"): ("big", 10**9),
    bytes.fromhex("4d3cb2a1"): ("little", 10**9),
}
_SECTION = bytes.fromhex("0a0d0d0a")
_BLOCK_ORDER: dict[bytes, Order] = {bytes.fromhex("1a2b3c4d"): "big", bytes.fromhex("4d3c2b1a"): "little"}
_INTERFACE, _SIMPLE, _ENHANCED = 1, 3, 6
_TIME_RESOLUTION = 9  # the option of an interface

# No packet or block is larger: libraries that write these files keep 256 KiB a packet, and options are short.
LARGEST = 1 << 22


@dataclass(frozen=True, slots=True)
class Taken:
    """What is taken out of a capture: segments of TCP too, or only what comes from or goes to a port; count: the packets."""

    count: Count
    with_tcp: bool = False
    port: int | None = None


Taking = Packet | tuple[Segment, Place]


def is_pcap(head: bytes) -> bool:
    """Return whether the first twelve bytes are those of such a file."""
    return head[:4] in _MAGIC or (head[:4] == _SECTION and head[8:12] in _BLOCK_ORDER)


def may_be_pcap(head: bytes) -> bool:
    """Return whether more bytes behind these could make them those of such a file, which they are not yet."""
    if len(head) < 4:
        return any(magic.startswith(head) for magic in (*_MAGIC, _SECTION))
    return (
        head[:4] == _SECTION and any(mark.startswith(head[8:12]) for mark in _BLOCK_ORDER) and len(head) < 12
    )


class _Pieces:
    """Bytes taken in the lengths that a file's headers say."""

    def __init__(self, pieces: Iterable[bytes]) -> None:
        self._pieces = iter(pieces)
        self._held = bytearray()
        self.offset = 0

    def take(self, size: int) -> bytes:
        """Return the next bytes, fewer only where the file ends."""
        while len(self._held) < size:
            piece = next(self._pieces, None)
            if piece is None:
                break
            self._held += piece
        data = bytes(self._held[:size])
        del self._held[:size]
        self.offset += len(data)
        return data


def packets(pieces: Iterable[bytes], count: Count) -> Iterator[Packet]:
    """Yield the frames of a pcap or pcapng file. Raises InputError where it is none, or is damaged."""
    return (one for one in taken(pieces, Taken(count)) if isinstance(one, Packet))


def taken(pieces: Iterable[bytes], what: Taken) -> Iterator[Taking]:
    """Yield frames, and segments where they are asked for. Raises InputError where it is no such file, or is damaged."""
    source = _Pieces(pieces)
    magic = source.take(4)
    if magic in _MAGIC:
        yield from _classic(source, *_MAGIC[magic], what)
    elif magic == _SECTION:
        yield from _blocks(source, what)
    else:
        raise InputError(f"the file begins with {magic.hex(' ') or 'nothing'}: it is neither pcap nor pcapng")


def _classic(source: _Pieces, order: Order, parts: int, what: Taken) -> Iterator[Taking]:
    head = source.take(20)
    link = int.from_bytes(head[16:20], order) & 0x0FFFFFFF  # the upper bits tell of a check of the link's own
    while header := source.take(16):
        at = source.offset - len(header)
        seconds, fraction, kept = (int.from_bytes(header[place : place + 4], order) for place in (0, 4, 8))
        if len(header) < 16:
            yield Packet(at, header, "the file ends inside a packet's header")
            return
        data = _sized(source, kept, at)
        yield from _frame(link, data, kept, at, seconds + Fraction(fraction, parts), what)


def _sized(source: _Pieces, size: int, at: int) -> bytes:
    if size > LARGEST:
        raise InputError(
            f"the packet at offset {at} says that it has {size:,} bytes: the file is damaged there"
        )
    return source.take(size)


def _blocks(source: _Pieces, what: Taken) -> Iterator[Taking]:
    order: Order = "little"
    interfaces: list[tuple[int, Fraction]] = []  # link type, seconds of one unit of time
    kind_bytes = _SECTION
    while kind_bytes:
        at = source.offset - 4
        size_bytes = source.take(4)
        if kind_bytes == _SECTION:
            mark = source.take(4)
            if mark not in _BLOCK_ORDER:
                raise InputError(
                    f"the section at offset {at} has no byte-order mark: the file is damaged there"
                )
            order, interfaces = _BLOCK_ORDER[mark], []
        kind, size = int.from_bytes(kind_bytes, order), int.from_bytes(size_bytes, order)
        taken = source.offset - at
        if size < taken + 4 or size % 4 or size > LARGEST:
            raise InputError(
                f"the block at offset {at} says that it has {size:,} bytes: the file is damaged there"
            )
        body = source.take(size - taken)
        if len(body) < size - taken:
            yield Packet(at, body, "the file ends inside a block")
            return
        if kind == _INTERFACE:
            interfaces.append((int.from_bytes(body[:2], order), _resolution(body[8:-4], order)))
        elif kind in (_ENHANCED, _SIMPLE):
            yield from _packet_block(kind, body, at, order, interfaces, what)
        kind_bytes = source.take(4)


def _packet_block(
    kind: int, body: bytes, at: int, order: Order, interfaces: list[tuple[int, Fraction]], what: Taken
) -> Iterator[Taking]:
    number = int.from_bytes(body[:4], order) if kind == _ENHANCED else 0
    if number >= len(interfaces):
        raise InputError(f"the packet at offset {at} came by an interface that the file does not describe")
    link, unit = interfaces[number]
    if kind == _SIMPLE:
        kept = min(int.from_bytes(body[:4], order), len(body) - 8)
        yield from _frame(link, body[4 : 4 + kept], kept, at, None, what)
        return
    high, low, kept = (int.from_bytes(body[place : place + 4], order) for place in (4, 8, 12))
    yield from _frame(
        link, body[20 : min(20 + kept, len(body) - 4)], kept, at, (high << 32 | low) * unit, what
    )


def _resolution(options: bytes, order: Order) -> Fraction:
    """How many seconds one unit of time is: a millionth unless the option says otherwise."""
    while len(options) >= 4:
        code, size = int.from_bytes(options[:2], order), int.from_bytes(options[2:4], order)
        if code == _TIME_RESOLUTION and size == 1:
            power = options[4] & 0x7F
            return Fraction(1, 2**power if options[4] & 0x80 else 10**power)
        if code == 0:
            break
        options = options[4 + size + -size % 4 :]
    return Fraction(1, 10**6)


def _frame(
    link: int, data: bytes, kept: int, at: int, time_s: Fraction | None, what: Taken
) -> Iterator[Taking]:
    """The frame of a packet, or the segment in it; none where it is other traffic."""
    what.count.lines += 1
    received = None if time_s is None else Received(_instant(time_s))
    if len(data) < kept:
        yield Packet(
            at, data, f"the file ends after {len(data)} of the packet's {counted(kept, 'byte')}", received
        )
        return
    found = carried(link, data)
    is_meant = found is not None and (what.port is None or what.port in found.ports)
    if is_meant and isinstance(found, Datagram):
        yield Packet(at, found.data, received=received)
    elif is_meant and isinstance(found, Segment) and what.with_tcp:
        yield found, Place(at, received)
    else:
        what.count.without += 1
        what.count.of_tcp += is_meant


def _instant(time_s: Fraction) -> str:
    """The time of a packet in UTC, in microseconds as far as such files usually tell it."""
    start = datetime(1970, 1, 1, tzinfo=timezone.utc)
    try:
        when = start + timedelta(microseconds=int(time_s * 10**6))
    except OverflowError:
        return str(int(time_s))
    return when.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
