"""A problem shows the line it is about, short enough for a terminal, with carets below what is meant."""

from __future__ import annotations

from unicodedata import combining, east_asian_width

import pytest
from hypothesis import given
from hypothesis import strategies as st

from packetkit.errors import Position, Problem


def drawn(line: str, column: int, width: int = 1) -> list[str]:
    told = str(Problem(Position(14, column, "m.yaml"), "rule", "", "wrong", "", line, width)).splitlines()
    assert told[0] == f"m.yaml:14:{column}: wrong"
    return told[1:]


def columns(text: str) -> int:
    """Columns on a terminal, by Unicode Standard Annex #11: wide and fullwidth two, combining marks none."""
    return sum(0 if combining(c) else 2 if east_asian_width(c) in ("W", "F") else 1 for c in text)


def test_the_message_of_the_style_guide() -> None:
    problem = Problem(
        Position(14, 11, "schemas/beacon.yaml"),
        "range-does-not-fit",
        "power.bus_voltage",
        "10 bits cannot reach maximum 12.0 V",
        "one step is 0.01 V, so 10 bits reach 10.23 V. Use bits: 11 (reaches 20.47 V) or resolution: 0.02.",
        "    bits: 10",
        2,
    )
    assert str(problem) == (
        "schemas/beacon.yaml:14:11: power.bus_voltage: 10 bits cannot reach maximum 12.0 V\n"
        "    bits: 10\n"
        "          ^^\n"
        "  one step is 0.01 V, so 10 bits reach 10.23 V. Use bits: 11 (reaches 20.47 V) or resolution: 0.02."
    )


@pytest.mark.parametrize(
    ("line", "column", "width", "shown", "carets"),
    [
        ("  a: 1", 6, 1, "    a: 1", "       ^"),
        ("a: 1", 4, 0, "    a: 1", "       ^"),
        ("a:", 3, 1, "    a:", "      ^"),
        ("a:   ", 6, 1, "    a:", "         ^"),
        ("\u4e16\u754c: x", 5, 1, "    \u4e16\u754c: x", "          ^"),
        ("a: \u4e16\u754c", 4, 2, "    a: \u4e16\u754c", "       ^^^^"),
        ("e\u0301e\u0301: x", 7, 1, "    e\u0301e\u0301: x", "        ^"),
        ("a:\tx", 4, 1, "    a: x", "       ^"),
        ("\ta: x", 5, 1, "    a: x", "       ^"),
        ("\ta: x", 1, 1, "     a: x", "    ^"),
        ("a: \x1b[0m\u202ex", 9, 1, "    a: ?[0m?x", "            ^"),
    ],
)
def test_carets_stand_below_what_is_meant(
    line: str, column: int, width: int, shown: str, carets: str
) -> None:
    assert drawn(line, column, width) == [shown, carets]


def test_an_empty_line_is_not_shown() -> None:
    assert drawn("", 1) == drawn("  \t ", 1) == []


def test_a_long_line_is_cut_around_the_place() -> None:
    line = "  - {" + ", ".join(f"key_{n:02d}: {n}" for n in range(10, 40)) + "}"
    assert drawn(line, line.index("key_10") + 1, 6) == [
        "    - {key_10: 10, key_11: 11, key_12: 12, key_13: 13, key_14: 14, key_1 ...",
        "       ^^^^^^",
    ]
    assert drawn(line, line.index("key_20") + 1, 6) == [
        "    ... y_18: 18, key_19: 19, key_20: 20, key_21: 21, key_22: 22, key_23: 23 ...",
        "                              ^^^^^^",
    ]
    assert drawn(line, line.index("key_20") + 1, 300) == [
        "    ... y_18: 18, key_19: 19, key_20: 20, key_21: 21, key_22: 22, key_23: 23 ...",
        f"{' ' * 30}{'^' * 46}",
    ]
    assert drawn(line, line.index("key_39") + 1, 60) == [
        "    ... _34: 34, key_35: 35, key_36: 36, key_37: 37, key_38: 38, key_39: 39}",
        "                                                                 ^^^^^^^^^^^",
    ]


@given(
    st.text(st.characters(codec="utf-8", exclude_characters="\n\r"), max_size=200),
    st.integers(1, 220),
    st.integers(0, 300),
)
def test_any_line_is_drawn_within_the_terminal_with_a_caret_in_it(line: str, column: int, width: int) -> None:
    told = drawn(line, column, width)
    if not told:
        assert not line.strip()
        return
    shown, carets = told
    assert shown.isprintable()
    assert len(shown) <= 4 + 76
    assert set(carets.lstrip(" ")) == {"^"}
    if column <= len(line) and line[column - 1].isprintable() and not line[column - 1].isspace():
        before = len(carets) - len(carets.lstrip())
        under = next(c for n, c in enumerate(shown) if columns(shown[: n + 1]) > before)
        assert under == line[column - 1] or combining(line[column - 1])
