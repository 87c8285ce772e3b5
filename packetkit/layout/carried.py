"""Frames carried in others: a group that is a frame by itself, from a whole byte on, and zeros behind it up to the bytes it is given.

Inside it everything that counts from a frame's start counts from its own: spans of checks, and boundaries that are filled up to. The
loader has written its fields out (`schema/envelopes.py`); what is left is to place them, and to prove that they fit.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from packetkit.errors import counted
from packetkit.layout.model import Carried
from packetkit.layout.places import Container, Origin, Part, Phase, Scope, Style
from packetkit.layout.slots import Packing
from packetkit.schema.model import Field

if TYPE_CHECKING:
    from packetkit.layout.resolve import Resolver

_WIDEST = 64  # bits of one reserved field


def starts(r: Resolver, one: Field, into: Container, style: Style, address: str) -> bool:
    """Whether a carried frame may start here; noted where it may not."""
    over = into.cursor.phase.within(8)
    if style.packing.word_bits:
        text, remedy = "it stands in a group of words, whose octets are turned", "Move it out of that group."
    elif over == 0:
        return True
    elif over is None:
        text = "it starts at a place that is not always a byte boundary"
        remedy = "Add - {kind: reserved, up_to: byte} before it."
    else:
        text, remedy = (
            f"it starts {counted(over, 'bit')} into a byte",
            f"Add {counted(8 - over, 'reserved bit')} before it.",
        )
    r.note(one.places["carried"], "carried-unfit", r.full(address), text, remedy)
    r.placed = False
    return False


def place(
    r: Resolver, one: Field, into: Container, scope: Scope, style: Style, path: tuple[str, ...], address: str
) -> None:
    """Place the fields of a carried frame, as those of a frame that starts here."""
    around, outer = into.start, r.parts[-1]
    into.close_run()
    into.start = into.spot()
    start = into.cursor
    into.cursor = replace(start, origin=Origin(start.phase), grown=Phase())
    r.parts.append(Part(outer.number, into.cursor, outer.containers, carried=True))
    r.place_all(one.fields, into, scope, style, path)
    r.parts.pop()
    end, into.start = into.cursor, around
    into.cursor = replace(end, origin=start.origin, grown=start.grown.and_then(end.grown))
    if r.placed:
        most = None if end.high is None or start.high is None else end.high - start.high
        r.carried.append(Carried(address, one.carried, end.low - start.low, most))


def cannot_fill(r: Resolver, one: Field, unit: int, address: str) -> bool:
    """Whether a fill would count from a carried frame's start where that is no whole unit of the frame; then that is noted."""
    part = r.parts[-1]
    if not part.carried or part.start.phase.within(unit) == 0:
        return False
    text = f"it fills up to {unit} bits behind what varies, and the carried frame starts inside such a unit"
    remedy = f"Put reserved bits before the carried frame: {{kind: reserved, up_to: word_{unit}}}."
    r.note(one.places.get("up_to", one.place), "carried-unfit", r.full(address), text, remedy)
    r.placed = False
    return True


def filled(
    r: Resolver, one: Field, into: Container, scope: Scope, style: Style, path: tuple[str, ...], address: str
) -> None:
    """Put zeros behind a carried frame, up to the bytes that it is given; noted where it does not fit them."""
    if one.size_bytes is None or not r.placed or not one.fields:  # nothing in it: that is noted
        return
    held, room = r.carried[-1], one.size_bytes * 8
    where, place = r.full(address), one.places["size_bytes"]
    if held.maximum_bits is None or held.minimum_bits != held.maximum_bits:
        text = f"{held.frame} varies in size, and a place of {one.size_bytes} bytes holds what has one"
        r.note(place, "carried-unfit", where, text, "Leave size_bytes out, or carry a frame of fixed size.")
    elif held.maximum_bits > room:
        size = -(-held.maximum_bits // 8)
        text = f"{held.frame} has {size} bytes, and size_bytes is {one.size_bytes}"
        r.note(place, "carried-unfit", where, text, f"Give it size_bytes: {size}, or shorten {held.frame}.")
    else:
        r.carried[-1] = replace(held, fill_bits=room - held.maximum_bits)
        r.place_all(_zeros(one, room - held.maximum_bits), into, scope, style, path)


def _zeros(one: Field, bits: int) -> tuple[Field, ...]:
    """So many reserved bits, in fields that are named as those without a name are."""
    names = ("reserved" if at == 1 else f"reserved_{at}" for at in range(1, bits + 2))
    free = (name for name in names if name != one.fields[0].name)
    widths = [min(_WIDEST, bits - at) for at in range(0, bits, _WIDEST)]
    return tuple(Field(next(free), "reserved", one.place, named=False, bits=width) for width in widths)


def inner_style(one: Field) -> Style:
    """The packing and octet order of a frame: its own, whatever holds around it."""
    return Style(Packing(one.packing or "most_significant_first"), one.order)
