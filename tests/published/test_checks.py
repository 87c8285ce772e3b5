"""Checks against the outside: Cook's catalogue, printed messages, Koopman's lengths, CRC libraries."""

from __future__ import annotations

import binascii
import json
import random
import zlib
from typing import Any

import crccheck.checksum
import crccheck.crc
import crcmod
import pytest

from packetkit.integrity import crc, strength
from packetkit.integrity.algorithm import Algorithm
from packetkit.integrity.catalog import ALGORITHMS, find
from packetkit.resources import resource

CRCS = [row for row in ALGORITHMS.values() if row.family == "crc"]
MESSAGE = b"123456789"


def published(name: str) -> Any:
    return json.loads(resource(f"vectors/published/{name}.json").read_text("utf-8"))


def mirrored(data: bytes) -> int:
    """Each octet least significant bit first, as one number."""
    return int("".join(f"{octet:08b}"[::-1] for octet in data) or "0", 2)


def random_octets(count: int, lengths: int = 80) -> list[bytes]:
    """Messages of mixed lengths, empty and single octets included; the same in every run."""
    source = random.Random(4)
    return [b"", b"\x00", b"\xff"] + [source.randbytes(source.randrange(lengths)) for _ in range(count)]


def test_the_catalogue_has_its_113_rows_of_22_widths() -> None:
    assert len(CRCS) == 113
    widths = {3, 4, 5, 6, 7, 8, 10, 11, 12, 13, 14, 15, 16, 17, 21, 24, 30, 31, 32, 40, 64, 82}
    assert {row.width for row in CRCS} == widths


@pytest.mark.parametrize("row", CRCS, ids=lambda row: row.name)
def test_every_way_of_computing_gives_the_catalogues_check_and_residue(row: Algorithm) -> None:
    assert crc.compute(row, MESSAGE) == row.check
    assert crc.by_table(row)(MESSAGE) == row.check
    bits = mirrored(MESSAGE) if row.reflect_in else int.from_bytes(MESSAGE, "big")
    assert crc.compute_bits(row, bits, 72) == row.check
    assert crc.residue(row) == row.residue


@pytest.mark.parametrize("row", CRCS, ids=lambda row: row.name)
def test_crccheck_agrees(row: Algorithm) -> None:
    feed = (row.reflect_in, row.reflect_out)
    other = crccheck.crc.Crc(row.width, row.poly, row.init, *feed, row.final_xor)
    for data in random_octets(10):
        assert crc.compute(row, data) == other.calc(data)


@pytest.mark.parametrize("row", CRCS, ids=lambda row: row.name)
def test_crcmod_agrees_where_it_knows_the_width(row: Algorithm) -> None:
    if row.width not in (8, 16, 24, 32, 64):
        with pytest.raises(ValueError, match="degree"):
            crcmod.mkCrcFun(1 << row.width | row.poly)
        return
    start = crc.reflect(row.init, row.width) if row.reflect_in else row.init
    other = crcmod.mkCrcFun(1 << row.width | row.poly, start ^ row.final_xor, row.reflect_in, row.final_xor)
    for data in random_octets(10):
        assert crc.by_table(row)(data) == other(data) == crc.compute(row, data)


def test_the_standard_library_agrees_with_our_tables() -> None:
    for data in random_octets(100):
        assert crc.by_table(find("CRC-32/ISO-HDLC"))(data) == zlib.crc32(data)
        assert crc.by_table(find("CRC-16/XMODEM"))(data) == binascii.crc_hqx(data, 0)
        assert crc.compute(find("ADLER-32"), data) == zlib.adler32(data)


def pairs() -> list[Any]:
    rows = published("checks")["pairs"]
    return [
        pytest.param(row, id=f"{row['algorithm']} {row.get('octets', row.get('text'))[:24]} {row['label']}")
        for row in rows
    ]


@pytest.mark.parametrize("row", pairs())
def test_a_printed_message_has_its_printed_check(row: dict[str, str]) -> None:
    data = bytes.fromhex(row["octets"]) if "octets" in row else row["text"].encode("ascii")
    algorithm = find(row["algorithm"])
    assert crc.compute(algorithm, data) == int(row["check"], 16), row["source"]
    damaged = bytes([data[0] ^ 1]) + data[1:] if data else b"\x01"
    assert crc.compute(algorithm, damaged) != int(row["check"], 16)


def test_printed_pairs_say_where_they_come_from_and_whether_the_source_was_read() -> None:
    for row in published("checks")["pairs"]:
        assert row["source"]
        assert row["label"] in ("stored", "memory")


@pytest.mark.parametrize("row", published("hamming")["generators"], ids=lambda row: row["polynomial"])
def test_distances_are_those_that_koopman_prints(row: dict[str, Any]) -> None:
    poly, width = int(row["polynomial"], 16), row["width"]
    computed = dict(strength.profile(poly, width))
    assert [computed.get(distance, 0) for distance in (3, 4, 5, 6)] == row["longest"]


@pytest.mark.parametrize("row", published("hamming")["generators"], ids=lambda row: row["polynomial"])
def test_distance_reads_the_same_from_the_shipped_table(row: dict[str, Any]) -> None:
    poly = int(row["polynomial"], 16)
    algorithm = next(known for known in CRCS if (known.width, known.poly) == (row["width"], poly))
    for value, longest in zip((3, 4, 5, 6), row["longest"], strict=True):
        if longest:
            assert strength.distance(algorithm, longest).value >= value
        assert strength.distance(algorithm, longest + 1).value < value
        assert strength.distance(algorithm, longest + 1).exact


def test_fletcher_16_misses_no_two_flips_up_to_254_octets() -> None:
    # Maxino and Koopman, IEEE Trans. Dependable and Secure Computing 6 (2009), from memory: distance 3 to
    # 2^k - 1 words with the check; a count by another program found the first undetected pairs at 255 octets.
    fletcher = find("FLETCHER-16")
    assert strength.distance(fletcher, 254 * 8) == strength.Distance(3, True)
    assert strength.distance(fletcher, 255 * 8) == strength.Distance(2, True)
    flips = [lightest_change_of_one_flip(fletcher, bytes(octets)) for octets in (253, 254, 255, 256)]
    assert flips == [3, 3, 2, 2]


def lightest_change_of_one_flip(algorithm: Algorithm, data: bytes) -> int:
    """How many bits of data and check differ at the least, over every single flip in the data."""
    before = crc.compute(algorithm, data)
    weights = []
    for bit in range(8 * len(data)):
        damaged = bytearray(data)
        damaged[bit // 8] ^= 1 << bit % 8
        weights.append(1 + (crc.compute(algorithm, bytes(damaged)) ^ before).bit_count())
    return min(weights)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("SUM-16/END-AROUND", 0xDDF2),
        ("SUM-16/END-AROUND-LOW-FIRST", 0xF2DD),  # its "swapped" column
        ("SUM-16/INTERNET", 0x220D),  # the complement of the sum
        ("SUM-16/WORDS", 0xDDF0),  # "2ddf0" before the carry is added back
    ],
)
def test_sums_of_words_are_those_of_rfc_1071(name: str, value: int) -> None:
    """RFC 1071 (September 1988), section 3, numerical examples: 00 01 f2 03 f4 f5 f6 f7."""
    assert crc.compute(find(name), bytes.fromhex("0001f203f4f5f6f7")) == value


@pytest.mark.parametrize("name", [name for name in ALGORITHMS if name.startswith("SUM-")])
def test_a_sum_is_what_its_name_says(name: str) -> None:
    """Worked from the name alone, over whole words: plain sums as in common practice, carries as in RFC 1071."""
    width_text, _, said = name.removeprefix("SUM-").partition("/")
    width, around = int(width_text), "END-AROUND" in said or said == "INTERNET"
    octets = width // 8 if "WORDS" in said or around else 1
    modulus = (1 << width) - around
    for data in [*random_octets(20), b"\xff\xfe" * 300]:  # the last one carries over in 16 bits
        whole = data[: len(data) // octets * octets]
        words = [whole[at : at + octets] for at in range(0, len(whole), octets)]
        total = sum(int.from_bytes(word, "little" if "LOW-FIRST" in said else "big") for word in words)
        value = (total % modulus or modulus) if around and total else total % modulus
        if "NEGATED" in said:
            value = -value % modulus
        elif "INVERTED" in said or said == "INTERNET":
            value ^= (1 << width) - 1
        assert crc.compute(find(name), whole) == value, (data.hex(), value)


@pytest.mark.parametrize(
    "row", [row for row in ALGORITHMS.values() if row.family != "crc"], ids=lambda row: row.name
)
def test_every_way_of_computing_gives_the_check_that_a_sums_row_says(row: Algorithm) -> None:
    assert crc.compute(row, MESSAGE) == row.check
    assert crc.compute_bits(row, int.from_bytes(MESSAGE, "big"), 72) == row.check


@pytest.mark.parametrize(
    ("name", "judge"),
    [
        ("SUM-8", crccheck.checksum.Checksum8),
        ("SUM-16/WORDS", crccheck.checksum.Checksum16),
        ("SUM-16/WORDS-LOW-FIRST", crccheck.checksum.Checksum16),
        ("SUM-32/WORDS", crccheck.checksum.Checksum32),
        ("SUM-32/WORDS-LOW-FIRST", crccheck.checksum.Checksum32),
        ("XOR-8", crccheck.checksum.ChecksumXor8),
        ("XOR-16", crccheck.checksum.ChecksumXor16),
    ],
)
def test_crccheck_agrees_on_sums(name: str, judge: Any) -> None:
    order = "little" if "LOW-FIRST" in name else "big"
    octets = find(name).word_bits // 8
    for data in random_octets(20):
        whole = data[: len(data) // octets * octets]
        assert crc.compute(find(name), whole) == judge.calc(whole, byteorder=order), whole.hex()


@pytest.mark.parametrize("row", CRCS, ids=lambda row: row.name)
def test_one_call_over_data_and_check_verifies_a_frame(row: Algorithm) -> None:
    told = crc.residue_engine(row)
    if row.width % 8 or row.reflect_in is not row.reflect_out:
        assert told is None
        return
    assert told is not None
    once, constant = told
    for data in random_octets(5):
        check = crc.compute(row, data).to_bytes(row.width // 8, "little" if row.reflect_in else "big")
        assert once(data + check) == constant
        damaged = bytearray(data + check)
        damaged[len(damaged) // 2] ^= 4
        assert once(bytes(damaged)) != constant
