"""What an amendment's words mean: column=value as typed, checked like the same column of an intake file."""

from __future__ import annotations

import sqlite3
from typing import Any
from zoneinfo import ZoneInfo

from loadbook.core import money
from loadbook.core.errors import IntakeError, LoadbookError, UsageError
from loadbook.core.phrases import did_you_mean
from loadbook.core.times import zone_of
from loadbook.core.vocabulary.intake_kinds import BY_KIND
from loadbook.core.vocabulary.scales import scale_of, turned
from loadbook.store.book import NUMBERS, number_setting
from loadbook.store.lookup import Listed, find_row

from .rows import READ, Refused, Rows, converter

# kinds that come in another way than by intake files, and the columns of them that may be amended
_OTHER: dict[str, tuple[str, ...]] = {"traces": ("state",), "confirmations": ("decision",), "settings": ("value",)}


def changed_values(
    conn: sqlite3.Connection, target: Listed, row: sqlite3.Row, given: dict[str, str], zone: ZoneInfo
) -> dict[str, Any]:
    """Column -> new value in the unit kept inside. Raises UsageError, LoadbookError."""
    if target.kind == "cycles" or target.table in ("cycle_segment", "cycle_limit"):
        raise UsageError("a cycle is never edited once it is in the book", remedy="Take in a new revision of it")
    if target.kind in _OTHER:
        unknown = [name for name in given if name not in _OTHER[target.kind]]
        if unknown:
            raise UsageError(
                f"{unknown[0]} of {target.kind} is not amended", remedy="Only: " + ", ".join(_OTHER[target.kind])
            )
        if target.kind == "settings":
            _setting(str(row["name"]), given["value"])
        return dict(given)
    if target.kind not in BY_KIND:
        raise UsageError(f"{target.kind} are never amended", remedy="They record what was done")
    kind = BY_KIND[target.kind]
    spellings = {name: (column, unit) for column in kind.columns for name, unit in column.spellings()}
    changes: dict[str, Any] = {}
    for name, text in given.items():
        if name not in spellings:
            hint = did_you_mean(name, list(spellings))
            raise UsageError(
                f"{kind.kind} has no column {name!r}",
                remedy=hint + "Columns: " + ", ".join(c.name for c in kind.columns),
            )
        column, unit = spellings[name]
        if not text.strip():
            if column.required:
                raise UsageError(f"{name} is required and cannot be emptied")
            changes[column.name] = None
            continue
        try:
            changes[column.name] = converter(column, unit, zone)(text.strip())
        except Refused as exc:
            raise UsageError(f"{name}={text}: {exc.what}", remedy=exc.remedy) from exc
        if column.scales and unit:
            changes[column.name] = _on_its_scale(conn, row, name, unit, changes[column.name])
        if column.refers:
            table, other = column.refers
            refers_to = Listed(table + "s", table, (other,))
            try:
                find_row(conn, refers_to, str(changes[column.name]))
            except LoadbookError as exc:
                raise LoadbookError(f"{name}={text}: {exc.what}", remedy=exc.remedy) from exc
    return changes


def _on_its_scale(conn: sqlite3.Connection, row: sqlite3.Row, name: str, unit: str, value: float) -> float:
    """A reading under a name that states a scale, in the unit of its characteristic. Raises UsageError."""
    kept = conn.execute(
        "SELECT unit FROM characteristic WHERE part = ? AND characteristic = ?", (row["part"], row["characteristic"])
    ).fetchone()[0]
    found = turned(value, scale_of(unit) or unit, scale_of(kept) or "")
    if found is None:
        raise UsageError(f"{row['characteristic']} is kept in {kept or 'mm'}: {name} is not turned into it",
                         remedy=f"Give value= in {kept}" if kept else "Give value_mm=")  # fmt: skip
    return found


def question_reading(
    conn: sqlite3.Connection, row: sqlite3.Row, given: dict[str, str], changes: dict[str, Any]
) -> None:
    """Stop at an amended reading that looks like a slip. Raises IntakeError, UsageError (no such characteristic)."""
    kind = BY_KIND["readings"]
    values = {c.name: [changes.get(c.name, row[c.name])] for c in kind.columns}
    if not any(name in changes for name in (*READ, "stage", "characteristic")) or values["value_mm"] == values["value"]:
        return
    part, asked = values["part"][0], values["characteristic"][0]
    names = [r[0] for r in conn.execute("SELECT characteristic FROM characteristic WHERE part = ?", (part,))]
    if asked not in names:
        raise UsageError(f"part {part} has no characteristic {asked!r}",
                         remedy=did_you_mean(asked, names) + "It has: " + (", ".join(names) or "none"))  # fmt: skip
    spellings = {name: (c.name, unit) for c in kind.columns for name, unit in c.spellings()}
    rows = Rows(kind, "as typed", [1], values, by_line=False)
    for name, text in given.items():
        column, unit = spellings[name]
        if column in READ:
            rows.headers[column], rows.cells[column] = (name, unit), [text]
    from .doubts import question_readings  # it loads numpy

    question_readings(conn, rows, without=row["reading_id"])
    if rows.problems:
        raise IntakeError("the reading would look like a slip", rows.problems, remedy="Nothing was amended")


def _setting(name: str, value: str) -> None:
    """Refuse a setting's value that no command could use. Raises UsageError."""
    if name == "zone":
        zone_of(value)
        return
    choices = {"units": ("si", "us"), "guard_decides": ("yes", "no")}
    if name in choices:
        if value not in choices[name]:
            raise UsageError(f"{name} is {' or '.join(choices[name])}, not {value!r}")
        return
    if name == money.SETTING:
        money.price(value)
        return
    if name.startswith("shop_"):
        raise UsageError(f"{name} is not amended by hand", remedy="Change it with: loadbook shop")
    if name not in NUMBERS:
        raise UsageError(f"{name} is never amended", remedy="It records what was done")
    number_setting(name, value)
