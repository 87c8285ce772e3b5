"""Lengths that could say more than any frame has: nothing counts what they could, element by element."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

import packetkit
from packetkit.layout.size import MAXIMUM_BITS, after_elements
from packetkit.mission.checkup import tally

FOUR_OCTETS = """
mission: paper
frames:
  sheet:
    fields:
      - {name: size, kind: length, bits: 32, measures: part}
      - {name: part, kind: bytes, length: rest}
"""


@given(st.integers(0, 200), st.integers(0, 400), st.lists(st.integers(1, 70), min_size=64, max_size=64))
def test_elements_end_where_they_end_one_by_one(at: int, count: int, sizes: list[int]) -> None:
    end = at
    for _ in range(count):
        end += sizes[end % 64]
    assert after_elements(at, count, lambda here: here + sizes[here % 64]) == end


def test_bits_by_kind_are_those_of_the_longest_frame_there_can_be() -> None:
    layout = packetkit.parse(FOUR_OCTETS).layouts["sheet"]
    found = tally(layout)
    assert (found.total_bits, sum(found.by_kind.values())) == (MAXIMUM_BITS, MAXIMUM_BITS)
    assert found.by_kind["character"] == layout.useful_bits == MAXIMUM_BITS - 32


def test_a_list_within_a_length_is_as_long_as_the_length_lets_it() -> None:
    layout = packetkit.parse(
        """
mission: wren
frames:
  sheet:
    fields:
      - {name: size, kind: length, bits: 8, measures: items}
      - name: items
        repeat: {goes_on_when: more, maximum: 15}
        group:
          - {name: n, kind: length, bits: 7, measures: data}
          - {name: more, kind: flag}
          - {name: data, kind: bytes, length: rest}
"""
    ).layouts["sheet"]
    # 255 octets: an element of 1 and 127, one of 1 and 126. Two flags and 253 octets are values. By hand.
    told = tally(layout)
    assert (told.total_bits, told.useful_bits, told.spare_bits) == (2048, 2 + 253 * 8, 0)
    assert layout.useful_bits == told.useful_bits
