"""From a declared frame to its layout: every field gets its place, every reference its target, every check its span.

Strategy: fields are placed in wire order into a `Container` (the frame, an element, an optional group), which gathers slots into runs.
What is known of the next bit's place is a `Phase` (its remainder modulo a power of two) and, while everything before it is fixed, a
constant. Names live in scopes, looked up from the inside outwards, and only fields already placed are in them, so a reference can
only point backwards; check spans are resolved last, when every place is known. All problems are noted, none raised.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import cached_property
from itertools import islice

from packetkit.errors import Problem
from packetkit.layout import beside, repeats, split
from packetkit.layout.constant_parts import without_fixed_parts
from packetkit.layout.derived import Derivations
from packetkit.layout.ends import with_trailers
from packetkit.layout.fills import complete_last_byte, filler, place_fill
from packetkit.layout.fingerprint import fingerprint
from packetkit.layout.groups import packing_of, place_group
from packetkit.layout.lengths import (
    WHOLE_FRAME,
    measured_fields,
    note_astray,
    note_unused,
    whole_frame_length,
)
from packetkit.layout.meaning import Meaning
from packetkit.layout.measured import close_measured, open_measured
from packetkit.layout.model import Carried, Choice, Gain, Layout, Node, Optional, Repeat, slots_of, walk
from packetkit.layout.numbering import renumbered
from packetkit.layout.options import place_optional
from packetkit.layout.places import Container, Cursor, Origin, Part, Phase, Scope, Style
from packetkit.layout.single import place_slot
from packetkit.layout.size import MAXIMUM_BITS, longest, shortest, useful_bits
from packetkit.layout.slots import Packing, Range, Slot
from packetkit.layout.spans import Checks
from packetkit.layout.supplied import note_untold, place_supplied
from packetkit.layout.variants import padded_variants, place_variants
from packetkit.schema.model import Field, Frame, Place
from packetkit.schema.text import MAXIMUM_PROBLEMS
from packetkit.schema.words import closest, shown

_MOST_LISTED = 12
_MOST_COMPARED = 200
_ALONE = ("constant", "sync", "tag", "count", "length", "reserved", "check", "derived", "supplied")
_VARYING = ("present_when", "repeat", "length", "variants")  # keys of what a group of words cannot hold


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
        self.behind: list[beside.Behind] = []
        self.judged: dict[str, Place] = {}  # address of a field to where it says what its codes are told by
        self.parts: list[Part] = []  # the innermost last: what an end belongs to
        self.ending: set[int] = set()  # numbers of the lists to the end whose elements are being placed
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
        self.seen: set[int] = set()  # identities of the length fields that were come by, placed or not
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
        packing = packing_of(frame.packing) or Packing.MOST
        style = Style(packing, frame.order)
        root = Container(self.next_node, Cursor(0, Phase(), Origin(Phase())), "")
        scope = Scope(None)
        self.parts.append(Part(-1, root.cursor, [root]))
        whole = whole_frame_length(frame.fields)
        opened = None if whole is None else open_measured(self, whole, root, "")
        into = root if opened is None else opened.inside
        self.place_all(frame.fields, into, scope, style, ())
        complete_last_byte(self, into, style)
        if opened is not None and self.placed:
            close_measured(self, opened, style, ())
        nodes = beside.told_behind(self, root.close())
        repeats.note_unused_counts(self)
        note_unused(self, self.frame.fields)
        note_astray(self, self.frame.fields)
        if not self.whole or not frame.fields:
            return None
        # Exact, where the cursor's sums need not be: padding inside elements depends on where each of them starts.
        most = None if root.cursor.high is None else longest(nodes)
        if most is not None and most > MAXIMUM_BITS and not self.bounded:
            size = -(-most // 8)
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
        note_untold(self, made)
        beside.note_raised(self, made)
        return replace(made, fingerprint=fingerprint(made))

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
        fills = (filler(self.frame), f"{by.name}_fill" if by is not None and by.fill is not None else "")
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
        if one.kind == "length":
            self.seen.add(id(one))
        if (one.present_when or one.repeat) and one.kind in _ALONE:
            what = "present_when" if one.present_when else "repeat"
            text = f"a {one.kind} field cannot have {what}"
            remedy = _once(one, what)
            self.note(one.places.get(what, one.place), "not-repeatable", self.full(address), text, remedy)
            self.placed = False
            scope.broken.add(one.name)
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
            place_optional(self, one, into, scope, style, path, address)
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
            place_group(self, one, into, inner, style, path, address)
        elif one.kind == "reserved" and one.up_to is not None and one.bits is None:
            place_fill(self, one, into, style, path, address)
        elif one.kind == "supplied":
            place_supplied(self, one, into, scope, path, address)
        elif one.kind == "derived":
            made = self.derivations.add(one, into.holder, path, address, scope, self.full(address))
            if made is None:
                scope.broken.add(one.name)
            else:
                scope.derived[one.name] = made
        elif one.kind in ("text", "bytes"):
            repeats.place_text(self, one, into, scope, style, path, address)
        elif one.kind == "variants":
            place_variants(self, one, into, scope, style, path, address)
        else:
            place_slot(self, one, into, scope, style, path, address)

    def suggest(self, name: str, scope: Scope, kinds: tuple[str, ...] = (), *, behind: bool = False) -> str:
        """The remedy for a name that is not there: what was meant, or what there is of these kinds (all: any).

        behind: it may stand behind the field, too, but what others tell is no answer.
        """
        if self.is_flooded:
            return ""
        names = list(islice(scope.names(kinds), _MOST_COMPARED))
        names = [name for name in names if not _is_told(scope, name)] if behind else names
        if name in names:
            names.remove(name)
            if scope.find(name) is None:
                return f"A nearer {name.partition('.')[0]} hides it: give one of them another name."
        near = next((one for one in names if one.endswith(f".{name}")), None) or closest(name, names)
        meant = f"Did you mean {near}? " if near else ""
        if not meant and name in self.declared and scope.find(name) is None:
            if behind:
                return f"{shown(name)} is inside another group, a list or a variant; move it out of there."
            return f"{shown(name)} stands further down or inside another group; move it above this field, into its group or one around it."
        if not names:
            what = kinds[0] if len(kinds) == 1 else "field that would do"
            return f"No {what} stands {'beside' if behind else 'before'} it in its group or one around it."
        return f"{meant}One of: {', '.join(names)}." if len(names) <= _MOST_LISTED else meant.strip()

    @cached_property
    def declared(self) -> frozenset[str]:
        """Every field's name, wherever in the frame it stands."""

        def names(fields: tuple[Field, ...]) -> Iterator[str]:
            for one in fields:
                yield one.name
                yield from names(one.fields)

        return frozenset(names(self.frame.fields))

    # -- what others place ---------------------------------------------------------------------------------------------------

    def character_slot(self, address: str) -> Slot:
        """The slot of one octet that no field declares."""
        made = Meaning(8, {"kind": "character", "legal": (Range(0, 255),)})
        return self.new_slot(made, (), address)

    def body(self, one: Field, into: Container, scope: Scope, style: Style, address: str) -> None:
        """What an element or an optional holds: a group's members in a container of their own, or one bare value."""
        if one.kind in ("group", "flags"):
            place_group(self, one, into, scope, style, (), address)
        else:
            self.plain(one, into, scope, style, (), address)

    def snapshot(self) -> tuple[int, ...]:
        return (
            len(self.problems),
            len(self.checks.pending),
            len(self.derivations.pending),
            len(self.gains),
            len(self.carried),
            len(self.behind),
            len(self.slots),
            self.nodes,
            int(self.whole),
            int(self.placed),
        )

    def restore(self, saved: tuple[int, ...]) -> None:
        problems, checks, derived, gains, envelopes, behind, slots, self.nodes, whole, placed = saved
        while len(self.problems) > problems:
            self.problems.popitem()
        while len(self.slots) > slots:
            self.counts.pop(self.slots.pop().number, None)
        del self.checks.pending[checks:], self.derivations.pending[derived:]
        del self.gains[gains:], self.carried[envelopes:], self.behind[behind:]
        self.whole, self.placed = bool(whole), bool(placed)
        self.roles = {role: (where, number) for role, (where, number) in self.roles.items() if number < slots}


# -- helpers without state ------------------------------------------------------------------------------------------------------


def _once(one: Field, what: str) -> str:
    """The remedy for a field that cannot be optional, or a list, by itself."""
    if one.kind == "supplied" or (one.kind == "length" and one.measures == WHOLE_FRAME):
        return f"Leave {what} out: it belongs to the frame, which is always there."
    into = {
        "derived": "Put it into a group with the fields that it is worked out from, and give the group",
        "count": "Put it into a group with what it counts, and give the group",
        "length": f"Put it into a group with {one.measures}, and give the group",
    }
    return f"{into.get(one.kind, 'Put it into a group, and give the group')} {what}."


def _is_told(scope: Scope, name: str) -> bool:
    """Whether other fields say what the code of a slot means."""
    found = scope.find(name)
    slot = None if found is None else found[0].slots.get(found[1])
    return slot is not None and bool(slot.tellers)


def _derives(fields: tuple[Field, ...]) -> bool:
    """Whether any of these fields, or inside them, is worked out on the ground, or not sent."""
    return any(
        one.derived
        or one.kind == "supplied"
        or _derives(one.fields)
        or any(_derives(variant.fields) for variant in one.variants)
        for one in fields
    )


def _runs_to_end(node: Node) -> bool:
    """Whether a frame that ends in a node is as long as the bytes at hand."""
    if isinstance(node, Repeat):
        return node.runs_to_end
    if isinstance(node, Choice):
        return any(_runs_to_end(inner) for branch in node.branches for inner in branch.body)
    return isinstance(node, Optional) and node.by is None
