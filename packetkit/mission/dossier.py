"""What a target is told of a mission beside its layouts, as plain values."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Dossier:
    """Facts for the back ends that write text.

    schema_path: from the directory written to, with forward slashes. vectors: JSON text. outside: names of the frames that only where
    their bytes came from tells. options: what was asked for beside the target.
    """

    mission: str
    fingerprint: str
    schema_path: str
    vectors: str
    outside: frozenset[str] = frozenset()
    options: frozenset[str] = frozenset()
