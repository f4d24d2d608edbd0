"""Spikes: one or two samples that stand alone, so far off that no body in a furnace could go there and come back.

A furnace that everything feels (a door, a quench) moves several channels at once, and none of them is a spike. What a
slow recorder writes may be a real excursion, so only quick ones are looked at.
"""

from __future__ import annotations

import numpy as np

from loadbook.analysis.trace.model import Fault
from loadbook.core.remarks import remark

from .channels import ChannelView

SPIKE_C = 12.0  # smallest one looked for
SPIKE_NOISES = 10.0
SLOWEST_S = 90.0  # of a recorder with a longer interval nothing is said
RETURN_SHARE = 0.25  # it comes back to within this share of its height


def find_spikes(view: ChannelView) -> list[Fault]:
    """One fault for each channel that has spikes, with a span for each."""
    least = np.maximum(np.maximum(SPIKE_C, SPIKE_NOISES * view.noise), 3.0 * view.resolution)
    if view.interval_s > SLOWEST_S or view.y.shape[1] < 5:
        return []
    rows = np.flatnonzero(~(view.largest_step < 0.5 * least)).tolist()
    if not rows:
        return []
    moved = _moved_together(view)
    found = []
    for row in rows:
        places = [p for p in _places(view, row, float(least[row])) if not moved[p[0] : p[1] + 1].any()]
        if places:
            found.append(_fault(view, row, places))
    return found


def _places(view: ChannelView, row: int, least: float) -> list[tuple[int, int, float]]:
    """(first sample, last sample, height) of each spike of a channel."""
    y, t = view.y[row], view.t
    out: list[tuple[int, int, float]] = []
    for length in (1, 2):
        left, right = y[: -length - 1], y[length + 1 :]
        inside = np.stack([y[k : k + left.size] for k in range(1, length + 1)])
        usual = 0.5 * (left + right)
        away = inside - usual
        height = np.where(
            (away > 0).all(axis=0), away.min(axis=0), np.where((away < 0).all(axis=0), away.max(axis=0), 0)
        )
        near = np.diff(t)
        close = np.ones(left.size, dtype=bool)
        for k in range(length + 1):
            close &= near[k : k + left.size] <= 2.0 * view.interval_s
        back = np.abs(right - left) < RETURN_SHARE * np.abs(height)
        for i in np.flatnonzero((np.abs(height) > least) & back & close).tolist():
            if not any(first <= i + length and i + 1 <= last + 1 for first, last, _ in out):
                out.append((i + 1, i + length, float(height[i])))
    return sorted(out)


def _moved_together(view: ChannelView) -> np.ndarray:
    """Samples at which another channel jumps as well, so that it is no single sensor's doing; (n,)."""
    jumps = np.abs(np.diff(view.y, axis=1)) > 0.5 * SPIKE_C
    several = jumps.sum(axis=0) >= 2
    out = np.zeros(view.t.size, dtype=bool)
    out[1:] |= several
    out[:-1] |= several
    return out


def _fault(view: ChannelView, row: int, places: list[tuple[int, int, float]]) -> Fault:
    first, last, height = max(places, key=lambda p: abs(p[2]))
    spans = tuple((float(view.t[a]), float(view.t[b])) for a, b, _ in places)
    return Fault(
        "spike", view.channels[row].name, spans[0][0], spans[-1][1], 0.9, False,
        (
            remark(
                "spike", height_c_diff=abs(height), above=height > 0, samples=last - first + 1,
                at_s=float(view.t[first]), more=len(places) - 1,
            ),
        ),
        {"height_c": height, "spikes": float(len(places))}, spans if len(spans) > 1 else (),
    )  # fmt: skip
