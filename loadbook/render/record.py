"""One record as sections: its values, what was typed, what belongs to it, its amendments."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass, field
from typing import Any

from loadbook.analysis.trace.route import RouteDose
from loadbook.core import figures, times
from loadbook.queries.route import route_of, together
from loadbook.store import lookup
from loadbook.store.book import BookFolder
from loadbook.store.records import history

from .book_units import amended_in_units, in_units, without_tails


@dataclass
class Section:
    """A titled listing."""

    name: str
    title: str
    columns: list[str]
    rows: list[list[Any]] = field(default_factory=list)


# what belongs to a run, a part ...: (title, table, columns)
_BELONGS: dict[str, tuple[tuple[str, str, tuple[str, ...]], ...]] = {
    "run": (
        ("Pieces", "piece", ("part", "serial", "quantity", "job", "setup", "position", "condition")),
        ("Channels", "channel", ("channel", "role", "zone", "serial", "place", "tc_type", "calibration")),
        ("Events", "event", ("at", "event", "note")),
        ("Traces", "trace", ("trace_id", "state", "source_name", "started", "samples", "gaps", "longest_gap_s")),
        ("Findings", "finding", ("what", "name", "verdict", "channel", "value", "limit_value", "unit")),
        ("Approvals", "approval", ("role", "person", "decision", "at", "note")),
        ("Nonconformances", "nonconformance", ("what", "serial", "disposition", "closed_on", "note")),
    ),
    "part": (
        ("Characteristics", "characteristic", ("characteristic", "kind", "nominal_mm", "lower_mm", "upper_mm", "unit",
                                               "nominal", "lower", "upper", "method", "depth_mm", "direction")),
    ),
    "furnace": (("Checks", "furnace_check", ("kind", "done_on", "at_c", "due_on", "worst_c", "passed", "note")),),
    "cycle": (
        ("Segments", "cycle_segment", ("number", "kind", "target_c", "asked_rate_c_per_h", "rate_max_c_per_h",
                                       "minutes", "band_low_c", "band_high_c", "on_leaving", "purpose")),
        ("Limits", "cycle_limit", ("number", "quantity", "relation", "value", "phase", "scope", "event", "typed")),
    ),
    "job": (("Pieces", "piece", ("run", "part", "serial", "quantity")),),
}  # fmt: skip


def record_sections(book: BookFolder, kind: lookup.Listed, row: sqlite3.Row, whole: bool = False) -> list[Section]:
    """The sections of one record; the first holds its values. whole: every digit, for a program."""
    conn = book.read()
    key = lookup.row_key(conn, kind.table)
    names = lookup.columns_of(conn, kind.table)
    apart = {key, "typed"} | ({"question", "result"} if kind.table == "answer" else set())
    values = [[n, moment_shown(book, row[n])] for n in names if n not in apart and row[n] is not None]
    shown = [in_units([n], [[v]], book.units) for n, v in values]
    for heads, cells in shown:
        if not whole:
            without_tails(kind.table, heads, cells)
    title = f"{kind.table} {lookup.record_name(kind, row)}"
    sections = [Section("values", title, ["column", "value"], [[c[0], v[0][0]] for c, v in shown])]
    if "typed" in names and row["typed"]:
        sections.append(_typed(row["typed"]))
    if kind.table == "answer":
        sections.append(_as_given(row["result"]))
    for heading, table, columns in _BELONGS.get(kind.table, ()):
        found = _belonging(conn, kind, row, table, columns)
        if found:
            kept = [i for i in range(len(columns)) if any(r[i] is not None for r in found)]
            cells = [[moment_shown(book, r[i]) for i in kept] for r in found]
            heads, cells = in_units([columns[i] for i in kept], cells, book.units)
            if not whole:
                without_tails(table, heads, cells)
            sections.append(Section(table, heading, heads, cells))
    if kind.table == "piece":
        sections.extend(_heat(book, row))
    if kind.table == "run":
        sections.extend(_corrections(book, row["run"]))
    amended = history(conn, kind.table, row[key])
    if amended:
        cells = [
            [
                moment_shown(book, a["at"]),
                a["who"],
                *amended_in_units(a, book.units),
                a["why"],
            ]
            for a in amended
        ]
        sections.append(Section("amendments", "Amendments", ["at", "who", "column", "was", "became", "why"], cells))
    return sections


def _typed(text: str) -> Section:
    try:
        pairs = [[k, v] for k, v in json.loads(text).items()]
    except (ValueError, AttributeError):
        pairs = [["", text]]
    return Section("typed", "As typed", ["column", "typed"], pairs)


def _as_given(text: str) -> Section:
    """The sentences of a kept answer; `answer --show` and `page answer` give all of it."""
    try:
        lines = [[line] for line in json.loads(text)["text"]]
    except (ValueError, KeyError, TypeError):
        lines = [[text]]
    return Section("as_given", "As it was given (all of it: loadbook answer --show N)", ["answer"], lines)


def _belonging(
    conn: sqlite3.Connection, kind: lookup.Listed, row: sqlite3.Row, table: str, columns: tuple[str, ...]
) -> list[sqlite3.Row]:
    where = " AND ".join(f"{c} = ?" for c in kind.key)
    chosen = ", ".join(columns)
    limit = 200
    return conn.execute(
        f"SELECT {chosen} FROM {table} WHERE {where} LIMIT {limit}", [row[c] for c in kind.key]
    ).fetchall()


def _corrections(book: BookFolder, run: str) -> list[Section]:
    """The calibration points that correct the run's thermocouples before anything is judged."""
    rows = book.read().execute(
        "SELECT c.channel, c.calibration, k.at_c, k.correction_c, k.valid_until FROM channel c"
        " JOIN calibration k ON k.calibration = c.calibration WHERE c.run = ? ORDER BY c.channel_id, k.at_c",
        (run,),
    )
    cells = [list(r) for r in rows]
    if not cells:
        return []
    columns, cells = in_units(["channel", "calibration", "at_c", "correction_c", "valid_until"], cells, book.units)
    return [Section("corrections", "Thermocouple corrections (added to the reading, linear between)", columns, cells)]


def _heat(book: BookFolder, piece: sqlite3.Row) -> list[Section]:
    """The dose of each run that a piece went through, and of all together."""
    conn = book.read()
    route = route_of(conn, piece["part"], piece["serial"])
    if all(r.dose is None for r in route):
        return []
    constant = conn.execute(
        "SELECT dose_constant FROM part JOIN material USING (material) WHERE part = ?", (piece["part"],)
    ).fetchone()
    columns, cells = in_units(
        ["run", "hold_c", "dose"],
        [
            [r.run, None if r.hold_c is None else round(r.hold_c, 1), None if r.dose is None else round(r.dose, 3)]
            for r in route
        ],
        book.units,
    )
    whole = together(route, constant[0] if constant else None)
    if isinstance(whole, RouteDose):
        at = figures.shown(whole.at_c, "c", book.units)
        since = f"since {whole.after}" if whole.after else "all together"
        cells.append([f"{since}, as much as {whole.hours:.1f} h at {at}", None, round(whole.dose, 3)])
    elif whole is not None:
        cells.append([whole, None, None])
    return [Section("dose", "Heat over the route (dose in thousands, Hollomon-Jaffe)", columns, cells)]


def moment_shown(book: BookFolder, value: Any) -> Any:
    """A stored moment on the shop's clock; anything else unchanged."""
    if isinstance(value, str) and len(value) >= 20 and value[10] == "T" and value.endswith("Z"):
        try:
            return times.shown(value, book.zone)
        except ValueError:
            return value
    return value
