"""From bytes to output: every event of every input written and counted, with progress, until the last ends or a person interrupts.

Lines go out as frames are found, so that a pipe sees them at once and an interruption keeps those before it. Each input is a capture of its
own, whose offsets begin at 0; the account goes on from one to the next. Inputs may be decoded elsewhere (packetkit/cli/elsewhere.py): what
comes of them is written and counted here, in their order, so nobody can tell by the result.
"""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, closing, contextmanager
from dataclasses import dataclass, replace
from io import StringIO
from time import monotonic
from typing import TYPE_CHECKING

from packetkit.captures.account import Account
from packetkit.captures.lines import Count
from packetkit.captures.many import Teams
from packetkit.captures.stream import Event, Failed, Good, Skipped
from packetkit.cli import by_team, continued, decoded, elsewhere, forms, output, signals, summaries, written
from packetkit.cli.found import found, takes_blocks, watched
from packetkit.cli.picture import Drawn
from packetkit.cli.sources import Source
from packetkit.cli.spelling import portable
from packetkit.cli.wanted import Wanted
from packetkit.cli.written import Out, Target
from packetkit.errors import InputError
from packetkit.work.crew import Crew

if TYPE_CHECKING:
    from packetkit.captures.swift import Block

FINDINGS, INTERRUPTED = 1, 130


@dataclass(frozen=True, slots=True)
class Input:
    """One input: what it is called, how it is opened, its size where known; job: how others decode it, None where only this one can."""

    name: str
    opened: Callable[[], AbstractContextManager[Source]]
    size: int | None = None
    job: elsewhere.Job | None = None


def decode(
    wanted: Wanted, inputs: Sequence[Input], target: Target, unit: str = "byte", crew: Crew | None = None
) -> int:
    """Write what the inputs hold and what became of their bytes; return the exit status. unit: what their offsets count."""
    account = Account.of(wanted.layouts, unit)
    with ExitStack() as files:
        is_here = crew is None or not crew.pays(0.0)
        first = (
            files.enter_context(inputs[0].opened()) if is_here else None
        )  # what is wrong with it is said first
        out = files.enter_context(written.opened_for(wanted, target))
        drawn = None if target.picture is None else Drawn(target.picture, wanted.layouts, out.needs_detail)
        pump = _Pump(wanted, inputs, target, out, account, drawn, crew)
        interrupted = pump.run(first)
        out.writer.end()
        account.finish()
        width, encoding = (
            min(output.columns(), output.DEFAULT_COLUMNS),
            output.encoding_of(target.destination),
        )
        note = _account_text(wanted, account, pump, width, encoding, is_whole=not interrupted)
        note += continued.order_text(account, width)
        note += continued.text(account, width, encoding) + signals.text(account, width, encoding)
        note += "".join(forms.count_text(count, form) for form, count in pump.counts.items())
        for file in account.files:
            cut = Count(cut=file.read.cut) if file.read is not None else Count()
            note += "".join(f"{file.name}: {line}\n" for line in forms.loss_lines(cut))
        note += out.note() + ("" if drawn is None else drawn.end())
        if interrupted:
            note += _stopped(account, pump.is_packets, len(inputs), target.follow)
        if isinstance(out.writer, (decoded.Document, summaries.AsDocument)):
            document = decoded.document(_head(wanted, account), account, out.writer.made())
            out.write(output.json_text(document))
        elif target.form == "table":
            out.write(("\n" if account.size else "") + portable(note, encoding))
    if target.form not in ("table", "json") or target.destination != "-" or interrupted:
        output.say(note)
    return INTERRUPTED if interrupted else 0 if account.is_clean else FINDINGS


def _account_text(
    wanted: Wanted, account: Account, pump: _Pump, width: int, encoding: str, *, is_whole: bool
) -> str:
    if not isinstance(wanted.mission, Teams):
        note = "" if pump.is_packets else wanted.obstacle  # each packet is a frame anyway
        return decoded.account_text(account, note, pump.refusal, of_lines=pump.lines, is_whole=is_whole)
    said = decoded.account_text(account, refusal=pump.refusal, by_kind=False, is_whole=is_whole)
    return said + by_team.account_text(wanted.mission, account, width, encoding)


def _head(wanted: Wanted, account: Account) -> dict[str, object]:
    """What the document says of the schemas."""
    if isinstance(wanted.mission, Teams):
        return by_team.account_document(wanted.mission, account)
    return {"mission": wanted.mission.name, "fingerprint": wanted.mission.fingerprint}


def _stopped(account: Account, is_packets: bool, inputs: int, follow: bool) -> str:
    """Where an interruption came: what was written before it is whole. is_packets: of bytes, whose offsets count those of the file."""
    verb = "is not" if follow else "was not"  # there may be nothing behind it yet
    file = account.files[-1] if account.files else None
    size = 0 if file is None else file.size
    of = f" of {file.name}" if file is not None and inputs > 1 else ""
    left = inputs - len(account.files)
    more = f", nor {left:,} more files" if left > 1 else ", nor one file more" if left else ""
    if is_packets and account.unit == "byte":
        where = f"after the frame at offset {account.last_offset:,}" if size else "before any frame"
        return f"Stopped {where}{of}: what comes after it {verb} decoded{more}.\n"
    return f"Stopped at {account.unit} {size:,}{of}: what comes after it {verb} decoded{more}.\n"


def _pushing(pieces: Iterable[bytes], out: Out) -> Iterator[bytes]:
    """The pieces; before the next one is waited for, what came of the last one is on its way."""
    for piece in pieces:
        yield piece
        out.flush()


class _Pump:
    """Hands every event to the writer and counts it.

    refusal: why the first text that was none was not taken for hexadecimal or base64; lines: the most that one text had; counts: what was
    read line by line, by form.
    """

    def __init__(
        self,
        wanted: Wanted,
        inputs: Sequence[Input],
        target: Target,
        out: Out,
        account: Account,
        drawn: Drawn | None,
        crew: Crew | None,
    ) -> None:
        self._wanted, self._inputs, self._target = wanted, inputs, target
        self._out, self._account, self._drawn = out, account, drawn
        self._crew = crew
        self.refusal, self.lines = "", 1
        self.counts: dict[str, Count] = {}
        self.is_packets = False
        self._unbroken = _Unbroken()
        shows_lines = target.destination == "-" and target.form != "json" and sys.stdout.isatty()
        sizes = [one.size for one in inputs if one.size is not None]
        total = sum(sizes) if len(sizes) == len(inputs) else None
        self._progress = output.Progress("bytes", total, stream=StringIO() if shows_lines else None)

    def run(self, first: Source | None) -> bool:
        """Do it all, and return whether that was interrupted. first: the first input, which is open; None: others do all."""
        begin, done = monotonic(), 0
        try:
            with self._unbroken.watching(), self._progress:
                for number, one in enumerate(self._inputs):
                    rest = self._inputs[number:]
                    left = sum(other.size or 0 for other in rest)
                    if self._may_leave(rest, (monotonic() - begin) / done * left if done else 0.0):
                        self._leave(rest)
                        break
                    with ExitStack() as files:
                        source = (
                            first if first is not None and not number else files.enter_context(one.opened())
                        )
                        with _named(one.name, self._inputs):
                            self._here(one, source)
                    done += one.size or 0
        except KeyboardInterrupt:
            return True
        return False

    def _begin(self, name: str, how: elsewhere.Begin) -> None:
        """Take it that what comes now is of another input."""
        self._account.begin(name, how.read_as)
        self._target.style.of_file(name)
        self.refusal = self.refusal or how.refusal
        self.lines = max(self.lines, how.lines)
        self.is_packets = how.form is not None
        if len(self._inputs) > 1 and isinstance(self._out.writer, (decoded.Blocks, decoded.Overview)):
            self._out.writer.begin(name)

    def _count(self, form: str | None, count: Count) -> None:
        self._account.note(count)
        if form is not None:
            name = self._account.files[-1].name if len(self._inputs) > 1 else ""
            self.counts.setdefault(form, Count()).add(count, name)

    def _here(self, one: Input, source: Source) -> None:
        form = None if source.form is None else source.form.name
        self._begin(one.name, elsewhere.Begin(source.read_as, source.refusal, form, source.lines))
        pushed = replace(source, pieces=_pushing(source.pieces, self._out))
        pushed = watched(pushed, self._progress, one.size)
        # CSV writes codes as text; the other events are in the form in which the writer takes them.
        codes = self._target.form == "csv" or self._target.style.raw
        blocks = takes_blocks(self._out) and self._drawn is None
        try:
            self._put(
                found(self._wanted, pushed, in_detail=self._out.needs_detail, blocks=blocks, codes=codes)
            )
        finally:
            self._count(form, source.asked.count)

    def _put(self, events: Iterable[Event | Block]) -> None:
        """Write and count."""
        out, account = self._out, self._account
        for event in events:
            with self._unbroken:
                if not isinstance(event, (Good, Failed, Skipped)):
                    put_block(event, out, account)
                    continue
                out.writer.event(event)
                account.add(event)
                if self._drawn is not None:
                    self._drawn.event(event)
            if self._target.follow:
                out.flush()

    # -- elsewhere ---------------------------------------------------------------------------------

    def _may_leave(self, rest: Sequence[Input], left_s: float) -> bool:
        """Whether others shall decode the rest: they can, and it pays."""
        if self._crew is None or not self._crew.pays(left_s):
            return False
        return self._crew.executor is not None or (len(rest) > 1 and all(one.job is not None for one in rest))

    def _leave(self, rest: Sequence[Input]) -> None:
        """Have the rest decoded by others, and put what comes back, in order."""
        assert self._crew is not None
        order = elsewhere.order_of(self._out, self._target, self._drawn is not None)
        jobs = [(one.job, order) for one in rest]
        with closing(self._crew.in_order(elsewhere.decode, jobs)) as done:
            for one, result in zip(rest, done, strict=True):
                with _named(one.name, self._inputs):
                    for parcel in elsewhere.parcels(result, self._wanted):
                        self._take(one, parcel)
                self._progress.advance(one.size or 0)
                self._out.flush()

    def _take(self, one: Input, parcel: elsewhere.Parcel) -> None:
        """Write and count what others made."""
        if isinstance(parcel, elsewhere.Begin):
            self._form = parcel.form
            self._begin(one.name, parcel)
        elif isinstance(parcel, elsewhere.Rendered):
            assert isinstance(self._out.writer, (decoded.Rows, decoded.Lines))
            with self._unbroken:
                self._out.writer.text(parcel.text, parcel.rows)
                self._account.join(parcel.account, parcel.numbers)
        elif isinstance(parcel, elsewhere.End):
            self._count(self._form, parcel.read)
            if parcel.problem:
                raise InputError(parcel.problem)
        else:
            self._put(parcel)


@contextmanager
def _named(name: str, inputs: Sequence[Input]) -> Iterator[None]:
    """Of several inputs, say which one an error is of."""
    try:
        yield
    except InputError as error:
        if len(inputs) == 1 or str(error).startswith(name):
            raise
        raise InputError(f"{name}: {error}") from error


def put_block(block: Block, out: Out, account: Account) -> None:
    """Write and count a block."""
    out.writer.block(block)  # type: ignore[attr-defined]  # takes_blocks said that it has this
    account.add_block(block)


class _Unbroken:
    """Holds back an interruption while it is entered, so that what is written and what is counted are of the same frames.

    Only one: a second comes through at once, as who takes what is written may never take it.
    """

    def __init__(self) -> None:
        self._is_inside = self._came = False

    @contextmanager
    def watching(self) -> Iterator[None]:
        """Take interruptions until the context ends, where they would come to this thread."""
        is_main = threading.current_thread() is threading.main_thread()
        if not is_main or signal.getsignal(signal.SIGINT) is not signal.default_int_handler:
            yield
            return
        signal.signal(signal.SIGINT, self._take)
        try:
            yield
        finally:
            signal.signal(signal.SIGINT, signal.default_int_handler)

    def _take(self, number: int, _: object) -> None:
        if self._came or not self._is_inside:
            raise KeyboardInterrupt
        self._came = True

    def __enter__(self) -> None:
        self._is_inside = True

    def __exit__(self, *_: object) -> None:
        self._is_inside = False
        if self._came:
            raise KeyboardInterrupt
