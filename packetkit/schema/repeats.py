"""How a schema says how often a field is there: a number, a count, a product, until one is the last, or as often as there is room."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from typing import Any

from packetkit.schema.field_keys import FACTOR_KEYS, PRODUCT_KEYS, REPEAT_KEYS
from packetkit.schema.keys import Key
from packetkit.schema.model import Product, Repeat
from packetkit.schema.names import REFERENCE
from packetkit.schema.plain import PlainReaders
from packetkit.schema.text import Mapping, Node, Scalar, Sequence
from packetkit.schema.words import shown

_FORMS = "a number, {count: name}, {to_end: true, maximum: n}, or {goes_on_when: flag, maximum: n}"


class RepeatReaders(PlainReaders):
    """Reads how often a field is there."""

    def _read_repeat(self, node: Node, path: str, key: Key) -> Repeat | None:
        if isinstance(node, Scalar) and REFERENCE.match(node.text):
            summary = f"repeat is the name {shown(node.text)}, neither a number nor a count"
            wanted = "{to_end: true}" if node.text == "to_end" else f"{{count: {node.text}}}"
            self.note(node, "repeat-shape", path, summary, f"Write repeat: {wanted}.")
            return None
        if isinstance(node, Scalar):
            count = self._read_integer(node, path, key)
            return None if count is None else Repeat(count=count)
        mapping = self.mapping(node, path, "repeat", _FORMS)
        if mapping is None:
            return None
        values = self.read_all(self.keys(mapping, REPEAT_KEYS, path, "repeat"), REPEAT_KEYS, path)
        if values.keys() & {"goes_on_when", "ends_when"}:
            return self._repeat_by_elements(node, mapping, values, path)
        count, to_end = values.get("count"), values.get("to_end", False)
        bounded = count is None or isinstance(count, Product)
        if (count is None) == (not to_end) or (not bounded and "maximum" in values):
            if len(values) == len(mapping.entries):
                summary = "repeat has neither a count nor to_end: true"
                if count is not None:
                    summary = (
                        f"repeat has a count, so {'to_end' if to_end else 'maximum'} cannot stand beside it"
                    )
                self.note(node, "repeat-shape", path, summary, f"Write {_FORMS}.")
            return None
        if isinstance(count, str):
            return Repeat(counted_by=count)
        if isinstance(count, Product):
            return Repeat(product=count, maximum=values.get("maximum"))
        return Repeat(count=count, to_end=to_end, maximum=values.get("maximum"))

    def _repeat_by_elements(
        self, node: Node, mapping: Mapping, values: MappingOf[str, Any], path: str
    ) -> Repeat | None:
        """A repeat whose elements say which of them is the last."""
        if len(values) < len(mapping.entries):
            return None
        said = [name for name in values if name != "maximum"]
        if len(said) > 1:
            summary = f"repeat has {said[0]}, so {said[1]} cannot stand beside it"
            self.note(node, "repeat-shape", path, summary, "Write one of the two, and maximum.")
            return None
        if "maximum" not in values:
            summary = f"repeat has {said[0]}, but no maximum, so nothing bounds the frame"
            self.note(
                node, "repeat-shape", path, summary, "Add maximum: the most elements that there can be."
            )
            return None
        return Repeat(**values)

    def _read_counter(self, node: Node, path: str, key: Key) -> int | str | Product | None:
        if isinstance(node, Mapping):
            return self._product(node, path)
        if isinstance(node, Scalar) and REFERENCE.match(node.text):
            return node.text
        return self._read_integer(node, path, key)

    def _product(self, node: Mapping, path: str) -> Product | None:
        entries = self.keys(node, PRODUCT_KEYS, path, "count")
        values = self.read_all(entries, PRODUCT_KEYS, path)
        if not entries.keys() & {"product_of", "ones_in"}:
            if not self.lacking(node, entries, ("product_of",)):
                return None
            self.note(
                node, "missing-key", path, "count lacks product_of", "Write {product_of: [rows, columns]}."
            )
        elif "product_of" in entries and "ones_in" in entries:
            summary = "count has product_of, so ones_in cannot stand beside it"
            remedy = "Write product_of: [{ones_in: mask}, rows] where both count."
            self.note(node, "repeat-shape", path, summary, remedy)
        elif len(values) == len(node.entries):
            factors = values.get("product_of") or ((values["ones_in"], True),)
            return Product(factors, values.get("plus", 0))
        return None

    def _read_factors(self, node: Node, path: str, key: Key) -> tuple[tuple[str, bool], ...] | None:
        """Names of fields; {ones_in: name} counts the bits of a field that are one."""
        items = node.items if isinstance(node, Sequence) else (node,)
        found: list[tuple[str, bool]] = []
        for item in items:
            ones = isinstance(item, Mapping)
            if isinstance(item, Mapping):
                entries = self.keys(item, FACTOR_KEYS, path, "a factor")
                name = self.read_all(entries, FACTOR_KEYS, path).get("ones_in")
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
