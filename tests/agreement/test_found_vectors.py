"""Every codec against the counterexamples that fuzzing found (vectors/found): a bug that was there once does not come back."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest

from packetkit.conformance.judge import REFUSED, Judge, agree
from packetkit.conformance.vector import from_json
from packetkit.fuzz import judges
from packetkit.mission.load import parse

FOLDER = Path(__file__).resolve().parents[2] / "vectors" / "found"
FILES = sorted(FOLDER.glob("*.json"))


@dataclass(frozen=True)
class Found:
    """One case of a file, with its schema."""

    name: str
    schema: str
    frame: str
    facts: dict[str, Any]


def cases() -> list[Found]:
    """Return every case of every file."""
    made = []
    for path in FILES:
        vector = json.loads(path.read_text("utf-8"))
        text = "\n".join(vector["schema"])
        made += [
            Found(f"{path.stem}-{n}", text, vector["frame"], one) for n, one in enumerate(vector["cases"])
        ]
    return made


@lru_cache(1)
def held(schema: str, frame: str) -> dict[str, Judge]:
    """Return the judges of a vector's frame."""
    mission = parse(schema)
    declared = next(one for one in mission.declared.frames if one.name == frame)
    return judges.of(declared, mission.layouts[frame])


def test_there_are_counterexamples() -> None:
    assert FILES


@pytest.mark.parametrize("case", cases(), ids=lambda case: case.name)
def test_every_codec_gives_what_the_oracle_gave(case: Found) -> None:
    assert case.facts["worked"].strip()
    data = bytes.fromhex(case.facts["bytes"]) if "bytes" in case.facts else None
    for name, judge in held(case.schema, case.frame).items():
        if "values" in case.facts:
            found = judge.encode(from_json(case.facts["values"]))
            assert found == (REFUSED if data is None else data), name
        if data is not None:
            default = case.facts.get("values")
            back = from_json(case.facts.get("reason", case.facts.get("back", default)))
            assert agree(back, judge.decode(data), reasons=judge.tells_reasons), name
