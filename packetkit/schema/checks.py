"""How a schema says what a check is and covers: its algorithm, by name or by parameters, its span, and octets fed in front of it."""

from __future__ import annotations

from packetkit.schema.field_keys import CRC_KEYS, PARITY_KEYS, SIZE_KEYS
from packetkit.schema.keys import Key
from packetkit.schema.model import Covers, CustomCrc, FrameSize, ListedParity
from packetkit.schema.names import REFERENCE
from packetkit.schema.plain import PlainReaders
from packetkit.schema.text import Mapping, Node, Scalar, Sequence
from packetkit.schema.words import closest, shown

_COVERS = {
    "from": Key("from", "reference", ""),
    "to": Key("to", "reference", ""),
    "except": Key("except", "references", ""),
}
_MOST_PARITIES = 64  # as many bits as a code of a machine word
_FARTHEST_BIT = 4096
_MOST_OCTETS = 64  # in front of a check: the longest such header known, that of IPv6 (RFC 8200), has 40


class CheckReaders(PlainReaders):
    """Reads what a check is declared with."""

    def _read_covers(self, node: Node, path: str, key: Key) -> Covers | None:
        if isinstance(node, Scalar):
            if node.text in ("everything_before", "whole_frame"):
                return Covers(node.text)
            near = closest(node.text, ("everything_before", "whole_frame"))
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

    def _read_in_front(self, node: Node, path: str, key: Key) -> tuple[int | str | FrameSize, ...] | None:
        items = node.items if isinstance(node, Sequence) else (node,)
        if not 1 <= len(items) <= _MOST_OCTETS:
            summary = f"{key.name} lists {len(items):,} octets, outside 1 to {_MOST_OCTETS}"
            remedy = f"Write one octet, 0x1F, or a list of up to {_MOST_OCTETS}."
            self.note(node, "number-limit", path, summary, remedy)
            return None
        found = [self._one_in_front(item, path, key) for item in items]
        return None if None in found else tuple(one for one in found if one is not None)

    def _one_in_front(self, node: Node, path: str, key: Key) -> int | str | FrameSize | None:
        """An octet, a field's name, or the frame's size."""
        if isinstance(node, Scalar) and not node.quoted and REFERENCE.match(node.text):
            return node.text
        if isinstance(node, Scalar):
            return self._integer_within(node, path, key, 0, 255)
        mapping = self.mapping(node, path, key.name, "an octet, a field's name, or {size_of: whole_frame}")
        if mapping is None:
            return None
        entries = self.keys(mapping, SIZE_KEYS, path, key.name)
        values = self.read_all(entries, SIZE_KEYS, path)
        for name in self.lacking(mapping, entries, SIZE_KEYS):
            remedy = "Write {size_of: whole_frame, bits: 16}."
            self.note(node, "missing-key", path, f"{key.name} lacks {name}", remedy)
        bits = values.get("bits")
        if bits is not None and bits not in (16, 32):
            text = f"the frame's size has {bits} bits in front of a check"
            self.note(entries["bits"].value, "number-limit", path, text, "Write bits: 16 or bits: 32.")
            return None
        return FrameSize(bits) if bits is not None and "size_of" in values else None

    def _read_bit_lists(self, node: Node, path: str, key: Key) -> tuple[tuple[int, ...], ...] | None:
        """Lists of bits, counted from 1, one for each bit of a check."""
        items = node.items if isinstance(node, Sequence) else ()
        if not 1 <= len(items) <= _MOST_PARITIES:
            text = f"parity has {len(items):,} lists, outside 1 to {_MOST_PARITIES}"
            self.note(
                node,
                "number-limit",
                path,
                text,
                "Write one list of bits for each bit of the check: [[1, 2, 4], [1, 3, 4]].",
            )
            return None
        found = [self._bit_list(item, path, key) for item in items]
        return None if None in found else tuple(one for one in found if one is not None)

    def _bit_list(self, node: Node, path: str, key: Key) -> tuple[int, ...] | None:
        items = node.items if isinstance(node, Sequence) else (node,)
        bits = [self._integer_within(item, path, key, 1, _FARTHEST_BIT) for item in items]
        if None in bits:
            return None
        if not bits or len(set(bits)) < len(bits):
            text = "a parity names a bit twice" if bits else "a parity names no bit"
            self.note(node, "algorithm-parameters", path, text, "Name each bit that it covers once.")
            return None
        return tuple(sorted(bit for bit in bits if bit is not None))

    def _listed_parity(self, node: Mapping, path: str) -> ListedParity | None:
        entries = self.keys(node, PARITY_KEYS, path, "algorithm")
        values = self.read_all(entries, PARITY_KEYS, path)
        if "parity" not in values or len(values) < len(node.entries):
            return None
        width, final_xor = len(values["parity"]), values.get("final_xor", 0)
        if not 0 <= final_xor < 1 << width:
            text = f"final_xor {final_xor:#x} is outside 0x0 to {(1 << width) - 1:#x}, what {width} bits can hold"
            remedy = "Write ones for the parities that are odd."
            self.note(entries["final_xor"].value, "algorithm-parameters", path, text, remedy)
            return None
        return ListedParity(values["parity"], final_xor)

    def _read_algorithm(self, node: Node, path: str, key: Key) -> str | CustomCrc | ListedParity | None:
        if isinstance(node, Scalar):
            return self._read_line(node, path, key)
        mapping = self.mapping(node, path, "algorithm", "a name, such as CRC-16/IBM-3740, or six parameters")
        if mapping is None:
            return None
        if any(entry.key.text == "parity" for entry in mapping.entries):
            return self._listed_parity(mapping, path)
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
