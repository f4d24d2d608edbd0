"""Starting the query engine (DuckDB), always in memory."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from loadbook.core.writing import spill

if TYPE_CHECKING:
    import duckdb
    import pandas as pd


def engine(**settings: Any) -> duckdb.DuckDBPyConnection:
    """An engine of its own, with DuckDB's settings by name.

    What its memory cannot hold goes among the system's temporary files, under a name that nobody can have foreseen;
    where there can be none, a query that needs them ends with an error.
    Left to itself it would write into `.tmp` of the current folder, which may be a stranger's book.
    """
    import duckdb

    return duckdb.connect(":memory:", config={"temp_directory": spill(), **settings})


def lock(connection: duckdb.DuckDBPyConnection, files: Iterable[str] = ()) -> None:
    """Leave nothing to read but what is in the engine, and these files; for good. Before a stranger's words run."""
    listed = ", ".join("'" + f.replace("'", "''") + "'" for f in files)
    for setting in (f"allowed_paths = [{listed}]", "enable_external_access = false", "lock_configuration = true"):
        connection.execute(f"SET {setting}")


def frame_of(connection: duckdb.DuckDBPyConnection, sql: str, parameters: Any = None) -> pd.DataFrame:
    """The rows of a query as `.df()` gives them, a quarter of its time where they are texts.

    Both engines keep texts as Arrow does; `.df()` makes an object of each on the way.
    """
    import pandas as pd

    rows = connection.sql(sql, params=parameters or None)
    if not {str(kind) for kind in rows.types} <= {"VARCHAR", "DOUBLE", "TIMESTAMP", "BOOLEAN", "BIGINT"}:
        whole: pd.DataFrame = rows.df()
        return whole
    columns = {}
    for name, column in zip(rows.columns, (table := rows.to_arrow_table()).columns, strict=True):
        kind = str(column.type)
        if kind == "string" and column.null_count == len(column):
            columns[name] = pd.Series([None] * len(column), dtype=object)
        elif column.null_count and kind in ("bool", "int64"):
            nullable = pd.BooleanDtype() if kind == "bool" else pd.Int64Dtype()
            columns[name] = column.to_pandas(types_mapper=lambda _, to=nullable: to)
        else:
            columns[name] = column.to_pandas()
    return pd.DataFrame(columns, index=pd.RangeIndex(table.num_rows))
