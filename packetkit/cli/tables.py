"""Frames as typed tables: Arrow and Parquet files, a file a kind of frame, and an SQLite database with a table a kind.

Which columns a table has is the schema's matter, not the capture's, so that every run gives the same ones: every kind of frame that is
looked for has its table, also where none came. Only frames with lists too long to have columns for are held back until it is known how
long they were. Frames that claim to be nothing have a table of their own, where there are any.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING, Any, BinaryIO, Protocol

from packetkit.captures.many import Teams
from packetkit.captures.stream import Event, Failed, Good, Skipped
from packetkit.codec import cells
from packetkit.errors import InputError, counted
from packetkit.export import columns
from packetkit.export.sheet import Column, Sheet, Style, is_too_wide
from packetkit.files import not_onto_an_input, open_output
from packetkit.layout.fingerprint import fingerprint
from packetkit.layout.model import Layout
from packetkit.mission.load import Mission

if TYPE_CHECKING:
    from packetkit.captures.swift import Block

FORMS = ("arrow", "parquet", "sqlite")

# How an output's name ends, and what is then written where --format says nothing.
SUFFIXES = {
    ".csv": "csv",
    ".jsonl": "jsonl",
    ".arrow": "arrow",
    ".parquet": "parquet",
    ".sqlite": "sqlite",
    ".sqlite3": "sqlite",
    ".db": "sqlite",
}

# The table of frames that claim to be none of those looked for. No frame has a name that begins so.
NO_FRAME = "_no_frame"


def form_of(destination: str) -> str:
    """Return the form that the output's name asks for; `table`, text for a person, for any other name."""
    return SUFFIXES.get(os.path.splitext(destination)[1].lower(), "table")


class Sink(Protocol):
    """Where the rows of one table go."""

    def rows(self, rows: Iterable[Sequence[Any]]) -> None:
        """Take rows, a cell a column."""

    def close(self) -> None:
        """Make them whole."""


# What makes the table of a name, with these columns and this origin.
Make = Callable[[str, list[Column], Mapping[str, str]], Sink]


class Tables:
    """A writer of events (packetkit/cli/decoded.py) that fills one table for each kind of frame."""

    def __init__(
        self,
        make: Make,
        mission: Mission | Teams,
        layouts: Mapping[str, Layout],
        file: str,
        serial: str | None,
        style: Style,
    ) -> None:
        self._make, self._mission, self._layouts = make, mission, layouts
        self._file, self._serial, self._style = file, serial, style
        self._open: dict[str, tuple[Sheet, Sink]] = {}
        self._held: dict[str, list[tuple[str, Good | Failed]]] = {}  # with their file
        self.counts = dict.fromkeys(layouts, 0)
        for name, layout in layouts.items():
            if is_too_wide([layout]):
                self._held[name] = []
            else:
                self._start(name)

    def _start(self, name: str, most: Mapping[int, int] | None = None) -> tuple[Sheet, Sink]:
        layout = self._layouts.get(name)
        shown = {} if layout is None else {name: layout}
        sheet = Sheet(shown, None if most is None else {name: most}, self._serial, self._style)
        origin = {"mission": self._mission.name, "file": self._file}
        if layout is not None:
            origin |= {"frame": name, "fingerprint": fingerprint(layout)}
        self._open[name] = sheet, self._make(name, sheet.columns()[1:], origin)
        return self._open[name]

    def event(self, event: Event) -> None:
        if isinstance(event, Skipped):
            return
        name = (
            event.frame
            if isinstance(event, Good)
            else event.claimed
            if event.claimed in self._layouts
            else self._only
        )
        self.counts[name] = self.counts.get(name, 0) + 1
        if name in self._held:
            self._held[name].append((self._style.file, event))
            return
        sheet, sink = self._open.get(name) or self._start(name)
        sink.rows([sheet.row(event)[1:]])

    @property
    def takes_blocks(self) -> bool:
        """Whether `block` may be called: sinks of Arrow take columns, and no list waits for the end."""
        return not self._held and all(
            sheet.takes_blocks and hasattr(sink, "batch") for sheet, sink in self._open.values()
        )

    def block(self, block: Block) -> None:
        """Take a row of good frames."""
        from packetkit.export.blocks import arrow_table
        from packetkit.export.tables import Table

        sheet, sink = self._open[block.frame]
        assert isinstance(sink, Table)
        sink.batch(arrow_table(sheet, sink.schema, block))
        self.counts[block.frame] += block.table.rows

    @property
    def _only(self) -> str:
        """The table of what claims to be nothing: that of the only frame there is, else one of its own."""
        return next(iter(self._layouts)) if len(self._layouts) == 1 else NO_FRAME

    def end(self) -> None:
        for name, held in self._held.items():
            layout, most = self._layouts[name], dict[int, int]()
            for _, event in held:
                if isinstance(event, Good):
                    is_detailed = self._serial is not None or self._style.raw
                    record = columns.plain(layout, event.record) if is_detailed else event.record
                    cells.longest_lists(layout, record, most)
            sheet, sink = self._start(name, most)
            for file, event in held:
                self._style.of_file(file)
                sink.rows([sheet.row(event)[1:]])
        self._held = {}
        for _, sink in self._open.values():
            sink.close()

    def note(self) -> str:
        """Return a line on what was written."""
        kinds = ", ".join(
            f"{counted(count, 'row')} of {'no known frame' if name == NO_FRAME else name}"
            for name, count in self.counts.items()
        )
        return f"Written: {kinds}."


# -- where they go ---------------------------------------------------------------------------------


@contextmanager
def opened(form: str, destination: str, names: Sequence[str], inputs: Sequence[str | None]) -> Iterator[Make]:
    """Yield what makes tables of a form. names: the kinds of frames. Files appear when the context ends well."""
    if destination == "-":
        raise InputError(f"--format {form} writes a file: name it with -o FILE")
    with ExitStack() as files:
        if form == "sqlite":
            yield _database(files, destination)
        else:
            yield _files(form, files, destination, names, inputs)


def _files(
    form: str, files: ExitStack, destination: str, names: Sequence[str], inputs: Sequence[str | None]
) -> Make:
    from packetkit.export.tables import Table

    def make(name: str, made: list[Column], origin: Mapping[str, str]) -> Sink:
        path = destination if names == [name] else of_kind(destination, name)
        not_onto_an_input(path, *inputs)
        stream: BinaryIO = files.enter_context(open_output(path))
        return Table(form, stream, made, origin)

    return make


def of_kind(destination: str, name: str) -> str:
    """Return the file of one kind of frame, where there are several: log.parquet becomes log-beacon.parquet."""
    stem, suffix = os.path.splitext(destination)
    return f"{stem}-{name.strip('_')}{suffix}"


def _database(files: ExitStack, destination: str) -> Make:
    from packetkit.export.sqlite import Database

    stream = files.enter_context(open_output(destination))
    if not os.path.isfile(stream.name):
        raise InputError(f"-o: {destination} is a device or a pipe, and a database needs a file")
    files.enter_context(_told(destination))
    database = Database(stream.name)
    files.callback(database.close)
    return database.table


@contextmanager
def _told(destination: str) -> Iterator[None]:
    """What the database says of a full disk, as the system would have said it."""
    try:
        yield
    except sqlite3.Error as error:
        raise OSError(5, str(error), destination) from error
