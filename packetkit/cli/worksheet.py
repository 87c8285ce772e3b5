"""`packetkit worksheet`: tasks for each student's number from the class's schema, as pages, with a key and a form for answers."""

from __future__ import annotations

import os

import click

from packetkit.cli import output, second
from packetkit.errors import InputError
from packetkit.files import load, not_onto_work, write_text
from packetkit.lab import sheets
from packetkit.lab.tasks import Class, Task, fields_of, tasks_for
from packetkit.lab.words import WORDS
from packetkit.mission.load import Mission

MOST_STUDENTS = 1000


def class_of(mission: Mission, frame: str | None, seed: int) -> Class:
    """The class: the frame that is asked for, else the first with a field to work by hand. Raises InputError."""
    if frame is not None and frame not in mission.layouts:
        raise InputError(
            f"--frame: {mission.name} has no frame {frame!r}; it has {', '.join(mission.layouts)}"
        )
    able = [name for name, layout in mission.layouts.items() if fields_of(layout)]
    return Class(mission, frame or next(iter(able), next(iter(mission.layouts))), seed)


def files_of(of: Class, tasks: dict[int, dict[str, Task]], language: str) -> dict[str, str]:
    """Every file by its name: pages and key, each as HTML and as Markdown, and the form for answers."""
    words = WORDS[language]
    plain, solved = (sheets.sheets(of, tasks, words, solved=flag) for flag in (False, True))
    return {
        "worksheets.html": sheets.html(plain, words),
        "worksheets.md": sheets.markdown(plain, words),
        "key.html": sheets.html(solved, words, sheets.answers_grid(of, tasks, words), solved=True),
        "key.md": sheets.markdown(solved, words, solved=True),
        "answers.csv": sheets.answers_csv(of, tasks),
    }


def document(
    of: Class, tasks: dict[int, dict[str, Task]], checked: int, files: list[str]
) -> dict[str, object]:
    """What `--json` writes: the tasks with their answers, and the files."""
    return {
        "mission": of.mission.name,
        "frame": of.frame,
        "seed": of.seed,
        "sheet": of.sheet,
        "students": [
            {"student": student, "answers": {kind: task.answer for kind, task in mine.items()}}
            for student, mine in tasks.items()
        ],
        "checked": checked,
        "files": files,
    }


@click.command("worksheet")
@click.argument("schema", metavar="SCHEMA")
@click.option(
    "--students",
    type=output.Whole(1, MOST_STUDENTS),
    default=30,
    show_default=True,
    metavar="N",
    help="How many sheets.",
)
@click.option(
    "--first",
    type=output.Whole(1, 999_000),
    default=1,
    show_default=True,
    metavar="N",
    help="The first student's number.",
)
@click.option(
    "--seed",
    type=output.Whole(0, 999_999),
    default=1,
    show_default=True,
    metavar="N",
    help="Another seed, other tasks.",
)
@click.option(
    "--frame", metavar="NAME", help="The frame to draw from.  [default: the first that can be worked by hand]"
)
@output.directory_option
@output.json_option
def command(
    schema: str, students: int, first: int, seed: int, frame: str | None, directory: str, as_json: bool
) -> int:
    """Write worksheets for a class: encode, decode, find a flipped bit, divide for a check, size a field, airtime, bytes of a pass.

    Students have numbers, not names. Each number has tasks of its own; the same schema, seed and number give the same tasks. Into DIR go
    worksheets and key, as HTML to print (A4 or Letter) and as Markdown, and answers.csv, which `packetkit mark` reads. Every answer of the
    key is worked out a second time, by another implementation, before anything is written.

    \b
    packetkit worksheet heron.yaml --students 30 -o class
    """
    of = class_of(load(schema), frame, seed)
    tasks = {student: tasks_for(of, student) for student in range(first, first + students)}
    checked = second.check(of.mission, of.frame, tasks)
    files = files_of(of, tasks, "en")
    not_onto_work(os.path.join(directory, "answers.csv"), files["answers.csv"])
    os.makedirs(directory, exist_ok=True)
    paths = [os.path.join(directory, name) for name in files]
    for path, text in zip(paths, files.values(), strict=True):
        write_text(path, text)
    if as_json:
        output.write_json(document(of, tasks, checked, paths))
    else:
        output.write("".join(f"{path}\n" for path in paths))
        output.say(
            f"{students} sheets {of.sheet} of {of.frame}; {checked} answers worked out twice, all the same."
        )
    return 0
