"""Rates of a run: peaks with their standard error, means between two temperatures, the approach to the hold."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from loadbook.analysis.trace.model import NOT_SAMPLED, Floats
from loadbook.analysis.trace.rates import Rates, line, noise_peak, rates_of, thermocouples, trace_rates
from loadbook.analysis.trace.validity import Mask, first_where, interval_s, picked
from loadbook.core.remarks import Remark, remark

from .run_view import Look, degrees, first_fall_through, last_rise_through

CLIMB = (0.10, 0.90)  # mean heating rate: between these shares of the climb from the start to the main hold
FALL = (0.10, 0.50)  # mean cooling rate: between these shares of the fall from the main hold to the start temperature
APPROACH_C = 50.0


@dataclass(frozen=True)
class Slopes:
    """Slopes of one direction (sign 1.0 heating, -1.0 cooling), each sample under its own window; at finds a trace's
    row in them, begin the sample at which those of by_window do."""

    at: dict[int, int]
    sign: float
    slope: Floats
    full: Mask
    windows: Floats
    by_window: dict[float, Rates]
    step_s: float
    begin: int = 0

    @classmethod
    def of(cls, look: Look) -> Slopes:
        windows = look.windows()
        by_window = {window: trace_rates(look.trace, window) for window in np.unique(windows).tolist()}
        (_, first), *others = by_window.items()
        slope, full = first.slope, first.full
        if others:
            slope, full = slope.copy(), full.copy()
            for window, rates in others:
                here = windows == window
                slope[:, here], full[:, here] = rates.slope[:, here], rates.full[:, here]
        at = {row: k for k, row in enumerate(thermocouples(look.trace))}
        return cls(at, 1.0, slope, full, windows, by_window, interval_s(look.t_s))

    def error(self, row: int, sample: int) -> float:
        """Standard error of one row's slope at one sample."""
        return self.by_window[float(self.windows[sample])].error(self.at[row], sample - self.begin)

    def within(self, look: Look, rows: Sequence[int], inside: Mask) -> Slopes:
        """The slopes of some rows from their samples inside a mask, (n,) or (rows of the trace, n), alone: no window
        reaches into another segment, or across the temperature above which a peak is asked for."""
        own = np.broadcast_to(inside, look.trace.values.shape)[rows] if inside.ndim == 1 else picked(inside, rows)
        seen = np.flatnonzero(own.any(axis=0))
        part = slice(int(seen[0]), int(seen[-1]) + 1) if seen.size else slice(0, 0)
        drawn = picked(look.trace.flags, rows)[:, part] & NOT_SAMPLED > 0
        y = np.where(own[:, part] & ~drawn, picked(look.trace.values, rows)[:, part], np.nan)
        windows = self.windows[part]
        by_window = {w: rates_of(look.t_s[part], y, w) for w in np.unique(windows).tolist()}
        slope, full = np.full(own.shape, np.nan), np.zeros(own.shape, dtype=bool)
        for window, rates in by_window.items():
            here = np.flatnonzero(windows == window)
            slope[:, part.start + here], full[:, part.start + here] = rates.slope[:, here], rates.full[:, here]
        at = {row: k for k, row in enumerate(rows)}
        return replace(self, at=at, slope=slope, full=full, by_window=by_window, begin=part.start)

    def best(self, rows: Sequence[int], where: Mask, part: slice) -> list[tuple[float, int]]:
        """Steepest slope of each row inside a mask and its sample: of full windows, where a row has any."""
        if not rows or part.start >= part.stop:
            return [(-np.inf, 0)] * len(rows)
        lines = [self.at[row] for row in rows]
        signed = self.sign * picked(self.slope, lines)[:, part]
        inside = (where[part] if where.ndim == 1 else picked(where, rows)[:, part]) & np.isfinite(signed)
        filled = inside & picked(self.full, lines)[:, part]
        some = filled.any(axis=1)
        signed = np.where(filled if some.all() else np.where(some[:, None], filled, inside), signed, -np.inf)
        steepest = signed.argmax(axis=1)
        found = signed[np.arange(len(rows)), steepest]
        return list(zip(found.tolist(), (steepest + part.start).tolist(), strict=True))


def rate_parameters(look: Look) -> None:
    """heating_rate_peak, cooling_rate_peak (run, above thresholds, per segment, per channel), means, approach."""
    slopes = Slopes.of(look)
    for phase, kind, sign in (("heating", "heat", 1.0), ("cooling", "cool", -1.0)):
        mask = look.mask(phase)
        if not mask.any():
            continue
        name = f"{phase}_rate_peak"
        s = replace(slopes, sign=sign)
        part = slice(int(np.argmax(mask)), look.n - int(np.argmax(mask[::-1])))
        for rows, variant in ((look.control, ""), (look.work, "_work")):
            best = s.best(rows, mask, part)
            _run_peak(look, f"{name}{variant}_c_per_h", s, rows, best, mask, part)
            for row, (value, k) in zip(rows, best, strict=True):
                channel = look.name(row)
                look.add(
                    f"{name}_c_per_h",
                    value,
                    "c_per_h",
                    channel=channel,
                    se=s.error(row, k),
                    sample=k,
                    about=(channel,),
                )
            for above in _thresholds(look, phase) if rows else []:
                hot = mask & (look.trace.values > above)
                full_name, words = f"{name}_above_{degrees(above)}c{variant}_c_per_h", remark("above", above_c=above)
                own = s.within(look, rows, hot)
                _run_peak(look, full_name, own, rows, own.best(rows, hot, part), hot, part, words)
            intervals = [i for i in look.phases.intervals if i.kind == kind]
            if rows and not look.phases.automatic and len(intervals) > 1:
                for one in intervals:
                    here = slice(one.start, min(one.end, look.n))
                    full_name = f"{name}{variant}_c_per_h_segment_{one.segment}"
                    inside = mask & False
                    inside[here] = mask[here]
                    own = s.within(look, rows, inside)
                    _run_peak(look, full_name, own, rows, own.best(rows, mask, here), mask, here)
    _means(look)
    _approach(look)


def _thresholds(look: Look, phase: str) -> list[float]:
    """Temperatures above which the cycle's rate limits of a phase bind."""
    if look.cycle is None:
        return []
    kind, quantity = ("heat", "heating_rate") if phase == "heating" else ("cool", "cooling_rate")
    found = {s.rate_above_c for s in look.cycle.segments if s.kind == kind and s.rate_above_c is not None}
    found |= {x.above_c for x in look.cycle.limits if x.quantity == quantity and x.above_c is not None}
    return sorted(found)


def _run_peak(
    look: Look,
    name: str,
    s: Slopes,
    rows: Sequence[int],
    best: Sequence[tuple[float, int]],
    mask: Mask,
    part: slice,
    words: Remark | None = None,
) -> None:
    """Adds the steepest of some rows, with what noise of its standard error adds to such a peak; nothing where none
    went that way at all (a heat broken off before it began)."""
    if not best:
        return
    which = max(range(len(best)), key=lambda i: best[i][0])
    value, k = best[which]
    if not value > 0.0 or not np.isfinite(value):
        return
    row = rows[which]
    error = s.error(row, k)
    inside = mask[part] if mask.ndim == 1 else mask[row, part]
    near = float(((s.sign * s.slope[s.at[row], part] >= value - 3.0 * error) & inside).sum()) * s.step_s
    adds = error * noise_peak(near, s.step_s, float(s.windows[k]))
    noise = remark("noise", channel=look.name(row), window_min=s.windows[k] / 60.0, noise_c_per_h=adds)
    note = [words, noise] if words else [noise]
    look.add(name, value, "c_per_h", se=error, sample=k, note=note, about=(look.name(row),))


def _means(look: Look) -> None:
    """Mean heating and cooling rate between two temperatures, holds left out."""
    if look.main is None:
        return
    for variant, rows in (("", [-1]), ("_work", look.work)):
        heating: list[tuple[float, str]] = []
        cooling: list[tuple[float, str]] = []
        for row in rows:
            y = look.followed if row < 0 else look.trace.values[row]
            name = look.phases.reference_is if row < 0 else look.name(row)
            if row < 0 and look.phases.reference_is != "control":
                continue
            start = _start_c(y)
            if start is None or look.main.target_c - start < 2.0 * APPROACH_C / 5.0:
                continue
            up, down = _mean_rise(look, y, start), _mean_fall(look, y, start)
            heating += [(up, name)] if up is not None else []
            cooling += [(down, name)] if down is not None else []
        for word, each in (("heating", heating), ("cooling", cooling)):
            if each:
                value, name = max(each)
                look.add(f"{word}_rate_mean{variant}_c_per_h", value, "c_per_h", note=name if variant else None)


def _start_c(y: Floats) -> float | None:
    first = 0 if math.isfinite(y[0]) else first_where(np.isfinite(y))
    return None if first is None else float(y[first])


def _mean_rise(look: Look, y: Floats, start: float) -> float | None:
    """Rise over time between two shares of the climb, taken over the heating samples only."""
    assert look.main is not None
    target = look.main.target_c
    low, high = (start + share * (target - start) for share in CLIMB)
    top = first_where(y[: look.main.end] >= high)
    if top is None:
        return None
    bottom = last_rise_through(y, low, top)
    return None if bottom is None else _rate_over(look, y, bottom, top, look.mask("heating"))


def _mean_fall(look: Look, y: Floats, start: float) -> float | None:
    """Fall over time between two shares of the way down, taken over the cooling samples only (positive)."""
    assert look.main is not None
    target = look.main.target_c
    high, low = (target - share * (target - start) for share in FALL)
    top = first_fall_through(y, high, look.main.end)
    bottom = first_fall_through(y, low, look.main.end)
    if top is None or bottom is None:
        return None
    rate = _rate_over(look, y, top, bottom, look.mask("cooling"))
    return None if rate is None else -rate


def _rate_over(look: Look, y: Floats, first: int, last: int, mask: Mask) -> float | None:
    """Change per hour between two samples, counting only steps whose two ends are both in the mask."""
    t, v, inside = look.t_s[first : last + 1], y[first : last + 1], mask[first : last + 1]
    ok = np.isfinite(v)
    if not ok.all():
        t, v, inside = t[ok], v[ok], inside[ok]
    counted = inside[1:] & inside[:-1]
    steps, changes = t[1:] - t[:-1], v[1:] - v[:-1]
    if not counted.all():
        steps, changes = steps[counted], changes[counted]
    hours = float(steps.sum()) / 3600.0
    return float(changes.sum()) / hours if hours > 0.0 else None


def _approach(look: Look) -> None:
    """Slope of the last 50 °C below the main hold's target, up to the sample that enters the band."""
    hold = look.main
    if hold is None:
        return
    low = hold.target_c - APPROACH_C
    found: dict[str, list[tuple[float, float, int, str]]] = {"": [], "_work": []}
    sources = [("", look.followed, "")] if look.phases.reference_is == "control" else []
    sources += [("_work", look.trace.values[row], look.name(row)) for row in look.work]
    for variant, y, name in sources:
        begin = hold.start if variant == "" else 0
        entered = first_where(y[begin : hold.end] >= hold.low_c)
        if entered is None:
            continue
        top = begin + entered
        first = last_rise_through(y, low, top)
        if first is None or low >= hold.low_c:
            continue
        slope, se = line(look.t_s[first : top + 1], y[first : top + 1])
        if np.isfinite(slope):
            found[variant].append((slope, se, top, name))
    for variant, each in found.items():
        if each:
            slope, se, top, name = max(each)
            look.add(f"approach_rate{variant}_c_per_h", slope, "c_per_h", se=se, sample=top, note=name or None)
