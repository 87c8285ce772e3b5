"""`packetkit decode`: frames back to back, in a file or pasted, as a table, CSV, JSON lines or one document.

What is a frame, the captures say; how a line looks, the exports. This module reads options, finds out what
the input is without guessing, and says what was lost. Lines go out as frames are found, so that a pipe sees
them at once and an interruption keeps those before it.
"""

from __future__ import annotations

import os
import stat
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from io import StringIO
from typing import BinaryIO, TextIO, cast

import click

from packetkit.captures import paste
from packetkit.captures.account import Account
from packetkit.captures.stream import Event, Failed, Good, Skipped, events, obstacle, whole
from packetkit.cli import continued, decoded, output
from packetkit.cli.spelling import portable
from packetkit.codec.calibrate import curves, serials
from packetkit.codec.frame import Frame
from packetkit.errors import InputError
from packetkit.files import load, not_onto_an_input, only_one_standard_input, open_input, shown_name
from packetkit.layout.printed import counted
from packetkit.mission.load import Mission
from packetkit.schema.words import parse_number

FINDINGS, INTERRUPTED = 1, 130

# 64 KiB: a pipe's usual capacity; larger pieces are no faster.
PIECE = 1 << 16

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
    def obstacle(self) -> str:
        """Why the input is taken as one frame; empty where frames are looked for in it."""
        return obstacle(self.frames)

    def events(self, pieces: Iterable[bytes], *, in_detail: bool) -> Iterator[Event]:
        """Yield what the pieces hold, calibrated where a unit was named and the records are in detail."""
        found = self._events(pieces, in_detail=in_detail)
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


@dataclass(frozen=True, slots=True)
class Source:
    """Bytes to decode: how they were read, in which pieces, and how many where that is known.

    refusal: why text was not taken for hexadecimal or base64.
    """

    read_as: str
    pieces: Iterable[bytes]
    size: int | None = None
    refusal: str = ""


def source_of(stream: BinaryIO, name: str, given: str | None, wanted: Wanted) -> Source:
    """Return the bytes that an input means. Raises InputError where it may mean several, or not what was given."""
    pieces = _pieces(stream)
    if given == "binary":
        return Source(given, pieces, _size(stream))
    held: list[bytes] = []
    for piece in pieces:
        held.append(piece)
        if given is None and not paste.is_text(piece) and paste.mark_of(held[0]) is None:
            return Source("binary", _chained(held, pieces), _size(stream))
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


def _pieces(stream: BinaryIO) -> Iterator[bytes]:
    read: Callable[[int], bytes] = getattr(stream, "read1", stream.read)
    while piece := read(PIECE):
        yield piece


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


@dataclass(frozen=True, slots=True)
class Target:
    """Where the result goes and in which form."""

    form: str
    destination: str


def decode(wanted: Wanted, source: Source, target: Target) -> int:
    """Write what the source holds and what became of its bytes; return the exit status."""
    account = Account.of(frame.layout for frame in wanted.frames.values())
    with _opened(target) as stream:
        writer = _writer(wanted, target, stream.write)
        interrupted = _pump(
            wanted, replace(source, pieces=_pushing(source.pieces, stream)), target, writer, account
        )
        writer.end()
        account.finish()
        note = decoded.account_text(account, source.read_as, wanted.obstacle, source.refusal)
        width = min(output.columns(), output.DEFAULT_COLUMNS)
        note += continued.text(account, width, output.encoding_of(target.destination))
        if interrupted:
            note += f"Stopped at byte {account.size:,}: what comes after it was not decoded.\n"
        if isinstance(writer, decoded.Document):
            stream.write(output.json_text(writer.made(account, source.read_as)))
        elif target.form == "table":
            stream.write(
                ("\n" if account.size else "") + portable(note, output.encoding_of(target.destination))
            )
    if target.form in ("csv", "jsonl") or target.destination != "-" or interrupted:
        output.say(note)
    return INTERRUPTED if interrupted else 0 if account.is_clean else FINDINGS


class _Utf8:
    """Text to a stream of bytes: what programs read does not depend on the terminal's encoding."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        return self._stream.write(text.encode("utf-8"))

    def flush(self) -> None:
        self._stream.flush()


@contextmanager
def _opened(target: Target) -> Iterator[_Utf8 | TextIO]:
    """A stream that takes text: UTF-8 for files and for what programs read, the terminal's encoding for people."""
    if target.form == "table" or (target.destination == "-" and sys.stdout.isatty()):
        with output.open_text(target.destination) as text:
            yield cast(TextIO, text)
    else:
        with output.open_bytes(target.destination) as stream:
            yield _Utf8(stream)


def _pushing(pieces: Iterable[bytes], stream: _Utf8 | TextIO) -> Iterator[bytes]:
    """The pieces; before the next one is waited for, what came of the last one is on its way."""
    for piece in pieces:
        yield piece
        stream.flush()


def _pump(wanted: Wanted, source: Source, target: Target, writer: decoded.Writer, account: Account) -> bool:
    """Hand every event to the writer and count it; return whether that was interrupted."""
    in_detail = target.form != "csv" or wanted.serial is not None
    shows_lines = target.destination == "-" and target.form != "json" and sys.stdout.isatty()
    progress = output.Progress("bytes", source.size, stream=StringIO() if shows_lines else None)
    try:
        with progress:
            for event in wanted.events(source.pieces, in_detail=in_detail):
                try:
                    writer.event(event)
                finally:  # what was written counts, also where it is the last before an interruption
                    account.add(event)
                progress.advance(event.size)
    except KeyboardInterrupt:
        return True
    return False


def _writer(wanted: Wanted, target: Target, write: decoded.Write) -> decoded.Writer:
    layouts = {name: frame.layout for name, frame in wanted.frames.items()}
    if target.form == "json":
        return decoded.Document(wanted.mission, detail=wanted.detail)
    if target.form == "jsonl":
        return decoded.Lines(write, layouts, detail=wanted.detail)
    if target.form == "csv":
        return decoded.Rows(write, layouts, wanted.serial)
    encoding = output.encoding_of(target.destination)
    first = next(iter(layouts.values()))
    is_plain = not (wanted.detail or wanted.salvage or wanted.serial is not None)
    if is_plain and len(layouts) == 1 and decoded.fits_a_row(first):
        return decoded.Overview(write, first, encoding)
    calibrated = wanted.serial is not None
    return decoded.Blocks(write, layouts, encoding, detail=wanted.detail, calibrated=calibrated)


def told(mission: Mission, variants: tuple[str, ...]) -> Mission:
    """Return the mission with what was said of its variants. Raises InputError for what it does not have."""
    said = dict(one.partition("=")[::2] for one in variants)
    try:
        return mission.told(said)
    except KeyError as error:
        raise InputError(f"--variant: {error.args[0]}") from None


@click.command("decode")
@click.argument("schema", metavar="SCHEMA")
@click.argument("source", metavar="[INPUT]", required=False)
@click.option("--text", metavar="TEXT", help='Decode this text, such as "B9 21 05", instead of an input.')
@click.option(
    "--from",
    "given",
    type=click.Choice(["hex", "base64", "binary"]),
    help="What the input is. Without it, the only thing that it can be.",
)
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
    type=click.Choice(["table", "csv", "jsonl"]),
    default="table",
    show_default=True,
    help="How to write the frames.",
)
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
    frame: str | None,
    variants: tuple[str, ...],
    form: str,
    detail: bool,
    salvage: bool,
    known: tuple[str, ...],
    serial: str | None,
    as_json: bool,
    destination: str,
) -> int:
    """Decode captured frames and account for every byte.

    INPUT is a file, or - for standard input: binary, or text in hexadecimal or base64. Frames stand back to
    back; junk between them is skipped and told. Exit status 1: a frame failed or was cut off, bytes were
    skipped, or there was no frame.

    \b
    packetkit decode heron.yaml heron.capture
    packetkit decode first-light.yaml --text "01 65 b1 80 3e 5b"
    packetkit decode heron.yaml log.hex --from hex --format csv -o log.csv
    """
    if (source is None) is (text is None):
        raise click.UsageError("name one input: a file, - for standard input, or --text TEXT")
    if text is not None and given == "binary":
        raise click.UsageError("--text is hexadecimal or base64; binary comes from a file or -")
    if form == "csv" and (detail or salvage) and not as_json:
        raise click.UsageError(
            "a cell of CSV holds a value and nothing about it; use --format jsonl with this"
        )
    only_one_standard_input(schema, source)
    not_onto_an_input(destination, schema, source)
    mission = told(load(schema), variants)
    wanted = Wanted(mission, frames_asked(mission, frame), detail, salvage, serial=serial)
    wanted = replace(wanted, known=supplied_codes(known, wanted.frames))
    known = serials(one.layout for one in wanted.frames.values())
    if serial is not None and serial not in known:
        listed = f"those with curves are {', '.join(known)}" if known else "the schema has no calibration"
        raise InputError(f"--serial: there are no curves for {serial!r}; {listed}")
    target = Target("json" if as_json else form, destination)
    if text is not None:
        return decode(wanted, _from_text(text, "--text", given, wanted), target)
    assert source is not None
    with open_input(source) as stream:
        return decode(wanted, source_of(stream, shown_name(source), given, wanted), target)
