"""From bytes to output: every event written and counted, with progress, until the input ends or a person interrupts.

Lines go out as frames are found, so that a pipe sees them at once and an interruption keeps those before it.
"""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from importlib.util import find_spec
from io import StringIO
from typing import TYPE_CHECKING

from packetkit.captures.account import Account
from packetkit.captures.many import Teams
from packetkit.captures.stream import Event, Failed, Good, Skipped
from packetkit.cli import by_team, continued, decoded, forms, output, signals, summaries, tables, written
from packetkit.cli.picture import Drawn
from packetkit.cli.sources import Source
from packetkit.cli.spelling import portable
from packetkit.cli.wanted import Wanted
from packetkit.cli.written import Out, Target

if TYPE_CHECKING:
    from packetkit.captures.swift import Block

FINDINGS, INTERRUPTED = 1, 130


def decode(wanted: Wanted, source: Source, target: Target) -> int:
    """Write what the source holds and what became of its bytes; return the exit status."""
    unit = source.form.unit if source.form is not None else "byte"
    account = Account.of(wanted.layouts, unit)
    with written.opened_for(wanted, target) as out:
        pushed = replace(source, pieces=_pushing(source.pieces, out))
        drawn = None if target.picture is None else Drawn(target.picture, wanted.layouts, out.needs_detail)
        interrupted = _pump(wanted, pushed, target, out, account, drawn)
        out.writer.end()
        account.finish()
        width, encoding = (
            min(output.columns(), output.DEFAULT_COLUMNS),
            output.encoding_of(target.destination),
        )
        note = _account_text(wanted, account, source, width, encoding)
        note += continued.text(account, width, encoding) + signals.text(account, width, encoding)
        if source.form is not None:
            note += forms.count_text(source.asked.count, source.form.name)
        note += out.note() + ("" if drawn is None else drawn.end())
        if interrupted:
            note += _stopped(account, source)
        if isinstance(out.writer, (decoded.Document, summaries.AsDocument)):
            document = decoded.document(_head(wanted, account), account, source.read_as, out.writer.made())
            out.write(output.json_text(document))
        elif target.form == "table":
            out.write(("\n" if account.size else "") + portable(note, encoding))
    if target.form not in ("table", "json") or target.destination != "-" or interrupted:
        output.say(note)
    return INTERRUPTED if interrupted else 0 if account.is_clean else FINDINGS


def _account_text(wanted: Wanted, account: Account, source: Source, width: int, encoding: str) -> str:
    if not isinstance(wanted.mission, Teams):
        return decoded.account_text(account, source.read_as, wanted.obstacle, source.refusal)
    said = decoded.account_text(account, source.read_as, refusal=source.refusal, by_kind=False)
    return said + by_team.account_text(wanted.mission, account, width, encoding)


def _head(wanted: Wanted, account: Account) -> dict[str, object]:
    """What the document says of the schemas."""
    if isinstance(wanted.mission, Teams):
        return by_team.account_document(wanted.mission, account)
    return {"mission": wanted.mission.name, "fingerprint": wanted.mission.fingerprint}


def _stopped(account: Account, source: Source) -> str:
    """Where an interruption came: what was written before it is whole."""
    if source.form is not None and source.form.unit == "byte":
        where = f"after the frame at offset {account.last_offset:,}" if account.size else "before any frame"
        return f"Stopped {where}: what comes after it was not decoded.\n"
    return f"Stopped at {account.unit} {account.size:,}: what comes after it was not decoded.\n"


def _pushing(pieces: Iterable[bytes], out: Out) -> Iterator[bytes]:
    """The pieces; before the next one is waited for, what came of the last one is on its way."""
    for piece in pieces:
        yield piece
        out.flush()


def _pump(
    wanted: Wanted,
    source: Source,
    target: Target,
    out: Out,
    account: Account,
    drawn: Drawn | None,
) -> bool:
    """Hand every event to the writer and count it; return whether that was interrupted."""
    in_detail = out.needs_detail
    shows_lines = target.destination == "-" and target.form != "json" and sys.stdout.isatty()
    progress = output.Progress("bytes", source.size, stream=StringIO() if shows_lines else None)
    pieces = _counted(source.pieces, progress)
    try:
        with progress:
            stored = replace(source, pieces=pieces)
            for event in _swift_events(wanted, stored, target, out, drawn) or _events(
                wanted, stored, in_detail=in_detail
            ):
                if not isinstance(event, (Good, Failed, Skipped)):
                    put_block(event, out, account)
                    continue
                try:
                    out.writer.event(event)
                finally:  # what was written counts, also where it is the last before an interruption
                    account.add(event)
                if drawn is not None:
                    drawn.event(event)
                if target.follow:
                    out.flush()
    except KeyboardInterrupt:
        return True
    return False


def _swift_events(
    wanted: Wanted, source: Source, target: Target, out: Out, drawn: Drawn | None
) -> Iterator[Event | Block] | None:
    """The events with rows of frames as blocks, where source and output are such that this gives the same; else None."""
    if find_spec("numpy") is None:
        return None  # columns need it, frame by frame does not
    takes_blocks = isinstance(out.writer, (decoded.Rows, tables.Tables)) and out.writer.takes_blocks
    if not (source.is_stored and source.form is None and takes_blocks) or drawn is not None:
        return None
    if wanted.obstacle or wanted.owners is not None or wanted.salvage or wanted.serial is not None:
        return None
    from packetkit.captures import swift

    if not swift.able(wanted.frames):
        return None
    # CSV writes codes as text; the other events are in the form in which the writer takes them.
    needs_codes = target.form == "csv" or target.style.raw
    return swift.events(wanted.frames, source.pieces, raw=needs_codes, detail=out.needs_detail)


def put_block(block: Block, out: Out, account: Account) -> None:
    """Write and count a block; an interruption comes before or after both."""
    assert isinstance(out.writer, (decoded.Rows, tables.Tables))
    with _unbroken():
        out.writer.block(block)
        account.add_block(block)


@contextmanager
def _unbroken() -> Iterator[None]:
    """Hold back an interruption until the context ends."""
    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread is interrupted
        return
    came: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _: came.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if came:
        raise KeyboardInterrupt


def found(wanted: Wanted, source: Source, progress: output.Progress) -> Iterator[Event]:
    """Yield the events of a source, with plain records."""
    return _events(wanted, replace(source, pieces=_counted(source.pieces, progress)), in_detail=False)


def _counted(pieces: Iterable[bytes], progress: output.Progress) -> Iterator[bytes]:
    """The pieces, each counted when what it holds is done."""
    for piece in pieces:
        yield piece
        progress.advance(len(piece))


def _events(wanted: Wanted, source: Source, *, in_detail: bool) -> Iterator[Event]:
    if source.form is None:
        return wanted.events(source.pieces, in_detail=in_detail)
    what = forms.What(wanted.mission, wanted.frames, in_detail, wanted.salvage, wanted.known)
    return wanted.calibrated(source.form.events(what, source.pieces, source.asked), in_detail=in_detail)
