"""`packetkit decode` as a user meets it: what the input is, what is written, what is told, and how it ends."""

from __future__ import annotations

import json
import os
import shlex
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import packetkit
from packetkit.cli import sources
from packetkit.cli.main import main
from packetkit.resources import resource

PLACE = Path(packetkit.__file__).parent.parent
DOCUMENTS = Path(__file__).resolve().parent.parent / "documents" / "json"
FIRST, HERON = str(resource("schemas/first-light.yaml")), str(resource("schemas/heron.yaml"))

# counter 1, 21.3 Cel, 3.9 V: 00000001 01100101101 1000110 000000 (worked by hand: 813, 70), then the check, which
# binascii gives: crc_hqx(0165b180, 0xFFFF) = 3e5b.
FRAME = bytes.fromhex("0165b180 3e5b")


def run(*arguments: str, **options: Any) -> subprocess.CompletedProcess[bytes]:
    """Run the program in a process of its own, from the directory of the package under test."""
    command = [sys.executable, "-m", "packetkit", *arguments]
    return subprocess.run(command, cwd=PLACE, capture_output=True, check=False, timeout=120, **options)


def written(tmp_path: Path, data: bytes, name: str = "capture") -> str:
    (tmp_path / name).write_bytes(data)
    return str(tmp_path / name)


def a_surrounded_capture(tmp_path: Path) -> str:
    bad = bytes((FRAME[0] ^ 1, *FRAME[1:]))
    return written(tmp_path, b"\x00boot" + FRAME + bad + FRAME + FRAME[:3])


# -- what the input is ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "read_as"),
    [("01 65 b1 80 3e 5b", "hex"), ("0x01,0x65,0xb1,0x80,0x3e,0x5b", "hex"), ("AWWxgD5b", "base64")],
)
def test_pasted_text_with_one_reading_is_decoded(
    text: str, read_as: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["decode", FIRST, "--text", text, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["read_as"] == read_as
    assert document["frames"][0]["values"] == {"counter": 1, "temperature": 21.3, "cell_voltage": 3.9}


def test_text_with_two_readings_is_shown_in_both_and_not_decoded(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["decode", FIRST, "--text", "0165b1803e5b"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "can be read in 2 ways" in err
    assert "--from hex: 6 bytes\n      01 65 b1 80 3e 5b\n      good frames: 1 beacon; failed: 0" in err
    assert (
        "--from base64: 9 bytes\n      d3 5e b9 6f 5f 34 dd ee 5b\n      good frames: none; failed: 2" in err
    )
    assert main(["decode", FIRST, "--text", "0165b1803e5b", "--from", "hex"]) == 0


@pytest.mark.parametrize(
    ("data", "read_as"),
    [
        (FRAME, "binary"),
        (FRAME.hex(" ").encode(), "hex"),
        (b"\xef\xbb\xbf" + FRAME.hex(" ").encode() + b"\r\n", "hex"),
        (FRAME.hex(" ").encode("utf-16"), "hex"),
        (b"AWWx\ngD5b\n", "base64"),
        (b"t" * sources.PIECE + FRAME, "binary"),  # text at first, which shows only later
    ],
)
def test_a_file_is_read_as_the_only_thing_it_can_be(
    data: bytes, read_as: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    main(["decode", FIRST, written(tmp_path, data), "--json"])
    document = json.loads(capsys.readouterr().out)
    assert (document["read_as"], document["good_frames"]) == (read_as, 1)


def test_text_that_could_be_a_capture_itself_is_shown_in_both_readings(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    schema = written(tmp_path, b"mission: m\nframes:\n  f: {fields: [{name: a, bits: 16}]}\n", "m.yaml")
    path = written(tmp_path, b"0xb921")
    assert main(["decode", schema, path]) == 2
    err = capsys.readouterr().err
    assert (
        "--from hex: 2 bytes\n      b9 21\n" in err
        and "--from binary: 6 bytes\n      30 78 62 39 32 31\n" in err
    )
    assert main(["decode", schema, path, "--from", "binary", "--format", "csv"]) == 0
    assert capsys.readouterr().out.splitlines()[1:] == [
        "f,0,true,,12408",
        "f,2,true,,25145",
        "f,4,true,,12849",
    ]


def test_what_is_not_what_it_was_said_to_be_is_misuse(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["decode", FIRST, written(tmp_path, FRAME), "--from", "hex"]) == 2
    assert "this is no text, so it is not hex. Say --from binary" in capsys.readouterr().err
    assert main(["decode", FIRST, written(tmp_path, b"hello"), "--from", "base64"]) == 2
    assert "is not base64" in capsys.readouterr().err
    assert main(["decode", FIRST, "--text", "hello world"]) == 2
    assert "neither hexadecimal nor base64" in capsys.readouterr().err


def test_text_that_is_neither_hex_nor_base64_says_so_by_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = written(tmp_path, b"12:00:01 RX " + FRAME.hex(" ").encode() + b"\n")
    assert main(["decode", FIRST, log]) == 1
    out = capsys.readouterr().out
    assert "The input is text, and its characters were taken for the bytes:" in out
    assert "as hex: line 1: 'RX' is not hexadecimal" in " ".join(out.split()) and "Is it the right" not in out
    assert main(["decode", FIRST, written(tmp_path, b"")]) == 1
    assert "The input is empty." in capsys.readouterr().out
    assert main(["decode", FIRST, written(tmp_path, b"hello\nworld\n"), "--from", "lines"]) == 1
    out = capsys.readouterr().out
    assert "Read as lines: no frame in it." in out and "Lines without a frame: 2 of 2, at line 1, 2." in out
    assert "empty" not in out


@pytest.mark.parametrize("width", [60, 80])
def test_bytes_are_shown_within_the_terminal(
    width: int, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    main(["decode", FIRST, written(tmp_path, b"a" * 400)])
    message = capsys.readouterr().err
    assert "ways" in message and max(map(len, message.splitlines()[1:])) <= width


MISUSE = (
    ((), "name one input"),
    (("--text", "00", "file"), "name one input"),
    (("--text", "00", "--from", "binary"), "binary comes from a file"),
    (("file", "--format", "csv", "--detail"), "a cell of CSV"),
    (("no-such-file",), "there is no such file"),
    ((".",), "this is a directory"),
    (("file", "--frame", "bacon"), "first-light has no frame 'bacon': beacon"),
)


@pytest.mark.parametrize(("arguments", "said"), MISUSE)
def test_misuse_is_told_with_a_remedy(
    arguments: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["decode", FIRST, *arguments]) == 2
    out, err = capsys.readouterr()
    assert out == "" and said in err and "Traceback" not in err


# -- what is written -----------------------------------------------------------------------------------


def test_a_small_frame_is_a_row_of_a_table_with_the_account_below(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["decode", FIRST, a_surrounded_capture(tmp_path)]) == 1
    out, err = capsys.readouterr()
    assert err == ""
    assert [line.rstrip() for line in out.splitlines()] == [
        "offset  counter  temperature Cel  cell_voltage V  remark",
        "──────  ───────  ───────────────  ──────────────  ──────────────────────────────",
        "     0                                            skipped 5 bytes",
        "     5        1             21.3             3.9",
        "    11                                            claimed beacon, 6 bytes: check",
        "                                                  failed",
        "    17        1             21.3             3.9",
        "    23                                            claimed beacon, 3 bytes:",
        "                                                  truncated",
        "",
        "Read as binary: 26 bytes.",
        "Good frames: 2.",
        "Failed frames: 2 (1 beacon check failed, 1 beacon truncated).",
        "Skipped: 5 bytes in 1 range, at 0 to 4.",
        "by counter  missing  longest gap  duplicates  late  wraps  restarts",
        "──────────  ───────  ───────────  ──────────  ────  ─────  ────────",
        "beacon       0 of 1            0           1     0      0         0",
    ]


def test_what_is_missing_by_the_counters_is_told_and_in_the_document(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    beacon = packetkit.load(FIRST).frame("beacon")
    rows = [{"counter": number, "temperature": 20, "cell_voltage": 3.9} for number in (254, 255, 3, 4)]
    path = written(tmp_path, b"".join(map(beacon.encode, rows)))
    assert main(["decode", FIRST, path]) == 0
    out = capsys.readouterr().out
    assert "beacon       3 of 7            3           0     0      1         0\n" in out
    assert "beacon, % lost in each frame: 0 0 100 100 100 0 0\nMissing: numbers between" in out
    assert main(["decode", FIRST, path, "--json"]) == 0
    (told,) = json.loads(capsys.readouterr().out)["continuity"]
    assert (told["missing_frames"], told["longest_gap_frames"], told["longest_gap_after_offset"]) == (3, 3, 6)
    path = written(tmp_path, b"".join(map(beacon.encode, rows[:2])))
    assert main(["decode", FIRST, path]) == 0
    assert capsys.readouterr().out.endswith("Good frames: 2.\nBy their own counters no frame is missing.\n")


def test_a_larger_frame_is_a_block_and_says_why_a_value_is_missing(
    capsys: pytest.CaptureFixture[str],
) -> None:
    survey = packetkit.load(HERON).frame("survey")
    reading = {"field_x": 20.5, "field_y": None, "field_z": -1}
    data = survey.encode({"sequence": 9, "uptime": 70, "has_fix": False, "fix": None, "readings": [reading]})
    assert main(["decode", HERON, "--text", data.hex(" ")]) == 0
    out = capsys.readouterr().out
    assert out.startswith("0  survey, 15 bytes\n")
    assert "  readings[0].field_x   20.5  uT\n  readings[0].field_y         uT    missing\n" in out
    assert main(["decode", HERON, "--text", data.hex(" "), "--detail"]) == 0
    out = capsys.readouterr().out
    assert "  sync                 54161  0xD391\n" in out and "field_y  -2048" in out


def test_json_lines_hold_to_their_schema_and_the_account_goes_to_standard_error(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    schema = json.loads((DOCUMENTS / "decode_line.schema.json").read_text(encoding="utf-8"))
    for more in ((), ("--detail",), ("--salvage",)):
        assert main(["decode", FIRST, a_surrounded_capture(tmp_path), "--format", "jsonl", *more]) == 1
        out, err = capsys.readouterr()
        lines = [json.loads(line) for line in out.splitlines()]
        for line in lines:
            jsonschema.validate(line, schema)
        assert [(line["ok"], line["offset"]) for line in lines] == [
            (True, 5),
            (False, 11),
            (True, 17),
            (False, 23),
        ]
        assert err.startswith("Read as binary: 26 bytes.\nGood frames: 2.\n")
        assert ("values" in lines[1]) is (more == ("--salvage",))
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**lines[1], "values": {"counter": {"raw": 1, "value": 1}}}, schema)


def test_the_document_holds_to_its_schema(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    schema = json.loads((DOCUMENTS / "decode.schema.json").read_text(encoding="utf-8"))
    for data in (b"", FRAME, b"?" * 9, FRAME + b"??"):
        main(["decode", FIRST, written(tmp_path, data), "--from", "binary", "--json"])
        document = json.loads(capsys.readouterr().out)
        jsonschema.validate(document, schema)
        assert document["size_bytes"] == len(data)


def test_csv_goes_to_a_file_whole_and_the_account_to_the_user(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "out.csv"
    arguments = ["decode", FIRST, a_surrounded_capture(tmp_path), "--format", "csv", "-o", str(target)]
    assert main(arguments) == 1
    out, err = capsys.readouterr()
    assert out == "" and "Good frames: 2." in err
    assert target.read_bytes() == (
        b"frame,offset,ok,reason,counter,temperature,cell_voltage\n"
        b"beacon,5,true,,1,21.3,3.9\nbeacon,11,false,check failed,,,\n"
        b"beacon,17,true,,1,21.3,3.9\nbeacon,23,false,truncated,,,\n"
    )


def test_a_list_without_bound_gets_columns_for_the_longest_there_was(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fields = "[{kind: reserved, bits: 4}, {name: n, kind: count, bits: 12}, {name: x, repeat: {count: n}, bits: 8}]"
    text = f"mission: m\nframes:\n  f: {{fields: {fields}}}\n".encode()
    schema = written(tmp_path, text, "m.yaml")
    assert main(["decode", schema, "--text", "00 02 07 08, 00 01 09", "--format", "csv"]) == 0
    assert capsys.readouterr().out == (
        "frame,offset,ok,reason,x,x[0],x[1]\nf,0,true,,2,7,8\nf,4,true,,1,9,\n"
    )


def test_frames_that_no_stream_shows_are_decoded_whole_and_that_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (
        b"mission: m\nframes:\n  a: {fields: [{name: x, bits: 16}]}\n  b: {fields: [{name: x, bits: 24}]}\n"
    )
    schema = written(tmp_path, text, "m.yaml")
    assert main(["decode", schema, "--text", "00 00 05"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("0  b, 3 bytes\n") and "Taken as one frame: a and b are told apart only by" in out
    assert main(["decode", schema, "--text", "00 00 05 00 06 00", "--frame", "a", "--format", "jsonl"]) == 0
    assert capsys.readouterr().out.count("\n") == 3


def test_lines_of_a_frame_that_runs_to_the_end_are_one_frame_unless_each_is_said_to_be_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    schema = written(
        tmp_path, b"mission: m\nframes:\n  a: {fields: [{name: x, kind: bytes, length: rest}]}\n", "m.yaml"
    )
    capture = written(tmp_path, b"0102\n\n03 04\n", "a.hex")
    assert main(["decode", schema, capture, "--from", "hex"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Good frames: 1." in out
    said = out.partition("Its 2 lines were put together; with ")[2].partition(" each is a frame by itself.")[
        0
    ]
    assert main(["decode", schema, capture, *shlex.split(said)]) == 0  # the remedy as it is written
    out = capsys.readouterr().out
    assert "Good frames: 2." in out and "Taken as one frame" not in out
    assert main(["decode", schema, "--text", "0102 0304", "--from", "hex"]) == 0
    assert "lines were put together" not in " ".join(capsys.readouterr().out.split())


# -- how it ends ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("data", [b"", b"   \n", b"?" * 40, FRAME + b"!", FRAME[:5]])
def test_anything_but_good_frames_is_a_finding(data: bytes, tmp_path: Path) -> None:
    assert main(["decode", FIRST, written(tmp_path, data)]) == 1
    assert main(["decode", FIRST, written(tmp_path, FRAME)]) == 0


def test_junk_is_told_with_a_question_that_helps(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["decode", HERON, written(tmp_path, bytes(range(256)) * 10)]) == 1
    assert (
        "Skipped: 2,560 bytes in 1 range, at 0 to 2559.\nNothing here begins like a frame"
        in capsys.readouterr().out
    )


@pytest.mark.parametrize("encoding", ["cp1252", "cp437", "ascii"])
def test_output_falls_back_to_what_the_encoding_has(encoding: str, tmp_path: Path) -> None:
    text = "mission: m\nframes:\n  f: {fields: [{name: a, bits: 8, unit: Cel, states: {0: größe, 1: 静}}]}\n"
    schema = written(tmp_path, text.replace("unit: Cel, ", "").encode(), "m.yaml")
    environment = {**os.environ, "PYTHONIOENCODING": encoding, "COLUMNS": "80"}
    done = run("decode", schema, "--text", "00 01", env=environment)
    assert (done.returncode, done.stderr) == (0, b"")
    shown = done.stdout.decode(encoding)
    assert ("größe" if encoding != "ascii" else "grosse") in shown or "gro" in shown
    assert "\\u9759" in shown
    done = run("decode", schema, "--text", "00 01", "--format", "csv", env=environment)
    assert "f,0,true,,größe\nf,1,true,,静\n" in done.stdout.decode("utf-8")  # for programs: always UTF-8


def test_standard_input_is_decoded_as_it_comes() -> None:
    command = [
        sys.executable,
        "-m",
        "packetkit",
        "decode",
        FIRST,
        "-",
        "--from",
        "binary",
        "--format",
        "jsonl",
    ]
    process = subprocess.Popen(
        command, cwd=PLACE, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert process.stdin and process.stdout and process.stderr
    process.stdin.write(FRAME * 2)
    process.stdin.flush()
    first = process.stdout.readline()  # while the input is still open
    assert json.loads(first)["offset"] == 0
    process.stdin.close()
    assert json.loads(process.stdout.read())["offset"] == 6
    assert process.wait(30) == 0
    process.stdout.close()
    process.stderr.close()


@pytest.mark.slow
def test_a_closed_pipe_ends_quietly(tmp_path: Path) -> None:
    path = written(tmp_path, FRAME * 20_000)
    for form in ("table", "csv", "jsonl"):
        reading, writing = os.pipe()
        os.close(reading)
        command = [sys.executable, "-m", "packetkit", "decode", FIRST, path, "--format", form]
        done = subprocess.run(
            command, cwd=PLACE, stdout=writing, stderr=subprocess.PIPE, check=False, timeout=60
        )
        os.close(writing)
        assert (done.returncode, done.stderr) == (0, b"")


# Windows has no SIGINT for a single process: it would stop the run of the tests too.
@pytest.mark.skipif(os.name == "nt", reason="Windows cannot send an interrupt to one process")
def test_an_interruption_keeps_whole_lines_and_says_where_it_stopped(tmp_path: Path) -> None:
    target = tmp_path / "out.jsonl"
    command = [
        sys.executable,
        "-m",
        "packetkit",
        "decode",
        FIRST,
        "-",
        "--from",
        "binary",
        "--format",
        "jsonl",
    ]
    for more in ((), ("-o", str(target))):
        process = subprocess.Popen(
            [*command, *more],
            cwd=PLACE,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        assert process.stdin and process.stdout and process.stderr
        process.stdin.write(FRAME * 3)
        process.stdin.flush()
        lines = b""
        while lines.count(b"\n") < 3:  # until all is written, so that the interruption comes while it waits
            if more:
                lines = b"".join(part.read_bytes() for part in tmp_path.glob("out.jsonl.*"))
                time.sleep(0.02)
            else:
                lines += process.stdout.readline()
        time.sleep(0.2)
        process.send_signal(signal.SIGINT)
        process.stdin.flush()
        assert process.wait(30) == 130
        lines += process.stdout.read()
        said = process.stderr.read()
        for stream in (process.stdin, process.stdout, process.stderr):
            stream.close()
        lines = target.read_bytes() if more else lines
        assert [json.loads(line)["offset"] for line in lines.splitlines()] == [0, 6, 12]
        assert b"Stopped at byte 18: what comes after it was not decoded." in said


@pytest.mark.slow
def test_fifty_megabytes_of_nothing_take_bounded_time_and_memory(tmp_path: Path) -> None:
    path = tmp_path / "zeros"
    path.write_bytes(b"\xa5" * 50_000_000)  # neither erased nor never written
    limit = (
        "import resource; resource.setrlimit(resource.RLIMIT_AS, (700_000_000,) * 2); "
        if os.name == "posix"
        else ""
    )
    program = f"{limit}from packetkit.cli.main import main; raise SystemExit(main())"
    command = [sys.executable, "-c", program, "decode", HERON, str(path)]
    start = time.perf_counter()
    done = subprocess.run(command, cwd=PLACE, capture_output=True, check=False, timeout=60)
    assert (done.returncode, done.stderr) == (1, b"")
    assert b"Skipped: 50,000,000 bytes in 1 range" in done.stdout
    assert time.perf_counter() - start < 30


def test_tables_show_a_derived_value_without_the_rounding_of_its_steps(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A tenth and two tenths are 0.30000000000000004 in doubles (IEEE 754), which is what lines and cells keep."""
    schema = tmp_path / "sums.yaml"
    fields = "[{name: a, bits: 8, scale: 1/10}, {name: b, bits: 8, scale: 1/10}, {name: sum, derived: a + b}]"
    schema.write_text(f"mission: sums\nframes:\n  all:\n    fields: {fields}\n", "utf-8")
    decode = ["decode", str(schema), "--text", "0102", "--from", "hex"]
    for more in ([], ["--detail"]):
        assert main([*decode, *more, "--format", "table"]) == 0
        out = capsys.readouterr().out
        assert "0.3" in out and "0.30000000000000004" not in out
    assert main([*decode, "--format", "jsonl"]) == 0
    assert json.loads(capsys.readouterr().out)["values"]["sum"] == 0.30000000000000004
