"""`packetkit vectors`: a mission's records, bytes and records back, as a file that every codec of the frame can be held to."""

from __future__ import annotations

from collections.abc import Iterator

import click

from packetkit.cli import held, output
from packetkit.conformance import boot, generate, judge, members, vector
from packetkit.errors import DecodeError, TargetError
from packetkit.files import load, not_onto_an_input, only_one_standard_input, read_text, shown_name
from packetkit.fuzz import judges, raw
from packetkit.mission import vectors as mission_vectors
from packetkit.mission.load import Mission

FINDINGS = 1
SHOWN = 20  # differences on the screen; whoever needs all of them takes --json


def made(mission: Mission, cases: mission_vectors.Cases = generate.cases) -> vector.Vectors:
    """A mission's vectors, every byte of them worked out by the oracle. cases: which of them."""
    declared = {frame.name: frame for frame in mission.declared.frames}

    def judge_of(name: str) -> judge.Judge:
        return judges.oracle(declared[name], mission.layouts[name])

    return mission_vectors.made(mission, judge_of, cases=cases)


def verify(mission: Mission, found: vector.Vectors, targets: tuple[str, ...], as_json: bool) -> int:
    """Print how the codec, and generated targets, stand to vectors; return 1 where they differ."""
    wrong = list(mission_vectors.differences(found, mission, judge.codec))
    absent: dict[str, str] = {}
    for name in targets if not wrong else ():
        try:
            with held.running(mission, [name]) as others:
                wrong += [sentence for target in others for sentence in differences(target, found)]
        except TargetError as error:  # noqa: PERF203  # the others are held to the codec nevertheless
            if len(targets) == 1:
                raise
            absent[name] = str(error)
    count = sum(len(frame.cases) for frame in found.frames)
    if as_json:
        output.write_json(
            {
                "mission": mission.name,
                "fingerprint": mission.fingerprint,
                "vectors_fingerprint": found.fingerprint,
                "cases": count,
                "targets": [name for name in targets if name not in absent],
                "not_run": absent,
                "agree": not wrong,
                "differences": wrong,
            }
        )
    elif wrong:
        more = f"... and {len(wrong) - SHOWN} more\n" if len(wrong) > SHOWN else ""
        output.write("".join(f"{one}\n" for one in wrong[:SHOWN]) + more)
    else:
        who = ", ".join(("the codec", *(name for name in targets if name not in absent)))
        output.write(f"{mission.name}: {count} vectors agree{f' with {who}' if targets else ''}.\n")
    if not as_json:
        output.write("".join(f"{name} was not asked: {why}\n" for name, why in absent.items()))
    return FINDINGS if wrong or absent else 0


def differences(target: held.Target, found: vector.Vectors) -> Iterator[str]:
    """Yield what a target does otherwise than vectors that the codec agrees with: their bytes read, their raw codes written."""
    for frame in found.frames:
        one = target.frames[frame.name]
        for case in frame.cases:
            asked = subjects(one, case)
            for parting in raw.partings(one, target.ask, asked) if asked else ():
                yield f"{frame.name}: {case.name}: {held.failure(target.name, one, parting).sentence}"


def subjects(one: raw.Held, case: vector.Case) -> list[raw.Subject]:
    """Return what a target is asked about a vector: its bytes, and the codes in them.

    Codes of supplied fields, which decoding is told, are those that the checks tell; no bytes say a variant that is told from outside.
    """
    if case.data is None:
        return []
    data = case.data
    if members.told_size(one.layout):
        try:
            data = (
                members.told(one.layout, members.from_detail(one.layout, one.frame.decode(data, detail=True)))
                + data
            )
        except DecodeError:
            return []
    row = raw.expected(one, data)[1]
    return [data] if row is None else [data, row]


def self_test(mission: Mission, line: str) -> int:
    """Print whether a unit's own line says that it packs as this schema does; return 1 where it does not."""
    answer = boot.judged(mission.layouts, mission.name, mission.fingerprint, line)
    output.write(f"{answer.sentence}\n")
    return 0 if answer.agrees else FINDINGS


@click.command("vectors")
@click.argument("schema", metavar="SCHEMA")
@click.option(
    "--verify",
    "path",
    metavar="FILE",
    help="Hold the codec against these vectors instead of writing new ones.",
)
@click.option(
    "--self-test",
    "line",
    metavar="LINE",
    help="Say whether a unit that printed this line when it started packs as SCHEMA says.",
)
@click.option(
    "--json",
    "as_json",
    is_flag=True,
    help="With --verify or --targets: write one strict JSON document instead of text.",
)
@held.option
@output.output_option
def command(
    schema: str,
    path: str | None,
    line: str | None,
    as_json: bool,
    targets: tuple[str, ...],
    destination: str,
) -> int:
    """Write, or verify, test vectors: values, bytes, and values back.

    Each field at its minimum, -1, 0, 1, maximum, missing, in every state and just out of range; options absent, lists empty and at their
    longest; records at random; damaged frames with the reason why they are refused. The bytes are worked out by a slow second
    implementation of the wire rules, never by the codec that they are for. With --targets generated code reads and writes them too,
    as raw codes. Exit status 1: the codec, a target or a unit's line differs.

    \b
    packetkit vectors heron.yaml -o heron.vectors.json
    packetkit vectors heron.yaml --verify heron.vectors.json --targets c
    packetkit vectors heron.yaml --self-test "heron 1-0123456789abcdef 89ABCDEF"
    """
    only_one_standard_input(schema, path)
    not_onto_an_input(destination, schema)
    mission = load(schema)
    if path is not None or targets or line is not None:
        if destination != "-":
            asked = "--self-test" if line is not None else "--verify" if path is not None else "--targets"
            raise click.UsageError(f"{asked} writes nothing: leave -o out")
        if line is not None:
            if path is not None or targets or as_json:
                raise click.UsageError("--self-test stands alone: leave the other options out")
            return self_test(mission, line)
        found = made(mission) if path is None else vector.read(read_text(path), shown_name(path))
        return verify(mission, found, targets, as_json)
    if as_json:
        raise click.UsageError("vectors are JSON in any case; --json goes with --verify and --targets")
    output.write(vector.text(made(mission)), destination)
    return 0
