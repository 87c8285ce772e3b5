"""A frame that varies beside one that does not: time per field. Run it by hand; it asserts nothing about time.

Question: does a frame with options, a counted list, a text and measured octets decode, and encode, at half the speed per field of the
same fields in a frame of fixed size, or better? And what do bundles and coded numbers cost beside plain ones of the same width?
Pairs take turns in one process; a ratio is that of one round, and the median over rounds is shown.

Measured on CPython 3.11, on a machine that had other work (speed of the second beside the first, decoding and encoding):

    options, a counted list, a text, octets   0.74   0.84
    32 samples in a bundle                    0.76   0.52   (a function for each bundle: 0.19 and 0.1)
    32 numbers in Gray code                   0.69   0.75   (octet by octet, the one above asked: 0.32)
    32 numbers in BCD                         0.61   0.68   (words, then octets of them: 0.43; encoded as text: 0.47)

What else was tried for Gray code: doubling shifts over a whole frame as one integer, 0.70, and of no use to a single field. For BCD:
tables of doubles already scaled, 0.85, but tables of its own for each scale. For bundles: itertools.accumulate, 0.54.

    python tests/bench/bench_variable_frame.py [--rounds 60]
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import time
from collections.abc import Callable
from typing import Any

import packetkit
from packetkit.conformance.judge import same

HEAD = """
mission: bench
frames:
  bench:
    fields:
      - {name: sync, kind: sync, bits: 16, code: 0xB5C3}
      - {name: sequence, bits: 16}
      - {name: mode, bits: 3, states: {0: idle, 1: climb, 2: float}}
"""
POWER = """
        group:
          - {name: cell_voltage, minimum: 2.5, maximum: 4.3, resolution: 0.02, unit: V, missing: true}
          - {name: panel_current, bits: 12, scale: 1/4, unit: mA}
          - {name: temperature, bits: 11, scale: 0.1, offset: -40}
          - {name: load, bits: 10}
"""
READINGS = """
        group:
          - {name: field_x, bits: 12, signed: true, scale: 1/16, unit: uT}
          - {name: field_y, bits: 12, signed: true, scale: 1/16, unit: uT}
          - {name: field_z, bits: 12, signed: true, scale: 1/16, unit: uT}
          - {name: quality, bits: 4}
"""
TAIL = (
    "      - {kind: reserved, up_to: byte}\n      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}\n"
)
FIXED = (
    f"{HEAD}      - {{name: has_power, kind: flag}}\n      - {{name: held, bits: 4}}\n      - name: power{POWER}"
    f"      - name: readings\n        repeat: 8{READINGS}"
    f"      - {{name: words, kind: text, length: 8}}\n      - {{name: image, kind: bytes, length: 16}}\n{TAIL}"
)
VARIABLE = (
    f"{HEAD}      - {{name: has_power, kind: flag}}\n      - {{name: held, kind: count, bits: 4}}\n"
    f"      - name: power\n        present_when: has_power{POWER}"
    f"      - name: readings\n        repeat: {{count: held}}{READINGS}"
    "      - {name: letters, kind: count, bits: 8}\n      - {name: words, kind: text, length: {count: letters}}\n"
    "      - {name: size, kind: length, bits: 8, measures: image}\n      - {name: image, kind: bytes, length: rest}\n"
    f"{TAIL}"
)
PLAIN = "mission: bench\nframes:\n  bench:\n    fields:\n      - name: x\n        repeat: 32\n        bits: 16\n        scale: 1/16\n"
PAIRS: dict[str, tuple[str, str]] = {
    "options, a counted list, a text, octets": (FIXED, VARIABLE),
    "32 samples in a bundle": (
        PLAIN,
        PLAIN.replace("repeat: 32", "bundle: {samples: 32, maximum_step: 63/16}")
        + "    last_byte: zero_filled\n",
    ),
    "32 numbers in Gray code": (PLAIN, PLAIN + "        coding: gray\n"),
    "32 numbers in BCD": (PLAIN, PLAIN + "        coding: binary_coded_decimal\n"),
}


def record_of(text: str, chance: random.Random) -> dict[str, Any]:
    """A record of the frame in which everything is there."""
    frame = packetkit.parse(text).frame()
    if "readings" not in text:
        digits = [chance.randint(0, 9999) for _ in range(32)]
        if "bundle" in text:
            digits = [5000]
            while len(digits) < 32:
                digits.append(digits[-1] + chance.randint(-60, 60))
        made: dict[str, Any] = {"x": [one / 16 for one in digits]}
    else:
        made = {
            "sequence": chance.randint(0, 65535),
            "mode": "float",
            "has_power": True,
            "held": 8,
            "power": {"cell_voltage": 3.7, "panel_current": 100.25, "temperature": 21.5, "load": 700},
            "readings": [
                {
                    **{f"field_{axis}": chance.randint(-2048, 2047) / 16 for axis in "xyz"},
                    "quality": chance.randint(0, 15),
                }
                for _ in range(8)
            ],
            "words": "".join(chance.choice("ABCDEFGH") for _ in range(8)),
            "image": bytes(chance.randint(0, 255) for _ in range(16)),
        }
        if "kind: count" in text:
            del made["held"]
    assert same(frame.decode(frame.encode(made)), made)
    return made


def fields_of(record: Any) -> int:
    """How many values a record holds."""
    if isinstance(record, dict):
        return sum(map(fields_of, record.values()))
    return sum(map(fields_of, record)) if isinstance(record, list) else 1


def seconds(action: Callable[[Any], object], subjects: list[Any], times: int) -> float:
    start = time.perf_counter()
    for _ in range(times):
        for one in subjects:
            action(one)
    return time.perf_counter() - start


def compared(first: str, second: str, rounds: int) -> tuple[list[float], list[float]]:
    """The medians of each one's nanoseconds per field, decoding and encoding, and of their ratios."""
    sides = []
    for text in (first, second):
        frame, chance = packetkit.parse(text).frame(), random.Random(7)
        records = [record_of(text, chance) for _ in range(50)]
        sides.append((frame, records, [frame.encode(one) for one in records], fields_of(records[0])))
    spent: list[list[tuple[float, float]]] = [[], []]
    for _ in range(rounds):
        for at, (frame, records, frames, fields) in enumerate(sides):
            per = 1e9 / (4 * len(records) * fields)
            spent[at].append(
                (seconds(frame.decode, frames, 4) * per, seconds(frame.encode, records, 4) * per)
            )
    ratios = [
        statistics.median(one[way] / other[way] for one, other in zip(*spent, strict=True)) for way in (0, 1)
    ]
    times = [statistics.median(row[way] for row in side) for side in spent for way in (0, 1)]
    return ratios, times


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rounds", type=int, default=60)
    rounds = parser.parse_args().rounds
    print(f"{'beside the fixed, plain frame':42} {'decode':>24} {'encode':>24}")
    for name, (first, second) in PAIRS.items():
        ratios, (decode, encode, varying_decode, varying_encode) = compared(first, second, rounds)
        told = [
            f"{ratio:.2f}x ({one:.0f}, {other:.0f} ns)"
            for ratio, one, other in zip(
                ratios, (decode, encode), (varying_decode, varying_encode), strict=True
            )
        ]
        print(f"{name:42} {told[0]:>24} {told[1]:>24}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
