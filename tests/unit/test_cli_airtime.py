"""`packetkit airtime` as a user meets it: figures, words, exit statuses, JSON that keeps its keys."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from packetkit.cli import airtime
from packetkit.cli.main import main
from packetkit.radio import CAUTION, modems

SF10 = ("--spreading-factor", "10", "--bandwidth-khz", "125")

DOCUMENT = json.loads((Path(__file__).parents[1] / "documents" / "json" / "airtime.schema.json").read_text())


def document(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> dict[str, Any]:
    """Return the JSON document that the command writes, held by its schema."""
    assert main(["airtime", *arguments, "--json"]) == status
    caught = capsys.readouterr()
    assert caught.err == ""
    written: dict[str, Any] = json.loads(caught.out)
    jsonschema.validate(written, DOCUMENT)
    return written


def text(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> str:
    assert main(["airtime", *arguments]) == status
    return capsys.readouterr().out


def refusal(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """Return what misuse is told, having seen that nothing else was written."""
    assert main(["airtime", *arguments]) == 2
    caught = capsys.readouterr()
    assert caught.out == ""
    return caught.err


def test_the_json_has_the_published_time_on_air(capsys: pytest.CaptureFixture[str]) -> None:
    # Largest payload at SF10 under the 400 ms dwell of RP002 (AS923); time by the SX1276 data sheet, p. 31.
    written = document(capsys, "--bytes", "24", *SF10)
    assert written["time_on_air_ms"] == 370.688
    assert written["symbol_ms"] == 8.192
    assert written["payload_symbols"] == 33
    assert written["low_data_rate"] is False
    assert (written["fit_ms"], written["largest_payload_bytes"], written["fits"]) == (None, None, None)


def test_the_longest_payload_within_a_time_is_found_with_and_without_a_length(
    capsys: pytest.CaptureFixture[str],
) -> None:
    alone = document(capsys, "--fit-ms", "400", *SF10)
    assert (alone["largest_payload_bytes"], alone["payload_bytes"], alone["fits"]) == (24, 24, True)
    shorter = document(capsys, "--fit-ms", "400", "--bytes", "7", *SF10)
    assert (shorter["largest_payload_bytes"], shorter["payload_bytes"], shorter["fits"]) == (24, 7, True)
    assert "At most 24 bytes fit into 400 ms; this packet of 24 bytes leaves 29.312 ms." in text(
        capsys, "--fit-ms", "400", *SF10
    )


def test_a_packet_over_its_limit_is_a_finding(capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ("--bytes", "25", "--fit-ms", "400", *SF10)
    assert document(capsys, *arguments, status=1)["fits"] is False
    shown = text(capsys, *arguments, status=1)
    assert "At most 24 bytes fit into 400 ms: this packet lasts 11.648 ms too long." in shown


def test_a_time_that_no_packet_keeps_is_a_finding(capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ("--fit-ms", "100.5", *SF10)
    written = document(capsys, *arguments, status=1)
    assert (written["largest_payload_bytes"], written["payload_bytes"], written["fits"]) == (None, 0, False)
    shown = text(capsys, *arguments, status=1)
    assert "Nothing fits into 100.5 ms: even an empty packet lasts 206.848 ms." in shown


def test_every_flag_reaches_the_setting(capsys: pytest.CaptureFixture[str]) -> None:
    flags = (
        *("--bytes", "13", "--spreading-factor", "8", "--bandwidth-khz", "7.8", "--coding-rate", "4/7"),
        *("--preamble-symbols", "16", "--implicit-header", "--no-crc", "--low-data-rate", "off"),
        *("--modem", "SX127x"),
    )
    assert document(capsys, *flags)["setting"] == {
        "modem": "sx127x",
        "spreading_factor": 8,
        "bandwidth_khz": 7.8125,
        "coding_rate": "4/7",
        "preamble_symbols": 16,
        "explicit_header": False,
        "crc": False,
        "low_data_rate": "off",
    }
    usual = document(capsys, "--bytes", "13", "--spreading-factor", "8", "--bandwidth-khz", "7.8")
    assert usual["setting"]["coding_rate"] == "4/5"
    assert usual["low_data_rate"] is True


def test_each_flag_changes_the_time(capsys: pytest.CaptureFixture[str]) -> None:
    # 44 bits beside the first block, just over one block of 40: any bits fewer, or a larger block, save one.
    plain = ("--bytes", "6", "--spreading-factor", "12", "--bandwidth-khz", "125")
    usual = document(capsys, *plain)["time_on_air_ms"]
    for flag in (
        ("--coding-rate", "4/8"),
        ("--preamble-symbols", "9"),
        ("--implicit-header",),
        ("--no-crc",),
        ("--low-data-rate", "off"),
    ):
        assert document(capsys, *plain, *flag)["time_on_air_ms"] != usual, flag
    small = ("--bytes", "20", "--spreading-factor", "6", "--bandwidth-khz", "125", "--implicit-header")
    old, new = (document(capsys, *small, "--modem", name)["time_on_air_ms"] for name in modems.MODEMS)
    assert old != new


def test_the_display_shows_result_steps_staircase_and_one_caution_in_80_columns(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    shown = text(capsys, "--bytes", "20", *SF10)
    assert shown.startswith(
        "20 bytes: 370.688 ms on the air\nSF10, 125 kHz, 4/5, preamble 8, explicit header"
    )
    assert "blocks             164 / 40, rounded up               5\n" in shown
    assert "time on air        (12.25 + 33) x 8.192 ms            370.688 ms\n" in shown
    assert "\n4 more bytes are free; one less saves 41 ms.\n" in shown
    rows = [line for line in shown.splitlines() if " to " in line and "█" in line]
    assert [row.split("ms")[0].split() for row in rows] == [
        ["10", "to", "14", "288.768"],
        ["15", "to", "19", "329.728"],
        ["20", "to", "24", "370.688"],
        ["25", "to", "29", "411.648"],
        ["30", "to", "34", "452.608"],
    ]
    assert [row.endswith(" here") for row in rows] == [False, False, True, False, False]
    assert " ".join(shown.split()).count(CAUTION) == 1
    assert max(map(len, shown.splitlines())) <= 80


@pytest.mark.parametrize("length", ["0", "255"])
def test_the_staircase_is_drawn_at_both_of_its_ends(length: str, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [line for line in text(capsys, "--bytes", length, *SF10).splitlines() if "█" in line]
    assert len(rows) == airtime.STEPS_BESIDE + 1
    assert (rows[0] if length == "0" else rows[-1]).endswith(" here")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            ("--bytes", "256", *SF10),
            "--bytes: a packet carries 0 to 255 payload bytes, not 256; shorten the frame",
        ),
        (("--bytes", "-1", *SF10), "--bytes: a packet carries 0 to 255 payload bytes, not -1"),
        (
            ("--bytes", "9", "--spreading-factor", "5", "--bandwidth-khz", "125", "--modem", "sx127x"),
            "--spreading-factor: 5 does not exist on sx127x, which has SF6 to SF12; use 6, or modem sx126x",
        ),
        (
            ("--bytes", "9", "--spreading-factor", "6", "--bandwidth-khz", "125", "--modem", "sx127x"),
            "--implicit-header: sx127x sends SF6 with an implicit header only",
        ),
        (
            ("--bytes", "9", "--spreading-factor", "9", "--bandwidth-khz", "100"),
            "--bandwidth-khz: 100 kHz is not a bandwidth of these modems, which have 7.8125, 10.417,",
        ),
        (
            ("--fit-ms", "0", *SF10),
            "--fit-ms: '0' is not a time above 0; write milliseconds, for example 400",
        ),
        (("--fit-ms", "400ms", *SF10), "--fit-ms: '400ms' is not a time above 0"),
        (SF10, "nothing to work out: give --bytes N, --fit-ms MS, or both"),
        (("--bytes", "9", "--spreading-factor", "9"), "Missing option '--bandwidth-khz'"),
    ],
    ids=lambda value: value[:30] if isinstance(value, str) else "",
)
def test_an_impossible_call_is_refused_with_the_reason(
    arguments: tuple[str, ...], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert message in refusal(capsys, *arguments)


def test_all_that_is_wrong_is_told_in_one_run(capsys: pytest.CaptureFixture[str]) -> None:
    wrong = ("--bytes", "300", "--spreading-factor", "4", "--bandwidth-khz", "1", "--coding-rate", "9")
    said = refusal(capsys, *wrong, "--fit-ms", "x")
    assert [line.split(":")[0].strip() for line in said.splitlines()] == [
        "packetkit airtime",
        "--spreading-factor",
        "--bandwidth-khz",
        "--coding-rate",
        "--bytes",
        "--fit-ms",
    ]


def test_the_result_goes_to_a_file_where_one_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for flags, name in (((), "airtime.txt"), (("--json",), "airtime.json")):
        assert main(["airtime", "--bytes", "24", *SF10, *flags, "-o", str(tmp_path / name)]) == 0
    assert capsys.readouterr().out == ""
    assert "370.688 ms on the air" in (tmp_path / "airtime.txt").read_text(encoding="utf-8")
    assert json.loads((tmp_path / "airtime.json").read_text(encoding="utf-8"))["time_on_air_ms"] == 370.688


@pytest.mark.parametrize("encoding", ["cp1252", "cp437", "ascii"])
def test_the_display_survives_an_old_terminal(encoding: str) -> None:
    environment = {**os.environ, "PYTHONIOENCODING": encoding, "COLUMNS": "80"}
    program = [sys.executable, "-m", "packetkit", "airtime", "--bytes", "20", *SF10]
    run = subprocess.run(program, env=environment, capture_output=True, check=False)
    assert (run.returncode, run.stderr) == (0, b"")
    bar = "█" if encoding == "cp437" else "#"
    assert f"329.728 ms  {bar * 29}" in run.stdout.decode(encoding)
