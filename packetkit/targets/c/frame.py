"""What the functions of one frame share: names, the struct, the algorithms of its checks, and the order in which nodes are gone through.

`Walk` goes through a layout's nodes as generated code will, so that encoding, decoding and checking differ only in what they do at a run.
Positions that are not constant are kept in `at`, in bits; the starts of nodes that a check asks for in `n5`, `n7` and so on.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from packetkit.layout.model import (
    Choice,
    Fill,
    Layout,
    Measured,
    Node,
    Optional,
    Range,
    Repeat,
    Run,
    Slot,
    flat,
)
from packetkit.targets.c.checks import WIDEST, Engine, engine
from packetkit.targets.c.octets import Place
from packetkit.targets.c.opened import without_bundles
from packetkit.targets.c.record import Record, is_member, is_octets, joined
from packetkit.targets.c.rows import Table
from packetkit.targets.c.spans import END, Fed, Point, Spans
from packetkit.targets.c.words import Page, ctype, identifier, number, size_for


@dataclass
class Mission:
    """What all frames share. engines: functions for algorithms, by identity, with their names."""

    prefix: str
    checks: str = ""  # what they are asked to save: checks.SIZE, checks.SPEED, or nothing asked
    outside: frozenset[str] = frozenset()
    is_small: bool = False
    engines: dict[tuple[int | str | bool, ...], tuple[str, Engine]] = field(default_factory=dict)

    @property
    def upper(self) -> str:
        return self.prefix.upper()

    def engine(self, slot: Slot) -> tuple[str, Engine]:
        """The name and the code of a check's algorithm."""
        assert slot.check is not None
        algorithm = slot.check.algorithm
        key = algorithm.identity()
        if key not in self.engines:
            name = f"{self.prefix}_{identifier(algorithm.name)}"
            if any(name == other for other, _ in self.engines.values()):
                name = f"{name}_{len(self.engines)}"
            self.engines[key] = (name, engine(algorithm, name))
        return self.engines[key]


class FrameCode:
    """One frame on its way to C."""

    def __init__(self, layout: Layout, mission: Mission) -> None:
        self.declared = layout
        self.layout = layout = without_bundles(layout)
        self.mission = mission
        self.prefix = f"{mission.prefix}_{layout.name}"
        self.upper = self.prefix.upper()
        self.record = Record(layout, self.prefix)
        self.table = Table(self)
        self.spans = Spans(layout, self.record.is_fixed)
        self.fields = _field_names(self.declared, self.upper)
        self.fields |= {slot.number: self._field(slot) for slot in layout.slots[len(self.declared.slots) :]}
        self.fed: dict[int, Fed] = {slot.number: self.spans.fed(slot) for slot in layout.slots if slot.check}
        self.homes = self.spans.home
        self.outer = _outer_checks(layout)
        self.sizing = {node.by: node for node in layout.walk() if isinstance(node, Measured)}
        self.tabled = {node.number for node in self.table.runs()}
        self.choices = [node for node in layout.walk() if isinstance(node, Choice)]

    def _field(self, slot: Slot) -> str:
        """The enumerator of a difference: its bundle's."""
        return next(
            self.fields[one.number]
            for one in self.declared.slots
            if one.kind == "bundle"
            and one.path == slot.path[:-1]
            and slot.address.startswith(f"{one.address}.steps")
        )

    @property
    def arguments(self) -> list[tuple[str, str, str]]:
        """What decoding is told beside the bytes: type, name, and the member of the record where it goes, if that has one place."""
        made = [
            (ctype(slot.width, slot.signed), f"known_{slot.path[0]}", slot.path[0])
            for slot in self.layout.supplied
        ]
        return made + [
            ("uint8_t", self.variant_argument(node), "") for node in self.choices if not node.told_by
        ]

    @property
    def told(self) -> list[tuple[Slot, str]]:
        """Supplied fields whose type holds more than their bits, each with the result of decoding that is told such a code."""
        return [
            (slot, f"{self.upper}_BAD_{identifier(slot.path[0]).upper()}")
            for slot in self.layout.supplied
            if slot.width < size_for(slot.width)
        ]

    def variant_argument(self, node: Choice) -> str:
        """The name of the parameter that says which variant there is."""
        return f"{identifier(node.address)}_variant"

    @property
    def is_fixed(self) -> bool:
        """True where every frame has the same number of bits, one of a variant that nobody knows too."""
        return self.record.is_fixed

    @property
    def marks(self) -> set[int]:
        """The nodes whose start the frame's own checks ask for after a walk."""
        made = {node for number in self.outer for node in self.fed[number].nodes}
        made |= {self.homes[number].number for number in self.outer if self.homes[number].at is None}
        return made

    @property
    def only_runs(self) -> bool:
        """True where every bit has a constant place: then nothing keeps count of where it is."""
        return all(
            isinstance(node, Run)
            or (
                isinstance(node, Repeat)
                and node.count is not None
                and node.at is not None
                and is_octets(node)
            )
            for node in self.layout.nodes
        )

    @property
    def is_plain(self) -> bool:
        """True where all that can be refused has a constant place: then a frame is judged before anything of it is read."""
        inner = [
            slot for node in self.layout.nodes if isinstance(node, Repeat) for slot in _slots_inside(node)
        ]
        loose = any(slot.codes or slot.strict or slot.check for slot in inner)
        return (
            self.record.is_straight and not loose and all(slot.kind != "count" for slot in self.layout.slots)
        )

    def check_name(self, slot: Slot) -> str:
        return f"{self.prefix}_check_{slot.number}"

    def is_closing(self, slot: Slot) -> bool:
        """Whether a CRC is verified by running it over the frame's beginning and over its own octets at once: what remains is constant."""
        check, fed, run = slot.check, self.fed[slot.number], self.homes[slot.number]
        assert check is not None
        algorithm = check.algorithm
        if (
            algorithm.family != "crc"
            or algorithm.width > WIDEST
            or algorithm.width % 8
            or check.own is not None
            or check.also
            or check.mixed is not None
        ):
            return False
        start = None if run.at is None else run.at + slot.offset_bits
        spot = (
            len(fed.stretches),
            self.spans.constant(fed.stretches[0].start),
            self.spans.constant(fed.stretches[0].end),
        )
        if (
            not fed.whole
            or start is None
            or spot != (1, 0, start)
            or slot.bits_reversed
            or run.packing.word_bits
        ):
            return False
        low_first = slot.octets_reversed is not Place("d", 0, 0, run.packing).rises
        return algorithm.reflect_in == algorithm.reflect_out == low_first or (
            algorithm.width == 8 and algorithm.reflect_in == algorithm.reflect_out
        )


def _outer_checks(layout: Layout) -> frozenset[int]:
    """The check slots among the frame's own nodes."""
    return frozenset(
        slot.number
        for node in flat(layout.nodes)
        if isinstance(node, Run)
        for slot in node.slots
        if slot.check is not None
    )


def _slots_inside(node: Repeat) -> Iterable[Slot]:
    for one in node.element:
        if isinstance(one, Run):
            yield from one.slots
        elif isinstance(one, Repeat):
            yield from _slots_inside(one)


def _field_names(layout: Layout, upper: str) -> dict[int | str, str]:
    """The enumerators of what encoding can refuse: of slots by number, those with bits first, and of choices by address."""
    names: dict[int | str, str] = {}
    choices = [(node.address, node.address) for node in layout.walk() if isinstance(node, Choice)]
    slots = [(slot.number, slot.address) for slot in (*layout.slots, *layout.supplied)]
    named: list[tuple[int | str, str]] = [*slots, *choices]
    for key, address in named:
        name = f"{upper}_FIELD_{identifier(address).upper()}"
        while name in names.values():
            name += "_"
        names[key] = name
    return names


def within(value: str, codes: Iterable[Range], slot: Slot) -> str:
    """Return the condition that a raw code is one of these, without a comparison that its type decides."""
    low, high = slot.raw_limits
    terms = []
    for one in codes:
        if one.low == one.high:
            terms.append(f"{value} == {constant(one.low, slot)}")
            continue
        tests = [f"{value} >= {constant(one.low, slot)}"] if one.low > low else []
        tests += [f"{value} <= {constant(one.high, slot)}"] if one.high < high else []
        terms.append(" && ".join(tests) or "1")
    if not terms:
        return "0"
    return terms[0] if len(terms) == 1 else " || ".join(f"({one})" for one in terms)


def constant(value: int, slot: Slot) -> str:
    """Return a raw code of a slot as a constant."""
    if not slot.signed:
        return number(value)
    if value == -(1 << 63):
        return "(-9223372036854775807 - 1)"
    return str(value)


def over(slot: Slot, value: str) -> list[str]:
    """Return conditions that a code does not fit its width, none where its type cannot hold such a one."""
    if slot.width == size_for(slot.width):
        return []
    low, high = slot.raw_limits
    return ([f"{value} < {constant(low, slot)}"] if slot.signed else []) + [
        f"{value} > {constant(high, slot)}"
    ]


class Walk:
    """Goes through nodes; `run`, `fill`, `before_list` and `length` are what a direction has of its own."""

    def __init__(self, frame: FrameCode, page: Page) -> None:
        self.frame = frame
        self.page = page
        self.known: dict[int, str] = {slot.number: f"r->{slot.path[0]}" for slot in frame.layout.supplied}
        self.marks: set[int] = set()  # nodes whose start is asked for later
        self.filled = {node.since for node in frame.layout.walk() if isinstance(node, Fill)}
        self.depth = 0

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
            self.node(node, prefix)

    def node(self, node: Node, prefix: str) -> None:
        if isinstance(node, Run):
            self.learn(node, prefix)
            self.run(node, prefix)
            self.advance(node)
        elif isinstance(node, Fill):
            self.over_fill(node)
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
            self.nodes(node.body, self.target(node, prefix))

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

    def learn(self, run: Run, prefix: str) -> None:
        """Note how the slots of a run are spelled for whoever asks for their codes."""
        for slot in run.slots:
            if is_member(slot):
                self.known[slot.number] = joined(prefix, slot.path)
            elif slot.codes:
                self.known[slot.number] = constant(slot.codes[0].low, slot)

    def condition(self, node: Optional, prefix: str) -> str:
        if node.by is None:
            return self.is_there(node, prefix)
        return within(self.known[node.by], node.codes, self.frame.record.slots[node.by])

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
        if is_octets(node):
            self.copied(node, prefix, count)
            return
        index = f"i{self.depth}"
        self.depth += 1
        with self.page.block(""):
            self.page.add(f"{kind} {index};")
            with self.page.block(f"for ({index} = 0; {index} < {count}; {index}++)"):
                self.nodes(node.element, f"{self.target(node, prefix)}[{index}]")
        self.depth -= 1

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
            slot, code = slots[factor.by], self.known[factor.by]
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
            self.node(node, prefix)

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


def point_text(frame: FrameCode, point: Point) -> str:
    """Return a position as generated code says it, in bits."""
    at = frame.spans.constant(point)
    if at is not None:
        return number(at)
    if point.node == END:
        return "end"
    return f"(n{point.node} + {number(point.bits)})" if point.bits else f"n{point.node}"
