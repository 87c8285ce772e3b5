"""What a target is, and what it is told beside the layouts.

A target gets layouts and a dossier and returns text by file name; it opens nothing. What it cannot express it refuses with
`Unsupported`, all of it at once, before it returns anything.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

from packetkit.layout.model import Layout


class Dossier(Protocol):
    """Plain facts about a mission that are not in its layouts."""

    @property
    def mission(self) -> str:
        """The mission's name."""

    @property
    def fingerprint(self) -> str:
        """The mission's fingerprint."""

    @property
    def schema_path(self) -> str:
        """Where the schema is from the directory that is written to, with forward slashes."""

    @property
    def vectors(self) -> str:
        """The mission's vectors, as JSON text."""


@dataclass(frozen=True, slots=True)
class Target:
    """One back end. write: the text of each file, by its name in the output directory."""

    name: str
    help: str
    write: Callable[[Mapping[str, Layout], Dossier], dict[str, str]]
