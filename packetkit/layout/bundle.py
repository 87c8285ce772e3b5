"""Bundles: samples of one quantity as one code, the oldest as it is and then the differences of raw codes.

Each difference is against the sample before it as it will be decoded, so that nothing adds up: what was clamped is caught up with, and
a missing sample leaves the reference alone. With missing samples there are as many differences as samples and the first code is that
of the first sample that is there, whose own difference is 0. This is the one definition, both ways; what one sample's code means is
number.py's, and handed in. What would surprise a reader: a difference beyond the declared step is taken all the same, and noted.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import groupby
from typing import Any

from packetkit.layout.joined import Unfit
from packetkit.layout.noting import Note
from packetkit.layout.shown import shown
from packetkit.layout.slots import Bundle, Linear, Slot
from packetkit.schema.model import Field
from packetkit.schema.words import format_number

_Meant = tuple[Any, str, str]  # value, reason, note
_MOST_TOLD = 3  # faults of one bundle that are told in full


# -- what is declared ---------------------------------------------------------------------------------------------------


def declared(one: Field, sample: Slot, note: Note) -> Bundle | None:
    """Return the bundle of samples of a number, or None where a problem was noted."""
    assert one.bundle is not None and isinstance(sample.transform, Linear)
    step = one.bundle.maximum_step / abs(sample.transform.scale)
    unit = f" {one.unit}" if one.unit else ""
    if len(sample.legal) > 1 or len(sample.specials) > 1 or any(s.low != s.high for s in sample.specials):
        text = "its missing codes are several, or lie inside its range"
        note(one.places["missing"], "bundle-unfit", text, "Use missing: true, or one code outside the range.")
        return None
    if one.out_of_range == "missing":
        text = "a step that is too large is an error or clamped, not missing"
        note(one.places["out_of_range"], "bundle-unfit", text, "Use out_of_range: error or clamp.")
        return None
    if step.denominator != 1:
        scale, whole = abs(sample.transform.scale), int(step)
        near = [format_number(scale * codes) for codes in (whole, whole + 1) if codes]
        text = f"maximum_step {format_number(one.bundle.maximum_step)}{unit} is not a number of steps of {format_number(scale)}"
        place = one.places.get("bundle.maximum_step", one.place)
        note(place, "bundle-unfit", text, f"Use {' or '.join(near)}.")
        return None
    width = int(step).bit_length() + 1  # two's complement; the most negative code is never a step
    made = Bundle(sample, one.bundle.samples, int(step), width)
    if made.bits >= made.plain_bits:
        text = f"{made.samples} samples have {made.plain_bits} bits themselves, and {made.bits} as a bundle: {terms(made)}"
        remedy = "Lower maximum_step, bundle more samples, or send them plain: repeat."
        note(one.places.get("bundle", one.place), "bundle-unfit", text, remedy)
        return None
    return made


def terms(bundle: Bundle) -> str:
    """Return what a bundle's bits are made of: `12 and 15 of 5 each`."""
    return f"{bundle.sample.width} and {bundle.differences} of {bundle.width} each"


def placed(bundle: Bundle, *, first_low: bool, octets_reversed: bool) -> Bundle:
    """Return the bundle as it lies in its code: the first sample in the low bits or the high ones, wide codes with octets reversed."""
    made = replace(bundle, first_low=first_low, octets_reversed=octets_reversed)
    if (missing := bundle.sample.missing_code) is None:
        return made
    return replace(made, nothing=raw_of(made, [missing, *[-(1 << bundle.width - 1)] * bundle.differences]))


def opened(slot: Slot) -> tuple[Slot, ...]:
    """Return the slots of which a bundle is made, in wire order: the first code, named `first`, and the differences, `steps[0]` and on.

    All have the bundle's number.
    """
    bundle = slot.transform
    assert isinstance(bundle, Bundle) and not slot.pieces
    sample, turned = bundle.sample, bundle.octets_reversed
    first = replace(
        sample,
        number=slot.number,
        path=(*slot.path, "first"),
        address=f"{slot.address}.first",
        kind="number",
        offset_bits=slot.offset_bits,
        octets_reversed=turned and sample.width > 8,
        default=None,
    )
    steps = [
        Slot(
            number=slot.number,
            path=(*slot.path, f"steps[{at}]"),
            address=f"{slot.address}.steps[{at}]",
            kind="number",
            offset_bits=slot.offset_bits + sample.width + at * bundle.width,
            width=bundle.width,
            octets_reversed=turned and bundle.width > 8,
            signed=True,
        )
        for at in range(bundle.differences)
    ]
    return (first, *steps)


# -- codes in a row -----------------------------------------------------------------------------------------------------


def codes_of(bundle: Bundle, raw: int) -> list[int]:
    """Return the first sample's code and the differences, in wire order."""
    base, width, count = bundle.sample.width, bundle.width, bundle.differences
    if bundle.first_low:
        first, places = raw & (1 << base) - 1, range(base, base + count * width, width)
    else:
        first, places = raw >> count * width, range((count - 1) * width, -1, -width)
    mask, half = (1 << width) - 1, 1 << width - 1
    found = [raw >> at & mask for at in places]
    if bundle.octets_reversed:
        first, found = _reversed(first, base), [_reversed(one, width) for one in found]
    if bundle.sample.signed:
        first = (first ^ 1 << base - 1) - (1 << base - 1)
    return [first, *((one ^ half) - half for one in found)]


def raw_of(bundle: Bundle, codes: Sequence[int]) -> int:
    """Return the one code that holds the first sample's code and the differences."""
    widths = [bundle.sample.width, *[bundle.width] * bundle.differences]
    sent = [code & (1 << width) - 1 for code, width in zip(codes, widths, strict=True)]
    if bundle.octets_reversed:
        sent = [_reversed(code, width) for code, width in zip(sent, widths, strict=True)]
    text = [f"{code:0{width}b}" for code, width in zip(sent, widths, strict=True)]
    return int("".join(reversed(text) if bundle.first_low else text), 2)


def _reversed(code: int, width: int) -> int:
    return int.from_bytes(code.to_bytes(width // 8, "big"), "little") if width > 8 else code


# -- from a code to samples ---------------------------------------------------------------------------------------------


def read(
    bundle: Bundle, raw: int, meaning: Callable[[Slot, int], _Meant]
) -> tuple[list[int | float | None], str, str]:
    """Return the samples, why some are None, and what is to be noted: `missing at 2, 5 to 7`.

    meaning: from a code within the sample's bits to its value, reason and note.
    """
    found = [_sample(bundle.sample, code, beyond, meaning) for code, beyond in sample_codes(bundle, raw)]
    values = [value for value, _, _ in found]
    return values, _told([reason for _, reason, _ in found]), _told([note for _, _, note in found])


def sample_codes(bundle: Bundle, raw: int) -> Iterator[tuple[int | None, bool]]:
    """Yield each sample's code, None where it is missing, and whether its step is larger than declared."""
    first, *steps = codes_of(bundle, raw)
    if not bundle.has_missing:
        yield first, False
    elif first == bundle.sample.missing_code:
        yield from [(None, False)] * bundle.samples
        return
    none = -(1 << bundle.width - 1) if bundle.has_missing else None
    for step in steps:
        if step == none:
            yield None, False
        else:
            first += step
            yield first, abs(step) > bundle.largest


def _sample(sample: Slot, code: int | None, beyond: bool, meaning: Callable[[Slot, int], _Meant]) -> _Meant:
    if code is None:
        return None, missing_reason(sample), ""
    low, high = sample.raw_limits
    if low <= code <= high:
        value, reason, note = meaning(sample, code)
    else:
        value, reason, note = outside(sample, code)
    return value, reason, "" if reason else "out_of_range" if beyond else note


def missing_reason(sample: Slot) -> str:
    """Return why a sample is None whose difference says that it is missing."""
    return sample.specials[0].reason or "missing"


def outside(sample: Slot, code: int) -> _Meant:
    """Return what a code means that the sample's bits would not hold: no code of a range by meaning, else a number."""
    if sample.by_meaning:
        return None, "unassigned", ""
    assert isinstance(sample.transform, Linear)
    exact = code * sample.transform.numerator + sample.transform.base
    whole = sample.transform.denominator == 1
    return (exact if whole else exact / sample.transform.denominator + 0.0), "", "out_of_range"


def _told(words: list[str]) -> str:
    """Words by their samples: `missing at 2, 5 to 7; unassigned at 3`; of all samples, the word alone."""
    if len(set(words)) == 1:
        return words[0]
    texts = []
    for word in dict.fromkeys(filter(None, words)):
        at = [number for number, one in enumerate(words) if one == word]
        runs = [[n for _, n in same] for _, same in groupby(enumerate(at), lambda pair: pair[1] - pair[0])]
        texts.append(
            f"{word} at {', '.join(str(n[0]) if len(n) == 1 else f'{n[0]} to {n[-1]}' for n in runs)}"
        )
    return "; ".join(texts)


# -- from samples to a code ---------------------------------------------------------------------------------------------


def write(
    bundle: Bundle, value: object, policy: str, code: Callable[[Slot, object], Any]
) -> tuple[int, bool]:
    """Return the code that sends a list of samples, and whether anything was clamped. Raises Unfit.

    code: from a value to the outcome of encoding it as one sample (number.to_raw).
    """
    if isinstance(value, (str, bytes)) or not isinstance(value, (list, tuple)):
        raise Unfit("wrong-type", f"{shown(value)} is not a list of {bundle.samples} samples")
    if len(value) != bundle.samples:
        raise Unfit("wrong-length", f"has {len(value)} samples, not {bundle.samples}. The oldest comes first")
    outcomes = [code(bundle.sample, one) for one in value]
    faults = [(at, one.fault.rule, one.fault.message) for at, one in enumerate(outcomes) if one.fault]
    clamped = any(one.clamped for one in outcomes)
    codes = [one.raw for one in outcomes]
    missing = bundle.sample.missing_code
    reference = next((one for one in codes if one != missing), None)
    if faults or reference is None:
        _refuse(faults)
        assert bundle.nothing is not None
        return bundle.nothing, clamped
    sent, first, none = [reference], reference, -(1 << bundle.width - 1)
    for at, one in list(enumerate(codes))[0 if bundle.has_missing else 1 :]:
        if one == missing:
            sent.append(none)
            continue
        step = one - first
        if abs(step) > bundle.largest and policy == "clamp":
            step, clamped = bundle.largest if step > 0 else -bundle.largest, True
        elif abs(step) > bundle.largest:
            faults.append((at, "out-of-range", _too_far(bundle, step)))
        sent.append(step)
        first += step
    _refuse(faults)
    return raw_of(bundle, sent), clamped


def _refuse(faults: list[tuple[int, str, str]]) -> None:
    if faults:
        told = [f"sample {at}: {message}" for at, _, message in faults[:_MOST_TOLD]]
        more = [f"and {len(faults) - _MOST_TOLD} more"] if len(faults) > _MOST_TOLD else []
        raise Unfit(faults[0][1], "; ".join(told + more))


def _too_far(bundle: Bundle, step: int) -> str:
    assert isinstance(bundle.sample.transform, Linear)
    scale = bundle.sample.transform.scale
    unit = f" {bundle.sample.unit}" if bundle.sample.unit else ""
    most = format_number(abs(scale) * bundle.largest)
    step_text = f"a step of {format_number(scale * Fraction(step))}{unit}, and {most}{unit} is the largest"
    return f"{step_text}. Declare a larger maximum_step, or out_of_range: clamp"
