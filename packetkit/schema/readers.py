"""How any node of a schema is read: problems are noted where they stand, nodes have a shape, keys are known to a table.

A reader takes a node and returns a typed value, or None once it has noted what is wrong with it. Nothing is raised. There is a reader for
every word in the `reads` column of the key tables, `_read_` and that word, in the classes made from this one, which the loader joins.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from collections.abc import Mapping as MappingOf
from dataclasses import replace
from typing import Any

from packetkit.errors import Problem
from packetkit.schema.keys import Key
from packetkit.schema.model import Place
from packetkit.schema.names import NAME
from packetkit.schema.text import Entry, Mapping, Node, Scalar, Sequence
from packetkit.schema.words import closest, shown

_MOST_LISTED = 12  # more choices than this are listed only where none of them is near
_WHOLE = re.compile(r"[+-]?[0-9]+\Z")  # the parts of a number on both sides of its comma
_DECIMALS = re.compile(r"[0-9]+([eE][+-]?[0-9]+)?\Z")
_MEANT = {"fields": "group", "group": "fields"}  # a frame's list and a field's have different keys
_REMEDY_COLUMNS = 78  # with an indent of two, the width of a terminal


def place_of(node: Node) -> Place:
    """The place of a node, for a later stage's messages."""
    return Place(node.position, node.excerpt, node.width)


class Readers:
    """Reads nodes and collects problems. Readers return None where they noted a problem."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def note(self, node: Node | Place, rule: str, path: str, summary: str, remedy: str = "") -> None:
        place = node if isinstance(node, Place) else place_of(node)
        self.problems.append(Problem(place.position, rule, path, summary, remedy, place.excerpt, place.width))

    def _among(self, word: str, choices: Iterable[str], offered: Iterable[str] = ()) -> str:
        """The remedy that lists the choices, the likely one first; only that one where they are very many.

        offered: those that are listed, where not all choices suit.
        """
        options = list(choices)
        near = _MEANT[word] if _MEANT.get(word) in options else closest(word, options)
        meant = f"Did you mean {near}? " if near else ""
        if near and len(options) > _MOST_LISTED:
            return meant.strip()
        return on_lines(f"{meant}One of: {', '.join(list(offered) or options)}.")

    def absent(self, node: Node, path: str, what: str, form: str = "") -> bool:
        """True, and noted, where nothing was written after the colon."""
        if not (isinstance(node, Scalar) and not node.quoted and not node.text):
            return False
        remedy = f"Write {form or 'one after the colon'}, or delete the key."
        self.note(node, "no-value", path, f"{what} has no value", remedy)
        return True

    def lacking(self, node: Mapping, entries: MappingOf[str, Entry], names: Iterable[str]) -> list[str]:
        """Those of `names` that have no entry, and no misspelt one either: that was noted where it stands."""
        strange = [entry.key.text for entry in node.entries if entry.key.text not in entries]
        return [
            name
            for name in names
            if name not in entries and not any(closest(word, [name]) for word in strange)
        ]

    def mapping(self, node: Node, path: str, what: str, form: str) -> Mapping | None:
        """The node where it is keys with values; form shows how they are written."""
        if isinstance(node, Mapping):
            return node
        if not self.absent(node, path, what, form):
            summary = f"{what} is keys with values, not {shape(node)}"
            self.note(node, "wrong-type", path, summary, f"Write {form}.")
        return None

    def scalar(self, node: Node, path: str, what: str) -> Scalar | None:
        if not isinstance(node, Scalar):
            summary = f"{what} is one value, not {shape(node)}"
            self.note(node, "wrong-type", path, summary, "Write one value, without brackets.")
            return None
        return None if self.absent(node, path, what) else node

    def keys(
        self, node: Mapping, table: MappingOf[str, Key], path: str, where: str, offered: Iterable[str] = ()
    ) -> dict[str, Entry]:
        """The entries whose keys the table knows; the others are noted, with the keys that are offered instead."""
        known = {}
        for before, entry in zip((None, *node.entries), node.entries, strict=False):
            if entry.key.text in table:
                known[entry.key.text] = entry
            elif before is not None and (number := _with_comma(before, entry)) is not None:
                wrong = f"{number.text.replace('.', ',')} has a decimal comma, which begins another key here"
                self.note(
                    number,
                    "bad-number",
                    path,
                    f"{before.key.text}: {wrong}",
                    f"Write {before.key.text}: {number.text}.",
                )
                if before.key.text in known:  # judged as it is meant
                    known[before.key.text] = replace(before, value=number)
            else:
                remedy = self._among(entry.key.text, table, offered)
                self.note(
                    entry.key, "unknown-key", path, f"{where} has no key {shown(entry.key.text)}", remedy
                )
        return known

    def read_all(
        self, entries: MappingOf[str, Entry], table: MappingOf[str, Key], path: str
    ) -> dict[str, Any]:
        """The values of all entries, those that could not be read left out."""
        values = {}
        for name, entry in entries.items():
            key = table[name]
            value = getattr(self, "_read_" + key.reads)(entry.value, path, key)
            if value is not None:
                values[name] = value
        return values


def _with_comma(before: Entry, entry: Entry) -> Scalar | None:
    """The number that a flow mapping cut at its comma, `{resolution: 0,02}`, with a point; None where these are two entries."""
    whole, part = before.value, entry.value
    is_cut = (
        isinstance(part, Scalar) and not part.quoted and not part.text and _DECIMALS.match(entry.key.text)
    )
    if not is_cut or not isinstance(whole, Scalar) or whole.quoted or not _WHOLE.match(whole.text):
        return None
    return replace(whole, text=f"{whole.text}.{entry.key.text}")


def join(path: str, name: str) -> str:
    return f"{path}.{name}" if path else name


def path_at(path: str, node: Node) -> str:
    """The path of what a node names; by its line where it is no name, for a path goes into messages as it is."""
    named = isinstance(node, Scalar) and NAME.match(node.text)
    return join(path, node.text if named and isinstance(node, Scalar) else f"(line {node.position.line})")


def long_text(text: str) -> str:
    """A text that should have been a name, with its length where that is the trouble."""
    return shown(text) + (f" ({len(text):,} characters)" if len(text) > 40 else "")


def listed(words: Iterable[str]) -> str:
    """`C, C++ and Python`."""
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last


def sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def on_lines(text: str) -> str:
    """A long remedy on lines that a terminal shows whole."""
    from textwrap import fill

    return fill(text, _REMEDY_COLUMNS, break_long_words=False)


def shape(node: Node) -> str:
    if isinstance(node, Scalar):
        return f"the text {shown(node.text)}"
    return "a list" if isinstance(node, Sequence) else "keys with values"
