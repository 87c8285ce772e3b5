"""Columns of numbers as text hold what Python writes for each number, which the language's manual says and which is asked here."""

from __future__ import annotations

import sys
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from packetkit.export import texts

# Where digits are joined four by four, where doubles are no decimals any more, and where Python begins to write exponents.
WHOLE = [
    0,
    1,
    9,
    10,
    9999,
    10_000,
    10_001,
    99_999_999,
    100_000_000,
    2**32 - 1,
    2**32,
    2**63 - 1,
    -1,
    -(10**4),
    -(2**63),
]
DOUBLES = [
    0.0,
    -0.0,
    0.1,
    20.0,
    -90.0,
    1e-4,
    9.999e-5,
    0.1 + 0.2,
    1 / 3,
    1e15,
    123456789012345.6,
    1e16,
    5e-324,
    1.7e308,
]
DOUBLES += [
    9_999_999_999.5,
    10_000_000_000.5,
    0.00020000000000000004,
    2.0**-44,
    9007199254740993.0,
    0.100000001,
]


def cells(column: texts.Texts) -> list[str]:
    """Each cell by itself."""
    return texts.lines([column, b"\n"], len(column)).decode().split("\n")[:-1]


@given(st.lists(st.one_of(st.sampled_from(WHOLE), st.integers(-(2**63), 2**63 - 1))))
@example(WHOLE)
def test_integers_have_all_their_digits(numbers: list[int]) -> None:
    for kind in (np.int64, np.int32, np.uint64, np.uint32):
        limits = np.iinfo(kind)
        held = [one for one in numbers if limits.min <= one <= limits.max]
        assert cells(texts.of_integers(np.array(held, kind))) == list(map(str, held))


@pytest.mark.parametrize("are_many", [False, True], ids=["by Python", "by pyarrow"])
@given(
    numbers=st.lists(
        st.one_of(
            st.sampled_from(DOUBLES),
            st.floats(allow_nan=False),
            st.floats(-1e6, 1e6),
            st.integers(-(2**24), 2**24).map(lambda raw: raw * 90 / 2**23),
            st.integers(-(10**11), 10**11).map(lambda raw: raw / 10**5),
        )
    ),
    places=st.integers(0, 9),
)
@example(numbers=DOUBLES, places=0)
@example(numbers=DOUBLES, places=9)
def test_doubles_are_written_as_python_writes_them(numbers: list[float], places: int, are_many: bool) -> None:
    made = texts.of_doubles(np.array(numbers, np.float64), places, are_many=are_many)
    assert cells(made) == list(map(repr, numbers))


def test_doubles_need_no_library(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(texts, "find_spec", lambda name: None)
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    assert cells(texts.of_doubles(np.array([1 / 3, 20.0]), are_many=True)) == ["0.3333333333333333", "20.0"]


def test_a_step_tells_how_many_places_there_are() -> None:
    assert texts.places_of(Fraction(1, 8), Fraction(-40)) == 3
    assert texts.places_of(Fraction(1, 100), Fraction(1, 2)) == 2
    assert texts.places_of(Fraction(90, 2**23), Fraction(0)) == 0
    assert texts.places_of(Fraction(1, 3)) == 0


def test_lines_join_cells_of_any_length() -> None:
    names = texts.of_words(["Brüter".encode(), b"", "\0=ü".encode()])
    assert texts.lines([b"<", names, b">\n"], 3).decode() == "<Brüter>\n<>\n<\0=ü>\n"
    assert texts.lines([texts.of_words([b"", b""]), b"x"], 2) == b"xx"
    assert texts.lines([names[:0], b"x"], 0) == b""
    assert cells(texts.taken(names, np.array([0, 0, 1]))) == ["Brüter", "Brüter", ""]
    assert cells(texts.only(names, np.array([False, True, True]))) == ["", "", "\0=ü"]
