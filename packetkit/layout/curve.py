"""Curves: numbers whose value is not linear in their code, as pieces of polynomials with exact rational coefficients (WIRE.md 7).

A polynomial is one piece, a square law that keeps its sign two, straight lines between points one each, a table one for each entry. A
value is the piece's polynomial, exact, rounded once. The inverse is the code whose value is nearest, compared exactly, the greater code on
a tie; it exists where the values rise, or fall, from each code to the next. Whether they do is decided without trying every code:
between the turning points of its differences, themselves a polynomial of lower degree, a sequence is monotonic.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from math import lcm
from numbers import Rational

from packetkit.schema.model import Curve as Declared

_SMALLEST = Fraction(1, 1 << 960)  # below, doubles are no longer as fine as their size


@dataclass(frozen=True, slots=True)
class Piece:
    """The codes from low to high, both included; their value is the sum of coefficients[i] * code**i, over denominator."""

    low: int
    high: int
    coefficients: tuple[int, ...]
    denominator: int

    def above(self, code: int) -> int:
        """The value's numerator."""
        total = 0
        for one in reversed(self.coefficients):
            total = total * code + one
        return total

    def exact(self, code: int) -> Fraction:
        return Fraction(self.above(code), self.denominator)


@dataclass(frozen=True, slots=True)
class Curve:
    """Pieces, ascending and apart; a code in none of them has no value.

    name: how it was declared. is_integer: the value is an integer. line: the pieces that encode searches, cut to the codes that may be
    sent; empty where the values there neither rise nor fall throughout, so that only decoding is possible.
    """

    name: str
    pieces: tuple[Piece, ...]
    is_integer: bool
    line: tuple[Piece, ...] = ()

    @property
    def is_rising(self) -> bool:
        first, last = self.line[0], self.line[-1]
        return first.exact(first.low) <= last.exact(last.high)

    def piece(self, code: int) -> Piece | None:
        """The piece that holds a code."""
        at = bisect_right(self.pieces, code, key=_low) - 1
        found = self.pieces[at] if at >= 0 else None
        return found if found is not None and code <= found.high else None


def _low(piece: Piece) -> int:
    return piece.low


def curve_of(declared: Declared, scale: Fraction, offset: Fraction, low: int, high: int) -> Curve:
    """Return the curve that a field declares, over the codes from low to high.

    scale, offset: of a square law, whose root is offset + scale * code.
    """
    pieces: Iterable[Piece]
    if declared.what == "table":
        pieces = (_piece(raw, raw, (value,)) for raw, value in declared.points)
        whole = all(value.denominator == 1 for _, value in declared.points)
    elif declared.what == "points":
        pieces, whole = _between(declared.points), False
    else:
        terms = declared.coefficients
        if declared.what == "square":
            terms = (offset**2, 2 * offset * scale, scale**2)
        whole = all(term.denominator == 1 for term in terms)
        pieces = [_piece(low, high, terms)]
        if declared.keeps_sign:
            pieces = _with_sign(terms, scale, offset, low, high)
    return Curve(declared.what, tuple(pieces), whole)


def _piece(low: int, high: int, terms: tuple[Fraction, ...]) -> Piece:
    below = lcm(*(term.denominator for term in terms))
    above = [int(term * below) for term in terms]
    while len(above) > 1 and above[-1] == 0:
        above.pop()
    return Piece(low, high, tuple(above), below)


def _between(points: tuple[tuple[int, Fraction], ...]) -> Iterator[Piece]:
    """Straight lines from each point to the next; the last point belongs to the last of them."""
    for at, ((first, start), (second, end)) in enumerate(pairwise(points), 2):
        slope = (end - start) / (second - first)
        yield _piece(first, second if at == len(points) else second - 1, (start - slope * first, slope))


def _with_sign(
    terms: tuple[Fraction, ...], scale: Fraction, offset: Fraction, low: int, high: int
) -> list[Piece]:
    """The square of a root, negative where the root is."""
    less = tuple(-term for term in terms)
    zero = -offset / scale
    first = -(-zero.numerator // zero.denominator)  # the least code that is not below the root's zero
    below, above = (less, terms) if scale > 0 else (terms, less)
    parts = ((low, min(high, first - 1), below), (max(low, first), high, above))
    return [_piece(start, end, part) for start, end, part in parts if start <= end]


# -- monotonic, and how finely ----------------------------------------------------------------------------------------


def with_inverse(curve: Curve, low: int, high: int) -> Curve:
    """Return the curve with the line that encode searches, codes from low to high; without one where it is not monotonic."""
    line = tuple(
        replace(one, low=max(one.low, low), high=min(one.high, high))
        for one in curve.pieces
        if one.low <= high and one.high >= low
    )
    signs = {(step > 0) - (step < 0) for step in _steps(line)}
    return replace(curve, line=line if signs in ({1}, {-1}, set()) else ())


def is_exact(curve: Curve) -> bool:
    """Return whether rounding a value to a double and back gives every code of the line: certain where steps are far above a rounding."""
    if curve.is_integer or not curve.line:
        return True
    steps = [abs(step) for step in _steps(curve.line)]
    low, high = extremes(curve.line)
    return not steps or min(steps) > max(abs(low), abs(high), _SMALLEST) / (1 << 52)


def extremes(pieces: tuple[Piece, ...]) -> tuple[Fraction, Fraction]:
    """Return the least and the greatest value of some pieces."""
    values = [one.exact(code) for one in pieces for code in _turns(one.coefficients, one.low, one.high)]
    return min(values), max(values)


def _steps(pieces: tuple[Piece, ...]) -> Iterator[Fraction]:
    """Steps from one code to the next: enough of them to know the sign of all, and the least."""
    for one in pieces:
        if one.low < one.high:
            change = _difference(one.coefficients)
            for code in _turns(change, one.low, one.high - 1):
                yield one.exact(code + 1) - one.exact(code)
    for first, second in pairwise(pieces):
        yield second.exact(second.low) - first.exact(first.high)


def _difference(terms: tuple[int, ...]) -> tuple[int, ...]:
    """The polynomial p(x + 1) - p(x), by Pascal's triangle."""
    made = [0] * max(len(terms) - 1, 1)
    row = [1]
    for power, term in enumerate(terms):
        for at in range(power):
            made[at] += term * row[at]
        row = [1, *(a + b for a, b in pairwise(row)), 1]
    return tuple(made)


def _turns(terms: tuple[int, ...], low: int, high: int) -> list[int]:
    """Codes from low to high, ends included, between which the polynomial does not turn."""
    if len(terms) <= 2 or low == high:
        return sorted({low, high})
    change = _difference(terms)
    found = {low, high}
    for first, last in pairwise(_turns(change, low, high - 1)):
        sign = _sign(change, first)
        if sign != _sign(change, last):
            while last - first > 1:
                middle = (first + last) // 2
                first, last = (middle, last) if _sign(change, middle) == sign else (first, middle)
            found.add(last)
    return sorted(found)


def _sign(terms: tuple[int, ...], code: int) -> int:
    total = Piece(code, code, terms, 1).above(code)
    return (total > 0) - (total < 0)


# -- the inverse ------------------------------------------------------------------------------------------------------


def nearest(curve: Curve, value: Rational | int) -> int:
    """Return the code of the line whose value is nearest, the greater of two."""
    line, wanted = curve.line, Fraction(int(value.numerator), int(value.denominator))
    turn = 1 if curve.is_rising else -1
    at = bisect_right(line, turn * wanted, key=lambda one: turn * one.exact(one.low)) - 1
    if at < 0:
        return line[0].low
    piece = line[at]
    first, last = piece.low, piece.high
    while first < last:  # the last code that is not beyond what is wanted
        middle = (first + last + 1) // 2
        first, last = (middle, last) if turn * piece.exact(middle) <= turn * wanted else (first, middle - 1)
    if first < piece.high:
        after, there = first + 1, piece.exact(first + 1)
    elif at + 1 < len(line):
        after, there = line[at + 1].low, line[at + 1].exact(line[at + 1].low)
    else:
        return first
    return after if abs(there - wanted) <= abs(wanted - piece.exact(first)) else first
