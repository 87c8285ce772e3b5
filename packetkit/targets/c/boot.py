"""The self-test of a unit: it packs a few records that follow from the layout, reads them back, and gives one line to print.

KEEP IN STEP WITH packetkit/conformance/boot.py, which makes the same records in Python; tests compile and run this one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from packetkit.layout.asked import asked_codes
from packetkit.layout.model import Choice, Continued, Measured, Optional, Repeat
from packetkit.layout.slots import Slot
from packetkit.targets.c.frame import FrameCode, Mission, constant
from packetkit.targets.c.octets import counting
from packetkit.targets.c.record import is_member
from packetkit.targets.c.walk import Members
from packetkit.targets.c.words import Page, comment, ctype, number, size_for, unsigned
from packetkit.targets.target import Dossier

ROUNDS, START, MOST_ELEMENTS = 4, 1, 3

_TEXT = """\
static uint32_t digest;

static void add(const uint8_t *from, size_t size) {
    size_t i;
    for (i = 0; i < size; i++) {
        uint8_t bit;
        digest ^= from[i];
        for (bit = 0; bit < 8; bit++) {
            digest = (digest & 1) ? (uint32_t)((digest >> 1) ^ 0xEDB88320) : (uint32_t)(digest >> 1);
        }
    }
}
"""


_NEXT = """
static uint32_t next(void) {
    state = (uint32_t)(state * 1664525 + 1013904223);
    return state >> 8;
}
"""


def text(mission: Mission, frames: Sequence[FrameCode], dossier: Dossier) -> str:
    """Return the source of the self-test."""
    page = Page()
    page.add(
        f"/* Self-test of {comment(dossier.mission)}, written by packetkit: print its line when the unit starts, and ask",
        " * `packetkit vectors SCHEMA --self-test LINE`. Leave this file out where there is no room for it. */",
        f'#include "{mission.prefix}.h"',
        "",
        "#include <string.h>",
        "",
    )
    body = Page()
    for frame in frames:
        _frame(body, frame)
    page.lines += ["static uint32_t state;", *_TEXT.splitlines()]
    page.lines += (
        _NEXT.splitlines() if any(f"{one}()" in body.text for one in ("next", "wide", "narrow")) else []
    )
    slots = [slot for frame in frames for slot in _free(frame)]
    if any(size_for(slot.width) == 64 for slot in slots):
        page.add("", "static uint64_t wide(void) {", "    uint64_t code = next();")
        page.add("    code = (code << 24) | next();", "    return (code << 24) | next();", "}")
    if any(size_for(slot.width) < 64 for slot in slots):
        page.add("", "static uint32_t narrow(void) {", "    uint32_t code;", "    (void)next();")
        page.add("    code = next();", "    return (uint32_t)((code << 24) | next());", "}")
    page.add("")
    counting(page, mission.prefix, body.text)
    page.lines += body.lines
    _line(page, mission, frames, dossier)
    return page.text


def _frame(page: Page, frame: FrameCode) -> None:
    """Pack some records of one frame, and read each back."""
    name, upper = frame.prefix, frame.upper
    with page.block(f"static int {name}_holds(void)"):
        page.add(
            f"static {name} record;", f"static {name} *r = &record;", f"static uint8_t first[{upper}_SIZE];"
        )
        page.add(f"static uint8_t second[{upper}_SIZE];", f"size_t size = {upper}_SIZE;", "uint8_t turn;")
        extra = "" if frame.is_fixed else ", &size"
        told = "".join(f", {f'r->{member}' if member else name}" for _, name, member in frame.arguments)
        with page.block(f"for (turn = 0; turn < {ROUNDS}; turn++)"):
            for node in frame.choices:
                if not node.told_by:
                    page.add(
                        f"const uint8_t {frame.variant_argument(node)} = (uint8_t)(next() % {len(node.branches)});"
                    )
            page.add("memset(r, 0, sizeof *r);")
            filling = _Filling(frame, page)
            for slot in frame.layout.supplied:
                filling.code(slot, f"r->{slot.path[0]}")
            filling.nodes(frame.layout.nodes, "r->")
            fits = _always_fits(frame)
            if not fits:
                with page.block(f"if ({name}_encode(r, first, sizeof first{extra}) != {upper}_OK)"):
                    page.add("continue; /* codes that do not go together */")
            tests = [
                f"{name}_encode(r, first, sizeof first{extra}) != {upper}_OK",
                f"{name}_decode(r, first, size{told}) != {frame.mission.upper}_OK",
                f"{name}_encode(r, second, sizeof second{extra}) != {upper}_OK",
                "memcmp(first, second, size) != 0",
            ]
            with page.block(f"if ({' || '.join(tests if fits else tests[1:])})"):
                page.add("return 0;")
            page.add("add(first, size);")
        page.add("return 1;")
    page.add("")


def _always_fits(frame: FrameCode) -> bool:
    """Whether any codes go together: no length could be too small for them, and nothing in them means that there is no frame."""
    return not any(
        isinstance(node, (Measured, Choice, Continued))
        or (
            isinstance(node, Repeat)
            and (node.factors or node.own_end is not None or node.joined is not None or node.as_fits)
        )
        or (isinstance(node, Optional) and node.by is None)
        for node in frame.layout.walk()
    )


def _free(frame: FrameCode) -> Iterator[Slot]:
    """The members of a frame that get any code."""
    asked = asked_codes(frame.layout)
    for slot in (*frame.layout.slots, *frame.layout.supplied):
        if is_member(slot) and slot.number not in asked and slot.kind != "count":
            yield slot


class _Filling(Members):
    """Fills a record with codes that follow from the layout."""

    def __init__(self, frame: FrameCode, page: Page) -> None:
        super().__init__(frame, page)
        self.asked = asked_codes(frame.layout)
        self.last: dict[
            int, str
        ] = {}  # by slot, the condition that an element is to be the last that it tells of

    def ended(self, node: Repeat, prefix: str) -> None:
        assert node.own_end is not None
        most = min(node.maximum or MOST_ELEMENTS, MOST_ELEMENTS)
        self.last[node.own_end.by] = f"i{self.depth} == {most - 1}"
        super().ended(node, prefix)

    def code(self, slot: Slot, target: str) -> None:
        """Give a member a code."""
        kind, asked = ctype(slot.width, slot.signed), self.asked.get(slot.number)
        if asked and slot.number in self.last:
            with self.page.block(f"if ({self.last.pop(slot.number)})"):
                self.page.add(f"{target} = {constant(asked[0], slot)};")
            with self.page.block("else"):
                self.code(slot, target)
        elif asked:
            with self.page.block(f"switch (next() % {len(asked)})"):
                for at, one in enumerate(asked[:-1]):
                    self.page.add(f"case {at}: {target} = {constant(one, slot)}; break;")
                self.page.add(f"default: {target} = {constant(asked[-1], slot)}; break;")
        elif slot.kind == "count":
            most = slot.raw_limits[1] if slot.maximum_count is None else slot.maximum_count
            self.page.add(f"{target} = ({kind})(next() % {min(most, MOST_ELEMENTS) + 1});")
        else:
            _any_code(self.page, slot, target)

    def length(self, node: Repeat, prefix: str) -> str:
        target = super().length(node, prefix)
        most = MOST_ELEMENTS if node.maximum is None else min(node.maximum, MOST_ELEMENTS)
        self.page.add(f"{target} = (uint16_t)(next() % {most + 1});")
        return target

    def product(self, node: Repeat) -> str:
        """The elements of a computed count; of one that cannot be, none, and the record is refused."""
        count, capacity = super().product(node), self.frame.record.capacities[node.number]
        return f"{count} > {capacity} ? 0 : {count}"

    def is_there(self, node: Optional, prefix: str) -> str:
        self.page.add(f"{self.beside(node, prefix)} = (uint8_t)(next() % 2);")
        return super().is_there(node, prefix)

    def choice(self, node: Choice, prefix: str) -> None:
        if not node.told_by:
            self.page.add(f"{self.beside(node, prefix)} = {self.frame.variant_argument(node)};")
        super().choice(node, prefix)


def _any_code(page: Page, slot: Slot, target: str) -> None:
    kind, size = ctype(slot.width, slot.signed), size_for(slot.width)
    code = f"({unsigned(slot.width)}){'wide()' if size == 64 else 'narrow()'}"
    if slot.width < size:
        code = f"({unsigned(slot.width)})({code} & {number((1 << slot.width) - 1)})"
    if slot.signed and slot.width < size:
        top = number(1 << (slot.width - 1))
        code = f"({unsigned(slot.width)})(({code} ^ {top}) - {top})"
    page.add(f"{target} = ({kind}){code};" if slot.signed else f"{target} = {code};")


def _line(page: Page, mission: Mission, frames: Sequence[FrameCode], dossier: Dossier) -> None:
    start = f"{dossier.mission} {dossier.fingerprint} "
    with page.block(f"void {mission.prefix}_self_test(char *line)"):
        page.add('static const char digits[] = "0123456789ABCDEF";', "int holds = 1;", "int i;")
        page.add(f"state = {START};", "digest = 0xFFFFFFFF;")
        page.add(*(f"holds = holds && {frame.prefix}_holds();" for frame in frames))
        page.add(f'memcpy(line, "{start}failed", sizeof "{start}failed");')
        with page.block("if (holds)"):
            with page.block("for (i = 0; i < 8; i++)"):
                page.add(f"line[{len(start)} + i] = digits[((digest ^ 0xFFFFFFFF) >> (28 - 4 * i)) & 15];")
            page.add(f"line[{len(start) + 8}] = 0;")


def declaration(mission: Mission, dossier: Dossier) -> list[str]:
    """Return what the header says of the self-test."""
    size = len(f"{dossier.mission} {dossier.fingerprint} 00000000") + 1
    return [
        f"#define {mission.upper}_SELF_TEST_SIZE {size}",
        "/* Packs a few records, reads them back, and writes one line for `packetkit vectors SCHEMA --self-test LINE`",
        f" * ({mission.prefix}_self_test.c). */",
        f"void {mission.prefix}_self_test(char *line);",
    ]
