"""Vectors: written and read back without loss, complete at the edges, and a wrong codec is told."""

from __future__ import annotations

import json
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import packetkit
from packetkit.conformance import judge, vector
from packetkit.errors import InputError
from packetkit.fuzz import judges
from packetkit.layout.model import Layout
from packetkit.mission import vectors as mission_vectors
from packetkit.mission.load import Mission

# Invented: one field of each sort, an option, a list.
SCHEMA = """
mission: small
frames:
  sheet:
    fields:
      - {name: kept, kind: constant, bits: 4, code: 9}
      - {name: a, bits: 12, signed: true, scale: 1/8, offset: 3, missing: true}
      - {name: b, minimum: 0, maximum: 20, resolution: 1, out_of_range: clamp}
      - {name: real, kind: float, bits: 32}
      - {name: mode, bits: 2, states: {0: safe, 2: survey}}
      - {name: on, kind: flag}
      - {name: extra, present_when: on, bits: 7}
      - {name: n, kind: count, bits: 3, maximum: 5}
      - {name: v, repeat: {count: n}, bits: 4}
      - {kind: reserved, up_to: byte}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""


def mission_of(text: str = SCHEMA) -> Mission:
    return packetkit.parse(text)


def made(mission: Mission) -> vector.Vectors:
    declared = {frame.name: frame for frame in mission.declared.frames}
    return mission_vectors.made(mission, lambda name: judges.oracle(declared[name], mission.layouts[name]))


VECTORS = made(mission_of())
CASES = {case.name: case for case in VECTORS.frames[0].cases}


@pytest.mark.parametrize(
    "value",
    [
        1,
        1.0,
        -0.0,
        True,
        None,
        "safe",
        Fraction(1, 3),
        Fraction(2),
        Decimal("0.10"),
        float("inf"),
        [1, {"a": [None]}],
        {"raw": 3},
    ],
    ids=repr,
)
def test_a_value_comes_back_from_json_with_its_type(value: Any) -> None:
    back = vector.from_json(json.loads(json.dumps(vector.to_json(value), allow_nan=False)))
    assert type(back) is type(value) and repr(back) == repr(value)


def test_nan_comes_back_from_json() -> None:
    back = vector.from_json(vector.to_json({"a": float("nan")}))["a"]
    assert back != back


def test_what_the_file_says_is_what_was_made() -> None:
    text = vector.text(VECTORS)
    assert vector.text(vector.read(text)) == text == vector.text(made(mission_of()))
    json.loads(text, parse_constant=lambda word: pytest.fail(f"{word} is no strict JSON"))


def test_every_field_has_its_edges() -> None:
    wanted = {
        *("a: minimum", "a: -1", "a: 0", "a: 1", "a: maximum", "a: missing", "a: just below the minimum"),
        *("a: just above the maximum", "b: just above the maximum", "mode: state safe", "mode: state survey"),
        *(
            "mode: a code without a name",
            "on: false",
            "on: true",
            "extra: absent",
            "v: empty",
            "v: 5 elements",
        ),
        *("v: 6 elements", "real: infinity", "real: -0.0", "real: minimum", "random record 20", "0 bytes"),
    }
    assert wanted <= set(CASES)
    assert {case.name.split(" ")[0] for case in CASES.values()} >= {
        "flip",
        "burst",
        "drop",
        "duplicate",
        "truncate",
    }


def test_just_out_of_range_is_refused_with_its_rule_or_clamped() -> None:
    refused = CASES["a: just above the maximum"]
    assert refused.data is None and refused.faults == (("a", "out-of-range"),)
    clamped = CASES["b: just above the maximum"]
    assert clamped.data is not None and clamped.back["b"] == 20
    assert CASES["v: 6 elements"].faults == (("v", "wrong-length"),)


def test_one_bit_of_each_constant_count_and_check_is_inverted() -> None:
    found = {name.partition(":")[0]: case.back for name, case in CASES.items() if name.endswith("inverted")}
    assert found.keys() == {"kept", "n", "reserved", "check"}
    assert found["kept"] == "wrong constant" and found["check"] == found["reserved"] == "check failed"


def test_damaged_frames_have_the_reason_why_they_are_refused() -> None:
    reasons = {case.back for case in CASES.values() if case.data is not None and isinstance(case.back, str)}
    assert reasons >= {"truncated", "check failed", "wrong constant", "trailing bytes"}


def test_the_bytes_are_as_on_paper() -> None:
    # 1001, then 12 bits of (3 - 3) * 8 = 0, 5 of 0, 32 of 0.0, 2 of the state 0, 0 for the flag, 3 of the count 0, 5 of fill: zeros.
    record = {"a": 3, "b": 0, "real": 0.0, "mode": "safe", "on": False, "extra": None, "v": []}
    mission = mission_of()
    data = judges.oracle(mission.declared.frames[0], mission.layouts["sheet"]).encode(record)
    assert isinstance(data, bytes) and data[:-2] == bytes.fromhex("9000") + bytes(6)


def test_a_codec_that_is_right_agrees_and_one_that_is_wrong_is_told() -> None:
    mission = mission_of()
    assert not list(mission_vectors.differences(VECTORS, mission, judge.codec))

    def wrong(layout: Layout) -> judge.Judge:
        right = judge.codec(layout)
        return judge.Judge("wrong", lambda record: b"\0", lambda data: {}, None, faults=right.faults)

    told = list(mission_vectors.differences(VECTORS, mission, wrong))
    assert any("a: minimum: encoding gives 00, not 9" in line for line in told)
    assert any("decodes to {}, not" in line for line in told)


def test_a_refusal_for_another_reason_is_told() -> None:
    case = vector.Case("a", {"a": 9000}, None, faults=(("a", "unknown-key"),))
    (line,) = vector.failures(case, judge.codec(mission_of().layouts["sheet"]))
    assert line.startswith("a: refused for a: out-of-range, ") and line.endswith("not for a: unknown-key")


def test_another_version_of_the_schema_is_named_by_its_fingerprint() -> None:
    (line,) = mission_vectors.differences(VECTORS, mission_of(SCHEMA.replace("1/8", "1/4")), judge.codec)
    assert VECTORS.frames[0].fingerprint in line and "another version of the schema" in line


def test_frames_that_only_one_side_has_are_named() -> None:
    other = mission_of(SCHEMA.replace("  sheet:", "  page:"))
    assert list(mission_vectors.differences(VECTORS, other, judge.codec)) == [
        "page: there are no vectors for this frame",
        "sheet: small has no such frame",
    ]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{", "this is not JSON"),
        ("[]", "these are no vectors"),
        ('{"vectors": 2, "frames": {}}', "format 2"),
        (
            '{"vectors": 1, "mission": "m", "fingerprint": "f", "frames": {"a": {"fingerprint": "x", "cases": [{}]}}}',
            "not whole",
        ),
        (
            (
                '{"vectors": 1, "mission": "m", "fingerprint": "f", "frames": {"a": {"fingerprint": "x", "cases":'
                ' [{"name": "c", "values": {"Fraction": "1/0"}, "reason": "refused"}]}}}'
            ),
            "is no Fraction",
        ),
    ],
)
def test_a_file_that_is_no_vectors_is_refused(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        vector.read(text, "file.json")


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.fractions(), st.lists
    )
)
def test_json_keeps_every_record(value: Any) -> None:
    assert repr(vector.from_json(json.loads(json.dumps(vector.to_json(value))))) == repr(value)
