"""Values that count only where another field says so: what each layer makes of them. The frames are invented."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packetkit.codec import constructs, walk
from packetkit.codec.annotate import annotate
from packetkit.codec.frame import Frame
from packetkit.conformance.generate import edges as edges_of
from packetkit.conformance.judge import asked
from packetkit.conformance.simulate import Channel, simulate
from packetkit.errors import EncodeError, Unsupported
from packetkit.fuzz.strategies import records
from packetkit.layout.model import Layout
from packetkit.mission.load import parse
from packetkit.targets.target import refusals

BUOY = """\
mission: godwit
frames:
  drift:
    fields:
      - {name: has_fix, kind: flag}
      - {name: mode, bits: 3, states: {0: dry, 1: wet, 2: sunk}}
      - {name: heading, bits: 12, scale: 360/4096, unit: deg, valid_when: has_fix, limits: {soft: {maximum: 300}}}
      - {name: depth, minimum: 0, maximum: 25, resolution: 0.1, missing: true, valid_when: {mode: [wet, sunk]}}
      - {name: salt, kind: float, bits: 32, valid_when: {mode: {from: 1, to: 2}}}
      - {name: seen, kind: time, bits: 32, tick_s: 1, epoch: "2020-01-01T00:00:00Z", leap_seconds: not_counted, valid_when: has_fix}
      - {name: doubled, derived: heading * 2}
      - name: fix
        present_when: has_fix
        group: [{name: latitude, bits: 8}]
"""


def buoy(text: str = BUOY) -> Frame:
    return Frame(parse(text).layouts["drift"])


FRAME = buoy()


WET = {
    "has_fix": True,
    "mode": "wet",
    "heading": 90.0,
    "depth": 2.5,
    "salt": 0.5,
    "seen": "2020-01-01T00:00:01Z",
    "doubled": 180.0,
    "fix": {"latitude": 7},
}
DRY = dict.fromkeys(WET) | {"has_fix": False, "mode": "dry"}


@pytest.mark.parametrize("record", [WET, DRY], ids=["all count", "none counts"])
def test_what_counts_and_what_does_not_comes_back_by_both_codecs(record: dict[str, object]) -> None:
    frame = buoy()
    data = frame.encode(record)
    assert data == walk.encode(frame.layout, record)
    assert frame.decode(data) == walk.decode(frame.layout, data) == record


def test_every_value_given_beside_a_field_that_denies_it_is_a_fault_in_wire_order() -> None:
    with pytest.raises(EncodeError) as caught:
        buoy().encode({**WET, "has_fix": False, "mode": "dry", "fix": None})
    assert [(fault.path, fault.rule) for fault in caught.value.faults] == [
        ("heading", "disagrees"),
        ("depth", "disagrees"),
        ("salt", "disagrees"),
        ("seen", "disagrees"),
    ]
    assert "90.0 is given, but has_fix is False. Leave it out, or change that" in str(caught.value)
    assert "2.5 is given, but mode is dry. Leave it out, or change that" in str(caught.value)


def test_a_flag_that_an_option_fills_in_says_that_values_count() -> None:
    frame = buoy()
    told = {key: value for key, value in WET.items() if key != "has_fix"}
    assert frame.encode(told) == frame.encode(WET)


def test_a_value_that_does_not_count_is_beyond_no_limit_and_nothing_is_derived_from_it() -> None:
    detail = buoy().decode(bytes.fromhex("0fff19000000000000000000"[:22]), detail=True)
    assert detail["heading"] == {"raw": 4095, "value": None, "unit": "deg", "reason": "not valid"}
    assert detail["doubled"] == {"value": None, "reason": "no heading", "derived": True}


@settings(max_examples=30)
@given(record=records(FRAME.layout))
def test_records_drawn_for_such_a_frame_are_taken_and_their_details_encode_back(
    record: dict[str, object],
) -> None:
    frame = FRAME
    data = frame.encode(record)
    detail = frame.decode(data, detail=True)
    assert frame.encode(detail) == data
    for name, valid in (
        ("heading", detail["has_fix"]["raw"] == 1),
        ("depth", detail["mode"]["raw"] in (1, 2)),
    ):
        assert (detail[name].get("reason") == "not valid") is not valid


@settings(max_examples=30)
@given(data=st.binary(min_size=12, max_size=13))
def test_any_octets_mean_the_same_to_both_codecs(data: bytes) -> None:
    frame = FRAME
    assert asked(lambda: frame.decode(data)) == asked(lambda: walk.decode(frame.layout, data))


def test_two_fields_that_differ_in_when_they_count_have_two_fingerprints() -> None:
    plain = BUOY.replace(", valid_when: has_fix, limits", ", limits")
    other = BUOY.replace(", valid_when: has_fix, limits", ", valid_when: {mode: 1}, limits")
    assert len({buoy(text).layout.fingerprint for text in (BUOY, plain, other)}) == 3


def test_the_table_says_when_a_value_counts() -> None:
    said = str(buoy().layout)
    assert "valid when has_fix is true" in said and "valid when mode is 1 to 2" in said


def test_columns_are_decoded_one_by_one_and_masked_where_values_do_not_count() -> None:
    fixed = BUOY[: BUOY.index("      - name: fix")]
    frame = buoy(fixed)
    rows = [{**WET, "fix": None}, DRY]
    columns = frame.decode_many(
        b"".join(frame.encode({k: v for k, v in row.items() if k != "fix"}) for row in rows)
    )
    assert columns.obstacle == "heading means what has_fix says"
    assert columns.valid["heading"].tolist() == [True, False]
    assert columns["heading"].tolist()[0] == 90.0


def test_construct_and_targets_that_give_values_refuse_it_by_name() -> None:
    layout: Layout = buoy().layout
    with pytest.raises(Unsupported, match="heading: another field says what its code means"):
        constructs.build(layout)
    assert ("heading", "its valid when") in list(refusals(layout))
    assert list(refusals(layout, frozenset({"valid_when", "limits"}), parts=True)) == []


def test_simulated_frames_send_nothing_for_what_does_not_count() -> None:
    mission = parse(BUOY)
    frame = mission.frames["drift"]
    sent = [one for one in simulate(mission.frames, Fraction(3600), Channel(), 1) if one.fate == "good"]
    found = [frame.decode(one.data) for one in sent]
    assert {row["has_fix"] for row in found} == {True, False}
    assert all((row["heading"] is None) is not row["has_fix"] for row in found)


def test_a_value_that_may_not_count_can_be_mixed_into_a_check() -> None:
    text = """
mission: godwit
frames:
  drift:
    fields:
      - {name: mode, bits: 8}
      - {name: level, bits: 8, valid_when: {mode: 1}}
      - {name: check, kind: check, algorithm: CRC-8/SMBUS, mixed_with: level}
"""
    frame = buoy(text)
    for record in ({"mode": 1, "level": 7}, {"mode": 0, "level": None}):
        assert frame.decode(frame.encode(record)) == walk.decode(frame.layout, frame.encode(record)) == record


# -- told by what stands behind

TAIL = """
mission: godwit
frames:
  drift:
    fields:
      - {name: heading, bits: 12, scale: 360/4096, unit: deg, valid_when: status.has_fix}
      - {name: depth, bits: 8, missing: true, scale_by: {gain: {0: 1/2, 1: 4}}, valid_when: {mode: [wet]}}
      - {name: held, kind: count, bits: 4}
      - name: casts
        repeat: {count: held}
        group:
          - {name: salt, bits: 8, valid_when: sound}
          - {name: level, bits: 7, valid_when: status.has_fix}
          - {name: sound, kind: flag}
      - {name: mode, bits: 4, states: {0: dry, 1: wet}}
      - {name: gain, bits: 2}
      - {name: status, flags: [has_fix, spare]}
"""
BEHIND = buoy(TAIL)
TOLD = {
    "heading": 90.0,
    "depth": 8.0,
    "casts": [{"salt": 1, "level": 2, "sound": True}, {"salt": None, "level": 3, "sound": False}],
    "mode": "wet",
    "gain": 1,
    "status": {"has_fix": True, "spare": False},
}


def test_what_stands_behind_tells_of_its_own_element_and_of_what_is_inside_the_group() -> None:
    data = bytes.fromhex("400022 0105 0006 16")  # by hand: 1024, 2, 2; 1, 2, 1; 0, 3, 0; 1, 1, 2
    assert BEHIND.encode(TOLD) == walk.encode(BEHIND.layout, TOLD) == data
    assert BEHIND.decode(data) == TOLD
    without = BEHIND.decode(data[:-1] + b"\x04")
    assert without["heading"] is None and without["depth"] is None
    assert [cast["level"] for cast in without["casts"]] == [None, None]
    assert [cast["salt"] for cast in without["casts"]] == [1, None]


def test_every_value_denied_behind_it_is_a_fault_in_wire_order() -> None:
    with pytest.raises(EncodeError) as caught:
        BEHIND.encode({**TOLD, "mode": "dry", "status": {"has_fix": False, "spare": False}})
    assert [fault.path for fault in caught.value.faults] == [
        "heading", "depth", "casts[0].level", "casts[1].level",
    ]  # fmt: skip


@settings(max_examples=30)
@given(record=records(BEHIND.layout))
def test_records_drawn_for_a_frame_told_behind_are_taken_and_encode_back(record: dict[str, object]) -> None:
    data = BEHIND.encode(record)
    detail = BEHIND.decode(data, detail=True)
    assert BEHIND.encode(detail) == data
    fixed = detail["status"]["has_fix"]["raw"] == 1
    assert (detail["heading"].get("reason") == "not valid") is not fixed
    for cast in detail["casts"]:
        assert (cast["salt"].get("reason") == "not valid") is not bool(cast["sound"]["raw"])


def test_a_name_before_is_meant_rather_than_a_nearer_one_behind() -> None:
    text = """
mission: godwit
frames:
  drift:
    fields:
      - {name: sound, kind: flag}
      - name: cast
        group: [{name: salt, bits: 6, valid_when: sound}, {name: sound, kind: flag}]
"""
    layout = buoy(text).layout
    told = layout.slots[1].valid_when
    assert told is not None and layout.slots[told.by].address == "sound"


def test_a_frame_that_ends_before_what_tells_is_shown_without_the_values() -> None:
    data = BEHIND.encode(TOLD)
    fields = {one.address: one for one in annotate(BEHIND.layout, data[:-1]).fields}
    assert fields["heading"].value is None and fields["heading"].reason == "not known: the frame is cut off"
    assert fields["casts[0].salt"].value == 1


def test_simulated_frames_and_edge_records_hold_what_stands_behind() -> None:
    mission = parse(TAIL)
    sent = [one for one in simulate(mission.frames, Fraction(3600), Channel(), 1) if one.fate == "good"]
    rows = [mission.frames["drift"].decode(one.data) for one in sent]
    assert {row["status"]["has_fix"] for row in rows} == {True, False}
    assert all((row["heading"] is None) is not row["status"]["has_fix"] for row in rows)
    edges = [row for _, row in edges_of(BEHIND.layout) if row["depth"] is not None]
    assert edges and all(BEHIND.decode(BEHIND.encode(row))["mode"] == "wet" for row in edges[:1])
