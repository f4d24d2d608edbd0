"""Writes schema/current.sql anew: python -m tests.dump_schema"""

from __future__ import annotations

import sqlite3

from loadbook.keep import migrate
from loadbook.keep.datafiles import shipped

if __name__ == "__main__":
    conn = sqlite3.connect(":memory:", isolation_level=None)
    migrate.apply(conn)
    (shipped("schema") / "current.sql").write_text(migrate.dump(conn), encoding="utf-8")
