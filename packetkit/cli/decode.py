"""`packetkit decode`: frames back to back, in a file or pasted, as a table, CSV, JSON lines or one document.

What is a frame, the captures say; how a line looks, the exports. This module reads options, finds out what
the input is without guessing, and says what was lost. Lines go out as frames are found, so that a pipe sees
them at once and an interruption keeps those before it.
"""

from __future__ import annotations

import os
import signal
import stat
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from fractions import Fraction
from importlib.util import find_spec
from io import StringIO
from typing import TYPE_CHECKING, BinaryIO

import click

from packetkit.captures import paste, pcap
from packetkit.captures.account import Account
from packetkit.captures.packets import Strip
from packetkit.captures.stream import Event, Failed, Good, Skipped, events, obstacle, whole
from packetkit.captures.unpack import packed_as, unpacked
from packetkit.cli import continued, decoded, forms, output, summaries, tables, written
from packetkit.cli.picture import Drawn, check_picture, picture_option
from packetkit.cli.spelling import portable
from packetkit.cli.written import Out, Target
from packetkit.codec.calibrate import curves, serials
from packetkit.codec.frame import Frame
from packetkit.errors import InputError
from packetkit.export.sheet import Style
from packetkit.files import load, not_onto_an_input, only_one_standard_input, open_input, shown_name
from packetkit.layout.model import Layout
from packetkit.layout.printed import counted
from packetkit.mission.load import Mission
from packetkit.schema.words import parse_number

if TYPE_CHECKING:
    from packetkit.captures.swift import Block

FINDINGS, INTERRUPTED = 1, 130

# 64 KiB: a pipe's usual capacity; larger pieces are no faster.
PIECE = 1 << 16

# From so many bytes on a file is decoded as columns where it can be: below, loading what that needs takes longer.
LARGE = 1 << 18

# Of each possible reading so much is decoded to show what it would give.
TRIED = 1 << 16


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is decoded, and how: the frames of a mission, all or the one that was named."""

    mission: Mission
    frames: Mapping[str, Frame]
    detail: bool = False
    salvage: bool = False
    known: Mapping[str, int] | None = None  # raw codes of supplied fields
    serial: str | None = None  # the unit whose calibration is applied

    @property
    def layouts(self) -> Mapping[str, Layout]:
        """The layouts of the frames, by name."""
        return {name: frame.layout for name, frame in self.frames.items()}

    @property
    def obstacle(self) -> str:
        """Why the input is taken as one frame; empty where frames are looked for in it."""
        return obstacle(self.frames)

    def events(self, pieces: Iterable[bytes], *, in_detail: bool) -> Iterator[Event]:
        """Yield what the pieces hold, calibrated where a unit was named and the records are in detail."""
        return self.calibrated(self._events(pieces, in_detail=in_detail), in_detail=in_detail)

    def calibrated(self, found: Iterator[Event], *, in_detail: bool) -> Iterator[Event]:
        """The events, calibrated where a unit was named and the records are in detail."""
        if self.serial is None or not in_detail:
            return found
        known = {name: bool(curves(frame.layout, self.serial)) for name, frame in self.frames.items()}
        return (self._calibrated(event, known) for event in found)

    def _calibrated(self, event: Event, known: Mapping[str, bool]) -> Event:
        name = event.frame if isinstance(event, Good) else event.claimed if isinstance(event, Failed) else ""
        if isinstance(event, Skipped) or event.record is None or self.serial is None or not known.get(name):
            return event
        return replace(event, record=self.frames[name].calibrate(event.record, self.serial))

    def _events(self, pieces: Iterable[bytes], *, in_detail: bool) -> Iterator[Event]:
        if not self.obstacle:
            yield from events(self.frames, pieces, detail=in_detail, salvage=self.salvage)
            return
        data = b"".join(pieces)
        name = next(iter(self.frames)) if len(self.frames) == 1 else None
        if data:
            yield whole(
                self.mission, data, frame=name, detail=in_detail, salvage=self.salvage, known=self.known
            )

    def tried(self, data: bytes) -> Account:
        """Return the account of the first bytes of a possible reading."""
        account = Account()
        for event in self.events([data[:TRIED]], in_detail=False):
            account.add(event)
        return account


def frames_asked(mission: Mission, name: str | None) -> Mapping[str, Frame]:
    """Return the frames that their bytes tell, or the one that is named. Raises InputError for no such name, or for none to look for."""
    if name is None:
        found = {key: frame for key, frame in mission.frames.items() if key not in mission.outside}
        if not found:
            raise InputError(
                f"which frame these bytes hold is told from outside: say --frame NAME: {', '.join(mission.frames)}"
            )
        return found
    if name not in mission.frames:
        raise InputError(f"--frame: {mission.name} has no frame {name!r}: {', '.join(mission.frames)}")
    return {name: mission.frames[name]}


def supplied_codes(given: Iterable[str], frames: Mapping[str, Frame]) -> dict[str, int]:
    """Return the codes of supplied fields by name. Raises InputError for a name or a code that none of the frames has."""
    slots = {slot.path[0]: slot for frame in frames.values() for slot in frame.layout.supplied}
    found: dict[str, int] = {}
    for word in given:
        name, _, code = word.partition("=")
        number = parse_number(code)
        if name not in slots:
            listed = f"there are {', '.join(slots)}" if slots else "these frames have none"
            raise InputError(f"--known: {name!r} is no supplied field; {listed}")
        low, high = slots[name].raw_limits
        if isinstance(number, str) or number.denominator != 1 or not low <= number <= high:
            raise InputError(
                f"--known: {name} is a code from {low} to {high}, such as {name}=0x{high:X}, not {code!r}"
            )
        found[name] = number.numerator
    return found


# -- from the input to bytes -----------------------------------------------------------------------


# As much as tells a packed file or a capture of network tools.
HEAD = 12


@dataclass(frozen=True, slots=True)
class Reading:
    """How the input is read: the options of its form; follow: waiting for more; as_it_is: not unpacking it."""

    asked: forms.Asked = forms.NO_OPTIONS
    follow: bool = False
    as_it_is: bool = False


@dataclass(frozen=True, slots=True)
class Source:
    """Bytes to decode: how they were read, in which pieces, and how many where that is known.

    refusal: why text was not taken for hexadecimal or base64.
    """

    read_as: str
    pieces: Iterable[bytes]
    size: int | None = None
    refusal: str = ""
    form: forms.Form | None = None  # None: frames back to back
    is_stored: bool = False  # all of it is there: nobody waits for the first frame while more of it is read
    asked: forms.Asked = forms.NO_OPTIONS


def source_of(
    stream: BinaryIO, name: str, given: str | None, wanted: Wanted, how: Reading = Reading()
) -> Source:
    """Return the bytes that an input means. Raises InputError where it may mean several, or not what was given."""
    pieces = _pieces(stream, follow=how.follow)
    size = None if how.follow else _size(stream)
    is_stored = size is not None and size >= LARGE
    packed = ""
    if not how.as_it_is:
        head, pieces = _head(pieces)
        packed = packed_as(head)
        if packed:
            _refuse_two(name, packed, head, wanted, given)
            head, pieces = _head(unpacked(packed, pieces))
            size = None
        if given is None and pcap.is_pcap(head):
            _refuse_two(name, "pcap", head, wanted, given)
            given = "pcap"
    source = _unpacked_source(pieces, size, name, given, wanted, how)
    source = replace(source, is_stored=is_stored)
    return replace(source, read_as=f"{source.read_as} in {packed}") if packed else source


def _unpacked_source(
    pieces: Iterator[bytes], size: int | None, name: str, given: str | None, wanted: Wanted, how: Reading
) -> Source:
    if given in forms.FORMS:
        return Source(given, pieces, size, form=forms.FORMS[given], asked=how.asked)
    if given == "binary":
        return Source(given, pieces, size)
    held: list[bytes] = []
    for piece in pieces:
        held.append(piece)
        if given is None and not paste.is_text(piece) and paste.mark_of(held[0]) is None:
            return Source("binary", _chained(held, pieces), size)
    data = b"".join(held)
    text = paste.text_of(data)
    if text is None and given is None:
        return Source("binary", [data], len(data))
    if text is None:
        raise InputError(f"{name}: this is no text, so it is not {given}. Say --from binary")
    return _from_text(text, name, given, wanted, data)


def _from_text(text: str, name: str, given: str | None, wanted: Wanted, data: bytes | None = None) -> Source:
    """The bytes that text means; data: the text's own bytes, where they could be a capture themselves."""
    try:
        if given is not None:
            found = paste.READINGS[given](text)
            return Source(given, [found], len(found))
        if not text.strip():
            return Source("empty text", [], 0)
        possible = paste.readings(text)
    except InputError as error:
        if data is None or given is not None:
            raise InputError(f"{name}: {error}") from error
        return Source("binary", [data], len(data), str(error).partition("\n")[2])
    if data is not None and len(data) <= TRIED and wanted.tried(data).is_clean:
        possible["binary"] = data
    if len(possible) > 1:
        raise InputError(_several(name, possible, wanted))
    ((reading, found),) = possible.items()
    return Source(reading, [found], len(found))


def _several(name: str, possible: Mapping[str, bytes], wanted: Wanted) -> str:
    """The message that shows every reading and what it would give."""
    lines = [f"{name}: this can be read in {len(possible)} ways. Say which is meant:"]
    for reading, data in possible.items():
        account = wanted.tried(data)
        good = ", ".join(f"{count:,} {kind}" for kind, count in account.good.items()) or "none"
        within = f" in the first {TRIED:,}" if len(data) > TRIED else ""
        lines.append(f"  --from {reading}: {counted(len(data), 'byte')}")
        lines.append(f"      {decoded.hex_of(data, output.columns() - 6)}")
        lines.append(f"      good frames{within}: {good}; failed: {sum(account.failed.values()):,}")
    return "\n".join(lines)


# Twice a second: soon enough for a person, and nothing for the machine.
LOOKS_S = 0.5


def _pieces(stream: BinaryIO, *, follow: bool = False) -> Iterator[bytes]:
    """What can be read at once, again and again; follow: also what is written to a file later, until an interruption."""
    read: Callable[[int], bytes] = getattr(stream, "read1", stream.read)
    while True:
        while piece := read(PIECE):
            yield piece
        if not follow or _size(stream) is None:
            return  # a pipe that ended stays so
        yield b""  # what came so far is on its way before the wait
        time.sleep(LOOKS_S)


def _head(pieces: Iterator[bytes]) -> tuple[bytes, Iterator[bytes]]:
    """The first bytes, enough to see what file it is, and all the pieces."""
    held: list[bytes] = []
    for piece in pieces:
        held.append(piece)
        if not piece or sum(map(len, held)) >= HEAD:
            break
    return b"".join(held), _chained(held, pieces)


def _refuse_two(name: str, kind: str, head: bytes, wanted: Wanted, given: str | None) -> None:
    """Raise InputError where the first bytes are those of such a file and good frames as well."""
    if wanted.tried(head).good:
        said = f"--from {given or 'binary'}"
        raise InputError(
            f"{name}: this begins like a {kind} file, and good frames are in it as it stands. Say {said} --as-it-is "
            f"to take it as frames" + (", or --from pcap" if kind == "pcap" else ", or unpack it first")
        )


def _chained(first: list[bytes], rest: Iterator[bytes]) -> Iterator[bytes]:
    while first:
        yield first.pop(0)
    yield from rest


def _size(stream: BinaryIO) -> int | None:
    """How many bytes a stream has, where that is known beforehand."""
    try:
        status = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return None
    return status.st_size if stat.S_ISREG(status.st_mode) else None


# -- from bytes to output --------------------------------------------------------------------------


def decode(wanted: Wanted, source: Source, target: Target) -> int:
    """Write what the source holds and what became of its bytes; return the exit status."""
    unit = source.form.unit if source.form is not None else "byte"
    account = Account.of((frame.layout for frame in wanted.frames.values()), unit)
    with written.opened(wanted, target) as out:
        pushed = replace(source, pieces=_pushing(source.pieces, out))
        drawn = None if target.picture is None else Drawn(target.picture, wanted.layouts, out.needs_detail)
        interrupted = _pump(wanted, pushed, target, out, account, drawn)
        out.writer.end()
        account.finish()
        note = decoded.account_text(account, source.read_as, wanted.obstacle, source.refusal)
        width = min(output.columns(), output.DEFAULT_COLUMNS)
        note += continued.text(account, width, output.encoding_of(target.destination))
        if source.form is not None:
            note += forms.count_text(source.asked.count, source.form.name)
        note += out.note() + ("" if drawn is None else drawn.end())
        if interrupted:
            note += _stopped(account, source)
        if isinstance(out.writer, (decoded.Document, summaries.AsDocument)):
            document = decoded.document(wanted.mission, account, source.read_as, out.writer.made())
            out.write(output.json_text(document))
        elif target.form == "table":
            out.write(("\n" if account.size else "") + portable(note, output.encoding_of(target.destination)))
    if target.form not in ("table", "json") or target.destination != "-" or interrupted:
        output.say(note)
    return INTERRUPTED if interrupted else 0 if account.is_clean else FINDINGS


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
                    _put_block(event, out, account)
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
    if wanted.obstacle or wanted.salvage or wanted.serial is not None:
        return None
    from packetkit.captures import swift

    if not swift.able(wanted.frames):
        return None
    # CSV writes codes as text; the other events are in the form in which the writer takes them.
    needs_codes = target.form == "csv" or target.style.raw
    return swift.events(wanted.frames, source.pieces, raw=needs_codes, detail=out.needs_detail)


def _put_block(block: Block, out: Out, account: Account) -> None:
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


def told(mission: Mission, variants: tuple[str, ...]) -> Mission:
    """Return the mission with what was said of its variants. Raises InputError for what it does not have."""
    said = dict(one.partition("=")[::2] for one in variants)
    try:
        return mission.told(said)
    except KeyError as error:
        raise InputError(f"--variant: {error.args[0]}") from None


# The forms that say when and how well a frame was received.
TELLING = ("lines", "csv", "jsonl", "pcap")


def _check_follow(follow: bool, given: str | None, text: str | None, as_json: bool) -> None:
    """Raise UsageError where there is nothing to follow, or no way to write at once."""
    if not follow:
        return
    if text is not None or as_json:
        raise click.UsageError(
            f"--follow waits for more, and {'--text' if text else '--json'} is whole at once"
        )
    waits = given is None or given in ("hex", "base64", "bits", "packed-bits")
    if waits:
        raise click.UsageError(
            "--follow goes with an input that is read as it comes: say --from binary, lines, csv, jsonl, pcap, slip, kiss, cobs or hdlc"
        )


@click.command("decode")
@click.argument("schema", metavar="SCHEMA")
@click.argument("source", metavar="[INPUT]", required=False)
@click.option("--text", metavar="TEXT", help='Decode this text, such as "B9 21 05", instead of an input.')
@click.option(
    "--from",
    "given",
    metavar="FORM",
    type=click.Choice(["hex", "base64", "binary", *forms.FORMS]),
    help="What the input is: hex, base64 or binary, with frames back to back; or one of: "
    + "; ".join(f"{form.name}, {form.help}" for form in forms.FORMS.values())
    + ". Without it, the only thing that it can be.",
)
@forms.options
@click.option("--as-it-is", is_flag=True, help="Do not unpack gzip and zstd, nor look for pcap.")
@click.option(
    "--follow",
    is_flag=True,
    help="Wait for what is written to the input later; each frame goes out at once. Ends with Ctrl-C.",
)
@click.option("--trace", is_flag=True, help="Name file and fingerprint in every row and line.")
@click.option("--frame", metavar="NAME", help="Look for this frame only.")
@click.option(
    "--variant",
    "variants",
    metavar="PART=NAME",
    multiple=True,
    help="What was told from outside: the variant of a part.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(["table", "csv", "csv-semicolon", "jsonl", *tables.FORMS]),
    help="How to write the frames; csv-semicolon has a comma in numbers. Arrow and Parquet (extra `tables`) and SQLite are written to "
    "-o FILE, with a table a kind of frame. Without it, as FILE's name ends: "
    f"{', '.join(tables.SUFFIXES)}; else a table to read.",
)
@click.option(
    "--raw", "with_raw", is_flag=True, help="CSV and tables: a column for each field's code on the wire too."
)
@click.option(
    "--units", is_flag=True, help="CSV: the unit behind each title. Tables always say it beside the column."
)
@click.option(
    "--every",
    "every_s",
    metavar="TIME",
    type=summaries.Interval(),
    help="Gather frames by intervals of that length, such as 10min, empty ones too: by when they were received where the capture says so, "
    "else by their clock.",
)
@click.option(
    "--summary",
    metavar="WORDS",
    help="With --every: what to tell of each field, of min, mean, max and count.  [default: all]",
)
@picture_option("every field over time, a panel a quantity, further pages as FILE-2,")
@click.option("--detail", is_flag=True, help="Show every field with its raw code, constants and checks too.")
@click.option(
    "--salvage", is_flag=True, help="Show also what frames held whose check failed, marked as such."
)
@click.option(
    "--known",
    metavar="NAME=CODE",
    multiple=True,
    help="The code of a supplied field, which is mixed into a check; else it is recovered, and nothing is verified.",
)
@click.option(
    "--serial",
    metavar="SERIAL",
    help="The unit that sent them: show the values calibrated by its curves too.",
)
@output.json_option
@output.output_option
def command(
    schema: str,
    source: str | None,
    text: str | None,
    given: str | None,
    line: str | None,
    key: str | None,
    payload: str | None,
    strip_front: int,
    strip_back: int,
    framing_check: str | None,
    marker_errors: int | None,
    as_it_is: bool,
    follow: bool,
    trace: bool,
    frame: str | None,
    variants: tuple[str, ...],
    form: str | None,
    with_raw: bool,
    units: bool,
    every_s: Fraction | None,
    summary: str | None,
    picture: str | None,
    detail: bool,
    salvage: bool,
    known: tuple[str, ...],
    serial: str | None,
    as_json: bool,
    destination: str,
) -> int:
    """Decode captured frames and account for every byte.

    INPUT is a file, or - for standard input: binary, or text in hexadecimal or base64, in which frames stand
    back to back and junk between them is skipped and told; or what --from names. gzip and zstd are unpacked.
    Exit status 1: a frame failed or was cut off, bytes were skipped, or there was no frame.

    \b
    packetkit decode heron.yaml heron.capture
    packetkit decode first-light.yaml --text "01 65 b1 80 3e 5b"
    packetkit decode heron.yaml log.hex --from hex --format csv -o log.csv
    packetkit decode heron.yaml receiver.log --from lines --strip 4
    packetkit decode heron.yaml - --from slip --format jsonl --follow
    """
    if (source is None) is (text is None):
        raise click.UsageError("name one input: a file, - for standard input, or --text TEXT")
    if text is not None and given not in (None, "hex", "base64"):
        raise click.UsageError(f"--text is hexadecimal or base64; {given} comes from a file or -")
    asked = forms.Asked(line, key, payload, framing_check, marker_errors, Strip(strip_front, strip_back))
    forms.check_options(given, asked)
    _check_follow(follow, given, text, as_json)
    form = "json" if as_json else form or tables.form_of(destination)
    style = Style(
        form == "csv-semicolon", given in TELLING, (source or "--text") if trace else None, with_raw, units
    )
    with_leaves = detail or salvage
    words = summaries.words_of(summary, every_s)
    is_gathered = every_s is not None
    written.check_options(
        form, style, with_leaves or (is_gathered and serial is not None), follow, is_gathered
    )
    if picture is not None:
        check_picture(picture, destination, follow, schema, source)
    only_one_standard_input(schema, source)
    not_onto_an_input(destination, schema, source)
    mission = told(load(schema), variants)
    wanted = Wanted(mission, frames_asked(mission, frame), detail, salvage, serial=serial)
    wanted = replace(wanted, known=supplied_codes(known, wanted.frames))
    known = serials(one.layout for one in wanted.frames.values())
    if serial is not None and serial not in known:
        listed = f"those with curves are {', '.join(known)}" if known else "the schema has no calibration"
        raise InputError(f"--serial: there are no curves for {serial!r}; {listed}")
    said = shown_name(source or "--text")
    target = Target(
        form.partition("-")[0], destination, follow, style, said, (schema, source), every_s, words, picture
    )
    if text is not None:
        return decode(wanted, _from_text(text, "--text", given, wanted), target)
    assert source is not None
    with open_input(source) as stream:
        how = Reading(asked, follow, as_it_is)
        return decode(wanted, source_of(stream, shown_name(source), given, wanted, how), target)
