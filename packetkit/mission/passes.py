"""When the ground can listen: every way that a schema can say it, turned into windows with a track.

A window is what the budget counts with: one pass, or one flight. Its track gives distance and elevation over time where these are
known; the link's margin and the frames lost follow from it. The representative pass of an orbit is one whose duration is the mean:
for a circular orbit it goes by at the offset that gives this duration, for elements it is the pass nearest to it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import TYPE_CHECKING

from packetkit.errors import RadioError
from packetkit.mission.load import Link, Passes
from packetkit.passes import flight, geometry, track
from packetkit.passes.elements import Site
from packetkit.passes.track import Sample

if TYPE_CHECKING:  # it needs numpy, which what has no elements does without
    from packetkit.passes import orbit
DAYS = 7  # of passes that stand for all: the ground track of a low orbit comes by in every phase
FLIGHT_STEPS = 240  # of a flight: half a minute of a balloon's, and the time heard is known to 0.4 %


@dataclass(frozen=True, slots=True)
class Pass:
    """One time of listening. duration_s is what is counted with; the other two are None for passes that are no orbit's.

    basis: mean, overhead, given (a duration) or flight. track: empty where no distance is known. edge_km: how far it is as it rises, which
    lies before the middle of the track's first step; None where the track's farthest sample is the farthest that is known.
    """

    duration_s: Fraction
    overhead_s: float | None
    mean_s: float | None
    basis: str
    per_day: Fraction | None = None
    track: tuple[Sample, ...] = ()
    edge_km: float | None = None

    @property
    def farthest_km(self) -> float:
        """The longest distance of a pass that has a track."""
        return max(sample.distance_km for sample in self.track) if self.edge_km is None else self.edge_km


def window_of(passes: Passes, basis: str = "mean", start: datetime | None = None) -> Pass:
    """The pass to count with: basis mean or overhead for an orbit's; a flight and a duration have but one. Raises RadioError.

    start: for elements, from when on the passes of a week are looked at; their epoch unless given.
    """
    if passes.host is not None:
        raise RadioError("a host has a daily quota and no pass; packetkit plan counts what fits into it")
    if passes.duration_s is not None:
        far = passes.distance_km
        samples = () if far is None else track.steady(float(far), float(passes.duration_s))
        return Pass(passes.duration_s, None, None, "given", passes.per_day, samples)
    if passes.flight is not None:
        seen = flight.track(passes.flight, passes.mast_m, FLIGHT_STEPS)
        heard = passes.flight.duration_s * len(seen) / FLIGHT_STEPS
        if not seen:
            raise RadioError("the flight is never above the horizon of the ground station")
        return Pass(Fraction(heard), None, None, "flight", passes.per_day, seen)
    if passes.elements is not None:
        return _window_of_elements(passes, basis, start)
    if passes.altitude_km is None or passes.minimum_elevation_deg is None:
        raise RadioError("the pass is not known; give a duration, or an altitude and a minimum elevation")
    altitude, lowest = float(passes.altitude_km), float(passes.minimum_elevation_deg)
    overhead = geometry.overhead_pass_s(passes.altitude_km, passes.minimum_elevation_deg)
    mean = geometry.mean_pass_s(passes.altitude_km, passes.minimum_elevation_deg)
    chosen = overhead if basis == "overhead" else mean
    offset = track.offset_for(altitude, lowest, chosen)
    samples = track.circular(altitude, lowest, offset)
    edge = track.overhead_at(altitude, lowest).distance_km
    return Pass(Fraction(chosen), overhead, mean, basis, passes.per_day, samples, edge)


def elements_of(passes: Passes) -> tuple[orbit.Orbit, Site, float]:
    """The orbit, the site and the mask of passes that have elements. Raises RadioError."""
    from packetkit.passes import orbit

    if passes.elements is None or passes.site is None or passes.minimum_elevation_deg is None:
        raise RadioError("the schema has no passes.elements with a site")
    return orbit.Orbit(passes.elements), passes.site, float(passes.minimum_elevation_deg)


def _window_of_elements(passes: Passes, basis: str, start: datetime | None) -> Pass:
    from packetkit.passes import orbit

    made, site, lowest = elements_of(passes)
    found = orbit.events(made, site, lowest, start or made.epoch, DAYS)
    if not found:
        raise RadioError(f"no pass rises above {lowest:g} deg within {DAYS} days; lower the elevation")
    mean, longest = orbit.mean_duration_s(found), max(found, key=lambda event: event.highest_deg)
    near = min(found, key=lambda event: abs(event.duration_s - mean))
    chosen = longest if basis == "overhead" else near
    samples = orbit.track(made, site, chosen)
    per_day = Fraction(len(found), DAYS)
    return Pass(Fraction(chosen.duration_s), longest.duration_s, mean, basis, per_day, samples)


def has_ends(link: Link) -> bool:
    """True where the link says enough for a margin."""
    return (
        link.setting is not None
        and link.between is not None
        and link.unit is not None
        and link.unit.power_dbm is not None
    )
