"""Experiment: what each spreading factor gives in distance and takes in bytes."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import NamedTuple

from packetkit.lab.experiment import Cell, Chart, Heading, Line, Outcome, Request
from packetkit.mission.budget import allowance
from packetkit.mission.link import ends_of, longest_frame, neighbours
from packetkit.radio import CAUTION, chirp, link
from packetkit.radio.sensitivity import sensitivity
from packetkit.radio.settings import Setting


class Reach(NamedTuple):
    """One setting: sensitivity, time on air, the distance at which the margin is used up in free space, frames and bytes in a time."""

    setting: Setting
    used: bool
    sensitivity_dbm: float
    airtime_s: Fraction
    distance_km: float
    frames: int
    frame_bytes: int


def run(request: Request) -> Outcome:
    """Try every spreading factor that the modem has at the mission's bandwidth. Raises RadioError where the schema says too little."""
    mission = request.mission
    setting, unit, ground, between = ends_of(mission.link)
    _, on_air = longest_frame(mission, request.frame)
    minutes = request.whole("minutes")
    time_s = Fraction(minutes * 60)
    allowed_s = allowance(time_s, mission.link.share_of_hour)
    found = []
    for one in neighbours(mission.link, setting):
        air_s = chirp.time_on_air(one, on_air)
        margin_db = link.margin(one, unit, ground, between, 1.0).margin_db
        frames = min(time_s // (air_s + mission.link.gap_s), allowed_s // air_s)
        hears = sensitivity(one, ground.receiver, ground.noise_figure_db).dbm
        found.append(
            Reach(
                one,
                one == setting,
                hears,
                air_s,
                10 ** (margin_db / 20),
                frames,
                frames * request.frame_bytes,
            )
        )
    return Outcome(
        f"{request.named}: {on_air} bytes on the air, {setting.bandwidth}, coding rate {setting.coding_rate}, {minutes} minutes",
        tuple(_record(one, minutes) for one in found),
        (
            Heading("SF"),
            Heading("sensitivity"),
            Heading("time on air,\nms"),
            Heading("free-space\ndistance, km"),
            Heading(f"frames in\n{minutes} min"),
            Heading("frame bytes"),
        ),
        tuple(_row(one) for one in found),
        Chart(
            f"Distance against bytes in {minutes} minutes, by spreading factor",
            "frame bytes",
            "free-space distance, km",
            tuple(
                Line(
                    f"SF{one.setting.spreading_factor}",
                    ((float(one.frame_bytes), one.distance_km),),
                    points_only=True,
                )
                for one in found
            ),
            log_up=True,
        ),
        (*_seen(found), CAUTION),
    )


def _record(one: Reach, minutes: int) -> dict[str, Cell]:
    return {
        "spreading_factor": one.setting.spreading_factor,
        "used": one.used,
        "sensitivity_dbm": one.sensitivity_dbm,
        "time_on_air_ms": float(one.airtime_s * 1000),
        "free_space_km": one.distance_km,
        "minutes": minutes,
        "frames": one.frames,
        "frame_bytes": one.frame_bytes,
    }


def _row(one: Reach) -> tuple[str, ...]:
    return (
        f"{'* ' if one.used else ''}{one.setting.spreading_factor}",
        f"{one.sensitivity_dbm:.1f} dBm",
        f"{float(one.airtime_s * 1000):,.1f}",
        f"{one.distance_km:,.0f}",
        f"{one.frames:,}",
        f"{one.frame_bytes:,}",
    )


def _seen(found: Sequence[Reach]) -> list[str]:
    if len(found) < 2:
        return []
    first, last = found[0], found[-1]
    ends = f"From SF{first.setting.spreading_factor} to SF{last.setting.spreading_factor}"
    farther, fewer = last.distance_km / first.distance_km, first.frame_bytes / max(last.frame_bytes, 1)
    return [f"{ends} the distance grows {farther:.1f} times and the bytes shrink {fewer:.0f} times."]
