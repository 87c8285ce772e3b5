"""F39, 20,000 frames, encoded and decoded by generated code of every target that runs on a host, each answer held to the codec's.

Question: is a frame so cheap in every target that a campaign can ask all of them about every frame? The line: all targets together encode
20,000 frames, and compare them, in under 6 s, and decode them likewise. Targets are asked as tests ask them, through pipes in batches: C
and MicroPython (its interpreter in node) for raw codes as octets, JavaScript and standalone Python for values as JSON. C runs as a team
would build it (-O2), with the sanitizers of the tests, and small.

What is timed is asking and comparing, in seconds of processors that both sides have had, so that what else a machine does counts little;
starting, and compiling C, stands beside, by the clock. The peer in the same run is the Python codec, asked for the same; a ratio is the
target's time to it. Runs on Linux, whose /proc it reads.

    NODE_PATH=... python tests/bench/bench_targets.py [--frames 20000]

Recorded, CPython 3.11, node 20, gcc 12, two cores shared with much else, so rather too much than too little: the codec 0.09 and 0.09 s, C
0.10 and 0.03 (with the sanitizers 0.15 and 0.09, small 0.11 and 0.05), JavaScript 1.1 and 1.0, MicroPython 4.4 and 4.4, standalone Python
5.1 and 3.7; each target once 10.7 and 9.2. Each is below the line; their sum is not, by the two interpreters of Python: standalone Python
walks a table for each frame, and MicroPython is asked in hexadecimal text. What either's parts take was not measured.
"""

from __future__ import annotations

import argparse
import os
import struct
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

from packetkit import toolchains
from packetkit.codec.frame import Frame
from packetkit.conformance import members, spoken
from packetkit.conformance.batch import Question
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import Mission, parse

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.bench_single_frame import columns, schema

BATCH = 2000  # questions at once: what a pipe holds is no matter, what an interpreter keeps is
LINE_S = 6.0


@dataclass(frozen=True)
class Work:
    """What is asked, and what the codec says: as raw codes and octets, and as values."""

    rows: list[tuple[int, ...]]
    frames: list[bytes]
    codes: list[bytes]  # rows as a batch of answers has them
    records: list[dict[str, Any]]


def work(frame: Frame, count: int) -> Work:
    """Draw rows of raw codes and let the codec make of them what is to come."""
    chance, fields = Random(39), columns(True)
    lows = [-(1 << one.bits - 1) if one.signed else 0 for one in fields]
    rows = [
        tuple(low + chance.getrandbits(one.bits) for low, one in zip(lows, fields, strict=True))
        for _ in range(count)
    ]
    frames = [frame.encode(members.to_detail(frame.layout, row)) for row in rows]
    codes = [struct.pack(f"<{len(row)}q", *row) for row in rows]
    return Work(rows, frames, codes, [frame.decode(data) for data in frames])


def in_batches(ask: Callable[[Any], list[Any]], questions: Sequence[Any]) -> list[Any]:
    return [one for at in range(0, len(questions), BATCH) for one in ask(questions[at : at + BATCH])]


def used(pid: int) -> float:
    """Seconds that this process and another have had of processors; 0 for none other. From Linux's /proc/PID/stat: utime and stime."""
    if not pid:
        return time.process_time()
    ticks = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[11:13]
    return time.process_time() + sum(map(int, ticks)) / os.sysconf("SC_CLK_TCK")


def timed(task: Callable[[], object], pid: int = 0) -> float:
    start = used(pid)
    task()
    return used(pid) - start


def by_codes(ask: Callable[[Any], list[Any]], given: Work, pid: int) -> tuple[float, float]:
    """Seconds of encoding and decoding by a target that takes raw codes."""

    def encode() -> None:
        answers = in_batches(ask, [Question(0, row) for row in given.rows])
        assert [one.content for one in answers] == given.frames

    def decode() -> None:
        answers = in_batches(ask, [Question(0, data) for data in given.frames])
        assert [one.content for one in answers] == given.codes

    return timed(encode, pid), timed(decode, pid)


def by_values(ask: Callable[[Any], list[Any]], given: Work, pid: int) -> tuple[float, float]:
    """Seconds of encoding and decoding by a target that takes values."""
    expected = [{"record": record} for record in given.records]

    def encode() -> None:
        answers = in_batches(ask, [("encode", "bench", record) for record in given.records])
        assert [one["bytes"] for one in answers] == [data.hex() for data in given.frames]

    def decode() -> None:
        answers = in_batches(ask, [("decode", "bench", data) for data in given.frames])
        assert len(answers) == len(expected) and all(map(spoken.same, expected, answers))

    return timed(encode, pid), timed(decode, pid)


def codec(frame: Frame, given: Work) -> tuple[float, float]:
    """Seconds of the peer: the Python codec, values to octets and back."""

    def encode() -> None:
        assert [frame.encode(record) for record in given.records] == given.frames

    def decode() -> None:
        assert [frame.decode(data) for data in given.frames] == given.records

    return timed(encode), timed(decode)


def targets(mission: Mission, place: str) -> dict[str, Callable[[], Any]]:
    """What starts each target, by its name; in directories of their own."""
    named = [(mission.layouts, Dossier("bench", mission.fingerprint, "", ""))]
    where = {}
    for name in ("c", "sanitized", "small", "micropython", "javascript", "python"):
        where[name] = f"{place}/{name}"
        Path(where[name]).mkdir()
    small = [(mission.layouts, Dossier("bench", mission.fingerprint, "", "", options=frozenset({"small"})))]
    return {
        "C, -O2": lambda: toolchains.c_process(named, where["c"], ("-O2",)),
        "C, sanitizers": lambda: toolchains.c_process(named, where["sanitized"]),
        "C, small, -O2": lambda: toolchains.c_process(small, where["small"], ("-O2",)),
        "JavaScript": lambda: toolchains.javascript_process(named, where["javascript"]),
        "standalone Python": lambda: toolchains.python_process(named, where["python"]),
        "MicroPython": lambda: toolchains.micropython_process(named, where["micropython"]),
    }


# The sum of the line: each target once.
COUNTED = ("C, -O2", "JavaScript", "standalone Python", "MicroPython")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--frames", type=int, default=20_000)
    count = parser.parse_args().frames
    mission = parse(schema(True))
    frame = mission.frames["bench"]
    given = work(frame, count)
    peer = codec(frame, given)
    print(f"{count:,} frames of {len(given.frames[0])} bytes; seconds, and ratios to the codec")
    print(f"{'codec (peer)':20} encode {peer[0]:6.2f}         decode {peer[1]:6.2f}")
    sums = [0.0, 0.0]
    with tempfile.TemporaryDirectory(prefix="packetkit-") as place, ExitStack() as stack:
        for name, start in targets(mission, place).items():
            began = time.perf_counter()
            process = stack.enter_context(start())
            is_spoken = hasattr(process, "ask_values")
            ask = process.ask_values if is_spoken else process.ask
            pid = (process.speaker if is_spoken else process).process.pid
            warm = Work(given.rows[:1], given.frames[:1], given.codes[:1], given.records[:1])
            (by_values if is_spoken else by_codes)(ask, warm, pid)
            started = time.perf_counter() - began
            took = (by_values if is_spoken else by_codes)(ask, given, pid)
            ratios = [one / other for one, other in zip(took, peer, strict=True)]
            print(
                f"{name:20} encode {took[0]:6.2f} ({ratios[0]:4.1f})  decode {took[1]:6.2f} ({ratios[1]:4.1f})"
                f"  start {started:5.2f}"
            )
            sums = [a + b * (name in COUNTED) for a, b in zip(sums, took, strict=True)]
    print(
        f"{'each target once':20} encode {sums[0]:6.2f}         decode {sums[1]:6.2f}         line {LINE_S:.0f}"
    )


if __name__ == "__main__":
    main()
