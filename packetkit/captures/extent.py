"""How long the frame is that bytes begin with, and where its parts start, read from nothing but what decides that.

The walker gives the same sizes, but reads every slot on the way; a search through junk asks this at every
place where constants agree.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from packetkit.codec import bits
from packetkit.errors import BadCount, BadLength, ShortFrame, UnknownVariant, counted
from packetkit.layout.coding import CODINGS
from packetkit.layout.model import (
    Choice,
    Continued,
    Fill,
    Layout,
    Measured,
    Node,
    Optional,
    Repeat,
    Run,
    bits_behind,
    computed_count,
    ones_in_element,
    slots_of,
    tell_ones,
    tellers,
    told_branch,
    walk,
)
from packetkit.layout.size import MAXIMUM_BITS
from packetkit.layout.slots import Packing, Slot

# The longest that a frame can be, whatever its lengths could say (packetkit/layout/size.py).
LONGEST_FRAME = MAXIMUM_BITS // 8


class BeyondFrameError(BadLength):
    """A length that no frame can have: it reaches beyond the bytes that a frame has at most."""


@dataclass(slots=True)
class Extent:
    """A frame's size and where its nodes start (the last time each was met), in bits."""

    size: int = 0
    starts: dict[int, int] = field(default_factory=dict)


class Measure:
    """Measures frames of one layout."""

    def __init__(self, layout: Layout) -> None:
        self._layout = layout
        self._stops: list[int] = []  # where the bytes, and the measured parts around, end; the innermost last
        asked = {number for node in layout.walk() for number in tellers(node)}
        self._telling = {
            node.number: telling
            for node in layout.walk()
            if isinstance(node, Run) and (telling := _telling(node, asked))
        }
        told = {node.by for node in layout.walk() if isinstance(node, Optional) and node.told_in_option}
        self._in_options = {
            node.number: {slot.number for one in walk(node.body) for slot in slots_of(one)} & told
            for node in layout.walk()
            if isinstance(node, Optional)
        }
        self._uniform = {
            node.number
            for node in layout.walk()
            if isinstance(node, Repeat)
            and node.minimum_bits == node.maximum_bits
            and not any(inner.number in self._telling for inner in walk(node.element))
        }

    def of(self, data: bytes) -> Extent:
        """Return the extent of the frame that the bytes begin with. Raises what a frame's structure raises: see the walker."""
        made = Extent()
        self._stops = [len(data) * 8]
        made.size = self._nodes(self._layout.nodes, 0, data, {}, made.starts)
        if made.size > len(data) * 8:
            raise self._short(data)
        return made

    def _short(self, data: bytes) -> ShortFrame:
        return ShortFrame(f"{self._layout.name}: {counted(len(data), 'byte')} end before the frame does")

    def _nodes(
        self, nodes: tuple[Node, ...], at: int, data: bytes, raws: dict[int, int], starts: dict[int, int]
    ) -> int:
        for node in nodes:
            starts[node.number] = at
            if isinstance(node, Run):
                if node.number in self._telling:
                    self._read(node, at, data, raws)
                at += node.size_bits
            elif isinstance(node, Fill):
                at += -(at - starts.get(node.since, 0)) % node.unit_bits
            elif isinstance(node, Continued):
                at = self._continued(node, at, data, raws)
            elif isinstance(node, Repeat):
                at = self._repeat(node, at, data, raws, starts)
            elif isinstance(node, Measured):
                at = self._measured(node, at, data, raws, starts)
            elif isinstance(node, Choice):
                branch = (
                    told_branch(node, [raws[number] for number in node.told_by]) if node.told_by else None
                )
                if branch is None:
                    raise UnknownVariant(f"{node.address} has no variant for its codes")
                at = self._nodes(branch.body, at, data, raws, starts)
            elif self._is_there(node, at, raws):
                at = self._nodes(node.body, at, data, raws, starts)
            else:
                for number in self._in_options.get(node.number, ()):
                    raws.pop(number, None)  # of an element before
        return at

    def _is_there(self, node: Optional, at: int, raws: dict[int, int]) -> bool:
        if node.by is None:
            return self._stops[-1] - bits_behind(node, raws) - at > 0
        if node.told_in_option and node.by not in raws:
            return False
        return any(raws[node.by] in codes for codes in node.codes)

    def _measured(
        self, node: Measured, at: int, data: bytes, raws: dict[int, int], starts: dict[int, int]
    ) -> int:
        """Where a measured part ends: its length may stand in it, and then what runs to its end comes after that."""
        inside = {slot.number for inner in walk(node.body) for slot in slots_of(inner)}
        known = node.by not in inside
        if known:
            self._stops.append(self._end(node, at, raws))
        end = at
        for inner in node.body:
            end = self._nodes((inner,), end, data, raws, starts)
            if not known and node.by in raws:
                known = True
                self._stops.append(self._end(node, at, raws))
        if end != self._stops.pop():
            raise BadLength(f"{node.address or self._layout.name} is not as long as its length says")
        return end

    def _end(self, node: Measured, at: int, raws: dict[int, int]) -> int:
        end = at + node.bits_of(raws[node.by])
        if end > MAXIMUM_BITS:
            what = f"{node.address} of {self._layout.name}" if node.address else self._layout.name
            text = f"{what} ends at {-(-end // 8):,} bytes by its length, beyond the {LONGEST_FRAME:,} bytes that a frame may have"
            raise BeyondFrameError(text)
        if end > self._stops[-1] and len(self._stops) == 1:
            raise ShortFrame(f"{self._layout.name}: the bytes end before {node.address or 'the frame'} does")
        if not at <= end <= self._stops[-1]:
            raise BadLength(f"{node.address} has no room for what its length says")
        return end

    def _read(self, run: Run, at: int, data: bytes, raws: dict[int, int]) -> None:
        if at + run.size_bits > len(data) * 8:
            raise self._short(data)
        for slot in self._telling[run.number]:
            raw = bits.raw_of(slot, bits.read(data, run.packing, at, slot.offset_bits, slot.width))
            if slot.maximum_count is not None and raw > slot.maximum_count:
                raise BadCount(f"{slot.address} is {raw}, but the schema allows {slot.maximum_count} at most")
            raws[slot.number] = raw

    def _continued(self, node: Continued, at: int, data: bytes, raws: dict[int, int]) -> int:
        """Where a number ends that goes on from octet to octet; whatever asks for it is given what it spells."""
        slot, end = node.slot, at + 8
        first = CODINGS[slot.coding].first
        if first is not None:
            form = None
            if at + first.bits <= self._stops[-1]:
                form = first.form_of(bits.read(data, Packing.MOST, at, 0, first.bits))
                if form is None:
                    raise BadLength(f"{slot.address} begins with none of its forms")
            end = at + first.bits + (0 if form is None else form.bits)
        while first is None and end <= self._stops[-1] and data[end // 8 - 1] & 0x80:
            end += 8
        if end > self._stops[-1]:
            raise (
                self._short(data)
                if len(self._stops) == 1
                else BadLength(f"{slot.address} ends behind its part")
            )
        if end - at > slot.width:
            raise BadLength(
                f"{slot.address} goes on after {counted(slot.width // 8, 'octet')}, the most that it has"
            )
        raw = bits.read(data, Packing.MOST, at, 0, end - at)
        number = slot.number_of(raw)
        assert number is not None
        if slot.maximum_count is not None and number > slot.maximum_count:
            raise BadCount(f"{slot.address} is {number}, but the schema allows {slot.maximum_count} at most")
        raws[slot.number] = number if slot.kind in ("count", "length") else raw
        return end

    def _repeat(
        self, node: Repeat, at: int, data: bytes, raws: dict[int, int], starts: dict[int, int]
    ) -> int:
        if node.several_sizes or node.own_end is not None:
            return self._one_by_one(node, at, data, raws, starts)
        if node.count is not None:
            count = node.count
        elif node.counted_by is not None:
            count = raws[node.counted_by]
        elif node.factors:
            count = computed_count(node, raws)
        else:
            count = max(0, self._stops[-1] - bits_behind(node, raws) - at) // node.minimum_bits
            count = min(count, node.maximum or 0) if node.as_fits else count
        if count < 0 or (node.count is None and node.maximum is not None and count > node.maximum):
            raise BadCount(
                f"{node.address} has {counted(count, 'element')}, but the schema allows {node.maximum} at most"
            )
        if at + count * node.minimum_bits > self._stops[-1]:
            raise (
                self._short(data)
                if len(self._stops) == 1
                else BadLength(f"{node.address} is longer than its part")
            )
        if node.number in self._uniform:
            return at + count * node.minimum_bits
        ones = 0
        for _ in range(count):
            at = self._nodes(node.element, at, data, raws, starts)
            ones += ones_in_element(node, raws)
        tell_ones(node, ones, raws)
        return at

    def _one_by_one(
        self, node: Repeat, at: int, data: bytes, raws: dict[int, int], starts: dict[int, int]
    ) -> int:
        """Where elements end that say which is the last, or of which there is one more while it fits."""
        number, goes_on = 0, True
        while goes_on:
            if node.own_end is None and self._stops[-1] - bits_behind(node, raws) - at < node.minimum_bits:
                break
            if number == node.maximum:
                raise BadCount(
                    f"{node.address} goes on after {counted(number, 'element')}, the most that the schema allows"
                )
            if at + node.minimum_bits > self._stops[-1]:
                raise self._short(data)
            at, number = self._nodes(node.element, at, data, raws, starts), number + 1
            goes_on = node.own_end is None or not any(
                raws[node.own_end.by] in codes for codes in node.own_end.codes
            )
        return at


def _telling(run: Run, asked: set[int]) -> tuple[Slot, ...]:
    """The slots of a run that decide how long the frame is."""
    return tuple(slot for slot in run.slots if slot.number in asked or slot.maximum_count is not None)
