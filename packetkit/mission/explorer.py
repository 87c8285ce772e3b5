"""What the page to try a frame by hand needs of a mission: its schema's text and which places of it can be edited, and the radio's rows.

A place is a pair of character positions in the text, so that what is saved is the team's own file with nothing else changed. Time on air
is told as rows, one for each setting that the modem can do: blocks and symbols are worked out from them by counting.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from itertools import product
from typing import Any

from packetkit.errors import RadioError
from packetkit.layout.model import Continued, Layout, Repeat, Run, slots_of
from packetkit.layout.slots import Slot
from packetkit.mission.load import Link, Mission
from packetkit.mission.passes import window_of
from packetkit.radio import chirp, modems, settings
from packetkit.radio.settings import Setting, setting_faults
from packetkit.schema import model
from packetkit.schema.words import format_number

USUAL_PASS_S = 600.0  # of listening, where the schema has no passes: a round number to begin with


def facts(mission: Mission, text: str) -> dict[str, Any]:
    """What the page is told, as plain values. text: the schema's, as it was read."""
    return {
        "schema": text,
        "radio": _radio(mission, text),
        "pass_s": _pass_s(mission),
        "frames": {
            frame.name: {
                "edits": list(_edits(frame, mission.layouts[frame.name], text)),
                **_spare(frame, text),
            }
            for frame in mission.declared.frames
        },
    }


def _pass_s(mission: Mission) -> float:
    if mission.passes is None or mission.passes.host is not None:
        return USUAL_PASS_S
    try:
        return round(float(window_of(mission.passes).duration_s), 1)
    except (RadioError, ModuleNotFoundError):  # passes of elements need libraries of their own
        return USUAL_PASS_S


# ---- places in the text

_NUMBER = re.compile(r"[-+.\d][^\s,}\]#]*")


def _start(place: model.Place, text: str) -> int:
    """Where something stands in the text, in characters."""
    lines = text.splitlines(keepends=True)
    return sum(map(len, lines[: place.position.line - 1])) + place.position.column - 1


def _span(place: model.Place | None, text: str) -> tuple[int, int] | None:
    """From where to where a number is written; None where it is not in this text, or has an anchor that others refer to."""
    found = _NUMBER.match(text, _start(place, text)) if place is not None else None
    return found.span() if found is not None else None


def _edits(frame: model.Frame, layout: Layout, text: str) -> Iterator[dict[str, Any]]:
    """Yield the fields whose step can be changed: a range and a resolution, written in this file."""
    slots = {slot.address: slot for slot in layout.slots}
    times = _times(layout)
    for address, one in _numbers(frame.fields, ""):
        span, slot = _span(one.places.get("resolution"), text), slots.get(address)
        is_plain = slot is not None and slot.by_meaning and slot.number in times and one.bits is None
        if (
            span is None
            or not is_plain
            or one.minimum is None
            or one.maximum is None
            or one.resolution is None
        ):
            continue
        assert slot is not None
        codes = int((one.maximum - one.minimum) / one.resolution) + 1
        yield {
            "address": address,
            "minimum": _decimal(one.minimum),
            "maximum": _decimal(one.maximum),
            "step": _decimal(one.resolution),
            "unit": slot.unit,
            "bits": slot.width,
            "reserved": _reserved(slot, codes),
            "times": times[slot.number],
            "start": span[0],
            "end": span[1],
        }


def _reserved(slot: Slot, codes: int) -> int:
    """Codes beside those of the range: missing, and others above it."""
    return sum(one.high - one.low + 1 for one in slot.specials if one.low >= codes)


def _numbers(fields: tuple[model.Field, ...], prefix: str) -> Iterator[tuple[str, model.Field]]:
    for one in fields:
        address = f"{prefix}.{one.name}" if prefix else one.name
        address += "[]" if one.repeat is not None else ""
        if one.fields:
            yield from _numbers(one.fields, address)
        elif one.resolution is not None:
            yield address, one


def _times(layout: Layout) -> dict[int, int]:
    """How often a slot stands in a frame at its longest; slots of lists without a bound are left out."""
    found = {slot.number: 1 for node in layout.nodes if isinstance(node, Run) for slot in node.slots}
    for node in layout.walk():
        if isinstance(node, (Run, Continued)):
            for slot in slots_of(node):
                found.setdefault(slot.number, 1)
    for node in layout.walk():
        if isinstance(node, Repeat):
            most = node.count if node.count is not None else node.maximum
            if most is None and node.counted_by is not None:
                counter = layout.slots[node.counted_by]
                most = counter.maximum_count or counter.number_limits[1]
            for inner in node.element:
                if isinstance(inner, (Run, Continued)):
                    for slot in slots_of(inner):
                        if most is None:
                            found.pop(slot.number, None)
                        elif slot.number in found:
                            found[slot.number] *= most
    return found


def _spare(frame: model.Frame, text: str) -> dict[str, Any]:
    """Where `bits: 6` of the last reserved field stands, and these bits: what takes up a change, once it says `up_to: byte`."""
    for one in reversed(frame.fields):
        span = _span(one.places.get("bits"), text) if one.kind == "reserved" and one.up_to is None else None
        key = None if span is None else re.search(r"bits\s*:\s*$", text[: span[0]])
        if span is not None and key is not None:
            return {"spare": (key.start(), span[1]), "spare_bits": one.bits}
    return {"spare": None, "spare_bits": 0}


def _decimal(number: Any) -> str:
    """A number as the page reads it: a decimal, where it is one."""
    return format_number(number)


# ---- the radio


def _radio(mission: Mission, text: str) -> dict[str, Any] | None:
    link, declared = mission.link, mission.declared.link
    if link.setting is None or declared is None or declared.chirp is None:
        return None
    rows = list(_rows(link, link.setting))
    places: Mapping[str, model.Place] = declared.chirp.places
    spans = {
        key: _span(places.get(key), text) for key in ("spreading_factor", "bandwidth_khz", "coding_rate")
    }
    return {
        "rows": [row for _, row in rows],
        "now": next(at for at, (setting, _) in enumerate(rows) if setting == link.setting),
        "driver_bytes": link.driver_bytes,
        "gap_s": float(link.gap_s),
        "places": {key: span for key, span in spans.items() if span is not None},
        **_limits(link),
    }


def _limits(link: Link) -> dict[str, Any]:
    share = None if link.share_of_hour is None else float(link.share_of_hour)
    return {"maximum_frame_bytes": link.maximum_frame_bytes, "share_of_hour": share}


def _rows(link: Link, base: Setting) -> Iterator[tuple[Setting, dict[str, Any]]]:
    """Yield every setting that the link's radios can do with this header and preamble, with what its time on air is counted from."""
    asked = {name: getattr(base, name) for name in base.__dataclass_fields__}
    for factor, bandwidth, rate in product(
        base.modem.spreading_factors, modems.BANDWIDTHS, modems.CODING_RATES
    ):
        wanted = {**asked, "spreading_factor": factor, "bandwidth": bandwidth, "coding_rate": rate}
        if setting_faults(wanted):
            continue
        setting = replace(base, spreading_factor=factor, bandwidth=bandwidth, coding_rate=rate)
        if link.misfit(setting):
            continue
        made = chirp.airtime(setting, 0)
        yield (
            setting,
            {
                "spreading_factor": factor,
                "bandwidth_khz": bandwidth.labels[-1],
                "coding_rate": rate,
                "symbol_ms": float(settings.symbol_time(setting) * 1000),
                "preamble_symbols": float(chirp.preamble_symbols(setting)),
                "first_bits": made.first_block_bits,
                "block_bits": made.block_bits,
                "block_symbols": setting.block_symbols,
                "crc_bits": chirp.CRC_BITS * setting.crc,
            },
        )
