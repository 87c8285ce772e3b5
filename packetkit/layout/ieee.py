"""IEEE 754 numbers of 16, 32 and 64 bits: bit patterns to numbers and back, rounding, and the bounds of a slot.

A code is the bit pattern, unsigned. Numbers are rounded once, from a double, ties to even (WIRE.md 8); what is beyond the format becomes
infinite here, and whoever asks decides what that means.
"""

from __future__ import annotations

import struct
from math import inf
from numbers import Rational

from packetkit.layout.exact import nearest_double
from packetkit.layout.slots import Ieee, Slot

# IEEE 754 interchange formats: the code for struct, and the bits of the exponent and of the stored
# significand.
_IEEE = {16: (">e", ">H", 5, 10), 32: (">f", ">I", 8, 23), 64: (">d", ">Q", 11, 52)}

# The quiet NaN that is sent, by bits of the format: positive, payload zero (WIRE.md 9).
QUIET_NAN = {16: 0x7E00, 32: 0x7FC00000, 64: 0x7FF8000000000000}


def ieee_value(bits: int, raw: int) -> float:
    """Return the number that a bit pattern of a format of so many bits stands for."""
    code, pattern, _, _ = _IEEE[bits]
    value: float = struct.unpack(code, struct.pack(pattern, raw))[0]
    return value


def ieee_bounds(slot: Slot) -> tuple[float, float]:
    """Return the least and greatest number a float slot takes: its bounds, rounded as its values are."""
    assert isinstance(slot.transform, Ieee)
    bits = slot.transform.bits
    _, _, exponent, significand = _IEEE[bits]
    largest = ieee_value(bits, (((1 << exponent) - 1) << significand) - 1)
    low, high = (
        None if bound is None else ieee_rounded(bits, nearest_double(bound))
        for bound in (slot.minimum, slot.maximum)
    )
    return -largest if low is None else low, largest if high is None else high


def ieee_is_finite(bits: int, value: Rational | int | float) -> bool:
    """Return whether a number, rounded to an IEEE format of so many bits, is finite."""
    rounded = ieee_rounded(bits, nearest_double(value))
    return rounded - rounded == 0


def ieee_rounded(bits: int, value: float) -> float:
    """Return the nearest number of the format, ties to even; infinite where it is beyond."""
    code = _IEEE[bits][0]
    try:
        rounded: float = struct.unpack(code, struct.pack(code, value))[0]
    except OverflowError:
        return inf if value > 0 else -inf
    return rounded


def ieee_pattern(bits: int, value: float) -> int:
    """Return the bit pattern of a number that its format holds."""
    code, pattern, _, _ = _IEEE[bits]
    raw: int = struct.unpack(pattern, struct.pack(code, value))[0]
    return raw
