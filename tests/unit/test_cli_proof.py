"""`fuzz`, `vectors` and `generate` as a user meets them: what they print and write, their status, and what they do when it goes wrong."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import packetkit
from packetkit import toolchains
from packetkit.cli import output
from packetkit.cli.main import main
from packetkit.codec.frame import Frame as Codec
from packetkit.conformance.judge import Judge
from packetkit.errors import TargetError
from packetkit.fuzz import judges, proof
from packetkit.layout.model import Layout
from packetkit.schema.model import Frame

DOCUMENTS = Path(__file__).parents[1] / "documents" / "json"

# Invented: the least in which a wrong bit has a name.
SCHEMA = """mission: small-one
frames:
  beacon:
    fields:
      - {name: sequence, bits: 8, role: sequence}
      - {name: cell_voltage, minimum: 2.5, maximum: 4.3, resolution: 0.02, unit: V, missing: true}
      - {name: field_x, bits: 12, signed: true, scale: 1/16, unit: uT}
      - {name: fill, kind: reserved, bits: 5}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
  note:
    fields:
      - {name: tag, kind: tag, bits: 8, code: [250, 251]}
      - {name: held, kind: count, bits: 8, maximum: 3}
      - {name: list, repeat: {count: held}, bits: 8}
"""


@pytest.fixture
def schema(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A schema in the current directory."""
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "small.yaml"
    path.write_text(SCHEMA, encoding="utf-8")
    return path


def valid(name: str, text: str) -> Any:
    """A JSON document that its schema allows."""
    document = json.loads(text)
    jsonschema.validate(document, json.loads((DOCUMENTS / f"{name}.schema.json").read_text(encoding="utf-8")))
    return document


# ---- fuzz


def test_fuzz_prints_examples_by_law_and_judge_with_seed_and_time(
    schema: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["fuzz", "small.yaml", "--examples", "30", "--seed", "7"]) == 0
    text = capsys.readouterr().out
    assert "small-one: seed 7 (--seed 7 repeats it)" in text
    for words in (
        "a record comes back",
        "codec = oracle",
        "construct object = oracle",
        "beacon: what holds",
        "note: what holds",
    ):
        assert words in text
    assert text.count(" 30\n") >= 10 and "all of it holds." in text
    assert sorted(path.name for path in schema.parent.iterdir()) == ["small.yaml"]


def test_fuzz_json_is_the_same_for_the_same_seed(schema: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = []
    for _ in range(2):
        assert (
            main(["fuzz", "small.yaml", "--frame", "note", "--examples", "20", "--seed", "5", "--json"]) == 0
        )
        document = valid("fuzz", capsys.readouterr().out)
        del document["seconds"]
        found.append(document)
    assert found[0] == found[1] and list(found[0]["frames"]) == ["note"]
    assert found[0]["frames"]["note"]["judges"] == {"codec": 20, "walker": 20, "construct": 20}


def broken_codec(layout_of: Any = judges.codec) -> Any:
    """The codec with a bit of field_x wrong where that is below zero."""

    def make(declared: Frame, layout: Layout, variants: Mapping[str, str]) -> Judge:
        right = layout_of(declared, layout, variants)

        def encode(record: Any) -> bytes | str:
            data = right.encode(record)
            value = record.get("field_x") if isinstance(record, dict) else None
            if isinstance(data, bytes) and isinstance(value, (int, float)) and value < 0:
                return data[:2] + bytes([data[2] ^ 0x40]) + data[3:]
            return data if isinstance(data, (bytes, str)) else "refused"

        return Judge("codec", encode, right.decode, right.detail, faults=right.faults)

    return make


@pytest.mark.slow
def test_fuzz_shows_the_smallest_counterexample_names_its_bit_and_saves_it(
    schema: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(judges.JUDGES, "codec", broken_codec())
    assert main(["fuzz", "small.yaml", "--seed", "3", "--save", "kept"]) == 1
    text = capsys.readouterr().out
    # 8 bits of sequence, 7 of voltage: field_x begins at bit 15, and bit 17 is in byte 2.
    assert "Not so: codec = oracle" in text
    assert "first difference: bit 17 (byte 2, bit 1 from its left), in field_x" in text
    assert "Does not hold: beacon." in text
    (path,) = (schema.parent / "kept").iterdir()
    assert (
        path.name == "found-small-one-beacon-3.json"
        and f"Saved as a vector: {Path('kept') / path.name}" in text
    )
    vector = json.loads(path.read_text(encoding="utf-8"))
    (case,) = vector["cases"]
    assert vector["schema"] == SCHEMA.rstrip("\n").split("\n") and vector["frame"] == "beacon"
    assert set(case["values"]) <= {"sequence", "cell_voltage", "field_x"} and case["values"]["field_x"] < 0
    data = bytes.fromhex(case["bytes"])
    monkeypatch.undo()
    monkeypatch.chdir(schema.parent)
    assert packetkit.load("small.yaml").frame("beacon").encode(case["values"]) == data


class Greedy:
    """A codec that says of every frame in a buffer that it has one byte."""

    def __init__(self, layout: Layout, variants: Mapping[str, str]) -> None:
        self.layout = layout
        frame = Codec(layout, variants)
        self.encode, self.decode, self._decode_from = frame.encode, frame.decode, frame.decode_from

    def decode_from(self, buffer: bytes, at: int = 0, /) -> tuple[dict[str, Any], int]:
        return self._decode_from(buffer, at)[0], 1


def test_fuzz_tells_a_law_that_the_codec_breaks(
    schema: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(proof, "prove", partial(proof.prove, codec_of=Greedy))
    assert main(["fuzz", "small.yaml", "--examples", "5", "--seed", "3", "--json"]) == 1
    document = valid("fuzz", capsys.readouterr().out)
    assert not document["holds"] and len(document["saved"]) == 2
    failure = document["frames"]["beacon"]["failure"]
    assert failure["what"] == "bytes around a frame have no say" and "were used" in failure["sentence"]
    assert bytes.fromhex(failure["counterexample"]["bytes"])


OUTSIDE = """
mission: told
frames:
  sheet:
    fields:
      - {name: station, bits: 8}
      - name: body
        told_by: outside
        variants:
          - {name: brief, group: [{name: x, bits: 8}]}
          - {name: ample, group: [{name: y, bits: 16}]}
"""


def deaf(declared: Frame, layout: Layout, variants: Mapping[str, str]) -> Judge:
    """The codec that takes every frame for the brief one, whatever it is told."""
    return judges.codec(declared, layout, dict.fromkeys(variants, "brief"))


def test_fuzz_tells_codecs_the_variants_that_frames_do_not_tell(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "told.yaml").write_text(OUTSIDE, encoding="utf-8")
    assert main(["fuzz", "told.yaml", "--examples", "40", "--seed", "1", "--json"]) == 0
    frame = valid("fuzz", capsys.readouterr().out)["frames"]["sheet"]
    assert frame["laws"]["comes_back"] == 40 and min(frame["laws"].values()) > 30
    monkeypatch.setitem(judges.JUDGES, "codec", deaf)
    assert main(["fuzz", "told.yaml", "--examples", "40", "--seed", "1"]) == 1
    assert "Not so: codec = oracle" in capsys.readouterr().out


def test_fuzz_interrupted_prints_what_was_proven_so_far(
    schema: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    done = []

    def advance(self: output.Progress, count: int = 1) -> None:
        done.append(count)
        if len(done) == 8:
            raise KeyboardInterrupt

    monkeypatch.setattr(output.Progress, "advance", advance)
    assert main(["fuzz", "small.yaml", "--seed", "3"]) == 130
    text = capsys.readouterr().out
    assert "Interrupted after" in text and "so far all of it holds" in text and " 8\n" in text


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["small.yaml", "--frame", "beacn"], "has no frame beacn; it has beacon, note"),
        (["none.yaml"], "there is no such file"),
        (["small.yaml", "--examples", "0"], "Invalid value for '--examples'"),
    ],
)
def test_fuzz_misused_says_what_to_do(
    schema: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], message: str
) -> None:
    assert main(["fuzz", *arguments]) == 2
    assert message in capsys.readouterr().err


# ---- vectors


def test_vectors_are_written_verified_and_always_the_same(
    schema: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["vectors", "small.yaml", "-o", "one.json"]) == 0
    assert main(["vectors", "small.yaml"]) == 0
    written = Path("one.json").read_text(encoding="utf-8")
    assert capsys.readouterr().out == written
    document = valid("vectors", written)
    assert list(document["frames"]) == ["beacon", "note"]
    assert main(["vectors", "small.yaml", "--verify", "one.json"]) == 0
    assert "vectors agree." in capsys.readouterr().out


def test_vectors_of_another_version_of_the_schema_name_both_fingerprints(
    schema: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    main(["vectors", "small.yaml", "-o", "one.json"])
    schema.write_text(SCHEMA.replace("1/16", "1/8"), encoding="utf-8")
    assert main(["vectors", "small.yaml", "--verify", "one.json", "--json"]) == 1
    document = valid("vectors_verified", capsys.readouterr().out)
    (line,) = document["differences"]
    kept = json.loads(Path("one.json").read_text(encoding="utf-8"))["frames"]["beacon"]["fingerprint"]
    assert line.startswith(f"beacon: the vectors are for fingerprint {kept}, and the schema has ")


def test_a_wrong_byte_in_a_file_of_vectors_is_told(schema: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["vectors", "small.yaml", "-o", "one.json"])
    text = Path("one.json").read_text(encoding="utf-8")
    Path("two.json").write_text(text.replace('"bytes": "00', '"bytes": "01', 1), encoding="utf-8")
    assert main(["vectors", "small.yaml", "--verify", "two.json"]) == 1
    assert "encoding gives 00" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["small.yaml", "--verify", "small.yaml"], "this is not JSON"),
        (["small.yaml", "--verify", "x.json", "-o", "y.json"], "--verify writes nothing"),
        (["small.yaml", "--json"], "--json goes with --verify"),
        (["-", "--verify", "-"], "only one of the inputs"),
    ],
)
def test_vectors_misused_says_what_to_do(
    schema: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], message: str
) -> None:
    assert main(["vectors", *arguments]) == 2
    assert message in capsys.readouterr().err


# ---- generate


def pytest_in(place: Path) -> subprocess.CompletedProcess[str]:
    """Run pytest in a directory, as a team would, with the packetkit that is under test."""
    environ = {**os.environ, "PYTHONPATH": str(Path(packetkit.__file__).resolve().parents[1])}
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-x", "proof"],
        cwd=place,
        env=environ,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.slow
def test_the_generated_tests_pass_and_fail_once_the_scale_is_edited(
    schema: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["generate", "small.yaml", "--target", "tests", "-o", "proof", "--json"]) == 0
    document = valid("generate", capsys.readouterr().out)
    assert [Path(file).name for file in document["files"]] == ["test_small_one.py", "small_one_vectors.json"]
    done = pytest_in(schema.parent)
    assert done.returncode == 0, done.stdout
    schema.write_text(SCHEMA.replace("scale: 1/16", "scale: 1/32"), encoding="utf-8")
    done = pytest_in(schema.parent)
    assert done.returncode == 1 and "the schema's meaning has changed" in done.stdout


def test_the_same_schema_gives_the_same_files_and_old_ones_are_replaced(schema: Path) -> None:
    def generated() -> dict[str, str]:
        assert main(["generate", "small.yaml", "--target", "tests", "-o", "proof"]) == 0
        return {path.name: path.read_text(encoding="utf-8") for path in Path("proof").iterdir()}

    first = generated()
    (Path("proof") / "test_small_one.py").write_text("old", encoding="utf-8")
    assert generated() == first
    assert 'SCHEMA = HERE / "../small.yaml"' in first["test_small_one.py"]
    compile(first["test_small_one.py"], "test_small_one.py", "exec")


def test_a_schema_from_standard_input_is_copied_beside_its_tests(
    schema: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(SCHEMA.encode())))
    assert main(["generate", "-", "--target", "tests", "-o", "proof"]) == 0
    assert (Path("proof") / "small-one.yaml").read_text(encoding="utf-8") == SCHEMA
    assert 'SCHEMA = HERE / "small-one.yaml"' in (Path("proof") / "test_small_one.py").read_text(
        encoding="utf-8"
    )


def test_c_is_written_with_the_mission_in_its_names(schema: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["generate", "small.yaml", "--target", "c", "-o", "flight", "--json"]) == 0
    document = valid("generate", capsys.readouterr().out)
    assert [Path(file).name for file in document["files"]] == [
        "small_one.h",
        "small_one.c",
        "small_one_scale.c",
        "small_one_self_test.c",
        "small_one_card.c",
        "small_one_example.c",
    ]
    header = Path("flight/small_one.h").read_text(encoding="utf-8")
    assert (
        document["fingerprint"] in header
        and "cell_voltage; /* value = (raw + 125) / 50; 2.5 to 4.3 V; code 127 missing" in header
    )
    assert (
        "#define SMALL_ONE_NOTE_SIZE 5 " in header
        and "_table[256]" not in Path("flight/small_one.c").read_text()
    )
    assert main(["generate", "small.yaml", "--target", "c", "--check-code", "speed", "-o", "flight"]) == 0
    assert "_table[256]" in Path("flight/small_one.c").read_text(encoding="utf-8")
    assert main(["generate", "small.yaml", "--target", "c", "--small", "-o", "flight"]) == 0
    assert Path("flight/small_one.h").read_text(encoding="utf-8") == header


def test_what_a_target_cannot_express_is_refused_by_field_before_anything_is_written(
    schema: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wide = "IBM-3740}\n      - {name: wide, kind: check, algorithm: ADLER-32}"
    schema.write_text(SCHEMA.replace("IBM-3740}", wide), encoding="utf-8")
    assert (
        main(["generate", "small.yaml", "--target", "micropython", "--small-integers", "-o", "flight"]) == 2
    )
    assert (
        "micropython cannot express beacon.wide: the sum ADLER-32: small integers hold 30 bits"
        in capsys.readouterr().err
    )
    assert not Path("flight").exists()
    assert main(["generate", "small.yaml", "--target", "tests", "--check-code", "size", "-o", "flight"]) == 2
    assert "--check-code size does nothing for --target tests" in capsys.readouterr().err


def test_a_target_that_is_not_there_is_refused_with_those_that_are(
    schema: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["generate", "small.yaml", "--target", "morse", "-o", "proof"]) == 2
    assert "'tests'" in capsys.readouterr().err and not Path("proof").exists()


def test_what_construct_cannot_express_is_listed_within_80_columns(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    fields = "".join(
        f"      - {{name: a_value_that_counts_now_and_then_{n}, bits: 8, valid_when: there}}\n" for n in "ab"
    )
    text = f"mission: m\nframes:\n  f:\n    last_byte: zero_filled\n    fields:\n      - {{name: there, kind: flag}}\n{fields}"
    (tmp_path / "m.yaml").write_text(text, encoding="utf-8")
    assert main(["fuzz", "m.yaml", "--examples", "4"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 80
    first = next(n for n, line in enumerate(lines) if line.startswith("construct cannot express"))
    assert lines[first + 2].startswith("construct cannot express"), "one below the other"


def test_a_target_that_cannot_run_is_named_and_the_others_are_held_to_the_vectors(
    schema: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def absent(*_: object) -> Any:
        raise TargetError("there is no compiler here")

    monkeypatch.setitem(toolchains.PROCESSES, "c", absent)
    assert main(["vectors", "small.yaml", "--targets", "c,python"]) == 1
    out = capsys.readouterr().out
    assert (
        "vectors agree with the codec, python.\n" in out
        and "c was not asked: there is no compiler here\n" in out
    )
    assert main(["vectors", "small.yaml", "--targets", "python,c", "--json"]) == 1
    made = json.loads(capsys.readouterr().out)
    name = "vectors_verified.schema.json"
    jsonschema.validate(made, json.loads((Path(__file__).parents[1] / "documents/json" / name).read_text()))
    assert made["targets"] == ["python"] and made["agree"] and list(made["not_run"]) == ["c"]
    assert main(["vectors", "small.yaml", "--targets", "c"]) == 2
