"""Flights that are no orbit: a balloon that rises, bursts and comes down, a sounding rocket's ballistic arc; seen from where they start.

Heights are above the ground station's level, distances over ground along a sphere. Each flight is turned into samples (`track.py`)
while a straight ray, bent by the atmosphere, reaches the station.

What would surprise a reader: the rule of four thirds of the Earth's radius assumes a constant gradient of the air's refraction and is
5 % long for a balloon at 30 km, so the ray is traced through the exponential reference atmosphere instead (ITU-R P.453: 315 N units at
the ground, scale height 7.35 km, from memory). A parachute falls faster in thin air: by the root of the density's ratio.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise

from packetkit.errors import Fault
from packetkit.passes.geometry import EARTH_MU_KM3_PER_S2, EARTH_RADIUS_KM
from packetkit.passes.track import STEPS, Sample
from packetkit.radio.figures import Limits, faults

SURFACE_REFRACTIVITY, REFRACTIVITY_SCALE_KM = 315.0, 7.35
SLICES = 64  # of the traced ray; eight times as many change less than a metre (a unit test holds this)
DIFFERENCE_S = 0.5  # half of the interval over which speeds are measured

# Base height km, temperature K, lapse K/km of the layers. Source: ICAO Standard Atmosphere (ISO 2533), from memory.
LAYERS = (
    (0.0, 288.15, -6.5),
    (11.0, 216.65, 0.0),
    (20.0, 216.65, 1.0),
    (32.0, 228.65, 2.8),
    (47.0, 270.65, 0.0),
)
G_OVER_R = 34.163195  # K/km: standard gravity over the specific gas constant of air, 9.80665 / 287.053

# What each figure may be: lowest, highest, and why. Wide enough for what schools and institutes fly; they catch slipped units.
LIMITS: Limits = {
    "latitude_deg": (-90, 90, "north above zero, south below"),
    "longitude_deg": (-180, 180, "east above zero, west below"),
    "height_m": (-500, 9000, "metres above the ellipsoid"),
    "burst_altitude_km": (Fraction(1, 20), 50, "latex balloons burst at 25 to 40 km"),
    "ascent_m_per_s": (Fraction(1, 5), 30, "5 m/s is common practice"),
    "descent_m_per_s": (Fraction(1, 2), 100, "5 m/s at the ground is common practice"),
    "drift_m_per_s": (0, 120, "the mean wind over the whole flight"),
    "mast_m": (0, 3000, "metres above flat ground"),
    "apogee_km": (Fraction(1, 50), 500, "kilometres; beyond 500 the Earth turns too far during the flight"),
    "downrange_km": (0, 1000, "kilometres over ground; beyond, the arc bends with the Earth"),
    "parachute_altitude_km": (Fraction(1, 100), 50, "there is no air for a parachute above"),
    "distance_km": (Fraction(1, 1000), 1_000_000, "kilometres, 0.5 for 500 m"),
    "messages_per_day": (Fraction(1, 1000), 1_000_000, "messages in a day"),
    "message_bytes": (1, 65_535, "bytes of one message"),
}


def figure_faults(figures: Mapping[str, Fraction]) -> tuple[Fault, ...]:
    """Return what is wrong with figures of a flight, a site or a host, by name as in LIMITS."""
    found = list(faults(figures, LIMITS))
    chute, top = figures.get("parachute_altitude_km"), figures.get("apogee_km")
    if chute is not None and top is not None and chute > top:
        why = f"{float(chute):g} km is above the apogee of {float(top):g} km; it opens on the way down"
        found.append(Fault("parachute_altitude_km", "limit", why))
    alone = {"parachute_altitude_km", "descent_m_per_s"} & figures.keys() if top is not None else set()
    if len(alone) == 1:
        (name,) = alone
        found.append(
            Fault(name, "limit", "is alone; a parachute needs parachute_altitude_km and descent_m_per_s")
        )
    return tuple(found)


def relative_density(height_km: float) -> float:
    """Return the air's density over that at the ground, in the standard atmosphere, 0 to 51 km; beyond, the last layer goes on.

    >>> round(1.225 * relative_density(20), 4)
    0.088
    """
    pressure = 1.0
    for index, (base, temperature, lapse) in enumerate(LAYERS):
        top = LAYERS[index + 1][0] if index + 1 < len(LAYERS) else math.inf
        step = min(height_km, top) - base
        at = temperature + lapse * step
        pressure *= (
            (temperature / at) ** (G_OVER_R / lapse) if lapse else math.exp(-G_OVER_R * step / temperature)
        )
        if height_km <= top:
            return pressure * LAYERS[0][1] / at
    raise AssertionError("the last layer has no top")


def radio_horizon_km(height_km: float, slices: int = SLICES) -> float:
    """Return how far over ground a ray that grazes it reaches something at this height, in kilometres; add both ends' for two heights.

    Snell's law on a sphere: n r cos(elevation) is constant along the ray. With r = R + s^2 the integrand has no pole at the ground.
    """
    if height_km <= 0:
        return 0.0
    grazing = (1 + SURFACE_REFRACTIVITY * 1e-6) * EARTH_RADIUS_KM
    width = math.sqrt(height_km) / slices
    total = 0.0
    for index in range(slices):
        s = (index + 0.5) * width
        r = EARTH_RADIUS_KM + s * s
        n = 1 + SURFACE_REFRACTIVITY * 1e-6 * math.exp(-s * s / REFRACTIVITY_SCALE_KM)
        total += 2 * s * grazing / (r * math.sqrt((n * r) ** 2 - grazing**2))
    return EARTH_RADIUS_KM * total * width


def seen(time_s: float, height_km: float, ground_km: float, rate: float, acceleration: float) -> Sample:
    """Return the sample of something at a height and a distance over ground, elevation along the straight line."""
    angle = ground_km / EARTH_RADIUS_KM
    r = EARTH_RADIUS_KM + height_km
    distance = math.hypot(height_km, 2 * math.sqrt(EARTH_RADIUS_KM * r) * math.sin(angle / 2))
    up = (height_km * (2 * EARTH_RADIUS_KM + height_km) - distance**2) / (2 * EARTH_RADIUS_KM * distance)
    elevation = math.degrees(math.asin(max(-1.0, min(1.0, up))))
    return Sample(time_s, elevation, distance, rate, acceleration)


def interpolated(x: float, xs: list[float], ys: list[float]) -> float:
    """Return y at x on the line through the two points around it, xs rising; the end's beyond an end."""
    index = bisect_right(xs, x)
    if index in (0, len(xs)):
        return ys[min(index, len(xs) - 1)]
    share = (x - xs[index - 1]) / (xs[index] - xs[index - 1])
    return ys[index - 1] + share * (ys[index] - ys[index - 1])


@lru_cache(maxsize=16)
def _sinking(balloon: Balloon) -> tuple[list[float], list[float]]:
    """Seconds since burst and heights under the parachute, densely."""
    heights = [balloon.burst_altitude_km * (1 - index / 200) for index in range(201)]
    times = [0.0]
    for upper, lower in pairwise(heights):
        speed = balloon.descent_m_per_s / math.sqrt(relative_density((upper + lower) / 2))
        times.append(times[-1] + (upper - lower) * 1000 / speed)
    return times, heights


@lru_cache(maxsize=16)
def _falling(apogee_km: float) -> tuple[list[float], list[float]]:
    """Seconds since apogee and heights while falling from rest: the closed form of a straight fall under inverse-square gravity."""
    top = EARTH_RADIUS_KM + apogee_km
    scale = math.sqrt(top**3 / (2 * EARTH_MU_KM3_PER_S2))
    # Even steps of the angle whose squared cosine is the share of the radius: dense where the fall is slow.
    last = math.acos(math.sqrt(EARTH_RADIUS_KM / top))
    angles = [last * index / 400 for index in range(401)]
    times = [scale * (angle + math.sin(angle) * math.cos(angle)) for angle in angles]
    return times, [max(top * math.cos(angle) ** 2 - EARTH_RADIUS_KM, 0.0) for angle in angles]


@dataclass(frozen=True, slots=True)
class Balloon:
    """A balloon's flight: burst height, speeds up and, at the ground, down; and how fast the wind carries it away."""

    burst_altitude_km: float
    ascent_m_per_s: float
    descent_m_per_s: float
    drift_m_per_s: float = 0.0

    @property
    def ascent_s(self) -> float:
        return self.burst_altitude_km * 1000 / self.ascent_m_per_s

    @property
    def descent_s(self) -> float:
        return _sinking(self)[0][-1]

    @property
    def duration_s(self) -> float:
        return self.ascent_s + self.descent_s

    def place(self, time_s: float) -> tuple[float, float]:
        """Return height and distance over ground, in kilometres."""
        if time_s <= self.ascent_s:
            height = time_s * self.ascent_m_per_s / 1000
        else:
            times, heights = _sinking(self)
            height = interpolated(time_s - self.ascent_s, times, heights)
        return height, self.drift_m_per_s * time_s / 1000


@dataclass(frozen=True, slots=True)
class Rocket:
    """A sounding rocket after its short burn: apogee, where it lands; a parachute from a height on, with its speed at the ground."""

    apogee_km: float
    downrange_km: float = 0.0
    parachute_altitude_km: float | None = None
    descent_m_per_s: float | None = None

    @property
    def ascent_s(self) -> float:
        return _falling(self.apogee_km)[0][-1]

    @property
    def duration_s(self) -> float:
        if self.parachute_altitude_km is None or self.descent_m_per_s is None:
            return 2 * self.ascent_s
        return self._opens_s + self._parachute().descent_s

    @property
    def _opens_s(self) -> float:
        times, heights = _falling(self.apogee_km)
        return self.ascent_s + interpolated(self.parachute_altitude_km or 0.0, heights[::-1], times[::-1])

    def _parachute(self) -> Balloon:
        assert self.parachute_altitude_km is not None and self.descent_m_per_s is not None
        return Balloon(self.parachute_altitude_km, 1.0, self.descent_m_per_s)

    def place(self, time_s: float) -> tuple[float, float]:
        """Return height and distance over ground, in kilometres; over ground it moves evenly until it lands or the parachute opens."""
        times, heights = _falling(self.apogee_km)
        arc_s = 2 * self.ascent_s
        opens = self._opens_s if self.parachute_altitude_km is not None else arc_s
        ground = self.downrange_km * min(time_s, opens) / arc_s
        if time_s > opens and self.parachute_altitude_km is not None:  # without one it has landed, and stays
            chute = self._parachute()
            return chute.place(time_s - opens + chute.ascent_s)[0], ground
        return interpolated(abs(time_s - self.ascent_s), times, heights), ground


Flight = Balloon | Rocket


def track(flight: Flight, site_height_m: float = 0.0, steps: int = STEPS) -> tuple[Sample, ...]:
    """Return the samples of a flight that the station sees over its bent horizon; site_height_m: its antenna above the ground.

    Samples stand for equal times; those below the horizon are left out, so the time heard is their number times the step.
    """
    mast = radio_horizon_km(site_height_m / 1000)
    step = flight.duration_s / steps
    found = []
    for index in range(steps):
        time = (index + 0.5) * step
        height, ground = flight.place(time)
        if ground > radio_horizon_km(height) + mast:
            continue
        far = [seen(0.0, *flight.place(time + k * DIFFERENCE_S), 0.0, 0.0).distance_km for k in (-1, 0, 1)]
        rate = (far[2] - far[0]) / (2 * DIFFERENCE_S)
        acceleration = (far[2] - 2 * far[1] + far[0]) / DIFFERENCE_S**2
        found.append(seen(time, max(height, 1e-3), ground, rate, acceleration))
    return tuple(found)
