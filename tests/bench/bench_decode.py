"""The whole command `packetkit decode -o FILE` beside bulk decoding plus the library's own write of the same table. It asserts nothing.

Question: what does the command cost over what must be done? Peer, in the same process and round: `decode_many`, and pyarrow's writer of
Parquet or CSV for the table that it gives. The frames are the sounding frames of schemas/plover.yaml (invented), random values, counters
that go on, none damaged. A ratio is that of one round; the median is shown.

    python tests/bench/bench_decode.py [--rounds 5] [--frames 1000000]

Recorded choices, a busy 2-core machine, so in processor time beside the same peers. Parquet: medians of 1.1 to 1.4x, single rounds of 0.95
to 1.6x; names of codes told apart by a table of what is there save 8 % against sorting; a second thread writes a piece meanwhile, which
saves elapsed time where a core is free. CSV: 1.4 to 1.6x, nearly all of it numbers as text and the joining of cells. Tried for it and left
out: narrow columns side by side looked up as one (5 % less), one flat join over slices (10 % of the joining), an f-string compiled for each
sheet (nothing).
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

KINDS = 1_000  # frames of different values, over and over
WRITERS: dict[str, Callable[..., Any]] = {"parquet": parquet.write_table, "csv": csv.write_csv}


def capture(frame: Frame, count: int) -> bytes:
    """Frames of random values whose sequence numbers go on."""
    chance = Random(1)
    some = b"".join(frame.encode(draw.record(frame.layout, chance)) for _ in range(KINDS))
    table = frame.decode_many(some * (count // KINDS))
    counts = {
        "boots": np.zeros(table.rows, np.int64),
        "sequence": np.arange(table.rows) % 4096,
        "box_time": np.zeros(table.rows, np.int64),
    }
    valid = {path: np.ones(table.rows, np.bool_) for path in counts}
    made = replace(table, values_of={**table.values_of, **counts}, valid={**table.valid, **valid})
    return frame.encode_many(made)


def seconds(action: Callable[[], Any]) -> float:
    begin = time.perf_counter()
    action()
    return time.perf_counter() - begin


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--frames", type=int, default=1_000_000)
    given = parser.parse_args(arguments)
    schema = str(resource("schemas/plover.yaml"))
    frame = packetkit.load(schema).frame()
    data = capture(frame, given.frames)
    with tempfile.TemporaryDirectory() as place:
        log = Path(place) / "log"
        log.write_bytes(data)
        table = frame.decode_many(data).to_arrow()
        for form, write in WRITERS.items():
            made = []
            for _ in range(given.rounds):
                decoding = seconds(lambda: frame.decode_many(data))
                writing = seconds(lambda: write(table, Path(place) / "peer"))  # noqa: B023  (called at once)
                with contextlib.redirect_stderr(io.StringIO()):
                    whole = seconds(lambda: program(["decode", schema, str(log), "-o", f"{place}/x.{form}"]))  # noqa: B023
                made.append((decoding, writing, whole))
            ratios = [whole / (decoding + writing) for decoding, writing, whole in made]
            each = [statistics.median(one) / table.num_rows * 1e9 for one in zip(*made, strict=True)]
            print(
                f"{form}: ns a frame: decode {each[0]:.0f}, library's write {each[1]:.0f}, command {each[2]:.0f}"
            )
            print(f"  the command is {statistics.median(ratios):.2f}x both")


if __name__ == "__main__":
    main(sys.argv[1:])
