"""Parts of which a number of varying size tells, and headers whose lengths are such numbers.

RFC 9000 section 19 (frames of types that are variable-length integers); the guide to the encoding of Protocol Buffers: 08 96 01, and
12 07 "testing"; RFC 6455 section 5.7 (web sockets: masked and unmasked hello, 256 octets); RFC 8794 section 4 (sizes of EBML elements).
All from memory.
"""

from __future__ import annotations

import pytest

import packetkit
from packetkit.errors import DecodeError, EncodeError

TWO_BITS = "{first_bits: 2, forms: [{code: 0, bits: 6}, {code: 1, bits: 14}, {code: 2, bits: 30}, {code: 3, bits: 62}]}"
SIZED = "[{from: 128, to: 255}, {from: 64, to: 127, bits: 8}, {from: 32, to: 63, bits: 16}, {from: 16, to: 31, bits: 24}"
SCHEMA = f"""
mission: told-by-first-bits
frames:
  transport:
    told_by: outside
    fields:
      - name: frames
        repeat: {{to_end: true, maximum: 100}}
        group:
          - {{name: type, coding: {TWO_BITS}}}
          - name: content
            told_by: type
            variants:
              - {{name: padding, when: {{type: 0}}}}
              - {{name: ping, when: {{type: 1}}}}
              - name: crypto
                when: {{type: 6}}
                group:
                  - {{name: offset, coding: {TWO_BITS}}}
                  - {{name: size, kind: length, measures: data, coding: {TWO_BITS}}}
                  - {{name: data, kind: bytes, length: rest}}
              - {{name: most_data, when: {{type: 16}}, group: [{{name: most, coding: {TWO_BITS}}}]}}
              - {{name: most_streams, when: {{type: {{from: 18, to: 19}}}}, group: [{{name: most, coding: {TWO_BITS}}}]}}
  record:
    told_by: outside
    fields:
      - name: fields
        repeat: {{to_end: true, maximum: 100}}
        group:
          - {{name: key, bits: 32, coding: continued_low_first}}
          - name: value
            told_by: key
            variants:
              - {{name: number, when: {{key: [8, 16, 24, 128]}}, group: [{{name: number, bits: 64, coding: continued_low_first}}]}}
              - name: text
                when: {{key: [10, 18, 26, 130]}}
                group:
                  - {{name: size, kind: length, bits: 28, coding: continued_low_first, measures: text}}
                  - {{name: text, kind: text, encoding: utf_8, length: rest}}
              - {{name: fixed, when: {{key: [13, 21, 29, 133]}}, group: [{{name: number, kind: float, bits: 32, order: little}}]}}
  socket:
    told_by: outside
    fields:
      - {{name: last, kind: flag}}
      - {{kind: reserved, bits: 3}}
      - {{name: form, bits: 4, states: {{0: continuation, 1: text, 2: binary, 8: close, 9: ping, 10: pong}}}}
      - {{name: masked, kind: flag}}
      - name: size
        kind: length
        measures: content
        coding: {{first_bits: 7, forms: [{{from: 0, to: 125}}, {{code: 126, bits: 16}}, {{code: 127, bits: 64}}]}}
      - {{name: mask, bits: 32, present_when: masked}}
      - {{name: content, kind: bytes, length: rest}}
  element:
    told_by: outside
    fields:
      - {{name: name, kind: constant, bits: 32, code: 0x1A45DFA3}}
      - {{name: size, kind: length, measures: content, coding: {{first_bits: 8, forms: {SIZED}, {{code: 1, bits: 56}}]}}}}
      - {{name: content, kind: bytes, length: rest}}
"""
TOLD = packetkit.parse(SCHEMA)


def test_frames_of_a_packet_are_told_by_types_of_any_size() -> None:
    frame = TOLD.frame("transport")
    data = bytes.fromhex("0106004040" + "aa" * 64 + "108001000013080000")
    record = frame.decode(data)
    contents = [next(iter(one["content"])) for one in record["frames"]]
    assert contents == ["ping", "crypto", "most_data", "most_streams", "padding", "padding"]
    assert record["frames"][1]["content"]["crypto"] == {"offset": 0, "data": b"\xaa" * 64}
    assert record["frames"][2]["content"]["most_data"] == {"most": 65_536}
    assert frame.encode(record) == data
    longer = bytes.fromhex("40018000000100")  # a type in more octets than it needs is the same type
    assert [one["type"] for one in frame.decode(longer)["frames"]] == [1, 1, 0]
    assert frame.encode(frame.decode(longer, detail=True)) == longer


def test_what_a_variant_says_need_not_be_given_and_must_agree() -> None:
    frame = TOLD.frame("transport")
    assert frame.encode({"frames": [{"content": {"ping": {}}}, {"content": {"padding": {}}}]}) == b"\x01\x00"
    with pytest.raises(EncodeError, match="ping is given, but"):
        frame.encode({"frames": [{"type": 2, "content": {"ping": {}}}]})
    with pytest.raises(EncodeError, match="type"):  # two types mean it
        frame.encode({"frames": [{"content": {"most_streams": {"most": 1}}}]})
    with pytest.raises(DecodeError):
        frame.decode(b"\x02")


def test_the_messages_of_the_encoding_guide() -> None:
    frame = TOLD.frame("record")
    data = bytes.fromhex("089601120774657374696e67")
    record = frame.decode(data)
    assert [one["value"] for one in record["fields"]] == [
        {"number": {"number": 150}},
        {"text": {"text": "testing"}},
    ]
    assert frame.encode(record) == data
    sixteen = frame.decode(bytes.fromhex("8001960182010161"))  # field 16, whose key has two octets
    assert [next(iter(one["value"])) for one in sixteen["fields"]] == ["number", "text"]


@pytest.mark.parametrize(
    ("head", "size"),
    [("8105", 5), ("8a05", 5), ("827e0100", 256)],
)
def test_a_frame_of_a_web_socket_has_a_length_of_seven_bits_or_more(head: str, size: int) -> None:
    frame = TOLD.frame("socket")
    octets = bytes.fromhex(head)
    record = frame.decode(octets + bytes(size))
    assert (record["content"], record["masked"], record["mask"]) == (bytes(size), False, None)
    assert frame.encode(record) == octets + bytes(size)


def test_a_masked_greeting_is_the_one_that_the_standard_prints() -> None:
    data = bytes.fromhex("818537fa213d7f9f4d5158")
    record = TOLD.frame("socket").decode(data)
    mask = record["mask"].to_bytes(4, "big")
    assert bytes(one ^ mask[at % 4] for at, one in enumerate(record["content"])) == b"Hello"
    assert TOLD.frame("socket").encode(record) == data


def test_the_size_of_an_element_has_as_many_octets_as_zeros_lead_it() -> None:
    frame = TOLD.frame("element")
    for head in ("83", "4003", "0100000000000003"):
        data = bytes.fromhex("1A45DFA3" + head + "010203")
        assert frame.decode(data) == {"content": b"\1\2\3"}
        assert frame.encode(frame.decode(data, detail=True)) == data
    assert frame.encode({"content": bytes(200)})[:6] == bytes.fromhex("1A45DFA340C8")
