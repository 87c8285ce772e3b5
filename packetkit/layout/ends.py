"""What runs to the end of its part, and what follows it there: trailers, worked out from the part's end backwards once it is complete.

What follows must have a size that is known, or the end would not tell how much there is. Faults are noted and never raised.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from packetkit.layout.model import (
    Branch,
    Choice,
    Fill,
    Joined,
    Node,
    Optional,
    Range,
    Repeat,
    Run,
    fixed_size,
)

if TYPE_CHECKING:
    from packetkit.layout.resolve import Resolver


@dataclass(slots=True)
class Behind:
    """What follows a node in its part: bits of fixed size, fills, and the first that varies otherwise."""

    bits: int = 0
    fills: list[Fill] = field(default_factory=list)
    varies: Node | None = None  # nothing that runs to the end may stand before it
    remains: bool = True  # ... but what asks whether bytes remain may, as all that varies asks that too

    def and_before(self, node: Node) -> Behind:
        """What follows the node before this one."""
        if isinstance(node, Fill):
            return replace(self, fills=[*self.fills, node])
        size = fixed_size(node)
        if size is not None:
            return replace(self, bits=self.bits + size)
        asks = isinstance(node, Optional) and node.by is None
        to_end = isinstance(node, Repeat) and node.runs_to_end
        return replace(self, varies=node, remains=self.remains and (asks or to_end))


def with_trailers(r: Resolver, nodes: tuple[Node, ...], behind: Behind | None = None) -> tuple[Node, ...]:
    """The nodes of a part, each that runs to its end with the bits that follow it there; faults are noted."""
    behind = behind or Behind()
    made: list[Node] = []
    for node in reversed(nodes):
        if (isinstance(node, Repeat) and node.runs_to_end) or (
            isinstance(node, Optional) and node.by is None
        ):
            _judge(r, node, behind)
            made.append(replace(node, trailer_bits=behind.bits))
        elif isinstance(node, Choice):
            known = tuple(
                replace(branch, body=with_trailers(r, branch.body, behind)) for branch in node.branches
            )
            made.append(replace(node, branches=known, unknown=_unknown(r, node, behind)))
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
            hidden = "1 bit" if node.minimum_bits == 1 else f"{node.minimum_bits} bits"
            text = f"a fill of up to {fill.unit_bits - 1} bits can hide an element of {hidden}"
            remedy = "Use a count, or larger elements."
            if isinstance(node, Optional):
                text, remedy = "a fill behind it can look like it", "Put the fill into it."
            r.note(place, "to-end-ambiguous", where, text, remedy)
    if behind.varies is not None and not (isinstance(node, Optional) and behind.remains):
        after = getattr(behind.varies, "address", "")
        text = f"{after} varies in size, so nothing tells where this {'repeat' if isinstance(node, Repeat) else 'field'} before it ends"
        r.note(place, "to-end-last", where, text, f"Use a count, or put {after} before it.")


def _unknown(r: Resolver, node: Choice, behind: Behind) -> Branch | None:
    """The branch of codes that no variant has: octets, or bits where the part's end leaves no whole octets for them."""
    branch = node.unknown
    if branch is None or behind.varies is not None or node.number not in r.since:
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
