"""Numbers of varying size: a node of their own, as what follows them has no constant place.

Those of octets start on a whole one, so that their octets are octets of the frame under any packing; those whose first bits say their
size start anywhere in an octet, with its high bit first. What hangs on a place that is known before
a frame is read (words, runs) cannot hold one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from packetkit.errors import counted
from packetkit.layout.coding import CODINGS
from packetkit.layout.model import Continued
from packetkit.layout.places import Container, Cursor, Phase, Scope, Style
from packetkit.layout.slots import Packing, Slot
from packetkit.schema.model import Field

if TYPE_CHECKING:
    from packetkit.layout.resolve import Resolver

_OCTET = 8


def place(r: Resolver, one: Field, slot: Slot, into: Container, scope: Scope, style: Style) -> None:
    """Place a number of varying size; noted where it cannot stand."""
    over = into.cursor.phase.within(_OCTET)
    sizes = CODINGS[slot.coding].sizes(slot.width)
    by_first_bits = CODINGS[slot.coding].first is not None
    if style.packing.word_bits or scope.split is not None:
        text = "it varies in size, and its group counts bits from its start"
        remedy = "Move it out of the group of words, or of runs."
    elif by_first_bits and style.packing is not Packing.MOST:
        text = "its first bits are the high ones of an octet, and the packing is another"
        remedy = "Put it into a group with packing: most_significant_first."
    elif by_first_bits and over is None:
        text = "it starts at a place in a byte that is not always the same"
        remedy = "Put reserved bits, up_to: byte, before it."
    elif over != 0 and not by_first_bits:
        where = (
            "at a place that is not always a whole byte"
            if over is None
            else f"{counted(over, 'bit')} into a byte"
        )
        text, remedy = f"it has octets of its own, and starts {where}", "Put reserved bits before it."
    else:
        into.close_run()
        start = into.cursor
        high = None if start.high is None else start.high + sizes[-1]
        grown = Phase(_OCTET, sizes[0] % _OCTET)
        phase = Phase(_OCTET, ((over or 0) + sizes[0]) % _OCTET)
        after = Cursor(None, phase, start.origin, start.grown.and_then(grown), start.low + sizes[0], high)
        into.add_node(Continued(r.next_node(), start.at, slot, over or 0), after)
        return
    r.note(one.places.get("coding", one.place), "coding-unfit", r.full(slot.address), text, remedy)
    r.placed = False
