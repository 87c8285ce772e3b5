"""CSV and JSON lines to the letter; that records come back is in tests/laws/test_record_files_laws.py."""

from __future__ import annotations

import csv as standard
import io
import json

import pytest

import packetkit
from packetkit.captures.stream import Failed, Good
from packetkit.codec import cells
from packetkit.errors import EncodeError
from packetkit.export import columns, csv, jsonl
from packetkit.export import sheet as sheets
from packetkit.export.columns import Given, LeftOut, Refused
from packetkit.mission.load import Mission

# Invented.
MISSION = """
mission: tern
frames:
  a:
    fields:
      - {name: tag, kind: tag, bits: 8, code: 1}
      - {name: mood, bits: 2, states: {0: "=HYPERLINK(1)", 1: calm, 2: "a,b", 3: "'so'"}}
      - {name: on, kind: flag}
      - {name: spare, kind: reserved, bits: 5}
      - {name: level, bits: 8, signed: true, scale: 1/2, missing: [{code: -128, reason: no_probe}, {code: -127, reason: saturated}]}
      - {name: big, bits: 64}
      - {name: n, kind: count, bits: 8, maximum: 3}
      - {name: list, repeat: {count: n}, group: [{name: x, bits: 8, missing: true}]}
      - {name: twice, repeat: 2, bits: 8}
  b:
    fields:
      - {name: tag, kind: tag, bits: 8, code: 2}
      - {name: level, bits: 16, scale: 10, default: 30}
"""


@pytest.fixture(scope="module")
def tern() -> Mission:
    return packetkit.parse(MISSION)


def a_record(**changes: object) -> dict[str, object]:
    return {
        "mood": "calm",
        "on": True,
        "level": 20.0,
        "big": 2**64 - 1,
        "list": [{"x": 1}, {"x": None}],
        "twice": [0, 255],
        **changes,
    }


def good(made: Mission, name: str, record: dict[str, object], *, detail: bool = False) -> Good:
    data = made.frames[name].encode(record)
    return Good(name, 7, data, made.frames[name].decode(data, detail=detail))


HEADER = "frame,offset,ok,reason,mood,on,level,big,list,list[0].x,list[1].x,list[2].x,twice[0],twice[1]\n"


def test_a_row_of_csv_is_what_a_spreadsheet_and_the_standard_library_read(tern: Mission) -> None:
    sheet = csv.Sheet(tern.layouts)
    assert sheet.header() == HEADER
    # 20.0 keeps its point, 2**64 - 1 all its digits, None is empty; a list says how many elements it has.
    assert (
        sheet.row(good(tern, "a", a_record()))
        == "a,7,true,,calm,true,20.0,18446744073709551615,2,1,,,0,255\n"
    )
    assert sheet.row(good(tern, "b", {})) == "b,7,true,,,,30,,,,,,,\n"
    assert sheet.row(Failed("b", 9, b"\x02", "truncated", "")) == "b,9,false,truncated,,,,,,,,,,\n"
    row = sheet.row(good(tern, "a", a_record(mood="a,b")))
    assert (
        next(standard.reader(io.StringIO(row)))[4] == "a,b"
    )  # RFC 4180, rule 6: quoted where it has a comma


def test_text_that_a_spreadsheet_would_run_is_written_behind_an_apostrophe(tern: Mission) -> None:
    sheet = csv.Sheet(tern.layouts)
    for label, cell in (("=HYPERLINK(1)", "'=HYPERLINK(1)"), ("'so'", "''so'"), ("calm", "calm")):
        row = sheet.row(good(tern, "a", a_record(mood=label)))
        assert row.split(",")[4] == cell
        (entry,) = csv.read(HEADER + row, tern.layouts)
        assert isinstance(entry, Given) and entry.record["mood"] == label
    assert sheet.row(good(tern, "a", a_record(level=-3))).split(",")[6] == "-3.0"  # a number is no formula


def test_columns_follow_the_longest_lists_where_those_are_given(tern: Mission) -> None:
    sheet = csv.Sheet(tern.layouts, {"a": {}, "b": {}})
    assert sheet.header() == HEADER
    most: dict[int, int] = {}
    cells.longest_lists(tern.layouts["a"], a_record(), most)
    assert "list[1].x" in csv.Sheet(tern.layouts, {"a": most}).header()
    assert "list[2].x" not in csv.Sheet(tern.layouts, {"a": most}).header()
    assert not sheets.is_too_wide(tern.layouts.values())
    wide = packetkit.parse(MISSION.replace("bits: 8, maximum: 3", "bits: 16, maximum: 2000"))
    assert sheets.is_too_wide(wide.layouts.values())


# -- reading CSV ---------------------------------------------------------------------------------------


def read(made: Mission, text: str, frame: str | None = None) -> list[columns.Entry]:
    return list(csv.read(text, made.layouts, frame))


def test_a_hand_made_file_needs_only_the_columns_it_has(tern: Mission) -> None:
    assert read(tern, "level\n40\n\n50\n", "b") == [
        Given(2, "b", {"level": 40}),
        Given(4, "b", {"level": 50}),
    ]
    assert read(tern, "frame,level\nb,4e1\n") == [Given(2, "b", {"level": 40.0})]
    assert read(tern, "level\r\n40\r\n", "b") == [Given(2, "b", {"level": 40})]
    assert read(tern, '"level"\n"40"\n', "b") == [Given(2, "b", {"level": 40})]


def test_an_empty_cell_is_missing_where_that_is_declared_and_no_key_elsewhere(tern: Mission) -> None:
    assert read(tern, "level,mood\n,calm\n", "a") == [Given(2, "a", {"mood": "calm", "level": None})]
    assert read(tern, "level,tag\n,2\n", "b") == [Given(2, "b", {"tag": 2})]  # so the default is sent


def test_reasons_and_states_are_words_and_numbers_are_numbers(tern: Mission) -> None:
    text = "level,mood,on,big\nno_probe,2,TRUE,12345678901234567890\n-0.5,calm,false,7.0\n"
    first, second = read(tern, text, "a")
    assert isinstance(first, Given) and isinstance(second, Given)
    assert first.record == {"mood": 2, "on": True, "level": "no_probe", "big": 12345678901234567890}
    assert repr(second.record) == repr({"mood": "calm", "on": False, "level": -0.5, "big": 7.0})


REFUSED = (
    ("", 1, "there are no titles"),
    (",,\n", 1, "there are no titles"),
    ("level;mood\n1,5;calm\n", 1, "the titles are separated by ';'; separate them by commas"),
    ("level,levle\n1,2\n", 1, "'levle' is no field. Did you mean level?"),
    ("level,level\n1,2\n", 1, "'level' is there twice"),
    ("twice[x]\n1\n", 1, "'twice[x]' is no field"),
    ("list.x\n1\n", 1, "'list.x' is no field. Did you mean list[0].x?"),
    ("level\n1,2\n", 2, "2 cells stand under 1 titles"),
    ("level\nhot\n", 2, "level: 'hot' is not a number"),
    ("on,level\nmaybe,cold\n", 2, "on: 'maybe' is neither true nor false\nlevel: 'cold' is not a number"),
    ('level\n"1\n', 2, "this is not CSV: unexpected end of data"),
    ("list,list[2].x\n1,5\n", 2, "list: '1' is not the number of its elements; 3 or more have values"),
    ("list\n9\n", 2, "list: has 9 elements, but 3 at most can be sent. Leave out 6"),
    ("list[999999999].x\n9\n", 2, "list: has 1000000000 elements, but 3 at most can be sent"),
    ("frame\nc\n", 2, "'c' is no frame of this mission: a, b"),
    ("frame\nb\n", 2, "the line is for b, but a was asked for"),
)


@pytest.mark.parametrize(("text", "line", "said"), REFUSED)
def test_what_is_no_record_is_told_by_line(tern: Mission, text: str, line: int, said: str) -> None:
    (entry,) = read(tern, text, "a")
    assert isinstance(entry, Refused)
    assert entry.line == line and said in entry.message


def test_rows_about_failed_frames_are_left_out(tern: Mission) -> None:
    text = "frame,offset,ok,reason,level\nb,0,true,,10\nb,4,false,check failed,\n"
    assert read(tern, text) == [Given(2, "b", {"level": 10}), LeftOut(3, "check failed")]


def test_without_a_frame_to_tell_the_row_asks_for_one(tern: Mission) -> None:
    (entry,) = read(tern, "level\n1\n")
    assert isinstance(entry, Refused) and "--frame NAME: a, b" in entry.message


def test_a_record_from_paths_reports_every_fault_at_once(tern: Mission) -> None:
    with pytest.raises(EncodeError) as caught:
        columns.record_from(tern.layouts["a"], [("on", "1"), ("level", "x"), ("nothing.here", "1")])
    assert [fault.path for fault in caught.value.faults] == ["nothing.here", "on", "level"]


# -- JSON lines ----------------------------------------------------------------------------------------


def test_a_json_line_has_exactly_its_keys_and_strict_numbers(tern: Mission) -> None:
    line = jsonl.text_of(jsonl.line_of(good(tern, "a", a_record(level=None), detail=True), tern.layouts))
    assert line == (
        '{"frame":"a","offset":7,"ok":true,"reason":null,"values":{"mood":"calm","on":true,"level":null,'
        '"big":18446744073709551615,"list":[{"x":1},{"x":null}],"twice":[0,255]},'
        '"reasons":{"level":"no_probe","list[1].x":"missing"},"notes":{}}\n'
    )
    line = jsonl.text_of(jsonl.line_of(good(tern, "a", a_record(), detail=True), tern.layouts))
    assert '"level":20.0,' in line


def test_a_failed_line_says_what_was_claimed_and_has_no_values(tern: Mission) -> None:
    line = jsonl.line_of(Failed("b", 3, b"\x02", "truncated", "the text of it"), tern.layouts)
    assert line == {
        "frame": None,
        "offset": 3,
        "ok": False,
        "reason": "truncated",
        "claimed": "b",
        "bytes": b"\x02",
        "reasons": {},
        "notes": {},
    }
    assert jsonl.line_of(Failed("", 0, b"", "unknown", ""), tern.layouts)["claimed"] is None


def test_bits_that_should_be_zero_are_noted(tern: Mission) -> None:
    data = bytearray(good(tern, "a", a_record()).data)
    data[1] |= 1
    event = Good("a", 0, bytes(data), tern.frames["a"].decode(bytes(data), detail=True))
    assert jsonl.line_of(event, tern.layouts)["notes"] == {"spare": "not zero"}


def entries(made: Mission, text: str, frame: str | None = None) -> list[columns.Entry]:
    return list(jsonl.read(text, made.layouts, frame))


def test_lines_are_read_bare_or_as_decode_writes_them(tern: Mission) -> None:
    text = (
        '{"level": 40}\n\n  {"frame": "b", "level": 50}\r\n'
        '{"frame":"b","values":{"level":60}}\n{"frame":"b","offset":0,"ok":true,"reason":null,"values":{"level":70}}\n'
        '{"frame":null,"claimed":"b","offset":9,"ok":false,"reason":"truncated"}\n'
    )
    assert entries(tern, text, "b") == [
        Given(1, "b", {"level": 40}),
        Given(3, "b", {"level": 50}),
        Given(4, "b", {"level": 60}),
        Given(5, "b", {"level": 70}),
        LeftOut(6, "truncated"),
    ]


def test_a_field_named_frame_is_a_field() -> None:
    made = packetkit.parse("mission: m\nframes:\n  f: {fields: [{name: frame, bits: 8}]}\n")
    assert entries(made, '{"frame": 5}') == [Given(1, "f", {"frame": 5})]
    assert list(csv.read("frame\n5\n", made.layouts)) == [Given(2, "f", {"frame": 5})]


# What strict JSON has no word for (RFC 8259, sections 4 and 6), and what cannot be a record.
NOT_JSON = (
    ('{"level": NaN}', "NaN is no number of JSON"),
    ('{"level": -Infinity}', "-Infinity is no number of JSON"),
    ('{"level": 1, "level": 2}', "the key 'level' is there twice"),
    ('{"level": 01}', "this is not JSON"),
    ('{"level": 1', "this is not JSON"),
    ("[1]", "a line is an object"),
    ("5", "a line is an object"),
    ("[" * 100_000, "nested too deeply"),
    ('{"level": ' + "9" * 5_000 + "}", "more digits"),
    ('{"frame": "b", "ok": true, "values": 5}', "values is not an object"),
    ('{"frame": 5, "ok": true, "values": {}}', "is no frame of this mission"),
)


@pytest.mark.parametrize(("line", "said"), NOT_JSON, ids=range(len(NOT_JSON)))
def test_what_is_not_strict_json_is_refused_by_line(tern: Mission, line: str, said: str) -> None:
    (entry,) = entries(tern, "\n" + line, "b")
    assert isinstance(entry, Refused) and entry.line == 2 and said in entry.message


def test_numbers_of_json_are_read_as_any_reader_would(tern: Mission) -> None:
    (entry,) = entries(tern, '{"level": 0.1, "big": 12345678901234567890}', "a")
    assert isinstance(entry, Given)
    assert entry.record == {"level": 0.1, "big": 12345678901234567890}
    assert json.loads(jsonl.text_of({"x": 0.1})) == {"x": 0.1}


def test_a_list_that_nothing_bounds_has_no_columns_until_a_record_has_elements() -> None:
    layout = packetkit.parse(
        "mission: m\nframes:\n  a:\n    fields: [{name: n, bits: 8}, {name: xs, bits: 8, repeat: {to_end: true}}]\n"
    ).layouts["a"]
    assert cells.titles(layout) == ["n", "xs"]
    most: dict[int, int] = {}
    cells.longest_lists(layout, {"n": 1, "xs": [4, 5]}, most)
    assert cells.titles(layout, most) == ["n", "xs", "xs[0]", "xs[1]"]
