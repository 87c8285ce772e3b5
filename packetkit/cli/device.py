"""A serial device as an input: opened without waiting for a carrier, set to raw bytes, and to a speed where one is asked for.

What it was set to before comes back at the end. What would surprise a reader: an unplugged device is the end of the input and no error,
for everything that came before it counts. Source: POSIX.1-2017, chapter 11, general terminal interface.
"""

from __future__ import annotations

import errno
import io
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, BinaryIO, cast

import click

from packetkit.cli import output
from packetkit.errors import InputError
from packetkit.files import open_input, refused

# What reading says where a device is gone.
_GONE = frozenset({errno.EIO, errno.ENXIO, errno.ENODEV})


def is_serial(path: str) -> bool:
    """Return whether a name is that of a serial device (or of another terminal)."""
    try:
        return path != "-" and stat.S_ISCHR(os.stat(path).st_mode) and _is_terminal(path)
    except (OSError, ValueError):
        return False


def _is_terminal(path: str) -> bool:
    number = os.open(path, os.O_RDONLY | getattr(os, "O_NOCTTY", 0) | getattr(os, "O_NONBLOCK", 0))
    try:
        return os.isatty(number)
    finally:
        os.close(number)


@contextmanager
def opened(path: str, *, follow: bool, baud: int | None) -> Iterator[BinaryIO]:
    """Yield the input as a stream, a serial device set up. Raises UsageError where the options do not fit what it is."""
    if not is_serial(path):
        if baud is not None:
            if not os.access(path, os.R_OK):
                with open_input(path):  # which says why that cannot be
                    pass
            raise click.UsageError(f"--baud sets a serial device, and {path} is none")
        with open_input(path) as stream:
            yield stream
        return
    if not follow:
        raise click.UsageError(f"{path} is a serial device, which has no end: say --follow")
    try:
        import termios
    except ImportError:
        raise InputError(
            f"{path}: setting up a serial device needs the termios of Unix systems, which this one has not; "
            "let another program write what it receives to a file, and follow that"
        ) from None
    try:
        number = os.open(path, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
    except OSError as error:
        raise refused(path, error) from error
    with io.FileIO(number, "r") as port:
        before = termios.tcgetattr(number)
        try:
            _set(number, path, baud)
            os.set_blocking(number, True)
            yield cast(BinaryIO, _Device(port, path))
        finally:
            with suppress(termios.error):  # it may be gone
                termios.tcsetattr(number, termios.TCSANOW, before)


def _set(number: int, path: str, baud: int | None) -> None:
    """Set eight bits, no parity, one stop bit, no flow control, every byte as it comes."""
    import termios
    import tty

    speed = None if baud is None else _speed(path, baud)
    try:
        tty.setraw(number, termios.TCSANOW)
        made: list[Any] = termios.tcgetattr(number)
        made[0] &= ~(termios.IXOFF | termios.IXANY | termios.IGNCR | termios.INLCR)
        made[2] |= termios.CLOCAL | termios.CREAD
        made[2] &= ~(termios.CSTOPB | getattr(termios, "CRTSCTS", 0))
        if speed is not None:
            made[4] = made[5] = speed
        termios.tcsetattr(number, termios.TCSANOW, made)
        found = termios.tcgetattr(number)
    except termios.error as error:
        raise InputError(f"{path}: the device cannot be set up: {error.args[-1]}") from error
    # Setting counts as done where any part of it was, so what is set now is read back.
    if speed is not None and found[4:6] != [speed, speed]:
        raise InputError(
            f"{path}: the device does not run at {baud} baud; say the --baud of the sender, or leave it out"
        )


def _speed(path: str, baud: int) -> int:
    import termios

    known = {
        int(name[1:]): getattr(termios, name)
        for name in dir(termios)
        if name[0] == "B" and name[1:].isdigit()
    }
    if baud not in known or baud == 0:
        listed = ", ".join(str(one) for one in sorted(known) if one >= 1200)
        raise InputError(f"{path}: --baud {baud} is no speed that this system sets; there are {listed}")
    return int(known[baud])


class _Device:
    """A device's bytes as they come; nothing where it is gone."""

    def __init__(self, port: io.FileIO, path: str) -> None:
        self._port, self._path = port, path

    def fileno(self) -> int:
        return self._port.fileno()

    def read(self, size: int) -> bytes:
        try:
            piece = self._port.read(size)
        except OSError as error:
            if error.errno not in _GONE:
                raise
            piece = b""
        if not piece:
            output.say(f"packetkit decode: {self._path}: the device is gone; what came before counts\n")
        return piece or b""
