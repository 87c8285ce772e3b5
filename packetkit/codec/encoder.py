"""Python source that encodes one layout: exact codes, sums of shifted codes, one call of struct.

The record is taken apart first: groups, lists and options into variables, each a plain dict or list with nothing too much. Codes
(codes.py) are put together in words (chunks.py); checks are computed over the octets made, in their order. Whatever is not a
plain record of plain values goes to the walker: `return otherwise(record)` in the text.

What would surprise a reader: where places move, `out` is the whole octets made so far, `w` the bits after them as a number, and `p` the
bit position; a code is never negative (codes.py), so words are sums, and one exclusive-or flips the sign bits of a word.
"""

from __future__ import annotations

from struct import Struct

from packetkit.codec import bits
from packetkit.codec.checks import CheckTexts, NotGeneratedError, octet, refuse_split
from packetkit.codec.chunks import CODES, WRITING, Chunk, Cut, cut
from packetkit.codec.codes import Codes, flip, nothing_for, shifted
from packetkit.codec.given import stands_for_absence
from packetkit.codec.source import MOVING, Place, Source, means, told
from packetkit.codec.stretch import Elements, Entries, Placed, Spot, Stretch, collect, parts, reals, residue
from packetkit.codec.values import bare, raw_text
from packetkit.layout.beside import on_scale
from packetkit.layout.joined import to_codes
from packetkit.layout.model import (
    Choice,
    Chosen,
    Fill,
    Layout,
    Measured,
    Node,
    Optional,
    Packing,
    Repeat,
    Run,
    Slot,
    fixed_size,
    tellers,
    walk,
)

# In frames up to here a list's codes are gathered in one integer; in longer ones that would take the square of their number.
_SHORT = 4096
# A stretch is one integer up to here; a longer one is packed by struct.
_WIDE = 60


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
        self.tellers = {number for node in nodes for number in tellers(node)}
        refuse_split(layout)
        self.counted: set[int] = set()  # counts whose lists are known where they are written
        self.pending: str | None = None  # octet order of the bits that wait in w
        self.inner = {slot.number for slot in layout.slots if slot.check} - _own_checks(layout.nodes)
        self.trailing = self.trailing_check()

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
        self.take(entries, "record", bare=False)
        self.take_apart(run)
        octets = self.packed(run)
        if self.trailing is not None:
            slot = self.trailing
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
        if self.trailing is not None:
            source.add(
                f"return out + {self.octets_of_check(self.trailing, self.checks.value(self.trailing, place, 'out'))}"
            )
            return
        self.fill_in_checks(place)
        source.add("return out")

    def fail_unless(self, test: str) -> None:
        """Leave everything to the walker where a test is not true."""
        with self.source.block(f"if not ({test}):"):
            self.source.add("raise refused")

    # -- taking the record apart -------------------------------------------------------------------

    def take(self, entries: Entries, holder: str, *, bare: bool) -> None:
        """Give each spot the text of its value, and check that the holder has these keys and no other."""
        if bare:
            self.taken(entries[0][1], holder)
            return
        groups: dict[tuple[str, ...], str] = {(): holder}
        keys: dict[tuple[str, ...], set[str]] = {(): set()}
        for path, _ in entries:
            for depth in range(len(path)):
                keys.setdefault(path[:depth], set()).add(path[depth])
        for path, inside in keys.items():
            if path:
                groups[path] = self.codes.variable("g")
                self.source.add(f"{groups[path]} = {groups[path[:-1]]}[{path[-1]!r}]")
            self.fail_unless(f"type({groups[path]}) is dict and len({groups[path]}) == {len(inside)}")
        for path, what in entries:
            self.taken(what, f"{groups[path[:-1]]}[{path[-1]!r}]")

    def taken(self, what: Spot | Elements | str, text: str) -> None:
        """Take one thing of a record, whose value is the text."""
        if isinstance(what, Spot):
            what.text = text
        elif isinstance(what, str):
            self.source.add(f"{what} = {text}")
        else:
            name = self.codes.variable("l")
            self.source.add(f"{name} = {text}")
            self.fail_unless(f"type({name}) in lists and len({name}) == {len(what.each)}")
            for number, element in enumerate(what.each):
                holder = f"{name}[{number}]"
                if not what.bare:
                    holder = self.codes.variable("e")
                    self.source.add(f"{holder} = {name}[{number}]")
                self.take(element, holder, bare=what.bare)

    def lengths(self, pieces: list[Stretch | Node]) -> None:
        """Check the lengths of a container's lists, and give counts their codes before they are written."""
        for node in pieces:
            if isinstance(node, Repeat) and node.joined is not None:
                self.source.add(f"n{node.number} = {self.coder_of_text(node)}(n{node.number})")
                self.length(node, f"n{node.number}", "")
            elif isinstance(node, Repeat):
                self.length(node, f"n{node.number}", f"type(n{node.number}) in lists")
        for node in pieces:
            if (
                isinstance(node, Optional)
                and len(node.body) == 1
                and isinstance(node.body[0], Repeat)
                and node.bare
            ):
                self.optional_length(node.body[0], f"n{node.number}")

    def coder_of_text(self, node: Repeat) -> str:
        """The name of a function from a text, or octets, to its codes: octets where a character has eight bits."""
        joined, count = node.joined, node.count
        assert joined is not None
        octets = node.minimum_bits == 8

        def codes(value: object) -> bytes | tuple[int, ...]:
            found = to_codes(joined, value, count)
            return bytes(found) if octets else found

        return self.source.name("text", lambda: codes, (joined, count, octets))

    def length(self, node: Repeat, name: str, is_list: str) -> None:
        if is_list:
            self.fail_unless(is_list)
        if node.count is not None:
            self.fail_unless(f"len({name}) == {node.count}")
            return
        number = node.counted_by
        if number is None:
            if node.maximum is not None:
                self.fail_unless(f"len({name}) <= {node.maximum}")
        elif number in self.counted:
            self.fail_unless(f"len({name}) == r{number}")
        else:
            self.counted.add(number)
            self.source.add(f"r{number} = len({name})")
            self.fail_unless(f"r{number} <= {self.most(node)}")

    def optional_length(self, node: Repeat, name: str) -> None:
        """The same for an option that is a list: absent, it counts as an empty one."""
        number = node.counted_by
        if number is None:
            return  # a fixed number: looked at where it is written
        if node.joined is not None:
            coded = self.codes.variable("k")
            self.source.add(f"{coded} = None if {name} is None else {self.coder_of_text(node)}({name})")
            name = coded
        else:
            self.fail_unless(f"{name} is None or type({name}) in lists")
        if number in self.counted:
            self.fail_unless(f"{name} is None or len({name}) == r{number}")
        else:
            self.counted.add(number)
            self.source.add(f"r{number} = 0 if {name} is None else len({name})")
            self.fail_unless(f"r{number} <= {self.most(node)}")

    def most(self, node: Repeat) -> int:
        assert node.counted_by is not None
        counter = self.layout.slots[node.counted_by]
        limits = (node.maximum, counter.maximum_count, counter.raw_limits[1])
        return min(one for one in limits if one is not None)

    # -- words -------------------------------------------------------------------------------------

    def packed(self, run: Stretch) -> str:
        """The text of a stretch as whole octets, from its first bit on; without the check that ends the frame."""
        pieces = []
        for part in parts(run, 0):
            octets = part.octets
            if self.ends_frame(run) and part.octet + octets == -(-run.size // 8):
                octets -= run.spots[-1].slot.width // 8
            sent = [(one.start, one.slot.width) for one in part.fields if self.is_sent(one.slot)]
            cutting = cut(octets, sent, WRITING, part, reals(part))
            texts = self.words(part.fields, cutting)
            form = cutting.format()
            if not texts and octets:
                pieces.append(f"bytes({octets})")
            elif texts:
                pack = self.source.name("pack", lambda form=form: Struct(form).pack, form)  # type: ignore[misc]
                pieces.append(f"{pack}({', '.join(texts)})")
        return " + ".join(pieces) or 'b""'

    def is_sent(self, slot: Slot) -> bool:
        """Whether a slot's bits can be other than zero before the checks are computed."""
        return slot.kind not in ("reserved", "check")

    def words(self, fields: tuple[Placed, ...], cutting: Cut) -> list[str]:
        """The texts of a cut's words."""
        terms: dict[int, list[str]] = {chunk.start: [] for chunk in cutting.used()}
        fixed = dict.fromkeys(terms, 0)
        flips = dict.fromkeys(terms, 0)
        for one in fields:
            if self.is_sent(one.slot):
                self.field(one, cutting, terms, fixed, flips)
        return [_sum(terms[start], fixed[start], flips[start]) for start in terms]

    def take_apart(self, run: Stretch) -> None:
        """Keep the codes of a stretch's split values in variables, of which their pieces are cut."""
        for spot in run.split:
            name = self.named(spot.slot, spot.text)
            if flip(spot.slot):
                self.source.add(f"{name} ^= {flip(spot.slot):#x}")
            for piece in spot.pieces:
                piece.text = name

    def field(
        self,
        one: Placed,
        cutting: Cut,
        terms: dict[int, list[str]],
        fixed: dict[int, int],
        flips: dict[int, int],
    ) -> None:
        """Add one field to the words it lies in."""
        slot = one.slot
        places = cutting.parts(one.start, slot.width)
        if places[0][0].is_real:
            real = self.codes.real(slot, one.spot.text)
            terms[one.start].append(
                self.judged(slot, real, one.spot.text, real=True) if slot.tellers else real
            )
            return
        if slot.kind == "piece":
            for chunk, shift, width, lift in places:
                text = f"({one.spot.text} >> {one.spot.lift + lift} & {(1 << width) - 1:#x})"
                terms[chunk.start].append(shifted(text, shift))
            return
        constant = slot.is_constant
        value = bits.code_of(slot, slot.codes[0].low) if constant else flip(slot)
        for chunk, shift, width, lift in places:
            piece = (value >> lift & ((1 << width) - 1)) << shift
            if constant:
                fixed[chunk.start] |= piece
            else:
                flips[chunk.start] |= piece
        if constant:
            if slot.number in self.tellers:
                self.source.add(f"r{slot.number} = {slot.codes[0].low}")
            return
        if len(places) == 1 and slot.number not in self.tellers and not slot.tellers:
            chunk, shift, width, _ = places[0]
            guarded = cutting.is_struct and shift + width == chunk.size
            terms[chunk.start].append(self.codes.text(slot, one.spot.text, shift, guarded=guarded))
            return
        name = self.named(slot, one.spot.text)
        for chunk, shift, width, lift in places:
            text = f"{name} >> {lift}" if lift else name
            if lift + width < slot.width:
                text = f"{text} & {(1 << width) - 1:#x}"
            terms[chunk.start].append(shifted(f"({text})" if " " in text else text, shift))

    def judged(self, slot: Slot, code: str, value: str, *, real: bool = False) -> str:
        """The text of a code, or a real number, where there is a value, else of what is sent for nothing."""
        key = (slot.number, slot.octets_reversed, real)
        made = self.source.name("nothing", lambda: nothing_for(slot, real=real), key)
        text = f"({code})"
        if isinstance(slot.transform, Chosen):
            by = self.layout.slots[slot.transform.by]
            texts = (
                f"({bare(self.codes.text(on_scale(slot, linear), value))}) if {told(by, (codes,))} else"
                for codes, linear in slot.transform.choices
            )
            text = f"({' '.join(texts)} {made}({value}))"
        if slot.valid_when is None:
            return text
        return f"{text} if {told(self.layout.slots[slot.valid_when.by], slot.valid_when.codes)} else {made}({value})"

    def named(self, slot: Slot, value: str) -> str:
        """A variable with a field's code; that of a teller is kept, too, as its raw code."""
        if slot.number not in self.tellers:
            name = self.codes.variable("x")
            text = "" if isinstance(slot.transform, Chosen) else self.codes.text(slot, value)
            self.source.add(f"{name} = {self.judged(slot, text, value) if slot.tellers else text}")
            return name
        name = f"r{slot.number}"
        if slot.kind in ("count", "length"):
            if slot.number not in self.counted:
                raise NotGeneratedError
            return raw_text(slot, name, signed=True)  # turning octets round is its own inverse
        code = self.codes.variable("x")
        self.source.add(f"{code} = {self.codes.text(slot, value)}")
        raw = f"{code} - {flip(slot)}" if flip(slot) else raw_text(slot, code, signed=False)
        self.source.add(f"{name} = {raw}")
        return code

    # -- places that move --------------------------------------------------------------------------

    def container(self, nodes: tuple[Node, ...], place: Place, holder: str, *, bare: bool) -> Place:
        """Write the nodes of a container; return the place after them."""
        pieces: list[Stretch | Node] = []
        entries: Entries = []
        self.collect(nodes, pieces, entries)
        self.take(entries, holder, bare=bare)
        self.lengths(pieces)
        self.sizes(nodes)
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

    def sizes(self, nodes: tuple[Node, ...]) -> None:
        """Give the lengths of a container's measured parts their codes before they are written."""
        for node in nodes:
            if not isinstance(node, Measured):
                continue
            self.sizes(node.body)
            self.counted.add(node.by)
            self.source.add(f"q = {_size_text(node.body)}")
            self.source.add(f"r{node.by} = q // {node.unit_bits} - {node.less}")
            most = self.layout.slots[node.by].raw_limits[1]
            whole = f"q % {node.unit_bits} == 0 and " if node.unit_bits > 1 else ""
            self.fail_unless(f"{whole}0 <= r{node.by} <= {most}")

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
        self.take_apart(run)
        after = place.plus(run.size)
        if self.ends_frame(run) and (run.over != 0 or run.size % 8):
            self.trailing = None
        if run.over == 0 and self.pending:
            self.flush(place)
        if not run.size:
            return after
        if run.over == 0 and run.size % 8 == 0:
            self.source.add(f"out += {self.packed(run)}")
            return after
        self.append(run.packing, self.number(run), str(run.size), place)
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

    def number(self, run: Stretch) -> str:
        """The text of a stretch as one number."""
        low_first = run.packing is Packing.LEAST
        if run.size <= _WIDE and run.packing.word_bits is None:
            placed = tuple(Placed(spot.offset, spot.slot, spot) for spot in run.spots)
            return self.words(placed, Cut([Chunk(0, run.size)], low_first, False, is_struct=False))[0]
        order = "little" if low_first else "big"
        lift = f" >> {-run.size % 8}" if run.size % 8 and not low_first else ""
        return f'int.from_bytes({self.packed(run)}, "{order}"){lift}'

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
            self.fail_unless(f"{name} is None or {there}")
        else:
            self.fail_unless(f"({name} is not None) is {there}")
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
        self.fail_unless(f"type({name}) is dict and len({name}) == 1")
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
        if any(spot.slot.check or spot.slot.number in self.tellers for spot in run.spots):
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
            self.take(entries, element, bare=node.bare)
            self.take_apart(run)
            source.add(line.format(self.packed(run) if whole else self.number(run)))
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

    def ends_frame(self, run: Stretch) -> bool:
        """Whether a stretch ends with the check that ends the frame, and that is added at last."""
        return (
            bool(run.spots)
            and self.trailing is not None
            and run.spots[-1].slot.number == self.trailing.number
        )

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
    """Whether only the walker writes a node: what asks for bytes that remain, is told from outside, or has a computed count."""
    if isinstance(node, Optional):
        return node.by is None
    if isinstance(node, Choice):
        return not node.told_by
    return (isinstance(node, Repeat) and bool(node.factors)) or (isinstance(node, Fill) and node.since >= 0)


def _size_text(nodes: tuple[Node, ...]) -> str:
    """The text of a part's bits, from the variables that hold its lists, texts, options and variants."""
    fixed, terms = 0, []
    for node in nodes:
        size = fixed_size(node)
        if size is not None:
            fixed += size
        elif isinstance(node, Measured):
            terms.append(f"({_size_text(node.body)})")
        elif isinstance(node, Repeat) and node.minimum_bits == node.maximum_bits:
            terms.append(f"len(n{node.number}) * {node.minimum_bits}")
        elif (
            isinstance(node, Optional)
            and node.minimum_bits == node.maximum_bits
            and not stands_for_absence(node)  # whether such a one is there, None does not tell
        ):
            terms.append(f"(0 if n{node.number} is None else {node.minimum_bits})")
        elif isinstance(node, Choice) and all(
            _fixed_sizes(branch.body) is not None for branch in node.branches
        ):
            sizes = {branch.name: _fixed_sizes(branch.body) for branch in node.branches}
            terms.append(f"{sizes!r}[next(iter(n{node.number}), None)]")
        else:
            raise NotGeneratedError
    return " + ".join([str(fixed), *terms])


def _fixed_sizes(nodes: tuple[Node, ...]) -> int | None:
    sizes = [fixed_size(node) for node in nodes]
    return None if None in sizes else sum(size for size in sizes if size is not None)


def _sum(terms: list[str], fixed: int, flips: int) -> str:
    """The text of a word: fields do not overlap, so their sum is their union."""
    if not terms:
        return f"{fixed:#x}"
    if len(terms) == 1 and not fixed and not flips:
        return bare(terms[0])
    total = " + ".join(terms)  # a term is a name, a product or in parentheses
    if not fixed and not flips:
        return total
    return f"({total}) ^ {fixed | flips:#x}" if len(terms) > 1 else f"{total} ^ {fixed | flips:#x}"
