"""The whole command `packetkit decode -o FILE` beside bulk decoding plus the library's own write of the same table. It asserts nothing.

Question: what does the command cost over what must be done? Peer, in the same process and round: `decode_many`, and pyarrow's writer of
Parquet or CSV for the table that it gives. Frames: F30 and F39 (bench_single_frame.py), and the sounding frames of
schemas/plover.yaml (invented), whose counters go on; none damaged. A ratio is that of one round, of elapsed and of processor time, and the
median is shown. What the command takes for one frame, start of Python and imports left out, is told by itself and is in the ratios.

    python tests/bench/bench_decode.py [--rounds 5] [--frames 1296000]

Recorded choices, a busy 2-core machine, so in processor time beside the same peers:
- 1,296,000 frames, elapsed and processor. Parquet: F30 1.0 and 0.9, F39 1.0 and 0.9, plover 0.8 and 0.9 (the peer encodes one piece on one
  thread). CSV: F30 1.1 and 1.2, F39 1.0 and 0.9, plover 0.7 and 0.8; with cells made by Python one by one it was 1.5 to 1.9.
- Cells of CSV as a matrix of octets, padding dropped by one bytes.translate: 300 ns for 24 cells, 600 to 800 by lists and joins. Each cell
  copied as one piece of memory, not octet by octet, is four times as fast; 8,192 rows at a time beat 512 by a third.
- A double of 17 digits: repr 500 ns, pyarrow 60, digits by integers where it is a decimal 30; a code of 16 bits by its table 5.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
from pyarrow import csv, parquet

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
import packetkit
from packetkit.cli.main import main as program
from packetkit.codec.frame import Frame
from packetkit.conformance import draw
from packetkit.resources import resource
from tests.bench.bench_single_frame import frames, schema

KINDS = 1_000  # frames of different values, over and over
WRITERS: dict[str, Callable[..., Any]] = {"parquet": parquet.write_table, "csv": csv.write_csv}


Clocks = tuple[float, float]  # elapsed and processor seconds


def some(frame: Frame) -> list[bytes]:
    """Frames to repeat: of the bench frame with codes drawn evenly, else with legal values, edges among them."""
    if frame.name == "bench":
        return frames(frame.layout, KINDS)
    chance = Random(1)
    return [frame.encode(draw.record(frame.layout, chance)) for _ in range(KINDS)]


def capture(frame: Frame, count: int) -> bytes:
    """Frames of random values; sequence numbers go on where the frame has some, boots and clocks stand still."""
    table = frame.decode_many(b"".join(some(frame)) * (count // KINDS))
    counts = {}
    for slot in frame.layout.slots:
        if slot.role is not None and slot.role.name in ("sequence", "boot", "clock"):
            goes_on = np.arange(table.rows) % (slot.role.modulus or 1 << slot.width)
            counts[".".join(slot.path)] = goes_on if slot.role.name == "sequence" else 0 * goes_on
    valid = {path: np.ones(table.rows, np.bool_) for path in counts}
    made = replace(table, values_of={**table.values_of, **counts}, valid={**table.valid, **valid})
    return frame.encode_many(made)


def clocked(action: Callable[[], Any]) -> Clocks:
    elapsed, processor = time.perf_counter(), time.process_time()
    action()
    return time.perf_counter() - elapsed, time.process_time() - processor


def quietly(*arguments: str) -> None:
    with contextlib.redirect_stderr(io.StringIO()):
        program(["decode", *arguments])


def compare(name: str, path: Path, place: Path, count: int, rounds: int) -> None:
    frame = packetkit.load(str(path)).frame()
    data = capture(frame, count)
    log, one = place / "log", place / "one"
    log.write_bytes(data)
    one.write_bytes(data[: frame.layout.size_bytes])
    table = frame.decode_many(data).to_arrow()
    for form, write in WRITERS.items():
        steps: list[Callable[[], Any]] = [
            lambda: frame.decode_many(data),
            lambda: write(table, place / "peer"),  # noqa: B023  (called at once)
            lambda: quietly(str(path), str(log), "-o", str(place / f"x.{form}")),  # noqa: B023
            lambda: quietly(str(path), str(one), "-o", str(place / f"y.{form}")),  # noqa: B023
        ]
        made = [[clocked(step) for step in steps] for _ in range(rounds)]
        print(f"{name} to {form}, {table.num_rows:,} frames:")
        for clock, word in enumerate(("elapsed", "processor")):
            ratios = [
                whole[clock] / (decoding[clock] + writing[clock]) for decoding, writing, whole, _ in made
            ]
            times = zip(*([step[clock] for step in one_round] for one_round in made), strict=True)
            each = [statistics.median(one) for one in times]
            shown = ", ".join(
                f"{what} {seconds / table.num_rows * 1e9:.0f}"
                for what, seconds in zip(("decode", "library's write", "command"), each, strict=False)
            )
            print(
                f"  {word}: {statistics.median(ratios):.2f}x both ({min(ratios):.2f} to {max(ratios):.2f}); ns a frame: {shown}; "
                f"one frame {each[3] * 1e3:.0f} ms"
            )


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--frames", type=int, default=1_296_000)
    given = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as made:
        place = Path(made)
        for name, whole in (("F30", False), ("F39", True)):
            path = place / f"{name}.yaml"
            path.write_text(schema(whole), encoding="utf-8")
            compare(name, path, place, given.frames, given.rounds)
        with resource("schemas/plover.yaml").open("rb") as stream:
            path = place / "plover.yaml"
            path.write_bytes(stream.read())
        compare("plover", path, place, given.frames, given.rounds)


if __name__ == "__main__":
    main(sys.argv[1:])
