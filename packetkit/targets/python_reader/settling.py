"""What fields that fill themselves are asked for by what follows them, and how both are brought together."""

from __future__ import annotations

from typing import Any

from packetkit.targets.python_reader.bits import EncodeError, Row, _holds
from packetkit.targets.python_reader.continued import _number_in, _number_limits, _spelling
from packetkit.targets.python_reader.places import _Leaf, _product, _Scope, _told_branch

# -- what is asked of fields that fill themselves --------------------------------------------------


class _Demand:
    """What a list, an option or a measured part asks of the slot that tells of it: a count, a size, or that codes mean presence."""

    __slots__ = ("address", "codes", "count", "order", "present", "size")

    def __init__(self, address: str, order: int) -> None:
        self.address, self.order = address, order
        self.count: int | None = None
        self.size: int | None = None
        self.codes: Any = ()
        self.present = False


def _counted(bits: int, node: Row) -> tuple[int, int]:
    """How many of a measured part's bits are counted, and those at its end that can be neither counted nor not."""
    if "uncounted" not in node:
        return bits, 0
    every, octets = node["uncounted"]
    whole, rest = divmod(bits, 8 * (every + octets))
    last = max(rest - 8 * octets, 0)
    return whole * 8 * every + last, rest - last - (8 * octets if last else 0)


class _State:
    """What is known of a leaf while the record is read. wanted: codes that variants ask for."""

    __slots__ = ("broken", "demands", "given", "raised", "wanted")

    def __init__(self, given: bool, broken: bool) -> None:
        self.given, self.broken, self.raised = given, broken, False
        self.demands: list[_Demand] = []
        self.wanted: list[int] = []


class _Settling:
    """The fields of one record, what is asked of them, and the faults that were found, in wire order."""

    def __init__(self, frame: Row) -> None:
        self.frame = frame
        self.faults: list[tuple[int, str, str, str]] = []
        self.leaves: list[_Leaf] = []
        self.states: list[_State] = []
        # What was taken, held against its codes at the end.
        self.choices: list[tuple[Row, Row, str, int, _Scope]] = []
        self.products: list[tuple[Row, int, str, int, _Scope]] = []
        self.measured_by: dict[int, Row] = {}
        self.settled: list[int] = []  # leaves, by their order, that a value which is taken late asked for
        self.now: int | None = None  # the order of the leaf whose value is taken late

    def fault(self, path: str, rule: str, message: str, order: int | None = None) -> None:
        here = len(self.leaves) if self.now is None else self.now
        self.faults.append((here if order is None else order, path, rule, message))

    def refuse(self) -> None:
        if self.faults:
            raise EncodeError(fault[1:] for fault in sorted(self.faults, key=lambda one: one[0]))

    def settle_all(self) -> None:
        """Bring all fields and what is asked of them together, then hold variants and products against them."""
        for leaf, state in zip(self.leaves, self.states):
            if leaf.order not in self.settled:
                self.settle(leaf, state)
        for choice in self.choices:
            self.hold_choice(*choice)
        for product in self.products:
            self.hold_product(*product)

    def settle(self, leaf: _Leaf, state: _State) -> None:
        """Bring a slot and what is asked of it together."""
        if state.broken or not self.wished(leaf, state):
            return
        size = next((one for one in state.demands if one.size is not None), None)
        if size is not None:
            self.settle_size(leaf, state, size)
            return
        counts = [one for one in state.demands if one.count is not None]
        if counts:
            self.settle_count(leaf, state, counts)
        if not state.given and leaf.slot["kind"] == "flag" and len(counts) < len(state.demands):
            first = state.demands[0]
            leaf.raw = 1 if _holds(1, first.codes) is first.present else 0
        self.hold(leaf, state)
        if state.raised and not leaf.raw:  # it may not say now that something is there which is not
            leaf.raw = 1
            self.hold(leaf, state)

    def wished(self, leaf: _Leaf, state: _State) -> bool:
        """Whether a slot that was not given can go on: with the code that a variant asks for, or without."""
        number, kind = leaf.slot["number"], leaf.slot["kind"]
        if state.given:
            return True
        if state.wanted:
            leaf.raw, state.given = state.wanted[0], True
        elif number in self.frame.get("choosing", ()) and kind not in ("count", "length"):
            if kind != "flag" or number not in self.frame["asked"]:
                self.fault(leaf.address, "missing-key", "is not given", leaf.order)
                return False
        return True

    def hold(self, leaf: _Leaf, state: _State) -> None:
        for one in state.demands:
            if one.count is None and one.size is None and _holds(leaf.raw, one.codes) is not one.present:
                words = f"is {'' if one.present else 'not '}given, but {leaf.address} is {leaf.raw}"
                self.fault(one.address, "disagrees", words, one.order)

    def settle_count(self, leaf: _Leaf, state: _State, counts: list[_Demand]) -> None:
        first = counts[0]
        wanted = first.count or 0
        for one in counts[1:]:
            if one.count != wanted:
                words = f"has {one.count} elements, but {first.address} has {wanted}"
                self.fault(one.address, "disagrees", words, one.order)
        said = _number_in(leaf.slot, leaf.raw)
        if state.given and said != wanted:
            words = f"{said} is given, but {first.address} has {wanted}"
            self.fault(leaf.address, "disagrees", words, leaf.order)
        if not state.given or said != wanted:
            leaf.raw = _spelling(leaf.slot, wanted)

    def settle_size(self, leaf: _Leaf, state: _State, demand: _Demand) -> None:
        """The code of a length, from the size of what it measures."""
        node = self.measured_by[leaf.slot["number"]]
        counted, rest = _counted(demand.size or 0, node)
        units, over = divmod(counted, node["unit"])
        over += rest
        number, highest = units - node["less"], _number_limits(leaf.slot, leaf.bits)[1]
        said = _number_in(leaf.slot, leaf.raw)
        if over:
            words = f"has {demand.size} bits, which are not whole units of {node['unit']}"
            self.fault(demand.address, "wrong-length", words, demand.order)
        elif not 0 <= number <= highest:
            words = (
                f"has {units} units, but {leaf.address} can say {node['less']} to {highest + node['less']}"
            )
            self.fault(demand.address, "wrong-length", words, demand.order)
        elif state.given and said != number:
            words = f"{said} is given, but {demand.address or self.frame['name']} makes it {number}"
            self.fault(leaf.address, "disagrees", words, leaf.order)
        if not state.given or said != number:
            leaf.raw = _spelling(leaf.slot, number) if 0 <= number <= highest else 0

    def hold_choice(self, node: Row, branch: Row, address: str, order: int, scope: _Scope) -> None:
        """Note a variant that is not the one its codes mean."""
        leaves = [scope.leaf(number) for number in node["by"]]
        if not leaves or self.faults or any(self.states[leaf.order].broken for leaf in leaves):
            return
        if _told_branch(node, [leaf.raw for leaf in leaves]) is not branch:
            told = " and ".join(f"{leaf.address} {leaf.raw}" for leaf in leaves)
            self.fault(address, "disagrees", f"{branch['name']} is given, but {told} does not mean it", order)

    def hold_product(self, node: Row, count: int, address: str, order: int, scope: _Scope) -> None:
        """Note a list that has not as many elements as the fields say that count it."""
        leaves = [scope.leaf(number) for number, form in node["factors"] if form != "list"]
        wanted = _product(node, scope)
        if wanted != count and not any(self.states[leaf.order].broken for leaf in leaves):
            words = f"has {count} elements, but the fields that count it make it {wanted}"
            self.fault(address, "disagrees", words, order)
