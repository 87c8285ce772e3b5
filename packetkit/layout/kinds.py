"""What a field of each kind means, wherever it may sit: the table of kinds that have bits, each with what judges it.

Numbers, texts and times have modules of their own. Faults are noted on the resolver's list; a field with one yields None.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

from packetkit.errors import counted
from packetkit.integrity.algorithm import Algorithm
from packetkit.layout import bundle, dated, timed
from packetkit.layout.bounds import note_not_above
from packetkit.layout.calendar import Calendar
from packetkit.layout.clock import Clock
from packetkit.layout.coding import CODINGS, width_for
from packetkit.layout.first_bits import faults
from packetkit.layout.ieee import ieee_is_finite
from packetkit.layout.meaning import Meaning
from packetkit.layout.noting import Note, at, bits_text, hexadecimal
from packetkit.layout.numbers import number_meaning
from packetkit.layout.policy import ends_text, with_policy
from packetkit.layout.ranges import amount, low_of, merged, without
from packetkit.layout.roles import role_of
from packetkit.layout.slots import Ieee, Range, Slot
from packetkit.layout.specials import specials_of
from packetkit.layout.texts import radix_text
from packetkit.schema.model import Field
from packetkit.schema.words import format_number, shown, whole

MOST_LESS = 65_535  # as many units as the longest frame has bytes


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


def _float(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    assert one.bits is not None
    if one.minimum is not None and one.maximum is not None and one.maximum <= one.minimum:
        note_not_above(one, note)
        return None
    for key in ("minimum", "maximum"):
        bound = getattr(one, key)
        if bound is not None and not ieee_is_finite(one.bits, bound):
            slot = Slot(0, (), "", "float", 0, one.bits, transform=Ieee(one.bits))
            text = f"an IEEE number of {one.bits} bits cannot reach {key} {format_number(bound)}"
            remedy = (
                f"It holds {ends_text(slot)}. Use {'more bits, or ' if one.bits < 64 else ''}a nearer bound."
            )
            note(at(one, key), "bound-unreachable", text, remedy)
            return None
    slot = Slot(
        0, (), one.name, "float", 0, one.bits, transform=Ieee(one.bits), policy=one.out_of_range or "error"
    )
    slot = replace(slot, minimum=one.minimum, maximum=one.maximum)
    specials = specials_of(one, slot, note, None)
    return None if specials is None else with_policy(one, replace(slot, specials=specials), note)


def _states(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    assert one.bits is not None
    slot = Slot(0, (), one.name, "states", 0, one.bits, states=one.states)
    top = (1 << one.bits) - 1
    for code, label in one.states:
        if not 0 <= code <= top:
            text = (
                f"the state {shown(label)} has code {whole(code)}, and {bits_text(one.bits)} hold 0 to {top}"
            )
            remedy = (
                f"Use bits: {code.bit_length()}, or a smaller code."
                if 0 < code < 1 << 64
                else "Use another code."
            )
            note(at(one, f"states:{code}", "states"), "code-too-large", text, remedy)
            return None
    specials = specials_of(one, slot, note, None)
    if specials is None:
        return None
    codes = [code for code, _ in one.states]  # ascending
    for special in specials:
        first = bisect_left(codes, special.low)
        if first < len(codes) and codes[first] <= special.high:
            code, label = one.states[first]
            text = f"code {code} is both missing and the state {shown(label)}"
            note(at(one, "missing"), "codes-overlap", text, "Use more bits, or give each code one meaning.")
            return None
    return with_policy(one, replace(slot, specials=specials, legal=without(Range(0, top), specials)), note)


def _time(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    counted: dict[str, Clock | Calendar | None]
    if dated.is_dated(one):
        counted = {"calendar": dated.calendar_of(one, note)}
    else:
        counted = {"clock": timed.clock_of(one, note)}
    if None in counted.values() or one.bits is None:
        return None
    slot = Slot(0, (), one.name, "time", 0, one.bits)
    specials = specials_of(one, slot, note, None)
    if specials is None:
        return None
    legal = without(Range(0, (1 << one.bits) - 1), specials)
    if not legal:
        note(one.place, "no-legal-code", "all its codes are reserved", "Reserve fewer codes.")
        return None
    return Meaning(one.bits, {**counted, "specials": specials, "legal": legal})


def _bundle(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    """Samples of a number, which is judged as one by itself is."""
    single = number_meaning(replace(one, kind="number", bundle=None), note, None)
    if single is None:
        return None
    meant = {key: value for key, value in single.slot.items() if key not in ("limits", "calibration")}
    sample = Slot(0, (), one.name, "number", 0, single.width, unit=one.unit, **meant)
    made = bundle.declared(one, sample, note)
    return None if made is None else Meaning(made.bits, {"transform": made, "policy": sample.policy})


def _flag(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    slot = Slot(0, (), one.name, "flag", 0, 1, legal=(Range(0, 1),))
    return with_policy(one, slot, note)


def _coded(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    """A constant, a sync marker or a tag."""
    assert one.bits is not None
    top = (1 << one.bits) - 1
    for codes in one.code:
        if codes.low < 0 or codes.high > top:
            bad = codes.low if codes.low < 0 else codes.high
            text = f"code {hexadecimal(bad)} does not fit {bits_text(one.bits)}"
            note(at(one, "code"), "code-too-large", text, f"Use a code from 0 to {top:#x}, or more bits.")
            return None
    codes_of = sorted((Range(codes.low, codes.high) for codes in one.code), key=low_of)
    for first, second in pairwise(codes_of):
        if second.low <= first.high:
            text = f"code {hexadecimal(second.low)} is there twice"
            note(at(one, "code"), "codes-overlap", text, "Name each code once.")
            return None
    if one.kind != "tag" and (len(codes_of) > 1 or codes_of[0].low != codes_of[0].high):
        text = f"a {one.kind} has one code, not {whole(amount(codes_of))}"
        note(at(one, "code"), "one-code", text, "Use kind: tag where several codes are allowed.")
        return None
    role = role_of(one, Slot(0, (), one.name, one.kind, 0, one.bits), note)
    return None if role is False else Meaning(one.bits, {"codes": merged(codes_of), "role": role})


def _count(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    assert one.bits is not None
    top = (1 << one.bits) - 1
    if one.maximum is not None and (one.maximum.denominator != 1 or not 1 <= one.maximum <= top):
        text = f"a count of {bits_text(one.bits)} cannot have the maximum {format_number(one.maximum)}"
        note(at(one, "maximum"), "count-too-large", text, f"Use a whole number from 1 to {top}.")
        return None
    return _counting(one, {"maximum_count": None if one.maximum is None else int(one.maximum)}, note)


def _length(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    assert one.bits is not None
    if abs(one.less) > MOST_LESS:
        text = f"less is {whole(one.less)}, and {MOST_LESS:,} is the most"
        note(at(one, "less"), "number-limit", text, f"Write a whole number from {-MOST_LESS} to {MOST_LESS}.")
        return None
    return _counting(one, {}, note)


def _counting(one: Field, made: dict[str, object], note: Note) -> Meaning | None:
    """A count or a length: plain binary, or of as many octets as it needs."""
    assert one.bits is not None
    if one.coding is None:
        return Meaning(one.bits, made)
    coding = CODINGS[one.coding]
    width = width_for(one.coding, one.bits)
    fault = None if coding.first is None else next(faults(coding.first), None)
    if fault is not None:
        text, remedy = fault
    elif not coding.continued or coding.limits(width)[0] < 0:
        text = f"a {one.kind} cannot be in {coding.words}"
        remedy = "Use continued_low_first or continued_high_first, or leave coding out."
    elif one.order is not None:
        text = f"coding: {'its first bits' if coding.first else one.coding} says which of its octets come first, and order does too"
        remedy = "Leave order out."
    else:
        return Meaning(width, {**made, "coding": one.coding})
    note(at(one, "coding"), "coding-unfit", text, remedy)
    return None


def _reserved(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    if (one.bits is None) == (one.up_to is None):
        text = "bits and up_to both say its size" if one.bits is not None else "nothing says its size"
        note(at(one, "up_to"), "reserved-size", text, "Write bits: n, or up_to: byte, word_16 or word_32.")
        return None
    return Meaning(one.bits or 0)


def _check(one: Field, note: Note, algorithm: Algorithm | None) -> Meaning | None:
    if algorithm is None:
        return None
    if one.runs and sum(width for _, width in one.runs) != algorithm.width:
        text = f"its runs have {bits_text(sum(width for _, width in one.runs))}, and {algorithm.name} {algorithm.width}"
        note(at(one, "runs"), "runs-unfit", text, f"Let them have {algorithm.width}.")
        return None
    if one.bits is not None and one.bits != algorithm.width:
        name = (
            f"a check by {counted(len(algorithm.listed), 'list')} of bits"
            if algorithm.listed
            else algorithm.name
        )
        text = f"{name} has {bits_text(algorithm.width)}, not {one.bits}"
        note(at(one, "bits"), "bad-bits", text, f"Leave bits out, or write bits: {algorithm.width}.")
        return None
    return Meaning(algorithm.width, {})


def _supplied(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    assert one.bits is not None
    return Meaning(one.bits)


_READERS: dict[str, Callable[[Field, Note, Algorithm | None], Meaning | None]] = {
    "number": number_meaning,
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
    "radix_text": radix_text,
    "reserved": _reserved,
    "check": _check,
    "supplied": _supplied,
}
