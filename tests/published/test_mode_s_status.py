"""More of ICAO Mode S: surface position, target state, operational status; capability and weather registers of a selective reply.

Fields and steps: ICAO Doc 9871, tables A-2-6, A-2-16, A-2-23, A-2-68, A-2-69, A-2-98, A-2-101 and RTCA DO-260B, from memory. Messages: the
pair of surface positions of J. Sun, "The 1090 Megahertz Riddle", 2nd edition, and messages of the test suite of pyModeS, from memory, each
with a right parity; that of the operational status is ours. pyModeS 3.6.1, a general decoder of these messages, read each of them: the
values here are those that it gave.
"""

from __future__ import annotations

from typing import Any

import pytest

import packetkit

SQUITTERS = packetkit.parse("""
mission: mode-s-status
frames:
  surface_position:
    fields:
      - {name: format, kind: tag, bits: 5, code: 17}
      - {name: capability, bits: 3}
      - {name: address, bits: 24}
      - {name: type_code, kind: tag, bits: 5, code: {from: 5, to: 8}}
      - name: movement
        bits: 7
        unit: kn
        missing: [0, {from: 125, to: 127, reason: reserved}]
        curve: {points: [[1, 0], [2, 0.125], [9, 1], [13, 2], [39, 15], [94, 70], [109, 100], [124, 175]]}
      - {name: track_set, kind: flag}
      - {name: track, bits: 7, scale: 360/128, unit: deg, valid_when: track_set}
      - {name: utc_synchronized, kind: flag}
      - {name: odd, kind: flag}
      - {name: latitude_code, bits: 17}
      - {name: longitude_code, bits: 17}
      - {name: parity, kind: check, algorithm: {width: 24, polynomial: 0xFFF409}}
  target_state:
    fields:
      - {name: format, kind: tag, bits: 5, code: 17}
      - {name: capability, bits: 3}
      - {name: address, bits: 24}
      - {name: type_code, kind: tag, bits: 5, code: 29}
      - {name: subtype, kind: tag, bits: 2, code: 1}
      - {name: per_sample, kind: flag}
      - {name: altitude_from, bits: 1, states: {0: panel, 1: computer}}
      - {name: selected_altitude, bits: 11, scale: 32, offset: -32, unit: ft, missing: 0}
      - {name: pressure, bits: 9, scale: 0.8, offset: 799.2, unit: hPa, missing: 0}
      - {name: heading_set, kind: flag}
      - {name: heading, bits: 9, scale: 360/512, unit: deg, valid_when: heading_set}
      - {name: position_accuracy, bits: 4}
      - {name: pressure_cross_checked, kind: flag}
      - {name: integrity_level, bits: 2}
      - {name: modes_set, kind: flag}
      - {name: autopilot, bits: 1, states: {0: off, 1: "on"}, valid_when: modes_set}
      - {name: vertical_navigation, bits: 1, states: {0: off, 1: "on"}, valid_when: modes_set}
      - {name: altitude_hold, bits: 1, states: {0: off, 1: "on"}, valid_when: modes_set}
      - {kind: reserved, bits: 1}
      - {name: approach, bits: 1, states: {0: off, 1: "on"}, valid_when: modes_set}
      - {name: collision_avoidance, kind: flag}
      - {name: lateral_navigation, bits: 1, states: {0: off, 1: "on"}, valid_when: modes_set}
      - {kind: reserved, bits: 2}
      - {name: parity, kind: check, algorithm: {width: 24, polynomial: 0xFFF409}}
  operational_status:
    fields:
      - {name: format, kind: tag, bits: 5, code: 17}
      - {name: capability, bits: 3}
      - {name: address, bits: 24}
      - {name: type_code, kind: tag, bits: 5, code: 31}
      - {name: subtype, kind: tag, bits: 3, code: 0, description: Airborne}
      - {name: capability_class, bits: 16}
      - {name: operational_mode, bits: 16}
      - {name: version, bits: 3}
      - {name: integrity_supplement, kind: flag}
      - {name: position_accuracy, bits: 4}
      - {name: vertical_accuracy, bits: 2}
      - {name: integrity_level, bits: 2}
      - {name: pressure_cross_checked, kind: flag}
      - {name: north, bits: 1, states: {0: "true", 1: magnetic}}
      - {name: per_sample, kind: flag}
      - {kind: reserved, bits: 1}
      - {name: parity, kind: check, algorithm: {width: 24, polynomial: 0xFFF409}}
""")

SENT: dict[str, tuple[str, dict[str, Any]]] = {
    "8C4841753AAB238733C8CD4020B1": (
        "surface_position",
        {"movement": 18, "track": 140.625, "odd": False, "latitude_code": 115609, "longitude_code": 116941},
    ),
    "8C4841753A9A153237AEF0F275BE": (
        "surface_position",
        {"movement": 17, "track": 92.8125, "odd": True, "latitude_code": 39195, "longitude_code": 110320},
    ),
    "8DA05629EA21485CBF3F8CADAEEB": (
        "target_state",
        {
            "selected_altitude": 16992,
            "altitude_from": "panel",
            "pressure": 1012.8,
            "heading": 66.796875,
            "position_accuracy": 9,
            "pressure_cross_checked": True,
            "integrity_level": 3,
            "autopilot": "on",
            "vertical_navigation": "on",
            "altitude_hold": "off",
            "approach": "off",
            "lateral_navigation": "on",
            "collision_avoidance": True,
        },
    ),
    "8D4CA251F82100020049B886B246": (
        "operational_status",
        {
            "capability_class": 0x2100,
            "operational_mode": 0x0200,
            "version": 2,
            "integrity_supplement": False,
            "position_accuracy": 9,
            "integrity_level": 3,
            "pressure_cross_checked": True,
        },
    ),
}


@pytest.mark.parametrize("text", SENT)
def test_a_squitter_gives_the_judged_values_and_encodes_back(text: str) -> None:
    name, values = SENT[text]
    found, record = SQUITTERS.decode(bytes.fromhex(text))
    assert found == name
    assert {key: record[key] for key in values} == values
    assert SQUITTERS.frame(name).encode(record) == bytes.fromhex(text)


REGISTERS = packetkit.parse("""
mission: mode-s-capability-and-weather
frames:
  reply:
    fields:
      - {name: format, kind: tag, bits: 5, code: {from: 20, to: 21}}
      - {name: flight_status, bits: 3}
      - {name: downlink_request, bits: 5}
      - {name: utility_message, bits: 6}
      - {name: altitude_or_identity, bits: 13}
      - name: message
        told_by: outside
        variants:
          - name: capability
            group:
              - {name: which, kind: constant, bits: 8, code: 0x10}
              - {name: continued, kind: flag}
              - {kind: reserved, bits: 5}
              - {name: overlay, kind: flag}
              - {name: collision_avoidance, kind: flag}
              - {name: subnetwork_version, bits: 7}
              - {name: level_5, kind: flag}
              - {name: specific_services, kind: flag}
              - {name: uplink_throughput, bits: 3}
              - {name: downlink_throughput, bits: 4}
              - {name: identifies, kind: flag}
              - {name: squitters, kind: flag}
              - {name: surveillance_identifier, kind: flag}
              - {name: common_usage, kind: flag}
              - {name: hybrid_surveillance, kind: flag}
              - {name: resolution_advisory, kind: flag}
              - {name: collision_avoidance_version, bits: 2}
              - {name: terminals, bits: 16}
          - name: common_usage
            group:
              - name: registers
                flags: [register_05, register_06, register_07, register_08, register_09, register_0a, register_20, register_21,
                  register_40, register_41, register_42, register_43, register_44, register_45, register_48, register_50,
                  register_51, register_52, register_53, register_54, register_55, register_56, register_5f, register_60]
              - {kind: reserved, bits: 32}
          - name: weather
            group:
              - {name: source, bits: 4}
              - {name: wind_set, kind: flag}
              - {name: wind_speed, bits: 9, unit: kn, valid_when: wind_set}
              - {name: wind_direction, bits: 9, scale: 180/256, unit: deg, valid_when: wind_set}
              - {name: air_temperature, bits: 11, signed: true, scale: 0.25, unit: Cel}
              - {name: pressure_set, kind: flag}
              - {name: pressure, bits: 11, unit: hPa, valid_when: pressure_set}
              - {name: turbulence_set, kind: flag}
              - {name: turbulence, bits: 2, states: {0: nil, 1: light, 2: moderate, 3: severe}, valid_when: turbulence_set}
              - {name: humidity_set, kind: flag}
              - {name: humidity, bits: 6, scale: 100/64, unit: "%", valid_when: humidity_set}
          - name: hazards
            group:
              - name: turbulence_set
                kind: flag
              - {name: turbulence, bits: 2, valid_when: turbulence_set}
              - {name: wind_shear_set, kind: flag}
              - {name: wind_shear, bits: 2, valid_when: wind_shear_set}
              - {name: microburst_set, kind: flag}
              - {name: microburst, bits: 2, valid_when: microburst_set}
              - {name: icing_set, kind: flag}
              - {name: icing, bits: 2, valid_when: icing_set}
              - {name: wake_set, kind: flag}
              - {name: wake, bits: 2, valid_when: wake_set}
              - {name: air_temperature_set, kind: flag}
              - {name: air_temperature, bits: 10, signed: true, scale: 0.25, unit: Cel, valid_when: air_temperature_set}
              - {name: pressure_set, kind: flag}
              - {name: pressure, bits: 11, unit: hPa, valid_when: pressure_set}
              - {name: radio_height_set, kind: flag}
              - {name: radio_height, bits: 12, scale: 16, unit: ft, valid_when: radio_height_set}
              - {kind: reserved, bits: 5}
      - {name: address, kind: supplied, bits: 24}
      - {name: parity, kind: check, algorithm: {width: 24, polynomial: 0xFFF409}, mixed_with: address}
""").frame("reply")

# The flags that the judge lists as set, or the values that it gave, and the address that it recovered.
READ: dict[str, tuple[str, int, dict[str, Any]]] = {
    "A800178D10010080F50000D5893C": (
        "capability",
        0x484B00,
        {
            "overlay": False,
            "collision_avoidance": True,
            "subnetwork_version": 0,
            "specific_services": True,
            "identifies": True,
            "squitters": True,
            "surveillance_identifier": True,
            "common_usage": True,
            "hybrid_surveillance": False,
            "resolution_advisory": True,
            "collision_avoidance_version": 1,
            "terminals": 0,
        },
    ),
    "A0001692185BD5CF400000DFC696": (
        "weather",
        0x3C4DD7,
        {
            "source": 1,
            "wind_speed": 22,
            "wind_direction": 344.53125,
            "air_temperature": -48.75,
            "pressure": None,
            "humidity": None,
        },
    ),
    "A00004190001FB80000000000000": (
        "hazards",
        0x319578,
        {"air_temperature": -4.5, "turbulence": None, "icing": None},
    ),
}


@pytest.mark.parametrize("text", READ)
def test_a_register_gives_the_judged_values_and_encodes_back(text: str) -> None:
    name, address, values = READ[text]
    record = REGISTERS.decode(bytes.fromhex(text), variants={"message": name})
    assert record["address"] == address
    assert {key: record["message"][name][key] for key in values} == values
    assert REGISTERS.encode(record) == bytes.fromhex(text)


def test_the_registers_in_common_use_are_those_that_the_judge_lists() -> None:
    data = bytes.fromhex("A0000638FA81C10000000081A92F")
    record = REGISTERS.decode(data, variants={"message": "common_usage"})
    known = record["message"]["common_usage"]["registers"]
    assert [name[-2:] for name, held in known.items() if held] == "05 06 07 08 09 20 40 50 51 52 60".split()
    assert (record["address"], REGISTERS.encode(record)) == (0x484CB8, data)
