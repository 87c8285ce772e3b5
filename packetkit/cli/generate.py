"""`packetkit generate`: write what a target makes of a mission's layouts into a directory."""

from __future__ import annotations

import os

import click

from packetkit.cli import output
from packetkit.cli.vectors import made as made_vectors
from packetkit.conformance import vector
from packetkit.files import STANDARD_INPUT, read_schema, shown_name, write_text
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import parse
from packetkit.targets import TARGETS


def path_between(directory: str, path: str) -> str:
    """How to get from a directory to a file, with forward slashes; where there is no way (two drives), the whole path."""
    try:
        found = os.path.relpath(os.path.abspath(path), os.path.abspath(directory))
    except ValueError:
        found = os.path.abspath(path)
    return found.replace(os.sep, "/")


@click.command("generate")
@click.argument("schema", metavar="SCHEMA")
@click.option("--target", "name", type=click.Choice(list(TARGETS)), required=True, help="What to write.")
@click.option(
    "-o",
    "--output",
    "directory",
    metavar="DIR",
    required=True,
    help="Write into this directory; it is made where it is not there.",
)
@click.option(
    "--fast-checks",
    is_flag=True,
    help="Targets c, micropython: compute CRCs from tables of 256 entries, not by the smallest code.",
)
@click.option(
    "--small-integers",
    is_flag=True,
    help="Target micropython: no number needs more than 30 bits; wider codes are lists of 16-bit words.",
)
@output.json_option
def command(schema: str, name: str, directory: str, as_json: bool, **asked: bool) -> int:
    """Write code, or tests, for a mission's frames.

    c: C99 that is clean as C++11, for processors of 8 to 64 bits: structs of raw codes, an encoder and a decoder for each frame. What C
    cannot express is refused, field by field, before anything is written.

    micropython: a module for MicroPython 1.9.2 and later, straight-line and without taking memory for a frame of fixed size; scaling in
    whole numbers, and a main loop with two marked places. CircuitPython's small builds are kept in mind, but were not run.

    javascript: a module for node and for pages that encodes and decodes exactly as the Python codec does, a payload codec for
    LoRaWAN servers with the entry points of TS013, and a sender to start from, with two marked places for a team's own code.

    python: one file that does the same under Python 3.8 and later, without packetkit; and such a sender.

    tests: a pytest file and the vectors that it reads. It loads SCHEMA from where it is now, so it fails once an edit changes what
    is sent. A schema from standard input is copied beside it.

    The same schema gives the same files. Files of the same name are replaced.

    \b
    packetkit generate heron.yaml --target c -o flight
    packetkit generate heron.yaml --target tests -o tests
    pytest tests
    """
    options = frozenset(word for word, is_asked in asked.items() if is_asked)
    for word in sorted(options - set(TARGETS[name].options)):
        raise click.UsageError(f"--{word.replace('_', '-')} does nothing for --target {name}: leave it out")
    data = read_schema(schema)
    mission = parse(data, shown_name(schema))
    target = TARGETS[name]
    copied = f"{mission.name}.yaml" if schema == STANDARD_INPUT and target.is_proof else None
    dossier = Dossier(
        mission.name,
        mission.fingerprint,
        copied or path_between(directory, schema),
        vector.text(made_vectors(mission)) if target.is_proof else "",
        mission.outside,
        options,
    )
    files = target.write(mission.layouts, dossier)
    if copied is not None:
        files[copied] = data.decode("utf-8-sig")
    os.makedirs(directory, exist_ok=True)
    paths = [os.path.join(directory, file) for file in files]
    for path, text in zip(paths, files.values(), strict=True):
        write_text(path, text)
    if as_json:
        output.write_json(
            {"mission": mission.name, "fingerprint": mission.fingerprint, "target": name, "files": paths}
        )
    else:
        output.write("".join(f"{path}\n" for path in paths))
    return 0
