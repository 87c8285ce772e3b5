"""Generated targets held to the codec, for `fuzz` and `vectors`: compiled once, asked in batches, the first difference made small."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from itertools import islice
from random import Random

import click

from packetkit.conformance import members
from packetkit.conformance.spoken import Told
from packetkit.conformance.vector import Case
from packetkit.errors import DecodeError
from packetkit.fuzz import proof, raw, speaking
from packetkit.fuzz.at_once import at_once
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import Mission
from packetkit.toolchains import PROCESSES, SPEAKING, Process, Spoken

BATCH = 300  # subjects asked at once


class Target:
    """One target of a mission, running. frames: what it is held to, by name."""

    def __init__(self, name: str, mission: Mission, process: Process | Spoken) -> None:
        self.name = name
        self.ask = process.ask
        self.ask_values = process.ask_values if isinstance(process, Spoken) else None
        self.frames = {
            frame: raw.Held(layout, mission.frame(frame), number)
            for number, (frame, layout) in enumerate(mission.layouts.items())
        }


def prove(targets: Sequence[Target], one: proof.FrameProof, seed: int, examples: int) -> None:
    """Hold running targets to a frame of which something is proven already, with as many records. All are asked the same, at the same time.

    The first target that differs is the one whose difference is told; what the others answer to that batch does not count.
    """
    held = targets[0].frames[one.name]
    chance = Random(f"{seed} {one.name}")
    for target in targets:
        one.targets[target.name] = 0
    subjects = raw.subjects(held.layout, held.frame, chance, examples)
    with at_once({target.name: target.ask for target in targets}) as put:
        while batch := list(islice(subjects, BATCH)):
            partings = raw.first_partings(held, put, batch)
            for target in targets:
                if target.name in partings:
                    smallest = raw.smallest(held, target.ask, partings[target.name])
                    one.failure = failure(target.name, held, smallest)
                    return
            for target in targets:
                one.targets[target.name] += len(batch)
    _prove_values(targets, held, one, chance, examples)


def _prove_values(
    targets: Sequence[Target], held: raw.Held, one: proof.FrameProof, chance: Random, examples: int
) -> None:
    """Hold to a frame those targets that take and give values, too."""
    asks = {target.name: target.ask_values for target in targets if target.ask_values is not None}
    if not asks:
        return
    report = speaking.Report()
    difference = next(speaking.differences(held.frame, asks, chance, examples, report), None)
    for name in asks:
        one.targets[name] += report.questions
    if difference is not None:
        smallest = speaking.smallest(held.frame, asks[difference.target], difference)
        one.failure = value_failure(held, smallest)


def value_failure(held: raw.Held, found: speaking.Difference) -> proof.Failure:
    """Return a difference between values as a proof has it."""
    subject = found.question[2]
    if isinstance(subject, Told):
        one = decoded(held, *subject)
        subject = subject.data  # beside which the sentence says what is told
    elif isinstance(subject, bytes):
        one = decoded(held, subject, {}, {})
    elif "bytes" in found.expected:
        data = bytes.fromhex(found.expected["bytes"])
        one = Case("found", subject, data, held.frame.decode(data))
    else:
        one = Case("found", subject)
    return proof.Failure(f"{found.target} = codec, on values", subject, str(found), "", one)


def failure(target: str, held: raw.Held, parting: raw.Parting) -> proof.Failure:
    """Return a difference as a proof has it."""
    (_, wanted), (_, got) = parting.expected, parting.found
    place = proof.first_difference(held.layout, wanted, got) if isinstance(got, bytes) else ""
    action = "decoding" if isinstance(parting.subject, bytes) else "encoding the codes"
    subject = parting.subject.hex() if isinstance(parting.subject, bytes) else listed(held, parting.subject)
    sentence = f"{action} {subject}: {target} gives {said(parting.found)}, the codec {said(parting.expected)}"
    return proof.Failure(
        f"{target} = codec, on raw codes", parting.subject, sentence, place, case(held, parting.subject)
    )


def listed(held: raw.Held, subject: tuple[int, ...]) -> str:
    """A row of members with the names of their fields."""
    slots = members.slots(held.layout, subject)
    return ", ".join(
        f"{slot.address if slot is not None else 'elements'} {code}"
        for slot, code in zip(slots, subject, strict=True)
    )


def said(outcome: raw.Outcome) -> str:
    status, content = outcome
    if isinstance(content, bytes):
        return content.hex()
    return status if content is None else f"{status} {content}"


def decoded(held: raw.Held, data: bytes, variants: Mapping[str, str], known: Mapping[str, int]) -> Case:
    """Bytes as a vector: what the codec makes of them."""
    try:
        return Case("found", data=data, back=held.frame.decode(data, variants=variants, known=known or None))
    except DecodeError as no:
        return Case("found", data=data, back=no.reason)


def case(held: raw.Held, subject: raw.Subject) -> Case:
    """A counterexample as a vector: what the codec makes of it."""
    if isinstance(subject, bytes):
        return decoded(held, *members.untold(held.layout, subject))
    detail = members.to_detail(held.layout, subject)
    status, data = raw.expected(held, subject)
    if status != "ok":
        return Case("found", detail)
    return Case("found", detail, data, held.frame.decode(data))


def asked_on(target: str) -> str:
    """What a target is asked about."""
    return "raw codes and values" if target in SPEAKING else "raw codes"


@contextmanager
def running(mission: Mission, names: Sequence[str]) -> Iterator[list[Target]]:
    """Yield these targets of a mission, each as a running process, in a directory that is gone afterwards.

    Raises Unsupported, or TargetError where what it takes to run one is not here.
    """
    dossier = Dossier(mission.name, mission.fingerprint, "", "", mission.outside)
    with tempfile.TemporaryDirectory(prefix="packetkit-") as directory:
        if not names:
            yield []
            return
        name, *others = names
        with (
            PROCESSES[name]([(mission.layouts, dossier)], directory) as process,
            running(mission, others) as rest,
        ):
            yield [Target(name, mission, process), *rest]


def chosen(context: click.Context, parameter: click.Parameter, value: str | None) -> tuple[str, ...]:
    """Return the targets that an option names, without repeats."""
    names = tuple(dict.fromkeys(word.strip() for word in value.split(","))) if value else ()
    for name in names:
        if name not in PROCESSES:
            raise click.BadParameter(f"{name!r} is none of {', '.join(PROCESSES)}", context, parameter)
    return names


option = click.option(
    "--targets",
    metavar="NAMES",
    callback=chosen,
    help=f"Hold generated code to the codec too, on raw codes, and where it knows them on values: {', '.join(PROCESSES)}.",
)
