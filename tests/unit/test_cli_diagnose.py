"""`packetkit diagnose`: the right cause of seeded faults, flips that are offered, and what a user sees."""

from __future__ import annotations

import gzip
import json
import os
import re
import subprocess
import sys
from fractions import Fraction
from itertools import accumulate
from pathlib import Path
from random import Random
from typing import Any

import jsonschema
import pytest

import packetkit
from packetkit.captures.diagnose import diagnose
from packetkit.captures.flips import flips
from packetkit.cli.main import main
from packetkit.conformance.simulate import Channel, simulate
from packetkit.errors import InputError
from packetkit.framing.slip import KISS, SLIP
from packetkit.mission.load import parse
from packetkit.resources import resource
from tests.campaigns import diagnosis

SCHEMA = json.loads(
    (Path(__file__).resolve().parents[1] / "documents/json/diagnose.schema.json").read_text("utf-8")
)
SEED = 2041


@pytest.mark.slow
@pytest.mark.parametrize("kind", diagnosis.KINDS, ids=lambda kind: kind.__name__)
def test_the_right_cause_of_a_seeded_fault_comes_first(kind: diagnosis.Kind) -> None:
    """One of each kind; 200 of them are the campaign `diagnosis`."""
    faulty = kind(Random(f"{SEED} {kind.__name__}"))
    found = diagnose(faulty.ground, faulty.data, faulty.frame)
    assert diagnosis.rank(faulty) == 0, [(one.kinds, one.score) for one in found[:3]]


INVERTED = bytes(range(255, -1, -1))
MIRRORED = bytes(int(f"{octet:08b}"[::-1], 2) for octet in range(256))


@pytest.mark.slow
@pytest.mark.parametrize("name", ["first-light", "plover", "heron"])
@pytest.mark.parametrize("damage", [Fraction(1, 50), Fraction(3, 10)], ids=str)
def test_nothing_is_wrong_with_good_captures_of_the_shipped_missions(name: str, damage: Fraction) -> None:
    """Damage, loss and restarts are no cause, however small the frames are and whatever their values do."""
    mission = packetkit.load(str(resource(f"schemas/{name}.yaml")))
    for seed in (1, 2, 3):
        sent = simulate(mission.frames, Fraction(600), Channel(damage=damage), seed)
        data = b"".join(one.data for one in sent if one.offset is not None)
        assert [one.kinds for one in diagnose(mission, data)[:1]] == [()], seed


@pytest.mark.slow
@pytest.mark.parametrize("name", ["first-light", "plover", "heron"])
@pytest.mark.parametrize(
    ("tables", "kinds"),
    [
        ((INVERTED,), {"inverted bits"}),
        ((MIRRORED,), {"bit order"}),
        ((INVERTED, MIRRORED), {"inverted bits", "bit order"}),
    ],
)
def test_turned_octets_of_the_shipped_captures_are_no_other_check(
    name: str, tables: tuple[bytes, ...], kinds: set[str]
) -> None:
    """A frame of one length and no constants agrees with another CRC too once its bits are inverted; its values do not."""
    mission = packetkit.load(str(resource(f"schemas/{name}.yaml")))
    data = resource(f"schemas/{name}.capture").read_bytes()
    for table in tables:
        data = data.translate(table)
    assert set(diagnose(mission, data)[0].kinds) == kinds


@pytest.mark.parametrize("octet", [0x00, 0xFF, 0x5A])
def test_one_octet_over_and_over_has_no_cause(octet: int) -> None:
    mission = packetkit.load(str(resource("schemas/first-light.yaml")))
    assert diagnose(mission, bytes([octet]) * 700) == ()


def test_a_single_flip_is_found_with_what_chance_would_give() -> None:
    unit = diagnosis.drawn(Random(3))
    mission = parse(unit.text)
    good = diagnosis.sent(unit, Random(3), damage=0)[5]
    hurt = bytearray(good)
    hurt[6] ^= 0x10
    found = flips(mission.frame().layout, bytes(hurt))
    assert (6 * 8 + 3,) in found.found
    assert (
        0 < found.by_chance < 1
    )  # some 10,000 pairs and 16 or 32 bits of check, of which legal values leave a part
    double = bytearray(hurt)
    double[9] ^= 0x01
    assert (6 * 8 + 3, 9 * 8 + 7) in flips(mission.frame().layout, bytes(double)).found


@pytest.mark.parametrize("algorithm", ["SUM-8", "SUM-16/INTERNET", "FLETCHER-16"])
def test_a_flip_under_a_sum_is_found_by_trying_each_bit(algorithm: str) -> None:
    check = f"{{name: check, kind: check, algorithm: {algorithm}}}"
    fields = f"[{{name: sync, kind: sync, bits: 16, code: 0x1ACF}}, {{name: n, bits: 48}}, {check}]"
    frame = parse(f"mission: m\nframes:\n  f:\n    fields: {fields}\n").frame()
    hurt = bytearray(frame.encode({"n": 0x123456789ABC}))
    hurt[4] ^= 0x08
    found = flips(frame.layout, bytes(hurt))
    assert (4 * 8 + 4,) in found.found and found.looked_for == 1


def test_where_flips_were_not_looked_for_it_is_said(run: Any) -> None:
    text = (
        "mission: m\nframes:\n  f:\n    fields:\n      - {name: sync, kind: sync, bits: 32, code: 0x1ACFFC1D}\n"
        "      - {name: octets, kind: bytes, length: 300}\n      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}\n"
    )
    sent = parse(text).frame().encode({"octets": bytes(range(100)) * 3})
    _, out, _ = run(text, sent * 7 + sent[:50] + b"\xff" + sent[51:] + sent)
    assert "Flips are not looked for: it has more than 2,048 bits." in " ".join(out.split())


def test_flips_of_a_good_frame_or_of_a_frame_without_a_check_are_none() -> None:
    text = "mission: m\nframes:\n  f:\n    fields:\n      - {name: x, bits: 16}\n"
    assert not flips(parse(text).frame().layout, b"ab").found


def test_no_bytes_are_refused() -> None:
    with pytest.raises(InputError, match="no bytes to diagnose"):
        diagnose(parse(diagnosis.drawn(Random(1)).text), b"")


@pytest.fixture
def run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Any:
    def call(text: str, data: bytes, *arguments: str) -> tuple[int, str, str]:
        schema, capture = tmp_path / "schema.yaml", tmp_path / "capture"
        schema.write_text(text, encoding="utf-8")
        capture.write_bytes(data)
        status = main(["diagnose", str(schema), str(capture), *arguments])
        told = capsys.readouterr()
        return status, told.out, told.err

    return call


def test_a_person_reads_the_cause_its_evidence_and_an_example(run: Any) -> None:
    faulty = diagnosis.inverted(Random(4))
    status, out, _ = run(faulty.unit.text, faulty.data)
    assert status == 1 and "1. Inverted bits: every bit is inverted." in out
    assert "good frames: " in out and "remedy: " in out and "The first good frame under 1, report:" in out


def test_nothing_wrong_is_an_answer_and_flips_are_offered(run: Any) -> None:
    unit = diagnosis.drawn(Random(5))
    sent = diagnosis.sent(unit, Random(5), damage=0)
    hurt = bytearray(b"".join(sent))
    hurt[len(sent[0]) + 5] ^= 4
    status, out, _ = run(unit.text, bytes(hurt))
    plain = " ".join(out.split())
    assert status == 0 and "1. Nothing is wrong with how it is read; single frames came damaged." in out
    assert f"The frame at byte {len(sent[0])} failed its check." in plain and "Nothing is changed" in plain
    status, out, _ = run(unit.text, bytes(hurt), "--json")
    made = json.loads(out)
    jsonschema.validate(made, SCHEMA)
    assert made["nothing_wrong"] and [45] in made["flips"][0]["found"]


def test_none_of_these_is_an_answer(run: Any) -> None:
    status, out, _ = run(diagnosis.drawn(Random(6)).text, Random(6).randbytes(700))
    assert status == 1 and "None of these causes explains it" in out
    status, out, _ = run(diagnosis.drawn(Random(6)).text, b"\xff\x00\x81", "--json")
    jsonschema.validate(json.loads(out), SCHEMA)


def test_misuse_is_told(run: Any) -> None:
    text = diagnosis.drawn(Random(6)).text
    for data, arguments, words in (
        (b"", (), "no bytes to diagnose"),
        (b"\xff", ("--frame", "none"), "has no frame 'none': report"),
        (b"\xff", ("--from", "hex"), "this is no text"),
        (b"abcd1234", (), "this can be read as hex and as base64"),
    ):
        status, out, told = run(text, data, *arguments)
        assert status == 2 and words in told and not out


OPEN = "mission: m\nframes:\n  f:\n    fields:\n      - {name: depth, bits: 16}\n      - {name: note, kind: text, length: rest}\n"
SUPPLIED = (
    "mission: m\nframes:\n  f:\n    fields:\n      - {name: depth, bits: 16}\n"
    "      - {name: station, kind: supplied, bits: 12}\n"
    "      - {name: check, kind: check, algorithm: CRC-16/IBM-3740, mixed_with: station}\n"
)
SPLIT = (
    "mission: m\nframes:\n  f:\n    fields:\n      - name: pair\n        group:\n"
    "          - {name: wide, runs: [[0, 8], [12, 8]]}\n          - {name: low, bits: 4}\n"
    "          - {name: rest, bits: 4}\n"
    "      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}\n"
)


@pytest.mark.parametrize(
    ("text", "data", "cause"),
    [
        (OPEN, b"\x01\x02hello", "Nothing is wrong with it."),
        (OPEN, b"\x01", "None of these causes"),
        (
            SUPPLIED,
            parse(SUPPLIED).frame().encode({"depth": 258, "station": 77}),
            "Nothing is wrong with it.",
        ),
        (SPLIT, bytes.fromhex("0103 0204 9999") * 4, "None of these causes"),
    ],
    ids=["to the end", "too short", "supplied", "split"],
)
def test_frames_that_are_the_whole_input_and_split_fields_are_diagnosed(
    text: str, data: bytes, cause: str, run: Any
) -> None:
    _, out, err = run(text, data)
    assert cause in out, err
    assert not err


PLOVER = resource("schemas/plover.yaml").read_text("utf-8")


def plover(minutes: int = 60) -> list[bytes]:
    """Frames of 30 bytes, all good."""
    none = Fraction(0)
    sent = simulate(parse(PLOVER).frames, Fraction(60 * minutes), Channel(none, none, none, none, 0), SEED)
    return [one.data for one in sent]


def test_a_frame_that_the_end_of_the_look_cuts_is_no_failed_one(run: Any) -> None:
    heron, none = resource("schemas/heron.yaml").read_text("utf-8"), Fraction(0)
    sent = simulate(parse(heron).frames, Fraction(1800), Channel(none, none, none, none, 0), SEED)
    data = b"".join(one.data for one in sent)  # of several sizes, so that 6,000 bytes end inside one
    ends = [*accumulate(len(one.data) for one in sent)]
    assert 6_000 not in ends and len(data) > 6_000
    status, out, _ = run(heron, data, "--json")
    made = json.loads(out)
    jsonschema.validate(made, SCHEMA)
    assert status == 0 and made["nothing_wrong"]
    assert [one["failed_frames"] for one in made["explanations"][:1]] == [0]
    assert len(made["looked_at"]) >= 2 and all(one["good_share"] > 0.98 for one in made["looked_at"])
    _, out, _ = run(heron, data)
    assert "Looked at 6,000 of them in each of " in " ".join(out.split())


@pytest.mark.parametrize("where", ["end", "start"])
def test_what_is_wrong_is_looked_for_where_fewest_bytes_are_good_frames(where: str, run: Any) -> None:
    good = b"".join(plover(120))
    bad = good.translate(INVERTED)
    status, out, _ = run(PLOVER, good + bad if where == "end" else bad + good, "--json")
    made = json.loads(out)
    assert status == 1 and made["explanations"][0]["causes"][0]["kind"] == "inverted bits"
    shares = [one["good_share"] for one in made["looked_at"]]
    assert max(shares) > 0.98 and min(shares) == 0 and len(shares) == 3


def test_a_start_of_one_octet_over_and_over_is_passed_over(run: Any) -> None:
    status, out, _ = run(PLOVER, bytes(7000) + b"".join(plover()))
    assert status == 0 and "from 0 (one octet over and over)" in " ".join(out.split())
    assert "1. Nothing is wrong with it." in out


def test_lost_bytes_that_no_cause_explains_are_not_called_nothing(run: Any) -> None:
    data = b"".join(one.replace(b"\0", b"") for one in plover())
    status, out, _ = run(PLOVER, data)
    said = " ".join(out.split())
    assert status == 1 and "Nothing is wrong" not in said
    assert "% of the bytes are in none that is good; no cause known here explains it." in said


@pytest.mark.skipif(os.name == "nt", reason="the command is written for a shell of POSIX")
def test_line_feeds_that_became_two_octets_are_a_cause_and_the_command_mends_them(
    run: Any, tmp_path: Path
) -> None:
    data = b"".join(plover())
    status, out, _ = run(PLOVER, data.replace(b"\n", b"\r\n"))
    assert status == 1 and "1. Line ends: " in out
    assert mended(out, data.replace(b"\n", b"\r\n"), tmp_path) == data


def mended(out: str, data: bytes, tmp_path: Path) -> bytes:
    """What the first command that was told makes of a capture."""
    (tmp_path / "CAPTURE").write_bytes(data)
    line = next(one for one in out.splitlines() if one.startswith("   python -c "))
    subprocess.run(line.replace("python", sys.executable, 1), shell=True, check=True, cwd=tmp_path)
    return (tmp_path / "MENDED").read_bytes()


@pytest.mark.skipif(os.name == "nt", reason="the command is written for a shell of POSIX")
@pytest.mark.parametrize(
    ("cause", "spoil"),
    [
        ("Inverted bits", lambda data: data.translate(INVERTED)),
        ("Bit order", lambda data: data.translate(MIRRORED)),
        ("Byte order", lambda data: b"".join(data[i : i + 2][::-1] for i in range(0, len(data), 2))),
        ("Hex of hex", lambda data: data.hex().encode().hex().encode()),
    ],
)
def test_a_recorded_file_is_mended_by_the_command_that_is_told(
    cause: str, spoil: Any, run: Any, tmp_path: Path
) -> None:
    data = b"".join(plover(20))
    hurt = spoil(data)
    more = ("--from", "hex") if cause == "Hex of hex" else ()
    _, out, _ = run(PLOVER, hurt, *more)
    assert f"1. {cause}: " in out
    assert mended(out, bytes.fromhex(hurt.decode()) if more else hurt, tmp_path) == data


@pytest.mark.slow
def test_the_remedy_of_a_check_names_what_to_write(run: Any) -> None:
    data = b"".join(one[:-2] + one[:-3:-1] for one in plover())
    _, out, _ = run(PLOVER, data)
    assert "1. Check order: " in out
    (stored,) = re.findall(r"remedy: .*(stored: \w+)", out)
    mended = PLOVER.replace("kind: check, ", f"kind: check, {stored}, ")
    assert mended != PLOVER and run(mended, data)[0] == 0


@pytest.mark.slow
@pytest.mark.parametrize(
    ("form", "wrapped"),
    [
        ("slip", lambda frames: b"".join(map(SLIP.wrap, frames))),
        ("kiss", lambda frames: b"".join(map(KISS.wrap, frames))),
        ("lines", lambda frames: b"".join(b"rssi=-97 data=" + one.hex().encode() + b"\n" for one in frames)),
        (
            "csv",
            lambda frames: b"payload\n" + b"".join(one.hex().encode() + b"\n" for one in frames),
        ),
    ],
)
def test_a_framed_capture_is_called_one(form: str, wrapped: Any, run: Any) -> None:
    frames = plover(20)
    status, out, _ = run(PLOVER, wrapped(frames))
    assert (
        status == 1
        and f"It is framed, or a log: decode --from {form} reads {len(frames)} good frames."
        in " ".join(out.split())
    )
    status, out, _ = run(PLOVER, wrapped(frames), "--json")
    made = json.loads(out)
    jsonschema.validate(made, SCHEMA)
    assert (made["framed_as"], made["framed_good_frames"], made["explanations"]) == (form, len(frames), [])


def test_a_packed_capture_is_unpacked_as_decode_does(run: Any) -> None:
    packed = gzip.compress(b"".join(plover()))
    status, out, _ = run(PLOVER, packed, "--json")
    made = json.loads(out)
    jsonschema.validate(made, SCHEMA)
    assert status == 0 and made["read_as"] == "binary in gzip" and made["cut"] is None
    status, out, _ = run(PLOVER, packed[:-9])
    assert status == 1 and "The gzip data ends too early" in out


def test_frames_that_any_bytes_are_are_told_by_diagnose_and_decode(
    run: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plain = "mission: m\nframes:\n  plain:\n    fields:\n      - {name: a, bits: 8}\n      - {name: b, bits: 16}\n"
    told = "plain has no check and no sync marker: any bytes of its size are a good frame, so damage goes unnoticed."
    _, out, _ = run(plain, Random(1).randbytes(300))
    assert told in " ".join(out.split())
    main(["decode", str(tmp_path / "schema.yaml"), str(tmp_path / "capture")])
    assert told in " ".join(capsys.readouterr().out.split())
    _, out, _ = run(PLOVER, b"".join(plover(5)))
    assert "unnoticed" not in out


def test_digits_0_and_1_are_no_hexadecimal_unasked(
    run: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    synced = (
        "mission: m\nframes:\n  f:\n    fields:\n      - {name: sync, kind: sync, bits: 16, code: 0xD391}\n"
    )
    synced += "      - {name: n, bits: 16}\n      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}\n"
    frames = [parse(synced).frame().encode({"n": n}) for n in range(8)]
    text = "".join(f"{octet:08b}" for one in frames for octet in one).encode()
    status, out, _ = run(synced, text)
    assert status == 1 and "decode --from bits reads 8 good frames." in " ".join(out.split())
    assert main(["decode", str(tmp_path / "schema.yaml"), str(tmp_path / "capture")]) == 2
    err = capsys.readouterr().err
    assert (
        "--from bits: 384 bits\n      good frames: 8 f; failed: 0" in err and "--from hex: 192 bytes" in err
    )
