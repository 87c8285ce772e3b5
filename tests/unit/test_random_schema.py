"""Random schemas: the same seed gives the same text, nearly all load, and each feature of the language is told where it is."""

from __future__ import annotations

from collections import Counter
from random import Random

import pytest

from packetkit.errors import SchemaError
from packetkit.fuzz import campaign, features, schemas
from packetkit.fuzz.entries import text_of
from packetkit.mission.checkup import tally
from packetkit.mission.load import Mission, parse

SOME = 150


@pytest.fixture(scope="module")
def drawn() -> list[Mission]:
    """Missions of many random schemas."""
    return [campaign.loaded(campaign.schema_seed(4, number), Counter())[1] for number in range(SOME)]


def test_a_seed_gives_the_same_schema() -> None:
    assert schemas.schema(Random(6)).text == schemas.schema(Random(6)).text
    assert len({schemas.schema(Random(seed)).text for seed in range(20)}) == 20


def rules(seed: int) -> list[str]:
    """Rules that a random schema breaks."""
    try:
        parse(schemas.schema(Random(seed)).text)
    except SchemaError as error:
        return [problem.rule for problem in error.problems]
    return []


def test_a_draw_loads_but_for_one_in_a_hundred() -> None:
    broken = [found for seed in range(150) if (found := rules(seed))]
    assert len(broken) <= 2, broken


def test_every_feature_of_the_language_is_drawn(drawn: list[Mission]) -> None:
    found = Counter(
        name
        for mission in drawn
        for frame in mission.declared.frames
        for name in features.of(frame, mission.layouts[frame.name])
    )
    assert not [features.key(one) for one in features.FEATURES if not found[features.key(one)]]


def test_the_longest_form_of_a_drawn_frame_holds_no_more_bits_than_it_has(drawn: list[Mission]) -> None:
    for mission in drawn:
        for layout in mission.layouts.values():
            told = tally(layout)
            assert min(told.by_kind.values()) >= 0, (layout.name, told)


def test_every_row_has_a_feature_but_for_damage() -> None:
    assert {one.row for one in features.FEATURES} | {features.DAMAGE} == set(features.ROWS)
    names = [features.key(one) for one in features.FEATURES]
    assert len(set(names)) == len(names)


def test_features_are_read_off_what_was_declared() -> None:
    plain = parse("mission: m\nframes:\n  a:\n    fields:\n      - {name: v, bits: 8}\n")
    assert features.of(plain.declared.frames[0], plain.layouts["a"]) == {
        "1: unsigned",
        "6: none: all ones is a value",
    }
    worded = parse(
        "mission: m\nframes:\n  a:\n    fields:\n      - {name: v, bits: 8, signed: true, missing: true, scale: 1/3, unit: V}\n"
        "      - {name: c, kind: check, algorithm: XOR-8, covers: whole_frame, self: skip}\n"
    )
    assert features.of(worded.declared.frames[0], worded.layouts["a"]) == {
        "1: signed",
        "3: scale",
        "3: scale without an end in decimals",
        "3: unit",
        "6: usual missing code",
        "12: exclusive or, parity",
        "12: whole frame",
        "12: own bits left out",
    }


def test_text_that_yaml_would_take_for_something_else_is_quoted() -> None:
    text = text_of(
        {
            "a": {
                "fields": [
                    {
                        "name": "s",
                        "bits": 3,
                        "states": {0: "true", 1: "#7", 2: "x: y", 3: "1", 4: "it's"},
                        "default": "true",
                    }
                ]
            }
        }
    )
    (field,) = parse(text + "      - {kind: reserved, bits: 5}\n").declared.frames[0].fields[:1]
    assert (
        field.states == ((0, "true"), (1, "#7"), (2, "x: y"), (3, "1"), (4, "it's"))
        and field.default == "true"
    )
