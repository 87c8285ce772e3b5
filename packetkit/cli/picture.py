"""`--picture FILE`, for the commands that have something to draw, and the bars that stand for pictures in a terminal."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import click

from packetkit.cli import output
from packetkit.cli.output import Callback
from packetkit.files import not_onto_an_input

if TYPE_CHECKING:
    from packetkit.export.plots import Drawn

BLOCK = "█"


def picture_option(words: str) -> Callable[[Callback], Callback]:
    """Add `--picture FILE`; the callback gets `picture`, a name that ends in .png, .svg or .pdf, or None."""
    return click.option(
        "--picture", metavar="FILE", help=f"Draw {words} as .png, .svg or .pdf (extra `plots`)."
    )


def draw(picture: str | None, destination: str, drawn: Drawn, *inputs: str) -> None:
    """Write the picture where one was asked for. Raises InputError for another format, or without the extra."""
    if picture is None:
        return
    from packetkit.export.plots import format_of

    not_onto_an_input(picture, *inputs)
    if picture == destination:
        raise click.UsageError("--picture and -o name one file; give two")
    output.write_bytes(drawn(format_of(picture)), picture)


def bar(value: float, most: float, columns: int) -> str:
    """A bar as long as its share of `most`; nothing at and below zero, and never longer than the columns."""
    if most <= 0 or value <= 0:
        return ""
    return BLOCK * max(1, min(round(columns * value / most), columns))
