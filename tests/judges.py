"""The codecs that are held against each other: what each is called, and how it is asked.

A judge encodes and decodes the one frame that it was made for, and says no with a stable word: `refused` when encoding, else the
reason of `DecodeError`. The oracle may not know the catalogue of checks, so it is handed over here, as plain values.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from packetkit.codec.frame import Frame as Codec
from packetkit.errors import DecodeError, EncodeError
from packetkit.integrity import catalog
from packetkit.integrity.algorithm import Algorithm
from packetkit.layout.resolve import resolve
from packetkit.schema.load import load
from packetkit.schema.model import Field, Frame
from tests import oracle

_PARAMETERS = (
    *("family", "width", "poly", "init", "reflect_in", "reflect_out", "final_xor"),
    *("word_bits", "word_order", "modulus", "end_around", "final", "first_sum_high"),
)


def parameters(algorithm: Algorithm) -> dict[str, Any]:
    """Return what decides a check's value, as the plain mapping that the oracle takes."""
    return {name: getattr(algorithm, name) for name in _PARAMETERS}


def algorithms(frame: Frame) -> dict[str, dict[str, Any]]:
    """Return the parameters of every named check in a frame, by the name that the schema calls it."""
    return {name: parameters(catalog.find(name)) for name in _named_checks(frame.fields)}


def _named_checks(fields: tuple[Field, ...]) -> list[str]:
    own = [field.algorithm for field in fields if isinstance(field.algorithm, str)]
    return own + [name for field in fields for name in _named_checks(field.fields)]


def declared(text: str) -> tuple[Frame, ...]:
    """Return the frames of a schema's text, which has to be free of faults."""
    loaded = load(text)
    assert loaded.mission is not None, "\n".join(map(str, loaded.problems))
    assert not loaded.problems, "\n".join(map(str, loaded.problems))
    return loaded.mission.frames


@dataclass(frozen=True)
class Judge:
    """One codec of one frame. encode: a record's bytes, or `refused`; decode: a record, or the reason why not."""

    encode: Callable[[Any], bytes | str]
    decode: Callable[[bytes], dict[str, Any] | str]
    detail: Callable[[bytes], dict[str, Any] | str]


def oracle_judge(frame: Frame) -> Judge:
    """Return the slow oracle, which works from what was declared."""
    known = algorithms(frame)

    def asked(action: Callable[[], Any]) -> Any:
        try:
            return action()
        except oracle.Refused as no:
            return no.reason

    return Judge(
        encode=lambda record: asked(lambda: oracle.encode(frame, record, known)),
        decode=lambda data: asked(lambda: oracle.decode(frame, data, known)),
        detail=lambda data: asked(lambda: oracle.decode(frame, data, known, detail=True)),
    )


def codec_judge(frame: Frame) -> Judge:
    """Return the codec that users call, which works from the layout."""
    layout, problems = resolve(frame)
    assert layout is not None, "\n".join(map(str, problems))
    codec = Codec(layout)

    def asked(action: Callable[[], Any]) -> Any:
        try:
            return action()
        except EncodeError:
            return "refused"
        except DecodeError as no:
            return no.reason

    return Judge(
        encode=lambda record: asked(lambda: codec.encode(record)),
        decode=lambda data: asked(lambda: codec.decode(data)),
        detail=lambda data: asked(lambda: codec.decode(data, detail=True)),
    )


JUDGES: dict[str, Callable[[Frame], Judge]] = {"oracle": oracle_judge, "codec": codec_judge}


def same(a: Any, b: Any) -> bool:
    """Whether two results are equal in value and in type, in all their parts and their order: 5 is not 5.0, 0.0 not -0.0."""
    return type(a) is type(b) and repr(a) == repr(b)
