"""Published formats whose parts are measured, counted or chosen: texts, lengths and variants, against frames of their standards.

RTCM 10403.1 section 4.2 prints a message 1005 and a message 1029 in full transport frames; bytes and values are from memory, and pyrtcm
1.2.1, a decoder of the standard, judges both. IEEE C37.118-2005 annex D prints a data frame (bytes and values from memory; its own check
holds). ITU-R M.1371 type 1: the sentence and values are those of E. S. Raymond's "AIVDM/AIVDO protocol decoding" (a text quoting the
recommendation; from memory), and pyais 3.3, a decoder of it, judges. CCSDS 133.0-B-2 section 4.1: spacepackets 0.32, a general library,
judges. DNS: RFC 1035 section 4.1.1, dnspython 2.9 judges. Internet header with options: RFC 791 sections 3.1 and 3.2.
"""

from __future__ import annotations

from typing import Any

import dns.flags
import dns.message
import pyais
import pyrtcm
import pytest
from spacepackets.ccsds.spacepacket import PacketType, SpacePacketHeader

import packetkit

REFERENCE_STATION = """
mission: rtcm
frames:
  transport:
    fields:
      - {name: preamble, kind: sync, bits: 8, code: 0xD3}
      - {kind: reserved, bits: 6}
      - {name: size, kind: length, bits: 10, measures: message}
      - name: message
        group:
          - {name: number, bits: 12}
          - {name: station, bits: 12}
          - name: body
            told_by: number
            variants:
              - name: antenna_point
                when: {number: 1005}
                group:
                  - {name: realization_year, bits: 6}
                  - {name: gps, kind: flag}
                  - {name: glonass, kind: flag}
                  - {name: galileo, kind: flag}
                  - {name: reference, bits: 1, states: {0: real, 1: "not physical"}}
                  - {name: x, bits: 38, signed: true, scale: 0.0001, unit: m}
                  - {name: single_oscillator, kind: flag}
                  - {kind: reserved, bits: 1}
                  - {name: y, bits: 38, signed: true, scale: 0.0001, unit: m}
                  - {name: quarter_cycle, bits: 2}
                  - {name: z, bits: 38, signed: true, scale: 0.0001, unit: m}
              - name: text
                when: {number: 1029}
                group:
                  - {name: day, bits: 16, description: Modified Julian Day}
                  - {name: second, bits: 17, unit: s}
                  - {name: characters, bits: 7}
                  - {name: octets, kind: count, bits: 8}
                  - {name: words, kind: text, encoding: utf_8, length: {count: octets}}
      - {name: parity, kind: check, algorithm: {width: 24, polynomial: 0x864CFB}}
"""

ANTENNA_POINT = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")
TEXT = bytes.fromhex(
    "D300274050170084736E151E5554462D3820D0BFD180D0BED0B2D0B5D180D0BAD0B02077C3B672746572EDA33B"
)


def test_an_antenna_reference_point_decodes_to_the_standards_values_and_encodes_back() -> None:
    frame = packetkit.parse(REFERENCE_STATION).frame("transport")
    record = frame.decode(ANTENNA_POINT)
    point = record["message"]["body"]["antenna_point"]
    assert (record["message"]["number"], record["message"]["station"]) == (1005, 2003)
    assert (point["gps"], point["glonass"], point["galileo"]) == (True, False, False)
    assert (point["x"], point["y"], point["z"]) == (1114104.5999, -4850729.7108, 3975521.4643)
    assert frame.encode(record) == ANTENNA_POINT
    judge = pyrtcm.RTCMReader.parse(ANTENNA_POINT)
    judged = [round(one, 4) for one in (judge.DF025, judge.DF026, judge.DF027)]  # it multiplies doubles
    assert (judge.DF003, judged) == (2003, [point["x"], point["y"], point["z"]])


def test_a_counted_text_decodes_to_the_standards_words_and_encodes_back() -> None:
    frame = packetkit.parse(REFERENCE_STATION).frame("transport")
    record = frame.decode(TEXT)
    text = record["message"]["body"]["text"]
    assert record["message"] == {
        "number": 1029,
        "station": 23,
        "body": {
            "text": {
                "day": 132,
                "second": 59100,
                "characters": 21,
                "words": "UTF-8 проверка wörter",
            }
        },
    }
    assert frame.encode(record) == TEXT
    judge = pyrtcm.RTCMReader.parse(TEXT)
    judged = [judge.DF051, judge.DF052, judge.DF138, judge.DF139]
    assert judged == [132, text["second"], 21, 30]


def test_a_message_without_a_variant_is_kept_and_encodes_back() -> None:
    """Message 4095 is proprietary: its body of four bits less than whole octets stays as it is."""
    frame = packetkit.parse(REFERENCE_STATION).frame("transport")
    record = {"message": {"number": 4095, "station": 1, "body": {"unknown": b"\x12\x34"}}}
    data = frame.encode(record)
    assert data[1:3] == bytes([0, 5])
    assert frame.decode(data) == record


def test_each_flipped_bit_of_a_transport_frame_is_noticed() -> None:
    frame = packetkit.parse(REFERENCE_STATION).frame("transport")
    for bit in range(len(TEXT) * 8):
        damaged = bytearray(TEXT)
        damaged[bit // 8] ^= 0x80 >> bit % 8
        if 8 <= bit < 14:
            continue  # reserved bits: reported, and covered by the check all the same
        with pytest.raises(packetkit.DecodeError):
            frame.decode(bytes(damaged))


SYNCHROPHASOR = """
mission: synchrophasor
frames:
  data:
    fields:
      - {name: sync, kind: sync, bits: 16, code: 0xAA01}
      - {name: size, kind: length, bits: 16, measures: whole_frame}
      - {name: source, bits: 16}
      - {name: second, bits: 32}
      - {name: time_quality, bits: 8}
      - {name: fraction, bits: 24, scale: 1/1000000, unit: s}
      - {name: status, bits: 16}
      - name: phasors
        repeat: 4
        group:
          - {name: real, bits: 16, signed: true}
          - {name: imaginary, bits: 16, signed: true}
      - {name: frequency, bits: 16, signed: true, unit: mHz}
      - {name: frequency_rate, bits: 16, signed: true}
      - {name: analog, kind: float, bits: 32, repeat: 3}
      - {name: digital, bits: 16}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""

SYNCHROPHASOR_DATA = bytes.fromhex(
    "AA0100341E36448536000000 41B10000 392B0000E36ACE7CE36A318304440000 09C40000 42C80000447A0000461C4000 3C12D43F"
)


def test_a_synchrophasor_decodes_to_the_standards_values_and_encodes_back() -> None:
    frame = packetkit.parse(SYNCHROPHASOR).frame("data")
    record = frame.decode(SYNCHROPHASOR_DATA)
    assert (record["source"], record["second"], record["fraction"]) == (7734, 1149580800, 0.016817)
    assert record["phasors"][0] == {"real": 14635, "imaginary": 0}
    assert record["phasors"][1] == {"real": -7318, "imaginary": -12676}
    assert (record["frequency"], record["analog"]) == (2500, [100.0, 1000.0, 10000.0])
    assert record["digital"] == 0x3C12
    assert frame.encode(record) == SYNCHROPHASOR_DATA


POSITION_REPORT = """
mission: ship
frames:
  report:
    fields:
      - {name: type, kind: tag, bits: 6, code: {from: 1, to: 3}}
      - {name: repeat_indicator, bits: 2}
      - {name: station, bits: 30}
      - {name: status, bits: 4, states: {0: under way, 1: at anchor, 5: moored, 15: not defined}}
      - {name: turn, bits: 8, signed: true, missing: {code: -128, reason: not available}}
      - {name: speed, bits: 10, scale: 0.1, unit: kn, missing: {code: 1023, reason: not available}, at_least: 1022}
      - {name: accurate, kind: flag}
      - {name: longitude, bits: 28, signed: true, scale: 1/600000, unit: deg, missing: {code: 0x6791AC0, reason: not available}}
      - {name: latitude, bits: 27, signed: true, scale: 1/600000, unit: deg, missing: {code: 0x3412140, reason: not available}}
      - {name: course, bits: 12, scale: 0.1, unit: deg, missing: {code: 3600, reason: not available}}
      - {name: heading, bits: 9, unit: deg, missing: {code: 511, reason: not available}}
      - name: second
        bits: 6
        missing:
          - {code: 60, reason: not available}
          - {code: 61, reason: manual input}
          - {code: 62, reason: dead reckoning}
          - {code: 63, reason: out of order}
      - {name: manoeuvre, bits: 2}
      - {kind: reserved, bits: 3}
      - {name: integrity_monitoring, kind: flag}
      - {name: communication, bits: 19}
"""

SENTENCE = "!AIVDM,1,1,,B,177KQJ5000G?tO`K>RA1wUbN0TKH,0*5C"


def six_bits(payload: str) -> bytes:
    """Return the octets of an armoured payload: each character is six bits (IEC 61162-1, from memory)."""
    codes = [ord(one) - 48 - (8 if ord(one) - 48 > 40 else 0) for one in payload]
    bits = "".join(f"{code:06b}" for code in codes)
    return int(bits, 2).to_bytes(len(bits) // 8, "big")


def test_a_ships_position_decodes_to_the_published_values_and_encodes_back() -> None:
    data = six_bits(SENTENCE.split(",")[5])
    frame = packetkit.parse(POSITION_REPORT).frame("report")
    record = frame.decode(data)
    assert (record["station"], record["status"], record["speed"]) == (477553000, "moored", 0.0)
    assert (round(record["longitude"], 4), round(record["latitude"], 4)) == (-122.3458, 47.5828)
    assert (record["course"], record["heading"], record["second"]) == (51.0, 181, 15)
    assert frame.encode(record) == data
    judge = pyais.decode(SENTENCE).asdict()
    assert (judge["mmsi"], judge["course"], judge["heading"], judge["second"]) == (477553000, 51.0, 181, 15)
    assert judge["radio"] == record["communication"] == 149208


def test_codes_of_a_ship_that_mean_no_value_give_none_and_the_reason() -> None:
    frame = packetkit.parse(POSITION_REPORT).frame("report")
    record = frame.decode(six_bits(SENTENCE.split(",")[5]))
    unknown = {**record, "turn": None, "speed": None, "longitude": None, "latitude": None, "course": None}
    unknown |= {"heading": None, "second": "dead reckoning"}
    detail = frame.decode(frame.encode(unknown), detail=True)
    assert (detail["longitude"]["raw"], detail["latitude"]["raw"]) == (181 * 600000, 91 * 600000)
    assert (detail["second"]["value"], detail["second"]["reason"]) == (None, "dead reckoning")
    said: dict[str, Any] = {**pyais.decode(SENTENCE).asdict(), "lon": 181, "lat": 91}
    judge = pyais.decode(pyais.encode_dict(said)[0]).asdict()
    assert (judge["lon"], judge["lat"]) == (181.0, 91.0)


SPACE_PACKET = """
mission: space-packet
frames:
  telemetry:
    fields:
      - {name: version, kind: constant, bits: 3, code: 0}
      - {name: type, bits: 1, states: {0: telemetry, 1: telecommand}}
      - {name: secondary_header, kind: flag}
      - {name: process, bits: 11}
      - {name: grouping, bits: 2, states: {0: continuation, 1: first, 2: last, 3: unsegmented}}
      - {name: sequence, bits: 14, role: sequence}
      - {name: data_length, kind: length, bits: 16, measures: packet_data, less: 1}
      - name: packet_data
        group:
          - {name: user_data, kind: bytes, length: rest}
          - {name: error_control, kind: check, algorithm: CRC-16/IBM-3740}
"""


@pytest.mark.parametrize("size", [0, 1, 7, 254])
def test_a_space_packet_is_read_alike_by_a_general_library(size: int) -> None:
    frame = packetkit.parse(SPACE_PACKET).frame("telemetry")
    record: dict[str, Any] = {
        "type": "telemetry",
        "secondary_header": False,
        "process": 0x2A5,
        "grouping": "unsegmented",
        "sequence": 5000,
        "packet_data": {"user_data": bytes(range(size))},
    }
    data = frame.encode(record)
    header = SpacePacketHeader.unpack(data)
    assert (header.packet_type, header.apid, header.seq_count) == (PacketType.TM, 0x2A5, 5000)
    assert header.data_len == size + 2 - 1
    assert header.packet_len == len(data)
    assert header.pack() == data[:6]
    assert frame.decode(data) == record
    with pytest.raises(packetkit.DecodeError):
        frame.decode(data + b"\0")


DOMAIN_HEADER = """
mission: domain-names
frames:
  message:
    fields:
      - {name: identifier, bits: 16}
      - name: control
        flags:
          - response
          - {name: operation, bits: 4, states: {0: query, 1: inverse query, 2: status}}
          - authoritative
          - truncated
          - recursion_desired
          - recursion_available
          - {kind: reserved, bits: 3}
          - {name: outcome, bits: 4, states: {0: no error, 3: name error}}
      - {name: questions, bits: 16}
      - {name: answers, bits: 16}
      - {name: authorities, bits: 16}
      - {name: additional, bits: 16}
      - {name: sections, kind: bytes, length: rest}
"""


def test_flags_of_a_domain_name_message_are_those_that_a_general_library_wrote() -> None:
    question = dns.message.make_query("example.org", "A", id=0x1234)
    data = question.to_wire()
    frame = packetkit.parse(DOMAIN_HEADER).frame("message")
    record = frame.decode(data)
    assert record["identifier"] == 0x1234
    assert record["control"] == {
        "response": False,
        "operation": "query",
        "authoritative": False,
        "truncated": False,
        "recursion_desired": True,
        "recursion_available": False,
        "outcome": "no error",
    }
    assert (record["questions"], record["answers"]) == (1, 0)
    record["control"] |= {
        "response": True,
        "authoritative": True,
        "recursion_available": True,
        "outcome": "name error",
    }
    answer = dns.message.from_wire(frame.encode(record))
    assert answer.flags & ~0xF == dns.flags.QR | dns.flags.AA | dns.flags.RD | dns.flags.RA
    assert answer.rcode() == 3


INTERNET_PACKET = """
mission: internet
frames:
  packet:
    fields:
      - name: header
        group:
          - {name: version, kind: constant, bits: 4, code: 4}
          - {name: header_words, kind: length, bits: 4, measures: header, in: words_of_32}
          - {name: service, bits: 8}
          - {name: total_length, kind: length, bits: 16, measures: whole_frame}
          - {name: identification, bits: 16}
          - {name: control, flags: [{kind: reserved, bits: 1}, do_not_fragment, more_fragments]}
          - {name: fragment_offset, bits: 13}
          - {name: time_to_live, bits: 8}
          - {name: protocol, bits: 8, states: {1: ICMP, 6: TCP, 17: UDP}}
          - {name: header_check, kind: check, algorithm: SUM-16/INTERNET, covers: header, self: zero}
          - {name: source, kind: bytes, length: 4}
          - {name: destination, kind: bytes, length: 4}
          - {name: options, kind: bytes, length: rest}
      - {name: payload, kind: bytes, length: rest}
"""


def test_the_internet_headers_two_lengths_say_where_options_and_payload_end() -> None:
    """The worked header of the article "Internet checksum" of Wikipedia, with the 95 octets that its total length tells."""
    frame = packetkit.parse(INTERNET_PACKET).frame("packet")
    data = bytes.fromhex("45000073000040004011b861c0a80001c0a800c7") + bytes(range(95))
    record = frame.decode(data)
    assert record["header"]["options"] == b""
    assert record["payload"] == bytes(range(95))
    assert (record["header"]["source"], record["header"]["destination"]) == (
        bytes([192, 168, 0, 1]),
        bytes([192, 168, 0, 199]),
    )
    assert frame.encode(record) == data
    record["header"]["options"] = bytes([1, 1, 1, 0])  # no operation three times, end of options
    longer = frame.encode(record)
    assert (longer[0], int.from_bytes(longer[2:4], "big")) == (0x46, 0x73 + 4)
    assert frame.decode(longer) == record
    record["header"]["options"] = bytes([0])
    with pytest.raises(packetkit.EncodeError, match="whole units"):
        frame.encode(record)
