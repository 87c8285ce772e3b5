"""Frames that nothing in their bytes tells: the topic, the port or the file they came from does (WIRE.md 14, last words)."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import packetkit
from packetkit.cli.main import main
from packetkit.mission import checkup

# Invented: two reports of one length on two ports, and one that its tag tells.
PORTS = """
mission: ports
frames:
  water:
    told_by: outside
    fields: [{name: depth, bits: 8}]
  air:
    told_by: outside
    fields: [{name: pressure, bits: 8, scale: 1}]
  status:
    fields: [{name: tag, kind: tag, bits: 4, code: 9}, {name: mode, bits: 4}]
"""
ALONE = PORTS[: PORTS.index("  status")]


def test_frames_told_from_outside_need_not_differ() -> None:
    packetkit.parse(PORTS)
    with pytest.raises(packetkit.SchemaError, match="cannot be told apart"):
        packetkit.parse(PORTS.replace("    told_by: outside\n", ""))


def test_the_name_given_decides_and_no_tag_is_asked() -> None:
    mission = packetkit.parse(PORTS)
    assert mission.decode(b"\x95", frame="water") == ("water", {"depth": 0x95})
    assert mission.decode(b"\x95", frame="air") == ("air", {"pressure": 0x95})
    with pytest.raises(KeyError, match="no frame 'soil'"):
        mission.decode(b"\x95", frame="soil")


def test_no_bytes_are_taken_for_a_frame_told_from_outside_unasked() -> None:
    mission = packetkit.parse(PORTS)
    assert mission.decode(b"\x95") == ("status", {"mode": 5})
    with pytest.raises(packetkit.UnknownFrame, match="none of status"):
        mission.decode(b"\x15")
    with pytest.raises(packetkit.UnknownFrame, match="say frame, one of water, air"):
        packetkit.parse(ALONE).decode(b"\x15")


def test_what_tells_a_frame_is_not_in_its_fingerprint() -> None:
    """Its bytes mean the same, whoever says which frame they are (WIRE.md 20)."""
    inside = packetkit.parse(ALONE.replace("    told_by: outside\n", "", 1))
    assert inside.fingerprint == packetkit.parse(ALONE).fingerprint


def test_check_says_that_decode_needs_the_name() -> None:
    mission = packetkit.parse(PORTS)
    assert any("--frame" in note for note in checkup.notes(mission, "water"))
    assert not any("--frame" in note for note in checkup.notes(mission, "status"))


def test_the_commands_ask_for_the_name_and_use_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    schema, capture = tmp_path / "ports.yaml", tmp_path / "capture.bin"
    schema.write_text(ALONE, encoding="utf-8")
    assert main(["decode", str(schema), "--text", "95"]) == 2
    assert "say --frame NAME: water, air" in capsys.readouterr().err
    assert (
        main(["decode", str(schema), "--text", "95", "--from", "hex", "--frame", "air", "--format", "jsonl"])
        == 0
    )
    assert json.loads(capsys.readouterr().out)["values"] == {"pressure": 0x95}
    assert main(["simulate", str(schema), "--frame", "water", "--minutes", "1", "-o", str(capture)]) == 0
    truth = [json.loads(line) for line in Path(f"{capture}.truth.jsonl").read_text().splitlines()]
    assert {line["frame"] for line in truth} <= {"water", None}


# Invented: a part whose variant the port tells, in a frame that takes every way of decoding, and in one that is of one size.
PARTS = """
mission: ports
frames:
  main:
    fields:
      - {name: a, bits: 8}
      - name: body
        told_by: outside
        variants: [{name: near, group: [{name: p, bits: 8}]}, {name: far, group: [{name: q, bits: 16}]}]
  plain:
    fields: [{name: tag, kind: tag, bits: 8, code: 9}, {name: b, bits: 32}]
  held:
    fields: [{name: tag, kind: tag, bits: 8, code: 8}, {name: n, kind: count, bits: 8}, {name: c, repeat: {count: n}, bits: 32}]
"""


@pytest.mark.parametrize("name", ["main", "plain", "held"])
def test_a_part_that_is_none_is_named_whatever_decodes(name: str) -> None:
    """The first call puts a frame's own function in place of the method."""
    mission = packetkit.parse(PARTS.replace("  main:\n", "  main:\n    told_by: outside\n"))
    frame = mission.told({"body": "near"}).frame(name)
    data = {"main": b"\x01\x02", "plain": b"\x09\0\0\0\1", "held": b"\x08\0"}[name]
    there = "body" if name == "main" else "there is none"
    for _ in range(2):
        assert frame.decode_from(data + b"x")[1] == len(
            data
        )  # what a mission is told of others' parts is no fault
        for decode in (frame.decode, frame.decode_from):
            with pytest.raises(
                ValueError, match=f"bdy is no part of {name} that is told from outside: {there}"
            ):
                decode(data, variants={"bdy": "near"})


def test_columns_of_frames_told_from_outside_have_a_row_each() -> None:
    text = PARTS[: PARTS.index("  plain")]
    table = packetkit.parse(text).told({"body": "far"}).frame().decode_many(bytes([1, 2, 3, 4, 5, 6]))
    assert table.ok.tolist() == [True, True] and table["a"].tolist() == [1, 4]
    assert table["body.far.q"].tolist() == [0x0203, 0x0506]
