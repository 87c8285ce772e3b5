"""Value <-> raw: exact, rounded once, bounded in time; whether a field is exact is decided, not sampled."""

from __future__ import annotations

import math
import random
import struct
import time
from collections import Counter
from decimal import Decimal
from enum import IntEnum
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packetkit.errors import EncodeError
from packetkit.layout.ieee import ieee_is_finite
from packetkit.layout.number import from_raw, parse_text, round_raw, to_raw, value_of
from packetkit.layout.roundtrip import linear_roundtrips, roundtrips
from packetkit.layout.slots import Ieee, Linear, Range, Slot, Special, Transform

TENTHS = Linear(1, 0, 10)


def number(
    width: int = 12,
    transform: Transform = TENTHS,
    *,
    signed: bool = False,
    legal: tuple[Range, ...] = (),
    specials: tuple[Special, ...] = (),
    unassigned: bool = False,
    policy: str = "error",
    minimum: Fraction | None = None,
    maximum: Fraction | None = None,
    kind: str = "number",
) -> Slot:
    slot = Slot(0, ("x",), "x", kind, 0, width, signed=signed)
    legal = legal or (Range(*slot.raw_limits),)
    return Slot(
        0, ("x",), "x", kind, 0, width, signed=signed, transform=transform, legal=legal, specials=specials,
        unassigned=unassigned, policy=policy, minimum=minimum, maximum=maximum,
    )  # fmt: skip


def raw_of(slot: Slot, value: object) -> int:
    outcome = to_raw(slot, value)
    assert outcome.fault is None, outcome.fault
    return outcome.raw


def rule_of(slot: Slot, value: object) -> str:
    outcome = to_raw(slot, value)
    assert outcome.fault is not None, outcome
    return outcome.fault.rule


# -- the wire rules' own examples ------------------------------------------------------------------


def test_a_float_is_exactly_its_binary_value_and_a_fraction_is_itself() -> None:
    """WIRE.md rule 4: 0.15 at 0.1 gives raw 1, Fraction(15, 100) gives 2."""
    assert raw_of(number(), 0.15) == 1
    assert raw_of(number(), Fraction(15, 100)) == 2
    assert raw_of(number(), Decimal("0.15")) == 2


def test_213_at_a_tenth_is_the_double_nearest_to_21_3() -> None:
    """WIRE.md rule 5."""
    assert value_of(TENTHS, 213) == 21.3


def test_published_questions_about_signed_values_come_out_right() -> None:
    """NEEDS.md row 2: -3.19 <-> FE C1, -3456 <-> F2 80, F2 96 0A at 1/10000 = -87.9094."""
    hundredths = number(16, Linear(1, 0, 100), signed=True)
    assert raw_of(hundredths, Decimal("-3.19")).to_bytes(2, "big", signed=True) == bytes.fromhex("FEC1")
    assert from_raw(hundredths, int.from_bytes(bytes.fromhex("FEC1"), "big", signed=True))[0] == -3.19
    assert raw_of(number(16, Linear(1, 0, 1), signed=True), -3456).to_bytes(
        2, "big", signed=True
    ) == bytes.fromhex("F280")
    position = number(24, Linear(1, 0, 10000), signed=True)
    assert from_raw(position, int.from_bytes(bytes.fromhex("F2960A"), "big", signed=True))[0] == -87.9094


@pytest.mark.parametrize("scale", [1, -1])
def test_ties_go_toward_plus_infinity_in_raw(scale: int) -> None:
    halves = number(8, Linear(scale, 0, 1), signed=True)
    assert [raw_of(halves, Fraction(n, 2) * scale) for n in (-3, -1, 1, 3)] == [-1, 0, 1, 2]


def test_zero_is_plus_zero_under_a_negative_scale() -> None:
    value = value_of(Linear(-1, 0, 10), 0)
    assert math.copysign(1, value) == 1
    assert math.copysign(1, value_of(Linear(1, -1, 10**400), 0)) == 1


def test_whole_scale_and_offset_give_integers_of_any_size() -> None:
    value = value_of(Linear(10**30, 7, 1), (1 << 64) - 1)
    assert value == ((1 << 64) - 1) * 10**30 + 7
    assert isinstance(value, int)
    assert raw_of(number(64, Linear(10**30, 7, 1)), value) == (1 << 64) - 1


# -- values that are not plain ---------------------------------------------------------------------


class Level(IntEnum):
    HIGH = 7


def test_numbers_of_other_libraries_are_numbers() -> None:
    whole = number(8, Linear(1, 0, 1))
    given_values = (
        Level.HIGH,
        np.int64(7),
        np.uint8(7),
        np.float32(7),
        np.float64(7),
        Fraction(7),
        Decimal(7),
        np.array([7])[0],
    )
    assert {raw_of(whole, value) for value in given_values} == {7}


@pytest.mark.parametrize("value", [True, np.True_, "7", b"7", [7], {}, object(), 7j, None])
def test_what_is_not_a_number_is_refused_as_one(value: object) -> None:
    assert rule_of(number(), value) == "not-a-number"


@pytest.mark.parametrize("text", ["1e999999999", "-1e999999999", "1e400"])
def test_absurd_exponents_are_out_of_range_at_once(text: str) -> None:
    begin = time.perf_counter()
    assert rule_of(number(), Decimal(text)) == "out-of-range"
    assert rule_of(number(32, Ieee(32), kind="float"), Decimal(text)) == "out-of-range"
    assert to_raw(number(policy="clamp"), Decimal(text)) == ((0 if text[0] == "-" else 4095), True, None)
    assert time.perf_counter() - begin < 1  # writing out 10**999999999 takes minutes and gigabytes


def test_a_vanishing_decimal_still_falls_on_its_side_of_a_tie() -> None:
    """At an offset of 0.05 zero itself is a tie."""
    slot = number(8, Linear(2, 1, 20), signed=True)
    assert raw_of(slot, 0) == 0
    assert raw_of(slot, Decimal("1e-999999999")) == 0
    assert raw_of(slot, Decimal("-1e-999999999")) == -1


def test_integers_of_a_million_bits_are_refused_in_a_short_sentence() -> None:
    outcome = to_raw(number(), 1 << 1_000_000)
    assert outcome.fault is not None
    assert outcome.fault.rule == "out-of-range"
    assert outcome.fault.message.startswith("an integer of 1000001 bits is outside 0.0 to 409.5")
    outcome = to_raw(number(), Fraction(1 << 100_000, 3))
    assert outcome.fault is not None
    assert len(outcome.fault.message) < 200


def test_nan_is_missing_or_an_error_and_never_clamped() -> None:
    for nan in (float("nan"), Decimal("NaN"), Decimal("sNaN"), np.float32("nan")):
        assert rule_of(number(policy="clamp"), nan) == "not-finite"
        assert raw_of(number(specials=(Special(4095, 4095, "missing"),)), nan) == 4095


def test_an_infinity_is_out_of_range() -> None:
    for infinite in (float("inf"), Decimal("Infinity")):
        assert rule_of(number(), infinite) == "out-of-range"
        assert to_raw(number(policy="clamp"), infinite) == (4095, True, None)
        assert to_raw(number(policy="clamp"), -infinite) == (0, True, None)
        assert to_raw(number(transform=Linear(-1, 0, 10), policy="clamp"), infinite) == (0, True, None)


# -- ranges and codes ------------------------------------------------------------------------------

GAUGE = number(
    8,
    Linear(1, -40, 1),
    legal=(Range(2, 100), Range(110, 250)),
    specials=(
        Special(0, 0, "missing", "not fitted"),
        Special(1, 1, "at_most"),
        Special(101, 109, "missing"),
        Special(251, 251, "at_least"),
    ),
    policy="clamp",
)


def test_clamping_takes_the_nearest_legal_code_or_the_bound() -> None:
    cases = {
        -1000: 1,
        -39: 1,
        -38: 2,
        60: 100,
        61: 100,
        65: 100,
        66: 110,
        70: 110,
        210: 250,
        211: 251,
        10**30: 251,
    }
    assert {value: to_raw(GAUGE, value).raw for value in cases} == cases
    assert [to_raw(GAUGE, value).clamped for value in (-1000, -39, -38, 65, 66, 211, 212)] == [
        True, False, False, True, True, False, True,
    ]  # fmt: skip


def test_bounds_of_a_falling_scale_are_bounds_of_the_value() -> None:
    falling = number(8, Linear(-1, 0, 1), legal=(Range(1, 254),), policy="clamp",
                     specials=(Special(0, 0, "at_least"), Special(255, 255, "at_most")))  # fmt: skip
    assert to_raw(falling, 10) == (0, True, None)
    assert to_raw(falling, -1000) == (255, True, None)
    assert from_raw(falling, 255) == (-255, "", "at most")


def test_codes_decode_to_values_reasons_and_notes() -> None:
    expected = {
        0: (None, "not fitted", ""),
        1: (-39, "", "at most"),
        2: (-38, "", ""),
        105: (None, "missing", ""),
        251: (211, "", "at least"),
        252: (212, "", "out_of_range"),
    }
    assert {raw: from_raw(GAUGE, raw) for raw in expected} == expected


def test_an_unassigned_code_of_a_field_by_meaning_is_none() -> None:
    slot = number(8, legal=(Range(0, 100),), unassigned=True)
    assert from_raw(slot, 101) == (None, "unassigned", "")
    assert from_raw(slot, 100) == (10.0, "", "")


def test_a_reason_is_accepted_as_a_value() -> None:
    assert to_raw(GAUGE, "not fitted") == (0, False, None)
    assert to_raw(GAUGE, None) == (0, False, None)
    assert rule_of(GAUGE, "broken") == "not-a-number"


def test_out_of_range_may_mean_missing() -> None:
    slot = number(8, legal=(Range(0, 254),), specials=(Special(255, 255, "missing"),), policy="missing")
    assert to_raw(slot, 1e9) == (255, False, None)
    assert to_raw(slot, 25.5) == (255, False, None)


def test_an_out_of_range_message_says_the_number_the_limits_and_the_remedy() -> None:
    outcome = to_raw(number(), 409.55)
    assert (
        str(outcome.fault)
        == "x: 409.55 is outside 0.0 to 409.5. Give a value inside, or declare out_of_range: clamp"
    )


# -- states, flags, codes --------------------------------------------------------------------------

STATES = Slot(0, ("s",), "s", "states", 0, 3, states=((0, "idle"), (1, "run")), legal=(Range(0, 7),))
FLAG = Slot(0, ("f",), "f", "flag", 0, 1)


def test_states_go_by_name_and_unknown_ones_keep_their_number() -> None:
    assert [raw_of(STATES, value) for value in ("run", 0, 5, Fraction(5))] == [1, 0, 5, 5]
    assert [from_raw(STATES, raw)[0] for raw in (1, 5)] == ["run", 5]
    assert [rule_of(STATES, value) for value in ("walk", 8, 1.5, True, None)] == [
        "unknown-state", "out-of-range", "wrong-type", "wrong-type", "wrong-type",
    ]  # fmt: skip


def test_flags_take_true_and_false_only() -> None:
    assert [raw_of(FLAG, value) for value in (True, False, np.True_)] == [1, 0, 1]
    assert {rule_of(FLAG, value) for value in (1, 0, "true", None, 1.0)} == {"wrong-type"}
    assert from_raw(FLAG, 1) == (True, "", "")


def test_codes_and_counts_must_be_exact() -> None:
    count = Slot(0, ("n",), "n", "count", 0, 4)
    assert raw_of(count, 3) == raw_of(count, 3.0) == 3
    assert [rule_of(count, value) for value in (3.5, True, 16, "3")] == [
        "not-a-number", "not-a-number", "out-of-range", "not-a-number",
    ]  # fmt: skip


# -- IEEE ------------------------------------------------------------------------------------------


def test_every_half_agrees_with_numpy() -> None:
    """Outside: numpy's own IEEE 754 half, all 65,536 patterns."""
    slot = number(16, Ieee(16), kind="float")
    halves = np.arange(65536, dtype=np.uint16).view(np.float16)
    for raw, half in enumerate(halves):
        value, reason, note = from_raw(slot, raw)
        if np.isfinite(half):
            assert (value, reason, note) == (float(half), "", "")
            assert raw_of(slot, value) == raw
        else:
            assert (value, reason, note) == (None, "not finite", "")


@given(st.floats(allow_nan=False, width=64))
@settings(max_examples=300)
def test_doubles_round_to_halves_and_singles_as_numpy_rounds_them(value: float) -> None:
    with np.errstate(over="ignore"):
        for bits, kind, pattern in ((16, np.float16, np.uint16), (32, np.float32, np.uint32)):
            expected = kind(value)
            outcome = to_raw(number(bits, Ieee(bits), kind="float"), value)
            if np.isfinite(expected):
                assert outcome == (int(np.array([expected]).view(pattern)[0]), False, None)
            else:
                assert outcome.fault is not None
                assert outcome.fault.rule == "out-of-range"


def test_a_finite_number_that_becomes_infinite_is_out_of_range() -> None:
    half = number(16, Ieee(16), kind="float", policy="clamp")
    assert to_raw(half, 65519.99) == (0x7BFF, False, None)
    assert to_raw(half, 65520.0) == (0x7BFF, True, None)
    assert to_raw(half, -1e300) == (0xFBFF, True, None)
    assert ieee_is_finite(16, Fraction(65504))
    assert not ieee_is_finite(16, 65520)
    assert not ieee_is_finite(64, Fraction(10**400))


def test_minus_zero_is_kept_and_bounds_are_rounded_like_values() -> None:
    assert raw_of(number(32, Ieee(32), kind="float"), -0.0) == 0x80000000
    tenth = number(32, Ieee(32), kind="float", minimum=Fraction(0), maximum=Fraction(1, 10))
    assert raw_of(tenth, 0.1) == struct.unpack(">I", struct.pack(">f", 0.1))[0]
    assert rule_of(tenth, 0.1000001) == "out-of-range"
    assert from_raw(tenth, 0x3F800000) == (1.0, "", "out_of_range")


@pytest.mark.parametrize(
    ("low", "high", "reserved"),
    [
        (-65504, 65504, (0x3C00, 0x3C00)),  # one, alone: the pattern below it is the lower number
        (-65504, 65504, (0xBC00, 0xBC02)),  # -1 and on: patterns rise as numbers fall
        (-65504, 65504, (0x0000, 0x0003)),  # zero and the smallest numbers: minus zero is next
        (1, 2, (0x3C00, 0x3C04)),  # nothing legal below
        (-2, -1, (0xBC00, 0xBC01)),
        (1, 2, (0x4000, 0x4000)),
    ],
)
def test_a_reserved_half_clamps_to_the_nearest_pattern_in_the_order_of_numbers(
    low: int, high: int, reserved: tuple[int, int]
) -> None:
    """Found by trying all 65,536 patterns, with numpy's halves (IEEE 754-2019, 3.4)."""
    slot = number(
        16, Ieee(16), kind="float", policy="clamp", minimum=Fraction(low), maximum=Fraction(high),
        specials=(Special(*reserved, "missing"),),
    )  # fmt: skip
    halves = np.arange(65536, dtype=np.uint16).view(np.float16).astype(float)
    place = [0x7FFF - raw if raw & 0x8000 else raw for raw in range(65536)]
    sendable = [
        raw for raw in range(65536) if low <= halves[raw] <= high and not reserved[0] <= raw <= reserved[1]
    ]
    for raw in range(reserved[0], reserved[1] + 1):
        nearest = min(sendable, key=lambda code: (abs(place[code] - place[raw]), place[code]))
        assert to_raw(slot, float(halves[raw])) == (nearest, True, None)


def test_any_nan_is_missing_where_missing_is_declared() -> None:
    slot = number(32, Ieee(32), kind="float", specials=(Special(0x7FC00000, 0x7FC00000, "missing"),))
    assert from_raw(slot, 0xFFC12345) == (None, "missing", "")
    assert from_raw(slot, 0x7F800000) == (None, "not finite", "")
    assert raw_of(slot, None) == raw_of(slot, float("nan")) == 0x7FC00000


# -- text ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("12", 12),
        (" -3 ", -3),
        ("0.15", 0.15),
        ("1e2", 100.0),
        (".5", 0.5),
        ("1.", 1.0),
        ("", None),
        ("not fitted", "not fitted"),
        ("18446744073709551616", 1 << 64),
        ("inf", math.inf),
    ],
)
def test_text_becomes_what_a_json_reader_would_make_of_it(text: str, value: object) -> None:
    parsed = parse_text(GAUGE, text)
    assert parsed == value
    assert type(parsed) is type(value)


@pytest.mark.parametrize(
    "text", ["twelve", "1_000", "0x10", "1,5", "١", "9" * 2000, "true", "--1", "1e", "."]
)
def test_text_that_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(EncodeError, match="is not a number"):
        parse_text(GAUGE, text)


def test_words_for_flags_and_states() -> None:
    assert [parse_text(FLAG, text) for text in ("true", "FALSE", "")] == [True, False, None]
    with pytest.raises(EncodeError, match="neither true nor false"):
        parse_text(FLAG, "1")
    assert [parse_text(STATES, text) for text in ("run", "5", "walk")] == ["run", 5, "walk"]


# -- exactness -------------------------------------------------------------------------------------


def narrow(exact: Fraction, precision: int, highest: int) -> Fraction | None:
    """The nearest number with so few significant bits, ties to even (IEEE 754-2019, 4.3.1); None beyond."""
    magnitude, gap = abs(exact), Fraction(2) ** (2 - highest - precision)
    while magnitude >= gap * 2**precision:
        gap *= 2
    steps, rest = divmod(magnitude, gap)
    if rest * 2 > gap or (rest * 2 == gap and steps % 2):
        steps += 1
    rounded = steps * gap
    if rounded >= Fraction(2) ** (highest + 1):
        return None
    return rounded if exact > 0 else -rounded


small = st.integers(1, 60)


@given(
    small,
    st.booleans(),
    small,
    st.integers(-60_000, 60_000),
    st.integers(-40, 40),
    st.integers(0, 120),
    st.integers(2, 8),
    st.integers(2, 12),
)
@settings(max_examples=300)
def test_whether_a_field_is_exact_is_decided_as_by_trying_every_code(
    above: int, falling: bool, below: int, base: int, low: int, more: int, precision: int, highest: int
) -> None:
    transform = Linear(-above if falling else above, base if base % 3 else base // 300, below)
    codes = range(low, low + more + 1)
    survives = every_code_survives(transform, codes, precision, highest)
    assert linear_roundtrips(transform, low, low + more, precision, highest) is survives


@pytest.mark.parametrize("turn", [1, -1])
def test_a_value_is_beyond_the_format_from_half_a_gap_above_its_largest_number_on(turn: int) -> None:
    # Three bits up to 7/4 * 2**4 = 28 in gaps of 4: 30 would be rounded to 32, which is none (IEEE 754-2019, 4.3.1).
    for base, kept in ((2 * 28, True), (2 * 30 - 1, True), (2 * 30, False), (2 * 31, False), (2 * 40, False)):
        transform = Linear(8 * turn, turn * base, 2)
        assert linear_roundtrips(transform, 0, 0, 3, 4) is kept
        assert every_code_survives(transform, range(1), 3, 4) is kept


def every_code_survives(transform: Linear, codes: range, precision: int, highest: int) -> bool:
    for raw in codes:
        value = narrow(transform.offset + transform.scale * raw, precision, highest)
        if value is None or round_raw(transform, value) != raw:
            return False
    return True


def test_exactness_is_decided_rightly_where_losses_begin() -> None:
    """Few significant bits and values around zero: about as many fields keep their codes as lose some."""
    chance, seen = random.Random(5), Counter[bool]()
    for _ in range(2500):
        above, base, below = (
            chance.choice((-5, -3, -2, -1, 1, 2, 3, 5)),
            chance.randint(-40, 40),
            chance.randint(1, 6),
        )
        low, more = chance.randint(-9, 4), chance.choice((0, 0, 1, 3, 6))
        transform, precision = Linear(above, base, below), chance.randint(2, 4)
        survives = every_code_survives(transform, range(low, low + more + 1), precision, 12)
        assert linear_roundtrips(transform, low, low + more, precision, 12) is survives, transform
        seen[survives] += 1
    assert min(seen.values()) > 500, seen


@given(
    st.integers(1, 64), st.fractions(), st.fractions(), st.booleans(), st.lists(st.integers(0), max_size=8)
)
@settings(max_examples=250)
def test_codes_of_a_field_called_exact_do_come_back(
    width: int, scale: Fraction, offset: Fraction, signed: bool, picks: list[int]
) -> None:
    if scale == 0:
        return
    den = math.lcm(scale.denominator, offset.denominator)
    slot = number(width, Linear(int(scale * den), int(offset * den), den), signed=signed)
    low, high = slot.raw_limits
    if roundtrips(slot):
        for raw in (low, high, *(low + pick % (high - low + 1) for pick in picks)):
            assert raw_of(slot, from_raw(slot, raw)[0]) == raw


@pytest.mark.parametrize(
    ("width", "transform", "exact"),
    [
        (52, TENTHS, True),  # doubles below 2**49 are 1/16 apart, above it 1/8: more than a tenth
        (53, TENTHS, False),
        (53, Linear(1, 0, 2), True),
        (54, Linear(1, 0, 2), False),
        (64, Linear(3, 1, 1), True),  # an integer, never a double
        (24, Linear(45, 0, 2**22), True),
    ],
)
def test_exactness_at_the_edge_of_a_double(width: int, transform: Linear, exact: bool) -> None:
    slot = number(width, transform)
    assert roundtrips(slot) is exact
    last = 2**width - 1
    tried = [
        round_raw(transform, Fraction(value_of(transform, raw))) == raw for raw in {0, 1, last - 1, last}
    ]
    assert all(tried) or not exact


def test_half_a_step_lost_is_recovered_and_half_a_step_gained_is_not() -> None:
    """Doubles are 2 apart above 2**53: 2**53 + 1/2 goes down to 2**53, 2**53 + 3/2 up to 2**53 + 2."""
    rising, falling = Linear(2, 2**54 + 1, 2), Linear(-2, 2**54 + 1, 2)
    assert [round_raw(rising, Fraction(value_of(rising, raw))) for raw in (0, 1)] == [0, 2]
    assert [round_raw(falling, Fraction(value_of(falling, raw))) for raw in (0, -1)] == [1, -1]
    assert [linear_roundtrips(rising, raw, raw) for raw in (0, 1)] == [True, False]
    assert [linear_roundtrips(falling, raw, raw) for raw in (0, -1)] == [False, True]


def test_only_codes_that_decode_to_a_number_need_to_survive() -> None:
    wide = number(60, TENTHS, legal=(Range(0, 1000),), unassigned=True)
    assert roundtrips(wide)
    assert not roundtrips(number(60, TENTHS, legal=(Range(0, 1000),)))
    assert roundtrips(number(60, TENTHS, specials=(Special(1000, 2**60 - 1, "missing"),)))


def test_a_field_whose_values_pass_every_double_is_not_exact() -> None:
    assert not roundtrips(number(64, Linear(10**300, 0, 3)))
