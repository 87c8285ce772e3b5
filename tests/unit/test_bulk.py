"""Columns of frames: masks, types, what is told of rows that are no frames, and layouts that are done one by one."""

from __future__ import annotations

from binascii import crc_hqx
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from packetkit.codec.bulk import plan
from packetkit.errors import CheckFailed, EncodeError, ShortFrame
from packetkit.mission.load import parse

FIXED = """
mission: fixed
frames:
  fixed:
    fields:
      - {name: sync, kind: sync, bits: 8, code: 0xA5}
      - {name: temperature, minimum: -60, maximum: 85, resolution: 0.1, missing: true}
      - {name: count, bits: 6}
      - {name: mode, bits: 4, states: {0: idle, 3: busy}}
      - {name: armed, kind: flag}
      - {name: spare, kind: reserved, bits: 2}
      - {name: readings, repeat: 2, group: [{name: x, bits: 8, signed: true}]}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""
VARYING = """
mission: varying
frames:
  varying:
    fields:
      - {name: n, kind: count, bits: 8}
      - {name: list, repeat: {count: n}, group: [{name: x, bits: 8, states: {1: one}}]}
      - {name: check, kind: check, algorithm: CRC-8/SMBUS}
"""
RECORD = {
    "temperature": -12.3, "count": 5, "mode": "busy", "armed": True, "readings": [{"x": -1}, {"x": 2}],
}  # fmt: skip


def test_a_table_has_a_column_and_a_mask_for_each_path() -> None:
    frame = parse(FIXED).frame()
    data = frame.encode(RECORD) + frame.encode(RECORD | {"temperature": None, "mode": 7})
    table = frame.decode_many(data)
    assert list(table) == ["temperature", "count", "mode", "armed", "readings[0].x", "readings[1].x"]
    assert table.ok.tolist() == [True, True] and table.rows == 2 and not table.obstacle
    assert table["temperature"][0] == -12.3 and np.isnan(table["temperature"][1])
    assert table.valid["temperature"].tolist() == [True, False]
    assert table.cells(0) == {
        **{key: RECORD[key] for key in list(RECORD)[:4]},
        "readings[0].x": -1,
        "readings[1].x": 2,
    }


@pytest.mark.parametrize("fill", ["", ", fill: zero"])
def test_a_check_over_single_bits_is_that_of_the_scalar_codec(fill: str) -> None:
    check = f"{{name: check, kind: check, algorithm: CRC-3/GSM{fill}}}"
    fields = f"[{{name: a, bits: 3}}, {{name: b, bits: 10}}, {check}]"
    frame = parse(f"mission: m\nframes:\n  bits:\n    fields: {fields}\n").frame()
    frames = [frame.encode({"a": a, "b": b}) for a, b in ((5, 700), (0, 1), (7, 1023))]
    damaged = [bytes([one[0] ^ 4, one[1]]) for one in frames]
    table = frame.decode_many(b"".join(frames + damaged))
    assert table.ok.tolist() == [True] * 3 + [False] * 3 and table["b"].tolist()[:3] == [700, 1, 1023]


@pytest.mark.parametrize(
    "algorithm", ["CRC-5/USB", "CRC-7/MMC", "CRC-17/CAN-FD", "CRC-31/PHILIPS", "CRC-40/GSM"]
)
def test_checks_that_are_no_machine_word_are_those_of_the_scalar_codec(algorithm: str) -> None:
    fields = f"[{{name: a, bits: 24, signed: true, order: little}}, {{name: check, kind: check, algorithm: {algorithm}}}]"
    frame = parse(f"mission: m\nframes:\n  odd:\n    last_byte: zero_filled\n    fields: {fields}\n").frame()
    values = [-8_388_608, -1, 0, 1, 8_388_607]
    frames = [frame.encode({"a": value}) for value in values]
    table = frame.decode_many(b"".join(frames) + bytes([frames[0][0] ^ 1, *frames[0][1:]]))
    assert table["a"].tolist()[:5] == values and table.ok.tolist() == [True] * 5 + [False]


def test_state_columns_are_integers_and_names_are_told() -> None:
    frame = parse(FIXED).frame()
    table = frame.decode_many(frame.encode(RECORD | {"mode": 7}) + frame.encode(RECORD))
    assert table["mode"].tolist() == [7, 3] and table["mode"].dtype == np.int32
    assert table.states("mode") == {0: "idle", 3: "busy"} and table.states("count") == {}
    assert [table.cells(row)["mode"] for row in (0, 1)] == [7, "busy"]


def test_rows_that_are_not_ok_hold_nothing_of_the_frame() -> None:
    frame = parse(FIXED).frame()
    good = frame.encode(RECORD)
    bad = bytes([*good[:2], good[2] ^ 1, *good[3:]])
    table = frame.decode_many(good + bad + good[:3], raw=True)
    assert table.ok.tolist() == [True, False, False]
    for path in table:
        assert table.valid[path].tolist() == [True, False, False]
        assert not np.nan_to_num(table[path][1:].astype(float)).any() and not table.raw[path][1:].any()
    assert table.failure(0) is None
    assert isinstance(table.failure(1), CheckFailed) and isinstance(table.failure(2), ShortFrame)
    assert table.offsets.tolist() == [0, 8, 16] and table.sizes.tolist() == [8, 8, 3]
    assert table.frame(1) == bad


def test_raw_codes_are_kept_on_request() -> None:
    frame = parse(FIXED).frame()
    table = frame.decode_many(frame.encode(RECORD), raw=True)
    assert {path: int(codes[0]) for path, codes in table.raw.items()} == {
        "temperature": 477, "count": 5, "mode": 3, "armed": 1, "readings[0].x": -1, "readings[1].x": 2,
    }  # fmt: skip
    assert not frame.decode_many(frame.encode(RECORD)).raw


DRAWN_OUT = """
mission: drawn-out
frames:
  all:
    fields:
      - {name: level, bits: 8, scale: 1/2, missing: true}
      - {name: held, kind: count, bits: 8}
      - {name: cells, repeat: {count: held}, bits: 8, scale: 1/10}
      - {name: word, kind: text, length: 2}
      - {name: drift, bits: 7, bundle: {samples: 2, maximum_step: 1}}
      - {kind: reserved, up_to: byte}
"""


def test_raw_codes_are_kept_of_frames_decoded_one_by_one() -> None:
    """FF is the missing code of level; 1E and 0A are 3.0 and 1.0 at a tenth."""
    first, second = bytes.fromhex("0401 1e 6162 0000"), bytes.fromhex("ff02 0a0a 6162 0000")
    table = parse(DRAWN_OUT).frame().decode_many(first + second + b"\x00", raw=True)
    assert {path: codes.tolist() for path, codes in table.raw.items()} == {
        "level": [4, 255, 0], "cells[0]": [30, 10, 0], "cells[1]": [0, 10, 0],
    }  # fmt: skip
    assert all(codes.dtype == np.int32 for codes in table.raw.values())
    assert not parse(DRAWN_OUT).frame().decode_many(first).raw


def test_the_type_of_a_column_follows_from_its_field() -> None:
    text = """
mission: types
frames:
  types:
    fields:
      - {name: small, bits: 3}
      - {name: word, bits: 32}
      - {name: wide, bits: 64}
      - {name: beyond, bits: 64, scale: 3}
      - {name: real, kind: float, bits: 32}
      - {name: scaled, bits: 8, scale: 0.5}
      - {name: flag, kind: flag}
      - {kind: reserved, up_to: byte}
"""
    frame = parse(text).frame()
    values: dict[str, Any] = {
        "small": 7,
        "word": 2**32 - 1,
        "wide": 2**64 - 1,
        "beyond": 3 * (2**64 - 1),
        "real": 0.5,
        "scaled": 1.5,
        "flag": True,
    }
    table = frame.decode_many(frame.encode(values))
    kinds = {path: column.dtype.name for path, column in table.items()}
    assert kinds == {
        "small": "int32", "word": "int64", "wide": "uint64", "beyond": "object", "real": "float64",
        "scaled": "float64", "flag": "bool",
    }  # fmt: skip
    assert table.cells(0) == values


def test_a_layout_that_varies_is_decoded_one_by_one_and_says_so() -> None:
    frame = parse(VARYING).frame()
    records: list[dict[str, Any]] = [{"list": [{"x": "one"}, {"x": 9}]}, {"list": []}, {"list": [{"x": 3}]}]
    data = b"".join(frame.encode(record) for record in records)
    table = frame.decode_many(data)
    assert table.obstacle == "varying varies in size"
    assert table.ok.all() and list(table) == ["list", "list[0].x", "list[1].x"]
    assert table["list"].tolist() == [2, 0, 1] and table["list[0].x"].tolist() == [1, 0, 3]
    assert table.valid["list[0].x"].tolist() == [True, False, True]
    assert table.cells(0)["list[0].x"] == "one"
    hurt = frame.decode_many(data[:2] + b"\x00" + data[3:])
    assert hurt.ok.tolist() == [False, True, True]


def test_columns_of_arrays_and_lists_become_frames() -> None:
    frame = parse(FIXED).frame()
    columns = {
        "temperature": np.array([-12.3, np.nan]),
        "count": [5, 6],
        "mode": np.array(["busy", "idle"]),
        "armed": np.array([True, False]),
        "readings[0].x": np.array([-1, 0], np.int8),
        "readings[1].x": [2, 3],
    }
    second = {
        "temperature": None,
        "count": 6,
        "mode": "idle",
        "armed": False,
        "readings": [{"x": 0}, {"x": 3}],
    }
    assert frame.encode_many(columns) == frame.encode(RECORD) + frame.encode(second)


def test_faults_of_columns_name_the_row_the_path_and_the_rule() -> None:
    frame = parse(FIXED).frame()
    columns = {
        "temperature": [1.0, 99.0], "count": [5, 6], "mode": ["busy", "asleep"], "armed": [True, False],
        "readings[0].x": [1, 1], "readings[1].x": [2, 3],
    }  # fmt: skip
    with pytest.raises(EncodeError) as caught:
        frame.encode_many(columns)
    told = [(one.path, one.rule) for one in caught.value.faults]
    assert told == [("row 1: temperature", "out-of-range"), ("row 1: mode", "unknown-state")]
    with pytest.raises(EncodeError, match="row 0: count: is not given"):
        frame.encode_many({path: column for path, column in columns.items() if path != "count"})
    with pytest.raises(EncodeError, match="row 0: cuont"):
        frame.encode_many(columns | {"cuont": [1, 2]})
    with pytest.raises(EncodeError, match="has 1 rows, but the longest column has 2"):
        frame.encode_many(columns | {"count": [5]})
    with pytest.raises(EncodeError, match="one dimension"):
        frame.encode_many(columns | {"count": np.zeros((2, 2))})


PARTED = """
mission: parted
frames:
  all:
    fields:
      - {name: tag, kind: tag, bits: 8, code: [1, 2]}
      - {name: on, kind: flag}
      - {kind: reserved, bits: 7}
      - {name: wind, present_when: on, group: [{name: speed, bits: 8, missing: true}]}
      - {name: body, told_by: tag, variants: [{name: near, when: {tag: 1}, group: [{name: x, bits: 8}]}, {name: rest, when: {tag: 2}}]}
      - {name: held, kind: count, bits: 8}
      - {name: cells, repeat: {count: held}, bits: 8, missing: true}
"""
# By hand: absent and empty, an option in which all is missing, a list that ends in a missing value.
PARTED_FRAMES = ("01 00 05 00", "01 80 ff 06 03 07 08 ff", "02 80 09 01 00")


def test_lists_options_and_variants_encode_back_from_their_columns() -> None:
    frame = parse(PARTED).frame()
    data = bytes.fromhex("".join(PARTED_FRAMES))
    table = frame.decode_many(data)
    assert table.ok.tolist() == [True] * 3 and table.obstacle
    assert frame.encode_many(table) == data
    columns = {path: [table.cells(row)[path] for row in range(3)] for path in table}
    assert frame.encode_many(columns) == data
    without = {path: column for path, column in columns.items() if path != "cells"}
    assert frame.encode_many(without) == data.replace(bytes.fromhex("03 07 08 ff"), bytes.fromhex("02 07 08"))
    lists = {"tag": [2], "on": [False], "cells": [[7, None]]}
    assert frame.encode_many(lists).hex() == "02000207ff"


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"cells": [1]}, "cells: 1 is not the number of its elements: 2 have values"),
        ({"cells": [-1]}, "cells: -1 is not the number of its elements"),
        ({"cells": ["two"]}, "cells: 'two' is not the number of its elements"),
        ({"cells[x]": [1]}, "cells: .*is not a list"),
        ({"cells[99999999999]": [1]}, "cells: .*is not a list"),
        ({"body.rest.y": [3]}, "body.rest.y: is no field"),
        ({"body.far.y": [3]}, "body"),
        ({"wnid.speed": [3]}, "wnid: is no field"),
    ],
)
def test_columns_that_do_not_fit_the_layout_are_refused_by_path(more: dict[str, Any], said: str) -> None:
    columns = {"tag": [2], "on": [False], "cells[0]": [7], "cells[1]": [7]}
    assert parse(PARTED).frame().encode_many(columns).hex() == "0200020707"
    with pytest.raises(EncodeError, match=f"row 0: {said}"):
        parse(PARTED).frame().encode_many(columns | more)


def test_no_bytes_are_no_rows() -> None:
    frame = parse(FIXED).frame()
    table = frame.decode_many(b"")
    assert table.rows == 0 and frame.encode_many(table) == b"" and frame.encode_many({}) == b""
    assert parse(VARYING).frame().decode_many(b"").rows == 0


def test_every_kind_of_buffer_is_taken() -> None:
    frame = parse(FIXED).frame()
    data = frame.encode(RECORD)
    buffers: list[Any] = [bytearray(data), memoryview(data), np.frombuffer(data, np.uint8)]
    for one in buffers:
        assert frame.decode_many(one).ok.tolist() == [True]
    with pytest.raises(TypeError):
        frame.decode_many("A5")  # type: ignore[arg-type]


def test_windows_of_a_plan_hold_the_bits_of_the_drawing() -> None:
    layout = parse(FIXED).frame().layout
    made = plan.plan_of(layout)
    assert made is not None and made.size == 8
    starts = [one.leaf.bit for one in made.placed]
    assert starts == sorted(starts)
    assert all(
        before.leaf.bit + before.leaf.width == after.leaf.bit for before, after in pairwise(made.placed)
    )


@pytest.mark.parametrize(("own", "fed"), [("zero", 0), ("ones", 0xFF), ("skip", None)])
def test_columns_with_a_check_inside_its_span_are_held_with_its_bits_as_it_says(
    own: str, fed: int | None
) -> None:
    """The check values are those of the standard library's CRC (binascii), over octets put together here."""
    check = f"{{name: check, kind: check, algorithm: CRC-16/XMODEM, covers: whole_frame, self: {own}}}"
    text = f"mission: m\nframes:\n  f:\n    fields: [{{name: a, bits: 16}}, {check}, {{name: b, bits: 24}}]\n"
    frame = parse(text).frame()
    rows = [(1, 2), (0, 0xFFFFFF), (0xABCD, 0x123456)]
    frames = []
    for a, b in rows:
        front, behind = a.to_bytes(2, "big"), b.to_bytes(3, "big")
        between = b"" if fed is None else bytes([fed, fed])
        frames.append(front + crc_hqx(front + between + behind, 0).to_bytes(2, "big") + behind)
    table = frame.decode_many(b"".join(frames))
    assert table.ok.all() and list(zip(table["a"].tolist(), table["b"].tolist(), strict=True)) == rows
    assert frame.encode_many({"a": [a for a, _ in rows], "b": [b for _, b in rows]}) == b"".join(frames)


@pytest.mark.parametrize(
    ("field", "column"),
    [
        ("name: a, bits: 8", np.array([True, False])),
        ("name: a, kind: flag", np.array([0, 2])),
        ("name: a, kind: flag", np.array([1.0, 0.0])),
    ],
    ids=["truths of a number", "integers of a flag", "doubles of a flag"],
)
def test_a_column_of_a_strange_type_is_judged_as_its_values_are(
    field: str, column: np.ndarray[Any, Any]
) -> None:
    fields = f"[{{{field}}}, {{kind: reserved, up_to: byte}}]"
    frame = parse(f"mission: m\nframes:\n  f:\n    fields: {fields}\n").frame()
    with pytest.raises(EncodeError) as single:
        for value in column.tolist():
            frame.encode({"a": value})
    with pytest.raises(EncodeError) as many:
        frame.encode_many({"a": column})
    assert single.value.faults[0].rule in {one.rule for one in many.value.faults}
