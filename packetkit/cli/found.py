"""What a source holds: its events, one by one, or rows of good frames as blocks where that gives the same."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from importlib.util import find_spec
from typing import TYPE_CHECKING

from packetkit.captures.stream import Event
from packetkit.cli import decoded, forms, output, tables
from packetkit.cli.by_team import ByTeam
from packetkit.cli.sources import Source
from packetkit.cli.wanted import Wanted
from packetkit.cli.written import Out

if TYPE_CHECKING:
    from packetkit.captures.swift import Block


def takes_blocks(out: Out) -> bool:
    """Return whether an output takes rows of frames as blocks."""
    return isinstance(out.writer, (decoded.Rows, tables.Tables, ByTeam)) and out.writer.takes_blocks


def found(
    wanted: Wanted, source: Source, *, in_detail: bool, blocks: bool = False, codes: bool = False
) -> Iterator[Event | Block]:
    """Yield what a source holds. blocks: rows of frames may come as blocks; codes: those have the codes on the wire too."""
    if blocks and _shows_rows(wanted, source):
        from packetkit.captures import swift

        if swift.able(wanted.frames, wanted.owners):
            return swift.events(
                wanted.frames, source.pieces, raw=codes, detail=in_detail, owners=wanted.owners
            )
    return events(wanted, source, in_detail=in_detail)


def _shows_rows(wanted: Wanted, source: Source) -> bool:
    """Whether rows of frames as blocks would give the same as frames one by one."""
    if find_spec("numpy") is None:
        return False  # columns need it, frame by frame does not
    if not source.is_stored or source.form is not None:
        return False
    return not (wanted.obstacle or wanted.salvage or wanted.serial is not None)


def events(wanted: Wanted, source: Source, *, in_detail: bool = False) -> Iterator[Event]:
    """Yield what a source holds, event by event."""
    if source.form is None:
        return wanted.events(source.pieces, in_detail=in_detail)
    what = forms.What(wanted.mission, wanted.frames, in_detail, wanted.salvage, wanted.known)
    return wanted.calibrated(source.form.events(what, source.pieces, source.asked), in_detail=in_detail)


def watched(source: Source, progress: output.Progress, size: int | None = None) -> Source:
    """Return the source, each of whose pieces is counted when what it holds is done. size: what to count in all, where that is known."""
    return replace(source, pieces=_counted(source.pieces, progress, size))


def _counted(pieces: Iterable[bytes], progress: output.Progress, size: int | None) -> Iterator[bytes]:
    left = size
    for piece in pieces:
        yield piece
        step = len(piece) if left is None else min(len(piece), left)
        left = None if left is None else left - step
        progress.advance(step)
    progress.advance(left or 0)
