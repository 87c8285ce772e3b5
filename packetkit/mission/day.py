"""What a budget means over a day: measured and carried home, what stays behind, the memory card, energy, and documents' figures.

A frame with a cadence is measured, and sent, around the clock (in a flight: while it lasts); only what falls into a pass comes home. One
without a cadence is sent in passes only. Each figure can be worked again from the shares and the few numbers of the schema.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from packetkit.errors import RadioError
from packetkit.layout.model import Choice, Layout, slots_of, walk
from packetkit.mission.budget import Budget, Share
from packetkit.mission.load import Mission
from packetkit.radio import energy, regions
from packetkit.radio.sensitivity import USUAL_RECEIVER

DAY_S = 86_400
HOUR_S = 3_600
SECTOR_BYTES = 512  # what a memory card writes at least (common practice)


@dataclass(frozen=True, slots=True)
class Day:
    """Frame bytes of a day: measured (frames with a cadence), carried home (expected, or counted where no loss is known), left behind.

    card_bytes: of the days asked for, in whole sectors; None where none were. carried None: passes a day are not known.
    """

    measured_bytes: Fraction
    carried_bytes: float | None
    days: float | None
    card_bytes: int | None

    @property
    def backlog_bytes(self) -> float | None:
        """What a day adds to what is not home yet."""
        if self.carried_bytes is None:
            return None
        return max(float(self.measured_bytes) - self.carried_bytes, 0.0)


def day_of(made: Budget, days: float | None = None) -> Day:
    """The day that a budget makes, and the card that so many days of it fill."""
    flight = made.window.basis == "flight"
    length = min(made.window.duration_s, Fraction(DAY_S)) if flight else Fraction(DAY_S)
    measured = sum(
        (
            Fraction(share.frame_bytes * (length // max(share.cadence_s, share.time_on_air_s + made.gap_s)))
            for share in made.shares
            if share.cadence_s is not None
        ),
        Fraction(0),
    )
    carried = None
    if made.per_day is not None:
        carried = float(made.per_day) * sum(
            share.delivered_bytes for share in made.shares if share.cadence_s is not None
        )
    card = None
    if days is not None:
        card = math.ceil(float(measured) * days / SECTOR_BYTES) * SECTOR_BYTES
    return Day(measured, carried, days, card)


# ---- energy


@dataclass(frozen=True, slots=True)
class Energy:
    """What the radio costs. frame_mj: of sending, by frame name; the joules are those of period_s, a day or a flight.

    receiving_percent: of the time beside sending. life_days None without a battery, infinite where nothing draws any power.
    """

    radio: str
    sending_ma: float
    receiving_ma: float
    sleep_ua: float
    supply_v: float
    receiving_percent: float
    source: str
    frame_mj: dict[str, float]
    period_s: float
    sending_j: float
    receiving_j: float
    asleep_j: float
    life_days: float | None


def energy_of(mission: Mission, made: Budget) -> Energy | None:
    """The radio's energy; None where the schema names no power. Raises RadioError where no current is known for it."""
    unit, setting, battery = mission.link.unit, mission.link.setting, mission.battery
    if unit is None or unit.power_dbm is None or setting is None:
        return None
    radio = unit.receiver or USUAL_RECEIVER[setting.modem.name]
    sending, source = energy.sending_ma(radio, unit.power_dbm)
    other = energy.CURRENTS[radio]
    supply = energy.SUPPLY_V if battery is None else battery.supply_v
    costs = {
        share.name: energy.energy_j(float(share.time_on_air_s), sending, supply) for share in made.shares
    }
    flight = made.window.basis == "flight"
    period = min(float(made.window.duration_s), float(DAY_S)) if flight else float(DAY_S)
    counts = {share.name: float(frames_a_day(made, share)) for share in made.shares}
    spare_s = max(period - sum(counts[one.name] * float(one.time_on_air_s) for one in made.shares), 0.0)
    receiving = 0.0 if battery is None else battery.receiving_percent
    listens_s = spare_s * receiving / 100
    joules = (
        sum(costs[name] * count for name, count in counts.items()),
        energy.energy_j(listens_s, other.receiving_ma, supply),
        energy.energy_j(spare_s - listens_s, other.sleep_ua / 1000, supply),
    )
    return Energy(
        radio,
        sending,
        other.receiving_ma,
        other.sleep_ua,
        supply,
        receiving,
        source,
        {name: cost * 1000 for name, cost in costs.items()},
        period,
        *joules,
        None if battery is None else battery.life_days(sum(joules) / period),
    )


def frames_a_day(made: Budget, share: Share) -> Fraction:
    """Frames sent in a day: around the clock with a cadence, in passes without; once where passes a day are not known."""
    if share.cadence_s is not None and made.window.basis != "flight":
        return Fraction(DAY_S // max(share.cadence_s, share.time_on_air_s + made.gap_s))
    return share.frames * (Fraction(1) if made.per_day is None else made.per_day)


# ---- documents' figures


def busiest(period_s: Fraction, airtime_s: Fraction, window_s: int = HOUR_S) -> Fraction:
    """The most airtime that a periodic sender has in any window of so many seconds.

    The worst window begins with a frame: whole periods of it, and what of one more frame falls into the rest.

    >>> float(busiest(Fraction(10), Fraction(1, 2)))
    180.0
    """
    whole, rest = divmod(Fraction(window_s), period_s)
    return whole * airtime_s + min(rest, airtime_s)


@dataclass(frozen=True, slots=True)
class Compared:
    """One figure beside a document's: what it is, both numbers, the unit. Above zero, `over` says by how much it is exceeded."""

    row: regions.Row
    what: str
    figure: float
    limit: float
    unit: str

    @property
    def over(self) -> float:
        return self.figure - self.limit

    def __str__(self) -> str:
        recalled = f"; from memory: {self.row.recalled}" if self.row.recalled else ""
        note = f"; {self.row.note}" if self.row.note else ""
        where = f"{self.row.document} ({self.row.year}{recalled}{note})"
        unit = "points" if self.unit == "%" else "dB" if self.unit == "dBm" else self.unit
        distance = f"{abs(self.over):.3g} {unit} {'above' if self.over > 0 else 'below'} that figure"
        return f"{where}: {self.what} {self.limit:.4g} {self.unit}; here {self.figure:.4g} {self.unit}, {distance}"


def busiest_hour_s(made: Budget) -> Fraction:
    """The most airtime in any hour: frames with a cadence around the clock (in a flight while it lasts), the others in one pass.

    Added up, so never too little.
    """
    total = Fraction(0)
    for share in made.shares:
        if share.cadence_s is not None:
            hour = busiest(max(share.cadence_s, share.time_on_air_s + made.gap_s), share.time_on_air_s)
            total += min(hour, share.airtime_s) if made.window.basis == "flight" else hour
        else:
            hours = max(made.window.duration_s / HOUR_S, Fraction(1))
            total += share.airtime_s / hours
    return total


def compared(mission: Mission, made: Budget) -> tuple[Compared, ...]:
    """Power, time of one frame and share of the busiest hour beside every row of the schema's region; empty without one."""
    link = mission.link
    if link.region is None or link.between is None:
        return ()
    rows = regions.rows_for(link.region, link.between.frequency_mhz)
    longest_ms = float(max(share.time_on_air_s for share in made.shares) * 1000)
    share_percent = float(busiest_hour_s(made) / HOUR_S * 100)
    found: list[Compared] = []
    for row in rows:
        unit = link.unit
        if row.power_dbm is not None and unit is not None and unit.power_dbm is not None:
            eirp = unit.eirp_dbm
            assert eirp is not None
            radiated = row.radiated_dbm(unit.power_dbm, eirp)
            found.append(Compared(row, f"{row.power_kind} power", radiated, row.power_dbm, "dBm"))
        if row.dwell_ms is not None:
            found.append(Compared(row, "time of one frame", longest_ms, row.dwell_ms, "ms"))
        if row.duty_percent is not None:
            found.append(Compared(row, "share of the busiest hour", share_percent, row.duty_percent, "%"))
    return tuple(found)


def energy_or_reason(mission: Mission, made: Budget) -> tuple[Energy | None, str]:
    """The energy, or None and why it is not known."""
    try:
        found = energy_of(mission, made)
    except RadioError as error:
        return None, str(error)
    return found, "" if found is not None else "the schema says no power (link.unit.power_dbm)"


def seen_by_field(mission: Mission, shares: Sequence[Share]) -> dict[str, float]:
    """The chance that each value field was seen at least once in a pass, by path; one in several frames counts all of them.

    An optional field counts as if it were there. What is sent in turn is in every n-th frame; which of them a pass begins with is chance.
    """
    unseen: dict[str, float] = {}
    for share in shares:
        if share.seen is None:
            continue
        layout = mission.layouts[share.name]
        every = _turns(layout)
        fields = ((one.address, every.get(one.number, 1)) for one in layout.slots if one.is_value)
        for path, turns in dict.fromkeys(fields):
            unseen[path] = unseen.get(path, 1.0) * (1 - seen_in_turn(share.seen, share.frames, turns))
    return {path: 1 - chance for path, chance in unseen.items()}


def seen_in_turn(seen: float, frames: int, turns: int) -> float:
    """The chance that one of every `turns` frames arrives, of so many, of which one at least arrives with the chance `seen`.

    Taken as if each frame had the same chance, the geometric mean of what they have.
    """
    if turns == 1 or not frames:
        return seen
    lost, (each, more) = math.pow(1 - seen, 1 / frames), divmod(frames, turns)
    return 1 - ((turns - more) * math.pow(lost, each) + more * math.pow(lost, each + 1)) / turns


def _turns(layout: Layout) -> dict[int, int]:
    """Of each slot that is sent in turn, by number: in one of how many frames."""
    found: dict[int, int] = {}
    for node in layout.walk():
        if isinstance(node, Choice) and node.turn:
            inner = (slot for branch in node.branches for one in walk(branch.body) for slot in slots_of(one))
            found |= {slot.number: node.turn for slot in inner}
    return found
