"""Derived values: what the ground works out from what was sent, in every form that a person meets.

Outside: NIST SP 811 (2008), appendix B.8, t/degF = 1.8 t/degC + 32, with its fixed points 0 degC = 32 degF, 100 degC = 212 degF (from
memory); the triangle of 3, 4 and 5. Python's own fractions judge sums and products.
"""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import packetkit
from packetkit.cli.main import main
from packetkit.layout import expression
from packetkit.layout.fingerprint import canonical

SCHEMA = """
mission: godwit
frames:
  drift:
    fields:
      - {name: water, bits: 8, offset: -40, unit: Cel, missing: true}
      - {name: fahrenheit, derived: 1.8 * water + 32, unit: degF, description: for visitors}
      - {name: east, bits: 8, signed: true, unit: mm/s}
      - {name: north, bits: 8, signed: true, unit: mm/s}
      - {name: speed, derived: sqrt(east * east + north * north), unit: mm/s}
"""


def value(text: str, **given_values: float) -> tuple[float | None, str]:
    tree = expression.parse(text)
    return expression.evaluator(tree)(tuple(given_values[name] for name in expression.names(tree)))


@pytest.mark.parametrize(
    ("celsius", "fahrenheit"), [(0, 32.0), (100, 212.0), (-40, -40.0), (37, 98.60000000000001)]
)
def test_a_temperature_is_converted_as_the_guide_to_units_says(celsius: int, fahrenheit: float) -> None:
    frame = packetkit.parse(SCHEMA).frame()
    record = frame.decode(frame.encode({"water": celsius, "east": 3, "north": -4}))
    assert record == {"water": celsius, "fahrenheit": fahrenheit, "east": 3, "north": -4, "speed": 5.0}
    assert list(record) == ["water", "fahrenheit", "east", "north", "speed"]


VALUES = {
    "2 - 3 - 4": -5.0,
    "24 / 4 / 2": 3.0,
    "2 + 3 * 4": 14.0,
    "(2 + 3) * 4": 20.0,
    "-2 * -3": 6.0,
    "- (1 - -2)": -3.0,
    "0 * -1": 0.0,
    "max(1, 2, 3) - min(4, 5)": -1.0,
    "abs(-.5) + 1e-1 + 2.": 2.6,
    "sqrt(2)": 1.4142135623730951,
}  # fmt: skip


@pytest.mark.parametrize("text", VALUES)
def test_arithmetic_is_that_of_school(text: str) -> None:
    found, reason = value(text)
    assert (repr(found), reason) == (repr(VALUES[text]), "")


NOTHING = {
    "a / 0": "division by zero",
    "1 / (a - a)": "division by zero",
    "sqrt(0 - a)": "root of a negative number",
    "a * 1e308 * 10": "not finite",
    "1 / (a * 1e308 * 10)": "not finite",
    "max(1, a * 1e308 * 10 - a * 1e308 * 10)": "not finite",
}


@pytest.mark.parametrize("text", NOTHING)
def test_what_is_not_a_finite_number_is_none_with_its_reason(text: str) -> None:
    assert value(text, a=9.0) == (None, NOTHING[text])


REFUSED = {
    "": "it ends where a name, a number or a parenthesis is expected",
    "a +": "it ends where a name, a number or a parenthesis is expected",
    "a b": "b stands at character 3 where an operator is expected",
    "(a))": ") stands at character 4 where nothing more is expected",
    "a % b": "% at character 3 is no part of arithmetic",
    "+a": "+ stands at character 1 where a name, a number or a parenthesis is expected",
    "a ^ 2": "^ at character 3 is no part of arithmetic",
    "a[0]": "[ at character 2 is no part of arithmetic",
    "a\u0007": "U+0007 at character 2 is no part of arithmetic",
    "__import__": "_ at character 1 is no part of arithmetic",
    "exec(a)": "there is no function exec",
    "min(a)": "min takes 2 to 8 arguments, not 1",
    "sqrt(a, b)": "sqrt takes 1 argument, not 2",
    "a * 1e999": "1e999 is beyond every double-precision number",
    "-" * 17 + "a": "it is nested more than 16 deep",
    "a" + " + a" * 50: "it has 201 characters, and 200 is the most",
}


@pytest.mark.parametrize("text", REFUSED)
def test_anything_else_is_refused_with_its_place(text: str) -> None:
    with pytest.raises(expression.Fault) as caught:
        expression.parse(text)
    assert caught.value.summary == REFUSED[text]


@given(st.text(alphabet="ab.1e+-*/(), minaxsqrt", max_size=40))
def test_any_text_is_arithmetic_or_a_fault_and_its_value_finite_or_none(text: str) -> None:
    try:
        tree = expression.parse(text)
    except expression.Fault:
        return
    found, reason = expression.evaluator(tree)(tuple(float(n) for n in range(len(expression.names(tree)))))
    assert (found is None) is bool(reason)
    assert found is None or found - found == 0.0


_SUMS = st.recursive(
    st.integers(0, 9).map(str),
    lambda inner: st.tuples(inner, st.sampled_from("+-*"), inner).map(lambda three: f"({' '.join(three)})"),
    max_leaves=8,
)


@given(_SUMS)
def test_whole_numbers_come_out_as_fractions_work_them_out(text: str) -> None:
    exact = eval(text, {}, {})  # of digits, signs and parentheses only
    assert value(text) == (float(Fraction(exact)), "")


def test_a_derived_value_has_no_bits_and_no_part_in_the_fingerprint() -> None:
    mission = packetkit.parse(SCHEMA)
    bare = packetkit.parse("".join(line for line in SCHEMA.splitlines(True) if "derived" not in line))
    assert mission.fingerprint == bare.fingerprint
    assert canonical(mission.layouts["drift"]) == canonical(bare.layouts["drift"])
    assert mission.layouts["drift"].useful_bits == bare.layouts["drift"].useful_bits == 24
    assert "derived = 1.8 * water + 32 degF" in str(mission.layouts["drift"])


def test_salvaged_derived_values_are_not_trusted() -> None:
    checked = SCHEMA + "      - {name: check, kind: check, algorithm: CRC-8/SMBUS}\n"
    frame = packetkit.parse(checked).frame()
    data = bytearray(frame.encode({"water": 0, "east": 3, "north": 4}))
    data[0] ^= 1
    detail = frame.decode(bytes(data), salvage=True)
    assert detail["fahrenheit"] == {"value": 33.8, "unit": "degF", "derived": True, "trusted": False}


def test_decode_from_gives_derived_values_too() -> None:
    frame = packetkit.parse(SCHEMA).frame()
    data = frame.encode({"water": 0, "east": 3, "north": 4})
    assert frame.decode_from(b"\x00" + data + b"rest", 1) == (frame.decode(data), 3)


@pytest.fixture
def schema(tmp_path: Path) -> str:
    path = tmp_path / "godwit.yaml"
    path.write_text(SCHEMA, "utf-8")
    return str(path)


def test_tables_and_documents_show_derived_values(schema: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["decode", schema, "--text", "3d03fc", "--from", "hex"]) == 0
    shown = capsys.readouterr().out
    assert "fahrenheit degF" in shown and "69.8" in shown
    assert main(["decode", schema, "--text", "ff03fc", "--from", "hex", "--detail"]) == 0
    assert "no water" in capsys.readouterr().out
    assert main(["check", schema]) == 0
    assert "= 1.8 * water + 32" in " ".join(capsys.readouterr().out.split())
    assert main(["check", schema, "--json"]) == 0
    (frame,) = json.loads(capsys.readouterr().out)["schemas"][0]["frames"]
    rows = [(row["name"], row["expression"], row["unit"], row["description"]) for row in frame["derived"]]
    assert rows == [
        ("fahrenheit", "1.8 * water + 32", "degF", "for visitors"),
        ("speed", "sqrt(east * east + north * north)", "mm/s", ""),
    ]


@pytest.mark.parametrize("form", ["csv", "jsonl"])
def test_exported_records_with_derived_values_encode_back(
    schema: str, form: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for sent in ("3d03fc", "ff0000"):
        assert main(["decode", schema, "--text", sent, "--from", "hex", "--format", form]) == 0
        text = capsys.readouterr().out
        assert "fahrenheit" in text
        records = tmp_path / f"records.{form}"
        records.write_text(text, "utf-8")
        assert main(["encode", schema, str(records)]) == 0
        assert bytes.fromhex(capsys.readouterr().out) == bytes.fromhex(sent)
