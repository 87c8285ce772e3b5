"""Messages of satellite navigation: RTCM 10403.3 messages 1006, 1007, 1019 and 1033, and the 250-bit messages of augmentation.

RTCM: fields from the standard's tables 3.5-7, 3.5-8, 3.5-21 and 3.5-31, from memory; pyrtcm 1.2.1, a decoder of the standard, reads what
is encoded here and judges every field, CRC-24Q included. Augmentation (RTCA DO-229D, A.4.3.3 and A.4.4.2, from memory): eight bits of
preamble, six of type, 212 of data, and CRC-24Q over those 226 bits; pyrtcm's check over them, zeros in front, judges, as a register that
is zero stays so.
"""

from __future__ import annotations

from typing import Any

import pyrtcm
import pytest

import packetkit
from packetkit.layout.model import Choice, Run

TRANSPORT = packetkit.parse("""
mission: reference-station
frames:
  transport:
    fields:
      - {name: preamble, kind: sync, bits: 8, code: 0xD3}
      - {kind: reserved, bits: 6}
      - {name: size, kind: length, bits: 10, measures: message}
      - name: message
        group:
          - {name: number, bits: 12}
          - name: body
            told_by: number
            variants:
              - name: antenna_point
                when: {number: 1006}
                group:
                  - {name: station, bits: 12}
                  - {name: realization_year, bits: 6}
                  - {name: systems, flags: [gps, glonass, galileo, not_physical]}
                  - {name: x, bits: 38, signed: true, scale: 0.0001, unit: m}
                  - {name: single_oscillator, kind: flag}
                  - {kind: reserved, bits: 1}
                  - {name: y, bits: 38, signed: true, scale: 0.0001, unit: m}
                  - {name: quarter_cycle, bits: 2}
                  - {name: z, bits: 38, signed: true, scale: 0.0001, unit: m}
                  - {name: antenna_height, bits: 16, scale: 0.0001, unit: m}
              - name: antenna
                when: {number: 1007}
                group:
                  - {name: station, bits: 12}
                  - {name: descriptor_size, kind: count, bits: 8, maximum: 31}
                  - {name: descriptor, kind: text, length: {count: descriptor_size}}
                  - {name: setup, bits: 8}
              - name: orbit
                when: {number: 1019}
                group:
                  - {name: satellite, bits: 6}
                  - {name: week, bits: 10}
                  - {name: accuracy, bits: 4}
                  - {name: code_on_l2, bits: 2, states: {0: reserved, 1: P code, 2: C/A code, 3: L2C}}
                  - {name: inclination_rate, bits: 14, signed: true, scale: 2^-43}
                  - {name: issue_of_ephemeris, bits: 8}
                  - {name: clock_time, bits: 16, scale: 16, unit: s}
                  - {name: clock_2, bits: 8, signed: true, scale: 2^-55}
                  - {name: clock_1, bits: 16, signed: true, scale: 2^-43}
                  - {name: clock_0, bits: 22, signed: true, scale: 2^-31, unit: s}
                  - {name: issue_of_clock, bits: 10}
                  - {name: radius_sine, bits: 16, signed: true, scale: 2^-5, unit: m}
                  - {name: motion_difference, bits: 16, signed: true, scale: 2^-43}
                  - {name: mean_anomaly, bits: 32, signed: true, scale: 2^-31}
                  - {name: latitude_cosine, bits: 16, signed: true, scale: 2^-29, unit: rad}
                  - {name: eccentricity, bits: 32, scale: 2^-33}
                  - {name: latitude_sine, bits: 16, signed: true, scale: 2^-29, unit: rad}
                  - {name: root_of_axis, bits: 32, scale: 2^-19}
                  - {name: ephemeris_time, bits: 16, scale: 16, unit: s}
                  - {name: inclination_cosine, bits: 16, signed: true, scale: 2^-29, unit: rad}
                  - {name: node_longitude, bits: 32, signed: true, scale: 2^-31}
                  - {name: inclination_sine, bits: 16, signed: true, scale: 2^-29, unit: rad}
                  - {name: inclination, bits: 32, signed: true, scale: 2^-31}
                  - {name: radius_cosine, bits: 16, signed: true, scale: 2^-5, unit: m}
                  - {name: perigee, bits: 32, signed: true, scale: 2^-31}
                  - {name: node_rate, bits: 24, signed: true, scale: 2^-43}
                  - {name: group_delay, bits: 8, signed: true, scale: 2^-31, unit: s}
                  - {name: health, bits: 6}
                  - {name: no_data_on_p, kind: flag}
                  - {name: longer_fit, kind: flag}
              - name: receiver_and_antenna
                when: {number: 1033}
                group:
                  - {name: station, bits: 12}
                  - {name: descriptor_size, kind: count, bits: 8}
                  - {name: descriptor, kind: text, length: {count: descriptor_size}}
                  - {name: setup, bits: 8}
                  - {name: serial_size, kind: count, bits: 8}
                  - {name: serial, kind: text, length: {count: serial_size}}
                  - {name: receiver_size, kind: count, bits: 8}
                  - {name: receiver, kind: text, length: {count: receiver_size}}
                  - {name: firmware_size, kind: count, bits: 8}
                  - {name: firmware, kind: text, length: {count: firmware_size}}
                  - {name: receiver_serial_size, kind: count, bits: 8}
                  - {name: receiver_serial, kind: text, length: {count: receiver_serial_size}}
      - {name: parity, kind: check, algorithm: {width: 24, polynomial: 0x864CFB}}
""").frame("transport")


def sent(number: int, name: str, body: dict[str, Any]) -> Any:
    """What the judge reads of a message of ours, which decodes to what was sent."""
    record = {"message": {"number": number, "body": {name: body}}}
    data = TRANSPORT.encode(record)
    assert TRANSPORT.decode(data) == record
    return pyrtcm.RTCMReader.parse(data, validate=pyrtcm.VALCKSUM)


def test_an_antenna_point_with_its_height_is_read_alike_by_a_decoder_of_the_standard() -> None:
    systems = {"gps": True, "glonass": True, "galileo": False, "not_physical": False}
    place = {"x": -2700404.1234, "y": -4292605.5678, "z": 3855137.0001}
    body = {"station": 3, "realization_year": 12, "systems": systems, **place, "antenna_height": 1.5}
    judged = sent(1006, "antenna_point", {**body, "single_oscillator": True, "quarter_cycle": 2})
    assert (judged.DF003, judged.DF021, judged.DF022, judged.DF023, judged.DF024) == (3, 12, 1, 1, 0)
    assert [round(one, 4) for one in (judged.DF025, judged.DF026, judged.DF027)] == list(place.values())
    assert (judged.DF028, judged.DF141, judged.DF142, judged.DF364) == (1.5, 0, 1, 2)


@pytest.mark.parametrize("descriptor", ["", "A", "ADVNULLANTENNA", "TRM59800.00     SCIS"])
def test_counted_texts_are_read_alike_by_a_decoder_of_the_standard(descriptor: str) -> None:
    judged = sent(1007, "antenna", {"station": 4095, "descriptor": descriptor, "setup": 7})
    assert (4095, len(descriptor), 7) == (judged.DF003, judged.DF029, judged.DF031)
    texts = {"serial": "5039K70974", "receiver": "", "firmware": descriptor[::-1], "receiver_serial": "1"}
    body = {"station": 1, "descriptor": descriptor, "setup": 0, **texts}
    judged = sent(1033, "receiver_and_antenna", body)
    for size, text, value in (
        ("DF029", "DF030", descriptor),
        ("DF032", "DF033", texts["serial"]),
        ("DF227", "DF228", texts["receiver"]),
        ("DF229", "DF230", texts["firmware"]),
        ("DF231", "DF232", texts["receiver_serial"]),
    ):
        assert getattr(judged, size) == len(value)
        found = [getattr(judged, f"{text}_{index + 1:02}") for index in range(len(value))]
        assert "".join(found) == value


@pytest.mark.parametrize("pattern", [0x00000000, 0xFFFFFFFF, 0xAAAAAAAA, 0x35C69A07])
def test_an_orbit_is_read_alike_by_a_decoder_of_the_standard(pattern: int) -> None:
    """Each of its 30 fields holds the low bits of a pattern; all scales are powers of two, so doubles are exact."""
    orbit = next(branch for branch in TRANSPORT.layout.walk() if isinstance(branch, Choice)).branches[2]
    slots = [slot for node in orbit.body if isinstance(node, Run) for slot in node.slots]
    raws = {slot.path[0]: pattern & ((1 << slot.width) - 1) for slot in slots}
    below = {slot.path[0]: 1 << slot.width for slot in slots if slot.signed}
    raws = {
        key: raw - below[key] if raw >= below.get(key, 1 << 33) >> 1 else raw for key, raw in raws.items()
    }
    body = {key: {"raw": raw} for key, raw in raws.items()}
    data = TRANSPORT.encode({"message": {"number": 1019, "body": {"orbit": body}}})
    values = TRANSPORT.decode(data, detail=True)["message"]["body"]["orbit"]
    judged = pyrtcm.RTCMReader.parse(data, validate=pyrtcm.VALCKSUM)
    theirs = [value for key, value in vars(judged).items() if key.startswith("DF")][1:]
    assert len(theirs) == len(slots) == 30
    for (name, leaf), said in zip(values.items(), theirs, strict=True):
        assert said == (leaf["raw"] if isinstance(leaf["value"], (str, bool)) else leaf["value"]), name


AUGMENTATION = packetkit.parse("""
mission: augmentation
frames:
  satellite_mask:
    last_byte: zero_filled
    fields:
      - {name: preamble, kind: tag, bits: 8, code: [0x53, 0x9A, 0xC6]}
      - {name: type, kind: tag, bits: 6, code: 1}
      - {name: monitored, kind: flag, repeat: 210}
      - {name: issue, bits: 2}
      - {name: parity, kind: check, algorithm: {width: 24, polynomial: 0x864CFB}}
  fast_corrections:
    last_byte: zero_filled
    fields:
      - {name: preamble, kind: tag, bits: 8, code: [0x53, 0x9A, 0xC6]}
      - {name: type, kind: tag, bits: 6, code: {from: 2, to: 5}}
      - {name: issue_of_fast, bits: 2}
      - {name: issue, bits: 2}
      - {name: corrections, repeat: 13, bits: 12, signed: true, scale: 0.125, unit: m}
      - {name: errors, repeat: 13, bits: 4, missing: [{code: 14, reason: not monitored}, {code: 15, reason: do not use}]}
      - {name: parity, kind: check, algorithm: {width: 24, polynomial: 0x864CFB}}
""")
MASK = {"preamble": 0x53, "monitored": [number % 3 == 0 for number in range(210)], "issue": 2}
FAST = {
    "preamble": 0xC6,
    "type": 2,
    "issue_of_fast": 1,
    "issue": 2,
    "corrections": [-256.0, 255.875, -0.125, 0.0, 0.125, 1.5, -7.25, 2.0, 3.0, -4.0, 5.0, 100.0, -100.0],
    "errors": [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 13, None, 12],
}


@pytest.mark.parametrize(("name", "record"), [("satellite_mask", MASK), ("fast_corrections", FAST)])
def test_a_message_of_250_bits_has_a_check_over_226_that_the_judge_finds_right(
    name: str, record: dict[str, Any]
) -> None:
    data = AUGMENTATION.frame(name).encode(record)
    assert AUGMENTATION.decode(data) == (name, record)
    bits = int.from_bytes(data, "big") >> 6
    assert len(data) == 32 and bits << 6 == int.from_bytes(data, "big")
    assert pyrtcm.calc_crc24q((bits >> 24).to_bytes(29, "big")) == bits & 0xFFFFFF
    for bit in range(0, 250, 9):
        with pytest.raises(packetkit.DecodeError):
            AUGMENTATION.frame(name).decode(
                (int.from_bytes(data, "big") ^ 1 << 255 - bit).to_bytes(32, "big")
            )


OBSERVATIONS = packetkit.parse("""
mission: multiple-signals
frames:
  transport:
    fields:
      - {name: preamble, kind: sync, bits: 8, code: 0xD3}
      - {kind: reserved, bits: 6}
      - {name: size, kind: length, bits: 10, measures: message}
      - name: message
        group:
          - {name: number, kind: tag, bits: 12, code: 1074}
          - {name: station, bits: 12}
          - {name: epoch, bits: 30, unit: ms}
          - {name: more, kind: flag}
          - {name: issue, bits: 3}
          - {kind: reserved, bits: 7}
          - {name: clock_steering, bits: 2}
          - {name: external_clock, bits: 2}
          - {name: smoothed, kind: flag}
          - {name: smoothing, bits: 3}
          - {name: satellites, bits: 64}
          - {name: signals, bits: 32}
          - name: cells
            kind: flag
            repeat: {count: {product_of: [{ones_in: satellites}, {ones_in: signals}]}, maximum: 64}
          - {name: rough_range, bits: 8, unit: ms, missing: 255, repeat: {count: {ones_in: satellites}}}
          - {name: rough_fraction, bits: 10, scale: 1/1024, unit: ms, repeat: {count: {ones_in: satellites}}}
          - {name: fine_range, bits: 15, signed: true, scale: 2^-24, missing: true, unit: ms, repeat: {count: {ones_in: cells}}}
          - {name: fine_phase, bits: 22, signed: true, scale: 2^-29, missing: true, unit: ms, repeat: {count: {ones_in: cells}}}
          - {name: lock, bits: 4, repeat: {count: {ones_in: cells}}}
          - {name: half_cycle, kind: flag, repeat: {count: {ones_in: cells}}}
          - {name: carrier_to_noise, bits: 6, unit: dBHz, missing: 0, repeat: {count: {ones_in: cells}}}
          - {kind: reserved, up_to: byte}
      - {name: parity, kind: check, algorithm: {width: 24, polynomial: 0x864CFB}}
""").frame("transport")


def observations(satellites: int, signals: int, cells: list[bool]) -> dict[str, Any]:
    """A record whose values differ from cell to cell."""
    visible, held = bin(satellites).count("1"), sum(cells)
    return {
        "station": 1234,
        "epoch": 318_945_000,
        "more": False,
        "issue": 3,
        "clock_steering": 1,
        "external_clock": 0,
        "smoothed": True,
        "smoothing": 5,
        "satellites": satellites,
        "signals": signals,
        "cells": cells,
        "rough_range": [None if at == 2 else 65 + at for at in range(visible)],
        "rough_fraction": [(100 * at + 7) / 1024 for at in range(visible)],
        "fine_range": [(37 * at - 99) / (1 << 24) for at in range(held)],
        "fine_phase": [(-4321 * at + 5) / (1 << 29) for at in range(held)],
        "lock": [at % 16 for at in range(held)],
        "half_cycle": [at % 3 == 0 for at in range(held)],
        "carrier_to_noise": [30 + at % 20 for at in range(held)],
    }


@pytest.mark.parametrize(
    ("satellites", "signals", "cells"),
    [
        (1 << 63, 1 << 30, [True]),
        (0b1011 << 58, 1 << 30 | 1 << 16, [True, True, False, True, True, False]),
        (0x8000000000000001, 7, [False, False, True, True, True, True]),
        (1 << 40, 3, [False, False]),
    ],
)
def test_observations_behind_masks_are_read_alike_by_a_decoder_of_the_standard(
    satellites: int, signals: int, cells: list[bool]
) -> None:
    """The ones in two masks say how wide the third is, and its ones how many cells there are (table 3.5-78)."""
    record = {"message": observations(satellites, signals, cells)}
    data = OBSERVATIONS.encode(record)
    assert OBSERVATIONS.decode(data) == record
    judged = vars(pyrtcm.RTCMReader.parse(data, validate=pyrtcm.VALCKSUM))
    held = sum(cells)
    assert (judged["NSat"], judged["NSig"], judged["NCell"]) == (
        bin(satellites).count("1"),
        bin(signals).count("1"),
        held,
    )
    assert judged["DF396"] == int("".join("01"[one] for one in cells), 2)
    for name, field in (
        ("DF398", "rough_fraction"),
        ("DF400", "fine_range"),
        ("DF401", "fine_phase"),
        ("DF402", "lock"),
        ("DF420", "half_cycle"),
        ("DF403", "carrier_to_noise"),
    ):
        values = record["message"][field]
        assert [judged[f"{name}_{at + 1:02}"] for at in range(len(values))] == values


def test_observations_that_do_not_fit_their_masks_are_refused() -> None:
    good = observations(3, 3, [True, False, True, True])
    for change, said in (
        (
            {"cells": [True] * 5},
            r"cells: has 5 elements, but message.satellites 3 and message.signals 3 makes it 4",
        ),
        ({"lock": [1]}, r"lock: has 1 elements, but 3 ones in message.cells makes it 3"),
        ({"cells": [True, False, True, False]}, r"fine_range: has 3 elements, but 2 ones in"),
    ):
        with pytest.raises(packetkit.EncodeError, match=said):
            OBSERVATIONS.encode({"message": good | change})
    data = OBSERVATIONS.encode({"message": good})
    for cut in range(len(data)):
        with pytest.raises(packetkit.DecodeError):
            OBSERVATIONS.decode(data[:cut])
