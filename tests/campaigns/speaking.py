"""Generated code that takes and gives values, in full: 300 random schemas, 1,000 records each, held to the Python codec."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from typing import TextIO

from packetkit import toolchains
from packetkit.fuzz import features, speaking
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import Mission
from packetkit.targets import TARGETS

SCHEMAS, RECORDS = 300, 1000
SPEAKERS: dict[str, Callable[[], toolchains.Speaker]] = {
    "javascript": toolchains.javascript,
    "python": toolchains.python,
}


def writer(name: str, speaker: toolchains.Speaker, place: str) -> speaking.Write:
    """Return what writes missions for a target below a directory."""

    def write(mission: Mission) -> speaking.Ask:
        dossier = Dossier(mission.name, mission.fingerprint, "", "", mission.outside)
        files = TARGETS[name].write(mission.layouts, dossier)
        directory = Path(tempfile.mkdtemp(dir=place))
        for file, text in files.items():
            (directory / file).write_text(text, encoding="utf-8")
        return partial(speaker.ask, str(directory / next(iter(files))))

    return write


def run(seed: int, out: TextIO, schemas: int = SCHEMAS, records: int = RECORDS) -> int:
    """Return how many frames a target answers otherwise than the Python codec; the report says what was drawn and refused."""
    with ExitStack() as stack:
        place = stack.enter_context(tempfile.TemporaryDirectory())
        targets = {
            name: writer(name, stack.enter_context(start()), place) for name, start in SPEAKERS.items()
        }
        report = speaking.agreement(targets, seed, range(100 * schemas), records, schemas)
    out.write(f"{dict(report.schemas)} schemas, {report.frames} frames, {report.questions:,} questions\n")
    out.write(
        f"  answers: {dict(report.answers.most_common())}\n  refused: {dict(report.refused) or 'none'}\n"
    )
    for feature in features.FEATURES:
        out.write(f"  {report.features[features.key(feature)]:6,}  {feature.row:3}  {feature.name}\n")
    out.writelines(f"\n{one}\n" for one in report.differences[:5])
    return len(report.differences)


CAMPAIGNS = {"values-in-targets": run}
