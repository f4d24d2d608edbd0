"""From the recorder's wall clock to UTC: the skipped hour is refused, the repeated one settled by the file or asked.

A file settles its repeated hour itself only where both passes stand in it, one after the other, with the one step
back of an hour between them.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from ..calc.model import Floats
from .recorderoptions import Question

QUARTER = 900.0
_EPOCH = datetime(1970, 1, 1)


def _offsets(local: float, zone: ZoneInfo) -> tuple[float, float]:
    wall = _EPOCH + timedelta(seconds=local)
    early, late = wall.replace(tzinfo=zone, fold=0).utcoffset(), wall.replace(tzinfo=zone, fold=1).utcoffset()
    assert early is not None and late is not None
    return early.total_seconds(), late.total_seconds()


def to_utc(local: Floats, zone: ZoneInfo, fold: str = "") -> tuple[Floats, list[Question], list[str]]:
    """Seconds since 1970 UTC of wall-clock seconds in file order, with questions and remarks.

    fold  'first' or 'second': which pass every time of a repeated hour belongs to; '' lets the file settle it
    """
    known = local[~np.isnan(local)]
    if not len(known):
        return local, [], []
    low, high = float(known.min()), float(known.max())
    days = np.arange(low - 86400, high + 86400 + 1, 43200.0)
    if len(days) < 3000:
        ends = {_offsets(float(d), zone) for d in days}
        if len(ends) == 1:
            return local - next(iter(ends))[0], [], []
    quarters = np.floor(local / QUARTER) * QUARTER
    unique, inverse = np.unique(np.nan_to_num(quarters, nan=known[0]), return_inverse=True)
    table = np.array([_offsets(float(q), zone) for q in unique])
    early, late = table[inverse, 0], table[inverse, 1]
    unclear = (early != late) & ~np.isnan(local)
    if not unclear.any():
        return local - early, [], []
    skipped = unclear & (early < late)
    if skipped.any():
        return local - early, [_skipped(local, skipped, zone)], []
    offset, questions, notes = _repeated(local, early, late, unclear, zone, fold)
    return local - offset, questions, notes


def clock(local: float) -> str:
    """A wall-clock time as text."""
    return (_EPOCH + timedelta(seconds=local)).isoformat(" ", "seconds")


def utc_text(seconds: float) -> datetime:
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
    hours = offset / 3600
    return f"Etc/GMT{-int(hours):+d}" if hours == int(hours) and hours else ("UTC" if not hours else "AREA/CITY")


def _repeated(
    local: Floats, early: Floats, late: Floats, unclear: np.ndarray, zone: ZoneInfo, fold: str
) -> tuple[Floats, list[Question], list[str]]:
    first = float(local[unclear][0])
    if fold:
        return (
            np.where(unclear, early if fold == "first" else late, early),
            [],
            [f"the hour of {clock(first)} is the {fold} of the two that clocks showed (--fold)"],
        )
    change = float((early - late)[unclear][0])
    inside = np.flatnonzero(unclear)
    steps = np.diff(local)
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    back = [
        i for i in inside[1:] if i > 0 and unclear[i - 1] and -change <= local[i] - local[i - 1] < -change + 2.5 * usual
    ]
    if len(back) == 1 and inside[-1] - inside[0] + 1 == len(inside):
        index = np.arange(len(local))
        offset = np.where(unclear & (index >= back[0]), late, early)
        utc = local - offset
        if (np.diff(utc[max(inside[0] - 1, 0) : inside[-1] + 2]) > 0).all():
            last = clock(float(local[back[0] - 1]))
            return offset, [], [f"the clock change is in the file: the hour up to {last}, then the same hour again"]
    unchanged = _fixed(float(late[inside[0]]))
    question = Question(
        f"{clock(first)} showed twice on clocks in {zone.key}: which of the two ({len(inside)} rows)",
        f"--fold first or second, or --zone {unchanged} if the recorder's clock was not changed",
    )
    return early, [question], []
