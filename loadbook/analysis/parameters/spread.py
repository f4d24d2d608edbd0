"""Spread and lead of a run: how far apart the work TCs were, and how far the furnace was ahead of the work."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from loadbook.analysis.trace.model import Floats
from loadbook.analysis.trace.soak import soak
from loadbook.analysis.trace.validity import Mask

from .run_view import Look


def spread_parameters(look: Look) -> None:
    """Peak spread while heating, soaking and cooling (load; within one piece), peak lead heating and cooling."""
    heating, cooling = look.mask("heating"), look.mask("cooling")
    soaking = _soaking(look)
    if len(look.work) >= 2:
        for mask, word in ((heating, "heating"), (soaking, "soak"), (cooling, "cooling")):
            _peak_spread(look, f"spread_{word}_peak_c", look.work, mask, None)
            _piece_spread(look, f"spread_{word}_peak_piece_c", mask)
    if look.control and look.work:
        hot_control, cold_control = look.extremes(look.control)
        hot_work, cold_work = look.extremes(look.work)
        _peak_lead(look, "lead_heating_peak_c", hot_control - cold_work, heating, look.control, look.work)
        _peak_lead(look, "lead_cooling_peak_c", hot_work - cold_control, cooling, look.work, look.control)


def _soaking(look: Look) -> Mask:
    """The main hold from the sample at which every work TC is inside the band for the first time, to its end."""
    mask = np.zeros(look.n, dtype=bool)
    hold = look.main
    if hold is not None and look.work:
        first = soak(look.trace, hold, look.n, look.work, "end")
        if first.start_s is not None:
            mask[first.first : hold.end] = True
    return mask


def _peak(values: Floats, mask: Mask) -> int | None:
    """The sample of the largest valid value inside a mask."""
    inside = np.where(mask & np.isfinite(values), values, -np.inf)
    if inside.size == 0:
        return None
    at = int(np.argmax(inside))
    return at if np.isfinite(inside[at]) else None


def _peak_spread(look: Look, name: str, rows: Sequence[int], mask: Mask, who: str | None) -> float | None:
    """Adds one peak spread with its moment and its two channels."""
    hot, cold = look.extremes(rows)
    at = _peak(hot - cold, mask)
    if at is None or np.isfinite(look.trace.values[list(rows), at]).sum() < 2:
        return None
    pair = (look.hottest_at(rows, at), look.coldest_at(rows, at))
    note = f"{pair[0]} over {pair[1]}" + (f", {who}" if who else "")
    look.add(name, hot[at] - cold[at], "c_diff", sample=at, note=note, about=pair)
    return float(hot[at] - cold[at])


def _piece_spread(look: Look, name: str, mask: Mask) -> None:
    """Adds the peak spread of the piece that had the largest, among pieces with two or more work TCs."""
    pieces: dict[tuple[str | None, str], list[int]] = {}
    for row in look.work:
        channel = look.trace.channels[row]
        if channel.serial:
            pieces.setdefault((channel.part, channel.serial), []).append(row)
    worst: tuple[float, list[int], str] | None = None
    for (part, serial), rows in pieces.items():
        if len(rows) < 2:
            continue
        hot, cold = look.extremes(rows)
        at = _peak(hot - cold, mask)
        if at is not None and (worst is None or hot[at] - cold[at] > worst[0]):
            worst = float(hot[at] - cold[at]), rows, f"piece {serial}" + (f" of {part}" if part else "")
    if worst is not None:
        _peak_spread(look, name, worst[1], mask, worst[2])


def _peak_lead(look: Look, name: str, ahead: Floats, mask: Mask, hotter: Sequence[int], colder: Sequence[int]) -> None:
    """Adds one peak lead with its moment and its two channels; it may be below zero."""
    at = _peak(ahead, mask)
    if at is None:
        return
    pair = (look.hottest_at(hotter, at), look.coldest_at(colder, at))
    look.add(name, ahead[at], "c_diff", sample=at, note=f"{pair[0]} over {pair[1]}", about=pair)
