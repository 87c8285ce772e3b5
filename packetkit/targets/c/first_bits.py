"""Numbers whose first bits say their size: four functions a coding, each a chain of its forms, the shortest first.

Bits lie anywhere in an octet, so they are put and got by the functions that do so. What no form has is refused before it is put.
"""

from __future__ import annotations

from collections.abc import Sequence

from packetkit.layout.coding import CODINGS
from packetkit.layout.first_bits import FirstBits, Form
from packetkit.layout.slots import Range, Slot
from packetkit.targets.c.frame import FrameCode, Mission, within
from packetkit.targets.c.words import Page, number

NO_FORM = 0xFF  # bits that no number has


def coding_of(frame: FrameCode, slot: Slot) -> FirstBits | None:
    """Return a slot's coding where its first bits say its size."""
    name = frame.codings.get(slot.number)
    return None if name is None else CODINGS[name].first


def call(frame: FrameCode, slot: Slot, what: str) -> str:
    """Return the name of one of a coding's functions."""
    numbers = frame.mission.first_bits
    at = numbers.setdefault(frame.codings[slot.number], len(numbers) + 1)
    return f"{frame.mission.prefix}_{what}_first_bits_{at}"


def unheld(first: FirstBits, slot: Slot, value: str) -> str:
    """Return the condition that no form has a number; empty where its type holds no such one."""
    inside = within(f"(uint64_t){value}", [Range(*first.limits)], slot)
    return "" if inside == "1" else f"!({inside})"


def kind_of(frames: Sequence[FrameCode]) -> str:
    """Return the unsigned type that has room for all such numbers of a mission, and what follows their first bits."""
    found = [coding_of(frame, slot) for frame in frames for slot in frame.layout.slots]
    most = [max(form.bits, form.numbers[1].bit_length()) for first in found if first for form in first.forms]
    return "uint64_t" if max(most, default=0) > 32 else "uint32_t"


def define(page: Page, mission: Mission, kind: str, code: str) -> None:
    """Write the functions, as far as code calls them."""
    for name, at in mission.first_bits.items():
        first = CODINGS[name].first
        assert first is not None
        writer = _Writer(page, mission, kind, first, at)
        for what, write in (
            ("size", writer.size),
            ("put", writer.put),
            ("told", writer.told),
            ("take", writer.take),
        ):
            if f"_{what}_first_bits_{at}(" in code:
                write()
                page.add("")


class _Writer:
    """Writes the functions of one coding."""

    def __init__(self, page: Page, mission: Mission, kind: str, first: FirstBits, at: int) -> None:
        self.page, self.mission, self.kind, self.first, self.at = page, mission, kind, first, at
        self.shortest = sorted(first.forms, key=lambda form: form.bits)

    def head(self, what: str, result: str, arguments: str) -> str:
        return f"static {result} {self.mission.prefix}_{what}_first_bits_{self.at}({arguments})"

    def has(self, form: Form) -> str:
        """The condition that a form has a number; the shortest that does is taken."""
        low, high = form.numbers
        tests = [f"code >= {number(low)}"] if low else []
        tests += [f"code <= {number(high)}"] if high < (1 << int(self.kind[4:6])) - 1 else []
        return " && ".join(tests) or "1"

    def begins(self, form: Form) -> str:
        """The condition that the first bits are those of a form."""
        if form.low == form.high:
            return f"first == {number(form.low)}"
        tests = [f"first >= {number(form.low)}"] if form.low else []
        return " && ".join([*tests, f"first <= {number(form.high)}"])

    def size(self) -> None:
        with self.page.block(self.head("size", "uint8_t", f"{self.kind} code")):
            for form in self.shortest[:-1]:
                with self.page.block(f"if ({self.has(form)})"):
                    self.page.add(f"return {self.first.bits + form.bits};")
            self.page.add("(void)code;", f"return {self.first.bits + self.shortest[-1].bits};")

    def put(self) -> None:
        """One pair of calls serves all forms: avr-gcc 5.4 has not registers enough for several in a row."""
        put, bits, kind = f"{self.mission.prefix}_put", self.first.bits, self.kind
        with self.page.block(self.head("put", "void", f"uint8_t *d, uint32_t at, {kind} code")):
            self.page.add(f"{kind} head;", "uint8_t bits;")
            word = "if"
            for form in self.shortest[:-1]:
                with self.page.block(f"{word} ({self.has(form)})"):
                    self.choose(form)
                word = "else if"
            with self.page.block("else" if self.shortest[1:] else ""):
                self.choose(self.shortest[-1])
            self.page.add(f"{put}(d, at, {bits}, head);", f"at += {bits};")
            if self.first.low_octet_first:
                with self.page.block("for (; bits > 0; bits = (uint8_t)(bits - 8))"):
                    self.page.add(f"{put}(d, at, 8, ({kind})(code & 0xFF));", "at += 8;")
                    self.page.add(f"code = ({kind})(code >> 8);")
            else:
                self.page.add(f"{put}(d, at, bits, code);")

    def choose(self, form: Form) -> None:
        """Set the first bits and what follows them."""
        kind = self.kind
        self.page.add(
            f"bits = {form.bits};",
            *([f"code = ({kind})(code - {number(form.offset)});"] if form.offset else []),
        )
        head = number(form.low)
        if form.high > form.low:
            moved = f"(code >> {form.bits})" if form.bits else "code"
            head = f"({kind})({moved} + {number(form.low)})" if form.low else f"({kind}){moved}"
        self.page.add(f"head = {head};")

    def told(self) -> None:
        """Their bits; 0: those that are left end first; NO_FORM: none of its forms."""
        bits = self.first.bits
        with self.page.block(self.head("told", "uint8_t", "const uint8_t *d, uint32_t at, uint32_t left")):
            self.page.add("uint32_t first;")
            with self.page.block(f"if (left < {bits})"):
                self.page.add("return 0;")
            self.page.add(f"first = (uint32_t){self.mission.prefix}_get(d, at, {bits});")
            for form in self.first.forms:
                with self.page.block(f"if ({self.begins(form)})"):
                    self.page.add(f"return left < {bits + form.bits} ? 0 : {bits + form.bits};")
            self.page.add(f"return {NO_FORM};")

    def take(self) -> None:
        bits, get, kind = self.first.bits, f"{self.mission.prefix}_get", self.kind
        with self.page.block(self.head("take", kind, "const uint8_t *d, uint32_t at")):
            self.page.add(f"const uint32_t first = (uint32_t){get}(d, at, {bits});")
            for form in self.first.forms:
                with self.page.block(f"if ({self.begins(form)})"):
                    terms = [number(form.offset)] if form.offset else []
                    if form.high > form.low:
                        head = f"(first - {number(form.low)})" if form.low else "first"
                        terms.append(f"(({kind}){head} << {form.bits})")
                    if self.first.low_octet_first:
                        octets = range(form.bits // 8)
                        terms += [
                            f"(({kind}){get}(d, at + {bits + 8 * one}, 8) << {8 * one})" for one in octets
                        ]
                    elif form.bits:
                        terms.append(f"({kind}){get}(d, at + {bits}, {form.bits})")
                    self.page.add(f"return ({kind})({' + '.join(terms) or '0'});")
            self.page.add("return 0;")
