"""Loss against signal: every good, failed and missing frame is in one class, by the rule that is stated."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import packetkit
from packetkit.captures.account import Account
from packetkit.captures.continuity import Continuity
from packetkit.captures.signal import MEASURES, Signal, total
from packetkit.captures.stream import Failed, Good, Received, Skipped
from packetkit.cli.main import main
from packetkit.resources import resource

SNR, RSSI = MEASURES
FIRST = resource("schemas/first-light.yaml")
MISSION = packetkit.parse(FIRST.read_bytes())
FRAME = MISSION.frame()
DOCUMENTS = Path(__file__).parents[1] / "documents" / "json"


def good(number: int, received: Received | None) -> Good:
    record = {"counter": number % 256, "temperature": 1.0, "cell_voltage": 3.0}
    return Good("beacon", number, FRAME.encode(record), record, received=received)


def account_of(events: list[Good | Failed]) -> Account:
    account = Account.of(MISSION.layouts)
    for event in events:
        account.add(event)
    account.finish()
    return account


SIGNALS = st.none() | st.builds(
    Received, st.none(), st.none() | st.integers(-200, 20).map(float), st.none() | st.floats(-50, 50)
)


@settings(max_examples=40)
@given(
    st.lists(st.tuples(st.integers(1, 60), SIGNALS), min_size=1, max_size=40), st.lists(SIGNALS, max_size=5)
)
def test_each_frame_is_in_one_class_and_the_rule_is_the_one_stated(
    steps: list[tuple[int, Received | None]], hurt: list[Received | None]
) -> None:
    number, events, expected = (
        0,
        list[Good | Failed](),
        {measure.name: Counter[object]() for measure in MEASURES},
    )
    before: Received | None = None
    for place, (step, received) in enumerate(steps):
        number += step if place else 0
        events.append(good(number, received))
        for measure in MEASURES:
            # Worked out once more, number by number: each missing one looks at the nearer good frame, in a tie at the one before.
            for missing in range(1, step) if place else ():
                first, second = measure.class_of(before), measure.class_of(received)
                nearer = first if missing <= step - missing else second
                expected[measure.name][
                    nearer if nearer is not None else first if second is None else second
                ] += 1
        before = received
    events += [Failed("beacon", 0, b"", "check failed", "", received=one) for one in hurt]
    account = account_of(events)
    signal, course = account.signal, account.continuity["beacon"]
    for measure in MEASURES:
        table = dict(signal.table(measure))
        if not table:
            continue
        assert sum(one.good for one in table.values()) == course.got == len(steps)
        assert sum(one.failed for one in table.values()) == len(hurt)
        assert sum(one.missing for one in table.values()) == course.missing
        assert {its: one.missing for its, one in table.items() if one.missing} == expected[measure.name]


@pytest.mark.parametrize(
    ("measure", "value", "lowest"),
    [
        (SNR, 7.5, 5),
        (SNR, 5.0, 5),
        (SNR, -0.5, -5),
        (SNR, -45.0, -30),
        (SNR, 99.0, 30),
        (RSSI, -97.0, -100),
        (RSSI, 3.0, 0),
    ],
)
def test_a_class_begins_at_its_lower_end_and_the_outer_ones_have_no_end(
    measure: object, value: float, lowest: int
) -> None:
    received = Received(None, value, value)
    assert measure.class_of(received) == lowest  # type: ignore[attr-defined]


def test_a_late_frame_leaves_no_gap_and_counts_in_its_own_class() -> None:
    near, far = Received(snr_db=12.0), Received(snr_db=-12.0)
    account = account_of([good(0, near), good(2, near), good(1, far), good(3, near)])
    table = dict(account.signal.table(SNR))
    assert {its: (one.good, one.missing) for its, one in table.items()} == {10: (3, 0), -15: (1, 0)}


def test_frames_without_counters_count_too_and_sums_of_kinds_are_sums() -> None:
    account = Account()  # of frames whose counters nobody follows
    account.add(good(0, Received(snr_db=1.0)))
    account.add(Skipped(9, 3))
    assert [(its, one.good, one.lost) for its, one in account.signal.table(SNR)] == [(0, 1, 0.0)]
    assert total([account.signal, account.signal]).good["snr_db", 0] == 2
    assert Signal().table(SNR) == [] and Continuity(FRAME.layout).signal.table(RSSI) == []


def test_the_account_of_a_log_shows_loss_by_class_and_states_the_rule(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    snr = {0: 8.0, 1: 7.0, 4: -3.0, 5: -4.0, 9: -9.0}
    lines = [f"2031-05-02T10:00:0{at}Z,-90,{snr[at]},{good(at, None).data.hex()}" for at in snr]
    hurt = bytearray(good(7, None).data)
    hurt[-1] ^= 1
    lines.insert(4, f"2031-05-02T10:00:07Z,-99,-12.5,{hurt.hex()}")
    (tmp_path / "log").write_text("\n".join(lines))
    arguments = ["decode", str(FIRST), str(tmp_path / "log"), "--from", "lines"]
    assert main(arguments) == 1
    shown = capsys.readouterr().out
    assert (
        shown[shown.index("signal to noise") :]
        == """\
signal to noise  good  failed  missing  lost
───────────────  ────  ──────  ───────  ────
5 to 10 dB          2       0        1  33 %
-5 to 0 dB          2       0        3  60 %
-10 to -5 dB        1       0        1  50 %
-15 to -10 dB       0       1        0
A missing frame has no signal: it is counted where the good frame nearest by
number is, in the middle where the one before it is. Lost: the missing, of good
and missing. Failed frames stand by their own signal and are among the missing.
"""
    )
    assert main([*arguments, "--json"]) == 1
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, json.loads((DOCUMENTS / "decode.schema.json").read_text(encoding="utf-8")))
    assert [one["measure"] for one in document["signal"]] == ["snr_db", "rssi_dbm"]
    assert document["signal"][0]["classes"][3] == {
        "from": -15,
        "to": -10,
        "good_frames": 0,
        "failed_frames": 1,
        "missing_frames": 0,
    }
