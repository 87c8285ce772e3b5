"""How single values are read: texts and words, numbers and their bounds, names of frames and fields, dates.

Everything that is made of several values reads them by these.
"""

from __future__ import annotations

import re
from fractions import Fraction

from packetkit.schema.keys import Key
from packetkit.schema.kinds import KINDS
from packetkit.schema.names import MISSION_NAME, NAME, REFERENCE, reserved_in
from packetkit.schema.presets import PRESETS
from packetkit.schema.readers import Readers, listed, long_text, sentence
from packetkit.schema.text import Node, Scalar, Sequence
from packetkit.schema.words import format_number, parse_boolean, parse_number, shown, whole

_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,9})?Z\Z")
_LONGEST_LINE = 80  # a unit, a label, a reason: what one line of a table or a legend holds


class PlainReaders(Readers):
    """Reads single values: one method for each word of the `reads` column that means one."""

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
        truth = parse_boolean(scalar.text)
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
        number = parse_number(scalar.text)
        if isinstance(number, str):
            what, _, hint = number.partition("; ")
            remedy = sentence(hint or "a number is written as 12, -0.5, 1.5e-3, 0x1F, 1/16 or 2^-43")
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

    def _read_elements(self, node: Node, path: str, key: Key) -> int | None:
        return self._integer_within(node, path, key, 1, 65_535)

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
        scalar = self.scalar(node, path, key.name)
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
        number = parse_number(scalar.text)
        return scalar.text if scalar.quoted or isinstance(number, str) else number


def _is_instant(text: str) -> bool:
    from datetime import datetime

    try:
        datetime.fromisoformat(text[:19])
    except ValueError:
        return False
    return True
