"""What of a mission's frames is heard: every frame that the unit sends over some passes, each with its own chance to be lost.

The same meaning as the budget's: frames with a cadence are sent around the clock, those without one fill the passes; loss is the link's
at the moment of each frame. Passes of elements come when they come; others are spread evenly over the day, or follow each other where
the schema does not say how many there are.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta
from fractions import Fraction

import numpy as np

from packetkit.conformance.simulate import PARTS, Due
from packetkit.errors import RadioError
from packetkit.mission.arrivals import Array, along, losses
from packetkit.mission.budget import budget
from packetkit.mission.day import DAY_S
from packetkit.mission.load import Mission, Passes
from packetkit.mission.passes import DAYS, Pass, elements_of, has_ends, window_of
from packetkit.passes import orbit

MILLISECONDS = 1000  # instants of passes are known to these at best


@dataclass(frozen=True, slots=True)
class Listening:
    """One pass in time: it begins start_s after the unit was switched on; `frames` are sent in it, and lost along it as `lost` says."""

    start_s: Fraction
    window: Pass
    frames: Mapping[str, int]
    lost: Mapping[str, Array]

    @property
    def end_s(self) -> Fraction:
        return self.start_s + self.window.duration_s

    def loss(self, name: str, time_s: Fraction) -> Fraction:
        """The chance that a frame sent then is lost, in whole parts of PARTS."""
        share = float((time_s - self.start_s) / self.window.duration_s)
        (chance,) = along(self.lost[name], np.array([share]))
        return Fraction(round(float(chance) * PARTS), PARTS)


def listened(mission: Mission, count: int) -> tuple[Listening, ...]:
    """The first `count` passes. Raises RadioError where the schema does not tell how frames are lost along a pass."""
    passes = mission.passes
    if passes is None:
        raise RadioError(
            "the schema has no passes; add passes: {altitude_km: 510, minimum_elevation_deg: 10}"
        )
    if not has_ends(mission.link):
        raise RadioError(
            "what is lost is not known; add to the schema link.unit with its power, and a frequency (packetkit link)"
        )
    found = _of_elements(passes, count) if passes.elements is not None else _evenly(passes, count)
    first = found[0][1]
    if not first.track:
        raise RadioError(
            "how far the link reaches is not known; give passes a distance_km beside their duration"
        )
    if all(window is first for _, window in found):
        frames, lost = _counted(mission, first)
        return tuple(Listening(start, window, frames, lost) for start, window in found)
    return tuple(Listening(start, window, *_counted(mission, window)) for start, window in found)


def _counted(mission: Mission, window: Pass) -> tuple[dict[str, int], dict[str, Array]]:
    """Frames of each kind in a pass, and the loss of each kind along it."""
    shares = budget(mission, window).shares
    driver = mission.link.driver_bytes
    lost = {share.name: losses(mission.link, share.frame_bytes + driver, window.track) for share in shares}
    return {share.name: share.frames for share in shares}, lost


def _evenly(passes: Passes, count: int) -> list[tuple[Fraction, Pass]]:
    window = window_of(passes)
    every = window.duration_s if window.per_day is None else max(DAY_S / window.per_day, window.duration_s)
    return [(every * number, window) for number in range(count)]


def _of_elements(passes: Passes, count: int) -> list[tuple[Fraction, Pass]]:
    """The first passes after the elements' epoch; the unit is switched on as the first begins."""
    made, site, lowest = elements_of(passes)
    for days in (DAYS, orbit.LONGEST_DAYS):
        found = orbit.events(made, site, lowest, made.epoch, days)
        if len(found) >= count:
            break
    else:
        few = f"the elements give {len(found)} of them above {lowest:g} deg in {days} days"
        raise RadioError(f"{count} passes: {few}; ask for fewer")
    return [
        (
            Fraction((event.rise - found[0].rise) // timedelta(milliseconds=1), MILLISECONDS),
            Pass(
                Fraction(round(event.duration_s * MILLISECONDS), MILLISECONDS),
                None,
                None,
                "given",
                None,
                orbit.track(made, site, event),
            ),
        )
        for event in found[:count]
    ]


def dues(mission: Mission, names: Mapping[str, object], passes: tuple[Listening, ...]) -> Iterator[Due]:
    """Every frame of these kinds from switching on to the end of the last pass, in order of time."""
    sent: list[tuple[Fraction, int, str, Fraction | None]] = []
    for place, name in enumerate(names):
        times = _times(mission, name, passes)
        current = iter(passes)
        one = next(current, None)
        for time_s in times:
            while one is not None and time_s >= one.end_s:
                one = next(current, None)
            heard = one is not None and time_s >= one.start_s
            sent.append((time_s, place, name, one.loss(name, time_s) if one is not None and heard else None))
    for time_s, _, name, loss in sorted(sent, key=lambda due: due[:2]):
        yield Due(time_s, name, loss)


def _times(mission: Mission, name: str, passes: tuple[Listening, ...]) -> list[Fraction]:
    """When frames of one kind are sent: at their cadence, or evenly spread over each pass, as many as the budget counts."""
    cadence = mission.layouts[name].cadence_s
    if cadence is not None:
        return [cadence * number for number in range(-int(-passes[-1].end_s // cadence))]
    return [
        one.start_s + one.window.duration_s * Fraction(2 * number + 1, 2 * one.frames[name])
        for one in passes
        for number in range(one.frames[name])
    ]
