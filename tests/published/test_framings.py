"""Published framings by their checks: which octets they cover, in which order their own ones lie, and where their registers start.

Values from memory, each confirmed by the catalogue's row: ISO/IEC 14443-3, annex B (CRC_A over 00 00 and 12 34, CRC_B over 0A 12 34 56)
and HLTA; a program association table as multiplexers send it (ISO/IEC 13818-1); SABM of link access procedures (ITU-T X.25, FCS of HDLC);
AUTOSAR's specification of CRC routines (SAE J1850, table of examples); the LIN specification 2.1, section 2.8.3 (the sum of 4A 55 93 E5)
and its table of protected identifiers. Blocks of 128 octets with a number and its complement: common
practice (XMODEM with a CRC, whose value is that of module binascii).
"""

from __future__ import annotations

from typing import Any

import pytest

import packetkit

CARD = """
      - {name: command, kind: bytes, length: rest}
      - {name: check, kind: check, algorithm: %s, stored: low_octet_first}"""
SCHEMAS = {
    "card_a": CARD % "CRC-16/ISO-IEC-14443-3-A",
    "card_b": CARD % "CRC-16/IBM-SDLC",
    "link": """
      - {name: address, bits: 8}
      - {name: control, bits: 8, states: {0x3F: SABM, 0x73: UA}}
      - {name: check, kind: check, algorithm: CRC-16/IBM-SDLC, stored: low_octet_first}""",
    "table": """
      - {name: table, kind: constant, bits: 8, code: 0}
      - {name: long_form, kind: flag}
      - {kind: reserved, bits: 1}
      - {name: fixed, kind: constant, bits: 2, code: 3}
      - {name: size, kind: length, bits: 12, measures: section}
      - name: section
        group:
          - {name: stream, bits: 16}
          - {name: fixed, kind: constant, bits: 2, code: 3}
          - {name: version, bits: 5}
          - {name: current, kind: flag}
          - {name: number, bits: 8}
          - {name: last, bits: 8}
          - name: programs
            repeat: {to_end: true}
            group:
              - {name: program, bits: 16}
              - {name: fixed, kind: constant, bits: 3, code: 7}
              - {name: map_at, bits: 13}
          - {name: check, kind: check, covers: whole_frame, self: skip, algorithm: CRC-32/MPEG-2}""",
    "sensor": """
      - {name: data, kind: bytes, length: rest}
      - {name: check, kind: check, algorithm: CRC-8/SAE-J1850}""",
    "block": """
      - {name: start, kind: constant, bits: 8, code: 1}
      - {name: number, bits: 8}
      - {name: complement, kind: check, covers: number, also: 0xFF, algorithm: XOR-8}
      - {name: data, kind: bytes, length: 128}
      - {name: check, kind: check, covers: data, algorithm: CRC-16/XMODEM}""",
}


def frame(name: str) -> packetkit.Frame:
    return packetkit.parse(f"mission: framings\nframes:\n  {name}:\n    fields:{SCHEMAS[name]}\n").frame()


@pytest.mark.parametrize(
    ("name", "sent", "expected"),
    [
        ("card_a", "0000 A01E", {"command": b"\0\0"}),
        ("card_a", "1234 26CF", {"command": b"\x12\x34"}),
        ("card_a", "5000 57CD", {"command": b"\x50\0"}),
        ("card_b", "0A123456 2CF6", {"command": bytes.fromhex("0A123456")}),
        ("link", "03 3F 5B EC", {"address": 3, "control": "SABM"}),
        ("link", "01 3F EB DF", {"address": 1, "control": "SABM"}),
        (
            "table",
            "00 B0 0D 00 01 C1 00 00 00 01 F0 00 2A B1 04 B2",
            {
                "long_form": True,
                "section": {
                    "stream": 1,
                    "version": 0,
                    "current": True,
                    "number": 0,
                    "last": 0,
                    "programs": [{"program": 1, "map_at": 0x1000}],
                },
            },
        ),
        *(
            ("sensor", sent, {"data": bytes.fromhex(sent)[:-1]})
            for sent in (
                "00000000 59",
                "F20183 37",
                "0FAA0055 79",
                "00FF5511 B8",
                "332255AABBCCDDEEFF CB",
                "926B55 8C",
                "FFFFFFFF 74",
            )
        ),
        (
            "block",
            "01 05 FA" + 128 * "1A" + " F8 B0",
            {"number": 5, "data": 128 * b"\x1a"},
        ),
    ],
)
def test_frames_of_published_framings_decode_and_are_made_again(
    name: str, sent: str, expected: dict[str, Any]
) -> None:
    one, data = frame(name), bytes.fromhex(sent)
    assert one.decode(data) == expected
    assert one.encode(expected) == data == one.encode(one.decode(data, detail=True))
    for at in range(len(data)):
        wrong = bytearray(data)
        wrong[at] ^= 0x20
        with pytest.raises(packetkit.DecodeError):
            one.decode(bytes(wrong))


LIN = """
mission: lin
frames:
  answer:
    told_by: outside
    fields:
      - {name: shielded, kind: supplied, bits: 8, description: the identifier with its parities}
      - {name: data, kind: bytes, length: rest}
      - {name: check, kind: check, algorithm: SUM-8/LIN, also: shielded}
  classic:
    told_by: outside
    fields:
      - {name: data, kind: bytes, length: rest}
      - {name: check, kind: check, algorithm: SUM-8/LIN}
  header:
    told_by: outside
    packing: least_significant_first
    fields:
      - {name: identifier, bits: 6}
      - name: parities
        kind: check
        algorithm: {parity: [[2, 4, 5, 6], [1, 2, 3, 5]], final_xor: 2}
"""


def test_a_bus_of_vehicles_protects_its_identifier_and_feeds_it_to_the_sum() -> None:
    mission = packetkit.parse(LIN)
    table = {0x00: 0x80, 0x01: 0xC1, 0x02: 0x42, 0x0F: 0xCF, 0x3C: 0x3C, 0x3D: 0x7D}
    for identifier, protected in table.items():
        assert mission.frame("header").encode({"identifier": identifier}) == bytes([protected])
    classic, answer = mission.frame("classic"), mission.frame("answer")
    assert classic.encode({"data": bytes.fromhex("4A5593E5")}).hex() == "4a5593e5e6"
    data = answer.encode({"shielded": 0x4A, "data": bytes.fromhex("5593E5")})
    assert data.hex() == "5593e5e6"  # the same octets, the first of them not sent
    assert answer.decode(data, known={"shielded": 0x4A})["data"] == bytes.fromhex("5593E5")
    with pytest.raises(packetkit.CheckFailed):
        answer.decode(data, known={"shielded": 0x8E})
