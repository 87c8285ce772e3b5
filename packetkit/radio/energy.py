"""What a radio costs in energy: its currents while it sends, receives and sleeps, as rows with their source, and a battery's life.

The radio and a constant load are counted. A battery's usable share is the schema's, 80 % unless said (common practice): cold, age
and a regulator's drop-out take the rest.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from packetkit.errors import Fault, RadioError
from packetkit.radio.figures import Limits, faults

SUPPLY_V = 3.3  # common practice, and what the rows below were stated for


@dataclass(frozen=True, slots=True)
class Currents:
    """A radio's currents: milliamperes by power in dBm while sending, rising; receiving; microamperes asleep."""

    sending_ma: tuple[tuple[float, float], ...]
    receiving_ma: float
    sleep_ua: float
    source: str


CURRENTS: dict[str, Currents] = {
    "sx1276": Currents(
        ((7, 20.0), (13, 29.0), (17, 87.0), (20, 120.0)), 12.0, 0.2, "SX1276 data sheet (from memory)"
    ),
    "sx1262": Currents(
        ((14, 45.0), (22, 118.0)),
        5.3,
        0.6,
        "SX1261/2 data sheet, optimal amplifier setting, boosted receiver (a text quoting it)",
    ),
}

# What each figure of a battery may be: lowest, highest, and why; they catch slipped units.
LIMITS: Limits = {
    "capacity_wh": (
        Fraction(1, 1000),
        10_000,
        "watt-hours: an alkaline AA cell has about 3, a lithium cell 18650 about 10",
    ),
    "load_mw": (0, 1_000_000, "milliwatts of everything but the radio"),
    "receiving_percent": (0, 100, "the share of the time beside sending"),
    "supply_v": (Fraction(1, 2), 60, "volts at the radio"),
    "usable_percent": (1, 100, "80 is common practice"),
}


def figure_faults(figures: Mapping[str, Fraction]) -> tuple[Fault, ...]:
    """Return what is wrong with figures of a battery, by name as in LIMITS."""
    return faults(figures, LIMITS)


@dataclass(frozen=True, slots=True)
class Battery:
    """What there is to spend: watt-hours, the constant load in milliwatts, volts at the radio, the usable share in percent.

    receiving_percent: of the time in which the radio does not send, how much it listens; it sleeps in the rest.
    """

    capacity_wh: float
    load_mw: float = 0.0
    supply_v: float = SUPPLY_V
    usable_percent: float = 80.0
    receiving_percent: float = 0.0

    @property
    def usable_wh(self) -> float:
        return self.capacity_wh * self.usable_percent / 100

    def life_days(self, radio_w: float) -> float:
        """Return how long it lasts at the radio's mean power beside the load; infinite where nothing draws any."""
        drawn = self.load_mw / 1000 + radio_w
        return math.inf if drawn == 0 else self.usable_wh / drawn / 24


def sending_ma(radio: str, power_dbm: float) -> tuple[float, str]:
    """Return the current while sending, in milliamperes, and where it comes from: a row, or the line between two.

    Below the lowest row its current counts. Raises RadioError for a radio without rows, or a power above the highest.
    """
    if radio not in CURRENTS:
        raise RadioError(f"no currents of {radio} are known here; there are those of {', '.join(CURRENTS)}")
    rows, source = CURRENTS[radio].sending_ma, CURRENTS[radio].source
    if power_dbm > rows[-1][0]:
        raise RadioError(f"{power_dbm:g} dBm is above the highest row of {radio}, {rows[-1][0]:g} dBm")
    if power_dbm <= rows[0][0]:
        how = source if power_dbm == rows[0][0] else f"{source}; the row of {rows[0][0]:g} dBm, its lowest"
        return rows[0][1], how
    for (low, before), (high, after) in pairwise(rows):
        if power_dbm == high:
            return after, source
        if power_dbm < high:
            share = (power_dbm - low) / (high - low)
            return before + share * (after - before), f"{source}; between {low:g} and {high:g} dBm"
    raise AssertionError("the powers of a radio rise")


def energy_j(time_s: float, current_ma: float, supply_v: float = SUPPLY_V) -> float:
    """Return the energy of a time at a current, in joules.

    >>> round(1000 * energy_j(0.056576, 45), 2)
    8.4
    """
    return time_s * current_ma / 1000 * supply_v
