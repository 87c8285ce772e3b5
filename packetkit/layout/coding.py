"""How the bits of a field spell a whole number where they are not plain binary: rows of a table, each both ways.

A slot's raw code stays what lies on the wire, so that bits that spell nothing (a digit above 9, a negative zero) are kept in detail
and encode back; the number that they spell is what scale and offset turn into a value. `Slot.legal` counts such numbers.

Some codings are `continued`: the number has as many octets as it needs, seven bits in each, and an octet whose first bit is one is
followed by another. Its raw code is those octets as they lie, the first highest; `width` bits are the most.

Sources: sign and magnitude, BCD 8421 and the reflected binary (Gray) code, US patent 2,632,058; numbers that go on: DWARF 4 section 7.6
(low group first, and signed), MQTT 3.1.1 section 2.2.3, Standard MIDI Files 1.0 (high group first); common practice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

from packetkit.layout.first_bits import WORD, FirstBits, of_name

BAD_DIGIT = "bad digit"  # the reason of a code that spells no number


@dataclass(frozen=True, slots=True)
class Coding:
    """One way to spell whole numbers in `width` bits.

    limits: the least and the greatest number. number_of: what a code spells, None for nothing. code_of: the code that is sent.
    continued: it goes on from octet to octet, so that a number's size varies. first: its first bits say how long it is; so too, then.
    """

    name: str
    words: str
    least_bits: int
    limits: Callable[[int], tuple[int, int]]
    number_of: Callable[[int, int], int | None]
    code_of: Callable[[int, int], int]
    continued: bool = False
    first: FirstBits | None = None

    def sizes(self, width: int) -> tuple[int, ...]:
        """The bits that a number can have, ascending, where `width` are the most."""
        if self.first is not None:
            return self.first.sizes
        return tuple(range(8, width + 1, 8)) if self.continued else (width,)

    def bits_of(self, code: int) -> int:
        """The bits that the code of a number of varying size has."""
        return 8 * size_of(code) if self.first is None else self.first.size_of(code)


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


def width_for(name: str, bits: int) -> int:
    """The most bits on the wire of a number of so many bits in a coding (empty: plain binary)."""
    first = CODINGS[name].first if name else None
    if first is not None:
        return first.sizes[-1]
    return 8 * octets_for(bits) if name and CODINGS[name].continued else bits


def limits_for(name: str, bits: int) -> tuple[int, int]:
    """The least and the greatest number of so many bits in a coding."""
    coding = CODINGS[name]
    if not coding.continued or coding.first is not None:
        return coding.limits(bits)
    signed = coding.limits(width_for(name, bits))[0] < 0
    return (-1 << bits - 1, (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)


# -- numbers that go on from octet to octet ---------------------------------------------------------------------------------

GROUP = 7  # bits of the number in an octet


def octets_for(bits: int) -> int:
    """The most octets of a continued number of so many bits."""
    return -(-bits // GROUP)


def size_of(code: int) -> int:
    """The octets that a continued number's code has: only the last begins with a zero, so a code tells it by itself."""
    return max(1, (code.bit_length() + 7) // 8)


def _groups(width: int, code: int) -> list[int] | None:
    """The seven bits of each octet as they lie; None where the octets do not end where they say."""
    size = size_of(code)
    octets = code.to_bytes(size, "big")
    goes_on = [octet >> GROUP for octet in octets]
    if size * 8 > width or goes_on != [1] * (size - 1) + [0]:
        return None
    return [octet & 0x7F for octet in octets]


def _code(groups: list[int]) -> int:
    """The code of groups of seven bits as they lie."""
    return int.from_bytes(bytes([*(0x80 | group for group in groups[:-1]), groups[-1]]), "big")


def _joined(groups: list[int]) -> int:
    number = 0
    for group in groups:
        number = number << GROUP | group
    return number


def _split(number: int) -> list[int]:
    """A number's groups, the low one first, as few as there can be."""
    groups = [number & 0x7F]
    while number := number >> GROUP:
        groups.append(number & 0x7F)
    return groups


def _continued_limits(width: int) -> tuple[int, int]:
    return 0, (1 << width // 8 * GROUP) - 1


def _from_low_first(width: int, code: int) -> int | None:
    """The first octet has the number's lowest bits.

    >>> _from_low_first(32, 0xE58E26), _to_low_first(32, 624485) == 0xE58E26
    (624485, True)
    """
    groups = _groups(width, code)
    return None if groups is None else _joined(groups[::-1])


def _to_low_first(width: int, number: int) -> int:
    return _code(_split(number))


def _from_high_first(width: int, code: int) -> int | None:
    """The first octet has the number's highest bits.

    >>> _from_high_first(32, 0xC000), _to_high_first(32, 0x2000) == 0xC000
    (8192, True)
    """
    groups = _groups(width, code)
    return None if groups is None else _joined(groups)


def _to_high_first(width: int, number: int) -> int:
    return _code(_split(number)[::-1])


def _signed_limits(width: int) -> tuple[int, int]:
    half = 1 << width // 8 * GROUP - 1
    return -half, half - 1


def _from_signed(width: int, code: int) -> int | None:
    """Two's complement: the last octet's second bit is the sign.

    >>> _from_signed(32, 0xC0BB78), _to_signed(32, -123456) == 0xC0BB78
    (-123456, True)
    """
    groups = _groups(width, code)
    if groups is None:
        return None
    number = _joined(groups[::-1])
    return number - (1 << GROUP * len(groups)) if groups[-1] & 0x40 else number


def _to_signed(width: int, number: int) -> int:
    groups = [number & 0x7F]
    while not -64 <= number < 64:
        number >>= GROUP
        groups.append(number & 0x7F)
    return _code(groups)


class _Codings(dict[str, Coding]):
    """The rows by name; that of a coding by first bits is made of its name, which says all of it."""

    def __missing__(self, name: str) -> Coding:
        if not name.startswith(WORD):
            raise KeyError(name)
        return _by_first_bits(name)


@cache
def _by_first_bits(name: str) -> Coding:
    first = of_name(name)
    return Coding(
        name,
        first.words,
        1,
        lambda _: first.limits,
        lambda _, code: first.number_of(code),
        lambda _, number: first.code_of(number),
        continued=True,
        first=first,
    )


def codes_for(name: str, width: int, low: int, high: int) -> list[tuple[int, int]] | None:
    """Return the raw codes, as ranges, of numbers from low to high in a coding of varying size, needed octets or not.

    None where the codes of a range are not side by side: with its low groups first, neighbours differ in the code's first octet.
    """
    first = CODINGS[name].first
    if first is not None:
        return first.codes_for(low, high)
    if name == "continued_high_first":
        return _high_first_codes(width, low, high)
    if low != high:
        return None
    groups = _groups(width, CODINGS[name].code_of(width, low)) or []
    more = 0x7F if low < 0 else 0
    longer = [groups + [more] * (octets - len(groups)) for octets in range(len(groups), width // 8 + 1)]
    return [(code, code) for code in map(_code, longer)]


def _high_first_codes(width: int, low: int, high: int) -> list[tuple[int, int]]:
    """For each number of octets the codes that rise with the number; what lies between them and spells none is never read."""
    found = []
    for octets in range(1, width // 8 + 1):
        ends = (low, min(high, (1 << GROUP * octets) - 1))
        if ends[0] <= ends[1]:
            first, last = (
                _code([end >> GROUP * at & 0x7F for at in reversed(range(octets))]) for end in ends
            )
            found.append((first, last))
    return found


CODINGS: dict[str, Coding] = _Codings(
    (one.name, one)
    for one in (
        Coding(
            "sign_and_magnitude", "sign and magnitude", 2, _magnitude_limits, _from_magnitude, _to_magnitude
        ),
        Coding("binary_coded_decimal", "BCD", 1, _digit_limits, _from_digits, _to_digits),
        Coding("gray", "Gray code", 1, _gray_limits, _from_gray, _to_gray),
        Coding(
            "continued_low_first",
            "seven bits an octet, the low ones first",
            1,
            _continued_limits,
            _from_low_first,
            _to_low_first,
            continued=True,
        ),
        Coding(
            "continued_low_first_signed",
            "signed, seven bits an octet, the low ones first",
            2,
            _signed_limits,
            _from_signed,
            _to_signed,
            continued=True,
        ),
        Coding(
            "continued_high_first",
            "seven bits an octet, the high ones first",
            1,
            _continued_limits,
            _from_high_first,
            _to_high_first,
            continued=True,
        ),
    )
)
