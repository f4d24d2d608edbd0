"""Faults that show over the whole run, because the channel contradicts its role: reversed, shorted in the lead, read
as the wrong type, or connected to another's channel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from loadbook.analysis.quantiles import median_of, median_without_each, middle
from loadbook.analysis.trace.its90 import mixed_up, true_c
from loadbook.analysis.trace.model import Fault, Floats
from loadbook.analysis.trace.sensors import type_letter
from loadbook.core.remarks import Remark, remark

from .channels import Bools, ChannelView
from .rest import SLOWEST_S, Plateau, at_rest, late_slopes, plateau

HEATED_C = 60.0  # the peers must have been heated by this much
REVERSED_SHARE, FELL_C = -0.2, -20.0
SHORTED_SHARE = 0.4
DROP_C = 30.0
DROP_S = 600.0
OVER_SHARE, OVER_C = 1.04, 12.0
# the widest class of furnace uniformity is +-28 °C (AMS 2750 class 6; from memory), and a sensor's own error
WIDEST_CLASS_C = 28.0
UNDER_SHARE, UNDER_C = 0.96, WIDEST_CLASS_C + 3.0
FAR_UNDER_SHARE, FAR_UNDER_C = 0.86, 60.0  # and where it is not known so well where a channel comes to rest
ALIKE, LEAST_ERROR_C = 0.5, 2.0
FAR_UNSURE_C = 20.0
UNSURE_C = 6.0  # an error of where it comes to rest beyond which nothing is said to end above the others
ERRORS = 1.5  # so many standard errors of where it comes to rest are left to it
TABLE_FITS = 0.9  # of the time up to the end of the hold
LEADS_C = 15.0
MET_SHARE = 0.5
FELL_BEGUN_C = 2.0  # below where it had been, and where it stood among its peers: it has begun to fall away


def find_role_faults(view: ChannelView) -> list[Fault]:
    """Reversed, shorted and wrongly read channels. A channel gets the first of these that fits."""
    grid = view.grid
    if len(grid.t) < 20 or len(view.channels) < 2:
        return []
    level = plateau(view)
    falls = _falls(view)
    odd = _odd(view, level) if level else np.zeros(len(view.channels), dtype=bool)
    peers = _peers(view) if falls.any() or _may_turn(view) else None
    turned = _reversed(view, np.array(peers)) if peers else {}
    found = []
    for row in range(len(view.channels)):
        fault = turned.get(row)
        if fault is None and peers and falls[row]:
            fault = _dropped(view, row, peers[row])
        if fault is None and level and odd[row]:
            fault = _over_or_under(view, row, level) or _left_range(view, row, level)
        if fault:
            found.append(fault)
    return found


def _falls(view: ChannelView) -> Bools:
    """Which channels fall at all as far and as quickly as one that is shorted in mid-run."""
    y, span = view.grid.y, _drop_points(view)
    return np.asarray((y[:, :-span] - y[:, span:] > DROP_C).any(axis=1))


def _may_turn(view: ChannelView) -> bool:
    """Whether any channel is ever so far below its first reading as one that is reversed."""
    y = view.grid.y
    all_begin = bool(np.isfinite(y[:, 0]).all()) and bool(np.isfinite(view.grid.furnace[0]))
    return not (all_begin and bool((np.fmin.reduce(y, axis=1) - y[:, 0] > FELL_C).all()))


def _odd(view: ChannelView, level: Plateau) -> Bools:
    """Which channels `_over_or_under` and `_left_range` can say anything of: not one that stands, and comes to rest,
    nowhere near as far from the others as these ask."""
    rest = at_rest(view, level)[0]
    final = np.where(np.isfinite(rest), rest, level.y)
    below, above = np.minimum(level.y, final), np.maximum(level.y, final)
    hottest = max(level.furnace, float(np.fmax.reduce(level.y)))
    return np.asarray(~((below > hottest - 0.9 * UNDER_C) & (above < level.furnace + 0.9 * OVER_C)))


def _peers(view: ChannelView) -> list[Floats]:
    """What each channel is compared with: the median of its peers, the furnace where it has none."""
    grid, work = view.grid, np.flatnonzero(view.work)
    of_work = dict(zip(work.tolist(), median_without_each(grid.y[work]), strict=True)) if len(work) > 1 else {}
    out = []
    for row in range(len(view.channels)):
        peers = [] if row in of_work else view.peers(row)
        out.append(of_work[row] if row in of_work else median_of(grid.y[peers]) if peers else grid.furnace)
    return out


def _start(view: ChannelView, row: int) -> float:
    good = view.grid.y[row][np.isfinite(view.grid.y[row])][:5]
    return middle(good) if len(good) == 5 else float("nan")


def _whole(
    view: ChannelView, row: int, kind: str, confidence: float, evidence: Remark, figures: dict[str, float]
) -> Fault:
    name = view.channels[row].name
    return Fault(kind, name, float(view.t[0]), float(view.t[-1]), confidence, False, (evidence,), figures)


def _reversed(view: ChannelView, peers: Floats) -> dict[int, Fault]:
    """By row, the channels that fell while their peers (channels, points) were heated."""
    y = view.grid.y
    both = np.isfinite(y) & np.isfinite(peers)
    hots, firsts = np.where(both, peers, -np.inf).argmax(axis=1), both.argmax(axis=1)
    found = {}
    for row in np.flatnonzero(both.sum(axis=1) >= 20).tolist():
        hot, first = int(hots[row]), int(firsts[row])
        heated, own = float(peers[row, hot] - peers[row, first]), float(y[row, hot] - y[row, first])
        if heated < HEATED_C or own > REVERSED_SHARE * heated or own > FELL_C:
            continue
        found[row] = _whole(
            view, row, "reversed", 0.95,
            remark("reversed", fell_c_diff=-own, from_s=float(view.grid.t[first]), to_s=float(view.grid.t[hot]),
                   heated_c_diff=heated),
            {"own_c": own, "peers_c": heated},
        )  # fmt: skip
    return found


def _over_or_under(view: ChannelView, row: int, level: Plateau) -> Fault | None:
    """At the late hold: above everything that heats it, or bound to stay far below."""
    reading = float(level.y[row])
    others = [i for i in range(len(level.y)) if i != row and np.isfinite(level.y[i])]
    if not np.isfinite(reading) or not others:
        return None
    cold = _start(view, row)
    rest, error = at_rest(view, level)
    unsure = _unsure(view, row, level)
    final, sure = (float(rest[row]), ERRORS * unsure) if np.isfinite(rest[row]) else (reading, np.inf)
    hottest = max(level.furnace, *level.y[others])
    reference = middle(np.array([*level.y[others], level.furnace]))
    if not reference - cold > HEATED_C:
        return None
    share = (reading - cold) / (reference - cold)
    ends_c, ends_share = final - sure, (final - cold) / (level.furnace - cold)
    ends_hottest = max(hottest, float(np.nanmax(rest[others]))) if np.isfinite(rest[others]).any() else hottest
    ends_over = bool(view.work[row]) and ends_share > OVER_SHARE and ends_c > ends_hottest + OVER_C
    if (share > OVER_SHARE and reading > hottest + OVER_C) or ends_over:
        fault = _read_as(view, row, level, _whole(
            view, row, "wrong type", 0.8,
            remark("stands_above", stands_c=reading, comes_to_c=max(final, reading),
                   above_c_diff=max(final, reading) - hottest, share=share),
            {"share": share, "above_c": max(final, reading) - hottest},
        ))  # fmt: skip
        # the over-temperature TC stands by the heaters: hotter than all else is its place, unless a table explains it
        return fault if fault.wire or view.channels[row].role != "over-temperature" else None
    at_rest_c = [float(rest[i]) for i in others if view.work[i] and error[i] < 0.5 * UNSURE_C]
    around = min(level.furnace, middle(np.array(at_rest_c))) if len(at_rest_c) >= 3 else level.furnace
    gap = around - final - sure
    if not view.work[row]:
        return None
    stands = float(level.slope[row]) * SLOWEST_S < level.furnace - reading
    if share < SHORTED_SHARE and (stands or gap > 0.0):
        return _read_as(view, row, level, _whole(
            view, row, "shorted", 0.85,
            remark("shorted_rise", rose_c_diff=reading - cold, peers_c_diff=reference - cold, stands_c=reading),
            {"share": share},
        ))  # fmt: skip
    far, sure_c = gap > FAR_UNDER_C and ends_share < FAR_UNDER_SHARE and error[row] < FAR_UNSURE_C, unsure < UNSURE_C
    if (far or (sure_c and gap > UNDER_C and ends_share < UNDER_SHARE)) and not _piece_agrees(view, row, level):
        fault = _read_as(view, row, level, _whole(
            view, row, "wrong type", 0.6,
            remark("stands_below", below_furnace_c_diff=level.furnace - reading, share=share,
                   below_peers_c_diff=around - final, class_c_diff=WIDEST_CLASS_C),
            {"share": share, "below_c": around - final},
        ))  # fmt: skip
        # what no table explains is a cold place, unless it is far beyond one and is known well
        if fault.wire or not (sure_c and gap > FAR_UNDER_C):
            return fault if fault.wire else None
        return _fell(view, row, level, around - final, around) or fault
    return None


def _fell(view: ChannelView, row: int, level: Plateau, below_c: float, around_c: float) -> Fault | None:
    """A channel that stood with its peers while they were as hot as at the late hold, and fell away later: no error of
    scale, which is there whenever it is hot."""
    grid, y = view.grid, view.grid.y[row]
    others = [i for i in np.flatnonzero(view.work) if i != row]
    peers = median_of(grid.y[others]) if others else grid.furnace
    with np.errstate(invalid="ignore"):
        with_them = (peers > around_c - 0.25 * below_c) & (y > peers - 0.3 * below_c) & (grid.t < grid.t[level.mask][0])
    if not with_them.any():
        return None
    points = np.flatnonzero(with_them)
    own, beside = y[points], (y - peers)[points]
    last = points[(own > own.max() - FELL_BEGUN_C) | (beside > np.median(beside) - FELL_BEGUN_C)][-1]
    return Fault(
        "detached", view.channels[row].name, float(grid.t[last]), float(view.t[-1]), 0.6, False,
        (remark("fell_away", stood_c=float(y[last]), at_s=float(grid.t[last]), below_c_diff=below_c),),
        {"below_c": below_c},
    )  # fmt: skip


def _left_range(view: ChannelView, row: int, level: Plateau) -> Fault | None:
    """Read by a wrong table it left its range on the way up, and has no reading at the hold: told by the way there."""
    grid, y = view.grid, view.grid.y[row]
    if np.isfinite(level.y[row]):
        return None
    near = [i for i in range(len(view.channels)) if i != row and np.isfinite(level.y[i])]
    if len(near) < 2:
        return None
    low, high = np.fmin.reduce(grid.y[near], axis=0), np.fmax.reduce(grid.y[near], axis=0)
    seen = np.isfinite(y) & np.isfinite(high) & (grid.t <= grid.t[level.last])
    over = seen & (y > high + OVER_C)
    if over.sum() < 20 or over.sum() < 0.5 * seen.sum():
        return None
    usual = median_of(grid.y[near])
    found: list[tuple[float, str, str]] = []
    for wire, table in mixed_up(type_letter(view.channels[row].tc_type)):
        true = true_c(wire, table, y)
        known = seen & np.isfinite(true)
        inside = (true > low - OVER_C) & (true < high + OVER_C)
        if known.sum() >= 20 and inside[known].sum() > TABLE_FITS * seen.sum():
            found.append((float(np.median(np.abs(true - usual)[known])), wire, table))
    if not found:
        return None
    off, wire, table = min(found)
    at = int(np.flatnonzero(over)[-1])
    fault = _whole(
        view, row, "wrong type", 0.8,
        remark("left_range", above_c_diff=float((y - high)[over].max()), at_s=float(grid.t[at]), stands_c=float(y[at]),
               table=table, wire=wire, off_c_diff=off),
        {"above_c": float((y - high)[over].max())},
    )  # fmt: skip
    return replace(fault, wire=wire, table=table)


def _unsure(view: ChannelView, row: int, level: Plateau) -> float:
    """Standard error [°C] of where a channel comes to rest. Where its peers, that have as far to go, come to rest close
    together by the same estimate, the estimate is as good as that."""
    rest, error = at_rest(view, level)
    ahead = np.abs(rest - level.y)
    peers = [i for i in np.flatnonzero(view.work & np.isfinite(rest)) if i != row]
    alike = [i for i in peers if ahead[i] > ALIKE * ahead[row]]
    if len(alike) < 3:
        return float(error[row])
    furthest = float(np.abs(rest[alike] - middle(rest[alike])).max())
    return min(float(error[row]), furthest + LEAST_ERROR_C + float(view.memo["rest apart"][row]))


def _piece_agrees(view: ChannelView, row: int, level: Plateau) -> bool:
    """Whether another thermocouple of the same piece comes to rest as far below the furnace: then the piece is cold."""
    own, rest = view.channels[row], at_rest(view, level)[0]
    return own.serial is not None and any(
        (c.part, c.serial) == (own.part, own.serial) and level.furnace - rest[i] > 0.6 * (level.furnace - rest[row])
        for i, c in enumerate(view.channels)
        if i != row and view.work[i]
    )


def _read_as(view: ChannelView, row: int, level: Plateau, fault: Fault) -> Fault:
    """The fault, with the types whose tables explain it: read again by the wire's own table, the channel comes to rest
    where its peers do, and stays between the coldest peer and the furnace all day."""
    grid, (rest, error) = view.grid, at_rest(view, level)
    letter = type_letter(view.channels[row].tc_type)
    others = [i for i in np.flatnonzero(view.work) if i != row]
    at_rest_c = middle(np.array([*(rest[i] for i in others if error[i] < 3.0), level.furnace]))
    near = [i for i in range(len(view.channels)) if i != row]
    low, high = np.fmin.reduce(grid.y[near], axis=0), np.fmax.reduce(grid.y[near], axis=0)
    found: list[tuple[float, str, str]] = []
    for wire, table in mixed_up(letter):
        off = float(true_c(wire, table, float(rest[row]))) - at_rest_c
        if not abs(off) < UNDER_C + float(error[row]):
            continue
        true = true_c(wire, table, grid.y[row])
        known = np.isfinite(true) & np.isfinite(low) & (grid.t <= grid.t[level.last])
        inside = (true > low - UNDER_C) & (true < high + OVER_C)
        if known.sum() >= 20 and inside[known].mean() > TABLE_FITS:
            found.append((off, wire, table))
    if not found:
        return fault
    off, wire, table = min(found, key=lambda x: abs(x[0]))
    as_well = [[w, t] for _, w, t in found if (w, t) != (wire, table)]
    said = remark("read_as", table=table, wire=wire, off_c_diff=off, as_well=as_well)
    evidence = (*fault.evidence, said)
    figures = {**fault.figures, "tables_apart_c": max(abs(x - off) for x, _, _ in found)}
    return replace(fault, kind="wrong type", evidence=evidence, figures=figures, wire=wire, table=table)


def _drop_points(view: ChannelView) -> int:
    return max(2, round(DROP_S / view.grid.step_s))


def _dropped(view: ChannelView, row: int, peers: Floats) -> Fault | None:
    """Shorted in mid-run: falls far while everything about it is hotter, and stays there."""
    grid, y, span = view.grid, view.grid.y[row], _drop_points(view)
    if len(y) <= 3 * span:
        return None
    fall = y[:-span] - y[span:]
    falls = fall > DROP_C
    hotter = (np.fmin(grid.furnace, peers)[span:] - y[span:]) > DROP_C
    start = _start(view, row)
    zones = [] if view.work[row] else [i for i in np.flatnonzero(view.control) if i != row]
    around = median_of(grid.y[zones]) if zones else np.fmin(grid.furnace, peers)
    for place in np.flatnonzero(falls & hotter & ~grid.outside[span:])[:200]:
        if peers[place] - peers[place + span] > 0.5 * fall[place]:  # all of it is being quenched
            continue
        later = slice(place + span, place + 4 * span)
        share = (y[later] - start) / np.maximum(peers[later] - start, HEATED_C)
        share = share[np.isfinite(share)]
        if not np.fmin.reduce((around - y)[later]) > DROP_C:  # it was only the first to be quenched
            continue
        if len(share) >= span and np.median(share) < SHORTED_SHARE and grid.furnace[place] > y[place] - DROP_C:
            begin = place + int(np.nanargmax(y[place : place + span] - y[place + 1 : place + span + 1]))
            return Fault(
                "shorted", view.channels[row].name, float(grid.t[begin]), float(view.t[-1]), 0.9, False,
                (remark("shorted_drop", from_c=float(y[place]), to_c=float(y[place + span]), within_min=DROP_S / 60.0,
                        at_s=float(grid.t[begin]), peers_c=float(peers[place + span])),),
                {"fall_c": float(fall[place]), "share": float(np.median(share))},
            )  # fmt: skip
    return None


def find_traded_roles(view: ChannelView) -> list[Fault]:
    """A control TC that lags as a work TC does while a work TC leads it through heating and cooling: connected to
    each other's channels."""
    grid = view.grid
    work = np.flatnonzero(view.work)
    if len(work) < 2 or len(grid.t) < 20:
        return []
    load = median_of(grid.y[work])
    wide = max(2, round(600.0 / grid.step_s))
    slope = np.zeros(len(load))
    slope[wide:-wide] = (load[2 * wide :] - load[: -2 * wide]) / (2 * wide * grid.step_s) * 3600.0
    heating, cooling = (slope > 20.0) & ~grid.outside, (slope < -20.0) & ~grid.outside
    if heating.sum() < 10:
        return []
    level = plateau(view)
    others_of = {int(c): [i for i in np.flatnonzero(view.control) if i != c] for c in np.flatnonzero(view.control)}
    found = []
    for control, others in others_of.items():
        references = grid.y[others] if others else grid.setpoint[None, :]
        own = grid.y[control]
        leads = grid.y[np.ix_(work, np.flatnonzero(heating))] - own[heating]
        often = 2 * (leads > LEADS_C).sum(axis=1) >= np.isfinite(leads).sum(axis=1)  # else the median is less
        for candidate, lead in zip(work[often], leads[often], strict=True):
            ahead = middle(lead)
            if not ahead > LEADS_C:
                continue
            behind = middle((own - grid.y[candidate])[cooling])
            if level and not np.isfinite(behind):  # no cooling in the furnace: what the hold shows has to do
                apart = level.y[candidate] - level.y[control]
                if apart > MET_SHARE * ahead and late_slopes(view, level)[control] * SLOWEST_S < apart:
                    continue  # furnace and load meet there, whichever is which, or are on their way
            if np.isfinite(behind) and behind < 0.3 * LEADS_C:
                continue
            rest = grid.y[[i for i in work if i != candidate]]
            if middle((grid.y[candidate] - np.fmax.reduce(rest, axis=0))[heating]) < 0.0:
                continue
            reference = median_of(references)
            known = bool(np.isfinite(reference[heating]).any())
            if known and middle((reference - own)[heating]) < 0.5 * ahead:
                continue
            names = view.channels[candidate].name, view.channels[control].name
            said = remark("leads", channel=names[0], other=names[1], heating_c_diff=ahead, cooling_c_diff=behind)
            figures = {"ahead_heating_c": ahead, "ahead_cooling_c": behind}
            confidence = 0.85 if known else 0.7
            both = [_whole(view, int(r), "swapped", confidence, said, figures) for r in (control, candidate)]
            found += [replace(f, other=o.channel) for f, o in zip(both, reversed(both), strict=True)]
            break
    return found


def traded(view: ChannelView, steps: list[Fault]) -> list[Fault]:
    """The steps, with pairs that are each other's mirror at the same moment named as two channels trading places."""
    out: list[Fault] = []
    taken: set[int] = set()
    for i, a in enumerate(steps):
        for j in range(i + 1, len(steps)):
            b = steps[j]
            jumps = a.figures["jump_c"], b.figures["jump_c"]
            apart = abs(a.start_s - b.start_s)
            if i in taken or j in taken or a.channel == b.channel or apart > 2.0 * view.interval_s:
                continue
            if abs(sum(jumps)) > 0.25 * max(abs(jumps[0]), abs(jumps[1])):
                continue
            taken |= {i, j}
            for one, other in ((a, b), (b, a)):
                out.append(
                    Fault(
                        "swapped",
                        one.channel,
                        one.start_s,
                        max(a.end_s, b.end_s),
                        0.9,
                        False,
                        (*one.evidence, remark("traded", other=other.channel, jump_c_diff=other.figures["jump_c"])),
                        one.figures,
                        other=other.channel,
                    )
                )
    return out + [s for k, s in enumerate(steps) if k not in taken]
