"""Drift: a channel that would come to rest at the hold away from its peers, beyond class and calibration; since when.

Reported only. A real cold (or hot) place in the load looks much the same; what tells the two apart is said with it. A
place keeps its share of the way from the start all day, a wire that drifts moves on while the furnace stands still,
nothing makes a place hotter than everything that heats it, and where a second thermocouple of the same piece agrees, or
much of the load stands apart, it is the position and not the sensors.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from loadbook.analysis.quantiles import middle
from loadbook.analysis.trace.model import Fault, Floats
from loadbook.analysis.trace.sensors import tolerance_c, type_letter
from loadbook.core.remarks import remark

from .channels import ChannelView
from .rest import Plateau, at_rest, driven_rates, late_slopes, plateau

FEWEST = 3  # work TCs
AT_REST_C = 3.0  # standard error of a peer that says where the load comes to rest
UNSURE_C = 6.0  # and of a channel of which nothing is said
ERRORS = 1.0  # so many standard errors beyond the limit
SCATTERS, LEAST_C = 3.5, 5.0  # peers that agree closely narrow the limit: so many of their scatter, at least so much
GROWN_C, GROWING_LIMIT = 1.2, 0.6  # moving away by so much at a steady furnace, so much of the limit is enough
BLOCK_S = 600.0
SLOPE_S = 420.0  # a slope is taken over this much on either side
AHEAD_C = 4.0  # a moment at which less than this is still to come shows where the channel stands
HARDLY, MOSTLY = 0.25, 0.75  # shares of the offset at the hold: not there yet, and there
SHOWS_C = 3.0  # an offset that should be this large can be seen, or seen to be missing
SAME_SHARE = 0.6  # a second thermocouple of the piece that stands apart by this share, or more, agrees
MANY, MANY_SHARE = 3, 0.4  # so many channels that stand apart, or such a share of the load, are a matter of position


@dataclass(frozen=True)
class _Apart:
    """A channel that stands apart at the hold: the offset [°C] and its error, the limit, and how it moved away [°C]."""

    row: int
    offset: float
    se: float
    limit: float
    grown: float
    above: float

    @property
    def sensor(self) -> bool:
        """Whether it is more likely the sensor than its place."""
        return self.grown > GROWN_C or self.above > 0.0


def find_drift(view: ChannelView) -> list[Fault]:
    """Work TCs that stand apart from the other work TCs at the hold, each with the likelier cause and since when."""
    level = plateau(view)
    if level is None:
        return []
    rows = np.flatnonzero(view.work & np.isfinite(level.y))
    if len(rows) < FEWEST:
        return []
    found = [x for row in rows if (x := _apart(view, level, int(row), rows)) is not None]
    if len(rows) == FEWEST:  # two peers do not show how far places lie apart
        found = [x for x in found if x.sensor]
    places = [x for x in found if not x.sensor]
    many = len(places) >= max(MANY, MANY_SHARE * len(rows))
    faults = [_fault(view, level, x, rows) for x in found if x.sensor or not many]
    return [*faults, _position(view, level, places, len(rows))] if many else faults


def _apart(view: ChannelView, level: Plateau, row: int, rows: npt.NDArray[np.intp]) -> _Apart | None:
    rest, error = at_rest(view, level)
    if not error[row] <= UNSURE_C:
        return None
    others, peers = _peers(view, level, row, rows)
    if not others:
        return None
    scatter = 1.4826 * middle(np.abs(rest[others] - peers))
    offset = float(rest[row]) - peers
    if offset > 0:  # what is still to come makes nothing hot
        offset = max(0.0, min(offset, float(level.y[row]) - peers))
    channel = view.channels[row]
    one = channel.expanded_uncertainty_c or _class_limit(channel.tc_type, peers)
    limit = min(1.4142 * one, max(SCATTERS * scatter, LEAST_C))
    # one more that stands as high may have the same fault; two show that it can be so hot there
    hottest = max(level.furnace, sorted(float(level.y[i]) for i in rows if i != row)[-2])
    above = max(0.0, float(level.y[row]) - hottest - one)
    beyond = abs(offset) - ERRORS * float(error[row])
    if beyond <= GROWING_LIMIT * limit and not above:
        return None
    slopes = late_slopes(view, level)
    lasted = (level.last - level.first) * view.grid.step_s
    moved = float(slopes[row] - np.median(slopes[others])) * lasted
    leaves = error[row] < UNSURE_C / 4.0 and moved * offset > 0 and slopes[row] * offset > 0
    leaves &= offset < 0 or level.y[row] > level.furnace  # below the furnace, a section that lags rises too
    grown = min(abs(moved), abs(float(slopes[row])) * lasted) if leaves else 0.0
    if beyond <= limit * (GROWING_LIMIT if grown > GROWN_C else 1.0) and not above:
        return None
    same = [float(rest[i]) - peers for i in _same_piece(view, row, rows) if error[i] <= UNSURE_C]
    if not above and any(SAME_SHARE <= x / offset <= 1.0 / SAME_SHARE for x in same):
        return None  # two thermocouples of one piece that agree: the piece is that cold or hot
    return _Apart(row, offset, float(error[row]), limit, grown, above)


def _peers(view: ChannelView, level: Plateau, row: int, rows: npt.NDArray[np.intp]) -> tuple[list[int], float]:
    """The channels that say where the load comes to rest, and the temperature [°C]: the other work TCs or, where fewer
    than three of them show it, the control TCs too. None, and NaN, where nothing shows it."""
    rest, error = at_rest(view, level)
    others = [int(i) for i in rows if i != row and error[i] < AT_REST_C]
    if len(others) < 3:
        others += [int(i) for i in np.flatnonzero(view.control & np.isfinite(rest))]
    if not others:
        others = [int(i) for i in rows if i != row and np.isfinite(rest[i])]
    return others, middle(rest[others]) if others else float("nan")


def _fault(view: ChannelView, level: Plateau, x: _Apart, rows: npt.NDArray[np.intp]) -> Fault:
    name, times = view.channels[x.row].name, view.grid.t[level.mask]
    began, first_look, share = _since(view, level, x, rows)
    start = began[0] if began[0] <= view.t[0] else 0.5 * (began[0] + began[1])
    if x.above:
        cause = remark("drift_above")
    elif x.sensor:
        cause = remark("drift_moved", grew_c_diff=float(x.grown))
    else:
        cause = remark("drift_place", cold=bool(x.offset < 0))
    if began[0] <= view.t[0]:
        since = remark("drift_in_proportion", at_s=float(first_look))
    else:
        since = remark("drift_between", not_at_s=float(began[0]), there_s=float(began[1]))
    reads = remark("drift", off_c_diff=float(x.offset), at_s=float(times[0]), percent=float(100.0 * share),
                   limit_c_diff=float(x.limit))  # fmt: skip
    return Fault(
        "drifting",
        name,
        float(start),
        float(view.t[-1]),
        0.6 if x.sensor else 0.3,
        False,
        (reads, since, cause, remark("drift_reported")),
        {"offset_c": x.offset, "limit_c": x.limit, "se_c": x.se, "grew_c": x.grown},
        began=(float(began[0]), float(began[1])),
    )


def _position(view: ChannelView, level: Plateau, places: list[_Apart], count: int) -> Fault:
    """One line for a load that is unevenly hot."""
    rest = at_rest(view, level)[0]
    worst = max(places, key=lambda x: abs(x.offset))
    sides: dict[str, Any] = {}
    for side, word in ((1, "hot"), (-1, "cold")):
        own = sorted((x for x in places if x.offset * side > 0), key=lambda x: -abs(x.offset))
        sides[word] = [view.channels[x.row].name for x in own]
        sides[f"{word}_least_c_diff"] = abs(own[-1].offset) if own else None
        sides[f"{word}_most_c_diff"] = abs(own[0].offset) if own else None
    middle_c = float(np.nanmedian(rest[view.work]))
    said = remark("position", apart=len(places), of=count, middle_c=middle_c, **sides)
    return Fault(
        "drifting",
        view.channels[worst.row].name,
        float(view.grid.t[level.first]),
        float(view.t[-1]),
        0.1,
        False,
        (said,),
        {"offset_c": worst.offset, "limit_c": worst.limit, "channels": float(len(places))},
    )


def _since(
    view: ChannelView, level: Plateau, x: _Apart, rows: npt.NDArray[np.intp]
) -> tuple[tuple[float, float], float, float]:
    """((earliest, latest) moment at which the offset can have begun, its first look, offset as a share of the way from
    the start). Looked at where both the channel and its peers (else the furnace) have little left to come."""
    grid = view.grid
    shown, ahead = _shown(view, level, x.row)
    others = [(_shown(view, level, int(i))) for i in rows if i != x.row]
    peers = np.array([np.where(np.abs(a) < AHEAD_C, s, np.nan) for s, a in others])
    enough = np.isfinite(peers).sum(axis=0) >= 3
    with np.errstate(all="ignore"):
        reference = np.where(enough, np.nanmedian(np.where(enough, peers, 0.0), axis=0), grid.furnace)
    good = grid.y[x.row][np.isfinite(grid.y[x.row])]
    start = float(np.median(good[:5]))
    way = reference - start
    share = x.offset / max(float(np.nanmedian(reference[level.mask])) - start, 1.0)
    expected = share * way
    steady = (np.abs(ahead) < AHEAD_C) & (np.abs(expected) > SHOWS_C) & np.isfinite(shown)
    steady &= grid.t <= grid.t[level.last]
    offset = shown - reference
    block = max(1, round(BLOCK_S / grid.step_s))
    seen: list[tuple[float, float]] = []  # (moment, share of the offset that is there)
    for begin in range(0, len(grid.t), block):
        part = slice(begin, begin + block)
        if steady[part].sum() >= max(1, 0.3 * len(grid.t[part])):
            there = (offset / expected)[part][steady[part]]
            seen.append((float(grid.t[part].mean()), float(np.median(there))))
    t0 = float(view.t[0])
    late = float(grid.t[level.mask][0])  # there it stands apart: it was found so
    seen = [(at, there if at < late else 1.0) for at, there in seen]
    missing = [i for i, (_, there) in enumerate(seen) if there < HARDLY]
    last = missing[-1] if missing else -1
    there_s = [at for at, there in seen[last + 1 :] if there > MOSTLY]
    latest = min(there_s[0], late) if there_s else late
    return (seen[last][0] if missing else t0, latest), seen[last + 1][0] if last + 1 < len(seen) else latest, share


def _shown(view: ChannelView, level: Plateau, row: int) -> tuple[Floats, Floats]:
    """(what surrounds a channel by its own account [°C], how much of that is still to come [°C]): its reading plus its
    slope over its rate; NaN where it has no rate."""
    key = f"shown {row}"
    if key not in view.memo:
        grid, y = view.grid, view.grid.y[row]
        wide = max(2, round(SLOPE_S / grid.step_s))
        ahead = np.full(len(y), np.nan)
        rate = driven_rates(view, level)[row]
        if len(y) > 2 * wide and rate > 0.0:
            ahead[wide:-wide] = (y[2 * wide :] - y[: -2 * wide]) / (2 * wide * grid.step_s) / rate
        view.memo[key] = y + ahead, ahead
    found: tuple[Floats, Floats] = view.memo[key]
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
