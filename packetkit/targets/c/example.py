"""A main loop to start from: read, pack, send, log. It runs as it is; two places are marked for a team's own code."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from packetkit.layout.asked import asked_codes
from packetkit.layout.model import Node, Repeat, Run, flat
from packetkit.layout.slots import Slot
from packetkit.targets.c.frame import FrameCode, Mission, constant
from packetkit.targets.c.record import is_member, joined
from packetkit.targets.c.words import Page, comment, ctype, mask, size_for
from packetkit.targets.target import Dossier


def text(mission: Mission, frames: Sequence[FrameCode], dossier: Dossier) -> str:
    """Return the source of the example."""
    page = Page()
    page.add(
        f"/* A main loop for {comment(dossier.mission)}, written by packetkit to start from: read, pack, send, log.",
        " * Copy it, and put your own code in the two marked places. */",
        f'#include "{mission.prefix}.h"',
        "",
        "#include <stdio.h>",
        "",
        f"#ifndef {mission.upper}_TURNS",
        f"#define {mission.upper}_TURNS 0 /* how often the loop goes round; 0: for ever */",
        "#endif",
        "",
    )
    page.add(*(f"static {frame.prefix} {frame.layout.name}_record;" for frame in frames), "")
    with page.block("static void read_sensors(uint32_t turn)"):
        page.add(
            "/* YOUR CODE, 1 of 2: put raw codes into the records. The header says what each code means. */",
            "(void)turn;",
        )
        for frame in frames:
            _fill(page, frame)
    page.add("")
    with page.block("static void send(const uint8_t *frame, size_t size)"):
        page.add("/* YOUR CODE, 2 of 2: hand these bytes to the radio, and to the memory card. */")
        page.add('static const char digits[] = "0123456789abcdef";', "size_t i;")
        with page.block("for (i = 0; i < size; i++)"):
            page.add("(void)putchar(digits[frame[i] >> 4]);", "(void)putchar(digits[frame[i] & 15]);")
        page.add("(void)putchar('\\n');")
    page.add("")
    with page.block("static void tell(const char *what, int field)"):
        page.add('printf("%s: field %d does not fit\\n", what, field);')
    page.add("")
    _main(page, mission, frames)
    return page.text


def _fill(page: Page, frame: FrameCode) -> None:
    """What every record needs: its counters counted, its tags one of their codes, what tells a variant the first one's."""
    asked = asked_codes(frame.layout)
    for slot, target in _needed(frame, frame.layout.nodes, f"{frame.layout.name}_record"):
        kind = ctype(slot.width, slot.signed)
        if slot.role is not None and slot.role.name == "sequence" and not slot.signed:
            kept = f"turn & {mask(slot.width)}" if slot.width < min(32, size_for(slot.width)) else "turn"
            modulus = slot.role.modulus
            whole = modulus is None or modulus == 1 << slot.width
            page.add(f"{target} = ({kind})({kept if whole else f'turn % {modulus}'});")
        elif asked.get(slot.number):
            page.add(f"{target} = {constant(asked[slot.number][0], slot)};")


def _needed(frame: FrameCode, nodes: tuple[Node, ...], prefix: str) -> Iterator[tuple[Slot, str]]:
    """The members that a record always has, each with how it is reached; of a list that ends itself those of one element."""
    for node in flat(nodes):
        if isinstance(node, Run):
            yield from ((slot, joined(prefix, slot.path)) for slot in filter(is_member, node.slots))
        elif isinstance(node, Repeat) and node.own_end is not None:
            inner = f"{joined(prefix, frame.record.paths[node.number])}[0]"
            yield from _needed(frame, node.element, inner)


def _main(page: Page, mission: Mission, frames: Sequence[FrameCode]) -> None:
    largest = max(frames, key=lambda frame: frame.record.largest_bytes)
    with page.block("int main(void)"):
        page.add(
            f"static char line[{mission.upper}_SELF_TEST_SIZE];",
            f"static uint8_t frame[{largest.upper}_SIZE];",
        )
        page.add("uint32_t turn;", "size_t size;", "int field;", f"{mission.prefix}_self_test(line);")
        page.add(
            "puts(line); /* packetkit vectors SCHEMA --self-test says whether this build fits the schema */"
        )
        loop = f"for (turn = 0; {mission.upper}_TURNS == 0 || turn != {mission.upper}_TURNS; turn++)"
        with page.block(loop):
            page.add("read_sensors(turn);")
            for one in frames:
                extra = "" if one.is_fixed else ", &size"
                page.add(f"size = {one.upper}_SIZE;")
                page.add(
                    f"field = (int){one.prefix}_encode(&{one.layout.name}_record, frame, sizeof frame{extra});"
                )
                with page.block(f"if (field == {one.upper}_OK)"):
                    page.add("send(frame, size);")
                with page.block("else"):
                    page.add(f'tell("{one.layout.name}", field);')
        page.add("return 0;")
