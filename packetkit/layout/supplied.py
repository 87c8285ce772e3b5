"""Fields without a bit: known to the frame's own scope, numbered below zero, and each goes into a check that tells of it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from packetkit.layout.kinds import meaning
from packetkit.layout.model import Layout, Measured, Node, slots_of
from packetkit.layout.places import Container, Scope
from packetkit.layout.slots import Slot
from packetkit.schema.model import Field

if TYPE_CHECKING:
    from packetkit.layout.resolve import Resolver


def place_supplied(
    r: Resolver, one: Field, into: Container, scope: Scope, path: tuple[str, ...], address: str
) -> None:
    """A field that has no bits: its number counts down from -1, so that it is none of those that are sent."""
    where = r.full(address)
    if into.holder is not None or len(path) > 1:
        text = "a supplied field stands in a group, a repeat or an option"
        r.note(one.place, "supplied-unfit", where, text, "Put it among the frame's own fields.")
        scope.broken.add(one.name)
        return
    made = meaning(one, lambda at, rule, text, remedy: r.note(at, rule, where, text, remedy))
    assert made is not None
    slot = made.place(number=-1 - len(r.supplied), path=path, address=address, offset_bits=0)
    r.supplied.append((slot, one, r.derivations.later[-1]))
    scope.slots[one.name] = slot


def note_untold(r: Resolver, layout: Layout) -> None:
    """Note every supplied field that no check of the frame's own tells of: it could not be recovered."""
    checks = [slot.check for slot in _always_there(layout.nodes) if slot.check is not None]
    told = {number for check in checks for number in (check.mixed, *check.fed)}
    for slot, one, _ in r.supplied:
        if slot.number not in told:
            text = "it goes into no check of the frame's own, so nothing tells of it"
            remedy = f"Write mixed_with: {one.name}, or also: [{one.name}], at a check among the frame's own fields."
            r.note(one.place, "supplied-unfit", r.full(one.name), text, remedy)


def _always_there(nodes: tuple[Node, ...]) -> Iterator[Slot]:
    """The slots that stand once in every frame: also those in parts of a told size, which are their container's."""
    for node in nodes:
        yield from slots_of(node)
        if isinstance(node, Measured):
            yield from _always_there(node.body)
