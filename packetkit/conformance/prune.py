"""A record cut down to a layout with fewer fields, so that what was found in a large frame is looked for in a small one."""

from __future__ import annotations

from typing import Any

from packetkit.codec.record import put
from packetkit.layout.model import Choice, Layout, Node, Optional, Repeat, flat, slots_of

_OUT = object()  # the record has no such key


def pruned(layout: Layout, record: Any) -> Any:
    """Return what is left of a record in a layout with fewer fields: keys that it does not have are dropped."""
    return _pruned(layout.nodes, record)


def _pruned(nodes: tuple[Node, ...], given: Any) -> Any:
    if not isinstance(given, dict):
        return given
    made: dict[Any, Any] = {}
    for node in flat(nodes):
        for slot in slots_of(node):
            _keep(made, slot.path, _held(given, slot.path))
        if isinstance(node, Choice):
            found = _held(given, node.path)
            if isinstance(found, dict):
                inside = {branch.name: branch.body for branch in node.all}
                found = {name: _pruned(inside.get(name, ()), one) for name, one in found.items()}
            _keep(made, node.path, found)
        elif isinstance(node, (Repeat, Optional)):
            inner = node.element if isinstance(node, Repeat) else node.body
            found = _held(given, node.path)
            if isinstance(found, list) and isinstance(node, Repeat):
                found = [_pruned(inner, one) for one in found]
            elif isinstance(found, dict):
                found = _pruned(inner, found)
            _keep(made, node.path, found)
    return made


def _held(given: Any, path: tuple[str, ...]) -> Any:
    for key in path:
        if not isinstance(given, dict) or key not in given:
            return _OUT
        given = given[key]
    return given


def _keep(made: dict[Any, Any], path: tuple[str, ...], value: Any) -> None:
    """Put a value that is there at a path."""
    if value is not _OUT:
        put(made, path, value)
