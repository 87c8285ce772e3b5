"""What a mission would look like under another convention: each change, in bytes, against the frame as declared."""

from __future__ import annotations

import binascii
from collections.abc import Mapping

import pytest

from packetkit.codec.frame import compile_layout
from packetkit.errors import DecodeError
from packetkit.layout.model import Layout
from packetkit.mission import variants
from packetkit.mission.load import Mission, parse

RECORD = {"sequence": 0x1234, "cell": -3, "near": 5, "far": 1, "inner": {"wind": 0x0102}}
FIELDS = """
      - {name: tag, kind: tag, bits: 8, code: 7}
      - {name: sequence, bits: 16, role: sequence}
      - {name: cell, bits: 8, signed: true}
      - {name: near, bits: 3}
      - {name: far, bits: 5}
      - {name: inner, group: [{name: wind, bits: 16, order: little}]}
"""
CHECK = "      - {name: check, kind: check, algorithm: CRC-16/IBM-3740%s}\n"
SYNC = "\n      - {name: sync, kind: sync, bits: 16, code: 0xD391}"


def mission(sync: str = SYNC, check: str = "", fields: str = FIELDS) -> Mission:
    return parse(f"mission: m\nframes:\n  f:\n    fields:{sync}{fields}{CHECK % check}", "m.yaml")


def sent(layout: Layout | Mapping[str, Layout] | None) -> bytes:
    assert layout is not None
    return compile_layout(layout if isinstance(layout, Layout) else layout["f"]).encode(RECORD)


def crc(data: bytes) -> bytes:
    """CRC-16/IBM-3740 is CRC-CCITT begun with all ones, as the standard library has it."""
    return binascii.crc_hqx(data, 0xFFFF).to_bytes(2, "big")


BODY = bytes.fromhex("07 1234 fd a1 0201")
FRONT = bytes.fromhex("d391")
PLAIN = FRONT + BODY + crc(FRONT + BODY)


def test_the_frame_as_declared() -> None:
    assert sent(mission().layouts) == PLAIN


def test_a_check_turned_is_stored_the_other_way_round_and_back() -> None:
    swapped = PLAIN[:-2] + PLAIN[:-3:-1]
    assert sent(variants.checks_turned(mission())) == swapped
    assert sent(variants.checks_turned(mission(check=", stored: low_octet_first"))) == PLAIN
    mirrored = mission(check=", stored: bits_reversed")
    assert variants.checks_turned(mirrored) is None  # nothing to turn


def test_without_its_sync_a_frame_is_shorter_and_its_check_covers_it_or_not() -> None:
    assert sent(variants.without_sync(mission())) == PLAIN[2:]
    assert sent(variants.without_sync_unchecked(mission())) == BODY + crc(BODY)
    whole = mission(check=", covers: whole_frame, self: zero")
    assert sent(variants.without_sync(whole)) == sent(whole.layouts)[2:]
    named = mission(check=", covers: inner")
    assert sent(variants.without_sync(named)) == BODY + crc(bytes.fromhex("0201"))


@pytest.mark.parametrize(
    "sync",
    [
        "",
        "\n      - {name: sync, kind: constant, bits: 16, code: 0xD391}",
        "\n      - {name: sync, kind: sync, bits: 12, code: 0xD39}\n      - {name: more, bits: 4, default: 0}",
    ],
)
def test_a_frame_without_whole_octets_of_sync_in_front_has_none_to_take_off(sync: str) -> None:
    assert variants.without_sync(mission(sync)) is None
    assert variants.without_sync_unchecked(mission(sync)) is None


def test_packing_turned_fills_octets_from_the_other_end() -> None:
    found = sent(variants.packing_turned(mission()))
    # near, 5, now lies in the low three bits and far, 1, above it; numbers of whole octets come low octet first.
    assert found[2:7] == bytes.fromhex("07 3412 fd 0d")
    turned = parse(
        f"mission: m\nframes:\n  f:\n    packing: least_significant_first\n    fields:{FIELDS}{CHECK % ''}",
        "m.yaml",
    )
    assert sent(variants.packing_turned(turned)) == BODY + crc(BODY)
    inner = FIELDS.replace("{name: inner,", "{name: inner, packing: least_significant_first,")
    assert sent(variants.packing_turned(mission(fields=inner)))[7:9] == bytes.fromhex("0201")


def test_order_turned_swaps_the_octets_of_each_number() -> None:
    assert sent(variants.order_turned(mission()))[2:9] == bytes.fromhex("07 3412 fd a1 0102")


def test_signs_turned_changes_one_number_alone() -> None:
    turned = variants.signs_turned(mission(), "f", ("cell",))
    assert turned is not None
    assert compile_layout(turned).decode(PLAIN)["cell"] == 253
    inner = variants.signs_turned(mission(), "f", ("inner", "wind"))
    assert inner is not None
    signs = {slot.address: slot.signed for slot in inner.slots}
    assert signs["inner.wind"] and signs["cell"] and not signs["sequence"]


def test_open_constants_take_any_code_and_checks_still_hold() -> None:
    body = FRONT + bytes([9]) + BODY[1:]
    other = body + crc(body)
    with pytest.raises(DecodeError):
        compile_layout(mission().layouts["f"]).decode(other)
    opened = variants.constants_open(mission().layouts)["f"]
    assert compile_layout(opened).decode(other)["sequence"] == 0x1234
    with pytest.raises(DecodeError):
        compile_layout(opened).decode(body + PLAIN[-2:])
    kept = variants.constants_open(mission().layouts, ("sync",))["f"]
    with pytest.raises(DecodeError):
        compile_layout(kept).decode(other)
