"""Writes schema/current.sql anew: python -m tests.dump_schema"""

from __future__ import annotations

import sqlite3

from loadbook.store import migrations
from loadbook.store.sql_files import shipped

if __name__ == "__main__":
    conn = sqlite3.connect(":memory:", isolation_level=None)
    migrations.apply(conn)
    (shipped("schema") / "current.sql").write_text(migrations.dump(conn), encoding="utf-8")
