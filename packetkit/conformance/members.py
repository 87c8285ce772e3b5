"""A frame's raw codes as one row of whole numbers: what a target's struct or object holds, and what goes through a pipe.

Members are the slots of values (fields, flags, states, tags of several codes) and the counts, as raw codes in wire order; before the
elements of a list to the frame's end stands how many there are. What the other slots hold follows: constants, reserved bits and fill
(zero), checks. An option is there when the member it asks says so. A detail record says the same in nested form.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from packetkit.codec.record import put
from packetkit.conformance.faults import Chance
from packetkit.layout.model import Fill, Layout, Node, Optional, Range, Repeat, Run, Slot

Members = tuple[int, ...]

# Lists without a bound of their own are kept so short that frames stay below a radio's 255 bytes.
MOST_ELEMENTS = 5


def is_member(slot: Slot) -> bool:
    """Return whether a target's record holds this slot's raw code."""
    return slot.is_value or slot.kind == "count"


def from_detail(layout: Layout, detail: Mapping[str, Any]) -> Members:
    """Return the members of a detail record."""
    return tuple(_taken(layout.nodes, detail))


def _taken(nodes: Sequence[Node], given: Any) -> Iterator[int]:
    for node in nodes:
        if isinstance(node, Run):
            for slot in node.slots:
                if is_member(slot):
                    yield _at(given, slot.path)["raw"]
        elif isinstance(node, Repeat):
            elements = _at(given, node.path)
            if node.count is None and node.counted_by is None:
                yield len(elements)
            for element in elements:
                yield from _taken(node.element, element)
        elif isinstance(node, Optional):
            body = _at(given, node.path)
            if body is not None:
                yield from _taken(node.body, body)


def _at(given: Any, path: tuple[str, ...]) -> Any:
    """What stands at a path; a bare container is its own only value."""
    for key in path:
        given = given[key]
    return given


def to_detail(layout: Layout, members: Sequence[int]) -> dict[str, Any]:
    """Return the record of these members, each as {"raw": n}: it encodes to the frame that a target makes of them.

    Raises ValueError where there are too few of them or too many.
    """
    left = list(reversed(members))
    try:
        made: dict[str, Any] = _made(layout.nodes, left, {}, bare=False)
    except IndexError as error:
        raise ValueError(f"{len(members)} members end before the frame {layout.name} does") from error
    if left:
        raise ValueError(f"{len(left)} of {len(members)} members are left over after the frame {layout.name}")
    return made


def _made(nodes: Sequence[Node], left: list[int], known: dict[int, int], *, bare: bool) -> Any:
    made: dict[Any, Any] = {}
    for node in nodes:
        if isinstance(node, Run):
            for slot in node.slots:
                if is_member(slot):
                    known[slot.number] = left.pop()
                    put(made, slot.path, {"raw": known[slot.number]})
                elif slot.codes:
                    known[slot.number] = slot.codes[0].low
        elif isinstance(node, Repeat):
            count = node.count if node.counted_by is None else known[node.counted_by]
            count = left.pop() if count is None else count
            put(made, node.path, [_made(node.element, left, known, bare=node.bare) for _ in range(count)])
        elif isinstance(node, Optional):
            assert node.by is not None, "no target takes what asks for bytes that remain"
            there = any(known[node.by] in codes for codes in node.codes)
            put(made, node.path, _made(node.body, left, known, bare=node.bare) if there else None)
    return made.get((), {}) if bare else made


def drawn(layout: Layout, chance: Chance, most: int = MOST_ELEMENTS) -> Members:
    """Return members at random, each any code that its bits hold, edges often; counts and tags only what a frame may have."""
    return tuple(_drawn(layout, layout.nodes, chance, most, {}))


def _drawn(
    layout: Layout, nodes: Sequence[Node], chance: Chance, most: int, known: dict[int, int]
) -> Iterator[int]:
    for node in nodes:
        if isinstance(node, Run):
            for slot in node.slots:
                if is_member(slot):
                    known[slot.number] = raw = _code(layout, slot, chance, most)
                    yield raw
                elif slot.codes:
                    known[slot.number] = slot.codes[0].low
        elif isinstance(node, Repeat):
            count = node.count if node.counted_by is None else known[node.counted_by]
            if count is None:
                count = chance.randint(0, most if node.maximum is None else min(most, node.maximum))
                yield count
            for _ in range(count):
                yield from _drawn(layout, node.element, chance, most, known)
        elif isinstance(node, Optional):
            assert node.by is not None, "no target takes what asks for bytes that remain"
            if any(known[node.by] in codes for codes in node.codes):
                yield from _drawn(layout, node.body, chance, most, known)


def _code(layout: Layout, slot: Slot, chance: Chance, most: int) -> int:
    """Any code of a slot; where options ask for it, every other time one that they ask for."""
    ranges = slot.codes or (Range(*slot.raw_limits),)
    if slot.kind == "count":
        top = slot.raw_limits[1] if slot.maximum_count is None else slot.maximum_count
        return chance.randint(0, min(top, most))
    asked = [
        codes
        for node in layout.walk()
        if isinstance(node, Optional) and node.by == slot.number
        for codes in node.codes
    ]
    if asked and not slot.codes and chance.randint(0, 1):
        ranges = tuple(asked)
    codes = chance.choice(ranges)
    edges = [
        code for code in (codes.low, codes.high, 0, -1, 1, codes.low + 1, codes.high - 1) if code in codes
    ]
    return chance.choice(edges) if chance.randint(0, 1) else chance.randint(codes.low, codes.high)


def slots(layout: Layout, members: Sequence[int]) -> Iterator[Slot | None]:
    """Yield the slot of each member; None for the number of elements of a list to the frame's end.

    Codes of signed slots may still be 64 bits of two's complement.
    """
    left = list(reversed(members))
    yield from _slots(layout.nodes, left, {})


def _slots(nodes: Sequence[Node], left: list[int], known: dict[int, int]) -> Iterator[Slot | None]:
    for node in nodes:
        if isinstance(node, Run):
            for slot in node.slots:
                if is_member(slot):
                    raw = left.pop()
                    known[slot.number] = raw - (1 << 64) if slot.signed and raw >> 63 > 0 else raw
                    yield slot
                elif slot.codes:
                    known[slot.number] = slot.codes[0].low
        elif isinstance(node, Repeat):
            count = node.count if node.counted_by is None else known[node.counted_by]
            if count is None:
                count = left.pop()
                yield None
            for _ in range(count):
                yield from _slots(node.element, left, known)
        elif isinstance(node, Optional):
            assert node.by is not None, "no target takes what asks for bytes that remain"
            if any(known[node.by] in codes for codes in node.codes):
                yield from _slots(node.body, left, known)
        else:
            assert isinstance(node, Fill), f"what members a {type(node).__name__} has is not said"
