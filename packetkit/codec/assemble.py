"""From a record to a frame, slot by slot: the path that finds every fault of a record, in wire order.

Strategy: one pass over the layout takes each slot's code from the record (given.py) and gives it its place, as lists and options
decide the frame's shape. Counts, flags that tell of an option, and flags raised by clamping depend on what follows them, so demands
on them are noted on the way and settled at the end (demands.py). Only a record without a fault is then written; checks come last,
inner ones first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from operator import index
from typing import Any

from packetkit.codec import bits, derive
from packetkit.codec.bits import Words
from packetkit.codec.demands import Counted, Demand, Demands, Faults, State, Taken, holds, word_of
from packetkit.codec.given import (
    ABSENT,
    BROKEN,
    Container,
    join,
    keys_of,
    not_one_variant,
    stands_for_absence,
    takes_turns,
    unknown_keys,
    wanted,
)
from packetkit.codec.tree import Leaf, Scope, computed, is_known, located, mixed_into
from packetkit.errors import EncodeError, Fault
from packetkit.layout.beside import nothing, raw_beside, read_as
from packetkit.layout.coding import CODINGS
from packetkit.layout.joined import Unfit, raw_codes, to_codes
from packetkit.layout.model import (
    Branch,
    Choice,
    Continued,
    Fill,
    Layout,
    Measured,
    Node,
    Optional,
    Repeat,
    Run,
    single_code,
    slots_of,
    told_branch,
)
from packetkit.layout.number import listed, to_raw
from packetkit.layout.shown import shown
from packetkit.layout.slots import Joined, Packing, Slot


def encode(layout: Layout, record: object) -> bytes:
    """Return the frame of a record. Raises EncodeError with every fault, in wire order; never changes the record."""
    sizes: dict[int, int] = {}
    while True:
        writing = _Writing(layout, sizes)
        end = writing.take(record)
        needed = writing.sizes_needed()
        if all(writing.leaves[order].width == size for order, size in needed.items()):
            break
        sizes = needed  # what is measured holds only lengths that are settled before its own, so this ends
    if writing.faults:
        raise EncodeError(tuple(fault for _, fault in sorted(writing.faults, key=lambda one: one[0])))
    return writing.frame(end)


class _Writing:
    """One record being turned into codes at their places."""

    def __init__(self, layout: Layout, sizes: Mapping[int, int]) -> None:
        self.layout = layout
        self.sizes = sizes  # bits of each number that goes on, by its place among the leaves
        self.faults: Faults = []
        self.leaves: list[Leaf] = []
        self.words: list[Words] = []
        self.demands = Demands(layout, self.leaves, self.faults)
        # In each measured part, and the frame: the first field that no bytes remained for.
        self.absent: list[str] = []
        self.later: list[tuple[Leaf, Any]] = []  # values that mean what other fields say, in wire order
        self.goes_on = False  # whether another element follows the one of a list to the end that is taken
        self.now: int | None = None  # the place of the leaf whose value is taken late

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
        self.demands.settle_all()
        return end

    def sizes_needed(self) -> dict[int, int]:
        """The bits that each number that goes on needs, by its place among the leaves."""
        return {
            leaf.order: CODINGS[leaf.slot.coding].bits_of(leaf.raw)
            for leaf in self.leaves
            if leaf.slot.is_continued
        }

    def fault(self, path: str, rule: str, message: str) -> None:
        """Note a fault at the field that is being taken."""
        here = len(self.leaves) if self.now is None else self.now
        self.faults.append((here, Fault(path, rule, message)))

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
        if given is not BROKEN and not bare and not isinstance(given, Mapping):
            self.fault(address, "wrong-type", f"{shown(given)} is not a mapping of its fields")
            given = BROKEN
        into = Container(given, address, self.fault)
        for node in nodes:
            at = self.node(node, into, at, indices, scope)
        if not bare and given is not BROKEN:
            keys = keys_of(nodes)
            if nodes is self.layout.nodes:
                keys |= {slot.path[0]: None for slot in self.layout.supplied}
            for path, message in unknown_keys(given, keys, address, self.layout.name):
                self.fault(path, "unknown-key", message)
        return at

    def node(self, node: Node, into: Container, at: int, indices: tuple[int, ...], scope: Scope) -> int:
        scope.starts[node.number] = at
        if isinstance(node, Run):
            if node.packing.word_bits:
                self.words.append((at, at + node.size_bits, node.packing.word_bits))
            for slot in node.slots:
                place = (at, slot.offset_bits, slot.width, node.packing)
                self.leaf(slot, into.find(slot.path), indices, scope, *place)
            return at + node.size_bits
        if isinstance(node, Fill):
            start = scope.start(node.since) if node.since >= 0 else 0
            width = -(at - start) % node.unit_bits
            value = into.find(node.slot.path)
            self.leaf(replace(node.slot, width=width), value, indices, scope, at, 0, width, node.packing)
            return at + width
        if isinstance(node, Continued):
            width = self.sizes.get(len(self.leaves), node.sizes[0])
            self.leaf(node.slot, into.find(node.slot.path), indices, scope, at, 0, width, Packing.MOST)
            return at + width
        if isinstance(node, Measured):
            return self.measured(node, into, at, indices, scope)
        value = into.find(node.path)
        if isinstance(node, Choice):
            return self.choice(node, value, at, indices, scope)
        if isinstance(node, Repeat):
            return self.repeat(node, value, at, indices, scope)
        return self.optional(node, value, at, indices, scope)

    def measured(
        self, node: Measured, into: Container, at: int, indices: tuple[int, ...], scope: Scope
    ) -> int:
        """Take the nodes of a measured part, whose fields are the container's; its length is told of its size."""
        before = len(self.faults)
        self.absent.append("")
        end = at
        for inner in node.body:
            end = self.node(inner, into, end, indices, scope)
        self.absent.pop()
        address = located(node.address, indices)
        state = self.demands.of(scope.leaf(node.by))
        if len(self.faults) > before:
            state.broken = True  # a size is not that of what cannot be sent
        else:
            state.demands.append(Demand(address, len(self.leaves), size=end - at))
        return end

    def choice(self, node: Choice, value: Any, at: int, indices: tuple[int, ...], scope: Scope) -> int:
        """Take the variant that the record names, and tell the fields that tell of it."""
        address = located(node.address, indices)
        branch = None
        if value is not BROKEN:
            if takes_turns(node, value):
                branch = self.turn(node, value, address, scope)
            else:
                branch = self.named_branch(node, value, address)
        if branch is None:
            for number in node.told_by:
                self.demands.of(scope.leaf(number)).broken = True
            return at
        self.demands.choices.append(Taken(node, branch, address, len(self.leaves), scope))
        for number, codes in zip(node.told_by if not node.turn else (), branch.codes, strict=False):
            code = single_code(scope.leaf(number).slot, codes)
            if code is not None:
                self.demands.of(scope.leaf(number)).wanted.append(code)
        inside = join(address, branch.name)
        return self.container(branch.body, value[branch.name], branch.bare, at, indices, scope, inside)

    def turn(self, node: Choice, value: Mapping[str, Any], address: str, scope: Scope) -> Branch | None:
        """The variant whose turn it is, where all that take turns may be given: the others are ignored. None where a fault was noted."""
        leaf = scope.leaf(node.told_by[0])
        branch = told_branch(node, [leaf.raw])
        if branch is None or self.demands.of(leaf).broken:
            return None
        if branch.name not in value:
            text = f"is not given, and it is its turn at {leaf.address} {leaf.raw}. Give it, or change that"
            self.fault(join(address, branch.name), "missing-key", text)
            return None
        return branch

    def named_branch(self, node: Choice, value: Any, address: str) -> Branch | None:
        """The branch whose name is the only key of a value; None where a fault was noted."""
        names = [branch.name for branch in node.all]
        if value is ABSENT:
            self.fault(
                address, "missing-key", f"is not given. Give one of its variants: {{{names[0]!r}: {{...}}}}"
            )
        elif not isinstance(value, Mapping) or len(value) != 1:
            self.fault(address, "wrong-type", not_one_variant(value, names))
        elif (name := next(iter(value))) not in names:
            self.fault(address, "unknown-key", f"{shown(name)} is none of its variants {', '.join(names)}")
        else:
            return next(branch for branch in node.all if branch.name == name)
        return None

    def repeat(self, node: Repeat, value: Any, at: int, indices: tuple[int, ...], scope: Scope) -> int:
        address = located(node.address, indices)
        if node.joined is not None and value is not BROKEN:
            value = self.joined(node, node.joined, value, address)
        elif value is ABSENT:
            self.fault(address, "missing-key", "is not given. Give a list, empty if there is nothing to send")
        elif value is not BROKEN and not isinstance(value, (list, tuple)):
            self.fault(address, "wrong-type", f"{shown(value)} is not a list")
            value = BROKEN
        if value is ABSENT or value is BROKEN:
            if node.counted_by is not None:
                self.demands.of(scope.leaf(node.counted_by)).broken = True
            return at
        if not self.length(node, len(value), address, scope):
            return at
        if node.factors:
            self.demands.products.append(Counted(node, len(value), address, len(self.leaves), scope))
        if node.runs_to_end and value and self.absent[-1]:
            self.fault(
                address,
                "disagrees",
                f"is not empty, but {self.absent[-1]} before it is not given. Give that too",
            )
        before, outside = len(self.leaves), self.goes_on
        for number, element in enumerate(value):
            self.goes_on = number < len(value) - 1 if node.several_sizes else outside
            place, inner, each = (*indices, number), Scope(scope), f"{address}[{number}]"
            at = self.container(node.element, element, node.bare, at, place, inner, each)
            if node.own_end is not None:
                last = number == len(value) - 1
                demand = Demand(each, len(self.leaves), codes=node.own_end.codes, present=last, last=last)
                self.demands.of(inner.leaf(node.own_end.by)).demands.append(demand)
        self.goes_on = outside
        for slot in slots_of(node.element[0]) if node.bare else ():
            scope.listed[slot.number] = self.leaves[before:]
        return at

    def joined(self, node: Repeat, joined: Joined, value: Any, address: str) -> Any:
        """The codes of a text or of octets, as elements; BROKEN where a fault was noted."""
        if value is ABSENT:
            what = "bytes" if joined.form in ("bytes", "bits") else "a text"
            self.fault(
                address, "missing-key", f"is not given. Give {what}, empty if there is nothing to send"
            )
            return BROKEN
        try:
            if isinstance(value, Mapping) and "raw" in value:
                highest = (1 << node.minimum_bits) - 1
                codes = raw_codes(joined, value["raw"], highest)
            else:
                codes = to_codes(joined, value, node.count)
        except Unfit as error:
            self.faults.append((len(self.leaves), error.fault(address)))
            return BROKEN
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
        if node.own_end is not None and not count:
            text = "is empty, but its last element says that it is the last. Give one"
            self.fault(address, "wrong-length", text)
            return False
        if node.counted_by is not None:
            counter = scope.leaf(node.counted_by)
            most = min(
                one
                for one in (most, counter.slot.maximum_count, counter.slot.number_limits[1])
                if one is not None
            )
            state = self.demands.of(counter)
            if count <= most:
                state.demands.append(Demand(address, len(self.leaves), count=count))
            else:
                state.broken = True
        if node.as_fits and self.goes_on and count < (most or 0):
            text = (
                f"has {count} elements, and {most} fit where another one follows. Give {most}, or put it last"
            )
            self.fault(address, "wrong-length", text)
            return False
        if most is not None and count > most:
            text = f"has {count} elements, but {most} at most can be sent. Leave out {count - most}"
            self.fault(address, "wrong-length", text)
            return False
        return True

    def optional(self, node: Optional, value: Any, at: int, indices: tuple[int, ...], scope: Scope) -> int:
        address = located(node.address, indices)
        if value is BROKEN:
            return at
        if node.by is None:
            return self.remaining(node, value, at, indices, scope)
        if node.told_in_option and not scope.knows(node.by):
            if value is not ABSENT and value is not None:
                said = located(self.layout.slots[node.by].address, indices)
                text = f"is given, but {said.rpartition('.')[0]}, which says so, is not. Give that too, {{}} at the least"
                self.fault(address, "disagrees", text)
            return at
        teller = scope.leaf(node.by)
        state = self.demands.of(teller)
        present = value is not ABSENT and value is not None
        if not present and state.given and not state.broken and holds(teller.raw, node.codes):
            # Told that it is there: an absent value is the one that means so, where there is one.
            present, value = stands_for_absence(node), None
        if not state.broken:
            demand = Demand(address, len(self.leaves), codes=node.codes, present=present)
            state.demands.append(demand)
        if not present:
            return at
        return self.container(node.body, value, node.bare, at, indices, scope, address)

    def remaining(self, node: Optional, value: Any, at: int, indices: tuple[int, ...], scope: Scope) -> int:
        """Take what is there when bytes remain: after one that is not given, nothing can be."""
        address = located(node.address, indices)
        if value is ABSENT or value is None:
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
        state = State(given=value is not ABSENT and value is not BROKEN, broken=value is BROKEN)
        if slot.tellers and value is not BROKEN:
            self.later.append((leaf, value))
        elif value is ABSENT:
            self.fill_in(leaf, state)
        elif value is not BROKEN:
            raw = self.raw(leaf, value)
            state.broken = raw is None
            leaf.raw = raw or 0
        self.leaves.append(leaf)
        self.demands.states.append(state)
        scope.leaves[slot.number] = leaf

    def take_late(self, leaf: Leaf, value: Any) -> None:
        """Take a value whose code hangs on other fields, once these have theirs."""
        state, self.now = self.demands.of(leaf), leaf.order
        for number in leaf.slot.tellers:
            teller = leaf.scope.leaf(number)
            self.demands.settle(teller)
            state.broken = state.broken or self.demands.of(teller).broken
        if value is ABSENT and not state.broken and not isinstance(read_as(leaf.slot, leaf.beside), Slot):
            leaf.raw = nothing(leaf.slot) if leaf.slot.default is None else leaf.slot.default
            state.given = True
        elif value is ABSENT and not state.broken:
            self.fill_in(leaf, state)
        elif not state.broken:
            raw = self.raw(leaf, value)
            state.broken = raw is None
            leaf.raw = raw or 0
        self.now = None

    def said(self, leaf: Leaf, number: int) -> str:
        """What another slot says, in words: `has_fix is False`."""
        teller = leaf.scope.leaf(number)
        return f"{teller.address} is {word_of(teller)}"

    def supply(self, slot: Slot, record: object, scope: Scope) -> None:
        """Take a field that is not sent: checks that are mixed with it find it in the frame's scope."""
        leaf = scope.leaves[slot.number] = Leaf(slot, (), 0, 0, 0, slot.width, Packing.MOST, scope)
        value = record.get(slot.path[0], ABSENT) if isinstance(record, Mapping) else ABSENT
        code = value.get("raw", ABSENT) if isinstance(value, Mapping) else value
        mixed = any(one.check is not None and one.check.mixed == slot.number for one in self.layout.slots)
        if value is ABSENT:
            text = f"is not given. Give {wanted(slot)}: it is mixed into a check"
            text = text if mixed else f"is not given. Give {wanted(slot)}: a check is computed from it"
            self.fault(slot.address, "missing-key", text)
        elif code is None and not mixed:
            leaf.known = False  # as a frame decoded without it has it; its checks are then given
        else:
            leaf.raw = self.raw(leaf, value) or 0

    def fill_in(self, leaf: Leaf, state: State) -> None:
        """The code of a slot whose key is absent (WIRE.md 12)."""
        slot = leaf.slot
        if slot.is_constant:
            leaf.raw = slot.codes[0].low
            state.given = True
        elif slot.default is not None:
            leaf.raw = slot.default
        elif slot.missing_code is not None:
            leaf.raw = slot.missing_code
        elif slot.number in self.demands.choosing:
            return  # a variant may say it
        elif not (
            slot.kind in ("count", "length", "reserved", "check")
            or (slot.kind == "flag" and slot.number in self.demands.told)
        ):
            state.broken = True
            self.fault(leaf.address, "missing-key", f"is not given. Give {wanted(slot)}")
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
            self.demands.of(flag).raised = True
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
        if slot.is_continued and slot.number_of(code) is None:
            text = f"raw is {code:#x}, whose octets do not go on up to the last by their first bits"
            if CODINGS[slot.coding].first is not None:
                text = f"raw is {code:#x}, which is no number of any form's size"
            self.fault(leaf.address, "raw-range", text)
            return None
        return self.agreeing(leaf, code)

    def agreeing(self, leaf: Leaf, raw: int) -> int | None:
        """The code, if it is one that the slot may have."""
        slot = leaf.slot
        if slot.is_constant and not holds(raw, slot.codes):
            text = f"{raw} is given, but it is always {listed(slot.codes)}. Leave it out"
            self.fault(leaf.address, "disagrees", text)
            return None
        number = slot.number_of(raw)
        if slot.maximum_count is not None and number is not None and number > slot.maximum_count:
            text = f"{number} is given, but the schema allows {slot.maximum_count} at most"
            self.fault(leaf.address, "out-of-range", text)
            return None
        return raw

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
                self.put(made, leaf, self.check(leaf, bytes(made)))
        if self.faults:
            raise EncodeError(tuple(fault for _, fault in sorted(self.faults, key=lambda one: one[0])))
        return bytes(made)

    def check(self, leaf: Leaf, frame: bytes) -> int:
        """The code of a check: what the frame makes it, or what is given where nobody can tell, or where that says that there is none."""
        given, check = self.demands.of(leaf).given, leaf.slot.check
        assert check is not None
        if given and (leaf.raw == check.not_computed or not is_known(leaf)):
            return leaf.raw
        if not is_known(leaf):
            unknown = (leaf.scope.leaf(number) for number in check.fed)
            names = " and ".join(dict.fromkeys(one.address for one in unknown if not one.known))
            text = f"it is computed from {names}, not known here. Give {names}, or this as {{raw: n}}"
            self.demands.fault(leaf.address, "missing-key", text, leaf.order)
            return 0
        value = computed(leaf, self.words, frame) ^ mixed_into(leaf)
        if given and leaf.raw != value:
            text = f"{leaf.raw:#x} is given, but the frame's bytes make it {value:#x}. Leave it out"
            self.demands.fault(leaf.address, "disagrees", text, leaf.order)
        return value

    def put(self, frame: bytearray, leaf: Leaf, raw: int) -> None:
        code = bits.code_of(leaf.slot, raw)
        bits.scatter(frame, leaf.packing, leaf.run_at, leaf.pieces, code)
