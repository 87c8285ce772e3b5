"""Bulk = scalar: columns hold what the scalar codec gives, to the last bit, on random layouts with damage; and back."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from functools import partial
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packetkit.codec import cells
from packetkit.codec.bulk import Columns, obstacle
from packetkit.codec.frame import Frame
from packetkit.conformance import draw, faults
from packetkit.errors import DecodeError, EncodeError, SchemaError
from packetkit.fuzz import schemas
from packetkit.integrity import catalog
from packetkit.layout.model import Layout, Optional
from packetkit.mission.load import parse


def same(found: Any, expected: Any) -> bool:
    """Whether two values are one: type, sign of zero and all."""
    if type(found) is not type(expected):
        return False
    if isinstance(found, float):
        return struct.pack("d", found) == struct.pack("d", expected)
    return bool(found == expected)


def scalar_cells(frame: Frame, data: bytes) -> dict[str, Any] | None:
    """One frame's values by path, None where it is none."""
    try:
        record = frame.decode(data)
    except DecodeError:
        return None
    most: dict[int, int] = {}
    cells.longest_lists(frame.layout, record, most)
    return {cell.path: cell.value for cell in cells.cells(frame.layout, record, most)}


def assert_rows_agree(frame: Frame, table: Columns, data: bytes) -> None:
    """Every row is the scalar codec's answer about its bytes; masked places hold NaN, 0, False or None."""
    assert b"".join(table.frame(row) for row in range(table.rows)) == data
    for row in range(table.rows):
        expected = scalar_cells(frame, table.frame(row))
        assert bool(table.ok[row]) is (expected is not None), row
        assert (table.failure(row) is None) is bool(table.ok[row])
        found = table.cells(row)
        if expected is None:
            assert not any(table.valid[path][row] for path in table)
            expected = {}
        for path, value in found.items():
            assert same(value, expected.get(path)), (row, path, value, expected.get(path))
        assert {path for path, value in expected.items() if value is not None} <= found.keys()
    for path in table:
        for held in table[path][~table.valid[path]].tolist():
            assert held in (0, None) or math.isnan(held)


def frames_of(layout: Layout, chance: Random, count: int) -> tuple[list[dict[str, Any]], list[bytes]]:
    """Records that encode, and their frames."""
    frame = Frame(layout)
    records, made = [], []
    for _ in range(count):
        record = draw.record(layout, chance)
        try:
            made.append(frame.encode(record))
        except EncodeError:
            continue
        records.append(record)
    return records, made


def drawn(seed: int) -> list[Layout]:
    """The layouts of a random schema."""
    try:
        return list(parse(schemas.schema(Random(seed)).text).layouts.values())
    except SchemaError:  # one in many is refused for a reason that drawing does not know
        return []


def buffer_of(layout: Layout, chance: Random, count: int) -> bytes:
    """Frames back to back, of records and of random bits with right constants, some damaged; and perhaps a part of one."""
    _, made = frames_of(layout, chance, count)
    size = layout.size_bytes
    if size is not None:
        made += [bytes(chance.randbytes(size)) for _ in range(3)]
        hurt = [faults.inject(one, chance, chance.choice(["flip", "burst"])).data for one in made if one]
        made += hurt
    chance.shuffle(made)
    data = b"".join(made)
    return data + (made[0][: len(made[0]) // 2] if made and chance.randint(0, 1) else b"")


@pytest.mark.slow
@given(st.integers(0, 2**32))
@settings(max_examples=150)
def test_columns_hold_what_the_scalar_codec_gives_on_random_layouts_with_damage(seed: int) -> None:
    chance = Random(seed)
    for layout in drawn(seed):
        frame = Frame(layout)
        data = buffer_of(layout, chance, 6)
        table = frame.decode_many(data)
        assert_rows_agree(frame, table, data)
        assert bool(table.obstacle) >= bool(obstacle(layout))
        if table.obstacle:
            continue
        assert list(table) == cells.titles(layout) or any(
            isinstance(node, Optional) for node in layout.walk()
        )


Answer = bytes | list[tuple[str, str, str]]


def asked(action: Callable[[], bytes]) -> Answer:
    """The bytes, or the faults that are raised instead."""
    try:
        return action()
    except EncodeError as error:
        return [(one.path, one.rule, one.message) for one in error.faults]


def one_by_one(frame: Frame, records: list[dict[str, Any]]) -> Answer:
    """What bulk encoding must answer: the frames joined, or the faults of the first rows that have any."""
    answers = [asked(partial(frame.encode, record)) for record in records]
    wrong = [(row, one) for row, one in enumerate(answers) if isinstance(one, list)][:10]
    if wrong:
        return [(f"row {row}: {path}", rule, text) for row, one in wrong for path, rule, text in one]
    return b"".join(one for one in answers if isinstance(one, bytes))


def columns_of(layout: Layout, records: list[dict[str, Any]]) -> dict[str, list[Any]] | None:
    """Records as columns of any values; None where a record leaves out what another has."""
    rows = [{cell.path: cell.value for cell in cells.cells(layout, record)} for record in records]
    return {path: [row[path] for row in rows] for path in rows[0]} if rows and rows[0] else None


@pytest.mark.slow
@given(st.integers(0, 2**32))
@settings(max_examples=60)
def test_columns_of_frames_decoded_one_by_one_encode_back(seed: int) -> None:
    chance = Random(seed)
    for layout in drawn(seed):
        if not obstacle(layout) or layout.runs_to_end:  # what runs to the end cannot stand back to back
            continue
        frame = Frame(layout)
        _, made = frames_of(layout, chance, 4)
        expected = one_by_one(frame, [frame.decode(one) for one in made])
        table = frame.decode_many(b"".join(made))
        if table.ok.all() and isinstance(
            expected, bytes
        ):  # else values that do not encode: clamped, unassigned
            assert frame.encode_many(table) == expected


@pytest.mark.slow
@given(st.integers(0, 2**32))
@settings(max_examples=150)
def test_columns_encode_to_what_the_scalar_codec_sends(seed: int) -> None:
    chance = Random(seed)
    for layout in drawn(seed):
        if obstacle(layout):
            continue
        frame = Frame(layout)
        _, made = frames_of(layout, chance, 6)
        records = [frame.decode(one) for one in made]
        expected = one_by_one(frame, records)
        assert asked(lambda: frame.encode_many(frame.decode_many(b"".join(made)))) == expected  # noqa: B023  (called at once)
        columns = columns_of(layout, records)
        if columns:
            assert asked(lambda: frame.encode_many(columns)) == expected  # noqa: B023  (called at once)


EDGY = """
mission: edges
frames:
  edges:
    fields:
      - {name: clamped, kind: flag}
      - {name: tenth, bits: 12, signed: true, scale: 0.1, offset: 3.7, missing: true, out_of_range: clamp, flag: clamped}
      - {name: falling, bits: 11, scale: -1/3, offset: 20, out_of_range: clamp}
      - {name: wide, bits: 64, signed: true, scale: 7, offset: -3}
      - {name: large, bits: 64}
      - {name: fine, minimum: -40, maximum: 85, resolution: 0.01, missing: true, out_of_range: missing}
      - {name: half, kind: float, bits: 16, missing: true, minimum: -100, out_of_range: clamp}
      - {name: single, kind: float, bits: 32, out_of_range: clamp}
      - {name: real, kind: float, bits: 64, missing: true}
      - {name: mode, bits: 3, states: {0: idle, 5: busy}, missing: 7}
      - {kind: reserved, up_to: byte}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""
EDGES = parse(EDGY).frame()
PLAIN = {
    "clamped": False, "tenth": 3.7, "falling": 20.0, "wide": 4, "large": 1, "fine": 0.0,
    "half": 0.0, "single": 0.0, "real": 0.0, "mode": "idle",
}  # fmt: skip
TENTHS = st.integers(-3000, 3000).map(lambda half: half * 0.05 + 3.7)
FLOATS = (
    st.floats() | TENTHS | TENTHS.map(lambda one: math.nextafter(one, 9e9)) | st.floats(-110, 110, width=16)
)


@given(
    st.sampled_from(["tenth", "falling", "fine", "half", "single", "real", "wide"]),
    st.lists(FLOATS, min_size=1, max_size=12),
)
@settings(max_examples=300)
def test_any_doubles_are_encoded_or_refused_as_the_scalar_codec_does(name: str, values: list[float]) -> None:
    frame = EDGES
    expected = one_by_one(frame, [PLAIN | {name: value} for value in values])
    columns = {path: [plain] * len(values) for path, plain in PLAIN.items()}
    assert asked(lambda: frame.encode_many(columns | {name: np.array(values)})) == expected
    assert asked(lambda: frame.encode_many(columns | {name: values})) == expected


@given(
    st.sampled_from(["wide", "large", "tenth", "half", "mode"]),
    st.lists(st.integers(-(2**66), 2**66) | st.integers(-9, 9), min_size=1, max_size=8),
)
@settings(max_examples=200)
def test_any_integers_are_encoded_or_refused_as_the_scalar_codec_does(name: str, values: list[int]) -> None:
    frame = EDGES
    expected = one_by_one(frame, [PLAIN | {name: value} for value in values])
    columns = {path: [plain] * len(values) for path, plain in PLAIN.items()}
    assert asked(lambda: frame.encode_many(columns | {name: values})) == expected


@given(st.binary(max_size=400))
@settings(max_examples=100)
def test_any_bytes_decode_to_masked_rows_and_never_raise(data: bytes) -> None:
    frame = parse(
        EDGY.replace("      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}\n", "")
    ).frame()
    assert_rows_agree(frame, frame.decode_many(data), data)


@pytest.mark.slow
def test_every_check_is_computed_in_bulk_as_one_by_one() -> None:
    chance = Random(5)
    for algorithm in catalog.ALGORITHMS.values():
        if algorithm.width > 64:
            continue
        fill = -algorithm.width % 8
        text = f"""
mission: checks
frames:
  checks:
    fields:
      - {{name: a, bits: {chance.choice([24, 32, 72])}}}
      - {{kind: reserved, bits: {fill or 8}}}
      - {{name: check, kind: check, algorithm: {algorithm.name}, covers: [a]}}
"""
        text = text.replace("bits: 72}", "bits: 64}\n      - {name: b, bits: 8}")
        frame = parse(text).frame()
        values = [chance.getrandbits(24) for _ in range(40)]
        data = frame.encode_many({"a": values} | ({"b": [7] * 40} if "name: b" in text else {}))
        assert data == b"".join(
            frame.encode({"a": one} | ({"b": 7} if "name: b" in text else {})) for one in values
        ), algorithm.name
        assert frame.decode_many(data).ok.all(), algorithm.name
        size = frame.layout.size_bytes or 0
        hurt = bytearray(data)
        for row in range(0, 40, 3):
            hurt[row * size] ^= 1 << row % 8
        assert_rows_agree(frame, frame.decode_many(bytes(hurt)), bytes(hurt))


BALLOON = """
mission: balloon
frames:
  report:
    fields:
      - {name: sync, kind: sync, bits: 16, code: 0xB5C3}
      - {name: sequence, bits: 16, role: sequence}
      - {name: temperature, minimum: -60, maximum: 85, resolution: 0.1, unit: Cel, missing: true}
      - {name: mode, bits: 3, states: {0: idle, 1: climb, 2: float}}
      - {name: valve, kind: flag}
      - {name: latitude, bits: 24, signed: true, scale: 90/8388608}
      - {name: spare, kind: reserved, bits: 9}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""
# One frame every 2 s for 30 days are 1,296,000 (invented); a share of them in every run, all of them in the campaign.
SHARE = 200_000


def balloon_frames(count: int, seed: int) -> tuple[Frame, bytes]:
    """Frames of random values, one in a hundred damaged by a flip of one to three bits."""
    frame = parse(BALLOON).frame()
    random = np.random.default_rng(seed)
    temperatures = np.round(random.uniform(-60, 85, count), 1)
    temperatures[random.integers(0, count, count // 50)] = np.nan
    data = bytearray(
        frame.encode_many(
            {
                "sequence": np.arange(count) % 65536,
                "temperature": temperatures,
                "mode": random.integers(0, 8, count),
                "valve": random.integers(0, 2, count).astype(bool),
                "latitude": random.integers(-8388608, 8388608, count) * (90 / 8388608),
            }
        )
    )
    size = frame.layout.size_bytes or 1
    for row in random.choice(count, count // 100, replace=False).tolist():
        for bit in random.choice(size * 8, random.integers(1, 4), replace=False).tolist():
            data[row * size + bit // 8] ^= 1 << bit % 8
    return frame, bytes(data)


def differences(frame: Frame, data: bytes) -> int:
    """How many rows of the columns are not what the scalar codec gives for the same bytes."""
    table = frame.decode_many(data)
    size = frame.layout.size_bytes or 1
    ok = table.ok.tolist()
    names = table.states("mode")
    columns = [
        [
            value if there else None
            for value, there in zip(table[path].tolist(), table.valid[path].tolist(), strict=True)
        ]
        for path in table
    ]
    wrong = 0
    for row, (good, *values) in enumerate(zip(ok, *columns, strict=True)):
        try:
            record = frame.decode(data[row * size : row * size + size])
        except DecodeError:
            wrong += good or any(value is not None for value in values)
            continue
        found = dict(zip(table, values, strict=True))
        found["mode"] = names.get(found["mode"], found["mode"])
        wrong += not good or repr(found) != repr(record)
    return wrong


@pytest.mark.slow
def test_a_month_of_frames_reads_the_same_in_columns_and_one_by_one() -> None:
    frame, data = balloon_frames(SHARE, 3)
    assert differences(frame, data) == 0
    assert int((~frame.decode_many(data).ok).sum()) == SHARE // 100
