"""What a check takes besides its span: octets in front of it, and a field that its value is combined with.

The check of UDP over IPv4 (RFC 768) covers a pseudo header that is not in the datagram; the values in the first test are worked by hand
from
that document. The slow oracle and the handmade vectors hold every codec to the same meaning.
"""

from __future__ import annotations

import pytest

import packetkit
from packetkit.codec import walk
from packetkit.layout.printed import covers_text
from packetkit.mission import checkup

DATAGRAM = """
mission: datagram
frames:
  udp:
    fields:
      - {name: source, bits: 16}
      - {name: destination, bits: 16}
      - {name: size, bits: 16}
      - name: check
        kind: check
        algorithm: SUM-16/INTERNET
        covers: whole_frame
        also: [10, 0, 0, 1, 10, 0, 0, 2, 0, 17, 0, 10]
      - {name: text, repeat: 2, bits: 8}
"""

PLAIN = """
mission: overlay
frames:
  reply:
    fields:
      - {{name: address, bits: 8}}
      - {{name: height, bits: 16}}
      - {{name: check, kind: check, algorithm: CRC-16/IBM-3740, covers: height{more}}}
"""


def frame(more: str = "") -> packetkit.Frame:
    return packetkit.parse(PLAIN.format(more=more)).frame("reply")


def test_a_pseudo_header_counts_though_it_is_not_sent() -> None:
    """0A00+0001+0A00+0002+0011+000A + 0001+0002+000A+4869 = 5C94 in ones' complement; inverted A36B."""
    udp = packetkit.parse(DATAGRAM).frame("udp")
    record = {"source": 1, "destination": 2, "size": 10, "text": [0x48, 0x69]}
    assert udp.encode(record).hex() == "00010002000aa36b4869"
    assert udp.decode(udp.encode(record)) == record


def test_octets_in_front_and_the_mixed_field_are_in_the_fingerprint_and_their_absence_is_not() -> None:
    prints = [
        frame(more).layout.fingerprint for more in ("", ", also: 1", ", also: 2", ", mixed_with: address")
    ]
    assert len(set(prints)) == 4
    assert frame(", also: [1]").layout.fingerprint == prints[1]


def test_the_check_is_told_with_what_it_takes() -> None:
    layout = frame(", also: [0x40, 1], mixed_with: address").layout
    assert covers_text(layout, layout.slots[-1]) == "height, octets 40 01 in front, mixed with address"


def test_no_strength_is_claimed_for_a_check_that_is_mixed() -> None:
    """An error of the same bit in both goes unseen: two wrong bits, whatever the CRC guarantees."""
    mixed = frame(", mixed_with: address")
    assert [told.distance for told in checkup.protections(mixed.layout)] == [None]
    assert checkup.protections(frame().layout)[0].distance is not None
    data = bytearray(mixed.encode({"address": 0x40, "height": 1000}))
    data[0] ^= 1
    data[-1] ^= 1
    assert mixed.decode(bytes(data)) == {"address": 0x41, "height": 1000}


def test_the_generated_decoder_gives_the_walkers_answer_for_each_address() -> None:
    mixed = frame(", mixed_with: address")
    for address in range(256):
        data = mixed.encode({"address": address, "height": 1000})
        assert mixed.decode(data) == walk.decode(mixed.layout, data) == {"address": address, "height": 1000}
        unmixed = frame().encode({"address": address, "height": 1000})
        assert data[-1] == unmixed[-1] ^ address and data[:-1] == unmixed[:-1]
        with pytest.raises(packetkit.CheckFailed):
            mixed.decode(bytes([address ^ 0x80]) + data[1:])
