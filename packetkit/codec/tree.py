"""One frame slot by slot: every slot at its place, with its code, in a tree of the record's shape.

Reading makes the tree from octets (reading.py), assembling makes its leaves from a record (assemble.py); both ask it for what lies
around a slot. A scope knows by number what one container holds, and the container around it, so that in a list each element's fields
mean its own neighbours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from packetkit.codec import bits
from packetkit.codec.bits import Span
from packetkit.layout.beside import value_beside
from packetkit.layout.model import Branch, Choice, Optional, Repeat, computed_count, ones_of
from packetkit.layout.number import Value, from_raw
from packetkit.layout.slots import Mark, Packing, Slot


@dataclass(slots=True)
class Scope:
    """What is known by number in one container that can be there several times: node starts, and slots read so far."""

    outer: Scope | None
    starts: dict[int, int] = field(default_factory=dict)
    leaves: dict[int, Leaf] = field(default_factory=dict)
    listed: dict[int, list[Leaf]] = field(default_factory=dict)  # by slot, of lists whose ones are counted

    def ones_in(self, number: int) -> int:
        """How many bits are one in the elements of a list, by their slot; none where the list is not there."""
        scope: Scope | None = self
        while scope is not None:
            if number in scope.listed:
                return sum(ones_of(leaf.slot, leaf.raw) for leaf in scope.listed[number])
            scope = scope.outer
        return 0

    def leaf(self, number: int) -> Leaf:
        """The slot of that number in this container, or the nearest around it."""
        scope = self
        while number not in scope.leaves:
            assert scope.outer is not None
            scope = scope.outer
        return scope.leaves[number]

    def knows(self, number: int) -> bool:
        """Whether the slot of that number was read, in this container or in one around it."""
        scope: Scope | None = self
        while scope is not None:
            if number in scope.leaves:
                return True
            scope = scope.outer
        return False

    def start(self, node: int) -> int:
        """Where a node of this container, or of one around it, starts."""
        scope = self
        while node not in scope.starts:
            assert scope.outer is not None
            scope = scope.outer
        return scope.starts[node]


@dataclass(slots=True)
class Leaf:
    """A slot at its place in one frame. order: its place among all of them. run_at: the first bit of its run."""

    slot: Slot
    indices: tuple[int, ...]
    order: int
    run_at: int
    offset: int
    width: int
    packing: Packing
    scope: Scope
    raw: int = 0
    known: bool = True  # False: a supplied field that nobody told
    recovered: bool = False  # True: a supplied field that a check told

    @property
    def bit(self) -> int:
        return self.run_at + self.offset

    @property
    def pieces(self) -> bits.Pieces:
        """Where in the run its bits lie."""
        return self.slot.pieces or ((self.offset, self.width),)

    @property
    def number(self) -> int:
        """The whole number that its code spells, of a field whose every code spells one: a count, a length."""
        number = self.slot.number_of(self.raw)
        assert number is not None
        return number

    @property
    def own(self) -> list[Span]:
        """The bits of the frame that are its own."""
        return [(self.run_at + at, self.run_at + at + width) for at, width in self.pieces]

    @property
    def address(self) -> str:
        return located(self.slot.address, self.indices)

    def beside(self, number: int) -> int:
        """The raw code of another slot, of this container or one around it."""
        return self.scope.leaf(number).raw

    @property
    def meaning(self) -> tuple[Value, str, str]:
        """What its code means beside the others: value, reason and note."""
        return (
            value_beside(self.slot, self.raw, self.beside)
            if self.slot.tellers
            else from_raw(self.slot, self.raw)
        )


@dataclass(slots=True)
class Listed:
    """A repeat in one frame: its elements, each a list of parts."""

    node: Repeat
    elements: list[list[Part]]


@dataclass(slots=True)
class Maybe:
    """An optional in one frame: its parts, or None where it is absent."""

    node: Optional
    body: list[Part] | None


@dataclass(slots=True)
class Chosen:
    """A choice in one frame: the branch that its codes, or the caller, told, and its parts."""

    node: Choice
    branch: Branch
    body: list[Part]


Part = Leaf | Listed | Maybe | Chosen


def located(address: str, indices: tuple[int, ...]) -> str:
    """Return an address with its empty brackets filled: `readings[].field_x` at 2 is `readings[2].field_x`."""
    for one in indices:
        address = address.replace("[]", f"[{one}]", 1)
    return address


def spans_of(leaf: Leaf, frame_bits: int) -> list[Span]:
    """Return the bits that a check slot covers in one frame."""
    assert leaf.slot.check is not None

    def place(mark: Mark) -> int:
        return frame_bits if mark.node < 0 else leaf.scope.start(mark.node) + mark.bits

    return [(place(start), place(end)) for start, end in leaf.slot.check.spans]


def is_known(leaf: Leaf) -> bool:
    """Return whether the codes are known that a check slot is computed from, besides its spans."""
    assert leaf.slot.check is not None
    return all(leaf.scope.leaf(number).known for number in leaf.slot.check.fed)


def computed(leaf: Leaf, words: Sequence[bits.Words], frame: bytes) -> int:
    """Return what a check slot's code is over a whole frame, before anything is mixed with it."""
    check = leaf.slot.check
    assert check is not None
    front = []
    for one in check.front:
        code = len(frame) if one.by is None else leaf.scope.leaf(one.by).raw
        front.append(((code if one.octet is None else one.octet) & ((1 << one.bits) - 1), one.bits))
    if check.initial is not None:
        register = leaf.scope.leaf(check.initial)
        first = register.raw & ((1 << register.width) - 1)
        check = replace(check, algorithm=replace(check.algorithm, init=first))
    spans = spans_of(leaf, len(frame) * 8)
    value = bits.check_value(check, leaf.width, spans, leaf.own, words, frame, front)
    return (1 << leaf.width) - 1 if check.zero_as_ones and not value else value


def mixed_into(leaf: Leaf) -> int:
    """Return what a check's value is combined with: the bits of the slot that it is mixed with, if any."""
    check = leaf.slot.check
    if check is None or check.mixed is None:
        return 0
    other = leaf.scope.leaf(check.mixed)
    return other.raw & ((1 << other.width) - 1)


def codes_of(part: Listed) -> list[int]:
    """Return the raw codes of a list of single slots."""
    return [one.raw for element in part.elements for one in element if isinstance(one, Leaf)]


def product_of(node: Repeat, scope: Scope) -> int:
    """Return how often a repeat stands whose count is computed."""
    raws = {one.by: scope.ones_in(one.by) if one.in_list else scope.leaf(one.by).raw for one in node.factors}
    return computed_count(node, raws)
