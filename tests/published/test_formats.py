"""Published formats, each declared as a schema, against published bytes and values and general-purpose judges.

Internet header: RFC 791 section 3.1 for the fields, RFC 1071 for the check; the worked example is that of the article
"Internet checksum" of Wikipedia (a text quoting neither): 4500 0073 0000 4000 4011 b861 c0a8 0001 c0a8 00c7.

RTCM 10403 message 1004: the values are those that the test suite of pyrtcm 1.2.1 (tests/test_stream.py, testntrip2log) publishes for a
station's broadcast; that decoder of the standard judges our bytes, its CRC-24Q included. The bytes of that broadcast are not in the
package, so bytes are compared through the judge.

Half precision: all 65,536 patterns against numpy's float16 (IEEE 754-2008 binary16).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pyrtcm
import pytest

import packetkit

INTERNET_HEADER = """
mission: internet-header
frames:
  ipv4:
    fields:
      - {name: version, kind: constant, bits: 4, code: 4}
      - {name: header_words, bits: 4}
      - {name: service, bits: 8}
      - {name: total_length, bits: 16}
      - {name: identification, bits: 16}
      - {name: control, flags: [{kind: reserved, bits: 1}, do_not_fragment, more_fragments]}
      - {name: fragment_offset, bits: 13}
      - {name: time_to_live, bits: 8}
      - {name: protocol, bits: 8, states: {1: ICMP, 6: TCP, 17: UDP}}
      - {name: header_check, kind: check, algorithm: SUM-16/INTERNET, covers: whole_frame, self: zero}
      - {name: source_address, repeat: 4, bits: 8}
      - {name: destination_address, repeat: 4, bits: 8}
"""

HEADER = bytes.fromhex("45000073000040004011b861c0a80001c0a800c7")
HEADER_VALUES: dict[str, Any] = {
    "header_words": 5,
    "service": 0,
    "total_length": 0x73,
    "identification": 0,
    "control": {"do_not_fragment": True, "more_fragments": False},
    "fragment_offset": 0,
    "time_to_live": 64,
    "protocol": "UDP",
    "source_address": [192, 168, 0, 1],
    "destination_address": [192, 168, 0, 199],
}


def test_the_internet_header_decodes_to_the_published_values_and_encodes_back() -> None:
    frame = packetkit.parse(INTERNET_HEADER).frame("ipv4")
    assert frame.decode(HEADER) == HEADER_VALUES
    assert frame.encode(HEADER_VALUES) == HEADER
    assert frame.decode(HEADER, detail=True)["header_check"]["raw"] == 0xB861


@pytest.mark.parametrize("bit", range(160))
def test_each_flipped_bit_of_the_internet_header_is_noticed(bit: int) -> None:
    damaged = bytearray(HEADER)
    damaged[bit // 8] ^= 0x80 >> bit % 8
    with pytest.raises(packetkit.DecodeError):
        packetkit.parse(INTERNET_HEADER).frame("ipv4").decode(bytes(damaged))


MESSAGE_1004 = """
mission: reference-station
frames:
  observables:
    fields:
      - {name: preamble, kind: sync, bits: 8, code: 0xD3}
      - {name: reserved_bits, kind: reserved, bits: 6}
      - {name: message_bytes, bits: 10}
      - {name: message_number, kind: tag, bits: 12, code: 1004}
      - {name: station, bits: 12}
      - {name: epoch_time, bits: 30, unit: ms}
      - {name: synchronous, kind: flag}
      - {name: satellites, kind: count, bits: 5}
      - {name: smoothed, kind: flag}
      - {name: smoothing, bits: 3}
      - name: observed
        repeat: {count: satellites}
        group:
          - {name: satellite, bits: 6}
          - {name: p_code, kind: flag}
          - {name: l1_pseudorange, bits: 24, scale: 0.02, unit: m}
          - {name: l1_phase_less_range, bits: 20, signed: true, scale: 0.0005, unit: m, missing: true}
          - {name: l1_lock, bits: 7}
          - {name: l1_ambiguity, bits: 8}
          - {name: l1_carrier_to_noise, bits: 8, scale: 0.25, unit: dBHz}
          - {name: l2_code, bits: 2}
          - {name: l2_less_l1_range, bits: 14, signed: true, scale: 0.02, unit: m, missing: true}
          - {name: l2_phase_less_l1_range, bits: 20, signed: true, scale: 0.0005, unit: m, missing: true}
          - {name: l2_lock, bits: 7}
          - {name: l2_carrier_to_noise, bits: 8, scale: 0.25, unit: dBHz}
      - {kind: reserved, up_to: byte}
      - {name: check, kind: check, algorithm: CRC-24/LTE-A}
"""

# DF009 to DF020 of each satellite, as the judge's suite prints them, decimals written out.
OBSERVED = (
    (2, 0, 282060, -30.8545, 127, 75, 43, 3, 8.34, -44.145, 127, 31.25),
    (3, 0, 6888.18, -13.153, 127, 70, 49.5, 3, 7.9, -12.911, 127, 52),
    (21, 0, 17235.68, -50.468, 127, 79, 38.5, 3, 15.4, -68.6825, 127, 19.5),
    (4, 0, 144748.02, 1.4805, 127, 67, 49, 3, 5.56, 7.611, 127, 43.75),
    (9, 0, 95354.06, 7.7525, 127, 71, 48, 3, 7.82, 18.57, 127, 50.5),
    (6, 0, 13104.98, 2.84, 127, 78, 39.75, 3, 11.5, 15.8435, 127, 35.75),
    (19, 0, 21822.56, -8.8195, 127, 78, 40.75, 3, 7.2, -13.3185, 127, 27.5),
    (31, 0, 28651.58, -9.156, 127, 79, 42.5, 3, 10.68, -3.7505, 127, 37),
    (17, 0, 51315.02, -16.4175, 127, 76, 40.5, 3, 9.96, -20.1975, 127, 34.75),
    (7, 0, 155082.74, 0.288, 50, 83, 34, 3, 18.36, 16.5705, 41, 18.75),
    (1, 0, 173993.44, -10.573, 127, 68, 49.5, 3, 8.44, -8.8375, 127, 52),
)
NAMES = (
    "satellite",
    "p_code",
    "l1_pseudorange",
    "l1_phase_less_range",
    "l1_lock",
    "l1_ambiguity",
    "l1_carrier_to_noise",
    "l2_code",
    "l2_less_l1_range",
    "l2_phase_less_l1_range",
    "l2_lock",
    "l2_carrier_to_noise",
)


def record_1004(satellites: int) -> dict[str, Any]:
    observed = [dict(zip(NAMES, row, strict=True)) for row in OBSERVED[:satellites]]
    for one in observed:
        one["p_code"] = bool(one["p_code"])
    return {
        "message_bytes": (64 + 125 * satellites + 7) // 8,
        "station": 0,
        "epoch_time": 318945000,
        "synchronous": True,
        "smoothed": False,
        "smoothing": 0,
        "observed": observed,
    }


@pytest.mark.parametrize("satellites", range(12))
def test_rtcm_1004_is_read_alike_by_a_decoder_of_the_standard(satellites: int) -> None:
    frame = packetkit.parse(MESSAGE_1004).frame("observables")
    record = record_1004(satellites)
    data = frame.encode(record)
    judged = pyrtcm.RTCMReader.parse(data, validate=pyrtcm.VALCKSUM)  # verifies CRC-24Q
    assert (
        1004,
        0,
        318945000,
        1,
        satellites,
    ) == (judged.DF002, judged.DF003, judged.DF004, judged.DF005, judged.DF006)
    for index, row in enumerate(OBSERVED[:satellites], start=1):
        for number, value in enumerate(row, start=9):
            # The judge multiplies in doubles (5.5600000000000005 for 5.56), so its last bits are not the standard's.
            assert math.isclose(getattr(judged, f"DF{number:03}_{index:02}"), value, rel_tol=1e-15)
    assert frame.decode(data) == record


def test_rtcm_1004_cut_or_with_a_count_too_large_is_an_error() -> None:
    frame = packetkit.parse(MESSAGE_1004).frame("observables")
    data = frame.encode(record_1004(3))
    for cut in range(len(data)):
        with pytest.raises(packetkit.ShortFrame):
            frame.decode(data[:cut])
    more = bytearray(data)
    more[10] |= 0x1F  # part of the count: five bits from bit 79
    with pytest.raises(packetkit.DecodeError):
        frame.decode(bytes(more))


HALF = """
mission: half
frames:
  one:
    fields:
      - {name: value, kind: float, bits: 16}
"""


def test_every_half_precision_pattern_is_numpys() -> None:
    frame = packetkit.parse(HALF).frame("one")
    patterns = np.arange(65536, dtype=np.uint16)
    values = patterns.view(np.float16).astype(np.float64)
    for pattern, expected in zip(patterns.tolist(), values.tolist(), strict=True):
        decoded = frame.decode(pattern.to_bytes(2, "big"))["value"]
        if math.isfinite(expected):
            assert decoded == expected and math.copysign(1, decoded) == math.copysign(1, expected)
            assert frame.encode({"value": expected}) == pattern.to_bytes(2, "big")
        else:
            assert decoded is None


@pytest.mark.filterwarnings(
    "ignore:overflow encountered in cast"
)  # numpy's own word for what must be out of range here
def test_doubles_round_to_half_precision_as_numpy_rounds() -> None:
    frame = packetkit.parse(HALF).frame("one")
    halves = np.arange(0x7C00, dtype=np.uint16).view(np.float16).astype(np.float64)
    ties = (halves[:-1] + halves[1:]) / 2  # exact in a double: the hardest cases, ties to even
    for value in np.concatenate([ties, np.nextafter(ties, 0), np.nextafter(ties, np.inf), -ties]).tolist():
        assert frame.encode({"value": value}) == np.float16(value).tobytes()[::-1]
    with pytest.raises(packetkit.EncodeError, match="value"):
        frame.encode({"value": 65520.0})  # rounds to infinity (IEEE 754 binary16: 65504 is the largest)
