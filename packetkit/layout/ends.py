"""What runs to the end of its part, and what follows it there: trailers, worked out from the part's end backwards once it is complete.

What follows must have a size that is known, or the end would not tell how much there is. Faults are noted and never raised.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from packetkit.errors import counted
from packetkit.layout.model import (
    Branch,
    Choice,
    Fill,
    Node,
    Optional,
    Repeat,
    Run,
    Trailer,
    fixed_size,
    slots_of,
    walk,
)
from packetkit.layout.slots import Joined, Range

if TYPE_CHECKING:
    from packetkit.layout.resolve import Resolver


@dataclass(slots=True)
class Behind:
    """What follows a node in its part: bits of fixed size, fills, and the first that varies otherwise."""

    bits: int = 0
    told: tuple[Trailer, ...] = ()  # bits that codes before them say to be there, or not
    fills: list[Fill] = field(default_factory=list)
    varies: Node | None = None  # nothing that runs to the end may stand before it
    remains: bool = True  # ... but what asks whether bytes remain may, as all that varies asks that too

    def and_before(self, node: Node) -> Behind:
        """What follows the node before this one."""
        if isinstance(node, Fill):
            return replace(self, fills=[*self.fills, node])
        size = _size(node)
        if size is not None:
            return replace(self, bits=self.bits + size[0], told=(*self.told, *size[1]))
        asks = isinstance(node, Optional) and node.by is None
        to_end = isinstance(node, Repeat) and node.runs_to_end
        return replace(self, varies=node, remains=self.remains and (asks or to_end))


def _size(node: Node) -> tuple[int, tuple[Trailer, ...]] | None:
    """The bits of what follows: those that are always there, and those that codes tell of; None where it varies otherwise."""
    bits = fixed_size(node)
    if bits is not None:
        return bits, ()
    if isinstance(node, Optional) and node.by is not None:
        forms: tuple[tuple[tuple[int, ...], tuple[tuple[Range, ...], ...], tuple[Node, ...]], ...]
        forms = (((node.by,), (node.codes,), node.body),)
    elif isinstance(node, Choice) and node.told_by and node.unknown is None and not node.turn:
        forms = tuple((node.told_by, branch.codes, branch.body) for branch in node.branches)
    else:
        return None
    made: list[Trailer] = []
    for tellers, codes, body in forms:
        told = tuple(zip(tellers, codes, strict=True))
        sizes = [_size(inner) for inner in body]
        known = [size for size in sizes if size is not None]
        if len(known) < len(sizes):
            return None
        made.append(Trailer(sum(size for size, _ in known), told))
        made += (replace(one, told=(*told, *one.told)) for _, inner in known for one in inner)
    return 0, tuple(one for one in made if one.bits)


def _first(node: Node) -> int:
    """The number of the first slot in a node."""
    return min(slot.number for inner in walk((node,)) for slot in slots_of(inner))


def _runs_to_end(node: Node) -> bool:
    """Whether the end of its part tells how much of a node there is."""
    if isinstance(node, Choice):
        return any(_runs_to_end(inner) for branch in node.branches for inner in branch.body)
    return (isinstance(node, Repeat) and node.runs_to_end) or (isinstance(node, Optional) and node.by is None)


def _as_fits(node: Node) -> bool:
    return isinstance(node, Repeat) and node.as_fits


def with_trailers(
    r: Resolver, nodes: tuple[Node, ...], behind: Behind | None = None, *, ended: bool = False
) -> tuple[Node, ...]:
    """The nodes of a part, each that runs to its end with the bits that follow it there; faults are noted.

    ended: something before them runs to the end, so that variants among them are none but those that are declared.
    """
    behind = behind or Behind()
    made: list[Node] = []
    for at, node in reversed(tuple(enumerate(nodes))):
        if isinstance(node, (Repeat, Optional)) and _runs_to_end(node):
            _judge(r, node, behind)
            node = replace(node, trailer_bits=behind.bits, trailers=behind.told)
            if isinstance(node, Repeat) and any(_as_fits(inner) for inner in walk(node.element)):
                node = replace(node, element=with_trailers(r, node.element, behind))
            made.append(node)
        elif isinstance(node, Choice):
            ended_here = ended or any(map(_runs_to_end, nodes[:at]))
            known = tuple(
                replace(branch, body=with_trailers(r, branch.body, behind, ended=ended_here))
                for branch in node.branches
            )
            unknown = None if ended_here else _unknown(r, node, behind)
            node = replace(node, branches=known, unknown=unknown)
            made.append(node)
        else:
            made.append(node)
        behind = behind.and_before(node)
    return tuple(reversed(made))


def _judge(r: Resolver, node: Repeat | Optional, behind: Behind) -> None:
    """Note whatever keeps the end of a part from telling how much there is."""
    one, where = r.to_ends[node.number]
    place = one.places.get("present_when" if isinstance(node, Optional) else "repeat", one.place)
    place = one.places.get("length", place) if one.kind in ("text", "bytes") else place
    stripped = isinstance(node, Repeat) and node.joined is not None and node.joined.fill == 0
    for fill in behind.fills if not stripped else ():  # zero bits are characters that are stripped again
        if fill.unit_bits > node.minimum_bits or isinstance(node, Optional):
            hidden = counted(node.minimum_bits, "bit")
            text = f"a fill of up to {fill.unit_bits - 1} bits can hide an element of {hidden}"
            remedy = "Use a count, or larger elements."
            if isinstance(node, Optional):
                text, remedy = "a fill behind it can look like it", "Put the fill into it."
            r.note(place, "to-end-ambiguous", where, text, remedy)
    teller = next((by for each in behind.told for by, _ in each.told if by > _first(node)), None)
    what = "repeat" if isinstance(node, Repeat) else "field"
    if teller is not None:
        told = r.slots[teller].address
        text = f"{told} says how much follows and stands behind this {what}, so nothing tells where it ends"
        r.note(place, "to-end-last", where, text, f"Put {told} before it, or use a count.")
    if behind.varies is not None and not (isinstance(node, Optional) and behind.remains):
        after = getattr(behind.varies, "address", "")
        text = f"{after} varies in size, so nothing tells where this {what} before it ends"
        r.note(place, "to-end-last", where, text, f"Use a count, or put {after} before it.")


def _unknown(r: Resolver, node: Choice, behind: Behind) -> Branch | None:
    """The branch of codes that no variant has: octets, or bits where the part's end leaves no whole octets for them."""
    branch = node.unknown
    if branch is None or behind.varies is not None or behind.told or node.number not in r.since:
        return None
    octets = branch.body[0]
    assert isinstance(octets, Repeat)
    over = r.since[node.number].within(8)
    if over is None:
        return None
    octets, spare = replace(octets, trailer_bits=behind.bits), (over + behind.bits) % 8
    if not spare:
        return replace(branch, body=(octets,))
    run = octets.element[0]
    assert isinstance(run, Run)
    bit = replace(run.slots[0], width=1, legal=(Range(0, 1),))
    single = replace(run, size_bits=1, slots=(bit,))
    bits = replace(
        octets, element=(single,), minimum_bits=1, maximum_bits=1, joined=Joined("bits", spare_bits=spare)
    )
    return replace(branch, body=(bits,))
