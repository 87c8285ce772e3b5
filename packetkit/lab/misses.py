"""Experiment: which damage does each check miss at this frame's length."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import comb
from typing import NamedTuple

import numpy as np

from packetkit.integrity.algorithm import Algorithm
from packetkit.integrity.catalog import ALGORITHMS
from packetkit.lab.checks import TWO_WAY, Array, Check, Linear, TwoWay, check_for, patterns_of_burst
from packetkit.lab.experiment import (
    LONGEST_BYTES,
    Cell,
    Chart,
    Heading,
    LabError,
    Line,
    Outcome,
    Request,
    interval,
    share_brief,
)
from packetkit.layout.slots import Slot

# What stands beside the frame's own check, weakest first. None: parity both ways, which is no row of the catalogue.
BESIDE: tuple[str | None, ...] = (
    "PARITY/EVEN",
    None,
    "XOR-8",
    "SUM-8",
    "SUM-16/INTERNET",
    "FLETCHER-16",
    "ADLER-32",
    "CRC-8/SMBUS",
    "CRC-16/IBM-3740",
    "CRC-32/ISO-HDLC",
)

LEAST_OCTETS = 4  # no burst that is listed, and no few flips, make such data all zeros, where sums of ones' complement differ
MOST_LISTED = 40_000_000  # patterns of a burst that are listed: a second or two for a sum
CHUNK = 10_000  # rows drawn at once: some 30 MB at the longest frame

Draw = Callable[[np.random.Generator, int, int], Array]


class Damage(NamedTuple):
    """One kind of damage: its name, and the flips or the length of a burst that are counted; draw: how it is drawn where it is not.

    shown: in the table for people, which 80 columns have to hold; programs get every kind.
    """

    key: str
    title: str
    flips: int = 0
    burst: int = 0
    draw: Draw | None = None
    shown: bool = True


def draw_flips(flips: int) -> Draw:
    """Return the drawing of patterns with exactly so many bits flipped."""

    def draw(chance: np.random.Generator, rows: int, bits: int) -> Array:
        places = chance.integers(0, bits, (rows, flips))
        while True:  # rows that name a bit twice are drawn again, so that every pattern is as likely
            ordered = np.sort(places, axis=1)
            twice = np.flatnonzero((ordered[:, 1:] == ordered[:, :-1]).any(axis=1))
            if not len(twice):
                break
            places[twice] = chance.integers(0, bits, (len(twice), flips))
        damage = np.zeros((rows, bits), bool)
        damage[np.arange(rows)[:, None], places] = True
        return damage

    return draw


def draw_bursts(length: int) -> Draw:
    """Return the drawing of bursts: first and last of so many bits flipped, the ones between as they come."""

    def draw(chance: np.random.Generator, rows: int, bits: int) -> Array:
        within = chance.integers(0, 2, (rows, length), dtype=np.uint8).astype(bool)
        within[:, [0, -1]] = True
        starts = chance.integers(0, bits - length + 1, rows)
        damage = np.zeros((rows, bits), bool)
        damage[np.arange(rows)[:, None], starts[:, None] + np.arange(length)] = within
        return damage

    return draw


def draw_noise(chance: np.random.Generator, rows: int, bits: int) -> Array:
    """What arrives has nothing to do with what was sent: each bit flipped with a chance of one half."""
    octets = chance.integers(0, 256, (rows, -(-bits // 8)), dtype=np.uint8)
    noise: Array = np.unpackbits(octets, axis=1)[:, :bits].astype(bool)
    noise[~noise.any(axis=1), 0] = True  # no damage is none
    return noise


DAMAGES: tuple[Damage, ...] = (
    Damage("flips_1", "1 bit", flips=1, shown=False),
    Damage("flips_2", "2 bits", flips=2),
    Damage("flips_3", "3 bits", flips=3),
    Damage("flips_4", "4 bits", flips=4, draw=draw_flips(4)),
    Damage("burst_8", "burst\nof 8", burst=8, draw=draw_bursts(8), shown=False),
    Damage("burst_16", "burst\nof 16", burst=16, draw=draw_bursts(16)),
    Damage("burst_24", "burst\nof 24", burst=24, draw=draw_bursts(24)),
    Damage("noise", "noise", draw=draw_noise),
    Damage("swap", "two\nswapped"),
)


@dataclass(frozen=True, slots=True)
class Tally:
    """Patterns tried, and those that went unnoticed. exact: every pattern of the kind was counted."""

    patterns: int
    missed: int
    exact: bool

    @property
    def share(self) -> float:
        return self.missed / self.patterns if self.patterns else 0.0

    @property
    def ends(self) -> tuple[float, float]:
        """The share itself where it is exact, else its interval of 95 %."""
        return (self.share, self.share) if self.exact else interval(self.missed, self.patterns)

    @property
    def text(self) -> str:
        if not self.patterns:
            return "-"
        if self.exact:
            return share_brief(self.share)
        return f"~{share_brief(self.share)}" if self.missed else f"<{share_brief(self.ends[1])}"


def data_from(seed: int, octets: int) -> Array:
    """Return the data that sums are counted on: octets at random, the first and the last not zero."""
    chance = np.random.default_rng([seed, octets])
    data = chance.integers(0, 256, octets, dtype=np.uint8)
    data[[0, -1]] |= np.uint8(0x11)
    return data


def listed(check: Check, damage: Damage) -> bool:
    """True where a kind is counted exhaustively: up to three flips (four of what is linear), short bursts, swaps of two octets."""
    if damage.burst:
        return patterns_of_burst(check.bits, damage.burst) <= MOST_LISTED
    return damage.draw is None or (damage.flips == 4 and isinstance(check, (Linear, TwoWay)))


def count(check: Check, damage: Damage, data: Array) -> Tally:
    """Return the exact count of one kind of damage on these data."""
    if damage.burst:
        return Tally(patterns_of_burst(check.bits, damage.burst), check.bursts(damage.burst, data), True)
    if damage.key == "swap":
        return _swaps(check, data)
    if damage.flips == 4 and isinstance(check, (Linear, TwoWay)):
        return Tally(comb(check.bits, 4), check.fours(), True)
    return Tally(comb(check.bits, damage.flips), check.few(damage.flips, data), True)


def _swaps(check: Check, data: Array) -> Tally:
    """Two octets of the data that changed places, all pairs of different ones."""
    first, second = np.triu_indices(len(data), 1)
    differ = data[first] != data[second]
    first, second = first[differ], second[differ]
    turned = data[first] ^ data[second]
    width = 8 if not isinstance(check, TwoWay) else 9
    damage = np.zeros((len(first), check.bits), bool)
    bits = np.unpackbits(turned[:, None], axis=1).astype(bool)
    for places in (first, second):
        damage[np.arange(len(first))[:, None], places[:, None] * width + np.arange(8)] = bits
    return Tally(len(first), int(check.unnoticed(data.reshape(1, -1), damage).sum()), True)


def sample(check: Check, damage: Damage, octets: int, seed: Sequence[int], rows: int) -> Tally:
    """Return a count of damage drawn at random, each on data drawn at random."""
    assert damage.draw is not None
    chance = np.random.default_rng(list(seed))
    data = chance.integers(0, 256, (rows, octets), dtype=np.uint8)
    pattern = damage.draw(chance, rows, check.bits)
    return Tally(rows, int(check.unnoticed(data, pattern).sum()), False)


def piece(
    algorithm: Algorithm | None,
    low_first: bool,
    octets: int,
    kind: int,
    seed: int,
    place: int,
    chunk: int,
    rows: int,
) -> Tally:
    """One piece of work: rows drawn, or with rows 0 the exhaustive count."""
    check = check_for(algorithm, octets, low_first)
    if not rows:
        return count(check, DAMAGES[kind], data_from(seed, octets))
    return sample(check, DAMAGES[kind], octets, (seed, place, kind, chunk), rows)


# ---- the experiment


class Studied(NamedTuple):
    """A check to look at: its algorithm (None: parity both ways), whether its octets are stored low one first, and whose it is."""

    algorithm: Algorithm | None
    low_first: bool
    own: bool

    @property
    def name(self) -> str:
        return TWO_WAY if self.algorithm is None else self.algorithm.name


def own_check(slots: Sequence[Slot]) -> Slot | None:
    """The last check of a frame that takes octets, None where it has none."""
    found = [slot for slot in slots if slot.check is not None and slot.check.algorithm.family != "linear"]
    return found[-1] if found else None


def studied(request: Request) -> list[Studied]:
    """The checks beside the frame's own, which comes first."""
    own = own_check(request.layout.slots)
    found = []
    if own is not None and own.check is not None and own.check.algorithm.width <= 64:
        found.append(Studied(own.check.algorithm, own.octets_reversed, True))
    for name in BESIDE:
        algorithm = None if name is None else ALGORITHMS[name]
        if not any(algorithm is not None and one.algorithm == algorithm for one in found):
            found.append(Studied(algorithm, algorithm is not None and algorithm.reflect_out, False))
    return found


def data_bytes(request: Request) -> int:
    """How many octets are under the check: the knob, else the frame at its longest without its check. Raises LabError."""
    asked = request.knobs["bytes"]
    if isinstance(asked, int):
        return asked
    own = own_check(request.layout.slots)
    octets = request.frame_bytes - (0 if own is None else -(-own.width // 8))
    if not LEAST_OCTETS <= octets <= LONGEST_BYTES:
        raise LabError(
            f"{request.frame}: its check covers {octets} bytes, and this experiment takes {LEAST_OCTETS} to {LONGEST_BYTES}; "
            "say --bytes N"
        )
    return octets


def pieces_of(
    request: Request, checks: Sequence[Studied], octets: int
) -> Iterator[tuple[int, int, tuple[object, ...]]]:
    """The pieces of work, each with its check's and its damage's place."""
    samples = request.whole("samples")
    for place, one in enumerate(checks):
        check = check_for(one.algorithm, octets, one.low_first)
        for kind, damage in enumerate(DAMAGES):
            fixed = (one.algorithm, one.low_first, octets, kind, request.seed, place)
            if listed(check, damage):
                yield place, kind, (*fixed, 0, 0)
                continue
            for chunk, start in enumerate(range(0, samples, CHUNK)):
                yield place, kind, (*fixed, chunk, min(CHUNK, samples - start))


def run(request: Request) -> Outcome:
    """Count, or draw, what every check misses."""
    octets, checks = data_bytes(request), studied(request)
    every = list(pieces_of(request, checks, octets))
    answers = request.crew.map(piece, [arguments for _, _, arguments in every])
    tallies: dict[tuple[int, int], Tally] = {}
    for (place, kind, _), answer in zip(every, answers, strict=True):
        if answer is not None:
            old = tallies.get((place, kind), Tally(0, 0, answer.exact))
            new = Tally(old.patterns + answer.patterns, old.missed + answer.missed, answer.exact)
            tallies[place, kind] = new
    return Outcome(
        f"{request.named}: {octets} bytes of data, then each check",
        tuple(
            _record(checks[place], DAMAGES[kind], octets, tally) for (place, kind), tally in tallies.items()
        ),
        (Heading("check", "<"), *(Heading(damage.title) for damage in DAMAGES if damage.shown)),
        tuple(_row(one, place, tallies) for place, one in enumerate(checks)),
        _chart(checks, tallies, octets),
        tuple(_seen(checks, tallies)),
    )


def _record(one: Studied, damage: Damage, octets: int, tally: Tally) -> dict[str, Cell]:
    low, high = tally.ends
    return {
        "check": one.name,
        "own": one.own,
        "data_bytes": octets,
        "damage": damage.key,
        "patterns": tally.patterns,
        "missed": tally.missed,
        "exact": tally.exact,
        "share": tally.share,
        "share_low": low,
        "share_high": high,
    }


def _row(one: Studied, place: int, tallies: dict[tuple[int, int], Tally]) -> tuple[str, ...]:
    cells = [tallies.get((place, kind)) for kind, damage in enumerate(DAMAGES) if damage.shown]
    return (one.name + (" *" if one.own else ""), *("" if cell is None else cell.text for cell in cells))


def _chart(checks: Sequence[Studied], tallies: dict[tuple[int, int], Tally], octets: int) -> Chart:
    """The share of noise that each check lets through."""
    kind = next(index for index, damage in enumerate(DAMAGES) if damage.key == "noise")
    known = [(place, tallies[place, kind]) for place in range(len(checks)) if (place, kind) in tallies]
    points = tuple(
        (float(index), tally.share if tally.missed else tally.ends[1])
        for index, (_, tally) in enumerate(known)
    )
    names = tuple(checks[place].name + ("" if tally.missed else " (less than)") for place, tally in known)
    line = Line("noise", points)
    return Chart(
        f"Noise taken for a good frame, {octets} bytes",
        "",
        "share",
        (line,),
        "bars",
        log_up=True,
        names=names,
    )


def _seen(checks: Sequence[Studied], tallies: dict[tuple[int, int], Tally]) -> Iterator[str]:
    """What the frame's own check did, and which checks two swapped bytes fool."""
    singles = [tallies.get((place, 0)) for place in range(len(checks))]
    if all(tally is not None and tally.missed == 0 for tally in singles):
        yield "One flipped bit is noticed by every check here, wherever it is."
    for place, one in enumerate(checks):
        few = [tallies.get((place, kind)) for kind in range(3)]
        if one.own and all(tally is not None and tally.missed == 0 for tally in few):
            total = sum(tally.patterns for tally in few if tally is not None)
            yield f"{one.name}, this frame's own (*), noticed all {total:,} patterns of 1 to 3 flipped bits: counted, not estimated."
    kind = len(DAMAGES) - 1
    fooled = [
        one.name for place, one in enumerate(checks) if (tally := tallies.get((place, kind))) and tally.missed
    ]
    if fooled:
        yield f"Two bytes that change places fool {', '.join(fooled)}."
