"""The fault injector: each mode does what its name says and nothing else, and a seed gives the same damage again."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from packetkit.conformance import faults

FRAMES = st.binary(min_size=1, max_size=40)
SEEDS = st.integers(0, 1000)


def differing(a: bytes, b: bytes) -> list[int]:
    """Bits in which two strings of one length differ, the most significant of each octet first."""
    return [i for i in range(len(a) * 8) if (a[i // 8] ^ b[i // 8]) >> (7 - i % 8) & 1]


@pytest.mark.parametrize("mode", faults.MODES)
def test_the_same_seed_gives_the_same_damage(mode: str) -> None:
    data = bytes(range(20))
    assert faults.inject(data, Random(5), mode) == faults.inject(data, Random(5), mode)
    assert len({faults.inject(data, Random(seed), mode).data for seed in range(20)}) > 1


@given(FRAMES, SEEDS)
def test_flip_inverts_one_to_three_bits_and_names_the_first(data: bytes, seed: int) -> None:
    found = faults.inject(data, Random(seed), "flip")
    wrong = differing(data, found.data)
    assert 1 <= len(wrong) <= 3 and wrong[0] == found.at and len(found.data) == len(data)


@given(FRAMES, SEEDS)
def test_a_burst_is_wrong_at_both_ends_and_within_32_bits(data: bytes, seed: int) -> None:
    found = faults.inject(data, Random(seed), "burst")
    wrong = differing(data, found.data)
    assert wrong[0] == found.at and 1 <= wrong[-1] - wrong[0] < 32


@given(FRAMES, SEEDS)
def test_drop_takes_octets_out_that_stood_together(data: bytes, seed: int) -> None:
    found = faults.inject(data, Random(seed), "drop")
    gone, at = len(data) - len(found.data), found.at // 8
    assert 1 <= gone <= 4 and found.data == data[:at] + data[at + gone :]


@given(FRAMES, SEEDS)
def test_duplicate_sends_octets_twice(data: bytes, seed: int) -> None:
    found = faults.inject(data, Random(seed), "duplicate")
    more, at = len(found.data) - len(data), found.at // 8
    assert 1 <= more <= 4 and found.data == data[:at] + data[at - more : at] + data[at:]


@given(FRAMES, SEEDS)
def test_truncate_leaves_a_beginning(data: bytes, seed: int) -> None:
    found = faults.inject(data, Random(seed), "truncate")
    assert len(found.data) < len(data) and data.startswith(found.data) and found.at == len(found.data) * 8


def test_any_mode_may_come_where_none_is_named() -> None:
    assert {faults.inject(b"abcdef", Random(seed)).mode for seed in range(100)} == set(faults.MODES)


def test_nothing_cannot_be_damaged() -> None:
    with pytest.raises(ValueError, match="nothing to damage"):
        faults.inject(b"", Random(1))
    with pytest.raises(KeyError):
        faults.inject(b"a", Random(1), "melt")
