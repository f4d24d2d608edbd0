"""Starting the query engine (DuckDB), always in memory."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from loadbook.core.writing import spill

if TYPE_CHECKING:
    import duckdb


def engine(**settings: Any) -> duckdb.DuckDBPyConnection:
    """An engine of its own, with DuckDB's settings by name.

    What its memory cannot hold goes among the system's temporary files, under a name that nobody can have foreseen;
    where there can be none, a query that needs them ends with an error.
    Left to itself it would write into `.tmp` of the current folder, which may be a stranger's book.
    """
    import duckdb

    return duckdb.connect(":memory:", config={"temp_directory": spill(), **settings})


def quoted(text: str) -> str:
    """A text as a SQL literal."""
    return "'" + text.replace("'", "''") + "'"
