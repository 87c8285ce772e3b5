"""What a target is, what it is told beside the layouts, and what it refuses.

A target gets layouts and a dossier and returns text by file name; it opens nothing. What it cannot express it refuses with
`Unsupported`, all of it at once, before it returns anything (`refuse`).

What a codec of a target takes and gives is a frame's raw codes, a struct or object with these members: the values (fields, flags,
states, times, tags of several codes, characters, supplied fields) and the counts; counts say how many elements of a list mean
something, and a list to an end has a number of elements beside it. Presence of an option, and which variant there is, follow from the
members that they ask; where bytes that remain tell, or where the bytes came from, a member of their own says it. Constants, lengths,
reserved bits, fill and checks are no members: encoding sends what is declared and works out what follows, decoding verifies it. Encoding
sends a code as it is, legal or not (a Python record's {"raw": n}), and refuses, naming the field, one that does not fit its bits, a tag's
code that is none of its own, or a count above its maximum; range policies are a step before it. Decoding refuses in the order and for
the reasons of the Python codec.
conformance/members.py has the members as a row of numbers, conformance/batch.py the pipe that differential tests ask through.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, fields
from typing import Any, Protocol

from packetkit.errors import Unsupported
from packetkit.layout.coding import CODINGS
from packetkit.layout.curve import Curve
from packetkit.layout.model import (
    Branch,
    Choice,
    Continued,
    Fill,
    Layout,
    Measured,
    Optional,
    Repeat,
    Run,
    slots_of,
)
from packetkit.layout.slots import Check, Chosen, Slot
from packetkit.targets.rows import FAMILIES
from packetkit.targets.untaught import VARYING_TELLER, WORDS, address_of, told_by_varying


class Dossier(Protocol):
    """Plain facts about a mission that are not in its layouts."""

    @property
    def mission(self) -> str:
        """The mission's name."""

    @property
    def fingerprint(self) -> str:
        """The mission's fingerprint."""

    @property
    def schema_path(self) -> str:
        """Where the schema is from the directory that is written to, with forward slashes."""

    @property
    def options(self) -> frozenset[str]:
        """What was asked for beside the target: words of its `options`."""

    @property
    def vectors(self) -> str:
        """The mission's vectors, as JSON text."""

    @property
    def outside(self) -> frozenset[str]:
        """Names of the frames that only where their bytes came from tells."""

    @property
    def description(self) -> str:
        """What the mission is, in the schema's words; may be empty."""

    @property
    def settings(self) -> tuple[tuple[str, str], ...]:
        """What flight and ground must share, as names and values; empty where the schema names no radio."""

    @property
    def worked(self) -> Mapping[str, Any]:
        """By frame, a worked example (mission/dossier.py: Worked), for targets that are told."""

    @property
    def cases(self) -> Mapping[str, tuple[Any, ...]]:
        """By frame, a few vectors (conformance/vector.py: Case), for targets that are told."""


@dataclass(frozen=True, slots=True)
class Target:
    """One back end. write: the text of each file, by its name in the output directory. options: words that change what it writes.

    is_proof: what it writes reads the schema and the vectors; is_told: it tells of settings, examples and vectors. For others these are
    not made.
    """

    name: str
    help: str
    write: Callable[[Mapping[str, Layout], Dossier], dict[str, str]]
    options: tuple[str, ...] = ()
    is_proof: bool = False
    is_told: bool = False


# What the targets that write codecs know of a layout: of each of its classes the attributes that they read, or that only the ground
# needs. One that is added later is refused by field until a target takes it in.
KNOWN_KINDS = frozenset("number float states flag constant sync tag count reserved check".split())
KNOWN: Mapping[type, frozenset[str]] = {
    Run: frozenset("number at residue size_bits packing slots".split()),
    Fill: frozenset("number unit_bits slot packing".split()),
    Repeat: frozenset(
        "number path address at residue count counted_by maximum trailer_bits element minimum_bits maximum_bits bare".split()
    ),
    Optional: frozenset(
        "number path address at residue by codes body minimum_bits maximum_bits bare".split()
    ),
    Check: frozenset("algorithm spans own zero_filled in_wire_order least_first also mixed".split()),
    Slot: frozenset(
        (
            "number path address kind offset_bits width octets_reversed bits_reversed signed coding transform legal specials "
            "unassigned policy raises default states codes maximum_count check role strict named unit description minimum maximum "
            "by_meaning line"
        ).split()
    ),
}

# What a target knows besides that has every row of the language as raw codes and lengths: texts, measured parts, variants, times, counts
# that are computed, what asks for remaining bytes, supplied fields.
PART_KINDS = frozenset("time radix_text bundle character supplied length".split())
PARTS: Mapping[type, frozenset[str]] = {
    Fill: frozenset({"since"}),
    Repeat: frozenset("joined factors plus".split()),
    Optional: frozenset({"trailer_bits"}),
    Measured: frozenset("number address at residue by unit_bits less body minimum_bits maximum_bits".split()),
    Choice: frozenset(
        "number path address at residue told_by branches unknown minimum_bits maximum_bits".split()
    ),
    Branch: frozenset("name codes body number bare".split()),
    Slot: frozenset({"clock", "calendar"}),
}


def refusals(
    layout: Layout, knows: frozenset[str] = frozenset(), *, parts: bool = False
) -> Iterator[tuple[str, str]]:
    """Yield what a target that writes codecs cannot express, as address and reason: kinds, parts and attributes that nobody takes in.

    knows: attributes, or the part Continued, that this target reads all the same, or leaves to the ground. parts: it knows the
    rows of PARTS too.
    """
    known = {one: KNOWN.get(one, frozenset()) | PARTS.get(one, frozenset()) for one in (*KNOWN, *PARTS)}
    known = known if parts else {**KNOWN}
    if "Continued" in knows:
        known[Continued] = frozenset("number at slot".split())
    known = {one: attributes | knows for one, attributes in known.items()}
    for told in told_by_varying(layout) if "varying_tellers" not in knows else ():
        yield told, VARYING_TELLER
    for supplied in layout.supplied if not parts else ():
        yield supplied.address, "a field that is not sent but mixed into a check"
    yield from _by_first_bits(layout, knows)
    for node in layout.walk():
        address = getattr(node, "address", layout.name)
        if type(node) not in known:
            form = type(node).__name__
            yield address_of(node, layout.name), WORDS.get(form, f"a part of the form {form}")
            continue
        if isinstance(node, Optional) and node.by is None and not parts:
            yield address, "it is there when bytes remain"
        yield from _unread(node, address, known)
        if isinstance(node, Choice):
            for branch in node.all:
                yield from _unread(branch, address, known)
        for slot in slots_of(node):
            yield from _of_slot(slot, known, KNOWN_KINDS | PART_KINDS if parts else KNOWN_KINDS)
            if isinstance(slot.transform, Curve) and "curve" not in knows:
                yield slot.address, "its curve"
            if isinstance(slot.transform, Chosen) and "scale_by" not in knows:
                yield slot.address, "its scale, which another field chooses"


def _by_first_bits(layout: Layout, knows: frozenset[str]) -> Iterator[tuple[str, str]]:
    for slot in layout.slots if "first_bits" not in knows else ():
        if slot.coding and CODINGS[slot.coding].first is not None:
            yield slot.address, "a number whose first bits say its size"


def _of_slot(
    slot: Slot, known: Mapping[type, frozenset[str]], kinds: frozenset[str]
) -> Iterator[tuple[str, str]]:
    if slot.kind not in kinds:
        yield slot.address, f"a field of the kind {slot.kind}"
    yield from _unread(slot, slot.address, known)
    if slot.check is not None:
        yield from _unread(slot.check, slot.address, known)
        if slot.check.algorithm.family not in FAMILIES:
            yield slot.address, "parities of listed bits"


def _unread(one: Any, address: str, known: Mapping[type, frozenset[str]]) -> Iterator[tuple[str, str]]:
    for attribute in fields(one):
        if attribute.name not in known[type(one)] and getattr(one, attribute.name) != attribute.default:
            yield address, WORDS.get(attribute.name, f"its {attribute.name.replace('_', ' ')}")


def refuse(
    target: str,
    layouts: Mapping[str, Layout],
    more: Iterable[tuple[str, str]] = (),
    knows: frozenset[str] = frozenset(),
    *,
    parts: bool = False,
) -> None:
    """Raise Unsupported with all that a target cannot express; more: what it cannot for reasons of its own. The rest: as in `refusals`."""
    found = [
        (f"{layout.name}.{address}" if len(layouts) > 1 else address, reason)
        for layout in layouts.values()
        for address, reason in refusals(layout, knows, parts=parts)
    ]
    items = tuple(dict.fromkeys((*found, *more)))
    if items:
        raise Unsupported(target, items)
