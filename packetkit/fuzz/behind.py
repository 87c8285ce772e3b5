"""Fields that stand behind what they judge: a value is drawn first, and the field that says whether it counts, or its scale, later.

A value promises a name; the group that is to have it, its own or one around it, puts the field there at its end. Only groups that end
where fields may still be added take promises.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from packetkit.fuzz.entries import Entry, Place, Scope, goes_on

if TYPE_CHECKING:
    from packetkit.fuzz.leaves import Leaves

_BITS = 8  # of a number that judges: whole octets, which any group can turn
_UNFIT = {"role", "summary", "bundle", "valid_when", "scale_by", "flag"}
_LINEAR = {"scale", "offset", "curve", "minimum", "maximum", "default", "limits"}
_NO_SCALE = {"kind", "preset", "resolution", "states", "coding"}


def takes(scope: Scope) -> Scope:
    """Return the scope, which from now on takes promises."""
    scope.promised = []
    return scope


def promise(drawing: Leaves, made: Entry, scope: Scope) -> None:
    """Have a value judged by a field behind it, where it is one that may be and a group around it takes promises."""
    targets = [one for one in _outwards(scope) if one.promised is not None]
    if not targets or made.get("kind") not in (None, "float", "time") or made.keys() & _UNFIT:
        return
    if goes_on(made):
        return  # its size hangs on its value
    target = drawing.chance.choice(targets)
    assert target.promised is not None
    taken = {name for one in _outwards(scope) for name in one.entries}
    taken |= {entry["name"] for one in _outwards(scope) for entry in one.promised or ()}
    name = next(f"told_{n}" for n in range(1, 99) if f"told_{n}" not in taken)
    judge: Entry = drawing.one({"name": name, "kind": "flag"}, {"name": name, "bits": _BITS})
    is_flag = "kind" in judge
    if made.get("bits", 64) <= 32 and not made.keys() & _NO_SCALE and drawing.odds(2):
        for key in _LINEAR:
            made.pop(key, None)
        scales: dict[Any, Any] = {0: Fraction(1, 2), 1: {"scale": 4, "offset": -4}}
        drawing.bound_anew(made, [Fraction(1)])
        made["scale_by"] = {name: scales if is_flag else {**scales, 200: 3}}
    else:
        forms = (name, {name: 0}) if is_flag else ({name: {"from": 0, "to": 99}}, {name: [1, 255]})
        made["valid_when"] = drawing.one(*forms)
    target.promised.append(judge)


def keep(drawing: Leaves, fields: list[Entry], scope: Scope, place: Place) -> None:
    """Put what was promised at the end of a group."""
    for judge in scope.promised or ():
        drawing.judges.add(id(judge))
        drawing.add(fields, scope, place, judge, judge.get("bits", 1))
    scope.promised = None


def _outwards(scope: Scope | None) -> Iterator[Scope]:
    while scope is not None:
        yield scope
        scope = scope.outer
