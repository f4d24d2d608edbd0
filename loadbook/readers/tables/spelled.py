"""What people write in the place of a column's name, a number, a text or a date, where it can mean one thing only.

'Length (in)' is length_in, 1-1/2 under inches is 1.5, 4-Mar-2026 is 2026-03-04. Everything else stays as it stands, and
is refused by what reads it.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Container
from dataclasses import replace
from decimal import Decimal
from itertools import accumulate, compress
from typing import Any

from loadbook.core import units
from loadbook.core.errors import IntakeError, Problem
from loadbook.core.vocabulary.scales import scale_of

from .cells import Sheet

_UNIT_BEHIND = re.compile(r"^(.*?)\s*(?:\(\s*([^()]+?)\s*\)|\[\s*([^\[\]]+?)\s*\]|,\s*([^\s,]+))$", re.DOTALL)
_NUMBER_BEHIND = re.compile(r"^(.+?)(?:[\s_.-]+(?:no|nr|number)\.?|\s*#)\s*:?$")
_SIGNS = re.compile(r"[\s#*:.,/-]+")
_VULGAR = {"¼": " 1/4", "½": " 1/2", "¾": " 3/4", "⅛": " 1/8", "⅜": " 3/8", "⅝": " 5/8", "⅞": " 7/8", "⁄": "/"}
_FRACTION = re.compile(r"^(?:(\d{1,4})(?:\s+|\s*-\s*))?(\d{1,2})/(\d{1,2})\s*(.*)$", re.ASCII)
_RULER = (2, 4, 8, 16, 32, 64)
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_MONTH = rf"({'|'.join(_MONTHS)})[a-z]{{0,6}}\.?"
_YEAR_FIRST = re.compile(r"^(\d{4})([/.])(\d{1,2})\2(\d{1,2})(?!\d)", re.ASCII)
_DAY_MONTH = re.compile(rf"^(\d{{1,2}})[-. ]\s*{_MONTH}[-. ,]\s*(\d{{4}}|\d\d)(?!\d)", re.IGNORECASE | re.ASCII)
_MONTH_DAY = re.compile(rf"^{_MONTH} \s*(\d{{1,2}}),?\s+(\d{{4}})(?!\d)", re.IGNORECASE | re.ASCII)
_CLOCK = re.compile(r"^[ T]\s*(\d{1,2}):(\d\d)(?::(\d\d))?\s*([ap]m)?$", re.IGNORECASE | re.ASCII)
_NOTHING = frozenset(("-", "--", "---", "----", "\u2013", "\u2014", "n/a", "n.a.", "#n/a", "na"))
_AS_TEXT = re.compile(r"\'(?=[=+@\d-])\S+|=\"[^\"]*\"")
_FIGURE = r"(?:\d[\d.,]*|[.,]\d+)"
_DIAMETER = re.compile(rf"^(?:[ØøΦφ⌀]|dia\.?\s)\s*(?={_FIGURE})", re.IGNORECASE)
_UNIT = r"(?:\s*([^\W\d_]{1,3}|\"))?"
_EITHER_SIDE = re.compile(rf"^([-+]?{_FIGURE}){_UNIT}\s*(?:±|\+\s*/\s*-|\+-)\s*({_FIGURE}){_UNIT}$")
_TWO_LIMITS = re.compile(
    rf"^([-+]?{_FIGURE}){_UNIT}\s*([+-]{_FIGURE}|(?<=\s)0)(?:\s*/\s*|\s+|(?=[+-]))([+-]{_FIGURE}|0){_UNIT}$"
)
_STAGE = re.compile(r"^(?:(before|after)|(pre|post))[\s_-]*(?:ht|heat[\s-]*treat\w*|(?:the )?run)\b", re.IGNORECASE)
# what a report of a measuring machine calls a reading
_READ = re.compile(r"^(?:actual|measured|measurement|reading)(?:[\s_]+value)?(?![^\W_])")


def heading(text: str, known: Container[str]) -> str:
    """A heading as the column's name, where it is one with its unit behind it, with signs for its blanks, or called a
    number.

    >>> names = {"length_in", "value_um", "value_hrc", "heat_number", "tempered_at_f", "c_pct"}
    >>> [heading(t, names) for t in ("Length (in)", "VALUE [µm]", "Value, HRC", "Heat-Number:", "C (%)")]
    ['length_in', 'value_um', 'value_hrc', 'heat_number', 'c_pct']
    >>> heading("Tempered at (°F)", names), heading("Length (approx)", names), heading("Length", names)
    ('tempered_at_f', 'length_(approx)', 'length')
    >>> [heading(t, {"part", "run", "heat_number"}) for t in ("Part No.", "RUN #", "Heat no", "Part number", "Casino")]
    ['part', 'run', 'heat_number', 'part', 'casino']
    >>> [heading(t, {"value", "value_mm", "value_mil"}) for t in ("Actual (mm)", "Measured value, thou", "Reading")]
    ['value_mm', 'value_mil', 'value']
    """
    plain = text.strip().lower().replace(" ", "_")
    if plain in known:
        return plain
    stem, said = _READ.sub("value", text.strip().lower()) if "value" in known else text.strip().lower(), ""
    if found := _UNIT_BEHIND.match(stem):
        stem, said = found[1], (found[2] or found[3] or found[4]).removesuffix(".")
    ends = [said] if not said else ["pct" if said == "%" else units.unit_key(said), (scale_of(said) or "").lower()]
    for end in ends:
        name = "_".join(filter(None, (_SIGNS.sub("_", stem).strip("_"), end)))
        if name in known and (end or not said):
            return name
    if called := _NUMBER_BEHIND.match(text.strip().lower()):
        stem = _SIGNS.sub("_", called[1]).strip("_")
        return next((name for name in (stem, f"{stem}_number") if name in known), plain)
    return plain


def is_nothing(text: str) -> bool:
    """Does a cell of numbers or dates say that there is none.

    >>> is_nothing("\u2013"), is_nothing("N/A"), is_nothing(""), is_nothing("0"), is_nothing("none")
    (True, True, True, False, False)
    """
    return text.casefold() in _NOTHING or not text


def as_text(cell: str) -> str:
    """A text without what spreadsheets put about it so that it stays one.

    >>> as_text('="0011"'), as_text("'0011"), as_text("'tis"), as_text("5' long")
    ('0011', '0011', "'tis", "5' long")
    """
    return cell.strip("='\"") if cell[:1] in ("'", "=") and _AS_TEXT.fullmatch(cell) else cell


def without_sign(text: str) -> str:
    """A length without the sign of a diameter before it.

    >>> without_sign("Ø 8.000"), without_sign("DIA 8"), without_sign("8.000")
    ('8.000', '8', '8.000')
    """
    return _DIAMETER.sub("", text)


def reading(text: str) -> tuple[str, str]:
    """A reading without the sign of a diameter before it, and what stands behind ± (a tolerance, an uncertainty).

    >>> reading("Ø 8,000"), reading("10.000 ±0.002"), reading("10.000 +/- 0.002 mm"), reading("58 ± 1 HRC")
    (('8,000', ''), ('10.000', '0.002'), ('10.000 mm', '0.002 mm'), ('58 HRC', '1 HRC'))
    >>> reading("10.000 +0.002/-0"), reading("10 ± x")
    (('10.000 +0.002/-0', ''), ('10 ± x', ''))
    """
    if text.replace(".", "", 1).isdigit():  # as nearly all are
        return text, ""
    text = without_sign(text)
    if (found := _EITHER_SIDE.match(text)) is None:
        return text, ""
    behind = found[4] or found[2] or ""
    return f"{found[1]} {found[2] or behind}".strip(), f"{found[3]} {behind}".strip()


def stage_of(text: str) -> str:
    """'Before HT' as 'before', 'post heat treat' as 'after'; any other text as it is.

    >>> [stage_of(t) for t in ("Before HT", "post-heat-treatment", "AFTER the run", "after grinding")]
    ['before', 'after', 'after', 'after grinding']
    """
    found = _STAGE.match(text)
    if found is None:
        return text
    return (found[1] or {"pre": "before", "post": "after"}[found[2].lower()]).lower() + text[found.end() :]


def limits(text: str) -> tuple[str, str, str] | None:
    """(nominal, lower, upper) of a nominal that is written with its tolerance, in the marks and unit that it has.

    >>> limits("300 ±0.05"), limits("Ø10,000 +0,05/-0,02"), limits("2.5 in +/-.001"), limits("8 0/+0.1")
    (('300', '299.95', '300.05'), ('10,000', '9,980', '10,050'), ('2.5 in', '2.499 in', '2.501 in'), ('8', '8', '8.1'))
    >>> limits("300"), limits("300-300"), limits("80/+0.1"), limits("1-1/2"), limits("10 +0.2 +0.1")
    (None, None, None, None, ('10', '10.1', '10.2'))
    """
    text = without_sign(text)
    if found := _EITHER_SIDE.match(text):
        sides, units_said = [f"-{found[3]}", found[3]], (found[2], found[4])
    elif found := _TWO_LIMITS.match(text):
        sides, units_said = [found[3], found[4]], (found[2], found[5])
    else:
        return None
    if "," in text and "." in text:
        return None
    try:
        nominal, *both = (Decimal(t.replace(",", ".")) for t in (found[1], *sides))
    except ArithmeticError:
        return None
    said = {units.unit_key(u) for u in units_said if u}
    if len(said) > 1:
        return None
    mark, unit = "," if "," in text else ".", " ".join(["", *said])
    told = [str(nominal + side).replace(".", mark) + unit for side in sorted(both)]
    return found[1] + unit, told[0], told[1]


def fraction(text: str, unit: str | None) -> str:
    """A length of whole and binary parts of an inch as a decimal number, its own sign of inches left out.

    >>> fraction('1-1/2"', "in"), fraction("24 1/2", "in"), fraction("3/4 in", "in"), fraction("2½", "in")
    ('1.5', '24.5', '0.75', '2.5')
    >>> fraction("3/2", "in"), fraction("1/3", "in"), fraction("1-1/2", "mm"), fraction("12.5", "in")
    ('3/2', '1/3', '1-1/2', '12.5')
    """
    plain = text
    for sign, written in _VULGAR.items():
        plain = plain.replace(sign, written)
    found = _FRACTION.match(plain.strip())
    if found is None or unit != "in" or (found[4] and units.unit_key(found[4].removesuffix(".")) != "in"):
        return text
    top, bottom = int(found[2]), int(found[3])
    if bottom not in _RULER or not 0 < top < bottom:
        return text
    return f"{int(found[1] or 0) + top / bottom:.10g}"


def day(text: str) -> str:
    """A date that cannot be misread, with its time, as ISO writes it: its year first, or its month in letters.

    >>> day("2026/03/22 8:00"), day("4-Mar-2026"), day("Mar 4, 2026 8:05 PM"), day("22.3.2026"), day("4-Mar-26")
    ('2026-03-22T08:00:00', '2026-03-04', '2026-03-04T20:05:00', '22.3.2026', '2026-03-04')
    """
    if found := _YEAR_FIRST.match(text):
        year, month, date = found[1], int(found[3]), int(found[4])
    elif found := _DAY_MONTH.match(text):
        year, month, date = whole_year(found[3]), 1 + _MONTHS.index(found[2].lower()), int(found[1])
    elif found := _MONTH_DAY.match(text):
        year, month, date = found[3], 1 + _MONTHS.index(found[1].lower()), int(found[2])
    else:
        return text
    rest = text[found.end() :].rstrip()
    clock = _CLOCK.match(rest)
    if rest and clock is None:
        return text
    return f"{year}-{month:02d}-{date:02d}{'' if clock is None else _time(clock) or rest}"


def whole_year(year: str) -> str:
    """A year of two digits with its century: 1970 to 2069.

    >>> whole_year("26"), whole_year("99"), whole_year("2026")
    ('2026', '1999', '2026')
    """
    return year if len(year) == 4 else f"{'20' if int(year) < 70 else '19'}{year}"


def _time(clock: re.Match[str]) -> str:
    """A time of the day as ISO writes it, '' where no clock shows it."""
    hour = int(clock[1])
    if clock[4]:
        if not 1 <= hour <= 12:
            return ""
        hour = hour % 12 + 12 * (clock[4].lower() == "pm")
    return f"T{hour:02d}:{clock[2]}:{clock[3] or '00'}"


def one_a_row(sheet: Sheet, known: Collection[str]) -> Sheet:
    """A sheet of readings with before and after beside each other, as one reading a row; any other as it is.

    Both must be in one unit; a blank cell is no reading. Both rows of a piece keep its line. Raises IntakeError where
    the two have different units.
    """
    beside: dict[str, list[tuple[int, str]]] = {"before": [], "after": []}
    values = {f"{s}{n[5:]}" for s in beside for n in known if n.startswith("value")}
    names = [heading(stage_of(h), values) for h in sheet.header]
    for at, name in enumerate(names):
        stage, _, unit = name.partition("_")
        if stage in beside and f"value{name[len(stage) :]}" in known:
            beside[stage].append((at, unit))
    (before, after), there = beside.values(), {heading(h, known) for h in sheet.header}
    if len(before) != 1 or len(after) != 1 or "stage" in there:
        return sheet
    unit, places = before[0][1], (before[0][0], after[0][0])
    if unit != after[0][1]:
        told = " and ".join(repr(sheet.header[at]) for at in places)
        what = f"before and after are not in one unit ({told})"
        mend = (
            "Turn one of the columns into the other's unit, or take each in by a file of its own with the column stage"
        )
        raise IntakeError(
            f"{sheet.name} cannot be taken in as readings", [Problem(what, sheet.name, 1, remedy=mend)],
            remedy="Nothing was taken in",
        )  # fmt: skip
    taken = [[not is_nothing(str(c or "").strip()) for c in sheet.columns[at]] for at in places]
    # a row without either is kept, so that it is asked about and not lost
    taken[0] = [first or not last for first, last in zip(*taken, strict=True)]
    both = [take for pair in zip(*taken, strict=True) for take in pair]
    rest = [at for at in range(len(sheet.header)) if at not in places]
    columns = [list(compress((c for c in sheet.columns[at] for _ in (0, 1)), both)) for at in rest]
    stages = list(compress(list(beside) * len(sheet.lines), both))
    read = list(compress((c for pair in zip(*(sheet.columns[at] for at in places), strict=True) for c in pair), both))
    first = list(accumulate((both[i] + both[i + 1] for i in range(0, len(both), 2)), initial=0))
    return replace(
        sheet, header=[*(sheet.header[at] for at in rest), "stage", "_".join(filter(None, ("value", unit)))],
        columns=[*columns, stages, read], lines=list(compress((n for n in sheet.lines for _ in (0, 1)), both)),
        doubts=[(first[i] + k, h, what) for i, h, what in sheet.doubts for k in range(both[2 * i] + both[2 * i + 1])],
    )  # fmt: skip


def limits_apart(sheet: Sheet, known: Collection[str]) -> Sheet:
    """A sheet of characteristics whose nominals are written with their tolerance, with the limits in columns of their
    own, where none stand there; any other as it is."""
    names = [heading(h, known) for h in sheet.header]
    header, columns = list(sheet.header), list(sheet.columns)
    for at, name in enumerate(names):
        if not name.startswith("nominal"):
            continue
        found = {i: said for i, cell in enumerate(columns[at]) if isinstance(cell, str) and (said := limits(cell))}
        ends = [f"{end}{name[7:]}" for end in ("lower", "upper")] if found else []
        places = [names.index(end) if end in names else -1 for end in ends]
        apart: list[list[Any]] = [list(columns[p]) if p >= 0 else [None] * len(sheet.lines) for p in (at, *places)]
        for i, said in found.items():
            if all(is_nothing((column[i] or "").strip()) for column in apart[1:]):
                for column, cell in zip(apart, said, strict=True):
                    column[i] = cell
        for place, end, column in zip((at, *places), (name, *ends), apart, strict=True):
            if place >= 0:
                columns[place] = column
            else:
                header.append(end)
                columns.append(column)
    return replace(sheet, header=header, columns=columns)
