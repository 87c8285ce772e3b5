"""Lists that nothing counts: whose elements say which is the last, or go on to the end of their part whatever their sizes.

AX.25 version 2.2, section 3.12: addresses, characters shifted up by one, until the lowest bit of one is set; its figure of a frame from
N7LEM to NJ7P is from memory, and its check is that of RFC 1662. Domain names, RFC 1035 section 3.1: labels until one has no character;
dnspython judges. CCSDS 727.0-B-5, 5.2.5 and 5.4: the options of a metadata directive, each with its type and size, to the end of its data
field; spacepackets judges. The bytes with a continuation bit: unsigned LEB128 of DWARF 5, section 7.6, figure C.1.
"""

from __future__ import annotations

from typing import Any

import dns.message
import pytest
from hypothesis import given
from hypothesis import strategies as st
from spacepackets.cfdp.conf import PduConfig
from spacepackets.cfdp.defs import ChecksumType
from spacepackets.cfdp.pdu.metadata import MetadataParams, MetadataPdu
from spacepackets.cfdp.tlv import CfdpTlv, TlvType
from spacepackets.util import ByteFieldU8

import packetkit

SHIFTED = ", ".join(f'{2 * ord(one)}: "{one}"' for one in " 0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ")
UNNUMBERED = packetkit.parse(f"""
mission: amateur-packets
frames:
  frame:
    fields:
      - name: addresses
        repeat: {{ends_when: last, maximum: 10}}
        group:
          - {{name: call_sign, kind: text, length: 6, fill: " ", alphabet: {{bits: 8, characters: {{{SHIFTED}}}}}}}
          - {{name: command_or_repeated, kind: flag}}
          - {{name: spare, bits: 2}}
          - {{name: station, bits: 4}}
          - {{name: last, kind: flag}}
      - {{name: control, bits: 8}}
      - {{name: protocol, bits: 8, missing: [{{code: 0xF0, reason: no layer 3}}]}}
      - {{name: information, kind: bytes, length: rest}}
      - {{name: check, kind: check, algorithm: CRC-16/IBM-SDLC, stored: low_octet_first}}
""").frame("frame")
ADDRESSED = bytes.fromhex("9C946EA04040E0 9C6E988A9A4061 3E F0")


def with_check(octets: bytes) -> bytes:
    """The octets and the 16-bit check of RFC 1662, bit by bit."""
    register = 0xFFFF
    for octet in octets:
        for bit in range(8):
            register = register >> 1 ^ (0x8408 if (register ^ octet >> bit) & 1 else 0)
    return octets + (register ^ 0xFFFF).to_bytes(2, "little")


def test_two_addresses_decode_to_the_standards_call_signs_and_encode_back() -> None:
    data = with_check(ADDRESSED)
    record = UNNUMBERED.decode(data)
    to, source = record["addresses"]
    assert (to["call_sign"], source["call_sign"]) == ("NJ7P", "N7LEM")
    assert (to["last"], source["last"], to["spare"], source["station"]) == (False, True, 3, 0)
    assert (record["control"], record["protocol"]) == (0x3E, None)
    assert UNNUMBERED.encode(record) == data
    for one in record["addresses"]:
        del one["last"]
    assert UNNUMBERED.encode(record) == data


@pytest.mark.parametrize("count", [1, 2, 3, 10])
def test_which_address_is_the_last_is_filled_in(count: int) -> None:
    one = {"call_sign": "W1AW", "command_or_repeated": True, "spare": 3, "station": 7}
    record = {"addresses": [one] * count, "control": 3, "information": b"hello"}
    data = UNNUMBERED.encode(record)
    assert [data[7 * at + 6] for at in range(count)] == [0xEE] * (count - 1) + [0xEF]
    back = UNNUMBERED.decode(data)
    assert [each["last"] for each in back["addresses"]] == [False] * (count - 1) + [True]
    with pytest.raises(packetkit.EncodeError, match=r"addresses\[0\]"):
        UNNUMBERED.encode({**record, "addresses": [{**one, "last": count > 1}, *[one] * (count - 1)]})


def test_addresses_that_never_end_are_an_error() -> None:
    endless = with_check(bytes.fromhex("9C946EA04040E0") * 11)
    with pytest.raises(packetkit.DecodeError, match="goes on after 10 elements"):
        UNNUMBERED.decode(endless)
    with pytest.raises(packetkit.ShortFrame):
        UNNUMBERED.decode(with_check(bytes.fromhex("9C946EA04040E0")))
    with pytest.raises(packetkit.EncodeError, match="its last element says that it is the last"):
        UNNUMBERED.encode({"addresses": [], "control": 3, "information": b""})


QUESTION = packetkit.parse("""
mission: domain-questions
frames:
  question:
    fields:
      - {name: identifier, bits: 16}
      - {name: control, bits: 16}
      - {name: sections, repeat: 4, bits: 16}
      - name: labels
        repeat: {ends_when: {size: 0}, maximum: 128}
        group:
          - {name: size, kind: count, bits: 8, maximum: 63}
          - {name: label, kind: text, length: {count: size}}
      - {name: type, bits: 16, states: {1: A, 15: MX, 16: TXT, 28: AAAA}}
      - {name: network, bits: 16}
""")


@pytest.mark.parametrize(
    "name", [".", "org.", "example.org.", "a.b.c.d.e.f.example.org.", f"{'x' * 63}.test."]
)
def test_labels_of_a_domain_name_are_those_that_a_general_library_wrote(name: str) -> None:
    frame = QUESTION.frame("question")
    data = dns.message.make_query(name, "AAAA", id=0x1234).to_wire()
    record = frame.decode(data)
    assert [one["label"] for one in record["labels"]] == (name.split(".") if name != "." else [""])
    assert record["type"] == "AAAA"
    assert frame.encode(record) == data


METADATA = packetkit.parse("""
mission: file-delivery
frames:
  metadata:
    fields:
      - {name: version, kind: constant, bits: 3, code: 1}
      - {name: type, kind: constant, bits: 1, code: 0}
      - {name: to_sender, kind: flag}
      - {name: unacknowledged, kind: flag}
      - {name: has_check, kind: constant, bits: 1, code: 0}
      - {name: large_file, kind: constant, bits: 1, code: 0}
      - {name: size, kind: length, bits: 16, measures: directive}
      - {name: segmentation, bits: 1}
      - {name: entity_size, kind: constant, bits: 3, code: 0}
      - {name: segment_metadata, kind: flag}
      - {name: sequence_size, kind: constant, bits: 3, code: 0}
      - {name: source, bits: 8}
      - {name: sequence, bits: 8}
      - {name: destination, bits: 8}
      - name: directive
        group:
          - {name: code, kind: constant, bits: 8, code: 7}
          - {kind: reserved, bits: 1}
          - {name: closure, kind: flag}
          - {kind: reserved, bits: 2}
          - {name: checksum, bits: 4}
          - {name: file_size, bits: 32, unit: By}
          - {name: source_size, kind: count, bits: 8}
          - {name: source_file, kind: text, length: {count: source_size}}
          - {name: destination_size, kind: count, bits: 8}
          - {name: destination_file, kind: text, length: {count: destination_size}}
          - name: options
            repeat: {to_end: true}
            group:
              - {name: kind, bits: 8, states: {0: filestore request, 2: message to user, 4: fault handler, 5: flow label}}
              - {name: value_size, kind: length, bits: 8, measures: value}
              - {name: value, kind: bytes, length: rest}
""")


@given(
    st.lists(st.tuples(st.sampled_from([2, 5]), st.binary(max_size=20)), max_size=5),
    st.text("abc/", max_size=9),
)
def test_options_of_several_sizes_are_read_alike_by_a_general_library(
    options: list[tuple[int, bytes]], file: str
) -> None:
    frame = METADATA.frame("metadata")
    record: dict[str, Any] = {
        "to_sender": False,
        "unacknowledged": True,
        "segmentation": 0,
        "segment_metadata": False,
        "source": 1,
        "sequence": 200,
        "destination": 2,
        "directive": {
            "closure": True,
            "checksum": 3,
            "file_size": 70_000,
            "source_file": file,
            "destination_file": "there",
            "options": [
                {"kind": {2: "message to user", 5: "flow label"}[kind], "value": value}
                for kind, value in options
            ],
        },
    }
    data = frame.encode(record)
    assert frame.decode(data) == record
    theirs = MetadataPdu.unpack(data)
    assert (theirs.file_size, theirs.source_file_name or "", theirs.dest_file_name) == (70_000, file, "there")
    assert [(int(one.tlv_type), bytes(one.value)) for one in theirs.options or []] == options


def test_a_library_s_own_options_decode_and_a_cut_one_is_an_error() -> None:
    conf = PduConfig.default()
    conf.source_entity_id, conf.dest_entity_id, conf.transaction_seq_num = (
        ByteFieldU8(1),
        ByteFieldU8(2),
        ByteFieldU8(3),
    )
    options = [CfdpTlv(TlvType.MESSAGE_TO_USER, b"cfdp"), CfdpTlv(TlvType.FLOW_LABEL, b"")]
    params = MetadataParams(True, ChecksumType.CRC_32, 5, "a", "b")
    data = bytes(MetadataPdu(conf, params, options).pack())
    frame = METADATA.frame("metadata")
    record = frame.decode(data)
    assert [one["value"] for one in record["directive"]["options"]] == [b"cfdp", b""]
    assert frame.encode(record) == data
    for cut in range(1, 4):
        shorter = data[:1] + (len(data) - 7 - cut).to_bytes(2, "big") + data[3:-cut]
        if cut != 2:  # two octets are all of the last option
            with pytest.raises(packetkit.DecodeError, match="bits"):
                frame.decode(shorter)
        else:
            assert len(frame.decode(shorter)["directive"]["options"]) == 1


VARIABLE = packetkit.parse("""
mission: variable-numbers
frames:
  number:
    fields:
      - name: sevens
        repeat: {goes_on_when: more, maximum: 10}
        group:
          - {name: more, kind: flag}
          - {name: low, bits: 7}
""").frame("number")


@pytest.mark.parametrize(
    ("value", "octets"),
    [(2, "02"), (127, "7f"), (128, "8001"), (129, "8101"), (130, "8201"), (12857, "b964")],
)
def test_a_number_of_groups_of_seven_bits_is_that_of_the_standards_table(value: int, octets: str) -> None:
    record = VARIABLE.decode(bytes.fromhex(octets))
    assert sum(one["low"] << 7 * at for at, one in enumerate(record["sevens"])) == value
    assert VARIABLE.encode({"sevens": [{"low": one["low"]} for one in record["sevens"]]}).hex() == octets


def test_a_list_behind_variants_that_are_no_octets_finds_its_own_end() -> None:
    """What varies behind variants leaves no octets for an unknown one, so slots are numbered anew, and what ends a list with them."""
    frame = packetkit.parse("""
mission: told-lists
frames:
  one:
    fields:
      - {name: form, bits: 8}
      - name: body
        told_by: form
        variants:
          - {name: brief, when: {form: 1}, group: [{name: value, bits: 8}]}
          - {name: wide, when: {form: 2}, group: [{name: value, bits: 32}]}
      - name: notes
        repeat: {goes_on_when: more, maximum: 4}
        group: [{name: more, kind: flag}, {name: note, bits: 7}]
""").frame("one")
    data = bytes.fromhex("01 2A 83 84 05")
    record = frame.decode(data)
    assert [one["note"] for one in record["notes"]] == [3, 4, 5]
    assert frame.encode(record) == data
