"""What people write in the place of a column's name, a number or a date, where it can mean one thing only.

'Length (in)' is length_in, 1-1/2 under inches is 1.5, 4-Mar-2026 is 2026-03-04. Everything else stays as it stands, and
is refused by what reads it.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Container
from dataclasses import replace
from itertools import accumulate, compress

from loadbook.core import units
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
_DAY_MONTH = re.compile(rf"^(\d{{1,2}})[-. ]\s*{_MONTH}[-. ,]\s*(\d{{4}})(?!\d)", re.IGNORECASE | re.ASCII)
_MONTH_DAY = re.compile(rf"^{_MONTH} \s*(\d{{1,2}}),?\s+(\d{{4}})(?!\d)", re.IGNORECASE | re.ASCII)
_CLOCK = re.compile(r"^[ T]\s*(\d{1,2}):(\d\d)(?::(\d\d))?\s*([ap]m)?$", re.IGNORECASE | re.ASCII)


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
    """
    plain = text.strip().lower().replace(" ", "_")
    if plain in known:
        return plain
    stem, said = text.strip().lower(), ""
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
    ('2026-03-22T08:00:00', '2026-03-04', '2026-03-04T20:05:00', '22.3.2026', '4-Mar-26')
    """
    if found := _YEAR_FIRST.match(text):
        year, month, date = found[1], int(found[3]), int(found[4])
    elif found := _DAY_MONTH.match(text):
        year, month, date = found[3], 1 + _MONTHS.index(found[2].lower()), int(found[1])
    elif found := _MONTH_DAY.match(text):
        year, month, date = found[3], 1 + _MONTHS.index(found[1].lower()), int(found[2])
    else:
        return text
    rest = text[found.end() :].rstrip()
    clock = _CLOCK.match(rest)
    if rest and clock is None:
        return text
    return f"{year}-{month:02d}-{date:02d}{'' if clock is None else _time(clock) or rest}"


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

    Both must be in one unit; a blank cell is no reading. Both rows of a piece keep its line.
    """
    beside: dict[str, list[tuple[int, str]]] = {"before": [], "after": []}
    names = [heading(h, {f"{s}{n[5:]}" for s in beside for n in known if n.startswith("value")}) for h in sheet.header]
    for at, name in enumerate(names):
        stage, _, unit = name.partition("_")
        if stage in beside and f"value{name[len(stage) :]}" in known:
            beside[stage].append((at, unit))
    (before, after), there = beside.values(), {heading(h, known) for h in sheet.header}
    if len(before) != 1 or len(after) != 1 or before[0][1] != after[0][1] or "stage" in there:
        return sheet
    unit, places = before[0][1], (before[0][0], after[0][0])
    taken = [[str(c or "").strip() != "" for c in sheet.columns[at]] for at in places]
    # a row without either is kept, so that it is asked about and not lost
    taken[0] = [first or not last for first, last in zip(*taken, strict=True)]
    both = [take for pair in zip(*taken, strict=True) for take in pair]
    rest = [at for at in range(len(sheet.header)) if at not in places]
    columns = [list(compress((c for c in sheet.columns[at] for _ in (0, 1)), both)) for at in rest]
    stages = list(compress(list(beside) * len(sheet.lines), both))
    values = list(compress((c for pair in zip(*(sheet.columns[at] for at in places), strict=True) for c in pair), both))
    first = list(accumulate((both[i] + both[i + 1] for i in range(0, len(both), 2)), initial=0))
    return replace(
        sheet, header=[*(sheet.header[at] for at in rest), "stage", "_".join(filter(None, ("value", unit)))],
        columns=[*columns, stages, values], lines=list(compress((n for n in sheet.lines for _ in (0, 1)), both)),
        doubts=[(first[i] + k, h, what) for i, h, what in sheet.doubts for k in range(both[2 * i] + both[2 * i + 1])],
    )  # fmt: skip
