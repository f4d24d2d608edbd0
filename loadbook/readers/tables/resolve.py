"""What a row means beside the book: references, keys, and the columns that other records settle.

What a reading means beside the book: its characteristic, its piece, and the run that it belongs to.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable, Collection, Iterator, Sequence
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

from loadbook.core import times, units
from loadbook.core.errors import UsageError
from loadbook.core.phrases import did_you_mean
from loadbook.core.typed import quote
from loadbook.core.vocabulary.intake_kinds import FORM_KINDS, KEPT_ONLY_KINDS, OWN_UNIT_KINDS, Kind
from loadbook.core.vocabulary.scales import OF_KIND, scale_of, turned
from loadbook.store.lookup import known_values

from .rows import Rows
from .sense import bare_serial, question_records, told

HINTS = 20  # different wrong names of a file that are looked for among 20,000 known ones at most: a look may take 0.1 s


def resolve_readings(conn: sqlite3.Connection, rows: Rows) -> None:
    """Settle what each reading is of and on which scale it was read, then ask about those that look like a slip."""
    _settle(conn, rows)
    _scales(conn, rows)
    _with_tolerance(conn, rows)
    from .doubts import question_readings  # it loads numpy

    question_readings(conn, rows)


def _scales(conn: sqlite3.Connection, rows: Rows) -> None:
    """Readings whose header (value_hrc) or cell (58 HRC) states a scale: of it, exactly convertible, or refused."""
    header, stated = rows.headers.get("value", ("value", None))
    if scale_of(stated) is None and not rows.scales:
        return
    units_of = {(p, c): u for p, c, u in conn.execute("SELECT part, characteristic, unit FROM characteristic")}
    values, part, name = map(rows.column, ("value", "part", "characteristic"))
    for i in rows.good():
        typed = rows.scales.get(i) or scale_of(stated)
        if values[i] is None or typed is None:
            continue
        unit = units_of.get((part[i], name[i])) or ""
        kept = scale_of(unit)
        value = None if kept is None else turned(values[i], typed, kept)
        if value is None:
            remedy = f"No scale is turned into another: read it in {unit}, or make a characteristic for {typed}"
            rows.refuse(
                i, f"{name[i]} of {part[i]} is kept in {unit or 'no unit'}, not in {typed}", header, values[i], remedy
            )
            continue
        if value != values[i]:
            rows.typed.setdefault(i, {}).setdefault(header, f"{values[i]:g}")
            values[i] = value


def _with_tolerance(conn: sqlite3.Connection, rows: Rows) -> None:
    """Ask about readings written as 80 ±0.015 that are the nominal itself: the drawing's figure, copied?"""
    if not rows.sided:
        return
    known = {
        (r[0], r[1]): r[2:]
        for r in conn.execute("SELECT part, characteristic, nominal_mm, nominal FROM characteristic")
    }
    part, name = map(rows.column, ("part", "characteristic"))
    for i in rows.sided:
        for column, nominal in zip(("value_mm", "value"), known.get((part[i], name[i]), (None, None)), strict=True):
            if nominal is not None and rows.column(column)[i] == nominal and i not in rows.bad:
                what, header = "that is the nominal with its tolerance: was it measured?", rows.headers[column][0]
                rows.question(i, what, header, rows.cells[column][i], f"{header} nominal", "Put the reading there")


def _settle(conn: sqlite3.Connection, rows: Rows) -> None:
    """Settle the run of each reading, and that the characteristic and the piece are known."""
    kinds = {(p, c): k for p, c, k in conn.execute("SELECT part, characteristic, kind FROM characteristic")}
    cursor = conn.cursor()
    cursor.row_factory = None
    pieces = set(cursor.execute("SELECT run, part, serial FROM piece"))
    unclear = [i for i in _unclear(rows, kinds, pieces) if i not in rows.bad]
    if not unclear:
        return
    runs: dict[tuple[str, str], list[str]] = {}
    serials: dict[str, list[str]] = {}
    for run, part, serial in cursor.execute("SELECT run, part, serial FROM piece ORDER BY piece_id"):
        runs.setdefault((part, serial), []).append(run)
    for part, serial in runs:
        serials.setdefault(part, []).append(serial)
    by_part: dict[str, list[str]] = {}
    for part, characteristic in kinds:
        by_part.setdefault(part, []).append(characteristic)
    parts = known_values(conn, "part", "part")
    like_part = _hints(parts)
    like_characteristic = cache(lambda part, name: did_you_mean(name, by_part.get(part, [])))
    plain = cache(lambda part: {bare_serial(s): s for s in serials.get(part, ())})

    def like_serial(part: str, serial: str) -> str:
        known = plain(part).get(bare_serial(serial))
        return f"Did you mean {known!r}? " if known else ""

    for i in unclear:
        part, characteristic = rows.column("part")[i], rows.column("characteristic")[i]
        if part not in parts:
            remedy = like_part(part) + "Take in parts first, or correct it"
            rows.refuse(i, "there is no part of that name in the book", "part", part, remedy)
            continue
        kind = kinds.get((part, characteristic))
        if kind is None:
            known = by_part.get(part, [])
            remedy = like_characteristic(part, characteristic)
            remedy += f"Part {part} has: " + (", ".join(known) or "none (take in characteristics first)")
            rows.refuse(i, "the part has no such characteristic", "characteristic", characteristic, remedy)
            continue
        _value(rows, i, kind)
        _run(rows, i, runs.get((part, rows.column("serial")[i]), []), like_serial)


def _unclear(rows: Rows, kinds: dict[tuple[str, str], str], pieces: set[tuple[str, str, str]]) -> Iterator[int]:
    """Indexes of the rows that name no run, or that have something wrong: the few that need a closer look."""
    columns = ("run", "part", "serial", "characteristic", "value_mm", "value")
    run, part, serial, characteristic, length, own = map(rows.column, columns)
    read = {kinds.get(pair) for pair in set(zip(part, characteristic, strict=True))}
    lengths = read.isdisjoint((None, *OWN_UNIT_KINDS)) and not length.count(None) and own.count(None) == len(own)
    if lengths and pieces.issuperset(zip(run, part, serial, strict=True)):
        return  # the common file: sizes and forms, each with its run
    for i, pair in enumerate(zip(part, characteristic, strict=True)):
        kind = kinds.get(pair)
        in_own = kind in OWN_UNIT_KINDS
        plain = kind is not None and (length[i] is None) is in_own and (own[i] is None) is not in_own
        if not plain or (run[i], part[i], serial[i]) not in pieces:
            yield i


def _value(rows: Rows, i: int, kind: str) -> None:
    wants, other = ("value", "value_mm") if kind in OWN_UNIT_KINDS else ("value_mm", "value")
    stands: Any = rows.column(other)[i]
    if stands is not None:
        remedy = f"Put it into the column {wants}"
        rows.refuse(i, f"a reading of {kind} does not belong in this column", other, stands, remedy)
    elif rows.column(wants)[i] is None:
        rows.refuse(i, "there is no value", wants, None, "Leave the row out where nothing was measured")


def _run(rows: Rows, i: int, went: list[str], like: Callable[[str, str], str]) -> None:
    """The run that a reading names, or the only one that its piece went through. like: a hint at a piece alike."""
    part, serial, run = (rows.column(name)[i] for name in ("part", "serial", "run"))
    if not went:
        remedy = like(part, serial) + "Take in pieces first, or correct the part or serial"
        rows.refuse(i, f"no run has a piece {part} {serial}", "serial", serial, remedy)
    elif run is None and len(went) > 1:
        remedy = "Add the column run; the serial went through " + ", ".join(went)
        rows.refuse(i, "which run this reading belongs to is not clear", "run", None, remedy)
    elif run is None:
        rows.column("run")[i] = went[0]
    elif run not in went:
        remedy = f"Piece {part} {serial} went through " + ", ".join(went)
        rows.refuse(i, "this piece is not in that run", "run", run, remedy)


_ORDERED = (
    ("lower_mm", "upper_mm", "the lower limit is above the upper one"),
    ("lower", "upper", "the lower limit is above the upper one"),
    ("section_thin_mm", "section_thick_mm", "the thinnest section is thicker than the thickest"),
    ("started", "ended", "the run ends before it starts"),
    ("done_on", "due_on", "the next check is due before this one was done"),
    ("calibrated_on", "valid_until", "the calibration ends before it was made"),
)
_DIFFERENCES = re.compile(r"spread|lead|overshoot|scatter|lag|_se_")


def resolve(conn: sqlite3.Connection, rows: Rows) -> None:
    """Check the rows of one file against the book and fill in what other records settle.

    rows are changed in place; every fault is refused with its line.
    """
    _order(rows)
    special = _SPECIAL.get(rows.kind.kind)
    if special is not None:
        special(conn, rows)
    _references(conn, rows)
    question_records(conn, rows)


def _order(rows: Rows) -> None:
    for low, high, what in _ORDERED:
        if rows.kind.column(low) is None or rows.kind.column(high) is None:
            continue
        for i, (least, most) in enumerate(zip(rows.column(low), rows.column(high), strict=True)):
            if least is not None and most is not None and least > most:
                names = [rows.headers.get(c, (c, None))[0] for c in (low, high)]
                has, beside = (_as_typed(rows, i, c, v) for c, v in ((high, most), (low, least)))
                rows.refuse(i, what, names[1], has, f"{names[0]} is {beside}")


def _as_typed(rows: Rows, i: int, column: str, value: Any) -> Any:
    found = rows.kind.column(column)
    if found is not None and found.type == "moment":
        return rows.typed.get(i, {}).get(rows.headers.get(column, (column, None))[0], value)
    return told(rows, column, value) if found is not None and found.dimension is not None else value


def _references(conn: sqlite3.Connection, rows: Rows) -> None:
    for column in rows.kind.columns:
        if column.refers is None:
            continue
        table, other = column.refers
        values = rows.column(column.name)
        stands = set(values) - {None}
        if not stands:
            continue
        known = known_values(conn, table, other)
        if table == rows.kind.table:  # a run may repeat another of the same file
            known |= set(rows.column(other))
        unknown = stands - known
        like = _hints(known)
        for i, value in enumerate(values) if unknown else ():
            if value in unknown and i not in rows.bad:
                remedy = like(value) + f"Take in {_files(table)} first, or correct it"
                rows.refuse(i, f"there is no {table} of that name in the book", column.name, value, remedy)


def _hints(known: Collection[Any]) -> Callable[[Any], str]:
    """The known name that a wrong one is like; each wrong one is looked for once, and only the first few at all."""
    names, given = list(map(str, known)), 0

    @cache
    def like(wrong: Any) -> str:
        nonlocal given
        given += 1
        return did_you_mean(str(wrong), names) if given <= HINTS and len(names) < 20_000 else ""

    return like


def _files(table: str) -> str:
    return {"material": "materials", "gauge": "gauges", "furnace": "furnaces"}.get(table, f"{table}s")


def _runs(conn: sqlite3.Connection, rows: Rows) -> None:
    """Settle the cycle's revision: stated, or the only one the book has."""
    revisions: dict[str, list[str]] = {}
    for cycle, revision in conn.execute("SELECT cycle, revision FROM cycle ORDER BY cycle_id"):
        revisions.setdefault(cycle, []).append(revision)
    cycles, stated = rows.column("cycle"), rows.column("cycle_revision")
    for i, (cycle, revision) in enumerate(zip(cycles, stated, strict=True)):
        if cycle in (None, "-"):
            cycles[i] = None
            if revision is not None:
                rows.refuse(i, "a revision without a cycle", "cycle_revision", revision, "Name the cycle")
            continue
        known = revisions.get(cycle)
        if known is None:
            hint = did_you_mean(cycle, list(revisions))
            remedy = hint + "Take in its TOML file first (loadbook take cycles FILE), or write '-' for none"
            rows.refuse(i, "there is no cycle of that name in the book", "cycle", cycle, remedy)
        elif revision is None and len(known) > 1:
            remedy = "Add cycle_revision, one of: " + ", ".join(known)
            rows.refuse(i, "the book has several revisions of this cycle", "cycle", cycle, remedy)
        elif revision is None:
            stated[i] = known[0]
        elif revision not in known:
            remedy = "Known: " + ", ".join(known)
            rows.refuse(i, "the cycle has no such revision", "cycle_revision", revision, remedy)


def _characteristics(conn: sqlite3.Connection, rows: Rows) -> None:
    names = ("kind", "scale", "reference_length_mm", "unit")
    for i, (kind, scale, length, unit) in enumerate(zip(*map(rows.column, names), strict=True)):
        if scale == "log" and kind not in FORM_KINDS:
            remedy = "Only form errors, which are never negative, go on the log scale"
            rows.refuse(i, "a size cannot have the log scale", "scale", "log", remedy)
        if scale == "um per 100 mm" and length is None:
            rows.refuse(i, "this scale needs the reference length", "scale", scale, "Add reference_length_mm")
        if scale == "um per 100 mm" and kind in (*OWN_UNIT_KINDS, *KEPT_ONLY_KINDS):
            rows.refuse(i, f"{kind} is not given per length", "scale", scale, "Leave the scale empty")
        if kind in OWN_UNIT_KINDS:
            _own_unit(rows, i, kind)
            continue
        if unit is not None and units.unit_key(unit) != "mm":
            remedy = "Leave it empty: lengths are kept in mm, and a reading's column may state another (value_in)"
            rows.refuse(i, f"{kind} is a length and has no unit of its own", "unit", unit, remedy)
        for column in ("nominal", "lower", "upper"):
            if rows.column(column)[i] is not None:
                remedy = f"Put it into {column}_mm (or {column}_in)"
                rows.refuse(i, f"{kind} is a length: its unit is missing", column, rows.column(column)[i], remedy)


def _own_unit(rows: Rows, i: int, kind: str) -> None:
    """The unit of a characteristic that is not a length: stated, of its kind, and its limits in it."""
    units_in, scales = rows.column("unit"), OF_KIND[kind]
    if units_in[i] is None and len(scales) == 1:
        units_in[i] = scales[0]
    if units_in[i] is None:
        remedy = f"Add the column unit: {_UNIT_HINTS[kind]}"
        rows.refuse(i, f"the unit of this {kind} is missing", "unit", None, remedy)
    elif scale_of(units_in[i]) not in scales:
        rows.refuse(i, f"{kind} is not given in that unit", "unit", units_in[i], f"Units: {', '.join(scales)}")
    for column in ("nominal_mm", "lower_mm", "upper_mm"):
        if rows.column(column)[i] is not None:
            remedy = f"Put it into the column {column.removesuffix('_mm')}, in the characteristic's unit"
            rows.refuse(i, f"{kind} is not a length", column, rows.column(column)[i], remedy)


_UNIT_HINTS = {
    "angle": "deg",
    "hardness": "HRC, HRB, HV 10, HBW, ...",
    "residual stress": "MPa or ksi",
}


def _parameters(conn: sqlite3.Connection, rows: Rows) -> None:
    """Settle a stated parameter's unit: the one in its name, into which any other is converted."""
    values, units_in = rows.column("value"), rows.column("unit")
    for i in rows.good():
        name, value, stated = rows.column("parameter")[i], values[i], units_in[i]
        dimension, units_in[i] = parameter_unit(name)
        inside = units_in[i]
        if stated is None or dimension is None:
            if stated is not None and units.unit_key(stated) != inside:
                remedy = f"{name} has no unit" if not inside else f"It is in {inside}"
                rows.refuse(i, "this parameter does not take that unit", "unit", stated, remedy)
            continue
        try:
            converted = units.convert(value, stated, dimension)
        except UsageError as exc:
            rows.refuse(i, exc.what, "unit", stated, exc.remedy)
            continue
        if dimension == "duration" and inside == "h":
            converted /= 60.0
        if converted != value:
            rows.typed.setdefault(i, {})["value"] = f"{value:g} {stated}"
            values[i] = converted


def parameter_unit(name: str) -> tuple[str | None, str]:
    """(dimension, unit kept inside) that a parameter's name states; (None, '') for plain numbers.

    >>> parameter_unit("spread_soak_peak_c"), parameter_unit("hold_mean_c")
    (('difference', 'c_diff'), ('temperature', 'c'))
    """
    if name.endswith("_c_per_h"):
        return "rate", "c_per_h"
    if name.endswith("_mbar_per_h"):
        return "leak", "mbar_per_h"
    if name.endswith(("_minutes", "_min")):
        return "duration", "min"
    if name.endswith(("_hours", "_h")) or name.startswith("hours_"):
        return "duration", "h"
    if name.endswith("_mbar"):
        return "pressure", "mbar"
    if name.endswith("_c"):
        return ("difference", "c_diff") if _DIFFERENCES.search(name) else ("temperature", "c")
    return None, ""


def _channels(conn: sqlite3.Connection, rows: Rows) -> None:
    serials: dict[str, set[str]] = {}
    for run, serial in conn.execute("SELECT run, serial FROM piece"):
        serials.setdefault(run, set()).add(serial)
    calibrations = known_values(conn, "calibration", "calibration")
    names = ("run", "serial", "calibration")
    for i, (run, serial, calibration) in enumerate(zip(*map(rows.column, names), strict=True)):
        known = serials.get(run, set())
        if serial is not None and serial not in known:
            remedy = did_you_mean(serial, list(known)) + "Take in the run's pieces first, or correct it"
            rows.refuse(i, "the run has no piece of that serial", "serial", serial, remedy)
        if calibration is not None and calibration not in calibrations:
            remedy = did_you_mean(calibration, list(calibrations)) + "Take in calibrations first, or correct it"
            rows.refuse(i, "there is no calibration of that name in the book", "calibration", calibration, remedy)


_SPECIAL: dict[str, Callable[[sqlite3.Connection, Rows], None]] = {
    "runs": _runs,
    "characteristics": _characteristics,
    "readings": resolve_readings,
    "parameters": _parameters,
    "channels": _channels,
}


def split_known(conn: sqlite3.Connection, rows: Rows, zone: ZoneInfo) -> tuple[Sequence[int], int]:
    """(indexes of rows that are new, how many the book has already, with the same values).

    A key that stands twice in the file, or in the book with other values, is refused.
    """
    kind: Kind = rows.kind
    first = _first_of_each(rows)
    existing = _existing(conn, kind, first)
    if not existing:
        return list(first.values()), 0
    new, already = [], 0
    columns = {c.name: rows.column(c.name) for c in kind.columns}
    for key, i in first.items():
        old = existing.get(key)
        if old is None:
            new.append(i)
            continue
        row = {name: values[i] for name, values in columns.items()}
        differ = next((c for c, v in row.items() if v is not None and v != old[c]), None)
        if differ is None:
            already += 1
        else:
            header, has = _under_header(rows, differ, old[differ], zone)
            found = rows.typed.get(i, {}).get(header, row[differ])
            name = quote("/".join("" if k is None else str(k) for k in key))
            remedy = f"Correct it with: loadbook amend {kind.kind} {name} {quote(f'{header}={found}')} --why TEXT"
            rows.refuse(i, f"already in the book with {header} = {has}", header, found, remedy)
    return new, already


def _under_header(rows: Rows, name: str, kept: Any, zone: ZoneInfo) -> tuple[str, Any]:
    """(header in the file, a kept value as it would stand under it): its unit, and the shop's clock."""
    header, unit = rows.headers.get(name, (name, None))
    column = next(c for c in rows.kind.columns if c.name == name)
    if kept is None:
        return header, "nothing"
    if column.type == "moment":
        return header, times.shown(kept, zone)
    if column.dimension is None or unit is None:
        return header, kept
    turn = units.converter(unit, column.dimension)  # from the unit typed; every one is a factor and an offset
    return header, f"{(kept - turn(0.0)) / (turn(1.0) - turn(0.0)):.8g}"


def _first_of_each(rows: Rows) -> dict[tuple[Any, ...], int]:
    """Key -> the row that has it; a later one of the same key is refused."""
    kind = rows.kind
    columns, count = [rows.column(name) for name in kind.key], len(rows.lines)
    first = dict(zip(zip(*columns, strict=True), range(count), strict=True))
    if len(first) == count and not rows.bad:
        return first
    keys, first = list(zip(*columns, strict=True)), {}
    for i in rows.good():
        if keys[i] not in first:
            first[keys[i]] = i
            continue
        where = f"The same {' and '.join(kind.key)} stand on line {rows.lines[first[keys[i]]]}"
        column = "serial" if "serial" in kind.key and rows.column("serial")[i] else kind.key[0]
        rows.refuse(i, f"a duplicate {column}", column, rows.column(column)[i], where)
    return first


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
