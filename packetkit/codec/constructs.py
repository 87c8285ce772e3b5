"""A layout as an object of the library `construct`: to embed in one's own, and a second judge of the codec.

    from construct import Bytes, Struct
    from packetkit.codec import constructs

    message = Struct("header" / Bytes(4), "telemetry" / constructs.build(layout))

parses `header` and then one frame, and builds both. The object keeps to construct's manners: it raises
ConstructError and nothing else, whatever the bytes or the record; bytes after a frame are left to whoever
comes next (`Terminated` refuses them); a frame of fixed size has a `sizeof()`. One that varies needs a stream
that can seek; one that runs to the end takes all it is given, so wrap it in `Prefixed` or `FixedSized`.
`compile()` works and is no faster, because construct runs bit fields interpreted.

Strategy: octets become a stream of bits, as in construct's own Bitwise, and every field is a native class on
it. Least significant bit first is the bits of each octet swapped; words are their octets swapped; a number
read from its low end is ByteSwapped in the stream of bits. A group is a Struct, a repeat an Array, an optional
an IfThenElse, a count a Rebuild, a check a Checksum (behind a Pointer where it stands before what it covers,
as construct's manual has it). What a code means is `layout.number`'s to say.

What would surprise a reader: fields that are no values (constants, counts, checks, reserved bits) are members
with two underscores before their names, dropped from what parsing returns. Raw codes that others ask for and
the starts of marked nodes are kept in one `_Progress` among the context's parameters, because construct's
contexts forget a group once it is over.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from itertools import groupby
from typing import Any

from construct import (
    Array,
    BitsInteger,
    Bytes,
    ByteSwapped,
    Checksum,
    Computed,
    Const,
    Construct,
    Container,
    ExprAdapter,
    ExprSymmetricAdapter,
    ExprValidator,
    FixedSized,
    FocusedSeq,
    If,
    IfThenElse,
    Pass,
    Pointer,
    Rebuild,
    Restreamed,
    Seek,
    Struct,
    Tell,
    Terminated,
    Transformed,
    ValidationError,
)
from construct.core import stream_size, stream_tell
from construct.lib import (
    bits2bytes,
    bits2integer,
    bytes2bits,
    integer2bits,
    swapbitsinbytes,
    swapbytes,
    swapbytesinbits,
)

from packetkit.errors import Unsupported
from packetkit.integrity import crc
from packetkit.layout import number
from packetkit.layout.model import (
    Check,
    Choice,
    Fill,
    Layout,
    Linear,
    Mark,
    Measured,
    Node,
    Optional,
    Packing,
    Range,
    Repeat,
    Run,
    Slot,
    walk,
)
from packetkit.layout.shown import shown

# construct neither prints nor compares keys that begin with an underscore; its own have one.
_HIDDEN = "__"
_STATE = "_packetkit"


class _Absent:
    """What a record says of a key that it does not have: None is a value."""


_ABSENT = _Absent()


def build(layout: Layout) -> Construct:
    """Return the construct whose parse(data) gives a frame's plain record and whose build(record) its bytes.

    parse returns a Container equal to packetkit's plain record, key by key; `record` makes it a plain dict.
    build takes a plain or a detail record: what fills itself may be left out or must agree, and unknown keys
    are refused. Both raise ConstructError (ValidationError, ConstError, ChecksumError, StreamError and so on)
    and nothing else. Raises Unsupported, with every reason, where `refusals` has any.
    """
    refused = refusals(layout)
    if refused:
        raise Unsupported("construct", refused)
    return _Maker(layout).frame()


def refusals(layout: Layout) -> tuple[tuple[str, str], ...]:
    """Return (address, reason) of all in a layout that construct's classes cannot express; mostly none."""
    # The same reason for the same field is given once.
    beyond = tuple(_beyond(layout))
    return beyond or tuple(dict.fromkeys(_Plan(layout).refusals()))


def _beyond(layout: Layout) -> Iterator[tuple[str, str]]:
    """What has no construct object yet, by name; then nothing further is asked."""
    for node in layout.walk():
        if isinstance(node, Measured):
            yield node.address or layout.name, "a length field measures it"
        elif isinstance(node, Choice):
            yield node.address, "it has variants"
        elif isinstance(node, Optional) and node.by is None:
            yield node.address, "it is there when bytes remain"
        elif isinstance(node, Repeat) and node.joined is not None:
            yield node.address, "its characters are joined to one value"
        elif isinstance(node, Repeat) and node.factors:
            yield node.address, "its count is computed"
    for slot in layout.slots:
        if slot.kind == "bundle":
            yield slot.address, "its samples are differences"
        if slot.tellers:
            yield slot.address, "another field says what its code means"


def record(container: Any) -> Any:
    """Return what parse gave as plain dicts, lists and values, as Frame.decode does."""
    if isinstance(container, dict):
        return {key: record(value) for key, value in container.items() if not str(key).startswith("_")}
    return [record(value) for value in container] if isinstance(container, list) else container


# -- the frame as a tree of groups ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Leaf:
    """A slot, a fill, a repeat, an optional, or a run without slots (a mark). first: its node starts with it."""

    key: str
    node: Node
    slot: Slot | None
    first: bool

    @property
    def is_value(self) -> bool:
        """Whether it is part of a plain record: what repeats or may be absent always is."""
        if isinstance(self.node, (Repeat, Optional)):
            return True
        return isinstance(self.node, Run) and self.slot is not None and self.slot.is_value


@dataclass(frozen=True, slots=True, eq=False)
class _Group:
    """A mapping of the record: its members in wire order, and the packing that its own slots have."""

    key: str
    address: str
    members: tuple[_Leaf | _Group, ...]
    packing: Packing

    @property
    def is_value(self) -> bool:
        return any(member.is_value for member in self.members)


def _container(of: Layout | Repeat | Optional, outer: Packing) -> _Group:
    """The mapping that a frame is, or an element of a repeat, or the body of an optional."""
    if isinstance(of, Layout):
        address, nodes = "", of.nodes
    else:
        address, nodes = of.address + ("[]" if isinstance(of, Repeat) else ""), _inner(of)
    return _group("", address, [entry for node in nodes for entry in _entries(node)], outer)


def _entries(node: Node) -> Iterator[tuple[tuple[str, ...], _Leaf]]:
    """The leaves of a node with their paths."""
    if isinstance(node, Run):
        for slot in node.slots:
            yield slot.path, _Leaf(slot.path[-1] if slot.path else "", node, slot, slot is node.slots[0])
        if not node.slots:
            yield ("",), _Leaf("", node, None, True)
    elif isinstance(node, Fill):
        yield node.slot.path, _Leaf(node.slot.path[-1], node, node.slot, True)
    elif isinstance(node, (Repeat, Optional)):
        yield node.path, _Leaf(node.path[-1] if node.path else "", node, None, True)


def _group(key: str, address: str, entries: list[tuple[tuple[str, ...], _Leaf]], outer: Packing) -> _Group:
    """Entries gathered by the first key of their paths; what is left of a path leads on into a group."""
    members: list[_Leaf | _Group] = []
    for (keys, is_leaf), same in groupby(entries, lambda entry: (entry[0][:1], len(entry[0]) < 2)):
        if is_leaf:
            members += [leaf for _, leaf in same]
        else:
            inside = f"{address}.{keys[0]}" if address else keys[0]
            members.append(_group(keys[0], inside, [(path[1:], leaf) for path, leaf in same], outer))
    own = _own_packings(members)
    inner = _packings(members)
    # Without slots of its own, a group goes with what is in it where that is of one kind, else with what is around it.
    return _Group(key, address, tuple(members), own[0] if own else inner.pop() if len(inner) == 1 else outer)


def _own_packings(members: Iterable[_Leaf | _Group]) -> list[Packing]:
    """How a group's own slots are packed, or where it has none its own fill."""
    members = list(members)
    fills = [one.node for one in members if isinstance(one, _Leaf) and isinstance(one.node, Fill)]
    return [run.packing for run in _own_runs(members)] or [fill.packing for fill in fills]


def _own_runs(members: Iterable[_Leaf | _Group]) -> Iterator[Run]:
    """The runs of a group's own slots."""
    for one in members:
        if isinstance(one, _Leaf) and one.slot is not None and isinstance(one.node, Run):
            yield one.node


def _runs(members: Iterable[_Leaf | _Group]) -> Iterator[Run]:
    """The runs with slots anywhere in a group."""
    for leaf in _leaves(members):
        nodes = _inner(leaf.node) if isinstance(leaf.node, (Repeat, Optional)) else (leaf.node,)
        yield from (node for node in walk(nodes) if isinstance(node, Run) and node.slots)


def _packings(members: Iterable[_Leaf | _Group]) -> set[Packing]:
    """How the slots and fills anywhere in a group are packed."""
    found = set()
    for leaf in _leaves(members):
        nodes = _inner(leaf.node) if isinstance(leaf.node, (Repeat, Optional)) else (leaf.node,)
        found |= {
            node.packing
            for node in walk(nodes)
            if isinstance(node, Fill) or (isinstance(node, Run) and node.slots)
        }
    return found


def _leaves(members: Iterable[_Leaf | _Group]) -> Iterator[_Leaf]:
    """The leaves of a group and the groups in it, in wire order; repeats and optionals stay whole."""
    for member in members:
        if isinstance(member, _Group):
            yield from _leaves(member.members)
        else:
            yield member


def _inner(node: Repeat | Optional) -> tuple[Node, ...]:
    return node.element if isinstance(node, Repeat) else node.body


def _size_bits(group: _Group) -> int | None:
    """The size of a group where it is always the same."""
    total = 0
    for leaf in _leaves(group.members):
        if isinstance(leaf.node, Run):
            total += leaf.slot.width if leaf.slot else 0
        elif isinstance(leaf.node, Repeat) and leaf.node.is_fixed:
            total += (leaf.node.count or 0) * leaf.node.minimum_bits
        else:
            return None
    return total


# -- what is where, and what cannot be said ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Place:
    """Where something lies in a record: what is around it, outermost first, and its path in the innermost.

    swapped: it is in a group whose bits lie in another order than the frame's.
    """

    around: tuple[Repeat | Optional, ...]
    path: tuple[str, ...]
    swapped: bool


@dataclass(slots=True)
class _Plan:
    """A layout's tree, with what its fields have to do with each other.

    asked: slots whose raw codes others ask for. marked: nodes whose start a check's span needs to know.
    late: check slots that cannot be computed where they stand, with the node at whose end they can (-1: the frame).
    """

    layout: Layout
    root: _Group = field(init=False)
    slots: dict[int, _Place] = field(default_factory=dict)
    nodes: dict[int, _Place] = field(default_factory=dict)
    asked: set[int] = field(default_factory=set)
    counted: dict[int, list[Repeat]] = field(default_factory=dict)
    governed: dict[int, list[Optional]] = field(default_factory=dict)
    raising: dict[int, list[Slot]] = field(default_factory=dict)
    marked: set[int] = field(default_factory=set)
    late: dict[int, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.root = _container(self.layout, Packing.MOST)
        self.look(self.root, (), (), False)
        for slot in self.layout.slots:
            if slot.raises is not None:
                self.raising.setdefault(slot.raises, []).append(slot)
            for span in slot.check.spans if slot.check else ():
                self.marked |= {mark.node for mark in span if mark.at is None}
        for check in self.layout.check_order:
            self.place_check(self.layout.slots[check])

    def look(
        self, group: _Group, around: tuple[Repeat | Optional, ...], path: tuple[str, ...], swapped: bool
    ) -> None:
        """Note where everything in a group lies, and which slots its repeats and optionals ask for."""
        swapped = swapped or group.packing is not self.root.packing
        for member in group.members:
            here = (*path, member.key) if member.key else path
            if isinstance(member, _Group):
                self.look(member, around, here, swapped)
                continue
            place = _Place(around, here, swapped)
            node = member.node
            self.nodes.setdefault(node.number, place)
            if member.slot is not None:
                self.slots[member.slot.number] = place
            if isinstance(node, Optional) and node.by is not None:
                self.governed.setdefault(node.by, []).append(node)
                self.asked.add(node.by)
            elif isinstance(node, Repeat) and node.counted_by is not None:
                self.counted.setdefault(node.counted_by, []).append(node)
                self.asked.add(node.counted_by)
            if isinstance(node, (Repeat, Optional)):
                self.look(_container(node, group.packing), (*around, node), (), swapped)

    def place_check(self, slot: Slot) -> None:
        """Decide where a check is computed: where it stands, at the end of what is around it, or of the frame."""
        assert slot.check is not None
        around = self.slots[slot.number].around
        home = around[-1].number if around else -1
        run = self.run_of(slot).number
        # Where other checks in its span get their values, if that is still to come when this one is met.
        enclosing = {node.number for node in around} | {-1}
        awaited = {self.late[other] for other in self.covered(slot) if other in self.late} & enclosing
        ends = [(end.node, end.bits) for _, end in slot.check.spans]
        has_passed = all(node >= 0 and (node, bits) <= (run, slot.offset_bits) for node, bits in ends)
        if slot.check.own is None and not awaited and has_passed:
            return
        inside = {node.number for node in walk(_inner(around[-1]))} if around else set()
        ends_here = all(node in inside or 0 <= node <= run for node, _ in ends)
        self.late[slot.number] = home if awaited <= {home} and ends_here else -1

    def covered(self, check: Slot) -> Iterator[int]:
        """The numbers of the other check slots in a check's spans."""
        assert check.check is not None
        spans = [((start.node, start.bits), (end.node, end.bits)) for start, end in check.check.spans]
        for slot in self.layout.slots:
            at = (self.run_of(slot).number, slot.offset_bits) if slot.check and slot is not check else None
            if at is not None and any(start <= at and (end[0] < 0 or at < end) for start, end in spans):
                yield slot.number

    def run_of(self, slot: Slot) -> Run:
        return next(node for node in self.layout.walk() if isinstance(node, Run) and slot in node.slots)

    def refusals(self) -> Iterator[tuple[str, str]]:
        for address, reason in _packing_refusals(self.root, Packing.MOST):
            yield address or self.layout.name, reason
        for node in self.layout.walk():
            place = self.nodes[node.number]
            if place.swapped:
                yield from self.place_refusals(node)
        for slot in self.layout.slots:
            if slot.pieces:
                yield slot.address, "its bits lie apart, and construct's fields are bits side by side"
            if slot.check is not None:
                yield from self.check_refusals(slot, slot.check)

    def place_refusals(self, node: Node) -> Iterator[tuple[str, str]]:
        """What needs to know its place in the frame, in a group that construct hands on without it."""
        if isinstance(node, Repeat) and node.count is None and node.counted_by is None:
            yield node.address, f"it runs to the frame's end inside of {_OTHER_ORDER}"
        elif isinstance(node, Fill) and node.unit_bits > 8:
            yield (
                node.slot.address,
                f"it fills up to {node.unit_bits} bits of the frame inside of {_OTHER_ORDER}",
            )
        elif isinstance(node, Run) and node.slots and node.number in self.marked:
            yield node.slots[0].address, f"a check's span begins or ends there, inside of {_OTHER_ORDER}"

    def check_refusals(self, slot: Slot, check: Check) -> Iterator[tuple[str, str]]:
        place = self.slots[slot.number]
        if self.late.get(slot.number) == -1 and any(isinstance(node, Repeat) for node in place.around):
            yield (
                slot.address,
                "it stands in each element of a repeat and covers bits that come after the element",
            )
        if check.mixed is not None:
            yield (
                slot.address,
                "it is mixed with another field, which construct has turned into a value by then",
            )
        if place.swapped:
            yield (
                slot.address,
                f"it lies inside of {_OTHER_ORDER}, whose bits construct gives back all at once",
            )
        if check.in_wire_order and len({run.packing for run in _runs(self.root.members)}) > 1:
            yield slot.address, "it covers a part of an octet, in a frame with groups of different bit orders"


_OTHER_ORDER = "a group of another bit order than the frame's"


def _packing_refusals(group: _Group, outer: Packing) -> Iterator[tuple[str, str]]:
    """What is packed in a way that swapping a group as a whole does not give."""
    if len({run.packing for run in _own_runs(group.members)}) > 1:
        yield group.address, "its own fields lie in two bit orders, and construct swaps a group as a whole"
    if not _own_packings(group.members) and len(_packings(group.members)) > 1:
        yield (
            group.address,
            "what is in it lies in several bit orders, and no field of its own tells which is the group's",
        )
    if group.packing is not outer:
        if Packing.MOST not in (group.packing, outer):
            yield group.address, "it changes from one swapped bit order to another"
        unit, size = group.packing.word_bits, _size_bits(group)
        if unit is not None and (size is None or size % unit):
            yield group.address, f"its size is not always whole words of {unit} bits"
    for member in group.members:
        if isinstance(member, _Group):
            yield from _packing_refusals(member, group.packing)
        elif isinstance(member.node, (Repeat, Optional)):
            yield from _packing_refusals(_container(member.node, group.packing), group.packing)


# -- bit orders ----------------------------------------------------------------------------------------------

_Turn = Callable[[bytes], bytes]


def _turn(packing: Packing) -> _Turn:
    """The function from bits as MOST has them to bits as a packing has them; it is its own inverse."""
    unit = 8 if packing is Packing.LEAST else packing.word_bits
    if unit is None:
        return lambda bits: bits
    turn: _Turn = swapbytes if packing is Packing.LEAST else swapbytesinbits

    def turned(bits: bytes) -> bytes:
        # What follows a frame in its window need not be whole units; nobody reads that.
        whole = len(bits) - len(bits) % unit
        return b"".join(turn(bits[at : at + unit]) for at in range(0, whole, unit)) + bits[whole:]

    return turned


def _turned(made: Construct, outer: Packing, group: _Group) -> Construct:
    """A group's construct, its bits in the group's order, in a stream of bits of the order around it."""
    if group.packing is outer:
        return made
    changed = group.packing if outer is Packing.MOST else outer
    turn, size = _turn(changed), _size_bits(group)
    if size is not None:
        return Transformed(made, turn, size, turn, size)
    unit = changed.word_bits or 8
    return Restreamed(made, turn, unit, turn, unit, None)


# -- the frame under way -------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Progress:
    """What is known of the frame under way: its bits, the raw codes asked for, where marked nodes start.

    starts: in bits, by number of the node; -1 is the frame's end. checks: of those that are computed late, the bit
    where they stand and what the record says of them.
    """

    stream: Any
    codes: dict[int, int] = field(default_factory=dict)
    starts: dict[int, int] = field(default_factory=dict)
    checks: dict[int, tuple[int, object]] = field(default_factory=dict)

    def position(self, mark: Mark) -> int:
        return mark.at if mark.at is not None else self.starts[mark.node] + mark.bits

    def bits(self, start: int, end: int) -> bytes:
        """Bits already read or written; the stream stays where it is."""
        here = self.stream.tell()
        self.stream.seek(start)
        found: bytes = self.stream.read(end - start)
        self.stream.seek(here)
        return found


def _progress(context: Any) -> _Progress:
    found: _Progress = context["_params"][_STATE]
    return found


def _is_parsing(context: Any) -> bool:
    return bool(context["_parsing"])


def _same(parsed: Any, context: Any) -> Any:
    return parsed


def _fault(address: str, message: str) -> ValidationError:
    return ValidationError(f"{address}: {message}" if address else message)


class _Maker:
    """Makes a layout's construct, part by part. own: the packing of the group that a part goes into."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.plan = _Plan(layout)

    def frame(self) -> Construct:
        """The whole frame over octets."""
        turn = _turn(self.plan.root.packing)

        def to_bits(octets: bytes) -> bytes:
            return turn(bytes2bits(octets))

        def to_octets(bits: bytes) -> bytes:
            octets: bytes = bits2bytes(turn(bits))
            return octets

        end = [Terminated] if self.layout.runs_to_end else []
        members = self.members(self.plan.root)
        parts = [Computed(self.begin), *members, Computed(self.end), *self.late_checks(-1), *end]
        made = self.mapping(self.plan.root, parts)
        size = self.layout.size_bytes
        if size is not None:
            return Transformed(made, to_bits, size, to_octets, size)
        # A frame whose size shows only once it is read: take all it can have, then go back to where it ended.
        whole = Transformed(made, to_bits, None, to_octets, None)
        there_and_back = FocusedSeq(
            "frame",
            "start" / If(_is_parsing, Tell),
            "frame" / IfThenElse(_is_parsing, FixedSized(self.window, whole), whole),
            If(_is_parsing, Seek(lambda context: context["start"] + _progress(context).starts[-1] // 8)),
        )
        # compile() writes out a sequence but not the functions in it; an adapter it takes as it is.
        return ExprAdapter(there_and_back, _same, _same)

    def window(self, context: Any) -> int:
        """How many octets a frame may take here."""
        stream = context["_io"]
        left: int = stream_size(stream) - stream_tell(stream, "(parsing)")
        most = None if self.layout.runs_to_end else self.layout.maximum_bytes
        return left if most is None else min(left, most)

    def begin(self, context: Any) -> None:
        context["_params"][_STATE] = _Progress(context["_io"])

    def end(self, context: Any) -> None:
        _progress(context).starts[-1] = context["_io"].tell()

    # -- groups, repeats, optionals --------------------------------------------------------------------------

    def members(self, group: _Group) -> Iterator[Construct]:
        for member in group.members:
            if isinstance(member, _Leaf) and member.first and member.node.number in self.plan.marked:
                yield self.note_start(member.node.number)
            if member.key:
                made = self.member(member, member.key, group.packing)
                yield (member.key if member.is_value else _HIDDEN + member.key) / made

    def note_start(self, node: int) -> Construct:
        return Computed(lambda context: _progress(context).starts.update({node: context["_io"].tell()}))

    def member(self, member: _Leaf | _Group, key: str, own: Packing) -> Construct:
        """One member of a group, whatever it is. key: the group's key under which its value is found."""
        if isinstance(member, _Group):
            return _turned(self.mapping(member, list(self.members(member))), own, member)
        if isinstance(member.node, Repeat):
            return self.repeat(member.node, key, own)
        if isinstance(member.node, Optional):
            return self.optional(member.node, key, own)
        if isinstance(member.node, Fill):
            return self.fill(member.node, own)
        assert member.slot is not None
        return self.slot(member.slot, own)

    def mapping(self, group: _Group, members: list[Construct], *, needed: bool = False) -> Construct:
        """A Struct that parses into its values alone, and builds from a mapping that has no unknown key.

        needed: the mapping itself must be given; else an absent one counts as an empty one.
        """
        kept = {one.key: one.key if one.is_value else _HIDDEN + one.key for one in group.members if one.key}
        values = [one.key for one in group.members if one.is_value]

        def to_values(parsed: Any, context: Any) -> Any:
            return Container((key, parsed[key]) for key in values)

        def to_members(given: object, context: Any) -> dict[str, object]:
            if given is _ABSENT and not needed:
                given = {}
            if not isinstance(given, Mapping):
                what = "nothing was given" if given is _ABSENT else f"{shown(given)} is not a mapping"
                raise _fault(group.address, f"{what}. Give a mapping with the keys {', '.join(values)}")
            unknown = [shown(key) for key in given if key not in kept]
            if unknown:
                keys = ", ".join(kept)
                raise _fault(group.address, f"{', '.join(unknown)} is none of its keys. They are {keys}")
            return {name: given.get(key, _ABSENT) for key, name in kept.items()}

        return ExprAdapter(Struct(*members), to_values, to_members)

    def container(self, node: Repeat | Optional, key: str, outer: Packing) -> Construct:
        """One element of a repeat, or the body of an optional."""
        group = _container(node, outer)
        if node.bare:
            # Its one value has no key of its own; a list in an optional goes by the optional's.
            leaf = next(leaf for leaf in _leaves(group.members) if leaf.is_value)
            made = self.member(leaf, key, group.packing)
        else:
            parts = [*self.members(group), *self.late_checks(node.number)]
            made = self.mapping(group, parts, needed=True)
        return _turned(made, outer, group)

    def repeat(self, node: Repeat, key: str, own: Packing) -> Construct:
        to_end = node.count is None and node.counted_by is None

        def times(context: Any) -> int:
            if node.count is not None:
                return node.count
            progress = _progress(context)
            if node.counted_by is not None:
                return progress.codes[node.counted_by]
            if not _is_parsing(context):
                return len(context[key])
            room: int = stream_size(progress.stream) - progress.stream.tell() - node.trailer_bits
            return limited(max(room, 0) // node.minimum_bits)

        def limited(count: int) -> int:
            if node.maximum is not None and count > node.maximum:
                raise _fault(node.address, f"{count} elements are more than its maximum of {node.maximum}")
            return count

        def to_list(given: object, context: Any) -> object:
            if not isinstance(given, (list, tuple)):
                what = "nothing was given" if given is _ABSENT else f"{shown(given)} is not a list"
                raise _fault(node.address, f"{what}. Give a list, empty where there are no elements")
            if to_end:
                limited(len(given))
            return given

        return ExprAdapter(Array(times, self.container(node, key, own)), _same, to_list)

    def optional(self, node: Optional, key: str, own: Packing) -> Construct:
        assert node.by is not None
        number_of = node.by
        by = self.layout.slots[number_of].address

        def is_there(context: Any) -> bool:
            return _is_among(node.codes, _progress(context).codes[number_of])

        def to_nothing(given: object, context: Any) -> None:
            if given is not _ABSENT and given is not None:
                raise _fault(
                    node.address, f"given, though {by} says that it is not there. Drop it, or set {by}"
                )

        def to_body(given: object, context: Any) -> object:
            # A value that is left out is None here, whatever its default: that a part is there has to be said.
            return None if node.bare and given is _ABSENT else given

        absent = ExprAdapter(Pass, _same, to_nothing)
        there = ExprAdapter(self.container(node, key, own), _same, to_body)
        return IfThenElse(is_there, there, absent)

    # -- fields ----------------------------------------------------------------------------------------------

    def slot(self, slot: Slot, own: Packing) -> Construct:
        if slot.kind == "check":
            return self.check(slot, own)
        code = self.code(slot, own)
        if slot.is_value:
            return self.value(slot, code)
        if slot.kind == "count":
            return self.count(slot, code)
        if slot.kind == "reserved":
            return self.reserved(slot, code)
        constant = Const(slot.codes[0].low, code)
        return ExprAdapter(constant, _same, lambda given, context: _code_given(slot, given))

    def code(self, slot: Slot, own: Packing) -> Construct:
        """The slot's raw code, from its bits in whichever order they count."""
        code = BitsInteger(slot.width, signed=slot.signed, swapped=slot.octets_reversed)
        if (own is Packing.LEAST) != slot.bits_reversed and slot.width > 1:
            code = ByteSwapped(code)  # in a stream of bits, a byte is a bit
        if slot.number not in self.plan.asked:
            return code

        def note(raw: int, context: Any) -> int:
            _progress(context).codes[slot.number] = raw
            return raw

        return ExprSymmetricAdapter(code, note)

    def value(self, slot: Slot, code: Construct) -> Construct:
        if slot.kind == "flag":
            return ExprAdapter(code, lambda raw, context: raw == 1, partial(self.flag_raw, slot))
        if slot.kind == "tag":
            # Built from a value, the code is judged by number.to_raw; given as {"raw": n} it is sent as it is.
            code = ExprValidator(
                code, lambda raw, context: not _is_parsing(context) or _is_among(slot.codes, raw)
            )
        return ExprAdapter(code, _decoder(slot), lambda given, context: _raw(slot, given))

    def flag_raw(self, flag: Slot, given: object, context: Any) -> int:
        """A flag's code: as given or told by the rest of the record, and 1 where a value was clamped."""
        if given is _ABSENT:
            given = self.told_flag(flag, context)
        raw = _raw(flag, given)
        for slot in self.plan.raising.get(flag.number, ()):
            values = self.given(flag, self.plan.slots[slot.number], context)
            if any(_is_clamped(slot, value) for value in values) and not raw:
                self.agree_with_raised(flag, context)
                raw = 1
        return raw

    def agree_with_raised(self, flag: Slot, context: Any) -> None:
        """Refuse a record in which a flag that is raised would say that a part is there, and it is not, or the other way round."""
        for node in self.plan.governed.get(flag.number, ()):
            for value in self.given(flag, self.plan.nodes[node.number], context):
                is_there = value is not _ABSENT and value is not None
                if is_there is not _is_among(node.codes, 1):
                    shape = "given" if is_there else "not given"
                    raise _fault(
                        node.address, f"{shape}, but clamping raises {flag.address}, which tells of it"
                    )

    def told_flag(self, flag: Slot, context: Any) -> object:
        """What a flag is that was not given: whether what it governs is there, its default, or not raised."""
        said = {
            (value is not _ABSENT and value is not None) is _is_among(node.codes, 1)
            for node in self.plan.governed.get(flag.number, ())
            for value in self.given(flag, self.plan.nodes[node.number], context)
        }
        if len(said) > 1:
            raise _fault(
                flag.address,
                "it tells of several parts, and only some of them are given. Give it, or all of them",
            )
        if said:
            return said.pop()
        fills_itself = flag.number in self.plan.governed or flag.number in self.plan.raising
        return False if flag.default is None and fills_itself else _ABSENT

    def given(self, slot: Slot, target: _Place, context: Any) -> list[object]:
        """What a record says of a place, seen from an earlier slot: a value for each element it lies in."""
        home = self.plan.slots[slot.number]
        for _ in home.path[1:]:
            context = context["_"]
        found: list[object] = [context]
        for node in target.around[len(home.around) :]:
            found = [_at(one, node.path) for one in found]
            if isinstance(node, Repeat):
                found = [one for many in found if isinstance(many, (list, tuple)) for one in many]
            else:
                found = [one for one in found if one is not None and one is not _ABSENT]
        return [_at(one, target.path) for one in found]

    def count(self, slot: Slot, code: Construct) -> Construct:
        most = slot.raw_limits[1] if slot.maximum_count is None else slot.maximum_count
        key = _HIDDEN + self.plan.slots[slot.number].path[-1]

        def length(context: Any) -> int:
            told = _code_given(slot, context[key])
            found = set() if told is None else {told}
            for node in self.plan.counted.get(slot.number, ()):
                lists = self.given(slot, self.plan.nodes[node.number], context)
                found |= {len(many) for many in lists if isinstance(many, (list, tuple))}
            if len(found) > 1:
                sizes = " and ".join(map(str, sorted(found)))
                raise _fault(
                    slot.address, f"it cannot be {sizes} at once. Leave it out, give lists of one length"
                )
            return found.pop() if found else 0

        return Rebuild(ExprValidator(code, lambda raw, context: raw <= most), length)

    def reserved(self, slot: Slot, code: Construct) -> Construct:
        if slot.strict:
            code = ExprValidator(code, lambda raw, context: not (raw and _is_parsing(context)))
        return ExprAdapter(code, _same, lambda given, context: _reserved_raw(slot, given))

    def fill(self, node: Fill, own: Packing) -> Construct:
        """Reserved bits up to the next boundary: none where the frame is there already."""
        slot, turn = node.slot, -1 if own is Packing.LEAST else 1

        def width(context: Any) -> int:
            at: int = context["_io"].tell()
            return -at % node.unit_bits

        def to_bits(given: object, context: Any) -> bytes:
            raw, size = _reserved_raw(slot, given), width(context)
            if raw >> size:
                raise _fault(slot.address, f"raw code {raw} does not fit the {size} bits that there are here")
            bits: bytes = integer2bits(raw, size) if size else b""
            return bits[::turn]

        def to_raw(bits: bytes, context: Any) -> int:
            raw: int = bits2integer(bits[::turn]) if bits else 0
            if slot.strict and raw:
                raise _fault(slot.address, f"reserved bits are {raw}, not zero")
            return raw

        return ExprAdapter(Bytes(width), to_raw, to_bits)

    # -- checks ----------------------------------------------------------------------------------------------

    def check(self, slot: Slot, own: Packing) -> Construct:
        """A check where it stands: computed there, or its place kept for `late_checks`."""
        key = _HIDDEN + self.plan.slots[slot.number].path[-1]

        def here(context: Any) -> tuple[int, object]:
            return context["_io"].tell(), context.get(key, _ABSENT)

        def keep(given: object, context: Any) -> bytes:
            # Parsing, the bits have gone by already; building, they are still to come.
            at = context["_io"].tell() - (slot.width if _is_parsing(context) else 0)
            _progress(context).checks[slot.number] = (at, given)
            return bytes(slot.width)

        if slot.number in self.plan.late:
            return ExprSymmetricAdapter(Bytes(slot.width), keep)
        return self.checksum(slot, own, here)

    def late_checks(self, node: int) -> Iterator[Construct]:
        """The checks that are computed at the end of a node (-1: the frame), each after those it covers."""
        for check in self.layout.check_order:
            if self.plan.late.get(check) == node:
                yield self.late_check(self.layout.slots[check])

    def late_check(self, slot: Slot) -> Construct:
        def kept(context: Any) -> tuple[int, object]:
            return _progress(context).checks[slot.number]

        made = self.checksum(slot, self.plan.root.packing, kept)
        pointed = Pointer(lambda context: kept(context)[0], made)
        # In an optional group it may not be there.
        return If(lambda context: slot.number in _progress(context).checks, pointed)

    def checksum(self, slot: Slot, own: Packing, stands: Callable[[Any], tuple[int, object]]) -> Construct:
        """The check over its spans. stands: the bit where it begins, and what the record says of it."""
        check = slot.check
        assert check is not None

        def covered(context: Any) -> tuple[bytes, int | None]:
            at, given = stands(context)
            bits = self.covered(check, slot.width, at, _progress(context))
            return bits, None if _is_parsing(context) else _code_given(slot, given)

        def value(covered: tuple[bytes, int | None]) -> int:
            bits, given = covered
            found = self.check_value(check, bits)
            if given is not None and given != found:
                raise _fault(slot.address, f"it is {found} here, not {given}. Leave it out: it fills itself")
            return found

        return Checksum(self.code(slot, own), value, covered)

    def covered(self, check: Check, width: int, own: int, progress: _Progress) -> bytes:
        """The bits that a check covers, its own counted as declared. own: its first bit; width: how many."""
        pieces = []
        for start, end in ((progress.position(start), progress.position(end)) for start, end in check.spans):
            if check.own is None or not start <= own < end:
                pieces.append(progress.bits(start, end))
            else:
                counted = {"zero": bytes(width), "ones": b"\x01" * width, "skip": b""}[check.own]
                pieces += [progress.bits(start, own), counted, progress.bits(own + width, end)]
        return b"".join(pieces)

    def check_value(self, check: Check, bits: bytes) -> int:
        """A check over bits in the frame's order, after the octets that are fed in front of them."""
        least = self.plan.root.packing is Packing.LEAST
        bits = bytes2bits(swapbitsinbytes(check.also) if least else check.also) + bits
        if check.in_wire_order:
            return crc.compute_bits(check.algorithm, bits2integer(bits), len(bits))
        octets = bits2bytes(bits + bytes(-len(bits) % 8))  # the layout has a partial octet only to be filled
        return crc.compute(check.algorithm, swapbitsinbytes(octets) if least else octets)


# -- codes and values ----------------------------------------------------------------------------------------


def _is_among(codes: tuple[Range, ...], raw: int) -> bool:
    return any(raw in some for some in codes)


def _at(container: object, path: tuple[str, ...]) -> object:
    """What a record holds at a path; absent where its shape is wrong, which the part itself will report."""
    for key in path:
        if not isinstance(container, Mapping):
            return _ABSENT
        container = container.get(key, _ABSENT)
    return container


def _decoder(slot: Slot) -> Callable[[int, Any], number.Value]:
    """The function from a slot's code to its value; the short way where no code has a meaning of its own."""
    transform = slot.transform
    if (
        slot.kind == "number"
        and isinstance(transform, Linear)
        and not (slot.specials or slot.unassigned or slot.coding)
    ):
        return _same if transform.is_identity else lambda raw, context: number.value_of(transform, raw)
    return lambda raw, context: number.from_raw(slot, raw)[0]


def _raw(slot: Slot, given: object) -> int:
    """The code that sends what a record says of a slot: a value, the form {"raw": n}, or nothing."""
    if isinstance(given, Mapping):
        return _raw_given(slot, given)
    if given is _ABSENT:
        raw = slot.default if slot.default is not None else slot.missing_code
        if raw is None:
            raise _fault(slot.address, "the record has no such key, and the field no default. Give a value")
        return raw
    outcome = number.to_raw(slot, given)
    if outcome.fault is not None:
        raise _fault(slot.address, outcome.fault.message)
    return outcome.raw


def _raw_given(slot: Slot, given: Mapping[Any, Any]) -> int:
    """The code of the form {"raw": n}: sent as it is, as long as its bits hold it."""
    raw = given.get("raw")
    low, high = slot.raw_limits
    if isinstance(raw, bool) or not isinstance(raw, int):
        raise _fault(slot.address, "a mapping stands for a raw code: {'raw': n}, n an integer")
    if not low <= raw <= high:
        limits = f"{slot.width} bits hold {low} to {high}"
        raise _fault(slot.address, f"raw code {shown(raw)} does not fit: {limits}")
    return raw


def _code_given(slot: Slot, given: object) -> int | None:
    """The code that a record says of a field that fills itself, or None where it says nothing."""
    return None if given is _ABSENT else _raw(slot, given)


def _reserved_raw(slot: Slot, given: object) -> int:
    raw = _code_given(slot, given) or 0
    if raw and not isinstance(given, Mapping):
        raise _fault(slot.address, f"reserved bits are sent as zero, not {raw}. Leave them out")
    return raw


def _is_clamped(slot: Slot, given: object) -> bool:
    if given is _ABSENT or isinstance(given, Mapping):
        return False
    return number.to_raw(slot, given).clamped
