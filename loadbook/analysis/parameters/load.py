"""The rest of a run's parameters: start, events, hours, dose, section lag, thermocouple faults."""

from __future__ import annotations

import numpy as np

from loadbook.analysis.trace.dose import doses, equivalent_hours, filled_for_dose
from loadbook.analysis.trace.lag import section_lag_c, shape_of
from loadbook.analysis.trace.model import TEMPERATURE_ROLES, Channel, Floats, PieceRecord
from loadbook.core.remarks import remark

from .run_view import Look, slug

HOURS_STEP_C = 100
_OUTER = ("thin", "surface", "skin", "edge")
_INNER = ("thick", "core", "centre", "center", "bore")


def load_parameters(look: Look) -> None:
    """Everything that is neither a rate, a hold, a spread nor a lead."""
    if look.n == 0:
        return
    _start(look)
    _events(look)
    _hours(look)
    _dose(look)
    _lag(look)
    thermocouples = {c.name for c in look.trace.channels if c.role in TEMPERATURE_ROLES and c.role != "setpoint"}
    faults = [f for f in look.faults if f.channel in thermocouples]
    names = sorted({f"{f.channel} {f.kind}" for f in faults})
    look.add("tc_faults", float(len(faults)), "", note=", ".join(names) or None)


def _start(look: Look) -> None:
    """Hottest control TC and hottest work TC at the first sample at which one is valid."""
    for name, rows in (("start_control_c", look.control), ("start_work_c", look.work)):
        hot, _ = look.extremes(rows)
        ok = np.flatnonzero(np.isfinite(hot))
        if ok.size:
            channel = look.hottest_at(rows, int(ok[0]))
            look.add(name, hot[ok[0]], "c", sample=int(ok[0]), note=channel, about=(channel,))


def _events(look: Look) -> None:
    """Hottest valid work TC and control TC at the last sample at or before each event (the first of its name)."""
    done: set[str] = set()
    for event in sorted(look.trace.events, key=lambda e: e.t_s):
        word = slug(event.event)
        at = int(np.searchsorted(look.t_s, event.t_s, side="right")) - 1
        if not word or word in done or at < 0 or event.t_s > look.phases.until_s:
            continue
        done.add(word)
        late = event.t_s - look.t_s[at] > look.gap_s
        note = f"{(event.t_s - look.t_s[at]) / 60.0:.3g} min before the event" if late else None
        for variant, rows in (("work", look.work), ("control", look.control)):
            hot, _ = look.extremes(rows)
            if np.isfinite(hot[at]):
                channel = look.hottest_at(rows, at)
                words = "; ".join([channel] + ([note] if note else []))
                look.add(f"event_{word}_{variant}_c", hot[at], "c", sample=at, note=words, about=(channel,))


def _hours(look: Look) -> None:
    """Judged hours, and the hours above every full 100 °C of the furnace and of the coldest work TC."""
    look.add("cycle_hours", float(look.t_s[-1] - look.t_s[0]) / 3600.0, "h", note=look.phases.ended_by)
    _, coldest = look.extremes(look.work)
    followed = look.followed if look.phases.reference_is == "control" else np.full(look.n, np.nan)
    for y, tail in ((followed, ""), (coldest, "_work")):
        for above, hours in hours_above(look.t_s, y, look.gap_s).items():
            look.add(f"hours_above_{above}c{tail}", hours, "h")


def hours_above(t_s: Floats, y: Floats, gap_s: float) -> dict[int, float]:
    """Hours spent at or above each full 100 °C that was reached, from 100 °C up.

    A step between neighbouring valid samples counts where its colder end is at or above; a step longer than gap_s
    was not seen and does not count.

    >>> hours_above(np.array([0.0, 3600.0, 7200.0]), np.array([50.0, 210.0, 205.0]), 4000.0)
    {100: 1.0, 200: 1.0}
    """
    ok = np.isfinite(y)
    t, v = t_s[ok], y[ok]
    steps = np.diff(t)
    lower = np.minimum(v[1:], v[:-1])
    counted = (steps <= gap_s) & (lower >= HOURS_STEP_C)
    if not counted.any():
        return {}
    level = np.floor_divide(lower[counted], HOURS_STEP_C).astype(int)
    sums = np.bincount(level, weights=steps[counted])
    above = np.cumsum(sums[::-1])[::-1] / 3600.0
    return {HOURS_STEP_C * k: float(above[k]) for k in range(1, above.size)}


def _constant(channel: Channel, pieces: tuple[PieceRecord, ...]) -> float | None:
    """The dose constant of the piece that a TC is on; without a piece, the load's one constant if it has one."""
    own = {
        p.dose_constant
        for p in pieces
        if channel.serial is not None and p.serial == channel.serial and channel.part in (None, p.part)
    }
    found = own or {p.dose_constant for p in pieces}
    return next(iter(found)) if len(found) == 1 else None


def _dose(look: Look) -> None:
    """Dose of each work TC (or, without any, of the furnace): coldest, median, hottest; equivalent minutes."""
    pieces = tuple(look.pieces)
    rows = look.work or look.control
    if not rows or not pieces:
        return
    constants = {row: _constant(look.trace.channels[row], pieces) for row in rows}
    rows = [row for row in rows if constants[row] is not None]
    if not rows or look.n < 2:
        return
    history, whole = filled_for_dose(look.t_s, look.trace.values[rows], look.gap_s)
    rows = [row for row, ok in zip(rows, whole, strict=True) if ok]
    if not rows:
        return
    c = np.array([constants[row] for row in rows], dtype=float)
    found = doses(look.t_s, history[whole], c)
    for row, value in zip(rows, found, strict=True):
        look.add("dose_hj", value, "", channel=look.name(row), note=f"constant {constants[row]:g}")
    if np.unique(c).size > 1:
        return
    order = np.argsort(found)
    note = f"constant {c[0]:g}, {len(rows)} " + ("work TCs" if look.work else "control TCs (no work TC)")
    middle = float(np.median(found))
    look.add("dose_hj", middle, "", note=note)
    look.add("dose_hj_coldest", found[order[0]], "", note=look.name(rows[order[0]]))
    look.add("dose_hj_hottest", found[order[-1]], "", note=look.name(rows[order[-1]]))
    if look.main is not None:
        minutes = 60.0 * float(equivalent_hours(middle, look.main.target_c, float(c[0])))
        look.add("dose_equivalent_minutes", minutes, "min", note=remark("dose_at", target_c=look.main.target_c))


def _lag(look: Look) -> None:
    """Section lag: estimated from the thickest section at the furnace's peak heating rate, and measured."""
    rate = next(
        (p for p in look.found if p.parameter == "heating_rate_peak_c_per_h" and p.channel is None and p.value > 0.0),
        None,
    )
    if rate is not None:
        each = [
            (section_lag_c(shape_of(p.shape), 0.5 * p.section_thick_mm, rate.value, p.diffusivity_m2_per_s), p)
            for p in look.pieces
            if p.section_thick_mm and p.diffusivity_m2_per_s
        ]
        if each:
            lag, piece = max(each, key=lambda x: x[0])
            note = remark("section", part=piece.part, shape=shape_of(piece.shape), wide_mm=piece.section_thick_mm,
                          rate_c_per_h=rate.value)  # fmt: skip
            look.add("section_lag_c", lag, "c_diff", note=note)
    heating = look.mask("heating")
    worst: tuple[float, int, str, str] | None = None
    for outer in (r for r in look.work if _place(look, r, _OUTER) and not _place(look, r, _INNER)):
        for inner in (r for r in look.work if _place(look, r, _INNER) and not _place(look, r, _OUTER)):
            a, b = look.trace.channels[outer], look.trace.channels[inner]
            if not a.serial or (a.part, a.serial) != (b.part, b.serial):
                continue
            behind = np.where(heating, look.trace.values[outer] - look.trace.values[inner], np.nan)
            if np.isfinite(behind).any():
                at = int(np.nanargmax(behind))
                if worst is None or behind[at] > worst[0]:
                    worst = float(behind[at]), at, a.name, b.name
    if worst is not None:
        value, at, a_name, b_name = worst
        look.add("section_lag_measured_c", value, "c_diff", sample=at, note=f"{a_name} over {b_name}",
                 about=(a_name, b_name))  # fmt: skip


def _place(look: Look, row: int, words: tuple[str, ...]) -> bool:
    """Whether the place of a TC holds one of some words."""
    place = (look.trace.channels[row].place or "").casefold()
    return any(w in place for w in words)
