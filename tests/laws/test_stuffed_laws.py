"""HDLC in bits: a standard's own bit patterns, a receiver that looks at one bit at a time, any bits in any pieces."""

from __future__ import annotations

from itertools import groupby, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from packetkit.framing.stuffed import LONGEST, Stretch, Stuffing
from packetkit.integrity import crc
from packetkit.integrity.catalog import find

LOW = Stuffing(crc.engine(find("CRC-16/IBM-SDLC")), 2)
HIGH = Stuffing(crc.engine(find("CRC-16/GENIBUS")), 2, low_bit_first=False)
BARE = Stuffing(None, 0, nrzi=True)
ALL = (LOW, HIGH, BARE, Stuffing(crc.engine(find("CRC-32/ISO-HDLC")), 4, nrzi=True))


def bits(text: str) -> bytes:
    """Octets 0 and 1 for digits; other characters are there for the eye."""
    return bytes(int(digit) for digit in text if digit in "01")


MARKS = (b"\0", b"\1" * 5, b"\1" * 7, bits("01111110"), bits("1111110"), LOW.wrap([b"ab"]))


def cut(data: bytes, places: list[int]) -> list[bytes]:
    """The bits in pieces."""
    edges = sorted({place % (len(data) + 1) for place in places} | {0, len(data)})
    return [data[first:last] for first, last in pairwise(edges)]


def one_bit_at_a_time(sent: bytes) -> list[tuple[int, ...]]:
    """What is received between flags, by a receiver that counts ones, as ISO/IEC 13239 words it (from memory): the slow second reading.

    After a flag bits are kept; behind five ones a zero is dropped, six and a zero are a flag, seven are an abort.
    """
    frames: list[tuple[int, ...]] = []
    kept: list[int] | None = None
    ones = 0
    for bit in sent:
        if bit:
            ones += 1
            if ones == 7:
                kept = None
            if kept is not None:
                kept.append(1)
            continue
        if ones == 6:
            if kept is not None and len(kept) > 6:
                frames.append(tuple(kept[:-7]) if len(kept) >= 7 else ())
            kept = []
        elif kept is not None and ones != 5:
            kept.append(0)
        ones = 0
    return frames


def read_slowly(stuffing: Stuffing, sent: bytes) -> list[bytes]:
    """The data of good frames, read one bit at a time."""
    least = 8 * (stuffing.octets + 1)
    found = []
    for frame in one_bit_at_a_time(sent):
        if len(frame) < least or len(frame) % 8:
            continue
        octets = [
            frame[at : at + 8][:: -1 if stuffing.low_bit_first else 1] for at in range(0, len(frame), 8)
        ]
        data = bytes(int("".join(map(str, octet)), 2) for octet in octets)
        inner, stored = (
            (data[: -stuffing.octets], data[-stuffing.octets :]) if stuffing.octets else (data, b"")
        )
        order = stored[::-1] if stuffing.low_bit_first else stored
        if stuffing.check is None or int.from_bytes(order, "big") == stuffing.check(inner):
            found.append(inner)
    return found


def good(stretches: list[Stretch]) -> list[bytes]:
    """The data of good frames."""
    return [one.data for one in stretches if one.is_frame and not one.problem]


def test_the_bit_patterns_of_x25_are_written_and_read() -> None:
    # CCITT Recommendation X.25 (1992), appendix I, "Examples of data link layer transmitted bit patterns": SABM to address A and UA
    # from address B, with P and F 1. The bits from memory; a check of another hand bears them out.
    patterns = {
        b"\x03\x3f": "0111 1110  1100 0000  1111 1(0)100  1101 1010 0011 0111  0111 1110",
        b"\x01\x73": "0111 1110  1000 0000  1100 1110  1100 0001 1110 1010  0111 1110",
    }
    for data, pattern in patterns.items():
        assert LOW.wrap([data]) == bits(pattern)
        assert [(one.data, one.problem, one.is_frame) for one in LOW.stretches([bits(pattern)])] == [
            (data, "", True)
        ]


def test_a_level_that_stays_is_a_one_and_one_that_changes_is_a_zero() -> None:
    # USB 2.0 specification, section 7.1.8 (from memory): in NRZI a 1 is no change of level and a 0 is a change.
    assert BARE.wrap([b""]) == bits("1111 1110 1111 1110")
    octet = bits("0111 1110  0100 0001  0111 1110")  # flag, the octet 0x82 low bit first, flag
    levels, level = [], 1
    for bit in octet:
        level = level if bit else 1 - level
        levels.append(level)
    for turned in (0, 1):  # which level is which nobody has to know
        assert good(list(BARE.stretches([bytes(one ^ turned for one in levels)]))) == [b"\x82"]


@pytest.mark.parametrize("stuffing", ALL, ids=lambda one: f"{one.octets}-{one.low_bit_first}-{one.nrzi}")
@given(
    st.lists(st.binary(min_size=1, max_size=60) | st.just(b"\xff" * 9), max_size=4),
    st.lists(st.integers(0, 2000)),
)
def test_what_is_stuffed_comes_back_in_any_pieces(
    stuffing: Stuffing, frames: list[bytes], places: list[int]
) -> None:
    sent = stuffing.wrap(frames)
    found = list(stuffing.stretches(cut(sent, places)))
    assert [(one.data, one.problem, one.is_frame) for one in found] == [(data, "", True) for data in frames]
    if not stuffing.nrzi:
        assert max((len(list(run)) for bit, run in groupby(sent) if bit), default=6) <= 6
        assert all(sent[one.offset - 8 : one.offset] == bits("01111110") for one in found)


@given(
    st.sampled_from(ALL),
    st.lists(st.integers(0, 1), max_size=300).map(bytes)
    | st.lists(st.sampled_from(MARKS), max_size=12).map(b"".join),
    st.lists(st.integers(0, 300)),
)  # fmt: skip
def test_any_bits_in_any_pieces_give_what_one_bit_at_a_time_gives(
    stuffing: Stuffing, sent: bytes, places: list[int]
) -> None:
    found = list(stuffing.stretches([sent]))
    assert list(stuffing.stretches(cut(sent, places))) == found
    plain = sent
    if stuffing.nrzi:
        plain = (
            bytes(one ^ before ^ 1 for before, one in pairwise(bytes((sent[0] ^ 1,)) + sent)) if sent else b""
        )
    assert good(found) == read_slowly(stuffing, plain)
    edge = 0
    for one in found:  # in order, and nothing twice
        assert one.offset >= edge and one.size_bits > 0
        edge = one.offset + one.size_bits
    assert edge <= len(sent)


def test_flags_may_share_a_zero_and_rest_is_no_junk() -> None:
    flags = bits("01111110 1111110 1111110")
    sent = bits("1111 1111") + flags + LOW.wrap([b"one"])[8:] + b"\1" * 40 + LOW.wrap([b"two"]) + bits("000")
    assert [(one.data, one.problem) for one in LOW.stretches([sent])] == [(b"one", ""), (b"two", "")]


@pytest.mark.parametrize(
    ("tail", "says"),
    [
        (bits("1111111 00 01111110"), "7 ones in a row at bit 40: the sender gave up"),
        (bits("01 01111110"), "34 bits between flags are no whole octets"),
        (bits("01010101 01111110"), "the check of the framing is 0x"),
        (bits("0101"), "the bits end before the frame's flag"),
    ],
)
def test_what_is_wrong_with_a_frame_is_said(tail: bytes, says: str) -> None:
    sent = LOW.wrap([b"ab"])[:-8] + tail
    found = list(LOW.stretches([sent]))
    assert (found[0].offset, found[0].is_frame) == (8, True) and found[0].problem.startswith(says)
    assert all(not one.is_frame for one in found[1:])


def test_what_runs_on_without_a_flag_is_cut_and_told_in_any_pieces() -> None:
    for size in range(LONGEST - 2, LONGEST + 12):
        sent = bits("01111110") + b"\0" * size + bits("01111110")
        whole = list(LOW.stretches([sent]))
        assert list(LOW.stretches([sent[: LONGEST // 2], sent[LONGEST // 2 :]])) == whole
        assert sum(one.size_bits for one in whole) == size
        assert whole[0].problem.endswith("are no frame") is (size >= LONGEST)
