"""The rows of a frame's table, for small code: where each member is in the record, and how its bits lie.

Rows follow one another as the bits of a run do, so that none says where it begins. `small` has what goes through them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import prod
from typing import TYPE_CHECKING

from packetkit.layout.model import Run
from packetkit.layout.slots import Packing, Slot
from packetkit.targets.c.record import Part, is_member, joined
from packetkit.targets.c.words import Page, number

if TYPE_CHECKING:
    from packetkit.targets.c.frame import FrameCode, Mission

WIDEST_ROW = 64  # bits: six bits of a row's shape, less one
SIGNED, LOW = 0x40, 0x80
FEWEST = 3  # members of a run that a call is worth: on an AVR it takes about 26 bytes
MOST_ROWS = 254  # of a call: its answer is a row, counted from 1, in an octet


@dataclass(frozen=True, slots=True)
class Row:
    """One row as C has it. offset: an expression, empty for bits that are skipped; field: the enumerator of what it refuses."""

    offset: str
    shape: int
    field: str

    @property
    def width(self) -> int:
        return (self.shape & 0x3F) + 1


class Table:
    """The rows of one frame, entered as the walks come to its runs."""

    def __init__(self, frame: FrameCode) -> None:
        self.frame = frame
        self.name = f"{frame.prefix}_rows"
        self.rows: list[Row] = []
        self.at: dict[int, int] = {}  # the row of a slot, by its number
        self.is_mapped = False  # whether fields are looked up that a row refuses

    def runs(self) -> Iterator[Run]:
        """The runs that are gone through by their rows."""
        for node in self.frame.layout.walk() if self.frame.mission.is_small else ():
            if isinstance(node, Run) and self.has(node):
                yield node

    def has(self, run: Run) -> bool:
        """Whether a run is gone through by its rows."""
        members = [slot for slot in run.slots if is_member(slot)]
        fewest = 1 if run.residue is None else FEWEST  # where bits may lie anywhere a call is needed anyhow
        if len(members) < fewest or run.packing.word_bits or any(slot.pieces for slot in run.slots):
            return False
        return all(_direction(run, slot) is not None for slot in members)

    def enter(self, run: Run, prefix: str) -> None:
        """Enter rows from a run's first member to its last, once."""
        members = [at for at, slot in enumerate(run.slots) if is_member(slot)]
        if run.slots[members[0]].number in self.at:
            return
        for slot in run.slots[members[0] : members[-1] + 1]:
            self.at[slot.number] = len(self.rows)
            field = self.frame.fields[slot.number]
            if is_member(slot):
                shape = slot.width - 1 | SIGNED * slot.signed | LOW * bool(_direction(run, slot))
                self.rows.append(Row(self.offset(prefix, slot), shape, field))
                continue
            for first in range(0, slot.width, WIDEST_ROW):
                self.rows.append(Row("", min(WIDEST_ROW, slot.width - first) - 1, field))

    def offset(self, prefix: str, slot: Slot) -> str:
        """How far a member is from its container: the innermost element of a list that it is in, else the record."""
        path = _constant(joined(prefix, slot.path)).removeprefix("r->")
        made = f"offsetof({self.frame.prefix}, {path})"
        inside = _constant(container(prefix)).removeprefix("&r->")
        return made if inside == "r" else f"{made} - offsetof({self.frame.prefix}, {inside})"

    def call(self, run: Run, slots: Sequence[Slot], prefix: str) -> tuple[str, int, int]:
        """The arguments of an interpreter that goes through these members, and the first and last of their rows."""
        first, last = self.at[slots[0].number], self.at[slots[-1].number]
        bits = slots[0].offset_bits
        if run.at is not None:
            start = run.at + bits
            place = f"d + {number(start // 8)}, {start % 8}" if start >= 8 else f"d, {start % 8}"
        elif run.residue is not None:
            start = run.residue + bits
            place = f"d + (at >> 3) + {number(start // 8)}, {start % 8}"
        else:
            where = f"(at + {number(bits)})" if bits else "at"
            place = f"d + ({where} >> 3), (uint8_t)({where} & 7)"
        rows = f"{self.name} + {first}" if first else self.name
        return f"{container(prefix)}, {place}, {rows}, {last - first + 1}", first, last

    def cut(self, slots: Sequence[Slot]) -> Iterator[list[Slot]]:
        """Members in stretches of no more rows than an octet counts."""
        made: list[Slot] = []
        for slot in slots:
            if made and self.at[slot.number] - self.at[made[0].number] >= MOST_ROWS:
                yield made
                made = []
            made.append(slot)
        if made:
            yield made

    def refusal(self, first: int, last: int) -> str:
        """The field that an interpreter's answer `bad` stands for, counted from 1: a sum where fields have consecutive numbers."""
        listed = {name: at for at, name in enumerate(dict.fromkeys(self.frame.fields.values()))}
        rows = self.rows[first : last + 1]
        if len({listed[row.field] - at for at, row in enumerate(rows) if row.offset}) == 1:
            return f"(enum {self.frame.prefix}_field)({rows[0].field} + bad - 1)"
        self.is_mapped = True
        spot = f"{self.name}_fields[{first} + bad - 1]" if first else f"{self.name}_fields[bad - 1]"
        return f"(enum {self.frame.prefix}_field){read(self.frame.mission, self.field_bits, spot)}"

    @property
    def field_bits(self) -> int:
        """Bits of an enumerator of a field; there are two more, for success and for no room."""
        return 8 if len(set(self.frame.fields.values())) + 2 < 256 else 16

    @property
    def offset_bits(self) -> int:
        """Bits of an offset, all ones meaning none: by the most that alignment and lists can make of the record."""
        return 8 if not self.frame.record.defaults and _room(self.frame.record.root) < 255 else 16

    def define(self, page: Page) -> None:
        """Write the rows."""
        mission = self.frame.mission
        with page.block(
            f"static const struct {mission.prefix}_one_row {self.name}[] {mission.upper}_STORED ="
        ):
            page.add(
                *(f"{{{row.offset or f'{mission.upper}_NONE'}, {number(row.shape)}}}," for row in self.rows)
            )
        page.lines[-1] += ";"
        if self.is_mapped:
            page.directive(f"#ifndef {mission.upper}_UNCHECKED")
            kind = f"uint{self.field_bits}_t"
            with page.block(f"static const {kind} {self.name}_fields[] {mission.upper}_STORED ="):
                page.add(*(f"{row.field}," for row in self.rows))
            page.lines[-1] += ";"
            page.directive("#endif")
        page.add("")


def read(mission: Mission, bits: int, spot: str) -> str:
    """What stands in flash, read."""
    return f"{mission.upper}_READ_{bits}({spot})"


def _room(part: Part) -> int:
    """The most octets that a part of a record takes, each member as wide as the widest and aligned to it."""
    inner = sum(_room(one) for one in part.members.values()) if part.members else 8
    return inner * prod(int(size) for size in part.sizes)


def container(prefix: str) -> str:
    """The address that members behind a prefix are counted from.

    >>> container("r->"), container("r->power."), container("r->list[i0].head"), container("r->list[i0].inner[i1]")
    ('r', 'r', '&r->list[i0]', '&r->list[i0].inner[i1]')
    """
    end = max((one.end() for one in re.finditer(r"\[i\d+\]", prefix)), default=0)
    return f"&{prefix[:end]}" if end else "r"


def _constant(text: str) -> str:
    """The same member of the first element."""
    return re.sub(r"\[i\d+\]", "[0]", text)


def _direction(run: Run, slot: Slot) -> bool | None:
    """Whether the octet that comes first holds a member's low bits; None where no row can say how its bits lie."""
    low = run.packing is Packing.LEAST
    if slot.bits_reversed:
        return None
    if not slot.octets_reversed:
        return low
    if run.residue is None or (run.residue + slot.offset_bits) % 8:
        return None
    return not low
