"""The keys of fields and of what stands in them, with the words that some of them choose from.

A new word of the language is a row here; which kinds of field take it, the table in `kinds` says.
"""

from __future__ import annotations

from fractions import Fraction

from packetkit.schema.keys import Key, table

# What a length may count in, and the bits of each.
UNITS: dict[str, int] = {"bits": 1, "bytes": 8, "words_of_16": 16, "words_of_32": 32, "words_of_64": 64}

ROLES: dict[str, str] = {
    "sequence": "Counts frames, one up each time; wraps.",
    "boot": "Counts restarts of the unit.",
    "clock": "The unit's time.",
    "frame_id": "Says which frame this is.",
    "version": "Says which version of the schema wrote the frame.",
    "call_sign": "Says who sends.",
}

FIELD_KEYS = table(
    Key("name", "name", "The field's name: lower-case letters, digits and underscores, 40 at most."),
    Key("kind", "kind", "What the field is; a number unless said or told by its keys."),
    Key("description", "text", "A sentence for people."),
    Key("unit", "unit", "The unit of the value."),
    Key("preset", "preset", "A quantity whose usual range, resolution, unit and missing code are filled in."),
    Key("bits", "bits", "Width on the wire."),
    Key(
        "runs",
        "runs",
        "Where the bits of a split value are: [bit, width] each, from the start of the group, the most significant first.",
    ),
    Key("signed", "boolean", "true: two's complement."),
    Key("order", "word", "Which octet of the number comes first.", ("big", "little")),
    Key(
        "coding",
        "coding",
        "How the bits spell the number, where they are not plain binary; continued: seven bits an octet, as many octets as it needs. "
        "Where its first bits say its size: {first_bits: 2, forms: [{code: 0, bits: 6}, {code: 1, bits: 14}]}.",
        (
            "sign_and_magnitude",
            "binary_coded_decimal",
            "gray",
            "continued_low_first",
            "continued_low_first_signed",
            "continued_high_first",
        ),
    ),
    Key(
        "packing",
        "word",
        "Which bit of a byte comes first, in this group.",
        ("most_significant_first", "least_significant_first"),
    ),
    Key(
        "word_bits",
        "word_bits",
        "With order: little, the group is packed into words of so many bits, low octet first.",
    ),
    Key("scale", "number", "value = offset + scale * raw."),
    Key("offset", "number", "value = offset + scale * raw."),
    Key(
        "scale_by",
        "scale_by",
        "The field, before or behind, that chooses the scale, with a scale, or {scale, offset}, for each of its codes or states: "
        "{gain: {0: 1/16, high: 4}}.",
    ),
    Key(
        "curve",
        "curve",
        "How codes become values where that is not linear: square, {square: {keeps_sign: true}}, {polynomial: [c0, c1, ...]}, "
        "{points: [[raw, value], ...]} or {table: {raw: value}}.",
    ),
    Key("minimum", "number", "The least value; by meaning, raw code 0."),
    Key("maximum", "number", "The greatest value."),
    Key("resolution", "positive", "The step from one value to the next."),
    Key("states", "states", "Names of raw codes."),
    Key("code", "codes", "The raw code, or the codes, that a constant, sync or tag has."),
    Key("missing", "missing", "Codes that mean: no value. true is the usual one."),
    Key(
        "at_least",
        "code",
        "The raw code that means: this value or more; that of the greatest value, or the next.",
    ),
    Key(
        "at_most",
        "code",
        "The raw code that means: this value or less; that of the least value, or the next below.",
    ),
    Key(
        "out_of_range",
        "word",
        "What encoding does with a value outside the range.",
        ("error", "clamp", "missing"),
    ),
    Key("flag", "reference", "The flag that is raised when a value is clamped."),
    Key("default", "value", "The value sent when the record has none."),
    Key("role", "word", "What accounting and time axes use the field for.", tuple(ROLES)),
    Key("modulus", "integer", "A sequence or boot counter wraps at this number; 2 to the bits unless said."),
    Key("tick_s", "positive", "Seconds from one code of a clock to the next."),
    Key(
        "counts",
        "counts",
        "The parts of a time with the bits of each, of falling unit: {days: 16, milliseconds: 32}; with years in any order, "
        "each of more than bits as {bits: 5, scale: 2}.",
    ),
    Key(
        "fraction_base",
        "integer",
        "How many fractions make one unit of the part before; without it the bits say.",
    ),
    Key(
        "leap_seconds",
        "word",
        "Whether leap seconds are counted, as atomic and navigation clocks do, or each day has 86,400.",
        ("counted", "not_counted"),
    ),
    Key(
        "reference_date",
        "instant",
        "For a count that begins anew: the moment meant is the first that is not before this date.",
    ),
    Key("epoch", "instant", "The UTC instant at which a clock reads zero, as 2030-01-31T00:00:00Z."),
    Key("group", "fields", "Fields that belong together: a mapping in the record."),
    Key("flags", "flags", "A set of flags, in wire order: names, or fields for the parts of several bits."),
    Key(
        "repeat",
        "repeat",
        "How often it repeats: a number, {count: name}, {to_end: true, maximum: n}, or {goes_on_when: flag, maximum: n}; see repeat.",
    ),
    Key(
        "present_when",
        "condition",
        "The flag, or the field and its codes, that says the field is there, an absent one saying no; or bytes_remain.",
    ),
    Key(
        "valid_when",
        "condition",
        "The flag, or the field and its codes, before or behind it, that says the value counts; its bits are there all the same.",
    ),
    Key("variants", "variants", "The forms of this part: each a name, when it is meant, and its group."),
    Key(
        "told_by",
        "tellers",
        "The fields whose codes tell the variants apart; outside: not the frame's bytes tell it.",
    ),
    Key(
        "in_turn",
        "boolean",
        "true: the variants take turns in one place: the n-th is sent where the telling sequence, modulo their number, is n.",
    ),
    Key("carried", "name", "The frame of this mission that this one carries, from a whole byte on."),
    Key(
        "size_bytes",
        "size",
        "How many bytes what is carried has: zeros fill them behind a frame that has fewer.",
    ),
    Key(
        "summary",
        "summary",
        "Instead of its samples: how many are summed up, what of them is kept, and how fine the mean is.",
    ),
    Key(
        "bundle",
        "bundle",
        "Several samples in one frame: how many, and the largest step from one to the next.",
    ),
    Key(
        "limits",
        "limits",
        "What the ground warns of: soft and hard, each with minimum and maximum. Not part of the frame.",
    ),
    Key(
        "calibration",
        "calibration",
        "Curves from the decoded to the true value, by the serial of the unit. The ground's; not part of the frame.",
    ),
    Key(
        "derived",
        "text",
        "What the ground works out from fields above: + - * / and parentheses, min, max, abs, sqrt.",
    ),
    Key(
        "up_to",
        "word",
        "Reserved bits up to the next boundary from the frame's start.",
        ("byte", "word_16", "word_32"),
    ),
    Key("strict", "boolean", "true: a frame with these bits not zero is rejected."),
    Key(
        "algorithm",
        "algorithm",
        "The check's name in the catalogue, its six parameters, or the bits of each parity.",
    ),
    Key(
        "covers",
        "covers",
        "What the check covers: everything_before unless said; whole_frame, a name, a list of names, or {from: a, to: b, except: [c]}.",
    ),
    Key(
        "also",
        "in_front",
        "What is fed in front of what the check covers: octets, names of fields, {size_of: whole_frame, bits: 16}.",
    ),
    Key("starts_from", "reference", "The field before the check with whose code a CRC's register starts."),
    Key("zero_is_sent_as", "word", "What is sent where the check comes to zero.", ("all_ones",)),
    Key("not_computed", "integer", "The code that says that the check was not computed."),
    Key(
        "mixed_with",
        "reference",
        "The field before the check with whose code it is combined by exclusive or.",
    ),
    Key("self", "word", "How the check's own bits count inside its span.", ("zero", "skip", "ones")),
    Key(
        "stored",
        "word",
        "How the check lies on the wire.",
        ("high_octet_first", "low_octet_first", "bits_reversed"),
    ),
    Key(
        "fill",
        "fill",
        "What completes what is too short: zero bits (zero), or a text's character or code; stripped on decode.",
    ),
    Key(
        "length",
        "extent",
        "How many characters, or octets of bytes: a number, {count: name}, rest, or {at_most: n} in an element.",
    ),
    Key("encoding", "word", "How a text's octets are characters; ascii unless said.", ("ascii", "utf_8")),
    Key("alphabet", "alphabet", "A text's own characters: {bits: 6, characters: a text from code 0 on}."),
    Key("ends_with", "character", "The character or code that ends a text before its length is up."),
    Key("characters", "characters", "The digits of a text that is sent as one number, from digit 0 on."),
    Key(
        "first_character",
        "word",
        "Which digit of the number a text begins with; most_significant unless said.",
        ("most_significant", "least_significant"),
    ),
    Key("measures", "measured", "What a length counts: a field, a group, or whole_frame."),
    Key("in", "word", "The units that a length counts in.", tuple(UNITS)),
    Key(
        "not_counted",
        "not_counted",
        "Octets that a length does not count: {every: 16, octets: 2}, after each 16 and after the rest.",
    ),
    Key("less", "integer", "A length is sent as the size less this number."),
)

VARIANT_KEYS = table(
    Key("name", "name", "The variant's key in the record."),
    Key(
        "when",
        "when",
        "Each telling field and the codes, or states, that it must hold: {tag: 1}; or otherwise, for every code that no other has.",
    ),
    Key("group", "fields", "The variant's fields; left out, it has none."),
)

FIRST_BITS_KEYS = table(
    Key("first_bits", "bits", "How many first bits say which form the number has."),
    Key("order", "word", "Which octet comes first of those that follow; big unless said.", ("big", "little")),
    Key("forms", "forms", "The forms, each for a code of the first bits, or several."),
)

FORM_KEYS = table(
    Key("code", "integer", "The code of the first bits."),
    Key("from", "integer", "The first of several codes, which then are a part of the number."),
    Key("to", "integer", "The last of these."),
    Key("bits", "integer", "The bits that follow; none unless said."),
    Key("offset", "integer", "The least number of the form; 0 unless said."),
)

CHOICE_KEYS = table(
    Key("scale", "number", "value = offset + scale * raw."),
    Key("offset", "number", "value = offset + scale * raw."),
)

LIMIT_KEYS = table(
    Key("minimum", "number", "The least value that is within the limit."),
    Key("maximum", "number", "The greatest value that is within the limit."),
)

REPEAT_KEYS = table(
    Key(
        "count", "counter", "A count before it; or a count that is worked out: {product_of: names, plus: n}."
    ),
    Key("to_end", "boolean", "true: to the end of the measured part around, or of the frame."),
    Key(
        "goes_on_when",
        "condition",
        "The flag in each element, or its field and codes, that says: another follows.",
    ),
    Key(
        "ends_when",
        "condition",
        "The flag in each element, or its field and codes, that says: this is the last.",
    ),
    Key("maximum", "elements", "The most elements that there can be, where no count field says it."),
)

PRODUCT_KEYS = table(
    Key(
        "product_of",
        "factors",
        "Fields before it that are multiplied; {ones_in: name} is how many of its bits are one.",
    ),
    Key("ones_in", "reference", "The one field whose bits that are one are counted."),
    Key("plus", "integer", "What is added to the product; 0 unless said."),
)

FACTOR_KEYS = table(Key("ones_in", "reference", "The field whose bits that are one are counted."))

LIMITS_KEYS = table(
    Key("soft", "limit", "Worth a look: the value is unusual."),
    Key("hard", "limit", "The value should never be there."),
)

SUMMARY_KEYS = table(
    Key("samples", "samples", "The most samples that are summed up."),
    Key("keep", "kept", "What is sent of minimum, mean, maximum and count; all four unless said."),
    Key("mean_resolution", "positive", "A finer step for the mean, which divides the resolution."),
)

BUNDLE_KEYS = table(
    Key("samples", "bundled", "How many samples a frame has, the oldest first."),
    Key("maximum_step", "positive", "The largest step from one sample to the next, up or down."),
)

CURVE_KEYS = table(
    Key("polynomial", "coefficients", "c0, c1, ...: the true value is c0 + c1 x + ..., where x was decoded."),
    Key(
        "points",
        "points",
        "Pairs of what was decoded and the true value, upwards; straight between, none beyond.",
    ),
)

# Units that a time may count, in seconds; a fraction is one of the unit before it.
TIME_UNITS: dict[str, Fraction | None] = {
    "weeks": Fraction(604_800),
    "days": Fraction(86_400),
    "hours": Fraction(3_600),
    "minutes": Fraction(60),
    "seconds": Fraction(1),
    "milliseconds": Fraction(1, 10**3),
    "microseconds": Fraction(1, 10**6),
    "nanoseconds": Fraction(1, 10**9),
    "picoseconds": Fraction(1, 10**12),
    "fraction": None,
}

# Units whose length the calendar says.
CALENDAR_UNITS = ("years", "months")

COUNT_KEYS = table(
    Key("bits", "bits", "Width on the wire."),
    Key(
        "coding",
        "word",
        "How its bits spell the number, where they are not plain binary.",
        ("binary_coded_decimal",),
    ),
    Key(
        "scale",
        "integer",
        "The number is offset + scale * what the bits spell: seconds in twos have scale: 2.",
    ),
    Key(
        "offset",
        "integer",
        "The number is offset + scale * what the bits spell: years from 1980 have offset: 1980.",
    ),
)

SQUARE_KEYS = table(
    Key("keeps_sign", "boolean", "true: the square of a negative root is negative."),
)

CRC_KEYS = table(
    Key("width", "integer", "Bits of the register, 3 to 82."),
    Key(
        "polynomial",
        "integer",
        "The generator polynomial without its leading term, most significant term first.",
    ),
    Key("initial", "integer", "The register's first content."),
    Key("reflect_in", "boolean", "true: each octet enters least significant bit first."),
    Key("reflect_out", "boolean", "true: the register is mirrored before the final xor."),
    Key("final_xor", "integer", "What the register is combined with at the end."),
)

SIZE_KEYS = table(
    Key("size_of", "word", "What is measured, in octets.", ("whole_frame",)),
    Key("bits", "integer", "How many bits its size has there: 16 or 32."),
)

NOT_COUNTED_KEYS = table(
    Key(
        "every",
        "integer",
        "After so many counted octets, and after the rest, stand some that are not counted.",
    ),
    Key("octets", "integer", "How many these are."),
)

PARITY_KEYS = table(
    Key(
        "parity",
        "bit_lists",
        "For each bit of the check, the highest first, the bits that are one an even number of times with it, counted from 1.",
    ),
    Key("final_xor", "integer", "What the check is combined with at the end: ones where a parity is odd."),
)
