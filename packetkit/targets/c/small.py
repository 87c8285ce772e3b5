"""Small code: one interpreter for each direction that goes through a table, instead of straight-line code for every field.

A run of fields is a call of an interpreter with its rows of the frame's table, which lies in flash. Structure, constants, tags, counts and
checks stay what they are in straight-line code, so both answer alike for every layout; and so do runs that no row can say (split values,
reversed bits, words of several octets), and those of so few members that they are smaller straight-line.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from packetkit.layout.model import Run
from packetkit.layout.slots import Slot
from packetkit.targets.c.frame import FrameCode, Mission
from packetkit.targets.c.record import is_member, joined
from packetkit.targets.c.rows import LOW, SIGNED, Row
from packetkit.targets.c.walk import Walk
from packetkit.targets.c.words import Page, size_for

# -- what a direction does with a run --------------------------------------------------------------------------------


def pack(walk: Walk, run: Run, prefix: str, guard: Callable[[Slot, str], None]) -> None:
    """Write what packs a run. guard: writes what refuses a code by more than its width."""
    frame, waiting = walk.frame, list[Slot]()
    frame.table.enter(run, prefix)
    for slot in filter(is_member, run.slots):
        if slot.codes or (slot.kind == "count" and frame.is_fixed):
            _packed(walk, run, waiting, prefix)
            waiting = []
            guard(slot, joined(prefix, slot.path))
        waiting.append(slot)
    _packed(walk, run, waiting, prefix)


def _packed(walk: Walk, run: Run, slots: list[Slot], prefix: str) -> None:
    frame, page = walk.frame, walk.page
    for some in frame.table.cut(slots):
        given, first, last = frame.table.call(run, some, prefix)
        with page.block(""):
            page.add(f"const uint8_t bad = {frame.mission.prefix}_pack_rows({given});")
            page.add(
                f"{frame.mission.upper}_REFUSE(bad != 0, {frame.table.refusal(first, last)});", "(void)bad;"
            )


def take(walk: Walk, run: Run, slots: list[Slot], prefix: str) -> None:
    """Write what reads these members of a run."""
    for some in walk.frame.table.cut(slots):
        given, _, _ = walk.frame.table.call(run, some, prefix)
        walk.page.add(f"{walk.frame.mission.prefix}_take_rows({given});")


# -- the interpreters ------------------------------------------------------------------------------------------------

_TYPES = """\
#if defined(__AVR__)
#include <avr/pgmspace.h>
#define UPPER_STORED PROGMEM
#define UPPER_READ_8(spot) pgm_read_byte(&(spot))
#define UPPER_READ_16(spot) pgm_read_word(&(spot))
#else
#define UPPER_STORED
#define UPPER_READ_8(spot) (spot)
#define UPPER_READ_16(spot) (spot)
#endif

#define UPPER_NONE NOTHING /* no member: bits that are skipped */

struct NAME_one_row {
    OFFSET offset; /* of a member from its container */
    uint8_t shape; /* its bits less one; 0x40: signed; 0x80: its low bits come first */
};
"""


def define(page: Page, mission: Mission, frames: Sequence[FrameCode]) -> None:
    """Write the tables of frames that have rows, and what goes through them."""
    tables = [frame.table for frame in frames if frame.table.rows]
    if not tables:
        return
    bits = max(table.offset_bits for table in tables)
    for line in _TYPES.strip("\n").split("\n"):
        for word, meant in (("NOTHING", "0xFF" * (bits == 8) or "0xFFFF"), ("OFFSET", f"uint{bits}_t")):
            line = line.replace(word, meant)
        page.directive(line.replace("UPPER", mission.upper).replace("NAME", mission.prefix))
    page.add("")
    both = Interpreter(page, mission, [row for table in tables for row in table.rows], bits)
    both.pack()
    both.take()
    for table in tables:
        table.define(page)


class Interpreter:
    """Writes the functions that go through rows, with what these rows ask for and no more."""

    def __init__(self, page: Page, mission: Mission, rows: Sequence[Row], offset_bits: int) -> None:
        self.page, self.mission, self.offset_bits = page, mission, offset_bits
        members = [row for row in rows if row.offset]
        self.gaps = len(members) < len(rows)
        self.signs = any(row.shape & SIGNED for row in members)
        self.lows = {bool(row.shape & LOW) for row in members}
        self.sizes = sorted({size_for(row.width) for row in members})
        self.kind = f"uint{self.sizes[-1]}_t"

    @property
    def moved(self) -> Callable[[str], str]:
        """How a code gives its low octet away, or takes one: a type of one octet holds nothing besides."""
        return (lambda sign: "0") if self.sizes[-1] == 8 else (lambda sign: f"({self.kind})({{}} {sign} 8)")

    def head(self, function: str) -> None:
        """What both have in common: a row, where its bits end, where its member is."""
        page, upper = self.page, self.mission.upper
        page.add(f"const uint8_t shape = {upper}_READ_8(rows[i].shape);")
        page.add("const uint8_t last = (uint8_t)(used + (shape & 0x3F));")
        page.add(f"const uint{self.offset_bits}_t offset = {upper}_READ_{self.offset_bits}(rows[i].offset);")

    @contextmanager
    def if_there(self) -> Iterator[None]:
        """What is done where a row has a member: always, where no table has gaps."""
        if not self.gaps:
            yield
            return
        with self.page.block(f"if (offset != {self.mission.upper}_NONE)"):
            yield

    def ends(self, pointer: str, *, rises: bool) -> str:
        """Declare where a code begins and ends; return the step between. rises: from its low octet to its high one."""
        first, last = "p", "p + (last >> 3)"
        left = "(uint8_t)(7 - (last & 7))"
        high = (last, first, left, "used") if rises else (first, last, left, "used")
        low = (first, last, "used", left) if rises else (last, first, "used", left)
        names = (f"{pointer} *q", f"{pointer} *const end", "const uint8_t over", "const uint8_t beside")
        if len(self.lows) == 1:
            chosen = low if self.lows == {True} else high
            self.page.add(*(f"{name} = {value};" for name, value in zip(names, chosen, strict=True)))
            return "q++" if (chosen is low) is rises else "q--"
        for name, a, b in zip(names, low, high, strict=True):
            self.page.add(f"{name} = shape & 0x80 ? {a} : {b};")
        return f"q += shape & 0x80 ? {'1 : -1' if rises else '-1 : 1'}"

    def chosen(self, page: Page, each: Callable[[int], str]) -> None:
        """Do what there is to do for the type of a row's member."""
        *smaller, largest = self.sizes
        word = "if"
        for size in smaller:
            with page.block(f"{word} ((shape & 0x3F) < {size})"):
                page.add(each(size))
            word = "else if"
        with page.block("else" if smaller else ""):
            page.add(each(largest))

    def pack(self) -> None:
        """From a record to octets."""
        page, name, kind = self.page, self.mission.prefix, self.kind
        page.add(
            "/* Packs rows from bit `used` of octet p on; returns 0, or which row's code does not fit, counted from 1. */"
        )
        with page.block(
            f"static uint8_t {name}_pack_rows(const void *record, uint8_t *p, uint8_t used,"
            f" const struct {name}_one_row *rows, uint8_t count)"
        ):
            page.add("uint8_t i;")
            with page.block("for (i = 0; i < count; i++)"):
                self.head("pack")
                with self.if_there():
                    page.add("const void *m = (const uint8_t *)record + offset;")
                    step = self.ends("uint8_t", rises=True)
                    page.add(f"{kind} v;", "uint8_t part;")
                    self.chosen(page, lambda size: f"v = *(const uint{size}_t *)m;")
                    self.fits()
                    page.add("part = (uint8_t)(v << over);", f"v = ({kind})(v >> (8 - over));")
                    with page.block(f"for (; q != end; {step})"):
                        page.add("*q = (uint8_t)(*q | part);", "part = (uint8_t)v;")
                        page.add(f"v = {self.moved('>>').format('v')};")
                    page.add("*q = (uint8_t)(*q | (part & (0xFF >> beside)));")
                self.advance()
            page.add("return 0;")
        page.add("")

    def fits(self) -> None:
        """Refuse a code that its bits do not hold: one that has, moved by half of the range where signed, bits above them."""
        page, kind, upper = self.page, self.kind, self.mission.upper
        page.directive(f"#ifndef {upper}_UNCHECKED")
        with page.block(""):
            page.add(f"{kind} above = v;")
            if self.signs:
                with page.block("if (shape & 0x40)"):
                    page.add(f"above = ({kind})(v + (({kind})1 << (shape & 0x3F)));")
                    for size in self.sizes[:-1]:  # what the addition carries out of the member's own type
                        with page.block(f"if ((shape & 0x3F) < {size})"):
                            page.add(f"above = (uint{size}_t)above;")
            with page.block("if (above >> (shape & 0x3F) >> 1 != 0)"):
                page.add("return (uint8_t)(i + 1);")
        page.directive("#endif")

    def take(self) -> None:
        """From octets to a record."""
        page, name, kind = self.page, self.mission.prefix, self.kind
        page.add("/* Reads rows from bit `used` of octet p on. */")
        with page.block(
            f"static void {name}_take_rows(void *record, const uint8_t *p, uint8_t used,"
            f" const struct {name}_one_row *rows, uint8_t count)"
        ):
            page.add("uint8_t i;")
            with page.block("for (i = 0; i < count; i++)"):
                self.head("take")
                with self.if_there():
                    page.add("void *m = (uint8_t *)record + offset;")
                    step = self.ends("const uint8_t", rises=False)
                    page.add("const uint8_t ones = (uint8_t)(0xFF >> beside);", "uint8_t part = *q & ones;")
                    page.add(f"{kind} x = 0;")
                    if self.signs:
                        with page.block("if ((shape & 0x40) && part > ones >> 1)"):
                            page.add(f"x = ({kind})~x;", "part = (uint8_t)(part | ~ones);")
                    with page.block("while (q != end)"):
                        joined_up = f"{self.moved('<<').format('x')} | part".replace("0 | ", "")
                        page.add(f"x = ({kind})({joined_up});", f"{step};", "part = *q;")
                    page.add(f"x = ({kind})((x << (8 - over)) | (uint8_t)(part >> over));")
                    self.chosen(
                        page,
                        lambda size: (
                            f"*(uint{size}_t *)m = {'x' if size == self.sizes[-1] else f'(uint{size}_t)x'};"
                        ),
                    )
                self.advance()
        page.add("")

    def advance(self) -> None:
        self.page.add("p += (uint8_t)(last + 1) >> 3;", "used = (uint8_t)((last + 1) & 7);")
