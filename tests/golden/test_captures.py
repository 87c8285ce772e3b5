"""The shipped captures: each is what the simulator makes of its mission, and decoding it gives what the truth beside it says.

They change only with the simulator or a mission, in a commit that says why:
packetkit simulate schemas/NAME.yaml --minutes MINUTES --loss 10% --damage 5% --junk 5% --seed SEED -o schemas/NAME.capture
"""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Any

import pytest

import packetkit
from packetkit.captures.stream import Failed, Good, Skipped, events
from packetkit.cli.output import json_text
from packetkit.cli.simulate import truth_line
from packetkit.conformance.simulate import Channel, simulate
from packetkit.resources import resource

MINUTES = {"first-light": 20, "plover": 10, "heron": 5}
SEEDS = {"first-light": 7, "plover": 7, "heron": 8}
CHANNEL = Channel(Fraction(1, 10), Fraction(1, 20), Fraction(1, 20), Fraction(1, 50), 1)


def truth(name: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in resource(f"schemas/{name}.truth.jsonl").read_text().splitlines()]


def mission_of(name: str) -> packetkit.Mission:
    return packetkit.parse(resource(f"schemas/{name}.yaml").read_bytes())


@pytest.mark.parametrize("name", MINUTES)
def test_a_shipped_capture_is_what_its_seed_gives(name: str) -> None:
    made = list(simulate(mission_of(name).frames, Fraction(MINUTES[name] * 60), CHANNEL, SEEDS[name]))
    assert (
        b"".join(sent.data for sent in made if sent.offset is not None)
        == resource(f"schemas/{name}.capture").read_bytes()
    )
    lines = "".join(json_text(truth_line(sent), indent=None) for sent in made)
    assert lines == resource(f"schemas/{name}.truth.jsonl").read_text()


@pytest.mark.parametrize("name", MINUTES)
def test_decoding_a_shipped_capture_accounts_for_it_as_the_truth_does(name: str) -> None:
    data = resource(f"schemas/{name}.capture").read_bytes()
    found = list(events(mission_of(name).frames, [data]))
    sent = [line for line in truth(name) if line["offset"] is not None]
    good = {line["offset"]: (line["frame"], line["values"]) for line in sent if line["fate"] == "good"}
    assert {event.offset: (event.frame, event.record) for event in found if isinstance(event, Good)} == good
    hurt = {line["offset"] for line in sent if line["fate"] in ("damaged", "cut")}
    failed = {event.offset for event in found if isinstance(event, Failed)}
    assert failed <= hurt, "only what the channel hurt is called a failed frame"
    for line in sent:  # what is neither good nor a failed frame lies in a skipped range
        if line["offset"] not in good and line["offset"] not in failed:
            assert any(
                isinstance(event, Skipped) and event.offset <= line["offset"] < event.offset + event.size
                for event in found
            )


@pytest.mark.parametrize("name", MINUTES)
def test_a_capture_shows_every_fate(name: str) -> None:
    assert {"good", "lost", "junk"} <= {line["fate"] for line in truth(name)}
