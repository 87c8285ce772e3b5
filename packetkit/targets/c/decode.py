"""The function that reads a frame: judges it in the order of the Python codec, and gives raw codes only of a frame that holds.

A plain frame is judged before anything is read. One whose shape varies is read into the record on the way, which is cleared again where
the frame does not hold: no value of such a frame is left to be used by mistake.
"""

from __future__ import annotations

from packetkit.layout.model import Fill, Optional, Repeat, Run, Slot
from packetkit.targets.c.check_code import all_checks
from packetkit.targets.c.encode import count_limits
from packetkit.targets.c.frame import FrameCode, Walk, constant, within
from packetkit.targets.c.octets import Place, constant_tests, gathered, parts, read, signed, turned_back
from packetkit.targets.c.record import is_member, joined
from packetkit.targets.c.words import Page, ctype, number, unsigned

LONGEST = 0xFFFE  # octets of a frame: the most that a size_t of 16 bits can tell from more


def signature(frame: FrameCode) -> str:
    """Return the declaration of the decoder, without what ends it."""
    return f"enum {frame.mission.prefix}_result {frame.prefix}_decode({frame.prefix} *record, const uint8_t *frame, size_t size)"


def result(frame: FrameCode, word: str) -> str:
    return f"{frame.mission.upper}_{word}"


def define(page: Page, frame: FrameCode) -> None:
    """Write the decoder."""
    if frame.is_plain:
        with page.block(signature(frame)):
            _plain(page, frame)
        page.add("")
        return
    inner = f"static enum {frame.mission.prefix}_result {frame.prefix}_read({frame.prefix} *r, const uint8_t *d, size_t size)"
    with page.block(inner):
        _walking(page, frame)
    page.add("")
    with page.block(signature(frame)):
        page.add(f"enum {frame.mission.prefix}_result result;", "memset(record, 0, sizeof *record);")
        page.add(f"result = {frame.prefix}_read(record, frame, size);")
        with page.block(f"if (result != {result(frame, 'OK')})"):
            page.add("memset(record, 0, sizeof *record);")
        page.add("return result;")
    page.add("")


# -- a frame whose bits have constant places -----------------------------------------------------------------------


def _plain(page: Page, frame: FrameCode) -> None:
    page.add(f"{frame.prefix} *r = record;", "const uint8_t *d = frame;")
    if not frame.only_runs:
        page.add(f"{frame.record.bits} at = 0;")
    if not any(map(is_member, frame.layout.slots)):
        page.add("(void)r;")
    runs = [node for node in frame.layout.nodes if isinstance(node, Run)]
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
        all_checks(page, frame, {}, result(frame, "CHECK_FAILED"))
    tests = [test for run in runs for test in constant_tests(_at(run), run, _strict)]
    if tests:
        with page.block(f"if ({' || '.join(tests)})"):
            page.add(f"return {result(frame, 'RESERVED_BITS')};")
    DecodeWalk(frame, page, judges=False).nodes(frame.layout.nodes, "r->")
    if not frame.only_runs:
        page.add("(void)at;")
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
    known: dict[int, str] = {}
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


def ctype_of(slot: Slot) -> str:
    return ctype(slot.width, slot.signed)


def asked_constants(frame: FrameCode) -> set[int]:
    """Slots that hold no value, but tell whether an option is there."""
    by = {node.by for node in frame.layout.walk() if isinstance(node, Optional) and node.by is not None}
    return {number for number in by if not is_member(frame.record.slots[number])}


# -- reading runs --------------------------------------------------------------------------------------------------


class DecodeWalk(Walk):
    """Reads every run. judges: also whether what is read can be this frame; else that is known already."""

    def __init__(self, frame: FrameCode, page: Page, *, judges: bool) -> None:
        super().__init__(frame, page)
        self.judges = judges
        self.marks = frame.marks if judges else set()
        self.asked = asked_constants(frame) if judges else set()
        self.covered = 0

    def run(self, run: Run, prefix: str) -> None:
        if not run.slots:
            return
        if run.at is not None and not self.judges:
            self.take(run, prefix)
            return
        with self.page.block(""):
            self.take(run, prefix)

    def take(self, run: Run, prefix: str) -> None:
        place: Place | None = None
        needed = 0
        for at, slot in enumerate(run.slots):
            if self.judges and not self.covered and needed == at:
                needed = self.need(run, at)
            if at == 0 and any(is_member(one) or self.is_judged(one) for one in run.slots):
                place = self.place(run, "const uint8_t")
            if is_member(slot):
                self.member(run, place, slot, joined(prefix, slot.path))
            elif self.is_judged(slot):
                self.judge(run, place, slot)

    def is_judged(self, slot: Slot) -> bool:
        return self.judges and (bool(slot.codes) or (slot.strict and slot.kind == "reserved"))

    def need(self, run: Run, first: int) -> int:
        """Refuse a frame that ends before the slots from one to the next count do; return the slot after those."""
        beyond = next(
            (at + 1 for at, slot in enumerate(run.slots) if at >= first and slot.kind == "count"),
            len(run.slots),
        )
        bits = max(
            part.offset_bits + part.width for slot in run.slots[first:beyond] for part, _ in parts(slot)
        )
        if run.packing.word_bits:
            bits = -(-bits // run.packing.word_bits) * run.packing.word_bits
        start = "at" if run.at is None else number(run.at)
        self.truncated(
            f"(uint32_t)(end - {start}) < {number(bits)}"
            if run.at is None
            else f"end < {number(run.at + bits)}"
        )
        return beyond

    def truncated(self, condition: str) -> None:
        with self.page.block(f"if ({condition})"):
            self.page.add(f"return {result(self.frame, 'TRUNCATED')};")

    def member(self, run: Run, place: Place | None, slot: Slot, target: str) -> None:
        lines, value = self.code(run, place, slot)
        if lines:
            with self.page.block(""):
                self.page.add(*lines, f"{target} = {value};")
        else:
            self.page.add(f"{target} = {value};")
        if self.judges and slot.kind == "count":
            for limit in count_limits(self.frame, slot):
                if limit == number(slot.raw_limits[1]):
                    continue
                with self.page.block(f"if ({target} > {limit})"):
                    self.page.add(f"return {result(self.frame, 'BAD_COUNT')};")
        elif self.judges and slot.codes:
            with self.page.block(f"if (!({within(target, slot.codes, slot)}))"):
                self.page.add("wrong = 1;")

    def code(self, run: Run, place: Place | None, slot: Slot) -> tuple[list[str], str]:
        name = self.frame.mission.prefix
        if place is not None:
            return read(name, place, slot)
        if slot.pieces:
            return gathered(name, slot, lambda part: self.code(run, place, part))
        low = "_low" if run.packing.value.startswith("least") else ""
        kind = unsigned(slot.width)
        got = f"({kind}){name}_get{low}(d, {self.position(run, slot)}, {slot.width})"
        return [f"{kind} x = {turned_back(name, slot, got)};"], signed(slot, "x")

    def learn(self, run: Run, prefix: str) -> None:
        """A constant that an option asks for is what these bytes hold, right or wrong."""
        super().learn(run, prefix)
        self.known.update({slot.number: f"k{slot.number}" for slot in run.slots if slot.number in self.asked})

    def judge(self, run: Run, place: Place | None, slot: Slot) -> None:
        """Note bits that are not what they always are."""
        lines, value = self.code(run, place, slot)
        wanted = slot.codes[0].low if slot.codes else 0
        flag = "wrong" if slot.codes else "odd"
        with self.page.block(""):
            self.page.add(*lines)
            if slot.number in self.asked:
                self.page.add(f"k{slot.number} = {value};")
            with self.page.block(f"if ({value} != {constant(wanted, slot)})"):
                self.page.add(f"{flag} = 1;")

    # -- structure -------------------------------------------------------------------------------------

    def fill(self, node: Fill) -> None:
        if not self.judges:
            return
        self.truncated("at > end")
        if node.slot.strict:
            low = "_low" if node.packing.value.startswith("least") else ""
            self.page.add(f"odd = (uint8_t)(odd | {self.frame.mission.prefix}_any{low}(d, from, at));")

    def over_fill(self, node: Fill) -> None:
        if not node.slot.strict:
            super().over_fill(node)
            return
        with self.page.block(""):
            self.page.add(f"const {self.frame.record.bits} from = at;")
            super().over_fill(node)

    def length(self, node: Repeat, prefix: str) -> str:
        target, kind = super().length(node, prefix), self.frame.record.bits
        trailer = number(node.trailer_bits)
        left = f"({kind})(end - at)"
        with self.page.block(""):
            self.page.add(f"const uint32_t left = {left};")
            beyond = f"left < {trailer} ? 0 : (left - {trailer})" if node.trailer_bits else "left"
            self.page.add(f"const uint32_t count = {beyond} / {number(node.minimum_bits)};")
            with self.page.block(f"if (count > {self.frame.record.capacities[node.number]})"):
                self.page.add(f"return {result(self.frame, 'BAD_COUNT')};")
            self.page.add(f"{target} = (uint16_t)count;")
        return target

    def list(self, node: Repeat, prefix: str) -> None:
        fixed = node.minimum_bits == node.maximum_bits
        self.covered += fixed
        super().list(node, prefix)
        self.covered -= fixed

    def before_list(self, node: Repeat, count: str) -> None:
        if self.judges and not (self.covered > (node.minimum_bits == node.maximum_bits)):
            self.truncated(f"(uint32_t){count} * {number(node.minimum_bits)} > (uint32_t)(end - at)")


# -- a frame whose shape varies ------------------------------------------------------------------------------------


def _walking(page: Page, frame: FrameCode) -> None:
    kind = frame.record.bits
    most = 8191 if kind == "uint16_t" else LONGEST + 1
    page.add(f"{kind} at = 0;", "uint8_t wrong = 0;", "uint8_t odd = 0;")
    page.add(f"const {kind} end = ({kind})((size < {number(most)} ? ({kind})size : {number(most)}) * 8);")
    if not any(map(is_member, frame.layout.slots)) and not frame.record.lengths:
        page.add("(void)r;")
    walk = DecodeWalk(frame, page, judges=True)
    page.add(*(f"{ctype_of(frame.record.slots[one])} k{one} = 0;" for one in sorted(walk.asked)))
    walk.nodes(frame.layout.nodes, "r->")
    if frame.layout.is_fixed:
        page.add(f"at = {number(frame.layout.minimum_bits)};")
    with page.block("if (wrong)"):
        page.add(f"return {result(frame, 'WRONG_CONSTANT')};")
    with page.block("if (size != (size_t)((at + 7) >> 3))"):
        page.add(f"return {result(frame, 'TRAILING_BYTES')};")
    all_checks(page, frame, walk.known, result(frame, "CHECK_FAILED"))
    with page.block("if (odd)"):
        page.add(f"return {result(frame, 'RESERVED_BITS')};")
    page.add(f"return {result(frame, 'OK')};")
