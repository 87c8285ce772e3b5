"""The construct of a whole frame, part by part: groups, repeats and optionals around fields and checks.

A frame of fixed size is transformed as a whole; one whose size shows only once it is read takes all that it can have, and the stream is
set back to where it ended.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from construct import (
    Array,
    Computed,
    Construct,
    Container,
    ExprAdapter,
    FixedSized,
    FocusedSeq,
    If,
    IfThenElse,
    Pass,
    Seek,
    Struct,
    Tell,
    Terminated,
    Transformed,
)
from construct.core import stream_size, stream_tell
from construct.lib import bits2bytes, bytes2bits

from packetkit.codec.constructs.checks import Checks
from packetkit.codec.constructs.fields import Fields
from packetkit.codec.constructs.given import ABSENT, HIDDEN, fault, is_among, same
from packetkit.codec.constructs.groups import Group, Leaf, container_of, leaves
from packetkit.codec.constructs.orders import turn_of, turned
from packetkit.codec.constructs.plan import Plan
from packetkit.codec.constructs.progress import begin, is_parsing, progress_of
from packetkit.layout.model import Fill, Layout, Optional, Repeat
from packetkit.layout.shown import shown
from packetkit.layout.slots import Packing


class Maker:
    """Makes a layout's construct, part by part. own: the packing of the group that a part goes into."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.plan = Plan(layout)
        self.fields = Fields(self.plan)
        self.checks = Checks(self.plan, self.fields)

    def frame(self) -> Construct:
        """The whole frame over octets."""
        turn = turn_of(self.plan.root.packing)

        def to_bits(octets: bytes) -> bytes:
            return turn(bytes2bits(octets))

        def to_octets(bits: bytes) -> bytes:
            octets: bytes = bits2bytes(turn(bits))
            return octets

        end = [Terminated] if self.layout.runs_to_end else []
        members = self.members(self.plan.root)
        parts = [Computed(begin), *members, Computed(self.end), *self.checks.late_checks(-1), *end]
        made = self.mapping(self.plan.root, parts)
        size = self.layout.size_bytes
        if size is not None:
            return Transformed(made, to_bits, size, to_octets, size)
        # A frame whose size shows only once it is read: take all it can have, then go back to where it ended.
        whole = Transformed(made, to_bits, None, to_octets, None)
        there_and_back = FocusedSeq(
            "frame",
            "start" / If(is_parsing, Tell),
            "frame" / IfThenElse(is_parsing, FixedSized(self.window, whole), whole),
            If(is_parsing, Seek(lambda context: context["start"] + progress_of(context).starts[-1] // 8)),
        )
        # compile() writes out a sequence but not the functions in it; an adapter it takes as it is.
        return ExprAdapter(there_and_back, same, same)

    def window(self, context: Any) -> int:
        """How many octets a frame may take here."""
        stream = context["_io"]
        left: int = stream_size(stream) - stream_tell(stream, "(parsing)")
        most = None if self.layout.runs_to_end else self.layout.maximum_bytes
        return left if most is None else min(left, most)

    def end(self, context: Any) -> None:
        progress_of(context).starts[-1] = context["_io"].tell()

    # -- groups, repeats, optionals --------------------------------------------------------------------------

    def members(self, group: Group) -> Iterator[Construct]:
        for member in group.members:
            if isinstance(member, Leaf) and member.first and member.node.number in self.plan.marked:
                yield self.note_start(member.node.number)
            if member.key:
                made = self.member(member, member.key, group.packing)
                yield (member.key if member.is_value else HIDDEN + member.key) / made

    def note_start(self, node: int) -> Construct:
        return Computed(lambda context: progress_of(context).starts.update({node: context["_io"].tell()}))

    def member(self, member: Leaf | Group, key: str, own: Packing) -> Construct:
        """One member of a group, whatever it is. key: the group's key under which its value is found."""
        if isinstance(member, Group):
            return turned(self.mapping(member, list(self.members(member))), own, member)
        if isinstance(member.node, Repeat):
            return self.repeat(member.node, key, own)
        if isinstance(member.node, Optional):
            return self.optional(member.node, key, own)
        if isinstance(member.node, Fill):
            return self.fields.fill(member.node, own)
        assert member.slot is not None
        if member.slot.kind == "check":
            return self.checks.check(member.slot, own)
        return self.fields.slot(member.slot, own)

    def mapping(self, group: Group, members: list[Construct], *, needed: bool = False) -> Construct:
        """A Struct that parses into its values alone, and builds from a mapping that has no unknown key.

        needed: the mapping itself must be given; else an absent one counts as an empty one.
        """
        kept = {one.key: one.key if one.is_value else HIDDEN + one.key for one in group.members if one.key}
        values = [one.key for one in group.members if one.is_value]

        def to_values(parsed: Any, context: Any) -> Any:
            return Container((key, parsed[key]) for key in values)

        def to_members(given: object, context: Any) -> dict[str, object]:
            if given is ABSENT and not needed:
                given = {}
            if not isinstance(given, Mapping):
                what = "nothing was given" if given is ABSENT else f"{shown(given)} is not a mapping"
                raise fault(group.address, f"{what}. Give a mapping with the keys {', '.join(values)}")
            unknown = [shown(key) for key in given if key not in kept]
            if unknown:
                keys = ", ".join(kept)
                raise fault(group.address, f"{', '.join(unknown)} is none of its keys. They are {keys}")
            return {name: given.get(key, ABSENT) for key, name in kept.items()}

        return ExprAdapter(Struct(*members), to_values, to_members)

    def container(self, node: Repeat | Optional, key: str, outer: Packing) -> Construct:
        """One element of a repeat, or the body of an optional."""
        group = container_of(node, outer)
        if node.bare:
            # Its one value has no key of its own; a list in an optional goes by the optional's.
            leaf = next(leaf for leaf in leaves(group.members) if leaf.is_value)
            made = self.member(leaf, key, group.packing)
        else:
            parts = [*self.members(group), *self.checks.late_checks(node.number)]
            made = self.mapping(group, parts, needed=True)
        return turned(made, outer, group)

    def repeat(self, node: Repeat, key: str, own: Packing) -> Construct:
        to_end = node.count is None and node.counted_by is None

        def times(context: Any) -> int:
            if node.count is not None:
                return node.count
            progress = progress_of(context)
            if node.counted_by is not None:
                return progress.codes[node.counted_by]
            if not is_parsing(context):
                return len(context[key])
            room: int = stream_size(progress.stream) - progress.stream.tell() - node.trailer_bits
            return limited(max(room, 0) // node.minimum_bits)

        def limited(count: int) -> int:
            if node.maximum is not None and count > node.maximum:
                raise fault(node.address, f"{count} elements are more than its maximum of {node.maximum}")
            return count

        def to_list(given: object, context: Any) -> object:
            if not isinstance(given, (list, tuple)):
                what = "nothing was given" if given is ABSENT else f"{shown(given)} is not a list"
                raise fault(node.address, f"{what}. Give a list, empty where there are no elements")
            if to_end:
                limited(len(given))
            return given

        return ExprAdapter(Array(times, self.container(node, key, own)), same, to_list)

    def optional(self, node: Optional, key: str, own: Packing) -> Construct:
        assert node.by is not None
        number_of = node.by
        by = self.layout.slots[number_of].address

        def is_there(context: Any) -> bool:
            return is_among(node.codes, progress_of(context).codes[number_of])

        def to_nothing(given: object, context: Any) -> None:
            if given is not ABSENT and given is not None:
                raise fault(
                    node.address, f"given, though {by} says that it is not there. Drop it, or set {by}"
                )

        def to_body(given: object, context: Any) -> object:
            # A value that is left out is None here, whatever its default: that a part is there has to be said.
            return None if node.bare and given is ABSENT else given

        absent = ExprAdapter(Pass, same, to_nothing)
        there = ExprAdapter(self.container(node, key, own), same, to_body)
        return IfThenElse(is_there, there, absent)
