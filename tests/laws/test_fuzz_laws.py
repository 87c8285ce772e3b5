"""The public laws, both ways: packetkit's own frames keep them, and a codec with the fault that a law is about breaks it.

The records come from the public strategies, as a team's own tests would draw them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import pytest
from hypothesis import HealthCheck, find, given, settings
from hypothesis import strategies as st
from hypothesis.errors import NoSuchExample

import packetkit
from packetkit import fuzz
from packetkit.codec.frame import Frame
from packetkit.conformance import faults
from packetkit.fuzz import laws
from packetkit.layout.model import Layout
from packetkit.resources import resource

PATIENT = settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
HERON = packetkit.load(str(resource("schemas/heron.yaml")))
FRAMES = list(HERON.layouts)

# Invented: the smallest frame on which each fault shows.
SMALL = packetkit.parse(
    "mission: small\nframes:\n  sheet:\n    fields:\n"
    "      - {name: a, bits: 8, signed: true}\n"
    "      - {name: b, minimum: -40, maximum: 60, resolution: 0.5, missing: true}\n"
    "      - {name: on, kind: flag}\n"
    "      - {name: n, kind: count, bits: 3}\n"
    "      - {name: v, repeat: {count: n}, bits: 4}\n"
    "      - {kind: reserved, up_to: byte}\n"
    "      - {name: check, kind: check, algorithm: CRC-8/SMBUS}\n"
).frame("sheet")


# Invented: one field says on which scale another counts, and a flag whether a third does.
SCALED = packetkit.parse(
    "mission: scaled\nframes:\n  sheet:\n    fields:\n"
    "      - {name: gain, bits: 1, states: {0: fine, 1: coarse}}\n"
    "      - {name: there, kind: flag}\n"
    "      - {name: a, bits: 8, scale_by: {gain: {fine: 1/4, coarse: 4}}}\n"
    "      - {name: b, bits: 6, valid_when: there}\n"
).frame("sheet")


class Faulty:
    """A codec like packetkit's, whose answers somebody changes."""

    def __init__(
        self,
        frame: Frame,
        encoded: Callable[[bytes], bytes] = lambda data: data,
        decoded: Callable[[Any], Any] = lambda record: record,
        taken: Callable[[Any], Any] = lambda record: record,
        used: int = 0,
    ) -> None:
        self.frame, self.encoded, self.decoded, self.taken, self.used = frame, encoded, decoded, taken, used

    @property
    def layout(self) -> Layout:
        return self.frame.layout

    def encode(self, record: Mapping[str, Any], /) -> bytes:
        return self.encoded(self.frame.encode(self.taken(record)))

    def decode(self, data: bytes, /, *, detail: bool = False) -> dict[str, Any]:
        found = self.frame.decode(data, detail=detail)
        made: dict[str, Any] = found if detail else self.decoded(found)
        return made

    def decode_from(self, buffer: bytes, at: int = 0, /) -> tuple[dict[str, Any], int]:
        record, used = self.frame.decode_from(buffer, at)
        return record, used + self.used


def with_value(key: str, change: Callable[[Any], Any]) -> Callable[[Any], Any]:
    """A function that changes one value of a record, if it is there and a plain number."""

    def changed(record: Any) -> Any:
        value = record.get(key)
        return {**record, key: change(value)} if isinstance(value, (int, float)) and key in record else record

    return changed


# -- our frames keep them


@pytest.mark.parametrize("name", FRAMES)
@PATIENT
@given(data=st.data())
def test_records_come_back_within_half_a_step(name: str, data: st.DataObject) -> None:
    frame = HERON.frame(name)
    record = data.draw(fuzz.records(frame))
    assert not laws.comes_back(frame, record)
    assert not laws.half_a_step(frame, record)


@pytest.mark.parametrize("name", FRAMES)
@PATIENT
@given(data=st.data(), junk=st.binary(max_size=90))
def test_any_bytes_and_any_damage_are_told(name: str, data: st.DataObject, junk: bytes) -> None:
    frame = HERON.frame(name)
    good, damage = data.draw(fuzz.damaged(frame))
    assert not laws.only_records_or_errors(frame, junk)
    assert not laws.damage_is_told(frame, good, damage)
    assert not laws.leaves_the_rest(frame, good, junk[:3], junk[3:6])


@settings(max_examples=15, suppress_health_check=list(HealthCheck))
@given(mission=fuzz.missions(), data=st.data())
def test_random_missions_keep_the_laws(mission: packetkit.Mission, data: st.DataObject) -> None:
    for frame in mission.frames.values():
        record = data.draw(fuzz.records(frame))
        assert not laws.comes_back(frame, record)
        assert not laws.half_a_step(frame, record)


# -- and whoever does not keep them is told


def broken_by(law: Callable[[Any, Any], str], codec: Faulty, subjects: Any) -> Any:
    """The smallest subject with which a codec breaks a law. Raises NoSuchExample where it keeps it."""
    quick = settings(
        max_examples=600, database=None, derandomize=True, suppress_health_check=list(HealthCheck)
    )
    return find(subjects, lambda subject: bool(law(codec, subject)), settings=quick)


@pytest.mark.parametrize(
    "codec",
    [
        Faulty(SMALL, decoded=with_value("a", lambda value: value + 1)),
        Faulty(SMALL, decoded=with_value("a", float)),
        Faulty(SMALL, decoded=with_value("b", lambda value: int(value) if value == int(value) else value)),
        Faulty(SMALL, taken=with_value("a", abs)),
        Faulty(SMALL, decoded=lambda record: {**record, "on": True}),
        Faulty(SMALL, encoded=lambda data: data[:-1] + bytes([data[-1] ^ 1])),
    ],
    ids=["off by one", "float for int", "int for float", "sign lost", "flag stuck", "check wrong"],
)
def test_a_record_that_does_not_come_back_is_told_and_shrunk(codec: Faulty) -> None:
    record = broken_by(laws.comes_back, codec, fuzz.records(SMALL))
    assert record.get("v") == [], "the list has nothing to do with it"


def test_a_value_that_wraps_is_more_than_half_a_step_away() -> None:
    wrapping = Faulty(SMALL, taken=with_value("a", lambda value: (round(value) + 128) % 256 - 128))
    beyond = fuzz.records(SMALL).map(lambda record: {**record, "a": 200})
    assert broken_by(laws.half_a_step, wrapping, beyond)["a"] == 200
    cut = Faulty(SMALL, taken=with_value("b", lambda value: value // 1))
    record = broken_by(laws.half_a_step, cut, fuzz.records(SMALL))
    assert record["b"] % 1


@settings(max_examples=20)
@given(record=fuzz.records(SCALED))
def test_a_value_on_a_chosen_scale_is_held_to_the_step_of_that_scale(record: dict[str, Any]) -> None:
    assert not laws.half_a_step(SCALED, record)
    assert not laws.comes_back(SCALED, record)


def test_a_value_that_loses_its_chosen_scale_s_step_is_told() -> None:
    cut = Faulty(SCALED, taken=with_value("a", lambda value: value // 1))
    record = broken_by(laws.half_a_step, cut, fuzz.records(SCALED))
    assert record["gain"] == "fine" and record["a"] % 1
    # What is more than half a step of the fine scale is less than one of the coarse.
    coarse = Faulty(SCALED, taken=lambda given: {**given, "gain": "coarse"})
    assert laws.half_a_step(coarse, {"gain": "fine", "there": True, "a": 3.0, "b": 1}) == ""
    assert "a: 7.5 comes back as 8" in laws.half_a_step(
        Faulty(SCALED, taken=with_value("a", round)), {"gain": "fine", "there": True, "a": 7.5, "b": 1}
    )


def test_an_exception_that_is_no_decode_error_is_told() -> None:
    def fragile(record: Any) -> Any:
        raise ZeroDivisionError("division by zero")

    class Fragile(Faulty):
        def decode(self, data: bytes, /, *, detail: bool = False) -> dict[str, Any]:
            found = self.frame.decode(data, detail=detail)
            return dict(fragile(found))

    good = SMALL.encode({"a": 1, "b": 2.0, "on": True, "v": []})
    assert "ZeroDivisionError" in laws.only_records_or_errors(Fragile(SMALL), good)
    assert not laws.only_records_or_errors(Fragile(SMALL), b"\x00")


def test_a_detail_record_that_encodes_to_other_bits_is_told() -> None:
    good = SMALL.encode({"a": 1, "b": 2.0, "on": True, "v": [3]})
    forgetful = Faulty(
        SMALL,
        taken=lambda record: {**record, "a": 0} if "check" not in record else {**record, "a": 0, "check": 0},
    )
    assert "a" in str(laws.only_records_or_errors(forgetful, good))


def test_a_codec_that_reads_on_behind_its_frame_is_told() -> None:
    good = SMALL.encode({"a": 1, "b": 2.0, "on": True, "v": [3]})
    assert not laws.leaves_the_rest(SMALL, good, b"ab", b"cd")
    assert "were used" in laws.leaves_the_rest(Faulty(SMALL, used=1), good, b"", b"cd")


def test_a_bit_under_a_check_that_goes_unseen_is_told() -> None:
    fixed = packetkit.parse(
        "mission: m\nframes:\n  f:\n    fields:\n      - {name: a, bits: 16}\n"
        "      - {name: loose, bits: 8}\n      - {name: c, kind: check, algorithm: CRC-16/IBM-3740, covers: a}\n"
    ).frame("f")
    good = fixed.encode({"a": 3, "loose": 4})

    class Blind(Faulty):
        def decode(self, data: bytes, /, *, detail: bool = False) -> dict[str, Any]:
            return self.frame.decode(data, detail=detail, salvage=detail)

    class Unchecked(Faulty):
        def decode(self, data: bytes, /, *, detail: bool = False) -> dict[str, Any]:
            return self.frame.decode(data, salvage=True)

        def encode(self, record: Mapping[str, Any], /) -> bytes:
            return damage.data

    assert laws.certain_bits(fixed.layout) == {*range(16), *range(24, 40)}
    for bit in range(40):
        damage = faults.Damage("flip", faults.flipped(good, [bit]), bit)
        assert not laws.damage_is_told(fixed, good, damage)
        told = laws.damage_is_told(Unchecked(fixed), good, damage)
        assert bool(told) is (bit in laws.certain_bits(fixed.layout))
    assert laws.damage_is_told(Blind(fixed), good, faults.Damage("flip", faults.flipped(good, [3]), 3))


def test_a_good_codec_is_not_broken_by_looking_longer() -> None:
    with pytest.raises(NoSuchExample):
        broken_by(laws.comes_back, Faulty(SMALL), fuzz.records(SMALL))
    assert set(laws.LAWS) == {
        "comes_back",
        "half_a_step",
        "only_records_or_errors",
        "leaves_the_rest",
        "damage_is_told",
    }
