"""A month of frames, one every 2 s, one in a hundred damaged: columns against the scalar codec, bit for bit."""

from __future__ import annotations

import sys
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import TextIO

FRAMES = 1_296_000


def bulk(seed: int, out: TextIO) -> int:
    """Return how many rows of the columns are not what the scalar codec gives."""
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    laws = import_module("tests.laws.test_bulk_laws")
    frame, data = laws.balloon_frames(FRAMES, seed)
    wrong: int = laws.differences(frame, data)
    out.write(f"{FRAMES:,} frames of {frame.layout.size_bytes} bytes: {wrong} rows differ\n")
    return wrong


CAMPAIGNS: dict[str, Callable[[int, TextIO], int]] = {"bulk": bulk}
