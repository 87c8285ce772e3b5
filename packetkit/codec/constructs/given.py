"""What a record says of a field, and the code that sends it; what a code means is `layout.number`'s to say."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from construct import ValidationError

from packetkit.layout import number
from packetkit.layout.shown import shown
from packetkit.layout.slots import Linear, Range, Slot


class Absent:
    """What a record says of a key that it does not have: None is a value."""


ABSENT = Absent()


# Members that are no values are found by it; construct neither prints nor compares such keys, and has ones with one underscore.
HIDDEN = "__"


def fault(address: str, message: str) -> ValidationError:
    """Return the error of one place."""
    return ValidationError(f"{address}: {message}" if address else message)


def same(parsed: Any, context: Any) -> Any:
    return parsed


def is_among(codes: tuple[Range, ...], raw: int) -> bool:
    return any(raw in some for some in codes)


def value_at(container: object, path: tuple[str, ...]) -> object:
    """What a record holds at a path; absent where its shape is wrong, which the part itself will report."""
    for key in path:
        if not isinstance(container, Mapping):
            return ABSENT
        container = container.get(key, ABSENT)
    return container


def decoder(slot: Slot) -> Callable[[int, Any], number.Value]:
    """The function from a slot's code to its value; the short way where no code has a meaning of its own."""
    transform = slot.transform
    if (
        slot.kind == "number"
        and isinstance(transform, Linear)
        and not (slot.specials or slot.unassigned or slot.coding)
    ):
        return same if transform.is_identity else lambda raw, context: number.value_of(transform, raw)
    return lambda raw, context: number.from_raw(slot, raw)[0]


def raw_of(slot: Slot, given: object) -> int:
    """The code that sends what a record says of a slot: a value, the form {"raw": n}, or nothing."""
    if isinstance(given, Mapping):
        return _raw_given(slot, given)
    if given is ABSENT:
        raw = slot.default if slot.default is not None else slot.missing_code
        if raw is None:
            raise fault(slot.address, "the record has no such key, and the field no default. Give a value")
        return raw
    outcome = number.to_raw(slot, given)
    if outcome.fault is not None:
        raise fault(slot.address, outcome.fault.message)
    return outcome.raw


def _raw_given(slot: Slot, given: Mapping[Any, Any]) -> int:
    """The code of the form {"raw": n}: sent as it is, as long as its bits hold it."""
    raw = given.get("raw")
    low, high = slot.raw_limits
    if isinstance(raw, bool) or not isinstance(raw, int):
        raise fault(slot.address, "a mapping stands for a raw code: {'raw': n}, n an integer")
    if not low <= raw <= high:
        limits = f"{slot.width} bits hold {low} to {high}"
        raise fault(slot.address, f"raw code {shown(raw)} does not fit: {limits}")
    return raw


def code_given(slot: Slot, given: object) -> int | None:
    """The code that a record says of a field that fills itself, or None where it says nothing."""
    return None if given is ABSENT else raw_of(slot, given)


def reserved_raw(slot: Slot, given: object) -> int:
    raw = code_given(slot, given) or 0
    if raw and not isinstance(given, Mapping):
        raise fault(slot.address, f"reserved bits are sent as zero, not {raw}. Leave them out")
    return raw


def is_clamped(slot: Slot, given: object) -> bool:
    if given is ABSENT or isinstance(given, Mapping):
        return False
    return number.to_raw(slot, given).clamped
