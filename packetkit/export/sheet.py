"""Events as rows under titles: what CSV, tables and databases have in common.

A row is a lead (frame, offset, ok, reason, and what was asked for beside it), then a value for every path, then codes, calibrated
values and words on limits where they were asked for. Frames of several kinds in one sheet have their columns side by side, and a path
that two of them have is one column. What would surprise a reader: no path has a blank in it, so a title with one is never a field's.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from packetkit.captures.stream import Failed, Good, Received
from packetkit.codec import cells
from packetkit.codec.calibrate import curves
from packetkit.codec.cells import Cell
from packetkit.export import columns
from packetkit.layout.fingerprint import fingerprint as layout_fingerprint
from packetkit.layout.limits import beyond
from packetkit.layout.model import Layout

LEAD = ("frame", "offset", "ok", "reason")

# What a capture says beside a frame, and where a row comes from: columns behind the lead, where they were asked for.
BESIDE = ("received_time", "rssi_dbm", "snr_db")
TRACE = ("file", "fingerprint")

# The column of a sheet for what is no known frame: all that there is.
BYTES = "bytes"

# The last column, where values have limits: which of them are beyond one.
BEYOND = "beyond limits"

# What the columns of a calibrated value and of a code on the wire are called, behind the field's path.
CALIBRATED, RAW = " calibrated", " raw"

# What the columns of the lead and of words hold; packetkit/codec/bulk/holding.py names what those of values hold.
_HELD = {
    "offset": "int64",
    "ok": "flag",
    "rssi_dbm": "double",
    "snr_db": "double",
}


@dataclass(slots=True)
class Origin:
    """The file that is being decoded: of several, one after another."""

    file: str


@dataclass(frozen=True, slots=True)
class Style:
    """How rows are written. for_comma_countries: semicolons between cells and a comma in numbers, as spreadsheets of half of Europe ask.

    received: columns for time and signal; trace: the file that rows come from, None for no such columns; raw: a
    column for each field's code on the wire; units: the unit behind a title.
    """

    for_comma_countries: bool = False
    received: bool = False
    trace: Origin | None = None
    raw: bool = False
    units: bool = False

    @property
    def file(self) -> str:
        """The file that is being decoded, empty where rows do not say it."""
        return "" if self.trace is None else self.trace.file

    def of_file(self, name: str) -> None:
        """Take it that what comes now is of this file."""
        if self.trace is not None:
            self.trace.file = name

    @property
    def lead(self) -> tuple[str, ...]:
        """The titles in front of the values."""
        return (*LEAD, *(BESIDE if self.received else ()), *(TRACE if self.trace is not None else ()))


PLAIN = Style()


class Column(NamedTuple):
    """One column: its title, what it holds (a word of packetkit/codec/bulk/holding.py), its unit, the path it belongs to."""

    title: str
    holds: str
    unit: str = ""
    path: str = ""


def is_too_wide(layouts: Iterable[Layout]) -> bool:
    """Return whether columns for the longest lists there can be would be too many, or have no bound."""
    widths = [columns.width(layout) for layout in layouts]
    return any(width is None for width in widths) or sum(map(int, filter(None, widths))) > columns.WIDEST


class Sheet:
    """The columns of a mission's frames. most: how many elements each list of a frame has columns for.

    Without it lists have columns for as many elements as there can be. Events hold plain records, or with `needs_detail` detailed ones.
    A sheet of no frame, for what is none, has a column for the bytes instead of values.
    """

    def __init__(
        self,
        layouts: Mapping[str, Layout],
        most: Mapping[str, Mapping[int, int]] | None = None,
        serial: str | None = None,
        style: Style = PLAIN,
    ) -> None:
        self.layouts, self.style = layouts, style
        self.needs_detail = serial is not None or style.raw
        self._fingerprints = {
            name: layout_fingerprint(layout) for name, layout in layouts.items() if style.trace is not None
        }
        self._most = most or {}
        self.places: dict[str, int] = {}
        for name in layouts:
            for cell in self._cells(name):
                self.places.setdefault(cell.path, len(self.places))
        for name in layouts if style.raw else ():
            for cell in self._cells(name):
                if cell.has_code:
                    self.places.setdefault(cell.path + RAW, len(self.places))
        for name, layout in layouts.items() if serial is not None else ():
            known = curves(layout, serial) if serial is not None else {}
            for cell in self._cells(name) if known else ():
                if cell.derived is not None or (cell.slot is not None and cell.slot.address in known):
                    self.places.setdefault(cell.path + CALIBRATED, len(self.places))
        self.has_limits = columns.has_limits(layouts.values())

    @property
    def takes_blocks(self) -> bool:
        """Whether columns can be its rows (packetkit/export/blocks.py): words on limits and calibrated values are made frame by frame."""
        is_plain = not self.needs_detail or self.style.raw
        return is_plain and not self.has_limits and not self.style.received

    def _cells(self, name: str, record: Mapping[str, Any] | None = None) -> Iterator[Cell]:
        return cells.cells(self.layouts[name], record or {}, self._most.get(name))

    def titles(self) -> list[str]:
        """Return the titles of all columns."""
        units = self._units() if self.style.units else {}
        said = [f"{title} [{units[title]}]" if units.get(title) else title for title in self.places]
        bare = [] if self.layouts else [BYTES]
        return [*self.style.lead, *said, *bare, *([BEYOND] if self.has_limits else [])]

    def _units(self) -> dict[str, str]:
        """The unit of each column that has one; codes have none, and frames that disagree on a path's unit leave it out."""
        found: dict[str, set[str]] = {}
        for name in self.layouts:
            for cell in self._cells(name):
                one = cell.derived or cell.slot
                found.setdefault(cell.path, set()).add(one.unit if one is not None else "")
        single = {path: next(iter(units)) for path, units in found.items() if len(units) == 1}
        return {**single, **{path + CALIBRATED: unit for path, unit in single.items()}}

    def columns(self) -> list[Column]:
        """Return every column of a sheet of one frame, with what it holds. A lead's title that is a field's has a _ in front."""
        from packetkit.codec.bulk.holding import holding, joined_forms

        units = self._units()
        made = [
            Column(f"_{title}" if title in self.places else title, _HELD.get(title, "text"))
            for title in self.style.lead
        ]
        held: dict[str, str] = {}
        for name, layout in self.layouts.items():
            forms = joined_forms(layout)
            for cell in self._cells(name):
                held[cell.path] = holding(cell, forms)
                held[cell.path + RAW] = holding(cell, forms, raw=True)
                held[cell.path + CALIBRATED] = "double"
        made += [
            Column(title, held[title], units.get(title, ""), title.partition(" ")[0]) for title in self.places
        ]
        made += [] if self.layouts else [Column(BYTES, "octets")]
        return [*made, *([Column(BEYOND, "text")] if self.has_limits else [])]

    def _lead(self, name: str, event: Good | Failed) -> list[Any]:
        """What stands in front of the values."""
        is_good = (event.is_verified or None) if isinstance(event, Good) else False
        made: list[Any] = [name, event.offset, is_good, getattr(event, "reason", None)]
        if self.style.received:
            beside = event.received or Received()
            made += [beside.time, beside.rssi_dbm, beside.snr_db]
        if self.style.trace is not None:
            made += [self.style.trace.file, self._fingerprints.get(name)]
        return made

    def row(self, event: Good | Failed) -> list[Any]:
        """Return the cells of one event, None where there is nothing; a failed one has no values."""
        made: list[Any] = [None] * (len(self.places) + self.has_limits)
        if isinstance(event, Failed):
            return [*self._lead(event.claimed, event), *made, *([] if self.layouts else [event.data])]
        record, true = event.record, {}
        if self.needs_detail:
            for path, leaf in columns.leaves(record):
                if "calibrated" in leaf:
                    true[path] = leaf["calibrated"]
                place = self.places.get(path + RAW)
                if place is not None:
                    made[place] = leaf["raw"]
            record = columns.plain(self.layouts[event.frame], record)
        said = []
        for cell in self._cells(event.frame, record):
            made[self.places[cell.path]] = cell.value
            one = cell.derived or cell.slot
            value = true.get(cell.path, cell.value)
            if cell.path in true:
                made[self.places[cell.path + CALIBRATED]] = value
            limit = beyond(one.limits, value) if one is not None and one.limits else ""
            said += [f"{cell.path} {limit}"] if limit else []
        if said:
            made[-1] = ", ".join(said)
        return [*self._lead(event.frame, event), *made]
