"""Numbers spelled otherwise than in plain binary, held to published tables, to properties that define them, and both ways.

Sources: the reflected binary code of four digits, F. Gray, US patent 2,632,058 (1953), from memory; BCD 8421 and sign and
magnitude as every textbook has them; a real-time clock's seconds (tens in three bits, units in four), common practice; an altitude
whose bits lie around another: squitter 8D40621D58C382D690C8AC2863A7, decoded to 38,000 ft in J. Sun, The 1090 Megahertz Riddle (2nd
edition, 2021), from memory.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from packetkit.codec import walk
from packetkit.codec.frame import Frame
from packetkit.layout.coding import CODINGS, width_for
from packetkit.mission.load import parse

# Each line the next number, from zero: bits flip as in the patent's table.
REFLECTED = "0000 0001 0011 0010 0110 0111 0101 0100 1100 1101 1111 1110 1010 1011 1001 1000".split()


def codec(field: str) -> Frame:
    text = f"mission: paper\nframes:\n  sheet:\n    fields:\n      - {{name: a, {field}}}\n    last_byte: zero_filled\n"
    return parse(text).frames["sheet"]


@pytest.mark.parametrize(("number", "code"), list(enumerate(REFLECTED)))
def test_the_reflected_binary_code_is_the_published_table(number: int, code: str) -> None:
    frame = codec("bits: 4, coding: gray")
    assert f"{frame.encode({'a': number})[0] >> 4:04b}" == code
    assert frame.decode(bytes([int(code, 2) << 4])) == {"a": number}


def test_seconds_of_a_clock_are_read_by_their_digits_and_no_other_code_is_a_number() -> None:
    frame = codec("bits: 7, coding: binary_coded_decimal, scale: 1, maximum: 59")
    assert frame.encode({"a": 59}) == bytes([0x59 << 1])
    assert frame.decode(bytes([0x5A << 1]), detail=True)["a"] == {
        "raw": 0x5A,
        "value": None,
        "reason": "bad digit",
    }
    readable = [code for code in range(128) if frame.decode(bytes([code << 1]))["a"] is not None]
    assert readable == [code for code in range(128) if f"{code:x}".isdecimal()]


@given(st.sampled_from(sorted(CODINGS)), st.integers(2, 64), st.data())
def test_every_number_is_spelled_and_read_back(name: str, width: int, data: st.DataObject) -> None:
    coding, width = CODINGS[name], width_for(name, width)
    low, high = coding.limits(width)
    number = data.draw(st.integers(low, high))
    code = coding.code_of(width, number)
    assert 0 <= code < 1 << width
    assert coding.number_of(width, code) == number


WIDE = {
    (name, width, before, packing): parse(
        f"mission: paper\nframes:\n  sheet:\n    packing: {packing}\n    fields:\n      - {{name: b, bits: {before}}}\n"
        f"      - {{name: a, bits: {width}, coding: {name}, scale: 1}}\n    last_byte: zero_filled\n"
    ).frames["sheet"]
    for name, width, before, packing in (
        ("gray", 13, 3, "most_significant_first"),
        ("gray", 16, 8, "least_significant_first"),
        ("gray", 50, 5, "least_significant_first"),
        ("gray", 64, 1, "most_significant_first"),
        ("binary_coded_decimal", 16, 8, "most_significant_first"),
        ("binary_coded_decimal", 23, 1, "least_significant_first"),
        ("binary_coded_decimal", 36, 4, "most_significant_first"),
        ("binary_coded_decimal", 64, 7, "most_significant_first"),
    )
}


@given(st.sampled_from(sorted(WIDE)), st.data())
def test_wide_codes_are_read_and_written_as_their_digits_and_parities_say(
    one: tuple[str, int, int, str], data: st.DataObject
) -> None:
    # A digit is what its four bits count; a bit of a number in Gray code is the parity of the code's bits down to it.
    (name, width, before, packing), frame = one, WIDE[one]
    if name == "gray":
        number = data.draw(st.integers(0, (1 << width) - 1))
        code = int("".join("01"[(number >> at ^ number >> at + 1) & 1] for at in reversed(range(width))), 2)
    else:
        top = min((1 << width % 4) - 1, 9) if width % 4 else 9
        digits = [data.draw(st.integers(0, top if not at else 9)) for at in range(-(-width // 4))]
        number, code = int("".join(map(str, digits))), int("".join(map(str, digits)), 16)
    whole = -(before + width) % 8 + before + width
    bits = code << before if packing.startswith("least") else code << whole - before - width
    octets = bits.to_bytes(whole // 8, "little" if packing.startswith("least") else "big")
    assert frame.encode({"b": 0, "a": number}) == octets
    assert frame.decode(octets) == {"b": 0, "a": number}


def test_a_bad_digit_anywhere_in_a_wide_code_is_no_number() -> None:
    frame = WIDE["binary_coded_decimal", 64, 7, "most_significant_first"]
    for at in range(0, 64, 4):
        octets = (0xA << at + 1).to_bytes(9, "big")
        assert frame.decode(octets) == {"b": 0, "a": None}


@given(st.integers(1, 64), st.data())
def test_neighbours_in_gray_code_differ_in_one_bit(width: int, data: st.DataObject) -> None:
    number = data.draw(st.integers(0, (1 << width) - 1))
    after = (number + 1) % (1 << width)  # the last is a neighbour of the first
    code = CODINGS["gray"].code_of
    assert (code(width, number) ^ code(width, after)).bit_count() == 1


def test_the_other_zero_is_zero_and_its_bits_are_kept() -> None:
    frame = codec("bits: 8, coding: sign_and_magnitude")
    assert frame.decode(b"\x80") == {"a": 0}
    assert frame.encode(frame.decode(b"\x80", detail=True)) == b"\x80"
    assert frame.encode({"a": 0}) == b"\x00"


@pytest.mark.parametrize(
    ("degrees", "sent"), [(-33.5, "8082dc"), (33.5, "0082dc"), (-90, "815f90"), (0, "000000")]
)
def test_latitudes_of_a_weather_grid_have_a_sign_bit(degrees: float, sent: str) -> None:
    # WMO Manual on Codes, FM 92 GRIB edition 1, section 2, octets 11 to 13: millidegrees, "south by setting bit 1 to 1"; from memory.
    frame = codec("bits: 24, coding: sign_and_magnitude, scale: 0.001, unit: deg")
    assert frame.encode({"a": degrees}).hex() == sent
    assert (
        frame.decode(bytes.fromhex(sent)) == walk.decode(frame.layout, bytes.fromhex(sent)) == {"a": degrees}
    )


SQUITTER_ALTITUDE = """\
mission: paper
frames:
  position:
    fields:
      - {name: type_code, bits: 5}
      - {name: surveillance, bits: 2}
      - {name: antenna, bits: 1}
      - name: altitude
        group:
          - {name: feet, runs: [[0, 7], [8, 4]], scale: 25, offset: -1000, unit: "[ft_i]"}
          - {name: in_steps_of_25, kind: flag}
      - {name: time, bits: 1}
      - {name: odd, kind: flag}
      - {name: latitude, bits: 17, scale: 1/131072}
      - {name: longitude, bits: 17, scale: 1/131072}
"""


def test_an_altitude_whose_bits_lie_around_another_is_that_of_the_published_squitter() -> None:
    message = bytes.fromhex("8D40621D58C382D690C8AC2863A7")[4:11]  # between the address and the parity
    frame = parse(SQUITTER_ALTITUDE).frames["position"]
    record = frame.decode(message)
    assert record["altitude"] == {"feet": 38_000, "in_steps_of_25": True}
    assert (record["type_code"], record["latitude"], record["longitude"]) == (
        11,
        93_000 / 131_072,
        51_372 / 131_072,
    )
    assert frame.encode(record) == message
