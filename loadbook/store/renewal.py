"""The kept view `movement` after its tables changed: computed anew for the part numbers that a changed row touches,
the other rows taken over.

All that the view says of a part number rests on rows that name it, and on rows that those name (_TOUCHES). Which rows
changed, the files tell of which the snapshot's parts consist: those that the view was made of against those of now.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from . import snapshot, sql_files
from .engine import engine
from .handed import Handed

if TYPE_CHECKING:
    import duckdb

VIEW = "movement"
LEAST = 500_000  # bytes of the kept view from which it is worth it
_OWN = ("reading", "piece", "operation", "characteristic", "part")  # tables whose rows name a part number
_HOLDING = " UNION ALL ".join(
    f"SELECT part FROM all_{t} WHERE run IN ({{}})" for t in ("piece", "operation", "reading")
)

# table -> the part numbers that its changed rows touch; all_TABLE has the rows of now
_TOUCHES = {table: f"SELECT part FROM changed_{table}" for table in _OWN} | {
    "run": _HOLDING.format(*3 * ["SELECT run FROM changed_run"]),
    "furnace": _HOLDING.format(*3 * ["SELECT run FROM all_run SEMI JOIN changed_furnace USING (furnace)"]),
    "cycle": _HOLDING.format(*3 * ["SELECT run FROM all_run SEMI JOIN changed_cycle USING (cycle)"]),
    "confirmation": "SELECT part FROM all_reading SEMI JOIN changed_confirmation USING (reading_id)",
    "gauge": "SELECT part FROM all_reading SEMI JOIN changed_gauge USING (gauge)",
    "material": "SELECT part FROM all_part SEMI JOIN changed_material USING (material)",
    "job": "SELECT part FROM all_piece SEMI JOIN changed_job USING (job)",
}


def renewed(kept: bytes, before: Mapping[str, Sequence[str]], now: Mapping[str, Sequence[str]],
            data: Mapping[str, bytes]) -> bytes | None:  # fmt: skip
    """The view of now as a file; None where it is better computed whole.

    kept  the view as it was;  before, now  table -> the files of its rows then and now;  data  file -> its bytes
    """
    import duckdb

    tables, makers = sql_files.closure({VIEW})
    if len(kept) < LEAST or set(tables) != _TOUCHES.keys():
        return None
    with contextlib.suppress(duckdb.Error), engine(python_enable_replacements="false") as connection:
        connection.execute("SET TimeZone = 'UTC'")
        handed = Handed(connection)
        for table in tables:
            _place(connection, handed, f"all_{table}", [data[f] for f in now[table]])
            _changed(connection, handed, table, [[data[f] for f in one if f not in other] for one, other in (
                (before[table], now[table]), (now[table], before[table]))])  # fmt: skip
        every = " UNION ALL ".join(_TOUCHES[table] for table in tables)
        connection.execute(f"CREATE TABLE touched AS SELECT DISTINCT part FROM ({every}) WHERE part IS NOT NULL")
        (few,) = connection.execute("SELECT 2 * (FROM touched SELECT count(*)) < count(*) FROM all_part").fetchall()[0]
        if not few:
            return None
        for table in tables:
            kind, some = ("TABLE", " SEMI JOIN touched USING (part)") if table in _OWN else ("VIEW", "")
            connection.execute(f'CREATE {kind} "{table}" AS FROM all_{table}{some}')
        sql_files.make(connection, makers)
        _place(connection, handed, "kept", [kept])
        described = [connection.execute(f"DESCRIBE {name}").fetchall() for name in ("kept", VIEW)]
        if [c[:2] for c in described[0]] == [c[:2] for c in described[1]]:
            return handed.parquet(connection, f"FROM kept ANTI JOIN touched USING (part) UNION ALL FROM {VIEW}")
    return None


def _place(connection: duckdb.DuckDBPyConnection, handed: Handed, name: str, parts: Sequence[bytes]) -> None:
    import duckdb

    if not snapshot.place(connection, handed, name, parts):
        raise duckdb.Error


def _changed(
    connection: duckdb.DuckDBPyConnection, handed: Handed, table: str, parts: Sequence[Sequence[bytes]]
) -> None:
    """The table changed_TABLE: rows that are gone and rows that are new; one that changed is both.

    parts  of its files those that are gone, and those that are new
    """
    for name, files in zip(("gone", "new"), parts, strict=True):
        if files:
            _place(connection, handed, name, files)
        else:
            connection.execute(f"CREATE OR REPLACE VIEW {name} AS FROM all_{table} LIMIT 0")
    both = " UNION ALL ".join(f"(FROM {a} EXCEPT ALL FROM {b})" for a, b in (("gone", "new"), ("new", "gone")))
    connection.execute(f"CREATE TABLE changed_{table} AS {both}")
