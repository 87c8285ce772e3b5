"""Worksheets: the same from seed and number, right by another way, clean on paper, and what is refused."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from html.parser import HTMLParser
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import packetkit
from packetkit.cli import second
from packetkit.cli.main import main
from packetkit.cli.worksheet import class_of, files_of
from packetkit.lab import sheets
from packetkit.lab.slips import told_apart
from packetkit.lab.tasks import KINDS, Class, Task, tasks_for
from packetkit.lab.words import ENGLISH, WORDS
from packetkit.mission.load import parse
from packetkit.resources import resource

SCHEMA = json.loads((Path(__file__).parents[1] / "documents" / "json" / "worksheet.schema.json").read_text())
SHIPPED = ("first-light", "plover", "heron")


def shipped(name: str, seed: int = 1) -> Class:
    return class_of(parse(resource(f"schemas/{name}.yaml").read_bytes(), name), None, seed)


def drawn(of: Class, count: int = 8, first: int = 1) -> dict[int, dict[str, Task]]:
    return {student: tasks_for(of, student) for student in range(first, first + count)}


@pytest.mark.parametrize("name", SHIPPED)
def test_every_answer_is_what_the_oracle_and_the_formulas_say(name: str) -> None:
    of = shipped(name)
    assert second.check(of.mission, of.frame, drawn(of)) == 8 * len(KINDS)


@settings(max_examples=30)
@given(st.integers(1, 900_000), st.integers(0, 999_999))
def test_any_number_and_seed_have_a_key_that_holds(student: int, seed: int) -> None:
    of = shipped("plover", seed)
    second.check(of.mission, of.frame, drawn(of, 1, student))


@pytest.mark.parametrize("kind", KINDS)
def test_a_wrong_answer_in_the_key_is_seen(kind: str) -> None:
    of = shipped("heron")
    tasks = drawn(of, 1)
    wrong = {"bytes": "00 00", "divide": "2222", "sum": "xx"}.get(kind, "1" + tasks[1][kind].answer)
    spoilt: Mapping[int, Mapping[str, Task]] = {1: {kind: replace(tasks[1][kind], answer=wrong)}}
    with pytest.raises(second.KeyDisagrees, match=f"number 1, {kind}: the key says {re.escape(wrong)}"):
        second.check(of.mission, of.frame, spoilt)


def test_answers_that_were_filled_in_are_not_replaced_by_an_empty_form(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command = [
        "worksheet",
        str(resource("schemas/heron.yaml")),
        "--students",
        "2",
        "-o",
        str(tmp_path / "class"),
    ]
    assert main(command) == main(command) == 0
    form = tmp_path / "class" / "answers.csv"
    form.write_text(filled := form.read_text() + "1,encode,7\n")
    assert main(command) == 2
    assert form.read_text() == filled and "somebody may have worked on it" in capsys.readouterr().err


def test_seed_and_number_decide_every_word_and_other_ones_give_other_tasks() -> None:
    of = shipped("heron")
    tasks = drawn(of)
    assert files_of(of, tasks, "en") == files_of(of, drawn(of), "en")
    assert tasks[5] == tasks_for(of, 5)
    other = drawn(replace(of, seed=2))
    assert sum(tasks[n][kind].facts != other[n][kind].facts for n in tasks for kind in KINDS) > 60
    assert len({str(mine["encode"].facts) for mine in tasks.values()}) == len(tasks)


def test_nearly_every_task_tells_slips_apart() -> None:
    # Which slip it was is the point of marking; where facts cannot keep two apart, both are named.
    found = [
        told_apart(task)
        for name in SHIPPED
        for mine in drawn(shipped(name)).values()
        for task in mine.values()
    ]
    assert sum(clear == slips for clear, slips in found) >= 0.97 * len(found)
    assert all(slips >= 2 for _, slips in found)


def test_a_division_is_written_as_on_paper() -> None:
    # Worked by hand: 1101011011 by 10011 leaves 1110, the example of A. S. Tanenbaum, Computer Networks (from memory).
    lines = list(sheets.division("1101011011", "10011"))
    assert lines[0] == "11010110110000" and lines[1].startswith("10011") and lines[-1].strip()[-4:] == "1110"
    assert all(len(line) <= len(lines[0]) for line in lines)


class _Outline(HTMLParser):
    """The tags of a page, each closed."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)
        if tag != "meta":
            self.open.append(tag)
        assert not any(name in ("src", "href") for name, _ in attrs)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_pages_are_whole_html_that_fetches_nothing() -> None:
    of = shipped("heron")
    files = files_of(of, drawn(of, 3), "en")
    for name in ("worksheets.html", "key.html"):
        outline = _Outline()
        outline.feed(files[name])
        assert not outline.open and "script" not in outline.seen and "http" not in files[name]
        assert outline.seen.count("section") == 3 + (name == "key.html")
        assert outline.seen.count("article") == 3 * len(KINDS)
        assert "color:#000" in files[name].replace(" ", "") and "break-inside: avoid" in files[name]
    assert files["worksheets.md"].count("\n# ") == 2 and "{" not in files["worksheets.md"] + files["key.md"]


def test_every_answer_stands_in_the_key_and_none_in_the_worksheets() -> None:
    of = shipped("first-light")
    tasks = drawn(of, 4)
    files = files_of(of, tasks, "en")
    for mine in tasks.values():
        for task in mine.values():
            assert f"**{task.answer}**" in files["key.md"]
            assert f"<b>{task.answer}</b>" in files["key.html"]
    assert "**" not in files["worksheets.md"] and "<b>" not in files["worksheets.html"]


def test_a_language_has_words_for_every_kind_of_task() -> None:
    for words in WORDS.values():
        assert set(words.kinds) == set(KINDS)
        assert all(getattr(words, name) for name in words._fields)
    assert WORDS["en"] is ENGLISH


def test_the_form_for_answers_has_a_row_for_each_task() -> None:
    of = shipped("heron")
    rows = list(csv.DictReader(io.StringIO(sheets.answers_csv(of, drawn(of, 3)))))
    assert [(row["student"], row["task"]) for row in rows] == [
        (str(n), kind) for n in (1, 2, 3) for kind in KINDS
    ]
    assert {row["sheet"] for row in rows} == {of.sheet} and {row["answer"] for row in rows} == {""}


def test_names_from_a_schema_are_text_on_the_page() -> None:
    unit = '"<b>&\\"*_[x](y)"'
    text = (
        "mission: odd\nframes:\n  only:\n    fields:\n"
        f"      - {{name: temperature, minimum: -5, maximum: 80, resolution: 0.5, unit: {unit}}}\n"
        "      - {name: rest, kind: reserved, up_to: byte}\n"
    )
    of = class_of(parse(text, "odd"), None, 1)
    files = files_of(of, drawn(of, 2), "en")
    assert "&lt;b&gt;&amp;" in files["worksheets.html"] and "<b>" not in files["worksheets.html"]
    assert "\\<b\\>" in files["worksheets.md"]


# ---- the command


def test_the_command_writes_five_files_and_a_document(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    schema, target = str(resource("schemas/heron.yaml")), tmp_path / "class"
    assert main(["worksheet", schema, "--students", "2", "--first", "7", "-o", str(target), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    jsonschema.validate(found, SCHEMA)
    assert [one["student"] for one in found["students"]] == [7, 8] and found["checked"] == 18
    assert sorted(path.name for path in target.iterdir()) == [
        "answers.csv",
        "key.html",
        "key.md",
        "worksheets.html",
        "worksheets.md",
    ]
    assert main(["worksheet", schema, "--students", "1", "-o", str(tmp_path / "again")]) == 0
    assert "9 answers worked out twice, all the same." in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--students", "0"], "not in the range"),
        (["--frame", "nobody"], "heron has no frame 'nobody'; it has housekeeping, survey, spectrum"),
        (["--frame", "survey"], "survey has no field that can be worked by hand"),
    ],
)
def test_what_cannot_be_done_is_said(
    arguments: list[str], words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert (
        main(["worksheet", str(resource("schemas/heron.yaml")), "-o", str(tmp_path / "x"), *arguments]) == 2
    )
    assert words in capsys.readouterr().err
    assert not (tmp_path / "x").exists()


def test_bytes_in_a_pass_are_those_of_the_exact_time_on_air() -> None:
    """Invented: short frames at a fast setting, of which a pass has thousands, so that a rounded time would count others."""
    mission = packetkit.parse(
        "mission: dart\nframes: {one: {fields: [{name: a, minimum: 0, maximum: 25, resolution: 0.1}, {name: b, bits: 48}]}}\n"
        "link: {chirp: {spreading_factor: 7, bandwidth_khz: 250}, driver_bytes: 3}\n"
    )
    # SX1276 data sheet, p. 31: 10 bytes, and a check of two: 12.25 symbols, then 8 and (80 + 16 - 28 + 28 + ...)/28 blocks of 5.
    blocks = -(-(8 * 10 - 4 * 7 + 28 + 16) // (4 * 7))
    air_s = (Fraction(49, 4) + 8 + 5 * blocks) * 128 / 250_000
    for student in range(1, 101):
        task = tasks_for(Class(mission, "one", 3), student)["pass"]
        frames = Fraction(task.whole("duration_s")) // (air_s + task.exact("gap_ms") / 1000)
        assert task.answer == str(frames * 7)
        assert task.exact("airtime_ms") == air_s * 1000


def test_a_schema_without_a_radio_says_that_its_setting_is_an_example() -> None:
    text = "mission: m\nframes: {one: {fields: [{name: a, minimum: 0, maximum: 25, resolution: 0.1}]}}\n"
    radio = "link: {chirp: {spreading_factor: 7, bandwidth_khz: 125}}\n"
    for words, times in ((text, 2), (text + radio, 0)):
        of = Class(packetkit.parse(words), "one", 1)
        page = sheets.markdown(sheets.sheets(of, {1: tasks_for(of, 1)}))
        assert page.count("(an example: the schema has no radio)") == times


def test_classes_of_other_schemas_have_other_tasks() -> None:
    """Teams sit side by side, each with its own schema, and with the seed that nobody chose."""
    texts = [
        f"mission: m\nframes: {{one: {{fields: [{{name: {name}, minimum: 0, maximum: 25, resolution: 0.1}}]}}}}\n"
        for name in "ab"
    ]
    first, second = (tasks_for(Class(packetkit.parse(text), "one", 0), 1) for text in texts)
    assert not [
        kind for kind in ("bytes", "sum", "divide", "airtime") if first[kind].facts == second[kind].facts
    ]
