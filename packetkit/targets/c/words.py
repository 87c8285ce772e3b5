"""C's words: types, numbers, names, comments, and a page of indented lines."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager

SIZES = (8, 16, 32, 64)


def size_for(width: int) -> int:
    """Return the bits of the smallest type that holds so many."""
    return next(size for size in SIZES if size >= width)


def unsigned(width: int) -> str:
    """Return the unsigned type for so many bits."""
    return f"uint{size_for(width)}_t"


def ctype(width: int, signed: bool) -> str:
    """Return the type of a raw code."""
    return f"int{size_for(width)}_t" if signed else unsigned(width)


def number(value: int) -> str:
    """Return a constant that is not negative. In hexadecimal a compiler gives it the smallest type that holds it, unsigned where needed.

    >>> number(7), number(0x7FF)
    ('7', '0x7FF')
    """
    return str(value) if value < 10 else f"0x{value:X}"


def mask(width: int) -> str:
    """Return the constant of so many ones."""
    return number((1 << width) - 1)


def identifier(text: str) -> str:
    """Return a text as a part of a C name."""
    return re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_")


def comment(text: str) -> str:
    """Return a text that cannot end the comment it stands in, begin another, or go on to the next line by a trigraph or backslash."""
    plain = "".join(one if " " <= one <= "~" else "?" for one in text)
    return plain.replace("*/", "* /").replace("/*", "/ *").replace("??", "? ?").replace("\\", "/")


class Page:
    """Lines of C under construction."""

    def __init__(self, depth: int = 0) -> None:
        self.lines: list[str] = []
        self.depth = depth

    def add(self, *lines: str) -> None:
        self.lines += [("    " * self.depth + line).rstrip() for line in lines]

    def directive(self, line: str) -> None:
        """A line for the preprocessor, which stands at the left."""
        self.lines.append(line)

    @contextmanager
    def block(self, head: str) -> Iterator[None]:
        """Braces after a head, and what is added meanwhile between them."""
        self.add(f"{head} {{".lstrip())
        self.depth += 1
        yield
        self.depth -= 1
        self.add("}")

    @property
    def last(self) -> str:
        """The last line, without what it is indented by."""
        return self.lines[-1].strip() if self.lines else ""

    @property
    def text(self) -> str:
        return "\n".join(self.lines) + "\n"
