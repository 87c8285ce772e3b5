"""The weakest signal that a receiver's data sheet promises for a setting, as rows with their source.

Where a sheet gives a cell, that cell counts; elsewhere the rule that the sheets themselves follow, with the noise figure that fits
the receiver's own rows: -174 dBm/Hz + 10 log10(bandwidth) + noise figure + required signal-to-noise ratio. The residuals of every
row against the rule are held by a test: up to 5 dB at SF6 and 500 kHz, which the rule does not describe, 1.5 dB elsewhere.

Sheets state different conditions: the SX1272's rows are for 10 bytes at coding rate 4/6 with 1 % of packets lost; tables for other
losses stand about 1 dB apart. The loss model takes the SX1272's condition for all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from packetkit.errors import RadioError
from packetkit.radio.modems import MODEMS
from packetkit.radio.settings import Setting, bandwidth

THERMAL_DBM_PER_HZ = -174.0  # kT at 290 K is -173.98 dBm/Hz; the sheets' own rounding
# Signal-to-noise ratio at which a setting still works, in dB. Source: SX1276 data sheet, table of spreading factors (from memory).
REQUIRED_SNR_DB: dict[int, float] = {
    5: -2.5,
    6: -5.0,
    7: -7.5,
    8: -10.0,
    9: -12.5,
    10: -15.0,
    11: -17.5,
    12: -20.0,
}


@dataclass(frozen=True, slots=True)
class Receiver:
    """A receiver's rows: dBm by bandwidth (kHz as in BANDWIDTHS) and spreading factor, and the noise figure that fits them.

    family: of MODEMS. most: where it has fewer bandwidths than its family, those, each with the highest spreading factor there.
    """

    name: str
    family: str
    noise_figure_db: float
    rows: dict[str, dict[int, float]]
    source: str
    most: dict[str, int] = field(default_factory=dict)


def _row(first: int, *values: float) -> dict[int, float]:
    return dict(enumerate(values, first))


RECEIVERS: dict[str, Receiver] = {
    one.name: one
    for one in (
        Receiver(
            "sx1272",
            "sx127x",
            6.0,
            {
                "125": _row(6, -121, -124, -127, -130, -133, -135, -137),
                "250": _row(6, -118, -122, -125, -128, -130, -132, -135),
                "500": _row(6, -111, -116, -119, -122, -125, -128, -129),
            },
            "SX1272 data sheet rev. 2 p. 19",
            {"125": 12, "250": 12, "500": 12},
        ),
        Receiver(
            "sx1276",
            "sx127x",
            7.0,
            {
                "62.5": _row(6, -121, -126, -129, -132, -135, -137, -139),
                "125": _row(6, -118, -123, -126, -129, -132, -133, -136),
                "250": _row(6, -115, -120, -123, -125, -128, -130, -133),
                "500": _row(6, -111, -116, -119, -122, -125, -128, -130),
            },
            "SX1276 data sheet, band 1 (from memory)",
        ),
        Receiver(
            "sx1262",
            "sx126x",
            6.5,
            {
                "10.417": {7: -134.0, 12: -148.0},
                "125": {7: -124.0, 12: -137.0},
                "250": {7: -121.0, 12: -134.0},
                "500": {7: -117.0, 12: -129.0},
            },
            "SX1261/2 data sheet, boosted gain (from memory)",
        ),
        Receiver(
            "llcc68",
            "sx126x",
            6.5,
            {"125": {9: -129.0}, "500": {11: -127.0}},
            "LLCC68 data sheet (from memory)",
            {"125": 9, "250": 10, "500": 11},
        ),
    )
}
# The usual chip of each modem family, for a link that names no receiver.
USUAL_RECEIVER = {"sx127x": "sx1276", "sx126x": "sx1262"}


def misfit(setting: Setting, receiver: str | None) -> str:
    """Return why a receiver of RECEIVERS cannot hear a setting, and a remedy behind a semicolon; empty where it can, or none is named."""
    if receiver is None:
        return ""
    row, factor = RECEIVERS[receiver], setting.spreading_factor
    family = MODEMS[row.family]
    if factor not in family.spreading_factors:
        least = family.spreading_factors[0]
        return f"{receiver} has no SF{factor}; use SF7 or more, which every family has: this one begins with SF{least}"
    if not family.sends_as(setting.modem, factor):
        return (
            f"{receiver} sends SF{factor} otherwise than {setting.modem} does, and neither hears the other; "
            f"use SF7 or more, or modem {row.family} where both ends are of it"
        )
    most = {bandwidth(label): most for label, most in row.most.items()}
    if most and setting.bandwidth not in most:
        return f"{receiver} has no bandwidth of {setting.bandwidth}; use {', '.join(row.most)} kHz, or another receiver"
    if most and factor > most[setting.bandwidth]:
        highest = most[setting.bandwidth]
        return f"{receiver} has no SF{factor} at {setting.bandwidth}; use SF{highest} or less there, or another receiver"
    return ""


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """The weakest signal: dBm at the receiver's connector, the noise figure behind it, and whether a row or the formula gave it."""

    dbm: float
    noise_figure_db: float
    from_table: bool
    source: str


def formula_dbm(setting: Setting, noise_figure_db: float) -> float:
    """Return the sensitivity that the rule gives, in dBm.

    >>> round(formula_dbm(Setting(12, 7.81), 6), 1)
    -149.1
    """
    bandwidth_db = 10 * math.log10(setting.bandwidth.hertz)
    return THERMAL_DBM_PER_HZ + bandwidth_db + noise_figure_db + REQUIRED_SNR_DB[setting.spreading_factor]


def sensitivity(
    setting: Setting, receiver: str | None = None, noise_figure_db: float | None = None
) -> Sensitivity:
    """Return the weakest signal that a setting is received at.

    noise_figure_db: of the whole receiving chain, for example with an amplifier at the antenna; then the formula counts. receiver: a
    name of RECEIVERS, the usual one of the modem's family unless given. Raises RadioError for a receiver without a row here.
    """
    name = receiver or USUAL_RECEIVER[setting.modem.name]
    if name not in RECEIVERS:
        raise RadioError(f"{name!r} is not a receiver known here; use one of {', '.join(RECEIVERS)}")
    row = RECEIVERS[name]
    if noise_figure_db is not None:
        how = f"formula, noise figure {noise_figure_db:g} dB as given"
        return Sensitivity(formula_dbm(setting, noise_figure_db), noise_figure_db, False, how)
    for label, values in row.rows.items():
        if bandwidth(label) == setting.bandwidth and setting.spreading_factor in values:
            return Sensitivity(values[setting.spreading_factor], row.noise_figure_db, True, row.source)
    how = f"formula, noise figure {row.noise_figure_db:g} dB (fits the {name} rows; none for this setting)"
    return Sensitivity(formula_dbm(setting, row.noise_figure_db), row.noise_figure_db, False, how)
