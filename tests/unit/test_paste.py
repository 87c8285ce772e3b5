"""Pasted text to bytes: every spelling of the same bytes, every possible reading, and what is refused."""

from __future__ import annotations

import re
from base64 import b64encode, urlsafe_b64encode

import pytest
from hypothesis import given
from hypothesis import strategies as st

from packetkit.captures import paste
from packetkit.errors import InputError

BYTES = bytes.fromhex("b92105")

SPELLINGS = (
    "b92105",
    "B9 21 05",
    "b9:21:05",
    "b9-21-05",
    "b9,21,05",
    "b9; 21; 05",
    "0xb9 0x21 0x05",
    "0XB9,0x21,0x5",
    "0xb92105",
    "\\xb9\\x21\\x05",
    "{0xB9, 0x21, 0x05}",
    "static const uint8_t frame[3] = {\n  0xB9, 0x21,\n  0x05,\n};\n",
    "b9\n21\r\n05\n",
    "\tb921\n\n05",
)


@pytest.mark.parametrize("text", SPELLINGS)
def test_every_spelling_of_hexadecimal_gives_the_same_bytes(text: str) -> None:
    assert paste.from_hex(text) == BYTES


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("b92", 1),
        ("b9 2 1", 1),
        ("b9\n0000010 21", 2),  # the offset column of a dump
        ("b9 21  |.!|", 1),
        ("{0xb9\n0xzz}", 2),
        ("0x123", 1),
        ("grey", 1),
    ],
)
def test_what_is_no_pair_of_digits_is_refused_with_its_line(text: str, line: int) -> None:
    with pytest.raises(InputError, match=f"^line {line}: .*is not hexadecimal"):
        paste.from_hex(text)


# RFC 4648, section 10, test vectors for BASE64.
RFC_4648 = {
    "": b"",
    "Zg==": b"f",
    "Zm8=": b"fo",
    "Zm9v": b"foo",
    "Zm9vYg==": b"foob",
    "Zm9vYmE=": b"fooba",
    "Zm9vYmFy": b"foobar",
}


@pytest.mark.parametrize("text", RFC_4648)
def test_base64_gives_the_bytes_of_the_standard(text: str) -> None:
    assert paste.from_base64(text) == RFC_4648[text]
    assert paste.from_base64(text.rstrip("=")) == RFC_4648[text]
    assert paste.from_base64("Zm9v\n" + text) == b"foo" + RFC_4648[text]


def test_the_url_safe_alphabet_is_read_too_but_not_both_at_once() -> None:
    assert paste.from_base64("-_-_") == paste.from_base64("+/+/") == bytes.fromhex("fbffbf")
    with pytest.raises(InputError, match="line 1"):
        paste.from_base64("-_+/")


@pytest.mark.parametrize("text", ["Zg=", "Zg===", "A", "Zm9vY", "Zm 9v", "Zg==Zg", "Zm8=\nZg", "Zm9v!"])
def test_what_is_no_whole_group_of_base64_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="is not base64"):
        paste.from_base64(text)


def test_text_with_two_readings_has_both() -> None:
    # `6c6162656c` is "label" in hexadecimal; in base64 ten digits are 7 bytes (by hand: 58 28 58 53 is E9 CE B5).
    found = paste.readings("6c6162656c")
    assert found["hex"] == b"label"
    assert found["base64"] == bytes.fromhex("e9ceb5eb6eb9e9")
    assert list(found) == ["hex", "base64"]


@pytest.mark.parametrize("text", ["B9 21 05", "0xb9,0x21", "b9:21:05", "11\n22\n33", "{0xb9}"])
def test_hexadecimal_with_separators_has_one_reading(text: str) -> None:
    assert list(paste.readings(text)) == ["hex"]


def test_base64_with_a_digit_that_hexadecimal_lacks_has_one_reading() -> None:
    assert paste.readings("Zm9vYmFy") == {"base64": b"foobar"}


def test_text_without_any_reading_is_refused_with_the_reasons() -> None:
    with pytest.raises(InputError) as caught:
        paste.readings("hello, world")
    assert re.search("as hex: line 1: 'hello'.*\n.*as base64: line 1", str(caught.value))


def test_text_is_told_from_binary_and_marks_in_front_are_understood() -> None:
    assert paste.text_of(b"b9 21\r\n") == "b9 21\r\n"
    assert paste.text_of(b"\xef\xbb\xbfb9 21") == "b9 21"
    assert paste.text_of("b9 21".encode("utf-16")) == "b9 21"
    assert paste.text_of("b9 21 é".encode()) is None
    assert paste.text_of(b"\xff\xfe\x00") is None
    assert paste.text_of(b"b9\x0021") is None


@given(st.binary(max_size=80), st.sampled_from([" ", ":", "-", ", ", "\n", ";"]))
def test_bytes_written_in_any_way_come_back(data: bytes, separator: str) -> None:
    assert paste.from_hex(data.hex(" ").replace(" ", separator)) == data
    assert paste.from_hex(separator.join(f"0x{octet:02X}" for octet in data)) == data
    assert paste.from_base64(b64encode(data).decode()) == data
    assert paste.from_base64(urlsafe_b64encode(data).decode().rstrip("=")) == data


@given(st.text(alphabet="0123456789abcdefABCDEFxX+/=-_{}, :\n\\zZ", max_size=40) | st.text(max_size=30))
def test_any_text_gives_readings_or_one_documented_error(text: str) -> None:
    try:
        found = paste.readings(text)
    except InputError:
        return
    assert found.keys() <= {"hex", "base64"} and found
