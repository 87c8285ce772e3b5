"""The account agrees exactly with what the simulator says that it sent, whatever the channel did to it."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

import packetkit
from packetkit.captures.account import Account
from packetkit.captures.continuity import WINDOW, Continuity
from packetkit.captures.stream import events
from packetkit.conformance.simulate import Channel, Sent, simulate
from packetkit.mission.load import Mission
from packetkit.resources import resource

# Invented: every combination of roles that tells wraps from restarts, with moduli that are no powers of two.
ROLES = """
mission: roles
frames:
  all:
    cadence_s: 4
    fields:
      - {name: sync, kind: sync, bits: 16, code: 0xC0DE}
      - {name: sequence, bits: 7, role: sequence, modulus: 100}
      - {name: boots, bits: 4, role: boot, modulus: 10}
      - {name: uptime, bits: 13, role: clock, tick_s: 2, signed: true}
      - {name: heat, minimum: 0, maximum: 50, resolution: 0.5, missing: true}
      - {kind: reserved, up_to: byte}
      - {name: check, kind: check, algorithm: CRC-32/ISO-HDLC}
  no_clock:
    fields:
      - {name: sync, kind: sync, bits: 16, code: 0xBEA7}
      - {name: sequence, bits: 8, role: sequence}
      - {name: boots, bits: 8, role: boot}
      - {name: check, kind: check, algorithm: CRC-32/ISO-HDLC}
  no_boot:
    cadence_s: 7
    fields:
      - {name: sync, kind: sync, bits: 16, code: 0xFACE}
      - {name: sequence, bits: 16, role: sequence, modulus: 50000}
      - {name: uptime, bits: 24, role: clock, tick_s: 1}
      - {name: check, kind: check, algorithm: CRC-32/ISO-HDLC}
"""


@cache
def mission(name: str) -> Mission:
    if name == "roles":
        return packetkit.parse(ROLES)
    return packetkit.parse(resource(f"schemas/{name}.yaml").read_bytes())


@dataclass
class Told:
    """What the truth says of one frame. longest: of missing ones in a row; shortest_boot: frames from a start to the next restart."""

    missing: int = 0
    resets: int = 0
    wraps: int = 0
    longest: int = 0
    shortest_boot: int = 1 << 30


def truth(sent: list[Sent], name: str, counter: str, clock: str | None, tick_s: int, modulus: int) -> Told:
    """Counted from the truth alone: a restart is where the unit's clock, or without one its counter, does not go on."""
    told = Told()
    last: tuple[int, int] | None = None  # restarts and place of the last good frame
    restarts = turns = seen = began = 0
    before: Sent | None = None
    for place, one in enumerate(one for one in sent if one.frame == name):
        assert one.values is not None
        if before is not None and before.values is not None:
            if clock is None:
                went_on = one.values[counter] == (before.values[counter] + 1) % modulus
            else:
                ran = (one.values[clock] - before.values[clock]) * tick_s
                went_on = ran >= 0 and abs(ran - (one.time_s - before.time_s)) <= tick_s
            restarts += not went_on
            if not went_on:
                told.shortest_boot, began = min(told.shortest_boot, place - began), place
            wrapped = went_on and one.values[counter] < before.values[counter]
        else:
            wrapped = False
        before = one
        turns += wrapped
        if one.fate != "good":
            continue
        if last is not None and restarts == last[0]:
            told.missing += place - last[1] - 1
            told.longest = max(told.longest, place - last[1] - 1)
            told.wraps += turns - seen
        elif last is not None:
            told.resets += 1
        last, seen = (restarts, place), turns
    return told


def account_of(where: Mission, data: bytes) -> Account:
    account = Account.of(where.layouts)
    for event in events(where.frames, [data]):
        account.add(event)
    account.finish()
    return account


@settings(max_examples=15)
@given(
    st.sampled_from(["first-light", "heron", "roles"]),
    st.integers(0, 2**32),
    st.integers(0, 50).map(lambda percent: Fraction(percent, 100)),
    st.integers(0, 20).map(lambda percent: Fraction(percent, 100)),
    st.integers(0, 2),
)
def test_the_account_agrees_exactly_with_the_truth(
    name: str, seed: int, loss: Fraction, damage: Fraction, restarts: int
) -> None:
    where = mission(name)
    if name != "roles":
        restarts = 0  # frames without boot counter and clock among them
    minutes = 60 if name == "heron" else 20  # of some hundred frames
    channel = Channel(loss, damage, Fraction(1, 20), Fraction(1, 50), restarts)
    sent = list(simulate(where.frames, Fraction(minutes * 60), channel, seed))
    assume(all(one.noticed for one in sent))
    account = account_of(where, b"".join(one.data for one in sent if one.offset is not None))
    good = Counter(one.frame for one in sent if one.fate == "good")
    assert account.good == good
    for frame, found in account.continuity.items():
        slots = {slot.role.name: slot for slot in where.layouts[frame].slots if slot.role is not None}
        clock = slots.get("clock")
        role, tick = slots["sequence"].role, 1
        assert role is not None and role.modulus is not None
        if clock is not None and clock.role is not None:
            tick = int(clock.role.tick_s or 1)
        counter = slots["sequence"].path[0]
        told = truth(sent, frame, counter, None if clock is None else clock.path[0], tick, role.modulus)
        if "boot" not in slots and told.shortest_boot <= WINDOW:
            continue  # nothing tells such a restart from late frames
        assert (found.missing, found.resets, found.wraps, found.longest.frames) == (
            told.missing,
            told.resets,
            told.wraps,
            told.longest,
        ), frame
        assert (found.got, found.duplicates, found.late) == (good[frame], 0, 0)
        _, parts = found.timeline.parts(10)
        assert sum(had for _, had in parts) == good[frame]
        assert sum(sent for sent, _ in parts) == good[frame] + told.missing


@settings(max_examples=15)
@given(st.randoms(use_true_random=False), st.integers(0, 99))
def test_duplicates_and_late_frames_are_counted_and_change_nothing_else(random: Any, start: int) -> None:
    frame = mission("roles").frame("all")
    numbers = [number for number in range(120) if number in (0, 119) or random.random() < 0.7]
    order = list(numbers)
    late = 0
    for place in range(2, len(order) - 1, 7):  # one in seven comes one place late
        order[place], order[place + 1] = order[place + 1], order[place]
        late += 1
    twice = [number for number in order if random.random() < 0.1]
    course = Continuity(frame.layout)
    said: Counter[str] = Counter()
    for number in order:
        record = {"sequence": (start + number) % 100, "boots": 3, "uptime": number * 2 - 100, "heat": None}
        for _ in range(1 + (number in twice)):
            said[course.take(record, frame.encode(record), 0)] += 1
    course.finish()
    assert (course.missing, course.resets) == (120 - len(numbers), 0)
    assert (course.late, course.duplicates) == (late, len(twice)) == (said["late"], said["duplicate"])
    assert course.wraps == (start + 119) // 100
    assert course.longest.frames == max(second - first - 1 for first, second in pairwise(numbers))


# -- by hand -------------------------------------------------------------------------------------------


def course_of(fields: str, rows: list[dict[str, Any]]) -> tuple[Continuity, list[str]]:
    only = packetkit.parse(f"mission: m\nframes:\n  f: {{cadence_s: 10, fields: {fields}}}\n").frame("f")
    course = Continuity(only.layout)
    said = [course.take(row, only.encode(row), place) for place, row in enumerate(rows)]
    course.finish()
    return course, said


def test_a_gap_is_filled_late_and_a_repeat_is_a_duplicate() -> None:
    # NEEDS 18 of the design: 65534, 65535, 0, 2, 2, 1 has a gap that is filled late, one duplicate, no loss.
    rows = [{"n": number} for number in (65534, 65535, 0, 2, 2, 1)]
    course, said = course_of("[{name: n, bits: 16, role: sequence}]", rows)
    assert said == ["first", "next", "next", "gap", "duplicate", "late"]
    assert (course.missing, course.duplicates, course.late, course.wraps, course.resets) == (0, 1, 1, 1, 0)
    assert course.longest.frames == 0


def test_a_step_to_zero_with_the_boot_counter_up_is_a_restart_and_no_loss() -> None:
    rows = [{"n": 499, "b": 7}, {"n": 500, "b": 7}, {"n": 0, "b": 8}, {"n": 501, "b": 7}, {"n": 2, "b": 8}]
    course, said = course_of("[{name: n, bits: 16, role: sequence}, {name: b, bits: 8, role: boot}]", rows)
    assert said == ["first", "next", "reset", "late", "gap"]
    assert (course.missing, course.resets) == (1, 1)


@pytest.mark.parametrize(
    ("fields", "rows", "perhaps"),
    [
        # What 232, 0 leaves out is 233 to 255, 23 numbers; or nothing, where the unit restarted.
        ("[{name: n, bits: 8, role: sequence}]", [{"n": 232}, {"n": 0}], 1),
        ("[{name: n, bits: 8, role: sequence}]", [{"n": 232}, {"n": 8}, {"n": 9}], 1),
        ("[{name: n, bits: 8, role: sequence}]", [{"n": 232}, {"n": 9}], 0),
        ("[{name: n, bits: 8, role: sequence}]", [{"n": 250}, {"n": 1}], 0),  # six of 251 to 0: a usual gap
        ("[{name: n, bits: 8, role: sequence}]", [{"n": 100}, {"n": 123}], 0),  # no wrap
        (
            "[{name: n, bits: 8, role: sequence}, {name: b, bits: 8, role: boot}]",
            [{"n": 232, "b": 1}, {"n": 0, "b": 1}],
            0,
        ),
        (
            "[{name: n, bits: 8, role: sequence}, {name: t, bits: 24, role: clock, tick_s: 1}]",
            [{"n": 232, "t": 100}, {"n": 0, "t": 340}],
            0,
        ),
    ],
)
def test_a_gap_that_ends_right_behind_the_start_may_be_a_restart_where_nothing_else_tells(
    fields: str, rows: list[dict[str, int]], perhaps: int
) -> None:
    course, _ = course_of(fields, rows)
    assert course.perhaps_resets == perhaps and course.resets == 0


def test_without_boot_counter_the_clock_tells_a_wrap_from_a_restart() -> None:
    fields = "[{name: n, bits: 8, role: sequence}, {name: t, bits: 24, role: clock, tick_s: 1}]"
    wrapped, said = course_of(fields, [{"n": 250, "t": 5000}, {"n": 3, "t": 5090}])
    assert said == ["first", "gap"] and (wrapped.missing, wrapped.wraps, wrapped.resets) == (8, 1, 0)
    lap, _ = course_of(fields, [{"n": 250, "t": 5000}, {"n": 3, "t": 5000 + 2650}])
    assert lap.missing == 264, "the clock says that the counter went round once more"
    restart, said = course_of(fields, [{"n": 250, "t": 5000}, {"n": 3, "t": 30}])
    assert said == ["first", "reset"] and (restart.missing, restart.resets, restart.wraps) == (0, 1, 0)
    assert restart.elapsed_s == 30


@pytest.mark.parametrize(
    ("step", "verdict"),
    [(1, "next"), (2, "gap"), (128, "gap"), (129, "reset"), (0, "duplicate"), (255, "late")],
)
def test_a_counter_alone_tells_what_a_step_up_to_half_its_modulus_means(step: int, verdict: str) -> None:
    _, said = course_of("[{name: n, bits: 8, role: sequence}]", [{"n": 100}, {"n": (100 + step) % 256}])
    assert said[1] == verdict


def test_a_frame_without_counters_has_no_continuity() -> None:
    only = packetkit.parse("mission: m\nframes:\n  f: {fields: [{name: n, bits: 8}]}\n")
    assert Account.of(only.layouts).continuity == {}
