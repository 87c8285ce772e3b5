"""Pass times and distances of a satellite on a circular orbit, from altitude and elevation alone.

The Earth is a sphere that does not turn: good to a few per cent for low orbits, which is why altitudes end
where low Earth orbit does. The Earth's turning lengthens passes of orbits that go east. Angles are degrees,
lengths kilometres, times seconds.

The part to know: the satellite is above an elevation mask while the Earth-central angle between it and the
site is below a limit. A pass cuts that circle at some offset; an overhead pass cuts it through the middle.
Every pass time below is one chord of that circle, written with half-angle tangents, because the usual arc
cosines lose half their digits near its edge.

Source: Wertz and Larson, Space Mission Analysis and Design, section 5.3.1 (from memory), and Roddy, Satellite
Communications.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from packetkit.errors import Fault, RadioError

EARTH_RADIUS_KM = 6378.137  # equatorial radius, WGS 84 (NIMA TR8350.2)
EARTH_MU_KM3_PER_S2 = 398600.4418  # gravitational parameter with the atmosphere, WGS 84 (NIMA TR8350.2)


Number = int | float | Fraction


@dataclass(frozen=True, slots=True)
class Limit:
    """What a number may be: from lowest to highest, the highest itself excluded where `open_end`; and why."""

    name: str
    unit: str
    lowest: int
    highest: int
    reason: str
    open_end: bool = False


ORBIT_ALTITUDE = Limit(
    "altitude_km",
    "km",
    100,
    2000,
    "below 100 km (the Karman line, common practice) the air ends an orbit at once; above 2000 km (the end "
    "of low Earth orbit, IADC guidelines) the Earth turns too far during a pass for this geometry: give the "
    "duration of a pass instead",
)
HEIGHT = Limit("altitude_km", "km", 0, 2000, "give the height above the ground in kilometres, not metres")
PASS_ELEVATION = Limit(
    "minimum_elevation_deg",
    "degrees",
    0,
    90,
    "0 is the horizon and 90 the zenith, which no pass stays above; 5 to 10 is common practice",
    open_end=True,
)
ELEVATION = Limit("elevation_deg", "degrees", 0, 90, "0 is the horizon and 90 the zenith")
OFFSET = Limit(
    "offset_deg", "degrees", 0, 180, "it is the angle at the Earth's centre between site and ground track"
)

# Intervals of the mean's quadrature. The integrand is smooth and periodic, so the error falls geometrically:
# from 8 on the result stands to the last digits of a double, at every altitude and elevation (a unit test
# holds this); four times as many cost 20 microseconds.
INTERVALS = 32


def _fault(limit: Limit, value: Number) -> Fault | None:
    """Return why a number is refused, or None where it is inside its limit."""
    number = isinstance(value, (int, float, Fraction)) and not isinstance(value, bool)
    # A NaN fails every comparison, an infinity the right one.
    if number and limit.lowest <= value <= limit.highest and not (limit.open_end and value == limit.highest):
        return None
    end = f"up to, but not including, {limit.highest}" if limit.open_end else f"to {limit.highest}"
    # Python refuses to print integers of thousands of digits.
    found = "a number beyond 1e15" if number and (value > 1e15 or value < -1e15) else str(value)
    return Fault(limit.name, "limit", f"{found} is outside {limit.lowest} {end} {limit.unit}; {limit.reason}")


def _check(*pairs: tuple[Limit, Number]) -> None:
    """Raise RadioError with every number that is outside its limit, one on a line."""
    faults = [fault for limit, value in pairs if (fault := _fault(limit, value))]
    if faults:
        raise RadioError("\n".join(map(str, faults)))


def pass_faults(altitude_km: Number, minimum_elevation_deg: Number) -> tuple[Fault, ...]:
    """Return what keeps these two from being an orbit and a mask, empty where nothing does.

    For callers that know where each number was written; `path` is the argument's name.
    """
    pairs = ((ORBIT_ALTITUDE, altitude_km), (PASS_ELEVATION, minimum_elevation_deg))
    return tuple(fault for limit, value in pairs if (fault := _fault(limit, value)))


def period(altitude_km: Number) -> float:
    """Return how long one turn of a circular orbit takes, in seconds (Kepler's third law)."""
    _check((ORBIT_ALTITUDE, altitude_km))
    return 2 * math.pi * math.sqrt((EARTH_RADIUS_KM + altitude_km) ** 3 / EARTH_MU_KM3_PER_S2)


def slant_range_km(altitude_km: Number, elevation_deg: Number) -> float:
    """Return the straight distance to something at this altitude, seen at this elevation, in kilometres."""
    _check((HEIGHT, altitude_km), (ELEVATION, elevation_deg))
    up = EARTH_RADIUS_KM * math.sin(math.radians(elevation_deg))
    # (h (2 R + h)) is r^2 - R^2 without the cancellation of two large squares.
    return math.sqrt(up**2 + altitude_km * (2 * EARTH_RADIUS_KM + altitude_km)) - up


def central_angle_deg(altitude_km: Number, elevation_deg: Number) -> float:
    """Return the angle at the Earth's centre between the site and the point below the satellite, degrees."""
    _check((HEIGHT, altitude_km), (ELEVATION, elevation_deg))
    elevation = math.radians(elevation_deg)
    distance = slant_range_km(altitude_km, elevation_deg)
    return math.degrees(
        math.atan2(distance * math.cos(elevation), EARTH_RADIUS_KM + distance * math.sin(elevation))
    )


def _time_above(turn: float, near: float, far: float) -> float:
    """Return how long a satellite is inside the mask's circle, in seconds.

    The circle has radius a, the track passes at offset x, both angles at the Earth's centre. near: a - x,
    far: a + x, in radians. The chord's half-angle u has tan(u/2)^2 = tan(near/2) tan(far/2), which is cos u =
    cos a / cos x in a form that keeps its digits at the edge.
    """
    return turn / math.pi * 2 * math.atan(math.sqrt(math.tan(near / 2) * math.tan(far / 2)))


def pass_duration_s(altitude_km: Number, minimum_elevation_deg: Number, offset_deg: Number = 0.0) -> float:
    """Return how long a pass stays above the minimum elevation, in seconds; 0.0 where it never rises to it.

    offset_deg: the smallest angle at the Earth's centre between the site and the ground track; 0 is an
    overhead pass.
    """
    _check((ORBIT_ALTITUDE, altitude_km), (PASS_ELEVATION, minimum_elevation_deg), (OFFSET, offset_deg))
    radius = math.radians(central_angle_deg(altitude_km, minimum_elevation_deg))
    offset = math.radians(offset_deg)
    if offset >= radius:
        return 0.0
    return _time_above(period(altitude_km), radius - offset, radius + offset)


def overhead_pass_s(altitude_km: Number, minimum_elevation_deg: Number) -> float:
    """Return the longest pass: through the zenith, above the minimum elevation, in seconds."""
    return pass_duration_s(altitude_km, minimum_elevation_deg, 0.0)


def mean_pass_s(altitude_km: Number, minimum_elevation_deg: Number) -> float:
    """Return the mean duration of the passes above the minimum elevation, in seconds, offsets spread evenly.

    Passes that never rise above it are not counted. About 0.79 of the overhead pass.
    """
    _check((ORBIT_ALTITUDE, altitude_km), (PASS_ELEVATION, minimum_elevation_deg))
    return _mean(altitude_km, minimum_elevation_deg, INTERVALS)


def _mean(altitude_km: Number, minimum_elevation_deg: Number, intervals: int) -> float:
    """Return the mean over offsets x in 0..a by the trapezoid rule in t, x = a cos t.

    In x the integrand ends in a square root; in t it is smooth and even about both ends, where the plain rule
    converges geometrically. a - x = 2 a sin(t/2)^2 and a + x = 2 a cos(t/2)^2, so nothing cancels.
    """
    radius = math.radians(central_angle_deg(altitude_km, minimum_elevation_deg))
    turn = period(altitude_km)
    total = 0.0
    for index in range(1, intervals + 1):  # at t = 0 the integrand is zero
        t = index * (math.pi / 2) / intervals
        near, far = 2 * radius * math.sin(t / 2) ** 2, 2 * radius * math.cos(t / 2) ** 2
        weight = 0.5 if index == intervals else 1.0
        total += weight * _time_above(turn, near, far) * math.sin(t)
    return total * (math.pi / 2) / intervals
