"""`packetkit decode` of several files: each a capture of its own, one account over all; and the same to the byte, whoever decodes them."""

from __future__ import annotations

import gzip
import json
import os
import pickle
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import jsonschema
import pytest
from distributed import Client, LocalCluster

import packetkit
from packetkit.captures import swift
from packetkit.cli import crews, elsewhere, sources, written
from packetkit.cli.main import main
from packetkit.cli.wanted import Asking
from packetkit.cli.written import Target
from packetkit.conformance import draw
from packetkit.resources import resource
from packetkit.work.crew import Crew

SCHEMA = json.loads((Path(__file__).parents[1] / "documents/json/decode.schema.json").read_text())
HERON, PLOVER = str(resource("schemas/heron.yaml")), str(resource("schemas/plover.yaml"))
COUNTED = """mission: counted
frames:
  only:
    fields:
      - {name: marker, kind: sync, bits: 16, code: 0x51C3}
      - {name: sequence, bits: 8, role: sequence}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""


def numbered(*numbers: int) -> bytes:
    """Frames of COUNTED with these numbers."""
    frame = packetkit.parse(COUNTED).frame()
    return b"".join(frame.encode({"sequence": {"raw": number % 256}}) for number in numbers)


def capture(schema: str, rows: int, seed: int, first: int) -> bytes:
    """Frames whose numbers go on from `first`, of one kind and then of all; a few damaged, a few cut, junk between some."""
    chance, frames = Random(seed), list(packetkit.load(schema).frames.values())
    made = bytearray()
    for number in range(rows):
        frame = frames[0] if number < rows * 3 // 4 else chance.choice(frames)
        record = draw.record(frame.layout, chance)
        record["sequence"] = {"raw": (first + number) % 4096}
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


@pytest.fixture(scope="module")
def captures() -> list[bytes]:
    """Four files of heron, of which the third is packed."""
    made = [capture(HERON, 60, number, number * 60) for number in range(4)]
    return [gzip.compress(data) if number == 2 else data for number, data in enumerate(made)]


@pytest.fixture
def month(captures: list[bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of those files as a person in that directory writes them."""
    monkeypatch.chdir(tmp_path)
    for number, data in enumerate(captures):
        Path(f"{number}.bin").write_bytes(data)
    return [f"{number}.bin" for number in range(4)]


class Far(ThreadPoolExecutor):
    """Threads that are told, and give back, through pickles only, as other processes are."""

    def submit(self, function: Callable[..., Any], /, *given: Any, **named: Any) -> Future[Any]:
        told = pickle.dumps((function, given))

        def done() -> Any:
            here, arguments = pickle.loads(told)
            return pickle.loads(pickle.dumps(here(*arguments)))

        return super().submit(done)


@contextmanager
def others(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Everything is decoded as other processes do it."""
    with monkeypatch.context() as patch, Far(2) as pool:

        @contextmanager
        def crew_of(*_: object) -> Iterator[Crew]:
            yield Crew(2, executor=pool)

        patch.setattr(crews, "crew_of", crew_of)
        yield


# -- several files are one course -------------------------------------------------------------------


def test_what_counters_tell_goes_on_from_file_to_file_and_offsets_begin_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    # Worked by hand: 250 to 255, the wrap, 0 and 1; 2, 3 and 4 missing between the files; 5 twice, the second one in the next file.
    monkeypatch.chdir(tmp_path)
    Path("counted.yaml").write_text(COUNTED)
    for name, numbers in (("a", range(250, 258)), ("b", range(261, 264)), ("c", [263, 264])):
        Path(name).write_bytes(numbered(*numbers))
    assert main(["decode", "counted.yaml", "a", "b", "c", "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    jsonschema.validate(found, SCHEMA)
    (told,) = found["continuity"]
    assert (told["missing_frames"], told["duplicates"], told["wraps"]) == (3, 1, 1)
    assert (told["longest_gap_frames"], told["longest_gap_after_file"], told["longest_gap_after_offset"]) == (
        3,
        "a",
        7 * 5,
    )
    assert [(one["file"], one["offset"]) for one in found["frames"][7:9]] == [("a", 35), ("b", 0)]
    assert [(one["file"], one["size_bytes"], one["good_frames"]) for one in found["files"]] == [
        ("a", 40, 8),
        ("b", 15, 3),
        ("c", 10, 2),
    ]


def test_a_frame_does_not_go_on_in_the_next_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("counted.yaml").write_text(COUNTED)
    data = numbered(1, 2)
    Path("a").write_bytes(data[:7])
    Path("b").write_bytes(data[7:])
    assert main(["decode", "counted.yaml", "a", "b", "--format", "csv"]) == 1
    told = capsys.readouterr()
    assert [line.split(",")[:5] for line in told.out.splitlines()[1:]] == [
        ["only", "0", "true", "", "a"],
        ["only", "5", "false", "truncated", "a"],
    ]
    assert "Skipped: 3 bytes in 1 range, at 0 to 2 of b." in told.err


def test_a_person_sees_which_file_rows_are_of_and_what_each_held(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("counted.yaml").write_text(COUNTED)
    for number in range(25):
        Path(f"{number:02}").write_bytes(numbered(number) + b"\x55" * (number == 24))
    assert main(["decode", "counted.yaml", *(f"{number:02}" for number in range(25))]) == 1
    told = capsys.readouterr().out
    assert told.startswith("00\noffset  sequence\n──────  ────────\n     0         0\n\n01\noffset")
    assert "Read 25 files (25 as binary): 126 bytes." in told
    rows = told[told.index("\nfile") :].splitlines()[1:5]
    assert rows[0].split() == ["file", "size", "good", "failed", "skipped"]
    assert rows[2:] == [
        "24       6     1       0        1",
        "24 files more, 0 of them with failed frames or skipped bytes.",
    ]


def test_every_input_that_cannot_be_read_is_named_before_any_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("counted.yaml").write_text(COUNTED)
    Path("good").write_bytes(numbered(1))
    Path("place").mkdir()
    assert main(["decode", "counted.yaml", "good", "missing", "place", "--format", "csv"]) == 2
    told = capsys.readouterr()
    assert (
        not told.out
        and "missing: there is no such file" in told.err
        and "place: this is a directory" in told.err
    )


def test_what_does_not_go_with_several_files_is_refused_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("counted.yaml").write_text(COUNTED)
    Path("a").write_bytes(numbered(1))
    cases = {
        ("a", "a", "--follow", "--from", "binary"): "waits at one input",
        ("a", "counted.yaml"): "schemas stand before the inputs",
        ("a", "-", "--cluster", "tcp://127.0.0.1:1"): "standard input: --cluster decodes files",
        ("--text", "00", "--cluster", "x"): "--cluster decodes files, and --text is none",
        ("a", "--cluster", "x", "--workers", "2"): "give one of them",
        ("a", "--cluster", "nowhere"): "no scheduler answers",
        ("a", "a", "--spool", "nowhere"): "--spool: nowhere is no directory",
    }
    for given, said in cases.items():
        assert main(["decode", "counted.yaml", *given]) == 2
        assert said in " ".join(capsys.readouterr().err.split())


# -- whoever decodes them ---------------------------------------------------------------------------

# What is written, and whether parts go through files and frames through columns.
WAYS = [
    (("a.csv",), False, False),
    (("a.csv", "--raw", "--format", "csv-semicolon"), True, True),
    (("a.jsonl", "--salvage"), True, False),
    (("a.txt",), False, False),
    (("a.parquet",), True, False),
    (("a.arrow", "--raw"), False, True),
    (("a.sqlite",), False, False),
    (("a.csv", "--every", "30d"), False, False),
]


@pytest.mark.parametrize(("output", "by_files", "by_columns"), WAYS, ids=str)
def test_it_is_the_same_to_the_byte(
    output: tuple[str, ...],
    by_files: bool,
    by_columns: bool,
    month: list[str],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    if by_columns:
        monkeypatch.setattr(sources, "LARGE", 0)
        monkeypatch.setattr(swift, "RUN", 4)
    monkeypatch.setattr(elsewhere, "TEXT", 4_000)
    monkeypatch.setattr(elsewhere, "EVENTS", 50)
    name, *options = output
    arguments = ["decode", HERON, *month, *options, "-o", name]
    made = []
    for is_elsewhere in (False, True):
        if is_elsewhere:
            Path("spool").mkdir()
            with others(monkeypatch):
                status = main([*arguments, *(["--spool", "spool"] if by_files else [])])
            assert not list(Path("spool").iterdir())
        else:
            status = main([*arguments, "--workers", "1"])
        files = {path.name: path.read_bytes() for path in Path().glob("a*")}
        made.append((status, files, capsys.readouterr()))
        for path in files:
            Path(path).unlink()
    assert made[0][0] == 1 and made[0] == made[1]


def test_a_picture_and_lists_without_bound_ask_others_for_events(tmp_path: Path) -> None:
    asking = Asking(((HERON, Path(HERON).read_bytes()),))
    target = Target("csv", str(tmp_path / "a.csv"))
    with written.opened(asking.wanted(), target) as out:
        assert elsewhere.order_of(out, target, is_drawn=False).target is not None
        assert elsewhere.order_of(out, target, is_drawn=True).target is None


@pytest.mark.parametrize("form", ["lines", "bits"])
def test_it_is_the_same_of_logs_with_signals_and_of_bits(
    form: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("counted.yaml").write_text(COUNTED)
    chance = Random(7)
    for name in "abc":
        frames = [numbered(number) for number in range(60) if chance.random() < 0.7]
        if form == "lines":
            said = "start\n" + "".join(
                f"rssi=-{chance.randrange(70, 120)} data={one.hex()}\n" for one in frames
            )
        else:
            said = "0110" + "".join(format(int.from_bytes(one, "big"), "040b") for one in frames)
        Path(name).write_text(said)
    arguments = ["decode", "counted.yaml", "a", "b", "c", "--from", form, "--json"]
    alone = main(arguments), capsys.readouterr()
    with others(monkeypatch):
        assert (main(arguments), capsys.readouterr()) == alone
    assert alone[0] == (0 if form == "lines" else 1)


def test_an_input_that_says_no_is_named_and_comes_where_it_would(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("counted.yaml").write_text(COUNTED)
    for name, text in {"a": "0101", "b": "012", "c": "01"}.items():
        Path(name).write_text(text)
    arguments = ["decode", "counted.yaml", "a", "b", "c", "--from", "bits", "--format", "jsonl"]
    alone = main(arguments), capsys.readouterr()
    with others(monkeypatch):
        assert (main(arguments), capsys.readouterr()) == alone
    assert alone[0] == 2 and "b: offset 2: 0x32 is no bit" in alone[1].err


def test_an_interruption_keeps_whole_files_and_says_where_it_came(
    month: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    decode, seen = elsewhere.parcels, []

    def interrupted(*given: Any) -> Iterator[Any]:
        seen.append(given)
        if len(seen) == 3:
            raise KeyboardInterrupt
        return decode(*given)

    monkeypatch.setattr(elsewhere, "parcels", interrupted)
    with others(monkeypatch):
        assert main(["decode", HERON, *month, "-o", "a.csv"]) == 130
    assert "of 1.bin: what comes after it was not decoded, nor 2 more files." in " ".join(
        capsys.readouterr().err.split()
    )
    assert main(["decode", HERON, *month[:2], "-o", "b.csv"]) == 1
    assert Path("a.csv").read_bytes() == Path("b.csv").read_bytes()


def test_a_worker_that_cannot_read_a_file_or_sees_another_one_says_so_with_its_name(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(numbered(1))
    asking = Asking((("counted.yaml", COUNTED.encode()),))
    job = elsewhere.Job(str(tmp_path / "a"), "a", 6, asking, None, sources.Reading(), is_far=True)
    order = elsewhere.Order(False, False, False, None)
    for path, said in {
        "b": "there is no such file",
        "a": "a: this file has 5 bytes, and where it was named it has 6",
    }.items():
        (end,) = elsewhere.parcels(
            elsewhere.decode(replace(job, path=str(tmp_path / path)), order), asking.wanted()
        )
        assert isinstance(end, elsewhere.End) and said in end.problem
        assert f"on the worker at {socket.gethostname()}" in end.problem
    with pytest.raises(packetkit.InputError, match="cannot be written to on the worker"):
        elsewhere.decode(replace(job, spool=str(tmp_path / "gone")), order)


# -- who is lost ------------------------------------------------------------------------------------


def test_a_process_that_is_killed_loses_nothing_and_one_piece_that_kills_all_is_given_up(
    tmp_path: Path,
) -> None:
    # Expressions, because a process that knows a function of this file would first import it.
    mark = str(tmp_path / "ended")
    here = f"(lambda os: os.path.exists({mark!r}) or (os.mkdir({mark!r}), os.kill(os.getpid(), 9)))(__import__('os')) and 3"
    pieces = [(here if number == 3 else str(number),) for number in range(8)]
    assert list(Crew(2).in_order(eval, pieces)) == list(range(8))
    assert Path(mark).exists()
    with pytest.raises(packetkit.InputError, match="processes ended 3 times"):
        list(Crew(1).in_order(os._exit, [(1,)]))


def test_a_worker_of_a_cluster_that_is_killed_loses_nothing(
    month: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    many = [*month, *month, *month]
    assert main(["decode", HERON, *many, "-o", "a.csv", "--workers", "1"]) == 1
    alone = capsys.readouterr()
    killed: list[str] = []
    over = threading.Event()
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as local:
        address = local.scheduler_address

        def kill() -> None:
            """End the first worker that has a piece: the first pieces take long, as a worker imports all it needs with them."""
            with Client(address, set_as_default=False) as client:
                pids = client.run(os.getpid)
                while not killed and not over.is_set():
                    busy = [where for where, pieces in client.processing().items() if pieces]
                    if busy:
                        os.kill(pids[busy[0]], signal.SIGKILL)
                        killed.append(busy[0])
                    time.sleep(0.01)

        killer = threading.Thread(target=kill)
        killer.start()
        assert main(["decode", HERON, *many, "-o", "b.csv", "--cluster", address]) == 1
        over.set()
        killer.join()
        assert killed and capsys.readouterr() == alone
        assert Path("a.csv").read_bytes() == Path("b.csv").read_bytes()
