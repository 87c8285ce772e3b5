"""What the fields of one frame have to do with each other, found out once: who asks for whose code, and where checks can be computed.

construct goes through a frame once, in order, and forgets a group that is over. So a code that something behind it asks for, and a start
that a check's span needs, are known beforehand, and a check that covers what comes after it is put off.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from packetkit.codec.constructs.groups import Group, container_of, inner
from packetkit.layout.model import Layout, Optional, Repeat, Run, walk
from packetkit.layout.slots import Packing, Slot


@dataclass(frozen=True, slots=True)
class Place:
    """Where something lies in a record: what is around it, outermost first, and its path in the innermost.

    swapped: it is in a group whose bits lie in another order than the frame's.
    """

    around: tuple[Repeat | Optional, ...]
    path: tuple[str, ...]
    swapped: bool


@dataclass(slots=True)
class Plan:
    """A layout's tree, with what its fields have to do with each other.

    asked: slots whose raw codes others ask for. marked: nodes whose start a check's span needs to know.
    late: check slots that cannot be computed where they stand, with the node at whose end they can (-1: the frame).
    """

    layout: Layout
    root: Group = field(init=False)
    slots: dict[int, Place] = field(default_factory=dict)
    nodes: dict[int, Place] = field(default_factory=dict)
    asked: set[int] = field(default_factory=set)
    counted: dict[int, list[Repeat]] = field(default_factory=dict)
    governed: dict[int, list[Optional]] = field(default_factory=dict)
    raising: dict[int, list[Slot]] = field(default_factory=dict)
    marked: set[int] = field(default_factory=set)
    late: dict[int, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.root = container_of(self.layout, Packing.MOST)
        self.look(self.root, (), (), False)
        for slot in self.layout.slots:
            if slot.raises is not None:
                self.raising.setdefault(slot.raises, []).append(slot)
            for span in slot.check.spans if slot.check else ():
                self.marked |= {mark.node for mark in span if mark.at is None}
        for check in self.layout.check_order:
            self.place_check(self.layout.slots[check])

    def look(
        self, group: Group, around: tuple[Repeat | Optional, ...], path: tuple[str, ...], swapped: bool
    ) -> None:
        """Note where everything in a group lies, and which slots its repeats and optionals ask for."""
        swapped = swapped or group.packing is not self.root.packing
        for member in group.members:
            here = (*path, member.key) if member.key else path
            if isinstance(member, Group):
                self.look(member, around, here, swapped)
                continue
            place = Place(around, here, swapped)
            node = member.node
            self.nodes.setdefault(node.number, place)
            if member.slot is not None:
                self.slots[member.slot.number] = place
            if isinstance(node, Optional) and node.by is not None:
                self.governed.setdefault(node.by, []).append(node)
                self.asked.add(node.by)
            elif isinstance(node, Repeat) and node.counted_by is not None:
                self.counted.setdefault(node.counted_by, []).append(node)
                self.asked.add(node.counted_by)
            if isinstance(node, (Repeat, Optional)):
                self.look(container_of(node, group.packing), (*around, node), (), swapped)

    def place_check(self, slot: Slot) -> None:
        """Decide where a check is computed: where it stands, at the end of what is around it, or of the frame."""
        assert slot.check is not None
        around = self.slots[slot.number].around
        home = around[-1].number if around else -1
        run = self.run_of(slot).number
        # Where other checks in its span get their values, if that is still to come when this one is met.
        enclosing = {node.number for node in around} | {-1}
        awaited = {self.late[other] for other in self.covered(slot) if other in self.late} & enclosing
        ends = [(end.node, end.bits) for _, end in slot.check.spans]
        has_passed = all(node >= 0 and (node, bits) <= (run, slot.offset_bits) for node, bits in ends)
        if slot.check.own is None and not awaited and has_passed:
            return
        inside = {node.number for node in walk(inner(around[-1]))} if around else set()
        ends_here = all(node in inside or 0 <= node <= run for node, _ in ends)
        self.late[slot.number] = home if awaited <= {home} and ends_here else -1

    def covered(self, check: Slot) -> Iterator[int]:
        """The numbers of the other check slots in a check's spans."""
        assert check.check is not None
        spans = [((start.node, start.bits), (end.node, end.bits)) for start, end in check.check.spans]
        for slot in self.layout.slots:
            at = (self.run_of(slot).number, slot.offset_bits) if slot.check and slot is not check else None
            if at is not None and any(start <= at and (end[0] < 0 or at < end) for start, end in spans):
                yield slot.number

    def run_of(self, slot: Slot) -> Run:
        return next(node for node in self.layout.walk() if isinstance(node, Run) and slot in node.slots)
