"""From a declared frame to its layout: every field gets its place, every reference its target, every check its span.

Strategy: fields are placed in wire order into a `Container` (the frame, an element, an optional group), which gathers slots into runs.
What is known of the next bit's place is a `Phase` (its remainder modulo a power of two) and, while everything before it is fixed, a
constant. Names live in scopes, looked up from the inside outwards, and only fields already placed are in them, so a reference can
only point backwards; check spans are resolved last, when every place is known. All problems are noted, none raised.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from fractions import Fraction
from functools import cached_property
from itertools import islice

from packetkit.errors import Problem
from packetkit.layout import beside, bundle, carried, repeats, split, texts
from packetkit.layout.derived import Derivations
from packetkit.layout.fingerprint import fingerprint
from packetkit.layout.kinds import meaning
from packetkit.layout.meaning import Meaning
from packetkit.layout.model import (
    Bundle,
    Carried,
    Choice,
    Fill,
    Gain,
    Layout,
    Measured,
    Node,
    Optional,
    Packing,
    Range,
    Repeat,
    Slot,
    slots_of,
    walk,
)
from packetkit.layout.parts import (
    Part,
    choice,
    close_measured,
    measured_fields,
    note_astray,
    note_unused,
    open_measured,
    padded_variants,
    renumbered,
    whole_frame_length,
    with_trailers,
    without_fixed_parts,
)
from packetkit.layout.places import Container, Cursor, Origin, Phase, Scope, Spot, Style
from packetkit.layout.ranges import merged
from packetkit.layout.size import longest, shortest, useful_bits
from packetkit.layout.spans import Checks, PendingCheck
from packetkit.schema.model import Condition, Field, Frame, Place, Summary
from packetkit.schema.text import MAXIMUM_PROBLEMS, closest, format_number, shown

MAXIMUM_BITS = 65_535 * 8
MAXIMUM_CHECKS = 64  # more than any format has; they are ordered by comparing each with each
UNITS = {"byte": 8, "word_16": 16, "word_32": 32}
WORDS = {16: Packing.WORD_16, 32: Packing.WORD_32, 64: Packing.WORD_64}
_MOST_LISTED = 12
_MOST_COMPARED = 200
_DECIDING = ("number", "states", "flag", "tag", "count")  # kinds of fields that present_when may ask
_ALONE = ("constant", "sync", "tag", "count", "length", "reserved", "check", "derived", "supplied")
_VARYING = ("present_when", "repeat", "length", "variants")  # keys of what a group of words cannot hold
BYTES_REMAIN = "bytes_remain"


def resolve(frame: Frame) -> tuple[Layout | None, tuple[Problem, ...]]:
    """The layout of a frame, or None, with every problem of its meaning.

    Fields that could not be read (whole=False) are left out; then what depends on the whole frame is not judged.
    """
    resolver = Resolver(frame)
    layout = resolver.layout()
    return layout, tuple(resolver.problems)


class Resolver:
    """One frame's resolution: counters, problems and pending references."""

    def __init__(self, frame: Frame) -> None:
        self.frame = frame
        self.problems: dict[Problem, None] = {}  # a set in order: an element that is placed twice tells once
        self.checks = Checks(self.note, self.suggest)
        self.derivations = Derivations(self.note, self.suggest)
        self.gains: list[Gain] = []
        self.carried: list[Carried] = []
        self.supplied: list[tuple[Slot, Field, tuple[str, ...]]] = []
        self.slots: list[Slot] = []
        self.nodes = 0
        self.counted: set[int] = set()
        self.counts: dict[int, tuple[Field, str]] = {}
        self.roles: dict[str, tuple[str, int]] = {}  # role to the address and number of the slot that has it
        self.judged: dict[str, Place] = {}  # address of a field to where it says what its codes are told by
        self.parts: list[Part] = []  # the innermost last: what an end belongs to
        self.to_ends: dict[int, tuple[Field, str]] = {}  # node number to the field that runs to the end there
        self.since: dict[
            int, Phase
        ] = {}  # node number of variants to what is known of the bits before them in their part
        self.derives = _derives(frame.fields)
        self.measured = measured_fields(frame.fields)
        self.padded = padded_variants(frame, self.measured)
        self.bounded = (
            False  # a length field says more than any frame may have: then the frame's own limit counts
        )
        self.part_lengths: dict[
            int, Field
        ] = {}  # node number of a measured part to the length field that measures it
        self.length_slots: dict[int, Slot] = {}  # by the identity of the length field
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
        more = {"offset_bits": 0, **more}
        slot = made.place(number=len(self.slots), path=path, address=address, **more)
        self.slots.append(slot)
        return slot

    # -- the frame -----------------------------------------------------------------------------------------------------------

    def layout(self) -> Layout | None:
        frame = self.frame
        packing = _packing(frame.packing) or Packing.MOST
        style = Style(packing, frame.order)
        root = Container(self.next_node, Cursor(0, Phase(), Origin(Phase())), "")
        scope = Scope(None)
        self.parts.append(Part(-1, root.cursor, [root]))
        whole = whole_frame_length(frame.fields)
        opened = None if whole is None else open_measured(self, whole, root, "")
        into = root if opened is None else opened.inside
        self.place_all(frame.fields, into, scope, style, ())
        self.last_byte(into, style)
        if opened is not None and self.placed:
            close_measured(self, opened, style, ())
        nodes = root.close()
        self.unused_counts()
        note_unused(self, self.frame.fields)
        note_astray(self, self.frame.fields)
        if not self.whole or not frame.fields:
            return None
        if root.cursor.high is not None and root.cursor.high > MAXIMUM_BITS and not self.bounded:
            size = -(-root.cursor.high // 8)
            self.note(
                frame.place,
                "frame-too-long",
                frame.name,
                f"its longest form has {size:,} bytes, and {MAXIMUM_BITS // 8:,} is the most",
                "Lower a repeat's count or maximum.",
            )
            return None
        nodes = self.checks.with_spans(root, with_trailers(self, nodes))
        nodes, _ = without_fixed_parts(nodes)
        nodes, moved = renumbered(nodes)
        self.derivations.moved = moved
        for pending in self.checks.pending:
            pending.slot_number = moved.get(pending.slot_number, pending.slot_number)
        made = self.finished(root, nodes) if self.whole else None
        return made if self.whole else None

    def finished(self, root: Container, nodes: tuple[Node, ...]) -> Layout:
        slots = tuple(
            sorted((slot for node in walk(nodes) for slot in slots_of(node)), key=lambda slot: slot.number)
        )
        # Exact, where the cursor's sums need not be: padding inside elements depends on where each of them starts.
        low, high = shortest(nodes), None if root.cursor.high is None else longest(nodes)
        made = Layout(
            self.frame.name,
            nodes,
            slots,
            self.checks.order(nodes, slots),
            -(-low // 8) * 8,
            None if high is None else min(-(-high // 8) * 8, MAXIMUM_BITS),
            useful_bits(nodes, carried=tuple(self.carried)),
            any(map(_runs_to_end, nodes)),
            "",
            " ".join(self.frame.description.split()),
            self.frame.cadence_s,
            self.derivations.resolved(nodes),
            tuple(self.gains),
            tuple(slot for slot, _, _ in self.supplied),
            tuple(later for _, _, later in self.supplied),
            tuple(self.carried),
        )
        self.mixed_in(made)
        beside.note_raised(self, made)
        return replace(made, fingerprint=fingerprint(made))

    def last_byte(self, root: Container, style: Style) -> None:
        """Complete a frame that ends inside a byte, where it says how."""
        if self.frame.last_byte is not None:
            name = self.filler
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

    @cached_property
    def filler(self) -> str:
        """The name of the bits that complete the last byte, as the loader names bits that have none; empty where there are none."""
        if self.frame.last_byte is None:
            return ""
        taken = {one.name for one in self.frame.fields}
        names = ("reserved", *(f"reserved_{k}" for k in range(2, len(taken) + 2)))
        return next(name for name in names if name not in taken)

    # -- fields ----------------------------------------------------------------------------------------------------------------

    def place_all(
        self, fields: Iterable[Field], into: Container, scope: Scope, style: Style, path: tuple[str, ...]
    ) -> None:
        declared = tuple(fields)
        last = self.at_the_end() if not self.derivations.later else ()
        if any(one.runs for one in declared) and self.placed:
            self.placed = split.set_aside(declared, into, scope, style.packing, self.tell_of(into, path))
        for at, one in enumerate(declared):
            address = f"{into.prefix}{'.'.join((*path, one.name))}" if one.name else into.prefix
            if not one.whole:
                self.whole = False
            if not one.whole and one.kind not in ("group", "flags"):
                self.placed = False
                scope.broken.add(one.name)
                continue
            if scope.split is not None:
                into.room()
            before = into.spot()
            # Long lists of long lists, only for what has no bits of its own.
            self.derivations.later.append((*self.keys_after(declared[at:]), *last) if self.derives else ())
            self.place(one, into, scope, style, (*path, one.name), address)
            self.derivations.later.pop()
            scope.spans[one.name] = (before, into.spot())
        if scope.split is not None and self.placed:
            self.placed = split.finish(declared, into, self.tell_of(into, path))

    def keys_after(self, fields: tuple[Field, ...]) -> Iterator[str]:
        """The keys of a group's record behind the first of these fields: names, and fills of those that a length measures."""
        for number, one in enumerate(fields):
            if number:
                yield one.name
            by = self.measured.get(id(one))
            if by is not None and by.fill is not None:
                yield f"{by.name}_fill"

    def at_the_end(self) -> tuple[str, ...]:
        """The keys of what completes a frame: its last byte, and the last unit of the whole that a length measures."""
        by = whole_frame_length(self.frame.fields)
        fills = (self.filler, f"{by.name}_fill" if by is not None and by.fill is not None else "")
        return tuple(filter(None, fills))

    def place(
        self, one: Field, into: Container, scope: Scope, style: Style, path: tuple[str, ...], address: str
    ) -> None:
        """One field with what measures it, its option and its repeat, outermost first."""
        by = self.measured.get(id(one))
        if by is None:
            self.place_itself(one, into, scope, style, path, address)
            return
        opened = open_measured(self, by, into, address)
        self.place_itself(one, opened.inside, scope, style, path, address)
        if self.placed:
            close_measured(self, opened, style, path[:-1])
        else:
            self.parts.pop()

    def place_itself(
        self, one: Field, into: Container, scope: Scope, style: Style, path: tuple[str, ...], address: str
    ) -> None:
        if (one.present_when or one.repeat) and one.kind in _ALONE:
            what = "present_when" if one.present_when else "repeat"
            text = f"a {one.kind} field cannot have {what}"
            remedy = f"Put it into a group, and give the group {what}."
            self.note(one.places.get(what, one.place), "not-repeatable", self.full(address), text, remedy)
            self.placed = False
            return
        varies = next((key for key in _VARYING if key in one.places), None)
        if varies and style.packing.word_bits:
            what = varies
            text = f"{what} cannot stand inside a group of words"
            remedy = f"Write {what} at the whole group of words."
            self.note(one.places.get(what, one.place), "words-not-whole", self.full(address), text, remedy)
            self.placed = False
            return
        if one.present_when is not None:
            self.optional(one, into, scope, style, path, address)
        elif one.repeat is not None:
            repeats.repeat(self, one, one.repeat, into, scope, style, path, address)
        else:
            self.plain(one, into, scope, style, path, address)

    def tell_of(self, into: Container, path: tuple[str, ...]) -> split.Tell:
        """What notes a problem with the runs of one field of a group."""

        def tell(one: Field, place: Place, summary: str, remedy: str) -> None:
            where = self.full(f"{into.prefix}{'.'.join((*path, one.name))}")
            self.note(place, "runs-unfit", where, summary, remedy)

        return tell

    def full(self, address: str) -> str:
        return f"{self.frame.name}.{address}" if address else self.frame.name

    def plain(
        self, one: Field, into: Container, scope: Scope, style: Style, path: tuple[str, ...], address: str
    ) -> None:
        if one.kind in ("group", "flags"):
            inner = Scope(scope)
            scope.groups[one.name] = inner
            self.group(one, into, inner, style, path, address)
        elif one.kind == "reserved" and one.up_to is not None and one.bits is None:
            self.fill(one, into, style, path, address)
        elif one.kind == "supplied":
            self.supply(one, into, scope, path, address)
        elif one.kind == "derived":
            made = self.derivations.add(one, into.holder, path, address, scope, self.full(address))
            if made is None:
                scope.broken.add(one.name)
            else:
                scope.derived[one.name] = made
        elif one.kind in ("text", "bytes"):
            self.text(one, into, scope, style, path, address)
        elif one.kind == "variants":
            choice(self, one, into, scope, style, path, address)
        else:
            self.slot(one, into, scope, style, path, address)

    def group(
        self, one: Field, into: Container, scope: Scope, style: Style, path: tuple[str, ...], address: str
    ) -> None:
        if one.carried and (not self.placed or not carried.starts(self, one, into, style, address)):
            self.placed = False
            return
        inner = carried.inner_style(one) if one.carried else self.group_style(one, style, address)
        changes = inner.packing is not style.packing
        if changes and self.placed:
            changes = self.boundary(one, into, address, "starts")
        low, high = into.cursor.low, into.cursor.high
        first = len(self.slots)
        placing = carried.place if one.carried else _place_group
        placing(self, one, into, scope, inner, path, address)
        if not self.placed:
            return
        carried.filled(self, one, into, scope, inner, path, address)
        if one.summary is not None and one.whole:
            self.summary(one, one.summary, address, self.slots[first:])
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

    def summary(self, one: Field, what: Summary, address: str, slots: list[Slot]) -> None:
        """Prove that a summary has fewer bits than its samples would have, and keep how many fewer."""
        bits = sum(slot.width for slot in slots)
        sample = min((slot.width for slot in slots if slot.part != "count"), default=0)
        plain = what.samples * sample
        if bits >= plain:
            text = f"{bits} bits sum up {what.samples} samples, which have {plain} themselves"
            remedy = "Send the samples: repeat, or keep less of them."
            if not sample:
                text, remedy = (
                    "nothing is kept but the count",
                    "Keep the minimum, the mean or the maximum too.",
                )
            self.note(one.places.get("summary", one.place), "summary-unfit", self.full(address), text, remedy)
            return
        says = f"{what.samples} samples of {sample} bits each"
        self.gains.append(Gain(address, "summary", bits, plain, says))

    def group_style(self, one: Field, style: Style, address: str) -> Style:
        if one.word_bits is None:
            if style.packing.word_bits and (one.packing or one.order):
                place = one.places.get("packing", one.places.get("order", one.place))
                text = "inside a group of words packing and order are fixed"
                self.note(place, "order-words", self.full(address), text, _PICTURES)
                return style
            return Style(_packing(one.packing) or style.packing, one.order or style.order)
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
        return Style(WORDS[one.word_bits], None)

    def boundary(self, one: Field, into: Container, address: str, verb: str) -> bool:
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
        self, one: Field, into: Container, scope: Scope, style: Style, path: tuple[str, ...], address: str
    ) -> None:
        where = self.full(address)
        algorithm = self.checks.algorithm(one, where) if one.kind == "check" and not self.is_flooded else None

        def note(place: Place, rule: str, summary: str, remedy: str) -> None:
            self.note(place, rule, where, summary, remedy)

        made = meaning(one, note, algorithm)
        if made is None:
            self.whole = self.placed = False
            scope.broken.add(one.name)
            return
        if isinstance(made.slot.get("transform"), Bundle):
            made, reversal = self.bundled(one, made.slot["transform"], made, style, address), False
        else:
            reversal = self.reversal(one, made.width, style, where)
        more: dict[str, object] = {
            "octets_reversed": reversal,
            "bits_reversed": one.stored == "bits_reversed",
        }
        made = self.clocked(one, made, reversal, style, where)
        if one.flag is not None:
            more["raises"] = self.flag_slot(one, scope, where)
        more |= beside.told(self, one, made.slot.get("transform"), scope, where)
        if one.kind == "reserved":
            more["strict"] = bool(one.strict if one.strict is not None else self.frame.strict)
        self.note_role(one, made, address, where)
        if scope.split is not None:
            self.among_runs(one, made.width, into, scope.split, where, more)
        spot = into.spot()
        slot = self.new_slot(made, path, address, **more)
        into.add_slot(slot, style.packing)
        if slot.pieces:  # where its foremost bit is, wherever its group has come to
            spot = Spot(into, len(into.nodes), slot.offset_bits, spot.cursor)
        elif into.open is not None and into.open.size == slot.width:
            spot = Spot(into, len(into.nodes), 0, spot.cursor)
        scope.slots[one.name] = slot
        if one.kind == "length":
            self.length_slots[id(one)] = slot
        if one.kind == "count":
            self.counts[slot.number] = (one, where)
        if algorithm is not None:
            self.pend(PendingCheck(one, slot.number, algorithm, scope, into.start, spot, where, style))

    def pend(self, check: PendingCheck) -> None:
        """Keep a check until every place is known, unless there are too many."""
        if len(self.checks.pending) < MAXIMUM_CHECKS:
            self.checks.pending.append(check)
            return
        text = f"this is check {MAXIMUM_CHECKS + 1}, and {MAXIMUM_CHECKS} is the most"
        self.note(check.one.place, "too-many-checks", check.path, text, "Leave checks out.")

    def note_role(self, one: Field, made: Meaning, address: str, where: str) -> None:
        """Keep the field that has a role; a second one is noted."""
        role = made.slot.get("role")
        if role is None:
            return
        if role.name in self.roles:
            text = f"{self.roles[role.name][0]} has role {role.name} already"
            remedy = "Leave role out of one of them: a frame has one field of each role."
            self.note(one.places["role"], "role-unfit", where, text, remedy)
        else:
            self.roles[role.name] = (address, len(self.slots))

    def clocked(self, one: Field, made: Meaning, reversal: bool, style: Style, where: str) -> Meaning:
        """A time's clock with its parts in its code; each part is a number of its own in the octet order that holds here."""
        clock = made.slot.get("clock")
        if clock is None:
            return made
        if reversal and any(part.width % 8 for part in clock.parts):
            text = "its counts are not whole octets, so their octets cannot be turned"
            self.note(one.places.get("order", one.place), "order-width", where, text, _PICTURES)
        low_first = (style.natural == "little") is not reversal and not one.runs
        return replace(made, slot={**made.slot, "clock": clock.in_wire_order(low_first)})

    def bundled(self, one: Field, made: Bundle, meaning: Meaning, style: Style, address: str) -> Meaning:
        """A bundle with its codes in the order that holds here, each a number of its own; what it saves is kept."""
        widths = [made.sample.width, *([made.width] if made.width > 8 else [])]
        turned = [self.reversal(one, width, style, self.full(address)) for width in widths]
        says = f"{made.samples} samples of {made.sample.width} bits each"
        self.gains.append(Gain(address, "bundle", made.bits, made.plain_bits, says))
        made = replace(made, sample=replace(made.sample, address=f"{address}[]"))
        found = bundle.placed(made, first_low=style.packing is Packing.LEAST, octets_reversed=True in turned)
        return replace(meaning, slot={**meaning.slot, "transform": found})

    def among_runs(
        self, one: Field, width: int, into: Container, start: int, where: str, more: dict[str, object]
    ) -> None:
        """Add a split value's pieces; another field of its group must fit between the bits that are set aside."""
        if one.runs:
            more["pieces"] = tuple((start + bit, size) for bit, size in one.runs)
            more["offset_bits"] = start + min(bit for bit, _ in one.runs)
            return
        free = into.room()
        if free is not None and free < width:
            assert into.open is not None
            has = "1 bit" if width == 1 else f"{width} bits"
            room = "1 is" if free == 1 else f"{free} are"
            text = (
                f"it has {has}, and from bit {into.open.size - start} of its group {room} left before a run"
            )
            self.note(one.place, "runs-unfit", where, text, "Split it with runs, or move it.")
            self.placed = False

    def supply(self, one: Field, into: Container, scope: Scope, path: tuple[str, ...], address: str) -> None:
        """A field that has no bits: its number counts down from -1, so that it is none of those that are sent."""
        where = self.full(address)
        if into.holder is not None or len(path) > 1:
            text = "a supplied field stands in a group, a repeat or an option"
            self.note(one.place, "supplied-unfit", where, text, "Put it among the frame's own fields.")
            scope.broken.add(one.name)
            return
        made = meaning(one, lambda at, rule, text, remedy: self.note(at, rule, where, text, remedy))
        assert made is not None
        slot = made.place(number=-1 - len(self.supplied), path=path, address=address, offset_bits=0)
        self.supplied.append((slot, one, self.derivations.later[-1]))
        scope.slots[one.name] = slot

    def mixed_in(self, layout: Layout) -> None:
        """Note every supplied field that no check of the frame's own tells of: it could not be recovered."""
        told = {slot.check.mixed for slot in _always_there(layout.nodes) if slot.check is not None}
        for slot, one, _ in self.supplied:
            if slot.number not in told:
                text = "no check of the frame's own is mixed with it, so nothing tells of it"
                remedy = f"Write mixed_with: {one.name} at a check among the frame's own fields."
                self.note(one.place, "supplied-unfit", self.full(one.name), text, remedy)

    def reversal(self, one: Field, width: int, style: Style, where: str) -> bool:
        """Whether the slot's octets are reversed against its packing's natural order (WIRE.md 2)."""
        if one.kind in ("flag", "reserved") or one.runs:
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
        wanted = own or style.order or style.natural
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

    def flag_slot(self, one: Field, scope: Scope, where: str) -> int | None:
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

    def suggest(self, name: str, scope: Scope, kinds: tuple[str, ...] = ()) -> str:
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

    def fill(self, one: Field, into: Container, style: Style, path: tuple[str, ...], address: str) -> None:
        """Zero bits up to a boundary: a reserved slot where their number is constant, else a Fill."""
        assert one.up_to is not None
        self.fill_to(one, UNITS[one.up_to], into, style, path, address)

    def fill_to(
        self, one: Field, unit: int, into: Container, style: Style, path: tuple[str, ...], address: str
    ) -> None:
        strict = bool(one.strict if one.strict is not None else self.frame.strict)
        common = {"kind": "reserved", "strict": strict, "named": one.named, "line": one.place.position.line}
        part = self.parts[-1]
        over = part.since(into.cursor).within(unit)
        if over is not None:
            width = -over % unit
            if width:
                slot = self.new_slot(Meaning(width, common), path, address)
                into.add_slot(slot, style.packing)
            return
        if carried.cannot_fill(self, one, unit, address):
            return
        slot = self.new_slot(Meaning(unit - 1, common), path, address)
        into.close_run()
        number = self.next_node()
        packing = Packing.LEAST if style.packing is Packing.LEAST else Packing.MOST
        since = part.number if part.start.phase.within(unit) != 0 else -1
        start = None if since < 0 else part.start.phase
        into.add_node(Fill(number, unit, slot, packing, since), into.filled(unit, start))

    def text(
        self, one: Field, into: Container, scope: Scope, style: Style, path: tuple[str, ...], address: str
    ) -> None:
        """Characters or octets: a repeat that is joined to one value."""
        assert one.length is not None
        where = self.full(address)

        def note(place: Place, rule: str, summary: str, remedy: str) -> None:
            self.note(place, rule, where, summary, remedy)

        joined = texts.joined(one, note)
        if joined is None:
            self.whole = self.placed = False
            return
        repeats.repeat(self, one, one.length, into, scope, style, path, address, joined)

    def character_slot(self, address: str) -> Slot:
        """The slot of one octet that no field declares."""
        made = Meaning(8, {"kind": "character", "legal": (Range(0, 255),)})
        return self.new_slot(made, (), address)

    def body(self, one: Field, into: Container, scope: Scope, style: Style, address: str) -> None:
        """What an element or an optional holds: a group's members in a container of their own, or one bare value."""
        if one.kind in ("group", "flags"):
            self.group(one, into, scope, style, (), address)
        else:
            self.plain(one, into, scope, style, (), address)

    def snapshot(self) -> tuple[int, ...]:
        return (
            len(self.problems),
            len(self.checks.pending),
            len(self.derivations.pending),
            len(self.gains),
            len(self.carried),
            len(self.slots),
            self.nodes,
            int(self.whole),
            int(self.placed),
        )

    def restore(self, saved: tuple[int, ...]) -> None:
        problems, checks, derived, gains, envelopes, slots, self.nodes, whole, placed = saved
        while len(self.problems) > problems:
            self.problems.popitem()
        while len(self.slots) > slots:
            self.counts.pop(self.slots.pop().number, None)
        del self.checks.pending[checks:], self.derivations.pending[derived:]
        del self.gains[gains:], self.carried[envelopes:]
        self.whole, self.placed = bool(whole), bool(placed)
        self.roles = {role: (where, number) for role, (where, number) in self.roles.items() if number < slots}

    def optional(
        self, one: Field, into: Container, scope: Scope, style: Style, path: tuple[str, ...], address: str
    ) -> None:
        where = self.full(address)
        assert one.present_when is not None
        remains = one.present_when.by == BYTES_REMAIN
        if remains and not repeats.may_run_to_end(self, one, into, where):
            self.placed = False
            return
        target = (None, ()) if remains else self.condition(one, scope, where)
        if target is None:
            self.whole = self.placed = False
            return
        by, codes = target
        into.close_run()
        number, start = self.next_node(), into.cursor
        inside = Container(self.next_node, replace(start, low=0, high=0), f"{address}.", number)
        inside.start = (
            into.start
        )  # a check in it covers everything before, from the frame's or the element's start
        inner = Scope(scope)
        if one.repeat is not None:
            repeats.repeat(self, one, one.repeat, inside, inner, style, (), address)
        else:
            self.body(one, inside, inner, style, address)
            if one.name in inner.slots and repeats.is_bare(one):
                scope.sometimes[one.name] = inner.slots[one.name]
        nodes, low, high = (
            inside.close(ends_in_run=repeats.has_check(one)),
            inside.cursor.low,
            inside.cursor.high,
        )
        if high is None:
            self.note(
                one.places["repeat"],
                "to-end-last",
                where,
                "a repeat that runs to the end cannot be optional",
                "Use a count.",
            )
            return
        if remains:
            self.to_ends[number] = (one, where)
            if low == 0:
                text = "it can have no bits at all, so bytes that remain do not tell whether it is there"
                self.note(
                    one.places["present_when"],
                    "to-end-ambiguous",
                    where,
                    text,
                    "Put a field of fixed size into it.",
                )
        bare = one.repeat is not None or repeats.is_bare(one)
        node = Optional(
            number, path, address, start.at, start.phase.within(8), by, codes, nodes, low, high, bare
        )
        phase = start.phase.joined(inside.cursor.phase)
        grown = start.grown.joined(inside.cursor.grown)
        top = None if start.high is None else start.high + high
        into.add_node(
            node, Cursor(start.at if high == 0 else None, phase, start.origin, grown, start.low, top)
        )

    def condition(self, one: Field, scope: Scope, where: str) -> tuple[int, tuple[Range, ...]] | None:
        asked = one.present_when
        assert asked is not None
        place = one.places.get(f"present_when.{asked.by}", one.places["present_when"])
        at = one.places.get(f"present_when:{asked.by}", one.places["present_when"])
        return self.told_by(asked, place, at, scope, where)

    def told_by(
        self, asked: Condition, place: Place, at: Place, scope: Scope, where: str
    ) -> tuple[int, tuple[Range, ...]] | None:
        """The slot that a condition asks and the codes it must hold. place: of these; at: of the name."""
        slot = self.deciding(asked.by, scope, where, at)
        if slot is None:
            return None
        ranges = self.ranges(asked, slot, place, where)
        return None if ranges is None else (slot.number, ranges)

    def deciding(self, name: str, scope: Scope, where: str, place: Place) -> Slot | None:
        """The slot that a condition asks, or None where that was noted."""
        found = scope.find(name)
        if found is not None and found[1] in found[0].broken:
            return None
        slot = found[0].slots.get(found[1]) if found else None
        if slot is None or slot.kind not in _DECIDING:
            text = f"{shown(name)} is not a field before this one"
            if slot is not None:
                text = f"{slot.address} is a {slot.kind} field, which cannot decide this"
            self.note(place, "condition-unknown", where, text, self.suggest(name, scope, _DECIDING))
            return None
        if slot.tellers:
            text = f"what {slot.address} means is told by another field, so it cannot decide this"
            self.note(place, "valid-unfit", where, text, "Ask that other field.")
            return None
        return slot

    def ranges(self, asked: Condition, slot: Slot, place: Place, where: str) -> tuple[Range, ...] | None:
        """The codes that a condition names, or None where that was noted."""
        if not asked.codes and not asked.states:
            if slot.kind == "flag":
                return (Range(1, 1),)
            text = f"{slot.address} is not a flag, so it needs a code"
            self.note(place, "condition-codes", where, text, f"Write {{{asked.by}: code}}.")
            return None
        names = {label: code for code, label in slot.states}
        if slot.kind == "flag":
            names = {"true": 1, "false": 0}
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
        return merged(ranges)

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


# -- helpers without state ------------------------------------------------------------------------------------------------------

# The legal pictures of WIRE.md 2.
_PICTURES = """\
What there is, and the bytes of an example:
  16 bits that hold 0xABCD             AB CD
    with order: little                 CD AB
  3, 7 and 6 bits that hold 5, 100, 33 B9 21
    packing: least_significant_first   25 87
    word_bits: 16 and order: little    21 B9"""


def _place_group(
    r: Resolver, one: Field, into: Container, scope: Scope, style: Style, path: tuple[str, ...], address: str
) -> None:
    """Place the members of a plain group."""
    r.place_all(one.fields, into, scope, style, path)


def _packing(word: str | None) -> Packing | None:
    return None if word is None else Packing(word)


def _derives(fields: tuple[Field, ...]) -> bool:
    """Whether any of these fields, or inside them, is worked out on the ground, or not sent."""
    return any(
        one.derived
        or one.kind == "supplied"
        or _derives(one.fields)
        or any(_derives(variant.fields) for variant in one.variants)
        for one in fields
    )


def _always_there(nodes: tuple[Node, ...]) -> Iterator[Slot]:
    """The slots that stand once in every frame: also those in parts of a told size, which are their container's."""
    for node in nodes:
        yield from slots_of(node)
        if isinstance(node, Measured):
            yield from _always_there(node.body)


def _runs_to_end(node: Node) -> bool:
    """Whether a frame that ends in a node is as long as the bytes at hand."""
    if isinstance(node, Repeat):
        return node.runs_to_end
    if isinstance(node, Choice):
        return any(_runs_to_end(inner) for branch in node.branches for inner in branch.body)
    return isinstance(node, Optional) and node.by is None
