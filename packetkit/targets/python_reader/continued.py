"""Numbers of as many octets as they need: seven bits in each, and an octet whose first bit is one is followed by another."""

from __future__ import annotations

from packetkit.targets.python_reader.bits import Row

# -- numbers of as many octets as they need --------------------------------------------------------


def _goes_on(slot: Row) -> bool:
    return str(slot.get("coding", "")).startswith("continued")


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
