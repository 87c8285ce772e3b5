"""Experiment: how many frames teams lose to each other on one channel, drawn, beside the formula of mission/together."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import sqrt
from typing import NamedTuple

import numpy as np

from packetkit.errors import RadioError
from packetkit.lab.experiment import Z_95, Cell, Chart, Heading, Line, Outcome, Request, share_text
from packetkit.mission.link import longest_frame
from packetkit.mission.together import Sender, lost_share
from packetkit.radio import chirp

USUAL_INTERVAL_S = Fraction(10)  # for frames that name no cadence
FRAMES_EACH = 60  # frames that each team sends in one lesson
DRIFT = 0.01  # timers of small boards differ by up to a percent (their own oscillators; common practice)


class Crowd(NamedTuple):
    """So many teams: the formula's share of lost frames, the share that was drawn, and its interval of 95 %."""

    teams: int
    predicted: float
    drawn: float
    low: float
    high: float
    lessons: int


def lesson(teams: int, airtime_s: float, interval_s: float, chance: np.random.Generator) -> float:
    """Return the share of frames that overlap another team's, timers running freely, each a little fast or slow."""
    periods = interval_s * (1 + DRIFT * (2 * chance.random(teams) - 1))
    starts = chance.random(teams)[:, None] * periods[:, None] + np.arange(FRAMES_EACH) * periods[:, None]
    times, who = starts.ravel(), np.repeat(np.arange(teams), FRAMES_EACH)
    order = np.argsort(times, kind="stable")
    times, who = times[order], who[order]
    close = (np.diff(times) < airtime_s) & (who[1:] != who[:-1])
    hit = np.zeros(len(times), bool)
    hit[1:] |= close
    hit[:-1] |= close
    # Only where every team is on the air, so that the first and the last frames have their neighbours.
    whole = (times > interval_s * 1.1) & (
        times < (FRAMES_EACH - 1) * interval_s * (1 - DRIFT) - interval_s * 0.1
    )
    return float(hit[whole].mean())


def crowd(teams: int, airtime_s: float, interval_s: float, lessons: int, seed: int) -> tuple[float, float]:
    """One piece of work: the mean share of lost frames over lessons, and the standard error of that mean."""
    shares = [
        lesson(teams, airtime_s, interval_s, np.random.default_rng([seed, teams, one]))
        for one in range(lessons)
    ]
    return float(np.mean(shares)), float(np.std(shares, ddof=1) / sqrt(lessons))


def sizes(most: int) -> list[int]:
    """Numbers of teams to look at: 2, 3, 5, 8, 12, 20, 30, .. and the most."""
    usual = [1, 2, 3, 5, 8, 12, 20, 30, 50, 80]
    return [one for one in usual if one < most] + [most]


def run(request: Request) -> Outcome:
    """Let more and more teams send this frame. Raises RadioError where the schema names no radio."""
    link = request.mission.link
    if link.setting is None:
        raise RadioError(
            "the schema names no radio; add link: {chirp: {spreading_factor: 10, bandwidth_khz: 125}}"
        )
    airtime_s = chirp.time_on_air(link.setting, longest_frame(request.mission, request.frame)[1])
    asked = request.knobs["interval_s"]
    interval_s = Fraction(asked) if isinstance(asked, int) else request.layout.cadence_s or USUAL_INTERVAL_S
    if airtime_s * 2 > interval_s:
        raise RadioError(
            f"{float(airtime_s):.3f} s on the air do not fit twice into {float(interval_s):g} s; give a longer --interval-s"
        )
    lessons, teams = request.whole("lessons"), sizes(request.whole("teams"))
    pieces = [(count, float(airtime_s), float(interval_s), lessons, request.seed) for count in teams]
    answers = request.crew.map(crowd, pieces)
    found = [
        _crowd(count, answer, airtime_s, interval_s, lessons)
        for count, answer in zip(teams, answers, strict=True)
        if answer is not None
    ]
    sent = f"{float(airtime_s * 1000):,.1f} ms on the air every {float(interval_s):g} s"
    return Outcome(
        f"{request.named}: {sent}, {lessons} lessons of {FRAMES_EACH} frames a team",
        tuple(_record(one, airtime_s, interval_s) for one in found),
        (
            Heading("teams"),
            Heading("formula"),
            Heading("drawn"),
            Heading("95 % interval"),
            Heading("frames home\na minute"),
        ),
        tuple(_row(one, interval_s) for one in found),
        Chart(
            "Frames that teams lose to each other",
            "teams on the channel",
            "share lost",
            (
                Line("formula", tuple((float(one.teams), one.predicted) for one in found)),
                Line(
                    "drawn",
                    tuple((float(one.teams), one.drawn) for one in found),
                    points_only=True,
                    low=tuple(one.low for one in found),
                    high=tuple(one.high for one in found),
                ),
            ),
        ),
        tuple(_seen(found)),
    )


def _crowd(
    teams: int, answer: tuple[float, float], airtime_s: Fraction, interval_s: Fraction, lessons: int
) -> Crowd:
    senders = [Sender(str(one), "", airtime_s, interval_s, "") for one in range(teams)]
    mean, error = answer
    low, high = max(mean - Z_95 * error, 0.0), min(mean + Z_95 * error, 1.0)
    return Crowd(teams, lost_share(senders, 0), mean, low, high, lessons)


def _record(one: Crowd, airtime_s: Fraction, interval_s: Fraction) -> dict[str, Cell]:
    return {
        "teams": one.teams,
        "time_on_air_ms": float(airtime_s * 1000),
        "interval_s": float(interval_s),
        "predicted_share": one.predicted,
        "share": one.drawn,
        "share_low": one.low,
        "share_high": one.high,
        "lessons": one.lessons,
    }


def _row(one: Crowd, interval_s: Fraction) -> tuple[str, ...]:
    home = one.teams * 60 / float(interval_s) * (1 - one.predicted)
    ends = f"{one.low * 100:.2f} to {one.high * 100:.2f} %"
    return str(one.teams), share_text(one.predicted), share_text(one.drawn), ends, f"{home:.1f}"


def _seen(found: Sequence[Crowd]) -> list[str]:
    tenth = next((one for one in found if one.predicted >= 0.1), None)
    if tenth is None:
        return []
    return [
        f"With {tenth.teams} teams every tenth frame or more is lost: `packetkit plan --together` finds offsets that lose none."
    ]
