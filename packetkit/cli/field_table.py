"""The table of a frame's fields: a row each in wire order, indented by what is around it, and what a preset filled in.

What a field is, is in the words of layout/printed; here are columns, and where lines are best broken. A part's fields stand under its own
row, which says how often, or when, it is there.
"""

from __future__ import annotations

from collections.abc import Iterator

from packetkit.cli import output
from packetkit.cli.page import Page
from packetkit.layout import printed
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
    bodies,
)
from packetkit.layout.slots import Bundle, Slot
from packetkit.schema.model import Field
from packetkit.schema.presets import PRESETS
from packetkit.schema.words import format_number

STATES_ON_LINES = 6
NARROW_CELL = 12
NOBODY = -2  # the container of no derived value: what a length measures is its container's
FILLED_IN = "*"  # marks what a preset filled in
FROM_PRESET = ("minimum", "maximum", "resolution", "unit", "missing")

COLUMNS = (
    output.Column("offset", ">"),
    output.Column("bits", ">"),
    output.Column("name", fit="wrap"),
    output.Column("kind"),
    output.Column("range", fit="wrap"),
    output.Column("step", ">", fit="wrap"),
    output.Column("unit", fit="wrap"),
    output.Column("missing", fit="wrap"),
)


def filled_in(one: Field | None) -> tuple[str, ...]:
    """Return the keys of a field that its preset filled in, in the order of the language."""
    if one is None or one.preset is None:
        return ()
    stepped = "bits" in one.places
    return tuple(
        key for key in FROM_PRESET if key not in one.places and not (key == "resolution" and stepped)
    )


def field_rows(layout: Layout, declared: dict[str, Field]) -> list[tuple[object, ...]]:
    """Return the rows of the frame's table: slots, groups and parts in wire order, what is inside one indented."""
    supplied: list[tuple[object, ...]] = [
        ("", "", slot.address, "supplied", printed.supplied_text(layout, slot), "", "", "")
        for slot in layout.supplied
    ]
    return supplied + list(_rows(layout, None, layout.nodes, declared, printed.places(layout), ""))


def _rows(
    layout: Layout,
    number: int | None,
    nodes: tuple[Node, ...],
    declared: dict[str, Field],
    places: dict[int, printed.Offset],
    indent: str,
) -> Iterator[tuple[object, ...]]:
    group: tuple[str, ...] = ()
    for node in nodes:
        at = places[node.number]
        for part in node.slots if isinstance(node, Run) else (node,):
            path = (
                part.slot.path
                if isinstance(part, (Fill, Continued))
                else ()
                if isinstance(part, Measured)
                else part.path
            )
            for depth in range(len(path) - 1):
                if path[: depth + 1] != group[: depth + 1]:
                    what = group_word(layout, part, len(path) - depth - 1)
                    yield ("", "", f"{indent}{'  ' * depth}{path[depth]}", what, "", "", "", "")
            group = path[:-1]
            inner = indent + "  " * len(group)
            if isinstance(part, Slot):
                one = declared.get(part.address)
                yield slot_row(layout, part, at.plus(part.offset_bits), inner, one)
            elif isinstance(part, Continued):
                size = printed.span_text(*printed.node_bits(part)).replace(" to ", "-")
                row = slot_row(layout, part.slot, at, inner, declared.get(part.slot.address))
                yield (at, size, *row[2:])
            else:
                yield part_row(layout, part, at, inner)
        yield from _inner_rows(layout, node, declared, places, inner + "  ")
    for derived in layout.derived:
        if derived.container == number:
            name = indent + ".".join(derived.path)
            held = "\n".join([f"= {derived.text}", *printed.limit_texts(derived)])
            yield ("", "", name, "derived", held, "", derived.unit, "")


def group_word(layout: Layout, part: Slot | Node, above: int) -> str:
    """What a group is that stands so many levels above a part: a group, or a carried frame."""
    address = part.slot.address if isinstance(part, (Fill, Continued)) else getattr(part, "address", "")
    around = address.rsplit(".", above)[0]
    return "frame" if any(one.address == around for one in layout.carried) else "group"


def _inner_rows(
    layout: Layout, node: Node, declared: dict[str, Field], places: dict[int, printed.Offset], indent: str
) -> Iterator[tuple[object, ...]]:
    """Yield the rows of what is inside a node."""
    if isinstance(node, Choice):
        for branch in node.all:
            held = printed.branch_text(layout, node, branch)
            yield ("", "", indent + branch.name, "variant", held, "", "", "")
            if branch is not node.unknown:
                yield from _rows(layout, branch.number, branch.body, declared, places, indent + "  ")
    elif isinstance(node, Measured):
        yield from _rows(layout, NOBODY, node.body, declared, places, indent)
    elif not (isinstance(node, Repeat) and node.joined is not None):
        for body in bodies(node):
            yield from _rows(layout, node.number, body, declared, places, indent)


def part_row(
    layout: Layout, node: Fill | Repeat | Optional | Measured | Choice, at: printed.Offset, indent: str
) -> tuple[object, ...]:
    """Return the row of a fill, a repeat or an optional part: its bits in all, and when or how often it is there."""
    bits = printed.span_text(*printed.node_bits(node)).replace(" to ", "-").replace(" and more", "+")
    if isinstance(node, Fill):
        return (at, bits, indent + _last(node.slot), "reserved", printed.fill_text(node), "", "", "")
    if isinstance(node, Measured):
        name = indent + (node.address.rpartition(".")[2] or "the frame")
        return (at, bits, name, "measured", printed.measured_text(layout, node), "", "", "")
    name = indent + (node.path[-1] if node.path else "each")
    if isinstance(node, Choice):
        held = printed.choice_text(node) if node.turn else ""
        return (at, bits, name, "variants", held, "", "", "")
    if isinstance(node, Repeat) and node.joined is not None:
        kind = "bytes" if node.joined.form == "bytes" else "text"
        held = f"{printed.joined_text(node.joined)}\n{printed.times_text(layout, node)}"
        return (at, bits, name, kind, held, "", "", "")
    if isinstance(node, Repeat):
        return (at, bits, name, "repeat", printed.times_text(layout, node), "", "", "")
    return (at, bits, name, "option", printed.condition_text(layout, node), "", "", "")


def _last(slot: Slot) -> str:
    """Return the last part of a slot's name; an element or option that is one value is `each`."""
    return slot.path[-1] if slot.path else "each"


def slot_row(
    layout: Layout, slot: Slot, at: printed.Offset, indent: str, one: Field | None
) -> tuple[object, ...]:
    """Return one slot's row; what a preset filled in carries its mark."""
    marked = filled_in(one)

    def mark(text: str, *keys: str) -> str:
        return text + FILLED_IN if text and any(key in marked for key in keys) else text

    held = broken(slot)
    if slot.kind in ("number", "bundle"):
        held = mark(held, "minimum", "maximum")
    policy = printed.policy_text(slot, layout)
    step = printed.step(slot)
    single = slot.transform.sample if isinstance(slot.transform, Bundle) else slot
    shown = step is not None and (step != 1 or single.by_meaning)
    return (
        at,
        " + ".join(str(width) for _, width in slot.pieces) or slot.width,
        indent + _last(slot),
        printed.kind_text(slot) + (f"\n{slot.role.name}" if slot.role else ""),
        "\n".join(
            filter(
                None,
                [
                    f"{held}, {policy}" if policy else held,
                    printed.valid_text(layout, slot),
                    *printed.scale_texts(layout, slot),
                    printed.step_text(slot),
                    printed.terms_text(slot),
                    *printed.limit_texts(slot),
                    printed.calibrated_text(slot),
                ],
            )
        ),
        mark(format_number(step), "resolution") if step is not None and shown else "",
        mark(slot.unit, "unit"),
        mark("\n".join(printed.special_text(slot, one) for one in single.specials), "missing"),
    )


def broken(slot: Slot) -> str:
    """Return what a slot holds with line ends where it is best broken: states one a line if few, a check's name at its stroke."""
    if slot.kind == "states" and len(slot.states) <= STATES_ON_LINES:
        return "\n".join(f"{code} {name}" for code, name in slot.states)
    held = printed.holds(slot)
    return held.replace("/", "/\n") if slot.kind == "check" and len(held) > NARROW_CELL else held


def table_text(layout: Layout, declared: dict[str, Field], page: Page) -> str:
    """Return the frame's table with its key, and what the presets filled in."""
    text = page.table(COLUMNS, field_rows(layout, declared))
    origins = {place.origin for place in printed.places(layout).values()}
    key = "Offsets count bits from the frame's start"
    key += "; +n from the start of its part" if "part" in origins else ""
    key += "; end-n from the frame's end" if "end" in origins else ""
    text += page.wrapped(key + ".")
    presets = {one.preset: PRESETS[one.preset] for one in declared.values() if one.preset and filled_in(one)}
    for name, preset in presets.items():
        text += page.wrapped(f"preset {name}: {preset.why}.", "  ", f"{FILLED_IN} ")
    return text
