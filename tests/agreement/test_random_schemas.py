"""A share of the campaign `schemas` in every run: random schemas and records, every codec held against the oracle by exact value."""

from __future__ import annotations

import pytest

from packetkit.fuzz import campaign, features

SEED, SCHEMAS, RECORDS = 2031, 24, 50
PARTS = 4  # so that two workers share them


@pytest.mark.slow
@pytest.mark.parametrize("part", range(PARTS))
def test_every_codec_answers_as_the_oracle_does(part: int) -> None:
    report = campaign.agreement(SEED, SCHEMAS, RECORDS, numbers=range(part, SCHEMAS, PARTS))
    assert not report.findings, "\n".join(f"{one.text}\n{one.difference}" for one in report.findings)
    assert report.schemas == SCHEMAS // PARTS and report.records >= report.schemas * RECORDS
    # construct refuses what it lacks, which may be all that one part draws: tests/agreement/test_constructs_agree.py.
    assert set(report.answers) | {"construct"} == {"oracle", "codec", "walker", "construct"}
    # That every word of the language is drawn is for more schemas to show: tests/unit/test_random_schema.py.
    assert {"truncated", "check failed", "trailing bytes", "refused"} <= set(report.reasons)


def test_a_part_of_a_campaign_is_the_same_whoever_does_it() -> None:
    whole = campaign.agreement(7, 3, 6)
    parts = campaign.merged(campaign.agreement(7, 3, 6, numbers=[number]) for number in range(3))
    assert (parts.records, parts.damaged, parts.features, parts.reasons) == (
        whole.records,
        whole.damaged,
        whole.features,
        whole.reasons,
    )


def test_what_was_never_drawn_is_named() -> None:
    report = campaign.agreement(7, 1, 2)
    assert campaign.never_drawn(report)
    report.features.update(features.key(one) for one in features.FEATURES)
    report.reasons["truncated"] += 1
    assert not campaign.never_drawn(report)
