"""The physical payload of LoRaWAN as a schema, with its length from four bits, against a published frame.

Fields: LoRaWAN 1.0.3 specification, section 4 (from memory). The frame is an example that texts on LoRaWAN quote widely (from memory):
an unconfirmed uplink of device 49BE7DF1 with counter 2 on port 1. Its message integrity code is made with a secret key: it is a number
here.
"""

from __future__ import annotations

from typing import Any

import pytest

import packetkit

UPLINK = """
mission: lorawan
frames:
  data:
    order: little
    fields:
      - {name: message_type, kind: tag, bits: 3, code: {from: 2, to: 5}}
      - {kind: reserved, bits: 3}
      - {name: major, kind: constant, bits: 2, code: 0}
      - {name: device_address, bits: 32}
      - {name: adaptive_rate, kind: flag}
      - {name: adaptive_rate_request, kind: flag}
      - {name: acknowledged, kind: flag}
      - {name: pending, kind: flag}
      - {name: options_length, kind: length, bits: 4, measures: options}
      - {name: frame_counter, bits: 16}
      - {name: options, kind: bytes, length: rest}
      - {name: port, bits: 8}
      - {name: payload, kind: bytes, length: rest}
      - {name: integrity_code, bits: 32, order: big}
"""

FRAME = bytes.fromhex("40F17DBE4900020001954378762B11FF0D")
RECORD: dict[str, Any] = {
    "message_type": 2,
    "device_address": 0x49BE7DF1,
    "adaptive_rate": False,
    "adaptive_rate_request": False,
    "acknowledged": False,
    "pending": False,
    "frame_counter": 2,
    "options": b"",
    "port": 1,
    "payload": bytes.fromhex("95437876"),
    "integrity_code": 0x2B11FF0D,
}


def test_an_uplink_decodes_to_the_published_values_and_encodes_back() -> None:
    frame = packetkit.parse(UPLINK).frame("data")
    assert frame.decode(FRAME) == RECORD
    assert frame.encode(RECORD) == FRAME


@pytest.mark.parametrize("length", range(16))
def test_four_bits_say_where_the_options_end(length: int) -> None:
    """Options of every length stand between the counter and the port (specification, section 4.3.1.6; from memory)."""
    frame = packetkit.parse(UPLINK).frame("data")
    record = {**RECORD, "options": bytes(range(length))}
    data = frame.encode(record)
    assert data == FRAME[:5] + bytes([length]) + FRAME[6:8] + bytes(range(length)) + FRAME[8:]
    assert frame.decode(data) == record
    with pytest.raises(packetkit.ShortFrame):
        frame.decode(data[: 8 + length + 4])
