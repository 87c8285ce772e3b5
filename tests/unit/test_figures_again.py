"""Every figure on screen can be worked again from what is shown beside it: for each example mission that has a link.

The text of each command is made of its JSON document, so the document's figures are those on screen; the arithmetic here is written anew.
"""

from __future__ import annotations

import json
import math
from fractions import Fraction
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import packetkit
from packetkit.cli.main import main
from packetkit.radio.chirp import time_on_air
from packetkit.radio.loss import loss_for
from packetkit.radio.settings import Setting, bandwidth
from packetkit.resources import resource

DOCUMENTS = Path(__file__).parents[1] / "documents" / "json"
HOUR_S = 3600
SHIPPED = sorted(entry.name for entry in resource("schemas").iterdir() if entry.name.endswith(".yaml"))
EXAMPLES = [
    name
    for name in SHIPPED
    if packetkit.parse(resource(f"schemas/{name}").read_bytes()).link.setting is not None
]


def document(capsys: pytest.CaptureFixture[str], verb: str, name: str, *more: str) -> dict[str, Any]:
    assert main([verb, str(resource(f"schemas/{name}")), *more, "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    jsonschema.validate(found, json.loads((DOCUMENTS / f"{verb}.schema.json").read_text(encoding="utf-8")))
    return found


def setting_of(name: str) -> Setting:
    setting = packetkit.parse(resource(f"schemas/{name}").read_bytes()).link.setting
    assert setting is not None
    return setting


def test_there_are_examples_to_work_again() -> None:
    assert len(EXAMPLES) >= 2


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_link(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    found = document(capsys, "link", name)
    first = found["places"][0]
    assert sum(term["value"] for term in found["terms"]) == pytest.approx(first["margin_db"])
    assert found["eirp_dbm"] - found["erp_dbm"] == pytest.approx(2.15)
    for place in found["places"]:
        # ITU-R P.525-4, equation for free space with MHz and km.
        wanted = 32.4478 + 20 * math.log10(found["frequency_mhz"]) + 20 * math.log10(place["distance_km"])
        assert place["free_space_db"] == pytest.approx(wanted, abs=1e-4)
        lost = place["free_space_db"] - first["free_space_db"]
        assert place["margin_db"] == pytest.approx(first["margin_db"] - lost)
        if place["elevation_deg"] is not None:  # a distance alone tells no speed
            wanted = abs(place["rate_hz_per_s"]) * found["time_on_air_ms"] / 1000
            assert place["drift_hz"] == pytest.approx(wanted)
        expected = loss_for(setting_of(name), found["payload_bytes"], place["margin_db"])
        assert place["loss"] == pytest.approx(expected)
    for choice in found["spreading_factors"]:
        other = next(term["value"] for term in found["terms"] if term["name"].startswith("sensitivity"))
        assert choice["margin_db"] == pytest.approx(first["margin_db"] - other - choice["sensitivity_dbm"])


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_budget(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    found = document(capsys, "budget", name)
    shares = found["frames"].values()
    assert found["frames_per_pass"] == sum(share["frames_per_pass"] for share in shares)
    assert found["delivered_bytes"] == pytest.approx(
        sum(share["frames_per_pass"] * (1 - share["loss"]) * share["frame_bytes"] for share in shares)
    )
    spent = found["energy"]
    for frame, share in found["frames"].items():
        assert share["frame_bytes_per_pass"] == share["frames_per_pass"] * share["frame_bytes"]
        assert share["useful_bits_per_pass"] == share["frames_per_pass"] * share["useful_bits"]
        assert share["airtime_per_pass_s"] == pytest.approx(
            share["frames_per_pass"] * share["time_on_air_ms"] / 1000
        )
        wanted = share["time_on_air_ms"] * spent["sending_ma"] * spent["supply_v"] / 1000
        assert spent["frame_mj"][frame] == pytest.approx(wanted)
        if share["cadence_s"] is not None:
            period = max(share["cadence_s"], share["time_on_air_ms"] / 1000 + found["gap_s"])
            assert share["frames_per_pass"] == int(found["pass_duration_s"] / period)
    states = [spent["sending_j"] / spent["sending_ma"], spent["receiving_j"] / spent["receiving_ma"]]
    states.append(spent["asleep_j"] / spent["sleep_ua"] * 1000)
    # Joules over milliamperes and volts are kiloseconds: each moment of the period is spent in one of three states.
    assert sum(states) / spent["supply_v"] * 1000 == pytest.approx(spent["period_s"])
    day = found["day"]
    if day["carried_bytes"] is not None:
        carried = sum(
            share["delivered_frames"] * share["frame_bytes"] for share in shares if share["cadence_s"]
        )
        assert day["carried_bytes"] == pytest.approx(found["passes_per_day"] * carried)
        assert day["backlog_bytes"] == pytest.approx(day["measured_bytes"] - day["carried_bytes"])
    for one in found["compared"]:
        assert one["over"] == pytest.approx(one["figure"] - one["limit"])


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_passes(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    found = document(capsys, "passes", name)
    rows = found["passes"] or found["moments"]
    assert rows
    key = "nearest_km" if found["passes"] else "distance_km"
    for row in rows[1:]:
        # Free space is all that differs between two places: 20 dB for ten times the distance.
        nearer = 20 * math.log10(rows[0][key] / row[key])
        assert row["margin_best_db"] - rows[0]["margin_best_db"] == pytest.approx(nearer, abs=0.05)
    for row in found["moments"]:
        # Close to the ground station the Earth is nearly flat: the drop of the horizon is ground^2 / 2R, and less.
        assert row["distance_km"] == pytest.approx(math.hypot(row["height_km"], row["ground_km"]), rel=0.01)
    if found["kind"] == "orbit":
        brings = document(capsys, "budget", name)
        # The mean pass lies between those shown, in how long it lasts and in what it brings.
        lasts = [row["duration_s"] for row in rows]
        assert min(lasts) < brings["pass_duration_s"] < max(lasts)
        arrive = [row["delivered_bytes"] for row in rows]
        assert min(arrive) < brings["delivered_bytes"] < max(arrive)


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_plan(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    found = document(capsys, "plan", name)
    allowed = (
        math.inf
        if found["share_of_hour"] is None
        else found["share_of_hour"] * max(found["pass_duration_s"], HOUR_S)
    )
    for cell in [found["now"], *found["best"], *found["frontier"]]:
        assert (
            cell["payload_bytes"] == cell["records_in_packet"] * found["frame_bytes"] + found["driver_bytes"]
        )
        setting = Setting(
            cell["spreading_factor"],
            bandwidth(Fraction(cell["bandwidth_khz"]).limit_denominator(1000)),
            coding_rate=cell["coding_rate"],
        )
        air_s = cell["time_on_air_ms"] / 1000
        assert float(time_on_air(setting, cell["payload_bytes"])) == pytest.approx(air_s)
        period = max((cell["cadence_s"] or 0) * cell["records_in_packet"], air_s + found["gap_s"])
        assert cell["packets_per_pass"] == int(min(found["pass_duration_s"] / period, allowed / air_s))
        records = cell["packets_per_pass"] * cell["records_in_packet"] * (1 - cell["loss"])
        assert cell["delivered_records"] == pytest.approx(records)
        assert cell["delivered_bytes"] == pytest.approx(records * found["frame_bytes"])
        sending = cell["packets_per_pass"] * air_s * found["sending_ma"] * found["supply_v"]
        assert cell["energy_mj_per_byte"] == pytest.approx(sending / cell["delivered_bytes"])


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_settings_are_those_of_the_schema(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["settings", str(resource(f"schemas/{name}"))]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    setting = setting_of(name)
    mission = packetkit.parse(resource(f"schemas/{name}").read_bytes())
    assert f"spreading factor {setting.spreading_factor}" in shown
    assert f"coding rate {setting.coding_rate}" in shown
    for frame, layout in mission.layouts.items():
        assert f"frame {frame}" in shown and layout.fingerprint in shown
