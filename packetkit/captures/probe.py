"""Where a frame may start in bytes: what its constants and its check say before anything is decoded.

A probe only leaves out places where the frame cannot be; whether it is there, its codec decides. Constants
become a pattern of octets for `re`, which searches at the speed of memory where they are whole octets. A
frame without enough of them is looked for by its check, which is computed at every place.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from math import log2
from typing import Literal

from packetkit.captures.extent import Measure
from packetkit.codec.frame import Frame
from packetkit.errors import DecodeError
from packetkit.integrity import crc
from packetkit.layout.alike import Marker, markers
from packetkit.layout.model import Layout, Run
from packetkit.layout.slots import Check, Packing, Slot

# Constant bits that make it credible that a place where they agree was meant as a frame: junk agrees with 8 of
# them at one place in 256.
CREDIBLE_BITS = 8


def is_credible(found: tuple[Marker, ...]) -> bool:
    """Return whether bytes that agree with these markers were meant as their frame, as far as the markers' bits tell."""
    return sum(_bits_told(marker) for marker in found) >= CREDIBLE_BITS


def takes_anything(layout: Layout) -> bool:
    """Return whether any bytes of its size are a good frame: it has no check, and too few constant bits to tell it from junk."""
    return not layout.check_order and not is_credible(markers(layout))


class Probe:
    """One frame, ready to be looked for; name: what it is called in events, where that is not its own name."""

    def __init__(self, frame: Frame, name: str = "") -> None:
        assert frame.layout.maximum_bytes is not None
        self.frame = frame
        self.name = name or frame.layout.name
        self.shortest = frame.layout.minimum_bits // 8
        self.longest = frame.layout.maximum_bytes
        self.markers = markers(frame.layout)
        self.is_credible = is_credible(self.markers)
        self._lead, self._pattern = _pattern(self.markers)
        # Markers of several codes are judged one by one; the pattern has the others.
        self._several = tuple(marker for marker in self.markers if not _is_single(marker))
        self._reach = max((max(marker.bits) for marker in self.markers), default=-1) // 8 + 1
        self._measure = Measure(frame.layout)
        self._check = next(filter(None, (_quick(*one) for one in _checks(frame.layout))), None)
        # What junk agrees with anyway is looked for by its check, where that is at one place.
        self._spans: _Places | None = None
        if self._check is not None and frame.layout.is_fixed and not self.is_credible:
            extent = self._measure.of(bytes(self.longest))
            self._spans = self._check.spans(extent.starts, frame.layout.minimum_bits)
        self._by_check = self._spans is not None

    def find(self, buffer: bytearray, start: int, stop: int) -> int:
        """Return the first place from start to before stop where the frame may be, or -1.

        All markers lie in the buffer there. A frame looked for by its check lies in it whole.
        """
        stop = min(stop, len(buffer) - self._reach + 1)
        if self._by_check:
            stop = min(stop, len(buffer) - self.longest + 1)
        if self._spans is not None and self._check is not None and not self.markers:
            return self._check.first(buffer, start, stop, self._spans)
        search, lead = self._pattern.search, self._lead
        while start < stop:
            match = search(buffer, start + lead)
            if match is None or match.start() - lead >= stop:
                return -1
            start = match.start() - lead
            if (not self._several or self._several_agree(buffer, start)) and (
                not self._by_check or self._holds(buffer, start)
            ):
                return start
            start += 1
        return -1

    def _several_agree(self, buffer: bytearray, at: int) -> bool:
        data = bytes(buffer[at : at + self._reach])
        return all(marker.agrees(data) for marker in self._several)

    def agrees(self, data: bytes) -> bool:
        """Return whether the markers agree with bytes, as far as those reach."""
        return all(marker.agrees(data) for marker in self.markers)

    def size_of(self, data: bytes) -> int:
        """Return the size of the frame that these bytes begin with. Raises what its structure raises (ShortFrame, BadCount ...)."""
        return -(-self._measure.of(data).size // 8)

    def may_be_good(self, data: bytes) -> bool:
        """Return False where a check surely fails, or where no frame is whole; its codec decides the rest."""
        if self._check is None:
            return True
        try:
            extent = self._measure.of(data)
        except DecodeError:
            return False
        spans = self._check.spans(extent.starts, -(-extent.size // 8) * 8)
        return spans is None or self._check.holds(data, 0, spans)

    def _holds(self, buffer: bytearray, at: int) -> bool:
        assert self._check is not None and self._spans is not None
        return self._check.holds(buffer, at, self._spans)


def _is_single(marker: Marker) -> bool:
    return len(marker.codes) == 1 and marker.codes[0].low == marker.codes[0].high


def _bits_told(marker: Marker) -> float:
    """How many constant bits a marker is worth: one of 16 codes in 8 bits is worth 4."""
    return len(marker.bits) - log2(sum(codes.high - codes.low + 1 for codes in marker.codes))


def _pattern(marked: tuple[Marker, ...]) -> tuple[int, re.Pattern[bytes]]:
    """The constant bits as a pattern, and how far from the frame's start it begins."""
    octets: dict[int, tuple[int, int]] = {}  # octet -> mask, value
    for marker in marked:
        if _is_single(marker):
            for place, bit in enumerate(reversed(marker.bits)):
                mask, value = octets.get(bit // 8, (0, 0))
                one = 0x80 >> bit % 8
                is_set = marker.codes[0].low >> place & 1
                octets[bit // 8] = mask | one, value | (one if is_set else 0)
    if not octets:
        return 0, re.compile(b"")
    lead, last = min(octets), max(octets)
    parts = [_octet_pattern(*octets.get(at, (0, 0))) for at in range(lead, last + 1)]
    return lead, re.compile(b"".join(parts), re.DOTALL)


def _octet_pattern(mask: int, value: int) -> bytes:
    if mask == 0:
        return b"."
    fitting = [bytes((octet,)) for octet in range(256) if octet & mask == value]
    if len(fitting) == 1:
        return re.escape(fitting[0])
    return b"[" + b"".join(map(re.escape, fitting)) + b"]"


# -- by the check ----------------------------------------------------------------------------------

_Places = tuple[
    tuple[int, int], ...
]  # first octet and the one after the last: what is covered, then the check's own


@dataclass(frozen=True, slots=True)
class _Quick:
    """A check of whole octets over whole octets outside its own: nearly all checks are. run: the one it stands in."""

    check: Check
    compute: Callable[[bytes | bytearray], int]
    order: Literal["big", "little"]
    run: int
    offset: int
    width: int

    def spans(self, starts: Mapping[int, int], frame_bits: int) -> _Places | None:
        """Return what is covered and where the check is, given where nodes start; None unless all are whole octets."""
        own = starts[self.run] + self.offset
        edges = [own, own + self.width]
        for marks in self.check.spans:
            edges += [frame_bits if mark.node < 0 else starts[mark.node] + mark.bits for mark in marks]
        if any(edge % 8 for edge in edges):
            return None
        octets = [edge // 8 for edge in edges]
        return (*zip(octets[2::2], octets[3::2], strict=True), (octets[0], octets[1]))

    def holds(self, data: bytes | bytearray, at: int, spans: _Places) -> bool:
        """Return whether the check agrees with what it covers in the frame that starts there."""
        first, last = spans[-1]
        stored = int.from_bytes(data[at + first : at + last], self.order)
        if len(spans) == 2:
            start, end = spans[0]
            value = self.compute(data[at + start : at + end])
        else:
            value = self.compute(b"".join(data[at + start : at + end] for start, end in spans[:-1]))
        return value & ((1 << self.width) - 1) == stored

    def first(self, buffer: bytearray, start: int, stop: int, spans: _Places) -> int:
        """Return the first place from start to before stop where the check agrees, or -1."""
        if len(spans) > 2:
            return next((at for at in range(start, stop) if self.holds(buffer, at, spans)), -1)
        (low, high), (first, last) = spans  # the same as `holds`, four times faster
        compute, mask, from_bytes, order = self.compute, (1 << self.width) - 1, int.from_bytes, self.order
        for at in range(start, stop):
            if compute(buffer[at + low : at + high]) & mask == from_bytes(
                buffer[at + first : at + last], order
            ):
                return at
        return -1


def _checks(layout: Layout) -> Iterator[tuple[Layout, Run, Slot]]:
    """The checks that every frame has once."""
    for node in layout.nodes:
        if isinstance(node, Run):
            yield from ((layout, node, slot) for slot in node.slots if slot.check is not None)


def _quick(layout: Layout, run: Run, slot: Slot) -> _Quick | None:
    check = slot.check
    assert check is not None
    is_plain = run.packing in (Packing.MOST, Packing.LEAST) and not slot.bits_reversed
    in_words = any(isinstance(node, Run) and node.packing.word_bits for node in layout.walk())
    if (
        check.own is not None
        or check.in_wire_order
        or check.also
        or not check.is_plain
        or slot.pieces
        or slot.width % 8
        or not is_plain
        or in_words
    ):
        return None
    top = {node.number for node in layout.nodes} | {-1}
    if any(mark.node not in top for marks in check.spans for mark in marks):
        return None
    order: Literal["big", "little"] = (
        "little" if (run.packing is Packing.LEAST) is not slot.octets_reversed else "big"
    )
    return _Quick(check, crc.engine(check.algorithm), order, run.number, slot.offset_bits, slot.width)
