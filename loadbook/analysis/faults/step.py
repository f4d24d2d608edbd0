"""Steps (a jump that no section can make between two samples, with no return) and noisy channels."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from loadbook.analysis.trace.model import Fault, Floats
from loadbook.core.remarks import remark

from .channels import Bools, ChannelView, line_fit, residuals, runs_of

STEP_C = 4.0  # smallest step looked for
STEP_NOISES = 7.0
SIDE_S = 420.0  # each side's line is fitted over this long, or five samples
SHORT_SIDE_S = 90.0  # and over this, where the way bends: the smaller jump counts
MANY = 40  # more candidate jumps than this make a channel noisy, not stepped
NOISY_RATIO = 5.0
NOISY_C = 1.5
NOISY_STEPS = 2.5  # resolutions: a reading between two steps of a coarse recorder scatters by one
TURNING = 0.35  # share of neighbouring residuals of opposite sign: of noise about 0.7, of a bend next to none


def find_steps(view: ChannelView) -> list[Fault]:
    """Jumps beyond both neighbouring slopes that last; a jump back within the run ends the fault there."""
    least = np.maximum(np.maximum(STEP_C, STEP_NOISES * view.noise), 3.0 * view.resolution)
    # a jump is beyond its neighbours by no more than twice the largest one
    rows = [i for i in range(len(view.channels)) if not view.largest_step[i] < 0.49 * least[i]]
    if not rows:
        return []
    jumps = np.diff(view.y[rows], axis=1)
    usual = np.full_like(jumps, np.nan)
    usual[:, 1:-1] = 0.5 * (jumps[:, :-2] + jumps[:, 2:])
    excess = np.abs(jumps - usual)
    gap = np.diff(view.t) > 5.0 * view.interval_s
    candidate = (excess > least[rows, None]) & ~gap[None, :]
    together = candidate.sum(axis=0) > max(2, len(view.channels) // 3)
    candidate &= view.work[rows, None] | ~_door(view)[None, :]
    found: list[Fault] = []
    for row, own in zip(rows, candidate, strict=True):
        places = np.flatnonzero(own & ~together)
        if 0 < len(places) <= MANY:
            found.extend(_confirmed(view, row, places, float(least[row])))
    return found


def _door(view: ChannelView) -> Bools:
    """Between which samples a load goes into a hot furnace or out of it: the furnace's own TCs feel the door."""
    grid = view.grid
    moments = grid.t[1:][grid.outside[1:] != grid.outside[:-1]]
    near = 2.0 * max(grid.step_s, view.interval_s)
    return np.asarray((np.abs(view.t[1:, None] - moments[None, :]) <= near).any(axis=1))


def step_at(view: ChannelView, row: int, i: int) -> tuple[float, float, float] | None:
    """The jump between samples i and i+1 beyond what the lines on both sides allow: (jump [°C], its standard
    error, rate of the steeper side [°C/s]); None where a side is too short."""
    wide = _between_lines(view, row, i, max(5, int(SIDE_S / view.interval_s)))
    close = _between_lines(view, row, i, max(5, int(SHORT_SIDE_S / view.interval_s)))
    if wide is None or close is None:
        return None
    return wide if abs(wide[0]) <= abs(close[0]) else close


def _between_lines(view: ChannelView, row: int, i: int, half: int) -> tuple[float, float, float] | None:
    t, y = view.t, view.y[row]
    before = slice(max(0, i - half + 1), i + 1)
    after = slice(i + 1, min(len(t), i + 1 + half))
    left, right = line_fit(t[before], y[before], t[i]), line_fit(t[after], y[after], t[i + 1])
    if left is None or right is None:
        return None
    dt = float(t[i + 1] - t[i])
    travel = sorted((left[1] * dt, right[1] * dt))
    jump = right[0] - left[0]
    beyond = jump - travel[1] if jump > travel[1] else jump - travel[0] if jump < travel[0] else 0.0
    return beyond, float(np.hypot(left[2], right[2])), max(abs(left[1]), abs(right[1]))


def _confirmed(view: ChannelView, row: int, places: npt.NDArray[np.intp], least: float) -> list[Fault]:
    steps: list[tuple[int, float, float]] = []
    for i in places:
        seen = step_at(view, row, int(i))
        if seen is None:
            continue
        jump, error, rate = seen
        between = float(view.y[row, i + 1] - view.y[row, i])
        beside = np.abs(np.diff(view.y[row, max(0, i - 1) : i + 3]))[[0, -1]] if 0 < i < len(view.t) - 2 else [0.0]
        allowed = max(2.0 * rate * float(view.t[i + 1] - view.t[i]), 2.5 * float(np.nanmax(beside)))
        if abs(jump) < max(least, 5.0 * error, allowed) or jump * between <= 0 or abs(between) < 0.5 * abs(jump):
            continue
        if steps and i - steps[-1][0] <= 3:
            if abs(jump) > abs(steps[-1][1]):
                steps[-1] = (int(i), jump, rate)
            continue
        steps.append((int(i), jump, rate))
    found = []
    k = 0
    while k < len(steps):
        i, jump, rate = steps[k]
        end = len(view.t) - 1
        back: float | None = None
        if k + 1 < len(steps) and abs(steps[k + 1][1] + jump) < 0.4 * abs(jump):
            end = steps[k + 1][0]
            back = float(steps[k + 1][1])
            k += 1
        k += 1
        if view.t[end] - view.t[i] < SIDE_S and back is not None:
            continue  # a glitch that is over within minutes: noise, not a step
        dt = float(view.t[i + 1] - view.t[i])
        found.append(
            Fault(
                "step",
                view.channels[row].name,
                float(view.t[i + 1]),
                float(view.t[end]),
                float(min(0.95, 0.7 + 0.02 * abs(jump) / max(view.noise[row], 0.3))),
                False,
                (
                    remark(
                        "jumped" if back is None else "jumped_and_back",
                        jump_c_diff=float(jump),
                        within_s=dt,
                        at_s=float(view.t[i + 1]),
                        allowed_c_diff=float(rate * dt),
                        back_c_diff=back,
                        back_s=float(view.t[end]),
                    ),
                ),
                {"jump_c": jump, "allowed_c": rate * dt},
            )
        )
    return found


def find_noisy(view: ChannelView) -> list[Fault]:
    """Channels whose samples scatter about a local line many times more than their peers', by blocks of ten
    minutes. One glitch or one jump makes no noisy block, nor does the bend of a gas quench."""
    mean, per_block = view.scatter, view.per_block
    found: list[Fault] = []
    for row in np.flatnonzero((mean > NOISY_C).any(axis=1)).tolist():
        others = _of_its_kind(view, row)
        if len(others) < (1 if view.work[row] else 2):
            continue
        blocks, resolution = mean.shape[1], float(view.resolution[row])
        peers = np.median(mean[others], axis=0)
        floor = np.maximum(NOISY_RATIO * np.maximum(peers, 0.3 * resolution), max(NOISY_C, NOISY_STEPS * resolution))
        if not (mean[row] > floor).any():
            continue
        signed = residuals(view.t, view.y[row])
        cut = np.abs(signed[: blocks * per_block]).reshape(blocks, per_block)
        good = np.isfinite(cut)
        number = np.maximum(good.sum(axis=1), 1)
        middle = 1.4826 * np.sort(cut, axis=1)[np.arange(blocks), (number - 1) // 2]
        wild = (np.where(good, cut, 0.0) > max(6.0 * float(view.noise[row]), STEP_C)).sum(axis=1)
        # a glitch makes three residuals and a jump two: neither is noise
        noisy: Bools = (mean[row] > floor) & ((wild >= 5) | (middle > floor))
        for block in np.flatnonzero(noisy):
            here = signed[block * per_block : (block + 1) * per_block]
            large = (np.abs(here[1:]) > 0.3 * floor[block]) & (np.abs(here[:-1]) > 0.3 * floor[block])
            turns = (here[1:] * here[:-1] < 0.0) & large
            noisy[block] = turns.sum() > TURNING * large.sum()
        found.extend(_noisy_faults(view, row, noisy, mean[row], peers, per_block, np.abs(signed)))
    return found


def _of_its_kind(view: ChannelView, row: int) -> list[int]:
    """The rows whose scatter says what is usual for this one. A load is calmer than its furnace, so that a work TC is
    compared with every other channel, and a control TC, which shows a controller that switches on and off, with other
    control TCs only. Without two of them nothing is known."""
    others = [i for i in range(len(view.channels)) if i != row]
    return others if view.work[row] else [i for i in others if not view.work[i]]


def _noisy_faults(
    view: ChannelView, row: int, noisy: Bools, own: Floats, peers: Floats, per_block: int, off: Floats
) -> list[Fault]:
    """A fault for each run of noisy blocks, from its first sample that is off its line as far as the noise goes (half
    the scatter, and beyond what peers do) to its last one, at most a block before or after.

    off  (n,) how far each sample is off the line between its neighbours [°C]
    """
    joined = noisy.copy()
    joined[1:-1] |= noisy[:-2] & noisy[2:]
    found = []
    for first, last in runs_of(joined):
        ratio = float(np.mean(own[first : last + 1]) / max(float(np.mean(peers[first : last + 1])), 1e-3))
        start, end = first * per_block, min(len(view.t) - 1, (last + 1) * per_block)
        beyond = max(0.5 * float(np.mean(own[first : last + 1])), 4.0 * float(np.mean(peers[first : last + 1])))
        wide = np.arange(max(0, start - per_block), min(len(off), end + per_block))
        wild = wide[off[wide] > beyond]
        if wild.size:
            start, end = int(wild[0]), int(wild[-1])
        found.append(
            Fault(
                "noisy",
                view.channels[row].name,
                float(view.t[start]),
                float(view.t[end]),
                float(min(0.95, 0.6 + 0.02 * ratio)),
                False,
                (remark("noisy", scatter_c_diff=float(np.mean(own[first : last + 1])), ratio=ratio),),
                {"scatter_c": float(np.mean(own[first : last + 1])), "ratio": ratio},
            )
        )
    return found
