"""What is said of a part of the layout that a target was not taught, in the words of the language rather than of its attributes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from packetkit.layout.model import Run, tellers

# By the name of a class of the layout, or of an attribute.
WORDS: Mapping[str, str] = {
    "Measured": "parts that a length measures",
    "Choice": "variants",
    "Continued": "numbers of as many octets as they need",
    "own_end": "lists whose elements say which is the last",
    "several_sizes": "elements of several sizes up to an end",
    "ones_in_lists": "ones in a list",
    "residue": "a number that starts within an octet",
    "calendar": "a time in years, months and days",
    "trailers": "an end before what is not always there",
    "told_in_option": "presence told in an option",
    "front": "checks that are fed with fields",
    "initial": "registers that start from a field",
    "zero_as_ones": "zero that is sent as all ones",
    "not_computed": "checks that were not computed",
    "as_fits": "as many as fit into an element",
    "not_counted": "octets that a length does not count",
}


def told_by_varying(layout: Any) -> Iterator[str]:
    """Yield the addresses of parts of which a number of varying size tells; their codes are not the numbers that members are."""
    for node in layout.walk():
        told = () if isinstance(node, Run) else tellers(node)
        if any(
            layout.slots[number].is_continued and layout.slots[number].kind == "number"
            for number in told
            if number >= 0
        ):
            yield address_of(node, layout.name)


VARYING_TELLER = "what tells of it is a number of varying size"


def address_of(node: Any, otherwise: str) -> str:
    """Return the address of a part: of the one field that it is, or its own; otherwise what is given."""
    slot = getattr(node, "slot", None)
    return str(slot.address if slot is not None else getattr(node, "address", otherwise))
