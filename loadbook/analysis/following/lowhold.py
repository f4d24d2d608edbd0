"""The check at the low hold: is a thermocouple out, while the run can still be stopped, and what would settle it.

Each work TC is held against the faults that its trace so far shows, against its peers, against its place's past in
this furnace, and against the furnace itself: a section takes up heat at one rate, a bead in the air stops when the
furnace stops. It advises: nobody's hands are on the furnace but the shop's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from loadbook.analysis.faults.early import THICK_SHARE, shares_at_once
from loadbook.analysis.trace.model import Cycle, Fault, Floats, Trace
from loadbook.analysis.trace.phases import Hold, Phases
from loadbook.core.remarks import Remark, remark

LAST_S = 300.0  # a place's lag is the median over this much of the hold's end
LEAST_C = 8.0  # lags that differ by less than this tell nothing: sensors and their places differ by as much
FEWEST_PAST = 4  # earlier lags that a place's past needs
FEWEST_PEERS = 3  # places that tell how the whole load takes heat
BEYOND = 3.0  # standard deviations of the past, and the least difference besides
GRID_S = 30.0
SETTLED_MIN, EVERY_MIN = 10.0, 5.0  # so long into the hold before "go on" is said; lags are compared at these steps
# what a channel's answer to the furnace must show before it is called loose by it alone, less two standard errors
LOOSE_SHARE = 0.6
STOP = "stop and look"
HARMLESS = ("drifting", "spike")
LATE = ("wrong type",)  # cannot be told from a lag before the load has evened out
HOTTER_C, FALLS_C = 10.0, 5.0  # a work TC above the furnace while it heats, or below its own start
STILL_C, STILL_RISE_C, STILL_S = 1.0, 100.0, 2700.0  # one that stands still while the furnace rises so much, so long


@dataclass(frozen=True)
class PastLag:
    """What one run showed of one place: the share of the furnace's rise that it was still behind SETTLED_MIN into the
    hold, and every EVERY_MIN after that. order: of the run's holds for such a check, the first is 0."""

    run: str
    shares: tuple[float, ...]
    order: int = 0


@dataclass(frozen=True)
class Checked:
    """The check as it stands. segment the hold; minutes into it; tracking and tcs: work TCs that track, and all.

    says      'go on', 'stop and look' or 'wait' (too early in the hold);  remarks  one per TC that is out
    """

    segment: int
    minutes: float
    tcs: int
    tracking: int
    says: str
    remarks: tuple[Remark, ...] = ()
    compared: int = 0

    def as_dict(self) -> dict[str, Any]:
        """As JSON carries it."""
        return {**{k: v for k, v in vars(self).items() if k != "remarks"},
                "remarks": [r.as_dict() for r in self.remarks]}  # fmt: skip


def check_holds(cycle: Cycle | None, phases: Phases) -> list[Hold]:
    """The holds whose purpose names thermocouples, those that began, in order."""
    named = {s.number for s in (cycle.segments if cycle else ())
             if s.kind == "hold" and "thermocouple" in (s.purpose or "").casefold()}  # fmt: skip
    return [h for h in phases.holds if h.segment in named]


def lags_of(trace: Trace, phases: Phases, hold: Hold) -> dict[str, tuple[float, ...]]:
    """Channel -> the shares of the furnace's rise that it was behind at the steps of a check's hold."""
    steps = [_lags(trace, phases, hold, k) for k in range(_step(trace, phases, hold) + 1)]
    return {name: tuple(s[name] for s in steps if name in s) for name in (steps[0] if steps else {})}


def _step(trace: Trace, phases: Phases, hold: Hold) -> int:
    """The last step that the hold has come to; -1 before SETTLED_MIN."""
    end_s = float(trace.t_s[max(min(hold.end, phases.until), 1) - 1])
    return int(((end_s - hold.start_s) / 60.0 - SETTLED_MIN) // EVERY_MIN)


def _lags(trace: Trace, phases: Phases, hold: Hold, step: int) -> dict[str, float]:
    at_s = hold.start_s + 60.0 * (SETTLED_MIN + EVERY_MIN * step)
    first, end = (int(np.searchsorted(trace.t_s, s, side="right")) for s in (at_s - LAST_S, at_s))
    furnace = phases.reference_c
    known = furnace[np.isfinite(furnace)]
    rise = float(np.nanmedian(furnace[first:end]) - known[0]) if known.size else 0.0
    if rise < 50.0:
        return {}
    out = {}
    for i in _work(trace):
        behind = furnace[first:end] - trace.values[i, first:end]
        behind = behind[np.isfinite(behind)]
        if behind.size:
            out[trace.channels[i].name] = float(np.median(behind)) / rise
    return out


def _work(trace: Trace) -> list[int]:
    return [i for i in trace.rows("work") if trace.channels[i].quantity == "temperature"]


def checked(
    trace: Trace, cycle: Cycle | None, phases: Phases, faults: Sequence[Fault],
    past: Mapping[str, Sequence[PastLag]] | None = None, *, any_hold: bool = False,
) -> Checked | None:  # fmt: skip
    """The check on a trace so far (prepared, nothing repaired); None before its hold has begun.

    past   of each place, by its name in small letters, what earlier runs of this furnace and process showed
    """
    named = check_holds(cycle, phases)
    hold = named[-1] if named else phases.holds[-1] if any_hold and phases.holds else None
    if phases.reference_is != "control":
        return None
    work = _work(trace)
    if hold is None:
        return _before(trace, cycle, phases, work)
    until = min(hold.end, phases.until)
    minutes = (float(trace.t_s[until - 1]) - hold.start_s) / 60.0
    names = {c.name for c in trace.channels if c.role in ("work", "control") and c.quantity == "temperature"}
    out: dict[str, Remark] = {}
    for f in faults:
        mine = [n for n in (f.channel, f.other) if n in names]
        if f.kind in HARMLESS + LATE or not mine or f.start_s > float(trace.t_s[until - 1]):
            continue
        said = remark("low_hold_fault", channel=f.channel, other=f.other, fault=f.kind, from_s=f.start_s)
        out.setdefault(mine[0], said)
    step = _step(trace, phases, hold)
    lags = _lags(trace, phases, hold, step) if step >= 0 and past else {}
    earlier: dict[str, list[float]] = {}
    for i in work:
        channel = trace.channels[i]
        of_place = (past or {}).get((channel.place or "").casefold(), ())
        shares = [p.shares[step] for p in of_place if len(p.shares) > step >= 0 and p.order == len(named) - 1]
        if channel.name in lags and len(shares) >= FEWEST_PAST:
            earlier[channel.name] = shares
    # a quicker program, or a heavier load, holds all of them back alike: that is nothing of one thermocouple
    usual = [lags[n] / m for n, s in earlier.items() if (m := float(np.median(s))) > 0.0 and lags[n] > 0.0]
    common = float(np.median(usual)) if len(usual) >= FEWEST_PEERS else 1.0
    for name, shares in earlier.items():
        found = _against_past(phases, hold, name, lags[name], [common * s for s in shares])
        if found is not None:
            out.setdefault(name, found)
    for i in work:
        if trace.channels[i].name not in out:
            odd = _impossible(trace, phases, i, until) or _stops_with_furnace(trace, phases, i, until)
            if odd is not None:
                out[trace.channels[i].name] = odd
    tracking = len(work) - len({trace.channels[i].name for i in work} & out.keys())
    says = STOP if out else "go on" if minutes >= SETTLED_MIN else "wait"
    return Checked(hold.segment, minutes, len(work), tracking, says, tuple(out.values()), len(earlier))


def _before(trace: Trace, cycle: Cycle | None, phases: Phases, work: list[int]) -> Checked | None:
    """Before the hold: only what is impossible, such as a hold that never begins because a part's TC is taken for the
    furnace's."""
    named = [s.number for s in (cycle.segments if cycle else ()) if s.kind == "hold"]
    if not named or phases.until < 20:
        return None
    found = [r for i in work if (r := _impossible(trace, phases, i, phases.until)) is not None]
    if not found:
        return None
    return Checked(named[0], 0.0, len(work), len(work) - len(found), STOP, tuple(found))


def _against_past(
    phases: Phases, hold: Hold, channel: str, lag: float, earlier: Sequence[float]
) -> Remark | None:  # fmt: skip
    """A lag that this place never showed: behind (poor contact, or the coldest corner), or ahead (it came off)."""
    shares = np.array(earlier)
    middle, spread = float(np.median(shares)), float(np.std(shares, ddof=1))
    furnace = phases.reference_c[np.isfinite(phases.reference_c)]
    rise = float(np.nanmedian(phases.reference_c[hold.start : max(hold.end, hold.start + 1)]) - furnace[0])
    beyond = (lag - middle) * rise
    least = max(LEAST_C, BEYOND * spread * rise)
    if abs(beyond) < least or min(shares) <= lag <= max(shares):
        return None
    code = "low_hold_behind" if beyond > 0 else "low_hold_ahead"
    return remark(code, channel=channel, more_c=abs(beyond), lag_c=lag * rise, usual_c=middle * rise, loads=len(shares))


def _impossible(trace: Trace, phases: Phases, row: int, until: int) -> Remark | None:
    """A work TC that is hotter than the furnace all the while it heats, or colder than it began."""
    y, furnace = trace.values[row, :until], phases.reference_c[:until]
    both = np.isfinite(y) & np.isfinite(furnace)
    if both.sum() < 20:
        return None
    start, now = float(np.median(y[both][:5])), float(np.median(y[both][-5:]))
    risen = float(np.median(furnace[both][-5:])) - float(np.median(furnace[both][:5]))
    name = trace.channels[row].name
    if risen > 50.0 and now < start - FALLS_C:
        return remark("low_hold_falls", channel=name, start_c=start, now_c=now)
    lower = np.flatnonzero(both & (furnace < float(np.median(furnace[both][-5:])) - STILL_RISE_C))
    if lower.size:
        since = y[lower[-1] :][both[lower[-1] :]]
        if float(trace.t_s[until - 1] - trace.t_s[lower[-1]]) > STILL_S and float(np.ptp(since)) <= STILL_C:
            return remark("low_hold_still", channel=name, risen_c=STILL_RISE_C)
    heating = both & phases.heating[:until] & (furnace > np.median(furnace[both][:5]) + 30.0)
    if heating.sum() < 20:
        return None
    above = float(np.median((y - furnace)[heating]))
    return remark("low_hold_hotter", channel=name, above_c=above) if above > HOTTER_C else None


def _stops_with_furnace(trace: Trace, phases: Phases, row: int, until: int) -> Remark | None:
    """A TC that takes the furnace's movement at once, where the trace so far tells that well enough."""
    t, furnace = trace.t_s[:until], phases.reference_c[:until]
    grid = np.arange(t[0], t[-1] + 1.0, GRID_S)
    y = _on(grid, t, trace.values[row, :until])
    seen = shares_at_once(y[None, :], _on(grid, t, furnace), GRID_S)[0] if y.size else None
    if seen is None:
        return None
    share, error = seen
    thick = "thick" in (trace.channels[row].place or "").casefold()
    enough = THICK_SHARE if thick else LOOSE_SHARE
    if share - 2.0 * error < enough or share > 1.0:
        return None
    return remark("low_hold_loose", channel=trace.channels[row].name, share=share, error=error, thick=thick)


def _on(grid: Floats, t: Floats, values: Floats) -> Floats:
    good = np.isfinite(values)
    if good.sum() < 2:
        return np.full(grid.shape, np.nan)
    return np.asarray(np.interp(grid, t[good], values[good]), dtype=float)
