"""Values as messages show them: short whatever they are, and never slow."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from math import inf


def shown(value: object) -> str:
    """Return a value as a message shows it, short whatever it is."""
    if isinstance(value, bool) or value is None:
        return str(value)
    if isinstance(value, int) and value.bit_length() > 128:
        return f"{'a negative' if value < 0 else 'an'} integer of {value.bit_length()} bits"
    if (
        isinstance(value, Fraction)
        and max(value.numerator.bit_length(), value.denominator.bit_length()) > 128
    ):
        return f"a fraction near {_nearest(value)!r}"
    if isinstance(value, str):
        return repr(value) if len(value) <= 40 else f"{value[:37]!r}..."
    if isinstance(value, (int, float, Fraction, Decimal)):
        text = str(value)
        return text if len(text) <= 40 else text[:37] + "..."
    return f"a value of type {type(value).__name__}"


def _nearest(value: Fraction) -> float:
    try:
        return float(value)
    except OverflowError:
        return inf if value > 0 else -inf
