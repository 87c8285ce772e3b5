"""A page of text for a person: sections under ruled titles, wrapped paragraphs and tables, all of one width and one encoding."""

from __future__ import annotations

from typing import NamedTuple

from packetkit.cli import output
from packetkit.cli.spelling import portable, visible


class Page(NamedTuple):
    """Where text goes: how wide a line may be, and the encoding that has to carry it."""

    width: int
    encoding: str

    @classmethod
    def at(cls, destination: str) -> Page:
        """Return the page for standard output or a file: as wide as the terminal, 80 columns at most, where lines read well."""
        return cls(min(output.columns(), output.DEFAULT_COLUMNS), output.encoding_of(destination))

    def wrapped(self, text: str, indent: str = "", first: str | None = None) -> str:
        """Return the text in lines of this width, the first after `first`, the others after `indent`."""
        lines = output.wrapped(portable(visible(text), self.encoding), max(self.width - len(indent), 20))
        lead = indent if first is None else first
        return "\n".join((indent if number else lead) + line for number, line in enumerate(lines)) + "\n"

    def title(self, text: str, rule: str = "─") -> str:
        """Return a section's title with a rule across the page."""
        shown = portable(visible(text), self.encoding)
        return f"{shown} " + portable(rule, self.encoding) * max(self.width - len(shown) - 1, 3) + "\n"

    def lines(self, lines: list[str]) -> str:
        """Return lines as they are, in characters that the encoding carries."""
        return portable("\n".join(lines), self.encoding) + "\n"

    def table(self, columns: tuple[output.Column, ...], rows: list[tuple[object, ...]]) -> str:
        """Return a table within this width."""
        return output.Table(columns, tuple(rows)).text(self.width, self.encoding)
