"""Published registers and readings of sensors and memory cards: two thermometers, a humidity sensor, a barometer, a card's commands.

DS18B20 data sheet (table of temperatures; scratchpad 50 05 4B 46 7F FF 0C 10 1C after power-up, from memory) and application note
27 of its maker (the address 02 1C B8 01 00 00 00 A2); SHT3x data sheet section 4.12 (0xBEEF has the check 0x92); BMP180 data
sheet figure 4 (the worked example: 15.0 degrees from calibration and a raw temperature of 27898); BME280 data sheet table 16 (two
values of 12 bits share an octet); SD physical layer specification 4.5 (three commands and their CRC-7) and 5.3.3 (the register of
a card of high capacity). From memory; struct, arithmetic on whole numbers and crccheck, a general library, are the second
working.
"""

from __future__ import annotations

import struct
from fractions import Fraction

import pytest
from crccheck.crc import Crc7Mmc

import packetkit

SENSORS = """
mission: sensors
frames:
  scratchpad:
    told_by: outside
    packing: least_significant_first
    order: little
    fields:
      - {name: temperature, bits: 16, signed: true, scale: 1/16, unit: Cel}
      - {name: alarm_high, bits: 8, signed: true, unit: Cel}
      - {name: alarm_low, bits: 8, signed: true, unit: Cel}
      - {name: ones, kind: constant, bits: 5, code: 31}
      - {name: resolution, bits: 2, states: {0: 9 bits, 1: 10 bits, 2: 11 bits, 3: 12 bits}}
      - {kind: reserved, bits: 1}
      - {name: internal, kind: bytes, length: 3}
      - {name: check, kind: check, algorithm: CRC-8/MAXIM-DOW}
  address:
    told_by: outside
    order: little
    fields:
      - {name: family, bits: 8}
      - {name: serial, bits: 48}
      - {name: check, kind: check, algorithm: CRC-8/MAXIM-DOW}
  reading:
    told_by: outside
    fields:
      - name: temperature
        group:
          - {name: value, bits: 16, scale: 175/65535, offset: -45, unit: Cel}
          - {name: check, kind: check, algorithm: CRC-8/NRSC-5, covers: value}
      - name: humidity
        group:
          - {name: value, bits: 16, scale: 100/65535, unit: "%"}
          - {name: check, kind: check, algorithm: CRC-8/NRSC-5, covers: value}
  barometer:
    told_by: outside
    fields:
      - {name: ac1_to_3, bits: 16, signed: true, repeat: 3}
      - {name: ac4, bits: 16}
      - {name: ac5, bits: 16}
      - {name: ac6, bits: 16}
      - {name: b1, bits: 16, signed: true}
      - {name: b2, bits: 16, signed: true}
      - {name: mb, bits: 16, signed: true}
      - {name: mc, bits: 16, signed: true}
      - {name: md, bits: 16, signed: true}
      - {name: ut, bits: 16}
      - {name: x1, derived: (ut - ac6) * ac5 / 32768}
      - {name: temperature, derived: (x1 + mc * 2048 / (x1 + md) + 8) / 160, unit: Cel}
  humidity_calibration:
    told_by: outside
    fields:
      - {name: h2, bits: 16, signed: true, order: little}
      - {name: h3, bits: 8}
      - name: shared
        group:
          - {name: h4, bits: 12, signed: true, runs: [[0, 8], [12, 4]]}
          - {name: h5, bits: 12, signed: true, runs: [[16, 8], [8, 4]]}
      - {name: h6, bits: 8, signed: true}
  command:
    told_by: outside
    fields:
      - {name: start, kind: constant, bits: 1, code: 0}
      - {name: from_host, kind: flag}
      - {name: number, bits: 6}
      - {name: argument, bits: 32}
      - {name: check, kind: check, algorithm: CRC-7/MMC}
      - {name: finish, kind: constant, bits: 1, code: 1}
  card:
    told_by: outside
    fields:
      - {name: structure, kind: constant, bits: 2, code: 1}
      - {kind: reserved, bits: 6}
      - {name: access, kind: constant, bits: 16, code: 0x0E00}
      - {name: speed, bits: 8, states: {0x32: 25 Mbit/s, 0x5A: 50 Mbit/s}}
      - {name: classes, bits: 12}
      - {name: block, bits: 4, states: {9: 512 octets}}
      - {name: abilities, kind: flags, flags: [read_partial, write_misaligned, read_misaligned, driver_stage]}
      - {kind: reserved, bits: 6}
      - {name: size, bits: 22, offset: 512, scale: 512, unit: KiB}
      - {kind: reserved, bits: 1}
      - {name: erase_block, kind: flag}
      - {name: sector, bits: 7, offset: 1}
      - {name: protected_group, bits: 7}
      - {name: group_protection, kind: flag}
      - {kind: reserved, bits: 2}
      - {name: write_factor, bits: 3, curve: {table: {0: 1, 1: 2, 2: 4, 3: 8, 4: 16, 5: 32}}}
      - {name: write_block, bits: 4, states: {9: 512 octets}}
      - {name: write_partial, kind: flag}
      - {kind: reserved, bits: 5}
      - {name: file_group, kind: flag}
      - {name: copy, kind: flag}
      - {name: protection, kind: flags, flags: [permanent, temporary]}
      - {name: format, bits: 2}
      - {kind: reserved, bits: 2}
      - {name: check, kind: check, algorithm: CRC-7/MMC}
      - {name: finish, kind: constant, bits: 1, code: 1}
"""
MISSION = packetkit.parse(SENSORS)


@pytest.mark.parametrize(
    ("code", "temperature"),
    [
        *((0x07D0, 125), (0x0550, 85), (0x0191, 25.0625), (0x00A2, 10.125), (0x0008, 0.5), (0, 0)),
        *((0xFFF8, -0.5), (0xFF5E, -10.125), (0xFE6F, -25.0625), (0xFC90, -55)),
    ],
)
def test_a_thermometers_codes_are_the_temperatures_of_its_data_sheet(code: int, temperature: float) -> None:
    frame = MISSION.frame("scratchpad")
    record = frame.decode(bytes.fromhex("5005 4B46 7F FF0C10 1C"))
    assert record == {
        "temperature": 85.0,
        "alarm_high": 75,
        "alarm_low": 70,
        "resolution": "12 bits",
        "internal": bytes.fromhex("FF0C10"),
    }
    data = frame.encode({**record, "temperature": temperature})
    assert data[:2] == struct.pack("<H", code)
    assert frame.decode(data)["temperature"] == temperature


def test_a_thermometers_address_has_its_published_check() -> None:
    frame = MISSION.frame("address")
    data = bytes.fromhex("021CB801000000A2")
    assert frame.decode(data) == {"family": 2, "serial": 0x1B81C}
    assert frame.encode({"family": 2, "serial": 0x1B81C}) == data


def test_each_word_of_a_reading_has_a_check_of_its_own() -> None:
    frame = MISSION.frame("reading")
    data = bytes.fromhex("BEEF92 BEEF92")
    record = frame.decode(data)
    assert record == {
        "temperature": {"value": float(Fraction(175 * 0xBEEF, 65535) - 45)},
        "humidity": {"value": 100 * 0xBEEF / 65535},
    }
    assert frame.encode(record) == data
    with pytest.raises(packetkit.DecodeError, match=r"humidity\.check"):
        frame.decode(bytes.fromhex("BEEF92 BEEF93"))


def test_a_barometers_worked_example_is_fifteen_degrees() -> None:
    data = struct.pack(">3h3H5hH", 408, -72, -14383, 32741, 32757, 23153, 6190, 4, -32768, -8711, 2868, 27898)
    frame = MISSION.frame("barometer")
    record = frame.decode(data)
    assert record["ac1_to_3"] == [408, -72, -14383]
    assert int(record["x1"]) == 4743
    assert int(record["temperature"] * 10) == 150
    assert frame.encode(record) == data


@pytest.mark.parametrize(("h4", "h5"), [(333, 50), (-1, 0), (0, -1), (-2048, 2047), (0x123, -0x345)])
def test_two_values_of_twelve_bits_share_an_octet(h4: int, h5: int) -> None:
    """0xE4 is h4's upper eight bits, 0xE5 its lower four below h5's lower four, 0xE6 h5's upper eight."""
    frame = MISSION.frame("humidity_calibration")
    shared = bytes([h4 >> 4 & 0xFF, (h5 & 15) << 4 | h4 & 15, h5 >> 4 & 0xFF])
    data = struct.pack("<hB", 362, 0) + shared + struct.pack("b", 30)
    record = frame.decode(data)
    assert record == {"h2": 362, "h3": 0, "shared": {"h4": h4, "h5": h5}, "h6": 30}
    assert frame.encode(record) == data


@pytest.mark.parametrize(
    ("text", "from_host", "number", "argument"),
    [("400000000095", True, 0, 0), ("510000000055", True, 17, 0), ("110000090067", False, 17, 0x900)],
)
def test_a_cards_command_has_its_published_check(
    text: str, from_host: bool, number: int, argument: int
) -> None:
    frame = MISSION.frame("command")
    record = {"from_host": from_host, "number": number, "argument": argument}
    assert frame.decode(bytes.fromhex(text)) == record
    assert frame.encode(record) == bytes.fromhex(text)


def test_a_cards_register_says_its_capacity_in_blocks_of_512_kibibytes() -> None:
    body = bytes.fromhex("400E00325B5900003B377F800A4040")
    data = body + bytes([Crc7Mmc.calc(body) << 1 | 1])
    frame = MISSION.frame("card")
    record = frame.decode(data)
    assert record["size"] == (0x3B37 + 1) * 512
    assert (record["speed"], record["classes"], record["block"]) == ("25 Mbit/s", 0x5B5, "512 octets")
    assert (record["sector"], record["write_factor"], record["copy"]) == (128, 4, True)
    assert frame.encode(record) == data
