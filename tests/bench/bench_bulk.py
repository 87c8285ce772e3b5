"""Millions of frames: columns beside a loop over frames, and beside merely touching the memory. It asserts nothing about time.

Question: is bulk decoding near what memory allows, for any check? Peers, in the same process: a loop over bitstruct's C extension with
binascii.crc_hqx, exact division and the same dicts; and the floor, which copies the input and fills columns like those that are returned.
Frames are F30 and F39 (bench_single_frame.py); F30 also with other checks. Candidates take turns; a ratio is that of one round, and
the median over rounds is shown. One thread.

    python tests/bench/bench_bulk.py [--rounds 9] [--frames 1500000]

Recorded choices, numpy 2.4, a shared 2-core machine with 1 MiB of second-level cache a core:
- A table of 65,536 registers, two octets a step: 22.7 ns for 30 octets with uint16 indices, 25 with int64 ones, 32 by fancy indexing;
  one octet a step from small tables costs twice as many steps, each as long.
- Native 32-bit windows cost as much as big-endian ones: 0.5 ns each.
- A division by a number that is no power of two: 0.4 ns a value; np.take from 4,096 doubles: 0.7.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from packetkit.codec.frame import Frame
from packetkit.mission.load import parse
from tests.bench.bench_single_frame import by_bitstruct, frames, layout_of, schema

# One of each width that the measures name: sparse and dense polynomials of 16 bits, then 8, 24 and 32.
CHECKS = ("CRC-16/IBM-3740", "CRC-16/DNP", "CRC-8/SMBUS", "CRC-24/OPENPGP", "CRC-32/ISO-HDLC")
LOOPED = 20_000  # frames of one round of the loop: it is slow, and steady


def floor(data: bytes, columns: dict[str, Any]) -> list[Any]:
    """Copy the input and fill new columns, the least that any decoder does; all are kept, as a decoder's are."""
    made = [np.frombuffer(data, np.uint8).copy()]
    for column in columns.values():
        made.append(np.empty_like(column))
        made[-1].fill(0)
    return made


def seconds(action: Callable[[], Any]) -> float:
    begin = time.perf_counter()
    action()
    return time.perf_counter() - begin


def buffer(frame: Frame, count: int) -> bytes:
    """Frames of uniformly random codes, 2,000 of them over and over."""
    made = frames(frame.layout, 2000)
    return b"".join(made) * (count // len(made))


def compare(whole: bool, rounds: int, count: int) -> None:
    frame = Frame(layout_of(whole))
    data = buffer(frame, count)
    size = frame.layout.size_bytes or 1
    rows = len(data) // size
    _, decode = by_bitstruct(whole)
    pieces = [data[at : at + size] for at in range(0, LOOPED * size, size)]
    table = frame.decode_many(data)
    assert table.ok.all() and frame.encode_many(table) == data
    made: dict[str, list[float]] = {"floor": [], "bulk": [], "loop": [], "encode": []}
    for number in range(rounds):
        made["floor"].append(seconds(lambda: floor(data, dict(table))) / rows)
        made["bulk"].append(seconds(lambda: frame.decode_many(data)) / rows)
        made["loop"].append(seconds(lambda: [decode(one) for one in pieces]) / LOOPED)
        if number % 3 == 0:
            made["encode"].append(seconds(lambda: frame.encode_many(table)) / rows)
    shown = ", ".join(f"{name} {statistics.median(times) * 1e9:.1f}" for name, times in made.items())
    print(f"F{size}: {rows:,} frames, {len(table)} columns, ns a frame: {shown}")
    print(
        f"  bulk is {ratio(made['loop'], made['bulk']):.1f}x the loop and {ratio(made['bulk'], made['floor']):.2f}x the floor"
    )


def ratio(above: list[float], below: list[float]) -> float:
    """The median of the ratios of each round."""
    return statistics.median(one / other for one, other in zip(above, below, strict=True))


def with_checks(rounds: int, count: int) -> None:
    made: dict[str, list[float]] = {name: [] for name in CHECKS}
    layouts = {}
    for name in CHECKS:
        frame = parse(schema(False).replace("CRC-16/IBM-3740", name)).frame()
        layouts[name] = frame, buffer(frame, count)
    for _ in range(rounds):
        for name, (frame, data) in layouts.items():
            rows = len(data) // (frame.layout.size_bytes or 1)
            made[name].append(seconds(lambda: frame.decode_many(data)) / rows)  # noqa: B023  (called at once)
    for name in CHECKS:
        first = ratio(made[name], made["CRC-16/DNP"])
        print(f"  {name}: {statistics.median(made[name]) * 1e9:.1f} ns a frame, {first:.2f}x CRC-16/DNP")


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rounds", type=int, default=9)
    parser.add_argument("--frames", type=int, default=1_500_000)
    given = parser.parse_args(arguments)
    for whole in (False, True):
        compare(whole, given.rounds, given.frames)
    print("F30 with other checks:")
    with_checks(given.rounds, given.frames // 5)


if __name__ == "__main__":
    main(sys.argv[1:])
