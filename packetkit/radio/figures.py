"""Figures held against limits: the sensible ones of a link, a packet, a battery or a flight, as rows of lowest, highest and why.

The limits catch slipped units. Schemas give exact numbers, so what is not whole in a limit is a fraction: a tenth, as a double, lies
above a tenth, and would refuse it.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import TypeAlias

from packetkit.errors import Fault

Limits: TypeAlias = Mapping[str, tuple[Fraction | int, int, str]]  # by name: lowest, highest, and why

_LARGEST_SHOWN = 10**15


def faults(figures: Mapping[str, Fraction | None], limits: Limits) -> tuple[Fault, ...]:
    """Return what is wrong with figures, by name; None and names without a limit are passed over.

    >>> [fault.message for fault in faults({"share": Fraction(2)}, {"share": (Fraction(1, 10), 1, "of one")})]
    ['2 is outside 0.1 to 1; of one']
    """
    found = []
    for name, value in figures.items():
        if value is None or name not in limits:
            continue
        low, high, why = limits[name]
        if not low <= value <= high:
            shown = f"{float(value):g}" if abs(value) < _LARGEST_SHOWN else "a number beyond 1e15"
            found.append(Fault(name, "limit", f"{shown} is outside {float(low):g} to {high:g}; {why}"))
    return tuple(found)
