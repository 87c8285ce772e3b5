"""The text of a number on a line, (raw*numerator + base)/denominator, that rounds once.

An int divided by an int is rounded once whatever their size; a product of an int and a double is, too, where the double is the scale
exactly and the product of the integers behind it stays below 2**53, as it is then exact. Zero comes out as +0.0 either way: no text
multiplies by a negative double.
"""

from __future__ import annotations

from packetkit.layout.slots import Linear

# From here on a double does not hold every integer.
EXACT = 1 << 53


def linear_text(transform: Linear, raw: str, low: int, high: int) -> str:
    """Return the text of (raw*numerator + base)/denominator, rounded once, for raw codes from low to high."""
    num, base, den = transform.numerator, transform.base, transform.denominator
    if den == 1:
        scaled = raw if num == 1 else f"{raw} * {num}"
        return scaled if base == 0 else f"{scaled} {'+' if base > 0 else '-'} {abs(base)}"
    largest = max(abs(low), abs(high))
    if den & (den - 1) == 0 and num > 0 and largest * num < EXACT and den < EXACT:
        if base == 0:
            return f"{raw} * {num / den!r}"
        if abs(base) < EXACT:
            return f"{raw} * {num / den!r} + {base / den!r}"
    scaled = raw if num == 1 else f"{raw} * {num}"
    if base == 0:
        return f"{scaled} / {den}"
    return f"({scaled} {'+' if base > 0 else '-'} {abs(base)}) / {den}"
