"""The wire specification written out slowly: a second implementation, and the judge of every codec.

Read it beside WIRE.md; each part names the rules that it spells out. Nothing here is clever. A frame is a
text of the characters '0' and '1', a value is a Fraction, a check walks its register bit by bit, and whatever
depends on the whole frame waits until the whole frame is there. It imports the declared model and nothing
else of packetkit: widths, codes, ranges and spans are worked out here a second time, straight from what the
team wrote, so that a mistake in the layout cannot agree with itself.

    encode(frame, record, algorithms)             the bytes of a record
    decode(frame, data, algorithms)               the record in exactly these bytes (detail=True: all of it)
    positions(frame, record_or_data, algorithms)  where each field lies, to name the first bit that differs

Each of them raises `Refused` and nothing else. `algorithms` hands in what a check's name means, as plain
mappings: for a CRC `family: crc`, width, poly, init, reflect_in, reflect_out, final_xor; for the rest family
(sum, xor, parity, fletcher, adler), width, init, word_bits, word_order, modulus, end_around, final,
first_sum_high. The schema has been loaded without a complaint; what a faulty schema would mean is not a
question for this page.

One idea carries the file: a frame becomes a tree of `Node`s in wire order. Decoding grows the tree from the
bits, encoding grows it from the record; everything after that (order of octets, checks, records) looks at a
finished tree.
"""

from __future__ import annotations

import ast
import math
import operator
import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from dataclasses import field as attribute
from datetime import date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise, product
from numbers import Rational
from typing import Any, Final

from packetkit.schema.model import (
    Alphabet,
    Codes,
    Condition,
    CustomCrc,
    Field,
    FirstBits,
    Form,
    Frame,
    FrameSize,
    ListedParity,
    Repeat,
    TimeCount,
    Variant,
)

Parameters = Mapping[str, Any]  # what one algorithm is, as plain values
Algorithms = Mapping[str, Parameters]


class Refused(ValueError):
    """Bytes that are not this frame, or a record that does not fit it.

    reason, when decoding: truncated, bad count, bad length, unknown variant, wrong constant, trailing bytes,
    check failed, reserved bits; when encoding: refused. why: a sentence for people.
    """

    def __init__(self, reason: str, why: str) -> None:
        self.reason = reason
        self.why = why
        super().__init__(f"{reason}: {why}")


def encode(frame: Frame, record: Any, algorithms: Algorithms) -> bytes:
    """Return the bytes of a record; a record that detail=True gave comes back to its own bits."""
    writing = _written(frame, record, algorithms)
    picture = writing.picture
    return bytes(int(picture[at : at + 8], 2) for at in range(0, len(picture), 8))


def decode(
    frame: Frame,
    data: bytes,
    algorithms: Algorithms,
    *,
    detail: bool = False,
    variants: Mapping[str, str] | None = None,
) -> dict[str, Any]:
    """Return the record in data, which is exactly one frame: its values, or with detail every raw code.

    variants: of each part that is told from outside, by its address, the variant's name. The order of the
    complaints is part of the specification: what keeps the frame from being read, as met; then a wrong
    constant; bytes left over; a failed check; reserved bits that must be zero. Of several of one sort the
    first in wire order is named; a check that needs what a later one recovers has its turn after that one.
    """
    picture = _picture(data)
    reading = _Reading(picture, variants or {})
    root = reading.walk(frame, algorithms)
    leaves = list(_leaves(root))
    for node in leaves:
        if node.field.code and node.raw is not None and not _among(node.field.code, node.raw):
            raise Refused("wrong constant", f"{_address(node)} is {node.raw}")
    if reading.at < len(picture):
        raise Refused("trailing bytes", f"the frame ends after {reading.at} bits of {len(picture)}")
    for node in _in_turn_of_checking(leaves):
        if not _agrees(node, root, picture, algorithms):
            raise Refused("check failed", f"{_address(node)} is {node.raw}")
    for node in leaves:
        if node.field.kind == "reserved" and node.raw and _is_strict(node.field, frame):
            raise Refused("reserved bits", f"{_address(node)} is {node.raw}")
    return _details(root) if detail else _values(root)


def _arithmetic(node: _Node) -> _Meaning:
    """Rule 7: what a derived value comes to, in doubles, from left to right; None where there is none.

    The text is read by Python's own grammar, of which school arithmetic is a part; its own codes are doubles.
    """
    tree = ast.parse(" ".join(node.field.derived.split()), mode="eval").body
    given: dict[str, float] = {}
    for name in _names_in(tree):
        found = _find(node, name, whole=False, back=True)
        value = None if found is None or not found.present else _value(found)
        if value is None:
            return _Meaning(None, f"no {name}")
        try:
            given[name] = float(value)
        except OverflowError:
            return _Meaning(None, "not finite")
    try:
        return _Meaning(_worked_out(tree, given) + 0.0)
    except ZeroDivisionError:
        return _Meaning(None, "division by zero")
    except _NotFiniteError:
        return _Meaning(None, "not finite")
    except ValueError:
        return _Meaning(None, "root of a negative number")


class _NotFiniteError(Exception):
    """A step of arithmetic whose result is not finite."""


def _dotted(tree: ast.expr) -> str:
    if isinstance(tree, ast.Attribute):
        return f"{_dotted(tree.value)}.{tree.attr}"
    assert isinstance(tree, ast.Name)
    return tree.id


def _names_in(tree: ast.expr) -> list[str]:
    """Return the fields of an expression in the order in which they are written."""
    if isinstance(tree, (ast.Name, ast.Attribute)):
        return [_dotted(tree)]
    if isinstance(tree, ast.Call):
        return [name for part in tree.args for name in _names_in(part)]
    if isinstance(tree, ast.BinOp):
        return _names_in(tree.left) + _names_in(tree.right)
    return _names_in(tree.operand) if isinstance(tree, ast.UnaryOp) else []


def _worked_out(tree: ast.expr, given: Mapping[str, float]) -> float:
    if isinstance(tree, ast.Constant):
        return float(tree.value)  # type: ignore[arg-type]  # a number
    if isinstance(tree, (ast.Name, ast.Attribute)):
        return given[_dotted(tree)]
    if isinstance(tree, ast.UnaryOp):
        return -_worked_out(tree.operand, given)
    if isinstance(tree, ast.Call):
        functions = {"min": min, "max": max, "abs": abs, "sqrt": math.sqrt}
        made: float = functions[_dotted(tree.func)](*[_worked_out(part, given) for part in tree.args])  # type: ignore[operator]
        return made
    assert isinstance(tree, ast.BinOp)
    left, right = _worked_out(tree.left, given), _worked_out(tree.right, given)
    step = {ast.Add: operator.add, ast.Sub: operator.sub, ast.Mult: operator.mul, ast.Div: operator.truediv}
    result: float = step[type(tree.op)](left, right)
    if not math.isfinite(result):
        raise _NotFiniteError
    return result


def positions(frame: Frame, record_or_data: Any, algorithms: Algorithms) -> list[tuple[str, int, int]]:
    """Return (address, first bit, width) of all that lies on the wire, in wire order; the first bit is 0.

    A record is laid out as encode would, bytes as decode would; checks are placed, not computed.
    """
    if isinstance(record_or_data, (bytes, bytearray, memoryview)):
        root = _Reading(_picture(bytes(record_or_data)), {}).walk(frame, algorithms)
    else:
        root = _Writing(record_or_data).walk(frame, algorithms)
    found: list[tuple[str, int, int]] = []
    for node in (node for node in _leaves(root) if node.width):
        if node.field.runs:
            found += [(_address(node), node.start + bit, width) for bit, width in node.field.runs]
        else:
            found.append((_address(node), node.first, node.width))
    return sorted(found, key=lambda place: place[1])


# --- Rules 1 and 2: where a bit lies ------------------------------------------------------------------------
# A *picture* is the frame as text, each octet written as on paper: most significant bit on the left, first
# octet first. Bit i of a frame, counted as fields take them, stands in the picture at _spot(i).


def _picture(data: bytes) -> str:
    return "".join(f"{octet:08b}" for octet in data)


@dataclass(frozen=True)
class _Packing:
    """How fields become bits in octets. word_bits: from `start` on, the octets of each word are reversed."""

    least_first: bool = False
    word_bits: int = 0
    start: int = 0


def _spot(i: int, packing: _Packing) -> int:
    """Return where bit i stands in the picture: in byte i//8 at bit 7 - i%8, least first at bit i%8."""
    if packing.least_first:
        return 8 * (i // 8) + (7 - i % 8)
    if packing.word_bits:
        word, within = divmod(i - packing.start, packing.word_bits)
        octet, bit = divmod(within, 8)
        mirrored = packing.word_bits // 8 - 1 - octet
        return packing.start + word * packing.word_bits + 8 * mirrored + bit
    return i


def _bits_of(node: _Node, raw: int) -> str:
    """Return a raw code as the bits that its field takes, in the order in which the field takes them."""
    return _turned(node, f"{raw % 2**node.width:0{node.width}b}")  # the remainder is two's complement


def _raw_of(node: _Node, bits: str) -> int:
    """Return the raw code in a field's bits."""
    raw = int(_turned(node, bits), 2) if bits else 0
    return raw - (1 << node.width) if _is_signed(node.field) and raw >= 2 ** (node.width - 1) else raw


def _turned(node: _Node, text: str) -> str:
    """Return a number on paper as a field's bits, or a field's bits as on paper: each turn undoes itself."""
    if node.field.stored == "bits_reversed":
        text = text[::-1]
    if node.field.first_bits is not None:
        return text  # as on paper; it stands under that packing alone
    if _goes_on(node.field):  # its octets are the frame's, under any packing
        octets = [text[at : at + 8] for at in range(0, len(text), 8)]
        return "".join(octet[::-1] if node.packing.least_first else octet for octet in octets)
    if node.field.runs:
        return text  # node.bits lie in the order of the number on paper
    if _octets_reversed(node):
        text = _reverse_octets(text)
    return text[::-1] if node.packing.least_first else text


def _reverse_octets(text: str) -> str:
    return "".join(text[at : at + 8] for at in reversed(range(0, len(text), 8)))


def _is_signed(declared: Field) -> bool:
    """Whether a leaf's raw code is a signed number: that of a bundle is not, whatever its samples are."""
    return bool(declared.signed) and declared.bundle is None


_UNORDERED: Final = ("reserved", "flag", "character", "bundle")


def _octets_reversed(node: _Node) -> bool:
    """Whether the octets of a number lie the other way round than its packing puts them.

    Most first puts the high octet first (big), least first the low one (little). A field's own order holds
    for the field; a group's, inherited inwards, for numbers of whole octets from 16 bits on. A check goes by
    `stored` where that is written.
    """
    declared = node.field
    if declared.kind in _UNORDERED or node.width % 8 or declared.stored == "bits_reversed":
        return False
    natural = "little" if node.packing.least_first else "big"
    if declared.stored is not None:
        wanted = {"high_octet_first": "big", "low_octet_first": "little"}[declared.stored]
    elif declared.order is not None:
        wanted = declared.order
    else:
        wanted = node.order if node.order is not None and node.width >= 16 else natural
    return wanted != natural


# --- The tree: what stands where in one frame ---------------------------------------------------------------


class _Absent:
    """What a record says of a key that it does not have (None is a value)."""


_ABSENT: Final = _Absent()


@dataclass(eq=False)
class _Node:
    """A place in one frame: a leaf, a group with its members, or a repeat with its elements (keys 0, 1 ...).

    An optional field that is not there has a node too, with no bits and present False. given: what the record
    says of it, when encoding. raw: a leaf's code, None until it is known.
    """

    field: Field
    key: str | int
    parent: _Node | None
    packing: _Packing
    order: str | None
    first: int
    given: Any = _ABSENT
    width: int = 0
    raw: int | None = None
    present: bool = True
    children: list[_Node] = attribute(default_factory=list)
    fill: _Node | None = None  # the bits that complete what a length measures: they stand behind it

    @property
    def start(self) -> int:
        """The first bit of the group around a field, from which its runs are counted."""
        assert self.parent is not None
        return self.parent.first

    @property
    def bits(self) -> list[int]:
        """The bits of a leaf, by their number in the frame: as it takes them, or, split, as the number is written on paper."""
        runs = [range(self.start + bit, self.start + bit + width) for bit, width in self.field.runs]
        if not runs:
            return list(range(self.first, self.first + self.width))
        return [bit for run in runs for bit in (reversed(run) if self.packing.least_first else run)]

    @property
    def is_group(self) -> bool:
        return self.field.kind in ("group", "flags") and not self.is_list

    @property
    def is_list(self) -> bool:
        return self.field.repeat is not None and isinstance(self.key, str)

    @property
    def is_text(self) -> bool:
        """Whether its children are characters, or octets, that are one value."""
        return self.field.kind in ("text", "bytes") and not self.is_list

    @property
    def is_choice(self) -> bool:
        """Whether its one child is the variant that was chosen."""
        return self.field.kind == "variants" and not self.is_list

    @property
    def is_leaf(self) -> bool:
        if self.field.derived or self.field.kind == "supplied":  # without a bit
            return False
        return self.present and not (self.is_group or self.is_list or self.is_text or self.is_choice)


def _leaves(node: _Node) -> Iterator[_Node]:
    """Yield what has bits of its own, in wire order."""
    if node.is_leaf:
        yield node
    for child in node.children:
        yield from _leaves(child)


def _address(node: _Node) -> str:
    """Return a node's path, such as `readings[0].field_x`."""
    if node.parent is None:
        return ""
    before = _address(node.parent)
    if isinstance(node.key, int):
        return f"{before}[{node.key}]"
    return f"{before}.{node.key}" if before else node.key


def _find(node: _Node, name: str, whole: bool, *, back: bool = False) -> _Node | None:
    """Return what a name means at a node: looked up among its siblings, then ever further out.

    whole: the node itself and the groups that it stands in have names too (a check may cover them); else they
    are not looked back at, for they are not over yet. back: the tree is whole, and what comes later has no
    name yet. A dotted name leads on into groups. Where it leads into
    a group that is not there, that group is what it means.
    """
    first, *further = name.split(".")
    inside, place = node, node.parent
    while place is not None:
        known = place.children[: place.children.index(inside)] if back else place.children
        named = (child for child in known if child.key == first)
        found = next((child for child in named if whole or child is not inside), None)
        for step in further:
            if found is None or not found.present:
                break
            found = next((child for child in found.children if child.key == step), None)
        if found is not None:
            return found
        inside, place = place, place.parent
    return None


def _meant(node: _Node, name: str, *, whole: bool = False) -> _Node:
    """Return the field that a name means; but for a check's span, one that is declared before the node."""
    found = _find(node, name, whole, back=not whole)
    assert found is not None, f"{name} is declared before {_address(node)}"  # the loader's promise
    return found


def _judge(node: _Node, name: str) -> _Node:
    """Return the field that says what a leaf's code means: one that is declared before it, else one behind it."""
    found = _find(node, name, False, back=True) or _find(node, name, True)
    assert found is not None, f"{name} is declared beside {_address(node)}"  # the loader's promise
    return found


def _whole(frame: Frame, algorithms: Algorithms) -> Field:
    """Return the frame as one group, whose checks say how wide they are and whose codes are as signed as their fields.

    A zero-filled last byte (rule 3) is reserved bits up to a byte, without a name of their own.
    """
    fields = frame.fields
    if frame.last_byte == "zero_filled":
        taken = [declared.name for declared in fields]
        names = ["reserved", *(f"reserved_{n}" for n in range(2, len(taken) + 2))]
        name = next(name for name in names if name not in taken)  # as bits without a name are called anywhere
        fields += (Field(name, "reserved", frame.place, named=False, up_to="byte"),)
    whole = Field("", "group", frame.place, fields=fields, packing=frame.packing, order=frame.order)
    return _with_constant_lengths(_spelled_out(whole, algorithms))


@dataclass(frozen=True)
class _Known:
    """What a declaration says before there is a frame of it; sets hold the identities of fields of `whole`."""

    frame: Frame  # kept, so that nothing else can have its identity
    algorithms: Algorithms
    whole: Field
    shape: _Shape
    choosing: set[int]  # what tells variants
    filled: set[int]  # flags that fill themselves


# By the identity of the frame, the oldest first: a frame is asked thousands of times.
_LAST_KNOWN: dict[int, _Known] = {}


def _known(frame: Frame, algorithms: Algorithms) -> _Known:
    """Return what a declaration says, worked out once while it is among the last asked."""
    found = _LAST_KNOWN.get(id(frame))
    if found is None or found.algorithms != algorithms:
        whole = _whole(frame, algorithms)
        choosing = _flags_looked_at(whole, choosing=True)
        found = _Known(frame, dict(algorithms), whole, _shape(whole), choosing, _flags_looked_at(whole))
        _LAST_KNOWN[id(frame)] = found
        if len(_LAST_KNOWN) > 32:
            del _LAST_KNOWN[next(iter(_LAST_KNOWN))]
    return found


def _spelled_out(declared: Field, algorithms: Algorithms) -> Field:
    if declared.kind == "check" and declared.algorithm is not None:
        return replace(declared, bits=_parameters(declared.algorithm, algorithms)["width"])
    if declared.signed and declared.bits is not None:
        return _with_signed_codes(declared, declared.bits)
    members = tuple(_spelled_out(member, algorithms) for member in declared.fields)
    if declared.size_bytes is not None:
        members += _zeros_behind(members, declared.size_bytes * 8)
    forms = tuple(
        replace(form, fields=tuple(_spelled_out(member, algorithms) for member in form.fields))
        for form in declared.variants
    )
    return replace(
        declared, fields=members, variants=_as_wide_as_the_widest(forms) if declared.in_turn else forms
    )


def _as_wide_as_the_widest(forms: tuple[Variant, ...]) -> tuple[Variant, ...]:
    """Return variants that take turns, the narrower ones with reserved bits behind their fields."""
    nothing = _Shape({}, set())
    sizes = []
    for form in forms:
        end = 0
        for member in form.fields:
            end = _static_end(member, end, 0, nothing)
        sizes.append(end)
    made = []
    for form, size in zip(forms, sizes, strict=True):
        fields, left = form.fields, max(sizes) - size
        while left:
            names, number = [one.name for one in fields], 1
            while ("reserved" if number == 1 else f"reserved_{number}") in names:
                number += 1
            name = "reserved" if number == 1 else f"reserved_{number}"
            fields += (Field(name, "reserved", form.place, named=False, bits=min(left, 64)),)
            left -= min(left, 64)
        made.append(replace(form, fields=fields))
    return tuple(made)


def _zeros_behind(members: tuple[Field, ...], room: int) -> tuple[Field, ...]:
    """Return reserved bits that fill the bits given to a carried frame, in fields of 64 at most."""
    (frame,) = members
    left = room - _static_end(frame, 0, 0, _Shape({}, set()))
    made: tuple[Field, ...] = ()
    while left:
        taken, number = [frame.name, *(one.name for one in made)], 1
        while ("reserved" if number == 1 else f"reserved_{number}") in taken:
            number += 1
        name = "reserved" if number == 1 else f"reserved_{number}"
        made += (Field(name, "reserved", frame.place, named=False, bits=min(left, 64)),)
        left -= min(left, 64)
    return made


# --- Lengths: which part each one measures, and which of them never change ----------------------------------


def _groups_in(declared: Field) -> list[tuple[Field, ...]]:
    """Return the lists of fields inside a field: a group's own, and one for each variant."""
    return [declared.fields, *(form.fields for form in declared.variants)]


@dataclass(frozen=True)
class _Shape:
    """What is known of a frame before there is one, by the identity of its fields.

    measuring: of each field that a length measures, that length. open: the variants that may be octets which no
    variant has, for what follows them in their part tells where those end.
    """

    measuring: Mapping[int, Field]
    open: set[int]


def _shape(whole: Field) -> _Shape:
    shape = _Shape(_measuring(whole), set())

    def look(
        declared: Field, at: int | None, behind: bool, direct: bool, before: tuple[Field, ...] = ()
    ) -> None:
        """at: where it starts in its part, modulo 8. behind: all that follows is fixed. before: what it may ask, nearest first.

        direct: it is in no element or option, and nothing before it runs to the end of its part.
        """
        length = shape.measuring.get(id(declared))
        if length is not None:
            at, behind, direct = 0, length.fill is None and _units(length) % 8 == 0, True
        direct = direct and declared.repeat is None and declared.present_when is None
        for group in _groups_in(declared):
            starts = _starts(declared, group, at, shape)
            fixed = behind
            for number, (member, start) in reversed(list(enumerate(zip(group, starts, strict=True)))):
                look(
                    member,
                    start,
                    fixed,
                    direct and not any(_ends_its_part(one, shape) for one in group[:number]),
                    (*reversed(group[:number]), *before),
                )
                fixed = fixed and _is_fixed(member, shape)
        told = declared.kind == "variants" and declared.told_by != ("outside",) and not declared.in_turn
        if told and behind and direct and at is not None and not _all_have_variants(declared, before):
            shape.open.add(id(declared))

    look(whole, 0, True, True)
    return shape


def _all_have_variants(declared: Field, before: tuple[Field, ...]) -> bool:
    """Return whether no code is left without a variant: tried at each code with which a condition begins or has just ended."""
    tellers: dict[str, Field] = {}
    edges: list[list[int]] = []
    for name in declared.told_by:
        teller = _told_before(name, before)
        if teller is None or _goes_on(teller):
            return False
        tellers[name] = teller
        least, most = _raw_limits(teller, _width(teller))
        asked = [one for form in declared.variants for one in form.when if one.by == name]
        ranges = [(codes.low, codes.high) for one in asked for codes in one.codes]
        ranges += [(code, code) for code, _ in _states_of(teller)]
        starts = {least, 0, 1, *(low for low, _ in ranges), *(high + 1 for _, high in ranges)}
        edges.append([code for code in starts if least <= code <= most])
    return all(
        any(
            all(
                _holds_for(asked, tellers[asked.by], codes[declared.told_by.index(asked.by)])
                for asked in form.when
            )
            for form in declared.variants
        )
        for codes in product(*edges)
    )


def _told_before(name: str, before: tuple[Field, ...]) -> Field | None:
    """Return the field that a name means, which is always there; None for one that is not found so plainly."""
    first, *further = name.split(".")
    found = next((one for one in before if one.name == first), None)
    for step in (*further, None):
        if found is None or found.present_when is not None or found.repeat is not None:
            return None
        found = found if step is None else next((one for one in found.fields if one.name == step), None)
    return found


def _starts(declared: Field, group: tuple[Field, ...], at: int | None, shape: _Shape) -> list[int | None]:
    """Return where each member of a group starts, modulo 8 where something before it varies; None where that is not known."""
    taken = set() if at is None else _taken(declared, at)
    starts: list[int | None] = []
    for member in group:
        at = None if at is None else _passed(at, taken)
        starts.append(at)
        at = _modulo_8(member, at, shape)
    return starts


def _modulo_8(declared: Field, at: int | None, shape: _Shape) -> int | None:
    """Return where a field ends that starts at a bit; modulo 8 where its size varies."""
    if at is not None:
        try:
            return _static_end(declared, at, 0, shape)
        except _VariesError:
            pass
    length = shape.measuring.get(id(declared))
    if length is not None and _units(length) % 8 == 0:
        return at
    end = _modulo_8_once(declared, at, shape)
    times = 1 if declared.repeat is None else declared.repeat.count
    for _ in range(1, times or 1):
        end = _modulo_8_once(declared, end, shape)
    sure = declared.present_when is None and times is not None
    same = end is not None and at is not None and (end - at) % 8 == 0
    return end if sure or same else None


def _modulo_8_once(declared: Field, at: int | None, shape: _Shape) -> int | None:
    if declared.up_to is not None:
        return 0
    if declared.kind in ("text", "bytes"):
        return at if _character_bits(declared) == 8 else None
    if _goes_on(declared):
        return None if at is None else (at + _least_bits(declared)) % 8
    if declared.kind == "variants":
        ends = {_end_of_group(form.fields, at, shape) for form in declared.variants}
        known = {end % 8 for end in ends if end is not None}
        return known.pop() if None not in ends and len(known) == 1 else None
    if declared.fields:
        return _end_of_group(declared.fields, at, shape)
    return None if at is None else at + _width(declared)


def _end_of_group(group: tuple[Field, ...], at: int | None, shape: _Shape) -> int | None:
    for member in group:
        at = _modulo_8(member, at, shape)
    return at


def _is_fixed(declared: Field, shape: _Shape) -> bool:
    """Whether a field has the same number of bits in every frame, wherever it starts."""
    if _comes_to_nothing(declared) or _holds_fill(declared):
        return False
    try:
        return _static_end(declared, 0, 0, shape) >= 0
    except _VariesError:
        return False


def _measuring(whole: Field) -> dict[int, Field]:
    """Return, by the identity of each field that a length measures, that length; whole_frame is the whole."""
    found: dict[int, Field] = {}

    def look(members: tuple[Field, ...], around: tuple[Field, ...]) -> None:
        for one in members:
            if one.kind == "length":
                candidates = (whole,) if one.measures == "whole_frame" else (*members, *around)
                target = next(
                    other
                    for other in candidates
                    if one.measures == "whole_frame" or (other.name == one.measures and other is not one)
                )
                found.setdefault(id(target), one)
            others = tuple(other for other in members if other is not one)
            for inner in _groups_in(one):
                look(inner, (one, *others, *around))

    look(whole.fields, ())
    return found


def _with_constant_lengths(whole: Field) -> Field:
    """Return the frame with the lengths of parts whose size never changes as constants: that code, and no other."""
    shape = _shape(whole)
    constant: dict[int, int] = {}

    def look(declared: Field) -> None:
        length = shape.measuring.get(id(declared))
        size = None if length is None else _constant_size(declared, shape)
        if length is not None and size is not None and not _goes_on(length):
            units = _units(length)
            size += -size % units if length.fill == "zero" else 0
            counted = _counted_bits(size, length)
            constant[id(length)] = (size if counted is None else counted) // units - length.less
        for group in _groups_in(declared):
            for member in group:
                look(member)

    def made(declared: Field) -> Field:
        if id(declared) in constant:
            return replace(declared, code=(Codes(constant[id(declared)], constant[id(declared)]),))
        forms = tuple(replace(form, fields=tuple(map(made, form.fields))) for form in declared.variants)
        return replace(declared, fields=tuple(map(made, declared.fields)), variants=forms)

    look(whole)
    return made(whole)


def _units(length: Field) -> int:
    return {"bits": 1, "bytes": 8, "words_of_16": 16, "words_of_32": 32, "words_of_64": 64}[
        length.counts_in or "bytes"
    ]


def _constant_size(declared: Field, shape: _Shape) -> int | None:
    """Return the bits of a part where every frame gives it as many, else None; it is measured from its own start.

    Variants that the frame's own fields tell are never a constant, not even where all of them have one size.
    """
    if _holds_told_variants(declared):
        return None
    try:
        return _static_end(declared, 0, 0, shape, own=True)
    except _VariesError:
        return None


def _holds_told_variants(declared: Field) -> bool:
    told = declared.kind == "variants" and declared.told_by != ("outside",)
    return told or any(_holds_told_variants(one) for group in _groups_in(declared) for one in group)


class _VariesError(Exception):
    """A size is not the same in every frame."""


def _static_end(declared: Field, at: int, start: int, shape: _Shape, *, own: bool = False) -> int:
    """Return where a field that starts at a bit ends, whatever the frame; fills count from `start`."""
    length = shape.measuring.get(id(declared))
    if length is not None and not own:
        end = _static_end(declared, at, at, shape, own=True)
        return end + (-(end - at) % _units(length) if length.fill == "zero" else 0)
    if declared.present_when is not None:
        raise _VariesError
    repeat = declared.repeat
    if repeat is not None:
        if repeat.count is None:
            raise _VariesError
        for _ in range(repeat.count):
            at = _static_body(declared, at, start, shape)
        return at
    return _static_body(declared, at, start, shape)


def _static_body(declared: Field, at: int, start: int, shape: _Shape) -> int:
    if declared.kind in ("text", "bytes"):
        assert declared.length is not None
        if declared.length.count is None:
            raise _VariesError
        return at + declared.length.count * _character_bits(declared)
    if declared.kind == "variants":
        ends = set()
        for form in declared.variants:
            end = at
            for member in form.fields:
                end = _static_end(member, end, start, shape)
            ends.add(end)
        if len(ends) > 1 or id(declared) in shape.open:
            raise _VariesError  # octets of an unknown variant are of any number
        return ends.pop()
    if declared.up_to is not None:
        return at + _fill(declared.up_to, at - start)
    if _goes_on(declared):
        raise _VariesError
    if declared.runs or declared.derived or declared.kind == "supplied":
        return at  # its bits are passed by, or it has none
    taken = _taken(declared, at)
    start = at if declared.carried else start
    for member in declared.fields:
        at = _static_end(member, _passed(at, taken), start, shape)
    return _passed(at, taken) if declared.fields else at + _width(declared)


def _taken(group: Field, first: int) -> set[int]:
    """Return the bits of a group that belong to its split values."""
    runs = [run for member in group.fields for run in member.runs]
    return {first + i for bit, width in runs for i in range(bit, bit + width)}


def _passed(at: int, taken: set[int]) -> int:
    """Return the next bit that belongs to no split value."""
    while at in taken:
        at += 1
    return at


def _with_signed_codes(declared: Field, bits: int) -> Field:
    """Return a signed field whose codes are signed: one written as the bits that are sent, 0xFF in eight, is -1."""

    def signed(code: int) -> int:
        return code - (1 << bits) if code >= 1 << (bits - 1) else code

    missing = declared.missing
    if isinstance(missing, tuple):
        missing = tuple(Codes(signed(codes.low), signed(codes.high), codes.reason) for codes in missing)
    at_least, at_most = declared.at_least, declared.at_most
    return replace(
        declared,
        missing=missing,
        at_least=None if at_least is None else signed(at_least),
        at_most=None if at_most is None else signed(at_most),
    )


def _is_strict(declared: Field, frame: Frame) -> bool:
    return bool(frame.strict if declared.strict is None else declared.strict)


@dataclass(eq=False)
class _Part:
    """What a length measures, while it is grown: where it ends once the length is known, when reading."""

    node: _Node
    length: Field
    end: int | None = None


class _Walk(ABC):
    """Grows the tree of one frame in wire order. At its end: what reading and writing do differently."""

    def __init__(self) -> None:
        self.at = 0  # the next bit
        self.shape = _Shape({}, set())
        self.parts: list[_Part] = []  # measured parts around the next bit, the innermost last
        self.carried: list[int] = []  # where the carried frames around the next bit start
        self.choosing: set[int] = set()  # fields that tell variants, by identity
        self.filled: set[int] = set()  # flags that fill themselves, by identity
        self.told: dict[int, _Node] = {}  # by the identity of a length field, where it was met last

    def walk(self, frame: Frame, algorithms: Algorithms) -> _Node:
        known = _known(frame, algorithms)
        root = _Node(known.whole, "", None, _Packing(), None, 0)
        self.shape, self.choosing, self.filled = known.shape, known.choosing, known.filled
        self.measured(root, lambda: self.body(root))
        return root

    def member(self, declared: Field, parent: _Node) -> None:
        """One declared field, and what measures it."""
        node = self.node(declared, declared.name, parent)
        self.measured(node, lambda: self.itself(node))
        if not declared.runs:
            node.width = self.at - node.first

    def measured(self, node: _Node, grow: Callable[[], None]) -> None:
        """Grow what a length may measure: then it is a part with a start of its own, and an end."""
        length = self.shape.measuring.get(id(node.field))
        if length is None:
            grow()
            return
        part = _Part(node, length)
        self.parts.append(part)
        told = self.length_of(part)
        if told is not None:
            self.length_is_known(part, told)
        grow()
        if length.fill == "zero":
            self.fill_part(part)
        self.parts.pop()
        self.part_is_over(part)

    def length_of(self, part: _Part) -> _Node | None:
        """Return a part's length, where it was met: around the part or in it, and not in some other element."""
        told = self.told.get(id(part.length))
        around = part.node.parent or part.node
        place = told
        while place is not None and place is not around:
            place = place.parent
        return None if place is None else told

    def fill_part(self, part: _Part) -> None:
        """Complete the last unit of a part with zero bits, which have the length field's name."""
        name = f"{part.length.name}_fill"
        declared = Field(name, "reserved", part.length.place, named=False, bits=1, up_to="byte")
        parent = part.node if part.node.parent is None else part.node.parent
        node = self.node(declared, name, parent)
        node.width = -(self.at - part.node.first) % _units(part.length)
        part.node.fill = node
        self.leaf(node)
        self.at += node.width

    def met_length(self, node: _Node) -> None:
        """Note a length field that has its code, for the parts that wait for it."""
        self.told[id(node.field)] = node
        for part in self.parts:
            if part.length is node.field and part.end is None:
                self.length_is_known(part, node)

    def origin(self) -> int:
        """Return the bit from which boundaries count: the start of the innermost measured part or carried frame, else the frame's."""
        return max([0, *(part.node.first for part in self.parts), *self.carried])

    def itself(self, node: _Node) -> None:
        """One declared field: not there, there once, or several times."""
        declared = node.field
        if declared.present_when is not None and not self.is_present(node, declared.present_when):
            node.present = False
        elif declared.repeat is not None:
            count = self.times(node)
            while self.goes_on(node) if count is None else len(node.children) < count:
                self.body(self.node(declared, len(node.children), node))
        else:
            self.body(node)

    def node(self, declared: Field, key: str | int, parent: _Node) -> _Node:
        node = _Node(declared, key, parent, parent.packing, parent.order, self.at)
        parent.children.append(node)
        self.meet(node)
        return node

    def body(self, node: _Node) -> None:
        """The bits of a leaf, or the members of a group in that group's packing and order."""
        if node.is_group:
            self.pack(node)
            self.open(node)
            taken = _taken(node.field, node.first)
            if node.field.carried:
                self.carried.append(self.at)
            for declared in node.field.fields:
                self.pass_by(taken)
                self.member(declared, node)
            if node.field.carried:
                self.carried.pop()
            self.pass_by(taken)
            node.width = self.at - node.first
        elif node.is_text:
            count = self.characters(node)
            one = Field("", "character", node.field.place, bits=_character_bits(node.field))
            for index in range(count):
                self.body(self.node(one, index, node))
            node.width = self.at - node.first
        elif node.is_choice:
            self.choose(node)
            node.width = self.at - node.first
        elif node.field.runs:
            node.width = sum(width for _, width in node.field.runs)
            node.first = min(node.bits)
            self.leaf(node)
        elif node.field.kind == "supplied":
            self.supply(node)
        elif _goes_on(node.field):
            self.continued(node)
            self.at = node.first + node.width
        elif not node.field.derived:  # that the ground works out: nothing is sent
            node.width = self.leaf_width(node.field)
            if node.field.kind == "time" and node.packing.least_first is not _octets_reversed(node):
                node.field = replace(node.field, packing=_LOW_COUNT_FIRST)
            if node.field.bundle is not None:
                node.field = _bundle_in_order(node)
            self.leaf(node)
            self.at = node.first + node.width

    def pass_by(self, taken: set[int]) -> None:
        """Go on to the next bit that belongs to no split value."""
        self.at = _passed(self.at, taken)

    def pack(self, node: _Node) -> None:
        """Rule 2: a group's packing and order hold from here inwards; word_bits turns words, not numbers."""
        declared = node.field
        if declared.carried:
            node.order = None  # whatever holds around a frame
        if declared.packing is not None:
            node.packing = _Packing(declared.packing == "least_significant_first")
        if declared.word_bits is not None:
            node.packing = _Packing(False, declared.word_bits, self.at)
            node.order = None
        elif declared.order is not None:
            node.order = declared.order

    def leaf_width(self, declared: Field) -> int:
        return _width(declared) if declared.up_to is None else _fill(declared.up_to, self.at - self.origin())

    def spare_bits(self, node: _Node) -> int:
        """Return how many bits of their last octet are not sent where variants are octets that no variant has."""
        end = _end_behind(node, self.at, self.origin(), self.shape)
        assert end is not None
        return (end - self.origin()) % 8

    def variant(self, node: _Node, name: str) -> _Node:
        """A chosen variant, as a group whose names look outwards from here; or the octets of an unknown one."""
        declared = next((form for form in node.field.variants if form.name == name), None)
        if declared is None:
            made = Field("unknown", "bytes", node.field.place)
        else:
            made = Field(name, "group", declared.place, fields=declared.fields)
        return self.node(made, name, node)

    @abstractmethod
    def characters(self, node: _Node) -> int:
        """Return how many characters a text has."""

    @abstractmethod
    def choose(self, node: _Node) -> None:
        """Grow the variant that is meant."""

    @abstractmethod
    def length_is_known(self, part: _Part, node: _Node) -> None:
        """Notice that a part's length has its code."""

    @abstractmethod
    def part_is_over(self, part: _Part) -> None:
        """Notice the end of a measured part."""

    @abstractmethod
    def meet(self, node: _Node) -> None:
        """Notice a node that has come to be."""

    @abstractmethod
    def open(self, node: _Node) -> None:
        """Enter a group."""

    @abstractmethod
    def is_present(self, node: _Node, condition: Condition) -> bool:
        """Return whether an optional field is there."""

    @abstractmethod
    def times(self, node: _Node) -> int | None:
        """Return how often a field repeats; None where that shows as its elements are read."""

    @abstractmethod
    def goes_on(self, node: _Node) -> bool:
        """Return whether one more element follows those of a list."""

    @abstractmethod
    def supply(self, node: _Node) -> None:
        """Find the code of a field that has no bits, if the record tells it; else a check will."""

    @abstractmethod
    def leaf(self, node: _Node) -> None:
        """Find a leaf's raw code, where that can be told by now."""

    @abstractmethod
    def continued(self, node: _Node) -> None:
        """Find the raw code, and the width, of a number that goes on from octet to octet."""


def _uncounted_bits(counted: int, length: Field) -> int:
    """Return the bits that a length leaves out of account where it counts so many: some after every block, the last one too."""
    if length.not_counted is None:
        return 0
    every, octets = length.not_counted
    blocks = counted // (every * 8) + (1 if counted % (every * 8) else 0)
    return blocks * octets * 8


def _counted_bits(bits: int, length: Field) -> int | None:
    """Return how many of so many bits a length counts, by trying all numbers of blocks; None where no number makes so many."""
    if length.not_counted is None:
        return bits
    for blocks in range(bits // (8 * length.not_counted[1]) + 1):
        counted = bits - blocks * 8 * length.not_counted[1]
        if counted >= 0 and counted + _uncounted_bits(counted, length) == bits:
            return counted
    return None


def _fill(boundary: str, at: int) -> int:
    """Return how many bits are left up to the next boundary, counted from the frame's start."""
    return -at % {"byte": 8, "word_16": 16, "word_32": 32}[boundary]


def _character_bits(declared: Field) -> int:
    return 8 if declared.alphabet is None else declared.alphabet.bits


def _end_behind(node: _Node, at: int, start: int, shape: _Shape) -> int | None:
    """Return where a node's part ends if the node ends at a bit; None where something follows it whose size nothing before tells.

    What asks for bytes that remain, and what runs to the end, come to nothing. Boundaries count from `start`.
    """
    while node.parent is not None and id(node.field) not in shape.measuring:
        for member in _members_behind(node):
            if not _comes_to_nothing(member):
                try:
                    at = _told_end(member, at, start, shape, node)
                except _VariesError:
                    return None
        node = node.parent
        if node.field.carried:
            start = _origin_outside(node, shape)
    length = shape.measuring.get(id(node.field))
    return at + (-(at - start) % _units(length) if length is not None and length.fill == "zero" else 0)


def _origin_outside(node: _Node, shape: _Shape) -> int:
    """Return the bit from which boundaries count behind a carried frame."""
    around = node.parent
    while around is not None and not around.field.carried and id(around.field) not in shape.measuring:
        around = around.parent
    return 0 if around is None else around.first


def _told_end(declared: Field, at: int, start: int, shape: _Shape, before: _Node) -> int:
    """Return where a field ends that starts at a bit behind a node, where what stands before that node says what is there."""
    length = shape.measuring.get(id(declared))
    if declared.present_when is not None:
        teller = _find(before, declared.present_when.by, False, back=True)
        if teller is None:
            raise _VariesError
        if not _holds(declared.present_when, teller):
            return at
        declared = replace(declared, present_when=None)
        if length is not None:
            shape = replace(shape, measuring={**shape.measuring, id(declared): length})
    told = declared.told_by not in ((), ("outside",)) and not declared.in_turn
    if declared.kind == "variants" and told and id(declared) not in shape.open and declared.repeat is None:
        found = {name: _find(before, name, False, back=True) for name in declared.told_by}
        for form in sorted(declared.variants, key=lambda form: form.otherwise):
            tellers = [found[asked.by] for asked in form.when]
            if all(one and _holds(asked, one) for asked, one in zip(form.when, tellers, strict=True)):
                for member in form.fields:
                    at = _told_end(member, at, start, shape, before)
                return at
        return at  # which is no variant's: so says whoever reads it
    if declared.fields and length is None and declared.repeat is None and not declared.runs:
        taken, start = _taken(declared, at), at if declared.carried else start
        for member in declared.fields:
            at = _told_end(member, _passed(at, taken), start, shape, before)
        return _passed(at, taken)
    return _static_end(declared, at, start, shape)


def _members_behind(node: _Node) -> tuple[Field, ...]:
    """Return the fields declared behind a node in its group; a variant stands alone, and the elements behind one are not told yet."""
    assert node.parent is not None
    if node.parent.is_choice or isinstance(node.key, int):
        return ()
    members = node.parent.field.fields
    return members[[one.name for one in members].index(str(node.key)) + 1 :]


def _comes_to_nothing(declared: Field) -> bool:
    remains = declared.present_when is not None and declared.present_when.by == "bytes_remain"
    to_end = declared.repeat is not None and declared.repeat.to_end
    return (
        remains
        or to_end
        or (declared.repeat is None and declared.length is not None and declared.length.to_end)
    )


def _ends_its_part(declared: Field, shape: _Shape) -> bool:
    """Whether the end of its part tells how much there is of a field, or of something in it."""
    if id(declared) in shape.measuring:
        return False
    inside = any(_ends_its_part(one, shape) for group in _groups_in(declared) for one in group)
    return _comes_to_nothing(declared) or inside


def _holds_fill(declared: Field) -> bool:
    return declared.up_to is not None or any(map(_holds_fill, declared.fields))


def _chosen(node: _Node) -> str | None:
    """Return the name of the variant that the fields before a node tell, None where none does."""
    tellers = {name: _meant(node, name) for name in node.field.told_by}
    if node.field.in_turn:
        (teller,) = tellers.values()
        return None if teller.raw is None else node.field.variants[teller.raw % len(node.field.variants)].name
    # What is meant otherwise asks for nothing, so it is the last to be asked.
    for form in sorted(node.field.variants, key=lambda form: form.otherwise):
        if all(_holds(asked, tellers[asked.by]) for asked in form.when):
            return form.name
    return None


def _holds(condition: Condition, told_by: _Node) -> bool:
    """Whether a condition holds, given the field it looks at: a true flag, or one of the codes or states."""
    # None: in a group that is not there.
    return told_by.raw is not None and _holds_for(condition, told_by.field, told_by.raw)


def _holds_for(condition: Condition, declared: Field, raw: int) -> bool:
    if _goes_on(declared):
        number = _spells_on(declared, raw)
        return number is not None and _among(condition.codes, number)
    if not condition.states and not condition.codes:
        return raw == 1
    named = any(raw == code and name in condition.states for code, name in _states_of(declared))
    return named or _among(condition.codes, raw)


def _states_of(declared: Field) -> tuple[tuple[int, str], ...]:
    """Return the names that a condition may ask a field for; a flag's are true and false."""
    return ((0, "false"), (1, "true")) if declared.kind == "flag" else declared.states


def _read_as(node: _Node) -> Field | str:
    """Return a leaf's field as other fields have it, on the scale that one of them chooses; or why it has no value."""
    declared = node.field
    if declared.valid_when is not None and not _holds(
        declared.valid_when, _judge(node, declared.valid_when.by)
    ):
        return "not valid"
    if declared.scale_by is None:
        return declared
    chooser = _judge(node, declared.scale_by.by)
    names = dict(chooser.field.states)
    for choice in declared.scale_by.choices:
        if choice.said in (chooser.raw, names.get(chooser.raw if chooser.raw is not None else -1)):
            return replace(declared, scale=choice.scale, offset=choice.offset)
    return "no scale"


def _is_told(declared: Field) -> bool:
    """Whether another field says what a field's code means."""
    return declared.valid_when is not None or declared.scale_by is not None


def _among(codes: tuple[Codes, ...], raw: int) -> bool:
    return any(code.low <= raw <= code.high for code in codes)


# --- Rules 6 and 9: how wide a field is, and what its codes mean --------------------------------------------


def _width(declared: Field) -> int:
    """Return the bits of one leaf, of those whose width does not depend on where they start."""
    if declared.kind == "flag":
        return 1
    if declared.bundle is not None:
        return sum(_bundle_widths(declared))
    if declared.first_bits is not None:
        return declared.first_bits.bits + max(form.bits for form in declared.first_bits.forms)
    if _goes_on(declared):
        return 8 * math.ceil((declared.bits or 0) / 7)  # the most
    if _is_by_meaning(declared):
        return _meaning(declared)[0]
    assert declared.bits is not None
    return declared.bits


def _is_by_meaning(declared: Field) -> bool:
    """Whether a number is declared by its range; scale, offset or signed make it a wire field with bounds."""
    return (
        declared.kind == "number"
        and declared.minimum is not None
        and declared.maximum is not None
        and declared.scale is None
        and declared.offset is None
        and declared.signed is None
        and declared.coding is None
        and declared.curve is None
    )


def _meaning(declared: Field) -> tuple[int, int, Fraction]:
    """Return (bits, n, step) of a number declared by meaning: raw 0 is minimum, raw n is maximum."""
    assert declared.minimum is not None
    assert declared.maximum is not None
    span = declared.maximum - declared.minimum
    listed = [code for code in (declared.at_least, declared.at_most) if code is not None]
    if isinstance(declared.missing, tuple):
        listed += [codes.high for codes in declared.missing]
    if declared.resolution is None:
        assert declared.bits is not None
        n = 2**declared.bits - 1 - _reserved_codes(declared)
        return declared.bits, n, span / n
    n = int(span / declared.resolution)
    if declared.bits is not None:
        return declared.bits, n, declared.resolution
    highest = max([n, *listed]) + (
        1 if declared.missing is True else 0
    )  # all ones, and no other code is that
    bits = 1
    while 2**bits - 1 < highest:
        bits += 1
    return bits, n, declared.resolution


def _reserved_codes(declared: Field) -> int:
    """Return how many codes mean no value; a code for `at_least` or `at_most` is a value."""
    if isinstance(declared.missing, tuple):
        return sum(codes.high - codes.low + 1 for codes in declared.missing)
    return 1 if declared.missing else 0


def _missing(declared: Field) -> tuple[Codes, ...]:
    """Return the codes that mean no value; the first is what None is sent as."""
    if isinstance(declared.missing, tuple):
        return declared.missing
    if not declared.missing:
        return ()
    bits = _width(declared)
    if declared.kind == "float":
        usual = {16: 0x7E00, 32: 0x7FC00000, 64: 0x7FF8000000000000}[
            bits
        ]  # a quiet NaN, positive, payload zero
    else:
        usual = -(2 ** (bits - 1)) if declared.signed else 2**bits - 1
    return (Codes(usual, usual),)


@dataclass(frozen=True)
class _Scale:
    """A number's codes and values: value = offset + scale * raw, within its bounds from low to high."""

    scale: Fraction
    offset: Fraction
    low: int
    high: int


def _scale(declared: Field) -> _Scale:
    if _is_by_meaning(declared):
        _, n, step = _meaning(declared)
        assert declared.minimum is not None
        return _Scale(step, declared.minimum, 0, n)
    low, high = _number_limits(declared, _width(declared))
    plain = _Scale(declared.scale or Fraction(1), declared.offset or Fraction(0), low, high)
    least, greatest = (
        None if bound is None else _nearest_raw(bound, plain)
        for bound in (declared.minimum, declared.maximum)
    )
    if plain.scale < 0:
        least, greatest = greatest, least  # greater values have lower codes
    return replace(
        plain,
        low=low if least is None else max(low, least),
        high=high if greatest is None else min(high, greatest),
    )


def _raw_limits(declared: Field, bits: int) -> tuple[int, int]:
    """Return the least and the greatest raw code that so many bits hold."""
    return (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if _is_signed(declared) else (0, 2**bits - 1)


# A field with `coding` spells a whole number with its bits; the raw code is the bits as they lie there.


def _number_limits(declared: Field, bits: int) -> tuple[int, int]:
    """Return the least and the greatest number that a field's bits can spell."""
    if declared.first_bits is not None:
        texts = [number for form in declared.first_bits.forms for number in (form.offset, _last_number(form))]
        return min(texts), max(texts)
    if _goes_on(declared) and declared.kind == "number":
        bits = declared.bits or 0
        return (
            (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
            if declared.coding == "continued_low_first_signed"
            else (0, 2**bits - 1)
        )
    if _goes_on(declared):
        return 0, int("1" * 7 * (_width(declared) // 8), 2)
    if declared.coding == "sign_and_magnitude":
        return -int("1" * (bits - 1), 2), int("1" * (bits - 1), 2)
    if declared.coding == "binary_coded_decimal":
        first = str(min(int("1" * (bits % 4), 2), 9)) if bits % 4 else ""
        return 0, int(first + "9" * (bits // 4))
    return _raw_limits(declared, bits)


def _spelled(declared: Field, number: int) -> int:
    """Return the raw code that spells a number."""
    if _goes_on(declared):
        return _spelled_on(declared, number)
    if declared.coding == "sign_and_magnitude":
        return int(("1" if number < 0 else "0") + f"{abs(number):0{_width(declared) - 1}b}", 2)
    if declared.coding == "binary_coded_decimal":
        return int("".join(f"{int(digit):04b}" for digit in str(number)), 2)
    if declared.coding == "gray":  # a bit is set where the number's bit differs from the one before it
        text = "0" + f"{number:0{_width(declared)}b}"
        return int("".join("01"[a != b] for a, b in pairwise(text)), 2)
    return number


def _spells(declared: Field, raw: int) -> int | None:
    """Return the number that a raw code spells, None where one of its digits is none."""
    if _goes_on(declared):
        return _spells_on(declared, raw)
    text = f"{raw:0{_width(declared)}b}" if declared.coding else ""
    if declared.coding == "sign_and_magnitude":
        return -int(text[1:], 2) if text[0] == "1" else int(text, 2)
    if declared.coding == "binary_coded_decimal":
        text = "0" * (-len(text) % 4) + text
        digits = [int(text[at : at + 4], 2) for at in range(0, len(text), 4)]
        return None if max(digits) > 9 else int("".join(map(str, digits)))
    if declared.coding == "gray":
        made = "0"
        for bit in text:
            made += "01"[bit != made[-1]]
        return int(made, 2)
    return raw


# A number that goes on: seven bits an octet, after a bit that is one in all octets but the last; raw: the octets as they lie.


def _goes_on(declared: Field) -> bool:
    return declared.first_bits is not None or (declared.coding or "").startswith("continued")


# Or its first bits, as on paper, say which form it has; what follows them is a number with its octets one way or the other.


def _last_number(form: Form) -> int:
    return form.offset + int("1" * form.bits or "0", 2) + ((form.high - form.low) << form.bits)


def _least_bits(declared: Field) -> int:
    """Return the fewest bits of a number of varying size."""
    first = declared.first_bits
    return 8 if first is None else first.bits + min(form.bits for form in first.forms)


def _bits_of_code(declared: Field, raw: int) -> str:
    """Return the bits of such a number's code: as many as it has, or none where it is no such number."""
    if declared.first_bits is None:
        return "".join(_octets_of_code(raw))
    for form in declared.first_bits.forms:
        text = f"{raw:0{declared.first_bits.bits + form.bits}b}"
        fits = len(text) == declared.first_bits.bits + form.bits
        if fits and form.low <= int(text[: declared.first_bits.bits], 2) <= form.high:
            return text
    return ""


def _by_first_bits(first: FirstBits, number: int) -> int:
    """Return the code of a number, in the shortest form that has it."""
    for form in sorted(first.forms, key=lambda form: form.bits):
        if form.offset <= number <= _last_number(form):
            text = f"{number - form.offset:0{first.bits + form.bits}b}"
            head, rest = text[: first.bits], text[first.bits :]
            rest = _reverse_octets(rest) if first.low_octet_first else rest
            return int(f"{int(head, 2) + form.low:b}{rest}", 2)
    raise _unfit(f"no form has {number}")


def _in_first_bits(first: FirstBits, text: str) -> int:
    """Return the number that bits spell."""
    code, rest = int(text[: first.bits], 2), text[first.bits :]
    form = next(form for form in first.forms if form.low <= code <= form.high)
    rest = _reverse_octets(rest) if first.low_octet_first else rest
    return form.offset + int(f"{code - form.low:b}{rest}", 2)


def _spelled_on(declared: Field, number: int) -> int:
    if declared.first_bits is not None:
        return _by_first_bits(declared.first_bits, number)
    octets = 1
    if declared.coding == "continued_low_first_signed":
        while not -(2 ** (7 * octets - 1)) <= number < 2 ** (7 * octets - 1):
            octets += 1
    else:
        while number >= 2 ** (7 * octets):
            octets += 1
    text = f"{number % 2 ** (7 * octets):0{7 * octets}b}"
    sevens = [text[at : at + 7] for at in range(0, len(text), 7)]
    if declared.coding != "continued_high_first":
        sevens.reverse()
    return int("".join("1" + seven for seven in sevens[:-1]) + "0" + sevens[-1], 2)


def _octets_of_code(raw: int) -> list[str]:
    """Return the octets of such a code in bits: only the last begins with a zero, so no other is zero."""
    text = f"{raw:b}"
    text = "0" * (-len(text) % 8) + text
    return [text[at : at + 8] for at in range(0, len(text), 8)]


def _spells_on(declared: Field, raw: int) -> int | None:
    if declared.first_bits is not None:
        text = _bits_of_code(declared, raw) if raw >= 0 else ""
        return _in_first_bits(declared.first_bits, text) if text else None
    octets = _octets_of_code(raw) if raw >= 0 else []
    if not 1 <= len(octets) <= _width(declared) // 8 or octets[-1][0] == "1":
        return None
    if any(octet[0] == "0" for octet in octets[:-1]):
        return None
    sevens = [octet[1:] for octet in octets]
    if declared.coding != "continued_high_first":
        sevens.reverse()
    text = "".join(sevens)
    negative = declared.coding == "continued_low_first_signed" and text[0] == "1"
    return int(text, 2) - (2 ** len(text) if negative else 0)


def _counted(node: _Node) -> int:
    """Return the number that a count or a length says."""
    assert node.raw is not None
    number = _spells(node.field, node.raw)
    assert number is not None
    return number


def _nearest_raw(value: Fraction, scale: _Scale) -> int:
    """Rule 4: the nearest raw code; a tie goes to the greater one."""
    return math.floor((value - scale.offset) / scale.scale + Fraction(1, 2))


def _legal(low: int, high: int, reserved: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return the ranges of codes left from low to high once the reserved ones are taken out, lowest first."""
    ranges = [(low, high)]
    for first, last in reserved:
        below = [(start, min(end, first - 1)) for start, end in ranges]
        above = [(max(start, last + 1), end) for start, end in ranges]
        ranges = sorted({(start, end) for start, end in below + above if start <= end})
    return ranges


def _closest(code: int, ranges: list[tuple[int, int]]) -> int:
    """Return the legal code nearest to a code, the lower of two that are equally near."""
    candidates = [min(max(code, start), end) for start, end in ranges]
    return min(candidates, key=lambda candidate: (abs(candidate - code), candidate))


# --- Rules 4, 5, 9, 10, 11: numbers, from a value to a raw code and back ------------------------------------


def _exact(value: Any) -> Fraction | float:
    """Return a number exactly, as a Fraction; as a float only a NaN or an infinity. True is no number."""
    if isinstance(value, bool):
        raise _unfit("true and false are not numbers")
    if isinstance(value, Decimal):
        if value.is_nan():
            return math.nan
        return Fraction(value) if value.is_finite() else float(value)
    try:
        if hasattr(value, "__index__"):
            return Fraction(operator.index(value))
        if isinstance(value, Rational):
            return Fraction(int(value.numerator), int(value.denominator))
        if hasattr(value, "__float__"):
            double = float(value)
            return Fraction(double) if math.isfinite(double) else double
    except (TypeError, ValueError, OverflowError) as error:
        raise _unfit("not a number") from error
    raise _unfit("not a number")


def _is_nan(declared: Field, value: Any) -> bool:
    numbers = declared.kind in ("number", "float") and isinstance(value, (float, Decimal))
    return numbers and math.isnan(value)


def _exact_integer(value: Any) -> int:
    """Return a given count, state or code: rule 4 lets none of them round."""
    number = _exact(value)
    if isinstance(number, float) or number.denominator != 1:
        raise _unfit("not a whole number")
    return number.numerator


def _unfit(why: str) -> Refused:
    # No value is quoted: some cannot be printed, such as an integer of ten thousand digits.
    return Refused("refused", why)


def _missing_code(declared: Field) -> int:
    codes = _missing(declared)
    if not codes:
        raise _unfit(f"{declared.name} has no code for a missing value")
    return codes[0].low


def _code_of_reason(declared: Field, reason: str) -> int:
    for codes in _missing(declared):
        if codes.reason and codes.reason == reason:
            return codes.low
    raise _unfit(f"{declared.name} has no such reason")


def _number_to_raw(declared: Field, value: Any) -> tuple[int, bool]:
    """Return (raw code, whether it was clamped) of a value for a number field."""
    if value is None:
        return _missing_code(declared), False
    if isinstance(value, str):
        return _code_of_reason(declared, value), False
    number = _exact(value)
    if isinstance(number, float) and math.isnan(number):
        return _missing_code(declared), False
    if declared.curve is not None:
        return _on_curve_to_raw(declared, number)
    scale = _scale(declared)
    ranges = _legal(scale.low, scale.high, _reserved_ranges(declared))
    if isinstance(number, float):  # an infinity lies beyond one end of the codes
        towards_high = (number > 0) == (scale.scale > 0)
        raw = ranges[-1][1] + 1 if towards_high else ranges[0][0] - 1
        return _out_of_range(declared, raw, ranges, scale)
    raw = _nearest_raw(number, scale)
    if raw in (declared.at_least, declared.at_most) or any(low <= raw <= high for low, high in ranges):
        return _spelled(declared, raw), False
    return _out_of_range(declared, raw, ranges, scale)


def _reserved_ranges(declared: Field) -> list[tuple[int, int]]:
    if declared.coding is not None:
        every = [raw for codes in _missing(declared) for raw in range(codes.low, codes.high + 1)]
        spelled = [(raw, _spells(declared, raw)) for raw in every]
        return [(n, n) for raw, n in spelled if n is not None and _spelled(declared, n) == raw]
    single = [code for code in (declared.at_least, declared.at_most) if code is not None]
    return [(codes.low, codes.high) for codes in _missing(declared)] + [(code, code) for code in single]


def _out_of_range(
    declared: Field, raw: int, ranges: list[tuple[int, int]], scale: _Scale
) -> tuple[int, bool]:
    """Rule 10: an error, the nearest legal code, or the missing code; never a code that happens to fit."""
    if declared.out_of_range == "missing":
        return _missing_code(declared), False
    if declared.out_of_range != "clamp":
        raise _unfit(f"{declared.name}: the value has no legal code")
    above, below = raw > ranges[-1][1], raw < ranges[0][0]
    if scale.scale < 0:
        above, below = below, above  # greater values have lower codes
    if above and declared.at_least is not None:
        return declared.at_least, True
    if below and declared.at_most is not None:
        return declared.at_most, True
    return _spelled(declared, _closest(raw, ranges)), True


@dataclass(frozen=True)
class _Meaning:
    """What a raw code means: a value, why there is none (reason), or what to know about it (note)."""

    value: Any
    reason: str = ""
    note: str = ""


def _number_meaning(declared: Field, raw: int) -> _Meaning:
    for codes in _missing(declared):
        if codes.low <= raw <= codes.high:
            return _Meaning(None, codes.reason or "missing")
    number = _spells(declared, raw)
    if number is None:
        return _Meaning(None, "bad digit")
    if declared.curve is not None:
        return _on_curve_meaning(declared, raw, number)
    scale = _scale(declared)
    exact = scale.offset + scale.scale * number
    # Rule 5: the layout decides, not the value, whether it is an integer or a double; Python's division
    # rounds once, ties to even.
    parts = [scale.offset, scale.scale]
    if declared.scale_by is not None:  # then all its scales together decide
        parts = [part for choice in declared.scale_by.choices for part in (choice.scale, choice.offset)]
    whole = all(part.denominator == 1 for part in parts)
    value = exact.numerator if whole else exact.numerator / exact.denominator
    if raw == declared.at_least:
        return _Meaning(value, note="at least")
    if raw == declared.at_most:
        return _Meaning(value, note="at most")
    if scale.low <= number <= scale.high:
        return _Meaning(value)
    return _Meaning(None, "unassigned") if _is_by_meaning(declared) else _Meaning(value, note="out_of_range")


# --- Rule 7: numbers on a curve -------------------------------------------------------------------------------


# By the identity of a field, the oldest first: the field, kept, and its curve's values so far, as every code is tried often.
_LAST_CURVES: dict[int, tuple[Field, dict[int, Fraction | None]]] = {}


def _curve_value(declared: Field, number: int) -> Fraction | None:
    """Return the exact value at a code, None where the curve has none."""
    if id(declared) not in _LAST_CURVES:
        _LAST_CURVES[id(declared)] = declared, {}
        if len(_LAST_CURVES) > 8:
            del _LAST_CURVES[next(iter(_LAST_CURVES))]
    known = _LAST_CURVES[id(declared)][1]
    if number not in known:
        known[number] = _on_curve(declared, number)
    return known[number]


def _on_curve(declared: Field, number: int) -> Fraction | None:
    curve = declared.curve
    assert curve is not None
    if curve.what == "table":
        return dict(curve.points).get(number)
    if curve.what == "polynomial":
        return sum((term * number**power for power, term in enumerate(curve.coefficients)), Fraction(0))
    if curve.what == "square":
        root = (declared.offset or 0) + (Fraction(1) if declared.scale is None else declared.scale) * number
        return root * abs(root) if curve.keeps_sign else root * root
    for (low, start), (high, end) in pairwise(curve.points):
        if low <= number <= high:
            return start + (end - start) * Fraction(number - low, high - low)
    return None


def _curve_is_whole(declared: Field) -> bool:
    """Whether the value is an integer, which what was declared decides (rule 5)."""
    curve = declared.curve
    assert curve is not None
    if curve.what == "points":
        return False
    if curve.what == "square":  # of a whole root, or where the square of it is whole term by term
        scale, offset = declared.scale or Fraction(1), declared.offset or Fraction(0)
        return all(term.denominator == 1 for term in (scale**2, 2 * scale * offset, offset**2))
    terms = curve.coefficients or tuple(value for _, value in curve.points)
    return all(term.denominator == 1 for term in terms)


def _curve_double(declared: Field, exact: Fraction) -> int | float:
    return exact.numerator if _curve_is_whole(declared) else exact.numerator / exact.denominator


def _curve_codes(declared: Field) -> tuple[list[int], list[int]]:
    """Return the numbers that may be sent by value, and those among which the nearest is sought: from the first to the last that may.

    Every code is tried; one of more than 20 bits would take a while.
    """
    low, high = _number_limits(declared, _width(declared))
    bounds = [code for code in (declared.at_least, declared.at_most) if code is not None]
    legal = [
        number
        for start, end in _legal(low, high, _reserved_ranges(declared))
        for number in range(start, end + 1)
        if _curve_value(declared, number) is not None
    ]
    first, last = min([*legal, *bounds]), max([*legal, *bounds])
    return legal, [n for n in range(first, last + 1) if _curve_value(declared, n) is not None]


def _on_curve_to_raw(declared: Field, number: Fraction | float) -> tuple[int, bool]:
    legal, line = _curve_codes(declared)
    values = [_curve_value(declared, n) or Fraction(0) for n in line]
    falls = [a > b for a, b in pairwise(values)]
    if any(a == b for a, b in pairwise(values)) or (falls and any(falls) is not all(falls)):
        raise _unfit(f"{declared.name} lies on a curve without an inverse")
    edges = [
        end
        for value in (min(values), max(values))
        for end in (value, Fraction(_curve_double(declared, value)))
    ]
    below, above = number < min(edges), number > max(edges)
    if not (below or above):
        assert isinstance(number, Fraction)
        near = min(line, key=lambda n: (abs((_curve_value(declared, n) or Fraction(0)) - number), -n))
        if near in legal or near in (declared.at_least, declared.at_most):
            return _spelled(declared, near), False
        scaled = near
    else:
        scaled = legal[-1] + 1 if above is not any(falls) else legal[0] - 1
    first_to_last = [(n, n) for n in legal]
    return _out_of_range(
        declared, scaled, first_to_last, _Scale(Fraction(-1 if any(falls) else 1), Fraction(0), 0, 0)
    )


def _on_curve_meaning(declared: Field, raw: int, number: int) -> _Meaning:
    exact = _curve_value(declared, number)
    if exact is None:
        return _Meaning(None, "unassigned")
    note = "at least" if raw == declared.at_least else "at most" if raw == declared.at_most else ""
    return _Meaning(_curve_double(declared, exact) + 0, note=note)


# --- Time codes ---------------------------------------------------------------------------------------------
# A time counts units since its epoch, in one number or in several. Where the low octet comes first, the first of
# them is the lowest in the raw code; the walk notes that in the field's `packing`, which no leaf has.

_LOW_COUNT_FIRST: Final = "low count first"
_TIME_UNIT: Final = {
    **{"weeks": Fraction(604800), "days": Fraction(86400), "hours": Fraction(3600), "minutes": Fraction(60)},
    **{"seconds": Fraction(1), "milliseconds": Fraction(1, 10**3), "microseconds": Fraction(1, 10**6)},
    **{"nanoseconds": Fraction(1, 10**9), "picoseconds": Fraction(1, 10**12)},
}
# The days that end with a leap second: IERS Bulletin C.
_LEAP_DAYS: Final = tuple(
    date.fromisoformat(day)
    for day in """1972-06-30 1972-12-31 1973-12-31 1974-12-31 1975-12-31 1976-12-31 1977-12-31 1978-12-31 1979-12-31
    1981-06-30 1982-06-30 1983-06-30 1985-06-30 1987-12-31 1989-12-31 1990-12-31 1992-06-30 1993-06-30 1994-06-30
    1995-12-31 1997-06-30 1998-12-31 2005-12-31 2008-12-31 2012-06-30 2015-06-30 2016-12-31""".split()
)
_START_1972: Final = date(1972, 1, 1)


def _time_units(declared: Field) -> list[tuple[Fraction, int]]:
    """Return the seconds of each count's unit and its bits, the first in the frame first."""
    if not declared.counts:
        assert declared.tick_s is not None and declared.bits is not None
        return [(declared.tick_s, declared.bits)]
    units: list[tuple[Fraction, int]] = []
    for count in declared.counts:
        if count.unit == "fraction":
            units.append((units[-1][0] / (declared.fraction_base or 2**count.bits), count.bits))
        else:
            units.append((_TIME_UNIT[count.unit], count.bits))
    return units


def _time_widths(declared: Field) -> list[int]:
    """Return the bits of each count, the first in the frame first."""
    return [count.bits for count in declared.counts] or [declared.bits or 0]


def _time_counts(declared: Field, raw: int) -> list[int]:
    """Return the counts in a raw code, the first in the frame first."""
    widths = _time_widths(declared)
    found = []
    for bits in widths if declared.packing == _LOW_COUNT_FIRST else widths[::-1]:
        found.append(raw % 2**bits)
        raw //= 2**bits
    return found if declared.packing == _LOW_COUNT_FIRST else found[::-1]


def _time_raw(declared: Field, counts: list[int]) -> int:
    pairs = list(zip(counts, _time_widths(declared), strict=True))
    raw = 0
    for count, bits in pairs[::-1] if declared.packing == _LOW_COUNT_FIRST else pairs:
        raw = raw * 2**bits + count
    return raw


def _is_by_days(declared: Field) -> bool:
    return _time_units(declared)[0][0] == 86400 and (
        len(_time_units(declared)) > 1 or declared.leap_seconds is None
    )


def _time_digits(step: Fraction) -> int:
    """Return the digits behind the point: few that are exact, else so many that each step is told from the next."""
    enough = 0
    while step < 1 and Fraction(1, 10**enough) >= step:
        enough += 1
    return next((n for n in range(max(enough, 3) + 1) if (step * 10**n).denominator == 1), enough)


def _seconds_of_day(day: date) -> int:
    return 86401 if day in _LEAP_DAYS else 86400


def _read_time(value: Any) -> tuple[date, Fraction]:
    """Return the UTC day and the seconds into it of a text or a datetime."""
    if isinstance(value, datetime) and value.tzinfo is not None:
        at = value.replace(tzinfo=None) - (value.utcoffset() or timedelta())
        return at.date(), Fraction(
            (at - datetime(at.year, at.month, at.day)) // timedelta(microseconds=1), 10**6
        )
    if not isinstance(value, str) or not re.fullmatch(r"[0-9-]{10}T[0-9:]{8}(\.[0-9]{1,18})?Z", value):
        raise _unfit("not a time")
    try:
        day = date.fromisoformat(value[:10])
        hours, minutes, seconds = value[11:19].split(":")
        whole = int(hours) * 3600 + int(minutes) * 60 + int(seconds)
        second = whole + Fraction("0" + value[19:-1])
    except ValueError as error:
        raise _unfit("no such time") from error
    is_leap = value[11:19] == "23:59:60" and day in _LEAP_DAYS
    if int(hours) > 23 or int(minutes) > 59 or (int(seconds) > 59 and not is_leap):
        raise _unfit("no such time")
    return day, second


def _leap_seconds_between(first: date, after: date) -> int:
    """Return by how much atomic time gained on UTC from the start of one day to that of another."""
    gained = sum(first <= day < after for day in _LEAP_DAYS)
    return gained + (10 if first < _START_1972 <= after else 0)


def _time_elapsed(declared: Field, day: date, second: Fraction) -> Fraction:
    assert declared.epoch is not None
    start, start_second = _read_time(declared.epoch)
    seconds = (day - start).days * 86400 + second - start_second
    if declared.leap_seconds == "counted":
        gained = _leap_seconds_between(start, day) if day >= start else -_leap_seconds_between(day, start)
        seconds += gained
    return seconds


def _time_after(declared: Field, seconds: Fraction) -> tuple[date, Fraction] | None:
    """Return the UTC day and second so many seconds after the epoch, None beyond the calendar."""
    assert declared.epoch is not None
    day, second = _read_time(declared.epoch)
    left = second + seconds
    if declared.leap_seconds == "counted":
        if day < _START_1972:
            until = (_START_1972 - day).days * 86400 + 10
            if left and left < until:
                raise _unfit("before 1972")
            if left:
                left, day = left - until, _START_1972
        for leap_day in _LEAP_DAYS:
            if leap_day >= day:
                until = (leap_day - day).days * 86400
                if left < until + 86401:
                    break
                left, day = left - until - 86401, leap_day + timedelta(1)
    days = left // 86400
    if declared.leap_seconds == "counted" and days == 1 + (_next_leap(day) - day).days:
        days -= 1  # the second that belongs to no ordinary day
    if day.toordinal() + days > date.max.toordinal():
        return None
    return day + timedelta(days), left - days * 86400


def _next_leap(day: date) -> date:
    """Return the next day, from this one on, that ends with a leap second; the end of the calendar where none does."""
    return next((leap_day for leap_day in _LEAP_DAYS if leap_day >= day), date.max)


def _write_time(day: date, second: Fraction, digits: int) -> str | None:
    count = math.floor(second * 10**digits + Fraction(1, 2))
    if count >= _seconds_of_day(day) * 10**digits:
        if day == date.max:
            return None
        day, count = day + timedelta(1), 0
    whole, part = divmod(count, 10**digits)
    if whole == 86400:
        clock = "23:59:60"
    else:
        clock = f"{whole // 3600:02}:{whole // 60 % 60:02}:{whole % 60:02}"
    return f"{day.isoformat()}T{clock}{f'.{part:0{digits}}' if digits else ''}Z"


def _time_meaning(declared: Field, raw: int) -> _Meaning:
    for codes in _missing(declared):
        if codes.low <= raw <= codes.high:
            return _Meaning(None, codes.reason or "missing")
    if _is_of_the_calendar(declared):
        return _calendar_meaning(declared, raw)
    units, counts = _time_units(declared), _time_counts(declared, raw)
    by_days = _is_by_days(declared)
    for i in range(2 if by_days else 1, len(units)):
        if counts[i] * units[i][0] >= units[i - 1][0]:
            return _Meaning(None, "bad time")
    digits = _time_digits(units[-1][0])
    first = counts[0] * units[0][0]
    inside = sum((count * unit for count, (unit, _) in zip(counts[1:], units[1:], strict=True)), Fraction(0))
    period = units[0][0] * 2 ** units[0][1]
    if declared.reference_date is not None:
        reference = _time_elapsed(declared, *_read_time(declared.reference_date))
        while first + (0 if by_days else inside) < reference:
            first += period
    if by_days:
        assert declared.epoch is not None
        number = _read_time(declared.epoch)[0].toordinal() + int(first / 86400)
        if number > date.max.toordinal():
            no_such = inside >= 86400
            return _Meaning(None, "bad time" if no_such else "beyond the year 9999")
        day = date.fromordinal(number)
        if inside >= _seconds_of_day(day):
            return _Meaning(None, "bad time")
        text = _write_time(day, inside, digits)
    else:
        try:
            found = _time_after(
                declared, Fraction(math.floor((first + inside) * 10**digits + Fraction(1, 2)), 10**digits)
            )
        except Refused:
            return _Meaning(None, "before 1972")
        text = None if found is None else _write_time(*found, digits)
    return _Meaning(text, "" if text else "beyond the year 9999")


def _time_to_raw(declared: Field, value: Any) -> tuple[int, bool]:
    if value is None:
        return _missing_code(declared), False
    reasons = [codes.reason for codes in _missing(declared) if codes.reason]
    if isinstance(value, str) and value in reasons:
        return _code_of_reason(declared, value), False
    day, second = _read_time(value)
    if _is_of_the_calendar(declared):
        raw = _time_raw(declared, _calendar_counts(declared, day, second))
        if any(codes.low <= raw <= codes.high for codes in _missing(declared)):
            raise _unfit("its code is reserved")
        return raw, False
    units = _time_units(declared)
    assert declared.epoch is not None
    epoch = _read_time(declared.epoch)
    step = units[-1][0]
    if declared.leap_seconds != "counted" and second >= 86400 and not _is_by_days(declared):
        raise _unfit("a leap second is not counted")
    if declared.leap_seconds == "counted" and day < _START_1972 and (day, second) != epoch:
        raise _unfit("before 1972")
    counts: list[int] = []
    if _is_by_days(declared):
        inside = second
        number = day.toordinal()
        if len(units) == 1:
            number, inside = number + math.floor(second / 86400 + Fraction(1, 2)), Fraction(0)
        else:
            inside = math.floor(second / step + Fraction(1, 2)) * step
            codes_end = units[1][0] * 2 ** units[1][1]
            if inside >= _seconds_of_day(day):
                number, inside = number + 1, Fraction(0)
            elif (
                inside >= codes_end
            ):  # a leap second that no code is left for: the nearer of the codes around it
                before, after = second - (codes_end - step), _seconds_of_day(day) - second
                number, inside = (number, codes_end - step) if before < after else (number + 1, Fraction(0))
        total, step_of_first = number - epoch[0].toordinal(), Fraction(86400)
        for unit, _ in units[1:]:
            counts.append(int(inside // unit))
            inside -= counts[-1] * unit
    else:
        total, step_of_first = math.floor(_time_elapsed(declared, day, second) / step + Fraction(1, 2)), step
    period = int(units[0][0] * 2 ** units[0][1] / step_of_first)
    start = 0
    if declared.reference_date is not None:
        start = math.ceil(_time_elapsed(declared, *_read_time(declared.reference_date)) / step_of_first)
    if not start <= total < start + period:
        raise _unfit(f"{declared.name} has no code for this time")
    total %= period
    if not _is_by_days(declared):
        for (before, _), (unit, _) in reversed(list(pairwise(units))):
            total, count = divmod(total, int(before / unit))
            counts.insert(0, count)
    raw = _time_raw(declared, [total, *counts])
    if any(codes.low <= raw <= codes.high for codes in _missing(declared)):
        raise _unfit("its code is reserved")
    return raw, False


# A time of the calendar: each count spells a number, and all of them together a day and a time of day, or nothing.


def _is_of_the_calendar(declared: Field) -> bool:
    strange = any(count.coding or count.scale != 1 or count.offset for count in declared.counts)
    return strange or declared.coding is not None or any(count.unit == "years" for count in declared.counts)


def _is_in_digits(declared: Field, count: TimeCount) -> bool:
    return "binary_coded_decimal" in (count.coding, declared.coding)


def _calendar_units(declared: Field) -> dict[str, Fraction]:
    """Return the seconds of the units of a day that are counted, the longest first."""
    units = {count.unit: _TIME_UNIT.get(count.unit, Fraction(0)) for count in declared.counts}
    for one in ("years", "months", "days"):
        units.pop(one, None)
    if "fraction" in units:
        del units["fraction"]
        (last,) = (count for count in declared.counts if count.unit == "fraction")
        digits, over = divmod(last.bits, 4)
        base = 2**over * 10**digits if _is_in_digits(declared, last) else 2**last.bits
        units["fraction"] = min(units.values(), default=Fraction(86400)) / (declared.fraction_base or base)
    return dict(sorted(units.items(), key=lambda item: item[1], reverse=True))


def _calendar_step(declared: Field, units: Mapping[str, Fraction]) -> Fraction:
    """Return the seconds from one code to the next."""
    if not units:
        return Fraction(86400)
    finest = list(units)[-1]
    return units[finest] * next(count.scale for count in declared.counts if count.unit == finest)


def _calendar_meaning(declared: Field, raw: int) -> _Meaning:
    said: dict[str, int] = {}
    for count, bits in zip(declared.counts, _time_counts(declared, raw), strict=True):
        digits = f"{bits:x}"
        if _is_in_digits(declared, count) and not digits.isdigit():
            return _Meaning(None, "bad digit")
        spelled = int(digits) if _is_in_digits(declared, count) else bits
        said[count.unit] = spelled * count.scale + count.offset
    units = _calendar_units(declared)
    try:
        if "months" in said:
            day = date(min(said["years"], 10_000), said["months"], said["days"])
        elif "years" in said:
            day = date.fromordinal(date(min(said["years"], 10_000), 1, 1).toordinal() + said["days"] - 1)
            if day.year != said["years"]:
                return _Meaning(None, "no such day")
        else:
            assert declared.epoch is not None
            day = date.fromordinal(_read_time(declared.epoch)[0].toordinal() + said["days"])
    except (ValueError, OverflowError):
        late = said.get("years", 0) > 9999 or ("years" not in said and said["days"] > 0)
        return _Meaning(None, "beyond the year 9999" if late else "no such day")
    room, second = Fraction(86400), Fraction(0)
    for unit, size in units.items():
        part = said[unit] * size
        last_minute = size < 60 <= room and second + room == 86400
        if part < 0 or part >= room + (1 if last_minute and day in _LEAP_DAYS else 0):
            return _Meaning(None, "bad time")
        second, room = second + part, size
    text = _write_time(day, second, _time_digits(_calendar_step(declared, units)))
    return _Meaning(text, "" if text else "beyond the year 9999")


def _calendar_counts(declared: Field, day: date, second: Fraction) -> list[int]:
    """Return what the bits of each count are at a moment, the first in the frame first."""
    units = _calendar_units(declared)
    step = _calendar_step(declared, units)
    second = math.floor(second / step + Fraction(1, 2)) * step
    if second >= (_seconds_of_day(day) if units else 86400):
        if day == date.max:
            raise _unfit("beyond the calendar")
        day, second = day + timedelta(1), Fraction(0)
    more = 1 if second >= 86400 else 0  # the leap second is the last minute's 60th
    said = {"years": day.year, "months": day.month, "days": day.day}
    if all(count.unit != "months" for count in declared.counts):
        said["days"] = int(day.strftime("%j"))
    if all(count.unit != "years" for count in declared.counts):
        assert declared.epoch is not None
        said["days"] = day.toordinal() - _read_time(declared.epoch)[0].toordinal()
    left = second - more
    for unit, size in units.items():
        if size < 60:
            left, more = left + more, 0
        said[unit] = int(left // size)
        left -= said[unit] * size
    bits = []
    for count in declared.counts:
        spelled = Fraction(said[count.unit] - count.offset, count.scale)
        in_digits = _is_in_digits(declared, count)
        if spelled.denominator != 1 or spelled < 0 or (in_digits and not str(spelled).isdigit()):
            raise _unfit("no code")
        code = int(str(spelled), 16) if in_digits else int(spelled)
        if code >= 2**count.bits:
            raise _unfit("no code")
        bits.append(code)
    return bits


# --- Bundles ------------------------------------------------------------------------------------------------
# The first sample's code and then differences, one after another as they lie in the frame. How they lie there is noted by the walk in
# the field's `packing` (the low bit first) and `order` (low octet first, of codes wider than an octet, against that packing).

_LOW_BIT_FIRST: Final = "low bit first"
_TURNED: Final = "turned"


def _sample_of(declared: Field) -> Field:
    return replace(declared, kind="number", bundle=None, order=None, packing=None)


def _bundle_widths(declared: Field) -> list[int]:
    """Return the bits of the first sample and of each difference."""
    assert declared.bundle is not None
    sample = _sample_of(declared)
    largest, width = declared.bundle.maximum_step / abs(_scale(sample).scale), 1
    while not -(2 ** (width - 1)) <= -largest <= largest <= 2 ** (width - 1) - 1:
        width += 1
    return [_width(sample)] + [width] * (declared.bundle.samples - (0 if declared.missing else 1))


def _bundle_in_order(node: _Node) -> Field:
    natural = "little" if node.packing.least_first else "big"
    turned = (node.field.order or node.order or natural) != natural
    packing = _LOW_BIT_FIRST if node.packing.least_first else None
    return replace(node.field, packing=packing, order=_TURNED if turned else None)


def _bundle_codes(declared: Field, raw: int) -> list[int]:
    """Return the first sample's code and the differences."""
    text, found = f"{raw:0{_width(declared)}b}", list[int]()
    text = text[::-1] if declared.packing == _LOW_BIT_FIRST else text
    for width in _bundle_widths(declared):
        piece, text = text[:width], text[width:]
        code = int(_bundle_piece(declared, piece), 2)
        signed = declared.signed or bool(found)
        found.append(code - 2**width if signed and code >= 2 ** (width - 1) else code)
    return found


def _bundle_raw(declared: Field, codes: list[int]) -> int:
    text = ""
    for code, width in zip(codes, _bundle_widths(declared), strict=True):
        text += _bundle_piece(declared, f"{code % 2**width:0{width}b}")
    return int(text[::-1] if declared.packing == _LOW_BIT_FIRST else text, 2)


def _bundle_piece(declared: Field, piece: str) -> str:
    """Return a code of a bundle as on paper, or as it lies in the frame: each turn undoes itself."""
    if declared.packing == _LOW_BIT_FIRST:
        piece = piece[::-1]
    return _reverse_octets(piece) if declared.order == _TURNED and len(piece) > 8 else piece


def _bundle_meaning(declared: Field, raw: int) -> _Meaning:
    """Each sample is the one before it that was there, and its difference; the most negative difference is none."""
    assert declared.bundle is not None
    sample, (at, *steps), widths = (
        _sample_of(declared),
        _bundle_codes(declared, raw),
        _bundle_widths(declared),
    )
    largest = declared.bundle.maximum_step / abs(_scale(sample).scale)
    gone = _Meaning(None, (_missing(sample)[0].reason or "missing") if declared.missing else "")
    meanings = [] if declared.missing else [_number_meaning(sample, at)]
    for step in steps:
        if declared.missing and (
            step == -(2 ** (widths[1] - 1)) or at == _missing_code(sample) == _bundle_codes(declared, raw)[0]
        ):
            meanings.append(gone)
            continue
        at += step
        said = _number_meaning(sample, at)
        meanings.append(
            replace(said, note="out_of_range") if abs(step) > largest and not said.reason else said
        )
    words = [_of_samples([getattr(one, what) for one in meanings]) for what in ("reason", "note")]
    return _Meaning([one.value for one in meanings], *words)


def _of_samples(words: list[str]) -> str:
    """Return words with the samples they are about: `missing at 2, 5 to 7`; what is true of all of them alone."""
    if all(word == words[0] for word in words):
        return words[0]
    made = []
    for word in sorted(set(words) - {""}, key=words.index):
        spans = ""
        for at, one in enumerate(words):
            if one == word and (at == 0 or words[at - 1] != word):
                last = next((end for end in range(at, len(words)) if words[end] != word), len(words)) - 1
                spans += f", {at}" if last == at else f", {at} to {last}"
        made.append(f"{word} at {spans[2:]}")
    return "; ".join(made)


def _bundle_to_raw(declared: Field, value: Any) -> tuple[int, bool]:
    assert declared.bundle is not None
    if value is None and declared.missing:
        value = [None] * declared.bundle.samples
    if not isinstance(value, (list, tuple)) or len(value) != declared.bundle.samples:
        raise _unfit(f"{declared.name} is a list of {declared.bundle.samples} samples")
    sample = _sample_of(declared)
    largest = int(declared.bundle.maximum_step / abs(_scale(sample).scale))
    widths = _bundle_widths(declared)
    none = -(2 ** (widths[1] - 1))
    outcomes = [_number_to_raw(sample, one) for one in value]
    codes = [code for code, _ in outcomes]
    clamped = any(was for _, was in outcomes)
    there = [code for code in codes if not (declared.missing and code == _missing_code(sample))]
    if not there:
        return _bundle_raw(declared, [_missing_code(sample)] + [none] * (len(widths) - 1)), clamped
    made, at = [there[0]], there[0]
    for code in codes if declared.missing else codes[1:]:
        if declared.missing and code == _missing_code(sample):
            made.append(none)
            continue
        step = max(-largest, min(largest, code - at))
        if step != code - at and declared.out_of_range != "clamp":
            raise _unfit(f"{declared.name}: a step is too large")
        clamped = clamped or step != code - at
        made.append(step)
        at += step
    return _bundle_raw(declared, made), clamped


# --- Rule 8: IEEE 754 numbers -------------------------------------------------------------------------------

# Bits of the exponent, bits of the fraction: IEEE 754-2008, table 3.5.
_IEEE: Final[Mapping[int, tuple[int, int]]] = {16: (5, 10), 32: (8, 23), 64: (11, 52)}


def _infinity(bits: int) -> int:
    exponent_bits, fraction_bits = _IEEE[bits]
    return ((1 << exponent_bits) - 1) << fraction_bits


def _least_exponent(bits: int) -> int:
    """Return the exponent of the least normal number, which is also that of all numbers below it."""
    exponent_bits, _ = _IEEE[bits]
    return 2 - (1 << (exponent_bits - 1))


def _ieee_pattern(double: float, bits: int) -> int:
    """Return a double (no NaN) as a pattern, rounded once, ties to even; too large becomes infinity."""
    _, fraction_bits = _IEEE[bits]
    magnitude = _infinity(bits)
    if math.isfinite(double):
        lowest = _least_exponent(bits)
        # frexp has its fraction from 1/2 to 1, and no exponent to speak of for zero.
        exponent = max(lowest, math.frexp(double)[1] - 1) if double else lowest
        step = Fraction(2) ** (exponent - fraction_bits)
        steps = round(abs(Fraction(double)) / step)  # Python rounds a Fraction's tie to even
        # Patterns count on from one exponent into the next, so a carry out of the fraction is already right.
        magnitude = min(magnitude, steps + (exponent - lowest) * (1 << fraction_bits))
    return magnitude + (1 << (bits - 1) if math.copysign(1.0, double) < 0 else 0)


def _ieee_value(pattern: int, bits: int) -> float:
    """Return the number, infinity or NaN that a pattern stands for."""
    exponent_bits, fraction_bits = _IEEE[bits]
    negative, magnitude = divmod(pattern, 1 << (bits - 1))
    exponent, fraction = divmod(magnitude, 1 << fraction_bits)
    if exponent == (1 << exponent_bits) - 1:
        size = math.nan if fraction else math.inf
    else:
        steps = fraction + (1 << fraction_bits if exponent else 0)
        step = Fraction(2) ** (_least_exponent(bits) + max(exponent - 1, 0) - fraction_bits)
        size = float(steps * step)
    return -size if negative else size


def _ordinal(pattern: int, bits: int) -> int:
    """Return where a pattern stands among all in order: 0 for zero, -1 for minus zero, 1 for the next above."""
    negative, magnitude = divmod(pattern, 1 << (bits - 1))
    return -magnitude - 1 if negative else magnitude


def _ieee_legal(declared: Field, bits: int) -> list[tuple[int, int]]:
    """Return the legal numbers as ranges of ordinals: within the bounds (rounded too), less reserved ones."""
    greatest = _infinity(bits) - 1
    low, high = -greatest - 1, greatest
    if declared.minimum is not None:
        low = (
            _ordinal(_ieee_pattern(_as_double(declared.minimum), bits), bits) or -1
        )  # both zeros are one number
    if declared.maximum is not None:
        high = _ordinal(_ieee_pattern(_as_double(declared.maximum), bits), bits)
        high = 0 if high == -1 else high
    ends = [(_ordinal(codes.low, bits), _ordinal(codes.high, bits)) for codes in _missing(declared)]
    return _legal(low, high, [(min(pair), max(pair)) for pair in ends])


def _as_double(value: Any) -> float:
    """Return a given number as the nearest double: infinite where it is too large; -0.0 stays itself."""
    number = _exact(value)
    if isinstance(number, float):
        return number
    if number == 0:
        return float(value)  # with its sign
    try:
        return number.numerator / number.denominator
    except OverflowError:
        return math.inf if number > 0 else -math.inf


def _float_to_raw(declared: Field, value: Any) -> tuple[int, bool]:
    """Return (pattern, whether it was clamped) of a value for an IEEE field."""
    bits = _width(declared)
    if value is None:
        return _missing_code(declared), False
    if isinstance(value, str):
        return _code_of_reason(declared, value), False
    double = _as_double(value)
    if math.isnan(double):
        return _missing_code(declared), False
    pattern = _ieee_pattern(double, bits)
    ordinal = _ordinal(pattern, bits)
    ranges = _ieee_legal(declared, bits)
    if any(low <= ordinal <= high for low, high in ranges):
        return pattern, False
    ordinal, clamped = _out_of_range(declared, ordinal, ranges, _Scale(Fraction(1), Fraction(0), 0, 0))
    if not clamped:
        return ordinal, False  # the missing code, which is a pattern already
    return (ordinal if ordinal >= 0 else 2 ** (bits - 1) - ordinal - 1), True


def _float_meaning(declared: Field, raw: int) -> _Meaning:
    bits = _width(declared)
    for codes in _missing(declared):
        if codes.low <= raw <= codes.high:
            return _Meaning(None, codes.reason or "missing")
    value = _ieee_value(raw, bits)
    if math.isnan(value) and declared.missing:
        return _Meaning(None, "missing")  # any NaN does
    if not math.isfinite(value):
        return _Meaning(None, "not finite")
    ordinal = _ordinal(raw, bits)
    legal = any(low <= ordinal <= high for low, high in _ieee_legal(declared, bits))
    return _Meaning(value, note="" if legal else "out_of_range")


# --- Texts, octets and the digits of one number -------------------------------------------------------------


def _characters_of(declared: Field) -> dict[int, str]:
    if declared.characters:
        return dict(declared.characters)
    if declared.alphabet is not None:
        return dict(declared.alphabet.characters)
    return {code: chr(code) for code in range(128)}


def _special_code(declared: Field, said: int | str | None) -> int | None:
    """Return the code of a fill or an end, said as a character, as a code, or as zero."""
    if said is None or isinstance(said, int):
        return said
    if said == "zero":
        return 0
    return next(code for code, character in _characters_of(declared).items() if character == said)


def _text_meaning(declared: Field, codes: list[int]) -> _Meaning:
    """Return what a row of codes says: up to its end, without the fill behind; bytes are bytes."""
    end, fill = _special_code(declared, declared.ends_with), _special_code(declared, declared.fill)
    held = codes[: codes.index(end)] if end in codes and end is not None else list(codes)
    while fill is not None and held and held[-1] == fill:
        held = held[:-1]
    if declared.kind == "bytes":
        return _Meaning(bytes(held))
    if declared.encoding == "utf_8":
        try:
            return _Meaning(bytes(held).decode("utf-8"))
        except UnicodeDecodeError:
            return _Meaning(None, "bad character")
    known = _characters_of(declared)
    if any(code not in known for code in held):
        return _Meaning(None, "bad character")
    return _Meaning("".join(known[code] for code in held))


def _octets_of(given: Any) -> Any:
    """Octets for hexadecimal text of whole octets; anything else as it is."""
    if isinstance(given, str) and re.fullmatch("([0-9a-fA-F]{2})*", given):
        return bytes.fromhex(given)
    return given


def _text_codes(declared: Field, given: Any) -> list[int]:
    """Return the codes that say a value, without what completes them; or codes that were given as they are."""
    if isinstance(given, Mapping):
        raw = _octets_of(given.get("raw"))
        if not isinstance(raw, (bytes, bytearray, memoryview, list, tuple)):
            raise _unfit("codes are bytes or a list")
        codes = list(raw)
        if any(isinstance(code, bool) or not isinstance(code, int) for code in codes):
            raise _unfit("a code is an integer")
        if any(not 0 <= code < 2 ** _character_bits(declared) for code in codes):
            raise _unfit("a code does not fit a character")
        return codes
    if declared.kind == "bytes":
        given = _octets_of(given)
        if not isinstance(given, (bytes, bytearray, memoryview)):
            raise _unfit("octets are bytes")
        return list(bytes(given))
    if not isinstance(given, str):
        raise _unfit("a text is a text")
    if declared.encoding == "utf_8":
        try:
            codes = list(given.encode("utf-8"))
        except UnicodeEncodeError as error:
            raise _unfit("half of a surrogate pair is no character") from error
    else:
        known = {character: code for code, character in _characters_of(declared).items()}
        if any(character not in known for character in given):
            raise _unfit("a character has no code")
        codes = [known[character] for character in given]
    if _special_code(declared, declared.ends_with) in codes:
        raise _unfit("the text holds what would end it")
    return codes


def _completed(declared: Field, codes: list[int], count: int, *, as_they_are: bool) -> list[int]:
    """Return codes completed to a fixed number of them."""
    end, fill = _special_code(declared, declared.ends_with), _special_code(declared, declared.fill)
    if len(codes) > count or (len(codes) < count and (as_they_are or (end is None and fill is None))):
        raise _unfit(f"{len(codes)} characters, not {count}")
    if len(codes) < count and end is not None:
        codes = [*codes, end]
    rest = fill if fill is not None else end
    return [*codes, *([] if rest is None else [rest] * (count - len(codes)))]


def _radix_meaning(declared: Field, raw: int) -> _Meaning:
    assert declared.length is not None and declared.length.count is not None
    known, count = _characters_of(declared), declared.length.count
    digits = []
    for _ in range(count):
        raw, digit = raw // len(known), raw % len(known)
        digits.append(digit)
    if raw:
        return _Meaning(None, "bad character")
    if declared.first_character != "least_significant":
        digits.reverse()
    return _text_meaning(replace(declared, ends_with=None), digits)


def _radix_to_raw(declared: Field, value: Any) -> tuple[int, bool]:
    assert declared.length is not None and declared.length.count is not None
    if not isinstance(value, str):
        raise _unfit("a text is a text")
    plain = replace(declared, ends_with=None)
    digits = _completed(plain, _text_codes(plain, value), declared.length.count, as_they_are=False)
    if declared.first_character == "least_significant":
        digits.reverse()
    raw = 0
    for digit in digits:
        raw = raw * len(declared.characters) + digit
    return raw, False


def _octets_of_bits(bits: list[int]) -> bytes:
    text = "".join(map(str, bits))
    text += "0" * (-len(text) % 8)
    return bytes(int(text[at : at + 8], 2) for at in range(0, len(text), 8))


# --- States, flags, tags and everything that fills itself ---------------------------------------------------


def _states_to_raw(declared: Field, value: Any) -> tuple[int, bool]:
    """Return the code of a state's name, of a reason for none, or of a number, with a name or without."""
    if value is None:
        return _missing_code(declared), False
    if isinstance(value, str):
        for code, name in declared.states:
            if name == value:
                return code, False
        return _code_of_reason(declared, value), False
    return _exact_integer(value), False


def _fitting(declared: Field, raw: int, bits: int) -> int:
    low, high = _raw_limits(declared, bits)
    if not low <= raw <= high:
        raise _unfit(f"{declared.name}: the raw code does not fit {bits} bits")
    return raw


def _flag_to_raw(declared: Field, value: Any) -> tuple[int, bool]:
    if not isinstance(value, bool):
        raise _unfit(f"{declared.name} is true or false, nothing else")
    return int(value), False


def _tag_to_raw(declared: Field, value: Any) -> tuple[int, bool]:
    raw = _exact_integer(value)
    if not _among(declared.code, raw):
        raise _unfit(f"not a code of {declared.name}")
    return raw, False


def _plain_to_raw(declared: Field, value: Any) -> tuple[int, bool]:
    number = _exact_integer(value)
    if _goes_on(declared):
        low, high = _number_limits(declared, 0)
        if not low <= number <= high:
            raise _unfit(f"{declared.name} is {low} to {high}")
        return _spelled_on(declared, number), False
    return number, False


def _length_to_raw(declared: Field, value: Any) -> tuple[int, bool]:
    return _tag_to_raw(declared, value) if declared.code else _plain_to_raw(declared, value)


_TO_RAW: Final[Mapping[str, Callable[[Field, Any], tuple[int, bool]]]] = {
    "number": _number_to_raw,
    "float": _float_to_raw,
    "states": _states_to_raw,
    "flag": _flag_to_raw,
    "time": _time_to_raw,
    "tag": _tag_to_raw,
    "constant": _tag_to_raw,
    "sync": _tag_to_raw,
    "count": _plain_to_raw,
    "length": _length_to_raw,
    "radix_text": _radix_to_raw,
    "bundle": _bundle_to_raw,
    "reserved": _plain_to_raw,
    "check": _plain_to_raw,
}


def _meaning_of(declared: Field, raw: int) -> _Meaning:
    """Return what a raw code means in its field, whatever the kind."""
    if declared.kind == "number":
        return _number_meaning(declared, raw)
    if declared.kind == "float":
        return _float_meaning(declared, raw)
    if declared.kind == "bundle":
        return _bundle_meaning(declared, raw)
    if declared.kind == "radix_text":
        return _radix_meaning(declared, raw)
    if declared.kind == "flag":
        return _Meaning(bool(raw))
    if declared.kind == "time":
        return _time_meaning(declared, raw)
    if declared.kind == "states":
        for codes in _missing(declared):
            if codes.low <= raw <= codes.high:
                return _Meaning(None, codes.reason or "missing")
        return _Meaning(dict(declared.states).get(raw, raw))
    if _goes_on(declared):
        return _Meaning(_spells_on(declared, raw))
    if declared.kind == "check":
        return _Meaning(raw, note="not computed" if raw == declared.not_computed else "")
    return _Meaning(raw, note="not zero" if declared.kind == "reserved" and raw else "")


def _meaning_at(node: _Node) -> _Meaning:
    """Return what a leaf's code means where it stands, as other fields have it; what is missing is so on any scale."""
    assert node.raw is not None
    declared = _read_as(node)
    if isinstance(declared, Field):
        return _meaning_of(declared, node.raw)
    if declared == "no scale" and _among(_missing(node.field), node.raw):
        return _meaning_of(node.field, node.raw)
    return _Meaning(None, declared)


def _is_value(declared: Field) -> bool:
    """Rule 15: whether a leaf belongs in a plain record. A tag does where several codes are allowed."""
    if declared.kind == "tag":
        return len(declared.code) > 1 or declared.code[0].low != declared.code[0].high
    return declared.kind in (
        "number",
        "float",
        "states",
        "flag",
        "time",
        "text",
        "bytes",
        "radix_text",
        "bundle",
        "variants",
    )


def _has_values(declared: Field) -> bool:
    """Whether a field belongs in a plain record: a group does for its values, or because it may be absent or repeats."""
    if declared.kind in ("group", "flags"):
        if declared.repeat is not None or declared.present_when is not None:
            return True
        return any(_has_values(member) for member in declared.fields)
    return bool(declared.derived) or declared.kind == "supplied" or _is_value(declared)


# --- Reading: the tree out of the bits (rules 13, 15, 18) ---------------------------------------------------


class _Reading(_Walk):
    """Grows the tree from the bits: each field takes its own, and says what comes after it."""

    def __init__(self, picture: str, variants: Mapping[str, str]) -> None:
        super().__init__()
        self.picture = picture
        self.variants = variants

    def meet(self, node: _Node) -> None:
        """Nothing: the bits come later."""

    def open(self, node: _Node) -> None:
        """Nothing: a group has no bits of its own."""

    def limit(self) -> int:
        """Return where the innermost part ends whose end is known, else the bytes."""
        return next((part.end for part in reversed(self.parts) if part.end is not None), len(self.picture))

    def too_long(self, why: str) -> Refused:
        """Return what is wrong with bits behind that end."""
        known = any(part.end is not None for part in self.parts)
        return Refused("bad length" if known else "truncated", why)

    def length_is_known(self, part: _Part, node: _Node) -> None:
        assert node.raw is not None
        if part.length.code:
            return  # it never changes: a wrong one is some other frame's
        size = (_counted(node) + part.length.less) * _units(part.length)
        size += _uncounted_bits(size, part.length)
        end = part.node.first + size
        outside = self.parts[: self.parts.index(part)]
        known = [one.end for one in outside if one.end is not None]
        around = known[-1] if known else len(self.picture)
        if end > len(self.picture) and not known:
            raise Refused("truncated", f"{_address(part.node)} ends at bit {end}")
        if size < 0 or end > around:
            raise Refused("bad length", f"{_address(node)} is {node.raw}")
        part.end = end

    def part_is_over(self, part: _Part) -> None:
        if part.end is not None and self.at != part.end:
            raise Refused("bad length", f"{_address(part.node)} ends at bit {self.at}, not {part.end}")

    def characters(self, node: _Node) -> int:
        declared = node.field
        if declared.length is None:
            return self.unknown_characters(node)
        if declared.length.count is not None:
            count = declared.length.count
        elif declared.length.counted_by is not None:
            count = _counted(_meant(node, declared.length.counted_by))
        else:
            count = self.fitting(node, _character_bits(declared))
            if declared.length.as_fits:
                count = min(count, declared.length.maximum or 0)
        if self.at + count * _character_bits(declared) > self.limit():
            raise self.too_long(f"{_address(node)}: {count} characters")
        return count

    def unknown_characters(self, node: _Node) -> int:
        """Octets of an unknown variant: up to what follows the variants; as bits where they are no whole octets."""
        assert node.parent is not None
        return self.fitting(node.parent, _character_bits(node.field))

    def fitting(self, node: _Node, bits: int) -> int:
        """Return how many elements of so many bits there is room for before what follows in the part."""
        count = 0
        while True:
            end = _end_behind(node, self.at + (count + 1) * bits, self.origin(), self.shape)
            assert end is not None
            if end > self.limit():
                return count
            count += 1

    def choose(self, node: _Node) -> None:
        if node.field.told_by == ("outside",):
            name = self.variants.get(_declared_address(node))
            if name not in [form.name for form in node.field.variants]:
                raise Refused("unknown variant", f"{_address(node)} is told from outside")
        else:
            name = _chosen(node)
        if name is None and id(node.field) not in self.shape.open:
            raise Refused("unknown variant", f"{_address(node)}: no variant has these codes")
        child = self.variant(node, name or "unknown")
        if name is None and self.spare_bits(node):
            child.field = replace(child.field, alphabet=_SINGLE_BITS)
        self.body(child)

    def is_present(self, node: _Node, condition: Condition) -> bool:
        if condition.by == "bytes_remain":
            end = _end_behind(node, self.at, self.origin(), self.shape)
            assert end is not None
            return self.limit() > end
        return _holds(condition, _meant(node, condition.by))

    def times(self, node: _Node) -> int | None:
        repeat = node.field.repeat
        assert repeat is not None
        element = replace(node.field, repeat=None, present_when=None)
        if _ender(repeat) is not None or (repeat.to_end and self.size_of(node, element) is None):
            return None
        if repeat.to_end:
            bits = _static_body(element, self.at, self.origin(), self.shape) - self.at
            fitting = self.fitting(node, bits)
            if repeat.maximum is not None and fitting > repeat.maximum:
                raise Refused("bad count", f"{_address(node)}: {fitting} elements, at most {repeat.maximum}")
            return fitting
        count = repeat.count if repeat.counted_by is None else _counted(_meant(node, repeat.counted_by))
        if repeat.product is not None:
            count = _product(node)
            if count < 0 or (repeat.maximum is not None and count > repeat.maximum):
                raise Refused("bad count", f"{_address(node)}: {count} elements")
        assert count is not None
        if not self.may_fit(element, count):
            raise self.too_long(f"{_address(node)}: {count} elements do not fit up to bit {self.limit()}")
        return count

    def starts_of(self, node: _Node, element: Field) -> list[int]:
        """Return where in a word an element may start: at certain bits of an octet where all do so."""
        over = (node.first - self.origin()) % 8
        sure = _modulo_8_once(element, over, self.shape)
        return [at for at in range(32) if sure is None or sure % 8 != over or at % 8 == over]

    def size_of(self, node: _Node, element: Field) -> int | None:
        """Return how many bits an element has wherever in a word it starts; None where it varies."""
        try:
            found = {_static_body(element, at, 0, self.shape) - at for at in self.starts_of(node, element)}
        except _VariesError:
            return None
        return found.pop() if len(found) == 1 else None

    def goes_on(self, node: _Node) -> bool:
        repeat = node.field.repeat
        assert repeat is not None
        ender = _ender(repeat)
        if ender is None:
            element = replace(node.field, repeat=None, present_when=None)
            starts = self.starts_of(node, element)
            least = min(_least_body(element, at, 0, self.shape) - at for at in starts)
            end = _end_behind(node, self.at + least, self.origin(), self.shape)
            assert end is not None
            if end > self.limit():
                return False
        elif node.children:
            told_by = _in_element(node.children[-1], ender.by)
            if _holds(ender, told_by) is (repeat.ends_when is not None):
                return False
        if repeat.maximum is not None and len(node.children) == repeat.maximum:
            raise Refused("bad count", f"{_address(node)} goes on after {repeat.maximum} elements")
        return True

    def may_fit(self, element: Field, count: int) -> bool:
        """Whether there is room for elements of the fewest bits that each can have."""
        end, before = self.at, -1
        for _ in range(count):
            if end > self.limit() or end == before:
                break
            before, end = end, _least_body(element, end, self.origin(), self.shape)
        return end <= self.limit()

    def supply(self, node: _Node) -> None:
        """Nothing: a check will tell."""

    def leaf(self, node: _Node) -> None:
        end = max(node.bits, default=0) + 1
        if node.width and end > self.limit():
            raise self.too_long(f"{_address(node)} ends at bit {end} of {self.limit()}")
        spots = [_spot(i, node.packing) for i in node.bits]
        if node.packing.word_bits and max(spots, default=-1) >= self.limit():
            raise self.too_long(
                f"{_address(node)} ends beyond bit {self.limit()}"
            )  # of a word, the first octets come last
        bits = "".join(self.picture[spot] for spot in spots)
        node.raw = _raw_of(node, bits)
        most = node.field.maximum if node.field.kind == "count" else None
        if most is not None and _counted(node) > most:
            raise Refused("bad count", f"{_address(node)} is {node.raw}, at most {most}")
        if node.field.kind == "length":
            self.met_length(node)

    def continued(self, node: _Node) -> None:
        """Octets up to the first that begins with a zero; or as many bits as the first ones say."""
        first_bits = node.field.first_bits
        if first_bits is not None:
            end = node.first + first_bits.bits
            if end > self.limit():
                raise self.too_long(f"{_address(node)} goes on behind bit {self.limit()}")
            code = int(self.picture[node.first : end], 2)
            sizes = [form.bits for form in first_bits.forms if form.low <= code <= form.high]
            if not sizes:
                raise Refused("bad length", f"{_address(node)} begins with {code}")
            node.width = first_bits.bits + sizes[0]
            self.leaf(node)
            return
        while True:
            first = node.first + node.width
            if node.width == _width(node.field):  # known whatever follows, and if nothing does
                raise Refused("bad length", f"{_address(node)} goes on after {node.width} bits")
            if first + 8 > self.limit():
                raise self.too_long(f"{_address(node)} goes on behind bit {self.limit()}")
            node.width += 8
            if self.picture[first] == "0":
                break
        self.leaf(node)


_SINGLE_BITS: Final = Alphabet(1, ((0, "0"), (1, "1")))


def _declared_address(node: _Node) -> str:
    """Return a node's path without the numbers of elements."""
    if node.parent is None:
        return ""
    before = _declared_address(node.parent)
    if isinstance(node.key, int):
        return f"{before}[]"
    return f"{before}.{node.key}" if before else node.key


def _ender(repeat: Repeat) -> Condition | None:
    """Return what an element says of itself being the last, or of another that follows; None where none says it."""
    return repeat.goes_on_when or repeat.ends_when


def _in_element(node: _Node, name: str) -> _Node:
    """Return the field of an element that a name means: itself, where it has no others in it."""
    if not node.is_group:
        return node
    for step in name.split("."):
        node = next(child for child in node.children if child.key == step)
    return node


def _product(node: _Node) -> int:
    """Return a computed count: a product of codes, or of the ones in them, and a number more."""
    assert node.field.repeat is not None and node.field.repeat.product is not None
    count = 1
    for name, ones in node.field.repeat.product.factors:
        found = _meant(node, name)
        codes = [child.raw for child in found.children] if found.is_list else [found.raw]
        assert None not in codes
        count *= sum(f"{raw or 0:b}".count("1") for raw in codes) if ones else codes[0] or 0
    return count + node.field.repeat.product.plus


def _least_end(declared: Field, at: int, start: int, shape: _Shape) -> int:
    """Return where a field that starts at a bit ends at the earliest; fills count from `start`.

    What may be absent, or is counted, or runs to the end, takes no bits.
    """
    if declared.present_when is not None:
        return at
    length = shape.measuring.get(id(declared))
    first = at
    start = at if length is not None else start
    times = 1 if declared.repeat is None or _ender(declared.repeat) else declared.repeat.count or 0
    for _ in range(times):
        at = _least_body(declared, at, start, shape)
    return at + (-(at - first) % _units(length) if length is not None and length.fill == "zero" else 0)


def _least_body(declared: Field, at: int, start: int, shape: _Shape) -> int:
    if declared.kind in ("text", "bytes"):
        assert declared.length is not None
        return at + (declared.length.count or 0) * _character_bits(declared)
    if declared.kind == "variants":
        ends = [_least_group(form.fields, at, start, shape) for form in declared.variants]
        return at if id(declared) in shape.open else min(ends)
    if declared.up_to is not None:
        return at + _fill(declared.up_to, at - start)
    if declared.runs or declared.derived or declared.kind == "supplied":
        return at
    if _goes_on(declared):
        return at + _least_bits(declared)
    if not declared.fields:
        return at + (0 if declared.kind in ("group", "flags") else _width(declared))
    taken = _taken(declared, at)
    start = at if declared.carried else start
    for member in declared.fields:
        at = _least_end(member, _passed(at, taken), start, shape)
    return _passed(at, taken)


def _least_group(members: tuple[Field, ...], at: int, start: int, shape: _Shape) -> int:
    for member in members:
        at = _least_end(member, at, start, shape)
    return at


def _values(node: _Node) -> dict[str, Any]:
    """Return the plain record of a group: its value fields in wire order; groups without any are left out."""
    return {str(child.key): _value(child) for child in node.children if _has_values(child.field)}


def _value(node: _Node) -> Any:
    if not node.present:
        return None
    if node.is_list:
        return [_value(child) for child in node.children]
    if node.is_text:
        return _text_of(node).value
    if node.is_choice:
        return {str(child.key): _value(child) for child in node.children}
    if node.is_group:
        return _values(node)
    if node.field.derived:
        return _arithmetic(node).value
    if node.field.kind == "supplied":
        return node.raw  # None: not known
    return _meaning_at(node).value


def _details(node: _Node) -> dict[str, Any]:
    """Return the detail record of a group: all that is on the wire; fill of no bits, and a group of it, is left out."""
    made: dict[str, Any] = {}
    for child in node.children:
        if child.width or child.is_list or not child.present or not _only_fills(child.field):
            made[str(child.key)] = _detail(child)
    return made


def _beyond(declared: Field, value: Any) -> str:
    """Return the limit that a number is beyond; a double is held against the double that the limit would be."""
    if value is None or isinstance(value, (bool, str)):
        return ""
    for limit in sorted(declared.limits, key=lambda one: one.name):  # hard before soft
        for end, bound in (("maximum", limit.maximum), ("minimum", limit.minimum)):
            if bound is not None:
                edge = Fraction(bound.numerator / bound.denominator) if isinstance(value, float) else bound
                exact = Fraction(value)
                if exact > edge if end == "maximum" else exact < edge:
                    return f"{limit.name} {end}"
    return ""


def _text_of(node: _Node) -> _Meaning:
    codes = [child.raw or 0 for child in node.children]
    if node.field.alphabet is _SINGLE_BITS:
        return _Meaning(_octets_of_bits(codes))
    return _text_meaning(node.field, codes)


def _only_fills(declared: Field) -> bool:
    if declared.kind in ("group", "flags"):
        plain = declared.present_when is None
        return plain and all(_only_fills(member) for member in declared.fields)
    return declared.up_to is not None


def _detail(node: _Node) -> Any:
    if not node.present:
        return None
    if node.is_list:
        return [_detail(child) for child in node.children]
    if node.is_text:
        said = _text_of(node)
        codes = [child.raw or 0 for child in node.children]
        raw = codes if node.field.alphabet is not None else bytes(codes)
        return {"raw": raw, "value": said.value, **({"reason": said.reason} if said.reason else {})}
    if node.is_choice:
        return {str(child.key): _detail(child) for child in node.children}
    if node.is_group:
        return _details(node)
    if node.field.derived:
        made = _arithmetic(node)
        words = {
            "unit": node.field.unit,
            "reason": made.reason,
            "limit": _beyond(node.field, made.value),
        }
        return {"value": made.value, **{key: word for key, word in words.items() if word}, "derived": True}
    if node.field.kind == "supplied":
        reason = "not known" if node.raw is None else "recovered"
        return {"raw": node.raw, "value": node.raw, "reason": reason}
    assert node.raw is not None
    meaning = _meaning_at(node)
    limit = _beyond(node.field, meaning.value)
    words = {"unit": node.field.unit, "reason": meaning.reason, "note": meaning.note, "limit": limit}
    return {"raw": node.raw, "value": meaning.value, **{key: word for key, word in words.items() if word}}


# --- Writing: the tree out of a record (rules 3, 10, 12) ----------------------------------------------------


class _Writing(_Walk):
    """Grows the tree from a record. Flags, counts and checks not given stay open until the tree is whole."""

    def __init__(self, record: Any, sizes_before: list[int] | None = None) -> None:
        super().__init__()
        self.record = record
        self.sizes_before = sizes_before  # bits of the numbers that go on, in wire order; None: not known yet
        self.going_on: list[_Node] = []
        self.over: list[str] = []  # what is no whole units, if the sizes are final
        self.optionals: list[tuple[_Node, _Node]] = []  # each with the field that tells of it
        self.counted: list[tuple[_Node, int]] = []
        self.to_raise: list[_Node] = []
        self.sized: list[tuple[_Node, Field, int]] = []  # each length with the bits of what it measures
        self.chosen: list[_Node] = []
        self.products: list[_Node] = []
        self.ended: list[_Node] = []  # lists whose elements say which is the last
        self.judged: list[_Node] = []  # leaves of which other fields say whether they count
        self.none_left: dict[int, bool] = {}  # by part: whether something that bytes remain for was not given
        self.picture = ""

    def part(self) -> int:
        return id(self.parts[-1].node) if self.parts else 0

    def length_is_known(self, part: _Part, node: _Node) -> None:
        """Nothing: a length follows from what it measures."""

    def part_is_over(self, part: _Part) -> None:
        told = self.length_of(part)
        if told is not None:  # else it is in an option or a variant that is not there
            self.sized.append((told, part.length, self.at - part.node.first))

    def characters(self, node: _Node) -> int:
        """How many characters the record gives; they are kept for the leaves to take."""
        declared = node.field
        if node.given is _ABSENT:
            raise _unfit(f"{_address(node)} is not in the record")
        if declared.length is None:
            return self.unknown_characters(node)
        codes = _text_codes(declared, node.given)
        fixed = declared.length.count
        if fixed is not None:
            codes = _completed(declared, codes, fixed, as_they_are=isinstance(node.given, Mapping))
        elif declared.length.counted_by is not None:
            self.counted.append((_meant(node, declared.length.counted_by), len(codes)))
        elif declared.length.as_fits:
            most, follows = declared.length.maximum or 0, self.another_follows(node)
            if len(codes) > most or (follows and len(codes) < most):
                raise _unfit(f"{_address(node)} has {len(codes)} characters, {most} fit")
        elif codes and self.none_left.get(self.part()):
            raise _unfit(f"{_address(node)}: something before it is not given")
        node.given = codes
        return len(codes)

    def another_follows(self, node: _Node) -> bool:
        """Whether what a node stands in is not the last element of its list."""
        while isinstance(node.key, str):
            assert node.parent is not None
            node = node.parent
        assert node.parent is not None
        return node.key + 1 < len(node.parent.given)

    def unknown_characters(self, node: _Node) -> int:
        assert node.parent is not None
        one_bit = self.spare_bits(node.parent)
        if isinstance(node.given, Mapping):
            node.field = replace(node.field, alphabet=_SINGLE_BITS if one_bit else None)
            node.given = _text_codes(node.field, node.given)
            if one_bit and (len(node.given) + one_bit) % 8:
                raise _unfit(f"{_address(node)}: {len(node.given)} bits do not end on an octet")
            return len(node.given)
        octets = _text_codes(node.field, node.given)
        node.given = octets
        if one_bit:
            bits = "".join(f"{octet:08b}" for octet in octets)
            if not bits or "1" in bits[-one_bit:]:
                raise _unfit(f"{_address(node)}: the last {one_bit} bits are not sent")
            node.field = replace(node.field, alphabet=_SINGLE_BITS)
            node.given = [int(bit) for bit in bits[: len(bits) - one_bit]]
        return len(node.given)

    def choose(self, node: _Node) -> None:
        if not isinstance(node.given, Mapping) or not node.given:
            raise _unfit(f"{_address(node)} is one variant")
        name = next(iter(node.given))
        if len(node.given) > 1:  # of those in turn all may be given; whose turn it is counts
            name = _chosen(node) if node.field.in_turn else None
            if name not in node.given or node.given.keys() - {form.name for form in node.field.variants}:
                raise _unfit(f"{_address(node)} is one variant")
        form = next((form for form in node.field.variants if form.name == name), None)
        exists = name == "unknown" and id(node.field) in self.shape.open
        if form is None and not exists:
            raise _unfit(f"{_address(node)} has no such variant")
        if node.field.told_by != ("outside",):
            self.chosen.append(node)
            for asked in form.when if form is not None else ():
                told_by = _meant(node, asked.by)
                single = _one_code(asked, told_by.field)
                if told_by.raw is None and single is not None:
                    told_by.raw = single
            if form is not None and form.otherwise:
                (told_by,) = (_meant(node, name) for name in node.field.told_by)
                if told_by.raw is None:
                    told_by.raw = _only_code_left(node.field, told_by.field)
        self.body(self.variant(node, str(name)))

    def meet(self, node: _Node) -> None:
        """What the record says of a node is found in what it says of the node around it."""
        parent = node.parent
        assert parent is not None
        if isinstance(node.key, int):
            node.given = parent.given[node.key]
            if parent.is_text:
                node.given = {"raw": node.given}
        elif parent.given is not _ABSENT:
            node.given = parent.given.get(node.key, _ABSENT)

    def open(self, node: _Node) -> None:
        if node.parent is None:
            node.given = self.record
        if node.given is _ABSENT:
            node.given = {}  # an absent group counts as an empty one
        if not isinstance(node.given, Mapping):
            raise _unfit(f"{_address(node) or 'a record'} is a mapping")
        names = [member.name for member in node.field.fields]
        names += [f"{by.name}_fill" for by in self.fills_of(node)]
        if any(key not in names for key in node.given):
            raise _unfit(f"{_address(node) or 'the frame'} has no field of some key")

    def fills_of(self, node: _Node) -> list[Field]:
        """Return the lengths whose fill stands in a group: of the parts that its members are, and of the frame itself."""
        targets = [*node.field.fields, *([node.field] if node.parent is None else [])]
        found = [self.shape.measuring[id(one)] for one in targets if id(one) in self.shape.measuring]
        return [one for one in found if one.fill == "zero"]

    def is_present(self, node: _Node, condition: Condition) -> bool:
        """What is given is there; so is a value that is missing, where the condition is known to hold."""
        if condition.by == "bytes_remain":
            there = node.given is not _ABSENT and node.given is not None
            if there and self.none_left.get(self.part()):
                raise _unfit(f"{_address(node)}: something before it is not given")
            self.none_left[self.part()] = self.none_left.get(self.part(), False) or not there
            return there
        told_by = _meant(node, condition.by)  # looked up now: later, nearer fields may have its name
        self.optionals.append((node, told_by))
        if node.given is not _ABSENT and node.given is not None:
            return True
        if told_by.raw is None or not _holds(condition, told_by):
            return False
        if node.is_leaf and (_missing(node.field) or _is_told(node.field)):
            node.given = None  # a key that is left out is a None here, whatever the default
            return True
        return False

    def goes_on(self, node: _Node) -> bool:
        """Never asked: the record has so many elements."""
        raise AssertionError

    def times(self, node: _Node) -> int:
        repeat = node.field.repeat
        assert repeat is not None
        if not isinstance(node.given, (list, tuple)):
            raise _unfit(f"{_address(node)} is a list")
        count = len(node.given)
        if _ender(repeat) is not None:
            self.ended.append(node)
            if not count or (repeat.maximum is not None and count > repeat.maximum):
                raise _unfit(f"{_address(node)} has {count} elements, not 1 to {repeat.maximum}")
            return count
        limit = repeat.maximum if repeat.to_end else repeat.count
        if limit is not None and (count > limit if repeat.to_end else count != limit):
            raise _unfit(f"{_address(node)} has {count} elements, not {limit}")
        if repeat.counted_by is not None:
            self.counted.append((_meant(node, repeat.counted_by), count))
        if repeat.product is not None:
            self.products.append(node)
            if repeat.maximum is not None and count > repeat.maximum:
                raise _unfit(f"{_address(node)} has {count} elements, at most {repeat.maximum}")
        if repeat.to_end and count and self.none_left.get(self.part()):
            raise _unfit(f"{_address(node)}: something before it is not given")
        return count

    def supply(self, node: _Node) -> None:
        """Rule 12: a supplied field is required; it has no bits, but its checks need it."""
        if node.given is _ABSENT:
            raise _unfit(f"{_address(node)} is not in the record")
        assert node.field.bits is not None
        code = node.given.get("raw", _ABSENT) if isinstance(node.given, Mapping) else node.given
        if code is None and not self.is_mixed(node):
            return  # not known; the checks that hang on it are given
        node.raw = self.given_raw(node) if isinstance(node.given, Mapping) else _exact_integer(node.given)
        _fitting(node.field, node.raw, node.field.bits)

    def is_mixed(self, node: _Node) -> bool:
        """Whether a check is mixed with a supplied field."""
        assert node.parent is not None
        return any(one.mixed_with == node.field.name for one in _every_field(node.parent.field.fields))

    def leaf(self, node: _Node) -> None:
        """The raw code of a leaf, as far as the record alone tells it."""
        declared, given = node.field, node.given
        if _is_told(declared) and not isinstance(given, Mapping):
            self.judged.append(node)  # its code waits for the field that says so
        elif given is _ABSENT:
            self.leaf_not_given(node)
        elif isinstance(given, Mapping):
            node.raw = self.given_raw(node)
        else:
            node.raw, clamped = _TO_RAW[declared.kind](declared, given)
            self.note_clamped(node, clamped)
            if declared.kind == "reserved" and node.raw:
                raise _unfit(f"{_address(node)} is reserved: 0")
        if node.raw is not None:
            _fitting(declared, node.raw, node.width)
        if declared.kind == "length":
            self.met_length(node)

    def continued(self, node: _Node) -> None:
        """As many octets as the number needs, or, where what follows tells it, as it needed the last time."""
        node.width = _width(node.field)
        self.leaf(node)
        if node.raw is not None:
            if _spells(node.field, node.raw) is None:
                raise _unfit(f"{_address(node)}: {node.raw:#x} does not go on up to its last octet")
            node.width = len(_bits_of_code(node.field, node.raw))
        else:
            least = _least_bits(node.field)
            node.width = least if self.sizes_before is None else self.sizes_before[len(self.going_on)]
        self.going_on.append(node)

    def settle_judged(self) -> None:
        """The codes of leaves as other fields have them; of those without a value the missing code or zero, and none may be given."""
        for node in self.judged:
            found, given = _read_as(node), node.given
            declared = found if isinstance(found, Field) else node.field
            if isinstance(found, Field) and given is _ABSENT:
                self.leaf_not_given(node)
                if node.raw is None and declared.default is not None:  # a flag
                    node.raw = _flag_to_raw(declared, declared.default)[0]
                if node.raw is None:
                    raise _unfit(f"{_address(node)} is not in the record")
            elif isinstance(found, Field) or (given is _ABSENT and declared.default is not None):
                value = declared.default if given is _ABSENT else given
                node.raw, clamped = _TO_RAW[declared.kind](declared, value)
                self.note_clamped(node, clamped)
            elif given is _ABSENT or given is None or _is_nan(declared, given):
                node.raw = _missing_code(declared) if _missing(declared) else 0
            else:
                raise _unfit(f"{_address(node)} is given, but has no value here")
            assert node.raw is not None
            _fitting(declared, node.raw, node.width)

    def leaf_not_given(self, node: _Node) -> None:
        """Rule 12: constants are themselves, reserved bits zero; a value is its default, else missing."""
        declared = node.field
        if declared.kind in ("flag", "count", "check") or (declared.kind == "length" and not declared.code):
            return  # told by the rest of the frame
        if declared.kind == "reserved":
            node.raw = 0
        elif declared.code and not _is_value(declared):
            node.raw = declared.code[0].low
        elif declared.default is not None:
            node.raw, clamped = _TO_RAW[declared.kind](declared, declared.default)
            self.note_clamped(node, clamped)
        elif declared.bundle is not None and declared.missing:
            node.raw, _ = _bundle_to_raw(declared, None)
        elif _missing(declared):
            node.raw = _missing_code(declared)
        elif id(declared) in self.choosing:
            return  # a variant may tell it
        else:
            raise _unfit(f"{_address(node)} is not in the record")

    def given_raw(self, node: _Node) -> int:
        """A code given as {"raw": n} is sent as it is, legal or not; what fills itself must still agree."""
        raw = node.given.get("raw")
        if isinstance(raw, bool) or not isinstance(raw, int):
            raise _unfit(f"{_address(node)}: a raw code is an integer")
        if node.field.code and not _is_value(node.field):
            return _tag_to_raw(node.field, raw)[0]
        return raw

    def note_clamped(self, node: _Node, clamped: bool) -> None:
        if clamped and node.field.flag is not None:
            self.to_raise.append(_meant(node, node.field.flag))

    def settle(self, root: _Node) -> None:
        """Fill flags and counts from the rest of the record, then hold everything against everything."""
        self.settle_flags(root)
        self.settle_counts(root)
        for node in _leaves(root):
            if id(node.field) in self.choosing and node.raw is None:
                raise _unfit(f"{_address(node)} is not in the record")
        self.settle_judged()
        self.settle_lengths()
        self.hold_conditions()
        self.hold_ends()
        for flag in self.to_raise:
            flag.raw = 1
        self.hold_ends()
        self.hold_conditions()  # a flag that was raised may not say that something is there which is not
        for node in self.chosen:
            if (_chosen(node) or "unknown") not in node.given:
                raise _unfit(f"{_address(node)} is not the variant that its codes mean")
        for node in self.products:
            if _product(node) != len(node.children):
                raise _unfit(f"{_address(node)} has {len(node.children)} elements, not {_product(node)}")

    def settle_lengths(self) -> None:
        for node, length, bits in self.sized:
            counted = _counted_bits(bits, length)
            if counted is None:
                raise _unfit(f"{_address(node)} cannot count {bits} bits")
            units, over = divmod(counted, _units(length))
            number = units - length.less
            low, high = _number_limits(node.field, node.width)
            if over:
                self.over.append(f"{_address(node)}: {over} bits are over")
            if not low <= number <= high or (node.raw is not None and _counted(node) != number):
                raise _unfit(f"{_address(node)} cannot be {number}")
            node.raw = _spelled(node.field, number) if node.raw is None else node.raw

    def settle_counts(self, root: _Node) -> None:
        for count, length in self.counted:
            if count.raw is None:
                low, high = _number_limits(count.field, count.width)
                if not low <= length <= high:
                    raise _unfit(f"{_address(count)} cannot be {length}")
                count.raw = _spelled(count.field, length)
            if _counted(count) != length:
                raise _unfit(f"{_address(count)} is {count.raw}, the list has {length}")
        for node in _leaves(root):
            if node.field.kind == "count":
                node.raw = node.raw or 0  # nothing was there to be counted
                _fitting(node.field, node.raw, _width(node.field))
                if node.field.maximum is not None and _counted(node) > node.field.maximum:
                    raise _unfit(f"{_address(node)} is {node.raw}, at most {node.field.maximum}")

    def hold_conditions(self) -> None:
        for node, told_by in self.optionals:
            condition = node.field.present_when
            assert condition is not None
            if _holds(condition, told_by) != node.present:
                raise _unfit(f"{_address(node)} and {condition.by} disagree")

    def says_so(self) -> Iterator[tuple[_Node, Condition, bool]]:
        """Yield each field that says whether its element is the last, the condition, and whether it must hold."""
        for node in self.ended:
            assert node.field.repeat is not None
            ender = _ender(node.field.repeat)
            assert ender is not None
            ends = node.field.repeat.ends_when is not None
            for child in node.children:
                yield _in_element(child, ender.by), ender, (child is node.children[-1]) is ends

    def hold_ends(self) -> None:
        for told_by, ender, wanted in self.says_so():
            if _holds(ender, told_by) is not wanted:
                raise _unfit(f"{_address(told_by)} says so of the wrong element")

    def settle_flags(self, root: _Node) -> None:
        for told_by, ender, wanted in self.says_so():
            if told_by.field.kind == "flag" and told_by.raw is None:
                fits = [raw for raw in (0, 1) if _holds(ender, replace(told_by, raw=raw)) is wanted]
                told_by.raw = fits[0] if fits else None
        for node, told_by in self.optionals:  # a flag that was not given says what is there
            condition = node.field.present_when
            assert condition is not None
            if told_by.field.kind == "flag" and told_by.raw is None:
                fits = [raw for raw in (0, 1) if _holds(condition, replace(told_by, raw=raw)) == node.present]
                told_by.raw = fits[0] if fits else None
        for node in _leaves(root):
            if node.field.kind == "flag" and node.raw is None and not _is_told(node.field):
                if node.field.default is not None:
                    node.raw = _flag_to_raw(node.field, node.field.default)[0]
                elif id(node.field) in self.filled:
                    node.raw = 0  # nothing was clamped, or nothing is there
                else:
                    raise _unfit(f"{_address(node)} is not in the record")


def _one_code(condition: Condition, declared: Field) -> int | None:
    """Return the only code that a condition holds for, None where there are several."""
    codes = [code for asked in condition.codes for code in (asked.low, asked.high)]
    codes += [code for code, name in _states_of(declared) if name in condition.states]
    if not condition.codes and not condition.states:
        codes = [1]
    if len(set(codes)) > 1:
        return None
    return _spelled_on(declared, codes[0]) if _goes_on(declared) else codes[0]


def _only_code_left(declared: Field, teller: Field) -> int | None:
    """Return the only code that no variant asks for, None where there are several."""
    least, most = _raw_limits(teller, _width(teller))
    asked = [one for form in declared.variants for one in form.when]
    left: list[int] = []
    code = least
    while code <= most and len(left) < 2:
        if any(_holds_for(one, teller, code) for one in asked):
            # On to behind the range that holds it, as a teller may have more codes than can be looked at.
            code = 1 + max(
                (c.high for one in asked for c in one.codes if c.low <= code <= c.high), default=code
            )
        else:
            left.append(code)
            code += 1
    return left[0] if len(left) == 1 else None


def _flags_looked_at(whole: Field, *, choosing: bool = False) -> set[int]:
    """Return the ids of the flags that fill themselves: clamping raises them, or they say what is there.

    choosing: of the fields that tell variants instead.
    """
    found: set[int] = set()

    def look(members: tuple[Field, ...], owner: Field, around: tuple[Field, ...]) -> None:
        for place, member in enumerate(members):
            before = (replace(owner, fields=members[:place]), *around)  # a name looks back only
            names = [member.flag, _condition_field(member)]
            names = list(member.told_by) if choosing and not member.in_turn else [] if choosing else names
            found.update(id(_declared(name, before)) for name in names if name)
            ender = _ender(member.repeat) if member.repeat is not None and not choosing else None
            if ender is not None:
                element = member if member.fields else replace(member, fields=(member,))
                found.add(id(_declared(ender.by, (element,))))
            for inner in _groups_in(member):
                look(inner, member, before)

    look(whole.fields, whole, ())
    return found


def _condition_field(declared: Field) -> str | None:
    """Return the name of the field that says whether another is there."""
    by = declared.present_when.by if declared.present_when is not None else None
    return None if by == "bytes_remain" else by


def _declared(name: str, groups: tuple[Field, ...]) -> Field | None:
    """Return the declared field that a name means, looked up from the innermost group outwards."""
    for group in groups:
        found: Field | None = group
        for step in name.split("."):
            found = next((member for member in found.fields if member.name == step), None) if found else None
        if found is not None:
            return found
    return None


def _written(frame: Frame, record: Any, algorithms: Algorithms) -> _Writing:
    """Return the finished writing of a record: its tree settled, its picture whole, its checks computed."""
    octets: list[int] | None = None
    while True:
        writing = _Writing(record, octets)
        root = writing.walk(frame, algorithms)
        writing.settle(root)
        needed = [len(_bits_of_code(node.field, node.raw or 0)) for node in writing.going_on]
        if needed == (octets or []):
            if writing.over:
                raise _unfit(writing.over[0])
            break
        octets = needed  # what follows a length moved: once more
    picture = ["0"] * writing.at
    checks = []
    for node in _leaves(root):
        if node.field.kind == "check":
            checks.append(node)
        else:
            _draw(node, picture)
    # Rule 16, dependency order: a check can be computed once no open check lies in its span.
    while checks:
        ready = next(
            node
            for node in checks
            if not any(other in _covered(node, root) for other in checks if other is not node)
        )
        said_none = ready.raw is not None and ready.raw == ready.field.not_computed
        if _is_fed(ready) and not said_none:
            value = _check_value(ready, root, "".join(picture), algorithms)
            if ready.raw is not None and ready.raw != value:
                raise _unfit(f"{_address(ready)} is {value}, not {ready.raw}")
            ready.raw = value
        if ready.raw is None:
            raise _unfit(f"{_address(ready)} is computed from what is not known")
        _draw(ready, picture)
        checks.remove(ready)
    writing.picture = "".join(picture)
    return writing


def _draw(node: _Node, picture: list[str]) -> None:
    assert node.raw is not None
    bits = _bits_of(node, node.raw)
    for place, i in enumerate(node.bits):
        picture[_spot(i, node.packing)] = bits[place]


# --- Rule 16: checks ----------------------------------------------------------------------------------------


def _covered(check: _Node, root: _Node) -> list[_Node]:
    """Return the leaves in a check's span, in wire order."""
    covers = check.field.covers
    what = "everything_before" if covers is None else covers.what
    leaves = list(_leaves(root))
    if what == "whole_frame":
        return leaves
    if what == "everything_before":
        start = _innermost_element(check).first
        return [leaf for leaf in leaves if start <= leaf.first < check.first]
    assert covers is not None
    if what == "range":
        first, last = _meant(check, covers.start, whole=True), _meant(check, covers.end, whole=True)
        left_out = [leaf for name in covers.names for leaf in _named_leaves(check, name)]
        end = last.first + last.width
        return [
            leaf
            for leaf in leaves
            if first.first <= leaf.first and leaf.first + leaf.width <= end and leaf not in left_out
        ]
    named = [leaf for name in covers.names for leaf in _named_leaves(check, name)]
    return [leaf for leaf in leaves if leaf in named]


def _named_leaves(check: _Node, name: str) -> list[_Node]:
    """Return the leaves of what a check names, with the bits that complete it."""
    named = _meant(check, name, whole=True)
    return [*_leaves(named), *([] if named.fill is None else [named.fill])]


def _innermost_element(node: _Node) -> _Node:
    """Return the element of a repeat, or the carried frame, that a check stands in, else the whole frame."""
    while node.parent is not None:
        node = node.parent
        if isinstance(node.key, int) or node.field.carried:
            break
    return node


def _span(check: _Node, root: _Node, picture: str) -> list[tuple[str, bool]]:
    """Return a check's span as bits in wire order, each with whether its packing is least significant first.

    Wire order is the order of octets as sent and, within an octet, the order in which its packing fills it.
    """
    bits = []
    for leaf in _covered(check, root):
        for i in leaf.bits:
            spot = _spot(i, leaf.packing)
            bit = picture[spot]
            if leaf is check:
                rule = check.field.self_rule or "zero"
                if rule == "skip":
                    continue
                bit = "1" if rule == "ones" else "0"
            bits.append((i if leaf.packing.least_first else spot, bit, leaf.packing.least_first))
    return [(bit, least_first) for _, bit, least_first in sorted(bits)]


def _check_value(check: _Node, root: _Node, picture: str, algorithms: Algorithms) -> int:
    """Return a check's value over its span of a frame's picture, combined with the field that it is mixed with."""
    value = _unmixed_value(check, root, picture, algorithms)
    if check.field.mixed_with is None:
        return value
    other = _meant(check, check.field.mixed_with)
    width = other.width or other.field.bits or 0  # one that is supplied lies nowhere
    if other.raw is None:  # recovered: whatever makes the check right, if so few bits can
        assert check.raw is not None
        other.raw = (value ^ check.raw) % (1 << width)
    return value ^ (other.raw & ((1 << width) - 1))


def _in_turn_of_checking(leaves: list[_Node]) -> Iterator[_Node]:
    """Yield checks in wire order, time and again, each once and as soon as all that it is fed with is known."""
    checks = [node for node in leaves if node.field.kind == "check"]
    done: set[int] = set()
    for _ in checks:  # each time round lets one more be known at least, or none ever will
        for check in checks:
            if id(check) not in done and _is_fed(check):
                done.add(id(check))
                yield check


def _agrees(check: _Node, root: _Node, picture: str, algorithms: Algorithms) -> bool:
    """Return whether a check is what the frame makes it, or says nothing."""
    if check.raw == check.field.not_computed:
        return True
    return check.raw == _check_value(check, root, picture, algorithms)


def _every_field(fields: tuple[Field, ...]) -> Iterator[Field]:
    for one in fields:
        yield one
        yield from _every_field(one.fields)
        for form in one.variants:
            yield from _every_field(form.fields)


def _is_fed(check: _Node) -> bool:
    """Return whether all fields are known that a check is fed with."""
    names = [one for one in (*check.field.also, check.field.starts_from) if isinstance(one, str)]
    return all(_meant(check, name).raw is not None for name in names)


def _in_front(check: _Node, one: int | str | FrameSize, size: int) -> str:
    """Return what stands in front of a check's span, as its bits are written on paper."""
    if isinstance(one, int):
        return f"{one:08b}"
    if isinstance(one, FrameSize):
        return f"{size:0{one.bits}b}"
    fed = _meant(check, one)
    width = fed.width or fed.field.bits or 0  # one that is supplied lies nowhere
    assert fed.raw is not None
    return f"{fed.raw % (1 << width):0{width}b}"


def _unmixed_value(check: _Node, root: _Node, picture: str, algorithms: Algorithms) -> int:
    """Return what a check is before it is mixed; zero is sent as ones where the schema says so."""
    value = _computed_value(check, root, picture, algorithms)
    if value == 0 and check.field.zero_is_sent_as == "all_ones":
        return (1 << check.width) - 1
    return value


def _computed_value(check: _Node, root: _Node, picture: str, algorithms: Algorithms) -> int:
    turn = -1 if check.packing.least_first else 1
    size = (len(picture) + 7) // 8
    front = "".join(_in_front(check, one, size)[::turn] for one in check.field.also)
    span = [(bit, check.packing.least_first) for bit in front] + _span(check, root, picture)
    if check.field.fill == "zero" and span:
        span += [("0", span[-1][1])] * (-len(span) % 8)
    assert check.field.algorithm is not None
    parameters = _parameters(check.field.algorithm, algorithms)
    if check.field.starts_from is not None:
        register = _meant(check, check.field.starts_from)
        assert register.raw is not None
        width = register.width or register.field.bits or 0
        parameters = {**parameters, "init": register.raw % (1 << width)}
    if parameters["family"] == "linear":
        fed = "".join(bit for bit, _ in span)
        parities = (sum(fed[place - 1] == "1" for place in places) % 2 for places in parameters["listed"])
        return int("".join(map(str, parities)), 2) ^ int(parameters["final_xor"])
    if parameters["family"] == "crc":
        return _crc(_feed(span, parameters["reflect_in"]), parameters)
    if parameters["family"] == "parity":
        ones = sum(bit == "1" for bit, _ in span)
        return (int(parameters["init"]) + ones) % 2
    assert len(span) % 8 == 0, "a sum takes whole octets"
    octets = [span[at : at + 8] for at in range(0, len(span), 8)]
    return _sum([int(_as_on_paper(octet), 2) for octet in octets], parameters)


def _as_on_paper(octet: list[tuple[str, bool]]) -> str:
    """Return eight bits in wire order as an octet on paper, most significant bit on the left."""
    text = "".join(bit for bit, _ in octet)
    return text[::-1] if octet[0][1] else text


def _parameters(algorithm: str | CustomCrc | ListedParity, algorithms: Algorithms) -> Parameters:
    """Return what an algorithm is: looked up by its name, or six parameters that the schema itself states."""
    if isinstance(algorithm, str):
        return algorithms[algorithm]
    if isinstance(algorithm, ListedParity):
        width = len(algorithm.parity)
        return {
            "family": "linear",
            "width": width,
            "listed": algorithm.parity,
            "final_xor": algorithm.final_xor,
        }
    return {
        "family": "crc",
        "width": algorithm.width,
        "poly": algorithm.polynomial,
        "init": algorithm.initial,
        "reflect_in": algorithm.reflect_in,
        "reflect_out": algorithm.reflect_out,
        "final_xor": algorithm.final_xor,
    }


def _feed(span: list[tuple[str, bool]], reflected: bool) -> str:
    """Return a span's bits in the order in which they enter a CRC.

    Not reflected: each octet, counted from the span's start, enters most significant bit first; reflected:
    least significant first. Where the packing has that order already, octets do not matter, and a part of one
    may be left at the end.
    """
    feed = ""
    for at in range(0, len(span), 8):
        octet = span[at : at + 8]
        if octet[0][1] == reflected:
            feed += "".join(bit for bit, _ in octet)
        else:
            assert len(octet) == 8, "bits that are turned round come in whole octets"
            feed += "".join(bit for bit, _ in reversed(octet))
    return feed


def _crc(feed: str, parameters: Parameters) -> int:
    """Return a CRC, one bit at a time: add the generator where the bits leaving and entering differ."""
    width = parameters["width"]
    generator = f"{parameters['poly']:0{width}b}"
    register = f"{parameters['init']:0{width}b}"
    for bit in feed:
        fell_out, register = register[0], register[1:] + "0"
        if fell_out != bit:
            register = "".join("1" if a != b else "0" for a, b in zip(register, generator, strict=True))
    if parameters["reflect_out"]:
        register = register[::-1]
    return int(register, 2) ^ int(parameters["final_xor"])


def _sum(octets: list[int], parameters: Parameters) -> int:
    """Return a sum, an exclusive or, or two sums over octets taken as words; zeros complete the last."""
    words = _words(octets, parameters["word_bits"], parameters["word_order"])
    if parameters["family"] == "xor":
        total = 0
        for word in words:
            total ^= word
        return total
    if parameters["family"] == "sum":
        return _one_sum(words, parameters)
    first, second = int(parameters["init"]), 0
    modulus = int(parameters["modulus"])
    for word in words:
        first = (first + word) % modulus
        second = (second + first) % modulus
    if parameters["final"] == "balanced":
        first, second = _balance(first, second, modulus)
    half: int = 16 if parameters["family"] == "adler" else int(parameters["word_bits"])
    high, low = (first, second) if parameters["first_sum_high"] else (second, first)
    return (high << half) + low


def _words(octets: list[int], word_bits: int, word_order: str) -> list[int]:
    """Return octets as words: of half an octet, high half first; of one; or of several in the given order."""
    text = "".join(f"{octet:08b}" for octet in octets)
    text += "0" * (-len(text) % word_bits)
    words = [text[at : at + word_bits] for at in range(0, len(text), word_bits)]
    if word_order == "low octet first" and word_bits > 8:
        words = [_reverse_octets(word) for word in words]
    return [int(word, 2) for word in words]


def _one_sum(words: list[int], parameters: Parameters) -> int:
    """Return one sum: the carry out of the width is dropped, or added back (ones' complement)."""
    limit = 1 << int(parameters["width"])
    total = 0
    for word in words:
        total += word
        while total >= limit:
            total = total - limit + (1 if parameters["end_around"] else 0)
    if parameters["final"] == "inverted":
        return limit - 1 - total
    return (limit - total) % limit if parameters["final"] == "negated" else total


def _balance(first: int, second: int, modulus: int) -> tuple[int, int]:
    """Return the two check words that bring both sums to zero when they follow the data, the later first.

    They are looked for, not worked out: with a and then b behind the data, the first sum ends at
    first + a + b, which settles b, and the second at second + (first + a) + (first + a + b). Zero is sent as
    the modulus, which counts the same (ISO 8473 keeps zero octets for "no check here"; from memory).
    """
    for a in range(1, modulus + 1):
        b = (-first - a) % modulus or modulus
        if (second + first + a) % modulus == 0:
            return b, a
    raise AssertionError("one of all residues fits")
