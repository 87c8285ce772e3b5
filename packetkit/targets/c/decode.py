"""The function that reads a frame: judges it in the order of the Python codec, and gives raw codes only of a frame that holds.

A plain frame is judged before anything is read. One whose shape varies is read into the record on the way, which is cleared again where
the frame does not hold: no value of such a frame is left to be used by mistake.
"""

from __future__ import annotations

from packetkit.layout.model import Run
from packetkit.layout.slots import Slot
from packetkit.targets.c.check_code import all_checks
from packetkit.targets.c.frame import FrameCode, over, within
from packetkit.targets.c.octets import Place, constant_tests, read
from packetkit.targets.c.reading import DecodeWalk, ctype_of, result
from packetkit.targets.c.record import grain, is_member
from packetkit.targets.c.words import Page, number, unsigned

LONGEST = 0xFFFE  # octets of a frame: the most that a size_t of 16 bits can tell from more


def signature(frame: FrameCode) -> str:
    """Return the declaration of the decoder, without what ends it."""
    told = "".join(f", {kind} {name}" for kind, name, _ in frame.arguments)
    return (
        f"enum {frame.mission.prefix}_result {frame.prefix}_decode"
        f"({frame.prefix} *record, const uint8_t *frame, size_t size{told})"
    )


def define(page: Page, frame: FrameCode) -> None:
    """Write the decoder."""
    if frame.is_plain:
        _plain(page, frame)
        return
    told = "".join(f", {kind} {name}" for kind, name, _ in frame.arguments)
    given = "".join(f", {name}" for _, name, _ in frame.arguments)
    inner = (
        f"static enum {frame.mission.prefix}_result {frame.prefix}_read"
        f"({frame.prefix} *r, const uint8_t *d, size_t size{told})"
    )
    with page.block(inner):
        _walking(page, frame)
    page.add("")
    with page.block(signature(frame)):
        page.add(f"enum {frame.mission.prefix}_result result;", "memset(record, 0, sizeof *record);")
        page.add(f"result = {frame.prefix}_read(record, frame, size{given});")
        with page.block(f"if (result != {result(frame, 'OK')})"):
            page.add("memset(record, 0, sizeof *record);")
        page.add("return result;")
    page.add("")


def _refuse_told(page: Page, frame: FrameCode) -> None:
    """Refuse what decoding is told where its bits do not hold it: the caller's mistake, so it comes before anything of the frame."""
    for slot, name in frame.told:
        with page.block(f"if ({' || '.join(over(slot, f'known_{slot.path[0]}'))})"):
            page.add(f"return {name};")


def _supply(page: Page, frame: FrameCode) -> None:
    """Put what decoding is told, and has one place, into the record."""
    page.add(*(f"r->{member} = {name};" for _, name, member in frame.arguments if member))


# -- a frame whose bits have constant places -----------------------------------------------------------------------


def _plain(page: Page, frame: FrameCode) -> None:
    """Write a function that judges, and one that reads what holds: what is judged in one octet leaves at one place."""
    told = "".join(f", {kind} {name}" for kind, name, _ in frame.arguments)
    with page.block(f"static uint8_t {frame.prefix}_judge(const uint8_t *d, size_t size{told})"):
        _judging(page, frame)
    page.add("")
    with page.block(signature(frame)):
        page.add(f"{frame.prefix} *r = record;", "const uint8_t *d = frame;")
        given = "".join(f", {name}" for _, name, _ in frame.arguments)
        kind = f"enum {frame.mission.prefix}_result"
        page.add(f"const {kind} result = ({kind}){frame.prefix}_judge(d, size{given});")
        if not frame.only_runs:
            page.add(f"{frame.record.bits} at = 0;")
        if not any(map(is_member, frame.layout.slots)) and not frame.layout.supplied:
            page.add("(void)r;")
        with page.block(f"if (result != {result(frame, 'OK')})"):
            page.add("return result;")
        _supply(page, frame)
        DecodeWalk(frame, page, judges=False).nodes(frame.layout.nodes, "r->")
        if not frame.only_runs:
            page.add("(void)at;")
        page.add(f"return {result(frame, 'OK')};")
    page.add("")


def _judging(page: Page, frame: FrameCode) -> None:
    runs = [node for node in frame.layout.nodes if isinstance(node, Run)]
    _refuse_told(page, frame)
    with page.block(f"if (size < {frame.upper}_SIZE)"):
        page.add(f"return {result(frame, 'TRUNCATED')};")
    tests = [test for run in runs for test in constant_tests(_at(run), run, _always)]
    if tests:
        with page.block(f"if ({' || '.join(tests)})"):
            page.add(f"return {result(frame, 'WRONG_CONSTANT')};")
    for run in runs:
        for slot in run.slots:
            if slot.codes and slot.is_value:
                _tag(page, frame, run, slot)
    with page.block(f"if (size > {frame.upper}_SIZE)"):
        page.add(f"return {result(frame, 'TRAILING_BYTES')};")
    if _mixed(frame):
        _mixed_checks(page, frame, runs)
    else:
        known = {slot.number: f"known_{slot.path[0]}" for slot in frame.layout.supplied}
        all_checks(page, frame, known, result(frame, "CHECK_FAILED"))
    tests = [test for run in runs for test in constant_tests(_at(run), run, _strict)]
    if tests:
        with page.block(f"if ({' || '.join(tests)})"):
            page.add(f"return {result(frame, 'RESERVED_BITS')};")
    if not any(slot.codes or slot.strict or slot.check for slot in frame.layout.slots):
        page.add("(void)d;")
    page.add(f"return {result(frame, 'OK')};")


def _at(run: Run) -> Place:
    assert run.at is not None
    return Place("d", run.at // 8, run.at % 8, run.packing)


def _always(slot: Slot) -> int | None:
    return slot.codes[0].low if slot.codes and not slot.is_value else None


def _strict(slot: Slot) -> int | None:
    return 0 if slot.kind == "reserved" and slot.strict else None


def _tag(page: Page, frame: FrameCode, run: Run, slot: Slot) -> None:
    """Refuse a code that a tag does not allow."""
    lines, value = read(frame.mission.prefix, _at(run), slot)
    with page.block(""):
        page.add(*lines, f"{unsigned(slot.width)} code = {value};")
        with page.block(f"if (!({within('code', slot.codes, slot)}))"):
            page.add(f"return {result(frame, 'WRONG_CONSTANT')};")


def _mixed(frame: FrameCode) -> bool:
    return any(slot.check is not None and slot.check.mixed is not None for slot in frame.layout.slots)


def _mixed_checks(page: Page, frame: FrameCode, runs: list[Run]) -> None:
    """Verify checks that are mixed with other fields, whose codes are read first."""
    wanted = {slot.check.mixed for slot in frame.layout.slots if slot.check is not None}
    known = {slot.number: f"known_{slot.path[0]}" for slot in frame.layout.supplied}
    with page.block(""):
        for run in runs:
            for slot in run.slots:
                if slot.number in wanted:
                    page.add(f"{ctype_of(slot)} k{slot.number};")
                    known[slot.number] = f"k{slot.number}"
                    lines, value = read(frame.mission.prefix, _at(run), slot)
                    with page.block(""):
                        page.add(*lines, f"k{slot.number} = {value};")
        all_checks(page, frame, known, result(frame, "CHECK_FAILED"))


# -- a frame whose shape varies ------------------------------------------------------------------------------------


def _walking(page: Page, frame: FrameCode) -> None:
    kind = frame.record.bits
    most = 8191 if kind == "uint16_t" else LONGEST + 1
    body = Page(page.depth)
    way = DecodeWalk(frame, body, judges=True)
    way.nodes(frame.layout.nodes, "r->")
    if frame.is_fixed:
        body.add(f"at = {number(frame.layout.minimum_bits)};")
    notes = [one for one in ("wrong", "odd", "wide") if any(f"{one} = " in line for line in body.lines)]
    page.add(f"{kind} at = 0;", *(f"uint8_t {one} = 0;" for one in notes))
    page.add(f"const {kind} end = ({kind})((size < {number(most)} ? ({kind})size : {number(most)}) * 8);")
    if not any(map(is_member, frame.layout.slots)) and not frame.record.beside and not frame.layout.supplied:
        page.add("(void)r;")
    page.add(*(f"{ctype_of(frame.record.slots[one])} k{one} = 0;" for one in sorted(way.asked)))
    _refuse_told(page, frame)
    _supply(page, frame)
    page.lines += body.lines
    if "wrong" in notes:
        with page.block("if (wrong)"):
            page.add(f"return {result(frame, 'WRONG_CONSTANT')};")
    octets = "at >> 3" if grain(frame.layout.nodes, frame.record.sizes) % 8 == 0 else "(at + 7) >> 3"
    with page.block(f"if (size != (size_t)({octets}))"):
        page.add(f"return {result(frame, 'TRAILING_BYTES')};")
    all_checks(page, frame, way.known, result(frame, "CHECK_FAILED"))
    if "odd" in notes:
        with page.block("if (odd)"):
            page.add(f"return {result(frame, 'RESERVED_BITS')};")
    if "wide" in notes:
        with page.block("if (wide)"):
            page.add(f"return {result(frame, 'BAD_LENGTH')};")
    page.add(f"return {result(frame, 'OK')};")
