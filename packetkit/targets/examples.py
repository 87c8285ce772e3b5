"""A record to start from, for main loops and pages: values from the middle of their ranges, texts as short as they may be."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from packetkit.layout.asked import asked_codes
from packetkit.layout.beside import behind, counts, value_beside
from packetkit.layout.bundle import raw_of
from packetkit.layout.ieee import ieee_bounds
from packetkit.layout.joined import from_codes
from packetkit.layout.model import (
    Branch,
    Choice,
    Continued,
    Layout,
    Measured,
    Node,
    Optional,
    Repeat,
    Run,
    computed_count,
    forget,
    is_told,
    ones_in_element,
    slots_of,
    tell_ones,
    told_branch,
)
from packetkit.layout.number import is_decode_only
from packetkit.layout.slots import Bundle, Ieee, Joined, Slot


def example(layout: Layout, elements: int = 0) -> dict[str, Any]:
    """Return a record that the frame takes. elements: how many each list that varies has, where it may have them."""
    drawing = _Example(layout, elements)
    made: dict[str, Any] = drawing.body(layout.nodes, False)
    return {**{slot.path[0]: drawing.value(slot) for slot in layout.supplied}, **made}


def inside(layout: Layout) -> Iterator[tuple[str, Any]]:
    """Yield what can be put where nothing is, by address: an element of a list, the body of an option, each variant as `address.name`."""
    drawing = _Example(layout)
    drawing.body(layout.nodes, False)
    for node in layout.walk():
        if isinstance(node, Repeat) and node.joined is None:
            yield node.address, drawing.body(node.element, node.bare)
        elif isinstance(node, Optional):
            yield node.address, drawing.body(node.body, node.bare)
        elif isinstance(node, Choice):
            for branch in node.all:
                yield f"{node.address}.{branch.name}", drawing.body(branch.body, branch.bare)


class _Example:
    """A record on its way. told: raw codes of the slots so far, by number; those that others ask are asked for first."""

    def __init__(self, layout: Layout, elements: int = 0) -> None:
        self.most = elements
        self.short = 0  # bits that a measured part needs besides its fixed ones, as its length counts more
        self.asked = asked_codes(layout)
        self.told = dict.fromkeys(range(len(layout.slots)), 0)
        self.told |= {
            number: self.code(layout.slots[number]) for slot in layout.slots for number in behind(slot)
        }

    def body(self, nodes: tuple[Node, ...], bare: bool) -> Any:
        """The values of a container; of a bare one its only value."""
        made: dict[Any, Any] = {}
        self.fill(nodes, made)
        return made.get((), {}) if bare else made

    def fill(self, nodes: tuple[Node, ...], made: dict[Any, Any]) -> None:
        for node in nodes:
            if isinstance(node, (Run, Continued)):
                for slot in slots_of(node):
                    if slot.is_value:
                        _put(made, slot.path, self.value(slot))
                    else:
                        self.told[slot.number] = self.code(slot)
            elif isinstance(node, Measured):
                outer, self.short = self.short, max(0, node.less * node.unit_bits - node.minimum_bits)
                self.fill(node.body, made)
                self.short = outer
            elif isinstance(node, Repeat):
                _put(made, node.path, self.elements(node))
            elif isinstance(node, Optional):
                is_there = self.most > 0  # a list to the end stands behind what asks for bytes that remain
                if node.by is not None:
                    is_there = is_told(node, self.told)
                if not is_there:
                    forget(node, self.told)
                _put(made, node.path, self.body(node.body, node.bare) if is_there else None)
            elif isinstance(node, Choice):
                told = (
                    node.branches if node.turn else (self.branch(node),)
                )  # given all that take turns, the right one is sent
                _put(made, node.path, {one.name: self.body(one.body, one.bare) for one in told})

    def elements(self, node: Repeat) -> Any:
        count = node.least
        if node.counted_by is not None:
            count = self.told[node.counted_by]
        elif node.factors:
            asked = {factor.by: self.known(factor.by) for factor in node.factors}
            count = max(computed_count(node, asked), 0)
        elif node.own_end is not None:
            count = 1  # its code says that it is the last
        elif node.runs_to_end and node.joined is None:
            count = min(self.most, self.most if node.maximum is None else node.maximum)
        if node.runs_to_end and count * node.minimum_bits < self.short:
            count, self.short = -(-self.short // node.minimum_bits), 0
        if node.joined is not None:
            return _joined(node.joined, count, is_counted=node.counted_by is not None)
        made, ones = [], 0
        for _ in range(count):
            made.append(self.body(node.element, node.bare))
            ones += ones_in_element(node, self.told)
        tell_ones(node, ones, self.told)
        return made

    def branch(self, node: Choice) -> Branch:
        told = told_branch(node, [self.told[number] for number in node.told_by]) if node.told_by else None
        return told or node.branches[0]

    def code(self, slot: Slot) -> int:
        """A code from the middle of those that are sent for a value; the default, where there is one."""
        if slot.number in self.asked:
            return self.asked[slot.number][0]
        if slot.default is not None:
            return slot.default
        if slot.states:
            return slot.states[0][0]
        if isinstance(slot.transform, Bundle):
            (legal,) = slot.transform.sample.legal
            middle = legal.low + (legal.high - legal.low) // 2
            return raw_of(slot.transform, [middle, *[0] * slot.transform.differences])
        if slot.kind == "count":
            return min(self.most, slot.raw_limits[1] if slot.maximum_count is None else slot.maximum_count)
        if slot.kind not in ("number", "time", "radix_text"):
            return 0
        legal = max(slot.legal, key=lambda codes: codes.high - codes.low)
        return slot.code_of(legal.low + (legal.high - legal.low) // 2)

    def known(self, number: int) -> int:
        """The code of a slot; zero where it stands in an option that is absent."""
        return self.told.get(number, 0)

    def value(self, slot: Slot) -> Any:
        if not counts(slot, self.known):
            return None
        if isinstance(slot.transform, Ieee):
            low, high = ieee_bounds(slot)
            return min(max(0.0, low), high)
        raw = self.told[slot.number] = self.code(slot)
        found = value_beside(slot, raw, self.known)[0]
        return {"raw": raw} if found is None or is_decode_only(slot) else found


def _joined(joined: Joined, count: int, *, is_counted: bool) -> Any:
    """A text or octets: nothing, where the rest is filled up; else as many as there must be of one that means something."""
    if joined.form in ("bytes", "bits"):
        spare = 1 if joined.spare_bits and not count else 0
        return bytes(-(-count // 8) + spare if joined.form == "bits" else count)
    if joined.ends_with is not None or (joined.fill is not None and not is_counted):
        return ""
    code = joined.characters[0][0] if joined.characters else ord("A")
    return from_codes(joined, [code] * count)[0]


def _put(made: dict[Any, Any], path: tuple[str, ...], value: Any) -> None:
    if not path:
        made[()] = value
        return
    for key in path[:-1]:
        made = made.setdefault(key, {})
    made[path[-1]] = value
