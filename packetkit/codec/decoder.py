"""Python source that decodes one layout: struct words, shifts, tables, one dict literal.

Fields that stand one after another are read by one call of struct (stretch.py, chunks.py) and turned into values by tables and exact
expressions (unpack.py, values.py); here is what stands between them, and where. Whatever is wrong or rare (a constant that differs, a
check that fails, octets that end) is handed to the walker, which alone knows how to say it: the text never decides anything but "all
is well".

What would surprise a reader: `p` is the current bit position once it is not constant; a stretch at an unknown bit of its octet is
read as one big integer; lists of elements that are not whole octets are read in groups that are, and cut.
"""

from __future__ import annotations

from math import gcd
from struct import Struct

from packetkit.codec.checks import CheckTexts, NotGeneratedError, refuse_split
from packetkit.codec.chunks import Chunk, Cut
from packetkit.codec.source import MOVING, Place, Source, bare, fastest_dict, means, told
from packetkit.codec.stretch import (
    UNROLLED,
    Entries,
    Part,
    Placed,
    Stretch,
    collect,
    flattened,
    parts,
    record_text,
    residue,
    write_elements,
)
from packetkit.codec.unpack import Unpacker, targets
from packetkit.layout.joined import from_codes
from packetkit.layout.model import (
    Branch,
    Choice,
    Continued,
    Fill,
    Layout,
    Measured,
    Node,
    Optional,
    Repeat,
    Run,
    slots_of,
    walk,
)
from packetkit.layout.slots import Joined, Packing, Slot

# A stretch at an unknown bit is one integer up to here; a longer one is shifted into place and read as octets.
_WIDE = 64
# Frames up to here are turned into one integer once, and shifted; in longer ones each shift would cost more than cutting octets out.
_SHORT = 4096


class Decoder:
    """The source of one layout's decoding."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.source = Source()
        self.checks = CheckTexts(layout, self.source)
        self.unpacker = Unpacker(layout, self.source, self.checks)
        nodes = list(layout.walk())
        if any(
            isinstance(node, Continued) or (isinstance(node, Choice) and not node.told_by) for node in nodes
        ):
            raise NotGeneratedError  # the caller names the variant: the walker takes it
        refuse_split(layout)
        self.outermost = outermost(layout)
        # Nodes where fills start to count.
        self.counted_from = {node.since for node in nodes if isinstance(node, Fill)}
        # Where measured parts around end, outer ones first; "" until it is known.
        self.stops: dict[int, str] = {}
        self.unsized: list[Measured] = []  # measured parts whose length was not read yet
        if any(isinstance(one, Repeat) and one.ones_in_lists for one in nodes):
            raise NotGeneratedError  # ones in a list are counted by the walker
        self.in_options = {one.by for one in nodes if isinstance(one, Optional) and one.told_in_option}
        self.read: set[int] = set()  # slots whose codes are in variables
        self.at_once = False
        self.sized = False  # the octets are known to be as many as the frame's
        self.asked: set[str] = set()  # octet orders in which the frame is needed as one integer

    # -- the functions -----------------------------------------------------------------------------

    def write(self, *, exact: bool = True) -> str:
        """Return the text of decode(data), of exactly one frame, or of read(data), of a frame and what follows it."""
        if self.layout.supplied:
            raise NotGeneratedError  # what is mixed into a check is recovered by the walker
        source = self.source
        if exact:
            source.add("def decode(data, *, detail=False, salvage=False, variants=None, known=None):")
            source.depth += 1
            with source.block("if detail or salvage or variants or known:"):
                told = "detail=detail, salvage=salvage, variants=variants, known=known"
                source.add(f"return walk(layout, data, {told})")
        else:
            source.add("def read(data):")
            source.depth += 1
        with source.block("try:"):
            if self.is_flat():
                self.flat()
            else:
                self.moving(exact)
        with source.block("except trouble:"):
            source.add("pass")
        source.add("return walk(layout, data)" if exact else "return None")
        source.depth -= 1
        return source.text

    def fail_if(self, test: str) -> None:
        """Leave everything to the walker where a test is true."""
        with self.source.block(f"if {test}:"):
            self.source.add("raise struct_error")

    def moving(self, exact: bool) -> None:
        source = self.source
        if exact:
            with source.block("if type(data) is not bytes:"):
                source.add("data = octets(data)")
        source.add("end = len(data) * 8")
        first = len(source.lines)
        entries, place = self.container(self.layout.nodes, Place())
        if exact:
            with source.block(f"if {place} == end:"):
                source.add(f"return {fastest_dict(source, flattened(entries))}")
        else:
            self.fail_if(f"{place} > end")
            source.add(f"return {fastest_dict(source, flattened(entries))}, {place} >> 3")
        for order in sorted(self.asked):
            source.lines.insert(first, "    " * source.depth + f'{order} = int.from_bytes(data, "{order}")')

    def is_flat(self) -> bool:
        """Return whether a frame is nothing but stretches at constant places."""
        at: int | None = 0
        while at is not None and at < len(self.layout.nodes):
            found = collect(self.layout.nodes, at)
            at = found[0] if found is not None else None
        return at is not None

    def flat(self) -> None:
        self.sized, self.at_once = True, self.is_at_once()
        if not self.at_once:
            with self.source.block("if type(data) is not bytes:"):
                self.source.add("data = octets(data)")
            self.fail_if(f"len(data) != {self.layout.minimum_bits // 8}")
        entries, _ = self.container(self.layout.nodes, Place())
        self.source.add(f"return {fastest_dict(self.source, flattened(entries))}")

    def is_at_once(self) -> bool:
        """Return whether one call of struct reads a whole frame, and sees its size; the rest of the text then takes any buffer."""
        found = collect(self.layout.nodes)
        if found is None or found[0] != len(self.layout.nodes) or len(parts(found[1], 0)) != 1:
            return False
        checks = [spot.slot for spot in found[1].spots if spot.slot.check]
        whole = all(self.checks.is_whole_frame(slot) for slot in checks)
        return whole and self.unpacker.is_read(parts(found[1], 0)[0])

    # -- structure ---------------------------------------------------------------------------------

    def container(self, nodes: tuple[Node, ...], place: Place) -> tuple[Entries, Place]:
        """Read the nodes of a container; return what its record holds, and the place after them."""
        entries: Entries = []
        checks: list[Slot] = []
        at = 0
        while at < len(nodes):
            found = collect(nodes, at)
            if found is not None:
                at, run, held = found
                entries += held
                checks += [spot.slot for spot in run.spots if spot.slot.check]
                self.load(run, place)
                place = place.plus(run.size)
                continue
            node, at = nodes[at], at + 1
            self.mark(node.number, place)
            if isinstance(node, Fill):
                place = self.fill(node, place)
            elif isinstance(node, Repeat) and node.joined is not None:
                place = self.text(node, node.joined, place, entries)
            elif isinstance(node, Repeat):
                place = self.repeat(node, place, entries)
            elif isinstance(node, Optional):
                place = self.optional(node, place, entries)
            elif isinstance(node, Measured):
                place = self.measured(node, place, entries)
            elif isinstance(node, Choice):
                place = self.choice(node, place, entries)
        for slot in checks:
            end = place if any(nodes is one for one in self.outermost) else None
            self.fail_if(self.checks.disagrees(slot, end))
        return entries, place

    def mark(self, number: int, place: Place) -> None:
        """Remember where a node starts, if a span or a fill refers to it."""
        self.checks.mark(number, place)
        if number in self.counted_from:
            self.source.add(f"m{number} = {place}")

    def settle(self, place: Place) -> None:
        """Bring the variable p to a place."""
        if place != MOVING:
            self.source.add(f"p += {place.bits}" if place.moving else f"p = {place.bits}")

    def fill(self, node: Fill, place: Place) -> Place:
        source, unit = self.source, node.unit_bits
        if node.since >= 0:
            self.settle(place)
            place = MOVING
            source.add(f"q = p + (m{node.since} - p) % {unit}")
            if node.slot.strict:
                packing = source.name("packing", lambda: node.packing, node.packing)
                self.fail_if(f"q > end or read_bits(data, {packing}, p, 0, q - p)")
            source.add("p = q")
        elif node.slot.strict:
            source.add(f"q = {bare(str(place.plus(unit - 1)))} & -{unit}")
            packing = source.name("packing", lambda: node.packing, node.packing)
            self.fail_if(f"q > end or read_bits(data, {packing}, {place}, 0, q - ({place}))")
            source.add("p = q")
        else:
            source.add(f"p = {place.plus(unit - 1)} & -{unit}")
        return MOVING

    def optional(self, node: Optional, place: Place, entries: Entries) -> Place:
        source, name = self.source, f"o{node.number}"
        self.settle(place)
        if node.by is None:
            test = f"{self.stop()} - p > {self.behind(node)}"
        else:
            test = told(self.layout.slots[node.by], node.codes)
        with source.block(f"if {test}:"):
            inner, after = self.container(node.body, MOVING)
            source.add(f"{name} = {record_text(inner, bare=node.bare)}")
            if after != MOVING:
                self.settle(after)
        with source.block("else:"):
            source.add(f"{name} = None")
            for number in sorted(self.asked_from_outside(node)):
                source.add(
                    f"r{number} = {self.layout.slots[number].raw_limits[0] - 1}"
                )  # a code that nothing has
        entries.append((node.path, name))
        return MOVING

    def asked_from_outside(self, node: Optional) -> set[int]:
        """The slots in an option that tell, where it is there, whether something behind it is."""
        inside = {slot.number for one in walk(node.body) for slot in slots_of(one)}
        return inside & self.in_options

    def measured(self, node: Measured, place: Place, entries: Entries) -> Place:
        """Read a part whose length is told: its end is where what runs to an end stops, and where it must end."""
        if node.number not in self.counted_from:
            self.source.add(f"m{node.number} = {place}")
        self.unsized.append(node)
        self.stops[node.number] = ""
        if node.by in self.read:
            self.size(node)
        inner, place = self.container(node.body, place)
        entries += inner
        self.fail_if(f"{place} != e{node.number}")
        del self.stops[node.number]
        return place

    def size(self, node: Measured) -> None:
        """Work out where a measured part ends, once its length is read."""
        self.unsized.remove(node)
        less = f" + {node.less}" if node.less > 0 else f" - {-node.less}" if node.less else ""
        size = f"(r{node.by}{less}) * {node.unit_bits}" if less else f"r{node.by} * {node.unit_bits}"
        self.source.add(f"e{node.number} = m{node.number} + {size}")
        self.fail_if(f"not m{node.number} <= e{node.number} <= {self.stop(node)}")
        self.stops[node.number] = f"e{node.number}"

    def stop(self, outside: Measured | None = None) -> str:
        """The text of where the innermost part ends whose end is known, else the frame. outside: of those around this one."""
        found = "end"
        for number, text in self.stops.items():
            if outside is not None and number == outside.number:
                break
            found = text or found
        return found

    def behind(self, node: Repeat | Optional) -> str:
        """The text of how many bits follow what runs to an end."""
        text = str(node.trailer_bits)
        for one in node.trailers:
            tests = (f"({told(self.layout.slots[by], codes)})" for by, codes in one.told)
            text += f" + ({one.bits} if {' and '.join(tests)} else 0)"
        return f"({text})" if node.trailers else text

    def choice(self, node: Choice, place: Place, entries: Entries) -> Place:
        """Read the variant that the codes tell."""
        source, name = self.source, f"o{node.number}"
        self.settle(place)
        for index, branch in enumerate(node.branches):
            slots = [self.layout.slots[number] for number in node.told_by]
            with source.block(f"{'el' if index else ''}if {means(node, branch, slots)}:"):
                self.branch(branch, name)
        with source.block("else:"):
            if node.unknown is None:
                source.add("raise struct_error")
            else:
                self.branch(node.unknown, name)
        entries.append((node.path, name))
        return MOVING

    def branch(self, branch: Branch, name: str) -> None:
        """Read one variant from variable p on."""
        read, stops = set(self.read), dict(self.stops)
        inner, after = self.container(branch.body, MOVING)
        self.source.add(f"{name} = {{{branch.name!r}: {record_text(inner, bare=branch.bare)}}}")
        if after != MOVING:
            self.settle(after)
        self.read, self.stops = read, stops

    def count(self, node: Repeat, place: Place) -> str:
        """The text of how often a repeat stands, which is known to fit."""
        source, least = self.source, node.minimum_bits
        if node.count is not None:
            count = str(node.count)
        elif node.counted_by is not None:
            count = f"r{node.counted_by}"
        else:
            count = f"n{node.number}"
            if node.factors:
                factors = [f'bin(r{one.by}).count("1")' if one.ones else f"r{one.by}" for one in node.factors]
                source.add(f"{count} = {' * '.join(factors)} + {node.plus}")
                self.fail_if(f"not 0 <= {count} <= {node.maximum}")
            else:
                source.add(f"{count} = max(0, {self.stop()} - {self.behind(node)} - ({place})) // {least}")
                if node.maximum is not None:
                    self.fail_if(f"{count} > {node.maximum}")
        self.fail_if(f"{place} + {count} * {least} > {self.stop()}")
        return count

    def text(self, node: Repeat, joined: Joined, place: Place, entries: Entries) -> Place:
        """Read characters or octets, all at once."""
        source, width = self.source, node.minimum_bits
        count = self.count(node, place)
        name = f"l{node.number}"
        entries.append((node.path, name))
        run = node.element[0]
        assert isinstance(run, Run)
        if width == 8:
            self.whole_octets(run.packing, place, residue(node), count, 8, 1)
            source.add(f"{name} = {text_of_octets(source, joined, 'a')}")
        else:
            source.add(f"b = {count} * {width}")
            number = self.bits_from(run.packing, place, "b", "(1 << b) - 1")
            codes = f"codes({number}, {count}, {width}, {run.packing is Packing.LEAST})"
            value = source.name("text", lambda: lambda codes: from_codes(joined, codes)[0], joined)
            source.add(f"{name} = {value}({codes})")
        if node.count is not None:
            return place.plus(node.count * width)
        source.add(f"p = {place} + {count} * {width}")
        return MOVING

    def repeat(self, node: Repeat, place: Place, entries: Entries) -> Place:
        source, name, least = self.source, f"l{node.number}", node.minimum_bits
        entries.append((node.path, name))
        if node.several_sizes or node.own_end is not None:
            return self.one_by_one(node, place, name)
        count = self.count(node, place)
        if self.together(node, place, count, name):
            source.add(f"p = {place} + {count} * {least}")
            return MOVING
        self.settle(place)
        source.add(f"{name} = []")
        with source.block(f"for _ in range({count}):"):
            inner, after = self.container(node.element, MOVING)
            source.add(f"{name}.append({record_text(inner, bare=node.bare)})")
            if after != MOVING:
                self.settle(after)
        return MOVING

    def one_by_one(self, node: Repeat, place: Place, name: str) -> Place:
        """Read elements until one says that it is the last, or the part has no room for another."""
        source = self.source
        self.settle(place)
        source.add(f"{name} = []")
        room = f"{self.stop()} - {self.behind(node)} - p >= {node.minimum_bits}"
        with source.block(f"while {room if node.own_end is None else True}:"):
            if node.maximum is not None:
                self.fail_if(f"len({name}) == {node.maximum}")
            inner, after = self.container(node.element, MOVING)
            source.add(f"{name}.append({record_text(inner, bare=node.bare)})")
            if after != MOVING:
                self.settle(after)
            if node.own_end is not None:
                with source.block(f"if {told(self.layout.slots[node.own_end.by], node.own_end.codes)}:"):
                    source.add("break")
        return MOVING

    # -- lists of elements that are all alike ------------------------------------------------------

    def together(self, node: Repeat, place: Place, count: str, name: str) -> bool:
        """Read all elements by one iteration over whole octets, if that is possible."""
        found = collect(node.element)
        if found is None or found[0] != len(node.element):
            return False
        spots = found[1].spots
        copies = 8 // gcd(node.minimum_bits, 8)
        if copies * len(spots) > UNROLLED or any(self.needs_place(spot.slot) for spot in spots):
            return False
        if copies > 1 and any(self.is_tested(spot.slot) for spot in spots):
            return False  # the last group may hold bits of what follows, which must pass no test
        group = Stretch(found[1].packing)
        texts = write_elements(node, copies, group)
        pieces = parts(group, 0)
        if len(pieces) > 1:
            return False
        self.whole_octets(group.packing, place, residue(node), count, node.minimum_bits, copies)
        cutting, lines = self.unpacker.cutting(pieces[0])
        lines += self.unpacker.put_together(group)
        form = cutting.format()
        unpack = self.source.name("each", lambda: Struct(form).iter_unpack, form)
        names = targets(cutting)
        values = [record_text(one, bare=node.bare) for one in texts.each]
        if not names:
            self.source.add(f"{name} = [{values[0]} for _ in range({count})]")
            return True
        self.iterate(f"{unpack}(a)", names, lines, values, name)
        if copies > 1:
            self.source.add(f"del {name}[{count}:]")
        return True

    def iterate(self, words: str, names: str, lines: list[str], values: list[str], name: str) -> None:
        source = self.source
        if lines or (len(values) > 1 and any(":=" in value for value in values)):
            # A comprehension has no place for lines, and none for a name assigned in what it iterates over.
            source.add(f"{name} = []")
            with source.block(f"for {names} in {words}:"):
                for line in lines:
                    source.add(line)
                source.add(f"{name} += {', '.join(values)},")
        elif len(values) == 1:
            source.add(f"{name} = [{values[0]} for {names} in {words}]")
        else:
            source.add(f"{name} = [e for {names} in {words} for e in ({', '.join(values)})]")

    def whole_octets(
        self, packing: Packing, place: Place, over: int | None, count: str, size: int, copies: int
    ) -> None:
        """Bring a list's octets to variable a: from a whole octet on, and filled up to a whole number of groups."""
        source, octets = self.source, size * copies // 8
        whole = f"({count} + {copies - 1}) // {copies}" if copies > 1 else count
        if over == 0:
            source.add(f"a = {place.octet(0)}")
            if copies == 1:
                source.add(f"a = data[a:a + {count} * {octets}]")
            else:
                source.add(f"b = {whole} * {octets}")
                source.add('a = data[a:a + b].ljust(b, b"\\0")')
            return
        source.add(f"b = {count} * {size}")
        number = self.bits_from(packing, place, "b", "(1 << b) - 1")
        if packing is Packing.LEAST:
            source.add(f'a = ({number}).to_bytes({whole} * {octets}, "little")')
        elif copies == 1:
            source.add(f'a = ({number}).to_bytes({count} * {octets}, "big")')
        else:
            source.add(f"c = {whole} * {octets}")
            source.add(f'a = (({number}) << c * 8 - b).to_bytes(c, "big")')

    def needs_place(self, slot: Slot) -> bool:
        """Whether a slot's code or place is asked for by name, which a list's elements have not."""
        return slot.check is not None or slot.number in self.unpacker.tellers

    def is_tested(self, slot: Slot) -> bool:
        """Whether a frame is refused for what a slot holds."""
        return bool(slot.codes) or slot.maximum_count is not None or slot.strict

    # -- reading a stretch -------------------------------------------------------------------------

    def load(self, run: Stretch, place: Place) -> None:
        """Read a stretch; afterwards the texts of its spots stand for their values."""
        for number, offset in run.starts:
            self.mark(number, place.plus(offset))
        if not run.spots:
            return
        if run.over is None:
            self.load_anywhere(run, place)
        else:
            first = place.plus(-run.over)
            for part in parts(run, run.over):
                self.load_part(part, first.plus(part.octet * 8))
        for line in self.unpacker.put_together(run):
            self.source.add(line)
        self.lengths_read(run)

    def load_part(self, part: Part, first: Place) -> None:
        source = self.source
        cutting, lines = self.unpacker.cutting(part)
        form = cutting.format()
        if self.at_once:
            unpack = source.name("words", lambda: Struct(form).unpack, form)
            source.add(f"{targets(cutting)} = {unpack}(data)")
        elif cutting.used():
            unpack = source.name("words", lambda: Struct(form).unpack_from, form)
            octet = first.octet(0)
            source.add(f"{targets(cutting)} = {unpack}(data{'' if octet == '0' else ', ' + octet})")
        for line in lines:
            source.add(line)

    def lengths_read(self, run: Stretch) -> None:
        """Note the codes that a stretch has told, and size the measured parts that waited for one of them."""
        self.read |= {spot.slot.number for spot in run.spots}
        for node in [one for one in self.unsized if one.by in self.read]:
            self.size(node)

    def load_anywhere(self, run: Stretch, place: Place) -> None:
        """Read a stretch whose first bit may be any of its octet."""
        source, size = self.source, run.size
        whole = Part(0, -(-size // 8), run.packing is Packing.LEAST, None, _placed(run))
        if not self.unpacker.is_read(whole):
            return
        number = self.bits_from(run.packing, place, str(size), f"{(1 << size) - 1:#x}")
        if size <= _WIDE:
            name = self.unpacker.values.variable("c")
            source.add(f"{name} = {number}")
            cutting = Cut([Chunk(0, size)], whole.low_first, False, names={0: name})
            lines = self.unpacker.texts(whole, cutting, may_sign=False)
        else:
            lift = "" if whole.low_first or size % 8 == 0 else f" << {-size % 8}"
            order = "little" if whole.low_first else "big"
            source.add(f'a = ({f"({number})" if lift else number}{lift}).to_bytes({whole.octets}, "{order}")')
            cutting, lines = self.unpacker.cutting(whole)
            form = cutting.format()
            unpack = source.name("words", lambda: Struct(form).unpack_from, form)
            source.add(f"{targets(cutting)} = {unpack}(a)")
        for line in lines:
            source.add(line)

    def bits_from(self, packing: Packing, place: Place, size: str, mask: str) -> str:
        """The text of so many bits from a place on as one number.

        Where octets end too soon it gives zeros, or a negative shift raises; a frame that passes its end is found out in the end.
        """
        order = "little" if packing is Packing.LEAST else "big"
        most = self.layout.maximum_bits
        if most is not None and most <= _SHORT:
            self.asked.add(order)
            shift = str(place) if order == "little" else f"end - {_minus(place)} - {size}"
            return f"{order} >> {shift} & {mask}"
        taken = f'int.from_bytes(data[{place} >> 3:{place.plus(7)} + {size} >> 3], "{order}")'
        shift = f"({place} & 7)" if order == "little" else f"(-({place} + {size}) & 7)"
        return f"{taken} >> {shift} & {mask}"


def _minus(place: Place) -> str:
    """The text of a place after a minus sign."""
    if not place.moving or place.bits == 0:
        return str(place)
    return f"p - {place.bits}" if place.bits > 0 else f"p + {-place.bits}"


def outermost(layout: Layout) -> list[tuple[Node, ...]]:
    """The nodes whose end is the frame's: all, and those of a part that measures all."""
    found = [layout.nodes]
    if len(layout.nodes) == 1 and isinstance(layout.nodes[0], Measured):
        found.append(layout.nodes[0].body)
    return found


def text_of_octets(source: Source, joined: Joined, octets: str) -> str:
    """The text of what octets in a variable mean; what is no text of their encoding raises, and is the walker's."""
    if joined.ends_with is not None:
        octets = f"{octets}.partition({bytes([joined.ends_with])!r})[0]"
    if joined.fill is not None:
        octets = f"{octets}.rstrip({bytes([joined.fill])!r})"
    if joined.form == "bytes":
        return octets
    if joined.form == "alphabet":
        value = source.name("text", lambda: lambda codes: from_codes(joined, codes)[0], joined)
        return f"{value}({octets})"
    return f'str({octets}, "{"utf-8" if joined.form == "utf_8" else "ascii"}")'


def _placed(run: Stretch) -> tuple[Placed, ...]:
    return tuple(Placed(spot.offset, spot.slot, spot) for spot in run.spots)
