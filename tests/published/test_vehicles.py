"""Published formats of vehicle buses: a truck's engine and trouble codes, a boat's position, questions of an emission test, servo channels.

SAE J1939-21 (identifier), J1939-71 (engine controller 1) and J1939-73 (active trouble codes); NMEA 2000 as in IEC 61162-3 (position, rapid
update) and its transport in pieces (ISO 11783-3's sibling); SAE J1979 (answers to mode 1); ISO 15765-2 (transport); the LIN specification
2.1, whose protected identifiers 0x3C to 0x3F are 0x3C, 0x7D, 0xFE, 0xBF; ARINC 429 (odd parity); servo frames of 16 channels, common
practice. Structures and values from memory; struct and arithmetic on whole numbers are the second working.
"""

from __future__ import annotations

import struct
from typing import Any

import pytest

import packetkit

VEHICLES = """
mission: vehicles
frames:
  identifier:
    told_by: outside
    fields:
      - {kind: reserved, bits: 3}
      - {name: priority, bits: 3}
      - {kind: reserved, bits: 1}
      - {name: page, bits: 1}
      - {name: format, bits: 8}
      - {name: specific, bits: 8}
      - {name: source, bits: 8}
  engine:
    told_by: outside
    packing: least_significant_first
    order: little
    fields:
      - {name: torque_mode, bits: 4}
      - {name: fine_torque, bits: 4, scale: 0.125, unit: "%", missing: true}
      - {name: demanded, bits: 8, offset: -125, unit: "%", missing: &octet [{code: 254, reason: fault}, {code: 255, reason: none}]}
      - {name: torque, bits: 8, offset: -125, unit: "%", missing: *octet}
      - name: speed
        bits: 16
        scale: 0.125
        unit: 1/min
        missing: [{from: 0xFE00, to: 0xFEFF, reason: fault}, {from: 0xFF00, to: 0xFFFF, reason: none}]
      - {name: controller, bits: 8, missing: *octet}
      - {name: starter, bits: 4, missing: true}
      - {name: spare, kind: constant, bits: 4, code: 0xF}
      - {name: engine_demand, bits: 8, offset: -125, unit: "%", missing: *octet}
  trouble:
    told_by: outside
    packing: least_significant_first
    order: little
    fields:
      - {name: protect, bits: 2, states: &lamp {0: dark, 1: lit, 2: fault, 3: not available}}
      - {name: amber, bits: 2, states: *lamp}
      - {name: red, bits: 2, states: *lamp}
      - {name: malfunction, bits: 2, states: *lamp}
      - {name: flashing, bits: 8}
      - name: active
        repeat: {to_end: true, maximum: 19}
        group:
          - {name: parameter, bits: 19, runs: [[21, 3], [0, 16]]}
          - {name: failure, bits: 5}
          - {name: conversion, kind: flag}
          - {name: occurrences, bits: 7, missing: true}
  position:
    told_by: outside
    order: little
    fields:
      - {name: latitude, bits: 32, signed: true, scale: 1e-7, unit: deg, missing: &most {code: 0x7FFFFFFF}}
      - {name: longitude, bits: 32, signed: true, scale: 1e-7, unit: deg, missing: *most}
  piece:
    told_by: outside
    fields:
      - {name: sequence, bits: 3}
      - {name: number, bits: 5}
      - name: body
        told_by: number
        variants:
          - {name: first, when: {number: 0}, group: [{name: total, bits: 8}, {name: data, kind: bytes, length: 6}]}
          - {name: later, when: {number: {from: 1, to: 31}}, group: [{name: data, kind: bytes, length: 7}]}
  answer:
    told_by: outside
    fields:
      - {name: mode, kind: constant, bits: 8, code: 0x41}
      - {name: parameter, bits: 8}
      - name: body
        told_by: parameter
        variants:
          - {name: load, when: {parameter: 0x04}, group: [{name: value, bits: 8, scale: 100/255, unit: "%"}]}
          - {name: coolant, when: {parameter: 0x05}, group: [{name: value, bits: 8, offset: -40, unit: Cel}]}
          - name: fuel_trim
            when: {parameter: {from: 6, to: 9}}
            group: [{name: value, bits: 8, scale: 100/128, offset: -100, unit: "%"}]
          - {name: engine_speed, when: {parameter: 0x0C}, group: [{name: value, bits: 16, scale: 1/4, unit: 1/min}]}
          - {name: air, when: {parameter: 0x10}, group: [{name: value, bits: 16, scale: 0.01, unit: g/s}]}
  lin:
    told_by: outside
    packing: least_significant_first
    fields:
      - {name: sync, kind: sync, bits: 8, code: 0x55}
      - {name: identifier_0, bits: 1}
      - {name: identifier_1, bits: 1}
      - {name: identifier_2, bits: 1}
      - {name: identifier_3, bits: 1}
      - {name: identifier_4, bits: 1}
      - {name: identifier_5, bits: 1}
      - {name: even, kind: check, algorithm: PARITY/EVEN, covers: [identifier_0, identifier_1, identifier_2, identifier_4], fill: zero}
      - {name: odd, kind: check, algorithm: PARITY/ODD, covers: [identifier_1, identifier_3, identifier_4, identifier_5], fill: zero}
  servo:
    told_by: outside
    packing: least_significant_first
    fields:
      - {name: start, kind: sync, bits: 8, code: 0x0F}
      - {name: channels, bits: 11, repeat: 16}
      - {name: digital, kind: flags, flags: [channel_17, channel_18]}
      - {name: lost, kind: flag}
      - {name: failsafe, kind: flag}
      - {kind: reserved, bits: 4}
      - {name: finish, kind: constant, bits: 8, code: 0}
"""

MISSION = packetkit.parse(VEHICLES)

CASES: tuple[tuple[str, str, dict[str, Any]], ...] = (
    # Engine controller 1 is group 61444 (0xF004), priority 3, of source 0.
    ("identifier", "0CF00400", {"priority": 3, "page": 0, "format": 0xF0, "specific": 4, "source": 0}),
    (
        "piece",
        "A01AFF010203FFFF",
        {"sequence": 5, "number": 0, "body": {"first": {"total": 26, "data": b"\xff\x01\x02\x03\xff\xff"}}},
    ),
    (
        "piece",
        "A1112233445566FF",
        {"sequence": 5, "number": 1, "body": {"later": {"data": b"\x11\x22\x33\x44\x55\x66\xff"}}},
    ),
    ("answer", "410C1AF8", {"parameter": 0x0C, "body": {"engine_speed": {"value": 1726.0}}}),
    ("answer", "41057B", {"parameter": 5, "body": {"coolant": {"value": 83}}}),
    ("answer", "4104FF", {"parameter": 4, "body": {"load": {"value": 100.0}}}),
    ("answer", "410640", {"parameter": 6, "body": {"fuel_trim": {"value": -50.0}}}),
    ("answer", "412F80", {"parameter": 0x2F, "body": {"unknown": b"\x80"}}),
)


@pytest.mark.parametrize(("name", "text", "values"), CASES)
def test_a_message_of_a_bus_decodes_to_its_values_and_encodes_back(
    name: str, text: str, values: dict[str, Any]
) -> None:
    frame = MISSION.frame(name)
    assert frame.decode(bytes.fromhex(text)) == values
    assert frame.encode(values) == bytes.fromhex(text)


def test_an_engines_speed_is_in_eighths_and_what_is_not_available_is_none() -> None:
    frame = MISSION.frame("engine")
    data = bytes.fromhex("F07D82681300F37D")
    record = frame.decode(data)
    assert (record["speed"], record["demanded"], record["torque"], record["engine_demand"]) == (
        621.0,
        0,
        5,
        0,
    )
    assert (record["torque_mode"], record["fine_torque"], record["starter"]) == (0, None, 3)
    assert frame.encode(record) == data
    detail = frame.decode(bytes.fromhex("FFFFFFFFFEFFFFFF"), detail=True)
    assert (detail["speed"]["value"], detail["speed"]["reason"]) == (None, "fault")
    assert detail["torque"]["reason"] == "none"


@pytest.mark.parametrize("troubles", [1, 2, 19])
def test_a_trouble_codes_number_lies_around_its_failure_mode(troubles: int) -> None:
    """Nineteen bits: two octets, low one first, and the upper three bits of the third; worked out by shifts."""
    frame = MISSION.frame("trouble")
    active = [(0x7FFFF - 27_043 * n, n % 32, n % 2, 127 if n == 3 else n) for n in range(troubles)]
    data = bytes([0b01_00_11_00, 0xFF])
    for parameter, failure, conversion, times in active:
        data += struct.pack("<H", parameter & 0xFFFF) + bytes(
            [parameter >> 16 << 5 | failure, conversion | times << 1]
        )
    record = frame.decode(data)
    assert (record["protect"], record["amber"], record["red"], record["malfunction"]) == (
        "dark",
        "not available",
        "dark",
        "lit",
    )
    assert [tuple(one.values()) for one in record["active"]] == [
        (*one[:2], bool(one[2]), None if one[3] == 127 else one[3]) for one in active
    ]
    assert frame.encode(record) == data


@pytest.mark.parametrize(
    ("latitude", "longitude"), [(537654321, -1234567), (-900000000, 1800000000), (0, 2**31 - 1)]
)
def test_a_boats_position_is_in_ten_millionths_of_a_degree(latitude: int, longitude: int) -> None:
    frame = MISSION.frame("position")
    data = struct.pack("<ii", latitude, longitude)
    record = frame.decode(data)
    assert record == {
        "latitude": latitude / 10**7,
        "longitude": None if longitude == 2**31 - 1 else longitude / 10**7,
    }
    assert frame.encode(record) == data


@pytest.mark.parametrize(
    ("identifier", "protected"),
    [(0x00, 0x80), (0x01, 0xC1), (0x10, 0x50), (0x3C, 0x3C), (0x3D, 0x7D), (0x3E, 0xFE), (0x3F, 0xBF)],
)
def test_a_protected_identifier_has_two_parities_over_bits_of_its_own(
    identifier: int, protected: int
) -> None:
    frame = MISSION.frame("lin")
    record = {f"identifier_{bit}": identifier >> bit & 1 for bit in range(6)}
    assert frame.encode(record) == bytes([0x55, protected])
    assert frame.decode(bytes([0x55, protected])) == record
    with pytest.raises(packetkit.DecodeError, match="even"):
        frame.decode(bytes([0x55, protected ^ 0x40]))


def test_sixteen_channels_of_eleven_bits_are_one_long_number_low_bit_first() -> None:
    frame = MISSION.frame("servo")
    channels = [172, 992, 1811, 0, 2047, *range(5, 16)]
    packed = sum(value << 11 * place for place, value in enumerate(channels)).to_bytes(22, "little")
    data = b"\x0f" + packed + bytes([0b0000_1010, 0])
    record = frame.decode(data)
    digital = {"channel_17": False, "channel_18": True}
    assert record == {"channels": channels, "digital": digital, "lost": False, "failsafe": True}
    assert frame.encode(record) == data
