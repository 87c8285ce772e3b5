"""What follows an end and is not always there: how long it is, fields before that end say.

IEEE 802.15.4-2006 section 7.2 (frames), 7.5.8 and 7.6.2 (the auxiliary security header; the authentication code is as long as the security
level says) and the secured beacon and command of its annex C.2.1 and C.2.3, both from memory; their codes were worked out anew
by AES-CCM (RFC 3610) of a general library under the annex's key, C0 C1 ... CF, with a result of the same octets.
"""

from __future__ import annotations

import pytest

import packetkit
from packetkit.errors import ShortFrame, UnknownVariant

SECURED = """
mission: local-radio
frames:
  secured:
    packing: least_significant_first
    fields:
      - {name: type, bits: 3, states: {0: beacon, 1: data, 2: acknowledgement, 3: command}}
      - {name: secured, kind: flag}
      - {name: pending, kind: flag}
      - {name: acknowledge, kind: flag}
      - {name: one_network, kind: flag}
      - {kind: reserved, bits: 3}
      - {name: destination_form, bits: 2, states: {0: none, 2: short, 3: extended}}
      - {name: version, bits: 2}
      - {name: source_form, bits: 2, states: {0: none, 2: short, 3: extended}}
      - {name: sequence, bits: 8}
      - name: destination
        present_when: {destination_form: [short, extended]}
        group:
          - {name: network, bits: 16}
          - {name: brief, bits: 16, present_when: {destination_form: short}}
          - {name: extended, bits: 64, present_when: {destination_form: extended}}
      - name: source
        present_when: {source_form: [short, extended]}
        group:
          - {name: network, bits: 16, present_when: {one_network: false}}
          - {name: brief, bits: 16, present_when: {source_form: short}}
          - {name: extended, bits: 64, present_when: {source_form: extended}}
      - name: security
        present_when: secured
        group:
          - {name: level, bits: 3}
          - {name: key_form, bits: 2}
          - {kind: reserved, bits: 3}
          - {name: counter, bits: 32}
          - {name: key_source, bits: 32, present_when: {key_form: 2}}
          - {name: key_source_long, bits: 64, present_when: {key_form: 3}}
          - {name: key, bits: 8, present_when: {key_form: [1, 2, 3]}}
      - {name: payload, kind: bytes, length: rest}
      - {name: code_4, kind: bytes, length: 4, present_when: {security.level: [1, 5]}}
      - {name: code_8, kind: bytes, length: 8, present_when: {security.level: [2, 6]}}
      - {name: code_16, kind: bytes, length: 16, present_when: {security.level: [3, 7]}}
"""
FRAME = packetkit.parse(SECURED).frame()
BEACON = bytes.fromhex("08d0842143010000000048deac020500000055cf000051525354223bc1ec841ab553")
COMMAND = bytes.fromhex("2bdc842143020000000048deacffff010000000048deac060500000001d84fde529061f9c6f1")


def test_the_codes_of_the_annexs_frames_are_as_long_as_their_levels_say() -> None:
    beacon = FRAME.decode(BEACON)
    assert (beacon["type"], beacon["source"]["network"], beacon["source"]["extended"]) == (
        "beacon",
        0x4321,
        0xACDE480000000001,
    )
    assert (beacon["security"]["level"], beacon["security"]["counter"]) == (2, 5)
    assert beacon["payload"] == bytes.fromhex("55cf000051525354")
    assert (beacon["code_4"], beacon["code_8"], beacon["code_16"]) == (
        None,
        bytes.fromhex("223bc1ec841ab553"),
        None,
    )
    command = FRAME.decode(COMMAND)
    assert (command["type"], command["destination"]["extended"]) == ("command", 0xACDE480000000002)
    assert (command["payload"], command["code_8"]) == (b"\x01\xd8", bytes.fromhex("4fde529061f9c6f1"))
    assert [FRAME.encode(record) for record in (beacon, command)] == [BEACON, COMMAND]


@pytest.mark.parametrize(
    ("level", "octets"), [(0, 0), (1, 4), (2, 8), (3, 16), (4, 0), (5, 4), (6, 8), (7, 16)]
)
def test_each_level_has_a_code_of_its_own_length(level: int, octets: int) -> None:
    frame = bytes([8, 0, 1, level, 0, 0, 0, 0]) + b"payload" + bytes(range(octets))
    record = FRAME.decode(frame)
    codes = [record[name] for name in ("code_4", "code_8", "code_16") if record[name] is not None]
    assert (record["payload"], codes) == (b"payload", [bytes(range(octets))] * (octets > 0))
    assert FRAME.encode(record) == frame
    if octets == 16:
        with pytest.raises(ShortFrame, match="code_16"):
            FRAME.decode(frame[:-8])


def test_without_security_the_payload_runs_to_the_end() -> None:
    assert FRAME.decode(b"\x01\x00\x07" + BEACON)["payload"] == BEACON


def test_what_follows_an_end_may_be_variants_that_a_field_before_it_tells() -> None:
    text = """
mission: m
frames:
  a:
    fields:
      - {name: form, bits: 1}
      - {kind: reserved, bits: 7}
      - {name: body, kind: bytes, length: rest}
      - name: trailer
        told_by: form
        variants:
          - {name: brief, when: {form: 0}, group: [{name: number, bits: 8}]}
          - {name: longer, when: {form: 1}, group: [{name: number, bits: 24}, {name: more, bits: 8}]}
"""
    frame = packetkit.parse(text).frame()
    for record, data in (
        ({"form": 0, "body": b"ab", "trailer": {"brief": {"number": 9}}}, "00616209"),
        ({"form": 1, "body": b"ab", "trailer": {"longer": {"number": 9, "more": 1}}}, "80616200000901"),
    ):
        assert frame.encode(record).hex() == data
        assert frame.decode(bytes.fromhex(data)) == record
    wider = packetkit.parse(text.replace("form, bits: 1", "form, bits: 2").replace("bits: 7", "bits: 6"))
    with pytest.raises(UnknownVariant, match="trailer has no variant for form 3"):
        wider.frame().decode(b"\xc0\x00")
