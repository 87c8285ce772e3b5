"""How a schema says what codes are worth, beyond scale and offset: a curve in one of four forms, or a scale that another field chooses."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from packetkit.schema.field_keys import CHOICE_KEYS, SQUARE_KEYS
from packetkit.schema.keys import Key
from packetkit.schema.model import Curve, ScaleBy, ScaleChoice
from packetkit.schema.plain import PlainReaders
from packetkit.schema.readers import on_lines
from packetkit.schema.text import Entry, Mapping, Node, Scalar, Sequence
from packetkit.schema.words import parse_number, whole

_CURVES = ("square", "polynomial", "points", "table")
_MOST_SCALES = 64  # that a field chooses from: a gain or a range of six bits, in full
_MOST_POINTS = 4096  # of a curve: a table over twelve bits, in full
_MOST_TERMS = 16  # of a polynomial; beyond, a double of the flight code no longer tells its terms apart


class TransformReaders(PlainReaders):
    """Reads curves and chosen scales."""

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
        if not isinstance(parse_number(entry.key.text), str):
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
