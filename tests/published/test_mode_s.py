"""Extended squitters of ICAO Mode S, each declared as a frame, against published messages and values.

The two messages and their values are those of J. Sun, "The 1090 Megahertz Riddle", 2nd edition, chapters on aircraft identification and on
airborne velocity (a text quoting ICAO Annex 10 volume IV; the message bytes as quoted there). The values are also those that
pyModeS 3.6.1, a general decoder of the standard, gives for these bytes: KLM1023 of aircraft 4840D6; 159 kn on track 182.88 degrees,
descending at 832 ft/min, 550 ft above the pressure altitude, of aircraft 485020. The parity is that standard's 24-bit CRC with
generator 0x1FFF409.
"""

from __future__ import annotations

from math import atan2, degrees, hypot

import pytest

import packetkit

SQUITTERS = """
mission: mode-s
frames:
  identification:
    fields:
      - {name: format, kind: tag, bits: 5, code: 17}
      - {name: capability, bits: 3}
      - {name: address, bits: 24}
      - {name: type_code, kind: tag, bits: 5, code: {from: 1, to: 4}}
      - {name: category, bits: 3}
      - name: call_sign
        kind: text
        length: 8
        fill: " "
        alphabet: {bits: 6, characters: {1: ABCDEFGHIJKLMNOPQRSTUVWXYZ, 32: " ", 48: "0123456789"}}
      - {name: parity, kind: check, algorithm: {width: 24, polynomial: 0xFFF409}}
  velocity:
    fields:
      - {name: format, kind: tag, bits: 5, code: 17}
      - {name: capability, bits: 3}
      - {name: address, bits: 24}
      - {name: type_code, kind: tag, bits: 5, code: 19}
      - {name: subtype, kind: tag, bits: 3, code: 1, description: Over ground and below the speed of sound}
      - {name: intent_change, kind: flag}
      - {name: instrument_capability, kind: flag}
      - {name: uncertainty, bits: 3}
      - {name: westward, kind: flag}
      - {name: east_west, bits: 10, offset: -1, scale: 1, missing: 0, unit: kn}
      - {name: southward, kind: flag}
      - {name: north_south, bits: 10, offset: -1, scale: 1, missing: 0, unit: kn}
      - {name: vertical_source, bits: 1, states: {0: satellite, 1: pressure}}
      - {name: descending, kind: flag}
      - {name: vertical_rate, bits: 9, offset: -64, scale: 64, missing: 0, unit: ft/min}
      - {kind: reserved, bits: 2}
      - {name: below_pressure_altitude, kind: flag}
      - {name: height_difference, bits: 7, offset: -25, scale: 25, missing: 0, unit: ft}
      - {name: parity, kind: check, algorithm: {width: 24, polynomial: 0xFFF409}}
"""

IDENTIFICATION = bytes.fromhex("8D4840D6202CC371C32CE0576098")
VELOCITY = bytes.fromhex("8D485020994409940838175B284F")


def test_an_identification_squitter_gives_the_published_call_sign_and_encodes_back() -> None:
    name, record = packetkit.parse(SQUITTERS).decode(IDENTIFICATION)
    assert name == "identification"
    assert record["address"] == 0x4840D6
    assert record["call_sign"] == "KLM1023"  # and a blank, which fills it
    assert packetkit.parse(SQUITTERS).frame(name).encode(record) == IDENTIFICATION


def test_a_velocity_squitter_gives_the_published_motion_and_encodes_back() -> None:
    name, record = packetkit.parse(SQUITTERS).decode(VELOCITY)
    assert name == "velocity"
    assert record["address"] == 0x485020
    east = -record["east_west"] if record["westward"] else record["east_west"]
    north = -record["north_south"] if record["southward"] else record["north_south"]
    assert int(hypot(east, north)) == 159
    assert round(degrees(atan2(east, north)) % 360, 2) == 182.88
    assert (record["descending"], record["vertical_rate"]) == (True, 832)
    assert (record["below_pressure_altitude"], record["height_difference"]) == (False, 550)
    assert packetkit.parse(SQUITTERS).frame(name).encode(record) == VELOCITY


@pytest.mark.parametrize("message", [IDENTIFICATION, VELOCITY], ids=["identification", "velocity"])
def test_each_flipped_bit_of_a_squitter_is_noticed(message: bytes) -> None:
    mission = packetkit.parse(SQUITTERS)
    for bit in range(len(message) * 8):
        damaged = bytearray(message)
        damaged[bit // 8] ^= 0x80 >> bit % 8
        with pytest.raises(packetkit.DecodeError):
            mission.decode(bytes(damaged))
