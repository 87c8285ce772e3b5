"""Values split over separated runs of bits: setting their bits aside in the group, for its other fields to take what is left.

A group with such a value holds single fields of fixed size and nothing else, so that every bit is somebody's and a run never leaves the
group. Bits are counted from the group's start, as its packing counts them.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

from packetkit.errors import counted
from packetkit.layout.places import Container, Scope
from packetkit.layout.slots import Packing
from packetkit.schema.model import Field, Place

_SINGLE = (
    "number",
    "float",
    "states",
    "flag",
    "constant",
    "sync",
    "tag",
    "count",
    "reserved",
    "derived",
    "time",
)
_GROUP = "Put the value and the single fields between its runs into a group of their own."

Tell = Callable[[Field, Place, str, str], None]  # the field, the place, what is wrong, the remedy


def set_aside(fields: tuple[Field, ...], into: Container, scope: Scope, packing: Packing, tell: Tell) -> bool:
    """Set the bits of a group's split values aside, from the group's start on; whether they fit into it and each other."""
    split = [one for one in fields if one.runs]
    for one in fields:
        if one.kind == "check" and one.runs:
            continue
        if one.kind not in _SINGLE or one.up_to is not None or one.repeat or one.present_when:
            what = "varies or holds others" if one.kind in _SINGLE else f"is a {one.kind} field"
            text = f"it {what}, and the bits of {split[0].name} are counted through its group"
            tell(one, one.place, text, _GROUP)
            return False
    run = into.opened(packing)
    scope.split = run.size
    owner: dict[int, str] = {}
    for one in split:
        if not _is_split(one, packing, tell):
            return False
        for bit in (bit for first, width in one.runs for bit in range(first, first + width)):
            if bit in owner:
                text = f"bit {bit} of the group belongs to {owner[bit]} already"
                tell(one, one.places["runs"], text, "Let each bit belong to one run.")
                return False
            owner[bit] = one.name
    run.aside = {run.size + bit for bit in owner}
    return True


def _is_split(one: Field, packing: Packing, tell: Tell) -> bool:
    """Whether a value's runs are apart, as wide as it says, and all that says where its bits lie."""
    place = one.places["runs"]
    total = sum(width for _, width in one.runs)
    bits = counted(total, "bit")
    step = -1 if packing is Packing.LEAST else 1
    for first, second in pairwise(one.runs):
        low, high = (first, second) if step > 0 else (second, first)
        if low[0] + low[1] == high[0]:
            text = f"the runs {list(first)} and {list(second)} go on from one to the other"
            tell(one, place, text, f"Write them as one: [{low[0]}, {low[1] + high[1]}].")
            return False
    if len(one.runs) == 1:
        tell(
            one, place, "one run is not split", "Leave runs out, write bits, and put the field in its place."
        )
    elif one.bits != total:
        tell(one, one.places["bits"], f"its runs have {bits}, not {one.bits}", "Leave bits out.")
    elif one.order is not None:
        text = "order and runs both say which of its bits come first"
        tell(one, one.places["order"], text, "Leave order out.")
    elif one.stored is not None:
        text = "stored and runs both say which of its bits come first"
        tell(one, one.places["stored"], text, "Leave stored out.")
    elif one.kind == "check" and (one.covers is None or one.covers.what == "everything_before"):
        text = "a check split in parts has no one place that everything could be before"
        remedy = "Write covers: with the names of fields or groups, or whole_frame."
        tell(one, one.places.get("covers", place), text, remedy)
    else:
        return True
    return False


def finish(fields: tuple[Field, ...], into: Container, tell: Tell) -> bool:
    """Go past the last bits that are set aside; whether every bit before them is somebody's."""
    free = into.room()
    if free is None:
        return True
    assert into.open is not None
    last = next(one for one in reversed(fields) if one.runs)
    bits = counted(free, "bit")
    text = f"the fields of its group leave {bits} before one of its runs to nobody"
    tell(
        last, last.places["runs"], text, f"Add {{kind: reserved, bits: {free}}}, or the field that is there."
    )
    return False
