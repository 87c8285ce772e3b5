"""How a schema says what a text is made of: characters and their codes, fill, the end of a text, and its length.

A character is written in quotes or as itself (`fill: "@"`), a code as a number (`fill: 0`); a run of characters is a text that
starts at code 0, or a mapping from the code of each run's first character.
"""

from __future__ import annotations

from dataclasses import replace

from packetkit.schema.field_keys import NOT_COUNTED_KEYS
from packetkit.schema.keys import Key
from packetkit.schema.model import Alphabet, Repeat
from packetkit.schema.names import REFERENCE
from packetkit.schema.plain import PlainReaders
from packetkit.schema.readers import long_text
from packetkit.schema.text import Mapping, Node, Scalar
from packetkit.schema.words import parse_integer, shown, whole

_ALPHABET = {
    "bits": Key("bits", "bits", ""),
    "characters": Key("characters", "characters", ""),
}
_EXTENT = {"count": Key("count", "counter", ""), "at_most": Key("at_most", "integer", "")}
LONGEST_TEXT = 4_096  # characters or octets of fixed number: a frame of most radios has 255 bytes
_MOST_ALPHABET_BITS = 8


class CharacterReaders(PlainReaders):
    """Reads what texts, octets and lengths are declared with."""

    def _read_fill(self, node: Node, path: str, key: Key) -> int | str | None:
        if isinstance(node, Scalar) and node.text == "zero":
            return "zero"
        return self._read_character(node, path, key)

    def _read_character(self, node: Node, path: str, key: Key) -> int | str | None:
        """One character, or its code as a number that is not in quotes."""
        if isinstance(node, Scalar) and node.quoted and len(node.text) == 1:
            return node.text
        scalar = self.scalar(node, path, key.name)
        if scalar is None:
            return None
        if len(scalar.text) == 1 and not scalar.text.isdigit():
            return scalar.text
        if isinstance(parse_integer(scalar.text), int) and not scalar.quoted:
            return self._integer_within(node, path, key, 0, 255)
        summary = f"{key.name}: {shown(scalar.text)} is neither one character nor a code"
        self.note(
            node, "characters-unfit", path, summary, 'Write one character in quotes, "@", or a code, 0x40.'
        )
        return None

    def _read_characters(self, node: Node, path: str, key: Key) -> tuple[tuple[int, str], ...] | None:
        """Codes and their characters: of a text from code 0 on, or of runs, each under its first code."""
        runs: list[tuple[int, str]] = []
        if isinstance(node, Mapping):
            for entry in node.entries:
                # A key may stand in quotes: whoever writes JSON has no choice.
                code = replace(entry.key, quoted=False)
                first = self._integer_within(code, path, Key("a first code", "", ""), 0, 255)
                scalar = self.scalar(entry.value, path, "a run of characters")
                if first is None or scalar is None:
                    return None
                runs.append((first, scalar.text))
        else:
            scalar = self.scalar(node, path, key.name)
            if scalar is None:
                return None
            runs.append((0, scalar.text))
        pairs = [(first + at, character) for first, run in runs for at, character in enumerate(run)]
        for index, what in ((0, "code"), (1, "character")):
            taken = [pair[index] for pair in pairs]
            twice = next((one for at, one in enumerate(taken) if one in taken[:at]), None)
            if twice is not None:
                summary = f"{key.name}: the {what} {shown(str(twice))} is there twice"
                self.note(
                    node,
                    "characters-unfit",
                    path,
                    summary,
                    "Give each code one character, and each character one code.",
                )
                return None
        if not pairs:
            self.note(
                node, "nothing-in-it", path, f"{key.name} is empty", "Write the characters, from code 0 on."
            )
            return None
        return tuple(sorted(pairs))

    def _read_alphabet(self, node: Node, path: str, key: Key) -> Alphabet | None:
        form = '{bits: 5, characters: " ABCDEFGHIJKLMNOPQRSTUVWXYZ.,-/?"}'
        mapping = self.mapping(node, path, "alphabet", form)
        if mapping is None:
            return None
        entries = self.keys(mapping, _ALPHABET, path, "alphabet")
        values = self.read_all(entries, _ALPHABET, path)
        for name in self.lacking(mapping, entries, _ALPHABET):
            self.note(node, "missing-key", path, f"alphabet lacks {name}", f"Write {form}.")
        if len(values) < len(_ALPHABET):
            return None
        bits, characters = values["bits"], values["characters"]
        if not 1 <= bits <= _MOST_ALPHABET_BITS:
            summary = f"a character has 1 to {_MOST_ALPHABET_BITS} bits, not {whole(bits)}"
            self.note(
                entries["bits"].value,
                "bad-bits",
                path,
                summary,
                f"Write a number from 1 to {_MOST_ALPHABET_BITS}.",
            )
            return None
        if characters[-1][0] >= 1 << bits:
            summary = f"{bits} bits have codes up to {(1 << bits) - 1}, and {shown(characters[-1][1])} has {characters[-1][0]}"
            self.note(
                entries["characters"].value,
                "characters-unfit",
                path,
                summary,
                "Use more bits, or leave it out.",
            )
            return None
        return Alphabet(bits, characters)

    def _read_extent(self, node: Node, path: str, key: Key) -> Repeat | None:
        """How many characters or octets: a number, a count, or the rest of the part they stand in."""
        form = "a number, {count: name}, rest, or {at_most: number}"
        if isinstance(node, Mapping):
            values = self.read_all(self.keys(node, _EXTENT, path, "length"), _EXTENT, path)
            count, most = values.get("count"), values.get("at_most")
            if count is not None and most is not None:
                text = "length says both count and at_most"
                self.note(node, "repeat-shape", path, text, f"Write one of them: {form}.")
                return None
            if most is not None:
                fixed = self._fixed_extent(node, path, most)
                return fixed and Repeat(to_end=True, maximum=fixed.count, as_fits=True)
            if isinstance(count, str):
                return Repeat(counted_by=count)
            if not node.entries:
                self.note(node, "nothing-in-it", path, "length is empty", f"Write {form}.")
            return None if count is None else self._fixed_extent(node, path, count)
        if isinstance(node, Scalar) and node.text == "rest":
            return Repeat(to_end=True)
        if isinstance(node, Scalar) and REFERENCE.match(node.text):
            summary = f"length is the name {shown(node.text)}, neither a number nor rest"
            self.note(
                node,
                "repeat-shape",
                path,
                summary,
                f"Write length: {{count: {node.text}}} if that field counts it.",
            )
            return None
        count = self._read_integer(node, path, key)
        return None if count is None else self._fixed_extent(node, path, count)

    def _read_not_counted(self, node: Node, path: str, key: Key) -> tuple[int, int] | None:
        """Octets that a length does not count: after each so many, and after the rest, so many."""
        form = "{every: 16, octets: 2}"
        mapping = self.mapping(node, path, key.name, form)
        if mapping is None:
            return None
        entries = self.keys(mapping, NOT_COUNTED_KEYS, path, key.name)
        values = self.read_all(entries, NOT_COUNTED_KEYS, path)
        for name in self.lacking(mapping, entries, NOT_COUNTED_KEYS):
            self.note(node, "missing-key", path, f"{key.name} lacks {name}", f"Write {form}.")
        for name, found in values.items():
            if not 1 <= found <= LONGEST_TEXT:
                text = f"{name} is {whole(found)}, outside 1 to {LONGEST_TEXT:,}"
                self.note(entries[name].value, "number-limit", path, text, f"Write such as {form}.")
                return None
        return (values["every"], values["octets"]) if len(values) == len(NOT_COUNTED_KEYS) else None

    def _fixed_extent(self, node: Node, path: str, count: int) -> Repeat | None:
        if 1 <= count <= LONGEST_TEXT:
            return Repeat(count=count)
        summary = f"length is {whole(count)}, outside 1 to {LONGEST_TEXT:,}"
        self.note(node, "number-limit", path, summary, f"Write a number from 1 to {LONGEST_TEXT}.")
        return None

    def _read_measured(self, node: Node, path: str, key: Key) -> str | None:
        scalar = self.scalar(node, path, key.name)
        if scalar is None:
            return None
        if scalar.text == "whole_frame":
            return scalar.text
        if "." in scalar.text or not REFERENCE.match(scalar.text):
            summary = f"{key.name}: {long_text(scalar.text)} is not the name of a field"
            self.note(node, "bad-name", path, summary, "Write the name of a field or group, or whole_frame.")
            return None
        return scalar.text
