"""Decoded frames as tables: Arrow, Parquet and SQLite files, read by their own libraries and held against JSON lines of one capture."""

from __future__ import annotations

import io
import json
import sqlite3
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow
import pytest
from pyarrow import ipc, parquet

import packetkit
from packetkit.cli import tables
from packetkit.cli.main import main
from packetkit.codec import cells
from packetkit.codec.bulk.arrow import _distinct
from packetkit.errors import InputError
from packetkit.export.sheet import Column
from packetkit.export.tables import ROWS, Table
from packetkit.resources import resource

EXAMPLES = ("first-light", "heron", "plover")

OCTETS = """mission: invented
frames:
  note:
    fields:
      - {name: offset, bits: 8, role: sequence, unit: '1'}
      - {name: ok, kind: flag}
      - {name: large, bits: 64}
      - {name: mode, bits: 7, states: {0: idle, 3: busy}}
      - {name: blob, kind: bytes, length: 3}
      - {name: word, kind: text, length: 4, fill: 0}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""


def example(name: str) -> tuple[str, str]:
    return str(resource(f"schemas/{name}.yaml")), str(resource(f"schemas/{name}.capture"))


def lines_of(schema: str, capture: str, tmp_path: Path) -> list[dict[str, Any]]:
    main(["decode", schema, capture, "--format", "jsonl", "-o", str(tmp_path / "lines")])
    return [json.loads(line) for line in (tmp_path / "lines").read_text().splitlines()]


def expected_rows(schema: str, lines: list[dict[str, Any]], frame: str) -> list[dict[str, Any]]:
    """What the rows of one table hold, from JSON lines."""
    layout, made = packetkit.load(schema).layouts[frame], []
    for line in lines:
        if frame in (line["frame"], line.get("claimed")):
            values = {cell.path: cell.value for cell in cells.cells(layout, line.get("values", {}))}
            lead = {key: line[key] for key in ("offset", "ok", "reason")}
            made.append({**lead, **values})
    return made


def read(path: Path) -> list[dict[str, Any]]:
    """The rows of a file, by its own library."""
    if path.suffix == ".parquet":
        rows: list[dict[str, Any]] = parquet.read_table(path).to_pylist()
    else:
        rows = ipc.open_file(path).read_all().to_pylist()
    return [{key: value for key, value in row.items() if key != "beyond limits"} for row in rows]


@pytest.mark.parametrize("form", ["arrow", "parquet"])
@pytest.mark.parametrize("name", EXAMPLES)
def test_a_table_file_holds_what_json_lines_say(name: str, form: str, tmp_path: Path) -> None:
    schema, capture = example(name)
    lines = lines_of(schema, capture, tmp_path)
    assert main(["decode", schema, capture, "-o", str(tmp_path / f"log.{form}")]) in (0, 1)
    frames = list(packetkit.load(schema).frames)
    assert not all(line["ok"] for line in lines)  # each example has damage in it
    for frame in frames:
        file = tmp_path / (f"log.{form}" if len(frames) == 1 else f"log-{frame}.{form}")
        found = read(file)
        assert found == expected_rows(schema, lines, frame)


@pytest.mark.parametrize("name", EXAMPLES)
def test_a_database_holds_what_json_lines_say(name: str, tmp_path: Path) -> None:
    schema, capture = example(name)
    lines = lines_of(schema, capture, tmp_path)
    assert main(["decode", schema, capture, "-o", str(tmp_path / "log.sqlite")]) in (0, 1)
    database = sqlite3.connect(tmp_path / "log.sqlite")
    database.row_factory = sqlite3.Row
    mission = packetkit.load(schema)
    for frame in mission.frames:
        found = [dict(row) for row in database.execute(f"SELECT * FROM {frame}")]
        assert [{k: v for k, v in row.items() if k != "beyond limits"} for row in found] == expected_rows(
            schema, lines, frame
        )
    origins = {tuple(row) for row in database.execute("SELECT frame, fingerprint, file FROM _tables")}
    assert origins == {(frame, one.layout.fingerprint, capture) for frame, one in mission.frames.items()}
    database.close()


def test_a_table_says_where_it_comes_from_and_its_units(tmp_path: Path) -> None:
    schema, capture = example("first-light")
    main(["decode", schema, capture, "-o", str(tmp_path / "log.parquet")])
    found = parquet.read_schema(tmp_path / "log.parquet")
    fingerprint = packetkit.load(schema).frame().layout.fingerprint
    assert (
        found.metadata[b"fingerprint"] == fingerprint.encode() and found.metadata[b"file"] == capture.encode()
    )
    assert (
        found.field("temperature").metadata == {b"unit": b"Cel"} and found.field("counter").metadata is None
    )
    main(["decode", schema, capture, "-o", str(tmp_path / "log.db"), "--trace"])
    database = sqlite3.connect(tmp_path / "log.db")
    assert database.execute("SELECT DISTINCT file, fingerprint FROM beacon").fetchall() == [
        (capture, fingerprint)
    ]
    units = dict(database.execute("SELECT path, unit FROM _columns WHERE path != ''"))
    assert units == {"counter": "", "temperature": "Cel", "cell_voltage": "V"}
    database.close()


def a_note(tmp_path: Path) -> tuple[str, str, packetkit.Frame]:
    """A schema whose fields are named like what stands in front of a row, and whose values are of every kind; and a frame of it."""
    (tmp_path / "note.yaml").write_text(OCTETS)
    frame = packetkit.parse(OCTETS).frame()
    record = {"offset": 7, "ok": True, "large": 2**64 - 1, "mode": 5, "blob": b"\x01\xab\xff", "word": "hi"}
    (tmp_path / "note").write_bytes(frame.encode(record))
    return str(tmp_path / "note.yaml"), str(tmp_path / "note"), frame


def test_octets_are_lower_case_hexadecimal_in_csv_and_json(tmp_path: Path) -> None:
    schema, capture, _ = a_note(tmp_path)
    assert main(["decode", schema, capture, "-o", str(tmp_path / "x.csv")]) == 0
    assert "01abff" in (tmp_path / "x.csv").read_text()
    assert lines_of(schema, capture, tmp_path)[0]["values"]["blob"] == "01abff"


def test_every_kind_of_value_has_its_type(tmp_path: Path) -> None:
    schema, capture, _ = a_note(tmp_path)
    assert main(["decode", schema, capture, "-o", str(tmp_path / "x.arrow"), "--raw"]) == 0
    (row,) = ipc.open_file(tmp_path / "x.arrow").read_all().to_pylist()
    lead = {"_offset": 0, "_ok": True, "reason": None}
    values = {"offset": 7, "ok": True, "large": 2**64 - 1, "mode": "5", "blob": b"\x01\xab\xff", "word": "hi"}
    assert row == lead | values | {"offset raw": 7, "ok raw": 1, "large raw": 2**64 - 1, "mode raw": 5}
    assert main(["decode", schema, capture, "-o", str(tmp_path / "x.sqlite")]) == 0
    database = sqlite3.connect(tmp_path / "x.sqlite")
    found = database.execute("SELECT offset, ok, large, mode, blob, word, _offset, _ok FROM note").fetchone()
    assert found == (7, 1, str(2**64 - 1), "5", b"\x01\xab\xff", "hi", 0, 1)
    database.close()


def test_csv_with_codes_and_units_is_read_back_by_encode(tmp_path: Path) -> None:
    schema, capture = example("first-light")
    main(["decode", schema, capture, "-o", str(tmp_path / "log.csv"), "--raw", "--units"])
    header, first = (tmp_path / "log.csv").read_text().splitlines()[:2]
    assert header == (
        "frame,offset,ok,reason,counter,temperature [Cel],cell_voltage [V],counter raw,temperature raw,cell_voltage raw"
    )
    cells_of = dict(zip(header.split(","), first.split(","), strict=True))
    # By the schema, temperature is -60 + 0.1 raw.
    assert int(cells_of["temperature raw"]) == round((float(cells_of["temperature [Cel]"]) + 60) / 0.1)
    assert (
        main(["encode", schema, str(tmp_path / "log.csv"), "-o", str(tmp_path / "again")]) == 1
    )  # damaged ones are left out
    good = [row for row in (tmp_path / "log.csv").read_text().splitlines()[1:] if row.split(",")[2] == "true"]
    assert len((tmp_path / "again").read_text().splitlines()) == len(good)


def test_frames_that_claim_to_be_none_have_a_table_of_their_own(tmp_path: Path) -> None:
    schema, _ = example("heron")
    (tmp_path / "log").write_text("data\n01 02 03 04 05\n")
    arguments = ["decode", schema, str(tmp_path / "log"), "--from", "csv", "--key", "data"]
    assert main([*arguments, "-o", str(tmp_path / "x.sqlite")]) == 1
    database = sqlite3.connect(tmp_path / "x.sqlite")
    assert database.execute("SELECT ok, reason FROM _no_frame").fetchall() == [(0, "unknown")]
    database.close()


@pytest.mark.parametrize(
    ("name", "form"),
    [
        ("a.CSV", "csv"),
        ("a.jsonl", "jsonl"),
        ("a.db", "sqlite"),
        ("a.parquet", "parquet"),
        ("a.txt", "table"),
        ("-", "table"),
    ],
)
def test_the_ending_of_a_name_tells_the_form(name: str, form: str) -> None:
    assert tables.form_of(name) == form


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--format", "parquet"), "name it with -o FILE"),
        (("-o", "x.sqlite", "--follow", "--from", "binary"), "whole at the end only"),
        (("-o", "x.arrow", "--detail"), "nothing about it"),
        (("-o", "x.arrow", "--units"), "units beside them"),
        (("--raw",), "--detail shows codes"),
    ],
)
def test_what_a_table_cannot_do_is_told(
    arguments: tuple[str, ...],
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    schema, capture = example("first-light")
    assert main(["decode", schema, capture, *arguments]) == 2
    assert said in capsys.readouterr().err and not list(tmp_path.iterdir())


def test_an_absent_extra_is_named_and_nothing_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    schema, capture = example("first-light")
    assert main(["decode", schema, capture, "-o", str(tmp_path / "x.parquet")]) == 2
    assert "packetkit[tables]" in capsys.readouterr().err and not list(tmp_path.iterdir())
    with pytest.raises(InputError, match=r"packetkit\[tables\]"):
        packetkit.load(schema).frame().decode_many(b"").to_arrow()


def test_columns_become_an_arrow_table_with_nulls_names_and_units() -> None:
    mission = packetkit.load(example("heron")[0])
    frame = mission.frame("housekeeping")
    good = next(
        bytes.fromhex(line["hex"]) if "hex" in line else frame.encode(line["values"])
        for line in map(json.loads, resource("schemas/heron.records.jsonl").read_text().splitlines())
        if line["frame"] == "housekeeping"
    )
    bad = good[:-1] + bytes([good[-1] ^ 1])
    made = frame.decode_many(good + bad, raw=True).to_arrow()
    first, second = made.to_pylist()
    record = {cell.path: cell.value for cell in cells.cells(frame.layout, frame.decode(good))}
    assert {path: first[path] for path in record} == record and first["offset"] == 0 and first["ok"]
    assert all(value is None for path, value in second.items() if path not in ("offset", "ok"))
    assert second["offset"] == len(good) and not second["ok"]
    assert made.schema.field("mode").type == pyarrow.string()
    assert made.schema.field("power.cell_voltage").metadata == {b"unit": b"V"}
    assert first["mode raw"] == frame.decode(good, detail=True)["mode"]["raw"]


def test_columns_become_a_data_frame() -> None:
    frame = packetkit.load(example("first-light")[0]).frame()
    data = frame.encode({"counter": 1, "temperature": 21.3, "cell_voltage": 3.9})
    found = frame.decode_many(data * 3 + b"\x00").to_pandas()
    assert list(found["ok"]) == [True, True, True, False]
    assert found["temperature"].iloc[0] == 21.3 and found["temperature"].isna().sum() == 1


def test_columns_of_varying_frames_become_a_table_too(tmp_path: Path) -> None:
    _, capture, frame = a_note(tmp_path)
    (row,) = frame.decode_many(Path(capture).read_bytes()).to_arrow().to_pylist()
    assert row["blob"] == b"\x01\xab\xff" and row["word"] == "hi" and row["mode"] == "5"
    assert row["_offset"] == 0 and row["offset"] == 7


def test_what_writing_a_piece_raises_comes_out(tmp_path: Path) -> None:
    class Full(io.BytesIO):
        def write(self, data: Any) -> int:
            if self.tell() > 100:
                raise OSError(28, "No space left on device")
            return super().write(data)

    for form in tables.FORMS[:2]:
        made = Table(form, Full(), [Column("n", "int64")], {})
        with pytest.raises(OSError, match="No space left"):
            for _ in range(3):
                made.rows([number] for number in range(ROWS))
            made.close()


@pytest.mark.parametrize("values", [[], [3], [-5, 7, -5, 0], [2**31 - 1, -(2**31)], [70_000, 0, 70_000]])
def test_names_are_told_apart_as_numpy_does(values: list[int]) -> None:
    given = np.array(values, np.int32)
    codes, places = np.unique(given, return_inverse=True)
    found = _distinct(given)
    assert found[0].tolist() == codes.tolist() and found[1].tolist() == places.reshape(-1).tolist()
