"""Codes of one width in a row, as one number and back: whole octets at a time, so that the time grows with their number, not its square."""

from __future__ import annotations


def codes_in(number: int, count: int, width: int, low_first: bool) -> list[int]:
    """Return so many codes of one width that stand in a number, in wire order."""
    mask = (1 << width) - 1
    shifts = range(0, count * width, width) if low_first else range((count - 1) * width, -1, -width)
    return [number >> shift & mask for shift in shifts]


def joined(codes: list[int], width: int) -> int:
    """Return codes of one width, one after another from the top, as one number: in a time that grows with their number."""
    return int.from_bytes(_octets(codes, width, "big"), "big") >> (-len(codes) * width) % _group(width)


def joined_low(codes: list[int], width: int) -> int:
    """Return codes of one width, one after another from the low end, as one number."""
    return int.from_bytes(_octets(codes, width, "little"), "little")


def _group(width: int) -> int:
    """Bits of the least number of codes that fill whole octets."""
    while width % 8:
        width *= 2
    return width


def _octets(codes: list[int], width: int, order: str) -> bytes:
    """Codes as octets, the last group filled up with zeros."""
    bits_in_group = _group(width)
    many = bits_in_group // width
    pieces = []
    for at in range(0, len(codes), many):
        group = codes[at : at + many]
        number = 0
        if order == "big":
            for one in group:
                number = number << width | one
            number <<= (many - len(group)) * width
        else:
            for one in reversed(group):
                number = number << width | one
        pieces.append(number.to_bytes(bits_in_group // 8, order))  # type: ignore[arg-type]
    return b"".join(pieces)
