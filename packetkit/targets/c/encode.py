"""The function that makes a frame of a record: refuses what does not fit, packs, and computes the checks last."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from packetkit.emit.wire import code_of
from packetkit.layout.first_bits import FirstBits
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
from packetkit.targets.c import continued, first_bits, room, small
from packetkit.targets.c.check_code import all_checks, put_late
from packetkit.targets.c.frame import FrameCode, over, within
from packetkit.targets.c.octets import Packer, constant_octets, parts, turned
from packetkit.targets.c.record import grain, is_member, joined
from packetkit.targets.c.room import refuse_count
from packetkit.targets.c.spans import END
from packetkit.targets.c.walk import Walk
from packetkit.targets.c.words import Page, mask, number, size_for, unsigned


def signature(frame: FrameCode) -> str:
    """Return the declaration of the encoder, without what ends it."""
    size = "" if frame.is_fixed else ", size_t *size"
    return f"enum {frame.prefix}_field {frame.prefix}_encode(const {frame.prefix} *record, uint8_t *frame, size_t capacity{size})"


def define(page: Page, frame: FrameCode) -> None:
    """Write the encoder."""
    with page.block(signature(frame)):
        page.add(f"const {frame.prefix} *r = record;", "uint8_t *d = frame;")
        walk = EncodeWalk(frame, page)
        if walk.carries:
            page.add("uint8_t p;")
        if not frame.only_runs:
            page.add(f"{frame.record.bits} at = 0;")
        if not any(map(is_member, frame.layout.slots)) and not frame.record.beside:
            page.add("(void)r;")
        if frame.is_fixed:
            with page.block(f"if (capacity < {frame.upper}_SIZE)"):
                page.add(f"return {frame.upper}_NO_ROOM;")
            page.add(*([f"memset(d, 0, {frame.upper}_SIZE);"] if walk.clears else []))
        else:
            room.define(page, frame)
        for slot in frame.layout.supplied:
            walk.guard(slot, f"r->{slot.path[0]}")
        walk.begin_part(frame.layout.nodes, -1)
        walk.nodes(frame.layout.nodes, "r->")
        if not frame.only_runs:
            page.add("(void)at;")
        if any(END in fed.nodes for fed in frame.fed.values()):
            page.add(f"const {frame.record.bits} end = ({frame.record.bits})(*size * 8);")
        all_checks(page, frame, walk.known, "")
        page.add(f"return {frame.upper}_OK;")
    page.add("")


def refuse(page: Page, frame: FrameCode, condition: str, result: str) -> None:
    page.add(f"{frame.mission.upper}_REFUSE({condition}, {result});")


class EncodeWalk(Walk):
    """Packs every run."""

    def __init__(self, frame: FrameCode, page: Page) -> None:
        super().__init__(frame, page)
        self.marks = frame.marks | {
            node.number for by, node in frame.sizing.items() if by not in frame.codings
        }
        homes = (frame.homes[number] for number in frame.sizing if number not in frame.codings)
        self.marks |= {run.number for run in homes if run.at is None}
        self.parts: list[int] = []
        self.goes_on = ""  # the condition that another element follows, in a list to the end of several sizes
        self.asking: set[int] = set()  # the parts in which something asks whether bytes remain
        self.clears = not frame.only_runs or bool(frame.tabled)
        straight = (node for node in frame.layout.walk() if node.number not in frame.tabled)
        self.carries = any(_carries(node) for node in straight if isinstance(node, Run))

    def run(self, run: Run, prefix: str) -> None:
        if all(self.is_late(run, slot) for slot in run.slots):
            return
        if run.at is not None:
            self.pack(run, prefix)
            return
        start = len(self.page.lines)
        with self.page.block(""):
            self.pack(run, prefix)
        made = [line for line in self.page.lines[start + 1 : -1] if "uint8_t *b = " not in line]
        if not made:
            del self.page.lines[start:]  # zeros, which are there already

    def pack(self, run: Run, prefix: str) -> None:
        if run.number in self.frame.tabled:
            small.pack(self, run, prefix, self.guard)
            self.put_constants(run)
            return
        place = self.place(run, "uint8_t")
        if place is None:
            self.pack_anywhere(run, prefix)
            return
        packer = Packer(self.page, self.frame.mission.prefix, place)
        packer.start()
        for slot, shift in in_order(run):
            value = joined(prefix, slot.path)
            whole = self.frame.record.slots[slot.number]
            if is_member(slot):
                if slot == whole or slot.offset_bits == whole.offset_bits:
                    self.guard(whole, value)
                packer.value(
                    slot,
                    value if slot == whole else cut(self.frame.mission.prefix, whole, slot, value, shift),
                )
            elif self.is_late(run, slot):
                packer.skip()
            else:
                code = whole.codes[0].low if whole.codes else 0
                packer.constant(slot, code if slot == whole else code_of(whole, code) >> shift)
        packer.finish(run)

    def is_late(self, run: Run, slot: Slot) -> bool:
        """Whether a check or a length fills octets of its own: they are stored once the rest is there."""
        residue = run.residue if run.at is None else run.at % 8
        return (
            (slot.check is not None or slot.number in self.frame.sizing)
            and not slot.pieces
            and residue is not None
            and (residue + slot.offset_bits) % 8 == slot.width % 8 == 0
        )

    def pack_anywhere(self, run: Run, prefix: str) -> None:
        """Slots whose place in an octet is only known as the frame is made."""
        low = "_low" if run.packing.value.startswith("least") else ""
        name = self.frame.mission.prefix
        for slot in run.slots:
            if is_member(slot):
                kind, value = unsigned(slot.width), joined(prefix, slot.path)
                self.guard(slot, value)
                code = f"({kind}){value}"
                if slot.width < size_for(slot.width):
                    code = f"({kind})({code} & {mask(slot.width)})"
                for part, shift in parts(slot) if slot.pieces else ():
                    piece = cut(name, slot, part, value, shift)
                    ones = f"({unsigned(part.width)})({piece} & {mask(part.width)})"
                    self.page.add(f"{name}_put{low}(d, {self.position(run, part)}, {part.width}, {ones});")
                if slot.pieces:
                    continue
            elif slot.codes and slot.codes[0].low:
                self.put_constant(run, slot, low)
                continue
            else:
                continue  # zeros are there
            self.page.add(
                f"{name}_put{low}(d, {self.position(run, slot)}, {slot.width}, {turned(name, slot, code)});"
            )

    def put_constant(self, run: Run, slot: Slot, low: str) -> None:
        """Put what a slot always holds, as it is sent."""
        sent = code_of(slot, slot.codes[0].low)
        for part, shift in parts(slot):
            code = number(sent >> shift & (1 << part.width) - 1)
            at = self.position(run, part)
            self.page.add(f"{self.frame.mission.prefix}_put{low}(d, {at}, {part.width}, {code});")

    def put_constants(self, run: Run) -> None:
        """Put what a run always holds into octets that hold zeros."""
        found = [slot for slot in run.slots if slot.codes and slot.codes[0].low and not is_member(slot)]
        place = self.place(run, "uint8_t") if found else None
        if place is None:
            low = "_low" if run.packing.value.startswith("least") else ""
            for slot in found:
                self.put_constant(run, slot, low)
            return
        always = constant_octets(place, run, lambda slot: slot.codes[0].low if slot in found else None)
        for octet, ones, code in always:
            if code:
                value = number(code) if ones == 0xFF else f"(uint8_t)({octet} | {number(code)})"
                self.page.add(f"{octet} = {value};")

    def guard(self, slot: Slot, value: str) -> None:
        """Refuse a code that is not to be sent; a count that is too large even where nothing else is checked."""
        frame, result = self.frame, self.frame.fields[slot.number]
        tests = over(slot, value)
        if slot.codes:
            # `within` compares nothing that the width decides: that is only for codes that reach its top.
            reaches = any(one.low < one.high == slot.raw_limits[1] for one in slot.codes)
            inside = within(value, slot.codes, slot)
            tests = [*(tests if reaches else []), *([] if inside == "1" else [f"!({inside})"])]
        if slot.kind == "count":
            if frame.is_fixed:
                refuse_count(self.page, frame, slot, value)
            return
        if tests:
            refuse(self.page, frame, " || ".join(tests), result)

    # -- structure -------------------------------------------------------------------------------------

    def before_list(self, node: Repeat, count: str) -> None:
        """Refuse elements that could not be told from what is absent before them, and bits that are no whole octets."""
        if node.runs_to_end and self.parts[-1] in self.asking:
            self.refuse_gap(f"{count} != 0", node)
        if node.as_fits and self.goes_on:
            full = f"{count} < {number(node.maximum or 0)}"
            refuse(self.page, self.frame, f"{self.goes_on} && {full}", self.field_in(node))
        if node.joined is not None and node.joined.form == "bits":  # with the bits not sent, whole octets
            over = f"({count} + {node.joined.spare_bits}) % 8" if node.joined.spare_bits else f"{count} % 8"
            refuse(self.page, self.frame, f"{over} != 0", self.field_in(node))

    def element(self, node: Repeat, prefix: str, index: str) -> None:
        outside = self.goes_on
        if node.several_sizes:
            self.goes_on = f"{index} + 1 < {self.beside(node, prefix)}"
        super().element(node, prefix, index)
        self.goes_on = outside

    def octets(self, node: Repeat, octets: str, target: str, count: str) -> None:
        self.page.add(f"memcpy({octets}, {target}, {count});")

    def no_variant(self, node: Choice) -> None:
        refuse(self.page, self.frame, "1", self.frame.fields[node.address])

    def begin_part(self, nodes: tuple[Node, ...], number_of: int) -> None:
        """Enter the frame, or a measured part: in it nothing may follow what asked for remaining bytes and was absent."""
        self.parts.append(number_of)
        if any(isinstance(one, Optional) and one.by is None for one in _own(nodes)):
            self.asking.add(number_of)
            self.page.add(f"uint8_t {_gap(number_of)} = 0;")

    def option(self, node: Optional, prefix: str) -> None:
        if node.by is not None:
            super().option(node, prefix)
            return
        with self.page.block(f"if ({self.condition(node, prefix)})"):
            self.refuse_gap("", node)
            self.body(node, prefix)
        with self.page.block("else"):
            self.page.add(f"{_gap(self.parts[-1])} = 1;")
        self.page.add(f"(void){_gap(self.parts[-1])};")

    def refuse_gap(self, condition: str, node: Repeat | Optional) -> None:
        gap = f"{_gap(self.parts[-1])} != 0"
        refuse(self.page, self.frame, f"{gap} && {condition}" if condition else gap, self.field_in(node))

    def field_in(self, node: Repeat | Optional) -> str:
        """The field that stands for a list or an option in a refusal: the first in it."""
        slots = [slot for one in walk((node,)) for slot in slots_of(one)]
        return self.frame.fields[slots[0].number] if slots else f"{self.frame.upper}_NO_ROOM"

    def measured(self, node: Measured, prefix: str) -> None:
        """Pack a part, and then store how long it has become."""
        self.begin_part(node.body, node.number)
        self.inner(node.body, prefix)
        self.parts.pop()
        if node.by in self.frame.codings:
            return  # stored already
        frame, kind = self.frame, self.frame.record.bits
        slot, run = frame.record.slots[node.by], frame.homes[node.by]
        with self.page.block(""):
            start = self.start(node)
            self.page.add(f"const {kind} bits = {'at' if start == '0' else f'({kind})(at - {start})'};")
            bits = "bits"
            if node.not_counted is not None:
                bits = "counted"
                self.page.add(f"const uint32_t counted = {room.counted_bits(self, node, 'bits')};")
            self.unfit(node, bits)
            units = f"{bits} / {node.unit_bits}" if node.unit_bits > 1 else bits
            less = f" {'-' if node.less > 0 else '+'} {number(abs(node.less))}" if node.less else ""
            value = f"({unsigned(slot.width)})({units}{less})"
            put_late(self, run, slot, f"n{run.number}", value)

    def unfit(self, node: Measured, bits: str) -> None:
        frame, kind, result = self.frame, self.frame.record.bits, self.frame.fields[node.by]
        if not _is_whole(node, frame.record.sizes) or (node.not_counted is not None and node.unit_bits > 8):
            refuse(self.page, frame, f"{bits} % {node.unit_bits} != 0", result)
        units = f"{bits} / {node.unit_bits}" if node.unit_bits > 1 else bits
        if node.less > 0 and (node.not_counted or node.minimum_bits // node.unit_bits < node.less):
            refuse(self.page, frame, f"{units} < {number(node.less)}", result)
        most = frame.record.slots[node.by].raw_limits[1] + node.less
        if frame.record.defaults or frame.record.largest_bits(node.body) // node.unit_bits > most:
            if most < (0xFFFF if kind == "uint16_t" else 0xFFFFFFFF):
                refuse(self.page, frame, f"{units} > {number(most)}", result)

    def by_first_bits(self, first: FirstBits, slot: Slot, value: str) -> None:
        """Put a number in the shortest form that has it."""
        frame, kind = self.frame, self.frame.record.bits
        unheld = first_bits.unheld(first, slot, value)
        if unheld:
            refuse(self.page, frame, unheld, frame.fields[slot.number])
        self.page.add(f"{first_bits.call(frame, slot, 'put')}(d, at, {value});")
        self.page.add(f"at = ({kind})(at + {first_bits.call(frame, slot, 'size')}({value}));")

    def odd(self, node: Measured, condition: str) -> None:
        refuse(self.page, self.frame, condition, self.frame.fields[node.by])

    def continued(self, node: Continued, prefix: str) -> None:
        """Put a number in as few octets as it needs; a length before what it measures."""
        frame, slot, kind = self.frame, node.slot, self.frame.record.bits
        value = joined(prefix, slot.path) if is_member(slot) else room.measured_before(self, node, prefix)
        if is_member(slot):
            self.guard(slot, value)
        first = first_bits.coding_of(frame, slot)
        if first is not None:
            self.by_first_bits(first, slot, value)
            return
        with self.page.block(""):
            self.page.add(f"const uint8_t many = {continued.counted(frame, slot, value)};")
            self.page.add(continued.put(frame, slot, "d + (at >> 3)", value))
            self.page.add(f"at = ({kind})(at + 8U * many);")


def _own(nodes: tuple[Node, ...]) -> Iterator[Node]:
    """The nodes of a part and of the variants in it, without those of measured parts inside it."""
    for node in nodes:
        yield node
        if isinstance(node, Choice):
            for branch in node.all:
                yield from _own(branch.body)
        elif isinstance(node, Optional):
            yield from _own(node.body)


def _gap(number_of: int) -> str:
    """The variable that says that something was absent for which bytes would have to remain."""
    return "absent" if number_of < 0 else f"absent{number_of}"


def _is_whole(node: Measured, sizes: Mapping[int, tuple[int, ...]]) -> bool:
    """Whether a measured part always has whole units."""
    if grain(node.body, sizes) % node.unit_bits == 0:
        return True
    ends = [one for one in node.body if not (isinstance(one, Run) and not one.size_bits)]
    last = ends[-1] if ends else None
    return isinstance(last, Fill) and last.since == node.number and last.unit_bits % node.unit_bits == 0


def in_order(run: Run) -> list[tuple[Slot, int]]:
    """The stretches that a run's codes lie in, in wire order, each with how far it is from its code's low end."""
    return sorted((one for slot in run.slots for one in parts(slot)), key=lambda one: one[0].offset_bits)


def cut(name: str, whole: Slot, part: Slot, value: str, shift: int) -> str:
    """The part of a code that one of its pieces holds, still with bits above its width."""
    code = turned(name, whole, f"({unsigned(whole.width)}){value}")
    return f"({unsigned(part.width)})({code} >> {shift})" if shift else f"({unsigned(part.width)})({code})"


def _carries(run: Run) -> bool:
    """Whether a part of an octet waits in a variable somewhere in a run."""
    residue = run.residue if run.at is None else run.at % 8
    if residue is None:
        return False
    for slot, _ in in_order(run):
        start, end = residue + slot.offset_bits, residue + slot.offset_bits + slot.width
        if is_member(slot) and start // 8 != (end - 1) // 8 and end % 8:
            return True
    return False
