"""Formats of further trades, each in a page: a short message, a meter's answer, options of a host, properties of a building.

GSM 03.40 section 9.2 with 03.38 (semi-octets, characters of seven bits): the message "hellohello" that texts on it print. EN 13757-3
(records with chains of DIFE and VIFE): the answer of a water meter in its annex, and in the document of the M-Bus user group; its sum
agrees. RFC 2131 and 2132 (host configuration), ASHRAE 135 clause 20.2.1 (tags), put together here. All from memory.
"""

from __future__ import annotations

import pytest

import packetkit
from packetkit.errors import UnknownVariant

LETTERS = '{10: "\\n", 32: " ", 33: "!", 46: ".", 48: "0123456789", 65: "ABCDEFGHIJKLMNOPQRSTUVWXYZ", 97: "abcdefghijklmnopqrstuvwxyz"}'
NUMBER = '{bits: 4, characters: "0123456789*#abc"}'
SWAPPED = ", ".join(f"[{8 * octet + 4}, 4], [{8 * octet}, 4]" for octet in range(6))
TRADES = packetkit.parse(f"""
mission: trades
frames:
  short_message:
    told_by: outside
    packing: least_significant_first
    fields:
      - {{name: centre_size, kind: length, bits: 8, measures: centre}}
      - name: centre
        group:
          - {{name: type, bits: 8}}
          - {{name: digits, kind: bytes, length: rest}}
      - {{name: kind_of, bits: 2}}
      - {{name: no_more, kind: flag}}
      - {{kind: reserved, bits: 2}}
      - {{name: report, kind: flag}}
      - {{name: header, kind: flag}}
      - {{name: reply_path, kind: flag}}
      - {{name: sender_size, kind: count, bits: 8, maximum: 20}}
      - {{name: sender_type, bits: 8}}
      - {{name: sender, kind: text, length: {{count: sender_size}}, alphabet: {NUMBER}}}
      - {{name: filler, bits: 4, present_when: {{sender_size: [1, 3, 5, 7, 9, 11, 13, 15, 17, 19]}}}}
      - {{kind: reserved, up_to: byte}}
      - {{name: protocol, bits: 8}}
      - {{name: scheme, bits: 8}}
      - name: sent
        packing: most_significant_first
        group:
          - name: at
            kind: time
            coding: binary_coded_decimal
            counts: {{years: {{bits: 8, offset: 2000}}, months: 8, days: 8, hours: 8, minutes: 8, seconds: 8}}
            runs: [{SWAPPED}]
          - {{name: zone, bits: 8, unit: quarters of an hour}}
      - {{name: size, kind: count, bits: 8, maximum: 160}}
      - {{name: text, kind: text, length: {{count: size}}, alphabet: {{bits: 7, characters: {LETTERS}}}}}
      - {{kind: reserved, up_to: byte}}
  answer:
    told_by: outside
    packing: least_significant_first
    fields:
      - {{name: start, kind: sync, bits: 8, code: 0x68}}
      - {{name: size, kind: length, bits: 8, measures: body}}
      - {{name: size_again, bits: 8}}
      - {{name: start_again, kind: constant, bits: 8, code: 0x68}}
      - name: body
        group:
          - {{name: control, bits: 8}}
          - {{name: address, bits: 8}}
          - {{name: information, bits: 8}}
          - {{name: meter, bits: 32, coding: binary_coded_decimal}}
          - {{name: maker, bits: 16}}
          - {{name: version, bits: 8}}
          - {{name: medium, bits: 8}}
          - {{name: access, bits: 8}}
          - {{name: status, bits: 8}}
          - {{name: signature, bits: 16}}
          - name: records
            repeat: {{to_end: true, maximum: 60}}
            group:
              - {{name: form, bits: 4}}
              - {{name: function_code, bits: 2, states: {{0: now, 1: maximum, 2: minimum, 3: in error}}}}
              - {{name: storage, bits: 1}}
              - {{name: extended, kind: flag}}
              - name: extensions
                present_when: extended
                repeat: {{goes_on_when: more, maximum: 10}}
                group: [{{name: storage, bits: 4}}, {{name: tariff, bits: 2}}, {{name: unit, bits: 1}}, {{name: more, kind: flag}}]
              - name: quantities
                repeat: {{goes_on_when: more, maximum: 11}}
                group: [{{name: code, bits: 7}}, {{name: more, kind: flag}}]
              - name: content
                told_by: form
                variants:
                  - {{name: nothing, when: {{form: 0}}}}
                  - {{name: bits_16, when: {{form: 2}}, group: [{{name: number, bits: 16, signed: true}}]}}
                  - {{name: bits_24, when: {{form: 3}}, group: [{{name: number, bits: 24, signed: true}}]}}
                  - {{name: bits_32, when: {{form: 4}}, group: [{{name: number, bits: 32, signed: true}}]}}
                  - {{name: real, when: {{form: 5}}, group: [{{name: number, kind: float, bits: 32}}]}}
                  - {{name: digits_4, when: {{form: 10}}, group: [{{name: number, bits: 16, coding: binary_coded_decimal}}]}}
                  - {{name: digits_6, when: {{form: 11}}, group: [{{name: number, bits: 24, coding: binary_coded_decimal}}]}}
                  - {{name: digits_8, when: {{form: 12}}, group: [{{name: number, bits: 32, coding: binary_coded_decimal}}]}}
      - {{name: check, kind: check, algorithm: SUM-8, covers: body}}
      - {{name: stop, kind: constant, bits: 8, code: 0x16}}
  host_options:
    told_by: outside
    fields:
      - {{name: cookie, kind: constant, bits: 32, code: 0x63825363}}
      - name: options
        repeat: {{ends_when: {{code: 255}}, maximum: 100}}
        group:
          - {{name: code, bits: 8}}
          - name: body
            told_by: code
            variants:
              - {{name: pad, when: {{code: 0}}}}
              - {{name: last, when: {{code: 255}}}}
              - name: message
                when: {{code: 53}}
                group:
                  - {{name: size, kind: constant, bits: 8, code: 1}}
                  - {{name: message, bits: 8, states: {{1: discover, 2: offer, 3: request, 5: acknowledge}}}}
              - name: other
                when: {{code: [{{from: 1, to: 52}}, {{from: 54, to: 254}}]}}
                group:
                  - {{name: size, kind: length, bits: 8, measures: value}}
                  - {{name: value, kind: bytes, length: rest}}
      - {{name: padding, kind: bytes, length: rest}}
  properties:
    told_by: outside
    fields:
      - name: tags
        repeat: {{to_end: true, maximum: 20}}
        group:
          - {{name: number, bits: 4}}
          - {{name: context, kind: flag}}
          - name: size
            kind: length
            measures: value
            coding: {{first_bits: 3, forms: [{{from: 0, to: 4}}, {{code: 5, bits: 8}}]}}
          - {{name: value, kind: bytes, length: rest}}
""")


def test_a_short_message_says_who_sent_what_and_when() -> None:
    data = bytes.fromhex("07917283010010F5040BC87238880900F10000993092516195800AE8329BFD4697D9EC37")
    record = TRADES.frame("short_message").decode(data)
    assert (record["sender"], record["text"]) == ("27838890001", "hellohello")
    assert record["filler"] == 15
    # two digits of a year mean what the reader takes them to mean: here, from 2000 on
    assert (record["sent"]["at"], record["sent"]["zone"]) == ("2099-03-29T15:16:59Z", 8 * 16)
    assert TRADES.frame("short_message").encode(record) == data


def test_a_water_meter_answers_with_records_of_chained_octets() -> None:
    data = bytes.fromhex("681F1F680802727856341224400107550000000313153100DA023B13018B60043718 021816")
    record = TRADES.frame("answer").decode(data)
    body = record["body"]
    assert (body["meter"], body["medium"], body["access"]) == (12_345_678, 7, 0x55)
    volume, flow, energy = body["records"]
    assert (volume["quantities"][0]["code"], volume["content"]) == (0x13, {"bits_24": {"number": 12_565}})
    assert (flow["function_code"], flow["content"]) == ("maximum", {"digits_4": {"number": 113}})
    storage = flow["storage"] + 2 * flow["extensions"][0]["storage"]
    assert (storage, energy["extensions"][0]["tariff"]) == (5, 2)
    assert energy["content"] == {"digits_6": {"number": 21_837}}
    assert TRADES.frame("answer").encode(record) == data
    with pytest.raises(UnknownVariant, match="form 7"):
        TRADES.frame("answer").decode(data.replace(bytes.fromhex("0313"), bytes.fromhex("0713")))


def test_options_of_a_host_end_with_one_of_one_octet() -> None:
    data = bytes.fromhex("638253633501053604C0A8000100FF000000")
    record = TRADES.frame("host_options").decode(data)
    assert [next(iter(one["body"])) for one in record["options"]] == ["message", "other", "pad", "last"]
    assert record["options"][0]["body"]["message"]["message"] == "acknowledge"
    assert record["options"][1]["body"]["other"]["value"] == bytes([192, 168, 0, 1])
    assert TRADES.frame("host_options").encode(record) == data


def test_tags_of_properties_have_a_length_in_their_octet_or_behind_it() -> None:
    data = bytes.fromhex("0C0040000119557506006162636465")
    record = TRADES.frame("properties").decode(data)
    assert [one["value"] for one in record["tags"]] == [b"\x00\x40\x00\x01", b"\x55", b"\x00abcde"]
    assert TRADES.frame("properties").encode(record) == data
