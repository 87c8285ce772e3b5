"""Cutting a stretch of octets into the machine words that struct reads and writes, so that fields are cheap to reach.

A stretch is a run of fields without gaps in one packing; a chunk is one struct item of it. The cut is found by dynamic programming
over octet boundaries with the costs below; what no one asks for is skipped as padding. Used for decoding and encoding alike.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Costs:
    """Nanoseconds on the machine of reference/PERFORMANCE.md, CPython 3.11: only their relation matters.

    item: one of struct, by octets. low, top: a field that does not begin at the low end, or end at the top, of its word, by
    the word's octets. join: a field that lies in two.
    """

    item: dict[int, float]
    low: dict[int, float]
    top: dict[int, float]
    join: float


# Reading: a shift, a mask, and both with an `or`. Found by tests/bench/bench_single_frame.py.
READING = Costs({1: 10, 2: 14, 4: 18, 8: 26}, {1: 10, 2: 11, 4: 15, 8: 20}, {1: 10, 2: 11, 4: 15, 8: 20}, 35)
# Writing: a product and a sum; a range test that struct would do by itself; a variable, shift, mask, product and sum.
WRITING = Costs({1: 9, 2: 10, 4: 11, 8: 16}, {1: 24, 2: 24, 4: 26, 8: 35}, {1: 6, 2: 6, 4: 6, 8: 6}, 32)

CODES = {1: "b", 2: "h", 4: "i", 8: "q"}
REALS = {2: "e", 4: "f", 8: "d"}


@dataclass(frozen=True, slots=True)
class Chunk:
    """One word of a stretch: its first bit and its size in bits, counted in the stretch.

    used is False for padding. is_real: it is an IEEE number, which struct turns into a float by itself.
    """

    start: int
    size: int
    used: bool = True
    is_real: bool = False

    @property
    def end(self) -> int:
        return self.start + self.size


@dataclass(slots=True)
class Cut:
    """A stretch cut into chunks. low_first: bits count from the low end, as under LEAST; little: words lie low octet first."""

    chunks: list[Chunk]
    low_first: bool
    little: bool
    signed: set[int] = field(default_factory=set)  # starts of chunks that are read as two's complement
    names: dict[int, str] = field(default_factory=dict)  # start of chunk -> variable
    is_struct: bool = True  # struct reads and writes it, and refuses what does not fit
    _starts: list[int] = field(default_factory=list)

    def used(self) -> list[Chunk]:
        """The chunks that are read or written."""
        return [chunk for chunk in self.chunks if chunk.used]

    def format(self) -> str:
        """The format of struct for the whole stretch."""
        text = "<" if self.little else ">"
        for chunk in self.chunks:
            if not chunk.used:
                text += f"{chunk.size // 8}x"
            elif chunk.is_real:
                text += REALS[chunk.size // 8]
            else:
                code = CODES[chunk.size // 8]
                text += code if chunk.start in self.signed else code.upper()
        return text

    def parts(self, start: int, width: int) -> list[tuple[Chunk, int, int, int]]:
        """Where a field's bits are: per chunk its shift from the chunk's low end, their number, their shift in the field."""
        found = []
        for chunk in self.chunks[self._index(start) :]:
            first, last = max(start, chunk.start), min(start + width, chunk.end)
            if chunk.start >= start + width:
                break
            if first < last:
                if self.low_first:
                    found.append((chunk, first - chunk.start, last - first, first - start))
                else:
                    found.append((chunk, chunk.end - last, last - first, start + width - last))
        return found

    def text(self, start: int, width: int) -> str:
        """The expression for a field's code; signed if its top bit is that of a signed chunk."""
        terms = []
        for chunk, shift, bits, lift in self.parts(start, width):
            term = self.names[chunk.start]
            if shift:
                term = f"{term} >> {shift}"
            top = shift + bits == chunk.size
            if not top or (chunk.start in self.signed and lift + bits < width):
                term = f"{term} & {(1 << bits) - 1:#x}"
            if lift:
                term = f"({term}) << {lift}" if " " in term else f"{term} << {lift}"
            terms.append(term)
        if len(terms) == 1:
            return f"({terms[0]})" if " " in terms[0] else terms[0]
        return "(" + " | ".join(f"({term})" for term in terms) + ")"

    def is_real(self, start: int) -> bool:
        """Whether the field that starts there is a chunk that struct makes a float of."""
        chunk = self.chunks[self._index(start)]
        return chunk.start == start and chunk.is_real

    def _index(self, bit: int) -> int:
        """The index of the chunk that a bit lies in: the chunks ascend, and leave nothing out."""
        if len(self._starts) != len(self.chunks):
            self._starts = [chunk.start for chunk in self.chunks]
        return bisect_right(self._starts, bit) - 1

    def is_signed(self, start: int, width: int) -> bool:
        """Whether the field's text is two's complement already: its top bit is the top of a chunk, which is made signed."""
        chunk, shift, bits, lift = max(self.parts(start, width), key=lambda part: part[3])
        if shift + bits == chunk.size and lift + bits == width:
            self.signed.add(chunk.start)
            return True
        return False


class Order(Protocol):
    """What a cut must know of the bits it is made in."""

    @property
    def low_first(self) -> bool:
        """Whether bits count from the low end."""

    @property
    def word(self) -> int | None:
        """The bits of a word, where the packing has them; then the chunks are those."""


def cut(
    octets: int,
    wanted: list[tuple[int, int]],
    costs: Costs,
    order: Order,
    reals: frozenset[tuple[int, int]] = frozenset(),
) -> Cut:
    """Return the cheapest cut of a stretch. wanted: first bit and width of each field that is asked for.

    reals: those of them that struct is to make floats of; they are chunks of their own.
    """
    low_first, word = order.low_first, order.word
    if word is not None:
        chunks = [Chunk(start, word) for start in range(0, octets * 8, word)]
        return Cut(_trimmed(chunks, wanted), low_first=False, little=True)
    taken = {octet for start, width in reals for octet in range(start // 8, (start + width) // 8)}
    best: list[tuple[float, Chunk | None]] = [(0, None)] + [(float("inf"), None)] * octets
    spans = _by_octet(octets, wanted)
    for at in range(octets):
        so_far = best[at][0]
        if not spans[at] and so_far < best[at + 1][0]:
            best[at + 1] = (so_far, Chunk(at * 8, 8, False))
        for size in CODES:
            real = (at * 8, size * 8) in reals
            if at + size <= octets and (real or taken.isdisjoint(range(at, at + size))):
                chunk = Chunk(at * 8, size * 8, is_real=real)
                cost = so_far + costs.item[size] + _cost(chunk, spans, low_first, costs)
                if cost < best[at + size][0]:
                    best[at + size] = (cost, chunk)
    chunks, at = [], octets
    while at:
        last = best[at][1]
        assert last is not None
        chunks.append(last)
        at = last.start // 8
    return Cut(_joined(chunks[::-1]), low_first, low_first)


def _by_octet(octets: int, wanted: list[tuple[int, int]]) -> list[set[tuple[int, int]]]:
    spans: list[set[tuple[int, int]]] = [set() for _ in range(octets)]
    for start, width in wanted:
        for octet in range(start // 8, -(-(start + width) // 8)):
            spans[octet].add((start, width))
    return spans


def _cost(chunk: Chunk, spans: list[set[tuple[int, int]]], low_first: bool, costs: Costs) -> float:
    cost, size = 0.0, chunk.size // 8
    for start, width in set().union(*spans[chunk.start // 8 : chunk.end // 8]):
        end = start + width
        at_top = start <= chunk.start if not low_first else end >= chunk.end
        at_low = end >= chunk.end if not low_first else start <= chunk.start
        cost += (0 if at_low else costs.low[size]) + (0 if at_top else costs.top[size])
        if end > chunk.end:
            cost += costs.join
    return cost


def _trimmed(chunks: list[Chunk], wanted: list[tuple[int, int]]) -> list[Chunk]:
    return [
        Chunk(one.start, one.size, any(at < one.end and at + width > one.start for at, width in wanted))
        for one in chunks
    ]


def _joined(chunks: list[Chunk]) -> list[Chunk]:
    """Neighbouring padding made one."""
    made: list[Chunk] = []
    for chunk in chunks:
        if made and not chunk.used and not made[-1].used:
            before = made.pop()
            chunk = Chunk(before.start, before.size + chunk.size, False)
        made.append(chunk)
    return made
