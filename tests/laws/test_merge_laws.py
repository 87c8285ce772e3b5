"""What several receivers heard of one downlink merges to what was sent, however it was split between them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from fractions import Fraction
from functools import cache
from itertools import pairwise
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import packetkit
from packetkit.captures.account import Account
from packetkit.captures.merge import Union
from packetkit.captures.stream import Good, events
from packetkit.conformance.simulate import Channel, Sent, simulate
from packetkit.mission.load import Mission
from packetkit.resources import resource

# Invented: a boot counter and a clock, whose sequence wraps each 100 frames; one with a clock and no sequence; one with nothing.
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
  timed:
    cadence_s: 7
    fields:
      - {name: sync, kind: sync, bits: 16, code: 0xFACE}
      - {name: uptime, bits: 24, role: clock, tick_s: 1}
      - {name: boots, bits: 8, role: boot}
      - {name: check, kind: check, algorithm: CRC-32/ISO-HDLC}
"""
ALL = Channel(Fraction(0), Fraction(0), Fraction(0), Fraction(1, 50), 0)


@cache
def mission(name: str) -> Mission:
    if name == "roles":
        return packetkit.parse(ROLES)
    return packetkit.parse(resource(f"schemas/{name}.yaml").read_bytes())


@cache
def sent(name: str, seed: int, restarts: int) -> tuple[Sent, ...]:
    channel = Channel(ALL.loss, ALL.damage, ALL.junk, ALL.missing, restarts)
    return tuple(simulate(mission(name).frames, Fraction(1200), channel, seed))


def good_of(frames: Sequence[Sent]) -> list[Good]:
    made = []
    for number, one in enumerate(frames):
        assert one.frame is not None and one.values is not None
        made.append(Good(one.frame, number, one.data, one.values))
    return made


def merged(name: str, heard: Sequence[Sequence[Sent]]) -> Union:
    union = Union(mission(name).layouts)
    for frames in heard:
        union.add(good_of(frames))
    return union


@settings(max_examples=15)
@given(
    st.sampled_from([("heron", 1), ("heron", 0), ("roles", 2), ("plover", 0)]),
    st.integers(0, 5),
    st.integers(1, 4),
    st.randoms(use_true_random=False),
    st.sampled_from([0.0, 0.3]),
)
def test_any_split_of_frames_between_receivers_merges_to_the_same(
    flight: tuple[str, int], seed: int, receivers: int, chance: Random, loss: float
) -> None:
    name, restarts = flight
    all_sent = sent(name, seed, restarts)
    who = [  # of each frame: who heard it, sometimes nobody
        {number for number in range(receivers) if chance.random() < 0.4}
        or (set() if chance.random() < loss else {chance.randrange(receivers)})
        for _ in all_sent
    ]
    heard = [
        [one for one, its in zip(all_sent, who, strict=True) if number in its] for number in range(receivers)
    ]
    union = merged(name, heard)
    found = list(union.entries())
    expected = [(one, its) for one, its in zip(all_sent, who, strict=True) if its]
    certain = [kind for kind, one in union.kinds.items() if one.counters.boot is not None or not restarts]
    for kind in certain:
        mine = [(entry.data, entry.sources) for entry in found if entry.kind == kind]
        assert mine == [(one.data, its) for one, its in expected if one.frame == kind]
    assert not any(entry.disagrees for entry in found if entry.kind in certain)
    assert union.sources == list(map(len, heard))
    for number in range(receivers):  # each receiver's own order stands
        positions = [
            one.position for entry in found for one in entry.versions[entry.data] if one.source == number
        ]
        if certain == list(union.kinds):
            assert positions == sorted(positions) and len(positions) == len(heard[number])
    # What decoding the merged stream counts as missing is what the union says that nobody heard.
    account = Account.of(mission(name).layouts)
    for event in events(mission(name).frames, [b"".join(entry.data for entry in found)]):
        account.add(event)
    account.finish()
    for kind in certain:
        course = account.continuity[kind]
        assert account.good[kind] == sum(one.frame == kind for one, _ in expected)
        assert course.missing == sum(gap.frames for gap in union.kinds[kind].gaps())
        assert (course.duplicates, course.late) == (0, 0)


@settings(max_examples=8)
@given(st.integers(0, 5), st.randoms(use_true_random=False))
def test_a_short_counter_without_clock_is_aligned_by_the_frames_that_both_heard(
    seed: int, chance: Random
) -> None:
    all_sent = sent("first-light", seed, 0)  # 120 frames of 8 bits of counter
    heard = [[one for one in all_sent if chance.random() < 0.7] for _ in range(2)]
    union = merged("first-light", heard)
    expected = [one.data for one in all_sent if any(one in its for its in heard)]
    assert [entry.data for entry in union.entries()] == expected


@settings(max_examples=8)
@given(st.integers(0, 5), st.randoms(use_true_random=False))
def test_duplicates_and_late_frames_of_a_receiver_change_nothing_but_its_count(
    seed: int, chance: Random
) -> None:
    all_sent = list(sent("plover", seed, 0))
    plain = merged("plover", [all_sent, all_sent])
    order = list(all_sent)
    for place in range(2, len(order) - 1, 7):
        order[place], order[place + 1] = order[place + 1], order[place]
    twice = [one for one in order for _ in range(1 + (chance.random() < 0.1))]
    shuffled = merged("plover", [all_sent, twice])
    assert [entry.data for entry in shuffled.entries()] == [entry.data for entry in plain.entries()]
    assert shuffled.kinds["sounding"].duplicates == Counter(
        {1: len(twice) - len(order)} if len(twice) > len(order) else {}
    )


def test_frames_without_counters_are_the_same_where_their_bytes_are() -> None:
    plain = packetkit.parse(
        "mission: m\nframes:\n  f:\n    fields: [{name: a, bits: 8}, {name: c, kind: check, algorithm: CRC-16/XMODEM}]\n"
    )
    frame = plain.frame()

    def heard(*values: int) -> list[Good]:
        return [Good("f", at, frame.encode({"a": value}), {"a": value}) for at, value in enumerate(values)]

    union = Union(plain.layouts)
    union.add(heard(1, 2, 2, 5))
    union.add(heard(2, 3, 5, 6))
    assert [(frame.decode(entry.data)["a"], sorted(entry.sources)) for entry in union.entries()] == [
        (1, [0]), (2, [0, 1]), (3, [1]), (2, [0]), (5, [0, 1]), (6, [1]),
    ]  # fmt: skip


@pytest.mark.parametrize("voices", [(0, 1, 1), (1, 0, 0), (0, 1)])
def test_a_number_with_other_bytes_disagrees_and_the_most_heard_stand(voices: tuple[int, ...]) -> None:
    frame = mission("plover").frame("sounding")
    all_sent = sent("plover", 0, 0)[:9]
    assert all_sent[4].values is not None
    other = {
        **all_sent[4].values,
        "state": {**all_sent[4].values["state"], "heater_on": not all_sent[4].values["state"]["heater_on"]},
    }
    version = [all_sent[4].data, frame.encode(other)]
    union = Union(mission("plover").layouts)
    for voice in voices:
        good = good_of(all_sent)
        good[4] = Good("sounding", 4, version[voice], (all_sent[4].values, other)[voice])
        union.add(good)
    disputed = [entry for entry in union.entries() if entry.disagrees]
    assert [sorted(entry.versions) for entry in disputed] == [sorted(version)]
    (most, _), *_ = Counter(voices).most_common(1)
    assert disputed[0].data == version[most]
    assert len(list(union.entries())) == 9


def test_a_restart_that_one_receiver_did_not_notice_is_no_second_flight() -> None:
    """Without boot counter or clock: the second receiver missed what was sent right after the restart."""
    plain = mission("first-light")
    frame = plain.frame()
    flight = [*range(60), *range(90)]  # the counter begins anew behind the 60th
    good = [
        Good(
            "beacon",
            at,
            frame.encode({"counter": number, "temperature": at / 10, "cell_voltage": 3.0}),
            {"counter": number},
        )
        for at, number in enumerate(flight)
    ]
    union = Union(plain.layouts)
    union.add(good)
    union.add([one for at, one in enumerate(good) if not 55 <= at < 125])
    assert [entry.data for entry in union.entries()] == [one.data for one in good]
    assert all(
        first.place <= second.place
        for first, second in pairwise(union.entries())
        if first.place and second.place
    )


def test_laps_that_nobody_heard_are_counted_by_the_clock() -> None:
    """The counter wraps each 100 frames; the second receiver came on two laps after the first had gone."""
    flight = [one for one in sent("roles", 0, 0) if one.frame == "all"]
    union = merged("roles", [flight[:10], flight[250:260]])
    assert [entry.data for entry in union.entries()] == [one.data for one in flight[:10] + flight[250:260]]
    assert [gap.frames for gap in union.kinds["all"].gaps()] == [240]
