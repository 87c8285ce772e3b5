"""`packetkit mark`: a class's answers against its schema, slip by slip; or a folder of teams' schemas side by side."""

from __future__ import annotations

import os

import click

from packetkit.cli import output
from packetkit.cli import vectors as own_vectors
from packetkit.cli.page import Page
from packetkit.conformance import judge, vector
from packetkit.errors import InputError, PacketkitError, SchemaError, counted
from packetkit.files import (
    STANDARD_INPUT,
    load,
    not_onto_an_input,
    only_one_standard_input,
    open_input,
    read_text,
    shown_name,
)
from packetkit.lab import marking, teams
from packetkit.lab.marking import BLANK, RIGHT, WRONG, Marks
from packetkit.lab.tasks import KINDS
from packetkit.lab.teams import Team
from packetkit.mission import vectors as mission_vectors

FINDINGS = 1
MOST_BYTES = 8 << 20  # a file of answers: two thousand classes of thirty
MOST_TEAMS = 200
SCHEMAS = (".yaml", ".yml")
VECTORS = ".vectors.json"


def answers_text(path: str) -> str:
    """The text of a file of answers. Raises InputError where it is none, or far too large."""
    with open_input(path) as stream:
        data = stream.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise InputError(f"{shown_name(path)}: more than {MOST_BYTES >> 20} MiB is no file of answers")
    for encoding in ("utf-8-sig", "utf-16"):  # what spreadsheets call CSV and Unicode text
        if encoding == "utf-16" and data[:2] not in (b"\xff\xfe", b"\xfe\xff"):
            continue
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise InputError(f"{shown_name(path)}: this is no text in UTF-8; save the sheet as CSV (UTF-8)")


# ---- answers


def numbers_text(numbers: tuple[int, ...]) -> str:
    """Students' numbers, runs of them shortened: 1-4, 7.

    >>> numbers_text((1, 2, 3, 4, 7, 9, 10))
    '1-4, 7, 9, 10'
    """
    runs: list[list[int]] = []
    for one in numbers:
        if runs and one == runs[-1][-1] + 1:
            runs[-1].append(one)
        else:
            runs.append([one])
    parts = [f"{run[0]}-{run[-1]}" if len(run) > 2 else ", ".join(map(str, run)) for run in runs]
    return ", ".join(parts)


def marks_text(made: Marks, page: Page) -> str:
    """What a teacher reads: task by task, slip by slip, student by student."""
    parts = [page.title(f"Sheet {made.sheet}: students {len(made.students)}, answers {len(made.marked)}")]
    columns = (output.Column("task"), *(output.Column(word, ">") for word in (RIGHT, WRONG, BLANK)))
    rows: list[tuple[object, ...]] = [
        (kind, *(made.count(kind, verdict) for verdict in (RIGHT, WRONG, BLANK)))
        for kind in KINDS
        if any(one.task == kind for one in made.marked)
    ]
    parts += [page.table(columns, rows), "\n", page.title("Slips, the most common first")]
    slips: list[tuple[object, ...]] = [
        (len(one.students), one.slip.words, ", ".join(one.tasks), numbers_text(one.students))
        for one in made.shared
    ]
    wrapped = [output.Column(title, "<", "wrap") for title in ("slip", "in", "numbers")]
    parts.append(page.table((output.Column("students", ">"), *wrapped), slips) if slips else "None.\n")
    if made.unexplained:
        parts.append(page.wrapped(f"Wrong answers that no slip of the table explains: {made.unexplained}."))
    parts += ["\n", page.title("By number")]
    students: list[tuple[object, ...]] = [_student_row(made, student) for student in made.students]
    by_number = (
        output.Column("number", ">"),
        output.Column("right", ">"),
        output.Column("what else", "<", "wrap"),
    )
    parts.append(page.table(by_number, students))
    return "".join(parts) + unread_text(made.unread, page)


def _student_row(made: Marks, student: int) -> tuple[object, ...]:
    mine = made.of_student(student)
    told = []
    for one in mine:
        if one.verdict == WRONG:
            words = " or ".join(slip.words for slip in one.slips) or "no known slip"
            told.append(f"{one.task} {one.written}: {words}")
        elif one.verdict == BLANK:
            told.append(f"{one.task}: blank")
    return student, f"{sum(one.verdict == RIGHT for one in mine)} of {len(mine)}", "\n".join(told)


def unread_text(unread: tuple[str, ...], page: Page) -> str:
    """The lines that were not marked."""
    if not unread:
        return ""
    shown = unread[: marking.MOST_UNREAD]
    more = [f"... and {len(unread) - len(shown):,} more"] if len(unread) > len(shown) else []
    return "\n" + page.title("Not marked") + "".join(page.wrapped(one, "  ", "") for one in (*shown, *more))


def marks_document(made: Marks) -> dict[str, object]:
    """What `--json` writes for answers."""
    return {
        "sheet": made.sheet,
        "students": [
            {
                "student": student,
                "right": sum(one.verdict == RIGHT for one in made.of_student(student)),
                "answers": [
                    {
                        "task": one.task,
                        "written": one.written,
                        "verdict": one.verdict,
                        "slips": [slip.key for slip in one.slips],
                    }
                    for one in made.of_student(student)
                ],
            }
            for student in made.students
        ],
        "tasks": {
            kind: {verdict: made.count(kind, verdict) for verdict in (RIGHT, WRONG, BLANK)} for kind in KINDS
        },
        "slips": [
            {
                "slip": one.slip.key,
                "words": one.slip.words,
                "students": list(one.students),
                "tasks": list(one.tasks),
                "certain": one.certain,
            }
            for one in made.shared
        ],
        "unexplained": made.unexplained,
        "unread": list(made.unread),
    }


# ---- teams


def teams_in(folder: str) -> list[Team]:
    """Each schema of a folder, by name. Raises InputError where there is none."""
    names = sorted(name for name in os.listdir(folder) if name.lower().endswith(SCHEMAS))
    if not names:
        raise InputError(f"{folder}: no schema in it; teams' files end in {' or '.join(SCHEMAS)}")
    if len(names) > MOST_TEAMS:
        raise InputError(f"{folder}: {len(names):,} schemas; {MOST_TEAMS} at most are looked at together")
    return [team_of(os.path.join(folder, name), os.path.splitext(name)[0]) for name in names]


def team_of(path: str, name: str) -> Team:
    """One team: its schema, held to vectors that the oracle makes, and to its own NAME.vectors.json where there is one."""
    try:
        mission = load(path)
    except SchemaError as error:
        return Team(name, problems=tuple(error.problems))
    except PacketkitError as error:
        return Team(name, unread=str(error))
    found = [own_vectors.made(mission)]
    beside = os.path.splitext(path)[0] + VECTORS
    wrong: list[str] = []
    if os.path.exists(beside):
        try:
            found.append(vector.read(read_text(beside), beside))
        except PacketkitError as error:
            wrong.append(str(error))
    for one in found:
        wrong += mission_vectors.differences(one, mission, judge.codec)
    cases = sum(len(frame.cases) for one in found for frame in one.frames)
    return teams.look_at(name, mission, cases, wrong)


def teams_text(made: list[Team], page: Page) -> str:
    """What a teacher reads: team by team, then what they share."""
    columns = (
        output.Column("team", "<", "wrap"),
        output.Column("schema"),
        output.Column("vectors", ">"),
        output.Column("frame", "<", "wrap"),
        output.Column("bytes", ">"),
        output.Column("on air", ">"),
    )
    rows: list[tuple[object, ...]] = [row for team in made for row in _team_rows(team)]
    parts = [
        page.title(counted(len(made), "team")),
        page.table(columns, rows),
        "\n",
        page.title("What they share"),
    ]
    shared: list[tuple[object, ...]] = [
        (len(one.teams), one.words, ", ".join(one.teams)) for one in teams.common(made)
    ]
    heads = (
        output.Column("teams", ">"),
        output.Column("what", "<", "wrap"),
        output.Column("who", "<", "wrap"),
    )
    parts.append(page.table(heads, shared) if shared else "Nothing.\n")
    faults = [f"{team.name}: {line}" for team in made for line in _faults(team)]
    return "".join(parts) + (
        "\n" + page.title("Faults") + "".join(page.wrapped(one, "  ", "") for one in faults) if faults else ""
    )


def _team_rows(team: Team) -> list[tuple[object, ...]]:
    if not team.is_valid:
        faults = counted(len(team.problems), "fault")
        return [(team.name, faults if team.problems else "unreadable", "", "", "", "")]
    verdict = f"{len(team.differences)} differ" if team.differences else f"{team.cases} pass"
    rows: list[tuple[object, ...]] = []
    for number, frame in enumerate(team.frames):
        airtime = "" if frame.airtime_s is None else f"{float(frame.airtime_s * 1000):,.1f} ms"
        head = (team.name, "valid", verdict) if not number else ("", "", "")
        rows.append((*head, frame.frame, frame.size_bytes, airtime))
    return rows


def _faults(team: Team) -> list[str]:
    """What the team has to mend, the first few."""
    lines = (
        [team.unread]
        if team.unread
        else [f"line {one.position.line}: {one.summary}" for one in team.problems]
    )
    return [*lines, *team.differences][:5]


def teams_document(made: list[Team]) -> dict[str, object]:
    """What `--json` writes for a folder of teams."""
    return {
        "teams": [
            {
                "team": team.name,
                "valid": team.is_valid,
                "problems": [
                    {"rule": one.rule, "line": one.position.line, "summary": one.summary}
                    for one in team.problems
                ],
                "unread": team.unread or None,
                "cases": team.cases,
                "differences": list(team.differences),
                "frames": [
                    {
                        "frame": one.frame,
                        "size_bytes": one.size_bytes,
                        "time_on_air_ms": None if one.airtime_s is None else float(one.airtime_s * 1000),
                    }
                    for one in team.frames
                ],
                "habits": [habit.key for habit in team.habits],
            }
            for team in made
        ],
        "shared": [
            {"key": one.key, "words": one.words, "teams": list(one.teams)} for one in teams.common(made)
        ],
    }


@click.command("mark")
@click.argument("schema", metavar="SCHEMA_OR_FOLDER")
@click.argument("answers", metavar="[ANSWERS.csv]...", nargs=-1)
@output.json_option
@output.output_option
def command(schema: str, answers: tuple[str, ...], as_json: bool, destination: str) -> int:
    """Mark a class's answers and name the slips; or look at a folder of teams' schemas.

    ANSWERS.csv is the filled form of `packetkit worksheet`, one for the class or one for each student; SCHEMA the one that the sheets were
    drawn from. A wrong answer is explained by the slip that leads to it: low byte first, a lost sign, not rounded, one off and more; and
    how many share it is said.

    With a FOLDER and no answers: each team's schema there (.yaml), whether it is valid, passes its vectors (NAME.vectors.json too, where
    there is one), how long its frames are, and which faults and habits how many teams share. Exit status 1: a line was not marked; a team's
    schema is faulty or its vectors disagree.

    \b
    packetkit mark heron.yaml class/answers.csv
    packetkit mark teams
    """
    if os.path.isdir(schema):
        if answers:
            raise click.UsageError(
                f"{schema} is a folder of teams; answers need the one schema that their sheets were drawn from"
            )
        made = teams_in(schema)
        if as_json:
            output.write_json(teams_document(made), destination)
        else:
            output.write(teams_text(made, Page.at(destination)), destination)
        return FINDINGS if any(not team.is_valid or team.differences for team in made) else 0
    if not answers:
        raise click.UsageError(
            "name the file of answers, or a folder of teams' schemas instead of one schema"
        )
    only_one_standard_input(schema, *answers)
    not_onto_an_input(destination, *(path for path in (schema, *answers) if path != STANDARD_INPUT))
    mission = load(schema)
    read = [marking.read(answers_text(path), shown_name(path)) for path in answers]
    marks = marking.mark(
        mission, (one for found, _ in read for one in found), (line for _, unread in read for line in unread)
    )
    if as_json:
        output.write_json(marks_document(marks), destination)
    else:
        output.write(marks_text(marks, Page.at(destination)), destination)
    return FINDINGS if marks.unread else 0
