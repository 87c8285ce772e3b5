"""Blocks of columns (packetkit/captures/swift.py) as tables of Arrow and as lines of CSV, the same as their frames one by one.

What would surprise a reader: a code of at most 16 bits is written through a table of its texts, which is filled as codes come; most time
of CSV goes into numbers as text.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from packetkit.captures.swift import Block
from packetkit.codec.bulk import Columns
from packetkit.codec.bulk.arrow import arrow, column, numbers
from packetkit.codec.bulk.holding import joined_forms
from packetkit.export import csv
from packetkit.export.sheet import RAW, Sheet
from packetkit.layout.fingerprint import fingerprint
from packetkit.layout.model import Slot
from packetkit.layout.number import from_raw

# Codes that are written through a table of texts: 65,536 of them are half a megabyte of references.
LOOKED_UP_BITS = 16


def able(sheet: Sheet) -> bool:
    """Return whether blocks can be rows of a sheet: words on limits and calibrated values are worked out frame by frame."""
    return not sheet.has_limits and not sheet.style.received and (not sheet.needs_detail or sheet.style.raw)


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
        self._texts: dict[str, Any] = {}  # of each path, by code

    def text(self, block: Block) -> str:
        """Return the lines of a block."""
        table, mark = block.table, ";" if self._comma else ","
        lead = [self._word(block.frame), "", "true", ""]
        if self._sheet.style.trace is not None:
            lead += [self._word(self._sheet.style.trace.file), self._word(fingerprint(table.layout))]
        before, after = lead[0] + mark, mark + mark.join(lead[2:])
        starts = (block.offset - int(table.offsets[0]) + table.offsets).tolist()
        empty = [""] * table.rows
        shown: list[list[str]] = [[f"{before}{at}{after}" for at in starts]]
        for title in self._sheet.places:
            path = title.removesuffix(RAW)
            if path not in table.values_of:
                shown.append(empty)
            elif path != title:
                shown.append(list(map(str, table.raw[path].tolist())))
            else:
                shown.append(self._column(table, path))
        return "\n".join(map(mark.join, zip(*shown, strict=True))) + "\n"

    def _word(self, value: Any) -> str:
        """One cell, quoted where it must be."""
        return "" if value is None else csv.line([value, 0], self._comma)[:-3]

    def _column(self, table: Columns, path: str) -> list[str]:
        slot, codes = table.slots[path], table.raw.get(path)
        if slot is not None and codes is not None and slot.width <= LOOKED_UP_BITS:
            return self._looked_up(table.layout.name, path, slot, codes)
        values: list[Any] = table[path].tolist()
        names = table.states(path)
        if names:
            values = [names.get(value, value) for value in values]
        made = list(map(self._plain(table, path, bool(names)), values))
        for row in np.flatnonzero(~table.valid[path]).tolist():
            made[row] = ""
        return made

    def _plain(self, table: Columns, path: str, is_text: bool) -> Callable[[Any], str]:
        """What writes one value of a column."""
        kind = table[path].dtype.kind
        if is_text or kind in "bO":
            return self._word
        return (lambda value: repr(value).replace(".", ",")) if self._comma and kind == "f" else repr

    def _looked_up(self, frame: str, path: str, slot: Slot, codes: Any) -> list[str]:
        low = slot.raw_limits[0]
        key = f"{frame} {path}"
        if key not in self._texts:
            self._texts[key] = np.full(1 << slot.width, None, np.object_)
        texts, places = self._texts[key], codes.astype(np.int64) - low
        found = np.zeros(len(texts), np.bool_)
        found[places] = True
        new = [place for place in np.flatnonzero(found).tolist() if texts[place] is None]
        for place in new:
            value = from_raw(slot, place + low)[0]
            value = dict(slot.states).get(value, value) if isinstance(value, int) and slot.states else value
            texts[place] = self._word(value)
        made: list[str] = np.take(texts, places).tolist()
        return made
