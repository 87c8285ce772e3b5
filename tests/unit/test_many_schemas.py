"""Several schemas at once: one capture of many teams becomes a table for each, and nothing of it is guessed or lost."""

from __future__ import annotations

import csv
import json
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import packetkit
from packetkit.captures.many import Teams, teams
from packetkit.captures.stream import Event, Failed, Good, Skipped
from packetkit.cli.main import main
from packetkit.conformance.simulate import Channel, Sent, simulate
from packetkit.errors import InputError

DOCUMENTS = Path(__file__).parents[1] / "documents" / "json"

# Invented: a class of eight, each with its own sync marker and its own field.
NAMES = ("auk", "brent", "curlew", "dunlin", "eider", "fulmar", "godwit", "heron")
SCHEMA = """
mission: {name}
frames:
  report:
    cadence_s: 5
    fields:
      - {{name: sync, kind: sync, bits: 16, code: {code}}}
      - {{name: sequence, bits: 12, role: sequence}}
      - {{name: {name}_heat, minimum: -40, maximum: 62.3, resolution: 0.1, unit: Cel, missing: true}}
      - {{kind: reserved, up_to: byte}}
      - {{name: check, kind: check, algorithm: CRC-16/IBM-3740}}
"""
QUIET = Channel(Fraction(1, 10), Fraction(0), Fraction(0), Fraction(1, 20), 0)


def text_of(name: str, code: int | None = None) -> str:
    return SCHEMA.format(name=name, code=0xA500 + NAMES.index(name) if code is None else code)


def written(directory: Path, names: tuple[str, ...] = NAMES) -> list[str]:
    for name in names:
        (directory / f"{name}.yaml").write_text(text_of(name))
    return [str(directory / f"{name}.yaml") for name in names]


def of(*texts: str) -> Teams:
    return teams([(f"{number}.yaml", packetkit.parse(text)) for number, text in enumerate(texts)])


def heard(name: str, seed: int) -> list[Sent]:
    """What one team's unit sent, and what became of it."""
    return list(simulate(packetkit.parse(text_of(name)).frames, Fraction(300), QUIET, seed))


@pytest.fixture(scope="module")
def truth() -> dict[str, list[Sent]]:
    return {name: heard(name, seed) for seed, name in enumerate(NAMES)}


def mixed(truth: dict[str, list[Sent]], chance: Random) -> list[tuple[str, Sent]]:
    """The frames of all teams that arrived, each team's in order, the teams in any."""
    left = {name: [one for one in sent if one.offset is not None] for name, sent in truth.items()}
    made = []
    while any(left.values()):
        name = chance.choice([name for name, rest in left.items() if rest])
        made.append((name, left[name].pop(0)))
    return made


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as stream:
        return list(csv.DictReader(stream))


def lines(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text().splitlines()]


def test_a_mixed_capture_of_eight_teams_becomes_eight_tables(
    tmp_path: Path, truth: dict[str, list[Sent]], capsys: pytest.CaptureFixture[str]
) -> None:
    schemas = written(tmp_path)
    order = mixed(truth, Random(1))
    (tmp_path / "class.bin").write_bytes(b"".join(one.data for _, one in order))
    assert main(["decode", *schemas, str(tmp_path / "class.bin"), "-o", str(tmp_path / "day.csv")]) == 0
    assert "auk     report    " in capsys.readouterr().err
    for name in NAMES:
        arrived = [one.data for one in truth[name] if one.offset is not None]
        (tmp_path / "own.bin").write_bytes(b"".join(arrived))
        own = [str(tmp_path / f"{name}.yaml"), str(tmp_path / "own.bin")]
        assert main(["decode", *own, "-o", str(tmp_path / "own.csv")]) == 0
        its, alone = rows(tmp_path / f"day-{name}.csv"), rows(tmp_path / "own.csv")
        assert [{**row, "offset": ""} for row in its] == [{**row, "offset": ""} for row in alone]
    assert not (tmp_path / "day-no_frame.csv").exists()


def test_the_account_by_team_is_what_the_truth_says(
    tmp_path: Path, truth: dict[str, list[Sent]], capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "class.bin").write_bytes(b"".join(one.data for _, one in mixed(truth, Random(3))))
    assert main(["decode", *written(tmp_path), str(tmp_path / "class.bin"), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, json.loads((DOCUMENTS / "decode.schema.json").read_text()))
    continuity = {one["frame"]: one for one in document["continuity"]}
    for team in document["teams"]:
        fates = [one.fate for one in truth[team["team"]]]
        between = fates[fates.index("good") : len(fates) - fates[::-1].index("good")]
        assert team["frames"] == [{"frame": "report", "good_frames": fates.count("good"), "failed_frames": 0}]
        assert continuity[f"{team['team']}.report"]["missing_frames"] == between.count("lost")


@pytest.mark.parametrize("form", ["parquet", "sqlite", "jsonl"])
def test_other_forms_have_a_file_for_each_team_too(
    tmp_path: Path, form: str, truth: dict[str, list[Sent]]
) -> None:
    schemas = written(tmp_path, NAMES[:2])
    (tmp_path / "two.bin").write_bytes(
        b"".join(one.data for _, one in mixed({n: truth[n] for n in NAMES[:2]}, Random(2)))
    )
    assert main(["decode", *schemas, str(tmp_path / "two.bin"), "-o", str(tmp_path / f"day.{form}")]) == 0
    assert sorted(path.name for path in tmp_path.glob("day*")) == [f"day-auk.{form}", f"day-brent.{form}"]


def test_what_is_nobodys_is_kept_with_its_bytes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    schemas = written(tmp_path, NAMES[:2])
    frame = packetkit.parse(text_of("auk")).frame().encode({"sequence": 1, "auk_heat": 3.5})
    log = f"10:00:00 {frame.hex()}\n10:00:01 {'5a' * 9}\n"
    (tmp_path / "log").write_text(log)
    arguments = ["decode", *schemas, str(tmp_path / "log"), "--from", "lines", "-o"]
    assert main([*arguments, str(tmp_path / "day.csv")]) == 1
    assert "Unknown: 1 that are no frame of any schema." in capsys.readouterr().err
    (row,) = rows(tmp_path / "day-no_frame.csv")
    assert (row["received_time"], row["reason"], row["bytes"]) == ("10:00:01", "unknown", "5a" * 9)
    assert main([*arguments, str(tmp_path / "day.parquet")]) == 1
    from pyarrow import parquet

    assert parquet.read_table(tmp_path / "day-no_frame.parquet")["bytes"].to_pylist() == [b"\x5a" * 9]
    assert main([*arguments, str(tmp_path / "day.sqlite")]) == 1


def test_a_frame_that_two_schemas_claim_is_said_and_given_to_neither(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    schemas = written(tmp_path, NAMES[:1])
    (tmp_path / "twin.yaml").write_text(text_of("brent", 0xA500))
    frame = packetkit.parse(text_of("auk")).frame().encode({"sequence": 1, "auk_heat": 3.5})
    (tmp_path / "log").write_bytes(frame * 3)
    arguments = ["decode", *schemas, str(tmp_path / "twin.yaml"), str(tmp_path / "log")]
    assert main([*arguments, "-o", str(tmp_path / "day.jsonl")]) == 1
    assert "Contested: 3, each a good frame of auk.report and of brent.report" in capsys.readouterr().err
    kept = lines(tmp_path / "day-no_frame.jsonl")
    schema = json.loads((DOCUMENTS / "decode_line.schema.json").read_text())
    for line in kept:
        jsonschema.validate(line, schema)
    assert {(line["reason"], line["claimed"], line["bytes"]) for line in kept} == {
        ("contested", "auk.report or brent.report", frame.hex())
    }
    assert not (tmp_path / "day-auk.jsonl").read_text()
    assert main([*arguments, "--json"]) == 1
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, json.loads((DOCUMENTS / "decode.schema.json").read_text()))
    assert document["contested"] == [{"claims": ["auk.report", "brent.report"], "frames": 3}]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(
            {**document, "mission": "auk"}, json.loads((DOCUMENTS / "decode.schema.json").read_text())
        )


def told(event: Event) -> tuple[object, ...]:
    name = event.frame if isinstance(event, Good) else event.claimed if isinstance(event, Failed) else ""
    return type(event).__name__, name, event.offset, event.size


PIECES = st.lists(
    st.one_of(
        st.tuples(st.sampled_from(NAMES[:3]), st.integers(0, 4095)),
        st.binary(max_size=12),
        st.tuples(st.just(""), st.integers(0, 4095)),
    ),
    max_size=12,
)


@settings(max_examples=20)
@given(PIECES, st.lists(st.integers(0, 200), max_size=6))
def test_any_cut_of_a_mixed_stream_gives_the_same_events_which_cover_every_byte_once(
    pieces: list[Any], cuts: list[int]
) -> None:
    known = of(
        *(text_of(name) for name in NAMES[:3]), text_of("heron", 0xA500)
    )  # heron claims what auk sends
    data = b""
    for piece in pieces:
        if isinstance(piece, bytes):
            data += piece
        else:
            frame = packetkit.parse(text_of(piece[0] or "heron", None if piece[0] else 0xA500)).frame()
            data += frame.encode({"sequence": piece[1], f"{piece[0] or 'heron'}_heat": None})
    whole = list(known.events([data]))
    edges = sorted({0, len(data), *(cut for cut in cuts if cut < len(data))})
    cut = list(known.events(data[start:stop] for start, stop in pairwise(edges)))
    assert list(map(told, cut)) == list(map(told, whole))
    at = 0
    for event in whole:
        assert event.offset == at
        at += event.size
    assert at == len(data)
    assert all(
        event.claimed == "auk.report or heron.report"
        for event in whole
        if isinstance(event, Failed) and event.reason == "contested"
    )
    assert not any(isinstance(event, Good) and event.frame.startswith(("auk", "heron")) for event in whole)


MARKLESS = """
mission: bare
frames:
  report:
    fields: [{name: sequence, bits: 16}, {name: more, bits: 40}, {name: check, kind: check, algorithm: CRC-16/XMODEM}]
"""


def test_a_packet_is_the_team_s_whose_marker_it_carries() -> None:
    known = of(text_of("auk"), MARKLESS)
    frame = packetkit.parse(text_of("auk")).frame().encode({"sequence": 1, "auk_heat": 3.5})
    good = known.whole(frame)
    assert isinstance(good, Good) and good.frame == "auk.report"
    hurt = known.whole(frame[:-1] + bytes([frame[-1] ^ 1]))
    assert isinstance(hurt, Failed) and (hurt.claimed, hurt.reason) == ("auk.report", "check failed")
    bare = known.whole(bytes(range(9)))
    assert isinstance(bare, Failed) and (bare.claimed, bare.reason) == ("bare.report", "check failed")
    none = known.whole(bytes(4))
    assert isinstance(none, Failed) and (none.claimed, none.reason) == ("", "unknown")


def test_teams_of_one_mission_s_name_are_called_by_their_files() -> None:
    both = [
        ("a/first.yaml", packetkit.parse(text_of("auk"))),
        ("b/second.yaml", packetkit.parse(text_of("auk", 7))),
    ]
    assert list(teams(both).frames) == ["first.report", "second.report"]
    with pytest.raises(
        InputError, match=r"a/first.yaml and b/first.yaml are both called first, by mission and by file"
    ):
        teams([both[0], ("b/first.yaml", both[1][1])])


@pytest.mark.parametrize(
    ("more", "message"),
    [
        (["--frame", "report"], "a frame is TEAM.FRAME, and 'report' is none of auk.report, brent.report"),
        (["--serial", "7"], "--serial: there are no curves for '7'"),
        (["--known", "a=1"], "--known speaks of one schema's frames"),
        (["--variant", "a=b"], "it is TEAM.PART=NAME, and 'a' is none of auk, brent"),
        (["--variant", "auk.a=b"], "auk: a is no part whose variant is told from outside"),
    ],
)
def test_what_no_schema_has_is_refused_by_name(
    tmp_path: Path, more: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "log").write_bytes(b"")
    assert main(["decode", *written(tmp_path, NAMES[:2]), str(tmp_path / "log"), *more]) == 2
    assert message in " ".join(capsys.readouterr().err.split())


def test_the_input_stands_last_and_no_schema_is_taken_for_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    schemas = written(tmp_path, NAMES[:3])
    assert main(["decode", *schemas]) == 2
    assert "curlew.yaml is named like a schema" in " ".join(capsys.readouterr().err.split())
    assert main(["decode", schemas[0], schemas[0], schemas[1], "-"]) == 2
    assert "auk.yaml is named twice" in capsys.readouterr().err


def test_what_no_stream_shows_or_no_bytes_tell_is_refused_by_name() -> None:
    outside = text_of("auk").replace("cadence_s: 5", "told_by: outside")
    with pytest.raises(InputError, match="auk: which frame bytes hold is told from outside"):
        of(outside, text_of("brent"))


def test_files_of_teams_never_replace_an_input(tmp_path: Path) -> None:
    schemas = written(tmp_path, NAMES[:2])
    log = tmp_path / "day-auk.csv"
    log.write_bytes(b"\x00" * 4)
    assert main(["decode", *schemas, str(log), "--from", "binary", "-o", str(tmp_path / "day.csv")]) == 2
    assert log.read_bytes() == b"\x00" * 4


def test_skipped_bytes_are_nobodys_and_in_the_account_only() -> None:
    known = of(text_of("auk"), text_of("brent"))
    assert known.own(Skipped(0, 3)) == ("", Skipped(0, 3))


def test_a_packet_that_two_teams_claim_is_contested_too() -> None:
    known = of(text_of("auk"), text_of("brent", 0xA500))
    frame = packetkit.parse(text_of("auk")).frame().encode({"sequence": 1, "auk_heat": 3.5})
    found = known.whole(frame)
    assert isinstance(found, Failed)
    assert (found.claimed, found.reason, found.data) == ("auk.report or brent.report", "contested", frame)


def test_only_the_frames_that_are_named_are_looked_for(
    tmp_path: Path, truth: dict[str, list[Sent]], capsys: pytest.CaptureFixture[str]
) -> None:
    stream = b"".join(sent.data for _, sent in mixed(truth, Random(5)))
    (tmp_path / "log").write_bytes(stream)
    (tmp_path / "lines").write_text(
        "".join(f"data={sent.data.hex()}\n" for _, sent in mixed(truth, Random(5)))
    )
    asked = ["--frame", "auk.report", "--frame", "curlew.report"]
    arguments = ["decode", *written(tmp_path), *asked]
    assert main([*arguments, str(tmp_path / "log"), "-o", str(tmp_path / "x.csv")]) == 1
    capsys.readouterr()
    assert {path.name for path in tmp_path.glob("x-*.csv")} == {"x-auk.csv", "x-curlew.csv"}
    alone = ["decode", str(tmp_path / "auk.yaml"), str(tmp_path / "log"), "-o", str(tmp_path / "alone.csv")]
    assert main(alone) == 1
    assert rows(tmp_path / "alone.csv") == rows(tmp_path / "x-auk.csv")
    assert main([*arguments, str(tmp_path / "lines"), "--from", "lines", "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert set(found["good_by_frame"]) == {"auk.report", "curlew.report"}


def test_bits_hold_the_frames_of_several_teams_and_what_two_claim_is_neither_s(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    names = NAMES[:2]
    frames = {name: packetkit.parse(text_of(name)).frame() for name in names}
    sent = [
        frames[name].encode({"sequence": number, f"{name}_heat": 20}) for number, name in enumerate(names * 3)
    ]
    # Whole bytes do not line up: three bits stand in front, five between; the last frame comes inverted.
    bits = "011" + "10110".join(format(int.from_bytes(one, "big"), f"0{len(one) * 8}b") for one in sent[:-1])
    last = format(int.from_bytes(sent[-1], "big"), f"0{len(sent[-1]) * 8}b").translate({48: 49, 49: 48})
    (tmp_path / "log").write_text(bits + last)
    arguments = ["decode", *written(tmp_path, names), str(tmp_path / "log"), "--from", "bits", "--json"]
    assert main(arguments) == 1
    found = json.loads(capsys.readouterr().out)
    jsonschema.validate(found, json.loads((DOCUMENTS / "decode.schema.json").read_text()))
    assert found["good_by_frame"] == {"auk.report": 3, "brent.report": 3}
    assert [one["offset"] for one in found["frames"]][:2] == [3, 3 + len(sent[0]) * 8 + 5]
    for team in names:
        (tmp_path / f"{team}.yaml").write_text(text_of(team, 0xA5FF))
    same = packetkit.parse(text_of("auk", 0xA5FF)).frame()
    both = [same.encode({"sequence": number, "auk_heat": 20}) for number in range(6)]
    (tmp_path / "log").write_text(
        "011" + "".join(format(int.from_bytes(one, "big"), f"0{len(one) * 8}b") for one in both)
    )
    assert main(arguments) == 1
    found = json.loads(capsys.readouterr().out)
    assert found["contested"] == [{"claims": ["auk.report", "brent.report"], "frames": 6}]
    assert not found["good_by_frame"]


def test_a_serial_calibrates_the_frames_of_the_team_whose_unit_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    unit = """mission: wren
frames:
  only:
    fields:
      - {name: marker, kind: sync, bits: 16, code: 0xC3D4}
      - {name: heat, bits: 8, unit: Cel, calibration: {"W1": {points: [[0, 1], [255, 256]]}}}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""
    (tmp_path / "wren.yaml").write_text(unit)
    data = packetkit.parse(unit).frame().encode({"heat": 20})
    (tmp_path / "log").write_bytes(data)
    schemas = [str(tmp_path / "wren.yaml"), *written(tmp_path, NAMES[:1])]
    assert (
        main(["decode", *schemas, str(tmp_path / "log"), "--serial", "W1", "-o", str(tmp_path / "x.csv")])
        == 0
    )
    capsys.readouterr()
    assert rows(tmp_path / "x-wren.csv")[0]["heat calibrated"] == "21.0"
