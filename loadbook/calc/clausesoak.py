"""The soak: how long every thermocouple that counts was inside the band, and what leaving the band did to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .clausecheck import BLIND_S, Guard
from .clauseseries import Mask, View
from .model import Floats


@dataclass(frozen=True)
class Soak:
    """A soak as the trace shows it.

    minutes     counted by the cycle's own rule for leaving the band; 0.0 if never reached
    possible    the same, if every stretch that nobody saw is counted as inside the band
    start_s     when the last thermocouple entered (of the stretch that counts); None if never
    end_s       when the counted stretch ended
    leavings    (moment, channel, temperature °C) each time the band was left before the end
    last        the channel that entered last, or that ended or prevented the soak
    last_c      what that channel read then
    """

    minutes: float
    possible: float
    start_s: float | None
    end_s: float | None
    leavings: tuple[tuple[float, str, float], ...]
    last: str | None
    last_c: float | None = None


def soak(
    view: View, rows: list[int], where: Mask, low_c: float, high_c: float, on_leaving: str, *,
    margin_c: Floats | None = None, blind_s: float = BLIND_S,
) -> Soak:  # fmt: skip
    """Soak minutes of some rows between two edges [°C], inside `where`.

    on_leaving  'restart': the longest unbroken stretch counts; 'pause': all stretches together; 'end': the first one
    margin_c    (rows,) narrows (or, negative, widens) the band for each row by its uncertainty
    blind_s     a gap between two valid samples longer than this is not counted as soak
    """
    index = np.flatnonzero(where)
    if not rows or index.size == 0:
        return Soak(0.0, 0.0, None, None, (), None)
    t = view.t_s[index]
    y = view.trace.values[rows][:, index]
    margin = np.zeros(len(rows)) if margin_c is None else margin_c
    with np.errstate(invalid="ignore"):
        out = (y < low_c + margin[:, None]) | (y > high_c - margin[:, None])
    seen = np.isfinite(y).sum(axis=0) >= max(1, view.fewest_work if rows == view.work else 1)
    inside = seen & ~out.any(axis=0)
    outside = seen & out.any(axis=0)
    names = [view.trace.channels[r].name for r in rows]
    t_seen, in_seen = t[seen], inside[seen]
    if not in_seen.any():
        worst = _furthest(y, low_c, high_c, np.flatnonzero(outside)) if outside.any() else None
        name = names[worst[0]] if worst else None
        unseen = float(t[-1] - t[0]) / 60.0 if not outside.any() else _unseen(t, seen, blind_s)
        return Soak(0.0, unseen, None, None, (), name, worst[1] if worst else None)
    stretches = _stretches(t_seen, in_seen, blind_s)
    lengths = [b - a for a, b in stretches]
    if on_leaving == "pause":
        minutes, start, end = sum(lengths) / 60.0, stretches[0][0], stretches[-1][1]
    else:
        k = int(np.argmax(lengths)) if on_leaving == "restart" else 0
        minutes, start, end = lengths[k] / 60.0, stretches[k][0], stretches[k][1]
    leavings = []
    first_in = float(t_seen[in_seen][0])
    turned = np.flatnonzero(outside & np.concatenate(([False], inside[:-1])))
    for k in turned:
        if t[k] > first_in:
            which = int(np.argmax(out[:, k]))
            leavings.append((float(t[k]), names[which], float(y[which, k])))
    last, last_c = _ender(t, y, out, names, end)
    if last is None:
        last, last_c = _opener(t, y, out, names, start)
    return Soak(minutes, minutes + _unseen(t, seen, blind_s), start, end, tuple(leavings), last, last_c)


def _stretches(t: Floats, inside: Mask, blind_s: float) -> list[tuple[float, float]]:
    """Unbroken stretches inside the band, split at gaps longer than blind_s."""
    cut = np.concatenate(([True], (np.diff(t) > blind_s) | ~inside[:-1]))
    starts = np.flatnonzero(inside & cut)
    out = []
    for a in starts:
        b = a
        while b + 1 < t.size and inside[b + 1] and not cut[b + 1]:
            b += 1
        out.append((float(t[a]), float(t[b])))
    return out


def _unseen(t: Floats, seen: Mask, blind_s: float) -> float:
    """Minutes of the stretches longer than blind_s without enough valid readings."""
    marks = np.concatenate(([t[0]], t[seen], [t[-1]]))
    steps = np.diff(marks)
    return float(steps[steps > blind_s].sum()) / 60.0


def _furthest(y: Floats, low_c: float, high_c: float, columns: np.ndarray) -> tuple[int, float]:
    """The row that came least near the band at the moment when the load was nearest, and its reading."""
    away = np.fmax(low_c - y[:, columns], y[:, columns] - high_c)
    worst = np.where(np.isfinite(away), away, -np.inf).max(axis=0)
    k = int(np.argmin(worst))
    row = int(np.nanargmax(away[:, k]))
    return row, float(y[row, columns[k]])


def _ender(t: Floats, y: Floats, out: Mask, names: list[str], end_s: float) -> tuple[str | None, float | None]:
    """The first channel outside after the counted stretch."""
    after = np.flatnonzero((t > end_s) & out.any(axis=0))
    if after.size == 0:
        return None, None
    row = int(np.argmax(out[:, after[0]]))
    return names[row], float(y[row, after[0]])


def _opener(t: Floats, y: Floats, out: Mask, names: list[str], start_s: float) -> tuple[str | None, float | None]:
    """The last channel outside before the counted stretch."""
    before = np.flatnonzero((t < start_s) & out.any(axis=0))
    if before.size == 0:
        return None, None
    row = int(np.argmax(out[:, before[-1]]))
    return names[row], float(y[row, before[-1]])


def margins(view: View, rows: list[int], guard: Guard) -> Floats | None:
    """Guard factor x expanded uncertainty of each row; None where no row's is recorded."""
    known = [view.trace.channels[r].expanded_uncertainty_c for r in rows]
    if not any(known):
        return None
    return guard.factor * np.array([u or 0.0 for u in known])
