"""Limits, soft and hard: what the ground says of a value, in words and with a mark, and never on the wire.

The limits of the cell are common practice for one lithium-ion cell: charged to 4.2 V, not discharged below 3 V.
"""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

import packetkit
from packetkit.cli.main import main
from packetkit.layout.limits import Limit, beyond, marked

SCHEMA = """
mission: godwit
frames:
  drift:
    fields:
      - {name: cell, bits: 8, scale: 1/50, unit: V, limits: {soft: {minimum: 3.3}, hard: {minimum: 3, maximum: 4.2}}}
      - {name: water, bits: 8, signed: true, unit: Cel, limits: {soft: {maximum: 30}}}
      - {name: power, derived: cell * 0.5, unit: W, limits: {hard: {maximum: 2.2}}}
"""
DOCUMENTS = Path(__file__).resolve().parent.parent / "documents" / "json"

_ENDS = st.fractions(-100, 100, max_denominator=50)


@given(st.tuples(_ENDS, _ENDS, _ENDS, _ENDS).map(sorted), _ENDS)
def test_a_value_is_beyond_exactly_one_side_of_one_limit(ends: list[Fraction], value: Fraction) -> None:
    limits = (Limit("hard", ends[0], ends[3]), Limit("soft", ends[1], ends[2]))
    doubles = [float(end) for end in ends]
    found = beyond(limits, float(value))
    expected = {
        "hard maximum": float(value) > doubles[3],
        "hard minimum": float(value) < doubles[0],
        "soft maximum": doubles[2] < float(value) <= doubles[3],
        "soft minimum": doubles[0] <= float(value) < doubles[1],
        "": doubles[1] <= float(value) <= doubles[2],
    }
    assert expected[found] and sum(expected.values()) == 1


@pytest.mark.parametrize("value", [None, "on", True, [1]])
def test_what_is_no_number_is_beyond_nothing(value: object) -> None:
    assert beyond((Limit("hard", Fraction(5), Fraction(6)),), value) == ""


def test_whole_numbers_are_compared_exactly_and_doubles_with_the_nearest_double() -> None:
    edge = Limit("hard", None, Fraction(1 << 60))
    assert beyond((edge,), (1 << 60) + 1) == "hard maximum"
    assert beyond((edge,), 1 << 60) == ""
    assert beyond((Limit("soft", None, Fraction(42, 10)),), 4.2) == ""
    assert beyond((Limit("soft", None, Fraction(10) ** 400),), 1e308) == ""


def test_limits_have_no_part_in_the_fingerprint_and_are_printed() -> None:
    layout = packetkit.parse(SCHEMA).layouts["drift"]
    bare = "\n".join(line.split(", limits")[0] + "}" * (", limits" in line) for line in SCHEMA.splitlines())
    assert layout.fingerprint == packetkit.parse(bare).layouts["drift"].fingerprint
    assert "soft from 3.3; hard 3 to 4.2" in str(layout)
    assert "derived = cell * 0.5 W; hard up to 2.2" in str(layout)


@pytest.fixture
def schema(tmp_path: Path) -> str:
    path = tmp_path / "godwit.yaml"
    path.write_text(SCHEMA, "utf-8")
    return str(path)


def test_the_table_says_which_limit_a_value_is_beyond_with_a_mark(
    schema: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["decode", schema, "--text", "dc1f", "--from", "hex", "--detail"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "cell 220 4.4 V !! beyond hard maximum" in out
    assert "water 31 31 Cel ! beyond soft maximum" in out
    assert "power 2.2 W" in out and "power 2.2 W !" not in out
    assert main(["check", schema]) == 0
    assert "soft from 3.3" in capsys.readouterr().out
    assert main(["check", schema, "--json"]) == 0
    (frame,) = json.loads(capsys.readouterr().out)["schemas"][0]["frames"]
    hard = {"name": "hard", "minimum": 3, "maximum": 4.2}
    assert frame["fields"][0]["limits"] == [{"name": "soft", "minimum": 3.3, "maximum": None}, hard]
    assert frame["derived"][0]["limits"] == [{"name": "hard", "minimum": None, "maximum": 2.2}]


def test_lines_and_cells_say_it_in_words_and_encode_back(
    schema: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    decode = ["decode", schema, "--text", "dd1f", "--from", "hex", "--format"]
    assert main([*decode, "jsonl"]) == 0
    text = capsys.readouterr().out
    line = json.loads(text)
    jsonschema.validate(line, json.loads((DOCUMENTS / "decode_line.schema.json").read_text("utf-8")))
    assert line["notes"] == {
        "cell": "beyond hard maximum",
        "water": "beyond soft maximum",
        "power": "beyond hard maximum",
    }
    (tmp_path / "back.jsonl").write_text(text, "utf-8")
    assert main([*decode, "csv"]) == 0
    text = capsys.readouterr().out
    header, row = text.splitlines()
    assert header.endswith(",power,beyond limits")
    assert row.endswith(',"cell hard maximum, water soft maximum, power hard maximum"')
    (tmp_path / "back.csv").write_text(text, "utf-8")
    for name in ("back.jsonl", "back.csv"):
        assert main(["encode", schema, str(tmp_path / name)]) == 0
        assert bytes.fromhex(capsys.readouterr().out) == bytes.fromhex("dd1f")


def test_marks_tell_soft_from_hard() -> None:
    assert marked("soft minimum") == "! beyond soft minimum"
    assert marked("hard maximum") == "!! beyond hard maximum"
