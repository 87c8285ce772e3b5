"""Fields that stand one after another, prepared for words of struct.

A stretch is made of neighbouring runs, and of fixed repeats written out. It is split into parts that begin at whole octets and are
read in one order: a number whose octets are reversed lies, if it is whole octets, as a natural one would under the other packing, and
a field inside one octet lies in both. So a frame of little-endian numbers and flags becomes one part, packed from the low end.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

from packetkit.codec.source import literal
from packetkit.layout.ieee import QUIET_NAN
from packetkit.layout.model import Fill, Node, Repeat, Run, tellers, walk
from packetkit.layout.slots import Packing, Slot

# A fixed repeat of so many fields in all is written out; a longer one is a loop.
UNROLLED = 256


@dataclass(eq=False, slots=True)
class Spot:
    """A slot in a stretch: its first bit there, and in generated text what stands for its value (or its code).

    A split value is a spot of its own for each piece, of a slot of kind `piece`, whose text is its bits; lift: bits of the value below it.
    """

    slot: Slot
    offset: int
    text: str = ""
    lift: int = 0
    pieces: tuple[Spot, ...] = ()


@dataclass(slots=True)
class Elements:
    """The elements of a repeat that was written out."""

    bare: bool
    each: list[Entries]


Entries = list[tuple[tuple[str, ...], "Spot | Elements | str"]]


@dataclass(slots=True)
class Stretch:
    """Slots one after another in one packing. over: bits into its first octet, if known. starts: each node's number, bit."""

    packing: Packing
    over: int | None = None
    size: int = 0
    spots: list[Spot] = field(default_factory=list)
    starts: list[tuple[int, int]] = field(default_factory=list)
    split: list[Spot] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Placed:
    """A spot in a part: its first bit there, and its slot as it is read in that part's order."""

    start: int
    slot: Slot
    spot: Spot

    @property
    def end(self) -> int:
        return self.start + self.slot.width


@dataclass(frozen=True, slots=True)
class Part:
    """Whole octets of a stretch in one order. octet: its first one, counted from the stretch's. word: bits of its words."""

    octet: int
    octets: int
    low_first: bool
    word: int | None
    fields: tuple[Placed, ...]


@dataclass(frozen=True, slots=True)
class Group:
    """Bits that are read at once: one field, or several small ones of an octet."""

    start: int
    width: int
    fields: tuple[Placed, ...]


def collect(nodes: tuple[Node, ...], at: int = 0) -> tuple[int, Stretch, Entries] | None:
    """Return the longest stretch from nodes[at] on: the index after it, the stretch, and what a record holds of it."""
    made: Stretch | None = None
    entries: Entries = []
    while at < len(nodes):
        packing = _packing(nodes[at])
        if packing is None or (made is not None and packing is not made.packing):
            break
        made = made or Stretch(packing, residue(nodes[at]))
        write_out(nodes[at], made, entries)
        at += 1
    return None if made is None else (at, made, entries)


def residue(node: Node) -> int | None:
    """Return how many bits into its octet a node starts, where that is known."""
    if isinstance(node, Fill):
        return None
    return node.residue if node.at is None else node.at % 8


def _packing(node: Node) -> Packing | None:
    """The packing of a run, or of a fixed repeat that can be written out; None for anything else."""
    if isinstance(node, Run):
        return node.packing
    if not isinstance(node, Repeat) or not node.is_fixed or node.count is None or node.joined is not None:
        return None
    inner = {_packing(one) for one in node.element}
    if len(inner) != 1 or None in inner or node.count * sum(map(_slots, node.element)) > UNROLLED:
        return None
    if any(isinstance(one, Run) and any(slot.check for slot in one.slots) for one in walk(node.element)):
        return None  # each element's check has a place of its own
    if any(tellers(one) for one in walk(node.element) if isinstance(one, Run)):
        return None  # each element's codes may mean what others of its own say
    return inner.pop()


def _slots(node: Node) -> int:
    if isinstance(node, Run):
        return len(node.slots) + 1
    assert isinstance(node, Repeat)
    assert node.count is not None
    return node.count * sum(map(_slots, node.element))


def write_out(node: Node, into: Stretch, entries: Entries) -> None:
    """Add a run's slots, or a fixed repeat's elements one by one, to a stretch."""
    if isinstance(node, Run):
        into.starts.append((node.number, into.size))
        for slot in node.slots:
            spot = Spot(slot, into.size + slot.offset_bits)
            if slot.pieces:
                spot.pieces = _pieces(slot, into.size)
                into.split.append(spot)
            into.spots += spot.pieces or (spot,)
            if slot.is_value:
                entries.append((slot.path, spot))
        if any(slot.pieces for slot in node.slots):
            into.spots.sort(key=lambda spot: spot.offset)
        into.size += node.size_bits
    elif isinstance(node, Repeat):
        assert node.count is not None
        into.starts.append((node.number, into.size))
        made = write_elements(node, node.count, into)
        entries.append((node.path, made))


def _pieces(slot: Slot, at: int) -> tuple[Spot, ...]:
    """The pieces of a split slot of a run that starts at a bit of the stretch."""
    made, left = [], slot.width
    for offset, width in slot.pieces:
        left -= width
        piece = Slot(slot.number, (), slot.address, "piece", offset, width)
        made.append(Spot(piece, at + offset, lift=left))
    return tuple(made)


def write_elements(node: Repeat, count: int, into: Stretch) -> Elements:
    """Add so many elements of a repeat to a stretch."""
    made = Elements(node.bare, [])
    for _ in range(count):
        made.each.append([])
        for inner in node.element:
            write_out(inner, into, made.each[-1])
    return made


def flattened(entries: Entries) -> list[tuple[tuple[str, ...], str]]:
    """Return what a record holds as texts by path."""
    flat = []
    for path, what in entries:
        if isinstance(what, Spot):
            text = what.text
        elif isinstance(what, Elements):
            text = "[" + ", ".join(record_text(one, bare=what.bare) for one in what.each) + "]"
        else:
            text = what
        flat.append((path, text))
    return flat


def record_text(entries: Entries, *, bare: bool) -> str:
    """Return the text of a record made of what spots and variables stand for."""
    return literal(flattened(entries), bare=bare)


# -- parts -----------------------------------------------------------------------------------------


def parts(stretch: Stretch, over: int) -> list[Part]:
    """Return a stretch, which begins `over` bits into its first octet, as parts that are read in one order each."""
    placed = [Placed(spot.offset + over, spot.slot, spot) for spot in stretch.spots]
    octets = -(-(over + stretch.size) // 8)
    word = stretch.packing.word_bits
    low_first = stretch.packing is Packing.LEAST
    if word is not None or not any(one.slot.octets_reversed for one in placed):
        return [Part(0, octets, low_first, word, tuple(placed))]
    made: list[Part] = []
    for other, fields in _alike(placed):
        first, last = fields[0].start // 8, -(-fields[-1].end // 8)
        order = low_first is not other
        shifted = [replace(one, start=one.start - first * 8) for one in fields]
        if other:
            shifted = [_as_in_the_other_order(one) for one in shifted]
        made.append(Part(first, last - first, order, None, tuple(shifted)))
    return made


def reals(part: Part) -> frozenset[tuple[int, int]]:
    """Return the first bit and width of IEEE numbers in a part that struct can read and write as such."""
    if part.word is not None:
        return frozenset()
    return frozenset(
        (one.start, one.slot.width) for one in part.fields if one.start % 8 == 0 and _is_real(one.slot)
    )


def _is_real(slot: Slot) -> bool:
    """Whether an IEEE slot has no codes of its own but the quiet NaN, which struct reads and writes as it is."""
    if slot.kind != "float" or slot.octets_reversed or slot.bits_reversed:
        return False
    return all(one.low == one.high == QUIET_NAN[slot.width] for one in slot.specials)


def _alike(placed: list[Placed]) -> Iterator[tuple[bool, list[Placed]]]:
    """Split fields at octet boundaries into those read in the packing's own order and those read in the other."""
    order: bool | None = None
    held: list[Placed] = []
    for atom in _atoms(placed):
        inside = all(one.start // 8 == (one.end - 1) // 8 for one in atom)
        other = len(atom) == 1 and atom[0].slot.octets_reversed and atom[0].start % 8 == 0
        if not inside and order is not None and order is not other:
            yield order, held
            held = []
        if not inside:
            order = other
        held += atom
    if held:
        yield bool(order), held


def _atoms(placed: list[Placed]) -> Iterator[list[Placed]]:
    """Fields between one octet boundary and the next that none of them crosses."""
    atom: list[Placed] = []
    for one in placed:
        atom.append(one)
        if one.end % 8 == 0:
            yield atom
            atom = []
    if atom:
        yield atom


def _as_in_the_other_order(one: Placed) -> Placed:
    """The same bits, seen as under the other packing: reversed octets are natural there; within an octet the ends swap."""
    if one.slot.octets_reversed:
        return Placed(one.start, replace(one.slot, octets_reversed=False), one.spot)
    octet = one.start // 8 * 8
    return replace(one, start=octet + 8 - (one.start - octet) - one.slot.width)


def groups(part: Part, is_wanted: Callable[[Slot], bool], is_small: Callable[[Slot], bool]) -> list[Group]:
    """Return the bits of a part to read: small fields that have an octet's wanted bits to themselves, together; others alone."""
    wanted = sorted((one for one in part.fields if is_wanted(one.slot)), key=lambda one: one.start)
    by_octet: dict[int, list[Placed]] = {}
    for one in wanted:
        for octet in range(one.start // 8, (one.end - 1) // 8 + 1):
            by_octet.setdefault(octet, []).append(one)
    made: dict[int, Group] = {}
    for octet, fields in by_octet.items():
        small = [one for one in fields if one.start // 8 == (one.end - 1) // 8 and is_small(one.slot)]
        between = fields[fields.index(small[0]) : fields.index(small[-1]) + 1] if small else []
        if len(small) > 1 and between == small:
            start, end = small[0].start, small[-1].end
            if small == fields:  # the octet's other bits are nobody's: no need to cut them off
                start, end = octet * 8, octet * 8 + 8
            made[octet] = Group(start, end - start, tuple(small))
    grouped = {one.spot for group in made.values() for one in group.fields}
    alone = [Group(one.start, one.slot.width, (one,)) for one in wanted if one.spot not in grouped]
    return sorted([*made.values(), *alone], key=lambda group: group.start)
