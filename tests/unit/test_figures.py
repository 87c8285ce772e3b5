"""Figures held against limits: what a message says is allowed is allowed, exactly."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Any

import pytest

from packetkit.passes import flight
from packetkit.radio import energy, fsk, link
from packetkit.radio.figures import Limits

TABLES: tuple[tuple[Limits, Callable[[Any], tuple[Any, ...]]], ...] = (
    (link.LIMITS, link.figure_faults),
    (energy.LIMITS, energy.figure_faults),
    (fsk.LIMITS, fsk.figure_faults),
    (flight.LIMITS, flight.figure_faults),
)
# The lowest and highest of each, in units that people say them in; their reasons stand in the tables.
ENDS: Mapping[str, tuple[str, str]] = {
    "power_dbm": ("-60", "60"),
    "supply_v": ("0.5", "60"),
    "capacity_wh": ("0.001", "10000"),
    "bitrate_kbps": ("0.1", "1000"),
    "burst_altitude_km": ("0.05", "50"),
    "ascent_m_per_s": ("0.2", "30"),
    "latitude_deg": ("-90", "90"),
    "longitude_deg": ("-180", "180"),
    "message_bytes": ("1", "65535"),
}
ROWS = [(name, ask) for limits, ask in TABLES for name in limits]


@pytest.mark.parametrize(("name", "ask"), ROWS, ids=[name for name, _ in ROWS])
def test_both_ends_that_a_message_names_are_allowed(name: str, ask: Callable[[Any], tuple[Any, ...]]) -> None:
    told = (
        {name: Fraction(0)}
        if name != "parachute_altitude_km"
        else {name: Fraction(0), "descent_m_per_s": Fraction(5)}
    )
    (fault, *_) = ask({**told, name: Fraction(10**9)})
    found = re.fullmatch(r"1e\+09 is outside (\S+) to (\S+); .*", fault.message)
    assert found is not None, fault.message
    low, high = (Fraction(end) for end in found.groups())
    assert name not in ENDS or (low, high) == tuple(Fraction(end) for end in ENDS[name])
    assert ask({**told, name: low}) == ask({**told, name: high}) == ()
    assert ask({**told, name: low - Fraction(1, 1000)}) and ask({**told, name: high + Fraction(1, 1000)})
