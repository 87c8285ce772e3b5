"""Schema text in, a bounded tree of nodes with positions out.

Strategy: walk the parser's events with a stack of our own. Nothing is constructed, so a scalar keeps the
characters that were typed (`1/16`, `0x1D0F`, `-60.0`), whether it was quoted, and its place; both of two
equal keys are seen; and no nesting can exhaust Python's own stack. Every bound is checked before the work
it bounds: size and characters on the text, nodes and depth on the events, digits and exponents on the
characters of a number. An alias shares the node it names, and counts as if written out.

What would surprise a reader: only spaces indent, only plain or quoted scalars are keys, and tags, merge
keys, directives and a second document are refused, each by name, since a schema never needs them and each
hides something from whoever reads the file.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, NoReturn, TypeAlias

from packetkit.errors import Position, Problem, SchemaError
from packetkit.schema.syntax import Complaint, explain, tag_complaint
from packetkit.schema.words import shown

__all__ = [
    "RULES",
    "Entry",
    "Mapping",
    "Node",
    "Scalar",
    "Sequence",
    "parse",
    "problem_at",
    "read",
]

# A mission of 300 fields with a comment on each is 60 kB and 6,000 nodes; depth 64 is ten times what any
# format asked for.
MAXIMUM_BYTES = 1 << 20
MAXIMUM_NODES = 50_000
MAXIMUM_DEPTH = 64
# Enough to mend a file by, and few enough that a hostile one cannot flood a terminal.
MAXIMUM_PROBLEMS = 100

# Every rule that this module refuses by, and the sentence that a reader of the rules table sees.
RULES: dict[str, str] = {
    "file-too-large": f"A schema file is at most {MAXIMUM_BYTES:,} bytes.",
    "text-encoding": "A schema is UTF-8 text, with or without a byte-order mark.",
    "unusable-character": "No control character, byte-order mark inside the text or lone surrogate.",
    "empty-file": "A schema holds something besides blanks and comments.",
    "yaml-syntax": "A schema is YAML 1.2.",
    "tab": "Only spaces indent and separate.",
    "yaml-directive": "A line that starts with '%' is refused, except %YAML 1.2.",
    "several-documents": "A file holds one schema.",
    "top-level": "A schema is a mapping of keys to values.",
    "plain-key": "A key is one word or one quoted text.",
    "duplicate-key": "A key stands once in its mapping.",
    "merge-key": "The merge key << is refused.",
    "explicit-tag": "YAML tags (!...) are refused.",
    "unknown-alias": "An alias (*) names an anchor (&) above it.",
    "recursive-alias": "An alias does not stand inside what it names.",
    "too-many-nodes": f"A schema has at most {MAXIMUM_NODES:,} nodes, aliases written out.",
    "too-deep": f"Mappings and lists nest at most {MAXIMUM_DEPTH} deep.",
    "too-many-problems": f"Reading stops at {MAXIMUM_PROBLEMS} problems.",
}


@dataclass(frozen=True, slots=True)
class Scalar:
    """A text as it was meant (escapes and line folds resolved), never yet a number.

    quoted: in quotes or a block text, so it is never a number, a boolean or absent. excerpt is the line it
    starts on; width how many characters of that line it takes. A value that was left out is an unquoted
    empty text, placed after the colon.
    """

    text: str
    quoted: bool
    position: Position
    excerpt: str = ""
    width: int = 1


@dataclass(frozen=True, slots=True)
class Sequence:
    """A list of nodes; width covers it where it opens and closes on one line."""

    items: tuple[Node, ...]
    position: Position
    excerpt: str = ""
    width: int = 1


@dataclass(frozen=True, slots=True)
class Entry:
    """A key and its value, in the order of the file."""

    key: Scalar
    value: Node


@dataclass(frozen=True, slots=True)
class Mapping:
    """Entries in the order of the file, no key twice; width covers it on one line, else its first key."""

    entries: tuple[Entry, ...]
    position: Position
    excerpt: str = ""
    width: int = 1


Node: TypeAlias = Scalar | Sequence | Mapping


def read(data: bytes | str, file: str) -> Mapping:
    """Return the tree of one schema file.

    file is the name that positions carry; nothing is opened. Raises SchemaError with every problem that can
    be told at once, in source order (a mistake in the syntax ends the reading, so it is the last).
    """
    tree, problems = parse(data, file)
    if tree is None or problems:
        raise SchemaError(problems)
    return tree


def parse(data: bytes | str, file: str) -> tuple[Mapping | None, tuple[Problem, ...]]:
    """Return the tree as far as it can be trusted, and every problem in source order.

    For a caller that goes on checking what is sound. The tree is None where something of unknown meaning is
    missing from it; a duplicate key is left out, a tagged node keeps its text, and the tree stands.
    """
    text, problem = _text_of(data, file)
    if problem is not None:
        return None, (problem,)
    builder = _Builder(file, _BREAK.split(text))
    try:
        _build(text, builder)
    except _Stop:
        builder.whole = False
    tree = builder.root if builder.whole and isinstance(builder.root, Mapping) else None
    return tree, tuple(sorted(builder.problems, key=lambda problem: problem.position))


def problem_at(node: Node, rule: str, summary: str, remedy: str = "", path: str = "") -> Problem:
    """Return the problem that points at a node."""
    return Problem(node.position, rule, path, summary, remedy, node.excerpt, node.width)


# ---- from bytes to text

_BREAK = re.compile(r"\r\n|\r|\n")
# Not printable by YAML 1.2.2, section 5.1, or shifting columns and breaking lines unseen: NEL, LS, PS, the byte-order
# mark. The characters refused, not those allowed: a class of nearly everything takes 7 ms to compile.
_UNUSABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff\ufeff\ufffe\uffff]")
_SURROGATE = re.compile("[\ud800-\udfff]")
# A lone carriage return ends a line too, so `^` and `$` are spelt out.
_DIRECTIVE = re.compile(r"(?:\A|(?<=[\r\n]))%(?!YAML +1\.2 *(?:#[^\r\n]*)?(?:[\r\n]|\Z))[^\r\n]*")
# YAML 1.2.2, section 5.2: how a stream in another encoding starts, with its mark; without one, the zero
# octets tell.
_WIDE_MARKS = (
    (b"\x00\x00\xfe\xff", "UTF-32"),
    (b"\xff\xfe\x00\x00", "UTF-32"),
    (b"\xfe\xff", "UTF-16"),
    (b"\xff\xfe", "UTF-16"),
)
_WIDE_ZEROS: dict[tuple[int, ...], str] = {
    (0, 0, 0, 1): "UTF-32",
    (1, 0, 0, 0): "UTF-32",
    (0, 1, 0, 1): "UTF-16",
    (1, 0, 1, 0): "UTF-16",
}
_CALLED = {
    "\x85": "a line break to some programs",
    "\u2028": "a line break to some programs",
    "\u2029": "a line break to some programs",
    "\ufeff": "a byte-order mark inside the text",
}
_BINARY = "The file holds NUL octets, so it is no text: is this the schema, and not a capture or a program?"
_AS_UTF8 = "Save the file as UTF-8 (in an editor: save with encoding, UTF-8)."


def _text_of(data: bytes | str, file: str) -> tuple[str, Problem | None]:
    """Return the text, the byte-order mark removed, or the first thing that makes it no text."""
    size = len(data) if isinstance(data, bytes) else len(data.encode("utf-8", "surrogatepass"))
    if size > MAXIMUM_BYTES:
        # No figure of its own: of a large file no more was read than shows that it is too large.
        summary = f"the file has more than {MAXIMUM_BYTES:,} bytes, the most that a schema has"
        remedy = "Is this the schema, and not a capture or a log? If it is, move generated parts out of it."
        return "", Problem(Position(1, 1, file), "file-too-large", "", summary, remedy)
    if isinstance(data, bytes):
        text, problem = _decoded(data, file)
        if problem is not None:
            return "", problem
    else:
        text = data
    text = text.removeprefix("\ufeff")
    match = _UNUSABLE.search(text)
    return text, None if match is None else _unusable(text, match.start(), file)


def _decoded(data: bytes, file: str) -> tuple[str, Problem | None]:
    wide = next((name for mark, name in _WIDE_MARKS if data.startswith(mark)), None)
    wide = wide or _WIDE_ZEROS.get(tuple(int(octet != 0) for octet in data[:4]))
    if wide is not None:
        summary = f"the file is {wide}; a schema is UTF-8"
        return "", Problem(Position(1, 1, file), "text-encoding", "", summary, _AS_UTF8)
    try:
        return data.decode("utf-8"), None
    except UnicodeDecodeError as error:
        at, octet = error.start, data[error.start]
    line, column = _line_and_column(data[:at].decode("utf-8"))
    excerpt = _BREAK.split(data.decode("utf-8", "replace").removeprefix("\ufeff"))[line - 1]
    latin = bytes([octet]).decode("latin-1")
    guess = f" (in Latin-1 it is {latin})" if latin.isprintable() else ""
    summary = f"byte 0x{octet:02X} at offset {at} is not UTF-8{guess}"
    remedy = _BINARY if b"\0" in data else _AS_UTF8
    return "", Problem(Position(line, column, file), "text-encoding", "", summary, remedy, excerpt)


def _unusable(text: str, at: int, file: str) -> Problem:
    line, column = _line_and_column(text[:at])
    character = text[at]
    name = _CALLED.get(character, "a control character" if ord(character) < 0xA0 else "no character")
    summary = f"U+{ord(character):04X} ({name}) cannot stand in a schema"
    escape = f"\\u{ord(character):04x}"
    remedy = f'Delete it, or write it as an escape in double quotes: "{escape}".'
    if name == "no character":
        remedy = "Delete it."
    if "\0" in text:
        remedy = _BINARY
    excerpt = _BREAK.split(text)[line - 1]
    return Problem(Position(line, column, file), "unusable-character", "", summary, remedy, excerpt)


def _line_and_column(before: str) -> tuple[int, int]:
    """Return line and column of the character after `before`, from 1; a leading byte-order mark has none."""
    lines = _BREAK.split(before.removeprefix("\ufeff"))
    return len(lines), len(lines[-1]) + 1


def _directive(text: str) -> Complaint | None:
    # Refused on the text: a parser that meets one converts its digits, however many there are.
    match = _DIRECTIVE.search(text)
    if match is None:
        return None
    line, column = _line_and_column(text[: match.start()])
    told = match[0].strip()
    summary = f"the directive {shown(told)} is not allowed"
    remedy = "Delete the line; a schema is read as YAML 1.2 without being told."
    return Complaint(line, column, "yaml-directive", summary, remedy, len(told))


# ---- from text to nodes


class _Stop(Exception):
    """Reading on would tell nothing more; the problem is recorded."""


@dataclass(slots=True)
class _Open:
    """A mapping or list whose end has not been read."""

    is_mapping: bool
    event: Any
    nodes_before: int
    items: list[Node] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    seen: dict[str, Position] = field(default_factory=dict)
    at_key: bool = True
    key: Scalar | None = None
    height: int = 1


@dataclass(slots=True)
class _Builder:
    """The tree under construction; one method per kind of event.

    anchors holds the node, its size in nodes and its height; None while the anchored node is still open.
    whole turns False when something was left out whose absence could be mistaken for another fault.
    """

    file: str
    lines: list[str]
    problems: list[Problem] = field(default_factory=list)
    stack: list[_Open] = field(default_factory=list)
    anchors: dict[str, tuple[Node, int, int] | None] = field(default_factory=dict)
    root: Node | None = None
    nodes: int = 0
    documents: int = 0
    whole: bool = True

    # -- events

    def document(self, event: Any) -> None:
        self.documents += 1
        if self.documents > 1:
            self.fatal(
                event,
                "several-documents",
                "a second document starts here",
                "Keep one schema to a file: delete the '---' or '...', or move what follows to another file.",
            )

    def scalar(self, event: Any) -> None:
        self.count(event)
        self.refuse_tag(event)
        text, style = event.value, event.style
        if style == '"' and (match := _SURROGATE.search(text)):
            escape = f"\\u{ord(match[0]):04x}"
            remedy = r"Write the character itself, or \U and its eight digits."
            summary = f"{escape} is half of a surrogate pair, not a character"
            self.report(event, "unusable-character", summary, remedy)
            text = _SURROGATE.sub("\ufffd", text)
        place = self.place(event) if text or style else self.absence(event)
        node = Scalar(text, bool(style), *place)
        if event.anchor is not None:
            self.anchors[event.anchor] = (node, 1, 0)
        self.add(node, 0, event)

    def start_sequence(self, event: Any) -> None:
        self.start(_Open(False, event, self.nodes))

    def start_mapping(self, event: Any) -> None:
        self.start(_Open(True, event, self.nodes))

    def start(self, opened: _Open) -> None:
        event = opened.event
        self.count(event)
        if len(self.stack) >= MAXIMUM_DEPTH:
            self.too_deep(event)
        self.refuse_tag(event)
        if event.anchor is not None:
            self.anchors[event.anchor] = None
        self.stack.append(opened)

    def end(self, event: Any) -> None:
        opened = self.stack.pop()
        start = opened.event.start_mark
        position, excerpt, width = self.place(opened.event)
        if opened.event.flow_style:
            stop = event.end_mark
            width = stop.column - start.column if stop.line == start.line else len(excerpt) - start.column
        node: Node
        if opened.is_mapping:
            if not opened.event.flow_style and opened.entries:
                width = opened.entries[0].key.width
            node = Mapping(tuple(opened.entries), position, excerpt, max(width, 1))
        else:
            node = Sequence(tuple(opened.items), position, excerpt, max(width, 1))
        if opened.event.anchor is not None:
            self.anchors[opened.event.anchor] = (node, self.nodes - opened.nodes_before, opened.height)
        self.add(node, opened.height, opened.event)

    def alias(self, event: Any) -> None:
        told = shown(f"*{event.anchor}")
        if event.anchor not in self.anchors:
            remedy = "Write & and its name in front of a value above this line, or put the text in quotes."
            self.fatal(event, "unknown-alias", f"the alias {told} names nothing above it", remedy)
        anchored = self.anchors[event.anchor]
        if anchored is None:
            remedy = "Write out what is meant; a schema has a finite size."
            self.fatal(event, "recursive-alias", f"the alias {told} stands inside what it names", remedy)
        node, size, height = anchored
        self.count(event, size)
        if len(self.stack) + height > MAXIMUM_DEPTH:
            self.too_deep(event)
        if self.stack and self.stack[-1].is_mapping and self.stack[-1].at_key:
            position, excerpt, width = self.place(event)
            self.refuse_key(Scalar("", False, position, excerpt, width), f"the alias {told}")
        else:
            self.add(node, height, event)

    # -- the tree

    def add(self, node: Node, height: int, event: Any) -> None:
        """Hang a finished node where it belongs."""
        if not self.stack:
            self.root = node
            return
        parent = self.stack[-1]
        parent.height = max(parent.height, height + 1)
        if not parent.is_mapping:
            parent.items.append(node)
        elif not parent.at_key:
            if parent.key is not None:
                parent.entries.append(Entry(parent.key, node))
            parent.at_key = True
        elif isinstance(node, Scalar):
            self.add_key(parent, node, event)
        else:
            self.refuse_key(node, "a list" if isinstance(node, Sequence) else "a mapping")

    def add_key(self, parent: _Open, key: Scalar, event: Any) -> None:
        parent.at_key = False
        parent.key = None
        if key.text == "<<" and not key.quoted:
            self.whole = False
            remedy = "Write the keys out; what is shared as a whole may be an alias: key: *name."
            self.report(event, "merge-key", "the merge key << is not allowed", remedy)
        elif not key.text:
            self.refuse_key(key, "an empty text" if key.quoted else "nothing")
        elif key.text in parent.seen:
            first = parent.seen[key.text]
            remedy = f"The first is at line {first.line}, column {first.column}. Keep one of them."
            self.report(
                event, "duplicate-key", f"the key {shown(key.text)} stands twice in one mapping", remedy
            )
        else:
            parent.seen[key.text] = key.position
            parent.key = key

    def refuse_key(self, node: Node, what: str) -> None:
        self.stack[-1].at_key = False
        self.stack[-1].key = None
        self.whole = False
        remedy = "Write one word, or one text in quotes, before the ':'."
        self.append(problem_at(node, "plain-key", f"{what} stands where a key should", remedy))

    # -- bounds and refusals

    def count(self, event: Any, size: int = 1) -> None:
        self.nodes += size
        if self.nodes > MAXIMUM_NODES:
            what = (
                f"the alias {shown('*' + event.anchor)} brings the schema to"
                if size > 1
                else "the schema has"
            )
            remedy = "Every key, value, list and mapping is a node, and an alias counts as all it stands for."
            summary = f"{what} more than {MAXIMUM_NODES:,} nodes"
            self.fatal(event, "too-many-nodes", summary, remedy)

    def too_deep(self, event: Any) -> NoReturn:
        summary = f"mappings and lists nest more than {MAXIMUM_DEPTH} deep here"
        self.fatal(event, "too-deep", summary, "Close some brackets, or indent less; no frame needs this.")

    def refuse_tag(self, event: Any) -> None:
        if event.ctag is None:
            return
        self.tell(tag_complaint(event.start_mark.line, event.start_mark.column, self.lines))

    def report(self, event: Any, rule: str, summary: str, remedy: str) -> None:
        position, excerpt, width = self.place(event)
        self.append(Problem(position, rule, "", summary, remedy, excerpt, width))

    def fatal(self, event: Any, rule: str, summary: str, remedy: str) -> NoReturn:
        self.report(event, rule, summary, remedy)
        raise _Stop

    def append(self, problem: Problem) -> None:
        self.problems.append(problem)
        if len(self.problems) == MAXIMUM_PROBLEMS:
            summary = f"{MAXIMUM_PROBLEMS} problems up to here; the rest of the file was not read"
            self.problems.append(Problem(problem.position, "too-many-problems", "", summary))
            raise _Stop

    # -- places

    def line(self, number: int) -> str:
        return self.lines[number] if number < len(self.lines) else ""

    def place(self, event: Any) -> tuple[Position, str, int]:
        """Return where an event starts, that line, and how many of its characters the event takes."""
        start, stop = event.start_mark, event.end_mark
        line, column = start.line, start.column
        excerpt = self.line(line)
        width = stop.column - column if stop.line == line else len(excerpt.rstrip()) - column
        return Position(line + 1, column + 1, self.file), excerpt, max(width, 1)

    def absence(self, event: Any) -> tuple[Position, str, int]:
        """Return the place of a value left out: after its colon. The parser gives the next token's."""
        key = self.stack[-1].key if self.stack and not self.stack[-1].at_key else None
        if key is None:
            return self.place(event)
        end = key.position.column - 1 + key.width
        colon = key.excerpt.find(":", end)
        if colon < 0 or key.excerpt[end:colon].strip():
            return self.place(event)
        return Position(key.position.line, colon + 2, self.file), key.excerpt, 1

    def tell(self, complaint: Complaint) -> None:
        """Record what the text, not an event, gave away."""
        at = Position(complaint.line, complaint.column, self.file)
        line = self.line(complaint.line - 1)
        problem = Problem(at, complaint.rule, "", complaint.summary, complaint.remedy, line, complaint.width)
        self.append(problem)


_BAD_ESCAPE = re.compile(r"\\U(?!00(?:0[0-9A-Fa-f]|10)[0-9A-Fa-f]{4})[0-9A-Fa-f]{8}")


def _build(text: str, builder: _Builder) -> None:
    """Feed the parser's events to the builder, and its last words to the list of problems."""
    if (complaint := _directive(text)) is not None:
        builder.tell(complaint)
        raise _Stop
    from ruamel.yaml import events
    from ruamel.yaml.error import MarkedYAMLError

    handlers: dict[type, Callable[[Any], None]] = {
        events.DocumentStartEvent: builder.document,
        events.ScalarEvent: builder.scalar,
        events.SequenceStartEvent: builder.start_sequence,
        events.MappingStartEvent: builder.start_mapping,
        events.SequenceEndEvent: builder.end,
        events.MappingEndEvent: builder.end,
        events.AliasEvent: builder.alias,
    }
    stream = _events(text)
    at = 0
    while True:
        try:
            event = next(stream, None)
        except MarkedYAMLError as error:
            builder.tell(explain(error, builder.lines))
            raise _Stop from None
        except (ValueError, OverflowError):  # chr() of an escape that is no code point, inside the scanner
            builder.tell(_escape_complaint(text, at))
            raise _Stop from None
        if event is None:
            break
        at = event.end_mark.index
        if handler := handlers.get(type(event)):
            handler(event)
    _check_root(builder)


def _events(text: str) -> Iterator[Any]:
    """Return the parser's events, in which all tags look alike: the builder refuses every one."""
    # Imported where it is used: 25 ms, a fifth of what a short command may take.
    from ruamel.yaml import YAML
    from ruamel.yaml.scanner import Scanner
    from ruamel.yaml.tokens import TagToken

    class SchemaScanner(Scanner):
        # The parser would resolve a tag, in a time that grows with the square of its length.
        def scan_tag(self) -> TagToken:
            start = self.reader.get_mark()
            while self.reader.peek() not in "\0 \t\r\n,[]{}":
                self.reader.forward()
            return TagToken((None, "!"), start, self.reader.get_mark())

        # In brackets the parser takes any '?' for the sign of a key, and so reads `{?a: 1}` as `{a: 1}`.
        def check_key(self) -> bool:
            return self.reader.peek(1) in "\0 \t\r\n"

    yaml = YAML(typ="safe", pure=True)
    yaml.Scanner = SchemaScanner
    return iter(yaml.parse(text))


def _check_root(builder: _Builder) -> None:
    root = builder.root
    if root is None or (isinstance(root, Scalar) and not root.text and not root.quoted):
        summary = "the file holds no schema" + (
            ", only comments or marks" if any(map(str.strip, builder.lines)) else ""
        )
        remedy = (
            "A schema starts with a line such as mission: first-light; `packetkit start` writes a whole one."
        )
        builder.problems.append(Problem(Position(1, 1, builder.file), "empty-file", "", summary, remedy))
    elif not isinstance(root, Mapping):
        kind = "list" if isinstance(root, Sequence) else "text"
        summary = f"the file holds a {kind}; a schema is a mapping of keys to values"
        remedy = "Start with a line such as mission: first-light."
        builder.problems.append(problem_at(root, "top-level", summary, remedy))


def _escape_complaint(text: str, at: int) -> Complaint:
    """Return the complaint about the first escape after the last event that is above the last code point."""
    match = _BAD_ESCAPE.search(text, at)
    line, column = _line_and_column(text[: match.start() if match else at])
    escape = match[0] if match else "here"
    summary = f"the escape {escape} is no character"
    return Complaint(line, column, "yaml-syntax", summary, r"The last character is \U0010FFFF.", len(escape))
