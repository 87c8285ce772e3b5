"""Derived values put into records that were decoded, and taken out of records that are to be encoded.

They have no bits, so neither the walker nor the generated functions know of them: a record is completed once its values are there.
In a plain record a derived value is a number or None; in detail `{"value", "unit", "reason", "derived": True}`. On encode it is
accepted, so that a decoded record encodes back, and means nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from packetkit.codec.record import put
from packetkit.layout.expression import Evaluate, evaluator, names
from packetkit.layout.limits import beyond
from packetkit.layout.model import Choice, Derived, Layout, Node, Operand, Optional, Repeat, flat

Record = dict[Any, Any]
Complete = Callable[[Record], Record]


@dataclass(frozen=True, slots=True)
class _Step:
    """One derived value of a container, ready to be worked out."""

    derived: Derived
    operands: tuple[Operand, ...]
    names: tuple[str, ...]
    value: Evaluate


@dataclass(frozen=True, slots=True)
class _Plan:
    """A container's derived values, and the parts of it that hold more."""

    steps: tuple[_Step, ...]
    inner: tuple[_Inner, ...]


@dataclass(frozen=True, slots=True)
class _Inner:
    """A part of a container that holds derived values of its own: where it lies, whether it is a list, and its plan."""

    path: tuple[str, ...]
    several: bool
    plan: _Plan


def plan(layout: Layout) -> _Plan | None:
    """Return what has to be done to a record of this layout; None where there is nothing to do."""
    return _plan(layout, layout.nodes, None) if layout.derived else None


def _plan(layout: Layout, nodes: tuple[Node, ...], container: int | None) -> _Plan | None:
    steps = tuple(
        _Step(one, one.operands, names(one.expression), evaluator(one.expression))
        for one in layout.derived
        if one.container == container
    )
    inner = []
    for node in flat(nodes):
        for path, number, body in _parts(node):
            made = _plan(layout, body, number)
            if made is not None:
                inner.append(_Inner(path, isinstance(node, Repeat), made))
    return _Plan(steps, tuple(inner)) if steps or inner else None


def _parts(node: Node) -> Iterator[tuple[tuple[str, ...], int, tuple[Node, ...]]]:
    """The containers inside a node: where each lies, its number, and its nodes."""
    if isinstance(node, Choice):
        for branch in node.branches:
            yield (*node.path, branch.name), branch.number, branch.body
    elif isinstance(node, Repeat):
        yield node.path, node.number, node.element
    elif isinstance(node, Optional):
        yield node.path, node.number, node.body


def complete(todo: _Plan, record: Record, *, detail: bool = False, trusted: bool = True) -> Record:
    """Return the record with its derived values put in: it is changed."""
    _fill(todo, [record], detail, trusted)
    return record


def _fill(todo: _Plan, stack: list[Any], detail: bool, trusted: bool) -> None:
    here = stack[-1]
    for step in todo.steps:
        value, reason = _value(step, stack, detail)
        put(here, step.derived.path, _leaf(step.derived, value, reason, trusted) if detail else value)
        _in_order(here, step.derived)
    for inner in todo.inner:
        held = _at(here, inner.path)
        if held is None:
            continue
        for one in held if inner.several else (held,):
            _fill(inner.plan, [*stack, one], detail, trusted)


def _in_order(container: Record, one: Derived) -> None:
    """Move what is declared after a value behind it, group by group."""
    for key, later in zip(one.path, one.later, strict=True):
        for other in later:
            if other in container:
                container[other] = container.pop(other)
        container = container[key]


def _value(step: _Step, stack: list[Any], detail: bool) -> tuple[float | None, str]:
    given = []
    for operand, name in zip(step.operands, step.names, strict=True):
        found = _at(stack[-1 - operand.up], operand.path)
        if detail and found is not None:
            found = found.get("calibrated", found["value"])
        if found is None:
            return None, f"no {name}"
        try:
            given.append(float(found))
        except OverflowError:  # a whole number beyond every double
            return None, "not finite"
    return step.value(tuple(given))


def _at(container: Any, path: tuple[str, ...]) -> Any:
    for key in path:
        if container is None:
            return None
        container = container.get(key)
    return container


def _leaf(one: Derived, value: float | None, reason: str, trusted: bool) -> Record:
    made: Record = {"value": value}
    words = (("unit", one.unit), ("reason", reason), ("limit", beyond(one.limits, value)))
    made |= {key: text for key, text in words if text}
    made["derived"] = True
    if not trusted:
        made["trusted"] = False
    return made


def calibrated(todo: _Plan, record: Record) -> None:
    """Put into a detail record that was calibrated, beside each derived value, what comes of calibrated ones."""
    _calibrated(todo, [record])


def _calibrated(todo: _Plan, stack: list[Any]) -> None:
    here = stack[-1]
    for step in todo.steps:
        one, leaf = step.derived, _at(here, step.derived.path)
        value, reason = _value(step, stack, detail=True)
        said = {key: leaf[key] for key in ("unit", "reason") if key in leaf}
        limit = beyond(one.limits, value)
        kept = {key: leaf[key] for key in ("derived", "trusted") if key in leaf}
        made = {
            "value": leaf["value"],
            "calibrated": value,
            **said,
            **({"calibrated_reason": reason} if reason != leaf.get("reason", "") and reason else {}),
            **({"limit": limit} if limit else {}),
            **kept,
        }
        leaf.clear()
        leaf.update(made)
    for inner in todo.inner:
        held = _at(here, inner.path)
        if held is not None:
            for one_held in held if inner.several else (held,):
                _calibrated(inner.plan, [*stack, one_held])


def values(todo: _Plan, record: Any) -> list[Any]:
    """Return the derived values of a plain record, in an order of their own."""
    found = [_at(record, step.derived.path) for step in todo.steps]
    for inner in todo.inner:
        held = _at(record, inner.path)
        if held is not None:
            for one in held if inner.several else (held,):
                found += values(inner.plan, one)
    return found


# -- on encode -------------------------------------------------------------------------------------


def is_derived(leaf: Mapping[str, Any]) -> bool:
    """Return whether a mapping in a detail record is a derived value: a group's field of that name would be a mapping itself."""
    return leaf.get("derived") is True


def without(todo: _Plan, record: Any) -> Any:
    """Return the record without its derived values; the given one is not touched, and whatever is odd in it stays."""
    if not isinstance(record, Mapping):
        return record
    made = _less(record, [step.derived.path for step in todo.steps])
    for inner in todo.inner:
        if inner.path:
            made = _replaced(made, inner.path, lambda held, inner=inner: _inside(held, inner.plan))  # type: ignore[misc]
    return made


def _inside(held: Any, inner: _Plan) -> Any:
    if isinstance(held, (list, tuple)):
        if not inner.steps and all(not one.path for one in inner.inner):  # an option that is a list
            return _inside_list(held, inner.inner[0].plan)
        return _inside_list(held, inner)
    return without(inner, held)


def _inside_list(held: Any, inner: _Plan) -> list[Any]:
    return [without(inner, one) for one in held]


def _less(record: Mapping[Any, Any], paths: list[tuple[str, ...]]) -> Record:
    """A copy without what stands at these paths; a group that is empty then is left out: the frame knows of none."""
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


def _replaced(record: Any, path: tuple[str, ...], change: Callable[[Any], Any]) -> Any:
    """A copy in which what stands at a path is changed, if there is anything."""
    if not isinstance(record, Mapping) or path[0] not in record:
        return record
    held = record[path[0]]
    return {**record, path[0]: change(held) if len(path) == 1 else _replaced(held, path[1:], change)}
