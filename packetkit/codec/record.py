"""How values stand in a record: nested mappings, one key after another along a slot's path.

A container under construction is a dict; a bare one (an element or an option that is a single value) holds it under the empty path.
"""

from __future__ import annotations

from typing import Any


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
