"""Python source that encodes one layout: exact codes, sums of shifted codes, one call of struct.

The record is taken apart first (taking.py): groups, lists and options into variables, each a plain dict or list with nothing too much.
Stretches of fields are packed (pack.py); here is what stands between them, where places move, and the checks, computed over the
octets made, in their order. Whatever is not a plain record of plain values goes to the walker: `return otherwise(record)` in the text.

What would surprise a reader: where places move, `out` is the whole octets made so far, `w` the bits after them as a number, and `p` the
bit position; a code is never negative (codes.py), so words are sums, and one exclusive-or flips the sign bits of a word.
"""

from __future__ import annotations

from struct import Struct

from packetkit.codec.checks import CheckTexts, NotGeneratedError, octet, refuse_split
from packetkit.codec.chunks import CODES
from packetkit.codec.codes import Codes
from packetkit.codec.given import stands_for_absence
from packetkit.codec.pack import Packer
from packetkit.codec.source import MOVING, Place, Source, means, told
from packetkit.codec.stretch import Entries, Stretch, collect, residue
from packetkit.codec.taking import Taking
from packetkit.layout.model import (
    Choice,
    Continued,
    Fill,
    Layout,
    Measured,
    Node,
    Optional,
    Repeat,
    Run,
    walk,
)
from packetkit.layout.slots import Packing, Slot

# In frames up to here a list's codes are gathered in one integer; in longer ones that would take the square of their number.
_SHORT = 4096


class Encoder:
    """The source of one layout's encoding."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.source = Source()
        self.codes = Codes(self.source)
        self.checks = CheckTexts(layout, self.source)
        nodes = list(layout.walk())
        if any(_is_walked(node) for node in nodes):
            raise NotGeneratedError
        refuse_split(layout)
        self.pending: str | None = None  # octet order of the bits that wait in w
        self.inner = {slot.number for slot in layout.slots if slot.check} - _own_checks(layout.nodes)
        self.taking = Taking(layout, self.source, self.codes)
        self.packer = Packer(layout, self.source, self.codes, self.taking, self.trailing_check())

    # -- the function ------------------------------------------------------------------------------

    def write(self) -> str:
        """Return the text of encode(record)."""
        if any(slot.check is not None and slot.check.mixed is not None for slot in self.layout.slots):
            raise NotGeneratedError  # what a check is mixed with is known to the walker only
        source = self.source
        flat = self.is_flat()
        with source.block("def encode(record, otherwise=otherwise):"):
            with source.block("try:"):
                if flat:
                    self.flat()
                else:
                    self.moving()
            with source.block("except trouble:"):
                source.add("pass")
            source.add("return otherwise(record)")
        return source.text

    def is_flat(self) -> bool:
        """Return whether a frame is one stretch."""
        found = collect(self.layout.nodes)
        return found is not None and found[0] == len(self.layout.nodes)

    def flat(self) -> None:
        found = collect(self.layout.nodes)
        assert found is not None
        _, run, entries = found
        for number, offset in run.starts:
            self.checks.mark(number, Place(False, offset))
        self.taking.take(entries, "record", bare=False)
        self.packer.take_apart(run)
        octets = self.packer.packed(run)
        slot = self.packer.trailing
        if slot is not None:
            self.source.add(f"out = {octets}")
            end = Place(False, self.layout.minimum_bits)
            size = (end.bits - slot.width) // 8
            self.source.add(
                f"return {self.ended('out', size, slot, self.checks.value(slot, end, 'out', size))}"
            )
        elif self.layout.check_order:
            self.source.add(f"out = {octets}")
            self.fill_in_checks(Place(False, self.layout.minimum_bits))
            self.source.add("return out")
        else:
            self.source.add(f"return {octets}")

    def moving(self) -> None:
        source = self.source
        source.add('out = b""')
        source.add("w = p = 0")
        for number in sorted(self.inner):
            source.add(f"t{number} = []")
        place = self.container(self.layout.nodes, Place(), "record", bare=False)
        if self.pending:
            self.flush(place)
        slot = self.packer.trailing
        if slot is not None:
            source.add(f"return out + {self.octets_of_check(slot, self.checks.value(slot, place, 'out'))}")
            return
        self.fill_in_checks(place)
        source.add("return out")

    # -- places that move --------------------------------------------------------------------------

    def container(self, nodes: tuple[Node, ...], place: Place, holder: str, *, bare: bool) -> Place:
        """Write the nodes of a container; return the place after them."""
        pieces: list[Stretch | Node] = []
        entries: Entries = []
        self.collect(nodes, pieces, entries)
        self.taking.take(entries, holder, bare=bare)
        self.taking.lengths(pieces)
        self.taking.sizes(nodes)
        for piece in pieces:
            place = self.piece(piece, place)
        if nodes is not self.layout.nodes:
            for number in sorted(_own_checks(nodes)):
                spans, own = self.checks.places(self.layout.slots[number], None)
                self.source.add(f"t{number}.append((({spans},), (({own}),)))")
        return place

    def collect(self, nodes: tuple[Node, ...], pieces: list[Stretch | Node], entries: Entries) -> None:
        """Gather what is written of a container, and what its record holds; a measured part's is its container's."""
        at = 0
        while at < len(nodes):
            found = collect(nodes, at)
            if found is not None:
                at, run, held = found
                pieces.append(run)
                entries += held
                continue
            node, at = nodes[at], at + 1
            pieces.append(node)
            if isinstance(node, Measured):
                self.collect(node.body, pieces, entries)
            elif isinstance(node, (Repeat, Optional, Choice)):
                entries.append((node.path, f"n{node.number}"))

    def piece(self, piece: Stretch | Node, place: Place) -> Place:
        if isinstance(piece, Stretch):
            return self.put(piece, place)
        self.checks.mark(piece.number, place)
        if isinstance(piece, Fill):
            return self.fill(piece, place)
        if isinstance(piece, Measured):
            return place
        if isinstance(piece, Choice):
            return self.choice(piece, place)
        if isinstance(piece, Repeat) and piece.joined is not None:
            return self.text(piece, place)
        if isinstance(piece, Repeat):
            return self.repeat(piece, place)
        assert isinstance(piece, Optional)
        return self.optional(piece, place)

    def wait(self, order: str) -> None:
        """Note that bits may wait in w, in an order of octets."""
        if self.pending not in (None, order):
            raise NotGeneratedError
        self.pending = order

    def flush(self, place: Place) -> None:
        """Make octets of the bits that wait; the place is a whole octet."""
        self.source.add(f'out += w.to_bytes(({place} >> 3) - len(out), "{self.pending}")')
        self.source.add("w = 0")
        self.pending = None

    def settle(self, place: Place) -> None:
        """Bring the variable p to a place."""
        if place != MOVING:
            self.source.add(f"p += {place.bits}" if place.moving else f"p = {place.bits}")

    def put(self, run: Stretch, place: Place) -> Place:
        """Write a stretch."""
        for number, offset in run.starts:
            self.checks.mark(number, place.plus(offset))
        self.packer.take_apart(run)
        after = place.plus(run.size)
        if self.packer.is_ended_by(run) and (run.over != 0 or run.size % 8):
            self.packer.trailing = None
        if run.over == 0 and self.pending:
            self.flush(place)
        if not run.size:
            return after
        if run.over == 0 and run.size % 8 == 0:
            self.source.add(f"out += {self.packer.packed(run)}")
            return after
        self.append(run.packing, self.packer.number(run), str(run.size), place)
        if run.over is not None and (run.over + run.size) % 8 == 0:
            self.flush(after)
        return after

    def append(self, packing: Packing, number: str, size: str, place: Place) -> None:
        """Add a number of so many bits to those that wait."""
        if packing is Packing.LEAST:
            self.source.add(f"w |= ({number}) << {place} - len(out) * 8")
        else:
            self.source.add(f"w = w << {size} | ({number})")
        self.wait("little" if packing is Packing.LEAST else "big")

    def fill(self, node: Fill, place: Place) -> Place:
        unit = node.unit_bits
        if node.packing is Packing.LEAST:
            self.source.add(f"p = {place.plus(unit - 1)} & -{unit}")
        else:
            self.source.add(f"q = {place.plus(unit - 1)} & -{unit}")
            self.source.add(f"w <<= q - ({place})")
            self.source.add("p = q")
        self.wait("little" if node.packing is Packing.LEAST else "big")
        return MOVING

    def optional(self, node: Optional, place: Place) -> Place:
        source, name = self.source, f"n{node.number}"
        assert node.by is not None
        there = f"({told(self.layout.slots[node.by], node.codes)})"
        if stands_for_absence(node) and self.layout.slots[node.by].kind != "count":
            self.source.fail_unless(f"{name} is None or {there}")
        else:
            self.source.fail_unless(f"({name} is not None) is {there}")
        self.settle(place)
        before = self.pending
        with source.block(f"if {there}:"):
            after = self.container(node.body, MOVING, name, bare=node.bare)
            self.settle(after)
            source.add("pass")
        if before:
            self.wait(before)
        return MOVING

    def choice(self, node: Choice, place: Place) -> Place:
        """Write the variant that a record names, which must be the one that its codes tell."""
        source, name = self.source, f"n{node.number}"
        self.source.fail_unless(f"type({name}) is dict and len({name}) == 1")
        self.settle(place)
        before, orders = self.pending, {self.pending}
        slots = [self.layout.slots[number] for number in node.told_by]
        for index, branch in enumerate(node.branches):
            self.pending = before
            with source.block(f"{'el' if index else ''}if {means(node, branch, slots)}:"):
                held = self.codes.variable("g")
                source.add(f"{held} = {name}[{branch.name!r}]")
                self.settle(self.container(branch.body, MOVING, held, bare=branch.bare))
            orders.add(self.pending)
        with source.block("else:"):
            source.add("raise refused")  # octets of an unknown variant are the walker's
        orders.discard(None)
        if len(orders) > 1:
            raise NotGeneratedError
        self.pending = orders.pop() if orders else None
        return MOVING

    def text(self, node: Repeat, place: Place) -> Place:
        """Write characters or octets, whose codes are known."""
        source, name, width = self.source, f"n{node.number}", node.minimum_bits
        run = node.element[0]
        assert isinstance(run, Run)
        low_first = run.packing is Packing.LEAST
        whole = residue(node) == 0
        if whole and self.pending:
            self.flush(place)
        if whole and width == 8:
            source.add(f"out += {name}")
        else:
            number = f"{'joined_low' if low_first else 'joined'}({name}, {width})"
            if width == 8:
                number = f'int.from_bytes({name}, "{"little" if low_first else "big"}")'
            self.append(run.packing, number, f"len({name}) * {width}", place)
        if node.count is not None:
            return place.plus(node.count * width)
        source.add(f"p = {place} + len({name}) * {width}")
        return MOVING

    def repeat(self, node: Repeat, place: Place) -> Place:
        source, name = self.source, f"n{node.number}"
        if self.together(node, place, name):
            source.add(f"p = {place} + len({name}) * {node.minimum_bits}")
            return MOVING
        self.settle(place)
        order = _order(node.element)
        self.wait(order)
        element = self.codes.variable("e")
        with source.block(f"for {element} in {name}:"):
            after = self.container(node.element, MOVING, element, bare=node.bare)
            self.settle(after)
            if self.pending not in (None, order):
                self.flush(MOVING)  # the next element starts with the other packing, so at a whole octet
            if self.pending is None:
                self.wait(order)
        return MOVING

    def together(self, node: Repeat, place: Place, name: str) -> bool:
        """Write elements that are all alike: their codes first, then all of them at once."""
        source = self.source
        found = collect(node.element)
        if found is None or found[0] != len(node.element):
            return False
        _, run, entries = found
        if any(spot.slot.check or spot.slot.number in self.packer.tellers for spot in run.spots):
            return False
        over = residue(node)
        if over == 0 and self.pending:
            self.flush(place)
        whole = over == 0 and run.size % 8 == 0
        codes = self.codes.variable("k")
        element = self.codes.variable("e")
        most = self.layout.maximum_bits
        low_first = run.packing is Packing.LEAST
        if whole or low_first or most is None or most > _SHORT:
            source.add(f"{codes} = []")
            line = f"{codes}.append({{}})"
        else:
            source.add(f"{codes} = 0")
            line = f"{codes} = {codes} << {run.size} | ({{}})"
        with source.block(f"for {element} in {name}:"):
            self.taking.take(entries, element, bare=node.bare)
            self.packer.take_apart(run)
            source.add(line.format(self.packer.packed(run) if whole else self.packer.number(run)))
        if whole:
            source.add(f'out += b"".join({codes})')
            return True
        if line.endswith(".append({})"):
            codes = f"{'joined_low' if low_first else 'joined'}({codes}, {run.size})"
        self.append(run.packing, codes, f"len({name}) * {run.size}", place)
        return True

    # -- checks ------------------------------------------------------------------------------------

    def trailing_check(self) -> Slot | None:
        """The check that is the end of a frame, and is not needed to compute itself or another."""
        if len(self.layout.check_order) != 1 or self.inner:
            return None
        slot = self.layout.slots[self.layout.check_order[0]]
        run = self.checks.runs[slot.number]
        last = self.layout.nodes[-1]
        is_last = isinstance(last, Run) and last.slots[-1:] == (slot,) and run.packing.word_bits is None
        simple = slot.check is not None and slot.check.own is None and self.checks.is_simple(slot)
        return slot if is_last and slot.width % 8 == 0 and simple else None

    def ended(self, data: str, size: int, slot: Slot, value: str) -> str:
        """The text of a frame's octets and the check that ends them."""
        if slot.width // 8 not in CODES or slot.bits_reversed:
            return f"{data} + {self.octets_of_check(slot, value)}"
        low_first = slot.octets_reversed is not (self.checks.runs[slot.number].packing is Packing.LEAST)
        form = f"{'<' if low_first else '>'}{size}s{CODES[slot.width // 8].upper()}"
        return f"{self.source.name('pack', lambda: Struct(form).pack, form)}({data}, {value})"

    def octets_of_check(self, slot: Slot, value: str) -> str:
        """The text of a check's octets."""
        if slot.bits_reversed:
            value = f"reversed_bits({value}, {slot.width})"
        packing = self.checks.runs[slot.number].packing
        order = "little" if slot.octets_reversed is not (packing is Packing.LEAST) else "big"
        return f'({value}).to_bytes({slot.width // 8}, "{order}")'

    def fill_in_checks(self, end: Place) -> None:
        """Compute each check over the octets, in an order in which what it covers is there, and put it in its place."""
        for number in self.layout.check_order:
            slot = self.layout.slots[number]
            run = self.checks.runs[number]
            names = self.source.name("slot", lambda slot=slot: slot, number)  # type: ignore[misc]
            packing = self.source.name("packing", lambda run=run: run.packing, run.packing)  # type: ignore[misc]
            words = self.checks.words_text(slot)
            if number in self.inner:
                with self.source.block(f"for spans, own in t{number}:"):
                    self.source.add(f"out = with_check(out, {names}, {packing}, spans, own, {words})")
                continue
            spans, own = self.checks.places(slot, end)
            first, last = self.checks.own(slot)
            if self.checks.is_simple(slot) and self.checks.is_whole(slot):
                made = self.octets_of_check(slot, self.checks.value(slot, end, "out"))
                self.source.add(f"out = out[:{octet(first)}] + {made} + out[{octet(last)}:]")
            else:
                self.source.add(f"out = with_check(out, {names}, {packing}, ({spans},), (({own}),), {words})")


def _order(nodes: tuple[Node, ...]) -> str:
    """The octet order of the bits that wait after some node of these: one, as packings meet at whole octets only."""
    packings = {node.packing for node in walk(nodes) if isinstance(node, (Run, Fill))}
    return "little" if Packing.LEAST in packings else "big"


def _own_checks(nodes: tuple[Node, ...]) -> set[int]:
    """The checks that stand in these nodes, not in a repeat, an option or a variant of theirs."""
    found = {slot.number for node in nodes if isinstance(node, Run) for slot in node.slots if slot.check}
    for node in nodes:
        if isinstance(node, Measured):
            found |= _own_checks(node.body)
    return found


def _is_walked(node: Node) -> bool:
    """Whether only the walker writes a node: what asks for bytes that remain, or is told in an option or from outside, and a list whose
    count is computed or that its elements end.
    """
    if isinstance(node, Optional):
        return node.by is None or node.told_in_option
    if isinstance(node, Choice):
        return not node.told_by
    if isinstance(node, Repeat):
        return bool(node.factors) or node.own_end is not None
    return isinstance(node, Continued) or (isinstance(node, Fill) and node.since >= 0)
