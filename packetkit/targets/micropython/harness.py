"""A program around generated modules that answers batches of questions on raw codes (conformance/batch.py), in the interpreter itself.

It speaks lines of hexadecimal text, because an interpreter in a page has no pipes of octets: a batch is a line, so is the batch of answers.
Each frame is put into memory full of 00, A5 or FF in turn.
"""

from __future__ import annotations

from collections.abc import Sequence

from packetkit.layout.bundle import opened
from packetkit.layout.model import Choice, Continued, Fill, Measured, Node, Optional, Repeat, Run, slots_of
from packetkit.layout.slots import Slot
from packetkit.targets.micropython.page import Page
from packetkit.targets.micropython.places import is_wide, words
from packetkit.targets.micropython.record import Holder, Place, is_member
from packetkit.targets.micropython.walk import FrameCode, Walk

ROOM = 4096  # of the buffer that frames are put into

_ANSWER = """

STATUSES = (
    "ok", "refused", "truncated", "bad count", "wrong constant", "trailing bytes", "check failed", "reserved bits", "bad length",
    "unknown variant",
)
FILLERS = (bytes(ROOM), bytes([0xA5]) * ROOM, bytes([0xFF]) * ROOM)
turn = 0


def top_word(code, width, signed):
    # The first word of a wide code; of one that its bits do not hold, a word that is refused.
    low = (width - 1) // 16 * 16
    if signed:
        if not -(1 << width - 1) <= code < 1 << width - 1:
            return 1 << 16
        code &= (1 << width) - 1
    return (code & (1 << 64) - 1) >> low


def give(out, status, content):
    out.append(struct.pack("<BI", status, len(content)))
    out.append(content)


def encode(out, frame, row):
    global turn
    turn += 1
    new, take, _, slots, _ = FRAMES[frame]
    fixed = getattr(new, "SIZE", None)
    buffer = bytearray(FILLERS[turn % 3] if fixed is None else bytes([(0, 0xA5, 0xFF)[turn % 3]]) * (fixed + 1))
    record = new()
    take(record, row)
    try:
        size = record.encode(buffer)
    except ValueError as no:
        address = str(no).split(": ")[0]
        give(out, 1, struct.pack("<H", slots.get(address, 0xFFFF)))
        return
    if fixed is not None:
        try:
            record.encode(bytearray(fixed - 1))
            raise RuntimeError("a frame was put into a buffer that is one byte short")
        except ValueError:
            pass
    give(out, 0, bytes(buffer[:size]))


def decode(out, frame, data):
    new, _, members, _, told = FRAMES[frame]
    record = new()
    data = told(record, data)
    try:
        record.decode(data, len(data))
    except ValueError as no:
        give(out, STATUSES.index(str(no)), b"")
        return
    row = members(record)
    give(out, 0, struct.pack("<%dq" % len(row), *row))


def answer(line):
    data = binascii.unhexlify(line)
    out, at = [], 0
    while at < len(data):
        what, frame, size = struct.unpack_from("<BHI", data, at)
        subject = data[at + 7:at + 7 + size]
        at += 7 + size
        if what == 69:
            encode(out, frame, struct.unpack("<%dq" % (size // 8), subject))
        else:
            decode(out, frame, subject)
    return binascii.hexlify(b"".join(out)).decode()
"""


def text(missions: Sequence[tuple[str, Sequence[FrameCode]]]) -> str:
    """Return the program's source. Each mission: the name of its module, and its frames; numbered through, mission by mission."""
    page = Page()
    page.add("import binascii", "import struct", "")
    names = []
    for module, frames in missions:
        page.add(f"import {module}")
        for frame in frames:
            name = f"{module}_{frame.record.root.name}"
            page.add("", "")
            taking(page, frame, f"take_{name}", module)
            page.add("", "")
            _told(page, frame, name)
            page.add("", "")
            with page.block(f"def members_{name}(r)"):
                page.add("found = []")
                for slot in frame.layout.supplied:
                    page.add(f"found.append(r.{frame.record.names[slot.number]})")
                _Giving(frame, page, module).nodes(frame.layout.nodes, Place("r"), frame.record.root)
                wide = any(_is_word(slot) for slot in (*frame.layout.slots, *frame.layout.supplied))
                page.add(
                    "return [one - (1 << 64) if one >> 63 > 0 else one for one in found]"
                    if wide
                    else "return found"
                )
            slots = {slot.address: slot.number for slot in reversed(frame.layout.slots)}
            for slot in frame.declared.slots:
                if slot.kind == "bundle":
                    slots.update({one.address: slot.number for one in opened(slot)})
            for slot in frame.layout.supplied:  # behind those that have bits
                slots[slot.address] = len(frame.declared.slots) - 1 - slot.number
            names.append(
                f"({module}.{frame.record.root.name}, take_{name}, members_{name}, {slots!r}, told_{name})"
            )
    page.add("", f"ROOM = {ROOM}", f"FRAMES = [{', '.join(names)}]")
    return page.text + _ANSWER


def taking(page: Page, frame: FrameCode, name: str, module: str) -> None:
    """Write the function that gives a record its members. module: the name under which the generated one is known."""
    with page.block(f"def {name}(r, row)"):
        page.add("k = 0")
        for slot in frame.layout.supplied:
            _take(page, slot, f"r.{frame.record.names[slot.number]}")
        _Taking(frame, page, module).nodes(frame.layout.nodes, Place("r"), frame.record.root)
        page.add("if k != len(row): raise RuntimeError('members are left over')")


def _take(page: Page, slot: Slot, target: str) -> None:
    """Take the next member of a row, which has all of them as signed 64 bits: of a code that its bits do not hold, the same bits."""
    page.add(f"{target} = row[k]", "k += 1")
    if _is_word(slot):
        page.add(f"if {target} < 0: {target} += 1 << 64")


def _is_word(slot: Slot) -> bool:
    """Whether a slot has codes that are no signed 64 bits."""
    return slot.width == 64 and not slot.signed


def _told(page: Page, frame: FrameCode, name: str) -> None:
    """Write the function that gives a record what decoding is told, and the bytes behind it."""
    choices = [node for node in frame.layout.walk() if isinstance(node, Choice) and not node.told_by]
    with page.block(f"def told_{name}(r, data)"):
        page.add(f'row = struct.unpack_from("<{len(frame.layout.supplied) + len(choices)}q", data)')
        page.add("k = 0")
        for slot in frame.layout.supplied:
            _take(page, slot, f"r.{frame.record.names[slot.number]}")
        for node in choices:
            page.add(f"{frame.record.variant('r', node)} = row[k]", "k += 1")
        page.add("return data[8 * k:]")


class _Members(Walk):
    """Goes through a record's members in wire order; positions are of no interest."""

    root = "r"

    def __init__(self, frame: FrameCode, page: Page, module: str) -> None:
        super().__init__(frame, page)
        self.module = module
        self.ones = f"{module}._ones"

    def inner(self, nodes: tuple[Node, ...], place: Place, holder: Holder) -> None:
        for node in nodes:
            self.sum_up(node)
            if isinstance(node, (Run, Continued)):
                self.learn(node, place, holder)
                self.members([(slot, self.known[slot.number]) for slot in filter(is_member, slots_of(node))])
            elif isinstance(node, Repeat):
                self.list(node, place, holder)
            elif isinstance(node, Optional):
                self.option(node, place, holder)
            elif isinstance(node, Measured):
                self.inner(node.body, place, holder)
            elif isinstance(node, Choice):
                self.choice(node, place, holder)
            else:
                assert isinstance(node, Fill)

    def members(self, slots: list[tuple[Slot, str]]) -> None:
        """Do what is to be done with the members of a run."""
        for slot, target in slots:
            self.member(slot, target)

    def member(self, slot: Slot, target: str) -> None:
        """Do what is to be done with one member."""

    def new(self, node: Repeat) -> str:
        made = self.frame.record.new(node)
        return f"{self.module}.{made}" if made.endswith("()") else made


class _Taking(_Members):
    def members(self, slots: list[tuple[Slot, str]]) -> None:
        """Take members at once where each is one narrow number."""
        if len(slots) < 2 or any(_is_word(slot) or is_wide(slot, self.frame.small) for slot, _ in slots):
            super().members(slots)
            return
        targets = ", ".join(target for _, target in slots)
        self.page.add(f"{targets} = row[k:k + {len(slots)}]", f"k += {len(slots)}")

    def member(self, slot: Slot, target: str) -> None:
        value = "row[k]"
        if is_wide(slot, self.frame.small):
            parts = [f"{value} >> {16 * at} & 0xFFFF" for at in reversed(range(words(slot)))]
            parts[0] = f"top_word({value}, {slot.width}, {slot.signed})"
            self.page.add(f"{target} = [{', '.join(parts)}]", "k += 1")
            return
        _take(self.page, slot, target)

    def variant(self, node: Choice) -> str:
        target = super().variant(node)
        self.page.add(f"{target} = row[k]", "k += 1")
        return target

    def length(self, node: Repeat, target: str) -> str:
        self.page.add(f"{target} = row[k]", "k += 1")
        return target

    def is_there(self, node: Optional, beside: str) -> str:
        self.page.add(f"{beside} = row[k]", "k += 1")
        return beside

    def before_list(self, node: Repeat, count: str, items: str) -> None:
        with self.page.block(f"while len({items}) < {count}"):
            self.page.add(f"{items}.append({self.new(node)})")

    def before_element(self, node: Repeat, items: str, index: str) -> None:
        with self.page.block(f"if len({items}) == {index}"):
            self.page.add(f"{items}.append({self.new(node)})")


class _Giving(_Members):
    def members(self, slots: list[tuple[Slot, str]]) -> None:
        """Give members at once where each is one number."""
        if any(is_wide(slot, self.frame.small) for slot, _ in slots):
            super().members(slots)
        elif slots:
            self.page.add(f"found += ({', '.join(target for _, target in slots)},)")

    def member(self, slot: Slot, target: str) -> None:
        if is_wide(slot, self.frame.small):
            parts = " | ".join(f"{target}[{words(slot) - 1 - at}] << {16 * at}" for at in range(words(slot)))
            value = f"({parts})"
            if slot.signed:
                half = 1 << (slot.width - 1)
                value = f"(({parts}) ^ {half}) - {half}"
            self.page.add(f"found.append({value})")
            return
        self.page.add(f"found.append({target})")

    def variant(self, node: Choice) -> str:
        target = super().variant(node)
        self.page.add(f"found.append({target})")
        return target

    def length(self, node: Repeat, target: str) -> str:
        self.page.add(f"found.append({target})")
        return target

    def is_there(self, node: Optional, beside: str) -> str:
        self.page.add(f"found.append({beside})")
        return beside
