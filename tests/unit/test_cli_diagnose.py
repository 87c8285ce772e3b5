"""`packetkit diagnose`: the right cause of seeded faults, flips that are offered, and what a user sees."""

from __future__ import annotations

import json
from pathlib import Path
from random import Random
from typing import Any

import jsonschema
import pytest

from packetkit.captures.diagnose import diagnose, flips
from packetkit.cli.main import main
from packetkit.errors import InputError
from packetkit.mission.load import parse
from tests.campaigns import diagnosis

SCHEMA = json.loads(
    (Path(__file__).resolve().parents[1] / "documents/json/diagnose.schema.json").read_text("utf-8")
)
SEED = 2041


@pytest.mark.slow
@pytest.mark.parametrize("kind", diagnosis.KINDS, ids=lambda kind: kind.__name__)
def test_the_right_cause_of_a_seeded_fault_comes_first(kind: diagnosis.Kind) -> None:
    """One of each kind; 200 of them are the campaign `diagnosis`."""
    faulty = kind(Random(f"{SEED} {kind.__name__}"))
    found = diagnose(faulty.ground, faulty.data, faulty.frame)
    assert diagnosis.rank(faulty) == 0, [(one.kinds, one.score) for one in found[:3]]


def test_a_single_flip_is_found_with_what_chance_would_give() -> None:
    unit = diagnosis.drawn(Random(3))
    mission = parse(unit.text)
    good = diagnosis.sent(unit, Random(3), damage=0)[5]
    hurt = bytearray(good)
    hurt[6] ^= 0x10
    found = flips(mission.frame().layout, bytes(hurt))
    assert (6 * 8 + 3,) in found.found
    assert (
        0 < found.by_chance < 1
    )  # some 10,000 pairs and 16 or 32 bits of check, of which legal values leave a part
    double = bytearray(hurt)
    double[9] ^= 0x01
    assert (6 * 8 + 3, 9 * 8 + 7) in flips(mission.frame().layout, bytes(double)).found


def test_flips_of_a_good_frame_or_of_a_frame_without_a_check_are_none() -> None:
    text = "mission: m\nframes:\n  f:\n    fields:\n      - {name: x, bits: 16}\n"
    assert not flips(parse(text).frame().layout, b"ab").found


def test_no_bytes_are_refused() -> None:
    with pytest.raises(InputError, match="no bytes to diagnose"):
        diagnose(parse(diagnosis.drawn(Random(1)).text), b"")


@pytest.fixture
def run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Any:
    def call(text: str, data: bytes, *arguments: str) -> tuple[int, str, str]:
        schema, capture = tmp_path / "schema.yaml", tmp_path / "capture"
        schema.write_text(text, encoding="utf-8")
        capture.write_bytes(data)
        status = main(["diagnose", str(schema), str(capture), *arguments])
        told = capsys.readouterr()
        return status, told.out, told.err

    return call


def test_a_person_reads_the_cause_its_evidence_and_an_example(run: Any) -> None:
    faulty = diagnosis.inverted(Random(4))
    status, out, _ = run(faulty.unit.text, faulty.data)
    assert status == 1 and "1. Inverted bits: every bit is inverted." in out
    assert "good frames: " in out and "remedy: " in out and "The first good frame under 1, report:" in out


def test_nothing_wrong_is_an_answer_and_flips_are_offered(run: Any) -> None:
    unit = diagnosis.drawn(Random(5))
    sent = diagnosis.sent(unit, Random(5), damage=0)
    hurt = bytearray(b"".join(sent))
    hurt[len(sent[0]) + 5] ^= 4
    status, out, _ = run(unit.text, bytes(hurt))
    plain = " ".join(out.split())
    assert status == 0 and "1. Nothing is wrong with it." in out
    assert f"The frame at byte {len(sent[0])} failed its check." in plain and "Nothing is changed" in plain
    status, out, _ = run(unit.text, bytes(hurt), "--json")
    made = json.loads(out)
    jsonschema.validate(made, SCHEMA)
    assert made["nothing_wrong"] and [45] in made["flips"][0]["found"]


def test_none_of_these_is_an_answer(run: Any) -> None:
    status, out, _ = run(diagnosis.drawn(Random(6)).text, Random(6).randbytes(700))
    assert status == 1 and "None of these causes explains it" in out
    status, out, _ = run(diagnosis.drawn(Random(6)).text, b"\xff\x00\x81", "--json")
    jsonschema.validate(json.loads(out), SCHEMA)


def test_misuse_is_told(run: Any) -> None:
    text = diagnosis.drawn(Random(6)).text
    for data, arguments, words in (
        (b"", (), "no bytes to diagnose"),
        (b"\xff", ("--frame", "none"), "has no frame 'none': report"),
        (b"\xff", ("--from", "hex"), "this is no text"),
        (b"abcd1234", (), "this can be read as hex and as base64"),
    ):
        status, out, told = run(text, data, *arguments)
        assert status == 2 and words in told and not out
