"""What the YAML parser says when it gives up, in words that someone new to YAML can act on.

The parser names tokens and parsing states; a reader needs the place, what is wrong there and what to type
instead. Each row of SYNTAX is found by a fragment of the parser's own sentence. Where the mistake lies at
the place that was being read (a quote never closed), and not where the parser noticed, the row points
there. A sentence no row knows is passed on as it is: true, if terse.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from packetkit.schema.words import shown


@dataclass(frozen=True, slots=True)
class Complaint:
    """What stopped the parser: line and column count from 1; summary is one line, remedy one or two."""

    line: int
    column: int
    rule: str
    summary: str
    remedy: str
    width: int = 1


@dataclass(frozen=True, slots=True)
class _Row:
    """fragment: part of the parser's sentence. at_opening: the mistake is where the construct began.

    summary and remedy may use {opening} (`line 3, column 5`) and {found} (what the parser tripped over).
    """

    fragment: str
    summary: str
    remedy: str
    at_opening: bool = False
    rule: str = "yaml-syntax"


SYNTAX: tuple[_Row, ...] = (
    _Row(
        r"found character '\t'",
        "a tab stands where YAML takes only spaces",
        "Replace it with spaces; an editor can do so for the whole file.",
        rule="tab",
    ),
    _Row(
        "that cannot start any token",
        "a text cannot start with {found} unless it is quoted",
        "Put the whole text in quotes.",
    ),
    _Row(
        "mapping values are not allowed here",
        "this ':' stands where no key can be",
        "Put a text that holds ': ' in quotes, or indent this line like the other keys of its group.",
    ),
    _Row(
        "could not find expected ':'",
        "this line has no ': ' after its key",
        "Write key: value, or quote and indent the line if it carries on the text above it.",
        at_opening=True,
    ),
    _Row(
        "sequence entries are not allowed here",
        "a list entry '-' cannot stand here",
        "Start the list on a line of its own, every '-' in the same column.",
    ),
    _Row(
        "mapping keys are not allowed here",
        "a text cannot start with '? ' here",
        "Put the whole text in quotes.",
    ),
    _Row(
        "but got '<stream end>'",
        "this bracket is never closed",
        "Close a '{{' with '}}' and a '[' with ']'.",
        at_opening=True,
    ),
    _Row(
        "expected ',' or '}'",
        "a ',' or '}}' is missing before this",
        "The '{{' of {opening} is still open here.",
    ),
    _Row(
        "expected ',' or ']'",
        "a ',' or ']' is missing before this",
        "The '[' of {opening} is still open here.",
    ),
    _Row(
        "found unexpected end of stream",
        "this quote is never closed",
        "Close it, or write it twice ('') inside a text in single quotes.",
        at_opening=True,
    ),
    _Row(
        "found unexpected document separator",
        "this quote is not closed before a line of '---' or '...'",
        "Close it, or indent that line.",
        at_opening=True,
    ),
    _Row(
        "expected the node content",
        "a value is missing before {found}",
        "Write the value, or put a text that starts with {found} in quotes.",
    ),
    _Row(
        "found unknown escape character",
        "a backslash in double quotes cannot be followed by {found}",
        r"Write \\ for a backslash, or put the text in single quotes.",
    ),
    _Row(
        "hexdecimal numbers",
        "an escape in double quotes lacks hexadecimal digits",
        r"\x takes two digits, \u four and \U eight; write \\ for a backslash.",
    ),
    _Row(
        "expected alphabetic or numeric character",
        "a '&' or '*' at the start needs a name right after it",
        "Put a text that starts with '&' or '*' in quotes.",
        at_opening=True,
    ),
    _Row(
        "indentation indicator",
        "after '|' or '>' the text starts on the next line",
        "Break the line after it, or put a text that starts with '|' or '>' in quotes.",
        at_opening=True,
    ),
    _Row(
        "expected a comment or a line break",
        "after '|' or '>' the text starts on the next line",
        "Break the line after it, or put a text that starts with '|' or '>' in quotes.",
        at_opening=True,
    ),
    _Row(
        "more indented follow up line",
        "an empty line of this text is indented further than its first line",
        "Indent every line of the text alike.",
    ),
    _Row(
        "document end marker",
        "text follows the end of the document on the same line",
        "Put nothing but a comment after '...'.",
    ),
    _Row(
        "expected '<document start>'",
        "this does not belong to what stands above it",
        "Start it in the first column like the other keys, with ': ' after its key, or delete it.",
    ),
)

_FOUND = re.compile(
    r"found (?:character |escape character |unknown escape character )?('(?:\\.|[^'])+'|\"'\")"
)
_TOKENS = {
    "'<document start>'": "'---'",
    "'<document end>'": "'...'",
    "'<stream end>'": "the end of the file",
    "'<block end>'": "the end of the group",
    "'<scalar>'": "this text",
}
_NO_SPACE = re.compile(r"(?:^|[{,\s])([A-Za-z_][A-Za-z0-9_-]*):[^\s/:,}]")
_ALONE = re.compile(r"[- ]*([A-Za-z_][A-Za-z0-9_-]*) *(?:#.*)?")
_TAG = re.compile(r"(?:&\S+\s+)?(![^\s,\[\]{}]*)")
_TABBED = re.compile(r" *\t")


def explain(error: Any, lines: list[str]) -> Complaint:
    """Return what a MarkedYAMLError of ruamel.yaml means for the file whose lines are given."""
    sentence = f"{error.context or ''}: {error.problem or error.context or error}"
    mark = error.problem_mark or error.context_mark
    opening = error.context_mark or mark
    if "expected <block end>" in sentence:
        return _does_not_fit(mark, opening, lines)
    row = next((row for row in SYNTAX if row.fragment in sentence), None)
    if row is None:
        return _complaint(mark, "yaml-syntax", f"not readable as YAML: {error.problem or error.context}", "")
    found = _FOUND.search(sentence)
    facts = {
        "opening": f"line {opening.line + 1}, column {opening.column + 1}",
        "found": _TOKENS.get(found[1], found[1]) if found else "this",
    }
    remedy = row.remedy.format_map(facts)
    if row.rule == "tab":
        remedy = _tab_remedy(remedy, mark.line, lines)
    elif row.fragment == "mapping values are not allowed here":
        remedy = _missing_space(mark.line, lines) or _missing_colon(mark.line, lines) or remedy
    elif row.fragment == "could not find expected ':'":
        remedy = _missing_space(opening.line, lines) or remedy
    return _complaint(opening if row.at_opening else mark, row.rule, row.summary.format_map(facts), remedy)


def tag_complaint(line: int, column: int, lines: list[str]) -> Complaint:
    """Return the complaint about a tag at a line and column counted from 0, or after an anchor there."""
    match = _TAG.match(lines[line], column)
    name, column = (match[1], match.start(1)) if match else ("!", column)
    summary = f"the YAML tag {shown(name)} is not allowed; a schema holds data, not types"
    remedy = "Delete the tag, or put a text that starts with '!' in quotes."
    return Complaint(line + 1, column + 1, "explicit-tag", summary, remedy, len(name))


def _complaint(mark: Any, rule: str, summary: str, remedy: str) -> Complaint:
    return Complaint(mark.line + 1, mark.column + 1, rule, summary, remedy)


def _does_not_fit(mark: Any, opening: Any, lines: list[str]) -> Complaint:
    """Something stands in a block group that is neither its next key or entry nor its end."""
    line = lines[mark.line] if mark.line < len(lines) else ""
    if line[mark.column : mark.column + 1] in ("}", "]"):
        summary = "this bracket was never opened"
        remedy = "Delete it, or put a text that holds it in quotes."
    elif line[: mark.column].strip():
        summary = "this text cannot follow what stands before it on the line"
        remedy = "Put the whole text in quotes, or start a new line."
    elif mark.column == opening.column:
        summary = "a list entry '-' and a key cannot stand side by side in one group"
        remedy = f"The group starts at line {opening.line + 1}; make each line an entry, or each a key."
    else:
        summary = "the indentation of this line fits nothing above it"
        remedy = f"The group that starts at line {opening.line + 1} stands in column {opening.column + 1}."
    return _complaint(mark, "yaml-syntax", summary, remedy)


def _missing_space(line: int, lines: list[str]) -> str:
    """Return the remedy for `bits:8`, read as one word, on this line or the one above; else an empty text."""
    for number in (line, line - 1):
        if 0 <= number < len(lines) and (match := _NO_SPACE.search(lines[number])):
            return f"Write a space after '{match[1]}:' in line {number + 1}."
    return ""


def _missing_colon(line: int, lines: list[str]) -> str:
    """Return the remedy for a single word on the line above, which reads as the start of this line's key."""
    if line > 0 and (match := _ALONE.fullmatch(lines[line - 1])):
        return f"Line {line} has no ':' after '{match[1]}'; this line reads as carrying it on."
    return ""


def _tab_remedy(remedy: str, line: int, lines: list[str]) -> str:
    """Name the other lines that are indented with tabs too: the parser stops at the first."""
    others = [str(n + 1) for n, text in enumerate(lines) if n != line and _TABBED.match(text)]
    if not others:
        return remedy
    more = ", ".join(others[:10]) + (f" and {len(others) - 10} more" if len(others) > 10 else "")
    return f"{remedy}\nTabs also indent line{'s' if len(others) > 1 else ''} {more}."
