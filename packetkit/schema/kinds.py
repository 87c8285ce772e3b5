"""The words of the schema language, as tables: which keys there are, how each is read, and which kind of field takes which.

The loader walks these tables; the editor schema and the language reference are rendered from them. A new kind of field is a row
in KINDS (and its meaning in the layout); a new word is a row in one of the key tables.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

# What a length may count in, and the bits of each.
UNITS: dict[str, int] = {"bits": 1, "bytes": 8, "words_of_16": 16, "words_of_32": 32}


@dataclass(frozen=True, slots=True)
class Key:
    """One word of the language. reads names how its value is read (a reader of the loader); choices are the words it may be."""

    name: str
    reads: str
    help: str
    choices: tuple[str, ...] = ()


def _table(*keys: Key) -> dict[str, Key]:
    return {key.name: key for key in keys}


MISSION_KEYS = _table(
    Key(
        "mission", "mission_name", "The mission's name: lower-case letters, digits, hyphens and underscores."
    ),
    Key("description", "text", "A sentence for people."),
    Key("frames", "frames", "The frames by name, each with its fields in wire order."),
    Key("link", "link", "The radio setting and the limits of a frame."),
    Key("passes", "passes", "When the ground can listen."),
    Key("battery", "part", "What there is to spend, for energy and life."),
)

FRAME_KEYS = _table(
    Key("description", "text", "A sentence for people."),
    Key("fields", "fields", "The fields, in the order in which they are sent."),
    Key(
        "packing",
        "word",
        "Which bit of a byte comes first.",
        ("most_significant_first", "least_significant_first"),
    ),
    Key("order", "word", "Which octet of a number of 16 bits and more comes first.", ("big", "little")),
    Key("strict", "boolean", "true: a frame with a non-zero reserved bit is rejected, not only reported."),
    Key("last_byte", "word", "How a frame that ends inside a byte is completed.", ("zero_filled",)),
    Key(
        "told_by",
        "word",
        "outside: not the frame's bytes but where they came from (a topic, a port, a file) says that it is this frame.",
        ("outside",),
    ),
    Key("cadence_s", "positive", "Seconds from one such frame to the next."),
)

# Rows of the radio part's tables, which a test holds these to: the schema knows no radio.
NOISE_PLACES = ("city", "residential", "rural", "quiet_rural")
REGIONS = ("eu", "us", "as923")
RECEIVERS = ("sx1272", "sx1276", "sx1262", "llcc68")

LINK_KEYS = _table(
    Key("chirp", "chirp", "The chirp spread-spectrum radio's setting."),
    Key("fsk", "part", "Plain frequency-shift keying, to be counted beside chirp."),
    Key(
        "maximum_frame_bytes",
        "size",
        "The longest frame that the link takes, without the driver's own bytes.",
    ),
    Key(
        "driver_bytes",
        "size",
        "Bytes that the radio driver adds to each frame; they are sent, and paid for in airtime.",
    ),
    Key("gap_s", "positive_or_zero", "Seconds of silence between two frames."),
    Key(
        "share_of_hour_percent",
        "percent",
        "The share of each hour that may be spent sending; local rules decide.",
    ),
    Key("unit", "end", "The end that flies: its power, antenna and receiver."),
    Key(
        "ground",
        "end",
        "The end on the ground: its antenna and receiver, and its power where there is an uplink.",
    ),
    Key(
        "polarisation_loss_db",
        "positive_or_zero",
        "Loss by unlike polarisation, in dB: 3 from linear to circular.",
    ),
    Key("fading_db", "positive_or_zero", "Allowance for fading that is taken off the margin, in dB."),
    Key(
        "noise",
        "word",
        "Man-made radio noise where the ground station stands; none unless said.",
        NOISE_PLACES,
    ),
    Key("region", "word", "Whose figures to compare power and time with; local rules decide.", REGIONS),
)

END_KEYS = _table(
    Key("power_dbm", "number", "Power at the transmitter's connector, in dBm."),
    Key("antenna_gain_dbi", "number", "Gain of the antenna over an isotropic one, in dBi."),
    Key("line_loss_db", "positive_or_zero", "Loss between radio and antenna, in dB."),
    Key("pointing_loss_db", "positive_or_zero", "Loss because the antenna points elsewhere, in dB."),
    Key("receiver", "word", "The receiver whose data sheet gives the sensitivity.", RECEIVERS),
    Key(
        "noise_figure_db",
        "positive_or_zero",
        "Noise figure of the whole receiving chain, in dB, instead of a data sheet's rows.",
    ),
)

CHIRP_KEYS = _table(
    Key("spreading_factor", "integer", "Bits carried by one symbol, 5 to 12."),
    Key("bandwidth_khz", "number", "Bandwidth in kHz: a row of the table of real bandwidths."),
    Key("coding_rate", "line", "Code rate of the payload: 4/5, 4/6, 4/7 or 4/8."),
    Key("preamble_symbols", "integer", "Programmed preamble length in symbols."),
    Key("header", "word", "Whether the radio's own header is sent.", ("explicit", "implicit")),
    Key("crc", "boolean", "Whether the radio adds its own 16-bit CRC."),
    Key(
        "low_data_rate", "word", "Low-data-rate optimisation: by the rule, or forced.", ("auto", "on", "off")
    ),
    Key("modem", "line", "The modem family, where it matters (spreading factors 5 and 6)."),
    Key("frequency_mhz", "positive", "Carrier frequency in MHz."),
    Key("sync_word", "octet", "Sync word as the older family writes it, 0x00 to 0xFF; 0x12 unless said."),
    Key("inverted_iq", "boolean", "true: the chirps run the other way."),
)

PASSES_KEYS = _table(
    Key("altitude_km", "positive", "Altitude of a circular orbit above the mean equatorial radius, in km."),
    Key(
        "minimum_elevation_deg",
        "number",
        "Elevation above the horizon from which the ground hears the unit, in degrees.",
    ),
    Key("duration_s", "positive", "How long a pass lasts, where it is not an orbit's."),
    Key("per_day", "positive", "Passes a day."),
    Key("elements", "part", "Two-line elements of an orbit, as published."),
    Key("site", "part", "Where the ground station stands, for passes of elements."),
    Key("balloon", "part", "A balloon's flight: up, burst, and down under a parachute."),
    Key("rocket", "part", "A sounding rocket's flight: a ballistic arc, with a parachute if it has one."),
    Key("distance_km", "positive", "The distance of a unit that stays where it is, with duration_s."),
    Key("host", "part", "A host vehicle or message service that takes a quota a day."),
)

# The keys of each part of `passes`, of `battery` and of `link`, and which of them it cannot do without.
PART_KEYS: dict[str, dict[str, Key]] = {
    "elements": _table(
        Key("line_1", "line", "The first line, 69 characters."),
        Key("line_2", "line", "The second line, 69 characters."),
    ),
    "site": _table(
        Key("latitude_deg", "number", "Degrees north, below zero in the south."),
        Key("longitude_deg", "number", "Degrees east, below zero in the west."),
        Key("height_m", "number", "Metres above the ellipsoid; 0 unless said."),
    ),
    "balloon": _table(
        Key("burst_altitude_km", "positive", "Where it bursts, in km above the ground station."),
        Key("ascent_m_per_s", "positive", "Speed upwards, in m/s."),
        Key(
            "descent_m_per_s",
            "positive",
            "Speed of the parachute at the ground, in m/s; it is faster in thin air.",
        ),
        Key("drift_m_per_s", "positive_or_zero", "Mean speed of the wind that carries it away, in m/s."),
        Key("mast_m", "positive_or_zero", "Height of the ground antenna above flat ground, in m."),
    ),
    "rocket": _table(
        Key("apogee_km", "positive", "The highest point, in km above the ground station."),
        Key(
            "downrange_km",
            "positive_or_zero",
            "Where the arc comes down again, in km from the ground station.",
        ),
        Key("parachute_altitude_km", "positive", "Where the parachute opens on the way down."),
        Key("descent_m_per_s", "positive", "Speed of the parachute at the ground, in m/s."),
    ),
    "fsk": _table(
        Key("bitrate_kbps", "positive", "Bit rate in kilobits a second."),
        Key("preamble_bytes", "size", "Bytes of preamble; 4 unless said."),
        Key("sync_bytes", "size", "Bytes of the radio's sync word; 2 unless said."),
        Key(
            "length_bytes", "size", "1 where the packet says its length, as unless said; 0 where both fix it."
        ),
        Key("address_bytes", "size", "1 where the packet says an address; 0 unless said."),
        Key("crc_bytes", "size", "Bytes of the radio's own check; 2 unless said."),
        Key("manchester", "boolean", "true: what follows the sync word is sent twice as long."),
    ),
    "battery": _table(
        Key("capacity_wh", "positive", "Capacity in watt-hours."),
        Key(
            "load_mw",
            "positive_or_zero",
            "Mean load of everything but the radio, in milliwatts: sensors, computer.",
        ),
        Key(
            "receiving_percent",
            "positive_or_zero",
            "Share of the time beside sending in which the radio receives; 0 unless said: it sleeps.",
        ),
        Key("supply_v", "positive", "Volts at the radio; 3.3 unless said."),
        Key(
            "usable_percent",
            "percent",
            "Share of the capacity that can be used; 80 unless said (common practice).",
        ),
    ),
    "host": _table(
        Key("messages_per_day", "positive", "Messages that the service takes in a day."),
        Key("message_bytes", "size", "The longest message that it takes."),
    ),
}
PART_NEEDS: dict[str, tuple[str, ...]] = {
    "elements": ("line_1", "line_2"),
    "site": ("latitude_deg", "longitude_deg"),
    "balloon": ("burst_altitude_km", "ascent_m_per_s", "descent_m_per_s"),
    "rocket": ("apogee_km",),
    "host": ("messages_per_day", "message_bytes"),
    "battery": ("capacity_wh",),
    "fsk": ("bitrate_kbps",),
}

ROLES: dict[str, str] = {
    "sequence": "Counts frames, one up each time; wraps.",
    "boot": "Counts restarts of the unit.",
    "clock": "The unit's time.",
    "frame_id": "Says which frame this is.",
    "version": "Says which version of the schema wrote the frame.",
    "call_sign": "Says who sends.",
}

FIELD_KEYS = _table(
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
        "word",
        "How the bits spell the number, where they are not plain binary.",
        ("sign_and_magnitude", "binary_coded_decimal", "gray"),
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
        "The field that chooses the scale, with a scale, or {scale, offset}, for each of its codes or states: {gain: {0: 1/16, high: 4}}.",
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
    Key("at_least", "code", "The raw code that means: this value or more."),
    Key("at_most", "code", "The raw code that means: this value or less."),
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
        "The parts of a time with the bits of each, of falling unit: {days: 16, milliseconds: 32}, {weeks: 10, seconds: 20}.",
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
        "How often the field repeats: a number, {count: name}, {count: {product_of: [names], plus: n}}, or {to_end: true, maximum: n}.",
    ),
    Key(
        "present_when",
        "condition",
        "The flag, or the field and its codes, that says the field is there; or bytes_remain.",
    ),
    Key(
        "valid_when",
        "condition",
        "The flag, or the field and its codes, that says the value counts; its bits are there all the same.",
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
    Key("algorithm", "algorithm", "The check's name in the catalogue, or its six parameters."),
    Key("covers", "covers", "What the check covers: everything_before unless said."),
    Key("also", "octets", "Octets that are fed in front of what the check covers, and are not sent."),
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
    Key("length", "extent", "How many characters, or octets of bytes: a number, {count: name}, or rest."),
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
    Key("less", "integer", "A length is sent as the size less this number."),
)

VARIANT_KEYS = _table(
    Key("name", "name", "The variant's key in the record."),
    Key("when", "when", "Each telling field and the codes, or states, that it must hold: {tag: 1}."),
    Key("group", "fields", "The variant's fields; none where it is empty."),
)

CHOICE_KEYS = _table(
    Key("scale", "number", "value = offset + scale * raw."),
    Key("offset", "number", "value = offset + scale * raw."),
)

LIMIT_KEYS = _table(
    Key("minimum", "number", "The least value that is within the limit."),
    Key("maximum", "number", "The greatest value that is within the limit."),
)

LIMITS_KEYS = _table(
    Key("soft", "limit", "Worth a look: the value is unusual."),
    Key("hard", "limit", "The value should never be there."),
)

SUMMARY_KEYS = _table(
    Key("samples", "samples", "The most samples that are summed up."),
    Key("keep", "kept", "What is sent of minimum, mean, maximum and count; all four unless said."),
    Key("mean_resolution", "positive", "A finer step for the mean, which divides the resolution."),
)

BUNDLE_KEYS = _table(
    Key("samples", "bundled", "How many samples a frame has, the oldest first."),
    Key("maximum_step", "positive", "The largest step from one sample to the next, up or down."),
)

CURVE_KEYS = _table(
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

SQUARE_KEYS = _table(
    Key("keeps_sign", "boolean", "true: the square of a negative root is negative."),
)

CRC_KEYS = _table(
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


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of field: which keys it must and may have beside COMMON_KEYS, and the LANGUAGE rows it serves."""

    name: str
    help: str
    required: tuple[str, ...]
    optional: tuple[str, ...]
    rows: tuple[int, ...]


# Keys that tell the kind of a field, which has their name.
TELLING = ("group", "flags", "states", "variants", "derived", "summary", "bundle", "carried")

# Kinds whose `fill` is zero bits; of the others it is a character.
ZERO_FILLED = ("check", "length")

COMMON_KEYS = ("name", "kind", "description", "present_when", "repeat")
_CODES = ("missing", "at_least", "at_most", "out_of_range", "flag", "default")
_ROLE = ("role", "modulus", "tick_s", "epoch")

KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind(
            "number",
            "A number: by meaning (minimum, maximum, resolution) or by wire (bits, signed, scale, offset).",
            (),
            (
                "unit",
                "preset",
                "bits",
                "runs",
                "signed",
                "order",
                "coding",
                "scale",
                "offset",
                "scale_by",
                "curve",
                "minimum",
                "maximum",
                "resolution",
                *_CODES,
                *_ROLE,
                "valid_when",
                "limits",
                "calibration",
            ),
            (1, 2, 3, 6, 14, 15, 16, 22, 25, 26),
        ),
        Kind(
            "float",
            "An IEEE 754 number of 16, 32 or 64 bits.",
            ("bits",),
            (
                "unit",
                "order",
                "minimum",
                "maximum",
                "missing",
                "out_of_range",
                "flag",
                "default",
                "role",
                "tick_s",
                "epoch",
                "valid_when",
                "limits",
                "calibration",
            ),
            (1, 16),
        ),
        Kind(
            "states",
            "One of several named states; an unknown code keeps its number.",
            ("bits", "states"),
            ("runs", "order", "missing", "default", "role", "valid_when"),
            (5, 14, 16),
        ),
        Kind(
            "time",
            "A moment, told in UTC: units counted since an epoch, in one number or in parts.",
            ("epoch",),
            (
                "bits",
                "runs",
                "order",
                "tick_s",
                "counts",
                "fraction_base",
                "leap_seconds",
                "reference_date",
                "missing",
                "valid_when",
            ),
            (16, 19),
        ),
        Kind("flag", "One bit: true or false.", (), ("bits", "default"), (5,)),
        Kind(
            "flags",
            "A set of flags, with parts of several bits where needed.",
            ("flags",),
            ("packing", "order", "word_bits"),
            (5,),
        ),
        Kind(
            "constant",
            "Bits that are always the same, verified on decode.",
            ("bits", "code"),
            ("order",),
            (4,),
        ),
        Kind("sync", "The marker by which a frame is found in a stream.", ("bits", "code"), ("order",), (4,)),
        Kind(
            "tag",
            "The code that tells frames apart; with several codes allowed it is a value.",
            ("bits", "code"),
            ("order", "role"),
            (4,),
        ),
        Kind("count", "How many elements a repeat has; fills itself.", ("bits",), ("order", "maximum"), (9,)),
        Kind(
            "length",
            "How long a part of the frame is; fills itself.",
            ("bits", "measures"),
            ("order", "in", "less", "fill"),
            (8,),
        ),
        Kind(
            "text",
            "Characters in ASCII, UTF-8 or an alphabet of its own.",
            ("length",),
            ("encoding", "alphabet", "fill", "ends_with"),
            (7,),
        ),
        Kind("bytes", "Octets as they are, shown in hexadecimal.", ("length",), ("fill",), (7, 8)),
        Kind(
            "radix_text",
            "A text whose characters are the digits of one number.",
            ("bits", "length", "characters"),
            ("order", "first_character", "fill", "role"),
            (7,),
        ),
        Kind("reserved", "Bits sent as zero.", (), ("bits", "up_to", "strict"), (4,)),
        Kind(
            "check",
            "An error-detecting code over other bits.",
            ("algorithm",),
            ("bits", "runs", "covers", "also", "mixed_with", "self", "stored", "fill"),
            (12, 14),
        ),
        Kind(
            "variants",
            "One of several forms, told by a tag.",
            ("variants", "told_by"),
            ("in_turn",),
            (11, 20, 24),
        ),
        Kind(
            "supplied",
            "A number that is not sent but mixed into a check: given on encode, given on decode or else recovered.",
            ("bits",),
            (),
            (12,),
        ),
        Kind(
            "carried",
            "Another frame of the mission, carried as it is: a mapping with that frame's name.",
            ("carried",),
            ("size_bytes",),
            (28,),
        ),
        Kind(
            "summary",
            "The minimum, mean, maximum and number of a quantity's samples: a group of these fields.",
            ("summary",),
            ("unit", "preset", "minimum", "maximum", "resolution", "out_of_range", "flag", "limits"),
            (27,),
        ),
        Kind(
            "bundle",
            "Samples of a number, a list: the oldest as it is, then differences, each against the sample before it as decoded.",
            ("bundle",),
            (
                "unit",
                "preset",
                "bits",
                "signed",
                "order",
                "scale",
                "offset",
                "minimum",
                "maximum",
                "resolution",
                "missing",
                "out_of_range",
                "flag",
            ),
            (23,),
        ),
        Kind(
            "derived",
            "A value that the ground works out from others; it has no bits on the wire.",
            ("derived",),
            ("unit", "limits"),
            (15,),
        ),
        Kind(
            "group", "Fields that belong together.", ("group",), ("packing", "order", "word_bits"), (2, 9, 10)
        ),
    )
}
