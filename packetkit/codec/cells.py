"""Records as cells under dotted paths: `power.cell_voltage`, `readings[0].field_x` (WIRE.md 15).

One walk over the layout gives titles and cells alike, so they cannot disagree; tables and bulk decoding use it. What would surprise
a reader: a list whose length varies has a column of its own, under the list's path, with the number of its elements; without it a last
element in which everything is missing could not be told from one that is not there. Derived values have columns, too, behind those of
what was sent.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from packetkit.layout.model import (
    Choice,
    Continued,
    Derived,
    Layout,
    Node,
    Optional,
    Repeat,
    Run,
    flat,
    slots_of,
)
from packetkit.layout.slots import Bundle, Slot

Record = Mapping[str, Any]

_NOTHING: Mapping[str, Any] = {}


class Cell(NamedTuple):
    """One place of a record: its path and what stands there; without slot and derived: a list's number of elements."""

    path: str
    value: Any
    slot: Slot | None
    derived: Derived | None = None
    is_sample: bool = False  # one of a bundle, whose code is that of all of them

    @property
    def has_code(self) -> bool:
        """Whether there is one number on the wire behind it: not for derived values, lengths, samples, texts and octets."""
        kinds = ("character", "supplied")
        return self.slot is not None and self.slot.kind not in kinds and not self.is_sample


def cells(layout: Layout, record: Record, most: Mapping[int, int] | None = None) -> Iterator[Cell]:
    """Yield every cell of a plain record, None where there is nothing.

    most: how many elements a list has columns for, by the number of its node; else as many as there can be.
    """
    for slot in layout.supplied:
        yield Cell(slot.address, at(record, slot.path), slot)
    yield from _cells(layout, None, layout.nodes, record, "", most or {})


def titles(layout: Layout, most: Mapping[int, int] | None = None) -> list[str]:
    """Return the paths of all cells, in wire order."""
    return [cell.path for cell in cells(layout, _NOTHING, most)]


def _cells(
    layout: Layout,
    number: int | None,
    nodes: tuple[Node, ...],
    container: Any,
    prefix: str,
    most: Mapping[int, int],
) -> Iterator[Cell]:
    for node in flat(nodes):
        if isinstance(node, (Run, Continued)):
            for slot in slots_of(node):
                if slot.is_value:
                    yield from _slot_cells(slot, at(container, slot.path), join(prefix, slot.path))
        elif isinstance(node, Choice):
            for branch in node.all:
                path = (*node.path, branch.name)
                inside = at(container, path)
                yield from _cells(layout, branch.number, branch.body, inside, join(prefix, path), most)
        elif isinstance(node, Repeat) and node.joined is not None:
            character = slots_of(node.element[0])[0]
            yield Cell(join(prefix, node.path), at(container, node.path), character)
        elif isinstance(node, Repeat):
            yield from _list_cells(layout, node, at(container, node.path), join(prefix, node.path), most)
        elif isinstance(node, Optional):
            body = at(container, node.path)
            yield from _cells(layout, node.number, node.body, body, join(prefix, node.path), most)
    for one in layout.derived:
        if one.container == number:
            yield Cell(join(prefix, one.path), at(container, one.path), None, one)


def _slot_cells(slot: Slot, value: Any, path: str) -> Iterator[Cell]:
    """The cell of one field; one for each sample of a bundle."""
    if not isinstance(slot.transform, Bundle):
        yield Cell(path, value, slot)
        return
    for number in range(slot.transform.samples):
        held = None if value is None else value[number]
        yield Cell(f"{path}[{number}]", held, slot.transform.sample, is_sample=True)


def _list_cells(
    layout: Layout, node: Repeat, value: Any, path: str, most: Mapping[int, int]
) -> Iterator[Cell]:
    if node.count is None:
        yield Cell(path, None if value is None else len(value), None)
    elements = value or ()
    for number in range(_columns_for(node, most)):
        element = elements[number] if number < len(elements) else None
        yield from _cells(layout, node.number, node.element, element, f"{path}[{number}]", most)


def _columns_for(node: Repeat, most: Mapping[int, int]) -> int:
    if node.count is not None:
        return node.count
    return most.get(node.number, node.maximum or 0)


def join(prefix: str, path: tuple[str, ...]) -> str:
    """Return the path of what lies at `path` of a container whose own path is `prefix`."""
    return ".".join((prefix, *path) if prefix else path)


def at(container: Any, path: tuple[str, ...]) -> Any:
    """Return what stands at a path, None where something on the way is absent."""
    for key in path:
        if container is None:
            return None
        container = container.get(key)
    return container


def codes(detail: Any, path: str = "") -> Iterator[tuple[str, int]]:
    """Yield the path and the code of every slot of a record in detail that is one number on the wire."""
    if isinstance(detail, list):
        for number, element in enumerate(detail):
            yield from codes(element, f"{path}[{number}]")
    elif isinstance(detail, Mapping):
        if isinstance(detail.get("raw"), int):  # a group's field of that name is a mapping itself
            yield path, detail["raw"]
        else:
            for key, inner in detail.items():
                yield from codes(inner, f"{path}.{key}" if path else key)


def longest_lists(layout: Layout, record: Record, most: dict[int, int]) -> None:
    """Note in `most` the number of elements of every list of a record, where it is more than is there."""
    _longest(layout.nodes, record, most)


def _longest(nodes: tuple[Node, ...], container: Any, most: dict[int, int]) -> None:
    for node in flat(nodes):
        if isinstance(node, Repeat) and node.joined is not None:
            continue
        if isinstance(node, Choice):
            for branch in node.branches:
                _longest(branch.body, at(container, (*node.path, branch.name)), most)
        elif isinstance(node, Repeat):
            elements = at(container, node.path) or ()
            most[node.number] = max(most.get(node.number, 0), len(elements))
            for element in elements:
                _longest(node.element, element, most)
        elif isinstance(node, Optional):
            _longest(node.body, at(container, node.path), most)
