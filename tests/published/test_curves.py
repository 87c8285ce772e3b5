"""Values that are not linear in their code, held to what standards and data sheets print.

Sources: ITU-R M.1371-5, annex 8, message 1, rate of turn: ROT_AIS = 4.733 * sqrt(ROT_sensor), +126 and -126 for 708 degrees a minute or
more, +127 and -127 for more than 5 degrees in half a minute without a turn indicator, -128 for no information; from memory. IEC 60751,
resistance of a Pt100 element in ohms above 0 degrees Celsius: R = 100 * (1 + 3.9083e-3 t - 5.775e-7 t^2), with 138.5055 at 100 degrees
and 175.856 at 200; from memory. A decade of gain settings as a table: common practice.
"""

from __future__ import annotations

import itertools
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from packetkit.codec.frame import Frame
from packetkit.errors import EncodeError
from packetkit.layout.curve import Curve, curve_of, extremes, is_exact, nearest, with_inverse
from packetkit.mission.load import parse
from packetkit.schema.model import Curve as Declared


def codec(field: str) -> Frame:
    text = f"mission: paper\nframes:\n  sheet:\n    fields:\n      - {{name: a, {field}}}\n    last_byte: zero_filled\n"
    return parse(text).frames["sheet"]


TURN = codec(
    "bits: 8, signed: true, unit: deg/min, scale: 1000/4733, curve: {square: {keeps_sign: true}}, at_least: 126, at_most: -126, "
    "missing: [{code: -128, reason: no information}, {code: 127, reason: right}, {code: -127, reason: left}], out_of_range: clamp"
)


@pytest.mark.parametrize(
    ("sensor", "sent"),
    [(0, 0), (720, 126), (-720, -126), (708, 126), (-30, -26), (1, 5), (100, 47), (400, 95)],
)
def test_the_rate_of_turn_is_sent_as_the_recommendation_has_it(sensor: int, sent: int) -> None:
    # 4.733 times the root of 30 is 25.9, of 1 is 4.7, of 100 is 47.3, of 400 is 94.7.
    assert TURN.encode({"a": sensor}) == bytes([sent & 0xFF])


def test_the_special_codes_of_the_rate_of_turn_are_told_apart() -> None:
    reasons = [
        TURN.decode(bytes([code & 0xFF]), detail=True)["a"].get("reason") for code in (-128, 127, -127)
    ]
    assert reasons == ["no information", "right", "left"]
    assert TURN.decode(bytes([126]), detail=True)["a"]["note"] == "at least"
    assert 708 <= TURN.decode(bytes([126]))["a"] < 709


def test_every_code_of_the_rate_of_turn_encodes_back() -> None:
    for code in range(256):
        detail = TURN.decode(bytes([code]), detail=True)
        assert TURN.encode(detail) == bytes([code])
        if detail["a"]["value"] is not None:
            assert TURN.encode({"a": detail["a"]["value"]}) == bytes([code])


def test_a_resistance_thermometer_is_the_polynomial_of_its_standard() -> None:
    frame = codec("bits: 10, unit: Ohm, curve: {polynomial: [100, 0.39083, -0.00005775]}")
    for celsius, ohms in ((0, 100.0), (100, 138.5055), (200, 175.856)):
        assert frame.decode((celsius << 6).to_bytes(2, "big"))["a"] == ohms
        assert frame.encode({"a": ohms}) == (celsius << 6).to_bytes(2, "big")


def test_a_curve_that_turns_takes_codes_only() -> None:
    frame = codec("bits: 8, signed: true, curve: square")
    assert frame.decode(b"\xfd") == frame.decode(b"\x03") == {"a": 9}
    with pytest.raises(EncodeError, match="several codes may have one value"):
        frame.encode({"a": 9})
    assert frame.encode({"a": {"raw": -3}}) == b"\xfd"


TERMS = st.fractions(-20, 20, max_denominator=50)


def plain(curve: Curve, code: int) -> Fraction:
    piece = curve.piece(code)
    assert piece is not None
    return piece.exact(code)


@given(st.lists(TERMS, min_size=2, max_size=5), st.integers(-40, 40), st.integers(0, 80))
def test_whether_a_polynomial_rises_throughout_is_what_trying_every_code_says(
    terms: list[Fraction], low: int, size: int
) -> None:
    curve = curve_of(
        Declared("polynomial", coefficients=tuple(terms)), Fraction(1), Fraction(0), low, low + size
    )
    values = [
        sum(term * code**power for power, term in enumerate(terms)) for code in range(low, low + size + 1)
    ]
    steps = [b - a for a, b in itertools.pairwise(values)]
    expected = all(step > 0 for step in steps) or all(step < 0 for step in steps)
    assert bool(with_inverse(curve, low, low + size).line) is expected
    assert extremes(curve.pieces) == (min(values), max(values))
    assert [plain(curve, code) for code in range(low, low + size + 1)] == values


@given(st.lists(TERMS, min_size=2, max_size=4), st.integers(1, 60), st.fractions(-9000, 9000))
def test_the_code_that_is_sent_is_the_nearest_and_the_greater_of_two(
    terms: list[Fraction], size: int, wanted: Fraction
) -> None:
    curve = curve_of(Declared("polynomial", coefficients=tuple(terms)), Fraction(1), Fraction(0), 0, size)
    curve = with_inverse(curve, 0, size)
    if curve.line:
        best = min(range(size + 1), key=lambda code: (abs(plain(curve, code) - wanted), -code))
        assert nearest(curve, wanted) == best
        assert is_exact(curve)


def test_doubles_are_trusted_where_a_step_is_more_than_their_own_at_the_largest_value() -> None:
    # A double has 52 bits behind the first (IEEE 754-2019, table 3.5): steps of a half beside 2^51 are just those.
    for start, trusted in ((2**51 - 8, True), (2**51, False), (-(2**51), False)):
        curve = curve_of(
            Declared("polynomial", coefficients=(Fraction(start), Fraction(1, 2))),
            Fraction(1),
            Fraction(0),
            0,
            15,
        )
        assert is_exact(with_inverse(curve, 0, 15)) is trusted


@given(st.integers(-5000, 5000), st.integers(1, 63))
def test_wide_polynomials_decode_alike_in_generated_code_and_by_the_rule(start: int, root: int) -> None:
    frame = codec(f"bits: 20, curve: {{polynomial: [{start}, 1/{root}, 1/7]}}")
    for code in (0, 1, 4095, 4096, (1 << 20) - 1):
        data = (code << 4).to_bytes(3, "big")
        exact = start + Fraction(code, root) + Fraction(code * code, 7)
        assert frame.decode(data)["a"] == exact.numerator / exact.denominator
        assert frame.encode(frame.decode(data)) == data
