"""Tables hold what the scalar codec gives, on random layouts: every cell, its type, and null where there is nothing."""

from __future__ import annotations

import io
import sqlite3
import struct
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyarrow import ipc

from packetkit.captures.stream import Failed, Good
from packetkit.codec import cells
from packetkit.codec.frame import Frame
from packetkit.conformance import draw
from packetkit.errors import EncodeError, SchemaError
from packetkit.export.sheet import Sheet
from packetkit.export.sqlite import Database
from packetkit.export.tables import Table
from packetkit.fuzz import schemas
from packetkit.layout.model import Layout
from packetkit.mission.load import parse


def drawn(seed: int) -> list[Layout]:
    try:
        return list(parse(schemas.schema(Random(seed)).text).layouts.values())
    except SchemaError:
        return []


def events_of(layout: Layout, chance: Random) -> list[Good | Failed]:
    """A few good frames, one of them not good."""
    frame, made = Frame(layout), list[Good | Failed]()
    for number in range(4):
        try:
            data = frame.encode(draw.record(layout, chance))
        except EncodeError:
            continue
        made.append(Good(layout.name, number, data, frame.decode(data)))
    made.append(Failed(layout.name, 9, b"", "truncated", ""))
    return made


def as_stored(value: Any, holds: str) -> Any:
    """A value as a table has it: whole numbers without a type, and codes without a name, are their digits."""
    is_number = isinstance(value, int) and not isinstance(value, bool)
    return str(value) if is_number and holds in ("text", "digits") else value


def bits_of(value: Any) -> Any:
    return struct.pack("d", value) if isinstance(value, float) else (type(value), value)


@settings(max_examples=15)
@given(seed=st.integers(0, 10**6))
def test_tables_hold_what_the_scalar_codec_gives(seed: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    chance = Random(seed)
    for layout in drawn(seed):
        events = events_of(layout, chance)
        most: dict[int, int] = {}
        for event in events:
            if isinstance(event, Good):
                cells.longest_lists(layout, event.record, most)
        sheet = Sheet({layout.name: layout}, {layout.name: most})
        columns = sheet.columns()[1:]
        stream = io.BytesIO()
        table = Table("arrow", stream, columns, {})
        table.rows(sheet.row(event)[1:] for event in events)
        table.close()
        found = ipc.open_file(stream.getvalue()).read_all().to_pydict()
        for number, event in enumerate(events):
            record = event.record if isinstance(event, Good) else {}
            for cell in cells.cells(layout, record or {}, most):
                holds = next(one.holds for one in columns if one.title == cell.path)
                assert bits_of(found[cell.path][number]) == bits_of(as_stored(cell.value, holds)), cell
        in_a_database(columns, [sheet.row(event)[1:] for event in events], tmp_path_factory.mktemp("base"))


def in_a_database(columns: list[Any], rows: list[list[Any]], place: Path) -> None:
    """The same rows through a database."""
    (place / "file").touch()
    database = Database(str(place / "file"))
    table = database.table("x", columns, {})
    table.rows(rows)
    table.close()
    database.close()
    connection = sqlite3.connect(place / "file")
    found = connection.execute("SELECT * FROM x").fetchall()
    connection.close()
    for row, stored in zip(rows, found, strict=True):
        for column, value, held in zip(columns, row, stored, strict=True):
            expected = (
                str(value)
                if column.holds == "uint64" and value is not None
                else as_stored(value, column.holds)
            )
            expected = int(expected) if isinstance(expected, bool) else expected
            assert type(held) is type(expected) and held == expected, column  # the database has no -0.0
