"""Numbers in C that go on from octet to octet: members are the numbers, and take as many octets as they need.

Outside values, from memory: DWARF 4, section 7.6, figures 22 and 23 (unsigned and signed LEB128); MQTT 3.1.1, section 2.2.3, table 2.4 (the
ends of each number of octets of a remaining length); Standard MIDI Files 1.0, "variable-length quantities" (high group first).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from random import Random

import pytest

from packetkit import toolchains
from packetkit.codec.frame import Frame
from packetkit.conformance.batch import Question
from packetkit.errors import TargetError
from packetkit.fuzz import raw
from packetkit.layout.model import Layout
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import Mission, parse
from packetkit.targets import c
from tests.units import frames_of_unit

# Invented.
SHEET = """
mission: sheet
frames:
  low:
    fields:
      - {name: port, kind: tag, bits: 8, code: 1}
      - {name: value, bits: 28, coding: continued_low_first}
  negative:
    fields:
      - {name: port, kind: tag, bits: 8, code: 2}
      - {name: value, bits: 56, coding: continued_low_first_signed}
  high:
    fields:
      - {name: port, kind: tag, bits: 8, code: 3}
      - {name: value, bits: 28, coding: continued_high_first}
  letter:
    fields:
      - {name: port, kind: tag, bits: 8, code: 4}
      - {name: size, kind: length, bits: 14, coding: continued_low_first, measures: body, less: 1}
      - name: body
        group:
          - {name: many, kind: count, bits: 7, coding: continued_high_first, maximum: 4}
          - {name: each, bits: 14, coding: continued_low_first, repeat: {count: many}}
          - {name: words, kind: bytes, length: rest}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""
LOW, SIGNED, HIGH, LETTER = range(4)

OUTSIDE = {
    (LOW, 2): "02",  # DWARF 4, figure 22
    (LOW, 127): "7f",
    (LOW, 128): "80 01",
    (LOW, 129): "81 01",
    (LOW, 12857): "b9 64",
    (LOW, 0): "00",  # MQTT 3.1.1, table 2.4
    (LOW, 16383): "ff 7f",
    (LOW, 16384): "80 80 01",
    (LOW, 2097151): "ff ff 7f",
    (LOW, 2097152): "80 80 80 01",
    (LOW, 268435455): "ff ff ff 7f",
    (SIGNED, 2): "02",  # DWARF 4, figure 23
    (SIGNED, -2): "7e",
    (SIGNED, 127): "ff 00",
    (SIGNED, -127): "81 7f",
    (SIGNED, 128): "80 01",
    (SIGNED, -128): "80 7f",
    (SIGNED, 129): "81 01",
    (SIGNED, -129): "ff 7e",
    (HIGH, 0x40): "40",  # Standard MIDI Files 1.0
    (HIGH, 0x80): "81 00",
    (HIGH, 0x2000): "c0 00",
    (HIGH, 0x3FFF): "ff 7f",
    (HIGH, 0x4000): "81 80 00",
    (HIGH, 0x100000): "c0 80 00",
    (HIGH, 0x0FFFFFFF): "ff ff ff 7f",
}

# By hand: octets that are not needed mean nothing; a fifth octet, or one that is not there, is none of a number of 28 bits.
READ = {
    (LOW, "80 80 80 00"): ("ok", 0),
    (LOW, "81 80 00"): ("ok", 1),
    (SIGNED, "fe ff 7f"): ("ok", -2),
    (HIGH, "80 80 81 00"): ("ok", 128),
    (LOW, "80 80 80 80 00"): ("bad length", None),
    (LOW, "80 80 80 80"): ("bad length", None),  # known before it is known whether another octet follows
    (LOW, "80 80"): ("truncated", None),
    (LOW, "00 00"): ("trailing bytes", None),
}


def dossier(mission: Mission, name: str = "sheet") -> Dossier:
    return Dossier(name, mission.fingerprint, "a.yaml", "", mission.outside)


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[toolchains.Process]:
    mission = parse(SHEET)
    place = str(tmp_path_factory.mktemp("continued"))
    with toolchains.c_process([(mission.layouts, dossier(mission))], place) as process:
        yield process


def test_numbers_have_the_octets_that_standards_give_them(asked: toolchains.Process) -> None:
    made = asked.ask([Question(frame, (value,)) for frame, value in OUTSIDE])
    octets = [bytes([frame + 1]) + bytes.fromhex(text) for (frame, _), text in OUTSIDE.items()]
    assert [one.content for one in made] == octets
    read = asked.ask([Question(data[0] - 1, data) for data in octets])
    assert [one.members([True]) for one in read] == [(value,) for _, value in OUTSIDE]


def test_octets_that_are_not_needed_are_read_and_too_many_are_refused(asked: toolchains.Process) -> None:
    found = asked.ask([Question(frame, bytes([frame + 1]) + bytes.fromhex(text)) for frame, text in READ])
    assert [(one.status, one.members([True])[0] if one.status == "ok" else None) for one in found] == list(
        READ.values()
    )


def test_a_number_too_large_for_its_octets_is_refused_by_its_field(asked: toolchains.Process) -> None:
    answers = asked.ask([Question(LOW, (1 << 28,)), Question(SIGNED, (1 << 55,))])
    assert [(one.status, one.slot) for one in answers] == [("refused", 1)] * 2


@pytest.mark.parametrize("size", [125, 126, 127, 128, 254, 255])
def test_a_length_has_as_many_octets_as_what_it_measures_makes_it_need(
    asked: toolchains.Process, size: int
) -> None:
    # By hand: of a body the count and its octets, a length of one less; it goes on from 128 on.
    row = (0, size, *[7] * size)
    body = bytes([0]) + bytes([7]) * size
    length = bytes([size]) if size < 128 else bytes([0x80 | size & 0x7F, size >> 7])
    made, again = asked.ask([Question(LETTER, row), Question(LETTER, (1, 300, size, *[7] * size))])
    assert made.content[:-2] == bytes([4]) + length + body
    assert made.content == Frame(parse(SHEET).layouts["letter"]).encode(
        {"body": {"each": [], "words": body[1:]}}
    )
    (read,) = asked.ask([Question(LETTER, made.content)])
    assert read.members([False] * len(row)) == row
    assert again.content[2 + (size + 2 > 127) :][:3] == bytes.fromhex("01 ac 02")  # 300 in two octets


def test_sixty_four_bits_take_ten_octets_and_more_are_refused_last_of_all(tmp_path: Path) -> None:
    # By hand: nine octets hold 63 bits; in the tenth, one bit of a number without a sign, and a sign in all seven.
    mission = parse(SHEET.replace("bits: 56", "bits: 64").replace("bits: 28", "bits: 64"))
    top, nine = (1 << 64) - 1, "ff" * 9
    sent = {
        (LOW, top): f"{nine} 01",
        (LOW, 1 << 63): f"{'80' * 9} 01",
        (SIGNED, -1 << 63): f"{'80' * 9} 7f",
        (SIGNED, (1 << 63) - 1): f"{nine} 00",
        (SIGNED, -1): "7f",
        (HIGH, top): f"81 {'ff' * 8} 7f",
    }
    wide = {(LOW, f"{nine} 03"), (SIGNED, f"{nine} 01"), (HIGH, f"83 {'ff' * 8} 7f")}
    with toolchains.c_process([(mission.layouts, dossier(mission))], str(tmp_path)) as process:
        made = process.ask([Question(frame, (value,)) for frame, value in sent])
        octets = [bytes([frame + 1]) + bytes.fromhex(text) for (frame, _), text in sent.items()]
        assert [one.content for one in made] == octets
        read = process.ask([Question(data[0] - 1, data) for data in octets])
        assert [one.members([frame == SIGNED])[0] for one, (frame, _) in zip(read, sent, strict=True)] == [
            value for _, value in sent
        ]
        for frame, text in wide:
            data = bytes([frame + 1]) + bytes.fromhex(text)
            found = process.ask([Question(frame, data), Question(frame, data + b"\0")])
            assert [one.status for one in found] == ["bad length", "trailing bytes"]
        for number, layout in enumerate(mission.layouts.values()):
            held = raw.Held(layout, Frame(layout), number)
            assert not list(
                raw.partings(held, process.ask, list(raw.subjects(layout, held.frame, Random(2), 80)))
            )


def test_compilers_have_nothing_to_say_and_the_unit_s_line_fits(tmp_path: Path) -> None:
    mission = parse(SHEET)
    sent = frames_of_unit(mission, dossier(mission), tmp_path)
    assert sent[:3] == ["0100", "0200", "0300"]
    assert "int64_t value; /* " in (tmp_path / "sheet.h").read_text("utf-8")


# Each alone in a copy of the generated code.
MISTAKES = [
    ("_octets(r->value, 7, 4)", "_octets(r->value, 7, 3)"),
    ("(from[many - 1] & 0x40)", "(from[many - 1] & 0x20)"),
    ("if (many > 4) {", "if (many > 5) {"),
    ("v1 = v1 / 8 - 1;", "v1 = v1 / 8;"),
    ("to[--many] = (uint8_t)(0x80 | (code & 0x7F));", "to[--many] = (uint8_t)(code & 0x7F);"),
]


def test_each_mistake_in_numbers_that_go_on_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    mission, whole = parse(SHEET), c.write

    def broken(layouts: Mapping[str, Layout], of: Dossier) -> dict[str, str]:
        files, name = whole(layouts, of), f"{of.mission}.c"
        right, wrong = MISTAKES[int(of.mission[5:])]
        assert right in files[name]
        return {**files, name: files[name].replace(right, wrong)}

    monkeypatch.setattr(c, "write", broken)
    named = [(mission.layouts, dossier(mission, f"sheet{at}")) for at in range(len(MISTAKES))]
    with toolchains.c_process(named, str(tmp_path), toolchains.UNDEFINED) as process:
        for at in range(len(MISTAKES)):
            try:
                seen = any(True for _ in differing(mission, process, at * len(mission.layouts)))
            except TargetError:
                seen = True
            assert seen, MISTAKES[at]


def differing(mission: Mission, process: toolchains.Process, first: int) -> Iterator[raw.Parting]:
    for number, layout in enumerate(mission.layouts.values()):
        held = raw.Held(layout, Frame(layout), first + number)
        subjects = list(raw.subjects(layout, held.frame, Random(1), 60))
        yield from raw.partings(held, process.ask, subjects)
