"""The part of generated standalone Python that is the same for every mission: Python 3.8, the standard library, nothing else.

Modules like any other, so that they are typed and linted; `text` joins them, in the order of `_ROOMS`, for every generated file. They are
the walker once more (codec/reading.py, codec/assemble.py, layout/number.py), read tables of plain data (targets/table.py), and are held to
it on random schemas.
"""

from __future__ import annotations

import ast
import inspect
from types import ModuleType

from packetkit.targets.python_reader import (
    bits,
    bundles,
    calendars,
    checks,
    continued,
    derived,
    frames,
    places,
    reading,
    settling,
    straight,
    texts,
    times,
    values,
    writing,
)

_ROOMS: tuple[ModuleType, ...] = (
    bits,
    continued,
    texts,
    bundles,
    times,
    calendars,
    values,
    places,
    checks,
    derived,
    reading,
    settling,
    writing,
    straight,
    frames,
)


def text() -> str:
    """Return the rooms as one text, imports of the standard library once at its head; first lines are for packetkit's readers."""
    imports: dict[str, set[str]] = {}
    parts = []
    for room in _ROOMS:
        source = inspect.getsource(room)
        head = [node for node in ast.parse(source).body[1:] if isinstance(node, (ast.Import, ast.ImportFrom))]
        for node in head:
            origin = str(node.module) if isinstance(node, ast.ImportFrom) else ""
            if origin != "__future__" and not origin.startswith("packetkit"):
                words = f"from {origin} import " if origin else "import "
                imports.setdefault(words, set()).update(one.name for one in node.names)
        parts.append("\n".join(source.split("\n")[head[-1].end_lineno :]).strip("\n"))
    lines = [f"{words}{', '.join(sorted(names))}" for words, names in sorted(imports.items())]
    return "\n\n\n".join(["\n".join(["from __future__ import annotations", "", *lines]), *parts]) + "\n"
