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
import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from packetkit.captures.stream import Failed, Good
from packetkit.errors import EncodeError
from packetkit.export import columns, sheet
from packetkit.export.columns import Entry, Given, LeftOut, Refused
from packetkit.export.sheet import BESIDE, BEYOND, CALIBRATED, LEAD, PLAIN, RAW, TRACE, Style
from packetkit.layout.model import Layout

# What spreadsheets of many countries write instead of a comma; no path holds them.
_OTHER_SEPARATORS = (";", "\t", "|")

# What ends a cell or a row, or quotes one.
_ENDS = re.compile('["\r\n]')

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "'")


class Sheet:
    """Rows as lines of text. The arguments are those of packetkit/export/sheet.py's."""

    def __init__(
        self,
        layouts: Mapping[str, Layout],
        most: Mapping[str, Mapping[int, int]] | None = None,
        serial: str | None = None,
        style: Style = PLAIN,
    ) -> None:
        self.sheet, self._style = sheet.Sheet(layouts, most, serial, style), style

    def header(self) -> str:
        """Return the line of titles."""
        return line(self.sheet.titles(), self._style.for_comma_countries)

    def row(self, event: Good | Failed) -> str:
        """Return the line of one event; a failed one has no values."""
        return line(self.sheet.row(event), self._style.for_comma_countries)


def line(row: Iterable[Any], for_comma_countries: bool = False) -> str:
    """Return one line, with its end; for_comma_countries: semicolons between cells and a comma in numbers."""
    mark = ";" if for_comma_countries else ","
    cells = [_cell(value, mark) for value in row]
    return (mark.join(cells) if cells != [""] else '""') + "\n"


def _cell(value: Any, mark: str) -> str:
    text = word(value)
    if isinstance(value, str):
        return _quoted(text, mark)
    return text.replace(".", ",") if mark == ";" and isinstance(value, float) else text


def _quoted(text: str, mark: str) -> str:
    """A cell, in quotes where it would not come back without: some readers end a row at any line end, and take blanks off."""
    is_plain = not _ENDS.search(text) and mark not in text and text == text.strip()
    return text if is_plain else '"' + text.replace('"', '""') + '"'


def word(value: Any) -> str:
    """Return a value as a cell's text, not yet quoted."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, bytes):
        return value.hex()
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
        header = [_without_unit(title.strip()) for title in next(rows, [])]
        titles = _Titles(header, layouts, frame)
        if titles.faults:
            yield Refused(1, "\n".join(titles.faults))
            return
        for row in rows:
            if row:
                yield titles.entry(rows.line_num, [_unquoted(word) for word in row])
    except csv.Error as error:
        yield Refused(rows.line_num, f"this is not CSV: {error}")


def _unquoted(word: str) -> str:
    return word[1:] if word.startswith("'") else word


def _is_said(path: str) -> bool:
    """Whether a column that decode wrote says something of the values, and is none of them."""
    return path == BEYOND or path.endswith((CALIBRATED, RAW))


def _without_unit(title: str) -> str:
    """A title without the unit that decode may have put behind it; no path has a blank in it."""
    return re.sub(r" \[[^\[]*\]\Z", "", title)


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
