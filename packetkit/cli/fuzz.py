"""`packetkit fuzz`: put a mission's own frames to every law and every judge, and show the smallest counterexample there is.

What is asked is packetkit.fuzz's; this module reads options, counts the time, words and draws.
"""

from __future__ import annotations

import os
import secrets
from time import monotonic
from typing import Any

import click

from packetkit.cli import held, output
from packetkit.conformance import vector
from packetkit.errors import InputError
from packetkit.files import not_onto_an_input, read_schema, shown_name, write_text
from packetkit.fuzz import laws, proof
from packetkit.mission.load import Mission, parse

FINDINGS, INTERRUPTED = 1, 130

JUDGES = {
    "codec": "codec = oracle",
    "walker": "codec, slot by slot = oracle",
    "construct": "construct object = oracle",
}


def frames_of(mission: Mission, name: str | None) -> list[str]:
    """The frames to prove. Raises InputError for one that the mission has not."""
    if name is None:
        return list(mission.layouts)
    if name not in mission.layouts:
        raise InputError(f"{mission.name} has no frame {name}; it has {', '.join(mission.layouts)}")
    return [name]


def document(made: proof.Proof, seconds: float) -> dict[str, Any]:
    """What `--json` writes."""
    return {
        "mission": made.mission.name,
        "fingerprint": made.mission.fingerprint,
        "seed": made.seed,
        "seconds": round(seconds, 3),
        "interrupted": made.interrupted,
        "holds": made.holds,
        "examples": made.examples,
        "frames": {frame.name: _frame(frame) for frame in made.frames},
    }


def _frame(frame: proof.FrameProof) -> dict[str, Any]:
    failure = frame.failure
    return {
        "fingerprint": frame.fingerprint,
        "laws": dict(frame.laws),
        "judges": dict(frame.judges),
        "targets": dict(frame.targets),
        "construct_cannot": [{"path": path, "reason": reason} for path, reason in frame.refusals],
        "failure": None
        if failure is None
        else {
            "what": failure.what,
            "sentence": failure.sentence,
            "first_difference": failure.place,
            "counterexample": vector.case_document(failure.case),
        },
    }


def text(made: proof.Proof, seconds: float, encoding: str) -> str:
    """What a person reads: a table a frame, then the verdict."""
    width = min(output.columns(), output.DEFAULT_COLUMNS)
    parts = [f"{made.mission.name}: seed {made.seed} (--seed {made.seed} repeats it)\n"]
    for frame in made.frames:
        rows: list[tuple[object, ...]] = [
            (laws.LAWS[name].sentence, f"{count:,}") for name, count in frame.laws.items()
        ]
        rows += [(JUDGES[name], f"{count:,}") for name, count in frame.judges.items()]
        rows += [
            (f"{name} = codec, on {held.asked_on(name)}", f"{count:,}")
            for name, count in frame.targets.items()
        ]
        columns = (output.Column(f"{frame.name}: what holds", fit="wrap"), output.Column("examples", ">"))
        parts.append(output.Table(columns, tuple(rows)).text(encoding=encoding))
        refusals = (f"construct cannot express {path}: {reason}" for path, reason in frame.refusals)
        lines = [line for one in refusals for line in output.wrapped(one, width)]
        parts += ["\n".join(lines) + "\n"] if lines else []
        if frame.failure is not None:
            parts.append(proof.told(frame.failure) + "\n")
    parts.append(_verdict(made, seconds))
    return "\n".join(parts)


def _verdict(made: proof.Proof, seconds: float) -> str:
    count = f"{made.examples:,} examples in {output.duration_text(seconds)}"
    broken = [frame.name for frame in made.frames if frame.failure is not None]
    if broken:
        return f"{count}. Does not hold: {', '.join(broken)}.\n"
    return (
        f"Interrupted after {count}; so far all of it holds.\n"
        if made.interrupted
        else f"{count}: all of it holds.\n"
    )


def hold(made: proof.Proof, targets: list[held.Target], examples: int) -> None:
    """Hold running targets to every frame that holds so far."""
    try:
        for frame in made.frames if targets else ():
            if frame.failure is None and not made.interrupted:
                held.prove(targets, frame, made.seed, examples)
    except KeyboardInterrupt:
        made.interrupted = True


def save(made: proof.Proof, schema: str, directory: str) -> list[str]:
    """Write each counterexample as a vector; return the files."""
    written = []
    for frame in made.frames:
        if frame.failure is None:
            continue
        worked = f"By the oracle; found by packetkit fuzz with seed {made.seed}, and shrunk."
        title = f"{frame.name}: {frame.failure.what}"
        path = os.path.join(directory, f"found-{made.mission.name}-{frame.name}-{made.seed}.json")
        found = proof.found_document(title, schema, frame.name, frame.failure.case, worked)
        os.makedirs(directory, exist_ok=True)
        write_text(path, output.json_text(found))
        written.append(path)
    return written


@click.command("fuzz")
@click.argument("schema", metavar="SCHEMA")
@click.option("--frame", "name", metavar="NAME", help="Prove this frame only.")
@click.option(
    "--examples",
    type=output.Whole(1, 10**9),
    default=1000,
    show_default=True,
    metavar="N",
    help="Records a frame; damaged frames and bytes at random come beside them.",
)
@click.option("--seed", type=output.Whole(0), metavar="N", help="Repeat the run that printed this seed.")
@click.option(
    "--save",
    "directory",
    metavar="DIR",
    default=".",
    show_default=True,
    help="Where a counterexample is written, as a vector.",
)
@held.option
@output.json_option
@output.output_option
def command(
    schema: str,
    name: str | None,
    examples: int,
    seed: int | None,
    directory: str,
    targets: tuple[str, ...],
    as_json: bool,
    destination: str,
) -> int:
    """Prove by random records and damage that every value of a frame comes back.

    The codec, the construct object and a slow second implementation of the wire rules answer the same questions; each law is asked
    of the codec. A counterexample is made small and saved. Exit status 1: something does not hold. Interrupted, what was proven so
    far is printed. Targets are compiled and run with what is installed here; C under the sanitizers for memory and undefined behaviour.

    \b
    packetkit fuzz heron.yaml
    packetkit fuzz heron.yaml --frame survey --examples 20000 --seed 7
    packetkit fuzz heron.yaml --targets c,javascript,python
    """
    not_onto_an_input(destination, schema)
    data = read_schema(schema)
    mission = parse(data, shown_name(schema))
    names = frames_of(mission, name)
    chosen = secrets.randbits(32) if seed is None else seed
    start = monotonic()
    with held.running(mission, targets) as others:
        with output.Progress("records", examples * len(names)) as progress:
            made = proof.prove(mission, names, chosen, examples, progress.advance)
        hold(made, others, examples)
    seconds = monotonic() - start
    files = save(made, data.decode("utf-8-sig"), directory)
    if as_json:
        output.write_json({**document(made, seconds), "saved": files}, destination)
    else:
        saved = "".join(f"Saved as a vector: {path}\n" for path in files)
        output.write(text(made, seconds, output.encoding_of(destination)) + saved, destination)
    if made.interrupted:
        return INTERRUPTED
    return 0 if made.holds else FINDINGS
