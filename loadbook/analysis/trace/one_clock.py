"""Channels of several recorders on one clock, for the calculation alone: the record keeps every sample at its own time.

A run's trace may come from several recorders, each with its own moments; where a channel took no sample, its flag says
NOT_SAMPLED. Clauses compare channels at one moment, so before anything is calculated

1. moments closer together than half of the shortest interval, at which different channels were read, become one scan,
   at the time of its first (as in a file that lists one channel after the other);
2. a channel that is read less often has, between two of its own readings, the straight line between them, unless they
   lie further apart than three of its intervals: a gap stays a gap. Where a reading beside the moment is not valid,
   neither is the moment.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from .model import INVALID, NOT_SAMPLED, Flags, Floats, Trace

T = TypeVar("T", bound=Trace)

SCAN_SHARE = 0.5  # of the shortest interval, which a scan may last
LONGEST_LINE = 3.0  # of a channel's own intervals, over which it is taken to have gone straight


def on_one_clock(trace: T) -> T:
    """The trace with its channels at common moments; itself where all channels were read at every moment.

    trace  with its invalid samples marked (validity.marked)
    """
    sampled = (trace.flags & NOT_SAMPLED) == 0
    if sampled.all():
        return trace
    usual = [_usual(trace.t_s[row]) for row in sampled]
    limit = SCAN_SHARE * min((u for u in usual if u > 0), default=0.0)
    scan = _scans(trace.t_s, sampled, limit)
    t_s = trace.t_s[np.flatnonzero(np.diff(scan, prepend=-1))]
    values = np.full((len(trace.channels), len(t_s)), np.nan)
    flags = np.full(values.shape, NOT_SAMPLED, np.uint8)
    for i, row in enumerate(sampled):
        values[i, scan[row]], flags[i, scan[row]] = trace.values[i, row], trace.flags[i, row]
        _between(t_s, values[i], flags[i], LONGEST_LINE * usual[i])
    return replace(trace, t_s=t_s, values=values, flags=flags)


def _usual(t_s: Floats) -> float:
    return float(np.median(np.diff(t_s))) if len(t_s) > 1 else 0.0


def _scans(t_s: Floats, sampled: npt.NDArray[np.bool_], limit: float) -> npt.NDArray[np.intp]:
    """Number of the scan that each moment belongs to: no channel twice in one, none longer than the limit [s]."""
    packed, which = np.unique(np.packbits(sampled, axis=0), axis=1, return_inverse=True)
    kinds = [int.from_bytes(packed[:, k].tobytes()) for k in range(packed.shape[1])]
    scan = np.empty(len(t_s), np.intp)
    number, begun, seen = -1, -np.inf, 0
    for k, (moment, kind) in enumerate(zip(t_s.tolist(), which.reshape(-1).tolist(), strict=True)):
        if moment - begun > limit or seen & kinds[kind]:
            number, begun, seen = number + 1, moment, 0
        seen |= kinds[kind]
        scan[k] = number
    return scan


def _between(t_s: Floats, values: Floats, flags: Flags, longest_s: float) -> None:
    """Fills, in place, one channel's moments between two of its own readings."""
    own = np.flatnonzero((flags & NOT_SAMPLED) == 0)
    if len(own) < 2:
        return
    holes = np.flatnonzero(flags & NOT_SAMPLED)
    after = np.searchsorted(own, holes)
    holes, after = (x[(after > 0) & (after < len(own))] for x in (holes, after))
    left, right = own[after - 1], own[after]
    near = t_s[right] - t_s[left] <= longest_s
    holes, left, right = holes[near], left[near], right[near]
    share = (t_s[holes] - t_s[left]) / (t_s[right] - t_s[left])
    values[holes] = values[left] + share * (values[right] - values[left])
    flags[holes] |= (flags[left] | flags[right]) & INVALID
