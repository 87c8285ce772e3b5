"""The campaigns `flight` and `boards`: random schemas as C under the sanitizers and as MicroPython in its interpreter, many in one program,
held to the codec on raw codes.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from importlib import import_module
from pathlib import Path
from random import Random
from typing import TextIO

from packetkit import toolchains
from packetkit.codec.frame import Frame
from packetkit.errors import TargetError, Unsupported
from packetkit.fuzz import campaign, features, raw
from packetkit.layout.model import Run
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import Mission
from packetkit.targets import c, micropython
from packetkit.targets.target import Target

SCHEMAS, RECORDS, TOGETHER = 300, 1000, 20


def flight(seed: int, out: TextIO) -> int:
    """Return how many frames some subject of which C does not answer as the codec does."""
    return _held(
        seed,
        out,
        c.TARGET,
        toolchains.c_process,
        ("", "fast_checks", "small", "small_checks", "small fast_checks"),
        parts=True,
    )


def boards(seed: int, out: TextIO) -> int:
    """Return how many frames some subject of which MicroPython does not answer as the codec does; its options take turns."""
    options = ("", "small_integers", "fast_checks", "small_integers fast_checks")
    failures = _on_the_smallest(seed, out)
    return failures + _held(
        seed, out, micropython.TARGET, toolchains.micropython_process, options, parts=True
    )


def _on_the_smallest(seed: int, out: TextIO) -> int:
    """Return on how many schemas the smallest board fails: of those with one frame of single fields all that it has room for."""
    with ProcessPoolExecutor(max(os.cpu_count() or 1, 1)) as pool:
        told = list(pool.map(partial(_smallest, seed), range(SCHEMAS), chunksize=TOGETHER))
    found = [one for one in told if one not in ("", REFUSED, None)]
    out.writelines(f"{one}\n" for one in found)
    counts = Counter(told)
    asked = len(told) - counts[None] - counts[REFUSED]
    out.write(f"the smallest board: {asked} schemas, {counts[REFUSED]} refused, {len(found)} fail\n")
    return len(found)


REFUSED = "refused"


def _smallest(seed: int, number: int) -> str | None:
    """Return what the smallest board does wrong on a schema, or nothing; REFUSED without room; None where the schema is none for it."""
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    tests = import_module("tests.agreement.test_micropython")
    _, mission = campaign.loaded(campaign.schema_seed(seed, number), Counter())
    layouts = list(mission.layouts.values())
    if len(layouts) > 1 or not all(isinstance(node, Run) for node in layouts[0].nodes):
        return None
    made = tests.for_the_board(mission, Random(number))
    if made is None:
        return REFUSED
    output, _, broken = toolchains.microbit(made[0]).partition("\x04")
    if output == made[1] and not broken.strip("\x04\r\n"):
        return ""
    return f"schema {number} on the smallest board: {output!r} {broken!r}, not {made[1]!r}"


Start = Callable[[toolchains.Missions, str], toolchains.Process]


@dataclass(frozen=True)
class Batch:
    """Schemas that go into one program: a seed, the numbers of the schemas, and what is made of them."""

    seed: int
    numbers: range
    target: Target
    start: Start
    options: frozenset[str]
    parts: bool


@dataclass
class Outcome:
    """What a batch came to: a text for each frame that differs, subjects asked, what was refused, what was drawn."""

    found: list[str] = field(default_factory=list)
    asked: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    drawn: Counter[str] = field(default_factory=Counter)


def _held(
    seed: int, out: TextIO, target: Target, start: Start, options: tuple[str, ...], *, parts: bool = False
) -> int:
    """Return how many frames differ; batches are spread over the processors, and told in their order."""
    batches = [
        Batch(
            seed,
            range(first, min(first + TOGETHER, SCHEMAS)),
            target,
            start,
            frozenset(options[first // TOGETHER % len(options)].split()),
            parts,
        )
        for first in range(0, SCHEMAS, TOGETHER)
    ]
    whole = Outcome()
    with ProcessPoolExecutor(max(os.cpu_count() or 1, 1)) as pool:
        for batch, one in zip(batches, pool.map(answered, batches), strict=True):
            whole.found += one.found
            whole.asked += one.asked
            whole.refused += one.refused
            whole.drawn += one.drawn
            out.writelines(one.found)
            out.write(
                f"{batch.numbers.stop} schemas, {whole.asked:,} subjects, {len(whole.found)} frames differ\n"
            )
            out.flush()
    out.writelines(f"refused {count:4}: {reason}\n" for reason, count in whole.refused.most_common())
    rows = campaign.Report(seed, features=whole.drawn)
    out.writelines(f"row {row:2}: {count} frames\n" for row, count in sorted(campaign.rows(rows).items()))
    return len(whole.found)


def answered(batch: Batch) -> Outcome:
    """Return what a batch of schemas came to."""
    made, missions = Outcome(), []
    for number in batch.numbers:
        _, mission = campaign.loaded(campaign.schema_seed(batch.seed, number), Counter(), parts=batch.parts)
        dossier = Dossier(f"m{number}", mission.fingerprint, "", "", mission.outside, batch.options)
        try:
            batch.target.write(mission.layouts, dossier)
        except Unsupported as no:
            made.refused.update(reason for _, reason in no.items)
            continue
        missions.append((mission, dossier))
        for declared in mission.declared.frames:
            made.drawn.update(features.of(declared, mission.layouts[declared.name]))
    _ask(made, missions, batch)
    return made


def _ask(made: Outcome, missions: list[tuple[Mission, Dossier]], batch: Batch) -> None:
    """Put subjects to one program of several missions; where it ends early, to one of each mission alone."""
    try:
        found, asked = _together(missions, batch.seed, batch.start)
    except TargetError as error:
        if len(missions) > 1:
            for one in missions:
                _ask(made, [one], batch)
            return
        ((_, of),) = missions
        found, asked = [f"{of.mission}: {error}\n"], 0
    made.found += found
    made.asked += asked


def _together(missions: list[tuple[Mission, Dossier]], seed: int, start: Start) -> tuple[list[str], int]:
    """What one program of several missions answers otherwise, and how much it was asked. Frames of a mission share its records."""
    found, asked, number = [], 0, 0
    named = [(mission.layouts, of) for mission, of in missions]
    with (
        tempfile.TemporaryDirectory(prefix="packetkit-") as place,
        start(named, place) as process,
    ):
        for mission, of in missions:
            share = -(-RECORDS // len(mission.layouts))
            for layout in mission.layouts.values():
                held = raw.Held(layout, Frame(layout), number)
                number += 1
                chance = Random(f"{seed} {of.mission} {layout.name}")
                subjects = list(raw.subjects(layout, held.frame, chance, share))
                asked += len(subjects)
                for one in raw.partings(held, process.ask, subjects):
                    found.append(f"{of.mission} {layout}\n{raw.smallest(held, process.ask, one)}\n")
                    break
    return found, asked


CAMPAIGNS: dict[str, Callable[[int, TextIO], int]] = {"flight": flight, "boards": boards}
