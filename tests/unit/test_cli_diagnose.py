"""`packetkit diagnose`: the right cause of seeded faults, flips that are offered, and what a user sees."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from random import Random
from typing import Any

import jsonschema
import pytest

import packetkit
from packetkit.captures.diagnose import diagnose
from packetkit.captures.flips import flips
from packetkit.cli.main import main
from packetkit.conformance.simulate import Channel, simulate
from packetkit.errors import InputError
from packetkit.mission.load import parse
from packetkit.resources import resource
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


INVERTED = bytes(range(255, -1, -1))
MIRRORED = bytes(int(f"{octet:08b}"[::-1], 2) for octet in range(256))


@pytest.mark.slow
@pytest.mark.parametrize("name", ["first-light", "plover", "heron"])
@pytest.mark.parametrize("damage", [Fraction(1, 50), Fraction(3, 10)], ids=str)
def test_nothing_is_wrong_with_good_captures_of_the_shipped_missions(name: str, damage: Fraction) -> None:
    """Damage, loss and restarts are no cause, however small the frames are and whatever their values do."""
    mission = packetkit.load(str(resource(f"schemas/{name}.yaml")))
    for seed in (1, 2, 3):
        sent = simulate(mission.frames, Fraction(600), Channel(damage=damage), seed)
        data = b"".join(one.data for one in sent if one.offset is not None)
        assert [one.kinds for one in diagnose(mission, data)[:1]] == [()], seed


@pytest.mark.slow
@pytest.mark.parametrize("name", ["first-light", "plover", "heron"])
@pytest.mark.parametrize(
    ("tables", "kinds"),
    [
        ((INVERTED,), {"inverted bits"}),
        ((MIRRORED,), {"bit order"}),
        ((INVERTED, MIRRORED), {"inverted bits", "bit order"}),
    ],
)
def test_turned_octets_of_the_shipped_captures_are_no_other_check(
    name: str, tables: tuple[bytes, ...], kinds: set[str]
) -> None:
    """A frame of one length and no constants agrees with another CRC too once its bits are inverted; its values do not."""
    mission = packetkit.load(str(resource(f"schemas/{name}.yaml")))
    data = resource(f"schemas/{name}.capture").read_bytes()
    for table in tables:
        data = data.translate(table)
    assert set(diagnose(mission, data)[0].kinds) == kinds


@pytest.mark.parametrize("octet", [0x00, 0xFF, 0x5A])
def test_one_octet_over_and_over_has_no_cause(octet: int) -> None:
    mission = packetkit.load(str(resource("schemas/first-light.yaml")))
    assert diagnose(mission, bytes([octet]) * 700) == ()


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


@pytest.mark.parametrize("algorithm", ["SUM-8", "SUM-16/INTERNET", "FLETCHER-16"])
def test_a_flip_under_a_sum_is_found_by_trying_each_bit(algorithm: str) -> None:
    check = f"{{name: check, kind: check, algorithm: {algorithm}}}"
    fields = f"[{{name: sync, kind: sync, bits: 16, code: 0x1ACF}}, {{name: n, bits: 48}}, {check}]"
    frame = parse(f"mission: m\nframes:\n  f:\n    fields: {fields}\n").frame()
    hurt = bytearray(frame.encode({"n": 0x123456789ABC}))
    hurt[4] ^= 0x08
    found = flips(frame.layout, bytes(hurt))
    assert (4 * 8 + 4,) in found.found and found.looked_for == 1


def test_where_flips_were_not_looked_for_it_is_said(run: Any) -> None:
    text = (
        "mission: m\nframes:\n  f:\n    fields:\n      - {name: sync, kind: sync, bits: 32, code: 0x1ACFFC1D}\n"
        "      - {name: octets, kind: bytes, length: 300}\n      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}\n"
    )
    sent = parse(text).frame().encode({"octets": bytes(range(100)) * 3})
    _, out, _ = run(text, sent + sent[:50] + b"\xff" + sent[51:] + sent)
    assert "Flips are not looked for: it has more than 2,048 bits." in " ".join(out.split())


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
    assert status == 0 and "1. Nothing is wrong with how it is read; single frames came damaged." in out
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


OPEN = "mission: m\nframes:\n  f:\n    fields:\n      - {name: depth, bits: 16}\n      - {name: note, kind: text, length: rest}\n"
SUPPLIED = (
    "mission: m\nframes:\n  f:\n    fields:\n      - {name: depth, bits: 16}\n"
    "      - {name: station, kind: supplied, bits: 12}\n"
    "      - {name: check, kind: check, algorithm: CRC-16/IBM-3740, mixed_with: station}\n"
)
SPLIT = (
    "mission: m\nframes:\n  f:\n    fields:\n      - name: pair\n        group:\n"
    "          - {name: wide, runs: [[0, 8], [12, 8]]}\n          - {name: low, bits: 4}\n"
    "          - {name: rest, bits: 4}\n"
    "      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}\n"
)


@pytest.mark.parametrize(
    ("text", "data", "cause"),
    [
        (OPEN, b"\x01\x02hello", "Nothing is wrong with it."),
        (OPEN, b"\x01", "None of these causes"),
        (
            SUPPLIED,
            parse(SUPPLIED).frame().encode({"depth": 258, "station": 77}),
            "Nothing is wrong with it.",
        ),
        (SPLIT, bytes.fromhex("0103 0204 9999") * 4, "None of these causes"),
    ],
    ids=["to the end", "too short", "supplied", "split"],
)
def test_frames_that_are_the_whole_input_and_split_fields_are_diagnosed(
    text: str, data: bytes, cause: str, run: Any
) -> None:
    _, out, err = run(text, data)
    assert cause in out, err
    assert not err
