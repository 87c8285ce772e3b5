"""Laws of checks, with judges of their own: long division, sums word by word, brute force."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from packetkit.integrity import crc, strength
from packetkit.integrity.algorithm import Algorithm
from packetkit.integrity.catalog import ALGORITHMS, custom_crc, named

WIDTHS = st.integers(3, 82)
OTHERS = [row for row in ALGORITHMS.values() if row.family != "crc"]


@st.composite
def crcs(draw: st.DrawFn, widths: st.SearchStrategy[int] = WIDTHS) -> Algorithm:
    """A CRC by any parameters, polynomials without the term 1 included."""
    width = draw(widths)
    register = st.integers(0, (1 << width) - 1)
    return custom_crc(
        width,
        draw(st.integers(1, (1 << width) - 1)),
        draw(register),
        draw(st.booleans()),
        draw(st.booleans()),
        draw(register),
    )


def wire_bits(algorithm: Algorithm, data: bytes) -> str:
    return "".join(f"{octet:08b}"[:: -1 if algorithm.reflect_in else 1] for octet in data)


def divided(algorithm: Algorithm, bits: str) -> int:
    """The CRC by long division of the whole message, the initial value added to its first bits."""
    width = algorithm.width
    remainder = int(bits + "0" * width, 2) ^ algorithm.init << len(bits)
    generator = 1 << width | algorithm.poly
    while remainder.bit_length() > width:
        remainder ^= generator << remainder.bit_length() - width - 1
    if algorithm.reflect_out:
        remainder = int(f"{remainder:0{width}b}"[::-1], 2)
    return remainder ^ algorithm.final_xor


def added(algorithm: Algorithm, data: bytes) -> int:
    """Any other check, word by word from its definition."""
    bits = "".join(f"{octet:08b}" for octet in data)
    if algorithm.family == "parity":
        return (bits.count("1") + algorithm.init) % 2
    size = algorithm.word_bits
    bits += "0" * (-len(bits) % size)
    texts = [bits[at : at + size] for at in range(0, len(bits), size)]
    if algorithm.word_order == "low octet first":
        texts = ["".join(text[at : at + 8] for at in range(size - 8, -1, -8)) for text in texts]
    words = [int(text, 2) for text in texts]
    if algorithm.family == "xor":
        value = 0
        for word in words:
            value ^= word
        return value
    if algorithm.family == "sum":
        return summed(algorithm, words)
    first, second = algorithm.init, 0
    for word in words:
        first = (first + word) % algorithm.modulus
        second = (second + first) % algorithm.modulus
    if algorithm.final == "balanced":
        first, second = balancing(first, second)
    half = algorithm.width // 2
    return first << half | second if algorithm.first_sum_high else second << half | first


def summed(algorithm: Algorithm, words: list[int]) -> int:
    capacity, value = 1 << algorithm.width, 0
    for word in words:
        value += word
        if value >= capacity:
            value += algorithm.end_around - capacity
    return {"none": value, "inverted": capacity - 1 - value, "negated": (capacity - value) % capacity}[
        algorithm.final
    ]


def balancing(first: int, second: int) -> tuple[int, int]:
    """The octets (sent second, sent first) that bring both sums modulo 255 to zero: the only pair that does."""
    found = []
    for sent in range(1, 256):
        after = (first + sent) % 255
        last = -after % 255 or 255
        if (second + after + (after + last) % 255) % 255 == 0:
            found.append((last, sent))
    assert len(found) == 1
    return found[0]


@settings(max_examples=300)
@given(crcs(), st.binary(max_size=40))
def test_every_engine_is_long_division(algorithm: Algorithm, data: bytes) -> None:
    expected = divided(algorithm, wire_bits(algorithm, data))
    assert crc.engine(algorithm)(data) == expected
    assert crc.by_table(algorithm)(data) == expected
    assert crc.compute(algorithm, memoryview(bytearray(data))) == expected


@settings(max_examples=200)
@given(crcs(st.sampled_from([8, 16, 24, 32, 64])), st.binary(max_size=20))
def test_engines_of_the_usual_widths_are_long_division(algorithm: Algorithm, data: bytes) -> None:
    assert crc.compute(algorithm, data) == divided(algorithm, wire_bits(algorithm, data))


@given(st.sampled_from([(16, 0x1021, False), (32, 0x04C11DB7, True)]), st.data(), st.binary(max_size=20))
def test_the_standard_librarys_engines_take_any_initial_value_and_final_xor(
    shape: tuple[int, int, bool], draw: st.DataObject, data: bytes
) -> None:
    width, poly, reflected = shape
    registers = st.integers(0, (1 << width) - 1)
    algorithm = custom_crc(width, poly, draw.draw(registers), reflected, reflected, draw.draw(registers))
    assert crc.engine_name(algorithm) in ("binascii", "zlib")
    assert crc.compute(algorithm, data) == divided(algorithm, wire_bits(algorithm, data))


@settings(max_examples=300)
@given(crcs(), st.text("01", max_size=100))
def test_a_run_of_bits_is_fed_in_the_order_given(algorithm: Algorithm, bits: str) -> None:
    assert crc.compute_bits(algorithm, int(bits or "0", 2), len(bits)) == divided(algorithm, bits)


@given(crcs(), st.binary(max_size=20))
def test_a_codeword_leaves_the_residue(algorithm: Algorithm, data: bytes) -> None:
    value = crc.compute(algorithm, data)
    check = f"{value:0{algorithm.width}b}"[:: -1 if algorithm.reflect_out else 1]
    bits = wire_bits(algorithm, data) + check
    assert crc.compute_bits(algorithm, int(bits, 2), len(bits)) ^ algorithm.final_xor == algorithm.residue


@given(crcs(st.sampled_from([8, 16, 24, 32, 40, 64])), st.binary(max_size=20), st.integers(0))
def test_one_call_over_data_and_check_tells_good_from_bad(
    algorithm: Algorithm, data: bytes, bit: int
) -> None:
    found = crc.residue_engine(algorithm)
    if algorithm.reflect_in != algorithm.reflect_out:
        assert found is None
        return
    assert found is not None
    engine, constant = found
    value = crc.compute(algorithm, data)
    whole = bytearray(
        data + value.to_bytes(algorithm.width // 8, "little" if algorithm.reflect_in else "big")
    )
    assert engine(bytes(whole)) == constant
    bit %= 8 * len(whole)
    whole[bit // 8] ^= 1 << bit % 8
    stored = int.from_bytes(whole[len(data) :], "little" if algorithm.reflect_in else "big")
    assert (engine(whole) == constant) == (crc.compute(algorithm, whole[: len(data)]) == stored)


@given(st.sampled_from(OTHERS), st.binary(max_size=40))
def test_sums_are_what_their_rows_say(algorithm: Algorithm, data: bytes) -> None:
    assert crc.compute(algorithm, data) == added(algorithm, data)


@pytest.mark.parametrize("algorithm", OTHERS, ids=lambda row: row.name)
def test_sums_hold_for_all_ones_all_zeros_and_long_data(algorithm: Algorithm) -> None:
    for data in (b"", b"\x00", b"\xff", b"\x00" * 9, b"\xff" * 8, b"\xff" * 1001, bytes(range(256)) * 3):
        assert crc.compute(algorithm, data) == added(algorithm, data)
    assert crc.compute(algorithm, b"123456789") == algorithm.check == added(algorithm, b"123456789")


@given(crcs())
def test_parameters_find_their_name_only_if_they_are_a_rows(algorithm: Algorithm) -> None:
    row = named(algorithm)
    assert row is None or (row.poly, row.init, row.width) == (algorithm.poly, algorithm.init, algorithm.width)


# Distances, by listing codewords as integers: nothing but long division again.


def brute_distance(poly: int, width: int, data_bits: int) -> int:
    generator = 1 << width | poly
    lightest = width + data_bits
    for word in range(1, 1 << data_bits):
        remainder = word << width
        while remainder.bit_length() > width:
            remainder ^= generator << remainder.bit_length() - width - 1
        lightest = min(lightest, word.bit_count() + remainder.bit_count())
    return lightest


@settings(max_examples=60)
@given(st.integers(3, 32), st.data(), st.integers(1, 10))
def test_the_shortest_distances_are_those_of_all_codewords(
    width: int, draw: st.DataObject, data_bits: int
) -> None:
    poly = draw.draw(st.integers(1, (1 << width) - 1))
    assume(poly & 1 or width > 3)
    found = strength.survey(poly, width, 24).at(data_bits)
    assert found == strength.Distance(brute_distance(poly, width, data_bits), True)
    custom = strength.distance(custom_crc(width, poly, 0, False, False, 0), data_bits)
    assert custom.value <= found.value
    assert not custom.exact or custom.value == found.value


def lightest_codeword(poly: int, width: int, length: int, most: int) -> int | None:
    """The least weight up to `most` among codewords of so many bits, by trying every set of positions."""
    generator = 1 << width | poly
    powers = [1]
    for _ in range(length - 1):
        value = powers[-1] << 1
        powers.append(value ^ generator if value >> width else value)
    for weight in range(1, most + 1):
        for places in combinations(range(length), weight):
            total = 0
            for place in places:
                total ^= powers[place]
            if total == 0:
                return weight
    return None


@settings(max_examples=25)
@given(st.integers(5, 11), st.data())
def test_meeting_in_the_middle_finds_the_lightest_codeword_of_every_length(
    width: int, draw: st.DataObject
) -> None:
    poly = draw.draw(st.integers(0, (1 << width - 1) - 1)) << 1 | 1
    survey = strength.survey(poly, width)
    for data_bits in (17, 18, 20, 23):
        found = survey.at(data_bits)
        assert found.exact
        assert lightest_codeword(poly, width, width + data_bits, 4) == (
            found.value if found.value <= 4 else None
        )


@settings(max_examples=60)
@given(st.integers(1, 16), st.data())
def test_the_order_is_where_the_register_first_repeats(width: int, draw: st.DataObject) -> None:
    generator = 1 << width | draw.draw(st.integers(0, (1 << width - 1) - 1)) << 1 | 1
    register, steps = 1, 0
    while steps == 0 or register != 1:
        register <<= 1
        register ^= generator if register >> width else 0
        steps += 1
    assert strength.order(generator, width) == steps
    assert strength.order(generator, width, steps) == steps
    assert strength.order(generator, width, steps - 1) is None


@settings(max_examples=25)
@given(st.integers(4, 32), st.data())
def test_a_mirrored_generator_has_the_same_distances(width: int, draw: st.DataObject) -> None:
    generator = 1 << width | draw.draw(st.integers(0, (1 << width - 1) - 1)) << 1 | 1
    mirror = crc.reflect(generator, width + 1)
    mask = (1 << width) - 1
    assert strength.profile(generator & mask, width, 60) == strength.profile(mirror & mask, width, 60)


def true_distance(algorithm: Algorithm, octets: int, most: int) -> int:
    """The least number of flips in data and check that turn a codeword into another, at most `most` in data.

    Every data word against every error pattern: a check that is not linear errs differently from word to word.
    """
    bits = 8 * octets
    checks = np.array(
        [added(algorithm, word.to_bytes(octets, "big")) for word in range(1 << bits)], np.uint64
    )
    words = np.arange(1 << bits)
    ones = np.array([value.bit_count() for value in range(1 << 16)], np.int64)
    lightest = bits + algorithm.width
    for flips in range(1, most + 1):
        for places in combinations(range(bits), flips):
            pattern = sum(1 << place for place in places)
            changed = checks ^ checks[words ^ pattern]
            weight = sum(ones[(changed >> np.uint64(shift)) & np.uint64(0xFFFF)] for shift in (0, 16, 32, 48))
            lightest = min(lightest, flips + int(weight.min()))
    return lightest


@pytest.mark.parametrize("octets", [1, 2])
@pytest.mark.parametrize("algorithm", OTHERS, ids=lambda row: row.name)
def test_the_distance_of_sums_is_that_of_all_codewords(algorithm: Algorithm, octets: int) -> None:
    claimed = strength.distance(algorithm, 8 * octets)
    assert claimed.exact
    assert claimed.value == true_distance(algorithm, octets, 2)


@pytest.mark.parametrize(("octets", "expected"), [(6, 3), (7, 3), (8, 2)])
def test_fletcher_8_keeps_distance_3_for_fourteen_nibbles(octets: int, expected: int) -> None:
    algorithm = ALGORITHMS["FLETCHER-8"]
    assert strength.distance(algorithm, 8 * octets) == strength.Distance(expected, True)
    compute = crc.engine(algorithm)
    lightest = 99
    for data in (bytes(octets), b"\x5a" * octets, bytes(range(1, octets + 1)), b"\xff" * octets):
        before = compute(data)
        for flips in (1, 2):
            for places in combinations(range(8 * octets), flips):
                pattern = sum(1 << place for place in places)
                damaged = (int.from_bytes(data, "big") ^ pattern).to_bytes(octets, "big")
                lightest = min(lightest, flips + (compute(damaged) ^ before).bit_count())
    assert lightest == expected


@pytest.mark.parametrize(("octets", "expected"), [(252, 3), (253, 3), (254, 2)])
def test_balanced_check_octets_keep_distance_3_one_octet_less(octets: int, expected: int) -> None:
    algorithm = ALGORITHMS["FLETCHER-16/ISO"]
    assert strength.distance(algorithm, 8 * octets) == strength.Distance(expected, True)
    compute, lightest = crc.engine(algorithm), 99
    for data in (
        b"\x01" * octets,
        bytes(octets - 1) + b"\x80",
        bytes(octets - 1) + b"\xff",
        b"\x40" * octets,
    ):
        before = compute(data)
        for bit in range(8 * octets):
            damaged = (int.from_bytes(data, "big") ^ 1 << bit).to_bytes(octets, "big")
            lightest = min(lightest, 1 + (compute(damaged) ^ before).bit_count())
    assert lightest == expected


def test_adler_32_keeps_distance_3_to_65520_octets() -> None:
    algorithm = ALGORITHMS["ADLER-32"]
    compute = crc.engine(algorithm)
    for octets, expected in ((65520, 3), (65521, 2)):
        assert strength.distance(algorithm, 8 * octets) == strength.Distance(expected, True)
        data, damaged = bytes(octets), b"\x02" + bytes(octets - 1)
        assert (1 + (compute(data) ^ compute(damaged)).bit_count() == 2) == (expected == 2)
