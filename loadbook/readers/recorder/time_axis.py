"""One strictly rising time axis out of the times as they stand in the file, with everything odd counted and flagged.

From the recorder's wall clock to UTC: the skipped hour is refused, the repeated one settled by the file or asked.

A file settles a repeated hour itself only where both passes stand in it, one after the other, with the one step
back of an hour between them. Each such hour is looked at by itself: a file of years goes through several.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from loadbook.analysis.trace.model import BACKWARD_TIME, DUPLICATE_TIME, Flags, Floats
from loadbook.core.errors import IntakeError, Problem
from loadbook.core.phrases import many

from .options import Question

QUARTER, HALF_DAY = 900.0, 43_200.0
_EPOCH = datetime(1970, 1, 1)


def _offsets(local: float, zone: ZoneInfo) -> tuple[float, float]:
    wall = _EPOCH + timedelta(seconds=local)
    early, late = wall.replace(tzinfo=zone, fold=0).utcoffset(), wall.replace(tzinfo=zone, fold=1).utcoffset()
    assert early is not None and late is not None
    return early.total_seconds(), late.total_seconds()


def _table(quarters: Floats, zone: ZoneInfo) -> Floats:
    """Both offsets of each quarter of an hour, (n, 2): about a day on either side of a change of the clocks one by one,
    the rest of a file of years by half days."""
    halves, which = np.unique(np.floor(quarters / HALF_DAY), return_inverse=True)
    around = halves[:, None] + np.arange(-2, 4)
    known = {half: _offsets(half * HALF_DAY, zone) for half in np.unique(around).tolist()}
    turning = np.array([len({known[half] for half in row}) > 1 for row in around.tolist()])
    table = np.array([known[half] for half in halves.tolist()])[which]
    for i in np.flatnonzero(turning[which]).tolist():
        table[i] = _offsets(float(quarters[i]), zone)
    return table


def to_utc(
    local: Floats, zone: ZoneInfo, fold: str = "", wanted: Callable[[float, float], bool] = lambda low, high: True
) -> tuple[Floats, list[Question], list[str]]:
    """Seconds since 1970 UTC of wall-clock seconds in file order, with questions and remarks.

    fold    'first' or 'second': which pass the times of a repeated hour belong to that the file does not settle
    wanted  is anything taken of what lies between two moments [s since 1970]: of no other hour it is asked which
    """
    if newest_first(local):
        utc, questions, notes = to_utc(local[::-1], zone, fold, wanted)
        return utc[::-1], questions, notes
    known = local[~np.isnan(local)]
    if not len(known):
        return local, [], []
    low, high = float(known.min()), float(known.max())
    days = np.arange(low - 86400, high + 86400 + 1, HALF_DAY)
    if len(days) < 3000:
        ends = {_offsets(float(d), zone) for d in days}
        if len(ends) == 1:
            return local - next(iter(ends))[0], [], []
    quarters = np.floor(local / QUARTER) * QUARTER
    unique, inverse = np.unique(np.nan_to_num(quarters, nan=known[0]), return_inverse=True)
    table = _table(unique, zone)
    early, late = table[inverse, 0], table[inverse, 1]
    unclear = (early != late) & ~np.isnan(local)
    if not unclear.any():
        return local - early, [], []
    skipped = unclear & (early < late)
    if skipped.any():
        kept = float(early[skipped][0])  # as of a clock that was not changed, so that nothing seems to go back
        return local - kept, [_skipped(local, skipped, zone)], []
    offset, questions, notes = _repeated(local, early, late, unclear, zone, fold, wanted)
    return local - offset, questions, notes


def clock(local: float) -> str:
    """A wall-clock time as text."""
    return (_EPOCH + timedelta(seconds=local)).isoformat(" ", "seconds")


def utc_moment(seconds: float) -> datetime:
    """The moment of seconds since 1970."""
    return datetime.fromtimestamp(0, UTC) + timedelta(seconds=seconds)


def _skipped(local: Floats, skipped: np.ndarray, zone: ZoneInfo) -> Question:
    first = float(local[skipped][0])
    before, after = _offsets(first, zone)
    fixed = " or ".join(_fixed(o) for o in dict.fromkeys((before, after)))
    return Question(
        f"{clock(first)} never showed on a clock in {zone.key}: it was skipped"
        f" ({int(skipped.sum())} rows; was the recorder's clock not changed?)",
        f"--zone {fixed}",
    )


def _fixed(offset: float) -> str:
    """A distance from UTC as --zone takes it.

    >>> _fixed(7200.0), _fixed(-12600.0)
    ('+02:00', '-03:30')
    """
    minutes = round(abs(offset) / 60)
    return f"{'-' if offset < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def _repeated(
    local: Floats,
    early: Floats,
    late: Floats,
    unclear: np.ndarray,
    zone: ZoneInfo,
    fold: str,
    wanted: Callable[[float, float], bool],
) -> tuple[Floats, list[Question], list[str]]:
    """Each hour that clocks showed twice, by itself: a file of years goes through several."""
    offset = early.copy()
    questions: list[Question] = []
    notes: list[str] = []
    inside = np.flatnonzero(unclear)
    steps = np.diff(local)
    pause = 2.5 * float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    times = np.sort(local[inside])
    begins = times[np.concatenate([[True], np.diff(times) > DAY / 2])]
    which = np.searchsorted(begins, local[inside], "right")
    for i in range(1, len(begins) + 1):
        hour = inside[which == i]
        first = clock(float(local[hour].min()))
        told = f"{first} showed twice on clocks in {zone.key}"
        change = float((early - late)[hour[0]])
        passes = _both_passes(local, early, late, hour, change, pause)
        if passes is not None:
            offset[hour], last = passes
            notes.append(f"the clock change is in the file: the hour up to {last}, then the same hour again")
        elif fold:
            offset[hour] = (early if fold == "first" else late)[hour]
            notes.append(f"the hour of {first} is the {fold} of the two that clocks showed (--fold)")
        elif _gone_through_once(local, hour, change, pause):
            questions.append(
                Question(
                    f"{told}, but the file's rows go through that hour once: its clock was not changed",
                    _unchanged(early, late, hour),
                )
            )
        elif wanted(float((local - early)[hour].min()), float((local - late)[hour].max())):
            questions.append(
                Question(
                    f"{told}: which of the two ({many(len(hour), 'row')})",
                    "--fold first or second; or, if the recorder's clock was not changed, "
                    + _unchanged(early, late, hour),
                )
            )
        else:
            notes.append(f"{told}: which of the two is not asked, as the hour is no part of what is taken")
    return offset, questions[:1], notes


def _unchanged(early: Floats, late: Floats, hour: np.ndarray) -> str:
    summer, winter = _fixed(float(early[hour[0]])), _fixed(float(late[hour[0]]))
    return f"--zone {summer} (stayed on summer time) or {winter} (never on summer time)"


def _both_passes(
    local: Floats, early: Floats, late: Floats, hour: np.ndarray, change: float, pause: float
) -> tuple[Floats, str] | None:
    """Distances from UTC of an hour's rows where both passes stand one after the other, with one step back by the
    change between them; and the last time of the first."""
    if hour[-1] - hour[0] + 1 != len(hour):
        return None
    back = np.diff(local[hour])
    at = np.flatnonzero((-change <= back) & (back < min(pause - change, 0.0)))
    if len(at) != 1:
        return None
    offset = np.where(np.arange(len(hour)) > at[0], late[hour], early[hour])
    utc = local - early
    utc[hour] = local[hour] - offset
    if not (np.diff(utc[max(hour[0] - 1, 0) : hour[-1] + 2]) > 0).all():
        return None
    return offset, clock(float(local[hour[at[0]]]))


def _gone_through_once(local: Floats, hour: np.ndarray, change: float, pause: float) -> bool:
    """Do the rows rise through an hour from before it to after it, without a pause in which a pass may be lost?"""
    if hour[0] == 0 or hour[-1] == len(local) - 1:
        return False
    around = np.diff(local[hour[0] - 1 : hour[-1] + 2])
    return bool((around > 0).all() and (around < min(change, pause)).all())


DAY = 86_400.0
GAP_FACTOR = 3.0  # a gap is an interval longer than three times the usual (median) one
REPEAT_SHARE = 0.05  # repeated times with other values on more of the rows than this may be rounded times: asked
SET_BACK_ROWS = 20  # this many after the one step back of a file: asked as well, however long the file
GOES_ON = 0.5  # and fewer, where they step by less than this of how far they are off the rows of the same times


@dataclass
class Axis:
    """Samples in rising time.

    t          (n,) seconds, strictly rising;  values, flags (channels, n);  lines (n,) physical lines
    repeated   rows that repeat an earlier row exactly (left out)
    duplicates rows with the time of another row and other values (the one that stands in its place, or else the
               first, is kept and flagged DUPLICATE_TIME)
    backwards  rows out of order (sorted into place, flagged BACKWARD_TIME): as few as leave the others rising
    """

    t: Floats
    values: Floats
    flags: Flags
    lines: np.ndarray
    repeated: int = 0
    duplicates: int = 0
    backwards: int = 0
    notes: list[str] = field(default_factory=list)


def fill_blank_times(time: Floats, how: str) -> tuple[Floats, np.ndarray, list[Question], list[str]]:
    """Times of rows without one: spread evenly between the written ones, or left out.

    how      'spread', 'skip' or '' (asked; spread for the time being)
    Returns  (times, rows kept as a mask, questions, remarks)
    """
    blank = np.isnan(time)
    keep = np.ones(len(time), bool)
    if not blank.any():
        return time, keep, [], []
    known = np.flatnonzero(~blank)
    if len(known) < 2:
        raise IntakeError("fewer than two rows have a time", [Problem("the time column is blank", None)])
    steps = np.unique(np.diff(known))
    every = f"every {steps[0]} rows" if len(steps) == 1 else f"every {steps[0]} to {steps[-1]} rows"
    written = f"; one is written {every}" if steps[0] > 1 else ""
    count = int(blank.sum())
    questions = []
    if not how:
        questions.append(Question(f"{count} of {len(time)} rows have no time{written}", "--blank-times spread or skip"))
    if how == "skip":
        return time, ~blank, [], [f"{count} rows without a time left out (--blank-times skip)"]
    index = np.arange(len(time))
    keep = index >= known[0]
    filled = np.interp(index, known, time[known])
    last, before = known[-1], known[-2]
    slope = (time[last] - time[before]) / (last - before)
    filled[last + 1 :] = time[last] + slope * (index[last + 1 :] - last)
    notes = [f"{count} rows have no time of their own: spread evenly between the written ones"]
    if known[0] > 0:
        notes.append(f"{known[0]} rows before the first time left out")
    return filled, keep, questions, notes


def cross_midnight(time: Floats) -> tuple[Floats, list[str]]:
    """Clock times without dates as seconds that go on after midnight: a step back of over 12 h is a new day.

    Raises IntakeError where a step forward is over 12 h: that may be a pause, or a row out of order across midnight.
    """
    steps = np.diff(time)
    if (steps > DAY / 2).any():
        at = int(np.flatnonzero(steps > DAY / 2)[0]) + 1
        raise IntakeError(
            "clock times without dates jump by more than half a day",
            [Problem(f"row {at + 1} of the data: a pause, or a row out of order at midnight? Nothing tells", None)],
            remedy="Export the file with dates",
        )
    days = np.concatenate([[0.0], np.cumsum(steps < -DAY / 2)])
    notes = []
    if days[-1]:
        notes.append(
            f"midnight is crossed {'once' if days[-1] == 1 else f'{int(days[-1])} times'}: the dates are counted on"
            " (a pause of a whole day or more would not be seen)"
        )
    return time + days * DAY, notes


def newest_first(time: Floats) -> bool:
    """Does the file run backwards as a whole (more than nine in ten steps, and end before it begins)."""
    steps = np.diff(time)
    steps = steps[np.abs(steps) < DAY / 2] if len(steps) else steps
    moved = steps[steps != 0]
    return len(moved) >= 3 and bool((moved < 0).mean() > 0.9)


def spread_repeats(time: Floats) -> Floats:
    """Rounded times: k rows with one time lie evenly between it and the next."""
    starts = np.concatenate([[0], np.flatnonzero(np.diff(time) != 0) + 1])
    counts = np.diff(np.concatenate([starts, [len(time)]]))
    stamps = time[starts]
    widths = np.diff(stamps)
    last = widths[-1] if len(widths) else 0.0
    usual = float(np.max(counts[:-1])) if len(counts) > 1 else 1.0
    group = np.repeat(np.arange(len(starts)), counts)
    within = np.arange(len(time)) - starts[group]
    per = np.concatenate([widths / counts[:-1], [last / max(usual, counts[-1])]]) if len(widths) else np.array([0.0])
    return np.asarray(stamps[group] + within * per[group])


def rising(
    time: Floats, values: Floats, flags: Flags, lines: np.ndarray, repeats: str = ""
) -> tuple[Axis, list[Question]]:
    """The samples in strictly rising time; see Axis for what becomes of the rest.

    time     (n,) seconds in file order, no NaN;  repeats  'spread', 'first' or '' (asked where it matters)
    """
    notes: list[str] = []
    if newest_first(time):
        time, values, flags, lines = time[::-1], values[:, ::-1], flags[:, ::-1], lines[::-1]
        notes.append("the newest row stands first in the file: turned round")
    if len(time) < 2 or (np.diff(time) > 0).all():
        return Axis(time, values, flags, lines, notes=notes), []
    questions = []
    together = np.flatnonzero(np.diff(time) == 0)
    if repeats == "spread" and len(together):
        if (np.diff(time) < 0).any():
            raise IntakeError(
                "rounded times cannot be spread in a file that is out of order", [Problem("a time goes back", None)],
                remedy="Use --repeated-times first",
            )  # fmt: skip
        notes.append(f"{len(together)} rows repeat a rounded time: spread evenly up to the next")
        time = spread_repeats(time)
    axis = _sorted(time, values.copy(), flags.copy(), lines)
    many_of_all = axis.duplicates >= 3 and axis.duplicates >= REPEAT_SHARE * len(time)
    goes_on = _goes_on(time, values)
    if not repeats and (many_of_all or _set_back(time, axis.duplicates, goes_on)):
        questions.append(_about_duplicates(time, lines, axis.duplicates, goes_on))
    axis.notes = notes + axis.notes
    return axis, questions


def _set_back(time: Floats, duplicates: int, goes_on: bool) -> bool:
    """Does one step back stand before a whole block of rows with the times of others: a clock that was set back, after
    which every row is timed too early, however long the file? Of a few rows the values must tell."""
    one = int((np.diff(time) < 0).sum()) == 1
    return one and (duplicates >= SET_BACK_ROWS or (duplicates > 0 and goes_on))


def _goes_on(time: Floats, values: Floats) -> bool:
    """Across the first step back of the times, do the values go on where the row before was, and not where the row of
    the same time is?"""
    back = np.flatnonzero(np.diff(time) < 0)
    same = np.flatnonzero(time[: back[0] + 1] == time[back[0] + 1]) if len(back) else back
    if not len(same) or same[0] == 0:  # it begins again
        return False
    after = values[:, back[0] + 1]
    step, off = np.abs(after - values[:, back[0]]), np.abs(after - values[:, same[0]])
    seen = np.isfinite(step) & np.isfinite(off)
    return bool(seen.any() and np.median(step[seen]) < GOES_ON * np.median(off[seen]))


def _about_duplicates(time: Floats, lines: np.ndarray, count: int, goes_on: bool) -> Question:
    back = np.flatnonzero(np.diff(time) < 0)
    if not len(back):
        return Question(
            f"{count} of {len(time)} rows have the time of an earlier row and other values: rounded times, or"
            " duplicates?",
            "--repeated-times spread or first",
        )
    told = (
        f"the time goes back in line {int(lines[back[0] + 1])}, and {count} of {len(time)} rows have the time of an"
        " earlier row and other values: "
    )
    if goes_on:
        return Question(
            told + "a clock that was set back? Then all later rows are too early, and a ramp there looks steeper than"
            " it was",
            "times that are put right in the file, or --repeated-times first (leaves those rows out, nothing more)",
        )
    clock = "" if count >= REPEAT_SHARE * len(time) else "a clock that was set back, or "
    return Question(
        f"{told}{clock}two records in one file?",
        "--repeated-times first (leaves those rows out), or take the file apart",
    )


def _same(a: Floats, b: Floats) -> np.ndarray:
    return np.asarray((a == b) | (np.isnan(a) & np.isnan(b)))


def astray(time: Floats) -> np.ndarray:
    """The fewest rows without which the others are in order (n, bool): one time misread is one row astray, not all
    that follow it. Of two rows that changed places the later is astray.

    >>> astray(np.array([0.0, 10, 500, 20, 30, 30, 25])).tolist()
    [False, False, True, False, False, False, True]
    """
    ends: list[float] = []  # of the falling runs found so far, read from the end of the file
    at: list[int] = []
    before = np.full(len(time), -1)
    for i in range(len(time) - 1, -1, -1):
        value = -float(time[i])
        place = bisect_right(ends, value)
        before[i] = at[place - 1] if place else -1
        if place == len(ends):
            ends.append(value)
            at.append(i)
        else:
            ends[place], at[place] = value, i
    stray = np.ones(len(time), bool)
    i = at[-1] if at else -1
    while i >= 0:
        stray[i] = False
        i = int(before[i])
    return stray


def _sorted(time: Floats, values: Floats, flags: Flags, lines: np.ndarray) -> Axis:
    stray = astray(time)
    order = np.lexsort((np.arange(len(time)), stray, time))  # of two rows with one time the one in its place counts
    ts = time[order]
    first = np.concatenate([[True], ts[1:] != ts[:-1]])
    group = np.cumsum(first) - 1
    heads = order[first]  # row that stands for each time
    rest = np.flatnonzero(~first)
    rows, targets = order[rest], heads[group[rest]]
    same = _same(values[:, rows], values[:, targets])
    identical = same.all(axis=0)
    fills = (same | np.isnan(values[:, rows]) | np.isnan(values[:, targets])).all(axis=0) & ~identical
    for row, target in zip(rows[fills], targets[fills], strict=True):
        blank = np.isnan(values[:, target]) & ~np.isnan(values[:, row])
        values[blank, target] = values[blank, row]
        flags[blank, target] = flags[blank, row]
    clash = ~identical & ~fills
    flags[:, targets[clash]] |= DUPLICATE_TIME
    kept = np.sort(heads)
    backward = np.zeros(len(time), bool)
    backward[kept] = stray[kept]
    flags[:, backward] |= BACKWARD_TIME
    notes = []
    repeated, filled, clashes, late = (int(x.sum()) for x in (identical, fills, clash, backward))
    if repeated:
        notes.append(f"{many(repeated, 'row')} repeating an earlier row exactly: left out")
    if filled:
        notes.append(f"{many(filled, 'row')} filling in the blanks of an earlier row with the same time")
    if clashes:
        notes.append(
            f"{many(clashes, 'row')} with the time of another row and other values: the one in its place is kept and"
            " flagged"
        )
    if late:
        notes.append(f"{many(late, 'row')} out of order: sorted into place and flagged")
    return Axis(time[heads], values[:, heads], flags[:, heads], lines[heads], repeated, clashes, late, notes)


def gaps(t: Floats) -> tuple[float, int, float]:
    """(usual interval, number of gaps, longest interval), all in seconds; zeros for fewer than two samples."""
    if len(t) < 2:
        return 0.0, 0, 0.0
    steps = np.diff(t)
    usual = float(np.median(steps))
    return usual, int((steps > GAP_FACTOR * usual).sum()), float(steps.max())
