"""Times as recorders write them: recognising a cell, finding the one format of a column, parsing by it.

Two ways of parsing give the same result: `parse_fast` (whole columns, explicit format) and `parse_cell` (one cell,
tolerant of missing leading zeros and fractions), used where a column is not uniform. 24:00, second 60 and days that
no calendar has are refused by both.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

LONGEST = 64  # characters of a time: the patterns below take the square of blanks
_MONTHS = (  # English, German, French, Spanish, Italian, Portuguese, Dutch, without accents, and short forms
    "january januar janvier enero gennaio janeiro januari",
    "february februar fevrier febrero febbraio fevereiro februari",
    "march marz mars marzo marco maart mrz mrt", "april avril abril aprile", "may mai mayo maggio maio mei",
    "june juni juin junio giugno junho", "july juli juillet julio luglio julho", "august aout agosto augustus",
    "september septembre septiembre settembre setembro", "october oktober octobre octubre ottobre outubro",
    "november novembre noviembre novembro", "december dezember decembre diciembre dicembre dezembro",
)  # fmt: skip


@lru_cache(1000)
def month_of(word: str) -> int | None:
    """The month that a name, or its first three letters or more, means; None where it is none, or more than one.

    >>> month_of("Sep"), month_of("Dez"), month_of("août"), month_of("jui")
    (9, 12, 8, None)
    """
    plain = "".join(c for c in unicodedata.normalize("NFKD", word.casefold()) if not unicodedata.combining(c))
    found = [i for i, names in enumerate(_MONTHS, start=1) if any(n.startswith(plain) for n in names.split())]
    return found[0] if len(plain) >= 3 and len(found) == 1 else None


_CLOCK = (
    r"(?P<H>\d{1,2}):(?P<M>\d{1,2})(?::(?P<S>\d{1,2})(?:(?:[.,]|:(?=\d{3}(?!\d)))(?P<frac>\d{1,9}))?)?"
    r"\s*(?P<ap>[AaPp]\.?[Mm]\.?)?"
)
ZONE_HOURS = {  # of the names that recorders write beside a time; what they leave open (IST, BST) is not among them
    "Z": 0, "UTC": 0, "GMT": 0, "EST": -5, "EDT": -4, "CST": -6, "CDT": -5, "MST": -7, "MDT": -6, "PST": -8, "PDT": -7,
    "WET": 0, "WEST": 1, "CET": 1, "CEST": 2, "MEZ": 1, "MESZ": 2, "EET": 2, "EEST": 3,
}  # fmt: skip
_ZONE_NAME = "|".join(sorted(ZONE_HOURS, key=len, reverse=True))
_OFFSET = rf"\s*(?P<off>(?:UTC|GMT)?[+-]\d{{2}}:?\d{{2}}|{_ZONE_NAME})?"
_DATES = (
    ("ymd", r"(?P<a>\d{4})(?P<sep>[-/.])(?P<b>\d{1,2})(?P=sep)(?P<c>\d{1,2})"),
    ("xxy", r"(?P<a>\d{1,2})(?P<sep>[-/.])(?P<b>\d{1,2})(?P=sep)(?P<c>\d{4}|\d{2})"),
    ("dMy", r"(?P<a>\d{1,2})\.?(?P<sep>[-/. ]?)(?P<mon>[^\W\d_]{3,10})\.?(?P=sep),?\s?(?P<c>\d{4}|\d{2})"),
    ("Mdy", r"(?P<mon>[^\W\d_]{3,10})(?P<sep>[-/. ])(?P<b>\d{1,2}),?(?P=sep)\s?(?P<c>\d{4})"),
    ("compact", r"(?P<a>(?:19|20)\d{2})(?P<b>\d{2})(?P<c>\d{2})(?P<sep>)"),
)
_WEEKDAY = r"(?:(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*\.?,?\s+)?"
_DATE_PATTERNS = [(kind, re.compile(rf"^{_WEEKDAY}{p}$", re.IGNORECASE)) for kind, p in _DATES]
_MOMENT_PATTERNS = [
    (kind, re.compile(rf"^{_WEEKDAY}{p}(?P<join>T|,?\s+|[-_:/])(?:{_CLOCK}){_OFFSET}$", re.IGNORECASE))
    for kind, p in _DATES
]
_COMPACT_MOMENT = re.compile(
    rf"^{_DATES[4][1]}(?P<join>T|\s|_|)(?P<H>\d{{2}})(?P<M>\d{{2}})(?P<S>\d{{2}})(?P<frac>)(?P<ap>)(?P<off>Z)?$"
)
_CTIME = re.compile(  # Tue Sep 17 14:05:03 2019, with a zone's name before the year or without
    rf"^{_WEEKDAY}(?P<mon>[^\W\d_]{{3,10}})\.?\s+(?P<b>\d{{1,2}})(?P<sep>)(?P<join>,?\s+)(?:{_CLOCK})"
    rf"(?:\s+(?P<off>{_ZONE_NAME}))?\s+(?P<c>\d{{4}})$",
    re.IGNORECASE,
)
_MOMENT_PATTERNS.append(("ctime", _CTIME))
_CLOCK_PATTERN = re.compile(rf"^{_CLOCK}$")
_DURATION = re.compile(
    r"^(?P<sign>-?)(?:(?P<d>\d+)[d.]\s*)?(?P<a>\d+):(?P<b>\d{2})(?::(?P<c>\d{2})(?:[.,](?P<frac>\d+))?)?$"
)


def kind_of(cell: str) -> str:
    """'moment' (date and time), 'date', 'clock' (time alone), 'duration' (over 24 h) or '' for anything else.

    >>> [kind_of(c) for c in ("2026-03-01 08:00", "03/04/26", "8:15 PM", "31:00:00", "612.3")]
    ['moment', 'date', 'clock', 'duration', '']
    """
    if not 4 <= len(cell) <= LONGEST or not any(ch.isdigit() for ch in cell):
        return ""
    if ":" not in cell and not _COMPACT_MOMENT.match(cell):
        return "date" if any(p.match(cell) for _, p in _DATE_PATTERNS) else ""
    if _CLOCK_PATTERN.match(cell):
        return "clock" if int(cell.split(":")[0]) < 24 else "duration"
    if _COMPACT_MOMENT.match(cell) or any(p.match(cell) for _, p in _MOMENT_PATTERNS):
        return "moment"
    return "duration" if _DURATION.match(cell) else ""


def date_orders(cells: Sequence[str]) -> tuple[set[str], str]:
    """The orders ('dmy', 'mdy', 'ymd') under which every cell is a date of a calendar, and one cell as an example.

    A cell with a four-digit year first, a month in letters or eight digits together leaves one order only.
    """
    orders = {"dmy", "mdy", "ymd"}
    example = ""
    for cell in dict.fromkeys(_date_of(c) for c in cells):
        match = next((m for kind, p in _DATE_PATTERNS if (m := p.match(cell)) and kind == "xxy"), None)
        if match is None:
            continue
        example = example or cell
        orders = {o for o in orders if _date_parts(match.groupdict(), o) is not None}
    return orders, example


def days_of(cells: Sequence[str], order: str) -> list[date]:
    """The days of all-digit dates read in one order, each once, as the file has them."""
    found = []
    for cell in dict.fromkeys(_date_of(c) for c in cells):
        match = next((m for kind, p in _DATE_PATTERNS if (m := p.match(cell)) and kind == "xxy"), None)
        parts = _date_parts(match.groupdict(), order) if match is not None else None
        if parts is not None:
            found.append(date(*parts))
    return found


def _date_of(cell: str) -> str:
    """The date in a moment's cell, whatever joins the two."""
    if ":" not in cell:
        return cell
    match = next((m for kind, p in _MOMENT_PATTERNS[:5] if kind == "xxy" and (m := p.match(cell))), None)
    return cell[: match.start("join")] if match else cell.split(":")[0].rsplit(" ", 1)[0]


def _date_parts(g: dict[str, str | None], order: str) -> tuple[int, int, int] | None:
    a, b, c = g["a"], g["b"], g["c"]
    if a is None or b is None or c is None:
        return None
    if order == "ymd":
        if len(c) == 4:
            return None
        year, month, day = a, b, c
    elif order == "dmy":
        day, month, year = a, b, c
    else:
        month, day, year = a, b, c
    y = int(year) + (2000 if len(year) <= 2 else 0)
    try:
        datetime(y, int(month), int(day))
    except ValueError:
        return None
    return y, int(month), int(day)


def format_of(cell: str, order: str) -> str:
    """The strptime format of a date, clock or moment cell; order settles the all-digit dates. '' where it is none.

    >>> format_of("3/4/2026 8:05:00 PM", "mdy"), format_of("2026-03-01T08:00:00Z", "")
    ('%m/%d/%Y %I:%M:%S %p', '%Y-%m-%dT%H:%M:%S%z')
    """
    if len(cell) > LONGEST:
        return ""
    for kind, pattern in [("clock", _CLOCK_PATTERN), *_DATE_PATTERNS, *_MOMENT_PATTERNS, ("compact", _COMPACT_MOMENT)]:
        match = pattern.match(cell)
        if match is None:
            continue
        g = match.groupdict()
        date = ""
        if kind != "clock":
            sep, long_year = g["sep"] or "", len(g["c"] or "") == 4
            year = "%Y" if long_year else "%y"
            if kind == "ymd":
                date = f"%Y{sep}%m{sep}%d"
            elif kind == "compact":
                date = "%Y%m%d"
            elif kind == "dMy":
                date = f"%d{sep}%b{sep}{year}"
            elif kind == "ctime":
                return _ctime_format(cell, g)
            elif kind == "Mdy":
                date = f"%b{sep}%d,{sep}%Y" if "," in cell else f"%b{sep}%d{sep}%Y"
            else:
                names = {"d": "%d", "m": "%m", "y": year if order != "ymd" else "%y"}
                date = sep.join(names[ch] for ch in order)
        if not g.get("H"):
            return date
        clock = _clock_format(cell, g)
        offset = g.get("off")
        if offset:
            clock += (" " if cell.removesuffix(offset).endswith(" ") else "") + "%z"
        return date + (g.get("join") or "") + clock
    return ""


def _clock_format(cell: str, g: dict[str, str | None]) -> str:
    """The format of the time in a cell; '%-M' and '%-S' where minutes and seconds go without a leading zero."""
    colon = ":" if ":" in cell else ""
    bare = "-" if len(g["M"] or "") == 1 or len(g["S"] or "") == 1 else ""
    clock = f"%I{colon}%{bare}M" if g["ap"] else f"%H{colon}%{bare}M"
    if g["S"]:
        clock += f"{colon}%{bare}S"
        if g["frac"]:
            clock += cell[cell.rindex(g["frac"]) - 1] + "%f"
    if g["ap"]:
        clock += " %p" if re.search(r"\s[AaPp]\.?[Mm]", cell) else "%p"
    return clock


def _ctime_format(cell: str, g: dict[str, str | None]) -> str:
    weekday = "%a " if re.match(_WEEKDAY + r"(?<=\s)", cell, re.IGNORECASE) else ""
    return f"{weekday}%b %d {_clock_format(cell, g)}{' %z' if g['off'] else ''} %Y"


def order_of(fmt: str) -> str:
    """'dmy', 'mdy' or 'ymd' of a strptime format, '' where it has no date."""
    marks = [ch.lower() for ch in re.findall(r"%([dmbyY])", fmt)]
    return "".join("m" if ch == "b" else ch for ch in marks)


def parse_cell(cell: str, fmt: str) -> datetime | None:
    """The moment of a cell under a format, tolerant of left-out zeros and fractions; None where it is none.

    With an offset in the cell the moment is aware (UTC), else naive. A clock alone gives that time on 1 January 1.
    """
    if len(cell) > LONGEST:
        return None
    order = order_of(fmt)
    patterns = [*_MOMENT_PATTERNS, ("compact", _COMPACT_MOMENT)] if order else [("clock", _CLOCK_PATTERN)]
    for kind, pattern in patterns:
        match = pattern.match(cell)
        if match is None:
            continue
        g = match.groupdict()
        plain = fmt.replace("%-", "%")
        if any(bool(g.get(part)) != (mark in plain) for part, mark in (("S", "%S"), ("ap", "%p"), ("off", "%z"))):
            return None  # without its seconds, its PM or its offset it would be another time
        if plain == fmt and (len(g["M"] or "00") == 1 or len(g["S"] or "00") == 1):
            return None  # a digit lost
        if not order:
            day: tuple[int, int, int] | None = (1, 1, 1)
        elif kind in ("ymd", "compact"):
            day = _date_parts(g, "ymd") if order == "ymd" and len(g["c"] or "") <= 2 else None
        elif kind == "xxy":  # 03/05/26 is no time of a recorder that writes 2026-05-03
            day = None if order == "ymd" and "%Y" in fmt else _date_parts(g, order)
        else:
            month = month_of(g["mon"] or "")
            number = g["a"] if kind == "dMy" else g["b"]
            day = None if month is None else _date_parts({"a": number, "b": str(month), "c": g["c"]}, "dmy")
        return None if day is None else _at(day, g)
    return None


def _at(day: tuple[int, int, int], g: dict[str, str | None]) -> datetime | None:
    hour = int(g["H"] or 0)
    if g["ap"]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if g["ap"][0] in "Pp" else 0)
    micro = int((g["frac"] or "0").ljust(6, "0")[:6])
    try:
        moment = datetime(*day, hour, int(g["M"] or 0), int(g["S"] or 0), micro)
    except ValueError:
        return None
    offset = g.get("off")
    if not offset:
        return moment
    try:
        return (moment - offset_of(offset)).replace(tzinfo=UTC)
    except OverflowError:
        return None


def offset_of(text: str) -> timedelta:
    """The distance from UTC that 'CDT', '-05:00' or 'GMT+0100' says."""
    if text.upper() in ZONE_HOURS:
        return timedelta(hours=ZONE_HOURS[text.upper()])
    sign, digits = text.lstrip("UTCGMutcgm")[0], re.sub(r"\D", "", text)
    shift = timedelta(hours=int(digits[:2]), minutes=int(digits[2:] or 0))
    return -shift if sign == "-" else shift


YEAR_IN_FRONT = re.compile(r"(?:19|20)\d\d (?=.*%)")  # of a format: the year of times that say none
_WITHOUT_YEAR = (
    (re.compile(rf"^[A-Za-z]{{3}} +\d{{1,2}},? +{_CLOCK}$"), "%b %d"),
    (re.compile(rf"^\d{{1,2}}(?P<sep>[-/. ])[A-Za-z]{{3}}[ ,]+{_CLOCK}$"), "%d{sep}%b"),
    (re.compile(rf"^(?P<a>\d{{1,2}})(?P<sep>[-/.])(?P<b>\d{{1,2}})\.?[ ,]+{_CLOCK}$"), "%d{sep}%m"),
    (re.compile(rf"^{_CLOCK}[-, ]+(?P<a>\d{{1,2}})(?P<sep>[-/.])(?P<b>\d{{1,2}})\.?$"), "%d{sep}%m"),
)


def without_year(cells: Sequence[str]) -> list[str]:
    """The formats of times that have a day and a month, and no year; [] where they are none.

    >>> without_year(["Mar 14 09:58:00"]), without_year(["09:12-7/10"])
    (['%b %d %H:%M:%S'], ['%H:%M-%d/%m', '%H:%M-%m/%d'])
    """
    for pattern, day in _WITHOUT_YEAR:
        matches = [pattern.match(c) for c in cells]
        first = matches[0] if matches else None
        if first is None or not all(matches):
            continue
        if "%b" in day and not all(month_of(re.sub(r"[^A-Za-z].*", "", c.lstrip("0123456789-/. "))) for c in cells):
            continue
        g = first.groupdict()
        clock = _clock_format(cells[0], g).replace("%-", "%")
        day = day.format(sep=g.get("sep") or "")
        date_first = first.start("H") > 0
        between = cells[0][: first.start("H")] if date_first else cells[0][first.end("M") : first.start("a")]
        between = re.sub(r"^.*?(?=[-, ]+$)", "", between)
        formats = [f"{day}{between}{clock}" if date_first else f"{clock}{between}{day}"]
        if "a" in g:
            numbers = [m.groupdict() for m in matches if m]
            fitting = [
                f for f, d, mo in ((day, "a", "b"), (f"%m{g['sep']}%d", "b", "a"))
                if all(1 <= int(n[d]) <= 31 and 1 <= int(n[mo]) <= 12 for n in numbers)
            ]  # fmt: skip
            formats = [f"{f}{between}{clock}" if date_first else f"{clock}{between}{f}" for f in fitting]
        return formats
    return []


def stated_time(cell: str, fmt: str) -> str:
    """A time written as a stated strptime format says, as ISO text; '' where it is none.

    fmt  may begin with a year and a blank where the times say none

    >>> stated_time("3Jul2016 0:0:4", "%d%b%Y %H:%M:%S"), stated_time("14h05", "%Hh%M")
    ('2016-07-03 00:00:04', '14:05:00')
    >>> stated_time("09:12-7/10", "2020 %H:%M-%d/%m")
    '2020-10-07 09:12:00'
    """
    if len(cell) > LONGEST:
        return ""
    if year := YEAR_IN_FRONT.match(fmt):
        cell, fmt = year.group() + cell, "%Y " + fmt[year.end() :]
    try:
        moment = datetime.strptime(cell, fmt)
    except ValueError:
        return ""
    return moment.isoformat(" ") if order_of(fmt) else moment.time().isoformat()


_DATE_DIGIT = r"(?:^%s[-/. ]|[-/.]%s[-/.]|^\d{4}[-/.]\d{1,2}[-/.]%s(?!\d))"
_CLOCK_DIGIT = r"(?:^|[T ,_])%s:\d\d"
_MINUTE_DIGIT = r":%s(?!\d)"
_PADDED = [
    (re.compile(p.replace("%s", r"0\d"), re.MULTILINE), re.compile(p.replace("%s", r"\d"), re.MULTILINE))
    for p in (_DATE_DIGIT, _CLOCK_DIGIT, _MINUTE_DIGIT)
]


def lost_a_digit(text: str) -> re.Pattern[str] | None:
    """What tells a time that lost a digit, where the times (one a line) are written with leading zeros: '8:05' among
    '08:00' and '10:05' may have been 18:05. None where nothing of the kind stands in the text."""
    wrong = [single.pattern for zero, single in _PADDED if single.search(text) and zero.search(text)]
    return re.compile("|".join(wrong)) if wrong else None


SECONDS_IN = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86_400.0, "ms": 0.001}


def elapsed_seconds(cell: str, unit: str, decimal: str = ".") -> float | None:
    """Seconds of an elapsed time: a number in s, min, h, d or ms, or h:m:s, h:m, m:s (hours may pass 24).

    >>> elapsed_seconds("26:10:05", "h:m:s"), elapsed_seconds("1.5", "min")
    (94205.0, 90.0)
    """
    if len(cell) > LONGEST:
        return None
    if ":" in unit:
        match = _DURATION.match(cell)
        if match is None or (unit == "h:m:s") != (match["c"] is not None):
            return None
        a, b = int(match["a"]), int(match["b"])
        days = int(match["d"] or 0) * 86400
        fraction = float(f"0.{match['frac']}") if match["frac"] else 0.0
        if b > 59 or int(match["c"] or 0) > 59:
            return None
        seconds = {"h:m:s": a * 3600 + b * 60 + int(match["c"] or 0), "h:m": a * 3600 + b * 60, "m:s": a * 60 + b}[unit]
        return (-1.0 if match["sign"] else 1.0) * (days + seconds + fraction)
    try:
        number = float(cell.replace(decimal, ".") if decimal != "." else cell)
    except ValueError:
        return None
    return number * SECONDS_IN[unit]


_DIGITS = str.maketrans("123456789", "0" * 9)
_SHAPES = {
    "%Y": "0{4}", "%y": "00", "%m": "00?", "%d": "00?", "%b": "[A-Za-z]{3}", "%H": "00?", "%I": "00?", "%M": "00",
    "%S": "00", "%-M": "00?", "%-S": "00?", "%a": "[A-Za-z]{3}",
    "%f": "0{1,6}", "%p": "[AaPp][Mm]", "%z": "(?:Z|[+-]00:?00)",
}  # fmt: skip
_EPOCH = {"1900": datetime(1899, 12, 30), "1904": datetime(1904, 1, 1)}


def serial_moment(number: float, epoch: str) -> datetime | None:
    """The moment of a spreadsheet's day count, to the millisecond. Serials before 1 March 1900 are refused (their
    day 60 never was).

    >>> serial_moment(46082.3125, "1900").isoformat()
    '2026-03-01T07:30:00'
    """
    if not 61 <= number < 2_958_466:
        return None
    return _EPOCH[epoch] + timedelta(milliseconds=round(number * 86_400_000))


_COUNTED_FROM = {"1970": 0.0, "1904 s": -2_082_844_800.0, "1900 s": -2_208_988_800.0}


def parts_of_a_second(number: float) -> float:
    """What a count from an epoch counts, by its size: seconds (1), milli-, micro- or nanoseconds (1e9)."""
    return next((p for least, p in ((1e17, 1e9), (1e14, 1e6), (1e11, 1e3)) if abs(number) > least), 1.0)


def counted_seconds(number: float, epoch: str) -> float | None:
    """Seconds since 1970 of a count of seconds (or milli-, micro- or nanoseconds) from an epoch; None outside 2000 to
    2099.

    epoch  '1970', '1904 s' or '1900 s', all of them in UTC

    >>> counted_seconds(1773475200.0, "1970") == counted_seconds(1773475200000.0, "1970")
    True
    >>> counted_seconds(3856320000.0, "1904 s")
    1773475200.0
    """
    seconds = number / parts_of_a_second(number) + _COUNTED_FROM[epoch]
    return seconds if 946_684_800 <= seconds < 4_102_444_800 else None


def _in_shape(column: pd.Series[str], fmt: str) -> bool:
    """Has every cell the digits that the format asks for, and no second 60.

    strptime alone would also take '8:2:00' (a digit lost?), '- 4' and a second 60. With all digits made 0 a column
    has few distinct shapes, and only those are looked at.
    """
    text = "\n".join(column.tolist())
    if ":60" in text:
        return False
    parts = re.split(r"(%-?[a-zA-Z])", fmt)
    shape = re.compile("".join(_SHAPES.get(part, re.escape(part).replace(r"\ ", " +")) for part in parts))
    shapes = set(text.translate(_DIGITS).split("\n"))
    return all(shape.fullmatch(found) for found in shapes) and (len(shapes) == 1 or lost_a_digit(text) is None)


def parse_fast(column: pd.Series[str], fmt: str) -> np.ndarray | None:
    """Seconds since 1970 (as if UTC where there is no offset) of a column, None where a cell does not fit."""
    import pandas as pd

    if not _in_shape(column, fmt):
        return None
    fmt = fmt.replace("%-", "%")
    try:
        moments = pd.to_datetime(column, format=fmt, utc="%z" in fmt)
    except (ValueError, TypeError, OverflowError):
        return None
    if moments.isna().any():
        return None
    naive = moments.dt.tz_localize(None) if "%z" in fmt else moments
    micros = naive.to_numpy().astype("datetime64[us]").astype("int64")
    return micros / 1e6
