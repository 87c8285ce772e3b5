"""Writing Python source: lines with their indentation, and the objects that the text refers to by name."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from packetkit.layout.model import Branch, Choice
from packetkit.layout.slots import Range, Slot


@dataclass(slots=True)
class Source:
    """The text of one function under construction, and the names it uses from outside."""

    lines: list[str] = field(default_factory=list)
    depth: int = 0
    _makers: dict[str, Callable[[], Any]] = field(default_factory=dict)
    _kept: dict[Hashable, str] = field(default_factory=dict)

    def add(self, line: str) -> None:
        """Add one line at the current depth."""
        self.lines.append("    " * self.depth + line)

    @contextmanager
    def block(self, opening: str) -> Iterator[None]:
        """Add a line that opens a block; what is added inside stands in it."""
        self.add(opening)
        self.depth += 1
        yield
        self.depth -= 1

    def fail_unless(self, test: str) -> None:
        """Leave everything to the walker where a test is not true."""
        with self.block(f"if not ({test}):"):
            self.add("raise refused")

    def has(self, prefix: str, key: Hashable) -> bool:
        """Return whether an object of that key has a name already."""
        return (prefix, key) in self._kept

    def name(self, prefix: str, make: Callable[[], Any], key: Hashable) -> str:
        """Return the name by which the text may use an object; the same one for the same key. The object is made later."""
        if (prefix, key) not in self._kept:
            name = f"{prefix}_{len(self._kept)}"
            self._kept[prefix, key] = name
            self._makers[name] = make
        return self._kept[prefix, key]

    def made(self) -> dict[str, Any]:
        """Return the objects by name; making them may take milliseconds."""
        return {name: make() for name, make in self._makers.items()}

    @property
    def text(self) -> str:
        """The whole text."""
        return "\n".join(self.lines) + "\n"


@dataclass(frozen=True, slots=True)
class Place:
    """A bit position in generated code: a constant, or the variable p and a constant."""

    moving: bool = False
    bits: int = 0

    def __str__(self) -> str:
        if not self.moving:
            return str(self.bits)
        if not self.bits:
            return "p"
        return f"p {'+' if self.bits > 0 else '-'} {abs(self.bits)}"

    def plus(self, bits: int) -> Place:
        """The place so many bits on."""
        return Place(self.moving, self.bits + bits)

    def octet(self, over: int) -> str:
        """The octet that contains it, which it is `over` bits into."""
        if not self.moving:
            return str((self.bits - over) // 8)
        return f"{self} >> 3"


MOVING = Place(True)


def literal(entries: list[tuple[tuple[str, ...], str]], *, bare: bool) -> str:
    """Return the text of a record: a dict of dicts, keys in the order given; of a bare container, its only value."""
    return entries[0][1] if bare else _dict(_tree(entries))


def fastest_dict(source: Source, entries: list[tuple[tuple[str, ...], str]]) -> str:
    """Return the text of a frame's whole record, adding the lines that must stand before it.

    CPython makes a dict of up to 15 constant keys at once, with room for 21; a longer literal grows key by key, which costs as much
    as decoding its fields. So a long one is continued, and a very long one filled into a copy.
    """
    items = [(key, _text(what)) for key, what in _tree(entries).items()]
    if len(items) <= 15:
        return "{" + ", ".join(f"{key!r}: {text}" for key, text in items) + "}"
    at = 15 if len(items) <= 21 else 0
    if at:
        source.add("r = {" + ", ".join(f"{key!r}: {text}" for key, text in items[:at]) + "}")
    else:
        keys = tuple(key for key, _ in items)
        source.add(f"r = {source.name('empty', lambda: dict.fromkeys(keys), keys)}.copy()")
    for key, text in items[at:]:
        source.add(f"r[{key!r}] = {text}")
    return "r"


def _tree(entries: list[tuple[tuple[str, ...], str]]) -> dict[str, Any]:
    tree: dict[str, Any] = {}
    for path, text in entries:
        here = tree
        for key in path[:-1]:
            here = here.setdefault(key, {})
        here[path[-1]] = text
    return tree


def _dict(tree: dict[str, Any]) -> str:
    return "{" + ", ".join(f"{key!r}: {_text(what)}" for key, what in tree.items()) + "}"


def _text(what: Any) -> str:
    return _dict(what) if isinstance(what, dict) else str(what)


def means(node: Choice, branch: Branch, slots: Sequence[Slot]) -> str:
    """Return the text that is true where the codes in the variables of the telling slots mean a branch."""
    tests = []
    for slot, codes in zip(slots, branch.codes, strict=True):
        name = f"r{slot.number} % {node.turn}" if node.turn else None
        tests.append(f"({told(slot, codes, name)})")
    return " and ".join(tests)


def told(slot: Slot, codes: tuple[Range, ...], name: str | None = None) -> str:
    """Return the text that is true where a slot's raw code, in the variable of that name, is one of these."""
    name = name or f"r{slot.number}"
    return " or ".join(
        f"{name} == {one.low}" if one.low == one.high else f"{one.low} <= {name} <= {one.high}"
        for one in codes
    )


def bare(text: str) -> str:
    """Return an expression without the parentheses around all of it."""
    if not (text.startswith("(") and text.endswith(")")):
        return text
    depth = 0
    for at, letter in enumerate(text):
        depth += (letter == "(") - (letter == ")")
        if depth == 0 and at < len(text) - 1:
            return text
    return text[1:-1]
