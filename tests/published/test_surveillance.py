"""EUROCONTROL's surveillance data, category 48: octets that say which items follow, and whether another such octet does.

Items and scales: EUROCONTROL-SPEC-0149-4, from memory. The data block is the one that the page of asterix-decoder 0.7 prints (from
memory); that program, a general decoder of the specification, read it, and the values here are those that it gave.
"""

from __future__ import annotations

from typing import Any

import pytest

import packetkit

PLOTS = packetkit.parse("""
mission: surveillance
frames:
  plots:
    fields:
      - {name: category, kind: tag, bits: 8, code: 48}
      - {name: size, kind: length, bits: 16, measures: whole_frame}
      - name: records
        repeat: {to_end: true}
        group:
          - name: items
            flags: [source, time, target, position, mode_3a, flight_level, plot, more]
          - name: items_2
            present_when: items.more
            flags: [address, identification, registers, track_number, cartesian, velocity, track_status, more]
          - name: items_3
            present_when: items_2.more
            flags: [{kind: reserved, bits: 6}, communications, {kind: reserved, bits: 1}]
          - name: source
            present_when: items.source
            group: [{name: area, bits: 8}, {name: code, bits: 8}]
          - {name: time, bits: 24, scale: 1/128, unit: s, present_when: items.time}
          - name: target
            present_when: items.target
            repeat: {goes_on_when: more, maximum: 8}
            group: [{name: content, bits: 7}, {name: more, kind: flag}]
          - name: position
            present_when: items.position
            group: [{name: range, bits: 16, scale: 1/256, unit: nmi}, {name: bearing, bits: 16, scale: 360/65536, unit: deg}]
          - name: mode_3a
            present_when: items.mode_3a
            group: [{name: validity, bits: 4}, {name: code, bits: 12}]
          - name: flight_level
            present_when: items.flight_level
            group: [{name: validity, bits: 2}, {name: level, bits: 14, signed: true, scale: 0.25}]
          - name: plot
            present_when: items.plot
            group: [{name: parts, bits: 8}]
          - {name: address, bits: 24, present_when: items_2.address}
          - name: identification
            present_when: items_2.identification
            kind: text
            length: 8
            fill: " "
            alphabet: {bits: 6, characters: {1: ABCDEFGHIJKLMNOPQRSTUVWXYZ, 32: " ", 48: "0123456789"}}
          - name: registers
            present_when: items_2.registers
            group:
              - {name: held, kind: count, bits: 8}
              - name: each
                repeat: {count: held}
                group: [{name: content, kind: bytes, length: 7}, {name: number, bits: 8}]
          - {name: track_number, bits: 16, present_when: items_2.track_number}
          - name: cartesian
            present_when: items_2.cartesian
            group: [{name: x, bits: 16, signed: true, scale: 1/128, unit: nmi}, {name: y, bits: 16, signed: true, scale: 1/128, unit: nmi}]
          - name: velocity
            present_when: items_2.velocity
            group: [{name: speed, bits: 16, scale: 3600/16384, unit: kn}, {name: heading, bits: 16, scale: 360/65536, unit: deg}]
          - name: track_status
            present_when: items_2.track_status
            repeat: {goes_on_when: more, maximum: 8}
            group: [{name: content, bits: 7}, {name: more, kind: flag}]
          - {name: communications, bits: 16, present_when: items_3.communications}
""").frame("plots")
BLOCK = bytes.fromhex(
    "300030 FDF702 19C9 356D4D A0 C5AFF1E0 0200 0528 3C660C 10C236D41820 01C0780031BC000040 0DEB 07B9582E 4100 20F5"
)


def test_a_block_decodes_to_the_judged_values_and_encodes_back() -> None:
    record = PLOTS.decode(BLOCK)
    (plot,) = record["records"]
    assert plot["source"] == {"area": 25, "code": 201}
    assert (plot["time"], plot["position"]) == (
        27354.6015625,
        {"range": 197.68359375, "bearing": 340.13671875},
    )
    assert (plot["mode_3a"]["code"], plot["flight_level"]["level"], plot["plot"]) == (0o1000, 330.0, None)
    assert (plot["address"], plot["identification"], plot["track_number"]) == (0x3C660C, "DLH65A", 3563)
    assert plot["registers"]["each"] == [{"content": bytes.fromhex("C0780031BC0000"), "number": 0x40}]
    assert plot["velocity"]["speed"] == 434.3994140625
    assert round(plot["velocity"]["heading"], 12) == 124.002685546875  # the judge prints so many digits
    assert [one["content"] for one in plot["target"]] == [0b1010000]
    assert [one["content"] for one in plot["track_status"]] == [0b0100000, 0]
    assert PLOTS.encode(record) == BLOCK


def test_the_octets_that_say_what_follows_fill_themselves() -> None:
    record = PLOTS.decode(BLOCK)
    (plot,) = record["records"]
    bare = {key: value for key, value in plot.items() if value is not None and key != "items"}
    for items in ("items_2", "items_3"):
        bare[items] = {}
    for several in ("target", "track_status"):
        bare[several] = [{"content": one["content"]} for one in plot[several]]
    assert PLOTS.encode({"records": [bare]}) == BLOCK


def test_records_with_other_items_stand_in_one_block() -> None:
    def block(*records: dict[str, Any]) -> bytes:
        return PLOTS.encode({"records": list(records)})

    short, long = {"source": {"area": 1, "code": 2}}, {"items_2": {}, "address": 0xABCDEF}
    data = block(short, long, short)
    assert data[:3] == bytes([48, 0, len(data)])
    assert data[3:] == bytes.fromhex("80 0102  01 80 ABCDEF  80 0102")
    back = PLOTS.decode(data)["records"]
    assert [one["address"] for one in back] == [None, 0xABCDEF, None]
    assert [one["source"] is None for one in back] == [False, True, False]
    assert block(*back) == data


def test_an_item_without_the_octet_that_says_so_is_refused() -> None:
    with pytest.raises(
        packetkit.EncodeError, match=r"is given, but records\[0\]\.items_2, which says so, is not"
    ):
        PLOTS.encode({"records": [{"address": 1}]})
    with pytest.raises(
        packetkit.EncodeError, match=r"address: is given, but records\[0\]\.items_2\.address is False"
    ):
        PLOTS.encode({"records": [{"items_2": {"address": False}, "address": 1}]})


@pytest.mark.parametrize("cut", range(3, len(BLOCK), 6))
def test_a_block_that_is_cut_is_an_error(cut: int) -> None:
    with pytest.raises(packetkit.DecodeError):
        PLOTS.decode(BLOCK[:cut])
    if cut > 5:
        with pytest.raises(packetkit.DecodeError):
            PLOTS.decode(BLOCK[:1] + cut.to_bytes(2, "big") + BLOCK[3:cut])
