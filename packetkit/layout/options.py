"""What is there only when another field says so, or when bytes remain."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from packetkit.layout import repeats
from packetkit.layout.conditions import presence
from packetkit.layout.model import Optional
from packetkit.layout.places import Container, Cursor, Scope, Style
from packetkit.layout.slots import Range, Slot
from packetkit.schema.model import Field

if TYPE_CHECKING:
    from packetkit.layout.resolve import Resolver

BYTES_REMAIN = "bytes_remain"


def place_optional(
    r: Resolver, one: Field, into: Container, scope: Scope, style: Style, path: tuple[str, ...], address: str
) -> None:
    """Place a field that may be absent: what is inside, and what says that it is there."""
    where = r.full(address)
    asked = _asked(r, one, into, scope, where)
    if asked is None:
        return
    by, codes = asked
    into.close_run()
    number, start = r.next_node(), into.cursor
    inside = Container(r.next_node, replace(start, low=0, high=0), f"{address}.", number)
    # A check in it covers everything before, from the frame's or the element's start.
    inside.start = into.start
    _fill(r, one, inside, scope, style, address)
    nodes = inside.close(ends_in_run=repeats.has_check(one))
    low, high = inside.cursor.low, inside.cursor.high
    if high is None:
        text = "a repeat that runs to the end cannot be optional"
        r.note(one.places["repeat"], "to-end-last", where, text, "Use a count.")
        return
    if by is None:
        _note_unseen(r, one, number, low, where)
    bare, residue = one.repeat is not None or repeats.is_bare(one), start.phase.within(8)
    in_option = by is not None and by not in {slot.number for slot in _certain(scope)}
    node = Optional(
        number, path, address, start.at, residue, by, codes, nodes, low, high, bare, told_in_option=in_option
    )
    phase = start.phase.joined(inside.cursor.phase)
    grown = start.grown.joined(inside.cursor.grown)
    top = None if start.high is None else start.high + high
    into.add_node(node, Cursor(start.at if high == 0 else None, phase, start.origin, grown, start.low, top))


def _certain(scope: Scope) -> Iterator[Slot]:
    """The slots that stand in a group, or in one around it, whenever it is there."""
    around: Scope | None = scope
    while around is not None:
        yield from around.own_slots()
        around = around.outer


def _asked(
    r: Resolver, one: Field, into: Container, scope: Scope, where: str
) -> tuple[int | None, tuple[Range, ...]] | None:
    """The slot that says whether it is there and the codes it must hold, (None, ()) where bytes that remain do; None where noted."""
    assert one.present_when is not None
    if one.present_when.by != BYTES_REMAIN:
        target = presence(r, one, scope, where)
        if target is None:
            r.whole = r.placed = False
        return target
    if repeats.may_run_to_end(r, one, into, where):
        return None, ()
    r.placed = False
    return None


def _fill(r: Resolver, one: Field, inside: Container, scope: Scope, style: Style, address: str) -> None:
    """Place what may be absent; where it is one value, its name is known as one that is not always there."""
    inner = Scope(scope)
    if one.repeat is not None:
        repeats.repeat(r, one, one.repeat, inside, inner, style, (), address)
        return
    r.body(one, inside, inner, style, address)
    if not repeats.is_bare(one):
        scope.options[one.name] = inner
    if one.name in inner.slots and repeats.is_bare(one):
        scope.sometimes[one.name] = inner.slots[one.name]


def _note_unseen(r: Resolver, one: Field, number: int, low: int, where: str) -> None:
    """Keep what is there while bytes remain, and note it where it may have no bits to be seen by."""
    r.to_ends[number] = (one, where)
    if low == 0:
        text = "it can have no bits at all, so bytes that remain do not tell whether it is there"
        remedy = "Put a field of fixed size into it."
        r.note(one.places["present_when"], "to-end-ambiguous", where, text, remedy)
