"""Parts that a length field measures: opened before what is measured is placed, closed behind it.

What a part has at least and most is exact here, whatever the cursors could add up: every fill in it counts from its start.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from packetkit.errors import counted
from packetkit.layout.ends import with_trailers
from packetkit.layout.fills import fill_to
from packetkit.layout.model import Choice, Measured, Node, Repeat, Run, with_uncounted, without_uncounted
from packetkit.layout.places import Container, Cursor, Part, Phase, Style
from packetkit.layout.size import longest, shortest
from packetkit.layout.slots import Packing, Slot
from packetkit.schema.field_keys import UNITS
from packetkit.schema.model import Field

if TYPE_CHECKING:
    from packetkit.layout.resolve import Resolver


@dataclass(slots=True)
class Opened:
    """A measured part that takes its fields: what `close` needs."""

    by: Field
    part: Part
    inside: Container
    outer: Container
    address: str
    where: str


def open_measured(r: Resolver, by: Field, into: Container, address: str) -> Opened:
    """A container for what a length field measures; the caller places the fields into `inside`."""
    into.close_run()
    number, start = r.next_node(), into.cursor
    inside = Container(r.next_node, replace(start, low=0, high=0), into.prefix, into.holder)
    inside.start = (
        into.start
    )  # a check in it covers everything before, from the frame's or the element's start
    part = Part(number, start, [inside])
    r.parts.append(part)
    r.part_lengths[number] = by
    return Opened(by, part, inside, into, address, r.full(address))


def close_measured(r: Resolver, opened: Opened, style: Style, path: tuple[str, ...]) -> None:
    """Put a measured part's node into the container around it, once its fields are placed."""
    by, inside, start = opened.by, opened.inside, opened.part.start
    unit = UNITS[by.counts_in or "bytes"]
    if by.fill is not None:
        _fill_to_unit(r, opened, unit, style, path)
    r.parts.pop()
    slot = r.length_slots.get(id(by))
    if slot is None:  # its own fault is noted where it stands
        r.whole = r.placed = False
        return
    nodes = with_trailers(r, inside.close(ends_in_run=True))
    if not nodes:  # nothing in it has bits; a place that a check may name is left
        nodes = (Run(r.next_node(), start.at, start.phase.within(8), 0, Packing.MOST, ()),)
    most = with_uncounted((slot.number_limits[1] + by.less) * unit, by.not_counted)
    nodes = bounded(r, nodes, shortest(nodes), most)
    # Exact, where the cursor's sums need not be: every fill in it counts from its start.
    low, high = shortest(nodes), min(longest(nodes), most)
    if not _says_it(r, opened, slot, unit, low, high):
        r.placed = False
        return
    part = opened.part
    residue = start.phase.within(8)
    node = Measured(
        part.number,
        opened.address,
        start.at,
        residue,
        slot.number,
        unit,
        by.less,
        nodes,
        low,
        high,
        by.not_counted,
    )
    steps = Phase(min(unit, 8 if by.not_counted else 64), 0)
    phase = _better(inside.cursor.phase, start.phase.and_then(steps))
    grown = _better(inside.cursor.grown, start.grown.and_then(steps))
    at = None if start.at is None or low != high else start.at + low
    top = None if start.high is None else start.high + high
    opened.outer.add_node(node, Cursor(at, phase, start.origin, grown, start.low + low, top))


def _says_it(r: Resolver, opened: Opened, slot: Slot, unit: int, low: int, high: int) -> bool:
    """Whether a length can say every size of what it measures; noted where it cannot."""
    by, where = opened.by, r.full(slot.address)
    most = with_uncounted((slot.number_limits[1] + by.less) * unit, by.not_counted)
    within, uncounted_over = without_uncounted(low, by.not_counted)
    over = opened.part.since(opened.inside.cursor).within(unit) if by.fill is None else 0
    if most < low:
        text = f"{slot.width} bits reach {most} bits, and what it measures has {low} at least"
        r.note(by.places["bits"], "length-unfit", where, text, "Use more bits, or larger units.")
    elif over:
        text = f"what it measures always ends {counted(over, 'bit')} into a unit of {unit}"
        r.note(by.place, "length-unfit", where, text, "Add reserved bits, or fill: zero.")
    elif low == high and uncounted_over:
        text = f"what it measures ends {counted(uncounted_over, 'bit')} into octets that it does not count"
        r.note(
            by.places["not_counted"],
            "length-unfit",
            where,
            text,
            "Let blocks and checks be as long as it says.",
        )
    elif low == high and within // unit < by.less:
        text = f"what it measures has {within // unit} units, so {within // unit - by.less} would be sent"
        r.note(by.places["less"], "length-unfit", where, text, "Use a smaller less.")
    else:
        return True
    return False


def _better(one: Phase, other: Phase) -> Phase:
    return one if one.modulus >= other.modulus else other


def _fill_to_unit(r: Resolver, opened: Opened, unit: int, style: Style, path: tuple[str, ...]) -> None:
    """Zero bits that complete the last unit of a measured part."""
    name = f"{opened.by.name}_fill"
    declared = Field(name, "reserved", opened.by.place, named=False)
    address = f"{opened.inside.prefix}{'.'.join((*path, name))}"
    fill_to(r, declared, unit, opened.inside, style, (*path, name), address)


def bounded(r: Resolver, nodes: tuple[Node, ...], low: int, most: int) -> tuple[Node, ...]:
    """The nodes of a measured part, their repeats to the end bounded by its largest size."""

    def bound(node: Node) -> Node:
        if isinstance(node, Repeat) and node.runs_to_end and node.maximum is None:
            r.bounded = True
            return replace(node, maximum=max(0, most - low) // node.minimum_bits)
        if isinstance(node, Choice):
            node = replace(
                node,
                branches=tuple(replace(one, body=tuple(map(bound, one.body))) for one in node.branches),
            )
            return replace(node, maximum_bits=max(longest(one.body) for one in node.branches))
        return node

    return tuple(map(bound, nodes))
