"""`--picture FILE`, for the commands that have something to draw, and the bars that stand for pictures in a terminal."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import click

from packetkit.captures.stream import Event, Good
from packetkit.cli import output
from packetkit.cli.output import Callback
from packetkit.export.columns import plain
from packetkit.files import not_onto_an_input
from packetkit.layout.model import Layout

if TYPE_CHECKING:
    from packetkit.export.plots import Drawn as Drawing

BLOCK = "█"


def picture_option(words: str) -> Callable[[Callback], Callback]:
    """Add `--picture FILE`; the callback gets `picture`, a name that ends in .png, .svg or .pdf, or None."""
    return click.option(
        "--picture", metavar="FILE", help=f"Draw {words} as .png, .svg or .pdf (extra `plots`)."
    )


def draw(picture: str | None, destination: str, drawn: Drawing, *inputs: str) -> None:
    """Write the picture where one was asked for. Raises InputError for another format, or without the extra."""
    if picture is None:
        return
    form = check_picture(picture, destination, False, *inputs)
    output.write_bytes(drawn(form), picture)


def check_picture(picture: str, destination: str, follow: bool, *inputs: str | None) -> str:
    """Return the picture's format. Raises InputError for another one, and where it would lie on an input or the output."""
    from packetkit.export.plots import format_of

    not_onto_an_input(picture, *inputs)
    if picture == destination:
        raise click.UsageError("--picture and -o name one file; give two")
    if follow:
        raise click.UsageError("--picture is drawn at the end, and --follow waits for more")
    return format_of(picture)


class Drawn:
    """Frames over time: takes events, and at the end writes log.png, log-2.png and so on; of several kinds log-beacon.png.

    is_detailed: records come in detail.
    """

    def __init__(self, picture: str, layouts: Mapping[str, Layout], is_detailed: bool) -> None:
        from packetkit.export.plots import library
        from packetkit.export.series import Series

        library()  # its absence is told before the work, not after it
        self._picture, self._is_detailed = picture, is_detailed
        self._kinds = {name: Series(layout) for name, layout in layouts.items()}

    def event(self, event: Event) -> None:
        """Note a good frame."""
        if isinstance(event, Good):
            series = self._kinds[event.frame]
            if self._is_detailed:
                event = replace(event, record=plain(series.layout, event.record))
            series.take(event)

    def end(self) -> str:
        """Draw every page of every kind of frame that came, and return a line on the files."""
        from packetkit.export.plots import format_of, over_time

        form, files = format_of(self._picture), list[str]()
        stem, suffix = os.path.splitext(self._picture)
        for name, series in self._kinds.items():
            for number, page in enumerate(series.pages(name), 1):
                kind = f"-{name}" if len(self._kinds) > 1 else ""
                files.append(f"{stem}{kind}{f'-{number}' if number > 1 else ''}{suffix}")
                output.write_bytes(over_time(page, form), files[-1])
        return f"Drawn: {', '.join(files)}.\n" if files else "There is no good frame to draw.\n"


def bar(value: float, most: float, columns: int) -> str:
    """A bar as long as its share of `most`; nothing at and below zero, and never longer than the columns."""
    if most <= 0 or value <= 0:
        return ""
    return BLOCK * max(1, min(round(columns * value / most), columns))
