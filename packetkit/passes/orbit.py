"""Passes of a satellite with published two-line elements over a site: when it rises, culminates and sets.

The orbit is SGP4's, from the library `sgp4` (extra `orbit`); from there on it is ours: the true-equator frame turned by Greenwich mean
sidereal time (IAU 1982), the site on the WGS 84 ellipsoid, no refraction, no polar motion, UT1 taken as UTC (they differ by less than
0.9 s). Times agree with a general astronomy library to a fraction of a second over a month. Elements age: their error grows by 1 to
3 km a day (common practice), so times of passes long after the epoch are guesses.

Source of the frame: Vallado, Fundamentals of Astrodynamics and Applications (from memory); judged in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from typing import Any

import numpy as np
import numpy.typing as npt

from packetkit.errors import RadioError
from packetkit.passes.elements import Elements, Site
from packetkit.passes.track import STEPS, Sample

Array = npt.NDArray[np.float64]

EARTH_TURN_RAD_S = 7.292115e-5  # WGS 84 (NIMA TR8350.2)
WGS84_RADIUS_KM, WGS84_FLATTENING = 6378.137, 1 / 298.257223563
GRID_S = 30.0  # low satellites stay above the horizon for minutes, and a culmination is refined from its neighbours
HALVINGS = 24  # of a grid step: down to microseconds
LONGEST_DAYS = 366
OLD_DAYS = 14  # beyond that, elements of low satellites are off by tens of kilometres


@dataclass(frozen=True, slots=True)
class Event:
    """One pass: UTC times, the highest elevation in degrees, azimuths in degrees from north through east, the least distance."""

    rise: datetime
    culmination: datetime
    set: datetime
    highest_deg: float
    rise_azimuth_deg: float
    set_azimuth_deg: float
    nearest_km: float

    @property
    def duration_s(self) -> float:
        return (self.set - self.rise).total_seconds()


class Orbit:
    """SGP4 for one object. Raises RadioError where the library is not there or the elements cannot be propagated."""

    def __init__(self, elements: Elements) -> None:
        try:
            from sgp4.api import SGP4_ERRORS, Satrec
        except ImportError:
            raise RadioError("orbits need the extra `orbit`: pip install 'packetkit[orbit]'") from None
        self._errors: dict[int, str] = SGP4_ERRORS
        self._satellite: Any = Satrec.twoline2rv(elements.line_1, elements.line_2)

    @property
    def epoch(self) -> datetime:
        """The instant that the elements are for, UTC."""
        days = (self._satellite.jdsatepoch - 2440587.5) + self._satellite.jdsatepochF
        return datetime.fromtimestamp(0, timezone.utc) + timedelta(days=days)

    def look(self, site: Site, start: datetime, seconds: Array) -> tuple[Array, Array, Array, Array]:
        """Return elevation and azimuth in degrees, distance in km and its rate in km/s, at seconds after `start`."""
        day, fraction = _julian(start)
        fractions = fraction + seconds / 86400
        codes, places, speeds = self._satellite.sgp4_array(np.full(len(seconds), day), fractions)
        if np.any(codes):
            first = int(np.argmax(codes != 0))
            when = start + timedelta(seconds=float(seconds[first]))
            reason = self._errors.get(int(codes[first]), "it cannot be propagated")
            raise RadioError(f"the elements give no place on {when:%Y-%m-%d}: {reason}; take newer elements")
        turned = _sidereal(day, fractions)
        place = _turn(places, turned)
        speed = _turn(speeds, turned) - np.cross([0, 0, EARTH_TURN_RAD_S], place)
        away = place - _site_km(site)
        distance = np.linalg.norm(away, axis=1)
        rate = np.sum(away * speed, axis=1) / distance
        east, north, up = _axes(site)
        elevation = np.degrees(np.arcsin(away @ up / distance))
        azimuth = np.degrees(np.arctan2(away @ east, away @ north)) % 360
        return elevation, azimuth, distance, rate


def _julian(when: datetime) -> tuple[float, float]:
    """Julian day of the midnight before, and the fraction of the day."""
    when = when.astimezone(timezone.utc)
    midnight = when.replace(hour=0, minute=0, second=0, microsecond=0)
    day = (midnight - datetime(2000, 1, 1, tzinfo=timezone.utc)).days + 2451544.5
    return day, (when - midnight).total_seconds() / 86400


def _sidereal(day: float, fractions: Array) -> Array:
    """Greenwich mean sidereal time in radians (IAU 1982), UT1 taken as UTC."""
    t = (day - 2451545.0 + fractions) / 36525
    seconds = 67310.54841 + t * (876600 * 3600 + 8640184.812866 + t * (0.093104 - t * 6.2e-6))
    angle: Array = np.radians(seconds % 86400 / 240)
    return angle


def _turn(vectors: Array, angles: Array) -> Array:
    """Vectors in the frame that turns with the Earth."""
    cos, sin = np.cos(angles), np.sin(angles)
    x, y, z = vectors.T
    return np.stack([cos * x + sin * y, cos * y - sin * x, z], axis=1)


def _site_km(site: Site) -> Array:
    latitude, longitude = math.radians(site.latitude_deg), math.radians(site.longitude_deg)
    squeezed = WGS84_FLATTENING * (2 - WGS84_FLATTENING)
    normal = WGS84_RADIUS_KM / math.sqrt(1 - squeezed * math.sin(latitude) ** 2)
    height = site.height_m / 1000
    flat = (normal + height) * math.cos(latitude)
    return np.array(
        [
            flat * math.cos(longitude),
            flat * math.sin(longitude),
            (normal * (1 - squeezed) + height) * math.sin(latitude),
        ]
    )


def _axes(site: Site) -> tuple[Array, Array, Array]:
    """Unit vectors east, north and up of the ellipsoid at the site."""
    latitude, longitude = math.radians(site.latitude_deg), math.radians(site.longitude_deg)
    east = np.array([-math.sin(longitude), math.cos(longitude), 0.0])
    up = np.array(
        [
            math.cos(latitude) * math.cos(longitude),
            math.cos(latitude) * math.sin(longitude),
            math.sin(latitude),
        ]
    )
    return east, np.cross(up, east), up


def events(
    orbit: Orbit, site: Site, minimum_elevation_deg: float, start: datetime, days: float
) -> tuple[Event, ...]:
    """Return the passes that culminate above the minimum elevation within `days` (at most 366) after `start`, in order of time.

    A pass that goes on at either end of the time is cut there. Raises RadioError where the elements give no place.
    """
    if not 0 < days <= LONGEST_DAYS:
        raise RadioError(f"{days:g} days is outside 0 to {LONGEST_DAYS}; elements age within weeks")
    span = days * 86400.0
    grid = np.append(np.arange(0.0, span, GRID_S), span)
    height = orbit.look(site, start, grid)[0] - minimum_elevation_deg
    padded = np.concatenate([[-np.inf], height, [-np.inf]])
    tops = np.flatnonzero((padded[1:-1] > padded[:-2]) & (padded[1:-1] >= padded[2:]))
    peaks = _culminations(orbit, site, start, grid, tops)
    high = orbit.look(site, start, peaks)[0] > minimum_elevation_deg if len(peaks) else np.zeros(0, bool)
    peaks, tops = peaks[high], tops[high]
    if not len(peaks):
        return ()
    rises = _crossings(orbit, site, start, minimum_elevation_deg, peaks, _last_below(grid, height, tops, -1))
    sets = _crossings(orbit, site, start, minimum_elevation_deg, peaks, _last_below(grid, height, tops, +1))
    return _made(orbit, site, start, rises, peaks, sets)


def _culminations(
    orbit: Orbit, site: Site, start: datetime, grid: Array, tops: npt.NDArray[np.intp]
) -> Array:
    """Times of the highest elevation, by thirds, all passes at once."""
    low, high = grid[np.maximum(tops - 1, 0)], grid[np.minimum(tops + 1, len(grid) - 1)]
    for _ in range(2 * HALVINGS):
        left, right = low + (high - low) / 3, high - (high - low) / 3
        rising = orbit.look(site, start, left)[0] < orbit.look(site, start, right)[0]
        low, high = np.where(rising, left, low), np.where(rising, high, right)
    return (low + high) / 2


def _last_below(grid: Array, height: Array, tops: npt.NDArray[np.intp], step: int) -> Array:
    """For each top the nearest grid time on one side that is below the mask; the end of the grid where none is."""
    below = np.flatnonzero(height <= 0)
    if step < 0:
        index = np.searchsorted(below, tops, side="left") - 1
        return np.where(index >= 0, grid[below[np.maximum(index, 0)]] if len(below) else grid[0], grid[0])
    index = np.searchsorted(below, tops, side="right")
    last = grid[below[np.minimum(index, len(below) - 1)]] if len(below) else grid[-1]
    return np.where(index < len(below), last, grid[-1])


def _crossings(
    orbit: Orbit, site: Site, start: datetime, mask_deg: float, inside: Array, outside: Array
) -> Array:
    """Times between a moment above the mask and one below it where the mask is crossed, by halving."""
    uncut = orbit.look(site, start, outside)[0] <= mask_deg
    above, below = inside.copy(), outside.copy()
    for _ in range(HALVINGS):
        middle = (above + below) / 2
        up = orbit.look(site, start, middle)[0] > mask_deg
        above, below = np.where(up, middle, above), np.where(up, below, middle)
    return np.where(uncut, (above + below) / 2, outside)


def _made(
    orbit: Orbit, site: Site, start: datetime, rises: Array, peaks: Array, sets: Array
) -> tuple[Event, ...]:
    tops = orbit.look(site, start, peaks)
    first, last = orbit.look(site, start, rises)[1], orbit.look(site, start, sets)[1]

    def at(seconds: float) -> datetime:
        return start + timedelta(seconds=float(seconds))

    return tuple(
        Event(at(rise), at(peak), at(end), float(highest), float(azimuth), float(leaves), float(distance))
        for rise, peak, end, highest, azimuth, leaves, distance in zip(
            rises, peaks, sets, tops[0], first, last, tops[2], strict=True
        )
    )


def track(orbit: Orbit, site: Site, event: Event, steps: int = STEPS) -> tuple[Sample, ...]:
    """Return the samples of one pass."""
    step = event.duration_s / steps
    times = np.asarray((np.arange(steps) + 0.5) * step, dtype=np.float64)
    elevation, _, distance, rate = orbit.look(site, event.rise, times)
    before = orbit.look(site, event.rise, times - 0.5)[3]
    after = orbit.look(site, event.rise, times + 0.5)[3]
    return tuple(
        Sample(*map(float, values))
        for values in zip(times, elevation, distance, rate, after - before, strict=True)
    )


def mean_duration_s(found: Sequence[Event]) -> float:
    """Return the mean duration of passes, in seconds; 0.0 where there is none."""
    return sum(event.duration_s for event in found) / len(found) if found else 0.0
