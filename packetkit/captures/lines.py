"""Text captures with a frame a line: logs of receivers, CSV with a payload column, JSON lines of brokers and network servers.

Nothing is guessed: a payload that reads as hexadecimal and as base64 alike, and is a good frame as both or as neither, and a line that
several shapes read differently, are errors that show the readings and say which option decides. Lines without a frame (start-up texts,
remarks) are counted, not errors; and so are damaged ones (cut as the power went off, say), unless the first lines of a file are damaged
all: then it is no such file.
"""

from __future__ import annotations

import csv
import json
import re
from codecs import BOM_UTF16_BE, BOM_UTF16_LE
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from itertools import chain
from typing import Any, NamedTuple

from packetkit.captures import paste
from packetkit.captures.packets import Packet
from packetkit.captures.stream import Received
from packetkit.errors import InputError

# A line beyond this is no line of a log: it bounds memory where a binary file is said to be text.
LONGEST_LINE = 1 << 20

_HEX = r"(?P<payload>(?:(?:0[xX])?[0-9A-Fa-f]{2}[ ,:;-]{0,2}){2,})"
_NUMBER = r"[+-]?[0-9]+(?:\.[0-9]+)?"
_TIME = (
    r"(?P<time>(?:[0-9]{4}(?:-[0-9]{2}-|/[0-9]{2}/)[0-9]{2}|[0-9]{2}\.[0-9]{2}\.[0-9]{4})(?:T|,? )"
    r"[0-9]{2}:[0-9]{2}:[0-9]{2}(?:[.,][0-9]+)?(?:Z|[+-][0-9]{2}:?[0-9]{2})?"
    r"|[0-9]{1,2}:[0-9]{2}:[0-9]{2}(?:[.,][0-9]+)?|[0-9]{9,10}(?:\.[0-9]+)?)"
)
_WORD = r"(?i:data|payload|hex|frame|packet|message|bytes|rx|received)"
_BESIDE = (
    rf"(?=(?:.*?\b(?i:rssi|signal)[ _a-zA-Z]{{0,40}}[:= ]\s{{0,40}}(?P<rssi>{_NUMBER}))?)"
    rf"(?=(?:.*?\b(?i:snr|s/n)[ _a-zA-Z]{{0,40}}[:= ]\s{{0,40}}(?P<snr>{_NUMBER}))?)"
)


class Shape(NamedTuple):
    """One way in which receivers write a frame into a line: a pattern with the groups payload, time, rssi, snr."""

    name: str
    pattern: re.Pattern[str]
    example: str
    source: str


# Common practice of receivers' serial logs; the examples are invented. One reading a line: the tests hold that.
SHAPES = (
    Shape(
        "named",
        # The first time is the time: looked for once (a look ahead is not gone back into), however many follow it.
        re.compile(
            rf"(?:(?=(?P<begin>.*?{_TIME}))(?P=begin))?{_BESIDE}.*?\b{_WORD}\b\s*[:=]\s*\"?{_HEX}\"?(?![0-9A-Za-z])"
        ),
        "2031-05-02T10:00:01Z rssi=-97 snr=8.5 data=0165b1803e5b",
        "common practice",
    ),
    Shape(
        "columns",
        re.compile(rf"\s*{_TIME}[,;\t]\s*(?P<rssi>{_NUMBER})[,;\t]\s*(?P<snr>{_NUMBER})[,;\t]\s*{_HEX}\s*"),
        "2031-05-02T10:00:01Z,-97,8.5,0165b1803e5b",
        "common practice",
    ),
    Shape(
        "timed",
        re.compile(rf"\s*\[?{_TIME}\]?\s*(?:->|<-|>|<|:|\|)?\s*{_HEX}\s*"),
        "[10:00:01.250] 01 65 b1 80 3e 5b",
        "common practice",
    ),
)
BY_NAME = {shape.name: shape for shape in SHAPES}


# Lines that are told by their number, of each sort.
TOLD = 5
# So many damaged lines before any whole one, and this is no file of that form.
HOPELESS = 3

# A file, empty where there is only one, and the number of a line in it.
Place = tuple[str, int]


@dataclass
class Count:
    """Lines, or packets, that were read, and those of them without a frame; of_tcp: segments that nobody asked for.

    inside: streams of TCP that began before the capture. damaged: lines that are not what they should be. The first of both are told.
    cut: why there is no more of a packed file.
    """

    lines: int = 0
    without: int = 0
    of_tcp: int = 0
    inside: int = 0
    damaged: int = 0
    cut: str = ""
    without_at: list[Place] = field(default_factory=list)
    damaged_at: list[Place] = field(default_factory=list)

    def add(self, other: Count, file: str = "") -> None:
        """Count what another counted, in a file."""
        self.lines += other.lines
        self.without += other.without
        self.of_tcp += other.of_tcp
        self.inside += other.inside
        self.damaged += other.damaged
        for mine, its in ((self.without_at, other.without_at), (self.damaged_at, other.damaged_at)):
            mine += [(file, number) for _, number in its][: TOLD - len(mine)]

    def lacks(self, number: int) -> None:
        """Take it that this line has no frame."""
        self.without += 1
        if len(self.without_at) < TOLD:
            self.without_at.append(("", number))

    def breaks(self, number: int) -> None:
        """Take it that this line is damaged."""
        self.damaged += 1
        if len(self.damaged_at) < TOLD:
            self.damaged_at.append(("", number))


class _DamagedError(InputError):
    """A line that is not what it should be."""


class _Whole:
    """Whether lines are whole: what is wrong with one is an error only where none is."""

    def __init__(self, count: Count) -> None:
        self._count, self._any, self._first = count, False, ""

    @contextmanager
    def line(self, number: int) -> Iterator[None]:
        """Take one line, in which damage may be found."""
        try:
            yield
            self._any = True
        except _DamagedError as error:
            self._count.breaks(number)
            self._first = self._first or str(error)
            if not self._any and self._count.damaged >= HOPELESS:
                raise

    def end(self) -> None:
        """Raise InputError where no line was whole."""
        if self._first and not self._any:
            raise InputError(self._first)


def numbered(pieces: Iterable[bytes]) -> Iterator[tuple[int, int, str]]:
    """Yield each line with its number and the offset where it begins. What is not UTF-8 is replaced, for it is no payload.

    A byte-order mark of UTF-16, as some shells write it, is understood.
    """
    pieces = iter(pieces)
    held = b""
    for piece in pieces:
        held += piece
        if len(held) >= len(BOM_UTF16_LE):
            break
    encoding = next((name for mark, name in _UTF_16 if held.startswith(mark)), "utf-8")
    end = "\n".encode(encoding)
    at, number, start = 0, 0, 0
    for piece in chain([b""], pieces):
        held += piece
        while (stop := _line_end(held, end, start)) >= 0:
            number += 1
            yield number, at, _line(held[start:stop], encoding, number)
            at += stop + len(end) - start
            start = stop + len(end)
        held, start = held[start:], 0
        if len(held) > LONGEST_LINE:
            raise InputError(
                f"line {number + 1} is longer than {LONGEST_LINE:,} bytes: this is no text of lines"
            )
    if held:
        yield number + 1, at, _line(held, encoding, number + 1)


# Little endian first: in which order its two octets stand is what the mark says.
_UTF_16 = ((BOM_UTF16_LE, "utf-16-le"), (BOM_UTF16_BE, "utf-16-be"))


def _line_end(data: bytes, end: bytes, start: int) -> int:
    """Where a line ends; in UTF-16 a line end stands on a whole character."""
    stop = data.find(end, start)
    while (stop - start) % len(end) and stop >= 0:
        stop = data.find(end, stop + 1)
    return stop


def _line(data: bytes, encoding: str, number: int) -> str:
    text = data.decode(encoding, "replace").rstrip("\r")
    return text.removeprefix("\ufeff") if number == 1 else text


# Which of two readings of a payload is a good frame; None where that does not decide.
Settle = Callable[[Mapping[str, bytes]], "str | None"]


class _Payloads:
    """How payloads of a file are read: as it was said, or as the first that can be read in two ways is a good frame in one only."""

    def __init__(self, reading: str | None, settle: Settle | None) -> None:
        self._reading, self._settle = reading, settle

    def of(self, text: str, where: str) -> bytes:
        """Return the bytes of a payload."""
        if self._reading is None and self._settle is not None:
            with suppress(InputError):
                found = paste.readings(text)
                self._reading = self._settle(found) if len(found) > 1 else None
        return payload_of(text, self._reading, where)


def payload_of(text: str, reading: str | None, where: str) -> bytes:
    """Return the bytes of a payload. Raises InputError where it may be two, and one that says that it is damaged where it is none."""
    try:
        found = paste.readings(text) if reading is None else {reading: paste.READINGS[reading](text)}
    except InputError as error:
        raise _DamagedError(f"{where}: {error}") from error
    if len(found) > 1:
        shown = "; ".join(f"as {name}: {data[:8].hex(' ')}" for name, data in found.items())
        raise InputError(
            f"{where}: the payload can be read in two ways ({shown}). Say --payload hex or base64"
        )
    ((_, data),) = found.items()
    return data


def log(pieces: Iterable[bytes], pattern: str | None, reading: str | None, count: Count) -> Iterator[Packet]:
    """Yield the frames of a log. pattern: a shape's name, or a regular expression with the group payload; None: any one shape."""
    shapes, whole = _shapes(pattern), _Whole(count)
    for number, offset, line in numbered(pieces):
        count.lines += 1
        found = {shape.name: match for shape in shapes if (match := _found(shape, line))}
        texts = {re.sub(r"[\s,:;-]|0[xX]", "", match["payload"]).lower() for match in found.values()}
        if not texts:
            count.lacks(number)
            continue
        if len(texts) > 1:
            ways = "; ".join(f"{name}: {match['payload'][:24]}" for name, match in found.items())
            raise InputError(f"line {number} can be read in {len(texts)} ways ({ways}). Say --line NAME")
        match = max(
            found.values(), key=lambda one: sum(one.groupdict().get(name) is not None for name in NAMES)
        )
        is_ours = pattern is None or pattern in BY_NAME
        with whole.line(number):
            data = payload_of(match["payload"], "hex" if is_ours else reading, f"line {number}")
            yield Packet(offset, data, received=_received(match.groupdict()))
    whole.end()


def _found(shape: Shape, line: str) -> re.Match[str] | None:
    """A shape's frame in a line: our own say where a line begins, a user's may stand anywhere."""
    return shape.pattern.match(line) if shape.name in BY_NAME else shape.pattern.search(line)


def _shapes(pattern: str | None) -> tuple[Shape, ...]:
    if pattern is None:
        return SHAPES
    if pattern in BY_NAME:
        return (BY_NAME[pattern],)
    names = ", ".join(BY_NAME)
    try:
        made = re.compile(pattern)
    except re.error as error:
        raise InputError(
            f"--line: {pattern!r} is no shape ({names}) and no regular expression: {error}"
        ) from error
    if "payload" not in made.groupindex:
        raise InputError(
            f"--line: {pattern!r} is no shape ({names}), and as a regular expression it lacks the group (?P<payload>...); "
            "the groups time, rssi and snr may stand beside it"
        )
    return (Shape("given", made, "", "the user"),)


def _received(found: dict[str, Any]) -> Received | None:
    time, rssi, snr = (found.get(name) for name in ("time", "rssi", "snr"))
    if time is None and rssi is None and snr is None:
        return None
    return Received(None if time is None else str(time), _decimal(rssi), _decimal(snr))


def _decimal(text: Any) -> float | None:
    if isinstance(text, bool) or text is None:
        return None
    try:
        number = float(text)
    except (TypeError, ValueError):
        return None
    return number if abs(number) < 1e6 else None


# What columns and keys are called, in lower case without units; common practice.
NAMES = {
    "payload": ("payload", "payload_raw", "frm_payload", "data", "frame", "hex", "bytes", "base64"),
    "time": ("time", "timestamp", "received", "received_at", "received_time", "date"),
    "rssi": ("rssi", "rssi_dbm", "signal", "signal_dbm"),
    "snr": ("snr", "snr_db", "lora_snr", "lsnr"),
}


def table(
    pieces: Iterable[bytes], key: str | None, reading: str | None, count: Count, settle: Settle | None = None
) -> Iterator[Packet]:
    """Yield the frames of CSV with titles. key: the payload's column; without it the only one with a usual name."""
    payloads = _Payloads(reading, settle)
    lines = numbered(pieces)
    first = next(lines, None)
    if first is None:
        return
    mark = max(",;\t", key=first[2].count)
    titles = [title.strip() for title in _cells(first[2], mark, 1)]
    places = {what: _column(titles, what) for what in NAMES}
    chosen, whole = _payload_column(titles, key), _Whole(count)
    for number, offset, line in lines:
        count.lines += 1
        with whole.line(number):
            cells = _cells(line, mark, number)
            if len(cells) <= chosen or not cells[chosen].strip():
                count.lacks(number)
                continue
            beside = {
                what: cells[place].strip() or None
                for what, place in places.items()
                if place is not None and place < len(cells)
            }
            data = payloads.of(cells[chosen], f"line {number}")
            yield Packet(offset, data, received=_received(beside))
    whole.end()


def _cells(line: str, mark: str, number: int) -> list[str]:
    """The cells of one line of CSV. Raises InputError with the line."""
    try:
        return next(csv.reader([line], delimiter=mark), [])
    except csv.Error as error:
        raise _DamagedError(f"line {number}: this is not CSV: {error}") from None


def _column(titles: list[str], what: str) -> int | None:
    return next((place for place, title in enumerate(titles) if title.lower() in NAMES[what]), None)


def _payload_column(titles: list[str], key: str | None) -> int:
    shown = ", ".join(titles)[:200]
    if key is not None:
        if key not in titles:
            raise InputError(f"--key: there is no column {key!r}; the columns are {shown}")
        return titles.index(key)
    usual = [place for place, title in enumerate(titles) if title.lower() in NAMES["payload"]]
    if len(usual) != 1:
        many = "several columns may hold" if usual else "no column is known to hold"
        raise InputError(f"{many} the payload: say --key NAME, one of {shown}")
    return usual[0]


def objects(
    pieces: Iterable[bytes], key: str | None, reading: str | None, count: Count, settle: Settle | None = None
) -> Iterator[Packet]:
    """Yield the frames of JSON lines. key: the payload's dotted path; without it the only key with a usual name, at any depth."""
    whole, payloads = _Whole(count), _Payloads(reading, settle)
    for number, offset, line in numbered(pieces):
        if not line.strip():
            continue
        count.lines += 1
        with whole.line(number):
            leaves = dict(_leaves(_object(line, number), ""))
            text = _payload(leaves, key, number)
            if text is None:
                count.lacks(number)
                continue
            beside = {what: _by_name(leaves, what) for what in ("time", "rssi", "snr")}
            data = payloads.of(text, f"line {number}")
            yield Packet(offset, data, received=_received(beside))
    whole.end()


def _object(line: str, number: int) -> Any:
    try:
        return json.loads(line)
    except (ValueError, RecursionError):
        raise _DamagedError(f"line {number}: this is not JSON. One object stands on one line") from None


def _leaves(value: Any, path: str) -> Iterator[tuple[str, Any]]:
    """Every leaf under its dotted path, lists by index."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _leaves(inner, f"{path}.{key}" if path else key)
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from _leaves(inner, f"{path}.{index}" if path else str(index))
    else:
        yield path, value


def _by_name(leaves: dict[str, Any], what: str) -> Any:
    return next(
        (value for path, value in leaves.items() if path.rpartition(".")[2].lower() in NAMES[what]), None
    )


def _payload(leaves: dict[str, Any], key: str | None, number: int) -> str | None:
    if key is not None:
        text = leaves.get(key)
        return text if isinstance(text, str) and text.strip() else None
    usual = {
        path: value
        for path, value in leaves.items()
        if isinstance(value, str) and path.rpartition(".")[2].lower() in NAMES["payload"]
    }
    if len(usual) > 1:
        raise InputError(
            f"line {number}: several keys may hold the payload: say --key, one of {', '.join(usual)}"
        )
    return next(iter(usual.values()), None)
