"""`packetkit decode` writes a large capture through columns, and what it writes is what frames one by one give, to the byte."""

from __future__ import annotations

import signal
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from random import Random
from typing import Any

import pytest
from pyarrow import ipc, parquet

import packetkit
from packetkit.captures import stream, swift
from packetkit.captures.account import Account
from packetkit.captures.many import teams
from packetkit.cli import flow, sources
from packetkit.cli.main import main
from packetkit.conformance import draw
from packetkit.resources import resource

PLOVER, HERON = str(resource("schemas/plover.yaml")), str(resource("schemas/heron.yaml"))


def capture(schema: str, rows: int, seed: int) -> bytes:
    """Frames of one kind whose numbers go on, then of all kinds; a few damaged, a few cut, junk between some."""
    chance, frames = Random(seed), list(packetkit.load(schema).frames.values())
    made = bytearray()
    for number in range(rows):
        frame = frames[0] if number < rows * 3 // 4 else chance.choice(frames)
        record = draw.record(frame.layout, chance)
        record["sequence"] = {"raw": number % 4096}
        data = frame.encode(record)
        what = chance.random()
        if what < 0.01:
            data = bytes([*data[:-1], data[-1] ^ 1])
        elif what < 0.02:
            data = data[: len(data) // 2]
        elif what < 0.03:
            data += chance.randbytes(5)
        made += data
    return bytes(made)


@contextmanager
def one_by_one(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Every file counts as small."""
    with monkeypatch.context() as patch:
        patch.setattr(sources, "LARGE", 1 << 40)
        yield


@pytest.mark.parametrize("schema", [PLOVER, HERON], ids=["plover", "heron"])
@pytest.mark.parametrize(
    "options", [(), ("--raw", "--trace"), ("--format", "csv-semicolon", "--units")], ids=str
)
def test_csv_through_columns_is_the_same_to_the_byte(
    schema: str,
    options: tuple[str, ...],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    (tmp_path / "log").write_bytes(capture(schema, 1200, 1))
    monkeypatch.setattr(sources, "LARGE", 0)
    monkeypatch.setattr(swift, "RUN", 4)
    arguments = ["decode", schema, str(tmp_path / "log"), *options, "-o"]
    assert main([*arguments, str(tmp_path / "a.csv")]) == 1
    swiftly = capsys.readouterr().err
    with one_by_one(monkeypatch):
        assert main([*arguments, str(tmp_path / "b.csv")]) == 1
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()
    assert capsys.readouterr().err == swiftly  # the account


@pytest.mark.parametrize("form", ["arrow", "parquet"])
@pytest.mark.parametrize("options", [(), ("--raw", "--trace")], ids=str)
def test_tables_through_columns_are_the_same(
    form: str,
    options: tuple[str, ...],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    (tmp_path / "log").write_bytes(capture(PLOVER, 1200, 2))
    monkeypatch.setattr(sources, "LARGE", 0)
    arguments = ["decode", PLOVER, str(tmp_path / "log"), *options, "-o"]
    assert main([*arguments, str(tmp_path / f"a.{form}")]) == 1
    swiftly = capsys.readouterr().err
    with one_by_one(monkeypatch):
        assert main([*arguments, str(tmp_path / f"b.{form}")]) == 1
    assert capsys.readouterr().err == swiftly
    read = parquet.read_table if form == "parquet" else lambda path: ipc.open_file(path).read_all()
    assert read(tmp_path / f"a.{form}").equals(read(tmp_path / f"b.{form}"), check_metadata=True)


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_several_schemas_through_columns_write_the_same_files(
    form: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "log").write_bytes(
        b"".join(capture(schema, 300, seed) for seed, schema in enumerate((PLOVER, HERON, PLOVER)))
    )
    monkeypatch.setattr(sources, "LARGE", 0)
    monkeypatch.setattr(swift, "RUN", 4)
    blocks: list[str] = []
    put = flow.put_block

    def noted(block: swift.Block, *rest: Any) -> None:
        blocks.append(block.frame)
        put(block, *rest)

    monkeypatch.setattr(flow, "put_block", noted)
    arguments = ["decode", PLOVER, HERON, str(tmp_path / "log"), "--raw", "-o"]
    said = []
    for name in "ab":
        (tmp_path / name).mkdir()
        assert main([*arguments, str(tmp_path / name / f"x.{form}")]) == 1
        said.append(capsys.readouterr().err.replace(f"/{name}/", "/"))
        monkeypatch.setattr(sources, "LARGE", 1 << 40)
    files = [{path.name: path for path in (tmp_path / name).iterdir()} for name in "ab"]
    assert {"plover.sounding", "heron.housekeeping"} <= set(blocks) and said[0] == said[1]
    assert files[0].keys() == files[1].keys() and len(files[0]) >= 2
    for name, path in files[0].items():
        if form == "csv":
            assert path.read_bytes() == files[1][name].read_bytes()
        else:
            assert parquet.read_table(path).equals(parquet.read_table(files[1][name]), check_metadata=True)


def test_frames_that_another_team_may_claim_are_never_blocks() -> None:
    text = """mission: {}
frames:
  only: {{fields: [{{name: a, bits: 8}}, {{name: check, kind: check, algorithm: {}}}]}}
"""
    both = teams(
        [
            (one, packetkit.parse(text.format(one, f"CRC-8/{kind}")))
            for one, kind in (("m", "SMBUS"), ("n", "NRSC-5"))
        ]
    )
    assert swift.able(both.frames, both.owners) == {}
    assert list(swift.able(both.missions["m"].frames)) == ["only"]


def test_a_large_capture_goes_through_columns(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    frame = packetkit.load(PLOVER).frame()
    data = frame.encode(draw.record(frame.layout, Random(3)))
    (tmp_path / "log").write_bytes(data * (sources.LARGE // len(data) + 1))

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("the reader was asked for what columns have")

    monkeypatch.setattr(stream.Reader, "feed", refuse)
    assert main(["decode", PLOVER, str(tmp_path / "log"), "-o", str(tmp_path / "x.csv")]) == 0
    assert "Good frames: 8,739." in capsys.readouterr().err


def test_an_interruption_comes_between_blocks_and_keeps_what_was_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    frame = packetkit.load(PLOVER).frame()
    data = frame.encode(draw.record(frame.layout, Random(3)))
    (tmp_path / "log").write_bytes(data * 10_000)
    monkeypatch.setattr(swift, "CHUNK", 30 * 1000)
    put, blocks = flow.put_block, []

    def interrupted(*given: object) -> None:
        put(*given)  # type: ignore[arg-type]
        blocks.append(given)
        if len(blocks) == 3:
            raise KeyboardInterrupt

    monkeypatch.setattr(flow, "put_block", interrupted)
    assert main(["decode", PLOVER, str(tmp_path / "log"), "-o", str(tmp_path / "x.csv")]) == 130
    assert len((tmp_path / "x.csv").read_text().splitlines()) == 1 + 3000
    assert "Stopped at byte 90,000" in capsys.readouterr().err


@pytest.mark.parametrize("form", ["csv", "jsonl", "sqlite"])
def test_an_interruption_comes_when_a_frame_is_written_and_counted(
    form: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    frame = packetkit.load(PLOVER).frame()
    (tmp_path / "log").write_bytes(frame.encode(draw.record(frame.layout, Random(3))) * 10)
    add, seen = Account.add, []

    def interrupted(account: Account, event: stream.Event) -> None:
        seen.append(event)
        if len(seen) == 3:
            signal.raise_signal(signal.SIGINT)
        add(account, event)

    monkeypatch.setattr(Account, "add", interrupted)
    target = tmp_path / f"x.{form}"
    assert main(["decode", PLOVER, str(tmp_path / "log"), "-o", str(target)]) == 130
    assert "Stopped at byte 90:" in capsys.readouterr().err
    if form == "sqlite":
        with closing(sqlite3.connect(target)) as database:
            assert database.execute("SELECT count(*) FROM sounding").fetchall() == [(3,)]
    else:
        assert len(target.read_text().splitlines()) == 3 + (form == "csv")
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_a_second_interruption_comes_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    frame = packetkit.load(PLOVER).frame()
    (tmp_path / "log").write_bytes(frame.encode(draw.record(frame.layout, Random(3))) * 10)

    def blocked(_: Account, __: stream.Event) -> None:
        signal.raise_signal(signal.SIGINT)
        signal.raise_signal(signal.SIGINT)
        raise AssertionError("nobody can stop this")

    monkeypatch.setattr(Account, "add", blocked)
    assert main(["decode", PLOVER, str(tmp_path / "log"), "--format", "jsonl"]) == 130
    assert "Nothing was read." in capsys.readouterr().err
