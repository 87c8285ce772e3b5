"""Repeats: how many elements there are, what one takes, what may run to the end of its part, and which element is the last.

A text is a repeat of characters that are joined to one value. Like the rest of the resolver, faults are noted and never raised.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING

from packetkit.layout import texts
from packetkit.layout.conditions import deciding, told_by
from packetkit.layout.model import Node, OwnEnd, Repeat, without
from packetkit.layout.places import Container, Cursor, Origin, Phase, Scope, Style
from packetkit.layout.slots import Factor, Joined, Slot
from packetkit.schema.model import Condition, Field, Place
from packetkit.schema.model import Repeat as DeclaredRepeat
from packetkit.schema.words import format_number, shown

if TYPE_CHECKING:
    from packetkit.layout.resolve import Resolver

MAXIMUM_ELEMENTS = 65_535


@dataclass(frozen=True, slots=True)
class _Number:
    """How many elements there are: a constant, what a slot counts, or a product; most: None where only the frame's end tells."""

    count: int | None = None
    counter: Slot | None = None
    most: int | None = None
    factors: tuple[Factor, ...] = ()
    plus: int = 0


@dataclass(frozen=True, slots=True)
class _Inside:
    """One element: its nodes, its least and most bits, the phase after any number of it, what is known of its size, its names."""

    element: tuple[Node, ...]
    low: int | None
    high: int | None
    after: Phase
    grown: Phase
    scope: Scope


def repeat(
    r: Resolver,
    one: Field,
    how: DeclaredRepeat,
    into: Container,
    scope: Scope,
    style: Style,
    path: tuple[str, ...],
    address: str,
    joined: Joined | None = None,
) -> None:
    """Place a list, or the characters of a text (joined), into a container."""
    where = r.full(address)
    told = _number(r, one, how, scope, where)
    if told is None:
        return
    if not _may_stand(r, one, how, into, where):
        r.placed = False
        return
    into.close_run()
    number, start = r.next_node(), into.cursor
    if how.to_end:
        r.ending.add(number)
    inside = _element(r, one, start, scope, style, address, number, joined)
    r.ending.discard(number)
    if inside.low is None or inside.high is None or not _has_bits(r, one, inside.low, where):
        r.placed = False
        return
    asked = how.goes_on_when or how.ends_when
    own_end = None if asked is None else _own_end(r, one, asked, into, inside.scope, where)
    if asked is not None and own_end is None:
        r.whole = r.placed = False
        return
    if how.to_end:
        r.to_ends[number] = (one, where)
    if joined is None and one.name in inside.scope.slots and is_bare(one):
        scope.lists[one.name] = inside.scope.slots[one.name], told.most or MAXIMUM_ELEMENTS
    node = _node(
        number, path, address, start, told, inside, how, is_bare=is_bare(one), joined=joined, own_end=own_end
    )
    into.add_node(node, _behind(node, start, inside))


def _may_stand(r: Resolver, one: Field, how: DeclaredRepeat, into: Container, where: str) -> bool:
    """Whether what runs to an end, or takes what fits, may do so here; noted where it may not."""
    if how.as_fits:
        return may_fill(r, one, into, where)
    return not how.to_end or may_run_to_end(r, one, into, where)


def _node(
    number: int,
    path: tuple[str, ...],
    address: str,
    start: Cursor,
    told: _Number,
    inside: _Inside,
    how: DeclaredRepeat,
    *,
    is_bare: bool,
    joined: Joined | None,
    own_end: OwnEnd | None,
) -> Repeat:
    assert inside.low is not None and inside.high is not None
    return Repeat(
        number,
        path,
        address,
        start.at,
        start.phase.within(8),
        told.count,
        None if told.counter is None else told.counter.number,
        told.most,
        0,
        inside.element,
        inside.low,
        inside.high,
        is_bare,
        joined,
        told.factors,
        told.plus,
        own_end,
        several_sizes=how.to_end and inside.low != inside.high,
        ones_in_lists=any(factor.in_list for factor in told.factors),
        as_fits=how.as_fits,
    )


def _behind(node: Repeat, start: Cursor, inside: _Inside) -> Cursor:
    """Where the bit behind all elements is."""
    count, low, high, most = node.count, node.minimum_bits, node.maximum_bits, node.maximum
    phase, at = inside.after, None
    if count is not None and low == high:
        phase, at = start.phase.plus(count * low), None if start.at is None else start.at + count * low
    top = None if start.high is None or most is None else start.high + most * high
    grown = start.grown.and_then(inside.grown.many(count))
    return Cursor(at, phase, start.origin, grown, start.low + node.least * low, top)


def place_text(
    r: Resolver, one: Field, into: Container, scope: Scope, style: Style, path: tuple[str, ...], address: str
) -> None:
    """Characters or octets: a repeat that is joined to one value."""
    assert one.length is not None
    where = r.full(address)

    def note(place: Place, rule: str, summary: str, remedy: str) -> None:
        r.note(place, rule, where, summary, remedy)

    joined = texts.joined(one, note)
    if joined is None:
        r.whole = r.placed = False
        return
    repeat(r, one, one.length, into, scope, style, path, address, joined)


def note_unused_counts(r: Resolver) -> None:
    """Note every count that no repeat is counted by."""
    for number, (one, where) in r.counts.items() if r.whole else ():
        if number not in r.counted:
            remedy = f"Add repeat: {{count: {one.name}}} to a field after it, or leave kind: count out."
            r.note(one.place, "count-unused", where, "no repeat is counted by it", remedy)


def _number(r: Resolver, one: Field, how: DeclaredRepeat, scope: Scope, where: str) -> _Number | None:
    """What tells how many elements there are; None, noted or broken, where nothing does."""
    if how.count is not None:
        if 1 <= how.count <= MAXIMUM_ELEMENTS:
            return _Number(how.count, most=how.count)
        text = f"a repeat cannot have {format_number(Fraction(how.count))} elements"
        r.note(one.places["repeat"], "count-too-large", where, text, f"Use 1 to {MAXIMUM_ELEMENTS}.")
        r.placed = False
        return None
    told = None
    if how.to_end or how.goes_on_when or how.ends_when:
        told = _Number(most=how.maximum)
    if how.counted_by is not None:
        counter = _counter(r, how.counted_by, one, scope, where)
        if counter is not None:
            told = _Number(None, counter, counter.maximum_count or counter.number_limits[1])
    elif how.product is not None:
        computed = _factors(r, one, how, scope, where)
        if computed is not None:
            told = _Number(factors=computed[0], plus=computed[1], most=computed[2])
    if told is None:
        r.whole = r.placed = False
    return told


def _has_bits(r: Resolver, one: Field, low: int, where: str) -> bool:
    """Whether an element of so many bits at the least has any; noted where it need not."""
    if low == 0 and one.whole and r.placed:
        text = "an element can have no bits at all"
        r.note(one.place, "repeat-empty", where, text, "Put a field of fixed size into it.")
    return low > 0


def _own_end(
    r: Resolver, one: Field, asked: Condition, into: Container, inner: Scope, where: str
) -> OwnEnd | None:
    """How an element says that it is the last; None where that was noted."""
    key = "goes_on_when" if one.repeat is not None and one.repeat.goes_on_when is not None else "ends_when"
    place = one.places.get(f"repeat.{key}", one.places["repeat"])
    alone = dict.fromkeys(
        inner.slots, (into.start, into.start)
    )  # an element that is one value has its own name
    own = replace(inner, outer=None, spans=alone | inner.spans)
    if own.find(asked.by) is None:
        text = f"{shown(asked.by)} is not a field of an element, which says itself whether it is the last"
        remedy = f"Put it into the group, or name one of: {', '.join(own.names(()))}."
        r.note(place, "condition-unknown", where, text, remedy)
        return None
    told = told_by(r, asked, place, place, own, where)
    if told is None:
        return None
    slot = r.slots[told[0]]
    codes = told[1] if key == "ends_when" else without(slot.raw_limits, told[1])
    if not codes or not without(slot.raw_limits, codes):
        text = f"by {key}, {'no element' if not codes else 'every element'} would be the last"
        remedy = f"Name codes of {asked.by} that some elements have and others have not."
        r.note(place, "repeat-shape", where, text, remedy)
        return None
    return OwnEnd(slot.number, codes)


def _counter(r: Resolver, name: str, one: Field, scope: Scope, where: str) -> Slot | None:
    found = scope.find(name)
    if found is not None and found[1] in found[0].broken:
        return None
    slot = found[0].slots.get(found[1]) if found else None
    if slot is None or slot.kind != "count":
        text = f"{shown(name)} is not a count before this field"
        if slot is not None:
            text = f"{slot.address} is a {slot.kind} field, not a count"
        how = "length" if one.kind in ("text", "bytes") and not one.repeat else "repeat"
        place = one.places.get(f"{how}.count", one.places[how])
        plain = slot is not None and slot.kind == "number" and not slot.signed
        remedy = f"Write kind: count at {name}." if plain else r.suggest(name, scope, ("count",))
        r.note(place, "count-unknown", where, text, remedy)
        return None
    r.counted.add(slot.number)
    return slot


def _factors(
    r: Resolver, one: Field, how: DeclaredRepeat, scope: Scope, where: str
) -> tuple[tuple[Factor, ...], int, int] | None:
    """The factors of a computed count, what is added to their product, and the most that it can be."""
    assert how.product is not None
    made, most = [], 1
    place = one.places.get("repeat.count", one.places["repeat"])
    for name, ones in how.product.factors:
        listed = _list(scope, name)
        if listed is not None and ones and listed[0].kind in ("flag", "number") and not listed[0].signed:
            made.append(Factor(listed[0].number, ones, in_list=True))
            most *= listed[0].width * listed[1]
            continue
        if listed is not None:
            text = f"{shown(name)} is a list, whose elements are no factors"
            remedy = f"Write {{ones_in: {name}}} for how many bits are one in a list of flags or of unsigned numbers."
            r.note(place, "count-unknown", where, text, remedy)
            return None
        slot = deciding(r, name, scope, where, place)
        if slot is None:
            return None
        if slot.signed or slot.kind == "states":
            text = f"{slot.address} is not an unsigned whole number"
            r.note(place, "count-unknown", where, text, "Name counts, tags, flags or unsigned numbers.")
            return None
        r.counted.add(slot.number)
        made.append(Factor(slot.number, ones))
        most *= slot.width if ones else slot.maximum_count or slot.raw_limits[1]
    most = max(0, most + how.product.plus)
    if how.maximum is not None:
        most = min(most, how.maximum)
    if not 1 <= most <= MAXIMUM_ELEMENTS:
        text = f"its count can be {format_number(Fraction(most))}"
        remedy = f"Add maximum: with a number from 1 to {MAXIMUM_ELEMENTS}."
        r.note(place, "count-too-large", where, text, remedy)
        return None
    return tuple(made), how.product.plus, most


def _list(scope: Scope, name: str) -> tuple[Slot, int] | None:
    """The elements of a list of single fields, and the most of them, where a name means one."""
    found = scope.find(name)
    return found[0].lists.get(found[1]) if found is not None else None


def may_run_to_end(r: Resolver, one: Field, into: Container, where: str) -> bool:
    """Whether what stands here can run to the end of its part; noted where it cannot."""
    place = one.places.get(
        "length" if one.kind in ("text", "bytes") and not one.repeat else "repeat", one.place
    )
    part, remedy = r.parts[-1], "Use a count."
    lists = [node.number for node in into.nodes if isinstance(node, Repeat) and node.runs_to_end]
    before = next((r.to_ends[number] for number in lists), None)
    by = r.part_lengths.get(part.number)
    if not part.holds(into):
        text = "inside a repeat, or an optional group, nothing runs to an end that lies outside of it"
        remedy = f"Use a count, or put a length that measures {one.name} before it in the same group."
        if one.present_when is not None:
            remedy = "Use a count, or put it behind its length into a group, and give the group present_when."
    elif before is not None:
        text = f"{before[1]} before it runs to the frame's end already"
    elif by is None or id(by) in r.length_slots or not by.whole:
        return True
    elif id(by) in r.seen:  # its own fault is noted where it stands
        return False
    else:
        text = f"its length, {by.name}, stands behind it, so nothing tells where it ends"
        remedy = f"Move {by.name} in front of it, or use a count."
    r.note(place, "to-end-last", where, text, remedy)
    return False


def may_fill(r: Resolver, one: Field, into: Container, where: str) -> bool:
    """Whether as many as fit can stand here: in an element of a list that runs to the end; noted where they cannot."""
    text = "as many as fit stand in an element of a list that runs to the end, and nowhere else"
    remedy = "Put it into a group with repeat: {to_end: true}, or write length: rest."
    if one.fill is not None or one.ends_with is not None:
        text = "as many as fit leave nothing to fill or to end"
        remedy = f"Leave {'fill' if one.fill is not None else 'ends_with'} out."
    elif into.holder in r.ending and not r.parts[-1].holds(into):
        return True
    r.note(one.places["length"], "to-end-last", where, text, remedy)
    return False


def _element(
    r: Resolver,
    one: Field,
    start: Cursor,
    scope: Scope,
    style: Style,
    address: str,
    number: int,
    joined: Joined | None = None,
) -> _Inside:
    """One element, placed.

    Where an element starts depends on where the one before it ended: the phase is widened until it holds for all of them.
    """
    phase = start.phase
    saved = r.snapshot()
    for _ in range(8):
        r.restore(saved)
        inside = Container(r.next_node, Cursor(None, phase, Origin(phase)), f"{address}[].", number)
        inner = Scope(scope)
        if joined is not None:
            slot = r.new_slot(texts.character(one), (), f"{address}[]")
            inside.add_slot(slot, style.packing)
        else:
            r.body(one, inside, inner, style, f"{address}[]")
        after = inside.cursor.phase.joined(phase)
        if after == phase or not r.placed:
            break
        phase = after
    end = inside.cursor
    return _Inside(inside.close(ends_in_run=has_check(one)), end.low, end.high, phase, end.grown, inner)


def is_bare(one: Field) -> bool:
    """True where an element or an option is one value, not a record of its own."""
    return one.kind not in ("group", "flags")


def has_check(one: Field) -> bool:
    """True where a check stands directly in a group (not in an element or option of its own inside it)."""
    return any(
        inner.kind == "check"
        or (inner.fields and not inner.repeat and not inner.present_when and has_check(inner))
        for inner in one.fields
    )
