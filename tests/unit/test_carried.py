"""Envelopes: a frame inside another, what is proved of it, how it is told, shown and counted, and who writes it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import packetkit
from packetkit.cli.main import main
from packetkit.codec import walk
from packetkit.errors import CheckFailed, ReservedBits, SchemaError
from packetkit.mission import checkup
from packetkit.mission.budget import budget
from packetkit.mission.passes import window_of
from packetkit.targets import TARGETS

SCHEMA = """
mission: godwit
frames:
  drift:
    fields:
      - {name: buoy, kind: tag, bits: 4, code: 3}
      - {name: sequence, bits: 12, role: sequence}
      - {name: depth, minimum: 0, maximum: 25.4, resolution: 0.1, unit: m, missing: true}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
  ferry:
    cadence_s: 60
    fields:
      - {name: hull, kind: sync, bits: 16, code: 0xF00D}
      - {name: berth, bits: 8}
      - {name: load, carried: drift, size_bytes: 8}
      - {name: sum, kind: check, algorithm: SUM-8}
link:
  chirp: {spreading_factor: 10, bandwidth_khz: 125, coding_rate: 4/5, frequency_mhz: 437.2}
passes: {duration_s: 600}
"""
MISSION = packetkit.parse(SCHEMA)
DRIFT, FERRY = MISSION.frame("drift"), MISSION.frame("ferry")
assert MISSION.passes is not None
PASS = window_of(MISSION.passes)


@given(st.integers(0, 4095), st.integers(0, 254), st.integers(0, 255))
def test_an_envelope_holds_the_bytes_that_the_frame_has_by_itself(
    sequence: int, tenths: int, berth: int
) -> None:
    values = {"sequence": sequence, "depth": tenths / 10}
    inner = DRIFT.encode(values)
    sent = FERRY.encode({"berth": berth, "load": {"drift": values}})
    # Worked by hand: sync, berth, five bytes of the frame, three zeros, the sum of all.
    plain = bytes([0xF0, 0x0D, berth]) + inner + bytes(3)
    assert sent == plain + bytes([sum(plain) % 256])
    assert FERRY.decode(sent) == {"berth": berth, "load": {"drift": DRIFT.decode(inner)}}
    assert walk.decode(FERRY.layout, sent, detail=True) == FERRY.decode(sent, detail=True)


@pytest.mark.parametrize(
    "sum_too", [False, True], ids=["the outer check fails too", "the outer check is right"]
)
def test_values_are_trusted_only_if_both_checks_pass(sum_too: bool) -> None:
    sent = bytearray(FERRY.encode({"berth": 1, "load": {"drift": {"sequence": 7, "depth": None}}}))
    sent[5] ^= 1
    if sum_too:
        sent[-1] = sum(sent[:-1]) % 256
    with pytest.raises(CheckFailed, match=r"load\.drift\.check"):
        FERRY.decode(bytes(sent))


def test_what_fills_the_place_is_reported_as_reserved_bits_are() -> None:
    sent = bytearray(FERRY.encode({"berth": 1, "load": {"drift": {"sequence": 7, "depth": 1}}}))
    sent[9], sent[-1] = 5, (sent[-1] + 5) % 256
    assert FERRY.decode(bytes(sent), detail=True)["load"]["reserved"]["note"] == "not zero"
    strict = packetkit.parse(SCHEMA.replace("    cadence_s: 60\n", "    cadence_s: 60\n    strict: true\n"))
    with pytest.raises(ReservedBits, match=r"load\.reserved"):
        strict.frame("ferry").decode(bytes(sent))


def test_a_carried_frame_without_a_cadence_is_sent_in_envelopes_only() -> None:
    assert list(MISSION.sent) == ["ferry"] and MISSION.outside == {"drift"}
    inner = DRIFT.encode({"sequence": 1, "depth": 2})
    assert MISSION.decode(inner, frame="drift")[0] == "drift"
    assert MISSION.decode(FERRY.encode({"berth": 0, "load": {"drift": DRIFT.decode(inner)}}))[0] == "ferry"
    assert [share.name for share in budget(MISSION, PASS).shares] == ["ferry"]
    both = packetkit.parse(SCHEMA.replace("  drift:\n", "  drift:\n    cadence_s: 30\n"))
    assert list(both.sent) == ["drift", "ferry"] and not both.outside
    assert both.decode(inner)[0] == "drift"


def test_useful_bits_are_those_of_the_frame_inside() -> None:
    assert DRIFT.layout.useful_bits == FERRY.layout.useful_bits == 12 + 8  # not the berth's
    assert checkup.tally(FERRY.layout).useful_bits == 20
    (share,) = budget(MISSION, PASS).shares
    assert share.useful_bits == 20 and share.frame_bytes == 12


def test_the_limit_of_a_link_is_that_of_the_envelope() -> None:
    tight = packetkit.parse(SCHEMA.replace("link:\n", "link:\n  maximum_frame_bytes: 4\n"))
    assert [one.frame_bytes for name in tight.layouts for one in checkup.findings(tight, name)] == [12]


def test_check_shows_what_is_carried(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "godwit.yaml"
    path.write_text(SCHEMA, "utf-8")
    assert main(["check", str(path)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "load.drift drift 5 3 41.7 %" in out
    assert out.count("useful above are those of the frames that it carries alone.") == 1
    assert "Sent in ferry only, as it has no cadence_s" in out
    assert main(["check", str(path), "--json"]) == 0
    _, told = json.loads(capsys.readouterr().out)["schemas"][0]["frames"]
    assert told["carried"] == [
        {"name": "load.drift", "frame": "drift", "minimum_bytes": 5, "maximum_bytes": 5, "fill_bytes": 3}
    ]
    assert [one["useful"] for one in told["fields"] if one["name"] in ("berth", "load.drift.depth")] == [
        False,
        True,
    ]


def test_zeros_behind_a_frame_give_way_to_a_finer_step(capsys: pytest.CaptureFixture[str]) -> None:
    from packetkit.mission.cost import picture

    assert picture(MISSION, "drift").all_finer.frame_bytes == 1
    assert picture(MISSION, "ferry").all_finer.frame_bytes == 0


def test_a_mission_of_frames_that_double_what_they_carry_is_refused_in_no_time() -> None:
    text = "mission: godwit\nframes:\n  f0:\n    fields:\n      - {name: depth, bits: 8}\n"
    for at in range(1, 40):
        text += f"  f{at}:\n    fields:\n"
        text += "".join(f"      - {{name: {name}, carried: f{at - 1}}}\n" for name in ("left", "right"))
    with pytest.raises(SchemaError, match="adds up to more than 2,000 fields"):
        packetkit.parse(text)


def test_a_way_around_through_other_frames_is_found() -> None:
    text = "mission: godwit\nframes:\n"
    for name, inner in (("a", "b"), ("b", "c"), ("c", "b")):
        text += f"  {name}:\n    fields:\n      - {{name: load, carried: {inner}}}\n"
    with pytest.raises(SchemaError) as caught:
        packetkit.parse(text)
    assert "a carries b, which carries c, which carries b" in str(caught.value)


@pytest.mark.parametrize("target", TARGETS)
def test_every_target_writes_envelopes(target: str, tmp_path: Path) -> None:
    path, out = tmp_path / "godwit.yaml", tmp_path / "out"
    path.write_text(SCHEMA, "utf-8")
    assert main(["generate", str(path), "--target", target, "-o", str(out)]) == 0
    assert any(out.iterdir())


HOSTED = """
mission: host
frames:
  packet:
    cadence_s: 10
    fields:
      - {name: counter, bits: 14, role: sequence}
      - {name: kind, bits: 2, states: {0: survey, 1: health}}
      - name: payload
        told_by: kind
        variants:
          - {name: survey, when: {kind: survey}, group: [{name: inner, carried: survey}]}
          - {name: health, when: {kind: health}, group: [{name: inner, carried: health}]}
      - {name: last, carried: health}
  survey: {fields: [{name: n, bits: 8, role: sequence, modulus: 200}, {name: a, bits: 8}]}
  health:
    fields: [{name: n, bits: 8, role: sequence}, {name: t, bits: 32, role: clock, tick_s: 0.1}, {name: b, bits: 16}]
"""


def roles(layout: packetkit.Layout) -> dict[str, str]:
    return {slot.address: slot.role.name for slot in layout.slots if slot.role is not None}


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (HOSTED, {"counter": "sequence", "payload.health.inner.health.t": "clock"}),
        (
            HOSTED.replace("bits: 14, role: sequence", "bits: 14"),
            {"payload.survey.inner.survey.n": "sequence", "payload.health.inner.health.t": "clock"},
        ),
    ],
    ids=["the envelope counts", "what it carries first counts"],
)
def test_an_envelope_has_one_field_of_each_role_its_own_first(text: str, found: dict[str, str]) -> None:
    """Invented: a host numbers its packets, and so do the guests' frames in them, of which each keeps its number when it comes alone."""
    layouts = packetkit.parse(text).layouts
    assert roles(layouts["packet"]) == found
    assert roles(layouts["survey"]) == {"n": "sequence"} and roles(layouts["health"]) == {
        "n": "sequence",
        "t": "clock",
    }
    (alone,) = (slot for slot in layouts["survey"].slots if slot.role is not None)
    assert alone.role is not None and alone.role.modulus == 200
