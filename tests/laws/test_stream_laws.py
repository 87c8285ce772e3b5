"""Any bytes in any pieces give events that cover them once; true frames in junk are all found.

The judge is a search of a few lines that asks the walker at every single place, and knows neither patterns
nor checks computed beforehand.
"""

from __future__ import annotations

import random
from functools import cache
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import packetkit
from packetkit.captures.stream import Event, Failed, Good, Skipped, events, obstacle, whole
from packetkit.codec import walk
from packetkit.conformance import draw
from packetkit.errors import DecodeError
from packetkit.mission.load import Mission
from packetkit.resources import resource

# Invented; each is there for one way in which frames are found.
SHAPES = {
    "no constant, no check": "[{name: a, bits: 12}, {name: b, bits: 12}]",
    "no constant, a sum": "[{name: a, bits: 24}, {name: check, kind: check, algorithm: SUM-8}]",
    "low octet first": (
        "[{name: all, packing: least_significant_first, group: [{name: sync, kind: sync, bits: 12, code: 0xA5C},"
        " {name: a, bits: 12}, {name: check, kind: check, algorithm: CRC-16/MODBUS, stored: low_octet_first}]}]"
    ),
    "a counted list without constants": (
        "[{name: n, kind: count, bits: 8, maximum: 5}, {name: x, repeat: {count: n}, bits: 16},"
        " {name: check, kind: check, algorithm: CRC-16/IBM-3740}]"
    ),
    "strict bits, a list and a marker": (
        "[{name: sync, kind: sync, bits: 16, code: 0xD391}, {name: n, kind: count, bits: 4, maximum: 9},"
        " {name: spare, kind: reserved, bits: 4, strict: true}, {name: x, repeat: {count: n}, bits: 12, signed: true},"
        " {kind: reserved, up_to: byte}, {name: check, kind: check, algorithm: CRC-32/ISO-HDLC}]"
    ),
    "a marker in the middle": (
        "[{name: a, bits: 20}, {name: mark, kind: constant, bits: 9, code: 0x155}, {name: b, bits: 3}]"
    ),
    "a check that is not whole octets": (
        "[{name: a, bits: 19}, {name: check, kind: check, algorithm: CRC-5/EPC-C1G2}]"
    ),
    "a check inside its span, reversed": (
        "[{name: mark, kind: constant, bits: 8, code: 0x7E}, {name: a, bits: 16},"
        " {name: check, kind: check, algorithm: CRC-16/KERMIT, covers: [mark, check], stored: bits_reversed}]"
    ),
    "a check inside its span": (
        "[{name: mark, kind: constant, bits: 8, code: 0x7E}, {name: a, bits: 16},"
        " {name: check, kind: check, algorithm: CRC-16/IBM-3740, covers: [mark, check], self: ones}]"
    ),
    "a constant behind a list": (
        "[{name: mark, kind: constant, bits: 12, code: 0x7E1}, {name: n, kind: count, bits: 4},"
        " {name: x, repeat: {count: n}, bits: 8}, {name: last, kind: constant, bits: 16, code: 0x0D0A}]"
    ),
    "filled up to four bytes": (
        "[{name: mark, kind: constant, bits: 11, code: 0x5A5}, {name: n, kind: count, bits: 5},"
        " {name: x, repeat: {count: n}, bits: 11}, {kind: reserved, up_to: word_32},"
        " {name: check, kind: check, algorithm: CRC-16/IBM-3740}]"
    ),
    "words": (
        "[{name: all, order: little, word_bits: 16, group: [{name: mark, kind: constant, bits: 12, code: 0xABC},"
        " {name: a, bits: 20}]}, {name: check, kind: check, algorithm: CRC-16/IBM-3740}]"
    ),
    "a tag of several codes": (
        "[{name: kind, kind: tag, bits: 12, code: [0x123, 0x456, 0xFED]}, {name: a, bits: 12},"
        " {name: check, kind: check, algorithm: CRC-8/SMBUS}]"
    ),
}


@cache
def mission(name: str) -> Mission:
    if name in SHAPES:
        return packetkit.parse(f"mission: invented\nframes:\n  only:\n    fields: {SHAPES[name]}\n")
    return packetkit.load(str(resource(f"schemas/{name}.yaml")))


NAMES = (*SHAPES, "first-light", "plover", "heron")
# At least 16 check bits: with fewer, junk passes often enough to be seen, and hides what begins inside it.
CHECKED = ("low octet first", "strict bits, a list and a marker", "first-light", "plover", "heron")


def naive(made: Mission, data: bytes) -> list[tuple[int, str, int]]:
    """Good frames found by trying every frame at every place: offset, name, size."""
    found, at = [], 0
    while at < len(data):
        for name, layout in made.layouts.items():
            try:
                _, used = walk.decode_from(layout, data[at:])
            except DecodeError:
                continue
            found.append((at, name, used))
            at += used
            break
        else:
            at += 1
    return found


def judged(made: Mission, data: bytes, found: list[Event]) -> None:
    """Assert what every list of events owes."""
    at = 0
    for event in found:
        assert event.offset == at and event.size > 0
        at += event.size
        if isinstance(event, Skipped):
            continue
        assert event.data == data[event.offset : at]
        if isinstance(event, Good):
            assert made.frames[event.frame].decode(event.data) == event.record
        else:
            with pytest.raises(DecodeError) as caught:
                made.frames[event.claimed].decode(event.data)
            assert (caught.value.reason, str(caught.value)) == (event.reason, event.message)
    assert at == len(data)
    assert not any(isinstance(a, Skipped) and isinstance(b, Skipped) for a, b in pairwise(found))


@st.composite
def captures(some: st.DrawFn, made: Mission) -> bytes:
    """Bytes made of junk, whole frames, damaged and cut ones, in any order."""
    pieces = []
    for _ in range(some(st.integers(0, 6))):
        kind = some(st.sampled_from(["frame", "frame", "frame", "junk", "damaged", "cut", "heads"]))
        frame = made.frames[some(st.sampled_from(sorted(made.frames)))]
        data = frame.encode(draw.record(frame.layout, random.Random(some(st.integers(0, 10**6)))))
        if kind == "junk":
            data = some(st.binary(min_size=1, max_size=40))
        elif kind == "damaged":
            bit = some(st.integers(0, len(data) * 8 - 1))
            data = bytes(octet ^ (0x80 >> bit % 8 if at == bit // 8 else 0) for at, octet in enumerate(data))
        elif kind == "cut":
            data = data[: some(st.integers(1, len(data)))]
        elif kind == "heads":
            data = data[:4] * 4
        pieces.append(data)
    return b"".join(pieces)


EACH = pytest.mark.parametrize("name", NAMES)


@EACH
@settings(max_examples=20)
@given(some=st.data())
def test_events_are_those_of_a_search_at_every_place(name: str, some: st.DataObject) -> None:
    made = mission(name)
    data = some.draw(captures(made))
    found = list(events(made.frames, [data]))
    judged(made, data, found)
    good = [(event.offset, event.frame, event.size) for event in found if isinstance(event, Good)]
    assert good == naive(made, data)


@EACH
@settings(max_examples=10)
@given(some=st.data())
def test_how_the_input_is_cut_into_pieces_changes_no_event(name: str, some: st.DataObject) -> None:
    made = mission(name)
    data = some.draw(captures(made))
    cuts = sorted(some.draw(st.lists(st.integers(0, len(data)), max_size=8)))
    pieces = [data[a:b] for a, b in zip([0, *cuts], [*cuts, len(data)], strict=True)]
    at_once = list(events(made.frames, [data], detail=True, salvage=True))
    assert list(events(made.frames, pieces, detail=True, salvage=True)) == at_once
    assert list(events(made.frames, [bytes((one,)) for one in data], detail=True, salvage=True)) == at_once


@pytest.mark.parametrize("name", CHECKED)
@settings(max_examples=20)
@given(seed=st.integers(0, 10**6), before=st.binary(max_size=60), after=st.binary(max_size=60))
def test_a_frame_between_any_junk_is_found(name: str, seed: int, before: bytes, after: bytes) -> None:
    made = mission(name)
    for frame in made.frames.values():
        data = frame.encode(draw.record(frame.layout, random.Random(seed)))
        found = list(events(made.frames, [before + data + after]))
        good = {event.offset: event.data for event in found if isinstance(event, Good)}
        assert good.get(len(before)) == data


@EACH
@settings(max_examples=20)
@given(data=st.binary(max_size=300))
def test_any_bytes_give_events_and_never_an_exception(name: str, data: bytes) -> None:
    made = mission(name)
    judged(made, data, list(events(made.frames, [data], salvage=True)))


# -- frames that no stream shows ---------------------------------------------------------------------

BY_LENGTH = """
mission: invented
frames:
  brief: {fields: [{name: a, bits: 16}]}
  ample: {fields: [{name: a, bits: 24}]}
"""
TO_END = """
mission: invented
frames:
  log:
    fields:
      - {name: a, bits: 8}
      - {name: x, repeat: {to_end: true}, bits: 16}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""


@settings(max_examples=60)
@given(st.sampled_from([BY_LENGTH, TO_END]), st.binary(min_size=1, max_size=40))
def test_frames_that_no_stream_shows_are_taken_whole(text: str, data: bytes) -> None:
    made = packetkit.parse(text)
    assert obstacle(made.frames)
    event = whole(made, data, salvage=True)
    assert (event.offset, event.size) == (0, len(data))
    if isinstance(event, Failed) and event.claimed:
        with pytest.raises(DecodeError):
            made.frames[event.claimed].decode(data)
