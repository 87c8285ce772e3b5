"""The card writer in C: its log, cut at every byte and gone on with, loses at most the record that was being written."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path
from random import Random

import pytest

from packetkit import processors, toolchains
from packetkit.cli.main import main
from packetkit.codec.frame import Frame
from packetkit.framing.delimited import Framing, units
from packetkit.framing.hdlc import hdlc
from packetkit.integrity import crc
from packetkit.integrity.catalog import find
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import Mission, parse
from packetkit.processors import PROCESSORS
from packetkit.targets import c

SCHEMA = """
mission: logged
frames:
  one:
    fields:
      - {name: sequence, bits: 16, role: sequence}
      - {name: level, bits: 12, signed: true}
      - {name: rest, bits: 4}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""

# Frames come as lines of hexadecimal text; the log goes out octet by octet. A card that takes so many octets is full then.
MAIN = """
#include <stdio.h>
#include <stdlib.h>
#include "logged.c"
#include "logged_card.c"
static long room;
static int put(void *card, uint8_t octet) {
    if (room-- == 0) { return 7; }
    return fputc(octet, (FILE *)card) == EOF;
}
int main(int argc, char **argv) {
    char text[600];
    room = argc > 1 ? atol(argv[1]) : -1;
    while (scanf("%599s", text) == 1) {
        uint8_t frame[300];
        size_t size = 0;
        for (; text[2 * size] != 0; size++) {
            unsigned octet;
            if (sscanf(text + 2 * size, "%2x", &octet) != 1) { return 1; }
            frame[size] = (uint8_t)octet;
        }
        if (logged_card_append(stdout, put, frame, size) != 0) { return 9; }
    }
    return 0;
}
"""


@pytest.fixture(scope="module")
def mission() -> Mission:
    return parse(SCHEMA)


@pytest.fixture(scope="module")
def program(mission: Mission, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("card")
    for name, text in c.write(mission.layouts, Dossier("logged", mission.fingerprint, "", "")).items():
        (place / name).write_text(text, encoding="utf-8")
    (place / "main.c").write_text(MAIN, encoding="utf-8")
    toolchains.run(["cc", "-std=c99", *toolchains.SANITIZED, "-o", "main", "main.c"], cwd=str(place))
    return place / "main"


def log(program: Path, frames: list[bytes], *room: str) -> subprocess.CompletedProcess[bytes]:
    given = "".join(f"{one.hex()}\n" for one in frames).encode()
    return subprocess.run([program, *room], input=given, capture_output=True, check=False)


def judge() -> Framing:
    """The framing that `decode --from hdlc` reads."""
    return hdlc(crc.engine(find("CRC-16/IBM-SDLC")), 2)


def read(data: bytes) -> list[bytes]:
    """The frames of a log that hold."""
    return [one.data for one in units(judge(), [data]) if not one.problem]


def frames(mission: Mission, count: int, first: int = 0) -> list[bytes]:
    """Frames with many octets that the log has to turn: flags and escapes."""
    chance, frame = Random(first), Frame(mission.layouts["one"])
    made = []
    for at in range(first, first + count):
        level = chance.choice((0x7D7 - 0x800, 0x7E7, chance.randint(-2048, 2047)))
        record = {"sequence": 0x7E00 + at, "level": level, "rest": chance.randint(0, 15)}
        made.append(frame.encode(record))
    return made


def test_a_log_is_what_the_standards_framing_makes(program: Path, mission: Mission) -> None:
    sent = frames(mission, 20)
    whole = log(program, sent)
    assert whole.stdout == b"".join(b"\x7e" + judge().escape(one) + b"\x7e" for one in sent)
    assert read(whole.stdout) == sent


def test_power_that_fails_at_any_byte_loses_at_most_the_record_that_was_written(
    program: Path, mission: Mission
) -> None:
    before, after = frames(mission, 6), frames(mission, 3, 100)
    first, second = log(program, before).stdout, log(program, after).stdout
    # How long the log is once so many records are whole.
    ends = [len(log(program, before[:count]).stdout) for count in range(1, len(before) + 1)]
    for cut in range(len(first) + 1):
        found = read(first[:cut] + second)
        complete = sum(end <= cut for end in ends)
        assert found[-len(after) :] == after
        kept = found[: -len(after)]
        # A record that lacks its last flag only is ended by the next one's first.
        assert kept in (before[:complete], before[: complete + 1]), cut
        assert kept == before[: len(kept)]


def test_a_card_that_is_full_is_told_and_nothing_is_put_after_it(program: Path, mission: Mission) -> None:
    sent = frames(mission, 3)
    whole = log(program, sent).stdout
    done = log(program, sent, str(len(whole) - 5))
    assert done.returncode == 9 and done.stdout == whole[:-5]
    assert read(done.stdout) == sent[:2]


def test_decode_reads_a_log_that_was_cut(
    program: Path, mission: Mission, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sent = frames(mission, 5)
    whole = log(program, sent).stdout
    (tmp_path / "logged.yaml").write_text(SCHEMA, encoding="utf-8")
    (tmp_path / "card.bin").write_bytes(whole[: len(whole) // 2] + whole)
    main(
        [
            "decode",
            str(tmp_path / "logged.yaml"),
            str(tmp_path / "card.bin"),
            "--from",
            "hdlc",
            "--format",
            "jsonl",
        ]
    )
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    good = [row["values"]["sequence"] - 0x7E00 for row in rows if row["ok"]]
    assert good == [0, 1, 0, 1, 2, 3, 4]


@pytest.mark.parametrize("ground", PROCESSORS)
def test_a_small_processor_writes_the_same_log(
    ground: str, program: Path, mission: Mission, tmp_path: Path
) -> None:
    for name, text in c.write(mission.layouts, Dossier("logged", mission.fingerprint, "", "")).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    (frame,) = frames(mission, 1)
    octets = ", ".join(map(str, frame))
    unit = f"""
#include <stdio.h>
#include "logged_card.c"
static int put(void *card, uint8_t octet) {{ (void)card; printf("%02x", octet); return 0; }}
int main(void) {{
    static const uint8_t frame[] = {{ {octets} }};
    return logged_card_append(NULL, put, frame, sizeof frame);
}}
"""
    (tmp_path / "unit.c").write_text(unit, encoding="utf-8")
    said = processors.running(PROCESSORS[ground], "unit.c", str(tmp_path))
    assert bytes.fromhex(said) == log(program, [frame]).stdout
