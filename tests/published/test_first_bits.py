"""Numbers whose first bits say how long they are, as values, lengths and counts.

RFC 9000 section 16 and its examples (appendix A.1); ITU-T X.690 section 8.1.3 (definite lengths, short and long), put together here;
RFC 8949 section 3 and the integers of its appendix A; RFC 7252 section 3.1 with options of section 5.10, put together here; counts of
one, three, five or nine octets, the low one first: common practice. All from memory.
"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import packetkit
from packetkit.errors import BadLength, EncodeError, ShortFrame

TWO_BITS = "{first_bits: 2, forms: [{code: 0, bits: 6}, {code: 1, bits: 14}, {code: 2, bits: 30}, {code: 3, bits: 62}]}"
LONG = "{code: 0x81, bits: 8}, {code: 0x82, bits: 16}, {code: 0x83, bits: 24}"
SCHEMA = f"""
mission: first-bits
frames:
  transport:
    told_by: outside
    fields:
      - {{name: number, coding: {TWO_BITS}}}
  crypto:
    told_by: outside
    fields:
      - {{name: type, coding: {TWO_BITS}}}
      - {{name: offset, coding: {TWO_BITS}}}
      - {{name: size, kind: length, measures: data, coding: {TWO_BITS}}}
      - {{name: data, kind: bytes, length: rest}}
  octets:
    told_by: outside
    fields:
      - {{name: tag, kind: constant, bits: 8, code: 4}}
      - {{name: size, kind: length, measures: content, coding: {{first_bits: 8, forms: [{{from: 0, to: 127}}, {LONG}]}}}}
      - {{name: content, kind: bytes, length: rest}}
  argument:
    told_by: outside
    fields:
      - {{name: major, bits: 3}}
      - name: argument
        coding:
          first_bits: 5
          forms: [{{from: 0, to: 23}}, {{code: 24, bits: 8}}, {{code: 25, bits: 16}}, {{code: 26, bits: 32}}, {{code: 27, bits: 64}}]
  counted:
    told_by: outside
    fields:
      - name: count
        kind: count
        maximum: 65000
        coding:
          first_bits: 8
          order: little
          forms: [{{from: 0, to: 252}}, {{code: 253, bits: 16}}, {{code: 254, bits: 32}}, {{code: 255, bits: 64}}]
      - {{name: list, kind: bytes, length: {{count: count}}}}
"""
NUMBERS = packetkit.parse(SCHEMA)


@pytest.mark.parametrize(
    ("data", "number"),
    [
        ("c2197c5eff14e88c", 151_288_809_941_952_652),
        ("9d7f3e7d", 494_878_333),
        ("7bbd", 15_293),
        ("25", 37),
    ],
)
def test_the_examples_of_variable_length_integers(data: str, number: int) -> None:
    frame = NUMBERS.frame("transport")
    assert frame.decode(bytes.fromhex(data)) == {"number": number}
    assert frame.encode({"number": number}).hex() == data


def test_a_number_in_a_longer_form_than_it_needs_is_read_and_comes_back_by_its_detail() -> None:
    frame = NUMBERS.frame("transport")
    detail = frame.decode(bytes.fromhex("4025"), detail=True)
    assert detail == {"number": {"raw": 0x4025, "value": 37}}
    assert (frame.encode(detail).hex(), frame.encode({"number": 37}).hex()) == ("4025", "25")


@given(st.integers(0, (1 << 62) - 1))
def test_a_number_takes_the_shortest_of_four_forms(number: int) -> None:
    frame, bits = NUMBERS.frame("transport"), max(number.bit_length(), 1)
    size = next(size for size in (1, 2, 4, 8) if bits <= 8 * size - 2)
    prefix = {1: 0, 2: 1, 4: 2, 8: 3}[size] << 8 * size - 2
    assert frame.encode({"number": number}) == (prefix | number).to_bytes(size, "big")
    assert frame.decode((prefix | number).to_bytes(size, "big")) == {"number": number}


def test_a_number_beyond_all_forms_is_refused_and_one_cut_off_is_short() -> None:
    with pytest.raises(EncodeError, match="number"):
        NUMBERS.frame("transport").encode({"number": 1 << 62})
    for cut in ("c2197c5eff14e8", "9d", ""):
        with pytest.raises(ShortFrame):
            NUMBERS.frame("transport").decode(bytes.fromhex(cut))


@pytest.mark.parametrize("size", [0, 1, 63, 64, 300])
def test_a_length_of_such_a_number_measures_what_follows(size: int) -> None:
    frame, data = NUMBERS.frame("crypto"), bytes(size)
    record = {"type": 6, "offset": 1000, "data": data}
    number = NUMBERS.frame("transport").encode({"number": size})
    assert frame.encode(record) == bytes.fromhex("0643e8") + number + data
    assert frame.decode(frame.encode(record)) == record


@pytest.mark.parametrize("size", [0, 1, 127, 128, 255, 256, 300])
def test_a_definite_length_has_the_short_form_below_128(size: int) -> None:
    frame, content = NUMBERS.frame("octets"), bytes(size)
    octets = -(-size.bit_length() // 8)
    length = bytes([size]) if size < 128 else bytes([0x80 | octets]) + size.to_bytes(octets, "big")
    data = b"\x04" + length + content
    assert frame.encode({"content": content}) == data
    assert frame.decode(data) == {"content": content}


def test_an_indefinite_length_is_none_of_the_forms() -> None:
    with pytest.raises(BadLength, match="size begins with 0x80, which is none of its forms"):
        NUMBERS.frame("octets").decode(bytes.fromhex("0480010000"))


@pytest.mark.parametrize(
    ("data", "value"),
    [
        ("00", 0),
        ("01", 1),
        ("0a", 10),
        ("17", 23),
        ("1818", 24),
        ("1819", 25),
        ("1864", 100),
        ("1903e8", 1000),
        ("1a000f4240", 1_000_000),
        ("1b000000e8d4a51000", 1_000_000_000_000),
        ("1bffffffffffffffff", 18_446_744_073_709_551_615),
        ("3bffffffffffffffff", -18_446_744_073_709_551_616),
        ("20", -1),
        ("29", -10),
        ("3863", -100),
        ("3903e7", -1000),
    ],
)
def test_the_integers_of_the_concise_representation(data: str, value: int) -> None:
    frame = NUMBERS.frame("argument")
    record = {"major": int(value < 0), "argument": value if value >= 0 else -1 - value}
    assert frame.decode(bytes.fromhex(data)) == record
    assert frame.encode(record).hex() == data


@pytest.mark.parametrize(("size", "head"), [(0, "00"), (252, "fc"), (253, "fdfd00"), (515, "fd0302")])
def test_a_count_may_have_its_low_octet_first(size: int, head: str) -> None:
    frame = NUMBERS.frame("counted")
    assert frame.encode({"list": bytes(size)}) == bytes.fromhex(head) + bytes(size)
    assert frame.decode(bytes.fromhex(head) + bytes(size)) == {"list": bytes(size)}


# What goes on behind another field is no one number on the wire: present_when says it, and a value worked out puts it together.
OPTIONS = packetkit.parse("""
mission: options
frames:
  options:
    fields:
      - name: options
        repeat: {to_end: true, maximum: 40}
        group:
          - {name: delta_form, bits: 4}
          - {name: size_form, bits: 4}
          - {name: delta_8, bits: 8, offset: 13, present_when: {delta_form: 13}}
          - {name: delta_16, bits: 16, offset: 269, present_when: {delta_form: 14}}
          - name: value
            told_by: size_form
            variants:
              - {name: few, when: {size_form: {from: 0, to: 12}}, group: [
                  {name: octets, bits: 8, repeat: {count: {product_of: size_form}, maximum: 12}}]}
              - {name: more, when: {size_form: 13}, group: [{name: size, bits: 8},
                  {name: octets, bits: 8, repeat: {count: {product_of: size, plus: 13}, maximum: 268}}]}
              - {name: many, when: {size_form: 14}, group: [{name: size, bits: 16},
                  {name: octets, bits: 8, repeat: {count: {product_of: size, plus: 269}, maximum: 1024}}]}
""")


def test_options_with_extended_deltas_and_lengths_are_said_by_what_is_present() -> None:
    frame = OPTIONS.frame("options")
    path, query = b"temperature-in-the-tower", b"q" * 300
    data = bytes([0xBD, len(path) - 13]) + path + bytes([0x4E]) + (300 - 269).to_bytes(2, "big") + query
    data += bytes([0xD1, 60 - 15 - 13, 7]) + bytes([0xE0]) + (2000 - 269).to_bytes(2, "big")
    options: list[dict[str, Any]] = frame.decode(data)["options"]
    deltas = [one["delta_8"] or one["delta_16"] or one["delta_form"] for one in options]
    values = [bytes(next(iter(one["value"].values()))["octets"]) for one in options]
    assert (deltas, values) == ([11, 4, 45, 2000], [path, query, b"\x07", b""])
    assert frame.encode({"options": options}) == data
