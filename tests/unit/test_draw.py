"""Drawn records: valid, of every form, edges among them; spoilt ones mostly refused; both follow from the seed."""

from __future__ import annotations

from collections import Counter
from decimal import Decimal
from fractions import Fraction
from random import Random
from typing import Any

import pytest

import packetkit
from packetkit.codec import walk
from packetkit.conformance import draw, prune, spoil
from packetkit.errors import EncodeError
from packetkit.layout.model import Layout
from packetkit.resources import resource

# Invented: a field of every kind, options of each sort, lists of each sort.
EVERYTHING = """
mission: drawn
frames:
  sheet:
    fields:
      - {name: sync, kind: sync, bits: 8, code: 0x5A}
      - {name: tag, kind: tag, bits: 4, code: [1, {from: 4, to: 6}]}
      - {name: there, kind: flag}
      - {name: limited, kind: flag, default: false}
      - {name: mode, bits: 3, states: {0: safe, 1: survey}, missing: 7}
      - {name: wide, bits: 40, signed: true, scale: 1/16, missing: [{code: -5, reason: off}, {code: -9, reason: jammed}]}
      - {name: speed, minimum: 0, maximum: 90, resolution: 0.5, out_of_range: clamp, flag: limited, at_least: 181}
      - {name: gust, minimum: 0, maximum: 90, bits: 9, missing: true, out_of_range: missing}
      - {name: real, kind: float, bits: 32, missing: true}
      - {name: small, kind: float, bits: 16, minimum: -4, maximum: 8, out_of_range: clamp}
      - {name: held, kind: count, bits: 4, maximum: 9}
      - {name: list, repeat: {count: held}, bits: 5}
      - {name: extra, present_when: there, group: [{name: a, bits: 3}, {name: b, bits: 4, default: 2}]}
      - {name: code, present_when: {mode: [safe, 5]}, bits: 6}
      - {name: triple, repeat: 3, group: [{name: x, bits: 2}]}
      - {kind: reserved, up_to: byte}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""

LAYOUT = packetkit.parse(EVERYTHING).layouts["sheet"]
SHIPPED = [
    layout
    for name in ("first-light", "heron", "plover")
    for layout in packetkit.load(str(resource(f"schemas/{name}.yaml"))).layouts.values()
]


@pytest.mark.parametrize("layout", [LAYOUT, *SHIPPED], ids=lambda layout: layout.name)
def test_every_drawn_record_is_taken_and_its_bytes_decode(layout: Layout) -> None:
    chance = Random(1)
    for _ in range(200):
        record = draw.record(layout, chance)
        walk.decode(layout, walk.encode(layout, record))


def test_a_seed_gives_the_same_records() -> None:
    first, second = Random(3), Random(3)
    assert [repr(draw.record(LAYOUT, first)) for _ in range(20)] == [
        repr(draw.record(LAYOUT, second)) for _ in range(20)
    ]


def drawn(path: str, count: int = 1500) -> list[Any]:
    chance = Random(8)
    return [draw.record(LAYOUT, chance).get(path, "left out") for _ in range(count)]


def test_a_number_comes_in_every_form_that_encoding_takes() -> None:
    forms = Counter(type(value) for value in drawn("wide"))
    assert forms.keys() >= {float, Fraction, Decimal, dict, str, type(None)}
    values = drawn("wide")
    assert {"off", "jammed", None} <= {value for value in values if not isinstance(value, dict)}
    assert {-(2**39) / 16, (2**39 - 1) / 16} <= {value for value in values if type(value) is float}
    assert any(value != value for value in values), "NaN says that there is no value"


def test_clamping_fields_get_values_beyond_their_ends_and_plain_ones_do_not() -> None:
    beyond = [
        value for value in drawn("speed") if isinstance(value, (float, Fraction)) and not 0 <= value <= 90
    ]
    assert {float("inf"), float("-inf")} <= set(beyond)
    assert any(value > 10**30 for value in beyond if value != float("inf"))


def test_lists_have_from_no_element_to_their_maximum() -> None:
    assert {len(value) for value in drawn("list")} == set(range(10))


def test_options_are_there_and_are_not_and_keys_are_left_out() -> None:
    extras = drawn("extra")
    assert None in extras and "left out" in extras
    assert any(isinstance(value, dict) and "b" not in value for value in extras)
    assert {True, False, "left out"} <= {value for value in drawn("there") if not isinstance(value, dict)}


def test_floats_come_with_both_zeros_subnormals_and_the_largest() -> None:
    doubles = [value for value in drawn("real") if type(value) is float]
    assert {repr(value) for value in doubles} >= {"0.0", "-0.0", repr(2.0**-149)}
    assert max(map(abs, doubles)) > 1e38


def test_spoilt_records_are_mostly_refused_and_the_original_is_left_alone() -> None:
    chance, refused = Random(4), 0
    for _ in range(300):
        record = draw.record(LAYOUT, chance)
        before = repr(record)
        try:
            walk.encode(LAYOUT, spoil.spoilt(record, chance))
        except EncodeError:
            refused += 1
        assert repr(record) == before
    assert refused > 200


def test_a_pruned_record_keeps_what_the_smaller_frame_has() -> None:
    smaller = packetkit.parse(
        "mission: drawn\nframes:\n  sheet:\n    fields:\n"
        "      - {name: mode, bits: 3}\n"
        "      - {name: triple, repeat: 3, group: [{name: x, bits: 2}]}\n"
        "      - {kind: reserved, up_to: byte}\n"
    ).layouts["sheet"]
    record = {"mode": 1, "wide": 3, "triple": [{"x": 1, "y": 2}, {"x": 0}, {"x": 2}]}
    assert prune.pruned(smaller, record) == {"mode": 1, "triple": [{"x": 1}, {"x": 0}, {"x": 2}]}
