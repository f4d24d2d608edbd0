"""What would narrow an answer, computed from the model, and the runs that stand nearest to what is asked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loadbook.core.vocabulary.parameters import PLANNABLE

from . import backtest
from .cells import Asked
from .estimate import History, Reply

STEPS = (1, 2, 4, 8, 16)


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


def need(history: History, asked: Asked, reply: Reply) -> Need:
    """Expected width after k more runs of this part, or k more part numbers of this kind.

    A further run of the part, treated as asked and with as many pieces as usual, tells of the mean with precision
    w = 1/(S2 + s²/n); the variance of the mean falls from V to V/(1 + k w V). A further part number tells only of
    what part numbers share.
    """
    fit, row = history.fit, history.row(asked)
    usual = float(np.median(fit.n))
    per_run = fit.run_var + fit.s2 / usual
    spread = fit.run_var + fit.s2
    scale = 2.0 * reply.quantile * reply.factor
    if not reply.known:
        known = history.scores(True)
        q = backtest.reach(known, history.piece_factor, reply.content, few=False)
        own_scale = 2.0 * q * reply.factor if np.isfinite(q) else scale
    else:
        own_scale = scale
    runs = tuple(
        (k, own_scale * float(np.sqrt(reply.v_mean / (1.0 + k * reply.v_mean / per_run) + spread))) for k in STEPS
    )
    parts: tuple[tuple[int, float], ...] = ()
    if not reply.known:
        shared = max(reply.v_mean - row.unknown, 0.0)
        runs_each = max(float(np.median(np.bincount(history.cells.part))), 1.0)
        noise = row.unknown + per_run / runs_each
        parts = tuple(
            (k, scale * float(np.sqrt(shared / (1.0 + k * shared / noise) + row.unknown + spread))) for k in STEPS
        )
    missing = max(backtest.groups_needed(reply.content) - reply.groups, 0) if reply.known else 0
    return Need(reply.high - reply.low, runs, parts, own_scale * float(np.sqrt(spread)), missing)


@dataclass(frozen=True)
class Comparable:
    """A run of one part number that stands near what is asked; figures on the working scale.

    nearness  correlation of its expected movement with that asked about, under the model (0 .. 1)
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
    """The nearest runs: those whose expected movement goes most closely with that of what is asked."""
    fit, cells, row = history.fit, history.cells, history.row(asked)
    shared = fit.covariance_with_cells(row)
    squared = fit.U.multiply(fit.U).dot(np.concatenate([[0.0], fit.g[1:]]))
    inner = row.at > 0
    own = float((row.values[inner] ** 2) @ fit.g[row.at[inner]]) + row.unknown
    nearness = shared / np.sqrt(np.maximum(squared * own, 1e-300))
    day = history.design.day(asked)
    age = np.abs(cells.frame["day"].to_numpy(dtype=float) - day)
    order = np.lexsort((age, -np.round(nearness, 6)))[:count]
    low = np.full(len(cells.z), np.inf)
    high = np.full(len(cells.z), -np.inf)
    np.minimum.at(low, cells.piece_cell, cells.piece_z)
    np.maximum.at(high, cells.piece_cell, cells.piece_z)
    out = []
    for c in order:
        r = cells.frame.iloc[int(c)]
        settings = {name: float(r[name]) for name in PLANNABLE if np.isfinite(r[name])}
        found = Comparable(
            str(r["run"]), str(r["part"]), str(r["characteristic"]), float(r["day"]), str(r["setup"]),
            str(r["atmosphere"]), int(r["n"]), float(r["z"]), float(low[c]), float(high[c]), settings,
            float(nearness[c]), bool(asked.part) and r["part"] == asked.part,
        )  # fmt: skip
        out.append(found)
    return out


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
    z = history.cells.piece_z[mine]
    return Own(len(np.unique(history.piece_run[mine])), len(z), float(z.mean()), float(z.min()), float(z.max()))
