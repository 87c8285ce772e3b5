"""What one field means: from the declared model to the width, the exact transform and the codes of a slot, wherever it may sit.

Two ways of declaring end in one meaning. By meaning (minimum, maximum, and resolution or bits) the codes count up from the minimum;
by wire (bits, signed, scale, offset) they are what the format says. Faults are noted on the resolver's list; a field with one yields None.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import pairwise
from math import lcm
from typing import Any

from packetkit.integrity.algorithm import Algorithm
from packetkit.layout import bundle, chosen, curved, number, timed
from packetkit.layout.calibration import calibrations_of
from packetkit.layout.coding import CODINGS
from packetkit.layout.ieee import QUIET_NAN, ieee_is_finite
from packetkit.layout.limits import limits_of
from packetkit.layout.model import Digits, Ieee, Linear, Range, Role, Slot, Special
from packetkit.layout.roundtrip import roundtrips
from packetkit.schema.model import Codes, Field, Place, ScaleBy
from packetkit.schema.text import format_number, shown

MOST_LESS = 65_535  # as many units as the longest frame has bytes

Note = Callable[[Place, str, str, str], None]  # place, rule, summary, remedy

_WIRE_KEYS = ("signed", "coding", "scale", "offset", "curve")  # any of these: the number is declared by wire
# Reserved codes of a coding are turned into the numbers they spell one by one.
_MOST_RESERVED = 1024


@dataclass(frozen=True, slots=True)
class Meaning:
    """A slot without its place: everything about a field that its neighbours do not decide."""

    width: int
    slot: dict[str, Any] = field(default_factory=dict)

    def place(self, **where: Any) -> Slot:
        """The slot at its place."""
        return Slot(width=self.width, **{**self.slot, **where})


def is_by_meaning(one: Field) -> bool:
    """True where a number's codes are counted up from its minimum."""
    wire = any(getattr(one, key) is not None for key in _WIRE_KEYS)
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
        "part": one.part,
    }
    return Meaning(made.width, {**made.slot, **common, "line": one.place.position.line})


# -- numbers ---------------------------------------------------------------------------------------------------------


def _number(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    if one.scale_by is not None:
        return _chosen(one, one.scale_by, note)
    by_meaning = is_by_meaning(one)
    if not _declared_one_way(one, by_meaning, note):
        return None
    if one.curve is not None:
        return _curved(one, note)
    base = _by_meaning(one, note) if by_meaning else _by_wire(one, note)
    if base is None:
        return None
    width, transform, signed, bounds = base
    coding = one.coding or ""
    slot = Slot(0, (), one.name, "number", 0, width, signed=signed, coding=coding, transform=transform)
    top = bounds.high if by_meaning else None
    specials = _specials(one, slot, note, top)
    if specials is None:
        return None
    legal = _without(bounds, _as_numbers(slot, specials))
    if not legal:
        text = f"all {_whole(bounds.high - bounds.low + 1)} codes of its range are reserved"
        note(one.place, "no-legal-code", text, "Widen the range, or reserve fewer codes.")
        return None
    assigned = sum(codes.high - codes.low + 1 for codes in legal)
    assigned += sum(codes.high - codes.low + 1 for codes in specials)
    slot = replace(
        slot,
        legal=legal,
        specials=specials,
        unassigned=by_meaning and assigned < 1 << width,
        policy=one.out_of_range or "error",
    )
    if not roundtrips(slot):
        step = format_number(abs(transform.scale))
        text = f"{width} bits in steps of {step} are finer than a double-precision number tells apart"
        remedy = "Use fewer bits, a coarser step, or whole steps of a smaller unit."
        note(_at(one, "bits", "scale", "resolution"), "not-exact", text, remedy)
        return None
    return _with_policy(one, slot, note)


def _declared_one_way(one: Field, by_meaning: bool, note: Note) -> bool:
    wire_keys = [key for key in _WIRE_KEYS if getattr(one, key) is not None]
    if one.resolution is not None and wire_keys:
        means = "resolution" if "resolution" in one.places else f"the preset {one.preset}"
        text = f"{means} and {' and '.join(wire_keys)} both say how codes become values"
        remedy = (
            f"Keep {'minimum, maximum and resolution' if means == 'resolution' else 'the preset'} "
            "(the bits are worked out), or bits, signed, scale and offset (a format is given)."
        )
        note(_at(one, "resolution", "preset"), "both-ways", text, remedy)
        return False
    ends = [key for key in ("minimum", "maximum") if getattr(one, key) is not None]
    if not wire_keys and not by_meaning and (ends or one.resolution is not None):
        lacks = " and ".join(key for key in ("minimum", "maximum") if key not in ends)
        remedy = (
            f"Add {lacks}, or add scale: 1 if the bits hold the number itself."
            if ends
            else "Add both, or write scale instead of resolution."
        )
        note(
            _at(one, *ends, "resolution"),
            "half-a-range",
            f"{(*ends, 'resolution')[0]} is given without {lacks}",
            remedy,
        )
        return False
    if not by_meaning and one.bits is None:
        text, remedy = "nothing says its size", "Add bits, or minimum, maximum and resolution."
        note(one.place, "step-unknown", text, remedy)
        return False
    return True


_Base = tuple[int, Linear, bool, Range]


def _by_meaning(one: Field, note: Note) -> _Base | None:
    """Width, transform and bounds of a number declared by its range: raw 0 is the minimum (WIRE.md 6)."""
    assert one.minimum is not None and one.maximum is not None
    low, high = one.minimum, one.maximum
    span = high - low
    if span <= 0:
        _not_above(one, note)
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
            total = 1 << one.bits
            text = f"{_bits(one.bits)}: {total} codes, {_whole(reserved)} of them reserved, leave no step between values"
            note(
                _at(one, "bits"),
                "range-does-not-fit",
                text,
                f"Use bits: {(reserved + 1).bit_length()}, or more.",
            )
            return None
    else:
        remedy = "Add resolution: the smallest step that matters to you; the bits are worked out."
        note(one.place, "step-unknown", "neither resolution nor bits says the step", remedy)
        return None
    if (width := _width(one, n, listed, note)) is None:
        return None
    return width, linear(span / n, low), False, Range(0, n)


def _not_whole(one: Field, low: Fraction, steps: Fraction, note: Note) -> None:
    assert one.resolution is not None and one.maximum is not None
    whole = steps.numerator // steps.denominator
    near = [format_number(low + one.resolution * k) for k in (whole, whole + 1) if k > 0]
    text = (
        f"maximum {format_number(one.maximum)} is not a whole number of steps of {format_number(one.resolution)} "
        f"above {format_number(low)}"
    )
    note(_at(one, "maximum", "resolution"), "range-not-whole", text, f"Use maximum: {' or '.join(near)}.")


def _width(one: Field, n: int, listed: tuple[Codes, ...], note: Note) -> int | None:
    """The bits that hold codes 0 to n and every special code; True reserves all ones, so no other code is that."""
    missing = max((codes.high for codes in listed), default=0)
    tops = {"missing": missing, "at_least": one.at_least or 0, "at_most": one.at_most or 0}
    for key, code in tops.items():
        if code >= 1 << 64:
            text = f"code {_whole(code)} needs more than 64 bits"
            note(_at(one, key), "code-too-large", text, "Use a smaller code.")
            return None
    top = max(n, *tops.values())
    needed = max(top.bit_length(), 1)
    if one.missing is True and (1 << needed) - 1 == top:
        needed += 1
    if needed > 64:
        text = f"its {_whole(n + 1)} codes need {needed} bits, and 64 is the most"
        note(_at(one, "resolution", "maximum"), "range-too-wide", text, "Use a coarser resolution.")
        return None
    if one.bits is None or one.bits >= needed:
        return one.bits or needed
    assert one.minimum is not None and one.maximum is not None
    step, unit = (one.maximum - one.minimum) / n, f" {one.unit}" if one.unit else ""
    reach = one.minimum + step * ((1 << one.bits) - 1 - (1 if one.missing is True else 0))
    reserved = " and its reserved codes" if top > n or one.missing else ""
    text = f"{_bits(one.bits)} cannot hold its {_whole(n + 1)} values{reserved}"
    remedy = (
        f"One step is {format_number(step)}{unit}, so {_bits(one.bits)} reach {format_number(reach)}{unit}. "
        f"Use bits: {needed}, or a coarser resolution."
    )
    note(_at(one, "bits"), "range-does-not-fit", text, remedy)
    return None


def _not_above(one: Field, note: Note) -> None:
    assert one.minimum is not None and one.maximum is not None
    text = f"maximum {format_number(one.maximum)} is not above minimum {format_number(one.minimum)}"
    remedy = "Swap minimum and maximum." if one.maximum < one.minimum else "Widen the range."
    note(_at(one, "maximum", "minimum"), "range-order", text, remedy)


def _by_wire(one: Field, note: Note) -> _Base | None:
    """Width, transform and bounds of a number declared as the format has it; bounds are compared after rounding (WIRE.md 10)."""
    assert one.bits is not None
    scale = Fraction(1) if one.scale is None else one.scale
    if scale == 0:
        text = "scale is 0, so every code would be the same value"
        note(_at(one, "scale"), "scale-zero", text, "Write the size of one step.")
        return None
    if one.minimum is not None and one.maximum is not None and one.maximum <= one.minimum:
        _not_above(one, note)
        return None
    if one.coding is not None and not _coding_fits(one, note):
        return None
    transform = linear(scale, one.offset or Fraction(0))
    signed, coding = bool(one.signed), one.coding or ""
    low, high = Slot(0, (), "", "number", 0, one.bits, signed=signed, coding=coding).number_limits
    ends = {"minimum": one.minimum, "maximum": one.maximum}
    raws = {key: number.round_raw(transform, end) for key, end in ends.items() if end is not None}
    for key, raw in raws.items():
        if not low <= raw <= high:
            _unreachable(one, key, transform, low, high, note)
            return None
    if scale < 0:
        raws = {("maximum" if key == "minimum" else "minimum"): raw for key, raw in raws.items()}
    return one.bits, transform, signed, Range(raws.get("minimum", low), raws.get("maximum", high))


def _curved(one: Field, note: Note) -> Meaning | None:
    """A number on a curve: the codes of its pieces are legal; a value can be encoded where the curve rises, or falls, throughout."""
    assert one.bits is not None and one.curve is not None
    if not curved.fits(one, note) or (one.coding is not None and not _coding_fits(one, note)):
        return None
    slot = Slot(0, (), one.name, "number", 0, one.bits, signed=bool(one.signed), coding=one.coding or "")
    curve = curved.declared(one, *slot.number_limits, note)
    if curve is None:
        return None
    slot = replace(slot, transform=curve)
    specials = _specials(one, slot, note, None)
    if specials is None:
        return None
    reserved = _as_numbers(slot, specials)
    whole: tuple[Range, ...] = merged(Range(piece.low, piece.high) for piece in curve.pieces)
    legal: tuple[Range, ...] = tuple(codes for span in whole for codes in _without(span, reserved))
    if not legal:
        note(one.place, "no-legal-code", "all codes of its curve are reserved", "Reserve fewer codes.")
        return None
    bounds = {special.meaning: special.low for special in specials if special.meaning != "missing"}
    ends = [legal[0].low, legal[-1].high, *bounds.values()]
    curve = curved.inverted(one, curve, (min(ends), max(ends)), bounds, note)
    if curve is None:
        return None
    assigned = sum(codes.high - codes.low + 1 for codes in legal)
    assigned += sum(codes.high - codes.low + 1 for codes in specials)
    unassigned = assigned < 1 << one.bits
    policy = one.out_of_range or "error"
    slot = replace(
        slot, transform=curve, legal=legal, specials=specials, unassigned=unassigned, policy=policy
    )
    if not roundtrips(slot):
        text = f"{_bits(one.bits)} on this curve are finer than a double-precision number tells apart"
        note(_at(one, "curve"), "not-exact", text, "Use fewer bits, or a steeper curve.")
        return None
    return _with_policy(one, slot, note)


def _chosen(one: Field, by: ScaleBy, note: Note) -> Meaning | None:
    """A number whose scale another field chooses; which slot that is, and which of its codes, the resolver says."""
    if not chosen.fits(one, note) or (one.coding is not None and not _coding_fits(one, note)):
        return None
    assert one.bits is not None
    transform = chosen.declared(by)
    slot = Slot(0, (), one.name, "number", 0, one.bits, signed=bool(one.signed), coding=one.coding or "")
    slot = replace(slot, transform=transform)
    specials = _specials(one, slot, note, None)
    if specials is None:
        return None
    legal = _without(Range(*slot.number_limits), _as_numbers(slot, specials))
    if not legal:
        note(one.place, "no-legal-code", "all codes of its bits are reserved", "Reserve fewer codes.")
        return None
    slot = replace(slot, legal=legal, specials=specials, policy=one.out_of_range or "error")
    for _, scale in transform.choices:
        if not roundtrips(replace(slot, transform=scale)):
            step = format_number(abs(scale.scale))
            text = (
                f"{_bits(one.bits)} in steps of {step} are finer than a double-precision number tells apart"
            )
            note(_at(one, "scale_by"), "not-exact", text, "Use fewer bits, or coarser scales.")
            return None
    return _with_policy(one, slot, note)


def _coding_fits(one: Field, note: Note) -> bool:
    """Whether a coding's bits hold a number, and nothing beside it says the same or what it cannot."""
    assert one.coding is not None and one.bits is not None
    coding = CODINGS[one.coding]
    reserved = (
        sum(codes.high - codes.low + 1 for codes in one.missing) if isinstance(one.missing, tuple) else 0
    )
    if one.bits < coding.least_bits:
        text = f"{coding.words} needs {_bits(coding.least_bits)}, a sign and a digit, and there is {_bits(one.bits)}"
        note(_at(one, "bits"), "coding-unfit", text, f"Use bits: {coding.least_bits}, or more.")
    elif one.signed is not None:
        text = f"signed is two's complement, and coding says {coding.words}"
        note(
            _at(one, "signed"),
            "coding-unfit",
            text,
            "Leave signed out; coding: sign_and_magnitude has a sign.",
        )
    elif one.at_least is not None or one.at_most is not None:
        key = "at_least" if one.at_least is not None else "at_most"
        text = f"{key} is a code on the number line, and codes in {coding.words} do not lie in its order"
        note(
            _at(one, key),
            "coding-unfit",
            text,
            f"Leave {key} out, or declare the code as missing with a reason.",
        )
    elif reserved > _MOST_RESERVED:
        text = f"{_whole(reserved)} missing codes in {coding.words}, and {_MOST_RESERVED} is the most"
        note(
            _at(one, "missing"),
            "coding-unfit",
            text,
            "Reserve fewer codes; a bad digit is no value by itself.",
        )
    else:
        return True
    return False


def _as_numbers(slot: Slot, specials: tuple[Special, ...]) -> tuple[Special, ...]:
    """The specials by the numbers that are sent as their codes; a code that spells none, or a second zero, takes none away."""
    if not slot.coding:
        return specials
    raws = (raw for one in specials for raw in range(one.low, one.high + 1))
    spelled = ((raw, slot.number_of(raw)) for raw in raws)
    return tuple(Special(n, n, "missing") for raw, n in spelled if n is not None and slot.code_of(n) == raw)


def _unreachable(one: Field, key: str, transform: Linear, low: int, high: int, note: Note) -> None:
    bound = getattr(one, key)
    ends = sorted((transform.offset + transform.scale * low, transform.offset + transform.scale * high))
    reach = ends[0] if key == "minimum" else ends[1]
    unit = f" {one.unit}" if one.unit else ""
    text = f"{_bits(one.bits or 0)} cannot reach {key} {format_number(bound)}{unit}"
    more = _bits_reaching(one, transform, bound)
    advice = f"Use bits: {more}, or a larger scale." if more else "Check offset, scale and signed."
    remedy = (
        f"One step is {format_number(abs(transform.scale))}{unit}, so {_bits(one.bits or 0)} reach "
        f"{format_number(reach)}{unit}. {advice}"
    )
    note(_at(one, "bits"), "bound-unreachable", text, remedy)


def _bits_reaching(one: Field, transform: Linear, bound: Fraction) -> int | None:
    raw = number.round_raw(transform, bound)
    for bits in range((one.bits or 0) + 1, 65):
        slot = Slot(0, (), "", "number", 0, bits, signed=bool(one.signed), coding=one.coding or "")
        low, high = slot.number_limits
        if low <= raw <= high:
            return bits
    return None


def _with_policy(one: Field, slot: Slot, note: Note) -> Meaning | None:
    """The meaning with what happens out of range, the default and the role; each checked."""
    good = True
    if one.out_of_range == "missing" and slot.missing_code is None:
        text = "a value out of range is to be sent as missing, and no code means missing"
        remedy = "Add missing: true, or write out_of_range: error or clamp."
        note(_at(one, "out_of_range"), "missing-undeclared", text, remedy)
        good = False
    if one.flag is not None and one.out_of_range != "clamp":
        text = "a flag is raised by clamping, and this field does not clamp"
        note(_at(one, "flag"), "flag-without-clamp", text, "Add out_of_range: clamp, or leave flag out.")
        good = False
    default = _default(one, slot, note)
    role = _role(one, slot, note)
    if not good or default is False or role is False:
        return None
    kept = {
        name: getattr(slot, name)
        for name in ("signed", "coding", "transform", "legal", "specials", "unassigned", "policy", "states")
    }
    ends = {"minimum": one.minimum, "maximum": one.maximum, "by_meaning": is_by_meaning(one)}
    curves = calibrations_of(one, note)
    limits = limits_of(one, note, _reach(replace(slot, minimum=one.minimum, maximum=one.maximum)))
    return Meaning(
        slot.width,
        {**kept, **ends, "default": default, "role": role, "limits": limits, "calibration": curves},
    )


def _reach(slot: Slot) -> tuple[Fraction | None, Fraction | None]:
    """The least and the greatest value that a slot can have, where they are bounded."""
    if not isinstance(slot.transform, Linear) or not slot.legal:
        return slot.minimum, slot.maximum
    bounds = [special.low for special in slot.specials if special.meaning != "missing"]
    raws = (slot.legal[0].low, slot.legal[-1].high, *bounds)
    values = [slot.transform.offset + slot.transform.scale * raw for raw in raws]
    return min(values), max(values)


def _default(one: Field, slot: Slot, note: Note) -> int | bool | None:
    """The raw code of the default; None without one; False where it cannot be sent."""
    if one.default is None:
        return None
    default, raw = one.default, None
    if one.kind == "flag":
        raw = int(default) if isinstance(default, bool) else None
        takes = "true or false"
    elif one.kind == "states":
        known = () if isinstance(default, bool) else slot.states
        raw = next((code for code, name in known if default in (name, code)), None)
        takes = f"one of {', '.join(name for _, name in slot.states)}"
    else:
        # By the strictest policy: a default is sent as it is written, neither clamped nor turned into missing.
        outcome = number.to_raw(replace(slot, policy="error"), default)
        raw = outcome.raw if outcome.fault is None else None
        takes = f"a number from {_ends(replace(slot, unit=one.unit))}"
        takes += ", less those whose codes are reserved" if slot.specials else ""
    if raw is None:
        written = format_number(default) if isinstance(default, Fraction) else shown(str(default).lower())
        text = f"the default {written} is not a value of this field"
        note(_at(one, "default"), "default-unfit", text, f"It takes {takes}.")
        return False
    return raw


def _ends(slot: Slot) -> str:
    """`-2 to 40 Cel`: the least and the greatest value of a number."""
    unit = f" {slot.unit}" if slot.unit else ""
    if not isinstance(slot.transform, Linear):
        low, high = number.value_limits(slot)
        return f"{low:g} to {high:g}{unit}"
    assert isinstance(slot.transform, Linear)
    raws = (slot.legal[0].low, slot.legal[-1].high)
    ends = sorted(slot.transform.offset + slot.transform.scale * raw for raw in raws)
    return f"{format_number(ends[0])} to {format_number(ends[1])}{unit}"


def _role(one: Field, slot: Slot, note: Note) -> Role | bool | None:
    """The role with its details; None without one; False where they do not fit."""
    details = {"modulus": ("sequence", "boot"), "tick_s": ("clock",), "epoch": ("clock",)}
    good = True
    for key, roles in details.items():
        if getattr(one, key) is not None and one.role not in roles:
            belongs = " or ".join(f"role: {role}" for role in roles)
            has = f"role: {one.role}" if one.role else "no role"
            text = f"{key} goes with {belongs}, and this field has {has}"
            note(_at(one, key), "role-unfit", text, f"Write {belongs}, or leave {key} out.")
            good = False
    if one.role is None or not good:
        return None if good else False
    modulus = one.modulus
    if one.role in ("sequence", "boot"):
        limit = 1 << slot.width
        whole = (
            isinstance(slot.transform, Linear)
            and slot.transform.is_identity
            and not slot.signed
            and not slot.coding
        )
        if not whole or one.kind != "number":
            text = f"a {one.role} counter is an unsigned whole number without scale or coding"
            note(_at(one, "role"), "role-unfit", text, "Write bits alone: {bits: 8, role: " + one.role + "}.")
            return False
        if modulus is not None and not 2 <= modulus <= limit:
            text = f"a counter of {_bits(slot.width)} cannot wrap at {_whole(modulus)}"
            note(_at(one, "modulus"), "modulus-unfit", text, f"Use 2 to {limit}, or more bits.")
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
        listed = enumerate(one.missing)
        found += [(Special(c.low, c.high, "missing", c.reason), f"missing.{i}") for i, c in listed]
    for key in ("at_least", "at_most"):
        code = getattr(one, key)
        if code is not None:
            found.append((Special(code, code, key), key))
    made: list[tuple[Special, str]] = []
    for special, key in found:
        fitted = _fitted(special, slot)
        if fitted is None:
            low, high = slot.raw_limits
            text = f"code {_whole(special.low if special.low < low else special.high)} does not fit {_bits(slot.width)}"
            note(_at(one, key, "missing"), "code-too-large", text, f"Use a code from {low} to {high}.")
            return None
        if special.meaning == "missing" and top is not None and fitted.low <= top:
            value = (
                format_number(slot.transform.offset + slot.transform.scale * fitted.low)
                if isinstance(slot.transform, Linear)
                else ""
            )
            unit = f" {one.unit}" if one.unit else ""
            text = f"code {fitted.low} already means {value}{unit}"
            note(
                _at(one, key, "missing"), "code-in-range", text, f"Use a code above {top}, or missing: true."
            )
            return None
        made.append((fitted, key))
    ascending = sorted(made, key=lambda pair: pair[0].low)
    for (first, _), (second, key) in pairwise(ascending):
        if second.low <= first.high:
            text = f"code {second.low} has two meanings"
            note(_at(one, key, "missing"), "codes-overlap", text, "Give each code one meaning.")
            return None
    return _adjacent(special for special, _ in made)


def _adjacent(specials: Iterable[Special]) -> tuple[Special, ...]:
    """The specials, those that go on where the one before them ends made one with it: [3, 4] is {from: 3, to: 4}."""
    made: list[Special] = []
    for special in specials:
        last = made[-1] if made else None
        if last and last.meaning == special.meaning == "missing" and last.reason == special.reason:
            if special.low == last.high + 1:
                made[-1] = replace(last, high=special.high)
                continue
        made.append(special)
    return tuple(made)


def merged(ranges: Iterable[Range]) -> tuple[Range, ...]:
    """The same codes as ascending, disjoint ranges, as few as there can be."""
    made: list[Range] = []
    for codes in sorted(ranges, key=_low):
        if made and codes.low <= made[-1].high + 1:
            made[-1] = Range(made[-1].low, max(made[-1].high, codes.high))
        else:
            made.append(codes)
    return tuple(made)


def _low(codes: Range) -> int:
    return codes.low


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
    pieces, low = [], bounds.low
    for special in sorted(specials, key=lambda special: special.low):
        pieces.append(Range(low, min(bounds.high, special.low - 1)))
        low = max(low, special.high + 1)
    pieces.append(Range(low, bounds.high))
    return tuple(piece for piece in pieces if piece.low <= piece.high)


# -- the other kinds -----------------------------------------------------------------------------------------------------


def _float(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    assert one.bits is not None
    if one.minimum is not None and one.maximum is not None and one.maximum <= one.minimum:
        _not_above(one, note)
        return None
    for key in ("minimum", "maximum"):
        bound = getattr(one, key)
        if bound is not None and not ieee_is_finite(one.bits, bound):
            slot = Slot(0, (), "", "float", 0, one.bits, transform=Ieee(one.bits))
            text = f"an IEEE number of {one.bits} bits cannot reach {key} {format_number(bound)}"
            remedy = f"It holds {_ends(slot)}. Use {'more bits, or ' if one.bits < 64 else ''}a nearer bound."
            note(_at(one, key), "bound-unreachable", text, remedy)
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
            text = f"the state {shown(label)} has code {_whole(code)}, and {_bits(one.bits)} hold 0 to {top}"
            remedy = (
                f"Use bits: {code.bit_length()}, or a smaller code."
                if 0 < code < 1 << 64
                else "Use another code."
            )
            note(_at(one, f"states:{code}", "states"), "code-too-large", text, remedy)
            return None
    specials = _specials(one, slot, note, None)
    if specials is None:
        return None
    codes = [code for code, _ in one.states]  # ascending
    for special in specials:
        at = bisect_left(codes, special.low)
        if at < len(codes) and codes[at] <= special.high:
            code, label = one.states[at]
            text = f"code {code} is both missing and the state {shown(label)}"
            note(_at(one, "missing"), "codes-overlap", text, "Use more bits, or give each code one meaning.")
            return None
    return _with_policy(one, replace(slot, specials=specials, legal=_without(Range(0, top), specials)), note)


def _time(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    clock = timed.clock_of(one, note)
    if clock is None or one.bits is None:
        return None
    slot = Slot(0, (), one.name, "time", 0, one.bits, clock=clock)
    specials = _specials(one, slot, note, None)
    if specials is None:
        return None
    legal = _without(Range(0, (1 << one.bits) - 1), specials)
    if not legal:
        note(one.place, "no-legal-code", "all its codes are reserved", "Reserve fewer codes.")
        return None
    return Meaning(one.bits, {"clock": clock, "specials": specials, "legal": legal})


def _bundle(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    """Samples of a number, which is judged as one by itself is."""
    single = _number(replace(one, kind="number", bundle=None), note, None)
    if single is None:
        return None
    meant = {key: value for key, value in single.slot.items() if key not in ("limits", "calibration")}
    sample = Slot(0, (), one.name, "number", 0, single.width, unit=one.unit, **meant)
    made = bundle.declared(one, sample, note)
    return None if made is None else Meaning(made.bits, {"transform": made, "policy": sample.policy})


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
            text = f"code {_hex(bad)} does not fit {_bits(one.bits)}"
            note(_at(one, "code"), "code-too-large", text, f"Use a code from 0 to {top:#x}, or more bits.")
            return None
    codes_of = sorted((Range(codes.low, codes.high) for codes in one.code), key=_low)
    for first, second in pairwise(codes_of):
        if second.low <= first.high:
            text = f"code {_hex(second.low)} is there twice"
            note(_at(one, "code"), "codes-overlap", text, "Name each code once.")
            return None
    if one.kind != "tag" and (len(codes_of) > 1 or codes_of[0].low != codes_of[0].high):
        amount = sum(codes.high - codes.low + 1 for codes in codes_of)
        text = f"a {one.kind} has one code, not {_whole(amount)}"
        note(_at(one, "code"), "one-code", text, "Use kind: tag where several codes are allowed.")
        return None
    role = _role(one, Slot(0, (), one.name, one.kind, 0, one.bits), note)
    return None if role is False else Meaning(one.bits, {"codes": merged(codes_of), "role": role})


def _count(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    assert one.bits is not None
    top = (1 << one.bits) - 1
    if one.maximum is not None and (one.maximum.denominator != 1 or not 1 <= one.maximum <= top):
        text = f"a count of {_bits(one.bits)} cannot have the maximum {format_number(one.maximum)}"
        note(_at(one, "maximum"), "count-too-large", text, f"Use a whole number from 1 to {top}.")
        return None
    return Meaning(one.bits, {"maximum_count": None if one.maximum is None else int(one.maximum)})


def _length(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    assert one.bits is not None
    if abs(one.less) > MOST_LESS:
        text = f"less is {_whole(one.less)}, and {MOST_LESS:,} is the most"
        note(
            _at(one, "less"), "number-limit", text, f"Write a whole number from {-MOST_LESS} to {MOST_LESS}."
        )
        return None
    return Meaning(one.bits)


def _radix_text(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    assert one.bits is not None
    assert one.length is not None
    codes = [code for code, _ in one.characters]
    characters = "".join(character for _, character in one.characters)
    fault = remedy = ""
    if one.length.count is None:
        fault, remedy = "the digits of one number are of a fixed number", "Write length: and their number."
    elif codes != list(range(len(codes))) or len(codes) < 2:
        fault, remedy = (
            "its digits are not the codes from 0 on",
            "Write characters: as one text of two or more.",
        )
    elif len(codes) ** one.length.count > 1 << one.bits:
        need = (len(codes) ** one.length.count - 1).bit_length()
        fault = f"{one.length.count} digits in base {len(codes)} need {need} bits, not {one.bits}"
        remedy = f"Use bits: {need}." if need <= 64 else "Use fewer characters."
    if fault or one.length.count is None:
        note(_at(one, "length"), "characters-unfit", fault, remedy)
        return None
    fill = None if one.fill is None else code_of(one, one.fill, "fill", dict(one.characters), note)
    if one.fill is not None and fill is None:
        return None
    digits = Digits(characters, one.length.count, one.first_character == "least_significant", fill)
    legal = (Range(0, len(codes) ** one.length.count - 1),)
    role = None if one.role is None else Role(one.role)
    return Meaning(one.bits, {"transform": digits, "legal": legal, "role": role})


def code_of(one: Field, said: int | str, key: str, known: dict[int, str], note: Note) -> int | None:
    """The code of a fill or an end, written as a character or a code; None, and noted, where it has none."""
    if said == "zero":
        said = 0
    if isinstance(said, int):
        found = said if said in known else None
    else:
        found = next((code for code, character in known.items() if character == said), None)
    if found is None:
        text = f"{key} {shown(said) if isinstance(said, str) else said} is none of its characters"
        note(_at(one, key), "characters-unfit", text, "Use one of its characters, or one of their codes.")
    return found


def _reserved(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    if (one.bits is None) == (one.up_to is None):
        text = "bits and up_to both say its size" if one.bits is not None else "nothing says its size"
        note(_at(one, "up_to"), "reserved-size", text, "Write bits: n, or up_to: byte, word_16 or word_32.")
        return None
    return Meaning(one.bits or 0)


def _check(one: Field, note: Note, algorithm: Algorithm | None) -> Meaning | None:
    if algorithm is None:
        return None
    if one.runs and sum(width for _, width in one.runs) != algorithm.width:
        text = f"its runs have {_bits(sum(width for _, width in one.runs))}, and {algorithm.name} {algorithm.width}"
        note(_at(one, "runs"), "runs-unfit", text, f"Let them have {algorithm.width}.")
        return None
    if one.bits is not None and one.bits != algorithm.width:
        text = f"{algorithm.name} has {_bits(algorithm.width)}, not {one.bits}"
        note(_at(one, "bits"), "bad-bits", text, f"Leave bits out, or write bits: {algorithm.width}.")
        return None
    return Meaning(algorithm.width, {})


def _supplied(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    assert one.bits is not None
    return Meaning(one.bits)


_READERS: dict[str, Callable[[Field, Note, Algorithm | None], Meaning | None]] = {
    "number": _number,
    "float": _float,
    "states": _states,
    "time": _time,
    "bundle": _bundle,
    "flag": _flag,
    "constant": _coded,
    "sync": _coded,
    "tag": _coded,
    "count": _count,
    "length": _length,
    "radix_text": _radix_text,
    "reserved": _reserved,
    "check": _check,
    "supplied": _supplied,
}


def _bits(number_of: int) -> str:
    return "1 bit" if number_of == 1 else f"{number_of} bits"


def _whole(code: int) -> str:
    """A whole number, short where it is a one with sixty zeros."""
    return format_number(Fraction(code))


def _hex(code: int) -> str:
    return f"{code:#x}" if abs(code) < 1 << 64 else _whole(code)


def _at(one: Field, *keys: str) -> Place:
    """The place of the first of these keys that was written, else the field's."""
    return next((one.places[key] for key in keys if key in one.places), one.place)
