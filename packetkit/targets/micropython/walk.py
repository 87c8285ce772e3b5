"""The way that generated code goes through a frame's nodes; encoding, decoding and checking differ only in what they do at a run.

Positions that are not constant are kept in `at`, in bits; the starts of nodes that a check asks for in `n5`, `n7` and so on; the ones in
the elements of a list in `o3`, by the number of their slot.
"""

from __future__ import annotations

from collections.abc import Mapping

from packetkit.layout.model import (
    Choice,
    Continued,
    Fill,
    Layout,
    Measured,
    Node,
    Optional,
    OwnEnd,
    Repeat,
    Run,
    flat,
    slots_of,
    walk,
)
from packetkit.layout.slots import Range, Slot
from packetkit.targets.c.frame import options_around
from packetkit.targets.c.opened import with_numbers, without_bundles
from packetkit.targets.c.spans import END, Fed, Point, Spans
from packetkit.targets.micropython.page import Page, number
from packetkit.targets.micropython.record import Holder, Place, Record, is_member


class FrameCode:
    """One frame on its way to Python."""

    def __init__(self, declared: Layout, name: str, small: bool, describe: Mapping[int, str]) -> None:
        self.declared = declared
        self.codings = {slot.number: slot.coding for slot in declared.slots if slot.is_continued}
        self.layout = layout = with_numbers(without_bundles(declared))
        self.record = record = Record(layout, name, small, describe)
        self.spans = Spans(layout, self.size_bytes is not None)
        self.fed: dict[int, Fed] = {slot.number: self.spans.fed(slot) for slot in layout.slots if slot.check}
        self.home = self.spans.home
        self.outer = {
            slot.number
            for node in flat(layout.nodes)
            if isinstance(node, Run)
            for slot in node.slots
            if slot.check
        }
        self.measuring: dict[int, Slot] = {
            node.by: record.slots[node.by] for node in layout.walk() if isinstance(node, Measured)
        }
        self.around = dict(options_around(layout.nodes))
        lists = [node for node in layout.walk() if isinstance(node, Repeat)]
        self.summed = {factor.by for node in lists for factor in node.factors if factor.in_list}
        self.checks = [record.slots[one] for one in layout.check_order]

    @property
    def size_bytes(self) -> int | None:
        """The frame's size where every frame has it, one of a variant that nobody knows, or of a list without its last element too."""
        varies = any(
            (isinstance(node, Choice) and node.unknown is not None)
            or (isinstance(node, Repeat) and node.own_end is not None)
            for node in self.layout.walk()
        )
        return None if varies else self.layout.size_bytes

    @property
    def small(self) -> bool:
        return self.record.small

    @property
    def marks(self) -> set[int]:
        """The nodes whose start the frame's own checks ask for after a walk."""
        made = {node for one in self.outer for node in self.fed[one].nodes}
        made |= {self.home[one].number for one in self.outer if self.home[one].at is None}
        runs = [
            self.home[one] for one in self.measuring if one in self.home
        ]  # a length that goes on keeps its place itself
        return made | {run.number for run in runs if run.at is None}

    @property
    def only_runs(self) -> bool:
        return all(isinstance(node, Run) for node in self.layout.nodes)

    @property
    def is_plain(self) -> bool:
        """True where all that is judged can be read by itself: then a frame is judged before anything of it is taken."""
        slots = self.layout.slots
        return self.only_runs and all(
            slot.kind != "count" and (slot.check is None or slot.check.is_plain) for slot in slots
        )

    def summed_in(self, node: Repeat) -> tuple[Slot, ...]:
        """The slot that each element of a list is, where its ones are counted; none elsewhere."""
        slots = slots_of(node.element[0]) if node.bare else ()
        return tuple(slot for slot in slots if slot.number in self.summed)

    def point(self, point: Point) -> str:
        """Return a position as generated code says it, in bits."""
        at = self.spans.constant(point)
        if at is not None:
            return number(at)
        if point.node == END:
            return "end"
        return f"n{point.node} + {number(point.bits)}" if point.bits else f"n{point.node}"


def within(value: str, codes: tuple[Range, ...]) -> str:
    """Return the condition that a number is one of these."""
    tests = [
        f"{value} == {number(one.low)}"
        if one.low == one.high
        else f"{number(one.low)} <= {value} <= {number(one.high)}"
        for one in codes
    ]
    return " or ".join(tests) or "False"


class Walk:
    """Goes through nodes; `run`, `fill`, `before_list` and `length` are what a direction has of its own."""

    root = "self"  # the frame's record

    def __init__(self, frame: FrameCode, page: Page) -> None:
        self.frame = frame
        self.page = page
        self.known: dict[int, str] = {
            slot.number: f"{self.root}.{frame.record.names[slot.number]}" for slot in frame.layout.supplied
        }
        self.marks: set[int] = set()  # nodes whose start is asked for later
        self.since = {
            node.since for node in frame.layout.walk() if isinstance(node, Fill) and node.since >= 0
        }
        self.depth = 0
        self.there: dict[int, str] = {}  # of each option so far, the condition that it is there
        self.inside: list[int] = []  # the options that we are in
        self.ones = "_ones"  # the function that counts a code's bits that are one

    # -- what a direction does -------------------------------------------------------------------------

    def run(self, run: Run, place: Place, holder: Holder) -> None:
        """Do what is to be done with a run's slots."""

    def fill(self, node: Fill) -> None:
        """Do what is to be done at a fill that goes from `at` to `to`."""

    def continued(self, node: Continued, place: Place, holder: Holder) -> None:
        """Do what is to be done with a number that goes on from octet to octet."""

    def before_element(self, node: Repeat, items: str, index: str) -> None:
        """Do what is to be done before an element of a list whose elements say which is the last."""

    def no_last(self, node: Repeat) -> None:
        """Do what is to be done where none of as many elements as there can be was the last."""

    def before_list(self, node: Repeat, count: str, items: str) -> None:
        """Do what is to be done before a list's elements."""

    def length(self, node: Repeat, target: str) -> str:
        """The number of elements of a list to the frame's end, which `target` holds."""
        return target

    def is_there(self, node: Optional, beside: str) -> str:
        """The condition that an option is there which asks whether bytes remain; `beside` is what the record says of it."""
        return beside

    def variant(self, node: Choice) -> str:
        """Which branch a choice has that is told from outside, counted from 0."""
        return self.frame.record.variant(self.root, node)

    def no_variant(self, node: Choice) -> None:
        """Do what is to be done where no branch is meant."""

    def measured(self, node: Measured, place: Place, holder: Holder) -> None:
        """Do what is to be done with a part that a length measures."""
        self.inner(node.body, place, holder)

    # -- the way ---------------------------------------------------------------------------------------

    def nodes(self, nodes: tuple[Node, ...], place: Place, holder: Holder) -> None:
        """Go through the nodes of one container."""
        self.inner(nodes, place, holder)

    def inner(self, nodes: tuple[Node, ...], place: Place, holder: Holder) -> None:
        """Go through nodes of the container that we are in."""
        for node in nodes:
            if node.number in self.marks or node.number in self.since:
                self.page.add(f"n{node.number} = at")
            self.sum_up(node)
            self.node(node, place, holder)

    def sum_up(self, node: Node) -> None:
        """Have a variable for the ones in a list, before it or the option that it is in: none, where it is not there."""
        for one in walk((node,)) if isinstance(node, Optional) else (node,):
            for slot in self.frame.summed_in(one) if isinstance(one, Repeat) else ():
                self.page.add(f"o{slot.number} = 0")

    def node(self, node: Node, place: Place, holder: Holder) -> None:
        if isinstance(node, Run):
            self.learn(node, place, holder)
            self.run(node, place, holder)
            self.advance(node)
            return
        if isinstance(node, Fill):
            self.over_fill(node)
            return
        self.settle(node.at)
        if isinstance(node, Continued):
            self.learn(node, place, holder)
            self.continued(node, place, holder)
        elif isinstance(node, Repeat):
            self.list(node, place, holder)
        elif isinstance(node, Measured):
            self.measured(node, place, holder)
        elif isinstance(node, Choice):
            self.choice(node, place, holder)
        elif isinstance(node, Optional):
            self.option(node, place, holder)

    def option(self, node: Optional, place: Place, holder: Holder) -> None:
        condition = self.there[node.number] = self.condition(node, place, holder)
        with self.page.block(f"if {condition}"):
            self.inside.append(node.number)
            self.nodes(node.body, place.under(node.path), holder)
            self.inside.pop()

    def choice(self, node: Choice, place: Place, holder: Holder) -> None:
        """Go the way of one branch."""
        word, outside = "if", "" if node.told_by else self.variant(node)
        for at, branch in enumerate(node.branches):
            turn = f" % {node.turn}" if node.turn else ""
            told = [
                within(self.known[by] + turn, codes)
                for by, codes in zip(node.told_by, branch.codes, strict=False)
            ] or [f"{outside} == {at}"]
            told = [f"({one})" for one in told] if len(told) > 1 else told
            with self.page.block(f"{word} {' and '.join(told)}"):
                self.nodes(branch.body, place.under((*node.path, branch.name)), holder)
            word = "elif"
        with self.page.block("else"):
            if node.unknown is None:
                self.no_variant(node)
            else:
                self.nodes(node.unknown.body, place.under((*node.path, node.unknown.name)), holder)

    def learn(self, node: Run | Continued, place: Place, holder: Holder) -> None:
        """Note how the slots of a node are spelled for whoever asks for their codes."""
        for slot in slots_of(node):
            if is_member(slot):
                self.known[slot.number] = self.frame.record.reach(place, slot.path, holder)
            elif slot.codes:
                self.known[slot.number] = number(slot.codes[0].low)

    def condition(self, node: Optional, place: Place, holder: Holder) -> str:
        if node.by is None:
            return self.is_there(node, self.frame.record.reach(place, (), holder, node.number))
        return self.told((node.by, node.codes))

    def told(self, *asked: tuple[int, tuple[Range, ...]]) -> str:
        """The condition that slots hold codes; one in an option that we are not in only where that is there."""
        tests = [
            self.there[one] for by, _ in asked for one in self.frame.around[by] if one not in self.inside
        ]
        tests += [within(self.known[by], codes) for by, codes in asked]
        tests = list(dict.fromkeys(tests))
        return tests[0] if len(tests) == 1 else " and ".join(f"({one})" for one in tests)

    def settle(self, at: int | None) -> None:
        """Say where a part is whose place is constant."""
        if at is not None:
            self.page.add_once(f"at = {number(at)}")

    def advance(self, run: Run) -> None:
        if self.frame.only_runs:
            return
        if run.at is not None:
            self.settle(run.at + run.size_bits)
        elif run.size_bits:
            self.page.add(f"at += {number(run.size_bits)}")

    def over_fill(self, node: Fill) -> None:
        unit = node.unit_bits
        if node.since < 0:
            self.page.add(f"to = (at + {number(unit - 1)}) // {number(unit)} * {number(unit)}")
        else:
            start = f"n{node.since}"
            self.page.add(
                f"to = {start} + (at - {start} + {number(unit - 1)}) // {number(unit)} * {number(unit)}"
            )
        self.fill(node)
        self.page.add("at = to")

    def items(self, node: Repeat, place: Place, holder: Holder) -> str:
        """The variable of a list's elements. Declares it."""
        items, path = f"l{self.depth}", (*place.path, *node.path)
        self.page.add(f"{items} = {place.name}.{holder.attributes[path][0]}")
        return items

    def list(self, node: Repeat, place: Place, holder: Holder) -> None:
        if node.own_end is not None:
            self.until_last(node, node.own_end, place, holder)
            return
        record, items = self.frame.record, self.items(node, place, holder)
        if node.count is not None:
            count = number(node.count)
        elif node.counted_by is not None:
            count = self.known[node.counted_by]
        elif node.factors:
            count = f"c{node.number}"
            self.page.add(f"{count} = {self.product(node)}")
        else:
            count = self.length(node, record.reach(place, (), holder, node.number))
        self.before_list(node, count, items)
        index = f"i{self.depth}"
        with self.page.block(f"for {index} in range({count})"):
            self.element(node, items, index, holder)

    def element(self, node: Repeat, items: str, index: str, holder: Holder) -> None:
        """Go through one element, and count the ones in it where they are asked for."""
        inner = self.frame.record.elements[node.number]
        self.depth += 1
        if inner is None:
            self.nodes(node.element, Place(f"{items}[{index}]", (), True), holder)
        else:
            self.page.add(f"e{self.depth} = {items}[{index}]")
            self.nodes(node.element, Place(f"e{self.depth}"), inner)
        self.depth -= 1
        for slot in self.frame.summed_in(node):
            code = self.known[slot.number]
            self.page.add(f"o{slot.number} += {code if slot.width == 1 else f'{self.ones}({code})'}")

    def until_last(self, node: Repeat, end: OwnEnd, place: Place, holder: Holder) -> None:
        """Go through a list up to the element that says that it is the last."""
        assert node.maximum is not None
        items, index = self.items(node, place, holder), f"i{self.depth}"
        with self.page.block(f"for {index} in range({number(node.maximum)})"):
            self.before_element(node, items, index)
            self.element(node, items, index, holder)
            with self.page.block(f"if {within(self.known[end.by], end.codes)}"):
                self.page.add("break")
        with self.page.block("else"):
            self.no_last(node)

    def product(self, node: Repeat) -> str:
        """How many elements there are of a list whose count is computed; it may be below zero."""
        terms = [
            f"o{factor.by}"
            if factor.in_list
            else f"{self.ones}({self.known[factor.by]})"
            if factor.ones
            else self.known[factor.by]
            for factor in node.factors
        ]
        plus = f" + {number(node.plus)}" if node.plus > 0 else f" - {number(-node.plus)}" if node.plus else ""
        return " * ".join(terms) + plus

    def base(self, run: Run) -> tuple[str, int] | None:
        """Where a run's first octet is, `` for the frame's first, and its first bit there; None where that is not known. Declares `b`."""
        if run.at is not None:
            return "", run.at % 8
        if run.residue is None:
            return None
        self.page.add("b = at >> 3")
        return "b", run.residue

    def octet(self, run: Run, base: str, octet: int) -> str:
        """The octet so many behind a run's first."""
        if run.at is not None:
            return f"d[{run.at // 8 + octet}]"
        return f"d[{base} + {octet}]" if octet else f"d[{base}]"

    def start(self, run: Run) -> str:
        return "at" if run.at is None else number(run.at)
