"""The walker: a codec that interprets the layout slot by slot. Slow, complete, and the authority on every error.

Strategy of decoding: read the raw codes in wire order into a tree of the record's shape, judge it (constants,
length, checks, strict reserved bits, in that order), and only then make values of it. The generated functions
of frame.py must give these answers; whatever they cannot finish, they hand over to here. Encoding is in
assemble.py.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from operator import index
from typing import Any, NamedTuple

from packetkit.codec import bits, derive
from packetkit.codec.bits import Octets, Span, Words
from packetkit.codec.record import put
from packetkit.errors import (
    BadCount,
    CheckFailed,
    DecodeError,
    ReservedBits,
    ShortFrame,
    TrailingBytes,
    WrongConstant,
)
from packetkit.layout.limits import beyond
from packetkit.layout.model import Fill, Layout, Mark, Node, Optional, Packing, Repeat, Run, Slot
from packetkit.layout.number import from_raw, listed

Record = dict[str, Any]


class Item(NamedTuple):
    """One slot of one frame: its address with list indices, its first bit in the frame, its raw code."""

    slot: Slot
    address: str
    bit: int
    raw: int


@dataclass(slots=True)
class Scope:
    """What is known by number in one container that can be there several times: node starts, and slots read so far."""

    outer: Scope | None
    starts: dict[int, int] = field(default_factory=dict)
    leaves: dict[int, Leaf] = field(default_factory=dict)

    def leaf(self, number: int) -> Leaf:
        """The slot of that number in this container, or the nearest around it."""
        scope = self
        while number not in scope.leaves:
            assert scope.outer is not None
            scope = scope.outer
        return scope.leaves[number]

    def start(self, node: int) -> int:
        """Where a node of this container, or of one around it, starts."""
        scope = self
        while node not in scope.starts:
            assert scope.outer is not None
            scope = scope.outer
        return scope.starts[node]


@dataclass(slots=True)
class Leaf:
    """A slot at its place in one frame. order: its place among all of them. run_at: the first bit of its run."""

    slot: Slot
    indices: tuple[int, ...]
    order: int
    run_at: int
    offset: int
    width: int
    packing: Packing
    scope: Scope
    raw: int = 0

    @property
    def bit(self) -> int:
        return self.run_at + self.offset

    @property
    def pieces(self) -> bits.Pieces:
        """Where in the run its bits lie."""
        return self.slot.pieces or ((self.offset, self.width),)

    @property
    def address(self) -> str:
        return located(self.slot.address, self.indices)


@dataclass(slots=True)
class Listed:
    """A repeat in one frame: its elements, each a list of parts."""

    node: Repeat
    elements: list[list[Part]]


@dataclass(slots=True)
class Choice:
    """An optional in one frame: its parts, or None where it is absent."""

    node: Optional
    body: list[Part] | None


Part = Leaf | Listed | Choice


def located(address: str, indices: tuple[int, ...]) -> str:
    """Return an address with its empty brackets filled: `readings[].field_x` at 2 is `readings[2].field_x`."""
    for one in indices:
        address = address.replace("[]", f"[{one}]", 1)
    return address


def encode(layout: Layout, record: object) -> bytes:
    """Return the frame of a record. Raises EncodeError with every fault, in wire order; never changes the record."""
    from packetkit.codec.assemble import encode

    return encode(layout, record)


def decode(layout: Layout, data: Octets, *, detail: bool = False, salvage: bool = False) -> Record:
    """Return the record of exactly one frame. Raises a branch of DecodeError for anything else.

    detail: every slot as {raw, value, unit, reason, note}. salvage: that, also where a check failed; then no
    leaf is trusted.
    """
    reading = _Reading(layout, bits.octets(data))
    reading.read()
    return reading.record(exact=True, detail=detail, salvage=salvage)


def decode_from(
    layout: Layout, buffer: Octets, at: int = 0, *, detail: bool = False, salvage: bool = False
) -> tuple[Record, int]:
    """Return the record of the frame that starts at an octet of the buffer, and how many octets it uses.

    What follows it is left alone, except by a frame that runs to the end. Raises ValueError where `at` is
    outside the buffer.
    """
    reading = _Reading(layout, bits.octets(buffer)[start_at(buffer, at) :])
    used = reading.read()
    return reading.record(exact=False, detail=detail, salvage=salvage), used


def start_at(buffer: Octets, at: int) -> int:
    """Return the octet a frame is to start at. Raises ValueError where the buffer has no such place."""
    start, size = index(at), memoryview(buffer).nbytes
    if not 0 <= start <= size:
        raise ValueError(f"at is {start}, but the buffer has {size} bytes. Give 0 to {size}")
    return start


def items(layout: Layout, data: Octets, at: int = 0) -> Iterator[Item]:
    """Yield every slot of a frame in wire order, whatever its checks and constants say.

    Raises ShortFrame or BadCount after the slots that could be read.
    """
    found = read(layout, bits.octets(data)[start_at(data, at) :])
    for leaf in found.leaves:
        yield Item(leaf.slot, leaf.address, leaf.bit, leaf.raw)
    if found.failure is not None:
        raise found.failure


class Found(NamedTuple):
    """What was read of one frame: its slots in wire order, its runs of words, how many octets it has, what stopped the reading."""

    leaves: list[Leaf]
    words: list[Words]
    used: int
    failure: DecodeError | None


def read(layout: Layout, data: bytes) -> Found:
    """Return every slot of a frame that could be read, with its place, whatever its checks and constants say."""
    reading = _Reading(layout, data)
    failure: DecodeError | None = None
    try:
        reading.read()
    except DecodeError as error:
        failure = error
    return Found(reading.leaves, reading.words, reading.used, failure)


def spans_of(leaf: Leaf, frame_bits: int) -> list[Span]:
    """Return the bits that a check slot covers in one frame."""
    assert leaf.slot.check is not None

    def place(mark: Mark) -> int:
        return frame_bits if mark.node < 0 else leaf.scope.start(mark.node) + mark.bits

    return [(place(start), place(end)) for start, end in leaf.slot.check.spans]


def mixed_into(leaf: Leaf) -> int:
    """Return what a check's value is combined with: the bits of the slot that it is mixed with, if any."""
    check = leaf.slot.check
    if check is None or check.mixed is None:
        return 0
    other = leaf.scope.leaf(check.mixed)
    return other.raw & ((1 << other.width) - 1)


class _Reading:
    """One frame being read."""

    def __init__(self, layout: Layout, data: bytes) -> None:
        self.layout = layout
        self.data = data
        self.end = len(data) * 8
        self.leaves: list[Leaf] = []
        self.words: list[Words] = []
        self.parts: list[Part] = []
        self.used = 0

    def read(self) -> int:
        """Read all codes; return how many octets the frame has."""
        self.parts, at = self.nodes(self.layout.nodes, 0, (), Scope(None))
        self.used = -(-at // 8)
        return self.used

    # -- structure ---------------------------------------------------------------------------------

    def nodes(
        self, nodes: tuple[Node, ...], at: int, indices: tuple[int, ...], scope: Scope
    ) -> tuple[list[Part], int]:
        parts: list[Part] = []
        for node in nodes:
            scope.starts[node.number] = at
            if isinstance(node, Run):
                at = self.run(node, at, indices, scope, parts)
            elif isinstance(node, Fill):
                width = -at % node.unit_bits
                parts.append(self.leaf(node.slot, indices, at, 0, width, node.packing, scope))
                at += width
            elif isinstance(node, Repeat):
                elements = []
                for number in range(self.count(node, at, indices, scope)):
                    element, at = self.nodes(node.element, at, (*indices, number), Scope(scope))
                    elements.append(element)
                parts.append(Listed(node, elements))
            else:
                body = None
                if any(scope.leaf(node.by).raw in codes for codes in node.codes):
                    body, at = self.nodes(node.body, at, indices, scope)
                parts.append(Choice(node, body))
        return parts, at

    def run(self, node: Run, at: int, indices: tuple[int, ...], scope: Scope, parts: list[Part]) -> int:
        if node.packing.word_bits:
            self.words.append((at, at + node.size_bits, node.packing.word_bits))
        for slot in node.slots:
            leaf = self.leaf(slot, indices, at, slot.offset_bits, slot.width, node.packing, scope)
            parts.append(leaf)
            if slot.maximum_count is not None and leaf.raw > slot.maximum_count:
                text = f"{leaf.address} is {leaf.raw}, but the schema allows {slot.maximum_count} at most"
                raise BadCount(text, path=leaf.address, bit=leaf.bit)
        return at + node.size_bits

    def leaf(
        self,
        slot: Slot,
        indices: tuple[int, ...],
        run_at: int,
        offset: int,
        width: int,
        packing: Packing,
        scope: Scope,
    ) -> Leaf:
        leaf = Leaf(slot, indices, len(self.leaves), run_at, offset, width, packing, scope)
        last = max(at + size for at, size in leaf.pieces)
        if packing.word_bits:  # a code is there when its whole words are
            last = -(-last // packing.word_bits) * packing.word_bits
        last += run_at
        if last > self.end:
            raise self.short(leaf.address, leaf.bit, width)
        leaf.raw = bits.raw_of(slot, bits.gather(self.data, packing, run_at, leaf.pieces))
        self.leaves.append(leaf)
        scope.leaves[slot.number] = leaf
        return leaf

    def short(self, path: str, bit: int, width: int) -> ShortFrame:
        size = self.layout.size_bytes
        needed = f"a frame has {size}" if size is not None else f"bits {bit} to {bit + width - 1} are needed"
        text = f"{self.layout.name}: {len(self.data)} bytes end before {path} does: {needed}"
        return ShortFrame(text, path=path, bit=bit)

    def count(self, node: Repeat, at: int, indices: tuple[int, ...], scope: Scope) -> int:
        """How many elements a repeat has here: nothing is read, let alone kept, before they are known to fit."""
        path = located(node.address, indices)
        if node.count is not None:
            count = node.count
        elif node.counted_by is not None:
            count = scope.leaf(node.counted_by).raw
        else:
            count = max(0, self.end - node.trailer_bits - at) // node.minimum_bits
            if node.maximum is not None and count > node.maximum:
                text = f"{path} has {count} elements, but the schema allows {node.maximum} at most"
                raise BadCount(text, path=path, bit=at)
        if at + count * node.minimum_bits > self.end:
            size = f"{count} elements of at least {node.minimum_bits} bits"
            text = f"{self.layout.name}: {len(self.data)} bytes cannot hold {path}: {size} from bit {at}"
            raise ShortFrame(text, path=path, bit=at)
        return count

    # -- judgement ---------------------------------------------------------------------------------

    def record(self, *, exact: bool, detail: bool, salvage: bool) -> Record:
        """The record, if these octets are this frame."""
        self.constants()
        if exact and len(self.data) != self.used:
            over = len(self.data) - self.used
            text = f"{self.layout.name}: {over} of {len(self.data)} bytes are left over after the frame's {self.used}"
            raise TrailingBytes(text, bit=self.used * 8)
        failed = self.failed_check()
        if failed is not None and not salvage:
            raise failed
        if failed is None:
            self.strict()
        if detail or salvage:
            made: Record = _detailed(self.parts, bare=False, trusted=failed is None)
        else:
            made = _plain(self.parts, bare=False)
        todo = derive.plan(self.layout)
        if todo is not None:
            derive.complete(todo, made, detail=detail or salvage, trusted=failed is None)
        return made

    def constants(self) -> None:
        for leaf in self.leaves:
            codes = leaf.slot.codes
            if leaf.slot.kind in ("constant", "sync", "tag") and not any(leaf.raw in one for one in codes):
                text = f"{leaf.address} is {leaf.raw:#x}, not {_hexadecimal(leaf.slot)}: some other frame"
                raise WrongConstant(text, path=leaf.address, bit=leaf.bit)

    def failed_check(self) -> CheckFailed | None:
        for leaf in self.leaves:
            check = leaf.slot.check
            if check is None:
                continue
            own = (leaf.bit, leaf.bit + leaf.width)
            spans = spans_of(leaf, self.used * 8)
            computed = bits.check_value(check, leaf.width, spans, own, self.words, self.data[: self.used])
            computed ^= mixed_into(leaf)
            if computed != leaf.raw:
                digits = -(-leaf.width // 4)
                found, made = f"0x{leaf.raw:0{digits}X}", f"0x{computed:0{digits}X}"
                text = f"{leaf.address} is {found}, but {check.algorithm.name} over the frame gives {made}"
                return CheckFailed(text, path=leaf.address, bit=leaf.bit)
        return None

    def strict(self) -> None:
        for leaf in self.leaves:
            if leaf.slot.strict and leaf.raw and leaf.slot.kind == "reserved":
                text = f"{leaf.address} is {leaf.raw:#x}, but reserved bits are zero in a strict frame"
                raise ReservedBits(text, path=leaf.address, bit=leaf.bit)


def _hexadecimal(slot: Slot) -> str:
    if len(slot.codes) == 1 and slot.codes[0].low == slot.codes[0].high:
        return f"{slot.codes[0].low:#x}"
    return f"one of {listed(slot.codes)}"


# -- records ---------------------------------------------------------------------------------------


def _plain(parts: list[Part], *, bare: bool) -> Any:
    """The values of a container; of a bare one, its only value."""
    made: dict[Any, Any] = {}
    for part in parts:
        if isinstance(part, Leaf):
            if part.slot.is_value:
                put(made, part.slot.path, from_raw(part.slot, part.raw)[0])
        elif isinstance(part, Listed):
            put(made, part.node.path, [_plain(one, bare=part.node.bare) for one in part.elements])
        else:
            body = None if part.body is None else _plain(part.body, bare=part.node.bare)
            put(made, part.node.path, body)
    return made[()] if bare else made


def _detailed(parts: list[Part], *, bare: bool, trusted: bool) -> Any:
    """Every slot of a container, with all that is known of it."""
    made: dict[Any, Any] = {}
    for part in parts:
        if isinstance(part, Leaf):
            if part.width:
                put(made, part.slot.path, _leaf_detail(part, trusted))
        elif isinstance(part, Listed):
            elements = [_detailed(one, bare=part.node.bare, trusted=trusted) for one in part.elements]
            put(made, part.node.path, elements)
        else:
            body = part.body
            inner = None if body is None else _detailed(body, bare=part.node.bare, trusted=trusted)
            put(made, part.node.path, inner)
    return made[()] if bare else made


def _leaf_detail(leaf: Leaf, trusted: bool) -> Record:
    value, reason, note = from_raw(leaf.slot, leaf.raw)
    made: Record = {"raw": leaf.raw, "value": value}
    limit = beyond(leaf.slot.limits, value) if leaf.slot.limits else ""
    words = (("unit", leaf.slot.unit), ("reason", reason), ("note", note), ("limit", limit))
    made |= {key: text for key, text in words if text}
    if not trusted:
        made["trusted"] = False
    return made
