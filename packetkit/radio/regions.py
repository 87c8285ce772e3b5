"""Limits that documents state for some bands, as rows with document and year; figures to compare with, never a verdict.

Nothing here says that something is allowed: local rules, the current texts and licensed operators decide. Where a figure of a row was
recalled rather than read, the row says which ("from memory").
"""

from __future__ import annotations

import math
from dataclasses import dataclass

ERP_BELOW_EIRP_DB = 2.15  # gain of a half-wave dipole over an isotropic radiator


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a document: band in MHz, power and what it is measured as, share of the hour in percent, dwell in milliseconds.

    None: the row states no such limit. recalled: which of the figures are from memory, empty where all were read.
    """

    region: str
    low_mhz: float
    high_mhz: float
    power_mw: float | None
    power_kind: str  # erp | eirp | conducted
    duty_percent: float | None
    dwell_ms: float | None
    document: str
    year: int
    recalled: str = ""
    note: str = ""

    @property
    def power_dbm(self) -> float | None:
        return None if self.power_mw is None else 10 * math.log10(self.power_mw)

    def holds(self, frequency_mhz: float) -> bool:
        """Return whether the frequency lies in the row's band."""
        return self.low_mhz <= frequency_mhz <= self.high_mhz

    def radiated_dbm(self, conducted_dbm: float, eirp_dbm: float) -> float:
        """Return the power as this row measures it, in dBm."""
        if self.power_kind == "conducted":
            return conducted_dbm
        return eirp_dbm - (ERP_BELOW_EIRP_DB if self.power_kind == "erp" else 0.0)


_EN = "EN 300 220-2 V3.2.1"
_REC = "ERC/REC 70-03, annex 1"
_FCC = "47 CFR 15.247"
_HOP = "frequency hopping: one fixed 125 kHz channel is not that; rules for a single carrier are others (15.249, from memory)"
ROWS: tuple[Row, ...] = (
    Row("eu", 433.05, 434.79, 10, "erp", 10, None, _REC, 2021, "power, duty cycle, year"),
    Row(
        "eu",
        433.05,
        434.79,
        1,
        "erp",
        None,
        None,
        _REC,
        2021,
        "power, year",
        "with at most -13 dBm in 10 kHz",
    ),
    Row("eu", 863.0, 865.0, 25, "erp", 0.1, None, _EN, 2018, "power", "band K"),
    Row("eu", 865.0, 868.0, 25, "erp", 1, None, _EN, 2018, "power", "band L"),
    Row("eu", 868.0, 868.6, 25, "erp", 1, None, _EN, 2018, "power", "band M"),
    Row("eu", 868.7, 869.2, 25, "erp", 0.1, None, _EN, 2018, "power", "band N"),
    Row("eu", 869.4, 869.65, 500, "erp", 10, None, _EN, 2018, "power", "band P"),
    Row("eu", 869.7, 870.0, 25, "erp", 1, None, _EN, 2018, "power"),
    Row("eu", 869.7, 870.0, 5, "erp", None, None, _EN, 2018, "power"),
    Row("us", 902.0, 928.0, 1000, "conducted", None, 400, _FCC, 2021, "", _HOP),
    Row("as923", 915.0, 928.0, 39.81, "eirp", None, 400, "RP002-1.0.5, table 73", 2025, "band edges"),
)
REGIONS: tuple[str, ...] = tuple(dict.fromkeys(row.region for row in ROWS))


def rows_for(region: str, frequency_mhz: float) -> tuple[Row, ...]:
    """Return the rows of a region whose band holds the frequency; empty where none does."""
    return tuple(row for row in ROWS if row.region == region and row.holds(frequency_mhz))
