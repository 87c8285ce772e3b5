"""How a schema says that one value has several pieces on the wire: the runs of its bits, or the counts of a time."""

from __future__ import annotations

from packetkit.schema.field_keys import TIME_UNITS
from packetkit.schema.keys import Key
from packetkit.schema.plain import PlainReaders
from packetkit.schema.readers import shape
from packetkit.schema.text import Node, Sequence


class PieceReaders(PlainReaders):
    """Reads runs and counts."""

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
