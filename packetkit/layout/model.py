"""The layout: where every bit of a frame sits and exactly what it means.

A frame is a sequence of nodes in wire order. A `Run` is a fixed stretch of slots; `Repeat`, `Optional`, `Measured` and `Choice`
hold nodes of their own; `Fill` is padding whose width depends on where it starts, `Continued` a number of as many octets as it
needs. A text is a repeat of characters that is joined to one value. Back ends read this and nothing behind it; nothing here
refers back to the schema. Frozen, hashable, printable: `print(layout)` is a stable table that diffs well.

Bit numbers. A run has one packing. Under MOST bit i of the run is bit 7 - i%8 of octet i//8, under LEAST bit i%8 of octet i//8, both
counted from the run's first bit; LEAST and WORD runs start on a whole octet. Under WORD_k the run is packed as under MOST, then the
octets of each k-bit word are reversed. A slot's raw code is read from its `width` bits at `offset_bits`, first bit most significant
(LEAST: least significant); then, `octets_reversed`, its octets are reversed; then, `bits_reversed`, all its bits; then the sign.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, MutableMapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from fractions import Fraction
from math import lcm

from packetkit.integrity.algorithm import Algorithm
from packetkit.layout.calendar import Calendar
from packetkit.layout.calibration import Calibration
from packetkit.layout.clock import Clock
from packetkit.layout.coding import CODINGS
from packetkit.layout.curve import Curve
from packetkit.layout.expression import Expression
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


@dataclass(frozen=True, slots=True)
class Run:
    """A fixed stretch of slots, one after another, in one packing. at: its first bit in the frame where that is constant, else None.

    residue: its first bit modulo 8, where that is known, else None.
    """

    number: int
    at: int | None
    residue: int | None
    size_bits: int
    packing: Packing
    slots: tuple[Slot, ...]


@dataclass(frozen=True, slots=True)
class Fill:
    """Zero bits up to the next multiple of `unit_bits`; reported like reserved bits.

    Counted from the frame's start, or from the start of the measured part numbered `since`. It stands only where its width is not
    constant (else it is a reserved slot). slot carries its name, number and strictness; the slot's width is the widest it can be.
    packing: how its bits lie, MOST or LEAST.
    """

    number: int
    unit_bits: int
    slot: Slot
    packing: Packing = Packing.MOST
    since: int = -1


@dataclass(frozen=True, slots=True)
class OwnEnd:
    """How an element says that it is the last: its slot numbered `by` holds one of `codes`."""

    by: int
    codes: tuple[Range, ...]


@dataclass(frozen=True, slots=True)
class Trailer:
    """Bits behind what runs to an end that are there where each of some slots, all before it, holds one of its codes."""

    bits: int
    told: tuple[tuple[int, tuple[Range, ...]], ...]


@dataclass(frozen=True, slots=True)
class Continued:
    """A number of varying size, the slot's width at most: its octets, or its first bits, say by its coding how long it is.

    It starts at `at` where that is constant, `residue` bits into an octet; one of octets on a whole one. Its raw code is its bits as they
    lie, the first highest, whatever the packing around it.
    """

    number: int
    at: int | None
    slot: Slot
    residue: int = 0

    @property
    def sizes(self) -> tuple[int, ...]:
        """The bits that it can have, ascending."""
        return CODINGS[self.slot.coding].sizes(self.slot.width)


@dataclass(frozen=True, slots=True)
class Repeat:
    """Elements one after another: a list in the record, at `path` of its container; joined: one text, or octets, instead.

    count fixed, or the number of the slot that counts them, or the product of `factors` plus `plus`; or one of them says that it is
    the last, by `own_end`; or none of these: then they run to the end of the innermost measured part around them, else of the frame,
    less `trailer_bits` and those of `trailers` that are there. several_sizes: they do so, and differ in size: there is one more while
    there is room for the smallest. as_fits: in an element of such a list, as many as fit, and maximum at most.
    maximum is the most there can be (None: bounded by the frame's length only). bare: an element is one value, not a mapping.
    """

    number: int
    path: tuple[str, ...]
    address: str
    at: int | None
    residue: int | None
    count: int | None
    counted_by: int | None
    maximum: int | None
    trailer_bits: int
    element: tuple[Node, ...]
    minimum_bits: int
    maximum_bits: int
    bare: bool
    joined: Joined | None = None
    factors: tuple[Factor, ...] = ()
    plus: int = 0
    own_end: OwnEnd | None = None
    several_sizes: bool = False
    ones_in_lists: bool = False
    trailers: tuple[Trailer, ...] = ()
    as_fits: bool = False

    @property
    def is_fixed(self) -> bool:
        return self.count is not None and self.minimum_bits == self.maximum_bits

    @property
    def least(self) -> int:
        """The fewest elements that there are."""
        return self.count or (0 if self.own_end is None else 1)

    @property
    def runs_to_end(self) -> bool:
        """True where nothing counts the elements but the end of the part that they stand in."""
        return self.count is None and self.counted_by is None and not self.factors and self.own_end is None


@dataclass(frozen=True, slots=True)
class Optional:
    """Nodes that are there only when the slot numbered `by` holds one of `codes`; absent, its value is None.

    told_in_option: that slot stands in an option itself, and where that is absent, so are they.
    by None: they are there when more than `trailer_bits`, and those of `trailers`, are left in the innermost measured part, else in
    the frame.
    bare: the body is one value, not a mapping.
    """

    number: int
    path: tuple[str, ...]
    address: str
    at: int | None
    residue: int | None
    by: int | None
    codes: tuple[Range, ...]
    body: tuple[Node, ...]
    minimum_bits: int
    maximum_bits: int
    bare: bool
    trailer_bits: int = 0
    told_in_option: bool = False
    trailers: tuple[Trailer, ...] = ()


@dataclass(frozen=True, slots=True)
class Measured:
    """Nodes whose size a slot tells: (raw code of the slot numbered `by` + less) * unit_bits. Their values are their container's.

    The slot stands before them or among them. maximum_bits: the most that both the nodes and the slot allow. not_counted: after each so
    many counted octets, and after the rest, so many that are not.
    """

    number: int
    address: str
    at: int | None
    residue: int | None
    by: int
    unit_bits: int
    less: int
    body: tuple[Node, ...]
    minimum_bits: int
    maximum_bits: int
    not_counted: tuple[int, int] | None = None

    def bits_of(self, number: int) -> int:
        """How many bits the part has where its length says so many."""
        return with_uncounted((number + self.less) * self.unit_bits, self.not_counted)

    def number_of(self, bits: int) -> tuple[int, int]:
        """What its length says where the part has so many bits, and the bits that are no whole units, or none that it could count."""
        counted, over = without_uncounted(bits, self.not_counted)
        units, rest = divmod(counted, self.unit_bits)
        return units - self.less, over + rest


def with_uncounted(bits: int, rule: tuple[int, int] | None) -> int:
    """How many bits there are where so many are counted; rule: after how many octets how many stand that are not."""
    return bits if rule is None else bits + 8 * rule[1] * -(-bits // (8 * rule[0]))


def without_uncounted(bits: int, rule: tuple[int, int] | None) -> tuple[int, int]:
    """How many of so many bits are counted, and those at the end that can be neither counted nor not."""
    if rule is None:
        return bits, 0
    block, tail = 8 * sum(rule), 8 * rule[1]
    whole, rest = divmod(bits, block)
    counted = max(rest - tail, 0)
    return whole * 8 * rule[0] + counted, rest - counted - (tail if counted else 0)


@dataclass(frozen=True, slots=True)
class Branch:
    """One variant: its key in the record, the codes that each telling slot must hold (in their order), and its nodes.

    number: unique among those of nodes, for what belongs to this container. bare: the nodes are one value, not a mapping.
    """

    name: str
    codes: tuple[tuple[Range, ...], ...]
    body: tuple[Node, ...]
    number: int
    bare: bool = False


@dataclass(frozen=True, slots=True)
class Choice:
    """One of several bodies, told by the codes of slots, or (told_by empty) from outside the frame.

    In the record: a mapping with the chosen branch's name as its only key. unknown: the branch taken where no other matches, octets
    that run to the end of the part; None: every combination of codes has a branch, or such octets could not be told.
    turn: above 0, the branches take turns: what tells is the remainder of the one telling code by this number, theirs.
    """

    number: int
    path: tuple[str, ...]
    address: str
    at: int | None
    residue: int | None
    told_by: tuple[int, ...]
    branches: tuple[Branch, ...]
    unknown: Branch | None
    minimum_bits: int
    maximum_bits: int | None
    turn: int = 0

    @property
    def all(self) -> tuple[Branch, ...]:
        """Every branch, the unknown one last."""
        return self.branches if self.unknown is None else (*self.branches, self.unknown)


Node = Run | Fill | Continued | Repeat | Optional | Measured | Choice


@dataclass(frozen=True, slots=True)
class Gain:
    """What a compact form saves at its worst: bits instead of plain_bits, at an address. form: summary, bundle, in_turn. says: which.

    frames: how many in a row bring all of it.
    """

    address: str
    form: str
    bits: int
    plain_bits: int
    says: str
    frames: int = 1


@dataclass(frozen=True, slots=True)
class Carried:
    """A frame that another carries: where, which, its bits at least and at most (None: no bound), and those that fill its bytes."""

    address: str
    frame: str
    minimum_bits: int
    maximum_bits: int | None
    fill_bits: int = 0

    def holds(self, slot: Slot) -> bool:
        """Whether a slot is one of the carried frame's."""
        return slot.address.startswith(f"{self.address}.")


@dataclass(frozen=True, slots=True)
class Operand:
    """Where a derived value finds one of its fields: `up` containers further out, then along `path`."""

    up: int
    path: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Derived:
    """A value that the ground works out from others; it has no bits, and no part in the fingerprint.

    container: the number of the repeat or option in which it stands, None: the frame itself; path leads from there.
    operands: where the names of `expression` are found, in the order of `expression.names`. text: the expression as written.
    later: for each key of path, the keys that stand after it in their group, so that a record keeps the declared order.
    """

    container: int | None
    path: tuple[str, ...]
    address: str
    expression: Expression
    operands: tuple[Operand, ...]
    text: str
    later: tuple[tuple[str, ...], ...]
    unit: str = ""
    description: str = ""
    line: int = 0
    limits: tuple[Limit, ...] = ()


@dataclass(frozen=True, slots=True)
class Layout:
    """One frame on the wire.

    slots: all of them in wire order, so that slots[i].number == i; an element's slots stand once. node numbers are likewise unique
    and ascending in wire order. check_order: numbers of the check slots, each after those its span covers.
    minimum_bits and maximum_bits include the last fill and are whole octets; maximum_bits is None where only the frame's length
    bounds it. useful_bits: at the longest (WIRE.md 21), None where maximum_bits is.
    derived: values that the ground works out, each after those that it needs. gains: what compact forms save, proved for the worst
    case; told by `check`, no part of the fingerprint. supplied: fields without a bit, numbered -1, -2, ...: each goes into a check of
    the frame's own; supplied_before: for each, the record's keys that come after it.
    """

    name: str
    nodes: tuple[Node, ...]
    slots: tuple[Slot, ...]
    check_order: tuple[int, ...]
    minimum_bits: int
    maximum_bits: int | None
    useful_bits: int | None
    runs_to_end: bool
    fingerprint: str
    description: str = ""
    cadence_s: Fraction | None = None
    derived: tuple[Derived, ...] = ()
    gains: tuple[Gain, ...] = ()
    supplied: tuple[Slot, ...] = ()
    supplied_before: tuple[tuple[str, ...], ...] = ()
    carried: tuple[Carried, ...] = ()

    @property
    def is_fixed(self) -> bool:
        """True where every frame has the same number of bits (its repeats and options, if any, are constant)."""
        return self.minimum_bits == self.maximum_bits

    @property
    def size_bytes(self) -> int | None:
        """The frame's size in bytes where it is fixed, else None."""
        return self.minimum_bits // 8 if self.is_fixed else None

    @property
    def maximum_bytes(self) -> int | None:
        return None if self.maximum_bits is None else self.maximum_bits // 8

    def __str__(self) -> str:
        """The frame as a stable table, one line a slot or part."""
        from packetkit.layout.printed import text

        return text(self)

    def walk(self) -> Iterator[Node]:
        """Every node, outer before inner, in wire order."""
        yield from walk(self.nodes)


def walk(nodes: tuple[Node, ...]) -> Iterator[Node]:
    """Every node of `nodes` and inside them, outer before inner, in wire order."""
    for node in nodes:
        yield node
        for inner in bodies(node):
            yield from walk(inner)


def bodies(node: Node) -> tuple[tuple[Node, ...], ...]:
    """The nodes inside a node, in wire order: an element's, a body, or each branch's."""
    if isinstance(node, Repeat):
        return (node.element,)
    if isinstance(node, (Optional, Measured)):
        return (node.body,)
    if isinstance(node, Choice):
        return tuple(branch.body for branch in node.all)
    return ()


def with_bodies(node: Node, inner: tuple[tuple[Node, ...], ...]) -> Node:
    """The node with other nodes inside it, as many as `bodies` gives."""
    if isinstance(node, Repeat):
        return replace(node, element=inner[0])
    if isinstance(node, (Optional, Measured)):
        return replace(node, body=inner[0])
    if isinstance(node, Choice):
        made = tuple(replace(branch, body=body) for branch, body in zip(node.all, inner, strict=True))
        known, last = (made, None) if node.unknown is None else (made[:-1], made[-1])
        return replace(node, branches=known, unknown=last)
    return node


def fixed_size(node: Node) -> int | None:
    """The bits of a node, where they are constant."""
    if isinstance(node, Run):
        return node.size_bits
    if isinstance(node, Repeat) and node.is_fixed and node.count is not None:
        return node.count * node.minimum_bits
    if isinstance(node, Measured) and node.minimum_bits == node.maximum_bits:
        return node.minimum_bits
    return None


def told_branch(node: Choice, raws: Sequence[int]) -> Branch | None:
    """The branch that the raw codes of the telling slots mean; None where none does and octets could not be told."""
    raws = [raw % node.turn for raw in raws] if node.turn else raws
    for branch in node.branches:
        if all(any(raw in one for one in codes) for raw, codes in zip(raws, branch.codes, strict=True)):
            return branch
    return node.unknown


def single_code(slot: Slot, codes: tuple[Range, ...]) -> int | None:
    """The one code of a slot that some codes mean, the shortest of a number of varying size; None where they mean several."""
    if slot.is_continued and all(one.low == one.high for one in codes):
        numbers = {slot.number_of(one.low) for one in codes}
        number = numbers.pop()
        return None if numbers or number is None else slot.code_of(number)
    return codes[0].low if len(codes) == 1 and codes[0].low == codes[0].high else None


def numbers_of(slot: Slot, codes: tuple[Range, ...]) -> tuple[Range, ...]:
    """Raw codes of a slot as numbers, each once: what people are told."""
    if not slot.is_continued:
        return codes
    ends = ((slot.number_of(one.low), slot.number_of(one.high)) for one in codes)
    return tuple(
        sorted({Range(low, high) for low, high in ends if low is not None and high is not None}, key=_low)
    )


def _low(codes: Range) -> int:
    return codes.low


def computed_count(node: Repeat, raws: Mapping[int, int]) -> int:
    """How often a repeat stands whose count is computed from raw codes by slot number; it may be below zero.

    Of a slot that stands in the elements of a list, raws has how many ones are in all of them.
    """
    count = 1
    for factor in node.factors:
        raw = raws[factor.by]
        count *= bin(raw).count("1") if factor.ones and not factor.in_list else raw
    return count + node.plus


def without(limits: tuple[int, int], codes: tuple[Range, ...]) -> tuple[Range, ...]:
    """What is left between two limits without some codes, in rising order."""
    left, low = [], limits[0]
    for one in sorted(codes, key=lambda one: one.low):
        if one.low > low:
            left.append(Range(low, one.low - 1))
        low = max(low, one.high + 1)
    return (*left, Range(low, limits[1])) if low <= limits[1] else tuple(left)


def bits_behind(node: Repeat | Optional, raws: Mapping[int, int]) -> int:
    """The bits behind what runs to an end, by the codes known so far; of what stands in an absent option there is none."""
    there = (
        one.bits
        for one in node.trailers
        if all(by in raws and any(raws[by] in each for each in codes) for by, codes in one.told)
    )
    return node.trailer_bits + sum(there)


def is_told(node: Optional, raws: Mapping[int, int]) -> bool:
    """Whether the codes known so far say that an option is there; what tells of it may be absent itself."""
    if node.told_in_option and node.by not in raws:
        return False
    return node.by is None or any(raws[node.by] in codes for codes in node.codes)


def forget(node: Optional, raws: MutableMapping[int, int]) -> None:
    """Drop the codes of what stands in an option that is absent here: another element may have had them."""
    for inner in walk(node.body):
        for slot in slots_of(inner):
            raws.pop(slot.number, None)


def codes_of_place(node: Repeat, slots: Sequence[Slot], *, is_last: bool) -> tuple[int, tuple[Range, ...]]:
    """The slot that tells whether an element is the last, and the codes that it has in the last one, or in the others."""
    assert node.own_end is not None
    slot = slots[node.own_end.by]
    return slot.number, node.own_end.codes if is_last else without(slot.raw_limits, node.own_end.codes)


def ones_of(slot: Slot, raw: int) -> int:
    """How many bits of a slot are one."""
    return bin(raw & ((1 << slot.width) - 1)).count("1")


def ones_in_element(node: Repeat, raws: Mapping[int, int]) -> int:
    """How many bits are one in an element that is one field, of which the code was read last."""
    slots = slots_of(node.element[0]) if node.bare else ()
    return sum(ones_of(slot, raws.get(slot.number, 0)) for slot in slots)


def tell_ones(node: Repeat, ones: int, raws: MutableMapping[int, int]) -> None:
    """Put down how many bits are one in a list, where what counts them looks."""
    for slot in slots_of(node.element[0]) if node.bare else ():
        raws[slot.number] = ones


def flat(nodes: tuple[Node, ...]) -> Iterator[Node]:
    """The nodes of one container of the record: those of a measured part are its container's."""
    for node in nodes:
        if isinstance(node, Measured):
            yield from flat(node.body)
        else:
            yield node


def tellers(node: Node) -> tuple[int, ...]:
    """The numbers of the slots whose codes decide what a node is made of, or what the codes in it mean."""
    if isinstance(node, Run):
        return tuple(number for slot in node.slots for number in slot.tellers)
    if isinstance(node, Repeat):
        counted = [] if node.counted_by is None else [node.counted_by]
        counted += [] if node.own_end is None else [node.own_end.by]
        return (*counted, *(factor.by for factor in node.factors), *_behind(node))
    if isinstance(node, Optional):
        return (*(() if node.by is None else (node.by,)), *_behind(node))
    if isinstance(node, Measured):
        return (node.by,)
    return node.told_by if isinstance(node, Choice) else ()


def _behind(node: Repeat | Optional) -> Iterator[int]:
    return (by for one in node.trailers for by, _ in one.told)


def slots_of(node: Node) -> tuple[Slot, ...]:
    """The slots that stand in a node itself, not in an element or an option inside it."""
    if isinstance(node, Run):
        return node.slots
    return (node.slot,) if isinstance(node, (Fill, Continued)) else ()
