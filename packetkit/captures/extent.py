"""How long the frame is that bytes begin with, and where its parts start, read from nothing but what decides that.

The walker gives the same sizes, but reads every slot on the way; a search through junk asks this at every
place where constants agree.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from packetkit.codec import bits
from packetkit.errors import BadCount, ShortFrame
from packetkit.layout.model import Fill, Layout, Node, Optional, Repeat, Run, Slot, walk


@dataclass(slots=True)
class Extent:
    """A frame's size and where its nodes start (the last time each was met), in bits."""

    size: int = 0
    starts: dict[int, int] = field(default_factory=dict)


class Measure:
    """Measures frames of one layout."""

    def __init__(self, layout: Layout) -> None:
        self._layout = layout
        asked = {node.counted_by for node in layout.walk() if isinstance(node, Repeat)}
        asked |= {node.by for node in layout.walk() if isinstance(node, Optional)}
        self._telling = {
            node.number: telling
            for node in layout.walk()
            if isinstance(node, Run) and (telling := _telling(node, asked))
        }
        self._uniform = {
            node.number
            for node in layout.walk()
            if isinstance(node, Repeat)
            and node.minimum_bits == node.maximum_bits
            and not any(inner.number in self._telling for inner in walk(node.element))
        }

    def of(self, data: bytes) -> Extent:
        """Return the extent of the frame that the bytes begin with. Raises ShortFrame or BadCount."""
        made = Extent()
        made.size = self._nodes(self._layout.nodes, 0, data, {}, made.starts)
        if made.size > len(data) * 8:
            raise self._short(data)
        return made

    def _short(self, data: bytes) -> ShortFrame:
        return ShortFrame(f"{self._layout.name}: {len(data)} bytes end before the frame does")

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
                at += -at % node.unit_bits
            elif isinstance(node, Repeat):
                at = self._repeat(node, at, data, raws, starts)
            elif any(raws[node.by] in codes for codes in node.codes):
                at = self._nodes(node.body, at, data, raws, starts)
        return at

    def _read(self, run: Run, at: int, data: bytes, raws: dict[int, int]) -> None:
        if at + run.size_bits > len(data) * 8:
            raise self._short(data)
        for slot in self._telling[run.number]:
            raw = bits.raw_of(slot, bits.read(data, run.packing, at, slot.offset_bits, slot.width))
            if slot.maximum_count is not None and raw > slot.maximum_count:
                raise BadCount(f"{slot.address} is {raw}, but the schema allows {slot.maximum_count} at most")
            raws[slot.number] = raw

    def _repeat(
        self, node: Repeat, at: int, data: bytes, raws: dict[int, int], starts: dict[int, int]
    ) -> int:
        if node.count is not None:
            count = node.count
        elif node.counted_by is not None:
            count = raws[node.counted_by]
        else:
            count = max(0, len(data) * 8 - node.trailer_bits - at) // node.minimum_bits
        if at + count * node.minimum_bits > len(data) * 8:
            raise self._short(data)
        if node.number in self._uniform:
            return at + count * node.minimum_bits
        for _ in range(count):
            at = self._nodes(node.element, at, data, raws, starts)
        return at


def _telling(run: Run, asked: set[int | None]) -> tuple[Slot, ...]:
    """The slots of a run that decide how long the frame is."""
    return tuple(slot for slot in run.slots if slot.number in asked or slot.maximum_count is not None)
