"""`packetkit decode --every`: intervals worked again from JSON lines with Python's own statistics; whose time counts; gaps that stay."""

from __future__ import annotations

import csv
import json
import sqlite3
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from random import Random
from statistics import fmean
from typing import Any

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyarrow import parquet

import packetkit
from packetkit.captures.stream import Good, Received
from packetkit.cli.main import main
from packetkit.export import times
from packetkit.export.summary import Summary
from packetkit.resources import resource

DOCUMENTS = Path(__file__).resolve().parent.parent / "documents" / "json"
PLOVER, CAPTURE = str(resource("schemas/plover.yaml")), str(resource("schemas/plover.capture"))

# A clock of 8 bits that wraps every 256 s; its zero is an instant or is not.
CLOCKED = """mission: invented
frames:
  beat:
    fields:
      - {{name: sequence, bits: 16, role: sequence}}
      - {{name: uptime, bits: 8, role: clock, tick_s: 1{epoch}}}
      - {{name: level, bits: 8, scale: 0.1}}
"""


def lines(*arguments: str, tmp_path: Path) -> list[dict[str, Any]]:
    main(["decode", *arguments, "--format", "jsonl", "-o", str(tmp_path / "lines")])
    return [json.loads(line) for line in (tmp_path / "lines").read_text().splitlines()]


def test_intervals_are_what_statistics_says_of_the_frames_in_them(tmp_path: Path) -> None:
    frames = [one["values"] for one in lines(PLOVER, CAPTURE, tmp_path=tmp_path) if one["ok"]]
    found = lines(PLOVER, CAPTURE, "--every", "30s", tmp_path=tmp_path)
    schema = json.loads((DOCUMENTS / "decode_interval.schema.json").read_text())
    first_boot = [one for one in frames if one["boots"] == frames[0]["boots"]]
    for number, interval in enumerate(found):
        jsonschema.validate(interval, schema)
        inside = [one for one in first_boot if one["box_time"] // 30 == number]
        if inside and (number + 1) * 30 < first_boot[-1]["box_time"]:
            assert interval["start_s"] == number * 30 and interval["frames"] == len(inside)
            levels = [one["air"]["pressure"] for one in inside if one["air"]["pressure"] is not None]
            told = interval["values"]["air.pressure"]
            assert told["count"] == len(levels) and told["mean"] == fmean(levels)
            assert (told["min"], told["max"]) == (min(levels), max(levels))
            assert set(interval["values"]["state.phase"]) == {"count"}


def frame_of(epoch: str = "") -> packetkit.Frame:
    return packetkit.parse(CLOCKED.format(epoch=epoch)).frame()


def beats(frame: packetkit.Frame, clocks: list[int]) -> bytes:
    made = [{"sequence": n, "uptime": clock % 256, "level": 1.5} for n, clock in enumerate(clocks)]
    return b"".join(map(frame.encode, made))


def files(tmp_path: Path, epoch: str, clocks: list[int]) -> tuple[str, str]:
    (tmp_path / "beat.yaml").write_text(CLOCKED.format(epoch=epoch))
    (tmp_path / "beat").write_bytes(beats(frame_of(epoch), clocks))
    return str(tmp_path / "beat.yaml"), str(tmp_path / "beat")


def test_a_clock_that_wraps_goes_on_and_gaps_stay_as_empty_rows(tmp_path: Path) -> None:
    schema, capture = files(tmp_path, "", [0, 100, 200, 300, 390, 500, 610, 720])
    found = lines(schema, capture, "--every", "2min", tmp_path=tmp_path)
    assert [(one["start_s"], one["frames"]) for one in found] == [
        (0, 2), (120, 1), (240, 1), (360, 1), (480, 1), (600, 1), (720, 1)
    ]  # fmt: skip
    schema, capture = files(tmp_path, "", [0, 100, 200])
    found = lines(schema, capture, "--every", "20s", tmp_path=tmp_path)
    assert [one["frames"] for one in found] == [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1]
    assert found[1]["values"] == {}


def test_a_clock_with_an_epoch_gives_instants(tmp_path: Path) -> None:
    schema, capture = files(tmp_path, ", epoch: 2030-01-31T23:59:00Z", [30, 90])
    found = lines(schema, capture, "--every", "1min", tmp_path=tmp_path)
    assert [one["start"] for one in found] == ["2030-01-31T23:59:00Z", "2030-02-01T00:00:00Z"]


def log(tmp_path: Path, stamps: list[str]) -> tuple[str, str]:
    schema, _ = files(tmp_path, "", [0])
    data = [
        frame_of().encode({"sequence": n, "uptime": 0, "level": 0.1 * n}).hex() for n in range(len(stamps))
    ]
    (tmp_path / "log").write_text("".join(f"{at} data={one}\n" for at, one in zip(stamps, data, strict=True)))
    return schema, str(tmp_path / "log")


def test_the_time_of_reception_counts_where_the_capture_says_it(tmp_path: Path) -> None:
    stamps = ["2031-05-02T10:00:01Z", "2031-05-02T12:09:59.5+02:00", "2031-05-02T10:31:00Z"]
    schema, capture = log(tmp_path, stamps)
    found = lines(schema, capture, "--from", "lines", "--every", "10min", tmp_path=tmp_path)
    assert [(one["start"][11:16], one["frames"]) for one in found] == [
        ("10:00", 2), ("10:10", 0), ("10:20", 0), ("10:30", 1)
    ]  # fmt: skip


def test_times_of_day_go_on_over_midnight(tmp_path: Path) -> None:
    schema, capture = log(tmp_path, ["23:50:00", "23:59:59", "00:00:01", "23:59:58", "00:10:00"])
    found = lines(schema, capture, "--from", "lines", "--every", "10min", tmp_path=tmp_path)
    assert [(one["start_s"], one["frames"]) for one in found] == [(85800, 3), (86400, 1), (87000, 1)]


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("1970-01-01T00:00:00Z", Fraction(0)),
        ("2001-09-09 01:46:40", Fraction(10**9)),  # common practice: the billionth second
        ("2001-09-09T03:46:40,25+02:00", Fraction(10**9) + Fraction(1, 4)),
        ("1000000000", Fraction(10**9)),
        ("1000000000000", Fraction(10**9)),  # thousandths
        ("1000000000.5", Fraction(2 * 10**9 + 1, 2)),
        ("2031-13-02T00:00:00Z", None),
        ("yesterday", None),
    ],
)
def test_instants_are_read_as_they_are_written(text: str, seconds: Fraction | None) -> None:
    assert times.instant(text) == seconds


@settings(max_examples=50)
@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=60), st.integers(0, 100))
def test_a_mean_is_exact_and_does_not_depend_on_the_order(values: list[float], seed: int) -> None:
    layout = packetkit.parse(
        "mission: m\nframes:\n  f:\n    fields:\n      - {name: x, kind: float, bits: 64}\n"
    ).layouts["f"]
    shuffled = values[:]
    Random(seed).shuffle(shuffled)
    means = []
    for order in (values, shuffled):
        made = Summary(layout, Fraction(60), ("mean", "count"))
        for value in order:
            made.take(Good("f", 0, b"", {"x": value}, received=Received("2031-05-02T10:00:01Z")))
        ((_, _, mean, count),) = made.rows()
        assert count == len(values)
        means.append(mean)
    total = float(sum(map(Fraction, values)))
    assert means == [total / len(values)] * 2


def as_csv(path: Path) -> list[list[Any]]:
    return list(csv.reader(path.read_text().splitlines()))


def as_parquet(path: Path) -> list[list[Any]]:
    table = parquet.read_table(path)
    return [table.column_names, *([*row.values()] for row in table.to_pylist())]


def as_database(path: Path) -> list[list[Any]]:
    database = sqlite3.connect(path)
    cursor = database.execute("SELECT * FROM beat")
    made = [[one[0] for one in cursor.description], *map(list, cursor.fetchall())]
    database.close()
    return made


@pytest.mark.parametrize(
    ("name", "read"), [("x.csv", as_csv), ("x.parquet", as_parquet), ("x.db", as_database)]
)
def test_every_form_has_the_same_intervals(
    name: str, read: Callable[[Path], list[list[Any]]], tmp_path: Path
) -> None:
    schema, capture = files(tmp_path, "", [0, 30, 130])
    summary = ["--every", "1min", "--summary", "count,max"]
    assert main(["decode", schema, capture, *summary, "-o", str(tmp_path / name)]) == 0
    titles, *rows = read(tmp_path / name)
    expected = [
        "start_s",
        "frames",
        *(f"{path} {word}" for path in ("sequence", "uptime", "level") for word in ("count", "max")),
    ]
    assert titles[-len(expected) :] == expected
    found = [[None if cell in (None, "") else float(cell) for cell in row[-len(expected) :]] for row in rows]
    assert found == [
        [0, 2, 2, 1, 2, 30, 2, 1.5],
        [60, 0, 0, None, 0, None, 0, None],
        [120, 1, 1, 2, 1, 130, 1, 1.5],
    ]


def test_one_document_holds_the_intervals(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    schema, capture = files(tmp_path, "", [0, 130])
    assert main(["decode", schema, capture, "--every", "1min", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, json.loads((DOCUMENTS / "decode.schema.json").read_text()))
    assert [one["frames"] for one in document["intervals"]] == [1, 0, 1] and document["every_s"] == 60


def test_the_terminal_says_how_many_intervals_are_empty(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    schema, capture = files(tmp_path, "", [0, 130, 250])
    assert main(["decode", schema, capture, "--every", "1min"]) == 0
    out = capsys.readouterr().out
    assert "0.0 s  beat, 1 frame\n" in out and "\n1 interval without a frame\n" in out and "unwrapped" in out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--every", "10"), "such as 10min"),
        (("--every", "0s"), "above 0"),
        (("--summary", "min"), "goes with --every"),
        (("--every", "1h", "--summary", "median"), "none of min, mean, max, count"),
        (("--every", "1h", "--raw"), "does not go with"),
        (("--every", "1ms"), "intervals, more than"),
    ],
)
def test_what_every_cannot_do_is_told(
    arguments: tuple[str, ...], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    schema, capture = files(tmp_path, "", [0, 130])
    assert main(["decode", schema, capture, *arguments, "-o", str(tmp_path / "x.csv")]) == 2
    assert said in capsys.readouterr().err and not (tmp_path / "x.csv").exists()


def test_frames_without_any_time_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    schema, capture = str(resource("schemas/first-light.yaml")), str(resource("schemas/first-light.capture"))
    assert main(["decode", schema, capture, "--every", "1h"]) == 2
    assert "role: clock" in capsys.readouterr().err
