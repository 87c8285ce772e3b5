"""What a target is told of a mission beside its layouts, as plain values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from packetkit.codec.annotate import Annotation, annotate
from packetkit.conformance.vector import Case, Vectors
from packetkit.mission import settings
from packetkit.mission.load import Mission


@dataclass(frozen=True, slots=True)
class Row:
    """One field of a worked example: its bits on the wire, their raw code, what it means. bits: the most significant first."""

    address: str
    bits: tuple[int, ...]
    raw: int
    width: int
    value: Any
    reason: str
    unit: str


@dataclass(frozen=True, slots=True)
class Worked:
    """A frame's worked example: the record, its bytes, and field by field what they are."""

    values: Mapping[str, Any]
    data: bytes
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Dossier:
    """Facts for the back ends that write text.

    schema_path: from the directory written to, with forward slashes. vectors: JSON text. outside: names of the frames that only where
    their bytes came from tells. options: what was asked for beside the target. settings: what flight and ground must share, as names and
    values; worked and cases: by frame, for documents.
    """

    mission: str
    fingerprint: str
    schema_path: str
    vectors: str
    outside: frozenset[str] = frozenset()
    options: frozenset[str] = frozenset()
    description: str = ""
    settings: tuple[tuple[str, str], ...] = ()
    worked: Mapping[str, Worked] = field(default_factory=dict)
    cases: Mapping[str, tuple[Case, ...]] = field(default_factory=dict)


MOST_CASES = (
    6  # of a document's vectors: enough to try an implementation by hand; `packetkit vectors` writes all
)


def told(dossier: Dossier, mission: Mission, vectors: Vectors) -> Dossier:
    """The dossier with what a document tells: settings, a worked example for each frame, and a few vectors."""
    found = _sendable(vectors)
    return replace(
        dossier,
        description=mission.description,
        settings=settings.rows(mission) if mission.link.setting is not None else (),
        worked={name: _worked(mission, name, cases) for name, cases in found.items()},
        cases={name: _few(cases) for name, cases in found.items()},
    )


def _worked(mission: Mission, name: str, cases: list[Case]) -> Worked:
    """The vector with the most different octets, taken apart field by field."""
    best = max(cases, key=lambda case: len(set(_data(case))))
    return Worked(best.back, _data(best), _rows(annotate(mission.layouts[name], _data(best))))


def _few(cases: list[Case]) -> tuple[Case, ...]:
    """A few vectors from all over the list, no bytes twice."""
    distinct = list({_data(case): case for case in cases}.values())
    step = max(len(distinct) // MOST_CASES, 1)
    return tuple(distinct[::step][:MOST_CASES])


def _sendable(vectors: Vectors) -> dict[str, list[Case]]:
    """The vectors whose bytes are a record, by frame; frames that have none are left out."""
    found = {
        frame.name: [case for case in frame.cases if case.data is not None and isinstance(case.back, dict)]
        for frame in vectors.frames
    }
    return {name: cases for name, cases in found.items() if cases}


def _data(case: Case) -> bytes:
    assert case.data is not None  # _sendable has no other
    return case.data


def _rows(found: Annotation) -> tuple[Row, ...]:
    return tuple(
        Row(one.address, one.bits, one.raw, one.slot.width, one.value, one.reason, one.slot.unit)
        for one in found.fields
    )
