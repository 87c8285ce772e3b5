"""A layout as nested plain data: the table that generated JavaScript and Python read a frame by.

One row a slot, in words that are names in both languages; what is at its default is left out, so a row says what is particular about
a field. What a target does not read it refuses by field before anything is written (targets/rows.py).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from fractions import Fraction
from math import ceil, floor, inf
from typing import Any

from packetkit.layout.alike import Told, told
from packetkit.layout.calendar import Calendar
from packetkit.layout.clock import Clock, Moment
from packetkit.layout.coding import CODINGS
from packetkit.layout.curve import Curve, Piece, extremes
from packetkit.layout.expression import Expression, Minus, Name, Number, Operation, names
from packetkit.layout.ieee import ieee_bounds
from packetkit.layout.leap_seconds import AHEAD, STARTS
from packetkit.layout.limits import Limit
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
    flat,
)
from packetkit.layout.number import value_of
from packetkit.layout.slots import (
    Bundle,
    Check,
    Chosen,
    Digits,
    Factor,
    Fed,
    Ieee,
    Joined,
    Linear,
    Mark,
    Packing,
    Range,
    Slot,
)
from packetkit.targets.rows import refusals as refusals
from packetkit.targets.rows import refuse as refuse

Row = dict[str, Any]

# The largest whole number that a double holds with all its neighbours: beyond, JavaScript writes decimal strings (WIRE.md 22).
SAFE = 2**53 - 1
_PACKINGS = {Packing.MOST: "most", Packing.LEAST: "least"}


def frame(layout: Layout, *, is_outside: bool = False) -> Row:
    """Return the table of one frame. is_outside: only where its bytes came from tells it."""
    known = told(layout)
    return _said(
        name=layout.name,
        fingerprint=layout.fingerprint,
        size=layout.size_bytes,
        told=[] if is_outside else _markers(known),
        lengths=_lengths(known),
        outside=is_outside,
        checks=list(layout.check_order),
        asked=_asked(layout),
        choosing=_choosing(layout) or None,
        summed=_summed(layout) or None,
        supplied=[
            {**slot_row(slot), "later": list(later), **_said(fed=not _is_mixed(layout, slot))}
            for slot, later in zip(layout.supplied, layout.supplied_before, strict=True)
        ]
        or None,
        derived=_derived(layout, layout.nodes, None),
        nodes=_nodes(layout.nodes),
    )


def _said(**row: Any) -> Row:
    """A row without what is at its default; False, 0 and an empty list are defaults, and None is nothing."""
    return {key: value for key, value in row.items() if value is not None and value is not False}


def _choosing(layout: Layout) -> list[int]:
    """Numbers of the slots that a variant may say; whose turn it is, none does."""
    choices = (node for node in layout.walk() if isinstance(node, Choice) and not node.turn)
    return sorted({number for node in choices for number in node.told_by})


def _is_mixed(layout: Layout, supplied: Slot) -> bool:
    """Whether a check is mixed with a supplied field, which can then be recovered from it."""
    return any(slot.check is not None and slot.check.mixed == supplied.number for slot in layout.slots)


def _summed(layout: Layout) -> list[int]:
    """Numbers of the slots that are the elements of lists whose ones are counted."""
    lists = (node for node in layout.walk() if isinstance(node, Repeat) and node.ones_in_lists)
    return sorted({factor.by for node in lists for factor in node.factors if factor.in_list})


def _asked(layout: Layout) -> list[int]:
    """Numbers of the flags that fill themselves in: from what they tell of (options, a list's end), or when clamping raises them."""
    found = {node.by for node in layout.walk() if isinstance(node, Optional) and node.by is not None}
    found |= {node.own_end.by for node in layout.walk() if isinstance(node, Repeat) and node.own_end}
    found |= {slot.raises for slot in layout.slots if slot.raises is not None}
    return sorted(number for number in found if layout.slots[number].kind == "flag")


def _derived(layout: Layout, nodes: tuple[Node, ...], container: int | None) -> Row | None:
    """A container's derived values, and the parts of it that hold more; None where there are none."""
    steps = [_step(one) for one in layout.derived if one.container == container]
    inner = []
    for node in flat(nodes):
        for path, number, body in _containers(node):
            made = _derived(layout, body, number)
            if made is not None:
                inner.append(_said(path=list(path), list=isinstance(node, Repeat), plan=made))
    return {"steps": steps, "inner": inner} if steps or inner else None


def _containers(node: Node) -> Iterator[tuple[tuple[str, ...], int, tuple[Node, ...]]]:
    """The containers inside a node: where each lies in the record, its number, its nodes."""
    if isinstance(node, Choice):
        for branch in node.branches:
            yield (*node.path, branch.name), branch.number, branch.body
    elif isinstance(node, Repeat):
        yield node.path, node.number, node.element
    elif isinstance(node, Optional):
        yield node.path, node.number, node.body


def _step(one: Derived) -> Row:
    known = names(one.expression)
    return _said(
        path=list(one.path),
        names=list(known),
        operands=[[operand.up, list(operand.path)] for operand in one.operands],
        tree=_tree(one.expression, known),
        later=[list(keys) for keys in one.later],
        unit=one.unit or None,
        limits=_limits(one.limits, whole=False),
    )


def _limits(limits: tuple[Limit, ...], whole: bool) -> list[Row] | None:
    """Limits, the hard one first: of whole numbers as whole numbers, of doubles as the nearest double, as values are compared."""
    return [
        _said(
            name=one.name,
            minimum=_end(one.minimum, ceil if whole else float),
            maximum=_end(one.maximum, floor if whole else float),
        )
        for one in limits
    ] or None


def _end(end: Fraction | None, rounded: Callable[[Fraction], int | float]) -> int | float | None:
    try:
        return None if end is None else rounded(end)
    except OverflowError:
        return inf if end is not None and end > 0 else -inf


def _tree(tree: Expression, known: tuple[str, ...]) -> Any:
    """An expression as nested lists: a number, ["of", place of a name], [sign, ...] or [function, ...]."""
    if isinstance(tree, Number):
        return tree.value
    if isinstance(tree, Name):
        return ["of", known.index(tree.name)]
    if isinstance(tree, Minus):
        return ["-", _tree(tree.of, known)]
    if isinstance(tree, Operation):
        return [tree.sign, _tree(tree.left, known), _tree(tree.right, known)]
    return [tree.function, *(_tree(one, known) for one in tree.arguments)]


def _markers(known: Told) -> list[Row]:
    return [{"bits": _stretches(marker.bits), "codes": _ranges(marker.codes)} for marker in known.markers]


def _stretches(bits: tuple[int, ...]) -> list[list[int]]:
    """Ascending neighbours as (first, last)."""
    made: list[list[int]] = []
    for bit in bits:
        if made and made[-1][1] == bit - 1:
            made[-1][1] = bit
        else:
            made.append([bit, bit])
    return made


def _lengths(known: Told) -> list[list[int]]:
    """The lengths that a frame can have, in bytes: (first, last, step) of each row of them."""
    if isinstance(known.lengths, range):
        return [[known.lengths.start, known.lengths.stop - 1, known.lengths.step]]
    return [[first, last, 1] for first, last in _stretches(tuple(sorted(known.lengths)))]


def _nodes(nodes: tuple[Node, ...]) -> list[Row]:
    return [_NODES[type(node)](node) for node in nodes]


def _run(node: Run) -> Row:
    return _said(
        part="run",
        number=node.number,
        packing=_PACKINGS.get(node.packing, "words"),
        word=node.packing.word_bits,
        size=node.size_bits,
        slots=[slot_row(slot) for slot in node.slots],
    )


def _fill(node: Fill) -> Row:
    return _said(
        part="fill",
        number=node.number,
        packing=_PACKINGS[node.packing],
        unit=node.unit_bits,
        since=node.since if node.since >= 0 else None,
        slot=slot_row(node.slot),
    )


def _repeat(node: Repeat) -> Row:
    return _said(
        part="repeat",
        number=node.number,
        path=list(node.path),
        address=node.address,
        count=node.count,
        by=node.counted_by,
        most=None
        if node.maximum is None or node.maximum > SAFE
        else node.maximum,  # beyond, it bounds nothing
        trailer=node.trailer_bits or None,
        behind=_behind(node),
        least=node.minimum_bits,
        factors=[[factor.by, _counted(factor)] for factor in node.factors] or None,
        plus=node.plus or None,
        several=node.several_sizes or None,
        as_fits=node.as_fits,
        ends=None if node.own_end is None else [node.own_end.by, _ranges(node.own_end.codes)],
        joined=None if node.joined is None else _joined(node.joined),
        bare=node.bare,
        nodes=_nodes(node.element),
    )


def _behind(node: Repeat | Optional) -> list[Any] | None:
    """Bits behind what runs to an end that are there where slots hold codes: [bits, [[slot, codes], ...]] of each."""
    return [[one.bits, [[by, _ranges(codes)] for by, codes in one.told]] for one in node.trailers] or None


def _counted(factor: Factor) -> str:
    """What of a factor counts: its ones, those of a list, or the number itself."""
    return "list" if factor.in_list else "ones" if factor.ones else ""


def _continued(node: Continued) -> Row:
    return _said(
        part="continued", number=node.number, packing="most", least=node.sizes[0], slot=slot_row(node.slot)
    )


def _joined(joined: Joined) -> Row:
    return _said(
        form=joined.form,
        characters=[list(pair) for pair in joined.characters] or None,
        fill=joined.fill,
        end=joined.ends_with,
        spare=joined.spare_bits or None,
    )


def _optional(node: Optional) -> Row:
    return _said(
        part="option",
        number=node.number,
        path=list(node.path),
        address=node.address,
        by=node.by,
        codes=_ranges(node.codes),
        inside=node.told_in_option,
        trailer=node.trailer_bits or None,
        behind=_behind(node),
        bare=node.bare,
        nodes=_nodes(node.body),
    )


def _measured(node: Measured) -> Row:
    return _said(
        part="measured",
        number=node.number,
        address=node.address,
        by=node.by,
        unit=node.unit_bits,
        less=node.less,
        uncounted=None if node.not_counted is None else list(node.not_counted),
        nodes=_nodes(node.body),
    )


def _choice(node: Choice) -> Row:
    return _said(
        part="choice",
        number=node.number,
        path=list(node.path),
        address=node.address,
        by=list(node.told_by),
        turn=node.turn or None,
        branches=[_branch(branch) for branch in node.branches],
        unknown=None if node.unknown is None else _branch(node.unknown),
    )


def _branch(branch: Branch) -> Row:
    codes = [_ranges(codes) for codes in branch.codes]
    return _said(name=branch.name, codes=codes, bare=branch.bare, nodes=_nodes(branch.body))


_NODES: dict[type, Callable[[Any], Row]] = {
    Run: _run,
    Fill: _fill,
    Continued: _continued,
    Repeat: _repeat,
    Optional: _optional,
    Measured: _measured,
    Choice: _choice,
}


def slot_row(slot: Slot) -> Row:
    """Return the row of one slot."""
    is_number = slot.kind in ("number", "float")
    return _said(
        number=slot.number,
        kind=slot.kind,
        path=list(slot.path),
        address=None if slot.address == ".".join(slot.path) else slot.address,
        at=slot.offset_bits,
        bits=slot.width,
        signed=slot.signed,
        octets_reversed=slot.octets_reversed,
        bits_reversed=slot.bits_reversed,
        **_coding(slot),
        **(_transform(slot) if is_number else {}),
        digits=_digits(slot.transform) if isinstance(slot.transform, Digits) else None,
        bundle=_bundle(slot.transform) if isinstance(slot.transform, Bundle) else None,
        valid=None if slot.valid_when is None else [slot.valid_when.by, _ranges(slot.valid_when.codes)],
        clock=None if slot.clock is None else _clock(slot.clock),
        calendar=None if slot.calendar is None else _calendar(slot.calendar),
        legal=_ranges(slot.legal) if is_number and not isinstance(slot.transform, Ieee) else None,
        specials=[[one.low, one.high, one.meaning, one.reason] for one in slot.specials] or None,
        unassigned=slot.unassigned,
        policy=None if slot.policy == "error" else slot.policy,
        raises=slot.raises,
        preset=slot.default,
        states=[list(pair) for pair in slot.states] or None,
        codes=_ranges(slot.codes) or None,
        most=slot.maximum_count,
        check=None if slot.check is None else _check(slot.check),
        strict=slot.strict,
        hidden=not slot.is_value,
        wide=is_wide(slot),
        split=[list(piece) for piece in slot.pieces] or None,
        limits=_limits(slot.limits, whole=_is_whole(slot)),
        unit=slot.unit or None,
    )


def _is_whole(slot: Slot) -> bool:
    """Whether the slot's numbers are whole."""
    return isinstance(slot.transform, (Linear, Curve, Chosen)) and slot.transform.is_integer


def _transform(slot: Slot) -> Row:
    if isinstance(slot.transform, Ieee):
        low, high = ieee_bounds(slot)
        return {"ieee": slot.transform.bits, "low": low, "high": high}
    if isinstance(slot.transform, Curve):
        return {"curve": _curve(slot.transform)}
    if isinstance(slot.transform, Chosen):
        return {
            "scales": [
                slot.transform.by,
                [[*_ends(codes), _line(one)] for codes, one in slot.transform.choices],
            ]
        }
    assert isinstance(slot.transform, Linear)
    if slot.transform.is_identity:
        return {}
    return {"scale": _line(slot.transform)}


def _line(linear: Linear) -> list[int]:
    return [linear.numerator, linear.base, linear.denominator]


def _ends(codes: Range) -> list[int]:
    return [codes.low, codes.high]


def _digits(digits: Digits) -> Row:
    return _said(
        characters=digits.characters, length=digits.length, first_low=digits.first_low, fill=digits.fill
    )


def _bundle(bundle: Bundle) -> Row:
    """A bundle; meant: a code that the sample's bits would not hold is no value."""
    return _said(
        sample=slot_row(bundle.sample),
        samples=bundle.samples,
        largest=bundle.largest,
        width=bundle.width,
        first_low=bundle.first_low,
        octets_reversed=bundle.octets_reversed,
        nothing=bundle.nothing,
        meant=bundle.sample.by_meaning,
    )


def _coding(slot: Slot) -> Row:
    """How a slot spells its number: a word, and where its first bits say its size, their table, [low, high, bits, offset] a form."""
    first = CODINGS[slot.coding].first if slot.coding else None
    if first is None:
        return _said(coding=slot.coding or None)
    forms = [[one.low, one.high, one.bits, one.offset] for one in first.forms]
    return {
        "coding": "first_bits",
        "first": _said(bits=first.bits, forms=forms, turned=first.low_octet_first),
    }


def _calendar(calendar: Calendar) -> Row:
    """A calendar: its counts in the order of the code; leaps as those of a clock."""
    return _said(
        counts=[
            _said(
                name=one.name,
                bits=one.width,
                shift=one.shift,
                unit=[one.seconds.numerator, one.seconds.denominator] if one.seconds else None,
                coding=one.coding or None,
                scale=one.scale,
                offset=one.offset,
            )
            for one in calendar.counts
        ],
        epoch=calendar.epoch_day,
        digits=calendar.digits,
        leaps=list(STARTS),
    )


def _clock(clock: Clock) -> Row:
    """A clock: moments as day, numerator and denominator of its seconds; leaps: the days on which atomic time got ahead by one more."""
    return _said(
        epoch=_moment(clock.epoch),
        parts=[[one.unit.numerator, one.unit.denominator, one.width, one.shift] for one in clock.parts],
        counts_leaps=clock.counts_leaps,
        by_days=clock.by_days,
        reference=None if clock.reference is None else _moment(clock.reference),
        digits=clock.digits,
        leaps=list(STARTS),
        ahead=AHEAD[0],
    )


def _moment(moment: Moment) -> list[int]:
    return [moment.day, moment.second.numerator, moment.second.denominator]


def _curve(curve: Curve) -> Row:
    """A curve: its pieces, and those that encode searches, where it can. rising is true, too, of a curve that is only decoded."""

    def pieces(some: tuple[Piece, ...]) -> list[Any]:
        return [[one.low, one.high, list(one.coefficients), one.denominator] for one in some]

    return _said(
        pieces=pieces(curve.pieces),
        line=pieces(curve.line) or None,
        rising=not curve.line or curve.is_rising,
        whole=curve.is_integer,
    )


def is_wide(slot: Slot) -> bool:
    """Return whether a field's legal raws or values pass what a double counts to: then it is always a decimal string."""
    codes = [*slot.legal, *slot.codes, *(Range(one.low, one.high) for one in slot.specials)]
    if slot.kind not in ("number", "tag") or slot.coding or not codes:
        codes.append(Range(*slot.raw_limits))
    raws = [raw for one in codes for raw in (one.low, one.high)]
    values = []
    if slot.kind == "number" and isinstance(slot.transform, Linear) and slot.transform.is_integer:
        values = [value_of(slot.transform, raw) for raw in raws]
    if isinstance(slot.transform, Curve) and slot.transform.is_integer:
        values = [int(end) for end in extremes(slot.transform.pieces)]
    return any(abs(number) > SAFE for number in (*raws, *values))


def _ranges(codes: Collection[Range]) -> list[list[int]]:
    return [[one.low, one.high] for one in codes]


def _check(check: Check) -> Row:
    def mark(one: Mark) -> list[int]:
        return [one.node, one.bits]

    return _said(
        algorithm=_algorithm(check),
        spans=[[mark(start), mark(end)] for start, end in check.spans],
        own=check.own,
        in_wire_order=check.in_wire_order,
        least_first=check.least_first,
        also=list(check.also) or None,
        mixed=check.mixed,
        front=[_fed(one) for one in check.front] or None,
        initial=check.initial,
        fed=list(check.fed) or None,
        zero_as_ones=check.zero_as_ones,
        not_computed=check.not_computed,
    )


def _fed(one: Fed) -> list[Any]:
    """What is fed in front of a check's spans: [bits], the frame's size; [bits, word, number] else, an octet or a slot's code."""
    if one.octet is not None:
        return [one.bits, "octet", one.octet]
    return [one.bits] if one.by is None else [one.bits, "slot", one.by]


def _algorithm(check: Check) -> Row:
    one = check.algorithm
    if one.family == "crc":
        return _said(
            name=one.name,
            family=one.family,
            bits=one.width,
            poly=one.poly,
            init=one.init,
            reflect_in=one.reflect_in,
            reflect_out=one.reflect_out,
            final_xor=one.final_xor,
        )
    return _said(
        name=one.name,
        family=one.family,
        bits=one.width,
        init=one.init,
        word=one.word_bits,
        low_first=one.word_order == "low octet first",
        modulus=one.modulus,
        end_around=one.end_around,
        final=one.final,
        first_sum_high=one.first_sum_high,
    )


# -- what a main loop fills -------------------------------------------------------------------------


def counters(layout: Layout) -> list[tuple[Slot, int]]:
    """Return the frame's sequence counters that a main loop can fill, each with its modulus."""
    return [
        (slot, slot.role.modulus or 1 << slot.width)
        for slot in layout.slots
        if slot.role is not None
        and slot.role.name == "sequence"
        and slot.address == ".".join(slot.path)
        and slot.width <= 32
    ]


# -- as text ---------------------------------------------------------------------------------------

_WIDTH = 130


def literal(value: Any, flat: Callable[[Any], str], key: Callable[[str], str], indent: int = 0) -> str:
    """Return plain data as an expression, on as few lines as fit. flat: a value on one line; key: a key as the language has it."""
    line = flat(value)
    if indent + len(line) <= _WIDTH or not isinstance(value, (dict, list)) or not value:
        return line
    inner = " " * (indent + 2)
    if isinstance(value, dict):
        parts = [
            f"{key(name)}: {literal(one, flat, key, indent + 4 + len(key(name)))}"
            for name, one in value.items()
        ]
        opening, closing = "{}"
    else:
        parts = [literal(one, flat, key, indent + 2) for one in value]
        opening, closing = "[]"
    return f"{opening}\n{inner}" + f",\n{inner}".join(parts) + f"\n{' ' * indent}{closing}"


def drawn(layout: Layout) -> list[str]:
    """Return the frame's table as lines of plain ASCII, for a comment that nothing in them can end."""
    return str(layout).encode("ascii", "backslashreplace").decode("ascii").splitlines()
