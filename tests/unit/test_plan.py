"""`packetkit plan`: the sweep, the frontier, changes of a schema, quotas and many teams; figures worked again by other routes."""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import packetkit
from packetkit.cli.main import main
from packetkit.cli.plan import pass_document, pass_text
from packetkit.mission.budget import budget
from packetkit.mission.changes import cheapest
from packetkit.mission.load import Mission
from packetkit.mission.passes import window_of
from packetkit.mission.plan import Cell, best, frontier, sweep
from packetkit.mission.quota import quota
from packetkit.mission.together import Sender, common_step, lost_share, together
from packetkit.radio import chirp
from packetkit.radio.settings import Setting, bandwidth
from packetkit.resources import resource

SCHEMA = json.loads((Path(__file__).parents[1] / "documents" / "json" / "plan.schema.json").read_text())
HERON = resource("schemas/heron.yaml").read_text(encoding="utf-8")
# Invented: one frame of 24 bytes, which lasts 370.688 ms at SF10 and 125 kHz (RP002's longest payload under 400 ms there).
TEAM = """
mission: lapwing
frames:
  beacon:
    cadence_s: 10
    fields:
      - {name: team, kind: tag, bits: 8, code: 1}
      - {name: samples, repeat: 21, bits: 8}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
link:
  chirp: {spreading_factor: 10, bandwidth_khz: 125, frequency_mhz: 437.2}
  unit: {power_dbm: 14}
passes: {altitude_km: 510, minimum_elevation_deg: 10}
"""
QUOTA = """
mission: godwit
frames:
  drift:
    cadence_s: 60
    fields:
      - {name: sequence, bits: 8, role: sequence}
      - {name: water_temperature, minimum: -5, maximum: 40, resolution: 0.1, unit: Cel, missing: true}
      - {name: level, minimum: 0, maximum: 20, resolution: 0.01, unit: m, missing: true}
      - {name: voltage, bits: 8, scale: 0.02, offset: 2, unit: V}
      - {name: turbidity, bits: 12, unit: NTU, missing: 4000}
      - {name: moored, kind: flag}
      - {name: conductivity, bits: 16}
      - {kind: reserved, up_to: byte}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
passes: {host: {messages_per_day: 10, message_bytes: 50}}
"""


def parsed(text: str = HERON) -> Mission:
    return packetkit.parse(text)


@pytest.fixture(scope="module")
def cells() -> tuple[Cell, ...]:
    mission = parsed()
    assert mission.passes is not None
    return sweep(mission, window_of(mission.passes)).cells


def test_a_full_sweep_answers_for_every_cell(cells: tuple[Cell, ...]) -> None:
    mission = parsed()
    assert mission.passes is not None
    made = sweep(mission, window_of(mission.passes))
    assert len(made.cells) + sum(made.dropped.values()) == 8 * 10 * 4 * 32
    assert made.cells == cells
    assert all(
        reason.split(":")[0] in ("packet", "margin", "Doppler", "dwell", "airtime", "the modem cannot")
        for reason in made.dropped
    )


def test_of_as_many_bytes_the_setting_that_takes_less_energy_is_the_best(cells: tuple[Cell, ...]) -> None:
    dear, cheap = replace(cells[0], energy_mj_per_byte=9.0, delivered_bytes=1000.0), cells[0]
    cheap = replace(
        cheap,
        energy_mj_per_byte=2.0,
        delivered_bytes=1000.0 - 1e-9,
        margin_least_db=cells[0].margin_least_db - 1,
    )
    (first, found), *_ = best([dear, cheap])
    assert first.startswith("most bytes") and found == cheap
    more = replace(dear, delivered_bytes=1002.0)
    assert best([more, cheap])[0][1] == more


def test_what_the_modem_cannot_is_said_of_the_spreading_factor_that_is_tried() -> None:
    # SX1276 data sheet: SF6 wants an implicit header; the schema's own setting, SF10 with an explicit one, is fine.
    mission = parsed(TEAM.replace("chirp: {", "chirp: {modem: sx127x, "))
    assert mission.passes is not None
    made = sweep(mission, window_of(mission.passes))
    assert "the modem cannot: SF6 with this header or low-data-rate setting" in made.dropped
    assert {cell.setting.spreading_factor for cell in made.cells} <= set(range(7, 13))


def test_cells_agree_with_the_budget_of_the_same_setting(cells: tuple[Cell, ...]) -> None:
    """A mission of the one frame alone, at the cell's setting: the budget counts the same packets, and expects as much to arrive."""
    mission = parsed()
    assert mission.passes is not None and mission.link.setting is not None
    alone = replace(mission, layouts={"spectrum": mission.layouts["spectrum"]})
    singles = [cell for cell in cells if cell.bundle == 1]
    for cell in random.Random(3).sample(singles, 12):
        changed = replace(alone, link=replace(mission.link, setting=cell.setting))
        (share,) = budget(changed, window_of(mission.passes)).shares
        assert share.frames == cell.packets
        assert share.time_on_air_s == cell.time_on_air_s
        # The budget looks at each frame's moment, the sweep at the track's samples.
        assert share.delivered_bytes == pytest.approx(cell.delivered_bytes, rel=0.01, abs=60)


def test_a_frame_with_a_cadence_is_tried_from_a_quarter_to_four_times_of_it() -> None:
    mission = parsed()
    assert mission.passes is not None
    made = sweep(mission, window_of(mission.passes), "survey")
    assert {cell.cadence_s for cell in made.cells} == {Fraction(15, 2), 15, 30, 60, 120}
    assert len(made.cells) + sum(made.dropped.values()) == 5 * 8 * 10 * 4 * 32
    assert made.now is not None and made.now.cadence_s == 30
    asked = sweep(mission, window_of(mission.passes), "survey", cadences=(Fraction(30),))
    assert set(asked.cells) == {cell for cell in made.cells if cell.cadence_s == 30}


def test_what_is_dropped_cannot_work(cells: tuple[Cell, ...]) -> None:
    passes = parsed().passes
    assert passes is not None
    duration = window_of(passes).duration_s
    for cell in cells:
        assert cell.payload_bytes == cell.bundle * 42 <= 222
        assert cell.margin_best_db >= 0 and cell.packets > 0
        assert cell.time_on_air_s == chirp.time_on_air(cell.setting, cell.payload_bytes)
        assert cell.packets == int(duration // (cell.time_on_air_s + Fraction(1, 10)))
    # At 510 km and 437 MHz the carrier is off by more than a quarter of 31.25 kHz.
    assert min(cell.setting.bandwidth.hertz for cell in cells) > 31_250


def beats(one: Cell, other: Cell) -> bool:
    """Whether `one` is as good in every way and better in one."""
    ways = [
        (one.delivered_bytes, other.delivered_bytes),
        (one.margin_least_db, other.margin_least_db),
        (-(one.energy_mj_per_byte or 0), -(other.energy_mj_per_byte or 0)),
    ]
    return all(a >= b for a, b in ways) and any(a > b + 1e-9 for a, b in ways)


def test_nothing_beats_the_frontier_and_everything_else_is_beaten(cells: tuple[Cell, ...]) -> None:
    front = frontier(cells)
    assert 3 < len(front) < len(cells)
    for kept in front:
        assert not any(beats(cell, kept) for cell in cells)
    for cell in random.Random(1).sample(list(cells), 60):
        equal = any(
            kept.delivered_bytes == cell.delivered_bytes and kept.margin_least_db == cell.margin_least_db
            for kept in front
        )
        assert cell in front or equal or any(beats(kept, cell) for kept in front)


def test_the_best_few_are_the_best_of_all(cells: tuple[Cell, ...]) -> None:
    found = best(cells)
    assert found[0][1].delivered_bytes == max(cell.delivered_bytes for cell in cells)
    for words, cell in found:
        if words.endswith("dB to spare"):
            spare = int(words.split(" dB")[0].split()[-1])
            assert cell.delivered_bytes == max(
                one.delivered_bytes for one in cells if one.margin_least_db >= spare
            )


def test_the_best_at_each_usual_margin_is_named() -> None:
    """0 dB, 3 dB (half the power), 6 dB (twice the distance) and 10 dB; each more robust cell here brings less."""
    mission = parsed(TEAM)
    assert mission.passes is not None
    (cell, *_) = sweep(mission, window_of(mission.passes), factors=[10]).cells
    cells = [
        replace(cell, margin_least_db=margin, delivered_bytes=100.0 - margin, energy_mj_per_byte=None)
        for margin in (-1.0, 0.0, 2.9, 3.0, 5.9, 6.0, 9.9, 10.0)
    ]
    assert [(words, round(one.margin_least_db, 1)) for words, one in best(cells)] == [
        ("most bytes", -1.0),
        ("0 dB to spare", 0.0),
        ("3 dB to spare", 3.0),
        ("6 dB to spare", 6.0),
        ("10 dB to spare", 10.0),
    ]


def test_cadences_and_duty_bind() -> None:
    mission = parsed()
    assert mission.passes is not None
    window = window_of(mission.passes)
    only = {"factors": [9], "bandwidths": [bandwidth(125)], "rates": ["4/5"], "bundles": [1]}
    (slow,) = sweep(mission, window, cadences=[Fraction(10)], **only).cells  # type: ignore[arg-type]
    assert slow.binds == "cadence" and slow.packets == int(window.duration_s // 10)
    (three,) = sweep(mission, window, cadences=[Fraction(10)], **{**only, "bundles": [3]}).cells  # type: ignore[arg-type]
    assert three.packets == int(window.duration_s // 30) and three.payload_bytes == 3 * 42
    (fast,) = sweep(mission, window, cadences=[Fraction(1, 10)], **only).cells  # type: ignore[arg-type]
    assert fast.binds == "backlog"
    limited = replace(mission, link=replace(mission.link, share_of_hour=Fraction(1, 100)))
    (duty,) = sweep(limited, window, cadences=[None], **only).cells  # type: ignore[arg-type]
    assert duty.binds == "duty" and duty.packets == int(36 // duty.time_on_air_s)


# ---- changes of the schema


HUMID = """
mission: lapwing
frames:
  beacon:
    fields:
      - {name: counter, bits: 8}
      - {name: samples, repeat: 16, bits: 8}
      - {name: humidity, minimum: 0, maximum: 100, resolution: 0.1, unit: "%"}
      - {name: pressure, minimum: 0, maximum: 1100, resolution: 0.1, unit: hPa}
      - {name: mode, bits: 3}
      - {kind: reserved, up_to: byte}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
link:
  chirp: {spreading_factor: 10, bandwidth_khz: 125}
passes: {altitude_km: 510, minimum_elevation_deg: 10}
"""


def test_the_cheapest_change_is_what_editing_the_schema_does() -> None:
    # 139 bits and a check: 20 bytes, the first of 20 to 24 that last alike. Humidity from 0.1 to 0.5 % spares 2 bits, pressure from 0.1
    # to 0.2 hPa one: together a byte, and with it a group of five symbols, 40.96 ms.
    mission = parsed(HUMID.replace("repeat: 16", "repeat: 13"))
    assert mission.passes is not None and mission.layouts["beacon"].maximum_bytes == 20
    window = window_of(mission.passes)
    for change in cheapest(mission, "beacon", window):
        text = HUMID.replace("repeat: 16", "repeat: 13")
        for address, _, then, _, _ in change.parts:
            line = next(one for one in text.splitlines() if f"name: {address}," in one)
            maximum = Fraction(100 if address == "humidity" else 1100)
            top = -(-maximum // then) * then
            edited = line.replace("resolution: 0.1", f"resolution: {float(then)}").replace(
                f"maximum: {maximum}", f"maximum: {float(top)}"
            )
            text = text.replace(line, edited)
        after = parsed(text)
        assert after.layouts["beacon"].maximum_bytes == 20 - change.frame_bytes
        before_s, after_s = (
            one.link.time_on_air(size) for one, size in ((mission, 20), (after, 20 - change.frame_bytes))
        )
        assert before_s is not None and after_s is not None
        assert (
            before_s - after_s == change.saved_s == Fraction(5 * 1024, 125_000)
        )  # one group of five symbols: 40.96 ms
        counted = [budget(one, window).frames for one in (mission, after)]
        assert counted[1] - counted[0] == change.frames > 0
    least = cheapest(mission, "beacon", window)[0]
    assert {(part[0], float(part[2]), part[4]) for part in least.parts} == {
        ("humidity", 0.5, 2),
        ("pressure", 0.2, 1),
    }


def test_no_change_is_offered_where_no_group_of_symbols_falls_away() -> None:
    mission = parsed(HUMID.replace("repeat: 16", "repeat: 17"))
    assert mission.passes is not None and mission.layouts["beacon"].maximum_bytes == 24
    assert cheapest(mission, "beacon", window_of(mission.passes)) == ()  # 24 bytes last as long as 20


# ---- a quota


def test_a_quota_of_500_bytes_is_worked_by_hand() -> None:
    # 11 bytes a minute are 15,840 a day. A message of 50 holds four frames of 11, so 40 a day: every 36 minutes.
    made = quota(parsed(QUOTA))
    assert (made.frame_bytes, made.measured_bytes) == (11, 15_840)
    assert made.host.bytes_per_day == 500
    assert not made.fits
    fewer = made.ways[0]
    assert (fewer.frames_a_day, fewer.bytes_a_day) == (40, 440)
    assert fewer.interval_s == 2160
    assert "97.2%" in fewer.gives_up


def test_the_schema_of_summaries_loads_and_fits_and_keeps_every_number() -> None:
    made = quota(parsed(QUOTA))
    way = next(one for one in made.ways if one.schema)
    summary = parsed(way.schema)
    again = quota(summary)
    assert again.fits and again.frame_bytes == way.frame_bytes and again.cadence_s == way.interval_s
    record = {slot.address: slot for slot in summary.layouts["summary"].slots}
    for name in ("water_temperature", "level", "voltage", "turbidity", "conductivity"):
        for statistic in ("least", "mean", "greatest"):
            mine, theirs = record[f"{name}_{statistic}"], parsed(QUOTA).layouts["drift"]
            same = next(slot for slot in theirs.slots if slot.address == name)
            assert (mine.width, mine.transform, mine.unit, mine.legal, mine.specials) == (
                same.width,
                same.transform,
                same.unit,
                same.legal,
                same.specials,
            )
    assert "moored" in way.gives_up


def test_a_quota_is_met_by_one_step_coarser_in_every_field_by_hand() -> None:
    # Eight fields of 15 codes take 4 bits each, 4 bytes; of 8 codes, 3 bits and 3 bytes: four frames in each of ten messages of 12.
    fields = "".join(
        f"      - {{name: f{number}, minimum: 0, maximum: 14, resolution: 1}}\n" for number in range(8)
    )
    text = f"mission: wren\nframes:\n  sheet:\n    cadence_s: 60\n    fields:\n{fields}"
    made = quota(parsed(f"{text}passes: {{host: {{messages_per_day: 10, message_bytes: 12}}}}\n"))
    coarser = next(one for one in made.ways if one.name == "one step coarser")
    assert (made.frame_bytes, coarser.frame_bytes, coarser.frames_a_day) == (4, 3, 40)
    assert coarser.interval_s == 2160


def test_a_quota_wants_to_know_what_a_day_is() -> None:
    seldom = parsed(QUOTA.replace("    cadence_s: 60\n", ""))
    with pytest.raises(
        packetkit.RadioError, match=r"^no frame has a cadence_s, so what a day brings is unknown"
    ):
        quota(seldom)
    with pytest.raises(packetkit.RadioError, match=r"^drift has no cadence_s, so"):
        quota(seldom, "drift")


def test_a_quota_that_is_enough_proposes_nothing() -> None:
    assert quota(parsed(QUOTA.replace("messages_per_day: 10", "messages_per_day: 400"))).fits
    tiny = quota(parsed(QUOTA.replace("message_bytes: 50", "message_bytes: 5")))
    assert not tiny.fits and tiny.ways[0].interval_s is None


@pytest.mark.parametrize("name", ["heron", "plover"])
def test_summaries_of_the_examples_are_schemas(name: str) -> None:
    from packetkit.mission.quota import summary_schema

    mission = parsed(resource(f"schemas/{name}.yaml").read_text(encoding="utf-8"))
    for frame in mission.layouts:
        text = summary_schema(mission, frame, ("least", "mean", "greatest"), Fraction(600))
        if text:
            assert parsed(text).layouts["summary"]


# ---- many teams


def teams(count: int) -> list[tuple[str, Mission]]:
    return [(f"team {n}", parsed(TEAM.replace("code: 1}", f"code: {n}}}"))) for n in range(count)]


def test_eight_teams_with_free_timers_lose_41_7_percent() -> None:
    # 24 bytes at SF10 and 125 kHz last 370.688 ms (RP002): 1 - (1 - 2 x 0.370688 / 10)^7, worked by hand.
    made = together(teams(8))
    (channel,) = made.channels
    assert channel.lost == pytest.approx([0.417] * 8, abs=0.0005)
    assert float(channel.load) == pytest.approx(8 * 0.0370688)
    assert made.alike == ()


def overlaps(a: float, length_a: float, b: float, length_b: float, period: float) -> bool:
    gap = (b - a) % period
    return gap < length_a or period - gap < length_b


def test_the_share_lost_agrees_with_drawn_phases() -> None:
    draw = random.Random(2)
    airtimes, period, trials = (0.370688, 0.2, 0.9, 0.5), 10.0, 8_000
    senders = [Sender(f"t{n}", "f", Fraction(str(one)), Fraction(10), "c") for n, one in enumerate(airtimes)]
    lost = [0] * len(airtimes)
    for _ in range(trials):
        phases = [draw.random() * period for _ in airtimes]
        for i, one in enumerate(airtimes):
            lost[i] += any(
                overlaps(phases[i], one, phases[j], other, period)
                for j, other in enumerate(airtimes)
                if j != i
            )
    for index, count in enumerate(lost):
        chance = lost_share(senders, index)
        assert count / trials == pytest.approx(chance, abs=4 * (chance * (1 - chance) / trials) ** 0.5)


@settings(max_examples=30)
@given(
    st.lists(st.tuples(st.integers(1, 400), st.sampled_from([10, 15, 20, 30, 60])), min_size=2, max_size=8)
)
def test_offsets_leave_no_overlap(drawn: Sequence[tuple[int, int]]) -> None:
    from packetkit.mission.together import _shared

    senders = tuple(
        Sender(f"t{n}", "f", Fraction(ms, 1000), Fraction(period), "c")
        for n, (ms, period) in enumerate(drawn)
    )
    found = _shared("c", senders, Fraction(1, 20))
    if not found.offsets_s:
        assert sum(one.airtime_s for one in senders) + Fraction(len(senders), 20) > found.step_s
        return
    times = sorted(
        (start + index * one.period_s, one.airtime_s)
        for start, one in zip(found.offsets_s, senders, strict=True)
        for index in range(int(120 / one.period_s))
    )
    for (first, length), (second, _) in pairwise(times):
        assert first + length <= second


def test_senders_that_just_fill_the_common_step_have_offsets_and_none_more_do() -> None:
    from packetkit.mission.together import _shared

    half = [Sender(team, "f", Fraction(9, 20), Fraction(1), "c") for team in ("a", "b")]
    assert _shared("c", tuple(half), Fraction(1, 20)).offsets_s == (Fraction(0), Fraction(1, 2))
    longer = replace(half[1], airtime_s=Fraction(91, 200))
    assert _shared("c", (half[0], longer), Fraction(1, 20)).offsets_s == ()


def test_the_common_step_divides_every_period() -> None:
    assert common_step([Fraction(10), Fraction(15)]) == 5
    assert common_step([Fraction(1, 2), Fraction(3, 4)]) == Fraction(1, 4)


def test_a_cadence_that_no_team_s_frame_lacks_is_refused_and_else_is_theirs() -> None:
    sent, free = parsed(TEAM), parsed(TEAM.replace("    cadence_s: 10\n", "").replace("code: 1", "code: 2"))
    with pytest.raises(packetkit.RadioError, match="every frame here has cadence_s; leave it out"):
        together([("a", sent), ("b", sent)], Fraction(2, 5))
    (shared,) = together([("a", sent), ("b", free)], Fraction(20)).channels
    assert [one.period_s for one in shared.senders] == [10, 20]


def test_teams_with_one_tag_cannot_be_told_apart_and_other_channels_do_not_meet() -> None:
    same = [("a", parsed(TEAM)), ("b", parsed(TEAM))]
    assert together(same).alike[0][:2] == ("a: beacon", "b: beacon")
    apart = [("a", parsed(TEAM)), ("b", parsed(TEAM.replace("437.2", "437.6").replace("code: 1", "code: 2")))]
    made = together(apart)
    assert len(made.channels) == 2 and all(channel.lost == (0.0,) for channel in made.channels)
    assert made.alike == ()


# ---- the command


def run(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> dict[str, Any]:
    assert main(["plan", *arguments, "--json"]) == status
    found: dict[str, Any] = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    jsonschema.validate(found, SCHEMA)
    return found


def test_each_kind_keeps_its_keys_and_its_text_fits_80_columns(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    first, second, host = tmp_path / "a.yaml", tmp_path / "b.yaml", tmp_path / "host.yaml"
    first.write_text(TEAM)
    second.write_text(TEAM.replace("code: 1", "code: 2"))
    host.write_text(QUOTA)
    calls: list[tuple[list[str], int, str]] = [
        ([str(resource("schemas/heron.yaml"))], 0, "pass"),
        ([str(resource("schemas/plover.yaml"))], 0, "pass"),
        ([str(host)], 1, "quota"),
        ([str(first), str(second), "--together"], 0, "together"),
    ]
    for arguments, status, kind in calls:
        assert run(capsys, *arguments, status=status)["kind"] == kind
        assert main(["plan", *arguments]) == status
        text = capsys.readouterr().out
        assert max(map(len, text.splitlines())) <= 80, text
        assert text.count("Radio figures are estimates") == 1


@pytest.mark.parametrize("cadence", ["    cadence_s: 10\n", ""])
def test_a_cadence_has_a_column_where_the_frame_has_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], cadence: str
) -> None:
    path = tmp_path / "team.yaml"
    path.write_text(TEAM.replace("    cadence_s: 10\n", cadence))
    assert main(["plan", str(path)]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert ("; every: from one record to the next." in text) is bool(cadence)
    assert (" every " in text.partition("every:")[0] + text.partition("every:")[2]) is bool(cadence)


def test_the_summary_is_written_where_asked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    host, out = tmp_path / "host.yaml", tmp_path / "summary.yaml"
    host.write_text(QUOTA)
    assert main(["plan", str(host), "--schema", str(out)]) == 1
    assert packetkit.load(str(out)).layouts["summary"]
    assert main(["plan", str(host), "--schema", str(host)]) == 2
    assert host.read_text() == QUOTA
    capsys.readouterr()


def test_a_link_that_never_reaches_is_a_finding(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "weak.yaml"
    path.write_text(TEAM.replace("power_dbm: 14", "power_dbm: -40"))
    found = run(capsys, str(path), status=1)
    assert found["cells"] == 0 and found["best"] == []
    assert any("margin" in reason for reason in found["dropped"])


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["{a}", "{a}"], "add --together"),
        (["{a}", "--together"], "two schemas or more"),
        (["{a}", "--cadence-s", "0"], "not a number above 0"),
        (["{a}", "--frame", "nothing"], "it has beacon"),
        (["{a}", "--schema", "out.yaml"], "has none"),
        (["{bare}"], "no passes"),
    ],
)
def test_a_refused_input_is_misuse(
    arguments: list[str], words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    names = {"a": tmp_path / "a.yaml", "bare": tmp_path / "bare.yaml"}
    names["a"].write_text(TEAM)
    names["bare"].write_text(TEAM[: TEAM.index("passes:")])
    assert main(["plan", *(one.format(**names) for one in arguments)]) == 2
    assert words in capsys.readouterr().err


def test_the_text_says_why_the_schema_s_own_setting_is_not_in_the_table() -> None:
    mission = parsed(HERON.replace("spreading_factor: 10", "spreading_factor: 5"))
    assert mission.passes is not None
    window = window_of(mission.passes)
    made = sweep(mission, window, factors=[11], bundles=(1,))
    said = " ".join(pass_text(mission, window, made, (), "utf-8").split())
    own = (
        "The schema's own setting, SF5 125 kHz 4/5, is left out: margin: below 0 dB even at the best moment."
    )
    assert own in said and "the schema's " not in said.partition("The frontier")[0]
    assert pass_document(mission, window, made, ())["now_dropped"] in own


def test_a_dwell_of_a_region_drops_long_packets() -> None:
    text = TEAM.replace("frequency_mhz: 437.2", "frequency_mhz: 923.2").replace(
        "link:\n", "link:\n  region: as923\n"
    )
    mission = parsed(text.replace("power_dbm: 14", "power_dbm: 30"))
    assert mission.passes is not None
    made = sweep(mission, window_of(mission.passes))
    assert "dwell: a packet lasts longer than 400 ms" in made.dropped
    assert all(cell.time_on_air_s <= Fraction(400, 1000) for cell in made.cells)
    # RP002: at SF10 and 125 kHz 24 bytes last 370.688 ms, under the dwell of 400 ms; two records of 24 do not.
    tens = {cell.bundle for cell in made.cells if cell.setting == Setting(10, 125)}
    assert tens <= {1}
    assert np.isfinite([cell.delivered_bytes for cell in made.cells]).all()


def test_the_budget_of_a_host_points_to_the_plan(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    host = tmp_path / "host.yaml"
    host.write_text(
        QUOTA.replace("passes:", "link: {chirp: {spreading_factor: 10, bandwidth_khz: 125}}\npasses:")
    )
    assert main(["budget", str(host)]) == 2
    assert "packetkit plan" in capsys.readouterr().err


def test_energy_is_told_where_a_pass_brings_one_byte() -> None:
    """Invented: a frame of one byte, and a pass in which a slow packet fits once."""
    mission = parsed(
        "mission: wren\nframes: {beep: {cadence_s: 10, fields: [{name: a, bits: 8}]}}\n"
        "link: {chirp: {spreading_factor: 10, bandwidth_khz: 125, frequency_mhz: 437.2}, unit: {power_dbm: 14}}\n"
        "passes: {duration_s: 3, distance_km: 1}\n"
    )
    assert mission.passes is not None
    single = [cell for cell in sweep(mission, window_of(mission.passes)).cells if cell.delivered_bytes <= 1]
    assert single and all(cell.energy_mj_per_byte for cell in single)
