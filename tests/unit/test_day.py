"""Budgets over a day: what arrives, what stays behind, energy, and documents' figures; each worked again by hand or by counting."""

from __future__ import annotations

import json
import math
import random
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import packetkit
from packetkit.cli.main import main
from packetkit.errors import RadioError
from packetkit.mission.arrivals import margins_db
from packetkit.mission.budget import budget
from packetkit.mission.day import busiest, busiest_hour_s, compared, day_of, energy_of
from packetkit.mission.load import Mission
from packetkit.mission.passes import window_of
from packetkit.passes.track import circular_sample
from packetkit.radio import energy, loss
from packetkit.radio.chirp import time_on_air
from packetkit.radio.settings import Setting
from packetkit.resources import resource

SCHEMA = json.loads((Path(__file__).parents[1] / "documents" / "json" / "budget.schema.json").read_text())


def mission(name: str = "heron", **setting: Any) -> Mission:
    made = packetkit.parse(resource(f"schemas/{name}.yaml").read_text(encoding="utf-8"))
    assert made.link.setting is not None
    return replace(made, link=replace(made.link, setting=replace(made.link.setting, **setting)))


def document(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    assert main(["budget", *arguments, "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    jsonschema.validate(found, SCHEMA)
    return found


# Invented: a small rocket that is in the air for some two minutes, ten frames a second.
FLIGHT = """
mission: dart
frames:
  report:
    cadence_s: 0.1
    fields:
      - {name: sequence, bits: 8, role: sequence}
      - {name: samples, repeat: 7, bits: 8}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
link:
  chirp: {spreading_factor: 7, bandwidth_khz: 250, frequency_mhz: 433.5}
  share_of_hour_percent: 10
  unit: {power_dbm: 10}
  region: eu
passes:
  rocket: {apogee_km: 3, downrange_km: 1.5, parachute_altitude_km: 0.5, descent_m_per_s: 8}
"""


def test_the_expected_loss_agrees_with_simulated_passes() -> None:
    """200 passes, each frame lost by chance at the margin of its own moment, along the orbit's own geometry."""
    weak = mission(spreading_factor=8)
    assert weak.passes is not None
    made = budget(weak, window_of(weak.passes))
    share = next(one for one in made.shares if one.name == "survey")
    assert share.loss is not None and 0.05 < share.loss < 0.95
    duration, setting = float(made.window.duration_s), weak.link.setting
    assert setting is not None
    from packetkit.passes.geometry import period
    from packetkit.passes.track import offset_for

    offset, turn = offset_for(510, 10, duration), 2 * math.pi / period(510)
    draw = random.Random(5)
    moments = [(index + 0.5) / share.frames * duration for index in range(share.frames)]
    samples = [circular_sample(510, offset, turn * (time - duration / 2), time) for time in moments]
    chances = [
        loss.loss_for(setting, share.frame_bytes, float(one)) for one in margins_db(weak.link, samples)
    ]
    passes = 200
    arrived = [sum(draw.random() > chance for chance in chances) for _ in range(passes)]
    sigma = math.sqrt(sum(chance * (1 - chance) for chance in chances) / passes)
    assert sum(arrived) / passes == pytest.approx(share.delivered_frames, abs=4 * sigma + 0.1)
    assert share.seen == pytest.approx(1 - math.prod(chances), abs=0.02)


def test_a_slower_setting_loses_less_and_sends_less() -> None:
    fast, slow = (
        budget(made, window_of(made.passes))  # type: ignore[arg-type]  # heron has passes
        for made in (mission(spreading_factor=8), mission(spreading_factor=11))
    )
    assert slow.frames < fast.frames
    for quick, sure in zip(fast.shares, slow.shares, strict=True):
        assert (sure.loss or 0) <= (quick.loss or 0)


def test_a_link_without_figures_counts_no_loss(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "bare.yaml"
    text = resource("schemas/plover.yaml").read_text(encoding="utf-8")
    path.write_text("\n".join(line for line in text.splitlines() if "power_dbm" not in line))
    found = document(capsys, str(path))
    assert found["delivered_frames"] is None and found["frames"]["sounding"]["loss"] is None
    assert not found["energy"]["known"] and "power_dbm" in found["energy"]["reason"]
    assert main(["budget", str(path)]) == 0
    assert "No loss is counted" in " ".join(capsys.readouterr().out.split())


def test_the_card_is_in_whole_sectors(capsys: pytest.CaptureFixture[str]) -> None:
    heron = str(resource("schemas/heron.yaml"))
    day = document(capsys, heron, "--days", "30")["day"]
    # By hand: 1440 x 21 + 2880 x 72 bytes a day, 30 days, in sectors of 512.
    assert day["measured_bytes"] == 1440 * 21 + 2880 * 72
    assert day["card_bytes"] == math.ceil(30 * 237_600 / 512) * 512
    assert main(["budget", str(resource("schemas/plover.yaml")), "--days", "3"]) == 2
    assert "a flight is measured as a whole" in capsys.readouterr().err


def test_every_field_has_its_chance_and_those_in_several_frames_a_better_one() -> None:
    weak = mission(spreading_factor=8)
    assert weak.passes is not None
    from packetkit.mission.day import seen_by_field

    made = budget(weak, window_of(weak.passes))
    seen = seen_by_field(weak, made.shares)
    by_frame = {share.name: share.seen or 0 for share in made.shares}
    assert seen["boots"] == pytest.approx(by_frame["housekeeping"])
    both = 1 - (1 - by_frame["housekeeping"]) * (1 - by_frame["survey"])
    assert seen["uptime"] == pytest.approx(both)
    assert "check" not in seen and "sync" not in seen


# ---- energy


@given(st.floats(0, 1), st.integers(1, 50), st.integers(1, 8))
def test_what_is_sent_in_turn_is_seen_as_often_as_all_passes_say(
    seen: float, frames: int, turns: int
) -> None:
    """Outside value: the mean over every frame that a pass can begin with, each frame lost by itself."""
    from packetkit.mission.day import seen_in_turn

    lost = (1 - seen) ** (1 / frames)
    sent = [sum((first + at) % turns == 0 for at in range(frames)) for first in range(turns)]
    mean = sum(1 - lost**count for count in sent) / turns
    assert seen_in_turn(seen, frames, turns) == pytest.approx(mean, abs=1e-12)


@pytest.mark.parametrize(
    ("radio", "power", "setting", "size", "millijoules"),
    [
        # Data-sheet currents at 3.3 V (SX1262 from a text quoting it, SX1276 from memory) times the airtime, worked by hand.
        ("sx1262", 14, Setting(7, 125), 20, 8.40),
        ("sx1262", 14, Setting(12, 125), 51, 366),
        ("sx1276", 20, Setting(10, 125), 51, 244),
    ],
)
def test_energy_of_a_frame(radio: str, power: float, setting: Setting, size: int, millijoules: float) -> None:
    current, _ = energy.sending_ma(radio, power)
    found = 1000 * energy.energy_j(float(time_on_air(setting, size)), current)
    assert found == pytest.approx(millijoules, rel=0.003)


def test_currents_between_rows_lie_on_the_line_and_outside_are_told() -> None:
    assert energy.sending_ma("sx1276", 17)[0] == 87
    assert energy.sending_ma("sx1276", 15)[0] == pytest.approx((29 + 87) / 2)
    assert "between 13 and 17 dBm" in energy.sending_ma("sx1276", 15)[1]
    assert energy.sending_ma("sx1276", 0)[0] == 20
    lowest, current = energy.CURRENTS["sx1276"].sending_ma[0]
    assert energy.sending_ma("sx1276", lowest) == (current, energy.CURRENTS["sx1276"].source)
    assert "its lowest" in energy.sending_ma("sx1276", lowest - 1)[1]
    with pytest.raises(RadioError, match="above the highest row"):
        energy.sending_ma("sx1276", 21)
    with pytest.raises(RadioError, match="no currents of sx1272"):
        energy.sending_ma("sx1272", 14)


def test_a_batterys_life_is_capacity_over_power() -> None:
    assert energy.Battery(10, 100, 3.3, 50).life_days(0.0) == pytest.approx(5 / 0.1 / 24)
    assert math.isinf(energy.Battery(10).life_days(0.0))
    heron = mission()
    assert heron.passes is not None and heron.battery is not None
    made = budget(heron, window_of(heron.passes))
    found = energy_of(heron, made)
    assert found is not None
    sent = {"housekeeping": 1440, "survey": 2880, "spectrum": 4 * made.shares[2].frames}
    assert found.sending_j == pytest.approx(
        sum(sent[name] * cost / 1000 for name, cost in found.frame_mj.items())
    )
    day_j = found.sending_j + found.receiving_j + found.asleep_j
    assert found.life_days == pytest.approx(16 / (0.25 + day_j / 86_400) / 24)


def test_a_radio_that_listens_takes_more_than_one_that_sleeps() -> None:
    """By hand: 5.3 mA and 0.6 uA at 3.3 V (SX1261/2 data sheet, a text quoting it) in the time beside sending."""
    heron = mission()
    assert heron.passes is not None and heron.battery is not None
    made = budget(heron, window_of(heron.passes))
    on_air = sum(
        float(share.time_on_air_s) * count
        for share, count in zip(made.shares, (1440, 2880, 4 * made.shares[2].frames), strict=True)
    )
    for percent in (0.0, 25.0, 100.0):
        listening = replace(heron, battery=replace(heron.battery, receiving_percent=percent))
        found = energy_of(listening, made)
        assert found is not None
        share = percent / 100
        assert found.receiving_j == pytest.approx((86_400 - on_air) * share * 0.0053 * 3.3)
        assert found.asleep_j == pytest.approx((86_400 - on_air) * (1 - share) * 0.6e-6 * 3.3)


# ---- documents' figures


@settings(max_examples=25)
@given(
    st.fractions(min_value=Fraction(1, 2), max_value=500, max_denominator=8),
    st.fractions(min_value=Fraction(1, 100), max_value=1),
    st.integers(1, 600),
)
def test_the_busiest_window_is_found_by_sliding_it(period: Fraction, part: Fraction, window: int) -> None:
    airtime = period * part

    def within(start: Fraction) -> Fraction:
        total, index = Fraction(0), int(start // period)
        while index * period < start + window:
            low, high = max(start, index * period), min(start + window, index * period + airtime)
            total += max(high - low, Fraction(0))
            index += 1
        return total

    starts = [period * Fraction(step, 12) for step in range(13)]
    starts += [max(airtime - window % period, Fraction(0)), airtime]
    assert max(map(within, starts)) <= busiest(period, airtime, window)
    assert within(Fraction(0)) == busiest(period, airtime, window)


def test_documents_figures_stand_beside_the_missions_own() -> None:
    plover = mission("plover")
    assert plover.passes is not None
    made = budget(plover, window_of(plover.passes))
    found = {(one.what, one.limit): one for one in compared(plover, made)}
    # 34 bytes at SF9 4/6 last 279.552 ms; every 10 s that is 2.8 % of any hour.
    share = found["share of the busiest hour", 10.0]
    assert share.figure == pytest.approx(2.79552) and "10 %; here 2.796 %" in str(share)
    assert all("legal" not in str(one) for one in found.values())
    assert compared(replace(plover, link=replace(plover.link, region=None)), made) == ()


def test_a_flight_shorter_than_an_hour_has_no_airtime_beyond_its_own() -> None:
    mission = packetkit.parse(FLIGHT)
    assert mission.passes is not None
    made = budget(mission, window_of(mission.passes))
    (share,) = made.shares
    # Frames of the flight alone: as many as the budget counts, each for its time on the air.
    assert made.window.duration_s < 600
    assert busiest_hour_s(made) == share.frames * share.time_on_air_s < 360
    (duty,) = [one for one in compared(mission, made) if one.unit == "%"]
    assert duty.over < 0, "10 % of the hour allow what the flight takes, as the share of the hour says"


def test_a_dwell_is_compared_where_a_document_has_one() -> None:
    # RP002: SF10 at 125 kHz, 24 bytes last 370.688 ms, under 400 ms; 25 bytes 411.648 ms.
    plover = mission("plover", spreading_factor=10, coding_rate="4/5")
    link = replace(plover.link, region="as923", frequency_mhz=Fraction(923), driver_bytes=0)
    plover = replace(plover, link=link)
    assert plover.passes is not None
    found = {one.what: one for one in compared(plover, budget(plover, window_of(plover.passes)))}
    assert found["time of one frame"].limit == 400
    assert found["time of one frame"].over == pytest.approx(
        411.648 + 40.96 - 400
    )  # 30 bytes: one step above 25 to 29


def test_a_day_without_passes_a_day_carries_nothing_known() -> None:
    heron = mission()
    assert heron.passes is not None
    day = day_of(budget(heron, window_of(replace(heron.passes, per_day=None))))
    assert day.carried_bytes is None and day.backlog_bytes is None
