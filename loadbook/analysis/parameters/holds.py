"""Holds of a run: temperature and time by the furnace, soak by the work TCs, pressure, scatter at the early hold."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from loadbook.analysis.trace.model import Floats
from loadbook.analysis.trace.phases import Hold
from loadbook.analysis.trace.rates import line
from loadbook.analysis.trace.soak import soak
from loadbook.analysis.trace.validity import picked
from loadbook.core.remarks import Remark, remark

from .run_view import Look

EARLY_BELOW_C = 50.0  # an early hold is at least this far below the main one
EARLY_LAST_S = 600.0
LEAK_EVENTS = ("leak-up started", "leak-up ended")


def hold_parameters(look: Look) -> None:
    """The main hold under the plain names, every hold of a cycle with several under its segment's number."""
    main = look.main
    if main is not None:
        _one_hold(look, main, "")
        _channels(look, main)
    asked = [s for s in look.cycle.segments if s.kind == "hold"] if look.cycle else []
    if not look.phases.automatic and len(asked) > 1:
        for hold in look.phases.holds:
            _one_hold(look, hold, f"_segment_{hold.segment}")
    _early_scatter(look)
    _leak_up(look)


def _weights(t_s: Floats, gap_s: float) -> Floats:
    """Seconds that each sample stands for: half of the steps beside it, unseen steps left out."""
    w = np.zeros_like(t_s)
    steps = t_s[1:] - t_s[:-1]
    steps[steps > gap_s] = 0.0
    w[:-1] += 0.5 * steps
    w[1:] += 0.5 * steps
    return w


def time_mean(t_s: Floats, y: Floats, gap_s: float) -> float:
    """Mean over time (trapezoid) of the valid samples; steps longer than gap_s do not count.

    >>> time_mean(np.array([0.0, 10.0, 40.0]), np.array([0.0, 10.0, 10.0]), 100.0)
    8.75
    """
    ok = np.isfinite(y)
    if not ok.any():
        return float("nan")
    w = _weights(t_s[ok], gap_s)
    total = float(w.sum())
    return float((w * y[ok]).sum() / total) if total > 0.0 else float(y[ok].mean())


def time_means(t_s: Floats, y: Floats, gap_s: float) -> list[float]:
    """The same of each row of (k, n)."""
    w = _weights(t_s, gap_s)
    total = float(w.sum())
    if not total > 0.0 or not np.isfinite(y).all():
        return [time_mean(t_s, values, gap_s) for values in y]
    means: list[float] = ((w * y).sum(axis=1) / total).tolist()
    return means


def _one_hold(look: Look, hold: Hold, tail: str) -> None:
    part = slice(hold.start, min(hold.end, look.n))
    t = look.t_s[part]
    if t.size == 0:
        return
    note = None if hold.band_stated else remark("no_band", band_c_diff=hold.band_low_c)
    look.add(f"hold_start_h{tail}", float(t[0]) / 3600.0, "h", sample=hold.start)
    look.add(f"hold_end_h{tail}", float(t[-1]) / 3600.0, "h", sample=part.stop - 1)
    if look.phases.reference_is == "control":
        y = look.followed[part]
        inside = (y >= hold.low_c) & (y <= hold.high_c)
        look.add(f"hold_minutes{tail}", _minutes(t, inside, look.gap_s), "min", note=note)
        look.add(f"hold_longest_excursion_min{tail}", _longest_out(t, y, inside), "min", note=note)
        _levels(look, hold, look.control, look.followed, "", tail)
    if look.work:
        _levels(look, hold, look.work, None, "_work", tail)
    if look.control:
        furnace = soak(look.trace, hold, look.n, look.control)
        where = furnace.first if furnace.start_s is not None else None
        look.add(f"furnace_soak_minutes{tail}", furnace.minutes, "min", sample=where, note=note)
    if look.work:
        held = soak(look.trace, hold, look.n, look.work)
        words: list[Remark | str] = [note] if note else []
        if held.unseen_minutes:
            words.append(f"{held.unseen_minutes:.3g} min unseen in gaps are not counted")
        if held.stretches > 1 and hold.on_leaving != "through":
            words.append(f"band entered {held.stretches} times, rule: {hold.on_leaving}")
        where = held.first if held.start_s is not None else None
        look.add(f"soak_minutes{tail}", held.minutes, "min", sample=where, note=words)
    _pressure(look, part, tail)


def _minutes(t: Floats, inside: np.ndarray, gap_s: float) -> float:
    """Minutes between neighbouring samples that are both inside and close enough to be seen."""
    steps = np.diff(t)
    return float(steps[inside[1:] & inside[:-1] & (steps <= gap_s)].sum()) / 60.0


def _longest_out(t: Floats, y: Floats, inside: np.ndarray) -> float:
    """Longest time [min] from the last sample inside to the next one inside (or the hold's end)."""
    ok = np.isfinite(y)
    t, inside = t[ok], inside[ok]
    if inside.all() or t.size == 0:
        return 0.0
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (~inside).view(np.int8), [0]))))
    spans = [t[min(b, t.size - 1)] - t[max(a - 1, 0)] for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return float(max(spans)) / 60.0


def _levels(look: Look, hold: Hold, rows: Sequence[int], one: Floats | None, variant: str, tail: str) -> None:
    """Mean, coldest, hottest and overshoot over the hold; of the control's median, or of all work TCs."""
    part = slice(hold.start, min(hold.end, look.n))
    hot, cold = look.extremes(rows)
    t, hottest, coldest = look.t_s[part], hot[part], cold[part]
    if not np.isfinite(hottest).any():
        return
    y = one[part] if one is not None else _row_mean(look.trace.values[list(rows), part])
    look.add(f"hold_mean{variant}_c{tail}", time_mean(t, y, look.gap_s), "c")
    top, bottom = int(np.nanargmax(hottest)), int(np.nanargmin(coldest))
    at_top, at_bottom = hold.start + top, hold.start + bottom
    look.add(
        f"hold_max{variant}_c{tail}", hottest[top], "c", sample=at_top, note=look.hottest_at(rows, at_top),
        about=(look.hottest_at(rows, at_top),),
    )  # fmt: skip
    look.add(
        f"hold_min{variant}_c{tail}", coldest[bottom], "c", sample=at_bottom, note=look.coldest_at(rows, at_bottom),
        about=(look.coldest_at(rows, at_bottom),),
    )  # fmt: skip
    over = max(float(hottest[top]) - hold.target_c, 0.0)
    look.add(f"hold_overshoot{variant}_c{tail}", over, "c_diff", sample=at_top if over > 0.0 else None)


def _row_mean(values: Floats) -> Floats:
    """Mean over the rows of the valid ones at each sample; NaN where none is."""
    ok = np.isfinite(values)
    count = ok.sum(axis=0)
    total = np.where(ok, values, 0.0).sum(axis=0)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))


def _channels(look: Look, hold: Hold) -> None:
    """Each TC's own mean over the main hold, and its own time inside the band."""
    part = slice(hold.start, min(hold.end, look.n))
    rows = [*look.control, *look.work]
    means = time_means(look.t_s[part], picked(look.trace.values, rows)[:, part], look.gap_s)
    for row, mean in zip(rows, means, strict=True):
        look.add("hold_mean_c", mean, "c", channel=look.name(row))
    for row in look.work:
        own = soak(look.trace, hold, look.n, [row])
        where = own.first if own.start_s is not None else None
        look.add("soak_minutes", own.minutes, "min", channel=look.name(row), sample=where)


def _early_scatter(look: Look) -> None:
    """Standard deviation between the work TCs' means over the last ten minutes of the first early hold."""
    main = look.main
    target_c = main.target_c if main else look.cycle.main_hold[1] if look.cycle and look.cycle.main_hold else None
    if target_c is None or len(look.work) < 2:
        return
    before = main.start if main else look.n
    early = [h for h in look.phases.holds if h.start < before and h.target_c <= target_c - EARLY_BELOW_C]
    if not early:
        return
    hold = early[0]
    first = max(hold.start, int(np.searchsorted(look.t_s, hold.end_s - EARLY_LAST_S)))
    part = look.trace.values[look.work, first : hold.end]
    count = np.isfinite(part).sum(axis=1)
    means = np.nansum(part, axis=1)[count > 0] / count[count > 0]
    if means.size >= 2:
        note = f"{means.size} work TCs at the hold of segment {hold.segment}"
        look.add("early_hold_scatter_c", float(means.std(ddof=1)), "c_diff", sample=hold.end - 1, note=note)


def _pressure(look: Look, part: slice, tail: str) -> None:
    """Pressure over a hold: its mean over decades and its highest; per gauge where there are several."""
    for row in look.pressure:
        p = look.trace.values[row, part]
        positive = p[np.isfinite(p) & (p > 0.0)]
        if positive.size == 0:
            continue
        channel = None if len(look.pressure) == 1 else look.name(row)
        decades = np.log10(np.maximum(p, positive.min()))
        mean = 10.0 ** time_mean(look.t_s[part], decades, look.gap_s)
        top = int(np.nanargmax(p))
        look.add(f"hold_pressure_mean_mbar{tail}", mean, "mbar", channel=channel)
        look.add(f"hold_pressure_max_mbar{tail}", p[top], "mbar", channel=channel, sample=part.start + top)


def leak_up(look: Look) -> list[tuple[int, float, float]]:
    """Rise of the pressure [mbar/h] between the events 'leak-up started' and 'leak-up ended': (row, slope, se)."""
    moments = [
        next((e.t_s for e in look.trace.events if e.event.strip().casefold() == word), None) for word in LEAK_EVENTS
    ]
    start, end = moments
    if start is None or end is None or end <= start:
        return []
    here = (look.t_s >= start) & (look.t_s <= end)
    return [(row, *line(look.t_s[here], look.trace.values[row, here])) for row in look.pressure]


def _leak_up(look: Look) -> None:
    for row, slope, se in leak_up(look):
        channel = None if len(look.pressure) == 1 else look.name(row)
        look.add("leak_up_mbar_per_h", slope, "mbar_per_h", channel=channel, se=se)
