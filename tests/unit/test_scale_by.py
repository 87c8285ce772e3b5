"""Scales that another field chooses: what each layer makes of them. The frames are invented."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packetkit.cli.main import main
from packetkit.codec import constructs, walk
from packetkit.codec.frame import Frame
from packetkit.conformance.simulate import Channel, simulate
from packetkit.errors import EncodeError, Unsupported
from packetkit.fuzz.strategies import records
from packetkit.mission.load import parse
from packetkit.targets.target import refusals

BUOY = """\
mission: godwit
frames:
  drift:
    fields:
      - {name: gain, bits: 2, states: {0: low, 1: high}}
      - {name: wet, kind: flag}
      - {name: salt, bits: 13, signed: true, unit: mS, scale_by: {gain: {low: 1/8, high: {scale: 3, offset: -0.5}}}}
      - {name: depth, bits: 16, missing: true, scale_by: {gain: {0: 1, high: 100}}, valid_when: wet}
"""


def buoy(text: str = BUOY) -> Frame:
    return Frame(parse(text).layouts["drift"])


FRAME = buoy()


@settings(max_examples=30)
@given(
    gain=st.sampled_from([("low", Fraction(1, 8), Fraction(0)), ("high", Fraction(3), Fraction(-1, 2))]),
    code=st.integers(-4096, 4095),
)
def test_each_code_is_the_value_on_the_scale_that_was_chosen(
    gain: tuple[str, Fraction, Fraction], code: int
) -> None:
    frame = FRAME
    name, scale, offset = gain
    data = frame.encode({"gain": name, "wet": True, "salt": {"raw": code}, "depth": None})
    record = frame.decode(data)
    assert record["salt"] == float(offset + scale * code)
    assert frame.encode(record) == data


@settings(max_examples=30)
@given(record=records(FRAME.layout))
def test_records_drawn_for_such_a_frame_are_taken_by_both_codecs_alike(record: dict[str, object]) -> None:
    frame = FRAME
    data = frame.encode(record)
    assert data == walk.encode(frame.layout, record)
    assert frame.decode(data) == walk.decode(frame.layout, data)
    assert frame.encode(frame.decode(data, detail=True)) == data


def test_a_code_without_a_scale_has_no_value_and_takes_none() -> None:
    frame = buoy()
    detail = frame.decode(bytes.fromhex("a0050007"), detail=True)
    assert detail["salt"] == {"raw": 5, "value": None, "unit": "mS", "reason": "no scale"}
    assert detail["depth"] == {"raw": 7, "value": None, "reason": "no scale"}
    with pytest.raises(
        EncodeError, match=r"salt: 1 is given, but gain is 2, which has no scale\. Leave it out"
    ):
        frame.encode({"gain": 2, "wet": True, "salt": 1, "depth": None})


def test_values_are_integers_where_all_scales_are_and_doubles_where_one_is_not() -> None:
    record = buoy().decode(buoy().encode({"gain": "high", "wet": True, "salt": 5.5, "depth": 700}))
    assert (record["salt"], type(record["depth"])) == (5.5, int)
    mixed = buoy(BUOY.replace("high: 100", "high: 0.5"))
    assert (
        type(mixed.decode(mixed.encode({"gain": "low", "wet": True, "salt": 0, "depth": 7}))["depth"])
        is float
    )


def test_the_type_of_a_column_holds_the_values_of_every_scale() -> None:
    frame = buoy(BUOY.replace("high: 100", "high: 1000000"))
    rows = [("low", 65534), ("high", 65534 * 10**6)]
    data = b"".join(
        frame.encode({"gain": gain, "wet": True, "salt": -0.5, "depth": depth}) for gain, depth in rows
    )
    columns = frame.decode_many(data)
    assert columns["depth"].tolist() == [65534, 65534 * 10**6]
    assert columns.obstacle == "salt means what gain says"


def test_two_orders_of_the_same_scales_have_one_fingerprint_and_other_scales_another() -> None:
    turned = BUOY.replace("{0: 1, high: 100}", "{high: 100, 0: 1}")
    other = BUOY.replace("{0: 1, high: 100}", "{0: 1, high: 101}")
    assert buoy().layout.fingerprint == buoy(turned).layout.fingerprint != buoy(other).layout.fingerprint


def test_check_says_and_draws_each_scale(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    schema = tmp_path / "godwit.yaml"
    schema.write_text(BUOY, encoding="utf-8")
    main(["check", str(schema), "--json"])
    fields = {
        one["name"]: one for one in json.loads(capsys.readouterr().out)["schemas"][0]["frames"][0]["fields"]
    }
    assert fields["salt"]["scale_by"] == {
        "field": "gain",
        "choices": [
            {"from_raw": 0, "to_raw": 0, "scale": 0.125, "offset": 0},
            {"from_raw": 1, "to_raw": 1, "scale": 3, "offset": -0.5},
        ],
    }
    assert fields["depth"]["valid_when"] == {"field": "wet", "codes": [{"from_raw": 1, "to_raw": 1}]}
    said = str(buoy().layout)
    assert "scale 3 from -0.5 when gain is high" in said and "-12288.5 to 12284.5" in said


def test_targets_that_give_values_and_construct_refuse_it_by_name() -> None:
    layout = buoy().layout
    with pytest.raises(Unsupported, match="salt: another field says what its code means"):
        constructs.build(layout)
    assert ("salt", "its scale, which another field chooses") in list(refusals(layout))
    assert list(refusals(layout, frozenset({"valid_when", "scale_by"}))) == []


def test_simulated_frames_are_those_of_their_values() -> None:
    mission = parse(BUOY)
    frame = mission.frames["drift"]
    sent = [one for one in simulate(mission.frames, Fraction(1200), Channel(), 1) if one.fate == "good"]
    assert all(frame.decode(one.data) == one.values for one in sent) and len(sent) > 50
