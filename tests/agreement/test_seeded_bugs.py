"""Bugs put into packetkit's source on purpose, each found by the random schemas within the first fifty."""

from __future__ import annotations

import sys

import pytest

from packetkit.codec.frame import Frame
from packetkit.layout import number
from tests.campaigns.seeded_bugs import BUGS, Bug, DoesNotFitError, Sheets, found_at, with_bug

SEED = 8
EVERY = 5  # of the bugs each run asks one in five; the campaign `seeded_bugs` asks all of them
SHEETS = Sheets(SEED, 50)  # drawn once, as far as the bugs of this run need them
# What these need is drawn seldom; another seed has it sooner.
OTHERS = Sheets(1, 50)
SELDOM = (
    "what ends a text belongs to it",
    "a short text that is filled is not ended",
    "zeros behind a carried frame end a byte early",
    "a block is a character longer than fits",
    "the parts of a time change places where the low octet comes first",
    "half way between two codes of a curve the lesser is taken",
    "the trailer counts as bytes that remain",
    "a count that began anew is taken for the first one",
    "the fast reader takes a missing difference for a number",
)
# Shown by fewer than one schema in fifty: the campaign `seeded_bugs` looks further.
CAMPAIGN_ONLY = (
    "generated code writes Gray code with the wrong neighbour",
    "generated code reads on the last scale whatever was chosen",
)


def test_there_are_at_least_twenty_bugs_of_every_part() -> None:
    assert len(BUGS) // EVERY >= 20 and len({bug.name for bug in BUGS}) == len(BUGS)
    assert {bug.module.partition("/")[0] for bug in BUGS} == {"layout", "emit", "codec", "integrity"}
    assert {bug.judge for bug in BUGS} == {"codec", "walker"}
    assert {bug.name for bug in BUGS} >= {*SELDOM, *CAMPAIGN_ONLY}


@pytest.mark.slow
@pytest.mark.parametrize(
    "bug", [bug for bug in BUGS[::EVERY] if bug.name not in CAMPAIGN_ONLY], ids=lambda bug: bug.name
)
def test_the_bug_is_found_within_fifty_random_schemas(bug: Bug) -> None:
    assert found_at(bug, OTHERS if bug.name in SELDOM else SHEETS) is not None


@pytest.mark.slow
@pytest.mark.parametrize("judge", ["codec", "walker"])
def test_no_bug_is_found_where_none_is(judge: str) -> None:
    same = Bug("none", "layout/number", "def round_raw(", "def round_raw(", judge)
    assert found_at(same, Sheets(SEED, 12, 30)) is None
    assert found_at(same, Sheets(1, 6, 30)) is None


def test_a_bug_that_does_not_fit_the_source_is_an_error() -> None:
    with (
        pytest.raises(DoesNotFitError, match="stands 0 times"),
        with_bug(Bug("b", "layout/number", "no such text", "")),
    ):
        pass


def test_the_real_modules_are_back_afterwards() -> None:
    before = {name: module for name, module in sys.modules.items() if name.startswith("packetkit")}
    with with_bug(BUGS[0]):
        assert sys.modules["packetkit.layout.number"] is not number
    assert {name: module for name, module in sys.modules.items() if name.startswith("packetkit")} == before
    import packetkit.codec.frame

    assert packetkit.codec.frame.Frame is Frame
