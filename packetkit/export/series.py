"""Decoded frames as lines over time, ready to be drawn: which fields share a panel, where lines break, which panels share a page.

One panel is one quantity: a field, or the elements of a list; flags stand below each other in lanes of one panel, states are steps under
their names. A line breaks where frames are missing by their counter, where much more time than usual went by, and where there is no value.
What would surprise a reader: counters, clocks, tags and versions (known by their roles) are not drawn; without any time, frames stand in
the order of the capture.
"""

from __future__ import annotations

import re
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from packetkit.captures.continuity import Continuity
from packetkit.captures.stream import Good
from packetkit.codec import cells
from packetkit.codec.cells import Cell
from packetkit.export.times import Times
from packetkit.layout.model import Layout

Numbers = npt.NDArray[np.float64]

# A pause of so many usual steps breaks a line, where no counter tells.
PAUSE = 5
# More places than this across are no longer told apart; beyond, each place shows its least and its largest value.
PLACES = 1_500
PANELS_A_PAGE = 6
LINES_A_PANEL = 6
LANES_A_PANEL = 10

_UNDRAWN = ("sequence", "clock", "frame_id", "version", "call_sign")
_INDEX = re.compile(r"\[[0-9]+\]")
_NOTHING = float("nan")


@dataclass(frozen=True)
class Line:
    """One line of a panel: NaN where it breaks."""

    label: str
    times: Numbers
    values: Numbers


@dataclass(frozen=True)
class Panel:
    """One quantity. names: what whole values mean, for states; lanes: lines are flags, each in a lane of its own."""

    title: str
    unit: str
    lines: tuple[Line, ...]
    names: tuple[tuple[int, str], ...] = ()
    lanes: bool = False
    is_whole: bool = False  # whole numbers only


@dataclass(frozen=True)
class Page:
    """Panels above each other over one axis. axis: `instant` (seconds since 1970-01-01 UTC), `clock`, `day` (seconds since
    midnight) or `frames`.
    """

    title: str
    axis: str
    panels: tuple[Panel, ...]


@dataclass
class Series:
    """The values of one kind of frame over time; 8 bytes a value are kept."""

    layout: Layout
    _starts: array[float] = field(default_factory=lambda: array("d"))
    _breaks: list[bool] = field(default_factory=list)
    _columns: dict[str, array[float]] = field(default_factory=dict)
    _most: dict[int, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._times, self._continuity = Times(self.layout), Continuity(self.layout)
        self._codes: dict[str, dict[str, int]] = {}

    def take(self, event: Good) -> None:
        """Note a good frame, which holds a plain record; one without a time, where others have one, is not drawn."""
        time = self._times.of(event)
        if self._times.source and time is None:
            return
        verdict = self._continuity.take(event.record, event.data, event.offset)
        self._breaks.append(verdict in ("gap", "reset"))
        rows = len(self._starts)
        self._starts.append(rows if time is None else float(time))
        cells.longest_lists(self.layout, event.record, self._most)
        for cell in cells.cells(self.layout, event.record, self._most):
            value = self._number(cell)
            if value is None:
                continue
            column = self._columns.setdefault(cell.path, array("d"))
            column.extend([_NOTHING] * (rows - len(column)))
            column.append(value)

    def _number(self, cell: Cell) -> float | None:
        """What is drawn of a cell; None where there is nothing, and for texts and octets."""
        value = cell.value
        if isinstance(value, str) and cell.slot is not None and cell.slot.states:
            if cell.path not in self._codes:
                self._codes[cell.path] = {name: code for code, name in cell.slot.states}
            return float(self._codes[cell.path][value])
        return None if value is None or isinstance(value, (str, bytes)) else float(value)

    def pages(self, title: str) -> Iterator[Page]:
        """Yield the pages, none where no frame came."""
        if not self._starts:
            return
        axis = {"clock": "clock", "received": "day"}.get(self._times.source or "", "frames")
        axis = "instant" if self._times.is_absolute else axis
        panels = list(self._panels())
        pages = -(-len(panels) // PANELS_A_PAGE)
        for number in range(pages):
            shown = tuple(panels[number * PANELS_A_PAGE : (number + 1) * PANELS_A_PAGE])
            yield Page(f"{title}, page {number + 1} of {pages}" if pages > 1 else title, axis, shown)

    def _panels(self) -> Iterator[Panel]:
        """Every quantity in wire order, and the flags behind them."""
        groups: dict[str, list[Cell]] = {}
        flags = []
        for cell in cells.cells(self.layout, {}, self._most):
            if cell.slot is not None and cell.slot.kind == "flag":
                flags.append(cell)
            elif self._is_drawn(cell):
                groups.setdefault(_INDEX.sub("[]", cell.path), []).append(cell)
        for path, group in groups.items():
            for at in range(0, len(group), LINES_A_PANEL):
                yield self._panel(path if len(group) > 1 else group[0].path, group[at : at + LINES_A_PANEL])
        for at in range(0, len(flags), LANES_A_PANEL):
            lines = tuple(self._line(cell) for cell in flags[at : at + LANES_A_PANEL])
            yield Panel("flags", "", lines, lanes=True)

    def _is_drawn(self, cell: Cell) -> bool:
        if cell.path not in self._columns:
            return False
        role = cell.slot.role if cell.slot is not None else None
        return role is None or role.name not in _UNDRAWN

    def _panel(self, title: str, group: list[Cell]) -> Panel:
        one = group[0].derived or group[0].slot
        names = group[0].slot.states if group[0].slot is not None else ()
        lines = tuple(map(self._line, group))
        is_whole = all(bool(np.all(line.values % 1 == 0, where=np.isfinite(line.values))) for line in lines)
        return Panel(title, one.unit if one is not None else "", lines, names, is_whole=is_whole)

    def _line(self, cell: Cell) -> Line:
        rows = len(self._starts)
        column = self._columns.get(cell.path, array("d"))
        values = np.full(rows, _NOTHING)
        values[: len(column)] = column
        times = np.array(self._starts)
        order = np.argsort(times, kind="stable")
        times, values = times[order], values[order]
        breaks = np.array(self._breaks, np.bool_)[order]
        breaks[1:] |= _pauses(times)
        return thinned(broken(Line(cell.path, times, values), breaks))


def _pauses(times: Numbers) -> npt.NDArray[np.bool_]:
    """Where much more time than usual went by."""
    steps = np.diff(times)
    usual = float(np.median(steps)) if len(steps) else 0.0
    made: npt.NDArray[np.bool_] = steps > PAUSE * usual if usual else np.zeros(len(steps), np.bool_)
    return made


def broken(line: Line, breaks: npt.NDArray[np.bool_]) -> Line:
    """Return the line with a NaN in front of every point that does not go on from the one before."""
    places = np.flatnonzero(breaks[1:]) + 1
    between = (line.times[places - 1] + line.times[places]) / 2
    return replace(
        line, times=np.insert(line.times, places, between), values=np.insert(line.values, places, _NOTHING)
    )


def thinned(line: Line) -> Line:
    """Return a line that looks the same with fewer points: of each place across, the least and the largest value.

    A place without a value stays a break.
    """
    if len(line.times) <= 2 * PLACES:
        return line
    first, last = float(line.times[0]), float(line.times[-1])
    edges = np.searchsorted(line.times, np.linspace(first, last, PLACES + 1)[:-1])
    edges = np.unique(edges)
    least = np.fmin.reduceat(line.values, edges)
    most = np.fmax.reduceat(line.values, edges)
    times = line.times[edges]
    return replace(line, times=np.repeat(times, 2), values=np.column_stack([least, most]).reshape(-1))
