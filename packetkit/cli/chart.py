"""A chart of an experiment, as characters for a terminal and as a picture: one set of numbers, two forms."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from math import floor, log10

from packetkit.cli import output
from packetkit.cli.page import Page
from packetkit.cli.picture import bar
from packetkit.lab.experiment import Chart, Line

ROWS, COLUMNS = 12, 58
LETTERS = "abcdefghijklmnopqrstuvwxyz"
SHORTEST_DECADES = (
    1  # a logarithmic bar starts at most a decade below the least value, so that the least is seen
)


def drawn(chart: Chart, form: str) -> bytes:
    """The chart as a picture file of this format."""
    from packetkit.export import plots

    if chart.form == "bars":
        values = [value for _, value in chart.lines[0].points]
        return plots.bars(chart.title, chart.up, chart.names, values, form, log_up=chart.log_up)
    return plots.chart(
        chart.title,
        chart.across,
        chart.up,
        [plots.Series(*_plain(line)) for line in chart.lines],
        form,
        steps=chart.form == "step",
        log_across=chart.log_across,
        log_up=chart.log_up,
    )


def _plain(line: Line) -> tuple[str, Sequence[tuple[float, float]], bool, Sequence[float], Sequence[float]]:
    return line.name, line.points, line.points_only, line.low, line.high


def text(chart: Chart, page: Page) -> str:
    """The chart in characters, within the page."""
    if not any(line.points for line in chart.lines):
        return ""
    head = page.title(chart.title)
    return head + (_bars(chart, page) if chart.form == "bars" else _grid(chart, page))


def _bars(chart: Chart, page: Page) -> str:
    values = [value for _, value in chart.lines[0].points]
    lengths = [_length(value, values) for value in values] if chart.log_up else values
    room = max(page.width - max(map(len, chart.names), default=0) - 16, 10)
    columns = (output.Column(""), output.Column(chart.up, ">"), output.Column(""))
    rows: list[tuple[object, ...]] = [
        (name, f"{value:,.0f}" if value >= 1000 else f"{value:.3g}", bar(length, max(lengths), room))
        for name, value, length in zip(chart.names, values, lengths, strict=True)
    ]
    note = "Bars are logarithmic: the same length more is the same factor.\n" if chart.log_up else ""
    return page.table(columns, rows) + note


def _length(value: float, values: Sequence[float]) -> float:
    above = [one for one in values if one > 0]
    return log10(value) - log10(min(above)) + SHORTEST_DECADES if value > 0 else 0.0


def _grid(chart: Chart, page: Page) -> str:
    """Each line as a letter at its points; a step line also where it holds."""
    points = [point for line in chart.lines for point in line.points]
    across = _scale([x for x, _ in points], COLUMNS, chart.log_across)
    up = _scale([y for _, y in points], ROWS, chart.log_up)
    grid = [[" "] * COLUMNS for _ in range(ROWS)]
    for letter, line in zip(LETTERS, chart.lines, strict=False):
        for x, y in _filled(line, chart, across):
            cell = grid[ROWS - 1 - up(y)]
            cell[x] = letter if cell[x] in (" ", letter) else "*"
    ends = [f"{end:.3g}" for end in (max(y for _, y in points), min(y for _, y in points))]
    edge = max(map(len, ends))
    lines = [
        f"{(ends[0] if not row else ends[1] if row == ROWS - 1 else ''):>{edge}} |{''.join(cells).rstrip()}"
        for row, cells in enumerate(grid)
    ]
    low, high = (f"{end:.3g}" for end in (min(x for x, _ in points), max(x for x, _ in points)))
    lines.append(" " * edge + " +" + "-" * COLUMNS)
    lines.append(" " * (edge + 2) + low + high.rjust(COLUMNS - len(low)))
    named = ", ".join(f"{letter} {line.name}" for letter, line in zip(LETTERS, chart.lines, strict=False))
    scales = [
        words for words, is_log in ((chart.across, chart.log_across), (chart.up, chart.log_up)) if is_log
    ]
    note = f" ({' and '.join(scales)}: logarithmic)" if scales else ""
    return page.lines(lines) + page.wrapped(f"{chart.up} over {chart.across}{note}: {named}; * several")


def _scale(values: Sequence[float], cells: int, is_log: bool) -> Callable[[float], int]:
    """Return the function from a value to its cell, 0 to cells - 1."""
    inner: Callable[[float], float] = log10 if is_log else float
    low, high = inner(min(values)), inner(max(values))
    span = high - low or 1.0
    return lambda value: min(max(floor((inner(value) - low) / span * (cells - 1) + 0.5), 0), cells - 1)


def _filled(line: Line, chart: Chart, across: Callable[[float], int]) -> list[tuple[int, float]]:
    """The cells across with their values; between points the value that holds (step) or that lies between (line)."""
    cells = [(across(x), y) for x, y in line.points]
    if line.points_only or len(cells) < 2:
        return cells
    filled = []
    for (start, value), (end, following) in pairwise(cells):
        for x in range(start, end):
            share = (x - start) / (end - start)
            between = value if chart.form == "step" else _between(value, following, share, chart.log_up)
            filled.append((x, between))
    return [*filled, cells[-1]]


def _between(value: float, following: float, share: float, is_log: bool) -> float:
    if is_log and value > 0 and following > 0:
        return float(value * (following / value) ** share)
    return value + (following - value) * share
