"""What a row means beside the book: references, keys, and the columns that other records settle."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable
from typing import Any

from loadbook.ground import units
from loadbook.ground.errors import Problem, UsageError
from loadbook.ground.kinds import FORM_KINDS, Kind
from loadbook.ground.vocabulary import nearest

from .rows import Rows

_ORDERED = (
    ("lower_mm", "upper_mm", "the lower limit is above the upper one"),
    ("section_thin_mm", "section_thick_mm", "the thinnest section is thicker than the thickest"),
    ("started", "ended", "the run ends before it starts"),
    ("done_on", "due_on", "the next check is due before this one was done"),
    ("calibrated_on", "valid_until", "the calibration ends before it was made"),
)
_DIFFERENCES = re.compile(r"spread|lead|overshoot|scatter|lag|_se_")


def known_values(conn: sqlite3.Connection, table: str, column: str) -> set[Any]:
    """Every value that a column of the book holds."""
    return {r[0] for r in conn.execute(f"SELECT DISTINCT {column} FROM {table} WHERE {column} IS NOT NULL")}


def problem(rows: Rows, name: str, index: int, what: str, column: str, value: Any, mend: str | None) -> None:
    """Refuse one row for what stands in one of its columns."""
    shown = None if value is None else str(value)[:80]
    rows.refuse(index, Problem(what, name, rows.lines[index], column, shown, mend))


def settle(conn: sqlite3.Connection, rows: Rows, name: str) -> None:
    """Check the rows of one file against the book and fill in what other records settle.

    rows are changed in place; every fault is refused with its line. name is the file's, for the messages.
    """
    _order(rows, name)
    special = _SPECIAL.get(rows.kind.kind)
    if special is not None:
        special(conn, rows, name)
    _references(conn, rows, name)


def _order(rows: Rows, name: str) -> None:
    for low, high, what in _ORDERED:
        if rows.kind.column(low) is None or rows.kind.column(high) is None:
            continue
        for i, row in enumerate(rows.values):
            if row.get(low) is not None and row.get(high) is not None and row[low] > row[high]:
                problem(rows, name, i, what, high, row[high], f"{low} is {row[low]}")


def _references(conn: sqlite3.Connection, rows: Rows, name: str) -> None:
    for column in rows.kind.columns:
        if column.refers is None:
            continue
        table, other = column.refers
        known: set[Any] | None = None
        for i, row in enumerate(rows.values):
            value = row.get(column.name)
            if value is None or i in rows.bad:
                continue
            if known is None:
                known = known_values(conn, table, other)
                if table == rows.kind.table:  # a run may repeat another of the same file
                    known |= {r.get(other) for r in rows.values}
            if value not in known:
                close = nearest(str(value), [str(k) for k in known]) if len(known) < 20_000 else None
                mend = f"Did you mean {close!r}? " if close else ""
                mend += f"Take in {_files(table)} first, or correct it"
                problem(rows, name, i, f"there is no {table} of that name in the book", column.name, value, mend)


def _files(table: str) -> str:
    return {"material": "materials", "gauge": "gauges", "furnace": "furnaces"}.get(table, f"{table}s")


def _runs(conn: sqlite3.Connection, rows: Rows, name: str) -> None:
    """Settle the cycle's revision: stated, or the only one the book has."""
    revisions: dict[str, list[str]] = {}
    for cycle, revision in conn.execute("SELECT cycle, revision FROM cycle ORDER BY cycle_id"):
        revisions.setdefault(cycle, []).append(revision)
    for i, row in enumerate(rows.values):
        cycle, revision = row.get("cycle"), row.get("cycle_revision")
        if cycle in (None, "-"):
            row["cycle"] = None
            if revision is not None:
                problem(rows, name, i, "a revision without a cycle", "cycle_revision", revision, "Name the cycle")
            continue
        known = revisions.get(cycle)
        if known is None:
            close = nearest(cycle, list(revisions))
            hint = f"Did you mean {close!r}? " if close else ""
            mend = hint + "Take in its TOML file first (loadbook take cycles FILE), or write '-' for none"
            problem(rows, name, i, "there is no cycle of that name in the book", "cycle", cycle, mend)
        elif revision is None and len(known) > 1:
            mend = "Add cycle_revision, one of: " + ", ".join(known)
            problem(rows, name, i, "the book has several revisions of this cycle", "cycle", cycle, mend)
        elif revision is None:
            row["cycle_revision"] = known[0]
        elif revision not in known:
            problem(
                rows,
                name,
                i,
                "the cycle has no such revision",
                "cycle_revision",
                revision,
                "Known: " + ", ".join(known),
            )


def _characteristics(conn: sqlite3.Connection, rows: Rows, name: str) -> None:
    for i, row in enumerate(rows.values):
        kind = row.get("kind")
        if row.get("scale") == "log" and kind not in FORM_KINDS:
            mend = "Only form errors, which are never negative, go on the log scale"
            problem(rows, name, i, "a size cannot have the log scale", "scale", "log", mend)
        if row.get("scale") == "um per 100 mm" and row.get("reference_length_mm") is None:
            mend = "Add reference_length_mm"
            problem(rows, name, i, "this scale needs the reference length", "scale", row["scale"], mend)
        if kind in ("angle", "hardness") and row.get("unit") is None:
            mend = "Add the column unit: deg for angles; HRC, HV 10, HBW ... for hardness"
            problem(rows, name, i, f"the unit of this {kind} is missing", "unit", None, mend)


def _readings(conn: sqlite3.Connection, rows: Rows, name: str) -> None:
    """Settle the run of each reading, and that the characteristic and the piece are known."""
    kinds = {(p, c): k for p, c, k in conn.execute("SELECT part, characteristic, kind FROM characteristic")}
    runs: dict[tuple[str, str], list[str]] = {}
    for run, part, serial in conn.execute("SELECT run, part, serial FROM piece ORDER BY piece_id"):
        runs.setdefault((part, serial), []).append(run)
    by_part: dict[str, list[str]] = {}
    for part, characteristic in kinds:
        by_part.setdefault(part, []).append(characteristic)
    parts = known_values(conn, "part", "part")
    for i, row in enumerate(rows.values):
        if i in rows.bad:
            continue
        part, serial, characteristic = row["part"], row["serial"], row["characteristic"]
        if part not in parts:
            close = nearest(part, list(parts))
            mend = (f"Did you mean {close!r}? " if close else "") + "Take in parts first, or correct it"
            problem(rows, name, i, "there is no part of that name in the book", "part", part, mend)
            continue
        kind = kinds.get((part, characteristic))
        if kind is None:
            known = by_part.get(part, [])
            close = nearest(characteristic, known)
            mend = f"Did you mean {close!r}? " if close else ""
            mend += f"Part {part} has: " + (", ".join(known) or "none (take in characteristics first)")
            problem(rows, name, i, "the part has no such characteristic", "characteristic", characteristic, mend)
            continue
        _reading_value(rows, name, i, row, kind)
        went = runs.get((part, serial), [])
        run = row.get("run")
        if not went:
            mend = "Take in pieces first, or correct the part or serial"
            problem(rows, name, i, f"no run has a piece {part} {serial}", "serial", serial, mend)
        elif run is None and len(went) > 1:
            mend = "Add the column run; the serial went through " + ", ".join(went)
            problem(rows, name, i, "which run this reading belongs to is not clear", "run", None, mend)
        elif run is None:
            row["run"] = went[0]
        elif run not in went:
            mend = f"Piece {part} {serial} went through " + ", ".join(went)
            problem(rows, name, i, "this piece is not in that run", "run", run, mend)


def _reading_value(rows: Rows, name: str, i: int, row: dict[str, Any], kind: str) -> None:
    wants = "value" if kind in ("angle", "hardness") else "value_mm"
    other = "value_mm" if wants == "value" else "value"
    if row.get(other) is not None:
        mend = f"Put it into the column {wants}"
        problem(rows, name, i, f"a reading of {kind} does not belong in this column", other, row[other], mend)
    elif row.get(wants) is None:
        mend = "Leave the row out where nothing was measured"
        problem(rows, name, i, "there is no value", wants, None, mend)


def _parameters(conn: sqlite3.Connection, rows: Rows, name: str) -> None:
    """Settle a stated parameter's unit: the one in its name, into which any other is converted."""
    for i, row in enumerate(rows.values):
        if i in rows.bad:
            continue
        dimension, inside = parameter_unit(row["parameter"])
        stated = row.pop("unit", None)
        row["unit"] = inside
        if stated is None or dimension is None:
            if stated is not None and units.unit_key(stated) != inside:
                mend = f"{row['parameter']} has no unit" if not inside else f"It is in {inside}"
                problem(rows, name, i, "this parameter does not take that unit", "unit", stated, mend)
            continue
        try:
            value = units.convert(row["value"], stated, dimension)
        except UsageError as exc:
            problem(rows, name, i, exc.what, "unit", stated, exc.mend)
            continue
        if dimension == "duration" and inside == "h":
            value /= 60.0
        if value != row["value"]:
            rows.typed[i]["value"] = f"{row['value']:g} {stated}"
            row["value"] = value


def parameter_unit(name: str) -> tuple[str | None, str]:
    """(dimension, unit kept inside) that a parameter's name states; (None, '') for plain numbers.

    >>> parameter_unit("spread_soak_peak_c"), parameter_unit("hold_mean_c")
    (('difference', 'c_diff'), ('temperature', 'c'))
    """
    if name.endswith("_c_per_h"):
        return "rate", "c_per_h"
    if name.endswith("_minutes"):
        return "duration", "min"
    if name.endswith("_hours") or name.startswith("hours_"):
        return "duration", "h"
    if name.endswith("_mbar"):
        return "pressure", "mbar"
    if name.endswith("_c"):
        return ("difference", "c_diff") if _DIFFERENCES.search(name) else ("temperature", "c")
    return None, ""


def _channels(conn: sqlite3.Connection, rows: Rows, name: str) -> None:
    serials: dict[str, set[str]] = {}
    for run, serial in conn.execute("SELECT run, serial FROM piece"):
        serials.setdefault(run, set()).add(serial)
    calibrations = known_values(conn, "calibration", "calibration")
    for i, row in enumerate(rows.values):
        serial = row.get("serial")
        known = serials.get(row.get("run", ""), set())
        if serial is not None and serial not in known:
            close = nearest(serial, list(known))
            mend = (f"Did you mean {close!r}? " if close else "") + "Take in the run's pieces first, or correct it"
            problem(rows, name, i, "the run has no piece of that serial", "serial", serial, mend)
        calibration = row.get("calibration")
        if calibration is not None and calibration not in calibrations:
            close = nearest(calibration, list(calibrations))
            mend = (f"Did you mean {close!r}? " if close else "") + "Take in calibrations first, or correct it"
            problem(rows, name, i, "there is no calibration of that name in the book", "calibration", calibration, mend)


_SPECIAL: dict[str, Callable[[sqlite3.Connection, Rows, str], None]] = {
    "runs": _runs,
    "characteristics": _characteristics,
    "readings": _readings,
    "parameters": _parameters,
    "channels": _channels,
}


def split_known(conn: sqlite3.Connection, rows: Rows, name: str) -> tuple[list[int], int]:
    """(indexes of rows that are new, how many the book has already, with the same values).

    A key that stands twice in the file, or in the book with other values, is refused.
    """
    kind: Kind = rows.kind
    first: dict[tuple[Any, ...], int] = {}
    for i, row in enumerate(rows.values):
        if i in rows.bad:
            continue
        key = tuple([row.get(c) for c in kind.key])
        if key in first:
            where = f"The same {' and '.join(kind.key)} stand on line {rows.lines[first[key]]}"
            column = "serial" if "serial" in kind.key and row.get("serial") else kind.key[0]
            problem(rows, name, i, f"a duplicate {column}", column, row.get(column), where)
            continue
        first[key] = i
    existing = _existing(conn, kind, first)
    new, already = [], 0
    for key, i in first.items():
        row = rows.values[i]
        old = existing.get(key)
        if old is None:
            new.append(i)
            continue
        names = [c.name for c in kind.columns]
        differ = next((c for c in names if row.get(c) is not None and row.get(c) != old[c]), None)
        if differ is None:
            already += 1
        else:
            what = f"already in the book with {differ} = {old[differ]}"
            mend = f"Correct it with: loadbook amend {kind.kind} ... {differ}=... --why TEXT"
            problem(rows, name, i, what, differ, row.get(differ), mend)
    return new, already


def _existing(
    conn: sqlite3.Connection, kind: Kind, keys: dict[tuple[Any, ...], int]
) -> dict[tuple[Any, ...], sqlite3.Row]:
    """Rows of the book that have one of the keys."""
    if not keys or conn.execute(f"SELECT 1 FROM {kind.table} LIMIT 1").fetchone() is None:
        return {}
    leading = kind.key[0]
    wanted = list({k[0] for k in keys})
    found: dict[tuple[Any, ...], sqlite3.Row] = {}
    for start in range(0, len(wanted), 500):
        some = wanted[start : start + 500]
        marks = ", ".join("?" * len(some))
        for row in conn.execute(f"SELECT * FROM {kind.table} WHERE {leading} IN ({marks})", some):
            key = tuple(row[c] for c in kind.key)
            if key in keys:
                found[key] = row
    return found
