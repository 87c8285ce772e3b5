"""A layout as nested plain data: the table that generated JavaScript and Python read a frame by.

One row a slot, in words that are names in both languages; what is at its default is left out, so a row says what is particular about
a field. What a table cannot say is refused by field before anything is written: slot attributes and nodes that are not in the lists
below too, so that a new row of the language is refused until somebody has taught the targets what it means.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import MISSING, fields
from fractions import Fraction
from math import ceil, floor, inf
from typing import Any

from packetkit.errors import Unsupported
from packetkit.layout.alike import Told, told
from packetkit.layout.curve import Curve, Piece, extremes
from packetkit.layout.expression import Expression, Minus, Name, Number, Operation, names
from packetkit.layout.limits import Limit
from packetkit.layout.model import (
    Check,
    Derived,
    Fill,
    Ieee,
    Layout,
    Linear,
    Mark,
    Node,
    Optional,
    Packing,
    Range,
    Repeat,
    Run,
    Slot,
)
from packetkit.layout.number import from_raw, ieee_bounds, value_of

Row = dict[str, Any]

# The largest whole number that a double holds with all its neighbours: beyond, JavaScript writes decimal strings (WIRE.md 22).
SAFE = 2**53 - 1
WIDEST = 64

KINDS = ("number", "float", "states", "flag", "constant", "sync", "tag", "count", "reserved", "check")
CODINGS = ("sign_and_magnitude", "binary_coded_decimal", "gray")
FAMILIES = ("crc", "sum", "xor", "parity", "fletcher", "adler")

# What is known of each class of the layout; anything else that is not at its default is refused by name.
_KNOWN: dict[type, frozenset[str]] = {
    Slot: frozenset(
        """number path address kind offset_bits width octets_reversed bits_reversed signed coding pieces limits
        calibration part transform legal specials
        unassigned policy raises default states codes maximum_count check role strict named unit description minimum maximum by_meaning
        line""".split()
    ),
    Run: frozenset("number at residue size_bits packing slots".split()),
    Fill: frozenset("number unit_bits slot packing".split()),
    Repeat: frozenset(
        """number path address at residue count counted_by maximum trailer_bits element minimum_bits maximum_bits bare""".split()
    ),
    Optional: frozenset(
        "number path address at residue by codes body minimum_bits maximum_bits bare".split()
    ),
    Check: frozenset("algorithm spans own zero_filled in_wire_order least_first also mixed".split()),
    Derived: frozenset(
        "container path address expression operands text later unit description line limits calibration".split()
    ),
    Layout: frozenset(
        """name nodes slots check_order minimum_bits maximum_bits useful_bits runs_to_end fingerprint description
        cadence_s derived gains""".split()
    ),
}

_TRANSFORMS = frozenset((Linear, Ieee, Curve))
_PACKINGS = {Packing.MOST: "most", Packing.LEAST: "least"}


def refuse(target: str, layouts: Mapping[str, Layout], widest: int = WIDEST) -> None:
    """Raise Unsupported with every field of these layouts that a table cannot express. widest: bits of a field."""
    items = tuple(
        (f"{name}.{address}" if address else name, reason)
        for name, layout in layouts.items()
        for address, reason in refusals(layout, widest)
    )
    if items:
        raise Unsupported(target, items)


def refusals(layout: Layout, widest: int = WIDEST) -> Iterator[tuple[str, str]]:
    """Yield (address, reason) of each part of a frame that a table cannot express."""
    yield from _unknown(layout, "")
    for node in layout.walk():
        address = getattr(node, "address", "")
        if type(node) not in _KNOWN:
            yield address, f"this target does not know {type(node).__name__.lower()} parts yet"
        else:
            yield from _unknown(node, address)
        if isinstance(node, Optional) and node.by is None:
            yield address, "this target does not know parts that are there when octets are left yet"
    for slot in layout.slots:
        yield from _unknown(slot, slot.address)
        if slot.kind not in KINDS:
            yield slot.address, f"this target does not know fields of kind {slot.kind} yet"
        if slot.coding and slot.coding not in CODINGS:
            yield slot.address, f"this target does not know the coding {slot.coding} yet"
        if slot.width > widest:
            yield slot.address, f"it has {slot.width} bits, and {widest} is the most"
        if type(slot.transform) not in _TRANSFORMS:
            scale = type(slot.transform).__name__.lower()
            yield slot.address, f"this target does not know {scale} scales yet"
        if slot.check is not None:
            yield from _unknown(slot.check, slot.address)
            if slot.check.algorithm.family not in FAMILIES:
                yield slot.address, f"this target does not compute {slot.check.algorithm.name}"


def _unknown(part: Any, address: str) -> Iterator[tuple[str, str]]:
    """Yield what is set in a part of the layout and not known here: where that is parts of its own, each by its address."""
    for one in fields(part):
        if one.name in _KNOWN[type(part)]:
            continue
        found = getattr(part, one.name)
        if one.default is MISSING or found != one.default:
            inner = (
                [inside.address for inside in found if hasattr(inside, "address")]
                if isinstance(found, tuple)
                else []
            )
            for place in inner or [address]:
                yield place, f"this target does not know {one.name.replace('_', ' ')} yet"


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
        derived=_derived(layout, layout.nodes, None),
        nodes=_nodes(layout.nodes),
    )


def _said(**row: Any) -> Row:
    """A row without what is at its default; False, 0 and an empty list are defaults, and None is nothing."""
    return {key: value for key, value in row.items() if value is not None and value is not False}


def _asked(layout: Layout) -> list[int]:
    """Numbers of the flags that fill themselves in: from the options they tell of, or when clamping raises them."""
    found = {node.by for node in layout.walk() if isinstance(node, Optional) and node.by is not None}
    found |= {slot.raises for slot in layout.slots if slot.raises is not None}
    return sorted(number for number in found if layout.slots[number].kind == "flag")


def _derived(layout: Layout, nodes: tuple[Node, ...], container: int | None) -> Row | None:
    """A container's derived values, and the parts of it that hold more; None where there are none."""
    steps = [_step(one) for one in layout.derived if one.container == container]
    inner = []
    for node in nodes:
        if isinstance(node, (Repeat, Optional)):
            is_list = isinstance(node, Repeat)
            made = _derived(layout, node.element if isinstance(node, Repeat) else node.body, node.number)
            if made is not None:
                inner.append(_said(path=list(node.path), list=is_list, plan=made))
    return {"steps": steps, "inner": inner} if steps or inner else None


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
    return {
        "part": "fill",
        "number": node.number,
        "packing": _PACKINGS[node.packing],
        "unit": node.unit_bits,
        "slot": slot_row(node.slot),
    }


def _repeat(node: Repeat) -> Row:
    return _said(
        part="repeat",
        number=node.number,
        path=list(node.path),
        address=node.address,
        count=node.count,
        by=node.counted_by,
        most=node.maximum,
        trailer=node.trailer_bits or None,
        least=node.minimum_bits,
        bare=node.bare,
        nodes=_nodes(node.element),
    )


def _optional(node: Optional) -> Row:
    return _said(
        part="option",
        number=node.number,
        path=list(node.path),
        address=node.address,
        by=node.by,
        codes=_ranges(node.codes),
        bare=node.bare,
        nodes=_nodes(node.body),
    )


_NODES: dict[type, Callable[[Any], Row]] = {Run: _run, Fill: _fill, Repeat: _repeat, Optional: _optional}


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
        coding=slot.coding or None,
        **(_transform(slot) if is_number else {}),
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
    return isinstance(slot.transform, (Linear, Curve)) and slot.transform.is_integer


def _transform(slot: Slot) -> Row:
    if isinstance(slot.transform, Ieee):
        low, high = ieee_bounds(slot)
        return {"ieee": slot.transform.bits, "low": low, "high": high}
    if isinstance(slot.transform, Curve):
        return {"curve": _curve(slot.transform)}
    assert isinstance(slot.transform, Linear)  # a text's digits were refused
    if slot.transform.is_identity:
        return {}
    return {"scale": [slot.transform.numerator, slot.transform.base, slot.transform.denominator]}


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
    )


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


# -- a record to start from ------------------------------------------------------------------------


def example(layout: Layout) -> dict[str, Any]:
    """Return a record that the frame takes: values from the middle of their ranges, lists as short as they may be."""
    made: dict[str, Any] = _example(layout.nodes, False, {})
    return made


def example_of(nodes: tuple[Node, ...], bare: bool) -> Any:
    """Return what stands in a list or an option of these nodes: values from the middle, options of outer fields as at code 0."""
    return _example(nodes, bare, defaultdict(int))


def _example(nodes: tuple[Node, ...], bare: bool, told_so_far: dict[int, int]) -> Any:
    made: dict[Any, Any] = {}
    for node in nodes:
        if isinstance(node, Run):
            for slot in node.slots:
                raw = told_so_far[slot.number] = _example_raw(slot)
                if slot.is_value:
                    _put(made, slot.path, from_raw(slot, raw)[0])
        elif isinstance(node, Repeat):
            _put(
                made,
                node.path,
                [_example(node.element, node.bare, told_so_far) for _ in range(node.count or 0)],
            )
        elif isinstance(node, Optional):
            assert node.by is not None  # what asks for bytes that remain was refused
            is_there = any(told_so_far[node.by] in codes for codes in node.codes)
            _put(made, node.path, _example(node.body, node.bare, told_so_far) if is_there else None)
    return made.get((), {}) if bare else made


def _example_raw(slot: Slot) -> int:
    if slot.codes:
        return slot.codes[0].low
    if slot.states:
        return slot.states[0][0]
    if slot.kind != "number":
        return 0
    legal = max(slot.legal, key=lambda codes: codes.high - codes.low)
    return slot.code_of(legal.low + (legal.high - legal.low) // 2)


def _put(made: dict[Any, Any], path: tuple[str, ...], value: Any) -> None:
    if not path:
        made[()] = value
        return
    for key in path[:-1]:
        made = made.setdefault(key, {})
    made[path[-1]] = value


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
