"""The campaigns `flight` and `boards`: random schemas as C under the sanitizers and as MicroPython in its interpreter, many in one program,
held to the codec on raw codes.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from random import Random
from typing import TextIO

from packetkit import toolchains
from packetkit.codec.frame import Frame
from packetkit.errors import Unsupported
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
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    tests = import_module("tests.agreement.test_micropython")
    failures, asked, refused = 0, 0, 0
    for number in range(SCHEMAS):
        _, mission = campaign.loaded(campaign.schema_seed(seed, number), Counter())
        layouts = list(mission.layouts.values())
        if len(layouts) > 1 or not all(isinstance(node, Run) for node in layouts[0].nodes):
            continue
        made = tests.for_the_board(mission, Random(number))
        refused += made is None
        if made is None:
            continue
        asked += 1
        output, _, broken = toolchains.microbit(made[0]).partition("\x04")
        if output != made[1] or broken.strip("\x04\r\n"):
            failures += 1
            out.write(f"schema {number} on the smallest board: {output!r} {broken!r}, not {made[1]!r}\n")
    out.write(f"the smallest board: {asked} schemas, {refused} refused, {failures} fail\n")
    return failures


Start = Callable[[toolchains.Missions, str], toolchains.Process]


def _held(
    seed: int, out: TextIO, target: Target, start: Start, options: tuple[str, ...], *, parts: bool = False
) -> int:
    failures, refused, drawn = 0, Counter[str](), Counter[str]()
    asked = 0
    for first in range(0, SCHEMAS, TOGETHER):
        missions = []
        asked_for = frozenset(options[first // TOGETHER % len(options)].split())
        for number in range(first, min(first + TOGETHER, SCHEMAS)):
            _, mission = campaign.loaded(campaign.schema_seed(seed, number), Counter(), parts=parts)
            dossier = Dossier(f"m{number}", mission.fingerprint, "", "", mission.outside, asked_for)
            try:
                target.write(mission.layouts, dossier)
            except Unsupported as no:
                refused.update(reason for _, reason in no.items)
                continue
            missions.append((mission, dossier))
            for declared in mission.declared.frames:
                drawn.update(features.of(declared, mission.layouts[declared.name]))
        found, count = _together(missions, seed, start)
        asked += count
        failures += len(found)
        out.writelines(found)
        out.write(f"{first + TOGETHER} schemas, {asked:,} subjects, {failures} frames differ\n")
        out.flush()
    out.writelines(f"refused {count:4}: {reason}\n" for reason, count in refused.most_common())
    rows = campaign.Report(seed, features=drawn)
    out.writelines(f"row {row:2}: {count} frames\n" for row, count in sorted(campaign.rows(rows).items()))
    return failures


def _together(missions: list[tuple[Mission, Dossier]], seed: int, start: Start) -> tuple[list[str], int]:
    """What one program of several missions answers otherwise, and how much it was asked."""
    found, asked, number = [], 0, 0
    named = [(mission.layouts, of) for mission, of in missions]
    with (
        tempfile.TemporaryDirectory(prefix="packetkit-") as place,
        start(named, place) as process,
    ):
        for mission, of in missions:
            for layout in mission.layouts.values():
                held = raw.Held(layout, Frame(layout), number)
                number += 1
                subjects = list(raw.subjects(layout, held.frame, Random(f"{seed} {of.mission}"), RECORDS))
                asked += len(subjects)
                for one in raw.partings(held, process.ask, subjects):
                    found.append(f"{of.mission} {layout}\n{raw.smallest(held, process.ask, one)}\n")
                    break
    return found, asked


CAMPAIGNS: dict[str, Callable[[int, TextIO], int]] = {"flight": flight, "boards": boards}
