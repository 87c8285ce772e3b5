"""What a generated file gives: frames and a mission of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from packetkit.targets.python_reader.bits import DecodeError, Octets, Row, _holds
from packetkit.targets.python_reader.reading import _decoded
from packetkit.targets.python_reader.straight import _straight
from packetkit.targets.python_reader.writing import _encoded

# -- what this file gives --------------------------------------------------------------------------


class Frame:
    """One frame of the mission, ready to encode and decode."""

    def __init__(self, table: Row) -> None:
        self.table = table
        self.name: str = table["name"]
        self.fingerprint: str = table["fingerprint"]
        self.size_bytes: int | None = table.get("size")
        self._quick = _straight(table)

    def encode(self, record: Mapping[str, Any]) -> bytes:
        """Return the frame of a record. Raises EncodeError with every fault, in wire order; never changes the record."""
        if self._quick is not None:
            data = self._quick.encode(record)
            if data is not None:
                return data
        return _encoded(self.table, record)

    def decode(
        self,
        data: Octets,
        detail: bool = False,
        salvage: bool = False,
        variants: Mapping[str, str] | None = None,
        known: Mapping[str, int] | None = None,
    ) -> dict[str, Any]:
        """Return the record of exactly one frame. Raises DecodeError for anything else.

        detail: every slot as {raw, value, unit, reason, note, limit}. salvage: that, also where a check failed; then no leaf is trusted.
        variants: names of those that only where the bytes came from tells, by address. known: codes of supplied fields, by name; others are
        recovered from their checks. Raises ValueError for a name or a code that is none.
        """
        octets = bytes(memoryview(data))
        if self._quick is not None and not (detail or salvage or variants or known):
            record = self._quick.decode(octets)
            if record is not None:
                return record
        return _decoded(self.table, octets, True, detail, salvage, variants, known)[0]

    def decode_from(
        self,
        data: Octets,
        at: int = 0,
        detail: bool = False,
        salvage: bool = False,
        variants: Mapping[str, str] | None = None,
        known: Mapping[str, int] | None = None,
    ) -> tuple[dict[str, Any], int]:
        """Return the record of the frame that starts at an octet of a buffer, and how many octets it uses."""
        if not 0 <= at <= len(data):
            raise ValueError(f"at is {at}, but the buffer has {len(data)} bytes")
        return _decoded(self.table, bytes(memoryview(data)[at:]), False, detail, salvage, variants, known)


class Mission:
    """Frames by name, told apart by constants, tags and lengths."""

    def __init__(self, name: str, fingerprint: str, tables: list[Row]) -> None:
        self.name, self.fingerprint = name, fingerprint
        self.frames = {table["name"]: Frame(table) for table in tables}

    def identify(self, data: Octets) -> str:
        """Return the name of the frame that these bytes claim to be. Raises DecodeError, whose reason is `unknown`."""
        octets = bytes(memoryview(data))
        claimed = [frame for frame in self.frames.values() if _claims(frame.table, octets)]
        if len(claimed) > 1:
            claimed = [frame for frame in claimed if _has_length(frame.table, len(octets))] or claimed
        if len(claimed) == 1:
            return claimed[0].name
        names = ", ".join(frame.name for frame in claimed or self.frames.values())
        raise DecodeError("unknown", f"{len(octets)} bytes {'may be' if claimed else 'are none of'} {names}")

    def decode(self, data: Octets, detail: bool = False, salvage: bool = False) -> tuple[str, dict[str, Any]]:
        """Return the name of the frame and its record. Raises DecodeError."""
        name = self.identify(data)
        return name, self.frames[name].decode(data, detail, salvage)


def _claims(table: Row, data: bytes) -> bool:
    return not table.get("outside") and all(_agrees(marker, data) for marker in table["told"])


def _agrees(marker: Row, data: bytes) -> bool:
    """Whether data holds one of a marker's codes, or ends before it."""
    code = 0
    for bit in _bits(marker["bits"]):
        if bit >= len(data) * 8:
            return True
        code = code << 1 | data[bit >> 3] >> (7 - (bit & 7)) & 1
    return _holds(code, marker["codes"])


def _bits(stretches: list[list[int]]) -> Iterator[int]:
    for first, last in stretches:
        yield from range(first, last + 1)


def _has_length(table: Row, length: int) -> bool:
    return any(
        first <= length <= last and (length - first) % step == 0 for first, last, step in table["lengths"]
    )
