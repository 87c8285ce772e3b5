"""Marking: thirty files with planted slips, each named and the summary exact; hostile files; teams' schemas side by side.

The slips are planted here, by arithmetic of their own on what the sheet says; nothing of the marking code plants them.
"""

from __future__ import annotations

import csv
import io
import json
import math
import shutil
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from packetkit.cli import second
from packetkit.cli.main import main
from packetkit.cli.mark import numbers_text
from packetkit.cli.worksheet import class_of
from packetkit.lab import marking, sheets
from packetkit.lab.answers import matches, readings
from packetkit.lab.experiment import LabError
from packetkit.lab.marking import Marks
from packetkit.lab.slips import SLIPS, told_apart
from packetkit.lab.tasks import KINDS, Class, Task, tasks_for
from packetkit.mission.load import Mission, parse
from packetkit.resources import resource

SCHEMA = json.loads((Path(__file__).parents[1] / "documents" / "json" / "mark.schema.json").read_text())
BEACON, HERON = resource("schemas/first-light.yaml"), resource("schemas/heron.yaml")
# Invented: fields with an offset, below zero and signed, so that every slip can happen.
MARSH = """
mission: marsh
frames:
  report:
    fields:
      - {name: sequence, bits: 16, role: sequence}
      - {name: temperature, minimum: -60, maximum: 85, resolution: 0.1, unit: Cel, missing: true}
      - {name: field_x, bits: 12, signed: true, scale: 1/16, unit: uT}
      - {name: spare, kind: reserved, up_to: byte}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
link: {chirp: {spreading_factor: 10, bandwidth_khz: 125, coding_rate: 4/5}}
"""


def decimal(number: Fraction) -> str:
    text = f"{float(number):.10f}".rstrip("0").rstrip(".")
    return text if Fraction(text) == number else f"{float(number):.6g}"


def near(number: Fraction) -> int:
    return math.floor(number + Fraction(1, 2))


def encoded(task: Task, change: Callable[[Fraction, Fraction, Fraction], Fraction]) -> str:
    """A raw code worked out from value, offset and scale."""
    return str(near(change(task.exact("value"), task.exact("offset"), task.exact("scale"))))


def on_air(task: Task, bits: int, preamble: Fraction, up: bool = True) -> Fraction:
    """Milliseconds by what the sheet says, rounded to a tenth."""
    parts = Fraction(bits + task.whole("crc_bits") - task.whole("first_bits"), task.whole("block_bits"))
    blocks = math.ceil(parts) if up else math.floor(parts)
    return Fraction(
        near((preamble + 8 + max(blocks, 0) * task.whole("block_symbols")) * task.exact("symbol_ms") * 10), 10
    )


def divided(dividend: str, divisor: str) -> str:
    """Long division on texts of 0 and 1, as on paper."""
    rest = list(dividend)
    for at in range(len(dividend) - len(divisor) + 1):
        if rest[at] == "1":
            for place, one in enumerate(divisor):
                rest[at + place] = "1" if rest[at + place] != one else "0"
    return "".join(rest[-4:])


def octets(task: Task) -> list[int]:
    return [int(one, 16) for one in task.text("octets").split()]


def per_frame(task: Task) -> Fraction:
    return task.exact("airtime_ms") + task.exact("gap_ms")


Plant = tuple[str, str, Callable[[Task], str]]
PLANTS: tuple[Plant, ...] = (
    ("little_endian", "bytes", lambda t: f"{t.whole('number') % 256:02X} {t.whole('number') // 256:02X}"),
    ("little_endian", "bytes", lambda t: f"0x{t.whole('number') % 256:02x}{t.whole('number') // 256:02x}"),
    ("hex_decimal", "bytes", lambda t: f"{t.whole('number')}"),
    ("sign", "encode", lambda t: encoded(t, lambda v, o, s: (abs(v) - o) / s)),
    ("sign", "decode", lambda t: decimal(abs(t.exact("value")))),
    (
        "sign",
        "decode",
        lambda t: (
            decimal((t.whole("raw") + 2 ** t.whole("bits")) * t.exact("scale")) if t.whole("signed") else ""
        ),
    ),
    ("cut", "encode", lambda t: str(math.floor((t.exact("value") - t.exact("offset")) / t.exact("scale")))),
    # Where the code for a missing reading is the one too many, the same answer says that it was forgotten.
    (
        "cut",
        "size",
        lambda t: (
            ""
            if t.whole("missing") and math.log2(t.whole("codes") - 1).is_integer()
            else str(math.floor(math.log2(t.whole("codes"))))
        ),
    ),
    ("cut", "airtime", lambda t: decimal(on_air(t, 8 * t.whole("size"), t.exact("preamble"), up=False))),
    ("not_rounded", "encode", lambda t: decimal((t.exact("value") - t.exact("offset")) / t.exact("scale"))),
    (
        "not_rounded",
        "pass",
        lambda t: str(int(t.whole("duration_s") * 1000 / per_frame(t) * t.whole("size"))),
    ),
    ("no_offset", "encode", lambda t: encoded(t, lambda v, o, s: v / s) if t.exact("offset") else ""),
    (
        "no_offset",
        "decode",
        lambda t: decimal(t.whole("raw") * t.exact("scale")) if t.exact("offset") else "",
    ),
    (
        "offset_wrong_way",
        "encode",
        lambda t: encoded(t, lambda v, o, s: (v + o) / s) if t.exact("offset") else "",
    ),
    ("scale_wrong_way", "encode", lambda t: encoded(t, lambda v, o, s: (v - o) * s)),
    ("scale_wrong_way", "decode", lambda t: decimal(t.exact("offset") + t.whole("raw") / t.exact("scale"))),
    (
        "hex_decimal",
        "encode",
        lambda t: f"{near((t.exact('value') - t.exact('offset')) / t.exact('scale')):x}",
    ),
    ("bit_order", "flip", lambda t: str(t.whole("bit") // 8 * 8 + (7 - t.whole("bit") % 8))),
    ("one_off", "flip", lambda t: f" {t.whole('bit') + 1} "),
    ("one_off", "encode", lambda t: encoded(t, lambda v, o, s: (v - o) / s + 1)),
    ("wrong_span", "sum", lambda t: f"{sum(octets(t)[1:]) % 256:02x}"),
    ("carry", "sum", lambda t: f"{sum(octets(t)):X}" if sum(octets(t)) > 255 else ""),
    ("inverted", "sum", lambda t: f"{255 - sum(octets(t)) % 256:02X}"),
    ("wrong_span", "divide", lambda t: divided("0000" + t.text("bits"), t.text("generator"))),
    ("generator_backwards", "divide", lambda t: divided(t.text("bits") + "0000", "11001")),
    ("borrow", "divide", lambda t: f"{int(t.text('bits') + '0000', 2) % 19:04b}"),
    ("sign_bit", "size", lambda t: str(int(t.answer) + 1) if t.whole("minimum") < 0 else ""),
    ("no_preamble", "airtime", lambda t: decimal(on_air(t, 8 * t.whole("size"), Fraction(0)))),
    (
        "no_gap",
        "pass",
        lambda t: str(int(t.whole("duration_s") * 1000 // t.exact("airtime_ms")) * t.whole("size")),
    ),
    ("frames", "pass", lambda t: f"{int(t.whole('duration_s') * 1000 // per_frame(t)):,}".replace(",", " ")),
)
MORE_PLANTS: tuple[Plant, ...] = (
    ("no_step", "size", lambda t: str(int(t.exact("maximum") - t.exact("minimum") + t.whole("missing")).bit_length())),
    ("no_missing", "size", lambda t: str(math.ceil(math.log2(t.whole("codes") - 1))) if t.whole("missing") else ""),
    ("bits_bytes", "pass", lambda t: str(int(t.answer) * 8)),
    ("thousand", "airtime", lambda t: decimal(Fraction(t.answer) / 1000)),
)  # fmt: skip


@pytest.fixture(scope="module")
def marsh() -> Class:
    return class_of(parse(MARSH, "marsh.yaml"), None, 4)


def planted(of: Class, plants: tuple[Plant, ...]) -> dict[int, tuple[Plant, str]]:
    """A student for each slip: the next number whose task shows it."""
    found: dict[int, tuple[Plant, str]] = {}
    number = 0
    for plant in plants:
        _, kind, write = plant
        while True:
            number += 1
            task = tasks_for(of, number)[kind]
            written = write(task)
            clear, slips = told_apart(task)
            if written and not matches(kind, task.answer, written) and clear == slips:
                found[number] = (plant, written)
                break
            assert number < 2000, f"no task shows {plant[0]} in {kind}"
    return found


def file_of(of: Class, student: int, kind: str = "", written: str = "") -> str:
    """One student's file of answers: right but for what was planted."""
    tasks = tasks_for(of, student)
    second.check(of.mission, of.frame, {student: tasks})  # the oracle says that the others are right
    target = io.StringIO()
    writer = csv.writer(target)
    writer.writerow(sheets.COLUMNS)
    for name, task in tasks.items():
        writer.writerow((of.sheet, student, name, written if name == kind else task.answer))
    return target.getvalue()


def marks(of: Class, texts: list[str]) -> Marks:
    read = [marking.read(text, f"{number}.csv") for number, text in enumerate(texts)]
    return marking.mark(
        of.mission, [one for found, _ in read for one in found], [line for _, lines in read for line in lines]
    )


def test_thirty_files_with_planted_slips_are_each_named_and_summed_exactly(
    marsh: Class, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert len(PLANTS) == 30
    plants = planted(marsh, PLANTS)
    (tmp_path / "marsh.yaml").write_text(MARSH)
    files = []
    for student, ((_, kind, _), written) in plants.items():
        files.append(tmp_path / f"{student}.csv")
        files[-1].write_text(file_of(marsh, student, kind, written))
    assert main(["mark", str(tmp_path / "marsh.yaml"), *map(str, files), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    jsonschema.validate(found, SCHEMA)
    for one in found["students"]:
        (slip, kind, _), _ = plants[one["student"]]
        wrong = {answer["task"]: answer["slips"] for answer in one["answers"] if answer["verdict"] != "right"}
        assert wrong == {kind: [slip]}
    expected: dict[str, list[int]] = {}
    for student, ((slip, _, _), _) in plants.items():
        expected.setdefault(slip, []).append(student)
    assert {one["slip"]: one["students"] for one in found["slips"]} == expected
    assert all(one["certain"] == len(one["students"]) for one in found["slips"])
    counts = {kind: sum(plant[1] == kind for plant, _ in plants.values()) for kind in KINDS}
    assert found["tasks"] == {kind: {"right": 30 - n, "wrong": n, "blank": 0} for kind, n in counts.items()}
    assert found["unexplained"] == 0 and found["unread"] == []


def test_the_other_slips_are_named_too_and_every_slip_of_the_table_was_planted(marsh: Class) -> None:
    for student, ((slip, kind, _), written) in planted(marsh, MORE_PLANTS).items():
        (wrong,) = (
            one
            for one in marks(marsh, [file_of(marsh, student, kind, written)]).marked
            if one.verdict == "wrong"
        )
        assert [one.key for one in wrong.slips] == [slip]
    assert {slip for slip, _, _ in (*PLANTS, *MORE_PLANTS)} == {slip.key for slip in SLIPS}


def test_right_answers_are_right_however_they_are_written(marsh: Class) -> None:
    assert {one.verdict for one in marks(marsh, [file_of(marsh, n) for n in range(1, 6)]).marked} == {"right"}
    for kind, answer, ways in (
        ("encode", "477", ("477", " 477 ", "0x1DD", "477.0", "4 77", "4.77e2")),
        ("encode", "15888", ("15,888", "15.888", "15'888", "15\u202f888", "15\u00a0888", "15_888")),
        (
            "decode",
            "-12.3",
            ("-12.3", "-12,3", "\u221212.30", " -12.3", "-12.3 \u00b0C", "-12,3deg", "-12.3 m/s\u00b2"),
        ),
        ("decode", "20", ("20 %", "2e1")),
        ("decode", "2021893.5", ("2,021,893.5", "2.021.893,5", "2'021'893.5")),
        ("bytes", "0A 1B", ("0a1b", "0A,1B", "0x0a 0x1b", "0a:1b", "0A-1B", "0Ah 1Bh")),
        ("bytes", "00 11", ("0011", "11")),
        ("sum", "08", ("08", "8", "0x08", "08h")),
        ("divide", "0101", ("0101", "0b0101", "01 01", "101")),
        ("airtime", "370.7", ("370.7", "370,7", "370.688", "370.8", "370.7 ms", "370.7ms")),
        ("size", "10", ("10", "10 bits", "10bit")),
        ("flip", "31", ("31", "bit 31", "Bit31")),
        ("pass", "23744", ("23744 bytes", "23,744 B", "23.744", "23 744 octets")),
    ):
        assert all(matches(kind, answer, one) for one in ways), (kind, ways)
    for kind, answer, wrong in (
        ("encode", "477", "477 or 478"),
        ("encode", "477", "477 V"),
        ("decode", "-12.3", "12.3"),
        ("decode", "12", "12 or 13"),
        ("decode", "12", "12-13"),
        ("decode", "1234", "1.234"),  # decimals here
        ("divide", "0101", "0110"),
        ("sum", "0A", "A"),
        ("bytes", "0B 1C", "1C"),
        ("airtime", "370.7", "0.3707 s"),
        ("airtime", "247", "0.247"),
        ("airtime", "370.7", "370.7 s"),
        ("size", "10", "10 bytes"),
        ("pass", "23744", "23744 bits"),
    ):
        assert not matches(kind, answer, wrong), (kind, wrong)
    for odd in ("1e500", "1/2", "9" * 50, "1,2,3", "\u0663", "", "-", "e5", "."):
        assert readings("encode", odd) == (odd.upper(),)


def test_blank_and_unexplained_answers_are_counted_apart(marsh: Class) -> None:
    made = marks(marsh, [file_of(marsh, 1, "encode", ""), file_of(marsh, 2, "encode", "banana")])
    assert (made.count("encode", "blank"), made.count("encode", "wrong"), made.unexplained) == (1, 1, 1)
    assert made.shared == ()


# ---- files


def test_columns_in_any_order_and_by_any_mark_are_read() -> None:
    text = "Task;name;ANSWER;Student;sheet\nencode;x;12,5;7;1-0a0b0c0d\n\n"
    found, unread = marking.read(text, "a.csv")
    assert unread == [] and found == [marking.Answer("a.csv:2", "1-0a0b0c0d", 7, "encode", "12,5")]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "it is empty; fill the form answers.csv"),
        ("\n \n", "it is empty"),
        (
            "student,task\n1,encode\n",
            "a.csv:1: no column sheet or answer; the form has sheet, student, task, answer",
        ),
        ("sheet,student,task,answer,answer\n", "two columns are called answer"),
        ('sheet,student,task,answer\n1-0,1,encode,"12"x\n', "a.csv:2: this is no CSV"),
        ("a\0b", "zero bytes"),
        (
            "sheet,student,task,answer\n" + "x,1,encode,2\n" * 100_001,
            "more than 100,000 rows; mark a class at a time",
        ),
        (
            "sheet,student,task,answer\n1,1,encode," + "9" * 200_000,
            "this is no CSV: field larger than field limit",
        ),
    ],
)
def test_what_is_no_file_of_answers_is_said(text: str, words: str) -> None:
    with pytest.raises(LabError) as told:
        marking.read(text, "a.csv")
    assert words in str(told.value)


def test_rows_that_cannot_be_marked_are_told_by_line_and_the_others_marked(marsh: Class) -> None:
    more = [
        f"{marsh.sheet},0,encode,1",
        f"{marsh.sheet},seven,encode,1",
        f"{marsh.sheet},7,nothing,1",
        f"{marsh.sheet},7,encode," + "1" * 101,
        f"{marsh.sheet},7,encode",
        f"{marsh.sheet},7,encode,1",
        "9-00000000,8,encode,1",
        f"{marsh.sheet},\u0667,encode,1",
    ]
    made = marks(marsh, [file_of(marsh, 1) + "\n".join(more)])
    assert len(made.marked) == len(KINDS) + 1
    told = "\n".join(made.unread)
    for words in (
        "0.csv:11: '0' is no student's number",
        "0.csv:12: 'seven'",
        "0.csv:13: 'nothing' is no task; there are encode",
        "an answer of 101 characters",
        "number 7 has answered encode already",
        "sheet '9-00000000', where most have",
        "0.csv:18: '\u0667'",
    ):
        assert words in told


@pytest.mark.parametrize("sheet", ["", "1", "x-12345678", "1-00000000", "99999999-12345678"])
def test_sheets_of_another_schema_are_refused(sheet: str, marsh: Class) -> None:
    with pytest.raises(LabError, match=r"was not drawn from this schema, whose sheets end in [0-9a-f]{8} "):
        marking.mark(marsh.mission, [marking.Answer("a:2", sheet, 1, "encode", "1")])
    with pytest.raises(LabError, match="there is no answer to mark; a:2: nothing"):
        marking.mark(marsh.mission, [], ["a:2: nothing"])


def test_more_numbers_than_a_school_are_refused(marsh: Class) -> None:
    many = [marking.Answer("a", marsh.sheet, number, "encode", "1") for number in range(1, 2003)]
    with pytest.raises(LabError, match="more than 2,000 students' numbers"):
        marking.mark(marsh.mission, many)


MISSION: Mission = parse(MARSH, "marsh.yaml")
SHEET = Class(MISSION, "report", 4).sheet
JUNK = st.one_of(
    st.text(max_size=80),
    st.lists(st.sampled_from([SHEET, ",", "\n", '"', "1", "encode", ";", "\r", "-1", "\ufeff"])).map("".join),
)


@given(JUNK, st.booleans())
def test_any_text_is_marked_or_refused_in_a_sentence(text: str, headed: bool) -> None:
    try:
        found, unread = marking.read("sheet,student,task,answer\n" * headed + text, "a.csv")
        marking.mark(MISSION, found, unread)
    except LabError as error:
        assert str(error)  # noqa: PT017  # either way is right


# ---- the command


def test_the_command_reads_in_80_columns(
    marsh: Class, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    (tmp_path / "marsh.yaml").write_text(MARSH)
    (tmp_path / "a.csv").write_text("\ufeff" + file_of(marsh, 3, "bytes", "zz") + "x,y,z\n", encoding="utf-8")
    assert main(["mark", str(tmp_path / "marsh.yaml"), str(tmp_path / "a.csv")]) == 1
    told = capsys.readouterr().out
    assert max(map(len, told.splitlines())) <= 80
    for words in (
        "students 1, answers 9",
        "no slip of the table explains: 1",
        "8 of 9",
        "Not marked",
        "'y' is no student's number",
    ):
        assert words in " ".join(told.split())
    (tmp_path / "b.csv").write_bytes(file_of(marsh, 3).encode("utf-16"))
    assert main(["mark", str(tmp_path / "marsh.yaml"), str(tmp_path / "b.csv")]) == 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([str(HERON)], "name the file of answers"),
        ([str(HERON), "no-such.csv"], "there is no such file"),
        ([str(HERON), "."], "this is a directory"),
        ([".", "a.csv"], "is a folder of teams"),
        (["."], "no schema in it"),
    ],
)
def test_misuse_is_said(
    arguments: list[str],
    words: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.csv").write_text("x")
    assert main(["mark", *arguments]) == 2
    assert words in capsys.readouterr().err


def test_bytes_that_are_no_text_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "a.csv").write_bytes(bytes(range(256)))
    assert main(["mark", str(HERON), str(tmp_path / "a.csv")]) == 2
    assert "this is no text in UTF-8" in capsys.readouterr().err


def test_numbers_are_listed_in_runs() -> None:
    assert numbers_text((1, 2, 3, 5, 6, 9)) == "1-3, 5, 6, 9" and numbers_text(()) == ""


# ---- teams


def test_teams_are_looked_at_side_by_side(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    shutil.copy(str(BEACON), tmp_path / "alder.yaml")
    bare = (
        "mission: birch\nframes:\n  only:\n    fields:\n"
        "      - {name: level, minimum: 0, maximum: 12.7, resolution: 0.1}\n      - {kind: reserved, bits: 17}\n"
    )
    (tmp_path / "birch.yaml").write_text(
        bare + "link: {chirp: {spreading_factor: 7, bandwidth_khz: 125}, maximum_frame_bytes: 2}\n"
    )
    (tmp_path / "cedar.yaml").write_text(bare.replace("resolution", "resolutoin"))
    (tmp_path / "dogwood.yaml").write_bytes(b"\xff\xfe\x00")
    (tmp_path / "elm.yaml").write_text(bare.replace("birch", "elm").replace("resolution", "resolutoin"))
    shutil.copy(str(BEACON), tmp_path / "fir.yaml")
    assert main(["vectors", str(tmp_path / "fir.yaml"), "-o", str(tmp_path / "fir.vectors.json")]) == 0
    spoilt = (
        (tmp_path / "fir.vectors.json").read_text().replace('"temperature": -60', '"temperature": -59', 1)
    )
    (tmp_path / "fir.vectors.json").write_text(spoilt)
    capsys.readouterr()
    assert main(["mark", str(tmp_path), "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    jsonschema.validate(found, SCHEMA)
    teams = {one["team"]: one for one in found["teams"]}
    assert [one["team"] for one in found["teams"]] == ["alder", "birch", "cedar", "dogwood", "elm", "fir"]
    assert [teams[name]["valid"] for name in teams] == [True, True, False, False, False, True]
    assert (
        teams["alder"]["differences"] == [] and teams["alder"]["cases"] > 50 and teams["fir"]["differences"]
    )
    # By hand: 24 bits are 3 bytes; 24 + 16 bits, of which SF7's first block holds 28 - 20 = 8; 32 are left, 2 blocks of 28.
    airtime_ms = (12.25 + 8 + 2 * 5) * 1.024
    assert teams["birch"]["frames"] == [{"frame": "only", "size_bytes": 3, "time_on_air_ms": airtime_ms}]
    assert teams["birch"]["habits"] == [
        "too_long",
        "no_check",
        "no_counter",
        "no_missing",
        "no_unit",
        "spare",
    ]
    shared = {one["key"]: one["teams"] for one in found["shared"]}
    assert shared["unknown-key"] == ["cedar", "elm"] and shared["no_check"] == ["birch"]
    assert main(["mark", str(tmp_path)]) == 1
    told = capsys.readouterr().out
    assert max(map(len, told.splitlines())) <= 80 and "What they share" in told and "fir: " in told


def test_a_folder_without_faults_is_good(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.copy(str(BEACON), tmp_path / "alder.yaml")
    assert main(["mark", str(tmp_path)]) == 0
    assert "Faults" not in capsys.readouterr().out
