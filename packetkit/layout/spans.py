"""Which bits a check covers, and in what order they are fed: resolved last, when every place of the frame is known.

A span is a run of whole fields, possibly with holes (WIRE.md 16). Here names become marks, touching stretches become one, octets are told
from loose bits, and checks that cover each other are put in an order, or refused.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import gcd
from typing import Protocol

from packetkit.errors import AlgorithmError, UnknownAlgorithm
from packetkit.integrity import catalog
from packetkit.integrity.algorithm import Algorithm
from packetkit.layout.fed import Feeding
from packetkit.layout.model import Node, Repeat, Run, bodies, slots_of, walk, with_bodies
from packetkit.layout.places import Container, Phase, Scope, Spot, Style
from packetkit.layout.slots import Check, Packing, Slot
from packetkit.schema.model import Covers, CustomCrc, Field, ListedParity, Place
from packetkit.schema.words import shown


class Note(Protocol):
    """Notes a problem: place, rule, path, summary, remedy."""

    def __call__(self, place: Place, rule: str, path: str, summary: str, remedy: str = "") -> None: ...


@dataclass(slots=True)
class PendingCheck:
    """A check whose span waits for every place to be known."""

    one: Field
    slot_number: int
    algorithm: Algorithm
    scope: Scope
    start: Spot
    spot: Spot
    path: str
    style: Style


@dataclass
class Checks:
    """The checks of one frame, gathered while it is laid out. suggest: the remedy for an unknown name, of some kinds (none: any)."""

    note: Note
    suggest: Callable[[str, Scope, tuple[str, ...]], str]
    pending: list[PendingCheck] = field(default_factory=list)

    def algorithm(self, one: Field, where: str) -> Algorithm | None:
        """The algorithm that a check asks for, or None where that was noted."""
        asked = one.algorithm
        place = one.places["algorithm"]
        if isinstance(asked, ListedParity):
            return catalog.listed_parity(asked.parity, asked.final_xor)
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
            listed = (
                "Write one such as CRC-16/IBM-3740 or SUM-8; packetkit check --algorithms lists them all."
            )
            remedy = f"Did you mean {near}?" if near else listed
            self.note(place, "algorithm-unknown", where, f"no check is named {shown(asked)}", remedy)
            return None

    def with_spans(self, root: Container, nodes: tuple[Node, ...]) -> tuple[Node, ...]:
        """The nodes with every check slot's span resolved, and size-0 runs where a span ends at a container's end."""
        found: dict[int, Check] = {}
        for pending in self.pending:
            check = self.check(pending, root)
            if check is not None:
                found[pending.slot_number] = check
        return _with_checks(nodes, found)

    def check(self, pending: PendingCheck, root: Container) -> Check | None:
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
        fed = Feeding(pending, self.note, self.suggest).told()
        if fed is None:
            return None
        marks = tuple((start.mark(), end.mark()) for start, end in spans)
        own = (one.self_rule or "zero") if own_span else None
        least = pending.style.packing is Packing.LEAST
        plain = Check(pending.algorithm, marks, own, one.fill == "zero", False, least)
        check = replace(plain, **fed)
        if self.mixes(check, spans, root, split=bool(one.runs)):
            text = "its span holds bits of both packings, and an octet of it would be made of both"
            remedy = "Cover whole bytes: add reserved bits before the group that changes the packing."
            self.note(one.places.get("covers", one.place), "span-octets", pending.path, text, remedy)
            return None
        return self.octets(pending, spans, check)

    def spans(self, pending: PendingCheck, root: Container) -> list[tuple[Spot, Spot]] | None:
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

    def named_spans(self, pending: PendingCheck, covers: Covers) -> list[tuple[Spot, Spot]] | None:
        place = pending.one.places["covers"]
        found: dict[str, tuple[Scope, str]] = {}
        for name in (*covers.names, *((covers.start, covers.end) if covers.what == "range" else ())):
            hit = pending.scope.find(name)
            if hit is None or hit[1] not in hit[0].spans:
                text = f"{shown(name)} is not a field of its group or of one around it"
                at = _place_of_name(pending.one, covers, name)
                self.note(at, "span-unknown", pending.path, text, self.suggest(name, pending.scope, ()))
                return None
            if hit[0].split is not None and (covers.what == "range" or hit[0].slots[hit[1]].pieces):
                text = f"the bits of {shown(name)} lie among those of a split value"
                at = _place_of_name(pending.one, covers, name)
                remedy = (
                    "Cover the whole group that it is in, or name those of its fields that are not split."
                )
                self.note(at, "runs-unfit", pending.path, text, remedy)
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

    def mixes(self, check: Check, spans: list[tuple[Spot, Spot]], root: Container, *, split: bool) -> bool:
        """Whether octets of a span would be made of bits that are numbered from either end.

        Not where the bits of the other packing, which are whole bytes of the frame, are whole octets of the span too.
        """
        whole = check.own != "skip" or (
            check.algorithm.width % 8 == 0 and not split
        )  # so far, whole bytes of the frame
        whole = whole and sum(one.bits for one in check.front) % 8 == 0
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

    def octets(self, pending: PendingCheck, spans: list[tuple[Spot, Spot]], check: Check) -> Check | None:
        """Decide between feeding octets and feeding bits as they lie on the wire (WIRE.md 16)."""
        if check.algorithm.family == "linear":
            return self.listed(pending, spans, check)
        size = Phase(64, sum(one.bits for one in check.front) % 64)
        for start, end in spans:
            length = _length(start, end)
            size = Phase(gcd(size.modulus, length.modulus), 0).plus(size.remainder + length.remainder)
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

    def listed(self, pending: PendingCheck, spans: list[tuple[Spot, Spot]], check: Check) -> Check | None:
        """Feed bits as they lie on the wire, where they are always as many and those that are listed among them."""
        sizes = [_exact(start, end) for start, end in spans]
        own = pending.algorithm.width if check.own == "skip" else 0
        fed = sum(one.bits for one in check.front) + len(check.also) * 8 - own
        fed += sum(size for size in sizes if size is not None)
        farthest = max(max(one) for one in check.algorithm.listed)
        if None in sizes:
            text = "what it covers varies in size, so its bits cannot be listed"
            remedy = "Cover fields of fixed size: covers: [names]."
        elif farthest > fed:
            text = f"it lists bit {farthest}, and {fed} bits are fed to it"
            remedy = f"List bits from 1 to {fed}, or cover more."
        else:
            return replace(check, in_wire_order=True, zero_filled=False)
        self.note(pending.one.places["algorithm"], "parity-unfit", pending.path, text, remedy)
        return None

    def order(self, nodes: tuple[Node, ...], slots: tuple[Slot, ...]) -> tuple[int, ...]:
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
        for (
            slot
        ) in checks:  # one that stands in each element and covers them all would cover itself in the others
            if slot.check and any(_covers(slot.check, (node.number, 0)) for node in around[slot.number]):
                inside[slot.number].add(slot.number)
        order: list[int] = []
        while len(order) < len(checks):
            ready = [n for n, needs in inside.items() if n not in order and needs <= set(order)]
            if not ready:
                left = [pending for pending in self.pending if pending.slot_number not in order]
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


Span = tuple[Spot, Spot]


def _joined(spans: list[Span]) -> list[Span]:
    """Spans in wire order, empty ones dropped, touching ones made one."""
    made: list[Span] = []
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


def _less(start: Spot, end: Spot, holes: list[Span]) -> list[Span]:
    """The span from start to end without the holes."""
    made: list[Span] = []
    for hole_start, hole_end in holes:
        if start.rank < hole_start.rank:
            made.append((start, hole_start))
        start = max(start, hole_end, key=lambda spot: spot.rank)
    return [*made, (start, end)] if start.rank < end.rank else made


def _exact(start: Spot, end: Spot) -> int | None:
    """The number of bits between two positions, where it is always the same."""
    first, last = start.cursor, end.cursor
    if start.container is end.container and start.index == end.index:
        return end.bits - start.bits
    if first.at is not None and last.at is not None:
        return last.at - first.at
    if first.high is None or last.high is None or start.container is not end.container:
        return None
    return last.low - first.low if last.low - first.low == last.high - first.high else None


def _length(start: Spot, end: Spot) -> Phase:
    """What is known of the number of bits between two positions."""
    first, last = start.cursor, end.cursor
    if start.container is end.container and start.index == end.index:
        return Phase(64, (end.bits - start.bits) % 64)
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
        else:
            made.append(with_bodies(node, tuple(_with_checks(inner, found) for inner in bodies(node))))
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
            found.update((slot.number, around) for slot in slots_of(node))
            several = isinstance(node, Repeat) and node.maximum != 1
            for body in bodies(node):
                look(body, (*around, node) if several and isinstance(node, Repeat) else around)

    look(nodes, ())
    return found


def _covers(check: Check, position: tuple[int, int]) -> bool:
    end = (1 << 62, 0)
    return any(
        (start.node, start.bits) <= position < ((stop.node, stop.bits) if stop.node >= 0 else end)
        for start, stop in check.spans
    )
