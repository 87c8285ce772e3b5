"""The day plan: every command on the page is run as it stands, and shows what the page says; what is refused."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sysconfig
from pathlib import Path

import jsonschema
import pytest

from packetkit.cli.day import c_place, files_of
from packetkit.cli.main import main
from packetkit.lab import day
from packetkit.lab.experiment import LabError
from packetkit.mission.load import parse
from packetkit.resources import resource

# Invented: every kind of place that a value can have in C.
SEDGE = """
mission: sedge
frames:
  report:
    cadence_s: 5
    fields:
      - {name: sequence, bits: 16, role: sequence}
      - {name: mode, bits: 3, states: {0: idle, 1: survey}}
      - {name: switches, flags: [heater_on, beacon_on]}
      - name: power
        group:
          - {name: cell_voltage, minimum: 2.5, maximum: 4.3, resolution: 0.02, unit: V, missing: true}
      - {name: readings, repeat: 2, bits: 12, signed: true, scale: 1/16, unit: uT}
      - name: air
        repeat: 2
        group:
          - {name: temperature, minimum: -60, maximum: 85, resolution: 0.1, unit: Cel, missing: true}
      - {kind: reserved, up_to: byte}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
link: {chirp: {spreading_factor: 9, bandwidth_khz: 125, frequency_mhz: 434.6}}
"""
SCHEMA = json.loads((Path(__file__).parents[1] / "documents" / "json" / "day.schema.json").read_text())
BLOCK = re.compile(r"```sh\n(?P<command>[^\n]*)\n```\n(?:\n" + day.TITLES["en"][2] + r": (?P<see>[^\n]*)\n)?")


def plain(text: str) -> str:
    """What a reader sees of a line of Markdown."""
    return re.sub(r"\\(.)", r"\1", text)


def walked(place: Path, page: str) -> list[str]:
    """Run the page's commands one after another; return what each printed."""
    path = os.pathsep.join([sysconfig.get_path("scripts"), os.environ.get("PATH", "")])
    printed = []
    for block in BLOCK.finditer(page):
        command, _, status = block["command"].partition("  # exit status ")
        done = subprocess.run(
            ["bash", "-e", "-u", "-o", "pipefail", "-c", command],
            cwd=place,
            env={**os.environ, "PATH": path, "COLUMNS": "80", "PYTHONIOENCODING": "utf-8"},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            encoding="utf-8",
            timeout=100,
            check=False,
        )
        assert done.returncode == int(status or 0), f"$ {command}\n{done.stdout}"
        see = plain(block["see"] or "")
        assert see in done.stdout, f"$ {command}\nprinted, without {see!r}:\n{done.stdout}"
        printed.append(done.stdout)
    return printed


@pytest.mark.slow
def test_every_command_of_the_day_runs_and_three_levels_print_the_same_bytes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "sedge.yaml").write_text(SEDGE)
    assert main(["day", str(tmp_path / "sedge.yaml"), "-o", str(tmp_path), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    jsonschema.validate(found, SCHEMA)
    assert found["frame"] == "report"
    page = (tmp_path / "day.md").read_text(encoding="utf-8")
    printed = walked(tmp_path, page)
    assert len(printed) == sum(len(step.commands) for step in day.DAYS["en"] if step.needs != day.HOST)
    (hexadecimal,) = set(re.findall(r"^You see: ((?:[0-9a-f]{2} ?){8,})$", page, re.MULTILINE))
    assert sum(text.strip() == hexadecimal for text in printed) == 3


def test_a_command_that_shows_something_else_is_seen(tmp_path: Path) -> None:
    good = "```sh\necho one\n```\n\nYou see: one\n\n```sh\nfalse  # exit status 1\n```\n"
    assert walked(tmp_path, good) == ["one\n", ""]
    for bad in ("```sh\necho one\n```\n\nYou see: two\n", "```sh\nfalse\n```\n"):
        with pytest.raises(AssertionError):
            walked(tmp_path, bad)


def test_a_mission_without_a_radio_has_a_day_without_one() -> None:
    mission = parse(resource("schemas/first-light.yaml").read_bytes(), "first-light.yaml")
    page = files_of(mission, "beacon", "first-light.yaml", 1)["day.md"]
    assert "packetkit settings" not in page and "packetkit airtime" not in page
    assert "Go or no-go" in page and "{" not in page


def statuses(page: str) -> list[int]:
    """Run the page's commands in this process; each ends as the page says."""
    found = []
    for block in BLOCK.finditer(page):
        command, _, status = block["command"].partition("  # exit status ")
        assert main(shlex.split(command)[1:]) == int(status or 0)
        found.append(int(status or 0))
    return found


GUEST = """
mission: guest
frames:
  report:
    cadence_s: CADENCE
    fields:
      - {name: sequence, bits: 8, role: sequence}
      - {name: level, bits: 32}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
passes: {host: {messages_per_day: 12, message_bytes: 50}}
"""


@pytest.mark.parametrize(("cadence", "status"), [(60, 1), (3600, 0)])
def test_a_host_s_guest_has_a_day_that_can_end_in_go(
    cadence: int, status: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # 12 messages of 50 bytes are 600 bytes a day; 7 bytes every minute are 10,080, every hour 168.
    text = GUEST.replace("CADENCE", str(cadence))
    (tmp_path / "guest.yaml").write_text(text, encoding="utf-8")
    page = files_of(parse(text, "guest.yaml"), "report", "guest.yaml", 1)["day.md"]
    for word in ("antenna", "radio", "distance", "spectrum", "same settings", "packetkit budget"):
        assert word not in page.lower()
    assert "[ ] What is measured in a day fits into the host's quota." in plain(page)
    step = page[page.index("## 14:15") : page.index("## 14:30")]
    monkeypatch.chdir(tmp_path)
    assert statuses(step) == [0, status]


@pytest.mark.parametrize(
    ("passes", "words"),
    [
        ("{altitude_km: 500, minimum_elevation_deg: 5}", "what a pass of 7 min 16 s brings"),
        ("{rocket: {apogee_km: 3, downrange_km: 1.5}}", "what a flight that is heard for 50 s brings"),
        ("{duration_s: 600}", "what a pass of 10 min 00 s brings"),
        ("", "what a pass of 10 min 00 s brings"),
    ],
)
def test_the_day_counts_with_the_schema_s_own_passes(
    passes: str, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # An orbit's mean pass as `packetkit budget` says it. 3 km up and back: 2 * sqrt(2 * 3000 / 9.797), g half way up: 49.5 s.
    text = SEDGE + (f"passes: {passes}\n" if passes else "")
    (tmp_path / "sedge.yaml").write_text(text, encoding="utf-8")
    page = files_of(parse(text, "sedge.yaml"), "report", "sedge.yaml", 1)["day.md"]
    assert words in page and ("--duration-s 600" in page) == (not passes)
    monkeypatch.chdir(tmp_path)
    assert statuses(page[page.index("## 14:00") : page.index("## 14:30")]) == [0, 0]


def test_places_in_c_follow_the_record() -> None:
    assert c_place(("power", "cell_voltage")) == ".power.cell_voltage"
    assert c_place(("readings", 2, "field_x")) == ".readings[2].field_x"


def test_frames_that_the_day_cannot_begin_with_are_refused() -> None:
    heron = parse(resource("schemas/heron.yaml").read_bytes(), "heron.yaml")
    with pytest.raises(LabError, match="survey is of no fixed size") as told:
        day.flat_frame(heron, "survey")
    assert str(told.value).endswith("the day can be made with housekeeping, spectrum")
    with pytest.raises(LabError, match="nobody is no frame of it"):
        day.flat_frame(heron, "nobody")
    text = "mission: odd\nframes:\n  only:\n    fields:\n      - {name: words, kind: text, length: rest}\n"
    with pytest.raises(LabError, match="odd has no frame of fixed size that holds numbers only"):
        day.flat_frame(parse(text, "odd.yaml"))


def test_the_schema_may_stand_where_the_day_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    schema = tmp_path / "plover.yaml"
    schema.write_bytes(resource("schemas/plover.yaml").read_bytes())
    assert main(["day", str(schema), "-o", str(tmp_path)]) == 0
    assert schema.read_bytes() == resource("schemas/plover.yaml").read_bytes()
    assert "plover.yaml\n" not in capsys.readouterr().out and (tmp_path / "day.html").exists()
    assert main(["day", str(schema), "-o", str(schema)]) == 2
    assert "is a file; name a directory" in capsys.readouterr().err


def test_every_step_says_when_what_and_how() -> None:
    for language, steps in day.DAYS.items():
        assert language in day.TITLES
        assert all(re.fullmatch(r"\d\d:\d\d", step.time) and step.title and step.words for step in steps)
        assert [step.time for step in steps] == sorted(step.time for step in steps)
