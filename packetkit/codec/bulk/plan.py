"""Where every slot of a fixed layout lies, and why a layout cannot be done in columns.

The walker reads one frame of the layout, all zeros but for its constants: what it meets, in its order, is every slot of every
frame, with repeats written out. So no position is computed here a second time.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

from packetkit.codec import bits, reading
from packetkit.codec.bits import Span, Words
from packetkit.codec.tree import Leaf, spans_of
from packetkit.layout.model import Choice, Continued, Layout, Measured, Optional, Repeat
from packetkit.layout.slots import Slot

KINDS = frozenset("number float states flag constant sync tag count reserved check".split())

# Wider codes do not fit a machine word.
WIDEST = 64

# Beyond, a plan of some hundred bytes a slot is not worth keeping: such frames are rare, and walked.
MOST_SLOTS = 10_000


@dataclass(frozen=True)
class Part:
    """Bits that lie side by side: the octets they lie in, in the order of falling weight, and `shift` bits below them in the last."""

    octets: tuple[int, ...]
    shift: int
    width: int


@dataclass(frozen=True)
class Placed:
    """One slot at its place in every frame: its column's name, and its parts, the most significant first."""

    slot: Slot
    name: str
    parts: tuple[Part, ...]
    leaf: Leaf

    @property
    def octets(self) -> tuple[int, ...]:
        """The octets of all parts."""
        return tuple(at for part in self.parts for at in part.octets)


@dataclass(frozen=True)
class Plan:
    """Every slot of a fixed layout, in wire order; words: its runs of words."""

    layout: Layout
    size: int
    placed: tuple[Placed, ...]
    words: tuple[Words, ...]

    def spans(self, placed: Placed) -> tuple[list[Span], list[Span]]:
        """The bits that a check covers, and its own."""
        leaf = placed.leaf
        return spans_of(leaf, self.size * 8), leaf.own

    def mixed(self, placed: Placed) -> Placed | None:
        """The slot that a check is mixed with."""
        check = placed.slot.check
        if check is None or check.mixed is None:
            return None
        order = placed.leaf.scope.leaf(check.mixed).order
        return next(one for one in self.placed if one.leaf.order == order)


def obstacle(layout: Layout) -> str:
    """Return why frames of this layout are decoded one by one, or nothing where they are decoded in columns."""
    if not layout.is_fixed:
        return f"{layout.name} varies in size"
    if not layout.minimum_bits:
        return f"{layout.name} has no bytes"
    for node in layout.walk():
        if isinstance(node, (Measured, Choice, Continued)) or (
            isinstance(node, Repeat) and node.joined is not None
        ):
            address = node.slot.address if isinstance(node, Continued) else node.address
            return f"{address or layout.name} is no field of constant place and form"
        if isinstance(node, Optional) and (node.by is None or not _is_constant(layout.slots[node.by])):
            return f"{node.address} is there in some frames only"
        if isinstance(node, Repeat) and node.count is None:  # fill behind it may keep the frame's size
            return f"{node.address} varies in length"
    for slot in layout.supplied:
        return f"{slot.address} is not sent, but goes into a check"
    return next(filter(None, (_slot_obstacle(layout, slot) for slot in layout.slots)), "")


def _slot_obstacle(layout: Layout, slot: Slot) -> str:
    """Return why a slot has no column, or nothing where it has one."""
    if slot.kind not in KINDS:
        return f"{slot.address} is no number"
    if slot.width > WIDEST:
        return f"{slot.address} has {slot.width} bits"
    if slot.check is not None and not replace(slot.check, mixed=None).is_plain:
        return f"{slot.address} hangs on more than the bits that it covers"
    if slot.tellers:
        return f"{slot.address} means what {layout.slots[slot.tellers[0]].address} says"
    return ""


def _is_constant(slot: Slot) -> bool:
    one = slot.codes[0] if len(slot.codes) == 1 else None
    return one is not None and one.low == one.high


@lru_cache(64)  # a mission's frames, several times over
def plan_of(layout: Layout) -> Plan | None:
    """Return the plan of a layout, None where there is an obstacle."""
    if obstacle(layout):
        return None
    size = layout.minimum_bits // 8
    frame = bytearray(size)
    for _ in range(len(layout.slots) + 1):  # constants that tell of an option may themselves stand in one
        found = reading.read(layout, bytes(frame))
        if not _constants_put(frame, found.leaves):
            break
    if found.failure is not None or found.used != size or len(found.leaves) > MOST_SLOTS:
        return None
    placed = tuple(_placed(leaf) for leaf in found.leaves if leaf.width)
    if len({one.name for one in placed}) != len(placed):
        return None
    return Plan(layout, size, placed, tuple(found.words))


def _constants_put(frame: bytearray, leaves: list[Leaf]) -> bool:
    """Put the constants met so far into a frame; return whether one was not there yet."""
    changed = False
    for leaf in leaves:
        if _is_constant(leaf.slot) and leaf.raw != leaf.slot.codes[0].low:
            code = bits.code_of(leaf.slot, leaf.slot.codes[0].low)
            bits.scatter(frame, leaf.packing, leaf.run_at, leaf.pieces, code)
            changed = True
    return changed


def _placed(leaf: Leaf) -> Placed:
    parts = tuple(
        Part(*bits.octets_of(leaf.packing, leaf.run_at, at, width), width) for at, width in leaf.pieces
    )
    slot = leaf.slot if leaf.slot.width == leaf.width else replace(leaf.slot, width=leaf.width)  # fill
    return Placed(slot, leaf.address, parts, leaf)
