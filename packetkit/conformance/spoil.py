"""Records that are not quite right: one thing of a good one changed, so that every way of refusing is asked for.

What is put in its place is of a few kinds that a record may wrongly hold; that it is wrong there is likely and not certain, as whoever
judges has to say for himself.
"""

from __future__ import annotations

from typing import Any

from packetkit.conformance.draw import Record
from packetkit.conformance.faults import Chance

_OUT = object()  # the key is left out

_WRONG = (
    None,
    True,
    False,
    0,
    1,
    -1,
    2,
    255,
    10**9,
    -(10**9),
    1 << 67,  # of 21 digits: as text, where a language has no such numbers, it is no hexadecimal octets
    0.5,
    -0.5,
    1e300,
    float("nan"),
    float("-inf"),
    "",
    "none such",
)
_ODD: tuple[Any, ...] = (
    [],
    {},
    [0],
    {"raw": -1},
    {"raw": 1 << 67},
    {"raw": True},
    {"raw": "1"},
    {"row": 1},
    (),
    {"x": 0},
    b"1",
)


def spoilt(record: Record, chance: Chance) -> Any:
    """Return a copy of a record with one thing changed that is mostly wrong: a key gone or unknown, a value of another kind, a length."""
    places = list(_places(record, ()))
    path = chance.choice(places) if places else ()
    form = chance.randint(0, 8)
    if form == 0 or not path:
        return _changed(record, (*path[:-1], chance.choice(("none_such", "a", "b"))), chance.choice(_WRONG))
    if form == 1:
        return _changed(record, path, _OUT)
    if form == 2:
        return _changed(record, path, chance.choice(_ODD))
    if form == 3:  # as bits without a name are called
        return _changed(record, ("reserved",), chance.choice(({"raw": 1}, 1)))
    if form > 5:
        lists = [one for one in places if isinstance(_at(record, one), list)]
        path = chance.choice(lists) if lists else path
        found = _at(record, path)
        if isinstance(found, list) and found:
            return _changed(record, path, chance.choice((found[1:], [*found, found[0]])))
    return _changed(record, path, chance.choice(_WRONG))


def _at(value: Any, path: tuple[Any, ...]) -> Any:
    for key in path:
        value = value[key]
    return value


def _places(value: Any, path: tuple[Any, ...]) -> Any:
    """Yield the path of everything in a record, containers too."""
    inner = (
        value.items()
        if isinstance(value, dict) and set(value) != {"raw"}
        else enumerate(value)
        if isinstance(value, list)
        else ()
    )
    for key, one in inner:
        yield (*path, key)
        yield from _places(one, (*path, key))


def _changed(value: Any, path: tuple[Any, ...], new: Any) -> Any:
    """Return a copy with what stands at a path replaced, or left out."""
    key, *rest = path
    if isinstance(value, list):
        if not isinstance(key, int) or key >= len(value):
            return [*value, new]
        middle = [_changed(value[key], tuple(rest), new)] if rest else [] if new is _OUT else [new]
        return [*value[:key], *middle, *value[key + 1 :]]
    if not isinstance(value, dict):
        return new
    made = {name: one for name, one in value.items() if name != key or rest or new is not _OUT}
    if rest:
        made[key] = _changed(value.get(key), tuple(rest), new)
    elif new is not _OUT:
        made[key] = new
    return made
