"""The codecs that a campaign holds against each other, each made for one declared frame and its layout.

The slow oracle is no module of the package's own: it lives with the tests, imports the declared model and nothing else, and a
wheel carries a copy. It may not know the catalogue of checks, so that is handed to it here, as plain values.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from functools import lru_cache
from importlib import import_module
from importlib.util import module_from_spec, spec_from_file_location
from types import MappingProxyType
from typing import Any

from packetkit.conformance import judge
from packetkit.conformance.judge import REFUSED, Judge
from packetkit.integrity import catalog
from packetkit.integrity.algorithm import Algorithm
from packetkit.layout.model import Layout
from packetkit.resources import resource
from packetkit.schema.model import Field, Frame

NOT_TOLD: Mapping[str, str] = MappingProxyType({})  # nothing is told from outside

_PARAMETERS = (
    *("family", "width", "poly", "init", "reflect_in", "reflect_out", "final_xor"),
    *("word_bits", "word_order", "modulus", "end_around", "final", "first_sum_high"),
)


@lru_cache(1)
def oracle_module() -> Any:
    """Return the oracle: the wheel's copy, or in a checkout the tests' own."""
    try:
        return import_module("packetkit.oracle")
    except ModuleNotFoundError as error:
        if error.name != "packetkit.oracle":
            raise
    spec = spec_from_file_location("packetkit_oracle", resource("tests/oracle.py"))
    assert spec is not None and spec.loader is not None
    module = module_from_spec(spec)
    sys.modules[spec.name] = module  # its dataclasses look their module up
    spec.loader.exec_module(module)
    return module


def parameters(algorithm: Algorithm) -> dict[str, Any]:
    """Return what decides a check's value, as the plain mapping that the oracle takes."""
    return {name: getattr(algorithm, name) for name in _PARAMETERS}


def algorithms(declared: Frame) -> dict[str, dict[str, Any]]:
    """Return the parameters of every named check in a frame, by the name that the schema calls it."""
    return {name: parameters(catalog.find(name)) for name in _named_checks(declared.fields)}


def _named_checks(fields: tuple[Field, ...]) -> list[str]:
    own = [field.algorithm for field in fields if isinstance(field.algorithm, str)]
    inner = [group for field in fields for group in (field.fields, *(one.fields for one in field.variants))]
    return own + [name for group in inner for name in _named_checks(group)]


def oracle(declared: Frame, layout: Layout, variants: Mapping[str, str] = NOT_TOLD) -> Judge:
    """Return the slow oracle, which works from what was declared and never sees the layout."""
    slow, known = oracle_module(), algorithms(declared)

    def asked(action: Callable[[], Any]) -> Any:
        try:
            return action()
        except slow.Refused as no:
            return no.reason

    return Judge(
        "oracle",
        lambda record: asked(lambda: slow.encode(declared, record, known)),
        lambda data: asked(lambda: slow.decode(declared, data, known, variants=variants)),
        lambda data: asked(lambda: slow.decode(declared, data, known, detail=True, variants=variants)),
    )


def positions(declared: Frame, subject: Any) -> list[tuple[str, int, int]]:
    """Return (address, first bit, width) of all in a frame by the oracle's account; none where it refuses the subject."""
    slow = oracle_module()
    try:
        found: list[tuple[str, int, int]] = slow.positions(declared, subject, algorithms(declared))
    except slow.Refused:
        return []
    return found


def construct(declared: Frame, layout: Layout, variants: Mapping[str, str] = NOT_TOLD) -> Judge | None:
    """Return the construct object, or None where its library cannot express the frame. It gives no reasons, and no detail."""
    from construct import ConstructError

    from packetkit.codec import constructs, derive

    if constructs.refusals(layout):
        return None
    made, todo = constructs.build(layout), derive.plan(layout)  # the object has what is on the wire

    def encode(record: Any) -> bytes | str:
        record = record if todo is None else derive.without(todo, record)
        try:
            return bytes(made.build(record))
        except ConstructError:
            return REFUSED

    def decode(data: bytes) -> dict[str, Any] | str:
        import io

        stream = io.BytesIO(data)
        try:
            found: dict[str, Any] = constructs.record(made.parse_stream(stream))
        except ConstructError:
            return REFUSED
        if stream.tell() != len(data):
            return REFUSED
        return found if todo is None else derive.complete(todo, found)

    return Judge("construct", encode, decode, None, tells_reasons=False)


def codec(declared: Frame, layout: Layout, variants: Mapping[str, str] = NOT_TOLD) -> Judge:
    """Return the codec that users call."""
    return judge.codec(layout, variants)


def walker(declared: Frame, layout: Layout, variants: Mapping[str, str] = NOT_TOLD) -> Judge:
    """Return the codec that goes slot by slot."""
    return judge.walker(layout, variants)


# The oracle judges; the others are judged.
JUDGES: dict[str, Callable[[Frame, Layout, Mapping[str, str]], Judge | None]] = {
    "oracle": oracle,
    "codec": codec,
    "walker": walker,
    "construct": construct,
}


def of(
    declared: Frame,
    layout: Layout,
    names: tuple[str, ...] = tuple(JUDGES),
    variants: Mapping[str, str] = NOT_TOLD,
) -> dict[str, Judge]:
    """Return the judges of one frame by name; those that cannot express it are left out. variants: what all are told from outside."""
    made = {name: JUDGES[name](declared, layout, variants) for name in names}
    return {name: one for name, one in made.items() if one is not None}
