"""What a clause needs to know of a soak beside its minutes: who left the band, who came last, what stays open.

The minutes themselves are calc.soak's: one definition for the parameter and for the clause.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .clauseseries import View
from .model import Floats, Trace
from .phases import Hold
from .soak import Soak, soak


@dataclass(frozen=True)
class SoakSeen:
    """A soak with its story.

    found      calc.soak's figures;  possible  minutes if every unseen stretch is counted as inside the band
    leavings   (moment, channel, temperature °C) each time the band was left while the hold went on
    last       the channel that came into the band last, else ended the soak; or kept the load out of the band
    spare_min  how far the minutes move when the band is narrowed or widened by the sensors' uncertainty
    """

    found: Soak
    possible: float
    leavings: tuple[tuple[float, str, float], ...]
    last: str | None
    spare_min: float | None


def look(view: View, hold: Hold, rows: list[int], blind_s: float, guard_factor: float) -> SoakSeen:
    """The soak of some rows in one hold. blind_s: a longer stretch without enough valid readings is unseen."""
    trace = _enough(view, rows)
    until = int(np.searchsorted(view.t_s, view.until_s, side="right"))
    found = soak(trace, hold, until, rows)
    t, y = view.t_s[hold.start : hold.end], trace.values[rows, hold.start : hold.end]
    with np.errstate(invalid="ignore"):
        out = (y < hold.low_c) | (y > hold.high_c)
    seen: np.ndarray = np.asarray(np.isfinite(y).any(axis=0))
    unseen = _unseen(t, seen, blind_s)
    names = [view.trace.channels[r].name for r in rows]
    leavings: list[tuple[float, str, float]] = []
    inside: np.ndarray = np.asarray(seen & ~out.any(axis=0))
    if inside.any():
        left: np.ndarray = np.asarray(out.any(axis=0))
        turned = np.flatnonzero(left[1:] & inside[:-1]) + 1
        leavings = [(float(t[k]), names[int(np.argmax(out[:, k]))], float(y[np.argmax(out[:, k]), k])) for k in turned]
    margin = max((view.trace.channels[r].expanded_uncertainty_c or 0.0 for r in rows), default=0.0) * guard_factor
    spare = None
    if margin > 0.0:
        shifted = [soak(trace, _band(hold, sign * margin), until, rows) for sign in (-1.0, 1.0)]
        spare = max(abs(x.minutes - found.minutes) for x in shifted)
    possible = found.minutes + max(found.unseen_minutes, unseen)
    last = _last(view, trace, rows, names, hold, found, until)
    return SoakSeen(found, possible, tuple(leavings), last, spare)


def _enough(view: View, rows: list[int]) -> Trace:
    """The trace, with work rows blank wherever fewer work TCs are valid than the cycle asks."""
    if rows != view.work or view.fewest_work <= 1:
        return view.trace
    few = view.count < view.fewest_work
    if not few.any():
        return view.trace
    values = view.trace.values.copy()
    values[np.ix_(np.array(rows), np.flatnonzero(few))] = np.nan
    return replace(view.trace, values=values)


def _band(hold: Hold, wider_c: float) -> Hold:
    low, high = hold.band_low_c + wider_c, hold.band_high_c + wider_c
    return replace(hold, band_low_c=max(low, 0.0), band_high_c=max(high, 0.0))


def _unseen(t: Floats, seen: np.ndarray, blind_s: float) -> float:
    """Minutes of the stretches longer than blind_s without enough valid readings."""
    if t.size == 0:
        return 0.0
    steps = np.diff(np.concatenate(([t[0]], t[seen], [t[-1]])))
    return float(steps[steps > blind_s].sum()) / 60.0


def _last(
    view: View, trace: Trace, rows: list[int], names: list[str], hold: Hold, found: Soak, until: int
) -> str | None:  # fmt: skip
    """The last channel outside before the counted soak; where none was, the first one outside after it."""
    y = trace.values[rows, :until]
    with np.errstate(invalid="ignore"):
        out = (y < hold.low_c) | (y > hold.high_c)
    some = out.any(axis=0)
    if found.start_s is None or found.end_s is None:
        some &= (np.arange(until) >= hold.start) & (np.arange(until) < hold.end)
        if not some.any():
            return None
        away = np.fmax(hold.low_c - y, y - hold.high_c)[:, some]
        nearest = int(np.argmin(np.fmax.reduce(away, axis=0)))
        return names[int(np.nanargmax(away[:, nearest]))]
    after = np.flatnonzero(some & (view.t_s[:until] > found.end_s))
    before = np.flatnonzero(some & (view.t_s[:until] < found.start_s))
    k = before[-1] if before.size else (after[0] if after.size else None)
    if k is None:
        return None
    return names[int(np.nanargmax(np.fmax(hold.low_c - y[:, k], y[:, k] - hold.high_c)))]
