"""Published numbers of varying length, seven bits an octet: MQTT, Protocol Buffers, DWARF, MIDI files. Values from memory.

MQTT 3.1.1 section 2.2.3 (table 2.4: where a length takes another octet; 321 is C1 02) and figure 3.11 (a topic and an identifier); the
encoding page of Protocol Buffers (150 in field 1 is 08 96 01, "testing" in field 2 is 12 07 ..., one in the other 1A 03 08 96 01); DWARF 4
figures 22 and 23; Standard MIDI Files 1.0, the table of variable-length quantities.
"""

from __future__ import annotations

from typing import Any

import pytest

import packetkit
from packetkit.layout.coding import CODINGS

THINGS = """
mission: things
frames:
  publish:
    told_by: outside
    fields:
      - {name: type, kind: constant, bits: 4, code: 3}
      - {name: duplicate, kind: flag}
      - {name: quality, bits: 2}
      - {name: retain, kind: flag}
      - {name: size, kind: length, bits: 28, coding: continued_low_first, measures: content}
      - name: content
        group:
          - {name: topic_size, kind: length, bits: 16, measures: topic}
          - {name: topic, kind: text, encoding: utf_8, length: rest}
          - {name: identifier, bits: 16, present_when: {quality: [1, 2]}}
          - {name: message, kind: bytes, length: rest}
  field:
    told_by: outside
    fields:
      - {name: number, bits: 5}
      - {name: form, bits: 3, states: {0: number, 2: measured}}
      - name: value
        told_by: form
        variants:
          - {name: number, when: {form: number}, group: [{name: value, bits: 64, coding: continued_low_first}]}
          - name: measured
            when: {form: measured}
            group:
              - {name: size, kind: length, bits: 32, coding: continued_low_first, measures: octets}
              - {name: octets, kind: bytes, length: rest}
  event:
    told_by: outside
    packing: least_significant_first
    fields:
      - {name: delta, bits: 28, coding: continued_high_first}
      - {name: status, kind: constant, bits: 8, code: 0xFF}
      - {name: type, bits: 8}
      - {name: count, kind: count, bits: 28, coding: continued_high_first, maximum: 1000}
      - {name: text, kind: text, length: {count: count}}
  offset:
    told_by: outside
    fields:
      - {name: offset, bits: 32, coding: continued_low_first_signed, scale: 0.5, unit: mm}
"""
MISSION = packetkit.parse(THINGS)
LOW_FIRST = (
    "00:0 02:2 7F:127 8001:128 8101:129 8201:130 B964:12857 C102:321 FF7F:16383 808001:16384 FFFF7F:2097151"
)
LOW_FIRST += " 80808001:2097152 FFFFFF7F:268435455"
SIGNED = "02:2 7E:-2 FF00:127 817F:-127 8001:128 807F:-128 8101:129 FF7E:-129"
HIGH_FIRST = "00:0 40:64 7F:127 8100:128 C000:8192 FF7F:16383 818000:16384 C08000:1048576 FFFF7F:2097151"
HIGH_FIRST += " 81808000:2097152 C0808000:134217728 FFFFFF7F:268435455"
TABLES = {
    "continued_low_first": LOW_FIRST,
    "continued_low_first_signed": SIGNED,
    "continued_high_first": HIGH_FIRST,
}
ROWS = [(name, *pair.split(":")) for name, table in TABLES.items() for pair in table.split()]


@pytest.mark.parametrize(("name", "octets", "number"), ROWS)
def test_a_number_that_goes_on_has_the_octets_that_its_standard_prints(
    name: str, octets: str, number: str
) -> None:
    coding = CODINGS[name]
    assert coding.code_of(32, int(number)) == int(octets, 16)
    assert coding.number_of(32, int(octets, 16)) == int(number)


@pytest.mark.parametrize("octets", ["80", "FF", "0180", "8080808001"])
def test_octets_that_do_not_end_where_they_say_spell_nothing(octets: str) -> None:
    assert all(CODINGS[name].number_of(32, int(octets, 16)) is None for name in TABLES)


@pytest.mark.parametrize(
    ("message", "size"), [(0, "05"), (122, "7F"), (123, "8001"), (316, "C102"), (16379, "808001")]
)
def test_a_published_message_says_its_length_in_as_many_octets_as_it_needs(message: int, size: str) -> None:
    data = bytes.fromhex(f"30 {size} 0003612F62") + bytes(message)
    record = {
        "duplicate": False,
        "quality": 0,
        "retain": False,
        "content": {"topic": "a/b", "identifier": None, "message": bytes(message)},
    }
    frame = MISSION.frame("publish")
    assert frame.decode(data) == record
    assert frame.encode(record) == data
    assert frame.decode_from(data + b"\xff") == (record, len(data))


def test_a_message_that_is_to_arrive_has_an_identifier() -> None:
    data = bytes.fromhex("32 07 0003612F62 000A")
    record = MISSION.frame("publish").decode(data)
    assert record["content"] == {"topic": "a/b", "identifier": 10, "message": b""}
    assert MISSION.frame("publish").encode(record) == data


@pytest.mark.parametrize(
    ("text", "record"),
    [
        ("089601", {"number": 1, "form": "number", "value": {"number": {"value": 150}}}),
        (
            "120774657374696E67",
            {"number": 2, "form": "measured", "value": {"measured": {"octets": b"testing"}}},
        ),
        (
            "1A03089601",
            {"number": 3, "form": "measured", "value": {"measured": {"octets": bytes.fromhex("089601")}}},
        ),
        ("08" + "FF" * 9 + "01", {"number": 1, "form": "number", "value": {"number": {"value": 2**64 - 1}}}),
    ],
)
def test_a_field_of_a_message_is_a_number_or_octets(text: str, record: dict[str, Any]) -> None:
    frame = MISSION.frame("field")
    assert frame.decode(bytes.fromhex(text)) == record
    assert frame.encode(record) == bytes.fromhex(text)


def test_an_event_has_a_time_and_counts_its_text_under_any_packing() -> None:
    data = bytes.fromhex("C000 FF 03 8100") + b"a" * 128
    frame = MISSION.frame("event")
    assert frame.decode(data) == {"delta": 8192, "type": 3, "text": "a" * 128}
    assert frame.encode(frame.decode(data)) == data
    with pytest.raises(packetkit.DecodeError, match="count is 1001, but the schema allows 1000"):
        frame.decode(bytes.fromhex("00 FF 03 8769") + b"a" * 1001)


def test_more_octets_than_the_number_needs_are_read_and_kept_in_detail() -> None:
    """DWARF 4 section 7.6 allows them; what is encoded from a value has none."""
    frame = MISSION.frame("offset")
    assert frame.decode(b"\x80\x80\x00") == {"offset": 0.0}
    detail = frame.decode(b"\x80\x80\x00", detail=True)
    assert detail["offset"]["raw"] == 0x808000
    assert (frame.encode(detail), frame.encode({"offset": 0.0})) == (b"\x80\x80\x00", b"\x00")
    assert frame.encode({"offset": -64.5}) == b"\xff\x7e"


def test_a_number_that_never_ends_or_ends_too_late_is_an_error() -> None:
    frame = MISSION.frame("offset")
    with pytest.raises(packetkit.DecodeError, match="goes on after 5 octets, the most that it has"):
        frame.decode(b"\x80" * 5 + b"\x00")
    with pytest.raises(packetkit.DecodeError, match="goes on after 5 octets"):  # whatever follows, or nothing
        frame.decode(b"\x80" * 5)
    for short in (b"", b"\x80", b"\xff\xff"):
        with pytest.raises(packetkit.DecodeError, match=r"ends? before offset does"):
            frame.decode(short)
    with pytest.raises(packetkit.EncodeError, match="do not go on up to the last"):
        frame.encode({"offset": {"raw": 0x0180}})
    with pytest.raises(packetkit.EncodeError, match="outside"):
        frame.encode({"offset": 2**31})


NESTED = """
mission: things
frames:
  nested:
    fields:
      - {name: outer_size, kind: length, bits: 14, coding: continued_high_first, measures: outer}
      - name: outer
        group:
          - {name: inner_size, kind: length, bits: 14, in: bits, coding: continued_low_first, measures: inner}
          - {name: inner, kind: bytes, length: rest}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""


@pytest.mark.parametrize("size", [0, 15, 16, 125, 126, 127, 128, 1000])
def test_a_length_that_grows_moves_and_lengthens_what_is_around_it(size: int) -> None:
    frame = packetkit.parse(NESTED).frame("nested")
    data = frame.encode({"outer": {"inner": bytes(size)}})
    bits = CODINGS["continued_low_first"].code_of(16, 8 * size)
    inside = bits.to_bytes(1 if 8 * size < 128 else 2, "big")
    around = CODINGS["continued_high_first"].code_of(16, size + len(inside))
    expected = around.to_bytes(1 if size + len(inside) < 128 else 2, "big") + inside + bytes(size)
    assert data[:-2] == expected
    assert frame.decode(data) == {"outer": {"inner": bytes(size)}}


def test_a_condition_on_a_range_holds_in_every_size_that_a_number_can_have() -> None:
    # High group first: 100 is 64, or with an octet that it does not need 80 64; 200 is 81 48, 201 is 81 49, 99 is 63.
    fields = "- {name: c, bits: 14, coding: continued_high_first}\n      - {name: x, bits: 8, present_when: {c: {from: 100, to: 200}}}"
    frame = packetkit.parse(f"mission: things\nframes:\n  one:\n    fields:\n      {fields}\n").frame("one")
    sizes = {"64": 2, "80 64": 3, "81 48": 3, "63": 1, "80 63": 2, "81 49": 2}
    for octets, size in sizes.items():
        data = bytes.fromhex(octets) + b"\x05"
        assert frame.decode_from(data)[1] == size
        assert (frame.decode(data[:size])["x"] == 5) is (size > len(bytes.fromhex(octets)))
    assert frame.encode({"c": 200, "x": 5}) == bytes.fromhex("81 48 05")
