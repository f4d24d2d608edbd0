"""What a book holds, as something that can be compared: every row of every table, every trace file, every part."""

from __future__ import annotations

import hashlib
import json
import sqlite3
import tempfile
import zipfile
from pathlib import Path
from typing import Any

from loadbook.core.writing import is_part
from loadbook.group.read import open_group
from loadbook.group.verify import verify_group
from loadbook.store.book import BookFolder
from loadbook.store.trace_files import checked

# rows that commands delete and make anew: their numbers say nothing
_NUMBERLESS = {"parameter", "finding", "answer_outcome", "seal"}
_NOT_COMPARED = {"revision": set(), "_sqlite_migrations": {"name"}}  # how often it was written to; when it was made


def of_file(file: Path) -> dict[str, list[str]]:
    """table -> its rows as texts, sorted; numbers of rows that are made anew left out."""
    conn = sqlite3.connect(file)
    try:
        found: dict[str, list[str]] = {}
        for (table,) in conn.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY 1").fetchall():
            info = conn.execute(f"PRAGMA table_info({table})").fetchall()
            columns = [r[1] for r in info if not (table in _NUMBERLESS and r[5])]
            columns = [c for c in columns if c in _NOT_COMPARED.get(table, {c})]
            if not columns:
                continue
            found[table] = sorted(ascii(row) for row in conn.execute(f"SELECT {', '.join(columns)} FROM {table}"))
        found["user_version"] = [str(conn.execute("PRAGMA user_version").fetchone()[0])]
        return found
    finally:
        conn.close()


def of_book(folder: Path) -> dict[str, Any] | None:
    """Rows, and the SHA-256 of every file below traces; None where there is no book."""
    if not (folder / "book.sqlite").is_file():
        return None
    state: dict[str, Any] = dict(of_file(folder / "book.sqlite"))
    state["files"] = sorted(
        f"{p.relative_to(folder).as_posix()} {hashlib.sha256(p.read_bytes()).hexdigest()}"
        for p in (folder / "traces").rglob("*")
        if p.is_file() and not is_part(p)
    )
    return state


def of_backup(file: Path) -> dict[str, Any] | None:
    """What a backup would restore; None where there is no file of that name."""
    if not file.is_file():
        return None
    if not zipfile.is_zipfile(file):
        return {"no archive": [str(file.stat().st_size)]}
    with tempfile.TemporaryDirectory() as folder, zipfile.ZipFile(file) as archive:
        archive.extractall(folder)
        (Path(folder) / "traces").mkdir(exist_ok=True)
        return of_book(Path(folder))


def traces(folder: Path) -> list[str]:
    """The path and SHA-256 of every current trace, as readers of the book find its bytes."""
    with BookFolder.open(folder) as book:
        rows = book.read().execute("SELECT * FROM trace WHERE state = 'current' ORDER BY path").fetchall()
        return [f"{r['path']} {hashlib.sha256(checked(book, r)).hexdigest()}" for r in rows]


def of_group(target: Path) -> dict[str, Any] | None:
    """What each plant's current publication says and names, every file read; None where nothing was published."""
    if not target.exists():
        return None
    found = verify_group(str(target))
    if found.wrong:
        return {"wrong": found.wrong}
    state = {}
    for plant in open_group(str(target)).plants:
        manifest = plant.current.manifest
        named = [f"{e.path} {e.sha256}" for name in sorted(manifest.parts) for e in manifest.entries([name])]
        state[plant.name] = [json.dumps(manifest.head, sort_keys=True), *named]
    return state


def whole_files(place: Path) -> list[str]:
    """The name and SHA-256 of a file, or of every file below a folder; what is half written left out."""
    files = [place] if place.is_file() else sorted(p for p in place.rglob("*") if p.is_file() and not is_part(p))
    return [f"{p.name} {hashlib.sha256(p.read_bytes()).hexdigest()}" for p in files]


def parts(folder: Path) -> list[str]:
    """Unfinished files of killed commands, anywhere below a folder."""
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if is_part(p))
