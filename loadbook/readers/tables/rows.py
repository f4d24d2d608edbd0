"""Cells of an intake file become the values of a table's columns, or problems that name the line."""

from __future__ import annotations

import json
import math
import re
import unicodedata
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

from loadbook.core import times, units
from loadbook.core.errors import IntakeError, LoadbookError, Problem
from loadbook.core.vocabulary.intake_kinds import CHECKS_SAID, Column, Kind, kinds_of
from loadbook.core.vocabulary.other_languages import meant_by
from loadbook.core.vocabulary.scales import scale_of
from loadbook.core.wording import garbled

from . import spelled
from .cells import CellOf, Sheet

_YES = {
    "yes": 1, "y": 1, "true": 1, "1": 1, "pass": 1, "passed": 1,
    "no": 0, "n": 0, "false": 0, "0": 0, "fail": 0, "failed": 0,
}  # fmt: skip
_POINT = re.compile(r"^[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d+)?$", re.ASCII)
_COMMA = re.compile(r"^[-+]?(\d+(,\d*)?|,\d+)([eE][-+]?\d+)?$", re.ASCII)
_EITHER = re.compile(r"^[-+]?[1-9]\d{0,2},\d{3}$", re.ASCII)  # 1,200: one and a fifth, or twelve hundred
_LONG_MINUS = re.compile(r"^[\u2212\u2013](?=[\d.,])")  # as word processors write it
_THOUSANDS = re.compile(r"^[-+]?\d{1,3}([ \u00a0\u202f'’]\d{3})+([.,]\d*)?$")
_NUMBER_AND = re.compile(r"^([-+]?\d+(?:[.,]\d*)?)(\s+\D.{0,40}|[^\w\s.,].{0,40})$")  # 12O may be 120
_NOTHING = ("", "-", "n/a", "na", "nil", "none", "null", "nan", "x", "tbd", "ok")
# what stands below a table
_BELOW = re.compile(r"\s*((sub)?totals?|sum|average|mean|notes?|remarks?|end)\b", re.IGNORECASE)
_THOUSAND = re.compile(r"^[-+]?[1-9]\d{0,2}\.\d{3}$", re.ASCII)
_LOCAL_DAY = re.compile(r"^(\d{1,2})([/.-])(\d{1,2})\2(\d{4}|\d\d)(?!\d)", re.ASCII)
_LOCAL_CLOCK = re.compile(
    r"^(?:[ T]+(\d{1,2}):(\d\d)(?::(\d\d))?\s*(?:([ap])\.?\s?m\.?|uhr)?)?$", re.IGNORECASE | re.ASCII
)
_WITH_UNIT = re.compile(r"^([-+]?(?:\d[\d.,]*|[.,]\d+)(?:[eE][-+]?\d+)?)\s*([^\d\s.,+-].*)$", re.ASCII)

SAID = {"c": "°C", "f": "°F", "k": "K", "um": "µm"}  # units of headings, as people write them

READ = ("value_mm", "value")  # columns of a reading's value

_TYPED = json.JSONEncoder(ensure_ascii=False).encode


@dataclass
class Rows:
    """Values ready for the book, column by column, with `typed` where the input was put differently.

    columns  the kind's column -> value of each row, None where there is none; no columns at all where the header was
             not understood
    typed    index of a row -> header -> what stood there
    bad      indexes of rows with a problem
    headers  column -> (header that stood in the file, unit or scale that it states)
    cells    column -> texts of a reading's value as they were typed
    affirmed lines whose values somebody said are so, though they look like a slip; None: all of them
    by_line  is there more than one line to affirm
    doubted  index -> the question that was affirmed
    scales   index -> the scale that a reading's own cell states ("58 HRC")
    sided    indexes of readings with something behind ±
    dated    in which order dates that are not written year first were read
    """

    kind: Kind
    name: str
    lines: list[int]
    columns: dict[str, list[Any]] = field(default_factory=dict)
    typed: dict[int, dict[str, str]] = field(default_factory=dict)
    bad: set[int] = field(default_factory=set)
    problems: list[Problem] = field(default_factory=list)
    headers: dict[str, tuple[str, str | None]] = field(default_factory=dict)
    cells: dict[str, list[Any]] = field(default_factory=dict)
    affirmed: frozenset[int] | None = frozenset()
    by_line: bool = True
    doubted: dict[int, str] = field(default_factory=dict)
    scales: dict[int, str] = field(default_factory=dict)
    sided: list[int] = field(default_factory=list)
    dated: dict[str, tuple[bool, str]] = field(default_factory=dict)

    def column(self, name: str) -> list[Any]:
        """Values of a column, which may be changed in place; a column that the file has not is empty."""
        if name not in self.columns:
            self.columns[name] = [None] * len(self.lines)
        return self.columns[name]

    def refuse(
        self, index: int, what: str, column: str, value: Any, remedy: str | None, alike: str | None = None
    ) -> None:
        """Refuse one row for what stands in one of its columns."""
        shown = None if value is None else str(value)[:80]
        self.bad.add(index)
        self.problems.append(Problem(what, self.name, self.lines[index], column, shown, remedy, alike))

    def question(self, index: int, what: str, column: str, value: Any, alike: str, mend: str = "Correct it") -> None:
        """Stop at one row that looks like a slip, unless somebody affirmed it."""
        line = self.lines[index]
        if self.affirmed is None or line in self.affirmed:
            self.doubted[index] = "; ".join(filter(None, (self.doubted.get(index), what)))
            return
        option = f"--affirm {line}" if self.by_line else "--affirm"
        self.refuse(index, what, column, value, f"{mend}, or take it as it is with {option}", alike)

    def good(self) -> Sequence[int]:
        """Indexes of the rows without a problem."""
        count = len(self.lines)
        return [i for i in range(count) if i not in self.bad] if self.bad else range(count)

    def stored(self, chosen: Sequence[int]) -> dict[str, list[Any]]:
        """Some rows as the table holds them: the kind's columns, and `typed` as JSON where the input differs."""
        columns = {c.name: self.column(c.name) for c in self.kind.columns}
        columns["typed"] = [None] * len(self.lines)
        for index, typed in self.typed.items():
            columns["typed"][index] = _TYPED(typed)
        if len(chosen) == len(self.lines):
            return columns
        return {name: [values[i] for i in chosen] for name, values in columns.items()}


class Refused(Exception):
    """One cell that is not what its column needs: what is wrong and what to do."""

    def __init__(self, what: str, remedy: str | None = None) -> None:
        super().__init__(what)
        self.what, self.remedy = what, remedy


def match_header(kind: Kind, sheet: Sheet) -> list[tuple[Column, str | None]]:
    """The column, and the unit its header states, of each header of a sheet.

    Raises nothing: problems go into sheet.problems, and such a header gets no column.
    """
    spellings = {name: (column, unit) for column in kind.columns for name, unit in column.spellings()}
    stems = {c.stem: c for c in kind.columns if c.dimension}
    found: list[tuple[Column, str | None]] = []
    seen: dict[str, str] = {}
    for header in sheet.header:
        name = spelled.heading(header, spellings)
        if name in spellings:
            column, unit = spellings[name]
            if column.name in seen:
                twice = f"the column stands twice (as {seen[column.name]!r} and {header!r})"
                sheet.problems.append(Problem(twice, sheet.name, 1, header, remedy="Leave one of them out"))
            seen[column.name] = header
            found.append((column, unit))
            continue
        if name in stems:
            options = ", ".join(f"{name}_{u}" for u in (x for _, x in stems[name].spellings()) if u)
            problem = Problem(
                "the column's unit is missing", sheet.name, 1, header, remedy=f"Name it one of: {options}"
            )
        else:
            hint = _hint(kind, header, name, spellings)
            problem = Problem(f"{kind.kind} has no such column", sheet.name, 1, header, remedy=hint)
        sheet.problems.append(problem)
    below, wider = _header_below(sheet, spellings), any(p.line != 1 for p in sheet.problems)
    if not found and (below is not None or wider):
        what = f"the header stands in line {below}" if below else "this is no header, and lines below have more cells"
        mend = f"Delete the lines above {'it' if below else 'the header'}"
        sheet.problems = [Problem(what, sheet.name, 1, value=", ".join(filter(None, sheet.header))[:80], remedy=mend)]
        return found
    for column in kind.columns:
        if column.required and column.name not in seen and not any(c is column for c, _ in found):
            sheet.problems.append(
                Problem(
                    f"the column {column.name!r} is missing", sheet.name, 1,
                    remedy=f"It is required: {column.meaning} (loadbook template {kind.kind})",
                )
            )  # fmt: skip
    return found


_OF_THE_DRAWING = frozenset(
    ("nominal", "nom", "deviation", "dev", "lower", "upper", "min", "max", "tolerance", "tol", "usl", "lsl", "limit",
     "limits", "out_of_tol", "outtol", "oot", "result", "verdict", "ok", "pass/fail")
)  # fmt: skip
_COUNTS = frozenset(("", "#", "no", "no.", "nr", "nr.", "item", "line", "row", "pos", "pos.", "index"))


def _hint(kind: Kind, header: str, name: str, spellings: Mapping[str, Any]) -> str:
    """What to do about a column that a kind has not."""
    if name in _COUNTS:
        return "Delete it where it only counts the rows, or give it the name of a column"
    stem = re.split(r"[_ ]*[(\[]|_(?:mm|in|um|mil)$|[_ ]*[+-]$", name.lstrip("+-_ "))[0]
    if kind.kind == "readings" and re.match(r"(?:value|reading|actual|meas[a-z]*)_*\d", name):
        return "One reading a row: those read again go into rows of their own, with the column repeat (1, 2, ...)"
    if kind.kind == "readings" and stem in _OF_THE_DRAWING:
        return (
            "Delete it: limits stand with the characteristic (loadbook template characteristics), and what was"
            " measured under value_mm or value_in"
        )
    if kind.kind == "characteristics" and stem in ("tol", "tolerance", "plus", "minus"):
        return "Write the limits themselves into lower_mm and upper_mm, or the nominal as '80 ±0.015'"
    beside = [f"{s}{n[5:]}" for s in ("before", "after") for n in spellings if n.startswith("value")]
    known = [*spellings, *(beside if kind.kind == "readings" else ())]
    return meant_by(header, known).strip() or f"loadbook template {kind.kind} prints the known ones"


def _one_table(kind: Kind, sheet: Sheet) -> None:
    """Raises IntakeError where another heading stands below the first: what follows it may be of other columns."""
    if len(sheet.columns) < 2:
        return
    spellings = {name for column in kind.columns for name, _ in column.spellings()}
    names = [
        {c for c in {*cells} if c and not any(map(str.isdigit, c)) and spelled.heading(c, spellings) in spellings}
        for cells in sheet.columns[:2]
    ]
    for line, *cells in zip(sheet.lines, *sheet.columns[:2], strict=True) if all(names) else ():
        if cells[0] in names[0] and cells[1] in names[1]:
            what = "another heading stands here: what is below it may be of other columns"
            found = Problem(what, sheet.name, line, None, ", ".join(cells), "Take each table by a file of its own")
            raise IntakeError(f"{sheet.name} cannot be taken in as {kind.kind}", [found], remedy="Nothing was taken in")


def _header_below(sheet: Sheet, spellings: Mapping[str, Any]) -> int | None:
    """The line of the header, where it stands below titles."""
    first = sheet.columns[0][:20] if sheet.columns else []
    named = (spelled.heading(str(c or ""), spellings) in spellings for c in first)
    return next((line for line, is_header in zip(sheet.lines, named, strict=False) if is_header), None)


def decimal_mark(sheet: Sheet, columns: list[tuple[Column, str | None]]) -> str:
    """',' where the numbers of a file are written with a decimal comma, else '.'.

    Only a comma that can be no other settles it (1,200 can be; not in a file with semicolons), and in a file with
    commas or a workbook only where no number has a point. '?' where all points of a file with semicolons or tabs stand
    as in 1.200 (but readings are held against their nominal).
    """
    pointed: set[bool] = set()
    comma = False
    numbers = [(column, unit, sheet.columns[i]) for i, (column, unit) in enumerate(columns) if column.type == "number"]
    if sheet.delimiter not in (";", "\t") and not any(c and "," in c for _, _, cells in numbers for c in cells):
        return "."
    for column, unit, cells in numbers:
        for cell in cells:
            if not isinstance(cell, str) or not ("," in cell or "." in cell):
                continue
            number = parted(_bare(cell.strip(), column, unit))[0]
            if _POINT.match(number):
                pointed.add(column.name not in READ and _THOUSAND.match(number) is not None)
            elif _COMMA.match(number) and (sheet.delimiter == ";" or not _EITHER.match(number)):
                if sheet.delimiter in (";", "\t"):
                    return ","
                comma = True
    if comma and not pointed:
        return ","
    return "?" if pointed == {True} and sheet.delimiter in (";", "\t") else "."


def parted(cell: str) -> tuple[str, str]:
    """A cell's number and the unit behind it, '' where it has none that is known.

    >>> parted("24.06 in"), parted("0,15mm"), parted("58 HRC"), parted("12 t or so"), parted("7")
    (('24.06', 'in'), ('0,15', 'mm'), ('58', 'HRC'), ('12 t or so', ''), ('7', ''))
    """
    try:
        float(cell)  # as nearly all are
    except ValueError:
        found = _WITH_UNIT.match(cell)
        return (found[1], found[2]) if found and units.known(found[2]) else (cell, "")
    return cell, ""


def _number(text: str, mark: str) -> float:
    text = text if text.isascii() else _LONG_MINUS.sub("-", text)
    pattern = _COMMA if mark == "," else _POINT
    if not pattern.match(text):
        if mark == "," and "." in text:
            either = "" if "," in text else f" ({text.replace('.', '')}), or with a comma ({text.replace('.', ',')})"
            mend = f"Write it without the point{either}"
            raise Refused("a point in a file with decimal commas could mean thousands", mend)
        if mark != "," and "," in text:
            raise Refused("a comma in a number could mean decimals or thousands", "Write it with a decimal point")
        raise Refused("this is not a number", _instead_of(text))
    if mark == "?" and _THOUSAND.match(text):
        both = f"{text.replace('.', '')} or {text}0"
        raise Refused("a point in a file with semicolons or tabs could mean decimals or thousands", f"Write {both}")
    value = float(text.replace(",", ".") if mark == "," else text)
    if not math.isfinite(value):
        raise Refused("this number is too large", None)
    return value


def _instead_of(text: str) -> str:
    """What to write where a column of numbers says something else.

    >>> _instead_of("80.012 B"), _instead_of("--"), _instead_of("1 420.5")
    ("Keep the number and leave out 'B'", 'Leave the cell empty where there is no value', 'Write it as 1420.5')
    """
    if text.casefold().strip("-./?* ") in _NOTHING:
        return "Leave the cell empty where there is no value"
    if _THOUSANDS.match(text):
        return f"Write it as {re.sub(r'[^0-9.,+-]', '', text)}"
    if re.match(r"^[\d\s-]+/\d+", text):
        return "Write a fraction as a decimal number; under a heading in inches 1-1/2 is read as it is"
    if re.match(r"^[-+]?[\d.,]+\s*[-–/+±x]\s*[\d.,]+", text):
        return "Write one number: limits and tolerances have columns of their own"
    if text[:1] in "ØøΦ⌀" and _POINT.match(text[1:].strip()):
        return f"Write {text[1:].strip()}: that it is a diameter stands in its kind"
    if found := _NUMBER_AND.match(text):
        return f"Keep the number and leave out {found[2].strip()!r}"
    if text[:1] == "(" and text[-1:] == ")" and _POINT.match(text[1:-1]):
        return f"Write it as -{text[1:-1]}"
    if text[:1] in "<>≤≥~±":
        return "Write the value that the gauge showed, without a sign before it"
    return "Write digits, with the unit in the column's name only"


def _unit_agrees(column: Column, unit: str | None, said: str) -> None:
    """A cell's own unit must be that of its heading, and turns no value."""
    heading = unit or ("%" if column.name.endswith("_pct") else None)
    if heading is not None and (
        units.unit_key(said) == units.unit_key(heading) or (scale_of(said) or "") == scale_of(heading)
    ):
        return
    told = f"the heading {SAID.get(heading, heading)}" if heading else "the heading no unit"
    raise Refused(f"the cell says {said}, {told}", "Correct the cell, or name the column for the unit of its cells")


def _bounds(column: Column, value: float) -> None:
    if column.above is not None and not value > column.above:
        raise Refused(f"this must be more than {column.above:g}")
    if column.least is not None and value < column.least:
        raise Refused(f"this must be at least {column.least:g}")


Orders = dict[str, tuple[bool, str]]  # sign between day and month -> is the day first, and the date that says so


def day_first(sheet: Sheet, columns: list[tuple[Column, str | None]]) -> Orders:
    """In which order the file's dates such as 20.03.2026 have day and month, for each sign that stands between them:
    03/04/2026 is not settled by 20.03.2026, which somebody else may have typed."""
    dates: dict[str, list[re.Match[str]]] = {}
    for cells, (column, _) in zip(sheet.columns, columns, strict=False):
        for cell in cells if column.type in ("date", "moment") else ():
            if isinstance(cell, str) and (match := _LOCAL_DAY.match(cell.strip())):
                dates.setdefault(match[2], []).append(match)
    found: Orders = {}
    for sign, those in dates.items():
        day, month = (next((m for m in those if int(m[place]) > 12), None) for place in (1, 3))
        if month is not None and day is None:
            found[sign] = False, month.string.strip()
        elif day is not None and month is None and _year_last(those):
            found[sign] = True, day.string.strip()
    return found


def _year_last(dates: Sequence[re.Match[str]]) -> bool:
    """Is the last place of dates that have the month in the middle the year: 24.03.26 alone may be of 2024."""
    years, days = {m[4] for m in dates}, {m[1] for m in dates}
    return any(len(y) == 4 or int(y) > 31 or y == "00" for y in years) or (len(years) == 1 and len(days) > 2)


def _year_first(cell: str, orders: Orders) -> str:
    """A date whose order the file settles, as ISO; any other as it is.

    >>> orders = {".": (True, ""), "/": (False, "")}
    >>> [_year_first(day, orders) for day in ("20.03.2026 7:30", "3/20/26 12:05 a.m.", "03-04-2026")]
    ['2026-03-20T07:30:00', '2026-03-20T00:05:00', '03-04-2026']
    """
    cell = spelled.day(cell)
    found = _LOCAL_DAY.match(cell)
    if found is None or found[2] not in orders:
        return cell
    day, month = (found[1], found[3]) if orders[found[2]][0] else (found[3], found[1])
    date = f"{spelled.whole_year(found[4])}-{month.zfill(2)}-{day.zfill(2)}"
    clock = _LOCAL_CLOCK.match(cell[found.end() :])
    if clock is None:
        raise Refused("the time behind the date cannot be read", f"Write it like {date}T08:00")
    if clock[1] is None:
        return date
    hour = int(clock[1])
    if clock[4]:
        if not 1 <= hour <= 12:
            return cell
        hour = hour % 12 + 12 * (clock[4].lower() == "p")
    return f"{date}T{hour:02d}:{clock[2]}:{clock[3] or '00'}"


def converter(
    column: Column, unit: str | None, zone: ZoneInfo, mark: str = ".", orders: Orders | None = None
) -> Callable[[str], Any]:
    """The function from a cell's text (stripped, not empty) to the column's value; it raises Refused.

    mark  of decimals, as `decimal_mark` says;  orders  of day and month, as `day_first` says
    """
    first: Orders = orders or {}

    def text(cell: str) -> Any:
        if "\x00" in cell:
            raise Refused("this holds a NUL character")
        meant = garbled(cell)
        if meant is not None:
            what = "letters are lost to a wrong encoding" + (f": {meant!r}?" if meant else "")
            raise Refused(what, "Correct it, or save the file as UTF-8 again")
        cell = spelled.as_text(cell)
        if (column.required or column.refers) and any(unicodedata.category(c) == "Cf" for c in cell):
            raise Refused("a character in this cannot be seen", f"Type it again: {cell!a}")
        if column.choices:
            said = CHECKS_SAID.get(cell.lower()) or kinds_of(spelled.stage_of(cell) if column.name == "stage" else cell)
            match = next((c for c in column.choices if c.lower() == said[0]), None)
            if len(said) > 1:
                raise Refused(f"{cell} may be several kinds", f"Name one: {' or '.join(said)}")
            if match is None:
                hint = meant_by(cell, column.choices)
                raise Refused(f"{column.name} cannot be that", hint + "Choices: " + ", ".join(column.choices))
            return match
        return cell

    warm = column.dimension == "temperature"
    bounded = column.above is not None or column.least is not None
    inside = units.converter(unit, column.dimension) if column.dimension and unit else None

    lengths = column.dimension == "length" or column.name in READ

    def number(cell: str) -> Any:
        digits, said = parted(_bare(cell, column, unit) if lengths else cell)
        value = _number(digits, mark)
        if said and not (column.scales and unit is None and scale_of(said)):  # a cell may state its own scale
            _unit_agrees(column, unit, said)
        if inside:
            value = inside(value)
        if abs(value) > units.LARGEST:
            raise Refused("this number is too large", "Check its digits and the column's unit")
        if warm and value < -units.ZERO_C_IN_K:
            raise Refused("this is below absolute zero", "Check the value and the column's unit")
        if bounded:
            _bounds(column, value)
        return value

    def integer(cell: str) -> Any:
        value = _number(cell, mark)
        if not value.is_integer() or abs(value) > 2**53:
            raise Refused("this is not a whole number")
        _bounds(column, value)
        return int(value)

    def yesno(cell: str) -> Any:
        if cell.lower() not in _YES:
            raise Refused("this is neither yes nor no", "Write yes or no")
        return _YES[cell.lower()]

    def day(cell: str) -> Any:
        cell = _year_first(cell, first)
        cell = cell[:10] if re.match(r"^\d{4}-\d\d-\d\d[T ]00:00(:00)?$", cell) else cell
        if re.match(r"^\d{1,2}[/.\-]\d{1,2}[/.\-]\d{2,4}$", cell):
            raise Refused("the order of day and month is not clear", "Write it year first, like 2026-04-03")
        return cell if cell == times.FOR_EVER else times.parse_date(cell).isoformat()

    def moment(cell: str) -> Any:
        cell = _year_first(cell, first)
        if re.match(r"^\d{1,2}[/.\-]\d{1,2}[/.\-]\d{2,4}", cell):
            raise Refused("the order of day and month is not clear", "Write it year first, like 2026-04-03T08:00")
        return times.stored(times.parse_moment(cell, zone))

    def words(cell: str) -> Any:
        return ";".join(w.strip().lower() for w in cell.split(";") if w.strip())

    turn = {
        "text": text, "number": number, "integer": integer, "yesno": yesno, "date": day, "moment": moment, "list": words
    }[column.type]  # fmt: skip
    if column.required or column.type in ("text", "list"):
        return turn

    def or_nothing(cell: str) -> Any:
        try:
            return turn(cell)
        except (Refused, LoadbookError):
            if spelled.is_nothing(cell):
                return None
            raise

    return or_nothing


def _bare(cell: str, column: Column, unit: str | None) -> str:
    """The text of a length or a reading as a number with its unit: what else people write about it is left out."""
    if column.name in READ:
        return spelled.reading(cell)[0]
    return spelled.fraction(spelled.without_sign(cell), unit)


def convert_sheet(kind: Kind, sheet: Sheet, zone: ZoneInfo) -> Rows:
    """Every row of a sheet as values of the kind's columns; wrong cells become problems, never values."""
    columns = match_header(kind, sheet)
    found = Rows(kind, sheet.name, list(sheet.lines), problems=list(sheet.problems))
    if sheet.problems:
        faulty = {p.line for p in sheet.problems if p.line != 1}
        found.bad = {i for i, line in enumerate(sheet.lines) if line in faulty}
        if any(p.line == 1 for p in sheet.problems):
            return found
    _one_table(kind, sheet)
    mark, found.dated = decimal_mark(sheet, columns), day_first(sheet, columns)
    for position, (column, unit) in enumerate(columns):
        if column.scales and unit is None:
            said = {i: parted(c.strip())[1] for i, c in enumerate(sheet.columns[position]) if isinstance(c, str)}
            found.scales = {i: scale for i, u in said.items() if (scale := scale_of(u))}
        _convert_column(found, sheet, position, column, converter(column, unit, zone, mark, found.dated), unit)
    for column in kind.columns:
        if column.default is not None:
            default = converter(column, None, zone)(column.default)
            found.columns[column.name] = [default if v is None else v for v in found.column(column.name)]
    return found


def _convert_column(
    found: Rows, sheet: Sheet, position: int, column: Column, turn: Callable[[str], Any], unit: str | None
) -> None:
    """Convert each text that stands in a column once; then look at rows only where something is to be said of one."""
    header, cells = sheet.header[position], sheet.columns[position]
    found.headers[column.name] = header, unit
    unlike: set[int] = set()
    if sheet.delimiter == "xlsx" and column.type in ("text", "list"):
        cells = list(cells)
        for index, cell in enumerate(cells):
            if isinstance(cell, CellOf):
                cells[index] = cell.shown
                if cell.why:
                    found.refuse(index, cell.why, header, cell, cell.remedy)
                    cells[index] = None
                    unlike.add(index)
    if column.name in READ:
        found.cells[column.name] = cells
    turned = _Turned(turn)
    values = found.columns[column.name] = list(map(turned.__getitem__, cells))
    if column.name in READ and (sided := {c for c in turned if c and spelled.reading(c.strip())[1]}):
        found.sided += [i for i, c in enumerate(cells) if c in sided]
    other_unit = column.dimension is not None and unit is not None and unit != next(u for _, u in column.spellings())
    # a reading keeps the digits that were typed: 24.0600 is finer than 24.06
    keeps = other_unit or (column.name in READ and sheet.delimiter != "xlsx")
    if keeps or column.type in ("moment", "date", "list"):
        texts = {cell: parted(text)[0] if column.type == "number" else text for cell, text in turned.texts()}
        differ = {cell: text for cell, text in texts.items() if str(turned[cell]) != text}
        for index, cell in enumerate(cells) if differ else ():
            if cell in differ:
                found.typed.setdefault(index, {})[header] = differ[cell]
    wrong, missing = turned.wrong, column.required and None in turned.values()
    for index, cell in enumerate(cells) if wrong or missing else ():
        if cell in wrong:
            found.refuse(index, wrong[cell].what, header, cell.strip(), wrong[cell].remedy)
        elif column.required and values[index] is None and index not in unlike:
            found.refuse(index, "this is required", header, None, _fill(sheet, index))


def _fill(sheet: Sheet, index: int) -> str:
    """What to do about a row in which something required is missing."""
    stands = [c.strip() for column in sheet.columns if (c := column[index]) and c.strip()]
    if all(units.known(c.strip("()[] ")) for c in stands if not spelled.is_nothing(c)):
        return "Delete the row: a unit stands in the column's name, as in value_mm"
    if len(stands) == 1 < len(sheet.columns) - 1 or _BELOW.match(stands[0]) or stands[0].startswith("#"):
        return "Delete the row, if it is a total or a note"
    return "Fill it in"


class _Turned(dict[str | None, Any]):
    """Cell -> its value, None where it is blank or wrong; each distinct cell is converted once, when first met."""

    def __init__(self, turn: Callable[[str], Any]) -> None:
        super().__init__()
        self.turn = turn
        self.wrong: dict[str | None, Refused | LoadbookError] = {}

    def __missing__(self, cell: str | None) -> Any:
        text, value = (cell or "").strip(), None
        if text:
            try:
                value = self.turn(text)
            except (Refused, LoadbookError) as exc:
                self.wrong[cell] = exc
        self[cell] = value
        return value

    def texts(self) -> Iterator[tuple[str, str]]:
        """(cell, its text without blanks around it) of those that have a value."""
        return ((cell, cell.strip()) for cell, value in self.items() if cell is not None and value is not None)
