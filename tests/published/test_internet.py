"""Published formats of the internet and of local networks, against dpkt 1.9.8, a general packet library, and the standard library.

Ethernet with a tag (IEEE 802.3 and 802.1Q; the check is zlib's), ARP (RFC 826), ICMP (RFC 792), RTP (RFC 3550), TLS (RFC 8446; module ssl
writes the message), NTP (RFC 5905, whose figure 4 prints seconds of dates).
"""

from __future__ import annotations

import ssl
import struct
import zlib

import dpkt
import pytest

import packetkit

NETWORK = """
mission: network
frames:
  ethernet:
    told_by: outside
    fields:
      - {name: destination, kind: bytes, length: 6}
      - {name: source, kind: bytes, length: 6}
      - {name: type, bits: 16}
      - name: tag
        present_when: {type: 0x8100}
        group:
          - {name: priority, bits: 3}
          - {name: drop_eligible, kind: flag}
          - {name: network, bits: 12}
          - {name: type, bits: 16}
      - {name: payload, kind: bytes, length: rest}
      - {name: check, kind: check, algorithm: CRC-32/ISO-HDLC, stored: low_octet_first}
  resolution:
    told_by: outside
    fields:
      - {name: hardware, bits: 16, states: {1: ethernet}}
      - {name: protocol, bits: 16, states: {0x0800: internet}}
      - {name: hardware_size, kind: length, bits: 8, measures: sender_hardware}
      - {name: protocol_size, kind: length, bits: 8, measures: sender_protocol}
      - {name: operation, bits: 16, states: {1: request, 2: reply}}
      - {name: sender_hardware, kind: bytes, length: 6}
      - {name: sender_protocol, kind: bytes, length: 4}
      - {name: target_hardware, kind: bytes, length: 6}
      - {name: target_protocol, kind: bytes, length: 4}
  control:
    told_by: outside
    fields:
      - {name: type, bits: 8}
      - {name: code, bits: 8}
      - {name: check, kind: check, algorithm: SUM-16/INTERNET, covers: whole_frame}
      - name: body
        told_by: type
        variants:
          - name: reply
            when: {type: 0}
            group: &echo
              - {name: identifier, bits: 16}
              - {name: sequence, bits: 16}
              - {name: data, kind: bytes, length: rest}
          - {name: request, when: {type: 8}, group: *echo}
          - name: unreachable
            when: {type: 3}
            group:
              - {kind: reserved, bits: 16}
              - {name: next_hop_limit, bits: 16}
              - {name: original, kind: bytes, length: rest}
  media:
    told_by: outside
    fields:
      - {name: version, kind: constant, bits: 2, code: 2}
      - {name: padded, kind: flag}
      - {name: extended, kind: flag}
      - {name: contributors, kind: count, bits: 4}
      - {name: marker, kind: flag}
      - {name: payload_type, bits: 7}
      - {name: sequence, bits: 16, role: sequence}
      - {name: timestamp, bits: 32}
      - {name: source, bits: 32}
      - {name: contributing, bits: 32, repeat: {count: contributors}}
      - name: extension
        present_when: extended
        group:
          - {name: profile, bits: 16}
          - {name: size, kind: length, bits: 16, in: words_of_32, measures: data}
          - {name: data, kind: bytes, length: rest}
      - {name: payload, kind: bytes, length: rest}
  clock:
    told_by: outside
    fields:
      - {name: leap, bits: 2, states: {0: none, 1: insert, 2: delete, 3: unsynchronised}}
      - {name: version, bits: 3}
      - {name: mode, bits: 3, states: {1: active, 2: passive, 3: client, 4: server, 5: broadcast}}
      - {name: stratum, bits: 8}
      - {name: interval_log2, bits: 8, signed: true}
      - {name: precision_log2, bits: 8, signed: true}
      - {name: root_delay, bits: 32, signed: true, scale: 1/65536, unit: s}
      - {name: root_dispersion, bits: 32, scale: 1/65536, unit: s}
      - {name: reference_identity, kind: bytes, length: 4}
      - name: moments
        repeat: 4
        kind: time
        epoch: "1900-01-01T00:00:00Z"
        counts: {seconds: 32, fraction: 32}
        leap_seconds: not_counted
  record:
    told_by: outside
    fields:
      - {name: content, bits: 8, states: {20: cipher_change, 21: alert, 22: handshake, 23: data}}
      - {name: version, bits: 16}
      - {name: size, kind: length, bits: 16, measures: body}
      - name: body
        told_by: content
        variants:
          - name: alert
            when: {content: alert}
            group:
              - {name: level, bits: 8, states: {1: warning, 2: fatal}}
              - {name: reason, bits: 8, states: {0: close, 40: handshake failure}}
          - name: handshake
            when: {content: handshake}
            group:
              - {name: type, bits: 8, states: {1: client hello, 2: server hello}}
              - {name: size, kind: length, bits: 24, measures: hello}
              - name: hello
                group:
                  - {name: version, bits: 16}
                  - {name: random, kind: bytes, length: 32}
                  - {name: session_size, kind: length, bits: 8, measures: session}
                  - {name: session, kind: bytes, length: rest}
                  - {name: suites_size, kind: length, bits: 16, measures: suites}
                  - {name: suites, bits: 16, repeat: {to_end: true, maximum: 100}}
                  - {name: compressions, kind: count, bits: 8}
                  - {name: compression, bits: 8, repeat: {count: compressions}}
                  - {name: extensions_size, kind: length, bits: 16, measures: extensions}
                  - {name: extensions, kind: bytes, length: rest}
"""
MISSION = packetkit.parse(NETWORK)
HERE, THERE = bytes.fromhex("020000000001"), bytes.fromhex("FFFFFFFFFFFF")


@pytest.mark.parametrize("tagged", [False, True])
def test_an_ethernet_frames_tag_is_there_where_its_type_says_so(tagged: bool) -> None:
    tag = struct.pack(">HHH", 0x8100, 5 << 13 | 42, 0x0800) if tagged else struct.pack(">H", 0x0800)
    data = THERE + HERE + tag + bytes(range(46))
    data += struct.pack("<I", zlib.crc32(data))
    frame = MISSION.frame("ethernet")
    record = frame.decode(data)
    assert record["tag"] == (
        {"priority": 5, "drop_eligible": False, "network": 42, "type": 0x0800} if tagged else None
    )
    assert record["payload"] == bytes(range(46))
    assert frame.encode(record) == data
    judge = dpkt.ethernet.Ethernet(data[:-4])
    assert judge.type == record["type"]
    assert [(tag.id, tag.type) for tag in getattr(judge, "vlan_tags", [])] == (
        [(42, 0x0800)] if tagged else []
    )


def test_an_address_is_asked_for_as_a_general_library_asks() -> None:
    judge = dpkt.arp.ARP(sha=HERE, spa=bytes([10, 0, 0, 1]), tha=bytes(6), tpa=bytes([10, 0, 0, 2]))
    frame = MISSION.frame("resolution")
    record = frame.decode(bytes(judge))
    assert (record["hardware"], record["protocol"], record["operation"]) == (
        "ethernet",
        "internet",
        "request",
    )
    assert (record["sender_hardware"], record["target_protocol"]) == (HERE, bytes([10, 0, 0, 2]))
    assert frame.encode(record) == bytes(judge)


@pytest.mark.parametrize("kind", [0, 8])
@pytest.mark.parametrize("data", [b"", b"odd", b"even"])
def test_an_echo_has_the_check_that_a_general_library_writes(kind: int, data: bytes) -> None:
    judge = dpkt.icmp.ICMP(type=kind, data=dpkt.icmp.ICMP.Echo(id=0x1234, seq=7, data=data))
    frame = MISSION.frame("control")
    record = frame.decode(bytes(judge))
    name = "request" if kind else "reply"
    assert record["body"] == {name: {"identifier": 0x1234, "sequence": 7, "data": data}}
    assert frame.encode(record) == bytes(judge)


@pytest.mark.parametrize("contributors", [0, 2, 15])
@pytest.mark.parametrize("words", [None, 0, 3])
def test_a_media_packet_has_contributors_and_an_extension_in_words(
    contributors: int, words: int | None
) -> None:
    judge = dpkt.rtp.RTP(pt=96, seq=65535, ts=2**32 - 1, ssrc=0xCAFE, data=b"")
    judge.cc, judge.x, judge.m = contributors, int(words is not None), 1
    extension = b"" if words is None else struct.pack(">HH", 0xBEDE, words) + bytes(4 * words)
    data = bytes(judge)[:12] + struct.pack(f">{contributors}I", *range(contributors)) + extension + b"sound"
    frame = MISSION.frame("media")
    record = frame.decode(data)
    assert (record["sequence"], record["timestamp"], record["source"]) == (65535, 2**32 - 1, 0xCAFE)
    assert record["contributing"] == list(range(contributors))
    assert record["extension"] == (None if words is None else {"profile": 0xBEDE, "data": bytes(4 * words)})
    assert record["payload"] == b"sound"
    assert frame.encode(record) == data


@pytest.mark.parametrize(
    ("second", "date"),
    [
        (0, "1900-01-01"),
        (2_208_988_800, "1970-01-01"),
        (2_272_060_800, "1972-01-01"),
        (3_155_587_200, "1999-12-31"),
    ],
)
def test_seconds_of_network_time_are_the_dates_that_its_standard_prints(second: int, date: str) -> None:
    judge = dpkt.ntp.NTP(flags=0b11_100_011, stratum=2, interval=6, precision=236, id=b"GPS\0")
    judge.delay, judge.dispersion = 0xFFFF8000, 0x0001_4000
    judge.update_time = judge.originate_time = judge.receive_time = struct.pack(">II", second, 0)
    judge.transmit_time = struct.pack(">II", second, 1 << 31)
    data = bytes(judge)
    frame = MISSION.frame("clock")
    record = frame.decode(data)
    assert (record["leap"], record["version"], record["mode"]) == ("unsynchronised", 4, "client")
    assert (record["precision_log2"], record["root_delay"], record["root_dispersion"]) == (-20, -0.5, 1.25)
    assert record["moments"] == [
        f"{date}T00:00:00.{digits}" for digits in (*["0000000000Z"] * 3, "5000000000Z")
    ]
    assert frame.encode(record) == data


def test_a_clients_hello_is_read_as_the_standard_library_wrote_it() -> None:
    incoming, outgoing = ssl.MemoryBIO(), ssl.MemoryBIO()
    context = ssl.create_default_context()
    client = context.wrap_bio(incoming, outgoing, server_hostname="station.example")
    with pytest.raises(ssl.SSLWantReadError):
        client.do_handshake()
    data = outgoing.read()
    frame = MISSION.frame("record")
    record = frame.decode(data)
    hello = record["body"]["handshake"]["hello"]
    judge = dpkt.ssl.TLSHandshake(dpkt.ssl.TLSRecord(data).data).data
    assert (hello["version"], hello["random"], hello["session"]) == (0x0303, judge.random, judge.session_id)
    assert hello["suites"] == [suite.code for suite in judge.ciphersuites]
    assert hello["compression"] == [0]
    assert b"station.example" in hello["extensions"]
    assert frame.encode(record) == data
    alert = bytes.fromhex("15030300020228")
    reason = frame.decode(alert)["body"]["alert"]
    assert reason == {"level": "fatal", "reason": "handshake failure"}
    assert frame.encode(frame.decode(alert)) == alert
