"""What checks miss: exhaustive counts against slow listing, exact weight counts, and drawn shares against derived ones."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator
from itertools import combinations
from math import comb

import crcmod
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from packetkit.integrity import crc, strength
from packetkit.integrity.catalog import ALGORITHMS
from packetkit.lab import misses, polynomials
from packetkit.lab.checks import Array, Check, Linear, TwoWay, check_for, masks, patterns_of_burst
from packetkit.lab.experiment import interval, share_brief, share_text

OCTETS = 4
DATA = misses.data_from(1, OCTETS)


# ---- slow listing, of nothing that packetkit.lab uses


def two_way(bits: tuple[int, ...]) -> bool:
    """Whether rows of nine bits, an octet and its parity, and the column of each, are all even."""
    rows = [bits[at : at + 9] for at in range(0, len(bits), 9)]
    return not any(sum(row) % 2 for row in rows) and not any(
        sum(column) % 2 for column in zip(*rows, strict=True)
    )


def internet(data: bytes) -> int:
    """RFC 1071, section 4.1, spelled out."""
    total = sum(data[at] << 8 | (data[at + 1] if at + 1 < len(data) else 0) for at in range(0, len(data), 2))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return ~total & 0xFFFF


def fletcher(data: bytes) -> int:
    first = second = 0
    for octet in data:
        first = (first + octet) % 255
        second = (second + first) % 255
    return second << 8 | first


SLOW: dict[str, Callable[[bytes], int]] = {
    "PARITY/EVEN": lambda data: sum(bin(octet).count("1") for octet in data) % 2,
    "XOR-8": lambda data: data[0] ^ data[1] ^ data[2] ^ data[3],
    "SUM-8": lambda data: sum(data) % 256,
    "SUM-16/INTERNET": internet,
    "FLETCHER-16": fletcher,
    "ADLER-32": zlib.adler32,
    "CRC-8/SMBUS": crcmod.mkCrcFun(0x107, 0, False),
    "CRC-16/IBM-3740": crcmod.mkCrcFun(0x11021, 0xFFFF, False),
    "CRC-32/ISO-HDLC": zlib.crc32,
}


def slow_unnoticed(
    value: Callable[[bytes], int], width: int, low_first: bool, flips: tuple[int, ...]
) -> bool:
    """Whether data and check with these bits flipped still agree."""
    data, stored = bytearray(DATA.tobytes()), value(DATA.tobytes())
    for bit in flips:
        if bit < OCTETS * 8:
            data[bit // 8] ^= 0x80 >> bit % 8
        else:
            place = bit - OCTETS * 8
            stored ^= 1 << (place // 8 * 8 + 7 - place % 8 if low_first else width - 1 - place)
    return value(bytes(data)) == stored


def bursts(bits: int, length: int) -> Iterator[tuple[int, ...]]:
    for start in range(bits - length + 1):
        for inner in range(1 << length - 2):
            middle = tuple(start + 1 + at for at in range(length - 2) if inner >> at & 1)
            yield (start, *middle, start + length - 1)


@pytest.mark.parametrize("name", SLOW)
def test_counts_of_few_flips_and_bursts_are_those_of_listing_every_pattern(name: str) -> None:
    algorithm = ALGORITHMS[name]
    check = check_for(algorithm, OCTETS, algorithm.reflect_out)
    slow, width = SLOW[name], algorithm.width
    for flips in (1, 2, 3):
        every = combinations(range(check.bits), flips)
        assert check.few(flips, DATA) == sum(
            slow_unnoticed(slow, width, algorithm.reflect_out, one) for one in every
        )
    for length in (2, 5, 9):
        listed = list(bursts(check.bits, length))
        assert len(listed) == patterns_of_burst(check.bits, length)
        assert check.bursts(length, DATA) == sum(
            slow_unnoticed(slow, width, algorithm.reflect_out, one) for one in listed
        )


def test_parity_both_ways_misses_rectangles_and_no_fewer_bits() -> None:
    check = TwoWay(2)
    for flips in (1, 2, 3, 4):
        every = combinations(range(check.bits), flips)
        missed = sum(two_way(tuple(int(bit in chosen) for bit in range(check.bits))) for chosen in every)
        assert missed == (check.few(flips, DATA) if flips < 4 else check.fours())
    for length in (3, 11, 12):
        listed = bursts(check.bits, length)
        missed = sum(two_way(tuple(int(bit in chosen) for bit in range(check.bits))) for chosen in listed)
        assert check.bursts(length, DATA) == missed
    damage = np.array([[bit in chosen for bit in range(check.bits)] for chosen in bursts(check.bits, 11)])
    assert check.unnoticed(DATA[:2], damage).sum() == check.bursts(11, DATA)


# Their sum with the carry added back is 1: one flip away from zero, which is never sent for data that are not all zeros.
NEAR_ZERO = np.array([0x11, 0, 0, 0xEF], np.uint8)


@pytest.mark.parametrize("name", [row.name for row in ALGORITHMS.values() if row.family != "crc"])
@pytest.mark.parametrize("data", [DATA, NEAR_ZERO], ids=["drawn", "near zero"])
def test_every_sum_of_the_catalogue_is_counted_as_its_scalar_says(name: str, data: Array) -> None:
    algorithm, sent = ALGORITHMS[name], data.tobytes()
    check = check_for(algorithm, OCTETS)
    places = masks(algorithm.width, False)

    def unnoticed(flips: tuple[int, ...]) -> bool:
        hurt, stored = bytearray(sent), crc.compute(algorithm, sent)
        for bit in flips:
            if bit < OCTETS * 8:
                hurt[bit // 8] ^= 0x80 >> bit % 8
            else:
                stored ^= places[bit - OCTETS * 8]
        return crc.compute(algorithm, hurt) == stored

    pairs = list(combinations(range(check.bits), 2))
    missed = [unnoticed(pair) for pair in pairs]
    assert check.few(2, data) == sum(missed)
    damage = np.zeros((len(pairs), check.bits), bool)
    damage[np.arange(len(pairs))[:, None], np.array(pairs)] = True
    assert check.unnoticed(data, damage).tolist() == missed


@given(st.binary(min_size=4, max_size=40), st.sampled_from(sorted(ALGORITHMS)), st.integers(0, 2**32))
def test_drawn_damage_is_judged_as_the_scalar_check_judges_it(data: bytes, name: str, seed: int) -> None:
    algorithm = ALGORITHMS[name]
    if algorithm.width > 64:
        return
    check = check_for(algorithm, len(data))
    damage = np.random.default_rng(seed).integers(0, 2, (4, check.bits)).astype(bool)
    damage[0] = False
    rows = np.frombuffer(data, np.uint8).reshape(1, -1)
    places = masks(algorithm.width, False)
    for row, found in zip(damage, check.unnoticed(rows, damage), strict=True):
        hurt = bytes(np.packbits(row[: len(data) * 8]) ^ rows[0])
        flipped = sum(mask for mask, bit in zip(places, row[len(data) * 8 :], strict=True) if bit)
        assert found == (crc.compute(algorithm, hurt) == crc.compute(algorithm, data) ^ flipped)


# ---- exact weights


def test_weights_of_code_words_are_those_of_listing_them() -> None:
    poly, width, data_bits = 0x2F, 8, 12
    weights = [0] * (data_bits + width + 1)
    for word in range(1 << data_bits):
        value = word << width
        for place in range(data_bits - 1, -1, -1):
            if value >> place + width & 1:
                value ^= (1 << width | poly) << place
        weights[bin(word << width | value).count("1")] += 1
    assert polynomials.code_words(poly, width, data_bits + width, range(len(weights))) == weights
    judged = polynomials.judge(poly, width, data_bits + width)
    least = next(weight for weight in range(1, len(weights)) if weights[weight])
    assert (judged.distance, judged.missed) == (least, weights[least])


@pytest.mark.parametrize(("poly", "octets"), [(0x1021, 19), (0x5935, 30), (0x8005, 100)])
def test_counts_by_pairs_are_macwilliams_counts(poly: int, octets: int) -> None:
    name = next(row.name for row in ALGORITHMS.values() if row.width == 16 and row.poly == poly)
    check = check_for(ALGORITHMS[name], octets)
    assert isinstance(check, Linear)
    counted = [check.few(flips, DATA) for flips in (1, 2, 3)] + [check.fours()]
    assert counted == polynomials.code_words(poly, 16, check.bits, (1, 2, 3, 4))


def test_long_code_words_are_judged_as_short_ones_are(monkeypatch: pytest.MonkeyPatch) -> None:
    given_codes = [(poly, 16, 300) for poly in (0x1021, 0x5935, 0x8BB7, 0x3D65, 0xA001)] + [(0x1D, 8, 200)]
    by_pairs = [polynomials.judge(*one) for one in given_codes]
    assert {one.distance for one in by_pairs} >= {3, 4}
    monkeypatch.setattr(polynomials, "PAIRED_BITS", 0)
    assert by_pairs == [polynomials.judge(*one) for one in given_codes]


# Longest data words at a distance: P. Koopman, users.ece.cmu.edu/~koopman/crc (hd4, hd5, hd6), read in stored copies, but for the
# last two: CRC polynomial zoo as recalled, "from memory", and computed.
@pytest.mark.parametrize(
    ("poly", "width", "distance", "longest"),
    [
        (0x07, 8, 4, 119),
        (0xD5, 8, 4, 85),
        (0x3D65, 16, 6, 135),
        (0x5935, 16, 5, 241),
        (0x2F, 8, 4, 119),
        (0x755B, 16, 5, 108),
    ],
)
def test_a_generator_keeps_its_distance_as_long_as_published(
    poly: int, width: int, distance: int, longest: int
) -> None:
    assert polynomials.judge(poly, width, longest + width).distance >= distance
    assert polynomials.judge(poly, width, longest + 1 + width).distance < distance


@given(st.integers(3, 16), st.data())
def test_the_distance_of_a_generator_is_that_of_the_profile(width: int, data: st.DataObject) -> None:
    poly = data.draw(st.integers(0, (1 << width - 1) - 1)) * 2 + 1
    data_bits = data.draw(st.integers(1, 60))
    expected = strength.survey(poly, width, 60).at(data_bits)
    if expected.exact:
        assert polynomials.judge(poly, width, data_bits + width).distance == expected.value


def test_the_best_of_eight_bits_keeps_three_to_247_bits_and_four_to_119() -> None:
    # 2^8 - 1 - 8 and 2^7 - 1 - 8: no cyclic code of eight check bits is longer (any textbook on cyclic codes).
    for data_bits, best in ((247, 3), (248, 2), (119, 4), (120, 3)):
        judged = polynomials.judge_chunk(0, 256, 8, data_bits + 8)
        assert max(one.distance for one in judged) == best


# ---- drawn shares


@pytest.mark.parametrize(
    ("name", "share"),
    [("PARITY/EVEN", 2**-1), ("XOR-8", 2**-8), ("CRC-8/SMBUS", 2**-8), ("CRC-16/IBM-3740", 2**-16)],
)
def test_noise_passes_a_check_of_w_bits_once_in_2_to_the_w(name: str, share: float) -> None:
    kind = next(damage for damage in misses.DAMAGES if damage.key == "noise")
    check = check_for(ALGORITHMS[name], 20)
    tallies = [misses.sample(check, kind, 20, (7, part), 10_000) for part in range(10)]
    total = misses.Tally(100_000, sum(one.missed for one in tallies), False)
    assert total.ends[0] <= share <= total.ends[1]


def test_a_crc_misses_long_bursts_at_the_derived_rates() -> None:
    # A burst of w + 1 bits is missed only if it is the generator itself: once in 2^(w-1); a longer one once in 2^w (Peterson and
    # Brown 1961, from memory; the first follows from counting).
    check = check_for(ALGORITHMS["CRC-8/SMBUS"], 30)
    shares = [check.bursts(length, DATA) / patterns_of_burst(check.bits, length) for length in (8, 9, 10, 14)]
    assert shares == [0, 2**-7, 2**-8, 2**-8]


def test_drawn_flips_and_bursts_agree_with_their_exact_counts() -> None:
    check: Check = check_for(ALGORITHMS["CRC-8/SMBUS"], 30)
    assert isinstance(check, Linear)
    for kind, exact in (
        ("flips_4", check.fours() / comb(check.bits, 4)),
        ("burst_16", check.bursts(16, DATA) / patterns_of_burst(check.bits, 16)),
    ):
        damage = next(one for one in misses.DAMAGES if one.key == kind)
        tallies = [misses.sample(check, damage, 30, (1, part), 10_000) for part in range(4)]
        drawn = misses.Tally(40_000, sum(one.missed for one in tallies), False)
        assert drawn.ends[0] <= exact <= drawn.ends[1]


def test_swapped_octets_fool_what_does_not_weigh_places() -> None:
    data = np.arange(1, 31, dtype=np.uint8)
    swap = misses.DAMAGES[-1]
    assert swap.key == "swap"
    shares = {
        name: misses.count(check_for(ALGORITHMS[name], 30), swap, data).share
        for name in ("SUM-8", "XOR-8", "CRC-16/IBM-3740")
    }
    assert shares == {"SUM-8": 1.0, "XOR-8": 1.0, "CRC-16/IBM-3740": 0.0}
    assert misses.count(check_for(ALGORITHMS["SUM-8"], 30), swap, data).patterns == comb(30, 2)
    equal = misses.count(check_for(ALGORITHMS["SUM-8"], 30), swap, np.full(30, 7, np.uint8))
    assert (equal.patterns, equal.text) == (0, "-")


def test_the_interval_is_that_of_a_worked_example() -> None:
    # Wilson's score interval for 15 of 148, as printed by R. G. Newcombe, Statistics in Medicine 17 (1998), 857-872, table I (from memory).
    low, high = interval(15, 148)
    assert (round(low, 4), round(high, 4)) == (0.0624, 0.1605)
    assert interval(0, 20)[0] == 0.0 and round(interval(0, 20)[1], 4) == 0.1611
    assert interval(5, 5)[1] == 1.0 and interval(0, 0) == (0.0, 1.0)


def test_shares_are_written_with_digits_that_count() -> None:
    assert [share_text(one) for one in (0, 1, 0.0996, 1 / 2500, 1e-16)] == [
        "none",
        "100 %",
        "10 %",
        "1 in 2,500",
        "1 in 1e+16",
    ]
    assert [share_brief(one) for one in (1 / 999.9, 1 / 1001, 1 / 999_600, 1e-16)] == [
        "0.10%",
        "1/1k",
        "1/1M",
        "1/1e+16",
    ]
