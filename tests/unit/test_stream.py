"""Frames found in a stream, by examples that a person can follow; the laws are in tests/laws/test_stream_laws.py."""

from __future__ import annotations

import random
import time
import tracemalloc
from collections.abc import Iterator
from fractions import Fraction

import pytest

import packetkit
from packetkit.captures.account import SHOWN, Account
from packetkit.captures.stream import (
    LONGEST_ROW,
    Event,
    Failed,
    Good,
    Reader,
    events,
    obstacle,
    whole,
)
from packetkit.conformance.simulate import Channel, simulate
from packetkit.errors import InputError
from packetkit.mission.load import Mission
from packetkit.resources import resource


def shipped(name: str) -> Mission:
    return packetkit.load(str(resource(f"schemas/{name}.yaml")))


def beacons(count: int) -> list[bytes]:
    frame = shipped("first-light").frame()
    return [frame.encode({"counter": at, "temperature": 20 + at, "cell_voltage": 3.9}) for at in range(count)]


def told(found: list[Event]) -> list[tuple[object, ...]]:
    """Events in short: what, offset, size."""
    return [
        (event.frame, event.offset, event.size)
        if isinstance(event, Good)
        else (event.reason, event.offset, event.size)
        if isinstance(event, Failed)
        else ("skipped", event.offset, event.size)
        for event in found
    ]


def read(name: str, data: bytes, *, salvage: bool = False) -> list[Event]:
    return list(events(shipped(name).frames, [data], salvage=salvage))


def survey(readings: int) -> bytes:
    frame = shipped("heron").frame("survey")
    one = {"field_x": 20.5, "field_y": None, "field_z": 1}
    return frame.encode(
        {"sequence": 1, "uptime": 2, "has_fix": False, "fix": None, "readings": [one] * readings}
    )


# -- frames without constants: found by their check --------------------------------------------------


def test_a_byte_lost_in_one_of_ten_frames_costs_that_frame_alone() -> None:
    # NEEDS: boot text, ten frames, one byte deleted in frame 4: nine frames and two skipped ranges.
    sent = beacons(10)
    data = b"boot ok\r\n" + b"".join(sent[:4]) + sent[4][:2] + sent[4][3:] + b"".join(sent[5:])
    found = read("first-light", data)
    assert [event.data for event in found if isinstance(event, Good)] == sent[:4] + sent[5:]
    assert [one for one in told(found) if one[0] == "skipped"] == [("skipped", 0, 9), ("skipped", 33, 5)]


def test_a_damaged_frame_among_good_ones_is_a_claimed_one_that_failed() -> None:
    sent = beacons(3)
    data = sent[0] + bytes((sent[1][0], sent[1][1] ^ 4)) + sent[1][2:] + sent[2] + sent[2][:4]
    found = read("first-light", data)
    assert told(found) == [
        ("beacon", 0, 6),
        ("check failed", 6, 6),
        ("beacon", 12, 6),
        ("truncated", 18, 4),
    ]
    assert isinstance(found[1], Failed)
    assert found[1].claimed == "beacon" and "CRC-16/IBM-3740" in found[1].message


def test_one_frame_alone_that_fails_is_told_as_such() -> None:
    assert told(read("first-light", bytes(6))) == [("check failed", 0, 6)]
    assert told(read("first-light", bytes(5))) == [("truncated", 0, 5)]
    assert read("first-light", b"") == []


def test_bytes_that_are_no_whole_row_of_frames_are_skipped() -> None:
    sent = beacons(2)
    assert told(read("first-light", sent[0] + bytes(13) + sent[1])) == [
        ("beacon", 0, 6),
        ("skipped", 6, 13),
        ("beacon", 19, 6),
    ]


def test_more_noise_than_a_row_could_be_is_one_skipped_range() -> None:
    noise = bytes(LONGEST_ROW + 2)
    assert told(read("first-light", noise)) == [("skipped", 0, len(noise))]


def test_frames_with_neither_constant_nor_check_stand_back_to_back() -> None:
    made = packetkit.parse("mission: invented\nframes:\n  f:\n    fields: [{name: a, bits: 24}]\n")
    found = list(events(made.frames, [bytes.fromhex("000001 000002 0000")]))
    assert told(found) == [("f", 0, 3), ("f", 3, 3), ("truncated", 6, 2)]
    assert [event.record for event in found if isinstance(event, Good)] == [{"a": 1}, {"a": 2}]


# -- frames with constants ---------------------------------------------------------------------------


def test_frames_of_several_kinds_are_told_by_their_tags() -> None:
    heron = shipped("heron")
    found = list(events(heron.frames, [b"\x00" + survey(2) + b"ab" + survey(12)]))
    assert told(found) == [
        ("skipped", 0, 1),
        ("survey", 1, len(survey(2))),
        ("skipped", 1 + len(survey(2)), 2),
        ("survey", 3 + len(survey(2)), len(survey(12))),
    ]


def test_a_claimed_frame_that_fails_keeps_the_size_that_it_says() -> None:
    bad = bytearray(survey(4))
    bad[9] ^= 1
    found = read("heron", b"xx" + bytes(bad) + b"yyy" + survey(1))
    assert told(found) == [
        ("skipped", 0, 2),
        ("check failed", 2, len(bad)),
        ("skipped", 2 + len(bad), 3),
        ("survey", 5 + len(bad), len(survey(1))),
    ]


def test_a_true_frame_inside_a_false_one_is_found() -> None:
    head = survey(12)[:9]  # says that twelve readings follow
    found = read("heron", head + survey(2))
    assert told(found) == [("skipped", 0, 9), ("survey", 9, len(survey(2)))]


def test_a_frame_that_the_end_cuts_off_is_told_with_what_it_claimed() -> None:
    found = read("heron", survey(1) + survey(5)[:-1])
    assert told(found)[1] == ("truncated", len(survey(1)), len(survey(5)) - 1)
    assert isinstance(found[1], Failed) and found[1].claimed == "survey"


def test_a_count_above_its_maximum_fails_up_to_what_follows() -> None:
    bad = bytearray(survey(0))
    bad[7] |= 0x7F  # has_fix stays 0, held becomes 15; the schema allows 12
    found = read("heron", bytes(bad) + survey(3))
    assert told(found) == [("bad count", 0, len(bad)), ("survey", len(bad), len(survey(3)))]


def test_a_count_above_its_maximum_ends_where_the_next_frame_is_claimed() -> None:
    bad, worse = bytearray(survey(0)), bytearray(survey(3))
    bad[7] |= 0x7F
    worse[9] ^= 1
    assert told(read("heron", bytes(bad) + bytes(worse))) == [
        ("bad count", 0, len(bad)),
        ("check failed", len(bad), len(worse)),
    ]


def test_a_constant_that_is_wrong_behind_a_list_claims_nothing() -> None:
    fields = (
        "[{name: m, kind: sync, bits: 12, code: 0xABC}, {name: n, kind: count, bits: 4},"
        " {name: x, repeat: {count: n}, bits: 8}, {name: last, kind: constant, bits: 8, code: 0xEE}]"
    )
    made = packetkit.parse(f"mission: invented\nframes:\n  f:\n    fields: {fields}\n")
    data = bytes.fromhex("abc1 07 ee")
    assert told(list(events(made.frames, [data + bytes.fromhex("abc1 07 ed") + data]))) == [
        ("f", 0, 4),
        ("skipped", 4, 4),
        ("f", 8, 4),
    ]


def test_a_row_that_breaks_off_between_good_frames_is_skipped() -> None:
    plover = shipped("plover").frame()
    good = plover.encode({"boots": 1, "sequence": 2, "box_time": 4, "state": {"phase": 0, "heater_on": True}})
    bad = good[:5] + bytes((good[5] ^ 1,)) + good[6:]
    found = read("plover", good + bad + good + bad + bytes(30) + good)
    assert told(found) == [
        ("sounding", 0, 30),
        ("check failed", 30, 30),
        ("sounding", 60, 30),
        ("skipped", 90, 60),
        ("sounding", 150, 30),
    ]


def test_reserved_bits_fail_a_strict_frame_only() -> None:
    fields = (
        "[{name: m, kind: sync, bits: 12, code: 0xABC}, {name: r, kind: reserved, bits: 4, strict: STRICT}]"
    )
    for strict, reason in (("true", "reserved bits"), ("false", "f")):
        made = packetkit.parse(
            f"mission: invented\nframes:\n  f:\n    fields: {fields.replace('STRICT', strict)}\n"
        )
        assert told(list(events(made.frames, [b"\xab\xc1"]))) == [(reason, 0, 2)]


def test_salvage_shows_what_a_failed_frame_held_and_trusts_none_of_it() -> None:
    bad = bytearray(beacons(1)[0])
    bad[0] = 7
    (found,) = read("first-light", bytes(bad), salvage=True)
    assert isinstance(found, Failed) and found.record is not None
    assert found.record["counter"] == {"raw": 7, "value": 7, "trusted": False}
    (found,) = read("first-light", bytes(bad))
    assert isinstance(found, Failed) and found.record is None


# -- what no stream shows ----------------------------------------------------------------------------

BY_LENGTH = (
    "mission: invented\nframes:\n  a: {fields: [{name: x, bits: 16}]}\n  b: {fields: [{name: x, bits: 24}]}\n"
)
CHECKED = BY_LENGTH.replace("}]", "}, {name: c, kind: check, algorithm: CRC-16/IBM-3740}]")
TO_END = "mission: invented\nframes:\n  log: {fields: [{name: x, repeat: {to_end: true}, bits: 16}]}\n"


def test_frames_told_by_length_alone_are_refused_with_the_reason_and_taken_whole() -> None:
    made = packetkit.parse(BY_LENGTH)
    with pytest.raises(InputError, match="a and b are told apart only by their length"):
        Reader(made.frames)
    assert told([whole(made, b"\x00\x01"), whole(made, b"\x00\x00\x01"), whole(made, b"1234")]) == [
        ("a", 0, 2),
        ("b", 0, 3),
        ("unknown", 0, 4),
    ]
    assert not obstacle({"b": made.frames["b"]})


def test_frames_told_by_length_are_found_where_each_has_a_check() -> None:
    made = packetkit.parse(CHECKED)
    a, b = made.frames["a"].encode({"x": 5}), made.frames["b"].encode({"x": 5})
    assert told(list(events(made.frames, [b + a + b"?" + a + b]))) == [
        ("b", 0, 5),
        ("a", 5, 4),
        ("skipped", 9, 1),
        ("a", 10, 4),
        ("b", 14, 5),
    ]


def test_a_frame_that_runs_to_the_end_is_taken_whole() -> None:
    made = packetkit.parse(TO_END)
    assert "runs to the end" in obstacle(made.frames)
    event = whole(made, bytes(6))
    assert isinstance(event, Good) and event.record == {"x": [0, 0, 0]}


# -- the simulator's truth ---------------------------------------------------------------------------


# Invented. A size of 32 bits can say more than the 65,535 bytes that a frame has.
VAST = """
mission: vast
frames:
  part:
    fields:
      - {name: sync, kind: sync, bits: 16, code: 0xD391}
      - {name: size, kind: length, bits: 32, measures: body}
      - {name: body, kind: bytes, length: rest}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""


@pytest.mark.parametrize("behind", [0, 30, 70_000])
def test_a_length_that_no_frame_can_have_is_told_and_frames_behind_it_are_found(behind: int) -> None:
    mission = packetkit.parse(VAST)
    good = mission.frame().encode({"body": b"abc"})
    claimed = bytes.fromhex("d391 00011170") + b"\x01" * behind  # 70,000, and the 6 bytes in front
    found = list(events(mission.frames, [good + claimed + good]))
    failed = next(one for one in found if isinstance(one, Failed))
    assert (failed.claimed, failed.offset, failed.reason) == ("part", len(good), "bad length")
    said = "body of part ends at 70,006 bytes by its length, beyond the 65,535 bytes that a frame may have"
    assert failed.message == said
    assert sum(one.size for one in found) == len(claimed) + 2 * len(good)
    assert [one.offset for one in found if isinstance(one, Good)] == [0, len(good) + len(claimed)]


def test_more_bytes_than_a_frame_may_have_are_no_frame_and_that_is_said() -> None:
    mission = packetkit.parse("mission: m\nframes:\n  a: {fields: [{name: x, kind: bytes, length: rest}]}\n")
    assert isinstance(whole(mission, bytes(65_535)), Good)
    failed = whole(mission, bytes(65_536), frame="a")
    assert isinstance(failed, Failed) and (failed.claimed, failed.size) == ("a", 65_536)
    assert failed.message.startswith("65,536 bytes are more than the 65,535 that a frame may have")


@pytest.mark.parametrize("name", ["first-light", "plover", "heron"])
def test_good_frames_are_exactly_those_that_the_simulator_calls_good(name: str) -> None:
    mission = shipped(name)
    channel = Channel(damage=Fraction(1, 10), junk=Fraction(1, 10))
    truth = list(simulate(mission.frames, Fraction(3600), channel, 11))
    arrived = [one for one in truth if one.fate != "lost"]
    data = b"".join(one.data for one in arrived)
    wanted, at = [], 0
    for one in arrived:
        if one.fate == "good":
            wanted.append((one.frame, at, one.values))
        at += len(one.data)
    found = [event for event in read(name, data) if isinstance(event, Good)]
    assert [(event.frame, event.offset, event.record) for event in found] == wanted


# -- the account ---------------------------------------------------------------------------------------


def test_the_account_counts_every_byte_and_keeps_a_few_ranges() -> None:
    sent = beacons(1)[0]
    account = Account()
    for event in read("first-light", (sent + b"??") * 29 + sent + bytes(6)):
        account.add(event)
    assert account.size == 30 * 6 + 29 * 2 + 6
    assert (account.good["beacon"], account.skipped_ranges, account.skipped_bytes) == (30, 29, 58)
    assert account.failed_by_reason == {"check failed": 1}
    assert len(account.ranges) == SHOWN and not account.is_clean
    clean = Account()
    clean.add(read("first-light", sent)[0])
    assert clean.is_clean and not Account().is_clean


# -- time and memory -----------------------------------------------------------------------------------


def pieces(piece: bytes, count: int) -> Iterator[bytes]:
    for _ in range(count):
        yield piece


def test_memory_does_not_grow_with_the_input() -> None:
    junk = random.Random(5).randbytes(1 << 16)
    for name in ("heron", "plover"):
        frames = shipped(name).frames
        list(events(frames, [junk]))  # whatever is made once is made
        tracemalloc.start()
        for _ in events(frames, pieces(junk, 20)):
            pass
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert most < 1 << 20, f"{name}: {most:,} bytes for 1.25 MiB of junk"


def test_hostile_input_costs_time_in_proportion() -> None:
    """Heads of the longest frame at every third byte: each place is a claim that fails."""
    frames = shipped("heron").frames

    def seconds(count: int) -> float:
        start = time.perf_counter()
        list(events(frames, [b"\xd3\x91\x20" * count]))
        return time.perf_counter() - start

    seconds(100)
    few, many = min(seconds(1_000) for _ in range(3)), min(seconds(8_000) for _ in range(3))
    assert many < 24 * few  # 8 in proportion, 64 if it were the square
