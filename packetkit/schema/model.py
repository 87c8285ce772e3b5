"""The declared model: what a team wrote, checked word by word, with no idea of where a bit ends up.

Every class is frozen. A key that was not written is None (or empty): defaults with a meaning on the wire belong to the layout.
`places` remembers where each key's value stood, so that a later stage can point at it. Numbers are exact Fractions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from packetkit.errors import Position


@dataclass(frozen=True, slots=True)
class Place:
    """Where something stood in the schema's text: position, that line's text, and how many characters are meant."""

    position: Position
    excerpt: str = ""
    width: int = 1


@dataclass(frozen=True, slots=True)
class Codes:
    """An inclusive range of raw codes; a single code has low == high. reason is empty where none was written."""

    low: int
    high: int
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Product:
    """A computed count: the product of fields, each its code or the number of its bits that are one, plus a number."""

    factors: tuple[tuple[str, bool], ...]  # name, and whether its ones are counted
    plus: int = 0


@dataclass(frozen=True, slots=True)
class Repeat:
    """How often a field repeats: exactly `count` times, as often as the count field `counted_by` says, or to the frame's end.

    product: or as often as a product of fields says. goes_on_when, ends_when: or until an element says that it is the last, by a field
    of its own. maximum bounds a repeat that runs to the end, is computed, or whose elements say which is the last.
    """

    count: int | None = None
    counted_by: str | None = None
    product: Product | None = None
    to_end: bool = False
    maximum: int | None = None
    goes_on_when: Condition | None = None
    ends_when: Condition | None = None
    as_fits: bool = False  # to_end: what is left over maximum is left to what follows


@dataclass(frozen=True, slots=True)
class Alphabet:
    """A text's own characters: `bits` for each, and (code, character) pairs; codes without one are unassigned."""

    bits: int
    characters: tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class Form:
    """One form of a number: the codes of its first bits, the bits that follow, and the number where these, and the code, are the first."""

    low: int
    high: int
    bits: int = 0
    offset: int = 0


@dataclass(frozen=True, slots=True)
class FirstBits:
    """A coding whose first bits say which form a number has. low_octet_first: so lie the octets that follow."""

    bits: int
    forms: tuple[Form, ...]
    low_octet_first: bool = False

    @property
    def name(self) -> str:
        """All of it as one word, the same for the same coding."""
        order = ":low" if self.low_octet_first else ""
        forms = sorted(f"{one.low}/{one.high}/{one.bits}/{one.offset}" for one in self.forms)
        return " ".join((f"first_bits:{self.bits}{order}", *forms))

    @property
    def most(self) -> int:
        """The greatest number of all forms."""
        return max(one.offset + (one.high - one.low + 1 << one.bits) - 1 for one in self.forms)


@dataclass(frozen=True, slots=True)
class TimeCount:
    """One part of a time: its unit, its bits, and how these spell a number: offset + scale * what they spell."""

    unit: str
    bits: int
    coding: str = ""
    scale: int = 1
    offset: int = 0

    @property
    def is_spelled(self) -> bool:
        """Whether its number is anything else than its bits."""
        return bool(self.coding or self.offset) or self.scale != 1


@dataclass(frozen=True, slots=True)
class Condition:
    """A field is there, or its value counts, when the field named `by` holds one of `codes`, or one of the named `states`.

    Both empty: `by` is a flag, and it must be true; or it is the word bytes_remain.
    """

    by: str
    codes: tuple[Codes, ...] = ()
    states: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Covers:
    """What a check covers: `what` is everything_before, whole_frame, names or range.

    names: the fields of `names`; range: from `start` to `end` inclusive, less `names` (the exceptions).
    """

    what: str = "everything_before"
    names: tuple[str, ...] = ()
    start: str = ""
    end: str = ""


@dataclass(frozen=True, slots=True)
class ListedParity:
    """A check of which each bit, the most significant first, is the parity of the listed bits of what is fed, counted from 1."""

    parity: tuple[tuple[int, ...], ...]
    final_xor: int = 0


@dataclass(frozen=True, slots=True)
class FrameSize:
    """In front of a check: how many octets the frame has, as a number of so many bits."""

    bits: int


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit of the ground's, soft or hard; an end that is None is open."""

    name: str
    minimum: Fraction | None = None
    maximum: Fraction | None = None


@dataclass(frozen=True, slots=True)
class Summary:
    """What is kept of at most so many samples; mean_resolution: the mean's own step, if it is finer."""

    samples: int
    keep: tuple[str, ...] = ("minimum", "mean", "maximum", "count")
    mean_resolution: Fraction | None = None


@dataclass(frozen=True, slots=True)
class Bundle:
    """So many samples of a number in one frame, and the largest step from one to the next, in its unit."""

    samples: int
    maximum_step: Fraction


@dataclass(frozen=True, slots=True)
class Calibration:
    """The curve of one unit, by its serial: coefficients, the constant one first, or points; one of them is empty."""

    serial: str
    polynomial: tuple[Fraction, ...] = ()
    points: tuple[tuple[Fraction, Fraction], ...] = ()


@dataclass(frozen=True, slots=True)
class Curve:
    """How codes become values where that is not linear: `what` is square, polynomial, points or table.

    coefficients: of a polynomial, the constant first. points: of points and table, (raw, value), ascending.
    """

    what: str
    keeps_sign: bool = False
    coefficients: tuple[Fraction, ...] = ()
    points: tuple[tuple[int, Fraction], ...] = ()


@dataclass(frozen=True, slots=True)
class ScaleChoice:
    """value = offset + scale * raw where the choosing field holds `said`: a code, or the name of a state."""

    said: int | str
    scale: Fraction
    offset: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True)
class ScaleBy:
    """A scale chosen by the field named `by`."""

    by: str
    choices: tuple[ScaleChoice, ...]


@dataclass(frozen=True, slots=True)
class CustomCrc:
    """A CRC by its six parameters, in the notation of the published catalogue (unreflected, without the leading term)."""

    width: int
    polynomial: int
    initial: int = 0
    reflect_in: bool = False
    reflect_out: bool = False
    final_xor: int = 0


@dataclass(frozen=True, slots=True)
class Field:
    """One entry of a frame's or a group's list of fields, whatever its kind (a row of `kinds.KINDS`).

    kind is always set by the loader: written, or told by the keys. fields holds the members of a group or a set of flags.
    """

    name: str
    kind: str
    place: Place
    places: Mapping[str, Place] = field(default_factory=dict, compare=False, repr=False)
    named: bool = True  # False: the loader made the name up, for reserved bits without one
    whole: bool = True  # False: something in it could not be read; later stages leave it out
    description: str = ""
    unit: str = ""
    preset: str | None = None
    # the number on the wire
    bits: int | None = None
    runs: tuple[
        tuple[int, int], ...
    ] = ()  # (bit from the start of the group, width), the most significant first
    signed: bool | None = None
    order: str | None = None  # big | little
    coding: str | None = None  # a row of layout.coding.CODINGS
    first_bits: FirstBits | None = None  # what coding is, where first bits say how long the number is
    packing: str | None = None  # most_significant_first | least_significant_first (a group's)
    word_bits: int | None = None
    # its value
    scale: Fraction | None = None
    offset: Fraction | None = None
    scale_by: ScaleBy | None = None
    curve: Curve | None = None
    minimum: Fraction | None = None
    maximum: Fraction | None = None
    resolution: Fraction | None = None
    states: tuple[tuple[int, str], ...] = ()
    code: tuple[Codes, ...] = ()
    missing: bool | tuple[Codes, ...] = False  # True: the usual code of its kind
    at_least: int | None = None
    at_most: int | None = None
    out_of_range: str | None = None  # error | clamp | missing
    flag: str | None = None  # the flag that clamping raises
    default: Fraction | bool | str | None = None
    # what it is for
    role: str | None = None
    modulus: int | None = None
    tick_s: Fraction | None = None
    epoch: str | None = None
    counts: tuple[
        TimeCount, ...
    ] = ()  # a time's parts: of falling unit, or as the calendar's lie in the frame
    fraction_base: int | None = None
    leap_seconds: str | None = None  # counted | not_counted
    reference_date: str | None = None
    # structure
    fields: tuple[Field, ...] = ()
    repeat: Repeat | None = None
    variants: tuple[Variant, ...] = ()
    told_by: tuple[str, ...] = ()  # names of fields; ("outside",): none of them
    in_turn: bool = False  # its variants, by the remainder of the one telling field
    carried: str = (
        ""  # a frame's name; of a group: that it is this frame, with spans and boundaries of its own
    )
    size_bytes: int | None = None  # of what is carried, fill included
    present_when: Condition | None = None
    valid_when: Condition | None = None
    up_to: str | None = None  # byte | word_16 | word_32
    # what only the ground knows of
    derived: str = ""  # the arithmetic, as written
    limits: tuple[Limit, ...] = ()  # the hard one first
    calibration: tuple[Calibration, ...] = ()
    # compact by design
    summary: Summary | None = None  # of a summary, and of the group that it is written out as
    bundle: Bundle | None = None
    part: str = ""  # in such a group: minimum, mean, maximum or count
    strict: bool | None = None
    # checks
    algorithm: str | CustomCrc | ListedParity | None = None
    covers: Covers | None = None
    also: tuple[int | str | FrameSize, ...] = ()  # in front of the span: octets, fields, the frame's size
    mixed_with: str | None = None
    starts_from: str | None = None  # the field that a CRC's register first holds
    zero_is_sent_as: str | None = None  # all_ones
    not_computed: int | None = None  # the code that says that there is no check
    self_rule: str | None = None  # key `self`: zero | skip | ones
    stored: str | None = None  # high_octet_first | low_octet_first | bits_reversed
    fill: int | str | None = None  # zero, a character, or a code
    # texts and octets
    length: Repeat | None = None  # of characters, or of octets
    encoding: str | None = None  # ascii | utf_8
    alphabet: Alphabet | None = None
    ends_with: int | str | None = None  # a character or a code
    characters: tuple[tuple[int, str], ...] = ()  # the digits of a radix text
    first_character: str | None = None  # most_significant | least_significant
    # lengths
    measures: str | None = None  # a name, or whole_frame
    counts_in: str | None = None  # key `in`: a row of kinds.UNITS
    not_counted: tuple[int, int] | None = None  # after so many octets, and after the rest, so many more
    less: int = 0


@dataclass(frozen=True, slots=True)
class Variant:
    """One form of a field with variants: when its tellers hold these codes, it is made of these fields.

    otherwise: when its teller holds a code that no other variant has.
    """

    name: str
    place: Place
    when: tuple[Condition, ...] = ()
    fields: tuple[Field, ...] = ()
    otherwise: bool = False


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame as declared: its fields in wire order and how often it is sent."""

    name: str
    place: Place
    fields: tuple[Field, ...]
    places: Mapping[str, Place] = field(default_factory=dict, compare=False, repr=False)
    description: str = ""
    packing: str | None = None
    order: str | None = None
    strict: bool | None = None
    last_byte: str | None = None  # zero_filled
    cadence_s: Fraction | None = None
    told_by: str | None = None  # outside
    carried_only: bool = False  # another frame carries it, and it has no cadence


@dataclass(frozen=True, slots=True)
class Chirp:
    """The radio setting as written; whether a modem can do it is the radio part's to say."""

    spreading_factor: int
    bandwidth_khz: Fraction
    coding_rate: str = "4/5"
    preamble_symbols: int = 8
    header: str = "explicit"
    crc: bool = True
    low_data_rate: str = "auto"
    modem: str | None = None
    frequency_mhz: Fraction | None = None
    sync_word: int = 0x12
    inverted_iq: bool = False
    places: Mapping[str, Place] = field(default_factory=dict, compare=False, repr=False)


@dataclass(frozen=True, slots=True)
class End:
    """One end of the link as written; numbers in decibels."""

    place: Place
    places: Mapping[str, Place] = field(default_factory=dict, compare=False, repr=False)
    power_dbm: Fraction | None = None
    antenna_gain_dbi: Fraction = Fraction(0)
    line_loss_db: Fraction = Fraction(0)
    pointing_loss_db: Fraction = Fraction(0)
    receiver: str | None = None
    noise_figure_db: Fraction | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """One part of `passes` or `link`, or `battery`, as written: its values by key (a row of `kinds.PART_KEYS`), numbers exact."""

    place: Place
    places: Mapping[str, Place] = field(default_factory=dict, compare=False, repr=False)
    numbers: Mapping[str, Fraction] = field(default_factory=dict)
    lines: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Link:
    """How frames travel: the radio setting, the longest frame it takes, and what the driver adds to each one."""

    place: Place
    places: Mapping[str, Place] = field(default_factory=dict, compare=False, repr=False)
    chirp: Chirp | None = None
    maximum_frame_bytes: int | None = None
    driver_bytes: int = 0
    gap_s: Fraction = Fraction(0)
    share_of_hour_percent: Fraction | None = None
    unit: End | None = None
    ground: End | None = None
    polarisation_loss_db: Fraction = Fraction(0)
    fading_db: Fraction = Fraction(0)
    noise: str | None = None
    region: str | None = None
    fsk: Part | None = None


@dataclass(frozen=True, slots=True)
class Passes:
    """When the ground can listen: one of an orbit, elements over a site, a flight, a distance, a duration, or a host's quota."""

    place: Place
    places: Mapping[str, Place] = field(default_factory=dict, compare=False, repr=False)
    altitude_km: Fraction | None = None
    minimum_elevation_deg: Fraction | None = None
    duration_s: Fraction | None = None
    per_day: Fraction | None = None
    elements: Part | None = None
    site: Part | None = None
    balloon: Part | None = None
    rocket: Part | None = None
    distance_km: Fraction | None = None
    host: Part | None = None


@dataclass(frozen=True, slots=True)
class Mission:
    """A whole schema file."""

    name: str
    place: Place
    frames: tuple[Frame, ...]
    description: str = ""
    link: Link | None = None
    passes: Passes | None = None
    battery: Part | None = None
    file: str = ""
