"""The tables of the language as a JSON Schema, for any editor that completes and explains YAML by one, and as a reference to read.

Both are rendered from the tables of keys and kinds, `presets.py` and `names.py`. The JSON Schema is help while typing, not for judging:
numbers as the language writes them (`1/16`, `0x1D`) are texts to YAML, and what only the layout can know is left to `packetkit check`.
What surprises: it may let pass what `check` refuses, and never refuses what loads; tests ask it about schemas that do.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from re import Pattern
from typing import Any

from packetkit.schema.codes import OTHERWISE
from packetkit.schema.field_keys import (
    BUNDLE_KEYS,
    CALENDAR_UNITS,
    CHOICE_KEYS,
    COUNT_KEYS,
    CRC_KEYS,
    CURVE_KEYS,
    FACTOR_KEYS,
    FIELD_KEYS,
    FIRST_BITS_KEYS,
    FORM_KEYS,
    LIMIT_KEYS,
    LIMITS_KEYS,
    NOT_COUNTED_KEYS,
    PARITY_KEYS,
    PRODUCT_KEYS,
    REPEAT_KEYS,
    SIZE_KEYS,
    SQUARE_KEYS,
    SUMMARY_KEYS,
    TIME_UNITS,
    VARIANT_KEYS,
)
from packetkit.schema.keys import Key
from packetkit.schema.kinds import COMMON_KEYS, KINDS, TELLING, ZERO_FILLED, Kind
from packetkit.schema.mission_keys import (
    CHIRP_KEYS,
    END_KEYS,
    FRAME_KEYS,
    LINK_KEYS,
    MISSION_KEYS,
    PART_KEYS,
    PART_NEEDS,
    PASSES_KEYS,
)
from packetkit.schema.names import MISSION_NAME, NAME, REFERENCE
from packetkit.schema.presets import PRESETS
from packetkit.schema.summaries import MEMBERS

Shape = dict[str, Any]
NUMBER: Shape = {"type": ["number", "string"], "examples": [0.1, "1/16", "0x1D", "2^-43"]}
TEXT: Shape = {"type": ["string", "number", "boolean"]}


def _matching(pattern: Pattern[str]) -> Shape:
    return {"type": "string", "pattern": "^" + pattern.pattern.replace(r"\Z", "$")}


_NAME = _matching(NAME)
_REFERENCE = _matching(REFERENCE)


def _list_of(shape: Shape) -> Shape:
    return {"anyOf": [shape, {"type": "array", "minItems": 1, "items": shape}]}


def _mapping(table: Mapping[str, Key], required: Iterable[str] = ()) -> Shape:
    """A mapping with the keys of a table, each with its help."""
    properties = {name: {**shape(key), "description": key.help} for name, key in table.items()}
    return {
        "type": "object",
        "properties": properties,
        "required": list(required),
        "additionalProperties": False,
    }


_RANGE: Shape = {
    "type": "object",
    "properties": {"code": NUMBER, "from": NUMBER, "to": NUMBER, "reason": {"type": "string"}},
    "additionalProperties": False,
}
_CODES = _list_of({"anyOf": [NUMBER, _RANGE]})
_COVERS: Shape = {
    "type": "object",
    "properties": {
        "from": {"type": "string"},
        "to": {"type": "string"},
        "except": _list_of(_REFERENCE),
    },
    "required": ["from", "to"],
    "additionalProperties": False,
}

# One row for every word in the `reads` column of the key tables: what an editor should offer for it.
READS: dict[str, Callable[[Key], Shape]] = {
    "text": lambda _: TEXT,
    "line": lambda _: TEXT,
    "unit": lambda _: TEXT,
    "value": lambda _: TEXT,
    "reference": lambda _: _REFERENCE,
    "instant": lambda _: {"type": "string", "examples": ["2030-01-31T00:00:00Z"]},
    "word": lambda key: {"enum": list(key.choices)},
    "word_bits": lambda _: {"enum": [16, 32, 64]},
    "boolean": lambda _: {"type": "boolean"},
    **dict.fromkeys(
        (
            "number",
            "positive",
            "positive_or_zero",
            "percent",
            "integer",
            "size",
            "elements",
            "bits",
            "code",
            "octet",
        ),
        lambda _: NUMBER,
    ),
    "name": lambda _: _NAME,
    "mission_name": lambda _: _matching(MISSION_NAME),
    "kind": lambda _: {"enum": list(KINDS)},
    "preset": lambda _: {"enum": list(PRESETS)},
    "codes": lambda _: _CODES,
    "in_front": lambda _: _list_of({"anyOf": [NUMBER, _REFERENCE, _mapping(SIZE_KEYS, tuple(SIZE_KEYS))]}),
    "curve": lambda _: {
        "anyOf": [
            {"enum": ["square"]},
            {
                "type": "object",
                "properties": {
                    "square": _mapping(SQUARE_KEYS),
                    "polynomial": {"type": "array", "items": NUMBER, "minItems": 2},
                    "points": {"type": "array", "items": {"type": "array", "items": NUMBER}, "minItems": 2},
                    "table": {"type": "object", "minProperties": 1, "additionalProperties": NUMBER},
                },
                "minProperties": 1,
                "maxProperties": 1,
                "additionalProperties": False,
            },
        ]
    },
    "coding": lambda key: {
        "anyOf": [{"enum": list(key.choices)}, _mapping(FIRST_BITS_KEYS, ("first_bits", "forms"))]
    },
    "forms": lambda _: {"type": "array", "minItems": 1, "items": _mapping(FORM_KEYS)},
    "counts": lambda _: {
        "type": "object",
        "minProperties": 1,
        "propertyNames": {"enum": [*CALENDAR_UNITS, *TIME_UNITS]},
        "additionalProperties": {"anyOf": [NUMBER, _mapping(COUNT_KEYS, ("bits",))]},
    },
    "runs": lambda _: {
        "type": "array",
        "minItems": 2,
        "items": {"type": "array", "items": NUMBER, "minItems": 2, "maxItems": 2},
    },
    "missing": lambda _: {"anyOf": [{"type": "boolean"}, _CODES]},
    "states": lambda _: {"type": "object", "minProperties": 1, "additionalProperties": TEXT},
    "repeat": lambda _: {"anyOf": [NUMBER, _mapping(REPEAT_KEYS)]},
    "counter": lambda _: {"anyOf": [NUMBER, TEXT, _mapping(PRODUCT_KEYS)]},
    "condition": lambda _: {
        "anyOf": [{"type": "string"}, {"type": "object", "minProperties": 1, "maxProperties": 1}]
    },
    "scale_by": lambda _: {
        "type": "object",
        "minProperties": 1,
        "maxProperties": 1,
        "additionalProperties": {
            "type": "object",
            "minProperties": 1,
            "additionalProperties": {"anyOf": [NUMBER, _mapping(CHOICE_KEYS, ("scale",))]},
        },
    },
    "covers": lambda _: {"anyOf": [_list_of(_REFERENCE), _COVERS]},
    "algorithm": lambda _: {
        "anyOf": [
            {"type": "string"},
            _mapping(CRC_KEYS, ("width", "polynomial")),
            _mapping(PARITY_KEYS, ("parity",)),
        ]
    },
    "bit_lists": lambda _: {"type": "array", "minItems": 1, "items": _list_of(NUMBER)},
    "coefficients": lambda _: {"type": "array", "minItems": 2, "items": NUMBER},
    "points": lambda _: {
        "type": "array",
        "minItems": 2,
        "items": {"type": "array", "minItems": 2, "maxItems": 2, "items": NUMBER},
    },
    "calibration": lambda _: {
        "type": "object",
        "minProperties": 1,
        "additionalProperties": _mapping(CURVE_KEYS),
    },
    "samples": lambda _: NUMBER,
    "kept": lambda _: _list_of({"enum": list(MEMBERS)}),
    "summary": lambda _: _mapping(SUMMARY_KEYS, ("samples",)),
    "bundled": lambda _: NUMBER,
    "bundle": lambda _: _mapping(BUNDLE_KEYS, tuple(BUNDLE_KEYS)),
    "not_counted": lambda _: _mapping(NOT_COUNTED_KEYS, tuple(NOT_COUNTED_KEYS)),
    "limit": lambda _: _mapping(LIMIT_KEYS),
    "limits": lambda _: _mapping(LIMITS_KEYS),
    "fill": lambda _: TEXT,
    "character": lambda _: TEXT,
    "characters": lambda _: {
        "anyOf": [TEXT, {"type": "object", "minProperties": 1, "additionalProperties": TEXT}]
    },
    "alphabet": lambda _: {
        "type": "object",
        "properties": {
            "bits": NUMBER,
            "characters": READS["characters"](Key("characters", "characters", "")),
        },
        "required": ["bits", "characters"],
        "additionalProperties": False,
    },
    "extent": lambda _: {
        "anyOf": [
            NUMBER,
            {
                "type": "object",
                "properties": {"count": TEXT, "at_most": NUMBER},
                "minProperties": 1,
                "maxProperties": 1,
                "additionalProperties": False,
            },
        ]
    },
    "factors": lambda _: _list_of({"anyOf": [_REFERENCE, _mapping(FACTOR_KEYS, FACTOR_KEYS)]}),
    "when": lambda _: {"anyOf": [{"type": "object", "minProperties": 1}, {"const": OTHERWISE}]},
    "tellers": lambda _: _list_of(_REFERENCE),
    "variants": lambda _: {"type": "array", "minItems": 1, "items": _mapping(VARIANT_KEYS, ("name",))},
    "measured": lambda _: _NAME,
    "fields": lambda _: {"type": "array", "minItems": 1, "items": {"$ref": "#/definitions/field"}},
    "flags": lambda _: {
        "type": "array",
        "minItems": 1,
        "items": {"anyOf": [_NAME, {"$ref": "#/definitions/field"}]},
    },
    "frames": lambda _: {
        "type": "object",
        "minProperties": 1,
        "additionalProperties": {"$ref": "#/definitions/frame"},
    },
    "chirp": lambda _: _mapping(CHIRP_KEYS, ("spreading_factor", "bandwidth_khz")),
    "end": lambda _: _mapping(END_KEYS),
    "link": lambda _: _mapping(LINK_KEYS),
    "part": lambda key: _mapping(PART_KEYS[key.name], PART_NEEDS[key.name]),
    "passes": lambda _: _mapping(PASSES_KEYS),
}


def shape(key: Key) -> Shape:
    """What an editor should accept as the value of a key."""
    return READS[key.reads](key)


def json_schema() -> Shape:
    """The language as a JSON Schema (draft 7, which editors read): completion and hover help, not a judgement."""
    field = _mapping(FIELD_KEYS)
    told = {word: word for word in TELLING}
    field["allOf"] = [
        {
            "if": {"properties": {"kind": {"const": kind.name}}, "required": ["kind"]},
            "then": {
                "propertyNames": {"enum": [*COMMON_KEYS, *kind.required, *kind.optional]},
                **_required(kind),
                **({"properties": {"fill": {"enum": ["zero"]}}} if kind.name in ZERO_FILLED else {}),
            },
        }
        for kind in KINDS.values()
    ]
    untold = {"not": {"anyOf": [{"required": [key]} for key in ("kind", *told)]}}
    for key, kind in (*told.items(), ("", "number")):
        condition = {"required": [key], "not": {"required": ["kind"]}} if key else untold
        keys = [*COMMON_KEYS, *KINDS[kind].required, *KINDS[kind].optional]
        field["allOf"].append({"if": condition, "then": {"propertyNames": {"enum": keys}}})
    return {
        "$schema": "http://json-schema.org/draft-07/schema#",
        "title": "A packetkit schema",
        **_mapping(MISSION_KEYS, ("mission", "frames")),
        "definitions": {"frame": _mapping(FRAME_KEYS, ("fields",)), "field": field},
    }


def _required(kind: Kind) -> Shape:
    """The keys that a kind needs; runs, and the forms of a coding, are its bits too."""
    if "bits" not in kind.required:
        return {"required": list(kind.required)}
    sizes: list[Shape] = [{"required": ["bits"]}]
    if "runs" in kind.optional:
        sizes.append({"required": ["runs"]})
    if "coding" in kind.optional:
        sizes.append({"required": ["coding"], "properties": {"coding": {"type": "object"}}})
    return {"required": [key for key in kind.required if key != "bits"], "anyOf": sizes}


# What the reference calls each table, in its order.
_CHAPTERS: tuple[tuple[str, Mapping[str, Key]], ...] = (
    ("A mission", MISSION_KEYS),
    ("A frame", FRAME_KEYS),
    ("A field", FIELD_KEYS),
    ("A square law (curve.square)", SQUARE_KEYS),
    ("A coding by first bits (coding)", FIRST_BITS_KEYS),
    ("A form of it (coding.forms)", FORM_KEYS),
    ("A scale that another field chooses (scale_by)", CHOICE_KEYS),
    ("A count of a time (counts)", COUNT_KEYS),
    ("repeat", REPEAT_KEYS),
    ("repeat.count, worked out", PRODUCT_KEYS),
    ("A factor of it (repeat.count.product_of)", FACTOR_KEYS),
    ("A variant", VARIANT_KEYS),
    ("A CRC by its parameters (algorithm)", CRC_KEYS),
    ("A check by listed bits (algorithm)", PARITY_KEYS),
    ("A size in front of a check (also)", SIZE_KEYS),
    ("not_counted of a length", NOT_COUNTED_KEYS),
    ("calibration of one unit", CURVE_KEYS),
    ("summary", SUMMARY_KEYS),
    ("bundle", BUNDLE_KEYS),
    ("limits", LIMITS_KEYS),
    ("limits.soft, limits.hard", LIMIT_KEYS),
    ("link", LINK_KEYS),
    ("link.chirp", CHIRP_KEYS),
    ("link.unit and link.ground", END_KEYS),
    ("passes", PASSES_KEYS),
    *(
        (name if name in MISSION_KEYS else f"link.{name}" if name in LINK_KEYS else f"passes.{name}", table)
        for name, table in PART_KEYS.items()
    ),
)


def reference() -> Iterator[tuple[str, list[tuple[str, str]]]]:
    """The language to read: chapters of (word, what it says), the kinds of field first."""
    yield "Kinds of field", [(kind.name, _kind_text(kind.name)) for kind in KINDS.values()]
    for title, table in _CHAPTERS:
        yield title, [(name, _key_text(key)) for name, key in table.items()]


def _kind_text(name: str) -> str:
    kind = KINDS[name]
    needs = f" Needs {', '.join(kind.required)}." if kind.required else ""
    may = f" May have {', '.join(kind.optional)}." if kind.optional else ""
    return f"{kind.help}{needs}{may}"


def _key_text(key: Key) -> str:
    return key.help + (f" One of: {', '.join(key.choices)}." if key.choices else "")
