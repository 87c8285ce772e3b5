"""Columns as an Arrow table, with the library pyarrow (extra `tables`): rows that are not ok are null, a state is its name."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from packetkit.codec.bulk.gather import Array
from packetkit.codec.bulk.holding import joined_forms, of_slot
from packetkit.errors import InputError

if TYPE_CHECKING:
    from packetkit.codec.bulk.columns import Columns

# The library's type for each word of holding.py.
_KINDS = {
    "flag": "bool_",
    "int32": "int32",
    "int64": "int64",
    "uint64": "uint64",
    "double": "float64",
    "digits": "string",
    "text": "string",
    "octets": "binary",
}


def arrow() -> Any:
    """Return the library. Raises InputError, which says how to get it, where it is absent."""
    try:
        import pyarrow
    except ImportError:
        raise InputError(
            "tables of Arrow and Parquet need the extra `tables`: python -m pip install 'packetkit[tables]'"
        ) from None
    return pyarrow


def kind(holds: str) -> Any:
    """Return the library's type for what a column holds."""
    return getattr(arrow(), _KINDS[holds])()


def table(columns: Columns) -> Any:
    """Return the table of columns: offset, ok, then every path, and every path's codes where they were kept."""
    pa = arrow()
    forms = joined_forms(columns.layout)
    made = {f"_{title}" if title in columns else title: held for title, held in _lead(columns).items()}
    units = {}
    for path in columns:
        slot = columns.slots[path]
        made[path] = column(columns, path, forms)
        units[path] = "" if slot is None else slot.unit
    for path, codes in columns.raw.items():
        made[f"{path} raw"] = numbers(codes, columns.ok)
    fields = [
        pa.field(title, one.type, metadata={"unit": units[title]} if units.get(title) else None)
        for title, one in made.items()
    ]
    about = {"frame": columns.layout.name, "fingerprint": columns.layout.fingerprint}
    return pa.Table.from_arrays(list(made.values()), schema=pa.schema(fields, metadata=about))


def data_frame(columns: Columns) -> Any:
    """Return the table as a data frame. Raises InputError where pandas is absent."""
    made = table(columns)
    try:
        return made.to_pandas()
    except ImportError:
        raise InputError("a data frame needs pandas: python -m pip install pandas") from None


def _lead(columns: Columns) -> dict[str, Any]:
    pa = arrow()
    return {"offset": pa.array(columns.offsets), "ok": pa.array(columns.ok)}


def column(columns: Columns, path: str, forms: Mapping[int, str]) -> Any:
    """Return one column as an array of the library. forms: how the layout's texts and octets are joined."""
    slot, values, valid = columns.slots[path], columns[path], columns.valid[path]
    form = forms.get(slot.number, "") if slot is not None else ""
    holds = ("int64" if values.dtype.kind == "i" else "double") if slot is None else of_slot(slot, form)
    if slot is not None and slot.states:
        return _names(columns.states(path), values, valid)
    if values.dtype.hasobject:
        return _objects(holds, values, valid)
    return numbers(values, valid)


def numbers(values: Array, valid: Array) -> Any:
    """Return numbers or flags as an array, null where they are not valid."""
    pa = arrow()
    if values.dtype.hasobject:
        return _objects("digits", values, valid)
    return pa.array(values, mask=None if valid.all() else ~valid)


def _objects(holds: str, values: Array, valid: Array) -> Any:
    pa = arrow()
    plain = [
        (str(value) if holds == "digits" else value) if there else None
        for value, there in zip(values.tolist(), valid.tolist(), strict=True)
    ]
    return pa.array(plain, kind(holds))


def _names(states: Any, values: Array, valid: Array) -> Any:
    """The names of codes; a code without a name is its digits."""
    pa = arrow()
    codes, places = _distinct(values)
    words = pa.array([str(states.get(code, code)) for code in codes.tolist()], pa.string())
    indices = pa.array(places.astype(np.int32), mask=None if valid.all() else ~valid)
    return words.take(indices)


# Codes that lie so close together are told apart by a table of what is there, in a tenth of the time of sorting them.
_CLOSE = 1 << 16


def _distinct(values: Array) -> tuple[Array, Array]:
    """The different codes in order, and for each value the place of its own."""
    low = int(values.min()) if len(values) and values.dtype.kind in "iu" else 0
    if not len(values) or values.dtype.kind not in "iu" or int(values.max()) - low >= _CLOSE:
        codes, places = np.unique(values, return_inverse=True)
        return codes, places.reshape(-1)
    above = values - values.dtype.type(low)
    is_there = np.zeros(int(above.max()) + 1, np.bool_)
    is_there[above] = True
    return np.flatnonzero(is_there) + low, (np.cumsum(is_there) - 1)[above]
