"""Many teams, one receiver: whose frames can be taken for another's, how full the channel is, what free-running timers lose.

Two frames on one channel spoil each other when they overlap: no capture effect is counted, so this is the worst of it. With timers that
run freely each at its own phase, a frame of length a overlaps a sender of length b and period T with chance (a + b) / T. Offsets bring
that to nothing where all lengths with their guards fit into the greatest common step of the periods: each sender then keeps a slot.
Different frequencies or bandwidths, and different spreading factors, are different channels here (spreading factors nearly so: a much
stronger one still harms, common practice).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import gcd, prod

from packetkit.errors import RadioError
from packetkit.layout.alike import differ, shared_length, told
from packetkit.mission.budget import longest
from packetkit.mission.load import Mission

GUARD_S = Fraction(1, 20)  # between slots: what timers and drivers are late by (common practice)


@dataclass(frozen=True, slots=True)
class Sender:
    """One team's frame on the air: seconds it lasts, seconds from one to the next; its channel as people say it."""

    team: str
    frame: str
    airtime_s: Fraction
    period_s: Fraction
    channel: str

    @property
    def load(self) -> Fraction:
        return self.airtime_s / self.period_s


@dataclass(frozen=True, slots=True)
class Shared:
    """A channel with its senders. lost: each one's share with free-running timers; offsets_s: empty where none are found."""

    channel: str
    senders: tuple[Sender, ...]
    lost: tuple[float, ...]
    step_s: Fraction
    offsets_s: tuple[Fraction, ...]

    @property
    def load(self) -> Fraction:
        """The share of the time that somebody sends, if nobody overlapped; above 1 it cannot be."""
        return sum((sender.load for sender in self.senders), Fraction(0))


@dataclass(frozen=True, slots=True)
class Together:
    """All channels, and pairs of frames that cannot be told apart, each with the reason."""

    channels: tuple[Shared, ...]
    alike: tuple[tuple[str, str, str], ...]


def together(
    teams: Sequence[tuple[str, Mission]], cadence_s: Fraction | None = None, guard_s: Fraction = GUARD_S
) -> Together:
    """What these missions do to each other; teams: names and missions. cadence_s: for frames without one.

    Raises RadioError with every team that names no radio, or whose frame has no cadence; where no frame lacks the one that is given.
    """
    faults: list[str] = []
    if cadence_s is not None and not any(
        one.cadence_s is None for _, mission in teams for one in mission.sent.values()
    ):
        faults.append(
            "--cadence-s is for frames without a cadence, and every frame here has cadence_s; leave it out, or change the schemas"
        )
    senders: list[Sender] = []
    for team, mission in teams:
        senders += _senders(team, mission, cadence_s, faults)
    if faults:
        raise RadioError("\n  ".join(["", *faults]) if len(faults) > 1 else faults[0])
    channels = dict.fromkeys(sender.channel for sender in senders)
    made = tuple(
        _shared(channel, tuple(one for one in senders if one.channel == channel), guard_s)
        for channel in channels
    )
    return Together(made, tuple(_alike(teams)))


def _senders(team: str, mission: Mission, cadence_s: Fraction | None, faults: list[str]) -> Iterator[Sender]:
    link = mission.link
    if link.setting is None:
        faults.append(f"{team}: the schema names no radio; add link: {{chirp: ...}}")
        return
    frequency = "no frequency said" if link.frequency_mhz is None else f"{float(link.frequency_mhz):g} MHz"
    channel = f"{frequency}, SF{link.setting.spreading_factor}, {link.setting.bandwidth}"
    for name, layout in mission.sent.items():
        period = layout.cadence_s or cadence_s
        time = link.time_on_air(longest(layout, link)[0])
        if period is None:
            faults.append(f"{team}: {name} has no cadence_s; add it, or give --cadence-s")
        elif time is None:
            faults.append(f"{team}: {name} does not fit a packet")
        else:
            yield Sender(team, name, time, max(period, time + link.gap_s), channel)


def lost_share(senders: Sequence[Sender], index: int) -> float:
    """The share of one sender's frames that overlap another's, timers running freely; its own frames never overlap."""
    one = senders[index]
    clear = prod(
        max(1 - (one.airtime_s + other.airtime_s) / other.period_s, Fraction(0))
        for place, other in enumerate(senders)
        if place != index and other.team != one.team
    )
    return float(1 - clear)


def common_step(periods: Sequence[Fraction]) -> Fraction:
    """The greatest time of which every period is a whole multiple."""
    common = 1
    for period in periods:
        common = common * period.denominator // gcd(common, period.denominator)
    return Fraction(gcd(*(int(period * common) for period in periods)), common)


def _shared(channel: str, senders: tuple[Sender, ...], guard_s: Fraction) -> Shared:
    step = common_step([sender.period_s for sender in senders])
    starts: list[Fraction] = []
    at = Fraction(0)
    for sender in senders:
        starts.append(at)
        at += sender.airtime_s + guard_s
    lost = tuple(lost_share(senders, index) for index in range(len(senders)))
    return Shared(channel, senders, lost, step, tuple(starts) if at <= step else ())


def _alike(teams: Sequence[tuple[str, Mission]]) -> Iterator[tuple[str, str, str]]:
    """Frames of different teams that no constant, tag or length tells apart."""
    every = [
        (f"{team}: {name}", team, told(layout))
        for team, mission in teams
        for name, layout in mission.layouts.items()
        if name not in mission.outside
    ]
    for index, (first, team, mine) in enumerate(every):
        for second, other, theirs in every[index + 1 :]:
            if team != other and not differ(mine, theirs):
                length = shared_length(mine, theirs)
                yield first, second, f"no constant or tag differs, and both may have {length} bytes"
