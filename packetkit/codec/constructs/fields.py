"""The constructs of single fields: values, constants, counts, reserved bits and fill, each on a stream of bits.

A field that fills itself looks ahead into the record for what tells of it; one whose code others ask for notes it for them.
"""

from __future__ import annotations

from functools import partial
from typing import Any

from construct import (
    BitsInteger,
    Bytes,
    ByteSwapped,
    Const,
    Construct,
    ExprAdapter,
    ExprSymmetricAdapter,
    ExprValidator,
    Rebuild,
)
from construct.lib import bits2integer, integer2bits

from packetkit.codec.constructs.given import (
    ABSENT,
    HIDDEN,
    code_given,
    decoder,
    fault,
    is_among,
    is_clamped,
    raw_of,
    reserved_raw,
    same,
    value_at,
)
from packetkit.codec.constructs.plan import Place, Plan
from packetkit.codec.constructs.progress import is_parsing, progress_of
from packetkit.layout.model import Fill, Repeat
from packetkit.layout.slots import Packing, Slot


class Fields:
    """Makes the constructs of one frame's fields. own: the packing of the group that a field goes into."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan

    def slot(self, slot: Slot, own: Packing) -> Construct:
        code = self.code(slot, own)
        if slot.is_value:
            return self.value(slot, code)
        if slot.kind == "count":
            return self.count(slot, code)
        if slot.kind == "reserved":
            return self.reserved(slot, code)
        constant = Const(slot.codes[0].low, code)
        return ExprAdapter(constant, same, lambda given, context: code_given(slot, given))

    def code(self, slot: Slot, own: Packing) -> Construct:
        """The slot's raw code, from its bits in whichever order they count."""
        code = BitsInteger(slot.width, signed=slot.signed, swapped=slot.octets_reversed)
        if (own is Packing.LEAST) != slot.bits_reversed and slot.width > 1:
            code = ByteSwapped(code)  # in a stream of bits, a byte is a bit
        if slot.number not in self.plan.asked:
            return code

        def note(raw: int, context: Any) -> int:
            progress_of(context).codes[slot.number] = raw
            return raw

        return ExprSymmetricAdapter(code, note)

    def value(self, slot: Slot, code: Construct) -> Construct:
        if slot.kind == "flag":
            return ExprAdapter(code, lambda raw, context: raw == 1, partial(self.flag_raw, slot))
        if slot.kind == "tag":
            # Built from a value, the code is judged by number.to_raw; given as {"raw": n} it is sent as it is.
            code = ExprValidator(
                code, lambda raw, context: not is_parsing(context) or is_among(slot.codes, raw)
            )
        return ExprAdapter(code, decoder(slot), lambda given, context: raw_of(slot, given))

    def flag_raw(self, flag: Slot, given: object, context: Any) -> int:
        """A flag's code: as given or told by the rest of the record, and 1 where a value was clamped."""
        if given is ABSENT:
            given = self.told_flag(flag, context)
        raw = raw_of(flag, given)
        for slot in self.plan.raising.get(flag.number, ()):
            values = self.given(flag, self.plan.slots[slot.number], context)
            if any(is_clamped(slot, value) for value in values) and not raw:
                self.agree_with_raised(flag, context)
                raw = 1
        return raw

    def agree_with_raised(self, flag: Slot, context: Any) -> None:
        """Refuse a record in which a flag that is raised would say that a part is there, and it is not, or the other way round."""
        for node in self.plan.governed.get(flag.number, ()):
            for value in self.given(flag, self.plan.nodes[node.number], context):
                is_there = value is not ABSENT and value is not None
                if is_there is not is_among(node.codes, 1):
                    shape = "given" if is_there else "not given"
                    raise fault(
                        node.address, f"{shape}, but clamping raises {flag.address}, which tells of it"
                    )

    def told_flag(self, flag: Slot, context: Any) -> object:
        """What a flag is that was not given: whether what it governs is there, its default, or not raised."""
        said = {
            (value is not ABSENT and value is not None) is is_among(node.codes, 1)
            for node in self.plan.governed.get(flag.number, ())
            for value in self.given(flag, self.plan.nodes[node.number], context)
        }
        if len(said) > 1:
            raise fault(
                flag.address,
                "it tells of several parts, and only some of them are given. Give it, or all of them",
            )
        if said:
            return said.pop()
        fills_itself = flag.number in self.plan.governed or flag.number in self.plan.raising
        return False if flag.default is None and fills_itself else ABSENT

    def given(self, slot: Slot, target: Place, context: Any) -> list[object]:
        """What a record says of a place, seen from an earlier slot: a value for each element it lies in."""
        home = self.plan.slots[slot.number]
        for _ in home.path[1:]:
            context = context["_"]
        found: list[object] = [context]
        for node in target.around[len(home.around) :]:
            found = [value_at(one, node.path) for one in found]
            if isinstance(node, Repeat):
                found = [one for many in found if isinstance(many, (list, tuple)) for one in many]
            else:
                found = [one for one in found if one is not None and one is not ABSENT]
        return [value_at(one, target.path) for one in found]

    def count(self, slot: Slot, code: Construct) -> Construct:
        most = slot.raw_limits[1] if slot.maximum_count is None else slot.maximum_count
        key = HIDDEN + self.plan.slots[slot.number].path[-1]

        def length(context: Any) -> int:
            told = code_given(slot, context[key])
            found = set() if told is None else {told}
            for node in self.plan.counted.get(slot.number, ()):
                lists = self.given(slot, self.plan.nodes[node.number], context)
                found |= {len(many) for many in lists if isinstance(many, (list, tuple))}
            if len(found) > 1:
                sizes = " and ".join(map(str, sorted(found)))
                raise fault(
                    slot.address, f"it cannot be {sizes} at once. Leave it out, give lists of one length"
                )
            return found.pop() if found else 0

        return Rebuild(ExprValidator(code, lambda raw, context: raw <= most), length)

    def reserved(self, slot: Slot, code: Construct) -> Construct:
        if slot.strict:
            code = ExprValidator(code, lambda raw, context: not (raw and is_parsing(context)))
        return ExprAdapter(code, same, lambda given, context: reserved_raw(slot, given))

    def fill(self, node: Fill, own: Packing) -> Construct:
        """Reserved bits up to the next boundary: none where the frame is there already."""
        slot, turn = node.slot, -1 if own is Packing.LEAST else 1

        def width(context: Any) -> int:
            at: int = context["_io"].tell()
            return -at % node.unit_bits

        def to_bits(given: object, context: Any) -> bytes:
            raw, size = reserved_raw(slot, given), width(context)
            if raw >> size:
                raise fault(slot.address, f"raw code {raw} does not fit the {size} bits that there are here")
            bits: bytes = integer2bits(raw, size) if size else b""
            return bits[::turn]

        def to_raw(bits: bytes, context: Any) -> int:
            raw: int = bits2integer(bits[::turn]) if bits else 0
            if slot.strict and raw:
                raise fault(slot.address, f"reserved bits are {raw}, not zero")
            return raw

        return ExprAdapter(Bytes(width), to_raw, to_bits)
