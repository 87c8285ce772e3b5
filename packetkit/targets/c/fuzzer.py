"""A program around generated C that a fuzzer drives (clang's libFuzzer): any bytes into every decoder, and what comes out back again.

The first byte says which frame, then come what decoding is told, then the frame. A frame that decodes must encode; what that makes must
decode, and encode to the same bytes: once through, nothing moves any more. (The first bytes may differ from the second: reserved bits.)
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from packetkit.layout.model import Layout
from packetkit.targets.c.frame import FrameCode, Mission
from packetkit.targets.c.words import Page
from packetkit.targets.target import Dossier

_ENTRY = """\
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    if (size > 0) { frames[data[0] % (sizeof frames / sizeof *frames)](data + 1, size - 1); }
    return 0;
}
"""


def text(missions: Sequence[tuple[Mapping[str, Layout], Dossier, str]]) -> str:
    """Return the program's source. Each mission: its layouts, its dossier, the name of its generated source file without its end."""
    page, names = Page(), []
    page.add(*(f'#include "{file}.c"' for _, _, file in missions))
    page.add("#include <stdlib.h>", "#include <string.h>", "")
    for layouts, dossier, file in missions:
        mission = Mission(file, outside=dossier.outside)
        for layout in layouts.values():
            frame = FrameCode(layout, mission)
            _frame(page, frame)
            names.append(f"{frame.prefix}_fuzzed")
    page.add(f"static void (*const frames[])(const uint8_t *, size_t) = {{{', '.join(names)}}};", "")
    return page.text + _ENTRY


def _frame(page: Page, frame: FrameCode) -> None:
    name, upper, done = frame.prefix, frame.upper, f"{frame.mission.upper}_OK"
    told = "".join(f", {one}" for _, one, _ in frame.arguments)
    extra = "" if frame.is_fixed else ", &SIZE"
    with page.block(f"static void {name}_fuzzed(const uint8_t *data, size_t size)"):
        page.add(
            f"static {name} record, again;",
            f"static uint8_t first[{upper}_SIZE], second[{upper}_SIZE];",
            f"size_t one = {upper}_SIZE, two = {upper}_SIZE;",
        )
        for kind, argument, _ in frame.arguments:
            page.add(f"{kind} {argument} = 0;")
        page.add(f"(void){frame.mission.prefix}_identify(data, size);")
        for kind, argument, _ in frame.arguments:
            page.add(f"if (size < sizeof({kind})) {{ return; }}")
            page.add(
                f"memcpy(&{argument}, data, sizeof({kind}));",
                f"data += sizeof({kind});",
                f"size -= sizeof({kind});",
            )
        page.add("memset(&record, 0xA5, sizeof record);", "memset(&again, 0x5A, sizeof again);")
        page.add(f"if ({name}_decode(&record, data, size{told}) != {done}) {{ return; }}")
        steps = (
            f"{name}_encode(&record, first, sizeof first{extra.replace('SIZE', 'one')}) != {upper}_OK",
            f"{name}_decode(&again, first, one{told}) != {done}",
            f"{name}_encode(&again, second, sizeof second{extra.replace('SIZE', 'two')}) != {upper}_OK",
            "one != two || memcmp(first, second, one) != 0",
        )
        page.add(*(f"if ({step}) {{ abort(); }}" for step in steps))
    page.add("")
