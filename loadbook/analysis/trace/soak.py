"""Soak: the time during which every valid work TC is inside the hold's band, both edges.

It starts at the sample at which the last valid work TC enters, during the hold. Leaving the band restarts, pauses or
ends it, as the cycle says. Where the cycle states no band, less than CAME_IN_S beyond the edge of an assumed one
restarts nothing. What flickers over the edge while it comes in has not come in yet (CAME_IN_S). Once the hold
is over it runs on until the first TC leaves. The time between two samples counts when both are inside and lie close
enough together to be seen; no moment between samples is invented, so a soak may read short by up to one sampling
interval at each end, never long.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from .model import Floats, Trace
from .phases import Hold, gap_limit_s
from .validity import first_where, hottest_coldest

OnLeaving = Literal["restart", "pause", "end", "through"]
CAME_IN_S = 300.0  # a TC has come into a band where it then stays inside for so long (common practice)


def came_in(t: Floats, inside: np.ndarray) -> int | None:
    """The first sample from which a reading stays inside for CAME_IN_S; where it never does, the first one inside;
    None where there is none. Before it, noise carries a slow reading over the edge and back.

    t  (n,) s, rising;  inside  (n,) bool

    >>> t = np.arange(9) * 60.0
    >>> came_in(t, np.array([0, 1, 0, 1, 1, 1, 1, 1, 1], bool)), came_in(t, np.array([0, 1, 0, 0, 1, 1, 0, 0, 0], bool))
    (3, 1)
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([0], inside.astype(np.int8), [0]))))
    first, last = edges[::2], edges[1::2] - 1
    if not first.size:
        return None
    return int(first[int(np.argmax(t[last] - t[first] >= CAME_IN_S))])


@dataclass(frozen=True)
class Soak:
    """A soak as it happened.

    minutes      under the cycle's rule: the longest unbroken stretch (restart), all stretches (pause), the first (end);
                 with a band that nobody stated, the longest of which no break lasts CAME_IN_S (through)
    start_s      the sample at which the last one entered (of the counted stretch); None where it never did
    end_s        the last sample inside (of the counted stretch; of the last one for pause)
    stretches    how many times the band was entered;  first, last  sample indices of the counted part
    unseen_minutes   time inside gaps during it, which is not counted
    """

    minutes: float
    start_s: float | None = None
    end_s: float | None = None
    stretches: int = 0
    first: int = 0
    last: int = 0
    unseen_minutes: float = 0.0


def soak(
    trace: Trace, hold: Hold, until: int, rows: Sequence[int], on_leaving: OnLeaving | None = None, *,
    bridged: bool = False,
) -> Soak:  # fmt: skip
    """The soak of some channels in one hold.

    rows        indices of the channels that must all be inside: the work TCs, or the control TCs for a furnace soak
    until       one past the last sample that is judged
    on_leaving  the hold's own rule where None
    bridged     as if every gap between two samples inside had been inside too: the most that it can have been
    Returns     Soak; minutes 0.0 if the band was never entered by all, never NaN
    """
    hot, cold = hottest_coldest(trace, list(rows))
    begin, end = hold.start, min(until, hot.size)
    inside = (cold[begin:end] >= hold.low_c) & (hot[begin:end] <= hold.high_c)
    valid = np.isfinite(hot[begin:end])
    after = max(hold.end - begin, 0)
    left = first_where(valid[after:] & ~inside[after:])
    if left is not None:  # after the hold the first to leave ends the soak
        end = begin + after + left
    entered = first_where(inside[: min(after, end - begin)])
    if entered is None:
        return Soak(0.0)
    begin += entered
    inside, valid = inside[entered : end - hold.start], valid[entered : end - hold.start]
    part = None if valid.all() else begin + np.flatnonzero(valid)
    t = trace.t_s[begin:end] if part is None else trace.t_s[part]
    inside = inside if part is None else inside[valid]
    steps = t[1:] - t[:-1]
    seen = (steps <= gap_limit_s(trace)) | bridged
    whole = bool(seen.all())
    unseen = 0.0 if whole else float(steps[inside[1:] & inside[:-1] & ~seen].sum()) / 60.0
    edges = [0, *((inside[1:] != inside[:-1]).nonzero()[0] + 1).tolist()]  # it begins inside
    if inside[-1]:
        edges.append(inside.size)
    stretches: list[tuple[int, int]] = []  # first and last sample of each unbroken, seen stretch
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        breaks = [] if whole else (np.flatnonzero(~seen[a : b - 1]) + a).tolist()
        stretches.extend(zip([a, *(x + 1 for x in breaks)], [*breaks, b - 1], strict=True))
    lengths = [float(t[b] - t[a]) for a, b in stretches]
    rule = on_leaving or hold.on_leaving
    if rule == "pause":
        first, last, counted = stretches[0][0], stretches[-1][1], sum(lengths)
    else:
        if rule == "through":
            stretches = _joined(t, stretches)
            lengths = [float(steps[a:b][seen[a:b]].sum()) for a, b in stretches]
        # of 'end', the first one that is more than a flicker while coming in
        k = int(np.argmax(lengths)) if rule != "end" else int(np.argmax(np.array(lengths) >= CAME_IN_S))
        (first, last), counted = stretches[k], lengths[k]
    entries = len(edges) // 2
    where = (float(t[first]), float(t[last]))
    samples = (begin + first, begin + last) if part is None else (int(part[first]), int(part[last]))
    return Soak(counted / 60.0, *where, entries, *samples, unseen)


def _joined(t: Floats, stretches: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Stretches with those made one that lie less than CAME_IN_S apart."""
    out = [stretches[0]]
    for a, b in stretches[1:]:
        if t[a] - t[out[-1][1]] < CAME_IN_S:
            out[-1] = (out[-1][0], b)
        else:
            out.append((a, b))
    return out
