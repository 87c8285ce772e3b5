"""The struct that holds a frame's raw codes: its members as a tree, how they are reached, how long its lists may be.

A list without a bound of its own that is small gets a capacity, a macro that a build can set: what a frame of LONGEST_BYTES could hold.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from packetkit.layout.model import Fill, Layout, Node, Optional, Repeat, Run, Slot
from packetkit.targets.c.words import Page, comment, ctype, identifier

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


@dataclass
class Part:
    """One member: of a scalar type, or a struct of members; sizes: of its array, outer first."""

    name: str
    slot: Slot | None = None
    type: str = ""
    members: dict[str, Part] = field(default_factory=dict)
    sizes: list[str] = field(default_factory=list)

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
        if self.members:
            with page.block("struct"):
                for one in self.members.values():
                    one.declare(page)
            page.lines[-1] += f" {self.name}{sizes};"
            return
        remark = f" /* {meaning(self.slot)} */" if self.slot is not None else ""
        page.add(f"{self.type} {self.name}{sizes};{remark}")


def meaning(slot: Slot) -> str:
    """Return a few words on what a raw code means, for a comment."""
    from packetkit.targets.c.header import describe

    return comment(describe(slot))


@dataclass
class Record:
    """A frame's struct, and what follows from it. prefix: the frame's name in C, small letters."""

    layout: Layout
    prefix: str
    root: Part = field(init=False)
    capacities: dict[int, str] = field(
        default_factory=dict
    )  # of repeats, by node number: a constant or a macro
    defaults: dict[str, int] = field(default_factory=dict)  # of the macros
    lengths: dict[int, str] = field(
        default_factory=dict
    )  # of lists to the end: the member that holds their length

    def __post_init__(self) -> None:
        self.root = Part(self.prefix)
        self.slots = {slot.number: slot for slot in self.layout.slots}
        self._add(self.layout.nodes, self.root)

    def _add(self, nodes: tuple[Node, ...], into: Part) -> None:
        for node in nodes:
            if isinstance(node, Run):
                for slot in filter(is_member, node.slots):
                    part = into.inner(slot.path)
                    part.slot, part.type = slot, ctype(slot.width, slot.signed)
            elif isinstance(node, Repeat):
                self._list(node, into)
            elif isinstance(node, Optional):
                self._add(node.body, into.inner(node.path))

    def _list(self, node: Repeat, into: Part) -> None:
        capacity = self.capacities[node.number] = self._capacity(node)
        if node.count is None and node.counted_by is None:
            around = into.inner(node.path[:-1])
            name = f"{node.path[-1]}_count"
            while name in around.members:
                name += "_"
            around.members[name] = Part(name, type="uint16_t")
            self.lengths[node.number] = name
        part = into.inner(node.path)
        part.sizes.append(capacity)
        self._add(node.element, part)

    def _capacity(self, node: Repeat) -> str:
        if node.count is not None:
            return str(node.count)
        most = self.most(node)
        bound = max(1, (LONGEST_BYTES * 8) // node.minimum_bits)
        if most is not None and most <= bound:
            return str(most)
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
        if isinstance(node, Optional):
            return self.largest_bits(node.body)
        assert isinstance(node, Fill)  # other parts were refused
        return node.unit_bits - 1

    def size(self) -> str:
        """The most octets that a frame can have, as a constant expression."""
        if self.layout.size_bytes is not None and not self.defaults:
            return str(self.layout.size_bytes)
        if not self.defaults:
            assert self.layout.maximum_bytes is not None
            return str(self.layout.maximum_bytes)
        return f"(({self._expression(self.layout.nodes)} + 7) / 8)"

    def _expression(self, nodes: tuple[Node, ...]) -> str:
        terms = []
        for node in nodes:
            if isinstance(node, Repeat):
                inner = self._expression(node.element)
                terms.append(f"{self.capacities[node.number]} * {inner}")
            elif isinstance(node, Fill):
                terms.append(str(node.unit_bits - 1))
            elif isinstance(node, Run):
                terms.append(str(self._largest(node)))
            else:
                assert isinstance(node, Optional)
                terms.append(self._expression(node.body))
        return f"({' + '.join(terms)})" if len(terms) > 1 else terms[0] if terms else "0"

    @property
    def largest_bytes(self) -> int:
        return -(-self.largest_bits(self.layout.nodes) // 8)

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
