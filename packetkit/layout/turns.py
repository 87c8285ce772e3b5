"""Variants in turn: slow quantities that share one place, told apart by the sequence counter.

The n-th variant is sent in frames whose sequence, modulo their number, is n; so the counter's modulus is a multiple of that number, or
turns would be cut short where it wraps. The place is as wide as the widest variant: a narrower one is sent first, and then zeros, which
are reserved bits like any. Everything else is what variants are.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from packetkit.layout.model import Gain
from packetkit.layout.places import Container, Scope, Style
from packetkit.layout.slots import Range, Slot
from packetkit.schema.model import Field, Variant

if TYPE_CHECKING:
    from packetkit.layout.resolve import Resolver

_WIDEST = 64  # bits of one reserved field
_UNFIT = ("variants", "length")
_Remainders = list[tuple[tuple[Range, ...], ...] | None]


def remainders(r: Resolver, one: Field, tellers: tuple[Slot, ...], where: str) -> _Remainders:
    """Return for each variant the remainder that means it, as codes of the one telling slot; [None] where that was noted."""
    places, several = one.places, len(one.variants)
    said = next((at for at, variant in enumerate(one.variants) if variant.when or variant.otherwise), None)
    fault = _teller_fault(tellers, several)
    if several < 2:
        fault = ("in_turn", "one variant alone takes no turns", "Add another, or leave in_turn out.")
    elif said is not None:
        name = one.variants[said].name
        fault = (f"variants.{said}", f"{name} comes by its place in the list, not by when", "Leave when out.")
    else:
        fault = fault or _member_fault(one)
    if fault is None:
        return [((Range(at, at),),) for at in range(several)]
    key, text, remedy = fault
    r.note(places.get(key, one.place), "turn-unfit", where, text, remedy)
    return [None]


def _teller_fault(tellers: tuple[Slot, ...], several: int) -> tuple[str, str, str] | None:
    """What keeps these slots from telling whose turn it is: the key where that is written, what is wrong, and the remedy."""
    if len(tellers) != 1:
        what = f"{len(tellers)} fields" if tellers else "what is outside the frame"
        return (
            "told_by",
            f"one sequence tells whose turn it is, not {what}",
            "Name the field that has role: sequence.",
        )
    (slot,) = tellers
    if slot.role is None or slot.role.name != "sequence":
        has = "no role" if slot.role is None else f"role: {slot.role.name}"
        return (
            "told_by",
            f"{slot.address} has {has}, so it counts no frames",
            f"Give {slot.address} role: sequence.",
        )
    modulus = slot.role.modulus or 1 << slot.width
    if modulus % several:
        text = f"{several} variants do not take turns evenly: {slot.address} wraps at {modulus}, no multiple of {several}"
        most = modulus - modulus % several
        wrap = f"Give {slot.address} modulus: {most}, or have" if most else "Have"
        return "in_turn", text, f"{wrap} a number of variants that divides {modulus}."
    return None


def _member_fault(one: Field) -> tuple[str, str, str] | None:
    """What in a variant has a size that hangs on where it stands, or that something tells."""
    for at, variant in enumerate(one.variants):
        unfit = next(
            (inner for inner in _inside(variant.fields) if inner.kind in _UNFIT or inner.up_to), None
        )
        if unfit is not None:
            what = "fills up to a boundary" if unfit.up_to else f"is of kind {unfit.kind}"
            text = f"{unfit.name} in {variant.name} {what}; fields, groups and lists of fixed size take turns"
            return (
                f"variants.{at}",
                text,
                "Leave it out: narrower variants are filled." if unfit.up_to else "Move it out.",
            )
    return None


def _inside(fields: tuple[Field, ...]) -> Iterator[Field]:
    for one in fields:
        yield one
        yield from _inside(one.fields)


def completed(r: Resolver, one: Field, into: Container, scope: Scope, style: Style, address: str) -> Field:
    """Return the field with its narrower variants completed by reserved bits; one that varies in size is noted."""
    saved, sizes = r.snapshot(), []
    for variant in one.variants:
        inside = Container(
            r.next_node, replace(into.cursor, low=0, high=0), f"{address}.{variant.name}.", r.next_node()
        )
        inside.start = into.start
        r.place_all(variant.fields, inside, Scope(scope), style, ())
        inside.close(ends_in_run=True)
        sizes.append((inside.cursor.low, inside.cursor.high))
    whole = r.placed
    r.restore(saved)
    if not whole:
        return one  # what is amiss is noted where they are laid out
    for at, (variant, (low, high)) in enumerate(zip(one.variants, sizes, strict=True)):
        if low != high:
            text = f"{variant.name} varies in size, and what takes turns has one size"
            remedy = "Move what varies out of the variants, or give it a fixed number of bits."
            r.note(one.places[f"variants.{at}"], "turn-unfit", r.full(address), text, remedy)
            return one
    widest, all_bits = max(low for low, _ in sizes), sum(low for low, _ in sizes)
    says = f"{len(sizes)} variants of {all_bits} bits in all"
    r.gains.append(Gain(address, "in_turn", widest, all_bits, says, len(sizes)))
    made = [_filled(variant, widest - low) for variant, (low, _) in zip(one.variants, sizes, strict=True)]
    return replace(one, variants=tuple(made))


def _filled(variant: Variant, bits: int) -> Variant:
    """Return the variant with so many zero bits behind its fields, under the next names that reserved bits without one would have."""
    taken = {one.name for one in variant.fields}
    names = ("reserved" if at == 1 else f"reserved_{at}" for at in range(1, len(taken) + bits + 2))
    free = (name for name in names if name not in taken)
    fields = list(variant.fields)
    while bits:
        width = min(bits, _WIDEST)
        fields.append(Field(next(free), "reserved", variant.place, named=False, bits=width))
        bits -= width
    return replace(variant, fields=tuple(fields))
