"""What in C only the elements, or the parts, of a frame tell themselves: which element is the last, which sizes they have up to an end,
how many ones are in a list, what is told inside an option, and what of that which follows an end is there.

Bytes are worked out by hand beside each record; the random schemas of test_c_target.py hold all of it to the codec.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from random import Random

import pytest

from packetkit import toolchains
from packetkit.codec.frame import Frame
from packetkit.conformance.batch import Answer, Question
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
  hops:
    fields:
      - {name: port, kind: tag, bits: 8, code: 1}
      - name: path
        repeat: {goes_on_when: more, maximum: 3}
        group: [{name: call, bits: 7}, {name: more, kind: flag}]
      - {name: level, bits: 8}
  options:
    fields:
      - {name: port, kind: tag, bits: 8, code: 2}
      - name: entries
        repeat: {to_end: true, maximum: 4}
        group: [{name: size, kind: count, bits: 8, maximum: 5}, {name: data, bits: 8, repeat: {count: size}}]
      - {name: check, kind: check, algorithm: CRC-8/SMBUS}
  masked:
    fields:
      - {name: port, kind: tag, bits: 8, code: 3}
      - {name: lanes, kind: flag, repeat: 4}
      - {name: wide, kind: flag}
      - {kind: reserved, bits: 3}
      - {name: widths, bits: 8, present_when: wide, repeat: 2}
      - {name: cells, bits: 8, repeat: {count: {product_of: [{ones_in: lanes}]}}}
  layers:
    fields:
      - {name: port, kind: tag, bits: 8, code: 4}
      - {name: has_head, kind: flag}
      - {kind: reserved, bits: 7}
      - name: head
        present_when: has_head
        group: [{name: has_tail, kind: flag}, {name: form, bits: 7}]
      - {name: tail, bits: 8, present_when: head.has_tail}
      - {name: plain, bits: 8, present_when: {head.form: 0}}
  letter:
    fields:
      - {name: port, kind: tag, bits: 8, code: 5}
      - {name: is_signed, kind: flag}
      - {kind: reserved, bits: 7}
      - {name: words, kind: bytes, length: rest}
      - {name: signature, bits: 16, present_when: is_signed}
"""
HOPS, OPTIONS, MASKED, LAYERS, LETTER = range(5)

# By hand. hops: seven bits of a call and whether another follows. options: elements of a size and as much, up to the check.
# masked: four flags, then as many cells as ones. layers: what the head says is there is there with the head only.
# letter: octets to the end, or to the signature that a flag before them tells of.
BY_HAND: dict[tuple[int, tuple[int, ...]], str] = {
    (HOPS, (0x41, 0, 9)): "01 82 09",
    (HOPS, (0x41, 1, 0x42, 1, 0x43, 0, 9)): "01 83 85 86 09",
    (OPTIONS, (0,)): "02 0e",
    (OPTIONS, (2, 0, 2, 7, 8)): "02 00 02 07 08 CHECK",
    (MASKED, (1, 0, 1, 0, 0, 5, 6)): "03 a0 05 06",
    (MASKED, (0, 0, 0, 1, 1, 8, 9, 5)): "03 18 08 09 05",
    (MASKED, (0, 0, 0, 0, 0)): "03 00",
    (LAYERS, (0,)): "04 00",
    (LAYERS, (1, 1, 5, 7)): "04 80 85 07",
    (LAYERS, (1, 0, 0, 8)): "04 80 00 08",
    (LAYERS, (1, 1, 0, 7, 8)): "04 80 80 07 08",
    (LETTER, (0, 3, 1, 2, 3)): "05 00 01 02 03",
    (LETTER, (1, 1, 1, 0x0203)): "05 80 01 02 03",
}

REFUSED = {
    (HOPS, "01 83 85 87 09"): "bad count",  # the third says that a fourth follows, one more than the most
    (HOPS, "01 83 85"): "truncated",
    (HOPS, "01 82 09 00"): "trailing bytes",
    (OPTIONS, "02 00 00 00 00 00 00"): "bad count",
    (OPTIONS, "02 06 00"): "bad count",
    (OPTIONS, "02 02 07 CHECK"): "truncated",
    (MASKED, "03 f0 01 02 03"): "truncated",
    (LAYERS, "04 00 07"): "trailing bytes",  # without a head nothing says that there is a tail
    (LAYERS, "04 80"): "truncated",
    (LETTER, "05 80 02"): "truncated",
}


def octets(text: str) -> bytes:
    """The bytes of a frame; CHECK: of all before it, x^8 + x^2 + x + 1, bit by bit."""
    data, _, closed = text.partition("CHECK")
    made, check = bytes.fromhex(data), 0
    for octet in made:
        check ^= octet
        for _ in range(8):
            check = (check << 1 ^ (0x107 if check & 0x80 else 0)) & 0x1FF
    return made + bytes([check]) if "CHECK" in text else made + bytes.fromhex(closed)


def dossier(mission: Mission) -> Dossier:
    return Dossier("sheet", mission.fingerprint, "a.yaml", "", mission.outside)


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[toolchains.Process]:
    mission = parse(SHEET)
    named = [(mission.layouts, dossier(mission))]
    with toolchains.c_process(named, str(tmp_path_factory.mktemp("within"))) as process:
        yield process


def test_elements_and_parts_that_tell_of_themselves_are_the_bytes_that_were_worked_out(
    asked: toolchains.Process,
) -> None:
    made = asked.ask([Question(frame, row) for frame, row in BY_HAND])
    assert [one.content for one in made] == [octets(text) for text in BY_HAND.values()]
    read = asked.ask([Question(frame, octets(text)) for (frame, _), text in BY_HAND.items()])
    assert [numbers(one) for one in read] == [row for _, row in BY_HAND]
    found = asked.ask([Question(frame, octets(text)) for frame, text in REFUSED])
    assert [one.status for one in found] == list(REFUSED.values())


def numbers(answer: Answer) -> tuple[int, ...]:
    return answer.members([False] * (len(answer.content) // 8))


def test_a_record_of_which_no_element_is_the_last_is_refused_by_what_tells(asked: toolchains.Process) -> None:
    (answer,) = asked.ask([Question(HOPS, (1, 1, 2, 1, 3, 1, 9))])
    more = next(one.number for one in parse(SHEET).layouts["hops"].slots if one.address == "path[].more")
    assert (answer.status, answer.slot) == ("refused", more)


def test_compilers_have_nothing_to_say_and_the_unit_s_line_fits(tmp_path: Path) -> None:
    mission = parse(SHEET)
    sent = frames_of_unit(mission, dossier(mission), tmp_path)
    assert sent[0] == "010000" and len(sent) == 5  # one element, which is the last


# Each alone in a copy of the generated code.
MISTAKES = [
    ("if (r->path[i0].more == 0) {", "if (r->path[i0].more != 0) {"),
    ("if (i0 == 3) {", "if (i0 == 2) {"),
    (" - at) >= 0x10)", " - at) >= 8)"),  # the check behind elements to the end
    ("o1 += sheetN_ones(r->lanes[i0]);", "o1 = sheetN_ones(r->lanes[i0]);"),
    ("(r->has_head == 1) && (r->head.form == 0)", "(r->head.form == 0)"),
    ("((r->is_signed == 1) ? 0x10 : 0)", "((r->is_signed == 0) ? 0x10 : 0)"),
]


def test_each_mistake_in_what_elements_tell_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    mission, whole = parse(SHEET), c.write

    def broken(layouts: Mapping[str, Layout], of: Dossier) -> dict[str, str]:
        files, name = whole(layouts, of), f"{of.mission}.c"
        right, wrong = (one.replace("sheetN", of.mission) for one in MISTAKES[int(of.mission[5:])])
        assert right in files[name]
        return {**files, name: files[name].replace(right, wrong)}

    monkeypatch.setattr(c, "write", broken)
    named = [
        (mission.layouts, Dossier(f"sheet{at}", mission.fingerprint, "", "")) for at in range(len(MISTAKES))
    ]
    with toolchains.c_process(named, str(tmp_path), toolchains.UNDEFINED) as process:
        for at in range(len(MISTAKES)):
            seen = 0
            for number, layout in enumerate(mission.layouts.values()):
                held = raw.Held(layout, Frame(layout), at * len(mission.layouts) + number)
                subjects = list(raw.subjects(layout, held.frame, Random(1), 60))
                seen += sum(1 for _ in raw.partings(held, process.ask, subjects))
            assert seen, MISTAKES[at]
