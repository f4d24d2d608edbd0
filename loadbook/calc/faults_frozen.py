"""Frozen channels: unchanged to the recorder's resolution while the peers move on.

A thick section may honestly stand still for long: at the start of a run, at the turn from heating to cooling,
at the hold. So standing still is a fault only where the channel came in moving and stopped dead, or where its
own earlier rate (or, standing from the start, its peers') says how far it should have gone.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from .faults_scene import Scene, line_fit, runs_of
from .model import Fault, Floats

LEAST_S = 600.0
PEERS_MOVE_RESOLUTIONS = 10.0
PEERS_MOVE_C = 6.0  # ten resolutions of a fine recorder are less than its noise
STOPPED_DEAD = 3.0  # resolutions by which a smooth turn would have passed over the value
OWN_RATE_SHARE = 0.5  # share of the expected movement that is asked before a channel is called frozen
FROM_START_C = 40.0


def find_frozen(scene: Scene) -> list[Fault]:
    """Channels that stand still for ten minutes or more while they should have moved."""
    found: list[Fault] = []
    width = max(3, int(np.ceil(LEAST_S / scene.interval_s)))
    if len(scene.t) < width + 2:
        return found
    rates = own_rates(scene)
    for row in range(len(scene.channels)):
        found.extend(_of_channel(scene, row, width, float(rates[row])))
    return found


def own_rates(scene: Scene) -> Floats:
    """How fast each channel answers the furnace: median of dT/dt over (furnace - T), [1/s], where the furnace is
    well away; NaN where it never is."""
    grid = scene.grid
    found = np.full(len(scene.channels), np.nan)
    if len(grid.t) < 8:
        return found
    away = grid.furnace[None, :] - grid.y
    wide = 5
    slope = np.full_like(grid.y, np.nan)
    slope[:, wide:-wide] = (grid.y[:, 2 * wide :] - grid.y[:, : -2 * wide]) / (2 * wide * grid.step_s)
    for row in range(len(found)):
        use = np.isfinite(slope[row]) & (np.abs(away[row]) > 8.0)
        if use.sum() >= 10:
            found[row] = float(np.median(slope[row, use] / away[row, use]))
    return found


def _of_channel(scene: Scene, row: int, width: int, rate: float) -> list[Fault]:
    y = scene.y[row]
    good = np.isfinite(y)
    if good.sum() < width:
        return []
    still = _still(scene.t, y, good, float(scene.resolution[row]), width)
    found = []
    for first, last in runs_of(still):
        first, last = _trimmed(good, first, last)
        lasted = float(scene.t[last] - scene.t[first])
        if lasted < LEAST_S or good[first : last + 1].mean() < 0.6:
            continue
        fault = _judged(scene, row, first, last, rate)
        if fault:
            found.append(fault)
    return found


def _still(t: Floats, y: Floats, good: np.ndarray, resolution: float, width: int) -> np.ndarray:
    """Samples inside some window of `width` samples whose values span no more than one resolution."""
    last_good = np.maximum.accumulate(np.where(good, np.arange(len(y)), -1))
    filled = np.where(last_good >= 0, y[np.maximum(last_good, 0)], np.inf)
    span = maximum_filter1d(filled, width) - minimum_filter1d(filled, width)
    flat = np.isfinite(filled) & (np.nan_to_num(span, nan=np.inf) <= 1.02 * resolution)
    half = width // 2
    flat[:half] &= False
    flat[len(flat) - (width - half) + 1 :] &= False
    # a centre that is flat speaks for the whole window about it
    return maximum_filter1d(flat.astype(np.int8), width, origin=-1 if width % 2 == 0 else 0) > 0


def _trimmed(good: np.ndarray, first: int, last: int) -> tuple[int, int]:
    inside = np.flatnonzero(good[first : last + 1])
    return first + int(inside[0]), first + int(inside[-1])


def _judged(scene: Scene, row: int, first: int, last: int, rate: float) -> Fault | None:
    t, y, grid = scene.t, scene.y[row], scene.grid
    resolution = float(scene.resolution[row])
    lasted = float(t[last] - t[first])
    peers = scene.peers(row)
    moved = _peers_move(scene, peers, first, last)
    needed = max(PEERS_MOVE_RESOLUTIONS * resolution, PEERS_MOVE_C)
    if moved is None or moved <= needed:
        return None
    came_in = _slope_before(scene, row, first)
    overrun = abs(came_in) * lasted / 4.0
    stopped = overrun > max(STOPPED_DEAD * resolution, 3.0, 4.0 * float(scene.noise[row]))
    inside = (grid.t >= t[first]) & (grid.t <= t[last])
    away = (grid.furnace - grid.y[row])[inside]
    away = away[np.isfinite(away)]
    expected = float("nan")
    if np.isfinite(rate) and rate > 0 and len(away):
        expected = rate * float(away.sum()) * grid.step_s
    from_start = t[first] - t[0] < LEAST_S
    least = max(needed, FROM_START_C if from_start else 0.0)
    should_have = bool(np.isfinite(expected) and OWN_RATE_SHARE * abs(expected) > least)
    whole = bool(from_start and not np.isfinite(rate) and moved > 2.0 * FROM_START_C)
    if not (stopped or should_have or whole):
        return None
    words = [f"stood at {np.nanmedian(y[first : last + 1]):.1f} °C for {lasted / 60.0:.0f} min"]
    words.append(f"while its peers moved by {moved:.0f} °C (median)")
    if stopped:
        words.append(f"it came in at {came_in * 3600.0:.0f} °C/h and stopped dead")
    if should_have:
        words.append(f"at its own earlier rate it would have moved by {abs(expected):.0f} °C")
    strength = max(overrun / 3.0 if stopped else 0.0, abs(expected) / least if should_have else 0.0, moved / needed / 4)
    return Fault(
        "frozen",
        scene.channels[row].name,
        float(t[first]),
        float(t[last]),
        float(min(0.97, 0.75 + 0.05 * strength)),
        False,
        "; ".join(words),
        {"minutes": lasted / 60.0, "peers_moved_c": moved, "expected_c": abs(expected)},
    )


def _peers_move(scene: Scene, peers: list[int], first: int, last: int) -> float | None:
    inside = (scene.grid.t >= scene.t[first]) & (scene.grid.t <= scene.t[last])
    spans = []
    for peer in peers:
        values = scene.grid.y[peer, inside]
        values = values[np.isfinite(values)]
        if len(values) >= 3:
            spans.append(float(values.max() - values.min()))
    return float(np.median(spans)) if spans else None


def _slope_before(scene: Scene, row: int, first: int) -> float:
    """Slope [°C/s] over the quarter of an hour before a sample; 0 where it cannot be told."""
    t = scene.t
    a = int(np.searchsorted(t, t[first] - 900.0))
    fit = line_fit(t[a : first + 1], scene.y[row, a : first + 1], float(t[first]))
    if fit is None or t[first] - t[a] < 300.0:
        return 0.0
    return fit[1]
