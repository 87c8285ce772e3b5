"""What targets that scale whole numbers are asked: an invented frame with every edge, and measurements near its ties."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from random import Random

import pytest

from packetkit.layout.slots import Linear, Slot
from packetkit.mission.load import Mission, parse

SCALED = """
mission: scaled
frames:
  one:
    fields:
      - {name: tenth, minimum: -60, maximum: 85, resolution: 0.1, missing: true}
      - {name: third, bits: 16, signed: true, scale: 1/3, offset: 0.5}
      - {name: falling, bits: 12, scale: -1/16, offset: 100}
      - {name: latitude, bits: 24, signed: true, scale: 90/8388608, missing: true}
      - {name: finest, bits: 48, scale: 1/1024}
      - {name: coarse, bits: 8, scale: 250}
      - {name: clipped, kind: flag}
      - {name: clamps, minimum: 0, maximum: 10, resolution: 0.5, out_of_range: clamp, flag: clipped, at_least: 21, at_most: 0}
      - {name: lost, minimum: 1, maximum: 3, bits: 7, missing: true, out_of_range: missing}
      - {name: holes, bits: 8, scale: 1/4, missing: [7, 9, {from: 20, to: 23}], out_of_range: clamp}
      - {name: last, kind: reserved, up_to: byte}
"""


@pytest.fixture(scope="session")
def scaled_mission() -> Mission:
    return parse(SCALED)


@pytest.fixture(scope="session")
def around() -> Callable[[Slot, int, int, Random], list[int]]:
    return _around


def _around(slot: Slot, per: int, size: int, chance: Random) -> list[int]:
    """Whole numbers near every edge and tie of a field, near its ends, and at random."""
    assert isinstance(slot.transform, Linear)
    edges = [code for codes in slot.legal for code in (codes.low, codes.high)]
    edges += [code for special in slot.specials for code in (special.low, special.high)]
    edges += [chance.randint(slot.legal[0].low, slot.legal[-1].high) for _ in range(12)]
    found = {0, 1, -1, (1 << (size - 1)) - 1, -(1 << (size - 1))}
    for code in edges:
        middle = (slot.transform.offset + slot.transform.scale * (code + Fraction(1, 2))) * per
        found |= {int(middle) + by for by in (-2, -1, 0, 1, 2)}
    return sorted(n for n in found if -(1 << (size - 1)) <= n < 1 << (size - 1))
