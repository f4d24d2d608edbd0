"""Whether a question lies beyond what its part number was run at: by deviation, and by all settings together.

With d the deviations asked from the part number's own mean in standard deviations inside part numbers, C their
correlation inside part numbers (a tenth of it drawn to none) and n its own runs, a question is beyond where one
|d| exceeds 2.5·√(1 + 1/n), or √(d'C⁻¹d) exceeds 3.4·√(1 + 1/n). Four ordinary settings each stay inside 2.5 of their
spread nearly always, while each single run's own smallest and largest would flag most ordinary questions. Both limits
are those of a spread known for certain; one estimated from few runs has the wider limits of the same chance (Student's
t and Hotelling's T²), or every seventh ordinary question would be flagged at 18 runs of three part numbers.

What is answered beyond is fitted with own slopes and squares and widened half as much again, and has no bound: see
tests/trials/MEASURED.md for what such intervals held.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.special import chdtrc, fdtri, ndtr, stdtrit

from loadbook.analysis.trace.model import Floats

from .cells import Asked, OwnSlopes, Slopes, Term
from .design import Design

ONE, TOGETHER = 2.5, 3.4  # of a spread that is known
WIDER = 1.5
TOO_FAR = 8.0  # deviations from which the rule of widening was never tried: refused
SAME = 0.005  # settings that never varied are the same within this share of their size


@dataclass(frozen=True)
class Beyond:
    """What lies beyond. settings: name -> (asked, lowest run, highest run); together: only their combination does."""

    settings: dict[str, tuple[float, float, float]]
    together: bool = False

    def __bool__(self) -> bool:
        return bool(self.settings) or self.together


NOTHING = Beyond({})


def beyond(design: Design, asked: Asked) -> Beyond:
    """What of a question lies beyond the history of its part number (of a new one: of all)."""
    cells = design.cells
    series = design.series_of.get((asked.part or "", asked.characteristic or ""))
    settings = {}
    for name, value in asked.settings.items():
        if name not in cells.frame or (series is not None and name in design.active):
            continue
        run = cells.frame[name].to_numpy(dtype=float)
        run = run[np.isfinite(run) & ((cells.series == series) | (series is None))]
        near = max(SAME * abs(value), _of_kind(design, name) if series is None else 0.0)
        if len(run) and not run.min() - near <= value <= run.max() + near:
            settings[name] = (float(value), float(run.min()), float(run.max()))
    if series is None or not design.active:
        return Beyond(settings)
    own = cells.series == series
    room = float(np.sqrt(1.0 + 1.0 / max(len(np.unique(cells.run[own])), 1)))
    d = design.columns(asked)["settings within part"]
    df = len(cells.z) - cells.many
    for k in np.flatnonzero(np.abs(d) > _one(df) * room):
        name = design.active[int(k)]
        run = cells.frame[name].to_numpy(dtype=float)[own]
        run = run[np.isfinite(run)]
        settings[name] = (float(asked.settings[name]), float(run.min()), float(run.max()))
    D = next(t for t in design.terms if isinstance(t, Slopes) and t.name == "settings within part").columns
    C = 0.9 * _correlation(D) + 0.1 * np.eye(len(d))
    far = float(np.sqrt(max(float(d @ np.linalg.solve(C, d)), 0.0)))
    return Beyond(settings, not settings and far > _together(len(d), df) * room)


def _one(df: float) -> float:
    """What one setting's deviation exceeds as rarely as a known spread is exceeded ONE times.

    >>> [round(_one(df), 2) for df in (5, 15, 48, 100_000)]
    [3.82, 2.84, 2.6, 2.5]
    """
    return float(stdtrit(max(df, 1.0), float(ndtr(ONE))))


def _together(many: int, df: float) -> float:
    """The same of the distance of all settings together.

    >>> [round(_together(4, df), 2) for df in (5, 15, 48, 100_000)]
    [21.68, 4.67, 3.7, 3.4]
    """
    left = max(df - many + 1.0, 1.0)
    reached = float(fdtri(float(many), left, 1.0 - float(chdtrc(float(many), TOGETHER**2))))
    return float(np.sqrt(many * max(df, 1.0) / left * reached))


def too_far(design: Design, asked: Asked) -> dict[str, tuple[float, float, float]]:
    """Settings so far beyond the part number's own that no rule was tried there: name -> (asked, lowest, highest)."""
    d = design.columns(asked)["settings within part"]
    far = {name for name, value in zip(design.active, d, strict=True) if abs(value) > TOO_FAR}
    return {name: told for name, told in beyond(design, asked).settings.items() if name in far}


def _of_kind(design: Design, name: str) -> float:
    """How far beyond all that was run a new part number may lie: what another part number may well be run at."""
    means = design.series_mean[name]
    known = means[np.isfinite(means)]
    if name not in design.between_at or len(known) < 2:
        return 0.0
    middle, apart = design.between_at[name]
    room = _one(len(known) - 1.0) * float(
        np.sqrt(1.0 + 1.0 / len(known)) * np.hypot(apart, design.within_sd.get(name, 0.0))
    )
    run = design.cells.frame[name].to_numpy(dtype=float)
    return max(room - float(min(np.nanmax(run) - middle, middle - np.nanmin(run))), 0.0)


def _correlation(D: Floats) -> Floats:
    size = np.sqrt((D**2).sum(axis=0))
    return np.asarray((D.T @ D) / np.outer(size, size), dtype=np.float64)


def wider_terms(design: Design) -> list[Term]:
    """The model's terms with own slopes of each part number and squares of the settings beside."""
    D = next(t for t in design.terms if isinstance(t, Slopes) and t.name == "settings within part").columns
    series, many = design.cells.series, design.cells.many
    k = D.shape[1]
    at = series[:, None] * k + np.arange(k)
    own = sparse.csr_array((D.ravel(), at.ravel(), np.arange(len(D) + 1) * k), shape=(len(D), many * k))
    square = D**2 - (D**2).mean(axis=0)
    return [*design.terms, OwnSlopes("own slopes", own), Slopes("squares", square)]


def wider_columns(design: Design, asked: Asked) -> dict[str, Floats]:
    """The question's columns under `wider_terms`."""
    out = design.columns(asked)
    d = out["settings within part"]
    series = design.series_of.get((asked.part or "", asked.characteristic or ""))
    own = np.zeros(design.cells.many * len(d))
    if series is not None:
        own[series * len(d) : (series + 1) * len(d)] = d
    D = next(t for t in design.terms if isinstance(t, Slopes) and t.name == "settings within part").columns
    return {**out, "own slopes": own, "squares": d**2 - (D**2).mean(axis=0)}
