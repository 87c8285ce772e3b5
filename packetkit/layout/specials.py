"""Codes with a meaning of their own: what is missing, at least, at most; each fits its bits, and none has two meanings.

A signed field's code may be written as its bit pattern. Under a coding a reserved code takes away the number that it spells.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import pairwise

from packetkit.layout.ieee import QUIET_NAN
from packetkit.layout.noting import Note, at, bits_text
from packetkit.layout.slots import Ieee, Linear, Slot, Special
from packetkit.schema.model import Field
from packetkit.schema.words import format_number, whole


def as_numbers(slot: Slot, specials: tuple[Special, ...]) -> tuple[Special, ...]:
    """The specials by the numbers that are sent as their codes; a code that spells none, or a second zero, takes none away."""
    if not slot.coding:
        return specials
    raws = (raw for one in specials for raw in range(one.low, one.high + 1))
    spelled = ((raw, slot.number_of(raw)) for raw in raws)
    return tuple(Special(n, n, "missing") for raw, n in spelled if n is not None and slot.code_of(n) == raw)


def specials_of(one: Field, slot: Slot, note: Note, top: int | None) -> tuple[Special, ...] | None:
    """The codes with a meaning of their own, ascending by declaration; None where one is amiss.

    top: the last step of a range by meaning, above which its missing codes must lie.
    """
    made: list[tuple[Special, str]] = []
    for special, key in _declared(one, slot):
        fitted = _fitted(special, slot)
        if fitted is None:
            low, high = slot.raw_limits
            beyond = whole(special.low if special.low < low else special.high)
            text = f"code {beyond} does not fit {bits_text(slot.width)}"
            note(at(one, key, "missing"), "code-too-large", text, f"Use a code from {low} to {high}.")
            return None
        if special.meaning == "missing" and top is not None and fitted.low <= top:
            text = f"code {fitted.low} already means {_value_text(one, slot, fitted.low)}"
            remedy = f"Use a code above {top}, or missing: true."
            note(at(one, key, "missing"), "code-in-range", text, remedy)
            return None
        made.append((fitted, key))
    ascending = sorted(made, key=lambda pair: pair[0].low)
    for (first, _), (second, key) in pairwise(ascending):
        if second.low <= first.high:
            text = f"code {second.low} has two meanings"
            note(at(one, key, "missing"), "codes-overlap", text, "Give each code one meaning.")
            return None
    return _adjacent(special for special, _ in made)


def _declared(one: Field, slot: Slot) -> Iterator[tuple[Special, str]]:
    """The special codes as they are written, each with the key that says so."""
    if one.missing is True:
        code = _usual_missing(slot)
        yield Special(code, code, "missing"), "missing"
    elif one.missing:
        for index, codes in enumerate(one.missing):
            yield Special(codes.low, codes.high, "missing", codes.reason), f"missing.{index}"
    for key in ("at_least", "at_most"):
        code = getattr(one, key)
        if code is not None:
            yield Special(code, code, key), key


def _value_text(one: Field, slot: Slot, code: int) -> str:
    """The value that a code of a linear slot has, with its unit."""
    assert isinstance(slot.transform, Linear)  # only a range by meaning has a top
    value = format_number(slot.transform.offset + slot.transform.scale * code)
    return f"{value} {one.unit}" if one.unit else value


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
