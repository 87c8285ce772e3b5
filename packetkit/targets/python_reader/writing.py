"""From a record to a frame: every fault, in wire order."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from math import inf
from operator import index
from typing import Any

from packetkit.targets.python_reader.bits import Row, _holds, _limits, _shown
from packetkit.targets.python_reader.checks import _check_value, _is_known
from packetkit.targets.python_reader.continued import (
    _goes_on,
    _number_in,
    _number_limits,
    _single_code,
    _size_of,
)
from packetkit.targets.python_reader.derived import _less_derived
from packetkit.targets.python_reader.places import (
    _element_slot,
    _Leaf,
    _located,
    _read_as,
    _Scope,
    _told_branch,
)
from packetkit.targets.python_reader.settling import _Demand, _Settling, _State
from packetkit.targets.python_reader.texts import _given_codes, _joined_codes, _Unfit
from packetkit.targets.python_reader.values import Outcome, _missing_code, _to_raw

# -- from a record to a frame ----------------------------------------------------------------------

_ABSENT: Any = object()
_BROKEN: Any = object()  # inside a group whose own fault is already noted


class _Writing(_Settling):
    """One record being turned into codes at their places. sizes: bits of each number that goes on, by its place among the leaves."""

    def __init__(self, frame: Row, sizes: Mapping[int, int]) -> None:
        super().__init__(frame)
        self.sizes = sizes
        self.words: list[tuple[int, int, int]] = []
        self.absent: list[
            str
        ] = []  # in each measured part, and the frame: the first that no bytes remained for
        self.goes_on = False  # whether another element follows the one of a list to the end that is taken
        self.later: list[tuple[_Leaf, Any]] = []  # values that mean what other fields say, in wire order

    def take(self, record: Any) -> int:
        if not isinstance(record, Mapping):
            self.fault("", "wrong-type", f"a record is a mapping, not {_shown(record)}")
            return 0
        if "derived" in self.frame:
            record = _less_derived(self.frame["derived"], record)
        self.absent.append("")
        scope = _Scope(None)
        for slot in self.frame.get("supplied", ()):
            self.supply(slot, record, scope)
        end = self.container(self.frame["nodes"], record, False, 0, (), scope, "")
        for leaf, value in self.later:
            self.take_late(leaf, value)
        self.settle_all()
        return end

    def sizes_needed(self) -> dict[int, int]:
        """The bits that each number that goes on needs, by its place among the leaves."""
        return {leaf.order: _size_of(leaf.slot, leaf.raw) for leaf in self.leaves if _goes_on(leaf.slot)}

    def supply(self, slot: Row, record: Mapping[str, Any], scope: _Scope) -> None:
        """Take a field that is not sent: checks that are mixed with it find it in the frame's scope."""
        leaf = scope.leaves[slot["number"]] = _Leaf({}, slot, slot["bits"], 0, (), scope, 0)
        value = record.get(slot["path"][0], _ABSENT)
        code = value.get("raw", _ABSENT) if isinstance(value, Mapping) else value
        if value is _ABSENT:
            self.fault(leaf.address, "missing-key", "is not given, and goes into a check")
        elif code is None and "fed" in slot:
            leaf.known = False  # as a frame decoded without it has it; its checks are then given
        else:
            leaf.raw = self.raw(leaf, value) or 0

    def container(
        self,
        nodes: list[Row],
        given: Any,
        bare: bool,
        at: int,
        indices: tuple[int, ...],
        scope: _Scope,
        address: str,
    ) -> int:
        if given is not _BROKEN and not bare and not isinstance(given, Mapping):
            self.fault(address, "wrong-type", f"{_shown(given)} is not a mapping of its fields")
            given = _BROKEN
        reported: dict[str, bool] = {}
        for node in nodes:
            at = self.node(node, given, address, reported, at, indices, scope)
        if not bare and given is not _BROKEN:
            shape = _shape(nodes)
            if nodes is self.frame["nodes"]:
                shape.update((slot["path"][0], None) for slot in self.frame.get("supplied", ()))
            self.unknown(given, shape, address)
        return at

    def node(
        self,
        node: Row,
        given: Any,
        address: str,
        reported: dict[str, bool],
        at: int,
        indices: tuple[int, ...],
        scope: _Scope,
    ) -> int:
        scope.starts[node["number"]] = at
        if node["part"] == "run":
            if "word" in node:
                self.words.append((at, at + node["size"], node["word"]))
            for slot in node["slots"]:
                value = self.find(given, address, reported, slot["path"])
                self.leaf(_Leaf(node, slot, slot["bits"], at, indices, scope, len(self.leaves)), value)
            return int(at + node["size"])
        if node["part"] == "fill":
            start = scope.start(node["since"]) if "since" in node else 0
            bits = -(at - start) % node["unit"]
            value = self.find(given, address, reported, node["slot"]["path"])
            self.leaf(_Leaf(node, node["slot"], bits, at, indices, scope, len(self.leaves)), value)
            return int(at + bits)
        if node["part"] == "continued":
            bits = self.sizes.get(len(self.leaves), node["least"])
            value = self.find(given, address, reported, node["slot"]["path"])
            self.leaf(_Leaf(node, node["slot"], bits, at, indices, scope, len(self.leaves)), value)
            return int(at + bits)
        if node["part"] == "measured":
            return self.measured(node, given, address, reported, at, indices, scope)
        value = self.find(given, address, reported, node["path"])
        if node["part"] == "repeat":
            return self.repeat(node, value, at, indices, scope)
        if node["part"] == "choice":
            return self.choice(node, value, at, indices, scope)
        return self.option(node, value, at, indices, scope)

    def measured(
        self,
        node: Row,
        given: Any,
        address: str,
        reported: dict[str, bool],
        at: int,
        indices: tuple[int, ...],
        scope: _Scope,
    ) -> int:
        """Take the nodes of a measured part, whose fields are the container's; its length is told of its size."""
        before, end = len(self.faults), at
        self.absent.append("")
        for inner in node["nodes"]:
            end = self.node(inner, given, address, reported, end, indices, scope)
        self.absent.pop()
        state = self.states[scope.leaf(node["by"]).order]
        if len(self.faults) > before:
            state.broken = True  # a size is not that of what cannot be sent
        else:
            self.measured_by[node["by"]] = node
            demand = _Demand(_located(node["address"], indices), len(self.leaves))
            demand.size = end - at
            state.demands.append(demand)
        return end

    def choice(self, node: Row, value: Any, at: int, indices: tuple[int, ...], scope: _Scope) -> int:
        """Take the variant that the record names, and tell the fields that tell of it."""
        address = _located(node["address"], indices)
        branch = None
        if value is not _BROKEN:
            is_turn = _takes_turns(node, value)
            branch = (self.turn if is_turn else self.named_branch)(node, value, address, scope)
        if branch is None:
            for number in node["by"]:
                self.states[scope.leaf(number).order].broken = True
            return at
        self.choices.append((node, branch, address, len(self.leaves), scope))
        for number, codes in zip(node["by"] if "turn" not in node else (), branch["codes"]):
            code = _single_code(scope.leaf(number).slot, codes)
            if code is not None:
                self.states[scope.leaf(number).order].wanted.append(code)
        name, bare = branch["name"], branch.get("bare", False)
        inside = f"{address}.{name}" if address else name
        return self.container(branch["nodes"], value[name], bare, at, indices, scope, inside)

    def turn(self, node: Row, value: Any, address: str, scope: _Scope) -> Row | None:
        """The variant whose turn it is, where all may be given: the others are ignored. None where a fault was noted."""
        leaf = scope.leaf(node["by"][0])
        branch = _told_branch(node, [leaf.raw])
        if branch is None or self.states[leaf.order].broken:
            return None
        if branch["name"] not in value:
            place = f"{address}.{branch['name']}" if address else branch["name"]
            self.fault(place, "missing-key", f"is not given, and it is its turn at {leaf.address} {leaf.raw}")
            return None
        return branch

    def named_branch(self, node: Row, value: Any, address: str, scope: _Scope) -> Row | None:
        """The branch whose name is the only key of a value; None where a fault was noted."""
        branches = [*node["branches"], *([node["unknown"]] if "unknown" in node else [])]
        names = ", ".join(one["name"] for one in branches)
        if value is _ABSENT:
            self.fault(address, "missing-key", f"is not given. Give one of its variants: {names}")
        elif not isinstance(value, Mapping) or len(value) != 1:
            self.fault(address, "wrong-type", f"{_shown(value)} is not a mapping with one variant: {names}")
        else:
            name = next(iter(value))
            found = next((one for one in branches if one["name"] == name), None)
            if found is None:
                self.fault(address, "unknown-key", f"{_shown(name)} is none of its variants {names}")
            return found
        return None

    def find(self, here: Any, address: str, reported: dict[str, bool], path: list[str]) -> Any:
        """What a container holds at a path; groups on the way that are absent count as empty."""
        for depth, key in enumerate(path):
            if here is _BROKEN or here is _ABSENT:
                return here
            if not isinstance(here, Mapping):
                group = ".".join(part for part in (address, *path[:depth]) if part)
                if group not in reported:
                    self.fault(group, "wrong-type", f"{_shown(here)} is not a mapping of its fields")
                reported[group] = True
                return _BROKEN
            here = here.get(key, _ABSENT)
        return here

    def unknown(self, given: Any, shape: Row, address: str) -> None:
        for key in given:
            inner = shape.get(key, _ABSENT) if isinstance(key, str) else _ABSENT
            path = f"{address}.{key}" if address else str(key)
            if inner is _ABSENT:
                self.fault(
                    path, "unknown-key", f"is no field of {address or self.frame['name']}. Leave it out"
                )
            elif inner and isinstance(given[key], Mapping):
                self.unknown(given[key], inner, path)

    def repeat(self, node: Row, value: Any, at: int, indices: tuple[int, ...], scope: _Scope) -> int:
        address = _located(node["address"], indices)
        if "joined" in node and value is not _BROKEN:
            value = self.joined(node, value, address)
        elif value is _ABSENT:
            self.fault(address, "missing-key", "is not given. Give a list, empty if there is nothing to send")
        elif value is not _BROKEN and not isinstance(value, (list, tuple)):
            self.fault(address, "wrong-type", f"{_shown(value)} is not a list")
            value = _BROKEN
        if value is _ABSENT or value is _BROKEN:
            if "by" in node:
                self.states[scope.leaf(node["by"]).order].broken = True
            return at
        if not self.length(node, len(value), address, scope):
            return at
        if "factors" in node:
            self.products.append((node, len(value), address, len(self.leaves), scope))
        elif not any(key in node for key in ("count", "by", "ends")) and value and self.absent[-1]:
            words = f"is not empty, but {self.absent[-1]} before it is not given"
            self.fault(address, "disagrees", words)
        before, bare, outside = len(self.leaves), node.get("bare", False), self.goes_on
        for number, element in enumerate(value):
            self.goes_on = number < len(value) - 1 if "several" in node else outside
            inner, each = _Scope(scope), f"{address}[{number}]"
            at = self.container(node["nodes"], element, bare, at, (*indices, number), inner, each)
            if "ends" in node:
                demand = _Demand(each, len(self.leaves))
                demand.codes, demand.present = node["ends"][1], number == len(value) - 1
                self.states[inner.leaf(node["ends"][0]).order].demands.append(demand)
        self.goes_on = outside
        if _element_slot(node) in self.frame.get("summed", ()):
            scope.listed[_element_slot(node)] = self.leaves[before:]
        return at

    def joined(self, node: Row, value: Any, address: str) -> Any:
        """The codes of a text or of octets, as elements; _BROKEN where a fault was noted."""
        if value is _ABSENT:
            self.fault(address, "missing-key", "is not given. Give it, empty if there is nothing to send")
            return _BROKEN
        try:
            if isinstance(value, Mapping) and "raw" in value:
                codes = _given_codes(node["joined"], value["raw"], (1 << node["least"]) - 1)
            else:
                codes = _joined_codes(node["joined"], value, node.get("count"))
        except _Unfit as no:
            self.fault(address, no.rule, str(no))
            return _BROKEN
        return [{"raw": code} for code in codes]

    def length(self, node: Row, count: int, address: str, scope: _Scope) -> bool:
        """Whether a list may have so many elements; the field that counts them is told of it."""
        if "count" in node:
            if count != node["count"]:
                self.fault(address, "wrong-length", f"has {count} elements, not {node['count']}")
            return bool(count == node["count"])
        most = node.get("most", inf)
        if "ends" in node and not count:
            self.fault(address, "wrong-length", "is empty, but its last element says that it is the last")
            return False
        if "by" in node:
            counter = scope.leaf(node["by"])
            most = min(most, counter.slot.get("most", inf), _number_limits(counter.slot, counter.bits)[1])
            state = self.states[counter.order]
            if count <= most:
                demand = _Demand(address, len(self.leaves))
                demand.count = count
                state.demands.append(demand)
            else:
                state.broken = True
        if "as_fits" in node and self.goes_on and count < most:
            self.fault(
                address, "wrong-length", f"has {count} elements, and {most} fit where another one follows"
            )
            return False
        if count > most:
            self.fault(address, "wrong-length", f"has {count} elements, but {most} at most can be sent")
        return bool(count <= most)

    def option(self, node: Row, value: Any, at: int, indices: tuple[int, ...], scope: _Scope) -> int:
        address = _located(node["address"], indices)
        if value is _BROKEN:
            return at
        if "by" not in node:
            return self.remaining(node, value, address, at, indices, scope)
        if "inside" in node and not scope.knows(node["by"]):
            if value is not _ABSENT and value is not None:
                self.fault(
                    address, "disagrees", "is given, but the option that says so is not. Give that too"
                )
            return at
        teller = scope.leaf(node["by"])
        state = self.states[teller.order]
        present = value is not _ABSENT and value is not None
        if not present and state.given and not state.broken and _holds(teller.raw, node["codes"]):
            # Told that it is there: an absent value is the one that means so, where there is one.
            present, value = _stands_for_absence(node), None
        if not state.broken:
            demand = _Demand(address, len(self.leaves))
            demand.codes, demand.present = node["codes"], present
            state.demands.append(demand)
        if not present:
            return at
        return self.container(node["nodes"], value, node.get("bare", False), at, indices, scope, address)

    def remaining(
        self, node: Row, value: Any, address: str, at: int, indices: tuple[int, ...], scope: _Scope
    ) -> int:
        """Take what is there when bytes remain: after one that is not given, nothing can be."""
        if value is _ABSENT or value is None:
            self.absent[-1] = self.absent[-1] or address
            return at
        if self.absent[-1]:
            self.fault(address, "disagrees", f"is given, but {self.absent[-1]} before it is not")
            return at
        return self.container(node["nodes"], value, node.get("bare", False), at, indices, scope, address)

    # -- one slot

    def leaf(self, leaf: _Leaf, value: Any) -> None:
        state = _State(value is not _ABSENT and value is not _BROKEN, value is _BROKEN)
        if _is_told(leaf.slot) and value is not _BROKEN:
            self.later.append((leaf, value))
        elif value is _ABSENT:
            self.fill_in(leaf, state)
        elif value is not _BROKEN:
            raw = self.raw(leaf, value)
            state.broken = raw is None
            leaf.raw = raw or 0
        self.leaves.append(leaf)
        self.states.append(state)
        leaf.scope.leaves[leaf.slot["number"]] = leaf

    def take_late(self, leaf: _Leaf, value: Any) -> None:
        """Take a value whose code hangs on other fields, once these have theirs."""
        state, self.now = self.states[leaf.order], leaf.order
        for number in [one[0] for one in (leaf.slot.get("valid"), leaf.slot.get("scales")) if one]:
            teller = leaf.scope.leaf(number)
            if teller.order not in self.settled:
                self.settled.append(teller.order)
                self.settle(teller, self.states[teller.order])
            state.broken = state.broken or self.states[teller.order].broken
        if value is _ABSENT and not state.broken and isinstance(_read_as(leaf), str):
            leaf.raw, state.given = leaf.slot.get("preset", _missing_code(leaf.slot) or 0), True
        elif value is _ABSENT and not state.broken:
            self.fill_in(leaf, state)
        elif not state.broken:
            raw = self.raw(leaf, value)
            state.broken = raw is None
            leaf.raw = raw or 0
        self.now = None

    def fill_in(self, leaf: _Leaf, state: _State) -> None:
        """The code of a slot whose key is absent."""
        slot, kind = leaf.slot, leaf.slot["kind"]
        missing = _missing_code(slot)
        if "codes" in slot and slot.get("hidden"):
            leaf.raw = slot["codes"][0][0]
            state.given = True
        elif "preset" in slot:
            leaf.raw = slot["preset"]
        elif missing is not None:
            leaf.raw = missing
        elif slot["number"] in self.frame.get("choosing", ()):
            return  # a variant may say it
        elif (
            kind not in ("count", "length", "reserved", "check") and slot["number"] not in self.frame["asked"]
        ):
            state.broken = True
            self.fault(leaf.address, "missing-key", "is not given")
            return
        if kind not in ("flag", "count", "length", "check"):
            state.given = True  # nothing that follows can change it

    def raw(self, leaf: _Leaf, value: Any) -> int | None:
        """The code of a given value, or None where a fault was noted."""
        slot = leaf.slot
        if isinstance(value, Mapping) and "raw" in value:
            return self.given_raw(leaf, value["raw"])
        raw, clamped, no = self.beside(leaf, value)
        if no is not None:
            self.fault(leaf.address, *no)
            return None
        if clamped and "raises" in slot:
            self.states[leaf.scope.leaf(slot["raises"]).order].raised = True
        if slot["kind"] == "reserved" and raw:
            self.fault(leaf.address, "disagrees", f"{_shown(value)} in reserved bits, which are sent as zero")
            return None
        return self.agreeing(leaf, raw)

    def beside(self, leaf: _Leaf, value: Any) -> Outcome:
        """The code of a value beside those of other fields."""
        found, kind = _read_as(leaf), leaf.slot["kind"]
        if not isinstance(found, str):
            return _to_raw(found, value, leaf.bits)
        if value is None or (kind in ("number", "float") and _is_nan(value)):
            return _missing_code(leaf.slot) or 0, False, None
        return 0, False, ("disagrees", f"{_shown(value)} is given, but another field says: {found}")

    def given_raw(self, leaf: _Leaf, raw: Any) -> int | None:
        if isinstance(raw, bool) or not hasattr(raw, "__index__"):
            self.fault(leaf.address, "wrong-type", f"raw is {_shown(raw)}, not a whole number")
            return None
        code = index(raw)
        bits = leaf.slot["bits"] if _goes_on(leaf.slot) else leaf.bits
        low, high = _limits(leaf.slot, bits)
        if not low <= code <= high:
            words = f"raw is {_shown(code)}, but {bits} bits hold {low} to {high}"
            self.fault(leaf.address, "raw-range", words)
            return None
        if _goes_on(leaf.slot) and _number_in(leaf.slot, code) is None:
            words = f"raw is {code:#x}, whose octets do not go on up to the last by their first bits"
            self.fault(leaf.address, "raw-range", words)
            return None
        return self.agreeing(leaf, code)

    def agreeing(self, leaf: _Leaf, raw: int) -> int | None:
        slot = leaf.slot
        if "codes" in slot and slot.get("hidden") and not _holds(raw, slot["codes"]):
            self.fault(
                leaf.address,
                "disagrees",
                f"{raw} is given, but it is always {slot['codes'][0][0]}. Leave it out",
            )
            return None
        if "most" in slot and _number_in(slot, raw) > slot["most"]:
            words = f"{_number_in(slot, raw)} is given, but {slot['most']} is the most"
            self.fault(leaf.address, "out-of-range", words)
            return None
        return raw

    # -- the frame

    def octets(self, end: int) -> bytes:
        """The octets, with every check computed after those that it covers."""
        made = bytearray(-(-end // 8))
        for leaf in self.leaves:
            if "check" not in leaf.slot:
                leaf.write(made, leaf.raw)
        for number in self.frame["checks"]:
            for leaf in self.leaves:
                if leaf.slot["number"] == number:
                    leaf.write(made, self.check(leaf, bytes(made)))
        self.refuse()
        return bytes(made)

    def check(self, leaf: _Leaf, frame: bytes) -> int:
        """The code of a check: what the frame makes it, or what is given where nobody can tell, or where that says that there is none."""
        given, known = self.states[leaf.order].given, _is_known(leaf)
        if given and (leaf.raw == leaf.slot["check"].get("not_computed") or not known):
            return leaf.raw
        if not known:
            words = "is computed from a field that is not known here. Give that, or this as {raw: n}"
            self.fault(leaf.address, "missing-key", words, leaf.order)
            return 0
        value = _check_value(leaf, frame, self.words)
        if given and leaf.raw != value:
            words = f"{leaf.raw:#x} is given, but the frame makes it {value:#x}. Leave it out"
            self.fault(leaf.address, "disagrees", words, leaf.order)
        return value


def _encoded(frame: Row, record: Any) -> bytes:
    """The frame of a record. Numbers that go on are laid out anew until their octets agree: lengths measure only what is settled before."""
    sizes: dict[int, int] = {}
    while True:
        writing = _Writing(frame, sizes)
        end = writing.take(record)
        needed = writing.sizes_needed()
        if all(writing.leaves[order].bits == size for order, size in needed.items()):
            break
        sizes = needed
    writing.refuse()
    return writing.octets(end)


def _shape(nodes: list[Row]) -> Row:
    """The keys that a container may have: of a group the same, of anything else None."""
    made: Row = {}
    _shape_into(made, nodes)
    return made


def _shape_into(made: Row, nodes: list[Row]) -> None:
    for node in nodes:
        if node["part"] == "measured":  # its fields are its container's
            _shape_into(made, node["nodes"])
            continue
        slots = node["slots"] if node["part"] == "run" else [node.get("slot", node)]
        for slot in slots:
            here = made
            for key in slot["path"][:-1]:
                here = here.setdefault(key, {})
            if slot["path"]:
                here[slot["path"][-1]] = None


def _stands_for_absence(node: Row) -> bool:
    first = node["nodes"][0] if node["nodes"] else {}
    if not node.get("bare") or first.get("part") != "run":
        return False
    return _missing_code(first["slots"][0]) is not None or _is_told(first["slots"][0])


def _is_told(slot: Row) -> bool:
    """Whether other fields say what a code means."""
    return "valid" in slot or "scales" in slot


def _takes_turns(node: Row, value: Any) -> bool:
    """Whether a value gives several variants of those that take turns, and nothing else."""
    names = {branch["name"] for branch in node["branches"]}
    return "turn" in node and isinstance(value, Mapping) and len(value) > 1 and set(value) <= names


def _is_nan(value: Any) -> bool:
    return (isinstance(value, float) and value != value) or (isinstance(value, Decimal) and value.is_nan())
