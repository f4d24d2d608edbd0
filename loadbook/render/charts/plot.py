"""Drawing lines over time as SVG that stretches with the page: its time axis, paths, labels that do not overlap.

A field is drawn in whole numbers, WIDE by HIGH, and stretched to its box (`preserveAspectRatio="none"`, strokes keep
their width); words and figures stand beside it as HTML, placed in percent, so that they keep their size on a phone and
on paper. Nothing here knows what the lines mean.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from loadbook.render.pages.markup import Html, el

from .scale import Floats, Scale

WIDE, HIGH = 16000, 8000  # fine enough to be looked at from near, a hold filling the field


@dataclass(frozen=True)
class TimeAxis:
    """The horizontal axis: seconds from the trace's start, told on the shop's clock.

    start  UTC;  seconds  how long it is;  from_s  where it begins
    """

    start: datetime
    seconds: float
    zone: ZoneInfo
    from_s: float = 0.0

    def share(self, t_s: float) -> float:
        return min(max((t_s - self.from_s) / self.seconds, 0.0), 1.0) if self.seconds > 0 else 0.0

    def places(self, t_s: Floats) -> npt.NDArray[np.int64]:
        """Whole steps of WIDE; beyond the ends they lie outside."""
        share = (t_s - self.from_s) / self.seconds if self.seconds > 0 else np.zeros(t_s.size)
        return np.asarray(np.rint(share * WIDE), dtype=np.int64)

    def clock(self, t_s: float) -> datetime:
        return (self.start + timedelta(seconds=t_s)).astimezone(self.zone)

    def offsets(self) -> list[tuple[float, float]]:
        """(from second, seconds ahead of UTC) of the shop's clock: one entry, and one more per clock change."""
        out: list[tuple[float, float]] = []
        steps = [*np.arange(0.0, self.seconds, 900.0), self.seconds]
        for t in steps:
            offset = self.clock(float(t)).utcoffset()
            ahead = offset.total_seconds() if offset else 0.0
            if not out or out[-1][1] != ahead:
                out.append((float(t), ahead))
        return out

    def ticks(self, most: int = 9) -> list[tuple[float, str, str]]:
        """(second, clock time, date where it is the first or a new day) at round times of the shop's clock."""
        span = max(self.seconds, 1.0) / 60.0
        minutes = next((m for m in (1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360, 720) if span / m <= most), 1440)
        days = math.ceil(span / 1440 / most) if minutes == 1440 else 1
        step = 60 if minutes < 15 else 900  # every zone is whole quarters of an hour away from UTC
        moment = self.clock(self.from_s).replace(second=0, microsecond=0)
        if step == 900:
            moment -= timedelta(minutes=moment.minute % 15)
        out: list[tuple[float, str, str]] = []
        day = None
        t = (moment.astimezone(UTC) - self.start).total_seconds()
        while t <= self.from_s + self.seconds:
            local = self.clock(t)
            round_time = (local.hour * 60 + local.minute) % minutes == 0 and local.toordinal() % days == 0
            if t >= self.from_s and round_time:
                date = "" if local.date() == day else local.date().isoformat()
                day = local.date()
                out.append((t, f"{local:%H:%M}", date))
            t += step
        first = self.clock(self.from_s)
        return out if out else [(self.from_s, f"{first:%H:%M}", first.date().isoformat())]


def path(axis: TimeAxis, scale: Scale, t_s: Floats, values: Floats, strokes: Sequence[npt.NDArray[np.int64]]) -> str:
    """The `d` of an SVG path through samples: absolute at the start of each stroke, then relative whole steps.

    What lies beyond the axis or the scale is drawn outside of the field.
    """
    return "".join(
        _stroke(axis.places(t_s[stroke]), np.rint(scale.places(values[stroke]) * HIGH).astype(int))
        for stroke in strokes
    )


def area(axis: TimeAxis, scale: Scale, t_s: Floats, low: Floats, high: Floats, strokes: Sequence[Any]) -> str:
    """The `d` of the area between two series of the same samples, each stroke closed."""
    out = []
    for stroke in strokes:
        there_and_back = np.concatenate((stroke, stroke[::-1]))
        x = axis.places(t_s[there_and_back])
        y = scale.places(np.concatenate((high[stroke], low[stroke][::-1])))
        out.append(_stroke(x, np.rint(y * HIGH).astype(int)) + "z")
    return "".join(out)


def _stroke(x: npt.NDArray[np.int64], y: npt.NDArray[np.int64]) -> str:
    level = np.diff(y) == 0
    kept = np.concatenate(([True], ~(level[:-1] & level[1:]), [True])) if level.size else slice(None)  # ends of levels
    x, y = x[kept], y[kept]
    steps = np.stack((np.diff(x), np.diff(y)), axis=1)
    body = str(steps.ravel().tolist())[1:-1].replace(", ", " ").replace(" -", "-")
    return f"M{x[0]} {y[0]}" + (f"l{body}" if body else "h0")


def spread_out(wanted: Sequence[float], apart: float, height: float) -> list[float]:
    """Places for labels as near as can be to where they are wanted, at least `apart` from one another.

    All in one unit from the top; the order of the wanted places is kept. Needs len(wanted) * apart <= height.

    >>> spread_out([0.0, 0.1, 5.0], 1.0, 10.0)
    [0.0, 1.0, 5.0]
    """
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    places = [0.0] * len(wanted)
    least = 0.0
    for i in order:
        places[i] = max(wanted[i], least)
        least = places[i] + apart
    most = height - apart
    for i in reversed(order):
        places[i] = min(places[i], most)
        most = places[i] - apart
    return places


def percent(share: float) -> str:
    return f"{share * 100:.2f}%"


def box(left: float, right: float, top: float, bottom: float, class_: str) -> Html:
    """A rectangle of a field, from shares of its width and height."""
    return el(
        "rect", x=round(left * WIDE), y=round(top * HIGH), width=max(1, round((right - left) * WIDE)),
        height=max(1, round((bottom - top) * HIGH)), class_=class_,
    )  # fmt: skip


def rule(x1: float, y1: float, x2: float, y2: float, class_: str) -> Html:
    """A straight line of a field, from shares."""
    return el("line", x1=round(x1 * WIDE), y1=round(y1 * HIGH), x2=round(x2 * WIDE), y2=round(y2 * HIGH), class_=class_)


def drawing(*children: object) -> Html:
    """The stretched SVG of a field."""
    return el(
        "svg", list(children), viewBox=f"0 0 {WIDE} {HIGH}", preserveAspectRatio="none", class_="draw",
        aria_hidden="true", focusable="false",
    )  # fmt: skip
