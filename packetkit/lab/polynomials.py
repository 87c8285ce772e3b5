"""Experiment: of all generators of one width, which guards this frame's length best.

How a generator is judged, exactly and without listing patterns. In short code words three and four bits are counted by the sums of two
columns of its check matrix. Else the columns are counted, a Walsh-Hadamard transform of the counts gives the weights of the dual code's
words, and MacWilliams' identity turns those into the numbers of code words of each weight. The least weight that has any is the distance;
the fewer of that weight, the better. Source: F. J. MacWilliams and N. J. A. Sloane, The Theory of Error-Correcting Codes, chapter 5 (from
memory); the tests list code words.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import comb
from typing import Any, NamedTuple

import numpy as np

from packetkit.integrity import crc, strength
from packetkit.integrity.algorithm import Algorithm
from packetkit.integrity.catalog import ALGORITHMS
from packetkit.lab.checks import Array
from packetkit.lab.experiment import Cell, Chart, Heading, Line, Outcome, Request
from packetkit.lab.misses import data_bytes, own_check

SEARCHED_WIDTH = 16  # up to here all generators are judged; beyond, those of the catalogue
SHOWN = 10
CHUNK = 256  # generators in one piece of work: a second or so
LIMIT_BITS = 255 * 8
PAIRED_BITS = (
    600  # code words up to here: all sums of two columns are counted sooner than a transform is done
)


class Judged(NamedTuple):
    """One generator at one length: its distance (exact, else at least); missed: damages of just so many bits, None where not counted."""

    poly: int
    width: int
    distance: int
    exact: bool
    missed: int | None

    @property
    def rank(self) -> tuple[int, int, int]:
        return (-self.distance, self.missed or 0, self.poly)


def columns(poly: int, width: int, code_bits: int) -> Array:
    """The columns of the check matrix: x^0, x^1, .. modulo the generator, one for each bit of the code word."""
    value, top, found = 1, 1 << width, []
    for _ in range(code_bits):
        found.append(value)
        value <<= 1
        if value & top:
            value ^= top | poly
    return np.array(found, np.int64)


@lru_cache(maxsize=8)
def _hadamard(bits: int) -> Array:
    matrix = np.ones((1, 1), np.float32)
    for _ in range(bits):
        matrix = np.block([[matrix, matrix], [matrix, -matrix]])
    return matrix


def dual_weights(poly: int, width: int, code_bits: int) -> Array:
    """How many words of the dual code have each weight 0 .. code_bits; 2^width words in all."""
    upper = width // 2
    lower = width - upper
    counts = np.bincount(columns(poly, width, code_bits), minlength=1 << width).astype(np.float32)
    grid = _hadamard(upper) @ counts.reshape(1 << upper, 1 << lower) @ _hadamard(lower)
    # Single precision holds whole numbers up to 2^24, and no sum here passes the length of a code word.
    weights = ((code_bits - grid.ravel()) / 2).astype(np.int64)
    return np.bincount(weights, minlength=code_bits + 1)


@lru_cache(maxsize=64)
def krawtchouk(code_bits: int, weight: int) -> tuple[int, ...]:
    """The Krawtchouk polynomial of one degree at 0 .. code_bits.

    >>> krawtchouk(4, 1)
    (4, 2, 0, -2, -4)
    """
    return tuple(
        sum((-1) ** i * comb(at, i) * comb(code_bits - at, weight - i) for i in range(weight + 1))
        for at in range(code_bits + 1)
    )


@lru_cache(maxsize=64)
def _krawtchouk_array(code_bits: int, weight: int) -> Array:
    return np.array(krawtchouk(code_bits, weight), object)


def code_words(poly: int, width: int, code_bits: int, weights: Sequence[int]) -> list[int]:
    """How many code words have each of these weights: the damages of so many bits that go unnoticed, whatever the data."""
    dual = dual_weights(poly, width, code_bits)
    there = np.flatnonzero(dual)
    found = []
    for weight in weights:
        total: Any = (_krawtchouk_array(code_bits, weight)[there] * dual[there].astype(object)).sum()
        found.append(int(total) >> width)
    return found


def judge(poly: int, width: int, code_bits: int) -> Judged:
    """Return the distance of a generator with the term 1 at one length, and the count of what it misses there."""
    found = columns(poly, width, code_bits)
    if len(np.unique(found)) < code_bits:
        return Judged(poly, width, 2, True, code_words(poly, width, code_bits, [2])[0])
    if code_bits <= PAIRED_BITS:
        three, four = of_three_and_four(found, width)
        if three or four:
            return Judged(poly, width, 3 if three else 4, True, three or four)
    dual = dual_weights(poly, width, code_bits)
    there = np.flatnonzero(dual)
    how_many = dual[there].astype(object)
    for weight in range(3, code_bits + 1):
        total = int((_krawtchouk_array(code_bits, weight)[there] * how_many).sum()) >> width
        if total:
            return Judged(poly, width, weight, True, total)
    raise AssertionError("the generator itself is a code word")


def of_three_and_four(found: Array, width: int) -> tuple[int, int]:
    """How many code words have three and four bits, from columns that all differ."""
    pairs = np.bincount(np.bitwise_xor.outer(found, found).ravel(), minlength=1 << width) // 2
    three = int(pairs[found].sum()) // 3
    pairs[0] = 0  # a column with itself is no pair
    return three, int((pairs * (pairs - 1) // 2).sum()) // 3


def judge_chunk(first: int, last: int, width: int, code_bits: int) -> list[Judged]:
    """One piece of work: the odd polynomials from first to last, of two mirror images the smaller one."""
    odd = (poly for poly in range(first | 1, last, 2) if mirror(poly, width) >= poly)
    return [_judged_quickly(poly, width, code_bits) for poly in odd]


def _judged_quickly(poly: int, width: int, code_bits: int) -> Judged:
    """As `judge`, but what misses two bits, never among the best, is not counted."""
    repeats = code_bits >= 1 << width or strength.order(1 << width | poly, width, code_bits - 1) is not None
    return Judged(poly, width, 2, True, None) if repeats else judge(poly, width, code_bits)


def judge_known(poly: int, width: int, code_bits: int) -> list[Judged]:
    """One piece of work: a generator of the catalogue, too wide for the search."""
    found = strength.survey(poly, width, LIMIT_BITS).at(code_bits - width)
    return [Judged(poly, width, found.value, found.exact, None)]


def mirror(poly: int, width: int) -> int:
    """The polynomial whose multiples are those of this one read backwards: it notices exactly as much."""
    return crc.reflect(1 << width | poly, width + 1) & ((1 << width) - 1)


def known_as(poly: int, width: int) -> str:
    """The catalogue's names of a generator or its mirror image, the first two."""
    both = (poly, mirror(poly, width))
    names = [
        row.name
        for row in ALGORITHMS.values()
        if row.family == "crc" and row.width == width and row.poly in both
    ]
    return ", ".join(names[:2]) + (f" and {len(names) - 2} more" if len(names) > 2 else "")


def run(request: Request) -> Outcome:
    """Judge all generators of the width, or those that the catalogue has of it."""
    octets, own = data_bytes(request), own_check(request.layout.slots)
    asked = request.knobs["width"]
    algorithm = None if own is None or own.check is None else own.check.algorithm
    of_own = algorithm.width if algorithm is not None and algorithm.family == "crc" else 16
    width = asked if isinstance(asked, int) else of_own
    code_bits = octets * 8 + width
    judged, answered = _judged(request, width, code_bits)
    ranked = sorted(judged, key=lambda one: one.rank)
    longest = {one.poly: _longest(one) for one in ranked[:SHOWN]}
    own_poly = (
        algorithm.poly
        if algorithm is not None and algorithm.family == "crc" and algorithm.width == width
        else None
    )
    whole = "all" if width <= SEARCHED_WIDTH else "the catalogue's"
    return Outcome(
        f"{request.named}: {octets} bytes of data under a CRC of {width} bits; {whole} generators, {answered:,} with their mirror images",
        tuple(
            _record(place, one, code_bits, longest.get(one.poly))
            for place, one in enumerate(ranked[:SHOWN], 1)
        ),
        (
            Heading("", ">"),
            Heading("polynomial", "<"),
            Heading("mirror", "<"),
            Heading("distance"),
            Heading("missed of\nthat many bits"),
            Heading("keeps it up\nto bytes"),
            Heading("known as", "<"),
        ),
        tuple(
            _row(place, one, code_bits, longest.get(one.poly)) for place, one in enumerate(ranked[:SHOWN], 1)
        ),
        _chart(judged, width, octets),
        tuple(_seen(ranked, algorithm if own_poly is not None else None, code_bits)),
    )


def _judged(request: Request, width: int, code_bits: int) -> tuple[list[Judged], int]:
    """All that were judged, and how many generators stand for them."""
    if width <= SEARCHED_WIDTH:
        top = 1 << width
        pieces = [(start, min(start + CHUNK, top), width, code_bits) for start in range(0, top, CHUNK)]
        answers = request.crew.map(judge_chunk, pieces)
    else:
        rows = {
            min(row.poly, mirror(row.poly, width))
            for row in ALGORITHMS.values()
            if row.family == "crc" and row.width == width
        }
        answers = request.crew.map(judge_known, [(poly, width, code_bits) for poly in sorted(rows)])
    judged = [one for answer in answers if answer is not None for one in answer]
    return judged, sum(1 if mirror(one.poly, width) == one.poly else 2 for one in judged)


def _longest(one: Judged) -> int | None:
    """The longest data word, in bits, at which the distance is kept; None: longer than the longest frame."""
    pairs = dict(strength.profile(one.poly, one.width, LIMIT_BITS))
    bits = pairs.get(one.distance, LIMIT_BITS)
    return bits if bits < LIMIT_BITS else None


def _text(poly: int, width: int) -> str:
    return f"0x{poly:0{(width + 3) // 4}X}"


def _record(place: int, one: Judged, code_bits: int, longest: int | None) -> dict[str, Cell]:
    return {
        "place": place,
        "polynomial": _text(one.poly, one.width),
        "mirror": _text(mirror(one.poly, one.width), one.width),
        "width_bits": one.width,
        "data_bits": code_bits - one.width,
        "distance": one.distance,
        "exact": one.exact,
        "missed": one.missed,
        "patterns": comb(code_bits, one.distance),
        "longest_data_bits": longest,
        "known_as": known_as(one.poly, one.width),
    }


def _row(place: int, one: Judged, code_bits: int, longest: int | None) -> tuple[str, ...]:
    return (
        str(place),
        _text(one.poly, one.width),
        _text(mirror(one.poly, one.width), one.width),
        str(one.distance) if one.exact else f"at least {one.distance}",
        "" if one.missed is None else f"{one.missed:,}",
        "255 +" if longest is None else f"{longest // 8}",
        known_as(one.poly, one.width),
    )


def _chart(judged: Sequence[Judged], width: int, octets: int) -> Chart:
    """How many generators reach each distance."""
    distances = sorted({one.distance for one in judged})
    points = tuple(
        (float(at), float(sum(one.distance == d for one in judged))) for at, d in enumerate(distances)
    )
    title = f"Generators of {width} bits by their distance over {octets} bytes"
    names = tuple(f"distance {one}" for one in distances)
    return Chart(title, "", "generators", (Line("generators", points),), "bars", log_up=True, names=names)


def _seen(ranked: Sequence[Judged], own: Algorithm | None, code_bits: int) -> list[str]:
    if not ranked:
        return []
    best = ranked[0]
    reach = sum(one.distance == best.distance for one in ranked)
    found = [
        f"Distance {best.distance} is the most that any reaches here; {reach:,} of {len(ranked):,} do (mirror images counted once)."
    ]
    if own is not None:
        mine = min(own.poly, mirror(own.poly, own.width))
        place = next((at for at, one in enumerate(ranked, 1) if one.poly == mine), None)
        if place is not None:
            one = ranked[place - 1]
            missed = (
                ""
                if one.missed is None
                else f", missing {one.missed:,} of {comb(code_bits, one.distance):,} damages of {one.distance} bits"
            )
            found.append(f"This frame's {own.name} is number {place:,}: distance {one.distance}{missed}.")
    return found
