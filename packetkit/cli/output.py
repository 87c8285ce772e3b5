"""Everything a command prints: tables, strict JSON, messages, progress, and the options that choose between
them.

The rules kept here. Results go to standard output or to the file after `-o`, messages and progress to
standard error. Where a stream's encoding cannot carry a character, that character is spelled in ASCII (a
codec error handler does it, so help pages and messages are covered too); a file is always UTF-8 with "\\n".
Text that came from outside may hold terminal escapes, so what is not printable is shown as `\\x1b`. Colour is
never used. A table never hides that it cut something: a shortened cell ends in an ellipsis, and a table that
cannot be made narrow enough is written one cell a line.
"""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, BinaryIO, Literal, TextIO, TypeVar

import click

from packetkit.cli.spelling import SPELL_OUT, portable, visible

if TYPE_CHECKING:
    from types import TracebackType

Callback = TypeVar("Callback", bound=Callable[..., Any])

DEFAULT_COLUMNS = 80
GAP = "  "

# ---- streams


def prepare_streams() -> None:
    """Make standard output and error spell out what their encoding lacks; stand in for one that is closed."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:  # started with the descriptor closed, or without a console on Windows
            setattr(sys, name, _nowhere())
        elif hasattr(stream, "reconfigure"):
            stream.reconfigure(errors=SPELL_OUT)


def _nowhere() -> TextIO:
    """Return a text stream that forgets, open as long as the process runs."""
    return open(os.devnull, "w", encoding="utf-8")  # stands in for a standard stream


def flush() -> None:
    """Push out standard output, so that a full disk or a closed pipe shows here, not at shutdown."""
    sys.stdout.flush()


def abandon_stdout() -> None:
    """Point standard output at nothing, so that the interpreter's own last flush cannot complain."""
    try:
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, sys.stdout.fileno())
        os.close(null)
    except (OSError, ValueError, AttributeError):  # a stream without a descriptor, as under a test runner
        sys.stdout = _nowhere()


def say(text: str) -> None:
    """Write a message to standard error: one or more lines, made safe for a terminal, and broken at words where it is one.

    A pipe or a file keeps each line whole, as programs and `grep` read them.
    """
    shown = visible(text.rstrip("\n"))
    try:
        if sys.stderr.isatty():
            shown = "\n".join(line for one in shown.split("\n") for line in _told(one))
        sys.stderr.write(shown + "\n")
        sys.stderr.flush()
    except (OSError, ValueError):  # nobody listens; the exit status still tells
        return


def say_twins(command: str, paths: Sequence[str], what: str) -> None:
    """Say which inputs are the same. what: how they are taken nevertheless."""
    from packetkit.files import twins

    for one, other, is_same in twins(paths):
        how = "is the same file as" if is_same and one != other else "has the same bytes as"
        told = f"{other}: it is named twice" if one == other else f"{other}: it {how} {one}"
        say(f"packetkit {command}: {told}, and {what}. Name it once")


EXCERPT = "    "  # what lines of a schema and the marks under them begin with


def _told(line: str) -> list[str]:
    """A line of a message, broken at spaces where it is too wide, so that names of files stay whole; an excerpt stays as it is."""
    width = min(columns(), DEFAULT_COLUMNS)
    if len(line) <= width or line.startswith(EXCERPT):
        return [line]
    from textwrap import wrap

    return wrap(line, width, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)


def encoding_of(destination: str = "-") -> str:
    """Return the encoding that text for `-` (standard output) or a file will be written in."""
    return (sys.stdout.encoding or "ascii") if destination == "-" else "utf-8"


def columns() -> int:
    """Return how wide a line may be: the variable COLUMNS, else the terminal's width, else 80."""
    from shutil import get_terminal_size

    return get_terminal_size((DEFAULT_COLUMNS, 24)).columns


def write(text: str, destination: str = "-") -> None:
    """Write result text to standard output, or whole or not at all to a file as UTF-8."""
    if destination == "-":
        sys.stdout.write(visible(text))
        return
    from packetkit.files import write_text

    write_text(destination, text)


def write_bytes(data: bytes, destination: str = "-") -> None:
    """Write result bytes to standard output unchanged, or whole or not at all to a file."""
    if destination == "-":
        sys.stdout.flush()
        sys.stdout.buffer.write(data)
        return
    from packetkit.files import write_bytes as to_file

    to_file(destination, data)


class _Terminal(io.TextIOBase):
    """Standard output where it is a terminal: what came from outside is shown, not obeyed."""

    def write(self, text: str) -> int:
        return sys.stdout.write(visible(text))

    def flush(self) -> None:
        sys.stdout.flush()


def open_text(destination: str) -> AbstractContextManager[io.TextIOBase | TextIO]:
    """Return a context with a text stream: standard output, or a file that appears when it is whole.

    A terminal gets unprintable characters as escapes; a pipe and a file get the text as it is.
    """
    if destination == "-":
        return nullcontext(_Terminal() if sys.stdout.isatty() else sys.stdout)
    from packetkit.files import open_text_output

    return open_text_output(destination)


def open_bytes(destination: str) -> AbstractContextManager[BinaryIO]:
    """Return a context with a byte stream: standard output, or a file that appears when it is whole."""
    if destination == "-":
        sys.stdout.flush()
        return nullcontext(sys.stdout.buffer)
    from packetkit.files import open_output

    return open_output(destination)


# ---- JSON


def plain(value: Any, path: str = "") -> Any:
    """Return the value in JSON's own types: fractions and decimals as the nearest float, bytes as lower-case
    hex.

    Raises ValueError, naming the path, for what strict JSON has no word for (NaN, infinity, other types, keys
    that are not text).
    """
    if value is None or isinstance(value, (bool, str)):
        return value
    if isinstance(value, (bytes, bytearray, memoryview)):
        return bytes(value).hex()
    if isinstance(value, dict):
        wrong = [key for key in value if not isinstance(key, str)]
        if wrong:
            raise ValueError(f"{path or 'document'}: JSON keys are text, not {wrong[0]!r}")
        return {key: plain(item, f"{path}.{key}" if path else key) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item, f"{path}[{index}]") for index, item in enumerate(value)]
    return plain_number(value, path)


def plain_number(value: Any, path: str) -> int | float:
    """Return an int for whole-number types, a float for all others: a Fraction of 20 is 20.0."""
    from decimal import Decimal
    from math import isfinite
    from numbers import Integral, Real

    if isinstance(value, Integral):
        return int(value)
    if not isinstance(value, (Real, Decimal)):
        raise ValueError(f"{path or 'document'}: JSON has no form for {type(value).__name__}")
    try:
        number = float(value)
    except OverflowError:
        raise ValueError(
            f"{path or 'document'}: {type(value).__name__} is beyond the largest float"
        ) from None
    if not isfinite(number):
        raise ValueError(f"{path or 'document'}: strict JSON has no {number}")
    return number


def json_text(document: Any, *, indent: int | None = 2) -> str:
    """Return one strict JSON document ending in a line end, keys in the order given; indent None puts it on
    one line.

    Only ASCII is used (JSON's own escapes carry the rest), so the bytes are the same on every terminal.
    """
    import json

    separators = (",", ":") if indent is None else (",", ": ")
    return json.dumps(plain(document), indent=indent, separators=separators, allow_nan=False) + "\n"


def write_json(document: Any, destination: str = "-") -> None:
    """Write one strict JSON document to standard output or to a file."""
    write(json_text(document), destination)


# ---- tables


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    align: `<` for words, `>` for numbers. fit: what may happen when the table is too wide; `keep` never
    changes a cell, `wrap` breaks it at spaces, `shorten` cuts it and ends it with an ellipsis.
    """

    title: str
    align: Literal["<", ">"] = "<"
    fit: Literal["keep", "wrap", "shorten"] = "keep"


# Narrower than this a wrapped or shortened cell tells nothing any more.
NARROWEST = 8


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under titles. The caller formats numbers; None is an empty cell; a cell may hold line ends."""

    columns: tuple[Column, ...]
    rows: tuple[tuple[object, ...], ...]

    def text(self, width: int | None = None, encoding: str | None = None) -> str:
        """Return the table in lines of at most `width` characters, as a stream of this encoding will show it.

        Defaults: the terminal's width, standard output's encoding.
        """
        limit = columns() if width is None else width
        carrier = encoding_of() if encoding is None else encoding
        titles = [portable(visible(column.title), carrier) for column in self.columns]
        body = [
            ["" if cell is None else portable(visible(str(cell)), carrier) for cell in row]
            for row in self.rows
        ]
        for row in body:
            if len(row) != len(titles):
                raise ValueError(f"a row of {len(row)} cells stands under {len(titles)} titles")
        widths = self._fitted(titles, body, limit)
        if widths is None:
            return _one_cell_a_line(titles, body, limit)
        rule = portable("─", carrier)
        lines = _grid_lines(self.columns, titles, widths, carrier)
        lines.append(GAP.join(rule * cell for cell in widths))
        for row in body:
            lines += _grid_lines(self.columns, row, widths, carrier)
        return "\n".join(lines) + "\n"

    def _fitted(self, titles: Sequence[str], body: Sequence[Sequence[str]], limit: int) -> list[int] | None:
        """Return a width per column, or None where even the narrowest form is too wide."""
        widths = [max(map(text_width, cells)) for cells in zip(titles, *body, strict=True)]
        spare = limit - sum(widths) - len(GAP) * (len(widths) - 1)
        for way in ("wrap", "shorten"):
            able = [i for i, column in enumerate(self.columns) if column.fit == way]
            while spare < 0 and able:
                widest = max(able, key=lambda i: widths[i])
                if widths[widest] <= max(NARROWEST, text_width(titles[widest])):
                    break
                widths[widest] -= 1
                spare += 1
        return widths if spare >= 0 else None


def character_width(character: str) -> int:
    """Return how wide one character is: 2 where East Asian wide, 0 where combining, else 1."""
    from unicodedata import combining, east_asian_width

    return 0 if combining(character) else 2 if east_asian_width(character) in "WF" else 1


def text_width(text: str) -> int:
    """Return how many terminal cells the longest line of the text takes."""
    if text.isascii() and "\n" not in text:
        return len(text)
    return max(sum(map(character_width, line)) for line in text.split("\n"))


def _grid_lines(
    columns: Sequence[Column], cells: Sequence[str], widths: Sequence[int], encoding: str
) -> list[str]:
    """Return one row of a table as lines of text."""
    from itertools import zip_longest

    blocks = [
        _fit_cell(cell, width, column.fit, encoding)
        for cell, width, column in zip(cells, widths, columns, strict=True)
    ]
    lines = []
    for parts in zip_longest(*blocks, fillvalue=""):
        padded = [
            " " * (width - text_width(part)) + part
            if column.align == ">"
            else part + " " * (width - text_width(part))
            for part, width, column in zip(parts, widths, columns, strict=True)
        ]
        lines.append(GAP.join(padded).rstrip())
    return lines


def _fit_cell(cell: str, width: int, fit: str, encoding: str) -> list[str]:
    """Return the lines of one cell, none wider than `width` where the column's way of fitting allows it."""
    lines = []
    for line in cell.split("\n"):
        if text_width(line) <= width:
            lines.append(line)
        elif fit == "wrap":
            lines += wrapped(line, width)
        else:
            lines.append(shortened(line, width, encoding))
    return lines


# A word that is too long is best broken behind one of these: names and paths stay readable.
JOINTS = "_./-,"


def wrapped(line: str, width: int) -> list[str]:
    """Return the line broken at spaces, and inside a word, best at its joints, only where it alone is too long."""
    lines, current = [], ""
    for word in line.split(" "):
        joined = f"{current} {word}" if current else word
        if text_width(joined) <= width:
            current = joined
            continue
        if current:
            lines.append(current)
        while text_width(word) > width:
            head = _prefix(word, width)
            joint = max(map(head.rfind, JOINTS)) + 1
            head = head[:joint] or head
            lines.append(head)
            word = word[len(head) :]
        current = word
    return [*lines, current]


def shortened(line: str, width: int, encoding: str) -> str:
    """Return the beginning of the line with an ellipsis, together no wider than `width`."""
    mark = portable("…", encoding)
    return _prefix(line, max(width - len(mark), 0)) + mark


def _prefix(text: str, width: int) -> str:
    """Return the longest beginning that takes at most `width` cells, and never less than one character."""
    used = 0
    for index, character in enumerate(text):
        used += character_width(character)
        if used > width:
            return text[: max(index, 1)]
    return text


def _one_cell_a_line(titles: Sequence[str], body: Iterable[Sequence[str]], limit: int) -> str:
    """Return the rows one after another, each cell on a line of its own beside its title; nothing is cut."""
    label = max(map(text_width, titles))
    room = max(limit - label - len(GAP), NARROWEST)
    blocks = []
    for row in body:
        lines = []
        for title, cell in zip(titles, row, strict=True):
            first, *rest = [part for line in cell.split("\n") for part in wrapped(line, room)]
            lines.append((title + " " * (label - text_width(title)) + GAP + first).rstrip())
            lines += [" " * label + GAP + part for part in rest]
        blocks.append("\n".join(lines) + "\n")
    return "\n".join(blocks)


# ---- progress


class Progress:
    """A line on standard error that says how far a long job is, how fast, and what remains; silent unless
    that is a terminal.

    Used as a context: `with Progress("records", 1000) as progress: progress.advance(10)`. The line is wiped
    at the end.
    """

    # Five times a second: readable, and the writing costs nothing beside any work worth a progress line.
    INTERVAL_S = 0.2

    def __init__(
        self,
        unit: str,
        total: int | None = None,
        *,
        stream: TextIO | None = None,
        clock: Callable[[], float] | None = None,
    ) -> None:
        from time import monotonic

        self._unit, self._total, self._done = unit, total, 0
        self._stream = sys.stderr if stream is None else stream
        self._clock = monotonic if clock is None else clock
        self._active = self._stream.isatty()
        self._start = self._shown = self._clock()
        self._width = 0

    def __enter__(self) -> Progress:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._width:
            self._put("")
            self._stream.write("\r")
            self._stream.flush()

    def advance(self, count: int = 1) -> None:
        """Count work done and, at most five times a second, show it."""
        self._done += count
        if not self._active:
            return
        now = self._clock()
        if now - self._shown >= self.INTERVAL_S:
            self._shown = now
            self._put(self.line(now - self._start))

    def line(self, elapsed_s: float) -> str:
        """Return what the line says after so many seconds."""
        rate = self._done / elapsed_s if elapsed_s > 0 else 0.0
        parts = [
            f"{self._done:,}" + (f" of {self._total:,}" if self._total else "") + f" {self._unit}",
            f"{rate:,.0f}/s",
        ]
        if self._total and rate > 0:
            parts.append(f"{duration_text(max(self._total - self._done, 0) / rate)} left")
        return ", ".join(parts)

    def _put(self, text: str) -> None:
        self._stream.write("\r" + text + " " * (self._width - len(text)))
        self._stream.flush()
        self._width = len(text)


def duration_text(seconds: float) -> str:
    """Return a duration for a person: `40 s`, `3 min 20 s`, `2 h 05 min`."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02} min"


# ---- options


def percent(share: float) -> str:
    """A share as a person reads it: 12 %, 0.4 %, <0.1 %."""
    if share < 0.001:
        return "<0.1 %" if share > 0 else "0 %"
    return f"{share * 100:.1f} %" if share < 0.1 else f"{share * 100:.0f} %"


class Whole(click.IntRange):
    """A whole number between two ends, which help and messages call `4 to 65535`."""

    def _describe_range(self) -> str:
        return f"{self.min} and more" if self.max is None else f"{self.min} to {self.max}"


class Measure(click.FloatRange):
    """A number above zero with a largest one."""

    def __init__(self, most: float) -> None:
        super().__init__(0, most, min_open=True)

    def _describe_range(self) -> str:
        return f"above 0, at most {self.max:g}"


def json_option(callback: Callback) -> Callback:
    """Add `--json`; the callback gets `as_json`."""
    return click.option(
        "--json", "as_json", is_flag=True, help="Write one strict JSON document instead of text."
    )(callback)


def checked_output(_: click.Context, __: click.Parameter, destination: str | None) -> str | None:
    """Return the name after `-o`, having seen before any work that it can be written."""
    from packetkit.files import check_output

    if destination is not None:
        check_output(destination)
    return destination


def output_option(callback: Callback) -> Callback:
    """Add `-o FILE`; the callback gets `destination`, `-` for standard output. An old file is replaced."""
    return click.option(
        "-o",
        "--output",
        "destination",
        metavar="FILE",
        default="-",
        callback=checked_output,
        help="Write to FILE instead of standard output.",
    )(callback)


def _checked_directory(_: click.Context, __: click.Parameter, directory: str) -> str:
    from packetkit.files import check_directory

    check_directory(directory)
    return directory


def directory_option(callback: Callback) -> Callback:
    """Add `-o DIR`, which must be given; the callback gets `directory`, in which files can be written once it is made."""
    return click.option(
        "-o",
        "--output",
        "directory",
        metavar="DIR",
        required=True,
        callback=_checked_directory,
        help="Write into this directory; it is made where it is not there.",
    )(callback)
