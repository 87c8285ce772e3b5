"""The campaign `fuzzers`: generated C decoders under a coverage-guided fuzzer with the sanitizers, for long, over many random schemas."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import TextIO

SCHEMAS, TOGETHER, RUNS = 120, 10, 2_000_000


def fuzzers(seed: int, out: TextIO) -> int:
    """Return how many programs of some schemas together had a fault, or made something that moves."""
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    tests = import_module("tests.agreement.test_c_fuzzed")
    failures = 0
    for first in range(0, SCHEMAS, TOGETHER):
        missions = tests.drawn(4 * first, TOGETHER, seed)
        with tempfile.TemporaryDirectory(prefix="packetkit-") as place:
            done = tests.fuzzed(missions, Path(place), RUNS, seed % (1 << 31) or 1)
        if done.returncode:
            failures += 1
            out.write(f"schemas from {4 * first} on:\n{done.stderr[-4000:]}\n")
        out.write(f"{first + TOGETHER} schemas, {RUNS:,} runs each {TOGETHER}, {failures} programs failed\n")
        out.flush()
    return failures


CAMPAIGNS: dict[str, Callable[[int, TextIO], int]] = {"fuzzers": fuzzers}
