"""Derived values of columns: the arithmetic of packetkit/layout/expression.py on whole arrays, step by step, with the same doubles.

A step that gives no finite number, a division by zero and a root of a negative number leave no value, as they do in one record.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from packetkit.codec.bulk.gather import Array
from packetkit.codec.cells import join
from packetkit.layout.expression import Call, Expression, Minus, Name, Number, names
from packetkit.layout.model import Derived, Layout, Node, Optional, Repeat

# The values of a column as doubles, and where there are any.
Given = tuple[Array, Array]


@dataclass(frozen=True)
class Step:
    """One derived column: its path, and the paths of the columns that it needs, by their names in the expression."""

    derived: Derived
    path: str
    needs: Mapping[str, str]


def steps(layout: Layout) -> tuple[Step, ...]:
    """Return every derived column of a fixed layout, each after those that it needs."""
    order = {one.address: place for place, one in enumerate(layout.derived)}
    found = list(_steps(layout, None, layout.nodes, [""]))
    return tuple(sorted(found, key=lambda step: order[step.derived.address]))


def _steps(
    layout: Layout, container: int | None, nodes: tuple[Node, ...], prefixes: list[str]
) -> Iterator[Step]:
    for one in layout.derived:
        if one.container == container:
            paths = [join(prefixes[-1 - operand.up], operand.path) for operand in one.operands]
            needs = dict(zip(names(one.expression), paths, strict=True))
            yield Step(one, join(prefixes[-1], one.path), needs)
    for node in nodes:
        if isinstance(node, Repeat):
            path = join(prefixes[-1], node.path)
            for number in range(node.count or 0):
                yield from _steps(layout, node.number, node.element, [*prefixes, f"{path}[{number}]"])
        elif isinstance(node, Optional):
            yield from _steps(layout, node.number, node.body, [*prefixes, join(prefixes[-1], node.path)])


def compute(step: Step, columns: Mapping[str, Given], rows: int) -> Given:
    """Return a derived column, NaN where there is no value."""
    valid = np.ones(rows, np.bool_)
    given: dict[str, Array] = {}
    for name, path in step.needs.items():
        values, there = columns[path]
        given[name] = (
            np.array([_double(one) for one in values], np.float64) if values.dtype.hasobject else values
        )
        valid &= there
    with np.errstate(all="ignore"):
        made = _evaluated(step.derived.expression, given, valid) + 0.0
    result = np.full(rows, np.nan)
    valid &= np.isfinite(made)
    np.copyto(result, made, where=valid)
    return result, valid


def _double(value: int) -> float:
    """The nearest double, infinite beyond every one."""
    try:
        return float(value)
    except OverflowError:
        return float("inf")


def _evaluated(tree: Expression, given: Mapping[str, Array], valid: Array) -> Array:
    """An expression's values; rows without one are noted in `valid`."""
    if isinstance(tree, Number):
        return np.full(len(valid), tree.value)
    if isinstance(tree, Name):
        values = given[tree.name].astype(np.float64)
        valid &= np.isfinite(values)
        return values
    if isinstance(tree, Minus):
        return -_evaluated(tree.of, given, valid)
    if isinstance(tree, Call):
        return _called(tree, [_evaluated(one, given, valid) for one in tree.arguments], valid)
    left, right = _evaluated(tree.left, given, valid), _evaluated(tree.right, given, valid)
    if tree.sign == "/":
        valid &= right != 0.0
    operation = {"+": np.add, "-": np.subtract, "*": np.multiply, "/": np.divide}[tree.sign]
    made: Array = operation(left, right)
    valid &= np.isfinite(made)
    return made


def _called(tree: Call, arguments: list[Array], valid: Array) -> Array:
    made = arguments[0]
    if tree.function == "abs":
        return np.abs(made)
    if tree.function == "sqrt":
        valid &= ~(made < 0.0)
        return np.sqrt(made)
    for other in arguments[1:]:  # of two that are equal the first stays, as with Python's own functions
        made = np.where(other < made if tree.function == "min" else other > made, other, made)
    return made
