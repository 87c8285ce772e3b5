"""What a slot's code means by the code of another slot: whether its value counts.

The bits are there in any case; another field, which stands before it, says what they mean. Reading asks that field's code before
anything else, so that a code with a meaning of its own means nothing where the value does not count. Writing sends the missing code,
else zero, for a value that does not count, and refuses one that is given all the same: it would be lost unseen.
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import TYPE_CHECKING

from packetkit.errors import Fault
from packetkit.layout.model import Layout, Range, Run, Slot, Valid
from packetkit.layout.number import Outcome, Value, from_raw, to_raw
from packetkit.layout.shown import shown
from packetkit.schema.model import Condition, Field

if TYPE_CHECKING:
    from packetkit.layout.places import Scope
    from packetkit.layout.resolve import Resolver

NOT_VALID = "not valid"  # the reason of a value that does not count

Codes = Callable[[int], int]  # from a slot's number to its raw code in the same container, or one around it


# -- resolving -----------------------------------------------------------------------------------------------------------


def told(r: Resolver, one: Field, scope: Scope, where: str) -> dict[str, object]:
    """The attributes of a slot that say by which others its code is told."""
    return {} if one.valid_when is None else {"valid_when": valid(r, one, one.valid_when, scope, where)}


def valid(r: Resolver, one: Field, asked: Condition, scope: Scope, where: str) -> Valid | None:
    """The slot that says whether a field's value counts, or None where a problem was noted."""
    key = "valid_when"
    place = one.places.get(f"{key}.{asked.by}", one.places[key])
    found = r.told_by(asked, place, one.places.get(f"{key}:{asked.by}", one.places[key]), scope, where)
    if found is None:
        return None
    by = r.slots[found[0]]
    if by.kind == "count":
        text = f"{by.address} is a count, which follows from its list"
        r.note(place, "valid-unfit", where, text, "Ask a flag or a number that the record gives.")
        return None
    if one.role is not None:
        text = f"a field with role {one.role} has a value in every frame"
        r.note(one.places["role"], "valid-unfit", where, text, "Leave role or valid_when out.")
        return None
    r.judged[where] = place
    return Valid(*found)


def note_raised(r: Resolver, layout: Layout) -> None:
    """Note every flag that clamping raises and that says what a code means: it would say so only after the code was made."""
    raised = {slot.raises: slot for slot in layout.slots if slot.raises is not None}
    for slot in layout.slots:
        for number in slot.tellers:
            if number in raised:
                flag, clamped = layout.slots[number].address, raised[number].address
                text = f"{flag} is raised where {clamped} is clamped, so it cannot say what another field's code means"
                where = r.full(slot.address)
                r.note(r.judged[where], "valid-unfit", where, text, "Use another flag.")


# -- codes and values ----------------------------------------------------------------------------------------------------


def counts(slot: Slot, codes: Codes) -> bool:
    """Return whether a slot's value counts, by the codes of other slots."""
    return slot.valid_when is None or any(codes(slot.valid_when.by) in one for one in slot.valid_when.codes)


def value_beside(slot: Slot, raw: int, codes: Codes) -> tuple[Value, str, str]:
    """Return what a code decodes to beside others: value, reason and note, as number.from_raw."""
    return from_raw(slot, raw) if counts(slot, codes) else (None, NOT_VALID, "")


def nothing(slot: Slot) -> int:
    """Return the code that is sent for a value that does not count."""
    return 0 if slot.missing_code is None else slot.missing_code


def raw_beside(slot: Slot, value: object, codes: Codes, said: Callable[[int], str]) -> Outcome:
    """Return the code of a value beside others, as number.to_raw. said: from a slot's number to what it says, for the fault."""
    if counts(slot, codes):
        return to_raw(slot, value)
    if value is None or (slot.kind in ("number", "float") and is_nan(value)):
        return Outcome(nothing(slot))
    assert slot.valid_when is not None
    text = f"{shown(value)} is given, but {said(slot.valid_when.by)}. Leave it out, or change that"
    return Outcome(0, fault=Fault(slot.address, "disagrees", text))


def asked(slot: Slot, number: int) -> tuple[Range, ...]:
    """Return the codes of the slot of that number for which a slot's value counts."""
    return slot.valid_when.codes if slot.valid_when is not None and slot.valid_when.by == number else ()


def is_nan(value: object) -> bool:
    """Return whether a value is a number that is none."""
    return (isinstance(value, float) and value != value) or (isinstance(value, Decimal) and value.is_nan())


def told_slots(layout: Layout) -> tuple[Slot, ...]:
    """Return the slots whose codes mean what other slots say."""
    return tuple(
        slot for node in layout.walk() if isinstance(node, Run) for slot in node.slots if slot.tellers
    )
