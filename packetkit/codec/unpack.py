"""From the octets of a stretch to the texts of its values: words that one call of struct reads, cut by shifts, looked up or computed.

Small fields that share an octet come out of one table together. A value that another code tells is worked out once that code is read.
What must be so (constants, counts that can be) is a test that raises, and the walker has the frame.
"""

from __future__ import annotations

from packetkit.codec import bits
from packetkit.codec.checks import CheckTexts
from packetkit.codec.chunks import READING, Cut, cut
from packetkit.codec.pieces import Pieces, Places, in_cut, place_in, places_of
from packetkit.codec.source import Source, bare, told
from packetkit.codec.stretch import Group, Part, Placed, Spot, Stretch, groups, reals
from packetkit.codec.values import SMALL_BITS, Values, raw_text, real_text
from packetkit.layout.beside import on_scale
from packetkit.layout.model import Layout, tellers
from packetkit.layout.slots import Chosen, Slot


class Unpacker:
    """Gives the spots of one layout's stretches their texts."""

    def __init__(self, layout: Layout, source: Source, checks: CheckTexts) -> None:
        self.layout = layout
        self.checks = checks
        self.values = Values(source)
        self.late: list[str] = []  # lines of values that other codes tell, until all codes of a part are read
        self.tellers = {number for node in layout.walk() for number in tellers(node)}
        self.tellers |= {
            slot.check.mixed for slot in layout.slots if slot.check and slot.check.mixed is not None
        }

    # -- a stretch ---------------------------------------------------------------------------------

    def put_together(self, run: Stretch) -> list[str]:
        """Give each split value of a stretch, whose pieces are read, its text; return the lines that must stand before."""
        lines: list[str] = []
        for spot in run.split:
            terms = [f"{one.text} << {one.lift}" if one.lift else one.text for one in spot.pieces]
            self.worth(spot, "(" + " | ".join(terms) + ")", lines, [], signed=False)
        return lines

    def is_read(self, part: Part) -> bool:
        """Whether a part is read at all, so that struct sees that its octets are there."""
        return any(self.is_wanted(one.slot) for one in part.fields)

    def is_wanted(self, slot: Slot) -> bool:
        """Whether a slot's bits matter to a plain record."""
        if slot.check is not None:
            return not self.checks.is_residual(self.layout.slots[slot.number])
        return slot.kind != "reserved" or slot.strict

    def is_small(self, slot: Slot) -> bool:
        """Whether a slot may share the table of its octet."""
        kinds = ("number", "states", "flag")
        hangs = slot.number in self.tellers or slot.tellers
        return slot.width < SMALL_BITS and slot.kind in kinds and not hangs

    def groups(self, part: Part) -> list[Group]:
        return groups(part, self.is_wanted, self.is_small)

    def cutting(self, part: Part) -> tuple[Cut, list[str]]:
        """Cut a part into words; return the lines that follow its reading."""
        wanted = [place for group in self.groups(part) for place in self.wanted(group, part.low_first)]
        cutting = cut(part.octets, wanted, READING, part, reals(part))
        for chunk in cutting.used():
            cutting.names[chunk.start] = self.values.variable("c")
        return cutting, self.texts(part, cutting, may_sign=True)

    def wanted(self, group: Group, low_first: bool) -> list[tuple[int, int]]:
        """The first bit and the width of all that is asked for of a group: a field that is read apart is asked for in pieces."""
        slot = group.fields[0].slot
        places = self.places_of(slot) if len(group.fields) == 1 else ()
        if not places:
            return [(group.start, group.width)]
        return [(place_in(low_first, group.start, slot.width, at, width), width) for at, width in places]

    def places_of(self, slot: Slot) -> Places:
        """The pieces in which a field is read, none where it is read whole."""
        whole = slot.number in self.tellers or slot.tellers or self.by_table(slot)
        return () if whole else places_of(slot)

    def texts(self, part: Part, cutting: Cut, *, may_sign: bool) -> list[str]:
        """Give every spot the text of its value; return the lines that must stand before. may_sign: words may be signed."""
        lines: list[str] = []
        tests: list[str] = []
        for group in self.groups(part):
            if len(group.fields) == 1:
                self.field(group.fields[0], cutting, may_sign, lines, tests)
                continue
            low = group.start if cutting.low_first else group.start + group.width
            shifts = [one.start - low if cutting.low_first else low - one.end for one in group.fields]
            slots = tuple((shift, one.slot) for shift, one in zip(shifts, group.fields, strict=True))
            table = self.values.tuples(slots, group.width)
            for one in group.fields:
                one.spot.text = self.values.variable("v")
            names = ", ".join(one.spot.text for one in group.fields)
            lines.append(f"{names} = {table}[{bare(cutting.text(group.start, group.width))}]")
        if tests:
            lines += [f"if {' or '.join(tests)}:", "    raise struct_error"]
        lines += self.late  # within an octet that is read from its other end, what tells stands behind
        self.late = []
        return lines

    # -- one field ---------------------------------------------------------------------------------

    def field(self, one: Placed, cutting: Cut, may_sign: bool, lines: list[str], tests: list[str]) -> None:
        """Give one spot its text, and add the lines and tests it needs."""
        slot, spot = one.slot, one.spot
        plain = not (slot.octets_reversed or slot.bits_reversed or self.by_table(slot))
        signed = slot.signed and plain and may_sign and cutting.is_signed(one.start, slot.width)
        code = cutting.text(one.start, slot.width)
        if slot.kind == "piece":
            spot.text = code
        elif cutting.is_real(one.start):
            self.judge(spot, real_text(code))
        elif slot.kind == "reserved":
            tests.append(bare(code))
        elif slot.is_constant:
            if slot.number in self.tellers:
                lines.append(f"r{slot.number} = {slot.codes[0].low}")
            tests.append(f"{bare(code)} != {bits.code_of(slot, slot.codes[0].low):#x}")
        else:
            pieces = in_cut(cutting, one.start, slot.width) if self.places_of(slot) else None
            self.worth(spot, code, lines, tests, signed=signed, slot=slot, pieces=pieces)

    def by_table(self, slot: Slot) -> bool:
        """Whether a slot's value is looked up by its bits."""
        return self.values.is_looked_up(slot) and slot.number not in self.tellers

    def worth(
        self,
        spot: Spot,
        code: str,
        lines: list[str],
        tests: list[str],
        *,
        signed: bool,
        slot: Slot | None = None,
        pieces: Pieces | None = None,
    ) -> None:
        """Give a spot the text of its value from that of its bits, and of its pieces where it is read apart.

        slot: as it is read here, where that differs from the spot's.
        """
        slot = slot or spot.slot
        if slot.tellers:
            raw = raw_text(slot, code, signed=signed)
            if slot.number in self.tellers:  # a check is mixed with its bits, whether it counts or not
                lines.append(f"r{slot.number} = {bare(raw)}")
                raw = f"r{slot.number}"
            self.judge(spot, self.beside(slot, raw, lines))
        elif self.by_table(slot):
            spot.text = f"{self.values.table(slot)}[{bare(code)}]"
        elif slot.number in self.tellers or slot.kind in ("tag", "check", "count", "length"):
            spot.text = self.named(slot, raw_text(slot, code, signed=signed), lines, tests)
        else:
            spot.text = self.values.value(slot, raw_text(slot, code, signed=signed), pieces)

    def beside(self, slot: Slot, raw: str, lines: list[str]) -> str:
        """The text of a value whose scale another code chooses, or that has one; what no code has chosen is None."""
        if not isinstance(slot.transform, Chosen):
            return self.values.value(slot, raw)
        name, by = self.values.variable("x"), self.layout.slots[slot.transform.by]
        lines.append(f"{name} = {bare(raw)}")
        texts = (
            f"({bare(self.values.value(on_scale(slot, linear), name))}) if {told(by, (codes,))} else"
            for codes, linear in slot.transform.choices
        )
        return f"({' '.join(texts)} None)"

    def judge(self, spot: Spot, value: str) -> None:
        """Give a spot the text of its value, None where that does not count: once the code is read that says so."""
        slot = spot.slot
        if not slot.tellers:
            spot.text = value
            return
        spot.text = self.values.variable("v")
        if slot.valid_when is not None:
            test = told(self.layout.slots[slot.valid_when.by], slot.valid_when.codes)
            value = f"{value} if {test} else None"
        self.late.append(f"{spot.text} = {bare(value)}")

    def named(self, slot: Slot, raw: str, lines: list[str], tests: list[str]) -> str:
        """Keep a raw code in a variable, as it is needed more than once; return the text of the slot's value."""
        refers = slot.number in self.tellers or slot.check is not None
        name = f"r{slot.number}" if refers else self.values.variable("x")
        lines.append(f"{name} = {bare(raw)}")
        if slot.kind == "tag":
            tests.append(f"not ({told(slot, slot.codes, name)})")
        if slot.maximum_count is not None and slot.maximum_count < slot.raw_limits[1]:
            tests.append(f"{name} > {slot.maximum_count}")
        return self.values.value(slot, name)


def targets(cutting: Cut) -> str:
    """Return the variables that the words of a cut are unpacked into."""
    names = [cutting.names[chunk.start] for chunk in cutting.used()]
    return ", ".join(names) + ("," if len(names) == 1 else "")
