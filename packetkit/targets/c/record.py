"""The struct that holds a frame's raw codes: its members as a tree, how they are reached, how long its lists may be.

A list without a bound of its own that is small gets a capacity, a macro that a build can set: what a frame of LONGEST_BYTES could hold.
Variants share their memory, a union: the codes that tell which of them there is are members outside of it. What no code tells has a
member of its own: how many elements run to an end, whether what asks for remaining bytes is there, which variant the caller means.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from math import gcd

from packetkit.layout.model import Choice, Continued, Fill, Layout, Measured, Node, Optional, Repeat, Run
from packetkit.layout.printed import beside_text
from packetkit.layout.slots import Slot
from packetkit.targets.c.words import Page, comment, ctype, identifier

FEW = 8  # elements: a list that says its maximum and no more than this has room for all, whatever their size
_MOST_BITS = 8 * 0xFFFF  # of a frame
LONGEST_BYTES = 255  # the longest payload of a chirp radio packet (SX1276 data sheet: 8-bit length)


def is_member(slot: Slot) -> bool:
    """Return whether the struct holds this slot's raw code."""
    return slot.is_value or slot.kind == "count"


def joined(prefix: str, path: Iterable[str]) -> str:
    """Return how what stands at a path is reached from a container; the record itself is a pointer.

    >>> joined("r->", ("power", "load")), joined("r->list[i0]", ("x",)), joined("r->list[i0]", ())
    ('r->power.load', 'r->list[i0].x', 'r->list[i0]')
    """
    steps = ".".join(path)
    if prefix.endswith("->"):
        return prefix + steps
    return f"{prefix}.{steps}" if steps else prefix


_FORMS = {
    "ascii": "text in ASCII",
    "utf_8": "text in UTF-8",
    "alphabet": "text, codes of its alphabet",
    "bytes": "octets",
    "bits": "bits, one in each",
}


def is_octets(node: Repeat) -> bool:
    """Return whether a list's elements are whole octets at octets' places: then they are copied, and not shifted."""
    only = node.element[0]
    if node.residue != 0 or not isinstance(only, Run) or len(node.element) > 1 or len(only.slots) != 1:
        return False
    (slot,) = only.slots
    plain = not (slot.path or slot.pieces or slot.bits_reversed or slot.signed or slot.codes or slot.check)
    aligned = slot.offset_bits == 0 and slot.width == only.size_bits == 8 and not only.packing.word_bits
    return plain and aligned and is_member(slot)


@dataclass
class Part:
    """One member: of a scalar type, or a struct of members; sizes: of its array, outer first; remark: a comment behind it."""

    name: str
    slot: Slot | None = None
    type: str = ""
    members: dict[str, Part] = field(default_factory=dict)
    sizes: list[str] = field(default_factory=list)
    is_union: bool = False
    remark: str = ""

    def inner(self, path: Iterable[str]) -> Part:
        """The part at a path, made where it is not there."""
        here = self
        for key in path:
            here = here.members.setdefault(key, Part(key))
        return here

    @property
    def is_empty(self) -> bool:
        """True where there is nothing to hold: constants, checks, reserved bits."""
        return not self.type and all(one.is_empty for one in self.members.values())

    def declare(self, page: Page) -> None:
        if self.is_empty:
            return
        sizes = "".join(f"[{one}]" for one in self.sizes)
        remark = f" /* {self.remark} */" if self.remark else ""
        if self.members:
            with page.block("union" if self.is_union else "struct"):
                for one in self.members.values():
                    one.declare(page)
            page.lines[-1] += f" {self.name}{sizes};{remark}"
            return
        if self.slot is not None:
            words = "; ".join(filter(None, (meaning(self.slot), comment(self.remark))))
            remark = f" /* {words} */"
        page.add(f"{self.type} {self.name}{sizes};{remark}")


def meaning(slot: Slot) -> str:
    """Return a few words on what a raw code means, for a comment."""
    from packetkit.targets.c.header import describe

    return comment(describe(slot))


@dataclass
class Record:
    """A frame's struct, and what follows from it. prefix: the frame's name in C, small letters. sizes: of numbers of varying size, in bits.

    paths: by node number, where in its container a list, an option or a choice has its values. beside: by node number, where the member
    stands that says what no code tells. capacities: of lists, by node number, a constant or a macro. defaults: of the macros.
    """

    layout: Layout
    prefix: str
    sizes: Mapping[int, tuple[int, ...]]
    root: Part = field(init=False)
    paths: dict[int, tuple[str, ...]] = field(default_factory=dict)
    beside: dict[int, tuple[str, ...]] = field(default_factory=dict)
    capacities: dict[int, str] = field(default_factory=dict)
    defaults: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.root = Part(self.prefix)
        self.slots = {slot.number: slot for slot in (*self.layout.slots, *self.layout.supplied)}
        self.taken = _keys(self.layout)
        self.rooms: list[int] = []  # the most bits that can vary in each measured part that we are in
        for slot in self.layout.supplied:
            self._member(slot, self.root)
        self._add(self.layout.nodes, self.root)

    # -- the tree --------------------------------------------------------------------------------------

    def _add(self, nodes: tuple[Node, ...], into: Part) -> None:
        for node in nodes:
            if isinstance(node, Run):
                for slot in filter(is_member, node.slots):
                    self._member(slot, into)
            elif isinstance(node, Continued):
                self._number(node.slot, into)
            elif isinstance(node, Repeat):
                self._list(node, into)
            elif isinstance(node, Optional):
                self._option(node, into)
            elif isinstance(node, Choice):
                self._choice(node, into)
            elif isinstance(node, Measured):
                self.rooms.append(node.bits_of(self.slots[node.by].raw_limits[1]) - node.minimum_bits)
                self._add(node.body, into)
                self.rooms.pop()

    def _member(self, slot: Slot, into: Part) -> None:
        if slot.path and slot.path[-1].endswith("]"):  # one of an array, the differences of a bundle
            name, _, at = slot.path[-1].rstrip("]").partition("[")
            part = into.inner((*slot.path[:-1], name))
            part.sizes, part.remark = [str(int(at) + 1)], "each against the sample before it, in codes"
        else:
            part = into.inner(slot.path)
            part.slot, part.remark = slot, beside_text(self.layout, slot)
        part.type = ctype(slot.width, slot.signed)

    def _number(self, slot: Slot, into: Part) -> None:
        """A number that goes on, where it is a member: a length follows from what it measures."""
        if is_member(slot):
            self._member(slot, into)
            part, sizes = into.inner(slot.path), self.sizes[slot.number]
            part.remark = "; ".join(filter(None, (part.remark, f"{sizes[0]} to {sizes[-1]} bits")))

    def _list(self, node: Repeat, into: Part) -> None:
        capacity = self.capacities[node.number] = self._capacity(node)
        self.paths[node.number] = node.path
        if node.runs_to_end:
            self._say_beside(node, into, "items" if node.joined is None else "octets", "count")
            told = into.inner(self.beside[node.number])
            told.type, told.remark = "uint16_t", "how many of the list that follows there are"
        part = into.inner(self.paths[node.number])
        part.sizes.append(capacity)
        self._add(node.element, part)
        if node.joined is not None:
            part.slot, part.remark = None, _FORMS[node.joined.form]
        elif node.own_end is not None:
            words = (part.remark, "up to the element that says that it is the last")
            part.remark = "; ".join(filter(None, words))

    def _option(self, node: Optional, into: Part) -> None:
        self.paths[node.number] = node.path
        if node.by is None:
            self._say_beside(node, into, "value", "present")
            told = into.inner(self.beside[node.number])
            told.type, told.remark = "uint8_t", "1: what follows is there, 0: the frame ends before it"
        self._add(node.body, into.inner(self.paths[node.number]))

    def _choice(self, node: Choice, into: Part) -> None:
        self.paths[node.number] = node.path
        if not node.told_by:
            self._say_beside(node, into, "body", "variant")
            told = into.inner(self.beside[node.number])
            told.type, told.remark = "uint8_t", "which one of the union that follows"
        part = into.inner(self.paths[node.number])
        part.is_union = True
        for branch in node.all:
            self._add(branch.body, part.inner((branch.name,)))

    def _say_beside(self, node: Repeat | Optional | Choice, into: Part, name: str, word: str) -> None:
        """Give a node a member of its own; one that is its container's only value gets a name for that value."""
        path = node.path
        if path:
            name = f"{path[-1]}_{word}"
            while name in self.taken:
                name += "_"
        else:
            self.paths[node.number], name = (name,), word
        self.beside[node.number] = (*path[:-1], name)

    # -- room ------------------------------------------------------------------------------------------

    def _capacity(self, node: Repeat) -> str:
        if node.count is not None:
            return str(node.count)
        most = self.most(node)
        bound = max(1 if node.own_end is None else FEW, (LONGEST_BYTES * 8) // node.minimum_bits)
        if most is not None and most <= bound:
            return str(max(1, most))
        name = f"{self.prefix}_{identifier(node.address)}_CAPACITY".upper()
        while name in self.defaults:
            name += "_"
        self.defaults[name] = bound
        return name

    def most(self, node: Repeat) -> int | None:
        """The most elements that the schema lets a list have."""
        bounds = [node.maximum] if node.maximum is not None else []
        if node.counted_by is not None:
            counter = self.slots[node.counted_by]
            bounds += [
                counter.raw_limits[1],
                *([] if counter.maximum_count is None else [counter.maximum_count]),
            ]
        bounds += [max(0, room) // node.minimum_bits for room in self.rooms if node.runs_to_end]
        return min(bounds) if bounds else None

    def largest_bits(self, nodes: tuple[Node, ...]) -> int:
        """The most bits that these nodes take with lists of the capacities as they are by default."""
        return sum(self._largest(node) for node in nodes)

    def _largest(self, node: Node) -> int:
        if isinstance(node, Run):
            return node.size_bits
        if isinstance(node, Repeat):
            capacity = self.capacities[node.number]
            count = int(capacity) if capacity.isdigit() else self.defaults[capacity]
            return count * self.largest_bits(node.element)
        if isinstance(node, Choice):
            return max(self.largest_bits(branch.body) for branch in node.all)
        if isinstance(node, (Optional, Measured)):
            return self.largest_bits(node.body)
        return node.unit_bits - 1 if isinstance(node, Fill) else self.sizes[node.slot.number][-1]

    def size(self) -> str:
        """The most octets that a frame can have, as a constant expression: what its lists have room for, or what lengths can say."""
        text = self._expression(self.layout.nodes)
        size = str(-(-int(text) // 8)) if text.isdigit() else f"(({text} + 7) / 8)"
        most = self.layout.maximum_bytes
        if most is None or any(isinstance(node, Choice) and node.unknown for node in self.layout.walk()):
            return size
        return str(min(int(size), most)) if size.isdigit() else size

    def _expression(self, nodes: tuple[Node, ...]) -> str:
        constant, terms = 0, []
        for node in nodes:
            text = self._node_expression(node)
            if text.isdigit():
                constant += int(text)
            else:
                terms.append(text)
        terms += [str(constant)] if constant or not terms else []
        return f"({' + '.join(terms)})" if len(terms) > 1 else terms[0]

    def _node_expression(self, node: Node) -> str:
        if isinstance(node, Repeat):
            capacity, inner = self.capacities[node.number], self._expression(node.element)
            if capacity.isdigit() and inner.isdigit():
                return str(int(capacity) * int(inner))
            return f"{capacity} * {inner}"
        if isinstance(node, Choice):
            return _extreme([self._expression(branch.body) for branch in node.all], ">")
        if isinstance(node, Measured):
            most = min(node.bits_of(self.slots[node.by].raw_limits[1]), _MOST_BITS)
            return _extreme([self._expression(node.body), str(most)], "<")
        if isinstance(node, Optional):
            return self._expression(node.body)
        return str(self._largest(node))

    @property
    def largest_bytes(self) -> int:
        return -(-self.largest_bits(self.layout.nodes) // 8)

    @property
    def is_fixed(self) -> bool:
        """True where every frame has the same number of bits for certain.

        Octets of a variant that nobody knows could be more, a list may not end where its elements say, and a number may go on.
        """
        return self.layout.is_fixed and not any(
            isinstance(node, Continued)
            or (isinstance(node, Choice) and node.unknown is not None)
            or (isinstance(node, Repeat) and node.own_end is not None)
            for node in self.layout.walk()
        )

    @property
    def is_straight(self) -> bool:
        """True where every bit has a constant place, but for lists of a fixed number of fixed elements."""
        return all(
            isinstance(node, Run) or (isinstance(node, Repeat) and node.is_fixed)
            for node in self.layout.walk()
        )

    @property
    def bits(self) -> str:
        """The type that counts a frame's bits."""
        return "uint16_t" if self.largest_bytes < 4096 and not self.defaults else "uint32_t"


def _extreme(sizes: list[str], sign: str) -> str:
    """The largest of constant expressions, or the smallest."""
    known = [int(one) for one in sizes if one.isdigit()]
    made = str((max if sign == ">" else min)(known)) if known else ""
    for one in sizes:
        if not one.isdigit():
            made = f"({one} {sign} {made} ? {one} : {made})" if made not in ("", "0") else one
    return made


def grain(nodes: tuple[Node, ...], sizes: Mapping[int, tuple[int, ...]]) -> int:
    """Return a number of bits of which these nodes always take a multiple; 0 where they never take any. sizes: as Record has them."""
    return gcd(*(_grain(node, sizes) for node in nodes)) if nodes else 0


def _grain(node: Node, sizes: Mapping[int, tuple[int, ...]]) -> int:
    if isinstance(node, Run):
        return node.size_bits
    if isinstance(node, Continued):
        return gcd(*sizes[node.slot.number])
    if isinstance(node, Repeat):
        return grain(node.element, sizes) * (node.count or 1)
    if isinstance(node, Choice):
        return gcd(*(grain(branch.body, sizes) for branch in node.all))
    return grain(node.body, sizes) if isinstance(node, (Optional, Measured)) else 1


def _keys(layout: Layout) -> frozenset[str]:
    """Every name in a frame's record."""
    found = {key for slot in (*layout.slots, *layout.supplied) for key in slot.path}
    for node in layout.walk():
        if isinstance(node, (Repeat, Optional, Choice)):
            found.update(node.path)
        if isinstance(node, Choice):
            found.update(branch.name for branch in node.all)
    return frozenset(found)
