"""Calibrated values put beside the decoded ones in a detail record, by the curves of the unit that sent it.

A leaf of a calibrated field gets the key `calibrated`; so does every derived value, worked out anew from calibrated ones. Limits are then
held against the calibrated value. The keys raw and value stay, so that the record encodes back to its own bits; `reason` stays the
value's, and where there is a value and nothing calibrated, or for another reason, `calibrated_reason` says why.
"""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from typing import Any

from packetkit.codec import derive
from packetkit.layout.calibration import Calibration
from packetkit.layout.curve import Curve
from packetkit.layout.limits import beyond
from packetkit.layout.model import Layout
from packetkit.layout.slots import Chosen, Linear, Slot

Curves = dict[str, tuple[Slot, Calibration]]  # by the slot's address


def serials(layouts: Iterable[Layout]) -> tuple[str, ...]:
    """Return the serials of the units that any field of these frames is calibrated for, in the schema's order."""
    found = (one.serial for layout in layouts for slot in layout.slots for one in slot.calibration)
    return tuple(dict.fromkeys(found))


def curves(layout: Layout, serial: str) -> Curves:
    """Return the curves of one unit, by the addresses of the fields."""
    found = ((slot, one) for slot in layout.slots for one in slot.calibration if one.serial == serial)
    return {slot.address: (slot, one) for slot, one in found}


def calibrate(layout: Layout, record: dict[str, Any], serial: str) -> dict[str, Any]:
    """Return a detail record with the calibrated values of one unit; the given one is not touched.

    A field without a curve for that unit stays as it is. Raises KeyError, which lists the serials, for a unit that none has a curve for.
    """
    known = curves(layout, serial)
    if not known:
        listed = ", ".join(serials([layout]))
        raise KeyError(f"{layout.name} has no calibration for {serial!r}: {listed or 'it has none at all'}")
    made: dict[str, Any] = _copied(record, "", known)
    todo = derive.plan(layout)
    if todo is not None:
        derive.calibrated(todo, made)
    return made


def _copied(part: Any, address: str, known: Curves) -> Any:
    if isinstance(part, list):
        return [_copied(one, f"{address}[]", known) for one in part]
    if not isinstance(part, dict):
        return part
    if isinstance(part.get("raw"), int):
        return _leaf(part, known[address]) if address in known else part
    if derive.is_derived(part):
        return dict(part)
    return {
        key: _copied(one, f"{address}.{key}" if address else str(key), known) for key, one in part.items()
    }


def _leaf(leaf: dict[str, Any], curve: tuple[Slot, Calibration]) -> dict[str, Any]:
    slot, calibration = curve
    value = calibration.of(_exact(slot, leaf["raw"], leaf["value"]))
    made = {"raw": leaf["raw"], "value": leaf["value"], "calibrated": value}
    made |= {key: leaf[key] for key in ("unit", "reason", "note") if key in leaf}
    if value is None and leaf["value"] is not None:
        made["calibrated_reason"] = "outside the points" if calibration.points else "not finite"
    limit = beyond(slot.limits, value)
    return made | ({"limit": limit} if limit else {}) | ({"trusted": False} if "trusted" in leaf else {})


def _exact(slot: Slot, raw: int, value: Any) -> Any:
    """The number that a code means, before it was rounded to the value that was decoded; that value where it is no such number."""
    number, transform = slot.number_of(raw), slot.transform
    if not isinstance(value, float) or number is None:
        return value
    exact: list[Fraction] = []
    if isinstance(transform, Curve) and (piece := transform.piece(number)) is not None:
        exact = [piece.exact(number)]
    elif isinstance(transform, (Linear, Chosen)):
        scales = [transform] if isinstance(transform, Linear) else [scale for _, scale in transform.choices]
        exact = [scale.offset + scale.scale * number for scale in scales]
    return next((one for one in exact if float(one) == value), value)
