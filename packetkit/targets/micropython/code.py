"""Encoding, decoding and checking as generated code: what each does at a run of bits."""

from __future__ import annotations

from packetkit.layout.model import (
    Choice,
    Continued,
    Fill,
    Measured,
    Node,
    Optional,
    Repeat,
    Run,
    slots_of,
    tellers,
)
from packetkit.layout.slots import Packing, Slot
from packetkit.targets.micropython.checks import words_of
from packetkit.targets.micropython.continued import FORMS, NUMBERS, most_octets, repeated
from packetkit.targets.micropython.page import WORD, Page, number
from packetkit.targets.micropython.places import (
    Piece,
    by_octet,
    chunks,
    get,
    is_wide,
    joined,
    part,
    pieces,
    put,
    words,
)
from packetkit.targets.micropython.record import Holder, Place, is_member
from packetkit.targets.micropython.stored import bracketed, keep, low
from packetkit.targets.micropython.walk import FrameCode, Walk, within

# -- encoding ------------------------------------------------------------------------------------------------------


class EncodeWalk(Walk):
    """Takes every run's codes, refuses what does not fit, then writes. Behind what is written an octet's bits are zero.

    A length is written as zero and put in its place once its part is. `g0`, `g1` and so on: whether what asks for bytes that remain was
    not there, in the frame and in the measured parts that we are in. `z5`: the octets of a length that goes on, by its slot, as far as
    they are known; `u5`: whether there are others.
    """

    def __init__(self, frame: FrameCode, page: Page) -> None:
        super().__init__(frame, page)
        self.marks = frame.marks
        self.asks = any(isinstance(node, Optional) and node.by is None for node in frame.layout.walk())
        self.level = 0
        self.goes_on = ""  # the condition that another element follows, in a list to the end of several sizes
        self.again: dict[int, int] = {}  # of a length that goes on, by its slot: the number of its `u`
        self.starts: dict[int, str] = {}  # and where it stands
        if self.asks:
            page.add("g0 = 0")
        for slot in frame.layout.supplied:
            page.add(f"x = {self.known[slot.number]}")
            self.refuse(slot, "x")

    def inner(self, nodes: tuple[Node, ...], place: Place, holder: Holder) -> None:
        """Go through nodes; those from a length that goes on up to what it measures once more, where it has other octets than thought."""
        first = 0
        while first < len(nodes):
            last, lengths = repeated(nodes, first)
            some, first = nodes[first : last + 1], last + 1
            if not lengths:
                super().inner(some, place, holder)
                continue
            name = min(lengths)
            self.again.update(dict.fromkeys(lengths, name))
            self.page.add(f"a{name} = at", *(f"z{one} = 1" for one in lengths))
            with self.page.block("while True"):
                self.page.add(f"u{name} = False", f"at = a{name}")
                super().inner(some, place, holder)
                with self.page.block(f"if not u{name}"):
                    self.page.add("break")

    def continued(self, node: Continued, place: Place, holder: Holder) -> None:
        slot, form = node.slot, FORMS[self.frame.codings[node.slot.number]]
        if not is_member(slot):  # a length
            self.starts[slot.number] = f"p{slot.number}"
            self.page.add(f"p{slot.number} = at", f"at += z{slot.number} << 3")
            return
        self.page.add(f"x = {self.known[slot.number]}")
        self.refuse(slot, "x")
        if is_wide(slot, self.frame.small):
            self.page.add(f"at = _go_words(d, at, x, {most_octets(slot)}, {NUMBERS[form]})")
        else:
            self.page.add(f"at = _go_{form}(d, at, x)")

    def before_element(self, node: Repeat, items: str, index: str) -> None:
        with self.page.block(f"if len({items}) <= {index}"):
            self.page.add(f'_no("{node.address}")')

    def no_last(self, node: Repeat) -> None:
        assert node.own_end is not None
        self.page.add(f'_no("{self.frame.record.slots[node.own_end.by].address}")')

    def measured(self, node: Measured, place: Place, holder: Holder) -> None:
        start = f"m{node.number}" if node.at is None else number(node.at)
        if node.at is None:
            self.page.add(f"m{node.number} = at")
        self.level += 1
        if self.asks:
            self.page.add(f"g{self.level} = 0")
        self.inner(node.body, place, holder)
        self.level -= 1
        slot, unit = self.frame.measuring[node.by], number(node.unit_bits)
        less = f" - {number(node.less)}" if node.less > 0 else f" + {number(-node.less)}" if node.less else ""
        self.page.add(f"left = at - {start}")
        if node.not_counted is not None:
            every, octets = (8 * one for one in node.not_counted)
            self.page.add(f"y = left % {number(every + octets)}", f"x = y - {number(octets)}")
            with self.page.block("if x <= 0"):
                with self.page.block("if y"):
                    self.page.add(f'_no("{slot.address}")')
                self.page.add("x = 0")
            self.page.add(f"left = left // {number(every + octets)} * {number(every)} + x")
        self.page.add(f"c = left // {unit}{less}")
        over = f"left % {unit} or " if node.unit_bits > 1 else ""
        with self.page.block(f"if {over}c < 0 or c >> {slot.width}"):
            self.page.add(f'_no("{slot.address}")')
        if slot.number in self.frame.codings:
            self.go_on(slot)
            return
        run = self.frame.home[slot.number]
        keep(self, run, f"n{run.number}" if run.at is None else number(run.at), slot, verifies=False)

    def go_on(self, slot: Slot) -> None:
        """Put a length that goes on into its place, or have its part written again behind other octets of it."""
        form = FORMS[self.frame.codings[slot.number]]
        self.page.add("y = _octets(c)")
        with self.page.block(f"if y == z{slot.number}"):
            self.page.add(f"_go_{form}(d, p{slot.number}, c)")
        with self.page.block("else"):
            self.page.add(f"z{slot.number} = y", f"u{self.again[slot.number]} = True")

    def is_there(self, node: Optional, beside: str) -> str:
        gone = f"g{self.level}"
        with self.page.block(f"if not {beside}"):
            self.page.add(f"{gone} = 1")
        with self.page.block(f"elif {gone}"):
            self.page.add(f'_no("{node.address}")')
        return beside

    def no_variant(self, node: Choice) -> None:
        self.page.add(f'_no("{node.address}")')

    def run(self, run: Run, place: Place, holder: Holder) -> None:
        members = [slot for slot in run.slots if is_member(slot)]
        for slot in members:
            self.page.add(f"x{slot.number} = {self.known[slot.number]}")
            self.refuse(slot, f"x{slot.number}")
        if not run.size_bits:
            return
        base = self.base(run)
        if base is None:
            self.put_anywhere(run)
            return
        name, start = base
        for octet, found in by_octet(run, run.slots, start, self.frame.small):
            self.page.add(f"{self.octet(run, name, octet)} = {self.content(run, name, octet, start, found)}")

    def content(self, run: Run, name: str, octet: int, start: int, found: list[tuple[Slot, Piece]]) -> str:
        """The expression of an octet's bits: what stood there before the run, constants, and pieces of codes."""
        terms, fixed = [], 0
        if octet == 0 and start:
            kept = (1 << start) - 1 if run.packing is Packing.LEAST else 0xFF00 >> start & 0xFF
            terms.append(f"{self.octet(run, name, 0)} & {number(kept)}")
        for slot, piece in found:
            if is_member(slot):
                terms.append(put(slot, f"x{slot.number}", piece, self.frame.small))
            elif slot.codes:
                fixed |= (slot.codes[0].low >> piece.low & piece.ones) << piece.bit
        return joined([*terms, *([number(fixed)] if fixed else [])])

    def put_anywhere(self, run: Run) -> None:
        parts = sorted(
            ((chunk, slot) for slot in run.slots for chunk in chunks(run, slot)), key=lambda one: one[0].at
        )
        for chunk, slot in parts:
            ones = (1 << chunk.count) - 1
            if is_member(slot):
                held, first = part(slot, f"x{slot.number}", chunk.low, self.frame.small)
                value = f"{held} >> {first} & {number(ones)}" if first else f"{held} & {number(ones)}"
            else:
                value = number(slot.codes[0].low >> chunk.low & ones if slot.codes else 0)
            self.page.add(f"_put{low(run.packing)}(d, at + {chunk.at}, {chunk.count}, {value})")

    def refuse(self, slot: Slot, name: str) -> None:
        """Refuse a code that its bits do not hold, a tag's that is none of its own, a count above its maximum."""
        page = self.page
        if is_wide(slot, self.frame.small):
            top = slot.width - WORD * (words(slot) - 1)
            page.add(f'_words({name}, {words(slot)}, {top}, "{slot.address}")')
            return
        condition = (
            f"{name} + {number(1 << (slot.width - 1))} >> {slot.width}"
            if slot.signed
            else f"{name} >> {slot.width}"
        )
        most = slot.maximum_count
        if slot.codes:
            condition = f"not ({within(name, slot.codes)})"
        elif most is not None and most < slot.raw_limits[1]:
            condition = f"not 0 <= {name} <= {number(most)}"
        with page.block(f"if {condition}"):
            page.add(f'_no("{slot.address}")')

    def fill(self, node: Fill) -> None:
        with self.page.block("for k in range(at + 7 >> 3, to + 7 >> 3)"):
            self.page.add("d[k] = 0")

    def list(self, node: Repeat, place: Place, holder: Holder) -> None:
        outside = self.goes_on
        if node.several_sizes:
            self.goes_on = f"i{self.depth} + 1 < {self.frame.record.reach(place, (), holder, node.number)}"
        super().list(node, place, holder)
        self.goes_on = outside

    def before_list(self, node: Repeat, count: str, items: str) -> None:
        conditions = [f"len({items}) < {count}"]
        if node.factors:
            conditions.append(f"{count} < 0")
        if (node.runs_to_end or node.factors) and node.maximum is not None:
            conditions.append(f"{count} > {number(node.maximum)}")
        if node.as_fits and self.goes_on:
            conditions.append(f"{self.goes_on} and {count} < {number(node.maximum or 0)}")
        if node.runs_to_end and self.asks:
            conditions.append(f"g{self.level} and {count}")
        if node.count is None:
            with self.page.block(f"if {' or '.join(conditions)}"):
                self.page.add(f'_no("{node.address}")')


# -- decoding ------------------------------------------------------------------------------------------------------


class DecodeWalk(Walk):
    """Reads every run: judges whether what is read can be this frame, takes what a record holds, or both."""

    def __init__(self, frame: FrameCode, page: Page, *, judges: bool = True, takes: bool = True) -> None:
        super().__init__(frame, page)
        self.judges, self.takes = judges, takes
        self.marks = frame.marks if judges else set()
        by = {one for node in frame.layout.walk() for one in tellers(node)}
        self.asked = {one for one in by if not is_member(frame.record.slots[one])}
        self.covered = 0
        self.limits: list[
            tuple[Measured, bool]
        ] = []  # measured parts that we are in, and whether their end is told

    def learn(self, node: Run | Continued, place: Place, holder: Holder) -> None:
        """A constant that an option asks for is what these bytes hold, right or wrong."""
        super().learn(node, place, holder)
        asked = [slot.number for slot in slots_of(node) if slot.number in self.asked]
        self.known.update({one: f"k{one}" for one in asked})

    def continued(self, node: Continued, place: Place, holder: Holder) -> None:
        slot, page, form = node.slot, self.page, FORMS[self.frame.codings[node.slot.number]]
        wide, most = is_wide(slot, self.frame.small), most_octets(slot)
        page.add("b = at" if wide else "x = 0", "y = 0")
        with page.block("while True"):
            self.fail(f"{self.stop()} - at < 8", self.short())
            page.add("o = d[at >> 3]", "at += 8")
            if not wide:
                page.add("x = x << 7 | o & 0x7F" if form == "high" else "x |= (o & 0x7F) << y")
            page.add(f"y += {1 if wide else 7}")
            with page.block("if o < 0x80"):
                page.add("break")
            self.fail(f"y == {number(most if wide else 7 * most)}", "bad length")
        if form == "signed" and not wide:
            with page.block("if o & 0x40"):
                page.add("x -= 1 << y")
        if wide:
            page.add(f"_come_words(d, b, {self.known[slot.number]}, y, {most}, {NUMBERS[form]})")
            return
        page.add(f"{self.known[slot.number]} = x")
        if slot.kind == "length":
            self.tell(slot)
        elif slot.kind == "count" and slot.maximum_count is not None:
            self.fail(f"x > {number(slot.maximum_count)}", "bad count")

    def can_be(self, flag: str) -> bool:
        """Whether anything in the frame can raise this flag: a `wrong` code, `odd` reserved bits."""
        if flag == "wrong":
            return any(slot.codes for slot in self.frame.layout.slots)
        return any(slot.strict for slot in self.frame.layout.slots)

    def run(self, run: Run, place: Place, holder: Holder) -> None:
        base: tuple[str, int] | None = None
        needed = 0
        for at, slot in enumerate(run.slots):
            if self.judges and not self.covered and needed == at:
                needed = self.need(run, at)
            if at == 0:
                base = self.base(run)
            if is_member(slot) and self.takes:
                self.member(run, base, slot)
            elif self.judges and is_member(slot) and slot.codes:
                with self.page.block(f"if not ({within(f'({self.code(run, base, slot)})', slot.codes)})"):
                    self.page.add("wrong = True")
            elif slot.kind == "length" and not slot.codes:
                self.page.add(f"k{slot.number} = {self.code(run, base, slot)}")
                self.tell(slot)
            elif (
                self.judges
                and not is_member(slot)
                and (slot.codes or (slot.strict and slot.kind == "reserved"))
            ):
                self.judge(run, base, slot)

    def need(self, run: Run, first: int) -> int:
        """Refuse a frame that ends before the slots from one to the next count do; return the slot after those."""
        beyond = next(
            (at + 1 for at, slot in enumerate(run.slots) if at >= first and slot.kind in ("count", "length")),
            len(run.slots),
        )
        ends = [
            end
            for slot in run.slots[first:beyond]
            for end in ([at + width for at, width in slot.pieces] or [slot.offset_bits + slot.width])
        ]
        word = run.packing.word_bits or 1
        bits = -(-max(ends) // word) * word
        stop = self.stop()
        needed = f"{stop} - at < {number(bits)}" if run.at is None else f"{stop} < {number(run.at + bits)}"
        self.fail(needed, self.short())
        return beyond

    def stop(self) -> str:
        """The variable that says where the innermost part ends whose end is told: a measured one, else the frame."""
        return next((f"s{node.number}" for node, told in reversed(self.limits) if told), "end")

    def short(self) -> str:
        """What is wrong where bits are needed behind that end."""
        return "truncated" if self.stop() == "end" else "bad length"

    def tell(self, slot: Slot) -> None:
        """Say where a part ends that we are in, now that its length is read."""
        for at, (node, told) in enumerate(self.limits):
            if node.by == slot.number and not told:
                self.ended(at)

    def ended(self, place: int) -> None:
        """Say where one of the parts ends that we are in; a length beyond those around it is refused."""
        node = self.limits[place][0]
        start = f"m{node.number}" if node.at is None else number(node.at)
        outer = next((f"s{one.number}" for one, told in reversed(self.limits[:place]) if told), "end")
        less = f" + {number(node.less)}" if node.less > 0 else f" - {number(-node.less)}" if node.less else ""
        units = f"({self.known[node.by]}{less})" if less else self.known[node.by]
        unit = f" * {number(node.unit_bits)}" if node.unit_bits > 1 else ""
        if node.not_counted is None:
            self.page.add(f"s{node.number} = {start} + {units}{unit}")
        else:
            every, octets = (8 * one for one in node.not_counted)
            self.page.add(f"left = {units}{unit}")
            more = f"(left + {number(every - 1)}) // {number(every)} * {number(octets)}"
            self.page.add(f"s{node.number} = {start} + left + {more}")
        if outer == "end":
            self.fail(f"s{node.number} > end", "truncated")
            if node.less < 0:
                self.fail(f"s{node.number} < {start}", "bad length")
        else:
            below = f" or s{node.number} < {start}" if node.less < 0 else ""
            self.fail(f"s{node.number} > {outer}{below}", "bad length")
        self.limits[place] = (node, True)

    def measured(self, node: Measured, place: Place, holder: Holder) -> None:
        if node.at is None:
            self.page.add(f"m{node.number} = at")
        self.limits.append((node, False))
        if node.by in self.known:
            self.ended(len(self.limits) - 1)
        self.inner(node.body, place, holder)
        self.limits.pop()
        self.fail(f"at != s{node.number}", "bad length")

    def is_there(self, node: Optional, beside: str) -> str:
        self.page.add(f"{beside} = 1 if {self.stop()}{self.behind(node)} - at > 0 else 0")
        return beside

    def behind(self, node: Repeat | Optional) -> str:
        """The text that takes away the bits that follow what runs to an end: those always there, and those that codes before it tell of."""
        less = f" - {number(node.trailer_bits)}" if node.trailer_bits else ""
        if not node.trailers:
            return less
        self.page.add(f"t = {number(node.trailer_bits)}")
        for one in node.trailers:
            with self.page.block(f"if {self.told(*one.told)}"):
                self.page.add(f"t += {number(one.bits)}")
        return " - t"

    def no_variant(self, node: Choice) -> None:
        self.page.add('raise FrameError("unknown variant")')

    def fail(self, condition: str, reason: str) -> None:
        with self.page.block(f"if {condition}"):
            self.page.add(f'raise FrameError("{reason}")')

    def member(self, run: Run, base: tuple[str, int] | None, slot: Slot) -> None:
        target = self.known[slot.number]
        if is_wide(slot, self.frame.small):
            self.page.add(f"w = {target}")
            for at in range(words(slot)):
                self.page.add(f"w[{at}] = {self.code(run, base, slot, at)}")
            return
        self.page.add(f"{target} = {self.code(run, base, slot)}")
        if (
            slot.kind == "count"
            and slot.maximum_count is not None
            and slot.maximum_count < slot.raw_limits[1]
        ):
            self.fail(f"{target} > {number(slot.maximum_count)}", "bad count")
        elif slot.codes:
            with self.page.block(f"if not ({within(target, slot.codes)})"):
                self.page.add("wrong = True")

    def code(self, run: Run, base: tuple[str, int] | None, slot: Slot, word: int | None = None) -> str:
        """The expression of a slot's code, or of one word of it."""
        terms = []
        wanted = None if word is None else words(slot) - 1 - word
        if base is None:
            for chunk in chunks(run, slot):
                if wanted is None or chunk.low // WORD == wanted:
                    first = chunk.low if wanted is None else chunk.low % WORD
                    got = f"_get{low(run.packing)}(d, at + {chunk.at}, {chunk.count})"
                    terms.append(f"{got} << {first}" if first else got)
        else:
            for piece in pieces(run, slot, base[1], slot.width if word is None else WORD):
                if wanted is None or piece.low // WORD == wanted:
                    first = piece.low if wanted is None else piece.low % WORD
                    terms.append(get(piece, self.octet(run, base[0], piece.octet), first))
        value = joined(terms)
        if slot.signed and word is None:
            half = number(1 << (slot.width - 1))
            return (
                f"({value} ^ {half}) - {half}"
                if len(terms) == 1 and "&" not in value and "<<" not in value
                else f"(({value}) ^ {half}) - {half}"
            )
        return value

    def judge(self, run: Run, base: tuple[str, int] | None, slot: Slot) -> None:
        """Note bits that are not what they always are."""
        wanted, flag = (slot.codes[0].low, "wrong") if slot.codes else (0, "odd")
        if is_wide(slot, self.frame.small):
            for at, word in enumerate(words_of(wanted & (1 << slot.width) - 1, slot.width)):
                with self.page.block(f"if {bracketed(self.code(run, base, slot, at))} != {number(word)}"):
                    self.page.add(f"{flag} = True")
            return
        value = self.code(run, base, slot)
        if slot.number in self.asked:
            self.page.add(f"k{slot.number} = {value}")
            value = f"k{slot.number}"
        with self.page.block(f"if {bracketed(value)} != {number(wanted)}"):
            self.page.add(f"{flag} = True")

    # -- structure -------------------------------------------------------------------------------------

    def fill(self, node: Fill) -> None:
        self.fail(f"to > {self.stop()}", self.short())
        if node.slot.strict:
            with self.page.block(f"if _any{low(node.packing)}(d, at, to)"):
                self.page.add("odd = True")

    def length(self, node: Repeat, target: str) -> str:
        left = f"{self.stop()} - at{self.behind(node)}"
        self.page.add(f"left = {left}", f"{target} = left // {number(node.minimum_bits)} if left > 0 else 0")
        if node.as_fits:
            with self.page.block(f"if {target} > {number(node.maximum or 0)}"):
                self.page.add(f"{target} = {number(node.maximum or 0)}")
        elif node.maximum is not None:
            self.fail(f"{target} > {number(node.maximum)}", "bad count")
        return target

    def list(self, node: Repeat, place: Place, holder: Holder) -> None:
        fixed = node.minimum_bits == node.maximum_bits and node.own_end is None
        self.covered += fixed
        if node.several_sizes:
            self.while_room(node, place, holder)
        else:
            super().list(node, place, holder)
        self.covered -= fixed

    def while_room(self, node: Repeat, place: Place, holder: Holder) -> None:
        """Read elements of several sizes: one more while there is room for the smallest."""
        items, index = self.items(node, place, holder), f"i{self.depth}"
        behind = self.behind(node)
        left = f"{self.stop()} - at"
        if behind:
            self.page.add(f"s{node.number} = {self.stop()}{behind}")
            left = f"s{node.number} - at"
        self.page.add(f"{index} = 0")
        with self.page.block(f"while {left} >= {number(node.minimum_bits)}"):
            if node.maximum is not None:
                self.fail(f"{index} == {number(node.maximum)}", "bad count")
            self.before_element(node, items, index)
            self.element(node, items, index, holder)
            self.page.add(f"{index} += 1")
        self.page.add(f"{self.frame.record.reach(place, (), holder, node.number)} = {index}")

    def before_element(self, node: Repeat, items: str, index: str) -> None:
        with self.page.block(f"if len({items}) == {index}"):
            self.page.add(f"{items}.append({self.frame.record.new(node)})")

    def no_last(self, node: Repeat) -> None:
        self.page.add('raise FrameError("bad count")')

    def before_list(self, node: Repeat, count: str, items: str) -> None:
        if node.factors:
            beyond = "" if node.maximum is None else f" or {count} > {number(node.maximum)}"
            self.fail(f"{count} < 0{beyond}", "bad count")
        if not self.covered > (node.minimum_bits == node.maximum_bits):
            self.fail(f"{count} * {number(node.minimum_bits)} > {self.stop()} - at", self.short())
        if node.count is None:
            with self.page.block(f"while len({items}) < {count}"):
                self.page.add(f"{items}.append({self.frame.record.new(node)})")
