"""`packetkit link` as a user meets it: figures that can be worked again, words, exit statuses, JSON that keeps its keys."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import packetkit
from packetkit.cli.link import with_setting
from packetkit.cli.main import main
from packetkit.cli.plan import band_cautions
from packetkit.errors import RadioError
from packetkit.mission.link import longest_frame, picture, places
from packetkit.mission.passes import window_of
from packetkit.mission.plan import sweep
from packetkit.radio import CAUTION, link, regions, sensitivity
from packetkit.radio.settings import bandwidth
from packetkit.resources import resource
from packetkit.schema.mission_keys import CHIRP_KEYS, END_KEYS, LINK_KEYS, NOISE_PLACES, RECEIVERS, REGIONS

SCHEMA = json.loads((Path(__file__).parents[1] / "documents" / "json" / "link.schema.json").read_text())
HERON = str(resource("schemas/heron.yaml"))
PLOVER = str(resource("schemas/plover.yaml"))


def document(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> dict[str, Any]:
    assert main(["link", *arguments, "--json"]) == status
    found: dict[str, Any] = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    jsonschema.validate(found, SCHEMA)
    return found


def test_a_weak_link_is_a_finding_and_a_slower_setting_mends_it(capsys: pytest.CaptureFixture[str]) -> None:
    weak = document(capsys, HERON, "--spreading-factor", "8", status=1)
    assert "downlink: 3.4 dB too weak at 10 deg" in weak["findings"]
    assert document(capsys, HERON)["findings"] == []


def test_a_drift_beyond_the_rule_is_a_warning_with_both_numbers(capsys: pytest.CaptureFixture[str]) -> None:
    (warning,) = document(capsys, HERON, "--spreading-factor", "12")["warnings"]
    assert "478 Hz" in warning and "163 Hz" in warning and "sources disagree" in warning
    wider = document(capsys, HERON, "--bandwidth-khz", "41.67")["warnings"]  # 20 % are 8,334 Hz, 25 % 10,418
    assert any("exceeds the lower, though not the higher" in one for one in wider)


# 25 % of the bandwidth by hand. An orbit's 7.5 km/s at 437 MHz are some 11 kHz; a rocket that falls from 120 km starts, and comes down,
# with sqrt(2 * 9.80665 m/s^2 * 120 km * 6371 / 6491) = 1,520 m/s, at 868.3 MHz 4,402 Hz, a little less in the middle of a step.
ROCKET = """
mission: dart
frames:
  report:
    cadence_s: 2
    fields:
      - {name: sequence, bits: 8, role: sequence}
      - {name: samples, repeat: 7, bits: 8}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
link:
  chirp: {spreading_factor: 7, bandwidth_khz: 7.8125, frequency_mhz: 868.3}
  unit: {power_dbm: 10}
  ground: {antenna_gain_dbi: 7}
passes:
  rocket: {apogee_km: 120, downrange_km: 40, parachute_altitude_km: 5, descent_m_per_s: 8}
"""


@pytest.mark.parametrize("is_flight", [False, True])
def test_link_budget_passes_and_plan_agree_that_a_receiver_does_not_find_the_carrier(
    is_flight: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "narrow.yaml"
    orbit = Path(HERON).read_text(encoding="utf-8").replace("bandwidth_khz: 125", "bandwidth_khz: 31.25")
    path.write_text(ROCKET if is_flight else orbit, encoding="utf-8")
    limit = "1,953 Hz" if is_flight else "7,812 Hz"
    (found,) = [one for one in document(capsys, str(path), status=1)["findings"] if "carrier" in one]
    told = [found]
    for command, status in (("budget", 1), ("passes", 0)):
        assert main([command, str(path), "--json"]) == status
        made = json.loads(capsys.readouterr().out)
        told += [one for one in made.get("findings", made.get("warnings")) if "carrier" in one]
        assert main([command, str(path)]) == status
        assert "ot received: the carrier is off by up to" in " ".join(capsys.readouterr().out.split())
    mission = packetkit.load(str(path))
    assert mission.passes is not None
    few = sweep(mission, window_of(mission.passes), factors=[9], bundles=(1,))
    assert few.now is None
    told.append(few.now_dropped)
    assert len(told) == 4 and all(limit in one for one in told)
    if is_flight:
        assert all(4300 < float(one.split(" Hz")[0].split()[-1].replace(",", "")) < 4402 for one in told)


def test_a_wider_bandwidth_as_the_finding_says_mends_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "wide.yaml"
    path.write_text(ROCKET.replace("7.8125", "20.83"), encoding="utf-8")
    assert document(capsys, str(path))["findings"] == []
    assert main(["budget", str(path)]) == 0


def test_a_distance_tells_no_shift_and_a_shift_of_nothing_has_no_sign(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert {one["shift_hz"] for one in document(capsys, PLOVER)["places"]} == {None}
    alone = document(capsys, PLOVER, "--distance-km", "60")
    assert {one["drift_hz"] for one in alone["spreading_factors"]} == {None}
    main(["link", PLOVER])
    text = capsys.readouterr().out
    assert "-0.0 kHz" not in text and "+0.0 kHz" in text  # 9 m/s of wind at 434 MHz are 13 Hz
    assert "shift" not in text


def test_a_named_frame_counts_instead_of_the_longest(capsys: pytest.CaptureFixture[str]) -> None:
    short = document(capsys, HERON, "--frame", "housekeeping")
    assert short["payload_bytes"] < document(capsys, HERON)["payload_bytes"]
    assert short["places"][0]["loss"] < document(capsys, HERON)["places"][0]["loss"]


@pytest.mark.parametrize(("octets", "fits"), [(251, True), (252, False)])
def test_a_packet_holds_255_bytes_with_the_drivers_own_and_not_one_more(octets: int, fits: bool) -> None:
    text = f"mission: wren\nframes:\n  sheet:\n    fields: [{{name: body, kind: bytes, length: {octets}}}]\n"
    made = packetkit.parse(text + "link:\n  driver_bytes: 4\n")
    if fits:
        assert longest_frame(made, None) == ("sheet", 255)
    else:
        with pytest.raises(packetkit.RadioError, match="256 bytes do not fit a packet of 255"):
            longest_frame(made, None)


def test_figures_of_documents_stand_beside_the_power(capsys: pytest.CaptureFixture[str]) -> None:
    found = document(capsys, PLOVER, "--distance-km", "60")
    first = found["compared"][0]
    assert first["limit_dbm"] == pytest.approx(10) and first["power_kind"] == "erp"
    assert first["radiated_dbm"] == pytest.approx(found["erp_dbm"])
    assert "power" in first["from_memory"]
    assert main(["link", PLOVER, "--distance-km", "60"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "0.7 dB below that figure" in text and "9.3 dB above that figure" in text
    assert "legal" not in text


@pytest.mark.parametrize("arguments", [[HERON], [PLOVER, "--distance-km", "60"]])
def test_the_text_fits_80_columns_and_shows_the_caution_once(
    arguments: list[str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    main(["link", *arguments])
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 80
    assert " ".join(text.split()).count(CAUTION) == 1


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([PLOVER, "--distance-km", "0"], "is not a distance"),
        ([PLOVER, "--distance-km", "far"], "is not a distance"),
        ([HERON, "--spreading-factor", "13"], "does not exist on sx126x"),
        ([HERON, "--spreading-factor", "x", "--bandwidth-khz", "9"], "is not a bandwidth"),
        ([HERON, "--frame", "nothing"], "it has housekeeping, survey, spectrum"),
    ],
)
def test_a_refused_input_is_misuse(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["link", *arguments]) == 2
    assert words in capsys.readouterr().err


def test_a_schema_that_lacks_the_link_hears_all_that_to_add(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bare.yaml"
    path.write_text(resource("schemas/first-light.yaml").read_text(encoding="utf-8"))
    assert main(["link", str(path), "--distance-km", "1"]) == 2
    said = capsys.readouterr().err
    assert "frequency_mhz" in said and "power_dbm" in said
    with path.open("a", encoding="utf-8") as file:
        file.write("link:\n  chirp: {spreading_factor: 9, bandwidth_khz: 125}\n  unit: {power_dbm: 14}\n")
    assert main(["link", str(path), "--distance-km", "1"]) == 2
    said = capsys.readouterr().err
    assert "add link.chirp.frequency_mhz: 868.1" in said and "power_dbm" not in said


def test_without_a_distance_a_flight_tells_how_far_and_a_duration_does_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert 70 < document(capsys, PLOVER)["places"][0]["distance_km"] < 76  # 9 m/s of wind for 2 h 18 min
    path = tmp_path / "still.yaml"
    text = resource("schemas/plover.yaml").read_text(encoding="utf-8")
    path.write_text(text[: text.index("passes:")] + "passes: {duration_s: 600}\n")
    assert main(["link", str(path)]) == 2
    assert "give --distance-km" in capsys.readouterr().err


BANDS = """
mission: lark
frames:
  report:
    cadence_s: 20
    fields: [{name: body, kind: bytes, length: 8}]
link:
  chirp: {spreading_factor: 9, bandwidth_khz: WIDTH, frequency_mhz: MIDDLE}
  unit: {power_dbm: 14}
  region: eu
SHARE
passes: {duration_s: 600, distance_km: 5}
"""


@pytest.mark.parametrize(
    ("middle", "width", "share", "words"),
    [
        ("868.3", 125, "1", []),
        # Between the bands 868.0 to 868.6 and 868.7 to 869.2 MHz of EN 300 220-2.
        ("868.65", 125, "1", ["no row of region eu holds 868.65 MHz"]),
        ("869.525", 250, "10", []),  # just the band of 869.4 to 869.65
        ("869.525", 500, "10", ["reaches from 869.275 to 869.775 MHz", "for 869.4 to 869.65 MHz"]),
        ("868.55", 250, "1", ["reaches from 868.425 to 868.675 MHz", "for 868 to 868.6 MHz"]),
        (
            "868.3",
            125,
            "",
            ["EN 300 220-2 V3.2.1 (2018), 868 to 868.6 MHz states 1 % of the hour", "local rules"],
        ),
        ("433.5", 125, "", ["(2021, from memory), 433.05 to 434.79 MHz states 10 % of the hour"]),
    ],
)
def test_link_budget_and_plan_say_alike_what_the_region_s_rows_leave_open(
    middle: str, width: int, share: str, words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "lark.yaml"
    text = BANDS.replace("WIDTH", str(width)).replace("MIDDLE", middle)
    path.write_text(text.replace("SHARE", f"  share_of_hour_percent: {share}" if share else ""))
    for command in ("link", "budget"):
        assert main([command, str(path), "--json"]) == 0
        found = json.loads(capsys.readouterr().out)["warnings"]
        assert all(any(one in warning for warning in found) for one in words) and bool(found) == bool(words)
    mission = packetkit.load(str(path))
    assert mission.passes is not None
    few = sweep(mission, window_of(mission.passes), bandwidths=[bandwidth(width)], bundles=(1,))
    assert list(band_cautions(mission, few)) == found
    assert main(["budget", str(path)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert ("Warning: " in told) == bool(words)


def test_an_orbit_is_looked_at_from_the_least_elevation_to_straight_overhead() -> None:
    text = "mission: wren\nframes:\n  sheet:\n    fields: [{name: body, bits: 8}]\npasses: {altitude_km: 550, minimum_elevation_deg: "
    horizon = places(packetkit.parse(text + "0}\n").passes, None)
    assert [round(one.elevation_deg or 0.0) for one in horizon] == [0, 5, 10, 15, 20, 30, 45, 60, 90]
    assert (horizon[0].elevation_deg, horizon[-1].distance_km) == pytest.approx((0, 550), abs=1e-6)
    higher = places(packetkit.parse(text + "10}\n").passes, None)
    assert [one.distance_km for one in higher] == [one.distance_km for one in horizon[2:]]


def test_the_words_of_the_language_are_the_rows_of_the_radio_tables() -> None:
    assert tuple(link.NOISE) == NOISE_PLACES
    assert regions.REGIONS == REGIONS
    assert tuple(sensitivity.RECEIVERS) == RECEIVERS
    figures = {*END_KEYS, *LINK_KEYS, *CHIRP_KEYS}
    assert set(link.LIMITS) <= figures


def test_a_noise_figure_takes_the_place_of_the_data_sheet() -> None:
    from packetkit.radio.settings import Setting

    found = sensitivity.sensitivity(Setting(12, 125), "sx1262", 2.0)
    assert not found.from_table and "2 dB as given" in found.source
    assert found.dbm == pytest.approx(-174 + 10 * math.log10(125_000) + 2 - 20)


def test_noise_above_what_the_document_states_is_said_to_be_continued() -> None:
    said = {mhz: link._noise_source(link.Between(mhz, noise="city")) for mhz in (145.0, 250.0, 437.2)}
    assert [one.endswith(", continued above 250 MHz") for one in said.values()] == [False, False, True]


def test_man_made_noise_weakens_the_downlink_only() -> None:
    assert link.noise_rise_db(None, 145, 0, 6) == 0
    # City at 145 MHz: 76.8 - 27.7 log 145 = 16.9 dB above kT, 10.9 dB above a receiver of 6 dB: worked by hand.
    assert link.noise_rise_db("city", 145, 0, 6) == pytest.approx(11.1, abs=0.1)
    quiet = link.up(link.Between(145, noise="city"))
    assert quiet.noise is None


@pytest.mark.parametrize(
    ("receiver", "factors"),
    [
        # The old family begins with SF6, of which it has implicit headers only (SX1276 data sheet, p. 31); the new one's SF6 has two
        # more symbols of sync (SX1261/2 data sheet, 6.1.4). LLCC68 data sheet: SF9 at most at 125 kHz (from memory).
        ("sx1276", [7, 8, 9, 10, 11, 12]),
        ("sx1262", [5, 6, 7, 8, 9, 10, 11, 12]),
        ("llcc68", [5, 6, 7, 8, 9]),
    ],
)
def test_only_what_both_ends_radios_can_do_is_offered(receiver: str, factors: list[int]) -> None:
    """Invented: a link of the new family's modem at SF7."""
    mission = packetkit.parse(
        "mission: wren\nframes: {beep: {cadence_s: 10, fields: [{name: a, bits: 8}]}}\n"
        "link: {chirp: {spreading_factor: 7, bandwidth_khz: 125, frequency_mhz: 437.2}, unit: {power_dbm: 14}, "
        f"ground: {{antenna_gain_dbi: 2, receiver: {receiver}}}}}\npasses: {{duration_s: 300, distance_km: 30}}\n"
    )
    shown = picture(mission, places(mission.passes, None)).choices
    assert [choice.setting.spreading_factor for choice in shown] == factors
    assert mission.passes is not None
    swept = sweep(mission, window_of(mission.passes))
    assert {
        cell.setting.spreading_factor for cell in swept.cells if cell.setting.bandwidth.hertz == 125_000
    } == set(factors)
    told = [reason for reason in swept.dropped if reason.startswith("the receiver cannot")]
    assert bool(told) is (receiver != "sx1262")
    asked: dict[str, Any] = {"spreading_factor": 5}
    if 5 in factors:
        assert with_setting(mission, asked).link.setting is not None
    else:
        with pytest.raises(
            RadioError, match="the receiver of the ground: sx1276 has no SF5; use SF7 or more"
        ):
            with_setting(mission, asked)
