"""One codec of one frame as two or three questions, so that any codec can be held to any vector, and to any other codec.

A judge answers with what it made, or says no with a stable word: `refused` for a record, the reason of a `DecodeError` for bytes.
Answers are compared by value and by type in all their parts: 5 is not 5.0, and 0.0 is not -0.0.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from packetkit.codec import walk
from packetkit.codec.frame import Frame
from packetkit.errors import DecodeError, EncodeError
from packetkit.layout.model import Layout

REFUSED = "refused"

Bytes = bytes | str  # a frame, or `refused`
Answer = dict[str, Any] | str  # a record, or the reason why there is none
Faults = tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Judge:
    """One codec of one frame.

    encode: a record's bytes, or `refused`; decode: a record, or the reason why not; detail: the same with every raw code, None
    where the codec has no such form. tells_reasons: False where a refusal is only known to be one. faults: (path, rule) of all that
    a record is refused for, where the codec tells them.
    """

    name: str
    encode: Callable[[Any], Bytes]
    decode: Callable[[bytes], Answer]
    detail: Callable[[bytes], Answer] | None = None
    tells_reasons: bool = True
    faults: Callable[[Any], Faults] | None = None


def asked(action: Callable[[], Any]) -> Any:
    """Return what an action gives, or the word for its refusal. Anything else that it raises is a fault, and passes through."""
    try:
        return action()
    except EncodeError:
        return REFUSED
    except DecodeError as no:
        return no.reason


def faults(action: Callable[[], Any]) -> Faults:
    """Return path and rule of each fault for which an action refuses a record; none where it does not."""
    try:
        action()
    except EncodeError as error:
        return tuple((fault.path, fault.rule) for fault in error.faults)
    return ()


def codec(layout: Layout, variants: Mapping[str, str] | None = None) -> Judge:
    """Return the codec that users call. variants: what it is told from outside."""
    frame = Frame(layout, variants)
    return Judge(
        "codec",
        lambda record: asked(lambda: frame.encode(record)),
        lambda data: asked(lambda: frame.decode(data)),
        lambda data: asked(lambda: frame.decode(data, detail=True)),
        faults=lambda record: faults(lambda: frame.encode(record)),
    )


def walker(layout: Layout, variants: Mapping[str, str] | None = None) -> Judge:
    """Return the codec that goes through the layout slot by slot; the fast one hands over to it. variants: what it is told from outside."""
    return Judge(
        "walker",
        lambda record: asked(lambda: walk.encode(layout, record)),
        lambda data: asked(lambda: walk.decode(layout, data, variants=variants)),
        lambda data: asked(lambda: walk.decode(layout, data, detail=True, variants=variants)),
        faults=lambda record: faults(lambda: walk.encode(layout, record)),
    )


def same(a: Any, b: Any) -> bool:
    """Whether two answers are equal in value, type and order, in all their parts."""
    return type(a) is type(b) and repr(a) == repr(b)


def agree(a: Any, b: Any, *, reasons: bool) -> bool:
    """Whether two answers say the same; without reasons, any refusal is like any other."""
    if isinstance(a, str) and isinstance(b, str) and not reasons:
        return True
    return same(a, b)
