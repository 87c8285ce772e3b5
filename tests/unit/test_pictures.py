"""`--picture`: files of the asked format, the same bytes each time, greys only; and what is refused."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from packetkit.cli.main import main
from packetkit.cli.picture import bar
from packetkit.errors import InputError
from packetkit.export import plots
from packetkit.resources import resource

HERON = str(resource("schemas/heron.yaml"))
AIRTIME = ["airtime", "--bytes", "24", "--spreading-factor", "10", "--bandwidth-khz", "125"]
BEGINS = {"png": b"\x89PNG\r\n", "svg": b"<?xml", "pdf": b"%PDF-"}
DAY = (((1.0, 1.1), (2.5, 2.7)), ((0.0, 0.0), (24.0, 2400.0)), ((0.0, 0.0), (1.1, 500.0), (2.7, 900.0)))


@pytest.mark.parametrize("form", plots.FORMATS)
def test_a_picture_is_a_file_of_its_format_and_the_same_each_time(form: str) -> None:
    made = [plots.day(*DAY, "a day", form) for _ in range(2)]
    assert made[0].startswith(BEGINS[form]) and made[0] == made[1]


def test_every_command_draws(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for number, arguments in enumerate((["link", HERON], ["plan", HERON], AIRTIME)):
        target = tmp_path / f"{number}.svg"
        assert main([*arguments, "--picture", str(target)]) == 0
        assert target.read_bytes().startswith(BEGINS["svg"])
        assert capsys.readouterr().out


def test_no_word_of_the_frontier_covers_the_title_or_a_point(monkeypatch: pytest.MonkeyPatch) -> None:
    figures: list[Any] = []

    def kept(figure: Any, form: str) -> bytes:
        figures.append(figure)
        return b""

    monkeypatch.setattr(plots, "_bytes", kept)
    # The best brings most of all, at either end: as many bytes with little and with much margin.
    points = [(0.0, 900.0), (5.0, 900.0), (20.0, 900.0), (20.0, 100.0)]
    plots.frontier(
        points, points[:3], [("SF7 125 kHz", *points[0]), ("SF12 62.5 kHz", *points[2])], "title", "png"
    )
    (figure,) = figures
    figure.canvas.draw()
    (axes,), (legend,) = figure.axes, figure.legends
    assert "bytes, margin and energy" in legend.get_texts()[1].get_text()
    assert not legend.get_window_extent().overlaps(axes.get_window_extent())
    for words in axes.texts:
        assert not words.get_window_extent().overlaps(axes.title.get_window_extent())
        for point in points:
            assert not words.get_window_extent().contains(*axes.transData.transform(point))


def test_pictures_are_drawn_in_greys() -> None:
    from io import BytesIO

    import numpy as np
    from matplotlib.image import imread

    pictures = (
        plots.day(*DAY, "a day", "png"),
        plots.margin_over_time([0, 1, 2], [1, 5, 1], [8, 0, -8], "a pass", "png"),
        plots.staircase([(0, 4, 200.0), (5, 9, 240.0)], (7, 240.0), "steps", "png"),
        plots.frontier([(0, 1), (1, 2), (3, 1)], [(1, 2), (3, 1)], [("one", 1, 2)], "frontier", "png"),
    )
    for picture in pictures:
        pixels = np.asarray(imread(BytesIO(picture)))[..., :3]
        assert np.abs(pixels - pixels[..., :1]).max() < 0.01
        assert pixels.min() < 0.2 and pixels.mean() > 0.7


def test_axes_say_numbers_in_digits_as_far_as_a_person_reads_them_so() -> None:
    def axis(low: float, high: float, log: bool) -> str:
        line = plots.Series("a", ((0.0, low), (60_000.0, high)))
        made = plots.chart("t", "x", "y", [line], "svg", steps=False, log_across=False, log_up=log)
        return made.decode()

    # An SVG keeps each text that is drawn beside its outlines, as a remark.
    for said in ("<!-- 60,000 -->", "<!-- 100 -->", "<!-- 300 -->"):
        assert said in axis(90, 700, log=True)
    assert "<!-- 1,000 -->" in axis(0, 1000, log=False)
    assert "<!-- 1,000,000 -->" in axis(1, 1e6, log=True)
    assert "mathdefault{10^{-5}}" in axis(1e-6, 1, log=True), "beyond that, powers of ten"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["link", HERON, "--picture", "x.bmp"], "ends in .png, .svg, .pdf"),
        (["link", HERON, "--picture", "picture"], "ends in .png, .svg, .pdf"),
        (["link", HERON, "--distance-km", "5", "--picture", "x.png"], "leave --distance-km out"),
        (["passes", HERON, "--picture", "x.png"], "draws passes of elements"),
        (["plan", HERON, HERON, "--together", "--picture", "x.png"], "frontier of settings"),
        ([*AIRTIME, "--picture", "x.png", "-o", "x.png"], "name one file"),
    ],
)
def test_what_cannot_be_drawn_is_misuse(
    arguments: list[str],
    words: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == 2
    assert words in " ".join(capsys.readouterr().err.split())
    assert not list(tmp_path.iterdir())


def test_an_absent_extra_is_named(tmp_path: Path) -> None:
    program = (
        "import sys; sys.modules['matplotlib'] = None; sys.modules['matplotlib.figure'] = None\n"
        "from packetkit.cli.main import main; sys.exit(main(sys.argv[1:]))"
    )
    arguments = [sys.executable, "-c", program, *AIRTIME, "--picture", str(tmp_path / "x.png")]
    done = subprocess.run(arguments, capture_output=True, text=True, check=False)
    assert done.returncode == 2 and "packetkit[plots]" in done.stderr


def test_labels_that_would_cover_each_other_are_left_out() -> None:
    named = [("one", 0.0, 100.0), ("two", 0.5, 101.0), ("three", 8.0, 101.0)]
    assert [words for words, _, _ in plots._apart(named)] == ["one", "three"]


def test_bars_are_as_long_as_their_share() -> None:
    assert len(bar(5, 10, 20)) == 10 and len(bar(10, 10, 20)) == 20
    assert bar(0, 10, 20) == bar(-3, 10, 20) == bar(1, 0, 20) == ""
    assert len(bar(0.001, 10, 20)) == 1


def test_a_picture_of_another_format_is_refused() -> None:
    with pytest.raises(InputError):
        plots.format_of("drawing.gif")
