"""The triggers of a book, made from its tables' own columns.

Accepted values are never overwritten: an update needs an amendment that says the same value, and a row is never
deleted. What commands compute anew (`finding`, `answer_outcome`, parameters from a trace, the checksums) is left out.
Every change of a row is counted (revision.py), whoever makes it and with whatever program.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sqlite_utils import Database

_COMPUTED = {"finding", "answer_outcome", "seal"}
_UNCHANGING = {"intake", "amendment", "chain"}  # records of what was done: not even an amendment changes them
_OUTSIDE = {"revision", "_sqlite_migrations"}  # neither guarded nor counted
_ONLY = {"parameter": "(OLD.source = 'stated' OR OLD.intake_id IS NOT NULL)"}  # the other rows are computed
_REFUSED = {"setting": "settings are changed with: loadbook amend settings"}


def wanted(db: Database) -> dict[str, str]:
    """Name -> SQL of every trigger that the tables of a database want."""
    return {name: sql for table, columns in _tables(db).items() for name, sql in _of(table, columns)}


def restore(db: Database) -> None:
    """Give every table its triggers, where it lacks them or has others under their names."""
    has, wants = db.triggers_dict, wanted(db)
    for name, sql in wants.items():
        if has.get(name) != sql:
            db.execute(f"DROP TRIGGER IF EXISTS {name}")
            db.execute(sql)
    for table in _tables(db):
        db.execute("INSERT OR IGNORE INTO revision (name, number, token) VALUES (?, 0, '')", [table])


def _tables(db: Database) -> dict[str, list[str]]:
    """Name -> columns of every table that is guarded, its key first."""
    found: dict[str, list[str]] = {}
    for table, column in db.execute(
        "SELECT t.name, c.name FROM sqlite_schema AS t, pragma_table_info(t.name) AS c WHERE t.type = 'table'"
        " AND t.name NOT LIKE 'sqlite~_%' ESCAPE '~' ORDER BY t.rowid, c.pk = 0, c.cid"
    ):
        if table not in _OUTSIDE:
            found.setdefault(table, []).append(column)
    return found


def _of(name: str, columns: list[str]) -> Iterator[tuple[str, str]]:
    if name in _UNCHANGING:
        text = f"{name} is a record of what was done and is never changed"
        yield _refusing(f"{name}_kept", f"BEFORE UPDATE ON {name}", text)
        yield _refusing(f"{name}_stays", f"BEFORE DELETE ON {name}", text)
    elif name not in _COMPUTED:
        only = _ONLY.get(name)
        text = _REFUSED.get(name, f"accepted values of {name} are changed with: loadbook amend")
        changed = _unamended(name, *columns)
        when = f"\nWHEN {only} AND ({changed})" if only else f"\nWHEN {changed}"
        yield _refusing(f"{name}_kept", f"BEFORE UPDATE ON {name}{when}", text)
        text = f"rows of {name} are never deleted; amend them instead"
        yield _refusing(f"{name}_stays", f"BEFORE DELETE ON {name}" + (f"\nWHEN {only}" if only else ""), text)
    for event in ("INSERT", "UPDATE", "DELETE"):
        made = f"{name}_counts_{event.lower()}"
        counts = f"UPDATE revision SET number = number + 1 WHERE name = '{name}'"
        yield made, f"CREATE TRIGGER {made} AFTER {event} ON {name}\nBEGIN\n  {counts};\nEND"


def _refusing(name: str, event: str, text: str) -> tuple[str, str]:
    return name, f"CREATE TRIGGER {name} {event}\nBEGIN\n  SELECT RAISE(ABORT, '{text}');\nEND"


def _unamended(table: str, key: str, *columns: str) -> str:
    """True of an update that changes the row's number, or a value into one that no amendment gave it last."""
    amended = "\n    AND\n".join(
        f"    (OLD.{c} IS NEW.{c} OR quote(NEW.{c}) IS (SELECT new_value FROM amendment WHERE kind = '{table}'\n"
        f"      AND row_id = OLD.{key} AND column_name = '{c}' ORDER BY amendment_id DESC LIMIT 1))"
        for c in columns
    )
    return f"OLD.{key} IS NOT NEW.{key} OR NOT (\n{amended})"
