"""Space packets with day-segmented time and their error control, judged by spacepackets 0.32, a general library of these standards.

CCSDS 133.0-B-2 section 4.1: the packet; CCSDS 301.0-B-4 section 3.3: day-segmented time, its preamble 0x40, epoch 1958-01-01;
ECSS-E-ST-70-41C: the telemetry header around the time, and annex B: the error control with its four worked examples (from memory).
"""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from spacepackets.ccsds.time import CdsShortTimestamp
from spacepackets.ecss.tm import InvalidTmCrc16Error, PusTm

import packetkit
from packetkit.errors import CheckFailed
from packetkit.integrity import catalog, crc

TELEMETRY = """
mission: space-packets
frames:
  telemetry:
    fields:
      - {name: version, kind: constant, bits: 3, code: 0}
      - {name: type, kind: constant, bits: 1, code: 0}
      - {name: has_secondary_header, kind: constant, bits: 1, code: 1}
      - {name: application, bits: 11}
      - {name: grouping, bits: 2, states: {0: continuation, 1: first, 2: last, 3: unsegmented}}
      - {name: sequence, bits: 14, role: sequence}
      - {name: size, kind: length, bits: 16, less: 1, measures: data}
      - name: data
        group:
          - {name: header_version, kind: constant, bits: 4, code: 2}
          - {name: time_reference, bits: 4}
          - {name: service, bits: 8}
          - {name: message, bits: 8}
          - {name: counter, bits: 16}
          - {name: destination, bits: 16}
          - {name: time_code, kind: constant, bits: 8, code: 0x40, description: day-segmented; 16-bit days and milliseconds}
          - {name: time, kind: time, counts: {days: 16, milliseconds: 32}, epoch: 1958-01-01T00:00:00Z}
          - {name: source, kind: bytes, length: rest}
          - {name: error_control, kind: check, algorithm: CRC-16/IBM-3740}
"""
FRAME = packetkit.parse(TELEMETRY).frame()
EPOCH = datetime(1958, 1, 1, tzinfo=timezone.utc)


def packet(sequence: int, days: int, milliseconds: int, source: bytes, **more: Any) -> PusTm:
    """A telemetry packet as the library builds it."""
    stamp = CdsShortTimestamp(days, milliseconds).pack()
    return PusTm(
        more.get("service", 3),
        more.get("message", 25),
        timestamp=stamp,
        source_data=source,
        apid=more.get("application", 0x2A5),
        seq_count=sequence,
        message_counter=more.get("counter", 7),
        destination_id=more.get("destination", 1),
    )


@given(st.integers(0, 16383), st.integers(0, 65535), st.integers(0, 86_399_999), st.binary(max_size=40))
def test_a_telemetry_packet_is_the_librarys_to_the_last_bit(
    sequence: int, days: int, milliseconds: int, source: bytes
) -> None:
    theirs = packet(sequence, days, milliseconds, source)
    record = FRAME.decode(bytes(theirs.pack()))
    assert (record["application"], record["grouping"], record["sequence"]) == (
        0x2A5,
        "unsegmented",
        sequence,
    )
    assert (record["data"]["service"], record["data"]["message"], record["data"]["source"]) == (3, 25, source)
    moment = datetime.fromisoformat(record["data"]["time"].replace("Z", "+00:00"))
    # the library goes by way of doubles, which loses milliseconds; the calendar is Python's
    assert moment == EPOCH + timedelta(days=days, milliseconds=milliseconds)
    assert FRAME.encode(record) == bytes(theirs.pack())


def test_the_library_reads_a_packet_of_ours() -> None:
    data = {
        "time_reference": 0,
        "service": 17,
        "message": 2,
        "counter": 65535,
        "destination": 0x1234,
        "time": "2026-11-25T16:20:30.125Z",
        "source": bytes(range(10)),
    }
    ours = FRAME.encode({"application": 2047, "grouping": "unsegmented", "sequence": 16383, "data": data})
    read = PusTm.unpack(ours, CdsShortTimestamp.TIMESTAMP_SIZE)
    assert (read.apid, read.seq_count, read.service, read.source_data) == (2047, 16383, 17, bytes(range(10)))
    stamp = CdsShortTimestamp.unpack(read.timestamp)
    assert stamp.as_datetime() == datetime(2026, 11, 25, 16, 20, 30, 125_000, tzinfo=timezone.utc)


@given(st.integers(0, 8 * 24 - 1))
def test_a_flipped_bit_is_refused_by_both(bit: int) -> None:
    good = bytes(packet(1, 24_000, 1, b"").pack())
    hurt = bytearray(good)
    hurt[bit // 8 % len(good)] ^= 0x80 >> bit % 8
    if bytes(hurt[4:6]) != good[4:6]:  # its length: then it is cut somewhere else
        return
    with pytest.raises(packetkit.DecodeError) as ours:
        FRAME.decode(bytes(hurt))
    assert isinstance(ours.value, CheckFailed) or ours.value.reason == "wrong constant"
    with pytest.raises((InvalidTmCrc16Error, ValueError)):
        PusTm.unpack(bytes(hurt), CdsShortTimestamp.TIMESTAMP_SIZE)


@pytest.mark.parametrize(
    ("octets", "control"),
    [("0000", 0x1D0F), ("000000", 0xCC9C), ("abcdef01", 0x04A2), ("1456f89a0001", 0x7FD5)],
)
def test_the_error_control_is_that_of_the_standards_examples(octets: str, control: int) -> None:
    assert crc.compute(catalog.find("CRC-16/IBM-3740"), bytes.fromhex(octets)) == control
