"""`packetkit vectors`: a mission's records, bytes and records back, as a file that every codec of the frame can be held to."""

from __future__ import annotations

import click

from packetkit.cli import output
from packetkit.conformance import judge, vector
from packetkit.files import load, not_onto_an_input, only_one_standard_input, read_text, shown_name
from packetkit.fuzz import judges
from packetkit.mission import vectors as mission_vectors
from packetkit.mission.load import Mission

FINDINGS = 1
SHOWN = 20  # differences on the screen; whoever needs all of them takes --json


def made(mission: Mission) -> vector.Vectors:
    """A mission's vectors, every byte of them worked out by the oracle."""
    declared = {frame.name: frame for frame in mission.declared.frames}
    return mission_vectors.made(mission, lambda name: judges.oracle(declared[name], mission.layouts[name]))


def verify(mission: Mission, path: str, as_json: bool) -> int:
    """Print how the codecs stand to a file of vectors; return 1 where they differ."""
    found = vector.read(read_text(path), shown_name(path))
    wrong = list(mission_vectors.differences(found, mission, judge.codec))
    count = sum(len(frame.cases) for frame in found.frames)
    if as_json:
        output.write_json(
            {
                "mission": mission.name,
                "fingerprint": mission.fingerprint,
                "vectors_fingerprint": found.fingerprint,
                "cases": count,
                "agree": not wrong,
                "differences": wrong,
            }
        )
    elif wrong:
        more = f"... and {len(wrong) - SHOWN} more\n" if len(wrong) > SHOWN else ""
        output.write("".join(f"{one}\n" for one in wrong[:SHOWN]) + more)
    else:
        output.write(f"{mission.name}: {count} vectors agree.\n")
    return FINDINGS if wrong else 0


@click.command("vectors")
@click.argument("schema", metavar="SCHEMA")
@click.option(
    "--verify",
    "path",
    metavar="FILE",
    help="Hold the codec against these vectors instead of writing new ones.",
)
@click.option(
    "--json", "as_json", is_flag=True, help="With --verify: write one strict JSON document instead of text."
)
@output.output_option
def command(schema: str, path: str | None, as_json: bool, destination: str) -> int:
    """Write, or verify, test vectors: values, bytes, and values back.

    Each field at its minimum, -1, 0, 1, maximum, missing, in every state and just out of range; options absent, lists empty and at their
    longest; records at random; damaged frames with the reason why they are refused. The bytes are worked out by a slow second
    implementation of the wire rules, never by the codec that they are for. Exit status 1: the codec differs from a vector.

    \b
    packetkit vectors heron.yaml -o heron.vectors.json
    packetkit vectors heron.yaml --verify heron.vectors.json
    """
    only_one_standard_input(schema, path)
    not_onto_an_input(destination, schema)
    mission = load(schema)
    if path is not None:
        if destination != "-":
            raise click.UsageError("--verify writes nothing: leave -o out")
        return verify(mission, path, as_json)
    if as_json:
        raise click.UsageError("vectors are JSON in any case; --json goes with --verify")
    output.write(vector.text(made(mission)), destination)
    return 0
