"""Compressed captures: gzip (RFC 1952) with the standard library, zstd (RFC 8878) with the library of the extra `zstd`.

A damaged or cut file gives what can be unpacked, and then says so with the place; nothing is taken on trust beyond that.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from packetkit.errors import InputError

PIECE = 1 << 16


def packed_as(head: bytes) -> str:
    """Return `gzip` or `zstd` where the first bytes are those of such a file, else nothing.

    gzip: two fixed octets, the only method there is, flags of which three bits are reserved; zstd: four fixed octets.
    """
    if len(head) >= 4 and head[:3] == b"\x1f\x8b\x08" and not head[3] & 0xE0:
        return "gzip"
    return "zstd" if head[:4] == b"\x28\xb5\x2f\xfd" else ""


def may_be_packed(head: bytes) -> bool:
    """Return whether more bytes behind these could make `packed_as` find something, where it finds nothing yet."""
    return len(head) < 4 and (b"\x1f\x8b\x08".startswith(head[:3]) or b"\x28\xb5\x2f\xfd".startswith(head))


def unpacked(
    kind: str, pieces: Iterable[bytes], note: Callable[[str], object] | None = None
) -> Iterator[bytes]:
    """Yield the bytes that packed ones mean, in pieces of bounded size.

    note: is told why there is no more, of a file that is cut or damaged behind bytes that could be unpacked. Raises InputError without
    it, and where nothing could be.
    """
    is_some = False
    try:
        for piece in _gzip(pieces) if kind == "gzip" else _zstd(pieces):
            is_some = is_some or bool(piece)
            yield piece
    except _DamagedError as error:
        if note is None or not is_some:
            raise InputError(str(error)) from None
        note(str(error))


class _DamagedError(ValueError):
    """The data ends too early, or is none from there on."""


def _gzip(pieces: Iterable[bytes]) -> Iterator[bytes]:
    made = zlib.decompressobj(31)
    at = 0
    for piece in pieces:
        data = piece
        while data:
            if made.eof:  # members follow each other in one file; zeros may fill up its end
                data = data.lstrip(b"\0")
                if not data:
                    break
                made = zlib.decompressobj(31)
            try:
                yield made.decompress(data, PIECE)
            except zlib.error as error:
                raise _DamagedError(f"the gzip data is damaged near offset {at:,}: {error}") from None
            data = made.unconsumed_tail or made.unused_data
        at += len(piece)
    if at and not made.eof:
        raise _DamagedError(f"the gzip data ends too early, at offset {at:,}: the file was cut")


def _zstd(pieces: Iterable[bytes]) -> Iterator[bytes]:
    try:
        import zstandard
    except ImportError:
        raise InputError(
            "reading zstd needs the extra `zstd`: python -m pip install 'packetkit[zstd]', or unpack the file first"
        ) from None
    unpacker = zstandard.ZstdDecompressor(max_window_size=1 << 27)
    made: Any = None
    at = 0
    for piece in pieces:
        rest = piece
        while rest:
            made = unpacker.decompressobj() if made is None or made.eof else made
            try:
                data = made.decompress(rest)
            except zstandard.ZstdError as error:
                raise _DamagedError(f"the zstd data is damaged near offset {at:,}: {error}") from None
            for start in range(0, len(data), PIECE):
                yield data[start : start + PIECE]
            rest = made.unused_data if made.eof else b""
        at += len(piece)
    if made is not None and not made.eof:
        raise _DamagedError(f"the zstd data ends too early, at offset {at:,}: the file was cut")
