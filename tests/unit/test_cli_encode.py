"""`packetkit encode` as a user meets it, and that it undoes `packetkit decode`."""

from __future__ import annotations

import json
import random
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

import packetkit
from packetkit.cli.main import main
from packetkit.conformance import draw
from packetkit.resources import resource

PLACE = Path(packetkit.__file__).parent.parent
DOCUMENTS = Path(__file__).resolve().parent.parent / "documents" / "json"
FIRST, HERON = str(resource("schemas/first-light.yaml")), str(resource("schemas/heron.yaml"))
FRAME = bytes.fromhex("0165b180 3e5b")  # as in test_cli_decode.py
SET = ("--set", "counter=1", "--set", "temperature=21.3", "--set", "cell_voltage=3.9")

EXAMPLES = (
    ("first-light", "first-light.records.csv"),
    ("plover", "plover.records.jsonl"),
    ("heron", "heron.records.jsonl"),
)


def written(tmp_path: Path, text: str) -> str:
    (tmp_path / "records").write_text(text, encoding="utf-8")
    return str(tmp_path / "records")


@pytest.mark.parametrize(
    ("form", "out"),
    [("hex", b"01 65 b1 80 3e 5b\n"), ("base64", b"AWWxgD5b\n"), ("binary", FRAME)],
)
def test_values_from_the_command_line_become_one_frame(
    form: str, out: bytes, capsysbinary: pytest.CaptureFixture[bytes]
) -> None:
    assert main(["encode", FIRST, *SET, "--to", form]) == 0
    assert capsysbinary.readouterr() == (out, b"")


def test_an_empty_value_is_missing(capsys: pytest.CaptureFixture[str]) -> None:
    assert (
        main(["encode", FIRST, "--set", "counter=1", "--set", "temperature=", "--set", "cell_voltage=3.9"])
        == 0
    )
    assert capsys.readouterr().out.startswith("01 ff f1 80")  # 11 ones where the temperature is


@pytest.mark.parametrize(
    "text",
    [
        "counter,temperature,cell_voltage\n1,21.3,3.9\n",
        "\ufeffcell_voltage,temperature,counter\n3.9,21.3,1\n",
        '{"counter": 1, "temperature": 21.3, "cell_voltage": 3.9}\n',
        '\n{"frame": "beacon", "values": {"counter": 1, "temperature": 21.3, "cell_voltage": 3.9}}',
    ],
)
def test_records_are_told_by_how_they_begin(
    text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["encode", FIRST, written(tmp_path, text)]) == 0
    assert capsys.readouterr().out == "01 65 b1 80 3e 5b\n"


def test_numbers_of_text_are_exact_unless_they_have_a_point(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # WIRE.md 4: 0.15 is the nearest double, a little less, so raw 1 at a step of 0.1.
    schema = tmp_path / "m.yaml"
    schema.write_text(
        "mission: m\nframes:\n  f: {fields: [{name: a, bits: 8, scale: 1/10}, {name: b, bits: 64}]}\n"
    )
    text = f"a,b\n0.15,{2**64 - 1}\n"
    assert main(["encode", str(schema), written(tmp_path, text)]) == 0
    assert capsys.readouterr().out == "01 ff ff ff ff ff ff ff ff\n"


def test_all_faults_of_all_records_are_told_and_nothing_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "out"
    path = written(tmp_path, "counter,temperature,cell_voltage\n1,500,9\n2,20,3.9\nx,20,3.9\n4,20\n")
    assert main(["encode", FIRST, path, "-o", str(target)]) == 2
    out, err = capsys.readouterr()
    assert out == "" and not target.exists()
    said, *lines = err.splitlines()
    assert said == "packetkit encode: nothing was written:"
    places = ["2: temperature: ", "2: cell_voltage: ", "4: counter: ", "5: 2 cells stand under 3 titles"]
    assert len(lines) == len(places)
    assert all(line.startswith(f"{path}:{place}") for line, place in zip(lines, places, strict=True))


def test_a_file_without_records_is_misuse(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for text, said in (("counter\n", "there are no records"), ("", "there are no titles")):
        assert main(["encode", FIRST, written(tmp_path, text)]) == 2
        assert said in capsys.readouterr().err


def test_many_faults_are_counted_not_poured_out(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = written(tmp_path, "counter,temperature,cell_voltage\n" + "1,500,3.9\n" * 1_000)
    assert main(["encode", FIRST, path]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 22 and lines[-1] == "and 980 faults more"


MISUSE = (
    ((), "name one source of records"),
    (("file", "--set", "a=1"), "name one source of records"),
    (("--set", "counter"), "--set: 'counter' has no =; write --set name=value"),
    (("--set", "counter=1", "--set", "counter=2"), "--set: 'counter' is there twice"),
    (("--set", "conter=1"), "'conter' is no field. Did you mean counter?"),
    (("--set", "counter=1"), "--set: cell_voltage: is not given"),
    (("no-such-file",), "there is no such file"),
    ((".",), "this is a directory"),
    (("-", "--frame", "bacon"), "first-light has no frame 'bacon': beacon"),
)


@pytest.mark.parametrize(("arguments", "said"), MISUSE)
def test_misuse_is_told_with_a_remedy(
    arguments: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["encode", FIRST, *arguments]) == 2
    out, err = capsys.readouterr()
    assert out == "" and said in err and "Traceback" not in err


def test_a_mission_of_several_frames_asks_which(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["encode", HERON, "--set", "sequence=1"]) == 2
    assert "or give --frame NAME: housekeeping, survey, spectrum" in capsys.readouterr().err
    arguments = ["--frame", "survey", "--set", "sequence=1", "--set", "uptime=2", "--set", "has_fix=false"]
    assert main(["encode", HERON, *arguments, "--set", "readings[0].field_x=1.5", "--set", "readings=2"]) == 0
    data = bytes.fromhex(capsys.readouterr().out)
    record = packetkit.load(HERON).frame("survey").decode(data)
    nothing = {"field_x": None, "field_y": None, "field_z": None}
    assert record["readings"] == [{**nothing, "field_x": 1.5}, nothing]


def test_the_document_holds_to_its_schema(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    schema = json.loads((DOCUMENTS / "encode.schema.json").read_text(encoding="utf-8"))
    text = "frame,offset,ok,reason,counter,temperature,cell_voltage\nbeacon,0,true,,1,21.3,3.9\nbeacon,6,false,check failed,,,\n"
    for arguments, status in ((SET, 0), ((written(tmp_path, text),), 1)):
        assert main(["encode", FIRST, *arguments, "--json"]) == status
        document = json.loads(capsys.readouterr().out)
        jsonschema.validate(document, schema)
        assert document["frames"][0]["hex"] == FRAME.hex()
    assert document["left_out"] == [{"line": 3, "reason": "check failed"}]


# -- the example records -------------------------------------------------------------------------------


@pytest.mark.parametrize(("mission", "records"), EXAMPLES)
def test_the_example_records_encode_and_say_exactly_what_comes_back(
    mission: str, records: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    schema, path = str(resource(f"schemas/{mission}.yaml")), str(resource(f"schemas/{records}"))
    frames = str(tmp_path / "frames")
    assert main(["encode", schema, path, "--to", "binary", "-o", frames]) == 0
    assert main(["decode", schema, frames, "--format", "jsonl"]) == 0
    found = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    given = Path(path).read_text(encoding="utf-8").splitlines()
    if records.endswith(".csv"):
        assert [list(map(str, line["values"].values())) for line in found] == [
            [cell or "None" for cell in line.split(",")] for line in given[1:]
        ]
    else:
        bare = [json.loads(line) for line in given]
        assert [line["values"] for line in found] == [line.get("values", line) for line in bare]
    assert any("missing" in line["reasons"].values() for line in found)


# -- a pipeline ----------------------------------------------------------------------------------------


def through(*arguments: str, data: bytes) -> bytes:
    """What the program writes, given that on standard input."""
    command = [sys.executable, "-m", "packetkit", *arguments]
    done = subprocess.run(command, cwd=PLACE, input=data, capture_output=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr.decode()
    return done.stdout


@pytest.mark.slow
def test_decode_and_encode_in_a_pipeline_give_the_same_bytes(tmp_path: Path) -> None:
    path, target = str(resource("schemas/heron.records.jsonl")), tmp_path / "frames"
    assert main(["encode", HERON, path, "--to", "binary", "-o", str(target)]) == 0
    data = target.read_bytes()
    for options in (("--format", "jsonl"), ("--format", "csv"), ("--format", "jsonl", "--detail")):
        records = through("decode", HERON, "-", *options, data=data)
        assert through("encode", HERON, "-", "--to", "binary", data=records) == data
    for form in ("hex", "binary"):
        text = through("encode", HERON, path, "--to", form, data=b"")
        assert json.loads(through("decode", HERON, "-", "--json", data=text))["good_frames"] == 26


def test_detail_keeps_bits_that_plain_values_cannot_say(tmp_path: Path) -> None:
    """Codes out of range, unassigned codes, reserved bits: any bits under a good check."""
    heron = packetkit.load(HERON)
    data = b""
    for seed in range(30):
        for frame in heron.frames.values():
            good = bytearray(frame.encode(draw.record(frame.layout, random.Random(seed))))
            if frame.name == "housekeeping":  # no counts: every bit between tag and check is free
                good[3:19] = random.Random(seed).randbytes(16)
                body = frame.decode(bytes(good), salvage=True)
                body.pop("check")
                good = bytearray(frame.encode(body))
            data += bytes(good)
    lines = through("decode", HERON, "-", "--format", "jsonl", "--detail", data=data)
    assert b'"note":"not zero"' in lines
    assert through("encode", HERON, "-", "--to", "binary", data=lines) == data


def test_a_null_that_was_no_missing_code_is_sent_as_one_and_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Invented. Codes 201 to 254 mean nothing (WIRE.md 11); 255 is missing. The record alone cannot say which of them it was."""
    field = "minimum: 0, maximum: 200, resolution: 1, missing: true"
    schema = tmp_path / "nulls.yaml"
    schema.write_text(
        f"mission: nulls\nframes:\n  f:\n    fields: [{{name: a, {field}}}, {{name: b, repeat: 2, group: [{{name: x, {field}}}]}}]\n"
    )
    for octets, told, sent in (("ff05ff", [], "ff05ff"), ("fa05c9", [("a", 1), ("b[1].x", 1)], "ff05ff")):
        capture = written(tmp_path, octets)
        assert main(["decode", str(schema), capture, "--from", "hex", "--format", "jsonl"]) == 0
        lines = capsys.readouterr().out
        assert main(["encode", str(schema), written(tmp_path, lines), "--json"]) == (1 if told else 0)
        document = json.loads(capsys.readouterr().out)
        jsonschema.validate(document, json.loads((DOCUMENTS / "encode.schema.json").read_text()))
        assert [one["hex"] for one in document["frames"]] == [sent]
        assert document["sent_as_missing"] == [
            {"line": line, "path": path, "reason": "unassigned"} for path, line in told
        ]
    assert main(["encode", str(schema), str(tmp_path / "records")]) == 1
    said = capsys.readouterr().err
    assert "sent as missing: 2 values of a code that means nothing" in said and ":1: a, unassigned." in said
    capture = written(tmp_path, "fa05c9")
    assert main(["decode", str(schema), capture, "--from", "hex", "--format", "jsonl", "--detail"]) == 0
    assert main(["encode", str(schema), written(tmp_path, capsys.readouterr().out)]) == 0
    assert capsys.readouterr().out == "fa 05 c9\n"


def test_a_line_of_decode_that_somebody_edited_is_judged_by_its_values(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    line = {
        "frame": "sample", "offset": 0, "ok": True, "reason": None, "notes": {},
        "values": {"counter": 1, "temperature": 21.3, "cell_voltage": 3.9},
        "reasons": {"temperature": "unassigned", "cell_voltage": "missing", "gone[3].x": "unassigned", "%": "unassigned"},
    }  # fmt: skip
    line["frame"] = next(iter(packetkit.load(FIRST).layouts))
    assert main(["encode", FIRST, written(tmp_path, json.dumps(line))]) == 0
    assert capsys.readouterr() == ("01 65 b1 80 3e 5b\n", "")


@pytest.mark.parametrize("word", ["null", "None", ""])
def test_a_missing_value_may_be_said_as_json_or_python_does(
    word: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    schema = tmp_path / "m.yaml"
    schema.write_text(
        "mission: m\nframes:\n  f:\n    fields:\n      - {name: a, bits: 8, missing: true}\n"
        "      - {name: b, bits: 8, states: {0: 'null', 1: other}, missing: 255}\n"
        "      - {name: c, kind: flag}\n      - {kind: reserved, up_to: byte}\n"
    )
    assert main(["encode", str(schema), "--set", f"a={word}", "--set", "b=null", "--set", "c=true"]) == 0
    assert (
        capsys.readouterr().out == "ff 00 80\n"
    )  # all ones is missing (WIRE.md 9); the state null is a state
    assert main(["encode", str(schema), "--set", "a=1", "--set", "b=null", "--set", "c=null"]) == 2
    assert "'null' is neither true nor false" in capsys.readouterr().err


def test_a_list_on_the_command_line_is_told_how_it_is_given(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    schema = tmp_path / "m.yaml"
    schema.write_text(
        "mission: m\nframes:\n  f:\n    fields:\n      - {name: n, kind: count, bits: 8}\n"
        "      - {name: seen, repeat: {count: n}, group: [{name: x, bits: 8}]}\n"
    )
    assert main(["encode", str(schema), "--set", 'seen=[{"x": 1}]']) == 2
    assert (
        "seen: is a list, whose values are given one by one, as seen[0].x=...; JSON lines"
        in capsys.readouterr().err
    )
    assert main(["encode", str(schema), "--set", "seen[0].x=1"]) == 0
    assert capsys.readouterr().out == "01 01\n"
