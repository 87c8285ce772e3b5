"""Which check is this: how long it takes to find a CRC that has no name. Run it by hand; it asserts nothing about time.

Five frames of one length, 30 and 250 bytes, made by crcmod from random polynomials, initial values and final xors; and noise, which is
the longest: everything is tried. Aims: 16 bits in under 2 s, 32 bits in under 20 s.

    python tests/bench/bench_identify.py [--rounds 5]

Recorded, CPython 3.11 on a shared 2-core machine: 16 and 32 bits in 0.2 to 0.6 s at 30 bytes; noise of 250 bytes in 2 s.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections.abc import Sequence
from random import Random

import crcmod

from packetkit.integrity.identify import identify


def frames(chance: Random, width: int, size: int) -> list[bytes]:
    """Five frames that end with a random CRC; width 0: noise."""
    data = [chance.randbytes(size - width // 8) for _ in range(5)]
    if not width:
        return data
    poly = 1 << width | chance.getrandbits(width) | 1
    function = crcmod.mkCrcFun(
        poly, initCrc=chance.getrandbits(width), rev=False, xorOut=chance.getrandbits(width)
    )
    return [one + function(one).to_bytes(width // 8, "big") for one in data]


def main(arguments: Sequence[str]) -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5)
    rounds = parser.parse_args(arguments).rounds
    chance = Random(1)
    for width in (16, 32, 0):
        for size in (30, 250):
            times, found = [], 0
            for _ in range(rounds):
                given = frames(chance, width, size)
                begin = time.perf_counter()
                matches = identify(given)
                times.append(time.perf_counter() - begin)
                found += bool(matches) and matches[0].is_credible and matches[0].algorithm.width == width
            what = f"{width} bits" if width else "noise"
            print(
                f"{what}, {size} bytes: {statistics.median(times):.2f} s, at most {max(times):.2f}; found {found} of {rounds}"
            )


if __name__ == "__main__":
    main(sys.argv[1:])
