"""Where the bits of a frame go, and what a link says when the schema says nothing."""

from __future__ import annotations

import packetkit
from packetkit.mission.checkup import tally
from packetkit.mission.link import places
from packetkit.mission.load import Link
from packetkit.mission.passes import window_of

HEAD = "mission: m\nframes:\n  f:\n    fields:\n"
VARIES = (
    f"{HEAD}      - {{name: held, kind: count, bits: 8, maximum: 3}}\n"
    "      - {name: readings, bits: 12, repeat: {count: held}}\n      - {kind: reserved, up_to: byte}\n"
    "      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}\n"
)


def test_every_bit_of_the_longest_frame_is_somebodys() -> None:
    # 8 of the count, 3 x 12 of readings, 4 to the next byte, 16 of the check: 64 bits.
    told = tally(packetkit.parse(VARIES).layouts["f"])
    assert told.by_kind == {"count": 8, "number": 36, "reserved": 4, "check": 16}
    assert (told.counted_at, told.total_bits, told.useful_bits, told.spare_bits) == ("longest", 64, 36, 4)


def test_a_frame_without_spare_bits_has_no_such_entry() -> None:
    told = tally(packetkit.parse(f"{HEAD}      - {{name: a, bits: 16}}\n").layouts["f"])
    assert told.by_kind == {"number": 16} and told.spare_bits == 0


def test_a_schema_without_a_link_has_the_radios_usual_private_sync_word() -> None:
    """0x12 and plain IQ: the values of the SX127x after reset (data sheet, RegSyncWord and RegInvertIQ)."""
    link = packetkit.parse(f"{HEAD}      - {{name: a, bits: 16}}\n").link
    assert (link.sync_word, link.inverted_iq, link.setting) == (0x12, False, None)
    assert link == Link()
    other = packetkit.parse(f"{HEAD}      - {{name: a, bits: 16}}\nlink: {{maximum_frame_bytes: 20}}\n").link
    assert (other.sync_word, other.inverted_iq, other.setting) == (0x12, False, None)


def test_an_overhead_pass_is_looked_at_from_its_lowest_elevation_up_to_the_zenith() -> None:
    text = f"{HEAD}      - {{name: a, bits: 16}}\npasses: {{altitude_km: 500, minimum_elevation_deg: 10}}\n"
    passes = packetkit.parse(text).passes
    assert passes is not None
    found = places(passes, None)
    assert [round(one.elevation_deg or 0) for one in found] == [10, 15, 20, 30, 45, 60, 90]
    # The slant range: straight up it is the altitude; at 10 degrees 1,695 km by the closed form on a sphere of 6378.137 km.
    assert round(found[-1].distance_km) == 500 and round(found[0].distance_km) == 1695
    assert window_of(passes).duration_s > 0


def test_a_distance_is_looked_at_in_parts() -> None:
    assert [one.distance_km for one in places(None, 100.0)] == [100, 70, 50, 30, 20, 10]


def test_a_second_fill_counts_from_where_the_first_ends() -> None:
    layout = packetkit.parse(
        """
mission: tern
frames:
  one:
    fields:
      - {name: n, kind: count, bits: 8, maximum: 5}
      - {name: list, repeat: {count: n}, bits: 8}
      - {kind: reserved, up_to: word_16}
      - {name: tail, bits: 8}
      - {kind: reserved, up_to: word_32}
"""
    ).layouts["one"]
    # At its longest 48 bits are whole words of 16; 56 are filled to 64.
    assert tally(layout).spare_bits == 8
    assert layout.maximum_bits == 64
