"""Published frames whose octets go in blocks with a check behind each, the last one shorter, and lengths that do not count the checks.

IEEE 1815 (DNP3) data link: a header of 8 octets, blocks of 16, a CRC behind each; its length counts from the control octet on. Frames:
those that public implementations of it test themselves with (the first is in most texts on it). EN 13757-4 (wireless meters), frame
format A: a first block of 10 octets, then blocks of 16. Telegram: OMS Specification, volume 2, annex N.2.1, a gas meter, with its checks.
The rows of both CRCs are those of the published catalogue of this repository.
"""

from __future__ import annotations

import pytest

import packetkit

SCHEMA = """
mission: blocks
frames:
  data_link:
    fields:
      - {name: start, kind: sync, bits: 16, code: 0x0564}
      - name: length
        kind: length
        bits: 8
        measures: blocks
        less: -5
        not_counted: {every: 16, octets: 2}
      - name: control
        flags: [from_master, primary, frame_count, frame_count_valid]
      - {name: purpose, bits: 4}
      - {name: destination, bits: 16, order: little}
      - {name: source, bits: 16, order: little}
      - {name: check, kind: check, algorithm: CRC-16/DNP, stored: low_octet_first}
      - name: blocks
        repeat: {to_end: true}
        group:
          - {name: data, kind: bytes, length: {at_most: 16}}
          - {name: check, kind: check, algorithm: CRC-16/DNP, stored: low_octet_first}
  meter:
    told_by: outside
    fields:
      - name: length
        kind: length
        bits: 8
        measures: blocks
        less: -9
        not_counted: {every: 16, octets: 2}
      - {name: control, bits: 8, states: {0x44: sends_unasked, 0x46: installs}}
      - {name: manufacturer, bits: 16, order: little}
      - {name: serial, bits: 32, order: little, coding: binary_coded_decimal}
      - {name: version, bits: 8}
      - {name: medium, bits: 8, states: {3: gas, 7: water}}
      - {name: check, kind: check, algorithm: CRC-16/EN-13757}
      - name: blocks
        repeat: {to_end: true}
        group:
          - {name: data, kind: bytes, length: {at_most: 16}}
          - {name: check, kind: check, algorithm: CRC-16/EN-13757}
"""
MISSION = packetkit.parse(SCHEMA)

LINK = [
    ("05 64 05 C0 01 00 00 04 E9 21", 1, 1024, ""),
    ("05 64 05 40 00 04 01 00 A3 96", 1024, 1, ""),
    (
        "05 64 14 F3 01 00 00 04 0A 3B C0 C3 01 3C 02 06 3C 03 06 3C 04 06 3C 01 06 9A 12",
        1,
        1024,
        "C0 C3 01 3C 02 06 3C 03 06 3C 04 06 3C 01 06",
    ),
    (
        (
            "05 64 53 73 00 04 01 00 03 FC C1 E3 81 96 00 02 01 28 01 00 00 00 01 02 01 28 05 24 01 00 01 00 01 02 01 28 01 00 02 00 01 02 "
            "01 28 B4 77 01 00 03 00 01 20 02 28 01 00 00 00 01 00 00 20 A5 25 02 28 01 00 01 00 01 00 00 01 01 01 00 00 03 00 2F AC 00 1E "
            "02 01 00 00 01 00 01 00 00 01 00 00 16 ED"
        ),
        1024,
        1,
        (
            "C1 E3 81 96 00 02 01 28 01 00 00 00 01 02 01 28 01 00 01 00 01 02 01 28 01 00 02 00 01 02 01 28 01 00 03 00 01 20 02 28 01 00 "
            "00 00 01 00 00 20 02 28 01 00 01 00 01 00 00 01 01 01 00 00 03 00 00 1E 02 01 00 00 01 00 01 00 00 01 00 00"
        ),
    ),
]
TELEGRAM = "2E44931578563412330333637A2A0020255923C95AAA26D1B2E7493BC2AD013EC4A6F6D3529B520EDFF0EA6DEFC955B29D6D69EBF3EC8A"


def test_the_longest_frame_counts_what_its_last_block_still_holds() -> None:
    layout = MISSION.layouts["data_link"]  # five octets before the blocks are values, and 250 in them
    assert (layout.maximum_bytes, layout.useful_bits) == (10 + 250 + 2 * 16, 8 * (5 + 250))


def joined(record: dict[str, object]) -> bytes:
    blocks = record["blocks"]
    assert isinstance(blocks, list)
    return b"".join(block["data"] for block in blocks)


@pytest.mark.parametrize(("text", "destination", "source", "data"), LINK)
def test_link_frames_are_those_of_public_texts(text: str, destination: int, source: int, data: str) -> None:
    frame, sent = MISSION.frame("data_link"), bytes.fromhex(text)
    record = frame.decode(sent)
    assert (record["destination"], record["source"]) == (destination, source)
    assert joined(record) == bytes.fromhex(data)
    assert frame.encode(record) == sent == frame.encode(frame.decode(sent, detail=True))
    for at in range(len(sent)):  # every octet is the sync's, the length's, or under some check
        wrong = bytearray(sent)
        wrong[at] ^= 0x10
        with pytest.raises(packetkit.DecodeError):
            frame.decode(bytes(wrong))


def test_a_meters_telegram_is_that_of_the_specification() -> None:
    frame, sent = MISSION.frame("meter"), bytes.fromhex(TELEGRAM)
    record = frame.decode(sent)
    assert (record["serial"], record["medium"], record["version"]) == (12345678, "gas", 0x33)
    assert joined(record) == sent[12:28] + sent[30:46] + sent[48:53]
    assert [len(block["data"]) for block in record["blocks"]] == [16, 16, 5]
    assert frame.encode(record) == sent
    assert frame.decode(sent, detail=True)["length"]["raw"] == 46  # what stands behind it, without checks


@pytest.mark.parametrize("size", [*range(36), 250])
def test_every_number_of_octets_goes_in_blocks_and_comes_back(size: int) -> None:
    frame, data = MISSION.frame("data_link"), bytes(range(size))
    blocks = [{"data": data[at : at + 16]} for at in range(0, size, 16)]
    record = {"control": {}, "purpose": 0, "destination": 1, "source": 2, "blocks": blocks}
    record["control"] = dict.fromkeys(("from_master", "primary", "frame_count", "frame_count_valid"), True)
    sent = frame.encode(record)
    assert sent[2] == size + 5 and len(sent) == 10 + size + 2 * -(-size // 16)
    assert frame.decode(sent) == record
    assert frame.decode_from(sent + b"\x05\x64", 0)[1] == len(sent)


def test_a_short_block_that_is_not_the_last_is_refused_and_so_is_an_empty_one() -> None:
    frame = MISSION.frame("meter")
    record = frame.decode(bytes.fromhex(TELEGRAM))
    for blocks, said in (
        ([{"data": b"a"}, {"data": b"b"}], "16 fit where another one follows"),
        ([{"data": bytes(17)}], "16 at most can be sent"),
        ([{"data": b""}], "16 are too many or too few: after each 16 octets and the rest 2 stand"),
    ):
        with pytest.raises(packetkit.EncodeError, match=said):
            frame.encode({**record, "blocks": blocks})
