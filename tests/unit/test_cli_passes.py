"""`packetkit passes` as a user meets it: every way a schema says when the ground can listen."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import packetkit
from packetkit.cli.main import main
from packetkit.mission.passes import window_of
from packetkit.mission.plan import sweep
from packetkit.passes import geometry
from packetkit.radio import CAUTION
from packetkit.resources import resource

HERON = str(resource("schemas/heron.yaml"))
SCHEMA = json.loads((Path(__file__).parents[1] / "documents" / "json" / "passes.schema.json").read_text())
# Invented; the elements are those published in the documentation of the Skyfield library.
HEAD = """
mission: lapwing
frames:
  beacon:
    fields:
      - {name: counter, bits: 8}
link:
  chirp: {spreading_factor: 10, bandwidth_khz: 125, frequency_mhz: 437.2}
  unit: {power_dbm: 20}
  ground: {antenna_gain_dbi: 12}
passes:
"""
WAYS = {
    "orbit": "  {altitude_km: 510, minimum_elevation_deg: 10, per_day: 4}\n",
    "elements": """
  elements:
    line_1: "1 25544U 98067A   14020.93268519  .00009878  00000-0  18200-3 0  5082"
    line_2: "2 25544  51.6498 109.4756 0003572  55.9686 274.8005 15.49815350868473"
  site: {latitude_deg: 40.8939, longitude_deg: -83.8917}
  minimum_elevation_deg: 30
""",
    "balloon": "  {balloon: {burst_altitude_km: 30, ascent_m_per_s: 5, descent_m_per_s: 6, drift_m_per_s: 20}}\n",
    "rocket": "  {rocket: {apogee_km: 2, downrange_km: 1, parachute_altitude_km: 0.5, descent_m_per_s: 6}}\n",
    "distance": "  {distance_km: 5, duration_s: 600, per_day: 2}\n",
    "duration": "  {duration_s: 600}\n",
    "host": "  {host: {messages_per_day: 10, message_bytes: 50}}\n",
}


def schema_of(way: str, place: Path) -> list[str]:
    path = place / f"{way}.yaml"
    path.write_text(HEAD + WAYS[way])
    return [str(path), *(["--from", "2014-01-23", "--days", "1"] if way == "elements" else [])]


def document(way: str, place: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    assert main(["passes", *schema_of(way, place), "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    jsonschema.validate(found, SCHEMA)
    assert found["kind"] == way
    return found


@pytest.mark.parametrize("way", WAYS)
def test_every_way_has_a_document_and_a_text_of_80_columns(
    way: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    document(way, tmp_path, capsys)
    monkeypatch.setenv("COLUMNS", "80")
    assert main(["passes", *schema_of(way, tmp_path)]) == 0
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 80
    assert " ".join(text.split()).count(CAUTION) == 1
    assert "No margin" not in text


def test_an_orbit_shows_passes_from_overhead_to_the_edge(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = document("orbit", tmp_path, capsys)
    first = found["passes"][0]
    assert first["highest_deg"] == pytest.approx(90) and first["nearest_km"] == pytest.approx(510)
    assert first["duration_s"] == pytest.approx(geometry.overhead_pass_s(510, 10))
    assert [one["margin_best_db"] for one in found["passes"]] == sorted(
        (one["margin_best_db"] for one in found["passes"]), reverse=True
    )
    assert found["per_day"] == 4


def test_elements_show_the_published_passes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = document("elements", tmp_path, capsys)
    assert [one["rise"][:19] for one in found["passes"]] == ["2014-01-23T06:25:36", "2014-01-23T12:54:55"]
    assert found["total_s"] == pytest.approx(sum(one["duration_s"] for one in found["passes"]))
    assert found["warnings"] == []


def test_old_elements_are_warned_of(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (path, *_) = schema_of("elements", tmp_path)
    assert main(["passes", path, "--from", "2014-03-20", "--json"]) == 0
    (warning,) = json.loads(capsys.readouterr().out)["warnings"]
    assert "58 days" in warning and "1 to 3 km a day" in warning


def test_a_flight_is_heard_until_it_sets_behind_the_bent_horizon(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = document("balloon", tmp_path, capsys)
    assert found["total_s"] < 8287  # 6000 s up, 2287 s down; it lands behind the horizon
    assert found["moments"][-1]["height_km"] > 0.1
    first = found["moments"][0]
    assert first["distance_km"] == pytest.approx(
        (first["height_km"] ** 2 + first["ground_km"] ** 2) ** 0.5, rel=1e-3
    )


def test_a_host_has_its_bytes_a_day(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert document("host", tmp_path, capsys)["bytes_per_day"] == 500


@pytest.mark.parametrize(
    ("way", "arguments", "words"),
    [
        ("orbit", ["--days", "3"], "for passes of elements"),
        ("elements", ["--from", "soon"], "is not an instant"),
        ("elements", ["--days", "0"], "0"),
        ("elements", ["--from", "2034-01-01"], "take newer elements"),
    ],
)
def test_a_refused_input_is_misuse(
    way: str, arguments: list[str], words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["passes", schema_of(way, tmp_path)[0], *arguments]) == 2
    assert words in capsys.readouterr().err


def test_a_schema_without_passes_says_what_to_add(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["passes", str(resource("schemas/first-light.yaml"))]) == 2
    assert "add passes" in capsys.readouterr().err


def test_an_absent_extra_is_named(tmp_path: Path) -> None:
    program = (
        "import sys; sys.modules['sgp4'] = None; sys.modules['sgp4.api'] = None\n"
        "from packetkit.cli.main import main; sys.exit(main(sys.argv[1:]))"
    )
    arguments = [sys.executable, "-c", program, "passes", *schema_of("elements", tmp_path)]
    done = subprocess.run(arguments, capture_output=True, text=True, check=False)
    assert done.returncode == 2 and "packetkit[orbit]" in done.stderr


def test_a_schema_loads_without_numpy() -> None:
    program = "import sys, packetkit.mission.load; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0


def test_days_of_passes_are_drawn_in_a_terminal_and_as_a_picture(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (path, *_) = schema_of("elements", tmp_path)
    target = tmp_path / "days.png"
    assert main(["passes", path, "--from", "2014-01-23", "--days", "2", "--picture", str(target)]) == 0
    strips = [
        line for line in capsys.readouterr().out.splitlines() if len(line) == 72 and set(line) <= set("█.")
    ]
    # The passes at 06:25 and 12:54 fall into places 19 and 38 of twenty minutes.
    assert len(strips) == 2
    assert [place for place, one in enumerate(strips[0]) if one == "█"] == [19, 38]
    assert target.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("cadence", ["", "    cadence_s: 60\n"])
def test_the_picture_of_days_draws_only_what_is_known(cadence: str, tmp_path: Path) -> None:
    """A frame without a cadence is measured as it is sent: no line of what was measured."""
    path, target = tmp_path / "mission.yaml", tmp_path / "days.svg"
    text = (HEAD + WAYS["elements"]).replace("  beacon:\n", f"  beacon:\n{cadence}")
    path.write_text(text, encoding="utf-8")
    assert main(["passes", str(path), "--from", "2014-01-23", "--days", "1", "--picture", str(target)]) == 0
    drawn = target.read_text(encoding="utf-8")
    assert "<!-- home -->" in drawn and ("<!-- measured -->" in drawn) is bool(cadence)


def test_the_link_of_elements_is_that_of_their_highest_pass(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (path, *_) = schema_of("elements", tmp_path)
    assert main(["link", path, "--json"]) == 0
    places = json.loads(capsys.readouterr().out)["places"]
    distances = [place["distance_km"] for place in places]
    assert distances == sorted(distances, reverse=True) and 400 < distances[-1] < 500
    assert 30 < places[0]["elevation_deg"] < 33 and places[-1]["elevation_deg"] > 60


def test_what_a_pass_brings_is_what_the_budget_expects(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    overhead = document("orbit", tmp_path, capsys)["passes"][0]
    assert main(["budget", str(tmp_path / "orbit.yaml"), "--pass", "overhead", "--json"]) == 0
    assert overhead["delivered_bytes"] == pytest.approx(
        json.loads(capsys.readouterr().out)["delivered_bytes"]
    )


def test_passes_plan_and_link_say_one_margin_for_where_a_pass_is_weakest(
    capsys: pytest.CaptureFixture[str],
) -> None:
    # All passes begin at the same elevation, and so as far away.
    said = {}
    for command in ("passes", "link"):
        assert main([command, HERON, "--json"]) == 0
        said[command] = json.loads(capsys.readouterr().out)
    weakest = said["link"]["places"][0]["margin_db"]
    for row in said["passes"]["passes"]:
        assert row["margin_least_db"] == pytest.approx(weakest, abs=1e-9)
    mission = packetkit.load(HERON)
    assert mission.passes is not None
    planned = sweep(mission, window_of(mission.passes), factors=[12], bundles=(1,)).now
    assert planned is not None and planned.margin_least_db == pytest.approx(weakest, abs=1e-9)
    # The mean pass has one duration, in whichever words.
    assert main(["passes", HERON]) == 0
    mean_s = said["passes"]["mean_s"]
    clock = f"{round(mean_s) // 60}:{round(mean_s) % 60:02}"
    assert f"pass lasts {clock};" in " ".join(capsys.readouterr().out.split())


def test_passes_a_day_are_told_to_two_places(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "weekly.yaml"
    path.write_text(Path(HERON).read_text(encoding="utf-8").replace("per_day: 4", "per_day: 16/7"))
    assert main(["budget", str(path)]) == 0
    assert "2.29 passes a day bring" in capsys.readouterr().out  # 16 / 7 is 2.2857
