"""Open circuits: missing samples, sentinels, and the jump past the sensor's range on the way there.

The only faults that are certain: their samples have no value to judge by.
"""

from __future__ import annotations

import numpy as np

from loadbook.analysis.trace.model import MISSING, OPEN, OUT_OF_RANGE, Fault
from loadbook.core.remarks import remark

from .channels import ChannelView, runs_of

REJOIN_S = 900.0  # breaks closer than this are one intermittent fault
LEAST_MISSING_S = (
    300.0  # blanks of one channel shorter than this, and no sentinel, are the recorder's, not the sensor's
)
TRANSIT_C = 25.0  # change per sample toward the range's end that no section makes, beside an open circuit
TRANSIT_SAMPLES = 3


def find_open(view: ChannelView) -> list[Fault]:
    """Open circuits of each channel; breaks within a quarter of an hour of each other are one fault.

    Moments at which no channel has a sample (the recorder was off) are gaps, not faults.
    """
    seen = np.isfinite(view.y)
    if seen.all():
        return []
    recorder_off = ~seen.any(axis=0)
    found: list[Fault] = []
    for row, channel in enumerate(view.channels):
        flags = view.flags[row]
        absent = ~seen[row] & ~recorder_off
        if not absent.any():
            continue
        groups: list[list[tuple[int, int]]] = []
        for first, last in runs_of(absent):
            if groups and view.t[first] - view.t[groups[-1][-1][1]] <= REJOIN_S:
                groups[-1].append((first, last))
            else:
                groups.append([(first, last)])
        for group in groups:
            inside = np.concatenate([np.arange(a, b + 1) for a, b in group])
            marks = flags[inside]
            sentinel = int(((marks & OPEN) > 0).sum())
            outside = int(((marks & OUT_OF_RANGE) > 0).sum())
            blank = int(((marks & MISSING) > 0).sum())
            absent_s = sum(view.t[min(b + 1, len(view.t) - 1)] - view.t[a] for a, b in group)
            if not sentinel and not outside and absent_s < LEAST_MISSING_S:
                continue
            first, last = _with_transit(view, row, group[0][0], group[-1][1])
            evidence = [
                remark("open", sentinel=int(sentinel), outside=int(outside), blank=int(blank), samples=len(inside),
                       breaks=len(group), lasted_min=float(absent_s / 60.0), from_s=float(view.t[first]))
            ]  # fmt: skip
            steps_out = group[0][0] - first + last - group[-1][1]
            if steps_out:
                evidence.append(remark("open_beside", samples=int(steps_out)))
            found.append(
                Fault(
                    "open",
                    channel.name,
                    float(view.t[first]),
                    float(view.t[last]),
                    1.0,
                    True,
                    tuple(evidence),
                    {"samples": float(len(inside)), "breaks": float(len(group)), "minutes": absent_s / 60.0},
                )
            )
    return found


def _with_transit(view: ChannelView, row: int, first: int, last: int) -> tuple[int, int]:
    """The interval widened by the few samples on the way out of range and back, where the reading jumps by more
    than any section can between two samples."""
    y = view.y[row]
    a, b = first, last
    for _ in range(TRANSIT_SAMPLES):
        if a >= 2 and np.isfinite(y[a - 1]) and np.isfinite(y[a - 2]) and _jumps(view, row, a - 2, a - 1):
            a -= 1
        else:
            break
    for _ in range(TRANSIT_SAMPLES):
        if b + 2 < len(y) and np.isfinite(y[b + 1]) and np.isfinite(y[b + 2]) and _jumps(view, row, b + 1, b + 2):
            b += 1
        else:
            break
    return a, b


def _jumps(view: ChannelView, row: int, i: int, j: int) -> bool:
    change = abs(view.y[row, j] - view.y[row, i])
    others = np.abs(np.delete(view.y[:, j] - view.y[:, i], row))
    others = others[np.isfinite(others)]
    usual = float(others.max()) if len(others) else 0.0
    return bool(change > max(TRANSIT_C, 3.0 * usual, 8.0 * view.noise[row]))
