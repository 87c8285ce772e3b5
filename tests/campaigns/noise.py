"""A gigabyte of noise with ten thousand frames hidden in it: all of them found, no more others than the check's odds allow, flat memory.

Every hundredth frame begins inside a false candidate: its marker stands some bytes before the true one as well. Reported beside the count
of failures: how fast the search went, next to the same bytes searched for the marker alone, and how much memory it took.
"""

from __future__ import annotations

import math
import re
import resource
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TextIO

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from packetkit.captures.stream import Good, Reader
from packetkit.mission.load import parse

MARKER = 0xD391
SCHEMA = f"""
mission: hidden
frames:
  f:
    fields:
      - {{name: sync, kind: sync, bits: 16, code: {MARKER:#06x}}}
      - {{name: number, bits: 32}}
      - {{name: reading, bits: 32, repeat: 4}}
      - {{name: check, kind: check, algorithm: CRC-16/IBM-3740}}
"""

SIZE, HIDDEN = 10**9, 10_000

# A false candidate every so many hidden frames, and how far before the true marker.
DECOYS, BEFORE = 100, 7


def _most(expected: float) -> int:
    """The largest count that a Poisson law of this mean exceeds less than once in a million runs."""
    count, term, below = 0, math.exp(-expected), 0.0
    while (below := below + term) < 1 - 1e-6:
        count += 1
        term *= expected / count
    return count


def noise(seed: int, out: TextIO, size: int = SIZE, hidden: int = HIDDEN) -> int:
    """Return how many frames were missed, how many others were taken beyond the odds, and one where memory grew."""
    frame = parse(SCHEMA).frame()
    chance, reader = np.random.default_rng(seed), Reader({"f": frame})
    frame_size = frame.layout.size_bytes or 0
    sync, part = MARKER.to_bytes(2, "big"), size // hidden
    missed: dict[int, bytes] = {}
    others, searching, marking, early = 0, 0.0, 0.0, 0
    for number in range(hidden):
        data = bytearray(chance.bytes(part))
        at = int(chance.integers(BEFORE, part - frame_size))
        record = {"number": number, "reading": chance.integers(0, 2**32, 4).tolist()}
        data[at : at + frame_size] = made = frame.encode(record)
        if number % DECOYS == 0:
            data[at - BEFORE : at - BEFORE + 2] = sync
        missed[number * part + at] = made
        begin = time.perf_counter()
        reader.feed(bytes(data))
        found = [event for event in reader.events() if isinstance(event, Good)]
        middle = time.perf_counter()
        re.findall(re.escape(sync), data)
        searching, marking = searching + middle - begin, marking + time.perf_counter() - middle
        others += sum(missed.pop(event.offset, None) != event.data for event in found)
        if number == hidden // 10:
            early = _peak()
    reader.close()
    others += sum(
        missed.pop(event.offset, None) != event.data for event in reader.events() if isinstance(event, Good)
    )
    return _report(out, size, hidden, len(missed), others, (searching, marking), _peak() - early)


def _peak() -> int:
    """The most memory that this process ever took, in KiB (bytes on macOS)."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // (1024 if sys.platform == "darwin" else 1)


def _report(
    out: TextIO, size: int, hidden: int, missed: int, others: int, seconds: tuple[float, float], grown: int
) -> int:
    candidates = size / 65_536
    expected = candidates / 65_536
    most = _most(expected)
    searching, marking = seconds
    out.write(
        f"{size / 1e6:,.0f} MB of noise, {hidden:,} frames hidden: {missed} missed.\n"
        f"Others taken: {others}. The marker of 16 bits is there by chance {candidates:,.0f} times, the check of 16 bits passes\n"
        f"{expected:.2f} of those; more than {most} come once in a million runs.\n"
        f"Searched at {size / 1e6 / searching:.0f} MB/s, {searching / marking:.2f}x of finding the marker alone. "
        f"After the first tenth the peak of memory grew by {grown:,} KiB.\n"
    )
    return missed + max(others - most, 0) + (grown > 4096)


CAMPAIGNS: dict[str, Callable[[int, TextIO], int]] = {"noise": noise}
