"""Every codec against the frames that were worked out on paper (vectors/handmade)."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from packetkit.conformance.vector import from_json
from packetkit.schema.model import Frame
from tests.judges import JUDGES, Judge, declared, same

FOLDER = Path(__file__).resolve().parents[2] / "vectors" / "handmade"
FILES = sorted(FOLDER.glob("*.json"))


@dataclass(frozen=True)
class Case:
    """One case of a vector file, with the schema's text around it."""

    name: str
    schema: str
    frame: str | None  # where the schema has several
    facts: dict[str, Any]


def cases() -> list[Case]:
    """Return every case of every file."""
    found = []
    for path in FILES:
        vector = json.loads(path.read_text("utf-8"))
        text = "\n".join(vector["schema"])
        name = vector.get("frame")
        found += [
            Case(f"{path.stem}-{n}", text, name, from_json(facts)) for n, facts in enumerate(vector["cases"])
        ]
    return found


def frame_of(case: Case) -> Frame:
    """Return the frame that a vector is about."""
    (frame,) = (one for one in declared(case.schema) if case.frame in (None, one.name))
    return frame


CASES = cases()
ENCODED = [case for case in CASES if "values" in case.facts]
DECODED = [case for case in CASES if "bytes" in case.facts]
DETAILED = [case for case in DECODED if "reason" not in case.facts]


@pytest.fixture(params=JUDGES.values(), ids=list(JUDGES))
def judge_of(request: pytest.FixtureRequest) -> Callable[[Frame], Judge]:
    """Return each codec in turn."""
    made: Callable[[Frame], Judge] = request.param
    return made


def test_the_vectors_cover_every_rule_that_the_language_can_state() -> None:
    rules = {rule for path in FILES for rule in json.loads(path.read_text("utf-8"))["rules"]}
    assert rules >= {*range(1, 19)}


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_case_says_how_it_was_worked_out(case: Case) -> None:
    assert case.facts["worked"].strip()
    assert set(case.facts) <= {"values", "bytes", "back", "detail", "reason", "worked"}
    assert "bytes" in case.facts or case.facts["reason"] == "refused"


@pytest.mark.parametrize("case", ENCODED, ids=lambda case: case.name)
def test_encoding_gives_the_bytes_on_paper(judge_of: Callable[[Frame], Judge], case: Case) -> None:
    found = judge_of(frame_of(case)).encode(case.facts["values"])
    assert (found if isinstance(found, str) else found.hex()) == case.facts.get("bytes", "refused")


@pytest.mark.parametrize("case", DECODED, ids=lambda case: case.name)
def test_decoding_gives_the_values_on_paper(judge_of: Callable[[Frame], Judge], case: Case) -> None:
    found = judge_of(frame_of(case)).decode(bytes.fromhex(case.facts["bytes"]))
    if "reason" in case.facts:
        assert found == case.facts["reason"]
    else:
        assert same(found, case.facts.get("back", case.facts.get("values")))


@pytest.mark.parametrize("case", DETAILED, ids=lambda case: case.name)
def test_the_detail_record_is_the_one_on_paper_and_encodes_back(
    judge_of: Callable[[Frame], Judge], case: Case
) -> None:
    judge = judge_of(frame_of(case))
    data = bytes.fromhex(case.facts["bytes"])
    detail = judge.detail(data)
    assert "detail" not in case.facts or same(detail, case.facts["detail"])
    assert judge.encode(detail) == data
