"""Where `packetkit decode` writes to: the output opened, in the form that was asked for, and the writer that fills it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, BinaryIO, TextIO, cast

import click

from packetkit.captures.many import Teams
from packetkit.cli import decoded, output, summaries, tables
from packetkit.errors import counted
from packetkit.export.sheet import PLAIN, Style

if TYPE_CHECKING:
    from packetkit.cli.wanted import Wanted

# The rows that common spreadsheets hold are 2**20 (common practice), and the titles take one.
SPREADSHEET_ROWS = 1_048_575


@dataclass(frozen=True, slots=True)
class Target:
    """Where the result goes and in which form. file: what the input is called; inputs: files that must not be written over."""

    form: str
    destination: str
    follow: bool = False
    style: Style = PLAIN
    file: str = ""
    inputs: Sequence[str | None] = ()
    every_s: Fraction | None = None  # intervals instead of frames
    words: Sequence[str] = ()
    picture: str | None = None


@dataclass(frozen=True, slots=True)
class Out:
    """An open output.

    needs_detail: the writer takes records in detail; write takes text; flush sends on what was written.
    """

    writer: decoded.Writer
    needs_detail: bool
    write: Callable[[str], object]
    flush: Callable[[], object]
    said: Callable[[], str] | None = None  # its own note, where it has one

    def note(self) -> str:
        """Return what a person has to know of what was written."""
        if self.said is not None:
            return _wrapped(self.said())
        if isinstance(self.writer, summaries.Summaries):
            said = self.writer.note()
            return _wrapped(said) if said else ""
        if isinstance(self.writer, tables.Tables):
            return _wrapped(self.writer.note())
        if isinstance(self.writer, decoded.Rows) and self.writer.rows > SPREADSHEET_ROWS:
            return _wrapped(
                f"{counted(self.writer.rows, 'row')}: a spreadsheet holds {SPREADSHEET_ROWS + 1:,} with the titles, and drops the rest."
            )
        return ""


def _wrapped(text: str) -> str:
    return "\n".join(output.wrapped(text, min(output.columns(), output.DEFAULT_COLUMNS))) + "\n"


def check_options(form: str, style: Style, with_leaves: bool, follow: bool, is_gathered: bool) -> None:
    """Raise UsageError where options do not go with the form. with_leaves: more than values was asked for of each field."""
    if is_gathered and (with_leaves or follow or style.raw or style.trace is not None):
        raise click.UsageError(
            "--every gathers values of many frames; it does not go with --follow, --trace, --raw, --detail, --salvage and --serial"
        )
    is_table = form in tables.FORMS
    if with_leaves and (form.startswith("csv") or is_table):
        raise click.UsageError(
            "a cell of CSV or a table holds a value and nothing about it; use --format jsonl with this"
        )
    if follow and is_table:
        raise click.UsageError(f"--follow writes each frame at once, and {form} is whole at the end only")
    if style.raw and not (form.startswith("csv") or is_table):
        raise click.UsageError("--raw goes with CSV and tables; --detail shows codes here")
    if style.units and not form.startswith("csv"):
        said = "columns have their units beside them" if is_table else "--detail shows units here"
        raise click.UsageError(f"--units goes with CSV; {said}")


class _Utf8:
    """Text to a stream of bytes: what programs read does not depend on the terminal's encoding."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        return self._stream.write(text.encode("utf-8"))

    def flush(self) -> None:
        self._stream.flush()


@contextmanager
def opened_for(wanted: Wanted, target: Target) -> Iterator[Out]:
    """Yield the output of one schema or of several: of several, files are a team's each."""
    if (
        isinstance(wanted.mission, Teams)
        and target.destination != "-"
        and target.form not in ("table", "json")
    ):
        from packetkit.cli import by_team

        with by_team.opened(wanted, target) as out:
            yield out
        return
    with opened(wanted, target) as out:
        yield out


@contextmanager
def opened(wanted: Wanted, target: Target) -> Iterator[Out]:
    """Yield the output; files appear under their names when the context ends well."""
    layouts = wanted.layouts
    gathered = (wanted.mission, layouts, target.every_s, target.words)
    if target.form in tables.FORMS:
        with tables.opened(target.form, target.destination, list(layouts), target.inputs) as make:
            if target.every_s is not None:
                yield Out(summaries.AsTables(make, target.file, *gathered), False, _nothing, lambda: None)
                return
            writer = tables.Tables(make, wanted.mission, layouts, target.file, wanted.serial, target.style)
            yield Out(writer, wanted.serial is not None or target.style.raw, _nothing, lambda: None)
        return
    with _stream(target) as stream:
        if target.every_s is not None:
            made = _summaries(target, stream.write, gathered)
            yield Out(made, False, stream.write, stream.flush)
            return
        writes_records = target.form == "csv" and wanted.serial is None and not target.style.raw
        yield Out(writer_of(wanted, target, stream.write), not writes_records, stream.write, stream.flush)


def _summaries(target: Target, write: decoded.Write, gathered: Sequence[object]) -> summaries.Summaries:
    if target.form == "csv":
        return summaries.AsCsv(write, target.style, *gathered)
    if target.form == "json":
        return summaries.AsDocument(*gathered)
    if target.form == "jsonl":
        return summaries.AsLines(write, *gathered)
    return summaries.AsText(write, output.encoding_of(target.destination), *gathered)


def _nothing(text: str) -> object:
    return None


@contextmanager
def _stream(target: Target) -> Iterator[_Utf8 | TextIO]:
    """A stream that takes text: UTF-8 for files and for what programs read, the terminal's encoding for people."""
    if target.form == "table" or (target.destination == "-" and sys.stdout.isatty()):
        with output.open_text(target.destination) as text:
            yield cast(TextIO, text)
    else:
        with output.open_bytes(target.destination) as stream:
            yield _Utf8(stream)


def writer_of(wanted: Wanted, target: Target, write: decoded.Write) -> decoded.Writer:
    """Return what writes events as text: in lines, in one document, or for a person."""
    layouts = wanted.layouts
    if target.form == "json":
        return decoded.Document(layouts, detail=wanted.detail, trace=target.style.trace)
    if target.form == "jsonl":
        return decoded.Lines(write, layouts, detail=wanted.detail, trace=target.style.trace)
    if target.form == "csv":
        return decoded.Rows(write, layouts, wanted.serial, target.style)
    encoding = output.encoding_of(target.destination)
    first = next(iter(layouts.values()))
    in_blocks = wanted.detail or wanted.salvage or wanted.serial is not None
    is_plain = not (in_blocks or target.follow or target.style.received)
    if is_plain and len(layouts) == 1 and decoded.fits_a_row(first):
        return decoded.Overview(write, first, encoding)
    calibrated = wanted.serial is not None
    return decoded.Blocks(write, layouts, encoding, detail=wanted.detail, calibrated=calibrated)
