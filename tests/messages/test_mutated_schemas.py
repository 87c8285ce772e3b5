"""Good schemas, spoilt at random: each is still a mission, or is refused by known rules at places in its text.

The shipped missions and one sketch are taken apart into keys, lists and texts; some of these are dropped,
doubled, swapped or replaced by words of the language, names of the schema, shapes and numbers out of all
proportion; and the rest is written down again. Whatever comes out may be asked of a user's file on a bad day.
"""

from __future__ import annotations

import json
import re
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any, TypeAlias

from hypothesis import given, settings
from hypothesis import strategies as st

from packetkit.errors import Problem, SchemaError
from packetkit.layout.model import Layout, Run
from packetkit.mission.load import Mission, parse
from packetkit.schema.field_keys import CRC_KEYS, FIELD_KEYS, ROLES
from packetkit.schema.kinds import KINDS
from packetkit.schema.mission_keys import (
    CHIRP_KEYS,
    END_KEYS,
    FRAME_KEYS,
    LINK_KEYS,
    MISSION_KEYS,
    PART_KEYS,
    PASSES_KEYS,
)
from packetkit.schema.presets import PRESETS
from packetkit.schema.rules import RULES
from packetkit.schema.text import Mapping, Node, Scalar, read
from tests.missions import SURVEY

SCHEMAS = Path(__file__).resolve().parents[2] / "schemas"
# And one with the rest of them.
WIRE = """\
mission: dotterel
frames:
  log:
    strict: true
    last_byte: zero_filled
    fields:
      - {name: tag, kind: tag, bits: 8, code: [1, {from: 4, to: 6}]}
      - {name: trouble, flags: [clipped, cold, {name: level, bits: 6}]}
      - name: words
        word_bits: 16
        order: little
        group: [{name: a, bits: 3}, {name: b, bits: 7}, {name: c, bits: 6}]
      - name: low
        packing: least_significant_first
        group: [{name: d, bits: 12, at_least: 4095}, {name: e, bits: 4, minimum: 1, maximum: 9, scale: 1}]
      - {name: f, kind: float, bits: 32, order: little, minimum: -5, maximum: 1e3, default: 1/2, missing: true}
      - {name: g, minimum: -4, maximum: 4, bits: 8, out_of_range: clamp, flag: trouble.clipped}
      - {name: h, bits: 10, signed: true, missing: [{code: -512, reason: off}, {from: 500, to: 511}]}
      - {name: near, kind: check, algorithm: FLETCHER-16, covers: {from: tag, to: h, except: [g]}, fill: zero}
      - {name: i, bits: 5, repeat: 3, present_when: {trouble.level: [1, {from: 3, to: 9}]}}
      - {kind: reserved, up_to: word_16, strict: false}
      - name: far
        kind: check
        algorithm: {width: 16, polynomial: 0x1021, initial: 0xFFFF, reflect_in: false}
        covers: whole_frame
        self: skip
        stored: low_octet_first
      - {name: k, bits: 16, repeat: {to_end: true, maximum: 20}}
"""

Tree: TypeAlias = "str | list[Tree] | Pairs"


class Pairs(list[tuple[str, Any]]):
    """A mapping as its entries, so that a key may stand twice."""


def tree_of(node: Node) -> Tree:
    if isinstance(node, Scalar):
        return node.text
    if isinstance(node, Mapping):
        return Pairs((entry.key.text, tree_of(entry.value)) for entry in node.entries)
    return [tree_of(item) for item in node.items]


@lru_cache(1)
def sources() -> tuple[str, ...]:
    shipped = sorted(SCHEMAS.glob("*.yaml"))
    assert len(shipped) >= 3
    return (*(path.read_text(encoding="utf-8") for path in shipped), SURVEY, WIRE)


PLAIN = re.compile(r"[A-Za-z0-9_./+-][A-Za-z0-9_./+ -]*(?<! )\Z")


def written(tree: Tree, indent: str = "") -> str:
    """The tree as YAML, lists and mappings of more than one level on lines of their own."""
    if isinstance(tree, str):
        return tree if PLAIN.match(tree) and not tree.startswith("- ") else json.dumps(tree)
    if not tree:
        return "{}" if isinstance(tree, Pairs) else "[]"
    if isinstance(tree, Pairs):
        parts = [f"{written(key)}: {written(value, indent + '  ')}" for key, value in tree]
        return "{" + f",\n{indent} ".join(parts) + "}"
    return "[" + f",\n{indent} ".join(written(item, indent + "  ") for item in tree) + "]"


WORDS = sorted(
    {
        *MISSION_KEYS,
        *FRAME_KEYS,
        *FIELD_KEYS,
        *LINK_KEYS,
        *END_KEYS,
        *CHIRP_KEYS,
        *PASSES_KEYS,
        *(word for table in PART_KEYS.values() for word in table),
        *CRC_KEYS,
        *KINDS,
        *ROLES,
        *PRESETS,
        *(choice for key in (*FIELD_KEYS.values(), *FRAME_KEYS.values()) for choice in key.choices),
        "from",
        "to",
        "count",
        "to_end",
        "everything_before",
        "whole_frame",
        "reason",
        "except",
        "true",
        "false",
        "yes",
        "SUM-8",
        "XOR-8",
        "CRC-5/USB",
        "CRC-82/DARC",
        "LRC",
        "2030-01-31T00:00:00Z",
    }
)
NUMBERS = ("0", "1", "-1", "2", "3", "7", "8", "12", "16", "63", "64", "65", "255", "256", "65535", "65536")
ODD = (
    "1/3",
    "-0.5",
    "0.1",
    "1e-60",
    "-1e60",
    "1e60",
    "0x" + "f" * 40,
    "9" * 41,
    "1e999",
    "1/0",
    ".nan",
    "~",
    "",
    " ",
)
SHAPES: tuple[Tree, ...] = (
    [],
    Pairs(),
    ["1", "2"],
    ["a", "b"],
    Pairs([("from", "3"), ("to", "1")]),
    Pairs([("code", "9"), ("reason", "off")]),
    Pairs([("count", "held")]),
    Pairs([("to_end", "true")]),
    Pairs([("kind", "reserved"), ("up_to", "byte")]),
    [Pairs([("name", "x"), ("bits", "4")])],
)


def places(tree: Tree) -> list[tuple[Any, int]]:
    """Every list or mapping in the tree with each index into it."""
    if isinstance(tree, str):
        return []
    found: list[tuple[Any, int]] = []
    for index, item in enumerate(tree):
        found.append((tree, index))
        value: Any = item[1] if isinstance(tree, Pairs) else item
        found += places(value)
    return found


def copied(tree: Tree) -> Tree:
    if isinstance(tree, str):
        return tree
    if isinstance(tree, Pairs):
        return Pairs((key, copied(value)) for key, value in tree)
    return [copied(item) for item in tree]


def value_at(parent: Any, index: int) -> Tree:
    value: Tree = parent[index][1] if isinstance(parent, Pairs) else parent[index]
    return value


def put(parent: Any, index: int, value: Tree) -> None:
    parent[index] = (parent[index][0], value) if isinstance(parent, Pairs) else value


@st.composite
def mutated(draw: st.DrawFn) -> str:
    """The text of a good schema with one to four things changed."""
    source = sources()[draw(st.integers(0, len(sources()) - 1))]
    tree = tree_of(read(source, ""))
    names = sorted(set(re.findall(r"name: ([a-z_]+)", source)))
    replacements = st.one_of(
        st.sampled_from(NUMBERS),
        st.sampled_from(ODD),
        st.sampled_from(WORDS),
        st.sampled_from(names),
        st.sampled_from(SHAPES).map(copied),
        st.text(max_size=8),
    )
    for _ in range(draw(st.integers(1, 4))):
        everywhere = places(tree)
        if not everywhere:
            break
        parent, index = everywhere[draw(st.integers(0, len(everywhere) - 1))]
        other, there = everywhere[draw(st.integers(0, len(everywhere) - 1))]
        what = draw(
            st.sampled_from(("drop", "double", "replace", "replace", "swap", "move", "rename", "add"))
        )
        if what == "drop":
            del parent[index]
        elif what == "double":
            parent.insert(draw(st.integers(0, len(parent))), copied_entry(parent, index))
        elif what == "replace":
            put(parent, index, draw(replacements))
        elif what == "swap":
            first, second = copied(value_at(parent, index)), copied(value_at(other, there))
            put(parent, index, second)
            put(other, there, first)
        elif what == "move":
            put(parent, index, copied(value_at(other, there)))
        elif isinstance(parent, Pairs):
            key = draw(st.sampled_from(WORDS))
            entry = (key, parent[index][1]) if what == "rename" else (key, draw(replacements))
            parent[index : index + (what == "rename")] = [entry]
        else:
            parent.insert(index, draw(replacements))
        if len(places(tree)) > 3_000:  # copies of copies
            break
    return written(tree)


def copied_entry(parent: Any, index: int) -> Any:
    if isinstance(parent, Pairs):
        return (parent[index][0], copied(parent[index][1]))
    return copied(parent[index])


def test_the_writer_keeps_the_meaning_of_what_it_writes() -> None:
    for source in sources():
        again = written(tree_of(read(source, "")))
        assert tree_of(read(again, "")) == tree_of(read(source, ""))
        assert parse(again).fingerprint == parse(source).fingerprint


@settings(max_examples=250)
@given(mutated())
def test_a_spoilt_schema_is_a_mission_or_is_refused_by_known_rules_at_places_in_its_text(text: str) -> None:
    found = read_or_refused(text)
    if isinstance(found, Mission):
        assert_hangs_together(found)
        return
    lines = re.split(r"\r\n|\r|\n", text)
    assert found
    assert list(found) == sorted(found, key=lambda problem: problem.position)
    for problem in found:
        assert problem.rule in RULES
        assert problem.summary.strip() and "\n" not in problem.summary
        assert 1 <= problem.position.line <= len(lines)
        assert 1 <= problem.position.column <= len(lines[problem.position.line - 1]) + 2
        assert problem.excerpt in ("", lines[problem.position.line - 1])
        assert all(line.isprintable() for line in str(problem).splitlines())
        named, meant = (
            re.search("'(.*?)'", problem.summary),
            re.search("Did you mean (.*?)[?]", problem.remedy),
        )
        assert not named or not meant or named[1] != meant[1]


def read_or_refused(text: str) -> Mission | tuple[Problem, ...]:
    try:
        return parse(text, "spoilt.yaml")
    except SchemaError as error:
        return error.problems


def assert_hangs_together(mission: Mission) -> None:
    """What every layout promises, whatever schema it came from."""
    assert mission.fingerprint
    for layout in mission.layouts.values():
        assert [slot.number for slot in layout.slots] == list(range(len(layout.slots)))
        assert [node.number for node in layout.walk()] == sorted({node.number for node in layout.walk()})
        assert layout.minimum_bits % 8 == 0 and (layout.maximum_bits or 0) % 8 == 0
        assert layout.maximum_bits is None or layout.minimum_bits <= layout.maximum_bits
        assert_slots_hang_together(layout)


def assert_slots_hang_together(layout: Layout) -> None:
    for run in layout.walk():
        if isinstance(run, Run):
            assert sum(slot.width for slot in run.slots) == run.size_bits
    for slot in layout.slots:
        low, high = slot.raw_limits
        assert 1 <= slot.width <= 65_535
        assert all(low <= one.low <= one.high <= high for one in (*slot.legal, *slot.codes))
        assert all(a.high < b.low for a, b in pairwise(slot.legal))
        assert all(low <= one.low <= one.high <= high for one in slot.specials if slot.kind != "float")
        taken = sorted(
            [(one.low, one.high) for one in slot.legal] + [(one.low, one.high) for one in slot.specials]
        )
        assert all(a[1] < b[0] for a, b in pairwise(taken))
        assert slot.policy != "missing" or slot.missing_code is not None
        if slot.default is not None:
            assert low <= slot.default <= high
    assert set(layout.check_order) == {slot.number for slot in layout.slots if slot.check is not None}
