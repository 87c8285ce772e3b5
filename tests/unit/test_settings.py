"""`packetkit settings`: what both ends must share, and the symptom of each mismatch; one case for every row of the table."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import packetkit
from packetkit.cli.main import main
from packetkit.mission import settings
from packetkit.mission.settings import PARAMETERS, mismatches, new_family_sync
from packetkit.radio import CAUTION
from packetkit.resources import resource

SCHEMA = json.loads((Path(__file__).parents[1] / "documents" / "json" / "settings.schema.json").read_text())
HERON = str(resource("schemas/heron.yaml"))
CHIRP = "spreading_factor: 10, bandwidth_khz: 125, frequency_mhz: 437.2"
TEXT = f"""
mission: lapwing
frames:
  beacon:
    fields:
      - {{name: counter, bits: 8}}
link:
  chirp: {{{CHIRP}}}
"""


def changed(old: str, new: str, text: str = TEXT) -> str:
    assert text.count(old) == 1
    return text.replace(old, new)


IMPLICIT = changed("437.2", "437.2, header: implicit")
SIX = changed("spreading_factor: 10", "spreading_factor: 6", IMPLICIT)
# Parameter, sender, receiver, whether it matters, words of the symptom.
CASES: tuple[tuple[str, str, str, bool, str], ...] = (
    ("frequency", TEXT, changed("437.2", "437.21"), False, "10,000 Hz apart"),
    ("frequency", TEXT, changed("437.2", "437.3"), True, "nothing is received"),
    ("frequency", TEXT, changed(", frequency_mhz: 437.2", ""), True, "one end does not say it"),
    ("spreading factor", TEXT, changed("10,", "9,"), True, "sounds like noise"),
    # SF6: 4.25 symbols of sync word and two rows less in the old family, 6.25 and none in the new one (both data sheets).
    ("modem family", SIX, changed("implicit", "implicit, modem: sx127x", SIX), True, "otherwise below SF7"),
    ("bandwidth", TEXT, changed("125", "250"), True, "another slope"),
    ("coding rate", TEXT, changed("437.2", "437.2, coding_rate: 4/8"), False, "the header tells"),
    (
        "coding rate",
        IMPLICIT,
        changed("implicit", "implicit, coding_rate: 4/8", IMPLICIT),
        True,
        "nobody tells",
    ),
    ("preamble", TEXT, changed("437.2", "437.2, preamble_symbols: 12"), True, "missed"),
    ("preamble", changed("437.2", "437.2, preamble_symbols: 12"), TEXT, False, "only airtime grows"),
    ("header", TEXT, IMPLICIT, True, "takes the header for data"),
    ("header", IMPLICIT, TEXT, True, "waits for a header"),
    ("radio CRC", TEXT, changed("437.2", "437.2, crc: false"), False, "passes on damaged frames"),
    ("radio CRC", IMPLICIT, changed("implicit", "implicit, crc: false", IMPLICIT), True, "two bytes more"),
    ("low data rate", TEXT, changed("437.2", "437.2, low_data_rate: on"), True, "unpacked wrongly"),
    ("low data rate", TEXT, changed("437.2", "437.2, low_data_rate: off"), False, "come to the same"),
    ("sync word", TEXT, changed("437.2", "437.2, sync_word: 0x34"), True, "no packet follows"),
    ("I and Q", TEXT, changed("437.2", "437.2, inverted_iq: true"), True, "the other way"),
    (
        "driver's own bytes",
        TEXT,
        changed("link:\n", "link:\n  driver_bytes: 4\n"),
        True,
        "shifted by 4 bytes",
    ),
    ("frame beacon", TEXT, changed("bits: 8", "bits: 8, scale: 2"), True, "wrong values"),
    ("frame beacon", TEXT, changed("beacon", "other"), True, "unknown frame"),
)


@pytest.mark.parametrize(("name", "sender", "receiver", "matters", "words"), CASES)
def test_each_mismatch_is_named_with_its_symptom(
    name: str, sender: str, receiver: str, matters: bool, words: str
) -> None:
    found = {one.name: one for one in mismatches(packetkit.parse(sender), packetkit.parse(receiver))}
    assert found[name].matters == matters and words in found[name].symptom
    assert set(found) <= {name, "frame other"}


def test_every_parameter_has_a_case() -> None:
    assert {one.name for one in PARAMETERS} == {case[0] for case in CASES} - {"frame beacon"}


@pytest.mark.parametrize("factor", [7, 12])
def test_from_sf7_on_the_families_hear_each_other(factor: int) -> None:
    new = changed("spreading_factor: 10", f"spreading_factor: {factor}")
    old = changed("437.2", "437.2, modem: sx127x", new)
    assert mismatches(packetkit.parse(new), packetkit.parse(old)) == ()


def test_one_schema_agrees_with_itself() -> None:
    mission = packetkit.load(HERON)
    assert mismatches(mission, mission) == ()


@pytest.mark.parametrize(("old", "new"), [(0x12, 0x1424), (0x34, 0x3444)])
def test_the_new_family_writes_a_sync_word_with_fours(old: int, new: int) -> None:
    # SX1261/2 data sheet: private 0x1424, public 0x3444; SX1276 data sheet: 0x12 and 0x34 (both from memory).
    assert new_family_sync(old) == new


def run(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> dict[str, Any]:
    assert main(["settings", *arguments, "--json"]) == status
    found: dict[str, Any] = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    jsonschema.validate(found, SCHEMA)
    return found


def test_the_list_and_the_comparison_keep_their_keys_and_80_columns(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    first, second, near = (tmp_path / name for name in ("a.yaml", "b.yaml", "c.yaml"))
    first.write_text(TEXT)
    second.write_text(IMPLICIT)
    near.write_text(changed("437.2", "437.21"))
    alone = run(capsys, HERON)
    assert len(alone["settings"]) == len(PARAMETERS) + 3 and alone["agrees"] is None
    assert run(capsys, HERON, HERON)["agrees"] is True
    assert run(capsys, str(first), str(near))["agrees"] is True
    assert run(capsys, str(first), str(second), status=1)["agrees"] is False
    for arguments, status in (([HERON], 0), ([HERON, HERON], 0), ([str(first), str(second)], 1)):
        assert main(["settings", *arguments]) == status
        text = capsys.readouterr().out
        assert max(map(len, text.splitlines())) <= 80
        assert " ".join(text.split()).count(CAUTION) == 1


def test_a_schema_without_a_radio_says_what_to_add(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["settings", str(resource("schemas/first-light.yaml"))]) == 2
    assert "add link" in capsys.readouterr().err


def test_each_frame_s_length_is_said_whether_it_varies_or_not() -> None:
    text = (
        "mission: m\nframes:\n  fixed: {fields: [{name: t, kind: tag, bits: 8, code: 1}, {name: a, bits: 16}]}\n"
        "  varying: {fields: [{name: t, kind: tag, bits: 8, code: 2}, {name: n, kind: count, bits: 2}, "
        "{name: x, bits: 8, repeat: {count: n}}, {kind: reserved, up_to: byte}]}\n"
    )
    said = {name: value.partition(",")[0] for name, value in settings.frames(packetkit.parse(text))}
    assert said == {"fixed": "3 bytes", "varying": "2 to 5 bytes"}
