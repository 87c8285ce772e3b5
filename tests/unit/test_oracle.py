"""The oracle itself, checked against paper, published values and the standard library; never against our codec.

The vectors in vectors/handmade hold it to the wire rules, frame by frame. Here are its parts: the bitwise CRC and the sums, IEEE
numbers, exact rounding, whole frames against the struct module, and what it refuses.
"""

from __future__ import annotations

import json
import math
import struct
import zlib
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests import oracle
from tests.judges import declared, same

MESSAGE = b"123456789"
CATALOGUE = json.loads(
    (Path(__file__).resolve().parents[2] / "vectors" / "published" / "crc_catalogue.json").read_text("utf-8")
)


def frame_of(*fields: str, keys: str = "") -> Any:
    """Return a frame of these fields, each in the words of the schema language."""
    lines = ["mission: paper", "frames:", "  sheet:", *([f"    {keys}"] if keys else []), "    fields:"]
    (frame,) = declared("\n".join([*lines, *(f"      - {{{field}}}" for field in fields)]))
    return frame


def sent(record: Any, *fields: str) -> str:
    """Return what a record is sent as, in hexadecimal, or the reason why not."""
    try:
        return oracle.encode(frame_of(*fields), record, {}).hex()
    except oracle.Refused as no:
        return no.reason


# --- checks -------------------------------------------------------------------------------------------------


def crc(data: bytes, **parameters: Any) -> int:
    """Return the oracle's CRC of some octets, as a most-first frame would feed it."""
    span = [(bit, False) for octet in data for bit in f"{octet:08b}"]
    return oracle._crc(oracle._feed(span, parameters["reflect_in"]), parameters)


@pytest.mark.parametrize("row", CATALOGUE["algorithms"], ids=lambda row: row["name"])
def test_the_bitwise_crc_gives_the_published_check_values(row: dict[str, Any]) -> None:
    # Greg Cook, Catalogue of parametrised CRC algorithms; the file names the copy that was read.
    numbers = {key: int(row[key], 16) for key in ("poly", "init")}
    found = crc(
        MESSAGE,
        **numbers,
        width=row["width"],
        reflect_in=row["refin"],
        reflect_out=row["refout"],
        final_xor=int(row["xorout"], 16),
    )
    assert found == int(row["check"], 16)


@given(st.binary(max_size=40))
def test_the_bitwise_crc_equals_the_standard_librarys(data: bytes) -> None:
    ones = 0xFFFFFFFF
    crc_32 = {"width": 32, "poly": 0x04C11DB7, "init": ones, "final_xor": ones}
    assert crc(data, **crc_32, reflect_in=True, reflect_out=True) == zlib.crc32(data)


def total(data: bytes, family: str, **parameters: Any) -> int:
    """Return the oracle's sum of some octets."""
    usual = {
        **{"width": 16, "init": 0, "word_bits": 8, "word_order": "high octet first"},
        **{"modulus": 0, "end_around": False, "final": "none", "first_sum_high": False},
    }
    return oracle._sum(list(data), {"family": family, **usual, **parameters})


@given(st.binary(max_size=60))
def test_adler_32_equals_the_standard_librarys(data: bytes) -> None:
    assert total(data, "adler", init=1, modulus=65521) == zlib.adler32(data)


def test_the_internet_sum_is_the_example_of_its_standard() -> None:
    # RFC 1071 (September 1988), section 3: the sum is DDF2, the checksum its complement.
    data = bytes.fromhex("0001f203f4f5f6f7")
    words = {"word_bits": 16, "modulus": 0xFFFF, "end_around": True}
    assert total(data, "sum", **words) == 0xDDF2
    assert total(data, "sum", **words, final="inverted") == 0x220D


@pytest.mark.parametrize(
    ("text", "word_bits", "expected"),
    [
        # The test vectors of the Wikipedia article "Fletcher's checksum": little-endian blocks, zero padded.
        (b"abcde", 8, 0xC8F0),
        (b"abcdef", 8, 0x2057),
        (b"abcdefgh", 8, 0x0627),
        (b"abcde", 16, 0xF04FC729),
        (b"abcdef", 16, 0x56502D2A),
        (b"abcdefgh", 16, 0xEBE19591),
        (b"abcde", 32, 0xC8C6C527646362C6),
        (b"abcdef", 32, 0xC8C72B276463C8C6),
        (b"abcdefgh", 32, 0x312E2B28CCCAC8C6),
    ],
)
def test_fletchers_sums_are_those_in_the_encyclopedia(text: bytes, word_bits: int, expected: int) -> None:
    words = {"word_bits": word_bits, "word_order": "low octet first", "modulus": 2**word_bits - 1}
    assert total(text, "fletcher", **words) == expected


@given(st.binary(min_size=1, max_size=30))
def test_balanced_check_octets_bring_both_sums_to_zero(data: bytes) -> None:
    # What ISO 8473 asks of its two check octets (from memory): with them behind the data, both sums are zero.
    check = total(data, "fletcher", modulus=255, final="balanced").to_bytes(2, "big")
    assert 0 not in check
    assert total(data + check, "fletcher", modulus=255) == 0


def test_sums_drop_or_add_back_the_carry_and_finish_as_told() -> None:
    # FF + 03 = 102: low octet 02, with the carry 03; inverted FC, negated FE.
    data = bytes([0xFF, 0x03])
    assert total(data, "sum", width=8) == 0x02
    assert total(data, "sum", width=8, end_around=True) == 0x03
    assert total(data, "sum", width=8, end_around=True, final="inverted") == 0xFC
    assert total(data, "sum", width=8, final="negated") == 0xFE
    assert total(b"", "sum", width=8, final="negated") == 0x00


def test_exclusive_or_takes_words_and_completes_the_last_with_zeros() -> None:
    # 0102 xor 0300 = 0202, or low octet first 0201 xor 0003 = 0202.
    assert total(bytes([1, 2, 3]), "xor", word_bits=16) == 0x0202
    assert total(bytes([1, 2, 3]), "xor", word_bits=16, word_order="low octet first") == 0x0202
    assert total(bytes([1, 2, 3]), "xor", word_bits=8) == 0


# --- IEEE numbers -------------------------------------------------------------------------------------------

FORMATS = {16: ("<e", "<H"), 32: ("<f", "<I"), 64: ("<d", "<Q")}


def test_every_half_reads_as_the_standard_library_reads_it() -> None:
    for pattern in range(0x10000):
        (expected,) = struct.unpack("<e", struct.pack("<H", pattern))
        found = oracle._ieee_value(pattern, 16)
        assert same(found, expected) or (math.isnan(found) and math.isnan(expected))


@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from([16, 32, 64]))
def test_rounding_to_ieee_is_the_standard_librarys(value: float, bits: int) -> None:
    real, whole = FORMATS[bits]
    try:
        packed = struct.pack(real, value)
    except OverflowError:  # Python refuses what would become infinite
        assert oracle._ieee_pattern(value, bits) & (1 << (bits - 1)) - 1 == oracle._infinity(bits)
    else:
        (expected,) = struct.unpack(whole, packed)
        assert oracle._ieee_pattern(value, bits) == expected


@given(st.floats(allow_nan=False, width=32))
def test_a_single_comes_back_from_its_pattern(value: float) -> None:
    assert same(oracle._ieee_value(oracle._ieee_pattern(value, 32), 32), value)


def test_ieee_bounds_are_compared_after_rounding() -> None:
    # The single nearest 0.1 is a little above it (3DCCCCCD); 0.1 is still within a maximum of 0.1, the next single is not.
    within = "name: a, kind: float, bits: 32, minimum: -0.1, maximum: 0.1"
    assert sent({"a": 0.1}, within) == "3dcccccd"
    assert sent({"a": 0.10000000894069672}, within) == "refused"  # 3DCCCCCE
    assert sent({"a": 0.2}, within + ", out_of_range: clamp") == "3dcccccd"
    assert sent({"a": -math.inf}, within + ", out_of_range: clamp") == "bdcccccd"
    assert sent({"a": math.inf}, within) == "refused"


def test_a_nan_needs_a_missing_code_and_infinity_a_clamp() -> None:
    # 65504 = 7BFF is the greatest half.
    assert sent({"a": math.nan}, "name: a, kind: float, bits: 16") == "refused"
    assert sent({"a": math.nan}, "name: a, kind: float, bits: 16, missing: true") == "7e00"
    assert sent({"a": math.inf}, "name: a, kind: float, bits: 16, missing: true") == "refused"
    assert sent({"a": 1e300}, "name: a, kind: float, bits: 16, out_of_range: clamp") == "7bff"
    assert sent({"a": 10**400}, "name: a, kind: float, bits: 16, out_of_range: clamp") == "7bff"
    assert sent({"a": -(10**400)}, "name: a, kind: float, bits: 16") == "refused"


# --- numbers ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (0.15, "01"),  # WIRE.md rule 4: the double is a little below 0.15
        (Fraction(15, 100), "02"),  # WIRE.md rule 4: exactly between, up
        (Decimal("0.15"), "02"),
        (Fraction(-15, 100), "ff"),  # -1.5 goes up to -1
        (Decimal("-0.25"), "fe"),
        (12, "78"),  # 120
    ],
)
def test_numbers_are_taken_exactly(value: Any, expected: str) -> None:
    assert sent({"a": value}, "name: a, bits: 8, signed: true, scale: 0.1") == expected


@given(st.integers(-(2**40), 2**40), st.fractions(), st.fractions().filter(bool))
def test_the_nearest_code_is_never_more_than_half_a_step_away(
    raw: int, offset: Fraction, step: Fraction
) -> None:
    scale = oracle._Scale(step, offset, 0, 0)
    assert oracle._nearest_raw(offset + step * raw, scale) == raw
    assert oracle._nearest_raw(offset + step * (raw + Fraction(1, 2)), scale) == raw + 1
    assert oracle._nearest_raw(offset + step * (raw + Fraction(49, 100)), scale) == raw


@pytest.mark.parametrize(
    "value", [True, "3", b"3", [3], {"value": 3}, 3j, object(), math.nan, math.inf, None]
)
def test_what_is_no_number_is_refused(value: Any) -> None:
    assert sent({"a": value}, "name: a, bits: 8") == "refused"


@pytest.mark.parametrize("raw", [True, 256, -1, "1", 1.0, None])
def test_a_raw_code_is_an_integer_that_fits(raw: Any) -> None:
    assert sent({"a": {"raw": raw}}, "name: a, bits: 8") == "refused"
    assert sent({"a": {"raw": 255, "value": "whatever"}}, "name: a, bits: 8") == "ff"


@given(st.integers(-5, 20), st.lists(st.tuples(st.integers(0, 15), st.integers(0, 3)), max_size=4))
def test_the_closest_legal_code_is_the_one_that_counting_finds(
    code: int, reserved: list[tuple[int, int]]
) -> None:
    ranges = [(low, low + more) for low, more in reserved]
    legal = [n for n in range(16) if not any(low <= n <= high for low, high in ranges)]
    found = oracle._legal(0, 15, ranges)
    assert [n for low, high in found for n in range(low, high + 1)] == legal
    if legal:
        assert oracle._closest(code, found) == min(legal, key=lambda n: (abs(n - code), n))


def test_an_infinity_is_clamped_to_the_end_of_its_side() -> None:
    falling = "name: a, bits: 8, scale: -1/2, offset: 10, out_of_range: clamp"
    assert sent({"a": math.inf}, falling) == "00"  # the greatest value, 10, has code 0
    assert sent({"a": -math.inf}, falling) == "ff"
    assert sent({"a": Decimal("Infinity")}, falling) == "00"
    assert sent({"a": math.inf}, "name: a, bits: 8, missing: true, out_of_range: missing") == "ff"
    assert sent({"a": math.inf}, "name: a, bits: 8") == "refused"


@pytest.mark.parametrize("value", ["busy", 2, 2.0, Fraction(2), Decimal(2), {"raw": 2}])
def test_a_state_is_its_name_or_exactly_its_code(value: Any) -> None:
    assert sent({"a": value}, "name: a, bits: 8, states: {0: idle, 2: busy}") == "02"


@pytest.mark.parametrize("value", [2.5, True, None, "asleep", 256, math.inf])
def test_a_state_is_nothing_else(value: Any) -> None:
    assert sent({"a": value}, "name: a, bits: 8, states: {0: idle, 2: busy}") == "refused"


# --- whole frames -------------------------------------------------------------------------------------------


@given(st.integers(-(2**31), 2**31 - 1), st.integers(0, 2**16 - 1), st.floats(allow_nan=False), st.booleans())
def test_a_frame_of_whole_octets_is_what_the_standard_library_packs(
    a: int, b: int, c: float, little: bool
) -> None:
    frame = frame_of(
        "name: a, bits: 32, signed: true",
        "name: b, bits: 16",
        "name: c, kind: float, bits: 64, missing: true, out_of_range: missing",
        keys=f"order: {'little' if little else 'big'}",
    )
    expected = struct.pack(("<" if little else ">") + "iHd", a, b, c)
    if math.isinf(c):  # no finite number, so no value either
        c, expected = math.nan, expected[:6] + bytes.fromhex("7ff8000000000000")[:: -1 if little else 1]
    record = {"a": a, "b": b, "c": c}
    assert oracle.encode(frame, record, {}) == expected
    found = oracle.decode(frame, expected, {})
    assert same(found, {**record, "c": None if math.isnan(c) else c})


def test_positions_name_every_place_in_wire_order() -> None:
    frame = frame_of(
        "name: n, kind: count, bits: 4",
        "name: part, repeat: {count: n}, group: [{name: x, bits: 3}, {name: y, bits: 6}]",
        "name: pad, kind: reserved, up_to: byte",
        "name: check, kind: check, algorithm: SUM-8",
    )
    known = {"SUM-8": {"width": 8}}
    expected = [
        ("n", 0, 4),
        ("part[0].x", 4, 3),
        ("part[0].y", 7, 6),
        ("pad", 13, 3),
        ("check", 16, 8),
    ]
    assert oracle.positions(frame, {"part": [{"x": 1, "y": 2}]}, known) == expected
    assert oracle.positions(frame, bytes([0x10, 0, 0]), known) == expected
    with pytest.raises(oracle.Refused, match="truncated"):
        oracle.positions(frame, bytes([0x20]), known)


def test_a_refusal_says_where_and_why() -> None:
    frame = frame_of("name: a, kind: constant, bits: 8, code: 7")
    with pytest.raises(oracle.Refused, match="wrong constant: a is 6") as caught:
        oracle.decode(frame, b"\x06", {})
    assert caught.value.reason == "wrong constant"


FRAME = frame_of(
    "name: sync, kind: sync, bits: 4, code: 9",
    "name: n, kind: count, bits: 4, maximum: 6",
    "name: has_more, kind: flag",
    "name: t, bits: 11, minimum: -60, maximum: 85, resolution: 0.1, missing: true",
    "name: part, repeat: {count: n}, group: [{name: x, bits: 5}, {name: s, bits: 2, states: {0: off, 1: on}}]",
    "name: more, present_when: has_more, group: [{name: h, kind: float, bits: 16}, {name: z, bits: 3, order: big}]",
    "name: pad, kind: reserved, up_to: byte, strict: true",
    "name: check, kind: check, algorithm: {width: 5, polynomial: 5, initial: 31}, covers: everything_before",
    keys="last_byte: zero_filled",
)


REASONS = ("truncated", "bad count", "wrong constant", "trailing bytes", "check failed", "reserved bits")


def detail_or_reason(data: bytes) -> Any:
    """Return the detail record in some bytes, or the reason why there is none."""
    try:
        return oracle.decode(FRAME, data, {}, detail=True)
    except oracle.Refused as no:
        return no.reason


@given(st.binary(max_size=12))
def test_any_bytes_give_a_record_or_a_reason(data: bytes) -> None:
    found = detail_or_reason(data)
    assert found in REASONS or oracle.encode(FRAME, found, {}) == data


RECORDS = st.fixed_dictionaries(
    {
        "t": st.none() | st.integers(-600, 850).map(lambda n: n / 10),
        "part": st.lists(
            st.fixed_dictionaries({"x": st.integers(0, 31), "s": st.sampled_from(["off", "on", 2, 3])}),
            max_size=6,
        ),
        "more": st.none()
        | st.fixed_dictionaries(
            {"h": st.floats(width=16, allow_nan=False, allow_infinity=False), "z": st.integers(0, 7)}
        ),
    }
)


@given(RECORDS)
def test_decoding_gives_back_what_was_encoded(record: dict[str, Any]) -> None:
    data = oracle.encode(FRAME, record, {})
    found = oracle.decode(FRAME, data, {})
    assert found == {"has_more": record["more"] is not None, **record}
    assert oracle.encode(FRAME, found, {}) == data


@given(RECORDS, st.data())
def test_a_flipped_bit_is_always_noticed(record: dict[str, Any], draw: st.DataObject) -> None:
    # A CRC whose generator has more than one term notices every single flipped bit, as long as that bit does not decide
    # where the check lies (a count, a flag) and is covered (the fill behind the check is not).
    data = bytearray(oracle.encode(FRAME, record, {}))
    places = oracle.positions(FRAME, bytes(data), {})
    bits = [
        bit
        for name, first, width in places
        if name not in ("n", "has_more", "reserved")
        for bit in range(first, first + width)
    ]
    bit = draw.draw(st.sampled_from(bits))
    data[bit // 8] ^= 0x80 >> bit % 8
    with pytest.raises(oracle.Refused):
        oracle.decode(FRAME, bytes(data), {})


@pytest.mark.parametrize(
    "record", [None, [], 5, {"t": None}, {"t": None, "part": {}}, {"t": None, "part": [1]}]
)
def test_a_record_of_the_wrong_shape_is_refused(record: Any) -> None:
    with pytest.raises(oracle.Refused, match="refused"):
        oracle.encode(FRAME, record, {})


def test_a_number_too_long_to_print_is_refused_like_any_other() -> None:
    assert sent({"a": 10**5000}, "name: a, bits: 8") == "refused"
    assert sent({"a": 10**5000}, "name: a, bits: 8, states: {0: idle}") == "refused"
    assert sent({"a": 10**5000}, "name: a, bits: 8, out_of_range: clamp") == "ff"


def test_a_flag_that_is_left_out_is_its_default_whether_or_not_it_counts() -> None:
    fields = ("name: d, bits: 7", "name: s, kind: flag, default: true, valid_when: {d: 5}")
    assert sent({"d": 5}, *fields) == "0b"
    assert sent({"d": 4}, *fields) == "09"
    assert sent({"d": 5, "s": False}, *fields) == "0a"
