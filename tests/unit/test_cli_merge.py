"""`merge` and `reconcile`: held to the truth beside simulated captures, to their JSON Schemas, and to exact text."""

from __future__ import annotations

import json
from itertools import groupby
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import packetkit
from packetkit.cli.main import main
from packetkit.resources import resource

DOCUMENTS = Path(__file__).parents[1] / "documents" / "json"
PLOVER = str(resource("schemas/plover.yaml"))
HERON = str(resource("schemas/heron.yaml"))


def held(name: str, document: Any) -> Any:
    jsonschema.validate(document, json.loads((DOCUMENTS / f"{name}.schema.json").read_text(encoding="utf-8")))
    return document


def simulated(directory: Path, schema: str, channel: int, *options: str) -> tuple[str, list[dict[str, Any]]]:
    """A capture of one receiver, and what became of each frame on its way there."""
    path = str(directory / f"{channel}.bin")
    told = ["--minutes", "20", "--seed", "5", "--channel-seed", str(channel), *options]
    assert main(["simulate", schema, "-o", path, *told]) == 0
    lines = [json.loads(line) for line in Path(f"{path}.truth.jsonl").read_text().splitlines()]
    return path, [line for line in lines if line["frame"]]


BAD = ("--loss", "30%", "--damage", "5%", "--junk", "5%")


@pytest.mark.parametrize("schema", [PLOVER, HERON], ids=["plover", "heron"])
def test_merged_receivers_and_the_truth_agree_exactly(
    schema: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (first, one), (second, two) = (simulated(tmp_path, schema, channel, *BAD) for channel in (1, 2))
    assert [line["values"] for line in one] == [line["values"] for line in two], "one unit was heard by both"
    capsys.readouterr()
    both = str(tmp_path / "both.jsonl")
    assert main(["merge", schema, first, second, "--json", "-o", both]) == 0
    document = held("merge", json.loads(capsys.readouterr().out))
    fates = [
        (a["frame"], a["fate"] == "good", b["fate"] == "good", a["values"])
        for a, b in zip(one, two, strict=True)
    ]
    for number, receiver in enumerate(document["receivers"]):
        assert receiver["good_frames"] == sum(fate[1 + number] for fate in fates)
        assert receiver["alone_frames"] == sum(fate[1 + number] and not fate[2 - number] for fate in fates)
        assert receiver["missed_frames"] == sum(fate[2 - number] and not fate[1 + number] for fate in fates)
    for kind in document["frames"]:
        mine = [fate for fate in fates if fate[0] == kind["frame"]]
        assert kind["merged_frames"] == sum(fate[1] or fate[2] for fate in mine)
        assert kind["heard_by_all"] == sum(fate[1] and fate[2] for fate in mine)
        assert kind["disagreements"] == 0
    lines = [held("merge_line", json.loads(line)) for line in Path(both).read_text().splitlines()]
    names = [[name for name, had in zip((first, second), fate[1:3], strict=True) if had] for fate in fates]
    for kind in document["frames"]:
        listed = [line["heard_by"] for line in lines if line["kind"] == kind["frame"]]
        assert listed == [
            who for who, fate in zip(names, fates, strict=True) if who and fate[0] == kind["frame"]
        ]
    # decode reads it, and gives what the truth says that was sent.
    assert main(["decode", schema, both, "--from", "jsonl", "--json"]) == 0
    decoded = json.loads(capsys.readouterr().out)
    for kind, counted in zip(document["frames"], decoded["continuity"], strict=False):
        values = [frame["values"] for frame in decoded["frames"] if frame["frame"] == kind["frame"]]
        assert values == [fate[3] for fate in fates if fate[0] == kind["frame"] and (fate[1] or fate[2])]
        assert kind["missing_frames"] == counted["missing_frames"]
    # Back to back it is the same.
    assert main(["merge", schema, first, second, "--format", "binary", "-o", str(tmp_path / "both.bin")]) == 0
    assert (tmp_path / "both.bin").read_bytes() == b"".join(
        bytes.fromhex(line["payload"].replace(":", "")) for line in lines
    )


def test_card_and_radio_reconcile_exactly_as_the_truth_says(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    card, kept = simulated(
        tmp_path, PLOVER, 1, "--loss", "4%", "--damage", "1%", "--junk", "0%", "--restarts", "0"
    )
    radio, heard = simulated(tmp_path, PLOVER, 2, *BAD, "--restarts", "0")
    capsys.readouterr()
    assert main(["reconcile", PLOVER, card, radio, "--json"]) == 1
    document = held("reconcile", json.loads(capsys.readouterr().out))
    fates = [(a["fate"] == "good", b["fate"] == "good") for a, b in zip(kept, heard, strict=True)]
    times = [line["values"]["box_time"] for line in kept]
    had = [number for number, fate in enumerate(fates) if any(fate)]
    between = range(had[0], had[-1] + 1)
    (kind,) = document["frames"]
    assert kind == {
        "frame": "sounding",
        "in_both": fates.count((True, True)),
        "only_card": fates.count((True, False)),
        "only_radio": fates.count((False, True)),
        "disagreements": 0,
        "in_neither": sum(not any(fates[number]) for number in between),
    }
    for which, side in enumerate(("card", "radio")):
        had_it = [fate[which] for fate in fates]
        runs = [list(run) for is_had, run in groupby(between, had_it.__getitem__) if not is_had]
        gaps = [gap for gap in document["gaps"] if gap["missed_by"] == side]
        assert [(gap["frames"], gap["other_has"]) for gap in gaps] == [
            (len(run), sum(fates[number][1 - which] for number in run)) for run in runs
        ]
        assert [gap["first_sequence"] for gap in gaps] == [kept[run[0]]["values"]["sequence"] for run in runs]
        for gap, run in zip(gaps, runs, strict=True):
            if gap["clock_before_s"] is not None:
                assert gap["clock_before_s"] == times[run[0] - 1]
            if gap["clock_before_s"] is not None and gap["clock_after_s"] is not None:
                assert gap["clock_after_s"] - gap["clock_before_s"] == times[run[-1] + 1] - times[run[0] - 1]


def log_of(directory: Path, name: str, frames: list[tuple[str, int, float, bytes]]) -> str:
    path = directory / name
    path.write_text("".join(f"{time},{rssi},{snr},{data.hex()}\n" for time, rssi, snr, data in frames))
    return str(path)


def flight(values: dict[int, float]) -> dict[int, bytes]:
    """Frames of first-light by number, each with this temperature."""
    frame = packetkit.parse(resource("schemas/first-light.yaml").read_bytes()).frame()
    return {
        number: frame.encode({"counter": number, "temperature": heat, "cell_voltage": 3.7})
        for number, heat in values.items()
    }


@pytest.fixture
def receivers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[str, str, str]:
    """Three receivers of eight frames: two have another temperature in the fourth."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    sent = flight({number: number / 10 for number in range(8)})
    other = flight({4: 9.0})
    hill = [(f"10:00:0{at}", -90, 8.0, sent[at]) for at in (0, 1, 4, 5)]
    roof = [(f"10:00:0{at}", -80, 9.0, sent[at]) for at in (1, 3)] + [("10:00:04", -80, 9.0, other[4])]
    car = [(f"10:00:0{at}", -99, -2.0, sent[at]) for at in (1, 4, 7)]
    for name, frames in (("hill.log", hill), ("roof.log", roof), ("car.log", car)):
        log_of(tmp_path, name, frames)
    return "hill.log", "roof.log", "car.log"


FIRST = str(resource("schemas/first-light.yaml"))


def test_the_report_of_receivers_is_this(
    receivers: tuple[str, str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["merge", FIRST, *receivers, "--from", "lines", "-o", "all.jsonl"]) == 1
    assert (
        capsys.readouterr().out
        == """\
receiver  good  failed  twice  alone  missed
────────  ────  ──────  ─────  ─────  ──────
hill.log     4       0      0      2       2
roof.log     3       0      0      1       3
car.log      3       0      0      1       3

frame   merged  heard by all  by one only  disagree  missing
──────  ──────  ────────────  ───────────  ────────  ───────
beacon       6             2            4         1        2

Alone: frames that only this receiver heard. Missing: numbers between merged
frames that nobody heard.
Disagree: beacon number 4, each with a good check: hill.log, car.log:
0404bdec8d8e; roof.log: 0455fdec29db.
all.jsonl: each frame once; decode reads it.
""".replace("0404bdec8d8e", flight({4: 0.4})[4].hex()).replace("0455fdec29db", flight({4: 9.0})[4].hex())
    )
    lines = [
        held("merge_line", json.loads(line)) for line in (tmp_path / "all.jsonl").read_text().splitlines()
    ]
    assert lines[1] == {
        "time": "10:00:01",
        "rssi_dbm": -80.0,
        "snr_db": 9.0,
        "payload": flight({1: 0.1})[1].hex(":"),
        "kind": "beacon",
        "heard_by": ["hill.log", "roof.log", "car.log"],
    }
    assert [line.get("disputed", False) for line in lines] == [False, False, False, True, False, False]
    assert lines[3]["payload"] == flight({4: 0.4})[4].hex(":"), "two of three say so"


def test_the_reconciliation_is_this(
    receivers: tuple[str, str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["reconcile", FIRST, "hill.log", "roof.log", "--from", "lines"]) == 1
    assert (
        capsys.readouterr().out
        == """\
       file      good  failed  twice
─────  ────────  ────  ──────  ─────
card   hill.log     4       0      0
radio  roof.log     3       0      0

frame   in both  only card  only radio  in neither  disagree
──────  ───────  ─────────  ──────────  ──────────  ────────
beacon        2          2           1           1         1

missed by  frame   sequence  frames  other has  when
─────────  ──────  ────────  ──────  ─────────  ────────────────────
card       beacon  2 to 3         2          1  10:00:01 to 10:00:04
radio      beacon  0              1          1  before 10:00:01
radio      beacon  5              1          1  behind 10:00:04
both       beacon  2              1          0  10:00:01 to 10:00:03
Other has: how many of them the other one has; the rest is in neither. When:
what the unit's clock says around the gap; else when the frames around it were
received.

beacon number 4: other bytes, each with a good check.
  temperature: card 0.4, radio 9.0
"""
    )
    assert main(["reconcile", FIRST, "hill.log", "roof.log", "--from", "lines", "--json"]) == 1
    document = held("reconcile", json.loads(capsys.readouterr().out))
    (one,) = document["disagreements"]
    assert one["fields"] == [{"field": "temperature", "card": 0.4, "radio": 9.0}]
    assert (one["sequence"], one["card_bytes"]) == (4, flight({4: 0.4})[4].hex())
    with pytest.raises(jsonschema.ValidationError):
        held("reconcile", {**document, "gaps": [{**document["gaps"][0], "frames": 0}]})


def test_nothing_missing_is_said_and_is_no_finding(
    receivers: tuple[str, str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sent = flight(dict.fromkeys(range(5), 1.0))
    log_of(tmp_path, "a.log", [("10:00:00", -80, 1.0, data) for data in sent.values()])
    assert main(["reconcile", FIRST, "a.log", "a.log", "--from", "lines"]) == 0
    assert "Card and radio have the same frames, and none is missing between them." in capsys.readouterr().out
    assert main(["merge", FIRST, "a.log", "a.log", "--from", "lines"]) == 0


def test_captures_of_different_forms_are_read_each_in_its_own(
    receivers: tuple[str, str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "card.bin").write_bytes(
        b"".join(flight({number: number / 10 for number in range(8)}).values())
    )
    assert (
        main(["reconcile", FIRST, "card.bin", "hill.log", "--from", "binary", "--from", "lines", "--json"])
        == 1
    )
    document = held("reconcile", json.loads(capsys.readouterr().out))
    assert [document[side]["read_as"] for side in ("card", "radio")] == ["binary", "lines"]
    assert [gap["other_has"] for gap in document["gaps"]] == [2, 2]


MISUSE = [
    (["merge", FIRST, "hill.log"], "name two captures or more"),
    (["merge", FIRST, "hill.log", "roof.log", "--json", "-o", "-"], "both go to standard output"),
    (["merge", FIRST, "hill.log", "roof.log", "-o", "hill.log"], "hill.log is an input and would be lost"),
    (["merge", FIRST, *["hill.log"] * 3, "--from", "lines", "--from", "csv"], "--from is given 2 times"),
    (["merge", FIRST, "hill.log", "-", "-"], "standard input can be only one of the inputs"),
    (["merge", FIRST, "hill.log", "none.log", "--from", "lines"], "none.log: there is no such file"),
    (
        ["merge", FIRST, "hill.log", "roof.log", "--from", "binary", "--key", "a"],
        "--key goes with --from csv, jsonl",
    ),
    (
        ["reconcile", FIRST, "hill.log", "roof.log", "-o", "roof.log"],
        "roof.log is an input and would be lost",
    ),
    (["reconcile", FIRST, "hill.log", "."], "this is a directory"),
    (["reconcile", FIRST, "hill.log", "roof.log", "--frame", "x"], "has no frame 'x'"),
]


@pytest.mark.parametrize(("arguments", "message"), MISUSE)
def test_misuse_says_what_to_do(
    receivers: tuple[str, str, str], arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == 2
    out, err = capsys.readouterr()
    assert out == "" and message in " ".join(err.split())


def test_captures_without_frames_are_a_finding(
    receivers: tuple[str, str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "junk.log").write_text("nothing here\n")
    assert main(["merge", FIRST, "junk.log", "junk.log", "--from", "lines"]) == 1
    assert main(["reconcile", FIRST, "junk.log", "junk.log", "--from", "lines"]) == 1
    assert "beacon       0" in capsys.readouterr().out


def test_a_capture_without_a_good_frame_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, _ = simulated(tmp_path, PLOVER, 1)
    nothing = tmp_path / "nothing.log"
    nothing.write_bytes(b"")
    capsys.readouterr()
    assert main(["merge", PLOVER, path, str(nothing)]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "nothing.log: no good frame in it. Is it the right file, and --from?" in text
    assert f"{path}: no good frame" not in text


def test_a_capture_that_cannot_be_read_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, _ = simulated(tmp_path, PLOVER, 1)
    odd = tmp_path / "odd.bits"
    odd.write_bytes(b"0101\xd3")
    capsys.readouterr()
    for captures, place in (((path, str(odd)), 1), ((str(odd), path), 0)):
        each = ["binary", "binary"]
        each[place] = "hdlc-bits"
        assert main(["reconcile", PLOVER, *captures, "--from", each[0], "--from", each[1]]) == 2
        said = capsys.readouterr().err
        assert said.startswith(f"packetkit reconcile: {odd}: offset 4: 0xd3 is no bit"), said
        assert "--from packed-bits or hdlc-packed-bits" in said
    assert main(["merge", PLOVER, path, str(tmp_path / "none")]) == 2
    assert capsys.readouterr().err.count("none: there is no such file") == 1


def test_a_capture_whose_last_line_was_cut_is_merged_as_far_as_it_goes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first, _ = simulated(tmp_path, PLOVER, 1)
    both = tmp_path / "both.jsonl"
    assert main(["merge", PLOVER, first, first, "-o", str(both)]) == 0
    lines = both.read_text().splitlines()
    (tmp_path / "cut.jsonl").write_text("\n".join(lines[:20]) + "\n" + lines[20][:30])
    capsys.readouterr()
    arguments = ["merge", PLOVER, first, str(tmp_path / "cut.jsonl"), "--from", "binary", "--from", "jsonl"]
    assert main(arguments) == 1
    out = " ".join(capsys.readouterr().out.split())
    assert (
        "jsonl: Damaged lines: 1 of 21, at line 21. What they held is lost." in out
    )  # the path is broken over lines
    assert main([*arguments, "--json"]) == 1
    made = held("merge", json.loads(capsys.readouterr().out))
    assert made["receivers"][1]["good_frames"] == 20
    assert made["receivers"][1]["lines"]["first_damaged"] == [21] and made["receivers"][0]["lines"] is None
    assert main(["reconcile", *arguments[1:], "--json"]) == 1
    assert held("reconcile", json.loads(capsys.readouterr().out))["radio"]["lines"]["first_damaged"] == [21]


TO_END = (
    "mission: m\nframes:\n  f:\n    fields:\n      - {name: sync, kind: sync, bits: 16, code: 0xD391}\n"
    "      - {name: rest, repeat: {to_end: true}, bits: 8}\n"
)


def test_frames_that_a_stream_does_not_show_are_not_written_as_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    schema, log, out = tmp_path / "m.yaml", tmp_path / "a.log", tmp_path / "out"
    schema.write_text(TO_END)
    log.write_text("data=d3910102\ndata=d39103\n")
    other = tmp_path / "b.log"
    other.write_text("data=d3910102\n")
    arguments = ["merge", str(schema), str(log), str(other), "--from", "lines", "-o", str(out)]
    assert main([*arguments, "--format", "binary"]) == 2
    err = capsys.readouterr().err
    assert "f runs to the end of its bytes" in err and "Leave --format out" in err and not out.exists()
    assert main(arguments) == 0  # as the message says
    assert main(["decode", str(schema), str(out), "--from", "jsonl", "--format", "csv"]) == 0
    assert main(["simulate", str(schema), "-o", str(out), "--minutes", "1"]) == 0
    assert "f runs to the end of its bytes" in capsys.readouterr().err


def test_reconcile_says_none_is_missing_only_where_a_counter_tells(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fields = "      - {name: sync, kind: sync, bits: 16, code: 0xD391}\n      - {name: x, bits: 8}\n"
    schema, card, radio = tmp_path / "m.yaml", tmp_path / "card", tmp_path / "radio"
    schema.write_text(f"mission: m\nframes:\n  f:\n    fields:\n{fields}")
    card.write_bytes(bytes.fromhex("d39101d39102"))
    radio.write_bytes(bytes.fromhex("d39101d39102"))
    assert main(["reconcile", str(schema), str(card), str(radio)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Whether frames of f are missing in both nobody can tell: no field has role: sequence." in out
    assert "none is missing" not in out
    card.write_bytes(b"\x01")
    radio.write_bytes(b"\x02")
    assert main(["reconcile", str(schema), str(card), str(radio)]) == 1
    assert "There is no good frame in either of them." in capsys.readouterr().out


def test_what_both_miss_is_told_once_behind_what_one_has_and_a_day_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    frames = packetkit.load(FIRST).frames["beacon"]
    paths = []
    for name, numbers in (("card", (1, 2, 5, 6, 9)), ("radio", (1, 2, 5, 9))):
        paths.append(str(tmp_path / name))
        lines = [
            f"2031-05-02T10:00:{n:02}Z data={frames.encode({'counter': n, 'temperature': 0, 'cell_voltage': 3.9}).hex()}\n"
            for n in numbers
        ]
        Path(paths[-1]).write_text("".join(lines))
    assert main(["reconcile", FIRST, *paths, "--from", "lines"]) == 1
    rows = [
        line
        for line in capsys.readouterr().out.splitlines()
        if line.startswith(("radio  ", "card  ", "both  "))
    ]
    assert [" ".join(line.split()) for line in rows[2:]] == [
        "radio beacon 6 to 8 3 1 10:00:05Z to 10:00:09Z",
        "both beacon 3 to 4 2 0 10:00:02Z to 10:00:05Z",
        "both beacon 7 to 8 2 0 10:00:06Z to 10:00:09Z",
    ]
