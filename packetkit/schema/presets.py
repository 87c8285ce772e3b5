"""Quantities whose sensible range, resolution and unit most small units share.

A preset fills in keys that the field does not write itself; `check` prints what it filled in. Ranges are common practice for small
units unless a row names more; every one can be overridden.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True, slots=True)
class Preset:
    """What `preset: name` stands for: a range by meaning, with its unit, its missing code and why these numbers."""

    name: str
    minimum: Fraction
    maximum: Fraction
    resolution: Fraction
    unit: str
    missing: bool
    why: str


def _row(
    name: str, minimum: str, maximum: str, resolution: str, unit: str, why: str, missing: bool = True
) -> Preset:
    return Preset(name, Fraction(minimum), Fraction(maximum), Fraction(resolution), unit, missing, why)


PRESETS: dict[str, Preset] = {
    preset.name: preset
    for preset in (
        _row(
            "latitude",
            "-90",
            "90",
            "0.00002",
            "deg",
            "2.2 m on the ground: the accuracy of a good receiver, in 24 bits",
        ),
        _row("longitude", "-180", "180", "0.00002", "deg", "2.2 m at the equator, in 25 bits"),
        _row(
            "balloon_altitude",
            "-500",
            "45000",
            "1",
            "m",
            "Dead Sea shore to above the highest latex balloons",
        ),
        _row("orbit_altitude", "100", "2000", "0.1", "km", "low Earth orbit"),
        _row("ground_speed", "0", "250", "0.1", "m/s", "above the fastest jet stream"),
        _row("vertical_speed", "-100", "100", "0.1", "m/s", "free fall near burst to a fast ascent"),
        _row("heading", "0", "359", "1", "deg", "whole degrees"),
        _row("satellites", "0", "40", "1", "", "satellites used in a fix"),
        _row("air_temperature", "-90", "60", "0.1", "Cel", "the stratosphere's coldest to a hot desert"),
        _row("board_temperature", "-60", "125", "0.5", "Cel", "the range of industrial parts"),
        _row("pressure", "0", "1100", "0.1", "hPa", "space to the deepest valley"),
        _row("humidity", "0", "100", "0.5", "%", "finer than common sensors are accurate"),
        _row("cell_voltage", "2.5", "4.3", "0.02", "V", "one lithium cell, empty to above full"),
        _row("battery_voltage", "0", "12", "0.01", "V", "packs of up to three lithium cells"),
        _row("current", "-2", "2", "0.002", "A", "charge and discharge of a small pack"),
        _row("acceleration", "-16", "16", "0.01", "gn", "the usual 16 g sensor range"),
        _row("angular_rate", "-2000", "2000", "0.1", "deg/s", "the usual 2000 deg/s sensor range"),
        _row("magnetic_field", "-100", "100", "0.05", "uT", "above the field at the poles"),
        _row("illuminance", "0", "130000", "10", "lx", "direct sunlight is about 100,000 lx"),
        _row("dose_rate", "0", "100", "0.05", "uSv/h", "ground to above airliner altitudes"),
        _row("signal_strength", "-150", "0", "1", "dB(mW)", "below the noise to a near transmitter"),
        _row("signal_to_noise", "-25", "20", "0.25", "dB", "the range chirp receivers report"),
    )
}
