"""A schema that is pretended to come after the newest, so that every kept book is an older one with a step to take.

It does what a step may do: changes a table that others refer to (through sqlite-utils' transform), adds a table of
records with what refers to it, and an index.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager

import pytest
from sqlite_utils import Database, Migrations

from loadbook.store import migrations, steps

NUMBER = migrations.NEWEST + 1

_PART = "CREATE TABLE part ("
_DRAWING = "customer TEXT,\n  drawing TEXT CHECK (drawing <> ''),"
_TANK = """
CREATE TABLE quench_tank (
  quench_tank_id INTEGER PRIMARY KEY,
  quench_tank TEXT NOT NULL UNIQUE CHECK (quench_tank <> ''),
  furnace TEXT REFERENCES furnace (furnace),
  litres REAL CHECK (litres > 0),
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake
) STRICT;
CREATE INDEX part_material ON part (material);
"""


def _tanks(db: Database) -> None:
    text = db.table("part").schema
    assert text.startswith(_PART) and "customer TEXT,\n" in text
    steps.transform(db, "part", text.replace("customer TEXT,", _DRAWING))
    db.executescript(_TANK)


def _forget() -> None:
    migrations.expected.cache_clear()
    migrations.empty.cache_clear()


def pretend(changed: pytest.MonkeyPatch) -> None:
    """Make the program what it would be with that schema, until `changed` is undone (in a child: for good)."""
    later = Migrations(steps.STEPS.name)
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as conn:
        for step in steps.STEPS.pending(steps.database(conn)):
            later(name=step.name)(step.fn)
    later(name="tanks")(_tanks)
    changed.setattr(steps, "STEPS", later)
    changed.setattr(migrations, "NEWEST", NUMBER)
    _forget()


@contextmanager
def pretended() -> Iterator[None]:
    """The program with that schema."""
    with pytest.MonkeyPatch.context() as changed:
        pretend(changed)
        yield
    _forget()
