"""What one step of resolution costs or saves: in bits, in bytes of the frame at its longest, in seconds on the air.

One step is the next value of the series 1, 2, 5 (WIRE.md 21). How it is counted:

- By meaning: the range stays, and where it is not a whole number of new steps its maximum is raised to the next one. The codes that mean
  missing keep their number and move above the range; `at_least` and `at_most` keep their values. The width is the least that holds
  them, in whole octets where these are sent in reversed order.
- By wire, with a scale other than 1 and no role: with minimum and maximum these stay; else 2^bits steps span what they spanned.
- The frame, at its longest: `up_to` padding and fills fit themselves. Elsewhere the reserved bits of the same group of bits (the frame, one
  element, one optional group; under another packing, the run) take up a change: a finer step uses them first, and what is beyond them adds
  whole bytes (words, in a group of words); a coarser step leaves what it saves to them, and whole bytes saved are dropped, but never whole
  bytes that were reserved before. Without reserved bits an element or group just changes its size; the frame is rounded up to bytes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from fractions import Fraction
from typing import NamedTuple

from packetkit.layout import number, printed, size
from packetkit.layout.curve import Curve
from packetkit.layout.model import (
    Choice,
    Continued,
    Fill,
    Layout,
    Measured,
    Node,
    Optional,
    Repeat,
    Run,
    fixed_size,
)
from packetkit.layout.roundtrip import roundtrips
from packetkit.layout.slots import Chosen, Linear, Packing, Range, Slot
from packetkit.mission.load import Link, Mission
from packetkit.schema import model

MAXIMUM_WIDTH = 64
UNITS = {"byte": 8, "word_16": 16, "word_32": 32}


class Step(NamedTuple):
    """One field, or several, at another step.

    step: the new one, None where several changed. bits: more of them in each value, for a single field. frame_bits: more in the longest
    frame, before padding; frame_bytes: more bytes after it; seconds: more on the air. None: the frame has no longest form, or no radio
    setting is known, or no packet holds it.
    """

    step: Fraction | None
    bits: int
    frame_bits: int
    frame_bytes: int | None
    seconds: Fraction | None


class Cost(NamedTuple):
    """A field's step now, and what the next finer and the next coarser one change; None where there is no such field."""

    slot: Slot
    step: Fraction
    finer: Step | None
    coarser: Step | None

    @property
    def matters(self) -> bool:
        """True where a step changes the width, or a finer one is there for nothing."""
        sides = (self.finer, self.coarser)
        return any(step is not None and step.bits for step in sides) or (
            self.finer is not None and not self.finer.bits
        )


class Picture(NamedTuple):
    """All fields of a frame that have a step, and all of them moved by one step at once."""

    costs: tuple[Cost, ...]
    all_finer: Step
    all_coarser: Step


def next_step(step: Fraction, finer: bool) -> Fraction:
    """The next value of the series 1, 2, 5, below the step where finer, else above it.

    >>> next_step(Fraction(1, 50), finer=True), next_step(Fraction(1, 16), finer=False)
    (Fraction(1, 100), Fraction(1, 10))
    """
    power = len(str(step.numerator)) - len(str(step.denominator))
    series = [digit * Fraction(10) ** (power + k) for k in (-2, -1, 0, 1) for digit in (1, 2, 5)]
    return max(one for one in series if one < step) if finer else min(one for one in series if one > step)


# -- the width of one field -----------------------------------------------------------------------------------------------


def width_at(slot: Slot, step: Fraction, whole_octets: bool = False) -> int | None:
    """The bits a number takes at another step, None where no field holds it (too wide, or two codes would share one double).

    whole_octets: its octets are sent in reversed order, so that above 8 bits there must be whole ones.
    """
    if slot.by_meaning:
        width, high = _width_by_meaning(slot, step)
        offset = slot.minimum or Fraction(0)
        changed = replace(
            slot, width=width, transform=Linear.of(step, offset), legal=(Range(0, high),), specials=()
        )
    else:
        scale = step if _transform(slot).scale > 0 else -step
        width = _width_by_wire(slot, scale)
        changed = replace(slot, width=width, transform=Linear.of(scale, _transform(slot).offset), specials=())
    if whole_octets and width > 8:
        width = -(-width // 8) * 8
    exact = width <= MAXIMUM_WIDTH and (width <= slot.width or roundtrips(changed))
    return width if exact else None


def _transform(slot: Slot) -> Linear:
    assert isinstance(slot.transform, Linear)
    return slot.transform


def _missing_codes(slot: Slot) -> int:
    return sum(one.high - one.low + 1 for one in slot.specials if one.meaning == "missing")


def _width_by_meaning(slot: Slot, step: Fraction) -> tuple[int, int]:
    """Width and highest code of the range; the codes for missing stand right above whatever else there is."""
    assert slot.minimum is not None and slot.maximum is not None
    high = top = _ceil((slot.maximum - slot.minimum) / step)
    old = _transform(slot).scale
    for special in slot.specials:
        if special.meaning != "missing":
            top = max(top, _ceil(special.high * old / step))
    return max((top + _missing_codes(slot)).bit_length(), 1), high


def _width_by_wire(slot: Slot, scale: Fraction) -> int:
    old = _transform(slot)
    if slot.minimum is None or slot.maximum is None:
        codes = _ceil(abs(old.scale / scale) * (1 << slot.width))
        return max((codes - 1).bit_length(), 1)
    new = Linear.of(scale, old.offset)
    low, high = sorted(number.round_raw(new, end) for end in (slot.minimum, slot.maximum))
    reserved = _missing_codes(slot)
    if slot.signed:
        return max((-(low - reserved) - 1).bit_length(), max(high, 0).bit_length()) + 1
    return max((high + reserved).bit_length(), 1)


def _ceil(number: Fraction) -> int:
    return -(-number.numerator // number.denominator)


def has_step(slot: Slot) -> bool:
    """True where a coarser or finer step is a thing to choose: a number by meaning, or scaled by wire and not a role's."""
    if (
        slot.kind != "number"
        or slot.role is not None
        or slot.coding
        or slot.pieces
        or isinstance(slot.transform, (Chosen, Curve))
    ):
        return False
    return slot.by_meaning or abs(_transform(slot).scale) != 1


# -- the frame's longest form -------------------------------------------------------------------------------------------------


class Frame(NamedTuple):
    """What the size of a frame depends on.

    base: the packing of the frame, which a group may depart from. pads: the unit of each reserved slot that fits itself, by its number.
    whole_octets: slots whose octets are reversed as soon as there are several.
    """

    layout: Layout
    base: Packing
    pads: Mapping[int, int]
    whole_octets: frozenset[int]

    def width_at(self, slot: Slot, step: Fraction) -> int | None:
        """The bits a slot of this frame takes at another step; None where no field holds it."""
        return width_at(slot, step, slot.number in self.whole_octets)


def frame_of(mission: Mission, name: str) -> Frame:
    """A frame of a mission, with the reserved bits that the schema lets fit themselves."""
    layout = mission.layouts[name]
    whole = next(one for one in mission.declared.frames if one.name == name)
    declared = declared_fields(whole)
    pads: dict[int, int] = {}
    for slot in layout.slots:
        if slot.kind == "reserved":
            one = declared.get(slot.address)
            if one is None and len(slot.path) > 1 and slot.path[-1].startswith("reserved"):
                continue  # zeros behind what is carried, or takes turns: they give way
            unit = (
                "byte" if one is None else one.up_to if one.bits is None else None
            )  # none: last_byte made it
            if unit is not None:
                pads[slot.number] = UNITS[unit]
    base = Packing(whole.packing) if whole.packing else Packing.MOST
    against = dict(_against(whole.fields, "", base, whole.order or _natural(base)))
    octets = frozenset(slot.number for slot in layout.slots if against.get(slot.address))
    return Frame(layout, base, pads, octets)


def _natural(packing: Packing) -> str:
    return "little" if packing is Packing.LEAST else "big"


def _against(
    fields: tuple[model.Field, ...], prefix: str, packing: Packing, order: str
) -> Iterator[tuple[str, bool]]:
    """Each field by address, True where its octet order is against its packing (WIRE.md 2)."""
    for one in fields:
        address = f"{prefix}{one.name}" + ("[]" if one.repeat else "")
        if one.word_bits is not None:  # words reverse octets by themselves
            continue
        inner = Packing(one.packing) if one.packing else packing
        kept = order if inner is packing and not one.carried else _natural(inner)
        yield address, (one.order or kept) != _natural(inner)
        yield from _against(one.fields, f"{address}.", inner, one.order or kept)


def declared_fields(frame: model.Frame) -> dict[str, model.Field]:
    """The declared fields of a frame by the address of their slot: `power.cell_voltage`, `readings[].field_x`."""
    return dict(_declared(frame.fields, ""))


def _declared(fields: tuple[model.Field, ...], prefix: str) -> Iterator[tuple[str, model.Field]]:
    for one in fields:
        address = f"{prefix}{one.name}" + ("[]" if one.repeat else "")
        yield address, one
        yield from _declared(one.fields, f"{address}.")
        for variant in one.variants:
            yield from _declared(variant.fields, f"{address}.{variant.name}.")


def longest_bits(frame: Frame, widths: Mapping[int, int]) -> int | None:
    """The bits of the longest frame, whole bytes, where some slots (by number) have another width.

    None where only the frame's length bounds it. See the module for how reserved bits are counted.
    """
    if frame.layout.maximum_bits is None:
        return None
    return -(-_end(frame, frame.layout.nodes, 0, widths) // 8) * 8


def _end(frame: Frame, nodes: tuple[Node, ...], at: int, widths: Mapping[int, int]) -> int:
    """The position after nodes that start at `at`, at their longest."""
    grown = _grown(frame, nodes, widths) if widths else {}
    for node in nodes:
        if isinstance(node, Run):
            at = _run_end(frame, node, at, widths) + grown.get(node.number, 0)
        elif isinstance(node, Fill):
            at = -(-at // node.unit_bits) * node.unit_bits
        elif isinstance(node, Continued):
            at += node.slot.width
        elif isinstance(node, (Optional, Measured)):
            at = _end(frame, node.body, at, widths)
        elif isinstance(node, Choice):
            at = max(_end(frame, branch.body, at, widths) for branch in node.branches)
        else:
            at = _repeated(frame, node, at, widths)
    return at


def _run_end(frame: Frame, run: Run, at: int, widths: Mapping[int, int]) -> int:
    if frame.pads.keys().isdisjoint(slot.number for slot in run.slots):
        return at + run.size_bits + sum(widths.get(s.number, s.width) - s.width for s in run.slots)
    for slot in run.slots:
        unit = frame.pads.get(slot.number)
        at = at + widths.get(slot.number, slot.width) if unit is None else -(-at // unit) * unit
    return at


def _repeated(frame: Frame, node: Repeat, at: int, widths: Mapping[int, int]) -> int:
    """The position after the most elements."""
    return size.after_elements(at, node.maximum or 0, lambda at: _end(frame, node.element, at, widths))


def _grown(frame: Frame, nodes: tuple[Node, ...], widths: Mapping[int, int]) -> dict[int, int]:
    """How many bits the reserved slots of each run (by number) take more, so that the changes of widths stay whole bytes."""
    grown: dict[int, int] = {}
    together = [node for node in nodes if isinstance(node, Run) and node.packing is frame.base]
    alone = [[node] for node in nodes if isinstance(node, Run) and node.packing is not frame.base]
    fills = any(isinstance(node, Fill) for node in nodes)
    for runs in (together, *alone):
        if fills or any(slot.number in frame.pads for run in runs for slot in run.slots):
            continue
        aligned = bool(runs) and runs[0].packing is not frame.base
        more = sum(_run_end(frame, run, 0, widths) - run.size_bits for run in runs)
        more += 0 if aligned else sum(_fixed_growth(frame, node, widths) for node in nodes)
        spare = [(run, slot) for run in runs for slot in run.slots if slot.kind == "reserved"]
        if more and (spare or aligned):
            holder = spare[-1][0] if spare else runs[0]
            unit = runs[0].packing.word_bits or 8
            grown[holder.number] = _refitted(sum(slot.width for _, slot in spare), more, unit)
    return grown


def _fixed_growth(frame: Frame, node: Node, widths: Mapping[int, int]) -> int:
    """How many bits more a repeat of constant size takes; 0 for every other node, which keeps to whole bytes by itself."""
    if not isinstance(node, Repeat) or not node.is_fixed:
        return 0
    return _repeated(frame, node, 0, widths) - (fixed_size(node) or 0)


def _refitted(spare: int, more: int, unit: int) -> int:
    """How many bits `spare` reserved bits change by when their neighbours take `more`, to keep a multiple of `unit`."""
    if more > 0:
        return -more if more <= spare else (spare - more) % unit - spare
    padding = spare % unit
    return (padding - more) % unit - padding


# -- the picture ----------------------------------------------------------------------------------------------------------------


def picture(mission: Mission, name: str) -> Picture:
    """What one step of resolution, finer or coarser, changes in a frame: field by field, and all fields together."""
    frame = frame_of(mission, name)
    meter = _Meter(mission.link, frame)
    costs: list[Cost] = []
    chosen: dict[bool, dict[int, int]] = {True: {}, False: {}}
    for slot in frame.layout.slots:
        if not has_step(slot):
            continue
        size = printed.step(slot) or Fraction(0)
        sides: dict[bool, Step | None] = {}
        for finer in (True, False):
            new = next_step(size, finer)
            width = frame.width_at(slot, new)
            sides[finer] = None if width is None else meter.step(new, {slot.number: width})
            if width is not None:
                chosen[finer][slot.number] = width
        costs.append(Cost(slot, size, sides[True], sides[False]))
    return Picture(tuple(costs), meter.step(None, chosen[True]), meter.step(None, chosen[False]))


def saving(mission: Mission, name: str, slot: Slot) -> Step | None:
    """The first coarser step of the series that makes a field narrower; for a field without steps, one bit less.

    None where the field has one bit, or its bits are not the team's to choose (IEEE numbers).
    """
    meter = _Meter(mission.link, frame_of(mission, name))
    if not has_step(slot):
        narrower = (
            slot.width > 1
            and slot.kind in ("number", "states", "tag")
            and not (slot.coding or slot.pieces or isinstance(slot.transform, (Chosen, Curve)))
            and slot.number not in meter.frame.whole_octets
        )
        return meter.step(None, {slot.number: slot.width - 1}) if narrower else None
    new = printed.step(slot) or Fraction(0)
    while True:
        new = next_step(new, finer=False)
        width = meter.frame.width_at(slot, new)
        if width is None or width == 1 or width < slot.width:
            return None if width is None or width >= slot.width else meter.step(new, {slot.number: width})


def at_widths(mission: Mission, name: str, widths: Mapping[int, int]) -> Step:
    """What a frame costs more or less with some fields at other widths, by slot number."""
    return _Meter(mission.link, frame_of(mission, name)).step(None, widths)


class _Meter:
    """Measures changes of widths against the frame as it is."""

    def __init__(self, link: Link, frame: Frame) -> None:
        self.link = link
        self.frame = frame
        self.times = slot_times(frame.layout)
        self.now = longest_bits(frame, {})

    def step(self, new: Fraction | None, widths: Mapping[int, int]) -> Step:
        slots = self.frame.layout.slots
        more = {n: width - slots[n].width for n, width in widths.items() if width != slots[n].width}
        after = longest_bits(self.frame, widths) if more else self.now
        bits = sum(more.values()) if len(widths) == 1 else 0
        total = sum(extra * self.times[n] for n, extra in more.items())
        return Step(new, bits, total, *_frame_cost(self.link, self.now, after))


def _frame_cost(link: Link, now: int | None, after: int | None) -> tuple[int | None, Fraction | None]:
    """More bytes, and more seconds on the air."""
    if now is None or after is None:
        return None, None
    before_s, after_s = link.time_on_air(now // 8), link.time_on_air(after // 8)
    return (after - now) // 8, None if before_s is None or after_s is None else after_s - before_s


def slot_times(layout: Layout, longest: bool = True) -> tuple[int, ...]:
    """How often each slot stands in the longest (or the shortest) frame; 0 in a repeat that only the frame's length bounds."""
    found = size.times(layout.nodes, longest_form=longest)
    return tuple(found.get(slot.number, 0) for slot in layout.slots)
