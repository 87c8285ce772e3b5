"""From a record to a frame, slot by slot: the path that finds every fault of a record, in wire order.

Strategy: one pass over the layout takes each slot's code from the record and gives it its place, as lists and
options decide the frame's shape. Counts, flags that tell of an option, and flags raised by clamping depend on
what follows them, so demands on them are noted on the way and settled at the end. Only a record without a
fault is then written; checks come last, inner ones first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from operator import index
from typing import Any

from packetkit.codec import bits, derive
from packetkit.codec.bits import Words
from packetkit.codec.walk import Leaf, Scope, located, mixed_into, product_of, spans_of
from packetkit.errors import EncodeError, Fault
from packetkit.layout.beside import nothing, raw_beside, read_as
from packetkit.layout.joined import Unfit, raw_codes, to_codes
from packetkit.layout.model import (
    Branch,
    Choice,
    Fill,
    Joined,
    Layout,
    Measured,
    Node,
    Optional,
    Packing,
    Range,
    Repeat,
    Run,
    Slot,
    flat,
    slots_of,
    told_branch,
)
from packetkit.layout.number import listed, to_raw
from packetkit.layout.shown import shown

_ABSENT = object()
_BROKEN = object()  # inside a group whose own fault is already noted


def encode(layout: Layout, record: object) -> bytes:
    """Return the frame of a record. Raises EncodeError with every fault, in wire order; never changes the record."""
    writing = _Writing(layout)
    end = writing.take(record)
    if writing.faults:
        raise EncodeError(tuple(fault for _, fault in sorted(writing.faults, key=lambda one: one[0])))
    return writing.frame(end)


@dataclass(slots=True)
class _Demand:
    """What an option or a repeat asks of the slot that tells of it."""

    address: str
    order: int
    count: int | None = None
    codes: tuple[Range, ...] = ()
    present: bool = False
    size: int | None = None


@dataclass(frozen=True, slots=True)
class _Chosen:
    """A variant that was taken, to be held against the codes that tell it."""

    node: Choice
    branch: Branch
    address: str
    order: int
    scope: Scope


@dataclass(frozen=True, slots=True)
class _Counted:
    """A list that was taken, to be held against the fields whose product counts it."""

    node: Repeat
    count: int
    address: str
    order: int
    scope: Scope


@dataclass(slots=True)
class _State:
    """What is known of a leaf while the record is read: was it given, and what is asked of it."""

    given: bool
    broken: bool = False
    demands: list[_Demand] = field(default_factory=list)
    raised: bool = False
    wanted: list[int] = field(default_factory=list)  # codes that variants ask for


class _Writing:
    """One record being turned into codes at their places."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.faults: list[tuple[int, Fault]] = []
        self.leaves: list[Leaf] = []
        self.states: list[_State] = []
        self.words: list[Words] = []
        nodes = list(layout.walk())
        self.told = {node.by for node in nodes if isinstance(node, Optional) and node.by is not None}
        self.choosing = {
            number
            for node in nodes
            if isinstance(node, Choice) and not node.turn  # whose turn it is, no variant says
            for number in node.told_by
        }
        self.measuring = {node.by: node for node in nodes if isinstance(node, Measured)}
        self.choices: list[_Chosen] = []
        self.products: list[_Counted] = []
        self.absent: list[
            str
        ] = []  # in each measured part, and the frame: the first field that no bytes remained for
        self.later: list[tuple[Leaf, Any]] = []  # values that mean what other fields say, in wire order
        self.settled: set[int] = set()
        self.now: int | None = None  # the place of the leaf whose value is taken late
        self.told |= {slot.raises for slot in layout.slots if slot.raises is not None}

    def take(self, record: object) -> int:
        """Give every slot its code and place; return the bits of the frame."""
        if not isinstance(record, Mapping):
            self.fault("", "wrong-type", f"a record is a mapping, not {shown(record)}")
            return 0
        todo = derive.plan(self.layout)
        if todo is not None:
            record = derive.without(todo, record)
        self.absent.append("")
        scope = Scope(None)
        for slot in self.layout.supplied:
            self.supply(slot, record, scope)
        end = self.container(self.layout.nodes, record, False, 0, (), scope, "")
        for leaf, value in self.later:
            self.take_late(leaf, value)
        for leaf, state in zip(self.leaves, self.states, strict=True):
            if leaf.order not in self.settled:
                self.settle(leaf, state)
        for chosen in self.choices:
            self.hold_choice(chosen)
        for counted in self.products:
            self.hold_product(counted)
        return end

    def fault(self, path: str, rule: str, message: str, order: int | None = None) -> None:
        here = len(self.leaves) if self.now is None else self.now
        self.faults.append((here if order is None else order, Fault(path, rule, message)))

    # -- structure ---------------------------------------------------------------------------------

    def container(
        self,
        nodes: tuple[Node, ...],
        given: Any,
        bare: bool,
        at: int,
        indices: tuple[int, ...],
        scope: Scope,
        address: str,
    ) -> int:
        """Take the nodes of a record, an element or an option, given as a mapping, or bare as its only value."""
        reported: set[tuple[str, ...]] = set()
        if given is not _BROKEN and not bare and not isinstance(given, Mapping):
            self.fault(address, "wrong-type", f"{shown(given)} is not a mapping of its fields")
            given = _BROKEN
        for node in nodes:
            at = self.node(node, _Container(given, address, reported), at, indices, scope)
        if not bare and given is not _BROKEN:
            shape = _shape(nodes)
            if nodes is self.layout.nodes:
                shape |= {slot.path[0]: None for slot in self.layout.supplied}
            self.unknown(given, shape, address)
        return at

    def node(self, node: Node, into: _Container, at: int, indices: tuple[int, ...], scope: Scope) -> int:
        scope.starts[node.number] = at
        if isinstance(node, Run):
            if node.packing.word_bits:
                self.words.append((at, at + node.size_bits, node.packing.word_bits))
            for slot in node.slots:
                place = (at, slot.offset_bits, slot.width, node.packing)
                self.leaf(slot, self.find(into, slot.path), indices, scope, *place)
            return at + node.size_bits
        if isinstance(node, Fill):
            start = scope.start(node.since) if node.since >= 0 else 0
            width = -(at - start) % node.unit_bits
            value = self.find(into, node.slot.path)
            self.leaf(replace(node.slot, width=width), value, indices, scope, at, 0, width, node.packing)
            return at + width
        if isinstance(node, Measured):
            return self.measured(node, into, at, indices, scope)
        value = self.find(into, node.path)
        if isinstance(node, Choice):
            return self.choice(node, value, at, indices, scope)
        if isinstance(node, Repeat):
            return self.repeat(node, value, at, indices, scope)
        return self.optional(node, value, at, indices, scope)

    def measured(
        self, node: Measured, into: _Container, at: int, indices: tuple[int, ...], scope: Scope
    ) -> int:
        """Take the nodes of a measured part, whose fields are the container's; its length is told of its size."""
        before = len(self.faults)
        self.absent.append("")
        end = at
        for inner in node.body:
            end = self.node(inner, into, end, indices, scope)
        self.absent.pop()
        address = located(node.address, indices)
        state = self.states[scope.leaf(node.by).order]
        if len(self.faults) > before:
            state.broken = True  # a size is not that of what cannot be sent
        else:
            state.demands.append(_Demand(address, len(self.leaves), size=end - at))
        return end

    def choice(self, node: Choice, value: Any, at: int, indices: tuple[int, ...], scope: Scope) -> int:
        """Take the variant that the record names, and tell the fields that tell of it."""
        address = located(node.address, indices)
        branch = None
        if value is not _BROKEN:
            if _takes_turns(node, value):
                branch = self.turn(node, value, address, scope)
            else:
                branch = self.named_branch(node, value, address)
        if branch is None:
            for number in node.told_by:
                self.states[scope.leaf(number).order].broken = True
            return at
        self.choices.append(_Chosen(node, branch, address, len(self.leaves), scope))
        for number, codes in zip(node.told_by if not node.turn else (), branch.codes, strict=False):
            if len(codes) == 1 and codes[0].low == codes[0].high:
                self.states[scope.leaf(number).order].wanted.append(codes[0].low)
        inside = _join(address, branch.name)
        return self.container(branch.body, value[branch.name], branch.bare, at, indices, scope, inside)

    def turn(self, node: Choice, value: Mapping[str, Any], address: str, scope: Scope) -> Branch | None:
        """The variant whose turn it is, where all that take turns may be given: the others are ignored. None where a fault was noted."""
        leaf = scope.leaf(node.told_by[0])
        branch = told_branch(node, [leaf.raw])
        if branch is None or self.states[leaf.order].broken:
            return None
        if branch.name not in value:
            text = f"is not given, and it is its turn at {leaf.address} {leaf.raw}. Give it, or change that"
            self.fault(_join(address, branch.name), "missing-key", text)
            return None
        return branch

    def named_branch(self, node: Choice, value: Any, address: str) -> Branch | None:
        """The branch whose name is the only key of a value; None where a fault was noted."""
        names = [branch.name for branch in node.all]
        if value is _ABSENT:
            self.fault(
                address, "missing-key", f"is not given. Give one of its variants: {{{names[0]!r}: {{...}}}}"
            )
        elif not isinstance(value, Mapping) or len(value) != 1:
            self.fault(
                address, "wrong-type", f"{shown(value)} is not a mapping with one variant: {', '.join(names)}"
            )
        elif (name := next(iter(value))) not in names:
            self.fault(address, "unknown-key", f"{shown(name)} is none of its variants {', '.join(names)}")
        else:
            return next(branch for branch in node.all if branch.name == name)
        return None

    def find(self, into: _Container, path: tuple[str, ...]) -> Any:
        """What a container holds at a path; groups on the way that are absent count as empty."""
        here = into.given
        for depth, key in enumerate(path):
            if here is _BROKEN or here is _ABSENT:
                return here
            if not isinstance(here, Mapping):
                self.broken_group(into, path[:depth], here)
                return _BROKEN
            here = here.get(key, _ABSENT)
        return here

    def broken_group(self, into: _Container, path: tuple[str, ...], found: object) -> None:
        if path not in into.reported:
            into.reported.add(path)
            self.fault(
                _join(into.address, *path), "wrong-type", f"{shown(found)} is not a mapping of its fields"
            )

    def unknown(self, given: Mapping[Any, Any], shape: _Shape, address: str) -> None:
        """Note every key that no slot has."""
        for key in given:
            inner = shape.get(key, _ABSENT) if isinstance(key, str) else _ABSENT
            if inner is _ABSENT:
                self.fault(
                    _join(address, _word(key)),
                    "unknown-key",
                    _unknown(key, shape, address or self.layout.name),
                )
            elif isinstance(inner, dict) and isinstance(given[key], Mapping):
                self.unknown(given[key], inner, _join(address, key))

    def repeat(self, node: Repeat, value: Any, at: int, indices: tuple[int, ...], scope: Scope) -> int:
        address = located(node.address, indices)
        if node.joined is not None and value is not _BROKEN:
            value = self.joined(node, node.joined, value, address)
        elif value is _ABSENT:
            self.fault(address, "missing-key", "is not given. Give a list, empty if there is nothing to send")
        elif value is not _BROKEN and not isinstance(value, (list, tuple)):
            self.fault(address, "wrong-type", f"{shown(value)} is not a list")
            value = _BROKEN
        if value is _ABSENT or value is _BROKEN:
            if node.counted_by is not None:
                self.states[scope.leaf(node.counted_by).order].broken = True
            return at
        if not self.length(node, len(value), address, scope):
            return at
        if node.factors:
            self.products.append(_Counted(node, len(value), address, len(self.leaves), scope))
        if node.runs_to_end and value and self.absent[-1]:
            self.fault(
                address,
                "disagrees",
                f"is not empty, but {self.absent[-1]} before it is not given. Give that too",
            )
        for number, element in enumerate(value):
            place = (*indices, number)
            at = self.container(
                node.element, element, node.bare, at, place, Scope(scope), f"{address}[{number}]"
            )
        return at

    def joined(self, node: Repeat, joined: Joined, value: Any, address: str) -> Any:
        """The codes of a text or of octets, as elements; _BROKEN where a fault was noted."""
        if value is _ABSENT:
            what = "bytes" if joined.form in ("bytes", "bits") else "a text"
            self.fault(
                address, "missing-key", f"is not given. Give {what}, empty if there is nothing to send"
            )
            return _BROKEN
        try:
            if isinstance(value, Mapping) and "raw" in value:
                highest = (1 << node.minimum_bits) - 1
                codes = raw_codes(joined, value["raw"], highest)
            else:
                codes = to_codes(joined, value, node.count)
        except Unfit as error:
            self.faults.append((len(self.leaves), error.fault(address)))
            return _BROKEN
        return [{"raw": code} for code in codes]

    def length(self, node: Repeat, count: int, address: str, scope: Scope) -> bool:
        """Whether a list may have so many elements; the field that counts them is told of it."""
        if node.count is not None:
            if count != node.count:
                self.fault(
                    address, "wrong-length", f"has {count} elements, not the {node.count} of every frame"
                )
            return count == node.count
        most = node.maximum
        if node.counted_by is not None:
            counter = scope.leaf(node.counted_by)
            most = min(
                one
                for one in (most, counter.slot.maximum_count, counter.slot.raw_limits[1])
                if one is not None
            )
            state = self.states[counter.order]
            if count <= most:
                state.demands.append(_Demand(address, len(self.leaves), count=count))
            else:
                state.broken = True
        if most is not None and count > most:
            text = f"has {count} elements, but {most} at most can be sent. Leave out {count - most}"
            self.fault(address, "wrong-length", text)
            return False
        return True

    def optional(self, node: Optional, value: Any, at: int, indices: tuple[int, ...], scope: Scope) -> int:
        address = located(node.address, indices)
        if value is _BROKEN:
            return at
        if node.by is None:
            return self.remaining(node, value, at, indices, scope)
        teller = scope.leaf(node.by)
        state = self.states[teller.order]
        present = value is not _ABSENT and value is not None
        if not present and state.given and not state.broken and _holds(teller.raw, node.codes):
            # Told that it is there: an absent value is the one that means so, where there is one.
            present, value = _stands_for_absence(node), None
        if not state.broken:
            demand = _Demand(address, len(self.leaves), codes=node.codes, present=present)
            state.demands.append(demand)
        if not present:
            return at
        return self.container(node.body, value, node.bare, at, indices, scope, address)

    def remaining(self, node: Optional, value: Any, at: int, indices: tuple[int, ...], scope: Scope) -> int:
        """Take what is there when bytes remain: after one that is not given, nothing can be."""
        address = located(node.address, indices)
        if value is _ABSENT or value is None:
            self.absent[-1] = self.absent[-1] or address
            return at
        if self.absent[-1]:
            self.fault(
                address, "disagrees", f"is given, but {self.absent[-1]} before it is not. Give that too"
            )
            return at
        return self.container(node.body, value, node.bare, at, indices, scope, address)

    # -- one slot ----------------------------------------------------------------------------------

    def leaf(
        self,
        slot: Slot,
        value: Any,
        indices: tuple[int, ...],
        scope: Scope,
        run_at: int,
        offset: int,
        width: int,
        packing: Packing,
    ) -> None:
        leaf = Leaf(slot, indices, len(self.leaves), run_at, offset, width, packing, scope)
        state = _State(given=value is not _ABSENT and value is not _BROKEN, broken=value is _BROKEN)
        if slot.tellers and value is not _BROKEN:
            self.later.append((leaf, value))
        elif value is _ABSENT:
            self.fill_in(leaf, state)
        elif value is not _BROKEN:
            raw = self.raw(leaf, value)
            state.broken = raw is None
            leaf.raw = raw or 0
        self.leaves.append(leaf)
        self.states.append(state)
        scope.leaves[slot.number] = leaf

    def take_late(self, leaf: Leaf, value: Any) -> None:
        """Take a value whose code hangs on other fields, once these have theirs."""
        state, self.now = self.states[leaf.order], leaf.order
        for number in leaf.slot.tellers:
            teller = leaf.scope.leaf(number)
            if teller.order not in self.settled:
                self.settled.add(teller.order)
                self.settle(teller, self.states[teller.order])
            state.broken = state.broken or self.states[teller.order].broken
        if value is _ABSENT and not state.broken and not isinstance(read_as(leaf.slot, leaf.beside), Slot):
            leaf.raw = nothing(leaf.slot) if leaf.slot.default is None else leaf.slot.default
            state.given = True
        elif value is _ABSENT and not state.broken:
            self.fill_in(leaf, state)
        elif not state.broken:
            raw = self.raw(leaf, value)
            state.broken = raw is None
            leaf.raw = raw or 0
        self.now = None

    def said(self, leaf: Leaf, number: int) -> str:
        """What another slot says, in words: `has_fix is False`."""
        teller = leaf.scope.leaf(number)
        return f"{teller.address} is {_word_of(teller)}"

    def supply(self, slot: Slot, record: object, scope: Scope) -> None:
        """Take a field that is not sent: checks that are mixed with it find it in the frame's scope."""
        leaf = scope.leaves[slot.number] = Leaf(slot, (), 0, 0, 0, slot.width, Packing.MOST, scope)
        value = record.get(slot.path[0], _ABSENT) if isinstance(record, Mapping) else _ABSENT
        if value is _ABSENT:
            text = f"is not given. Give {_wanted(slot)}: it is mixed into a check"
            self.fault(slot.address, "missing-key", text)
        else:
            leaf.raw = self.raw(leaf, value) or 0

    def fill_in(self, leaf: Leaf, state: _State) -> None:
        """The code of a slot whose key is absent (WIRE.md 12)."""
        slot = leaf.slot
        if slot.is_constant:
            leaf.raw = slot.codes[0].low
            state.given = True
        elif slot.default is not None:
            leaf.raw = slot.default
        elif slot.missing_code is not None:
            leaf.raw = slot.missing_code
        elif slot.number in self.choosing:
            return  # a variant may say it
        elif not (
            slot.kind in ("count", "length", "reserved", "check")
            or (slot.kind == "flag" and slot.number in self.told)
        ):
            state.broken = True
            self.fault(leaf.address, "missing-key", f"is not given. Give {_wanted(slot)}")
            return
        if slot.kind not in ("flag", "count", "length", "check"):
            state.given = True  # nothing that follows can change it

    def raw(self, leaf: Leaf, value: Any) -> int | None:
        """The code of a given value, or None where a fault was noted."""
        slot = leaf.slot
        if isinstance(value, Mapping) and "raw" in value:
            return self.given_raw(leaf, value["raw"])
        if slot.tellers:
            outcome = raw_beside(slot, value, leaf.beside, partial(self.said, leaf))
        else:
            outcome = to_raw(slot, value)
        if outcome.fault is not None:
            self.fault(leaf.address, outcome.fault.rule, outcome.fault.message)
            return None
        if outcome.clamped and slot.raises is not None:
            flag = leaf.scope.leaf(slot.raises)
            self.states[flag.order].raised = True
        if slot.kind == "reserved" and outcome.raw:
            text = f"{shown(value)} in reserved bits, which are sent as zero. Leave it out, or give {{'raw': {outcome.raw}}}"
            self.fault(leaf.address, "disagrees", text)
            return None
        return self.agreeing(leaf, outcome.raw)

    def given_raw(self, leaf: Leaf, raw: Any) -> int | None:
        slot = leaf.slot
        if isinstance(raw, bool) or not hasattr(raw, "__index__"):
            self.fault(leaf.address, "wrong-type", f"raw is {shown(raw)}, not a whole number")
            return None
        code = index(raw)
        low, high = slot.raw_limits
        if not low <= code <= high:
            text = f"raw is {shown(code)}, but {slot.width} bits hold {low} to {high}"
            self.fault(leaf.address, "raw-range", text)
            return None
        return self.agreeing(leaf, code)

    def agreeing(self, leaf: Leaf, raw: int) -> int | None:
        """The code, if it is one that the slot may have."""
        slot = leaf.slot
        if slot.is_constant and not _holds(raw, slot.codes):
            text = f"{raw} is given, but it is always {listed(slot.codes)}. Leave it out"
            self.fault(leaf.address, "disagrees", text)
            return None
        if slot.maximum_count is not None and raw > slot.maximum_count:
            text = f"{raw} is given, but the schema allows {slot.maximum_count} at most"
            self.fault(leaf.address, "out-of-range", text)
            return None
        return raw

    # -- what depends on what follows --------------------------------------------------------------

    def settle(self, leaf: Leaf, state: _State) -> None:
        """Bring a slot and what is asked of it together."""
        if state.broken:
            return
        if not state.given and state.wanted:
            leaf.raw, state.given = state.wanted[0], True
        elif (
            not state.given
            and leaf.slot.number in self.choosing
            and leaf.slot.kind not in ("count", "length")
        ):
            if leaf.slot.kind != "flag" or leaf.slot.number not in self.told:
                self.fault(
                    leaf.address, "missing-key", f"is not given. Give {_wanted(leaf.slot)}", leaf.order
                )
                return
        sizes = [demand for demand in state.demands if demand.size is not None]
        if sizes:
            self.settle_size(leaf, state, sizes[0])
            return
        counts = [demand for demand in state.demands if demand.count is not None]
        if counts:
            self.settle_count(leaf, state, counts)
        if not state.given and leaf.slot.kind == "flag" and len(counts) < len(state.demands):
            first = state.demands[0]
            leaf.raw = 1 if _holds(1, first.codes) is first.present else 0
        self.hold(leaf, state)
        if state.raised and not leaf.raw:
            leaf.raw = 1
            self.hold(
                leaf, state
            )  # a flag that clamping raised may not say that something is there which is not

    def hold(self, leaf: Leaf, state: _State) -> None:
        """Note every option whose presence is not what this slot says."""
        for demand in state.demands:
            if (
                demand.count is None
                and demand.size is None
                and _holds(leaf.raw, demand.codes) is not demand.present
            ):
                self.fault(demand.address, "disagrees", _presence(leaf, state, demand), demand.order)

    def settle_count(self, leaf: Leaf, state: _State, counts: list[_Demand]) -> None:
        first = counts[0]
        for other in counts[1:]:
            if other.count != first.count:
                text = f"has {other.count} elements, but {first.address} has {first.count}, and {leaf.address} counts both"
                self.fault(other.address, "disagrees", text, other.order)
        assert first.count is not None
        if state.given and leaf.raw != first.count:
            text = f"{leaf.raw} is given, but {first.address} has {first.count} elements. Leave it out"
            self.fault(leaf.address, "disagrees", text, leaf.order)
        leaf.raw = first.count

    def settle_size(self, leaf: Leaf, state: _State, demand: _Demand) -> None:
        """The code of a length, from the size of what it measures."""
        node = self.measuring[leaf.slot.number]
        assert demand.size is not None
        units, over = divmod(demand.size, node.unit_bits)
        raw, highest = units - node.less, leaf.slot.raw_limits[1]
        if over:
            text = f"has {demand.size} bits, which are not whole units of {node.unit_bits}, as {leaf.address} counts them"
            self.fault(demand.address, "wrong-length", text, demand.order)
        elif not 0 <= raw <= highest:
            text = f"has {units} units of {node.unit_bits} bits, but {leaf.address} can say {node.less} to {highest + node.less}"
            self.fault(demand.address, "wrong-length", text, demand.order)
        elif state.given and leaf.raw != raw:
            text = (
                f"{leaf.raw} is given, but {demand.address or self.layout.name} makes it {raw}. Leave it out"
            )
            self.fault(leaf.address, "disagrees", text, leaf.order)
        leaf.raw = raw if 0 <= raw <= highest else 0

    def hold_choice(self, chosen: _Chosen) -> None:
        """Note a variant that is not the one its codes mean."""
        leaves = [chosen.scope.leaf(number) for number in chosen.node.told_by]
        if not leaves or any(self.states[leaf.order].broken for leaf in leaves) or self.faults:
            return
        raws = [leaf.raw for leaf in leaves]
        meant = told_branch(chosen.node, raws)
        if meant is not chosen.branch:
            told = " and ".join(f"{leaf.address} {leaf.raw}" for leaf in leaves)
            name = meant.name if meant is not None else "no variant"
            text = f"{chosen.branch.name} is given, but {told} means {name}. Give that, or change the codes"
            self.fault(chosen.address, "disagrees", text, chosen.order)

    def hold_product(self, counted: _Counted) -> None:
        """Note a list that has not as many elements as the fields say that count it."""
        leaves = [counted.scope.leaf(factor.by) for factor in counted.node.factors]
        if any(self.states[leaf.order].broken for leaf in leaves):
            return
        wanted = product_of(counted.node, counted.scope)
        if wanted != counted.count:
            said = " and ".join(f"{leaf.address} {leaf.raw}" for leaf in leaves)
            text = f"has {counted.count} elements, but {said} makes it {wanted}"
            self.fault(counted.address, "disagrees", text, counted.order)

    # -- the frame ---------------------------------------------------------------------------------

    def frame(self, end: int) -> bytes:
        """The octets, with every check computed after those that it covers."""
        made = bytearray(-(-end // 8))
        checks: dict[int, list[Leaf]] = {number: [] for number in self.layout.check_order}
        for leaf in self.leaves:
            if leaf.slot.check is None:
                self.put(made, leaf, leaf.raw)
            else:
                checks[leaf.slot.number].append(leaf)
        for number in self.layout.check_order:
            for leaf in checks[number]:
                assert leaf.slot.check is not None
                spans = spans_of(leaf, len(made) * 8)
                value = bits.check_value(
                    leaf.slot.check, leaf.width, spans, leaf.own, self.words, bytes(made)
                )
                value ^= mixed_into(leaf)
                if self.states[leaf.order].given and leaf.raw != value:
                    text = f"{leaf.raw:#x} is given, but the frame's bytes make it {value:#x}. Leave it out"
                    self.fault(leaf.address, "disagrees", text, leaf.order)
                self.put(made, leaf, value)
        if self.faults:
            raise EncodeError(tuple(fault for _, fault in sorted(self.faults, key=lambda one: one[0])))
        return bytes(made)

    def put(self, frame: bytearray, leaf: Leaf, raw: int) -> None:
        code = bits.code_of(leaf.slot, raw)
        bits.scatter(frame, leaf.packing, leaf.run_at, leaf.pieces, code)


@dataclass(frozen=True, slots=True)
class _Container:
    """A part of the record being taken: what was given for it, its address, and groups whose fault is noted."""

    given: Any
    address: str
    reported: set[tuple[str, ...]]


_Shape = dict[str, Any]  # key -> None for a slot, a repeat or an option, or the keys of a group


def _shape(nodes: tuple[Node, ...]) -> _Shape:
    """The keys that a container may have."""
    made: _Shape = {}
    for node in flat(nodes):
        paths = [slot.path for slot in slots_of(node)]
        if isinstance(node, (Repeat, Optional, Choice)):
            paths.append(node.path)
        for path in paths:
            here = made
            for key in path[:-1]:
                here = here.setdefault(key, {})
            if path:
                here[path[-1]] = None
    return made


def _holds(raw: int, codes: tuple[Range, ...]) -> bool:
    return any(raw in one for one in codes)


def _takes_turns(node: Choice, value: object) -> bool:
    """Whether a value gives several variants of those that take turns, and nothing else."""
    names = {branch.name for branch in node.branches}
    return node.turn > 0 and isinstance(value, Mapping) and len(value) > 1 and value.keys() <= names


def _stands_for_absence(node: Optional) -> bool:
    """Whether an option that is told to be there can be sent without a value: it is one field that is missing, or does not count."""
    first = node.body[0] if node.body else None  # fill of no width leaves nothing
    if not node.bare or not isinstance(first, Run):
        return False
    return first.slots[0].missing_code is not None or bool(first.slots[0].tellers)


def _presence(leaf: Leaf, state: _State, demand: _Demand) -> str:
    """The sentence that says how an option and what tells of it disagree."""
    shape = "given" if demand.present else "not given"
    teller = leaf.address
    if leaf.slot.kind == "flag":
        if not state.given and len(state.demands) > 1:
            return f"is {shape}, unlike {state.demands[0].address}, and {teller} tells of both"
    found = _word_of(leaf)
    remedy = "Leave it out, or change that" if demand.present else "Give it, or change that"
    return f"is {shape}, but {teller} is {found}. {remedy}"


def _word_of(leaf: Leaf) -> object:
    """What a teller says: a flag's truth, a state's name, else the code."""
    if leaf.slot.kind == "flag":
        return leaf.raw == 1
    return next((name for code, name in leaf.slot.states if code == leaf.raw), leaf.raw)


def _wanted(slot: Slot) -> str:
    if slot.kind == "flag":
        return "True or False"
    if slot.kind == "states":
        return f"one of {', '.join(name for _, name in slot.states)}"
    if slot.kind == "time":
        return "a time in UTC, such as 2030-01-31T00:00:00Z"
    if slot.kind == "tag":
        return f"one of {listed(slot.codes)}"
    return f"a number in {slot.unit}" if slot.unit else "a number"


def _unknown(key: object, shape: _Shape, where: str) -> str:
    from difflib import get_close_matches

    near = get_close_matches(key, shape, 1) if isinstance(key, str) and len(key) <= 100 else []
    remedy = f"Did you mean {near[0]}?" if near else "Leave it out"
    return f"is no field of {where}. {remedy}"


def _word(key: object) -> str:
    return key if isinstance(key, str) and len(key) <= 100 else shown(key)


def _join(address: str, *keys: str) -> str:
    return ".".join(key for key in (address, *keys) if key)
