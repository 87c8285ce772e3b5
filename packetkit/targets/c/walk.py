"""The order in which nodes are gone through.

`Walk` goes through a layout's nodes as generated code will, so that encoding, decoding and checking differ only in what they do at a run.
Positions that are not constant are kept in `at`, in bits; the starts of nodes that a check asks for in `n5`, `n7` and so on; the ones in
the elements of a list in `o3`, by the number of their slot.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from packetkit.layout.model import (
    Choice,
    Continued,
    Fill,
    Measured,
    Node,
    Optional,
    Repeat,
    Run,
    slots_of,
    walk,
)
from packetkit.layout.slots import Slot
from packetkit.targets.c import first_bits
from packetkit.targets.c.frame import FrameCode, constant, within
from packetkit.targets.c.octets import Place
from packetkit.targets.c.record import is_member, is_octets, joined
from packetkit.targets.c.words import Page, number, size_for


class Walk:
    """Goes through nodes; `run`, `fill`, `before_list` and `length` are what a direction has of its own."""

    def __init__(self, frame: FrameCode, page: Page) -> None:
        self.frame = frame
        self.page = page
        self.known: dict[int, str] = {slot.number: f"r->{slot.path[0]}" for slot in frame.layout.supplied}
        self.marks: set[int] = set()  # nodes whose start is asked for later
        self.filled = {node.since for node in frame.layout.walk() if isinstance(node, Fill)}
        self.depth = 0
        self.there: dict[int, str] = {}  # of each option so far, the condition that it is there
        self.inside: list[int] = []  # the options that we are in
        self.sums: set[int] = set()  # the slots whose ones in a list have a variable

    # -- what a direction does -------------------------------------------------------------------------

    def run(self, run: Run, prefix: str) -> None:
        """Do what is to be done with a run's slots."""

    def fill(self, node: Fill) -> None:
        """Do what is to be done after `at` has moved over a fill."""

    def before_list(self, node: Repeat, count: str) -> None:
        """Do what is to be done before a list's elements."""

    def octets(self, node: Repeat, octets: str, target: str, count: str) -> None:
        """Do what is to be done with a list of octets."""

    def length(self, node: Repeat, prefix: str) -> str:
        """The number of elements of a list to an end."""
        return self.beside(node, prefix)

    def is_there(self, node: Optional, prefix: str) -> str:
        """The condition that an option is there which asks whether bytes remain."""
        return f"{self.beside(node, prefix)} != 0"

    def variant(self, node: Choice, prefix: str) -> str:
        """Which branch a choice has that is told from outside, counted from 0."""
        return self.beside(node, prefix)

    def no_variant(self, node: Choice) -> None:
        """Do what is to be done where no branch is meant."""

    def unfit(self, node: Measured, bits: str) -> None:
        """Refuse a part of so many bits whose length cannot say them."""

    def odd(self, node: Measured, condition: str) -> None:
        """Refuse a part of a size that its length could not say."""

    def too_many(self, node: Repeat, index: str) -> bool:
        """Refuse, before an element, one for which there is no room, as none before it was the last; whether that is done."""
        return False

    def measured(self, node: Measured, prefix: str) -> None:
        """Do what is to be done with a part that a length measures."""
        self.inner(node.body, prefix)

    # -- the way ---------------------------------------------------------------------------------------

    def nodes(self, nodes: tuple[Node, ...], prefix: str) -> None:
        """Go through the nodes of one container."""
        self.inner(nodes, prefix)

    def inner(self, nodes: tuple[Node, ...], prefix: str) -> None:
        """Go through nodes of the container that we are in."""
        for node in nodes:
            if (node.number in self.marks or node.number in self.filled) and _is_loose(node):
                self.page.add(f"const {self.frame.record.bits} n{node.number} = at;")
            self.sum_up(node)
            self.node(node, prefix)

    def sum_up(self, node: Node) -> None:
        """Have a variable for the ones in a list, before it or the option that it is in: none, where it is not there."""
        lists = walk((node,)) if isinstance(node, Optional) else (node,)
        for one in lists if self.frame.summed else ():
            for slot in slots_of(one.element[0]) if isinstance(one, Repeat) and self.frame.sums(one) else ():
                kind = "" if slot.number in self.sums else "uint32_t "
                self.page.add(f"{kind}o{slot.number} = 0;")
                self.sums.add(slot.number)

    def node(self, node: Node, prefix: str) -> None:
        if isinstance(node, Run):
            self.learn(node, prefix)
            self.run(node, prefix)
            self.advance(node)
        elif isinstance(node, Fill):
            self.over_fill(node)
        elif isinstance(node, Continued):
            self.settle(node.at)
            self.learn(node, prefix)
            self.continued(node, prefix)
        elif isinstance(node, Repeat):
            self.settle(node.at)
            self.list(node, prefix)
        elif isinstance(node, Measured):
            self.settle(node.at)
            self.measured(node, prefix)
        elif isinstance(node, Choice):
            self.settle(node.at)
            self.choice(node, prefix)
        elif isinstance(node, Optional):
            self.settle(node.at)
            self.option(node, prefix)

    def option(self, node: Optional, prefix: str) -> None:
        with self.page.block(f"if ({self.condition(node, prefix)})"):
            self.body(node, prefix)

    def body(self, node: Optional, prefix: str) -> None:
        """Go through an option that is there."""
        self.inside.append(node.number)
        self.nodes(node.body, self.target(node, prefix))
        self.inside.pop()

    def choice(self, node: Choice, prefix: str) -> None:
        """Go the way of one branch."""
        path = self.target(node, prefix)
        word = "if"
        for number_of, branch in enumerate(node.branches):
            with self.page.block(f"{word} ({self.chosen(node, number_of, prefix)})"):
                self.nodes(branch.body, joined(path, (branch.name,)))
            word = "else if"
        with self.page.block("else"):
            if node.unknown is None:
                self.no_variant(node)
            else:
                self.nodes(node.unknown.body, joined(path, (node.unknown.name,)))
        if self.page.lines[-2].strip() == "else {":
            del self.page.lines[-2:]

    def chosen(self, node: Choice, number_of: int, prefix: str) -> str:
        """The condition that codes mean this branch."""
        if not node.told_by:
            return f"{self.variant(node, prefix)} == {number_of}"
        slots = self.frame.record.slots
        terms = [
            within(f"{self.known[by]} % {node.turn}U" if node.turn else self.known[by], codes, slots[by])
            for by, codes in zip(node.told_by, node.branches[number_of].codes, strict=True)
        ]
        terms = [one for one in terms if one != "1"] or ["1"]
        return terms[0] if len(terms) == 1 else " && ".join(f"({one})" for one in terms)

    def target(self, node: Repeat | Optional | Choice, prefix: str) -> str:
        """How what a node has in the record is reached."""
        return joined(prefix, self.frame.record.paths[node.number])

    def beside(self, node: Repeat | Optional | Choice, prefix: str) -> str:
        """How the member is reached that says of a node what no code tells."""
        return joined(prefix, self.frame.record.beside[node.number])

    def continued(self, node: Continued, prefix: str) -> None:
        """Go over a number whose octets are known to be there."""
        kind = self.frame.record.bits
        bits = f"8U * {self.frame.mission.prefix}_passed(d + (at >> 3))"
        if first_bits.coding_of(self.frame, node.slot) is not None:
            bits = f"{first_bits.call(self.frame, node.slot, 'told')}(d, at, 0xFFFFFFFF)"
        self.page.add(f"at = ({kind})(at + {bits});")

    def learn(self, run: Run | Continued, prefix: str) -> None:
        """Note how the slots of a run are spelled for whoever asks for their codes."""
        for slot in slots_of(run):
            if is_member(slot):
                self.known[slot.number] = joined(prefix, slot.path)
            elif slot.codes:
                self.known[slot.number] = constant(slot.codes[0].low, slot)

    def condition(self, node: Optional, prefix: str) -> str:
        """The condition that an option is there; where what tells of it is in another option, that one has to be there too."""
        if node.by is None:
            told = self.is_there(node, prefix)
        else:
            told = within(self.known[node.by], node.codes, self.frame.record.slots[node.by])
            around = self.told_inside(node.by)
            told = " && ".join(f"({one})" for one in (*around, told)) if around else told
        self.there[node.number] = told
        return told

    def told_inside(self, by: int) -> list[str]:
        """The conditions that what tells stands in the frame at all: those of the options around it that we are not in."""
        return [self.there[one] for one in self.frame.around.get(by, ()) if one not in self.inside]

    def settle(self, at: int | None) -> None:
        """Say where a part is whose place is constant."""
        if at is not None and not self.frame.only_runs and self.page.last != f"at = {number(at)};":
            self.page.add(f"at = {number(at)};")

    def start(self, node: Node) -> str:
        """Where a node starts that is noted, in bits."""
        at = None if isinstance(node, Fill) else node.at
        return f"n{node.number}" if at is None else number(at)

    def advance(self, run: Run) -> None:
        if self.frame.only_runs:
            return
        if run.at is not None:
            self.settle(run.at + run.size_bits)
        elif run.size_bits:
            self.page.add(f"at = ({self.frame.record.bits})(at + {number(run.size_bits)});")

    def over_fill(self, node: Fill) -> None:
        unit, kind = number(node.unit_bits), self.frame.record.bits
        if node.since < 0:
            self.page.add(f"at = ({kind})((at + {number(node.unit_bits - 1)}) / {unit} * {unit});")
        else:
            start = self.start(self.frame.spans.nodes[node.since])
            over = f"(at - {start} + {number(node.unit_bits - 1)}) / {unit} * {unit}"
            self.page.add(f"at = ({kind})({start} + {over});")
        self.fill(node)

    def list(self, node: Repeat, prefix: str) -> None:
        if node.own_end is not None:
            self.ended(node, prefix)
            return
        if node.count is not None:
            count, kind = str(node.count), unsigned_for(node.count)
        elif node.counted_by is not None:
            count, kind = self.known[node.counted_by], unsigned_of(self.frame.record.slots[node.counted_by])
        elif node.factors:
            count, kind = f"c{node.number}", "uint16_t"
            self.page.add(f"const uint32_t {count} = {self.product(node)};")
        else:
            count, kind = self.length(node, prefix), "uint16_t"
        self.before_list(node, count)
        if is_octets(node) and not self.frame.sums(node):
            self.copied(node, prefix, count)
            return
        loop = "for ({0} = 0; {0} < {1}; {0}++)"
        with self.indexed(kind) as index, self.page.block(loop.format(index, count)):
            self.element(node, prefix, index)

    @contextmanager
    def indexed(self, kind: str) -> Iterator[str]:
        """A block with an index of its own."""
        index = f"i{self.depth}"
        self.depth += 1
        with self.page.block(""):
            self.page.add(f"{kind} {index};")
            yield index
        self.depth -= 1

    def element(self, node: Repeat, prefix: str, index: str) -> None:
        """Go through one element, and count the ones in it where they are asked for."""
        self.nodes(node.element, f"{self.target(node, prefix)}[{index}]")
        for slot in slots_of(node.element[0]) if self.frame.sums(node) else ():
            code = self.known[slot.number]
            self.page.add(f"o{slot.number} += {self.frame.mission.prefix}_ones({code});")

    def ended(self, node: Repeat, prefix: str) -> None:
        """Go through a list up to the element that says that it is the last."""
        assert node.own_end is not None
        slot, capacity = self.frame.record.slots[node.own_end.by], self.frame.record.capacities[node.number]
        kind = unsigned_for(int(capacity)) if capacity.isdigit() else "uint16_t"
        with self.indexed(kind) as index:
            with self.page.block(""):
                head = len(self.page.lines) - 1
                is_bound = self.too_many(node, index)
                self.element(node, prefix, index)
                with self.page.block(f"if ({within(self.known[slot.number], node.own_end.codes, slot)})"):
                    self.page.add("break;")
            while_room = "" if is_bound else f" {index} < {capacity}"
            self.page.lines[head] = self.page.lines[head].replace(
                "{", f"for ({index} = 0;{while_room}; {index}++) {{"
            )

    def copied(self, node: Repeat, prefix: str, count: str) -> None:
        """Go over a list of octets at once."""
        where = f"d + {number(node.at // 8)}" if node.at is not None else "d + (at >> 3)"
        size = number(node.count) if node.count is not None else f"(size_t){count}"
        self.octets(node, where, self.target(node, prefix), size)
        kind = self.frame.record.bits
        if node.count is None:
            self.page.add(f"at = ({kind})(at + ({kind}){count} * 8);")
        elif node.at is not None:
            self.settle(node.at + 8 * node.count)
        else:
            self.page.add(f"at = ({kind})(at + {number(8 * node.count)});")

    def product(self, node: Repeat) -> str:
        """How many elements there are of a list whose count is computed; below zero is far too many."""
        slots, name = self.frame.record.slots, self.frame.mission.prefix
        terms, bits = [], 0
        for factor in node.factors:
            slot, code = slots[factor.by], self.known.get(factor.by, "")
            if factor.in_list:
                bits += slot.width.bit_length() + 16
                terms.append(f"o{factor.by}")
                continue
            bits += slot.width.bit_length() if factor.ones else slot.width
            terms.append(f"{name}_ones({code})" if factor.ones else code)
        made = f"(uint32_t){terms[0]}"
        if bits > 31:
            made = "1"
            for term in terms:
                made = f"{name}_times({made}, {term})"
        elif len(terms) > 1:
            made = " * ".join((made, *terms[1:]))
        if node.plus:
            made = f"{made} {'+' if node.plus > 0 else '-'} {number(abs(node.plus))}"
        return f"(uint32_t)({made})" if " " in made else made

    def place(self, run: Run, pointer: str, start: str = "at") -> Place | None:
        """Where a run is in the octets `d`; None where its place in an octet is not known. Declares `b` where it is not constant."""
        if run.at is not None:
            return Place("d", run.at // 8, run.at % 8, run.packing)
        if run.residue is None:
            return None
        self.page.add(f"{pointer} *b = d + ({start} >> 3);")
        return Place("b", 0, run.residue, run.packing)

    def position(self, run: Run, slot: Slot, start: str = "at") -> str:
        start = start if run.at is None else number(run.at)
        return f"({self.frame.record.bits})({start} + {number(slot.offset_bits)})"


def _is_loose(node: Node) -> bool:
    """Whether a node's place varies."""
    return isinstance(node, Fill) or node.at is None


class Members(Walk):
    """Goes through a record's members in wire order; positions are of no interest."""

    def inner(self, nodes: tuple[Node, ...], prefix: str) -> None:
        for node in nodes:
            self.sum_up(node)
            self.node(node, prefix)

    def code(self, slot: Slot, target: str) -> None:
        """Do what is to be done with a member."""

    def run(self, run: Run, prefix: str) -> None:
        for slot in filter(is_member, run.slots):
            self.code(slot, joined(prefix, slot.path))

    def continued(self, node: Continued, prefix: str) -> None:
        if is_member(node.slot):
            self.code(node.slot, joined(prefix, node.slot.path))

    def settle(self, at: int | None) -> None:
        pass

    def advance(self, run: Run) -> None:
        pass

    def over_fill(self, node: Fill) -> None:
        pass

    def copied(self, node: Repeat, prefix: str, count: str) -> None:
        """Octets are members like others."""
        with self.page.block(""):
            self.page.add("uint16_t i;")
            with self.page.block(f"for (i = 0; i < {count}; i++)"):
                self.nodes(node.element, f"{self.target(node, prefix)}[i]")


def unsigned_for(most: int) -> str:
    return f"uint{size_for(max(most, 1).bit_length())}_t"


def unsigned_of(slot: Slot) -> str:
    return f"uint{size_for(slot.width)}_t"
