"""The steps of the schema, as sqlite-utils keeps and carries them out: forward only, never edited once released.

Tables are written in SQL (schema/migrations/NNNN_name.sql): sqlite-utils' own `create` knows no CHECK and no UNIQUE,
and books are compared with the program word for word, which must not depend on how the installed sqlite-utils words
a table. A file there is a step. Triggers are made from the columns, after every step (guards.py).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

from loadbook.core.errors import LoadbookError

from . import derived_checksum, guards
from .sql_files import migration_files
from .sqlite_tools import Database, Migrations

STEPS = Migrations("loadbook")

_APPLIED = """CREATE TABLE _sqlite_migrations (
  id INTEGER PRIMARY KEY,
  migration_set TEXT NOT NULL,
  name TEXT NOT NULL,
  applied_at TEXT NOT NULL,
  UNIQUE (migration_set, name)
) STRICT"""


# what a step does beside the statements of its file, by the file's name; `transform` is there for a table that changes
_BESIDE: dict[str, Callable[[Database], None]] = {
    "0001_book": lambda db: derived_checksum.everything(db.conn),
}


def database(conn: sqlite3.Connection) -> Database:
    """A connection (in autocommit mode) as sqlite-utils wants it, without what plugins on this machine would add."""
    return Database(conn, execute_plugins=False, strict=True)


def names(db: Database) -> list[str]:
    """Names of all steps, those that a database has had first."""
    return [s.name for s in STEPS.applied(db)] + [s.name for s in STEPS.pending(db)]


def apply_one(db: Database, number: int) -> str:
    """Apply the step of a number, which has to be the next one, in the transaction that is open; give back its name."""
    if not db[STEPS.migrations_table].exists():
        db.execute(_APPLIED)
    had, pending = len(STEPS.applied(db)), [s.name for s in STEPS.pending(db)]
    if had != number - 1 or not pending:
        raise LoadbookError(
            f"the book's number says that it has had {number - 1} steps of its schema, its list names {had}",
            remedy="Restore it from a backup",
        )
    STEPS.apply(db, stop_before=pending[1:])
    guards.restore(db)
    return str(pending[0])


def transform(db: Database, table: str, text: str, **changes: Any) -> None:
    """sqlite-utils' transform of a table, with our wording of what becomes of it.

    text     CREATE TABLE of the new table;  changes  what `transform` takes: rename, drop, ... (a new column: nothing)
    """
    _, *rest = db.table(table).transform_sql(tmp_suffix="next", **changes)
    made = text.replace(f"CREATE TABLE {table} ", f"CREATE TABLE {table}_new_next ", 1)
    for statement in (made, *rest):
        db.execute(statement)


def _add(file: Path) -> None:
    @STEPS(name=file.stem.partition("_")[2])
    def step(db: Database) -> None:
        """Every statement of the file, in the transaction that is open; each ends at the end of a line."""
        statement = ""
        for line in file.read_text(encoding="utf-8").splitlines(keepends=True):
            statement += line
            if line.rstrip().endswith(";") and sqlite3.complete_statement(statement):
                db.execute(statement)
                statement = ""
        if file.stem in _BESIDE:
            _BESIDE[file.stem](db)


for _file in migration_files():
    _add(_file)
