"""Registers and velocities of ICAO Mode S, whose values count only beside a status bit and whose speeds have a scale by subtype.

Fields and steps: ICAO Doc 9871, tables A-2-64 (vertical intention), A-2-80 (track and turn), A-2-96 (heading and speed) and A-2-9
(airborne velocity), from memory. The messages and their values are those of J. Sun, "The 1090 Megahertz Riddle", 2nd edition, chapters
on these registers and on airborne velocity (from memory): 3,008 ft and 1,020 hPa; 2.1 degrees of roll, track 114.258 degrees, 438 kn,
0.125 degrees a second, 424 kn; heading 42.715 degrees, 252 kn, Mach 0.42, both rates -1,920 ft/min; heading 243.98 degrees, true air
speed 375 kn, -2,304 ft/min. That the parity of the last one is right, and that every value comes out of its bits, bears the memory out.
"""

from __future__ import annotations

import pytest

import packetkit

REGISTERS = """
mission: mode-s-registers
frames:
  reply:
    fields:
      - {name: format, kind: tag, bits: 5, code: 20}
      - {name: flight_status, bits: 3}
      - {name: downlink_request, bits: 5}
      - {name: utility_message, bits: 6}
      - {name: altitude_code, bits: 13}
      - name: message
        told_by: outside
        variants:
          - name: vertical_intention
            group:
              - {name: panel_altitude_set, kind: flag}
              - {name: panel_altitude, bits: 12, scale: 16, unit: ft, valid_when: panel_altitude_set}
              - {name: computer_altitude_set, kind: flag}
              - {name: computer_altitude, bits: 12, scale: 16, unit: ft, valid_when: computer_altitude_set}
              - {name: pressure_set, kind: flag}
              - {name: pressure, bits: 12, scale: 0.1, offset: 800, unit: hPa, valid_when: pressure_set}
              - {kind: reserved, bits: 8}
              - {name: modes_set, kind: flag}
              - {name: modes, bits: 3, valid_when: modes_set}
              - {kind: reserved, bits: 2}
              - {name: source_set, kind: flag}
              - name: source
                bits: 2
                states: {0: unknown, 1: aircraft altitude, 2: panel, 3: computer}
                valid_when: source_set
          - name: track_and_turn
            group:
              - {name: roll_set, kind: flag}
              - {name: roll, bits: 10, signed: true, scale: 45/256, unit: deg, valid_when: roll_set}
              - {name: track_set, kind: flag}
              - {name: track, bits: 11, signed: true, scale: 90/512, unit: deg, valid_when: track_set}
              - {name: ground_speed_set, kind: flag}
              - {name: ground_speed, bits: 10, scale: 2, unit: kn, valid_when: ground_speed_set}
              - {name: turn_rate_set, kind: flag}
              - {name: turn_rate, bits: 10, signed: true, scale: 8/256, unit: deg/s, valid_when: turn_rate_set}
              - {name: air_speed_set, kind: flag}
              - {name: air_speed, bits: 10, scale: 2, unit: kn, valid_when: air_speed_set}
          - name: heading_and_speed
            group:
              - {name: heading_set, kind: flag}
              - {name: heading, bits: 11, signed: true, scale: 90/512, unit: deg, valid_when: heading_set}
              - {name: indicated_set, kind: flag}
              - {name: indicated, bits: 10, scale: 1, unit: kn, valid_when: indicated_set}
              - {name: mach_set, kind: flag}
              - {name: mach, bits: 10, scale: 0.004, valid_when: mach_set}
              - {name: pressure_rate_set, kind: flag}
              - {name: pressure_rate, bits: 10, signed: true, scale: 32, unit: ft/min, valid_when: pressure_rate_set}
              - {name: inertial_rate_set, kind: flag}
              - {name: inertial_rate, bits: 10, signed: true, scale: 32, unit: ft/min, valid_when: inertial_rate_set}
      - {name: address, kind: supplied, bits: 24}
      - {name: parity, kind: check, algorithm: {width: 24, polynomial: 0xFFF409}, mixed_with: address}
"""

PUBLISHED: dict[str, tuple[str, dict[str, float | None]]] = {
    "A000029C85E42F313000007047D3": (
        "vertical_intention",
        {
            "panel_altitude": 3008,
            "computer_altitude": 3008,
            "pressure": 1020.0,
            "modes": None,
            "source": None,
        },
    ),
    "A000139381951536E024D4CCF6B5": (
        "track_and_turn",
        {"roll": 2.1, "track": 114.258, "ground_speed": 438, "turn_rate": 0.125, "air_speed": 424},
    ),
    "A00004128F39F91A7E27C46ADC21": (
        "heading_and_speed",
        {
            "heading": 42.715,
            "indicated": 252,
            "mach": 0.42,
            "pressure_rate": -1920,
            "inertial_rate": -1920,
        },
    ),
}
# The digits after the point that the text prints.
DIGITS = {"roll": 1, "track": 3, "heading": 3}


@pytest.mark.parametrize("text", PUBLISHED)
def test_a_register_gives_the_published_values_and_encodes_back(text: str) -> None:
    name, values = PUBLISHED[text]
    frame = packetkit.parse(REGISTERS).frame("reply")
    record = frame.decode(bytes.fromhex(text), variants={"message": name})
    found = record["message"][name]
    shown = {key: round(found[key], DIGITS[key]) if key in DIGITS else found[key] for key in values}
    assert shown == values
    assert frame.encode(record) == bytes.fromhex(text)


@pytest.mark.parametrize("text", PUBLISHED)
def test_with_its_status_bit_cleared_a_published_value_counts_no_more(text: str) -> None:
    name, values = PUBLISHED[text]
    frame = packetkit.parse(REGISTERS).frame("reply")
    detail = frame.decode(bytes.fromhex(text), detail=True, variants={"message": name})
    for key in values:
        group = detail["message"][name]
        cleared = {**group, f"{key}_set": {"raw": 0}}
        again = {key: one for key, one in detail.items() if key != "parity"} | {"message": {name: cleared}}
        data = frame.encode(again)
        back = frame.decode(data, detail=True, variants={"message": name})["message"][name][key]
        assert (back["raw"], back["value"], back["reason"]) == (group[key]["raw"], None, "not valid")


VELOCITY = """
mission: mode-s-velocity
frames:
  velocity:
    fields:
      - {name: format, kind: tag, bits: 5, code: 17}
      - {name: capability, bits: 3}
      - {name: address, bits: 24}
      - {name: type_code, kind: tag, bits: 5, code: 19}
      - {name: subtype, kind: tag, bits: 3, code: {from: 1, to: 4}}
      - {name: intent_change, kind: flag}
      - {name: instrument_capability, kind: flag}
      - {name: uncertainty, bits: 3}
      - name: motion
        told_by: subtype
        variants:
          - name: over_ground
            when: {subtype: [1, 2]}
            group:
              - {name: westward, kind: flag}
              - {name: east_west, bits: 10, missing: 0, unit: kn,
                 scale_by: {subtype: {1: {scale: 1, offset: -1}, 2: {scale: 4, offset: -4}}}}
              - {name: southward, kind: flag}
              - {name: north_south, bits: 10, missing: 0, unit: kn,
                 scale_by: {subtype: {1: {scale: 1, offset: -1}, 2: {scale: 4, offset: -4}}}}
          - name: through_air
            when: {subtype: [3, 4]}
            group:
              - {name: heading_set, kind: flag}
              - {name: heading, bits: 10, scale: 360/1024, unit: deg, valid_when: heading_set}
              - {name: speed_is, bits: 1, states: {0: indicated, 1: "true"}}
              - {name: speed, bits: 10, missing: 0, unit: kn,
                 scale_by: {subtype: {3: {scale: 1, offset: -1}, 4: {scale: 4, offset: -4}}}}
      - {name: vertical_source, bits: 1, states: {0: satellite, 1: pressure}}
      - {name: descending, kind: flag}
      - {name: vertical_rate, bits: 9, offset: -64, scale: 64, missing: 0, unit: ft/min}
      - {kind: reserved, bits: 2}
      - {name: below_pressure_altitude, kind: flag}
      - {name: height_difference, bits: 7, offset: -25, scale: 25, missing: 0, unit: ft}
      - {name: parity, kind: check, algorithm: {width: 24, polynomial: 0xFFF409}}
"""


def test_a_velocity_through_the_air_gives_the_published_values_and_encodes_back() -> None:
    data = bytes.fromhex("8DA05F219B06B6AF189400CBC33F")
    frame = packetkit.parse(VELOCITY).frame("velocity")
    record = frame.decode(data)
    air = record["motion"]["through_air"]
    assert record["address"] == 0xA05F21
    assert (round(air["heading"], 2), air["speed_is"], air["speed"]) == (243.98, "true", 375)
    assert (record["descending"], record["vertical_rate"], record["height_difference"]) == (True, 2304, None)
    assert frame.encode(record) == data


def test_a_velocity_over_ground_gives_the_published_values_and_four_times_them_for_the_fast_subtype() -> None:
    """The published message (aircraft 485020, see test_mode_s.py), and its codes sent as subtype 2, whose step is 4 kn (Doc 9871)."""
    data = bytes.fromhex("8D485020994409940838175B284F")
    frame = packetkit.parse(VELOCITY).frame("velocity")
    detail = frame.decode(data, detail=True)
    slow = frame.decode(data)["motion"]["over_ground"]
    assert (slow["east_west"], slow["north_south"]) == (8, 159)
    del detail["parity"]
    fast = frame.decode(frame.encode({**detail, "subtype": 2}))["motion"]["over_ground"]
    assert (fast["east_west"], fast["north_south"]) == (32, 636)
    assert frame.encode(frame.decode(data)) == data


POSITION = """
mission: mode-s-position
frames:
  position:
    fields:
      - {name: format, kind: tag, bits: 5, code: 17}
      - {name: capability, bits: 3}
      - {name: address, bits: 24}
      - {name: type_code, kind: tag, bits: 5, code: {from: 9, to: 18}}
      - {name: surveillance_status, bits: 2}
      - {name: single_antenna, kind: flag}
      - name: altitude
        group:
          - {name: in_steps_of_25, kind: flag, description: The Q bit; cleared the code is that of ICAO Annex 10 in 100 ft}
          - name: feet
            runs: [[0, 7], [8, 4]]
            unit: ft
            scale_by: {in_steps_of_25: {1: {scale: 25, offset: -1000}}}
      - {name: utc_synchronized, kind: flag}
      - {name: odd, kind: flag}
      - {name: latitude_code, bits: 17}
      - {name: longitude_code, bits: 17}
      - {name: parity, kind: check, algorithm: {width: 24, polynomial: 0xFFF409}}
"""


def test_an_altitude_split_around_the_bit_that_chooses_its_step_gives_the_published_feet_and_encodes_back() -> (
    None
):
    """38,000 ft, codes 93,000 and 51,372: the same text, chapter on airborne position (from memory; the parity is right)."""
    data = bytes.fromhex("8D40621D58C382D690C8AC2863A7")
    frame = packetkit.parse(POSITION).frame("position")
    record = frame.decode(data)
    assert (record["address"], record["altitude"]["feet"]) == (0x40621D, 38_000)
    assert (record["odd"], record["latitude_code"], record["longitude_code"]) == (False, 93_000, 51_372)
    assert frame.encode(record) == data


def test_an_altitude_whose_step_bit_is_cleared_has_no_feet_and_keeps_its_code() -> None:
    data = bytes.fromhex("8D40621D58C382D690C8AC2863A7")
    frame = packetkit.parse(POSITION).frame("position")
    detail = frame.decode(data, detail=True)
    del detail["parity"]
    detail["altitude"]["in_steps_of_25"] = {"raw": 0}
    back = frame.decode(frame.encode(detail), detail=True)["altitude"]["feet"]
    assert back == {"raw": 1560, "value": None, "unit": "ft", "reason": "no scale"}
