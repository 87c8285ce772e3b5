"""What is known of one frame on its way: its slots at their places, and where its parts start."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from packetkit.targets.python_reader.bits import Row, Span, _code_of, _holds, _raw_of, _read, _write

# -- what is known of one frame on its way ---------------------------------------------------------


class _Scope:
    """One container that can be there several times: where its parts start, and the slots met so far."""

    __slots__ = ("leaves", "listed", "outer", "starts")

    def __init__(self, outer: _Scope | None) -> None:
        self.outer = outer
        self.starts: dict[int, int] = {}
        self.leaves: dict[int, _Leaf] = {}
        # By slot, of lists whose ones are counted.
        self.listed: dict[int, list[_Leaf]] = {}

    def ones_in(self, number: int) -> int:
        """How many bits are one in the elements of a list, by their slot; none where the list is not there."""
        scope: Any = self
        while scope is not None and number not in scope.listed:
            scope = scope.outer
        return 0 if scope is None else sum(bin(leaf.raw).count("1") for leaf in scope.listed[number])

    def leaf(self, number: int) -> _Leaf:
        scope: Any = self
        while number not in scope.leaves:
            scope = scope.outer
        return scope.leaves[number]  # type: ignore[no-any-return]

    def knows(self, number: int) -> bool:
        """Whether the slot of that number was read, here or in a container around."""
        scope: _Scope | None = self
        while scope is not None and number not in scope.leaves:
            scope = scope.outer
        return scope is not None

    def start(self, number: int) -> int:
        scope: Any = self
        while number not in scope.starts:
            scope = scope.outer
        return scope.starts[number]  # type: ignore[no-any-return]


class _Leaf:
    """A slot at its place in one frame."""

    __slots__ = ("at", "bit", "bits", "indices", "known", "order", "raw", "recovered", "run", "scope", "slot")

    def __init__(
        self, run: Row, slot: Row, bits: int, at: int, indices: tuple[int, ...], scope: _Scope, order: int
    ) -> None:
        self.run, self.slot, self.bits, self.at = run, slot, bits, at
        self.indices, self.scope, self.order = indices, scope, order
        self.bit = at + int(slot["at"])
        self.raw = 0
        self.known = True  # False: a supplied field that nobody told
        self.recovered = False  # True: one that a check told

    @property
    def address(self) -> str:
        return _located(self.slot.get("address") or ".".join(self.slot["path"]), self.indices)

    def pieces(self) -> list[Any]:
        return self.slot.get("split") or [(self.slot["at"], self.bits)]

    def own(self) -> list[Span]:
        """The bits of the frame that are its own."""
        return [(self.at + first, self.at + first + bits) for first, bits in self.pieces()]

    def last(self) -> int:
        """The bit of the run behind the last one that must be there to read it: a word is read whole."""
        last = max(first + bits for first, bits in self.pieces())
        word = self.run.get("word")
        return int(-(-last // word) * word if word else last)

    def read(self, data: bytes) -> None:
        code = 0
        for first, bits in self.pieces():
            code = code << bits | _read(data, self.run, self.at, first, bits)
        self.raw = _raw_of(self.slot, code, self.bits)

    def write(self, frame: bytearray, raw: int) -> None:
        code, left = _code_of(self.slot, raw, self.bits), self.bits
        for first, bits in self.pieces():
            left -= bits
            _write(frame, self.run, self.at, first, bits, code >> left & ((1 << bits) - 1))


def _read_as(leaf: _Leaf) -> Any:
    """The slot as other fields have it, on a scale of its own, or the reason why it has no value."""
    slot = leaf.slot
    if "valid" in slot and not _holds(leaf.scope.leaf(slot["valid"][0]).raw, slot["valid"][1]):
        return "not valid"
    if "scales" not in slot:
        return slot
    number, choices = slot["scales"]
    code = leaf.scope.leaf(number).raw
    scale = next((scale for low, high, scale in choices if low <= code <= high), None)
    return "no scale" if scale is None else {**slot, "scale": scale}


def _located(address: str, indices: Iterable[int]) -> str:
    for one in indices:
        address = address.replace("[]", f"[{one}]", 1)
    return address


def _put(container: dict[Any, Any], path: Iterable[str], value: Any) -> None:
    """Put a value at a path; a bare container's only value stands under ""."""
    *groups, last = path or ("",)
    for key in groups:
        container = container.setdefault(key, {})
    container[last] = value


def _told_branch(node: Row, raws: list[int]) -> Row | None:
    """The branch that the codes of the telling slots mean; None where none does."""
    if "turn" in node:
        raws = [raw % node["turn"] for raw in raws]
    for branch in node["branches"]:
        if all(_holds(raw, codes) for raw, codes in zip(raws, branch["codes"])):
            return branch  # type: ignore[no-any-return]
    return node.get("unknown")


def _product(node: Row, scope: _Scope) -> int:
    """How often a list stands whose count is computed; it may be below zero."""
    count = 1
    for number, form in node["factors"]:
        if form == "list":
            count *= scope.ones_in(number)
        else:
            raw = scope.leaf(number).raw
            count *= bin(raw).count("1") if form == "ones" else raw
    return int(count + node.get("plus", 0))


def _element_slot(node: Row) -> Any:
    """The number of the slot that each element of a list is, None where an element is more."""
    first = node["nodes"][0]
    slot = first["slots"][0] if first["part"] == "run" else first.get("slot", {})
    return slot.get("number") if node.get("bare") else None
