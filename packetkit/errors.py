"""Every exception that packetkit raises on purpose, and the words of a number that every message shares.

One root, few branches, each also the builtin that a caller would guess. The rule kept here: misuse and faulty
schemas raise; noise from a radio is expected daily, so decoding raises only the branches of `DecodeError` and
readers turn those into events. Facts a message states are also attributes. Nothing here knows a subject:
places, numbers and texts are handed in.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, order=True)
class Position:
    """A place in a schema's text: line and column count from 1, at the value where one exists."""

    line: int
    column: int
    file: str = ""

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}" if self.file else f"{self.line}:{self.column}"


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with a schema: where, which rule, what was found, what to do.

    rule is a row of the rules table; path is dotted (`beacon.power.cell_voltage`); excerpt is the line of
    text and width how many characters of it, from the position's column, are meant. summary is one line;
    remedy may be several.
    """

    position: Position
    rule: str
    path: str
    summary: str
    remedy: str = ""
    excerpt: str = ""
    width: int = 1

    def __str__(self) -> str:
        lines = [f"{self.position}: {self.path + ': ' if self.path else ''}{self.summary}"]
        if self.excerpt.strip():
            lines += _marked(self.excerpt, self.position.column - 1, max(self.width, 1))
        lines += ["  " + line for line in self.remedy.splitlines()]
        return "\n".join(lines)


EXCERPT_COLUMNS = 76  # with an indent of four, the width of a terminal


def _marked(line: str, at: int, width: int) -> list[str]:
    """Return a line of text, cut around a place where it is long, and a line of carets below that place.

    Whatever does not print is shown as `?` (a tab as a space), so that no schema can steer a terminal.
    """
    indent = min(len(line) - len(line.lstrip()), at)
    text, at = line[indent:].rstrip(), at - indent
    if len(text) > EXCERPT_COLUMNS:
        room = EXCERPT_COLUMNS - 8  # "... " at either end
        start = max(0, min(at - room // 3, len(text) - room))
        width = min(width, start + room - at)
        head, tail = "... " if start else "", " ..." if start + room < len(text) else ""
        text, at = head + text[start : start + room] + tail, at - start + len(head)
    # Only what is shown is cleaned: a file may be one line of a megabyte, with a hundred problems in it.
    text = "".join(c if c.isprintable() else " " if c == "\t" else "?" for c in text)
    before, meant = text[:at].ljust(at), text[at : at + width]
    return ["    " + text, " " * (4 + _columns(before)) + "^" * max(_columns(meant), min(width, 1))]


def _columns(text: str) -> int:
    """Return how many terminal columns a text takes: combining marks none, East Asian wide characters two."""
    if text.isascii():
        return len(text)
    from unicodedata import combining, east_asian_width

    return sum(0 if combining(c) else 2 if east_asian_width(c) in "WF" else 1 for c in text)


@dataclass(frozen=True, slots=True)
class Fault:
    """One value of a record that cannot be encoded: its path, the rule it breaks, the sentence on it."""

    path: str
    rule: str
    message: str

    def __str__(self) -> str:
        return f"{self.path}: {self.message}" if self.path else self.message


class PacketkitError(Exception):
    """The root: `except PacketkitError` catches whatever packetkit raises on purpose."""


class SchemaError(PacketkitError, ValueError):
    """A schema that cannot be used; `problems` holds every fault found, in source order."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(map(str, self.problems)))


class EncodeError(PacketkitError, ValueError):
    """A record that does not fit its frame; `faults` holds every one, in wire order."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(map(str, self.faults)))


class DecodeError(PacketkitError, ValueError):
    """Bytes that are not this frame. Decoding raises this branch and nothing else.

    reason is the stable word used in events and JSON; path and bit say where, as far as it is known.
    """

    reason = "not this frame"

    def __init__(self, message: str, *, path: str = "", bit: int | None = None) -> None:
        self.path = path
        self.bit = bit
        super().__init__(message)


class ShortFrame(DecodeError, EOFError):
    """The bytes end before the frame does."""

    reason = "truncated"


class TrailingBytes(DecodeError):
    """Bytes are left over after the frame, where exactly one frame was asked for."""

    reason = "trailing bytes"


class WrongConstant(DecodeError):
    """A sync marker, a constant or a tag is not the declared one: these bytes are some other frame."""

    reason = "wrong constant"


class BadCount(DecodeError):
    """A count in the frame is above the maximum that the schema declares for it."""

    reason = "bad count"


class BadLength(DecodeError):
    """A length in the frame is not that of the part it measures: fields do not fit into it, or something is left over."""

    reason = "bad length"


class UnknownVariant(DecodeError):
    """Nothing says which variant of a part these bytes are, and they could not be kept as octets either."""

    reason = "unknown variant"


class CheckFailed(DecodeError):
    """The frame's check does not match its bytes: no value of it can be trusted."""

    reason = "check failed"


class ReservedBits(DecodeError):
    """Reserved bits are not zero in a frame declared strict."""

    reason = "reserved bits"


class UnknownFrame(DecodeError):
    """No frame of the mission matches these bytes."""

    reason = "unknown"


class RadioError(PacketkitError, ValueError):
    """A radio or pass setting that no such hardware or orbit has."""


class AlgorithmError(PacketkitError, ValueError):
    """A check that cannot exist, or that cannot be computed over what it was given."""


class UnknownAlgorithm(AlgorithmError, KeyError):
    """No check has this name; `closest` holds the names that were perhaps meant, best first."""

    def __init__(self, name: str, closest: tuple[str, ...] = ()) -> None:
        self.name = name
        self.closest = tuple(closest)
        super().__init__(name)

    def __str__(self) -> str:
        meant = f"; did you mean {' or '.join(self.closest)}?" if self.closest else ""
        return f"no check is named {self.name!r}{meant}"


class TargetError(PacketkitError):
    """A back end could not do what was asked."""


class Unsupported(TargetError, ValueError):
    """A back end that cannot express some fields; `items` names each, with the reason, before any output."""

    def __init__(self, target: str, items: tuple[tuple[str, str], ...]) -> None:
        self.target = target
        self.items = tuple(items)
        lines = (f"{target} cannot express {path}: {reason}" for path, reason in self.items)
        super().__init__("\n".join(lines))


class InputError(PacketkitError, ValueError):
    """Input that cannot be read as what it was said to be: a record file, a capture, a vector file."""


# ---- words


def counted(number: int, noun: str) -> str:
    """Return a number with its noun: `1 byte`, `1,200 bytes`."""
    return f"{number:,} {noun}{'' if number == 1 else 's'}"
