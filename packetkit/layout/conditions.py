"""What a field asks of another: which slot decides, and the codes that it must hold; names that are not there are noted.

Names are looked up among the fields placed so far, so a condition points backwards; what only says what a value means may also stand
behind it, and is looked up when all are placed.
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from packetkit.layout.coding import codes_for
from packetkit.layout.numbered import numbered
from packetkit.layout.places import Scope
from packetkit.layout.ranges import merged
from packetkit.layout.slots import Range, Slot
from packetkit.schema.model import Condition, Field, Place
from packetkit.schema.words import closest, format_number, shown

if TYPE_CHECKING:
    from packetkit.layout.resolve import Resolver

_DECIDING = ("number", "states", "flag", "tag", "count")  # kinds of fields that present_when may ask


def flag_of(r: Resolver, one: Field, scope: Scope, where: str) -> int | None:
    """The number of the flag that clamping raises, or None where that was noted."""
    assert one.flag is not None
    found = scope.find(one.flag)
    if found is not None and found[1] in found[0].broken:
        return None
    slot = found[0].slots.get(found[1]) if found else None
    if slot is None or slot.kind != "flag":
        text = f"{shown(one.flag)} is not a flag before this field"
        if slot is not None:
            text = f"{slot.address} is a {slot.kind} field, not a flag"
        remedy = r.suggest(one.flag, scope, ("flag",))
        r.note(one.places["flag"], "flag-unknown", where, text, remedy)
        return None
    if slot.tellers:
        text = f"another field says whether {slot.address} counts, so clamping cannot raise it"
        r.note(one.places["flag"], "valid-unfit", where, text, "Name a flag that always counts.")
        return None
    return slot.number


def presence(r: Resolver, one: Field, scope: Scope, where: str) -> tuple[int, tuple[Range, ...]] | None:
    """The slot that says whether a field is there and the codes that it must hold, or None where that was noted."""
    asked = one.present_when
    assert asked is not None
    place = one.places.get(f"present_when.{asked.by}", one.places["present_when"])
    at = one.places.get(f"present_when:{asked.by}", one.places["present_when"])
    return told_by(r, asked, place, at, scope, where, into_options=True, may_vary=True)


def told_by(
    r: Resolver,
    asked: Condition,
    place: Place,
    at: Place,
    scope: Scope,
    where: str,
    *,
    into_options: bool = False,
    behind: bool = False,
    may_vary: bool = False,
) -> tuple[int, tuple[Range, ...]] | None:
    """The slot that a condition asks and the codes it must hold. place: of these; at: of the name; the others as `deciding`."""
    slot = deciding(
        r, asked.by, scope, where, at, into_options=into_options, behind=behind, may_vary=may_vary
    )
    if slot is None:
        return None
    ranges = codes_held(r, asked, slot, place, where)
    return None if ranges is None else (slot.number, ranges)


def deciding(
    r: Resolver,
    name: str,
    scope: Scope,
    where: str,
    place: Place,
    *,
    into_options: bool = False,
    behind: bool = False,
    may_vary: bool = False,
) -> Slot | None:
    """The slot that a condition asks, or None where that was noted.

    into_options: as Scope.find; behind: it may stand there; may_vary: its size may hang on its number.
    """
    found = scope.find(name, into_options=into_options)
    if found is not None and found[1] in found[0].broken:
        return None
    slot = found[0].slots.get(found[1]) if found else None
    if slot is None or slot.kind not in _DECIDING:
        text = (
            f"{shown(name)} is not a field {'of its group or one around it' if behind else 'before this one'}"
        )
        if slot is not None:
            text = f"{slot.address} is a {slot.kind} field, which cannot decide this"
        r.note(place, "condition-unknown", where, text, r.suggest(name, scope, _DECIDING, behind=behind))
        return None
    if slot.is_continued and not (may_vary and slot.kind == "number"):
        text = f"{slot.address} has as many octets as it needs, so its code cannot decide this"
        r.note(place, "condition-unknown", where, text, "Ask a field of fixed size.")
        return None
    if slot.tellers:
        text = f"what {slot.address} means is told by another field, so it cannot decide this"
        r.note(place, "valid-unfit", where, text, "Ask that other field.")
        return None
    return slot


def codes_held(
    r: Resolver, asked: Condition, slot: Slot, place: Place, where: str
) -> tuple[Range, ...] | None:
    """The codes that a condition names, or None where that was noted."""
    if not asked.codes and not asked.states:
        if slot.kind == "flag":
            return (Range(1, 1),)
        text = f"{slot.address} is not a flag, so it needs a code"
        r.note(place, "condition-codes", where, text, f"Write {{{asked.by}: code}}.")
        return None
    names = {label: code for code, label in slot.states}
    if slot.kind == "flag":
        names = {"true": 1, "false": 0}
    ranges = [Range(codes.low, codes.high) for codes in asked.codes]
    low, high = slot.raw_limits
    if slot.is_continued:  # what targets hold of the numbers that its octets spell
        ends = (slot.number_limits, numbered(slot).raw_limits)
        low, high = max(low for low, _ in ends), min(high for _, high in ends)
    for label in asked.states:
        if label not in names:
            text = f"{slot.address} has no state {shown(label)}"
            near = closest(label, names)
            options = f"One of: {', '.join(names)}." if names else "Write a code."
            options = f"Did you mean {near}? {options}" if near else options
            r.note(place, "condition-codes", where, text, options)
            return None
        ranges.append(Range(names[label], names[label]))
    for codes in ranges:
        if codes.low < low or codes.high > high:
            code = format_number(Fraction(codes.low if codes.low < low else codes.high))
            text = f"{slot.address} never holds {code}"
            r.note(place, "condition-codes", where, text, f"Use a code from {low} to {high}.")
            return None
    return _of_any_size(r, slot, ranges, place, where) if slot.is_continued else merged(ranges)


def _of_any_size(
    r: Resolver, slot: Slot, numbers: list[Range], place: Place, where: str
) -> tuple[Range, ...] | None:
    """The raw codes of numbers of a field of varying size, in all sizes; None where that was noted."""
    made = []
    for one in numbers:
        codes = codes_for(slot.coding, slot.width, one.low, one.high)
        if codes is None:
            text = (
                f"as {slot.address} is coded, its codes for {one.low} to {one.high} do not lie side by side"
            )
            more = "" if one.high == one.low + 1 else ", ..."
            remedy = (
                f"Name each number by itself, [{one.low}, {one.low + 1}{more}], or ask a field of fixed size."
            )
            r.note(place, "condition-codes", where, text, remedy)
            return None
        made += [Range(low, high) for low, high in codes]
    return merged(made)
