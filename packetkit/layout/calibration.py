"""Calibration: what the value of one unit's sensor is in truth, by that unit's own curve.

The ground's alone: what is sent and decoded is the uncalibrated value, so that every unit of a series flies the same frame; no curve is
part of a fingerprint. A curve is worked out exactly in fractions, from the number that the code means, and rounded once (WIRE.md 7).
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise
from math import isfinite
from typing import Any

from packetkit.layout.noting import Note
from packetkit.schema.model import Calibration as Declared
from packetkit.schema.model import Field
from packetkit.schema.words import format_number, shown

Point = tuple[Fraction, Fraction]


@dataclass(frozen=True, slots=True)
class Calibration:
    """One unit's curve, by the unit's serial: a polynomial c0 + c1 x + ..., or points with straight lines between them."""

    serial: str
    polynomial: tuple[Fraction, ...] = ()
    points: tuple[Point, ...] = ()

    def of(self, value: Any) -> float | None:
        """Return the calibrated value as the nearest double; None for no number, outside the points, and beyond every double.

        value: a number, exact or as decoded; a double is what it is, and rounds a second time.
        """
        if isinstance(value, bool) or not isinstance(value, (int, float, Fraction)) or not isfinite(value):
            return None
        points = _doubles(self.points) if isinstance(value, float) else self.points
        exact = self._exact(Fraction(value), points)
        try:
            return None if exact is None else float(exact)
        except OverflowError:
            return None

    def _exact(self, value: Fraction, points: tuple[Point, ...]) -> Fraction | None:
        if self.polynomial:
            total = Fraction(0)
            for coefficient in reversed(self.polynomial):
                total = total * value + coefficient
            return total
        if not points[0][0] <= value <= points[-1][0]:
            return None
        at = min(bisect_right(points, value, key=lambda point: point[0]), len(points) - 1)
        (x0, y0), (x1, y1) = points[at - 1 : at + 1]
        return y0 + (y1 - y0) * (value - x0) / (x1 - x0)


@lru_cache(256)
def _doubles(points: tuple[Point, ...]) -> tuple[Point, ...]:
    """The points with places as decoded doubles have them, so that 138.51 is on the point at 138.51."""
    return tuple((Fraction(float(x)), y) for x, y in points)


def calibrations_of(one: Field, note: Note) -> tuple[Calibration, ...]:
    """Return the curves of a field; noted where points do not go upwards."""
    for row in one.calibration:
        for (first, _), (second, _) in pairwise(row.points):
            if float(first) >= float(second):
                text = f"the point at {format_number(second)} does not lie above the one at {format_number(first)}"
                place = one.places.get(f"calibration.{row.serial}", one.places["calibration"])
                remedy = f"Sort the points of {shown(row.serial)} by what was decoded, each once."
                note(place, "calibration-order", text, remedy)
                break
    return tuple(map(_curve, one.calibration))


def _curve(row: Declared) -> Calibration:
    return Calibration(row.serial, row.polynomial, row.points)
