"""Checks whose bits lie in parts: held against crcmod over the bytes, row by row and in columns."""

from __future__ import annotations

from typing import Any

import crcmod
import pytest
from hypothesis import given
from hypothesis import strategies as st

import packetkit
from packetkit.errors import CheckFailed
from tests.missions import SPLIT_CHECKS


def frame_of(covered: str, packing: str = "most_significant_first") -> packetkit.Frame:
    return packetkit.parse(SPLIT_CHECKS.replace("COVERED", covered).replace("PACKING", packing)).frame(
        "drift"
    )


crc16 = crcmod.mkCrcFun(0x11021, initCrc=0xFFFF, rev=False, xorOut=0)
RECORDS = st.builds(
    lambda a, b, c: {"sequence": a, "body": {"level": b, "water": c}},
    st.integers(0, 255),
    st.integers(0, 15),
    st.integers(0, (1 << 19) - 1),
)


def with_own(frame: bytes, bit: str | None) -> bytes:
    """The frame's bytes with the check's own bits made all this bit, or left out."""
    text = "".join(f"{octet:08b}" for octet in frame)
    own = {*range(8 + 4, 8 + 9), *range(8 + 28, 8 + 39)}
    kept = "".join(bit or "" if at in own else one for at, one in enumerate(text))
    return int(kept, 2).to_bytes(len(kept) // 8, "big")


@pytest.mark.parametrize(("rule", "bit"), [("zero", "0"), ("ones", "1"), ("skip", None)])
@given(record=RECORDS)
def test_crcmod_finds_the_same_over_the_frame_with_its_own_bits_in_three_ways(
    rule: str, bit: str | None, record: dict[str, Any]
) -> None:
    frame = frame_of(f"whole_frame, self: {rule}")
    data = frame.encode(record)
    detail = frame.decode(data, detail=True)
    assert detail["body"]["crc"]["raw"] == crc16(with_own(data, bit))
    assert frame.decode(data) == record and frame.encode(detail) == data


@given(RECORDS)
def test_fields_between_the_parts_are_covered_by_their_names(record: dict[str, Any]) -> None:
    frame = frame_of("[sequence, level, spare, water]")
    data = frame.encode(record)
    text = "".join(f"{octet:08b}" for octet in data)
    covered = text[:12] + text[17:36] + text[47:56]  # in wire order; 40 bits
    found = frame.decode(data, detail=True)["body"]["crc"]["raw"]
    assert found == crc16(int(covered, 2).to_bytes(5, "big"))


@given(st.lists(RECORDS, min_size=1, max_size=6), st.integers(0, 55))
def test_columns_agree_and_damage_in_either_part_is_refused(records: list[dict[str, Any]], bit: int) -> None:
    frame = frame_of("whole_frame, self: zero")
    data = b"".join(map(frame.encode, records))
    columns = frame.decode_many(data)
    assert columns.ok.all() and columns["body.water"].tolist() == [one["body"]["water"] for one in records]
    hurt = bytearray(data[:7])
    hurt[bit // 8] ^= 0x80 >> bit % 8
    with pytest.raises(CheckFailed):
        frame.decode(bytes(hurt))
    assert not frame.decode_many(bytes(hurt)).ok.any()


def test_the_parts_are_told_by_their_bits() -> None:
    assert "split: bits 0 to 4 and bits 24 to 34" in str(frame_of("whole_frame, self: zero").layout)
