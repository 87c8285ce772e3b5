"""Where bits go while a frame is being laid out: positions as far as they are known, names in scope, nodes under construction.

A `Phase` is what is known of a bit position, its remainder modulo a power of two; a `Cursor` adds the constant place while there is one
and the least and most bits before it. A `Container` (the frame, an element, an optional group) gathers slots into runs. A `Scope` holds
the names placed so far in one group, looked up from the inside outwards. A `Part` is what an end belongs to: the frame, or what a length
measures. A `Spot` is a position that a check's span may name.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from math import gcd

from packetkit.layout.model import Node, Run
from packetkit.layout.slots import Mark, Packing, Slot


@dataclass(frozen=True, slots=True)
class Phase:
    """What is known of a bit position: it is `remainder` modulo `modulus`, a power of two up to 64 (1: nothing)."""

    modulus: int = 64
    remainder: int = 0

    def plus(self, bits: int) -> Phase:
        return Phase(self.modulus, (self.remainder + bits) % self.modulus)

    def joined(self, other: Phase) -> Phase:
        """What is still known where either may hold."""
        modulus = gcd(self.modulus, other.modulus, self.remainder - other.remainder)
        return Phase(modulus, self.remainder % modulus)

    def within(self, unit: int) -> int | None:
        """The position modulo `unit`, where that is known."""
        return self.remainder % unit if self.modulus % unit == 0 else None

    def after(self, other: Phase) -> Phase:
        """What is known of the bits from another position to this one."""
        modulus = gcd(self.modulus, other.modulus)
        return Phase(modulus, (self.remainder - other.remainder) % modulus)

    def many(self, count: int | None) -> Phase:
        """What is known of so many stretches of which each is known like this; None: of any number."""
        if count is None:
            return Phase(gcd(self.modulus, self.remainder), 0)
        return Phase(self.modulus, self.remainder * count % self.modulus)

    def and_then(self, other: Phase) -> Phase:
        """What is known of one stretch and another after it."""
        modulus = gcd(self.modulus, other.modulus)
        return Phase(modulus, (self.remainder + other.remainder) % modulus)


@dataclass(frozen=True, slots=True, eq=False)
class Origin:
    """Where a frame or an element starts: what stands in it is always as far from there, even where its own place varies."""

    phase: Phase


@dataclass(frozen=True, slots=True)
class Cursor:
    """Where the next bit goes: its constant place if there is one, its phase, and the least and most bits before it in its container.

    grown: what is known of the bits since the origin.
    """

    at: int | None
    phase: Phase
    origin: Origin
    grown: Phase = Phase()
    low: int = 0
    high: int | None = 0

    def plus(self, bits: int) -> Cursor:
        return replace(
            self,
            at=None if self.at is None else self.at + bits,
            phase=self.phase.plus(bits),
            grown=self.grown.plus(bits),
            low=self.low + bits,
            high=None if self.high is None else self.high + bits,
        )


@dataclass(slots=True)
class Scope:
    """Names placed so far in one group: slots by number, or the scope of a plain group; and where each lies."""

    outer: Scope | None
    slots: dict[str, Slot] = field(default_factory=dict)
    groups: dict[str, Scope] = field(default_factory=dict)
    spans: dict[str, tuple[Spot, Spot]] = field(default_factory=dict)
    options: dict[str, Scope] = field(default_factory=dict)  # groups that are not always there
    lists: dict[str, tuple[Slot, int]] = field(
        default_factory=dict
    )  # lists of single fields, each with the most of them
    sometimes: dict[str, Slot] = field(default_factory=dict)  # single fields that are not always there
    derived: dict[str, object] = field(
        default_factory=dict
    )  # values of the ground's, as the resolver notes them
    broken: set[str] = field(default_factory=set)
    split: int | None = None  # the bit of its run from which the runs of a split value in it are counted

    def find(self, name: str, *, into_options: bool = False) -> tuple[Scope, str] | None:
        """The scope and last name that `name` means, looked up from here outwards, dots leading into plain groups.

        into_options: also into those that are not always there.
        """
        first, *rest = name.split(".")
        scope: Scope | None = self
        while scope is not None:
            if first in scope.spans or first in scope.broken:
                for part in rest:
                    inner = scope.groups.get(first) or (scope.options.get(first) if into_options else None)
                    if inner is None:
                        return None
                    scope, first = inner, part
                return (scope, first) if first in scope.spans or first in scope.broken else None
            scope = scope.outer
        return None

    def own_slots(self) -> Iterator[Slot]:
        """The slots of a group and of the plain groups in it."""
        yield from self.slots.values()
        for inner in self.groups.values():
            yield from inner.own_slots()

    def names(self, kinds: tuple[str, ...]) -> Iterator[str]:
        """Names that a field here can refer to, nearest group first: of slots of these kinds, or of all that has a span."""
        scope: Scope | None = self
        while scope is not None:
            yield from scope.own_names(kinds)
            scope = scope.outer

    def own_names(self, kinds: tuple[str, ...]) -> Iterator[str]:
        for name in self.spans:
            slot = self.slots.get(name)
            kind = "derived" if name in self.derived else None if slot is None else slot.kind
            if not kinds or kind in kinds:
                yield name
            if name in self.groups:
                yield from (f"{name}.{inner}" for inner in self.groups[name].own_names(kinds))


@dataclass(frozen=True, slots=True)
class Spot:
    """A position that a check's span may name: in a container, `bits` into the node that stands there at index `index`."""

    container: Container
    index: int
    bits: int
    cursor: Cursor

    @property
    def rank(self) -> tuple[int, int]:
        """Its order on the wire, once its container is closed: the number of the node it lies in, and the bits into it."""
        mark = self.mark()
        return (mark.node if mark.node >= 0 else 1 << 62, mark.bits)

    def mark(self) -> Mark:
        """The position as back ends see it, once its container is closed."""
        nodes, index, bits = self.container.nodes, self.index, self.bits
        while index + 1 < len(nodes) and isinstance(run := nodes[index], Run) and bits == run.size_bits:
            index, bits = index + 1, 0  # one position has one spelling: the start of the node after it
        if index < len(nodes):
            return Mark(nodes[index].number, bits, self.cursor.at)
        return Mark(-1, 0, self.cursor.at)


@dataclass(eq=False, slots=True)
class Container:
    """Nodes under construction, with the run that still takes slots."""

    next_node: Callable[[], int]
    cursor: Cursor
    prefix: str
    holder: int | None = None  # the number of the repeat or option that it is the inside of
    nodes: list[Node] = field(default_factory=list)
    open: OpenRun | None = None
    phase: Phase = field(init=False)
    start: Spot = field(init=False)

    def __post_init__(self) -> None:
        self.phase = self.cursor.phase
        self.start = self.spot()

    def spot(self) -> Spot:
        """The current position, valid once the container is closed."""
        index, bits = len(self.nodes), self.open.size if self.open else 0
        return Spot(self, index, bits, self.cursor)

    def opened(self, packing: Packing) -> OpenRun:
        """The run that takes slots of this packing."""
        if self.open is None or self.open.packing is not packing:
            self.close_run()
            self.open = OpenRun(self.next_node(), self.cursor, packing)
        return self.open

    def add_slot(self, slot: Slot, packing: Packing) -> None:
        run = self.opened(packing)
        if slot.pieces:
            run.slots.append(slot)  # its bits were set aside
            return
        run.slots.append(replace(slot, offset_bits=run.size))
        self.advance(slot.width)

    def advance(self, bits: int) -> None:
        """Go on by so many bits of the open run."""
        assert self.open is not None
        self.open.size += bits
        self.cursor = self.cursor.plus(bits)

    def room(self) -> int | None:
        """Go past bits that are set aside for split values; the bits that are free from there on, None: any number."""
        if self.open is None:
            return None
        while self.open.size in self.open.aside:
            self.advance(1)
        later = [bit for bit in self.open.aside if bit > self.open.size]
        return min(later) - self.open.size if later else None

    def close_run(self) -> None:
        if self.open is None:
            return
        run = self.open
        self.nodes.append(
            Run(run.number, run.start.at, run.start.phase.within(8), run.size, run.packing, tuple(run.slots))
        )
        self.open = None

    def add_node(self, node: Node, after: Cursor) -> None:
        self.nodes.append(node)
        self.cursor = after

    def filled(self, unit: int, since: Phase | None = None) -> Cursor:
        """The cursor after a fill to a multiple of `unit` whose width is not constant; since: counted from a place like this."""
        low, high, over = (
            self.cursor.low,
            self.cursor.high,
            self.phase.within(unit) if since is None else None,
        )
        if over is None:
            high = None if high is None else high + unit - 1
        else:
            low = -(-(low + over) // unit) * unit - over
            high = None if high is None else -(-(high + over) // unit) * unit - over
        phase, origin = (
            Phase(unit, 0) if since is None else since.and_then(Phase(unit, 0)),
            self.cursor.origin,
        )
        return Cursor(None, phase, origin, phase.after(origin.phase), low, high)

    def close(self, *, ends_in_run: bool = False) -> tuple[Node, ...]:
        """All nodes; ends_in_run: an empty run at the end, where a check's span may end there."""
        self.close_run()
        if ends_in_run and self.nodes and not isinstance(self.nodes[-1], Run):
            cursor = self.cursor
            self.nodes.append(Run(self.next_node(), cursor.at, cursor.phase.within(8), 0, Packing.MOST, ()))
        return tuple(self.nodes)


@dataclass(slots=True)
class OpenRun:
    number: int
    start: Cursor
    packing: Packing
    slots: list[Slot] = field(default_factory=list)
    size: int = 0
    aside: set[int] = field(default_factory=set)  # bits of split values that the next slots leave out


@dataclass(eq=False, slots=True)
class Part:
    """The frame (number -1) or a measured part while it is being laid out.

    carried: a frame inside of one, which has a start of its own and the end of what is around it.
    containers: its own, and those of variants that stand directly in it: what runs to its end may stand in any of them.
    """

    number: int
    start: Cursor
    containers: list[Container] = field(default_factory=list)
    carried: bool = False

    def holds(self, container: Container) -> bool:
        return any(one is container for one in self.containers)

    def since(self, cursor: Cursor) -> Phase:
        """What is known of the bits from the part's start to a cursor."""
        if self.number < 0 and not self.carried:
            return cursor.phase
        if cursor.origin is self.start.origin:
            return cursor.grown.after(self.start.grown)
        return cursor.phase.after(self.start.phase)  # an element inside it counts from its own start


@dataclass(frozen=True, slots=True)
class Style:
    """How numbers lie here: the packing, and the octet order that numbers of 16 bits and more take; None: as the packing has them."""

    packing: Packing
    order: str | None

    @property
    def natural(self) -> str:
        return "little" if self.packing is Packing.LEAST else "big"
