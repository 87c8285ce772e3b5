"""Teams' schemas side by side: valid or not, what they cost, and which faults and habits how many share.

A habit is no fault: the schema loads. It is what people regret in flight. Each is a row with a function that looks for it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from packetkit.errors import Problem
from packetkit.layout import printed
from packetkit.layout.model import Layout
from packetkit.mission.budget import longest
from packetkit.mission.load import Mission


class Habit(NamedTuple):
    """Something to talk about in class: its key, what a person reads, and whether a frame of a mission has it."""

    key: str
    words: str
    has: Callable[[Mission, Layout], bool]


def _unchecked(_: Mission, layout: Layout) -> bool:
    return all(slot.check is None for slot in layout.slots)


def _uncounted(_: Mission, layout: Layout) -> bool:
    return all(slot.role is None or slot.role.name != "sequence" for slot in layout.slots)


def _never_missing(_: Mission, layout: Layout) -> bool:
    readings = [slot for slot in layout.slots if slot.kind == "number" and slot.by_meaning]
    return bool(readings) and all(slot.missing_code is None for slot in readings)


def _floats(_: Mission, layout: Layout) -> bool:
    return any(slot.kind == "float" for slot in layout.slots)


def _no_unit(_: Mission, layout: Layout) -> bool:
    """A number by meaning in steps other than one: one that counts needs no unit."""
    return any(
        slot.kind == "number" and slot.by_meaning and not slot.unit and printed.step(slot) != 1
        for slot in layout.slots
    )


def _too_long(mission: Mission, layout: Layout) -> bool:
    size, _ = longest(layout, mission.link)
    limit = mission.link.maximum_frame_bytes
    return limit is not None and size > limit


def _wide_spare(_: Mission, layout: Layout) -> bool:
    return sum(slot.width for slot in layout.slots if slot.kind == "reserved") >= 8


HABITS: tuple[Habit, ...] = (
    Habit("too_long", "longer than the schema's own limit", _too_long),
    Habit("no_check", "no check: damage is taken for values", _unchecked),
    Habit("no_counter", "no counter (role: sequence): losses cannot be counted", _uncounted),
    Habit("no_missing", "no code for a missing reading: a broken sensor sends a value", _never_missing),
    Habit("no_unit", "a measured value without a unit", _no_unit),
    Habit("float", "an IEEE number where a range and a step may need half the bits", _floats),
    Habit("spare", "a whole byte or more kept spare", _wide_spare),
)


class Sized(NamedTuple):
    """One frame of a team: its bytes at the longest, and seconds on the air where a radio is named."""

    frame: str
    size_bytes: int
    airtime_s: Fraction | None


@dataclass(frozen=True, slots=True)
class Team:
    """One team's schema. problems: why it does not load; vectors: what disagrees with them; cases: how many there were."""

    name: str
    frames: tuple[Sized, ...] = ()
    problems: tuple[Problem, ...] = ()
    unread: str = ""
    cases: int = 0
    differences: tuple[str, ...] = ()
    habits: tuple[Habit, ...] = ()

    @property
    def is_valid(self) -> bool:
        return not (self.problems or self.unread)


def look_at(name: str, mission: Mission, cases: int, differences: Sequence[str]) -> Team:
    """What there is to say of a schema that loads."""
    frames = []
    for frame, layout in mission.layouts.items():
        size, _ = longest(layout, mission.link)
        frames.append(Sized(frame, size, mission.link.time_on_air(size)))
    habits = tuple(
        habit for habit in HABITS if any(habit.has(mission, layout) for layout in mission.layouts.values())
    )
    return Team(name, tuple(frames), (), "", cases, tuple(differences), habits)


class Common(NamedTuple):
    """A rule that is broken, or a habit: its key, what a person reads, and the teams that share it."""

    key: str
    words: str
    teams: tuple[str, ...]


def common(teams: Sequence[Team]) -> tuple[Common, ...]:
    """What teams share, the most common first: broken rules, each with one team's words, then habits."""
    return (
        *sorted(_rules(teams), key=lambda one: -len(one.teams)),
        *sorted(_habits(teams), key=lambda one: -len(one.teams)),
    )


def _rules(teams: Sequence[Team]) -> Iterator[Common]:
    rules = dict.fromkeys(problem.rule for team in teams for problem in team.problems)
    for rule in rules:
        having = [team for team in teams if any(problem.rule == rule for problem in team.problems)]
        example = next(problem for problem in having[0].problems if problem.rule == rule)
        yield Common(rule, f"{rule}, such as: {example.summary}", tuple(team.name for team in having))


def _habits(teams: Sequence[Team]) -> Iterator[Common]:
    for habit in HABITS:
        having = tuple(team.name for team in teams if habit in team.habits)
        if having:
            yield Common(habit.key, habit.words, having)
