"""How long a Hamming distance takes to find. Run it by hand; it asserts nothing about time.

Aims: the profile of 16 bits to 2,048 bits of data in under 0.2 s, a distance of 32 bits at 255 bytes in under 10 s. The peer, in the
same run: for 32 bits, pairs of columns in a Python set, which only tells whether four flips are ever missed.

    python tests/bench/bench_distance.py

Recorded, CPython 3.11 on a 2-core machine: profile of 16 bits 0.006 to 0.05 s; 32 bits at 255 bytes 0.05 to 0.36 s, whole profile;
the peer 0.4 to 0.9 s for distance above 4 alone.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from packetkit.integrity import strength

NARROW = (0x1021, 0x8005, 0x755B, 0x5935, 0x8BB7)
WIDE = (0x04C11DB7, 0x1EDC6F41, 0x741B8CD7)


def timed(work: Callable[[], object]) -> tuple[float, object]:
    begin = time.perf_counter()
    found = work()
    return time.perf_counter() - begin, found


def misses_four(poly: int, width: int, data_bits: int) -> bool:
    """Whether two different pairs of columns have one sum: four flips that go unnoticed."""
    value, columns = 1, []
    for _ in range(data_bits + width):
        columns.append(value)
        value <<= 1
        if value >> width:
            value ^= 1 << width | poly
    seen: set[int] = set()
    for at, one in enumerate(columns):
        for other in columns[:at]:
            if one ^ other in seen:
                return True
            seen.add(one ^ other)
    return False


def main() -> None:
    for poly in NARROW:
        took, found = timed(lambda poly=poly: strength.survey(poly, 16, 2048))  # type: ignore[misc]
        print(f"0x{poly:04X}: profile to 2,048 bits in {took:.3f} s: {found}")
    for poly in WIDE:
        took, found = timed(lambda poly=poly: strength.survey(poly, 32, 2040).at(2040))  # type: ignore[misc]
        slow, missed = timed(lambda poly=poly: misses_four(poly, 32, 2040))  # type: ignore[misc]
        peer = f"misses four flips: {missed}, in {slow:.2f} s ({slow / took:.1f} times)"
        print(f"0x{poly:08X}: distance {found} at 255 bytes in {took:.3f} s; {peer}")


if __name__ == "__main__":
    main()
