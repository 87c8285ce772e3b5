"""What construct's classes cannot express of a layout, by address and reason: some rows of the language, and bit orders that cross.

construct swaps the bits of a group as a whole, so nothing in such a group can know its place in the frame.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from packetkit.codec.constructs.groups import (
    Group,
    container_of,
    own_packings,
    own_runs,
    packings,
    runs,
    size_bits,
)
from packetkit.codec.constructs.plan import Plan
from packetkit.layout.model import Choice, Fill, Layout, Measured, Node, Optional, Repeat, Run
from packetkit.layout.slots import Check, Packing, Slot

_OTHER_ORDER = "a group of another bit order than the frame's"


def reasons(layout: Layout) -> tuple[tuple[str, str], ...]:
    """Return (address, reason) of all that cannot be expressed; the same reason for the same field once."""
    beyond = tuple(_beyond(layout))
    return beyond or tuple(dict.fromkeys(_of_the_plan(Plan(layout))))


def _beyond_parts(node: Node) -> str:
    """Why a part of a frame has no construct object yet; empty where it may have."""
    if isinstance(node, Measured):
        return "a length field measures it"
    if isinstance(node, Choice):
        return "it has variants"
    if isinstance(node, Optional) and node.by is None:
        return "it is there when bytes remain"
    if isinstance(node, Optional) and node.told_in_option:
        return "a field in another option says whether it is there"
    if not isinstance(node, Repeat):
        return ""
    return next(
        (
            reason
            for reason, holds in (
                ("its characters are joined to one value", node.joined is not None),
                ("its count is computed", bool(node.factors)),
                ("its elements say which is the last", node.own_end is not None),
                ("it runs to the end, and its elements differ in size", node.several_sizes),
                ("it runs to the end, and what follows it is not always there", bool(node.trailers)),
            )
            if holds
        ),
        "",
    )


def _beyond(layout: Layout) -> Iterator[tuple[str, str]]:
    """What has no construct object yet, by name; then nothing further is asked."""
    for node in layout.walk():
        reason = _beyond_parts(node)
        if reason:
            yield getattr(node, "address", "") or layout.name, reason
    for slot in layout.slots:
        if slot.kind == "bundle":
            yield slot.address, "its samples are differences"
        if slot.is_continued:
            yield slot.address, "it has as many octets as it needs"
        if slot.tellers:
            yield slot.address, "another field says what its code means"


def _of_the_plan(plan: Plan) -> Iterator[tuple[str, str]]:
    for address, reason in _packing_refusals(plan.root, Packing.MOST):
        yield address or plan.layout.name, reason
    for node in plan.layout.walk():
        place = plan.nodes[node.number]
        if place.swapped:
            yield from _place_refusals(plan, node)
    for slot in plan.layout.slots:
        if slot.pieces:
            yield slot.address, "its bits lie apart, and construct's fields are bits side by side"
        if slot.check is not None:
            yield from _check_refusals(plan, slot, slot.check)


def _place_refusals(plan: Plan, node: Node) -> Iterator[tuple[str, str]]:
    """What needs to know its place in the frame, in a group that construct hands on without it."""
    if isinstance(node, Repeat) and node.count is None and node.counted_by is None:
        yield node.address, f"it runs to the frame's end inside of {_OTHER_ORDER}"
    elif isinstance(node, Fill) and node.unit_bits > 8:
        yield (
            node.slot.address,
            f"it fills up to {node.unit_bits} bits of the frame inside of {_OTHER_ORDER}",
        )
    elif isinstance(node, Run) and node.slots and node.number in plan.marked:
        yield node.slots[0].address, f"a check's span begins or ends there, inside of {_OTHER_ORDER}"


def _check_refusals(plan: Plan, slot: Slot, check: Check) -> Iterator[tuple[str, str]]:
    place = plan.slots[slot.number]
    if plan.late.get(slot.number) == -1 and any(isinstance(node, Repeat) for node in place.around):
        yield (
            slot.address,
            "it stands in each element of a repeat and covers bits that come after the element",
        )
    if check.mixed is not None:
        yield (
            slot.address,
            "it is mixed with another field, which construct has turned into a value by then",
        )
    if not replace(check, mixed=None).is_plain:
        yield (
            slot.address,
            "it hangs on more than the bits that it covers, which is all that construct hands it",
        )
    if place.swapped:
        yield (
            slot.address,
            f"it lies inside of {_OTHER_ORDER}, whose bits construct gives back all at once",
        )
    if check.in_wire_order and len({run.packing for run in runs(plan.root.members)}) > 1:
        yield slot.address, "it covers a part of an octet, in a frame with groups of different bit orders"


def _packing_refusals(group: Group, outer: Packing) -> Iterator[tuple[str, str]]:
    """What is packed in a way that swapping a group as a whole does not give."""
    if len({run.packing for run in own_runs(group.members)}) > 1:
        yield group.address, "its own fields lie in two bit orders, and construct swaps a group as a whole"
    if not own_packings(group.members) and len(packings(group.members)) > 1:
        yield (
            group.address,
            "what is in it lies in several bit orders, and no field of its own tells which is the group's",
        )
    if group.packing is not outer:
        if Packing.MOST not in (group.packing, outer):
            yield group.address, "it changes from one swapped bit order to another"
        unit, size = group.packing.word_bits, size_bits(group)
        if unit is not None and (size is None or size % unit):
            yield group.address, f"its size is not always whole words of {unit} bits"
    for member in group.members:
        if isinstance(member, Group):
            yield from _packing_refusals(member, group.packing)
        elif isinstance(member.node, (Repeat, Optional)):
            yield from _packing_refusals(container_of(member.node, group.packing), group.packing)
