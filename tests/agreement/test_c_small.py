"""Small code in C (a table and an interpreter): frames worked out on paper, mistakes that are seen, refusals, and what it saves."""

from __future__ import annotations

import json
from pathlib import Path
from random import Random

import pytest

from packetkit import footprint, toolchains
from packetkit.codec.frame import Frame
from packetkit.conformance import members
from packetkit.conformance.batch import Answer, Question
from packetkit.errors import PacketkitError, TargetError, Unsupported
from packetkit.fuzz import raw
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import Mission, parse
from packetkit.resources import resource
from packetkit.targets import c
from packetkit.targets.c.frame import FrameCode
from packetkit.targets.c.frame import Mission as CodeMission

PAPER = Path(__file__).resolve().parents[2] / "vectors" / "handmade"


def dossier(name: str, mission: Mission, *options: str) -> Dossier:
    return Dossier(name, mission.fingerprint, "a.yaml", "", mission.outside, frozenset(options))


def on_paper() -> list[tuple[Mission, list[bytes]]]:
    """The handmade missions of one frame of which small code goes through some run by a table, each with its good frames."""
    found = []
    for path in sorted(PAPER.glob("*.json")):
        vector = json.loads(path.read_text("utf-8"))
        mission = parse("\n".join(vector["schema"]))
        if len(mission.layouts) > 1:
            continue
        frames = [
            bytes.fromhex(one["bytes"])
            for one in vector["cases"]
            if "bytes" in one and "reason" not in one and "back" not in one
        ]
        try:
            c.write(mission.layouts, dossier("m", mission, c.SMALL))
        except Unsupported:
            continue
        if frames and any(
            FrameCode(layout, CodeMission("m", is_small=True)).tabled for layout in mission.layouts.values()
        ):
            found.append((mission, frames))
    return found


def test_frames_on_paper_come_out_of_small_code_and_go_in(tmp_path: Path) -> None:
    found = on_paper()
    named = [(mission.layouts, dossier(f"m{at}", mission, c.SMALL)) for at, (mission, _) in enumerate(found)]
    assert len(found) >= 8
    with toolchains.c_process(named, str(tmp_path), toolchains.UNDEFINED) as process:
        for number, (mission, frames) in enumerate(found):
            (layout,) = mission.layouts.values()
            frame = Frame(layout)
            for data in frames:
                try:
                    row = members.from_detail(layout, frame.decode(data, detail=True))
                except PacketkitError:
                    continue  # told from outside, or a supplied field
                (answer,) = process.ask([Question(number, row)])
                assert answer.content == data, layout.name
                held = raw.Held(layout, frame, number)
                assert not list(raw.partings(held, process.ask, [members.told(layout, row) + data]))


SHEET = """
mission: sheet
frames:
  sheet:
    fields:
      - {name: sync, kind: sync, bits: 12, code: 0xA5C}
      - {name: level, bits: 13, signed: true}
      - {name: form, kind: tag, bits: 3, code: [1, 2, 5]}
      - {kind: reserved, bits: 3}
      - {name: time, bits: 33}
      - name: low
        order: little
        group:
          - {name: first, bits: 16}
          - {name: second, bits: 24, signed: true}
          - {name: third, bits: 8}
      - {name: held, kind: count, bits: 3}
      - name: pairs
        repeat: {count: held}
        group: [{name: x, bits: 5, signed: true}, {name: y, bits: 11}, {name: is_old, kind: flag}]
      - {kind: reserved, up_to: byte}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""

# Worked out by hand: level -2, form 5, time 1 + 2^32; 0x1234 and -2, low octet first; one pair, -1, 1, true.
ROW = (-2, 5, (1 << 32) + 1, 0x1234, -2, 0x56, 1, -1, 1, 1)
BITS = (
    "101001011100 1111111111110 101 000 1" + "0" * 31 + "1 "
    "00110100 00010010 11111110 11111111 11111111 01010110 001 11111 00000000001 1 0000"
)


def test_small_code_sends_the_bits_that_were_worked_out_by_hand(tmp_path: Path) -> None:
    bits = BITS.replace(" ", "")
    frame = int(bits, 2).to_bytes(len(bits) // 8, "big")
    answer = asked(parse(SHEET), tmp_path, [Question(0, ROW)])[0]
    assert answer.content[:-2] == frame
    back = asked(parse(SHEET), tmp_path, [Question(0, answer.content)])[0]
    assert back.members([one < 0 for one in ROW]) == ROW


def test_small_code_names_the_first_field_whose_code_does_not_fit(tmp_path: Path) -> None:
    mission = parse(SHEET)
    (layout,) = mission.layouts.values()
    spoilt = {
        0: (4096, -4097),
        1: (0, 3, 7),
        2: (1 << 33,),
        4: (1 << 23, -(1 << 23) - 1),
        7: (16, -17),
        8: (2048,),
    }
    rows = [(*ROW[:at], code, *ROW[at + 1 :]) for at, codes in spoilt.items() for code in codes]
    rows.append((4096, 3, *ROW[2:]))
    answers = asked(mission, tmp_path, [Question(0, row) for row in rows])
    names = (
        ["level"] * 2
        + ["form"] * 3
        + ["time"]
        + ["low.second"] * 2
        + ["pairs[].x"] * 2
        + ["pairs[].y", "level"]
    )
    assert [layout.slots[answer.slot or 0].address for answer in answers] == names


def asked(mission: Mission, directory: Path, questions: list[Question]) -> list[Answer]:
    of = dossier("sheet", mission, c.SMALL)
    with toolchains.c_process([(mission.layouts, of)], str(directory)) as process:
        return process.ask(questions)


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("(part & (0xFF >> beside))", "part"),  # what is above a negative code's bits
        ("(part >> over))", "part)"),
        ("part > ones >> 1", "part > ones"),  # the sign
        ("above >> (shape & 0x3F) >> 1", "above >> (shape & 0x3F) >> 2"),  # a code above its bits by one
        ("shape & 0x80 ? 1 : -1", "shape & 0x80 ? -1 : 1"),  # which octet comes first
        ("(uint8_t)(last + 1) >> 3", "last >> 3"),  # where the next field begins
        ("offset != SHEET_NONE", "1"),  # bits that nothing is kept of
    ],
)
def test_a_mistake_in_small_code_is_found(
    right: str, wrong: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mission = parse(
        SHEET.replace("- {name: form, kind: tag, bits: 3, code: [1, 2, 5]}", "- {kind: reserved, bits: 3}")
    )
    whole = c.write

    def broken(*given: object) -> dict[str, str]:
        files = whole(*given)  # type: ignore[arg-type]
        assert right in files["sheet.c"]
        return {**files, "sheet.c": files["sheet.c"].replace(right, wrong)}

    monkeypatch.setattr(c, "write", broken)
    (layout,) = mission.layouts.values()
    held = raw.Held(layout, Frame(layout), 0)
    subjects = list(raw.subjects(layout, held.frame, Random(1), 60))
    of = dossier("sheet", mission, c.SMALL)
    with toolchains.c_process([(mission.layouts, of)], str(tmp_path)) as process:
        try:
            is_seen = any(True for _ in raw.partings(held, process.ask, subjects))
        except TargetError:
            is_seen = True  # by a sanitizer
    assert is_seen


def test_small_code_is_smaller_and_takes_no_memory() -> None:
    mission = parse(resource("schemas/plover.yaml").read_bytes())
    sizes = {}
    for options in ((), (c.SMALL,)):
        made, absent = footprint.footprints(c.write(mission.layouts, dossier("plover", mission, *options)))
        assert not absent
        for one in made:
            mine = [piece for piece in one.pieces if piece.file == "plover.c"]
            assert sum(piece.memory_bytes for piece in mine) == 0
            sizes[one.compiler.program, options] = sum(piece.unchecked_bytes for piece in mine)
    for program in ("avr-gcc", "arm-none-eabi-gcc"):
        assert sizes[program, (c.SMALL,)] < 0.9 * sizes[program, ()]
