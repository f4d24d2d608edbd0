"""Layouts kept in the book: one name per recorder, a new revision with every change, none ever lost."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, replace
from pathlib import Path

from loadbook.core.errors import LoadbookError, NotFoundError, UsageError
from loadbook.core.outside import LARGEST_TEXT, read_file
from loadbook.core.phrases import did_you_mean
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake

from .layout import Layout, from_toml


@dataclass(frozen=True)
class KeptLayout:
    """A layout with the place it was found in: 'NAME revision N', or a file's name."""

    layout: Layout
    label: str
    text: str


def kept_layout(conn: sqlite3.Connection, name: str) -> KeptLayout:
    """The newest revision of a layout. Raises NotFoundError with the nearest name."""
    row = conn.execute("SELECT * FROM layout WHERE name = ? ORDER BY revision DESC LIMIT 1", (name,)).fetchone()
    if row is None:
        names = [r[0] for r in conn.execute("SELECT DISTINCT name FROM layout ORDER BY name")]
        known = did_you_mean(name, names).strip() or (f"Kept are: {', '.join(names)}" if names else "")
        raise NotFoundError(
            f"the book has no layout {name!r}",
            remedy=known or "Keep one with: loadbook trace layout save NAME FILE",
        )
    label = f"{row['name']} revision {row['revision']}"
    return KeptLayout(from_toml(row["text"], where=f"layout {label}"), label, row["text"])


def find_layout(conn: sqlite3.Connection | None, named: str) -> KeptLayout:
    """A layout by name, or from a TOML file where the name ends in .toml."""
    if named.endswith(".toml"):
        path = Path(named)
        try:
            text = read_file(path, LARGEST_TEXT).decode("utf-8-sig")
        except UnicodeDecodeError as exc:
            raise LoadbookError("the layout file is not UTF-8 text", where=named, remedy="Save it as UTF-8") from exc
        return KeptLayout(from_toml(text, where=path.name), path.name, text)
    if conn is None:
        raise UsageError(
            f"layout {named!r} is kept in a book, and there is none here", remedy="Name it with --book FOLDER"
        )
    return kept_layout(conn, named)


def save_layout(book: BookFolder, layout: Layout, name: str) -> tuple[int, bool]:
    """Keep a layout under a name. Returns (revision, whether it is new); the same layout again adds nothing."""
    if not name.strip() or name != name.strip() or name.endswith(".toml"):
        raise UsageError(f"{name!r} cannot name a layout", remedy="Use a short name, such as the recorder's")
    text = replace(layout, name=name).to_toml()
    from_toml(text)  # what is kept can be read back
    with book.write() as conn:
        row = conn.execute(
            "SELECT revision, text FROM layout WHERE name = ? ORDER BY revision DESC LIMIT 1", (name,)
        ).fetchone()
        if row is not None and row["text"] == text:
            return int(row["revision"]), False
        revision = int(row["revision"]) + 1 if row is not None else 1
        rows = {"layout": [{"name": name, "revision": revision, "text": text}]}
        add_intake(conn, "layouts", rows, rows_read=1)
    return revision, True
