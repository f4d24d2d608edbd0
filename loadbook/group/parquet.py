"""Rows as the bytes of a Parquet file, the same for the same rows; and a digest of the rows themselves.

The digest says whether anything changed without writing a file: the bytes also depend on the engine's version.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from typing import Any

from loadbook.core.errors import DamageError, LoadbookError
from loadbook.store import session_copy
from loadbook.store.engine import engine, quoted
from loadbook.store.handed import Handed

PLANT = "plant"
_FIGURES = ("channel", "t_s", "value", "flag")  # columns of a trace's file that hold no text
_FIGURE = re.compile(r"U?(TINY|SMALL|BIG)?INT(EGER)?|DOUBLE|FLOAT")  # and their types


def content_of(columns: Mapping[str, str], rows: Sequence[Sequence[Any]]) -> str:
    """SHA-256 of a table's columns, types and rows, in order."""
    digest = hashlib.sha256(json.dumps(list(columns.items())).encode())
    for row in rows:
        digest.update(json.dumps(list(row), ensure_ascii=True, separators=(",", ":")).encode() + b"\n")
    return digest.hexdigest()


class Parquet:
    """Makes Parquet files of rows, one after the other, in one engine on one thread: the same rows, the same bytes."""

    def __init__(self) -> None:
        self._connection = engine(threads=1)
        self._handed = Handed(self._connection)
        self._connection.execute("SET TimeZone = 'UTC'")
        self._connection.execute("SET pandas_analyze_sample = 0")

    def bytes_of(self, columns: Mapping[str, str], rows: Sequence[tuple[Any, ...]], plant: str) -> bytes:
        """The bytes of a file of these rows, with a first column that names their plant.

        columns  name -> engine type;  rows  values as SQLite gives them (moments as UTC text)
        Raises   DamageError where a value is not of its type; LoadbookError where the engine refuses
        """
        import duckdb

        try:
            self._connection.execute("DROP TABLE IF EXISTS rows")
            session_copy.create(self._connection, "rows", dict(columns))
            if rows:
                session_copy.insert(self._connection, "rows", dict(columns), list(zip(*rows, strict=True)))
            return self._handed.parquet(self._connection, f"SELECT {quoted(plant)} AS {PLANT}, * FROM rows")
        except duckdb.Error as exc:
            raise LoadbookError(f"the rows could not be written: {str(exc).splitlines()[0]}") from exc

    def texts_of_trace(self, data: bytes) -> dict[str, set[Any]]:
        """Column -> its distinct values, of every column of a trace's file but its figures. Raises DamageError."""
        import duckdb

        types = ", ".join(f"typeof({name})" for name in _FIGURES)
        try:
            with self._handed.whole(data) as handed:
                found = self._connection.execute(
                    f"SELECT DISTINCT * EXCLUDE ({', '.join(_FIGURES)}), {types}"
                    f" FROM read_parquet('{handed}', hive_partitioning = false)"
                )
                names = [str(d[0]) for d in found.description or []]
                columns = dict(zip(names, map(set, zip(*found.fetchall(), strict=True)), strict=False))
        except duckdb.Error as exc:
            raise DamageError(f"the trace file cannot be read: {str(exc).splitlines()[0]}") from exc
        kinds = {x for name in names[-len(_FIGURES) :] for x in columns.pop(name, ())}
        if not all(_FIGURE.fullmatch(x) for x in kinds):
            raise DamageError("the trace file holds texts in the place of figures")
        return columns

    def __enter__(self) -> Parquet:
        return self

    def __exit__(self, *_: object) -> None:
        self._connection.close()
