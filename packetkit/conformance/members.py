"""A frame's raw codes as one row of whole numbers: what a target's struct or object holds, and what goes through a pipe.

Members are the slots of values (fields, flags, states, times, tags of several codes, characters) and the counts, as raw codes in wire
order, supplied fields before them; of a bundle, its first code and its differences. What no code tells has a number of its own where it
stands: how many elements a list to an end has, whether something is there that asks for remaining bytes, which variant the caller
means. A list whose elements say which is the last has none: it goes on up to that one, or to as many as there can be. A number that goes
on from octet to octet is the number itself (layout/numbered.py). What the other slots hold follows: constants, lengths, reserved bits and
fill (zero), checks. A detail record says the same in nested form.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Protocol

from packetkit.codec.record import put
from packetkit.conformance.faults import Chance
from packetkit.layout import beside
from packetkit.layout.bundle import codes_of, opened, raw_of
from packetkit.layout.joined import raw_codes
from packetkit.layout.model import (
    Branch,
    Choice,
    Continued,
    Layout,
    Measured,
    Node,
    Optional,
    Repeat,
    Run,
    computed_count,
    forget,
    is_told,
    ones_in_element,
    slots_of,
    tell_ones,
    told_branch,
)
from packetkit.layout.numbered import number_in, numbered, numbers_of, raw_for
from packetkit.layout.slots import Bundle, Range, Slot

Members = tuple[int, ...]
Own = Repeat | Optional | Choice  # a node with a number of its own

# Lists without a bound of their own are kept so short that frames stay below a radio's 255 bytes.
MOST_ELEMENTS = 5
WORD = (1 << 64) - 1


def is_member(slot: Slot) -> bool:
    """Return whether a target's record holds this slot's raw code."""
    return slot.is_value or slot.kind == "count"


def has_number(node: Node) -> bool:
    """Return whether a number of its own says of a node what no code tells."""
    if isinstance(node, Repeat):
        return node.runs_to_end
    return (isinstance(node, Optional) and node.by is None) or (isinstance(node, Choice) and not node.told_by)


# -- out of a record ---------------------------------------------------------------------------------------------------


def from_detail(layout: Layout, detail: Mapping[str, Any]) -> Members:
    """Return the members of a detail record."""
    supplied = [detail[slot.path[0]]["raw"] for slot in layout.supplied]
    return (*supplied, *_taken(layout.nodes, detail))


def _taken(nodes: Sequence[Node], given: Any) -> Iterator[int]:
    for node in nodes:
        if isinstance(node, (Run, Continued)):
            for slot in slots_of(node):
                if slot.kind == "bundle":
                    yield from codes_of(_bundle(slot), _at(given, slot.path)["raw"])
                elif is_member(slot):
                    yield number_in(slot, _at(given, slot.path)["raw"])
        elif isinstance(node, Measured):
            yield from _taken(node.body, given)
        elif isinstance(node, Repeat):
            elements = _elements(node, _at(given, node.path))
            if has_number(node):
                yield len(elements)
            for element in elements:
                yield from _taken(node.element, element)
        elif isinstance(node, Optional):
            yield from _taken_option(node, _at(given, node.path))
        elif isinstance(node, Choice):
            yield from _taken_branch(node, _at(given, node.path))


def _taken_option(node: Optional, body: Any) -> Iterator[int]:
    if has_number(node):
        yield int(body is not None)
    if body is not None:
        yield from _taken(node.body, body)


def _taken_branch(node: Choice, given: Any) -> Iterator[int]:
    ((name, body),) = given.items()
    chosen = next(at for at, branch in enumerate(node.all) if branch.name == name)
    if has_number(node):
        yield chosen
    yield from _taken(node.all[chosen].body, body)


def _bundled(slot: Slot, codes: Sequence[int]) -> int:
    """The code of a bundle; where one of those that it is made of does not fit its bits, one that does not fit the bundle's."""
    limits = [one.raw_limits for one in opened(slot)]
    fits = all(low <= code <= high for code, (low, high) in zip(codes, limits, strict=True))
    return raw_of(_bundle(slot), codes) if fits else 1 << slot.width


def _bundle(slot: Slot) -> Bundle:
    assert isinstance(slot.transform, Bundle)
    return slot.transform


def _elements(node: Repeat, given: Any) -> Sequence[Any]:
    """A list's elements; of a text or octets the codes, as elements."""
    if node.joined is None:
        elements: Sequence[Any] = given
        return elements
    return [{"raw": code} for code in raw_codes(node.joined, given["raw"], (1 << node.minimum_bits) - 1)]


def _at(given: Any, path: tuple[str, ...]) -> Any:
    """What stands at a path; a bare container is its own only value."""
    for key in path:
        given = given[key]
    return given


# -- into a record -----------------------------------------------------------------------------------------------------


class Source(Protocol):
    """Where the numbers of a record come from, asked for one after another."""

    def code(self, slot: Slot) -> int:
        """The raw code of a member."""

    def number(self, node: Own) -> int:
        """A node's own number."""

    def elements(self, node: Repeat, count: int) -> int:
        """How many elements there are of a list whose computed count is this."""

    def element(self, node: Repeat, number: int) -> None:
        """Told that an element of this number, counted from 0, follows in a list whose elements say which is the last."""

    def astray(self, node: Choice) -> None:
        """Told that no variant is meant by the codes so far."""


def record(layout: Layout, source: Source) -> dict[str, Any]:
    """Return the record of the numbers that a source gives, each as {"raw": n}."""
    known: dict[int, int] = {}
    made: dict[str, Any] = {}
    for slot in layout.supplied:
        known[slot.number] = source.code(slot)
        made[slot.path[0]] = {"raw": known[slot.number]}
    inner: dict[str, Any] = _made(layout.nodes, source, known, bare=False)
    return made | inner


def _made(nodes: Sequence[Node], source: Source, known: dict[int, int], *, bare: bool) -> Any:
    made: dict[Any, Any] = {}
    _make(made, nodes, source, known)
    return made.get((), {}) if bare else made


def _make(made: dict[Any, Any], nodes: Sequence[Node], source: Source, known: dict[int, int]) -> None:
    for node in nodes:
        if isinstance(node, (Run, Continued)):
            for slot in slots_of(node):
                _make_slot(made, slot, source, known)
        elif isinstance(node, Measured):
            _make(made, node.body, source, known)
        elif isinstance(node, Repeat):
            put(made, node.path, _list(node, source, known))
        elif isinstance(node, Optional):
            put(made, node.path, _option(node, source, known))
        elif isinstance(node, Choice):
            branch = _branch(node, source, known)
            if branch is None:
                source.astray(node)
            else:
                put(made, node.path, {branch.name: _made(branch.body, source, known, bare=branch.bare)})


def _make_slot(made: dict[Any, Any], slot: Slot, source: Source, known: dict[int, int]) -> None:
    if slot.kind == "bundle":
        put(made, slot.path, {"raw": _bundled(slot, [source.code(one) for one in opened(slot)])})
    elif is_member(slot):
        number = source.code(numbered(slot))
        raw = raw_for(slot, number)
        known[slot.number] = (
            number if slot.kind == "count" else raw
        )  # what is told by a number asks for raw codes
        put(made, slot.path, {"raw": raw})
    elif slot.codes:
        known[slot.number] = slot.codes[0].low


def _option(node: Optional, source: Source, known: dict[int, int]) -> Any:
    there = source.number(node) if node.by is None else is_told(node, known)
    if there:
        return _made(node.body, source, known, bare=node.bare)
    forget(node, known)
    return None


def _list(node: Repeat, source: Source, known: dict[int, int]) -> Any:
    if node.own_end is not None:
        elements = list(_ended(node, source, known))
    else:
        elements = [_element(node, source, known) for _ in range(_count(node, source, known))]
    tell_ones(node, sum(ones for _, ones in elements), known)
    made = [one for one, _ in elements]
    return made if node.joined is None else {"raw": [one["raw"] for one in made]}


def _element(node: Repeat, source: Source, known: dict[int, int]) -> tuple[Any, int]:
    """An element, and how many of its bits are one where it is a single field."""
    return _made(node.element, source, known, bare=node.bare), ones_in_element(node, known)


def _ended(node: Repeat, source: Source, known: dict[int, int]) -> Iterator[tuple[Any, int]]:
    """Elements up to the one that says that it is the last, or as many as there can be."""
    assert node.own_end is not None and node.maximum is not None
    for number in range(node.maximum):
        source.element(node, number)
        yield _element(node, source, known)
        if _holds(known[node.own_end.by], node.own_end.codes):
            return


def _count(node: Repeat, source: Source, known: dict[int, int]) -> int:
    """How many elements there are, told before them."""
    if node.count is not None:
        return node.count
    if node.counted_by is not None:
        return known[node.counted_by]
    return source.elements(node, computed_count(node, known)) if node.factors else source.number(node)


def _branch(node: Choice, source: Source, known: dict[int, int]) -> Branch | None:
    if node.told_by:
        return told_branch(node, [known[number] for number in node.told_by])
    number = source.number(node)
    return node.branches[number] if number < len(node.branches) else None


def _holds(raw: int, codes: Sequence[Range]) -> bool:
    return any(raw in one for one in codes)


class Row:
    """Members that are there already. Raises ValueError for a row that no record has; places: whose each was, as they are taken."""

    def __init__(self, layout: Layout, members: Sequence[int]) -> None:
        self.layout = layout
        self.size = len(members)
        self.left = list(reversed(members))
        self.places: list[Slot | Own] = []
        self.taken: list[int] = []

    def next(self, place: Slot | Own) -> int:
        if not self.left:
            raise ValueError(f"{self.size} members end before the frame {self.layout.name} does")
        self.places.append(place)
        self.taken.append(self.left.pop())
        return self.taken[-1]

    def code(self, slot: Slot) -> int:
        raw = self.next(slot)
        return raw - (1 << 64) if slot.signed and raw >> 63 > 0 else raw

    def number(self, node: Own) -> int:
        return self.next(node)

    def elements(self, node: Repeat, count: int) -> int:
        if count < 0 or (node.maximum is not None and count > node.maximum):
            raise ValueError(f"{node.address} would have {count} elements")
        return count

    def element(self, node: Repeat, number: int) -> None:
        """Members that are there already say how many elements there are."""

    def astray(self, node: Choice) -> None:
        raise ValueError(f"{node.address} has no variant for these codes")


def to_detail(layout: Layout, members: Sequence[int]) -> dict[str, Any]:
    """Return the record of these members, each as {"raw": n}: it encodes to the frame that a target makes of them.

    Raises ValueError where there are too few of them or too many, or where they mean no list or variant.
    """
    return coded(layout, members)[0]


def coded(layout: Layout, members: Sequence[int]) -> tuple[dict[str, Any], list[tuple[Slot, int]]]:
    """Return the record of these members, as to_detail, and the members that are codes, each with its slot."""
    row = Row(layout, members)
    made = record(layout, row)
    if row.left:
        raise ValueError(
            f"{len(row.left)} of {len(members)} members are left over after the frame {layout.name}"
        )
    places = zip(row.places, members, strict=True)
    return made, [(place, raw) for place, raw in places if isinstance(place, Slot)]


def slots(layout: Layout, members: Sequence[int]) -> Iterator[Slot | None]:
    """Yield the slot of each member; None for a node's own number.

    Codes of signed slots may still be 64 bits of two's complement. Raises ValueError for a row that no record has.
    """
    row = Row(layout, members)
    record(layout, row)
    yield from (place if isinstance(place, Slot) else None for place in row.places)


# -- what decoding is told beside the bytes ----------------------------------------------------------------------------


def told_size(layout: Layout) -> int:
    """Return how many octets stand before a frame that is asked to be decoded: 8 for each thing that decoding is told."""
    return 8 * (len(layout.supplied) + len(_outside(layout)))


def _outside(layout: Layout) -> list[Choice]:
    return [node for node in layout.walk() if isinstance(node, Choice) and not node.told_by]


def told(layout: Layout, members: Sequence[int]) -> bytes:
    """Return what decoding is told of the frame of these members: supplied codes, then variants that come from outside."""
    if not told_size(layout):
        return b""
    row = Row(layout, members)
    record(layout, row)
    found = {
        place.address: number
        for place, number in zip(row.places, row.taken, strict=True)
        if isinstance(place, Choice)
    }
    words = [*row.taken[: len(layout.supplied)], *(found.get(node.address, 0) for node in _outside(layout))]
    return struct.pack(f"<{len(words)}Q", *(one & WORD for one in words))


def untold(layout: Layout, subject: bytes) -> tuple[bytes, dict[str, str], dict[str, int]]:
    """Return the bytes of a frame, the variants and the supplied codes that stand before it. Raises ValueError where those are none."""
    size = told_size(layout)
    if len(subject) < size:
        raise ValueError(f"{len(subject)} octets, and {size} say what decoding is told")
    words = struct.unpack_from(f"<{size // 8}Q", subject)
    known, variants = {}, {}
    for slot, word in zip(layout.supplied, words, strict=False):
        known[slot.path[0]] = word - (1 << 64) if slot.signed and word >> 63 else word
    for node, word in zip(_outside(layout), words[len(layout.supplied) :], strict=True):
        if word >= len(node.branches):
            raise ValueError(f"{node.address} has no variant {word}")
        variants[node.address] = node.branches[word].name
    return subject[size:], variants, known


# -- at random ---------------------------------------------------------------------------------------------------------


def drawn(layout: Layout, chance: Chance, most: int = MOST_ELEMENTS) -> Members:
    """Return members at random, each any code that its bits hold, edges often; counts and tags only what a frame may have."""
    return drawn_record(layout, chance, most)[0]


def drawn_record(
    layout: Layout, chance: Chance, most: int = MOST_ELEMENTS
) -> tuple[Members, dict[str, Any] | None]:
    """Return members as `drawn`, and their record, as to_detail; None where the codes that were drawn do not suit each other."""
    for _ in range(_TRIES):
        drawing = _Drawing(layout, chance, most)
        made = record(layout, drawing)
        if not drawing.is_astray:
            return tuple(drawing.members), made
    return tuple(drawing.members), None


_TRIES = 50  # the codes that a computed count asks for, or several tellers together, may not suit each other
_ROOM = 255 * 8  # bits of elements whose number is computed


class _Drawing:
    """Numbers at random, noted as they are given."""

    def __init__(self, layout: Layout, chance: Chance, most: int) -> None:
        self.chance = chance
        self.most = most
        self.members: list[int] = []
        self.variants: dict[str, int] = {}
        self.is_astray = False
        self.asked: dict[int, list[Range]] = {}
        self.factors: set[int] = set()
        self.last: dict[
            int, tuple[Range, ...]
        ] = {}  # codes that a slot is to have, as no other element may follow
        for node in layout.walk():
            if isinstance(node, Optional) and node.by is not None:
                self.ask(layout, node.by, node.codes)
            elif isinstance(node, Choice):
                for branch in node.branches:
                    for by, codes in zip(node.told_by, branch.codes, strict=True):
                        self.ask(layout, by, codes)
            elif isinstance(node, Run):
                for slot in node.slots:
                    for number in slot.tellers:
                        self.asked.setdefault(number, []).extend(beside.asked(slot, number))
            elif isinstance(node, Repeat):
                self.factors.update(factor.by for factor in node.factors if not factor.ones)
                if node.own_end is not None:
                    self.asked.setdefault(node.own_end.by, []).extend(node.own_end.codes)

    def ask(self, layout: Layout, by: int, codes: tuple[Range, ...]) -> None:
        """Have a slot's codes drawn often by which something is told."""
        slot = layout.slots[by] if by >= 0 else layout.supplied[-1 - by]
        self.asked.setdefault(by, []).extend(numbers_of(slot, codes))

    def noted(self, number: int) -> int:
        self.members.append(number)
        return number

    def code(self, slot: Slot) -> int:
        return self.noted(self.any_code(slot))

    def any_code(self, slot: Slot) -> int:
        """Any code of a slot; where something is told by it, every other time one that is asked for."""
        chance, last = self.chance, self.last.pop(slot.number, None)
        asked = last or self.asked.get(slot.number)
        ranges: Sequence[Range] = slot.codes or (Range(*slot.raw_limits),)
        if slot.kind == "count":
            top = slot.raw_limits[1] if slot.maximum_count is None else slot.maximum_count
            return chance.randint(0, min(top, self.most))
        if slot.number in self.factors and not slot.codes:
            return chance.randint(0, min(slot.raw_limits[1], 3))
        if asked and (last or chance.randint(0, 1)):
            fitting = [codes for codes in asked if not slot.codes or _holds(codes.low, slot.codes)]
            ranges = fitting or ranges
        codes = chance.choice(ranges)
        edges = (codes.low, codes.high, 0, -1, 1, codes.low + 1, codes.high - 1)
        edge = chance.choice([code for code in edges if code in codes])
        code = edge if chance.randint(0, 1) else chance.randint(codes.low, codes.high)
        return code if not slot.codes or _holds(code, slot.codes) else codes.low

    def number(self, node: Own) -> int:
        chance = self.chance
        if isinstance(node, Choice):
            several = len(node.branches) - 1
            return self.noted(self.variants.setdefault(node.address, chance.randint(0, several)))
        if isinstance(node, Optional):
            return self.noted(int(chance.randint(0, 3) > 0))
        if node.joined is not None and node.joined.form == "bits":
            spare = node.joined.spare_bits
            return self.noted(8 * chance.randint(1 if spare else 0, self.most) - spare)
        if node.as_fits and node.maximum and chance.randint(0, 3):
            return self.noted(node.maximum)  # all but the last are full
        return self.noted(
            chance.randint(0, self.most if node.maximum is None else min(self.most, node.maximum))
        )

    def elements(self, node: Repeat, count: int) -> int:
        fits = 0 <= count <= (_ROOM // node.minimum_bits if node.maximum is None else node.maximum)
        if not fits or count * node.minimum_bits > _ROOM:
            self.is_astray = True
            return 0
        return count

    def element(self, node: Repeat, number: int) -> None:
        if node.own_end is not None and number + 1 >= min(self.most, node.maximum or 1):
            self.last[node.own_end.by] = node.own_end.codes

    def astray(self, node: Choice) -> None:
        self.is_astray = True
