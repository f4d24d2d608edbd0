"""Detached work TCs, seen afterwards: how quickly the channel answers the furnace, before a hold and after it.

At a hold, piece and furnace are equally hot and a bead that comes off cannot be seen. It shows when the furnace moves
again: the channel then answers with the time constant of a bare wire, where before it answered with that of its
section. Each stretch of heating or cooling is fitted, channel by channel, by the furnace's own temperature through a
first-order lag with a free offset (so that a cold place or a calibration error does not count); the time constants of
two stretches are compared with how those of the three most similar peers changed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from .faults_scene import Scene, clock, runs_of
from .model import Fault, Floats

TAUS_S = 60.0 * np.geomspace(1.0, 400.0, 60)
MOVING_C_PER_H = 20.0
LEAST_CHANGE_C = 40.0
COOLING_S = 5400.0
QUICKER = 0.38  # natural logarithm of the change in the time constant, beyond the peers', that is asked
SLOW_QUICKER = 0.6  # and where what it comes to is still slow for a wire
BARE_S = 1200.0
WARP_K = 873.0


@dataclass(frozen=True)
class Stretch:
    """One stretch of heating (+1) or cooling (-1): grid points first..last, time constants [s] and the residual of
    each fit [°C]; covers marks channels with enough valid points."""

    way: int
    first: int
    last: int
    tau: Floats
    residual: Floats
    covers: np.ndarray


def find_quicker(scene: Scene) -> list[Fault]:
    """Work TCs that answer the furnace much more quickly after a hold than before it, as no peer does."""
    rows = np.flatnonzero(scene.work)
    if len(rows) < 3:
        return []
    found: dict[int, Fault] = {}
    all_stretches = stretches(scene)
    for earlier, later in _pairs(all_stretches):
        for position, row in enumerate(rows):
            if int(row) in found:
                continue
            fault = _compared(scene, int(row), position, earlier, later)
            if fault:
                found[int(row)] = fault
    return list(found.values())


def _pairs(found: list[Stretch]) -> list[tuple[Stretch, Stretch]]:
    heating = [s for s in found if s.way > 0]
    cooling = [s for s in found if s.way < 0]
    return [(heating[-1], cooling[0])] if heating and cooling and cooling[0].first > heating[-1].first else []


def stretches(scene: Scene) -> list[Stretch]:
    """The stretches of heating (each up to the next movement, its hold included) and cooling (its first 90 min)."""
    grid = scene.grid
    good = np.isfinite(grid.furnace)
    if good.sum() < 20:
        return []
    furnace = np.interp(grid.t, grid.t[good], grid.furnace[good])
    wide = max(2, round(600.0 / grid.step_s))
    if len(furnace) < 4 * wide:
        return []
    slope = np.zeros(len(furnace))
    slope[wide:-wide] = (furnace[2 * wide :] - furnace[: -2 * wide]) / (2 * wide * grid.step_s) * 3600.0
    parts = []
    for way in (1, -1):
        for a, b in _joined(runs_of(slope * way > MOVING_C_PER_H), round(900.0 / grid.step_s)):
            if (b - a) * grid.step_s > 1200.0 and abs(furnace[b] - furnace[a]) > LEAST_CHANGE_C:
                parts.append((a, b, way))
    parts.sort()
    banks = [_lagged(furnace, grid.step_s, None), _lagged(furnace, grid.step_s, ((furnace + 273.15) / WARP_K) ** 3)]
    x = grid.y[scene.work]
    out = []
    for k, (a, b, way) in enumerate(parts):
        until = parts[k + 1][0] if k + 1 < len(parts) else len(furnace)
        last = min(b, a + round(COOLING_S / grid.step_s)) if way < 0 else until - 1
        first = max(0, a - wide)
        if last - first < 10:
            continue
        fits = [_fitted(x[:, first : last + 1], bank[:, first : last + 1], furnace[a]) for bank in banks]
        tau, residual, covers = min(fits, key=lambda f: float(np.median(f[1][f[2]])) if f[2].any() else np.inf)
        out.append(Stretch(way, first, last, tau, residual, covers))
    return out


def _joined(runs: list[tuple[int, int]], apart: int) -> list[tuple[int, int]]:
    out: list[tuple[int, int]] = []
    for a, b in runs:
        if out and a - out[-1][1] < apart:
            out[-1] = (out[-1][0], b)
        else:
            out.append((a, b))
    return out


def _lagged(furnace: Floats, step_s: float, speed: Floats | None) -> Floats:
    """The furnace through first-order lags of TAUS_S: (taus, m). With a speed, the lags run on a clock that goes
    that much faster (heat transfer by radiation goes as the cube of the absolute temperature)."""
    if speed is None:
        driven, step = furnace, step_s
        back = None
    else:
        theta = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1])))) * step_s
        even = np.linspace(0.0, theta[-1], 2 * len(furnace))
        driven, step, back = np.interp(even, theta, furnace), float(even[1]), (even, theta)
    out = np.empty((len(TAUS_S), len(furnace)))
    for i, tau in enumerate(TAUS_S):
        keep = float(np.exp(-step / tau))
        lagged, _ = lfilter([1.0 - keep], [1.0, -keep], driven, zi=[driven[0] * keep])
        out[i] = lagged if back is None else np.interp(back[1], back[0], lagged)
    return out


def _fitted(x: Floats, bank: Floats, level: float) -> tuple[Floats, Floats, np.ndarray]:
    """Best time constant of each channel and the residual's standard deviation, with a free offset."""
    mask = np.isfinite(x).astype(np.float64)
    number = np.maximum(mask.sum(axis=1), 1.0)
    value = np.where(mask > 0, x - level, 0.0)
    lagged = bank - level
    first = (value.sum(axis=1)[:, None] - mask @ lagged.T) / number[:, None]
    second = ((value**2).sum(axis=1)[:, None] - 2.0 * value @ lagged.T + mask @ (lagged**2).T) / number[:, None]
    deviation = np.sqrt(np.maximum(second - first**2, 0.0))
    best = np.argmin(deviation, axis=1)
    return TAUS_S[best], deviation[np.arange(len(x)), best], number > 0.7 * x.shape[1]


def _compared(scene: Scene, row: int, position: int, earlier: Stretch, later: Stretch) -> Fault | None:
    use = earlier.covers & later.covers
    if not use[position]:
        return None
    change = np.log(later.tau / earlier.tau)
    apart = np.abs(np.log(earlier.tau / earlier.tau[position]))
    peers = [i for i in np.argsort(apart) if use[i] and i != position][:3]
    if len(peers) < 2:
        return None
    usual = min(0.0, float(np.min(change[peers])))
    beyond = float(change[position] - usual)
    grid = scene.grid
    away = np.abs(grid.furnace - grid.y[row])[later.first : later.last + 1]
    expected = float(np.nanmax(np.abs(grid.furnace - grid.y[row])[earlier.first : earlier.last + 1]))
    enough = QUICKER if later.tau[position] <= BARE_S else SLOW_QUICKER
    if beyond > -enough or not np.isfinite(away).any():
        return None
    minutes = [earlier.tau[position] / 60.0, later.tau[position] / 60.0]
    seen = _last_seen(scene, row, earlier)
    return Fault(
        "detached",
        scene.channels[row].name,
        seen,
        float(scene.t[-1]),
        float(min(0.93, 0.55 + 0.2 * (-beyond))),
        False,
        f"answers the furnace with a time constant of about {minutes[1]:.0f} min from {clock(grid.t[later.first])}, "
        f"where it had {minutes[0]:.0f} min before; its nearest peers changed by a factor of {np.exp(usual):.1f} at "
        f"most. Last seen in its place at {clock(seen)} (then up to {expected:.0f} °C from the furnace); in between, "
        f"at the hold, it cannot be seen",
        {"tau_before_min": minutes[0], "tau_after_min": minutes[1], "beyond_peers": float(np.exp(beyond))},
    )


def _last_seen(scene: Scene, row: int, earlier: Stretch) -> float:
    """The last moment of the earlier stretch at which the channel stood well off the furnace."""
    grid = scene.grid
    away = np.abs(grid.furnace - grid.y[row])[earlier.first : earlier.last + 1]
    top = float(np.nanmax(away)) if np.isfinite(away).any() else 0.0
    off = np.flatnonzero(away > max(8.0, 0.3 * top))
    return float(grid.t[earlier.first + int(off[-1])]) if len(off) else float(grid.t[earlier.last])
