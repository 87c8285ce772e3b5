"""Published frames whose status stands behind what it judges.

UBX-NAV-TIMEUTC (class 0x01, message 0x21, 20 octets): u-blox 8 / M8 receiver description, UBX protocol, from memory. Octets 0 to 18 hold
the time of week in ms, the accuracy and the fraction of the second in ns, and the moment in UTC; the last octet says whether they are
valid: bit 0 the time of week, bit 1 the week number, bit 2 UTC; its high four bits name the standard of UTC. All numbers have their low
octet first. The check is Fletcher's of eight bits over class, message, length and payload, both sums modulo 256. Python's struct packs
the octets here, and the check is worked out as the description says.
"""

from __future__ import annotations

import struct

import pytest

import packetkit
from packetkit.codec import walk
from packetkit.errors import EncodeError

FRAME = packetkit.parse("""
mission: receiver
frames:
  timeutc:
    order: little
    fields:
      - {name: sync, kind: sync, bits: 16, code: 0xB562, order: big}
      - {name: message, kind: tag, bits: 16, code: 0x0121, order: big}
      - {name: size, kind: constant, bits: 16, code: 20}
      - {name: time_of_week, bits: 32, unit: ms, valid_when: valid.time_of_week}
      - {name: accuracy, bits: 32, unit: ns, valid_when: valid.utc}
      - {name: nanosecond, bits: 32, signed: true, unit: ns, valid_when: valid.utc}
      - {name: year, bits: 16, valid_when: valid.utc}
      - {name: month, bits: 8, valid_when: valid.utc}
      - {name: day, bits: 8, valid_when: valid.utc}
      - {name: hour, bits: 8, valid_when: valid.utc}
      - {name: minute, bits: 8, valid_when: valid.utc}
      - {name: second, bits: 8, valid_when: valid.utc}
      - name: valid
        packing: least_significant_first
        flags: [time_of_week, week_number, utc, {kind: reserved, bits: 1}, {name: standard, bits: 4}]
      - {name: check, kind: check, algorithm: FLETCHER-16/UBX, covers: {from: message, to: valid}, stored: high_octet_first}
""").frames["timeutc"]


def octets(*payload: int) -> bytes:
    """The message as the description has it, of the payload's numbers in order."""
    body = struct.pack("<BBH", 0x01, 0x21, 20) + struct.pack("<IIiHBBBBBB", *payload)
    first = second = 0
    for octet in body:
        first = (first + octet) & 0xFF
        second = (second + first) & 0xFF
    return b"\xb5\x62" + body + bytes([first, second])


MOMENT = ("accuracy", "nanosecond", "year", "month", "day", "hour", "minute", "second")
NUMBERS = (388_817_000, 28, -184_312, 2024, 2, 29, 12, 0, 17)
ALL = dict(zip(("time_of_week", *MOMENT), NUMBERS, strict=True))


def record(valid: int) -> dict[str, object]:
    """What such a message says where its last octet is this."""
    says = {"time_of_week": bool(valid & 1), "week_number": bool(valid & 2), "utc": bool(valid & 4)}
    kept = {key: value if says["utc"] else None for key, value in ALL.items()}
    kept["time_of_week"] = ALL["time_of_week"] if says["time_of_week"] else None
    return {**kept, "valid": {**says, "standard": valid >> 4}}


@pytest.mark.parametrize("valid", [0x37, 0x33, 0x36, 0x01, 0xF0])
def test_the_last_octet_says_what_the_octets_before_it_mean(valid: int) -> None:
    data = octets(*NUMBERS, valid)
    assert FRAME.decode(data) == walk.decode(FRAME.layout, data) == record(valid)
    assert FRAME.encode(FRAME.decode(data, detail=True)) == data


@pytest.mark.parametrize("valid", [0x37, 0x33, 0x01])
def test_what_is_not_valid_is_sent_as_zero(valid: int) -> None:
    sent = [0 if value is None else value for value in list(record(valid).values())[:-1]]
    assert FRAME.encode(record(valid)) == octets(*sent, valid)  # type: ignore[arg-type]


def test_a_moment_that_is_given_and_denied_behind_is_refused() -> None:
    with pytest.raises(EncodeError) as caught:
        FRAME.encode({**record(0x33), "year": 2024})
    assert "2024 is given, but valid.utc is False. Leave it out, or change that" in str(caught.value)
