"""Replies of ICAO Mode S whose parity is mixed with what is not sent: the unit's address, or the interrogator's code.

ICAO Annex 10 volume IV, 3.1.2.3.3 (from memory): the 24 parity bits of a reply are the CRC with generator 0x1FFF409 combined by exclusive
or with the 24-bit address (replies to a selective interrogation: formats 4, 5, 20, 21), or with the interrogator's code in the low seven
bits (all-call replies: format 11). The messages and addresses are those of the test suite of pyModeS, tests/test_common.py and
tests/test_allcall.py (from memory); that every address comes out of 24 bits of parity bears the memory out.
"""

from __future__ import annotations

import pytest

import packetkit

REPLIES = """
mission: mode-s-replies
frames:
  selective:
    fields:
      - {name: format, kind: tag, bits: 5, code: {from: 20, to: 21}}
      - {name: flight_status, bits: 3}
      - {name: downlink_request, bits: 5}
      - {name: utility_message, bits: 6}
      - {name: altitude_or_identity, bits: 13}
      - {name: message, repeat: 7, bits: 8}
      - {name: address, kind: supplied, bits: 24}
      - {name: parity, kind: check, algorithm: {width: 24, polynomial: 0xFFF409}, mixed_with: address}
  all_call:
    fields:
      - {name: format, kind: tag, bits: 5, code: 11}
      - {name: capability, bits: 3}
      - {name: address, bits: 24}
      - {name: interrogator, kind: supplied, bits: 7}
      - {name: parity, kind: check, algorithm: {width: 24, polynomial: 0xFFF409}, mixed_with: interrogator}
"""

SELECTIVE = {
    "A0001839CA3800315800007448D9": 0x400940,
    "A000139381951536E024D4CCF6B5": 0x3C4DD2,
    "A000029CFFBAA11E2004727281F1": 0x4243D0,
}
ALL_CALL = bytes.fromhex("5D484FDEA248F5")  # of 484FDE, to the interrogator with surveillance identifier 6


@pytest.mark.parametrize("text", SELECTIVE)
def test_the_address_is_recovered_from_the_parity_and_the_reply_encodes_back(text: str) -> None:
    mission = packetkit.parse(REPLIES)
    data = bytes.fromhex(text)
    name, record = mission.decode(data)
    assert (name, record["address"]) == ("selective", SELECTIVE[text])
    assert mission.frame(name).encode(record) == data
    detail = mission.frame(name).decode(data, detail=True)
    assert detail["address"] == {"raw": SELECTIVE[text], "value": SELECTIVE[text], "reason": "recovered"}


@pytest.mark.parametrize("text", SELECTIVE)
def test_with_the_address_known_every_flipped_bit_of_a_reply_is_noticed(text: str) -> None:
    frame = packetkit.parse(REPLIES).frame("selective")
    data = bytes.fromhex(text)
    known = {"address": SELECTIVE[text]}
    assert "reason" not in frame.decode(data, detail=True, known=known)["address"]
    for bit in range(len(data) * 8):
        damaged = bytearray(data)
        damaged[bit // 8] ^= 0x80 >> bit % 8
        with pytest.raises(packetkit.DecodeError):
            frame.decode(bytes(damaged), known=known)


def test_an_all_call_reply_tells_the_interrogator_and_most_damage_to_it() -> None:
    frame = packetkit.parse(REPLIES).frame("all_call")
    record = frame.decode(ALL_CALL)
    assert (record["address"], record["interrogator"]) == (0x484FDE, 0b001_0110)  # code label 1, code 6
    assert frame.encode(record) == ALL_CALL
    for bit in range(len(ALL_CALL) * 8 - 7):  # damage to the last seven bits looks like another interrogator
        damaged = bytearray(ALL_CALL)
        damaged[bit // 8] ^= 0x80 >> bit % 8
        with pytest.raises(packetkit.DecodeError):
            frame.decode(bytes(damaged))
