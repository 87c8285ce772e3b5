"""The line that a unit prints when it starts, and whether it fits a schema: a build of another version of it is seen before launch.

A unit packs a few records that follow from nothing but the layout, and prints mission, fingerprint and a CRC-32 over all their bytes.
KEEP IN STEP WITH packetkit/targets/c/boot.py, which writes the same in C; tests compile and run it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from zlib import crc32

from packetkit.codec.frame import Frame
from packetkit.conformance import members
from packetkit.errors import EncodeError
from packetkit.layout.asked import asked_codes
from packetkit.layout.model import Choice, Layout, Optional, Repeat
from packetkit.layout.numbered import number_in
from packetkit.layout.slots import Slot

ROUNDS = 4  # records of each frame
START = 1
MOST_ELEMENTS = 3

_LINE = re.compile(
    r"(?P<mission>[a-z][a-z0-9_-]*) (?P<fingerprint>[0-9]+-[0-9a-f]{16}) (?P<digest>[0-9A-F]{8}|failed)"
)


class Sequence32:
    """Numbers that every processor makes alike: x * 1664525 + 1013904223 modulo 2**32 (Numerical Recipes, chapter 7, from memory)."""

    def __init__(self) -> None:
        self.state = START

    def next(self) -> int:
        self.state = (self.state * 1664525 + 1013904223) & 0xFFFFFFFF
        return self.state >> 8  # the low bits of such a sequence hardly change


class Boot:
    """What a unit puts into a record: the codes that follow from a layout and the sequence."""

    def __init__(self, layout: Layout, numbers: Sequence32) -> None:
        self.numbers = numbers
        choices = [node for node in layout.walk() if isinstance(node, Choice)]
        self.variants = {
            node.address: numbers.next() % len(node.branches) for node in choices if not node.told_by
        }
        asked = asked_codes(layout)
        self.asked = {by: [number_in(layout.slots[by], code) for code in asked[by]] for by in asked}
        self.last: set[int] = set()  # the slots that are to say that an element is the last

    def code(self, slot: Slot) -> int:
        """A raw code of a slot: one that something asks for, where there are such."""
        asked = self.asked.get(slot.number)
        if asked and slot.number in self.last:
            self.last.remove(slot.number)
            return asked[0]
        if asked:
            return asked[self.numbers.next() % len(asked)]
        if slot.kind == "count":
            most = slot.raw_limits[1] if slot.maximum_count is None else slot.maximum_count
            return self.numbers.next() % (min(most, MOST_ELEMENTS) + 1)
        code = self.numbers.next()
        for _ in range(2):
            code = code << 24 | self.numbers.next()
        code &= (1 << slot.width) - 1
        return code - (1 << slot.width) if slot.signed and code >> (slot.width - 1) else code

    def number(self, node: members.Own) -> int:
        if isinstance(node, Choice):
            return self.variants[node.address]
        if isinstance(node, Optional):
            return self.numbers.next() % 2
        most = MOST_ELEMENTS if node.maximum is None else min(node.maximum, MOST_ELEMENTS)
        return self.numbers.next() % (most + 1)

    def elements(self, node: Repeat, count: int) -> int:
        """Elements of a computed count; of one that cannot be, none, and the record is refused."""
        return count if count >= 0 and (node.maximum is None or count <= node.maximum) else 0

    def element(self, node: Repeat, number: int) -> None:
        if node.own_end is not None and number + 1 == min(node.maximum or MOST_ELEMENTS, MOST_ELEMENTS):
            self.last.add(node.own_end.by)

    def astray(self, node: Choice) -> None:
        """A record without a variant is refused."""


def digest(layouts: Mapping[str, Layout]) -> int:
    """Return the CRC-32 over the frames that a unit packs when it starts."""
    numbers, made = Sequence32(), 0
    for layout in layouts.values():
        frame = Frame(layout)
        for _ in range(ROUNDS):
            record = members.record(layout, Boot(layout, numbers))
            try:
                made = crc32(frame.encode(record), made)
            except EncodeError:
                continue  # codes that do not go together, such as a list that no length could measure
    return made


@dataclass(frozen=True, slots=True)
class Judgement:
    """Whether a line fits a schema, and the sentence that says why not."""

    agrees: bool
    sentence: str


def judged(layouts: Mapping[str, Layout], mission: str, fingerprint: str, line: str) -> Judgement:
    """Return whether a unit that printed this line packs as a schema says."""
    found = _LINE.search(line)
    if found is None:
        return Judgement(
            False, "this is no self-test line: it reads mission, fingerprint and eight hexadecimal digits"
        )
    name, theirs, told = found["mission"], found["fingerprint"], found["digest"]
    if name != mission:
        return Judgement(False, f"the unit sends {name}, and the schema is {mission}'s")
    if theirs != fingerprint:
        return Judgement(
            False,
            f"the unit was built for {mission} {theirs}, and the schema is {fingerprint}: another version. "
            "Build the unit anew, or decode with the schema that it was built for",
        )
    if told == "failed":
        return Judgement(False, "the unit's own frames did not decode on it: do not fly this build")
    wanted = f"{digest(layouts):08X}"
    if told != wanted:
        return Judgement(
            False,
            f"the unit was built for this schema, but packs bits otherwise: {told}, not {wanted}. "
            "Its compiler or its memory makes a mistake, or the generated files were edited",
        )
    return Judgement(True, f"The unit packs {mission} {fingerprint} as the schema says.")
