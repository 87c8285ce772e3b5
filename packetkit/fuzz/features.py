"""What of the language a frame uses: a table of features, each under its row of the language's table of contents.

A campaign counts in how many random schemas each was drawn, so that no part of the language goes unproven unseen. Read off what was
declared, and off the layout where the wire decides; the generator has no say in it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from packetkit.layout.model import Branch, Choice, Fill, Layout, Measured, Optional, Repeat, Run
from packetkit.layout.number import is_decode_only
from packetkit.layout.ranges import are_all_codes
from packetkit.layout.slots import Bundle, Chosen, Packing
from packetkit.schema.model import CustomCrc, Field, Frame, FrameSize, ListedParity

# The rows of the language that this part of packetkit has to prove, in its own words.
ROWS: dict[int, str] = {
    1: "whole and IEEE numbers of any width at any bit",
    2: "byte order and packing",
    3: "scale and offset",
    4: "constants, sync markers, tags, reserved bits",
    5: "states and flags",
    6: "codes that mean no value",
    7: "texts and octets",
    8: "lengths",
    9: "repeats",
    10: "optional parts",
    11: "variants",
    12: "checks",
    13: "damage named, never a wrong value",
    14: "numbers spelled otherwise than in plain binary",
    15: "curves, and values worked out on the ground",
    16: "values that count where another field says so, scales that another chooses",
    17: "bytes that remain, computed counts",
    19: "time codes",
    20: "told from outside",
    22: "ranges and resolutions",
    23: "bundles",
    24: "variants in turn",
    25: "presets",
    26: "roles",
    27: "summaries",
    28: "envelopes",
}

DAMAGE = 13  # no word of a schema; counted in damaged frames that are refused


@dataclass(frozen=True, slots=True)
class Seen:
    """A field with what is around it, outermost first."""

    field: Field
    around: tuple[Field, ...]
    frame: Frame

    @property
    def in_repeat(self) -> bool:
        return any(one.repeat is not None for one in self.around)


@dataclass(frozen=True, slots=True)
class Feature:
    """One thing that the language can say. test: whether a field of a frame says it."""

    row: int
    name: str
    test: Callable[[Seen], bool]


@dataclass(frozen=True, slots=True)
class OnWire:
    """A feature that only the layout shows."""

    row: int
    name: str
    test: Callable[[Layout], bool]


def _is(**words: object) -> Callable[[Seen], bool]:
    return lambda seen: all(getattr(seen.field, key) == value for key, value in words.items())


def _has(*keys: str) -> Callable[[Seen], bool]:
    return lambda seen: all(getattr(seen.field, key) is not None for key in keys)


def _number(test: Callable[[Field], object]) -> Callable[[Seen], bool]:
    return lambda seen: seen.field.kind == "number" and bool(test(seen.field))


def _check(test: Callable[[Seen], object]) -> Callable[[Seen], bool]:
    return lambda seen: seen.field.kind == "check" and bool(test(seen))


def _covers(what: str) -> Callable[[Seen], bool]:
    return _check(lambda seen: seen.field.covers is not None and seen.field.covers.what == what)


def _named(*families: str) -> Callable[[Seen], bool]:
    return _check(
        lambda seen: isinstance(seen.field.algorithm, str) and seen.field.algorithm.startswith(families)
    )


def _packings(layout: Layout) -> set[Packing]:
    return {node.packing for node in layout.walk() if isinstance(node, Run)}


def _splits_least(layout: Layout) -> bool:
    runs = (node for node in layout.walk() if isinstance(node, Run) and node.packing is Packing.LEAST)
    return any(slot.pieces for run in runs for slot in run.slots)


def _missing_codes(one: Field) -> tuple[object, ...]:
    return one.missing if isinstance(one.missing, tuple) else ()


FEATURES: tuple[Feature | OnWire, ...] = (
    Feature(1, "unsigned", _number(lambda one: one.bits and not one.signed)),
    Feature(1, "signed", _number(lambda one: one.signed)),
    Feature(1, "wider than 32 bits", _number(lambda one: (one.bits or 0) > 32)),
    Feature(1, "IEEE half", _is(kind="float", bits=16)),
    Feature(1, "IEEE single", _is(kind="float", bits=32)),
    Feature(1, "IEEE double", _is(kind="float", bits=64)),
    Feature(15, "square law", lambda seen: seen.field.curve is not None and seen.field.curve.what == "square"),
    Feature(15, "polynomial", lambda seen: seen.field.curve is not None and seen.field.curve.what == "polynomial"),
    Feature(15, "points", lambda seen: seen.field.curve is not None and seen.field.curve.what == "points"),
    Feature(15, "table", lambda seen: seen.field.curve is not None and seen.field.curve.what == "table"),
    OnWire(15, "curve without inverse", lambda layout: any(map(is_decode_only, layout.slots))),
    Feature(16, "valid when a flag is set", lambda seen: seen.field.valid_when is not None
            and not seen.field.valid_when.codes and not seen.field.valid_when.states),
    Feature(16, "valid for codes", lambda seen: seen.field.valid_when is not None
            and bool(seen.field.valid_when.codes or seen.field.valid_when.states)),
    Feature(16, "valid when, with a missing code", lambda seen: seen.field.valid_when is not None and bool(seen.field.missing)),
    Feature(16, "valid when, in a repeat", lambda seen: seen.field.valid_when is not None and seen.in_repeat),
    OnWire(16, "valid when, told behind", lambda layout: any(
        slot.valid_when is not None and slot.valid_when.by > slot.number for slot in layout.slots)),
    OnWire(16, "a scale, told behind", lambda layout: any(
        isinstance(slot.transform, Chosen) and slot.transform.by > slot.number for slot in layout.slots)),
    Feature(16, "an option that is one value", lambda seen: seen.field.valid_when is not None
            and seen.field.present_when is not None),
    Feature(16, "a flag that does not always count", lambda seen: seen.field.kind == "flag" and seen.field.valid_when is not None),
    Feature(16, "scale by codes", lambda seen: seen.field.scale_by is not None
            and any(isinstance(one.said, int) for one in seen.field.scale_by.choices)),
    Feature(16, "scale by states", lambda seen: seen.field.scale_by is not None
            and any(isinstance(one.said, str) for one in seen.field.scale_by.choices)),
    Feature(16, "scales and offsets", lambda seen: seen.field.scale_by is not None
            and any(one.offset for one in seen.field.scale_by.choices)),
    Feature(16, "a scale, and valid when", lambda seen: seen.field.scale_by is not None and seen.field.valid_when is not None),
    Feature(19, "time in one number", lambda seen: seen.field.kind == "time" and not seen.field.counts),
    Feature(19, "time in counts", lambda seen: bool(seen.field.counts)),
    Feature(19, "days and their parts", lambda seen: bool(seen.field.counts) and seen.field.counts[0].unit == "days"),
    Feature(19, "time with a fraction of a base", _has("fraction_base")),
    Feature(19, "leap seconds counted", _is(leap_seconds="counted")),
    Feature(19, "leap seconds not counted", _is(leap_seconds="not_counted")),
    Feature(19, "reference date", _has("reference_date")),
    OnWire(19, "times of more than 64 bits", lambda layout: any(
        slot.kind == "time" and slot.width > 64 for slot in layout.slots)),
    Feature(19, "years and months", lambda seen: any(one.unit == "months" for one in seen.field.counts)),
    Feature(19, "days of the year", lambda seen: {"years", "days"} <= (units := {one.unit for one in seen.field.counts})
            and "months" not in units),
    Feature(19, "a time in BCD", lambda seen: seen.field.kind == "time" and seen.field.coding is not None),
    Feature(19, "a count with a scale, an offset or a coding", lambda seen: any(one.is_spelled for one in seen.field.counts)),
    Feature(14, "split value", lambda seen: bool(seen.field.runs)),
    OnWire(14, "split value under least significant first", _splits_least),
    Feature(14, "sign and magnitude", _is(coding="sign_and_magnitude")),
    Feature(14, "BCD", _is(coding="binary_coded_decimal")),
    Feature(14, "Gray code", _is(coding="gray")),
    Feature(14, "as many octets as it needs", _number(lambda one: one.coding and one.coding.startswith("continued"))),
    Feature(14, "a count of as many octets as it needs", lambda seen: seen.field.kind == "count" and seen.field.coding is not None),
    Feature(14, "a length of as many octets as it needs", lambda seen: seen.field.kind == "length" and seen.field.coding is not None),
    Feature(14, "as many bits as its first ones say", _number(lambda one: one.first_bits is not None)),
    Feature(14, "a count or a length whose first bits say its size", lambda seen: seen.field.kind in ("count", "length")
            and seen.field.first_bits is not None),
    Feature(14, "missing code in a coding", _number(lambda one: one.coding and one.missing)),
    Feature(2, "order of a field", lambda seen: seen.field.order is not None and not seen.field.fields),
    Feature(2, "order of a group", lambda seen: seen.field.order is not None and bool(seen.field.fields)),
    Feature(2, "order of a frame", lambda seen: seen.frame.order is not None),
    Feature(2, "words of 16 bits", _is(word_bits=16)),
    Feature(2, "words of 32 bits", _is(word_bits=32)),
    Feature(2, "words of 64 bits", _is(word_bits=64)),
    Feature(2, "packing of a group", _has("packing")),
    OnWire(2, "least significant first", lambda layout: Packing.LEAST in _packings(layout)),
    OnWire(2, "several packings in a frame", lambda layout: len(_packings(layout)) > 1),
    OnWire(2, "octets reversed", lambda layout: any(slot.octets_reversed for slot in layout.slots)),
    Feature(3, "scale", _has("scale")),
    Feature(3, "scale below zero", _number(lambda one: one.scale is not None and one.scale < 0)),
    Feature(3, "scale without an end in decimals", _number(lambda one: one.scale is not None and one.scale.denominator % 3 == 0)),
    Feature(3, "offset", _has("offset")),
    Feature(3, "unit", lambda seen: bool(seen.field.unit)),
    Feature(4, "constant", _is(kind="constant")),
    Feature(4, "sync", _is(kind="sync")),
    Feature(4, "tag of one code", lambda seen: seen.field.kind == "tag" and not _is_value_tag(seen.field)),
    Feature(4, "tag of several codes", lambda seen: seen.field.kind == "tag" and _is_value_tag(seen.field)),
    Feature(4, "reserved", _is(kind="reserved")),
    Feature(4, "reserved up to a boundary", _has("up_to")),
    Feature(4, "strict", lambda seen: bool(seen.field.strict or seen.frame.strict)),
    Feature(4, "filled last byte", lambda seen: seen.frame.last_byte is not None),
    OnWire(4, "fill of varying width", lambda layout: any(isinstance(node, Fill) for node in layout.walk())),
    Feature(5, "states", _is(kind="states")),
    Feature(5, "flag", _is(kind="flag")),
    Feature(5, "set of flags", _is(kind="flags")),
    Feature(5, "part of several bits in a set", lambda seen: _inside(seen, "flags") and seen.field.kind != "flag"),
    Feature(6, "usual missing code", _is(missing=True)),
    Feature(6, "missing code of one's own", lambda seen: len(_missing_codes(seen.field)) == 1),
    Feature(6, "several with reasons", lambda seen: len(_missing_codes(seen.field)) > 1),
    Feature(6, "range of missing codes", lambda seen: any(codes.low < codes.high for codes in seen.field.missing or ())
            if isinstance(seen.field.missing, tuple) else False),
    Feature(6, "missing IEEE number", lambda seen: seen.field.kind == "float" and bool(seen.field.missing)),
    Feature(6, "missing state", lambda seen: seen.field.kind == "states" and bool(seen.field.missing)),
    Feature(6, "none: all ones is a value", _number(lambda one: one.missing is False)),
    Feature(7, "ASCII", lambda seen: seen.field.kind == "text" and seen.field.alphabet is None and seen.field.encoding is None),
    Feature(7, "UTF-8", _is(encoding="utf_8")),
    Feature(7, "alphabet", _has("alphabet")),
    Feature(7, "fill", lambda seen: seen.field.kind in ("text", "bytes") and seen.field.fill is not None),
    Feature(7, "ended", _has("ends_with")),
    Feature(7, "octets", _is(kind="bytes")),
    Feature(7, "counted", lambda seen: seen.field.length is not None and seen.field.length.counted_by is not None),
    Feature(7, "radix, first digit high", _is(kind="radix_text", first_character="most_significant")),
    Feature(7, "radix, first digit low", _is(kind="radix_text", first_character="least_significant")),
    Feature(8, "in bytes", _is(kind="length", counts_in="bytes")),
    Feature(8, "in bits", _is(kind="length", counts_in="bits")),
    Feature(8, "in words", _is(kind="length", counts_in="words_of_16")),
    Feature(8, "in wide words", _is(kind="length", counts_in="words_of_64")),
    Feature(8, "less a number", lambda seen: seen.field.kind == "length" and seen.field.less != 0),
    Feature(8, "filled", _is(kind="length", fill="zero")),
    Feature(8, "of the whole frame", _is(measures="whole_frame")),
    Feature(8, "inside what it measures", lambda seen: seen.field.kind == "length"
            and any(one.name == seen.field.measures for one in seen.around)),
    Feature(8, "rest", lambda seen: seen.field.length is not None and seen.field.length.to_end),
    Feature(8, "as many as fit", lambda seen: seen.field.length is not None and seen.field.length.as_fits),
    Feature(8, "not counted", lambda seen: seen.field.not_counted is not None),
    OnWire(8, "measured part of varying size", lambda layout: any(isinstance(node, Measured) for node in layout.walk())),
    Feature(11, "one field tells", lambda seen: len(seen.field.variants) > 0 and len(seen.field.told_by) == 1),
    Feature(11, "two fields tell", lambda seen: len(seen.field.variants) > 0 and len(seen.field.told_by) == 2),
    Feature(11, "range of codes", lambda seen: any(
        codes.low < codes.high for variant in seen.field.variants for one in variant.when for codes in one.codes)),
    OnWire(11, "told by a number of varying size", lambda layout: any(
        isinstance(node, Choice) and any(layout.slots[by].is_continued for by in node.told_by) for node in layout.walk())),
    OnWire(10, "told by a number of varying size", lambda layout: any(
        isinstance(node, Optional) and node.by is not None and layout.slots[node.by].is_continued for node in layout.walk())),
    Feature(11, "nothing in it", lambda seen: any(not variant.fields for variant in seen.field.variants)),
    Feature(11, "variants in variants", lambda seen: bool(seen.field.variants) and any(one.variants for one in seen.around)),
    Feature(11, "in a repeat", lambda seen: bool(seen.field.variants) and seen.in_repeat),
    Feature(12, "in a variant", _check(lambda seen: any(one.variants for one in seen.around))),
    OnWire(11, "octets of an unknown one", lambda layout: any(
        isinstance(node, Choice) and node.unknown is not None for node in layout.walk())),
    Feature(11, "otherwise", lambda seen: any(variant.otherwise for variant in seen.field.variants)),
    OnWire(11, "all codes have one", lambda layout: any(
        isinstance(node, Choice) and node.unknown is None and bool(node.told_by) and not node.turn
        and are_all_codes([branch.codes for branch in node.branches], [layout.slots[by].width for by in node.told_by])
        for node in layout.walk())),
    Feature(17, "bytes remain", lambda seen: seen.field.present_when is not None and seen.field.present_when.by == "bytes_remain"),
    Feature(17, "product", lambda seen: seen.field.repeat is not None and seen.field.repeat.product is not None),
    Feature(17, "ones in a field", lambda seen: seen.field.repeat is not None and seen.field.repeat.product is not None
            and any(ones for _, ones in seen.field.repeat.product.factors)),
    OnWire(17, "ones in a list", lambda layout: any(
        isinstance(node, Repeat) and node.ones_in_lists for node in layout.walk())),
    Feature(9, "fixed number of elements", lambda seen: seen.field.repeat is not None and seen.field.repeat.count is not None),
    Feature(9, "counted", lambda seen: seen.field.repeat is not None and seen.field.repeat.counted_by is not None),
    Feature(9, "to the end", lambda seen: seen.field.repeat is not None and seen.field.repeat.to_end),
    Feature(9, "elements that say which is the last", lambda seen: seen.field.repeat is not None
            and (seen.field.repeat.goes_on_when or seen.field.repeat.ends_when) is not None),
    OnWire(9, "to the end, of several sizes", lambda layout: any(
        isinstance(node, Repeat) and node.several_sizes for node in layout.walk())),
    OnWire(9, "to an end before what is not always there", lambda layout: any(
        isinstance(node, (Repeat, Optional)) and bool(node.trailers) for node in layout.walk())),
    Feature(9, "one value an element", lambda seen: seen.field.repeat is not None and not seen.field.fields),
    Feature(9, "repeat in a repeat", lambda seen: seen.field.repeat is not None and seen.in_repeat),
    Feature(10, "behind a flag", lambda seen: seen.field.present_when is not None and not seen.field.present_when.codes
            and not seen.field.present_when.states),
    Feature(10, "behind codes", lambda seen: seen.field.present_when is not None and bool(seen.field.present_when.codes)),
    Feature(10, "behind states", lambda seen: seen.field.present_when is not None and bool(seen.field.present_when.states)),
    Feature(10, "one value", lambda seen: seen.field.present_when is not None and not seen.field.fields),
    Feature(10, "list", lambda seen: seen.field.present_when is not None and seen.field.repeat is not None),
    Feature(10, "in a repeat", lambda seen: seen.field.present_when is not None and seen.in_repeat),
    Feature(10, "told from a group", lambda seen: seen.field.present_when is not None and "." in seen.field.present_when.by),
    OnWire(10, "told in an option", lambda layout: any(
        isinstance(node, Optional) and node.told_in_option for node in layout.walk())),
    OnWire(10, "option in an option", lambda layout: any(
        isinstance(node, Optional) and any(isinstance(inner, Optional) for inner in node.body) for node in layout.walk())),
    Feature(12, "named CRC", _named("CRC")),
    Feature(12, "CRC by its parameters", _check(lambda seen: isinstance(seen.field.algorithm, CustomCrc))),
    Feature(12, "sum", _named("SUM")),
    Feature(12, "exclusive or, parity", _named("XOR", "PARITY")),
    Feature(12, "Fletcher, Adler", _named("FLETCHER", "ADLER")),
    Feature(12, "everything before", _check(lambda seen: seen.field.covers is None or seen.field.covers.what == "everything_before")),
    Feature(12, "whole frame", _covers("whole_frame")),
    Feature(12, "names", _covers("names")),
    Feature(12, "range", _covers("range")),
    Feature(12, "range with a hole", _check(
        lambda seen: seen.field.covers is not None and seen.field.covers.what == "range" and seen.field.covers.names)),
    Feature(12, "own bits zero", _is(self_rule="zero")),
    Feature(12, "own bits ones", _is(self_rule="ones")),
    Feature(12, "own bits left out", _is(self_rule="skip")),
    Feature(12, "high octet first", _is(stored="high_octet_first")),
    Feature(12, "low octet first", _is(stored="low_octet_first")),
    Feature(12, "bits reversed", _is(stored="bits_reversed")),
    Feature(12, "filled span", _is(kind="check", fill="zero")),
    Feature(12, "parities of listed bits", _check(lambda seen: isinstance(seen.field.algorithm, ListedParity))),
    Feature(12, "octets in front", _check(lambda seen: seen.field.also)),
    Feature(12, "fields in front", _check(lambda seen: any(isinstance(one, str) for one in seen.field.also))),
    Feature(12, "size in front", _check(lambda seen: any(isinstance(one, FrameSize) for one in seen.field.also))),
    Feature(12, "register from a field", _check(lambda seen: seen.field.starts_from is not None)),
    Feature(12, "zero sent as ones", _is(zero_is_sent_as="all_ones")),
    Feature(12, "not computed", _check(lambda seen: seen.field.not_computed is not None)),
    Feature(12, "mixed with a field", _check(lambda seen: seen.field.mixed_with is not None)),
    Feature(12, "supplied", _is(kind="supplied")),
    Feature(12, "split in parts", _check(lambda seen: seen.field.runs)),
    Feature(12, "in an element", _check(lambda seen: seen.in_repeat)),
    Feature(12, "in an option", _check(lambda seen: any(one.present_when is not None for one in seen.around))),
    OnWire(12, "several", lambda layout: len(layout.check_order) > 1),
    OnWire(12, "span of bits", lambda layout: any(slot.check is not None and slot.check.in_wire_order for slot in layout.slots)),
    Feature(22, "range and resolution", _has("minimum", "maximum", "resolution")),
    Feature(22, "range and bits", _number(
        lambda one: one.minimum is not None and one.bits and one.scale is None and one.resolution is None)),
    Feature(22, "range, resolution and bits", _has("minimum", "resolution", "bits")),
    Feature(22, "bounds of a wire number", _number(
        lambda one: one.scale is not None and (one.minimum is not None or one.maximum is not None))),
    Feature(22, "bounds of an IEEE number", lambda seen: seen.field.kind == "float" and seen.field.minimum is not None),
    Feature(22, "at least", _has("at_least")),
    Feature(22, "at most", _has("at_most")),
    Feature(22, "clamp", _is(out_of_range="clamp")),
    Feature(22, "clamp that raises a flag", _has("flag")),
    Feature(22, "missing when out of range", _is(out_of_range="missing")),
    Feature(22, "default", _has("default")),
    Feature(15, "calibration", lambda seen: bool(seen.field.calibration)),
    Feature(15, "limits", lambda seen: bool(seen.field.limits)),
    Feature(15, "derived", _is(kind="derived")),
    Feature(15, "derived from a derived value, an element, an option", lambda seen: seen.field.kind == "derived" and bool(seen.around)),
    Feature(20, "frame", lambda seen: seen.frame.told_by == "outside"),
    Feature(25, "preset", _has("preset")),
    Feature(25, "preset with a word of one's own", lambda seen: seen.field.preset is not None
            and bool(seen.field.places.keys() & {"minimum", "maximum", "resolution", "bits", "missing", "unit"})),
    *(Feature(26, f"role {role}", _is(role=role)) for role in ("sequence", "boot", "clock", "frame_id", "version", "call_sign")),
    Feature(27, "summary", lambda seen: seen.field.summary is not None),
    Feature(27, "summary of less than all", lambda seen: seen.field.summary is not None and len(seen.field.summary.keep) < 4),
    Feature(27, "finer mean", lambda seen: seen.field.summary is not None and seen.field.summary.mean_resolution is not None),
    Feature(23, "bundle by meaning", lambda seen: seen.field.bundle is not None and seen.field.resolution is not None),
    Feature(23, "bundle by wire", lambda seen: seen.field.bundle is not None and seen.field.scale is not None),
    Feature(23, "samples may be missing", lambda seen: seen.field.bundle is not None and bool(seen.field.missing)),
    Feature(23, "steps clamped", lambda seen: seen.field.bundle is not None and seen.field.out_of_range == "clamp"),
    Feature(24, "in turn", _is(in_turn=True)),
    Feature(24, "in turn by a sequence with a modulus", lambda seen: seen.field.in_turn and any(
        one.modulus is not None for one in seen.frame.fields if one.name in seen.field.told_by)),
    OnWire(24, "a narrower one is filled", lambda layout: any(
        isinstance(node, Choice) and node.turn and any(_is_filled(branch) for branch in node.branches) for node in layout.walk())),
    OnWire(28, "a frame carried", lambda layout: bool(layout.carried)),
    OnWire(28, "with zeros behind it", lambda layout: any(one.fill_bits for one in layout.carried)),
    OnWire(28, "a carried frame of no fixed size", lambda layout: any(
        one.minimum_bits != one.maximum_bits for one in layout.carried)),
    OnWire(23, "codes with octets reversed", lambda layout: any(
        isinstance(slot.transform, Bundle) and slot.transform.octets_reversed for slot in layout.slots)),
    OnWire(23, "first sample in the low bits", lambda layout: any(
        isinstance(slot.transform, Bundle) and slot.transform.first_low for slot in layout.slots)),
    Feature(26, "modulus", _has("modulus")),
    Feature(26, "tick and epoch", _has("tick_s", "epoch")),
)  # fmt: skip


def _is_value_tag(one: Field) -> bool:
    return len(one.code) > 1 or one.code[0].low != one.code[0].high


def _is_filled(branch: Branch) -> bool:
    last = branch.body[-1] if branch.body else None
    return isinstance(last, Run) and last.slots[-1].kind == "reserved"


def _inside(seen: Seen, kind: str) -> bool:
    return bool(seen.around) and seen.around[-1].kind == kind


def _fields(fields: tuple[Field, ...], around: tuple[Field, ...], frame: Frame) -> Iterator[Seen]:
    for one in fields:
        yield Seen(one, around, frame)
        for inner in (one.fields, *(variant.fields for variant in one.variants)):
            yield from _fields(inner, (*around, one), frame)


def of(declared: Frame, layout: Layout) -> set[str]:
    """Return the features that a frame uses, each as `row: name`."""
    seen = list(_fields(declared.fields, (), declared))
    found = set()
    for feature in FEATURES:
        if isinstance(feature, OnWire):
            used = feature.test(layout)
        else:
            used = any(feature.test(one) for one in seen)
        if used:
            found.add(key(feature))
    return found


def key(feature: Feature | OnWire) -> str:
    """Return how a feature is counted: `12: whole frame`."""
    return f"{feature.row}: {feature.name}"
