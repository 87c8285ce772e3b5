"""What one field means: from the declared model to the width, the exact transform and the codes of a slot, wherever it may sit.

Two ways of declaring end in one meaning. By meaning (minimum, maximum, and resolution or bits) the codes count up from the minimum;
by wire (bits, signed, scale, offset) they are what the format says. Faults are noted on the resolver's list; a field with one yields None.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import pairwise
from math import lcm
from typing import Any

from packetkit.integrity.algorithm import Algorithm
from packetkit.layout import number
from packetkit.layout.model import Ieee, Linear, Range, Role, Slot, Special
from packetkit.schema.model import Codes, Field, Place
from packetkit.schema.text import format_number, shown

# The quiet NaN that is sent: positive, payload zero (WIRE.md 9).
QUIET_NAN = {16: 0x7E00, 32: 0x7FC00000, 64: 0x7FF8000000000000}

Note = Callable[[Place, str, str, str], None]  # place, rule, summary, remedy


@dataclass(frozen=True, slots=True)
class Meaning:
    """A slot without its place: everything about a field that its neighbours do not decide."""

    width: int
    slot: dict[str, Any] = field(default_factory=dict)

    def place(self, **where: Any) -> Slot:
        """The slot at its place."""
        return Slot(width=self.width, **self.slot, **where)


def is_by_meaning(one: Field) -> bool:
    """True where a number's codes are counted up from its minimum."""
    wire = one.scale is not None or one.offset is not None or one.signed is not None
    return one.kind == "number" and one.minimum is not None and one.maximum is not None and not wire


def linear(scale: Fraction, offset: Fraction) -> Linear:
    """The transform value = offset + scale * raw, in lowest terms.

    >>> linear(Fraction(1, 10), Fraction(-40))
    Linear(numerator=1, base=-400, denominator=10)
    """
    denominator = lcm(scale.denominator, offset.denominator)
    return Linear(int(scale * denominator), int(offset * denominator), denominator)


def meaning(one: Field, note: Note, algorithm: Algorithm | None = None) -> Meaning | None:
    """The meaning of a field that has bits, or None where a problem was noted.

    algorithm: a check's, found by the caller.
    """
    made = _READERS[one.kind](one, note, algorithm)
    if made is None:
        return None
    common = {
        "kind": one.kind,
        "unit": one.unit,
        "description": " ".join(one.description.split()),
        "named": one.named,
    }
    return Meaning(made.width, {**made.slot, **common, "line": one.place.position.line})


# -- numbers ---------------------------------------------------------------------------------------------------------


def _number(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    by_meaning = is_by_meaning(one)
    if not _declared_one_way(one, by_meaning, note):
        return None
    base = _by_meaning(one, note) if by_meaning else _by_wire(one, note)
    if base is None:
        return None
    width, transform, signed, bounds = base
    slot = Slot(0, (), one.name, "number", 0, width, signed=signed, transform=transform)
    top = bounds.high if by_meaning else None
    specials = _specials(one, slot, note, top)
    if specials is None:
        return None
    legal = _without(bounds, specials)
    if not legal:
        note(
            one.place,
            "no-legal-code",
            "every code in its range is reserved",
            "Widen the range or reserve fewer codes.",
        )
        return None
    slot = replace(
        slot, legal=legal, specials=specials, unassigned=by_meaning, policy=one.out_of_range or "error"
    )
    if not number.roundtrips(slot):
        step = format_number(abs(transform.scale))
        text = f"with {width} bits and a step of {step}, two codes share one double"
        note(
            _at(one, "bits", "scale", "resolution"),
            "not-exact",
            text,
            "Use fewer bits, a coarser step, or a scale of 1 and a smaller unit.",
        )
        return None
    return _with_policy(one, slot, note)


def _declared_one_way(one: Field, by_meaning: bool, note: Note) -> bool:
    wire_keys = [key for key in ("signed", "scale", "offset") if getattr(one, key) is not None]
    if one.resolution is not None and wire_keys:
        text = f"resolution is by meaning, {' and '.join(wire_keys)} by wire"
        note(
            _at(one, "resolution"),
            "both-ways",
            text,
            "Drop resolution, or drop the others and keep minimum, maximum and resolution.",
        )
        return False
    ends = [key for key in ("minimum", "maximum") if getattr(one, key) is not None]
    if not wire_keys and not by_meaning and (ends or one.resolution is not None):
        lacks = " and ".join(key for key in ("minimum", "maximum") if key not in ends)
        remedy = (
            "Add it, or say scale: 1 if the bits hold the number itself."
            if ends
            else "Add both, or say scale instead of resolution."
        )
        note(_at(one, *ends, "resolution"), "half-a-range", f"{lacks} is not said", remedy)
        return False
    if not by_meaning and one.bits is None:
        note(
            one.place, "step-unknown", "its size is not said", "Say bits, or minimum, maximum and resolution."
        )
        return False
    return True


_Base = tuple[int, Linear, bool, Range]


def _by_meaning(one: Field, note: Note) -> _Base | None:
    """Width, transform and bounds of a number declared by its range: raw 0 is the minimum (WIRE.md 6)."""
    assert one.minimum is not None and one.maximum is not None
    low, high = one.minimum, one.maximum
    span = high - low
    if span <= 0:
        text = f"maximum {format_number(high)} is not above minimum {format_number(low)}"
        note(_at(one, "maximum", "minimum"), "range-order", text, "Swap them, or widen the range.")
        return None
    listed = one.missing if isinstance(one.missing, tuple) else ()
    reserved = 1 if one.missing is True else sum(codes.high - codes.low + 1 for codes in listed)
    if one.resolution is not None:
        steps = span / one.resolution
        if steps.denominator != 1:
            _not_whole(one, low, steps, note)
            return None
        n = steps.numerator
    elif one.bits is not None:
        n = (1 << one.bits) - 1 - reserved
        if n < 1:
            text = f"{one.bits} bits hold {1 << one.bits} codes, {reserved} of them reserved: no step is left"
            note(_at(one, "bits"), "range-does-not-fit", text, "Use more bits.")
            return None
    else:
        text = "neither resolution nor bits is said"
        note(
            one.place,
            "step-unknown",
            text,
            "Add resolution: the step that matters to you. The tool works out the bits.",
        )
        return None
    if (width := _width(one, n, listed, note)) is None:
        return None
    return width, linear(span / n, low), False, Range(0, n)


def _not_whole(one: Field, low: Fraction, steps: Fraction, note: Note) -> None:
    assert one.resolution is not None and one.maximum is not None
    whole = steps.numerator // steps.denominator
    near = [format_number(low + one.resolution * k) for k in (whole, whole + 1) if k > 0]
    text = f"{format_number(one.maximum)} is not a whole number of steps of {format_number(one.resolution)} above {format_number(low)}"
    note(_at(one, "maximum", "resolution"), "range-not-whole", text, f"Use maximum: {' or '.join(near)}.")


def _width(one: Field, n: int, listed: tuple[Codes, ...], note: Note) -> int | None:
    """The bits that hold codes 0 to n and every special code; True reserves all ones, so it must lie above n."""
    top = max(
        [n, *(codes.high for codes in listed), *(c for c in (one.at_least, one.at_most) if c is not None)]
    )
    needed = max(top.bit_length(), 1)
    if one.missing is True and (1 << needed) - 1 == n:
        needed += 1
    if needed > 64:
        note(
            _at(one, "resolution", "maximum"),
            "range-too-wide",
            f"its {n + 1} steps need {needed} bits",
            "Use a coarser resolution.",
        )
        return None
    if one.bits is None:
        return needed
    if one.bits < needed:
        assert one.minimum is not None and one.maximum is not None
        step = (one.maximum - one.minimum) / n
        reach = one.minimum + step * ((1 << one.bits) - 1 - (1 if one.missing is True else 0))
        text = f"{one.bits} bits cannot hold {n + 1} steps" + (
            " and the reserved codes" if top > n or one.missing else ""
        )
        remedy = f"One step is {format_number(step)}, so {one.bits} bits reach {format_number(reach)}. Use bits: {needed} or a coarser resolution."
        note(_at(one, "bits"), "range-does-not-fit", text, remedy)
        return None
    return one.bits


def _by_wire(one: Field, note: Note) -> _Base | None:
    """Width, transform and bounds of a number declared as the format has it; bounds are compared after rounding (WIRE.md 10)."""
    assert one.bits is not None
    scale = Fraction(1) if one.scale is None else one.scale
    if scale == 0:
        note(
            _at(one, "scale"),
            "scale-zero",
            "scale is 0: every code would be the same value",
            "Write the value of one step.",
        )
        return None
    if one.minimum is not None and one.maximum is not None and one.maximum <= one.minimum:
        text = f"maximum {format_number(one.maximum)} is not above minimum {format_number(one.minimum)}"
        note(_at(one, "maximum"), "range-order", text, "Swap them, or widen the range.")
        return None
    transform = linear(scale, one.offset or Fraction(0))
    signed = bool(one.signed)
    low, high = Slot(0, (), "", "number", 0, one.bits, signed=signed).raw_limits
    ends = {"minimum": one.minimum, "maximum": one.maximum}
    raws = {key: number.round_raw(transform, end) for key, end in ends.items() if end is not None}
    for key, raw in raws.items():
        if not low <= raw <= high:
            _unreachable(one, key, transform, low, high, note)
            return None
    if scale < 0:
        raws = {("maximum" if key == "minimum" else "minimum"): raw for key, raw in raws.items()}
    return one.bits, transform, signed, Range(raws.get("minimum", low), raws.get("maximum", high))


def _unreachable(one: Field, key: str, transform: Linear, low: int, high: int, note: Note) -> None:
    bound = getattr(one, key)
    ends = sorted((transform.offset + transform.scale * low, transform.offset + transform.scale * high))
    reach = ends[0] if key == "minimum" else ends[1]
    unit = f" {one.unit}" if one.unit else ""
    text = f"{one.bits} bits cannot reach {key} {format_number(bound)}{unit}"
    more = _bits_reaching(one, transform, bound)
    remedy = f"One step is {format_number(abs(transform.scale))}{unit}, so {one.bits} bits reach {format_number(reach)}{unit}."
    note(
        _at(one, "bits"),
        "bound-unreachable",
        text,
        remedy + (f" Use bits: {more}." if more else " Check offset, scale and signed."),
    )


def _bits_reaching(one: Field, transform: Linear, bound: Fraction) -> int | None:
    raw = number.round_raw(transform, bound)
    for bits in range((one.bits or 0) + 1, 65):
        low, high = Slot(0, (), "", "number", 0, bits, signed=bool(one.signed)).raw_limits
        if low <= raw <= high:
            return bits
    return None


def _with_policy(one: Field, slot: Slot, note: Note) -> Meaning | None:
    """The meaning with what happens out of range, the default and the role; each checked."""
    good = True
    if one.out_of_range == "missing" and slot.missing_code is None:
        text = "out_of_range: missing needs a code that means missing"
        note(
            _at(one, "out_of_range"), "missing-undeclared", text, "Add missing: true, or use error or clamp."
        )
        good = False
    if one.flag is not None and one.out_of_range != "clamp":
        note(
            _at(one, "flag"),
            "flag-without-clamp",
            "flag is raised by clamping, and this field does not clamp",
            "Add out_of_range: clamp.",
        )
        good = False
    default = _default(one, slot, note)
    role = _role(one, slot, note)
    if not good or default is False or role is False:
        return None
    kept = {
        name: getattr(slot, name)
        for name in ("signed", "transform", "legal", "specials", "unassigned", "policy", "states")
    }
    ends = {"minimum": one.minimum, "maximum": one.maximum, "by_meaning": is_by_meaning(one)}
    return Meaning(slot.width, {**kept, **ends, "default": default, "role": role})


def _default(one: Field, slot: Slot, note: Note) -> int | bool | None:
    """The raw code of the default; None without one; False where it cannot be sent."""
    if one.default is None:
        return None
    raw: int | None = None
    if one.kind == "flag":
        raw = int(one.default) if isinstance(one.default, bool) else None
    elif one.kind == "states":
        raw = next(
            (code for code, name in slot.states if one.default in (name, code) and one.default is not True),
            None,
        )
    elif not isinstance(one.default, bool):
        outcome = number.to_raw(slot, one.default)
        raw = outcome.raw if outcome.fault is None and not outcome.clamped else None
    if raw is None:
        shown_default = (
            shown(str(one.default)) if isinstance(one.default, str) else format_number(Fraction(one.default))
        )
        text = f"the default {shown_default} is not a value of this field"
        note(
            _at(one, "default"),
            "default-unfit",
            text,
            "Use a value inside its range, one of its states, or true or false.",
        )
        return False
    return raw


def _role(one: Field, slot: Slot, note: Note) -> Role | bool | None:
    """The role with its details; None without one; False where they do not fit."""
    details = {"modulus": ("sequence", "boot"), "tick_s": ("clock",), "epoch": ("clock",)}
    good = True
    for key, roles in details.items():
        if getattr(one, key) is not None and one.role not in roles:
            belongs = " or ".join(f"role: {role}" for role in roles)
            note(_at(one, key), "role-unfit", f"{key} goes with {belongs}", f"Add {belongs}, or drop {key}.")
            good = False
    if one.role is None or not good:
        return None if good else False
    modulus = one.modulus
    if one.role in ("sequence", "boot"):
        limit = 1 << slot.width
        if modulus is not None and not 2 <= modulus <= limit:
            note(
                _at(one, "modulus"),
                "modulus-unfit",
                f"a modulus of {modulus} with {slot.width} bits",
                f"Use 2 to {limit}.",
            )
            return False
        whole = isinstance(slot.transform, Linear) and slot.transform.is_identity and not slot.signed
        if not whole:
            note(
                _at(one, "role"),
                "role-unfit",
                f"a {one.role} counter is an unsigned whole number without scale",
                "Say bits alone.",
            )
            return False
        modulus = modulus or limit
    return Role(one.role, modulus, one.tick_s, one.epoch)


# -- specials ---------------------------------------------------------------------------------------------------------


def _specials(one: Field, slot: Slot, note: Note, top: int | None) -> tuple[Special, ...] | None:
    """The codes with a meaning of their own, ascending by declaration; None where one is amiss.

    top: the last step of a range by meaning, above which its missing codes must lie.
    """
    found: list[tuple[Special, str]] = []
    if one.missing is True:
        code = _usual_missing(slot)
        found.append((Special(code, code, "missing"), "missing"))
    elif one.missing:
        found += [(Special(c.low, c.high, "missing", c.reason), "missing") for c in one.missing]
    for key in ("at_least", "at_most"):
        code = getattr(one, key)
        if code is not None:
            found.append((Special(code, code, key), key))
    made: list[Special] = []
    for special, key in found:
        fitted = _fitted(special, slot)
        if fitted is None:
            low, high = slot.raw_limits
            text = f"code {special.low if special.low < low else special.high} does not fit {slot.width} bits"
            note(_at(one, key), "code-too-large", text, f"Use a code from {low} to {high}.")
            return None
        if key == "missing" and top is not None and fitted.low <= top:
            value = (
                format_number(slot.transform.offset + slot.transform.scale * fitted.low)
                if isinstance(slot.transform, Linear)
                else ""
            )
            text = f"code {fitted.low} already means {value}"
            note(_at(one, key), "code-in-range", text, f"Use a code above {top}, or missing: true.")
            return None
        clash = next((other for other in made if other.low <= fitted.high and fitted.low <= other.high), None)
        if clash is not None:
            text = f"code {max(fitted.low, clash.low)} has two meanings"
            note(_at(one, key), "codes-overlap", text, "Give each code one meaning.")
            return None
        made.append(fitted)
    return tuple(made)


def _usual_missing(slot: Slot) -> int:
    if isinstance(slot.transform, Ieee):
        return QUIET_NAN[slot.width]
    low, high = slot.raw_limits
    return low if slot.signed else high


def _fitted(special: Special, slot: Slot) -> Special | None:
    """The special with its codes as raw numbers of the slot; a signed field's code may be written as its bit pattern."""
    low, high = slot.raw_limits
    wrap = 1 << slot.width
    if slot.signed and special.low > high and special.high < wrap:
        return replace(special, low=special.low - wrap, high=special.high - wrap)
    return special if low <= special.low and special.high <= high else None


def _without(bounds: Range, specials: tuple[Special, ...]) -> tuple[Range, ...]:
    """The raw codes of `bounds` that no special code takes."""
    pieces = [bounds]
    for special in specials:
        pieces = [
            part
            for piece in pieces
            for part in (
                Range(piece.low, min(piece.high, special.low - 1)),
                Range(max(piece.low, special.high + 1), piece.high),
            )
            if part.low <= part.high
        ]
    return tuple(sorted(set(pieces), key=lambda piece: piece.low))


# -- the other kinds -----------------------------------------------------------------------------------------------------


def _float(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    assert one.bits is not None
    if one.minimum is not None and one.maximum is not None and one.maximum <= one.minimum:
        note(
            _at(one, "maximum"),
            "range-order",
            "maximum is not above minimum",
            "Swap them, or widen the range.",
        )
        return None
    for key in ("minimum", "maximum"):
        bound = getattr(one, key)
        if bound is not None and not number.ieee_is_finite(one.bits, bound):
            text = f"{one.bits} bits cannot reach {key} {format_number(bound)}"
            note(_at(one, key), "bound-unreachable", text, "Use more bits or a nearer bound.")
            return None
    slot = Slot(
        0, (), one.name, "float", 0, one.bits, transform=Ieee(one.bits), policy=one.out_of_range or "error"
    )
    slot = replace(slot, minimum=one.minimum, maximum=one.maximum)
    specials = _specials(one, slot, note, None)
    return None if specials is None else _with_policy(one, replace(slot, specials=specials), note)


def _states(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    assert one.bits is not None
    slot = Slot(0, (), one.name, "states", 0, one.bits, states=one.states)
    top = (1 << one.bits) - 1
    for code, label in one.states:
        if not 0 <= code <= top:
            text = f"state {shown(label)} has code {code}, and {one.bits} bits hold 0 to {top}"
            note(_at(one, "states"), "code-too-large", text, "Use more bits or a smaller code.")
            return None
    specials = _specials(one, slot, note, None)
    if specials is None:
        return None
    for special in specials:
        taken = next((label for code, label in one.states if special.low <= code <= special.high), None)
        if taken is not None:
            text = f"code {special.low} is both missing and the state {shown(taken)}"
            note(_at(one, "missing"), "codes-overlap", text, "Give each code one meaning.")
            return None
    return _with_policy(one, replace(slot, specials=specials, legal=_without(Range(0, top), specials)), note)


def _flag(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    slot = Slot(0, (), one.name, "flag", 0, 1, legal=(Range(0, 1),))
    return _with_policy(one, slot, note)


def _coded(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    """A constant, a sync marker or a tag."""
    assert one.bits is not None
    top = (1 << one.bits) - 1
    for codes in one.code:
        if codes.low < 0 or codes.high > top:
            bad = codes.low if codes.low < 0 else codes.high
            note(
                _at(one, "code"),
                "code-too-large",
                f"code {bad:#x} does not fit {one.bits} bits",
                f"Use 0 to {top:#x}, or more bits.",
            )
            return None
    codes_of = sorted((Range(codes.low, codes.high) for codes in one.code), key=lambda codes: codes.low)
    for first, second in pairwise(codes_of):
        if second.low <= first.high:
            note(
                _at(one, "code"), "codes-overlap", f"code {second.low} is there twice", "Name each code once."
            )
            return None
    if one.kind != "tag" and (len(codes_of) > 1 or codes_of[0].low != codes_of[0].high):
        note(
            _at(one, "code"),
            "codes-overlap",
            f"a {one.kind} has one code",
            "Use kind: tag where several codes are allowed.",
        )
        return None
    role = _role(one, Slot(0, (), one.name, one.kind, 0, one.bits), note)
    return None if role is False else Meaning(one.bits, {"codes": tuple(codes_of), "role": role})


def _count(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    assert one.bits is not None
    top = (1 << one.bits) - 1
    if one.maximum is not None and (one.maximum.denominator != 1 or not 1 <= one.maximum <= top):
        text = f"a count of {one.bits} bits cannot have the maximum {format_number(one.maximum)}"
        note(_at(one, "maximum"), "count-too-large", text, f"Use a whole number from 1 to {top}.")
        return None
    return Meaning(one.bits, {"maximum_count": None if one.maximum is None else int(one.maximum)})


def _reserved(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    if (one.bits is None) == (one.up_to is None):
        text = "says both bits and up_to" if one.bits is not None else "its size is not said"
        note(one.place, "reserved-size", text, "Say bits: n, or up_to: byte, word_16 or word_32.")
        return None
    return Meaning(one.bits or 0)


def _check(one: Field, note: Note, algorithm: Algorithm | None) -> Meaning | None:
    if algorithm is None:
        return None
    if one.bits is not None and one.bits != algorithm.width:
        text = f"{algorithm.name} has {algorithm.width} bits, not {one.bits}"
        note(_at(one, "bits"), "bad-bits", text, f"Drop bits, or write bits: {algorithm.width}.")
        return None
    return Meaning(algorithm.width, {})


_READERS: dict[str, Callable[[Field, Note, Algorithm | None], Meaning | None]] = {
    "number": _number,
    "float": _float,
    "states": _states,
    "flag": _flag,
    "constant": _coded,
    "sync": _coded,
    "tag": _coded,
    "count": _count,
    "reserved": _reserved,
    "check": _check,
}


def _at(one: Field, *keys: str) -> Place:
    """The place of the first of these keys that was written, else the field's."""
    return next((one.places[key] for key in keys if key in one.places), one.place)
