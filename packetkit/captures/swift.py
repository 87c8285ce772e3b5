"""The events of packetkit/captures/stream.py, with long rows of good frames as blocks of columns: for large captures of fixed frames.

Rows of one kind of frame, back to back, are decoded as columns while all of them are good. At the first row that is not, the reader of
the stream takes over, from that place on, until it finds a good frame again; behind a good frame it keeps nothing, so handing over there
changes nothing. So events and blocks together say what the reader alone would say.

What would surprise a reader: with several kinds of frames columns begin only behind `RUN` frames of one kind in a row, as a block
costs as much as that many frames; and a kind that shares its places with one that is tried before it is never taken this way.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from packetkit.captures.stream import UNWRITTEN, Event, Good, Reader
from packetkit.codec.bulk import Columns, obstacle
from packetkit.codec.frame import Frame
from packetkit.layout.alike import differ, told

# Frames of one kind in a row, where there are several kinds, before columns are tried.
RUN = 256
# Bytes that are decoded at a time where all goes well, and frames where it did not.
CHUNK = 1 << 21
FEW = 64


@dataclass(frozen=True)
class Block:
    """Good frames back to back; offset: of the first one, in bytes of the input. All rows of the table are ok."""

    frame: str
    offset: int
    table: Columns

    @property
    def size(self) -> int:
        """The bytes of all its frames."""
        return int(self.table.sizes.sum())

    @property
    def last_offset(self) -> int:
        """Where its last frame begins."""
        return self.offset + self.size - int(self.table.sizes[-1])


def events(
    frames: Mapping[str, Frame],
    pieces: Iterable[bytes],
    *,
    raw: bool = False,
    detail: bool = False,
    owners: Mapping[str, str] | None = None,
) -> Iterator[Event | Block]:
    """Yield the events of an input that comes in pieces; frames in a row as blocks.

    raw: tables keep the codes on the wire. detail: records of events have every slot. owners: whose each is.
    """
    yield from _Hand(frames, raw, detail, owners).over(iter(pieces))


def able(frames: Mapping[str, Frame], owners: Mapping[str, str] | None = None) -> dict[str, Frame]:
    """Return the frames that may be taken as columns: fixed ones that no frame tried before, nor one of others', can be taken for."""
    known = {name: replace(told(frame.layout), lengths=range(1, 2)) for name, frame in frames.items()}
    made: dict[str, Frame] = {}
    before: list[str] = []
    for name, frame in frames.items():
        theirs = [] if owners is None else [one for one in frames if owners[one] != owners[name]]
        others = [*before, *theirs]
        if not obstacle(frame.layout) and all(differ(known[name], known[other]) for other in others):
            made[name] = frame
        before.append(name)
    return made


class _Hand:
    """The input's buffer, and who reads it: the reader or columns."""

    def __init__(
        self, frames: Mapping[str, Frame], raw: bool, detail: bool, owners: Mapping[str, str] | None
    ) -> None:
        self._able, self._raw = able(frames, owners), raw
        self._patience = RUN if len(frames) > 1 else 1
        self._reader = Reader(frames, detail=detail, owners=owners)
        self._look = max(frame.layout.maximum_bytes or 0 for frame in frames.values())
        self._data = b""
        self._base = 0  # the input's offset of the buffer's first byte
        self._at = 0  # the first byte that no event covers, as an offset of the input
        self._few = False  # columns lost their step not long ago
        self._rows = 0

    def over(self, pieces: Iterator[bytes]) -> Iterator[Event | Block]:
        """Everything there is."""
        self._pieces, self._ended = pieces, False
        name = next(iter(self._able)) if self._patience == 1 and self._able else ""
        while not self._ended or self._at < self._end:
            if name:
                yield from self._columns(name)
            name = ""
            for event in self._searched():
                yield event
                if isinstance(event, Good):
                    name = event.frame

    @property
    def _end(self) -> int:
        return self._base + len(self._data)

    def _fill(self, start: int, wanted: int) -> None:
        """Have so many bytes from an offset on, or all that there are; what stands before it is forgotten but for a tail."""
        if self._end - start >= wanted:
            return
        keep = max(start - UNWRITTEN, self._base)
        parts, size = [self._data[keep - self._base :]], self._end - keep
        while size < start - keep + wanted:
            piece = next(self._pieces, None)
            if piece is None:
                self._ended = True
                break
            parts.append(piece)
            size += len(piece)
        self._data, self._base = b"".join(parts), keep

    # -- columns -----------------------------------------------------------------------------------

    def _columns(self, name: str) -> Iterator[Event | Block]:
        """Rows as long as they are good, and what the reader finds in between where it comes back in step."""
        frame = self._able.get(name)
        if frame is None:
            return
        size = frame.layout.minimum_bits // 8
        self._rows = FEW if self._few else CHUNK // size
        while True:
            self._fill(self._at, self._rows * size)
            rows = min((self._end - self._at) // size, self._rows)
            if not rows:
                return
            start, begun = self._at, self._at - self._base
            table = frame.decode_many(self._data[begun : begun + rows * size], raw=self._raw)
            row = 0
            for bad in np.flatnonzero(~table.ok).tolist():
                if bad < row:
                    continue
                if bad > row:
                    yield Block(name, start + row * size, table.part(row, bad))
                self._at = start + bad * size
                good = None
                for event in self._searched(1):
                    yield event
                    good = event if isinstance(event, Good) else good
                if good is None or (self._patience > 1 and good.frame != name):
                    return
                row, rest = divmod(self._at - start, size)
                if rest or row > rows or good.frame != name:
                    self._few = True
                    break
            else:
                if row < rows:
                    yield Block(name, start + row * size, table.part(row, rows))
                    self._at = start + rows * size
                self._rows = min(self._rows * 4, CHUNK // size)
                self._few = False
                continue
            self._rows = FEW

    # -- the reader --------------------------------------------------------------------------------

    def _searched(self, patience: int | None = None) -> Iterator[Event]:
        """The reader's events from the current place on; the last one is a good frame that ends a row long enough, or the input ends."""
        reader, patience = self._reader, patience or self._patience
        here = self._at - self._base
        reader.restart(self._at, self._data[max(here - UNWRITTEN, 0) : here])
        fed, step, run = self._at, 2 * self._look + 1, 0
        last: Good | None = None
        while True:
            # A good frame is found as soon as all its bytes were fed, so nothing of one begins earlier than this.
            self._fill(max(self._at, fed - step - 2 * self._look), 2 * step + 2 * self._look)
            piece = self._data[fed - self._base : fed - self._base + step]
            if piece:
                reader.feed(piece)
            else:
                reader.close()
            fed += len(piece)
            for event in reader.events():
                self._at = event.offset + event.size
                yield event
                in_row = isinstance(event, Good) and last is not None and last.frame == event.frame
                run = run + 1 if in_row else int(isinstance(event, Good))
                last = event if isinstance(event, Good) else None
                if last is not None and run >= patience and last.frame in self._able:
                    return
            if not piece:
                return
            step = min(step * 2, 1 << 16)
