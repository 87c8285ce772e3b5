"""An input decoded by another process, here or on another machine: what it is told, and what it gives back as parcels.

Parcels are in the order of the input. Where rows are text that depends on nothing but their frame (CSV, JSON lines), others write it
and send text, counts, and what counters read; else they send events, or rows of frames as blocks. Writing into one output, and the
account of counters, which goes on over all files, stay with who asked. Parcels go through files that both see, or through memory.

What would surprise a reader: a piece may be done twice, where a worker was lost or took long; so each run has a file of its own.
"""

from __future__ import annotations

import os
import pickle
import socket
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from functools import lru_cache
from io import BytesIO
from itertools import islice
from typing import TYPE_CHECKING, Any, BinaryIO, NamedTuple

from packetkit.captures.account import Account
from packetkit.captures.lines import Count
from packetkit.captures.stream import Failed, Good, Skipped
from packetkit.cli import decoded, sources
from packetkit.cli.found import found, takes_blocks
from packetkit.cli.wanted import Asking, Wanted
from packetkit.cli.written import Out, Target, writer_of
from packetkit.errors import InputError
from packetkit.files import open_input
from packetkit.work.crew import is_wanted

if TYPE_CHECKING:
    from packetkit.captures.numbers import Numbers

# Events a parcel: their dictionaries and names are written once for all of them.
EVENTS = 2_000
# Characters of text a parcel: so much is written at once.
TEXT = 1 << 20


@dataclass(frozen=True, slots=True)
class Job:
    """One input: where it lies, what it is called, its size here; what is looked for and how it is read; spool: where parcels are put."""

    path: str
    name: str
    size: int
    asking: Asking
    given: str | None
    how: sources.Reading
    spool: str | None = None
    is_far: bool = False  # another machine may do it, which sees other files


@dataclass(frozen=True, slots=True)
class Order:
    """In which form parcels are wanted. target: as what text is written, None where events are."""

    in_detail: bool
    blocks: bool
    codes: bool
    target: Target | None


class Begin(NamedTuple):
    """How an input was read."""

    read_as: str
    refusal: str
    form: str | None
    lines: int = 1


class Rendered(NamedTuple):
    """Rows as text, and what an account asks of their frames."""

    text: str
    rows: int
    account: Account
    numbers: Mapping[str, list[Numbers]]


class End(NamedTuple):
    """The end of an input: what was read line by line, and why there is no more."""

    read: Count
    problem: str = ""


class Packed(NamedTuple):
    """A block (packetkit/captures/swift.py) without what the other side knows anyhow."""

    frame: str
    offset: int
    columns: Mapping[str, Any]


Parcel = Begin | Rendered | End | list[Any]


class Result(NamedTuple):
    """Where the parcels of an input are: in a file, or here."""

    file: str = ""
    data: bytes = b""


def order_of(out: Out, target: Target, is_drawn: bool) -> Order:
    """Return what to ask of others for an output. is_drawn: a picture is made of the events too."""
    codes = target.form == "csv" or target.style.raw
    blocks = takes_blocks(out) and not is_drawn
    is_text = isinstance(out.writer, decoded.Lines) or (
        isinstance(out.writer, decoded.Rows) and not out.writer.waits
    )
    own = replace(target, destination="-", inputs=(), picture=None)
    return Order(out.needs_detail, blocks, codes, own if is_text and not is_drawn else None)


# -- there -----------------------------------------------------------------------------------------


def decode(job: Job, order: Order) -> Result:
    """Return where the parcels of one input are; what is wrong with it is in the last of them."""
    if job.spool is None:
        kept = BytesIO()
        _write(job, order, kept)
        return Result(data=kept.getvalue())
    place = os.path.join(job.spool, f"{socket.gethostname()}-{os.getpid()}-{os.urandom(8).hex()}")
    try:
        with open(place, "xb") as stream:
            _write(job, order, stream)
    except OSError as error:
        with suppress(OSError):
            os.unlink(place)
        where = f" on the worker at {socket.gethostname()}" if job.is_far else ""
        raise InputError(
            f"--spool: {job.spool} cannot be written to{where}: {error.strerror}; name a directory that every worker sees, with room in it"
        ) from None
    return Result(place)


def _write(job: Job, order: Order, sink: BinaryIO) -> None:
    """Write every parcel."""
    count, problem = Count(), ""
    try:
        with _opened(job) as stream:
            wanted = _wanted(job.asking)
            how = replace(job.how, asked=replace(job.how.asked, count=count))
            source = sources.source_of(stream, job.name, job.given, wanted, how)
            form = None if source.form is None else source.form.name
            _put(Begin(source.read_as, source.refusal, form, source.lines), sink)
            events = found(wanted, source, in_detail=order.in_detail, blocks=order.blocks, codes=order.codes)
            unit = "byte" if source.form is None else source.form.unit
            made = (
                _as_they_are(events)
                if order.target is None
                else _rendered(wanted, job, order.target, unit, events)
            )
            for parcel in made:
                if not is_wanted():
                    return
                _put(parcel, sink)
    except InputError as error:
        problem = str(error)
    _put(End(count, problem), sink)


def _put(parcel: Any, sink: BinaryIO) -> None:
    pickle.dump(parcel, sink, pickle.HIGHEST_PROTOCOL)


@contextmanager
def _opened(job: Job) -> Iterator[BinaryIO]:
    """Yield the input. Raises InputError where this machine cannot read it, or has another file there."""
    where = f"\n  on the worker at {socket.gethostname()}, which reads it under {job.path}"
    try:
        with open_input(job.path) as stream:
            size = os.fstat(stream.fileno()).st_size
            if job.is_far and size != job.size:
                raise InputError(
                    f"{job.name}: this file has {size:,} bytes, and where it was named it has {job.size:,}"
                )
            yield stream
    except InputError as error:
        if not job.is_far:
            raise
        raise InputError(f"{error}{where}") from error


@lru_cache(2)
def _wanted(asking: Asking) -> Wanted:
    """What is looked for: read once, for all inputs that a process decodes."""
    return asking.wanted()


def _as_they_are(events: Iterator[Any]) -> Iterator[list[Any]]:
    """Events, and blocks packed, a number of them at a time."""
    while parcel := list(islice(events, EVENTS)):
        yield [one if isinstance(one, (Good, Failed, Skipped)) else _packed(one) for one in parcel]


def _packed(block: Any) -> Packed:
    table = block.table
    first = int(table.offsets[0])
    last = int(table.offsets[-1] + table.sizes[-1])
    columns = {
        "data": table.data[first:last],
        "ok": table.ok,
        "values_of": table.values_of,
        "valid": table.valid,
        "raw": table.raw,
        "offsets": table.offsets - first,
        "sizes": table.sizes,
        "obstacle": table.obstacle,
    }
    return Packed(block.frame, block.offset, columns)


def _rendered(
    wanted: Wanted, job: Job, target: Target, unit: str, events: Iterator[Any]
) -> Iterator[Rendered]:
    """Events as text."""
    from packetkit.captures.numbers import Tally

    tally, text = Tally(wanted.layouts, unit), _Text()
    target.style.of_file(job.name)
    writer = writer_of(wanted, target, text.write)
    assert isinstance(writer, (decoded.Rows, decoded.Lines))
    text.cut()  # the titles stand in the output already
    rows, is_empty = 0, True
    for event in events:
        is_empty = False
        if isinstance(event, (Good, Failed, Skipped)):
            writer.event(event)
            tally.account.add(event)
            rows += not isinstance(event, Skipped)
        else:
            assert isinstance(writer, decoded.Rows)
            writer.block(event)
            tally.account.add_block(event)
            rows += event.table.rows
        if text.size >= TEXT:
            yield Rendered(text.cut(), rows, *tally.cut())
            rows, is_empty = 0, True
    if not is_empty:
        yield Rendered(text.cut(), rows, *tally.cut())


class _Text:
    """Text as it comes."""

    def __init__(self) -> None:
        self._parts: list[str] = []
        self.size = 0

    def write(self, text: str) -> None:
        self._parts.append(text)
        self.size += len(text)

    def cut(self) -> str:
        """Return it, and begin anew."""
        made = "".join(self._parts)
        self._parts, self.size = [], 0
        return made


# -- here ------------------------------------------------------------------------------------------


def parcels(result: Result, wanted: Wanted) -> Iterator[Parcel]:
    """Yield the parcels of an input, and forget them. Raises InputError where their file cannot be read."""
    if not result.file:
        yield from _read(BytesIO(result.data), wanted)
        return
    try:
        with open(result.file, "rb") as stream:
            yield from _read(stream, wanted)
    finally:
        with suppress(OSError):
            os.unlink(result.file)


def _read(stream: BinaryIO, wanted: Wanted) -> Iterator[Parcel]:
    parcel: Any = None
    while not isinstance(parcel, End):
        parcel = pickle.load(stream)  # of our own workers
        yield (
            [_block(one, wanted) if isinstance(one, Packed) else one for one in parcel]
            if isinstance(parcel, list)
            else parcel
        )


def _block(packed: Packed, wanted: Wanted) -> Any:
    from packetkit.captures.swift import Block
    from packetkit.codec.bulk import Columns

    frame = wanted.frames[packed.frame]
    slots = frame.decode_many(b"", raw=True).slots
    return Block(packed.frame, packed.offset, Columns(layout=frame.layout, slots=slots, **packed.columns))
