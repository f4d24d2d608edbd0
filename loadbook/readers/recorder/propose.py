"""Proposing a layout for a file nobody has described yet, with every question that the file itself leaves open."""

from __future__ import annotations

import contextlib
import re
from collections import Counter
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from loadbook.core.errors import IntakeError, UsageError
from loadbook.core.typed import quote

from .cells import counts_rows, kind
from .channels import listed
from .grid import find_delimiter
from .head_places import UNIT_WORD
from .layout import ChannelRule, Layout, with_rules
from .long import VALUE_WORD
from .names import is_counter, is_elapsed, read_heading
from .numbers import MARKS_OPTION, find_marks, split_unit
from .options import Options, Question, stop
from .source import Source
from .table import Table, open_table
from .time_guess import TimeGuess, guess_time

_CHANNEL_WORD = re.compile(
    r"^(channel|chan|ch|tag|tag ?name|sensor|point|point ?name|input|signal|variable|name|item|field|parameter|metric"
    r"|series|topic|entity ?id)$"
)


@dataclass
class Draft:
    """A proposed layout, complete enough to read by; questions say what in it is only provisional."""

    layout: Layout
    table: Table
    questions: list[Question] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def propose(source: Source, options: Options, base: Layout | None = None) -> Draft:
    """Propose a layout; what `options` answer, or `base` (a saved layout) says, is followed.

    Raises IntakeError where no table of data is found.
    """
    answered = options.on(base or Layout(delimiter="", encoding=""))
    if not source.is_workbook:
        encoding = answered.encoding or source.encoding
        delimiter = answered.delimiter or find_delimiter(source.text(encoding), source.name)
        answered = replace(answered, encoding=encoding, delimiter=delimiter)
    table = open_table(source, answered)
    if answered.delimiter == "wide spaces" and not options.delimiter and (table.head.nameless or _uneven(table)):
        with contextlib.suppress(IntakeError):  # headings one blank apart, or columns that touch
            closer = open_table(source, replace(answered, delimiter="spaces"))
            table = table if closer.head.nameless or _uneven(closer) else closer
    notes: list[str] = []
    questions = list(table.questions)
    layout = replace(answered, encoding=table.encoding, delimiter=table.delimiter, sheet=table.sheet)
    layout = _resolve_marks(layout, options, table, questions)
    try:
        guess = guess_time(table, options, layout)
    except IntakeError:
        stop(table.questions, source.name)  # perhaps another sheet holds one
        raise
    questions += guess.questions
    notes += guess.notes
    layout = replace(
        layout,
        time_columns=tuple(table.head.names[i] for i in guess.columns),
        time_kind=guess.kind,
        time_format=guess.fmt,
    )
    if len({n.casefold() for n in table.head.names}) < len(table.head.names) or table.head.nameless:
        layout = replace(layout, time_columns=tuple(f"#{i + 1}" for i in guess.columns))
    layout = _resolve_shape(layout, options, table, guess, questions)
    layout = _leave_out(layout, table, guess, notes)
    questions += _other_times(layout, table, guess, options)
    if table.head.nameless:
        notes.append("no heading stands above the data: columns are numbered")
    doubled = [n for n in table.head.names if re.search(r" #\d+$", n)]
    if doubled:
        notes.append(f"headings that come twice were numbered: {listed(doubled)}")
    return Draft(layout, table, questions, notes)


def _uneven(table: Table) -> bool:
    """Do the heading and many rows have different numbers of cells."""
    return sum(len(row) != table.head.named for row in table.rows) > 0.01 * len(table.rows)


def _resolve_marks(layout: Layout, options: Options, table: Table, questions: list[Question]) -> Layout:
    if options.decimal:
        return layout
    cells = (c for row in table.rows for c in row if c and kind(c) == "number")
    marks = find_marks([split_unit(c)[0] for c in cells], layout.delimiter)
    if marks.question:
        questions.append(Question(marks.question, MARKS_OPTION))
    return replace(layout, decimal=marks.decimal, thousands=options.thousands.replace("none", "") or marks.thousands)


def _resolve_shape(
    layout: Layout, options: Options, table: Table, guess: TimeGuess, questions: list[Question]
) -> Layout:
    if options.shape == "wide":
        return replace(layout, shape="wide")
    names = [read_heading(n).name.casefold().replace("_", " ").strip() for n in table.head.names]
    free = [i for i in range(len(names)) if i not in guess.columns]
    channel = next((i for i in free if _CHANNEL_WORD.match(names[i])), None)
    value = next(
        (i for i in free if VALUE_WORD.match(names[i]) and table.columns.share(i, "number", "open") > 0.5), None
    )
    unit = next((i for i in free if UNIT_WORD.match(names[i])), None)
    numeric = [i for i in free if table.columns.share(i, "number", "open") > 0.5 and i != channel]
    numeric = [i for i in numeric if not counts_rows(table.rows, i, every=True)]
    words = [i for i in free if table.columns.share(i, "text") > 0.9]
    if channel is None:
        labels = _telling(table, [i for i in words if i != unit and _repeats(table, i)])
        numeric = [i for i in numeric if len(labels) != 1 or not _follows(table, i, labels[0])]
        taken_in_turn = len(labels) == 1 and (len(numeric) == 1 or (numeric and _in_turn(table, labels[0])))
        channel = labels[0] if taken_in_turn else None
        by_content = channel is not None
    else:
        by_content = False
    if channel is None:  # channels by number, under a heading that does not say so
        numbered = [i for i in numeric if _repeats(table, i) and _in_turn(table, i)]
        if options.shape != "long":
            numbered = [i for i in numbered if _numbers_channels(table, i, numeric)]
            by_content = bool(numbered)
        channel = numbered[0] if numbered else None
        numeric = [i for i in numeric if i != channel]
    if value is None and (len(numeric) == 1 or (numeric and channel is not None and _in_turn(table, channel))):
        value = numeric[0]
    if options.shape == "long" and (channel is None or value is None):
        raise UsageError(
            "--shape long: no column says which channel a row is of, or none holds the values",
            remedy=f"Columns: {', '.join(table.head.names)}; leave --shape out where each channel has its own",
        )
    if channel is None or value is None or (options.shape != "long" and not _repeats(table, channel)):
        return replace(layout, shape="wide")
    if by_content and options.shape != "long":
        questions.append(
            Question(
                f"column {table.head.names[channel]!r} repeats a few {'names' if channel in words else 'numbers'}:"
                " is there one row per channel and time?",
                "--shape long or wide",
            )
        )
    return replace(
        layout, shape="long", channel_column=table.head.names[channel], value_column=table.head.names[value],
        unit_column="" if unit is None else table.head.names[unit],
    )  # fmt: skip


_SWITCHED = {"true", "false", "on", "off", "yes", "no"}


def _telling(table: Table, labels: list[int]) -> list[int]:
    """Of columns of labels, those that tell rows apart: not one label throughout, no switch that is on or off, and not
    what another column says."""
    stand = {i: {r[i].lower() for r in table.rows if i < len(r) and r[i]} for i in labels}
    told = [i for i in labels if len(stand[i]) > 1 and not stand[i] <= _SWITCHED]
    return [i for k, i in enumerate(told) if not any(_follows(table, i, before) for before in told[:k])]


def _follows(table: Table, column: int, label: int) -> bool:
    """Does a column always say the same beside the same label."""
    beside: dict[str, str] = {}
    rows = [r for r in table.rows if max(column, label) < len(r)]
    return all(beside.setdefault(r[label], r[column]) == r[column] for r in rows)


def _in_turn(table: Table, column: int) -> bool:
    """Do several labels stand in a column one after the other, as those of channels do and a status does not."""
    cells = [r[column] for r in table.rows if column < len(r) and r[column]]
    changes = sum(a != b for a, b in pairwise(cells))
    return len(set(cells)) > 1 and changes > 0.5 * len(cells)


def _numbers_channels(table: Table, column: int, numeric: list[int]) -> bool:
    """Do the few whole numbers of a column number channels: each comes about as often, and most other columns, which
    move to and fro from row to row, are quiet beside one and the same number (and are not told by it)."""
    name = table.head.names[column]
    rows = [r for r in table.rows[:3_000] if column < len(r)]
    labels = np.array([r[column] for r in rows])
    count = Counter(labels.tolist())
    if len(count) > 64 or not all(c.isdigit() for c in count) or read_heading(name).quantity:
        return False
    if min(count.values()) < 0.3 * max(count.values()):
        return False
    order = np.argsort(labels, kind="stable")
    same = labels[order][1:] == labels[order][:-1]
    quiet = []
    for c in numeric:
        values = np.array([_as_float(r[c]) if c < len(r) else np.nan for r in rows])
        values[np.isinf(values)] = np.nan
        steps, within = np.abs(np.diff(values)), np.abs(np.diff(values[order]))[same]
        if c == column or not np.isfinite(steps).any() or np.nanmedian(steps) == 0 or (np.diff(values) >= 0).all():
            continue
        quiet.append(bool((within > 0).any()) and np.nanmedian(within) < np.nanmedian(steps) / 3.0)
    return len(quiet) > 0 and 2 * sum(quiet) > len(quiet)


def _as_float(cell: str) -> float:
    try:
        return float(cell.replace(",", "."))
    except ValueError:
        return float("nan")


def _repeats(table: Table, column: int) -> bool:
    """Do a column's cells take few distinct values, each several times over."""
    cells = [r[column] for r in table.rows if column < len(r) and r[column]]
    return len(cells) >= 4 and len(set(cells)) <= len(cells) / 2


def _leave_out(layout: Layout, table: Table, guess: TimeGuess, notes: list[str]) -> Layout:
    """Rules that leave out what is no channel: text, record numbers, second time columns, empty columns."""
    if layout.shape == "long":
        return layout
    rules, text = [], []
    for i, full in enumerate(table.head.names):
        name = read_heading(full).name
        if i in guess.columns or layout.rule(full, name):
            continue
        if i in table.head.beside:
            rules.append(ChannelRule(name, "ignore"))
            continue
        columns = table.columns
        if not columns.filled(i):
            if table.head.nameless or full.startswith("column "):
                rules.append(ChannelRule(name, "ignore"))
            continue
        if columns.share(i, "moment", "date", "clock", "duration") > 0.5 or (
            is_elapsed(full) and guess.kind != "elapsed"
        ):
            rules.append(ChannelRule(name, "ignore"))
            notes.append(f"{full!r} is a second time: left out")
        elif columns.share(i, "text") > 0.5 and not _is_channel(table, i, layout):
            rules.append(ChannelRule(name, "ignore"))
            text.append(full)
        elif (is_counter(full) or not read_heading(full, table.head.units[i]).unit) and counts_rows(
            table.rows, i, every=not is_counter(full)
        ):
            rules.append(ChannelRule(name, "ignore"))
            notes.append(f"{full!r} counts the rows: left out")
    if text:
        notes.append(f"{listed(text)} hold{'s' if len(text) == 1 else ''} text: left out")
    return with_rules(layout, tuple(rules)) if rules else layout


def _other_times(layout: Layout, table: Table, guess: TimeGuess, options: Options) -> list[Question]:
    """What is asked of a second column of times that stands before channels, and says something else than the first:
    the channels behind it were read at its times."""
    if layout.shape == "long" or guess.kind not in ("clock", "time of day"):
        return []
    columns, names = table.columns, table.head.names
    main = guess.columns[-1]
    told = "moment" if columns.share(main, "moment") > 0.5 else "clock"
    numeric = [c for c in range(columns.width) if columns.share(c, "number", "open") > 0.5]
    for i in range(main + 1, columns.width):
        between, behind = (any(a < c < b for c in numeric) for a, b in ((main, i), (i, columns.width)))
        stated = any(r.fits(names[i], read_heading(names[i]).name) for r in options.channels)
        if columns.share(i, told) <= 0.5 or not between or not behind or stated:
            continue
        pairs = [(r[main], r[i]) for r in table.rows if i < len(r) and r[main] and r[i]]
        other = sum(a != b for a, b in pairs)
        if other > 0.01 * len(pairs):
            return [
                Question(
                    f"{names[i]!r} has other times than {names[main]!r} ({other} of {len(pairs)} rows): are the"
                    " channels behind it read at its times?",
                    f"--columns 1-{i} here and --columns {i + 1}-{columns.width} by a command of its own with --join,"
                    f" or --channel {quote(names[i] + '=ignore')} where it does not matter",
                )
            ]
    return []


def _is_channel(table: Table, column: int, layout: Layout) -> bool:
    """Is a column of texts a channel all the same: the texts are stated ones for no value, or its heading has a unit,
    or it names a thermocouple and numbers stand among the texts. What they mean is then asked, not passed over."""
    heading = read_heading(table.head.names[column], table.head.units[column])
    cells = [r[column] for r in table.rows if column < len(r) and r[column]]
    stated = {v.casefold() for v in (*layout.open_values, *layout.missing_values)}
    if sum(c.casefold() in stated for c in cells) > len(cells) / 2:
        return True
    if heading.unit:
        return True
    return heading.quantity == "temperature" and table.columns.share(column, "number", "open") > 0.1
