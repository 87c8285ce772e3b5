"""The strip: every bit drawn once and where it lies, judged by the wire rules' own examples and by the oracle's bytes."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packetkit.cli.output import text_width
from packetkit.cli.spelling import portable
from packetkit.cli.strip import picture as drawn
from packetkit.cli.strip import strip
from packetkit.layout.model import Layout
from packetkit.mission.load import Mission, parse
from tests import oracle

BITS = "01·n#"


def mission_of(*fields: str, keys: str = "") -> Mission:
    lines = ["mission: paper", "frames:", "  f:", *([f"    {keys}"] if keys else []), "    fields:"]
    return parse("\n".join([*lines, *(f"      - {{{field}}}" for field in fields)]))


def picture(*fields: str, keys: str = "", width: int = 80) -> str:
    return "\n".join(strip(mission_of(*fields, keys=keys).layouts["f"], width))


def rows_of_bits(lines: list[str]) -> list[str]:
    """Return the bits of each row that shows them: a margin with an offset, a rail, octets of bits."""
    found = [re.match(rf" *(?:[+]?[0-9]+|end-[0-9]+) (?:│ )*([{BITS} ]+)$", line) for line in lines]
    return ["".join(match[1].split()) for match in found if match]


# -- pictures drawn by hand -------------------------------------------------------------------------------------------------------


def test_a_frame_is_drawn_as_bits_above_brackets() -> None:
    drawn = picture(
        "name: sync, kind: sync, bits: 16, code: 0xD391",
        "name: tag, kind: tag, bits: 4, code: 1",
        "name: sequence, bits: 12",
        "name: mode, bits: 3, states: {0: safe}",
        "name: ready, kind: flag",
        "name: held, kind: count, bits: 4",
        "name: x, bits: 8, repeat: {count: held}",
        "name: check, kind: check, algorithm: CRC-16/IBM-3740",
    )
    assert (
        drawn
        == """\
     0 11010011 10010001 0001···· ········ ····nnnn
       └sync───────────┘ ├──┘└sequence───┘ ├─┘│└──┘ held
                         └tag              │  └ready
                                           └mode
    40 ┌ x: 0 to 15 times, as held says, 8 bits each
    +0 │ ········
       │ └x─────┘
       └ 0 to 120 bits
end-16 ######## ########
       └check──────────┘"""
    )


THREE = "{name: a, bits: 3}, {name: b, bits: 7}, {name: c, bits: 6}"


@pytest.mark.parametrize(
    ("keys", "sent", "brackets"),
    [
        # WIRE.md 1 and 2: fields of 3, 7, 6 bits = 5, 100, 33 are B9 21 = 101 11001 | 00 100001,
        ("", "B921", "└a┘└b─────┘└c───┘"),
        # 21 B9 in words of 16 = 00 100001 | 101 11001: b's low two bits and c, then a and b's high five,
        (", word_bits: 16, order: little", "21B9", "├┘└c───┘ └a┘└───┘ b 6-2"),
        # and 25 87 least first = 00100 101 | 100001 11: b's low five bits and a, then c and b's high two.
        (", packing: least_significant_first", "2587", "├───┘└a┘ └c───┘└┘ b 6-5"),
    ],
)
def test_the_three_pictures_of_one_group_show_where_its_bits_lie(keys: str, sent: str, brackets: str) -> None:
    values = (("a", 3, 5), ("b", 7, 100), ("c", 6, 33))
    constants = ", ".join(f"{{name: {n}, kind: constant, bits: {w}, code: {code}}}" for n, w, code in values)
    lines = strip(mission_of(f"name: g, group: [{constants}]{keys}").layouts["f"])
    assert f"{int(rows_of_bits(lines)[0], 2):04X}" == sent
    assert brackets in picture(f"name: g, group: [{THREE}]{keys}")


def test_reversed_octets_name_the_bits_of_each() -> None:
    assert (
        picture("name: uptime, bits: 24, order: little")
        == """\
  0 ········ ········ ········
    ├──────┘ └15-8──┘ └23-16─┘
    └uptime 7-0"""
    )


def test_a_field_cut_by_the_end_of_a_line_says_which_bits_are_where() -> None:
    drawn = picture("name: head, bits: 56", "name: position, bits: 24")
    assert (
        drawn
        == """\
  0 ········ ········ ········ ········ ········ ········ ········ ········
    └head────────────────────────────────────────────────────────┘ ├───────
                                                     position 23-16┘
 64 ········ ········
    ─position 15-0──┘"""
    )


def test_parts_that_vary_are_drawn_once_behind_a_rail() -> None:
    drawn = picture(
        "name: has_fix, kind: flag",
        "name: mode, bits: 7, states: {0: safe, 5: survey}",
        "name: fix, present_when: has_fix, group: [{name: lat, bits: 12}]",
        "name: more, bits: 12, present_when: {mode: survey}",
        "kind: reserved, up_to: byte",
    )
    assert (
        drawn
        == """\
  0 ········
    │└mode─┘
    └has_fix
  8 ┌ fix: only when has_fix is true
  8 │ ········ ····
    │ └lat────────┘
    └ absent or 12 bits
 +0 ┌ more: only when mode is survey
 +0 │ ············
    │ └more──────┘
    └ absent or 12 bits
 +0 (0 to 7 zero bits, up to a whole byte)"""
    )


# -- what holds for every frame -------------------------------------------------------------------------------------------------------

NAMES = st.integers(1, 24).map(lambda n: "abcdefghij"[n % 10] * n)


@st.composite
def constant_frames(draw: st.DrawFn) -> tuple[str, ...]:
    """Return fields of constants in groups of every packing and order, whole bytes each."""
    fields = []
    for group in range(draw(st.integers(1, 4))):
        keys = draw(
            st.sampled_from(
                [
                    "",
                    ", packing: least_significant_first",
                    ", word_bits: 16, order: little",
                    ", word_bits: 32, order: little",
                ]
            )
        )
        widths = draw(st.lists(st.integers(1, 20), min_size=1, max_size=8))
        unit = 32 if "32" in keys else 16
        widths.append(-sum(widths) % unit or unit)
        inside = []
        for place, width in enumerate(widths):
            code = draw(st.integers(0, (1 << width) - 1))
            order = ", order: little" if width == 16 and not keys and draw(st.booleans()) else ""
            inside.append(f"{{name: x{place}, kind: constant, bits: {width}, code: {code}{order}}}")
        fields.append(f"name: g{group}, group: [{', '.join(inside)}]{keys}")
    return tuple(fields)


@settings(max_examples=60)
@given(constant_frames(), st.integers(30, 100))
def test_the_drawn_bits_are_the_bytes_of_the_oracle(fields: tuple[str, ...], width: int) -> None:
    mission = mission_of(*fields)
    sent = oracle.encode(mission.declared.frames[0], {}, {})
    assert "".join(rows_of_bits(strip(mission.layouts["f"], width))) == "".join(
        f"{octet:08b}" for octet in sent
    )


@st.composite
def frames(draw: st.DrawFn) -> Layout:
    """Return a layout with fields of any width and name, some of them in parts that vary."""
    fields = ["name: on, kind: flag", "name: n, kind: count, bits: 4"]
    used = {"on", "n", "if", "or"}
    for _ in range(draw(st.integers(0, 20))):
        name = draw(NAMES)
        if name in used or len(name) > 40:
            continue
        used.add(name)
        bits = draw(st.integers(1, 64))
        where = draw(
            st.sampled_from(["", "", "", ", present_when: on", ", repeat: {count: n}", ", repeat: 3"])
        )
        fields.append(f"name: {name}, bits: {bits}{where}")
    if "count: n}" not in "".join(fields):
        fields[1] = "name: n, bits: 4"
    return mission_of(*fields, keys="last_byte: zero_filled").layouts["f"]


@settings(max_examples=60)
@given(frames(), st.integers(60, 120))
def test_every_bit_and_every_name_is_drawn_within_the_width(layout: Layout, width: int) -> None:
    lines = strip(layout, width)
    assert max(map(text_width, lines)) <= width
    text = "\n".join(lines)
    assert all(
        (slot.path[-1] if slot.path else slot.address.removesuffix("[]")) in text
        for slot in layout.slots
        if slot.named
    )
    drawn = sum(map(len, rows_of_bits(lines)))
    assert drawn == sum(slot.width for node in layout.walk() for slot in getattr(node, "slots", ()))


@settings(max_examples=30)
@given(frames(), st.sampled_from(["ascii", "cp1252", "cp437"]))
def test_every_encoding_carries_the_picture_without_moving_it(layout: Layout, encoding: str) -> None:
    for line in strip(layout):
        shown = portable(line, encoding)
        assert len(shown) == len(line)
        shown.encode(encoding)


def test_a_name_that_fits_on_neither_side_is_cut_and_says_so() -> None:
    drawn = picture(
        "name: a, bits: 20", f"name: {'b' * 40}, bits: 10", f"name: {'c' * 30}, bits: 34", width=50
    )
    assert max(map(text_width, drawn.splitlines())) <= 50
    assert re.search(r"b+\.\.", drawn) and "c" * 30 in drawn


def test_three_hundred_fields_stay_readable() -> None:
    drawn = picture(
        *(f"name: field_{i}, bits: {1 + i * 7 % 13}" for i in range(300)), keys="last_byte: zero_filled"
    )
    assert all(f"field_{i}" in drawn for i in range(300))
    assert max(map(text_width, drawn.splitlines())) <= 80
    assert len(drawn.splitlines()) < 300


def test_the_key_explains_only_what_is_drawn() -> None:
    plain = drawn(mission_of("name: a, bits: 8").layouts["f"])
    assert plain.key == ["Each byte as hex writes it, high bit left. ·: value."]
    fields = ("name: a, bits: 4", "name: b, bits: 64", "name: c, kind: reserved, bits: 4")
    split = drawn(mission_of(*fields).layouts["f"])
    assert (
        split.key[0].endswith(" left. 0 1: always so; ·: value.") and "bits 7 to 0 of speed" in split.key[1]
    )


def test_a_split_group_behind_a_bit_of_another_octet_is_drawn_whole() -> None:
    inner = (
        "{name: e, kind: check, runs: [[34, 6], [25, 4], [17, 5], [2, 9]], "
        "algorithm: {width: 24, polynomial: 0x864CFB}, covers: [speed]}, "
        "{kind: reserved, bits: 2}, {name: low, bits: 6}, {name: mid, bits: 3}, {name: speed, bits: 5}"
    )
    mission = mission_of(
        "name: c, kind: flag",
        f"name: d, present_when: c, repeat: 1, group: [{{name: s, group: [{inner}]}}]",
        "kind: reserved, up_to: byte",
    )
    for width in (40, 60, 80):
        lines = strip(mission.layouts["f"], width)
        assert sum(map(len, rows_of_bits(lines))) == 1 + 40 + 7
        assert max(map(len, lines)) <= width


def test_what_is_told_in_words_keeps_to_the_width() -> None:
    mission = mission_of(
        "name: a_long_name_of_a_group, group: [{name: quantity_of_it, bits: 14, coding: continued_low_first_signed, repeat: 2}]"
    )
    lines = strip(mission.layouts["f"], 60)
    assert max(map(len, lines)) <= 60
    assert "the low ones first; 1 to 2 octets" in " ".join(
        word for line in lines for word in line.split() if word != "│"
    )
