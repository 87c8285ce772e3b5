"""Where something that flies is seen from a site, moment by moment: what every kind of pass is turned into.

A track is samples at equal steps of time, each standing for its step's middle, so that a mean over samples is a mean over the pass.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from packetkit.passes.geometry import (
    EARTH_MU_KM3_PER_S2,
    EARTH_RADIUS_KM,
    central_angle_deg,
    pass_duration_s,
    period,
)

# Steps of a pass: the margin moves by less than 0.5 dB from one to the next, and a table of 64 numbers is still quick.
STEPS = 64


@dataclass(frozen=True, slots=True)
class Sample:
    """One moment: seconds from the track's start, elevation (None where only a distance is known), distance, and how it changes."""

    time_s: float
    elevation_deg: float | None
    distance_km: float
    range_rate_km_s: float
    range_acceleration_km_s2: float


def circular_sample(altitude_km: float, offset_deg: float, angle_rad: float, time_s: float) -> Sample:
    """Return the sample of a circular orbit: offset_deg from the site at closest, angle_rad along the orbit past that point.

    The Earth does not turn; its turning changes shift and rate by up to 7 % in low orbits.
    """
    r, ground = EARTH_RADIUS_KM + altitude_km, EARTH_RADIUS_KM
    turn = math.sqrt(EARTH_MU_KM3_PER_S2 / r**3)
    closest = math.cos(math.radians(offset_deg))
    # d^2 = R^2 + r^2 - 2 R r cos(offset) cos(angle), in a form that keeps its digits overhead.
    above = 2 * math.sin(math.radians(offset_deg) / 2) ** 2 + closest * 2 * math.sin(angle_rad / 2) ** 2
    distance = math.sqrt(altitude_km**2 + 2 * ground * r * above)
    rate = ground * r * turn * closest * math.sin(angle_rad) / distance
    acceleration = (ground * r * turn**2 * closest * math.cos(angle_rad) - rate**2) / distance
    up = (altitude_km * (2 * ground + altitude_km) - distance**2) / (2 * ground * distance)
    return Sample(time_s, math.degrees(math.asin(max(-1.0, min(1.0, up)))), distance, rate, acceleration)


def circular(
    altitude_km: float, minimum_elevation_deg: float, offset_deg: float = 0.0, steps: int = STEPS
) -> tuple[Sample, ...]:
    """Return the track of one pass of a circular orbit; empty where it never rises above the minimum elevation."""
    duration = pass_duration_s(altitude_km, minimum_elevation_deg, offset_deg)
    if duration == 0.0:
        return ()
    turn = 2 * math.pi / period(altitude_km)
    times = [(index + 0.5) / steps * duration for index in range(steps)]
    return tuple(
        circular_sample(altitude_km, offset_deg, turn * (time - duration / 2), time) for time in times
    )


def overhead_at(altitude_km: float, elevation_deg: float) -> Sample:
    """Return the sample of an overhead pass that leaves, at that elevation: the largest shift and rate seen there."""
    angle = math.radians(central_angle_deg(altitude_km, elevation_deg))
    return circular_sample(altitude_km, 0.0, angle, angle * period(altitude_km) / (2 * math.pi))


def offset_for(altitude_km: float, minimum_elevation_deg: float, duration_s: float) -> float:
    """Return how far from the site, in degrees at the Earth's centre, a pass of that duration goes by; 0 for the longest and beyond."""
    limit = math.radians(central_angle_deg(altitude_km, minimum_elevation_deg))
    half = math.pi * duration_s / period(altitude_km)
    ratio = math.cos(limit) / math.cos(half)
    return math.degrees(math.acos(ratio)) if ratio < 1 else 0.0


def steady(distance_km: float, duration_s: float, steps: int = STEPS) -> tuple[Sample, ...]:
    """Return the track of something that stays at one distance."""
    return tuple(
        Sample((index + 0.5) / steps * duration_s, None, distance_km, 0.0, 0.0) for index in range(steps)
    )
