"""The walker: a codec that interprets the layout slot by slot. Slow, complete, and the authority on every error.

Strategy of decoding: read the raw codes in wire order into a tree of the record's shape, judge it (constants,
length, checks, strict reserved bits, in that order), and only then make values of it. The generated functions
of frame.py must give these answers; whatever they cannot finish, they hand over to here. Encoding is in
assemble.py.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from operator import index
from typing import Any, NamedTuple

from packetkit.codec import bits, derive
from packetkit.codec.bits import Octets, Span, Words
from packetkit.codec.record import put
from packetkit.errors import (
    BadCount,
    BadLength,
    CheckFailed,
    DecodeError,
    ReservedBits,
    ShortFrame,
    TrailingBytes,
    UnknownVariant,
    WrongConstant,
)
from packetkit.layout.beside import value_beside
from packetkit.layout.joined import from_codes, raw_of
from packetkit.layout.limits import beyond
from packetkit.layout.model import (
    Branch,
    Choice,
    Fill,
    Joined,
    Layout,
    Mark,
    Measured,
    Node,
    Optional,
    Packing,
    Repeat,
    Run,
    Slot,
    computed_count,
    told_branch,
)
from packetkit.layout.number import Value, from_raw, listed

Record = dict[str, Any]
Known = Mapping[str, int]  # raw codes of supplied fields, by name
RECOVERED = "recovered"  # the reason of a supplied field that was told by a check alone


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

    def knows(self, number: int) -> bool:
        """Whether the slot of that number was read, in this container or in one around it."""
        scope: Scope | None = self
        while scope is not None:
            if number in scope.leaves:
                return True
            scope = scope.outer
        return False

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
    def own(self) -> list[Span]:
        """The bits of the frame that are its own."""
        return [(self.run_at + at, self.run_at + at + width) for at, width in self.pieces]

    @property
    def address(self) -> str:
        return located(self.slot.address, self.indices)

    def beside(self, number: int) -> int:
        """The raw code of another slot, of this container or one around it."""
        return self.scope.leaf(number).raw

    @property
    def meaning(self) -> tuple[Value, str, str]:
        """What its code means beside the others: value, reason and note."""
        return (
            value_beside(self.slot, self.raw, self.beside)
            if self.slot.tellers
            else from_raw(self.slot, self.raw)
        )


@dataclass(slots=True)
class Listed:
    """A repeat in one frame: its elements, each a list of parts."""

    node: Repeat
    elements: list[list[Part]]


@dataclass(slots=True)
class Maybe:
    """An optional in one frame: its parts, or None where it is absent."""

    node: Optional
    body: list[Part] | None


@dataclass(slots=True)
class Chosen:
    """A choice in one frame: the branch that its codes, or the caller, told, and its parts."""

    node: Choice
    branch: Branch
    body: list[Part]


Part = Leaf | Listed | Maybe | Chosen


def located(address: str, indices: tuple[int, ...]) -> str:
    """Return an address with its empty brackets filled: `readings[].field_x` at 2 is `readings[2].field_x`."""
    for one in indices:
        address = address.replace("[]", f"[{one}]", 1)
    return address


def encode(layout: Layout, record: object) -> bytes:
    """Return the frame of a record. Raises EncodeError with every fault, in wire order; never changes the record."""
    from packetkit.codec.assemble import encode

    return encode(layout, record)


Variants = Mapping[str, str]  # the address of each part that is told from outside, and its variant's name


def decode(
    layout: Layout,
    data: Octets,
    *,
    detail: bool = False,
    salvage: bool = False,
    variants: Variants | None = None,
    known: Known | None = None,
) -> Record:
    """Return the record of exactly one frame. Raises a branch of DecodeError for anything else.

    detail: every slot as {raw, value, unit, reason, note}. salvage: that, also where a check failed; then no
    leaf is trusted. variants: those that are told from outside. known: raw codes of supplied fields by name; the
    others are recovered from the checks. Raises ValueError for a name or a code that is none.
    """
    reading = _Reading(layout, bits.octets(data), variants, known)
    reading.read()
    return reading.record(exact=True, detail=detail, salvage=salvage)


def decode_from(
    layout: Layout,
    buffer: Octets,
    at: int = 0,
    *,
    detail: bool = False,
    salvage: bool = False,
    variants: Variants | None = None,
    known: Known | None = None,
) -> tuple[Record, int]:
    """Return the record of the frame that starts at an octet of the buffer, and how many octets it uses.

    What follows it is left alone, except by a frame that runs to the end. Raises ValueError where `at` is
    outside the buffer.
    """
    reading = _Reading(layout, bits.octets(buffer)[start_at(buffer, at) :], variants, known)
    used = reading.read()
    return reading.record(exact=False, detail=detail, salvage=salvage), used


def start_at(buffer: Octets, at: int) -> int:
    """Return the octet a frame is to start at. Raises ValueError where the buffer has no such place."""
    start, size = index(at), memoryview(buffer).nbytes
    if not 0 <= start <= size:
        raise ValueError(f"at is {start}, but the buffer has {size} bytes. Give 0 to {size}")
    return start


def items(layout: Layout, data: Octets, at: int = 0, variants: Variants | None = None) -> Iterator[Item]:
    """Yield every slot of a frame in wire order, whatever its checks and constants say.

    Raises what its structure raises (ShortFrame, BadCount ...) after the slots that could be read.
    """
    found = read(layout, bits.octets(data)[start_at(data, at) :], variants)
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


def read(layout: Layout, data: bytes, variants: Variants | None = None) -> Found:
    """Return every slot of a frame that could be read, with its place, whatever its checks and constants say."""
    reading = _Reading(layout, data, variants)
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


def _supplied(slot: Slot, scope: Scope, known: Known) -> Leaf:
    """A field without bits, with its code where that is known; known to the whole frame."""
    raw = known.get(slot.path[0], 0)
    low, high = slot.raw_limits
    if isinstance(raw, bool) or not isinstance(raw, int) or not low <= raw <= high:
        raise ValueError(f"{slot.address} is known as {raw!r}, but {slot.width} bits hold {low} to {high}")
    scope.leaves[slot.number] = Leaf(slot, (), -1, 0, 0, slot.width, Packing.MOST, scope, raw)
    return scope.leaves[slot.number]


def mixed_into(leaf: Leaf) -> int:
    """Return what a check's value is combined with: the bits of the slot that it is mixed with, if any."""
    check = leaf.slot.check
    if check is None or check.mixed is None:
        return 0
    other = leaf.scope.leaf(check.mixed)
    return other.raw & ((1 << other.width) - 1)


@dataclass(slots=True)
class _Limit:
    """A measured part being read: where it starts, and where it ends once its length is known."""

    node: Measured
    start: int
    address: str
    end: int | None = None


class _Reading:
    """One frame being read."""

    def __init__(
        self,
        layout: Layout,
        data: bytes,
        variants: Variants | None = None,
        known: Known | None = None,
    ) -> None:
        self.layout = layout
        self.variants = variants or {}
        self.limits: list[_Limit] = []  # the innermost last
        self.scope = Scope(None)
        self.supplied = {slot.number: _supplied(slot, self.scope, known or {}) for slot in layout.supplied}
        self.unknown = {slot.number for slot in layout.supplied if slot.path[0] not in (known or {})}
        strange = (known or {}).keys() - {slot.path[0] for slot in layout.supplied}
        if strange:
            raise ValueError(
                f"{layout.name} is supplied with no {' and no '.join(sorted(map(str, strange)))}"
            )
        self.data = data
        self.end = len(data) * 8
        self.leaves: list[Leaf] = []
        self.words: list[Words] = []
        self.parts: list[Part] = []
        self.used = 0

    def read(self) -> int:
        """Read all codes; return how many octets the frame has."""
        self.parts, at = self.nodes(self.layout.nodes, 0, (), self.scope)
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
                start = scope.start(node.since) if node.since >= 0 else 0
                width = -(at - start) % node.unit_bits
                parts.append(self.leaf(node.slot, indices, at, 0, width, node.packing, scope))
                at += width
            elif isinstance(node, Repeat):
                elements = []
                for number in range(self.count(node, at, indices, scope)):
                    element, at = self.nodes(node.element, at, (*indices, number), Scope(scope))
                    elements.append(element)
                parts.append(Listed(node, elements))
            elif isinstance(node, Optional):
                body = None
                if self.is_there(node, at, scope):
                    body, at = self.nodes(node.body, at, indices, scope)
                parts.append(Maybe(node, body))
            elif isinstance(node, Measured):
                at = self.measured(node, at, indices, scope, parts)
            else:
                branch = self.branch(node, at, indices, scope)
                inner, at = self.nodes(branch.body, at, indices, scope)
                parts.append(Chosen(node, branch, inner))
        return parts, at

    def is_there(self, node: Optional, at: int, scope: Scope) -> bool:
        if node.by is None:
            return self.stop() - node.trailer_bits - at > 0
        raw = scope.leaf(node.by).raw
        return any(raw in codes for codes in node.codes)

    def branch(self, node: Choice, at: int, indices: tuple[int, ...], scope: Scope) -> Branch:
        """The variant that the telling codes mean, or that the caller named."""
        path = located(node.address, indices)
        if not node.told_by:
            name = self.variants.get(node.address)
            found = next((branch for branch in node.branches if branch.name == name), None)
            if found is None:
                names = ", ".join(branch.name for branch in node.branches)
                said = (
                    "nothing says which variant it is" if name is None else f"{name} is none of its variants"
                )
                text = f"{path} is told from outside, and {said}. Give one of {names}"
                raise UnknownVariant(text, path=path, bit=at)
            return found
        raws = [scope.leaf(number).raw for number in node.told_by]
        branch = told_branch(node, raws)
        if branch is None:
            told = ", ".join(
                f"{scope.leaf(number).address} {raw}" for number, raw in zip(node.told_by, raws, strict=True)
            )
            raise UnknownVariant(f"{path} has no variant for {told}", path=path, bit=at)
        return branch

    def measured(
        self, node: Measured, at: int, indices: tuple[int, ...], scope: Scope, parts: list[Part]
    ) -> int:
        """Read a measured part, which ends where its length says."""
        limit = _Limit(node, at, located(node.address, indices) or self.layout.name)
        self.limits.append(limit)
        if scope.knows(node.by):
            self.told(limit, scope.leaf(node.by))
        inner, end = self.nodes(node.body, at, indices, scope)
        parts += inner
        self.limits.pop()
        assert limit.end is not None
        if end != limit.end:
            text = f"{limit.address} has {limit.end - at} bits by its length, and its fields {end - at}"
            raise BadLength(text, path=limit.address, bit=min(end, limit.end))
        return end

    def told(self, limit: _Limit, leaf: Leaf) -> None:
        """Note where a measured part ends, now that its length is read."""
        size = (leaf.raw + limit.node.less) * limit.node.unit_bits
        end = limit.start + size
        around = self.around(limit)
        outer = next((one.end for one in reversed(around) if one.end is not None), self.end)
        if end > self.end and all(one.end is None for one in around):
            raise self.short(limit.address, limit.start, size)
        if size < 0 or end > outer:
            text = f"{leaf.address} says {size} bits, and {limit.address} has room for {max(0, outer - limit.start)}"
            raise BadLength(text, path=leaf.address, bit=leaf.bit)
        limit.end = end

    def around(self, inner: _Limit) -> list[_Limit]:
        """The measured parts around one, the innermost last."""
        return self.limits[: next(at for at, limit in enumerate(self.limits) if limit is inner)]

    def stop(self) -> int:
        """Where the innermost part ends whose end is known: a measured one, else the frame."""
        return next((limit.end for limit in reversed(self.limits) if limit.end is not None), self.end)

    def overrun(self, path: str, bit: int, width: int) -> DecodeError:
        """What is wrong where bits are needed behind the end of the part that they belong to."""
        limit = next((limit for limit in reversed(self.limits) if limit.end is not None), None)
        if limit is None or limit.end is None:
            return self.short(path, bit, width)
        text = f"{limit.address} has {limit.end - limit.start} bits by its length, and {path} needs {bit + width - limit.start}"
        return BadLength(text, path=path, bit=bit)

    def run(self, node: Run, at: int, indices: tuple[int, ...], scope: Scope, parts: list[Part]) -> int:
        if node.packing.word_bits:
            self.words.append((at, at + node.size_bits, node.packing.word_bits))
        for slot in node.slots:
            leaf = self.leaf(slot, indices, at, slot.offset_bits, slot.width, node.packing, scope)
            parts.append(leaf)
            if slot.maximum_count is not None and leaf.raw > slot.maximum_count:
                text = f"{leaf.address} is {leaf.raw}, but the schema allows {slot.maximum_count} at most"
                raise BadCount(text, path=leaf.address, bit=leaf.bit)
            if slot.kind == "length" and not slot.codes:
                for limit in self.limits:
                    if limit.node.by == slot.number and limit.end is None:
                        self.told(limit, leaf)
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
        if last > self.stop():
            raise self.overrun(leaf.address, leaf.bit, width)
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
            if node.factors:
                count = product_of(node, scope)
            else:
                count = max(0, self.stop() - node.trailer_bits - at) // node.minimum_bits
            if count < 0 or (node.maximum is not None and count > node.maximum):
                text = f"{path} has {count} elements, but the schema allows {node.maximum} at most"
                raise BadCount(text, path=path, bit=at)
        if at + count * node.minimum_bits > self.stop() and any(one.end is not None for one in self.limits):
            raise self.overrun(path, at, count * node.minimum_bits)
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
        self.supply(made, detail=detail or salvage, trusted=failed is None)
        todo = derive.plan(self.layout)
        if todo is not None:
            derive.complete(todo, made, detail=detail or salvage, trusted=failed is None)
        return made

    def constants(self) -> None:
        for leaf in self.leaves:
            codes = leaf.slot.codes
            if codes and not any(leaf.raw in one for one in codes):
                text = f"{leaf.address} is {leaf.raw:#x}, not {_hexadecimal(leaf.slot)}: some other frame"
                raise WrongConstant(text, path=leaf.address, bit=leaf.bit)

    def failed_check(self) -> CheckFailed | None:
        for leaf in self.leaves:
            check = leaf.slot.check
            if check is None:
                continue
            spans = spans_of(leaf, self.used * 8)
            computed = bits.check_value(
                check, leaf.width, spans, leaf.own, self.words, self.data[: self.used]
            )
            if check.mixed in self.unknown:
                self.recover(check.mixed, computed ^ leaf.raw)
            computed ^= mixed_into(leaf)
            if computed != leaf.raw:
                digits = -(-leaf.width // 4)
                found, made = f"0x{leaf.raw:0{digits}X}", f"0x{computed:0{digits}X}"
                text = f"{leaf.address} is {found}, but {check.algorithm.name} over the frame gives {made}"
                return CheckFailed(text, path=leaf.address, bit=leaf.bit)
        return None

    def recover(self, number: int | None, mixture: int) -> None:
        """Take what a check tells of a field that is mixed into it; where it tells too much, the check fails."""
        assert number is not None
        self.unknown.discard(number)
        leaf = self.supplied[number]
        leaf.raw = mixture & ((1 << leaf.width) - 1)
        leaf.run_at = -1  # recovered

    def supply(self, made: Record, *, detail: bool, trusted: bool) -> None:
        """Put supplied fields into a record where they are declared."""
        for leaf, later in zip(self.supplied.values(), self.layout.supplied_before, strict=True):
            found: Any = leaf.raw
            if detail:
                found = {"raw": leaf.raw, "value": leaf.raw}
                found |= {"reason": RECOVERED} if leaf.run_at < 0 else {}
                found |= {} if trusted else {"trusted": False}
            made[leaf.slot.path[0]] = found
            for key in later:
                if key in made:
                    made[key] = made.pop(key)

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
                put(made, part.slot.path, part.meaning[0])
        elif isinstance(part, Listed):
            put(made, part.node.path, _list(part))
        elif isinstance(part, Chosen):
            put(made, part.node.path, {part.branch.name: _plain(part.body, bare=part.branch.bare)})
        else:
            body = None if part.body is None else _plain(part.body, bare=part.node.bare)
            put(made, part.node.path, body)
    return made[()] if bare else made


def _list(part: Listed) -> Any:
    """The elements as a list, or joined to one value."""
    if part.node.joined is not None:
        return from_codes(part.node.joined, codes_of(part))[0]
    return [_plain(one, bare=part.node.bare) for one in part.elements]


def codes_of(part: Listed) -> list[int]:
    """The raw codes of a list of single slots."""
    return [one.raw for element in part.elements for one in element if isinstance(one, Leaf)]


def product_of(node: Repeat, scope: Scope) -> int:
    """How often a repeat stands whose count is computed."""
    return computed_count(node, {factor.by: scope.leaf(factor.by).raw for factor in node.factors})


def _detailed(parts: list[Part], *, bare: bool, trusted: bool) -> Any:
    """Every slot of a container, with all that is known of it."""
    made: dict[Any, Any] = {}
    for part in parts:
        if isinstance(part, Leaf):
            if part.width:
                put(made, part.slot.path, _leaf_detail(part, trusted))
        elif isinstance(part, Listed) and part.node.joined is not None:
            put(made, part.node.path, _joined_detail(part, part.node.joined, trusted))
        elif isinstance(part, Chosen):
            inner = _detailed(part.body, bare=part.branch.bare, trusted=trusted)
            put(made, part.node.path, {part.branch.name: inner})
        elif isinstance(part, Listed):
            elements = [_detailed(one, bare=part.node.bare, trusted=trusted) for one in part.elements]
            put(made, part.node.path, elements)
        else:
            body = part.body
            inner = None if body is None else _detailed(body, bare=part.node.bare, trusted=trusted)
            put(made, part.node.path, inner)
    return made[()] if bare else made


def _joined_detail(part: Listed, joined: Joined, trusted: bool) -> Record:
    codes = codes_of(part)
    value, reason = from_codes(joined, codes)
    made: Record = {"raw": raw_of(joined, codes), "value": value}
    if reason:
        made["reason"] = reason
    if not trusted:
        made["trusted"] = False
    return made


def _leaf_detail(leaf: Leaf, trusted: bool) -> Record:
    value, reason, note = leaf.meaning
    made: Record = {"raw": leaf.raw, "value": value}
    limit = beyond(leaf.slot.limits, value) if leaf.slot.limits else ""
    words = (("unit", leaf.slot.unit), ("reason", reason), ("note", note), ("limit", limit))
    made |= {key: text for key, text in words if text}
    if not trusted:
        made["trusted"] = False
    return made
