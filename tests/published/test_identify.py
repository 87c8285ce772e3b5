"""Which check is this: found again from frames that libraries of others, and printed examples, end with it."""

from __future__ import annotations

import json
import zlib
from binascii import crc_hqx
from collections import defaultdict
from random import Random
from typing import Any

import crcmod.predefined
import pytest

from packetkit.errors import AlgorithmError
from packetkit.integrity import catalog, crc
from packetkit.integrity.identify import Match, Place, identify
from packetkit.resources import resource


def messages(seed: int, count: int, *lengths: int) -> list[bytes]:
    chance = Random(seed)
    return [chance.randbytes(lengths[number % len(lengths)]) for number in range(count)]


def names(found: tuple[Match, ...]) -> list[str]:
    return [match.name for match in found if match.is_credible]


def test_the_standard_librarys_crc_of_16_bits_is_found_from_three_frames() -> None:
    frames = [data + crc_hqx(data, 0xFFFF).to_bytes(2, "big") for data in messages(1, 3, 18)]
    first = identify(frames)[0]
    assert first.name == "CRC-16/IBM-3740" and first.place == Place(2)
    assert first.open_bits == 16  # one length: each initial value has its final xor


def test_swapped_bytes_and_the_span_are_told() -> None:
    frames = [data + crc_hqx(data[2:], 0xFFFF).to_bytes(2, "little") for data in messages(2, 3, 20)]
    first = identify(frames)[0]
    assert first.name == "CRC-16/IBM-3740" and first.place == Place(2, skipped=2, low_first=True)


def test_zlibs_crc_of_32_bits_is_found_before_a_line_end() -> None:
    frames = [data + zlib.crc32(data).to_bytes(4, "little") + b"\r\n" for data in messages(3, 5, 30, 31)]
    first = identify(frames)[0]
    assert first.name == "CRC-32/ISO-HDLC" and first.place == Place(4, behind=2, low_first=True)
    assert first.open_bits == 0  # two lengths


def test_adler_is_found_too() -> None:
    frames = [data + zlib.adler32(data).to_bytes(4, "big") for data in messages(4, 3, 25, 28)]
    assert identify(frames)[0].name == "ADLER-32"


@pytest.mark.parametrize(
    "name", ["modbus", "xmodem", "x-25", "crc-16-dnp", "crc-24", "crc-32c", "crc-8", "crc-64"]
)
def test_what_crcmod_computes_is_found(name: str) -> None:
    """crcmod 1.7's predefined functions; each is named by its own parameters, so the catalogue's name is looked up by value."""
    made = crcmod.predefined.PredefinedCrc(name)
    size = made.digest_size
    frames = []
    for data in messages(5, 5, 21, 22, 26):
        check = made.new()
        check.update(data)
        frames.append(data + check.digest())
    first = identify(frames)[0]
    assert first.is_credible and first.place == Place(size)
    compute = crc.engine(first.algorithm)
    check = made.new()
    check.update(b"123456789")
    assert compute(b"123456789") == check.crcValue == first.algorithm.check


@pytest.mark.parametrize("reflected", [False, True])
@pytest.mark.parametrize("width", [16, 24, 32])
def test_a_crc_that_has_no_name_is_solved_for(width: int, reflected: bool) -> None:
    """The frames are made by crcmod from a polynomial in no catalogue; two lengths leave nothing open."""
    chance = Random(width)
    poly = chance.getrandbits(width) | 1
    init, final = chance.getrandbits(width), chance.getrandbits(width)
    function = crcmod.mkCrcFun(1 << width | poly, initCrc=init, rev=reflected, xorOut=final)
    frames = [data + function(data).to_bytes(width // 8, "big") for data in messages(width, 8, 20, 27)]
    first = identify(frames)[0]
    algorithm = first.algorithm
    assert (algorithm.width, algorithm.poly, algorithm.reflect_in) == (
        width,
        poly,
        reflected,
    ) and first.is_credible
    fresh = messages(99, 20, *range(1, 60))
    kept = [one for one in fresh if crc.compute(algorithm, one) == function(one)]
    if first.open_bits == 0:
        assert kept == fresh
    else:  # the generator shares a factor with x**a + x**b: several pairs explain both lengths
        assert first.open_bits < width


def test_one_length_gives_the_family_and_each_member_explains_the_frames() -> None:
    function = crcmod.mkCrcFun(0x19EB3, initCrc=0x1234, rev=False, xorOut=0xABCD)
    frames = [data + function(data).to_bytes(2, "big") for data in messages(7, 5, 16)]
    found = [one for one in identify(frames) if one.is_credible]
    assert {one.algorithm.init for one in found} >= {0, 0xFFFF} and all(one.open_bits == 16 for one in found)
    for one in found:
        assert all(
            crc.compute(one.algorithm, frame[:-2]) == int.from_bytes(frame[-2:], "big") for frame in frames
        )


def test_printed_messages_lead_to_the_check_that_they_were_printed_for() -> None:
    """Messages and checks as standards and data sheets print them (vectors/published/checks.json), two or more of one algorithm."""
    document: Any = json.loads(resource("vectors/published/checks.json").read_text("utf-8"))
    by_name: dict[str, list[bytes]] = defaultdict(list)
    for row in document["pairs"]:
        algorithm = catalog.find(row["algorithm"])
        data = bytes.fromhex(row["octets"]) if "octets" in row else row["text"].encode()
        if algorithm.width % 8 == 0 and data:
            by_name[algorithm.name].append(data + int(row["check"], 16).to_bytes(algorithm.width // 8, "big"))
    tried = {name: list(dict.fromkeys(frames)) for name, frames in by_name.items()}
    tried = {
        name: frames
        for name, frames in tried.items()
        if len(frames) * catalog.find(name).width >= 32 and len(frames) > 1
    }
    assert len(tried) >= 5
    for name, frames in tried.items():
        assert name in names(identify(frames)), name


def test_noise_has_no_credible_check() -> None:
    for seed in range(3):
        assert not [one for one in identify(messages(seed, 5, 30)) if one.is_credible]
        assert not [one for one in identify(messages(seed, 3, 40)) if one.is_credible]


def test_one_frame_is_refused() -> None:
    with pytest.raises(AlgorithmError, match="one frame tells nothing"):
        identify([b"abc", b"abc"])


def test_a_place_that_is_known_is_the_only_one_tried() -> None:
    frames = [data + crc_hqx(data, 0).to_bytes(2, "big") for data in messages(8, 4, 12)]
    assert identify(frames, place=Place(2))[0].name == "CRC-16/XMODEM"
    assert not [one for one in identify(frames, place=Place(1)) if one.is_credible]


def test_the_order_of_a_place_that_is_known_counts() -> None:
    function = crcmod.mkCrcFun(0x19EB3, initCrc=0x1234, rev=False, xorOut=0xABCD)  # in no catalogue
    frames = [data + function(data).to_bytes(2, "little") for data in messages(9, 6, 12, 15)]
    low = Place(2, low_first=True)
    found = identify(frames, place=low)
    assert found[0].is_credible and found[0].algorithm.poly == 0x9EB3
    assert {one.place for one in found if one.is_credible} == {low}
    assert not [one for one in identify(frames, place=Place(2)) if one.is_credible]


def test_one_octet_has_one_order() -> None:
    function = crcmod.mkCrcFun(0x1C3, initCrc=0x55, rev=False, xorOut=0x0F)  # in no catalogue
    frames = [data + bytes([function(data)]) for data in messages(10, 9, 12, 17)]
    found = [one for one in identify(frames) if one.is_credible]
    assert {(one.algorithm.poly, one.place) for one in found} == {(0xC3, Place(1))}


def test_what_chance_would_give_is_counted_by_what_was_tried() -> None:
    """Frames of one length and a place that is known: each catalogue check of two octets, read in two orders, against 4 frames."""
    frames = [data + crc_hqx(data, 0).to_bytes(2, "big") for data in messages(8, 4, 12)]
    (first, *_) = identify(frames, place=Place(2))
    rows = sum(9 <= row.width <= 16 for row in catalog.ALGORITHMS.values())
    assert first.chance == 2 * rows / 2 ** (16 * 4)


def test_a_check_of_one_octet_is_told_once() -> None:
    """Frames by crcmod's CRC-8; one octet has no order, so no second match differs in it."""
    function = crcmod.predefined.mkPredefinedCrcFun("crc-8")
    frames = [data + bytes([function(data)]) for data in messages(11, 6, 9, 14)]
    found = [one for one in identify(frames) if one.is_credible]
    assert [(one.name, one.place.low_first) for one in found] == [("CRC-8/SMBUS", False)]


def product(one: int, other: int) -> int:
    """Return the product of two polynomials over GF(2)."""
    made = 0
    for bit in range(other.bit_length()):
        made ^= one << bit if other >> bit & 1 else 0
    return made


@pytest.mark.parametrize(("spare", "is_found"), [(12, True), (13, False)])
def test_a_generator_is_cut_out_of_a_divisor_with_up_to_12_more_bits(spare: int, is_found: bool) -> None:
    """Frames whose differences are all multiples of one product of the generator, shifted: no more than it can be learned from them."""
    generator = 0x19EB3  # in no catalogue
    both = product(generator, 1 << spare | 0b1011)
    frames = [bytes(8)] + [(both << shift).to_bytes(8, "big") for shift in range(0, 24, 3)]
    found = identify(frames, place=Place(2))
    assert any(one.algorithm.poly == generator ^ 1 << 16 for one in found) is is_found


def test_initial_values_that_the_catalogue_knows_are_among_those_that_are_offered() -> None:
    """CRC-16/SPI-FUJITSU's generator and initial value with a final xor of nobody's; one length leaves the initial value open."""
    function = crcmod.mkCrcFun(
        0x11021, initCrc=0x1D0F ^ 0x5A5A, rev=False, xorOut=0x5A5A
    )  # crcmod's: with the xor in it
    frames = [data + function(data).to_bytes(2, "big") for data in messages(12, 6, 16)]
    row = catalog.find("CRC-16/SPI-FUJITSU")
    found = [one.algorithm for one in identify(frames) if one.is_credible]
    assert (row.poly, row.init, 0x5A5A) in {(one.poly, one.init, one.final_xor) for one in found}
