"""How a schema says what only the ground knows, and no frame holds: limits to warn of, and each unit's calibration."""

from __future__ import annotations

from fractions import Fraction

from packetkit.schema.field_keys import CURVE_KEYS, LIMIT_KEYS, LIMITS_KEYS
from packetkit.schema.keys import Key
from packetkit.schema.model import Calibration, Limit
from packetkit.schema.plain import PlainReaders
from packetkit.schema.readers import shape
from packetkit.schema.text import Entry, Node, Sequence

_MOST_COEFFICIENTS = 10
_MOST_PAIRS = 1000  # of a calibration


class GroundReaders(PlainReaders):
    """Reads limits and calibration."""

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
