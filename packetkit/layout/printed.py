"""A layout in words: where each part lies, what a slot holds, and `print(layout)`.

Every renderer says these things (the table of `check`, the interface document, the explorer page), so they are said once, here, and
from the layout alone. Numbers are exact: nothing is rounded for show.

Offsets count bits. A place that is not constant is told from the frame's end where that is constant, else from the start of its part:
the element, the optional group, or the run after something of varying size.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from fractions import Fraction
from typing import NamedTuple

from packetkit.errors import counted
from packetkit.layout.chosen import words as scale_words
from packetkit.layout.coding import CODINGS
from packetkit.layout.curve import Curve, extremes
from packetkit.layout.fed import fed_text, mixed_slot
from packetkit.layout.model import (
    Branch,
    Choice,
    Continued,
    Derived,
    Fill,
    Layout,
    Measured,
    Node,
    Optional,
    Repeat,
    Run,
    bodies,
    fixed_size,
    slots_of,
    walk,
)
from packetkit.layout.moments import ends as time_ends
from packetkit.layout.numbered import numbers_of
from packetkit.layout.slots import (
    Bundle,
    Check,
    Chosen,
    Digits,
    Ieee,
    Joined,
    Linear,
    Packing,
    Range,
    Slot,
    Special,
)
from packetkit.schema.field_keys import TIME_UNITS, UNITS
from packetkit.schema.words import format_number

PACKINGS = {
    Packing.MOST: "most significant bit first",
    Packing.LEAST: "least significant bit first",
    Packing.WORD_16: "words of 16 bits, low octet first",
    Packing.WORD_32: "words of 32 bits, low octet first",
    Packing.WORD_64: "words of 64 bits, low octet first",
}


# -- places -------------------------------------------------------------------------------------------------------------


class Offset(NamedTuple):
    """A bit position. origin: `frame` (its start), `end` (the frame's end; bits is negative), or `part` (the start of its part)."""

    origin: str
    bits: int

    def plus(self, bits: int) -> Offset:
        return Offset(self.origin, self.bits + bits)

    def __str__(self) -> str:
        """The number, `end-16` before the frame's end, `+12` within its part."""
        return {"frame": f"{self.bits}", "end": f"end{self.bits:+}", "part": f"+{self.bits}"}[self.origin]


def places(layout: Layout) -> dict[int, Offset]:
    """Where each node starts, by its number."""
    found: dict[int, Offset] = {}
    _place(layout.nodes, found)
    to_end = 0
    for node in reversed(layout.nodes):
        size = fixed_size(node)
        if size is None:
            break
        to_end += size
        if found[node.number].origin != "frame":
            found[node.number] = Offset("end", -to_end)
    return found


def _place(nodes: tuple[Node, ...], found: dict[int, Offset]) -> None:
    """Place nodes by the frame where that is constant, else by their container, or by themselves after a part that varies."""
    inside: int | None = 0
    for node in nodes:
        at = None if isinstance(node, Fill) else node.at
        found[node.number] = Offset("part", inside or 0) if at is None else Offset("frame", at)
        size = fixed_size(node)
        inside = None if size is None else (inside or 0) + size
        for body in bodies(node):
            _place(body, found)


# -- words about a slot ---------------------------------------------------------------------------------------------------


def ends(slot: Slot) -> tuple[Fraction, Fraction] | None:
    """The least and the greatest value that encode takes, exact; None where the slot has no such numbers."""
    if slot.kind == "float":
        return None if slot.minimum is None or slot.maximum is None else (slot.minimum, slot.maximum)
    if slot.kind != "number" or not slot.legal:
        return None
    if isinstance(slot.transform, Curve):
        return extremes(slot.transform.line or slot.transform.pieces)
    if isinstance(slot.transform, Chosen):
        scales = [linear for _, linear in slot.transform.choices]
    else:
        assert isinstance(slot.transform, Linear)
        scales = [slot.transform]
    raws = (slot.legal[0].low, slot.legal[-1].high)
    found = [one.offset + one.scale * raw for one in scales for raw in raws]
    return min(found), max(found)


def step(slot: Slot) -> Fraction | None:
    """The step from one value to the next, None where the slot has none."""
    if isinstance(slot.transform, Bundle):
        return step(slot.transform.sample)
    if slot.kind != "number" or not isinstance(slot.transform, Linear):
        return None
    return abs(slot.transform.scale)


def code_text(code: int) -> str:
    """A code of a constant or a tag: decimal up to 9, hexadecimal above."""
    return str(code) if 0 <= code <= 9 else f"0x{code:X}"


def _codes(codes: Iterable[Range]) -> str:
    return ", ".join(
        code_text(one.low) if one.low == one.high else f"{code_text(one.low)} to {code_text(one.high)}"
        for one in codes
    )


def holds(slot: Slot) -> str:
    """What a slot can hold, without its unit: a range, its states, its code, its algorithm."""
    if slot.kind == "states":
        return ", ".join(f"{code} {name}" for code, name in slot.states)
    if slot.kind in ("constant", "sync", "tag"):
        return _codes(slot.codes)
    if slot.kind == "check":
        return "" if slot.check is None else slot.check.algorithm.name
    if slot.kind == "length":
        return _codes(slot.codes) if slot.codes else f"0 to {slot.number_limits[1]}"
    if isinstance(slot.transform, Bundle):
        return f"{slot.transform.samples} of {holds(slot.transform.sample)}"
    if isinstance(slot.transform, Digits):
        return f"{counted(slot.transform.length, 'digit')} in base {len(slot.transform.characters)}"
    if slot.kind == "count":
        return f"0 to {slot.maximum_count or slot.number_limits[1]}"
    if slot.kind in ("flag", "reserved"):
        return "false, true" if slot.kind == "flag" else "sent as 0"
    if slot.kind == "time":
        return " to ".join(time_ends(slot))
    limits = ends(slot)
    if limits is not None and isinstance(slot.transform, Curve) and not slot.transform.is_integer:
        return f"{float(limits[0]):.6g} to {float(limits[1]):.6g}"  # exact, it would be a fraction of many digits
    if limits is not None:
        return f"{format_number(limits[0])} to {format_number(limits[1])}"
    sides = (("from", slot.minimum), ("up to", slot.maximum))
    return ", ".join(f"{word} {format_number(end)}" for word, end in sides if end is not None) or "any"


def kind_text(slot: Slot) -> str:
    """The kind; a number says its sign, a float its format."""
    if isinstance(slot.transform, Ieee):
        return f"IEEE {slot.transform.bits}"
    words = [slot.kind] if slot.coding and slot.kind != "number" else []
    words += [CODINGS[slot.coding].words] if slot.coding else []
    if isinstance(slot.transform, Curve):
        words.append(CURVES[slot.transform.name])
    if words:
        return ", ".join(words)
    return "signed" if slot.signed else slot.kind


CURVES = {"square": "square law", "polynomial": "polynomial", "points": "points", "table": "table"}


def step_text(slot: Slot) -> str:
    """The largest step from one sample of a bundle to the next: `steps of 0.7 Cel at most`; empty for any other field."""
    if not isinstance(slot.transform, Bundle):
        return ""
    sample = slot.transform.sample
    assert isinstance(sample.transform, Linear)
    most = format_number(abs(sample.transform.scale) * slot.transform.largest)
    return f"steps of {most}{f' {slot.unit}' if slot.unit else ''} at most"


def terms_text(slot: Slot) -> str:
    """What the bits of a bundle are, `9 bits, then 8 steps of 4`, or of a time: `5 bits of days, 4 of months`; empty for others."""
    if isinstance(slot.transform, Bundle):
        bundle = slot.transform
        return f"{counted(bundle.sample.width, 'bit')}, then {counted(bundle.differences, 'step')} of {bundle.width}"
    counts = tuple(_count_texts(slot))
    return (
        ", ".join((counted(counts[0][0], "bit") + counts[0][1], *(f"{bits}{of}" for bits, of in counts[1:])))
        if counts
        else ""
    )


def _count_texts(slot: Slot) -> Iterator[tuple[int, str]]:
    """The bits of each count of a time that has several, and what they count."""
    if slot.calendar is not None:
        for one in slot.calendar.counts:
            steps = f" in steps of {one.scale}" if one.scale != 1 else ""
            yield one.width, f" of {one.name}{f' from {one.offset}' if one.offset else ''}{steps}"
    elif slot.clock is not None and len(slot.clock.parts) > 1:
        names = {seconds: name for name, seconds in TIME_UNITS.items() if seconds is not None}
        for part in slot.clock.parts:
            yield part.width, f" of {names.get(part.unit) or f'{part.unit} s'}"


def special_text(slot: Slot, special: Special) -> str:
    """One code with a meaning of its own: `255`, `4095 no fix`, `1001 at least`."""
    meant = {"missing": special.reason, "at_least": "at least", "at_most": "at most"}[special.meaning]
    if slot.kind == "float":
        return f"NaN {meant}".rstrip()
    code = str(special.low) if special.low == special.high else f"{special.low} to {special.high}"
    return f"{code} {meant}".rstrip()


def policy_text(slot: Slot, layout: Layout) -> str:
    """What encode does out of range; empty where that is an error."""
    raised = "" if slot.raises is None else f", raising {layout.slots[slot.raises].address}"
    return {"clamp": f"clamped{raised}", "missing": "else missing"}.get(slot.policy, "")


def derived_text(one: Derived) -> str:
    """What the ground works a value out from: `derived = cell_voltage * panel_current / 1000 W`."""
    return "; ".join([f"derived = {one.text}" + (f" {one.unit}" if one.unit else ""), *limit_texts(one)])


def calibrated_text(slot: Slot) -> str:
    """For how many units there are curves: `calibrated for 2 units`; empty where there are none."""
    return f"calibrated for {counted(len(slot.calibration), 'unit')}" if slot.calibration else ""


def supplied_text(layout: Layout, slot: Slot) -> str:
    """What becomes of a field that is not sent: `24 bits, not sent, mixed into parity`."""
    checks = [(one.address, one.check) for one in layout.slots if one.check is not None]
    mixed = [address for address, check in checks if check.mixed == slot.number]
    fed = [address for address, check in checks if slot.number in check.fed]
    told = [f"{word} {' and '.join(into)}" for word, into in (("mixed into", mixed), ("fed to", fed)) if into]
    return f"{counted(slot.width, 'bit')}, not sent, {', '.join(told)}"


def limit_texts(one: Slot | Derived) -> Iterator[str]:
    """The limits of a value, each with what is within it: `soft 3.3 to 4.2`, `hard up to 4.3`."""
    for limit in reversed(one.limits):
        low, high = (None if end is None else format_number(end) for end in (limit.minimum, limit.maximum))
        if low is None or high is None:
            yield f"{limit.name} from {low}" if high is None else f"{limit.name} up to {high}"
        else:
            yield f"{limit.name} {low} to {high}"


def order_text(slot: Slot, packing: Packing) -> str:
    """How the slot departs from its packing's order; empty where it does not."""
    words = []
    if slot.pieces:
        words.append(
            f"split: {' and '.join(bit_numbers(at - slot.offset_bits, width) for at, width in slot.pieces)}"
        )
    if slot.octets_reversed:
        words.append("high octet first" if packing is Packing.LEAST else "low octet first")
    if isinstance(slot.transform, Bundle) and slot.transform.octets_reversed:
        words.append(
            "each code high octet first" if packing is Packing.LEAST else "each code low octet first"
        )
    if slot.bits_reversed:
        words.append("bits reversed")
    return ", ".join(words)


def bit_numbers(first: int, width: int) -> str:
    """Which bits: `bits 0 to 6`, `bit 8`."""
    return f"bit {first}" if width == 1 else f"bits {first} to {first + width - 1}"


def stored_text(slot: Slot, packing: Packing) -> str:
    """How a check lies on the wire, in full; empty where it is within one octet and its bits are in order."""
    own = order_text(slot, packing)
    if own or packing.word_bits:
        return own or PACKINGS[packing]
    unit = "octet" if slot.width % 8 == 0 else "bit"
    if slot.width <= 8 and packing is Packing.MOST:
        return ""
    return f"{'low' if packing is Packing.LEAST else 'high'} {unit} first"


# -- words about structure ----------------------------------------------------------------------------------------------


def condition_text(layout: Layout, node: Optional) -> str:
    """When an optional part is there: `when has_fix is true`, `when mode is survey or downlink`."""
    if node.by is None:
        return (
            "when bytes remain"
            + (f" beside {counted(node.trailer_bits, 'bit')}" if node.trailer_bits else "")
            + "".join(_trailer_texts(layout, node))
        )
    return f"when {told_text(layout.slots[node.by], node.codes)}"


def _trailer_texts(layout: Layout, node: Optional) -> Iterator[str]:
    for one in node.trailers:
        told = " and ".join(told_text(layout.slots[by], codes) for by, codes in one.told)
        yield f", and beside {counted(one.bits, 'bit')} when {told}"


def valid_text(layout: Layout, slot: Slot) -> str:
    """When a value counts: `valid when has_fix is true`; empty where it always does."""
    if slot.valid_when is None:
        return ""
    return f"valid when {told_text(layout.slots[slot.valid_when.by], slot.valid_when.codes)}"


def scale_texts(layout: Layout, slot: Slot) -> Iterator[str]:
    """The scales that another field chooses from: `scale 4 from -4 when subtype is 2`."""
    if isinstance(slot.transform, Chosen):
        for codes, linear in slot.transform.choices:
            yield f"scale {scale_words(linear)} when {told_text(layout.slots[slot.transform.by], (codes,))}"


def beside_text(layout: Layout, slot: Slot) -> str:
    """What other fields say of a slot's code, in one line; empty where nothing does."""
    return "; ".join(filter(None, (valid_text(layout, slot), *scale_texts(layout, slot))))


def told_text(slot: Slot, codes: tuple[Range, ...]) -> str:
    """What a slot holds where something is told by it: `mode is survey or downlink`."""
    names = dict(slot.states)
    if slot.kind == "flag":
        names = {0: "false", 1: "true"}
    words = [
        names.get(one.low, str(one.low)) if one.low == one.high else f"{one.low} to {one.high}"
        for one in numbers_of(slot, codes)
    ]
    return f"{slot.address} is {' or '.join(words)}"


def choice_text(node: Choice) -> str:
    """What stands at a choice: `one of its variants`, `its 3 variants in turn`."""
    return f"its {node.turn} variants in turn" if node.turn else "one of its variants"


def branch_text(layout: Layout, node: Choice, branch: Branch) -> str:
    """When a variant is meant: `when type is 1`, `when told from outside`, `for every other code`."""
    if branch is node.unknown:
        return "for every other code: octets as they are"
    if not node.told_by:
        return "when told from outside"
    slots = [layout.slots[number] for number in node.told_by]
    if node.turn:
        return f"when {slots[0].address} modulo {node.turn} is {branch.codes[0][0].low}"
    words = [
        told_text(slot, codes)
        for slot, codes in zip(slots, branch.codes, strict=True)
        if codes != (Range(*slot.raw_limits),)
    ]
    return f"when {' and '.join(words)}"


def measured_text(layout: Layout, node: Measured) -> str:
    """What tells the size of a part: `as long as size says, in bytes`."""
    unit = next(name for name, bits in UNITS.items() if bits == node.unit_bits).replace("_", " ")
    less = f", less {node.less}" if node.less else ""
    besides = ""
    if node.not_counted is not None:
        every, octets = node.not_counted
        besides = f", without {octets} after each {every} and after the rest"
    return f"as long as {layout.slots[node.by].address} says, in {unit}{less}{besides}"


def joined_text(joined: Joined) -> str:
    """What characters make: `text in ASCII, filled with 0x20`, `octets`."""
    forms = {"bytes": "octets", "bits": "octets", "ascii": "text in ASCII", "utf_8": "text in UTF-8"}
    words = [forms.get(joined.form, f"text in an alphabet of {len(joined.characters)} characters")]
    words += [] if joined.fill is None else [f"filled with {code_text(joined.fill)}"]
    words += [] if joined.ends_with is None else [f"ended by {code_text(joined.ends_with)}"]
    return ", ".join(words)


def times_text(layout: Layout, node: Repeat) -> str:
    """How often an element stands: `4 times`, `0 to 15 times, as held says`, `to the frame's end`."""
    noun = "time" if node.joined is None else "octet" if node.minimum_bits == 8 else "character"
    if node.count is not None:
        return counted(node.count, noun)
    if node.counted_by is not None:
        return f"0 to {counted(node.maximum or 0, noun)}, as {layout.slots[node.counted_by].address} says"
    if node.factors:
        return f"0 to {counted(node.maximum or 0, noun)}, {product_text(layout, node)} of them"
    if node.own_end is not None:
        last = told_text(layout.slots[node.own_end.by], node.own_end.codes)
        return f"1 to {counted(node.maximum or 0, noun)}, until {last}"
    if node.as_fits:
        return f"as many as fit, at most {counted(node.maximum or 0, noun)}"
    return "to the end" + ("" if node.maximum is None else f", at most {counted(node.maximum, noun)}")


def part_text(layout: Layout, node: Repeat | Optional | Measured | Choice) -> str:
    """What a part is, and what decides its size."""
    if isinstance(node, Measured):
        return f"{node.address or layout.name}: {measured_text(layout, node)}"
    if isinstance(node, Choice):
        return f"{node.address}: {choice_text(node)}"
    if isinstance(node, Optional):
        return f"{node.address}: only {condition_text(layout, node)}"
    times = times_text(layout, node)
    if node.joined is not None:
        return f"{node.address}: {joined_text(node.joined)}; {times}"
    return f"{node.address}: {times}, {bits_text(node.minimum_bits, node.maximum_bits)} each"


def product_text(layout: Layout, node: Repeat) -> str:
    """A computed count: `rows * columns + 1`."""
    slots = [(layout.slots[one.by].address.removesuffix("[]"), one.ones) for one in node.factors]
    words = " * ".join(f"ones in {name}" if ones else name for name, ones in slots)
    return words + (f" {'+' if node.plus > 0 else '-'} {abs(node.plus)}" if node.plus else "")


def fill_text(node: Fill) -> str:
    """What a fill of varying width does."""
    unit = "byte" if node.unit_bits == 8 else f"{node.unit_bits}-bit word"
    return f"0 to {node.unit_bits - 1} zero bits, up to a whole {unit}" + (
        " of its part" if node.since >= 0 else ""
    )


def continued_text(node: Continued) -> str:
    """What a number of varying size is: `size: seven bits an octet, the low ones first; 1 to 4 octets`."""
    slot, most = node.slot, node.slot.width // 8
    words = CODINGS[slot.coding].words
    first = CODINGS[slot.coding].first
    if first is not None:
        return f"{slot.address}: {words}; {first.follow}"
    return f"{slot.address}: {words}; 1 to {counted(most, 'octet')}"


def node_bits(node: Node) -> tuple[int, int | None]:
    """The least and the most bits of a node in one frame; the most is None where only the frame's length bounds them."""
    if isinstance(node, Run):
        return node.size_bits, node.size_bits
    if isinstance(node, Fill):
        return 0, node.unit_bits - 1
    if isinstance(node, Continued):
        return node.sizes[0], node.sizes[-1]
    if isinstance(node, Optional):
        return 0, node.maximum_bits
    if isinstance(node, (Measured, Choice)):
        return node.minimum_bits, node.maximum_bits
    least = node.least * node.minimum_bits
    return least, None if node.maximum is None else node.maximum * node.maximum_bits


def span_text(low: int, high: int | None) -> str:
    """A size that may vary: `24`, `0 to 360`, `24 and more`."""
    if high is None:
        return f"{low} and more"
    return str(low) if low == high else f"{low} to {high}"


def bits_text(low: int, high: int | None) -> str:
    """A number of bits that may vary: `1 bit`, `0 to 360 bits`."""
    return f"{span_text(low, high)} bit{'' if (low, high) == (1, 1) else 's'}"


def size_text(layout: Layout) -> str:
    """The frame's size: `24 bytes`, `12 to 64 bytes`, `6 bytes and more`."""
    low, high = layout.minimum_bits // 8, layout.maximum_bytes
    if high is None:
        return f"{counted(low, 'byte')} and more"
    return counted(low, "byte") if low == high else f"{low:,} to {counted(high, 'byte')}"


def covers_text(layout: Layout, slot: Slot) -> str:
    """What a check covers: `everything before it`, `the whole frame, its own bits as zeros`, `tag to held`."""
    check = slot.check
    if check is None:
        return ""
    ranks = {one.number: (node.number, one.offset_bits) for node in layout.walk() for one in slots_of(node)}
    whole = tuple(ranks)
    spans = [tuple(n for n in whole if _inside(ranks[n], span)) for span in _ranked(check)]
    if spans == [whole]:
        words = "the whole frame"
    elif len(spans) == 1 and spans[0] and spans[0][-1] == slot.number - 1 and spans[0][0] in _starts(layout):
        words = "everything before it"
    else:
        words = " and ".join(_from_to(layout, span) for span in spans if span)
    own = {
        "zero": ", its own bits as zeros",
        "ones": ", its own bits as ones",
        "skip": ", its own bits left out",
    }
    front = f", octets {check.also.hex(' ').upper()} in front" if check.also else ""
    front += f", with {fed_text(layout, check)} fed first" if check.front else ""
    first = (
        ""
        if check.initial is None
        else f", from a register that starts as {mixed_slot(layout, check.initial).address}"
    )
    mixed = "" if check.mixed is None else f", mixed with {mixed_slot(layout, check.mixed).address}"
    return words + own.get(check.own or "", "") + front + first + mixed


_Rank = tuple[int, int]


def _ranked(check: Check) -> Iterator[tuple[_Rank, _Rank]]:
    for start, end in check.spans:
        yield (start.node, start.bits), (end.node if end.node >= 0 else 1 << 62, end.bits)


def _inside(rank: _Rank, span: tuple[_Rank, _Rank]) -> bool:
    return span[0] <= rank < span[1]


def _starts(layout: Layout) -> set[int]:
    """Numbers of the first slot of the frame and of each element and optional group."""
    containers = [layout.nodes]
    for node in layout.walk():
        containers += bodies(node)
    firsts = (
        next((slot.number for node in walk(nodes) if isinstance(node, Run) for slot in node.slots), None)
        for nodes in containers
    )
    return {number for number in firsts if number is not None}


def _from_to(layout: Layout, numbers: tuple[int, ...]) -> str:
    first, last = layout.slots[numbers[0]].address, layout.slots[numbers[-1]].address
    return first if first == last else f"{first} to {last}"


# -- print(layout) ------------------------------------------------------------------------------------------------------


class Row(NamedTuple):
    """One line of the table: where a slot or part begins, how many bits it has, its name, what it means; what it stands inside of."""

    at: str
    bits: str
    name: str
    meaning: str = ""
    depth: int = 0


def text(layout: Layout) -> str:
    """The layout as one line a slot or part, columns of constant width: a change of one field changes one line."""
    lines = [f"frame {layout.name}  {size_text(layout)}  {layout.fingerprint}"]
    lines += [
        f"{row.at:>7} {row.bits:>7}  {'  ' * row.depth + row.name:<40}  {row.meaning}".rstrip()
        for row in rows(layout)
    ]
    lines += [f"{one.address}: {one.form}, {one.bits} bits instead of {one.says}" for one in layout.gains]
    return "\n".join(lines)


def rows(layout: Layout) -> Iterator[Row]:
    """Each slot and part in wire order, then what has no bits: derived and supplied values."""
    yield from _rows(layout, layout.nodes, places(layout), 0, Packing.MOST)
    yield from (Row("", "", one.address, derived_text(one)) for one in layout.derived)
    yield from (Row("", "", slot.address, supplied_text(layout, slot)) for slot in layout.supplied)


def _rows(
    layout: Layout, nodes: tuple[Node, ...], found: dict[int, Offset], depth: int, packing: Packing
) -> Iterator[Row]:
    for node in nodes:
        at = found[node.number]
        if isinstance(node, Run):
            if node.packing is not packing and node.slots:
                packing = node.packing
                yield Row("", "", PACKINGS[packing], "", depth)
            for slot in node.slots:
                place = str(at.plus(slot.offset_bits))
                yield Row(place, str(slot.width), slot.address, _said(layout, slot, packing), depth)
            continue
        bits = span_text(*node_bits(node)).replace(" to ", "-").replace(" and more", "+")
        if isinstance(node, (Fill, Continued)):
            said = (
                f"reserved: {fill_text(node)}"
                if isinstance(node, Fill)
                else _said(layout, node.slot, packing)
            )
            yield Row(str(at), bits, node.slot.address, said, depth)
        elif isinstance(node, Repeat):
            times = times_text(layout, node)
            if node.joined is not None:
                yield Row(str(at), bits, node.address, f"{joined_text(node.joined)}; {times}", depth)
                continue
            yield Row(str(at), bits, node.address, times, depth)
            yield from _rows(layout, node.element, found, depth + 1, packing)
        elif isinstance(node, Measured):
            yield Row(str(at), bits, node.address or layout.name, measured_text(layout, node), depth)
            yield from _rows(layout, node.body, found, depth + 1, packing)
        elif isinstance(node, Choice):
            yield Row(str(at), bits, node.address, choice_text(node), depth)
            for branch in node.all:
                yield Row("", "", branch.name, branch_text(layout, node, branch), depth + 1)
                if branch is not node.unknown:
                    yield from _rows(layout, branch.body, found, depth + 2, packing)
        else:
            yield Row(str(at), bits, node.address, condition_text(layout, node), depth)
            yield from _rows(layout, node.body, found, depth + 1, packing)


def _said(layout: Layout, slot: Slot, packing: Packing) -> str:
    """Everything about a slot in one line; a later fact stands behind a semicolon."""
    value = f"{kind_text(slot)} {holds(slot)}"
    unit = f" {slot.unit}" if slot.unit else ""
    size = step(slot)
    parts = [
        value + unit + ("" if size is None else f" step {format_number(size)}"),
        step_text(slot),
        terms_text(slot),
        "missing possible" if isinstance(slot.transform, Bundle) and slot.transform.has_missing else "",
        order_text(slot, packing),
        *(f"code {special_text(slot, one)}{_meant(one)}" for one in slot.specials),
        policy_text(slot, layout),
        valid_text(layout, slot),
        *scale_texts(layout, slot),
        "" if slot.default is None else f"default raw {slot.default}",
        "" if slot.role is None else _role(slot),
        "strict" if slot.strict else "",
        covers_text(layout, slot),
        *limit_texts(slot),
        calibrated_text(slot),
    ]
    return "; ".join(part for part in parts if part)


def _meant(special: Special) -> str:
    return " missing" if special.meaning == "missing" and not special.reason else ""


def _role(slot: Slot) -> str:
    role = slot.role
    assert role is not None
    more = (
        "" if role.modulus is None else f" modulo {role.modulus}",
        "" if role.tick_s is None else f" tick {format_number(role.tick_s)} s",
        "" if role.epoch is None else f" from {role.epoch}",
    )
    return f"role {role.name}" + "".join(more)
