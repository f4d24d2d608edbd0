"""An answer in the drawing's terms: µm beside per cent, the share of pieces inside the tolerance, the bound in µm."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from loadbook.analysis.answers.inside import STARTS, Starts
from loadbook.analysis.answers.stock import bound_um
from loadbook.core.vocabulary.intake_kinds import FORM_KINDS

if TYPE_CHECKING:
    from loadbook.analysis.answers.cells import Asked
    from loadbook.analysis.answers.estimate import History, Reply
    from loadbook.analysis.answers.scale import Scale

    from .enquiry import Question, Subject
    from .history import Pieces

FARTHEST = 3.0  # standard deviations from the usual reading before that a given one counts as at most


@dataclass(frozen=True)
class Before:
    """Readings before that the answer starts from [µm]; of 'question' (--before), 'part' or 'kind'; usual: the median.

    For sizes they count from the middle of the limits, or from the only one; of 'middle' where that is not known.
    """

    um: np.ndarray
    usual: float | None
    of: str


def before(pieces: Pieces, about: Subject, question: Question) -> Before:
    """What pieces measure before the run: as asked, else as this part's did, else (a form error) as such parts' did."""
    form = about.kind in FORM_KINDS
    drawn, zero = (True, 0.0) if form else _middle(about, question)
    if zero is not None and question.before_mm is not None:
        value = (question.before_mm - zero) * 1000.0
        return Before(np.array([value]), value, "question")
    if not drawn or zero is None:
        return Before(np.zeros(1), None, "middle")
    frame = pieces.frame
    own = frame[(frame["part"] == about.part) & (frame["characteristic"] == about.characteristic)]
    rows, of = (own, "part") if len(own) or not form else (frame, "kind")
    values = (rows["before_mm"].to_numpy(dtype=float) - zero) * 1000.0
    values = values[np.isfinite(values)]
    if not len(values):
        return Before(np.zeros(1), None, "middle")
    return Before(values, float(np.median(values)), of)


def _middle(about: Subject, question: Question) -> tuple[bool, float | None]:
    """(do limits of the drawing say it, what the readings of a size count from [mm]): the middle of the limits, or the
    only one. A width of limits that the question names lies about the middle of both, else about the nominal; None
    where that is not known."""
    given = [limit for limit in (about.lower_mm, about.upper_mm) if limit is not None]
    if len(given) < (1 if question.tolerance_mm is None else 2):
        return False, about.nominal_mm if question.tolerance_mm is not None else None
    return True, sum(given) / len(given)


def limits_um(about: Subject, question: Question) -> tuple[float, float] | None:
    """(lower, upper) [µm] that the reading after is held to: a form error from zero, a size from its middle, or from
    its only limit."""
    if question.tolerance_mm is not None:
        wide = question.tolerance_mm * 1000.0
        return (-np.inf, wide) if about.kind in FORM_KINDS else (-wide / 2.0, wide / 2.0)
    if about.kind in FORM_KINDS:
        return None if about.upper_mm is None else (-np.inf, about.upper_mm * 1000.0)
    if about.lower_mm is None or about.upper_mm is None:
        if about.lower_mm is about.upper_mm:
            return None
        return (-np.inf, 0.0) if about.lower_mm is None else (0.0, np.inf)
    half = (about.upper_mm - about.lower_mm) * 500.0
    return (-half, half)


def in_tolerance(
    history: History, asked: Asked, reply: Reply, about: Subject, question: Question, start: Before
) -> dict[str, Any] | None:
    """Share of pieces inside the tolerance after the run, with a 90 % interval, and before it; None without limits."""
    limits = limits_um(about, question)
    starts = None if limits is None else starts_of(history, asked, about, question, start, limits)
    if limits is None or starts is None:
        return None
    found = history.inside(asked, reply, starts)
    inside_before = float(((start.um >= limits[0]) & (start.um <= limits[1])).mean())
    return {
        **{k: v for k, v in asdict(found).items() if k != "before"}, "confidence": 0.90,
        "before": inside_before if start.of in ("question", "part") else None, "from": start.of,
        "begins_um": start.usual if start.of == "question" else None,
        "lower_um": None if not np.isfinite(limits[0]) else limits[0],
        "upper_um": None if not np.isfinite(limits[1]) else limits[1],
    }  # fmt: skip


def starts_of(
    history: History, asked: Asked, about: Subject, question: Question, start: Before, limits: tuple[float, float],
    moved: bool = False,
) -> Starts | None:  # fmt: skip
    """Limits [µm] on the fitted scale, for each reading before that a piece may start from; None where they cannot be
    carried there.

    limits  of the reading after (see `limits_um`); moved: of the movement
    """
    log = about.scale == "log"
    if about.unit != "mm" or (log and start.usual is None):
        return None
    floor = 1e-6 if log else -np.inf
    if len(start.um) > STARTS:
        values = np.quantile(start.um, (np.arange(STARTS) + 0.5) / STARTS)
    else:
        values = np.sort(start.um)
    values = np.maximum(values, floor)
    low, high = (_on_scale(limit + values if moved else np.full(len(values), limit), values, about) for limit in limits)
    shift, narrow = np.zeros(len(values)), 1.0
    if start.of != "middle":
        zero = 0.0 if about.kind in FORM_KINDS else _middle(about, question)[1] or 0.0
        shift, narrow = _goes_with_start(history, asked, values + zero * 1000.0, about)
    return Starts(history.warp.all_to(low), history.warp.all_to(high), shift, narrow)


def _on_scale(limit_um: np.ndarray, before_um: np.ndarray, about: Subject) -> np.ndarray:
    """Limits of the reading after as movements on the working scale, for each reading before."""
    if about.scale == "log":
        with np.errstate(divide="ignore"):
            return np.asarray(100.0 * np.log(np.maximum(limit_um, 0.0) / before_um))
    room = limit_um - before_um
    return np.asarray(room / about.reference_length_mm * 100.0 if about.scale == "um per 100 mm" else room)


def _goes_with_start(
    history: History, asked: Asked, read_um: np.ndarray, about: Subject
) -> tuple[np.ndarray, float]:  # fmt: skip
    """What a reading before tells of the movement beside its part number: (shift of each start, what spread is left),
    in standard deviations, from the left-out scores of all pieces."""
    nothing = np.zeros(len(read_um)), 1.0
    series = history.series(asked)
    if history.before_um is None or series is None:
        return nothing
    told = history.before_um
    level = 100.0 * np.log(np.maximum(told, 1e-6)) if about.scale == "log" else told
    use = np.isfinite(level)
    code = history.cells.series[history.cells.piece_cell]
    many = np.bincount(code[use], minlength=history.cells.many)
    mean = np.bincount(code[use], weights=level[use], minlength=history.cells.many) / np.maximum(many, 1)
    u = np.where(use, level - mean[code], np.nan)
    df = int(use.sum()) - int((many > 0).sum())
    if df < 10 or many[series] < 2:
        return nothing
    sd = float(np.sqrt(np.nansum(u**2) / df))
    if not sd > 1e-9:
        return nothing
    e = history.scores(True).score / history.piece_factor(True)
    rho = float(np.corrcoef(e[use], u[use] / sd)[0, 1])
    rho = 0.0 if not np.isfinite(rho) else rho * df / (df + 30.0)
    starts = 100.0 * np.log(read_um) if about.scale == "log" else read_um
    away = np.clip((starts - mean[series]) / sd, -FARTHEST, FARTHEST)
    return rho * away, float(np.sqrt(1.0 - rho**2))


def in_um(
    history: History, pieces: Pieces, asked: Asked, reply: Reply, scale: Scale, start: Before
) -> dict[str, Any] | None:
    """The figures of a ratio kind in µm: interval and middle from the usual (or given) reading before, the bound from
    what before and change do together; None for other kinds."""
    if scale.name != "log" or start.usual is None or start.usual <= 0.0:
        return None
    told: dict[str, Any] = {
        name: scale.displayed(getattr(reply, name)) / 100.0 * start.usual for name in ("low", "median", "high")
    }
    told |= {"before": start.usual, "from": start.of, "bound": None, "bound_from": None}
    if np.isfinite(reply.bound):
        given = start.usual if start.of == "question" else None
        if pieces.paired:
            found = bound_um(history, pieces.frame, asked, reply, given)
            told |= {"bound": found.um, "bound_from": found.how}
        else:  # readings of a group come back sorted: the largest usual reading before keeps to the safe side
            far = given if given is not None else float(np.quantile(start.um, 0.95 if reply.bound > 0 else 0.05))
            told |= {"bound": scale.displayed(reply.bound) / 100.0 * far, "bound_from": "before"}
    return told
