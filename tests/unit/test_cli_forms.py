"""`packetkit decode --from`: each form of capture as a user meets it."""

from __future__ import annotations

import gzip
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from random import Random
from threading import Timer
from typing import Any

import jsonschema
import numpy as np
import pytest
import zstandard

import packetkit
from packetkit.cli import sources
from packetkit.cli.main import main
from packetkit.cli.wanted import Wanted
from packetkit.framing.cobs import COBS
from packetkit.framing.slip import KISS, SLIP
from packetkit.framing.stuffed import Stuffing
from packetkit.integrity import crc
from packetkit.integrity.catalog import find
from packetkit.resources import resource

PLACE = Path(packetkit.__file__).parent.parent
DOCUMENTS = Path(__file__).resolve().parent.parent / "documents" / "json"
FIRST = str(resource("schemas/first-light.yaml"))
FRAME = bytes.fromhex("0165b1803e5b")
SYNCED = (
    b"mission: m\nframes:\n  f:\n    fields:\n      - {name: sync, kind: sync, bits: 16, code: 0xD391}\n"
    b"      - {name: n, bits: 16}\n      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}\n"
)


def document(
    schema: str, data: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str], *more: str
) -> dict[str, Any]:
    """What decode makes of bytes, held to its JSON Schemas."""
    path = tmp_path / "input"
    path.write_bytes(data)
    main(["decode", schema, str(path), "--json", *more])
    made = json.loads(capsys.readouterr().out)
    jsonschema.validate(made, json.loads((DOCUMENTS / "decode.schema.json").read_text()))
    line = json.loads((DOCUMENTS / "decode_line.schema.json").read_text())
    for one in made["frames"]:
        jsonschema.validate(one, line)
    assert isinstance(made, dict)
    return made


@pytest.mark.parametrize(
    ("form", "data"),
    [
        (["slip"], SLIP.wrap(FRAME)),
        (["kiss"], KISS.wrap(FRAME)),
        (["cobs"], COBS.wrap(FRAME)),
        (["slip", "--strip", "4"], SLIP.wrap(b"\xff\xff\x00\x00" + FRAME)),
        (["lines"], b"boot\nrssi=-97 snr=8 data=" + FRAME.hex().encode()),
        (
            ["lines", "--line", "(?P<rssi>-[0-9]+) <(?P<payload>.*)>"],
            b"-97 <" + FRAME.hex(" ").encode() + b">",
        ),
        (["jsonl", "--key", "a.b"], b'{"a": {"b": "AWWxgD5b"}, "data": 5}\n'),
        (["csv", "--payload", "hex"], b"time;payload\n1;0165b1803e5b\n"),
    ],
    ids=lambda one: " ".join(one) if isinstance(one, list) else "",
)
def test_each_form_gives_the_frame_and_its_place(
    form: list[str], data: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for packed in (data, gzip.compress(data)):
        made = document(FIRST, packed, tmp_path, capsys, "--from", *form, "--trace")
        (found,) = made["frames"]
        assert found["values"] == {"counter": 1, "temperature": 21.3, "cell_voltage": 3.9}
        assert found["file"].endswith("input") and found["fingerprint"] and made["failed_frames"] == 0


@pytest.mark.parametrize("inverted", [False, True])
def test_bits_are_searched_unaligned_inverted_and_with_wrong_bits_in_the_marker(
    inverted: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    schema = tmp_path / "m.yaml"
    schema.write_bytes(SYNCED)
    data = packetkit.load(str(schema)).frame("f").encode({"n": 500})
    digits = "01101" + "".join(f"{octet:08b}" for octet in data) + "110"
    wrong = digits[:7] + str(1 - int(digits[7])) + digits[8:]
    turned = str.maketrans("01", "10") if inverted else {}
    for text, errors, good in ((digits, "0", 1), (wrong, "0", 0), (wrong, "1", 1)):
        given = ("--from", "bits", "--marker-errors", errors)
        made = document(str(schema), text.translate(turned).encode(), tmp_path, capsys, *given)
        assert made["good_frames"] == good and made["size_bits"] == len(digits)
        if good:
            (found,) = made["frames"]
            assert (found["offset"], found["values"]) == (5, {"n": 500})


@pytest.mark.parametrize(
    ("check", "nrzi"), [("CRC-16/IBM-SDLC", False), ("CRC-16/GENIBUS", True), ("none", True)]
)
def test_hdlc_in_bits_gives_the_frames_between_flags_and_skips_what_is_none(
    check: str, nrzi: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    engine = None if check == "none" else crc.engine(find(check))
    is_high = check == "CRC-16/GENIBUS"
    sent = Stuffing(engine, 2 if engine else 0, not is_high, nrzi).wrap([FRAME, b"\xff\xff" + FRAME])
    options = [*(["--nrzi"] if nrzi else []), *(["--high-bit-first"] if is_high else [])]
    options += [] if engine else ["--framing-check", "none"]
    digits = bytes(48 + bit for bit in b"\0\0\1\0" + sent)
    for form, data in (
        ("hdlc-bits", digits),
        ("hdlc-packed-bits", np.packbits(np.frombuffer(digits, np.uint8) - 48).tobytes()),
    ):
        made = document(FIRST, data, tmp_path, capsys, "--from", form, *options)
        first, second = made["frames"]
        assert (first["offset"], first["values"]["counter"], second["ok"]) == (12, 1, True)
        assert made["skipped"] == [
            {"offset": 0, "size_bits": 4},
            {"offset": second["offset"], "size_bits": 16},
        ]
        made = document(
            FIRST, data, tmp_path, capsys, "--from", form, *options, "--frame", "beacon", "--strip", "2"
        )
        assert [one["ok"] for one in made["frames"]] == [False, True]


def test_an_unwritten_tail_is_called_so_and_no_finding(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "card"
    for octet in (b"\xff", b"\x00"):
        path.write_bytes(FRAME + octet * 500)
        assert main(["decode", FIRST, str(path)]) == 0
        assert "Unwritten: the last 500 bytes are all 0x00 or all 0xFF." in capsys.readouterr().out
    path.write_bytes(FRAME + b"\x01" * 500)
    assert main(["decode", FIRST, str(path)]) == 1


def test_csv_with_a_comma_in_numbers(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["decode", FIRST, "--text", FRAME.hex(" "), "--format", "csv-semicolon"]) == 0
    assert capsys.readouterr().out == (
        "frame;offset;ok;reason;counter;temperature;cell_voltage\nbeacon;0;true;;1;21,3;3,9\n"
    )


def test_what_decode_writes_with_time_and_trace_encodes_back(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log, sheet = tmp_path / "a.log", tmp_path / "a.csv"
    log.write_bytes(b"rssi=-97 snr=8 data=" + FRAME.hex().encode() + b"\n")
    arguments = ["decode", FIRST, str(log), "--from", "lines", "--trace", "--format", "csv", "-o", str(sheet)]
    assert main(arguments) == 0
    capsys.readouterr()
    assert main(["encode", FIRST, str(sheet)]) == 0
    assert capsys.readouterr().out.split() == FRAME.hex(" ").split()


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--strip", "4"], "--strip goes with --from lines, csv"),
        (["--from", "csv", "--line", "named"], "--line goes with --from lines, not csv"),
        (
            ["--from", "lines", "--line", "(["],
            "is no shape (named, columns, timed) and no regular expression",
        ),
        (["--from", "lines", "--line", "x"], "lacks the group"),
        (["--from", "csv", "--key", "zz"], "there is no column 'zz'"),
        (["--from", "jsonl"], "this is not JSON"),
        (["--from", "pcap"], "neither pcap nor pcapng"),
        (["--from", "bits"], "beacon has 0 constant bits, and finding it among bits takes 16"),
        (["--from", "hdlc", "--framing-check", "zz"], "--framing-check: "),
        (["--from", "hdlc", "--nrzi"], "--nrzi goes with --from hdlc-bits, hdlc-packed-bits, not hdlc"),
        (["--from", "hdlc-bits"], "offset 0: 0x6e is no bit"),
        (["--follow"], "say --from binary"),
    ],
)
def test_misuse_is_told(
    more: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "input"
    path.write_bytes(b"name,other\n1,2\n")
    assert main(["decode", FIRST, str(path), *more]) == 2
    assert said in " ".join(capsys.readouterr().err.split())


# Windows has no SIGINT for a single process: it would stop the run of the tests too.
@pytest.mark.skipif(os.name == "nt", reason="Windows cannot send an interrupt to one process")
def test_follow_gives_what_is_written_later_and_ends_with_an_interruption(tmp_path: Path) -> None:
    path = tmp_path / "growing"
    path.write_bytes(FRAME)
    command = [sys.executable, "-m", "packetkit", "decode", FIRST, str(path), "--from", "binary"]
    process = subprocess.Popen(
        [*command, "--format", "jsonl", "--follow"], cwd=PLACE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert process.stdout and process.stderr
    for offset in (0, 6):
        assert json.loads(process.stdout.readline())["offset"] == offset
        with path.open("ab") as stream:
            stream.write(FRAME)
    assert json.loads(process.stdout.readline())["offset"] == 12
    time.sleep(0.1)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=30)
    assert process.returncode == 130 and b"Stopped at byte 18" in said


@pytest.mark.skipif(
    os.name == "nt", reason="Windows cannot tell whether a pipe has anything without reading it"
)
@pytest.mark.parametrize(
    ("first", "more"),
    [(b"\x01", b"\x65"), (b"\x1f\x8c", b"\x00"), (b"\x1f", b"\x8b\x08\x00"), (b"\x28\xb5\x2f", b"\xfd")],
    ids=["certain at once", "certain by two", "like gzip, then silence", "like zstd, then silence"],
)
def test_followed_bytes_wait_for_others_only_while_it_is_open_what_they_are(
    first: bytes, more: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sources, "LOOKS_S", 0.02)
    wanted = Wanted(packetkit.load(FIRST), packetkit.load(FIRST).frames, False, False)
    reading, writing = os.pipe()
    with open(reading, "rb") as stream, open(writing, "wb", buffering=0) as pipe:
        pipe.write(first)
        source = sources.source_of(stream, "-", "binary", wanted, sources.Reading(follow=True))
        pieces = iter(source.pieces)
        assert next(pieces) == first and source.read_as == "binary"
        pipe.write(more)
        assert next(piece for piece in pieces if piece) == more


def test_a_followed_pipe_whose_first_byte_comes_alone_is_unpacked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sources, "LOOKS_S", 30.0)
    wanted = Wanted(packetkit.load(FIRST), packetkit.load(FIRST).frames, False, False)
    reading, writing = os.pipe()
    with open(reading, "rb") as stream, open(writing, "wb", buffering=0) as pipe:
        pipe.write(b"\x1f")
        Timer(0.05, pipe.write, [gzip.compress(b"frames")[1:]]).start()
        source = sources.source_of(stream, "-", "binary", wanted, sources.Reading(follow=True))
        assert (
            next(piece for piece in source.pieces if piece) == b"frames"
            and source.read_as == "binary in gzip"
        )


WHOLE = '{"payload": "01:65:b1:80:3e:5b"}'


@pytest.mark.parametrize(
    ("form", "text", "without", "damaged"),
    [
        ("jsonl", f"{WHOLE}\n{WHOLE}\n{WHOLE[:20]}", [], [3]),  # the power went off
        ("jsonl", f"{WHOLE[10:]}\n{WHOLE}\n", [], [1]),
        ("jsonl", f'{WHOLE}\n{{"n": 1}}\n{{"payload": "zz!"}}\n[\n', [2], [3, 4]),
        ("csv", 'time,payload\n1,01:65:b1:80:3e:5b\n2,01:65:b1:8\n3,\n4,"a', [4], [3, 5]),
        ("lines", "boot\nrssi=-97 snr=8 data=0165b1803e5b\nhello\n", [1, 3], []),
    ],
)
def test_the_rest_of_a_text_with_damaged_lines_is_decoded_and_they_are_named(
    form: str,
    text: str,
    without: list[int],
    damaged: list[int],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    for written in (text.encode(), text.encode("utf-16")):  # with its byte-order mark
        made = document(FIRST, written, tmp_path, capsys, "--from", form)
        assert made["good_frames"] == (2 if text.startswith(f"{WHOLE}\n{WHOLE}") else 1)
        lines = made["files"][0]["lines"]
        assert (lines["first_without_frame"], lines["first_damaged"]) == (without, damaged)
        assert main(["decode", FIRST, str(tmp_path / "input"), "--from", form]) == (1 if damaged else 0)
        told = capsys.readouterr().out
        at = ", ".join(map(str, damaged))
        total = lines["read"]
        assert not damaged or f"Damaged lines: {len(damaged)} of {total}, at line {at}." in told
        at = ", ".join(map(str, without))
        assert not without or f"Lines without a frame: {len(without)} of {total}, at line {at}.\n" in told


def test_offsets_of_a_text_in_utf_16_count_its_bytes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # A mark of 2 bytes, 9 characters of 2 bytes (one of them of 4, as it is beyond the first plane), the line end.
    text = "remark \U0001f680.\ndata=0165b1803e5b\n"
    for encoding, mark in (("utf-16-le", b"\xff\xfe"), ("utf-16-be", b"\xfe\xff")):
        made = document(FIRST, mark + text.encode(encoding), tmp_path, capsys, "--from", "lines")
        assert [one["offset"] for one in made["frames"]] == [2 + 2 * 10 + 2]


@pytest.mark.parametrize("kind", ["gzip", "zstd"])
def test_a_packed_capture_that_was_cut_gives_what_can_be_unpacked_and_says_so(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    schema, random, path = tmp_path / "m.yaml", Random(1), tmp_path / "input"
    schema.write_bytes(SYNCED)
    encode = packetkit.parse(SYNCED).frames["f"].encode
    packs = gzip.compress if kind == "gzip" else zstandard.compress
    data = [encode({"n": n}) + random.randbytes(10).hex().encode() for n in range(200)]
    packed = packs(b"".join(data[:100])) + packs(b"".join(data[100:]))
    path.write_bytes(packed[:-50])
    arguments = ["decode", str(schema), str(path), "--from", "binary"]
    assert main([*arguments, "--json"]) == 1
    out, _ = capsys.readouterr()
    (file,) = json.loads(out)["files"]
    assert file["cut"] == f"the {kind} data ends too early, at offset {len(packed) - 50:,}: the file was cut"
    assert 100 <= file["good_frames"] < 200
    assert main([*arguments, "--format", "jsonl"]) == 1
    assert "the file was cut. What could be unpacked is decoded." in capsys.readouterr().err
    path.write_bytes(packed)
    main([*arguments, "--json"])
    (file,) = json.loads(capsys.readouterr().out)["files"]
    assert file["cut"] is None and file["good_frames"] == 200


@pytest.mark.parametrize(
    ("form", "text"),
    [("csv", "payload\n{0}\n{0}\n"), ("jsonl", '{{"data": "{0}"}}\n{{"data": "{0}"}}\n')],
)
def test_a_payload_with_two_readings_is_the_one_that_is_a_good_frame(
    form: str, text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Twelve digits are base64 of nine octets as well, which are no frame of six.
    made = document(FIRST, text.format(FRAME.hex()).encode(), tmp_path, capsys, "--from", form)
    assert (made["good_frames"], made["failed_frames"]) == (2, 0)
    (tmp_path / "hurt").write_text(text.format("0165b1803e5c"))
    assert (
        main(["decode", FIRST, str(tmp_path / "hurt"), "--from", form]) == 2
    )  # neither is: as before nothing is guessed
    assert "the payload can be read in two ways" in capsys.readouterr().err


@pytest.mark.parametrize(
    "written", ["2031-05-02T10:00:41", "2031/05/02 10:00:41", "02.05.2031 10:00:41", "02.05.2031, 10:00:41"]
)
def test_a_date_keeps_its_day_however_a_log_writes_it(
    written: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from packetkit.export.times import instant

    # 2031-05-02T00:00:00Z is 22,401 days after 1970-01-01 (61 years of 365 days, 15 leap days, and 31 + 28 + 31 + 30 + 1 days).
    seconds = (61 * 365 + 15 + 121) * 86_400 + 10 * 3600 + 41
    for line in (f"{written} data={FRAME.hex()}\n", f"[{written}] {FRAME.hex(' ')}\n"):
        made = document(FIRST, line.encode(), tmp_path, capsys, "--from", "lines")
        assert made["frames"][0]["received"]["time"] == written
    assert instant(written) == seconds


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such signal")
def test_a_command_that_is_told_to_end_leaves_no_part_of_its_output(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "packetkit", "decode", FIRST, "-", "--from", "binary"]
    process = subprocess.Popen(
        [*command, "--format", "jsonl", "-o", str(tmp_path / "out")], cwd=PLACE, stdin=subprocess.PIPE
    )
    assert process.stdin
    process.stdin.write(FRAME * 20_000)
    process.stdin.flush()
    while not list(tmp_path.iterdir()):
        time.sleep(0.01)
    process.terminate()
    assert process.wait(timeout=30) == 128 + signal.SIGTERM
    process.stdin.close()
    assert not list(tmp_path.iterdir())
