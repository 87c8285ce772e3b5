"""What a value given to encode is as an exact number, whatever type it came in (WIRE.md 4).

Integers, fractions and decimals are taken exactly, a float is exactly its binary value, true and false are no numbers. What would
surprise a reader: a Decimal may have any exponent, so one out of all proportion is cut to what a transform can still tell apart.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from math import inf
from numbers import Rational
from operator import index
from typing import Any

from packetkit.layout.slots import Linear, Transform


def nearest_double(value: Any) -> float:
    """Return the nearest double, infinite where it is beyond."""
    try:
        return float(value)
    except OverflowError:
        return inf if value > 0 else -inf


def exact_number(value: object, transform: Transform) -> Rational | int | float | None:
    """Return a number exactly, NaN or an infinity as a float, or None for what is not a number.

    A Decimal with an exponent out of all proportion comes back as an infinity, or as a number between zero
    and everything the transform can tell from zero, so that no power of ten is ever written out.
    """
    if isinstance(value, (str, bytes, bytearray)) or is_truth(value):
        return None
    if type(value) is int:
        return value
    if isinstance(value, float):
        return _fraction(value)
    if isinstance(value, Decimal):
        return _from_decimal(value, transform)
    try:
        if hasattr(value, "__index__"):
            return index(value)
        if isinstance(value, Rational):
            return Fraction(int(value.numerator), int(value.denominator))
        if hasattr(value, "__float__"):
            return _fraction(float(value))
    except (TypeError, ValueError, ArithmeticError):
        return None
    return None


def _fraction(value: float) -> Fraction | float:
    return Fraction(value) if value - value == 0 else float(value)


def _from_decimal(value: Decimal, transform: Transform) -> Fraction | float:
    if not value.is_finite():
        return float(value) if not value.is_snan() else float("nan")
    if not value:
        return Fraction(0)
    reach = 400  # a double has less than 310 decimal digits before its point, and what is below 1e-324 is 0
    if isinstance(transform, Linear):
        # Codes have 64 bits; ten bits are more than three digits.
        terms = (transform.numerator, transform.base, transform.denominator)
        reach += 20 + sum(abs(term).bit_length() for term in terms) * 3 // 10
    if value.adjusted() > reach:
        return inf if value > 0 else -inf
    if value.adjusted() < -reach:
        return Fraction(1 if value > 0 else -1, 10**reach)
    return Fraction(value)


def is_truth(value: object) -> bool:
    """Return whether a value is true or false, not a number: bool, and what arrays of truths hold."""
    return isinstance(value, bool) or getattr(getattr(value, "dtype", None), "kind", None) == "b"


def exact_integer(value: object) -> int | None:
    """Return a whole number exactly, or None for anything else: 3.0 is one, 3.5 and True are not."""
    exact = exact_number(value, Linear(1, 0, 1))
    if exact is None or isinstance(exact, float) or exact.denominator != 1:
        return None
    return int(exact.numerator)
