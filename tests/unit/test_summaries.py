"""Summaries: one declaration, the fields it stands for, what it saves, and what a simulated unit sends.

numpy's own minimum, mean and maximum judge what comes back of real samples.
"""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import packetkit
from packetkit.cli.main import main
from packetkit.conformance.simulate import Channel, simulate
from packetkit.targets import TARGETS

SCHEMA = """
mission: godwit
frames:
  drift:
    last_byte: zero_filled
    cadence_s: 60
    fields:
      - name: water
        minimum: -5
        maximum: 35
        resolution: 0.1
        unit: Cel
        limits: {soft: {maximum: 30}}
        summary: {samples: 60, mean_resolution: 0.05}
      - {name: air, preset: humidity, summary: {samples: 60, keep: [minimum, maximum]}}
"""


@pytest.fixture(scope="module")
def frame() -> packetkit.Frame:
    return packetkit.parse(SCHEMA).frame()


@given(st.lists(st.integers(0, 400), min_size=1, max_size=60))
def test_what_comes_back_is_within_half_a_step_of_what_numpy_finds(codes: list[int]) -> None:
    frame = packetkit.parse(SCHEMA).frame()
    samples = np.array(codes) * 0.1 - 5
    told: dict[str, Any] = {
        "minimum": samples.min(),
        "mean": samples.mean(),
        "maximum": samples.max(),
        "count": len(codes),
    }
    back = frame.decode(frame.encode({"water": told, "air": {"minimum": 50, "maximum": 60}}))["water"]
    assert back["count"] == len(codes)
    assert back["minimum"] == float(Fraction(min(codes), 10) - 5)
    assert back["maximum"] == float(Fraction(max(codes), 10) - 5)
    exact = Fraction(sum(codes), 10 * len(codes)) - 5
    assert abs(Fraction(back["mean"]) - exact) <= Fraction(1, 40) + Fraction(
        1, 10**12
    )  # numpy's mean is a double's


def test_a_summary_is_a_group_of_its_fields(frame: packetkit.Frame) -> None:
    addresses = [slot.address for slot in frame.layout.slots if slot.is_value]
    members = ("minimum", "mean", "maximum", "count")
    assert addresses == [*(f"water.{word}" for word in members), "air.minimum", "air.maximum"]
    plain = """
mission: godwit
frames:
  drift:
    last_byte: zero_filled
    fields:
      - name: water
        group:
          - {name: minimum, minimum: -5, maximum: 35, resolution: 0.1, unit: Cel, missing: true}
          - {name: mean, minimum: -5, maximum: 35, resolution: 0.05, unit: Cel, missing: true}
          - {name: maximum, minimum: -5, maximum: 35, resolution: 0.1, unit: Cel, missing: true}
          - {name: count, minimum: 0, maximum: 60, resolution: 1}
      - name: air
        group:
          - {name: minimum, preset: humidity, missing: true}
          - {name: maximum, preset: humidity, missing: true}
"""
    assert frame.layout.fingerprint == packetkit.parse(plain).layouts["drift"].fingerprint


def test_the_gain_is_proved_and_told(
    frame: packetkit.Frame, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # 0 to 400 steps and a missing code: 9 bits; 0 to 800: 10 bits; 60 samples: 6 bits. Worked by hand.
    water = frame.layout.gains[0]
    assert (water.address, water.bits, water.plain_bits) == ("water", 9 + 10 + 9 + 6, 60 * 9)
    path = tmp_path / "godwit.yaml"
    path.write_text(SCHEMA, "utf-8")
    assert main(["check", str(path)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "water summary 34 540 93.7 % 60 samples of 9 bits each" in out
    assert main(["check", str(path), "--json"]) == 0
    (told,) = json.loads(capsys.readouterr().out)["schemas"][0]["frames"]
    assert told["compact_forms"][0] == {
        "name": "water",
        "form": "summary",
        "bits": 34,
        "instead_of_bits": 540,
        "instead_of": "60 samples of 9 bits each",
        "heard_in_frames": 1,
        "heard_within_s": 60,
    }


def test_a_simulated_summary_is_in_order_and_empty_without_samples(frame: packetkit.Frame) -> None:
    sent = simulate({"drift": frame}, Fraction(24 * 3600), Channel(restarts=0), 5)
    seen = [one.values for one in sent if one.values is not None]
    assert len(seen) == 1440
    for values in seen:
        water, air = values["water"], values["air"]
        if water["mean"] is None:
            assert (water["minimum"], water["maximum"], water["count"]) == (None, None, 0)
        else:
            assert water["minimum"] <= water["mean"] <= water["maximum"] and water["count"] >= 1
        assert (air["minimum"] is None) is (air["maximum"] is None)
        assert air["minimum"] is None or air["minimum"] <= air["maximum"]
        assert frame.decode(frame.encode(values)) == values


@pytest.mark.parametrize("target", TARGETS)
def test_what_only_the_ground_knows_keeps_no_target_from_writing_code(target: str, tmp_path: Path) -> None:
    schema = tmp_path / "godwit.yaml"
    more = "      - {name: cell, bits: 8, calibration: {u1: {polynomial: [1, 2]}}, limits: {hard: {maximum: 200}}}\n"
    schema.write_text(SCHEMA + more, "utf-8")
    assert main(["generate", str(schema), "--target", target, "-o", str(tmp_path / "out")]) == 0
    assert list((tmp_path / "out").iterdir())


def test_a_number_of_samples_beyond_a_summary_is_not_advised_to_be_clamped() -> None:
    """out_of_range of a summary is its values': a count is exact (WIRE.md 4)."""
    frame = packetkit.parse(SCHEMA.replace("        unit: Cel", "        out_of_range: clamp")).frame()
    values = {"minimum": 1, "mean": 1, "maximum": 1, "count": 61}
    with pytest.raises(packetkit.EncodeError) as caught:
        frame.encode({"water": values, "air": {"minimum": 1, "maximum": 1}})
    said = "water.count: 61 is outside 0 to 60. Give a value inside: a number of samples is never clamped"
    assert str(caught.value) == said
