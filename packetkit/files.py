"""The edge that opens files: everything the program reads or writes passes here, and `-` is standard input.

What a user can mend raises `InputError` with the file's name and a remedy; what only the system knows (no
space left, no permission to write) stays an `OSError` with its file name. Output appears under its name only
when it is whole: it is written beside the target and renamed, except where the target is a device or a pipe.
Nothing here knows what the bytes mean.
"""

from __future__ import annotations

import errno
import filecmp
import io
import os
import stat
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, BinaryIO, TextIO

from packetkit.errors import InputError

if TYPE_CHECKING:
    from packetkit.mission.load import Mission

STANDARD_INPUT = "-"
STANDARD_OUTPUT = "-"

# 1 MiB, the bound of the schema language; one byte more is read, so that the loader sees a file that is over.
SCHEMA_BYTES = 1 << 20


# What only writing meets, so that it is never blamed on the input that was being read meanwhile.
WRITING = frozenset({errno.ENOSPC, errno.EFBIG, errno.EPIPE, getattr(errno, "EDQUOT", errno.ENOSPC)})


def shown_name(path: str) -> str:
    """Return how messages call this input."""
    return "standard input" if path == STANDARD_INPUT else path


def refused(path: str, error: OSError) -> InputError:
    """Return the error that tells a user why this input cannot be read and what to do."""
    name = shown_name(path)
    if isinstance(error, FileNotFoundError):
        looked = os.path.abspath(os.path.dirname(path) or ".")
        return InputError(f"{name}: there is no such file; looked in {looked}{_if_shipped(path)}")
    if isinstance(error, IsADirectoryError):
        return InputError(f"{name}: this is a directory; name a file in it")
    if isinstance(error, PermissionError):
        # Windows reports a directory this way.
        if os.path.isdir(path):
            return InputError(f"{name}: this is a directory; name a file in it")
        return InputError(f"{name}: the system does not let you read this file; check its permissions")
    return InputError(f"{name}: cannot be read: {error.strerror or error}")


def _if_shipped(path: str) -> str:
    """Return where to get the file where its name is that of a shipped example, which help pages speak of."""
    from packetkit.resources import resource

    try:
        shipped = {example.name for example in resource("schemas").iterdir() if example.is_file()}
    except OSError:  # a broken installation must not hide what is wrong with the user's file
        return ""
    is_example = os.path.basename(path) in shipped
    return (
        "\n  It is one of the examples: `packetkit demo -o DIR` writes them into a new directory."
        * is_example
    )


@contextmanager
def open_input(path: str) -> Iterator[BinaryIO]:
    """Yield a binary stream of this file, or of standard input for `-`, which is left open.

    Raises InputError where it cannot be opened, and where reading inside the context fails.
    """
    try:
        if path == STANDARD_INPUT:
            if sys.stdin is None:
                raise InputError("standard input: it is closed; name a file or pipe one in")
            yield sys.stdin.buffer
        else:
            with open(path, "rb") as stream:
                yield stream
    except OSError as error:
        # An OSError of some other file (an output being written in the same context) is not ours to reword.
        if error.filename not in (None, path) or error.errno in WRITING:
            raise
        raise refused(path, error) from error
    except ValueError as error:
        if "null" not in str(error) or "\0" not in path:
            raise
        raise InputError(f"{path!r}: a file name cannot hold a null character") from error


def read_bytes(path: str, limit: int | None = None) -> bytes:
    """Return the bytes of a file or of standard input, at most `limit` of them where given."""
    with open_input(path) as stream:
        return stream.read() if limit is None else stream.read(limit)


def read_text(path: str) -> str:
    """Return the text of a UTF-8 file or of standard input, without a byte-order mark.

    Raises InputError with line and byte where it is not UTF-8.
    """
    data = read_bytes(path)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(
            f"{shown_name(path)}:{line}: byte 0x{data[error.start]:02x} at {error.start} is not UTF-8; "
            "save the file as UTF-8 text"
        ) from error


def read_schema(path: str) -> bytes:
    """Return the bytes of a schema, at most one byte over the 1 MiB that its loader accepts."""
    return read_bytes(path, SCHEMA_BYTES + 1)


def load(path: str) -> Mission:
    """Return the mission that a schema file declares; `-` is standard input.

    Raises InputError where the file cannot be read, SchemaError with every problem of what it says.
    """
    from packetkit.mission.load import parse

    return parse(read_schema(path), shown_name(path))


def only_one_standard_input(*paths: str | None) -> None:
    """Raise InputError where more than one input is `-`: the second would read nothing."""
    if sum(path == STANDARD_INPUT for path in paths) > 1:
        raise InputError("standard input can be only one of the inputs; name a file for the others")


# Enough to tell most files of one size apart.
HEAD_BYTES = 1 << 12


def twins(paths: Sequence[str]) -> list[tuple[str, str, bool]]:
    """Return each input that was named before or has the bytes of one, that one in front; True: it is the same file.

    Only files are looked at, and read whole only where size and first bytes are alike.
    """
    by_size: dict[int, list[str]] = {}
    found = []
    for path in paths:
        if path == STANDARD_INPUT or not os.path.isfile(path):
            continue
        others = by_size.setdefault(os.path.getsize(path), [])
        same = next((one for one in others if os.path.samefile(one, path)), None)
        like = same or next((one for one in others if os.path.getsize(path) and _are_alike(one, path)), None)
        if like is None:
            others.append(path)
        else:
            found.append((like, path, same is not None))
    return found


def _are_alike(one: str, other: str) -> bool:
    """Whether two files hold the same bytes."""
    with open_input(one) as first, open_input(other) as second:
        return first.read(HEAD_BYTES) == second.read(HEAD_BYTES) and filecmp.cmp(one, other, shallow=False)


def not_onto_an_input(destination: str, *inputs: str | None) -> None:
    """Raise InputError where the output would replace a file that is read: a capture or a schema there is once only."""
    for path in inputs:
        if path is None or STANDARD_INPUT in (path, destination) or not os.path.isfile(path):
            continue
        if os.path.exists(destination) and os.path.samefile(destination, path):
            raise InputError(f"-o: {destination} is an input and would be lost; name another file")


def not_onto_work(path: str, text: str) -> None:
    """Raise InputError where a file that people go on with, a schema or a form, would be replaced by another text."""
    if os.path.isfile(path) and not _is_special(path):
        with open(path, "rb") as file:
            there = file.read(len(text.encode()) + 1)
        if there.strip() and there != text.encode():
            raise InputError(
                f"{path} is there, and somebody may have worked on it; name another place, or move it away"
            )


def check_output(path: str) -> None:
    """Raise what `open_output` would raise for this name, so that long work is not done for nothing.

    What only writing shows (no space left) is not known before.
    """
    if not path:
        raise InputError("-o: the name of the output is empty; name a file, or leave -o out")
    if path == STANDARD_OUTPUT or _is_special(path):
        return
    target = os.path.realpath(path)
    if os.path.isdir(target):
        raise IsADirectoryError(errno.EISDIR, "this is a directory; name a file", path)
    directory = os.path.dirname(target)
    if not os.path.isdir(directory):
        raise FileNotFoundError(errno.ENOENT, f"there is no directory {directory}; make it first", path)
    if not os.access(directory, os.W_OK):  # the file is written beside its place, and then renamed
        raise PermissionError(errno.EACCES, f"the system does not let you write into {directory}", path)


def check_directory(path: str) -> None:
    """Raise InputError where a directory of this name cannot be written into, or made; nothing is made yet."""
    if not path:
        raise InputError("-o: the name of the directory is empty; name one")
    nearest = os.path.realpath(path)
    while not os.path.lexists(nearest):
        nearest = os.path.dirname(nearest)
    if not os.path.isdir(nearest):
        which = path if nearest == os.path.realpath(path) else nearest
        raise InputError(f"-o: {which} is a file; name a directory")
    if not os.access(nearest, os.W_OK | os.X_OK):
        raise InputError(f"-o: {path}: the system does not let you write into {nearest}")


def _is_special(path: str) -> bool:
    """Return whether the path is a device or a pipe, which must not be replaced by a file."""
    try:
        mode = os.stat(path).st_mode
    except OSError:
        return False
    return not stat.S_ISREG(mode) and not stat.S_ISDIR(mode)


@contextmanager
def open_output(path: str) -> Iterator[BinaryIO]:
    """Yield a binary stream whose content appears under `path` once the context ends well.

    A failure leaves the old file as it was. A link keeps pointing where it did, an existing file keeps its
    permissions. Raises OSError with the file's name.
    """
    try:
        yield from _open_whole(path)
    except OSError as error:
        if error.filename is None and error.errno in WRITING:
            error.filename = path
        raise


def _open_whole(path: str) -> Iterator[BinaryIO]:
    """Yield the stream of `open_output`."""
    if _is_special(path):
        with open(path, "wb") as stream:
            yield stream
        return
    check_output(path)
    target = os.path.realpath(path)
    part = f"{target}.{os.getpid()}.part"
    try:
        stream = open(part, "xb")  # noqa: SIM115  # closed before the rename, which Windows asks for
    except OSError as error:
        raise type(error)(error.errno, error.strerror, path) from error
    try:
        with stream:
            yield stream
        with suppress(FileNotFoundError):
            os.chmod(part, stat.S_IMODE(os.stat(target).st_mode))
        os.replace(part, target)
    except BaseException:
        with suppress(OSError):
            os.unlink(part)
        raise


@contextmanager
def open_text_output(path: str) -> Iterator[TextIO]:
    """Yield a text stream like `open_output`: UTF-8, line ends written as they are given."""
    with open_output(path) as stream:
        text = io.TextIOWrapper(stream, encoding="utf-8", newline="", write_through=False)
        yield text
        text.flush()
        text.detach()


def write_bytes(path: str, data: bytes) -> None:
    """Write the bytes whole or not at all; an existing file is replaced."""
    with open_output(path) as stream:
        stream.write(data)


def write_text(path: str, text: str) -> None:
    """Write the text as UTF-8, whole or not at all; an existing file is replaced."""
    write_bytes(path, text.encode("utf-8"))
