"""CSV (RFC 4180, lines ended by a line feed): one row a frame under dotted paths, written and read.

A row begins with frame, offset, ok and reason. None is empty; a float is written as Python's shortest form
that gives it back (20.0 is 20.0), an integer has all its digits. Frames of several kinds share one file:
their columns stand side by side, and a name that two frames have is one column. What would surprise a reader:
a spreadsheet takes text that begins with = + - @ for a formula, so such text is written behind an apostrophe,
which reading takes off again.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from packetkit.captures.stream import Failed, Good, Received
from packetkit.codec import cells
from packetkit.codec.calibrate import curves
from packetkit.errors import EncodeError
from packetkit.export import columns
from packetkit.export.columns import Entry, Given, LeftOut, Refused
from packetkit.layout.fingerprint import fingerprint as layout_fingerprint
from packetkit.layout.limits import beyond
from packetkit.layout.model import Layout

LEAD = ("frame", "offset", "ok", "reason")

# The last column, where values have limits: which of them are beyond one. No path has a blank in it.
BEYOND = "beyond limits"

# What the column of a calibrated value is called, behind its field's path.
CALIBRATED = " calibrated"

# What spreadsheets of many countries write instead of a comma; no path holds them.
_OTHER_SEPARATORS = (";", "\t", "|")

# What a capture says beside a frame, and where a row comes from: columns behind the lead, where they were asked for.
BESIDE = ("received_time", "rssi_dbm", "snr_db")
TRACE = ("file", "fingerprint")

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "'")


@dataclass(frozen=True, slots=True)
class Style:
    """How rows are written. for_comma_countries: semicolons between cells and a comma in numbers, as spreadsheets of half of Europe ask.

    received: columns for time and signal; trace: the name of the file that every row comes from, None for no such columns.
    """

    for_comma_countries: bool = False
    received: bool = False
    trace: str | None = None


PLAIN = Style()


class Sheet:
    """The columns of a mission's frames. most: how many elements each list of a frame has columns for.

    Without it lists have columns for as many elements as there can be.
    """

    def __init__(
        self,
        layouts: Mapping[str, Layout],
        most: Mapping[str, Mapping[int, int]] | None = None,
        serial: str | None = None,
        style: Style = PLAIN,
    ) -> None:
        self._layouts, self._style = layouts, style
        self._fingerprints = {
            name: layout_fingerprint(layout) for name, layout in layouts.items() if style.trace
        }
        self._serial = serial
        self._most = most or {}
        self._titles = {name: cells.titles(one, self._most.get(name)) for name, one in layouts.items()}
        self._places: dict[str, int] = {}
        for titles in self._titles.values():
            for title in titles:
                self._places.setdefault(title, len(self._places))
        for name, layout in layouts.items() if serial is not None else ():
            known = curves(layout, serial) if serial is not None else {}
            for cell in cells.cells(layout, {}, self._most.get(name)) if known else ():
                if cell.derived is not None or (cell.slot is not None and cell.slot.address in known):
                    self._places.setdefault(cell.path + CALIBRATED, len(self._places))
        self._has_limits = columns.has_limits(layouts.values())

    def header(self) -> str:
        """Return the line of titles."""
        lead = [*LEAD, *(BESIDE if self._style.received else ()), *(TRACE if self._style.trace else ())]
        return self._line([*lead, *self._places, *([BEYOND] if self._has_limits else [])])

    def _line(self, row: list[Any]) -> str:
        return _line(row, self._style.for_comma_countries)

    def _lead(self, name: str, event: Good | Failed) -> list[Any]:
        """What stands in front of the values."""
        is_good = (event.is_verified or None) if isinstance(event, Good) else False
        made: list[Any] = [name, event.offset, is_good, getattr(event, "reason", "")]
        if self._style.received:
            beside = event.received or Received()
            made += [beside.time, beside.rssi_dbm, beside.snr_db]
        if self._style.trace:
            made += [self._style.trace, self._fingerprints.get(name, "")]
        return made

    def row(self, event: Good | Failed) -> str:
        """Return the line of one event; a failed one has no values. A good one holds a plain record, with a serial one in detail."""
        made: list[Any] = [None] * (len(self._places) + self._has_limits)
        if isinstance(event, Failed):
            return self._line([*self._lead(event.claimed, event), *made])
        layout, most = self._layouts[event.frame], self._most.get(event.frame)
        record, true = event.record, {}
        if self._serial is not None:
            true = {path: leaf["calibrated"] for path, leaf in columns.leaves(record) if "calibrated" in leaf}
            record = columns.plain(layout, record)
        said = []
        for cell in cells.cells(layout, record, most):
            made[self._places[cell.path]] = cell.value
            one = cell.derived or cell.slot
            value = true.get(cell.path, cell.value)
            if cell.path in true:
                made[self._places[cell.path + CALIBRATED]] = value
            limit = beyond(one.limits, value) if one is not None and one.limits else ""
            said += [f"{cell.path} {limit}"] if limit else []
        if said:
            made[-1] = ", ".join(said)
        return self._line([*self._lead(event.frame, event), *made])


def is_too_wide(layouts: Iterable[Layout]) -> bool:
    """Return whether columns for the longest lists there can be would be too many, or have no bound."""
    widths = [columns.width(layout) for layout in layouts]
    return any(width is None for width in widths) or sum(map(int, filter(None, widths))) > columns.WIDEST


def _line(row: Iterable[Any], for_comma_countries: bool = False) -> str:
    text = io.StringIO()
    words = [
        _word(value).replace(".", ",") if for_comma_countries and isinstance(value, float) else _word(value)
        for value in row
    ]
    csv.writer(text, delimiter=";" if for_comma_countries else ",", lineterminator="\n").writerow(words)
    return text.getvalue()


def _word(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return "'" + value if value.startswith(_FORMULA) else value
    return repr(value)


# -- reading ---------------------------------------------------------------------------------------


def read(text: str, layouts: Mapping[str, Layout], frame: str | None = None) -> Iterator[Entry]:
    """Yield what each row says: a record, or why it is none.

    Where the titles cannot be used, only that: no row means anything then.
    """
    rows = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        header = [title.strip() for title in next(rows, [])]
        sheet = _Titles(header, layouts, frame)
        if sheet.faults:
            yield Refused(1, "\n".join(sheet.faults))
            return
        for row in rows:
            if row:
                yield sheet.entry(rows.line_num, [_unquoted(word) for word in row])
    except csv.Error as error:
        yield Refused(rows.line_num, f"this is not CSV: {error}")


def _unquoted(word: str) -> str:
    return word[1:] if word.startswith("'") else word


def _is_said(path: str) -> bool:
    """Whether a column that decode wrote says something of the values, and is none of them."""
    return path == BEYOND or path.endswith(CALIBRATED)


def _lead_of(header: list[str]) -> int:
    """How many titles stand before the values: those that decode writes, 0 where it did not write the file."""
    if tuple(header[: len(LEAD)]) != LEAD:
        return 0
    lead = len(LEAD)
    for more in (BESIDE, TRACE):
        if tuple(header[lead : lead + len(more)]) == more:
            lead += len(more)
    return lead


class _Titles:
    """The first line of a file, understood."""

    def __init__(self, header: list[str], layouts: Mapping[str, Layout], frame: str | None) -> None:
        self._layouts, self._frame = layouts, frame
        self._lead = _lead_of(header)
        self._paths = header[self._lead :]
        self._named: int | None = None
        possible = [layouts[frame]] if frame else list(layouts.values())
        if not self._lead and not any(columns.place(layout, "frame") for layout in possible):
            self._named = self._paths.index("frame") if "frame" in self._paths else None
        self.faults = self._found_faults(possible)
        self._known = {
            name: {path for path in self._paths if columns.place(layout, path) is not None}
            for name, layout in layouts.items()
        }

    def _found_faults(self, possible: list[Layout]) -> list[str]:
        if not any(self._paths):
            return ["there are no titles; the first line names the columns, such as temperature,cell_voltage"]
        other = next((mark for mark in _OTHER_SEPARATORS if mark in self._paths[0]), None)
        if len(self._paths) == 1 and other is not None:
            return [
                f"the titles are separated by {other!r}; separate them by commas, and write numbers with a point"
            ]
        faults = []
        for number, path in enumerate(self._paths):
            if number == self._named or (self._lead and _is_said(path)):
                continue
            if path in self._paths[:number]:
                faults.append(f"the column {path[:60]!r} is there twice")
            elif self._is_unknown(path, possible):
                faults.append(columns.unknown(possible, path))
        return faults

    def _is_unknown(self, path: str, possible: list[Layout]) -> bool:
        # A file that decode wrote may have columns of frames that are not asked for.
        anywhere = self._layouts.values() if self._lead else possible
        return not any(columns.place(layout, path) for layout in anywhere)

    def entry(self, line: int, row: list[str]) -> Entry:
        """What one row says."""
        lead, words = row[: self._lead], row[self._lead :]
        if len(words) != len(self._paths):
            return Refused(line, f"{len(row)} cells stand under {len(self._paths) + self._lead} titles")
        if lead and lead[2].strip().casefold() not in ("true", ""):  # empty: decoded, but not verified
            return LeftOut(line, lead[3])
        said = lead[0] if lead else words[self._named] if self._named is not None else ""
        name, problem = columns.frame_named(said.strip(), self._layouts, self._frame)
        if name is None:
            return Refused(line, problem)
        given = [
            (path, word)
            for number, (path, word) in enumerate(zip(self._paths, words, strict=True))
            if number != self._named and (path in self._known[name] or (word.strip() and not _is_said(path)))
        ]
        try:
            return Given(line, name, columns.record_from(self._layouts[name], given))
        except EncodeError as error:
            return Refused(line, str(error))
