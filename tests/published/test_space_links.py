"""Frames of space links and what they carry, judged by spacepackets 0.32, a general library of these standards, where it has them.

CCSDS 132.0-B-3 section 4.1 (telemetry frames) with the control word of CCSDS 232.0-B-4 section 4.2; 732.1-B-2 section 4.1 (unified frames);
ECSS-E-ST-70-41C, 7.4.4 (telecommand header): judged. CCSDS 232.0-B-4 section 4.1 (telecommand frames), 732.0-B-4 section 4.1 (advanced
orbiting systems) and 211.0-B-6 section 3.2 with the CRC-32 of its annex (proximity links): bits are put together as text here, from memory.
ISO/IEC 13818-1, 2.4.3.2 to 2.4.3.5 (transport packets): the null packet, and a clock reference put together as text.
"""

from __future__ import annotations

from typing import Any

import pytest
from spacepackets.ccsds.tm_frame import TmTransferFrame
from spacepackets.ecss.tc import PusTc
from spacepackets.uslp.frame import (
    TfdzConstructionRules,
    TransferFrame,
    TransferFrameDataField,
    UslpProtocolIdentifier,
)
from spacepackets.uslp.header import PrimaryHeader

import packetkit

FIRST_PACKET = (
    "{name: first_packet, bits: 11, missing: [{code: 2047, reason: none begins}, {code: 2046, reason: idle}]}"
)
LINKS = packetkit.parse(f"""
mission: space-links
frames:
  telemetry:
    told_by: outside
    fields:
      - {{name: version, kind: constant, bits: 2, code: 0}}
      - {{name: spacecraft, bits: 10}}
      - {{name: channel, bits: 3}}
      - {{name: has_control_word, kind: flag}}
      - {{name: master_count, bits: 8}}
      - {{name: channel_count, bits: 8}}
      - {{name: has_second_header, kind: flag}}
      - {{name: synchronous, kind: flag}}
      - {{name: packet_order, kind: flag}}
      - {{name: segment_length, bits: 2}}
      - {FIRST_PACKET}
      - name: second_header
        present_when: has_second_header
        group:
          - {{name: version, kind: constant, bits: 2, code: 0}}
          - {{name: size, kind: length, bits: 6, measures: content}}
          - {{name: content, kind: bytes, length: rest}}
      - {{name: data, kind: bytes, length: rest}}
      - name: control_word
        present_when: has_control_word
        group:
          - {{name: type, kind: constant, bits: 1, code: 0}}
          - {{name: version, kind: constant, bits: 2, code: 0}}
          - {{name: status, bits: 3}}
          - {{name: procedure, bits: 2}}
          - {{name: channel, bits: 6}}
          - {{kind: reserved, bits: 2}}
          - {{name: states, flags: [no_radio, no_bit_lock, lockout, wait, retransmit]}}
          - {{name: bypass_count, bits: 2}}
          - {{kind: reserved, bits: 1}}
          - {{name: report, bits: 8}}
      - {{name: error_control, kind: check, algorithm: CRC-16/IBM-3740}}
  telecommand:
    told_by: outside
    fields:
      - {{name: version, kind: constant, bits: 2, code: 0}}
      - {{name: bypass, kind: flag}}
      - {{name: control_command, kind: flag}}
      - {{kind: reserved, bits: 2}}
      - {{name: spacecraft, bits: 10}}
      - {{name: channel, bits: 6}}
      - {{name: size, kind: length, bits: 10, measures: whole_frame, less: 1}}
      - {{name: sequence, bits: 8, role: sequence}}
      - {{name: segment, bits: 2, states: {{0: continuation, 1: first, 2: last, 3: unsegmented}}}}
      - {{name: access_point, bits: 6}}
      - {{name: data, kind: bytes, length: rest}}
      - {{name: error_control, kind: check, algorithm: CRC-16/IBM-3740}}
  telecommand_packet:
    told_by: outside
    fields:
      - {{name: version, kind: constant, bits: 3, code: 0}}
      - {{name: type, kind: constant, bits: 1, code: 1}}
      - {{name: has_second_header, kind: constant, bits: 1, code: 1}}
      - {{name: application, bits: 11}}
      - {{name: grouping, bits: 2, states: {{0: continuation, 1: first, 2: last, 3: unsegmented}}}}
      - {{name: sequence, bits: 14, role: sequence}}
      - {{name: size, kind: length, bits: 16, less: 1, measures: data}}
      - name: data
        group:
          - {{name: header_version, kind: constant, bits: 4, code: 2}}
          - {{name: acknowledge, flags: [completed, progress, started, accepted]}}
          - {{name: service, bits: 8}}
          - {{name: message, bits: 8}}
          - {{name: source, bits: 16}}
          - {{name: content, kind: bytes, length: rest}}
          - {{name: error_control, kind: check, algorithm: CRC-16/IBM-3740}}
  unified:
    told_by: outside
    fields:
      - {{name: version, kind: constant, bits: 4, code: 12}}
      - {{name: spacecraft, bits: 16}}
      - {{name: to_spacecraft, kind: flag}}
      - {{name: channel, bits: 6}}
      - {{name: access_point, bits: 4}}
      - {{name: truncated, kind: constant, bits: 1, code: 0}}
      - {{name: size, kind: length, bits: 16, measures: whole_frame, less: 1}}
      - {{name: expedited, kind: flag}}
      - {{name: protocol, kind: flag}}
      - {{kind: reserved, bits: 2}}
      - {{name: has_control_word, kind: flag}}
      - {{name: count_size, bits: 3}}
      - name: sequence
        told_by: count_size
        variants:
          - {{name: none, when: {{count_size: 0}}}}
          - {{name: octet, when: {{count_size: 1}}, group: [{{name: number, bits: 8}}]}}
          - {{name: two_octets, when: {{count_size: 2}}, group: [{{name: number, bits: 16}}]}}
          - {{name: three_octets, when: {{count_size: 3}}, group: [{{name: number, bits: 24}}]}}
          - {{name: seven_octets, when: {{count_size: 7}}, group: [{{name: number, bits: 56}}]}}
      - {{name: construction, bits: 3}}
      - {{name: content, bits: 5}}
      - {{name: data, kind: bytes, length: rest}}
      - {{name: control_word, kind: bytes, length: 4, present_when: has_control_word}}
      - {{name: error_control, kind: check, algorithm: CRC-16/IBM-3740}}
  orbiting_system:
    told_by: outside
    fields:
      - {{name: version, kind: constant, bits: 2, code: 1}}
      - {{name: spacecraft, bits: 8}}
      - {{name: channel, bits: 6}}
      - {{name: count, bits: 24}}
      - {{name: replay, kind: flag}}
      - {{name: cycle_used, kind: flag}}
      - {{kind: reserved, bits: 2}}
      - {{name: cycle, bits: 4, valid_when: cycle_used}}
      - {{kind: reserved, bits: 5}}
      - {FIRST_PACKET}
      - {{name: packets, kind: bytes, length: rest}}
      - {{name: error_control, kind: check, algorithm: CRC-16/IBM-3740}}
  proximity:
    told_by: outside
    fields:
      - {{name: marker, kind: sync, bits: 24, code: 0xFAF320}}
      - name: frame
        group:
          - {{name: version, kind: constant, bits: 2, code: 2}}
          - {{name: expedited, kind: flag}}
          - {{name: protocol, kind: flag}}
          - {{name: construction, bits: 2, states: {{0: packets, 1: segments, 3: user defined}}}}
          - {{name: physical_channel, bits: 1}}
          - {{name: spacecraft, bits: 10}}
          - {{name: port, bits: 3}}
          - {{name: destination, kind: flag}}
          - {{name: size, kind: length, bits: 11, measures: frame, less: 1}}
          - {{name: sequence, bits: 8}}
          - {{name: data, kind: bytes, length: rest}}
      - {{name: check, kind: check, covers: frame, algorithm: {{width: 32, polynomial: 0x00A00805}}}}
  transport_packet:
    told_by: outside
    fields:
      - {{name: sync, kind: sync, bits: 8, code: 0x47}}
      - {{name: indicators, flags: [damaged, unit_start, priority]}}
      - {{name: program, bits: 13}}
      - {{name: scrambling, bits: 2}}
      - {{name: holds, bits: 2, states: {{1: payload, 2: adaptation, 3: both}}}}
      - {{name: continuity, bits: 4}}
      - name: adaptation
        present_when: {{holds: [2, 3]}}
        group:
          - {{name: size, kind: length, bits: 8, measures: field}}
          - name: field
            group:
              - name: told
                present_when: bytes_remain
                group:
                  - {{name: discontinuity, kind: flag}}
                  - {{name: random_access, kind: flag}}
                  - {{name: preferred, kind: flag}}
                  - {{name: has_clock, kind: flag}}
                  - {{kind: reserved, bits: 1}}
                  - {{name: has_splice, kind: flag}}
                  - {{kind: reserved, bits: 2}}
                  - name: clock
                    present_when: has_clock
                    group:
                      - {{name: base, bits: 33}}
                      - {{name: ones, kind: constant, bits: 6, code: 63}}
                      - {{name: extension, bits: 9}}
                      - {{name: seconds, derived: (base * 300 + extension) / 27000000, unit: s}}
                  - {{name: splice, bits: 8, signed: true, present_when: has_splice}}
              - {{name: stuffing, kind: bytes, length: rest}}
      - {{name: payload, kind: bytes, length: rest}}
""")


def octets(bits: str) -> bytes:
    """Return the octets of bits that are written in groups."""
    bits = bits.replace(" ", "")
    return int(bits, 2).to_bytes(len(bits) // 8, "big")


CONTROL_WORD: dict[str, Any] = {
    "status": 5,
    "procedure": 1,
    "channel": 33,
    "states": {"no_radio": False, "no_bit_lock": True, "lockout": False, "wait": True, "retransmit": False},
    "bypass_count": 2,
    "report": 0xA5,
}


@pytest.mark.parametrize("first", [0, 1023, None])
@pytest.mark.parametrize("second", [None, b"", b"\x01\x02\x03"])
@pytest.mark.parametrize("control_word", [None, CONTROL_WORD])
def test_a_telemetry_frame_is_read_alike_by_a_general_library(
    first: int | None, second: bytes | None, control_word: dict[str, Any] | None
) -> None:
    frame = LINKS.frame("telemetry")
    record = {
        "spacecraft": 0x2B3,
        "channel": 5,
        "master_count": 200,
        "channel_count": 17,
        "synchronous": False,
        "packet_order": False,
        "segment_length": 3,
        "first_packet": first,
        "second_header": None if second is None else {"content": second},
        "data": bytes(range(40)),
        "control_word": control_word,
    }
    data = frame.encode(record)
    theirs = TmTransferFrame.unpack(data, len(data), has_error_control_field=True)  # verifies the check
    header, status = theirs.primary_header, theirs.primary_header.frame_datafield_status
    assert (header.master_channel_id.spacecraft_id, header.vc_id, header.ocf_flag) == (
        0x2B3,
        5,
        control_word is not None,
    )
    assert (header.master_ch_frame_count, header.vc_frame_count) == (200, 17)
    assert (status.segment_len_id, status.first_header_pointer) == (3, 2047 if first is None else first)
    assert (theirs.secondary_header.data_field if theirs.secondary_header else None) == second
    assert (theirs.data_field, theirs.op_ctrl_field) == (
        bytes(range(40)),
        octets("0 00 101 01 100001 00 01010 10 0 10100101") if control_word else None,
    )
    assert theirs.pack() == data
    told = {"has_control_word": control_word is not None}
    assert frame.decode(data) == {**record, "has_second_header": second is not None, **told}


def test_a_telecommand_packet_is_that_of_the_librarys_own_page() -> None:
    """The library's documentation prints the packet of service 17, message 1, with counter 22 of application 1."""
    frame = LINKS.frame("telecommand_packet")
    data = bytes.fromhex("1801c01600062f11010000ab62")
    record = frame.decode(data)
    assert (record["application"], record["sequence"], record["grouping"]) == (1, 22, "unsegmented")
    inner = record["data"]
    assert (inner["service"], inner["message"], inner["source"], inner["content"]) == (17, 1, 0, b"")
    assert all(inner["acknowledge"].values())
    assert frame.encode(record) == data == bytes(PusTc(17, 1, seq_count=22, apid=1).pack())


@pytest.mark.parametrize(
    ("name", "size", "number"),
    [("none", 0, None), ("octet", 1, 200), ("two_octets", 2, 65000), ("seven_octets", 7, 1 << 55)],
)
@pytest.mark.parametrize("control_word", [None, b"\x01\x02\x03\x04"])
def test_a_unified_frame_is_read_alike_by_a_general_library(
    name: str, size: int, number: int | None, control_word: bytes | None
) -> None:
    frame = LINKS.frame("unified")
    record: dict[str, Any] = {
        "spacecraft": 0xBEEF,
        "to_spacecraft": True,
        "channel": 33,
        "access_point": 9,
        "expedited": True,
        "protocol": False,
        "sequence": {name: {} if number is None else {"number": number}},
        "construction": 7,
        "content": 5,
        "data": b"payload",
        "control_word": control_word,
    }
    data = frame.encode(record)
    theirs = PrimaryHeader.unpack(data)
    assert (theirs.scid, theirs.vcid, theirs.map_id, theirs.frame_len) == (0xBEEF, 33, 9, len(data) - 1)
    assert (theirs.src_dest, theirs.bypass_seq_ctrl_flag, theirs.op_ctrl_flag) == (
        1,
        1,
        control_word is not None,
    )
    assert (theirs.vcf_count_len, theirs.vcf_count) == (size, number or 0)
    assert theirs.pack() == data[: 7 + size]
    field = TransferFrameDataField(TfdzConstructionRules(7), UslpProtocolIdentifier(5), b"payload")
    assert TransferFrame(theirs, field, None, control_word).pack() == data
    told = {"count_size": size, "has_control_word": control_word is not None}
    assert frame.decode(data) == {**record, **told}


def remainder(bits: str, generator: int, width: int) -> int:
    """What is left of bits and as many zeros as the generator's degree, divided by it."""
    value = int(bits, 2) << width
    for place in range(value.bit_length() - 1, width - 1, -1):
        if value >> place & 1:
            value ^= (1 << width | generator) << place - width
    return value


def test_frames_are_the_bits_that_their_standards_say() -> None:
    """Each frame's bits, as text, and its check by division; 0xFFFF in front is a remainder of the first 16 bits inverted."""
    cases: dict[str, tuple[dict[str, Any], str]] = {
        "telecommand": (
            {"bypass": True, "control_command": False, "spacecraft": 0x2B3, "channel": 33, "sequence": 7,
             "segment": "first", "access_point": 5, "data": b"\x01\x02"},
            "00 1 0 00 1010110011 100001 0000001001 00000111 01 000101 00000001 00000010",
        ),
        "orbiting_system": (
            {"spacecraft": 0xB3, "channel": 63, "count": 0x123456, "replay": False, "cycle_used": True, "cycle": 9,
             "first_packet": None, "packets": b"\xff"},
            "01 10110011 111111 000100100011010001010110 0 1 00 1001 00000 11111111111 11111111",
        ),
    }  # fmt: skip
    for name, (record, bits) in cases.items():
        inverted = (
            "".join("10"[one == "1"] for one in bits.replace(" ", "")[:16]) + bits.replace(" ", "")[16:]
        )
        expected = octets(bits) + remainder(inverted, 0x1021, 16).to_bytes(2, "big")
        assert LINKS.frame(name).encode(record) == expected
        assert LINKS.frame(name).decode(expected) == record


def test_a_proximity_frame_has_a_check_of_32_bits_over_what_follows_its_marker() -> None:
    record: dict[str, Any] = {"expedited": True, "protocol": False, "construction": "packets", "physical_channel": 1,
        "spacecraft": 0x155, "port": 6, "destination": True, "sequence": 0x81, "data": b"\xca\xfe"}  # fmt: skip
    bits = "10 1 0 00 1 0101010101 110 1 00000000110 10000001 11001010 11111110"
    expected = (
        b"\xfa\xf3\x20" + octets(bits) + remainder(bits.replace(" ", ""), 0x00A00805, 32).to_bytes(4, "big")
    )
    assert LINKS.frame("proximity").encode({"frame": record}) == expected
    assert LINKS.frame("proximity").decode(expected) == {"frame": record}


def test_the_null_packet_of_a_transport_stream_decodes_and_encodes_back() -> None:
    frame = LINKS.frame("transport_packet")
    null = bytes.fromhex("471FFF10") + bytes([255] * 184)
    record = frame.decode(null)
    assert (record["program"], record["holds"], record["adaptation"]) == (0x1FFF, "payload", None)
    assert frame.encode(record) == null


def test_a_clock_reference_is_its_base_times_300_and_its_extension_at_27_megahertz() -> None:
    frame = LINKS.frame("transport_packet")
    clock = f"{90_000 * 3600 + 45:033b} 111111 {150:09b}"
    data = (
        bytes.fromhex("4700FF25")
        + octets("00001001 01010000 " + clock + " 1111111111111111")
        + bytes([7] * 174)
    )
    record = frame.decode(data)
    told = record["adaptation"]["field"]["told"]
    assert told["clock"]["seconds"] == (27_000_000 * 3600 + 45 * 300 + 150) / 27_000_000
    assert (told["random_access"], told["splice"], record["adaptation"]["field"]["stuffing"]) == (
        True,
        None,
        b"\xff\xff",
    )
    assert (frame.encode(record), len(data), record["payload"]) == (data, 188, bytes([7] * 174))
