"""Records that go through CSV or JSON lines come back exactly, and no text makes a reader raise."""

from __future__ import annotations

import csv as stdlib_csv
import json
import random
from functools import cache
from io import StringIO

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import packetkit
from packetkit.captures.stream import Good
from packetkit.codec import cells
from packetkit.conformance import draw
from packetkit.errors import EncodeError
from packetkit.export import columns, csv, jsonl
from packetkit.mission.load import Mission
from packetkit.resources import resource

# Invented: what makes cells hard to turn back into a record, in one frame.
NESTED = """
mission: nested
frames:
  a:
    fields:
      - {name: offset, bits: 6, signed: true, missing: true}
      - {name: on, kind: flag}
      - {name: mood, bits: 3, states: {0: "=1+1", 1: "'quoted'", 2: "a, \\"b\\"", 3: "-7", 4: " spaced ", 5: "true", 6: "é…"}}
      - {name: n, kind: count, bits: 3}
      - {name: k, kind: count, bits: 2}
      - {name: ratio, kind: float, bits: 64, missing: true}
      - {name: wide, bits: 64}
      - name: rows
        repeat: {count: n}
        group:
          - {name: m, kind: count, bits: 2}
          - {name: cells, repeat: {count: m}, bits: 5, missing: true}
          - {name: share, minimum: 0, maximum: 1, resolution: 0.1, missing: true}
      - {name: extra, present_when: on, bits: 7, missing: true}
      - name: fix
        present_when: {mood: ["-7", " spaced "]}
        group:
          - {name: x, bits: 4, missing: true}
          - {name: y, bits: 4, missing: true}
      - {name: many, present_when: {n: [2, 3]}, group: [{name: z, bits: 4, missing: true}]}
      - {name: tens, repeat: {count: k}, scale: 10, bits: 9, missing: true}
      - {name: pairs, repeat: 2, bits: 3, missing: true}
      - {kind: reserved, up_to: byte}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""
TO_END = """
mission: log
frames:
  a: {fields: [{name: x, bits: 8}, {name: y, repeat: {to_end: true}, bits: 16, missing: true}]}
"""
NAMES = ("nested", "to the end", "first-light", "plover", "heron")
EACH = pytest.mark.parametrize("name", NAMES)


@cache
def mission(name: str) -> Mission:
    text = {"nested": NESTED, "to the end": TO_END, "words": WORDS}.get(name)
    return packetkit.parse(text or resource(f"schemas/{name}.yaml").read_bytes())


def events(made: Mission, seed: int) -> list[tuple[Good, Good]]:
    """One good frame of each kind, drawn at random: in plain form, and in detail."""
    found = []
    for frame in made.frames.values():
        data = frame.encode(draw.record(frame.layout, random.Random(seed)))
        plain, detail = frame.decode(data), frame.decode(data, detail=True)
        found.append((Good(frame.name, 0, data, plain), Good(frame.name, 0, data, detail)))
    return found


def encodes_back(made: Mission, event: Good) -> bool:
    """Whether the plain record has all that the bytes say: codes without a value of their own are only in detail."""
    try:
        return made.frames[event.frame].encode(event.record) == event.data
    except EncodeError:
        return False


def exact(value: object) -> str:
    """A value as text that tells 1 from 1.0 and True, and 0.1 from its neighbour."""
    return repr(value)


@EACH
@settings(max_examples=40)
@given(seed=st.integers(0, 10**6))
def test_a_record_comes_back_from_its_cells_exactly(name: str, seed: int) -> None:
    made = mission(name)
    for event, _ in events(made, seed):
        most: dict[int, int] = {}
        cells.longest_lists(made.layouts[event.frame], event.record, most)
        if not encodes_back(made, event):
            continue
        for sheet in (csv.Sheet(made.layouts, {event.frame: most}), csv.Sheet(made.layouts)):
            if name == "to the end" and not sheet.sheet._most:
                continue  # has no columns for a list without bound
            text = sheet.header() + sheet.row(event)
            (entry,) = csv.read(text, made.layouts)
            assert isinstance(entry, columns.Given), entry
            assert (entry.line, entry.frame) == (2, event.frame)
            assert made.frames[event.frame].encode(entry.record) == event.data
            left = {
                key for key, value in event.record.items() if key not in entry.record and value is not None
            }
            assert not left
            assert all(exact(value) == exact(event.record[key]) for key, value in entry.record.items())


@EACH
@settings(max_examples=40)
@given(seed=st.integers(0, 10**6))
def test_a_record_comes_back_from_its_json_line_exactly(name: str, seed: int) -> None:
    made = mission(name)
    for event, detail in events(made, seed):
        text = jsonl.text_of(jsonl.line_of(detail, made.layouts))
        assert text.isascii() and text.count("\n") == 1
        (entry,) = jsonl.read(text, made.layouts)
        assert isinstance(entry, columns.Given)
        assert exact(entry.record) == exact(event.record)
        text = jsonl.text_of(jsonl.line_of(detail, made.layouts, detail=True))
        (entry,) = jsonl.read(text, made.layouts)
        assert isinstance(entry, columns.Given)
        assert made.frames[event.frame].encode(entry.record) == event.data  # detail keeps every bit


@EACH
@settings(max_examples=40)
@given(seed=st.integers(0, 10**6))
def test_titles_and_cells_stand_in_the_same_order_and_lead_back(name: str, seed: int) -> None:
    made = mission(name)
    for event, _ in events(made, seed):
        layout = made.layouts[event.frame]
        most: dict[int, int] = {}
        cells.longest_lists(layout, event.record, most)
        paths = cells.titles(layout, most)
        held = list(cells.cells(layout, event.record, most))
        assert [cell.path for cell in held] == paths and len(set(paths)) == len(paths)
        assert all(columns.place(layout, path) is not None for path in paths)
        assert [cell.slot for cell in held if cell.slot is not None] == [
            columns.place(layout, cell.path) for cell in held if cell.slot is not None
        ]


@EACH
@settings(max_examples=40)
@given(
    text=st.one_of(
        st.text(alphabet="abxy0123456789.,\"\n[]{}:-+=eE '", max_size=60),
        st.text(max_size=40),
        st.lists(
            st.sampled_from(["x", "y[0]", "n", "on", "rows[1].cells[2]", "1e999", "-0", "", "true", "frame"])
        ).map(",".join),
    ),
)
def test_any_text_gives_entries_and_never_an_exception(name: str, text: str) -> None:
    made = mission(name)
    titles = ",".join(cells.titles(next(iter(made.layouts.values())))[:5])
    for one in (text, f"{titles}\n{text}"):
        for entry in [*csv.read(one, made.layouts), *jsonl.read(one, made.layouts)]:
            if isinstance(entry, columns.Given):
                try:
                    made.frames[entry.frame].encode(entry.record)
                except EncodeError:
                    continue


@settings(max_examples=100)
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=5),
        st.lists,
        max_leaves=10,
    )
)
def test_any_json_line_is_an_entry(value: object) -> None:
    made = mission("nested")
    for line in (
        json.dumps(value),
        json.dumps({"offset": value}),
        json.dumps({"frame": value, "values": value}),
    ):
        (entry,) = jsonl.read(line, made.layouts)
        assert isinstance(entry, (columns.Given, columns.Refused))


# Invented: texts of any characters, of given ones, and as digits of one number, each of which may be all there is in a cell.
WORDS = """
mission: words
frames:
  a:
    fields:
      - {name: call, kind: radix_text, bits: 8, length: 3, characters: "ABC ,'"}
      - {name: said, kind: text, encoding: utf_8, length: rest}
"""


@settings(max_examples=60)
@given(
    said=st.text(
        st.sampled_from(" \t\r\n\"',;=aé\x85\u3000\x1c\ufeff") | st.characters(codec="utf-8"), max_size=20
    ),
    call=st.text("ABC ,'", min_size=3, max_size=3),
)
def test_any_text_that_a_field_can_hold_comes_back_from_csv(said: str, call: str) -> None:
    made = mission("words")
    said = said.replace("\0", "")  # Python 3.10's reader of CSV refuses it
    data = made.frames["a"].encode({"said": said, "call": call})
    sheet = csv.Sheet(made.layouts)
    text = sheet.header() + sheet.row(Good("a", 0, data, made.decode(data)[1]))
    (entry,) = csv.read(text, made.layouts)
    assert isinstance(entry, columns.Given), entry
    assert made.frames["a"].encode(entry.record) == data
    # An independent reader (RFC 4180, section 2, rules 5 to 7).
    _, row = stdlib_csv.reader(StringIO(text, newline=""), strict=True)
    assert row[-1] in (said, "'" + said)


@pytest.mark.parametrize(
    ("value", "cell"),
    [("a\rb", '"a\rb"'), (" a", '" a"'), ("a ", '"a "'), ("\rq", '"\'\rq"'), ("a;b", "a;b"), ("", "")],
)
def test_a_cell_stands_in_quotes_where_a_reader_would_lose_some_of_it(value: str, cell: str) -> None:
    assert csv.line(["x", value]) == f"x,{cell}\n"
