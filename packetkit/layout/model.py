"""The layout: where every bit of a frame sits and exactly what it means.

A frame is a sequence of nodes in wire order. A `Run` is a fixed stretch of slots; `Repeat`, `Optional`, `Measured` and `Choice`
hold nodes of their own; `Fill` is padding whose width depends on where it starts, `Continued` a number of as many octets as it
needs. A text is a repeat of characters that is joined to one value. Back ends read this and nothing behind it; nothing here
refers back to the schema. Frozen, hashable, printable: `print(layout)` is a stable table that diffs well.

Bit numbers. A run has one packing. Under MOST bit i of the run is bit 7 - i%8 of octet i//8, under LEAST bit i%8 of octet i//8, both
counted from the run's first bit; LEAST and WORD runs start on a whole octet. Under WORD_k the run is packed as under MOST, then the
octets of each k-bit word are reversed. A slot's raw code is read from its `width` bits at `offset_bits`, first bit most significant
(LEAST: least significant); then, `octets_reversed`, its octets are reversed; then, `bits_reversed`, all its bits; then the sign.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, MutableMapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from packetkit.layout.coding import CODINGS
from packetkit.layout.expression import Expression
from packetkit.layout.limits import Limit
from packetkit.layout.slots import (
    Factor,
    Joined,
    Packing,
    Range,
    Slot,
)


@dataclass(frozen=True, slots=True)
class Run:
    """A fixed stretch of slots, one after another, in one packing. at: its first bit in the frame where that is constant, else None.

    residue: its first bit modulo 8, where that is known, else None.
    """

    number: int
    at: int | None
    residue: int | None
    size_bits: int
    packing: Packing
    slots: tuple[Slot, ...]


@dataclass(frozen=True, slots=True)
class Fill:
    """Zero bits up to the next multiple of `unit_bits`; reported like reserved bits.

    Counted from the frame's start, or from the start of the measured part numbered `since`. It stands only where its width is not
    constant (else it is a reserved slot). slot carries its name, number and strictness; the slot's width is the widest it can be.
    packing: how its bits lie, MOST or LEAST.
    """

    number: int
    unit_bits: int
    slot: Slot
    packing: Packing = Packing.MOST
    since: int = -1


@dataclass(frozen=True, slots=True)
class OwnEnd:
    """How an element says that it is the last: its slot numbered `by` holds one of `codes`."""

    by: int
    codes: tuple[Range, ...]


@dataclass(frozen=True, slots=True)
class Trailer:
    """Bits behind what runs to an end that are there where each of some slots, all before it, holds one of its codes."""

    bits: int
    told: tuple[tuple[int, tuple[Range, ...]], ...]


@dataclass(frozen=True, slots=True)
class Continued:
    """A number of varying size, the slot's width at most: its octets, or its first bits, say by its coding how long it is.

    It starts at `at` where that is constant, `residue` bits into an octet; one of octets on a whole one. Its raw code is its bits as they
    lie, the first highest, whatever the packing around it.
    """

    number: int
    at: int | None
    slot: Slot
    residue: int = 0

    @property
    def sizes(self) -> tuple[int, ...]:
        """The bits that it can have, ascending."""
        return CODINGS[self.slot.coding].sizes(self.slot.width)


@dataclass(frozen=True, slots=True)
class Repeat:
    """Elements one after another: a list in the record, at `path` of its container; joined: one text, or octets, instead.

    count fixed, or the number of the slot that counts them, or the product of `factors` plus `plus`; or one of them says that it is
    the last, by `own_end`; or none of these: then they run to the end of the innermost measured part around them, else of the frame,
    less `trailer_bits` and those of `trailers` that are there. several_sizes: they do so, and differ in size: there is one more while
    there is room for the smallest. as_fits: in an element of such a list, as many as fit, and maximum at most.
    maximum is the most there can be (None: bounded by the frame's length only). bare: an element is one value, not a mapping.
    """

    number: int
    path: tuple[str, ...]
    address: str
    at: int | None
    residue: int | None
    count: int | None
    counted_by: int | None
    maximum: int | None
    trailer_bits: int
    element: tuple[Node, ...]
    minimum_bits: int
    maximum_bits: int
    bare: bool
    joined: Joined | None = None
    factors: tuple[Factor, ...] = ()
    plus: int = 0
    own_end: OwnEnd | None = None
    several_sizes: bool = False
    ones_in_lists: bool = False
    trailers: tuple[Trailer, ...] = ()
    as_fits: bool = False

    @property
    def is_fixed(self) -> bool:
        return self.count is not None and self.minimum_bits == self.maximum_bits

    @property
    def least(self) -> int:
        """The fewest elements that there are."""
        return self.count or (0 if self.own_end is None else 1)

    @property
    def runs_to_end(self) -> bool:
        """True where nothing counts the elements but the end of the part that they stand in."""
        return self.count is None and self.counted_by is None and not self.factors and self.own_end is None


@dataclass(frozen=True, slots=True)
class Optional:
    """Nodes that are there only when the slot numbered `by` holds one of `codes`; absent, its value is None.

    told_in_option: that slot stands in an option itself, and where that is absent, so are they.
    by None: they are there when more than `trailer_bits`, and those of `trailers`, are left in the innermost measured part, else in
    the frame.
    bare: the body is one value, not a mapping.
    """

    number: int
    path: tuple[str, ...]
    address: str
    at: int | None
    residue: int | None
    by: int | None
    codes: tuple[Range, ...]
    body: tuple[Node, ...]
    minimum_bits: int
    maximum_bits: int
    bare: bool
    trailer_bits: int = 0
    told_in_option: bool = False
    trailers: tuple[Trailer, ...] = ()


@dataclass(frozen=True, slots=True)
class Measured:
    """Nodes whose size a slot tells: (raw code of the slot numbered `by` + less) * unit_bits. Their values are their container's.

    The slot stands before them or among them. maximum_bits: the most that both the nodes and the slot allow. not_counted: after each so
    many counted octets, and after the rest, so many that are not.
    """

    number: int
    address: str
    at: int | None
    residue: int | None
    by: int
    unit_bits: int
    less: int
    body: tuple[Node, ...]
    minimum_bits: int
    maximum_bits: int
    not_counted: tuple[int, int] | None = None

    def bits_of(self, number: int) -> int:
        """How many bits the part has where its length says so many."""
        return with_uncounted((number + self.less) * self.unit_bits, self.not_counted)

    def number_of(self, bits: int) -> tuple[int, int]:
        """What its length says where the part has so many bits, and the bits that are no whole units, or none that it could count."""
        counted, over = without_uncounted(bits, self.not_counted)
        units, rest = divmod(counted, self.unit_bits)
        return units - self.less, over + rest


def with_uncounted(bits: int, rule: tuple[int, int] | None) -> int:
    """How many bits there are where so many are counted; rule: after how many octets how many stand that are not."""
    return bits if rule is None else bits + 8 * rule[1] * -(-bits // (8 * rule[0]))


def without_uncounted(bits: int, rule: tuple[int, int] | None) -> tuple[int, int]:
    """How many of so many bits are counted, and those at the end that can be neither counted nor not."""
    if rule is None:
        return bits, 0
    block, tail = 8 * sum(rule), 8 * rule[1]
    whole, rest = divmod(bits, block)
    counted = max(rest - tail, 0)
    return whole * 8 * rule[0] + counted, rest - counted - (tail if counted else 0)


@dataclass(frozen=True, slots=True)
class Branch:
    """One variant: its key in the record, the codes that each telling slot must hold (in their order), and its nodes.

    number: unique among those of nodes, for what belongs to this container. bare: the nodes are one value, not a mapping.
    """

    name: str
    codes: tuple[tuple[Range, ...], ...]
    body: tuple[Node, ...]
    number: int
    bare: bool = False


@dataclass(frozen=True, slots=True)
class Choice:
    """One of several bodies, told by the codes of slots, or (told_by empty) from outside the frame.

    In the record: a mapping with the chosen branch's name as its only key. unknown: the branch taken where no other matches, octets
    that run to the end of the part; None: every combination of codes has a branch, or such octets could not be told.
    turn: above 0, the branches take turns: what tells is the remainder of the one telling code by this number, theirs.
    """

    number: int
    path: tuple[str, ...]
    address: str
    at: int | None
    residue: int | None
    told_by: tuple[int, ...]
    branches: tuple[Branch, ...]
    unknown: Branch | None
    minimum_bits: int
    maximum_bits: int | None
    turn: int = 0

    @property
    def all(self) -> tuple[Branch, ...]:
        """Every branch, the unknown one last."""
        return self.branches if self.unknown is None else (*self.branches, self.unknown)


Node = Run | Fill | Continued | Repeat | Optional | Measured | Choice


@dataclass(frozen=True, slots=True)
class Gain:
    """What a compact form saves at its worst: bits instead of plain_bits, at an address. form: summary, bundle, in_turn. says: which.

    frames: how many in a row bring all of it.
    """

    address: str
    form: str
    bits: int
    plain_bits: int
    says: str
    frames: int = 1


@dataclass(frozen=True, slots=True)
class Carried:
    """A frame that another carries: where, which, its bits at least and at most (None: no bound), and those that fill its bytes."""

    address: str
    frame: str
    minimum_bits: int
    maximum_bits: int | None
    fill_bits: int = 0

    def holds(self, slot: Slot) -> bool:
        """Whether a slot is one of the carried frame's."""
        return slot.address.startswith(f"{self.address}.")


@dataclass(frozen=True, slots=True)
class Operand:
    """Where a derived value finds one of its fields: `up` containers further out, then along `path`."""

    up: int
    path: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Derived:
    """A value that the ground works out from others; it has no bits, and no part in the fingerprint.

    container: the number of the repeat or option in which it stands, None: the frame itself; path leads from there.
    operands: where the names of `expression` are found, in the order of `expression.names`. text: the expression as written.
    later: for each key of path, the keys that stand after it in their group, so that a record keeps the declared order.
    """

    container: int | None
    path: tuple[str, ...]
    address: str
    expression: Expression
    operands: tuple[Operand, ...]
    text: str
    later: tuple[tuple[str, ...], ...]
    unit: str = ""
    description: str = ""
    line: int = 0
    limits: tuple[Limit, ...] = ()


@dataclass(frozen=True, slots=True)
class Layout:
    """One frame on the wire.

    slots: all of them in wire order, so that slots[i].number == i; an element's slots stand once. node numbers are likewise unique
    and ascending in wire order. check_order: numbers of the check slots, each after those its span covers.
    minimum_bits and maximum_bits include the last fill and are whole octets; maximum_bits is None where only the frame's length
    bounds it. useful_bits: at the longest (WIRE.md 21), None where maximum_bits is.
    derived: values that the ground works out, each after those that it needs. gains: what compact forms save, proved for the worst
    case; told by `check`, no part of the fingerprint. supplied: fields without a bit, numbered -1, -2, ...: each goes into a check of
    the frame's own; supplied_before: for each, the record's keys that come after it.
    """

    name: str
    nodes: tuple[Node, ...]
    slots: tuple[Slot, ...]
    check_order: tuple[int, ...]
    minimum_bits: int
    maximum_bits: int | None
    useful_bits: int | None
    runs_to_end: bool
    fingerprint: str
    description: str = ""
    cadence_s: Fraction | None = None
    derived: tuple[Derived, ...] = ()
    gains: tuple[Gain, ...] = ()
    supplied: tuple[Slot, ...] = ()
    supplied_before: tuple[tuple[str, ...], ...] = ()
    carried: tuple[Carried, ...] = ()

    @property
    def is_fixed(self) -> bool:
        """True where every frame has the same number of bits (its repeats and options, if any, are constant)."""
        return self.minimum_bits == self.maximum_bits

    @property
    def size_bytes(self) -> int | None:
        """The frame's size in bytes where it is fixed, else None."""
        return self.minimum_bits // 8 if self.is_fixed else None

    @property
    def maximum_bytes(self) -> int | None:
        return None if self.maximum_bits is None else self.maximum_bits // 8

    def __str__(self) -> str:
        """The frame as a stable table, one line a slot or part."""
        from packetkit.layout.printed import text

        return text(self)

    def walk(self) -> Iterator[Node]:
        """Every node, outer before inner, in wire order."""
        yield from walk(self.nodes)


def walk(nodes: tuple[Node, ...]) -> Iterator[Node]:
    """Every node of `nodes` and inside them, outer before inner, in wire order."""
    for node in nodes:
        yield node
        for inner in bodies(node):
            yield from walk(inner)


def bodies(node: Node) -> tuple[tuple[Node, ...], ...]:
    """The nodes inside a node, in wire order: an element's, a body, or each branch's."""
    if isinstance(node, Repeat):
        return (node.element,)
    if isinstance(node, (Optional, Measured)):
        return (node.body,)
    if isinstance(node, Choice):
        return tuple(branch.body for branch in node.all)
    return ()


def with_bodies(node: Node, inner: tuple[tuple[Node, ...], ...]) -> Node:
    """The node with other nodes inside it, as many as `bodies` gives."""
    if isinstance(node, Repeat):
        return replace(node, element=inner[0])
    if isinstance(node, (Optional, Measured)):
        return replace(node, body=inner[0])
    if isinstance(node, Choice):
        made = tuple(replace(branch, body=body) for branch, body in zip(node.all, inner, strict=True))
        known, last = (made, None) if node.unknown is None else (made[:-1], made[-1])
        return replace(node, branches=known, unknown=last)
    return node


def fixed_size(node: Node) -> int | None:
    """The bits of a node, where they are constant."""
    if isinstance(node, Run):
        return node.size_bits
    if isinstance(node, Repeat) and node.is_fixed and node.count is not None:
        return node.count * node.minimum_bits
    if isinstance(node, Measured) and node.minimum_bits == node.maximum_bits:
        return node.minimum_bits
    return None


def told_branch(node: Choice, raws: Sequence[int]) -> Branch | None:
    """The branch that the raw codes of the telling slots mean; None where none does and octets could not be told."""
    raws = [raw % node.turn for raw in raws] if node.turn else raws
    for branch in node.branches:
        if all(any(raw in one for one in codes) for raw, codes in zip(raws, branch.codes, strict=True)):
            return branch
    return node.unknown


def single_code(slot: Slot, codes: tuple[Range, ...]) -> int | None:
    """The one code of a slot that some codes mean, the shortest of a number of varying size; None where they mean several."""
    if slot.is_continued and all(one.low == one.high for one in codes):
        numbers = {slot.number_of(one.low) for one in codes}
        number = numbers.pop()
        return None if numbers or number is None else slot.code_of(number)
    return codes[0].low if len(codes) == 1 and codes[0].low == codes[0].high else None


def computed_count(node: Repeat, raws: Mapping[int, int]) -> int:
    """How often a repeat stands whose count is computed from raw codes by slot number; it may be below zero.

    Of a slot that stands in the elements of a list, raws has how many ones are in all of them.
    """
    count = 1
    for factor in node.factors:
        raw = raws[factor.by]
        count *= bin(raw).count("1") if factor.ones and not factor.in_list else raw
    return count + node.plus


def without(limits: tuple[int, int], codes: tuple[Range, ...]) -> tuple[Range, ...]:
    """What is left between two limits without some codes, in rising order."""
    left, low = [], limits[0]
    for one in sorted(codes, key=lambda one: one.low):
        if one.low > low:
            left.append(Range(low, one.low - 1))
        low = max(low, one.high + 1)
    return (*left, Range(low, limits[1])) if low <= limits[1] else tuple(left)


def bits_behind(node: Repeat | Optional, raws: Mapping[int, int]) -> int:
    """The bits behind what runs to an end, by the codes known so far; of what stands in an absent option there is none."""
    there = (
        one.bits
        for one in node.trailers
        if all(by in raws and any(raws[by] in each for each in codes) for by, codes in one.told)
    )
    return node.trailer_bits + sum(there)


def is_told(node: Optional, raws: Mapping[int, int]) -> bool:
    """Whether the codes known so far say that an option is there; what tells of it may be absent itself."""
    if node.told_in_option and node.by not in raws:
        return False
    return node.by is None or any(raws[node.by] in codes for codes in node.codes)


def forget(node: Optional, raws: MutableMapping[int, int]) -> None:
    """Drop the codes of what stands in an option that is absent here: another element may have had them."""
    for inner in walk(node.body):
        for slot in slots_of(inner):
            raws.pop(slot.number, None)


def codes_of_place(node: Repeat, slots: Sequence[Slot], *, is_last: bool) -> tuple[int, tuple[Range, ...]]:
    """The slot that tells whether an element is the last, and the codes that it has in the last one, or in the others."""
    assert node.own_end is not None
    slot = slots[node.own_end.by]
    return slot.number, node.own_end.codes if is_last else without(slot.raw_limits, node.own_end.codes)


def ones_of(slot: Slot, raw: int) -> int:
    """How many bits of a slot are one."""
    return bin(raw & ((1 << slot.width) - 1)).count("1")


def ones_in_element(node: Repeat, raws: Mapping[int, int]) -> int:
    """How many bits are one in an element that is one field, of which the code was read last."""
    slots = slots_of(node.element[0]) if node.bare else ()
    return sum(ones_of(slot, raws.get(slot.number, 0)) for slot in slots)


def tell_ones(node: Repeat, ones: int, raws: MutableMapping[int, int]) -> None:
    """Put down how many bits are one in a list, where what counts them looks."""
    for slot in slots_of(node.element[0]) if node.bare else ():
        raws[slot.number] = ones


def flat(nodes: tuple[Node, ...]) -> Iterator[Node]:
    """The nodes of one container of the record: those of a measured part are its container's."""
    for node in nodes:
        if isinstance(node, Measured):
            yield from flat(node.body)
        else:
            yield node


def tellers(node: Node) -> tuple[int, ...]:
    """The numbers of the slots whose codes decide what a node is made of, or what the codes in it mean."""
    if isinstance(node, Run):
        return tuple(number for slot in node.slots for number in slot.tellers)
    if isinstance(node, Repeat):
        counted = [] if node.counted_by is None else [node.counted_by]
        counted += [] if node.own_end is None else [node.own_end.by]
        return (*counted, *(factor.by for factor in node.factors), *_behind(node))
    if isinstance(node, Optional):
        return (*(() if node.by is None else (node.by,)), *_behind(node))
    if isinstance(node, Measured):
        return (node.by,)
    return node.told_by if isinstance(node, Choice) else ()


def _behind(node: Repeat | Optional) -> Iterator[int]:
    return (by for one in node.trailers for by, _ in one.told)


def slots_of(node: Node) -> tuple[Slot, ...]:
    """The slots that stand in a node itself, not in an element or an option inside it."""
    if isinstance(node, Run):
        return node.slots
    return (node.slot,) if isinstance(node, (Fill, Continued)) else ()
