"""Published lists of options, each as long as it says or as its number says, to the end: STUN, TCP, IPv6, advertisements, LoRaWAN.

RFC 5769 section 2.1 (the sample request, whose FINGERPRINT is E57A3BCF; from memory: zlib and hmac work it out); RFC 9293 section 3.1
and 7323 (dpkt reads the options); RFC 8200 section 4.3 (a length in units of eight octets, less one); Bluetooth Core 5.3 volume 3 part C
section 11 and LoRaWAN 1.0.3 section 5 (from memory).
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import struct
import zlib

import dpkt
import pytest

import packetkit

LISTS = """
mission: lists
frames:
  binding:
    told_by: outside
    fields:
      - {name: type, bits: 16, states: {0x0001: request, 0x0101: success}}
      - {name: size, kind: length, bits: 16, measures: attributes}
      - {name: cookie, kind: sync, bits: 32, code: 0x2112A442}
      - {name: transaction, kind: bytes, length: 12}
      - name: attributes
        repeat: {to_end: true, maximum: 20}
        group:
          - {name: type, bits: 16}
          - {name: size, kind: length, bits: 16, measures: value}
          - {name: value, kind: bytes, length: rest}
          - {kind: reserved, up_to: word_32}
  segment:
    told_by: outside
    fields:
      - name: header
        group:
          - {name: source_port, bits: 16}
          - {name: destination_port, bits: 16}
          - {name: sequence, bits: 32}
          - {name: acknowledged, bits: 32}
          - {name: offset, kind: length, bits: 4, measures: header, in: words_of_32}
          - {kind: reserved, bits: 4}
          - {name: control, kind: flags, flags: [cwr, ece, urg, ack, psh, rst, syn, fin]}
          - {name: window, bits: 16}
          - {name: check, bits: 16}
          - {name: urgent, bits: 16}
          - name: options
            repeat: {to_end: true, maximum: 40}
            group:
              - {name: option, bits: 8}
              - name: body
                told_by: option
                variants:
                  - {name: end, when: {option: 0}}
                  - {name: nothing, when: {option: 1}}
                  - {name: largest, when: {option: 2}, group: [{name: size, kind: constant, bits: 8, code: 4}, {name: octets, bits: 16}]}
                  - {name: scale, when: {option: 3}, group: [{name: size, kind: constant, bits: 8, code: 3}, {name: shift, bits: 8}]}
                  - {name: selective, when: {option: 4}, group: [{name: size, kind: constant, bits: 8, code: 2}]}
                  - name: stamps
                    when: {option: 8}
                    group:
                      - {name: size, kind: constant, bits: 8, code: 10}
                      - {name: value, bits: 32}
                      - {name: echo, bits: 32}
      - {name: payload, kind: bytes, length: rest}
  packet:
    told_by: outside
    fields:
      - {name: version, kind: constant, bits: 4, code: 6}
      - {name: traffic, bits: 8}
      - {name: flow, bits: 20}
      - {name: size, kind: length, bits: 16, measures: content}
      - {name: next_header, bits: 8}
      - {name: hops, bits: 8}
      - {name: source, kind: bytes, length: 16}
      - {name: destination, kind: bytes, length: 16}
      - name: content
        group:
          - name: hop_by_hop
            present_when: {next_header: 0}
            group:
              - name: extension
                group:
                  - {name: next_header, bits: 8}
                  - {name: size, kind: length, bits: 8, measures: extension, in: words_of_64, less: 1}
                  - name: options
                    repeat: {to_end: true, maximum: 32}
                    group:
                      - {name: option, bits: 8}
                      - name: body
                        told_by: option
                        variants:
                          - {name: pad, when: {option: 0}}
                          - name: other
                            when: {option: {from: 1, to: 255}}
                            group: [{name: size, kind: count, bits: 8}, {name: value, kind: bytes, length: {count: size}}]
          - {name: payload, kind: bytes, length: rest}
  advertisement:
    told_by: outside
    fields:
      - name: structures
        repeat: {to_end: true, maximum: 10}
        group:
          - {name: size, kind: length, bits: 8, measures: structure}
          - name: structure
            group:
              - {name: type, bits: 8, states: {0x01: flags, 0x09: name, 0x0A: power, 0x16: service data}}
              - {name: value, kind: bytes, length: rest}
  commands:
    told_by: outside
    order: little
    fields:
      - name: commands
        repeat: {to_end: true, maximum: 15}
        group:
          - {name: command, bits: 8}
          - name: answer
            told_by: command
            variants:
              - {name: link_check, when: {command: 2}, group: [{name: margin, bits: 8, unit: dB}, {name: gateways, bits: 8}]}
              - {name: duty_cycle, when: {command: 4}, group: [{kind: reserved, bits: 4}, {name: limit, bits: 4}]}
              - {name: status, when: {command: 6}}
"""
MISSION = packetkit.parse(LISTS)


def _request() -> bytes:
    """The sample request: its integrity and fingerprint worked out by the standard library."""
    head = bytes.fromhex("2112a442b7e7a701bc34d686fa87dfae")
    attributes = (
        bytes.fromhex("80220010")
        + b"STUN test client"
        + bytes.fromhex("002400046e0001ff80290008932ff9b151263b36")
    )
    attributes += bytes.fromhex("00060009") + b"evtj:h6vY   "
    signed = struct.pack(">HH", 1, len(attributes) + 24) + head + attributes
    mac = hmac.new(b"VOkJxbRl1RmTxUk/WvJxBt", signed, hashlib.sha1).digest()
    attributes += struct.pack(">HH", 8, 20) + mac
    checked = struct.pack(">HH", 1, len(attributes) + 8) + head + attributes
    return checked + struct.pack(">HHI", 0x8028, 4, zlib.crc32(checked) ^ 0x5354554E)


def test_the_sample_request_decodes_to_its_attributes() -> None:
    data = _request()
    assert data[-4:] == bytes.fromhex("e57a3bcf")
    frame = MISSION.frame("binding")
    detail = frame.decode(data, detail=True)
    record = frame.decode(data)
    assert (record["type"], len(data)) == ("request", 108)
    assert [one["type"] for one in record["attributes"]] == [0x8022, 0x24, 0x8029, 6, 8, 0x8028]
    assert record["attributes"][0]["value"] == b"STUN test client"
    assert record["attributes"][3]["value"] == b"evtj:h6vY"
    assert frame.encode(detail) == data  # it fills with spaces, which stand in detail
    assert frame.decode(frame.encode(record)) == record


def test_options_of_a_segment_are_those_that_a_general_library_reads() -> None:
    options = bytes.fromhex("020405B4 0402 080A 0001E240 00000000 01 030307".replace(" ", ""))
    judge = dpkt.tcp.TCP(
        sport=50000, dport=80, seq=2**32 - 1, ack=0, win=64240, off=10, opts=options, data=b"hello"
    )
    judge.flags, judge.sum = dpkt.tcp.TH_SYN, 0xBEEF
    data = bytes(judge)
    frame = MISSION.frame("segment")
    record = frame.decode(data)
    found = [(one["option"], *one["body"].items()) for one in record["header"]["options"]]
    assert found == [
        (2, ("largest", {"octets": 1460})),
        (4, ("selective", {})),
        (8, ("stamps", {"value": 123456, "echo": 0})),
        (1, ("nothing", {})),
        (3, ("scale", {"shift": 7})),
    ]
    assert [number for number, *_ in found] == [number for number, _ in dpkt.tcp.parse_opts(judge.opts)]
    assert (record["header"]["control"]["syn"], record["payload"]) == (True, b"hello")
    assert frame.encode(record) == data


def test_an_advertisement_is_lengths_types_and_values() -> None:
    data = bytes.fromhex("020106 0609") + b"Gauge" + bytes.fromhex("020AFC 05161A18E803")
    frame = MISSION.frame("advertisement")
    record = frame.decode(data)
    found = [(one["structure"]["type"], one["structure"]["value"]) for one in record["structures"]]
    assert found == [
        ("flags", b"\x06"),
        ("name", b"Gauge"),
        ("power", b"\xfc"),
        ("service data", b"\x1a\x18\xe8\x03"),
    ]
    assert frame.encode(record) == data
    with pytest.raises(packetkit.DecodeError):
        frame.decode(data + b"\x05\x01")


def test_commands_follow_each_other_each_as_long_as_its_number_says() -> None:
    frame = MISSION.frame("commands")
    record = frame.decode(bytes.fromhex("021402 06 0407"))
    assert [next(iter(one["answer"].items())) for one in record["commands"]] == [
        ("link_check", {"margin": 20, "gateways": 2}),
        ("status", {}),
        ("duty_cycle", {"limit": 7}),
    ]
    assert frame.encode(record) == bytes.fromhex("021402060407")


@pytest.mark.parametrize("values", [[4], [4, 6], []])
def test_an_extension_header_counts_its_units_of_eight_octets_less_one(values: list[int]) -> None:
    options = b"".join(bytes([5, size, *range(size)]) for size in values)
    options += bytes(-(len(options) + 2) % 8)  # options of one octet that pad
    extension = bytes([59, (len(options) + 2) // 8 - 1]) + options
    addresses = ipaddress.ip_address("2001:db8::1").packed + ipaddress.ip_address("ff02::1").packed
    data = struct.pack(">IHBB", 6 << 28, len(extension) + 3, 0, 64) + addresses + extension + b"end"
    frame = MISSION.frame("packet")
    record = frame.decode(data)
    header = record["content"]["hop_by_hop"]["extension"]
    found = [one["body"]["other"]["value"] for one in header["options"] if "other" in one["body"]]
    assert found == [bytes(range(size)) for size in values]
    assert (header["next_header"], record["content"]["payload"]) == (59, b"end")
    assert frame.encode(record) == data
