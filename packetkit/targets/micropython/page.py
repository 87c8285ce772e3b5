"""Lines of generated Python under construction, and Python's words."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

WORD = 16  # bits of each part of a number that is kept in parts
MOST_BITS = 30  # what the smallest interpreters keep in a number without taking memory, or can hold at all


class Page:
    """Lines, indented."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.depth = 0

    def add(self, *lines: str) -> None:
        self.lines += [("    " * self.depth + line).rstrip() for line in lines]

    def add_once(self, line: str) -> None:
        """Add a line, unless it is the one above."""
        if not self.lines or self.lines[-1] != "    " * self.depth + line:
            self.add(line)

    @contextmanager
    def block(self, head: str) -> Iterator[None]:
        """What is added meanwhile stands under a head; `pass` where nothing is."""
        self.add(head + ":")
        self.depth += 1
        before = len(self.lines)
        yield
        if len(self.lines) == before:
            self.add("pass")
        self.depth -= 1

    @property
    def text(self) -> str:
        return "\n".join(self.lines) + "\n"


def number(value: int) -> str:
    """Return a constant: in hexadecimal where that says more.

    >>> number(7), number(0x7FF), number(-3)
    ('7', '0x7FF', '-3')
    """
    return str(value) if value < 16 else f"0x{value:X}"


def comment(text: str) -> str:
    """Return a text that stays inside its comment."""
    return "".join(one if " " <= one <= "~" else "?" for one in text)
