"""Damage as a device: octets in, octets with a named fault out, and every choice follows from a seeded generator.

The modes are what links, memories and cables do: `flip` single bits, a `burst` of them, octets that `drop` out, octets that
come twice (`duplicate`), an end that is cut off (`truncate`). One call makes one fault; whoever wants several calls again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeVar

T = TypeVar("T")


class Chance(Protocol):
    """Where choices come from: a `random.Random` with its seed, or whatever answers these two questions like one."""

    def randint(self, low: int, high: int, /) -> int:
        """A whole number from low to high, both included."""

    def choice(self, options: Sequence[T], /) -> T:
        """One of the options."""


@dataclass(frozen=True, slots=True)
class Damage:
    """Octets with one fault. at: the first bit that is not as it was sent (8 * octet, most significant bit first)."""

    mode: str
    data: bytes
    at: int

    def __str__(self) -> str:
        return f"{self.mode} at bit {self.at}"


def flip(data: bytes, chance: Chance, most: int = 3) -> Damage:
    """Return data with one to `most` bits inverted, mostly one."""
    total = len(data) * 8
    wanted = 1 if chance.randint(0, 1) else chance.randint(1, min(most, total))
    bits = sorted({chance.randint(0, total - 1) for _ in range(wanted)})
    return Damage("flip", flipped(data, bits), bits[0])


def flipped(data: bytes, bits: Sequence[int]) -> bytes:
    """Return data with these bits inverted; bit b is in octet b//8, at 7 - b%8."""
    made = bytearray(data)
    for bit in bits:
        made[bit >> 3] ^= 0x80 >> (bit & 7)
    return bytes(made)


def burst(data: bytes, chance: Chance, most: int = 32) -> Damage:
    """Return data with a stretch of 2 to `most` bits in which the first and last are wrong and any between may be."""
    total = len(data) * 8
    length = chance.randint(2, max(2, min(most, total)))
    start = chance.randint(0, max(total - length, 0))
    inside = [bit for bit in range(start + 1, start + length - 1) if chance.randint(0, 1)]
    ends = [bit for bit in (start, start + length - 1) if bit < total]
    return Damage("burst", flipped(data, [*ends, *inside]), start)


def drop(data: bytes, chance: Chance, most: int = 4) -> Damage:
    """Return data without one to `most` octets that stood together."""
    count = chance.randint(1, min(most, len(data)))
    at = chance.randint(0, len(data) - count)
    return Damage("drop", data[:at] + data[at + count :], at * 8)


def duplicate(data: bytes, chance: Chance, most: int = 4) -> Damage:
    """Return data in which one to `most` octets come twice."""
    count = chance.randint(1, min(most, len(data)))
    at = chance.randint(0, len(data) - count)
    return Damage("duplicate", data[: at + count] + data[at:], (at + count) * 8)


def truncate(data: bytes, chance: Chance) -> Damage:
    """Return the beginning of data, at least one octet short; it may be empty."""
    left = chance.randint(0, len(data) - 1)
    return Damage("truncate", data[:left], left * 8)


MODES: dict[str, Callable[[bytes, Chance], Damage]] = {
    "flip": flip,
    "burst": burst,
    "drop": drop,
    "duplicate": duplicate,
    "truncate": truncate,
}


def inject(data: bytes, chance: Chance, mode: str | None = None) -> Damage:
    """Return data with one fault of that mode, or of any. Raises ValueError for no data, KeyError for no such mode."""
    if not data:
        raise ValueError("there is nothing to damage in no bytes at all")
    return MODES[chance.choice(tuple(MODES)) if mode is None else mode](data, chance)
