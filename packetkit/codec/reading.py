"""From octets to raw codes, slot by slot, in a tree of the record's shape; what the codes mean is nobody's business here.

Strategy: one pass in wire order. What has been read tells how often lists stand, which parts are there and where measured ones end;
every bit is known to be there before it is read, and every list to fit before it is kept. So the structure's own errors (a frame too
short, a count or a length that cannot be, a variant that is none) are found, and worded, on the way.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from packetkit.codec import bits
from packetkit.codec.bits import Words
from packetkit.codec.tree import Chosen, Leaf, Listed, Maybe, Part, Scope, located, product_of
from packetkit.errors import BadCount, BadLength, DecodeError, ShortFrame, UnknownVariant, counted
from packetkit.layout.coding import CODINGS
from packetkit.layout.first_bits import FirstBits
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
    bits_behind,
    slots_of,
    told_branch,
)
from packetkit.layout.slots import Packing, Slot

Known = Mapping[str, int]  # raw codes of supplied fields, by name
Variants = Mapping[str, str]  # the address of each part that is told from outside, and its variant's name


class Found(NamedTuple):
    """What was read of one frame: its slots in wire order, its runs of words, how many octets it has, what stopped the reading."""

    leaves: list[Leaf]
    words: list[Words]
    used: int
    failure: DecodeError | None


def read(layout: Layout, data: bytes, variants: Variants | None = None) -> Found:
    """Return every slot of a frame that could be read, with its place, whatever its checks and constants say."""
    reading = Reading(layout, data, variants)
    failure: DecodeError | None = None
    try:
        reading.read()
    except DecodeError as error:
        failure = error
    return Found(reading.leaves, reading.words, reading.used, failure)


@dataclass(slots=True)
class _Limit:
    """A measured part being read: where it starts, and where it ends once its length is known."""

    node: Measured
    start: int
    address: str
    end: int | None = None


class Reading:
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
        self.summed = {
            one.by
            for node in layout.walk()
            if isinstance(node, Repeat)
            for one in node.factors
            if one.in_list
        }
        self.scope = Scope(None)
        self.supplied = {slot.number: _supplied(slot, self.scope, known or {}) for slot in layout.supplied}
        self.unknown = {slot.number for slot in layout.supplied if slot.path[0] not in (known or {})}
        _refuse_strangers(layout, self.variants, known or {})
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
            elif isinstance(node, Continued):
                at = self.continued(node, at, indices, scope, parts)
            elif isinstance(node, Repeat):
                at = self.repeat(node, at, indices, scope, parts)
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

    def repeat(self, node: Repeat, at: int, indices: tuple[int, ...], scope: Scope, parts: list[Part]) -> int:
        """Read the elements of a list: as many as are counted, or one after another until there is no more."""
        told = not node.several_sizes and node.own_end is None
        count = self.count(node, at, indices, scope) if told else None
        elements: list[list[Part]] = []
        inner = scope
        while (
            self.goes_on(node, at, located(node.address, indices), len(elements), inner)
            if count is None
            else len(elements) < count
        ):
            inner = Scope(scope)
            element, at = self.nodes(node.element, at, (*indices, len(elements)), inner)
            elements.append(element)
        parts.append(Listed(node, elements))
        for slot in slots_of(node.element[0]) if node.bare else ():
            if slot.number in self.summed:
                scope.listed[slot.number] = [
                    leaf for one in elements for leaf in one if isinstance(leaf, Leaf)
                ]
        return at

    def goes_on(self, node: Repeat, at: int, path: str, number: int, last: Scope) -> bool:
        """Whether another element follows so many, the last of which is known in its scope."""
        if node.own_end is None:
            if self.stop() - self.behind(node, last) - at < node.minimum_bits:
                return False
        elif number and any(last.leaf(node.own_end.by).raw in codes for codes in node.own_end.codes):
            return False
        if node.maximum is not None and number >= node.maximum:
            text = f"{path} goes on after {number} elements, the most that the schema allows"
            raise BadCount(text, path=path, bit=at)
        return True

    def is_there(self, node: Optional, at: int, scope: Scope) -> bool:
        if node.by is None:
            return self.stop() - self.behind(node, scope) - at > 0
        if node.told_in_option and not scope.knows(node.by):
            return False
        raw = scope.leaf(node.by).raw
        return any(raw in codes for codes in node.codes)

    @staticmethod
    def behind(node: Repeat | Optional, scope: Scope) -> int:
        """The bits behind what runs to an end, as what was read tells."""
        if not node.trailers:
            return node.trailer_bits
        asked = {by for one in node.trailers for by, _ in one.told}
        return bits_behind(node, {by: scope.leaf(by).raw for by in asked if scope.knows(by)})

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
                f"{leaf.address} {leaf.number if leaf.slot.is_continued else leaf.raw}"
                for leaf in map(scope.leaf, node.told_by)
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
        size = limit.node.bits_of(leaf.number)
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
            self.heed(leaf)
        return at + node.size_bits

    def heed(self, leaf: Leaf) -> None:
        """Hold a count against its maximum; note where a part ends whose length stands in it."""
        slot = leaf.slot
        if slot.maximum_count is not None and leaf.number > slot.maximum_count:
            text = f"{leaf.address} is {leaf.number}, but the schema allows {slot.maximum_count} at most"
            raise BadCount(text, path=leaf.address, bit=leaf.bit)
        if slot.kind == "length" and not slot.codes:
            for limit in self.limits:
                if limit.node.by == slot.number and limit.end is None:
                    self.told(limit, leaf)

    def continued(
        self, node: Continued, at: int, indices: tuple[int, ...], scope: Scope, parts: list[Part]
    ) -> int:
        """Read a number that goes on from octet to octet, up to the one that says that it is the last."""
        path, stop, end = located(node.slot.address, indices), self.stop(), at
        first = CODINGS[node.slot.coding].first
        if first is not None:
            leaf = self.leaf(node.slot, indices, at, 0, self.told_size(first, path, at), Packing.MOST, scope)
            parts.append(leaf)
            self.heed(leaf)
            return at + leaf.width
        while end + 8 <= stop and self.data[end // 8] & 0x80:
            end += 8
            if end - at == node.slot.width:
                text = f"{path} goes on after {node.slot.width // 8} octets, the most that it has"
                raise BadLength(text, path=path, bit=at)
        end += 8
        leaf = self.leaf(node.slot, indices, at, 0, end - at, Packing.MOST, scope)
        parts.append(leaf)
        self.heed(leaf)
        return end

    def told_size(self, first: FirstBits, path: str, at: int) -> int:
        """The bits of a number whose first bits say it."""
        if at + first.bits > self.stop():
            raise self.overrun(path, at, first.bits)
        code = bits.read(self.data, Packing.MOST, at, 0, first.bits)
        form = first.form_of(code)
        if form is None:
            raise BadLength(f"{path} begins with {code:#x}, which is none of its forms", path=path, bit=at)
        return first.bits + form.bits

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
        ends = f"{counted(len(self.data), 'byte')} {'ends' if len(self.data) == 1 else 'end'}"
        text = f"{self.layout.name}: {ends} before {path} does: {needed}"
        return ShortFrame(text, path=path, bit=bit)

    def count(self, node: Repeat, at: int, indices: tuple[int, ...], scope: Scope) -> int:
        """How many elements a repeat has here: nothing is read, let alone kept, before they are known to fit."""
        path = located(node.address, indices)
        if node.count is not None:
            count = node.count
        elif node.counted_by is not None:
            count = scope.leaf(node.counted_by).number
        else:
            if node.factors:
                count = product_of(node, scope)
            else:
                count = max(0, self.stop() - self.behind(node, scope) - at) // node.minimum_bits
                count = min(count, node.maximum or 0) if node.as_fits else count
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


def _refuse_strangers(layout: Layout, variants: Variants, known: Known) -> None:
    """Raise ValueError for names that are given and are none: of supplied fields, of parts that are told from outside."""
    fields = [slot.path[0] for slot in layout.supplied]
    strange = sorted(map(str, known.keys() - set(fields)))
    if strange:
        raise ValueError(f"{layout.name} is supplied with no {' and no '.join(strange)}{_those(fields)}")
    parts = outside_parts(layout) if variants else []
    strange = sorted(map(str, variants.keys() - set(parts)))
    if strange:
        raise ValueError(
            f"{' and '.join(strange)} is no part of {layout.name} that is told from outside{_those(parts)}"
        )


def outside_parts(layout: Layout) -> list[str]:
    """Return the addresses of the parts whose variant is told from outside."""
    return [node.address for node in layout.walk() if isinstance(node, Choice) and not node.told_by]


def _those(names: list[str]) -> str:
    """What there is instead: `: station`."""
    return f": {', '.join(names)}" if names else ": there is none"


def _supplied(slot: Slot, scope: Scope, known: Known) -> Leaf:
    """A field without bits, with its code where that is known; known to the whole frame."""
    is_known = slot.path[0] in known
    raw = known.get(slot.path[0], 0)
    low, high = slot.raw_limits
    if isinstance(raw, bool) or not isinstance(raw, int) or not low <= raw <= high:
        raise ValueError(f"{slot.address} is known as {raw!r}, but {slot.width} bits hold {low} to {high}")
    scope.leaves[slot.number] = Leaf(slot, (), -1, 0, 0, slot.width, Packing.MOST, scope, raw, is_known)
    return scope.leaves[slot.number]
