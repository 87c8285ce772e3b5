"""`packetkit bytes` as a user meets it: every bit at its field, whatever is wrong with the frame, and the difference of two."""

from __future__ import annotations

import io
import json
from pathlib import Path
from random import Random
from typing import Any

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packetkit.cli import strip
from packetkit.cli.main import main
from packetkit.codec import reading
from packetkit.codec.annotate import annotate, shifted
from packetkit.codec.frame import Frame
from packetkit.conformance import draw
from packetkit.errors import EncodeError, SchemaError
from packetkit.fuzz import schemas
from packetkit.mission.load import parse

HERE = Path(__file__).resolve()
SCHEMA = json.loads((HERE.parents[1] / "documents/json/bytes.schema.json").read_text("utf-8"))
# 3, 7 and 6 bits hold 5, 100 and 33: the example of WIRE.md 1, worked by hand there.
THREE = """
mission: three
frames:
  three:
    fields:
      - {name: a, bits: 3}
      - {name: b, bits: 7}
      - {name: c, bits: 6}
"""
CHECKED = """
mission: checked
frames:
  first:
    fields:
      - {name: tag, kind: tag, bits: 8, code: 1}
      - {name: x, bits: 8, signed: true, unit: Cel, missing: true}
      - {name: check, kind: check, algorithm: CRC-8/SMBUS}
  second:
    fields:
      - {name: tag, kind: tag, bits: 8, code: 2}
      - {name: y, bits: 16}
      - {name: check, kind: check, algorithm: CRC-8/SMBUS}
"""


@pytest.fixture
def run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Any:
    def call(schema: str, *arguments: str) -> tuple[int, str, str]:
        path = tmp_path / "schema.yaml"
        path.write_text(schema, encoding="utf-8")
        status = main(["bytes", str(path), *arguments])
        told = capsys.readouterr()
        return status, told.out, told.err

    return call


def as_json(run: Any, *arguments: str) -> tuple[int, Any]:
    status, out, _ = run(*arguments, "--json")
    made = json.loads(out)
    jsonschema.validate(made, SCHEMA)
    return status, made


def test_each_field_has_its_bits_and_its_value(run: Any) -> None:
    status, made = as_json(run, THREE, "B9", "21")
    assert status == 0 and made["ok"]
    assert [(one["path"], one["bits"], one["raw"]) for one in made["fields"]] == [
        ("a", [0, 1, 2], 5),
        ("b", [3, 4, 5, 6, 7, 8, 9], 100),
        ("c", [10, 11, 12, 13, 14, 15], 33),
    ]


def test_least_first_bits_are_shown_where_they_lie(run: Any) -> None:
    text = THREE.replace("    fields:", "    packing: least_significant_first\n    fields:")
    _, made = as_json(run, text, "25", "87")
    assert [one["raw"] for one in made["fields"]] == [5, 100, 33]
    assert made["fields"][0]["bits"] == [5, 6, 7]  # 0x25 = 00100101: the last three are 101, which is 5


def test_the_strip_draws_the_frames_own_bits(run: Any) -> None:
    status, out, _ = run(THREE, "b921")
    lines = out.splitlines()
    assert status == 0
    assert lines[0].split() == ["0", "b9", "21"] and lines[1].split() == ["10111001", "00100001"]
    assert "three, 2 bytes: a good frame." in out


def test_a_difference_behind_the_last_field_is_said_in_a_sentence(run: Any) -> None:
    status, out, _ = run(THREE, "b92100", "--against", "b92101")
    assert status == 1
    assert "Against the other frame: 1 bit differs (^)." in out
    assert "They are behind the fields that could be read." in out and "its bits" not in out


def test_a_frame_may_begin_at_any_bit(run: Any) -> None:
    assert shifted(bytes.fromhex("0b 92 10"), 4) == bytes.fromhex("b9 21")
    _, made = as_json(run, THREE, "0b9210", "--start-bit", "4")
    assert made["bytes"] == "b921"
    _, made = as_json(run, THREE, "10111001 0010_0001", "--from", "bits")
    assert made["bytes"] == "b921"


def test_what_is_wrong_is_said_at_the_field(run: Any) -> None:
    status, made = as_json(run, CHECKED, "01 80 00")
    assert status == 1 and made["reason"] == "check failed" and made["frame"] == "first"
    wrong = {one["path"]: one["wrong"] for one in made["fields"]}
    assert wrong == {"tag": None, "x": None, "check": f"the bytes give 0x{crc8(bytes([1, 0x80])):02X}"}
    assert made["fields"][1]["value"] is None and made["fields"][1]["reason"] == "missing"


def crc8(data: bytes) -> int:
    """A CRC of polynomial 07 bit by bit, of this test's own."""
    register = 0
    for octet in data:
        register ^= octet
        for _ in range(8):
            register = (register << 1 ^ (7 if register & 0x80 else 0)) & 0xFF
    return register


def test_short_and_long_frames_are_drawn_as_far_as_they_go(run: Any) -> None:
    status, made = as_json(run, CHECKED, "02 12")
    assert (
        status == 1 and made["reason"] == "truncated" and [one["path"] for one in made["fields"]] == ["tag"]
    )
    assert made["left_over_bytes"] == 0
    status, out, _ = run(CHECKED, "01 05 00 ff ff")
    assert status == 1 and "2 bytes left over behind its fields." in out and "left over" in out


def test_bytes_of_no_frame_are_drawn_as_the_nearest_one_and_that_is_said(run: Any) -> None:
    status, out, _ = run(CHECKED, "07 12 34 56")
    assert status == 1 and "no constant or tag agrees" in out
    assert "Drawn as second, the nearest" in " ".join(out.split())
    assert "not 0x2" in out
    status, made = as_json(run, CHECKED, "07 12 34", "--frame", "first")
    assert made["frame"] == "first" and made["remark"] is None


def test_the_difference_of_two_frames_names_bits_and_fields(run: Any) -> None:
    status, made = as_json(run, THREE, "b921", "--against", "b961")
    assert status == 1
    assert made["against"] == {"bytes": "b961", "bits": [9], "fields": [{"path": "b", "bits": [9]}]}
    status, out, _ = run(THREE, "b921", "--against", "b961")
    assert (
        "1 bit differs (^)" in out
        and out.splitlines()[2].index("^") == out.splitlines()[1].index("00100001") + 1
    )
    status, out, _ = run(THREE, "b921", "--against", "B9:21")
    assert status == 0 and "the same bits" in out
    _, out, _ = run(THREE, "b921", "--against", "b9")
    assert "compared as far as both reach" in out


def test_misuse_is_told_with_a_remedy(run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    for arguments, words in (
        (("xyz",), "is not hexadecimal"),
        (("b921", "--frame", "four"), "has no frame 'four': three"),
        (("102", "--from", "bits"), "'2' is no bit"),
        (("b9", "--start-bit", "5"), "nothing is left behind bit 5"),
        (("00" * 5000,), "packetkit decode reads captures"),
        ((" ",), "there are no bytes"),
    ):
        status, out, told = run(THREE, *arguments)
        assert status == 2 and words in told and not out, arguments
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(b"b9\n21\n")))
    status, made = as_json(run, THREE, "-")
    assert status == 0 and made["bytes"] == "b921"


def encoded(frame: Frame, chance: Random) -> list[bytes]:
    """A frame of a drawn record; none where what was drawn cannot be sent."""
    try:
        return [frame.encode(draw.record(frame.layout, chance))]
    except EncodeError:
        return []


@pytest.mark.slow
@settings(max_examples=60)
@given(st.integers(0, 2**32), st.binary(min_size=1, max_size=60))
def test_any_bytes_are_drawn_and_every_bit_belongs_to_one_field_at_most(seed: int, data: bytes) -> None:
    try:
        mission = parse(schemas.schema(Random(seed)).text)
    except SchemaError:
        return
    for layout in mission.layouts.values():
        frame = mission.frames[layout.name]
        for one in (data, *encoded(frame, Random(seed))):
            made = annotate(layout, one)
            taken = [bit for field in made.fields for bit in field.bits]
            assert len(taken) == len(set(taken)) and all(0 <= bit < len(one) * 8 for bit in taken)
            found = reading.read(layout, one)
            assert [field.raw for field in made.fields] == [leaf.raw for leaf in found.leaves if leaf.width]
            for field in made.fields:  # the bits that are said to hold a number do hold it
                code = int("".join(str(one[bit // 8] >> (7 - bit % 8) & 1) for bit in field.bits), 2)
                low, high = field.slot.raw_limits
                assert code == field.raw % (high - low + 1)
            assert all(len(line) <= 80 for line in strip.frame(made, 80))


WORDS = """
mission: m
frames:
  f:
    fields: [{name: call, kind: text, encoding: ascii, length: 2}, {name: tail, kind: bytes, length: 3}]
"""


def test_octets_are_hexadecimal_and_letters_stand_beside_them(run: Any) -> None:
    """ASCII: 0x41 is A, 0x7E the last that prints; 0x7F and what is above print nothing."""
    _, out, _ = run(WORDS, "41 20 7E 7F FE")
    rows = [
        line.split(maxsplit=2)[1:]
        for line in out.splitlines()
        if line[:1].isdigit() and "-" in line.split()[0]
    ]
    assert rows == [
        ["call[0]", "0x41    'A'"],
        ["call[1]", "0x20    ' '"],
        ["tail[0]", "0x7E    '~'"],
        ["tail[1]", "0x7F"],
        ["tail[2]", "0xFE"],
    ]
