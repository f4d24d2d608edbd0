"""Which column of an undescribed file holds the time, of what kind it is and in which format, or what must be asked."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from typing import NoReturn

import numpy as np

from loadbook.core import times as moments
from loadbook.core.errors import IntakeError, Problem, UsageError
from loadbook.core.typed import quote

from .cells import kind, since_1970
from .layout import Layout
from .names import is_elapsed, is_time, read_heading
from .options import ORDERS, Options, Question
from .table import Table
from .times import counted_seconds, date_orders, days_of, format_of, kind_of, without_year

_ZEROS = re.compile(r":0\d")
_FACTOR = (
    ("ms", re.compile(r"\b(ms|msec|milliseconds?)\b")),
    ("s", re.compile(r"\b(s|sec|secs|seconds?)\b")),
    ("min", re.compile(r"\b(m|min|mins|minutes?)\b")),
    ("h", re.compile(r"\b(h|hr|hrs|hours?)\b")),
    ("d", re.compile(r"\b(days|tage|jours)\b")),
)
_HINTS = (
    ("dmy", re.compile(r"d{1,2}\W?m{1,3}\W?y{2,4}")),
    ("mdy", re.compile(r"m{1,2}\W?d{1,2}\W?y{2,4}")),
    ("ymd", re.compile(r"y{2,4}\W?m{1,2}\W?d{1,2}")),
)
_BARE_UNIT = re.compile(r"^(ms|millis|milliseconds?|s|secs?|seconds?|minutes?|hours?)$", re.IGNORECASE)
SERIAL = (20_000.0, 80_000.0)  # 1954 to 2119
LONGEST_DAYS = 30.0  # of a run whose time may be counted in days


@dataclass
class TimeGuess:
    """Columns (places), kind and format of the time, provisional where questions are left."""

    columns: list[int]
    kind: str
    fmt: str
    questions: list[Question] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def guess_time(table: Table, options: Options, layout: Layout) -> TimeGuess:
    """The time of a file. Raises IntakeError where no column can be it."""
    columns = table.columns
    named = _named(table, options, layout)
    pool = named or list(range(columns.width))
    _are_times(table, named, options)
    stamped = [i for i in pool if columns.share(i, "moment") > 0.5]
    if not named and len(stamped) > 1:  # the bounds of an export, the same in every row, are no times of it
        stamped = [i for i in stamped if len({r[i] for r in table.rows if i < len(r)}) > 1] or stamped
    dates = [i for i in pool if columns.share(i, "date") > 0.5]
    clocks = [i for i in pool if columns.share(i, "clock", "duration") > 0.5]
    if stamped:
        return _clock(table, [_best(table, stamped)], options, _several(table, stamped, named))
    if dates and clocks:
        plain = [i for i in clocks if not is_elapsed(table.head.names[i])] or clocks
        return _clock(table, [dates[0], plain[0]], options, _several(table, plain, named))
    if clocks:
        return _clock_alone(table, clocks[0], options)
    for place in pool:
        if columns.share(place, "text") > 0.5 and _clocks_in(table, place):
            _unreadable(table, place, options)  # no counter beside it is the time
    numeric = [i for i in pool if columns.share(i, "number") > 0.5]
    return _number(table, numeric, options, layout, bool(named))


def _are_times(table: Table, named: list[int], options: Options) -> None:
    """Raises IntakeError where columns that were named as the time hold texts that are no times."""
    kinds = ("moment", "date", "clock", "duration", "number", "open")
    for place in named:
        if table.columns.filled(place) and table.columns.share(place, *kinds) <= 0.5:
            _unreadable(table, place, options)


def _clocks_in(table: Table, place: int) -> bool:
    """Do texts with a day and a clock time in them, which cannot be read, stand in a column; each another one."""
    cells = [r[place] for r in table.rows[:500] if place < len(r) and r[place]]
    timed = [c for c in cells if re.search(r"\b\d{1,2}:\d{2}\b", c) and len(re.findall(r"\d+", c)) >= 4]
    return len(timed) > 0.8 * len(cells) and len(set(timed)) > 0.3 * len(timed)


def _unreadable(table: Table, place: int, options: Options) -> NoReturn:
    rows = zip(table.lines, table.rows, strict=True)
    texts = ((line, r[place]) for line, r in rows if place < len(r) and kind(r[place]) == "text")
    line, cell = next(texts, (table.lines[0], ""))
    how = "correct --time-format" if options.written_time else "give --time-format, such as '%a %d %b %Y %H:%M:%S'"
    formats = without_year([r[place] for r in table.rows if place < len(r) and kind(r[place]) == "text"][:500])
    if formats and not options.written_time:
        year = _year_said(table)
        either = " or ".join(f"'{year or 'YEAR'} {f}'" for f in formats)
        said = "which begins with that of the first row" if year else "with that of the first row for YEAR"
        raise IntakeError(
            f"{cell!r} in line {line} says no year: give --time-format {either}, {said}",
            [Problem(f"column {table.head.names[place]!r}", None, line, None, cell)],
            remedy="%d day, %m month or %b its name, %H:%M:%S the time",
        )
    raise IntakeError(
        f"{cell!r} in line {line} cannot be read as a time: {how}",
        [Problem(f"column {table.head.names[place]!r}", None, line, None, cell)],
        remedy="%d day, %m month or %b its name, %Y year, %H:%M:%S the time, %p AM or PM",
    )


def _year_said(table: Table) -> str:
    """The year that the lines above the heading say, '' where they say none, or several."""
    text = " ".join(c for row in table.head.preamble for c in row)
    years = set(re.findall(r"(?<![\d.])(20\d\d)(?![\d.]*\d)", text))
    return years.pop() if len(years) == 1 else ""


def _named(table: Table, options: Options, layout: Layout) -> list[int]:
    wanted = options.time or layout.time_columns
    places = []
    low = [n.casefold() for n in table.head.names]
    plain = [read_heading(n).name.casefold() for n in table.head.names]
    for name in wanted:
        key = name.casefold()
        if name.startswith("#") and name[1:].isdigit() and 0 < int(name[1:]) <= len(low):
            places.append(int(name[1:]) - 1)
        elif key in low or key in plain:
            places.append(low.index(key) if key in low else plain.index(key))
        else:
            raise UsageError(f"there is no column {name!r}", remedy=f"Columns: {', '.join(table.head.names)}")
    return places


def _best(table: Table, places: list[int]) -> int:
    timed = [i for i in places if is_time(table.head.names[i])]
    return (timed or places)[0]


def _several(table: Table, places: list[int], named: list[int]) -> list[Question]:
    if len(places) < 2 or named:
        return []
    names = [table.head.names[i] for i in places]
    return [
        Question(
            f"several columns hold times: {', '.join(map(repr, names))}",
            f"--time {quote(table.head.names[_best(table, places)])}",
        )
    ]


def _cells(table: Table, places: list[int]) -> list[str]:
    """The time cells of the rows that hold one, joined by a blank."""
    out = []
    for row in table.rows:
        parts = [row[i] for i in places if i < len(row) and row[i]]
        if len(parts) == len(places) and any(ch.isdigit() for ch in parts[0]):
            out.append(" ".join(parts))
    return out


def _clock(table: Table, places: list[int], options: Options, questions: list[Question]) -> TimeGuess:
    cells = [c for c in _cells(table, places) if kind_of(c) == "moment"]
    orders, example = date_orders(cells)
    notes: list[str] = []
    order = _order(table, places, cells, orders, example, options, questions, notes)
    formats = [f for f in dict.fromkeys(format_of(c, order) for c in cells[:500]) if f]
    if not formats:
        raise IntakeError(
            "the times cannot be read",
            [Problem("no known date format", None, table.lines[0], None, (cells or [""])[0])],
        )
    fmt = formats[0]
    bare = [f for f in formats if "%-" in f]
    if bare and not any(_ZEROS.search(c) for c in cells):  # no leading zero anywhere: that is how the file is written
        fmt = bare[0]
    if any("%p" in f for f in formats):
        fmt = next(f for f in formats if "%p" in f)
    offsets = {"%z" in f for f in formats}
    if len(offsets) > 1:
        raise IntakeError("some times carry a UTC offset and others do not", [Problem(fmt, None, table.lines[0])])
    return TimeGuess(places, "clock", fmt, questions, notes)


def _order(
    table: Table, places: list[int], cells: list[str], orders: set[str], example: str, options: Options,
    questions: list[Question], notes: list[str],
) -> str:  # fmt: skip
    if not example:
        return "ymd"
    if options.date_order:
        if options.date_order not in ORDERS:
            raise UsageError(f"--date-order cannot be {options.date_order!r}", remedy=f"One of: {', '.join(ORDERS)}")
        order = ORDERS[options.date_order]
        if order not in orders:
            raise IntakeError(
                f"the dates are not {options.date_order}",
                [Problem("no such date for some rows", None, None, None, example)],
            )
        return order
    if not orders:
        raise IntakeError(
            "the dates fit no order of day, month and year", [Problem("a date", None, None, None, example)]
        )
    if len(orders) == 1:
        return next(iter(orders))
    text = " ".join([*(table.head.names[i] for i in places), *table.head.hints]).lower()
    hinted = {o for o, p in _HINTS if p.search(text)} & orders
    if len(hinted) == 1:
        return next(iter(hinted))
    words = {v: k for k, v in ORDERS.items()}
    steady = [o for o in ("dmy", "mdy", "ymd") if o in orders and _from_day_to_day(cells, o)]
    if len(steady) == 1:
        notes.append(f"{example} is {words[steady[0]]}: read otherwise, the days would jump by a month or more")
        return steady[0]
    questions.append(
        Question(
            f"{example} may be {' or '.join(words[o] for o in ('dmy', 'mdy', 'ymd') if o in orders)}",
            f"--date-order {' or '.join(words[o] for o in ('dmy', 'mdy', 'ymd') if o in orders)}",
        )
    )
    return next(o for o in ("dmy", "mdy", "ymd") if o in orders)


def _from_day_to_day(cells: list[str], order: str) -> bool:
    """Do the days of the file follow one another within a week, read in this order, as those of one run do."""
    steps = [(later - earlier).days for earlier, later in pairwise(days_of(cells, order))]
    return all(0 < s <= 7 for s in steps) or all(-7 <= s < 0 for s in steps)


def _clock_alone(table: Table, place: int, options: Options) -> TimeGuess:
    """Clock times without a date, or elapsed hours: settled by AM/PM, by hours over 23, by the heading; else asked."""
    cells = _cells(table, [place])
    name = table.head.names[place]
    elapsed = "h:m:s" if cells[0].count(":") == 2 else "h:m"
    if options.time_unit in ("h:m", "m:s", "h:m:s"):
        elapsed = options.time_unit
    told = elapsed == "h:m" and re.search(r"[\[(]\s*(hh?|mm?):(mm?|ss?)\s*[\])]", name.lower())
    if told and not options.time_unit and not options.time_kind and told[1][0] + told[2][0] == "ms":
        return TimeGuess([place], "elapsed", "m:s")
    formats = [f for f in dict.fromkeys(format_of(c, "") for c in cells[:500]) if f]
    bare = [f for f in formats if "%-" in f and not any(_ZEROS.search(c) for c in cells)]
    fmt = (bare or formats or [""])[0]
    long = any(kind_of(c) == "duration" for c in cells)
    if any("m" in c.lower() for c in cells[:3]):
        return TimeGuess([place], "time of day", fmt)
    questions = []
    if elapsed == "h:m" and not options.time_unit and (long or is_elapsed(name) or options.time_kind == "elapsed"):
        questions.append(
            Question(
                f"{cells[0]} in {name!r} may be hours and minutes or minutes and seconds", "--time-unit h:m or m:s"
            )
        )
    if options.time_kind == "elapsed" or long or is_elapsed(name) or (options.time_unit and not options.time_kind):
        return TimeGuess([place], "elapsed", elapsed, questions)
    if options.time_kind in ("time of day", "clock"):
        return TimeGuess([place], "time of day", fmt)
    if re.match(r"^0?0:00(:00)?(\.0+)?$", cells[0]):
        question = Question(
            f"{name!r} begins at {cells[0]}: a clock, or time since the start?", "--time-kind clock or elapsed"
        )
        return TimeGuess([place], "elapsed", elapsed, [question])
    return TimeGuess([place], "time of day", fmt)


def _number(table: Table, numeric: list[int], options: Options, layout: Layout, named: bool) -> TimeGuess:
    """A numeric time column: a spreadsheet's day count, or an elapsed time whose unit the heading or user says."""
    names = table.head.names
    worded = [
        i for i in numeric
        if is_time(names[i]) or is_elapsed(names[i]) or _BARE_UNIT.match(names[i])
    ]  # fmt: skip
    united = [i for i in numeric if _unit(names[i], table.head.units[i], strict=True)]
    candidates = (
        numeric if named else worded or united or numeric[:1] * since_1970(table.grid, numeric[0] if numeric else 0)
    )
    rising = [i for i in candidates if _mostly_rising(_column(table, i, layout))]
    if not rising:
        _no_time(table, numeric, options, layout, named)
    place = rising[0]
    values = _column(table, place, layout)
    epoch_of = _since_an_epoch(names[place], values, options)
    if epoch_of is not None:
        return TimeGuess([place], "serial", *epoch_of)
    stated = bool(options.epoch) and not options.time_unit
    open_kind = not options.time_kind and not options.time_unit
    if options.time_kind == "serial" or stated or (open_kind and _is_serial(values)):
        questions = []
        epoch = options.epoch or table.epoch
        if stated and not ((values > 61) & (values < 2_958_466)).all():
            raise IntakeError(
                f"{names[place]!r} does not count days from {options.epoch}",
                [Problem("no day of any calendar", None, None, None, f"{values[0]:g}")],
                remedy="Leave --epoch out, and give --time-unit where it counts from the start",
            )
        if epoch not in ("1900", "1904"):
            questions.append(
                Question(f"{names[place]!r} holds day counts: from 1900 or from 1904?", "--epoch 1900 or 1904")
            )
            epoch = "1900"
        return TimeGuess([place], "serial", epoch, questions)
    unit = options.time_unit or _unit(names[place], table.head.units[place] or _raw_unit(table, place))
    asked = _no_times(table, place, values)
    if unit:
        return TimeGuess([place], "elapsed", unit, asked)
    days = values.max() < LONGEST_DAYS and bool((values % 1 != 0).any())
    question = Question(
        f"{names[place]!r} counts from {values.min():.15g} to {values.max():.15g}:"
        f" seconds, minutes, hours{', days' if days else ''} or milliseconds?",
        f"--time-unit s, min, h{', d' if days else ''} or ms",
    )
    return TimeGuess([place], "elapsed", "s", [question, *asked])


def _no_times(table: Table, place: int, values: np.ndarray) -> list[Question]:
    """What is asked of rows whose time is one and the same number before all others (-1 at the beginning, in between
    and at the end), as some recorders mark rows that are no samples."""
    least = values == values.min()
    rest = values[~least]
    if not 1 < least.sum() <= max(20, 0.01 * len(values)) or len(rest) < 3 or not least[-len(values) // 2 :].any():
        return []
    at = np.flatnonzero(least)
    if not (np.diff(rest) >= 0).all() or place != 0 or at[-1] - at[0] < len(at):
        return []
    begins = next(r[0] for r in table.rows if r and r[0] and float(r[0].replace(",", ".")) == values.min())
    return [
        Question(
            f"{len(at)} rows among the others have the time {begins}, which is none", f"--skip {quote(begins)} for them"
        )
    ]


_ABOUT_TIME = re.compile(r"\d.*:.*\d|\d+[hH]\d\d|\d{4}|[A-Za-z]{3}.*\d")


def _no_time(table: Table, numeric: list[int], options: Options, layout: Layout, named: bool) -> NoReturn:
    """Raises IntakeError: what could be the time, or which text of the file is a time that cannot be read."""
    names = table.head.names
    for place in range(len(names)):
        cells = [r[place] for r in table.rows[:200] if place < len(r) and r[place]]
        texts = [c for c in cells if kind(c) == "text" and _ABOUT_TIME.search(c)]
        if cells and len(texts) > 0.5 * len(cells) and len(set(texts)) > 0.3 * len(texts):
            _unreadable(table, place, options)
    rising = [i for i in numeric if _rises(_column(table, i, layout))]
    if named:
        shown = ", ".join(repr(names[i]) for i in numeric) or "the column named"
        raise IntakeError(
            f"{shown} does not count on from row to row, as a time does",
            [Problem(f"columns: {', '.join(names)}", None, table.lines[0])],
            remedy="Name another with --time" if rising else "The file has no time: export it with one",
        )
    if rising:
        first = names[rising[0]]
        values = [(names[i], _column(table, i, layout)) for i in rising[:4]]
        told = ", ".join(f"{n!r} ({v.min():.15g} to {v.max():.15g})" for n, v in values)
        remedy = f"Name it with --time, such as --time {quote(first)}; rising from row to row: {told}"
    else:
        remedy = "No column counts on from row to row: where the file has a time, name it with --time"
    raise IntakeError(
        "no column holds the time", [Problem(f"columns: {', '.join(names)}", None, table.lines[0])], remedy=remedy
    )


def _since_an_epoch(name: str, values: np.ndarray, options: Options) -> tuple[str, list[Question]] | None:
    """The epoch of a column that counts seconds (or milliseconds) from one, and what is open about it; None where it
    does not. A count is one where it falls between 2000 and now."""
    if options.time_unit or not len(values) or values.min() < 1e8:
        return None
    formats = {"1970": "1970", "1904": "1904 s", "1900": "1900 s"}
    if options.epoch:
        if all(counted_seconds(float(v), formats[options.epoch]) is not None for v in values):
            return formats[options.epoch], []
        raise IntakeError(
            f"{name!r} does not count from {options.epoch}",
            [Problem("no moment between 2000 and 2099", None, None, None, f"{values[0]:.15g}")],
            remedy="Give another --epoch, or --time-unit where it counts from the start",
        )
    now = moments.now().timestamp() + 86_400
    fitting = {}
    for epoch, fmt in formats.items():
        ends = [counted_seconds(float(v), fmt) for v in (values.min(), values.max())]
        if all(e is not None and e < now for e in ends):
            fitting[epoch] = datetime.fromtimestamp(ends[0] or 0.0, UTC).strftime("%Y-%m-%d %H:%M")
    if not fitting:
        return None
    if list(fitting) == ["1970"]:
        return "1970", [Question(f"{name!r} may count from 1970 in UTC", "--epoch 1970 (else --time-unit)")]
    told = ", ".join(f"from {e} (it begins {m} UTC)" for e, m in fitting.items())
    option = f"--epoch {' or '.join(fitting)} (else --time-unit)"
    return formats[next(iter(fitting))], [Question(f"{name!r} may count seconds {told}", option)]


def _raw_unit(table: Table, place: int) -> str:
    """The text of the unit row above a column (minutes are no unit of a measurement, so the head does not keep it)."""
    for row in table.head.rows[1:]:
        if place < len(row) and row[place]:
            return row[place]
    return ""


def _unit(name: str, below: str, *, strict: bool = False) -> str:
    bracket = re.search(r"[\[(]\s*([^\])]+)\s*[\])]", name)
    texts = [below.lower().strip("[]() ")] + ([bracket.group(1).lower()] if bracket else [])
    if not strict:
        texts.append(re.sub(r"[_\-]+", " ", name.lower()))
    for text in texts:
        for unit, pattern in _FACTOR:
            if text and pattern.search(text) and (unit != "min" or text != "m" or not strict):
                return unit
    return ""


def _column(table: Table, place: int, layout: Layout) -> np.ndarray:
    out = []
    for row in table.rows:
        if place < len(row) and row[place]:
            try:
                out.append(float(row[place].replace(layout.decimal, ".")))
            except ValueError:
                continue
    return np.array([v for v in out if np.isfinite(v)])


def _rises(values: np.ndarray) -> bool:
    """Does a column rise from nearly every row to the next."""
    return len(values) > 2 and bool((np.diff(values) > 0).mean() > 0.8)


def _mostly_rising(values: np.ndarray) -> bool:
    if len(values) < 2:
        return False
    steps = np.diff(values)
    return bool((steps >= 0).mean() > 0.5 and (steps > 0).any()) or bool((steps <= 0).mean() > 0.9)


def _is_serial(values: np.ndarray) -> bool:
    inside = (values > SERIAL[0]) & (values < SERIAL[1])
    return bool(inside.all() and np.ptp(values) < 400 and (values % 1 != 0).any())
