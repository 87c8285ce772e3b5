"""The page to try a frame, in real browsers from file://: every interaction as a user has it, by mouse and by keyboard alone.

One browser session each for Chromium and Firefox ESR does everything and tells what it saw; the tests judge that. Values to expect come
from the codec of this installation, from Cook's catalogue, from crcmod, and by hand.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from fractions import Fraction
from pathlib import Path
from typing import Any

import crcmod.predefined
import pytest

import packetkit
from packetkit.cli.main import main
from packetkit.conformance import generate
from packetkit.conformance.spoken import same
from packetkit.fuzz import judges
from packetkit.integrity.catalog import find
from packetkit.mission import vectors
from packetkit.mission.dossier import Dossier
from packetkit.mission.passes import window_of
from packetkit.radio.chirp import time_on_air
from packetkit.radio.settings import Setting, bandwidth
from packetkit.resources import resource
from packetkit.targets import javascript

BROWSERS = {"chromium": "chromium", "firefox": "firefox-esr"}
SHIPPED = sorted(entry.name for entry in resource("schemas").iterdir() if entry.name.endswith(".yaml"))
LARGEST_BYTES = 400_000
# Seconds of listening, milliseconds on the air, gap, cadence, share of the hour; and frames, by hand.
COUNTS = (
    ((400, 370.688, 0, 0, None), 1079),  # 400 / 0.370688 = 1079.07
    ((400, 370.688, 0.1, 0, None), 849),  # 400 / 0.470688 = 849.8
    ((400, 370.688, 0.1, 60, None), 6),
    ((400, 370.688, 0, 0, 0.01), 97),  # 1 % of the whole hour: 36 / 0.370688 = 97.1
    ((7200, 370.688, 0, 0, 0.01), 194),  # of two hours: 72 / 0.370688 = 194.2
    ((400, 370.688, 0, 60, 0.01), 6),
)
SIZES = (0, 1, 21, 24, 72, 222, 255)

# Every character that could end what it stands in.
HOSTILE = """
mission: hostile
description: "<script>self.ran=1</script></script><img src=x onerror=self.ran=1> & \\"q\\" ' ` \\u202eback \\u05d0 <!-- %CODEC% %SCRIPT%"
frames:
  one:
    description: "</script><script>self.ran=2</script>"
    fields:
      - {name: level, minimum: 0, maximum: 12.5, resolution: 0.5, unit: "<b>&"}
      - {name: mode, bits: 3, states: {0: off, 1: on}}
      - {name: check, kind: check, algorithm: CRC-8/SMBUS}
"""

# Frames whose length varies: a length, a text, variants told by a tag and in turn, a bundle, a time, octets.
VARIED = """
mission: varied
frames:
  mixed:
    fields:
      - {name: tag, kind: tag, bits: 4, code: [1, 2, 3]}
      - {name: sequence, bits: 12, role: sequence}
      - {name: taken_at, kind: time, bits: 32, tick_s: 1, epoch: 2020-01-01T00:00:00Z, leap_seconds: not_counted}
      - {name: size, kind: length, bits: 8, measures: body, in: bytes}
      - name: body
        group:
          - {name: call, kind: text, length: 6, fill: " "}
          - name: payload
            told_by: [tag]
            variants:
              - {name: note, when: {tag: 1}, group: [{name: words, kind: text, encoding: utf_8, length: rest}]}
              - {name: levels, when: {tag: 2}, group: [{name: level, bits: 8, unit: V, scale: 0.1}]}
      - name: slow
        told_by: sequence
        in_turn: true
        variants:
          - {name: warm, group: [{name: heater, bits: 8}]}
          - {name: light, group: [{name: panel, bits: 8}]}
      - {name: pressure, bundle: {samples: 4, maximum_step: 3}, minimum: 300, maximum: 1100, resolution: 1, unit: hPa}
      - {kind: reserved, up_to: byte}
      - {name: key, kind: bytes, length: 2}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""


def written(schema: str, place: Path) -> Path:
    assert main(["explore", schema, "-o", str(place)]) == 0
    return place


def cases(mission: packetkit.Mission) -> list[list[Any]]:
    """Vectors for the page's codec: records that are sent, and bytes, good and damaged."""
    declared = {frame.name: frame for frame in mission.declared.frames}
    made = vectors.made(
        mission, lambda name: judges.oracle(declared[name], mission.layouts[name]), cases=generate.few
    )
    found = []
    for frame in made.frames:
        for case in frame.cases:
            if case.data is not None:
                found += [[frame.name, case.data.hex(), False], [frame.name, case.data[:-1].hex(), False]]
                damaged = bytes([case.data[0] ^ 1]) + case.data[1:]
                found.append([frame.name, damaged.hex(), False])
            if case.data is not None and isinstance(case.back, dict):
                found.append([frame.name, case.back, True])
    return found


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The pages of all examples, and a hostile one."""
    made = tmp_path_factory.mktemp("pages")
    for name in SHIPPED:
        written(str(resource(f"schemas/{name}")), made / name.replace(".yaml", ".html"))
    (made / "hostile.yaml").write_text(HOSTILE, encoding="utf-8")
    written(str(made / "hostile.yaml"), made / "hostile.html")
    (made / "varied.yaml").write_text(VARIED, encoding="utf-8")
    written(str(made / "varied.yaml"), made / "varied.html")
    return made


@pytest.fixture(scope="module")
def job(place: Path) -> dict[str, Any]:
    """What the browsers are told to do, the same for both."""
    missions = {name: packetkit.parse(resource(f"schemas/{name}").read_bytes()) for name in SHIPPED}
    record: dict[str, Any] = (
        missions["heron.yaml"]
        .frames["housekeeping"]
        .decode(bytes.fromhex("d391132 0debdc7eef75afe906707ae2a8772f08ba1".replace(" ", "")))
    )
    record["power"]["cell_voltage"] = 3.3
    pasted = missions["heron.yaml"].frames["housekeeping"].encode(record).hex()
    return {
        "page": str(place / "heron.html"),
        "hostile": str(place / "hostile.html"),
        "varied": {
            "page": str(place / "varied.html"),
            "variant": ["variant-body.payload", "levels"],
            "typed": [
                ["value-body.payload.levels.level", "12.34"],
                ["value-body.call", "HELLO"],
                ["value-taken_at", "2031-02-03T04:05:06Z"],
                ["value-pressure[1]", "702"],
                ["value-sequence", "3"],
                ["value-slow.light.panel", "77"],
                ["value-key", "beef"],
            ],
        },
        "value": {
            "id": "value-power.cell_voltage",
            "address": "power.cell_voltage",
            "given": "3.715",
            "wrong": "many",
        },
        "pasted": pasted,
        "bit": 90,
        "edit": {"address": "power.panel_current", "step": "0.5", "spreading_factor": "9"},
        "lost": 50,
        "sizes": SIZES,
        "counts": [asked for asked, _ in COUNTS],
        "vectors": [
            {
                "page": str(place / name.replace(".yaml", ".html")),
                "variable": javascript.variable_name(mission.name),
                "cases": cases(mission),
            }
            for name, mission in missions.items()
        ],
    }


@pytest.fixture(scope="module", params=BROWSERS)
def seen(
    request: pytest.FixtureRequest, job: dict[str, Any], tmp_path_factory: pytest.TempPathFactory
) -> dict[str, Any]:
    """What a browser saw."""
    browser = request.param
    executable = shutil.which(BROWSERS[browser])
    assert executable is not None, f"{BROWSERS[browser]} is not installed; tests/run --install adds it"
    home = tmp_path_factory.mktemp(browser)
    task = home / "job.json"
    task.write_text(json.dumps({**job, "shots": str(home)}), encoding="utf-8")
    script = str(Path(__file__).with_name("drive.js"))
    done = subprocess.run(
        ["node", script, browser, executable, str(task)],
        capture_output=True, text=True, check=False, timeout=240, env={**os.environ, "HOME": str(home)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    found: dict[str, Any] = json.loads(done.stdout)
    print({key: found.get(key) for key in ("ready_ms", "keystroke_ms", "widths")})
    return {**found, "browser": browser}


def heron() -> packetkit.Mission:
    return packetkit.parse(resource("schemas/heron.yaml").read_bytes())


def test_nothing_breaks_and_nothing_is_asked_of_a_network(seen: dict[str, Any]) -> None:
    assert seen["errors"] == [] and seen["first"] == "The frame is good."


def test_a_value_is_shown_as_it_is_sent(seen: dict[str, Any]) -> None:
    # By hand: 3.715 V is (3.715 - 2.5) / 0.02 = 60.75 steps; the nearest is 61, 3.72 V, 0.005 off.
    assert seen["value"][2:6] == ["61", "7", "3.72 V", "0.005"]
    record = heron().frames["housekeeping"].decode(bytes.fromhex(seen["hex"]))
    assert record["power"]["cell_voltage"] == 3.72
    assert "power.cell_voltage" in seen["fault"] and "many" in seen["fault"]


def test_pasted_bytes_are_shown_field_by_field(seen: dict[str, Any]) -> None:
    assert seen["pasted"]["status"] == "The frame is good." and seen["pasted"]["row"][4] == "3.3 V"
    assert "pairs of the digits" in seen["junk"]


def test_a_bit_turned_over_by_click_and_by_key_is_noticed(seen: dict[str, Any]) -> None:
    assert seen["flipped"]["status"] == "Not a good frame: check failed. Turned over: 1."
    notices = {row[0]: row[3] for row in seen["flipped"]["checks"][1:]}
    assert set(notices.values()) == {"yes"}  # one bit: every check there is notices it
    named = [row[0].partition(", the frame's own")[0] for row in seen["flipped"]["checks"][1:]]
    assert len(set(named)) == len(named)
    assert seen["keyboard"] == {"status": "Not a good frame: check failed. Turned over: 2.", "focused": "91"}
    assert seen["home"] == "0" and seen["mended"] == "The frame is good." and seen["tabs"] == 1


def test_damage_is_counted_as_textbooks_have_it(seen: dict[str, Any]) -> None:
    assert all(row[1:] == ["0", "200"] for row in seen["one"][1:])
    swapped = {row[0]: (int(row[1]), int(row[2])) for row in seen["swapped"][1:]}
    # Sums and parity do not know an order of bytes: they miss every swap. CRCs and Fletcher's sums do; the latter take 00 for FF.
    for blind in ("parity", "exclusive or of bytes", "sum of bytes"):
        assert swapped[blind][0] == swapped[blind][1] > 100
    assert swapped["CRC-16/IBM-3740, the frame's own"][0] == 0 and swapped["Fletcher-16"][0] < 10


def test_the_checks_give_the_catalogues_values(seen: dict[str, Any]) -> None:
    values = dict(seen["checks"])
    for name in ("CRC-8/SMBUS", "CRC-16/IBM-3740", "CRC-32/ISO-HDLC"):
        assert values[name] == find(name).check
    assert (
        values["CRC-16/IBM-3740"]
        == crcmod.predefined.mkPredefinedCrcFun("crc-ccitt-false")(b"123456789")
        == 0x29B1
    )
    assert values["sum of bytes"] == sum(b"123456789") & 255
    assert values["Fletcher-16"] == find("Fletcher-16").check


def test_the_division_ends_in_the_frames_own_check(seen: dict[str, Any], job: dict[str, Any]) -> None:
    stored = job["pasted"][-4:].upper()
    assert seen["division"].splitlines()[-1].endswith(f"finished: 0x{stored}")
    lines = seen["division"].splitlines()
    remainder = lines[-3].strip()
    assert len(remainder) == 16 and int(remainder, 2) == int(stored, 16)  # this check has no final xor


def test_a_finer_step_costs_what_check_says(seen: dict[str, Any], tmp_path: Path) -> None:
    # By hand: 510 mA in steps of 0.5 are 1021 codes and one for missing, 10 bits for 9. Of 168 bits 4 are spare: 165 of 21 bytes.
    edits = {row[0]: row[3:] for row in seen["edits"][1:]}
    assert edits["power.panel_current"] == ["9", "10"]
    costs = {row[0]: row[1:] for row in seen["costs"][1:]}
    passes = heron().passes
    assert passes is not None
    window = window_of(passes)
    assert costs["time on air"][0] == "370.688 ms"
    wanted = float(time_on_air(Setting(9, 125), int(costs["bytes of the frame"][1])) * 1000)
    assert costs["time on air"][1] == f"{wanted:g} ms"
    # What stands after "one after another" counts no cadence; that has rows of its own. The gap is 0.1 s.
    assert window.duration_s // (Fraction("0.370688") + Fraction("0.1")) == int(costs["frames in a pass"][0])
    assert costs["frames in a pass, one every 60 s"] == [str(window.duration_s // 60)] * 2
    assert int(costs["frames in a pass"][1]) > int(costs["frames in a pass"][0])  # SF9 is faster
    schema = tmp_path / "heron.yaml"
    schema.write_text(seen["schema"], encoding="utf-8")
    changed = packetkit.load(str(schema))
    assert main(["check", str(schema)]) == 0
    slot = next(one for one in changed.layouts["housekeeping"].slots if one.address == "power.panel_current")
    assert (
        slot.width == 10 and changed.link.setting is not None and changed.link.setting.spreading_factor == 9
    )
    assert str(changed.layouts["housekeeping"].size_bytes) == costs["bytes of the frame"][1]


def test_frames_of_a_pass_keep_to_gap_cadence_and_share_of_the_hour(seen: dict[str, Any]) -> None:
    assert seen["counts"] == [frames for _, frames in COUNTS]


def test_times_on_air_are_those_of_packetkit_at_every_setting(seen: dict[str, Any]) -> None:
    assert len(seen["airtimes"]) > 250
    for factor, width, rate, found in seen["airtimes"]:
        setting = Setting(factor, bandwidth(Fraction(width) if "." not in width else width), coding_rate=rate)
        for size, milliseconds in zip(SIZES, found, strict=True):
            assert milliseconds == pytest.approx(float(time_on_air(setting, size) * 1000), rel=1e-12)


def test_a_lost_byte_takes_along_what_the_framing_cannot_find_again(seen: dict[str, Any]) -> None:
    slots, search, between = seen["streams"]  # byte 50 of frames of 21 bytes is in the third
    assert slots == [False, False, True, True, True, True]
    assert search == between == [False, False, True, False, False, False]


def test_the_page_speaks_german_and_readers_find_no_serious_fault(seen: dict[str, Any]) -> None:
    assert seen["german"] == {"heading": "Werte", "status": "Der Rahmen ist in Ordnung.", "lang": "de"}
    assert [one for one in seen["axe"] if one[1] in ("serious", "critical")] == []


def test_no_name_on_the_strip_is_cut(seen: dict[str, Any]) -> None:
    assert seen["names"]["all"] > 10 and seen["names"]["cut"] == []


def test_it_fits_a_phone_and_a_projector_and_prints(seen: dict[str, Any]) -> None:
    assert seen["widths"]["360"] <= 360 and seen["widths"]["1920"] <= 1920
    if seen["browser"] == "chromium":
        assert seen["pdf"] > 10_000


def test_all_vectors_go_through_the_pages_codec(seen: dict[str, Any], job: dict[str, Any]) -> None:
    for name, asked, found in zip(SHIPPED, job["vectors"], seen["vectors"], strict=True):
        mission = packetkit.parse(resource(f"schemas/{name}").read_bytes())
        for (frame, subject, is_record), answer in zip(asked["cases"], found, strict=True):
            codec = mission.frames[frame]
            if is_record:
                assert answer == codec.encode(subject).hex()
                continue
            assert same(answered(codec, bytes.fromhex(subject)), answer)


def answered(codec: Any, data: bytes) -> Any:
    """What this installation's codec says of bytes."""
    try:
        return codec.decode(data)
    except packetkit.DecodeError as no:
        return {"reason": no.reason}


def test_text_of_a_schema_is_text(seen: dict[str, Any]) -> None:
    hostile = seen["hostile"]
    assert hostile["ran"] == "undefined" and hostile["images"] == 0 and hostile["scripts"] == 3
    assert (
        hostile["words"] == "</script><script>self.ran=2</script>"
        and hostile["status"] == "The frame is good."
    )


def test_frames_that_vary_are_edited_and_shown(seen: dict[str, Any]) -> None:
    varied = seen["varied"]
    assert varied["first"] == varied["status"] == "The frame is good." and varied["faults"] == ""
    record = packetkit.parse(VARIED).frames["mixed"].decode(bytes.fromhex(varied["hex"]))
    assert record == {
        "tag": 2,
        "sequence": 3,
        "taken_at": "2031-02-03T04:05:06Z",
        "body": {"call": "HELLO", "payload": {"levels": {"level": 12.3}}},
        "slow": {"light": {"panel": 77}},  # 3 is odd: the second one's turn
        "pressure": [700, 702, 700, 700],
        "key": b"\xbe\xef",
    }
    rows = {row[0]: row[2:5] for row in varied["rows"][1:]}
    assert rows["body.payload.levels.level"] == ["123", "8", "12.3 V"]
    assert rows["body.call"] == ["48454c4c4f20", "48", "HELLO"] and rows["pressure[1]"] == ["", "", "702 hPa"]
    assert rows["slow.warm.heater"] == ["", "", ""]  # not its turn
    assert varied["names"].count("call") == 6 and varied["names"].count("key") == 2


def test_the_page_is_small_and_its_codec_the_targets_byte_for_byte(place: Path) -> None:
    for name in SHIPPED:
        mission = packetkit.parse(resource(f"schemas/{name}").read_bytes())
        text = (place / name.replace(".yaml", ".html")).read_text(encoding="utf-8")
        assert len(text.encode()) < LARGEST_BYTES
        dossier = Dossier(mission.name, mission.fingerprint, "", "", mission.outside)
        assert javascript.module(mission.layouts, dossier) in text
