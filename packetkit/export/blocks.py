"""Blocks of columns (packetkit/captures/swift.py) as tables of Arrow and as lines of CSV, the same as their frames one by one.

What would surprise a reader: a code of at most 16 bits is written through a table of its texts, which is filled as codes come.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from packetkit.captures.swift import Block
from packetkit.codec.bulk import Columns
from packetkit.codec.bulk.arrow import arrow, column, numbers
from packetkit.codec.bulk.holding import joined_forms
from packetkit.export import csv, texts
from packetkit.export.sheet import RAW, Sheet
from packetkit.export.texts import Texts
from packetkit.layout.fingerprint import fingerprint
from packetkit.layout.slots import Linear, Slot

# Codes that are written through a table of texts: 65,536 of them are less than a megabyte.
LOOKED_UP_BITS = 16

# Rows that are put together at a time: their text stays in a cache of 1 MiB or two.
PAGE = 1 << 13


def arrow_table(sheet: Sheet, schema: Any, block: Block) -> Any:
    """Return a block as a table of that schema, whose titles are those of a sheet of one frame, less `frame`."""
    pa, table, rows = arrow(), block.table, block.table.rows
    made = [
        pa.array(block.offset - int(table.offsets[0]) + table.offsets),
        pa.array(table.ok),
        pa.nulls(rows, pa.string()),
    ]
    if sheet.style.trace is not None:
        made += [
            pa.repeat(pa.scalar(word), rows) for word in (sheet.style.trace.file, fingerprint(table.layout))
        ]
    forms = joined_forms(table.layout)
    for title in sheet.places:
        path = title.removesuffix(RAW)
        made.append(column(table, path, forms) if path == title else numbers(table.raw[path], table.ok))
    return pa.Table.from_arrays(
        [
            one if one.type == field.type else one.cast(field.type)
            for one, field in zip(made, schema, strict=True)
        ],
        schema=schema,
    )


class Lines:
    """Blocks as lines of a CSV sheet; tables must hold the codes."""

    def __init__(self, sheet: Sheet) -> None:
        self._sheet, self._comma = sheet, sheet.style.for_comma_countries
        self._known: dict[str, _Known] = {}  # of each path
        self._doubles = 0  # that were written

    def text(self, block: Block) -> str:
        """Return the lines of a block."""
        rows = block.table.rows
        pages = (self._page(block, first, min(first + PAGE, rows)) for first in range(0, rows, PAGE))
        return b"".join(pages).decode()

    def _page(self, block: Block, first: int, stop: int) -> bytes:
        """Some rows of a block."""
        table, mark = block.table.part(first, stop), b";" if self._comma else b","
        lead = [b"", b"true", b""]
        if self._sheet.style.trace is not None:
            lead += [self._word(self._sheet.style.trace.file), self._word(fingerprint(table.layout))]
        offsets = texts.of_integers(block.offset - int(block.table.offsets[0]) + table.offsets)
        shown: list[Texts | bytes] = [self._word(block.frame) + mark, offsets, mark.join(lead)]
        for title in self._sheet.places:
            path = title.removesuffix(RAW)
            shown.append(mark)
            if path in table.values_of:
                shown.append(self._column(table, path) if path == title else self._codes(table.raw[path]))
        return texts.lines([*shown, b"\n"], table.rows)

    def _word(self, value: Any) -> bytes:
        """One cell, quoted where it must be."""
        return b"" if value is None else csv.line([value, 0], self._comma)[:-3].encode()

    def _codes(self, codes: Any) -> Texts:
        return self._written(codes, np.ones(len(codes), np.bool_), None, {})

    def _column(self, table: Columns, path: str) -> Texts:
        slot, codes = table.slots[path], table.raw.get(path)
        if slot is None or codes is None or slot.width > LOOKED_UP_BITS:
            return self._written(table[path], table.valid[path], slot, table.states(path))
        known = self._known.setdefault(f"{table.layout.name} {path}", _Known(slot))
        return known.texts_of(
            codes,
            lambda rows: self._written(table[path][rows], table.valid[path][rows], slot, table.states(path)),
        )

    def _written(self, values: Any, valid: Any, slot: Slot | None, names: Mapping[int, str]) -> Texts:
        """Values as text, nothing where there is none."""
        kind = values.dtype.kind
        if kind == "f" and not valid.all():
            values = np.where(valid, values, 0.0)  # what is not there needs no digits
        if names:
            made = texts.of_words([self._word(names.get(value, value)) for value in values.tolist()])
        elif kind == "f":
            self._doubles += len(values)
            made = texts.of_doubles(values, _places(slot), are_many=self._doubles > texts.MANY)
            made = np.where(made == ord("."), np.uint8(ord(",")), made) if self._comma else made
        elif kind in "iu":
            made = texts.of_integers(values)
        else:
            made = texts.of_words([self._word(value) for value in values.tolist()])
        return texts.only(made, valid)


def _places(slot: Slot | None) -> int:
    """How many places behind the point a field's step has, 0 where that does not end or nobody knows."""
    if slot is None or not isinstance(slot.transform, Linear):
        return 0
    return texts.places_of(slot.transform.scale, slot.transform.offset)


class _Known:
    """The texts of a field's codes that came so far."""

    def __init__(self, slot: Slot) -> None:
        self._low = slot.raw_limits[0]
        self._texts = np.full((1 << slot.width, 1), texts.PAD, np.uint8)
        self._is_known = np.zeros(1 << slot.width, np.bool_)

    def texts_of(self, codes: Any, written: Callable[[Any], Texts]) -> Texts:
        """Return the text of each code. written: gives those of rows, which are asked for codes that are new."""
        places = codes.astype(np.int64) - self._low
        new = np.flatnonzero(~self._is_known[places])
        if len(new):
            last = np.zeros(len(self._texts), np.int64)
            last[places[new]] = new  # one row for each code
            new = np.flatnonzero(last[places] == np.arange(len(places)))
            new = new[~self._is_known[places[new]]]
            made = written(new)
            wider = made.shape[1] - self._texts.shape[1]
            if wider > 0:
                self._texts = np.pad(self._texts, ((0, 0), (0, wider)), constant_values=texts.PAD)
            self._texts[places[new], : made.shape[1]] = made
            self._is_known[places[new]] = True
        return texts.taken(self._texts, places)
