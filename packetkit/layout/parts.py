"""Parts of a frame that something else sizes or chooses: measured parts, variants, what runs to an end.

A `Part` is what an end belongs to: the frame, or nodes that a length field measures. What runs to the end must know how many bits
follow it there, so trailers are worked out when a part is complete, from its end backwards. Like the rest of the resolver, faults are
noted and never raised.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from packetkit.layout import turns
from packetkit.layout.model import (
    Branch,
    Choice,
    Chosen,
    Fill,
    Joined,
    Mark,
    Measured,
    Node,
    Optional,
    Packing,
    Range,
    Repeat,
    Run,
    Slot,
    bodies,
    fixed_size,
    slots_of,
    walk,
    with_bodies,
)
from packetkit.layout.places import Container, Cursor, Phase, Scope, Style
from packetkit.layout.size import longest, shortest
from packetkit.schema.field_keys import UNITS
from packetkit.schema.model import Field, Frame, Variant
from packetkit.schema.text import closest, shown

if TYPE_CHECKING:
    from packetkit.layout.resolve import Resolver

OUTSIDE = ("outside",)
WHOLE_FRAME = "whole_frame"


@dataclass(eq=False, slots=True)
class Part:
    """The frame (number -1) or a measured part while it is being laid out.

    carried: a frame inside of one, which has a start of its own and the end of what is around it.
    containers: its own, and those of variants that stand directly in it: what runs to its end may stand in any of them.
    """

    number: int
    start: Cursor
    containers: list[Container] = field(default_factory=list)
    carried: bool = False

    def holds(self, container: Container) -> bool:
        return any(one is container for one in self.containers)

    def since(self, cursor: Cursor) -> Phase:
        """What is known of the bits from the part's start to a cursor."""
        if self.number < 0 and not self.carried:
            return cursor.phase
        if cursor.origin is self.start.origin:
            return cursor.grown.after(self.start.grown)
        return cursor.phase.after(self.start.phase)  # an element inside it counts from its own start


# -- which field a length measures -----------------------------------------------------------------------------------------


def measured_fields(fields: tuple[Field, ...]) -> dict[int, Field]:
    """Each field that a length field measures, by its identity, and that length field. Whole-frame lengths are not in it."""
    found: dict[int, Field] = {}

    def look(members: tuple[Field, ...], around: tuple[Field, ...]) -> None:
        for one in members:
            if one.kind == "length" and one.measures not in (None, WHOLE_FRAME):
                target = next((other for other in (*members, *around) if other.name == one.measures), None)
                if target is not None and target is not one:
                    found.setdefault(id(target), one)
            for inner in _groups_in(one):
                look(inner, (one, *(other for other in members if other is not one), *around))

    if any(True for _ in lengths(fields)):
        look(fields, ())
    return found


def _groups_in(one: Field) -> list[tuple[Field, ...]]:
    """The lists of fields inside a field, those with something in them."""
    return [inner for inner in (one.fields, *(variant.fields for variant in one.variants)) if inner]


def note_astray(r: Resolver, fields: tuple[Field, ...]) -> None:
    """Note length fields that a frame may hold what they measure without: not read yet, or not there."""
    order: list[Field] = []
    above: dict[int, tuple[Field, ...]] = {}

    def look(members: tuple[Field, ...], around: tuple[Field, ...]) -> None:
        for one in members:
            order.append(one)
            above[id(one)] = around
            for inner in _groups_in(one):
                look(inner, (*around, one))

    look(fields, ())
    place = {id(one): number for number, one in enumerate(order)}
    measured = {id(by): order[place[target]] for target, by in r.measured.items()}
    for by in lengths(fields):
        target = measured.get(id(by))
        if target is None and by.measures != WHOLE_FRAME:
            continue  # it measures nothing, and that is noted
        inside = target is not None and target in above[id(by)]
        fault = None
        if target is not None and not inside and place[id(target)] < place[id(by)]:
            fault = f"stands behind {target.name}, which could not be read before it"
        shared = 0 if target is None else len(above[id(target)])
        passed = [one for one in (*above[id(by)][shared:], by) if not (one is target and _always_one(one))]
        unsure = next((one for one in passed if not _always(one)), None)
        if unsure is not None and fault is None:
            what = "the frame" if target is None else target.name
            fault = f"{what} can be there without it: {unsure.name} {_why(unsure)}"
            if unsure is target:
                fault = f"is one size for {what}, which {_why(unsure)}"
        if fault is not None:
            r.whole = r.placed = False
            remedy = (
                "Put it before what it measures, outside of what may be absent, repeated or of several forms."
            )
            r.note(by.places["measures"], "length-astray", r.full(by.name), fault, remedy)


def _always_one(one: Field) -> bool:
    """Whether a field that is there holds its fields once: it may be optional as a whole."""
    return one.repeat is None and one.kind != "variants"


def _always(one: Field) -> bool:
    return _always_one(one) and one.present_when is None


def _why(one: Field) -> str:
    if one.kind == "variants":
        return "has other variants too"
    return "is repeated" if one.repeat is not None else "may be absent"


def note_unused(r: Resolver, fields: tuple[Field, ...]) -> None:
    """Note length fields that measure nothing, or what another measures."""
    used = {id(by) for by in r.measured.values()}
    for one in lengths(fields):
        if (
            one.measures in (None, WHOLE_FRAME) or id(one) in used
        ):  # None: its reader has told that it lacks one
            continue
        others = [by.name for by in lengths(fields) if id(by) in used and by.measures == one.measures]
        near = closest(one.measures or "", _names(fields))
        text = f"{shown(one.measures or '')} is not a field of its group or of one around it"
        remedy = f"Did you mean {near}?" if near else "Name what it measures, or whole_frame."
        if others:
            text, remedy = f"{others[0]} measures {one.measures} already", "Leave one of them out."
        r.note(one.places["measures"], "length-unknown", r.full(one.name), text, remedy)


def _names(fields: tuple[Field, ...]) -> list[str]:
    """The names of all fields that a length could measure."""
    inner = [group for one in fields for group in (one.fields, *(variant.fields for variant in one.variants))]
    own = [one.name for one in fields if one.kind not in ("length", "count", "check", "reserved")]
    return own + [name for group in inner for name in _names(group)]


def padded_variants(frame: Frame, measured: dict[int, Field]) -> set[int]:
    """The identities of variants with a boundary to fill up to behind them in their part: it could hide their end."""
    found: set[int] = set()

    def look(members: tuple[Field, ...], behind: bool) -> None:
        for one in reversed(members):
            padded = behind and id(one) not in measured  # a part of its own has its own end
            if one.kind == "variants" and padded:
                found.add(id(one))
            for inner in _groups_in(one):
                look(inner, padded)
            behind = behind or _holds_fill(one)

    look(frame.fields, frame.last_byte is not None)
    return found


def _holds_fill(one: Field) -> bool:
    return one.up_to is not None or any(map(_holds_fill, one.fields))


def lengths(fields: tuple[Field, ...]) -> Iterator[Field]:
    """Every length field, wherever it stands."""
    for one in fields:
        if one.kind == "length":
            yield one
        for inner in (one.fields, *(variant.fields for variant in one.variants)):
            yield from lengths(inner)


def whole_frame_length(fields: tuple[Field, ...]) -> Field | None:
    """The length field that measures the whole frame, if there is one."""
    return next((one for one in lengths(fields) if one.measures == WHOLE_FRAME), None)


# -- measured parts ----------------------------------------------------------------------------------------------------------


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
    most = (((1 << slot.width) - 1) + by.less) * unit
    nodes = bounded(r, nodes, shortest(nodes), most)
    # Exact, where the cursor's sums need not be: every fill in it counts from its start.
    low, high = shortest(nodes), min(longest(nodes), most)
    if not _says_it(r, opened, slot, unit, low, high):
        r.placed = False
        return
    part = opened.part
    residue = start.phase.within(8)
    node = Measured(
        part.number, opened.address, start.at, residue, slot.number, unit, by.less, nodes, low, high
    )
    steps = Phase(min(unit, 64), 0)
    phase = _better(inside.cursor.phase, start.phase.and_then(steps))
    grown = _better(inside.cursor.grown, start.grown.and_then(steps))
    at = None if start.at is None or low != high else start.at + low
    top = None if start.high is None else start.high + high
    opened.outer.add_node(node, Cursor(at, phase, start.origin, grown, start.low + low, top))


def _says_it(r: Resolver, opened: Opened, slot: Slot, unit: int, low: int, high: int) -> bool:
    """Whether a length can say every size of what it measures; noted where it cannot."""
    by, where = opened.by, r.full(slot.address)
    most = (((1 << slot.width) - 1) + by.less) * unit
    over = opened.part.since(opened.inside.cursor).within(unit) if by.fill is None else 0
    if most < low:
        text = f"{slot.width} bits reach {most} bits, and what it measures has {low} at least"
        r.note(by.places["bits"], "length-unfit", where, text, "Use more bits, or larger units.")
    elif over:
        text = f"what it measures always ends {over} bits into a unit of {unit}"
        r.note(by.place, "length-unfit", where, text, "Add reserved bits, or fill: zero.")
    elif low == high and low // unit < by.less:
        text = f"what it measures has {low // unit} units, so {low // unit - by.less} would be sent"
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
    r.fill_to(declared, unit, opened.inside, style, (*path, name), address)


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


# -- what runs to an end -------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Behind:
    """What follows a node in its part: bits of fixed size, fills, and the first that varies otherwise."""

    bits: int = 0
    fills: list[Fill] = field(default_factory=list)
    varies: Node | None = None  # nothing that runs to the end may stand before it
    remains: bool = True  # ... but what asks whether bytes remain may, as all that varies asks that too

    def and_before(self, node: Node) -> Behind:
        """What follows the node before this one."""
        if isinstance(node, Fill):
            return replace(self, fills=[*self.fills, node])
        size = fixed_size(node)
        if size is not None:
            return replace(self, bits=self.bits + size)
        asks = isinstance(node, Optional) and node.by is None
        to_end = isinstance(node, Repeat) and node.runs_to_end
        return replace(self, varies=node, remains=self.remains and (asks or to_end))


def with_trailers(r: Resolver, nodes: tuple[Node, ...], behind: Behind | None = None) -> tuple[Node, ...]:
    """The nodes of a part, each that runs to its end with the bits that follow it there; faults are noted."""
    behind = behind or Behind()
    made: list[Node] = []
    for node in reversed(nodes):
        if (isinstance(node, Repeat) and node.runs_to_end) or (
            isinstance(node, Optional) and node.by is None
        ):
            _judge(r, node, behind)
            made.append(replace(node, trailer_bits=behind.bits))
        elif isinstance(node, Choice):
            known = tuple(
                replace(branch, body=with_trailers(r, branch.body, behind)) for branch in node.branches
            )
            made.append(replace(node, branches=known, unknown=_unknown(r, node, behind)))
        else:
            made.append(node)
        behind = behind.and_before(node)
    return tuple(reversed(made))


def _judge(r: Resolver, node: Repeat | Optional, behind: Behind) -> None:
    """Note whatever keeps the end of a part from telling how much there is."""
    one, where = r.to_ends[node.number]
    place = one.places.get("present_when" if isinstance(node, Optional) else "repeat", one.place)
    place = one.places.get("length", place) if one.kind in ("text", "bytes") else place
    stripped = isinstance(node, Repeat) and node.joined is not None and node.joined.fill == 0
    for fill in behind.fills if not stripped else ():  # zero bits are characters that are stripped again
        if fill.unit_bits > node.minimum_bits or isinstance(node, Optional):
            hidden = "1 bit" if node.minimum_bits == 1 else f"{node.minimum_bits} bits"
            text = f"a fill of up to {fill.unit_bits - 1} bits can hide an element of {hidden}"
            remedy = "Use a count, or larger elements."
            if isinstance(node, Optional):
                text, remedy = "a fill behind it can look like it", "Put the fill into it."
            r.note(place, "to-end-ambiguous", where, text, remedy)
    if behind.varies is not None and not (isinstance(node, Optional) and behind.remains):
        after = getattr(behind.varies, "address", "")
        text = f"{after} varies in size, so nothing tells where this {'repeat' if isinstance(node, Repeat) else 'field'} before it ends"
        r.note(place, "to-end-last", where, text, f"Use a count, or put {after} before it.")


def _unknown(r: Resolver, node: Choice, behind: Behind) -> Branch | None:
    """The branch of codes that no variant has: octets, or bits where the part's end leaves no whole octets for them."""
    branch = node.unknown
    if branch is None or behind.varies is not None or node.number not in r.since:
        return None
    octets = branch.body[0]
    assert isinstance(octets, Repeat)
    over = r.since[node.number].within(8)
    if over is None:
        return None
    octets, spare = replace(octets, trailer_bits=behind.bits), (over + behind.bits) % 8
    if not spare:
        return replace(branch, body=(octets,))
    run = octets.element[0]
    assert isinstance(run, Run)
    bit = replace(run.slots[0], width=1, legal=(Range(0, 1),))
    single = replace(run, size_bits=1, slots=(bit,))
    bits = replace(
        octets, element=(single,), minimum_bits=1, maximum_bits=1, joined=Joined("bits", spare_bits=spare)
    )
    return replace(branch, body=(bits,))


# -- variants --------------------------------------------------------------------------------------------------------------


def choice(
    r: Resolver, one: Field, into: Container, scope: Scope, style: Style, path: tuple[str, ...], address: str
) -> None:
    """One of several forms: each variant is laid out from the same place, and the widest bounds the frame."""
    where = r.full(address)
    tellers = _tellers(r, one, scope, where)
    if tellers is None:
        r.whole = r.placed = False
        return
    if one.in_turn:
        codes = turns.remainders(r, one, tellers, where)
    else:
        codes = [
            _codes(r, one, variant, index, tellers, scope, where)
            for index, variant in enumerate(one.variants)
        ]
    if None in codes:
        r.whole = r.placed = False
        return
    into.close_run()
    if one.in_turn:
        one = turns.completed(r, one, into, scope, style, address)
    number, start = r.next_node(), into.cursor
    part = r.parts[-1]
    direct = part.holds(into)
    branches, cursors = [], []
    for variant, told in zip(one.variants, codes, strict=True):
        own = r.next_node()
        inside = Container(r.next_node, replace(start, low=0, high=0), f"{address}.{variant.name}.", own)
        inside.start = into.start
        if direct:
            part.containers.append(inside)
        r.place_all(variant.fields, inside, Scope(scope), style, ())
        assert told is not None
        branches.append(Branch(variant.name, told, inside.close(ends_in_run=True), own))
        cursors.append(inside.cursor)
    by = r.part_lengths.get(part.number)
    whole = by is None or (by.fill is None and UNITS[by.counts_in or "bytes"] % 8 == 0)
    unknown = (
        _octets_to_the_end(r, address, start, style)
        if direct and tellers and whole and id(one) not in r.padded and not one.in_turn
        else None
    )
    if unknown is not None:
        r.since[number] = part.since(start)
    low = 0 if unknown else min(cursor.low for cursor in cursors)
    highs = [cursor.high for cursor in cursors]
    high = None if None in highs else max(high for high in highs if high is not None)
    high = (
        high if unknown is None or high is None else max(high, 8)
    )  # it never has one size only: it may hold an octet
    numbers = tuple(slot.number for slot in tellers)
    turn = len(branches) if one.in_turn else 0
    node = Choice(
        number,
        path,
        address,
        start.at,
        start.phase.within(8),
        numbers,
        tuple(branches),
        unknown,
        low,
        high,
        turn,
    )
    phase, grown = cursors[0].phase, cursors[0].grown
    for cursor in cursors[1:]:
        phase, grown = phase.joined(cursor.phase), grown.joined(cursor.grown)
    top = None if start.high is None or high is None else start.high + high
    into.add_node(node, Cursor(None, phase, start.origin, grown, start.low + low, top))
    _apart(r, one, node, where)


def _tellers(r: Resolver, one: Field, scope: Scope, where: str) -> tuple[Slot, ...] | None:
    if one.told_by == OUTSIDE:
        return ()
    found = []
    for index, name in enumerate(one.told_by):
        place = one.places.get(f"told_by.{index}", one.places["told_by"])
        slot = r.deciding(name, scope, where, place)
        if slot is None:
            return None
        found.append(slot)
    return tuple(found)


def _codes(
    r: Resolver, one: Field, variant: Variant, index: int, tellers: tuple[Slot, ...], scope: Scope, where: str
) -> tuple[tuple[Range, ...], ...] | None:
    """For each telling slot, the codes that mean this variant: all that it can hold where the variant does not say."""
    place = one.places[f"variants.{index}"]
    if not tellers and variant.when:
        r.note(place, "variant-codes", where, "told from outside, so no code means it", "Leave when out.")
        return None
    said = {asked.by: asked for asked in variant.when}
    for name in said:
        if name not in one.told_by:
            near = closest(name, one.told_by)
            text = f"{shown(name)} is not one of the fields that tell its variants"
            remedy = (
                f"Did you mean {near}?"
                if near
                else f"One of: {', '.join(one.told_by)}; or add it to told_by."
            )
            r.note(one.places.get(f"variants.{index}.{name}", place), "variant-codes", where, text, remedy)
            return None
    if tellers and not said:
        r.note(
            place,
            "variant-codes",
            where,
            f"nothing says when {variant.name} is meant",
            "Add when: {field: code}.",
        )
        return None
    found: list[tuple[Range, ...]] = []
    for name, slot in zip(one.told_by, tellers, strict=False):
        if name not in said:
            found.append((Range(*slot.raw_limits),))
            continue
        ranges = r.ranges(said[name], slot, one.places.get(f"variants.{index}.{name}", place), where)
        if ranges is None:
            return None
        found.append(ranges)
    return tuple(found)


def _octets_to_the_end(r: Resolver, address: str, start: Cursor, style: Style) -> Branch | None:
    """The branch for codes without a variant. How many octets there are is known when the part is complete."""
    if style.packing.word_bits:
        return None
    number, run = r.next_node(), r.next_node()
    slot = r.character_slot(f"{address}.unknown[]")
    packing = Packing.LEAST if style.packing is Packing.LEAST else Packing.MOST
    element = Run(run, None, None, slot.width, packing, (slot,))
    joined = Joined("bytes")
    body = Repeat(
        number,
        (),
        f"{address}.unknown",
        start.at,
        start.phase.within(8),
        None,
        None,
        None,
        0,
        (element,),
        8,
        8,
        True,
        joined,
    )
    return Branch("unknown", (), (body,), r.next_node(), bare=True)


def _apart(r: Resolver, one: Field, node: Choice, where: str) -> None:
    """Note variants that the same codes mean."""
    if not node.told_by:
        return
    for second, later in enumerate(node.branches):
        for earlier in node.branches[:second]:
            both = [_common(a, b) for a, b in zip(earlier.codes, later.codes, strict=True)]
            if all(code is not None for code in both):
                shown_codes = ", ".join(str(code) for code in both)
                text = f"{earlier.name} and {later.name} are both meant by {shown_codes}"
                r.note(
                    one.places[f"variants.{second}"],
                    "variant-codes",
                    where,
                    text,
                    "Give each variant codes of its own.",
                )


def _common(one: tuple[Range, ...], other: tuple[Range, ...]) -> int | None:
    """A code in both."""
    return next(
        (max(a.low, b.low) for a in one for b in other if max(a.low, b.low) <= min(a.high, b.high)), None
    )


# -- parts of fixed size ----------------------------------------------------------------------------------------------------


def without_fixed_parts(nodes: tuple[Node, ...]) -> tuple[tuple[Node, ...], dict[int, int]]:
    """The nodes with measured parts of constant size opened up, and the code that each of their length slots always has."""
    codes: dict[int, int] = {}
    moved: dict[int, int] = {}

    def opened(inner: tuple[Node, ...]) -> tuple[Node, ...]:
        made: list[Node] = []
        for node in inner:
            node = with_bodies(node, tuple(map(opened, bodies(node))))
            if isinstance(node, Measured) and _never_varies(node):
                codes[node.by] = node.minimum_bits // node.unit_bits - node.less
                moved[node.number] = node.body[0].number
                made += node.body
            else:
                made.append(node)
        return tuple(made)

    flat = opened(nodes)
    return (_remarked(flat, codes, moved), codes) if codes else (nodes, codes)


def _never_varies(node: Measured) -> bool:
    """Whether a part has the same size in every frame: by its fields, not because variants, or fill after options, happen to."""
    return node.minimum_bits == node.maximum_bits and all(map(_is_always_so, walk(node.body)))


def _is_always_so(node: Node) -> bool:
    """Whether nothing in a frame decides what a node is made of."""
    if isinstance(node, Choice):
        return not node.told_by
    return isinstance(node, (Run, Measured, Fill)) or (isinstance(node, Repeat) and node.is_fixed)


def _remarked(nodes: tuple[Node, ...], codes: dict[int, int], moved: dict[int, int]) -> tuple[Node, ...]:
    """The nodes with marks at parts that are gone moved to what stood first in them, and their lengths made constants."""

    def mark(one: Mark) -> Mark:
        while one.node in moved:
            one = replace(one, node=moved[one.node])
        return one

    def slot(one: Slot) -> Slot:
        if one.number in codes:
            return replace(one, codes=(Range(codes[one.number], codes[one.number]),))
        if one.check is None:
            return one
        return replace(
            one, check=replace(one.check, spans=tuple((mark(a), mark(b)) for a, b in one.check.spans))
        )

    made: list[Node] = []
    for node in nodes:
        if isinstance(node, Run):
            node = replace(node, slots=tuple(map(slot, node.slots)))
        elif isinstance(node, Fill) and node.since in moved:
            node = replace(node, since=moved[node.since])
        made.append(with_bodies(node, tuple(_remarked(inner, codes, moved) for inner in bodies(node))))
    return tuple(made)


# -- numbers without gaps ---------------------------------------------------------------------------------------------------


def renumbered(nodes: tuple[Node, ...]) -> tuple[tuple[Node, ...], dict[int, int]]:
    """The nodes with slots numbered from 0 on, and the new number of each; octets that could not be told left a gap."""
    old = sorted(slot.number for node in walk(nodes) for slot in slots_of(node))
    moved = {number: at for at, number in enumerate(old)}
    if all(number == at for number, at in moved.items()):
        return nodes, moved

    def slot(one: Slot) -> Slot:
        check = one.check
        if check is not None and check.mixed is not None:
            check = replace(check, mixed=moved.get(check.mixed, check.mixed))
        raises = None if one.raises is None else moved[one.raises]
        valid = one.valid_when and replace(one.valid_when, by=moved[one.valid_when.by])
        scale = one.transform
        if isinstance(scale, Chosen):
            one = replace(one, transform=replace(scale, by=moved[scale.by]))
        return replace(one, number=moved[one.number], raises=raises, check=check, valid_when=valid)

    def node(one: Node) -> Node:
        one = with_bodies(one, tuple(tuple(map(node, inner)) for inner in bodies(one)))
        if isinstance(one, Run):
            return replace(one, slots=tuple(map(slot, one.slots)))
        if isinstance(one, Fill):
            return replace(one, slot=slot(one.slot))
        if isinstance(one, Repeat):
            factors = tuple(replace(factor, by=moved[factor.by]) for factor in one.factors)
            return replace(
                one, counted_by=None if one.counted_by is None else moved[one.counted_by], factors=factors
            )
        if isinstance(one, Choice):
            return replace(one, told_by=tuple(moved[number] for number in one.told_by))
        return one if one.by is None else replace(one, by=moved[one.by])

    return tuple(map(node, nodes)), moved
