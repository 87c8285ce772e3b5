"""Rows as tables of an SQLite database (standard library): one table a kind of frame.

Two more tables say what the rows are: `_tables` (mission, frame, fingerprint, file) and `_columns` (path, unit, what a column holds);
no frame and no field has a name that begins so. Flags are 0 and 1. What would surprise a reader: numbers that may pass 2^63 - 1 are
decimal text in the whole column, as the database has no such integers; and -0.0 comes back as 0.0.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from packetkit.errors import InputError
from packetkit.export.sheet import Column

# SQLite's own bound, https://www.sqlite.org/limits.html, "Maximum Number Of Columns".
MOST_COLUMNS = 2_000

# Rows handed over at once.
ROWS = 4_096

_KINDS = {"double": "REAL", "flag": "INTEGER", "int32": "INTEGER", "int64": "INTEGER", "octets": "BLOB"}


class Database:
    """A new database in an empty file, which nobody else may see before `close`."""

    def __init__(self, path: str) -> None:
        self._connection = sqlite3.connect(path)
        # The file becomes visible only when it is whole, so a journal would guard nothing.
        self._connection.execute("PRAGMA journal_mode = OFF")
        self._connection.execute("PRAGMA synchronous = OFF")
        self._connection.execute(
            "CREATE TABLE _tables (table_name TEXT, mission TEXT, frame TEXT, fingerprint TEXT, file TEXT)"
        )
        self._connection.execute(
            "CREATE TABLE _columns (table_name TEXT, column_name TEXT, path TEXT, unit TEXT, holds TEXT)"
        )

    def table(self, name: str, columns: Sequence[Column], origin: Mapping[str, str]) -> Table:
        """Return a new table. Raises InputError for more columns than a database takes."""
        if len(columns) > MOST_COLUMNS:
            raise InputError(
                f"{name} has {len(columns):,} columns, and a table of SQLite at most {MOST_COLUMNS:,}; write Parquet instead"
            )
        name = f"_{name}" if name.startswith("sqlite_") else name  # such names are the database's own
        defined = ", ".join(f"{_quoted(one.title)} {_KINDS.get(one.holds, 'TEXT')}" for one in columns)
        self._connection.execute(f"CREATE TABLE {_quoted(name)} ({defined})")
        origins = [origin.get(key, "") for key in ("mission", "frame", "fingerprint", "file")]
        self._connection.execute("INSERT INTO _tables VALUES (?, ?, ?, ?, ?)", (name, *origins))
        about = [(name, one.title, one.path, one.unit, one.holds) for one in columns]
        self._connection.executemany("INSERT INTO _columns VALUES (?, ?, ?, ?, ?)", about)
        return Table(self._connection, name, columns)

    def close(self) -> None:
        """Make all rows lasting."""
        self._connection.commit()
        self._connection.close()


class Table:
    """One table being filled."""

    def __init__(self, connection: sqlite3.Connection, name: str, columns: Sequence[Column]) -> None:
        self._connection = connection
        self._insert = f"INSERT INTO {_quoted(name)} VALUES ({', '.join('?' * len(columns))})"
        # Which cells are written as text, whatever they are.
        self._texts = [
            number for number, one in enumerate(columns) if one.holds in ("text", "digits", "uint64")
        ]
        self._kept: list[list[Any]] = []

    def rows(self, rows: Iterable[Sequence[Any]]) -> None:
        """Take rows, a cell a column, None where there is nothing."""
        for row in rows:
            made = list(row)
            for number in self._texts:
                if isinstance(made[number], int):
                    made[number] = str(made[number])
            self._kept.append(made)
        if len(self._kept) >= ROWS:
            self._push()

    def _push(self) -> None:
        self._connection.executemany(self._insert, self._kept)
        self._kept = []

    def close(self) -> None:
        """Hand over what is kept."""
        self._push()


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
