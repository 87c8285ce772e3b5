"""What an experiment is, what it is asked, and what it answers: plain values that a terminal, JSON and a picture are made from.

The rule kept here: an experiment is a function of its request and nothing else. Its seed decides every draw, each piece of work draws
from its own stream, and so the answer does not depend on how many workers did it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import sqrt
from typing import Literal, NamedTuple

from packetkit.errors import PacketkitError
from packetkit.layout.model import Layout
from packetkit.mission.budget import longest
from packetkit.mission.load import Mission
from packetkit.work.crew import Crew

Cell = str | int | float | bool | None
Record = Mapping[str, Cell]

# Longest packet of a chirp radio: what every experiment is made for.
LONGEST_BYTES = 255


class LabError(PacketkitError, ValueError):
    """An experiment that cannot be done as asked."""


class Heading(NamedTuple):
    """One column of a table for people: its title, and to which side its cells stand."""

    title: str
    align: Literal["<", ">"] = ">"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a picture: its name and its points. points_only: marks that no line joins; low and high: intervals of the points."""

    name: str
    points: tuple[tuple[float, float], ...]
    points_only: bool = False
    low: tuple[float, ...] = ()
    high: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Chart:
    """A picture as numbers. names: what the places 0, 1, 2, .. across are called, where they are no quantity.

    form: line, step (a value holds until the next point) or bars (from zero, one for each point of the only line).
    """

    title: str
    across: str
    up: str
    lines: tuple[Line, ...]
    form: Literal["line", "step", "bars"] = "line"
    log_across: bool = False
    log_up: bool = False
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """What an experiment found. records: for programs, keys with units; table: for people; seen: sentences about these numbers.

    Where it was interrupted, records and table hold what was done.
    """

    subject: str
    records: tuple[Record, ...]
    headings: tuple[Heading, ...]
    table: tuple[tuple[str, ...], ...]
    chart: Chart
    seen: tuple[str, ...]


@dataclass(frozen=True)
class Request:
    """What to experiment on. knobs: every knob of the experiment; crew: who does the work."""

    mission: Mission
    frame: str
    seed: int
    knobs: Mapping[str, Cell]
    crew: Crew

    @property
    def layout(self) -> Layout:
        return self.mission.layouts[self.frame]

    def whole(self, knob: str) -> int:
        """A knob that is a whole number."""
        value = self.knobs[knob]
        assert isinstance(value, int)
        return value

    @property
    def frame_bytes(self) -> int:
        """The frame at its longest, without what a driver adds."""
        return longest(self.layout, self.mission.link)[0]

    @property
    def named(self) -> str:
        return f"{self.mission.name}, frame {self.frame}"


@dataclass(frozen=True, slots=True)
class Experiment:
    """One row of the table. knobs: name to default, None where the frame or the mission gives it; seed: used unless another is given."""

    name: str
    question: str
    seed: int
    knobs: Mapping[str, Cell]
    notice: tuple[str, ...]
    source: str
    run: Callable[[Request], Outcome]


# ---- numbers for people


# 1.96 standard deviations hold 95 % of a normal distribution.
Z_95 = 1.959963984540054


def interval(hits: int, tries: int) -> tuple[float, float]:
    """Return the 95 % interval of a share from counts: the score interval of E. B. Wilson (J. Am. Stat. Assoc. 22, 1927, 209-212).

    >>> [round(end, 4) for end in interval(10, 100)]
    [0.0552, 0.1744]
    """
    if tries == 0:
        return 0.0, 1.0
    share, z2 = hits / tries, Z_95**2
    middle = (share + z2 / (2 * tries)) / (1 + z2 / tries)
    half = Z_95 * sqrt(share * (1 - share) / tries + z2 / (4 * tries**2)) / (1 + z2 / tries)
    return max(0.0, middle - half) if hits else 0.0, min(1.0, middle + half) if hits < tries else 1.0


def share_text(share: float) -> str:
    """A share as a person reads it: none, 12 %, 0.4 %, 1 in 65,000.

    >>> [share_text(x) for x in (0, 0.5, 0.031, 0.00123, 2**-16)]
    ['none', '50 %', '3.1 %', '0.12 %', '1 in 65,500']
    """
    if share <= 0:
        return "none"
    if share >= 0.001:
        percent = share * 100
        return (
            f"{percent:.0f} %"
            if percent >= 9.95
            else f"{percent:.1f} %"
            if percent >= 0.995
            else f"{percent:.2f} %"
        )
    return f"1 in {_short(1 / share)}"


def _short(number: float) -> str:
    """A large number with three digits that count: 65,500, 4.29 M."""
    if number >= 1e15:
        return f"{number:.2g}"
    for limit, unit in ((1e12, " T"), (1e9, " G"), (1e6, " M")):
        if number >= limit:
            return f"{number / limit:.3g}{unit}"
    digits = max(len(str(int(number))) - 3, 0)
    return f"{round(number, -digits):,.0f}"


def share_brief(share: float) -> str:
    """A share in a few characters, for narrow columns: none, 12%, 1/65k.

    >>> [share_brief(x) for x in (0, 0.5, 0.031, 0.00123, 2**-16, 2**-32, 1)]
    ['none', '50%', '3.1%', '0.12%', '1/66k', '1/4.3G', '100%']
    """
    if share <= 0:
        return "none"
    if share >= 0.001:
        return share_text(share).replace(" ", "")
    whole = 1 / share
    if whole >= 1e15:
        return f"1/{whole:.0e}"
    for limit, unit in ((1e12, "T"), (1e9, "G"), (1e6, "M"), (1e3, "k")):
        if whole >= limit * 0.9995:
            return f"1/{whole / limit:.3g}{unit}" if whole / limit >= 99.5 else f"1/{whole / limit:.2g}{unit}"
    return f"1/{whole:.0f}"
