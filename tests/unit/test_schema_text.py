"""Schema text becomes a bounded tree with positions, or problems that say where, what and what to do.

Each hostile text stands beside the nearest good one: the first is refused with the message shown, the second
is read.
"""

from __future__ import annotations

import io
import subprocess
import sys
from dataclasses import dataclass
from typing import Any

import pytest
from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, StringMark

from packetkit.errors import Position, SchemaError
from packetkit.schema.syntax import SYNTAX, explain
from packetkit.schema.text import (
    MAXIMUM_BYTES,
    MAXIMUM_DEPTH,
    MAXIMUM_NODES,
    MAXIMUM_PROBLEMS,
    RULES,
    Mapping,
    Node,
    Scalar,
    Sequence,
    parse,
    problem_at,
    read,
)


def bare(node: Node) -> Any:
    """The tree as lists, dicts and texts."""
    if isinstance(node, Scalar):
        return node.text
    if isinstance(node, Sequence):
        return [bare(item) for item in node.items]
    return {entry.key.text: bare(entry.value) for entry in node.entries}


def refusal(data: bytes | str) -> str:
    with pytest.raises(SchemaError) as caught:
        read(data, "m.yaml")
    return str(caught.value)


def value(tree: Mapping, key: str) -> Node:
    return next(entry.value for entry in tree.entries if entry.key.text == key)


@dataclass(frozen=True)
class Case:
    name: str
    rule: str
    bad: bytes | str
    good: bytes | str
    message: str


CASES = (
    Case(
        "tab_indent",
        "tab",
        "mission: a\nframes:\n\tbeacon: 1\n\tother: 2\n",
        "mission: a\nframes:\n  beacon: 1\n  other: 2\n",
        """
m.yaml:3:1: a tab stands where YAML takes only spaces
     beacon: 1
    ^
  Replace it with spaces; an editor can do so for the whole file.
  Tabs also indent line 4.""",
    ),
    Case(
        "tab_after_colon",
        "tab",
        "mission:\ta\n",
        'mission: "a\tb"  #\tc\n',
        """
m.yaml:1:9: a tab stands where YAML takes only spaces
    mission: a
            ^
  Replace it with spaces; an editor can do so for the whole file.""",
    ),
    Case(
        "bracket_never_closed",
        "yaml-syntax",
        "fields:\n  - {name: x, bits: 8\n",
        "fields:\n  - {name: x, bits: 8}\n",
        """
m.yaml:2:5: this bracket is never closed
    - {name: x, bits: 8
      ^
  Close a '{' with '}' and a '[' with ']'.""",
    ),
    Case(
        "bracket_open_at_next_entry",
        "yaml-syntax",
        "fields:\n  - {name: x, bits: 8\n  - {name: y, bits: 8}\n",
        "fields:\n  - {name: x, bits: 8}\n  - {name: y, bits: 8}\n",
        """
m.yaml:3:5: a ',' or '}' is missing before this
    - {name: y, bits: 8}
      ^
  The '{' of line 2, column 5 is still open here.""",
    ),
    Case(
        "bracket_never_opened",
        "yaml-syntax",
        "mission: a\n}\n",
        "mission: a\n",
        """
m.yaml:2:1: this bracket was never opened
    }
    ^
  Delete it, or put a text that holds it in quotes.""",
    ),
    Case(
        "colon_in_text",
        "yaml-syntax",
        "description: probe: the second\n",
        "description: 'probe: the second'\n",
        """
m.yaml:1:19: this ':' stands where no key can be
    description: probe: the second
                      ^
  Put a text that holds ': ' in quotes, or indent this line like the other keys of its group.""",
    ),
    Case(
        "no_space_after_colon",
        "yaml-syntax",
        "field:\n  bits:8\n  name: y\n",
        "field:\n  bits: 8\n  name: y\n",
        """
m.yaml:3:7: this ':' stands where no key can be
    name: y
        ^
  Write a space after 'bits:' in line 2.""",
    ),
    Case(
        "no_colon_on_the_line_above",
        "yaml-syntax",
        "frames\n  beacon: 1\n",
        "frames:\n  beacon: 1\n",
        """
m.yaml:2:9: this ':' stands where no key can be
    beacon: 1
          ^
  Line 1 has no ':' after 'frames'; this line reads as carrying it on.""",
    ),
    Case(
        "no_colon",
        "yaml-syntax",
        "mission: a\nframes\n",
        "mission: a\nframes:\n",
        """
m.yaml:2:1: this line has no ': ' after its key
    frames
    ^
  Write key: value, or quote and indent the line if it carries on the text above it.""",
    ),
    Case(
        "indentation",
        "yaml-syntax",
        "a:\n    b: 1\n  c: 2\n",
        "a:\n    b: 1\n    c: 2\n",
        """
m.yaml:3:3: the indentation of this line fits nothing above it
    c: 2
    ^
  The group that starts at line 1 stands in column 1.""",
    ),
    Case(
        "list_and_keys",
        "yaml-syntax",
        "a:\n  - x\n  b: 1\n",
        "a:\n  - x\n  - b: 1\n",
        """
m.yaml:3:3: a list entry '-' and a key cannot stand side by side in one group
    b: 1
    ^
  The group starts at line 2; make each line an entry, or each a key.""",
    ),
    Case(
        "text_after_quote",
        "yaml-syntax",
        "unit: 'm' s\n",
        "unit: 'm s'\n",
        """
m.yaml:1:11: this text cannot follow what stands before it on the line
    unit: 'm' s
              ^
  Put the whole text in quotes, or start a new line.""",
    ),
    Case(
        "quote_never_closed",
        "yaml-syntax",
        "unit: 'm\nbits: 2\n",
        "unit: 'm'\nbits: 2\n",
        """
m.yaml:1:7: this quote is never closed
    unit: 'm
          ^
  Close it, or write it twice ('') inside a text in single quotes.""",
    ),
    Case(
        "percent_first",
        "yaml-syntax",
        "unit: %\n",
        "unit: '%'\n",
        """
m.yaml:1:7: a text cannot start with '%' unless it is quoted
    unit: %
          ^
  Put the whole text in quotes.""",
    ),
    Case(
        "question_mark_first",
        "yaml-syntax",
        "a: {?b: 1}\n",
        "a: {'?b': 1, ? c : 2, d?: e?}\n",
        """
m.yaml:1:5: a text cannot start with '?' unless it is quoted
    a: {?b: 1}
        ^
  Put the whole text in quotes.""",
    ),
    Case(
        "star_alone",
        "yaml-syntax",
        "unit: * x\n",
        "unit: '* x'\n",
        """
m.yaml:1:7: a '&' or '*' at the start needs a name right after it
    unit: * x
          ^
  Put a text that starts with '&' or '*' in quotes.""",
    ),
    Case(
        "backslash",
        "yaml-syntax",
        'file: "C:\\Windows"\n',
        "file: 'C:\\Windows'\n",
        """
m.yaml:1:11: a backslash in double quotes cannot be followed by 'W'
    file: "C:\\Windows"
              ^
  Write \\\\ for a backslash, or put the text in single quotes.""",
    ),
    Case(
        "escape_beyond_the_last_character",
        "yaml-syntax",
        'fill: "\\U00110000"\n',
        'fill: "\\U0010FFFF"\n',
        """
m.yaml:1:8: the escape \\U00110000 is no character
    fill: "\\U00110000"
           ^^^^^^^^^^
  The last character is \\U0010FFFF.""",
    ),
    Case(
        "bar_first",
        "yaml-syntax",
        "unit: |x|\n",
        "unit: '|x|'\n",
        """
m.yaml:1:7: after '|' or '>' the text starts on the next line
    unit: |x|
          ^
  Break the line after it, or put a text that starts with '|' or '>' in quotes.""",
    ),
    Case(
        "value_missing",
        "yaml-syntax",
        "a: , b\n",
        "a: ', b'\n",
        """
m.yaml:1:4: a value is missing before ','
    a: , b
       ^
  Write the value, or put a text that starts with ',' in quotes.""",
    ),
    Case(
        "entry_beside_key",
        "yaml-syntax",
        "a: - b\n",
        "a:\n- b\n",
        """
m.yaml:1:4: a list entry '-' cannot stand here
    a: - b
       ^
  Start the list on a line of its own, every '-' in the same column.""",
    ),
    Case(
        "question_mark_and_space_first",
        "yaml-syntax",
        "a: ? b\n",
        "a: '? b'\n",
        """
m.yaml:1:4: a text cannot start with '? ' here
    a: ? b
       ^
  Put the whole text in quotes.""",
    ),
    Case(
        "list_never_closed",
        "yaml-syntax",
        "a: {b: [1, 2}\n",
        "a: {b: [1, 2]}\n",
        """
m.yaml:1:13: a ',' or ']' is missing before this
    a: {b: [1, 2}
                ^
  The '[' of line 1, column 8 is still open here.""",
    ),
    Case(
        "quote_open_at_document_end",
        "yaml-syntax",
        "a: 'b\n...\n",
        "a: 'b'\n...\n",
        """
m.yaml:1:4: this quote is not closed before a line of '---' or '...'
    a: 'b
       ^
  Close it, or indent that line.""",
    ),
    Case(
        "short_escape",
        "yaml-syntax",
        'a: "\\x4"\n',
        'a: "\\x04"\n',
        """
m.yaml:1:7: an escape in double quotes lacks hexadecimal digits
    a: "\\x4"
          ^
  \\x takes two digits, \\u four and \\U eight; write \\\\ for a backslash.""",
    ),
    Case(
        "block_text_header",
        "yaml-syntax",
        "a: | x\n  b\n",
        "a: | # x\n  b\n",
        """
m.yaml:1:4: after '|' or '>' the text starts on the next line
    a: | x
       ^
  Break the line after it, or put a text that starts with '|' or '>' in quotes.""",
    ),
    Case(
        "block_text_indentation",
        "yaml-syntax",
        "a: |\n  \n     \n  b\n",
        "a: |\n  \n  \n  b\n",
        """
m.yaml:4:3: an empty line of this text is indented further than its first line
    b
    ^
  Indent every line of the text alike.""",
    ),
    Case(
        "text_after_document_end",
        "yaml-syntax",
        "a: 1\n... b\n",
        "a: 1\n... # b\n",
        """
m.yaml:2:5: text follows the end of the document on the same line
    ... b
        ^
  Put nothing but a comment after '...'.""",
    ),
    Case(
        "text_after_the_braces",
        "yaml-syntax",
        "{a: 1}\nb: 2\n",
        "{a: 1,\nb: 2}\n",
        """
m.yaml:2:1: this does not belong to what stands above it
    b: 2
    ^
  Start it in the first column like the other keys, with ': ' after its key, or delete it.""",
    ),
    Case(
        "tags",
        "explicit-tag",
        "a: !!python/object:os.system x\nb: &q !size [1]\nc: !e!x 1\n",
        "a: '!!python/object:os.system x'\nb: &q [1]\nc: 1\n",
        """
m.yaml:1:4: the YAML tag '!!python/object:os.system' is not allowed; a schema holds data, not types
    a: !!python/object:os.system x
       ^^^^^^^^^^^^^^^^^^^^^^^^^
  Delete the tag, or put a text that starts with '!' in quotes.
m.yaml:2:7: the YAML tag '!size' is not allowed; a schema holds data, not types
    b: &q !size [1]
          ^^^^^
  Delete the tag, or put a text that starts with '!' in quotes.
m.yaml:3:4: the YAML tag '!e!x' is not allowed; a schema holds data, not types
    c: !e!x 1
       ^^^^
  Delete the tag, or put a text that starts with '!' in quotes.""",
    ),
    Case(
        "two_documents",
        "several-documents",
        "---\na: 1\n---\nb: 2\n",
        "---\na: 1\n...\n",
        """
m.yaml:3:1: a second document starts here
    ---
    ^^^
  Keep one schema to a file: delete the '---' or '...', or move what follows to another file.""",
    ),
    Case(
        "directive",
        "yaml-directive",
        "%YAML 1.1\n---\na: 1\n",
        "%YAML 1.2 # the one\n---\na: 1\n",
        """
m.yaml:1:1: the directive '%YAML 1.1' is not allowed
    %YAML 1.1
    ^^^^^^^^^
  Delete the line; a schema is read as YAML 1.2 without being told.""",
    ),
    Case(
        "directive_after_a_lone_carriage_return",
        "yaml-directive",
        "# x\r%TAG ! y\r---\ra: 1\r",
        "# x\r%YAML 1.2\r---\ra: 1\r",
        """
m.yaml:2:1: the directive '%TAG ! y' is not allowed
    %TAG ! y
    ^^^^^^^^
  Delete the line; a schema is read as YAML 1.2 without being told.""",
    ),
    Case(
        "merge_key",
        "merge-key",
        "a: &x {b: 1}\nc:\n  <<: *x\n  d: 2\n",
        "a: &x {b: 1}\nc:\n  '<<': *x\n  d: 2\n",
        """
m.yaml:3:3: the merge key << is not allowed
    <<: *x
    ^^
  Write the keys out; what is shared as a whole may be an alias: key: *name.""",
    ),
    Case(
        "keys",
        "plain-key",
        "? [a]\n: 1\n{b: 1}: 2\n: 3\n'': 4\ne: &x f\n*x : 5\n",
        "? a\n: 1\n'b': 2\n\"c\": 3\n0x10: 4\n",
        """
m.yaml:1:3: a list stands where a key should
    ? [a]
      ^^^
  Write one word, or one text in quotes, before the ':'.
m.yaml:3:1: a mapping stands where a key should
    {b: 1}: 2
    ^^^^^^
  Write one word, or one text in quotes, before the ':'.
m.yaml:4:1: nothing stands where a key should
    : 3
    ^
  Write one word, or one text in quotes, before the ':'.
m.yaml:5:1: an empty text stands where a key should
    '': 4
    ^^
  Write one word, or one text in quotes, before the ':'.
m.yaml:7:1: the alias '*x' stands where a key should
    *x : 5
    ^^
  Write one word, or one text in quotes, before the ':'.""",
    ),
    Case(
        "duplicates",
        "duplicate-key",
        'a: 1\nb: {c: 1, "c": 2}\na: 2\n',
        "a: 1\nb: {c: 1, C: 2}\nd: {a: 2}\n",
        """
m.yaml:2:11: the key 'c' stands twice in one mapping
    b: {c: 1, "c": 2}
              ^^^
  The first is at line 2, column 5. Keep one of them.
m.yaml:3:1: the key 'a' stands twice in one mapping
    a: 2
    ^
  The first is at line 1, column 1. Keep one of them.""",
    ),
    Case(
        "unknown_alias",
        "unknown-alias",
        "a: *x\nb: &x 1\n",
        "b: &x 1\na: *x\n",
        """
m.yaml:1:4: the alias '*x' names nothing above it
    a: *x
       ^^
  Write & and its name in front of a value above this line, or put the text in quotes.""",
    ),
    Case(
        "recursive_alias",
        "recursive-alias",
        "a: &x [1, {b: *x}]\n",
        "a: &x [1, {b: &y 2}]\nc: *y\n",
        """
m.yaml:1:15: the alias '*x' stands inside what it names
    a: &x [1, {b: *x}]
                  ^^
  Write out what is meant; a schema has a finite size.""",
    ),
    Case(
        "empty",
        "empty-file",
        "",
        "a:",
        """
m.yaml:1:1: the file holds no schema
  A schema starts with a line such as mission: first-light; `packetkit start` writes a whole one.""",
    ),
    Case(
        "only_comments",
        "empty-file",
        b"\xef\xbb\xbf# one\n---\n# two\n",
        b"\xef\xbb\xbf# one\n---\na: # two\n",
        """
m.yaml:1:1: the file holds no schema, only comments or marks
  A schema starts with a line such as mission: first-light; `packetkit start` writes a whole one.""",
    ),
    Case(
        "list_on_top",
        "top-level",
        "- a: 1\n",
        "b:\n- a: 1\n",
        """
m.yaml:1:1: the file holds a list; a schema is a mapping of keys to values
    - a: 1
    ^
  Start with a line such as mission: first-light.""",
    ),
    Case(
        "text_on_top",
        "top-level",
        "first light\n",
        "first light:\n",
        """
m.yaml:1:1: the file holds a text; a schema is a mapping of keys to values
    first light
    ^^^^^^^^^^^
  Start with a line such as mission: first-light.""",
    ),
    Case(
        "latin_1",
        "text-encoding",
        "mission: a\r\nunit: caf\u00e9\r\n".encode("latin-1"),
        "mission: a\r\nunit: caf\u00e9\r\n".encode(),
        """
m.yaml:2:10: byte 0xE9 at offset 21 is not UTF-8 (in Latin-1 it is \u00e9)
    unit: caf\ufffd
             ^
  Save the file as UTF-8 (in an editor: save with encoding, UTF-8).""",
    ),
    Case(
        "utf_16",
        "text-encoding",
        "a: 1\n".encode("utf-16"),
        "a: 1\n".encode("utf-8-sig"),
        """
m.yaml:1:1: the file is UTF-16; a schema is UTF-8
  Save the file as UTF-8 (in an editor: save with encoding, UTF-8).""",
    ),
    Case(
        "picture",
        "text-encoding",
        b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR",
        b"PNG: IHDR",
        """
m.yaml:1:1: byte 0x89 at offset 0 is not UTF-8
    \ufffdPNG
    ^
  The file holds NUL octets, so it is no text: is this the schema, and not a capture or a program?""",
    ),
    Case(
        "control_character",
        "unusable-character",
        "a: 1\nb: x\x1b[31m\n",
        'a: 1\nb: "x\\x1b[31m"\n',
        """
m.yaml:2:5: U+001B (a control character) cannot stand in a schema
    b: x?[31m
        ^
  Delete it, or write it as an escape in double quotes: "\\u001b".""",
    ),
    Case(
        "nul",
        "unusable-character",
        b"a: 1\nb: \x00\x01\n",
        b'a: 1\nb: "\\0\\x01"\n',
        """
m.yaml:2:4: U+0000 (a control character) cannot stand in a schema
    b: ??
       ^
  The file holds NUL octets, so it is no text: is this the schema, and not a capture or a program?""",
    ),
    Case(
        "mark_inside",
        "unusable-character",
        "a: \ufeffx\n",
        "\ufeffa: x\n",
        """
m.yaml:1:4: U+FEFF (a byte-order mark inside the text) cannot stand in a schema
    a: ?x
       ^
  Delete it, or write it as an escape in double quotes: "\\ufeff".""",
    ),
    Case(
        "half_a_pair",
        "unusable-character",
        'a: "\\ud83d\\ude00"\n',
        'a: "\\U0001f600"\n',
        """
m.yaml:1:4: \\ud83d is half of a surrogate pair, not a character
    a: "\\ud83d\\ude00"
       ^^^^^^^^^^^^^^
  Write the character itself, or \\U and its eight digits.""",
    ),
)

each_case = pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)


@each_case
def test_a_hostile_text_is_refused_with_its_message(case: Case) -> None:
    with pytest.raises(SchemaError) as caught:
        read(case.bad, "m.yaml")
    assert str(caught.value) == case.message.strip("\n")
    assert {problem.rule for problem in caught.value.problems} == {case.rule}


@each_case
def test_the_nearest_good_text_is_read(case: Case) -> None:
    assert read(case.good, "m.yaml").entries


# YAML 1.2.2, section 5.1, production 1 (c-printable): first and last of each range.
PRINTABLE = ("\x09\x0a\x0d", "\x20\x7e", "\x85", "\xa0\ud7ff", "\ue000\ufffd", "\U00010000\U0010ffff")
REFUSED_BESIDES = "\x85\u2028\u2029\ufeff"


def test_the_characters_of_a_schema_are_those_of_yaml_less_hidden_breaks_and_marks() -> None:
    edges = {ord(c) for edge in PRINTABLE for c in edge} | set(map(ord, REFUSED_BESIDES))
    for code in sorted({n for edge in edges for n in (edge - 1, edge, edge + 1) if n <= 0x10FFFF}):
        character = chr(code)
        allowed = any(edge[0] <= character <= edge[-1] for edge in PRINTABLE[1:]) or character in PRINTABLE[0]
        _, problems = parse(f"# {character}\na: 1\n", "m.yaml")
        refused = [problem.rule for problem in problems] == ["unusable-character"]
        assert refused == (not allowed or character in REFUSED_BESIDES), hex(code)


def test_every_row_of_the_parsers_sentences_is_met_by_a_case() -> None:
    def begins(row: Any) -> str:
        return str(row.summary.format(found="\0", opening="\0").partition("\0")[0])

    told = [case.message.partition(": ")[2] for case in CASES if case.rule in ("yaml-syntax", "tab")]
    for row in SYNTAX:
        assert any(text.startswith(begins(row)) for text in told), row.fragment


def test_a_sentence_that_no_row_knows_is_passed_on() -> None:
    mark = StringMark("m", 3, 1, 2, "a: 1\nb: 2", 7)
    told = explain(
        MarkedYAMLError(problem="a sentence of a later release", problem_mark=mark), ["a: 1", "b: 2"]
    )
    assert (told.line, told.column, told.rule) == (2, 3, "yaml-syntax")
    assert told.summary == "not readable as YAML: a sentence of a later release"


# ---- bounds, each at its edge and one beyond


def bytes_of(size: int) -> bytes:
    return b"a: 1 #".ljust(size, b"x")


def nested(depth: int) -> str:
    """A mapping with lists inside, `depth` collections deep."""
    return "a: " + "[" * (depth - 1) + "]" * (depth - 1)


def nodes(count: int) -> str:
    """A schema of exactly `count` nodes: the mapping, its key, the list, its entries."""
    return "a: [" + ",".join(["1"] * (count - 3)) + "]"


def bomb(levels: int) -> str:
    """Nine aliases to nine aliases to ...: 9**levels texts from a few hundred characters."""
    lines = ["a0: &a0 [" + ",".join(["x"] * 9) + "]"]
    lines += [f"a{n}: &a{n} [" + ",".join([f"*a{n - 1}"] * 9) + "]" for n in range(1, levels)]
    return "\n".join(lines)


def many_faults(count: int) -> str:
    return "a: 1\n" * (count + 1)


BOUNDS = (
    ("file-too-large", bytes_of, MAXIMUM_BYTES),
    ("too-deep", nested, MAXIMUM_DEPTH),
    pytest.param("too-many-nodes", nodes, MAXIMUM_NODES, marks=pytest.mark.slow),
)


@pytest.mark.parametrize(("rule", "build", "limit"), BOUNDS)
def test_a_bound_holds_at_its_edge_and_not_one_beyond(rule: str, build: Any, limit: int) -> None:
    assert read(build(limit), "m.yaml").entries
    with pytest.raises(SchemaError) as caught:
        read(build(limit + 1), "m.yaml")
    assert [problem.rule for problem in caught.value.problems] == [rule]


def test_nesting_a_thousand_deep_is_refused_where_it_passes_the_bound() -> None:
    assert refusal(nested(1000)) == (
        "m.yaml:1:67: mappings and lists nest more than 64 deep here\n"
        f"    ... {'[' * 68} ...\n"
        f"    {' ' * 26}^\n"
        "  Close some brackets, or indent less; no frame needs this."
    )


@pytest.mark.parametrize("opening", ["[", "{", "- ", "? ", "{a: ", "[\n", "- - ", "? - "])
def test_no_nesting_exhausts_the_stack(opening: str) -> None:
    assert "nest more than 64 deep" in refusal("a:\n " + opening * 50_000)


def test_an_alias_bomb_is_refused_before_it_grows() -> None:
    assert read(bomb(4), "m.yaml").entries  # 9**4 texts
    # a0 has 10 nodes and a1 to a3 have 91, 820 and 7,381: the sixth alias in a4 is the one too many.
    assert refusal(bomb(10)) == (
        "m.yaml:5:30: the alias '*a3' brings the schema to more than 50,000 nodes\n"
        "    a4: &a4 [*a3,*a3,*a3,*a3,*a3,*a3,*a3,*a3,*a3]\n"
        f"{' ' * 33}^^^\n"
        "  Every key, value, list and mapping is a node, and an alias counts as all it stands for."
    )


def test_a_message_stays_short_however_long_what_it_names() -> None:
    long = "x" * 100_000
    for text in (
        f"a: *{long}",
        f"a: &{long} [*{long}]",
        f"a: !{long} 1",
        f"%{long}",
        f"{long[:999]}: 1\n" * 2,
    ):
        assert len(refusal(text)) < 600


def test_the_depth_of_an_alias_counts_where_it_is_used() -> None:
    half = MAXIMUM_DEPTH // 2
    deep = f"a: &a {'[' * half}{']' * half}\n"
    assert read(f"{deep}b: {'[' * (half - 1)}*a{']' * (half - 1)}\n", "m.yaml").entries
    assert "nest more than 64 deep" in refusal(f"{deep}b: {'[' * half}*a{']' * half}\n")


@pytest.mark.slow
def test_ten_thousand_fields_are_refused_by_their_nodes() -> None:
    def fields(count: int) -> str:
        return "fields:\n" + "".join(f"- {{name: f{n}, bits: 8}}\n" for n in range(count))

    assert refusal(fields(10_000)).startswith("m.yaml:10001:10: the schema has more than 50,000 nodes\n")
    assert len(bare(read(fields(9_000), "m.yaml"))["fields"]) == 9_000


def test_reading_stops_at_a_hundred_problems_and_says_so() -> None:
    with pytest.raises(SchemaError) as caught:
        read(many_faults(5000), "m.yaml")
    problems = caught.value.problems
    assert [problem.rule for problem in problems] == ["duplicate-key"] * MAXIMUM_PROBLEMS + [
        "too-many-problems"
    ]
    assert str(problems[-1]) == "m.yaml:101:1: 100 problems up to here; the rest of the file was not read"
    assert len(parse(many_faults(MAXIMUM_PROBLEMS - 1), "m.yaml")[1]) == MAXIMUM_PROBLEMS - 1


def test_a_size_counts_bytes_whether_bytes_or_text_was_given() -> None:
    text = "a: " + "\u00e9" * (MAXIMUM_BYTES // 2)
    message = (
        "m.yaml:1:1: the file has more than 1,048,576 bytes, the most that a schema has\n"
        "  Is this the schema, and not a capture or a log? If it is, move generated parts out of it."
    )
    assert refusal(text) == refusal(text.encode()) == message


def test_every_rule_is_broken_by_a_test() -> None:
    bounds = {"file-too-large", "too-deep", "too-many-nodes", "too-many-problems"}
    broken = {case.rule for case in CASES} | bounds
    assert broken == set(RULES)


# ---- what survives


def test_all_problems_are_told_at_once_in_source_order() -> None:
    text = "a: 1\nb: !x 2\n? {c: 1, c: 2}\n: 3\n<<: 4\na: 5\nd: 'open\n"
    tree, problems = parse(text, "m.yaml")
    assert tree is None
    assert [(problem.position.line, problem.rule) for problem in problems] == [
        (2, "explicit-tag"),
        (3, "plain-key"),
        (3, "duplicate-key"),
        (5, "merge-key"),
        (6, "duplicate-key"),
        (7, "yaml-syntax"),
    ]


def test_a_tree_with_a_duplicate_or_a_tag_can_still_be_checked_further() -> None:
    tree, problems = parse("a: !x 1\nb: 2\na: 3\n", "m.yaml")
    assert tree is not None
    assert bare(tree) == {"a": "1", "b": "2"}
    assert [problem.rule for problem in problems] == ["explicit-tag", "duplicate-key"]


def test_a_tree_with_something_left_out_cannot_be_checked_further() -> None:
    for text in ("a: {<<: 1}\n", "[x]: 1\n", "a: *x\n", "a: 1\n%", "a: 'open\n"):
        tree, problems = parse(text, "m.yaml")
        assert tree is None, text
        assert problems, text


def test_scalar_text_is_kept_as_typed_and_quotes_are_told_apart() -> None:
    tree = read("a: 1/16\nb: '1/16'\nc: -60.0\nd: 0x1D0F\ne:\nf: ''\ng: |\n  x\n  y\nh: two\n  lines\n", "m")
    assert [
        (e.key.text, e.value.text, e.value.quoted) for e in tree.entries if isinstance(e.value, Scalar)
    ] == [
        ("a", "1/16", False),
        ("b", "1/16", True),
        ("c", "-60.0", False),
        ("d", "0x1D0F", False),
        ("e", "", False),
        ("f", "", True),
        ("g", "x\ny\n", True),
        ("h", "two lines", False),
    ]


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_places_count_from_one_at_the_value_whatever_ends_the_lines(ending: str, mark: str) -> None:
    text = "# \u00e9 \u4e16\nmission: tern\nb: [\u4e16\u4e16, {c: 'd e'}]\nk:\n- x\n"
    tree = read((mark + text.replace("\n", ending)).encode(), "m.yaml")
    mission, listed, last = (entry.value for entry in tree.entries)
    assert tree.position == Position(2, 1, "m.yaml")
    assert (mission.position, mission.excerpt, mission.width) == (
        Position(2, 10, "m.yaml"),
        "mission: tern",
        4,
    )
    assert (listed.position, listed.width) == (Position(3, 4, "m.yaml"), 16)
    assert isinstance(listed, Sequence)
    inner = listed.items[1]
    assert (inner.position, inner.width) == (Position(3, 9, "m.yaml"), 10)
    assert isinstance(inner, Mapping)
    assert (inner.entries[0].key.position, inner.entries[0].key.width) == (Position(3, 10, "m.yaml"), 1)
    assert (inner.entries[0].value.position, inner.entries[0].value.width) == (Position(3, 13, "m.yaml"), 5)
    assert (last.position, last.excerpt) == (Position(5, 1, "m.yaml"), "- x")


def test_an_absent_value_stands_after_its_colon() -> None:
    absent = value(read("a:\nb: 1\n", "m.yaml"), "a")
    assert str(problem_at(absent, "missing-value", "a value is missing", "Write one.", "frames.a")) == (
        "m.yaml:1:3: frames.a: a value is missing\n    a:\n      ^\n  Write one."
    )


def test_aliases_share_what_they_name() -> None:
    tree = read("a: &x {b: [1, 2]}\nc: *x\nd: &x 3\ne: *x\n", "m.yaml")
    assert bare(tree) == {"a": {"b": ["1", "2"]}, "c": {"b": ["1", "2"]}, "d": "3", "e": "3"}
    assert value(tree, "c") is value(tree, "a")


# Examples of YAML 1.2.2, chapter 2, from memory, cut to one document with a mapping on top; ruamel.yaml's own
# safe loader judges the structure. All values there are texts or written as their own text.
EXAMPLES = {
    "2.2 mapping scalars to scalars": (
        "hr:  65    # Home runs\navg: 0.278 # Batting average\nrbi: 147   # Runs Batted In\n"
    ),
    "2.3 mapping scalars to sequences": (
        "american:\n- Boston Red Sox\n- Detroit Tigers\n- New York Yankees\n"
        "national:\n- New York Mets\n- Chicago Cubs\n- Atlanta Braves\n"
    ),
    "2.6 mapping of mappings": (
        "Mark McGwire: {hr: 65, avg: 0.278}\nSammy Sosa: {\n    hr: 63,\n    avg: 0.288,\n }\n"
    ),
    "2.10 node repeated": (
        "---\nhr:\n- Mark McGwire\n# Following node labeled SS\n- &SS Sammy Sosa\n"
        "rbi:\n- *SS # Subsequent occurrence\n- Ken Griffey\n"
    ),
    "2.16 indentation determines scope": (
        "name: Mark McGwire\naccomplishment: >\n  Mark set a major league\n  home run record in 1998.\n"
        "stats: |\n  65 Home Runs\n  0.278 Batting Average\n"
    ),
    "2.17 quoted scalars": (
        'unicode: "Sosa did fine.\\u263A"\ncontrol: "\\b1998\\t1999\\t2000\\n"\n'
        'hex esc: "\\x0d\\x0a is \\r\\n"\n\n'
        "single: '\"Howdy!\" he cried.'\nquoted: ' # Not a ''comment''.'\ntie-fighter: '|\\-*-/|'\n"
    ),
    "2.18 multi-line flow scalars": (
        'plain:\n  This unquoted scalar\n  spans many lines.\n\nquoted: "So does this\n  quoted scalar.\\n"\n'
    ),
}


@pytest.mark.parametrize("name", EXAMPLES)
def test_examples_of_the_yaml_specification_have_the_structure_that_the_safe_loader_gives(name: str) -> None:
    def texts(thing: Any) -> Any:
        if isinstance(thing, dict):
            return {str(key): texts(item) for key, item in thing.items()}
        return [texts(item) for item in thing] if isinstance(thing, list) else str(thing)

    judged = YAML(typ="safe", pure=True).load(io.StringIO(EXAMPLES[name]))
    assert bare(read(EXAMPLES[name], "m.yaml")) == texts(judged)


def test_the_parser_is_imported_only_when_a_schema_is_read() -> None:
    script = (
        "import sys, packetkit.schema.text as t; assert 'ruamel.yaml' not in sys.modules;"
        "assert 'difflib' not in sys.modules; t.read('a: 1', 'm'); assert 'ruamel.yaml' in sys.modules"
    )
    subprocess.run([sys.executable, "-c", script], check=True)
