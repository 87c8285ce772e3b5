"""Numbers that go on from octet to octet: a node of their own, as what follows them has no constant place.

They start on a whole octet, so that their octets are octets of the frame under any packing. What hangs on a place that is known before
a frame is read (words, runs) cannot hold one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from packetkit.layout.model import Continued, Slot
from packetkit.layout.places import Container, Cursor, Phase, Scope, Style
from packetkit.schema.model import Field

if TYPE_CHECKING:
    from packetkit.layout.resolve import Resolver

_OCTET = 8


def place(r: Resolver, one: Field, slot: Slot, into: Container, scope: Scope, style: Style) -> None:
    """Place a number of varying size; noted where it cannot stand."""
    over = into.cursor.phase.within(_OCTET)
    if style.packing.word_bits or scope.split is not None:
        text = "it varies in size, and its group counts bits from its start"
        remedy = "Move it out of the group of words, or of runs."
    elif over != 0:
        where = "at a place that is not always a whole byte" if over is None else f"{over} bits into a byte"
        text, remedy = f"it has octets of its own, and starts {where}", "Put reserved bits before it."
    else:
        into.close_run()
        start = into.cursor
        high = None if start.high is None else start.high + slot.width
        whole = Phase(_OCTET, 0)
        after = Cursor(None, whole, start.origin, start.grown.and_then(whole), start.low + _OCTET, high)
        into.add_node(Continued(r.next_node(), start.at, slot), after)
        return
    r.note(one.places.get("coding", one.place), "coding-unfit", r.full(slot.address), text, remedy)
    r.placed = False
