"""What a network's packet carries: datagrams of UDP and segments of TCP, under the link layers that captures have.

Sources: link types by the registry that draft-ietf-opsawg-pcap names; RFC 791 and RFC 8200 for IP, RFC 768 for UDP, RFC 9293, section 3.1
for TCP. Parts of a larger packet (fragments) are other traffic: which frame they belong to the first one alone says.
"""

from __future__ import annotations

from collections.abc import Callable
from ipaddress import ip_address
from typing import NamedTuple

# Link type -> where its header ends and the number that says what follows: an EtherType, or None where the packet is IP itself.
_ETHERNET, _RAW, _IPV4, _IPV6, _COOKED, _COOKED_2, _NULL, _LOOP = 1, 101, 228, 229, 113, 276, 0, 108
_UDP, _TCP = 17, 6

FIN, SYN, RST = 1, 2, 4


class Datagram(NamedTuple):
    """What UDP carries, and its ports."""

    ports: tuple[int, int]
    data: bytes


class Segment(NamedTuple):
    """A piece of a TCP stream: its ports, which stream, where it stands there, its bytes.

    size: how many bytes it had, more than its data where the capture cut it. flags: FIN, SYN and RST.
    """

    ports: tuple[int, int]
    stream: str
    sequence: int
    flags: int
    data: bytes
    size: int


Carried = Datagram | Segment | None


def carried(link: int, data: bytes) -> Carried:
    """Return what a packet carries; None for other traffic. Of a link that is no network's, the whole packet, from no port."""
    return _UNWRAP[link](data) if link in _UNWRAP else Datagram((0, 0), data)


def _ethernet(data: bytes) -> Carried:
    kind, at = data[12:14], 14
    while kind in (b"\x81\x00", b"\x88\xa8"):  # a tag of a virtual network stands in between
        kind, at = data[at + 2 : at + 4], at + 4
    return _packet(data[at:]) if kind in (b"\x08\x00", b"\x86\xdd") else None


def _headed(size: int) -> Callable[[bytes], Carried]:
    return lambda data: _packet(data[size:])


def _packet(data: bytes) -> Carried:
    """What an IP packet carries; None for anything else, and for a part of a larger one."""
    if len(data) >= 20 and data[0] >> 4 == 4:
        is_part = int.from_bytes(data[6:8], "big") & 0x3FFF
        start = (data[0] & 15) * 4
        # Where the network card cuts packets itself, the capture has them before, and says 0.
        end = int.from_bytes(data[2:4], "big") or len(data)
        return None if is_part or start < 20 else _payload(data[9], data, start, end, data[12:20])
    if len(data) >= 40 and data[0] >> 4 == 6:
        end = 40 + int.from_bytes(data[4:6], "big")
        return _payload(data[6], data, 40, end if end > 40 else len(data), data[8:40])
    return None


def _payload(protocol: int, data: bytes, start: int, end: int, addresses: bytes) -> Carried:
    inner = data[start:end]
    if protocol == _UDP and len(inner) >= 8:
        size = int.from_bytes(inner[4:6], "big")
        return Datagram(_ports(inner), inner[8:size]) if 8 <= size <= len(inner) else None
    if protocol == _TCP and len(inner) >= 20:
        header = (inner[12] >> 4) * 4
        if not 20 <= header <= end - start:
            return None
        sequence, flags = int.from_bytes(inner[4:8], "big"), inner[13] & (FIN | SYN | RST)
        stream = _stream(addresses, _ports(inner))
        return Segment(_ports(inner), stream, sequence, flags, inner[header:], end - start - header)
    return None


def _ports(inner: bytes) -> tuple[int, int]:
    return int.from_bytes(inner[:2], "big"), int.from_bytes(inner[2:4], "big")


def _stream(addresses: bytes, ports: tuple[int, int]) -> str:
    """How a stream is called: from where, and to where."""
    half = len(addresses) // 2
    hosts = [str(ip_address(one)) for one in (addresses[:half], addresses[half:])]
    first, second = (
        f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
        for host, port in zip(hosts, ports, strict=True)
    )
    return f"{first} > {second}"


_UNWRAP: dict[int, Callable[[bytes], Carried]] = {
    _ETHERNET: _ethernet,
    _RAW: _headed(0),
    _IPV4: _headed(0),
    _IPV6: _headed(0),
    _COOKED: _headed(16),
    _COOKED_2: _headed(20),
    _NULL: _headed(4),
    _LOOP: _headed(4),
}
