"""How a schema says that one value has several pieces on the wire: the runs of its bits, or the counts of a time."""

from __future__ import annotations

from packetkit.schema.field_keys import CALENDAR_UNITS, COUNT_KEYS, FIRST_BITS_KEYS, FORM_KEYS, TIME_UNITS
from packetkit.schema.keys import Key
from packetkit.schema.model import FirstBits, Form, TimeCount
from packetkit.schema.plain import PlainReaders
from packetkit.schema.readers import shape
from packetkit.schema.text import Mapping, Node, Sequence
from packetkit.schema.words import whole

_CODING = "{first_bits: 2, forms: [{code: 0, bits: 6}, {code: 1, bits: 14}]}"
_MOST_OFFSET = 9999  # years are the calendar's, and nothing else counts so far


_MOST_FORMS = 64


class PieceReaders(PlainReaders):
    """Reads runs, counts, and codings."""

    def _read_coding(self, node: Node, path: str, key: Key) -> str | FirstBits | None:
        """How bits spell a number: a word, or the forms that its first bits tell."""
        if not isinstance(node, Mapping):
            return self._read_word(node, path, key)
        entries = self.keys(node, FIRST_BITS_KEYS, path, key.name)
        values = self.read_all(entries, FIRST_BITS_KEYS, path)
        lacking = self.lacking(node, entries, ("first_bits", "forms"))
        if lacking:
            self.note(
                node, "coding-shape", path, f"a coding lacks {' and '.join(lacking)}", f"Write {_CODING}."
            )
        if not {"first_bits", "forms"} <= values.keys() or len(values) < len(node.entries):
            return None
        if not 1 <= values["first_bits"] <= 16:
            text = f"first_bits is {whole(values['first_bits'])}, outside 1 to 16"
            self.note(entries["first_bits"].value, "coding-shape", path, text, f"Write {_CODING}.")
            return None
        return FirstBits(values["first_bits"], values["forms"], values.get("order") == "little")

    def _read_forms(self, node: Node, path: str, key: Key) -> tuple[Form, ...] | None:
        """The forms of a number."""
        if not isinstance(node, Sequence) or not 1 <= len(node.items) <= _MOST_FORMS:
            text = f"forms is a list of 1 to {_MOST_FORMS} forms"
            self.note(node, "coding-shape", path, text, f"Write {_CODING}.")
            return None
        made = [self._form(item, path) for item in node.items]
        return None if None in made else tuple(form for form in made if form is not None)

    def _form(self, node: Node, path: str) -> Form | None:
        mapping = self.mapping(node, path, "a form", "{code: 1, bits: 14}")
        if mapping is None:
            return None
        entries = self.keys(mapping, FORM_KEYS, path, "a form")
        said: dict[str, int] = {}
        for name, entry in entries.items():
            most = 64 if name == "bits" else (1 << 64) - 1 if name == "offset" else 65_535
            number = self._integer_within(entry.value, path, FORM_KEYS[name], 0, most)
            if number is None:
                return None
            said[name] = number
        if len(said) < len(mapping.entries):
            return None
        if said.keys() & {"code", "from", "to"} not in ({"code"}, {"from", "to"}):
            self.note(
                node,
                "coding-shape",
                path,
                "a form is of one code, or from one to another",
                f"Write {_CODING}.",
            )
            return None
        low = said.get("code", said.get("from", 0))
        return Form(low, said.get("to", low), said.get("bits", 0), said.get("offset", 0))

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

    def _read_counts(self, node: Node, path: str, key: Key) -> tuple[TimeCount, ...] | None:
        """The parts of a time, each its bits, or a mapping of its bits and how they spell a number."""
        mapping = self.mapping(node, path, "counts", "units with their bits: {days: 16, milliseconds: 32}")
        if mapping is None:
            return None
        table = {unit: Key(unit, "bits", "") for unit in (*CALENDAR_UNITS, *TIME_UNITS)}
        entries = self.keys(mapping, table, path, "counts")
        found = []
        for unit, entry in entries.items():
            count = self._count(unit, entry.value, path, table[unit])
            if count is None:
                return None
            found.append(count)
        return tuple(found) if found and len(found) == len(mapping.entries) else None

    def _count(self, unit: str, node: Node, path: str, key: Key) -> TimeCount | None:
        """One part of a time."""
        if not isinstance(node, Mapping):
            bits = self._integer_within(node, path, key, 1, 64)
            return None if bits is None else TimeCount(unit, bits)
        entries = self.keys(node, COUNT_KEYS, path, unit)
        values = self.read_all(entries, COUNT_KEYS, path)
        if self.lacking(node, entries, ("bits",)):
            self.note(node, "missing-key", path, f"{unit} lack bits", "Write {bits: 5, scale: 2}.")
        if "bits" in entries:
            values["bits"] = self._integer_within(entries["bits"].value, path, key, 1, 64)
        for name in ("scale", "offset"):
            low = 1 if name == "scale" else -_MOST_OFFSET
            if name in values:
                values[name] = self._integer_within(
                    entries[name].value, path, COUNT_KEYS[name], low, _MOST_OFFSET
                )
        whole = (
            len(values) == len(node.entries)
            and values.get("bits") is not None
            and None not in values.values()
        )
        return TimeCount(unit, **values) if whole else None
