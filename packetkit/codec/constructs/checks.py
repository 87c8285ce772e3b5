"""The constructs of checks: a Checksum where it stands, or behind a Pointer once what it covers is there."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from construct import Bytes, Checksum, Construct, ExprSymmetricAdapter, If, Pointer
from construct.lib import bits2bytes, bits2integer, bytes2bits, swapbitsinbytes

from packetkit.codec.constructs.fields import Fields
from packetkit.codec.constructs.given import ABSENT, HIDDEN, code_given, fault
from packetkit.codec.constructs.plan import Plan
from packetkit.codec.constructs.progress import Progress, is_parsing, progress_of
from packetkit.integrity import crc
from packetkit.layout.slots import Check, Packing, Slot


class Checks:
    """Makes the constructs of one frame's checks."""

    def __init__(self, plan: Plan, fields: Fields) -> None:
        self.plan = plan
        self.fields = fields

    def check(self, slot: Slot, own: Packing) -> Construct:
        """A check where it stands: computed there, or its place kept for `late_checks`."""
        key = HIDDEN + self.plan.slots[slot.number].path[-1]

        def here(context: Any) -> tuple[int, object]:
            return context["_io"].tell(), context.get(key, ABSENT)

        def keep(given: object, context: Any) -> bytes:
            # Parsing, the bits have gone by already; building, they are still to come.
            at = context["_io"].tell() - (slot.width if is_parsing(context) else 0)
            progress_of(context).checks[slot.number] = (at, given)
            return bytes(slot.width)

        if slot.number in self.plan.late:
            return ExprSymmetricAdapter(Bytes(slot.width), keep)
        return self.checksum(slot, own, here)

    def late_checks(self, node: int) -> Iterator[Construct]:
        """The checks that are computed at the end of a node (-1: the frame), each after those it covers."""
        for check in self.plan.layout.check_order:
            if self.plan.late.get(check) == node:
                yield self.late_check(self.plan.layout.slots[check])

    def late_check(self, slot: Slot) -> Construct:
        def kept(context: Any) -> tuple[int, object]:
            return progress_of(context).checks[slot.number]

        made = self.checksum(slot, self.plan.root.packing, kept)
        pointed = Pointer(lambda context: kept(context)[0], made)
        # In an optional group it may not be there.
        return If(lambda context: slot.number in progress_of(context).checks, pointed)

    def checksum(self, slot: Slot, own: Packing, stands: Callable[[Any], tuple[int, object]]) -> Construct:
        """The check over its spans. stands: the bit where it begins, and what the record says of it."""
        check = slot.check
        assert check is not None

        def covered(context: Any) -> tuple[bytes, int | None]:
            at, given = stands(context)
            bits = self.covered(check, slot.width, at, progress_of(context))
            return bits, None if is_parsing(context) else code_given(slot, given)

        def value(covered: tuple[bytes, int | None]) -> int:
            bits, given = covered
            found = self.check_value(check, bits)
            if given is not None and given != found:
                raise fault(slot.address, f"it is {found} here, not {given}. Leave it out: it fills itself")
            return found

        return Checksum(self.fields.code(slot, own), value, covered)

    def covered(self, check: Check, width: int, own: int, progress: Progress) -> bytes:
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
