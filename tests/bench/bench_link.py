"""How long planning takes: the full sweep of settings, and a month of passes. Run it by hand; it asserts nothing about time.

Aims: 8 spreading factors x 10 bandwidths x 4 coding rates x 32 bundle sizes in under 1 s; a month of passes, after import, in under 2 s.
The peer for passes is Skyfield, asked in the same run for the same events of the same elements.

    python tests/bench/bench_link.py [--rounds 5]

Recorded, CPython 3.11 on a shared 2-core machine: the sweep 0.14 s the first time, 0.08 s again; a month of passes 0.11 s,
Skyfield, which gives times only, 0.05 s.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections.abc import Callable, Sequence
from datetime import timedelta

from skyfield.api import EarthSatellite, load, wgs84

import packetkit
from packetkit.mission.passes import elements_of, window_of
from packetkit.mission.plan import sweep
from packetkit.passes.orbit import events
from packetkit.resources import resource

DAYS = 30
MASK_DEG = 10
# Invented around elements that are published in the documentation of the Skyfield library.
LINES = (
    "1 25544U 98067A   14020.93268519  .00009878  00000-0  18200-3 0  5082",
    "2 25544  51.6498 109.4756 0003572  55.9686 274.8005 15.49815350868473",
)
SITE = (40.8939, -83.8917)


def timed_s(action: Callable[[], object], rounds: int) -> tuple[float, float]:
    """Return the first round's seconds, as a command pays them, and the median of so many after it."""
    times = []
    for _ in range(rounds + 1):
        begin = time.perf_counter()
        action()
        times.append(time.perf_counter() - begin)
    return times[0], statistics.median(times[1:])


def main(arguments: Sequence[str]) -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5)
    rounds = parser.parse_args(arguments).rounds

    text = resource("schemas/heron.yaml").read_text(encoding="utf-8")
    heron = packetkit.parse(text)
    assert heron.passes is not None
    window = window_of(heron.passes)
    first, again = timed_s(lambda: sweep(heron, window), rounds)
    made = sweep(heron, window)
    tried = len(made.cells) + sum(made.dropped.values())
    print(f"sweep of {tried:,} cells: {first:.2f} s the first time, {again:.2f} s again")

    passes = (
        f'passes: {{elements: {{line_1: "{LINES[0]}", line_2: "{LINES[1]}"}}, minimum_elevation_deg: {MASK_DEG}, '
        f"site: {{latitude_deg: {SITE[0]}, longitude_deg: {SITE[1]}}}}}\n"
    )
    above = packetkit.parse(text[: text.index("passes:")] + passes)
    assert above.passes is not None
    orbit, site, mask = elements_of(above.passes)
    first, ours = timed_s(lambda: events(orbit, site, mask, orbit.epoch, DAYS), rounds)
    scale = load.timescale(builtin=True)
    satellite = EarthSatellite(*LINES, "judge", scale)
    place = wgs84.latlon(*SITE)
    start = scale.from_datetime(orbit.epoch)
    end = scale.from_datetime(orbit.epoch + timedelta(days=DAYS))
    _, theirs = timed_s(lambda: satellite.find_events(place, start, end, altitude_degrees=MASK_DEG), rounds)
    found = len(events(orbit, site, mask, orbit.epoch, DAYS))
    print(
        f"{found} passes of {DAYS} days: {ours:.2f} s; Skyfield {theirs:.2f} s, {theirs / ours:.1f} times as long"
    )


if __name__ == "__main__":
    main(sys.argv[1:])
