"""`packetkit demo`: the main job on a shipped, invented mission, each step as the command that a user would type.

Nothing here is special: the steps are rows of STEPS, run one after another through the program's own entry, in a directory of their own.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from fnmatch import fnmatch
from pathlib import Path
from typing import NamedTuple

import click

from packetkit.cli import output
from packetkit.errors import InputError
from packetkit.resources import resource

MISSION = "plover"
ONE = "one.jsonl"  # a record for the eye: all of them would fill many screens


class Step(NamedTuple):
    """One thing to see: why, and the command. ends: the exit status that it should have."""

    why: str
    arguments: tuple[str, ...]
    ends: int = 0


def _step(why: str, typed: str, ends: int = 0) -> Step:
    return Step(why, tuple(typed.split()), ends)


STEPS: tuple[Step, ...] = (
    _step(
        "The schema says what an invented balloon box measures. `check` works out the frame and draws it.",
        f"check {MISSION}.yaml",
    ),
    _step(
        f"A record becomes a frame, bytes. {ONE} holds the first of {MISSION}.records.jsonl.",
        f"encode {MISSION}.yaml {ONE} --to binary -o frame.bin",
    ),
    _step(
        "And back: the same values, each number exactly what was put in.", f"decode {MISSION}.yaml frame.bin"
    ),
    _step(
        "A capture of ten minutes over a bad link: frames lost, damaged, junk between them (simulated).",
        f"simulate {MISSION}.yaml --minutes 10 --loss 10% --damage 10% --junk 10% --seed 7 -o capture.bin",
    ),
    _step(
        "Decoding it accounts for every byte. Exit status 1 says that something was damaged.",
        f"decode {MISSION}.yaml capture.bin --format csv -o capture.csv",
        ends=1,
    ),
    _step(
        "What one frame costs in the air, the driver's four bytes included, step by step.",
        "airtime --bytes 34 --spreading-factor 9 --bandwidth-khz 125 --coding-rate 4/6",
    ),
    _step("What the flight brings, at the radio setting that the schema names.", f"budget {MISSION}.yaml"),
    _step(
        "The proof: random records and bytes, three independent codecs, one answer.",
        f"fuzz {MISSION}.yaml --examples 200",
    ),
)


@contextmanager
def place(directory: str | None) -> Iterator[Path]:
    """A directory with the mission's files: the one asked for, which stays, or one that is gone afterwards."""
    with (
        tempfile.TemporaryDirectory(prefix="packetkit-demo-")
        if directory is None
        else _kept(directory) as made
    ):
        examples = "*.*" if directory else f"{MISSION}.*"  # whoever keeps the files gets every example
        for path in resource("schemas").iterdir():
            if path.is_file() and not path.name.endswith(".md") and fnmatch(path.name, examples):
                (Path(made) / path.name).write_bytes(path.read_bytes())
        lines = (
            (Path(made) / f"{MISSION}.records.jsonl").read_text(encoding="utf-8").splitlines(keepends=True)
        )
        (Path(made) / ONE).write_text(lines[0], encoding="utf-8")
        yield Path(made)


@contextmanager
def _kept(directory: str) -> Iterator[str]:
    path = Path(directory)
    if path.exists() and (not path.is_dir() or any(path.iterdir())):
        raise InputError(f"{directory} exists and is not an empty directory; name a new one")
    path.mkdir(parents=True, exist_ok=True)
    yield directory


def shown(arguments: tuple[str, ...]) -> str:
    """The command as it is typed, gone on with on a second line where it is long."""
    lines = output.wrapped(" ".join(["packetkit", *arguments]), output.DEFAULT_COLUMNS - len("$ \\ "))
    return " \\\n    ".join(lines)


@click.command("demo")
@click.option(
    "-o", "--output", "directory", metavar="DIR", help="Keep the files, and every shipped example, in DIR."
)
def command(directory: str | None) -> None:
    """Run the main job on a shipped mission (invented): each step shows the command you would type."""
    from packetkit.cli.main import INTERRUPTED, run

    before = Path.cwd()
    width = min(output.columns(), output.DEFAULT_COLUMNS)
    with place(directory) as made:
        os.chdir(made)
        try:
            for number, step in enumerate(STEPS, start=1):
                why = "\n".join(output.wrapped(f"{number} of {len(STEPS)}. {step.why}", width))
                output.write(f"\n{why}\n\n$ {shown(step.arguments)}\n\n")
                output.flush()
                status = run(step.arguments)
                if status == INTERRUPTED:  # a step that keeps what it has done ends so, and raises nothing
                    raise KeyboardInterrupt
                if status != step.ends:
                    raise InputError(
                        f"step {number} ended with exit status {status}, not {step.ends}: this installation is broken"
                    )
        finally:
            os.chdir(before)
    kept = (
        f"The files are in {directory}, with the other examples that packetkit ships."
        if directory
        else "packetkit demo -o DIR keeps the files."
    )
    output.write(f"\nThat was the whole way: schema, frame, bytes, values, budget, proof.\n{kept}\n")
