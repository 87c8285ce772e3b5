"""The construct object, the codec and the slow oracle, from one schema: same bytes, same values, same refusals.

The oracle (tests/oracle.py) reads the declared model and knows no layout; the construct object is made from the
layout and shares nothing with the codec but `layout.number`. The schemas below are invented; the comment before
each says what it is there for. Records are drawn from the layout, then some are spoilt; frames are drawn by
encoding, then some are damaged.
"""

from __future__ import annotations

import importlib.util
import math
import random
import sys
from collections.abc import Callable
from dataclasses import asdict
from decimal import Decimal
from fractions import Fraction
from functools import cache
from pathlib import Path
from textwrap import dedent
from typing import Any

import pytest
from construct import Construct, ConstructError
from hypothesis import given, settings
from hypothesis import strategies as st

from packetkit.codec import constructs
from packetkit.codec.frame import Frame as Codec
from packetkit.errors import DecodeError, EncodeError
from packetkit.integrity import catalog
from packetkit.layout import number
from packetkit.layout.model import Fill, Layout, Node, Optional, Repeat, Run
from packetkit.layout.resolve import resolve
from packetkit.layout.slots import Slot
from packetkit.resources import resource
from packetkit.schema.load import load
from packetkit.schema.model import Frame


def _oracle() -> Any:
    path = Path(__file__).parent.parent / "oracle.py"
    spec = importlib.util.spec_from_file_location("oracle_of_constructs", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


ORACLE = _oracle()


class Algorithms(dict[str, dict[str, Any]]):
    """The catalogue as the oracle takes it."""

    def __missing__(self, name: str) -> dict[str, Any]:
        return asdict(catalog.find(name))


# Every schema is one frame named `frame`.
SCHEMAS = {
    # numbers of any width and sign, at any bit; scales; ranges by meaning; specials and policies
    "numbers": """
        - {name: a, bits: 3}
        - {name: b, bits: 7, signed: true}
        - {name: c, bits: 6, scale: 1/3, offset: -5}
        - {name: d, minimum: -60, maximum: 85, resolution: 0.1, missing: true}
        - {name: e, minimum: 2.5, maximum: 4.3, resolution: 0.02, out_of_range: clamp}
        - {name: f, bits: 12, signed: true, scale: -1/16, missing: [{code: 5, reason: broken}, {from: 7, to: 9}]}
        - {name: g, bits: 64}
        - {name: h, bits: 63, signed: true, missing: true}
        - {name: i, bits: 8, scale: 1, minimum: 10, maximum: 200, at_least: 201, at_most: 9, out_of_range: clamp}
        - {name: j, bits: 9, scale: 0.1, minimum: 3, maximum: 51.1, out_of_range: missing, missing: 0}
        - {name: k, bits: 5, default: 7}
        - {name: l, bits: 5, default: 7, missing: true}
        - {kind: reserved, up_to: byte}
    """,
    # octets of a number reversed; IEEE numbers in both orders, one not on an octet
    "octets": """
        - {name: a, bits: 16, order: little}
        - {name: b, bits: 24, order: little, signed: true}
        - {name: c, kind: float, bits: 32, order: little, missing: true}
        - {name: d, bits: 4}
        - {name: e, kind: float, bits: 16, minimum: -100, maximum: 100, out_of_range: clamp}
        - {name: f, kind: float, bits: 64}
        - {name: g, kind: sync, bits: 16, code: 0x1234, order: little}
        - {name: h, bits: 20}
    """,
    # a frame packed from the low end, with elements that are not whole octets, and a group packed from the high end
    "least": """
        packing: least_significant_first
        fields:
          - {name: a, bits: 3}
          - {name: b, bits: 7, signed: true}
          - {name: c, bits: 6}
          - {name: d, bits: 16, order: big}
          - {name: e, kind: float, bits: 32}
          - name: high
            packing: most_significant_first
            group:
              - {name: x, bits: 12}
              - {name: y, bits: 20, signed: true}
          - {name: n, kind: count, bits: 5}
          - {name: list, repeat: {count: n}, bits: 13}
          - {kind: reserved, up_to: byte}
          - {name: check, kind: check, algorithm: CRC-16/KERMIT, stored: low_octet_first}
    """,
    # groups packed from the low end in a frame packed from the high end, one of them of varying size
    "mixed": """
        - {name: n, kind: count, bits: 8, maximum: 6}
        - name: low
          packing: least_significant_first
          group:
            - {name: a, bits: 3}
            - {name: b, bits: 13}
            - {name: c, bits: 24}
        - name: varying
          packing: least_significant_first
          group:
            - {name: p, kind: flag}
            - {name: q, bits: 7}
            - {name: list, repeat: {count: n}, bits: 11}
            - {kind: reserved, up_to: byte}
        - {name: z, bits: 8}
        - {name: check, kind: check, algorithm: CRC-32/ISO-HDLC}
    """,
    # words of 16, 32 and 64 bits, low octet first, single and in a list
    "words": """
        - {name: first, bits: 8}
        - name: sixteen
          order: little
          word_bits: 16
          group:
            - {name: a, bits: 3}
            - {name: b, bits: 7}
            - {name: c, bits: 6}
            - name: inner
              group:
                - {name: d, bits: 9, signed: true}
                - {name: e, bits: 7}
        - name: many
          repeat: 3
          order: little
          word_bits: 32
          group:
            - {name: f, bits: 5}
            - {name: g, bits: 27, signed: true}
        - name: wide
          order: little
          word_bits: 64
          group:
            - {name: h, bits: 60}
            - {name: i, bits: 4, states: {0: off, 3: on}}
        - {name: check, kind: check, algorithm: CRC-8/SMBUS}
    """,
    # tags, states, flags; a flag that clamping raises and one that says what is there
    "codes": """
        - {name: sync, kind: sync, bits: 12, code: 0xABC}
        - {name: tag, kind: tag, bits: 4, code: [1, {from: 4, to: 6}]}
        - {name: only, kind: tag, bits: 4, code: 9}
        - {name: mode, bits: 3, states: {0: safe, 1: survey, 5: "down link"}, missing: 7, default: survey}
        - {name: clipped, kind: flag}
        - {name: there, kind: flag}
        - {name: usual, kind: flag, default: true}
        - {name: more, flags: [one, two, {name: part, bits: 3}]}
        - {name: power, minimum: 0, maximum: 10, resolution: 0.1, out_of_range: clamp, flag: clipped}
        - name: list
          repeat: 2
          group:
            - {name: v, minimum: -4, maximum: 4, bits: 5, out_of_range: clamp, flag: clipped}
        - {name: single, present_when: there, bits: 6, missing: true}
        - name: group
          present_when: there
          group:
            - {name: w, bits: 5}
            - {name: x, bits: 5, default: 3}
        - {name: when_safe, present_when: {mode: [safe, down link]}, bits: 9}
        - {name: when_code, present_when: {tag: [4, 5]}, kind: flag}
        - {kind: reserved, up_to: byte, strict: true}
    """,
    # lists in lists, one count for two lists, a count in a group, an optional list, fill up to a word
    "lists": """
        - name: header
          group:
            - {name: n, kind: count, bits: 3, maximum: 5}
            - {name: k, kind: constant, bits: 5, code: 21}
        - {name: m, kind: count, bits: 4}
        - {name: full, kind: flag}
        - {name: pair, repeat: {count: header.n}, group: [{name: a, bits: 5}, {name: b, bits: 6, signed: true}]}
        - {name: again, repeat: {count: header.n}, bits: 3}
        - name: outer
          repeat: {count: m}
          group:
            - {name: i, kind: count, bits: 2}
            - {name: inner, repeat: {count: i}, bits: 5, scale: 1/4}
            - {name: has, kind: flag}
            - {name: extra, present_when: has, bits: 3}
        - {name: burst, present_when: full, repeat: {count: m}, bits: 7}
        - {kind: reserved, up_to: word_32}
        - {name: check, kind: check, algorithm: CRC-24/OPENPGP}
    """,
    # a list that runs to the end, before a trailer
    "to_end": """
        - {name: a, bits: 8}
        - {name: list, repeat: {to_end: true, maximum: 9}, group: [{name: x, bits: 12, signed: true}]}
        - {kind: reserved, up_to: byte, name: spare}
        - {name: tail, bits: 8}
        - {name: check, kind: check, algorithm: CRC-16/IBM-3740, stored: low_octet_first}
    """,
    # checks before what they cover, inside it, over named parts, over each other, and in each element
    "checks": """
        - {name: front, kind: check, algorithm: CRC-16/XMODEM, covers: whole_frame, self: ones}
        - {name: a, bits: 16}
        - {name: sum, kind: check, algorithm: SUM-16/INTERNET, covers: {from: a, to: c, except: [b]}, self: zero}
        - {name: b, bits: 8}
        - {name: c, bits: 24}
        - {name: n, kind: count, bits: 8, maximum: 4}
        - name: list
          repeat: {count: n}
          group:
            - {name: x, bits: 11}
            - {name: crc, kind: check, algorithm: CRC-5/EPC-C1G2}
        - {kind: reserved, up_to: byte}
        - {name: named, kind: check, algorithm: CRC-8/MAXIM-DOW, covers: [a, c, list], stored: bits_reversed, fill: zero}
        - {name: parity, kind: check, algorithm: XOR-8, covers: {from: a, to: parity, except: [b]}, self: skip}
    """,
    # a check over a part of an octet, fed as the bits lie; a check in an optional group; bits after it
    "parts": """
        - {name: a, bits: 13}
        - {name: early, kind: check, algorithm: CRC-4/G-704, covers: [a], fill: zero}
        - {name: late, kind: check, algorithm: CRC-11/FLEXRAY}
        - {name: has, kind: flag}
        - name: more
          present_when: has
          group:
            - {name: b, bits: 10}
            - {name: more_check, kind: check, algorithm: CRC-6/GSM}
        - {name: c, bits: 3}
        - {kind: reserved, up_to: word_16, strict: true}
    """,
    # checks that wait: one before what it covers, one in an optional group over bits behind it, one over both
    "waiting": """
        - {name: front, kind: check, algorithm: CRC-8/SMBUS, covers: [b, more]}
        - {name: a, bits: 16}
        - {name: has, kind: flag}
        - {name: b, bits: 7}
        - name: more
          present_when: has
          group:
            - {name: inside, kind: check, algorithm: CRC-16/XMODEM, covers: [a, c]}
            - {name: d, bits: 8}
        - {name: c, bits: 24}
        - {name: back, kind: check, algorithm: CRC-16/IBM-3740, covers: everything_before}
    """,
    # what is no value: alone in a group, in a list, behind a flag; and names that construct has a use for itself
    "silent": """
        - {name: n, kind: count, bits: 4}
        - {name: marks, repeat: {count: n}, group: [{name: mark, kind: constant, bits: 4, code: 10}]}
        - {name: fixed, repeat: 2, group: [{kind: reserved, bits: 3}]}
        - {name: has, kind: flag}
        - {name: stamp, present_when: has, group: [{name: sync, kind: sync, bits: 8, code: 0x5A}]}
        - {name: outside, group: [{name: inside, group: [{kind: reserved, bits: 4}]}]}
        - {name: index, kind: constant, bits: 5, code: 1}
        - {name: items, bits: 6}
        - {name: update, bits: 4}
        - {kind: reserved, up_to: byte}
    """,
}


@cache
def declared(name: str) -> tuple[Frame, Layout]:
    body = dedent(SCHEMAS[name]).strip()
    if not body.startswith("packing:"):
        body = "fields:\n" + "\n".join("  " + line for line in body.splitlines())
    lines = "\n".join("    " + line for line in body.splitlines())
    return read(f"mission: invented\nframes:\n  frame:\n{lines}\n")[0]


def read(text: str) -> list[tuple[Frame, Layout]]:
    loaded = load(text)
    assert loaded.mission is not None
    assert not loaded.problems, "\n".join(map(str, loaded.problems))
    found = []
    for frame in loaded.mission.frames:
        layout, problems = resolve(frame)
        assert layout is not None and not problems, "\n".join(map(str, problems))
        found.append((frame, layout))
    return found


def shipped() -> list[tuple[str, Frame, Layout]]:
    files = sorted(resource("schemas").glob("*.yaml"))
    frames = [(path.stem, *pair) for path in files for pair in read(path.read_text(encoding="utf-8"))]
    return [(f"{stem}.{frame.name}", frame, layout) for stem, frame, layout in frames]


FRAMES = {name: declared(name) for name in SCHEMAS}
FRAMES |= {name: (frame, layout) for name, frame, layout in shipped()}


@cache
def made(name: str) -> Construct:
    return constructs.build(FRAMES[name][1])


# -- drawing -------------------------------------------------------------------------------------------------


class Drawing:
    """A record of a layout, drawn with a seeded generator: any code of any slot, as a value, as raw, or left out."""

    def __init__(self, layout: Layout, chance: random.Random) -> None:
        self.layout = layout
        self.chance = chance
        self.counts: dict[int, int] = {}
        self.conditions = {node.by for node in layout.walk() if isinstance(node, Optional)}
        self.told: dict[int, int] = {}
        self.filled = self.conditions | {slot.raises for slot in layout.slots if slot.raises is not None}

    def record(self) -> dict[str, Any]:
        return self.container(self.layout.nodes)

    def container(self, nodes: tuple[Node, ...]) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for node in nodes:
            if isinstance(node, Run):
                for slot in node.slots:
                    self.put(found, slot.path, self.leaf(slot))
            elif isinstance(node, Repeat):
                self.put(found, node.path, self.several(node))
            elif isinstance(node, Optional):
                self.put(found, node.path, self.perhaps(node))
            else:
                assert isinstance(node, Fill)
        return found

    def put(self, found: dict[str, Any], path: tuple[str, ...], value: Any) -> None:
        if value is LEFT_OUT:
            return
        for key in path[:-1]:
            found = found.setdefault(key, {})
        found[path[-1]] = value

    def one(self, nodes: tuple[Node, ...], bare: bool) -> Any:
        if not bare:
            return self.container(nodes)
        (node,) = nodes
        if isinstance(node, Run):
            return self.leaf(node.slots[0], kept=True)
        return self.several(node) if isinstance(node, Repeat) else LEFT_OUT

    def several(self, node: Repeat) -> Any:
        if node.count is not None:
            times = node.count
        elif node.counted_by is not None:
            times = self.counts.setdefault(node.counted_by, self.chance.randint(0, min(node.maximum or 0, 6)))
        else:
            times = self.chance.randint(0, node.maximum or 9)
        return [self.one(node.element, node.bare) for _ in range(times)]

    def perhaps(self, node: Optional) -> Any:
        is_there = self.chance.random() < 0.5
        if (
            node.by in self.told and self.chance.random() < 0.95
        ):  # what is told and what is there should agree
            is_there = any(self.told[node.by] in codes for codes in node.codes)
        return self.one(node.body, node.bare) if is_there else LEFT_OUT

    def leaf(self, slot: Slot, *, kept: bool = False) -> Any:
        chance = self.chance
        self.counts.pop(slot.number, None)
        self.told.pop(slot.number, None)
        is_told = slot.number in self.conditions and slot.kind != "flag"
        fills_itself = slot.default is not None or slot.missing_code is not None or slot.number in self.filled
        left_out = chance.random() < (0.5 if fills_itself else 0.01) and not kept and not is_told
        if not slot.is_value or left_out:
            return LEFT_OUT
        raw = self.code(slot)
        if slot.number in self.conditions:
            self.told[slot.number] = raw
        if chance.random() < 0.15:
            return {"raw": raw}
        value = number.from_raw(slot, raw)[0]
        if isinstance(value, float) and math.isfinite(value):
            return chance.choice((value, value, Fraction(value), Decimal(value), value + chance.random()))
        return value

    def code(self, slot: Slot) -> int:
        low, high = slot.raw_limits
        if slot.kind == "tag":
            codes = self.chance.choice(slot.codes)
            return self.chance.randint(codes.low, codes.high)
        near = [low, high, 0, 1, low + 1, high - 1]
        near += [end + step for some in slot.legal for end in (some.low, some.high) for step in (-1, 0, 1)]
        near += [end for some in slot.specials for end in (some.low, some.high)]
        picked = self.chance.choice(near) if self.chance.random() < 0.4 else self.chance.randint(low, high)
        return min(max(picked, low), high)


LEFT_OUT = object()


ODD: tuple[Any, ...] = (
    None, True, -1, 0, 1, 3, 10**40, 2.5, 1e300, -0.0, math.inf, -math.inf, math.nan, "", "safe", "broken", "x", b"x",
    [], [1], [None, 2], {}, {"raw": 1}, {"raw": -1}, {"raw": 2**70}, {"raw": 1.0}, {"raw": True}, {"value": 1}, {"y": 2},
    Fraction(1, 3), Decimal("1.05"), Decimal("NaN"), Decimal("1E+999999"), 3 + 0j, object(), (1, 2), range(2),
)  # fmt: skip


def spoil(record: Any, layout: Layout, chance: random.Random) -> Any:
    """One part of a record replaced, dropped or added."""
    places: list[tuple[Any, Any]] = []

    def look(part: Any) -> None:
        if isinstance(part, dict):
            places.extend((part, key) for key in part)
            for inner in part.values():
                look(inner)
        elif isinstance(part, list):
            places.extend((part, index) for index in range(len(part)))
            for inner in part:
                look(inner)

    look(record)
    names = [slot.path[-1] for slot in layout.slots if slot.path]
    what = chance.randrange(4)
    if what == 0 or not places:
        record[chance.choice([*names, "unknown"])] = chance.choice(ODD)
    else:
        part, key = chance.choice(places)
        if what == 1:
            del part[key]
        else:
            part[key] = chance.choice(ODD)
    return record


# -- comparing -----------------------------------------------------------------------------------------------


def same(one: Any, other: Any) -> bool:
    """Equal by exact value and type: 1 is not 1.0, 0.0 is not -0.0, a flag is no number, keys stand in one order."""
    if type(one) is not type(other):
        return False
    if isinstance(one, dict):
        return list(one) == list(other) and all(same(one[key], other[key]) for key in one)
    if isinstance(one, list):
        return len(one) == len(other) and all(map(same, one, other))
    return repr(one) == repr(other)


def tried(act: Callable[..., Any], refusals: type[Exception], *args: Any) -> tuple[Any, str]:
    """What came of it: a result, or the text of a refusal that is one of the documented errors."""
    try:
        return act(*args), ""
    except refusals as error:
        return None, f"{type(error).__name__}: {error}"


def encoded(name: str, record: Any) -> bytes | None:
    """The bytes on which all three agree, or None where all three refuse."""
    frame, layout = FRAMES[name]
    slow, why_slow = tried(ORACLE.encode, ORACLE.Refused, frame, record, Algorithms())
    quick, why_quick = tried(Codec(layout).encode, EncodeError, record)
    native, why_native = tried(made(name).build, ConstructError, record)
    text = f"{record}\noracle {slow} {why_slow}\ncodec {quick} {why_quick}\nconstruct {native} {why_native}"
    assert (native, quick) == (slow, slow), text
    found: bytes | None = native
    return found


def decoded(name: str, data: bytes) -> Any:
    """The record on which all three agree, or None where all three refuse."""
    frame, layout = FRAMES[name]
    slow, why_slow = tried(ORACLE.decode, ORACLE.Refused, frame, data, Algorithms())
    quick, why_quick = tried(Codec(layout).decode, DecodeError, data)
    whole = made(name)
    native, why_native = tried(lambda: constructs.record(whole.parse(data)), ConstructError)
    if native is not None and why_slow.startswith("Refused: trailing"):
        return None  # construct leaves what follows a frame to whoever comes next
    text = (
        f"{data.hex()}\noracle {slow} {why_slow}\ncodec {quick} {why_quick}\nconstruct {native} {why_native}"
    )
    assert same(native, slow), text
    assert same(quick, slow), text
    return native


seeds = st.integers(0, 2**32)
each_frame = pytest.mark.parametrize("name", FRAMES)


@each_frame
@settings(max_examples=40)
@given(seed=seeds)
def test_every_record_has_the_oracles_bytes_and_comes_back(name: str, seed: int) -> None:
    data = encoded(name, Drawing(FRAMES[name][1], random.Random(seed)).record())
    if data is None:
        return
    record = decoded(name, data)
    assert record is not None
    detail = ORACLE.decode(FRAMES[name][0], data, Algorithms(), detail=True)
    assert encoded(name, detail) == data


@each_frame
@settings(max_examples=40)
@given(seed=seeds)
def test_spoilt_records_are_refused_by_all_or_sent_alike(name: str, seed: int) -> None:
    chance = random.Random(seed)
    layout = FRAMES[name][1]
    encoded(name, spoil(Drawing(layout, chance).record(), layout, chance))


@each_frame
@settings(max_examples=40)
@given(seed=seeds)
def test_damaged_and_random_bytes_are_read_alike(name: str, seed: int) -> None:
    chance = random.Random(seed)
    data = encoded(name, Drawing(FRAMES[name][1], chance).record())
    if data is None or chance.random() < 0.3:
        size = FRAMES[name][1].maximum_bytes or 20
        data = chance.randbytes(chance.randint(0, size + 1))
    elif data:
        damaged = bytearray(data)
        for _ in range(chance.randint(0, 2)):
            damaged[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
        data = bytes(damaged[: len(data) - chance.choice((0, 0, 0, 1, 3))]) + chance.randbytes(
            chance.choice((0, 0, 2))
        )
    decoded(name, data)


@each_frame
def test_most_draws_are_good_records(name: str) -> None:
    drawn = [Drawing(FRAMES[name][1], random.Random(seed)).record() for seed in range(60)]
    assert sum(encoded(name, record) is not None for record in drawn) >= 6
