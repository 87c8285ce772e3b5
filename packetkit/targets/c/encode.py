"""The function that makes a frame of a record: refuses what does not fit, packs, and computes the checks last."""

from __future__ import annotations

from packetkit.layout.model import Repeat, Run, Slot
from packetkit.targets.c.check_code import all_checks
from packetkit.targets.c.frame import FrameCode, Walk, constant, within
from packetkit.targets.c.octets import Packer, parts, turned
from packetkit.targets.c.record import is_member, joined
from packetkit.targets.c.words import Page, mask, number, size_for, unsigned


def signature(frame: FrameCode) -> str:
    """Return the declaration of the encoder, without what ends it."""
    size = "" if frame.layout.is_fixed else ", size_t *size"
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
        with page.block(f"if (capacity < {frame.upper}_SIZE)"):
            page.add(f"return {frame.upper}_NO_ROOM;")
        if not any(map(is_member, frame.layout.slots)) and not frame.record.lengths:
            page.add("(void)r;")
        if walk.clears:
            page.add(f"memset(d, 0, {frame.upper}_SIZE);")
        walk.nodes(frame.layout.nodes, "r->")
        if not frame.layout.is_fixed:
            page.add("at = (" + frame.record.bits + ")((at + 7) / 8 * 8);", "*size = (size_t)(at >> 3);")
        elif not frame.only_runs:
            page.add("(void)at;")
        if any(fed.nodes for fed in frame.fed.values()) and not frame.layout.is_fixed:
            page.add(f"const {frame.record.bits} end = at;", "(void)end;")
        all_checks(page, frame, walk.known, "")
        page.add(f"return {frame.upper}_OK;")
    page.add("")


def refuse(page: Page, frame: FrameCode, condition: str, result: str) -> None:
    page.add(f"{frame.mission.upper}_REFUSE({condition}, {result});")


class EncodeWalk(Walk):
    """Packs every run."""

    def __init__(self, frame: FrameCode, page: Page) -> None:
        super().__init__(frame, page)
        self.marks = frame.marks
        self.clears = not frame.only_runs
        self.carries = any(_carries(node) for node in frame.layout.walk() if isinstance(node, Run))

    def run(self, run: Run, prefix: str) -> None:
        if not run.slots:
            return
        if run.at is not None:
            self.pack(run, prefix)
            return
        with self.page.block(""):
            self.pack(run, prefix)

    def pack(self, run: Run, prefix: str) -> None:
        if all(self.is_late(run, slot) for slot in run.slots):
            return
        place = self.place(run, "uint8_t")
        if place is None:
            self.pack_anywhere(run, prefix)
            return
        packer = Packer(self.page, self.frame.mission.prefix, place)
        packer.start()
        for slot, shift in in_order(run):
            value = joined(prefix, slot.path)
            if is_member(slot):
                whole = self.frame.record.slots[slot.number]
                if slot == whole or slot.offset_bits == whole.offset_bits:
                    self.guard(whole, value)
                packer.value(
                    slot,
                    value if slot == whole else cut(self.frame.mission.prefix, whole, slot, value, shift),
                )
            elif self.is_late(run, slot):
                packer.skip()
            else:
                packer.constant(slot, slot.codes[0].low if slot.codes else 0)
        packer.finish(run)

    def is_late(self, run: Run, slot: Slot) -> bool:
        """Whether a check fills octets of its own: they are stored once the rest is there."""
        residue = run.residue if run.at is None else run.at % 8
        return (
            slot.check is not None
            and residue is not None
            and (residue + slot.offset_bits) % 8 == slot.width % 8 == 0
        )

    def pack_anywhere(self, run: Run, prefix: str) -> None:
        """Slots whose place in an octet is only known as the frame is made."""
        low = "_low" if run.packing.value.startswith("least") else ""
        name = self.frame.mission.prefix
        for slot in run.slots:
            kind, value = unsigned(slot.width), joined(prefix, slot.path)
            if is_member(slot):
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
                code = f"({kind}){number(slot.codes[0].low & (1 << slot.width) - 1)}"
            else:
                continue  # zeros are there
            self.page.add(
                f"{name}_put{low}(d, {self.position(run, slot)}, {slot.width}, {turned(name, slot, code)});"
            )

    def guard(self, slot: Slot, value: str) -> None:
        """Refuse a code that is not to be sent; a count that is too large even where nothing else is checked."""
        frame, result = self.frame, self.frame.fields[slot.number]
        tests = over(slot, value)
        if slot.codes:
            # `within` compares nothing that the width decides: that is only for codes that reach its top.
            reaches = any(one.low < one.high == slot.raw_limits[1] for one in slot.codes)
            tests = [*(tests if reaches else []), f"!({within(value, slot.codes, slot)})"]
        if slot.kind == "count":
            for limit in count_limits(frame, slot):
                with self.page.block(f"if ({value} > {limit})"):
                    self.page.add(f"return {result};")
            return
        if tests:
            refuse(self.page, frame, " || ".join(tests), result)

    def before_list(self, node: Repeat, count: str) -> None:
        if node.number in self.frame.record.lengths:
            with self.page.block(f"if ({count} > {self.frame.record.capacities[node.number]})"):
                self.page.add(f"return {self.frame.upper}_NO_ROOM;")


def in_order(run: Run) -> list[tuple[Slot, int]]:
    """The stretches that a run's codes lie in, in wire order, each with how far it is from its code's low end."""
    return sorted((one for slot in run.slots for one in parts(slot)), key=lambda one: one[0].offset_bits)


def cut(name: str, whole: Slot, part: Slot, value: str, shift: int) -> str:
    """The part of a code that one of its pieces holds, still with bits above its width."""
    code = turned(name, whole, f"({unsigned(whole.width)}){value}")
    return f"({unsigned(part.width)})({code} >> {shift})" if shift else f"({unsigned(part.width)})({code})"


def over(slot: Slot, value: str) -> list[str]:
    """Return conditions that a code does not fit its width, none where its type cannot hold such a one."""
    if slot.width == size_for(slot.width):
        return []
    low, high = slot.raw_limits
    return ([f"{value} < {constant(low, slot)}"] if slot.signed else []) + [
        f"{value} > {constant(high, slot)}"
    ]


def count_limits(frame: FrameCode, slot: Slot) -> list[str]:
    """Return the limits of a count that its type does not keep by itself: the schema's, its width's, and those of the lists it counts."""
    top = (1 << size_for(slot.width)) - 1
    declared = (
        slot.raw_limits[1] if slot.maximum_count is None else min(slot.maximum_count, slot.raw_limits[1])
    )
    limits = [number(declared)] if declared < top else []
    for node in frame.layout.walk():
        if isinstance(node, Repeat) and node.counted_by == slot.number:
            capacity = frame.record.capacities[node.number]
            if not capacity.isdigit():
                limits.append(capacity)
            elif int(capacity) < declared:
                limits.append(number(int(capacity)))
    return limits


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
