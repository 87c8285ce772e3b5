"""Checks whose bits are parities of listed bits: GPS navigation words, teletext's Hamming codes, Hamming's own code.

IS-GPS-200, section 20.3.5.2, table 20-XIV: six parities of the 24 bits of a word and of the last two of the word before it. Words: three
subframes of one satellite's ephemeris as the test data of an open GNSS library print them (the GPS Toolkit, NavLib's test of LNAV frames),
with the polarity already turned upright. ETS 300 706, section 8.2: Hamming 8/4; its sixteen codes from memory, odd parity over each octet.
R. W. Hamming, Bell System Technical Journal 29 (1950), 147-160: positions that are powers of two check those with that binary digit.
"""

from __future__ import annotations

from itertools import combinations

import pytest

import packetkit
from packetkit.mission.checkup import protections

# Table 20-XIV: for D25 to D30 which of D29* and D30*, and which of d1 to d24.
EQUATIONS = (
    (29, (1, 2, 3, 5, 6, 10, 11, 12, 13, 14, 17, 18, 20, 23)),
    (30, (2, 3, 4, 6, 7, 11, 12, 13, 14, 15, 18, 19, 21, 24)),
    (29, (1, 3, 4, 5, 7, 8, 12, 13, 14, 15, 16, 19, 20, 22)),
    (30, (2, 4, 5, 6, 8, 9, 13, 14, 15, 16, 17, 20, 21, 23)),
    (30, (1, 3, 5, 6, 7, 9, 10, 14, 15, 16, 17, 18, 21, 22, 24)),
    (29, (3, 5, 6, 8, 9, 10, 11, 13, 15, 19, 22, 23, 24)),
)
# Fed: the six parities before, of which D29* and D30* are the last two, then the word's 24 bits.
AFTER_A_WORD = [[starred - 24, *(bit + 6 for bit in bits)] for starred, bits in EQUATIONS]
FIRST = [list(bits) for _, bits in EQUATIONS]  # the last word ends in two zeros
WORDS = {
    1: "{name: preamble, kind: constant, bits: 8, code: 0x8B}, {name: telemetry, bits: 14}, {kind: reserved, bits: 2}",
    2: "{name: six_seconds, bits: 17, scale: 6, unit: s}, {name: alert, kind: flag}, {name: anti_spoof, kind: flag}, "
    "{name: subframe, bits: 3}, {name: solved, bits: 2}",
    **{number: f"{{name: bits_{number}, bits: 24}}" for number in range(3, 11)},
}


def lists(rows: list[list[int]]) -> str:
    return f"{{parity: {rows}}}"


def subframe() -> packetkit.Frame:
    lines = []
    for number, fields in WORDS.items():
        lines.append(f"      - {{name: word_{number}, group: [{fields}]}}")
        covers = "word_1" if number == 1 else f"[parity_{number - 1}, word_{number}]"
        rows = lists(FIRST if number == 1 else AFTER_A_WORD)
        lines.append(f"      - {{name: parity_{number}, kind: check, covers: {covers}, algorithm: {rows}}}")
    lines.append("      - {kind: reserved, up_to: byte}")
    return packetkit.parse("mission: lnav\nframes:\n  subframe:\n    fields:\n" + "\n".join(lines)).frame()


SUBFRAMES = [
    "22C34D21 000029D4 34D44000 091B1DE7 1C33746E 2F701369 39F53CB5 128070A8 003FF454 3EAFC2F0",
    "22C34D21 00004A44 12BFCB3A 0D7A9094 3B99FBAF 3FC081B8 09D171E1 04B0A847 03497656 00709FA0",
    "22C34D21 00006BCC 3FE14ED4 05ABBB58 3FE3498B 145EE03A 062ECB6F 1C48068F 3FE95E1E 12844624",
]


def sent(words: str) -> bytes:
    bits = "".join(f"{int(word, 16):030b}" for word in words.split())
    return (
        int(bits, 2).to_bytes(38, "big") if len(bits) % 8 == 0 else int(bits + "0000", 2).to_bytes(38, "big")
    )


@pytest.mark.parametrize("number", [1, 2, 3])
def test_the_words_of_a_satellites_ephemeris_agree_and_are_made_again(number: int) -> None:
    frame, data = subframe(), sent(SUBFRAMES[number - 1])
    record = frame.decode(data)
    assert (record["word_2"]["six_seconds"], record["word_2"]["subframe"]) == (6 * number, number)
    assert frame.encode(record) == data == frame.encode(frame.decode(data, detail=True))
    for bit in range(300):  # each is in some word, or one of its parities
        wrong = bytearray(data)
        wrong[bit // 8] ^= 0x80 >> bit % 8
        with pytest.raises(packetkit.DecodeError):
            frame.decode(bytes(wrong))


# By the octet, its first bit on the air the lowest: ETS 300 706 sends P1 D1 P2 D2 P3 D3 P4 D4.
HAMMING_8_4 = "15 02 49 5E 64 73 38 2F D0 C7 8C 9B A1 B6 FD EA"
TELETEXT = """
mission: teletext
frames:
  address:
    packing: least_significant_first
    fields:
      - name: digit
        group:
          - {name: data, runs: [[7, 1], [5, 1], [3, 1], [1, 1]]}
          - name: protection
            kind: check
            runs: [[6, 1], [4, 1], [2, 1], [0, 1]]
            covers: digit
            algorithm: {parity: [[4, 6, 8], [2, 4, 6], [2, 4, 8], [2, 6, 8]], final_xor: 7}
"""


def test_teletexts_hamming_code_is_that_of_its_standard_and_shows_two_wrong_bits() -> None:
    frame = packetkit.parse(TELETEXT).frame()
    codes = bytes.fromhex(HAMMING_8_4)
    for digit, code in enumerate(codes):
        assert frame.encode({"digit": {"data": digit}}) == bytes([code])
        assert frame.decode(bytes([code])) == {"digit": {"data": digit}}
        assert code.bit_count() % 2 == 1
        for count in (1, 2):
            for bits in combinations(range(8), count):
                with pytest.raises(packetkit.CheckFailed):
                    frame.decode(bytes([code ^ sum(1 << bit for bit in bits)]))


@pytest.mark.parametrize(("parities", "distance"), [(3, 3), (4, 4), (5, 3)])
def test_hammings_own_code_covers_positions_by_their_binary_digits(parities: int, distance: int) -> None:
    """Hamming (7,4) and (15,11) with the check behind the data: as far as the lists go, every error of one and two bits is told."""
    whole = distance == 4
    width = parities - whole
    places = [place for place in range(1, 1 << width) if place & (place - 1)]  # of data: no powers of two
    rows = [[at for at, place in enumerate(places, 1) if place >> row & 1] for row in reversed(range(width))]
    if whole:  # one parity over all: what a position of three ones is in already, and those of two
        rows.append([at for at, place in enumerate(places, 1) if place.bit_count() % 2 == 0])
    fields = f"{{name: data, bits: {len(places)}}}, {{name: check, kind: check, algorithm: {lists(rows)}}}"
    text = f"mission: m\nframes:\n  code:\n    fields: [{fields}, {{kind: reserved, up_to: byte}}]\n"
    frame = packetkit.parse(text).frame()
    (told,) = protections(frame.layout)
    assert told.distance is not None and told.distance.value == distance
    size = len(places) + len(rows)
    good = frame.encode({"data": (1 << len(places)) - 2})
    for count in range(1, distance):
        for bits in combinations(range(size), count):
            wrong = bytearray(good)
            for bit in bits:
                wrong[bit // 8] ^= 0x80 >> bit % 8
            with pytest.raises(packetkit.CheckFailed):
                frame.decode(bytes(wrong))


def test_bits_of_a_list_of_fixed_size_are_listed_among_those_around_it() -> None:
    frame = packetkit.parse(
        "mission: wren\nframes:\n  sheet:\n    fields:\n"
        "      - {name: nibbles, repeat: {count: 3}, bits: 4}\n      - {name: last, bits: 1}\n"
        "      - {name: parity, kind: check, algorithm: {parity: [[1, 5, 9], [2, 6, 10], [4, 12, 13]]}}\n"
    ).frame()
    # 0101 0011 1100 1: bits 1, 5, 9 are 0, 0, 1; bits 2, 6, 10 are 1, 0, 1; bits 4, 12, 13 are 1, 0, 1. By hand.
    assert frame.encode({"nibbles": [5, 3, 12], "last": 1}).hex() == "53cc"
    assert frame.decode(bytes.fromhex("53cc")) == {"nibbles": [5, 3, 12], "last": 1}
    with pytest.raises(packetkit.CheckFailed):
        frame.decode(bytes.fromhex("53c4"))
