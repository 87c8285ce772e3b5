"""What the functions of one frame share: names, the struct, the algorithms of its checks, raw codes as constants and conditions.

`walk` has the order in which nodes are gone through.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from packetkit.layout.model import (
    Choice,
    Continued,
    Layout,
    Measured,
    Node,
    Optional,
    Repeat,
    Run,
    bodies,
    flat,
    slots_of,
)
from packetkit.layout.slots import Range, Slot
from packetkit.targets.c.checks import WIDEST, Engine, engine
from packetkit.targets.c.octets import Place
from packetkit.targets.c.opened import sizes_of, with_numbers, without_bundles
from packetkit.targets.c.record import Record, is_octets
from packetkit.targets.c.rows import Table
from packetkit.targets.c.spans import END, Fed, Point, Spans
from packetkit.targets.c.words import ctype, identifier, number, size_for


@dataclass
class Mission:
    """What all frames share. engines: functions for algorithms, by identity, with their names."""

    prefix: str
    checks: str = ""  # what they are asked to save: checks.SIZE, checks.SPEED, or nothing asked
    outside: frozenset[str] = frozenset()
    is_small: bool = False
    first_bits: dict[str, int] = field(
        default_factory=dict
    )  # codings that functions were called of, numbered
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
        self.codings = {slot.number: slot.coding for slot in layout.slots if slot.is_continued}
        self.layout = layout = with_numbers(without_bundles(layout))
        self.mission = mission
        self.prefix = f"{mission.prefix}_{layout.name}"
        self.upper = self.prefix.upper()
        self.record = Record(layout, self.prefix, sizes_of(self.declared))
        self.table = Table(self)
        self.spans = Spans(layout, self.record.is_fixed)
        self.fields = _field_names(self.declared, self.upper)
        self.fields |= {slot.number: self._field(slot) for slot in layout.slots[len(self.declared.slots) :]}
        self.fed: dict[int, Fed] = {slot.number: self.spans.fed(slot) for slot in layout.slots if slot.check}
        self.homes = self.spans.home
        self.outer = _outer_checks(layout)
        self.sizing = {node.by: node for node in layout.walk() if isinstance(node, Measured)}
        self.behind = dict(_behind_numbers(layout.nodes))
        self.tabled = {node.number for node in self.table.runs()}
        self.choices = [node for node in layout.walk() if isinstance(node, Choice)]
        self.around = dict(options_around(layout.nodes))
        lists = [node for node in layout.walk() if isinstance(node, Repeat)]
        self.summed = {factor.by for node in lists for factor in node.factors if factor.in_list}

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

    def sums(self, node: Repeat) -> bool:
        """Whether the ones in a list's elements are counted."""
        return node.bare and any(slot.number in self.summed for slot in slots_of(node.element[0]))

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
            or not check.is_plain
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


def options_around(
    nodes: tuple[Node, ...], around: tuple[int, ...] = ()
) -> Iterable[tuple[int, tuple[int, ...]]]:
    """The numbers of the options that each slot stands in, by its number, the outermost first."""
    for node in nodes:
        yield from ((slot.number, around) for slot in slots_of(node))
        inner = (*around, node.number) if isinstance(node, Optional) else around
        for body in bodies(node):
            yield from options_around(body, inner)


def _behind_numbers(nodes: tuple[Node, ...]) -> Iterable[tuple[int, tuple[Node, ...]]]:
    """What follows each number that goes on in its container, by the number's node."""
    for at, node in enumerate(nodes):
        if isinstance(node, Continued):
            yield node.number, nodes[at + 1 :]
        for body in bodies(node):
            yield from _behind_numbers(body)


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


def point_text(frame: FrameCode, point: Point) -> str:
    """Return a position as generated code says it, in bits."""
    at = frame.spans.constant(point)
    if at is not None:
        return number(at)
    if point.node == END:
        return "end"
    return f"(n{point.node} + {number(point.bits)})" if point.bits else f"n{point.node}"
