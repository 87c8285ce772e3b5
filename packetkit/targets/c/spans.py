"""What a check covers, as the steps of code that feeds it: stretches of the frame, octets that count as zeros or ones.

Positions are bits after a node's start; where that is not constant, generated code hands it in. Words are resolved here: a part of a run of
words is turned into where its octets lie, relative to the run.
"""

from __future__ import annotations

from dataclasses import dataclass

from packetkit.emit.wire import wire_spans
from packetkit.layout.model import Fill, Layout, Node, Run
from packetkit.layout.slots import Check, Mark, Slot

END = -1  # the node that is the frame's end


@dataclass(frozen=True, slots=True, order=True)
class Point:
    """A bit position: `bits` after the start of a node; node END: the frame's end, and bits is 0."""

    node: int
    bits: int

    @property
    def rank(self) -> tuple[int, int]:
        return (1 << 62 if self.node == END else self.node, self.bits)


@dataclass(frozen=True, slots=True)
class Stretch:
    """What is fed: bits from one point to another, as they are, or as zeros or ones (fill)."""

    start: Point
    end: Point
    fill: str = ""


@dataclass(frozen=True)
class Fed:
    """All that a check is fed with. own: the check's own bits where they count otherwise; whole: only whole octets of the frame."""

    check: Check
    stretches: tuple[Stretch, ...]
    own: tuple[tuple[Point, Point], ...]
    whole: bool
    nodes: tuple[int, ...]  # whose start is not constant, and needed


class Spans:
    """The spans of one layout's checks."""

    def __init__(self, layout: Layout, is_fixed: bool | None = None) -> None:
        self.layout = layout
        # Whether the frame's end has a constant place too.
        self.is_fixed = layout.is_fixed if is_fixed is None else is_fixed
        self.nodes: dict[int, Node] = {node.number: node for node in layout.walk()}
        self.home = {
            slot.number: node for node in layout.walk() if isinstance(node, Run) for slot in node.slots
        }

    def fed(self, slot: Slot) -> Fed:
        """What a check slot is fed with."""
        check = slot.check
        assert check is not None
        pieces = _touching([piece for span in check.spans for piece in self._pieces(*span)])
        run = self.home[slot.number]
        parts = sorted(slot.pieces or ((slot.offset_bits, slot.width),))
        mine = [piece for at, width in parts for piece in self._inside(run, at, at + width)]
        own = tuple(mine) if check.own is not None else ()
        whole = all(self._residue(point) == 0 for piece in (*pieces, *own) for point in piece)
        whole = whole and all(one.bits % 8 == 0 for one in check.front)
        stretches = [Stretch(*piece) for piece in pieces]
        if whole and own:
            stretches = [part for one in stretches for part in _cut(one, own, check.own or "")]
        points = [point for one in stretches for point in (one.start, one.end)]
        points += [] if whole else [point for piece in own for point in piece]
        points += [Point(self.home[number].number, 0) for number in check.fed if number >= 0]
        points += [Point(END, 0) for one in check.front if one.by is None and one.octet is None]
        nodes = sorted({point.node for point in points if self.constant(point) is None})
        return Fed(check, tuple(stretches), own, whole, tuple(nodes))

    def constant(self, point: Point) -> int | None:
        """Where a point is in the frame, if it is constant."""
        if point.node == END:
            return self.layout.minimum_bits if self.is_fixed else None
        node = self.nodes[point.node]
        at = None if isinstance(node, Fill) else node.at
        return None if at is None else at + point.bits

    def _residue(self, point: Point) -> int | None:
        constant = self.constant(point)
        if constant is not None:
            return constant % 8
        if point.node == END:
            return 0
        node = self.nodes[point.node]
        residue = None if isinstance(node, Fill) else node.residue
        return None if residue is None else (residue + point.bits) % 8

    def _pieces(self, start: Mark, end: Mark) -> list[tuple[Point, Point]]:
        """A span as it lies on the wire: its ends inside runs of words turned into where their octets are."""
        first, last = Point(start.node, start.bits), Point(end.node, end.bits)
        head, tail = self._words(first), self._words(last)
        if head is not None and head is tail:
            return self._inside(head, first.bits, last.bits)
        made: list[tuple[Point, Point]] = []
        if head is not None and first.bits:
            made += self._inside(head, first.bits, head.size_bits)
            first = Point(head.number, head.size_bits)
        if tail is not None and last.bits:
            rest = self._inside(tail, 0, last.bits)
            return [*made, (first, Point(tail.number, 0)), *rest]
        return [*made, (first, last)]

    def _words(self, point: Point) -> Run | None:
        node = self.nodes.get(point.node)
        return node if isinstance(node, Run) and node.packing.word_bits else None

    def _inside(self, run: Run, start: int, end: int) -> list[tuple[Point, Point]]:
        word = run.packing.word_bits
        words = [(0, run.size_bits, word)] if word else []
        return [(Point(run.number, a), Point(run.number, b)) for a, b in wire_spans([(start, end)], words)]


def _touching(pieces: list[tuple[Point, Point]]) -> list[tuple[Point, Point]]:
    """Stretches without the empty ones, those that touch made one."""
    made: list[tuple[Point, Point]] = []
    for start, end in sorted(
        pieces, key=lambda piece: piece[0].rank
    ):  # parts of words may have changed places
        if start == end:
            continue
        if made and made[-1][1] == start:
            start = made.pop()[0]
        made.append((start, end))
    return made


def _cut(one: Stretch, own: tuple[tuple[Point, Point], ...], rule: str) -> list[Stretch]:
    """A stretch with the check's own octets replaced as its rule says, or left out."""
    made: list[Stretch] = []
    start = one.start
    for first, last in own:
        if one.start.rank <= first.rank and last.rank <= one.end.rank:
            made.append(Stretch(start, first))
            made += [] if rule == "skip" else [Stretch(first, last, rule)]
            start = last
    made.append(Stretch(start, one.end))
    return [part for part in made if part.start != part.end]
