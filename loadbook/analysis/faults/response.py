"""Detached work TCs, seen afterwards: how quickly the channel answers the furnace, before a hold and after it.

At a hold, piece and furnace are equally hot and a bead that comes off cannot be seen. It shows when the furnace moves
again: the channel then answers with the time constant of a bare wire, where before it answered with that of its
section. Each stretch of heating or cooling is fitted, channel by channel, by the furnace's own temperature through a
first-order lag with a free offset (so that a cold place or a calibration error does not count); the time constants of
two stretches are compared with how those of the three most similar peers changed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from loadbook.analysis.quantiles import middles
from loadbook.analysis.trace.model import Fault, Floats
from loadbook.core.remarks import remark

from .channels import ChannelView, runs_of
from .rest import joined

TAUS_S = 60.0 * np.geomspace(1.0, 400.0, 60)
MOVING_C_PER_H = 20.0
LEAST_CHANGE_C = 40.0
COOLING_S = 5400.0
QUICKER = 0.38  # natural logarithm of the change in the time constant, beyond the peers', that is asked
SLOW_QUICKER = 0.68  # and where what it comes to is still slow for a wire
BARE_S = 1080.0
WARP_K = 873.0
BEGINS_S, UNSEEN_S = 1800.0, 240.0
BLOCK = 16
_LATER = BLOCK - 1 + np.arange(BLOCK)[None, :] - np.arange(BLOCK)[:, None]


@dataclass(frozen=True)
class Stretch:
    """One stretch of heating (+1) or cooling (-1): grid points first..last; level [°C], the furnace as it began."""

    way: int
    first: int
    last: int
    level: float


@dataclass(frozen=True)
class Answer:
    """How the channels answered the furnace in a stretch: time constants [s] and the residual of each fit [°C]; covers
    marks channels with enough valid points."""

    tau: Floats
    residual: Floats
    covers: np.ndarray


def find_quicker(view: ChannelView) -> list[Fault]:
    """Work TCs that answer the furnace much more quickly after a hold than before it, as no peer does."""
    rows = np.flatnonzero(view.work)
    good = np.isfinite(view.grid.furnace)
    if len(rows) < 3 or good.sum() < 20:
        return []
    furnace = np.interp(view.grid.t, view.grid.t[good], view.grid.furnace[good])
    found = stretches(furnace, view.grid.step_s)
    heating, cooling = [s for s in found if s.way > 0], [s for s in found if s.way < 0]
    if not heating or not cooling or cooling[0].first <= heating[-1].first:
        return []
    pair = heating[-1], cooling[0]
    begins = good[pair[1].first : pair[1].first + round(BEGINS_S / view.grid.step_s)]
    if np.count_nonzero(~begins) * view.grid.step_s > UNSEEN_S:
        return []  # what a channel does as the furnace turns tells its time constant
    earlier, later = _answers(view.grid.y[rows], furnace, view.grid.step_s, pair)
    faults = (_compared(view, int(row), k, pair, earlier, later) for k, row in enumerate(rows))
    return [fault for fault in faults if fault]


def stretches(furnace: Floats, step_s: float) -> list[Stretch]:
    """The stretches of heating (each up to the next movement, its hold included) and cooling (its first 90 min)."""
    wide = max(2, round(600.0 / step_s))
    if len(furnace) < 4 * wide:
        return []
    slope = np.zeros(len(furnace))
    slope[wide:-wide] = (furnace[2 * wide :] - furnace[: -2 * wide]) / (2 * wide * step_s) * 3600.0
    parts = []
    for way in (1, -1):
        for a, b in joined(runs_of(slope * way > MOVING_C_PER_H), round(900.0 / step_s)):
            if (b - a) * step_s > 1200.0 and abs(furnace[b] - furnace[a]) > LEAST_CHANGE_C:
                parts.append((a, b, way))
    parts.sort()
    out = []
    for k, (a, b, way) in enumerate(parts):
        until = parts[k + 1][0] if k + 1 < len(parts) else len(furnace)
        last = min(b, a + round(COOLING_S / step_s)) if way < 0 else until - 1
        first = max(0, a - wide)
        if last - first >= 10:
            out.append(Stretch(way, first, last, float(furnace[a])))
    return out


def _answers(x: Floats, furnace: Floats, step_s: float, found: Sequence[Stretch]) -> list[Answer]:
    """The best time constants of each stretch: of lags that run on the clock, or on one that goes the faster the
    hotter it is (heat transfer by radiation goes as the cube of the absolute temperature), whichever fits better."""
    until = max(s.last for s in found) + 1
    hot = (furnace + 273.15) / WARP_K
    speed = hot * hot * hot  # a power is ten times as slow
    theta = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1])))) * step_s
    even = np.linspace(0.0, theta[-1], 2 * len(furnace))
    theta, even = theta[:until], even[: int(np.searchsorted(even, theta[until - 1])) + 1]
    place = np.clip(np.searchsorted(even, theta, side="right") - 1, 0, len(even) - 2)
    share = (theta - even[place]) / (even[place + 1] - even[place])
    warped = np.interp(even, theta, furnace[:until])
    sums = [_Sums.of(x[:, s.first : s.last + 1], s.level) for s in found]
    by_clock = lagged(furnace[:until], step_s, TAUS_S)
    on_even = lagged(warped, float(even[1]), TAUS_S)
    by_heat, low = np.take(on_even, place + 1, axis=1), np.take(on_even, place, axis=1)
    by_heat -= low
    by_heat *= share
    by_heat += low
    answers, each = [], np.arange(len(x))
    for of, s in zip(sums, found, strict=True):
        parts = (bank[:, s.first : s.last + 1] - s.level for bank in (by_clock, by_heat))
        two = np.array([of.deviations(part) for part in parts])
        covers = of.number > 0.7 * of.value.shape[1]
        bests = two.argmin(axis=2)
        residuals = two[np.arange(2)[:, None], each, bests]
        bank = int(np.argmin(middles(residuals[:, covers]))) if covers.any() else 0
        answers.append(Answer(TAUS_S[bests[bank]], residuals[bank], covers))
    return answers


def lagged(driven: Floats, step_s: float, taus_s: Floats) -> Floats:
    """A temperature at even steps, through first-order lags that begin settled: (taus, n).

    y[i] = k y[i-1] + (1 - k) x[i] with k = exp(-step/tau), y[-1] = x[0]: worked out within blocks of a few samples at
    once, as a matrix; then what each block leaves behind is handed on, over one block, two, four and so on.

    >>> lagged(np.array([0.0, 1.0, 1.0]), 1.0, np.array([1.0 / np.log(2.0)])).round(12).tolist()
    [[0.0, 0.5, 0.75]]
    """
    powers = np.exp(-step_s / taus_s[:, None] * np.arange(BLOCK + 1))
    keep = powers[:, 1]
    blocks = -(-len(driven) // BLOCK)
    x = np.full(blocks * BLOCK, driven[-1])
    x[: len(driven)] = driven
    shares = np.zeros((len(keep), 2 * BLOCK - 1))  # of a sample in what follows it; none in what went before
    shares[:, BLOCK - 1 :] = powers[:, :BLOCK] * (1.0 - keep)[:, None]
    out = x.reshape(blocks, BLOCK) @ shares[:, _LATER]
    left = np.empty((len(keep), blocks))
    left[:, 0], left[:, 1:] = driven[0], out[:, :-1, -1]
    over, fades = 1, powers[:, BLOCK:]
    while over < blocks:
        left[:, over:] += fades * left[:, :-over]
        over, fades = 2 * over, fades * fades
    out += left[:, :, None] * powers[:, None, 1:]
    return np.asarray(out.reshape(len(keep), -1)[:, : len(driven)])


@dataclass(frozen=True)
class _Sums:
    """What the fits of one stretch share: valid samples (None: all), their number, and the sums of the readings over
    `level`."""

    mask: Floats | None
    number: Floats
    value: Floats
    total: Floats
    squares: Floats

    @classmethod
    def of(cls, x: Floats, level: float) -> _Sums:
        good = np.isfinite(x)
        whole = bool(good.all())
        value = x - level if whole else np.where(good, x - level, 0.0)
        number = np.maximum(good.sum(axis=1), 1.0)
        mask = None if whole else good.astype(np.float64)
        return cls(mask, number, value, value.sum(axis=1)[:, None], (value**2).sum(axis=1)[:, None])

    def deviations(self, bank: Floats) -> Floats:
        """Standard deviation of each channel about each of some curves, with a free offset: (channels, curves)."""
        number = self.number[:, None]
        if self.mask is None:
            totals, squares = bank.sum(axis=1), np.vecdot(bank, bank)
        else:
            totals, squares = self.mask @ bank.T, self.mask @ (bank**2).T
        first = (self.total - totals) / number
        second = (self.squares - 2.0 * self.value @ bank.T + squares) / number
        return np.asarray(np.sqrt(np.maximum(second - first**2, 0.0)))


def _compared(
    view: ChannelView, row: int, position: int, pair: tuple[Stretch, Stretch], earlier: Answer, later: Answer
) -> Fault | None:
    use = earlier.covers & later.covers
    if not use[position]:
        return None
    # a time constant below the time between two samples is not seen
    change = np.log(np.maximum(later.tau, view.interval_s) / np.maximum(earlier.tau, view.interval_s))
    apart = np.abs(np.log(earlier.tau / earlier.tau[position]))
    peers = [i for i in np.argsort(apart) if use[i] and i != position][:3]
    if len(peers) < 2:
        return None
    usual = min(0.0, float(np.min(change[peers])))
    beyond = float(change[position] - usual)
    enough = QUICKER if later.tau[position] <= BARE_S else SLOW_QUICKER
    if beyond > -enough:
        return None
    grid, (before, after) = view.grid, pair
    away = np.abs(grid.furnace - grid.y[row])
    if not np.isfinite(away[after.first : after.last + 1]).any():
        return None
    expected = float(np.nanmax(away[before.first : before.last + 1]))
    minutes = [earlier.tau[position] / 60.0, later.tau[position] / 60.0]
    seen = _last_seen(view, row, before)
    return Fault(
        "detached",
        view.channels[row].name,
        seen,
        float(view.t[-1]),
        float(min(0.93, 0.55 + 0.2 * (-beyond))),
        False,
        (
            remark(
                "time_constant",
                after_min=minutes[1],
                from_s=float(grid.t[after.first]),
                before_min=minutes[0],
                factor=float(np.exp(usual)),
                seen_s=float(seen),
                away_c_diff=expected,
            ),
        ),
        {"tau_before_min": minutes[0], "tau_after_min": minutes[1], "beyond_peers": float(np.exp(beyond))},
    )


def _last_seen(view: ChannelView, row: int, earlier: Stretch) -> float:
    """The last moment of the earlier stretch at which the channel stood well off the furnace."""
    grid = view.grid
    away = np.abs(grid.furnace - grid.y[row])[earlier.first : earlier.last + 1]
    top = float(np.nanmax(away)) if np.isfinite(away).any() else 0.0
    off = np.flatnonzero(away > max(8.0, 0.3 * top))
    return float(grid.t[earlier.first + int(off[-1])]) if len(off) else float(grid.t[earlier.last])
