"""Distress beacons of 406 MHz, C/S T.001: long and short messages whose two parts each have a check over an odd number of bits.

Fields: C/S T.001, sections 2 and 3 and annex A, figures A1 to A7; the generators of the two BCH codes are those of annex B, all from
memory. The messages were collected by amateurs (from memory): that both checks of each hold, by polynomial division of texts of bits
below, which knows nothing of how the check is computed here, bears the memory out.
"""

from __future__ import annotations

from typing import Any

import pytest

import packetkit

FIRST, SECOND = "1001101101100111100011", "1010100111001"
BEACON = packetkit.parse("""
mission: beacons
frames:
  message:
    fields:
      - {name: bit_sync, kind: constant, bits: 15, code: 0x7FFF}
      - {name: frame_sync, kind: tag, bits: 9, code: [0x02F, 0x0D0], description: Normal or self-test}
      - {name: is_long, kind: flag}
      - {name: user_protocol, kind: flag}
      - {name: country, bits: 10}
      - name: identity
        told_by: user_protocol
        variants:
          - name: location
            when: {user_protocol: 0}
            group:
              - name: protocol
                bits: 4
                states: {2: maritime, 3: aircraft address, 4: serial ELT, 5: operator, 6: serial EPIRB, 7: serial PLB, 14: standard test}
              - {name: identification, bits: 24}
              - {name: south, kind: flag}
              - {name: latitude, bits: 9, scale: 0.25, unit: deg, missing: 511}
              - {name: west, kind: flag}
              - {name: longitude, bits: 10, scale: 0.25, unit: deg, missing: 1023}
          - name: user
            when: {user_protocol: 1}
            group:
              - {name: protocol, bits: 3}
              - {name: data, bits: 46}
      - {name: first_check, kind: check, covers: {from: is_long, to: identity}, algorithm: {width: 21, polynomial: 0x06D9E3}}
      - name: ending
        told_by: is_long
        variants:
          - name: supplement
            when: {is_long: 1}
            group:
              - {name: fixed_bits, bits: 4}
              - {name: own_receiver, kind: flag}
              - {name: homing, kind: flag}
              - {name: north_offset, kind: flag}
              - {name: latitude_minutes, bits: 5, missing: 31, unit: min}
              - {name: latitude_seconds, bits: 4, scale: 4, missing: 15, unit: s}
              - {name: east_offset, kind: flag}
              - {name: longitude_minutes, bits: 5, missing: 31, unit: min}
              - {name: longitude_seconds, bits: 4, scale: 4, missing: 15, unit: s}
              - name: second_check
                kind: check
                covers: {from: fixed_bits, to: longitude_seconds}
                algorithm: {width: 12, polynomial: 0x539}
          - name: emergency
            when: {is_long: 0}
            group:
              - {name: codes, bits: 6}
""").frame("message")

MESSAGES = [
    "FFFED08E39048D158AC01E3AA482856824CE",
    "FFFED080020000007FDFFB0020B783E0F66C",
    "FFFE2F8E3E0425A52B002E364FF709674EB7",
    "FFFE2FA157B081437FDFF8B4833783E0F66C",
]


def remainder(bits: str, generator: str) -> str:
    """What is left of bits, as many zeros as the generator's degree behind them, divided by it."""
    rest = [one == "1" for one in bits + "0" * (len(generator) - 1)]
    for start in range(len(bits)):
        if rest[start]:
            for place, one in enumerate(generator, start):
                rest[place] ^= one == "1"
    return "".join("01"[one] for one in rest[len(bits) :])


@pytest.mark.parametrize("text", MESSAGES)
def test_a_beacons_message_has_two_checks_that_hold_and_encodes_back(text: str) -> None:
    data = bytes.fromhex(text)
    bits = f"{int(text, 16):0144b}"
    record = BEACON.decode(data)
    assert record["country"] == int(bits[26:36], 2)
    assert record["frame_sync"] == (0xD0 if text.startswith("FFFED0") else 0x2F)
    assert BEACON.encode(record) == data
    detail = BEACON.decode(data, detail=True)
    assert f"{detail['first_check']['raw']:021b}" == bits[85:106] == remainder(bits[24:85], FIRST)
    assert (
        f"{detail['ending']['supplement']['second_check']['raw']:012b}"
        == bits[132:]
        == remainder(bits[106:132], SECOND)
    )


def test_codes_of_a_position_that_is_not_known_give_none() -> None:
    """Annex A: where no position is known, degrees and seconds are all ones, minutes zero; the four fixed bits are 1101."""
    record = BEACON.decode(bytes.fromhex(MESSAGES[1]))
    location, supplement = record["identity"]["location"], record["ending"]["supplement"]
    assert (location["protocol"], location["latitude"], location["longitude"]) == ("maritime", None, None)
    assert (supplement["fixed_bits"], supplement["latitude_minutes"], supplement["latitude_seconds"]) == (
        13,
        0,
        None,
    )


def test_a_test_beacon_of_france_says_that_it_is_in_toulouse() -> None:
    """43.6 degrees north, 1.4 east (an atlas): where the agency that runs the system's French part has its centre."""
    record = BEACON.decode(bytes.fromhex(MESSAGES[2]))
    location, offset = record["identity"]["location"], record["ending"]["supplement"]
    assert (record["country"], location["protocol"], offset["fixed_bits"]) == (227, "standard test", 13)
    assert (location["south"], location["west"]) == (False, False)
    assert abs(location["latitude"] - 43.6) < 1 and abs(location["longitude"] - 1.4) < 1


@pytest.mark.parametrize("user", [{"protocol": 6, "data": 0x123456789AB}, {"protocol": 0, "data": 0}])
def test_a_short_message_ends_with_six_bits_that_no_check_covers(user: dict[str, Any]) -> None:
    record = {
        "frame_sync": 0x2F,
        "is_long": False,
        "user_protocol": True,
        "country": 227,
        "identity": {"user": user},
    }
    data = BEACON.encode({**record, "ending": {"emergency": {"codes": 0b101010}}})
    bits = f"{int.from_bytes(data, 'big'):0112b}"
    assert (len(data), bits[106:]) == (14, "101010")
    assert bits[85:106] == remainder(bits[24:85], FIRST)
    assert BEACON.decode(data)["identity"] == {"user": user}


@pytest.mark.parametrize("bit", range(24, 144, 7))
def test_a_flipped_bit_of_a_beacons_message_is_noticed(bit: int) -> None:
    damaged = bytearray.fromhex(MESSAGES[2])
    damaged[bit // 8] ^= 0x80 >> bit % 8
    with pytest.raises(packetkit.DecodeError):
        BEACON.decode(bytes(damaged))
