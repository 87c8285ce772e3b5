"""The campaign `processors`: random schemas as C on an emulated AVR and an emulated Cortex-M, held to the codec on raw codes."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import TextIO

SCHEMAS, TOGETHER, RECORDS = 30, 6, 20


def processors(seed: int, out: TextIO) -> int:
    """Return how many subjects a processor answers otherwise than the codec."""
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    tests = import_module("tests.agreement.test_processors")
    failures = 0
    for ground, processor in tests.PROCESSORS.items():
        asked = 0
        for first in range(0, SCHEMAS, TOGETHER):
            missions = tests.drawn(10 * first, TOGETHER, seed)
            options = ("", "fast_checks", "small")[first // TOGETHER % 3]
            with tempfile.TemporaryDirectory(prefix="packetkit-") as place:
                count, found = tests.partings(processor, missions, Path(place), options, RECORDS)
            asked += count
            failures += len(found)
            out.writelines(f"{one}\n" for one in found)
        out.write(f"{ground}: {SCHEMAS} schemas, {asked:,} subjects, {failures} differ so far\n")
        out.flush()
    return failures


CAMPAIGNS: dict[str, Callable[[int, TextIO], int]] = {"processors": processors}
