"""The public codec of one frame: a layout in, `encode`, `decode` and `decode_from` out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from packetkit.codec import walk
from packetkit.codec.bits import Octets
from packetkit.layout.model import Layout


class Frame:
    """One frame of a mission, ready to encode and decode."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.name = layout.name

    def encode(self, record: Mapping[str, Any]) -> bytes:
        """Return the frame of a record. Raises EncodeError with every fault, in wire order."""
        return walk.encode(self.layout, record)

    def decode(self, data: Octets, *, detail: bool = False, salvage: bool = False) -> dict[str, Any]:
        """Return the record of exactly one frame. Raises a branch of DecodeError for anything else."""
        return walk.decode(self.layout, data, detail=detail, salvage=salvage)

    def decode_from(self, buffer: Octets, at: int = 0, *, detail: bool = False) -> tuple[dict[str, Any], int]:
        """Return the record of the frame that starts at an octet of the buffer, and how many octets it uses."""
        return walk.decode_from(self.layout, buffer, at, detail=detail)
