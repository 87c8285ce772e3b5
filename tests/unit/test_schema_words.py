"""Numbers are read exactly or refused with a reason before anything is computed; near misses are found."""

from __future__ import annotations

import time
from fractions import Fraction

import pytest

from packetkit.schema.words import (
    closest,
    format_number,
    parse_boolean,
    parse_integer,
    parse_number,
    shown,
)

FORMS = "a number is written as 12, -0.5, 1.5e-3, 0x1F, 1/16 or 2^-43"

# The decimal forms are those of the core schema of YAML 1.2.2, section 10.3.2, less octal; the rest is ours.
NUMBERS = {
    "0": Fraction(0),
    "-0": Fraction(0),
    "+12": Fraction(12),
    "-60": Fraction(-60),
    "0.1": Fraction(1, 10),
    "-.5": Fraction(-1, 2),
    "5.": Fraction(5),
    "1e3": Fraction(1000),
    "1.5E-3": Fraction(3, 2000),
    "1e60": Fraction(10**60),
    "1e-60": Fraction(1, 10**60),
    "1e+007": Fraction(10_000_000),
    "0x1F": Fraction(31),
    "-0xff": Fraction(-255),
    "0x00": Fraction(0),
    "1/600000": Fraction(1, 600_000),
    "-360/1024": Fraction(-45, 128),
    "2^-43": Fraction(1, 8_796_093_022_208),
    "-2^3": Fraction(-8),
    "2^+128": Fraction(1 << 128),
    "2^0": Fraction(1),
    "9" * 40: Fraction(10**40 - 1),
    "1/" + "9" * 40: Fraction(1, 10**40 - 1),
    "0." + "3" * 39: Fraction(int("3" * 39), 10**39),
}

REFUSED = {
    "": f"'' is not a number; {FORMS}",
    ".": f"'.' is not a number; {FORMS}",
    "e3": f"'e3' is not a number; {FORMS}",
    "ten": f"'ten' is not a number; {FORMS}",
    ".inf": f"'.inf' is not a number; {FORMS}",
    ".nan": f"'.nan' is not a number; {FORMS}",
    "0o17": f"'0o17' is not a number; {FORMS}",
    "0b11": f"'0b11' is not a number; {FORMS}",
    "0X1F": f"'0X1F' is not a number; {FORMS}",
    "1:30": f"'1:30' is not a number; {FORMS}",
    "1/-2": f"'1/-2' is not a number; {FORMS}",
    "1/2/3": f"'1/2/3' is not a number; {FORMS}",
    "1.5/2": f"'1.5/2' is not a number; {FORMS}",
    "3^2": f"'3^2' is not a number; {FORMS}",
    "2^": f"'2^' is not a number; {FORMS}",
    "2^129": "the power of '2^129' is not between -128 and 128",
    "2^-" + "9" * 50: f"the power of '2^-{'9' * 34}...' is not between -128 and 128",
    "--1": f"'--1' is not a number; {FORMS}",
    "1_000": f"'1_000' is not a number; {FORMS}; leave out spaces, commas and underscores",
    "1 / 16": f"'1 / 16' is not a number; {FORMS}; leave out spaces, commas and underscores",
    "0,5": f"'0,5' is not a number; {FORMS}; the decimal mark is a point",
    "\u0663": f"'\u0663' is not a number; {FORMS}",
    "\u00b2": f"'\u00b2' is not a number; {FORMS}",
    "12\n": f"'12\\n' is not a number; {FORMS}",
    "017": "'017' starts with a zero, which some programs read as octal; leave the zero out",
    "-00.5": "'-00.5' starts with a zero, which some programs read as octal; leave the zero out",
    "1/0": "'1/0' divides by zero; write a number above zero after the stroke",
    "1e61": "the exponent of '1e61' is not between -60 and 60; a unit nearer to what is measured needs no such number",
    "1e-61": "the exponent of '1e-61' is not between -60 and 60; a unit nearer to what is measured needs no such number",
    "1e999999999": "the exponent of '1e999999999' is not between -60 and 60; a unit nearer to what is measured needs no such number",
    "9" * 41: f"'{'9' * 37}...' has 41 digits; a number has at most 40 digits",
    "0x" + "f" * 41: f"'0x{'f' * 35}...' has 41 digits; a number has at most 40 digits",
    "0." + "3" * 40: f"'0.{'3' * 35}...' has 41 digits; a number has at most 40 digits",
    "9" * 100_000: f"'{'9' * 37}...' is 100,000 characters long; {FORMS}, with at most 40 digits",
}


@pytest.mark.parametrize("text", NUMBERS)
def test_a_number_is_exactly_what_is_written(text: str) -> None:
    assert parse_number(text) == NUMBERS[text]
    assert isinstance(parse_number(text), Fraction)


@pytest.mark.parametrize("text", REFUSED, ids=lambda text: repr(text[:12]))
def test_a_text_that_is_no_number_is_refused_with_the_reason(text: str) -> None:
    assert parse_number(text) == REFUSED[text]


@pytest.mark.parametrize(
    "text", ["1" * 10**6 + "x", "1/" * 10**6, "1e" + "9" * 10**6, "_" * 10**6, "1." * 10**6]
)
def test_a_huge_text_is_refused_before_anything_is_computed(text: str) -> None:
    begin = time.perf_counter()
    assert isinstance(parse_number(text), str)
    assert time.perf_counter() - begin < 0.5


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("12", 12),
        ("-0x10", -16),
        ("1/2", "'1/2' is not a whole number"),
        ("8.0", "'8.0' is a whole number, but not written as one; write 8"),
        ("1e3", "'1e3' is a whole number, but not written as one; write 1000"),
        ("16/2", "'16/2' is a whole number, but not written as one; write 8"),
        ("many", f"'many' is not a number; {FORMS}"),
    ],
)
def test_an_integer_is_written_in_decimal_or_hexadecimal(text: str, expected: int | str) -> None:
    assert parse_integer(text) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("true", True),
        ("false", False),
        ("True", "'True' is neither true nor false; write true"),
        ("no", "'no' is neither true nor false; write false"),
        ("1", "'1' is neither true nor false"),
        ("", "'' is neither true nor false"),
    ],
)
def test_a_boolean_is_true_or_false_and_nothing_else(text: str, expected: bool | str) -> None:
    assert parse_boolean(text) == expected
    assert type(parse_boolean(text)) is type(expected)


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (Fraction(0), "0"),
        (Fraction(-273), "-273"),
        (Fraction(1, 10), "0.1"),
        (Fraction(-25, 1000), "-0.025"),
        (Fraction(10**19), "1" + "0" * 19),
        (Fraction(10**20), "1e20"),
        (Fraction(1, 65536), "0.0000152587890625"),
        (Fraction(1, 10**25), "1e-25"),
        (Fraction(1, 600_000), "1/600000"),
        (Fraction(45, 128), "0.3515625"),
        (Fraction(1, 2**40), "1/1099511627776"),
        (Fraction(10**61), "10e60"),
        (Fraction(1, 10**61), "0.1e-60"),
        (Fraction(16**40 - 1), "0x" + "f" * 40),
    ],
)
def test_a_number_is_written_as_a_person_would(number: Fraction, text: str) -> None:
    assert format_number(number) == text
    assert parse_number(text) == number


def test_a_misspelt_word_finds_the_one_that_was_meant() -> None:
    words = ["minimum", "maximum", "resolution", "out_of_range", "bits"]
    assert closest("resolutoin", words) == "resolution"
    assert closest("Out-of-Range", words) == "out_of_range"
    assert closest("out of range", words) == "out_of_range"
    assert closest("BITS", words) == "bits"
    assert closest("colour", words) is None
    assert closest("", words) is None
    assert closest("x" * 10**6, words) is None
    assert closest("bits", []) is None


def test_a_shown_text_is_short_and_cannot_steer_a_terminal() -> None:
    assert shown("caf\u00e9 'x'") == "'caf\u00e9 'x''"
    assert shown("\x1b[31m\n\u202e") == r"'\x1b[31m\n\u202e'"
    assert shown("x" * 40) == f"'{'x' * 40}'"
    assert shown("x" * 41) == f"'{'x' * 37}...'"
