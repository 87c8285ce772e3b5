"""How the bits of a field spell a whole number where they are not plain binary: rows of a table, each both ways.

A slot's raw code stays what lies on the wire, so that bits that spell nothing (a digit above 9, a negative zero) are kept in detail
and encode back; the number that they spell is what scale and offset turn into a value. `Slot.legal` counts such numbers.

Sources: sign and magnitude, BCD 8421 and the reflected binary (Gray) code, US patent 2,632,058; common practice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

BAD_DIGIT = "bad digit"  # the reason of a code that spells no number


@dataclass(frozen=True, slots=True)
class Coding:
    """One way to spell whole numbers in `width` bits.

    limits: the least and the greatest number. number_of: what a code spells, None for nothing. code_of: the code that is sent.
    """

    name: str
    words: str
    least_bits: int
    limits: Callable[[int], tuple[int, int]]
    number_of: Callable[[int, int], int | None]
    code_of: Callable[[int, int], int]


def _magnitude_limits(width: int) -> tuple[int, int]:
    most = (1 << (width - 1)) - 1
    return -most, most


def _from_magnitude(width: int, code: int) -> int:
    sign = 1 << (width - 1)
    return sign - code if code & sign else code


def _to_magnitude(width: int, number: int) -> int:
    return number if number >= 0 else (1 << (width - 1)) - number


def _digit_limits(width: int) -> tuple[int, int]:
    digits, over = divmod(width, 4)
    first = (
        min((1 << over) - 1, 9) if over else 0
    )  # the first digit may have fewer bits: tens of minutes have three
    return 0, (first + 1) * 10**digits - 1


def _from_digits(width: int, code: int) -> int | None:
    """Four bits a digit from the low end up.

    >>> _from_digits(8, 0x59), _from_digits(8, 0x5A)
    (59, None)
    """
    digits = f"{code:x}"
    return int(digits) if digits.isdecimal() else None


def _to_digits(width: int, number: int) -> int:
    return int(str(number), 16)


def _gray_limits(width: int) -> tuple[int, int]:
    return 0, (1 << width) - 1


def _from_gray(width: int, code: int) -> int:
    """Each bit of the number is the parity of the code's bits from the top down to it.

    >>> [_from_gray(2, code) for code in (0b00, 0b01, 0b11, 0b10)]
    [0, 1, 2, 3]
    """
    shift = 1
    while shift < width:
        code ^= code >> shift
        shift *= 2
    return code


def _to_gray(width: int, number: int) -> int:
    return number ^ number >> 1


CODINGS: dict[str, Coding] = {
    one.name: one
    for one in (
        Coding(
            "sign_and_magnitude", "sign and magnitude", 2, _magnitude_limits, _from_magnitude, _to_magnitude
        ),
        Coding("binary_coded_decimal", "BCD", 1, _digit_limits, _from_digits, _to_digits),
        Coding("gray", "Gray code", 1, _gray_limits, _from_gray, _to_gray),
    )
}
