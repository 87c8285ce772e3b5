"""The codec of a frame: published examples, what a record may look like, which error comes first, and what is left alone.

Every example runs through the generated functions and through the walker. Bytes are worked out by hand or come from the source named.
"""

from __future__ import annotations

import copy
import pickle
import re
from binascii import crc_hqx
from collections import OrderedDict, defaultdict
from collections.abc import Callable
from types import MappingProxyType
from typing import Any

import pytest

import packetkit
from packetkit.codec import walk
from packetkit.codec.annotate import annotate
from packetkit.codec.frame import Frame, compile_layout
from packetkit.errors import (
    BadCount,
    CheckFailed,
    DecodeError,
    EncodeError,
    ReservedBits,
    ShortFrame,
    TrailingBytes,
    WrongConstant,
)
from packetkit.layout.model import Layout
from packetkit.layout.resolve import resolve
from packetkit.schema.load import load


def layout_of(fields: str, more: str = "") -> Layout:
    """The layout of one frame, from its list of fields (and other keys of the frame)."""
    indented = "\n".join("      " + line for line in fields.strip("\n").splitlines())
    loaded = load(f"mission: example\nframes:\n  one:\n{more}    fields:\n{indented}\n")
    assert loaded.mission is not None, "\n".join(map(str, loaded.problems))
    layout, problems = resolve(loaded.mission.frames[0])
    assert layout is not None, "\n".join(map(str, (*loaded.problems, *problems)))
    return layout


class Walked:
    """The walker in a Frame's clothes."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout

    def encode(self, record: Any) -> bytes:
        return walk.encode(self.layout, record)

    def decode(self, data: Any, **how: Any) -> dict[str, Any]:
        return walk.decode(self.layout, data, **how)

    def decode_from(self, buffer: Any, at: int = 0, **how: Any) -> tuple[dict[str, Any], int]:
        return walk.decode_from(self.layout, buffer, at, **how)


@pytest.fixture(params=[Frame, Walked], ids=["generated", "walker"])
def codec(request: pytest.FixtureRequest) -> Callable[..., Any]:
    """A function from a frame's fields to its codec."""
    return lambda fields, more="": request.param(layout_of(fields, more))


def faults_of(codec: Any, record: Any) -> list[tuple[str, str]]:
    with pytest.raises(EncodeError) as caught:
        codec.encode(record)
    assert caught.value.__context__ is None  # no half-way exception shows in a traceback
    return [(fault.path, fault.rule) for fault in caught.value.faults]


def error_of(codec: Any, data: bytes, **how: bool) -> DecodeError:
    with pytest.raises(DecodeError) as caught:
        codec.decode(data, **how)
    assert caught.value.__context__ is None
    return caught.value


# -- published examples ----------------------------------------------------------------------------

THREE = "- {name: a, bits: 3}\n- {name: b, bits: 7}\n- {name: c, bits: 6}"
TWELVE = "- {name: a, bits: 12}\n- {name: b, bits: 12}"
LEAST = "    packing: least_significant_first\n"
WORDS = f"- name: group\n  word_bits: 16\n  order: little\n  group:\n    {THREE.replace(chr(10), chr(10) + '    ')}"


@pytest.mark.parametrize(
    ("fields", "more", "record", "frame"),
    [
        (THREE, "", {"a": 5, "b": 100, "c": 33}, "B921"),
        (THREE, LEAST, {"a": 5, "b": 100, "c": 33}, "2587"),
        (WORDS, "", {"group": {"a": 5, "b": 100, "c": 33}}, "21B9"),
        (TWELVE, "", {"a": 0xABC, "b": 0xDEF}, "ABCDEF"),
        (TWELVE, LEAST, {"a": 0xABC, "b": 0xDEF}, "BCFADE"),
    ],
)
def test_bits_lie_as_the_wire_rules_show_them(
    codec: Any, fields: str, more: str, record: dict[str, Any], frame: str
) -> None:
    """WIRE.md rules 1 and 2."""
    one = codec(fields, more)
    assert one.encode(record).hex().upper() == frame
    assert one.decode(bytes.fromhex(frame)) == record


def test_signed_and_scaled_values_of_public_questions(codec: Any) -> None:
    """NEEDS.md row 2: -3.19 at 1/100 is FE C1, -3456 is F2 80, -87.9094 at 1/10000 is F2 96 0A."""
    one = codec(
        "- {name: a, bits: 16, signed: true, scale: 1/100}\n"
        "- {name: b, bits: 16, signed: true}\n"
        "- {name: c, bits: 24, signed: true, scale: 1/10000}"
    )
    frame = bytes.fromhex("FEC1 F280 F2960A")
    assert one.decode(frame) == {"a": -3.19, "b": -3456, "c": -87.9094}
    assert one.encode({"a": -3.19, "b": -3456, "c": -87.9094}) == frame


def test_an_altitude_that_is_too_high_is_clamped_and_flagged_not_wrapped(codec: Any) -> None:
    """NEEDS.md row 6: 70000 m in 16 bits of 1 m is 65535 and a flag, never 4464."""
    one = codec(
        "- {name: over, kind: flag}\n- {kind: reserved, bits: 7}\n"
        "- {name: altitude, bits: 16, scale: 1, out_of_range: clamp, flag: over}"
    )
    assert one.encode({"altitude": 70000}) == bytes.fromhex("80FFFF")
    assert one.encode({"altitude": 65535, "over": False}) == bytes.fromhex("00FFFF")
    assert one.encode({"altitude": 1, "over": True}) == bytes.fromhex("800001")


def test_missing_is_not_zero(codec: Any) -> None:
    """NEEDS.md row 7: int16 0x8000 is no value; a real 0 stays 0."""
    one = codec("- {name: t, bits: 16, signed: true, scale: 1/100, missing: true}")
    assert one.decode(bytes.fromhex("8000")) == {"t": None}
    assert one.decode(bytes(2)) == {"t": 0.0}
    for record in ({"t": None}, {}, {"t": float("nan")}):
        assert one.encode(record) == bytes.fromhex("8000")


IPV4 = """
- {name: version, kind: constant, bits: 4, code: 4}
- {name: words, kind: constant, bits: 4, code: 5}
- {name: service, bits: 8}
- {name: length, bits: 16}
- {name: identification, bits: 16}
- {name: fragment, bits: 16}
- {name: lifetime, bits: 8}
- {name: protocol, bits: 8}
- {name: check, kind: check, algorithm: SUM-16/INTERNET, covers: whole_frame}
- {name: source, bits: 32}
- {name: destination, bits: 32}
"""


def test_the_internet_header_has_its_check_inside_its_span(codec: Any) -> None:
    """The worked example of Wikipedia, "Internet checksum": the header 4500 0073 ... has the check B861 (RFC 1071)."""
    one = codec(IPV4)
    frame = bytes.fromhex("4500 0073 0000 4000 4011 B861 C0A8 0001 C0A8 00C7")
    record = one.decode(frame)
    assert record["source"] == 0xC0A80001
    assert one.encode(record) == frame
    assert isinstance(error_of(one, frame[:-1] + b"\xc6"), CheckFailed)


# -- a frame with everything -----------------------------------------------------------------------

SURVEY = """
- {name: sync, kind: sync, bits: 16, code: 0xD391}
- {name: tag, kind: tag, bits: 4, code: 1}
- {name: sequence, bits: 12, role: sequence}
- {name: mode, bits: 3, states: {0: safe, 1: survey, 2: downlink}}
- {name: has_fix, kind: flag}
- {name: hot, kind: flag}
- name: power
  group:
    - {name: cell_voltage, minimum: 2.5, maximum: 4.3, resolution: 0.02, unit: V, out_of_range: clamp, flag: hot}
    - {name: panel_current, minimum: 0, maximum: 510, resolution: 2, unit: mA, missing: true}
- name: fix
  present_when: has_fix
  group:
    - {name: latitude, bits: 24, signed: true, scale: 90/8388608}
    - {name: longitude, bits: 25, signed: true, scale: 180/16777216}
- {name: held, kind: count, bits: 4, maximum: 6}
- name: readings
  repeat: {count: held}
  group:
    - {name: field_x, bits: 12, signed: true, scale: 1/16, unit: uT, missing: true}
    - {name: field_y, bits: 12, signed: true, scale: 1/16, unit: uT, missing: true}
- {name: spare, kind: reserved, up_to: byte, strict: true}
- {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""

RECORD: dict[str, Any] = {
    "sequence": 5,
    "mode": "survey",
    "has_fix": True,
    "hot": False,
    "power": {"cell_voltage": 3.0, "panel_current": None},
    "fix": {"latitude": 47.5, "longitude": -8.25},
    "readings": [{"field_x": 1.5, "field_y": None}, {"field_x": -3.0, "field_y": 3.0}],
}


@pytest.fixture
def survey(codec: Any) -> Any:
    return codec(SURVEY)


def rounded(survey: Any) -> dict[str, Any]:
    record: dict[str, Any] = survey.decode(survey.encode(RECORD))
    return record


def test_a_record_comes_back_rounded_to_its_steps(survey: Any) -> None:
    back = rounded(survey)
    assert list(back) == list(RECORD)
    assert back["readings"] == RECORD["readings"]
    assert abs(back["fix"]["latitude"] - 47.5) <= 90 / 8388608 / 2
    assert survey.encode(back) == survey.encode(RECORD)


def test_detail_has_every_slot_in_wire_order_and_encodes_back(survey: Any) -> None:
    frame = survey.encode(RECORD)
    detail = survey.decode(frame, detail=True)
    assert list(detail) == [
        "sync", "tag", "sequence", "mode", "has_fix", "hot", "power", "fix", "held", "readings", "spare", "check",
    ]  # fmt: skip
    assert detail["sync"] == {"raw": 0xD391, "value": 0xD391}
    assert detail["mode"] == {"raw": 1, "value": "survey"}
    assert detail["power"]["panel_current"] == {"raw": 511, "value": None, "unit": "mA", "reason": "missing"}
    assert detail["readings"][0]["field_y"]["raw"] == -2048
    assert detail["held"] == {"raw": 2, "value": 2}
    assert survey.encode(detail) == frame


def test_an_option_without_a_fix_is_none_and_its_flag_follows(survey: Any) -> None:
    absent = {**RECORD, "fix": None, "has_fix": False}
    frame = survey.encode(absent)
    assert survey.decode(frame)["fix"] is None
    for key in ("fix", "has_fix"):
        assert survey.encode({name: value for name, value in absent.items() if name != key}) == frame
    told = {name: value for name, value in RECORD.items() if name != "has_fix"}
    assert survey.encode(told) == survey.encode(RECORD)
    assert faults_of(survey, {**RECORD, "has_fix": False}) == [("fix", "disagrees")]
    assert faults_of(survey, {**RECORD, "fix": None}) == [("fix", "disagrees")]


def test_all_faults_of_a_record_are_told_in_wire_order(survey: Any) -> None:
    bad = {
        "tag": 2,
        "sequence": 70000,
        "mode": "survay",
        "has_fix": 1,
        "hot": None,
        "power": {"cell_voltage": "3", "panel_current": float("inf"), "extra": 1},
        "fix": {"latitude": float("nan")},
        "held": {"raw": 99},
        "readings": [{"field_x": True, "field_y": 1}, 4],
        "sinc": 1,
    }
    assert faults_of(survey, bad) == [
        ("tag", "disagrees"),
        ("sequence", "out-of-range"),
        ("mode", "unknown-state"),
        ("has_fix", "wrong-type"),
        ("hot", "wrong-type"),
        ("power.cell_voltage", "not-a-number"),
        ("power.panel_current", "out-of-range"),
        ("fix.latitude", "not-finite"),
        ("fix.longitude", "missing-key"),
        ("held", "raw-range"),
        ("readings[0].field_x", "not-a-number"),
        ("readings[1]", "wrong-type"),
        ("power.extra", "unknown-key"),
        ("sinc", "unknown-key"),
    ]


def test_messages_say_the_number_the_limit_and_the_remedy(survey: Any) -> None:
    bad = {**RECORD, "sequence": 4096, "mode": "survay", "readings": RECORD["readings"] * 4, "sinc": 1}
    with pytest.raises(EncodeError) as caught:
        survey.encode(bad)
    assert str(caught.value).splitlines() == [
        "sequence: 4096 is outside 0 to 4095. Give a value inside, or declare out_of_range: clamp",
        "mode: 'survay' is none of its states. Give one of safe, survey, downlink, or a code",
        "readings: has 8 elements, but 6 at most can be sent. Leave out 2",
        "sinc: is no field of one. Did you mean sync?",
    ]


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({}, "is empty. Give one of its variants a, b, unknown"),
        ({"zz": {}, "b": {}}, "'zz' is none of its variants a, b, unknown. Leave it out"),
        ({"a": {}, "b": {}}, "a and b are given. Give one of its variants a, b, unknown"),
        ([1], "a value of type list is not a mapping with one variant: a, b, unknown"),
    ],
)
def test_what_is_no_variant_is_named(codec: Any, given: object, said: str) -> None:
    forms = "[{name: a, when: {tag: 1}}, {name: b, when: {tag: 2}}]"
    one = codec(
        f"- {{name: tag, kind: tag, bits: 8, code: [1, 2]}}\n- {{name: v, told_by: tag, variants: {forms}}}"
    )
    with pytest.raises(EncodeError) as caught:
        one.encode({"tag": 1, "v": given})
    assert str(caught.value) == f"v: {said}"


@pytest.mark.parametrize(
    ("counts", "octets", "said", "fits"),
    [  # the length's own octet is one of the frame's
        ("in: words_of_16", 2, "whole units of 16, as size counts them. Make it 16 or 32", (1, 3)),
        # c c c . . c . . are 8 octets, so 6 and 7 are no frame, and neither are 1 and 2
        ("not_counted: {every: 3, octets: 2}", 6, "the rest 2 stand. Make it 40 or 64", (4, 7)),
        ("not_counted: {every: 3, octets: 2}", 0, "the rest 2 stand. Make it 24", (2,)),
    ],
)
def test_a_frame_of_no_size_that_its_length_can_say_is_told_the_sizes_that_are(
    codec: Any, counts: str, octets: int, said: str, fits: tuple[int, ...]
) -> None:
    one = codec(
        f"- {{name: size, kind: length, bits: 8, measures: whole_frame, {counts}}}\n- {{name: t, kind: bytes, length: rest}}"
    )
    with pytest.raises(EncodeError) as caught:
        one.encode({"t": bytes(octets)})
    assert re.fullmatch(f"the frame has {8 * octets + 8} bits, .*{said}", str(caught.value))
    assert all(one.decode(one.encode({"t": bytes(count)})) == {"t": bytes(count)} for count in fits)


@pytest.mark.parametrize("record", [None, 5, "x", [], [("sequence", 5)]])
def test_what_is_no_mapping_is_no_record(survey: Any, record: object) -> None:
    assert faults_of(survey, record) == [("", "wrong-type")]


@pytest.mark.parametrize("group", [None, 5, [1]])
def test_what_is_no_mapping_is_no_group(survey: Any, group: object) -> None:
    assert faults_of(survey, {**RECORD, "power": group}) == [("power", "wrong-type")]


@pytest.mark.parametrize("many", [None, "ab", {"a": 1}, 5, iter([])])
def test_what_is_no_list_is_no_list(survey: Any, many: object) -> None:
    assert faults_of(survey, {**RECORD, "readings": many}) == [("readings", "wrong-type")]


def test_any_mapping_will_do_and_none_is_changed(survey: Any) -> None:
    frame = survey.encode(RECORD)
    lazy = defaultdict(int, {key: value for key, value in RECORD.items() if key != "has_fix"})
    for record in (
        OrderedDict(RECORD),
        MappingProxyType(RECORD),
        lazy,
        {**RECORD, "readings": tuple(RECORD["readings"])},
    ):
        before = copy.deepcopy(dict(record))
        assert survey.encode(record) == frame
        assert dict(record) == before
    inner = {**RECORD, "power": defaultdict(float, cell_voltage=3.0)}
    assert survey.encode(inner) == frame
    assert list(inner["power"]) == ["cell_voltage"]


@pytest.mark.parametrize("bits", [1, 3, 8, 12, 16, 32, 33, 40])
@pytest.mark.parametrize(
    "more", ["", ", signed: true", ", scale: 2", ", scale: 1/10", ", scale: 1, offset: -1"]
)
def test_true_is_no_number_wherever_it_stands(codec: Any, bits: int, more: str) -> None:
    one = codec(f"- {{name: x, bits: {bits}{more}}}\n- {{kind: reserved, up_to: byte}}")
    for wrong in (True, False):
        assert faults_of(one, {"x": wrong}) == [("x", "not-a-number")]


def test_keys_that_may_be_left_out_need_no_walker(monkeypatch: pytest.MonkeyPatch) -> None:
    frame = Frame(layout_of(SURVEY + "- {name: note, bits: 4, default: 9}\n- {kind: reserved, up_to: byte}"))
    whole = {**RECORD, "note": 9}
    absent = {**whole, "fix": None, "has_fix": False}
    frames = [frame.encode(whole), frame.encode(absent)]

    def refuse(*_: object) -> None:
        raise AssertionError("the walker was asked")

    monkeypatch.setattr(walk, "encode", refuse)
    short = {**RECORD, "power": {"cell_voltage": 3.0}, "readings": [{"field_x": 1.5}, RECORD["readings"][1]]}
    for key in ("has_fix", "hot"):
        del short[key]
    assert frame.encode(short) == frames[0]
    del short["fix"]
    assert frame.encode(short) == frames[1]


def test_given_constants_counts_and_checks_must_agree(survey: Any) -> None:
    frame = survey.encode(RECORD)
    check = int.from_bytes(frame[-2:], "big")
    assert (
        survey.encode({**RECORD, "sync": 0xD391, "held": 2, "check": check, "spare": 0, "tag": {"raw": 1}})
        == frame
    )
    bad = {**RECORD, "sync": 1, "held": 3, "spare": 1}
    assert faults_of(survey, bad) == [("sync", "disagrees"), ("held", "disagrees"), ("spare", "disagrees")]
    assert faults_of(survey, {**RECORD, "check": check ^ 1}) == [("check", "disagrees")]


# -- decoding what is not this frame ---------------------------------------------------------------


def test_every_cut_is_a_short_frame(survey: Any) -> None:
    frame = survey.encode(RECORD)
    for size in range(len(frame)):
        assert isinstance(error_of(survey, frame[:size]), ShortFrame)


def test_a_wrong_constant_comes_before_left_over_bytes_and_those_before_the_check(survey: Any) -> None:
    frame = bytearray(survey.encode(RECORD))
    frame[10] ^= 4
    error = error_of(survey, bytes(frame))
    assert (type(error), error.path) == (CheckFailed, "check")
    assert isinstance(error_of(survey, bytes(frame) + b"\0"), TrailingBytes)
    frame[0] ^= 1
    error = error_of(survey, bytes(frame) + b"\0")
    assert (type(error), error.path, error.bit) == (WrongConstant, "sync", 0)
    assert str(error) == "sync is 0xd291, not 0xd391: some other frame"


def test_a_count_above_its_maximum_is_told_before_bytes_are_missed(codec: Any) -> None:
    one = codec("- {name: n, kind: count, bits: 8, maximum: 3}\n- {name: x, bits: 8, repeat: {count: n}}")
    assert one.decode(b"\x03abc") == {"x": [97, 98, 99]}
    assert isinstance(error_of(one, b"\x04"), BadCount)
    assert isinstance(error_of(one, b"\x03a"), ShortFrame)


def test_reserved_bits_are_sent_as_zero_and_rejected_only_when_strict(codec: Any) -> None:
    fields = "- {name: a, bits: 5}\n- {kind: reserved, bits: 3}"
    lax, strict = codec(fields), codec(fields, "    strict: true\n")
    assert lax.encode({"a": 31}) == strict.encode({"a": 31}) == b"\xf8"
    assert lax.decode(b"\xff") == {"a": 31}
    assert lax.decode(b"\xff", detail=True)["reserved"] == {"raw": 7, "value": 7, "note": "not zero"}
    assert lax.encode(lax.decode(b"\xff", detail=True)) == b"\xff"
    assert isinstance(error_of(strict, b"\xff"), ReservedBits)


def test_salvage_returns_values_and_says_of_each_that_it_is_not_trusted(survey: Any) -> None:
    frame = bytearray(survey.encode(RECORD))
    assert "trusted" not in survey.decode(bytes(frame), salvage=True)["mode"]
    frame[-1] ^= 1
    with pytest.raises(CheckFailed):
        survey.decode(bytes(frame), detail=True)
    salvaged = survey.decode(bytes(frame), salvage=True)
    assert salvaged["mode"] == {"raw": 1, "value": "survey", "trusted": False}
    assert salvaged["readings"][1]["field_x"]["trusted"] is False
    with pytest.raises(ShortFrame):
        survey.decode(bytes(frame)[:9], salvage=True)


def test_decode_from_leaves_what_follows_alone(survey: Any) -> None:
    frame = survey.encode(RECORD)
    record = survey.decode(frame)
    for after in (b"", b"\0", b"\xff" * 50, frame):
        assert survey.decode_from(frame + after) == (record, len(frame))
        assert survey.decode_from(b"abc" + frame + after, 3) == (record, len(frame))
        assert survey.decode_from(memoryview(b"abc" + frame + after), 3) == (record, len(frame))
    assert survey.decode_from(frame + b"x", detail=True) == (survey.decode(frame, detail=True), len(frame))


@pytest.mark.parametrize("fields", [SURVEY, "- {name: a, bits: 8}"])
def test_a_place_outside_the_buffer_is_a_mistake_and_its_end_is_a_short_frame(
    codec: Any, fields: str
) -> None:
    one = codec(fields)
    for at in (-1, 4, 10**30):
        with pytest.raises(ValueError, match="the buffer has 3 bytes"):
            one.decode_from(b"abc", at)
    with pytest.raises(ShortFrame):
        one.decode_from(b"abc", 3)


@pytest.mark.parametrize("fields", [SURVEY, "- {name: a, bits: 8}", TWELVE])
def test_bytes_come_in_any_buffer_and_in_nothing_else(codec: Any, fields: str) -> None:
    one = codec(fields)
    frame = one.encode(RECORD if fields is SURVEY else {"a": 65} if "bits: 8" in fields else {"a": 1, "b": 2})
    record = one.decode(frame)
    for data in (bytearray(frame), memoryview(frame), memoryview(bytearray(frame))):
        assert one.decode(data) == record
    spread = memoryview(bytes(octet for one_octet in frame for octet in (one_octet, 0)))[::2]
    assert one.decode(spread) == record
    for wrong in ("A", 1, [65], None):
        with pytest.raises(TypeError):
            one.decode(wrong)


# -- lists that run to the end ---------------------------------------------------------------------


def test_a_list_runs_to_the_end_less_what_follows_it(codec: Any) -> None:
    one = codec(
        "- {name: kind, bits: 8}\n- {name: x, bits: 12, repeat: {to_end: true}}\n- {kind: reserved, up_to: byte}\n"
        "- {name: sum, kind: check, algorithm: CRC-8/SMBUS}"
    )
    for count in range(9):
        record = {"kind": 7, "x": [0x100 + number for number in range(count)]}
        frame = one.encode(record)
        assert len(frame) == 2 + -(-12 * count // 8)
        assert one.decode(frame) == record


def test_a_huge_count_allocates_nothing(codec: Any) -> None:
    one = codec(
        "- {name: n, kind: count, bits: 16}\n- {name: x, bits: 1, repeat: {count: n}}\n- {kind: reserved, up_to: byte}"
    )
    error = error_of(one, b"\xff\xff" + b"\0" * 8190)
    assert (type(error), error.path) == (ShortFrame, "x")  # the list as a whole, before its first element
    assert len(one.decode(b"\xff\xff" + b"\0" * 8192)["x"]) == 65535


# -- the object ------------------------------------------------------------------------------------


def test_nothing_is_generated_before_it_is_asked_for() -> None:
    frame = Frame(layout_of(SURVEY))
    assert set(vars(frame.codec)) == {"layout", "variants"}
    frame.encode(RECORD)
    assert "decode" not in vars(frame.codec)


def test_the_source_can_be_read_and_compiles_by_itself() -> None:
    source = compile_layout(layout_of(SURVEY)).source
    assert "def encode(" in source
    assert "def decode(" in source
    compile(source, "source", "exec")


def test_a_frame_survives_pickling_and_copying() -> None:
    frame = Frame(layout_of(SURVEY))
    octets = frame.encode(RECORD)
    for again in (pickle.loads(pickle.dumps(frame)), copy.deepcopy(frame)):
        assert again.encode(RECORD) == octets
        assert again.decode(octets) == frame.decode(octets)


def test_items_are_in_wire_order_with_indices_and_go_as_far_as_the_bytes() -> None:
    layout = layout_of(SURVEY)
    frame = walk.encode(layout, RECORD)
    found = list(walk.items(layout, frame))
    assert [item.address for item in found[-4:]] == [
        "readings[1].field_x",
        "readings[1].field_y",
        "spare",
        "check",
    ]
    assert [item.bit for item in found] == sorted(item.bit for item in found)
    assert next(item.raw for item in found if item.address == "held") == 2
    part = walk.items(layout, frame[:4])
    assert [next(part).address for _ in range(3)] == ["sync", "tag", "sequence"]
    with pytest.raises(ShortFrame):
        next(part)


def test_fields_by_the_text_of_many_numbers_share_bounded_tables() -> None:
    """A frame of 60 different fields of 12 bits would want 60 tables of 4096 values: it gets 8 of them, and computes the rest."""
    fields = "\n".join(f"- {{name: x{n}, bits: 12, scale: 1/{n + 3}}}" for n in range(60))
    frame = Frame(layout_of(fields))
    tables = [name for name in set(frame.codec.source.replace("[", " ").split()) if name.startswith("table_")]
    assert len(tables) == 8
    data = bytes(range(90))
    assert frame.decode(data) == walk.decode(frame.layout, data)


def test_unknown_bits_end_on_an_octet_or_are_refused() -> None:
    """The bits of a variant that nobody knows run to the frame's end: 5 bits before them leave 3, 11, 19 ..."""
    text = """
mission: drawn
frames:
  sheet:
    fields:
      - {name: t, bits: 5}
      - name: body
        told_by: t
        variants:
          - {name: a, when: {t: 0}, group: [{name: x, bits: 11}]}
          - {name: b, when: {t: 1}, group: [{name: y, bits: 3}]}
"""
    frame = packetkit.parse(text).frame()
    assert frame.encode({"t": 9, "body": {"unknown": {"raw": [1, 0, 1]}}}) == bytes([0b01001_101])
    for bits in ([1], [], [1, 0, 1, 1]):
        with pytest.raises(EncodeError) as refused:
            frame.encode({"t": 9, "body": {"unknown": {"raw": bits}}})
        assert [fault.rule for fault in refused.value.faults] == ["wrong-length"]


@pytest.mark.parametrize("given", [{}, {"c": {}}, {"a": {}, "b": {}}, [], 5, None])
def test_a_measured_choice_is_refused_with_its_variants_whatever_stands_there(given: object) -> None:
    text = """
mission: paper
frames:
  sheet:
    fields:
      - {name: by, bits: 8}
      - {name: size, kind: length, measures: body, bits: 8}
      - name: body
        group:
          - name: inner
            told_by: by
            variants:
              - {name: a, when: {by: 1}, group: [{name: x, bits: 8}]}
              - {name: b, when: {by: 2}, group: [{name: y, bits: 16}]}
"""
    with pytest.raises(EncodeError, match=r"variants a, b|variant: a, b"):
        Frame(packetkit.parse(text).layouts["sheet"]).encode({"by": 1, "body": {"inner": given}})


def test_a_part_whose_known_variants_are_all_empty_is_not_taken_for_one_of_constant_size() -> None:
    text = """
mission: paper
frames:
  sheet:
    fields:
      - {name: by, bits: 8}
      - {name: size, kind: length, measures: body, bits: 8}
      - name: body
        group:
          - name: inner
            told_by: by
            variants:
              - {name: a, when: {by: 1}, group: [{kind: reserved, up_to: byte}]}
      - {name: tail, bits: 16}
"""
    frame = Frame(packetkit.parse(text).layouts["sheet"])
    data = bytes.fromhex("0006 010203040506 0708")  # on paper: no variant has 0, six octets, then the tail
    whole = {"by": 0, "body": {"inner": {"unknown": data[2:8]}}, "tail": 0x0708}
    assert frame.decode(data) == whole and frame.encode(whole) == data
    assert frame.decode_from(b"\xff" + data + b"\xff", 1) == (whole, len(data))


def test_a_count_may_be_given_up_to_its_maximum() -> None:
    frame = packetkit.parse(
        "mission: m\nframes:\n  f:\n    fields:\n      - {name: held, kind: count, bits: 8, maximum: 3}\n"
        "      - {name: level, bits: 8}\n      - {name: readings, bits: 8, repeat: {count: held}}\n"
    ).frame("f")
    most = {"held": 3, "level": 1, "readings": [7, 8, 9]}
    assert frame.encode(most) == frame.encode({**most, "held": {"raw": 3}}) == bytes([3, 1, 7, 8, 9])
    with pytest.raises(EncodeError) as caught:  # what is wrong elsewhere is told alone
        frame.encode({**most, "level": 256})
    assert [fault.path for fault in caught.value.faults] == ["level"]
    with pytest.raises(EncodeError) as caught:
        frame.encode({"held": 4, "level": 1, "readings": [7, 8, 9, 10]})
    assert {fault.path for fault in caught.value.faults} <= {"held", "readings"}
    notes = {one.address: one.wrong for one in annotate(frame.layout, bytes([3, 1, 7, 8, 9])).fields}
    assert not any(notes.values()), notes


def test_texts_and_lists_follow_bits_that_are_still_open() -> None:
    frame = packetkit.parse(
        "mission: m\nframes:\n  f:\n    fields:\n      - {name: held, kind: count, bits: 8}\n      - {name: a, bits: 4}\n"
        "      - {name: readings, bits: 8, repeat: {count: held}}\n      - {name: b, bits: 4}\n"
        "      - {name: call, kind: text, length: 2}\n      - {name: c, bits: 4}\n"
        "      - {name: more, bits: 8, repeat: {count: held}}\n      - {name: d, bits: 4}\n"
    ).frame("f")
    record = {"a": 1, "readings": [0xAB, 0xCD], "b": 2, "call": "Hi", "c": 3, "more": [0x45, 0x67], "d": 8}
    data = bytes.fromhex("02 1a bc d2 48 69 34 56 78")
    assert frame.encode(record) == data
    assert frame.decode(data) == record


@pytest.mark.parametrize("value", [0.1, 0.2, 0.24, 0.26, 0.5, 63.74, 64.2, 64.3])
def test_a_value_whose_code_is_just_outside_the_bounds_is_refused(value: float) -> None:
    # WIRE.md 10: the code decides, and of steps of a half the bounds are codes 1 to 128.
    layout = layout_of("- {name: a, bits: 8, scale: 0.5, minimum: 0.5, maximum: 64}")
    for encode in (compile_layout(layout).encode, lambda one: walk.encode(layout, one)):
        if 0.25 < value < 64.25:
            assert encode({"a": value}) == bytes([int(2 * value + 0.5)])
        else:
            with pytest.raises(EncodeError):
                encode({"a": value})


@pytest.mark.parametrize("teller", ["bits: 8, default: 1", "bits: 8, missing: 1"])
def test_an_option_cannot_change_what_stands_where_its_teller_is_not_given(teller: str) -> None:
    layout = layout_of(f"- {{name: d, {teller}}}\n- {{name: a, bits: 8, present_when: {{d: 2}}}}")
    for encode in (compile_layout(layout).encode, lambda one: walk.encode(layout, one)):
        assert encode({}) == b"\x01"
        assert encode({"d": 2, "a": 3}) == b"\x02\x03"
        with pytest.raises(EncodeError, match="is given"):
            encode({"a": 3})


def test_a_variant_cannot_change_what_stands_where_its_teller_is_not_given() -> None:
    layout = layout_of("""
- {name: d, bits: 8, default: 1}
- name: v
  told_by: d
  variants:
    - {name: one, when: {d: 1}, group: [{name: x, bits: 8}]}
    - {name: two, when: {d: 2}, group: [{name: x, bits: 16}]}
""")
    for encode in (compile_layout(layout).encode, lambda one: walk.encode(layout, one)):
        assert encode({"v": {"one": {"x": 5}}}) == b"\x01\x05"
        assert encode({"d": 2, "v": {"two": {"x": 5}}}) == b"\x02\x00\x05"
        with pytest.raises(EncodeError, match="two"):
            encode({"v": {"two": {"x": 5}}})


@pytest.mark.parametrize(
    ("algorithm", "stored"), [("CRC-16/XMODEM", ""), ("CRC-32/ISO-HDLC", ", stored: low_octet_first")]
)
@pytest.mark.parametrize("covers", ["{from: b, to: c}", "[a, c]"])
def test_a_check_that_leaves_octets_of_a_fixed_frame_out_is_not_of_the_whole_frame(
    algorithm: str, stored: str, covers: str
) -> None:
    check = f"{{name: check, kind: check, algorithm: {algorithm}{stored}, covers: {covers}}}"
    fields = f"[{{name: a, bits: 8}}, {{name: b, bits: 8}}, {{name: c, bits: 16}}, {check}]"
    frame = packetkit.parse(f"mission: m\nframes:\n  sheet:\n    fields: {fields}\n").frame()
    record = {"a": 1, "b": 2, "c": 3}
    data = frame.encode(record)
    assert frame.decode(data) == record
    left_out = 0 if covers.startswith("{") else 1
    for at in range(4):
        other = bytes(octet ^ (at == here) for here, octet in enumerate(data))
        if at == left_out:
            assert frame.decode(other) == {**record, "ab"[at]: record["ab"[at]] ^ 1}
        else:
            assert isinstance(error_of(frame, other), CheckFailed)


def test_a_count_that_is_given_as_a_code_keeps_to_what_the_schema_allows() -> None:
    fields = "[{name: n, kind: count, bits: 8, maximum: 3}, {name: xs, bits: 8, repeat: {count: n}}]"
    frame = packetkit.parse(f"mission: m\nframes:\n  sheet:\n    fields: {fields}\n").frame()
    assert frame.encode({"n": {"raw": 3}, "xs": [1, 2, 3]}).hex() == "03010203"
    with pytest.raises(packetkit.EncodeError, match="n: 4 is given, but the schema allows 3 at most"):
        frame.encode({"n": {"raw": 4}, "xs": [1, 2, 3, 4]})


@pytest.mark.parametrize(
    ("fields", "data", "words"),
    [
        ("{name: a, bits: 8}, {name: b, bits: 16}", "0102", "sheet: 2 bytes end before b does: a frame has 3"),
        ("{name: a, bits: 8}, {name: b, bits: 16}", "01", "sheet: 1 byte ends before b does: a frame has 3"),
        ("{name: n, kind: count, bits: 8}, {name: b, bits: 16}, {name: xs, bits: 8, repeat: {count: n}}", "0102",
         "sheet: 2 bytes end before b does: bits 8 to 23 are needed"),
    ],
)  # fmt: skip
def test_a_short_frame_says_what_is_needed(fields: str, data: str, words: str) -> None:
    frame = packetkit.parse(f"mission: m\nframes:\n  sheet:\n    fields: [{fields}]\n").frame()
    assert str(error_of(frame, bytes.fromhex(data))) == words


@pytest.mark.parametrize(("variant", "octets"), [("narrow", "A1 07 04"), ("wide", "B2 0102 05")])
def test_a_length_that_measures_variants_of_two_sizes_counts_the_one_that_is_there(
    variant: str, octets: str
) -> None:
    """Worked by hand: a tag, the variant's field and a last octet lie within; the length has itself in front, in octets."""
    text = """
mission: godwit
frames:
  drift:
    fields:
      - {name: size, kind: length, bits: 8, measures: body}
      - name: body
        group:
          - {name: form, bits: 8, states: {0xA1: narrow, 0xB2: wide}}
          - name: told
            told_by: form
            variants:
              - {name: narrow, when: {form: narrow}, group: [{name: a, bits: 8}]}
              - {name: wide, when: {form: wide}, group: [{name: a, bits: 16}]}
          - {name: last, bits: 8}
"""
    inner = bytes.fromhex(octets)
    values = {
        "body": {
            "form": variant,
            "told": {variant: {"a": int.from_bytes(inner[1:-1], "big")}},
            "last": inner[-1],
        }
    }
    sent = bytes([len(inner)]) + inner
    frame = packetkit.parse(text).frame()
    assert frame.encode(values) == walk.encode(frame.layout, values) == sent
    assert frame.decode(sent) == values


OTHERWISE = """
mission: godwit
frames:
  drift:
    fields:
      - {name: kind, bits: 8, states: {1: level, 2: wind}}
      - name: told
        told_by: kind
        variants:
          - {name: other, when: otherwise, group: [{name: word, bits: 16}, {name: octets, kind: bytes, length: rest}]}
          - {name: level, when: {kind: level}, group: [{name: depth, bits: 8}]}
          - {name: wind, when: {kind: [2, {from: 200, to: 255}]}, group: [{name: speed, bits: 16}]}
"""


@pytest.mark.parametrize(
    ("octets", "told"),
    [
        ("01 07", {"kind": "level", "told": {"level": {"depth": 7}}}),
        ("02 0102", {"kind": "wind", "told": {"wind": {"speed": 258}}}),
        ("C8 0102", {"kind": 200, "told": {"wind": {"speed": 258}}}),
        ("00 0102", {"kind": 0, "told": {"other": {"word": 258, "octets": b""}}}),
        ("C7 0102 03", {"kind": 199, "told": {"other": {"word": 258, "octets": b"\x03"}}}),
    ],
)
def test_what_is_meant_otherwise_has_every_code_that_no_other_variant_has(
    octets: str, told: dict[str, Any]
) -> None:
    """Worked by hand: the code of `kind`, then the variant's fields; wherever in the list the variant for all others stands."""
    frame = packetkit.parse(OTHERWISE).frame()
    sent = bytes.fromhex(octets)
    assert frame.decode(sent) == walk.decode(frame.layout, sent) == told
    assert frame.encode(told) == walk.encode(frame.layout, told) == sent
    with pytest.raises(EncodeError, match="told"):
        frame.encode({**told, "kind": 7 if "other" not in told["told"] else 1})


def test_a_single_code_that_is_left_is_filled_in() -> None:
    text = OTHERWISE.replace(
        "bits: 8, states: {1: level, 2: wind}}", "bits: 1}\n      - {kind: reserved, bits: 7}"
    )
    text = text.replace("{kind: level}", "{kind: 1}").partition("          - {name: wind")[0]
    frame = packetkit.parse(text).frame()
    assert frame.encode({"told": {"other": {"word": 258, "octets": b""}}}) == bytes.fromhex("00 0102")
    assert frame.encode({"told": {"level": {"depth": 7}}}) == bytes.fromhex("80 07")


def test_a_check_in_front_covers_a_last_group_that_is_packed_from_the_other_end() -> None:
    """The CRC is the standard library's (binascii) over the three octets behind it, put together by hand: low bits are filled first."""
    text = """
mission: godwit
frames:
  drift:
    fields:
      - {name: check, kind: check, algorithm: CRC-16/XMODEM, covers: [a, g]}
      - {name: a, bits: 8}
      - {name: g, packing: least_significant_first, group: [{name: b, bits: 4}, {name: c, bits: 12}]}
"""
    frame = packetkit.parse(text).frame()
    body = bytes([0x5A, 0xC3, 0xAB])  # b = 3 in the low half of its octet, c = 0xABC above it
    sent = crc_hqx(body, 0).to_bytes(2, "big") + body
    values = {"a": 0x5A, "g": {"b": 3, "c": 0xABC}}
    assert frame.encode(values) == walk.encode(frame.layout, values) == sent
    assert frame.decode(sent) == values
    with pytest.raises(CheckFailed):
        frame.decode(sent[:-1] + b"\0")
