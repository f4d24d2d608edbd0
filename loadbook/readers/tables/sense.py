"""Questions that the intake of any record but readings stops at: figures that cannot well be so as they were typed.

A unit or a decimal point mistaken in a part, a material or a run is never seen again: it moves every review, plan and
correction that rests on it. What is usual is wide (common practice), so that an honest figure is hardly ever asked
about, and whoever knows better affirms the line.
"""

from __future__ import annotations

import math
import re
import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from datetime import timedelta
from typing import Any

from loadbook.core import times, units
from loadbook.core.errors import IntakeError
from loadbook.core.vocabulary.intake_kinds import FORM_KINDS, SIZE_KINDS, Kind
from loadbook.core.vocabulary.scales import RANGES, scale_of
from loadbook.core.wording import plain_letters

from .rows import SAID, Rows

# (kind, column): least and most that is usual, in the unit kept inside
USUAL: dict[tuple[str, str], tuple[float, float]] = {
    ("materials", "cte_per_k"): (1e-7, 6e-5),
    ("materials", "conductivity_w_mk"): (0.5, 500.0),
    ("materials", "density_kg_m3"): (1000.0, 23_000.0),
    ("materials", "specific_heat_j_kgk"): (100.0, 2500.0),
    ("materials", "max_soak_c"): (60.0, 2600.0),
    ("materials", "c_pct"): (0.0, 7.0),
    **{("materials", f"{e}_pct"): (0.0, 100.0) for e in ("mn", "si", "ni", "cr", "mo")},
    ("materials", "ac1_c"): (500.0, 950.0),
    ("materials", "dose_constant"): (5.0, 50.0),
    ("furnaces", "uniformity_c"): (0.3, 60.0),
    ("furnaces", "max_temp_c"): (100.0, 3200.0),
    ("furnaces", "zones"): (1, 60),
    ("furnace_checks", "at_c"): (-200.0, 3200.0),
    ("furnace_checks", "worst_c"): (-150.0, 150.0),
    ("gauges", "resolution_mm"): (1e-6, 0.99),
    ("gauges", "expanded_uncertainty_mm"): (0.0, 2.0),
    ("gauges", "expansion_per_k"): (0.0, 6e-5),
    ("calibrations", "at_c"): (-200.0, 2600.0),
    ("calibrations", "correction_c"): (-50.0, 50.0),
    ("runs", "load_mass_kg"): (0.0, 60_000.0),
    ("pieces", "tempered_at_c"): (20.0, 900.0),
    ("pieces", "supports"): (0, 100),
    ("operations", "stock_removed_mm"): (0.0, 60.0),
    ("operations", "straightened_mm"): (0.0, 150.0),
    ("channels", "expanded_uncertainty_c"): (0.0, 60.0),
    ("channels", "hottest_c"): (-50.0, 3000.0),
}
# a part's length is its longest dimension; some write the axial length, so a figure may be so many times that
THICKER, LONGER, HEAVIER = 2.0, 4.0, 16.0
DENSEST = 25e-6  # kg/mm³, above every metal
LONGEST_RUN = timedelta(days=30)
EVENT_AFTER = timedelta(days=3)
FAR_AHEAD = timedelta(days=5 * 366)

# words of a family -> the least expansion per K that it has (common tables of materials)
EXPANDS_AT_LEAST = (
    (r"invar|kovar|controlled|nickel[- ]iron|iron[- ]nickel|glass|ceramic", 0.0),
    (r"steel|iron", 9.0e-6), (r"titan", 7.0e-6), (r"alumini?um", 18e-6), (r"magnesium", 22e-6),
    (r"nickel|cobalt", 9.5e-6), (r"copper|brass|bronze", 14e-6),
)  # fmt: skip
CARBON_STEELS = r"low[- ]alloy|tool|carbon|high[- ]speed|bearing|spring|case|cast iron|nodular|grey"
LEAST_CARBON = 0.02  # per cent, of a family that hardens by its carbon
# what spreadsheets make of serials and part numbers: 12E3 and 3-8 are no such names any more
_POWER = re.compile(r"\d([.,]\d+)?E[+-]\d{2,3}|\d+\.0")
_MONTH = r"(?:jan|feb|m[aä]r|mrz|apr|ma[iy]|jun|jul|aug|se[pt]|o[ck]t|nov|de[cz])[a-z]{0,6}\.?"
_DATED = re.compile(rf"\d{{1,2}}[-. ]{{1,2}}{_MONTH}(?:[- ]\d\d)?|{_MONTH}[- ]\d\d", re.IGNORECASE)
_DAY = re.compile(r"\d{4}-\d\d-\d\d|\d{1,2}[./]\d{1,2}[./]\d{4}")
_SPAN = re.compile(
    r"(\D*?)(\d+)\s*(?:-|\u2013|\u2014|/|\.{2,3}|to|thru|through|bis|[,;&+]|and|und)\s*\1?(\d+)", re.IGNORECASE
)
_NAMES = ("serial", "part", "heat_number", "job", "purchase_order")

Question = tuple[int, str, str, str]  # row, column, what is asked, what is alike


def question_records(conn: sqlite3.Connection, rows: Rows) -> None:
    """Stop at every figure of a file that cannot well be so, unless its line was affirmed."""
    own = _OWN.get(rows.kind.kind)
    refused = set(rows.bad)
    for i, column, what, alike in [*_usual(rows), *_made_by_spreadsheets(rows), *(own(conn, rows) if own else ())]:
        value = rows.column(column)[i]
        if i in refused or _in_book(conn, rows, i, column, value):
            continue
        header = rows.headers.get(column, (column, None))[0]
        shown = rows.typed.get(i, {}).get(header) or (f"{value:.8g}" if isinstance(value, float) else value)
        rows.question(i, what, header, shown, f"{header} {alike}")


def question_amended(
    conn: sqlite3.Connection, kind: Kind, row: sqlite3.Row, given: Sequence[str], changes: dict[str, Any]
) -> None:
    """Stop at an amended figure that cannot well be so. given: the columns as typed. Raises IntakeError."""
    values = {c.name: [changes.get(c.name, row[c.name])] for c in kind.columns}
    rows = Rows(kind, "as typed", [1], values, by_line=False)
    spellings = {name: (c.name, unit) for c in kind.columns for name, unit in c.spellings()}
    rows.headers = {spellings[name][0]: (name, spellings[name][1]) for name in given}
    question_records(conn, rows)
    # a serial is amended where it was wrong: it is like itself
    rows.problems = [p for p in rows.problems if p.column in set(given) - {"serial"}]
    if rows.problems:
        raise IntakeError("the record would look like a slip", rows.problems, remedy="Nothing was amended")


def _in_book(conn: sqlite3.Connection, rows: Rows, i: int, column: str, value: Any) -> bool:
    """Does the book hold this row with this value: it was affirmed when it came in."""
    kind = rows.kind
    where = " AND ".join(f"{k} IS ?" for k in kind.key)
    key = [rows.column(k)[i] for k in kind.key]
    held = conn.execute(f"SELECT {column} FROM {kind.table} WHERE {where}", key).fetchone()
    return held is not None and held[0] == value


def told(rows: Rows, column: str, value: float) -> str:
    """A figure in the unit that the file types a column in.

    Differences, temperatures, lengths and masses alike are a factor and a zero.
    """
    unit = rows.headers.get(column, (column, None))[1]
    found = rows.kind.column(column)
    if found is None or found.dimension is None:
        return f"{value:.6g}"
    unit = unit or next(u for _, u in found.spellings())
    turn = units.converter(unit or "", found.dimension)
    shown = (value - turn(0.0)) / (turn(1.0) - turn(0.0))
    return f"{shown:{'.4g' if abs(shown) < 1e4 else '.0f'}} {SAID.get(unit or '', unit)}"


def _usual(rows: Rows) -> Iterator[Question]:
    for (kind, column), (least, most) in USUAL.items():
        if kind != rows.kind.kind or column not in rows.columns:
            continue
        for i, value in enumerate(rows.columns[column]):
            if value is not None and not least <= value <= most:
                between = f"{told(rows, column, least)} to {told(rows, column, most)}"
                yield i, column, f"usual is {between}: a slip?", "usual"
    years = range(1980, times.now().year + 51)
    for dated in (c.name for c in rows.kind.columns if c.type == "date" and c.name in rows.columns):
        for i, day in enumerate(rows.columns[dated]):
            if day is not None and day != times.FOR_EVER and int(day[:4]) not in years:
                yield i, dated, f"that is {day[:4]}: a slip of the year?", "year"


def _made_by_spreadsheets(rows: Rows) -> Iterator[Question]:
    """Names that are a power of ten or a date, which their own record is made with (a reference is looked up)."""
    for column in _NAMES:
        own = rows.kind.column(column)
        if own is None or column not in rows.columns or own.refers is not None or rows.kind.kind == "readings":
            continue
        for i, name in enumerate(rows.columns[column]):
            if name is None:
                continue
            if _POWER.fullmatch(name):
                yield i, column, "a spreadsheet writes a number so: what was the name before?", "power"
            elif _DATED.fullmatch(name) or (column in ("serial", "part") and _DAY.fullmatch(name)):
                yield i, column, "that is a date: did a spreadsheet make it of the name?", "date"


def _materials(_: sqlite3.Connection, rows: Rows) -> Iterator[Question]:
    """An expansion per °F, and carbon as a fraction, of a family that has neither so low."""
    for i, (family, cte, carbon) in enumerate(zip(*map(rows.column, ("family", "cte_per_k", "c_pct")), strict=True)):
        lowest = next((least for words, least in EXPANDS_AT_LEAST if re.search(words, (family or "").lower())), 0.0)
        if cte is not None and 1e-7 <= cte < lowest <= 1.8 * cte:
            yield i, "cte_per_k", f"low for {family}: per °F typed as per K ({1.8 * cte:.3g} per K)?", "per °F"
        if carbon and carbon < LEAST_CARBON and re.search(CARBON_STEELS, (family or "").lower()):
            yield i, "c_pct", f"low for {family}: a fraction typed as per cent ({100 * carbon:.4g} %)?", "fraction"


def _parts(_: sqlite3.Connection, rows: Rows) -> Iterator[Question]:
    """A section about within the length, and a mass that the dimensions can have."""
    names = ("length_mm", "section_thick_mm", "section_thin_mm", "mass_kg")
    for i, (length, thick, thin, mass) in enumerate(zip(*map(rows.column, names), strict=True)):
        if length is None:
            continue
        for column, section in (("section_thick_mm", thick), ("section_thin_mm", thin)):
            if section is not None and section > THICKER * length:
                longest = told(rows, column, length)
                yield i, column, f"a section thicker than the part is long ({longest}): a slip?", "section"
        if mass is None:
            continue
        wide = max(length, thick or 0.0)
        most = HEAVIER * DENSEST * wide**2 * (thick or wide)
        wall = thin or thick
        least = 1e-6 * length * wall**2 * (0.05 if thin else 0.002) if wall and wall <= length else 0.0
        if mass > most:
            yield (
                i,
                "mass_kg",
                f"no more than {told(rows, 'mass_kg', most)} fits its dimensions: a slip here or there?",
                "mass",
            )
        elif mass < least:
            what = f"its dimensions ask for more than {told(rows, 'mass_kg', least)}: a slip here or there?"
            yield i, "mass_kg", what, "mass"


def _characteristics(conn: sqlite3.Connection, rows: Rows) -> Iterator[Question]:
    """Limits about the nominal, all of them within the part, and those of a hardness on its scale."""
    scaled = zip(*map(rows.column, ("unit", "nominal", "lower", "upper")), strict=True)
    for i, (unit, *limits) in enumerate(scaled):
        least, most = RANGES.get(scale_of(unit) or "", (-math.inf, math.inf))
        for column, value in zip(("nominal", "lower", "upper"), limits, strict=True):
            if value is not None and not least <= value <= most:
                yield i, column, f"{scale_of(unit)} goes from {least:g} to {most:g}: another scale?", "scale"
    lengths = dict(conn.execute("SELECT part, length_mm FROM part WHERE length_mm IS NOT NULL"))
    names = ("part", "kind", "nominal_mm", "lower_mm", "upper_mm", "reference_length_mm")
    for i, (part, kind, nominal, lower, upper, reference) in enumerate(zip(*map(rows.column, names), strict=True)):
        length = lengths.get(part)
        if reference is not None and length is not None and reference > LONGER * length:
            yield i, "reference_length_mm", _beyond(rows, "reference_length_mm", length), "long"
        if kind in FORM_KINDS and upper is not None and upper > max(5.0, 0.05 * (length or 0.0)):
            what = "a form error of this size is no tolerance"
            what += f" on a part {told(rows, 'upper_mm', length)} long" if length is not None else ""
            yield i, "upper_mm", f"{what}: a slip?", "form"
        if kind not in SIZE_KINDS:
            continue
        for column, value in (("nominal_mm", nominal), ("lower_mm", lower), ("upper_mm", upper)):
            if value is None:
                continue
            if nominal is not None and abs(nominal) > 1.0 and abs(value - nominal) > 0.2 * abs(nominal):
                likely = "a deviation typed as a limit" if abs(value) < 0.02 * abs(nominal) else "a slip here or there"
                yield i, column, f"the nominal is {told(rows, column, nominal)}: {likely}?", "nominal"
            elif length is not None and abs(value) > LONGER * length:
                yield i, column, _beyond(rows, column, length), "long"
        if nominal is None and lower is not None and upper is not None and lower > 1.0 and upper > 1.5 * lower:
            yield i, "upper_mm", f"the lower limit is {told(rows, 'upper_mm', lower)}: a slip here or there?", "limits"


def _beyond(rows: Rows, column: str, length: float) -> str:
    return f"the part is only {told(rows, column, length)} long: a slip here or there?"


def _runs(_: sqlite3.Connection, rows: Rows) -> Iterator[Question]:
    """A run of weeks, or one of another century."""
    now = times.now()
    for i, (started, ended) in enumerate(zip(rows.column("started"), rows.column("ended"), strict=True)):
        if started is None:
            continue
        began = times.from_stored(started)
        if began > now + FAR_AHEAD or began.year < 1950:
            yield i, "started", f"that is {began:%Y}: a slip of the year?", "year"
        elif ended is not None and (lasted := times.from_stored(ended) - began) > LONGEST_RUN:
            yield i, "ended", f"a run of {lasted.days} days: a slip of the date?", "long"


def _events(conn: sqlite3.Connection, rows: Rows) -> Iterator[Question]:
    """An event days away from its run."""
    runs = {run: (began, ended) for run, began, ended in conn.execute("SELECT run, started, ended FROM run")}
    for i, (run, at) in enumerate(zip(rows.column("run"), rows.column("at"), strict=True)):
        if run not in runs or at is None:
            continue
        began, ended = runs[run]
        last = times.from_stored(ended) + EVENT_AFTER if ended else times.from_stored(began) + LONGEST_RUN
        if not times.from_stored(began) - EVENT_AFTER <= times.from_stored(at) <= last:
            days = abs((times.from_stored(at) - times.from_stored(began)).days)
            yield i, "at", f"{days} days from the start of run {run}: a slip of the date?", "far"


def _pieces(conn: sqlite3.Connection, rows: Rows) -> Iterator[Question]:
    """A serial that another of the run differs from by zeros or capitals only; more stock than the section has."""
    known: dict[tuple[str, str, str], str] = {}
    of_runs = {r for r in rows.column("run") if r is not None}
    for run in of_runs:
        for part, serial in conn.execute("SELECT part, serial FROM piece WHERE run = ?", (run,)):
            known.setdefault((run, part, bare_serial(serial)), serial)
    sections = dict(conn.execute("SELECT part, section_thick_mm FROM part WHERE section_thick_mm IS NOT NULL"))
    names = ("run", "part", "serial", "stock_mm", "quantity")
    begins = Counter(m.group(1, 2) for s in {*rows.column("serial")} if s and (m := _SPAN.fullmatch(s)))
    for i, (run, part, serial, stock, quantity) in enumerate(zip(*map(rows.column, names), strict=True)):
        if None in (run, part, serial):
            continue
        span = _SPAN.fullmatch(serial)
        if span and quantity == 1 and begins[span.group(1, 2)] == 1 and (count := pieces_between(span[2], span[3])):
            yield i, "serial", f"{count} pieces in one row? A row is one piece, or a lot with its quantity", "span"
        other = known.setdefault((run, part, bare_serial(serial)), serial)
        if other != serial:
            yield i, "serial", f"the run has {other} of this part: the same piece?", "serial"
        if stock is not None and stock > max(15.0, 0.5 * sections.get(part, 0.0)):
            yield i, "stock_mm", "stock per side is hardly ever that much: a slip?", "stock"


def _named_pieces(conn: sqlite3.Connection, rows: Rows) -> Iterator[Question]:
    """A serial that no piece of the part (or the run) has, and that another is like, or that may mean several."""
    of = "part" if rows.kind.column("part") is not None else "run"
    known: dict[str, dict[str, str]] = {}
    for name in {n for n in rows.column(of) if n is not None}:
        serials = conn.execute(f"SELECT serial FROM piece WHERE {of} = ?", (name,))
        known[name] = {bare_serial(serial): serial for (serial,) in serials}
    for i, (name, serial) in enumerate(zip(rows.column(of), rows.column("serial"), strict=True)):
        if serial is None or serial in known.get(name, {}).values():
            continue
        like, span = known.get(name, {}).get(bare_serial(serial)), _SPAN.fullmatch(serial)
        if like is not None:
            yield i, "serial", f"no piece of {of} {name} has that serial, but {like}: the same piece?", "serial"
        elif span and (count := pieces_between(span[2], span[3])):
            yield i, "serial", f"{count} pieces in one row? A row is of one piece", "span"


def pieces_between(first: str, last: str) -> int:
    """How many pieces a serial of two numbers may mean, first to last; 0 where it is hardly more than one.

    >>> pieces_between("005", "008"), pieces_between("1", "4"), pieces_between("1", "2"), pieces_between("24", "0117")
    (4, 4, 0, 0)
    """
    count = int(last) - int(first) + 1
    alike = len(first) == len(last) or (len(first) < len(last) and first[0] != "0" != last[0])
    return count if alike and 2 + (len(last) == 1) <= count <= 500 else 0


def bare_serial(serial: str) -> str:
    """A serial without what typing and spreadsheets change: capitals, blanks, zeros before a number, O for zero, and
    letters and hyphens of other alphabets that look the same.

    >>> bare_serial("A 007") == bare_serial("\u0410\uff107"), bare_serial("A\u201307") == bare_serial("a-07")
    (True, True)
    """
    plain = re.sub(r"(?<=\d)o|o(?=\d)", "0", "".join(plain_letters(serial).casefold().split()))
    return re.sub(r"(?<!\d)0+(?=\d)", "", plain)


def _parameters(conn: sqlite3.Connection, rows: Rows) -> Iterator[Question]:
    """A hold's temperature that is the cycle's in the other unit."""
    held = {
        run: (target, cycle)
        for run, cycle, target in conn.execute(
            "SELECT r.run, r.cycle, max(s.target_c) FROM run r JOIN cycle_segment s"
            " ON s.cycle = r.cycle AND s.revision = r.cycle_revision WHERE s.kind = 'hold' GROUP BY r.run"
        )
    }
    names = ("run", "parameter", "value")
    for i, (run, name, value) in enumerate(zip(*map(rows.column, names), strict=True)):
        if run not in held or value is None or not re.fullmatch(r"hold_(mean|min|max)(_work)?_c", name or ""):
            continue
        target, cycle = held[run]
        if abs(value - units.f_from_c(target)) < 30.0 < abs(value - target):
            what = f"{cycle} holds at {target:.0f} °C, {units.f_from_c(target):.0f} °F: °F typed as °C?"
            yield i, "value", what, "unit"


_OWN: dict[str, Callable[[sqlite3.Connection, Rows], Iterator[Question]]] = {
    "materials": _materials, "parts": _parts, "characteristics": _characteristics, "runs": _runs, "pieces": _pieces,
    "parameters": _parameters, "events": _events, "operations": _named_pieces, "nonconformances": _named_pieces,
}  # fmt: skip
