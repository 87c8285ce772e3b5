"""Plain FSK beside chirp: packet times by hand, the textbook's error rate, and the budget that stands beside."""

from __future__ import annotations

import json
import math
import random
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

import packetkit
from packetkit.cli.main import main
from packetkit.mission.beside import beside
from packetkit.mission.budget import budget
from packetkit.mission.passes import window_of
from packetkit.radio import fsk
from packetkit.radio.fsk import FskSetting
from packetkit.resources import resource

SCHEMA = json.loads((Path(__file__).parents[1] / "documents" / "json" / "budget.schema.json").read_text())
PLOVER = str(resource("schemas/plover.yaml"))


@pytest.mark.parametrize(("size", "milliseconds"), [(1, 0.560), (16, 1.760), (64, 5.600), (200, 16.480)])
def test_time_on_air_worked_by_hand(size: int, milliseconds: float) -> None:
    # 100 kb/s, preamble and sync of 16 bits, a CRC of 2 bytes, no length byte: (32 + 8 (n + 2)) / 100 ms.
    setting = FskSetting(Fraction(100), preamble_bytes=2, sync_bytes=2, length_bytes=0)
    assert float(1000 * fsk.time_on_air(setting, size)) == pytest.approx(milliseconds)


def test_manchester_doubles_what_follows_the_sync_word() -> None:
    plain = FskSetting(Fraction(10), 4, 2, 1)
    ahead = Fraction(8 * 6, 10_000)
    twice = fsk.time_on_air(replace(plain, manchester=True), 20) - ahead
    assert twice == 2 * (fsk.time_on_air(plain, 20) - ahead)


def test_a_setting_says_its_parts() -> None:
    said = "plain FSK at 9.6 kb/s, preamble 4, sync 2, length 1, address 0, CRC 2 bytes"
    setting = FskSetting(Fraction(96, 10))
    assert str(setting) == said
    assert str(replace(setting, manchester=True)) == said.replace("kb/s", "kb/s, Manchester")


@pytest.mark.parametrize(
    ("part", "lowest", "highest"),
    [
        ("bitrate_kbps", Fraction(1, 10), 1000),
        ("preamble_bytes", 0, 65_535),  # a register of 16 bits counts them
        ("sync_bytes", 0, 8),  # SX1276 data sheet, packet format: sync word of up to 8 bytes
        ("length_bytes", 0, 1),
        ("address_bytes", 0, 1),
        ("crc_bytes", 0, 4),
    ],
)
def test_parts_of_a_packet_have_limits(part: str, lowest: Fraction, highest: int) -> None:
    for value in (lowest, highest):
        assert fsk.figure_faults({part: Fraction(value)}) == ()
    for value in (Fraction(lowest - Fraction(1, 20)), Fraction(highest + 1)):
        (fault,) = fsk.figure_faults({part: value})
        assert (fault.path, fault.rule) == (part, "limit")
        assert " is outside " in fault.message
    assert bool(fsk.figure_faults({part: Fraction(1, 2)})) == (part != "bitrate_kbps")


def test_bit_errors_are_the_textbooks() -> None:
    # Noncoherent binary FSK: exp(-Eb/2N0)/2; 1e-3 at 10.94 dB, 1e-5 at 13.35 dB (worked by hand from the formula).
    assert float(fsk.bit_errors(10.944)) == pytest.approx(1e-3, rel=0.01)
    assert float(fsk.bit_errors(13.35)) == pytest.approx(1e-5, rel=0.03)
    assert pytest.approx(10.944, abs=0.001) == fsk.ENERGY_AT_SENSITIVITY_DB


def test_bit_errors_agree_with_simulated_tones() -> None:
    """Two envelope detectors, one with signal: complex Gaussian noise, the larger wins."""
    draw, energy, wrong, bits = random.Random(4), 10**0.7, 0, 20_000
    sigma = math.sqrt(0.5)
    for _ in range(bits):
        signal = math.hypot(math.sqrt(energy) + draw.gauss(0, sigma), draw.gauss(0, sigma))
        other = math.hypot(draw.gauss(0, sigma), draw.gauss(0, sigma))
        wrong += other > signal
    chance = float(fsk.bit_errors(7.0))
    assert wrong / bits == pytest.approx(chance, abs=4 * math.sqrt(chance / bits))


@given(st.integers(1, 250), st.floats(-10, 10), st.floats(0, 5))
def test_more_margin_loses_no_more_and_a_longer_frame_no_less(size: int, margin: float, more: float) -> None:
    setting = FskSetting(Fraction(9600, 1000))
    lost = float(fsk.frame_loss(setting, size, margin))
    assert 0 <= lost <= 1
    assert float(fsk.frame_loss(setting, size, margin + more)) <= lost + 1e-12
    assert float(fsk.frame_loss(setting, size + 5, margin)) >= lost - 1e-12


def test_the_budget_shows_it_beside_chirp(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["budget", PLOVER, "--json"]) == 0
    found = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    jsonschema.validate(found, SCHEMA)
    other, chirp = found["fsk"]["frames"]["sounding"], found["frames"]["sounding"]
    # 4 + 2 bytes ahead, a length byte, 34 of the frame and its driver, 2 of CRC at 4.8 kb/s.
    assert other["time_on_air_ms"] == pytest.approx(8 * 43 / 4.8)
    assert other["frames_per_pass"] == chirp["frames_per_pass"]
    # -174 + 10 log 4800 + 6.5 + 10.94 dBm
    assert found["fsk"]["sensitivity_dbm"] == pytest.approx(-119.75, abs=0.01)
    assert main(["budget", PLOVER]) == 0
    assert "Beside it, plain FSK at 4.8 kb/s" in capsys.readouterr().out


def test_without_fsk_nothing_stands_beside() -> None:
    mission = packetkit.load(str(resource("schemas/heron.yaml")))
    assert mission.passes is not None
    assert beside(mission, window_of(mission.passes)) is None


def test_chirp_reaches_where_fsk_does_not() -> None:
    mission = packetkit.load(PLOVER)
    assert mission.passes is not None
    far = replace(mission.passes, flight=None, distance_km=Fraction(250), duration_s=Fraction(600))
    found = beside(mission, window_of(far))
    assert found is not None and found.margin_best_db is not None
    chirp = budget(mission, window_of(far))
    assert found.shares[0].loss == pytest.approx(1, abs=1e-3)
    assert chirp.shares[0].loss is not None and chirp.shares[0].loss < 0.9
