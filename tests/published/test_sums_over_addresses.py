"""Checks that cover what another layer supplies: UDP, TCP and ICMPv6 over pseudo-headers, a CRC whose register a connection sets.

Layouts: RFC 768 (zero is sent as all ones, and zero means that there is no check), RFC 9293 section 3.1, RFC 8200 section 8.1 (a zero
check is none of these there), RFC 4443 section 2.3. Judge: dpkt 1.9.8, a general packet library, which computes the checks of the packets
that it writes. The ICMPv6 packet is the simple RPL example of RFC 7400 (appendix A, from memory; its check was also added up by hand).
The CRC's rows: the published catalogue of this repository, CRC-24/BLE, whose register starts from 0x555555 in advertisements and, in a
connection, from a number that opened it (Bluetooth Core, volume 6, part B, section 3.1.1, from memory).
"""

from __future__ import annotations

import dpkt
import pytest

import packetkit
from packetkit.integrity import catalog, crc

ADDRESSES = """
      - {name: source, kind: supplied, bits: 32}
      - {name: destination, kind: supplied, bits: 32}"""
LONG_ADDRESSES = "".join(
    f"\n      - {{name: {name}_{half}, kind: supplied, bits: 64}}"
    for name in ("source", "destination")
    for half in ("high", "low")
)
LONG = "source_high, source_low, destination_high, destination_low, {size_of: whole_frame, bits: 32}, 0, 0, 0"

SCHEMA = f"""
mission: transport
frames:
  datagram:
    told_by: outside
    fields:{ADDRESSES}
      - {{name: source_port, bits: 16}}
      - {{name: destination_port, bits: 16}}
      - {{name: length, kind: length, bits: 16, measures: whole_frame}}
      - name: check
        kind: check
        algorithm: SUM-16/INTERNET
        covers: whole_frame
        also: [source, destination, 0, 17, length]
        zero_is_sent_as: all_ones
        not_computed: 0
      - {{name: data, kind: bytes, length: rest}}
  long_datagram:
    told_by: outside
    fields:{LONG_ADDRESSES}
      - {{name: source_port, bits: 16}}
      - {{name: destination_port, bits: 16}}
      - {{name: length, kind: length, bits: 16, measures: whole_frame}}
      - name: check
        kind: check
        algorithm: SUM-16/INTERNET
        covers: whole_frame
        also: [{LONG}, 17]
        zero_is_sent_as: all_ones
      - {{name: data, kind: bytes, length: rest}}
  segment:
    told_by: outside
    fields:{ADDRESSES}
      - {{name: source_port, bits: 16}}
      - {{name: destination_port, bits: 16}}
      - {{name: sequence, bits: 32}}
      - {{name: acknowledged, bits: 32}}
      - {{name: header_words, bits: 4, default: 5}}
      - {{kind: reserved, bits: 4}}
      - name: flags
        flags: [congested, echo, urgent, acknowledge, push, reset, synchronise, finish]
      - {{name: window, bits: 16}}
      - name: check
        kind: check
        algorithm: SUM-16/INTERNET
        covers: whole_frame
        also: [source, destination, 0, 6, {{size_of: whole_frame, bits: 16}}]
      - {{name: urgent_to, bits: 16, default: 0}}
      - {{name: rest, kind: bytes, length: rest}}
  control:
    told_by: outside
    fields:{LONG_ADDRESSES}
      - {{name: type, bits: 8}}
      - {{name: code, bits: 8}}
      - name: check
        kind: check
        algorithm: SUM-16/INTERNET
        covers: whole_frame
        also: [{LONG}, 58]
      - {{name: body, kind: bytes, length: rest}}
  link:
    told_by: outside
    packing: least_significant_first
    fields:
      - {{name: opened_with, kind: supplied, bits: 24}}
      - {{name: header, bits: 8}}
      - {{name: size, kind: length, bits: 8, measures: payload}}
      - {{name: payload, kind: bytes, length: rest}}
      - {{name: check, kind: check, algorithm: CRC-24/BLE, starts_from: opened_with}}
"""
MISSION = packetkit.parse(SCHEMA)
HERE, THERE = bytes([192, 168, 0, 1]), bytes([192, 168, 0, 199])
KNOWN = {"source": int.from_bytes(HERE, "big"), "destination": int.from_bytes(THERE, "big")}
SOME = [b"", b"x", b"\xff\xff\0\1", bytes(range(7))]  # even and odd
PORTS = {"source_port": 0x414, "destination_port": 53}


def halves(source: bytes, destination: bytes) -> dict[str, int]:
    return {
        f"{name}_{half}": int.from_bytes(octets, "big")
        for name, address in (("source", source), ("destination", destination))
        for half, octets in (("high", address[:8]), ("low", address[8:]))
    }


def verified(name: str, data: bytes, known: dict[str, int]) -> None:
    """Known addresses verify a frame, wrong ones refuse it, unknown ones leave it undecided; all of them encode it back."""
    frame = MISSION.frame(name)
    record = frame.decode(data, known=known)
    assert {key: record[key] for key in known} == known and frame.encode(record) == data
    for key in known:
        with pytest.raises(packetkit.CheckFailed):
            frame.decode(data, known={**known, key: known[key] ^ 0x0101})
    detail = frame.decode(data, detail=True)
    assert {detail[key]["reason"] for key in known} == {"not known"}
    assert frame.encode(detail) == data
    with pytest.raises(packetkit.EncodeError, match="not known here"):
        frame.encode(frame.decode(data))


def sent(protocol: dpkt.Packet, number: int, long: bool = False) -> bytes:
    """A packet's payload as the judge sends it, with its check."""
    if long:
        packet = dpkt.ip6.IP6(src=HERE * 4, dst=THERE * 4, nxt=number, data=protocol, plen=len(protocol))
        return bytes(packet)[40:]
    return bytes(dpkt.ip.IP(src=HERE, dst=THERE, p=number, data=protocol))[20:]


@pytest.mark.parametrize("data", SOME)
def test_datagrams_are_those_of_the_judge(data: bytes) -> None:
    judge = sent(dpkt.udp.UDP(sport=0x414, dport=53, data=data, ulen=8 + len(data)), 17)
    assert MISSION.frame("datagram").encode({**KNOWN, **PORTS, "data": data}) == judge
    verified("datagram", judge, KNOWN)


@pytest.mark.parametrize("data", SOME)
def test_long_addresses_are_fed_in_halves(data: bytes) -> None:
    judge = sent(dpkt.udp.UDP(sport=0x414, dport=53, data=data, ulen=8 + len(data)), 17, long=True)
    known = halves(HERE * 4, THERE * 4)
    assert MISSION.frame("long_datagram").encode({**known, **PORTS, "data": data}) == judge
    verified("long_datagram", judge, known)


@pytest.mark.parametrize("data", SOME)
@pytest.mark.parametrize("sequence", [0, 2**32 - 1])
def test_segments_feed_their_size_which_is_not_sent(data: bytes, sequence: int) -> None:
    segment = dpkt.tcp.TCP(sport=0x414, dport=53, seq=sequence, ack=7, flags=0x18, win=8760, data=data)
    judge = sent(segment, 6)
    record = MISSION.frame("segment").decode(judge, known=KNOWN)
    assert (record["sequence"], record["window"], record["rest"]) == (sequence, 8760, data)
    assert record["flags"]["push"] and record["flags"]["acknowledge"] and not record["flags"]["finish"]
    verified("segment", judge, KNOWN)


def test_zero_is_sent_as_all_ones_and_zero_says_that_nothing_was_computed() -> None:
    frame = MISSION.frame("datagram")
    record = {**KNOWN, **PORTS}
    check = int.from_bytes(frame.encode({**record, "data": b"\0\0"})[6:8], "big")
    data = frame.encode({**record, "data": check.to_bytes(2, "big")})  # then all sums to zero
    assert (
        data[6:8] == b"\xff\xff" == sent(dpkt.udp.UDP(sport=0x414, dport=53, data=data[8:], ulen=10), 17)[6:8]
    )
    verified("datagram", data, KNOWN)
    none = data[:6] + b"\0\0" + data[8:]
    assert frame.decode(none, detail=True, known=KNOWN)["check"] == {
        "raw": 0,
        "value": 0,
        "note": "not computed",
    }
    assert frame.encode({**record, "check": 0, "data": data[8:]}) == none
    long = MISSION.frame("long_datagram")
    known = halves(HERE * 4, THERE * 4)
    data = long.encode({**known, **PORTS, "data": b"x"})
    with pytest.raises(packetkit.CheckFailed):
        long.decode(data[:6] + b"\0\0" + data[8:], known=known)


def test_the_control_message_of_the_rfc_is_verified() -> None:
    header = bytes.fromhex(
        "60000000 00083aff fe80000000000000 021cdafffe002024 ff02000000000000 000000000000001a"
    )
    payload = bytes.fromhex("9b006bde00000000")
    known = halves(header[8:24], header[24:40])
    verified("control", payload, known)
    assert MISSION.frame("control").decode(payload, known=known)["type"] == 155


@pytest.mark.parametrize("payload", SOME)
def test_a_register_starts_from_what_opened_the_connection(payload: bytes) -> None:
    frame = MISSION.frame("link")
    advertised = frame.encode({"opened_with": 0x555555, "header": 2, "payload": payload})
    row = catalog.find("CRC-24/BLE")
    assert int.from_bytes(advertised[-3:], "little") == crc.compute(row, advertised[:-3])
    verified("link", advertised, {"opened_with": 0x555555})
    verified(
        "link",
        frame.encode({"opened_with": 0x123456, "header": 2, "payload": payload}),
        {"opened_with": 0x123456},
    )
