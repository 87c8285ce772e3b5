"""What a frame that varies takes, worked out before anything is written: so an encoder needs no more room than the frame.

On the way everything is refused that would reach beyond a list's room in the record: counts, lists to an end, computed counts. That is done
in an unchecked build too.
"""

from __future__ import annotations

from packetkit.layout.model import Choice, Continued, Fill, Measured, Node, Optional, Repeat, Run, slots_of
from packetkit.layout.model import walk as walk_nodes
from packetkit.layout.slots import Slot
from packetkit.targets.c import continued, first_bits
from packetkit.targets.c.frame import FrameCode
from packetkit.targets.c.record import grain, is_member, joined
from packetkit.targets.c.walk import Walk
from packetkit.targets.c.words import Page, number, size_for


def define(page: Page, frame: FrameCode) -> None:
    """Write the part of an encoder that refuses what there is no room for; leaves `at` at 0."""
    with page.block(""):
        RoomWalk(frame, page).nodes(frame.layout.nodes, "r->")
        octets = "at >> 3" if grain(frame.layout.nodes, frame.record.sizes) % 8 == 0 else "(at + 7) >> 3"
        page.add(f"*size = (size_t)({octets});")
    with page.block("if (capacity < *size)"):
        page.add(f"return {frame.upper}_NO_ROOM;")
    page.add("memset(d, 0, *size);", "at = 0;")


def count_limits(frame: FrameCode, slot: Slot) -> list[str]:
    """Return the limits of a count that its type does not keep by itself: the schema's, its width's, and those of the lists it counts."""
    top = (1 << size_for(slot.width)) - 1
    declared = (
        slot.raw_limits[1] if slot.maximum_count is None else min(slot.maximum_count, slot.raw_limits[1])
    )
    limits = [number(declared)] if declared < top else []
    for node in frame.layout.walk():
        if isinstance(node, Repeat) and node.counted_by == slot.number:
            capacity = frame.record.capacities[node.number]
            if not capacity.isdigit():
                limits.append(capacity)
            elif int(capacity) < declared:
                limits.append(number(int(capacity)))
    return limits


def refuse_count(page: Page, frame: FrameCode, slot: Slot, value: str) -> None:
    """Write what refuses a count that is too large, even where nothing else is checked."""
    for limit in count_limits(frame, slot):
        with page.block(f"if ({value} > {limit})"):
            page.add(f"return {frame.fields[slot.number]};")


class RoomWalk(Walk):
    """Counts a frame's bits. waiting: constant ones that are not in `at` yet."""

    def __init__(self, frame: FrameCode, page: Page) -> None:
        super().__init__(frame, page)
        self.waiting = 0
        self.wanted = -1  # the measured part whose size is asked for

    def flush(self) -> None:
        """Bring `at` to where we are."""
        if self.waiting:
            self.page.add(f"at = ({self.frame.record.bits})(at + {number(self.waiting)});")
            self.waiting = 0

    def flush_before(self, node: Node) -> None:
        """Bring `at` to where we are before a way that is not always gone once, where a fill on it asks for that."""
        if any(isinstance(one, Fill) for one in walk_nodes((node,))):
            self.flush()

    def settle(self, at: int | None) -> None:
        pass

    def inner(self, nodes: tuple[Node, ...], prefix: str) -> None:
        for node in nodes:
            if node.number in self.filled:
                self.flush()
                if isinstance(node, Fill) or node.at is None:
                    self.page.add(f"const {self.frame.record.bits} n{node.number} = at;")
            self.sum_up(node)
            self.node(node, prefix)

    def nodes(self, nodes: tuple[Node, ...], prefix: str) -> None:
        """Count what may be absent, or there several times, by itself."""
        outer, self.waiting = self.waiting, 0
        super().nodes(nodes, prefix)
        self.flush()
        self.waiting = outer

    def run(self, run: Run, prefix: str) -> None:
        for slot in run.slots:
            if slot.kind == "count":
                refuse_count(self.page, self.frame, slot, joined(prefix, slot.path))

    def continued(self, node: Continued, prefix: str) -> None:
        slot, kind = node.slot, self.frame.record.bits
        value = joined(prefix, slot.path) if is_member(slot) else measured_before(self, node, prefix)
        if slot.kind == "count":
            refuse_count(self.page, self.frame, slot, value)
        bits = f"8U * {continued.counted(self.frame, slot, value)}"
        if first_bits.coding_of(self.frame, slot) is not None:
            bits = f"{first_bits.call(self.frame, slot, 'size')}({value})"
        self.page.add(f"at = ({kind})(at + {bits});")

    def measured(self, node: Measured, prefix: str) -> None:
        if node.number != self.wanted:
            super().measured(node, prefix)
            return
        self.flush()
        kind, start = self.frame.record.bits, f"m{node.number}"
        self.page.add(f"const {kind} {start} = at;")
        super().measured(node, prefix)
        self.flush()
        self.page.add(f"v{node.by} = (uint32_t)(at - {start});")

    def advance(self, run: Run) -> None:
        self.waiting += run.size_bits

    def over_fill(self, node: Fill) -> None:
        self.flush()
        super().over_fill(node)

    def option(self, node: Optional, prefix: str) -> None:
        self.flush_before(node)
        super().option(node, prefix)

    def choice(self, node: Choice, prefix: str) -> None:
        self.flush_before(node)
        super().choice(node, prefix)

    def no_variant(self, node: Choice) -> None:
        self.page.add(f"return {self.frame.fields[node.address]};")

    def list(self, node: Repeat, prefix: str) -> None:
        size = node.minimum_bits if node.minimum_bits == node.maximum_bits else None
        is_gone_through = size is None or node.own_end is not None or self.frame.sums(node)
        if size is not None and node.count is not None and not is_gone_through:
            self.waiting += node.count * size
            return
        if size is None or is_gone_through or _counts(node.element):
            self.flush_before(node)
            super().list(node, prefix)
            return
        if node.counted_by is not None:
            count = self.known[node.counted_by]
        elif node.factors:
            count = f"c{node.number}"
            self.page.add(f"const uint32_t {count} = {self.product(node)};")
        else:
            count = self.beside(node, prefix)
        self.before_list(node, count)
        kind = self.frame.record.bits
        self.page.add(f"at = ({kind})(at + ({kind}){count} * {number(size)});")

    def too_many(self, node: Repeat, index: str) -> bool:
        refuse_last(self.page, self.frame, node, index)
        return True

    def before_list(self, node: Repeat, count: str) -> None:
        if node.runs_to_end or node.factors:
            with self.page.block(f"if ({count} > {self.frame.record.capacities[node.number]})"):
                self.page.add(f"return {self.frame.upper}_NO_ROOM;")


def measured_before(walk: Walk, node: Continued, prefix: str) -> str:
    """Write what works out a length that goes on, before what it measures is put: its own size follows from it. Return its variable.

    What it measures counts from its own start, whatever stands before it, so it is gone through once from here.
    """
    frame, page, number_of = walk.frame, walk.page, node.slot.number
    part = frame.sizing[number_of]
    page.add(f"uint32_t v{number_of} = 0;")
    with page.block(""):
        page.add(f"const {frame.record.bits} here = at;")
        way = RoomWalk(frame, page)
        way.wanted, way.depth = part.number, walk.depth
        way.known, way.there, way.inside = dict(walk.known), dict(walk.there), list(walk.inside)
        way.sums = set(walk.sums)
        behind = frame.behind[node.number]
        last = next(at for at, one in enumerate(behind) if any(inner is part for inner in walk_nodes((one,))))
        way.inner(behind[: last + 1], prefix)
        page.add("at = here;")
        units = f"v{number_of} / {part.unit_bits}" if part.unit_bits > 1 else f"v{number_of}"
        less = f" {'-' if part.less > 0 else '+'} {number(abs(part.less))}" if part.less else ""
        if part.not_counted is not None:
            page.add(f"v{number_of} = {counted_bits(walk, part, f'v{number_of}')};")
        walk.unfit(part, f"v{number_of}")
        if part.unit_bits > 1 or less:
            page.add(f"v{number_of} = {units}{less};")
    return f"v{number_of}"


def counted_bits(walk: Walk, part: Measured, bits: str) -> str:
    """Write what takes off the bits that a length does not count, and refuses such as are neither; return those that it counts."""
    assert part.not_counted is not None
    every, octets = (8 * one for one in part.not_counted)
    walk.page.add(f"const uint32_t rest = {bits} % {number(every + octets)};")
    walk.page.add(f"const uint32_t more = rest > {number(octets)} ? rest - {number(octets)} : 0;")
    walk.odd(part, "more == 0 && rest != 0")
    return f"(uint32_t){bits} / {number(every + octets)} * {number(every)} + more"


def refuse_last(page: Page, frame: FrameCode, node: Repeat, index: str) -> None:
    """Write what refuses elements of which none is the last, before there is no more room for them."""
    assert node.own_end is not None
    with page.block(f"if ({index} == {frame.record.capacities[node.number]})"):
        page.add(f"return {frame.fields[node.own_end.by]};")


def _counts(nodes: tuple[Node, ...]) -> bool:
    """Whether something in these nodes is a count that must be held against its list's room."""
    return any(slot.kind == "count" for node in walk_nodes(nodes) for slot in slots_of(node))
