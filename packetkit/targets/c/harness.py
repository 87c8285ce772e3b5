"""A program around generated C that answers batches of questions through its standard input and output (conformance/batch.py).

Many missions go into one program, so that one compilation serves many schemas. It puts each frame that it makes into memory full of 00, A5
or FF in turn, and between guards, so that a byte left unwritten or written beyond the end is seen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from packetkit.layout.model import Choice, Layout, Optional, Repeat
from packetkit.layout.slots import Slot
from packetkit.targets.c.frame import FrameCode, Mission
from packetkit.targets.c.header import RESULTS
from packetkit.targets.c.walk import Members
from packetkit.targets.c.words import Page, ctype
from packetkit.targets.target import Dossier

_COMMON = """\
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const uint8_t *in;
static size_t left;
static uint8_t *out;
static size_t used, room;
static int starved;

static uint64_t word(void) {
    uint64_t made = 0;
    int i;
    if (left < 8) { starved = 1; return 0; }
    for (i = 7; i >= 0; i--) { made = (made << 8) | in[i]; }
    in += 8; left -= 8;
    return made;
}

static void give(const void *from, size_t size) {
    if (used + size > room) {
        room = 2 * (used + size);
        out = (uint8_t *)realloc(out, room);
        if (out == NULL) { exit(3); }
    }
    if (size) { memcpy(out + used, from, size); }
    used += size;
}

static void put_number(uint64_t value, int octets) {
    uint8_t text[8];
    int i;
    for (i = 0; i < octets; i++) { text[i] = (uint8_t)(value >> (8 * i)); }
    give(text, (size_t)octets);
}

static void answer(int status, const void *from, size_t size) {
    put_number((uint64_t)status, 1);
    put_number(size, 4);
    give(from, size);
}

/* Memory for one record, for as long as the next is not asked for: a small processor has no room for one of each. */
static void *scratch(size_t size) {
    static void *kept;
    free(kept);
    kept = malloc(size);
    if (kept == NULL) { exit(3); }
    return kept;
}

static uint8_t filler(void) {
    static unsigned turn;
    static const uint8_t with[3] = {0x00, 0xA5, 0xFF};
    return with[turn++ % 3];
}
"""

_MAIN = """\
static uint64_t number(const uint8_t *from, int octets) {
    uint64_t made = 0;
    while (octets-- > 0) { made = (made << 8) | from[octets]; }
    return made;
}

int main(void) {
    uint8_t head[4];
    while (fread(head, 1, 4, stdin) == 4) {
        size_t size = (size_t)number(head, 4), at = 0;
        uint8_t *batch = (uint8_t *)malloc(size ? size : 1);
        if (batch == NULL || fread(batch, 1, size, stdin) != size) { return 2; }
        used = 0;
        while (at + 7 <= size) {
            const uint8_t what = batch[at];
            const size_t frame = (size_t)number(batch + at + 1, 2), length = (size_t)number(batch + at + 3, 4);
            in = batch + at + 7; left = length; starved = 0;
            if (what == 'E') { encoders[frame](); } else { decoders[frame](); }
            at += 7 + length;
        }
        head[0] = (uint8_t)used; head[1] = (uint8_t)(used >> 8); head[2] = (uint8_t)(used >> 16); head[3] = (uint8_t)(used >> 24);
        fwrite(head, 1, 4, stdout);
        if (used) { fwrite(out, 1, used, stdout); }
        fflush(stdout);
        free(batch);
    }
    free(out);
    return 0;
}
"""


def text(missions: Sequence[tuple[Mapping[str, Layout], Dossier, str]], main: str = _MAIN) -> str:
    """Return the program's source. Each mission: its layouts, its dossier, the name of its generated source file without its end.

    main: what stands behind it all, and calls the tables `encoders` and `decoders`; the rest of `_MAIN`'s work is its own.

    Frames are numbered through, mission by mission.
    """
    page, names = Page(), []
    for _, _, file in missions:
        page.add(f'#include "{file}.c"')
    page.lines += _COMMON.splitlines()
    for layouts, dossier, file in missions:
        mission = Mission(file, outside=dossier.outside)
        for layout in layouts.values():
            frame = FrameCode(layout, mission)
            _encoder(page, frame)
            _decoder(page, frame)
            names.append(frame.prefix)
    page.add(
        f"static void (*const encoders[])(void) = {{{', '.join(f'{name}_ask_encode' for name in names)}}};"
    )
    decoders = ", ".join(f"{name}_ask_decode" for name in names)
    page.add(f"static void (*const decoders[])(void) = {{{decoders}}};")
    return page.text + main


def _encoder(page: Page, frame: FrameCode) -> None:
    name, upper = frame.prefix, frame.upper
    with page.block(f"static void {name}_ask_encode(void)"):
        page.add(
            f"{name} *r = ({name} *)scratch(sizeof({name}));",
            f"uint8_t *d = (uint8_t *)malloc({upper}_SIZE);",
            f"size_t size = {upper}_SIZE;",
            f"enum {name}_field result;",
        )
        page.add(
            "const uint8_t with = filler(), other = (uint8_t)(255 - with);",
            "memset(r, with, sizeof *r);",
            f"memset(d, other, {upper}_SIZE);",
        )
        for slot in frame.layout.supplied:
            page.add(f"r->{slot.path[0]} = ({ctype(slot.width, slot.signed)})word();")
        _Taking(frame, page).nodes(frame.layout.nodes, "r->")
        with page.block("if (starved || left != 0)"):
            page.add("exit(4);")
        extra = "" if frame.is_fixed else ", &size"
        page.add(f"result = {name}_encode(r, d, {upper}_SIZE{extra});")
        with page.block(f"if (result == {upper}_OK)"):
            page.add("answer(0, d, size);")
        with page.block("else"):
            page.add("uint8_t field[2];", f"unsigned number = (unsigned)result - {len(('OK', 'NO_ROOM'))};")
            page.add(
                "field[0] = (uint8_t)number;", "field[1] = (uint8_t)(number >> 8);", "answer(1, field, 2);"
            )
        with page.block(f"if (result == {upper}_OK && size > 0)"):
            page.add(
                "const size_t exact = size;",
                "uint8_t *e = (uint8_t *)malloc(exact);",
                "if (e == NULL) { exit(3); }",
                "memset(e, other, exact);",
            )
            with page.block(f"if ({name}_encode(r, e, exact - 1{extra}) == {upper}_OK || e[0] != other)"):
                page.add("exit(5); /* one byte short is an error, never a write */")
            with page.block(
                f"if ({name}_encode(r, e, exact{extra}) != {upper}_OK || memcmp(e, d, exact) != 0)"
            ):
                page.add("exit(7); /* a frame needs no more room than it has bytes */")
            page.add("free(e);")
        page.add("(void)size;", "free(d);")


def _decoder(page: Page, frame: FrameCode) -> None:
    name = frame.prefix
    statuses = {
        "OK": 0,
        "TRUNCATED": 2,
        "BAD_COUNT": 3,
        "WRONG_CONSTANT": 4,
        "TRAILING_BYTES": 5,
        "CHECK_FAILED": 6,
        "RESERVED_BITS": 7,
        "BAD_LENGTH": 8,
        "UNKNOWN_VARIANT": 9,
    }
    with page.block(f"static void {name}_ask_decode(void)"):
        page.add(
            f"{name} *r = ({name} *)scratch(sizeof({name}));",
            "size_t start, end, size;",
            "int status = 1;",
            "unsigned field = 0xFFFF;",
            "uint8_t *data;",
        )
        for kind, told, _ in frame.arguments:
            page.add(f"const {kind} {told} = ({kind})word();")
        page.add(
            "data = (uint8_t *)malloc(left ? left : 1); /* alone, so that reading past its end is seen */",
            "size = left;",
            "if (data == NULL || starved) { exit(3); }",
            "if (size) { memcpy(data, in, size); }",
            "memset(r, filler(), sizeof *r);",
        )
        told = "".join(f", {one}" for _, one, _ in frame.arguments)
        with page.block(f"switch ({name}_decode(r, data, size{told}))"):
            page.add(
                *(
                    f"case {frame.mission.upper}_{word}: status = {statuses[word]}; break;"
                    for word, _ in RESULTS
                )
            )
            for slot, refused in frame.told:
                page.add(f"case {refused}: field = {len(frame.declared.slots) - 1 - slot.number}; break;")
            page.add("default: break;")
        page.add("free(data);")
        with page.block("if (status == 1)"):
            page.add("const uint8_t number[2] = {(uint8_t)field, (uint8_t)(field >> 8)};")
            page.add("answer(status, number, 2);", "return;")
        with page.block("if (status != 0)"):
            page.add("answer(status, NULL, 0);", "return;")
        page.add("answer(0, NULL, 0);", "start = used;")
        for slot in frame.layout.supplied:
            page.add(f"put_number({_wide(slot)}r->{slot.path[0]}, 8);")
        _Giving(frame, page).nodes(frame.layout.nodes, "r->")
        page.add("end = used;", "used = start - 4;", "put_number(end - start, 4);", "used = end;", "(void)r;")


class _Taking(Members):
    """Takes members from the question."""

    def code(self, slot: Slot, target: str) -> None:
        self.page.add(f"{target} = ({ctype(slot.width, slot.signed)})word();")

    def length(self, node: Repeat, prefix: str) -> str:
        target = super().length(node, prefix)
        self.page.add(f"{target} = (uint16_t)word();")
        return target

    def is_there(self, node: Optional, prefix: str) -> str:
        self.page.add(f"{self.beside(node, prefix)} = (uint8_t)word();")
        return super().is_there(node, prefix)

    def choice(self, node: Choice, prefix: str) -> None:
        if not node.told_by:
            self.page.add(f"{self.beside(node, prefix)} = (uint8_t)word();")
        super().choice(node, prefix)

    def before_list(self, node: Repeat, count: str) -> None:
        if node.count is None:
            with self.page.block(f"if ((uint64_t){count} > {self.frame.record.capacities[node.number]})"):
                self.page.add("exit(6); /* the questions keep to the room there is */")


class _Giving(Members):
    """Gives members as an answer."""

    def code(self, slot: Slot, target: str) -> None:
        self.page.add(f"put_number({_wide(slot)}{target}, 8);")

    def length(self, node: Repeat, prefix: str) -> str:
        target = super().length(node, prefix)
        self.page.add(f"put_number({target}, 8);")
        return target

    def is_there(self, node: Optional, prefix: str) -> str:
        self.page.add(f"put_number({self.beside(node, prefix)}, 8);")
        return super().is_there(node, prefix)

    def choice(self, node: Choice, prefix: str) -> None:
        if not node.told_by:
            self.page.add(f"put_number({self.beside(node, prefix)}, 8);")
        super().choice(node, prefix)


def _wide(slot: Slot) -> str:
    return "(uint64_t)(int64_t)" if slot.signed else "(uint64_t)"
