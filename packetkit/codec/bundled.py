"""Bundles of samples in generated code: straight-line sums and differences where all is plain, else functions that ask for each sample.

A bundle holds its first sample's code and differences (layout/bundle.py is the definition). The text adds difference after difference,
each looked up already scaled where doubles hold every sum exactly; a missing sample is looked up as NaN, which no later sum loses, so
the last sum tells of all. Samples that may not be plain numbers, by the first code or by the least and the greatest sum, are the
function's. Encoding (pack.py) takes the codes of all samples as of plain fields, and their differences; a step that is too large, and a
sample that is missing, are the function's, too. Measured in tests/bench/bench_variable_frame.py.
"""

from __future__ import annotations

from collections.abc import Callable
from math import nan
from typing import Any

from packetkit.codec.linear import EXACT, linear_text
from packetkit.codec.pieces import Pieces, in_bundle
from packetkit.codec.rows import joined, joined_low
from packetkit.codec.source import Source, bare
from packetkit.layout.bundle import codes_of, outside
from packetkit.layout.number import from_raw, value_of
from packetkit.layout.slots import Bundle, Linear

# Differences of so many bits are looked up, 128 KiB at most, and so many samples are written out; more are read by the function.
_STEP_BITS = 12
_UNROLLED = 256


def is_written_out(bundle: Bundle) -> bool:
    """Return whether a bundle's samples are summed in straight-line text."""
    assert isinstance(bundle.sample.transform, Linear)
    scale, reach = bundle.sample.transform, bundle.differences << bundle.width - 1
    least, most = bundle.sample.raw_limits
    largest = max(abs(code * scale.numerator + scale.base) for code in (least - reach, most + reach))
    small = bundle.width <= _STEP_BITS and bundle.samples <= _UNROLLED
    return small and largest < EXACT and scale.denominator < EXACT and not bundle.octets_reversed


def samples_text(
    bundle: Bundle, pieces: Pieces, source: Source, variable: Callable[[str], str], other: str
) -> str:
    """Return the text of a bundle's samples. other: the text of the same for whatever is not plain."""
    sample, scale = bundle.sample, bundle.sample.transform
    assert isinstance(scale, Linear)
    first, total, made = variable("x"), variable("x"), variable("h")
    low, high, reach = sample.legal[0].low, sample.legal[0].high, bundle.differences << bundle.width - 1
    (at, width), *places = in_bundle(bundle)
    code = pieces(at, width)
    if sample.signed:
        code = f"({code} ^ {1 << width - 1:#x}) - {1 << width - 1:#x}"
    is_exact = scale.denominator & (scale.denominator - 1) == 0  # sums of doubles are the numbers themselves
    key = (bundle.width, bundle.has_missing, scale.numerator, scale.denominator)
    steps = source.name("steps", lambda: _steps(bundle, is_exact), key)
    above = Linear(scale.numerator, scale.base, scale.denominator if is_exact else 1)
    start, texts = linear_text(above, first, *sample.raw_limits), []
    if not bundle.has_missing:
        texts, start = [f"({total} := {start})"], total
    for at, width in places:
        texts.append(f"({total} := {start} + {steps}[{bare(pieces(at, width))}])")
        start = total
    if not is_exact:
        texts = [f"{text} / {scale.denominator}" for text in texts]
    least, most = sorted(value_of(scale, end) for end in (low, high))
    tests = [f"{low} <= ({first} := {code}) <= {high}", f"({made} := [{', '.join(texts)}])"]
    if bundle.has_missing:
        tests.append(f"{made}[-1] == {made}[-1]")
    inside = f"{low + reach} <= {first} <= {high - reach} or " if low + reach <= high - reach else ""
    tests.append(f"({inside}{least!r} <= min({made}) and max({made}) <= {most!r})")
    return f"({made} if {' and '.join(tests)} else {other})"


def _steps(bundle: Bundle, is_exact: bool) -> tuple[int | float, ...]:
    """What each difference adds to a sample; NaN for a missing one."""
    scale, half = bundle.sample.transform, 1 << bundle.width - 1
    assert isinstance(scale, Linear)
    ups = [((step ^ half) - half) * scale.numerator for step in range(2 * half)]
    made: list[int | float] = [
        up / scale.denominator if is_exact and scale.denominator > 1 else up for up in ups
    ]
    if bundle.has_missing:
        made[half] = nan
    return tuple(made)


def reader(bundle: Bundle) -> Callable[[int], list[int | float | None]]:
    """Return a function from a bundle's code to its samples; one that is no plain number is asked for by itself."""
    sample, width, count = bundle.sample, bundle.width, bundle.differences
    assert isinstance(sample.transform, Linear)
    num, base, den = sample.transform.numerator, sample.transform.base, sample.transform.denominator
    low, high = sample.legal[0].low, sample.legal[0].high
    mask, half, none = (1 << width) - 1, 1 << width - 1, 1 << width - 1 if bundle.has_missing else -1
    lowest = range(sample.width, bundle.bits, width) if bundle.first_low else range(0, count * width, width)
    places = tuple(lowest if bundle.first_low else reversed(lowest))
    first_at, first_mask = 0 if bundle.first_low else count * width, (1 << sample.width) - 1
    sign = 1 << sample.width - 1 if sample.signed else 0
    missing = sample.missing_code
    plain = range(low, high + 1)

    def odd(code: int) -> int | float | None:
        least, most = sample.raw_limits
        found = from_raw(sample, code) if least <= code <= most else outside(sample, code)
        value = found[0]
        assert value is None or isinstance(value, (int, float))
        return value

    def read(raw: int) -> list[int | float | None]:
        code = ((raw >> first_at & first_mask) ^ sign) - sign
        if missing is not None and code == missing:
            return [None] * bundle.samples
        codes: list[int | None] = [] if bundle.has_missing else [code]
        for at in places:
            step = raw >> at & mask
            if step == none:
                codes.append(None)
            else:
                code += (step ^ half) - half
                codes.append(code)
        if den == 1:
            return [None if n is None else n * num + base if n in plain else odd(n) for n in codes]
        return [None if n is None else (n * num + base) / den + 0.0 if n in plain else odd(n) for n in codes]

    return read


# -- encoding --------------------------------------------------------------------------------------


def opened(bundle: Bundle, lift: int, raw: int) -> list[int]:
    """Return the first code, with what is added to make it no negative one, and the differences of a bundle's code."""
    first, *steps = codes_of(bundle, raw)
    return [first + lift, *steps]


def coder(
    bundle: Bundle, code_of: Callable[[Any], int | None], settled: Callable[[Any], int]
) -> Callable[[Any], int]:
    """Return a function from samples to their code; what is clamped, refused or no plain number is settled as a whole.

    code_of: from one sample to its code, None where it is missing; OverflowError where that is not plain.
    """
    width, largest, none = bundle.width, bundle.largest, -(1 << bundle.width - 1)
    first = 0 if bundle.has_missing else 1

    def code(value: Any) -> int:
        if type(value) not in (list, tuple) or len(value) != bundle.samples:
            return settled(value)
        try:
            codes = [code_of(one) for one in value]
        except OverflowError:
            return settled(value)
        at = next((one for one in codes if one is not None), None)
        if at is None:
            return settled(value)
        steps, start = [], at
        for one in codes[first:]:
            step = none if one is None else one - at
            if one is not None:
                at = one
                if not -largest <= step <= largest:
                    return settled(value)
            steps.append(step & (1 << width) - 1)
        head = start & (1 << bundle.sample.width) - 1
        if bundle.first_low:
            return head | joined_low(steps, width) << bundle.sample.width
        return head << width * len(steps) | joined(steps, width)

    return code
