"""What fields that fill themselves are asked for by what follows them: counts, lengths, flags and codes that tell of something.

Strategy: while a record is taken in wire order nobody knows yet how long a list behind a count will be, whether an option is given, or
whether a value will be clamped. So each such fact is a demand on the field that tells of it, noted with the place in the frame where it
arose, and settled once all of the record is known: the field takes what is asked of it, or what was given for it is held against that.
A field whose own value had a fault asks and answers nothing more: one fault is said once.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from packetkit.codec.given import wanted
from packetkit.codec.tree import Leaf, Scope, product_of
from packetkit.errors import Fault
from packetkit.layout.model import Branch, Choice, Layout, Measured, Optional, Repeat, told_branch
from packetkit.layout.slots import Range, Slot

Faults = list[tuple[int, Fault]]  # each with the place in wire order at which it is said


@dataclass(slots=True)
class Demand:
    """What an option or a repeat asks of the slot that tells of it."""

    address: str
    order: int
    count: int | None = None
    codes: tuple[Range, ...] = ()
    present: bool = False
    size: int | None = None
    last: bool | None = None  # of what ends a list: whether its element is the last


@dataclass(frozen=True, slots=True)
class Taken:
    """A variant that was taken, to be held against the codes that tell it."""

    node: Choice
    branch: Branch
    address: str
    order: int
    scope: Scope


@dataclass(frozen=True, slots=True)
class Counted:
    """A list that was taken, to be held against the fields whose product counts it."""

    node: Repeat
    count: int
    address: str
    order: int
    scope: Scope


@dataclass(slots=True)
class State:
    """What is known of a leaf while the record is read: was it given, and what is asked of it."""

    given: bool
    broken: bool = False
    demands: list[Demand] = field(default_factory=list)
    raised: bool = False
    wanted: list[int] = field(default_factory=list)  # codes that variants ask for


class Demands:
    """The demands on one frame's fields, and their settlement. Leaves, and the faults found, are shared with whoever takes the record."""

    def __init__(self, layout: Layout, leaves: list[Leaf], faults: Faults) -> None:
        self.layout = layout
        self.leaves = leaves
        self.faults = faults
        self.states: list[State] = []  # one for each leaf
        nodes = list(layout.walk())
        self.told = {node.by for node in nodes if isinstance(node, Optional) and node.by is not None}
        self.told |= {slot.raises for slot in layout.slots if slot.raises is not None}
        self.told |= {node.own_end.by for node in nodes if isinstance(node, Repeat) and node.own_end}
        self.choosing = {
            number
            for node in nodes
            if isinstance(node, Choice) and not node.turn  # whose turn it is, no variant says
            for number in node.told_by
        }
        self.measuring = {node.by: node for node in nodes if isinstance(node, Measured)}
        self.choices: list[Taken] = []
        self.products: list[Counted] = []
        self.settled: set[int] = set()

    def of(self, leaf: Leaf) -> State:
        """What is known of a leaf."""
        return self.states[leaf.order]

    def fault(self, path: str, rule: str, message: str, order: int) -> None:
        self.faults.append((order, Fault(path, rule, message)))

    def settle_all(self) -> None:
        """Bring all fields and what is asked of them together, then hold variants and products against them."""
        for leaf in self.leaves:
            self.settle(leaf)
        for taken in self.choices:
            self.hold_choice(taken)
        for counted in self.products:
            self.hold_product(counted)

    def settle(self, leaf: Leaf) -> None:
        """Bring a field and what is asked of it together; once."""
        state = self.of(leaf)
        if state.broken or leaf.order in self.settled:
            return
        self.settled.add(leaf.order)
        if not state.given and state.wanted:
            leaf.raw, state.given = state.wanted[0], True
        elif not state.given and self.must_be_said(leaf.slot):
            self.fault(leaf.address, "missing-key", f"is not given. Give {wanted(leaf.slot)}", leaf.order)
            return
        sizes = [demand for demand in state.demands if demand.size is not None]
        if sizes:
            self.settle_size(leaf, state, sizes[0])
            self.hold(leaf, state)
            return
        counts = [demand for demand in state.demands if demand.count is not None]
        if counts:
            self.settle_count(leaf, state, counts)
        if not state.given and leaf.slot.kind == "flag" and len(counts) < len(state.demands):
            first = state.demands[0]
            leaf.raw = 1 if holds(1, first.codes) is first.present else 0
        self.hold(leaf, state)
        if state.raised and not leaf.raw:
            leaf.raw = 1
            self.hold(leaf, state)  # a raised flag may not say that something is there which is not

    def must_be_said(self, slot: Slot) -> bool:
        """Whether a field tells which variant is there, and nothing but a record or a variant can say its code."""
        fills_itself = slot.kind in ("count", "length") or (slot.kind == "flag" and slot.number in self.told)
        return slot.number in self.choosing and not fills_itself

    def hold(self, leaf: Leaf, state: State) -> None:
        """Note every option whose presence is not what this slot says."""
        for demand in state.demands:
            is_option = demand.count is None and demand.size is None
            if is_option and holds(leaf.raw, demand.codes) is not demand.present:
                self.fault(demand.address, "disagrees", _presence(leaf, state, demand), demand.order)

    def settle_count(self, leaf: Leaf, state: State, counts: list[Demand]) -> None:
        """The code of a count, from the length of what it counts."""
        first = counts[0]
        for other in counts[1:]:
            if other.count != first.count:
                text = f"has {other.count} elements, but {first.address} has {first.count}, and {leaf.address} counts both"
                self.fault(other.address, "disagrees", text, other.order)
        assert first.count is not None
        if state.given and leaf.number != first.count:
            text = f"{leaf.number} is given, but {first.address} has {first.count} elements. Leave it out"
            self.fault(leaf.address, "disagrees", text, leaf.order)
        if not state.given or leaf.number != first.count:
            leaf.raw = leaf.slot.code_of(first.count)

    def settle_size(self, leaf: Leaf, state: State, demand: Demand) -> None:
        """The code of a length, from the size of what it measures."""
        node = self.measuring[leaf.slot.number]
        assert demand.size is not None
        number, over = node.number_of(demand.size)
        highest = leaf.slot.number_limits[1]
        misfit = _misfit(node, leaf, demand.size, number, over, highest)
        if misfit:
            whose = "" if demand.address else "the frame "
            self.fault(demand.address, "wrong-length", whose + misfit, demand.order)
        elif state.given and leaf.number != number:
            text = f"{leaf.number} is given, but {demand.address or self.layout.name} makes it {number}. Leave it out"
            self.fault(leaf.address, "disagrees", text, leaf.order)
        if not state.given or leaf.number != number:
            leaf.raw = leaf.slot.code_of(number) if 0 <= number <= highest else 0

    def hold_choice(self, taken: Taken) -> None:
        """Note a variant that is not the one its codes mean."""
        leaves = [taken.scope.leaf(number) for number in taken.node.told_by]
        if not leaves or any(self.of(leaf).broken for leaf in leaves) or self.faults:
            return
        raws = [leaf.raw for leaf in leaves]
        meant = told_branch(taken.node, raws)
        if meant is not taken.branch:
            codes = (leaf.number if leaf.slot.is_continued else leaf.raw for leaf in leaves)
            told = " and ".join(f"{leaf.address} {code}" for leaf, code in zip(leaves, codes, strict=True))
            name = meant.name if meant is not None else "no variant"
            text = f"{taken.branch.name} is given, but {told} means {name}. Give that, or change the codes"
            self.fault(taken.address, "disagrees", text, taken.order)

    def hold_product(self, counted: Counted) -> None:
        """Note a list that has not as many elements as the fields say that count it."""
        factors = counted.node.factors
        leaves = [counted.scope.leaf(factor.by) for factor in factors if not factor.in_list]
        if any(self.of(leaf).broken for leaf in leaves):
            return
        product = product_of(counted.node, counted.scope)
        if product != counted.count:
            words = [f"{leaf.address} {leaf.raw}" for leaf in leaves]
            words += [
                f"{counted.scope.ones_in(one.by)} ones in {self.layout.slots[one.by].address.removesuffix('[]')}"
                for one in factors
                if one.in_list
            ]
            text = f"has {counted.count} elements, but {' and '.join(words)} makes it {product}"
            self.fault(counted.address, "disagrees", text, counted.order)


def _misfit(node: Measured, leaf: Leaf, size: int, number: int, over: int, highest: int) -> str:
    """Why a length cannot say that a part has so many bits, and which sizes near it can; empty where it can say it."""
    if not over:
        if 0 <= number <= highest:
            return ""
        units = f"has {number + node.less} units of {node.unit_bits} bits"
        return f"{units}, but {leaf.address} can say {node.less} to {highest + node.less}"
    sizes = [node.bits_of(near) for near in (number, number + 1) if 0 <= near <= highest]
    remedy = (
        f". Make it {' or '.join(str(one) for one in sizes if one or node.address)}" if any(sizes) else ""
    )
    if node.not_counted is None:
        rule = f"which are not whole units of {node.unit_bits}, as {leaf.address} counts them"
    else:
        every, octets = node.not_counted
        rule = (
            f"of which {over} are too many or too few: after each {every} octets and the rest {octets} stand"
        )
    return f"has {size} bits, {rule}{remedy}"


def holds(raw: int, codes: tuple[Range, ...]) -> bool:
    """Return whether a raw code is one of these."""
    return any(raw in one for one in codes)


def _presence(leaf: Leaf, state: State, demand: Demand) -> str:
    """The sentence that says how an option, or an element, and what tells of it disagree."""
    if demand.last is not None:
        said = f"{word_of(leaf)}, which {'does not end' if demand.last else 'ends'} the list"
        place = "this is the last element" if demand.last else "another element follows"
        return f"says {leaf.address.rpartition('.')[2]} {said}, but {place}. Change that, or the list"
    shape = "given" if demand.present else "not given"
    teller = leaf.address
    if leaf.slot.kind == "flag":
        if not state.given and len(state.demands) > 1:
            return f"is {shape}, unlike {state.demands[0].address}, and {teller} tells of both"
    found = word_of(leaf)
    remedy = "Leave it out, or change that" if demand.present else "Give it, or change that"
    return f"is {shape}, but {teller} is {found}. {remedy}"


def word_of(leaf: Leaf) -> object:
    """Return what a teller says: a flag's truth, a state's name, else the code."""
    if leaf.slot.kind == "flag":
        return leaf.raw == 1
    if leaf.slot.is_continued:
        return leaf.number
    return next((name for code, name in leaf.slot.states if code == leaf.raw), leaf.raw)
