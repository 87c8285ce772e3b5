"""Codes with which any frame can be asked for: what a unit packs at its start, and the example of its main loop.

C is written from them and the same frames are judged by them; what would surprise is a slot without an entry, whose code is free.
"""

from __future__ import annotations

from packetkit.layout.model import Choice, Layout, Repeat


def asked_codes(layout: Layout) -> dict[int, list[int]]:
    """Return the codes that a slot gets, by its number: what a tag may have, what means a variant, few for a factor of a count."""
    asked = {slot.number: [one.low for one in slot.codes] for slot in layout.slots if slot.codes}
    for node in layout.walk():
        if isinstance(node, Repeat):
            asked.update({factor.by: [1, 0] for factor in node.factors})
    for node in layout.walk():
        if isinstance(node, Choice):
            for at, by in enumerate(node.told_by):
                asked[by] = [codes.low for branch in node.branches for codes in branch.codes[at]]
    return asked
