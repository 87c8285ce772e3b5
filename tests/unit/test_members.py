"""Members, batches and refusals: what every target that writes a codec is asked and answers."""

from __future__ import annotations

import struct
from collections import Counter
from dataclasses import dataclass, replace
from random import Random
from typing import Any

import pytest

from packetkit.codec.frame import Frame
from packetkit.conformance import batch, members
from packetkit.errors import Unsupported
from packetkit.fuzz.campaign import loaded
from packetkit.layout.model import Layout, Run
from packetkit.mission.load import parse
from packetkit.targets.c import KNOWS, beyond_c
from packetkit.targets.target import refusals, refuse

SHEET = """
mission: invented
frames:
  sheet:
    fields:
      - {name: mark, kind: sync, bits: 8, code: 0xB5}
      - {name: more, kind: flag}
      - {name: tally, kind: count, bits: 2}
      - {name: level, bits: 5, signed: true}
      - {name: list, repeat: {count: tally}, group: [{name: a, bits: 4}, {name: b, bits: 4}]}
      - {name: extra, bits: 8, present_when: more}
      - {name: tail, repeat: {to_end: true}, bits: 16}
"""


def sheet() -> Layout:
    return parse(SHEET).layouts["sheet"]


def test_members_stand_in_wire_order_with_the_length_of_a_list_to_the_end() -> None:
    layout = sheet()
    detail = {
        "more": {"raw": 1},
        "level": {"raw": -3},
        "list": [{"a": {"raw": 1}, "b": {"raw": 2}}],
        "extra": {"raw": 9},
        "tail": [{"raw": 500}, {"raw": 600}],
    }
    data = Frame(layout).encode(detail)
    # By hand: sync B5; 1, 01, 11101; 1, 2; 9; 500; 600.
    assert data.hex() == "b5bd120901f40258"
    row = members.from_detail(layout, Frame(layout).decode(data, detail=True))
    assert row == (1, 1, -3, 1, 2, 9, 2, 500, 600)
    assert Frame(layout).encode(members.to_detail(layout, row)) == data
    names = [slot and slot.path[-1:] for slot in members.slots(layout, row)]
    assert names == [("more",), ("tally",), ("level",), ("a",), ("b",), (), None, (), ()]


def test_members_that_are_too_few_or_too_many_are_refused() -> None:
    with pytest.raises(ValueError, match="end before the frame"):
        members.to_detail(sheet(), (1, 1, -3))
    with pytest.raises(ValueError, match="2 of 6 members are left over"):
        members.to_detail(sheet(), (0, 0, 0, 0, 5, 6))


def test_members_at_random_come_back_through_the_codec() -> None:
    chance, refused, kept, same = Random(3), Counter[str](), 0, 0
    for _ in range(60):
        _, mission = loaded(chance, refused)
        for layout in mission.layouts.values():
            if any((*refusals(layout, KNOWS, parts=True), *beyond_c({layout.name: layout}))):
                continue  # members are those of structs in C
            frame = Frame(layout)
            for _ in range(4):
                row = members.drawn(layout, chance)
                try:
                    data = members.told(layout, row) + frame.encode(members.to_detail(layout, row))
                except ValueError:
                    continue  # codes that do not go together
                kept += 1
                data, variants, known = members.untold(layout, data)
                more: dict[str, Any] = {"known": known} if known else {}
                detail = frame.decode(data, detail=True, variants=variants, **more)
                again = members.from_detail(layout, detail)
                # Octets to an end may have taken in the fill behind them, so the row may be longer; never another frame's.
                assert frame.encode(members.to_detail(layout, again)) == data
                same += again == row
    assert same > kept * 0.9
    assert kept > 100


def test_a_batch_is_what_its_description_says() -> None:
    made = batch.batch([batch.Question(1, (-1, 2)), batch.Question(0, b"\xb5")])
    encode = b"E" + struct.pack("<HIqq", 1, 16, -1, 2)
    decode = b"D" + struct.pack("<HI", 0, 1) + b"\xb5"
    assert made == struct.pack("<I", len(encode + decode)) + encode + decode
    found = list(batch.answers(b"\x00\x08\0\0\0" + b"\xff" * 8 + b"\x01\x02\0\0\0\x07\x00"))
    assert [one.status for one in found] == ["ok", "refused"]
    assert found[0].members([True]) == (-1,) and found[0].members([False]) == (2**64 - 1,)
    assert found[1].slot == 7


@pytest.mark.parametrize("cut", [b"\x00", b"\x00\x02\0\0\0\x01", b"\x63\0\0\0\0"])
def test_answers_that_are_cut_are_refused(cut: bytes) -> None:
    with pytest.raises(ValueError, match="a batch of"):
        list(batch.answers(cut))


@dataclass(frozen=True)
class Novelty:
    """A part of a layout that no target knows."""

    number: int = 9
    address: str = "news"


def test_what_no_target_knows_is_refused_by_field() -> None:
    layout = sheet()
    run = layout.nodes[0]
    assert isinstance(run, Run)
    odd = replace(run, slots=(replace(run.slots[0], kind="novelty"), *run.slots[1:]))
    news = replace(layout, nodes=(odd, Novelty(), *layout.nodes[1:]))  # type: ignore[arg-type]
    with pytest.raises(Unsupported) as caught:
        refuse("c", {"sheet": news}, [("more", "a reason of its own")])
    assert str(caught.value).splitlines() == [
        "c cannot express mark: a field of the kind novelty",
        "c cannot express news: a part of the form Novelty",
        "c cannot express more: a reason of its own",
    ]
    refuse("c", {"sheet": layout})
