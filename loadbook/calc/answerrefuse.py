"""When there is no answer: too few runs, part numbers or repeats, or nothing that scatters; and what to measure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from loadbook.calc.answercells import Asked, Cells
    from loadbook.calc.answers import History

LEAST_RUNS = 8  # of the whole history, for a known part number
LEAST_DF = 4  # cells − part numbers, for a known part number
LEAST_PARTS = 6  # for a new part number
EXACT = 1e-5  # a variance of runs and pieces below this share of the whole is rounding, not scatter
RESOLVE = "Measure with a gauge that resolves the movement."


@dataclass(frozen=True)
class Refusal:
    """Why there is no answer, and how many runs, degrees of freedom or part numbers are missing."""

    reason: str
    need: str
    runs: int
    pieces: int
    parts: int


def refusal(history: History, asked: Asked) -> Refusal | None:
    """Why this question cannot be answered from this history, or None."""
    told = _why(history, asked)
    c = history.cells
    return None if told is None else Refusal(*told, c.runs, len(c.piece_z), c.parts)


def _why(history: History, asked: Asked) -> tuple[str, str] | None:
    """(reason, need), the plainest first."""
    c, known = history.cells, history.known(asked)
    if float(np.ptp(c.piece_z)) == 0.0:
        return "every movement recorded is the same, so nothing can be told about how far pieces spread", RESOLVE
    if still(c):
        return (
            "every piece of each part number moved the same, to the last digit, so nothing can be told about how far "
            "pieces spread"
        ), RESOLVE
    if known and c.runs < LEAST_RUNS:
        return (
            f"only {_many(c.runs, 'run')} on record; a known part number needs {LEAST_RUNS}",
            f"Measure before and after on {_many(LEAST_RUNS - c.runs, 'more run')} of this kind.",
        )
    if known and history.df2 < LEAST_DF:
        return (
            f"{_many(len(c.z), 'run')} of {_many(c.many, 'part number')}: only {history.df2} repeat a part number, "
            f"and {LEAST_DF} are needed to tell how runs of one part number differ",
            f"Measure {_many(LEAST_DF - history.df2, 'more run')} of part numbers that are on record already.",
        )
    if not known and c.parts < LEAST_PARTS:
        return (
            f"only {_many(c.parts, 'part number')} on record; a new one needs {LEAST_PARTS} to be judged by",
            f"Measure {_many(LEAST_PARTS - c.parts, 'more part number')} of this kind, or run this part "
            f"itself: {LEAST_RUNS} runs in all with {LEAST_DF} repeats make it a known part number.",
        )
    if exact(history):
        return (
            "the movements follow part number and settings to the last digit: measured figures scatter, so these were "
            "computed, or the gauge is too coarse",
            "Look at where the readings come from.",
        )
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


def _many(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"
