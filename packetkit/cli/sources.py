"""From an input to bytes: what a file, standard input or pasted text holds, without guessing.

An input may be packed, a capture of network tools, text in hexadecimal or base64, or frames as they are. Where it can be two of these, the
message shows both readings and what each would give.
"""

from __future__ import annotations

import os
import select
import stat
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import BinaryIO

from packetkit.captures import paste, pcap
from packetkit.captures.account import Account
from packetkit.captures.unpack import may_be_packed, packed_as, unpacked
from packetkit.cli import decoded, forms, output
from packetkit.cli.wanted import TRIED, Wanted
from packetkit.errors import InputError, counted

# 64 KiB: a pipe's usual capacity; larger pieces are no faster.
PIECE = 1 << 16

# From so many bytes on a file is decoded as columns where it can be: below, loading what that needs takes longer.
LARGE = 1 << 18


@dataclass(frozen=True, slots=True)
class Reading:
    """How the input is read: the options of its form; follow: waiting for more; as_it_is: not unpacking it."""

    asked: forms.Asked = forms.NO_OPTIONS
    follow: bool = False
    as_it_is: bool = False


@dataclass(frozen=True, slots=True)
class Source:
    """Bytes to decode: how they were read, in which pieces, and how many where that is known.

    refusal: why text was not taken for hexadecimal or base64. lines: those of the text whose bytes were put together.
    """

    read_as: str
    pieces: Iterable[bytes]
    size: int | None = None
    refusal: str = ""
    form: forms.Form | None = None  # None: frames back to back
    is_stored: bool = False  # all of it is there: nobody waits for the first frame while more of it is read
    asked: forms.Asked = forms.NO_OPTIONS
    lines: int = 1


def source_of(
    stream: BinaryIO, name: str, given: str | None, wanted: Wanted, how: Reading = Reading()
) -> Source:
    """Return the bytes that an input means. Raises InputError where it may mean several, or not what was given."""
    pieces = _pieces(stream, follow=how.follow)
    size = None if how.follow else _size(stream)
    is_stored = size is not None and size >= LARGE
    packed = ""
    if not how.as_it_is:
        head, pieces = _head(pieces, with_pcap=given is None)
        packed = packed_as(head)
        if packed:
            _refuse_two(name, packed, head, wanted, given)
            note = partial(setattr, how.asked.count, "cut")
            head, pieces = _head(unpacked(packed, pieces, note), with_pcap=given is None)
            size = None
        if given is None and pcap.is_pcap(head):
            _refuse_two(name, "pcap", head, wanted, given)
            given = "pcap"
    source = _unpacked_source(pieces, size, name, given, wanted, how)
    source = replace(source, is_stored=is_stored, asked=how.asked)
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
    return from_text(text, name, given, wanted, data)


def from_text(text: str, name: str, given: str | None, wanted: Wanted, data: bytes | None = None) -> Source:
    """Return the bytes that text means; data: the text's own bytes, where they could be a capture themselves."""
    lines = sum(bool(line.strip()) for line in text.splitlines())
    try:
        if given is not None:
            found = paste.READINGS[given](text)
            return Source(given, [found], len(found), lines=lines)
        if not text.strip():
            return Source("empty text", [], 0)
        possible = paste.readings(text)
    except InputError as error:
        if data is None or given is not None:
            raise InputError(f"{name}: {error}") from error
        return Source("binary", [data], len(data), str(error).partition("\n")[2])
    if data is not None and len(data) <= TRIED and wanted.tried(data).is_clean:
        possible["binary"] = data
    is_bits = data is not None and paste.may_be_bits(text)
    if len(possible) > 1 or is_bits:
        raise InputError(_several(name, possible, wanted, _as_bits(text, wanted) if is_bits else ""))
    ((reading, found),) = possible.items()
    return Source(reading, [found], len(found), lines=1 if reading == "binary" else lines)


def _several(name: str, possible: Mapping[str, bytes], wanted: Wanted, more: str) -> str:
    """The message that shows every reading and what it would give; more: the same of readings that are no bytes."""
    lines = [f"{name}: this can be read in {len(possible) + more.count('--from')} ways. Say which is meant:"]
    for reading, data in possible.items():
        account = wanted.tried(data)
        good = ", ".join(f"{count:,} {kind}" for kind, count in account.good.items()) or "none"
        within = f" in the first {TRIED:,}" if len(data) > TRIED else ""
        lines.append(f"  --from {reading}: {counted(len(data), 'byte')}")
        lines.append(f"      {decoded.hex_of(data, output.columns() - 6)}")
        lines.append(f"      good frames{within}: {good}; failed: {sum(account.failed.values()):,}")
    return "\n".join(lines) + more


def _as_bits(text: str, wanted: Wanted) -> str:
    """The same of digits 0 and 1 as bits; a form for which the frames are not made is left out."""
    lines = []
    what = forms.What(wanted.mission, wanted.frames, False, False)
    for form in (forms.FORMS["bits"], forms.FORMS["hdlc-bits"]):
        account = Account(unit=form.unit)
        try:
            for event in form.events(what, [text[: 8 * TRIED].encode()], forms.NO_OPTIONS):
                account.add(event)
        except InputError:
            continue
        good = ", ".join(f"{count:,} {kind}" for kind, count in account.good.items()) or "none"
        lines.append(f"\n  --from {form.name}: {counted(len(''.join(text.split())), 'bit')}")
        lines.append(f"\n      good frames: {good}; failed: {sum(account.failed.values()):,}")
    return "".join(lines)


# Twice a second: soon enough for a person, and nothing for the machine.
LOOKS_S = 0.5


def _pieces(stream: BinaryIO, *, follow: bool = False) -> Iterator[bytes]:
    """What can be read at once, again and again; follow: also what is written to a file later, until an interruption."""
    read: Callable[[int], bytes] = getattr(stream, "read1", stream.read)
    while True:
        while piece := read(PIECE):
            yield piece
            if follow and _is_quiet(stream):
                yield b""
        if not follow or _size(stream) is None:
            return  # a pipe that ended stays so
        yield b""  # what came so far is on its way before the wait
        time.sleep(LOOKS_S)


def _is_quiet(stream: BinaryIO) -> bool:
    """Whether nothing comes for a while; False also where the system cannot tell without reading."""
    try:
        return not select.select([stream.fileno()], [], [], LOOKS_S)[0]
    except (OSError, ValueError):
        return False


def _head(pieces: Iterator[bytes], *, with_pcap: bool) -> tuple[bytes, Iterator[bytes]]:
    """The first bytes, until it is certain what file it is or nothing more comes for a while, and all the pieces."""
    held: list[bytes] = []
    for piece in pieces:
        held.append(piece)
        head = b"".join(held)
        if not piece or not (may_be_packed(head) or (with_pcap and pcap.may_be_pcap(head))):
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
