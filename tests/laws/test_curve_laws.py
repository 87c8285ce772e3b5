"""Curves: where a polynomial turns, whether it has an inverse, and what it spans, against all of its codes one by one."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from packetkit.layout.curve import curve_of, extremes, with_inverse
from packetkit.schema.model import Curve as Declared

LOW, CODES = st.integers(-70, 70), st.integers(1, 130)


def holds(
    declared: Declared, scale: Fraction, offset: Fraction, low: int, values: Sequence[Fraction]
) -> None:
    """What is said of a curve is what all its values, in the order of their codes, say."""
    high = low + len(values) - 1
    curve = curve_of(declared, scale, offset, low, high)
    assert extremes(curve.pieces) == (min(values), max(values))
    steps = [after - before for before, after in pairwise(values)]
    one_way = all(step > 0 for step in steps) or all(step < 0 for step in steps)
    assert bool(with_inverse(curve, low, high).line) == one_way


@given(
    terms=st.lists(
        st.builds(Fraction, st.integers(-40, 40), st.sampled_from([1, 2, 3, 8])), min_size=2, max_size=5
    ),
    low=LOW,
    codes=CODES,
)
@settings(max_examples=300)
def test_a_polynomial_turns_where_its_values_do(terms: list[Fraction], low: int, codes: int) -> None:
    values = [
        sum((term * code**power for power, term in enumerate(terms)), Fraction(0))
        for code in range(low, low + codes)
    ]
    holds(Declared("polynomial", coefficients=tuple(terms)), Fraction(1), Fraction(0), low, values)


@given(
    scale=st.builds(Fraction, st.integers(-9, 9).filter(bool), st.sampled_from([1, 2, 3, 7])),
    offset=st.builds(Fraction, st.integers(-90, 90), st.sampled_from([1, 2, 5])),
    low=LOW,
    codes=CODES,
    keeps=st.booleans(),
)
@settings(max_examples=300)
def test_a_square_turns_at_the_zero_of_its_root_unless_it_keeps_the_sign(
    scale: Fraction, offset: Fraction, low: int, codes: int, keeps: bool
) -> None:
    roots = [offset + scale * code for code in range(low, low + codes)]
    values = [root * abs(root) if keeps else root * root for root in roots]
    holds(Declared("square", keeps_sign=keeps), scale, offset, low, values)
