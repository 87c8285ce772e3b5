"""Published formats of industry, grids, meters and light: Modbus, telecontrol, synchrophasors, meters, building sensors, clocks by network.

Modbus application protocol V1.1b3 (sections 6.3, 6.12 and 7 print requests and answers) with the CRC of "Modbus over serial line" V1.02;
IEC 60870-5-104 clause 5 (frames of the types I, S and U); IEEE C37.118-2005 section 6.4 (configuration); EN 13757-4 (first block of a
radio meter's frame of format A); ISO/IEC 14543-3-10's serial packets; IEEE 1588-2008 clause 13 (sync); IEEE 802.15.4-2006 section 7.2
(addresses as wide as two fields say). Structures and values from memory; struct, crccheck and arithmetic are the second working.
"""

from __future__ import annotations

import struct
from typing import Any

import pytest
from crccheck.crc import Crc8Smbus, Crc16CcittFalse, Crc16En13757, Crc16Kermit, Crc16Modbus

import packetkit

INDUSTRY = """
mission: industry
frames:
  answer:
    told_by: outside
    fields:
      - {name: unit, bits: 8}
      - {name: failed, kind: flag}
      - {name: function_code, bits: 7}
      - name: body
        told_by: [failed, function_code]
        variants:
          - name: registers
            when: {failed: false, function_code: [3, 4]}
            group:
              - {name: size, kind: length, bits: 8, measures: values}
              - {name: values, bits: 16, repeat: {to_end: true, maximum: 125}}
          - {name: written, when: {failed: false, function_code: 16}, group: [{name: address, bits: 16}, {name: quantity, bits: 16}]}
          - name: refused
            when: {failed: true}
            group:
              - {name: reason, bits: 8, states: {1: illegal function, 2: illegal address, 3: illegal value, 4: failure}}
      - {name: check, kind: check, algorithm: CRC-16/MODBUS, stored: low_octet_first}
  request:
    told_by: outside
    fields:
      - {name: transaction, bits: 16}
      - {name: protocol, kind: constant, bits: 16, code: 0}
      - {name: size, kind: length, bits: 16, measures: rest_of_it}
      - name: rest_of_it
        group:
          - {name: unit, bits: 8}
          - {name: function_code, bits: 8}
          - name: body
            told_by: function_code
            variants:
              - {name: read, when: {function_code: [3, 4]}, group: [{name: address, bits: 16}, {name: quantity, bits: 16}]}
              - name: write
                when: {function_code: 16}
                group:
                  - {name: address, bits: 16}
                  - {name: quantity, bits: 16}
                  - {name: size, kind: length, bits: 8, measures: values}
                  - {name: values, bits: 16, repeat: {to_end: true, maximum: 123}}
  telecontrol:
    told_by: outside
    packing: least_significant_first
    order: little
    fields:
      - {name: start, kind: sync, bits: 8, code: 0x68}
      - {name: size, kind: length, bits: 8, measures: content}
      - name: content
        group:
          - {name: form, bits: 1}
          - name: body
            told_by: form
            variants:
              - name: information
                when: {form: 0}
                group:
                  - {name: sent, bits: 15}
                  - {kind: reserved, bits: 1}
                  - {name: received, bits: 15}
                  - {name: type, bits: 8}
                  - {name: objects, bits: 7}
                  - {name: sequence, kind: flag}
                  - {name: cause, bits: 6}
                  - {name: negative, kind: flag}
                  - {name: test, kind: flag}
                  - {name: originator, bits: 8}
                  - {name: station, bits: 16}
                  - {name: information, kind: bytes, length: rest}
              - name: numberless
                when: {form: 1}
                group:
                  - {name: control, bits: 1}
                  - name: body
                    told_by: control
                    variants:
                      - name: supervisory
                        when: {control: 0}
                        group:
                          - {kind: reserved, bits: 15}
                          - {name: received, bits: 15}
                      - name: commands
                        when: {control: 1}
                        group:
                          - name: of
                            kind: flags
                            flags: [start, start_done, stop, stop_done, test, test_done]
                          - {kind: reserved, bits: 24}
  configuration:
    told_by: outside
    fields:
      - {name: sync, kind: sync, bits: 16, code: 0xAA31}
      - {name: size, kind: length, bits: 16, measures: whole_frame}
      - {name: source, bits: 16}
      - {name: moment, kind: time, epoch: "1970-01-01T00:00:00Z", counts: {seconds: 32}, leap_seconds: not_counted}
      - {name: quality, bits: 8}
      - {name: fraction, bits: 24}
      - {name: base, bits: 32}
      - {name: units, kind: count, bits: 16, maximum: 8}
      - name: stations
        repeat: {count: units}
        group:
          - {name: station, kind: text, length: 16, fill: " "}
          - {name: identity, bits: 16}
          - {kind: reserved, bits: 12}
          - {name: form, kind: flags, flags: [frequency_float, analog_float, phasor_float, polar]}
          - {name: phasors, kind: count, bits: 16, maximum: 20}
          - {name: analogs, kind: count, bits: 16, maximum: 20}
          - {name: digitals, kind: count, bits: 16, maximum: 4}
          - {name: phasor_names, kind: text, length: 16, fill: " ", repeat: {count: phasors}}
          - {name: analog_names, kind: text, length: 16, fill: " ", repeat: {count: analogs}}
          - {name: words, repeat: {count: digitals}, group: [{name: names, kind: text, length: 16, fill: " ", repeat: 16}]}
          - name: phasor_scales
            repeat: {count: phasors}
            group:
              - {name: quantity, bits: 8, states: {0: voltage, 1: current}}
              - {name: scale, bits: 24, scale: 1e-5}
          - {name: analog_scales, repeat: {count: analogs}, group: [{name: kind_of, bits: 8}, {name: scale, bits: 24, signed: true}]}
          - {name: masks, repeat: {count: digitals}, group: [{name: normal, bits: 16}, {name: valid, bits: 16}]}
          - {kind: reserved, bits: 15}
          - {name: nominal, bits: 1, states: {0: 60 Hz, 1: 50 Hz}}
          - {name: changes, bits: 16}
      - {name: rate, bits: 16, signed: true}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
  meter:
    told_by: outside
    order: little
    fields:
      - {name: size, bits: 8}
      - {name: control, bits: 8}
      - name: maker
        word_bits: 16
        order: little
        group:
          - {kind: reserved, bits: 1}
          - {name: first, bits: 5, offset: 64}
          - {name: second, bits: 5, offset: 64}
          - {name: third, bits: 5, offset: 64}
      - {name: serial, bits: 32, coding: binary_coded_decimal}
      - {name: version, bits: 8}
      - {name: medium, bits: 8, states: {2: electricity, 3: gas, 4: heat, 7: water}}
      - {name: check, kind: check, algorithm: CRC-16/EN-13757, stored: high_octet_first}
  building:
    told_by: outside
    fields:
      - {name: sync, kind: sync, bits: 8, code: 0x55}
      - name: header
        group:
          - {name: data_size, kind: length, bits: 16, measures: data}
          - {name: optional_size, kind: length, bits: 8, measures: optional}
          - {name: type, bits: 8}
      - {name: header_check, kind: check, algorithm: CRC-8/SMBUS, covers: header}
      - {name: data, kind: bytes, length: rest}
      - {name: optional, kind: bytes, length: rest}
      - {name: data_check, kind: check, algorithm: CRC-8/SMBUS, covers: [data, optional]}
  clock:
    told_by: outside
    fields:
      - {name: transport, bits: 4}
      - {name: message, kind: constant, bits: 4, code: 0}
      - {kind: reserved, bits: 4}
      - {name: version, bits: 4}
      - {name: size, kind: length, bits: 16, measures: whole_frame}
      - {name: domain, bits: 8}
      - {kind: reserved, bits: 8}
      - {name: flags, bits: 16}
      - {name: correction, bits: 64, signed: true, description: in 1/65536 ns}
      - {kind: reserved, bits: 32}
      - {name: clock, kind: bytes, length: 8}
      - {name: port, bits: 16}
      - {name: sequence, bits: 16}
      - {name: control, bits: 8}
      - {name: interval_log2, bits: 8, signed: true}
      - {name: origin, group: [{name: second, bits: 48, unit: s}, {name: nanosecond, bits: 32, unit: ns}]}
  network:
    told_by: outside
    packing: least_significant_first
    order: little
    fields:
      - {name: type, bits: 3, states: {0: beacon, 1: data, 2: acknowledgement, 3: command}}
      - {name: security, kind: flag}
      - {name: pending, kind: flag}
      - {name: acknowledge, kind: flag}
      - {name: one_network, kind: flag}
      - {kind: reserved, bits: 3}
      - {name: target_form, bits: 2, states: &form {0: absent, 2: near, 3: full}}
      - {name: version, bits: 2}
      - {name: source_form, bits: 2, states: *form}
      - {name: sequence, bits: 8}
      - name: target
        present_when: {target_form: [near, full]}
        group:
          - {name: network, bits: 16}
          - {name: near, bits: 16, present_when: {target_form: near}}
          - {name: full, bits: 64, present_when: {target_form: full}}
      - name: source
        present_when: {source_form: [near, full]}
        group:
          - {name: network, bits: 16, present_when: {one_network: false}}
          - {name: near, bits: 16, present_when: {source_form: near}}
          - {name: full, bits: 64, present_when: {source_form: full}}
      - {name: payload, kind: bytes, length: rest}
      - {name: check, kind: check, algorithm: CRC-16/KERMIT}
"""
MISSION = packetkit.parse(INDUSTRY)


def _serial(text: str) -> bytes:
    """A Modbus answer of unit 17 with its check, low octet first."""
    data = bytes.fromhex("11" + text)
    return data + struct.pack("<H", Crc16Modbus.calc(data))


MODBUS: tuple[tuple[str, bytes, dict[str, Any]], ...] = (
    (
        "answer",
        _serial("0306022B00000064"),
        {"unit": 17, "failed": False, "function_code": 3, "body": {"registers": {"values": [555, 0, 100]}}},
    ),
    (
        "answer",
        _serial("1000010002"),
        {
            "unit": 17,
            "failed": False,
            "function_code": 16,
            "body": {"written": {"address": 1, "quantity": 2}},
        },
    ),
    (
        "answer",
        _serial("8102"),
        {"unit": 17, "failed": True, "function_code": 1, "body": {"refused": {"reason": "illegal address"}}},
    ),
    (
        "request",
        bytes.fromhex("15010000000611 03006B0003"),
        {
            "transaction": 0x1501,
            "rest_of_it": {"unit": 17, "function_code": 3, "body": {"read": {"address": 107, "quantity": 3}}},
        },
    ),
    (
        "request",
        bytes.fromhex("15010000000B11 100001000204000A0102"),
        {
            "transaction": 0x1501,
            "rest_of_it": {
                "unit": 17,
                "function_code": 16,
                "body": {"write": {"address": 1, "quantity": 2, "values": [10, 258]}},
            },
        },
    ),
)


@pytest.mark.parametrize(("name", "data", "record"), MODBUS)
def test_registers_are_read_and_written_as_the_protocol_prints_it(
    name: str, data: bytes, record: dict[str, Any]
) -> None:
    frame = MISSION.frame(name)
    assert frame.decode(data) == record
    assert frame.encode(record) == data


@pytest.mark.parametrize(
    ("text", "command"),
    [
        ("07", "start"),
        ("0B", "start_done"),
        ("13", "stop"),
        ("23", "stop_done"),
        ("43", "test"),
        ("83", "test_done"),
    ],
)
def test_a_telecontrol_line_is_started_stopped_and_tested(text: str, command: str) -> None:
    frame = MISSION.frame("telecontrol")
    data = bytes.fromhex(f"6804{text}000000")
    flags = frame.decode(data)["content"]["body"]["numberless"]["body"]["commands"]["of"]
    assert [name for name, raised in flags.items() if raised] == [command]
    assert frame.encode(frame.decode(data)) == data


@pytest.mark.parametrize("received", [0, 1, 32767])
def test_a_telecontrol_station_says_what_it_received_and_what_it_sends(received: int) -> None:
    frame = MISSION.frame("telecontrol")
    data = bytes.fromhex("68040100") + struct.pack("<H", received << 1)
    assert frame.decode(data)["content"]["body"]["numberless"]["body"] == {
        "supervisory": {"received": received}
    }
    assert frame.encode(frame.decode(data)) == data
    data = (
        bytes.fromhex("680E")
        + struct.pack("<HH", 5 << 1, received << 1)
        + bytes.fromhex("64010600010000000014")
    )
    sent = frame.decode(data)["content"]["body"]["information"]
    assert (sent["sent"], sent["received"], sent["type"], sent["objects"]) == (5, received, 100, 1)
    assert (sent["cause"], sent["station"], sent["information"]) == (6, 1, bytes.fromhex("00000014"))
    assert frame.encode(frame.decode(data)) == data


def _text(words: str) -> bytes:
    return words.encode().ljust(16)


@pytest.mark.parametrize("units", [0, 1, 3])
def test_a_grid_stations_configuration_names_its_channels(units: int) -> None:
    block = _text("Station A") + struct.pack(">5H", 7734, 0b0100, 2, 1, 1)
    block += _text("VA") + _text("I1") + _text("ANALOG1") + b"".join(_text(f"BREAKER {n}") for n in range(16))
    block += struct.pack(">IIiI", 915527, 1 << 24 | 45776, -5, 0x0000FFFF) + struct.pack(">HH", 1, 22)
    data = (
        struct.pack(">HIIIH", 7734, 1149577200, 0x56071098, 1_000_000, units)
        + block * units
        + struct.pack(">h", 30)
    )
    data = struct.pack(">HH", 0xAA31, len(data) + 6) + data
    data += struct.pack(">H", Crc16CcittFalse.calc(data))
    frame = MISSION.frame("configuration")
    record = frame.decode(data)
    assert (record["moment"], record["base"], record["rate"]) == ("2006-06-06T07:00:00Z", 1_000_000, 30)
    assert len(record["stations"]) == units
    for one in record["stations"]:
        assert (one["station"], one["phasor_names"], one["analog_names"]) == (
            "Station A",
            ["VA", "I1"],
            ["ANALOG1"],
        )
        assert one["words"] == [{"names": [f"BREAKER {n}" for n in range(16)]}]
        assert [scale["quantity"] for scale in one["phasor_scales"]] == ["voltage", "current"]
        assert (one["phasor_scales"][0]["scale"], one["nominal"]) == (9.15527, "50 Hz")
        assert one["form"] == {
            "frequency_float": False,
            "analog_float": True,
            "phasor_float": False,
            "polar": False,
        }
    assert frame.encode(record) == data


def test_a_meters_first_block_names_its_maker_by_three_letters_of_five_bits() -> None:
    body = bytes([0x2E, 0x44]) + struct.pack("<HI", (1 << 5 | 2) << 5 | 3, 0x12345678) + bytes([0x1B, 0x07])
    data = body + struct.pack(">H", Crc16En13757.calc(body))
    frame = MISSION.frame("meter")
    record = frame.decode(data)
    assert "".join(map(chr, record["maker"].values())) == "ABC"
    assert (record["serial"], record["medium"]) == (12345678, "water")
    assert frame.encode(record) == data


@pytest.mark.parametrize(("size", "more"), [(7, 7), (0, 0), (1, 255), (300, 0)])
def test_a_header_with_a_check_of_its_own_says_two_lengths(size: int, more: int) -> None:
    header = struct.pack(">HBB", size, more, 1)
    body = bytes(n * 7 & 0xFF for n in range(size + more))
    data = b"\x55" + header + bytes([Crc8Smbus.calc(header)]) + body + bytes([Crc8Smbus.calc(body)])
    frame = MISSION.frame("building")
    record = frame.decode(data)
    assert (record["data"], record["optional"]) == (body[:size], body[size:])
    assert frame.encode(record) == data


def test_a_clocks_sync_is_44_octets_with_48_bits_of_seconds() -> None:
    data = struct.pack(
        ">BBHBBHqI8sHHBb", 0x10, 2, 44, 0, 0, 0x0200, -98304, 0, b"\0\x1b\x19\xff\xfe\0\0\1", 1, 77, 0, -3
    ) + struct.pack(">HII", 1, 2, 999_999_999)
    frame = MISSION.frame("clock")
    record = frame.decode(data)
    assert (len(data), record["correction"], record["interval_log2"]) == (44, -98304, -3)
    assert record["origin"] == {"second": 2**32 + 2, "nanosecond": 999_999_999}
    assert frame.encode(record) == data


@pytest.mark.parametrize("source_form", [0, 2, 3])
@pytest.mark.parametrize("target_form", [0, 2, 3])
@pytest.mark.parametrize("one_network", [0, 1])
def test_addresses_are_as_wide_as_their_forms_say(
    source_form: int, target_form: int, one_network: int
) -> None:
    control = 1 | one_network << 6 | target_form << 10 | 1 << 12 | source_form << 14
    data = struct.pack("<HB", control, 9)
    if target_form:
        data += struct.pack("<H", 0xABCD) + (
            struct.pack("<H", 1) if target_form == 2 else struct.pack("<Q", 2**63)
        )
    if source_form:
        data += b"" if one_network else struct.pack("<H", 0x1234)
        data += struct.pack("<H", 2) if source_form == 2 else struct.pack("<Q", 3)
    data += b"reading"
    data += struct.pack("<H", Crc16Kermit.calc(data))
    frame = MISSION.frame("network")
    record = frame.decode(data)
    assert (record["target"] or {"near": None})["near"] == (1 if target_form == 2 else None)
    assert (record["source"] is None) == (source_form == 0)
    if record["source"]:
        assert record["source"]["network"] == (None if one_network else 0x1234)
    assert record["payload"] == b"reading"
    assert frame.encode(record) == data
