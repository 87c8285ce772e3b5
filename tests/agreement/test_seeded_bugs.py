"""Bugs put into packetkit's source on purpose, each found by the random schemas within the first two hundred."""

from __future__ import annotations

import sys

import pytest

from packetkit.codec.frame import Frame
from packetkit.layout import number
from tests.campaigns.seeded_bugs import BUGS, Bug, DoesNotFitError, Sheets, found_at, with_bug

SEED = 8
SHEETS = Sheets(SEED)  # drawn once, as far as the bugs of this run need them


def test_there_are_at_least_twenty_bugs_of_every_part() -> None:
    assert len(BUGS) >= 20 and len({bug.name for bug in BUGS}) == len(BUGS)
    assert {bug.module.partition("/")[0] for bug in BUGS} == {"layout", "emit", "codec", "integrity"}
    assert {bug.judge for bug in BUGS} == {"codec", "walker"}


@pytest.mark.slow
@pytest.mark.parametrize("bug", BUGS, ids=lambda bug: bug.name)
def test_the_bug_is_found_within_two_hundred_random_schemas(bug: Bug) -> None:
    assert found_at(bug, SHEETS) is not None


@pytest.mark.slow
@pytest.mark.parametrize("judge", ["codec", "walker"])
def test_no_bug_is_found_where_none_is(judge: str) -> None:
    same = Bug("none", "layout/number", "def round_raw(", "def round_raw(", judge)
    assert found_at(same, Sheets(SEED, 12, 30)) is None


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
