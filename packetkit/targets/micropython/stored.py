"""Checks in generated code: what each comes to, and how it is stored in its place, or verified there."""

from __future__ import annotations

from collections.abc import Mapping

from packetkit.layout.model import Continued, Node, Run, flat
from packetkit.layout.slots import Fed as FedItem
from packetkit.layout.slots import Packing, Slot
from packetkit.targets.c.spans import END, Fed, Point, Stretch
from packetkit.targets.micropython.checks import Engine
from packetkit.targets.micropython.page import WORD, Page, number
from packetkit.targets.micropython.places import chunks, get, is_wide, joined, part, pieces, put
from packetkit.targets.micropython.record import Holder, Place
from packetkit.targets.micropython.walk import FrameCode, Walk


def bracketed(expression: str) -> str:
    """An expression in brackets, where it is more than one word."""
    return f"({expression})" if " " in expression else expression


def low(packing: Packing) -> str:
    """The end of the names of functions for bits that are numbered from an octet's low end."""
    return "_low" if packing is Packing.LEAST else ""


def standing(page: Page, run: Run, start: str, slot: Slot) -> str:
    """Return the expression of the code that stands in a slot's place, without its sign. Declares `b` where that place varies."""
    residue = run.residue if run.at is None else run.at % 8
    if residue is None:
        got = [
            (f"_get{low(run.packing)}(d, {start} + {chunk.at}, {chunk.count})", chunk.low)
            for chunk in chunks(run, slot)
        ]
        return joined([f"{text} << {first}" if first else text for text, first in got])
    if run.at is None:
        page.add(f"b = {start} >> 3")
    made = []
    for piece in pieces(run, slot, residue, slot.width):
        octet = f"d[b + {piece.octet}]" if run.at is None else f"d[{run.at // 8 + piece.octet}]"
        made.append(get(piece, octet, piece.low))
    return joined(made)


def declare_fed(page: Page, frame: FrameCode, slot: Slot, known: Mapping[int, str]) -> None:
    """Have variables `f5`, `f_1` for the codes that go into a check besides its span: as they stand in the frame, or are told."""
    assert slot.check is not None
    for number_of in dict.fromkeys(slot.check.fed):
        other = frame.record.slots[number_of]
        if number_of < 0:
            page.add(f"{_fed_name(number_of)} = {known[number_of]} & {number((1 << other.width) - 1)}")
        else:
            run = frame.home[number_of]
            start = f"n{run.number}" if run.at is None else number(run.at)
            page.add(f"{_fed_name(number_of)} = {standing(page, run, start, other)}")


def _fed_name(number_of: int) -> str:
    return f"f{number_of}" if number_of >= 0 else f"f_{-number_of}"


def _in_front(frame: FrameCode, one: FedItem) -> str:
    """The expression of a code that is fed in front of a check's spans."""
    if one.octet is not None:
        return number(one.octet)
    if one.by is not None:
        return _fed_name(one.by)
    at = frame.spans.constant(Point(END, 0))
    return "end >> 3" if at is None else number(at // 8)


def _started(slot: Slot, engine: Engine) -> str:
    """The expression of a check's first register."""
    assert slot.check is not None
    if slot.check.initial is None:
        return engine.start
    return engine.start_from(_fed_name(slot.check.initial))


def computed(frame: FrameCode, slot: Slot, engine: Engine) -> str:
    """Return the expression of what a check's bits are to be, without what it is mixed with."""
    fed = frame.fed[slot.number]
    assert slot.check is not None
    if not fed.whole:
        names = [*asked_nodes(fed), *(_fed_name(one) for one in dict.fromkeys(slot.check.fed))]
        return f"{check_name(frame, slot)}(d{''.join(f', {name}' for name in names)})"
    register = _started(slot, engine)
    if fed.check.also:
        register = engine.octets(register, repr(fed.check.also), "0", str(len(fed.check.also)))
    for one in fed.check.front:
        size, code = one.bits // 8, _in_front(frame, one)
        octets = f"_front({code}, {size}, {fed.check.least_first})"
        register = engine.octets(register, octets, "0", str(size))
    for stretch in fed.stretches:
        register = engine.octets(register, *_octets(frame, stretch))
    return engine.value(register)


def _octets(frame: FrameCode, stretch: Stretch) -> tuple[str, str, str]:
    """A buffer and the octets of it that a stretch is."""
    ends = [frame.spans.constant(point) for point in (stretch.start, stretch.end)]
    if stretch.fill:
        count = stretch.end.bits - stretch.start.bits >> 3  # the check's own octets, in one run
        return ("_ZEROS" if stretch.fill == "zero" else "_ONES"), "0", str(count)
    first, last = (
        f"{frame.point(point)} >> 3" if at is None else number(at // 8)
        for point, at in zip((stretch.start, stretch.end), ends, strict=True)
    )
    return "d", first, last


def check_name(frame: FrameCode, slot: Slot) -> str:
    return f"_{frame.record.root.name.lower()}_check_{slot.number}"


def asked_nodes(fed: Fed) -> list[str]:
    return ["end" if node == END else f"n{node}" for node in fed.nodes]


def define_by_bits(page: Page, frame: FrameCode, slot: Slot, engine: Engine) -> None:
    """Write the function of a check whose span is not whole octets. It takes memory: the span's bits are joined to octets first."""
    fed = frame.fed[slot.number]
    spans = "".join(f"({frame.point(one.start)}, {frame.point(one.end)}), " for one in fed.stretches)
    own = "".join(f"({frame.point(first)}, {frame.point(last)}), " for first, last in fed.own)
    page.add("", "")
    names = [*asked_nodes(fed), *(_fed_name(one) for one in dict.fromkeys(fed.check.fed))]
    front = "".join(f"({_in_front(frame, one)}, {one.bits}), " for one in fed.check.front)
    with page.block(f"def {check_name(frame, slot)}(d{''.join(f', {name}' for name in names)})"):
        rule = f'"{fed.check.own or ""}", {fed.check.least_first}, ({front})'
        page.add(f"o, p, n = _join(d, ({spans}), ({own}), {rule})")
        page.add(f"c = {_started(slot, engine)}")
        if fed.check.also:
            page.add(f"c = {engine.octets('c', repr(fed.check.also), '0', str(len(fed.check.also)))}")
        page.add(f"c = {engine.octets('c', 'o', '0', 'len(o)')}")
        if fed.check.in_wire_order:
            with page.block("for i in range(n)"):
                bit = "p >> i & 1" if fed.check.least_first else "p >> n - 1 - i & 1"
                page.add(f"c = {engine.name}_bit(c, {bit})")
        else:
            octet = "p" if fed.check.least_first else "p << 8 - n"
            with page.block("if n"):
                page.add(f"c = {engine.octets('c', f'bytes(({octet},))', '0', '1')}")
        page.add(f"return {engine.value('c')}")


class CheckWalk(Walk):
    """Goes to one check slot inside lists or options, and stores or verifies it where its container ends."""

    def __init__(self, frame: FrameCode, page: Page, target: Slot, engine: Engine, *, verifies: bool) -> None:
        super().__init__(frame, page)
        self.target, self.engine, self.verifies = target, engine, verifies
        self.marks = set(frame.fed[target.number].nodes)

    def nodes(self, nodes: tuple[Node, ...], place: Place, holder: Holder) -> None:
        super().nodes(nodes, place, holder)
        run = self.frame.home[self.target.number]
        if any(node is run for node in flat(nodes)):
            act(self, run, "home", self.target, self.engine, verifies=self.verifies)

    def run(self, run: Run, place: Place, holder: Holder) -> None:
        if self.target in run.slots and run.at is None:
            self.page.add("home = at")

    def continued(self, node: Continued, place: Place, holder: Holder) -> None:
        """Octets say themselves which is the last; there may be more than the number needs."""
        with self.page.block("while d[at >> 3] & 0x80"):
            self.page.add("at += 8")
        self.page.add("at += 8")


def act(walk: Walk, run: Run, start: str, slot: Slot, engine: Engine, *, verifies: bool) -> None:
    """Store or verify a check in its run, which starts at `start`."""
    page, check = walk.page, slot.check
    assert check is not None
    if verifies and check.not_computed is not None:
        stored = standing(page, run, start if run.at is None else number(run.at), slot)
        with page.block(f"if {bracketed(stored)} != {number(check.not_computed)}"):
            _act(walk, run, start, slot, engine, verifies=verifies)
    else:
        _act(walk, run, start, slot, engine, verifies=verifies)


def _act(walk: Walk, run: Run, start: str, slot: Slot, engine: Engine, *, verifies: bool) -> None:
    frame, page, check = walk.frame, walk.page, slot.check
    assert check is not None
    declare_fed(page, frame, slot, walk.known)
    page.add(f"c = {computed(frame, slot, engine)}")
    if check.zero_as_ones:
        with page.block("if not c"):
            page.add(f"c = {number((1 << slot.width) - 1)}")
    if check.mixed is not None:
        other = frame.record.slots[check.mixed]
        page.add(f"c ^= {walk.known[check.mixed]} & {number((1 << other.width) - 1)}")
    keep(walk, run, start, slot, verifies=verifies)


def keep(walk: Walk, run: Run, start: str, slot: Slot, *, verifies: bool) -> None:
    """Put the number `c` into the place of a slot that is zero, or verify that it stands there."""
    frame, page = walk.frame, walk.page
    wide = is_wide(slot, frame.small)
    if run.at is None and run.residue is None:
        for chunk in chunks(run, slot):
            held, first = part(slot, "c", chunk.low, frame.small)
            ones = number((1 << chunk.count) - 1)
            value = f"{held} >> {first} & {ones}" if first else f"{held} & {ones}"
            where = f"d, {start} + {chunk.at}, {chunk.count}"
            if verifies:
                _unlike(page, f"_get{low(run.packing)}({where})", value)
            else:
                page.add(f"_add{low(run.packing)}({where}, {value})")
        return
    residue = run.residue if run.at is None else run.at % 8
    if run.at is None:
        page.add(f"b = {start} >> 3")
    for piece in pieces(run, slot, residue or 0, WORD if wide else slot.width):
        octet = walk.octet(run, "b", piece.octet)
        if verifies:
            held, first = part(slot, "c", piece.low, frame.small)
            moved = f"{held} >> {first}" if first else held
            _unlike(page, get(piece, octet, 0), f"{moved} & {number(piece.ones)}")
        else:
            page.add(f"{octet} |= {put(slot, 'c', piece, frame.small)}")


def _unlike(page: Page, stored: str, wanted: str) -> None:
    """Refuse a check that is not stored as it is computed."""
    with page.block(f"if {bracketed(stored)} != {bracketed(wanted)}"):
        page.add('raise FrameError("check failed")')
