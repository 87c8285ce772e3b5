"""Fields over time: where lines break, what shares a panel, that thinning hides no extreme; and the files that --picture writes."""

from __future__ import annotations

import struct
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import packetkit
from packetkit.captures.stream import Good
from packetkit.cli.main import main
from packetkit.export import plots
from packetkit.export.series import PLACES, Line, Series, thinned
from packetkit.resources import resource

BEAT = """mission: invented
frames:
  beat:
    fields:
      - {name: sequence, bits: 8, role: sequence}
      - {name: uptime, bits: 16, role: clock, tick_s: 1}
      - {name: level, bits: 8, unit: V, missing: true}
      - {name: mode, bits: 7, states: {0: idle, 3: busy}}
      - {name: lamp, kind: flag}
      - {name: parts, repeat: 2, bits: 8}
"""


def taken(rows: list[tuple[int, int, int | None]]) -> Series:
    """A series of frames with these sequence numbers, clocks and levels."""
    frame = packetkit.parse(BEAT).frame()
    made = Series(frame.layout)
    for number, (sequence, clock, level) in enumerate(rows):
        values = {
            "sequence": sequence,
            "uptime": clock,
            "level": level,
            "mode": "busy",
            "lamp": True,
            "parts": [1, 2],
        }
        data = frame.encode(values)
        made.take(Good("beat", number, data, frame.decode(data)))
    return made


def test_a_list_shares_a_panel_and_counters_are_not_drawn() -> None:
    (page,) = taken([(0, 0, 1), (1, 10, 2)]).pages("beat")
    assert page.axis == "clock" and [panel.title for panel in page.panels] == [
        "level",
        "mode",
        "parts[]",
        "flags",
    ]
    level, mode, parts, flags = page.panels
    assert level.unit == "V" and mode.names == ((0, "idle"), (3, "busy")) and flags.lanes
    assert [line.label for line in parts.lines] == ["parts[0]", "parts[1]"]


def test_a_line_breaks_where_frames_or_values_are_missing_and_nowhere_else() -> None:
    (page,) = taken([(0, 0, 1), (1, 10, 2), (3, 30, 4), (4, 40, None), (5, 50, 6)]).pages("beat")
    line = page.panels[0].lines[0]
    assert line.times.tolist() == [0, 10, 20, 30, 40, 50]
    assert np.isnan(line.values).tolist() == [False, False, True, False, True, False]
    lamp = page.panels[3].lines[0]
    assert np.isnan(lamp.values).tolist() == [False, False, True, False, False, False]


def test_a_long_pause_breaks_a_line_though_no_number_is_missing() -> None:
    (page,) = taken([(0, 0, 1), (1, 10, 2), (2, 20, 3), (3, 500, 4)]).pages("beat")
    assert np.isnan(page.panels[0].lines[0].values).tolist() == [False, False, False, True, False]


@settings(max_examples=20)
@given(st.integers(0, 10**6), st.integers(2 * PLACES + 1, 20_000))
def test_thinning_keeps_the_extremes_and_the_gaps(seed: int, rows: int) -> None:
    chance = np.random.default_rng(seed)
    values = chance.normal(size=rows)
    times = np.sort(chance.uniform(0, 1000, rows))
    hole = (times > 400) & (times < 410)  # several places wide: a place is 2/3 of a unit
    values[hole] = np.nan
    made = thinned(Line("x", times, values))
    assert len(made.times) <= 2 * PLACES
    assert np.nanmin(made.values) == np.nanmin(values) and np.nanmax(made.values) == np.nanmax(values)
    inside = (made.times > 401) & (made.times < 409)
    assert (
        inside.any() == bool((hole & (times > 401) & (times < 409)).any())
        and np.isnan(made.values[inside]).all()
    )


def test_the_picture_says_quantities_units_and_the_axis(tmp_path: Path) -> None:
    schema, capture = str(resource("schemas/plover.yaml")), str(resource("schemas/plover.capture"))
    arguments = ["decode", schema, capture, "--format", "csv", "-o", str(tmp_path / "x.csv"), "--picture"]
    assert main([*arguments, str(tmp_path / "x.svg")]) == 1
    text = "".join((tmp_path / name).read_text() for name in ("x.svg", "x-2.svg", "x-3.svg"))
    for words in (
        "sounding, page 1 of 3",
        "air.pressure",
        "hPa",
        "seconds of the clock",
        "state.heater_on",
        "ascent",
    ):
        assert f"<!-- {words} -->" in text
    assert main([*arguments, str(tmp_path / "x.png")]) == 1
    head = (tmp_path / "x.png").read_bytes()[:24]
    # PNG (ISO/IEC 15948), 5.2 and 11.2.2: the signature, then width and height in the first chunk.
    assert (
        head[:8] == b"\x89PNG\r\n\x1a\n"
        and struct.unpack(">I", head[16:20])[0] == plots.INCHES[0] * plots.DOTS_PER_INCH
    )


def test_instants_are_drawn_as_dates(tmp_path: Path) -> None:
    (tmp_path / "beat.yaml").write_text(BEAT.replace("tick_s: 1", "tick_s: 1, epoch: 2030-01-31T23:00:00Z"))
    frame = packetkit.load(str(tmp_path / "beat.yaml")).frame()
    record = {"level": 3, "mode": "idle", "lamp": False, "parts": [1, 2]}
    data = [frame.encode({"sequence": n, "uptime": n * 60, **record}) for n in range(10)]
    (tmp_path / "beat").write_bytes(b"".join(data))
    assert (
        main(
            [
                "decode",
                str(tmp_path / "beat.yaml"),
                str(tmp_path / "beat"),
                "--picture",
                str(tmp_path / "x.svg"),
            ]
        )
        == 0
    )
    assert (
        "<!-- UTC -->" in (tmp_path / "x.svg").read_text()
        and "2030-Jan-31" in (tmp_path / "x.svg").read_text()
    )


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--picture", "x.gif"), "ends in .png, .svg, .pdf"),
        (("--picture", "x.png", "-o", "x.png"), "name one file"),
        (("--picture", "x.png", "--follow", "--from", "binary"), "drawn at the end"),
    ],
)
def test_what_cannot_be_drawn_is_told(
    arguments: tuple[str, ...],
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    schema, capture = str(resource("schemas/plover.yaml")), str(resource("schemas/plover.capture"))
    assert main(["decode", schema, capture, *arguments]) == 2
    assert said in capsys.readouterr().err and not list(tmp_path.iterdir())


def test_an_absent_library_is_told_before_the_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("matplotlib", "matplotlib.figure"):
        monkeypatch.setitem(sys.modules, name, None)
    schema, capture = str(resource("schemas/plover.yaml")), str(resource("schemas/plover.capture"))
    assert main(["decode", schema, capture, "--picture", str(tmp_path / "x.png")]) == 2
    assert "packetkit[plots]" in capsys.readouterr().err and not list(tmp_path.iterdir())


def test_states_without_a_name_are_drawn_and_none_lasts_beyond_a_break(tmp_path: Path) -> None:
    (tmp_path / "beat.yaml").write_text(BEAT)
    frame = packetkit.load(str(tmp_path / "beat.yaml")).frame()
    record = {"level": 3, "lamp": False, "parts": [1, 2]}
    data = [
        frame.encode({"sequence": n, "uptime": n * 60, "mode": {"raw": 100 + n % 8}, **record})
        for n in range(20)
    ]
    (tmp_path / "beat").write_bytes(b"".join(data))
    arguments = ["decode", str(tmp_path / "beat.yaml"), str(tmp_path / "beat"), "--picture"]
    assert main([*arguments, str(tmp_path / "x.svg")]) == 0
    text = (tmp_path / "x.svg").read_text()
    assert all(f"<!-- {word} -->" in text for word in ("idle", "busy", "100", "102", "104", "106"))
    assert "<!-- 101 -->" not in text  # no more than four labels without a name
    line = Line("mode", np.array([0.0, 1.0, 5.0, 9.0]), np.array([1.0, 2.0, np.nan, 3.0]))
    assert plots._up_to_breaks(line).tolist() == [0.0, 1.0, 1.0, 9.0]
