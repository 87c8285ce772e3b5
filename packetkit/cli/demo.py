"""`packetkit demo`: the main job on a shipped, invented mission, each step as the command that a user would type.

Nothing here is special: the steps are rows of STEPS, run one after another through the program's own entry, in a directory of their own.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import click

from packetkit.cli import output
from packetkit.errors import InputError
from packetkit.resources import resource

MISSION = "plover"


class Step(NamedTuple):
    """One thing to see: why, and the command. ends: the exit status that it should have."""

    why: str
    arguments: tuple[str, ...]
    ends: int = 0


STEPS: tuple[Step, ...] = (
    Step(
        "The schema says what an invented balloon box measures. `check` works out the frame and draws it.",
        ("check", f"{MISSION}.yaml"),
    ),
    Step(
        "Records become frames: one line of JSON each, to bytes back to back.",
        ("encode", f"{MISSION}.yaml", f"{MISSION}.records.jsonl", "-o", "frames.bin"),
    ),
    Step(
        "And back: the same values, each number exactly what was put in.",
        ("decode", f"{MISSION}.yaml", "frames.bin"),
    ),
    Step(
        "A capture of ten minutes over a bad link: frames lost, damaged, junk between them (simulated).",
        (
            "simulate",
            f"{MISSION}.yaml",
            "--minutes",
            "10",
            "--loss",
            "10%",
            "--damage",
            "10%",
            "--junk",
            "10%",
            "--seed",
            "7",
            "-o",
            "capture.bin",
        ),
    ),
    Step(
        "Decoding it accounts for every byte. Exit status 1 says that something was damaged.",
        ("decode", f"{MISSION}.yaml", "capture.bin", "--format", "csv", "-o", "capture.csv"),
        ends=1,
    ),
    Step(
        "What the flight brings, at the radio setting that the schema names.", ("budget", f"{MISSION}.yaml")
    ),
    Step(
        "The proof: random records and bytes, three independent codecs, one answer.",
        ("fuzz", f"{MISSION}.yaml", "--examples", "200"),
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
        for path in sorted(resource("schemas").glob(f"{MISSION}.*")):
            shutil.copy(path, made)
        yield Path(made)


@contextmanager
def _kept(directory: str) -> Iterator[str]:
    path = Path(directory)
    if path.exists() and (not path.is_dir() or any(path.iterdir())):
        raise InputError(f"{directory} exists and is not an empty directory; name a new one")
    path.mkdir(parents=True, exist_ok=True)
    yield directory


def shown(arguments: tuple[str, ...]) -> str:
    """The command as it is typed."""
    return " ".join(["packetkit", *(f'"{word}"' if " " in word else word for word in arguments)])


@click.command("demo")
@click.option("-o", "--output", "directory", metavar="DIR", help="Keep the files in DIR, to go on with.")
def command(directory: str | None) -> None:
    """Run the main job on a shipped mission (invented): each step shows the command you would type."""
    from packetkit.cli.main import run

    before = Path.cwd()
    with place(directory) as made:
        os.chdir(made)
        try:
            for number, step in enumerate(STEPS, start=1):
                output.write(f"\n{number} of {len(STEPS)}. {step.why}\n\n$ {shown(step.arguments)}\n\n")
                output.flush()
                status = run(step.arguments)
                if status != step.ends:
                    raise InputError(
                        f"step {number} ended with exit status {status}, not {step.ends}: this installation is broken"
                    )
        finally:
            os.chdir(before)
    kept = f" The files are in {directory}." if directory else " packetkit demo -o DIR keeps the files."
    output.write(f"\nThat was the whole way: schema, frame, bytes, values, budget, proof.{kept}\n")
