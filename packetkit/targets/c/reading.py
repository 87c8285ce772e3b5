"""The walk that reads a frame: codes into the record, and what is wrong on the way, in the order of the Python codec."""

from __future__ import annotations

from dataclasses import dataclass

from packetkit.layout.model import (
    Choice,
    Continued,
    Fill,
    Measured,
    Optional,
    Repeat,
    Run,
    slots_of,
    tellers,
    walk,
)
from packetkit.layout.slots import Slot
from packetkit.targets.c import continued, first_bits, small
from packetkit.targets.c.frame import FrameCode, constant, within
from packetkit.targets.c.octets import Place, gathered, parts, read, signed, turned_back
from packetkit.targets.c.record import is_member, joined
from packetkit.targets.c.walk import Walk
from packetkit.targets.c.words import Page, ctype, mask, number, unsigned


def result(frame: FrameCode, word: str) -> str:
    return f"{frame.mission.upper}_{word}"


def ctype_of(slot: Slot) -> str:
    return ctype(slot.width, slot.signed)


def asked_codes(frame: FrameCode) -> set[int]:
    """Slots that hold no value, but tell what a frame is made of: constants that are asked, and lengths."""
    told = (
        tellers(node) for node in frame.layout.walk() if not isinstance(node, Run)
    )  # what a value means is told in words
    asked = {number for numbers in told for number in numbers}
    return {number for number in asked if not is_member(frame.record.slots[number])}


@dataclass(eq=False)
class Part:
    """A measured part that is being read. end: the variable that holds where it ends; is_told: whether that is known yet."""

    node: Measured
    end: str
    is_told: bool


# -- reading runs --------------------------------------------------------------------------------------------------


class DecodeWalk(Walk):
    """Reads every run. judges: also whether what is read can be this frame; else that is known already."""

    def __init__(self, frame: FrameCode, page: Page, *, judges: bool) -> None:
        super().__init__(frame, page)
        self.judges = judges
        self.marks = frame.marks if judges else set()
        self.asked = asked_codes(frame) if judges else set()
        self.covered = 0
        self.parts: list[Part] = []
        if judges:  # a part's start is asked for where its length stands in it
            self.marks |= {node.number for node in frame.sizing.values() if _holds(node, node.by)}

    def run(self, run: Run, prefix: str) -> None:
        if not run.slots:
            return
        if run.at is not None and not self.judges:
            self.take(run, prefix)
            return
        with self.page.block(""):
            self.take(run, prefix)

    def take(self, run: Run, prefix: str) -> None:
        place: Place | None = None
        needed = 0
        is_tabled = run.number in self.frame.tabled
        waiting: list[Slot] = []  # members that the next call reads
        if is_tabled:
            self.frame.table.enter(run, prefix)
        for at, slot in enumerate(run.slots):
            if self.judges and not self.covered and needed == at:
                needed = self.need(run, at)
            if at == 0 and any(self.is_read(one, is_tabled) for one in run.slots):
                place = self.place(run, "const uint8_t")
            if is_member(slot) and is_tabled:
                waiting.append(slot)
                if self.judges and (slot.codes or self.tells(slot)):
                    small.take(self, run, waiting, prefix)
                    waiting = []
                    self.judge_member(slot, joined(prefix, slot.path))
            elif is_member(slot):
                self.member(run, place, slot, joined(prefix, slot.path))
            elif self.is_judged(slot):
                self.judge(run, place, slot)
            for part in self.parts if self.judges else ():
                if part.node.by == slot.number and not part.is_told:
                    self.tell(part, run.at, slot)
        small.take(self, run, waiting, prefix)

    def is_read(self, slot: Slot, is_tabled: bool) -> bool:
        """Whether a slot's bits are read straight-line."""
        return not is_tabled if is_member(slot) else self.is_judged(slot)

    def is_judged(self, slot: Slot) -> bool:
        if not self.judges:
            return False
        return bool(slot.codes) or slot.number in self.asked or (slot.strict and slot.kind == "reserved")

    def need(self, run: Run, first: int) -> int:
        """Refuse a frame that ends before the slots from one to the next count do; return the slot after those."""
        beyond = next(
            (at + 1 for at, slot in enumerate(run.slots) if at >= first and self.tells(slot)), len(run.slots)
        )
        bits = max(
            part.offset_bits + part.width for slot in run.slots[first:beyond] for part, _ in parts(slot)
        )
        if run.packing.word_bits:
            bits = -(-bits // run.packing.word_bits) * run.packing.word_bits
        if run.at is None:
            self.needs(number(bits))
        else:
            self.truncated(f"{self.stop} < {number(run.at + bits)}")
        return beyond

    def tells(self, slot: Slot) -> bool:
        """Whether what is wrong with a slot is told before what comes after it is looked at."""
        return slot.kind == "count" or any(
            one.node.by == slot.number for one in self.parts if not one.is_told
        )

    @property
    def stop(self) -> str:
        """Where the innermost part ends whose end is known: a measured one, else the frame."""
        return next((one.end for one in reversed(self.parts) if one.is_told), "end")

    def needs(self, bits: str) -> None:
        """Refuse a part that ends before so many bits more."""
        self.truncated(f"(uint32_t)({self.stop} - at) < {bits}")

    def truncated(self, condition: str) -> None:
        word = "TRUNCATED" if self.stop == "end" else "BAD_LENGTH"
        with self.page.block(f"if ({condition})"):
            self.page.add(f"return {result(self.frame, word)};")

    def member(self, run: Run, place: Place | None, slot: Slot, target: str) -> None:
        lines, value = self.code(run, place, slot)
        if lines:
            with self.page.block(""):
                self.page.add(*lines, f"{target} = {value};")
        else:
            self.page.add(f"{target} = {value};")
        self.judge_member(slot, target)

    def judge_member(self, slot: Slot, target: str) -> None:
        """Refuse a count that is too large; note a code that a tag does not allow."""
        if self.judges and slot.kind == "count":
            if slot.maximum_count is not None and slot.maximum_count < slot.raw_limits[1]:
                self.bad_count(f"{target} > {number(slot.maximum_count)}")
        elif self.judges and slot.codes and within(target, slot.codes, slot) != "1":
            with self.page.block(f"if (!({within(target, slot.codes, slot)}))"):
                self.page.add("wrong = 1;")

    def code(self, run: Run, place: Place | None, slot: Slot) -> tuple[list[str], str]:
        name = self.frame.mission.prefix
        if place is not None:
            return read(name, place, slot)
        if slot.pieces:
            return gathered(name, slot, lambda part: self.code(run, place, part))
        low = "_low" if run.packing.value.startswith("least") else ""
        kind = unsigned(slot.width)
        got = f"({kind}){name}_get{low}(d, {self.position(run, slot)}, {slot.width})"
        return [f"{kind} x = {turned_back(name, slot, got)};"], signed(slot, "x")

    def learn(self, run: Run | Continued, prefix: str) -> None:
        """A constant that an option asks for is what these bytes hold, right or wrong."""
        super().learn(run, prefix)
        self.known.update(
            {slot.number: f"k{slot.number}" for slot in slots_of(run) if slot.number in self.asked}
        )

    def continued(self, node: Continued, prefix: str) -> None:
        """Read a number up to the octet that says that it is the last."""
        slot, name, kind = node.slot, self.frame.mission.prefix, self.frame.record.bits
        if first_bits.coding_of(self.frame, slot) is not None:
            self.by_first_bits(slot, prefix)
            return
        most = continued.most_octets(slot)
        with self.page.block(""):
            self.page.add(
                "const uint8_t *b = d + (at >> 3);",
                f"const uint8_t many = {name}_found(b, (uint32_t)({self.stop} - at), {most});",
            )
            self.truncated("many == 0")
            with self.page.block(f"if (many > {most})"):
                self.page.add(f"return {result(self.frame, 'BAD_LENGTH')};")
            target = joined(prefix, slot.path) if is_member(slot) else f"k{slot.number}"
            if is_member(slot) or slot.number in self.asked:
                self.page.add(f"{target} = {continued.taken(self.frame, slot)};")
                self.note_wide(slot, target)
            if is_member(slot):
                self.judge_member(slot, target)
            self.page.add(f"at = ({kind})(at + 8U * many);")

    def by_first_bits(self, slot: Slot, prefix: str) -> None:
        """Read a number as long as its first bits say."""
        told, take = (first_bits.call(self.frame, slot, what) for what in ("told", "take"))
        with self.page.block(""):
            self.page.add(f"const uint8_t many = {told}(d, at, (uint32_t)({self.stop} - at));")
            self.truncated("many == 0")
            with self.page.block(f"if (many == {number(first_bits.NO_FORM)})"):
                self.page.add(f"return {result(self.frame, 'BAD_LENGTH')};")
            target = joined(prefix, slot.path) if is_member(slot) else f"k{slot.number}"
            if is_member(slot) or slot.number in self.asked:
                self.page.add(f"{target} = ({ctype_of(slot)}){take}(d, at);")
            if is_member(slot):
                self.judge_member(slot, target)
            self.page.add(f"at = ({self.frame.record.bits})(at + many);")

    def note_wide(self, slot: Slot, target: str) -> None:
        """Note octets that tell more bits than any type has; as a count or a length that is too many, whatever the number is."""
        condition = continued.too_wide(self.frame, slot)
        if condition:
            with self.page.block(f"if ({condition})"):
                counts = slot.kind in ("count", "length")
                self.page.add(f"{target} = {mask(slot.width)};" if counts else "wide = 1;")

    def judge(self, run: Run, place: Place | None, slot: Slot) -> None:
        """Note bits that are not what they always are, and codes that are no member but asked for."""
        lines, value = self.code(run, place, slot)
        is_same = bool(slot.codes) or (slot.strict and slot.kind == "reserved")
        if not lines and not is_same:
            self.page.add(f"k{slot.number} = {value};")
            return
        with self.page.block(""):
            self.page.add(*lines)
            if slot.number in self.asked:
                self.page.add(f"k{slot.number} = {value};")
            if is_same:
                wanted = slot.codes[0].low if slot.codes else 0
                with self.page.block(f"if ({value} != {constant(wanted, slot)})"):
                    self.page.add(f"{'wrong' if slot.codes else 'odd'} = 1;")

    # -- structure -------------------------------------------------------------------------------------

    def measured(self, node: Measured, prefix: str) -> None:
        """Read a part that ends where its length says."""
        kind, part = self.frame.record.bits, Part(node, f"e{node.number}", False)
        if _holds(node, node.by):
            self.page.add(f"{kind} {part.end} = {self.stop};")
        else:
            self.page.add(f"{kind} {part.end};")
            self.tell(part, node.at, None)
        self.parts.append(part)
        self.inner(node.body, prefix)
        self.parts.pop()
        with self.page.block(f"if (at != {part.end})"):
            self.page.add(f"return {result(self.frame, 'BAD_LENGTH')};")

    def tell(self, part: Part, at: int | None, slot: Slot | None) -> None:
        """Work out where a part ends, now that its length is read. slot: the length, where it stands in the part itself."""
        node, kind = part.node, self.frame.record.bits
        by = self.frame.record.slots[node.by]
        around = self.parts[: self.parts.index(part)] if part in self.parts else self.parts
        outer = next((one.end for one in reversed(around) if one.is_told), "end")
        start = self.start(node) if slot is not None else "at"
        with self.page.block(""):
            code = self.known[node.by]
            if by.width > 19:  # more than any frame has bits
                code = f"({code} > 0x7FFFF ? 0x7FFFF : {code})"
            if node.less < 0:
                with self.page.block(f"if ({code} < {number(-node.less)})"):
                    self.page.add(f"return {result(self.frame, 'BAD_LENGTH')};")
            units = f"(uint32_t){code}"
            if node.less:
                units = f"({units} {'+' if node.less > 0 else '-'} {number(abs(node.less))})"
            size = units if node.unit_bits == 1 else f"{units} * {number(node.unit_bits)}"
            if node.not_counted is None:
                self.page.add(f"const uint32_t size_bits = {size};")
            else:
                every, octets = (8 * one for one in node.not_counted)
                blocks = f"(counted + {number(every - 1)}) / {number(every)}"
                self.page.add(f"const uint32_t counted = {size};")
                self.page.add(f"const uint32_t size_bits = counted + {number(octets)} * ({blocks});")
            room = outer if start == "0" else f"(uint32_t)({outer} - {start})"
            with self.page.block(f"if (size_bits > {room})"):
                short, bad = result(self.frame, "TRUNCATED"), result(self.frame, "BAD_LENGTH")
                self.page.add(f"return {short if outer == 'end' else bad};")
            end = "size_bits" if start == "0" else f"({start} + size_bits)"
            self.page.add(f"{part.end} = ({kind}){end};")
            if slot is not None:
                self.behind(part, at, slot)
        part.is_told = True

    def behind(self, part: Part, at: int | None, slot: Slot) -> None:
        """Refuse a length that says that its part ends before it does itself."""
        end = slot.offset_bits + slot.width
        read_to = f"(uint32_t)(at + {number(end)})" if at is None else number(at + end)
        with self.page.block(f"if ({part.end} < {read_to})"):
            self.page.add(f"return {result(self.frame, 'BAD_LENGTH')};")

    def is_there(self, node: Optional, prefix: str) -> str:
        target, behind = super().beside(node, prefix), self.trailing(node)
        left = f"(uint32_t)({self.stop} - at)"
        self.page.add(f"{target} = (uint8_t)({left} > {behind});")
        return f"{target} != 0"

    def trailing(self, node: Repeat | Optional) -> str:
        """The bits that follow what runs to an end: those that are always there, and those that codes before it tell of."""
        if not node.trailers:
            return number(node.trailer_bits)
        slots, made = self.frame.record.slots, number(node.trailer_bits)
        for one in node.trailers:
            tests = [test for by, _ in one.told for test in self.told_inside(by)]
            tests += [within(self.known[by], codes, slots[by]) for by, codes in one.told]
            told = " && ".join(f"({test})" for test in dict.fromkeys(tests))
            made = f"{made} + ({told} ? {number(one.bits)} : 0)"
        self.page.add(f"const uint32_t t{node.number} = (uint32_t)({made});")
        return f"t{node.number}"

    def variant(self, node: Choice, prefix: str) -> str:
        return self.frame.variant_argument(node)

    def choice(self, node: Choice, prefix: str) -> None:
        if not node.told_by:
            self.page.add(f"{self.beside(node, prefix)} = {self.frame.variant_argument(node)};")
        super().choice(node, prefix)

    def no_variant(self, node: Choice) -> None:
        self.page.add(f"return {result(self.frame, 'UNKNOWN_VARIANT')};")

    def fill(self, node: Fill) -> None:
        if not self.judges:
            return
        self.truncated(f"at > {self.stop}")
        if node.slot.strict:
            low = "_low" if node.packing.value.startswith("least") else ""
            self.page.add(f"odd = (uint8_t)(odd | {self.frame.mission.prefix}_any{low}(d, from, at));")

    def over_fill(self, node: Fill) -> None:
        if not node.slot.strict:
            super().over_fill(node)
            return
        with self.page.block(""):
            self.page.add(f"const {self.frame.record.bits} from = at;")
            super().over_fill(node)

    def octets(self, node: Repeat, octets: str, target: str, count: str) -> None:
        self.page.add(f"memcpy({target}, {octets}, {count});")

    def length(self, node: Repeat, prefix: str) -> str:
        target, kind = super().length(node, prefix), self.frame.record.bits
        trailer = self.trailing(node)
        left = f"({kind})({self.stop} - at)"
        with self.page.block(""):
            self.page.add(f"const uint32_t left = {left};")
            beyond = f"(left < {trailer} ? 0 : left - {trailer})" if trailer != "0" else "left"
            if node.as_fits:
                self.page.add(f"uint32_t count = {beyond} / {number(node.minimum_bits)};")
                with self.page.block(f"if (count > {number(node.maximum or 0)})"):
                    self.page.add(f"count = {number(node.maximum or 0)};")
            else:
                self.page.add(f"const uint32_t count = {beyond} / {number(node.minimum_bits)};")
            with self.page.block(f"if (count > {self.frame.record.capacities[node.number]})"):
                self.page.add(f"return {result(self.frame, 'BAD_COUNT')};")
            self.page.add(f"{target} = (uint16_t)count;")
        return target

    def list(self, node: Repeat, prefix: str) -> None:
        fixed = node.minimum_bits == node.maximum_bits and node.own_end is None
        self.covered += fixed
        if node.several_sizes:
            self.while_room(node, prefix)
        else:
            super().list(node, prefix)
        self.covered -= fixed

    def while_room(self, node: Repeat, prefix: str) -> None:
        """Read elements of several sizes: one more while there is room for the smallest."""
        left, smallest = f"(uint32_t)({self.stop} - at)", number(node.minimum_bits + node.trailer_bits)
        if node.trailers:
            smallest = f"{self.trailing(node)} + {number(node.minimum_bits)}"
        with self.indexed("uint16_t") as index:
            self.page.add(f"{index} = 0;")
            with self.page.block(f"while ({left} >= {smallest})"):
                self.bad_count(f"{index} == {self.frame.record.capacities[node.number]}")
                self.element(node, prefix, index)
                self.page.add(f"{index}++;")
            self.page.add(f"{self.beside(node, prefix)} = {index};")

    def too_many(self, node: Repeat, index: str) -> bool:
        if self.judges:
            self.bad_count(f"{index} == {self.frame.record.capacities[node.number]}")
        return self.judges

    def before_list(self, node: Repeat, count: str) -> None:
        """Refuse more elements than the schema allows, than there are octets for, and then than there is room for."""
        if not self.judges:
            return
        if node.factors:
            self.bad_count(f"{count} > {number(0xFFFF if node.maximum is None else node.maximum)}")
        if not node.runs_to_end and not self.covered > (node.minimum_bits == node.maximum_bits):
            self.truncated(self.beyond(node, count))
        capacity, slots = self.frame.record.capacities[node.number], self.frame.record.slots
        most = node.maximum
        if node.counted_by is not None:
            counter = slots[node.counted_by]
            most = counter.raw_limits[1] if counter.maximum_count is None else counter.maximum_count
        if node.count is None and not node.runs_to_end:
            if not capacity.isdigit() or most is None or int(capacity) < most:
                self.bad_count(f"{count} > {capacity}")

    def beyond(self, node: Repeat, count: str) -> str:
        """The condition that elements need more bits than are left in their part."""
        left = f"(uint32_t)({self.stop} - at)"
        if node.count is not None:
            return f"{number(node.count * node.minimum_bits)} > {left}"
        if node.counted_by is not None and self.frame.record.slots[node.counted_by].width > 16:
            return f"{count} > {left} / {number(node.minimum_bits)}"
        return f"(uint32_t){count} * {number(node.minimum_bits)} > {left}"

    def bad_count(self, condition: str) -> None:
        with self.page.block(f"if ({condition})"):
            self.page.add(f"return {result(self.frame, 'BAD_COUNT')};")


def _holds(node: Measured, number_of: int) -> bool:
    """Whether a slot stands in a measured part itself."""
    return any(
        slot.number == number_of for one in walk(node.body) if isinstance(one, Run) for slot in one.slots
    )
