"""What a number means, in whichever way it is declared: by its range, by wire, on a curve, or on a scale that another field chooses.

All ways end in one: a transform, the codes that encode may send, and those with a meaning of their own. Both of two ways at once are
refused, as one of them would be a lie; so is a step that doubles do not tell apart.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from packetkit.integrity.algorithm import Algorithm
from packetkit.layout import chosen, curved
from packetkit.layout.bounds import ends_fit, note_not_above, note_unreachable
from packetkit.layout.by_meaning import WIRE_KEYS, Base, base_by_meaning, is_by_meaning
from packetkit.layout.coding import CODINGS, limits_for, width_for
from packetkit.layout.first_bits import faults
from packetkit.layout.meaning import Meaning
from packetkit.layout.noting import Note, at, bits_text
from packetkit.layout.number import round_raw
from packetkit.layout.policy import with_policy
from packetkit.layout.ranges import amount, merged, without
from packetkit.layout.roundtrip import roundtrips
from packetkit.layout.slots import Linear, Range, Slot
from packetkit.layout.specials import as_numbers, specials_of
from packetkit.schema.model import Field, ScaleBy
from packetkit.schema.words import format_number, whole

# What a number of varying size cannot have: its codes are no more than its octets.
_FIXED = ("missing", "curve", "scale_by", "valid_when", "runs", "order")
# Reserved codes of a coding are turned into the numbers they spell one by one.
_MOST_RESERVED = 1024


def number_meaning(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    """The meaning of a number, or None where a problem was noted."""
    if one.scale_by is not None:
        return _chosen(one, one.scale_by, note)
    if not (_is_declared_once(one, note) and _is_declared_whole(one, note)):
        return None
    return _linear(one, note) if one.curve is None else _curved(one, note)


def _is_declared_once(one: Field, note: Note) -> bool:
    """Whether only one of two things says how codes become values; noted where both do."""
    wire_keys = [key for key in WIRE_KEYS if getattr(one, key) is not None]
    if one.resolution is None or not wire_keys:
        return True
    means = "resolution" if "resolution" in one.places else f"the preset {one.preset}"
    text = f"{means} and {' and '.join(wire_keys)} both say how codes become values"
    remedy = (
        f"Keep {'minimum, maximum and resolution' if means == 'resolution' else 'the preset'} "
        "(the bits are worked out), or bits, signed, scale and offset (a format is given)."
    )
    note(at(one, "resolution", "preset"), "both-ways", text, remedy)
    return False


def _is_declared_whole(one: Field, note: Note) -> bool:
    """Whether a range has both its ends, or the bits are told; noted where not."""
    if is_by_meaning(one):
        return True
    wire = any(getattr(one, key) is not None for key in WIRE_KEYS)
    ends = [key for key in ("minimum", "maximum") if getattr(one, key) is not None]
    if not wire and (ends or one.resolution is not None):
        lacks = " and ".join(key for key in ("minimum", "maximum") if key not in ends)
        text = f"{(*ends, 'resolution')[0]} is given without {lacks}"
        remedy = "Add both, or write scale instead of resolution."
        if ends:
            remedy = f"Add {lacks}, or add scale: 1 if the bits hold the number itself."
        note(at(one, *ends, "resolution"), "half-a-range", text, remedy)
        return False
    if one.bits is None:
        text, remedy = "nothing says its size", "Add bits, or minimum, maximum and resolution."
        note(one.place, "step-unknown", text, remedy)
        return False
    return True


def _linear(one: Field, note: Note) -> Meaning | None:
    """A number in equal steps, declared by its range or by wire."""
    counted = is_by_meaning(one)
    base = base_by_meaning(one, note) if counted else _base_by_wire(one, note)
    if base is None:
        return None
    width, transform, signed, bounds = base
    slot = _slot(one, width, signed)
    slot = replace(slot, transform=transform)
    specials = specials_of(one, slot, note, bounds.high if counted else None)
    if specials is None:
        return None
    legal = without(bounds, as_numbers(slot, specials))
    if not legal:
        text = f"all {whole(bounds.high - bounds.low + 1)} codes of its range are reserved"
        note(one.place, "no-legal-code", text, "Widen the range, or reserve fewer codes.")
        return None
    unassigned = counted and amount((*legal, *specials)) < 1 << width
    slot = replace(slot, legal=legal, specials=specials, unassigned=unassigned)
    if not ends_fit(one, slot, (bounds,), note):
        return None
    if not roundtrips(slot):
        step = format_number(abs(transform.scale))
        text = f"{width} bits in steps of {step} are finer than a double-precision number tells apart"
        remedy = "Use fewer bits, a coarser step, or whole steps of a smaller unit."
        note(at(one, "bits", "scale", "resolution"), "not-exact", text, remedy)
        return None
    return with_policy(one, slot, note)


def _slot(one: Field, width: int, signed: bool) -> Slot:
    """A number's slot without its transform and codes."""
    policy, coding = one.out_of_range or "error", one.coding or ""
    return Slot(0, (), one.name, "number", 0, width, signed=signed, coding=coding, policy=policy)


def _base_by_wire(one: Field, note: Note) -> Base | None:
    """Width, transform and bounds of a number declared as the format has it; bounds are compared after rounding (WIRE.md 10)."""
    assert one.bits is not None
    scale = Fraction(1) if one.scale is None else one.scale
    if scale == 0:
        text = "scale is 0, so every code would be the same value"
        note(at(one, "scale"), "scale-zero", text, "Write the size of one step.")
        return None
    if one.minimum is not None and one.maximum is not None and one.maximum <= one.minimum:
        note_not_above(one, note)
        return None
    if one.coding is not None and not _coding_fits(one, note):
        return None
    transform = Linear.of(scale, one.offset or Fraction(0))
    signed, coding = bool(one.signed), one.coding or ""
    plain = Slot(0, (), "", "number", 0, one.bits, signed=signed)
    low, high = limits_for(coding, one.bits) if coding else plain.number_limits
    ends = {"minimum": one.minimum, "maximum": one.maximum}
    raws = {key: round_raw(transform, end) for key, end in ends.items() if end is not None}
    for key, raw in raws.items():
        if not low <= raw <= high:
            note_unreachable(one, key, transform, low, high, note)
            return None
    if scale < 0:
        raws = {("maximum" if key == "minimum" else "minimum"): raw for key, raw in raws.items()}
    return (
        width_for(coding, one.bits),
        transform,
        signed,
        Range(raws.get("minimum", low), raws.get("maximum", high)),
    )


def _curved(one: Field, note: Note) -> Meaning | None:
    """A number on a curve: the codes of its pieces are legal; a value can be encoded where the curve rises, or falls, throughout."""
    assert one.bits is not None and one.curve is not None
    if not curved.fits(one, note) or (one.coding is not None and not _coding_fits(one, note)):
        return None
    slot = _slot(one, one.bits, bool(one.signed))
    curve = curved.declared(one, *slot.number_limits, note)
    if curve is None:
        return None
    slot = replace(slot, transform=curve)
    specials = specials_of(one, slot, note, None)
    if specials is None:
        return None
    reserved = as_numbers(slot, specials)
    spans: tuple[Range, ...] = merged(Range(piece.low, piece.high) for piece in curve.pieces)
    legal: tuple[Range, ...] = tuple(codes for span in spans for codes in without(span, reserved))
    if not legal:
        note(one.place, "no-legal-code", "all codes of its curve are reserved", "Reserve fewer codes.")
        return None
    bounds = {special.meaning: special.low for special in specials if special.meaning != "missing"}
    ends = [legal[0].low, legal[-1].high, *bounds.values()]
    curve = curved.inverted(one, curve, (min(ends), max(ends)), bounds, note)
    if curve is None:
        return None
    unassigned = amount((*legal, *specials)) < 1 << one.bits
    slot = replace(slot, transform=curve, legal=legal, specials=specials, unassigned=unassigned)
    if not ends_fit(one, slot, spans, note):
        return None
    if not roundtrips(slot):
        text = f"{bits_text(one.bits)} on this curve are finer than a double-precision number tells apart"
        note(at(one, "curve"), "not-exact", text, "Use fewer bits, or a steeper curve.")
        return None
    return with_policy(one, slot, note)


def _chosen(one: Field, by: ScaleBy, note: Note) -> Meaning | None:
    """A number whose scale another field chooses; which slot that is, and which of its codes, the resolver says."""
    if not chosen.fits(one, note) or (one.coding is not None and not _coding_fits(one, note)):
        return None
    assert one.bits is not None
    transform = chosen.declared(by)
    slot = _slot(one, one.bits, bool(one.signed))
    slot = replace(slot, transform=transform)
    specials = specials_of(one, slot, note, None)
    if specials is None:
        return None
    legal = without(Range(*slot.number_limits), as_numbers(slot, specials))
    if not legal:
        note(one.place, "no-legal-code", "all codes of its bits are reserved", "Reserve fewer codes.")
        return None
    slot = replace(slot, legal=legal, specials=specials)
    if not ends_fit(one, slot, (Range(*slot.number_limits),), note):
        return None
    for _, scale in transform.choices:
        if not roundtrips(replace(slot, transform=scale)):
            step = format_number(abs(scale.scale))
            text = f"{bits_text(one.bits)} in steps of {step} are finer than a double-precision number tells apart"
            note(at(one, "scale_by"), "not-exact", text, "Use fewer bits, or coarser scales.")
            return None
    return with_policy(one, slot, note)


def _coding_fits(one: Field, note: Note) -> bool:
    """Whether a coding's bits hold a number, and nothing beside it says the same or what it cannot."""
    fault = _coding_fault(one)
    if fault is not None:
        key, text, remedy = fault
        note(at(one, key), "coding-unfit", text, remedy)
    return fault is None


def _coding_fault(one: Field) -> tuple[str, str, str] | None:
    """The key that does not go with a coding, what is wrong, and the remedy."""
    assert one.coding is not None and one.bits is not None
    coding = CODINGS[one.coding]
    if coding.continued and (key := next((key for key in _FIXED if getattr(one, key)), None)) is not None:
        text = f"coding: {one.coding} gives it as many octets as it needs, which does not go with {key}"
        if coding.first is not None:
            text = f"its first bits say its size, which does not go with {key}"
        return key, text, f"Leave {key} out, or use bits without that coding."
    fault = None if coding.first is None else next(faults(coding.first), None)
    if fault is not None:
        return "coding", *fault
    reserved = amount(one.missing) if isinstance(one.missing, tuple) else 0
    if one.bits < coding.least_bits:
        has, needs = bits_text(one.bits), bits_text(coding.least_bits)
        text = f"{coding.words} needs {needs}, a sign and a digit, and there is {has}"
        return "bits", text, f"Use bits: {coding.least_bits}, or more."
    if one.signed is not None:
        text = f"signed is two's complement, and coding says {coding.words}"
        return "signed", text, "Leave signed out; coding: sign_and_magnitude has a sign."
    for key in ("at_least", "at_most"):
        if getattr(one, key) is not None:
            text = f"{key} is a code on the number line, and codes in {coding.words} do not lie in its order"
            return key, text, f"Leave {key} out, or declare the code as missing with a reason."
    if reserved > _MOST_RESERVED:
        text = f"{whole(reserved)} missing codes in {coding.words}, and {_MOST_RESERVED} is the most"
        return "missing", text, "Reserve fewer codes; a bad digit is no value by itself."
    return None
