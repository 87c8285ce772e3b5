"""The experiments against what is worked by hand or derived, and `packetkit lab` as a user meets it."""

from __future__ import annotations

import json
import os
import signal
import threading
import time
from dataclasses import replace
from math import sqrt
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from distributed import LocalCluster

from packetkit.cli.main import main
from packetkit.errors import PacketkitError
from packetkit.lab import pipe, polynomials, resync
from packetkit.lab.experiment import Outcome, Request
from packetkit.lab.table import EXPERIMENTS, KNOBS
from packetkit.mission.load import Mission, parse
from packetkit.radio import link
from packetkit.resources import resource
from packetkit.work import crew as work
from packetkit.work.cluster import workers_of
from packetkit.work.crew import Crew

HERON = resource("schemas/heron.yaml")
SCHEMA = json.loads((Path(__file__).parents[1] / "documents" / "json" / "lab.schema.json").read_text())
# Small enough for a test: the counts themselves are held in test_lab_counts.
SMALL: dict[str, dict[str, int]] = {
    "misses": {"bytes": 8, "samples": 200},
    "polynomial": {"width": 8},
    "resolution": {"samples": 20_000},
    "channel": {"lessons": 60},
    "pipe": {"frames": 400},
}


@pytest.fixture(scope="module")
def mission() -> Mission:
    return parse(HERON.read_bytes(), "heron.yaml")


def outcome(
    mission: Mission, name: str, frame: str = "housekeeping", workers: int = 1, **knobs: int
) -> Outcome:
    experiment = EXPERIMENTS[name]
    turned = {**experiment.knobs, **SMALL.get(name, {}), **knobs}
    return experiment.run(Request(mission, frame, experiment.seed, turned, Crew(workers)))


def flags(name: str) -> list[str]:
    return [part for knob, value in SMALL.get(name, {}).items() for part in (KNOBS[knob].flag, str(value))]


# ---- what experiments find


def test_counting_bytes_loses_all_frames_behind_a_lost_byte(mission: Mission) -> None:
    found = {(row["framing"], row["fault"]): row for row in outcome(mission, "resync").records}
    # Worked by hand: frames 4 to 9 of 12 are hit in turn; the one that is hit and all behind it are lost: 9, 8, .. 4, in the mean 6.5.
    assert found["counting", "lost byte"]["mean_lost_frames"] == 6.5
    assert found["counting", "flipped bit"]["most_lost_frames"] == 1
    for framing in ("slip", "cobs", "hdlc", "marker_checked"):
        assert found[framing, "lost byte"]["most_lost_frames"] == 1
    assert found["marker", "lost byte"]["most_lost_frames"] != 1
    # Overheads: two delimiters; COBS one octet more; marker and length of two octets each.
    assert (
        found["cobs", "lost byte"]["overhead_bytes"] == 3
        and found["marker", "lost byte"]["overhead_bytes"] == 4
    )


def test_a_marker_reader_steps_back_only_where_a_check_says_no() -> None:
    frames = [bytes([n, n, n]) for n in range(3)]
    stream = b"".join(map(resync.marked, frames))
    hurt = stream[:3] + b"\x09" + stream[4:]  # the first length says 9: it swallows the second frame
    assert list(resync.by_marker(stream, None)) == frames
    assert frames[1] not in list(resync.by_marker(hurt, None))
    assert frames[1] in resync.by_marker(hurt, lambda data: data in frames)


def test_a_step_is_wrong_by_half_at_most_and_by_the_root_of_twelve_in_the_mean(mission: Mission) -> None:
    rows = outcome(mission, "resolution").records
    assert [row["step"] for row in rows if row["used"]] == [0.02]
    for row in rows:
        step, largest, rms = (float(row[key] or 0) for key in ("step", "largest_error", "rms_error"))
        assert step * 0.49 < largest <= step / 2 * (1 + 1e-9)
        assert abs(rms - step / sqrt(12)) < 0.02 * step / sqrt(12)


def test_at_the_distance_that_is_told_the_margin_is_used_up(mission: Mission) -> None:
    rows = outcome(mission, "reach").records
    setting, unit, ground, between = (
        mission.link.setting,
        mission.link.unit,
        mission.link.ground,
        mission.link.between,
    )
    assert setting is not None and unit is not None and ground is not None and between is not None
    for row in rows:
        one = replace(setting, spreading_factor=int(str(row["spreading_factor"])))
        assert abs(link.margin(one, unit, ground, between, float(str(row["free_space_km"]))).margin_db) < 1e-9


def test_teams_lose_what_the_formula_says(mission: Mission) -> None:
    for row in outcome(mission, "channel", lessons=200).records:
        share = 1 - (1 - 2 * float(str(row["time_on_air_ms"])) / 60_000) ** (int(str(row["teams"])) - 1)
        assert abs(float(str(row["predicted_share"])) - share) < 1e-12
        assert float(str(row["share_low"])) - 1e-12 <= share <= float(str(row["share_high"])) + 1e-12


def test_a_noisy_pipe_delivers_what_bits_and_weights_say(mission: Mission) -> None:
    bits, octets = 21 * 8, 19
    dual = polynomials.dual_weights(0x07, 8, octets * 8 + 8)
    for row in outcome(mission, "pipe", frames=2_000).records:
        sent, p = int(str(row["sent"])), float(str(row["bit_error_rate"]))
        if row["check"] == "own":
            whole, spread = (1 - p) ** bits, sqrt((1 - p) ** bits * (1 - (1 - p) ** bits) / sent)
            assert abs(int(str(row["whole"])) / sent - whole) <= 3 * spread + 1 / sent
        if row["check"] == "CRC-8/SMBUS":
            # MacWilliams: undetected = 2^-w sum of B_j (1 - 2p)^j, less the undamaged.
            weights = np.arange(len(dual))
            expected = float((dual * (1 - 2 * p) ** weights).sum()) / 2**8 - (1 - p) ** (octets * 8 + 8)
            low, high = float(str(row["unnoticed_share_low"])), float(str(row["unnoticed_share_high"]))
            assert low <= expected + 1e-9 and expected - 1e-9 <= high


def test_distances_are_those_of_the_published_profiles(mission: Mission) -> None:
    longest = {
        (row["check"], row["distance"]): row["longest_data_bits"]
        for row in outcome(mission, "distance").records
    }
    # P. Koopman, users.ece.cmu.edu/~koopman/crc, read in stored copies; 0x3D65 (DNP) and 0x04C11DB7.
    assert longest["CRC-16/DNP", 6] == 135 and longest["CRC-32/ISO-HDLC", 6] == 268
    assert longest["CRC-8/SMBUS", 4] == 119 and longest["CRC-16/IBM-3740", 4] == 2040


@pytest.mark.parametrize("name", ["misses", "channel"])
def test_an_outcome_does_not_depend_on_how_many_work(
    name: str, mission: Mission, monkeypatch: pytest.MonkeyPatch
) -> None:
    alone = outcome(mission, name)
    monkeypatch.setattr(work, "WORTH_PROCESSES_S", 0.0)
    assert outcome(mission, name, workers=2) == alone


def test_a_cluster_gives_the_same_outcome_and_is_refused_in_words(
    mission: Mission, capsys: pytest.CaptureFixture[str]
) -> None:
    alone = outcome(mission, "channel")
    with (
        LocalCluster(n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None) as local,
        workers_of(local.scheduler_address) as (executor, threads),
    ):
        experiment = EXPERIMENTS["channel"]
        knobs = {**experiment.knobs, **SMALL["channel"]}
        request = Request(mission, "housekeeping", experiment.seed, knobs, Crew(threads, executor=executor))
        assert threads == 2 and experiment.run(request) == alone
    assert main(["lab", "resync", "--cluster", "nowhere"]) == 2
    assert main(["lab", "resync", "--cluster", "tcp://127.0.0.1:1", "--workers", "2"]) == 2
    told = capsys.readouterr().err
    assert "no scheduler answers" in told and "give one of them" in told


def test_another_seed_draws_anew(mission: Mission) -> None:
    experiment = EXPERIMENTS["channel"]
    knobs = {**experiment.knobs, "lessons": 20}
    made = [
        experiment.run(Request(mission, "housekeeping", seed, knobs, Crew())).records for seed in (1, 1, 2)
    ]
    assert made[0] == made[1] != made[2]


def _third_is_interrupted(number: int) -> int:
    if number == 2:
        raise KeyboardInterrupt
    return number


def test_an_interrupt_keeps_what_was_done_and_begins_nothing_more() -> None:
    crew = Crew()
    assert crew.map(_third_is_interrupted, [(n,) for n in range(4)]) == [0, 1, None, None]
    assert crew.interrupted and crew.map(_third_is_interrupted, [(0,)]) == [None]


def test_every_experiment_says_what_it_asks_and_where_it_is_from() -> None:
    for name, one in EXPERIMENTS.items():
        assert one.name == name and one.question.endswith("?") and one.notice and one.source.endswith(".")
        assert set(one.knobs) <= set(KNOBS)
    assert {knob for one in EXPERIMENTS.values() for knob in one.knobs} == set(KNOBS)


# ---- the command


@pytest.mark.parametrize("name", EXPERIMENTS)
def test_every_experiment_has_a_document_a_text_of_80_columns_and_a_picture(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    picture = tmp_path / "picture.svg"
    assert main(["lab", name, *flags(name), "--json", "--picture", str(picture), "--workers", "1"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    jsonschema.validate(found, SCHEMA)
    assert found["complete"] and found["shipped"] and found["rows"]
    assert picture.read_bytes().startswith(b"<?xml")
    target = tmp_path / "told.txt"
    assert main(["lab", name, str(HERON), *flags(name), "--frame", "survey", "-o", str(target)]) == 0
    told = target.read_text(encoding="utf-8")
    assert max(map(len, told.splitlines())) <= 80
    assert EXPERIMENTS[name].question in told and "What to notice" in told and "Source:" in told
    assert not capsys.readouterr().out


def test_without_a_name_all_experiments_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["lab"]) == 0
    listed = capsys.readouterr().out
    assert all(name in listed for name in EXPERIMENTS)
    assert main(["lab", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    jsonschema.validate(found, SCHEMA)
    assert [one["name"] for one in found["experiments"]] == list(EXPERIMENTS)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["nothing"], "there is no experiment 'nothing'; there are misses, distance"),
        (["resync", "--teams", "3"], "--teams does nothing in resync, which takes none of these options"),
        (["misses", "--teams", "3"], "--teams does nothing in misses, which takes --bytes, --samples"),
        (["distance", "--polynomial", "xyz"], "'xyz' is not a polynomial; write it in hexadecimal"),
        (["distance", "--polynomial", "0x1021", "--width", "8"], "polynomial 0x1021 is outside 0x1 to 0xff"),
        (["misses", "--bytes", "3"], "not in the range"),
        (
            ["misses", str(HERON), "--frame", "nobody"],
            "heron has no frame 'nobody'; it has housekeeping, survey",
        ),
        (
            ["resolution", "--field", "nobody"],
            "'nobody' is no field of housekeeping with a range and a step: power.cell_voltage",
        ),
        (
            ["channel", "--interval-s", "1", "--frame", "spectrum"],
            "do not fit twice into 1 s; give a longer --interval-s",
        ),
        (["misses", "no-such.yaml"], "there is no such file"),
    ],
)
def test_what_cannot_be_done_is_said(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["lab", *arguments]) == 2
    assert words in capsys.readouterr().err


@pytest.mark.parametrize("name", EXPERIMENTS)
def test_odd_frames_are_experimented_on_or_refused_by_name(name: str) -> None:
    odd = (
        "{name: text, kind: text, length: rest}",
        "{name: one, bits: 8}",
        "{name: list, repeat: 40, bits: 16}",
    )
    refused: list[str] = []
    for fields in odd:
        text = f"mission: odd\nframes:\n  only:\n    fields:\n      - {fields}\n"
        mission = parse(text + "link: {chirp: {spreading_factor: 7, bandwidth_khz: 125}}\n", "odd.yaml")
        experiment = EXPERIMENTS[name]
        knobs = {**experiment.knobs, **SMALL.get(name, {})}
        request = Request(mission, "only", 1, knobs, Crew())
        try:
            assert experiment.run(request).records
        except PacketkitError as error:
            refused.append(str(error))
    assert all(refused)


def test_an_interrupted_experiment_prints_what_it_has(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole, done = pipe.piece, []

    def piece(*arguments: Any) -> pipe.Arrived:
        done.append(arguments)
        if len(done) == 3:
            signal.raise_signal(signal.SIGINT)
        return whole(*arguments)

    monkeypatch.setattr(pipe, "piece", piece)
    assert main(["lab", "pipe", "--frames", "200", "--workers", "1"]) == 130
    told = capsys.readouterr().out
    assert (
        "Interrupted: this is what was done until then." in told and "1e-05" in told and "0.001" not in told
    )
    done.clear()
    assert main(["lab", "pipe", "--frames", "200", "--workers", "1", "--json"]) == 130
    found = json.loads(capsys.readouterr().out)
    jsonschema.validate(found, SCHEMA)
    assert not found["complete"] and len(found["rows"]) == 2


def test_an_interrupt_ends_processes_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(work, "WORTH_PROCESSES_S", 0.0)
    crew = Crew(2)
    threading.Timer(1.5, lambda: os.kill(os.getpid(), signal.SIGINT)).start()
    done = crew.map(time.sleep, [(0.1,)] * 400)
    assert crew.interrupted and len(done) == 400
