"""One frame at a time: how fast the generated codec is beside its peers. Run it by hand; it asserts nothing about time.

Question: is a generated Python codec fast enough for a live ground station and for a million frames of a campaign?
Peers, in the same process: bitstruct's C extension with binascii.crc_hqx (sync and check verified, values by exact division, the
same dict), and construct's compiled parser. The frames are F30 and F39, bench frames that fly nowhere: uniformly random raw codes.
Candidates take turns; a ratio is that of one round, and the median over rounds is shown.

    python tests/bench/bench_single_frame.py [--rounds 60]

Recorded choices, CPython 3.11, least times of interleaved runs on a shared 2-core machine:
- A dict of 19 keys: literal 494 ns (beyond 15 keys CPython adds them one by one), literal of 15 and four more stores about 400,
  copy of an empty one and 19 stores about 450, dict(zip()) 1000. Hence source.fastest_dict; it took decoding from 0.85x to 1.00x.
- A double to an int: int(y) 39 ns, math.floor(y) 13, y.__trunc__() 9. type(v) is int 12 ns, v.__class__ is int 8.
- b << 21 17 ns, b * 2097152 11: products and sums have a fast way in CPython, shifts and ors have none. With the above,
  encoding went from 0.48x to 0.60x. Without any test of ties it would be 0.73x.
- Widths of words: costs in packetkit/codec/chunks.py, found by trying 60 sets of them; the optimum is flat, within 3 %.
"""

from __future__ import annotations

import argparse
import math
import random
import statistics
import sys
import time
from binascii import crc_hqx
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import bitstruct.c as bitstruct
import construct as cs

from packetkit.codec.frame import Frame
from packetkit.layout.model import Layout
from packetkit.layout.resolve import resolve
from packetkit.schema.load import load

SYNC = 0xB5C3
MODES = ("idle", "boot", "climb", "float", "descent", "landed", "recovery", "test")


@dataclass(frozen=True)
class Column:
    """A field of a bench frame: value = raw * numerator / denominator + offset; denominator 0: an integer."""

    name: str
    bits: int
    signed: bool = False
    numerator: int = 1
    denominator: int = 0
    offset: int = 0
    kind: str = "number"


def axes(name: str) -> list[Column]:
    return [Column(f"{name}_{axis}", 12, True, 1, 100) for axis in "xyz"]


def columns(whole: bool) -> list[Column]:
    """The value fields of F39 (whole) or F30."""
    made = [
        Column("version", 3),
        Column("type", 5),
        Column("sequence", 16),
        Column("time", 32),
        Column("temperature", 11, False, 1, 10, -40),
        Column("pressure", 17, offset=1000),
        Column("humidity", 7),
    ]
    made += [Column("count_rate", 16), Column("dust", 8)] if whole else []
    made += axes("acceleration") + (axes("field") if whole else [])
    made += [
        Column("latitude", 24, True, 90, 1 << 23),
        Column("longitude", 25, True, 180, 1 << 24),
        Column("altitude", 16, offset=-500),
        Column("battery_voltage", 8, False, 1, 50),
    ]
    made += [Column("battery_current", 9)] if whole else []
    return [
        *made,
        Column("mode", 3, kind="states"),
        *(Column(f"flag_{one}", 1, kind="flag") for one in "abcd"),
    ]


def schema(whole: bool) -> str:
    """The bench frame as a team would declare it."""
    lines = ["mission: bench", "frames:", "  bench:", "    fields:"]
    lines.append(f"      - {{name: sync, kind: sync, bits: 16, code: {SYNC:#x}}}")
    for one in columns(whole):
        keys = f"name: {one.name}"
        if one.kind == "flag":
            keys += ", kind: flag"
        elif one.kind == "states":
            keys += f", bits: {one.bits}, states: {{{', '.join(f'{code}: {name}' for code, name in enumerate(MODES))}}}"
        else:
            keys += f", bits: {one.bits}" + (", signed: true" if one.signed else "")
            if one.denominator:
                keys += f", scale: {one.numerator}/{one.denominator}"
            elif one.offset:
                keys += ", scale: 1"
            keys += f", offset: {one.offset}" if one.offset else ""
        lines.append(f"      - {{{keys}}}")
    lines.append(f"      - {{kind: reserved, bits: {4 if whole else 1}}}")
    lines.append("      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}")
    return "\n".join(lines) + "\n"


def layout_of(whole: bool) -> Layout:
    loaded = load(schema(whole))
    assert loaded.mission is not None, loaded.problems
    layout, problems = resolve(loaded.mission.frames[0])
    assert layout is not None, problems
    return layout


Functions = tuple[Callable[[dict[str, Any]], bytes], Callable[[bytes], dict[str, Any]]]


def by_bitstruct(whole: bool) -> Functions:
    """The peer as an able programmer writes it: one compiled format, then an expression a field."""
    fields = columns(whole)
    form = (
        "u16"
        + "".join(("s" if one.signed else "u") + str(one.bits) for one in fields)
        + ("u4" if whole else "u1")
    )
    compiled = bitstruct.compile(form)
    size = (16 + sum(one.bits for one in fields) + (4 if whole else 1)) // 8
    names = ", ".join(f"v{number}" for number in range(len(fields)))
    decoded = ", ".join(f"{one.name!r}: {_value(one, f'v{number}')}" for number, one in enumerate(fields))
    encoded = ", ".join(_raw(one, f"record[{one.name!r}]") for one in fields)
    text = f"""
def decode(data):
    if len(data) != {size + 2} or crc_hqx(data, 0xFFFF):
        raise ValueError("not a frame")
    sync, {names}, _ = unpack(data)
    if sync != {SYNC}:
        raise ValueError("not a frame")
    return {{{decoded}}}

def encode(record):
    data = pack({SYNC}, {encoded}, 0)
    return data + crc_hqx(data, 0xFFFF).to_bytes(2, "big")
"""
    scope = {
        "crc_hqx": crc_hqx,
        "floor": math.floor,
        "unpack": compiled.unpack,
        "pack": compiled.pack,
        "MODES": MODES,
        "CODES": {name: code for code, name in enumerate(MODES)},
    }
    exec(text, scope)
    return scope["encode"], scope["decode"]


def _value(one: Column, raw: str) -> str:
    if one.kind == "flag":
        return f"{raw} == 1"
    if one.kind == "states":
        return f"MODES[{raw}]"
    if not one.denominator:
        return f"{raw} + {one.offset}" if one.offset else raw
    common = math.gcd(one.numerator, one.denominator)
    num, den = one.numerator // common, one.denominator // common
    above = raw if num == 1 else f"{raw} * {num}"
    return f"({above} + {one.offset * den}) / {den}" if one.offset else f"{above} / {den}"


def _raw(one: Column, value: str) -> str:
    """Nearest code by division, as is usual; it has no tie rule and no range test but the format's own."""
    if one.kind == "flag":
        return value
    if one.kind == "states":
        return f"CODES[{value}]"
    if not one.denominator:
        return f"{value} - {one.offset}" if one.offset else value
    shifted = f"({value} - {one.offset})" if one.offset else value
    return f"floor({shifted} * {one.denominator} / {one.numerator} + 0.5)"


def by_construct(whole: bool) -> Functions:
    """The construct peer, compiled; its values get the same expressions."""
    fields = columns(whole)
    parts = [cs.Const(SYNC, cs.BitsInteger(16))]
    parts = [cs.Const(SYNC.to_bytes(2, "big"))]
    body = cs.BitStruct(
        *(
            one.name / (cs.Flag if one.kind == "flag" else cs.BitsInteger(one.bits, signed=one.signed))
            for one in fields
        ),
        cs.Padding(4 if whole else 1),
    )
    whole_frame = cs.Struct(*parts, "body" / body, "check" / cs.Int16ub).compile()
    decode_text = ", ".join(
        f"{one.name!r}: {_value(one, f'b.{one.name}')}" for one in fields if one.kind != "flag"
    )
    flags = ", ".join(f"{one.name!r}: b.{one.name}" for one in fields if one.kind == "flag")
    encode_text = ", ".join(f"{one.name!r}: {_raw(one, f'record[{one.name!r}]')}" for one in fields)
    text = f"""
def decode(data):
    found = parse(data)
    if crc_hqx(data, 0xFFFF):
        raise ValueError("not a frame")
    b = found.body
    return {{{decode_text}, {flags}}}

def encode(record):
    data = build({{"body": {{{encode_text}}}, "check": 0}})[:-2]
    return data + crc_hqx(data, 0xFFFF).to_bytes(2, "big")
"""
    scope = {
        "crc_hqx": crc_hqx,
        "floor": math.floor,
        "parse": whole_frame.parse,
        "build": whole_frame.build,
        "MODES": MODES,
        "CODES": {name: code for code, name in enumerate(MODES)},
    }
    exec(text, scope)
    return scope["encode"], scope["decode"]


def frames(layout: Layout, count: int) -> list[bytes]:
    """Frames of uniformly random raw codes, seeded."""
    chance = random.Random(20)
    codec = Frame(layout)
    made = []
    for _ in range(count):
        record = {
            slot.path[0]: {"raw": chance.randint(*slot.raw_limits)} for slot in layout.slots if slot.is_value
        }
        made.append(codec.encode(record))
    return made


def timed(function: Callable[[Any], Any], inputs: list[Any]) -> float:
    """Microseconds a call over all inputs, once."""
    begin = time.perf_counter()
    for one in inputs:
        function(one)
    return (time.perf_counter() - begin) / len(inputs) * 1e6


def compare(whole: bool, rounds: int) -> None:
    layout = layout_of(whole)
    ours = Frame(layout)
    data = frames(layout, 500)
    records = [ours.decode(one) for one in data]
    peers = {"bitstruct": by_bitstruct(whole), "construct": by_construct(whole)}
    for name, (encode, decode) in peers.items():
        assert [decode(one) for one in data] == records, name
        assert [encode(one) for one in records] == data, name
    print(f"F{layout.size_bytes}: {len(records[0])} values, {rounds} rounds of {len(data)} frames")
    for direction, function, inputs, place in (
        ("decode", ours.decode, data, 1),
        ("encode", ours.encode, records, 0),
    ):
        times: dict[str, list[float]] = {"packetkit": [], **{name: [] for name in peers}}
        for number in range(rounds):
            times["packetkit"].append(timed(function, inputs))
            times["bitstruct"].append(timed(peers["bitstruct"][place], inputs))
            if number % 10 == 0:
                times["construct"].append(timed(peers["construct"][place], inputs[:100]))
        shown = ", ".join(f"{name} {statistics.median(seen):.2f} us" for name, seen in times.items())
        ratio = statistics.median(
            peer / own for own, peer in zip(times["packetkit"], times["bitstruct"], strict=True)
        )
        times_construct = statistics.median(times["construct"]) / statistics.median(times["packetkit"])
        print(
            f"  {direction}: {shown}: {ratio:.2f}x the speed of bitstruct, {times_construct:.1f}x construct"
        )


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rounds", type=int, default=60)
    rounds = parser.parse_args(arguments).rounds
    for whole in (False, True):
        compare(whole, rounds)


if __name__ == "__main__":
    main(sys.argv[1:])
