"""What the resolver knows of a field before it has a place: the width, the exact transform and the codes of its slot."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from packetkit.layout.slots import Slot


@dataclass(frozen=True, slots=True)
class Meaning:
    """A slot without its place: everything about a field that its neighbours do not decide."""

    width: int
    slot: dict[str, Any] = field(default_factory=dict)

    def place(self, **where: Any) -> Slot:
        """The slot at its place."""
        return Slot(width=self.width, **{**self.slot, **where})
