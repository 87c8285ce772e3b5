"""From a declared frame to its layout: every field gets its place, every reference its target, every check its span.

Strategy: fields are placed in wire order into a `_Container` (the frame, an element, an optional group), which gathers slots into runs.
What is known of the next bit's place is a `Phase` (its remainder modulo a power of two) and, while everything before it is fixed, a
constant. Names live in scopes, looked up from the inside outwards, and only fields already placed are in them, so a reference can
only point backwards; check spans are resolved last, when every place is known. All problems are noted, none raised.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property
from itertools import islice
from math import gcd

from packetkit.errors import AlgorithmError, Problem, UnknownAlgorithm
from packetkit.integrity import catalog
from packetkit.integrity.algorithm import Algorithm
from packetkit.layout.fingerprint import fingerprint
from packetkit.layout.meaning import Meaning, meaning, merged
from packetkit.layout.model import (
    Check,
    Fill,
    Layout,
    Mark,
    Node,
    Optional,
    Packing,
    Range,
    Repeat,
    Run,
    Slot,
    useful_bits,
    walk,
)
from packetkit.schema.model import Covers, CustomCrc, Field, Frame, Place
from packetkit.schema.model import Repeat as DeclaredRepeat
from packetkit.schema.text import MAXIMUM_PROBLEMS, closest, format_number, shown

MAXIMUM_BITS = 65_535 * 8
MAXIMUM_ELEMENTS = 65_535
MAXIMUM_CHECKS = 64  # more than any format has; they are ordered by comparing each with each
UNITS = {"byte": 8, "word_16": 16, "word_32": 32}
WORDS = {16: Packing.WORD_16, 32: Packing.WORD_32, 64: Packing.WORD_64}
_MOST_LISTED = 12
_MOST_COMPARED = 200
_DECIDING = ("number", "states", "flag", "tag", "count")  # kinds of fields that present_when may ask
_ALONE = ("constant", "sync", "tag", "count", "reserved", "check")


def resolve(frame: Frame) -> tuple[Layout | None, tuple[Problem, ...]]:
    """The layout of a frame, or None, with every problem of its meaning.

    Fields that could not be read (whole=False) are left out; then what depends on the whole frame is not judged.
    """
    resolver = _Resolver(frame)
    layout = resolver.layout()
    return layout, tuple(resolver.problems)


@dataclass(frozen=True, slots=True)
class _Phase:
    """What is known of a bit position: it is `remainder` modulo `modulus`, a power of two up to 64 (1: nothing)."""

    modulus: int = 64
    remainder: int = 0

    def plus(self, bits: int) -> _Phase:
        return _Phase(self.modulus, (self.remainder + bits) % self.modulus)

    def joined(self, other: _Phase) -> _Phase:
        """What is still known where either may hold."""
        modulus = gcd(self.modulus, other.modulus, self.remainder - other.remainder)
        return _Phase(modulus, self.remainder % modulus)

    def within(self, unit: int) -> int | None:
        """The position modulo `unit`, where that is known."""
        return self.remainder % unit if self.modulus % unit == 0 else None

    def after(self, other: _Phase) -> _Phase:
        """What is known of the bits from another position to this one."""
        modulus = gcd(self.modulus, other.modulus)
        return _Phase(modulus, (self.remainder - other.remainder) % modulus)

    def many(self, count: int | None) -> _Phase:
        """What is known of so many stretches of which each is known like this; None: of any number."""
        if count is None:
            return _Phase(gcd(self.modulus, self.remainder), 0)
        return _Phase(self.modulus, self.remainder * count % self.modulus)

    def and_then(self, other: _Phase) -> _Phase:
        """What is known of one stretch and another after it."""
        modulus = gcd(self.modulus, other.modulus)
        return _Phase(modulus, (self.remainder + other.remainder) % modulus)


@dataclass(frozen=True, slots=True, eq=False)
class _Origin:
    """Where a frame or an element starts: what stands in it is always as far from there, even where its own place varies."""

    phase: _Phase


@dataclass(frozen=True, slots=True)
class _Cursor:
    """Where the next bit goes: its constant place if there is one, its phase, and the least and most bits before it in its container.

    grown: what is known of the bits since the origin.
    """

    at: int | None
    phase: _Phase
    origin: _Origin
    grown: _Phase = _Phase()
    low: int = 0
    high: int | None = 0

    def plus(self, bits: int) -> _Cursor:
        return replace(
            self,
            at=None if self.at is None else self.at + bits,
            phase=self.phase.plus(bits),
            grown=self.grown.plus(bits),
            low=self.low + bits,
            high=None if self.high is None else self.high + bits,
        )


@dataclass(slots=True)
class _Scope:
    """Names placed so far in one group: slots by number, or the scope of a plain group; and where each lies."""

    outer: _Scope | None
    slots: dict[str, Slot] = field(default_factory=dict)
    groups: dict[str, _Scope] = field(default_factory=dict)
    spans: dict[str, tuple[_Spot, _Spot]] = field(default_factory=dict)
    broken: set[str] = field(default_factory=set)

    def find(self, name: str) -> tuple[_Scope, str] | None:
        """The scope and last name that `name` means, looked up from here outwards, dots leading into plain groups."""
        first, *rest = name.split(".")
        scope: _Scope | None = self
        while scope is not None:
            if first in scope.spans or first in scope.broken:
                for part in rest:
                    if first not in scope.groups:
                        return None
                    scope, first = scope.groups[first], part
                return (scope, first) if first in scope.spans or first in scope.broken else None
            scope = scope.outer
        return None

    def names(self, kinds: tuple[str, ...]) -> Iterator[str]:
        """Names that a field here can refer to, nearest group first: of slots of these kinds, or of all that has a span."""
        scope: _Scope | None = self
        while scope is not None:
            yield from scope.own_names(kinds)
            scope = scope.outer

    def own_names(self, kinds: tuple[str, ...]) -> Iterator[str]:
        for name in self.spans:
            slot = self.slots.get(name)
            if not kinds or (slot is not None and slot.kind in kinds):
                yield name
            if name in self.groups:
                yield from (f"{name}.{inner}" for inner in self.groups[name].own_names(kinds))


@dataclass(frozen=True, slots=True)
class _Spot:
    """A position that a check's span may name: in a container, `bits` into the node that stands there at index `index`."""

    container: _Container
    index: int
    bits: int
    cursor: _Cursor

    @property
    def rank(self) -> tuple[int, int]:
        """Its order on the wire, once its container is closed: the number of the node it lies in, and the bits into it."""
        mark = self.mark()
        return (mark.node if mark.node >= 0 else 1 << 62, mark.bits)

    def mark(self) -> Mark:
        """The position as back ends see it, once its container is closed."""
        nodes, index, bits = self.container.nodes, self.index, self.bits
        while index + 1 < len(nodes) and isinstance(run := nodes[index], Run) and bits == run.size_bits:
            index, bits = index + 1, 0  # one position has one spelling: the start of the node after it
        if index < len(nodes):
            return Mark(nodes[index].number, bits, self.cursor.at)
        last = nodes[-1] if nodes else None
        if isinstance(last, Run):
            return Mark(last.number, last.size_bits, self.cursor.at)
        return Mark(-1, 0, self.cursor.at)


@dataclass(eq=False, slots=True)
class _Container:
    """Nodes under construction, with the run that still takes slots."""

    resolver: _Resolver
    cursor: _Cursor
    prefix: str
    nodes: list[Node] = field(default_factory=list)
    open: _OpenRun | None = None
    phase: _Phase = field(init=False)
    start: _Spot = field(init=False)

    def __post_init__(self) -> None:
        self.phase = self.cursor.phase
        self.start = self.spot()

    def spot(self) -> _Spot:
        """The current position, valid once the container is closed."""
        index, bits = len(self.nodes), self.open.size if self.open else 0
        return _Spot(self, index, bits, self.cursor)

    def add_slot(self, slot: Slot, packing: Packing) -> None:
        if self.open is None or self.open.packing is not packing:
            self.close_run()
            self.open = _OpenRun(self.resolver.next_node(), self.cursor, packing)
        self.open.slots.append(replace(slot, offset_bits=self.open.size))
        self.open.size += slot.width
        self.cursor = self.cursor.plus(slot.width)

    def close_run(self) -> None:
        if self.open is None:
            return
        run = self.open
        self.nodes.append(
            Run(run.number, run.start.at, run.start.phase.within(8), run.size, run.packing, tuple(run.slots))
        )
        self.open = None

    def add_node(self, node: Node, after: _Cursor) -> None:
        self.nodes.append(node)
        self.cursor = after

    def filled(self, unit: int) -> _Cursor:
        """The cursor after a fill to a multiple of `unit` whose width is not constant."""
        low, high, over = self.cursor.low, self.cursor.high, self.phase.within(unit)
        if over is None:
            high = None if high is None else high + unit - 1
        else:
            low = -(-(low + over) // unit) * unit - over
            high = None if high is None else -(-(high + over) // unit) * unit - over
        phase, origin = _Phase(unit, 0), self.cursor.origin
        return _Cursor(None, phase, origin, phase.after(origin.phase), low, high)

    def close(self, *, ends_in_run: bool = False) -> tuple[Node, ...]:
        """All nodes; ends_in_run: an empty run at the end, where a check's span may end there."""
        self.close_run()
        if ends_in_run and self.nodes and not isinstance(self.nodes[-1], Run):
            cursor = self.cursor
            self.nodes.append(
                Run(self.resolver.next_node(), cursor.at, cursor.phase.within(8), 0, Packing.MOST, ())
            )
        return tuple(self.nodes)


@dataclass(slots=True)
class _OpenRun:
    number: int
    start: _Cursor
    packing: Packing
    slots: list[Slot] = field(default_factory=list)
    size: int = 0


@dataclass(frozen=True, slots=True)
class _Style:
    """How numbers lie here: the packing, and the octet order that numbers of 16 bits and more take."""

    packing: Packing
    order: str

    @property
    def natural(self) -> str:
        return "little" if self.packing is Packing.LEAST else "big"


@dataclass(slots=True)
class _PendingCheck:
    """A check whose span waits for every place to be known."""

    one: Field
    slot_number: int
    algorithm: Algorithm
    scope: _Scope
    start: _Spot
    spot: _Spot
    path: str
    style: _Style


class _Resolver:
    """One frame's resolution: counters, problems and pending references."""

    def __init__(self, frame: Frame) -> None:
        self.frame = frame
        self.problems: dict[Problem, None] = {}  # a set in order: an element that is placed twice tells once
        self.checks: list[_PendingCheck] = []
        self.slots: list[Slot] = []
        self.nodes = 0
        self.counted: set[int] = set()
        self.counts: dict[int, tuple[Field, str]] = {}
        self.roles: dict[str, tuple[str, int]] = {}  # role to the address and number of the slot that has it
        self.to_end: list[tuple[Field, str]] = []
        self.whole = True  # no problem yet: there will be a layout
        self.placed = True  # every field up to here has its bits: what hangs on the place can be judged

    # -- bookkeeping ---------------------------------------------------------------------------------------------------------

    def note(self, place: Place, rule: str, path: str, summary: str, remedy: str = "") -> None:
        self.whole = False
        problem = Problem(place.position, rule, path, summary, remedy, place.excerpt, place.width)
        self.problems[problem] = None

    @property
    def is_flooded(self) -> bool:
        """True where more has been noted than anyone will be shown: then no time goes into good advice."""
        return len(self.problems) >= MAXIMUM_PROBLEMS

    def next_node(self) -> int:
        self.nodes += 1
        return self.nodes - 1

    def new_slot(self, made: Meaning, path: tuple[str, ...], address: str, **more: object) -> Slot:
        slot = made.place(number=len(self.slots), path=path, address=address, offset_bits=0, **more)
        self.slots.append(slot)
        return slot

    # -- the frame -----------------------------------------------------------------------------------------------------------

    def layout(self) -> Layout | None:
        frame = self.frame
        packing = _packing(frame.packing) or Packing.MOST
        style = _Style(packing, frame.order or ("little" if packing is Packing.LEAST else "big"))
        root = _Container(self, _Cursor(0, _Phase(), _Origin(_Phase())), "")
        scope = _Scope(None)
        self.place_all(frame.fields, root, scope, style, ())
        self.last_byte(root, style)
        nodes = root.close()
        self.unused_counts()
        if not self.whole or not frame.fields:
            return None
        if root.cursor.high is not None and root.cursor.high > MAXIMUM_BITS:
            size = -(-root.cursor.high // 8)
            self.note(
                frame.place,
                "frame-too-long",
                frame.name,
                f"its longest form has {size:,} bytes, and {MAXIMUM_BITS // 8:,} is the most",
                "Lower a repeat's count or maximum.",
            )
            return None
        nodes = self.with_spans(root, self.with_trailers(nodes))
        return self.finished(root, nodes) if self.whole else None

    def finished(self, root: _Container, nodes: tuple[Node, ...]) -> Layout:
        slots = tuple(
            sorted((slot for node in walk(nodes) for slot in _slots_of(node)), key=lambda slot: slot.number)
        )
        low, high = root.cursor.low, root.cursor.high
        made = Layout(
            self.frame.name,
            nodes,
            slots,
            self.check_order(nodes, slots),
            -(-low // 8) * 8,
            None if high is None else -(-high // 8) * 8,
            useful_bits(nodes),
            any(
                isinstance(node, Repeat) and node.count is None and node.counted_by is None for node in nodes
            ),
            "",
            " ".join(self.frame.description.split()),
            self.frame.cadence_s,
        )
        return replace(made, fingerprint=fingerprint(made))

    def last_byte(self, root: _Container, style: _Style) -> None:
        """Complete a frame that ends inside a byte, where it says how."""
        if self.frame.last_byte is not None:
            taken = {one.name for one in self.frame.fields}
            name = next(
                # As the loader names the bits that the schema leaves without a name.
                n
                for k in range(1, len(taken) + 2)
                if (n := "reserved" if k == 1 else f"reserved_{k}") not in taken
            )
            self.fill(
                Field(name, "reserved", self.frame.place, named=False, up_to="byte"),
                root,
                style,
                (name,),
                name,
            )
        elif self.placed and root.cursor.phase.within(8) != 0:
            last = self.frame.fields[-1].place if self.frame.fields else self.frame.place
            over = root.cursor.phase.within(8)
            how = "does not always end" if over is None else "ends"
            text = (
                f"the frame {how} on a whole byte"
                if over is None
                else f"the frame ends {over} bits into a byte"
            )
            fits = (
                "{kind: reserved, up_to: byte}" if over is None else f"{{kind: reserved, bits: {8 - over}}}"
            )
            remedy = f"Add - {fits} where the spare bits belong (before a check that ends the frame), or last_byte: zero_filled."
            self.note(last, "not-whole-bytes", self.frame.name, text, remedy)

    # -- fields ----------------------------------------------------------------------------------------------------------------

    def place_all(
        self, fields: Iterable[Field], into: _Container, scope: _Scope, style: _Style, path: tuple[str, ...]
    ) -> None:
        for one in fields:
            address = f"{into.prefix}{'.'.join((*path, one.name))}" if one.name else into.prefix
            if not one.whole:
                self.whole = False
            if not one.whole and one.kind not in ("group", "flags"):
                self.placed = False
                scope.broken.add(one.name)
                continue
            before = into.spot()
            self.place(one, into, scope, style, (*path, one.name), address)
            scope.spans[one.name] = (before, into.spot())

    def place(
        self, one: Field, into: _Container, scope: _Scope, style: _Style, path: tuple[str, ...], address: str
    ) -> None:
        """One field with its option and its repeat, outermost first."""
        if (one.present_when or one.repeat) and one.kind in _ALONE:
            what = "present_when" if one.present_when else "repeat"
            text = f"a {one.kind} field cannot have {what}"
            remedy = f"Put it into a group, and give the group {what}."
            self.note(one.places.get(what, one.place), "not-repeatable", self.full(address), text, remedy)
            self.placed = False
            return
        if (one.present_when or one.repeat) and style.packing.word_bits:
            what = "present_when" if one.present_when else "repeat"
            text = f"{what} cannot stand inside a group of words"
            remedy = f"Write {what} at the whole group of words."
            self.note(one.places.get(what, one.place), "words-not-whole", self.full(address), text, remedy)
            self.placed = False
            return
        if one.present_when is not None:
            self.optional(one, into, scope, style, path, address)
        elif one.repeat is not None:
            self.repeat(one, one.repeat, into, scope, style, path, address)
        else:
            self.plain(one, into, scope, style, path, address)

    def full(self, address: str) -> str:
        return f"{self.frame.name}.{address}" if address else self.frame.name

    def plain(
        self, one: Field, into: _Container, scope: _Scope, style: _Style, path: tuple[str, ...], address: str
    ) -> None:
        if one.kind in ("group", "flags"):
            inner = _Scope(scope)
            scope.groups[one.name] = inner
            self.group(one, into, inner, style, path, address)
        elif one.kind == "reserved" and one.up_to is not None and one.bits is None:
            self.fill(one, into, style, path, address)
        else:
            self.slot(one, into, scope, style, path, address)

    def group(
        self, one: Field, into: _Container, scope: _Scope, style: _Style, path: tuple[str, ...], address: str
    ) -> None:
        inner = self.group_style(one, style, address)
        changes = inner.packing is not style.packing
        if changes and self.placed:
            changes = self.boundary(one, into, address, "starts")
        low, high = into.cursor.low, into.cursor.high
        self.place_all(one.fields, into, scope, inner, path)
        if not self.placed:
            return
        word = inner.packing.word_bits if changes else None
        if changes and not word:
            self.boundary(one, into, address, "ends")
        if word:
            size = into.cursor.low - low
            fixed = high is not None and into.cursor.high is not None and into.cursor.high - high == size
            if not fixed or size % word:
                text = (
                    f"{size} bits are not a whole number of {word}-bit words" if fixed else "its size varies"
                )
                remedy = (
                    f"Add {word - size % word} reserved bits."
                    if fixed
                    else "Put only fields of fixed size into it."
                )
                self.note(
                    one.places.get("word_bits", one.place),
                    "words-not-whole",
                    self.full(address),
                    text,
                    remedy,
                )

    def group_style(self, one: Field, style: _Style, address: str) -> _Style:
        if one.word_bits is None:
            if style.packing.word_bits and (one.packing or one.order):
                place = one.places.get("packing", one.places.get("order", one.place))
                text = "inside a group of words packing and order are fixed"
                self.note(place, "order-words", self.full(address), text, _PICTURES)
                return style
            packing = _packing(one.packing) or style.packing
            inherited = style.order if packing is style.packing else _Style(packing, "").natural
            return _Style(packing, one.order or inherited)
        if (
            one.order != "little"
            or one.packing == "least_significant_first"
            or style.packing is not Packing.MOST
        ):
            self.note(
                one.places["word_bits"],
                "order-words",
                self.full(address),
                "word_bits needs order: little and packing most_significant_first",
                _PICTURES,
            )
            return style
        return _Style(WORDS[one.word_bits], "big")

    def boundary(self, one: Field, into: _Container, address: str, verb: str) -> bool:
        """Whether the packing may change here, at a byte boundary; noted where it may not."""
        over = into.cursor.phase.within(8)
        if over == 0:
            return True
        where = (
            "at a place that is not always a byte boundary" if over is None else f"{over} bits into a byte"
        )
        remedy = "Put reserved bits before it." if verb == "starts" else "Add reserved bits at its end."
        place = one.places.get("packing", one.places.get("word_bits", one.place))
        self.note(
            place,
            "packing-boundary",
            self.full(address),
            f"the packing changes where the group {verb}, {where}",
            remedy,
        )
        return False

    def slot(
        self, one: Field, into: _Container, scope: _Scope, style: _Style, path: tuple[str, ...], address: str
    ) -> None:
        where = self.full(address)
        algorithm = self.algorithm(one, where) if one.kind == "check" else None

        def note(place: Place, rule: str, summary: str, remedy: str) -> None:
            self.note(place, rule, where, summary, remedy)

        made = meaning(one, note, algorithm)
        if made is None:
            self.whole = self.placed = False
            scope.broken.add(one.name)
            return
        reversal = self.reversal(one, made.width, style, where)
        more: dict[str, object] = {
            "octets_reversed": reversal,
            "bits_reversed": one.stored == "bits_reversed",
        }
        if one.flag is not None:
            more["raises"] = self.flag_slot(one, scope, where)
        if one.kind == "reserved":
            more["strict"] = bool(one.strict if one.strict is not None else self.frame.strict)
        role = made.slot.get("role")
        if role is not None:
            if role.name in self.roles:
                text = f"{self.roles[role.name][0]} has role {role.name} already"
                remedy = "Leave role out of one of them: a frame has one field of each role."
                self.note(one.places["role"], "role-unfit", where, text, remedy)
            else:
                self.roles[role.name] = (address, len(self.slots))
        spot = into.spot()
        slot = self.new_slot(made, path, address, **more)
        into.add_slot(slot, style.packing)
        if into.open is not None and into.open.size == slot.width:
            spot = _Spot(into, len(into.nodes), 0, spot.cursor)
        scope.slots[one.name] = slot
        if one.kind == "count":
            self.counts[slot.number] = (one, where)
        if algorithm is not None and len(self.checks) == MAXIMUM_CHECKS:
            text, remedy = (
                f"this is check {MAXIMUM_CHECKS + 1}, and {MAXIMUM_CHECKS} is the most",
                "Leave checks out.",
            )
            self.note(one.place, "too-many-checks", where, text, remedy)
        elif algorithm is not None:
            self.checks.append(
                _PendingCheck(one, slot.number, algorithm, scope, into.start, spot, where, style)
            )

    def reversal(self, one: Field, width: int, style: _Style, where: str) -> bool:
        """Whether the slot's octets are reversed against its packing's natural order (WIRE.md 2)."""
        if one.kind in ("flag", "reserved"):
            return False
        if one.kind == "check" and one.stored == "bits_reversed":
            return False
        own = {"high_octet_first": "big", "low_octet_first": "little", None: one.order}[one.stored]
        if style.packing.word_bits and own is not None:
            key = "stored" if one.stored else "order"
            self.note(
                one.places[key], "order-words", where, "inside a group of words the order is fixed", _PICTURES
            )
            return False
        wanted = own or style.order
        if wanted == style.natural:
            return False
        if width % 8 == 0:
            return width > 8
        if own is None and width < 8:
            return False
        rule, key = ("stored-width", "stored") if one.kind == "check" else ("order-width", "order")
        text = f"{width} bits are not whole octets, so they cannot be sent {'low' if wanted == 'little' else 'high'} octet first"
        remedy = (
            _PICTURES
            if own is None or one.kind != "check"
            else "Use stored: bits_reversed, or leave stored out."
        )
        self.note(one.places.get(key, one.places.get("bits", one.place)), rule, where, text, remedy)
        return False

    def flag_slot(self, one: Field, scope: _Scope, where: str) -> int | None:
        assert one.flag is not None
        found = scope.find(one.flag)
        if found is not None and found[1] in found[0].broken:
            return None
        slot = found[0].slots.get(found[1]) if found else None
        if slot is None or slot.kind != "flag":
            text = f"{shown(one.flag)} is not a flag before this field"
            if slot is not None:
                text = f"{slot.address} is a {slot.kind} field, not a flag"
            remedy = self.suggest(one.flag, scope, ("flag",))
            self.note(one.places["flag"], "flag-unknown", where, text, remedy)
            return None
        return slot.number

    def suggest(self, name: str, scope: _Scope, kinds: tuple[str, ...] = ()) -> str:
        """The remedy for a name that is not there: what was meant, or what there is of these kinds (all: any)."""
        if self.is_flooded:
            return ""
        names = list(islice(scope.names(kinds), _MOST_COMPARED))
        near = next((one for one in names if one.endswith(f".{name}")), None) or closest(name, names)
        meant = f"Did you mean {near}? " if near else ""
        if not meant and name in self.declared and scope.find(name) is None:
            return f"{shown(name)} stands further down or inside another group; move it above this field."
        if not names:
            what = kinds[0] if len(kinds) == 1 else "field that would do"
            return f"No {what} stands before it in its group or one around it."
        return f"{meant}One of: {', '.join(names)}." if len(names) <= _MOST_LISTED else meant.strip()

    @cached_property
    def declared(self) -> frozenset[str]:
        """Every field's name, wherever in the frame it stands."""

        def names(fields: tuple[Field, ...]) -> Iterator[str]:
            for one in fields:
                yield one.name
                yield from names(one.fields)

        return frozenset(names(self.frame.fields))

    # -- fill, repeat, optional ----------------------------------------------------------------------------------------------

    def fill(self, one: Field, into: _Container, style: _Style, path: tuple[str, ...], address: str) -> None:
        """Zero bits up to a boundary: a reserved slot where their number is constant, else a Fill."""
        assert one.up_to is not None
        unit = UNITS[one.up_to]
        strict = bool(one.strict if one.strict is not None else self.frame.strict)
        common = {"kind": "reserved", "strict": strict, "named": one.named, "line": one.place.position.line}
        over = into.cursor.phase.within(unit)
        if over is not None:
            width = -over % unit
            if width:
                slot = self.new_slot(Meaning(width, common), path, address)
                into.add_slot(slot, style.packing)
            return
        slot = self.new_slot(Meaning(unit - 1, common), path, address)
        into.close_run()
        number = self.next_node()
        packing = Packing.LEAST if style.packing is Packing.LEAST else Packing.MOST
        into.add_node(Fill(number, unit, slot, packing), into.filled(unit))

    def repeat(
        self,
        one: Field,
        how: DeclaredRepeat,
        into: _Container,
        scope: _Scope,
        style: _Style,
        path: tuple[str, ...],
        address: str,
    ) -> None:
        where = self.full(address)
        count, counter, maximum = how.count, None, how.maximum
        if count is not None and not 1 <= count <= MAXIMUM_ELEMENTS:
            text = f"a repeat cannot have {format_number(Fraction(count))} elements"
            self.note(one.places["repeat"], "count-too-large", where, text, f"Use 1 to {MAXIMUM_ELEMENTS}.")
            self.placed = False
            return
        if how.counted_by is not None:
            counter = self.counter(how.counted_by, one, scope, where)
            if counter is None:
                self.whole = self.placed = False
                return
            maximum = counter.maximum_count or (1 << counter.width) - 1
        if how.to_end and (into.prefix or self.to_end):
            text = "a repeat inside another, or inside an optional group, cannot run to the frame's end"
            if not into.prefix:
                text = f"{self.to_end[0][1]} before it runs to the frame's end already"
            self.note(one.places["repeat"], "to-end-last", where, text, "Use a count.")
            self.placed = False
            return
        into.close_run()
        number, start = self.next_node(), into.cursor
        element, low, high, after, grown = self.element(one, start, scope, style, address)
        if low is None or high is None:
            self.placed = False
            return
        if low == 0:
            if one.whole and self.placed:
                text = "an element can have no bits at all"
                self.note(one.place, "repeat-empty", where, text, "Put a field of fixed size into it.")
            self.placed = False
            return
        if how.to_end and low != high:
            text = f"elements of {low} to {high} bits: the frame's length does not tell how many there are"
            self.note(one.places["repeat"], "to-end-ambiguous", where, text, "Use a count.")
            self.placed = False
            return
        if how.to_end:
            self.to_end.append((one, where))
        least, most = (count, count) if count is not None else (0, maximum)
        node = Repeat(
            number,
            path,
            address,
            start.at,
            start.phase.within(8),
            count,
            counter.number if counter else None,
            maximum if count is None else count,
            0,
            element,
            low,
            high,
            _is_bare(one),
        )
        fixed = count is not None and low == high
        end_phase = start.phase.plus(count * low) if fixed and count is not None else after
        at = start.at + count * low if fixed and count is not None and start.at is not None else None
        top = None if start.high is None or most is None else start.high + most * high
        grown = start.grown.and_then(grown.many(count))
        into.add_node(node, _Cursor(at, end_phase, start.origin, grown, start.low + least * low, top))

    def counter(self, name: str, one: Field, scope: _Scope, where: str) -> Slot | None:
        found = scope.find(name)
        if found is not None and found[1] in found[0].broken:
            return None
        slot = found[0].slots.get(found[1]) if found else None
        if slot is None or slot.kind != "count":
            text = f"{shown(name)} is not a count before this field"
            if slot is not None:
                text = f"{slot.address} is a {slot.kind} field, not a count"
            place = one.places.get("repeat.count", one.places["repeat"])
            self.note(place, "count-unknown", where, text, self.suggest(name, scope, ("count",)))
            return None
        self.counted.add(slot.number)
        return slot

    def element(
        self, one: Field, start: _Cursor, scope: _Scope, style: _Style, address: str
    ) -> tuple[tuple[Node, ...], int | None, int | None, _Phase, _Phase]:
        """The nodes of one element, its least and most bits, the phase after any number of them, what is known of its size.

        Where an element starts depends on where the one before it ended: the phase is widened until it holds for all of them.
        """
        phase = start.phase
        saved = self.snapshot()
        for _ in range(8):
            self.restore(saved)
            inside = _Container(self, _Cursor(None, phase, _Origin(phase)), f"{address}[].")
            inner = _Scope(scope)
            self.body(one, inside, inner, style, f"{address}[]")
            after = inside.cursor.phase.joined(phase)
            if after == phase or not self.placed:
                break
            phase = after
        end = inside.cursor
        return inside.close(ends_in_run=_has_check(one)), end.low, end.high, phase, end.grown

    def body(self, one: Field, into: _Container, scope: _Scope, style: _Style, address: str) -> None:
        """What an element or an optional holds: a group's members in a container of their own, or one bare value."""
        if one.kind in ("group", "flags"):
            self.group(one, into, scope, style, (), address)
        else:
            self.plain(one, into, scope, style, (), address)

    def snapshot(self) -> tuple[int, ...]:
        return (
            len(self.problems),
            len(self.checks),
            len(self.slots),
            self.nodes,
            len(self.to_end),
            int(self.whole),
            int(self.placed),
        )

    def restore(self, saved: tuple[int, ...]) -> None:
        problems, checks, slots, self.nodes, to_end, whole, placed = saved
        while len(self.problems) > problems:
            self.problems.popitem()
        while len(self.slots) > slots:
            self.counts.pop(self.slots.pop().number, None)
        del self.checks[checks:], self.to_end[to_end:]
        self.whole, self.placed = bool(whole), bool(placed)
        self.roles = {role: (where, number) for role, (where, number) in self.roles.items() if number < slots}

    def optional(
        self, one: Field, into: _Container, scope: _Scope, style: _Style, path: tuple[str, ...], address: str
    ) -> None:
        where = self.full(address)
        assert one.present_when is not None
        target = self.condition(one, scope, where)
        if target is None:
            self.whole = self.placed = False
            return
        by, codes = target
        into.close_run()
        number, start = self.next_node(), into.cursor
        inside = _Container(self, replace(start, low=0, high=0), f"{address}.")
        inside.start = (
            into.start
        )  # a check in it covers everything before, from the frame's or the element's start
        inner = _Scope(scope)
        if one.repeat is not None:
            self.repeat(one, one.repeat, inside, inner, style, (), address)
        else:
            self.body(one, inside, inner, style, address)
        nodes, low, high = inside.close(ends_in_run=_has_check(one)), inside.cursor.low, inside.cursor.high
        if high is None:
            self.note(
                one.places["repeat"],
                "to-end-last",
                where,
                "a repeat that runs to the end cannot be optional",
                "Use a count.",
            )
            return
        bare = one.repeat is not None or _is_bare(one)
        node = Optional(
            number, path, address, start.at, start.phase.within(8), by, codes, nodes, low, high, bare
        )
        phase = start.phase.joined(inside.cursor.phase)
        grown = start.grown.joined(inside.cursor.grown)
        top = None if start.high is None else start.high + high
        into.add_node(
            node, _Cursor(start.at if high == 0 else None, phase, start.origin, grown, start.low, top)
        )

    def condition(self, one: Field, scope: _Scope, where: str) -> tuple[int, tuple[Range, ...]] | None:
        asked = one.present_when
        assert asked is not None
        place = one.places.get(f"present_when.{asked.by}", one.places["present_when"])
        found = scope.find(asked.by)
        if found is not None and found[1] in found[0].broken:
            return None
        slot = found[0].slots.get(found[1]) if found else None
        if slot is None or slot.kind not in _DECIDING:
            text = f"{shown(asked.by)} is not a field before this one"
            if slot is not None:
                text = f"{slot.address} is a {slot.kind} field, which cannot decide this"
            at = one.places.get(f"present_when:{asked.by}", one.places["present_when"])
            self.note(at, "condition-unknown", where, text, self.suggest(asked.by, scope, _DECIDING))
            return None
        if not asked.codes and not asked.states:
            if slot.kind == "flag":
                return slot.number, (Range(1, 1),)
            text = f"{slot.address} is not a flag, so it needs a code"
            self.note(place, "condition-codes", where, text, f"Write {{{asked.by}: code}}.")
            return None
        names = {label: code for code, label in slot.states}
        ranges = [Range(codes.low, codes.high) for codes in asked.codes]
        low, high = slot.raw_limits
        for label in asked.states:
            if label not in names:
                text = f"{slot.address} has no state {shown(label)}"
                near = closest(label, names)
                options = f"One of: {', '.join(names)}." if names else "Write a code."
                options = f"Did you mean {near}? {options}" if near else options
                self.note(place, "condition-codes", where, text, options)
                return None
            ranges.append(Range(names[label], names[label]))
        for codes in ranges:
            if codes.low < low or codes.high > high:
                code = format_number(Fraction(codes.low if codes.low < low else codes.high))
                text = f"{slot.address} never holds {code}"
                self.note(place, "condition-codes", where, text, f"Use a code from {low} to {high}.")
                return None
        return slot.number, merged(ranges)

    def unused_counts(self) -> None:
        if not self.whole:
            return
        for number, (one, where) in self.counts.items():
            if number not in self.counted:
                text = "no repeat is counted by it"
                self.note(
                    one.place,
                    "count-unused",
                    where,
                    text,
                    f"Add repeat: {{count: {one.name}}} to a field after it, or leave kind: count out.",
                )

    def with_trailers(self, nodes: tuple[Node, ...]) -> tuple[Node, ...]:
        """The nodes with the fixed size after a repeat that runs to the end, which must tell its last element from what follows."""
        made = list(nodes)
        for index, node in enumerate(nodes):
            if not (isinstance(node, Repeat) and node.count is None and node.counted_by is None):
                continue
            one, where = self.to_end[0]
            trailer = 0
            for later in nodes[index + 1 :]:
                if isinstance(later, Fill):
                    if later.unit_bits > node.minimum_bits:
                        hidden = "1 bit" if node.minimum_bits == 1 else f"{node.minimum_bits} bits"
                        text = f"a fill of up to {later.unit_bits - 1} bits can hide an element of {hidden}"
                        self.note(
                            one.places["repeat"],
                            "to-end-ambiguous",
                            where,
                            text,
                            "Use a count, or larger elements.",
                        )
                elif (size := _fixed_size(later)) is None:
                    after = "" if isinstance(later, Run) else later.address
                    text = f"{after} varies in size, so nothing tells where this repeat before it ends"
                    remedy = f"Use a count, or put {after} before it."
                    self.note(one.places["repeat"], "to-end-last", where, text, remedy)
                else:
                    trailer += size
            made[index] = replace(node, trailer_bits=trailer)
        return tuple(made)

    # -- checks ----------------------------------------------------------------------------------------------------------------

    def algorithm(self, one: Field, where: str) -> Algorithm | None:
        if self.is_flooded:
            return None
        asked = one.algorithm
        place = one.places["algorithm"]
        if isinstance(asked, CustomCrc):
            feed = (asked.initial, asked.reflect_in, asked.reflect_out, asked.final_xor)
            try:
                return catalog.custom_crc(asked.width, asked.polynomial, *feed)
            except AlgorithmError as error:
                for line in str(error).splitlines():
                    text, _, advice = line.partition(". ")
                    at = one.places.get(f"algorithm.{line.partition(' ')[0]}", place)
                    remedy = (
                        f"{advice}." if advice else "Write it as the format's document has it, unreflected."
                    )
                    self.note(at, "algorithm-parameters", where, text, remedy)
                return None
        assert asked is not None
        try:
            return catalog.find(asked)
        except UnknownAlgorithm as error:
            near = " or ".join(error.closest)
            listed = "Write one such as CRC-16/IBM-3740 or SUM-8; packetkit check --algorithms lists them all."
            remedy = f"Did you mean {near}?" if near else listed
            self.note(place, "algorithm-unknown", where, f"no check is named {shown(asked)}", remedy)
            return None

    def with_spans(self, root: _Container, nodes: tuple[Node, ...]) -> tuple[Node, ...]:
        """The nodes with every check slot's span resolved, and size-0 runs where a span ends at a container's end."""
        found: dict[int, Check] = {}
        for pending in self.checks:
            check = self.check(pending, root)
            if check is not None:
                found[pending.slot_number] = check
        return _with_checks(nodes, found)

    def check(self, pending: _PendingCheck, root: _Container) -> Check | None:
        spans = self.spans(pending, root)
        if spans is None:
            return None
        own_span = any(start.rank <= pending.spot.rank < end.rank for start, end in spans)
        one = pending.one
        if one.self_rule is not None and not own_span:
            text = "self says how the check's own bits count, and it does not cover them"
            remedy = "Leave self out, or write covers: whole_frame."
            self.note(one.places["self"], "self-unused", pending.path, text, remedy)
            return None
        marks = tuple((start.mark(), end.mark()) for start, end in spans)
        own = (one.self_rule or "zero") if own_span else None
        least = pending.style.packing is Packing.LEAST
        check = Check(pending.algorithm, marks, own, one.fill == "zero", False, least)
        if self.mixes(check, spans, root):
            text = "its span holds bits of both packings, and an octet of it would be made of both"
            remedy = "Cover whole bytes: add reserved bits before the group that changes the packing."
            self.note(one.places.get("covers", one.place), "span-octets", pending.path, text, remedy)
            return None
        return self.octets(pending, spans, check)

    def spans(self, pending: _PendingCheck, root: _Container) -> list[tuple[_Spot, _Spot]] | None:
        """The stretches covered, in wire order, adjacent ones joined."""
        one = pending.one
        covers = one.covers or Covers()
        if covers.what == "everything_before":
            spans = [(pending.start, pending.spot)]
        elif covers.what == "whole_frame":
            spans = [(root.start, root.spot())]
        else:
            named = self.named_spans(pending, covers)
            if named is None:
                return None
            spans = named
        spans = _joined(spans)
        if not spans:
            self.note(
                one.places.get("covers", one.place),
                "span-empty",
                pending.path,
                "the check covers no bit",
                "Put it after what it covers, or write what it covers: covers: whole_frame.",
            )
            return None
        return spans

    def named_spans(self, pending: _PendingCheck, covers: Covers) -> list[tuple[_Spot, _Spot]] | None:
        place = pending.one.places["covers"]
        found: dict[str, tuple[_Scope, str]] = {}
        for name in (*covers.names, *((covers.start, covers.end) if covers.what == "range" else ())):
            hit = pending.scope.find(name)
            if hit is None or hit[1] not in hit[0].spans:
                text = f"{shown(name)} is not a field of its group or of one around it"
                at = _place_of_name(pending.one, covers, name)
                self.note(at, "span-unknown", pending.path, text, self.suggest(name, pending.scope))
                return None
            found[name] = hit
        if covers.what == "names":
            spans = [found[name][0].spans[found[name][1]] for name in covers.names]
            return sorted(spans, key=lambda span: span[0].rank)
        (first, first_name), (last, last_name) = found[covers.start], found[covers.end]
        start, end = first.spans[first_name][0], last.spans[last_name][1]
        if start.container is not end.container or last.spans[last_name][0].rank < start.rank:
            together = start.container is end.container
            text = f"{covers.end} {'comes before' if together else 'is in another part than'} {covers.start}"
            remedy = "Swap from and to." if together else "Let from and to be in one group, repeat or option."
            self.note(place, "span-empty", pending.path, text, remedy)
            return None
        holes = sorted(
            (found[name][0].spans[found[name][1]] for name in covers.names), key=lambda span: span[0].rank
        )
        return _less(start, end, holes)

    def mixes(self, check: Check, spans: list[tuple[_Spot, _Spot]], root: _Container) -> bool:
        """Whether octets of a span would be made of bits that are numbered from either end.

        Not where the bits of the other packing, which are whole bytes of the frame, are whole octets of the span too.
        """
        whole = check.own != "skip" or check.algorithm.width % 8 == 0  # so far, whole bytes of the frame
        for start, end in spans:
            others = [
                run
                for run in walk(tuple(root.nodes))
                if isinstance(run, Run)
                and (run.packing is Packing.LEAST) is not check.least_first
                and start.rank < (run.number, run.size_bits)
                and (run.number, 0) < end.rank
            ]
            begins, ends = (spot.cursor.phase.within(8) == 0 for spot in (start, end))
            ends_inside = any(end.rank < (run.number, run.size_bits) for run in others)
            if others and not (whole and begins and (ends or not ends_inside)):
                return True
            whole = whole and begins and ends
        return False

    def octets(self, pending: _PendingCheck, spans: list[tuple[_Spot, _Spot]], check: Check) -> Check | None:
        """Decide between feeding octets and feeding bits as they lie on the wire (WIRE.md 16)."""
        size = _Phase()
        for start, end in spans:
            length = _length(start, end)
            size = _Phase(gcd(size.modulus, length.modulus), 0).plus(size.remainder + length.remainder)
        skipped = pending.algorithm.width if check.own == "skip" else 0
        if size.plus(-skipped).within(8) == 0:
            return replace(check, zero_filled=False)  # there is never anything to fill
        if (
            check.algorithm.family == "crc"
            and check.algorithm.reflect_in == check.least_first
            and not check.zero_filled
        ):
            return replace(check, in_wire_order=True)
        if check.zero_filled:
            return check
        over = size.plus(-skipped).within(8)
        text = f"{check.algorithm.name} takes whole octets, and its span " + (
            "does not always end on one"
            if over is None
            else f"ends {over} bit{'s' if over > 1 else ''} into one"
        )
        self.note(
            pending.one.places.get("covers", pending.one.place),
            "span-octets",
            pending.path,
            text,
            "Add reserved bits inside the span, or write fill: zero.",
        )
        return None

    def check_order(self, nodes: tuple[Node, ...], slots: tuple[Slot, ...]) -> tuple[int, ...]:
        """The check slots so that each comes after those its span covers."""
        positions, around = _slot_positions(nodes), _repeats_around(nodes)
        checks = [slot for slot in slots if slot.check is not None]
        inside = {
            slot.number: {
                other.number
                for other in checks
                if other is not slot and slot.check and _covers(slot.check, positions[other.number])
            }
            for slot in checks
        }
        for slot in checks:  # one that stands in each element and covers them all would cover itself in the others
            if slot.check and any(_covers(slot.check, (node.number, 0)) for node in around[slot.number]):
                inside[slot.number].add(slot.number)
        order: list[int] = []
        while len(order) < len(checks):
            ready = [n for n, needs in inside.items() if n not in order and needs <= set(order)]
            if not ready:
                left = [pending for pending in self.checks if pending.slot_number not in order]
                names = " and ".join(slots[pending.slot_number].address for pending in left)
                names = names if len(left) > 1 else f"{names} of several elements"
                self.note(
                    left[0].one.place,
                    "span-cycle",
                    left[0].path,
                    f"{names} cover each other",
                    "Let one leave the other out: covers with except.",
                )
                return ()
            order.append(min(ready))
        return tuple(order)


# -- helpers without state ------------------------------------------------------------------------------------------------------

# The legal pictures of WIRE.md 2.
_PICTURES = """\
What there is, and the bytes of an example:
  16 bits that hold 0xABCD             AB CD
    with order: little                 CD AB
  3, 7 and 6 bits that hold 5, 100, 33 B9 21
    packing: least_significant_first   25 87
    word_bits: 16 and order: little    21 B9"""


def _packing(word: str | None) -> Packing | None:
    return None if word is None else Packing(word)


def _is_bare(one: Field) -> bool:
    return one.kind not in ("group", "flags")


def _slots_of(node: Node) -> tuple[Slot, ...]:
    if isinstance(node, Run):
        return node.slots
    return (node.slot,) if isinstance(node, Fill) else ()


def _fixed_size(node: Node) -> int | None:
    """The bits of a node, where they are constant."""
    if isinstance(node, Run):
        return node.size_bits
    if isinstance(node, Repeat) and node.is_fixed and node.count is not None:
        return node.count * node.minimum_bits
    return None


def _has_check(one: Field) -> bool:
    """True where a check stands directly in a group (not in an element or option of its own inside it)."""
    return any(
        inner.kind == "check"
        or (inner.fields and not inner.repeat and not inner.present_when and _has_check(inner))
        for inner in one.fields
    )


_Span = tuple[_Spot, _Spot]


def _joined(spans: list[_Span]) -> list[_Span]:
    """Spans in wire order, empty ones dropped, touching ones made one."""
    made: list[_Span] = []
    for start, end in spans:
        if start.rank == end.rank or (start.cursor.at is not None and start.cursor.at == end.cursor.at):
            continue
        if made and start.container is made[-1][1].container and start.rank <= made[-1][1].rank:
            start, last = made.pop()
            end = max(end, last, key=lambda spot: spot.rank)
        made.append((start, end))
    return made


def _place_of_name(one: Field, covers: Covers, name: str) -> Place:
    """Where a check's covers names a field."""
    ends = {covers.start: "covers.from", covers.end: "covers.to"}
    lists = ("covers", "covers.except")
    at = [f"{key}.{covers.names.index(name)}" for key in lists if name in covers.names]
    keys = (ends.get(name, ""), *at, "covers.except", "covers")
    return next(one.places[key] for key in keys if key in one.places)


def _less(start: _Spot, end: _Spot, holes: list[_Span]) -> list[_Span]:
    """The span from start to end without the holes."""
    made: list[_Span] = []
    for hole_start, hole_end in holes:
        if start.rank < hole_start.rank:
            made.append((start, hole_start))
        start = max(start, hole_end, key=lambda spot: spot.rank)
    return [*made, (start, end)] if start.rank < end.rank else made


def _length(start: _Spot, end: _Spot) -> _Phase:
    """What is known of the number of bits between two positions."""
    first, last = start.cursor, end.cursor
    if start.container is end.container and start.index == end.index:
        return _Phase(64, (end.bits - start.bits) % 64)
    if first.origin is last.origin:
        return last.grown.after(first.grown)
    return last.phase.after(first.phase)


def _with_checks(nodes: tuple[Node, ...], found: dict[int, Check]) -> tuple[Node, ...]:
    made: list[Node] = []
    for node in nodes:
        if isinstance(node, Run):
            slots = tuple(
                replace(slot, check=found[slot.number]) if slot.number in found else slot
                for slot in node.slots
            )
            made.append(replace(node, slots=slots))
        elif isinstance(node, Repeat):
            made.append(replace(node, element=_with_checks(node.element, found)))
        elif isinstance(node, Optional):
            made.append(replace(node, body=_with_checks(node.body, found)))
        else:
            made.append(node)
    return tuple(made)


def _slot_positions(nodes: tuple[Node, ...]) -> dict[int, tuple[int, int]]:
    """Slot number to the node it lies in and its first bit there."""
    return {
        slot.number: (node.number, slot.offset_bits)
        for node in walk(nodes)
        if isinstance(node, Run)
        for slot in node.slots
    }


def _repeats_around(nodes: tuple[Node, ...]) -> dict[int, tuple[Repeat, ...]]:
    """Slot number to the repeats of several elements that it stands in."""
    found: dict[int, tuple[Repeat, ...]] = {}

    def look(inner: tuple[Node, ...], around: tuple[Repeat, ...]) -> None:
        for node in inner:
            found.update((slot.number, around) for slot in _slots_of(node))
            if isinstance(node, Repeat):
                look(node.element, around if node.maximum == 1 else (*around, node))
            elif isinstance(node, Optional):
                look(node.body, around)

    look(nodes, ())
    return found


def _covers(check: Check, position: tuple[int, int]) -> bool:
    end = (1 << 62, 0)
    return any(
        (start.node, start.bits) <= position < ((stop.node, stop.bits) if stop.node >= 0 else end)
        for start, stop in check.spans
    )
