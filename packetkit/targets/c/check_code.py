"""The functions that compute a frame's checks over its octets, and the calls that store or verify them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from packetkit.integrity.crc import residue
from packetkit.layout.model import Node, Run, flat
from packetkit.layout.slots import Fed as FedItem
from packetkit.layout.slots import Slot
from packetkit.targets.c.checks import WIDEST, Engine, halves
from packetkit.targets.c.frame import FrameCode, point_text
from packetkit.targets.c.octets import Place, gathered, parts, read, store, turned, turned_back
from packetkit.targets.c.spans import END, Fed, Point, Stretch
from packetkit.targets.c.walk import Walk
from packetkit.targets.c.words import Page, mask, number, size_for, unsigned


def define(page: Page, frame: FrameCode, slot: Slot) -> None:
    """Write the function that computes one check."""
    fed = frame.fed[slot.number]
    _, one = frame.mission.engine(slot)
    kind = unsigned(slot.width) if slot.width <= WIDEST else one.state
    if frame.is_closing(slot):
        count = f"uint_fast{size_for((_octets_before(frame, slot) + slot.width // 8).bit_length())}_t"
        with page.block(f"static {kind} {frame.check_name(slot)}(const uint8_t *d, {count} size)"):
            page.add(f"{one.state} c = {one.start};")
            with page.block(
                "do"
            ):  # there is an octet at least; an AVR counts down to zero in the fewest steps
                page.add(one.step("*d++"))
            page.lines[-1] += " while (--size > 0);"
            page.add(f"return {one.value};")
        page.add("")
        return
    with page.block(f"static {kind} {frame.check_name(slot)}(const uint8_t *d{_parameters(frame, fed)})"):
        name, _ = frame.mission.engine(slot)
        if fed.check.initial is None:
            page.add(f"{one.state} c = {one.start};")
        else:
            code = _fed_code(page, frame, fed.check.initial, "first")
            page.add(*one.started(name, code))
        page.add(f"{frame.record.bits} i;")
        if not fed.whole:
            page.add("uint8_t part = 0;", "uint8_t parts = 0;")
        for octet in fed.check.also:
            page.add(one.step(number(octet)))
        for item in fed.check.front:
            _feed_front(page, frame, fed, item, one.step)
        for stretch in fed.stretches:
            if fed.whole:
                _feed_octets(page, frame, stretch, one.step)
            else:
                _feed_bits(page, frame, fed, stretch, one.step)
        if not fed.whole:
            _finish_bits(page, fed, one.step, one.bit)
        if fed.check.zero_as_ones:
            _return_no_zero(page, slot, one)
        else:
            page.add(f"return ({kind})({one.finished});" if one.final_xor else f"return {one.finished};")
    page.add("")


def _return_no_zero(page: Page, slot: Slot, one: Engine) -> None:
    """Write what returns all ones for zero."""
    kind = unsigned(slot.width) if slot.width <= WIDEST else one.state
    page.add(
        f"{{ {kind} v = ({kind})({one.finished});" if slot.width <= WIDEST else f"{{ {kind} v = {one.value};"
    )
    if slot.width <= WIDEST:
        page.add(f"return v != 0 ? v : {mask(slot.width)}; }}")
        return
    high, low = halves((1 << slot.width) - 1).split(", ")
    page.add(f"if ((v.high | v.low) == 0) {{ v.high = {high}; v.low = {low}; }}", "return v; }")


def _fed_code(page: Page, frame: FrameCode, by: int, name: str) -> str:
    """Write what declares the code of a field that goes into a check, as it stands in the frame by now; return it.

    So it is read alike where a frame is made and where it is read, a length too. A supplied field is an argument.
    """
    slot = replace(frame.record.slots[by], signed=False)
    kind = unsigned(slot.width)
    if by < 0:
        code = _argument(by)
        if slot.width < size_for(slot.width):
            code = f"({kind})({code} & {mask(slot.width)})"
        return code
    run = frame.homes[by]
    page.add(f"{kind} {name};")
    with page.block(""):
        lines, value = _standing(page, frame, run, slot)
        page.add(*lines, f"{name} = {value};")
    return name


def _standing(page: Page, frame: FrameCode, run: Run, slot: Slot) -> tuple[list[str], str]:
    """The statements and the expression that read a field from where it stands."""
    name, start = frame.mission.prefix, f"n{run.number}"
    if run.at is not None:
        return read(name, Place("d", run.at // 8, run.at % 8, run.packing), slot)
    if run.residue is not None:
        page.add(f"const uint8_t *b = d + ({start} >> 3);")
        return read(name, Place("b", 0, run.residue, run.packing), slot)
    low = "_low" if run.packing.value.startswith("least") else ""

    def got(part: Slot) -> tuple[list[str], str]:
        call = f"{name}_get{low}(d, {start} + {number(part.offset_bits)}, {part.width})"
        return [], f"({unsigned(part.width)}){call}"

    if slot.pieces:
        return gathered(name, slot, got)
    return [], turned_back(name, slot, got(slot)[1])


def _feed_front(page: Page, frame: FrameCode, fed: Fed, item: FedItem, step: object) -> None:
    """Feed what stands in front of the spans: an octet, a field's code, the frame's size."""
    assert callable(step)
    if item.octet is not None and fed.whole:
        page.add(step(number(item.octet)))
        return
    kind = unsigned(item.bits)
    with page.block(""):
        if item.octet is not None:
            code = number(item.octet)
        elif item.by is not None:
            code = _fed_code(page, frame, item.by, "code")
        else:
            size = point_text(frame, Point(END, 0))
            code = number(int(frame.layout.minimum_bits) // 8) if size != "end" else "(end >> 3)"
        page.add(f"const {kind} f = ({kind}){code};")
        if not fed.whole:
            with page.block(f"for (i = 0; i < {item.bits}; i++)"):
                shift = "i" if fed.check.least_first else f"({item.bits - 1} - i)"
                page.add(f"const uint8_t bit = (uint8_t)((f >> {shift}) & 1);")
                _take_bit(page, fed, step)
            return
        ranks = range(item.bits // 8)
        for rank in ranks if fed.check.least_first else reversed(ranks):
            page.add(step(f"(uint8_t)(f >> {8 * rank})" if rank else "(uint8_t)f"))


def _argument(by: int) -> str:
    """The name of a supplied field among a check's arguments."""
    return f"s{-by}"


def _octets_before(frame: FrameCode, slot: Slot) -> int:
    run = frame.homes[slot.number]
    assert run.at is not None
    return (run.at + slot.offset_bits) // 8


def _parameters(frame: FrameCode, fed: Fed) -> str:
    kind = frame.record.bits
    made = [f", {kind} {'end' if node == END else f'n{node}'}" for node in fed.nodes]
    slots = (frame.record.slots[by] for by in supplied(fed))
    made += [f", {unsigned(slot.width)} {_argument(slot.number)}" for slot in slots]
    return "".join(made)


def supplied(fed: Fed) -> list[int]:
    """Return the supplied fields that a check is fed with, or starts from."""
    return sorted({number for number in fed.check.fed if number < 0})


def _feed_octets(page: Page, frame: FrameCode, stretch: Stretch, step: object) -> None:
    assert callable(step)
    start, end = (point_text(frame, point) for point in (stretch.start, stretch.end))
    ends = [frame.spans.constant(point) for point in (stretch.start, stretch.end)]
    first, last = (
        f"{text} >> 3" if at is None else number(at // 8) for text, at in zip((start, end), ends, strict=True)
    )
    kind = frame.record.bits
    lower = first if ends[0] is not None else f"({kind})({first})"
    upper = last if ends[1] is not None else f"({last})"
    with page.block(f"for (i = {lower}; i < {upper}; i++)"):
        page.add(step({"": "d[i]", "zero": "0", "ones": "0xFF"}[stretch.fill]))


def _feed_bits(page: Page, frame: FrameCode, fed: Fed, stretch: Stretch, step: object) -> None:
    assert callable(step)
    start, end = (point_text(frame, point) for point in (stretch.start, stretch.end))
    shift = "i & 7" if fed.check.least_first else "7 - (i & 7)"
    with page.block(f"for (i = {start}; i < {end}; i++)"):
        page.add(f"uint8_t bit = (uint8_t)((d[i >> 3] >> ({shift})) & 1);")
        for first, last in fed.own:
            low, high = point_text(frame, first), point_text(frame, last)
            tests = ([] if low == "0" else [f"i >= {low}"]) + [f"i < {high}"]
            with page.block(f"if ({' && '.join(tests)})"):
                page.add({"skip": "continue;", "zero": "bit = 0;", "ones": "bit = 1;"}[fed.check.own or ""])
        _take_bit(page, fed, step)


def _take_bit(page: Page, fed: Fed, step: object) -> None:
    """Take a bit to those that wait for an octet."""
    assert callable(step)
    if fed.check.least_first:
        page.add("part = (uint8_t)(part | (bit << parts));")
    else:
        page.add("part = (uint8_t)((part << 1) | bit);")
    with page.block("if (++parts == 8)"):
        page.add(step("part"), "part = 0;", "parts = 0;")


def _finish_bits(page: Page, fed: Fed, step: object, bit: object) -> None:
    """Feed the bits that fill no octet: one by one, or with zeros behind them."""
    assert callable(step)
    if fed.check.in_wire_order and callable(bit):
        page.add("i = parts;")
        if fed.check.least_first:
            with page.block("for (; i > 0; i--)"):
                page.add(bit("(uint8_t)(part & 1)"), "part = (uint8_t)(part >> 1);")
        else:
            with page.block("for (; i > 0; i--)"):
                page.add(bit("(uint8_t)((part >> (i - 1)) & 1)"))
        return
    with page.block("if (parts != 0)"):
        page.add(step("part" if fed.check.least_first else "(uint8_t)(part << (8 - parts))"))


# -- calls ---------------------------------------------------------------------------------------------------------


def computed(frame: FrameCode, slot: Slot, known: dict[int, str]) -> str:
    """Return the expression of what a check's bits are to be, as a raw code."""
    check, kind = slot.check, unsigned(slot.width)
    assert check is not None
    if frame.is_closing(slot):
        call = f"{frame.check_name(slot)}(d, {number(_octets_before(frame, slot))})"
        if check.algorithm.final_xor:
            call = f"({kind})({call} ^ {number(check.algorithm.final_xor)})"
        return call
    call = called(frame, slot, known)
    if check.mixed is not None:
        call = f"({kind})({call} ^ {mixed_code(frame, slot, known)})"
    return call


def called(frame: FrameCode, slot: Slot, known: dict[int, str]) -> str:
    """Return the call that computes a check over its span."""
    fed = frame.fed[slot.number]
    names = "".join(f", {'end' if node == END else f'n{node}'}" for node in fed.nodes)
    for by in supplied(fed):
        names += f", ({unsigned(frame.record.slots[by].width)}){known[by]}"
    return f"{frame.check_name(slot)}(d{names})"


def mixed_code(frame: FrameCode, slot: Slot, known: dict[int, str]) -> str:
    """Return the bits that a check is mixed with, as an unsigned code."""
    assert slot.check is not None and slot.check.mixed is not None
    other = frame.record.slots[slot.check.mixed]
    kind = unsigned(min(slot.width, WIDEST))
    return f"(({kind})({known[slot.check.mixed]}) & {mask(other.width)})"


def closing_test(frame: FrameCode, slot: Slot) -> str:
    """Return the condition that a closing CRC fails over data and check together.

    What comes to zero is run but to the octet before the last, which then is all that the register holds: a step less, and no zero that
    a compiler keeps in a register of its own, to return it (Cortex-M: 8 bytes of stack).
    """
    assert slot.check is not None
    octets = _octets_before(frame, slot) + slot.width // 8
    algorithm = slot.check.algorithm
    constant = residue(algorithm)
    if constant:
        return f"{frame.check_name(slot)}(d, {number(octets)}) != {number(constant)}"
    last, kind = f"d[{number(octets - 1)}]", unsigned(slot.width)
    if not algorithm.reflect_in and slot.width > 8:
        last = f"({kind})(({kind}){last} << {slot.width - 8})"
    return f"{frame.check_name(slot)}(d, {number(octets - 1)}) != {last}"


class CheckWalk(Walk):
    """Goes to one check slot, wherever it is, and stores or verifies it there. on_failure: what is returned then; empty: store."""

    def __init__(self, frame: FrameCode, page: Page, target: Slot, on_failure: str) -> None:
        super().__init__(frame, page)
        self.target_slot = target
        self.on_failure = on_failure
        self.marks = set(frame.fed[target.number].nodes)

    def nodes(self, nodes: tuple[Node, ...], prefix: str) -> None:
        """Act where the container ends: a check may cover what stands behind it there."""
        super().nodes(nodes, prefix)
        run = self.frame.homes[self.target_slot.number]
        if any(node is run for node in flat(nodes)):
            with self.page.block(""):
                self.act(run, "home")

    def run(self, run: Run, prefix: str) -> None:
        if self.target_slot in run.slots and run.at is None:
            self.page.add(f"const {self.frame.record.bits} home = at;")

    def act(self, run: Run, start: str) -> None:
        """Store or verify, where the run starts at `start`."""
        if self.target_slot.width > WIDEST:
            self.act_wide(run, start)
            return
        value = computed(self.frame, self.target_slot, self.known)
        if not self.on_failure:
            put_late(self, run, self.target_slot, start, value)
            return
        place = self.place(run, "const uint8_t", start)
        if place is None:
            self.verify_anywhere(run, start, value)
            return
        lines, found = read(self.frame.mission.prefix, place, self.target_slot)
        self.page.add(*lines)
        self.compare(value, found)

    def compare(self, value: str, found: str) -> None:
        """Fail where what was found is not the value, unless it says that there is none."""
        check = self.target_slot.check
        assert check is not None
        told = "" if check.not_computed is None else f"{found} != {number(check.not_computed)} && "
        with self.page.block(f"if ({told}{value} != {found})"):
            self.page.add(f"return {self.on_failure};")

    def act_wide(self, run: Run, start: str) -> None:
        """The same for a code that no number holds: cut into numbers."""
        frame, slot, page = self.frame, self.target_slot, self.page
        name, one = frame.mission.engine(slot)
        assert slot.check is not None
        page.add(f"{one.state} w = {called(frame, slot, self.known)};")
        if slot.check.mixed is not None:
            page.add(f"w.low ^= {mixed_code(frame, slot, self.known)};")
        for is_turned, by in ((slot.bits_reversed, 1), (slot.octets_reversed, 8)):
            if is_turned:
                page.add(f"w = {name}_turned(w, {slot.width}, {by});")
        for part, shift in _cuts(run, slot):
            with page.block(""):
                code = f"{name}_cut(w, {shift}, {part.width})"
                if not self.on_failure:
                    put_late(self, run, part, start, f"({unsigned(part.width)}){code}")
                    continue
                place = self.place(run, "const uint8_t", start)
                if place is None:
                    low = "_low" if run.packing.value.startswith("least") else ""
                    found = (
                        f"{frame.mission.prefix}_get{low}(d, {self.position(run, part, start)}, {part.width})"
                    )
                else:
                    lines, found = read(frame.mission.prefix, place, part)
                    page.add(*lines)
                with page.block(f"if ({code} != {found})"):
                    page.add(f"return {self.on_failure};")

    def verify_anywhere(self, run: Run, start: str, value: str) -> None:
        name, slot = self.frame.mission.prefix, self.target_slot
        low = "_low" if run.packing.value.startswith("least") else ""

        def got(part: Slot) -> tuple[list[str], str]:
            where = self.position(run, part, start)
            return [], f"({unsigned(part.width)}){name}_get{low}(d, {where}, {part.width})"

        if slot.pieces:
            lines, found = gathered(name, slot, got)
        else:
            lines, found = [], turned_back(name, slot, got(slot)[1])
        self.page.add(*lines)
        self.compare(value, found)


def _cuts(run: Run, slot: Slot) -> Iterator[tuple[Slot, int]]:
    """Parts of a wide slot, none of more than 32 bits, each with how far it is from the code's low end."""
    for part, shift in parts(slot):
        for at in range(0, part.width, 32):
            width = min(32, part.width - at)
            moved = at if run.packing.value.startswith("least") else part.width - at - width
            plain = replace(part, offset_bits=part.offset_bits + at, width=width, check=None)
            yield replace(plain, octets_reversed=False, bits_reversed=False), shift + moved


def put_late(walk: Walk, run: Run, slot: Slot, start: str, value: str) -> None:
    """Write what stores a code that is known only once the rest is there: a check's, or a length's. start: where its run does, in bits."""
    page, name = walk.page, walk.frame.mission.prefix
    place = walk.place(run, "uint8_t", start)
    if place is not None:
        store(page, name, place, slot, value)
        return
    low = "_low" if run.packing.value.startswith("least") else ""
    page.add(f"const {unsigned(slot.width)} late = {turned(name, slot, value)};")
    for part, shift in parts(slot):
        code = f"({unsigned(part.width)})(late >> {shift})" if shift else f"({unsigned(part.width)})late"
        if slot.pieces:
            code = f"({unsigned(part.width)})({code} & {mask(part.width)})"
        page.add(f"{name}_put{low}(d, {walk.position(run, part, start)}, {part.width}, {code});")


def all_checks(page: Page, frame: FrameCode, known: dict[int, str], on_failure: str) -> None:
    """Write what stores, or verifies, every check in the order in which they depend on each other."""
    for number_of in frame.layout.check_order:
        slot, run = frame.record.slots[number_of], frame.homes[number_of]
        walk = CheckWalk(frame, page, slot, on_failure)
        if number_of in frame.outer and on_failure and frame.is_closing(slot):
            with page.block(f"if ({closing_test(frame, slot)})"):
                page.add(f"return {on_failure};")
            continue
        with page.block(""):
            if number_of in frame.outer:
                walk.known = known
                walk.act(run, f"n{run.number}")
            else:
                page.add(f"{frame.record.bits} at = 0;")
                walk.nodes(frame.layout.nodes, "r->")
                page.add("(void)at;")
