"""Rows as typed tables in files: Arrow's own format and Parquet, with the library pyarrow (extra `tables`).

One table holds frames of one kind. Its schema's metadata say where it comes from (mission, frame, fingerprint, file), each column's its
unit; a state is its name, and rows that are not ok are null. What would surprise a reader: whole numbers beyond 64 bits are decimal
text, as no type holds them; and that a piece is written by a second thread while the next one is made, one at a time, because the library
writes outside the interpreter's lock. What writing raises comes with the next piece, or at the end.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, BinaryIO

from packetkit.codec.bulk.arrow import arrow, kind
from packetkit.export.sheet import Column

FORMS = ("arrow", "parquet")

# Rows kept until they are written in one piece: a reader of Parquet skips whole pieces, and small ones cost it more than they save.
ROWS = 1 << 16


class Table:
    """One table being written to a stream; `close` makes it whole."""

    def __init__(
        self, form: str, stream: BinaryIO, columns: Sequence[Column], origin: Mapping[str, str]
    ) -> None:
        pa = arrow()
        fields = [
            pa.field(one.title, kind(one.holds), metadata={"unit": one.unit} if one.unit else None)
            for one in columns
        ]
        self._columns = columns
        self.schema = pa.schema(fields, metadata=dict(origin))
        self._kept: list[Sequence[Any]] = []
        self._tables: list[Any] = []
        self._waiting = 0
        self._writer = _writer(form, stream, self.schema)
        self._hand = ThreadPoolExecutor(1)
        self._writing: Future[None] | None = None

    def rows(self, rows: Iterable[Sequence[Any]]) -> None:
        """Take rows, a cell a column, None where there is nothing."""
        self._kept += rows
        if len(self._kept) >= ROWS:
            self._push()

    def batch(self, table: Any) -> None:
        """Take rows as a table of this schema."""
        self._gather()
        self._tables.append(table)
        self._waiting += table.num_rows
        if self._waiting >= ROWS:
            self._push()

    def _gather(self) -> None:
        """Make a table of the rows that are kept one by one."""
        if not self._kept:
            return
        pa = arrow()
        cells = zip(*self._kept, strict=True)
        arrays = [
            pa.array([_plain(one.holds, value) for value in column], kind(one.holds))
            for one, column in zip(self._columns, cells, strict=True)
        ]
        self._tables.append(pa.Table.from_arrays(arrays, schema=self.schema))
        self._waiting += len(self._kept)
        self._kept = []

    def _push(self) -> None:
        """Write what waits as one piece."""
        self._gather()
        if self._tables:
            self._wait()
            self._writing = self._hand.submit(self._write, self._tables)
            self._tables, self._waiting = [], 0

    def _write(self, tables: list[Any]) -> None:
        whole = arrow().concat_tables(tables)
        self._writer.write(whole.combine_chunks() if len(tables) > 1 else whole)

    def _wait(self) -> None:
        """Wait for the piece that is being written; raise what writing it raised."""
        if self._writing is not None:
            writing, self._writing = self._writing, None
            writing.result()

    def close(self) -> None:
        """Write what is kept, and the end of the file."""
        try:
            self._push()
            self._wait()
        finally:
            self._hand.shutdown()
        self._writer.close()


def _plain(holds: str, value: Any) -> Any:
    """A cell in the form in which its column takes it: a code without a name, and a number without a type, is its digits."""
    is_number = holds in ("text", "digits") and isinstance(value, int)
    return str(value) if is_number else value


def _writer(form: str, stream: BinaryIO, schema: Any) -> Any:
    if form == "parquet":
        from pyarrow import parquet

        return parquet.ParquetWriter(stream, schema)
    from pyarrow import ipc

    return ipc.new_file(stream, schema)
