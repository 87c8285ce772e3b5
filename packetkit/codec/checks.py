"""The texts that compute checks in generated code, by the fastest way that gives the walker's answer.

A CRC that ends what it covers is verified by one call over both, whose result is a constant for every good frame. Spans of whole
octets are slices handed to the algorithm's engine; anything else goes to bits.check_value with the places of the moment.
"""

from __future__ import annotations

from dataclasses import replace

from packetkit.codec.source import Place, Source
from packetkit.integrity import crc
from packetkit.layout.model import Fill, Layout, Run
from packetkit.layout.slots import Check, Mark, Packing, Slot


class NotGeneratedError(Exception):
    """A layout that only the walker can do."""


def refuse_split(layout: Layout) -> None:
    """Raise NotGeneratedError where what a code means is told too late: by, or of, a split value, or by a field behind; and for blocks."""
    if any(getattr(node, "as_fits", False) or getattr(node, "not_counted", None) for node in layout.walk()):
        raise NotGeneratedError
    for slot in layout.slots:
        if any(number > slot.number for number in slot.tellers):
            raise NotGeneratedError
        if slot.tellers and any(
            one.pieces for one in (slot, *(layout.slots[number] for number in slot.tellers))
        ):
            raise NotGeneratedError


class CheckTexts:
    """The texts of one layout's checks; it is told where the nodes start that spans refer to."""

    def __init__(self, layout: Layout, source: Source) -> None:
        self.layout = layout
        self.source = source
        self.starts: dict[int, Place | str] = {}
        self.runs = {slot.number: run for run in layout.walk() if isinstance(run, Run) for slot in run.slots}
        marks = [mark for slot in layout.slots if slot.check for span in slot.check.spans for mark in span]
        self.marked = {mark.node for mark in marks} | {
            self.runs[slot.number].number for slot in layout.slots if slot.check
        }
        if any(slot.check and slot.pieces for slot in layout.slots):
            raise NotGeneratedError  # a check split in parts is the walker's
        plain = (replace(slot.check, mixed=None).is_plain for slot in layout.slots if slot.check)
        if not all(plain):
            raise NotGeneratedError  # so is one that is fed with fields, or has codes with a meaning
        self.words = {run.number: run for run in self.runs.values() if run.packing.word_bits}

    def mark(self, number: int, place: Place) -> None:
        """Remember where a node starts, if a span refers to it."""
        if number not in self.marked:
            return
        if place.moving:
            self.source.add(f"s{number} = {place}")
            self.starts[number] = f"s{number}"
        else:
            self.starts[number] = place

    def place(self, mark: Mark, end: Place | None) -> str:
        """The text of a mark's bit; end: that of the frame, where it is known already."""
        if mark.node < 0 and end is not None:
            return str(end)
        if mark.node not in self.starts:
            raise NotGeneratedError
        start = self.starts[mark.node]
        if isinstance(start, Place):
            return str(start.plus(mark.bits))
        return f"{start} + {mark.bits}" if mark.bits else start

    # -- verifying ---------------------------------------------------------------------------------

    def is_residual(self, slot: Slot) -> bool:
        """Return whether a check and what it covers lie together so that one call verifies both."""
        check = slot.check
        if (
            check is None
            or len(check.spans) != 1
            or check.own
            or check.in_wire_order
            or check.also
            or check.mixed is not None
        ):
            return False
        if slot.bits_reversed:
            return False
        run, (start, end) = self.runs[slot.number], check.spans[0]
        if crc.residue_engine(check.algorithm) is None or run.packing.word_bits:
            return False
        ends_there = end.node == run.number and end.bits == slot.offset_bits
        whole = all(self.octet_of(mark) for mark in (start, end))
        low_first = slot.octets_reversed is not (run.packing is Packing.LEAST)
        return ends_there and whole and (slot.width == 8 or low_first is check.algorithm.reflect_in)

    def is_whole_frame(self, slot: Slot) -> bool:
        """Return whether a check is verified by one call over a whole frame of fixed size, which takes any buffer."""
        if not self.is_residual(slot) or slot.check is None or not self.layout.is_fixed:
            return False
        run, start = self.runs[slot.number], slot.check.spans[0][0]
        first = next(
            node.at for node in self.layout.walk() if node.number == start.node and not isinstance(node, Fill)
        )
        ends = run.at is not None and run.at + slot.offset_bits + slot.width == self.layout.minimum_bits
        standard = crc.engine_name(slot.check.algorithm) in ("binascii", "zlib")
        return standard and ends and first == 0 and start.bits == 0

    def octet_of(self, mark: Mark) -> bool:
        """Return whether a mark is at a whole octet for certain, and not between the octets of a word."""
        if mark.node < 0:
            return True
        node = next(one for one in self.layout.walk() if one.number == mark.node)
        start = getattr(node, "at", None)
        over = getattr(node, "residue", None) if start is None else start % 8
        if over is None or (over + mark.bits) % 8:
            return False
        word = node.packing.word_bits if isinstance(node, Run) else None
        return word is None or mark.bits % word == 0

    def own(self, slot: Slot) -> tuple[str, str]:
        """The texts of a check's first bit and the one after it."""
        run = self.runs[slot.number].number
        first, last = slot.offset_bits, slot.offset_bits + slot.width
        return self.place(Mark(run, first, None), None), self.place(Mark(run, last, None), None)

    def disagrees(self, slot: Slot, end: Place | None) -> str:
        """Return the text that is true where a check is not what its span gives."""
        check = slot.check
        assert check is not None
        if self.is_residual(slot):
            found = crc.residue_engine(check.algorithm)
            assert found is not None
            start = self.place(check.spans[0][0], end)
            data = self.slice(start, self.own(slot)[1])
            return f"{self.engine(check, data, residue=True)} != {found[1]:#x}"
        if check.mixed is None:
            return f"{self.value(slot, end)} != r{slot.number}"
        mask = (1 << self.layout.slots[check.mixed].width) - 1
        return f"({self.value(slot, end)}) ^ (r{check.mixed} & {mask:#x}) != r{slot.number}"

    def is_simple(self, slot: Slot) -> bool:
        """Return whether a check is its engine's value over slices: all edges at whole octets, those of its own bits too."""
        check = slot.check
        assert check is not None
        if check.in_wire_order or (check.own is not None and not self.is_whole(slot)):
            return False
        return all(self.octet_of(mark) for span in check.spans for mark in span)

    def is_whole(self, slot: Slot) -> bool:
        """Return whether a check's own bits are whole octets."""
        run = self.runs[slot.number]
        ends = (
            Mark(run.number, slot.offset_bits, None),
            Mark(run.number, slot.offset_bits + slot.width, None),
        )
        return run.packing.word_bits is None and all(self.octet_of(mark) for mark in ends)

    def places(self, slot: Slot, end: Place | None) -> tuple[str, str]:
        """Return the texts of a check's spans and of its own bits."""
        assert slot.check is not None
        spans = [(self.place(first, end), self.place(last, end)) for first, last in slot.check.spans]
        return ", ".join(f"({first}, {last})" for first, last in spans), ", ".join(self.own(slot))

    def value(self, slot: Slot, end: Place | None, data: str = "data", size: int | None = None) -> str:
        """Return the text of what a check computes over variable `data`; size: its octets, where that is known."""
        check = slot.check
        assert check is not None
        if self.is_simple(slot):
            pieces: list[str] = [repr(check.also)] if check.also else []
            for first, last in check.spans:
                pieces += self.pieces(slot, first, last, end, data, size)
            return self.engine(check, " + ".join(pieces), residue=False)
        name = self.source.name("check", lambda: check, slot.number)
        texts, own = self.places(slot, end)
        if end is not None:
            octets = f"{end.plus(7)} >> 3" if end.moving else str(-(-end.bits // 8))
            data = f"{data}[:{octets}]"
        return f"check_value({name}, {slot.width}, ({texts},), (({own}),), {self.words_text(slot)}, {data})"

    def pieces(
        self, slot: Slot, first: Mark, last: Mark, end: Place | None, data: str, size: int | None
    ) -> list[str]:
        """The texts of a span's octets, with what stands for the check's own ones if they are among them."""
        check, here = slot.check, (self.runs[slot.number].number, slot.offset_bits)
        start, stop = self.place(first, end), self.place(last, end)
        assert check is not None
        inside = (first.node, first.bits) <= here and (last.node < 0 or here < (last.node, last.bits))
        if check.own is None or not inside:
            return [self.slice(start, stop, data, size)]
        own, after = self.own(slot)
        octets = {"zero": "00", "ones": "ff", "skip": ""}[check.own] * (slot.width // 8)
        filled = [repr(bytes.fromhex(octets))] if octets else []
        return [self.slice(start, own, data, size), *filled, self.slice(after, stop, data, size)]

    def words_text(self, slot: Slot) -> str:
        """The text of the frame's runs of words, where a check has to do with a part of a word."""
        if not self.is_in_words(slot):
            return "()"
        if any(run.at is None for run in self.words.values()):
            raise NotGeneratedError
        runs = [(run.at, (run.at or 0) + run.size_bits, run.packing.word_bits) for run in self.words.values()]
        return repr(tuple(runs))

    def is_in_words(self, slot: Slot) -> bool:
        """Whether a check lies in a run of words, or begins or ends what it covers inside one."""
        assert slot.check is not None
        edges = {mark.node for span in slot.check.spans for mark in span if mark.bits}
        return bool(self.words.keys() & (edges | {self.runs[slot.number].number}))

    def slice(self, first: str, last: str, data: str = "data", size: int | None = None) -> str:
        """The text of the octets between two bits; size: how many the variable holds, if not a frame's."""
        whole = size or self.layout.size_bytes
        start, stop = octet(first), octet(last)
        if start == "0" and whole is not None and stop == str(whole):
            return data
        return f"{data}[{'' if start == '0' else start}:{stop}]"

    def engine(self, check: Check, data: str, *, residue: bool) -> str:
        """The text of a call that computes a check; the two fast ones of the standard library are called directly."""
        algorithm = check.algorithm
        if crc.engine_name(algorithm) == "binascii":
            final = f" ^ {algorithm.final_xor:#x}" if algorithm.final_xor and not residue else ""
            return f"crc_hqx({data}, {algorithm.init:#x}){final}"
        found = crc.residue_engine(algorithm)
        if residue:
            assert found is not None
            function = found[0]
            name = self.source.name("residue", lambda: function, algorithm.identity())
        else:
            name = self.source.name("engine", lambda: crc.engine(algorithm), algorithm.identity())
        return f"{name}({data})"


def octet(place: str) -> str:
    """Return the text of the octet that begins at a bit, from the text of the bit."""
    return str(int(place) // 8) if place.isdecimal() else f"{place} >> 3"
