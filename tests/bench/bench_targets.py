"""F39, 20,000 frames, encoded and decoded by generated code of every target that runs on a host, each answer held to the codec's.

Question: is a frame so cheap in every target that a campaign can ask all of them about every frame? The line: all targets together encode
20,000 frames, and compare them, in under 6 s, and decode them likewise. Targets are asked as tests ask them, through pipes in batches: C
and MicroPython (its interpreter in node) for raw codes as octets, JavaScript and standalone Python for values as JSON. C runs as a team
would build it (-O2), with the sanitizers of the tests, and small.

What is timed is asking and comparing: for each target in seconds of processors that both sides have had, so that what else a machine does
counts little; then all four at once, a thread each, by the clock. Starting, and compiling C, stands beside, by the clock. The peer in the
same run is the Python codec, asked for the same; a ratio is the target's time to it. Runs on Linux, whose /proc it reads.

    NODE_PATH=... python tests/bench/bench_targets.py [--frames 20000]

Recorded, CPython 3.11, node 20, gcc 12, two cores shared with much else, so rather too much than too little: the codec 0.08 and 0.09 s, C
0.10 and 0.04 (with the sanitizers 0.15 and 0.07, small 0.11 and 0.04), JavaScript 1.1 and 1.0, MicroPython 1.9 and 1.6, standalone Python
0.9 and 0.9; each target once 4.0 and 3.6. By the clock only a machine with nothing else to do says anything: there were seven times as many
tasks as cores when it was taken. What it was before: MicroPython 4.4 and 4.4, by reading and writing its batches octet by octet, in numbers
that do not fit its small integers; standalone Python 5.1 and 3.7, by walking a table for each frame. Its codec has 0.4 and 0.2 now, the
rest is JSON and comparing. Of MicroPython's, two thirds are the generated code, two fifths of that the check; a table of 256 (fast_checks)
makes the check a third faster, a range loop instead of `while` nothing. Octets are not joined by int.from_bytes: a slice takes memory.

Last comes what `fuzz --targets` takes for a frame. Recorded with eight tasks to a core, 1,000 records: one target after another 18.3 s by
the clock, 3.6 of it here; all at once, a batch put to each before any answer is read, and the codec asked meanwhile, 8.5 s and 1.5.
Before that, each target was asked questions of its own: 15.7 s and 3.6 for plover's frame, which takes 10.8 and 1.5 now.
"""

from __future__ import annotations

import argparse
import os
import struct
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from random import Random
from typing import Any

from packetkit import toolchains
from packetkit.cli import held
from packetkit.codec.frame import Frame
from packetkit.conformance import members, spoken
from packetkit.conformance.batch import Question
from packetkit.fuzz import proof
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


Tasks = tuple[Callable[[], None], Callable[[], None]]


def by_codes(ask: Callable[[Any], list[Any]], given: Work) -> Tasks:
    """What a target that takes raw codes is to do: encode, and decode."""

    def encode() -> None:
        answers = in_batches(ask, [Question(0, row) for row in given.rows])
        assert [one.content for one in answers] == given.frames

    def decode() -> None:
        answers = in_batches(ask, [Question(0, data) for data in given.frames])
        assert [one.content for one in answers] == given.codes

    return encode, decode


def by_values(ask: Callable[[Any], list[Any]], given: Work) -> Tasks:
    """What a target that takes values is to do: encode, and decode."""
    expected = [{"record": record} for record in given.records]

    def encode() -> None:
        answers = in_batches(ask, [("encode", "bench", record) for record in given.records])
        assert [one["bytes"] for one in answers] == [data.hex() for data in given.frames]

    def decode() -> None:
        answers = in_batches(ask, [("decode", "bench", data) for data in given.frames])
        assert len(answers) == len(expected) and all(map(spoken.same, expected, answers))

    return encode, decode


def codec(frame: Frame, given: Work) -> Tasks:
    """What the peer is to do, the Python codec: values to octets, and back."""

    def encode() -> None:
        assert [frame.encode(record) for record in given.records] == given.frames

    def decode() -> None:
        assert [frame.decode(data) for data in given.frames] == given.records

    return encode, decode


def by_the_clock(tasks: Sequence[Callable[[], None]]) -> float:
    """Seconds of all these at once, a thread each: most of their time they wait for other processes."""
    start = time.perf_counter()
    with ThreadPoolExecutor(len(tasks)) as pool:
        for one in [pool.submit(task) for task in tasks]:
            one.result()
    return time.perf_counter() - start


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


def proving(mission: Mission, records: int) -> tuple[tuple[float, float], tuple[float, float]]:
    """Seconds by the clock, and of this process, in which `fuzz --targets` holds all targets to a frame: one after another, and at once."""
    frame = mission.frames["bench"]
    made = []
    with held.running(mission, tuple(toolchains.PROCESSES)) as running:
        for together in ([[one] for one in running], [running]):
            clock, here = time.perf_counter(), time.process_time()
            for some in together:
                one = proof.FrameProof("bench", frame.layout.fingerprint)
                held.prove(some, one, 39, records)
                assert one.failure is None
            made.append((time.perf_counter() - clock, time.process_time() - here))
    return made[0], made[1]


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
    peer = [timed(task) for task in codec(frame, given)]
    print(f"{count:,} frames of {len(given.frames[0])} bytes; seconds, and ratios to the codec")
    print(f"{'codec (peer)':20} encode {peer[0]:6.2f}         decode {peer[1]:6.2f}")
    sums, counted = [0.0, 0.0], []
    with tempfile.TemporaryDirectory(prefix="packetkit-") as place, ExitStack() as stack:
        for name, start in targets(mission, place).items():
            began = time.perf_counter()
            process = stack.enter_context(start())
            is_spoken = hasattr(process, "ask_values")
            asked = partial(by_values, process.ask_values) if is_spoken else partial(by_codes, process.ask)
            pid = (process.speaker if is_spoken else process).process.pid
            for task in asked(Work(given.rows[:1], given.frames[:1], given.codes[:1], given.records[:1])):
                task()
            started = time.perf_counter() - began
            took = [timed(task, pid) for task in asked(given)]
            ratios = [one / other for one, other in zip(took, peer, strict=True)]
            print(
                f"{name:20} encode {took[0]:6.2f} ({ratios[0]:4.1f})  decode {took[1]:6.2f} ({ratios[1]:4.1f})"
                f"  start {started:5.2f}"
            )
            if name in COUNTED:
                sums = [one + more for one, more in zip(sums, took, strict=True)]
                counted.append(asked(given))
        wall = [by_the_clock(tasks) for tasks in zip(*counted, strict=True)]
    print(
        f"{'each target once':20} encode {sums[0]:6.2f}         decode {sums[1]:6.2f}         line {LINE_S:.0f}"
    )
    print(f"{'all at once, clock':20} encode {wall[0]:6.2f}         decode {wall[1]:6.2f}")
    records = count // 10
    for words, (clock, here) in zip(("one by one", "at once"), proving(mission, records), strict=True):
        print(
            f"fuzz --targets, {records:,} records, {words:10} {clock:6.2f} by the clock, {here:6.2f} of it here"
        )


if __name__ == "__main__":
    main()
