"""What becomes of a value without a code, or of none given: the policy out of range with its flag, and the default.

The role, and the limits and curves of the ground, are put beside them: with these a meaning is whole. A default is sent as it is
written, so it is judged by the strictest policy, neither clamped nor turned into missing.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from packetkit.layout import number
from packetkit.layout.by_meaning import is_by_meaning
from packetkit.layout.calibration import calibrations_of
from packetkit.layout.limits import limits_of
from packetkit.layout.meaning import Meaning
from packetkit.layout.noting import Note, at
from packetkit.layout.roles import role_of
from packetkit.layout.slots import Linear, Slot
from packetkit.schema.model import Field
from packetkit.schema.words import format_number, shown


def with_policy(one: Field, slot: Slot, note: Note) -> Meaning | None:
    """The meaning with what happens out of range, the default and the role; each checked."""
    good = True
    if one.out_of_range == "missing" and slot.missing_code is None:
        text = "a value out of range is to be sent as missing, and no code means missing"
        remedy = "Add missing: true, or write out_of_range: error or clamp."
        note(at(one, "out_of_range"), "missing-undeclared", text, remedy)
        good = False
    if one.flag is not None and one.out_of_range != "clamp":
        text = "a flag is raised by clamping, and this field does not clamp"
        note(at(one, "flag"), "flag-without-clamp", text, "Add out_of_range: clamp, or leave flag out.")
        good = False
    default = _default(one, slot, note)
    role = role_of(one, slot, note)
    if not good or default is False or role is False:
        return None
    kept = {
        name: getattr(slot, name)
        for name in ("signed", "coding", "transform", "legal", "specials", "unassigned", "policy", "states")
    }
    ends = {"minimum": one.minimum, "maximum": one.maximum, "by_meaning": is_by_meaning(one)}
    curves = calibrations_of(one, note)
    limits = limits_of(one, note, _reach(replace(slot, minimum=one.minimum, maximum=one.maximum)))
    return Meaning(
        slot.width,
        {**kept, **ends, "default": default, "role": role, "limits": limits, "calibration": curves},
    )


def _reach(slot: Slot) -> tuple[Fraction | None, Fraction | None]:
    """The least and the greatest value that a slot can have, where they are bounded."""
    if not isinstance(slot.transform, Linear) or not slot.legal:
        return slot.minimum, slot.maximum
    bounds = [special.low for special in slot.specials if special.meaning != "missing"]
    raws = (slot.legal[0].low, slot.legal[-1].high, *bounds)
    values = [slot.transform.offset + slot.transform.scale * raw for raw in raws]
    return min(values), max(values)


def _default(one: Field, slot: Slot, note: Note) -> int | bool | None:
    """The raw code of the default; None without one; False where it cannot be sent."""
    if one.default is None:
        return None
    default, raw = one.default, None
    if one.kind == "flag":
        raw = int(default) if isinstance(default, bool) else None
        takes = "true or false"
    elif one.kind == "states":
        known = () if isinstance(default, bool) else slot.states
        raw = next((code for code, name in known if default in (name, code)), None)
        takes = f"one of {', '.join(name for _, name in slot.states)}"
    else:
        # By the strictest policy: a default is sent as it is written, neither clamped nor turned into missing.
        outcome = number.to_raw(replace(slot, policy="error"), default)
        raw = outcome.raw if outcome.fault is None else None
        takes = f"a number from {ends_text(replace(slot, unit=one.unit))}"
        takes += ", less those whose codes are reserved" if slot.specials else ""
    if raw is None:
        written = format_number(default) if isinstance(default, Fraction) else shown(str(default).lower())
        text = f"the default {written} is not a value of this field"
        note(at(one, "default"), "default-unfit", text, f"It takes {takes}.")
        return False
    return raw


def ends_text(slot: Slot) -> str:
    """`-2 to 40 Cel`: the least and the greatest value of a number."""
    unit = f" {slot.unit}" if slot.unit else ""
    if not isinstance(slot.transform, Linear):
        low, high = number.value_limits(slot)
        return f"{low:g} to {high:g}{unit}"
    assert isinstance(slot.transform, Linear)
    raws = (slot.legal[0].low, slot.legal[-1].high)
    ends = sorted(slot.transform.offset + slot.transform.scale * raw for raw in raws)
    return f"{format_number(ends[0])} to {format_number(ends[1])}{unit}"
