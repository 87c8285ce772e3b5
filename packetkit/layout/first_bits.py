"""Numbers whose first bits say how many bits follow: a table of forms, one or several codes of the first bits each.

A number of a form is its offset + (the code - the form's first code) * 2**bits + what follows, so that a code may be the number itself, a
part of it, or no more than the sign of a form. What is sent is the shortest form that has the number. The raw code is all its bits as
they lie, the first highest; forms of one coding are told apart by it, which is proved at load.

Sources of formats in it: RFC 9000 section 16 (two first bits), ITU-T X.690 section 8.1.3 (lengths), RFC 8949 section 3 (arguments),
RFC 7252 section 3.1 (options); common practice.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

WORD = "first_bits"  # how the name of such a coding begins
_OCTET = 8
_MOST_BITS = 64


@dataclass(frozen=True, slots=True)
class Form:
    """One form: the codes of the first bits from low to high, the bits that follow them, and the number of the first code and no more."""

    low: int
    high: int
    bits: int
    offset: int

    @property
    def named(self) -> str:
        """`the form with code 3`, `the form with codes 0 to 7`."""
        codes = f"code {self.low}" if self.low == self.high else f"codes {self.low} to {self.high}"
        return f"the form with {codes}"

    @property
    def raws(self) -> tuple[int, int]:
        """The least and the greatest raw code."""
        return self.low << self.bits, (self.high + 1 << self.bits) - 1

    @property
    def numbers(self) -> tuple[int, int]:
        """The least and the greatest number."""
        return self.offset, self.offset + (self.high - self.low + 1 << self.bits) - 1


@dataclass(frozen=True, slots=True)
class FirstBits:
    """A coding by first bits. low_octet_first: so lie the octets that follow."""

    bits: int
    forms: tuple[Form, ...]
    low_octet_first: bool

    @property
    def sizes(self) -> tuple[int, ...]:
        """The bits that a number can have, ascending."""
        return tuple(sorted({self.bits + form.bits for form in self.forms}))

    @property
    def limits(self) -> tuple[int, int]:
        """The least and the greatest number."""
        ends = [form.numbers for form in self.forms]
        return min(low for low, _ in ends), max(high for _, high in ends)

    @property
    def words(self) -> str:
        """What it is, for people: `sized by its first 2 bits`."""
        return f"sized by its first {'bit' if self.bits == 1 else f'{self.bits} bits'}"

    @property
    def follow(self) -> str:
        """How many bits may follow the first: `6, 14, 30 or 62 bits follow`."""
        bits = sorted({form.bits for form in self.forms})
        told = ", ".join(map(str, bits[:-1])) + (" or " if bits[1:] else "") + str(bits[-1])
        return f"{told} bits follow"

    def form_of(self, code: int) -> Form | None:
        """The form of a code of the first bits."""
        return next((form for form in self.forms if form.low <= code <= form.high), None)

    def form_of_raw(self, raw: int) -> Form | None:
        """The form of a raw code."""
        return next((form for form in self.forms if form.raws[0] <= raw <= form.raws[1]), None)

    def size_of(self, raw: int) -> int:
        """The bits of a raw code; those of the shortest where it is none."""
        form = self.form_of_raw(raw)
        return self.sizes[0] if form is None else self.bits + form.bits

    def number_of(self, raw: int) -> int | None:
        """The number of a raw code; None where it is none."""
        form = self.form_of_raw(raw)
        if form is None:
            return None
        head, rest = raw >> form.bits, raw & ((1 << form.bits) - 1)
        return form.offset + (head - form.low << form.bits) + self._turned(rest, form.bits)

    def code_of(self, number: int) -> int:
        """The raw code of a number within the limits, in the shortest form that has it."""
        holding = (form for form in self.forms if form.numbers[0] <= number <= form.numbers[1])
        form = min(holding, key=lambda form: form.bits)
        head, rest = divmod(number - form.offset, 1 << form.bits)
        return form.low + head << form.bits | self._turned(rest, form.bits)

    def codes_for(self, low: int, high: int) -> list[tuple[int, int]] | None:
        """The raw codes, as ranges, of numbers from low to high in any form; None where they are not side by side."""
        made = []
        for form in self.forms:
            first, last = max(low, form.numbers[0]), min(high, form.numbers[1])
            if first > last:
                continue
            if self.low_octet_first and form.bits and first < last:
                return None
            ends = [number - form.offset for number in (first, last)]
            heads = [(form.low + (end >> form.bits) << form.bits) for end in ends]
            rests = [self._turned(end & ((1 << form.bits) - 1), form.bits) for end in ends]
            made.append((heads[0] | rests[0], heads[1] | rests[1]))
        return made

    def _turned(self, rest: int, bits: int) -> int:
        return (
            int.from_bytes(rest.to_bytes(bits // _OCTET, "big"), "little") if self.low_octet_first else rest
        )


@cache
def of_name(name: str) -> FirstBits:
    """Return the coding that a schema's canonical name says (schema.model.FirstBits.name)."""
    head, *forms = name.split(" ")
    _, bits, *order = head.split(":")
    made = (Form(*map(int, form.split("/"))) for form in forms)
    return FirstBits(int(bits), tuple(made), bool(order))


def faults(first: FirstBits) -> Iterator[tuple[str, str]]:
    """Yield what is wrong with a coding, and the remedy."""
    forms = sorted(first.forms, key=lambda form: form.low)
    highest = (1 << first.bits) - 1
    for form in forms:
        if not 0 <= form.low <= form.high <= highest:
            yield (
                f"its first bits have no code {form.high if form.high > highest else form.low}",
                f"Use 0 to {highest}.",
            )
        if first.low_octet_first and form.bits % _OCTET:
            yield f"{form.bits} bits are no whole octets, which order could turn", "Leave order out."
        if form.numbers[1] >> _MOST_BITS or form.numbers[0] < 0:
            low, high = form.numbers
            yield f"{form.named} has numbers from {low} to {high}", "Use 0 to 2 to the 64, less 1."
    for one, other in pairwise(forms):
        if other.low <= one.high:
            yield (
                f"{one.named} has the first bits {other.low} of {other.named}",
                "Give each form codes of its own.",
            )
    for one, other in pairwise(sorted(forms, key=lambda form: form.raws)):
        if (
            other.raws[0] <= one.raws[1]
        ):  # all its bits, as one number, are what a form is told by in a record
            (low, high), (start, end) = other.raws, one.raws
            text = f"as one number, the bits of {other.named} are {low:#x} to {high:#x}, and of {one.named} {start:#x} to {end:#x}"
            longer, shorter = (one, other) if one.bits > other.bits else (other, one)
            yield text, f"Give the longer one, {longer.named}, a higher code than {shorter.named}."
    reached = -1
    for form in sorted(forms, key=lambda form: form.numbers):
        low, high = form.numbers
        if reached >= 0 and low > reached + 1:
            text = f"no form has the number {reached + 1}, and {form.named} begins at {low}"
            yield text, f"Give {form.named} offset: {reached + 1}."
        reached = max(reached, high)
    if len({size % _OCTET for size in first.sizes}) > 1:
        sizes = " and ".join(map(str, first.sizes))
        yield (
            f"its forms, of {sizes} bits, end at different places in a byte",
            "Let their sizes differ by whole octets.",
        )
