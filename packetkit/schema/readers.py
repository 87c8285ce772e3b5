"""How each kind of value in a schema is read: one reader for every word in the `reads` column of the key tables.

A reader takes a node and returns a typed value, or None once it has noted what is wrong with it, at the place where it stands. Nothing
is raised. What a field, a frame and a mission are made of is the loader's.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from collections.abc import Mapping as MappingOf
from dataclasses import replace
from fractions import Fraction
from typing import Any

from packetkit.errors import Problem
from packetkit.schema import text as yaml_text
from packetkit.schema.kinds import (
    BUNDLE_KEYS,
    CHOICE_KEYS,
    CRC_KEYS,
    CURVE_KEYS,
    KINDS,
    LIMIT_KEYS,
    LIMITS_KEYS,
    SQUARE_KEYS,
    SUMMARY_KEYS,
    TIME_UNITS,
    Key,
)
from packetkit.schema.model import (
    Bundle,
    Calibration,
    Codes,
    Condition,
    Covers,
    Curve,
    CustomCrc,
    Limit,
    Place,
    Product,
    Repeat,
    ScaleBy,
    ScaleChoice,
    Summary,
)
from packetkit.schema.names import MISSION_NAME, NAME, REFERENCE, reserved_in
from packetkit.schema.presets import PRESETS
from packetkit.schema.summaries import MEMBERS
from packetkit.schema.text import Entry, Mapping, Node, Scalar, Sequence, format_number, shown

_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,9})?Z\Z")
_RANGE = {name: Key(name, "integer", "") for name in ("from", "to")}
_REASONED = {**_RANGE, "code": Key("code", "integer", ""), "reason": Key("reason", "line", "")}
_REPEAT = {
    "count": Key("count", "counter", ""),
    "to_end": Key("to_end", "boolean", ""),
    "maximum": Key("maximum", "size", ""),
}
_PRODUCT = {
    "product_of": Key("product_of", "factors", ""),
    "plus": Key("plus", "integer", ""),
}
_ONES = {"ones_in": Key("ones_in", "reference", "")}
_COVERS = {
    "from": Key("from", "reference", ""),
    "to": Key("to", "reference", ""),
    "except": Key("except", "references", ""),
}
_CURVES = ("square", "polynomial", "points", "table")
_MOST_SCALES = 64  # that a field chooses from: a gain or a range of six bits, in full
_MOST_POINTS = 4096  # of a curve: a table over twelve bits, in full
_MOST_TERMS = 16  # of a polynomial; beyond, a double of the flight code no longer tells its terms apart
_LONGEST_LINE = 80  # a unit, a label, a reason: what one line of a table or a legend holds
_MOST_BUNDLED = 1024  # samples: a radio's longest frames hold some 2,000 bits
_MOST_OCTETS = 64  # in front of a check: the longest such header known, that of IPv6 (RFC 8200), has 40
_MOST_COEFFICIENTS = 10
_MOST_PAIRS = 1000  # of a calibration
_MOST_LISTED = 12  # more choices than this are listed only where none of them is near
_REMEDY_COLUMNS = 78  # with an indent of two, the width of a terminal


def place_of(node: Node) -> Place:
    """The place of a node, for a later stage's messages."""
    return Place(node.position, node.excerpt, node.width)


class Readers:
    """Reads nodes and collects problems. Readers return None where they noted a problem."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    # -- noting problems ------------------------------------------------------------------------------------------------

    def note(self, node: Node | Place, rule: str, path: str, summary: str, remedy: str = "") -> None:
        place = node if isinstance(node, Place) else place_of(node)
        self.problems.append(Problem(place.position, rule, path, summary, remedy, place.excerpt, place.width))

    def _among(self, word: str, choices: Iterable[str], offered: Iterable[str] = ()) -> str:
        """The remedy that lists the choices, the likely one first; only that one where they are very many.

        offered: those that are listed, where not all choices suit.
        """
        options = list(choices)
        near = yaml_text.closest(word, options)
        meant = f"Did you mean {near}? " if near else ""
        if near and len(options) > _MOST_LISTED:
            return meant.strip()
        return on_lines(f"{meant}One of: {', '.join(list(offered) or options)}.")

    def absent(self, node: Node, path: str, what: str, form: str = "") -> bool:
        """True, and noted, where nothing was written after the colon."""
        if not (isinstance(node, Scalar) and not node.quoted and not node.text):
            return False
        remedy = f"Write {form or 'one after the colon'}, or delete the key."
        self.note(node, "no-value", path, f"{what} has no value", remedy)
        return True

    def lacking(self, node: Mapping, entries: MappingOf[str, Entry], names: Iterable[str]) -> list[str]:
        """Those of `names` that have no entry, and no misspelt one either: that was noted where it stands."""
        strange = [entry.key.text for entry in node.entries if entry.key.text not in entries]
        return [
            name
            for name in names
            if name not in entries and not any(yaml_text.closest(word, [name]) for word in strange)
        ]

    # -- shapes ---------------------------------------------------------------------------------------------------------

    def mapping(self, node: Node, path: str, what: str, form: str) -> Mapping | None:
        """The node where it is keys with values; form shows how they are written."""
        if isinstance(node, Mapping):
            return node
        if not self.absent(node, path, what, form):
            summary = f"{what} is keys with values, not {shape(node)}"
            self.note(node, "wrong-type", path, summary, f"Write {form}.")
        return None

    def scalar(self, node: Node, path: str, what: str) -> Scalar | None:
        if not isinstance(node, Scalar):
            summary = f"{what} is one value, not {shape(node)}"
            self.note(node, "wrong-type", path, summary, "Write one value, without brackets.")
            return None
        return None if self.absent(node, path, what) else node

    def keys(
        self, node: Mapping, table: MappingOf[str, Key], path: str, where: str, offered: Iterable[str] = ()
    ) -> dict[str, Entry]:
        """The entries whose keys the table knows; the others are noted, with the keys that are offered instead."""
        known = {}
        for entry in node.entries:
            if entry.key.text in table:
                known[entry.key.text] = entry
            else:
                remedy = self._among(entry.key.text, table, offered)
                self.note(
                    entry.key, "unknown-key", path, f"{where} has no key {shown(entry.key.text)}", remedy
                )
        return known

    def read_all(
        self, entries: MappingOf[str, Entry], table: MappingOf[str, Key], path: str
    ) -> dict[str, Any]:
        """The values of all entries, those that could not be read left out."""
        values = {}
        for name, entry in entries.items():
            key = table[name]
            value = getattr(self, "_read_" + key.reads)(entry.value, path, key)
            if value is not None:
                values[name] = value
        return values

    # -- readers: one for each word in the `reads` column ------------------------------------------------------------------

    def _read_text(self, node: Node, path: str, key: Key) -> str | None:
        scalar = self.scalar(node, path, key.name)
        return scalar.text if scalar else None

    def _read_line(self, node: Node, path: str, key: Key) -> str | None:
        scalar = self.scalar(node, path, key.name)
        if scalar is None:
            return None
        fault = ""
        if len(scalar.text) > _LONGEST_LINE:
            fault = f"has {len(scalar.text):,} characters, and {_LONGEST_LINE} is the most"
        elif not scalar.text.strip():
            fault = "is empty"
        elif not scalar.text.isprintable():
            fault = "holds a line break or another character that does not print"
        if not fault:
            return scalar.text
        self.note(node, "bad-text", path, f"{key.name} {fault}", "Say it in one short line.")
        return None

    def _read_unit(self, node: Node, path: str, key: Key) -> str | None:
        if isinstance(node, Scalar) and node.quoted and node.text == "":
            return ""
        return self._read_line(node, path, key)

    def _read_word(self, node: Node, path: str, key: Key) -> str | None:
        scalar = self.scalar(node, path, key.name)
        if scalar is None:
            return None
        if scalar.text not in key.choices:
            remedy = self._among(scalar.text, key.choices)
            self.note(node, "bad-word", path, f"{key.name} cannot be {shown(scalar.text)}", remedy)
            return None
        return scalar.text

    def _read_boolean(self, node: Node, path: str, key: Key) -> bool | None:
        scalar = self.scalar(node, path, key.name)
        if scalar is None:
            return None
        truth = yaml_text.parse_boolean(scalar.text)
        if isinstance(truth, bool) and not scalar.quoted:
            return truth
        what, _, hint = f"{truth}".partition("; ")
        if isinstance(truth, bool):
            what, hint = f"{shown(scalar.text)} is a text", f"write {scalar.text} without quotes"
        remedy = sentence(hint or "write true or false")
        self.note(node, "bad-boolean", path, f"{key.name}: {what}", remedy)
        return None

    def _read_number(self, node: Node, path: str, key: Key) -> Fraction | None:
        scalar = self.scalar(node, path, key.name)
        if scalar is None:
            return None
        number = yaml_text.parse_number(scalar.text)
        if isinstance(number, str):
            what, _, hint = number.partition("; ")
            remedy = sentence(hint or "a number is written as 12, -0.5, 1.5e-3, 0x1F or 1/16")
            self.note(node, "bad-number", path, f"{key.name}: {what}", remedy)
            return None
        if scalar.quoted:
            what = f"{key.name}: {shown(scalar.text)} in quotes is a text, not a number"
            self.note(node, "bad-number", path, what, "Take the quotes away.")
            return None
        return number

    def _read_positive(self, node: Node, path: str, key: Key) -> Fraction | None:
        number = self._read_number(node, path, key)
        if number is not None and number <= 0:
            self.note(
                node,
                "not-positive",
                path,
                f"{key.name} is {format_number(number)}, not above zero",
                "Write a number above zero.",
            )
            return None
        return number

    def _read_positive_or_zero(self, node: Node, path: str, key: Key) -> Fraction | None:
        number = self._read_number(node, path, key)
        if number is not None and number < 0:
            summary = f"{key.name} is {format_number(number)}, below zero"
            self.note(node, "not-positive", path, summary, "Write zero or more.")
            return None
        return number

    def _read_percent(self, node: Node, path: str, key: Key) -> Fraction | None:
        number = self._read_positive(node, path, key)
        if number is not None and number > 100:
            self.note(
                node,
                "number-limit",
                path,
                f"{key.name} is {format_number(number)}, above 100",
                "Write a percentage up to 100.",
            )
            return None
        return number

    def _read_integer(self, node: Node, path: str, key: Key) -> int | None:
        number = self._read_number(node, path, key)
        if number is None:
            return None
        if number.denominator != 1:
            self.note(
                node,
                "not-whole",
                path,
                f"{key.name} is {format_number(number)}, not a whole number",
                "Write a whole number.",
            )
            return None
        return number.numerator

    def _integer_within(self, node: Node, path: str, key: Key, low: int, high: int) -> int | None:
        number = self._read_integer(node, path, key)
        if number is not None and not low <= number <= high:
            summary = f"{key.name} is {whole(number)}, outside {low} to {high}"
            self.note(node, "number-limit", path, summary, f"Write a whole number from {low} to {high}.")
            return None
        return number

    def _read_size(self, node: Node, path: str, key: Key) -> int | None:
        return self._integer_within(node, path, key, 0, 65_535)

    def _read_octet(self, node: Node, path: str, key: Key) -> int | None:
        return self._integer_within(node, path, key, 0, 255)

    def _read_bits(self, node: Node, path: str, key: Key) -> int | None:
        return self._read_integer(node, path, key)

    def _read_word_bits(self, node: Node, path: str, key: Key) -> int | None:
        number = self._read_integer(node, path, key)
        if number is not None and number not in (16, 32, 64):
            summary = f"word_bits cannot be {whole(number)}"
            self.note(node, "bad-word", path, summary, "One of: 16, 32, 64.")
            return None
        return number

    def _read_code(self, node: Node, path: str, key: Key) -> int | None:
        return self._read_integer(node, path, key)

    def _read_mission_name(self, node: Node, path: str, key: Key) -> str | None:
        scalar = self.scalar(node, path, "mission")
        if scalar is None:
            return None
        if not MISSION_NAME.match(scalar.text):
            better = re.sub(r"[^a-z0-9_-]+", "-", scalar.text.lower()).strip("-_")
            meant = f"{better} would do. " if MISSION_NAME.match(better) else ""
            rule = "Lower-case letters, digits, hyphens and underscores, a letter first, 40 at most."
            summary = f"{long_text(scalar.text)} is not a mission's name"
            self.note(node, "bad-name", path, summary, meant + rule)
            return None
        return scalar.text

    def _read_name(self, node: Node, path: str, key: Key) -> str | None:
        scalar = self.scalar(node, path, "name")
        return scalar.text if scalar is not None and self.name(scalar, path) else None

    def name(self, node: Scalar, path: str) -> bool:
        """True where the text may name a frame or a field; else the reason is noted."""
        if not NAME.match(node.text):
            better = re.sub(r"[^a-z0-9]+", "_", node.text.lower()).strip("_")
            meant = f"{better} would do. " if NAME.match(better) and not reserved_in(better) else ""
            rule = "Lower-case letters, digits and underscores, a letter first, 40 at most."
            self.note(node, "bad-name", path, f"{long_text(node.text)} is not a name", meant + rule)
            return False
        languages = reserved_in(node.text)
        if languages:
            summary = f"{node.text} is a reserved word in {listed(languages)}"
            self.note(node, "reserved-name", path, summary, f"Use another name, such as {node.text}_value.")
            return False
        return True

    def _read_reference(self, node: Node, path: str, key: Key) -> str | None:
        scalar = self.scalar(node, path, key.name)
        if scalar is None:
            return None
        if not REFERENCE.match(scalar.text):
            self.note(
                node,
                "bad-name",
                path,
                f"{key.name}: {long_text(scalar.text)} cannot be the name of a field",
                "Write a field's name, with dots where it is in a group: power.cell_voltage.",
            )
            return None
        return scalar.text

    def _read_kind(self, node: Node, path: str, key: Key) -> str | None:
        return self._read_word(node, path, Key("kind", "word", "", tuple(KINDS)))

    def _read_preset(self, node: Node, path: str, key: Key) -> str | None:
        scalar = self.scalar(node, path, "preset")
        if scalar is None:
            return None
        if scalar.text not in PRESETS:
            remedy = self._among(scalar.text, PRESETS)
            self.note(node, "unknown-preset", path, f"there is no preset {shown(scalar.text)}", remedy)
            return None
        return scalar.text

    def _read_instant(self, node: Node, path: str, key: Key) -> str | None:
        scalar = self.scalar(node, path, key.name)
        if scalar is None:
            return None
        if not (_INSTANT.match(scalar.text) and _is_instant(scalar.text)):
            self.note(
                node,
                "bad-instant",
                path,
                f"{shown(scalar.text)} is not a date and time in UTC",
                "Write it as 2030-01-31T00:00:00Z.",
            )
            return None
        return scalar.text

    def _read_value(self, node: Node, path: str, key: Key) -> Fraction | bool | str | None:
        scalar = self.scalar(node, path, key.name)
        if scalar is None:
            return None
        if not scalar.quoted and scalar.text in ("true", "false"):
            return scalar.text == "true"
        number = yaml_text.parse_number(scalar.text)
        return scalar.text if scalar.quoted or isinstance(number, str) else number

    def _read_codes(self, node: Node, path: str, key: Key) -> tuple[Codes, ...] | None:
        items = node.items if isinstance(node, Sequence) else (node,)
        if not items:
            self.note(
                node,
                "nothing-in-it",
                path,
                f"{key.name} is an empty list",
                "Write a code, a list of codes, or {from: a, to: b}.",
            )
            return None
        codes = [self._one_code(item, path, key, reason=False) for item in items]
        return None if None in codes else tuple(code for code in codes if code)

    def _one_code(self, node: Node, path: str, key: Key, *, reason: bool) -> Codes | None:
        """A code, {from, to}, or (where reasons are allowed) {code, reason} and {from, to, reason}."""
        if not isinstance(node, Mapping):
            number = self._read_integer(node, path, key)
            return None if number is None else Codes(number, number)
        entries = self.keys(node, _REASONED if reason else _RANGE, path, key.name)
        values = self.read_all(entries, _REASONED, path)
        said = [name for name in ("code", "from", "to") if name in entries]
        if said not in (["code"], ["from", "to"]):
            if len(entries) == len(node.entries):
                summary = f"{key.name} says {' and '.join(said) or 'no code'}"
                forms = (
                    "{code: n, reason: text} or {from: a, to: b, reason: text}"
                    if reason
                    else "{from: a, to: b}"
                )
                self.note(node, "code-shape", path, summary, f"Write {forms}.")
            return None
        low, high = values.get("from", values.get("code")), values.get("to", values.get("code"))
        if low is None or high is None:
            return None
        if low > high:
            summary = f"{key.name} runs from {whole(low)} down to {whole(high)}"
            remedy = f"Write from: {whole(high)}, to: {whole(low)}."
            self.note(node, "code-order", path, summary, remedy)
            return None
        return Codes(low, high, values.get("reason", ""))

    def _read_scale_by(self, node: Node, path: str, key: Key) -> ScaleBy | None:
        """The field that chooses a scale, with one for each of its codes or states."""
        form = "{gain: {0: 1/16, 1: 1}}, a field and the scale for each of its codes"
        mapping = self.mapping(node, path, key.name, form)
        if mapping is None:
            return None
        if len(mapping.entries) != 1:
            summary = f"{key.name} names {len(mapping.entries)} fields, not one"
            self.note(node, "wrong-type", path, summary, f"Write {form}.")
            return None
        name = self._read_reference(mapping.entries[0].key, path, key)
        inner = self.mapping(mapping.entries[0].value, path, key.name, form)
        if inner is None or not name:
            return None
        if not 1 <= len(inner.entries) <= _MOST_SCALES:
            summary = f"{key.name} has {len(inner.entries)} scales, outside 1 to {_MOST_SCALES}"
            self.note(inner, "number-limit", path, summary, f"Write {form}.")
            return None
        choices = [self._scale_choice(entry, path) for entry in inner.entries]
        return None if None in choices else ScaleBy(name, tuple(one for one in choices if one))

    def _scale_choice(self, entry: Entry, path: str) -> ScaleChoice | None:
        """One code, or state, and the scale that it chooses."""
        said: int | str | None = entry.key.text
        if not isinstance(yaml_text.parse_number(entry.key.text), str):
            said = self._read_integer(replace(entry.key, quoted=False), path, Key("a code", "", ""))
        if not isinstance(entry.value, Mapping):
            scale = self._read_number(entry.value, path, CHOICE_KEYS["scale"])
            return None if scale is None or said is None else ScaleChoice(said, scale)
        entries = self.keys(entry.value, CHOICE_KEYS, path, "a scale")
        values = self.read_all(entries, CHOICE_KEYS, path)
        if self.lacking(entry.value, entries, ("scale",)):
            self.note(
                entry.value, "missing-key", path, "a scale lacks scale", "Write {scale: 4, offset: -4}."
            )
        sound = "scale" in values and len(values) == len(entry.value.entries)
        return ScaleChoice(said, **values) if sound and said is not None else None

    def _read_curve(self, node: Node, path: str, key: Key) -> Curve | None:
        """How codes become values, in one of four forms."""
        forms = (
            "One of: square, {square: {keeps_sign: true}}, {polynomial: [c0, c1]}, {points: [[raw, value], "
            "...]}, {table: {raw: value}}."
        )
        if isinstance(node, Scalar) and node.text == "square":
            return Curve("square")
        if not isinstance(node, Mapping) or len(node.entries) != 1 or node.entries[0].key.text not in _CURVES:
            self.note(node, "curve-shape", path, "a curve is one of four forms", on_lines(forms))
            return None
        entry = node.entries[0]
        made: Curve | None = getattr(self, f"_curve_{entry.key.text}")(entry.value, path)
        return made

    def _curve_square(self, node: Node, path: str) -> Curve | None:
        mapping = self.mapping(node, path, "square", "square: {keeps_sign: true}")
        if mapping is None:
            return None
        entries = self.keys(mapping, SQUARE_KEYS, path, "square")
        values = self.read_all(entries, SQUARE_KEYS, path)
        return Curve("square", **values) if len(values) == len(mapping.entries) else None

    def _curve_polynomial(self, node: Node, path: str) -> Curve | None:
        items = node.items if isinstance(node, Sequence) else ()
        if not 2 <= len(items) <= _MOST_TERMS:
            text = f"a polynomial is 2 to {_MOST_TERMS} coefficients, the constant first"
            self.note(
                node,
                "curve-shape",
                path,
                text,
                "Write {polynomial: [c0, c1, c2]}: c0 + c1 * raw + c2 * raw^2.",
            )
            return None
        terms = [self._read_number(item, path, Key("a coefficient", "", "")) for item in items]
        known = tuple(term for term in terms if term is not None)
        if len(known) < len(terms):
            return None
        if not any(known[1:]):
            self.note(
                node,
                "curve-shape",
                path,
                "every code would be the same value",
                "Write the coefficient of raw, or of a power of it.",
            )
            return None
        return Curve("polynomial", coefficients=known)

    def _curve_points(self, node: Node, path: str) -> Curve | None:
        items = node.items if isinstance(node, Sequence) else ()
        if not 2 <= len(items) <= _MOST_POINTS:
            text = f"points are 2 to {_MOST_POINTS:,} pairs of a raw code and its value"
            self.note(node, "curve-shape", path, text, "Write {points: [[0, -40], [255, 85]]}.")
            return None
        pairs: list[tuple[Node, Node]] = []
        for item in items:
            if not isinstance(item, Sequence) or len(item.items) != 2:
                self.note(
                    item, "curve-shape", path, "a point is a raw code and its value", "Write [raw, value]."
                )
                return None
            pairs.append((item.items[0], item.items[1]))
        return self._curve_of_pairs("points", pairs, path)

    def _curve_table(self, node: Node, path: str) -> Curve | None:
        mapping = self.mapping(node, path, "table", "a raw code and its value each: {0: -40, 1: -38.5}")
        if mapping is None:
            return None
        if not 1 <= len(mapping.entries) <= _MOST_POINTS:
            text = f"a table has 1 to {_MOST_POINTS:,} entries, not {len(mapping.entries):,}"
            self.note(node, "curve-shape", path, text, "Write {table: {0: -40, 1: -38.5}}.")
            return None
        # A key may stand in quotes: whoever writes JSON has no choice.
        pairs: list[tuple[Node, Node]] = [
            (replace(one.key, quoted=False), one.value) for one in mapping.entries
        ]
        return self._curve_of_pairs("table", pairs, path)

    def _curve_of_pairs(self, what: str, pairs: list[tuple[Node, Node]], path: str) -> Curve | None:
        found: dict[int, Fraction] = {}
        for left, right in pairs:
            raw = self._read_integer(left, path, Key("a raw code", "", ""))
            value = self._read_number(right, path, Key("a value", "", ""))
            if raw is None or value is None:
                return None
            if raw in found:
                self.note(
                    left,
                    "curve-shape",
                    path,
                    f"code {whole(raw)} is there twice",
                    "Give each code one value.",
                )
                return None
            found[raw] = value
        return Curve(what, points=tuple(sorted(found.items())))

    def _read_counts(self, node: Node, path: str, key: Key) -> tuple[tuple[str, int], ...] | None:
        """The parts of a time as (unit, bits)."""
        mapping = self.mapping(node, path, "counts", "units with their bits: {days: 16, milliseconds: 32}")
        if mapping is None:
            return None
        table = {unit: Key(unit, "bits", "") for unit in TIME_UNITS}
        entries = self.keys(mapping, table, path, "counts")
        found = []
        for unit, entry in entries.items():
            bits = self._integer_within(entry.value, path, table[unit], 1, 64)
            if bits is None:
                return None
            found.append((unit, bits))
        return tuple(found) if found and len(found) == len(mapping.entries) else None

    def _read_runs(self, node: Node, path: str, key: Key) -> tuple[tuple[int, int], ...] | None:
        """Runs of bits as (bit, width)."""
        form = "Write each run as [bit, width], the most significant first: [[0, 7], [8, 4]]."
        if not isinstance(node, Sequence) or not node.items:
            self.note(node, "runs-shape", path, f"runs is a list of runs, not {shape(node)}", form)
            return None
        found = []
        for item in node.items:
            if not isinstance(item, Sequence) or len(item.items) != 2:
                self.note(item, "runs-shape", path, "a run is two numbers, its first bit and its width", form)
                return None
            bit = self._integer_within(item.items[0], path, Key("a run's first bit", "", ""), 0, 65_535)
            width = self._integer_within(item.items[1], path, Key("a run's width", "", ""), 1, 64)
            if bit is None or width is None:
                return None
            found.append((bit, width))
        return tuple(found)

    def _read_missing(self, node: Node, path: str, key: Key) -> bool | tuple[Codes, ...] | None:
        if isinstance(node, Scalar) and not node.quoted and node.text in ("true", "false"):
            return node.text == "true"
        items = node.items if isinstance(node, Sequence) else (node,)
        if not items:
            self.note(
                node,
                "nothing-in-it",
                path,
                "missing is an empty list",
                "Write true, a code, or a list of {code: n, reason: text}.",
            )
            return None
        codes = [self._one_code(item, path, key, reason=True) for item in items]
        return None if None in codes else tuple(code for code in codes if code)

    def _read_states(self, node: Node, path: str, key: Key) -> tuple[tuple[int, str], ...] | None:
        mapping = self.mapping(node, path, "states", "a code and a name each: {0: idle, 1: measuring}")
        if mapping is None:
            return None
        if not mapping.entries:
            self.note(
                node,
                "nothing-in-it",
                path,
                "states is empty",
                "Write a code and a name: {0: idle, 1: measuring}.",
            )
            return None
        states: dict[int, str] = {}
        labels: set[str] = set()
        good = True
        for entry in mapping.entries:
            # A key may stand in quotes: whoever writes JSON has no choice.
            code = self._read_integer(replace(entry.key, quoted=False), path, Key("a state's code", "", ""))
            label = self._read_line(entry.value, path, Key("a state's name", "line", ""))
            if code is None or label is None:
                good = False
            elif code in states or label in labels:
                twice = code in states
                what = f"code {whole(code)}" if twice else f"the state {shown(label)}"
                self.note(
                    entry.key if twice else entry.value,
                    "duplicate-state",
                    path,
                    f"{what} is there twice",
                    "Give each state one code and each code one name.",
                )
                good = False
            else:
                states[code] = label
                labels.add(label)
        return tuple(sorted(states.items())) if good else None

    def _read_repeat(self, node: Node, path: str, key: Key) -> Repeat | None:
        if isinstance(node, Scalar) and REFERENCE.match(node.text):
            summary = f"repeat is the name {shown(node.text)}, neither a number nor a count"
            self.note(node, "repeat-shape", path, summary, f"Write repeat: {{count: {node.text}}}.")
            return None
        if isinstance(node, Scalar):
            count = self._read_integer(node, path, key)
            return None if count is None else Repeat(count=count)
        mapping = self.mapping(node, path, "repeat", "a number, {count: name}, or {to_end: true, maximum: n}")
        if mapping is None:
            return None
        values = self.read_all(self.keys(mapping, _REPEAT, path, "repeat"), _REPEAT, path)
        count, to_end = values.get("count"), values.get("to_end", False)
        bounded = count is None or isinstance(count, Product)
        if (count is None) == (not to_end) or (not bounded and "maximum" in values):
            if len(values) == len(mapping.entries):
                summary = "repeat has neither a count nor to_end: true"
                if count is not None:
                    summary = (
                        f"repeat has a count, so {'to_end' if to_end else 'maximum'} cannot stand beside it"
                    )
                remedy = "Write a number, {count: name}, or {to_end: true, maximum: n}."
                self.note(node, "repeat-shape", path, summary, remedy)
            return None
        if isinstance(count, str):
            return Repeat(counted_by=count)
        if isinstance(count, Product):
            return Repeat(product=count, maximum=values.get("maximum"))
        return Repeat(count=count, to_end=to_end, maximum=values.get("maximum"))

    def _read_counter(self, node: Node, path: str, key: Key) -> int | str | Product | None:
        if isinstance(node, Mapping):
            return self._product(node, path)
        if isinstance(node, Scalar) and REFERENCE.match(node.text):
            return node.text
        return self._read_integer(node, path, key)

    def _product(self, node: Mapping, path: str) -> Product | None:
        entries = self.keys(node, _PRODUCT, path, "count")
        values = self.read_all(entries, _PRODUCT, path)
        if self.lacking(node, entries, ("product_of",)):
            self.note(
                node, "missing-key", path, "count lacks product_of", "Write {product_of: [rows, columns]}."
            )
        if "product_of" not in values or len(values) < len(node.entries):
            return None
        return Product(values["product_of"], values.get("plus", 0))

    def _read_factors(self, node: Node, path: str, key: Key) -> tuple[tuple[str, bool], ...] | None:
        """Names of fields; {ones_in: name} counts the bits of a field that are one."""
        items = node.items if isinstance(node, Sequence) else (node,)
        found: list[tuple[str, bool]] = []
        for item in items:
            ones = isinstance(item, Mapping)
            if isinstance(item, Mapping):
                entries = self.keys(item, _ONES, path, "a factor")
                name = self.read_all(entries, _ONES, path).get("ones_in")
                if not item.entries:
                    self.note(item, "nothing-in-it", path, "a factor is empty", "Write {ones_in: name}.")
            else:
                name = self._read_reference(item, path, key)
            if name is None:
                return None
            found.append((name, ones))
        if not found:
            self.note(node, "nothing-in-it", path, "product_of is an empty list", "Name at least one field.")
        return tuple(found) or None

    def _read_when(self, node: Node, path: str, key: Key) -> tuple[Condition, ...] | None:
        """The codes of each field that tells a variant."""
        mapping = self.mapping(node, path, "when", "each telling field and its codes: {tag: 1}")
        if mapping is None:
            return None
        conditions = [self._condition_of(entry, path, key) for entry in mapping.entries]
        return None if None in conditions else tuple(one for one in conditions if one)

    def _read_tellers(self, node: Node, path: str, key: Key) -> tuple[str, ...] | None:
        return self._read_references(node, path, key)

    def _read_condition(self, node: Node, path: str, key: Key) -> Condition | None:
        if isinstance(node, Scalar):
            name = self._read_reference(node, path, key)
            return Condition(name) if name else None
        form = "a flag's name, or {field: code}"
        mapping = self.mapping(node, path, key.name, form)
        if mapping is None:
            return None
        if len(mapping.entries) != 1:
            summary = f"{key.name} names {len(mapping.entries)} fields, not one"
            more = "; put one group into another for more" if key.name == "present_when" else ""
            self.note(node, "wrong-type", path, summary, f"Write {form}{more}.")
            return None
        return self._condition_of(mapping.entries[0], path, key)

    def _condition_of(self, entry: Entry, path: str, key: Key) -> Condition | None:
        """A field's name, and the codes or states that it must hold."""
        name = self._read_reference(entry.key, path, key)
        items = entry.value.items if isinstance(entry.value, Sequence) else (entry.value,)
        if not items or any(self.absent(item, path, key.name) for item in items):
            if not items:
                summary, remedy = f"{key.name} lists no code", "Write at least one code or state."
                self.note(entry.value, "nothing-in-it", path, summary, remedy)
            return None
        codes: list[Codes] = []
        states: list[str] = []
        for item in items:
            if isinstance(item, Scalar) and (
                item.quoted or isinstance(yaml_text.parse_number(item.text), str)
            ):
                states.append(item.text)
            elif (code := self._one_code(item, path, key, reason=False)) is not None:
                codes.append(code)
        return Condition(name, tuple(codes), tuple(states)) if name and (codes or states) else None

    def _read_covers(self, node: Node, path: str, key: Key) -> Covers | None:
        if isinstance(node, Scalar):
            if node.text in ("everything_before", "whole_frame"):
                return Covers(node.text)
            near = yaml_text.closest(node.text, ("everything_before", "whole_frame"))
            if near and not REFERENCE.match(node.text):
                self.note(
                    node, "bad-word", path, f"covers cannot be {shown(node.text)}", f"Did you mean {near}?"
                )
                return None
            name = self._read_reference(node, path, key)
            return Covers("names", (name,)) if name else None
        if isinstance(node, Sequence):
            names = self._references(node, path, key)
            return Covers("names", names) if names else None
        entries = self.keys(node, _COVERS, path, "covers")
        values = self.read_all(entries, _COVERS, path)
        remedy = "Write {from: first, to: last}, with except: [names] if need be."
        for end in self.lacking(node, entries, ("from", "to")):
            self.note(node, "missing-key", path, f"covers lacks {end}", remedy)
        if "from" not in values or "to" not in values:
            return None
        return Covers("range", values.get("except", ()), values["from"], values["to"])

    def _read_samples(self, node: Node, path: str, key: Key) -> int | None:
        return self._integer_within(node, path, key, 2, 65_535)

    def _read_kept(self, node: Node, path: str, key: Key) -> tuple[str, ...] | None:
        items = node.items if isinstance(node, Sequence) else (node,)
        words = [self._read_word(item, path, Key(key.name, "word", "", MEMBERS)) for item in items]
        if not items or len(set(words)) < len(words):
            text = "keep names nothing" if not items else "keep names one of them twice"
            self.note(node, "nothing-in-it", path, text, f"Write some of {', '.join(MEMBERS)}.")
            return None
        return None if None in words else tuple(word for word in words if word)

    def _read_summary(self, node: Node, path: str, key: Key) -> Summary | None:
        mapping = self.mapping(node, path, key.name, "{samples: 60}, the most samples that are summed up")
        if mapping is None:
            return None
        entries = self.keys(mapping, SUMMARY_KEYS, path, key.name)
        values = self.read_all(entries, SUMMARY_KEYS, path)
        if self.lacking(mapping, entries, ("samples",)):
            remedy = f"samples: {SUMMARY_KEYS['samples'].help}"
            self.note(node, "missing-key", path, "summary lacks samples", remedy)
        sound = "samples" in values and len(values) == len(mapping.entries)
        return Summary(**values) if sound else None

    def _read_bundled(self, node: Node, path: str, key: Key) -> int | None:
        return self._integer_within(node, path, key, 2, _MOST_BUNDLED)

    def _read_bundle(self, node: Node, path: str, key: Key) -> Bundle | None:
        form = "{samples: 16, maximum_step: 2}, how many and the largest step from one to the next"
        mapping = self.mapping(node, path, key.name, form)
        if mapping is None:
            return None
        entries = self.keys(mapping, BUNDLE_KEYS, path, key.name)
        values = self.read_all(entries, BUNDLE_KEYS, path)
        for lacks in self.lacking(mapping, entries, tuple(BUNDLE_KEYS)):
            self.note(
                node, "missing-key", path, f"bundle lacks {lacks}", f"{lacks}: {BUNDLE_KEYS[lacks].help}"
            )
        sound = len(values) == len(BUNDLE_KEYS) == len(mapping.entries)
        return Bundle(**values) if sound else None

    def _read_coefficients(self, node: Node, path: str, key: Key) -> tuple[Fraction, ...] | None:
        items = node.items if isinstance(node, Sequence) else ()
        if not 2 <= len(items) <= _MOST_COEFFICIENTS:
            what = f"{len(items)} numbers" if isinstance(node, Sequence) else shape(node)
            summary = f"{key.name} is a list of 2 to {_MOST_COEFFICIENTS} numbers, not {what}"
            self.note(node, "calibration-shape", path, summary, "Write the constant first: [0.12, 1.003].")
            return None
        numbers = [self._read_number(item, path, key) for item in items]
        return None if None in numbers else tuple(number for number in numbers if number is not None)

    def _read_points(self, node: Node, path: str, key: Key) -> tuple[tuple[Fraction, Fraction], ...] | None:
        rows = node.items if isinstance(node, Sequence) else ()
        pairs = [row for row in rows if isinstance(row, Sequence) and len(row.items) == 2]
        if len(pairs) < max(len(rows), 2) or len(pairs) > _MOST_PAIRS:
            summary = f"{key.name} is a list of 2 to {_MOST_PAIRS} pairs"
            self.note(
                node,
                "calibration-shape",
                path,
                summary,
                "Write what was decoded first: [[0, 0.3], [40, 40.1]].",
            )
            return None
        numbers = [[self._read_number(item, path, key) for item in row.items] for row in pairs]
        points = [(x, y) for x, y in numbers if x is not None and y is not None]
        return tuple(points) if len(points) == len(pairs) else None

    def _read_calibration(self, node: Node, path: str, key: Key) -> tuple[Calibration, ...] | None:
        form = "a unit's serial, and under it polynomial: or points:"
        mapping = self.mapping(node, path, key.name, form)
        if mapping is None:
            return None
        if not mapping.entries:
            self.note(node, "nothing-in-it", path, "calibration is empty", f"Write {form}.")
        made = [self._curve(entry, path) for entry in mapping.entries]
        return None if None in made or not made else tuple(one for one in made if one is not None)

    def _curve(self, entry: Entry, path: str) -> Calibration | None:
        """One unit's curve; the serial is a text, also where it looks like a number."""
        serial = self._read_line(entry.key, path, Key("a serial", "line", ""))
        form = "{polynomial: [0.12, 1.003]} or {points: [[0, 0.3], [40, 40.1]]}"
        mapping = self.mapping(entry.value, path, "a calibration", form)
        if mapping is None or serial is None:
            return None
        entries = self.keys(mapping, CURVE_KEYS, path, "a calibration")
        values = self.read_all(entries, CURVE_KEYS, path)
        if len(entries) == len(mapping.entries) and len(entries) != 1:
            summary = f"a calibration has {'both' if entries else 'neither'} polynomial {'and' if entries else 'nor'} points"
            self.note(entry.value, "calibration-shape", path, summary, f"Write {form}.")
            return None
        return Calibration(serial, **values) if len(values) == len(mapping.entries) == 1 else None

    def _read_limit(self, node: Node, path: str, key: Key) -> Limit | None:
        mapping = self.mapping(node, path, key.name, "{minimum: 3.3, maximum: 4.2}, or one of them")
        if mapping is None:
            return None
        values = self.read_all(self.keys(mapping, LIMIT_KEYS, path, key.name), LIMIT_KEYS, path)
        if not mapping.entries:
            remedy = "Write minimum: or maximum:, or both."
            self.note(node, "nothing-in-it", path, f"{key.name} is empty", remedy)
        return Limit(key.name, **values) if values and len(values) == len(mapping.entries) else None

    def _read_limits(self, node: Node, path: str, key: Key) -> tuple[Limit, ...] | None:
        form = "soft: and hard: under it, each {minimum: 3.3, maximum: 4.2}"
        mapping = self.mapping(node, path, key.name, form)
        if mapping is None:
            return None
        values = self.read_all(self.keys(mapping, LIMITS_KEYS, path, key.name), LIMITS_KEYS, path)
        if not mapping.entries:
            self.note(node, "nothing-in-it", path, "limits is empty", "Write soft: or hard:, or both.")
        return tuple(values[name] for name in ("hard", "soft") if name in values) or None

    def _read_octets(self, node: Node, path: str, key: Key) -> tuple[int, ...] | None:
        items = node.items if isinstance(node, Sequence) else (node,)
        if not 1 <= len(items) <= _MOST_OCTETS:
            summary = f"{key.name} lists {len(items):,} octets, outside 1 to {_MOST_OCTETS}"
            remedy = f"Write one octet, 0x1F, or a list of up to {_MOST_OCTETS}."
            self.note(node, "number-limit", path, summary, remedy)
            return None
        octets = [self._integer_within(item, path, key, 0, 255) for item in items]
        return None if None in octets else tuple(octet for octet in octets if octet is not None)

    def _read_references(self, node: Node, path: str, key: Key) -> tuple[str, ...] | None:
        return self._references(
            node
            if isinstance(node, Sequence)
            else Sequence((node,), node.position, node.excerpt, node.width),
            path,
            key,
        )

    def _references(self, node: Sequence, path: str, key: Key) -> tuple[str, ...] | None:
        if not node.items:
            self.note(node, "nothing-in-it", path, f"{key.name} is an empty list", "Name at least one field.")
            return None
        names = [self._read_reference(item, path, key) for item in node.items]
        return None if None in names else tuple(name for name in names if name)

    def _read_algorithm(self, node: Node, path: str, key: Key) -> str | CustomCrc | None:
        if isinstance(node, Scalar):
            return self._read_line(node, path, key)
        mapping = self.mapping(node, path, "algorithm", "a name, such as CRC-16/IBM-3740, or six parameters")
        if mapping is None:
            return None
        entries = self.keys(mapping, CRC_KEYS, path, "algorithm")
        values = self.read_all(entries, CRC_KEYS, path)
        lacking = self.lacking(mapping, entries, ("width", "polynomial"))
        for name in lacking:
            self.note(
                node,
                "missing-key",
                path,
                f"algorithm lacks {name}",
                "Write the six parameters: " + ", ".join(CRC_KEYS) + ".",
            )
        sound = len(values) == len(mapping.entries) and {"width", "polynomial"} <= values.keys()
        return CustomCrc(**values) if sound else None


def _is_instant(text: str) -> bool:
    from datetime import datetime

    try:
        datetime.fromisoformat(text[:19])
    except ValueError:
        return False
    return True


def join(path: str, name: str) -> str:
    return f"{path}.{name}" if path else name


def path_at(path: str, node: Node) -> str:
    """The path of what a node names; by its line where it is no name, for a path goes into messages as it is."""
    named = isinstance(node, Scalar) and NAME.match(node.text)
    return join(path, node.text if named and isinstance(node, Scalar) else f"(line {node.position.line})")


def whole(number: int) -> str:
    """A whole number, short where it is a one with sixty zeros."""
    return format_number(Fraction(number))


def long_text(text: str) -> str:
    """A text that should have been a name, with its length where that is the trouble."""
    return shown(text) + (f" ({len(text):,} characters)" if len(text) > 40 else "")


def listed(words: Iterable[str]) -> str:
    """`C, C++ and Python`."""
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last


def sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def on_lines(text: str) -> str:
    """A long remedy on lines that a terminal shows whole."""
    from textwrap import fill

    return fill(text, _REMEDY_COLUMNS, break_long_words=False)


def shape(node: Node) -> str:
    if isinstance(node, Scalar):
        return f"the text {shown(node.text)}"
    return "a list" if isinstance(node, Sequence) else "keys with values"
