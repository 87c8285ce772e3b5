"""One of several forms, told by fields or from outside: each laid out from the same place, and the widest bounds the frame.

Codes that no variant has are octets up to the end of the part, where that end is known and whole octets fit. Faults are noted.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from packetkit.layout import turns
from packetkit.layout.conditions import codes_held, deciding
from packetkit.layout.lengths import groups_in
from packetkit.layout.model import Branch, Choice, Repeat, Run
from packetkit.layout.places import Container, Cursor, Scope, Style
from packetkit.layout.ranges import are_all_codes, common, merged, without
from packetkit.layout.slots import Joined, Packing, Range, Slot
from packetkit.schema.field_keys import UNITS
from packetkit.schema.model import Field, Frame, Variant
from packetkit.schema.words import closest, shown

if TYPE_CHECKING:
    from packetkit.layout.resolve import Resolver

OUTSIDE = ("outside",)

_Codes = tuple[tuple[Range, ...], ...]  # of each telling slot, in their order, those that mean a variant


def padded_variants(frame: Frame, measured: dict[int, Field]) -> set[int]:
    """The identities of variants with a boundary to fill up to behind them in their part: it could hide their end."""
    found: set[int] = set()

    def look(members: tuple[Field, ...], behind: bool) -> None:
        for one in reversed(members):
            padded = behind and id(one) not in measured  # a part of its own has its own end
            if one.kind == "variants" and padded:
                found.add(id(one))
            for inner in groups_in(one):
                look(inner, padded)
            behind = behind or _holds_fill(one)

    look(frame.fields, frame.last_byte is not None)
    return found


def _holds_fill(one: Field) -> bool:
    return one.up_to is not None or any(map(_holds_fill, one.fields))


def place_variants(
    r: Resolver, one: Field, into: Container, scope: Scope, style: Style, path: tuple[str, ...], address: str
) -> None:
    """One of several forms: each variant is laid out from the same place, and the widest bounds the frame."""
    where = r.full(address)
    told = _told(r, one, scope, where)
    if told is None:
        r.whole = r.placed = False
        return
    tellers, codes = told
    into.close_run()
    if one.in_turn:
        one = turns.completed(r, one, into, scope, style, address)
    number, start, part = r.next_node(), into.cursor, r.parts[-1]
    branches, ends = _laid_out(r, one, codes, into, scope, style, address)
    unknown = None
    if part.holds(into) and _may_have_others(r, one, tellers, codes):
        unknown = _octets_to_the_end(r, address, start, style)
    if unknown is not None:
        r.since[number] = part.since(start)
    low, high = _extent(ends, unknown is not None)
    numbers, turn = tuple(slot.number for slot in tellers), len(branches) if one.in_turn else 0
    residue = start.phase.within(8)
    node = Choice(number, path, address, start.at, residue, numbers, branches, unknown, low, high, turn)
    phase, grown = ends[0].phase, ends[0].grown
    for end in ends[1:]:
        phase, grown = phase.joined(end.phase), grown.joined(end.grown)
    top = None if start.high is None or high is None else start.high + high
    into.add_node(node, Cursor(None, phase, start.origin, grown, start.low + low, top))
    _apart(r, one, node, where)


def _told(r: Resolver, one: Field, scope: Scope, where: str) -> tuple[tuple[Slot, ...], list[_Codes]] | None:
    """The slots that tell the variants, and for each variant the codes of these; None where that was noted."""
    tellers = _tellers(r, one, scope, where)
    if tellers is None:
        return None
    if one.in_turn:
        codes = turns.remainders(r, one, tellers, where)
    else:
        codes = [
            () if variant.otherwise else _codes(r, one, variant, at, tellers, where)
            for at, variant in enumerate(one.variants)
        ]
        for at, variant in enumerate(one.variants):
            if variant.otherwise and None not in codes:
                codes[at] = _others(r, one, at, tellers, [told for told in codes if told], where)
    known = [told for told in codes if told is not None]
    return (tellers, known) if len(known) == len(codes) else None


def _laid_out(
    r: Resolver,
    one: Field,
    codes: list[_Codes],
    into: Container,
    scope: Scope,
    style: Style,
    address: str,
) -> tuple[tuple[Branch, ...], list[Cursor]]:
    """Each variant's branch, and where it ends."""
    start, part = into.cursor, r.parts[-1]
    direct = part.holds(into)
    branches, ends = [], []
    for variant, told in zip(one.variants, codes, strict=True):
        own = r.next_node()
        inside = Container(r.next_node, replace(start, low=0, high=0), f"{address}.{variant.name}.", own)
        inside.start = into.start
        if direct:
            part.containers.append(inside)
        r.place_all(variant.fields, inside, Scope(scope), style, ())
        branches.append(Branch(variant.name, told, inside.close(ends_in_run=True), own))
        ends.append(inside.cursor)
    return tuple(branches), ends


def _may_have_others(r: Resolver, one: Field, tellers: tuple[Slot, ...], codes: list[_Codes]) -> bool:
    """Whether there are codes without a variant that can be told: whole octets up to the part's end, nothing filled up behind them."""
    by = r.part_lengths.get(r.parts[-1].number)
    whole = by is None or (by.fill is None and UNITS[by.counts_in or "bytes"] % 8 == 0)
    if not whole or id(one) in r.padded or one.in_turn or not tellers:
        return False
    return not are_all_codes(codes, [slot.width for slot in tellers])


def _extent(ends: list[Cursor], has_others: bool) -> tuple[int, int | None]:
    """The least and most bits of any variant; octets without a variant are none or more, and one at least may come."""
    low = 0 if has_others else min(end.low for end in ends)
    highs = [end.high for end in ends if end.high is not None]
    if len(highs) < len(ends):
        return low, None
    return low, max(*highs, 8) if has_others else max(highs)


def _tellers(r: Resolver, one: Field, scope: Scope, where: str) -> tuple[Slot, ...] | None:
    if one.told_by == OUTSIDE:
        return ()
    found = []
    for index, name in enumerate(one.told_by):
        place = one.places.get(f"told_by.{index}", one.places["told_by"])
        slot = deciding(r, name, scope, where, place, may_vary=not one.in_turn)
        if slot is None:
            return None
        found.append(slot)
    return tuple(found)


def _codes(
    r: Resolver, one: Field, variant: Variant, index: int, tellers: tuple[Slot, ...], where: str
) -> _Codes | None:
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
            "Add when: {field: code}, or when: otherwise.",
        )
        return None
    found: list[tuple[Range, ...]] = []
    for name, slot in zip(one.told_by, tellers, strict=False):
        if name not in said:
            found.append((Range(*slot.raw_limits),))
            continue
        ranges = codes_held(r, said[name], slot, one.places.get(f"variants.{index}.{name}", place), where)
        if ranges is None:
            return None
        found.append(ranges)
    return tuple(found)


def _others(
    r: Resolver, one: Field, index: int, tellers: tuple[Slot, ...], told: list[_Codes], where: str
) -> _Codes | None:
    """The codes that no other variant has, None where that was noted."""
    fault = None
    if len(tellers) != 1:
        what = f"{len(tellers)} fields" if tellers else "what is outside the frame"
        fault = (
            f"otherwise is for variants that one field tells, not {what}",
            "Write its codes: when: {field: codes}.",
        )
    elif tellers[0].is_continued:
        fault = (
            f"{tellers[0].address} is as long as its number needs, so nobody can say which codes are left",
            "Write its codes: when: {field: codes}.",
        )
    else:
        taken = merged(codes for each in told for codes in each[0])
        left = without(Range(*tellers[0].raw_limits), taken)
        if left:
            return (left,)
        fault = (
            f"every code of {tellers[0].address} has a variant already, so none is left",
            "Leave this variant out.",
        )
    r.note(one.places[f"variants.{index}.when"], "variant-codes", where, *fault)
    return None


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
            both = [common(a, b) for a, b in zip(earlier.codes, later.codes, strict=True)]
            if None not in both:
                text = f"{earlier.name} and {later.name} are both meant by {', '.join(map(str, both))}"
                place = one.places[f"variants.{second}"]
                r.note(place, "variant-codes", where, text, "Give each variant codes of its own.")
