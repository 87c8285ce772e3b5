"""Which setting brings most home: a sweep over spreading factor, bandwidth, coding rate, bundling and cadence, and what binds.

A cell is one setting and one number of records in a packet, sent back to back: a packet carries whole frames of the mission, each with
its own check. Packets follow each other as WIRE.md rule 23 says, at the cadence times the bundle where there is one; what arrives is
expected from the link's margin along the pass. Cells that cannot work are dropped with their reason. Of the rest, the frontier holds
those that no other cell beats in delivered bytes, margin and energy at once.

A carrier that is off by more than 25 % of the bandwidth drops a cell (data sheets disagree between 20 and 25 %, and a receiver that
follows the pass may do better); drift within a packet only marks it: sources disagree more widely there.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from packetkit.errors import RadioError, counted
from packetkit.mission.budget import allowance, longest
from packetkit.mission.carrier import fastest
from packetkit.mission.link import ends_of
from packetkit.mission.load import Link, Mission
from packetkit.mission.passes import Pass
from packetkit.radio import chirp, doppler, energy, loss, modems, regions, settings
from packetkit.radio import link as radio
from packetkit.radio.sensitivity import USUAL_RECEIVER
from packetkit.radio.settings import Setting

Array = npt.NDArray[np.float64]

BUNDLES = tuple(range(1, 33))
CADENCES = (Fraction(1, 4), Fraction(1, 2), Fraction(1), Fraction(2), Fraction(4))  # of the frame's own
MUCH_LOST = 0.1  # from here on the margin is what binds


@dataclass(frozen=True, slots=True)
class Cell:
    """One setting with so many records in a packet. delivered: expected a pass; margins in dB at the worst and best moment.

    binds: what keeps it from bringing more; drifts: the drift rule is exceeded within the packet; energy_mj_per_byte: of sending, for
    each record byte delivered, None where the unit's current is not known.
    """

    setting: Setting
    bundle: int
    cadence_s: Fraction | None
    payload_bytes: int
    time_on_air_s: Fraction
    packets: int
    delivered_records: float
    delivered_bytes: float
    loss: float
    margin_least_db: float
    margin_best_db: float
    energy_mj_per_byte: float | None
    drifts: bool
    binds: str

    @property
    def whole_bytes(self) -> int:
        """The bytes delivered, as far as they can be told apart: a loss of one frame in a million makes no setting the worse."""
        return round(self.delivered_bytes)


@dataclass(frozen=True, slots=True)
class Sweep:
    """All cells that can work, why the others cannot (reason: how many), and the cell of the schema as it is.

    now None: the schema as it is cannot work; now_dropped says why.
    sending_ma: the unit's current while it sends, None where it is not known.
    """

    frame_name: str
    frame_bytes: int
    cells: tuple[Cell, ...]
    dropped: dict[str, int]
    now: Cell | None
    now_dropped: str
    sending_ma: float | None

    @property
    def has_cadences(self) -> bool:
        """True where records come at a cadence, not as fast as they can be sent."""
        return any(cell.cadence_s is not None for cell in self.cells)


@dataclass(frozen=True, slots=True)
class _Given:
    """What every cell shares."""

    link: Link
    window: Pass
    record_bytes: int
    frequency_mhz: float
    shift_hz: float
    rate_hz_per_s: float
    current_ma: float | None
    dwell_s: float | None
    margin_at_1_km: dict[Setting, float]
    falls_db: Array
    most_fall_db: float


def frame_for(mission: Mission, name: str | None = None) -> str:
    """The frame to plan for: the named one, else the first without a cadence, else the longest. Raises RadioError."""
    if name is not None:
        if name not in mission.layouts:
            raise RadioError(f"{mission.name} has no frame {name!r}; it has {', '.join(mission.layouts)}")
        return name
    free = [one for one, layout in mission.sent.items() if layout.cadence_s is None]
    return free[0] if free else max(mission.sent, key=lambda one: longest(mission.sent[one], mission.link)[0])


def sweep(
    mission: Mission,
    window: Pass,
    frame: str | None = None,
    *,
    factors: Iterable[int] | None = None,
    bandwidths: Iterable[modems.Bandwidth] = modems.BANDWIDTHS,
    rates: Iterable[str] = tuple(modems.CODING_RATES),
    bundles: Sequence[int] = BUNDLES,
    cadences: Sequence[Fraction | None] | None = None,
) -> Sweep:
    """Every cell of the ranges. cadences: seconds from one record to the next, None for as fast as it goes; CADENCES unless given.

    Raises RadioError where the schema does not say enough of the link, or no distance is known.
    """
    setting = ends_of(mission.link)[0]
    if not window.track:
        raise RadioError(
            "how far the link reaches is not known; give passes with an orbit, a flight or a distance"
        )
    name = frame_for(mission, frame)
    size = longest(mission.layouts[name], mission.link)[0]
    given = _given(mission, window, size)
    own = mission.layouts[name].cadence_s
    every = cadences or ((None,) if own is None else tuple(own * share for share in CADENCES))
    dropped: Counter[str] = Counter()
    cells: list[Cell] = []
    rates, bandwidths = tuple(rates), tuple(bandwidths)
    for factor in setting.modem.spreading_factors if factors is None else tuple(factors):
        for bandwidth in bandwidths:
            cells += _cells_of(
                given, setting, factor, bandwidth, rates, tuple(bundles), tuple(every), dropped
            )
    now, why = _now(given, setting, own)
    return Sweep(name, size, tuple(cells), dict(dropped.most_common()), now, why, given.current_ma)


def _now(given: _Given, setting: Setting, cadence: Fraction | None) -> tuple[Cell | None, str]:
    """The cell of the schema as it is, or None and why it cannot work, judged as all others are."""
    dropped: Counter[str] = Counter()
    found = _cells_of(
        given,
        setting,
        setting.spreading_factor,
        setting.bandwidth,
        (setting.coding_rate,),
        (1,),
        (cadence,),
        dropped,
    )
    return (found[0], "") if found else (None, next(iter(dropped)))


def _given(mission: Mission, window: Pass, record_bytes: int) -> _Given:
    setting, unit, _, between = ends_of(mission.link)
    shift, rate = fastest(between.frequency_mhz, window.track)
    current = None
    if unit.power_dbm is not None:
        try:
            current = energy.sending_ma(unit.receiver or USUAL_RECEIVER[setting.modem.name], unit.power_dbm)[
                0
            ]
        except RadioError:  # no row for this radio or power: the plan then leaves energy out
            current = None
    region = mission.link.region
    rows = regions.rows_for(region, between.frequency_mhz) if region else ()
    dwell = min((row.dwell_ms for row in rows if row.dwell_ms is not None), default=None)
    return _Given(
        mission.link,
        window,
        record_bytes,
        between.frequency_mhz,
        shift,
        rate,
        current,
        None if dwell is None else dwell / 1000,
        {},
        20 * np.log10([sample.distance_km for sample in window.track]),
        20 * math.log10(window.farthest_km),
    )


def _cells_of(
    given: _Given,
    setting: Setting,
    factor: int,
    bandwidth: modems.Bandwidth,
    rates: tuple[str, ...],
    bundles: tuple[int, ...],
    cadences: tuple[Fraction | None, ...],
    dropped: Counter[str],
) -> list[Cell]:
    """The cells of one spreading factor and bandwidth, or the reason why there is none."""
    many = len(rates) * len(bundles) * len(cadences)
    asked = {name: getattr(setting, name) for name in setting.__dataclass_fields__}
    asked |= {"spreading_factor": factor, "bandwidth": bandwidth}
    if settings.setting_faults(asked):
        dropped[f"the modem cannot: SF{factor} with this header or low-data-rate setting"] += many
        return []
    base = replace(setting, spreading_factor=factor, bandwidth=bandwidth)
    if why := given.link.misfit(base):
        dropped[f"the receiver cannot: {why.partition(';')[0]}"] += many
        return []
    if why := doppler.beyond(base, given.shift_hz):
        dropped[f"Doppler: {why}"] += many
        return []
    cells: list[Cell] = []
    for rate in rates:
        cells += _cells(given, replace(base, coding_rate=rate), bundles, cadences, dropped)
    return cells


def _cells(
    given: _Given,
    setting: Setting,
    bundles: Sequence[int],
    cadences: Sequence[Fraction | None],
    dropped: Counter[str],
) -> list[Cell]:
    """The cells of one setting."""
    link = given.link
    assert link.unit is not None and link.between is not None
    at_one = radio.margin(setting, link.unit, link.ground or radio.End(), link.between, 1.0).margin_db
    margins = at_one - given.falls_db
    best = float(margins.max())
    cells: list[Cell] = []
    if best < 0:
        dropped["margin: below 0 dB even at the best moment"] += len(bundles) * len(cadences)
        return cells
    room = _room(link)
    for bundle in bundles:
        records_bytes = bundle * given.record_bytes
        if records_bytes > room:
            dropped[f"packet: more than {counted(room, 'byte')}"] += len(cadences)
            continue
        payload = records_bytes + link.driver_bytes
        airtime = chirp.time_on_air(setting, payload)
        if given.dwell_s is not None and airtime > given.dwell_s:
            dropped[f"dwell: a packet lasts longer than {given.dwell_s * 1000:g} ms"] += len(cadences)
            continue
        lost = float(np.mean(loss.frame_loss(setting, payload, margins)))
        for cadence in cadences:
            cell = _cell(
                given, setting, bundle, payload, airtime, lost, cadence, (at_one - given.most_fall_db, best)
            )
            if cell.packets:
                cells.append(cell)
            else:
                dropped["airtime: not one packet ends within the pass and its share of the hour"] += 1
    return cells


def _room(link: Link) -> int:
    """Bytes of records that a packet holds."""
    room = chirp.MAXIMUM_PAYLOAD_BYTES - link.driver_bytes
    return room if link.maximum_frame_bytes is None else min(room, link.maximum_frame_bytes)


def _cell(
    given: _Given,
    setting: Setting,
    bundle: int,
    payload: int,
    airtime: Fraction,
    lost: float,
    cadence: Fraction | None,
    margins: tuple[float, float],
) -> Cell:
    link, duration = given.link, given.window.duration_s
    busy = airtime + link.gap_s
    period = busy if cadence is None else max(cadence * bundle, busy)
    by_time = duration // period
    by_share = allowance(duration, link.share_of_hour) // airtime
    packets = int(min(by_time, by_share))
    records = packets * bundle * (1 - lost)
    delivered = records * given.record_bytes
    spent = None
    if given.current_ma is not None and delivered > 0:
        spent = 1000 * packets * energy.energy_j(float(airtime), given.current_ma) / delivered
    drift = given.rate_hz_per_s * float(airtime)
    if lost > MUCH_LOST:
        binds = "margin"
    elif by_share < by_time:
        binds = "duty"
    elif cadence is not None and cadence * bundle > busy:
        binds = "cadence"
    elif cadence is not None and cadence * bundle < busy:
        binds = "backlog"
    else:
        binds = "airtime"
    return Cell(
        setting,
        bundle,
        cadence,
        payload,
        airtime,
        packets,
        records,
        delivered,
        lost,
        margins[0],
        margins[1],
        spent,
        drift > doppler.drift_limit_hz(setting),
        binds,
    )


# ---- the frontier, and the best few


def frontier(cells: Iterable[Cell]) -> tuple[Cell, ...]:
    """The cells that none beats in delivered bytes, least margin and energy a byte at once, most bytes first."""
    ordered = sorted(
        cells,
        key=lambda cell: (
            -cell.whole_bytes,
            -cell.margin_least_db,
            cell.energy_mj_per_byte or 0.0,
            cell.bundle,
        ),
    )
    kept: list[Cell] = []
    points = np.zeros((0, 2))
    for cell in ordered:
        point = np.array([cell.margin_least_db, -(cell.energy_mj_per_byte or 0.0)])
        # Whatever stands before it delivers at least as much: it is beaten where one of those is as good in both other ways.
        if len(points) and bool(np.any(np.all(points >= point - 1e-12, axis=1))):
            continue
        kept.append(cell)
        points = np.vstack([points, point])
    return tuple(kept)


SPARE_DB = (0, 3, 6, 10)


def _most_for_least(cell: Cell) -> tuple[int, float]:
    """What is the greater the more bytes come home; of as many, the less energy they take."""
    return cell.whole_bytes, -(cell.energy_mj_per_byte or 0.0)


def best(cells: Sequence[Cell]) -> tuple[tuple[str, Cell], ...]:
    """The best few, each with what it is best at: most bytes, the most at several margins, and the least energy for a byte."""
    front = frontier(cells)
    if not front:
        return ()
    found: dict[Cell, list[str]] = {max(front, key=_most_for_least): ["most bytes"]}
    for spare in SPARE_DB:
        fitting = [cell for cell in front if cell.margin_least_db >= spare]
        if fitting:
            words = found.setdefault(max(fitting, key=_most_for_least), [])
            # One cell may be the best at several margins: the largest says it all.
            words[:] = [*(word for word in words if "spare" not in word), f"{spare} dB to spare"]
    costs = [cell for cell in front if cell.energy_mj_per_byte is not None]
    if costs:
        found.setdefault(min(costs, key=lambda cell: cell.energy_mj_per_byte or 0.0), []).append(
            "least energy"
        )
    return tuple((", ".join(words), cell) for cell, words in found.items())
