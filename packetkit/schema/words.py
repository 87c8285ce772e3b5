"""The words inside a schema's scalars: exact numbers, booleans, and what a misspelt word was meant to be.

A function that cannot read a text returns the sentence that says why: the caller knows the place and goes
on collecting. Every bound is checked on the characters, before anything is computed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from fractions import Fraction

MAXIMUM_DIGITS = 40
MAXIMUM_EXPONENT = 60
MAXIMUM_POWER = 128  # of two: its digits are as many as a number may have

# Core schema of YAML 1.2.2 (section 10.3.2) for decimals, less octal, infinities and leading zeros; `a/b`
# and a sign before 0x are ours. Every repetition is followed by a character it cannot match, so no text
# makes the match slow.
_NUMBER = re.compile(
    r"(?P<sign>[+-]?)(?:0x(?P<hex>[0-9a-fA-F]+)|(?P<over>[0-9]+)/(?P<under>[0-9]+)|2\^(?P<power>[+-]?[0-9]+)"
    r"|(?P<whole>[0-9]+)?(?P<point>\.(?P<part>[0-9]*))?(?:[eE](?P<exponent>[+-]?[0-9]+))?)\Z"
)
_LEADING_ZERO = re.compile(r"[+-]?0[0-9]")
_FORMS = "a number is written as 12, -0.5, 1.5e-3, 0x1F, 1/16 or 2^-43"
# Long enough for two numbers of 40 digits, a sign and a stroke; nothing longer is even looked at.
_LONGEST_NUMBER = 2 * MAXIMUM_DIGITS + 8


def parse_number(text: str) -> Fraction | str:
    """Return the exact number that a text writes, or the sentence that says why it writes none.

    An integer, a decimal with or without exponent, 0x and hexadecimal digits, a/b, or a power of two, each with
    an optional sign; at most MAXIMUM_DIGITS digits, an exponent within MAXIMUM_EXPONENT and a power within
    MAXIMUM_POWER, counted before anything is computed.

    >>> parse_number("1/16"), parse_number("-1.5e-3"), parse_number("0x1F"), parse_number("2^-4")
    (Fraction(1, 16), Fraction(-3, 2000), Fraction(31, 1), Fraction(1, 16))
    """
    if len(text) > _LONGEST_NUMBER:
        return (
            f"{shown(text)} is {len(text):,} characters long; {_FORMS}, with at most {MAXIMUM_DIGITS} digits"
        )
    match = _NUMBER.match(text)
    if match is None or not any(match.group("hex", "over", "power", "whole", "part")):
        return _no_number(text)
    if _LEADING_ZERO.match(text):
        return f"{shown(text)} starts with a zero, which some programs read as octal; leave the zero out"
    digits = [len(run or "") for run in match.group("hex", "over", "under", "whole", "part")]
    longest = max(*digits[:3], digits[3] + digits[4])
    if longest > MAXIMUM_DIGITS:
        return f"{shown(text)} has {longest} digits; a number has at most {MAXIMUM_DIGITS} digits"
    sign = -1 if match["sign"] == "-" else 1
    if match["hex"]:
        return Fraction(sign * int(match["hex"], 16))
    if match["power"]:
        return _power_of_two(text, sign, int(match["power"]))
    if match["over"]:
        under = int(match["under"])
        return (
            Fraction(sign * int(match["over"]), under)
            if under
            else f"{shown(text)} divides by zero; write a number above zero after the stroke"
        )
    exponent = int(match["exponent"] or 0)  # at most _LONGEST_NUMBER digits
    if abs(exponent) > MAXIMUM_EXPONENT:
        limits = f"is not between -{MAXIMUM_EXPONENT} and {MAXIMUM_EXPONENT}"
        return (
            f"the exponent of {shown(text)} {limits}; a unit nearer to what is measured needs no such number"
        )
    part = match["part"] or ""
    return sign * Fraction(int((match["whole"] or "") + part)) * Fraction(10) ** (exponent - len(part))


def _power_of_two(text: str, sign: int, power: int) -> Fraction | str:
    """The scale factors of navigation messages; the power is at most _LONGEST_NUMBER digits, and few are computed with."""
    if abs(power) > MAXIMUM_POWER:
        return f"the power of {shown(text)} is not between -{MAXIMUM_POWER} and {MAXIMUM_POWER}"
    return sign * Fraction(2) ** power


def _no_number(text: str) -> str:
    stripped = text.replace("_", "").replace(",", "").replace(" ", "")
    hint = ""
    if stripped != text and _NUMBER.match(stripped) and any(c.isdigit() for c in stripped):
        hint = (
            "; leave out spaces, commas and underscores"
            if "," not in text
            else "; the decimal mark is a point"
        )
    return f"{shown(text)} is not a number; {_FORMS}{hint}"


def parse_integer(text: str) -> int | str:
    """Return the integer that a text writes, in decimal or after 0x, or the sentence that says why not."""
    number = parse_number(text)
    if isinstance(number, str):
        return number
    if number.denominator != 1:
        return f"{shown(text)} is not a whole number"
    if not re.fullmatch(r"[+-]?(?:0x[0-9a-fA-F]+|[0-9]+)", text):
        return f"{shown(text)} is a whole number, but not written as one; write {format_number(number)}"
    return number.numerator


# What other programs, and other versions of YAML, read as true and false.
_TRUTHS = {"yes": "true", "on": "true", "true": "true", "no": "false", "off": "false", "false": "false"}


def is_nearly_boolean(text: str) -> bool:
    """Whether a text would be true or false elsewhere: `yes`, `Off`, `True`."""
    return text.lower() in _TRUTHS


def parse_boolean(text: str) -> bool | str:
    """Return True for `true` and False for `false`, or the sentence that says what else was written."""
    if text in ("true", "false"):
        return text == "true"
    hint = f"; write {_TRUTHS[text.lower()]}" if is_nearly_boolean(text) else ""
    return f"{shown(text)} is neither true nor false{hint}"


def format_number(number: Fraction) -> str:
    """Return the exact text of a number that `parse_number` reads back.

    A decimal where it ends within 20 digits, with an exponent where that is what it takes; else a/b, or 0x
    for the longest integers. A number that takes more than MAXIMUM_DIGITS any way it is written (the result
    of a computation, never of a schema) is still exact, and cannot be read back.

    >>> [format_number(Fraction(text)) for text in ("-2.73", "1/600000", "1e30")]
    ['-2.73', '1/600000', '1e30']
    """
    sign = "-" if number < 0 else ""
    over, under = abs(number.numerator), number.denominator
    ratio = f"{over}/{under}"
    decimal = _decimal(over, under)
    if decimal is None:
        return sign + ratio
    mantissa, exponent = decimal
    plain = _placed(mantissa, exponent)
    if sum(map(str.isdigit, plain)) <= 20:
        return sign + plain
    short_ratio = under > 1 and max(len(str(over)), len(str(under))) <= MAXIMUM_DIGITS
    if len(mantissa) > 20 and short_ratio:
        return sign + ratio
    if len(mantissa) > MAXIMUM_DIGITS and under == 1:
        return f"{sign}0x{over:x}"
    power = len(mantissa) - 1 + exponent
    power = max(-MAXIMUM_EXPONENT, min(MAXIMUM_EXPONENT, power))
    return f"{sign}{_placed(mantissa, exponent - power)}e{power}"


def _decimal(over: int, under: int) -> tuple[str, int] | None:
    """Return digits, without trailing zeros, and power of ten of a ratio; None where it never ends."""
    twos = (under & -under).bit_length() - 1
    rest, fives = under >> twos, 0
    while rest % 5 == 0:
        rest, fives = rest // 5, fives + 1
    if rest != 1:
        return None
    places = max(twos, fives)
    digits = str(over * 10**places // under)
    stripped = digits.rstrip("0") or "0"
    return stripped, 0 if stripped == "0" else len(digits) - len(stripped) - places


def _placed(digits: str, exponent: int) -> str:
    """Return digits times ten to the exponent, written out with a point where one is needed."""
    if exponent >= 0:
        return digits + "0" * exponent
    if len(digits) > -exponent:
        return f"{digits[:exponent]}.{digits[exponent:]}"
    fraction = digits.rjust(-exponent, "0")
    return ("0." if len(fraction) < MAXIMUM_DIGITS else ".") + fraction


def shown(text: str, limit: int = 40) -> str:
    """Return a text in quotes, safe to print: cut at `limit` characters, what does not print escaped."""
    cut = text if len(text) <= limit else text[: limit - 3] + "..."
    return "'" + "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in cut) + "'"


def closest(word: str, choices: Iterable[str]) -> str | None:
    """Return the choice that a misspelt word most likely means, or None where none is near.

    >>> closest("resolutoin", ["minimum", "maximum", "resolution"])
    'resolution'
    """
    if len(word) > 64:  # the comparison is quadratic, and nothing this long is a slip of the keyboard
        return None
    from difflib import get_close_matches

    tidy = word.strip().lower().replace("-", "_").replace(" ", "_")
    by_tidy = {choice.lower().replace("-", "_"): choice for choice in choices}
    near = get_close_matches(tidy, by_tidy, n=1, cutoff=0.6)
    return by_tidy[near[0]] if near else None


def whole(number: int) -> str:
    """A whole number, short where it is a one with sixty zeros."""
    return format_number(Fraction(number))
