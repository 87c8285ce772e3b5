"""How a schema says how often a field is there: a number, a count, a product, until one is the last, or as often as there is room."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from typing import Any

from packetkit.schema.keys import Key
from packetkit.schema.model import Product, Repeat
from packetkit.schema.names import REFERENCE
from packetkit.schema.plain import PlainReaders
from packetkit.schema.text import Mapping, Node, Scalar, Sequence, shown

_REPEAT = {
    "count": Key("count", "counter", ""),
    "to_end": Key("to_end", "boolean", ""),
    "goes_on_when": Key("goes_on_when", "condition", ""),
    "ends_when": Key("ends_when", "condition", ""),
    "maximum": Key("maximum", "size", ""),
}
_PRODUCT = {
    "product_of": Key("product_of", "factors", ""),
    "plus": Key("plus", "integer", ""),
}
_ONES = {"ones_in": Key("ones_in", "reference", "")}


class RepeatReaders(PlainReaders):
    """Reads how often a field is there."""

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
                remedy = "Write a number, {count: name}, or {to_end: true, maximum: n}."
                self.note(node, "repeat-shape", path, summary, remedy)
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
            self.note(node, "repeat-shape", path, summary, "Add maximum: the most elements that there can be.")
            return None
        return Repeat(**values)

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
