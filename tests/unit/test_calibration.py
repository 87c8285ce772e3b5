"""Calibration: one unit's curve from the decoded to the true value, beside what was sent and never instead of it.

Outside: resistance and temperature of a platinum thermometer of 100 ohm, IEC 60751 (from memory): 100 ohm at 0, 103.90 at 10, 107.79 at
20 and 138.51 at 100 degC; numpy's interpolation and polynomials judge curves over small whole numbers, where they are exact.
"""

from __future__ import annotations

import json
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import packetkit
from packetkit.cli.main import main
from packetkit.errors import SchemaError
from packetkit.layout.calibration import Calibration

SCHEMA = """
mission: godwit
frames:
  drift:
    fields:
      - name: resistance
        bits: 16
        scale: 1/100
        unit: ohm
        missing: true
        limits: {hard: {maximum: 130}}
        calibration:
          7: {points: [[100, 0], [103.9, 10], [107.79, 20], [138.51, 100]]}
          "8b": {polynomial: [-100, 1]}
      - {name: north, bits: 8, signed: true}
      - {name: kelvin, derived: resistance + 273.15, unit: K}
      - {name: list, repeat: 2, bits: 8, calibration: {"8b": {polynomial: [1, 0, 2]}}}
"""
DOCUMENTS = Path(__file__).resolve().parent.parent / "documents" / "json"
PLATINUM = {100.0: 0.0, 103.9: 10.0, 107.79: 20.0, 138.51: 100.0}


@pytest.fixture
def frame() -> packetkit.Frame:
    return packetkit.parse(SCHEMA).frame()


@pytest.mark.parametrize("ohm", PLATINUM)
def test_a_platinum_thermometer_reads_as_its_table_says(ohm: float, frame: packetkit.Frame) -> None:
    data = frame.encode({"resistance": ohm, "north": 0, "list": [0, 0]})
    detail = frame.calibrate(frame.decode(data, detail=True), "7")
    assert detail["resistance"]["calibrated"] == PLATINUM[ohm]


_WHOLE = st.integers(-20, 20)


@given(st.lists(_WHOLE, min_size=2, max_size=10), st.integers(-8, 8))
def test_polynomials_are_those_of_numpy(coefficients: list[int], x: int) -> None:
    curve = Calibration("1", tuple(map(Fraction, coefficients)))
    exact = int(np.polynomial.Polynomial(np.array(coefficients, dtype=object))(x))
    assert curve.of(x) == curve.of(float(x)) == float(exact)


@given(st.sets(_WHOLE, min_size=2).map(sorted), st.data())
def test_points_are_joined_as_numpy_joins_them(places: list[int], data: st.DataObject) -> None:
    steps = [0]
    for low, high in pairwise(places):
        steps.append(steps[-1] + data.draw(_WHOLE) * (high - low))  # whole slopes keep numpy exact
    curve = Calibration("1", (), tuple(zip(map(Fraction, places), map(Fraction, steps), strict=True)))
    x = data.draw(st.integers(-25, 25))
    inside = places[0] <= x <= places[-1]
    assert curve.of(x) == (float(np.interp(x, places, steps)) if inside else None)


@pytest.mark.parametrize("value", [None, True, "on", float("nan"), float("inf")])
def test_what_is_no_number_has_no_calibrated_value(value: object) -> None:
    assert Calibration("1", (Fraction(0), Fraction(1))).of(value) is None


def test_a_value_beyond_every_double_is_none() -> None:
    assert Calibration("1", (Fraction(0), Fraction(10) ** 400)).of(1) is None


def test_calibrated_records_keep_their_bits_and_derived_values_follow(frame: packetkit.Frame) -> None:
    data = frame.encode({"resistance": 131.5, "north": -3, "list": [2, 3]})
    detail = frame.decode(data, detail=True)
    assert detail["resistance"]["limit"] == "hard maximum"
    before = json.dumps(detail)
    made = frame.calibrate(detail, "8b")
    assert json.dumps(detail) == before
    assert made["resistance"] == {"raw": 13150, "value": 131.5, "calibrated": 31.5, "unit": "ohm"}
    assert made["kelvin"] == {"value": 404.65, "calibrated": 304.65, "unit": "K", "derived": True}
    assert [one["calibrated"] for one in made["list"]] == [9.0, 19.0]
    assert "calibrated" not in made["north"]
    assert frame.encode(made) == data
    assert frame.decode(data) == {"resistance": 131.5, "north": -3, "kelvin": 404.65, "list": [2, 3]}


def test_nothing_comes_of_what_is_missing(frame: packetkit.Frame) -> None:
    data = frame.encode({"resistance": None, "north": 0, "list": [0, 0]})
    made = frame.calibrate(frame.decode(data, detail=True), "7")
    leaf = {"raw": 65535, "value": None, "calibrated": None, "unit": "ohm", "reason": "missing"}
    assert made["resistance"] == leaf
    assert made["kelvin"]["calibrated"] is None


EXACT = """
mission: godwit
frames:
  drift:
    fields:
      - {name: level, bits: 16, scale: 1/1000, calibration: {a: {polynomial: [0.002, 1.01]}, b: {points: [[0, 0], [65.535, 655.35]]}}}
      - {name: gain, bits: 1, states: {0: low, 1: high}}
      - {name: swing, bits: 15, scale_by: {gain: {low: 1/1000, high: 1/10}}, calibration: {a: {polynomial: [0.002, 1.01]}}}
      - {name: most, bits: 16, minimum: 0, maximum: 60, resolution: 0.001, at_least: 60001, calibration: {a: {polynomial: [0.002, 1.01]}}}
"""


@given(st.integers(0, 0xFFFF), st.booleans())
def test_a_curve_takes_the_number_that_a_code_means_and_rounds_once(code: int, is_high: bool) -> None:
    """The decimal module works in as many digits as these need, and a double is made at the end."""
    frame = packetkit.parse(EXACT).frame()
    data = code.to_bytes(2, "big") + (code >> 1 | is_high << 15).to_bytes(2, "big") + code.to_bytes(2, "big")
    detail = frame.decode(data, detail=True)
    made = frame.calibrate(detail, "a")
    thousandths = Decimal(code) / 1000
    swing = Decimal(code >> 1) / (10 if is_high else 1000)
    assert made["level"]["calibrated"] == float(thousandths * Decimal("1.01") + Decimal("0.002"))
    assert made["swing"]["calibrated"] == float(swing * Decimal("1.01") + Decimal("0.002"))
    most = (
        thousandths if code <= 60_001 else None
    )  # 60.001 or more is a value, the codes above are unassigned
    there = None if most is None else float(most * Decimal("1.01") + Decimal("0.002"))
    assert made["most"]["calibrated"] == there
    assert frame.calibrate(detail, "b")["level"]["calibrated"] == float(thousandths * 10)


REASONS = """
mission: godwit
frames:
  drift:
    fields:
      - {name: level, bits: 8, calibration: {a: {polynomial: [-1, 1]}, b: {points: [[0, 1], [5, 11]]}}}
      - {name: time, derived: 10 / level}
      - {name: later, derived: time + 1}
"""


@pytest.mark.parametrize(
    ("code", "serial", "level", "time", "later"),
    [  # calibrated value, and why there is none, by hand: a is level - 1, b is 1 + 2 level up to 5
        (1, "a", (0.0, None), (None, "division by zero"), (None, "no time")),
        (7, "b", (None, "outside the points"), (None, "no level"), (None, "no time")),
        (0, "a", (-1.0, None), (-10.0, None), (-9.0, None)),
    ],
)
def test_what_is_not_calibrated_says_why_and_the_reason_stays_the_values(
    code: int, serial: str, level: object, time: object, later: object
) -> None:
    frame = packetkit.parse(REASONS).frame()
    made = frame.calibrate(frame.decode(bytes([code]), detail=True), serial)
    found = [(made[name]["calibrated"], made[name].get("calibrated_reason")) for name in made]
    assert found == [level, time, later]
    assert made["time"].get("reason") == (None if code else "division by zero")
    assert frame.encode(made) == bytes([code])


def test_lines_and_tables_say_why_a_value_is_not_calibrated(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "godwit.yaml"
    path.write_text(REASONS, "utf-8")
    decode = ["decode", str(path), "--text", "07", "--from", "hex", "--serial", "b"]
    assert main([*decode, "--format", "jsonl"]) == 0
    line = json.loads(capsys.readouterr().out)
    jsonschema.validate(line, json.loads((DOCUMENTS / "decode_line.schema.json").read_text("utf-8")))
    assert line["reasons"] == {} and line["notes"]["level"] == "not calibrated: outside the points"
    assert main([*decode, "--format", "table"]) == 0
    assert "not calibrated: no level" in capsys.readouterr().out


def test_a_unit_without_curves_is_named_with_those_that_have_some(frame: packetkit.Frame) -> None:
    with pytest.raises(KeyError, match="no calibration for '9': 7, 8b"):
        frame.calibrate({}, "9")


def test_curves_have_no_part_in_the_fingerprint() -> None:
    layout = packetkit.parse(SCHEMA).layouts["drift"]
    bare = SCHEMA.replace("8b", "9").replace("[-100, 1]", "[0, 2]")
    assert layout.fingerprint == packetkit.parse(bare).layouts["drift"].fingerprint
    assert "calibrated for 2 units" in str(layout)


@pytest.fixture
def schema(tmp_path: Path) -> str:
    path = tmp_path / "godwit.yaml"
    path.write_text(SCHEMA, "utf-8")
    return str(path)


SENT = "335e fd 0203"  # 13150, -3, 2, 3


def test_the_table_shows_both_values(schema: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["decode", schema, "--text", SENT, "--from", "hex", "--serial", "8b"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "field value calibrated unit" in out
    assert "resistance 131.5 31.5 ohm" in out
    assert main(["check", schema, "--json"]) == 0
    (one,) = json.loads(capsys.readouterr().out)["schemas"][0]["frames"]
    assert one["fields"][0]["calibrated_units"] == ["7", "8b"]


def test_an_unknown_serial_is_misuse(schema: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["decode", schema, "--text", SENT, "--from", "hex", "--serial", "9"]) == 2
    assert "those with curves are 7, 8b" in " ".join(capsys.readouterr().err.split())


def test_cells_and_lines_have_both_values_and_encode_back(
    schema: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    decode = ["decode", schema, "--text", SENT, "--from", "hex", "--serial", "8b", "--format"]
    assert main([*decode, "csv"]) == 0
    text = capsys.readouterr().out
    header, row = text.splitlines()
    said = dict(zip(header.split(","), row.split(","), strict=True))
    assert said["resistance"] == "131.5" and said["resistance calibrated"] == "31.5"
    assert said["list[1] calibrated"] == "19.0" and said["kelvin calibrated"] == "304.65"
    assert said["beyond limits"] == ""
    (tmp_path / "back.csv").write_text(text, "utf-8")
    assert main([*decode, "jsonl"]) == 0
    text = capsys.readouterr().out
    line = json.loads(text)
    jsonschema.validate(line, json.loads((DOCUMENTS / "decode_line.schema.json").read_text("utf-8")))
    assert line["calibrated"] == {"resistance": 31.5, "kelvin": 304.65, "list[0]": 9.0, "list[1]": 19.0}
    assert line["values"]["resistance"] == 131.5
    (tmp_path / "back.jsonl").write_text(text, "utf-8")
    for name in ("back.csv", "back.jsonl"):
        assert main(["encode", schema, str(tmp_path / name)]) == 0
        assert bytes.fromhex(capsys.readouterr().out) == bytes.fromhex(SENT)


@pytest.mark.parametrize(
    ("first", "last", "refused"),
    [
        ("1", "2", False),
        ("1", "1.0000000000000003", False),  # the next double but one (IEEE 754-2019, table 3.5: 52 bits)
        ("5", "5", True),
        ("7", "5", True),
        ("1", "1.00000000000000000001", True),  # one place, as a decoded double
    ],
)
def test_points_go_upwards_by_more_than_a_double_tells(first: str, last: str, refused: bool) -> None:
    text = SCHEMA.replace(
        "[[100, 0], [103.9, 10], [107.79, 20], [138.51, 100]]", f"[[{first}, 0], [{last}, 10]]"
    )
    if refused:
        with pytest.raises(SchemaError, match="does not lie above"):
            packetkit.parse(text)
    else:
        packetkit.parse(text)
