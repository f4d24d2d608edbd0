"""What would narrow an answer, computed from the model, and the runs that stand nearest to what is asked."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from loadbook.analysis.trace.model import Floats
from loadbook.core.vocabulary.parameters import PLANNABLE

from . import backtest
from .beyond import WIDER
from .bound import one_sided
from .cells import Asked, Slopes
from .estimate import History, Reply
from .fit import Fit, Row

STEPS = (1, 2, 4, 8, 16)
MOST_NEXT = 6  # next runs that are listed
KNOWN_WITHIN = 10  # degrees inside runs from which it is known what more pieces in a run are worth
REACH = 2.0  # usual deviations from its own settings that another part number may be sent
LEAST_WEIGHT = 0.25  # of a setting asked about, in variances of a piece per squared deviation


@dataclass(frozen=True)
class Need:
    """Width of the interval (working scale) after more measuring, the rest staying as it is.

    runs_of_this_part    (k more runs of this part, width expected)
    part_numbers         (k more part numbers of this kind, width expected); empty for a known part number
    least_width          what no number of runs can go below: runs and pieces differ by that much
    groups_missing       runs until the width for a known part number can be back-tested; 0 when it is
    """

    width: float
    runs_of_this_part: tuple[tuple[int, float], ...]
    part_numbers: tuple[tuple[int, float], ...]
    least_width: float
    groups_missing: int
    next_runs: tuple[Next, ...] = ()


@dataclass(frozen=True)
class Next:
    """One more run and the interval to expect after it (working scale), everything else staying as it is.

    part     the part number, None: the new one asked about;  settings  those that differ from what is asked
    pieces   measured in it;  width  of the interval then;  bound  the one-sided bound then, NaN where there is none
    """

    part: str | None
    characteristic: str | None
    settings: dict[str, float]
    pieces: int
    width: float
    bound: float


def need(history: History, asked: Asked, reply: Reply) -> Need:
    """Expected width after k more runs of this part, or k more part numbers of this kind.

    A further run of the part, treated as asked and with as many pieces as usual, tells of the mean with precision
    w = 1/(S2 + s²/n); the variance of the mean falls from V to V/(1 + k w V). A further part number tells only of
    what part numbers share.
    """
    fit, row = history.fit, history.row(asked)
    usual = float(np.median(fit.n))
    per_run = fit.run_var + fit.s2 / usual
    spread = history.scatter()
    scale = 2.0 * reply.quantile * reply.factor * reply.widened * (WIDER if reply.outside else 1.0)
    if not reply.known:
        known = history.scores(True)
        q = backtest.reach(known, history.piece_factor(True), reply.content, few=False)
        own_scale = 2.0 * q * reply.factor if np.isfinite(q) else scale
    else:
        own_scale = scale / (WIDER if reply.outside else 1.0)  # what has run so is no longer beyond what was run
    runs = tuple(
        (k, own_scale * float(np.sqrt(reply.v_mean / (1.0 + k * reply.v_mean / per_run) + spread))) for k in STEPS
    )
    parts: tuple[tuple[int, float], ...] = ()
    if not reply.known:
        unknown = min(row.unknown, reply.v_mean)  # of few part numbers v_mean is not the model's
        shared = reply.v_mean - unknown
        runs_each = max(float(np.median(np.bincount(history.cells.part))), 1.0)
        noise = unknown + per_run / runs_each
        parts = tuple(
            (k, scale * float(np.sqrt(shared / (1.0 + k * shared / noise) + unknown + spread))) for k in STEPS
        )
    missing = max(backtest.groups_needed(reply.content) - reply.groups, 0) if reply.known else 0
    middle, back = history.warp.to(reply.median), history.warp.back

    def told(width: float) -> float:
        return back(middle + width / 2.0) - back(middle - width / 2.0)

    return Need(
        reply.high - reply.low, tuple((k, told(w)) for k, w in runs), tuple((k, told(w)) for k, w in parts),
        told(own_scale * float(np.sqrt(spread))), missing, _next(history, asked, reply, scale, own_scale),
    )  # fmt: skip


def _next(history: History, asked: Asked, reply: Reply, scale: float, own_scale: float) -> tuple[Next, ...]:
    """The next runs that narrow the interval most, the best first.

    Tried are the part asked about, as asked and at the ends of its own settings, and every other part number that ran
    near what is asked, treated as asked; each with the usual number of pieces and twice that. The variance V of the
    mean falls by the model to V - (u'Cx)²/(S2 + s²/n + x'Cx), with u the row asked about and x that of the run; where
    the part is new, its own level is learned too.
    """
    fit, row = history.fit, history.row(asked)
    u = _dense(fit, row)
    from_u = fit.C.times(u)
    before = max(float(u @ from_u), 0.0)
    usual = max(int(np.median(fit.n)), 1)
    own = (asked.part, asked.characteristic) if reply.known else (None, None)
    tried: list[tuple[tuple[str | None, str | None], dict[str, float], Row]] = [(own, {}, row)]
    if reply.known:
        tried += [(own, change, history.row(replace(asked, settings={**asked.settings, **change})))
                  for change in _ends(history, asked)]  # fmt: skip
    others = {p: c for p, c in history.design.series_of if c != asked.characteristic}
    others |= {p: c for p, c in history.design.series_of if c == asked.characteristic}
    labels = [history.design.newest(name) for name in ("material", "family", "shape", "condition")]
    for other in others.items():
        if other[0] != own[0] and _within_reach(history, asked, *other):
            series = history.design.series_of[other]
            material, family, shape, condition = (str(of[series]) or None for of in labels)
            one = replace(
                asked, part=other[0], characteristic=other[1], material=material, family=family, shape=shape,
                condition=condition, section_mm=None,
            )  # fmt: skip
            tried.append((other, {}, history.row(one)))
    about, middle, back = history.predicted(asked), history.warp.to(reply.median), history.warp.back
    spread = history.scatter()
    found = []
    for (part, characteristic), change, x_row in tried:
        mine, there = x_row is row, fit.mean_variance(x_row)
        for pieces in (usual, 2 * usual) if history.cells.within_df >= KNOWN_WITHIN else (usual,):
            noise = fit.run_var + fit.s2 / pieces
            if mine:  # the very cell asked about: what is unknown of it is learned with it
                left = reply.v_mean / (1.0 + reply.v_mean / noise)
            else:
                fallen = float(x_row.values @ from_u[x_row.at]) ** 2 / (noise + there)
                left = reply.v_mean * (max(before - fallen, 0.0) + row.unknown) / max(before + row.unknown, 1e-300)
            width = (own_scale if mine else scale) * float(np.sqrt(left + spread))
            found.append((width, left, Next(part, characteristic, change, pieces, 0.0, float("nan"))))
    found.sort(key=lambda f: f[0])
    out, ratio = [], None
    for width, left, run in found[:MOST_NEXT]:
        bound = float("nan")
        if np.isfinite(reply.bound):
            scores = history.scores(reply.known)
            signed = reply.harm * scores.score / history.piece_factor(reply.known)
            then, ratio = one_sided(
                replace(about, v_mean=left), reply.harm, signed, scores.weight, scores.groups, reply.bound_content,
                reply.bound_confidence, ratio,
            )  # fmt: skip
            bound = back(then + (then - about.mean) * (reply.widened - 1.0))
        out.append(replace(run, width=back(middle + width / 2.0) - back(middle - width / 2.0), bound=bound))
    return tuple(out)


def _dense(fit: Fit, row: Row) -> Floats:
    out = np.zeros(len(fit.g))
    out[row.at] = row.values
    return out


def _ends(history: History, asked: Asked) -> list[dict[str, float]]:
    """One setting of the part at the lowest or the highest it was run at, the others as asked."""
    mine = history.cells.series == history.series(asked)
    out = []
    for name in history.design.active:
        ran = history.cells.frame[name].to_numpy(dtype=float)[mine]
        ran = ran[np.isfinite(ran)]
        if len(ran) and name in asked.settings:
            out += [{name: float(v)} for v in (ran.min(), ran.max()) if v != asked.settings[name]]
    return out


def _within_reach(history: History, asked: Asked, part: str, characteristic: str) -> bool:
    """Whether a part number ran near enough to the settings asked about to be run so without a leap."""
    design, series = history.design, history.design.series_of[(part, characteristic)]
    apart = (
        abs(asked.settings[name] - design.series_mean[name][series]) / design.within_sd[name]
        for name in design.active
        if name in asked.settings
    )
    return not any(a > REACH for a in apart)  # of a setting that is not known nothing can be said against it


@dataclass(frozen=True)
class Comparable:
    """A run of one part number that stands near what is asked; figures on the working scale.

    nearness  1/(1 + D²/2), D² the squared difference to be expected from its labels and from each setting asked
              about, in variances of a piece; a setting counts by its effect, and a little whatever its effect (0 .. 1)
    """

    run: str
    part: str
    characteristic: str
    day: float
    setup: str
    atmosphere: str
    pieces: int
    mean: float
    low: float
    high: float
    settings: dict[str, float]
    nearness: float
    same_part: bool


def comparables(history: History, asked: Asked, count: int = 8) -> list[Comparable]:
    """The nearest runs: those whose movement should differ least from that of what is asked."""
    fit, cells, row, design = history.fit, history.cells, history.row(asked), history.design
    unlike = _unlike(fit, row)
    frame = cells.frame
    for k, name in enumerate(design.active):
        if name in asked.settings:
            first = fit.offsets["settings within part"][0] + k
            effect = float(fit.beta[first]) ** 2 + float(fit.C.block(np.array([first]))[0, 0])
            weight = max(effect / (fit.run_var + fit.s2), LEAST_WEIGHT)
            ran = frame[name].to_numpy(dtype=float)
            apart = (ran - asked.settings[name]) / design.within_sd[name]
            unlike = unlike + weight * np.where(np.isfinite(ran), apart, 1.0) ** 2
    nearness = 1.0 / (1.0 + unlike / 2.0)
    day = design.day(asked)
    age = np.abs(frame["day"].to_numpy(dtype=float) - day)
    own = cells.series == history.series(asked)
    order = np.lexsort((age, ~own, -np.round(nearness, 6)))
    # of several characteristics of a part in one run the nearest stands for it
    keys = zip(*(frame[n].iloc[order] for n in ("run", "part", "setup", "atmosphere")), strict=True)
    nearest: dict[tuple[str, ...], int] = {}
    for key, cell in zip(keys, order, strict=True):
        nearest.setdefault(key, int(cell))
        if len(nearest) == count:
            break
    low = np.full(len(cells.z), np.inf)
    high = np.full(len(cells.z), -np.inf)
    np.minimum.at(low, cells.piece_cell, cells.piece_told)
    np.maximum.at(high, cells.piece_cell, cells.piece_told)
    out = []
    for c in nearest.values():
        r = cells.frame.iloc[c]
        settings = {name: float(r[name]) for name in PLANNABLE if np.isfinite(r[name])}
        found = Comparable(
            str(r["run"]), str(r["part"]), str(r["characteristic"]), float(r["day"]), str(r["setup"]),
            str(r["atmosphere"]), int(r["n"]), float(r["z"]), float(low[c]), float(high[c]), settings,
            float(nearness[c]), bool(asked.part) and r["part"] == asked.part,
        )  # fmt: skip
        out.append(found)
    return out


def _unlike(fit: Fit, row: Row) -> Floats:
    """(N,) variance that the labels and columns other than the settings leave between each cell and the row, over
    that of a piece."""
    g = fit.g.copy()
    g[0] = 0.0
    for term in fit.terms:  # settings are weighed apart; a run is not less like what is asked for being older
        if isinstance(term, Slopes) and term.name in ("settings within part", "date", "level"):
            first = fit.offsets[term.name][0]
            g[first : first + term.columns.shape[1]] = 0.0
    asked = np.zeros(len(g))
    asked[row.at] = row.values
    shared = fit.U @ (g * asked)
    cells = fit.U.multiply(fit.U) @ g
    own = float(asked**2 @ g) + row.unknown
    return np.asarray(np.maximum(cells + own - 2.0 * shared, 0.0) / (fit.run_var + fit.s2), dtype=np.float64)


@dataclass(frozen=True)
class Own:
    """The part number's own history beside the interval: runs, pieces, mean, smallest and largest (working scale)."""

    runs: int
    pieces: int
    mean: float
    low: float
    high: float


def own_history(history: History, asked: Asked) -> Own | None:
    """What this part and characteristic did so far; None where it has no run."""
    series = history.design.series_of.get((asked.part or "", asked.characteristic or ""))
    if series is None:
        return None
    mine = history.cells.series[history.cells.piece_cell] == series
    z = history.cells.piece_told[mine]
    return Own(len(np.unique(history.piece_run[mine])), len(z), float(z.mean()), float(z.min()), float(z.max()))
