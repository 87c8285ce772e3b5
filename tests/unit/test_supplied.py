"""Supplied fields: mixed into a check, not sent; known, or recovered, and then the check proves nothing."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

import packetkit
from packetkit.captures.stream import obstacle
from packetkit.cli.main import main
from packetkit.codec import constructs
from packetkit.targets import TARGETS

SCHEMA = """
mission: godwit
frames:
  drift:
    fields:
      - {name: depth, bits: 16, unit: mm}
      - {name: station, kind: supplied, bits: 12, description: of the buoy}
      - {name: metres, derived: depth / 1000, unit: m}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740, mixed_with: station}
"""
DOCUMENTS = Path(__file__).resolve().parent.parent / "documents" / "json"


@pytest.fixture(scope="module")
def frame() -> packetkit.Frame:
    return packetkit.parse(SCHEMA).frame()


@given(st.integers(0, 65535), st.integers(0, 4095), st.integers(0, 4095))
def test_known_and_right_is_verified_known_and_wrong_is_refused(depth: int, station: int, other: int) -> None:
    frame = packetkit.parse(SCHEMA).frame()
    data = frame.encode({"depth": depth, "station": station})
    record = {"depth": depth, "station": station, "metres": depth / 1000}
    assert frame.decode(data) == frame.decode(data, known={"station": station}) == record
    assert list(frame.decode(data)) == ["depth", "station", "metres"]
    detail = frame.decode(data, detail=True)
    assert detail["station"] == {"raw": station, "value": station, "reason": "recovered"}
    assert frame.encode(detail) == data
    told = frame.decode(data, detail=True, known={"station": station})["station"]
    assert told == {"raw": station, "value": station}
    if other != station:
        with pytest.raises(packetkit.CheckFailed):
            frame.decode(data, known={"station": other})


def test_decode_from_and_mission_decode_take_what_is_known(frame: packetkit.Frame) -> None:
    data = frame.encode({"depth": 5, "station": 6})
    assert frame.decode_from(b"\x00" + data, 1, known={"station": 6})[1] == 4
    assert packetkit.parse(SCHEMA).decode(data, known={"station": 6})[0] == "drift"
    with pytest.raises(packetkit.CheckFailed):
        packetkit.parse(SCHEMA).decode(data, known={"station": 7})


@pytest.mark.parametrize("known", [{"depth": 1}, {"station": 4096}, {"station": -1}, {"station": True}])
def test_a_name_or_a_code_that_is_none_is_refused(frame: packetkit.Frame, known: dict[str, Any]) -> None:
    data = frame.encode({"depth": 5, "station": 6})
    with pytest.raises(ValueError, match=r"station|depth"):
        frame.decode(data, known=known)


def test_it_is_required_on_encode_and_its_faults_come_first(frame: packetkit.Frame) -> None:
    with pytest.raises(packetkit.EncodeError) as caught:
        frame.encode({"depth": -1, "stat": 1})
    assert [(fault.path, fault.rule) for fault in caught.value.faults] == [
        ("station", "missing-key"),
        ("depth", "out-of-range"),
        ("stat", "unknown-key"),
    ]


def test_salvaged_frames_say_that_nothing_is_trusted(frame: packetkit.Frame) -> None:
    data = bytearray(frame.encode({"depth": 5, "station": 6}))
    data[2] ^= 0x80  # beyond what twelve bits can have done
    detail = frame.decode(bytes(data), salvage=True)
    assert detail["station"]["trusted"] is False


@pytest.mark.parametrize(
    "bits", ["bits: 8", "kind: count, bits: 8}\n      - {name: cells, repeat: {count: level}, bits: 8"]
)
def test_frames_without_supplied_fields_know_none(bits: str) -> None:
    """Asked twice: the first answer puts the generated function in place of the method."""
    frame = packetkit.parse(
        f"mission: m\nframes:\n  a:\n    fields:\n      - {{name: level, {bits}}}\n"
    ).frame("a")
    data = b"\x00"
    for _ in range(3):
        assert frame.decode(data, known=None) == frame.decode(data, known={}) == frame.decode(data)
        assert frame.decode_from(data + b"x", known=None) == frame.decode_from(data + b"x")
        with pytest.raises(ValueError, match="station"):
            frame.decode(data, known={"station": 7})
        with pytest.raises(ValueError, match="station"):
            frame.decode_from(data, known={"station": 7})


def test_what_cannot_recover_it_refuses_by_name(
    frame: packetkit.Frame, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert [address for address, _ in constructs.refusals(frame.layout)] == ["check"]
    assert "station goes into the check of drift" in obstacle({"drift": frame})
    schema = tmp_path / "godwit.yaml"
    schema.write_text(SCHEMA, "utf-8")
    for target in TARGETS:
        status = main(["generate", str(schema), "--target", target, "-o", str(tmp_path / target)])
        assert status == 0, target
        assert "Traceback" not in capsys.readouterr().err


def test_columns_hold_what_single_frames_do(frame: packetkit.Frame) -> None:
    records = [{"depth": depth, "station": 7} for depth in (1, 500)]
    data = b"".join(frame.encode(record) for record in records)
    columns = frame.decode_many(data)
    assert columns["station"].tolist() == [7, 7] and columns["depth"].tolist() == [1, 500]


@pytest.fixture
def schema(tmp_path: Path) -> str:
    path = tmp_path / "godwit.yaml"
    path.write_text(SCHEMA, "utf-8")
    return str(path)


def test_the_command_says_whether_anything_was_verified(
    schema: str, frame: packetkit.Frame, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    sent = frame.encode({"depth": 1500, "station": 0x123}).hex()
    decode = ["decode", schema, "--text", sent, "--from", "hex"]
    assert main([*decode, "--format", "jsonl"]) == 0
    text = capsys.readouterr().out
    line = json.loads(text)
    jsonschema.validate(line, json.loads((DOCUMENTS / "decode_line.schema.json").read_text("utf-8")))
    assert (line["ok"], line["reasons"]) == (None, {"station": "recovered"})
    assert line["values"] == {"depth": 1500, "station": 0x123, "metres": 1.5}
    (tmp_path / "back.jsonl").write_text(text, "utf-8")
    assert main([*decode, "--format", "csv"]) == 0
    text = capsys.readouterr().out
    assert text.splitlines() == ["frame,offset,ok,reason,station,depth,metres", "drift,0,,,291,1500,1.5"]
    (tmp_path / "back.csv").write_text(text, "utf-8")
    for name in ("back.jsonl", "back.csv"):
        assert main(["encode", schema, str(tmp_path / name)]) == 0
        assert bytes.fromhex(capsys.readouterr().out).hex() == sent
    assert main([*decode, "--format", "jsonl", "--known", "station=0x123"]) == 0
    assert json.loads(capsys.readouterr().out)["ok"] is True
    assert main([*decode, "--known", "station=5"]) == 1
    assert "check failed" in capsys.readouterr().out
    for wrong in ("depth=1", "station=4096", "station", "station=x"):
        assert main([*decode, "--known", wrong]) == 2
        assert "--known" in capsys.readouterr().err


def test_check_shows_it_without_bits(schema: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", schema]) == 0
    assert "station supplied 12 bits, not sent, mixed into check" in " ".join(capsys.readouterr().out.split())
    assert main(["check", schema, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, json.loads((DOCUMENTS / "check.schema.json").read_text("utf-8")))
    (told,) = document["schemas"][0]["frames"]
    assert told["supplied"] == [{"name": "station", "bits": 12, "description": "of the buoy"}]
    assert told["checks"][0]["mixed_with"] == "station"


FED = """
mission: godwit
frames:
  drift:
    fields:
      - {name: depth, bits: 16, unit: mm}
      - {name: station, kind: supplied, bits: 8}
      - {name: check, kind: check, algorithm: SUM-8, also: [7, station, {size_of: whole_frame, bits: 16}], not_computed: 0xFF}
"""


@given(st.integers(0, 65535), st.integers(0, 255), st.integers(0, 255))
def test_what_is_fed_in_front_is_verified_where_it_is_known(depth: int, station: int, other: int) -> None:
    frame = packetkit.parse(FED).frame()
    data = frame.encode({"depth": depth, "station": station})
    assert data[2] == (sum(data[:2]) + 7 + station + len(data)) % 256
    assert frame.decode(data, known={"station": station})["station"] == station
    assert frame.decode(data)["station"] is None
    detail = frame.decode(data, detail=True)
    assert detail["station"] == {"raw": None, "value": None, "reason": "not known"}
    assert frame.encode(detail) == data
    if other != station and data[2] != 0xFF:
        with pytest.raises(packetkit.CheckFailed):
            frame.decode(data, known={"station": other})


def test_a_check_that_was_not_computed_says_so_and_a_line_says_what_is_not_known(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    frame = packetkit.parse(FED).frame()
    data = frame.encode({"depth": 1, "station": 2, "check": 0xFF})
    assert data == b"\x00\x01\xff" and frame.decode(data, known={"station": 9})["depth"] == 1
    with pytest.raises(packetkit.EncodeError, match="the frame's bytes make it 0xd"):
        frame.encode({"depth": 1, "station": 2, "check": 0xFE})
    with pytest.raises(packetkit.EncodeError, match="computed from station, not known here"):
        frame.encode({"depth": 1, "station": None})
    path = tmp_path / "godwit.yaml"
    path.write_text(FED, "utf-8")
    assert main(["decode", str(path), "--text", data.hex(), "--from", "hex", "--format", "jsonl"]) == 0
    line = json.loads(capsys.readouterr().out)
    jsonschema.validate(line, json.loads((DOCUMENTS / "decode_line.schema.json").read_text("utf-8")))
    assert (line["ok"], line["reasons"], line["values"]["station"]) == (None, {"station": "not known"}, None)
    assert main(["check", str(path), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, json.loads((DOCUMENTS / "check.schema.json").read_text("utf-8")))
    (check,) = document["schemas"][0]["frames"][0]["checks"]
    assert check["fed_in_front"] == "07, station, the frame's size in 16 bits"
    assert (check["not_computed_code"], check["hamming_distance"]) == (0xFF, None)
    assert [address for address, _ in constructs.refusals(frame.layout)] == ["check"]
