"""What a column of records holds, in a word: the types of Arrow and of databases are chosen by it.

flag, int32, int64, uint64 and double are what numpy has (packetkit/codec/bulk/values.py); `digits` are whole numbers beyond 64 bits, as
decimal text; `text` is a state's name (of a code without a name its digits), a time or a text; `octets` are bytes.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from packetkit.codec.bulk.values import dtype_of, integer_type
from packetkit.codec.cells import Cell
from packetkit.layout.model import Layout, Repeat, slots_of
from packetkit.layout.slots import Slot

WORDS = ("flag", "int32", "int64", "uint64", "double", "digits", "text", "octets")

# Of the forms in which texts and octets are joined, those that give bytes.
_OF_OCTETS = ("bytes", "bits")


def holding(cell: Cell, joined: Mapping[int, str], *, raw: bool = False) -> str:
    """Return what a cell's column holds, or with raw the column of its codes. joined: the forms of texts, by character slot."""
    slot = cell.slot
    if slot is None:
        return "int64" if cell.derived is None else "double"
    if raw:
        return _word(integer_type(*slot.raw_limits))
    return of_slot(slot, joined.get(slot.number, ""))


def of_slot(slot: Slot, form: str = "") -> str:
    """Return what the values of a slot are; form: how the characters of a text, or octets, are joined."""
    if form:
        return "octets" if form in _OF_OCTETS else "text"
    if slot.states or slot.kind in ("time", "radix_text", "character"):
        return "text"
    return _word(dtype_of(slot))


def _word(dtype: np.dtype[np.generic]) -> str:
    return {"b": "flag", "f": "double", "O": "digits"}.get(dtype.kind, dtype.name)


def joined_forms(layout: Layout) -> dict[int, str]:
    """Return the form of every text and run of octets, by the number of its character's slot."""
    return {
        slots_of(node.element[0])[0].number: node.joined.form
        for node in layout.walk()
        if isinstance(node, Repeat) and node.joined is not None
    }
