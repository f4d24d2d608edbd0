"""When there is no answer: too few runs, part numbers or repeats, nothing that scatters, an atmosphere never run, or a
level that moved a few runs ago; and what to measure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from loadbook.core.remarks import Remark, remark

from .beyond import too_far
from .forward import REFUSED_UNTIL

if TYPE_CHECKING:
    from .cells import Asked, Cells
    from .design import Design
    from .fit import Fit

LEAST_RUNS = 8  # of the whole history, for a known part number
LEAST_DF = 4  # cells − part numbers, for a known part number
LEAST_PARTS = 3  # for a new part number
MOST_TIMES = 3.0  # an interval beyond what was run, over the range of all movements on record
EXACT = 1e-5  # a variance of runs and pieces below this share of the whole is rounding, not scatter


@dataclass(frozen=True)
class Refusal:
    """Why there is no answer, its figures saying what is missing; how many runs, pieces and part numbers there are."""

    why: Remark
    runs: int
    pieces: int
    parts: int


class History(Protocol):
    """What a refusal asks of a fitted history (estimate.History)."""

    @property
    def cells(self) -> Cells: ...
    @property
    def design(self) -> Design: ...
    @property
    def fit(self) -> Fit: ...
    @property
    def df2(self) -> int: ...
    @property
    def moved_since(self) -> int | None: ...
    def known(self, asked: Asked) -> bool: ...


def refusal(history: History, asked: Asked) -> Refusal | None:
    """Why this question cannot be answered from this history, or None."""
    why = _why(history, asked)
    c = history.cells
    return None if why is None else Refusal(why, c.runs, len(c.piece_z), c.parts)


def untold(cells: Cells, width: float) -> Refusal | None:
    """Beyond what was run: the refusal where the interval is so wide that it tells nothing.

    width  of the interval, on the working scale. Slopes from a few runs of some part numbers, turned back from a scale
    that bends, reach thousands of times further than any piece moved.
    """
    if width <= MOST_TIMES * float(np.ptp(cells.piece_told)):
        return None
    return Refusal(
        remark("beyond_untold", runs=cells.runs, times=MOST_TIMES), cells.runs, len(cells.piece_z), cells.parts
    )


def _why(history: History, asked: Asked) -> Remark | None:
    """The plainest reason first."""
    c, known = history.cells, history.known(asked)
    if float(np.ptp(c.piece_z)) == 0.0:
        return remark("no_scatter")
    if still(c):
        return remark("no_scatter_inside_parts")
    if known and c.runs < LEAST_RUNS:
        return remark("too_few_runs", runs=c.runs, needed=LEAST_RUNS)
    if known and history.df2 < LEAST_DF:
        return remark("too_few_repeats", runs=len(c.z), parts=c.many, repeats=history.df2, needed=LEAST_DF)
    if not known and c.parts < LEAST_PARTS:
        return remark("too_few_parts", parts=c.parts, needed=LEAST_PARTS, runs=LEAST_RUNS, repeats=LEAST_DF)
    if exact(history):
        return remark("computed_figures")
    atmosphere = history.design.new_levels(asked).get("atmosphere")
    if atmosphere is not None:
        return remark("atmosphere_never_run", atmosphere=atmosphere, run=sorted({*c.frame["atmosphere"]} - {""}))
    for name, (value, low, high) in too_far(history.design, asked).items():
        return remark("far_beyond", parameter=name, asked=value, low=low, high=high)
    since = history.moved_since if known else None
    if since is not None and since < REFUSED_UNTIL:
        return remark("level_moved", runs=since, needed=REFUSED_UNTIL - since)
    return None


def still(cells: Cells) -> bool:
    """Whether no piece moved otherwise than the others of its part number and characteristic."""
    series = cells.series[cells.piece_cell]
    if cells.many == len(cells.piece_z):
        return False  # one piece each: nothing was repeated
    first = cells.piece_z[np.unique(series, return_index=True)[1]]
    return float(np.max(np.abs(cells.piece_z - first[series]))) <= 1e-6 * float(np.max(np.abs(cells.piece_z)))


def exact(history: History) -> bool:
    """Whether part numbers and settings leave no scatter between runs and pieces."""
    return history.fit.run_var + history.fit.s2 <= EXACT * float(np.var(history.cells.z))
