"""How a schema names raw codes: a constant's, those that mean missing, states, and those that another field must hold.

A code is a number; several are a list, or {from, to}. A key may stand in quotes, as whoever writes JSON has no choice.
"""

from __future__ import annotations

from dataclasses import replace

from packetkit.schema.keys import Key
from packetkit.schema.model import Codes, Condition
from packetkit.schema.plain import PlainReaders
from packetkit.schema.text import Entry, Mapping, Node, Scalar, Sequence
from packetkit.schema.words import is_nearly_boolean, parse_number, shown, whole

_RANGE = {name: Key(name, "integer", "") for name in ("from", "to")}
_REASONED = {**_RANGE, "code": Key("code", "integer", ""), "reason": Key("reason", "line", "")}


OTHERWISE = "otherwise"


class CodeReaders(PlainReaders):
    """Reads raw codes, and what other fields must hold."""

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

    def _read_missing(self, node: Node, path: str, key: Key) -> bool | tuple[Codes, ...] | None:
        if isinstance(node, Scalar) and not node.quoted and node.text in ("true", "false"):
            return node.text == "true"
        if isinstance(node, Scalar) and is_nearly_boolean(node.text):
            self._read_boolean(node, path, key)
            return None
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

    def _read_when(self, node: Node, path: str, key: Key) -> tuple[Condition, ...] | str | None:
        """The codes of each field that tells a variant, or OTHERWISE."""
        if isinstance(node, Scalar) and node.text == OTHERWISE:
            return OTHERWISE
        mapping = self.mapping(node, path, "when", "each telling field and its codes, {tag: 1}, or otherwise")
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
            if isinstance(item, Scalar) and (item.quoted or isinstance(parse_number(item.text), str)):
                states.append(item.text)
            elif (code := self._one_code(item, path, key, reason=False)) is not None:
                codes.append(code)
        return Condition(name, tuple(codes), tuple(states)) if name and (codes or states) else None
