"""A record with the keys added that may be left out, so that the generated encoder finds every one.

Left out may be what has a default or a missing code, and a flag that only says whether an option is there. The given record is not
touched; anything else that is absent, or odd, is left for the walker to name.
"""

from __future__ import annotations

from typing import Any

from packetkit.layout.model import Choice, Layout, Measured, Node, Optional, Repeat, Run, walk
from packetkit.layout.number import from_raw
from packetkit.layout.slots import Range, Slot

Record = dict[Any, Any]


def can_be_completed(layout: Layout) -> bool:
    """Return whether a record of this layout may leave out any key of a value."""
    tellers = {node.by for node in layout.walk() if isinstance(node, Optional)}
    if any(isinstance(node, (Measured, Choice)) for node in layout.walk()):
        return False  # the walker completes what it sizes and chooses
    if _asks_outwards(layout.nodes):
        return False  # an option inside would take a flag that was filled in for one that was given
    raised = {slot.raises for slot in layout.slots}
    return any(
        slot.default is not None
        or slot.missing_code is not None
        or (slot.kind == "flag" and slot.number in tellers | raised)
        for slot in layout.slots
    )


def _asks_outwards(nodes: tuple[Node, ...]) -> bool:
    """Return whether an option inside a list or an option asks a flag that stands outside it."""
    own = {
        slot.number for node in nodes if isinstance(node, Run) for slot in node.slots if slot.kind == "flag"
    }
    for node in nodes:
        if isinstance(node, (Repeat, Optional)):
            inner = node.element if isinstance(node, Repeat) else node.body
            if any(isinstance(one, Optional) and one.by in own for one in walk(inner)) or _asks_outwards(
                inner
            ):
                return True
    return False


def completed(layout: Layout, record: Record) -> Record:
    """Return a copy of a plain record with every key that may be left out."""
    raised = {slot.raises for slot in layout.slots if slot.raises is not None}
    made: Record = _container(layout.nodes, record, raised)
    return made


def _container(nodes: tuple[Node, ...], given: Any, raised: set[int]) -> Any:
    if type(given) is not dict:
        return given
    made = _copied(given)
    told: dict[int, list[Optional]] = {}
    for node in nodes:
        if isinstance(node, Optional) and node.by is not None:
            told.setdefault(node.by, []).append(node)
    for node in nodes:
        if isinstance(node, Run):
            for slot in node.slots:
                if slot.is_value and slot.path:
                    _add(made, slot, told.get(slot.number, []), raised)
        elif isinstance(node, (Repeat, Optional)):
            _inside(made, node, raised)
    return made


def _copied(given: Record) -> Record:
    return {key: _copied(value) if type(value) is dict else value for key, value in given.items()}


def _add(made: Record, slot: Slot, options: list[Optional], raised: set[int]) -> None:
    """Add a slot's key if it is absent and may be. options: those that a flag tells of, which must all say the same."""
    here: Any = made
    for key in slot.path[:-1]:
        here = here.setdefault(key, {}) if type(here) is dict else None
    if type(here) is not dict or slot.path[-1] in here:
        return
    if slot.kind == "flag" and options:
        said = {(_at(made, option.path) is not None) is _holds(option.codes) for option in options}
        if len(said) == 1:
            here[slot.path[-1]] = said.pop()
    elif slot.default is not None:
        here[slot.path[-1]] = from_raw(slot, slot.default)[0]
    elif slot.missing_code is not None:
        here[slot.path[-1]] = None
    elif slot.number in raised:
        here[slot.path[-1]] = False


def _holds(codes: tuple[Range, ...]) -> bool:
    return any(1 in one for one in codes)


def _at(made: Any, path: tuple[str, ...]) -> Any:
    for key in path:
        made = made.get(key) if type(made) is dict else None
    return made


def _inside(made: Record, node: Repeat | Optional, raised: set[int]) -> None:
    """Complete the elements of a list, or an option; an absent option is None."""
    if not node.path:
        return
    here: Any = made
    for key in node.path[:-1]:
        here = here.setdefault(key, {}) if type(here) is dict else None
    if type(here) is not dict:
        return
    last = node.path[-1]
    if isinstance(node, Optional):
        here[last] = value = here.get(last)
        if not node.bare:
            here[last] = _container(node.body, value, raised)
    elif last in here and type(here[last]) in (list, tuple) and not node.bare:
        here[last] = [_container(node.element, one, raised) for one in here[last]]
