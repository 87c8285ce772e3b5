"""What a record that is to be sent holds, and where: its containers, their keys, and keys that no field has.

A value that is not there (`ABSENT`) is another thing than None, which is a value. Inside a group that is no mapping nothing can be
found, and its fault is noted once: what is looked for there is `BROKEN`, and no fault of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any

from packetkit.layout.model import Choice, Node, Optional, Repeat, Run, flat, slots_of
from packetkit.layout.number import listed
from packetkit.layout.shown import shown
from packetkit.layout.slots import Slot

ABSENT = object()
BROKEN = object()  # inside a group whose own fault is already noted


Note = Callable[[str, str, str], None]  # takes a fault: its path, rule and message


@dataclass(frozen=True, slots=True)
class Container:
    """A part of the record being taken: what was given for it, its address, where faults go, and groups whose fault is noted."""

    given: Any
    address: str
    note: Note
    reported: set[tuple[str, ...]] = field(default_factory=set)

    def find(self, path: tuple[str, ...]) -> Any:
        """What it holds at a path; groups on the way that are absent count as empty."""
        here = self.given
        for depth, key in enumerate(path):
            if here is BROKEN or here is ABSENT:
                return here
            if not isinstance(here, Mapping):
                self.broken_group(path[:depth], here)
                return BROKEN
            here = here.get(key, ABSENT)
        return here

    def broken_group(self, path: tuple[str, ...], found: object) -> None:
        """Note, once, that a group is no mapping."""
        if path not in self.reported:
            self.reported.add(path)
            self.note(
                join(self.address, *path), "wrong-type", f"{shown(found)} is not a mapping of its fields"
            )


def not_one_variant(value: object, names: Sequence[str]) -> str:
    """The sentence for what is given as a variant, and is no mapping with the name of one. names: those there are."""
    if not isinstance(value, Mapping):
        return f"{shown(value)} is not a mapping with one variant: {', '.join(names)}"
    if not value:
        return f"is empty. Give one of its variants {', '.join(names)}"
    strange = next((key for key in value if key not in names), None)
    if strange is not None:
        return f"{shown(strange)} is none of its variants {', '.join(names)}. Leave it out"
    return f"{' and '.join(value)} are given. Give one of its variants {', '.join(names)}"


Keys = dict[str, Any]  # key -> None for a slot, a repeat or an option, or the keys of a group


def keys_of(nodes: tuple[Node, ...]) -> Keys:
    """Return the keys that a container may have."""
    made: Keys = {}
    for node in flat(nodes):
        paths = [slot.path for slot in slots_of(node)]
        if isinstance(node, (Repeat, Optional, Choice)):
            paths.append(node.path)
        for path in paths:
            here = made
            for key in path[:-1]:
                here = here.setdefault(key, {})
            if path:
                here[path[-1]] = None
    return made


def unknown_keys(given: Mapping[Any, Any], keys: Keys, address: str, frame: str) -> Iterator[tuple[str, str]]:
    """Yield path and message of every key of a container, and of the groups in it, that no field has."""
    for key in given:
        inner = keys.get(key, ABSENT) if isinstance(key, str) else ABSENT
        if inner is ABSENT:
            yield join(address, _word(key)), _unknown(key, keys, address or frame)
        elif isinstance(inner, dict) and isinstance(given[key], Mapping):
            yield from unknown_keys(given[key], inner, join(address, key), frame)


def _unknown(key: object, keys: Keys, where: str) -> str:
    near = get_close_matches(key, keys, 1) if isinstance(key, str) and len(key) <= 100 else []
    remedy = f"Did you mean {near[0]}?" if near else "Leave it out"
    return f"is no field of {where}. {remedy}"


def _word(key: object) -> str:
    return key if isinstance(key, str) and len(key) <= 100 else shown(key)


def join(address: str, *keys: str) -> str:
    """Return the address of what lies below an address."""
    return ".".join(key for key in (address, *keys) if key)


def stands_for_absence(node: Optional) -> bool:
    """Return whether None may be the value of an option that is there: it is one field that is missing, or does not count."""
    first = node.body[0] if node.body else None  # fill of no width leaves nothing
    if not node.bare or not isinstance(first, Run):
        return False
    return first.slots[0].missing_code is not None or bool(first.slots[0].tellers)


def takes_turns(node: Choice, value: object) -> bool:
    """Return whether a value gives several variants of those that take turns, and nothing else."""
    names = {branch.name for branch in node.branches}
    return node.turn > 0 and isinstance(value, Mapping) and len(value) > 1 and value.keys() <= names


def wanted(slot: Slot) -> str:
    """Return in words what a slot's value may be."""
    if slot.kind == "flag":
        return "true or false"
    if slot.kind == "states":
        return f"one of {', '.join(name for _, name in slot.states)}"
    if slot.kind == "time":
        return "a time in UTC, such as 2030-01-31T00:00:00Z"
    if slot.kind == "tag":
        return f"one of {listed(slot.codes)}"
    return f"a number in {slot.unit}" if slot.unit else "a number"
