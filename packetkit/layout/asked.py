"""Codes with which any frame can be asked for: what a unit packs at its start, and the example of its main loop.

C is written from them and the same frames are judged by them; what would surprise is a slot without an entry, whose code is free.
"""

from __future__ import annotations

from packetkit.layout.model import Choice, Layout, Repeat, without
from packetkit.layout.slots import Range, Slot


def asked_codes(layout: Layout) -> dict[int, list[int]]:
    """Return the codes that a slot gets, by its number: what a tag may have, what means a variant, few for a factor of a count.

    Of what says that an element is the last, the first code says so, and one more does not.
    """
    asked = {slot.number: [one.low for one in slot.codes] for slot in layout.slots if slot.codes}
    for node in layout.walk():
        if isinstance(node, Repeat):
            asked.update({factor.by: [1, 0] for factor in node.factors})
            if node.own_end is not None:
                slot = layout.slots[node.own_end.by]
                others = without(slot.raw_limits, node.own_end.codes)
                asked[slot.number] = _taken_by(slot, node.own_end.codes) + _taken_by(slot, others)
    for node in layout.walk():
        if isinstance(node, Choice):
            for at, by in enumerate(node.told_by):
                asked[by] = [codes.low for branch in node.branches for codes in branch.codes[at]]
    return asked


def _taken_by(slot: Slot, codes: tuple[Range, ...]) -> list[int]:
    """The first of some codes that a slot may have, if any."""
    may = slot.codes or (Range(*slot.raw_limits),)
    both = (max(one.low, other.low) for one in codes for other in may if one.low <= other.high)
    return [code for code in both if any(code in one for one in codes) and any(code in one for one in may)][
        :1
    ]
