"""Values that are worked out from others."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from math import sqrt
from typing import Any

from packetkit.targets.python_reader.bits import Row
from packetkit.targets.python_reader.places import _put
from packetkit.targets.python_reader.values import _beyond_limit

# -- values that are worked out from others: they have no bits -------------------------------------


class _NoNumber(ArithmeticError):
    """A step that gives no number; its text is the reason."""


def _evaluated(tree: Any, given: list[float]) -> float:
    """The number of a tree: a number, ["of", place], [sign, left, right] or [function, ...]."""
    if not isinstance(tree, list):
        return float(tree)
    sign, *rest = tree
    if sign == "of":
        return given[rest[0]]
    parts = [_evaluated(one, given) for one in rest]
    if sign in _FUNCTIONS:
        return _FUNCTIONS[sign](*parts)
    value = -parts[0] if len(parts) == 1 else _OPERATIONS[sign](parts[0], parts[1])
    if value - value != 0:
        raise _NoNumber("not finite")
    return value


def _over(left: float, right: float) -> float:
    if right == 0:
        raise _NoNumber("division by zero")
    return left / right


def _root(value: float) -> float:
    if value < 0:
        raise _NoNumber("root of a negative number")
    return sqrt(value)


_FUNCTIONS: dict[str, Callable[..., float]] = {"min": min, "max": max, "abs": abs, "sqrt": _root}
_OPERATIONS: dict[str, Callable[[float, float], float]] = {
    "+": lambda left, right: left + right,
    "-": lambda left, right: left - right,
    "*": lambda left, right: left * right,
    "/": _over,
}


def _held(container: Any, path: Iterable[str]) -> Any:
    for key in path:
        if container is None:
            return None
        container = container.get(key)
    return container


def _worked_out(step: Row, stack: list[Any], detail: bool) -> tuple[float | None, str]:
    given = []
    for name, (up, path) in zip(step["names"], step["operands"]):
        found = _held(stack[-1 - up], path)
        if detail and found is not None:
            found = found["value"]
        if found is None:
            return None, f"no {name}"
        try:
            given.append(float(found))
        except OverflowError:
            return None, "not finite"
    try:
        return _evaluated(step["tree"], given) + 0.0, ""
    except _NoNumber as no:
        return None, str(no)


def _derive(plan: Row, stack: list[Any], detail: bool, trusted: bool) -> None:
    here = stack[-1]
    for step in plan["steps"]:
        value, reason = _worked_out(step, stack, detail)
        made: Any = value
        if detail:
            limit = _beyond_limit(step.get("limits", ()), value)
            words = (("unit", step.get("unit", "")), ("reason", reason), ("limit", limit))
            made = {"value": value}
            made.update((key, text) for key, text in words if text)
            made["derived"] = True
            if not trusted:
                made["trusted"] = False
        _put(here, step["path"], made)
        _keep_order(here, step)
    for one in plan["inner"]:
        held = _held(here, one["path"])
        if held is not None:
            for inside in held if one.get("list") else (held,):
                _derive(one["plan"], [*stack, inside], detail, trusted)


def _keep_order(container: Row, step: Row) -> None:
    """Move what is declared after a value behind it, group by group."""
    for key, later in zip(step["path"], step["later"]):
        for other in later:
            if other in container:
                container[other] = container.pop(other)
        container = container[key]


def _less_derived(plan: Row, record: Any) -> Any:
    """The record without its derived values; the given one is not touched."""
    if not isinstance(record, Mapping):
        return record
    made: Any = _less(record, [step["path"] for step in plan["steps"]])
    for one in plan["inner"]:
        if one["path"]:
            made = _changed(made, one["path"], one["plan"])
    return made


def _less(record: Any, paths: list[list[str]]) -> Row:
    """A copy without what stands at these paths; a group that is empty then is left out."""
    gone = {path[0] for path in paths if len(path) == 1}
    made = {key: value for key, value in record.items() if key not in gone}
    for key in {path[0] for path in paths if len(path) > 1}:
        group = made.get(key)
        if isinstance(group, Mapping):
            inner = _less(group, [path[1:] for path in paths if path[0] == key and len(path) > 1])
            if inner or not group:
                made[key] = inner
            else:
                del made[key]
    return made


def _changed(record: Any, path: list[str], plan: Row) -> Any:
    if not isinstance(record, Mapping) or path[0] not in record:
        return record
    made, held = dict(record), record[path[0]]
    made[path[0]] = _less_inside(plan, held) if len(path) == 1 else _changed(held, path[1:], plan)
    return made


def _less_inside(plan: Row, held: Any) -> Any:
    if not isinstance(held, (list, tuple)):
        return _less_derived(plan, held)
    is_list = not plan["steps"] and not any(one["path"] for one in plan["inner"])  # an option that is a list
    return [_less_derived(plan["inner"][0]["plan"] if is_list else plan, one) for one in held]
