"""Marking: a class's answers against tasks drawn again from schema, seed and number; which slips, how many share them.

What cannot be marked is said line by line and kept out of every count; everything else is marked. No name is read: columns besides the
four of the form are ignored.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from packetkit.lab.answers import matches
from packetkit.lab.experiment import LabError
from packetkit.lab.sheets import COLUMNS
from packetkit.lab.slips import SLIPS, Slip, found_in
from packetkit.lab.tasks import KINDS, Class, Task, fields_of, tasks_for
from packetkit.mission.load import Mission

RIGHT, WRONG, BLANK = "right", "wrong", "blank"

MOST_ROWS = 100_000  # a thousand students fill nine thousand
MOST_NUMBER = 1_000_000
MOST_STUDENTS = 2_000
LONGEST_ANSWER = 100
MOST_UNREAD = 20  # lines that are told one by one


class Answer(NamedTuple):
    """One row of a file of answers, and where it stands."""

    place: str
    sheet: str
    student: int
    task: str
    written: str


class Marked(NamedTuple):
    """One answer, marked. slips: what may have led there, empty for a wrong answer that no slip of the table explains."""

    student: int
    task: str
    written: str
    verdict: str
    slips: tuple[Slip, ...]


class Shared(NamedTuple):
    """A slip, the students who have it, and the tasks in which it showed. certain: how many answers no other slip would explain."""

    slip: Slip
    students: tuple[int, ...]
    tasks: tuple[str, ...]
    certain: int


@dataclass(frozen=True)
class Marks:
    """All that was marked. unread: lines that were not, each with its reason."""

    sheet: str
    marked: tuple[Marked, ...]
    unread: tuple[str, ...]

    @property
    def students(self) -> tuple[int, ...]:
        return tuple(sorted({one.student for one in self.marked}))

    def of_student(self, student: int) -> list[Marked]:
        return [one for one in self.marked if one.student == student]

    def count(self, task: str, verdict: str) -> int:
        """How many answers to one task have a verdict."""
        return sum(one.task == task and one.verdict == verdict for one in self.marked)

    @property
    def unexplained(self) -> int:
        """Wrong answers that no slip of the table leads to."""
        return sum(one.verdict == WRONG and not one.slips for one in self.marked)

    @property
    def shared(self) -> tuple[Shared, ...]:
        """The slips that were found, the most common first."""
        found = []
        for slip in SLIPS:
            mine = [one for one in self.marked if slip in one.slips]
            if mine:
                students = tuple(sorted({one.student for one in mine}))
                tasks = tuple(kind for kind in KINDS if any(one.task == kind for one in mine))
                found.append(Shared(slip, students, tasks, sum(len(one.slips) == 1 for one in mine)))
        return tuple(sorted(found, key=lambda one: -len(one.students)))


# ---- reading


def read(text: str, name: str) -> tuple[list[Answer], list[str]]:
    """Return the answers of a file, and what could not be read, by line. Raises LabError where it is no file of answers at all.

    A header names the columns, in any order and case; commas, semicolons or tabs stand between cells, as spreadsheets write them.
    """
    if "\0" in text:
        raise LabError(f"{name}: it holds zero bytes, so it is no CSV; save the sheet as CSV (UTF-8)")
    first = next((line for line in text.splitlines() if line.strip()), "")
    if not first:
        raise LabError(f"{name}: it is empty; fill the form answers.csv that `packetkit worksheet` wrote")
    mark = max(",;\t", key=first.count)
    rows = _rows(text, mark, name)
    header = [cell.strip().lower() for cell in next(rows)[1]]
    lacking = [column for column in COLUMNS if column not in header]
    if lacking:
        there = ", ".join(one if len(one) <= 24 else f"{one[:24]}..." for one in header[:8])
        raise LabError(
            f"{name}:1: no column {' or '.join(lacking)}; the form has {', '.join(COLUMNS)}, "
            f"and here stand: {there}; take the answers.csv that `packetkit worksheet` wrote"
        )
    twice = [column for column in COLUMNS if header.count(column) > 1]
    if twice:
        raise LabError(f"{name}:1: two columns are called {twice[0]}; keep one of them")
    places = [header.index(column) for column in COLUMNS]
    answers: list[Answer] = []
    unread: list[str] = []
    for line, row in rows:
        if not any(cell.strip() for cell in row):
            continue
        if len(answers) + len(unread) >= MOST_ROWS:
            raise LabError(f"{name}: more than {MOST_ROWS:,} rows; mark a class at a time")
        cells = [row[at].strip() if at < len(row) else "" for at in places]
        problem = _problem(cells)
        if problem:
            unread.append(f"{name}:{line}: {problem}")
        else:
            answers.append(Answer(f"{name}:{line}", cells[0], int(cells[1]), cells[2].lower(), cells[3]))
    return answers, unread


def _rows(text: str, mark: str, name: str) -> Iterator[tuple[int, list[str]]]:
    """The rows of a file with their lines. Raises LabError where quoting or a cell's length is beyond what CSV can be."""
    reader = csv.reader((line for line in text.splitlines(keepends=True)), delimiter=mark, strict=True)
    while True:
        try:
            row = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise LabError(f"{name}:{reader.line_num}: this is no CSV: {error}") from None
        if row:
            yield reader.line_num, row


def _problem(cells: Sequence[str]) -> str:
    """What keeps a row from being marked; empty where nothing does."""
    _, student, task, written = cells
    if not (
        student.isascii() and student.isdigit() and len(student) <= 7 and 1 <= int(student) <= MOST_NUMBER
    ):
        return f"{student[:20]!r} is no student's number; write the number of the sheet, for example 7"
    if task.lower() not in KINDS:
        return f"{task[:20]!r} is no task; there are {', '.join(KINDS)}"
    if len(written) > LONGEST_ANSWER:
        return f"an answer of {len(written):,} characters; the longest has {LONGEST_ANSWER}"
    return ""


# ---- marking


def class_by_sheet(mission: Mission, sheet: str) -> Class:
    """The class that a sheet's mark belongs to. Raises LabError where no frame of the mission has its fingerprint."""
    seed, _, _ = sheet.partition("-")
    if seed.isascii() and seed.isdigit() and len(seed) <= 6:
        for name, layout in mission.layouts.items():
            of = Class(mission, name, int(seed))
            if of.sheet == sheet and fields_of(layout):
                return of
    marks = ", ".join(
        f"{Class(mission, name, 0).sheet.partition('-')[2]} ({name})" for name in mission.layouts
    )
    raise LabError(
        f"sheet {sheet[:30]!r} was not drawn from this schema, whose sheets end in {marks}; "
        "give the version that the sheets were printed from"
    )


def mark(mission: Mission, answers: Iterable[Answer], unread: Iterable[str] = ()) -> Marks:
    """Mark answers. Raises LabError where there are none, or they belong to sheets of several classes or of another schema."""
    given = list(answers)
    left_out = list(unread)
    sheets = Counter(one.sheet for one in given)
    if not sheets:
        more = f"; {left_out[0]}" if left_out else ""
        raise LabError(f"there is no answer to mark{more}")
    if len({one.student for one in given}) > MOST_STUDENTS:
        raise LabError(f"more than {MOST_STUDENTS:,} students' numbers; mark a class at a time")
    sheet = sheets.most_common(1)[0][0]
    of = class_by_sheet(mission, sheet)
    tasks: dict[int, Mapping[str, Task]] = {}
    marked: dict[tuple[int, str], Marked] = {}
    for one in given:
        if one.sheet != sheet:
            left_out.append(
                f"{one.place}: sheet {one.sheet[:30]!r}, where most have {sheet}; mark each class by itself"
            )
        elif (one.student, one.task) in marked:
            left_out.append(
                f"{one.place}: number {one.student} has answered {one.task} already; the first answer counts"
            )
        else:
            if one.student not in tasks:
                tasks[one.student] = tasks_for(of, one.student)
            marked[one.student, one.task] = judged(tasks[one.student][one.task], one)
    return Marks(sheet, tuple(marked.values()), tuple(left_out))


def judged(task: Task, answer: Answer) -> Marked:
    """One answer against its task."""
    if not answer.written:
        return Marked(answer.student, answer.task, "", BLANK, ())
    if matches(task.kind, task.answer, answer.written):
        return Marked(answer.student, answer.task, answer.written, RIGHT, ())
    return Marked(answer.student, answer.task, answer.written, WRONG, found_in(task, answer.written))
