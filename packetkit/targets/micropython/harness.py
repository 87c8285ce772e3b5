"""A program around generated modules that answers batches of questions on raw codes (conformance/batch.py), in the interpreter itself.

It speaks lines of hexadecimal text, because an interpreter in a page has no pipes of octets: a batch is a line, so is the batch of answers.
Each frame is put into memory full of 00, A5 or FF in turn.
"""

from __future__ import annotations

from collections.abc import Sequence

from packetkit.layout.bundle import opened
from packetkit.layout.model import Choice, Fill, Measured, Node, Optional, Repeat, Run, Slot
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
        code = code - (1 << 64) if code >> 63 else code
        if not -(1 << width - 1) <= code < 1 << width - 1:
            return 1 << 16
        code &= (1 << width) - 1
    return code >> low


def put_number(out, value, octets):
    for _ in range(octets):
        out.append(value & 255)
        value >>= 8


def give(out, status, content):
    out.append(status)
    put_number(out, len(content), 4)
    out.extend(content)


def encode(out, frame, row):
    global turn
    turn += 1
    new, take, _, slots, _ = FRAMES[frame]
    buffer = bytearray(FILLERS[turn % 3])
    record = new()
    take(record, row)
    try:
        size = record.encode(buffer)
    except ValueError as no:
        address = str(no).split(": ")[0]
        content = bytearray()
        put_number(content, slots.get(address, 0xFFFF), 2)
        give(out, 1, content)
        return
    fixed = getattr(new, "SIZE", None)
    if fixed is not None:
        try:
            record.encode(bytearray(fixed - 1))
            raise RuntimeError("a frame was put into a buffer that is one byte short")
        except ValueError:
            pass
    give(out, 0, buffer[:size])


def decode(out, frame, data):
    new, _, members, _, told = FRAMES[frame]
    record = new()
    data = told(record, data)
    try:
        record.decode(data, len(data))
    except ValueError as no:
        give(out, STATUSES.index(str(no)), b"")
        return
    content = bytearray()
    for code in members(record):
        put_number(content, code & 0xFFFFFFFFFFFFFFFF, 8)
    give(out, 0, content)


def number_at(data, at, octets):
    made = 0
    for k in range(octets - 1, -1, -1):
        made = made << 8 | data[at + k]
    return made


def answer(line):
    data = binascii.unhexlify(line)
    out, at = bytearray(), 0
    while at < len(data):
        what, frame, size = data[at], number_at(data, at + 1, 2), number_at(data, at + 3, 4)
        subject = data[at + 7:at + 7 + size]
        at += 7 + size
        if what == 69:
            encode(out, frame, [number_at(subject, k, 8) for k in range(0, size, 8)])
        else:
            decode(out, frame, subject)
    return binascii.hexlify(out).decode()
"""


def text(missions: Sequence[tuple[str, Sequence[FrameCode]]]) -> str:
    """Return the program's source. Each mission: the name of its module, and its frames; numbered through, mission by mission."""
    page = Page()
    page.add("import binascii", "")
    names = []
    for module, frames in missions:
        page.add(f"import {module}")
        for frame in frames:
            name = f"{module}_{frame.record.root.name}"
            page.add("", "")
            with page.block(f"def take_{name}(r, row)"):
                page.add("k = 0")
                for slot in frame.layout.supplied:
                    _take(page, slot, f"r.{frame.record.names[slot.number]}")
                _Taking(frame, page, module).nodes(frame.layout.nodes, Place("r"), frame.record.root)
                page.add("if k != len(row): raise RuntimeError('members are left over')")
            page.add("", "")
            _told(page, frame, name)
            page.add("", "")
            with page.block(f"def members_{name}(r)"):
                page.add("found = []")
                for slot in frame.layout.supplied:
                    page.add(f"found.append(r.{frame.record.names[slot.number]})")
                _Giving(frame, page, module).nodes(frame.layout.nodes, Place("r"), frame.record.root)
                page.add("return found")
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


def _take(page: Page, slot: Slot, target: str) -> None:
    """Take the next member of a row."""
    value = "row[k] - (1 << 64) if row[k] >> 63 else row[k]" if slot.signed else "row[k]"
    page.add(f"{target} = {value}", "k += 1")


def _told(page: Page, frame: FrameCode, name: str) -> None:
    """Write the function that gives a record what decoding is told, and the bytes behind it."""
    choices = [node for node in frame.layout.walk() if isinstance(node, Choice) and not node.told_by]
    with page.block(f"def told_{name}(r, data)"):
        page.add(
            f"row = [number_at(data, 8 * k, 8) for k in range({len(frame.layout.supplied) + len(choices)})]"
        )
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
            if isinstance(node, Run):
                self.learn(node, place, holder)
                for slot in filter(is_member, node.slots):
                    self.member(slot, self.known[slot.number])
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

    def member(self, slot: Slot, target: str) -> None:
        """Do what is to be done with one member."""

    def new(self, node: Repeat) -> str:
        made = self.frame.record.new(node)
        return f"{self.module}.{made}" if made.endswith("()") else made


class _Taking(_Members):
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


class _Giving(_Members):
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
