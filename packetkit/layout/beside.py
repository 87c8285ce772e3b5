"""What a slot's code means by the codes of other slots: whether its value counts, and on which scale.

The bits are there in any case; another field says what they mean. It may stand behind, as its place hangs on no value, and is looked
up when the whole frame has its place. Whether a value counts is asked before
anything else, so that a code with a meaning of its own means nothing where it does not; what is missing is missing on any scale. Writing
sends the missing code, else zero, where there is no value, and refuses one that is given all the same: it would be lost unseen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from packetkit.errors import Fault
from packetkit.layout import chosen
from packetkit.layout.conditions import told_by
from packetkit.layout.model import Layout, Node, Run, bodies, with_bodies
from packetkit.layout.number import Outcome, Value, from_raw, to_raw
from packetkit.layout.shown import shown
from packetkit.layout.slots import Chosen, Linear, Range, Slot, Valid
from packetkit.schema.model import Condition, Field, ScaleBy

if TYPE_CHECKING:
    from packetkit.layout.places import Scope
    from packetkit.layout.resolve import Resolver

NOT_VALID = "not valid"  # the reason of a value that does not count
NO_SCALE = "no scale"  # the reason of a value whose scale no code has chosen

Codes = Callable[[int], int]  # from a slot's number to its raw code in the same container, or one around it


# -- resolving -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Behind:
    """A slot that asks a name which stands behind it: looked up in its scope once all names are there. key: where it says so."""

    number: int
    one: Field
    key: str
    transform: object
    scope: Scope
    where: str


_UNKNOWN = Valid(-1, ())  # until what stands behind is known: a slot with it tells nobody anything


def told(r: Resolver, one: Field, transform: object, scope: Scope, where: str) -> dict[str, object]:
    """The attributes of a slot that say by which others its code is told. transform: its own, as far as it is known."""
    made: dict[str, object] = {}
    for key, said in (("valid_when", one.valid_when), ("scale_by", one.scale_by)):
        if said is None:
            continue
        behind = Behind(len(r.slots), one, key, transform, scope, where)
        if scope.find(said.by) is not None:
            made |= _asking(r, behind)
        else:
            r.behind.append(behind)
            made |= {"valid_when": _UNKNOWN} if key == "valid_when" else {}
    return made


def told_behind(r: Resolver, nodes: tuple[Node, ...]) -> tuple[Node, ...]:
    """The nodes, their slots told by what stands behind them, now that it is placed."""
    found: dict[int, dict[str, Any]] = {}
    for behind in r.behind:
        found.setdefault(behind.number, {}).update(_asking(r, behind))

    def node(one: Node) -> Node:
        if isinstance(one, Run):
            slots = (replace(slot, **found.get(slot.number, {})) for slot in one.slots)
            return replace(one, slots=tuple(slots))
        return with_bodies(one, tuple(tuple(map(node, inner)) for inner in bodies(one)))

    return tuple(map(node, nodes)) if found else nodes


def _asking(r: Resolver, asks: Behind) -> dict[str, Any]:
    """What a slot says of the one that it asks, which is placed; nothing of it where a problem was noted."""
    one, scope, where = asks.one, asks.scope, asks.where
    if asks.key == "valid_when":
        assert one.valid_when is not None
        found = asked_slot(r, one, "valid_when", one.valid_when, scope, where)
        return {"valid_when": None if found is None else Valid(*found)}
    assert one.scale_by is not None
    if not isinstance(asks.transform, Chosen):
        return {}
    return {"transform": scales(r, one, one.scale_by, asks.transform, scope, where) or asks.transform}


def asked_slot(
    r: Resolver, one: Field, key: str, said: Condition, scope: Scope, where: str, within: str = ""
) -> tuple[int, tuple[Range, ...]] | None:
    """The slot that a key asks, and the codes it must hold; None where a problem was noted. within: of which of its entries."""
    place = one.places.get(f"{key}.{said.by}{within}", one.places[key])
    found = told_by(
        r, said, place, one.places.get(f"{key}:{said.by}", one.places[key]), scope, where, behind=True
    )
    if found is None:
        return None
    by = r.slots[found[0]]
    if by.kind == "count":
        text = f"{by.address} is a count, which follows from its list"
        r.note(place, "valid-unfit", where, text, "Ask a flag or a number that the record gives.")
        return None
    if one.role is not None:
        text = f"a field with role {one.role} has a value in every frame"
        r.note(one.places["role"], "valid-unfit", where, text, f"Leave role or {key} out.")
        return None
    r.judged[where] = place
    return found


def scales(
    r: Resolver, one: Field, by: ScaleBy, transform: Chosen, scope: Scope, where: str
) -> Chosen | None:
    """The transform with the slot that chooses and its codes, or None where a problem was noted."""
    choices: list[tuple[Range, Linear]] = []
    number = -1
    for (name, said), (_, linear) in zip(chosen.conditions(by), transform.choices, strict=True):
        found = asked_slot(r, one, "scale_by", said, scope, where, f":{name}")
        if found is None:
            return None
        number, (codes,) = found
        if any(codes == other for other, _ in choices):
            text = f"code {codes.low} of {by.by} has two scales"
            place = one.places.get(f"scale_by.{by.by}:{name}", one.places["scale_by"])
            r.note(place, "scale-unfit", where, text, "Give each code one scale.")
            return None
        choices.append((codes, linear))
    return Chosen(number, tuple(choices))


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


def read_as(slot: Slot, codes: Codes) -> Slot | str:
    """Return the slot as other slots' codes have it, with a scale of its own, or the reason why it has no value."""
    if not counts(slot, codes):
        return NOT_VALID
    if not isinstance(slot.transform, Chosen):
        return slot
    scale = slot.transform.linear(codes(slot.transform.by))
    return NO_SCALE if scale is None else on_scale(slot, scale)


def on_scale(slot: Slot, scale: Linear) -> Slot:
    """Return the slot on one of its scales."""
    return replace(slot, transform=scale, valid_when=None)


def on_first(slot: Slot) -> Slot:
    """Return the slot on the first of its scales."""
    return on_scale(slot, slot.transform.choices[0][1]) if isinstance(slot.transform, Chosen) else slot


def value_beside(slot: Slot, raw: int, codes: Codes) -> tuple[Value, str, str]:
    """Return what a code decodes to beside others: value, reason and note, as number.from_raw."""
    found = read_as(slot, codes)
    if isinstance(found, Slot):
        return from_raw(found, raw)
    if found == NO_SCALE and any(
        one.meaning == "missing" and one.low <= raw <= one.high for one in slot.specials
    ):
        return from_raw(slot, raw)
    return None, found, ""


def nothing(slot: Slot) -> int:
    """Return the code that is sent where there is no value."""
    return 0 if slot.missing_code is None else slot.missing_code


def raw_beside(slot: Slot, value: object, codes: Codes, said: Callable[[int], str]) -> Outcome:
    """Return the code of a value beside others, as number.to_raw. said: from a slot's number to what it says, for the fault."""
    found = read_as(slot, codes)
    if isinstance(found, Slot):
        return to_raw(found, value)
    if value is None or (slot.kind in ("number", "float") and is_nan(value)):
        return Outcome(nothing(slot))
    if found == NOT_VALID:
        assert slot.valid_when is not None
        text = f"{shown(value)} is given, but {said(slot.valid_when.by)}. Leave it out, or change that"
    else:
        assert isinstance(slot.transform, Chosen)
        text = f"{shown(value)} is given, but {said(slot.transform.by)}, which has no scale. Leave it out, or change that"
    return Outcome(0, fault=Fault(slot.address, "disagrees", text))


def asked(slot: Slot, number: int) -> tuple[Range, ...]:
    """Return the codes of the slot of that number by which a slot has a value."""
    found: tuple[Range, ...] = ()
    if slot.valid_when is not None and slot.valid_when.by == number:
        found = slot.valid_when.codes
    if isinstance(slot.transform, Chosen) and slot.transform.by == number:
        found += tuple(codes for codes, _ in slot.transform.choices)
    return found


def is_nan(value: object) -> bool:
    """Return whether a value is a number that is none."""
    return (isinstance(value, float) and value != value) or (isinstance(value, Decimal) and value.is_nan())


def behind(slot: Slot) -> tuple[int, ...]:
    """Return the numbers of the slots behind a slot that say what its code means."""
    return tuple(number for number in slot.tellers if number > slot.number)


def told_slots(layout: Layout) -> tuple[Slot, ...]:
    """Return the slots whose codes mean what other slots say."""
    return tuple(
        slot for node in layout.walk() if isinstance(node, Run) for slot in node.slots if slot.tellers
    )
