"""Faults that show over the whole run, because the channel contradicts its role: reversed, shorted in the lead, read
as the wrong type, or connected to another's channel."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from loadbook.analysis.quantiles import median_of, median_without_each, middle, middles
from loadbook.analysis.trace.model import Fault, Floats, clock

from .channels import Bools, ChannelView, runs_of

HEATED_C = 60.0  # the peers must have been heated by this much
REVERSED_SHARE = -0.2
SHORTED_SHARE = 0.4
DROP_C = 30.0
DROP_S = 600.0
OVER_SHARE, OVER_C = 1.04, 12.0
UNDER_SHARE, UNDER_C = 0.86, 60.0
SLOWEST_S = 16 * 3600.0  # a channel this slow, or slower, to close its gap to the furnace does not lag: it stands
LEADS_C = 15.0


@dataclass(frozen=True)
class Plateau:
    """The late part of the hottest hold: grid points, and the medians there of each channel and the furnace.

    first, last  grid points between which the furnace stood there
    """

    mask: Bools
    y: Floats
    slope: Floats
    furnace: float
    first: int
    last: int


def find_role_faults(view: ChannelView) -> list[Fault]:
    """Reversed, shorted and wrongly read channels. A channel gets the first of these that fits."""
    grid = view.grid
    if len(grid.t) < 20 or len(view.channels) < 3:
        return []
    level = plateau(view)
    found = []
    all_peers = _peers(view)
    turned = _reversed(view, np.array(all_peers))
    for row, peers in enumerate(all_peers):
        fault = turned.get(row) or _dropped(view, row, peers) or (_over_or_under(view, row, level) if level else None)
        if fault:
            found.append(fault)
    return found


def _peers(view: ChannelView) -> list[Floats]:
    """What each channel is compared with: the median of its peers, the furnace where it has none."""
    grid, work = view.grid, np.flatnonzero(view.work)
    of_work = dict(zip(work.tolist(), median_without_each(grid.y[work]), strict=True)) if len(work) > 1 else {}
    out = []
    for row in range(len(view.channels)):
        peers = [] if row in of_work else view.peers(row)
        out.append(of_work[row] if row in of_work else median_of(grid.y[peers]) if peers else grid.furnace)
    return out


def plateau(view: ChannelView) -> Plateau | None:
    """The last half hour of the longest time the furnace spent near its hottest; None where that is under 40 min."""
    if "plateau" not in view.memo:
        view.memo["plateau"] = _plateau(view)
    found: Plateau | None = view.memo["plateau"]
    return found


def _plateau(view: ChannelView) -> Plateau | None:
    grid = view.grid
    if np.isfinite(grid.furnace).sum() < 20:
        return None
    top = float(np.percentile(grid.furnace[np.isfinite(grid.furnace)], 99.0))
    near = np.isfinite(grid.furnace) & (grid.furnace > top - max(8.0, 0.015 * top))
    runs = runs_of(near)
    a, b = max(runs, key=lambda r: r[1] - r[0], default=(0, -1))
    if (b - a) * grid.step_s < 2400.0 or top < 100.0:
        return None
    mask = np.zeros(len(grid.t), dtype=bool)
    late = max(5, round(1800.0 / grid.step_s))
    edge = min(round(300.0 / grid.step_s), (b - a) // 10)
    mask[max(a, b - edge - late) : b - edge + 1] = True
    part = grid.y[:, mask]
    half = part.shape[1] // 2
    with np.errstate(invalid="ignore"):
        first, second = middles(part[:, :half]), middles(part[:, half:])
    apart = 0.5 * part.shape[1] * grid.step_s
    furnace = float(np.median(grid.furnace[mask]))
    return Plateau(mask, middles(part), (second - first) / apart, furnace, a, b)


def _start(view: ChannelView, row: int) -> float:
    good = view.grid.y[row][np.isfinite(view.grid.y[row])][:5]
    return middle(good) if len(good) == 5 else float("nan")


def _whole(
    view: ChannelView, row: int, kind: str, confidence: float, evidence: str, figures: dict[str, float]
) -> Fault:
    name = view.channels[row].name
    return Fault(kind, name, float(view.t[0]), float(view.t[-1]), confidence, False, evidence, figures)


def _reversed(view: ChannelView, peers: Floats) -> dict[int, Fault]:
    """By row, the channels that fell while their peers (channels, points) were heated."""
    y = view.grid.y
    both = np.isfinite(y) & np.isfinite(peers)
    hots, firsts = np.where(both, peers, -np.inf).argmax(axis=1), both.argmax(axis=1)
    found = {}
    for row in np.flatnonzero(both.sum(axis=1) >= 20).tolist():
        hot, first = int(hots[row]), int(firsts[row])
        heated, own = float(peers[row, hot] - peers[row, first]), float(y[row, hot] - y[row, first])
        if heated < HEATED_C or own > REVERSED_SHARE * heated or own > -20.0:
            continue
        found[row] = _whole(
            view, row, "reversed", 0.95,
            f"fell by {-own:.0f} °C from {clock(view.grid.t[first])} to {clock(view.grid.t[hot])} while its peers "
            f"were heated by {heated:.0f} °C",
            {"own_c": own, "peers_c": heated},
        )  # fmt: skip
    return found


def _over_or_under(view: ChannelView, row: int, level: Plateau) -> Fault | None:
    """At the late hold: above everything that heats it, or far below and not on its way."""
    reading = float(level.y[row])
    others = [float(level.y[i]) for i in range(len(level.y)) if i != row and np.isfinite(level.y[i])]
    if not np.isfinite(reading) or len(others) < 2:
        return None
    cold = _start(view, row)
    hottest = max(*others, level.furnace)
    reference = middle(np.array([*others, level.furnace]))
    share = (reading - cold) / (reference - cold) if reference - cold > HEATED_C else float("nan")
    if not np.isfinite(share):
        return None
    if share > OVER_SHARE and reading > hottest + OVER_C:
        return _whole(
            view, row, "wrong type", 0.8,
            f"stands at {reading:.0f} °C at the late hold, {reading - hottest:.0f} °C above the hottest other channel, "
            f"with {share:.2f} times the rise of the others from the start: nothing in the furnace can heat it so far",
            {"share": share, "above_c": reading - hottest},
        )  # fmt: skip
    gap = level.furnace - reading
    stands = float(level.slope[row]) * SLOWEST_S < gap
    if not stands or not view.work[row]:
        return None
    if share < SHORTED_SHARE:
        return _whole(
            view, row, "shorted", 0.85,
            f"rose by {reading - cold:.0f} °C where its peers rose by {reference - cold:.0f} °C, and stands at "
            f"{reading:.0f} °C at the late hold, not on its way to the furnace: it reads another place, "
            f"or as another type",
            {"share": share},
        )  # fmt: skip
    if share < UNDER_SHARE and gap > UNDER_C:
        return _whole(
            view, row, "wrong type", 0.6,
            f"stands {gap:.0f} °C below the furnace at the late hold ({share:.2f} times the others' rise) and "
            f"closes the gap by only {float(level.slope[row]) * 3600.0:.1f} °C/h, which no lag explains; "
            f"a very cold place would look the same",
            {"share": share, "below_c": gap},
        )  # fmt: skip
    return None


def _dropped(view: ChannelView, row: int, peers: Floats) -> Fault | None:
    """Shorted in mid-run: falls far while everything about it is hotter, and stays there."""
    grid, y = view.grid, view.grid.y[row]
    span = max(2, round(DROP_S / grid.step_s))
    if len(y) <= 3 * span:
        return None
    fall = y[:-span] - y[span:]
    falls = np.isfinite(fall) & (fall > DROP_C)
    if not falls.any():
        return None
    hotter = (np.fmin(grid.furnace, peers)[span:] - y[span:]) > DROP_C
    start = _start(view, row)
    for place in np.flatnonzero(falls & hotter)[:200]:
        if peers[place] - peers[place + span] > 0.5 * fall[place]:  # all of it is being quenched
            continue
        later = slice(place + span, place + 4 * span)
        share = (y[later] - start) / np.maximum(peers[later] - start, HEATED_C)
        share = share[np.isfinite(share)]
        if len(share) >= span and np.median(share) < SHORTED_SHARE and grid.furnace[place] > y[place] - DROP_C:
            begin = place + int(np.nanargmax(y[place : place + span] - y[place + 1 : place + span + 1]))
            return Fault(
                "shorted", view.channels[row].name, float(grid.t[begin]), float(view.t[-1]), 0.9, False,
                f"fell from {y[place]:.0f} to {y[place + span]:.0f} °C within {DROP_S / 60:.0f} min at "
                f"{clock(grid.t[begin])} while its peers stood at {peers[place + span]:.0f} °C, and stayed there: "
                f"it reads the temperature of its lead",
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
    heating, cooling = slope > 20.0, slope < -20.0
    if heating.sum() < 10:
        return []
    others_of = {int(c): [i for i in np.flatnonzero(view.control) if i != c] for c in np.flatnonzero(view.control)}
    found = []
    for control, others in others_of.items():
        references = grid.y[others] if others else grid.setpoint[None, :]
        own = grid.y[control]
        leads = middles(grid.y[np.ix_(work, np.flatnonzero(heating))] - own[heating])
        for candidate, ahead in zip(work, leads.tolist(), strict=True):
            if not ahead > LEADS_C:
                continue
            behind = middle((own - grid.y[candidate])[cooling])
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
            words = (
                f"{names[0]} leads {names[1]} by {ahead:.0f} °C while heating and by {behind:.0f} °C while "
                f"cooling (medians), as a control TC leads work: the two seem to be connected to each other's channel"
            )
            figures = {"ahead_heating_c": ahead, "ahead_cooling_c": behind}
            confidence = 0.85 if known else 0.7
            both = [_whole(view, int(r), "swapped", confidence, words, figures) for r in (control, candidate)]
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
                        f"{one.evidence}; at the same moment {other.channel} jumped by {other.figures['jump_c']:+.1f} "
                        f"°C: each goes on where the other was",
                        one.figures,
                        other=other.channel,
                    )
                )
    return out + [s for k, s in enumerate(steps) if k not in taken]
