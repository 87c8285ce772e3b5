"""The kinds of field, as a table: which keys each must have and may have, and which of them tell the kind.

A new kind is a row in KINDS, and its meaning in the layout.
"""

from __future__ import annotations

from dataclasses import dataclass


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
            "A moment, told in UTC: units counted since an epoch, in one number or in parts; or as the calendar says it.",
            (),
            (
                "epoch",
                "bits",
                "runs",
                "order",
                "coding",
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
        Kind("flag", "One bit: true or false.", (), ("bits", "default", "valid_when"), (5, 16)),
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
        Kind(
            "count",
            "How many elements a repeat has; fills itself.",
            ("bits",),
            ("order", "coding", "maximum"),
            (9,),
        ),
        Kind(
            "length",
            "How long a part of the frame is; fills itself.",
            ("bits", "measures"),
            ("order", "coding", "in", "less", "not_counted", "fill"),
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
            (
                "bits",
                "runs",
                "covers",
                "also",
                "mixed_with",
                "starts_from",
                "zero_is_sent_as",
                "not_computed",
                "self",
                "stored",
                "fill",
            ),
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
            "A number that is not sent but goes into a check: given on encode; on decode given, or recovered where it is mixed in.",
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
