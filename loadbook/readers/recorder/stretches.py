"""A clock that begins again within a file: another run, the next day, or a recorder that lost its power.

Nothing in the file tells which, nor how long the pause was: it is asked. A stretch goes from one such place to the
next; single rows out of order, and a clock that runs on where it was, are none.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from loadbook.analysis.trace.model import Floats
from loadbook.core.errors import UsageError

from .options import Question
from .time_axis import DAY, clock, cross_midnight, newest_first

SHORTEST = 20  # rows of a stretch: fewer are rows out of order


def restarts(time: Floats, kind: str) -> list[int]:
    """Rows at which the clock begins again.

    time  (n,) seconds in file order;  kind  'elapsed', 'time of day' or 'clock' (dates: only where rows of a later
          stretch lie between those of an earlier one, at other moments, or where it goes back by whole hours: other
          blocks out of order are sorted)
    """
    if len(time) < 2 * SHORTEST or newest_first(time):
        return []
    steps = np.diff(time)
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    back = steps < 0
    if kind == "time of day":
        back &= steps > -DAY / 2
    if kind != "elapsed":  # twelve hours without AM and PM, a date not counted on: told by what follows
        for span in (DAY / 2, DAY):
            back &= ~((steps >= -span) & (steps <= -span + 2.5 * usual))
    edges = [0, *(np.flatnonzero(back) + 1).tolist(), len(time)]
    if kind == "elapsed":  # a count that falls to a small part and goes on from there began again, however short
        again = [a for a in edges[1:-1] if time[a] <= 0.25 * time[a - 1] and (time[a + 1 : a + 2] < time[a - 1]).all()]
    else:
        again = []
    long = [a for a, b in pairwise(edges) if b - a >= SHORTEST]
    found = sorted({a for a in long[1:] if time[a] < time[:a].max()} | set(again))
    if kind == "clock":
        found = [
            a for a, b in pairwise([*found, len(time)])
            if _between(time[:a], time[a:b]) or _set_back(float(time[a] - time[a - 1]), usual)
        ]  # fmt: skip
    return found


def _set_back(step: float, usual: float) -> bool:
    """Does a step back look like a clock set back by whole hours, up to three: the next row came an interval later."""
    return usual < 600 and any(-3600.0 * k <= step <= -3600.0 * k + 2.5 * usual for k in (1, 2, 3))


def _between(before: Floats, after: Floats) -> bool:
    """Do enough moments of a later stretch lie among those of the earlier ones without being one of them."""
    low, high = float(after.min()), float(after.max())
    among = before[(before >= low) & (before <= high)]
    if len(among) < SHORTEST:
        return False
    inside = (after > among.min()) & (after < among.max())
    return int((inside & ~np.isin(after, among)).sum()) >= SHORTEST


def of_one_clock(
    time: Floats, lines: np.ndarray, stretch: str, kind: str, where: str, unit: str = " s"
) -> tuple[Floats, np.ndarray, list[Question], list[str]]:
    """(times, rows kept as a mask, questions, remarks) of the stretch that is meant; of the first while it is asked.

    unit  of counts, '' while it is asked
    """
    keep = np.ones(len(time), bool)
    found = restarts(time, kind)
    if not found:
        if stretch not in ("", "all", "1"):
            raise UsageError(f"--stretch {stretch}: the clock of {where} does not begin again", remedy="Leave it out")
        return time, keep, [], []
    count = len(found) + 1
    choices = ["all"] + (["days"] if kind == "time of day" else [])
    if stretch == "all":
        return (
            time,
            keep,
            [],
            [f"the clock begins again in line {int(lines[found[0]])}: rows are taken as timed (--stretch all)"],
        )
    if stretch == "days" and kind == "time of day":
        return _day_by_day(time, found), keep, [], [f"{count} stretches, each on the day after the one before"]
    if stretch and not (stretch.isdigit() and 1 <= int(stretch) <= count):
        raise UsageError(
            f"--stretch cannot be {stretch!r}", remedy=f"A number from 1 to {count}, {' or '.join(choices)}"
        )
    number = int(stretch or 1)
    first, last = [0, *found][number - 1], [*found, len(time)][number - 1]
    keep[:first] = keep[last:] = False
    if stretch:
        told = (
            f"stretch {number} of {count} (--stretch): lines {lines[first]} to {lines[last - 1]}, the others stay out"
        )
        return time, keep, [], [told]
    at = found[0]
    was, now = (_shown(float(time[i]), kind, unit) for i in (at - 1, at))
    begin = "; each stretch needs a --start of its own" if kind != "clock" else ""
    question = Question(
        f"the clock begins again in line {int(lines[at])} (from {was} to {now}"
        + (f", and {len(found) - 1} more times" if count > 2 else "")
        + f"): another run{', the next day' if kind == 'time of day' else ''}, or a recorder that lost its power?",
        f"--stretch 1 to {count}"
        + (", --stretch days" if kind == "time of day" else "")
        + f", or --stretch all to take the rows as timed{begin}",
    )
    return time, keep, [question], []


def _day_by_day(time: Floats, found: list[int]) -> Floats:
    """Clock times that go on over midnights: each stretch begins when its clock time came the next time."""
    out, end = time.copy(), -np.inf
    for a, b in pairwise([0, *found, len(time)]):
        part, _ = cross_midnight(time[a:b])
        out[a:b] = part + (DAY * np.ceil((end - part[0]) / DAY) if a else 0.0)
        end = float(out[a:b].max())
    return out


def _shown(seconds: float, kind: str, unit: str) -> str:
    return (
        f"{seconds:.15g}{unit}"
        if kind == "elapsed"
        else clock(seconds)[11:]
        if kind == "time of day"
        else clock(seconds)
    )
