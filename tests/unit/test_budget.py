"""The data budget: frames, bytes and useful bits of a pass, counted as WIRE.md rule 23 says."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from fractions import Fraction
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

import packetkit
from packetkit.cli.main import main
from packetkit.mission.budget import allowance, budget, frame_counts
from packetkit.mission.load import Mission
from packetkit.mission.passes import window_of
from packetkit.radio import CAUTION

# Invented. 24 bytes at SF10 and 125 kHz last 370.688 ms (RP002: the longest payload under a dwell of 400 ms there).
ONE_FRAME = """
mission: lapwing
frames:
  beacon:
    fields:
      - {name: counter, bits: 8}
      - {name: samples, repeat: 21, bits: 8}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
link:
  chirp: {spreading_factor: 10, bandwidth_khz: 125}
"""


def mission(passes: str, link: str = "", cadence: str = "") -> Mission:
    text = ONE_FRAME.replace("    fields:", f"    {cadence}\n    fields:") if cadence else ONE_FRAME
    return packetkit.parse(text + link + passes)


def counted(made: Mission) -> tuple[int, int, int]:
    assert made.passes is not None
    result = budget(made, window_of(made.passes))
    return result.frames, result.bytes_per_pass, result.useful_bits_per_pass


def test_frames_without_a_cadence_fill_the_pass() -> None:
    # 400 s / 0.370688 s = 1079.07 (worked by hand); 24 bytes each, 22 of them values.
    assert counted(mission("passes: {duration_s: 400}\n")) == (1079, 1079 * 24, 1079 * 176)


def test_a_frame_that_varies_counts_at_its_longest_and_is_told_to_vary() -> None:
    fixed = mission("passes: {duration_s: 400}\n")
    varying = packetkit.parse(
        ONE_FRAME.replace("repeat: 21", "repeat: {count: held}").replace(
            "- {name: samples", "- {name: held, kind: count, bits: 8, maximum: 20}\n      - {name: samples"
        )
        + "passes: {duration_s: 400}\n"
    )
    for made, varies in ((fixed, False), (varying, True)):
        assert made.passes is not None
        (share,) = budget(made, window_of(made.passes)).shares
        assert (share.frame_bytes, share.varies) == (24, varies)


def test_the_gap_after_each_frame_counts() -> None:
    # 400 / 0.470688 = 849.8
    assert counted(mission("passes: {duration_s: 400}\n", "  gap_s: 0.1\n"))[0] == 849


def test_a_cadence_longer_than_the_airtime_decides() -> None:
    assert counted(mission("passes: {duration_s: 400}\n", cadence="cadence_s: 10"))[0] == 40


def test_a_cadence_shorter_than_the_airtime_does_not() -> None:
    assert counted(mission("passes: {duration_s: 400}\n", cadence="cadence_s: 0.1"))[0] == 1079


def test_the_share_of_the_hour_limits_airtime() -> None:
    # 1 % of an hour is 36 s of airtime: 36 / 0.370688 = 97.1 frames, though the pass would hold 1079.
    assert counted(mission("passes: {duration_s: 400}\n", "  share_of_hour_percent: 1\n"))[0] == 97


def test_a_share_above_the_pass_changes_nothing() -> None:
    assert counted(mission("passes: {duration_s: 300}\n", "  share_of_hour_percent: 10\n"))[0] == 809


def test_a_pass_longer_than_an_hour_has_the_share_in_each_hour() -> None:
    assert allowance(Fraction(9000), Fraction(1, 100)) == 90
    assert allowance(Fraction(400), Fraction(1, 100)) == 36
    assert allowance(Fraction(20), Fraction(1, 100)) == 20


def test_the_mean_pass_is_the_default_and_the_overhead_one_is_longer() -> None:
    made = mission("passes: {altitude_km: 500, minimum_elevation_deg: 10}\n")
    assert made.passes is not None
    mean, overhead = window_of(made.passes), window_of(made.passes, "overhead")
    # Computed from the closed form on a non-rotating Earth of 6378.137 km: 7.38 and 5.81 minutes.
    assert round(float(overhead.duration_s) / 60, 2) == 7.38
    assert round(float(mean.duration_s) / 60, 2) == 5.81
    assert mean.basis == "mean" and overhead.basis == "overhead"


def test_more_than_fits_is_a_finding_with_the_numbers() -> None:
    text = ONE_FRAME.replace("    fields:", "    cadence_s: 0.5\n    fields:")
    text = text.replace(
        "link:",
        "  other:\n    cadence_s: 0.5\n    fields:\n      - {name: value, repeat: 30, bits: 8}\nlink:",
    )
    made = packetkit.parse(text + "passes: {duration_s: 100}\n")
    assert made.passes is not None
    result = budget(made, window_of(made.passes))
    # 200 frames of 24 bytes (370.688 ms) and 200 of 30 bytes (452.608 ms, worked by the data sheet's formula).
    assert result.findings[0].startswith("beacon, other: the cadences ask for 164.7 s of a pass of 100.0 s")


def test_a_pass_that_is_just_filled_is_no_finding() -> None:
    # 0.370688 s on the air and 0.129312 s of silence make half a second: 200 frames fill 100 s to the last microsecond.
    text = ONE_FRAME.replace("    fields:", "    cadence_s: 0.5\n    fields:") + "  gap_s: 0.129312\n"
    full, short = (packetkit.parse(f"{text}passes: {{duration_s: {one}}}\n") for one in ("100", "99.999"))
    for made, findings in ((full, 0), (short, 0)):
        assert made.passes is not None
        result = budget(made, window_of(made.passes))
        assert len(result.findings) == findings and result.frames == (200 if made is full else 199)


def test_the_share_of_the_hour_is_a_hundredth_of_its_percent() -> None:
    made = mission("passes: {duration_s: 400}\n", "  share_of_hour_percent: 0.1\n")
    assert made.link.share_of_hour == Fraction(1, 1000)
    assert mission("passes: {duration_s: 400}\n").link.share_of_hour is None
    # 0.1 % of an hour is 3.6 s: 9.7 frames.
    assert counted(made)[0] == 9


def test_a_frame_longer_than_a_packet_is_refused() -> None:
    made = packetkit.parse(ONE_FRAME.replace("repeat: 21", "repeat: 300") + "passes: {duration_s: 100}\n")
    assert made.passes is not None
    with pytest.raises(packetkit.RadioError, match="303 bytes do not fit a packet of 255"):
        budget(made, window_of(made.passes))


def test_a_frame_that_runs_to_the_end_counts_at_the_longest_the_link_takes() -> None:
    text = ONE_FRAME.replace("repeat: 21", "repeat: {to_end: true}").replace(
        "link:", "link:\n  maximum_frame_bytes: 24"
    )
    assert counted(packetkit.parse(text + "passes: {duration_s: 400}\n")) == (1079, 1079 * 24, 1079 * 176)


@given(
    st.fractions(min_value=1, max_value=10_000),
    st.lists(
        st.tuples(st.fractions(Fraction(1, 100), 5), st.none() | st.fractions(Fraction(1, 10), 500)),
        min_size=1,
        max_size=5,
    ),
    st.fractions(min_value=0, max_value=2),
    st.fractions(min_value=Fraction(1, 1000), max_value=1),
)
def test_what_has_no_cadence_never_overfills_the_pass(
    duration: Fraction, frames: list[tuple[Fraction, Fraction | None]], gap: Fraction, share: Fraction
) -> None:
    class Shape:
        def __init__(self, cadence_s: Fraction | None) -> None:
            self.cadence_s = cadence_s

    layouts: dict[str, Any] = {f"f{i}": Shape(cadence) for i, (_, cadence) in enumerate(frames)}
    times = {f"f{i}": time for i, (time, _) in enumerate(frames)}
    allowed = allowance(duration, share)
    counts = frame_counts(layouts, times, duration, allowed, gap)
    cadenced = {name for name, shape in layouts.items() if shape.cadence_s is not None}
    asked_s = sum(counts[name] * (times[name] + gap) for name in cadenced)
    asked_air_s = sum(counts[name] * times[name] for name in cadenced)
    for name in cadenced:
        assert counts[name] == duration // max(layouts[name].cadence_s, times[name] + gap)
    if asked_s <= duration and asked_air_s <= allowed:
        assert sum(n * (times[name] + gap) for name, n in counts.items()) <= duration
        assert sum(n * times[name] for name, n in counts.items()) <= allowed


# -- the command ---------------------------------------------------------------------------------------------------------

SCHEMA = json.loads((Path(__file__).parents[1] / "documents" / "json" / "budget.schema.json").read_text())


@pytest.fixture
def schema_file(tmp_path: Path) -> str:
    path = tmp_path / "lapwing.yaml"
    path.write_text(ONE_FRAME + "passes: {altitude_km: 510, minimum_elevation_deg: 10, per_day: 4}\n")
    return str(path)


def test_the_document_keeps_its_keys(schema_file: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["budget", schema_file, "--json"]) == 0
    document = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    jsonschema.validate(document, SCHEMA)
    one = document["frames"]["beacon"]
    assert (
        one["frames_per_pass"] == document["frames_per_pass"] == int(document["pass_duration_s"] / 0.370688)
    )
    assert document["useful_bits_per_pass"] == one["frames_per_pass"] * 176


def test_a_given_duration_takes_the_place_of_the_orbit(
    schema_file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["budget", schema_file, "--duration-s", "400", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, SCHEMA)
    assert document["frames_per_pass"] == 1079
    assert document["pass_duration_mean_s"] is None


def test_the_text_fits_80_columns_and_shows_the_caution_once(
    schema_file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["budget", schema_file]) == 0
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 80
    assert " ".join(text.split()).count(CAUTION) == 1


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--duration-s", "0"], "not a number above 0"),
        (["--duration-s", "soon"], "not a number above 0"),
        (["--altitude-km", "99999"], "outside 100 to 2000 km"),
        (["--altitude-km", "500", "--duration-s", "3"], "not both"),
        (["--duration-s", "300", "--pass", "overhead"], "neither mean nor overhead"),
    ],
)
def test_a_refused_number_is_misuse(
    schema_file: str, arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["budget", schema_file, *arguments]) == 2
    assert words in capsys.readouterr().err


def test_a_schema_without_passes_or_radio_says_what_to_add(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bare.yaml"
    path.write_text(ONE_FRAME)
    assert main(["budget", str(path)]) == 2
    assert "add passes" in capsys.readouterr().err
    assert main(["budget", str(path), "--altitude-km", "500"]) == 2
    assert "--minimum-elevation-deg: an orbit's pass needs it" in capsys.readouterr().err
    assert main(["budget", str(path), "--minimum-elevation-deg", "5"]) == 2
    assert "--altitude-km: an orbit's pass needs it" in capsys.readouterr().err
    path.write_text(ONE_FRAME[: ONE_FRAME.index("link:")] + "passes: {duration_s: 10}\n")
    assert main(["budget", str(path)]) == 2
    assert "add link" in capsys.readouterr().err


@pytest.mark.parametrize("encoding", ["cp1252", "cp437", "ascii"])
def test_old_terminals_can_show_it(schema_file: str, encoding: str) -> None:
    environment = {**os.environ, "PYTHONIOENCODING": encoding}
    done = subprocess.run(
        [sys.executable, "-m", "packetkit", "budget", schema_file],
        env=environment,
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "beacon" in done.stdout.decode(encoding)
