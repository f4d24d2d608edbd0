"""Drift: an offset from the peers at the hold beyond class and calibration, or one that grows through the hold.

Reported only. A real cold (or hot) place in the load looks the same, and nothing in one run tells the two apart
unless a second thermocouple on the same piece agrees: then it is the place, and nothing is reported.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from loadbook.analysis.quantiles import middle
from loadbook.analysis.trace.model import Fault, clock
from loadbook.analysis.trace.sensors import tolerance_c, type_letter

from .channels import ChannelView
from .role import SLOWEST_S, plateau

GROWS_C_PER_H = 3.0
SETTLED_C_PER_H = 2.0


def find_drift(view: ChannelView) -> list[Fault]:
    """Work TCs whose steady offset from the median of the other work TCs, at the late hold, is beyond the class limits
    (root of the sum of squares) and the recorded uncertainties of both."""
    level = plateau(view)
    if level is None:
        return []
    rows = np.flatnonzero(view.work & np.isfinite(level.y))
    if len(rows) < 4:
        return []
    found = []
    times = view.grid.t[level.mask]
    for row in rows:
        others = [i for i in rows if i != row]
        settled = [i for i in others if abs(level.slope[i]) * 3600.0 < SETTLED_C_PER_H]
        others = settled if len(settled) >= 3 else others
        peers = middle(level.y[others])
        offset = float(level.y[row]) - peers
        if offset > 0 and len(settled) < 3:  # peers that still lag make an honest thin section look hot
            offset = max(0.0, min(offset, float(level.y[row]) - level.furnace))
        channel = view.channels[row]
        single = channel.expanded_uncertainty_c or _class_limit(channel.tc_type, peers)
        limit = 1.4142 * max(single, 3.0 * float(view.noise[row]) / np.sqrt(len(times)))
        moving = float(level.slope[row] - np.median(level.slope[others]))
        if abs(offset) <= limit or (offset < 0 and moving * SLOWEST_S > -offset):
            continue
        if any(abs(float(level.y[row] - level.y[i])) <= limit for i in _same_piece(view, int(row), rows)):
            continue  # two thermocouples of one piece that agree: the piece is that cold or hot
        grows = moving * offset > 0 and abs(moving) * 3600.0 > GROWS_C_PER_H
        minutes = len(times) * view.grid.step_s / 60.0
        growth = f" and moves away by {abs(moving) * 3600.0:.1f} °C/h" if grows else ""
        found.append(
            Fault(
                "drifting",
                channel.name,
                float(times[0]),
                float(times[-1]),
                0.5 if grows else 0.3,
                False,
                f"reads {offset:+.1f} °C against the median of its peers over {minutes:.0f} min of the late hold "
                f"(from {clock(times[0])}), beyond {limit:.1f} °C of class and calibration{growth}; a real "
                f"{'cold' if offset < 0 else 'hot'} place looks the same: reported, never removed",
                {"offset_c": offset, "limit_c": limit},
            )
        )
    return found


def _same_piece(view: ChannelView, row: int, rows: npt.NDArray[np.intp]) -> list[int]:
    own = view.channels[row]
    if own.serial is None:
        return []
    named = [(int(i), view.channels[i]) for i in rows if i != row]
    return [i for i, c in named if (c.part, c.serial) == (own.part, own.serial)]


def _class_limit(tc_type: str | None, at_c: float) -> float:
    """Class 2 of IEC 60584-1, the wider of its two; of type K where the type is unknown or has no limit there."""
    letter = type_letter(tc_type)
    limit = float(tolerance_c(letter, at_c)) if letter else float("nan")
    return limit if np.isfinite(limit) else max(2.5, 0.0075 * abs(at_c))
