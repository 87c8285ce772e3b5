"""The frame under way: what was read or written of it that construct's contexts forget once a group is over.

It is kept among the context's parameters, which every part of one call shares.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from packetkit.layout.slots import Mark

_STATE = "_packetkit"  # construct neither prints nor compares keys that begin with an underscore


def begin(context: Any) -> None:
    """Start afresh, on the stream of a frame's bits."""
    context["_params"][_STATE] = Progress(context["_io"])


@dataclass(slots=True)
class Progress:
    """What is known of the frame under way: its bits, the raw codes asked for, where marked nodes start.

    starts: in bits, by number of the node; -1 is the frame's end. checks: of those that are computed late, the bit
    where they stand and what the record says of them.
    """

    stream: Any
    codes: dict[int, int] = field(default_factory=dict)
    starts: dict[int, int] = field(default_factory=dict)
    checks: dict[int, tuple[int, object]] = field(default_factory=dict)

    def position(self, mark: Mark) -> int:
        return mark.at if mark.at is not None else self.starts[mark.node] + mark.bits

    def bits(self, start: int, end: int) -> bytes:
        """Bits already read or written; the stream stays where it is."""
        here = self.stream.tell()
        self.stream.seek(start)
        found: bytes = self.stream.read(end - start)
        self.stream.seek(here)
        return found


def progress_of(context: Any) -> Progress:
    """Return what is known of the frame that a context belongs to."""
    found: Progress = context["_params"][_STATE]
    return found


def is_parsing(context: Any) -> bool:
    """Return whether a frame is being read, not written."""
    return bool(context["_parsing"])
