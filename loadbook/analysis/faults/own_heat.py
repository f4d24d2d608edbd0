"""Heat of the load's own: what looked like a bead that came off, and was a section that stood still or warmed itself.

Wet parts stand at 100 °C until they are dry, steel near 730 °C while it transforms (and again as it cools), resin warms
itself while it cures; then the channel catches up with the furnace, or passes it, as a loose bead seems to do. What
tells them apart: a section that stood still comes back to its place and no nearer; what warms itself passes all that
heats it; and a loose bead stays loose, and takes a share of the furnace's next movement at once.
"""

from __future__ import annotations

import numpy as np

from loadbook.analysis.quantiles import middle
from loadbook.analysis.trace.model import Fault, Floats

from .channels import ChannelView
from .detached import LEAVES_C
from .early import changes_over_s, shares_at_once
from .response import MOVING_C_PER_H, Stretch, stretches

SETTLES_S = 900.0  # what follows is looked at from so long after the beginning
LOOSE_SHARE = 0.25  # a loose bead takes more of the furnace's movement at once
ERRORS, TELLS = 2.0, 0.15  # standard errors of that share, and the largest that tells
PASSES_C = 8.0  # it passes all that heats it by so much, and comes back by as much
STOOD_S, STOOD_FOR_S, STOOD_SHARE = 3 * 3600.0, 600.0, 0.5  # it stood within so long before, for so long: it went at
# less than such a share of the pace
PAST_S, NEAR_PAST_S = 5400.0, 600.0  # that it had between so long and so long before
AFTER_S, NEARER_SHARE = 4500.0, 0.3  # within so long it came nearer than that by such a share


def not_own_heat(view: ChannelView, loose: list[Fault]) -> list[Fault]:
    """The detached channels, without those that go on as a section does."""
    grid = view.grid
    good = np.isfinite(grid.furnace)
    if not loose or good.sum() < 20:
        return loose
    furnace = np.interp(grid.t, grid.t[good], grid.furnace[good])
    parts = stretches(furnace, grid.step_s)
    rows = {c.name: i for i, c in enumerate(view.channels)}
    return [f for f in loose if not _a_section(view, rows[f.channel], f, furnace, parts)]


def _a_section(view: ChannelView, row: int, fault: Fault, furnace: Floats, parts: list[Stretch]) -> bool:
    """Does what came before or follows show that the channel is no loose bead?"""
    begin = int(np.searchsorted(view.grid.t, fault.start_s))
    later = [p for p in parts if p.last > begin]
    if any(_passes(view, row, max(p.first, begin), p.last) for p in later if p.way > 0):
        return True
    code, back = fault.evidence[0].code, round(STOOD_S / view.grid.step_s)
    if code == "left_place":
        behind_s = _stood(view, row, furnace, begin - back, begin)
        if behind_s is not None and _came_back(view, row, furnace, begin, behind_s):
            return True
    told = [p for p in later if p.first > begin or (p.way > 0 and code != "time_constant")]
    shares = [s for p in told if (s := _share(view, row, furnace, p, begin)) is not None]
    least, most = shares[-1] if shares else (-np.inf, np.inf)
    if most < LOOSE_SHARE:
        return True
    stood_before = code != "left_place" and _stood(view, row, furnace, 0, _heated(parts)) is not None
    return stood_before and not least > LOOSE_SHARE  # it did not answer the furnace then as its section does


def _heated(parts: list[Stretch]) -> int:
    return max((p.last for p in parts if p.way > 0), default=0)


def _passes(view: ChannelView, row: int, first: int, last: int) -> bool:
    """Does the channel pass all that heats it while the furnace rises or stands, and come back?"""
    grid = view.grid
    heats = np.fmax.reduce(grid.y[view.control], axis=0) if view.control.any() else grid.furnace
    above = (grid.y[row] - heats)[first : last + 1]
    above = above[np.isfinite(above)]
    if len(above) < 10:
        return False
    top = int(above.argmax())
    return bool(above[top] > PASSES_C and above[top] - above[top:].min() > PASSES_C)


def _share(view: ChannelView, row: int, furnace: Floats, part: Stretch, begin: int) -> tuple[float, float] | None:
    """The least and the most that the channel takes of the furnace's movement at once after its beginning; None where
    that does not tell, or where gas or a fan changes what the load takes up."""
    grid = view.grid
    first = max(part.first, begin + round(SETTLES_S / grid.step_s))
    span = slice(first, part.last + 1)
    if first >= part.last or any(grid.t[first] - 3600.0 <= at <= grid.t[part.last] for at in view.stirred_s):
        return None
    if np.abs(np.diff(furnace[span])).max() / grid.step_s * 3600.0 < MOVING_C_PER_H:
        return None
    wide_s = changes_over_s(view, furnace[span])
    (found,) = shares_at_once(grid.y[[row], span], furnace[span], grid.step_s, wide_s=wide_s)
    if found is None or not found[1] < TELLS:
        return None
    return found[0] - ERRORS * found[1], found[0] + ERRORS * found[1]


def _stood(view: ChannelView, row: int, furnace: Floats, begin: int, end: int) -> float | None:
    """How far the channel was behind the furnace [s of its movement] before it stood: between two grid points it moved
    on much more slowly than before, for ten minutes or more, though the furnace did not. None where it did not stand. A
    section that is driven on only ever comes to the furnace's pace."""
    grid = view.grid
    slope, drive = (_slopes(values, grid.step_s) for values in (grid.y[row], furnace))
    with np.errstate(invalid="ignore"):
        moving = (np.abs(drive) * 3600.0 > MOVING_C_PER_H) & np.isfinite(slope)
    changes = ~moving[1:] | ~moving[:-1] | (drive[1:] * drive[:-1] < 0.0)
    turned = np.concatenate(([0], np.flatnonzero(changes) + 1))
    far, near, needed = (round(s / grid.step_s) for s in (PAST_S, NEAR_PAST_S, STOOD_FOR_S))
    lasted, pace, own, driven, behind_s = 0, 0.0, 0.0, 0.0, 0.0
    for at in range(max(begin, 0), min(end, len(slope))):
        if not lasted:
            since = int(turned[np.searchsorted(turned, at, side="right") - 1])
            past = np.arange(max(since, at - far), max(since, at - near))
            if len(past) < needed or not moving[at]:
                continue
            pace, own, driven = (middle(x[past]) for x in (slope / drive, np.abs(slope), np.abs(drive)))
            behind_s = middle((furnace - grid.y[row])[past] / drive[past])
        goes_on = moving[at] and abs(drive[at]) > STOOD_SHARE * driven
        if goes_on and slope[at] / drive[at] < STOOD_SHARE * pace and abs(slope[at]) < STOOD_SHARE * own:
            lasted += 1
            if lasted >= needed:
                return behind_s
        else:
            lasted = 0
    return None


def _came_back(view: ChannelView, row: int, furnace: Floats, begin: int, behind_s: float) -> bool:
    """Did the channel come no nearer to the furnace than it was before it stood?"""
    grid = view.grid
    span = slice(begin + round(SETTLES_S / grid.step_s), begin + round(AFTER_S / grid.step_s))
    expected = behind_s * np.abs(_slopes(furnace, grid.step_s)[span])
    kept = np.abs(furnace - grid.y[row])[span]
    beyond = expected - kept - np.maximum(LEAVES_C, NEARER_SHARE * expected)
    beyond = beyond[np.isfinite(beyond)]
    return bool(len(beyond)) and middle(beyond) <= 0.0


def _slopes(values: Floats, step_s: float) -> Floats:
    """Slope [°C/s] over ten minutes about each grid point; NaN at the ends."""
    wide, out = max(2, round(0.5 * STOOD_FOR_S / step_s)), np.full(len(values), np.nan)
    out[wide:-wide] = (values[2 * wide :] - values[: -2 * wide]) / (2 * wide * step_s)
    return out
