"""What a student wrote, read as answers are written: with a unit, with thousands set off, with zeros that a spreadsheet took away."""

from __future__ import annotations

import re
from collections.abc import Iterator
from fractions import Fraction

_DIGITS = ("bytes", "sum", "divide")  # answered in hexadecimal digits or in bits
_WHOLE = ("encode", "flip", "size", "pass")  # a whole number is the answer
# What may stand behind the number: the unit in which the question asks. Another unit makes another answer.
_UNITS: dict[str, re.Pattern[str]] = {
    kind: re.compile(words)
    for kind, words in {
        "encode": r"",
        "decode": r"([^\W\d]|[%°/.²³])*",  # whatever the field has: V, deg, °C, m/s
        "flip": r"",
        "size": r"(bits?)?",
        "airtime": r"(ms|milliseconds?)?",
        "pass": r"(b|bytes?|octets?)?",
    }.items()
}
_NUMBER = re.compile(r"[-+]?[0-9.,]*[0-9][.,]?(e[-+]?[0-9]{1,2})?")
_GROUPED = re.compile(r"[-+]?[1-9][0-9]{0,2}([,.])[0-9]{3}(\1[0-9]{3})*")
_MOST_DIGITS = 40


def readings(kind: str, text: str) -> tuple[Fraction | str, ...]:
    """What an answer may say: numbers, or the digits of bytes and bits. What is neither stays as it is.

    A comma or a point may stand before the decimals, and where the answer is a whole number it may also set thousands off.

    >>> readings("decode", " -12,30 deg"), readings("bytes", "0x12, 0xab"), readings("pass", "1,234 bytes")
    ((Fraction(-123, 10),), ('12AB',), (Fraction(617, 500), Fraction(1234, 1)))
    """
    plain = "".join(text.split()).replace("\u2212", "-")  # the minus that typesetters write
    if kind in _DIGITS:
        return (_digits(kind, plain.upper()),)
    number = re.sub(r"(?<=[0-9])['\u2019_](?=[0-9])", "", plain.lower())
    if kind == "flip":
        number = number.removeprefix("bit")
    if re.fullmatch(r"0x[0-9a-f]{1,16}", number):
        return (Fraction(int(number, 16)),)
    found = _NUMBER.match(number)
    if found is None or len(number) > _MOST_DIGITS or not _UNITS[kind].fullmatch(number, found.end()):
        return (plain.upper(),)
    return tuple(map(Fraction, dict.fromkeys(_spelled(kind, found[0])))) or (plain.upper(),)


def _spelled(kind: str, number: str) -> Iterator[str]:
    """Yield the number with a point before its decimals and nothing else between its digits, for each way to read it."""
    marks = re.sub(r"[^,.]", "", number)
    if len(marks) <= 1:
        yield number.replace(",", ".")
    if kind in _WHOLE and _GROUPED.fullmatch(number):
        yield re.sub(r"[,.]", "", number)
    elif len(set(marks)) == 2 and number.count(marks[-1]) == 1:
        thousands, _, decimals = number.rpartition(marks[-1])
        if _GROUPED.fullmatch(thousands):
            yield f"{thousands.replace(marks[0], '')}.{decimals}"


def _digits(kind: str, written: str) -> str:
    """The digits of bytes or bits without what sets them off or says their base."""
    if kind == "divide":
        digits = written.removeprefix("0B")
    else:
        digits = re.sub(r"(?<=[0-9A-F])H", "", written.replace("0X", ""))
    return re.sub(r"[,;:_-]", "", digits)


def matches(kind: str, answer: str, written: str) -> bool:
    """Whether a student wrote this answer.

    Times on air are asked to a tenth: both ways of rounding a tenth count. Zeros in front of bytes and bits may be missing, since a
    spreadsheet takes them away where the rest is a number.
    """
    (mine, *_), theirs = readings(kind, answer), readings(kind, written)
    if isinstance(mine, str):
        return any(
            isinstance(one, str) and (one == mine or _as_saved(one) == _as_saved(mine)) for one in theirs
        )
    within = Fraction(1, 10) if kind == "airtime" else 0
    return any(isinstance(one, Fraction) and abs(mine - one) <= within for one in theirs)


def _as_saved(digits: str) -> str:
    """Digits as a spreadsheet saves them: a number has no zeros in front."""
    return str(int(digits)) if digits.isascii() and digits.isdigit() else digits
