"""How bits spell whole numbers where they are not plain binary, and numbers of as many bits as they need.

Seven bits in each octet, and an octet whose first bit is one is followed by another; or first bits that say by a table how many follow.
"""

from __future__ import annotations

from packetkit.targets.python_reader.bits import Row, _limits, _octets_reversed

# -- numbers that are not plain binary -------------------------------------------------------------


def _spelled(slot: Row, raw: int) -> int | None:
    """The number that a code spells, None where it spells none."""
    coding, bits = slot["coding"], slot["bits"]
    if coding == "first_bits":
        return _sized_number(slot["first"], raw)
    if _goes_on(slot):
        return _continued_number(coding, raw)
    if coding == "sign_and_magnitude":
        sign = 1 << (bits - 1)
        return sign - raw if raw & sign else int(raw)
    if coding == "binary_coded_decimal":
        digits = f"{raw:x}"
        return int(digits) if digits.isdecimal() else None
    shift = 1
    while shift < bits:
        raw ^= raw >> shift
        shift *= 2
    return raw


def _spelling(slot: Row, number: int) -> int:
    """The code that spells a number."""
    coding = slot.get("coding")
    if coding == "first_bits":
        return _sized_code(slot["first"], number)
    if _goes_on(slot):
        return _continued_code(str(coding), number)
    if coding == "sign_and_magnitude":
        return number if number >= 0 else (1 << (slot["bits"] - 1)) - number
    if coding == "binary_coded_decimal":
        return int(str(number), 16)
    return number ^ number >> 1 if coding else number


def _number_in(slot: Row, raw: int) -> int | None:
    """The number that the code of a count or a length spells."""
    return _spelled(slot, raw) if "coding" in slot else raw


def _number_limits(slot: Row, bits: int) -> tuple[int, int]:
    """The least and the greatest number that a count or a length can say."""
    if slot.get("coding") == "first_bits":
        ends = [(form[3], _highest(form)) for form in slot["first"]["forms"]]
        return min(low for low, _ in ends), max(high for _, high in ends)
    return _continued_limits(slot["coding"], slot["bits"]) if _goes_on(slot) else _limits(slot, bits)


def _single_code(slot: Row, codes: list[list[int]]) -> int | None:
    """The one code that some codes mean, the shortest of a number of varying size; None where they mean several."""
    if _goes_on(slot) and all(low == high for low, high in codes):
        numbers = {_spelled(slot, low) for low, _ in codes}
        number = numbers.pop()
        return None if numbers or number is None else _spelling(slot, number)
    return codes[0][0] if len(codes) == 1 and codes[0][0] == codes[0][1] else None


# -- numbers of as many bits as they need ----------------------------------------------------------


def _goes_on(slot: Row) -> bool:
    return str(slot.get("coding", "")).startswith(("continued", "first_bits"))


def _size_of(slot: Row, raw: int) -> int:
    """The bits of a code: it tells their number by itself."""
    if slot["coding"] != "first_bits":
        return 8 * _octets_in(raw)
    first = slot["first"]
    form = _form_of_raw(first, raw)
    return int(first["bits"] + (min(one[2] for one in first["forms"]) if form is None else form[2]))


def _highest(form: list[int]) -> int:
    """The greatest number of a form: the codes of its first bits from low to high, the bits that follow, the number of the first."""
    low, high, bits, offset = form
    return offset + ((high - low + 1) << bits) - 1


def _form_of_raw(first: Row, raw: int) -> list[int] | None:
    return next((one for one in first["forms"] if one[0] <= raw >> one[2] <= one[1]), None)


def _sized_number(first: Row, raw: int) -> int | None:
    form = _form_of_raw(first, raw)
    if form is None:
        return None
    low, _, bits, offset = form
    return int(offset + (((raw >> bits) - low) << bits) + _rest_turned(first, raw & ((1 << bits) - 1), bits))


def _sized_code(first: Row, number: int) -> int:
    """The code of the shortest form that has a number."""
    low, _, bits, offset = min(
        (one for one in first["forms"] if one[3] <= number <= _highest(one)), key=lambda one: int(one[2])
    )
    head, rest = divmod(number - offset, 1 << bits)
    return int((low + head) << bits | _rest_turned(first, rest, bits))


def _rest_turned(first: Row, rest: int, bits: int) -> int:
    return _octets_reversed(rest, bits) if "turned" in first else rest


def _octets_in(code: int) -> int:
    """The octets of a code: only the last begins with a zero, so the code tells their number by itself."""
    return max(1, -(-code.bit_length() // 8))


def _continued_number(coding: str, code: int) -> int | None:
    """The number that octets spell, None where they do not end where they say."""
    octets = code.to_bytes(_octets_in(code), "big")
    if any(one < 0x80 for one in octets[:-1]) or octets[-1] >= 0x80:
        return None
    number = 0
    for one in octets if coding == "continued_high_first" else octets[::-1]:
        number = number << 7 | one & 0x7F
    if coding == "continued_low_first_signed" and octets[-1] & 0x40:
        number -= 1 << 7 * len(octets)
    return number


def _continued_code(coding: str, number: int) -> int:
    """The fewest octets that spell a number, the first highest."""
    groups, is_signed = [number & 0x7F], coding == "continued_low_first_signed"
    while not (-64 <= number < 64 if is_signed else number < 128):
        number >>= 7
        groups.append(number & 0x7F)
    if coding == "continued_high_first":
        groups.reverse()
    return int.from_bytes(bytes([*(0x80 | one for one in groups[:-1]), groups[-1]]), "big")


def _continued_limits(coding: str, bits: int) -> tuple[int, int]:
    """The least and the greatest number that so many bits of octets spell."""
    most = bits // 8 * 7
    return (-(1 << (most - 1)), (1 << (most - 1)) - 1) if coding.endswith("signed") else (0, (1 << most) - 1)
