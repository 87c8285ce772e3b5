"""The slot: one value of a frame, exactly what its bits mean, and the terms that say so.

Where a slot lies is its run's matter; see packetkit/layout/model.py, which also says how bits are numbered.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from fractions import Fraction
from math import lcm

from packetkit.integrity.algorithm import Algorithm
from packetkit.layout.calendar import Calendar
from packetkit.layout.calibration import Calibration
from packetkit.layout.clock import Clock
from packetkit.layout.coding import CODINGS
from packetkit.layout.curve import Curve
from packetkit.layout.limits import Limit


class Packing(Enum):
    """How the bits of a run lie in its octets (WIRE.md rules 1 and 2)."""

    MOST = "most_significant_first"
    LEAST = "least_significant_first"
    WORD_16 = "words_of_16_low_octet_first"
    WORD_32 = "words_of_32_low_octet_first"
    WORD_64 = "words_of_64_low_octet_first"

    @property
    def word_bits(self) -> int | None:
        """The word whose octets are reversed, or None."""
        return _WORD_BITS.get(self.value)


# By value: a text's hash is kept, where that of a member is worked out each time, and the walker asks for every code.
_WORD_BITS = {Packing.WORD_16.value: 16, Packing.WORD_32.value: 32, Packing.WORD_64.value: 64}


@dataclass(frozen=True, slots=True)
class Linear:
    """value = (raw * numerator + base) / denominator, in lowest terms; the value is an integer where denominator is 1."""

    numerator: int
    base: int
    denominator: int

    @staticmethod
    def of(scale: Fraction, offset: Fraction) -> Linear:
        """The transform value = offset + scale * raw.

        >>> Linear.of(Fraction(1, 10), Fraction(-40))
        Linear(numerator=1, base=-400, denominator=10)
        """
        denominator = lcm(scale.denominator, offset.denominator)
        return Linear(int(scale * denominator), int(offset * denominator), denominator)

    @property
    def is_integer(self) -> bool:
        return self.denominator == 1

    @property
    def is_identity(self) -> bool:
        return (self.numerator, self.base, self.denominator) == (1, 0, 1)

    @property
    def scale(self) -> Fraction:
        return Fraction(self.numerator, self.denominator)

    @property
    def offset(self) -> Fraction:
        return Fraction(self.base, self.denominator)


@dataclass(frozen=True, slots=True)
class Ieee:
    """An IEEE 754 number of 16, 32 or 64 bits; the raw code is its bit pattern, unsigned."""

    bits: int


@dataclass(frozen=True, slots=True)
class Digits:
    """A text whose characters are the digits of the raw code in base len(characters), `length` of them.

    first_low: the first character is the least significant digit. fill: the digit stripped at the end, or None.
    """

    characters: str
    length: int
    first_low: bool
    fill: int | None


@dataclass(frozen=True, slots=True)
class Bundle:
    """Samples in a row as one code: one sample's own, then differences of `width` bits, each against the sample before it as decoded.

    sample           what one sample's code means; its place means nothing
    largest          the largest difference that is sent, up or down, in codes
    first_low        the first sample stands in the code's low bits, where the low bit of an octet comes first; else in the high ones
    octets_reversed  so are those of each code of 16 bits and more
    nothing          the code of all samples missing, None where none can be
    """

    sample: Slot
    samples: int
    largest: int
    width: int
    first_low: bool = False
    octets_reversed: bool = False
    nothing: int | None = None

    @property
    def has_missing(self) -> bool:
        """True where samples may be missing; then each has a difference, and the first code is that of the first one there."""
        return self.sample.missing_code is not None

    @property
    def differences(self) -> int:
        return self.samples if self.has_missing else self.samples - 1

    @property
    def bits(self) -> int:
        """What a bundle takes, whatever is in it."""
        return self.sample.width + self.differences * self.width

    @property
    def plain_bits(self) -> int:
        """What its samples would take by themselves."""
        return self.samples * self.sample.width


@dataclass(frozen=True, slots=True)
class Chosen:
    """A scale that the code of the slot numbered `by` chooses; a code without a choice has no scale.

    All choices have one denominator, so that all values are integers, or none is for certain.
    """

    by: int
    choices: tuple[tuple[Range, Linear], ...]

    @property
    def is_integer(self) -> bool:
        return all(linear.is_integer for _, linear in self.choices)

    def linear(self, code: int) -> Linear | None:
        """The scale that a code chooses."""
        return next((linear for codes, linear in self.choices if codes.low <= code <= codes.high), None)


Transform = Linear | Ieee | Curve | Digits | Bundle | Chosen


@dataclass(frozen=True, slots=True)
class Range:
    """Raw codes from low to high, both included."""

    low: int
    high: int

    def __contains__(self, raw: object) -> bool:
        return isinstance(raw, int) and self.low <= raw <= self.high


@dataclass(frozen=True, slots=True)
class Special:
    """Raw codes with a meaning of their own.

    meaning is `missing` (the value is None, reason says why), `at_least` or `at_most` (the value is the number, as a bound).
    """

    low: int
    high: int
    meaning: str
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Role:
    """What accounting, time axes and merging may use a field for. modulus: the counter's, 2**width unless declared."""

    name: str
    modulus: int | None = None
    tick_s: Fraction | None = None
    epoch: str | None = None


@dataclass(frozen=True, slots=True)
class Valid:
    """A value counts only where the slot numbered `by`, in its container or one around it, holds one of `codes`."""

    by: int
    codes: tuple[Range, ...]


@dataclass(frozen=True, slots=True)
class Mark:
    """A bit position: `bits` after the start of the node numbered `node` of this layout; at is that position where it is constant.

    node -1 is the end of the frame.
    """

    node: int
    bits: int
    at: int | None


@dataclass(frozen=True, slots=True)
class Fed:
    """What is fed in front of a check's spans: the code of the slot numbered `by`, else the frame's size in octets, else an octet.

    bits: how many it has there. octet: None where it is one of the others.
    """

    bits: int
    by: int | None = None
    octet: int | None = None


@dataclass(frozen=True, slots=True)
class Check:
    """How a check slot is computed: over the bits of `spans`, joined in wire order.

    own: the slot's own bits inside a span count as `zero` or `ones`, or are left out (`skip`); None where it covers none of them.
    zero_filled: a last partial octet is completed with zero bits. in_wire_order: the span is fed bit by bit as it lies on the wire
    (only where a whole number of octets is not certain); else octet by octet. least_first: the span's bits are numbered as under LEAST.
    also: octets that are fed in front of the spans, as if they stood there on the wire. mixed: the number of the slot with whose bits,
    as an unsigned code, the computed value is combined by exclusive or.
    front: what is fed in front, one after another, where that is not octets alone; then also is empty. A code enters as the packing has it.
    initial: the number of the slot with whose code a CRC's register starts. zero_as_ones: zero is sent as all ones. not_computed: the
    code that says that there is no check.
    """

    algorithm: Algorithm
    spans: tuple[tuple[Mark, Mark], ...]
    own: str | None
    zero_filled: bool
    in_wire_order: bool
    least_first: bool = False
    also: bytes = b""
    mixed: int | None = None
    front: tuple[Fed, ...] = ()
    initial: int | None = None
    zero_as_ones: bool = False
    not_computed: int | None = None

    @property
    def fed(self) -> tuple[int, ...]:
        """The numbers of the slots whose codes it is computed from besides its spans, but for the one that it is mixed with."""
        first = () if self.initial is None else (self.initial,)
        return (*(one.by for one in self.front if one.by is not None), *first)

    @property
    def is_plain(self) -> bool:
        """Whether its value hangs on its spans and constants alone, and is sent as it is computed."""
        told = self.mixed is None and not self.front and self.initial is None
        return told and not self.zero_as_ones and self.not_computed is None


@dataclass(frozen=True, slots=True)
class Joined:
    """How the elements of a repeat, characters or octets, are one value in the record.

    form        bytes; bits (octets whose last `spare_bits` are not sent); ascii; utf_8; or alphabet
    characters  the alphabet's, as (code, character), ascending
    fill        the code that completes a text of fixed length, stripped at its end; None: nothing is stripped
    ends_with   the code that ends the text; what follows it means nothing
    """

    form: str
    characters: tuple[tuple[int, str], ...] = ()
    fill: int | None = None
    ends_with: int | None = None
    spare_bits: int = 0


@dataclass(frozen=True, slots=True)
class Factor:
    """One factor of a computed count: the raw code of the slot numbered `by`, or how many of its bits are one."""

    by: int
    ones: bool = False
    in_list: bool = False


@dataclass(frozen=True, slots=True)
class Slot:
    """One field's place and exact meaning.

    number      its place among all slots of the layout, in wire order; conditions, counts and flags refer to it
    path        the keys that lead to it from its container (the record, an element, an optional group); () = it is the element itself
    address     its full name, for messages: `power.cell_voltage`, `readings[].field_x`
    clock       what a time code counts
    calendar    what a time code says, where it is one of the calendar; then it has no clock
    kind        number, float, states, flag, time, radix_text, bundle, constant, sync, tag, count, length, reserved or check: the rows
                of KINDS that have bits; or character: one element of a text or of octets
    offset_bits from the first bit of its run
    pieces      where a value is split: first bit and width of each part, counted like offset_bits, the most significant part first;
                offset_bits is then the first bit of the foremost; empty: its bits lie side by side
    coding      how the bits spell a whole number, a row of coding.CODINGS; empty: plain binary, the raw code is the number
    legal       the raw codes that encode accepts by value, ascending and disjoint: bounds less specials; under a coding the numbers
    unassigned  True: a code neither legal nor special decodes to None (declared by meaning); False: to the number, noted out_of_range
    policy      what encode does out of range: error, clamp (to the nearest legal code, raising slot `raises`) or missing
    default     the raw code sent when the record has no such key, or None
    calibration each unit's curve to the true value; no part of the fingerprint, nor of what is encoded and decoded
    valid_when  what says whether the value counts; where it does not, the value is None, whatever the code
    part        in a summary: minimum, mean, maximum or count; no part of the fingerprint
    limits      what the ground warns of, the hard one first; no part of the fingerprint
    codes       constant, sync, single tag: the one raw code; a tag that allows several: all of them (then it is a value)
    """

    number: int
    path: tuple[str, ...]
    address: str
    kind: str
    offset_bits: int
    width: int
    octets_reversed: bool = False
    bits_reversed: bool = False
    signed: bool = False
    coding: str = ""
    pieces: tuple[tuple[int, int], ...] = ()
    clock: Clock | None = None
    transform: Transform = Linear(1, 0, 1)
    legal: tuple[Range, ...] = ()
    specials: tuple[Special, ...] = ()
    unassigned: bool = False
    policy: str = "error"
    raises: int | None = None
    default: int | None = None
    states: tuple[tuple[int, str], ...] = ()
    codes: tuple[Range, ...] = ()
    maximum_count: int | None = None
    check: Check | None = None
    role: Role | None = None
    strict: bool = False
    named: bool = True
    unit: str = ""
    description: str = ""
    minimum: Fraction | None = None
    maximum: Fraction | None = None
    by_meaning: bool = False
    line: int = 0
    limits: tuple[Limit, ...] = ()
    calibration: tuple[Calibration, ...] = ()
    part: str = ""
    valid_when: Valid | None = None
    calendar: Calendar | None = None

    @property
    def is_value(self) -> bool:
        """True where the slot is part of a plain record (WIRE.md 15): its bits are useful bits (WIRE.md 21)."""
        if self.kind == "tag":
            return len(self.codes) > 1 or self.codes[0].low != self.codes[0].high
        return self.kind in (
            "number",
            "float",
            "states",
            "flag",
            "time",
            "radix_text",
            "bundle",
            "character",
            "supplied",
        )

    @property
    def is_constant(self) -> bool:
        """True where the slot has one code in every frame: it fills itself, and another code is some other frame's."""
        return bool(self.codes) and not self.is_value

    @property
    def missing_code(self) -> int | None:
        """The raw code that None encodes to: the first one declared."""
        if isinstance(self.transform, Bundle):
            return self.transform.nothing
        for special in self.specials:
            if special.meaning == "missing":
                return special.low
        return None

    @property
    def raw_limits(self) -> tuple[int, int]:
        """The lowest and highest raw code its width can hold; under a coding these are its bits, unsigned."""
        if self.signed:
            return -(1 << (self.width - 1)), (1 << (self.width - 1)) - 1
        return 0, (1 << self.width) - 1

    @property
    def number_limits(self) -> tuple[int, int]:
        """The lowest and highest number that its bits can spell: its raw limits, unless it has a coding."""
        return CODINGS[self.coding].limits(self.width) if self.coding else self.raw_limits

    @property
    def is_continued(self) -> bool:
        """True where its number has as many octets as it needs, up to its width."""
        return bool(self.coding) and CODINGS[self.coding].continued

    @property
    def tellers(self) -> tuple[int, ...]:
        """The numbers of the slots whose codes decide what this one's code means."""
        judge = () if self.valid_when is None else (self.valid_when.by,)
        return (*judge, self.transform.by) if isinstance(self.transform, Chosen) else judge

    def number_of(self, raw: int) -> int | None:
        """The whole number that a raw code spells, None where it spells none."""
        return CODINGS[self.coding].number_of(self.width, raw) if self.coding else raw

    def code_of(self, number: int) -> int:
        """The raw code that spells a whole number within number_limits."""
        return CODINGS[self.coding].code_of(self.width, number) if self.coding else number
