"""Blocks of columns and events together say what the reader of the stream says alone, whatever the damage, the chunks and the frames."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import packetkit
from packetkit.captures import stream, swift
from packetkit.captures.account import Account
from packetkit.captures.stream import Event, Good
from packetkit.captures.swift import Block
from packetkit.codec.frame import Frame
from packetkit.conformance import draw
from packetkit.errors import EncodeError
from packetkit.resources import resource

# Without a sync, with a tag only, with a sync, and two frames of one size told apart by a bit.
MISSIONS = {
    "first-light": packetkit.parse(resource("schemas/first-light.yaml").read_bytes()),
    "plover": packetkit.parse(resource("schemas/plover.yaml").read_bytes()),
    "heron": packetkit.parse(resource("schemas/heron.yaml").read_bytes()),
    "two": packetkit.parse(
        """mission: two
frames:
  one:
    fields:
      - {name: tag, kind: tag, bits: 8, code: 1}
      - {name: sequence, bits: 8, role: sequence}
      - {name: check, kind: check, algorithm: CRC-8/SMBUS}
  other:
    fields:
      - {name: tag, kind: tag, bits: 8, code: 2}
      - {name: value, bits: 16}
      - {name: check, kind: check, algorithm: CRC-8/SMBUS}
"""
    ),
}


def one_by_one(found: Iterable[Event | Block], frames: Mapping[str, Frame]) -> Iterator[Event]:
    """Events with every row of every block as an event of its own."""
    for one in found:
        if not isinstance(one, Block):
            yield one
            continue
        assert one.table.ok.all() and one.last_offset == one.offset + one.size - int(one.table.sizes[-1])
        at = one.offset
        for row in range(one.table.rows):
            data = one.table.frame(row)
            yield Good(one.frame, at, data, frames[one.frame].decode(data))
            at += len(data)


def counting(frame: Frame, record: dict[str, Any], state: dict[str, int]) -> None:
    """Put counters that go on from frame to frame into a record, by their roles."""
    for slot in frame.layout.slots:
        role = slot.role.name if slot.role is not None else ""
        if len(slot.path) == 1 and role in ("sequence", "boot", "clock") and slot.kind == "number":
            low, high = slot.legal[0].low, slot.legal[-1].high
            record[slot.path[0]] = {"raw": low + state[role] % (high - low + 1)}


def capture(frames: Mapping[str, Frame], chance: Random, rows: int) -> bytes:
    """Rows of frames whose counters go on, mostly of one kind, some damaged, cut, twice or with junk behind; perhaps a tail of zeros."""
    names, made = list(frames), bytearray()
    name, counts, step = chance.choice(names), chance.random() < 0.8, chance.choice([0, 1, 10, 700])
    state = {"sequence": chance.randrange(1 << 16), "boot": 0, "clock": chance.randrange(1 << 24)}
    rare = chance.choice([1, 0.1])  # long rows in which nothing happens, too
    for _ in range(rows):
        if chance.random() < 0.05 * rare:
            name = chance.choice(names)
        record = draw.record(frames[name].layout, chance)
        if counts:
            counting(frames[name], record, state)
        missing = 1 if chance.random() < 1 - 0.03 * rare else chance.choice([0, -3, 2, 40, 300])
        state = {**state, "sequence": state["sequence"] + missing, "clock": state["clock"] + step * missing}
        if chance.random() < 0.01 * rare:
            state = {"sequence": 0, "boot": state["boot"] + 1, "clock": 0}
        try:
            data = frames[name].encode(record)
        except EncodeError:
            continue
        what = chance.random() / rare * (1 if counts else 0.2)
        if what < 0.02:
            at = chance.randrange(len(data) * 8)
            data = data[: at // 8] + bytes([data[at // 8] ^ 1 << at % 8]) + data[at // 8 + 1 :]
        elif what < 0.025:
            data = data[: chance.randrange(len(data))]
        elif what < 0.03:
            data += chance.randbytes(chance.randrange(1, 40))
        elif what < 0.035:
            data = data[: chance.randrange(len(data))] + data  # a true frame inside what looks like one
        elif what < 0.04:
            data += data
        made += data
    return bytes(made) + chance.choice([b"", b"", bytes(100), b"\xff" * 40, bytes(20)])


def pieces(data: bytes, chance: Random) -> Iterator[bytes]:
    at = 0
    while at < len(data):
        size = chance.choice([1, 7, 100, 5_000])
        yield data[at : at + size]
        at += size


@pytest.mark.parametrize("name", list(MISSIONS))
@settings(max_examples=12)
@given(seed=st.integers(0, 10**6))
def test_blocks_and_events_are_the_events_of_the_reader(name: str, seed: int) -> None:
    chance, mission = Random(seed), MISSIONS[name]
    frames: Mapping[str, Frame] = mission.frames
    if chance.random() < 0.5:
        kind = chance.choice(list(swift.able(frames)))
        frames = {kind: frames[kind]}
    data = capture(frames, chance, chance.choice([3, 400, 700]))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(swift, "RUN", chance.choice([1, 3, 20]))
        patch.setattr(swift, "CHUNK", chance.choice([500, 5_000, 1 << 21]))
        patch.setattr(swift, "FEW", chance.choice([1, 5, 64]))
        found = list(swift.events(frames, pieces(data, chance)))
    expected = list(stream.events(frames, [data]))
    assert list(one_by_one(found, frames)) == expected
    blocks, events = (
        Account.of({name: frame.layout for name, frame in frames.items()}),
        Account.of({name: frame.layout for name, frame in frames.items()}),
    )
    for one in found:
        blocks.add_block(one) if isinstance(one, Block) else blocks.add(one)
    for event in expected:
        events.add(event)
    for account in (blocks, events):
        account.finish()
    assert told(blocks) == told(events)


def told(account: Account) -> object:
    """Everything that an account says."""
    names = ("got", "missing", "duplicates", "late", "resets", "wraps", "longest", "elapsed_s")
    lines = {
        name: ([getattr(one, key) for key in names], one.timeline.parts(10), one.timeline.parts(64))
        for name, one in account.continuity.items()
    }
    counts = (
        account.size,
        account.good,
        account.failed,
        account.skipped_ranges,
        account.skipped_bytes,
        account.ranges,
    )
    return counts, account.unwritten, account.last_offset, lines


def test_long_rows_become_blocks() -> None:
    frame = MISSIONS["plover"].frame()
    data = frame.encode(draw.record(frame.layout, Random(1)))
    found = list(swift.events({frame.name: frame}, [data * 1000]))
    assert [type(one) for one in found] == [Block] and found[0].size == 30_000


def test_a_kind_that_another_may_be_taken_for_is_never_a_block() -> None:
    text = """mission: m
frames:
  first: {fields: [{name: a, bits: 8}, {name: check, kind: check, algorithm: CRC-8/SMBUS}]}
  second: {fields: [{name: a, bits: 16}, {name: check, kind: check, algorithm: CRC-8/SMBUS}]}
"""
    assert list(swift.able(packetkit.parse(text).frames)) == ["first"]
