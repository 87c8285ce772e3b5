"""Limits of a value, soft and hard: the ground's own judgement, which no bit and no fingerprint knows of.

A value is beyond a limit when it is greater than its maximum or less than its minimum; on the limit is within. A value that is a
double is compared with the double nearest to the limit, so that 4.2 is not beyond 4.2; a whole number is compared exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Any

from packetkit.layout.noting import Note
from packetkit.schema.model import Field
from packetkit.schema.words import format_number

# Source: soft and hard limits are the words of ECSS-E-ST-70-31C (from memory). The marks say it without colour.
MARKS = {"soft": "!", "hard": "!!"}


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit of a value, by its name in MARKS; an end that is None is open."""

    name: str
    minimum: Fraction | None
    maximum: Fraction | None


Reach = tuple[Fraction | None, Fraction | None]  # the least and the greatest value that there can be


def limits_of(one: Field, note: Note, reach: Reach = (None, None)) -> tuple[Limit, ...]:
    """Return the limits of a field, the hard one first; noted where they are out of order, or nothing can be beyond them."""
    limits = tuple(Limit(row.name, row.minimum, row.maximum) for row in one.limits)
    for limit in limits:
        low, high = limit.minimum, limit.maximum
        if low is not None and high is not None and high <= low:
            text = f"{limit.name} maximum {format_number(high)} is not above its minimum {format_number(low)}"
            note(one.places[f"limits.{limit.name}"], "limit-order", text, "Swap them, or widen the limit.")
        _end(one, note, limits[0], limit, "minimum", reach[0])
        _end(one, note, limits[0], limit, "maximum", reach[1])
    return limits


def _end(one: Field, note: Note, outer: Limit, limit: Limit, key: str, reach: Fraction | None) -> None:
    """Look at one end of a limit: within the hard one, and within what the field can be."""
    end, hard = getattr(limit, key), getattr(outer, key)
    if end is None:
        return
    place = one.places[f"limits.{limit.name}.{key}"]

    def is_outside(bound: Fraction) -> bool:
        return bool(end < bound if key == "minimum" else end > bound)

    if hard is not None and is_outside(hard):
        text = f"soft {key} {format_number(end)} is outside the hard one, {format_number(hard)}"
        note(place, "limit-order", text, "Swap them, or move one of them.")
    if reach is not None and (end == reach or is_outside(reach)):
        which = "least" if key == "minimum" else "greatest"
        text = f"nothing is ever beyond the {limit.name} {key} {format_number(end)}: the {which} value is {format_number(reach)}"
        note(place, "limit-unfit", text, f"Leave {key} out, or move it inwards.")


def beyond(limits: tuple[Limit, ...], value: Any) -> str:
    """Return which limit a value is beyond, as `hard maximum`; empty where it is within all, or no number. limits: the hard one first."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return ""
    for limit in limits:
        low, high = (limit.minimum, limit.maximum) if isinstance(value, int) else _doubles(limit)
        if high is not None and value > high:
            return f"{limit.name} maximum"
        if low is not None and value < low:
            return f"{limit.name} minimum"
    return ""


@lru_cache(1024)
def _doubles(limit: Limit) -> tuple[float | None, float | None]:
    low, high = (None if end is None else _double(end) for end in (limit.minimum, limit.maximum))
    return low, high


def _double(number: Fraction) -> float:
    try:
        return float(number)
    except OverflowError:
        return float("inf") if number > 0 else float("-inf")


def marked(words: str) -> str:
    """Return what a table says of a value beyond a limit: `!! beyond hard maximum`."""
    return f"{MARKS[words.partition(' ')[0]]} beyond {words}"
