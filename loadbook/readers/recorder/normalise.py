"""From what stands in the file to what is known: UTC times on one rising axis, channels, counts, open questions."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from functools import partial
from zoneinfo import ZoneInfo

import numpy as np

from loadbook.analysis.trace.model import BACKWARD_TIME, MISSING, OPEN, Flags, Floats
from loadbook.core.errors import IntakeError, OpenQuestion, Problem, UsageError
from loadbook.core.phrases import many
from loadbook.core.times import now, parse_date, parse_moment, zone_of
from loadbook.core.typed import quote

from . import stretches, time_axis
from .channels import ChannelSpec, listed, normalise_values
from .head import unique
from .layout import ChannelRule, Layout
from .names import Heading
from .numbers import MARKS_OPTION, looks_number, minus_of
from .odd_values import look_for_oddities
from .options import Question
from .part import Window
from .wide import Raw

HALF_DAY = 43_200.0
WHOLE_PART = 20  # so many rows in their own order are a part of the file that stands in the wrong place, not damage
LONGEST_GAP_S = 30 * time_axis.DAY
ToUtc = Callable[[Floats], tuple[Floats, list[Question], list[str]]]  # of the file's clock


@dataclass
class Counts:
    """What is told after every intake; samples are times, missing and open are counted over all channels."""

    rows: int = 0
    samples: int = 0
    missing: int = 0
    open: int = 0
    repeated: int = 0
    duplicates: int = 0
    backwards: int = 0
    gaps: int = 0
    longest_gap_s: float = 0.0
    interval_s: float = 0.0


@dataclass
class Reading:
    """A file as read and settled.

    started   UTC moment of the first sample; None where nothing tells it yet
    t_s       (n,) seconds from the first sample, strictly rising;  lines (n,) physical lines
    values    (channels, n) °C, mbar or as recorded; NaN where missing or open;  flags the same shape
    """

    started: datetime | None
    zone: str
    t_s: Floats
    values: Floats
    flags: Flags
    lines: np.ndarray
    channels: list[ChannelSpec]
    counts: Counts
    questions: list[Question] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    overruled: dict[str, str] = field(default_factory=dict)


def normalise(
    raw: Raw,
    layout: Layout,
    *,
    where: str = "",
    start: str = "",
    zero: str = "",
    stretch: str = "",
    fold: str = "",
    zone: ZoneInfo | None = None,
    run_started: datetime | None = None,
    known: dict[str, tuple[str, str]] | None = None,
    stated: tuple[ChannelRule, ...] = (),
    window: Window | None = None,
    counted_in: str = " s",
) -> Reading:
    """Settle a raw file.

    start        the user's --start, of the first row: a moment, a date (clock times without dates), 'run', or ''
    zero         the user's --zero, of count 0: a moment, 'run', or ''
    stretch      which part is meant of a file whose clock begins again: '1', '2', ..., 'days', 'all', or ''
    zone         the book's zone, where the layout names none
    run_started  when the run began (UTC), used only for --start run
    known        channel name (lower case) -> (role, unit) from the run's channel records
    stated       the rules of channels that the user gave just now
    window       where the file is cut; what lies outside is not asked about
    counted_in   the unit of elapsed times as messages say it, '' while it is asked
    Questions are collected, not raised. Raises IntakeError where nothing could be made of the file.
    """
    if not raw.rows_read:
        raise IntakeError("no rows of data were found", [Problem("nothing below the heading", where)])
    clock_zone, about_zone = _clock_zone(raw, layout, zone)
    questions = [*raw.questions, *_unknown(raw)]
    notes = list(raw.notes)
    time, keep, asked, remarks = time_axis.fill_blank_times(raw.time, layout.blank_times)
    questions += asked
    notes += remarks
    values, flags, lines = raw.values, raw.flags, raw.lines
    if not keep.all():
        time, values, flags, lines = time[keep], values[:, keep], flags[:, keep], lines[keep]
    if layout.time_kind in ("clock", "serial"):
        _of_this_age(time, lines, where)
    questions += about_zone
    counted = layout.time_kind in ("elapsed", "time of day")
    to_utc = partial(time_axis.to_utc, zone=clock_zone, fold=fold, wanted=(window or Window()).wants)
    if counted:
        time, keep, asked, remarks = stretches.of_one_clock(time, lines, stretch, layout.time_kind, where, counted_in)
    else:
        time, dated, more = _absolute(time, raw, layout, start, zero, to_utc, clock_zone, run_started, notes)
        questions += more
        time, keep, asked, remarks = stretches.of_one_clock(time, lines, stretch, "clock", where)
    questions += asked
    notes += remarks
    if not keep.all():
        time, values, flags, lines = time[keep], values[:, keep], flags[:, keep], lines[keep]
    if counted:
        time, dated, more = _absolute(
            time, raw, layout, start, zero, to_utc, clock_zone, run_started, notes, stretch == "days" and bool(remarks),
            counted_in,
        )  # fmt: skip
        questions += more
    axis, asked = time_axis.rising(time, values, flags, lines, layout.repeated_times)
    questions += asked
    notes += axis.notes
    if axis.backwards:
        if layout.time_kind != "elapsed":
            _turned_back(time, where)
        _beyond_the_others(axis, where)
    if window is not None and dated:
        inside, said = window.cut(axis.t, where)
        axis = replace(
            axis, t=axis.t[inside], values=axis.values[:, inside], flags=axis.flags[:, inside], lines=axis.lines[inside]
        )
        notes += said
    _no_long_gap(axis.t, axis.lines, where)
    if len(axis.t) < 2 or not len(axis.values):
        what = "only one row of data" if len(axis.values) else "no channel is left"
        raise IntakeError(f"{what}: no trace", [Problem("look at it with: loadbook trace look", where or None)])
    headings = raw.headings
    for heading, name in zip(headings, unique([h.name for h in headings]), strict=True):
        if name != heading.name:
            notes.append(f"two columns are called {heading.name!r}: the second is {name!r} here")
    headings = [replace(h, name=n) for h, n in zip(headings, unique([h.name for h in headings]), strict=True)]
    settled = normalise_values(headings, axis.values, axis.flags, layout, known or {}, stated)
    look_for_oddities(headings, axis.t, layout, axis.lines, settled)
    if headings and not settled.questions and all(spec.quantity == "other" for spec in settled.channels):
        raise IntakeError(
            "no channel is a temperature, a pressure, a dew point or an oxygen reading",
            [Problem(f"channels: {listed([h.name for h in headings])}")],
            remedy="Say what they measure with --channel NAME=ROLE, or give the recorder's data file",
        )
    questions += settled.questions
    notes += settled.notes
    interval, count, longest = time_axis.gaps(axis.t)
    if count:
        notes.append(f"{many(count, 'gap')}, the longest {longest:g} s where {interval:g} s is usual")
    notes += _missing_by_channel(headings, settled.flags)
    counts = Counts(
        raw.rows_read, len(axis.t), int((settled.flags & MISSING > 0).sum()), int((settled.flags & OPEN > 0).sum()),
        axis.repeated, axis.duplicates, axis.backwards, count, longest, interval,
    )  # fmt: skip
    started = time_axis.utc_moment(float(axis.t[0])) if dated else None
    t_s = np.round(axis.t - axis.t[0], 6)
    zone_name = "UTC" if raw.aware else clock_zone.key
    return Reading(
        started, zone_name, t_s, settled.values, settled.flags, axis.lines, settled.channels, counts, questions, notes,
        settled.overruled,
    )  # fmt: skip


def _clock_zone(raw: Raw, layout: Layout, book: ZoneInfo | None) -> tuple[ZoneInfo, list[Question]]:
    """The zone of the recorder's clock: the stated one, else the book's, else the one that the file states. Where the
    file contradicts the book it is asked."""
    offset, text = raw.offset
    if layout.zone:
        return zone_of(layout.zone), []
    if raw.aware or not offset or layout.time_kind == "elapsed":
        return book or ZoneInfo("UTC"), []
    if book is None:
        return zone_of(offset), []
    known = raw.time[~np.isnan(raw.time)]
    first = float(known[0]) if len(known) and layout.time_kind in ("clock", "serial") else None
    if first is not None:
        moment = datetime(1970, 1, 1) + timedelta(seconds=first)
        if moment.replace(tzinfo=book).utcoffset() == moment.replace(tzinfo=zone_of(offset)).utcoffset():
            return book, []
    return book, [
        Question(
            f"the file says {text}, which the clocks of {book.key} did not show then",
            f"--zone {offset} for what the file says, or --zone {book.key}",
        )
    ]


def _missing_by_channel(headings: list[Heading], flags: Flags) -> list[str]:
    """Which channels miss values: a channel that is empty would hide the few that another one misses."""
    count = [int((row & MISSING > 0).sum()) for row in flags]
    some = [f"{h.name!r} {c}" for h, c in zip(headings, count, strict=True) if 0 < c < flags.shape[1]]
    if not some:
        return []
    more = f" and {len(some) - 6} more channels" if len(some) > 6 else ""
    return [f"missing of {flags.shape[1]} values: {', '.join(some[:6])}{more}"]


def _unknown(raw: Raw) -> list[Question]:
    by_text: dict[str, list[tuple[str, int, int]]] = {}
    marked = [(c, t, found[1]) for (c, t), found in raw.unknown.items() if _misread(t)]
    for (column, text), (count, line) in raw.unknown.items():
        if _misread(text):
            continue
        by_text.setdefault(text, []).append((column, count, line))
    questions = []
    if marked:
        column, text, line = min(marked, key=lambda m: m[2])
        questions.append(
            Question(
                f"{text!r} in {column!r} (line {line}) is not a number with these decimal and thousands marks",
                MARKS_OPTION,
            )
        )
    for how in ("behind", "brackets"):
        texts = [text for text in by_text if minus_of(text) == how]
        if texts:
            column, _, line = min((f for t in texts for f in by_text[t]), key=lambda f: f[2])
            questions.append(
                Question(
                    f"{texts[0]!r} in {column!r} (line {line}) and {len(texts) - 1} texts like it: negative numbers?",
                    f"--minus {how}, or --blank for each",
                )
            )
            by_text = {text: found for text, found in by_text.items() if text not in texts}
    for text, found in list(by_text.items())[:10]:
        column, _, line = min(found, key=lambda f: f[2])
        count = sum(f[1] for f in found)
        questions.append(
            Question(
                f"{text!r} stands among the numbers of {column!r} (line {line}, {count} times in all):"
                " open circuit, or no value?",
                f"--sentinel {quote(text)} or --blank {quote(text)}",
            )
        )
    if len(by_text) > 10:
        questions.append(
            Question(f"{len(by_text) - 10} more texts stand among the numbers", "--sentinel or --blank for each")
        )
    return questions


def _misread(text: str) -> bool:
    """Is a text that was not understood a number under other marks (1e400 is none under any)."""
    return looks_number(text) and not re.search(r"[eE]", text)


def _absolute(
    time: Floats,
    raw: Raw,
    layout: Layout,
    start: str,
    zero: str,
    to_utc: ToUtc,
    zone: ZoneInfo,
    run_started: datetime | None,
    notes: list[str],
    day_by_day: bool = False,
    counted_in: str = " s",
) -> tuple[Floats, bool, list[Question]]:
    """Seconds since 1970 UTC in file order, and whether they are (else they count from the first row or midnight)."""
    if raw.aware:
        return time, True, []
    if layout.time_kind in ("clock", "serial"):
        utc, questions, more = to_utc(time)
        notes += more
        return utc, True, questions
    if zero and layout.time_kind != "elapsed":
        raise UsageError("--zero is for times that count from a start", remedy="Leave it out; --start takes a date")
    if layout.time_kind == "time of day":
        return _dated(time, start, to_utc, zone, run_started, notes, day_by_day)
    first = float(time.min())
    far = abs(first) > 1e-6
    if start and zero:
        raise UsageError("--start and --zero both say when it began", remedy="Give one of them")
    if not start and not zero:
        text = "times count from the start, and nothing tells when that was"
        option = "--start MOMENT, or --start run"
        if far:
            text = f"times count from a start that nothing tells; the first row is at {first:.15g}{counted_in}"
            option = "--start MOMENT of the first row, --zero MOMENT of count 0, or --start run"
        return time, False, [Question(text, option)]
    given, option = (start, "--start") if start else (zero, "--zero")
    if start and far and _off_the_beat(time):
        text = (
            f"the first row stands at {first:.15g}{counted_in}, and not on the beat that the others keep from 0 on: all"
            " moments would hang on it"
        )
        return time, False, [Question(text, "--zero MOMENT of count 0, or --zero run")]
    moment = _run(run_started, option) if given == "run" else _moment(given, zone, option)
    if given == "run":
        what = "first row" if start else "zero"
        notes.append(
            f"the recorder's {what} is taken as the run's start, {moment:%Y-%m-%d %H:%M:%S} UTC ({option} run)"
        )
    elif far:
        told = f"the first row, at {first:g} s, is the moment given by --start" if start else "count 0 is at --zero"
        notes.append(f"{told}{f'; the first row, at {first:g} s, follows it' if zero else ''}")
    return time + moment.timestamp() - (first if start else 0.0), True, []


def _off_the_beat(time: Floats) -> bool:
    """Do the rows behind the first stand at multiples of one step, and the first, not at a step before them?"""
    steps = np.diff(time[:12])
    if len(steps) < 6 or not np.ptp(steps[1:]) < 1e-6 < steps[1]:
        return False
    return bool(time[1] >= steps[1] - 1e-6 and time[1] % steps[1] < 1e-6 < abs(steps[0] - steps[1]))


def _run(run_started: datetime | None, option: str = "--start") -> datetime:
    if run_started is None:
        raise UsageError(f"{option} run needs a run", remedy=f"Give {option} MOMENT")
    return run_started


def _moment(text: str, zone: ZoneInfo, option: str = "--start") -> datetime:
    try:
        return parse_moment(text, zone)
    except OpenQuestion:
        raise
    except UsageError as exc:
        raise UsageError(
            f"{option} {text!r} is not a moment", remedy="Write it like 2026-03-01T08:00, or 'run'"
        ) from exc


def _dated(
    time: Floats,
    start: str,
    to_utc: ToUtc,
    zone: ZoneInfo,
    run_started: datetime | None,
    notes: list[str],
    day_by_day: bool,
) -> tuple[Floats, bool, list[Question]]:
    if time_axis.newest_first(time):
        raise IntakeError(
            "clock times without dates run backwards", [Problem("the newest row stands first", None)],
            remedy="Export the file with dates, or oldest first",
        )  # fmt: skip
    if not day_by_day:
        time, more = time_axis.cross_midnight(time)
        notes += more
    if not start:
        return time, False, [Question("times have no date", "--start DATE (of the first row), or --start run")]
    if start == "run":
        began = _run(run_started).astimezone(zone).replace(tzinfo=None)
        midnight = datetime(began.year, began.month, began.day)
        offset = (began - midnight).total_seconds() - float(time[0])
        day = midnight.date() + timedelta(days=round(offset / time_axis.DAY))
        notes.append(f"the first row is dated {day.isoformat()}, nearest to the run's start (--start run)")
    else:
        day = _day(start, zone)
    base = (datetime(day.year, day.month, day.day, tzinfo=UTC) - datetime.fromtimestamp(0, UTC)).total_seconds()
    utc, questions, remarks = to_utc(time + base)
    notes += remarks
    return utc, True, questions


def _day(start: str, zone: ZoneInfo) -> date:
    try:
        return parse_date(start)
    except UsageError:
        return _moment(start, zone).astimezone(zone).date()


def _of_this_age(time: Floats, lines: np.ndarray, where: str) -> None:
    """Refuse a date before 1970, from 2100 on, or in the future: a year misread, or not a date at all."""
    wrong = np.flatnonzero((time < 0) | (time >= 4_102_444_800))
    if len(wrong):
        problem = Problem("a date before 1970 or after 2099", where, int(lines[wrong[0]]))
        raise IntakeError(f"{len(wrong)} times cannot be true", [problem], remedy="Correct them, or give --date-order")
    future = np.flatnonzero(time > now().timestamp() + 2 * time_axis.DAY)
    if len(future):
        at = time_axis.utc_moment(float(time[future[0]]))
        problem = Problem(f"{at:%Y-%m-%d %H:%M}", where, int(lines[future[0]]))
        raise IntakeError(
            f"{len(future)} times lie in the future", [problem],
            remedy="Correct them, or say how they are to be read: --date-order, --epoch or --time-format",
        )  # fmt: skip


def _no_long_gap(t: Floats, lines: np.ndarray, where: str) -> None:
    """Refuse a trace with a hole of a month in it: a date misread, or two records in one file."""
    steps = np.diff(t)
    if len(steps) and steps.max() > LONGEST_GAP_S:
        at = int(steps.argmax())
        days = steps[at] / time_axis.DAY
        problem = Problem(
            f"{days:.0f} days lie between lines {lines[at]} and {lines[at + 1]}", where, int(lines[at + 1])
        )
        raise IntakeError(
            "the times jump by more than any run lasts",
            [problem],
            remedy="Correct the date, or leave the row out with --skip",
        )


def _beyond_the_others(axis: time_axis.Axis, where: str) -> None:
    """Refuse a row out of order whose time lies before or after all that are in order: its time was misread or is
    damaged, and nothing tells where the row belongs."""
    stray = (axis.flags & BACKWARD_TIME > 0).all(axis=0) if len(axis.flags) else np.zeros(len(axis.t), bool)
    inside = axis.t[~stray]
    room = time_axis.GAP_FACTOR * (float(np.median(np.diff(inside))) if len(inside) > 1 else 0.0)
    beyond = stray & ((axis.t < inside[0] - room) | (axis.t > inside[-1] + room))
    lines = np.sort(axis.lines[beyond])
    parts = np.split(lines, np.flatnonzero(np.diff(lines) != 1) + 1)
    lines = np.concatenate([p for p in parts if len(p) < WHOLE_PART] or [lines[:0]])
    if len(lines):
        problem = Problem("the row stands among others, and its time lies outside all of theirs", where, int(lines[0]))
        raise IntakeError(
            f"{many(len(lines), 'row')} cannot belong where the time says",
            [problem],
            remedy="Correct the time, or leave the row out with --skip",
        )


def _turned_back(time: Floats, where: str) -> None:
    """Refuse a clock that turns back by half a day less one interval (12 hours without AM/PM), or by a whole day less
    one interval (a date that is not counted on at midnight): sorting would put rows in the wrong place."""
    steps = np.diff(time)
    back = steps[steps < 0]
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    for span, what, problem, remedy in (
        (
            HALF_DAY,
            "the time steps back by twelve hours: a 12-hour clock without AM and PM cannot be told",
            "half of the rows would stand on the wrong half of the day",
            "Export the file with AM/PM or a 24-hour clock",
        ),
        (
            time_axis.DAY,
            "the time steps back by a day: the date is not counted on at midnight",
            "the rows after midnight would stand before the others",
            "Leave the date column out: --time with the time column alone, and --start with the date",
        ),
    ):
        if len(back) <= 4 and ((back >= -span) & (back <= -span + 2.5 * usual)).all() and usual < 7200:
            raise IntakeError(what, [Problem(problem, where or None)], remedy=remedy)
