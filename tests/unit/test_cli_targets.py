"""`fuzz --targets` and `vectors --targets`, `--self-test`: what is compiled, printed, found and refused."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from packetkit.cli.main import main
from packetkit.conformance import boot
from packetkit.layout.model import Layout
from packetkit.mission.load import parse
from packetkit.targets import c, javascript
from packetkit.targets.target import Dossier

DOCUMENTS = Path(__file__).parents[1] / "documents" / "json"
SCHEMA = """mission: small-one
frames:
  beacon:
    fields:
      - {name: sequence, bits: 8, role: sequence}
      - {name: field_x, bits: 12, signed: true, scale: 1/16, unit: uT}
      - {name: fill, kind: reserved, bits: 12}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
  note:
    fields:
      - {name: tag, kind: tag, bits: 8, code: [250, 251]}
      - {name: held, kind: count, bits: 8, maximum: 3}
      - {name: list, repeat: {count: held}, bits: 8}
"""

pytestmark = pytest.mark.slow


@pytest.fixture(autouse=True)
def schema(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "small.yaml"
    path.write_text(SCHEMA, encoding="utf-8")
    return path


def document(name: str, text: str) -> Any:
    made = json.loads(text)
    jsonschema.validate(made, json.loads((DOCUMENTS / f"{name}.schema.json").read_text(encoding="utf-8")))
    return made


@pytest.fixture
def broken(monkeypatch: pytest.MonkeyPatch) -> None:
    """Generated C that loses a sign."""
    whole = c.write

    def write(layouts: Mapping[str, Layout], of: Dossier) -> dict[str, str]:
        return {
            name: text.replace("(x + 0xF800)", "(x + 0x0000)") for name, text in whole(layouts, of).items()
        }

    monkeypatch.setattr(c, "write", write)


def test_fuzz_holds_c_to_the_codec_and_counts_what_was_asked(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["fuzz", "small.yaml", "--examples", "40", "--seed", "1", "--targets", "c", "--json"]) == 0
    made = document("fuzz", capsys.readouterr().out)
    assert all(frame["targets"]["c"] > 80 for frame in made["frames"].values())
    assert main(["fuzz", "small.yaml", "--examples", "40", "--seed", "1", "--targets", "c"]) == 0
    assert "c = codec, on raw codes" in capsys.readouterr().out


@pytest.mark.usefixtures("broken")
def test_fuzz_names_the_field_of_a_mistake_in_c_and_saves_it(capsys: pytest.CaptureFixture[str]) -> None:
    arguments = [
        "fuzz",
        "small.yaml",
        "--frame",
        "beacon",
        "--examples",
        "40",
        "--seed",
        "1",
        "--targets",
        "c",
    ]
    assert main(arguments) == 1
    told = capsys.readouterr().out
    assert "Not so: c = codec, on raw codes" in told and "Does not hold: beacon." in told
    saved = json.loads(Path("found-small-one-beacon-1.json").read_text(encoding="utf-8"))
    assert saved["frame"] == "beacon" and saved["cases"]


def test_vectors_hold_c_to_their_bytes(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["vectors", "small.yaml", "--targets", "c"]) == 0
    assert "vectors agree with the codec, c." in capsys.readouterr().out
    assert main(["vectors", "small.yaml", "-o", "v.json"]) == 0
    assert main(["vectors", "small.yaml", "--verify", "v.json", "--targets", "c", "--json"]) == 0
    assert document("vectors_verified", capsys.readouterr().out)["targets"] == ["c"]


@pytest.mark.usefixtures("broken")
def test_vectors_tell_where_c_differs(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["vectors", "small.yaml", "--targets", "c"]) == 1
    assert "c gives" in capsys.readouterr().out


def test_a_unit_s_line_is_judged(capsys: pytest.CaptureFixture[str]) -> None:
    mission = parse(SCHEMA)
    line = f"small-one {mission.fingerprint} {boot.digest(mission.layouts):08X}"
    assert main(["vectors", "small.yaml", "--self-test", line]) == 0
    assert "packs small-one" in capsys.readouterr().out
    assert main(["vectors", "small.yaml", "--self-test", line[:-8] + "00000000"]) == 1
    assert "packs bits otherwise" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["fuzz", "small.yaml", "--targets", "morse"], "'morse' is none of c"),
        (["vectors", "small.yaml", "--targets", "c", "-o", "x.json"], "--targets writes nothing"),
        (["vectors", "small.yaml", "--self-test", "x", "--json"], "--self-test stands alone"),
    ],
)
def test_what_makes_no_sense_is_refused(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == 2
    assert words in " ".join(capsys.readouterr().err.split())


def test_what_a_target_cannot_express_is_said_before_anything_is_proven(
    capsys: pytest.CaptureFixture[str], schema: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(javascript, "ROWS", tuple(one for one in javascript.ROWS if one != "own_ends"))
    schema.write_text(
        SCHEMA.replace(
            "IBM-3740}",
            "IBM-3740}\n      - {name: path, bits: 8, repeat: {ends_when: {path: 0}, maximum: 9}}",
        ),
        encoding="utf-8",
    )
    assert main(["fuzz", "small.yaml", "--targets", "javascript"]) == 2
    assert "javascript cannot express beacon.path" in capsys.readouterr().err


def test_the_end_of_a_day_with_a_leap_second_is_one_code_to_all(
    capsys: pytest.CaptureFixture[str],
) -> None:
    Path("parts.yaml").write_text(
        "mission: parts\nframes:\n  sheet:\n    last_byte: zero_filled\n    fields:\n"
        '      - {name: a, kind: time, counts: {days: 14, fraction: 12}, epoch: "2000-01-01T00:00:00Z"}\n',
        encoding="utf-8",
    )
    assert main(["vectors", "parts.yaml", "-o", "parts.json"]) == 0
    assert '"2016-12-31T23:59:60Z"' in Path("parts.json").read_text(encoding="utf-8")
    assert main(["vectors", "parts.yaml", "--verify", "parts.json", "--targets", "javascript,python"]) == 0
    assert "agree with the codec, javascript, python" in capsys.readouterr().out
