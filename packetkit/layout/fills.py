"""Zero bits up to a boundary, and what completes a frame's last byte.

Where their number is constant they are a reserved slot; else a `Fill`, whose width hangs on where it starts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from packetkit.errors import counted
from packetkit.layout import carried
from packetkit.layout.meaning import Meaning
from packetkit.layout.model import Fill
from packetkit.layout.places import Container, Style
from packetkit.layout.slots import Packing
from packetkit.schema.model import Field, Frame

if TYPE_CHECKING:
    from packetkit.layout.resolve import Resolver

BOUNDARIES = {"byte": 8, "word_16": 16, "word_32": 32}


def complete_last_byte(r: Resolver, root: Container, style: Style) -> None:
    """Complete a frame that ends inside a byte, where it says how."""
    if r.frame.last_byte is not None:
        name = filler(r.frame)
        place_fill(
            r,
            Field(name, "reserved", r.frame.place, named=False, up_to="byte"),
            root,
            style,
            (name,),
            name,
        )
    elif r.placed and root.cursor.phase.within(8) != 0:
        last = r.frame.fields[-1].place if r.frame.fields else r.frame.place
        over = root.cursor.phase.within(8)
        how = "does not always end" if over is None else "ends"
        text = (
            f"the frame {how} on a whole byte"
            if over is None
            else f"the frame ends {counted(over, 'bit')} into a byte"
        )
        fits = "{kind: reserved, up_to: byte}" if over is None else f"{{kind: reserved, bits: {8 - over}}}"
        remedy = f"Add - {fits} where the spare bits belong (before a check that ends the frame), or last_byte: zero_filled."
        r.note(last, "not-whole-bytes", r.frame.name, text, remedy)


def filler(frame: Frame) -> str:
    """The name of the bits that complete the last byte, as the loader names bits that have none; empty where there are none."""
    if frame.last_byte is None:
        return ""
    taken = {one.name for one in frame.fields}
    names = ("reserved", *(f"reserved_{k}" for k in range(2, len(taken) + 2)))
    return next(name for name in names if name not in taken)


def place_fill(
    r: Resolver, one: Field, into: Container, style: Style, path: tuple[str, ...], address: str
) -> None:
    """The zero bits of a reserved field that runs up to a boundary."""
    assert one.up_to is not None
    fill_to(r, one, BOUNDARIES[one.up_to], into, style, path, address)


def fill_to(
    r: Resolver, one: Field, unit: int, into: Container, style: Style, path: tuple[str, ...], address: str
) -> None:
    """Zero bits up to a multiple of so many: a reserved slot where their number is constant, else a Fill."""
    strict = bool(one.strict if one.strict is not None else r.frame.strict)
    common = {"kind": "reserved", "strict": strict, "named": one.named, "line": one.place.position.line}
    part = r.parts[-1]
    over = part.since(into.cursor).within(unit)
    if over is not None:
        width = -over % unit
        if width:
            slot = r.new_slot(Meaning(width, common), path, address)
            into.add_slot(slot, style.packing)
        return
    if carried.cannot_fill(r, one, unit, address):
        return
    slot = r.new_slot(Meaning(unit - 1, common), path, address)
    into.close_run()
    number = r.next_node()
    packing = Packing.LEAST if style.packing is Packing.LEAST else Packing.MOST
    since = part.number if part.start.phase.within(unit) != 0 else -1
    start = None if since < 0 else part.start.phase
    into.add_node(Fill(number, unit, slot, packing, since), into.filled(unit, start))
