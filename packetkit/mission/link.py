"""The link of a mission: the margin against elevation or distance, and what each spreading factor would make of it.

Downlink: from `link.unit` to `link.ground`; uplink the other way, where the ground's power is declared. Loss is the expected share of
the longest frames lost at that margin. Doppler figures are those of an overhead pass, which has the largest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from packetkit.errors import RadioError, counted
from packetkit.mission.bands import cautions
from packetkit.mission.budget import longest
from packetkit.mission.carrier import fastest
from packetkit.mission.load import Link, Mission, Passes
from packetkit.mission.passes import window_of
from packetkit.passes.track import Sample, overhead_at
from packetkit.radio import doppler, loss, regions
from packetkit.radio import link as radio
from packetkit.radio.sensitivity import Sensitivity, sensitivity
from packetkit.radio.settings import Setting, setting_faults

ELEVATIONS_DEG = (0, 5, 10, 15, 20, 30, 45, 60, 90)
FRACTIONS = (1.0, 0.7, 0.5, 0.3, 0.2, 0.1)  # of the given distance, the farthest first


@dataclass(frozen=True, slots=True)
class Row:
    """The link at one place: margins in dB (uplink None without a ground transmitter), loss of the longest frame, Doppler in Hz.

    motion None: the place is a distance alone, which says nothing of speed.
    """

    sample: Sample
    down: radio.Margin
    up: radio.Margin | None
    loss: float
    motion: doppler.Motion | None


@dataclass(frozen=True, slots=True)
class Choice:
    """One spreading factor at this bandwidth, at the farthest place; motion: the largest of all places and moments."""

    setting: Setting
    sensitivity: Sensitivity
    margin_db: float
    loss: float
    motion: doppler.Motion


@dataclass(frozen=True, slots=True)
class Picture:
    """All of a link. frame_name, payload_bytes: the frame counted with, the driver's bytes included. rows: the farthest place first.

    motion: the largest shift and rate of all places and moments; None where nothing tells how fast anything moves. bands: what the
    region's rows leave open.
    """

    setting: Setting
    frame_name: str
    payload_bytes: int
    frequency_mhz: float
    rows: tuple[Row, ...]
    choices: tuple[Choice, ...]
    compared: tuple[tuple[regions.Row, float], ...]
    region: str | None
    motion: doppler.Motion | None
    bands: tuple[str, ...]

    @property
    def findings(self) -> tuple[str, ...]:
        """What makes the link fail: too weak where it is weakest, or a carrier that the receiver does not find."""
        return *self.too_weak, *self.unfound

    @property
    def unfound(self) -> tuple[str, ...]:
        """Why the receiver may not find the carrier at the worst moment; empty where it does."""
        why = "" if self.motion is None else doppler.beyond(self.setting, self.motion.shift_hz)
        return (f"{why}; {doppler.REMEDY}",) if why else ()

    @property
    def too_weak(self) -> tuple[str, ...]:
        """Which way lacks how much where the link is weakest."""
        found = []
        worst = self.rows[0]
        where = place_words(worst.sample)
        for name, margin in (("downlink", worst.down), ("uplink", worst.up)):
            if margin is not None and margin.margin_db < 0:
                found.append(f"{name}: {-margin.margin_db:.1f} dB too weak {where}")
        return tuple(found)

    @property
    def warnings(self) -> tuple[str, ...]:
        """What sources warn of, with their numbers: at the worst of all places."""
        return (() if self.motion is None else self.motion.warnings) + self.bands


def km_words(distance_km: float) -> str:
    """A distance to four digits, as far as one is known: `98.41 km`, `2,078 km`.

    >>> km_words(98.4138), km_words(2078.04), km_words(0.5)
    ('98.41 km', '2,078 km', '0.5 km')
    """
    return f"{distance_km:,.0f} km" if distance_km >= 1000 else f"{distance_km:.4g} km"


def place_words(sample: Sample) -> str:
    """Where a sample is, in words."""
    if sample.elevation_deg is None:
        return f"at {km_words(sample.distance_km)}"
    return f"at {sample.elevation_deg:.0f} deg"


def ends_of(link: Link) -> tuple[Setting, radio.End, radio.End, radio.Between]:
    """The setting, the ends and what is between them. Raises RadioError with all that the schema lacks."""
    if (
        link.setting is not None
        and link.unit is not None
        and link.unit.power_dbm is not None
        and link.between is not None
    ):
        return link.setting, link.unit, link.ground or radio.End(), link.between
    lacks = []
    if link.setting is None:
        lacks.append("link: {chirp: {spreading_factor: 10, bandwidth_khz: 125, frequency_mhz: 868.1}}")
    elif link.frequency_mhz is None:
        lacks.append("link.chirp.frequency_mhz: 868.1")
    if link.unit is None or link.unit.power_dbm is None:
        lacks.append("link.unit: {power_dbm: 14, antenna_gain_dbi: 0}")
    raise RadioError("the schema does not say enough of the link; add " + "\n  and ".join(lacks))


def longest_frame(mission: Mission, name: str | None = None) -> tuple[str, int]:
    """The frame to count with (the longest unless named) and its bytes on the air, the driver's included. Raises RadioError."""
    if name is not None and name not in mission.layouts:
        raise RadioError(f"{mission.name} has no frame {name!r}; it has {', '.join(mission.layouts)}")
    names = list(mission.sent) if name is None else [name]
    sizes = {one: longest(mission.layouts[one], mission.link)[0] for one in names}
    chosen = max(sizes, key=lambda one: sizes[one])
    size = sizes[chosen] + mission.link.driver_bytes
    if size > 255:
        raise RadioError(
            f"{chosen}: {counted(size, 'byte')} do not fit a packet of 255; shorten the frame or split it"
        )
    return chosen, size


def places(passes: Passes | None, distance_km: float | None) -> tuple[Sample, ...]:
    """Places to look at, the farthest first: elevations of an overhead pass, or shares of the farthest distance. Raises RadioError.

    Of elements, moments of the highest pass of a week.
    """
    if distance_km is not None:
        return tuple(Sample(0.0, None, distance_km * share, 0.0, 0.0) for share in FRACTIONS)
    if passes is not None and passes.altitude_km is not None and passes.minimum_elevation_deg is not None:
        altitude, lowest = float(passes.altitude_km), float(passes.minimum_elevation_deg)
        shown = [lowest, *(one for one in ELEVATIONS_DEG if one > lowest)]
        return tuple(overhead_at(altitude, one) for one in shown)
    if passes is not None and passes.elements is not None:
        # The highest pass of a week, from where it is farthest to where it is nearest.
        falling = sorted(window_of(passes, "overhead").track, key=lambda sample: -sample.distance_km)
        return tuple(falling[:: len(falling) // len(ELEVATIONS_DEG)])
    if passes is not None and (passes.flight is not None or passes.distance_km is not None):
        farthest = max(sample.distance_km for sample in window_of(passes).track)
        return places(None, farthest)
    raise RadioError(
        "how far the link reaches is not known; give --distance-km, or passes with an orbit or a flight"
    )


def picture(
    mission: Mission, samples: Sequence[Sample], frame: str | None = None, over: Sequence[Sample] = ()
) -> Picture:
    """The link at these places. over: the pass or flight, which may move faster. Raises RadioError where the schema does not say enough."""
    setting, unit, ground, between = ends_of(mission.link)
    name, payload = longest_frame(mission, frame)
    rows = tuple(_row(setting, unit, ground, between, payload, sample) for sample in samples)
    moving = [one for one in (*samples, *over) if moves(one)]
    moved = fastest(between.frequency_mhz, moving)
    choices = tuple(
        _choice(one, unit, ground, between, payload, rows[0].sample, moved)
        for one in neighbours(mission.link, setting)
    )
    region = mission.link.region
    limits = regions.rows_for(region, between.frequency_mhz) if region else ()
    assert unit.power_dbm is not None and unit.eirp_dbm is not None
    compared = tuple((row, row.radiated_dbm(unit.power_dbm, unit.eirp_dbm)) for row in limits)
    motion = doppler.motion(setting, payload, *moved) if moving else None
    return Picture(
        setting,
        name,
        payload,
        between.frequency_mhz,
        rows,
        choices,
        compared,
        region,
        motion,
        cautions(mission.link),
    )


def moves(sample: Sample) -> bool:
    """True where a sample tells how fast it moves: a distance alone does not."""
    return sample.elevation_deg is not None


def _row(
    setting: Setting,
    unit: radio.End,
    ground: radio.End,
    between: radio.Between,
    payload: int,
    sample: Sample,
) -> Row:
    down = radio.margin(setting, unit, ground, between, sample.distance_km)
    up = None
    if ground.power_dbm is not None:
        up = radio.margin(setting, ground, unit, radio.up(between), sample.distance_km)
    shift = doppler.shift_hz(sample.range_rate_km_s, between.frequency_mhz)
    rate = doppler.shift_hz(sample.range_acceleration_km_s2, between.frequency_mhz)
    motion = doppler.motion(setting, payload, shift, rate) if moves(sample) else None
    return Row(sample, down, up, loss.loss_for(setting, payload, down.margin_db), motion)


def neighbours(link: Link, setting: Setting) -> list[Setting]:
    """The same setting at every spreading factor that the modem can do with it, and both ends' radios too."""
    asked = {name: getattr(setting, name) for name in setting.__dataclass_fields__}
    # The old family's SF6 has no explicit header, the new one's no low-data-rate blocks.
    able = [
        replace(setting, spreading_factor=factor)
        for factor in setting.modem.spreading_factors
        if not setting_faults({**asked, "spreading_factor": factor})
    ]
    return [one for one in able if not link.misfit(one)]


def _choice(
    setting: Setting,
    unit: radio.End,
    ground: radio.End,
    between: radio.Between,
    payload: int,
    farthest: Sample,
    moved: tuple[float, float],
) -> Choice:
    margin = radio.margin(setting, unit, ground, between, farthest.distance_km).margin_db
    return Choice(
        setting,
        sensitivity(setting, ground.receiver, ground.noise_figure_db),
        margin,
        loss.loss_for(setting, payload, margin),
        doppler.motion(setting, payload, *moved),
    )
