"""Pasted text to bytes: hexadecimal with any separators, and base64.

The rule kept here: nothing is guessed. Each reading is a function that refuses what it cannot be, with the
line; `readings` gives all that are possible, and whoever asked decides or asks the user. What would surprise
a reader: hexadecimal without separators is nearly always base64 as well, because many programs write base64
without its padding (RFC 4648, section 3.2), so it has two readings. Hexadecimal with spaces, colons, commas
or 0x has one.
"""

from __future__ import annotations

import re
from binascii import Error, a2b_base64
from contextlib import suppress

from packetkit.errors import InputError

# Everything before a brace may be the left side of an assignment in C.
_BRACES = re.compile(r"[^{}]*\{([^{}]*)\}\s*;?\s*")
_SEPARATORS = re.compile(r"[\s,;:-]+")
_OCTETS = re.compile(r"(?:0[xX])?((?:[0-9A-Fa-f]{2})+)|0[xX]([0-9A-Fa-f])")

_STANDARD = re.compile(r"([A-Za-z0-9+/]*)(={0,2})")
_URL_SAFE = re.compile(r"([A-Za-z0-9_-]*)(={0,2})")
_TO_STANDARD = str.maketrans("-_", "+/")

_TEXT = bytes(range(0x20, 0x7F)) + b"\t\n\f\r"
_MARKS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))


def text_of(data: bytes) -> str | None:
    """Return the text that bytes are, or None where they hold anything but printable ASCII and line ends.

    A byte-order mark in front is understood: some shells write UTF-16 when output is sent to a file.
    """
    try:
        text = data.decode(mark_of(data) or "ascii")
    except UnicodeDecodeError:
        return None
    return text if text.isascii() and is_text(text.encode()) else None


def mark_of(data: bytes) -> str | None:
    """Return the encoding whose byte-order mark stands in front, None where none does."""
    return next((encoding for mark, encoding in _MARKS if data.startswith(mark)), None)


def is_text(data: bytes) -> bool:
    """Return whether bytes are all printable ASCII, tabs and line ends."""
    return not data.translate(None, _TEXT)


def from_hex(text: str) -> bytes:
    """Return the bytes of hexadecimal text: `b921`, `B9 21`, `b9:21`, `0xb9, 0x21`, `{0xb9, 0x21};`, lines.

    Digits stand in pairs, high digit first, in the order of the bytes; one digit alone needs 0x before it.
    Raises InputError with line and word.
    """
    braces = _BRACES.fullmatch(text)
    if braces is not None:
        text = "\n" * text.count("\n", 0, braces.start(1)) + braces[1]
    return b"".join(_hex_line(line, number) for number, line in enumerate(text.splitlines(), 1))


def _hex_line(line: str, number: int) -> bytes:
    with suppress(ValueError):  # the usual line, at the speed of C
        return bytes.fromhex(line)
    made = bytearray()
    for word in _SEPARATORS.split(line.replace("\\x", " 0x")):
        if not word:
            continue
        match = _OCTETS.fullmatch(word)
        if match is None:
            raise InputError(
                f"line {number}: {_shown(word)} is not hexadecimal: bytes are pairs of the digits 0 to f. "
                "Leave out offsets and text beside the bytes"
            )
        made += bytes.fromhex(match[1] or "0" + match[2])
    return bytes(made)


def from_base64(text: str) -> bytes:
    """Return the bytes of base64 text, standard or URL-safe alphabet, in one line or several (RFC 4648).

    Lines are whole groups of four characters; one line alone may lack its padding. Raises InputError with
    the line.
    """
    lines = [(number, line.strip()) for number, line in enumerate(text.splitlines(), 1) if line.strip()]
    alphabet = (
        _URL_SAFE if any(_URL_SAFE.fullmatch(line) is None for _, line in lines) is False else _STANDARD
    )
    made = []
    for number, line in lines:
        match = alphabet.fullmatch(line)
        if match is None:
            raise InputError(f"line {number}: {_shown(line)} is not base64: it holds other characters")
        digits, padding = match[1], match[2]
        whole = (not padding and len(lines) == 1) or (len(digits) + len(padding)) % 4 == 0
        if len(digits) % 4 == 1 or not whole:
            raise InputError(
                f"line {number}: {_shown(line)} is not base64: {len(line)} characters are not whole groups of "
                "four; the last group is filled with ="
            )
        try:
            made.append(a2b_base64(digits.translate(_TO_STANDARD) + "=" * (-len(digits) % 4)))
        except Error as error:
            raise InputError(f"line {number}: {_shown(line)} is not base64: {error}") from error
    return b"".join(made)


# Fewer digits 0 and 1 may well be hexadecimal; more are by chance one text in 2**192.
FEWEST_BITS = 64


def may_be_bits(text: str) -> bool:
    """Return whether text is digits 0 and 1 alone, and so many that it may be demodulated bits."""
    digits = "".join(text.split())
    return len(digits) >= FEWEST_BITS and not digits.strip("01")


READINGS = {"hex": from_hex, "base64": from_base64}


def readings(text: str) -> dict[str, bytes]:
    """Return every reading that the text allows, by name. Raises InputError, saying why, where it has none."""
    possible: dict[str, bytes] = {}
    refused = []
    for name in READINGS:
        found, reason = _reading(name, text)
        if found is not None:
            possible[name] = found
        refused.append(f"as {name}: {reason}")
    if not possible:
        raise InputError("the text is neither hexadecimal nor base64\n  " + "\n  ".join(refused))
    return possible


def _reading(name: str, text: str) -> tuple[bytes | None, str]:
    try:
        return READINGS[name](text), ""
    except InputError as error:
        return None, str(error)


def _shown(word: str) -> str:
    return repr(word) if len(word) <= 24 else repr(word[:20]) + "..."
