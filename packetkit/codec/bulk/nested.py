"""One row of columns as a record: groups nest, elements are lists, and what a frame does not have has no place (WIRE.md 15).

A path alone does not say what it means: `cells` is the length of a list where the layout has one that varies, and a column of a
variant or an option holds nothing in the rows of another. So values are put into a tree by their paths, the layout prunes that, and what
is left is the record. Whatever leads nowhere stays as it was given: the codec of one frame says what is wrong with it.

What would surprise a reader: an option that only remaining bytes tell of, in which everything is missing, is taken for absent, because
no column tells one from the other.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from math import isnan
from typing import Any

from packetkit.codec.cells import join
from packetkit.codec.given import ABSENT
from packetkit.errors import EncodeError, Fault
from packetkit.layout.joined import Unfit, to_codes
from packetkit.layout.model import (
    Branch,
    Choice,
    Continued,
    Layout,
    Node,
    Optional,
    Repeat,
    Run,
    flat,
    slots_of,
    told_branch,
    walk,
)
from packetkit.layout.number import to_raw
from packetkit.layout.shown import shown

# More elements than bits of the longest frame are none; an index beyond is no index.
_MOST = 65535 * 8

Raws = Mapping[int, int]  # codes of slots by number, as far as they are known before encoding


@dataclass(slots=True)
class _Tree:
    """What was given at a path and below it. length: of a list whose elements are below."""

    value: Any = ABSENT
    inner: dict[str | int, _Tree] = field(default_factory=dict)
    length: int | None = None

    def below(self, steps: Iterable[str | int]) -> _Tree | None:
        """What stands at a path from here, None where there is nothing."""
        here: _Tree | None = self
        for step in steps:
            here = None if here is None else here.inner.get(step)
        return here

    def at(self, steps: Iterable[str | int]) -> _Tree:
        """What stands at a path from here, made where there is nothing."""
        here = self
        for step in steps:
            here = here.inner.setdefault(step, _Tree())
        return here

    def is_bare(self) -> bool:
        """Whether nothing is said of it at all."""
        return self.value is ABSENT and not self.inner

    def is_filled(self) -> bool:
        """Whether any value stands here or below."""
        empty = self.value is ABSENT or self.value is None
        empty = empty or (isinstance(self.value, float) and isnan(self.value))
        return not empty or any(one.is_filled() for one in self.inner.values())

    def elements(self, node: Repeat, length: int) -> None:
        """Leave so many elements of a list; those that nothing was given for are empty."""
        empty = None if node.bare and not _has_no_values(node.element) else ABSENT
        self.length = length
        self.inner = {number: self.inner.get(number, _Tree(empty)) for number in range(length)}

    def plain(self) -> Any:
        """What it is in a record."""
        numbers = [key for key in self.inner if isinstance(key, int)]
        if self.length is not None or (numbers and len(numbers) == len(self.inner)):
            length = 1 + max(numbers, default=-1) if self.length is None else self.length
            return [self.inner[n].plain() if n in self.inner else None for n in range(length)]
        if not self.inner:
            return {} if self.value is ABSENT else self.value
        return {str(key): one.plain() for key, one in self.inner.items()}


def record(layout: Layout, given: Iterable[tuple[str, Any]]) -> dict[str, Any]:
    """Return the record that values under paths mean; None where there is none.

    Raises EncodeError where a list's column says that it has fewer elements than have values.
    """
    tree = _Tree()
    for path, value in given:
        tree.at(_steps(path)).value = value
    pruning = _Pruning(layout, [])
    pruning.container(layout.nodes, tree, "", {})
    if pruning.faults:
        raise EncodeError(tuple(pruning.faults))
    made: dict[str, Any] = tree.plain()
    return made


def _steps(path: str) -> list[str | int]:
    """The keys and indices of a path.

    >>> _steps("readings[0].field_x")
    ['readings', 0, 'field_x']
    """
    made: list[str | int] = []
    for key in path.split("."):
        name, *indices = key.replace("]", "").split("[")
        made.append(name)
        made += [
            int(one) if one.isdecimal() and len(one) < 8 and int(one) < _MOST else one for one in indices
        ]
    return made


@dataclass(frozen=True, slots=True)
class _Pruning:
    """A tree being cut down to what a layout has. faults: of lists, as found."""

    layout: Layout
    faults: list[Fault]

    def container(self, nodes: tuple[Node, ...], tree: _Tree, prefix: str, known: Raws) -> None:
        """Leave what one container of the frame has. known: the codes of the containers around it."""
        parts = [node for node in flat(nodes) if isinstance(node, (Repeat, Optional, Choice))]
        raws = {**known, **_codes(nodes, tree)}
        for node in parts:  # what a length tells is asked of it below
            if isinstance(node, Repeat):
                length = (
                    self.list(node, tree, join(prefix, node.path))
                    if node.joined is None
                    else _text_length(node, tree)
                )
                if node.counted_by is not None and length is not None:
                    raws[node.counted_by] = self.layout.slots[node.counted_by].code_of(length)
        for node in parts:
            held, path = tree.below(node.path), join(prefix, node.path)
            if isinstance(node, Repeat):
                for number, element in held.inner.items() if held is not None and node.joined is None else ():
                    self.container(node.element, element, f"{path}[{number}]", raws)
            elif isinstance(node, Choice):
                self.choice(node, tree, path, raws)
            else:
                self.option(node, tree, path, raws)

    def list(self, node: Repeat, tree: _Tree, path: str) -> int | None:
        """Leave as many elements as a list's own column says, else as many as have values; of a fixed number all. Returns how many."""
        held = tree.below(node.path)
        if (held is None or held.is_bare()) and _has_no_values(node.element):
            held = tree.at(node.path)  # without any value it has no column either
            held.elements(node, node.count or 0)
        numbers = [number for number in held.inner if isinstance(number, int)] if held is not None else []
        if held is None or node.count is not None or len(numbers) < len(held.inner):
            return None
        said = held.value
        if isinstance(said, float) and said.is_integer():
            said = int(said)  # elsewhere, a column with gaps is one of doubles
        is_number = isinstance(said, int) and not isinstance(said, bool)
        filled = 1 + max((number for number in numbers if held.inner[number].is_filled()), default=-1)
        wrong = (
            not filled <= said <= _MOST if is_number else filled and said is not ABSENT and said is not None
        )
        if wrong:
            text = f"{shown(said)} is not the number of its elements: {filled} have values. Give that, or leave the others out"
            self.faults.append(Fault(path, "wrong-length", text))
        elif is_number or filled or said is ABSENT:
            held.elements(node, said if is_number else filled)
        else:
            held.inner = {}  # a whole list, or none
        return held.length

    def choice(self, node: Choice, tree: _Tree, path: str, raws: Raws) -> None:
        """Leave the variant that has values; where none has, the one that the codes before it mean."""
        held, told = tree.below(node.path), _told(node, raws)
        if held is None and told is not None:
            held = tree.at(node.path)
        if held is None:
            return
        names = [
            branch.name for branch in node.all if (one := held.inner.get(branch.name)) and one.is_filled()
        ]
        if not names and told is not None:
            names = [told.name]
        for branch in node.all:
            if branch.name in names:
                inner = held.at((branch.name,))
                self.container(branch.body, inner, f"{path}.{branch.name}", raws)
            else:
                held.inner.pop(branch.name, None)

    def option(self, node: Optional, tree: _Tree, path: str, raws: Raws) -> None:
        """Leave what has values, and what the codes before it say is there."""
        held = tree.below(node.path)
        is_told = node.by is not None and node.by in raws and any(raws[node.by] in one for one in node.codes)
        if held is None and is_told and (not node.bare or _has_no_values(node.body)):
            held = tree.at(node.path)
        if held is None:
            return
        if is_told or held.is_filled():
            self.container(node.body, held, path, raws)
        else:
            held.value, held.inner = None, {}


def _codes(nodes: tuple[Node, ...], tree: _Tree) -> dict[int, int]:
    """The codes that the values of a container's own fields have; none of what has no value, or a wrong one."""
    made: dict[int, int] = {}
    for node in flat(nodes):
        for slot in slots_of(node) if isinstance(node, (Run, Continued)) else ():
            held = tree.below(slot.path)
            if slot.is_constant:
                made[slot.number] = slot.codes[0].low
            elif held is not None and not held.inner and slot.is_value and not slot.tellers:
                raw = to_raw(slot, held.value if held.value is not ABSENT else None).raw
                if raw is not None:
                    made[slot.number] = raw
    return made


def _text_length(node: Repeat, tree: _Tree) -> int | None:
    """How many codes a text has, None where none is given, or a wrong one."""
    held = tree.below(node.path)
    try:
        return None if held is None or node.joined is None else len(to_codes(node.joined, held.value, None))
    except Unfit:
        return None


def _told(node: Choice, raws: Raws) -> Branch | None:
    """The variant that the codes before it mean, None where they are not known or mean none."""
    if not node.told_by or any(number not in raws for number in node.told_by):
        return None
    return told_branch(node, [raws[number] for number in node.told_by])


def _has_no_values(nodes: tuple[Node, ...]) -> bool:
    return not any(slot.is_value for one in walk(nodes) for slot in slots_of(one))
