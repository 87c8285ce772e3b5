"""How values stand in a record: nested mappings, one key after another along a slot's path.

Of a frame's tree it is made plain (values alone) or detailed (every slot, with all that is known of it). A container under construction
is a dict; a bare one (an element or an option that is a single value) holds it under the empty path.
"""

from __future__ import annotations

from typing import Any

from packetkit.codec.tree import Chosen, Leaf, Listed, Part, codes_of
from packetkit.layout.joined import from_codes, raw_of
from packetkit.layout.limits import beyond
from packetkit.layout.slots import Joined

Record = dict[str, Any]


def put(container: dict[Any, Any], path: tuple[str, ...], value: Any) -> None:
    """Put a value at a path; the empty path is a bare container's own value.

    >>> record = {}
    >>> put(record, ("power", "cell_voltage"), 3.7)
    >>> record
    {'power': {'cell_voltage': 3.7}}
    """
    if not path:
        container[()] = value
        return
    for key in path[:-1]:
        container = container.setdefault(key, {})
    container[path[-1]] = value


def plain(parts: list[Part], *, bare: bool) -> Any:
    """Return the values of a container; of a bare one, its only value."""
    made: dict[Any, Any] = {}
    for part in parts:
        if isinstance(part, Leaf):
            if part.slot.is_value:
                put(made, part.slot.path, part.meaning[0])
        elif isinstance(part, Listed):
            put(made, part.node.path, _list(part))
        elif isinstance(part, Chosen):
            put(made, part.node.path, {part.branch.name: plain(part.body, bare=part.branch.bare)})
        else:
            body = None if part.body is None else plain(part.body, bare=part.node.bare)
            put(made, part.node.path, body)
    return made[()] if bare else made


def _list(part: Listed) -> Any:
    """The elements as a list, or joined to one value."""
    if part.node.joined is not None:
        return from_codes(part.node.joined, codes_of(part))[0]
    return [plain(one, bare=part.node.bare) for one in part.elements]


def detailed(parts: list[Part], *, bare: bool, trusted: bool) -> Any:
    """Return every slot of a container, with all that is known of it."""
    made: dict[Any, Any] = {}
    for part in parts:
        if isinstance(part, Leaf):
            if part.width:
                put(made, part.slot.path, _leaf_detail(part, trusted))
        elif isinstance(part, Listed) and part.node.joined is not None:
            put(made, part.node.path, _joined_detail(part, part.node.joined, trusted))
        elif isinstance(part, Chosen):
            inner = detailed(part.body, bare=part.branch.bare, trusted=trusted)
            put(made, part.node.path, {part.branch.name: inner})
        elif isinstance(part, Listed):
            elements = [detailed(one, bare=part.node.bare, trusted=trusted) for one in part.elements]
            put(made, part.node.path, elements)
        else:
            body = part.body
            inner = None if body is None else detailed(body, bare=part.node.bare, trusted=trusted)
            put(made, part.node.path, inner)
    return made[()] if bare else made


def _joined_detail(part: Listed, joined: Joined, trusted: bool) -> Record:
    codes = codes_of(part)
    value, reason = from_codes(joined, codes)
    made: Record = {"raw": raw_of(joined, codes), "value": value}
    if reason:
        made["reason"] = reason
    if not trusted:
        made["trusted"] = False
    return made


def _leaf_detail(leaf: Leaf, trusted: bool) -> Record:
    value, reason, note = leaf.meaning
    made: Record = {"raw": leaf.raw, "value": value}
    limit = beyond(leaf.slot.limits, value) if leaf.slot.limits else ""
    words = (("unit", leaf.slot.unit), ("reason", reason), ("note", note), ("limit", limit))
    made |= {key: text for key, text in words if text}
    if not trusted:
        made["trusted"] = False
    return made
