"""`packetkit identify` as a user meets it."""

from __future__ import annotations

import io
import json
from binascii import crc_hqx
from pathlib import Path
from random import Random

import jsonschema
import pytest

from packetkit.cli.main import main
from packetkit.mission.load import parse

SCHEMA = json.loads(
    (Path(__file__).resolve().parents[1] / "documents/json/identify.schema.json").read_text("utf-8")
)


def frames(count: int, order: str = "big") -> list[str]:
    chance = Random(6)
    data = [chance.randbytes(10) for _ in range(count)]
    return [(one + crc_hqx(one, 0xFFFF).to_bytes(2, order)).hex() for one in data]  # type: ignore[arg-type]


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    status = main(["identify", *arguments])
    told = capsys.readouterr()
    return status, told.out, told.err


def test_the_check_is_named_with_its_parameters_and_a_line_for_the_schema(
    capsys: pytest.CaptureFixture[str],
) -> None:
    status, out, _ = run(capsys, *frames(3, "little"))
    assert status == 0 and out.startswith("1. CRC-16/IBM-3740: 2 bytes, low byte first, at the end")
    assert all(
        len(line) <= 80 or "kind: check" in line for line in out.splitlines()
    )  # that one is to be pasted
    line = next(line for line in out.splitlines() if "kind: check" in line).strip()
    text = f"mission: m\nframes:\n  f:\n    fields:\n      - {{name: x, bits: 64}}\n      - {{name: y, bits: 16}}\n      {line}\n"
    frame = parse(text).frame()
    for one in frames(3, "little"):
        frame.decode(bytes.fromhex(one))


def test_the_document_holds_every_match(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = run(capsys, *frames(3), "--json")
    made = json.loads(out)
    jsonschema.validate(made, SCHEMA)
    assert status == 0 and made["matches"][0]["name"] == "CRC-16/IBM-3740" and made["lengths_bytes"] == [12]


def test_lines_of_a_file_or_of_standard_input_are_frames(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "good.hex"
    path.write_text("\n".join(frames(3)) + "\n\n", encoding="utf-8")
    expected = run(capsys, "--lines", str(path))
    assert expected[0] == 0
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(path.read_bytes())))
    assert run(capsys, "--lines", "-") == expected


def test_frames_without_a_check_end_with_findings(capsys: pytest.CaptureFixture[str]) -> None:
    chance = Random(1)
    status, out, _ = run(capsys, *(chance.randbytes(20).hex() for _ in range(5)))
    assert status == 1 and "No check found in 5 frames" in " ".join(out.split())


def test_misuse_is_told(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    cases: list[tuple[tuple[str, ...], str]] = [
        ((), "give frames in hexadecimal"),
        (("01", "--lines", "x"), "give frames in hexadecimal"),
        (("0102",), "1 frame to compare"),
        (("0102", "01 02"), "1 frame to compare"),
        (("0102", "01g2"), "frame 2: '01g2' is not hexadecimal"),
        (("00" * 5000, "01"), "frame 1: 5,000 bytes are more than one frame"),
        (("--lines", str(tmp_path / "none")), "no such file"),
    ]
    for arguments, words in cases:
        status, out, told = run(capsys, *arguments)
        assert status == 2 and words in told and not out, (arguments, told)
