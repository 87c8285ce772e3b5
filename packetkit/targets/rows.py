"""What a table (targets/table.py) can say of a layout, and which of it a target reads, row by row of the language.

Slot attributes and nodes that are in no list here are refused by field, so that a new row of the language is refused until somebody has
taught the targets what it means; so is, of `ROWS`, what a target does not name.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import MISSING, dataclass, field, fields
from typing import Any

from packetkit.errors import Unsupported
from packetkit.layout.coding import CODINGS
from packetkit.layout.curve import Curve
from packetkit.layout.model import (
    Branch,
    Choice,
    Continued,
    Derived,
    Fill,
    Layout,
    Measured,
    Optional,
    Repeat,
    Run,
)
from packetkit.layout.slots import Bundle, Check, Chosen, Digits, Ieee, Linear, Slot
from packetkit.targets.untaught import WORDS, address_of

WIDEST = 64

CONTINUED = frozenset(
    ("continued_low_first", "continued_low_first_signed", "continued_high_first", "first_bits")
)
FAMILIES = ("crc", "sum", "xor", "parity", "fletcher", "adler")

Attributes = Mapping[type, frozenset[str]]


@dataclass(frozen=True)
class Row:
    """A row of the language: kinds of fields, scales, and the attributes of each class of the layout that it takes."""

    kinds: frozenset[str] = frozenset()
    scales: frozenset[type] = frozenset()
    attributes: Attributes = field(default_factory=dict)
    remaining: bool = False  # what is there when bytes remain
    wide_checks: bool = False  # checks of more bits than other fields may have
    codings: frozenset[str] = frozenset()


BASE = Row(
    kinds=frozenset("number float states flag constant sync tag count reserved check".split()),
    scales=frozenset((Linear, Ieee, Curve)),
    codings=frozenset(("sign_and_magnitude", "binary_coded_decimal", "gray")),
    attributes={
        Slot: frozenset(
            """number path address kind offset_bits width octets_reversed bits_reversed signed coding pieces limits
            calibration part transform legal specials
            unassigned policy raises default states codes maximum_count check role strict named unit description minimum maximum
            by_meaning line""".split()
        ),
        Run: frozenset("number at residue size_bits packing slots".split()),
        Fill: frozenset("number unit_bits slot packing".split()),
        Repeat: frozenset(
            """number path address at residue count counted_by maximum trailer_bits element minimum_bits maximum_bits
            bare""".split()
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
            cadence_s derived gains carried""".split()
        ),
    },
)

ROWS: Mapping[str, Row] = {
    "texts": Row(
        kinds=frozenset(("character", "radix_text")),
        scales=frozenset((Digits,)),
        attributes={Repeat: frozenset(("joined",))},
    ),
    "lengths": Row(
        kinds=frozenset(("length",)),
        attributes={
            Measured: frozenset(
                "number address at residue by unit_bits less body minimum_bits maximum_bits".split()
            ),
            Fill: frozenset(("since",)),
        },
    ),
    "variants": Row(
        attributes={
            Choice: frozenset(
                "number path address at residue told_by branches unknown minimum_bits maximum_bits".split()
            ),
            Branch: frozenset("name codes body number bare".split()),
        }
    ),
    "remaining": Row(attributes={Optional: frozenset(("trailer_bits",))}, remaining=True),
    "wide_checks": Row(wide_checks=True),
    "computed": Row(attributes={Repeat: frozenset(("factors", "plus"))}),
    "several": Row(attributes={Repeat: frozenset(("several_sizes",))}),
    "own_ends": Row(attributes={Repeat: frozenset(("own_end",))}),
    "trailers": Row(attributes={Repeat: frozenset(("trailers",)), Optional: frozenset(("trailers",))}),
    "fed": Row(attributes={Check: frozenset("front initial zero_as_ones not_computed".split())}),
    "blocks": Row(attributes={Repeat: frozenset(("as_fits",)), Measured: frozenset(("not_counted",))}),
    "lists": Row(attributes={Repeat: frozenset(("ones_in_lists",))}),
    "inside": Row(attributes={Optional: frozenset(("told_in_option",))}),
    "continued": Row(attributes={Continued: frozenset("number at slot residue".split())}, codings=CONTINUED),
    "calendar": Row(attributes={Slot: frozenset(("calendar",))}),
    "bundles": Row(kinds=frozenset(("bundle",)), scales=frozenset((Bundle,))),
    "times": Row(kinds=frozenset(("time",)), attributes={Slot: frozenset(("clock",))}),
    "turns": Row(attributes={Choice: frozenset(("turn",))}),
    "valid": Row(attributes={Slot: frozenset(("valid_when",))}),
    "scales": Row(scales=frozenset((Chosen,))),
    "supplied": Row(
        kinds=frozenset(("supplied",)), attributes={Layout: frozenset(("supplied", "supplied_before"))}
    ),
}

# Of these, what the readers in JavaScript and in Python have both been taught: a row that is added is refused until it stands here.
TAUGHT = tuple(
    """texts lengths variants remaining computed several own_ends trailers fed blocks lists inside continued calendar bundles times
    supplied turns valid scales""".split()
)


def refuse(
    target: str, layouts: Mapping[str, Layout], widest: int | None = WIDEST, rows: Iterable[str] = ()
) -> None:
    """Raise Unsupported with every field of these layouts that a table cannot express. The rest: as in `refusals`."""
    items = tuple(
        (f"{name}.{address}" if address else name, reason)
        for name, layout in layouts.items()
        for address, reason in refusals(layout, widest, rows)
    )
    if items:
        raise Unsupported(target, items)


def refusals(
    layout: Layout, widest: int | None = WIDEST, rows: Iterable[str] = ()
) -> Iterator[tuple[str, str]]:
    """Yield (address, reason) of each part of a frame that a table cannot express.

    widest: the most bits of a field, None: any number. rows: of ROWS those that the target reads.
    """
    known = [BASE, *(ROWS[name] for name in rows)]
    yield from _unknown(layout, "", known)
    told: set[str] = set()
    for node in layout.walk():
        address = getattr(node, "address", "")
        if not _attributes(node, known):
            told.add(address_of(node, ""))
            yield address_of(node, ""), _not_known(type(node).__name__)
            continue
        yield from _unknown(node, address, known)
        if isinstance(node, Optional) and node.by is None and not any(row.remaining for row in known):
            yield address, "this target does not know parts that are there when octets are left yet"
        for branch in node.all if isinstance(node, Choice) else ():
            yield from _unknown(branch, f"{address}.{branch.name}", known)
    for slot in (*layout.slots, *layout.supplied):
        if slot.address not in told:
            yield from _of_slot(slot, widest, known)


def _not_known(name: str) -> str:
    return f"this target does not know {WORDS.get(name, name.lower().replace('_', ' '))} yet"


def _of_slot(slot: Slot, widest: int | None, known: list[Row]) -> Iterator[tuple[str, str]]:
    yield from _unknown(slot, slot.address, known)
    if not any(slot.kind in row.kinds for row in known):
        yield slot.address, f"this target does not know fields of kind {slot.kind} yet"
    by_first_bits = bool(slot.coding) and CODINGS[slot.coding].first is not None
    coding = "first_bits" if by_first_bits else slot.coding  # whose table is its name
    if coding and not any(coding in row.codings for row in known):
        yield slot.address, f"this target does not know numbers {CODINGS[slot.coding].words} yet"
    # Codes of a bundle are read by themselves, and what goes on has more bits than its number.
    is_bound = not isinstance(slot.transform, Bundle) and not slot.is_continued
    if slot.check is not None and any(row.wide_checks for row in known):
        is_bound = False
    if widest is not None and slot.width > widest and is_bound:
        yield slot.address, f"it has {slot.width} bits, and {widest} is the most"
    if not any(type(slot.transform) in row.scales for row in known):
        yield slot.address, f"this target does not know {type(slot.transform).__name__.lower()} scales yet"
    if slot.check is not None:
        yield from _unknown(slot.check, slot.address, known)
        if slot.check.algorithm.family not in FAMILIES:
            yield slot.address, f"this target does not compute {slot.check.algorithm.name}"


def _attributes(part: Any, known: list[Row]) -> frozenset[str]:
    """The attributes of a part that these rows take; none where they do not know such parts."""
    return frozenset().union(*(row.attributes.get(type(part), frozenset()) for row in known))


def _unknown(part: Any, address: str, known: list[Row]) -> Iterator[tuple[str, str]]:
    """Yield what is set in a part of the layout and not known: where that is parts of its own, each by its address."""
    taken = _attributes(part, known)
    for one in fields(part):
        if one.name in taken:
            continue
        found = getattr(part, one.name)
        if one.default is MISSING or found != one.default:
            inner = (
                [inside.address for inside in found if hasattr(inside, "address")]
                if isinstance(found, tuple)
                else []
            )
            for place in inner or [address]:
                yield place, _not_known(one.name)
