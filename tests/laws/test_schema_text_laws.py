"""Any bytes give a tree or a SchemaError; what other writers wrote is read back equal; numbers are exact."""

from __future__ import annotations

import io
import json
import re
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st
from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from packetkit.errors import SchemaError
from packetkit.schema.text import MAXIMUM_PROBLEMS, Entry, Mapping, Node, Scalar, Sequence, parse, read
from packetkit.schema.words import format_number, parse_number

# ---- anything at all

# What means something to a YAML parser, and a few characters that mean nothing.
PIECES = [
    *"{}[],:-?&*!|>'\"%@`#\\ \n\t\r.~<=ab01/",
    *(
        "\n  ",
        "\n- ",
        ": ",
        "---",
        "...",
        "%YAML 1.2\n",
        "%TAG",
        "<<: ",
        "!<",
        "&a ",
        "*a",
        "\\U",
        "\\ud800",
        "\r\n",
    ),
    *("\x00", "\x85", "\u2028", "\ufeff", "\u00e9", "\U0001f600", "\ud800"),
]
GOOD = (
    "mission: a\nframes:\n  b:\n    fields:\n      - {name: x, bits: 8}\n"
    "      - name: &n y\n        unit: 'm'\n"
)


def told_or_read(data: bytes | str) -> None:
    """Read, and hold the promises that are made about any input."""
    tree, problems = parse(data, "any")
    assert tree is not None or problems
    assert len(problems) <= MAXIMUM_PROBLEMS + 1
    assert list(problems) == sorted(problems, key=lambda problem: problem.position)
    assert all(problem.position.line >= 1 and problem.position.column >= 1 for problem in problems)
    rendered = str(SchemaError(problems))
    assert all(line.isprintable() for line in rendered.split("\n"))
    if problems:
        with pytest.raises(SchemaError, match=re.escape(str(problems[0]))):
            read(data, "any")
    else:
        assert read(data, "any") == tree


@given(st.binary(max_size=200))
@example(b"\xff\xfea\x00")
@example(b"\x00")
@example(b"a: \xed\xa0\x80")
def test_any_bytes_give_a_tree_or_a_schema_error(data: bytes) -> None:
    told_or_read(data)


@given(st.lists(st.sampled_from(PIECES), max_size=40).map("".join))
@example('a: "\\UFFFFFFFF"')
@example("a: !%25 1")
@example("# \r%YAML 1." + "9" * 5000)
def test_any_pieces_of_yaml_give_a_tree_or_a_schema_error(text: str) -> None:
    told_or_read(text)


@given(st.lists(st.tuples(st.integers(0, len(GOOD)), st.integers(0, 3), st.sampled_from(PIECES)), max_size=4))
def test_any_damage_to_a_good_schema_gives_a_tree_or_a_schema_error(cuts: list[tuple[int, int, str]]) -> None:
    text = GOOD
    for at, width, piece in cuts:
        text = text[:at] + piece + text[at + width :]
    told_or_read(text)


# ---- what others wrote

# What stands in a schema unescaped: printable, and no line break that only some programs see.
TEXTS = st.text(
    st.characters(
        codec="utf-8", exclude_categories=("Cc", "Cs", "Zl", "Zp", "Cn"), exclude_characters="\ufeff\x85"
    ),
    max_size=20,
)
LEAVES = st.one_of(TEXTS, st.integers(-(10**12), 10**12), st.booleans(), st.none())
KEYS = TEXTS.filter(bool)
DATA = st.dictionaries(
    KEYS,
    st.recursive(
        LEAVES,
        lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS, inner, max_size=4),
        max_leaves=20,
    ),
    min_size=1,
    max_size=5,
)


def same(node: Node, data: Any) -> bool:
    """Whether the tree says what the data says; a text must be told apart from what it looks like."""
    if isinstance(data, dict):
        assert isinstance(node, Mapping)
        entries = {entry.key.text: entry.value for entry in node.entries}
        return entries.keys() == data.keys() and all(same(entries[key], data[key]) for key in data)
    if isinstance(data, list):
        assert isinstance(node, Sequence)
        return len(node.items) == len(data) and all(map(same, node.items, data))
    assert isinstance(node, Scalar)
    if isinstance(data, str):
        looks_special = node.text in ("", "null", "~", "true", "false") or isinstance(
            parse_number(node.text), Fraction
        )
        return node.text == data and (node.quoted or not looks_special)
    if data is None:
        return not node.quoted and node.text in ("", "null")
    written = str(data).lower() if isinstance(data, bool) else str(data)
    return not node.quoted and node.text == written


def loaded(text: str) -> Any:
    """What the safe loader reads; it stumbles over texts that its own dumper leaves bare, such as `?a` in braces."""
    try:
        return YAML(typ="safe", pure=True).load(text)
    except YAMLError:
        return None


@given(DATA, st.booleans(), st.sampled_from([2, 4]))
def test_what_the_safe_dumper_wrote_is_read_back(data: dict[str, Any], flow: bool, indent: int) -> None:
    yaml = YAML(typ="safe", pure=True)
    yaml.default_flow_style = flow
    yaml.indent = indent
    stream = io.StringIO()
    yaml.dump(data, stream)
    text = stream.getvalue()
    assume(loaded(text) == data)
    assert same(read(text, "any"), data), text


@given(DATA, st.sampled_from([None, 1, 2]))
def test_json_is_read_as_the_yaml_that_it_is(data: dict[str, Any], indent: int | None) -> None:
    assert same(read(json.dumps(data, ensure_ascii=False, indent=indent), "any"), data)


def scalars(node: Node) -> list[Scalar]:
    if isinstance(node, Scalar):
        return [node]
    if isinstance(node, Sequence):
        return [scalar for item in node.items for scalar in scalars(item)]
    return [scalar for entry in node.entries for scalar in (entry.key, *scalars(entry.value))]


@given(DATA, st.booleans())
def test_every_place_points_at_the_text_that_was_read(data: dict[str, Any], flow: bool) -> None:
    yaml = YAML(typ="safe", pure=True)
    yaml.default_flow_style = flow
    stream = io.StringIO()
    yaml.dump(data, stream)
    lines = stream.getvalue().split("\n")
    for scalar in scalars(read(stream.getvalue(), "any")):
        line, at = scalar.excerpt, scalar.position.column - 1
        assert line == lines[scalar.position.line - 1]
        meant = line[at : at + scalar.width]
        if scalar.quoted:
            assert meant[0] in "'\"|>"
        elif " " not in scalar.text:  # a text with spaces may go on in the next line
            assert meant == scalar.text


@given(DATA)
def test_no_key_stands_twice_in_a_tree(data: dict[str, Any]) -> None:
    text = json.dumps(data, ensure_ascii=False)
    tree, problems = parse("{" + text[1:-1] + ", " + text[1:-1] + "}", "any")
    assert tree is not None
    assert same(tree, data)
    assert [problem.rule for problem in problems] == ["duplicate-key"] * len(data)
    assert all(isinstance(entry, Entry) for entry in tree.entries)


# ---- numbers, judged by the standard library

SIGNS = st.sampled_from(["", "+", "-"])
DIGITS = st.text("0123456789", min_size=1, max_size=20)


def without_leading_zeros(digits: str) -> str:
    return digits.lstrip("0") or "0"


@given(
    SIGNS,
    DIGITS.map(without_leading_zeros),
    st.none() | st.text("0123456789", max_size=20),
    st.none() | st.integers(-60, 60),
)
def test_a_decimal_is_what_the_standard_library_reads(
    sign: str, whole: str, part: str | None, exponent: int | None
) -> None:
    text = sign + whole + ("" if part is None else "." + part) + ("" if exponent is None else f"e{exponent}")
    assert parse_number(text) == Fraction(Decimal(text))


@given(
    SIGNS,
    DIGITS.map(without_leading_zeros),
    DIGITS.map(without_leading_zeros).filter(lambda text: text != "0"),
)
def test_a_ratio_is_what_the_standard_library_reads(sign: str, over: str, under: str) -> None:
    assert parse_number(f"{sign}{over}/{under}") == Fraction(f"{sign}{over}/{under}")


@given(SIGNS, st.text("0123456789abcdefABCDEF", min_size=1, max_size=40))
def test_hexadecimal_is_what_the_standard_library_reads(sign: str, digits: str) -> None:
    assert parse_number(f"{sign}0x{digits}") == int(f"{sign}{digits}", 16)


@given(st.text("0123456789+-.eE/x_ af", max_size=12))
def test_whatever_is_read_as_a_number_is_one_to_the_standard_library_too(text: str) -> None:
    number = parse_number(text)
    if isinstance(number, str):
        assert number.isprintable()
    elif "x" in text:
        assert number == int(text, 16)
    else:
        assert number == Fraction(text)


LONGEST = 10**40 - 1
WHOLE = st.integers(-LONGEST, LONGEST)
ANY_NUMBER = st.one_of(
    st.fractions(-(10**12), 10**12, max_denominator=10**12),
    st.builds(lambda mantissa, exponent: mantissa * Fraction(10) ** exponent, WHOLE, st.integers(-60, 60)),
    st.builds(Fraction, WHOLE, st.integers(1, LONGEST)),
    st.integers(-(16**40) + 1, 16**40 - 1).map(Fraction),
    st.floats(-1e12, 1e12).map(repr).map(parse_number).filter(lambda number: isinstance(number, Fraction)),
)


@given(ANY_NUMBER)
@example(Fraction(10**40 - 1, 10**99))
@example(Fraction(10**100 - 10**60))
@example(Fraction(1, 2**100))
def test_a_written_number_is_read_back_exactly(number: Fraction) -> None:
    text = format_number(number)
    assert parse_number(text) == number
    if "x" not in text:
        assert Fraction(text) == number
