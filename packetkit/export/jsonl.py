"""JSON lines: one strict object a frame, written as decode finds them, read as records to encode.

A good frame's line has the keys frame, offset, ok, reason, values, reasons, notes. A failed one's frame is
null and it has `claimed` instead of values; where what it held was salvaged it has values too, each of which
says that it is not to be trusted. Numbers keep their types: a float has a point or an exponent, an integer
has all its digits.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping
from functools import reduce
from operator import getitem
from typing import Any

from packetkit.captures.stream import Failed, Good
from packetkit.export import columns
from packetkit.export.columns import Entry, Given, LeftOut, Refused
from packetkit.export.sheet import Origin
from packetkit.layout.fingerprint import fingerprint
from packetkit.layout.model import Layout
from packetkit.layout.slots import Slot

GOOD_KEYS = ("frame", "offset", "ok", "reason", "values", "reasons", "notes")
_LINE_KEYS = frozenset((*GOOD_KEYS, "claimed", "bytes", "calibrated", "received", "file", "fingerprint"))


def line_of(
    event: Good | Failed, layouts: Mapping[str, Layout], *, detail: bool = False, trace: Origin | None = None
) -> dict[str, Any]:
    """Return the object of one line. A good event holds its record in detail; detail keeps it so in `values`.

    trace: the file, for the keys `file` and `fingerprint` (the frame's).
    """
    made: dict[str, Any] = {
        "frame": None,
        "offset": event.offset,
        "ok": isinstance(event, Good) and (event.is_verified or None),
        "reason": None,
    }
    if isinstance(event, Good):
        made["frame"] = event.frame
        made["values"] = event.record if detail else columns.plain(layouts[event.frame], event.record)
    else:
        made["claimed"] = event.claimed or None
        made["reason"] = event.reason
        made["bytes"] = event.data
        if event.record is not None:
            made["values"] = event.record
    found = list(columns.leaves(event.record))
    made["reasons"] = {path: leaf["reason"] for path, leaf in found if "reason" in leaf}
    if any("calibrated" in leaf for _, leaf in found):
        made["calibrated"] = {path: leaf["calibrated"] for path, leaf in found if "calibrated" in leaf}
    made["notes"] = {path: note for path, leaf in found if (note := columns.note_of(leaf))}
    beside = event.received
    if beside is not None:
        made["received"] = {"time": beside.time, "rssi_dbm": beside.rssi_dbm, "snr_db": beside.snr_db}
    if trace is not None:
        layout = layouts.get(event.frame if isinstance(event, Good) else event.claimed)
        made["file"], made["fingerprint"] = trace.file, None if layout is None else fingerprint(layout)
    return made


def text_of(line: Mapping[str, Any]) -> str:
    """Return one line of strict JSON, in ASCII, with its line end; octets are hexadecimal."""
    return json.dumps(line, separators=(",", ":"), allow_nan=False, default=bytes.hex) + "\n"


# -- reading ---------------------------------------------------------------------------------------


class _RefusedError(ValueError):
    """What strict JSON does not allow."""


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) != len(pairs):
        (key, _), *_ = Counter(key for key, _ in pairs).most_common(1)
        raise _RefusedError(f"the key {key[:40]!r} is there twice")
    return made


def _no_number(word: str) -> Any:
    raise _RefusedError(f"{word} is no number of JSON. Write null for what is missing")


def object_of(text: str) -> tuple[dict[str, Any] | None, str]:
    """Return the object of one line of strict JSON, or None and what is wrong with it."""
    try:
        made = json.loads(text, object_pairs_hook=_pairs, parse_constant=_no_number)
    except _RefusedError as error:
        return None, str(error)
    except json.JSONDecodeError as error:
        return None, f"this is not JSON: {error.msg} at column {error.colno}. One object stands on one line"
    except RecursionError:
        return None, "the object is nested too deeply"
    except ValueError:
        return None, "a number has more digits than any field could hold"
    if not isinstance(made, dict):
        return None, 'a line is an object: {"name": value, ...}'
    return made, ""


def read(text: str, layouts: Mapping[str, Layout], frame: str | None = None) -> Iterator[Entry]:
    """Yield what each line says: a record, bare or as decode writes it, or why it is none; empty lines say nothing."""
    for number, line in enumerate(text.split("\n"), 1):
        if line.strip():
            yield _entry(number, line, layouts, frame)


def _entry(number: int, line: str, layouts: Mapping[str, Layout], asked: str | None) -> Entry:
    found, problem = object_of(line)
    if found is None:
        return Refused(number, problem)
    is_line = found.keys() <= _LINE_KEYS and ("ok" in found or found.keys() == {"frame", "values"})
    if is_line and found.get("ok", True) not in (True, None):
        return LeftOut(number, str(found.get("reason")))
    record = found.get("values") if is_line else found
    named = found.get("frame")
    if not is_line and "frame" in found and _is_field("frame", layouts, asked):
        named = None
    elif not is_line:
        record = {key: value for key, value in found.items() if key != "frame"}
    name, problem = columns.frame_named(named, layouts, asked)
    if name is None:
        return Refused(number, problem)
    if not isinstance(record, dict):
        return Refused(number, "values is not an object")
    others = tuple(_other_nulls(found.get("reasons"), record, layouts[name])) if is_line else ()
    return Given(number, name, record, others)


def _other_nulls(reasons: Any, record: Any, layout: Layout) -> Iterator[tuple[str, str]]:
    """Yield each value of a frame that is null since its code means nothing, and the reason: as a record it would be sent as missing."""
    for path, reason in reasons.items() if isinstance(reasons, dict) else ():
        if reason == "missing" or not isinstance(columns.place(layout, path), Slot):
            continue
        try:
            value = reduce(getitem, columns.steps(path) or (), record)
        except (KeyError, IndexError, TypeError):  # somebody has edited the line
            continue
        if value is None:
            yield path, str(reason)


def _is_field(key: str, layouts: Mapping[str, Layout], asked: str | None) -> bool:
    """Whether the frame that a line must be for has a field of that name."""
    name = asked or (next(iter(layouts)) if len(layouts) == 1 else None)
    return name is not None and columns.has_key(layouts[name], key)
