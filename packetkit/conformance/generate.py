"""Making vectors for a layout: every field at its edges, records at random, frames damaged on purpose.

What a frame's bytes are is not decided here: a judge who is not the codec under test is handed in, and answers. The order is the
wire's, the choices follow from a seed, so the same schema gives the same vectors.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from random import Random
from typing import Any

from packetkit.codec import walk
from packetkit.conformance import draw, faults
from packetkit.conformance.draw import Record, put
from packetkit.conformance.judge import Judge
from packetkit.conformance.judge import faults as faults_of
from packetkit.conformance.vector import Case
from packetkit.errors import DecodeError
from packetkit.layout import beside, number
from packetkit.layout.coding import CODINGS
from packetkit.layout.curve import Curve
from packetkit.layout.ieee import ieee_bounds
from packetkit.layout.model import (
    Branch,
    Choice,
    Continued,
    Layout,
    Measured,
    Node,
    Optional,
    Repeat,
    Run,
    codes_of_place,
    computed_count,
    forget,
    is_told,
    ones_in_element,
    slots_of,
    tell_ones,
)
from packetkit.layout.model import walk as walk_nodes
from packetkit.layout.slots import Bundle, Digits, Ieee, Joined, Linear, Slot

RANDOM_RECORDS = 20  # beside the edges: enough for parts to be there and not, lists of several lengths
FEW = 16  # to show: from these a worked example is chosen
DAMAGED_FRAMES = 10  # of each mode; most are refused for the same reason, so more would say the same


def cases(layout: Layout, judge: Judge, seed: int = 1) -> list[Case]:
    """Return the vectors of a layout: edges, random records, damaged frames. judge: works out what is expected."""
    made = [_of_record(name, record, layout, judge) for name, record in edges(layout)]
    chance = Random(f"{layout.name} {seed}")
    drawn = [draw.record(layout, chance, most=4) for _ in range(RANDOM_RECORDS)]
    made += [_of_record(f"random record {at}", record, layout, judge) for at, record in enumerate(drawn, 1)]
    good = [case.data for case in made if case.data]
    made += inverted(layout, good[0], judge) if good else []
    made += damage(good, judge, chance)
    return [case for at, case in enumerate(made) if case not in made[:at]]


def few(layout: Layout, judge: Judge, seed: int = 1) -> list[Case]:
    """Return a few vectors to show: a plain record and random ones, as `cases` draws them. judge: works out what is expected."""
    chance = Random(f"{layout.name} {seed}")
    records = [
        ("plain", _plain(layout)),
        *((f"random record {at}", draw.record(layout, chance, most=4)) for at in range(1, FEW)),
    ]
    return [_of_record(name, record, layout, judge) for name, record in records]


def _of_record(name: str, record: Record, layout: Layout, judge: Judge) -> Case:
    data = judge.encode(record)
    if isinstance(data, str):
        # Path and rule are the codec's own words; that the record is refused, the judge says.
        return Case(name, record, None, faults=faults_of(lambda: walk.encode(layout, record)))
    return Case(name, record, data, judge.decode(data))


# -- edges -------------------------------------------------------------------------------------------------------


def edges(layout: Layout) -> Iterator[tuple[str, Record]]:
    """Yield (name, record) for each value field at its minimum, -1, 0, 1, maximum, missing, in each state, and just out of range.

    Every other field has a plain value, options are there, lists have one element, so that each record differs from the plain one
    in a single field.
    """
    yield "plain", _plain(layout)
    for slot in layout.slots:
        if not slot.is_value or slot.kind == "character":
            continue
        for what, value in slot_edges(beside.on_first(slot)):
            yield f"{slot.address}: {what}", _plain(layout, slot, value)
    yield from _shapes(layout)


def _shapes(layout: Layout) -> Iterator[tuple[str, Record]]:
    """Yield records in which one option is absent, or one list is empty or at its longest."""
    for node in layout.walk():
        if isinstance(node, Optional):
            yield f"{node.address}: absent", _plain(layout, absent=node.number)
        elif isinstance(node, Choice):
            for branch in node.all:
                yield f"{node.address}: {branch.name}", _plain(layout, branch=branch)
        elif isinstance(node, Repeat) and node.joined is not None:
            for what, text in _texts(node, node.joined):
                yield f"{node.address}: {what}", _plain(layout, text=(node.number, text))
        elif isinstance(node, Repeat) and node.count is None and not node.factors:
            yield f"{node.address}: empty", _plain(layout, lengths={_counter(node): 0})
            longest = node.maximum
            if longest is not None and longest * node.minimum_bits <= 8 * 255:  # a radio frame's worth
                yield f"{node.address}: {longest} elements", _plain(layout, lengths={_counter(node): longest})
                if longest < 1 << 16:
                    yield (
                        f"{node.address}: {longest + 1} elements",
                        _plain(layout, lengths={_counter(node): longest + 1}),
                    )


def _texts(node: Repeat, joined: Joined) -> Iterator[tuple[str, Any]]:
    """Yield (what, value) for the edges of a text or of octets."""
    octets = joined.form in ("bytes", "bits")
    known = [character for _, character in joined.characters] or ["A", "z", " ", "~"]
    full = 4 if node.maximum is None else min(node.maximum, 24)

    def made(count: int) -> Any:
        if octets:
            return bytes((37 * at + 1) % 256 for at in range(count))
        return "".join(known[at % len(known)] for at in range(count))

    yield "empty", made(0)
    yield "one too few", made(max(0, full - 1))
    yield "full", made(full)
    yield "one too many", made(full + 1)
    if not octets:
        yield "a character of no such set", "\u00e9"
    highest = (1 << node.minimum_bits) - 1
    yield "codes as they are", {"raw": [highest] * full}


def _counter(node: Repeat) -> int:
    """What decides how long a list is: the count that it shares with others, else itself."""
    return node.counted_by if node.counted_by is not None else -1 - node.number


def slot_edges(slot: Slot) -> Iterator[tuple[str, Any]]:
    """Yield (what, value) for the edges of one field."""
    if slot.kind == "flag":
        yield from (("false", False), ("true", True))
    elif slot.kind == "tag":
        for codes in slot.codes:
            yield from ((f"code {code}", code) for code in dict.fromkeys((codes.low, codes.high)))
    elif slot.kind == "states":
        yield from ((f"state {label}", label) for _, label in slot.states)
        named = [code for code, _ in slot.states]
        unnamed = next(
            (code for code in range(1 << slot.width) if code not in named and number.is_legal(slot, code)),
            None,
        )
        if unnamed is not None:
            yield "a code without a name", unnamed
    elif slot.kind == "time":
        yield from _clock_edges(slot)
    elif isinstance(slot.transform, Ieee):
        yield from _ieee_edges(slot)
    elif isinstance(slot.transform, Digits):
        yield from _digit_edges(slot, slot.transform)
        return
    elif isinstance(slot.transform, Bundle):
        yield from _bundle_edges(slot, slot.transform)
        return
    elif isinstance(slot.transform, Linear):
        yield from _linear_edges(slot, slot.transform)
    else:
        assert isinstance(slot.transform, Curve)
        yield from _curve_edges(slot, slot.transform)
    if slot.kind != "flag" and slot.kind != "tag":
        yield from _missing_edges(slot)


def _missing_edges(slot: Slot) -> Iterator[tuple[str, Any]]:
    yield "missing", None
    for special in slot.specials:
        if special.meaning == "missing" and special.reason and special.low != slot.missing_code:
            yield f"reason {special.reason}", special.reason
        yield f"code {special.low}", {"raw": special.low}
    if slot.kind not in ("states", "time"):
        yield "not a number", float("nan")


def _digit_edges(slot: Slot, digits: Digits) -> Iterator[tuple[str, Any]]:
    yield "empty", ""
    yield "full", "".join(digits.characters[at % len(digits.characters)] for at in range(digits.length))
    yield "the last character", digits.characters[-1] * digits.length
    yield "one too many", digits.characters[-1] * (digits.length + 1)
    yield "all ones", {"raw": slot.raw_limits[1]}


def _bundle_edges(slot: Slot, bundle: Bundle) -> Iterator[tuple[str, Any]]:
    """Both ends, steps as large as they may be and one larger, samples missing, and codes that are never sent."""
    (codes,), sample = bundle.sample.legal, bundle.sample
    assert isinstance(sample.transform, Linear)
    low, high, most = codes.low, codes.high, bundle.largest
    up = [min(low + at * most, high) for at in range(bundle.samples)]
    rows = {
        "minimum": [low] * bundle.samples,
        "maximum": [high] * bundle.samples,
        "steps up": up,
        "steps down": up[::-1],
        "a step too large": [low] * (bundle.samples - 1) + [min(low + most + 1, high)],
    }
    for what, row in rows.items():
        yield what, [number.value_of(sample.transform, code) for code in row]
    least = number.value_of(sample.transform, low)
    yield "the first missing", [None, *[least] * (bundle.samples - 1)]
    yield "the last missing", [*[least] * (bundle.samples - 1), None]
    yield "all missing", [None] * bundle.samples
    yield "missing", None
    yield "one too few", [least] * (bundle.samples - 1)
    yield "all ones", {"raw": slot.raw_limits[1]}
    yield "all zeros", {"raw": 0}


def _linear_edges(slot: Slot, transform: Linear) -> Iterator[tuple[str, Any]]:
    low, high = number.value_limits(slot)
    step = abs(transform.scale)
    yield "minimum", low
    yield from ((str(value), value) for value in (-1, 0, 1))
    yield "maximum", high
    yield "half a step above the minimum", Fraction(low) + step / 2
    yield "just below the minimum", Fraction(low) - step
    yield "just above the maximum", Fraction(high) + step
    told = CODINGS[slot.coding].first if slot.coding else None
    if told is not None:
        yield "the highest number", {"raw": slot.code_of(slot.number_limits[1])}
        for form in told.forms:
            yield f"the first of a form of {form.bits} bits more", {"raw": form.raws[0]}
            yield f"the last of a form of {form.bits} bits more", {"raw": form.raws[1]}
    elif slot.is_continued:
        yield "the highest number", {"raw": slot.code_of(slot.number_limits[1])}
        yield "as long as it can be", {"raw": int.from_bytes(b"\x80" * (slot.width // 8 - 1) + b"\1", "big")}
    else:
        yield "all ones", {"raw": -1 if slot.signed else slot.raw_limits[1]}
    for first, second in zip(slot.legal, slot.legal[1:], strict=False):
        yield f"reserved code {first.high + 1}", transform.offset + transform.scale * (first.high + 1)
        if second.low - 1 != first.high + 1:
            yield f"reserved code {second.low - 1}", transform.offset + transform.scale * (second.low - 1)


def _clock_edges(slot: Slot) -> Iterator[tuple[str, Any]]:
    """The ends, the last leap second and the seconds around it, and what is no time."""
    low, high = slot.legal[0].low, slot.legal[-1].high
    yield from ((f"code {raw}", {"raw": raw}) for raw in dict.fromkeys((low, high)))
    for second in ("59", "60"):
        yield f"2016-12-31 at its second {second}", f"2016-12-31T23:59:{second}Z"
    yield "the second after", "2017-01-01T00:00:00Z"
    if slot.clock is not None and slot.clock.reference is not None:
        yield "half a step later than a code", "2024-02-29T12:00:00.5Z"
    yield "a minute without a leap second", "2024-02-29T12:00:60Z"
    yield "no such day", "2023-02-29T00:00:00Z"
    yield "no zone", "2024-02-29T12:00:00"


def _curve_edges(slot: Slot, curve: Curve) -> Iterator[tuple[str, Any]]:
    """The ends of each range of codes, a code by itself, and values just beyond and half way."""
    for codes in slot.legal[:8]:
        yield from (
            (f"code {end}", {"raw": slot.code_of(end)}) for end in dict.fromkeys((codes.low, codes.high))
        )
    low, high = number.value_limits(slot)
    first = slot.legal[0].low
    yield from (
        ("minimum", low),
        ("maximum", high),
        ("beyond the minimum", low - 1),
        ("beyond the maximum", high + 1),
    )
    yield "between two codes", number.between(curve, first, Fraction(1, 2))


def _ieee_edges(slot: Slot) -> Iterator[tuple[str, Any]]:
    low, high = ieee_bounds(slot)
    yield "minimum", low
    yield from ((str(value), value) for value in (-1.0, 0.0, -0.0, 1.0, 0.1))
    yield "maximum", high
    yield "just below the minimum", Fraction(low) - max(abs(Fraction(low)) / 1024, Fraction(1))
    yield "just above the maximum", Fraction(high) + max(abs(Fraction(high)) / 1024, Fraction(1))
    yield "infinity", float("inf")


# -- the plain record --------------------------------------------------------------------------------------------


class _Plain:
    """The record in which every field has a plain value, options are there and lists have one element; with one thing otherwise."""

    def __init__(
        self,
        layout: Layout,
        slot: Slot | None,
        value: Any,
        absent: int,
        lengths: dict[int, int],
        branch: Branch | None,
        text: tuple[int, Any] | None,
    ) -> None:
        self.layout = layout
        self.slot, self.value, self.absent, self.lengths = slot, value, absent, lengths
        self.text = text
        self.slots, self.ending = layout.slots, dict[int, int]()
        number_of = text[0] if text is not None else -1
        self.branches = {
            node.number: _branch_for(node, slot, branch, number_of)
            for node in layout.walk()
            if isinstance(node, Choice)
        }
        self.choosing = {
            number: codes[0].low
            for node in layout.walk()
            if isinstance(node, Choice)
            for number, codes in zip(node.told_by, self.branches[node.number].codes, strict=False)
        }
        self.ended = self.goes_on = False
        self.options: dict[int, list[Optional]] = {}
        for node in layout.walk():
            if isinstance(node, Optional) and node.by is not None:
                self.options.setdefault(node.by, []).append(node)
        self.told: dict[int, int] = {}
        self.judging = {
            number: codes.low
            for one in layout.slots
            for number in one.tellers
            for codes in reversed(beside.asked(one, number))
        }
        if slot is not None:  # the one that is asked about counts
            self.judging |= {
                number: codes.low for number in slot.tellers for codes in reversed(beside.asked(slot, number))
            }

    def container(self, nodes: tuple[Node, ...], bare: bool) -> Any:
        made: dict[Any, Any] = {}
        for node in nodes:
            if isinstance(node, (Run, Continued)):
                for slot in slots_of(node):
                    if slot.is_value:
                        put(made, slot.path, self.leaf(slot))
                    elif slot.kind == "count":
                        told = self.lengths.get(slot.number, 1)
                        self.told[slot.number] = self.ending.get(slot.number, told)
                    elif slot.codes:
                        self.told[slot.number] = slot.codes[0].low
            elif isinstance(node, Measured):
                draw.merge(made, self.container(node.body, False))
            elif isinstance(node, (Repeat, Optional, Choice)):
                put(made, node.path, self.part(node))
        return made.get((), {}) if bare else made

    def part(self, node: Repeat | Optional | Choice) -> Any:
        """What stands at one node that is no run: a variant, a list, a text, or an option."""
        if isinstance(node, Choice):
            branch = self.branches[node.number]
            return {branch.name: self.container(branch.body, branch.bare)}
        if isinstance(node, Optional):
            if node.by is None:
                self.ended = self.ended or node.number == self.absent
                there = not self.ended
            else:
                there = is_told(node, self.told if node.told_in_option else {node.by: 0} | self.told)
            if not there:
                forget(node, self.told)
            return self.container(node.body, node.bare) if there else None
        if node.joined is not None:
            return self.joined(node, node.joined)
        times = self.lengths.get(_counter(node), 1) if node.count is None else node.count
        if node.factors:
            times = computed_count(node, self.told)
        times = self.ending.get(_counter(node), times)
        times = 0 if node.runs_to_end and self.ended else times
        made, ones, outside = [], 0, self.goes_on
        for at in range(times):
            self.goes_on = at < times - 1 if node.several_sizes else outside
            if node.own_end is not None:
                by, codes = codes_of_place(node, self.slots, is_last=at == times - 1)
                self.ending[by] = codes[0].low
            made.append(self.container(node.element, node.bare))
            ones += ones_in_element(node, self.told)
        self.goes_on = outside
        tell_ones(node, ones, self.told)
        return made

    def joined(self, node: Repeat, joined: Joined) -> Any:
        """A text, or octets: the one that was asked for, else one code, or as many as there must be."""
        if self.text is not None and self.text[0] == node.number:
            value = self.text[1]
            if node.counted_by is not None:
                self.told[node.counted_by] = 0
            return value
        least = 0 if self.ended and node.runs_to_end else 1
        count = node.count if node.count is not None else self.lengths.get(_counter(node), least)
        count = node.maximum or 0 if node.as_fits and self.goes_on else count
        if joined.spare_bits:
            return b"\0"
        if joined.form in ("bytes", "bits"):
            return bytes(count)
        return (joined.characters[0][1] if joined.characters else "A") * count

    def leaf(self, slot: Slot) -> Any:
        for teller in beside.behind(slot):
            self.told[teller] = self.raw(self.layout.slots[teller])
        raw = self.told[slot.number] = self.raw(slot)
        if self.slot is not None and slot.number == self.slot.number:
            return self.value
        if slot.kind == "tag":
            return raw
        found = beside.read_as(slot, self.told.__getitem__)
        if not isinstance(found, Slot):
            return None
        value, _, _ = number.from_raw(found, raw)
        return value if number.to_raw(found, value) == (raw, False, None) else {"raw": raw}

    def raw(self, slot: Slot) -> int:
        """The code that is sent: of the slot that is asked about the one asked for, else a plain one."""
        if self.slot is None or slot.number != self.slot.number:
            return self.code(slot)
        if isinstance(self.value, dict):
            return int(self.value["raw"])
        return int(number.to_raw(beside.on_first(slot), self.value).raw)

    def code(self, slot: Slot) -> int:
        """A plain code: one that lets most options be there, else the least that is legal and not below zero."""
        if slot.number in self.ending:
            return self.ending[slot.number]
        if slot.number in self.choosing:
            return self.choosing[slot.number]
        options = self.options.get(slot.number, [])
        wanted = next((node.codes[0].low for node in options if node.number != self.absent), None)
        wanted = self.judging.get(slot.number, wanted)
        shut = [codes for node in options if node.number == self.absent for codes in node.codes]
        if wanted is not None and not any(wanted in codes for codes in shut):
            return wanted
        if slot.kind == "tag":
            return next(
                (codes.low for codes in slot.codes if not any(codes.low in one for one in shut)),
                slot.codes[0].low,
            )
        if slot.kind == "flag":
            return int(any(0 in one for one in shut))
        if isinstance(slot.transform, Ieee):
            return number.to_raw(slot, max(ieee_bounds(slot)[0], min(0.0, ieee_bounds(slot)[1]))).raw
        if isinstance(slot.transform, Digits):
            return slot.legal[0].low
        if isinstance(slot.transform, Bundle):
            least = number.from_raw(slot.transform.sample, slot.transform.sample.legal[0].low)[0]
            return number.to_raw(slot, [least] * slot.transform.samples).raw
        allowed = [codes for codes in slot.legal if codes.high >= 0] or list(slot.legal)
        first = max(allowed[0].low, min(0, allowed[0].high))
        sent = (slot.code_of(one) for one in range(first, first + 70_000) if number.is_legal(slot, one))
        return next((code for code in sent if not any(code in one for one in shut)), slot.code_of(first))


def _branch_for(node: Choice, slot: Slot | None, branch: Branch | None, text: int) -> Branch:
    """The branch of a plain record: the one that is asked for, the one around what is asked for, else the first."""

    def holds(one: Branch) -> bool:
        for inner in walk_nodes(one.body):
            if isinstance(inner, Run) and slot is not None and slot in inner.slots:
                return True
            if inner.number == text or (
                isinstance(inner, Choice) and any(branch is two for two in inner.all)
            ):
                return True
        return False

    return next((one for one in node.all if one is branch or holds(one)), node.branches[0])


def _plain(
    layout: Layout,
    slot: Slot | None = None,
    value: Any = None,
    *,
    absent: int = -1,
    lengths: dict[int, int] | None = None,
    branch: Branch | None = None,
    text: tuple[int, Any] | None = None,
) -> Record:
    supplied = {one.path[0]: 0 for one in layout.supplied}
    drawing = _Plain(layout, slot, value, absent, lengths or {}, branch, text)
    made: Record = supplied | drawing.container(layout.nodes, False)
    return made


# -- damage ------------------------------------------------------------------------------------------------------


def inverted(layout: Layout, frame: bytes, judge: Judge) -> Iterator[Case]:
    """Yield a frame with one bit inverted in each field that is no value: constants, tags, counts, checks, reserved bits."""
    seen = {""}
    for bit in range(min(len(frame), 255) * 8):
        address = address_of(layout, frame, bit, of_values=False)
        if address not in seen:
            seen.add(address)
            data = faults.flipped(frame, [bit])
            yield Case(f"{address}: bit {bit} inverted", data=data, back=judge.decode(data))


def address_of(layout: Layout, data: bytes, bit: int, *, of_values: bool = True) -> str:
    """Return the address of the field that a bit of a frame belongs to: the first that reads otherwise once the bit is inverted.

    bit: 8 * octet, most significant first. of_values: False: empty where it is a value's.
    """
    other = faults.flipped(data, [bit])
    for ours, theirs in zip(_items(layout, data), _items(layout, other), strict=False):
        if (ours.address, ours.raw) != (theirs.address, theirs.raw):
            return ours.address if of_values or not ours.slot.is_value else ""
    return ""


def _items(layout: Layout, data: bytes) -> list[walk.Item]:
    """The slots of a frame, as far as they can be read."""
    found = []
    try:
        for item in walk.items(layout, data):
            found.append(item)  # noqa: PERF402  # what was read before an error counts
    except DecodeError:
        pass
    return found


def damage(good: list[bytes], judge: Judge, chance: Random) -> Iterator[Case]:
    """Yield damaged frames of every mode with the reason that decoding gives, or with what they decode to where no check sees it."""
    for mode in faults.MODES:
        for at in range(DAMAGED_FRAMES if good else 0):
            found = faults.inject(chance.choice(good), chance, mode)
            yield Case(
                f"{mode} {at + 1}, from bit {found.at}", data=found.data, back=judge.decode(found.data)
            )
    for size in (0, 1):
        yield Case(f"{size} bytes", data=bytes(size), back=judge.decode(bytes(size)))
