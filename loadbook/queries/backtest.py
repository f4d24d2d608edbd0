"""How often would the answers of the past have been right: in closed form, and by what was measured since."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from loadbook.analysis.answers import backtest as calc
from loadbook.analysis.answers.cells import THICK, THIN
from loadbook.analysis.answers.estimate import History
from loadbook.analysis.answers.refusal import LEAST_DF
from loadbook.core.errors import CalculationError, NotFoundError
from loadbook.core.figures import shown
from loadbook.core.vocabulary.intake_kinds import KEPT_ONLY_KINDS

from . import history as answerdata
from . import kept_answers
from .filters import Filters, unknown_words, words_in
from .result import TableResult

if TYPE_CHECKING:
    import pandas as pd

    from loadbook.store.book import BookFolder

COLUMNS = (
    "process", "kind", "what", "group", "content", "held", "held_low", "held_high", "runs", "pieces", "parts", "note",
)  # fmt: skip
CONTENTS = (0.90, 0.95)
LEAST_PARTS = 6  # part numbers to leave out in turn


@dataclass
class Backtest(TableResult):
    """Coverage tables.

    table     one row per process, kind, what ('known', 'new', 'saved answers', 'saved bounds'), group ('all', a spread
              class, 'last fifth of the dates') and content; held_low, held_high: 95 % binomial interval by runs
    warnings  sentences
    """

    table: pd.DataFrame
    warnings: list[str] = field(default_factory=list)


def backtest(book: BookFolder, filters: Filters | None = None, contents: Iterable[float] = CONTENTS) -> Backtest:
    """Back-tests of every process and kind that the filters leave, and the live score of saved answers.

    Also links saved answers with what was measured since. Raises NotFoundError where no movement fits.
    """
    import pandas as pd

    filters = filters or Filters()
    source = answerdata.load(book, filters)
    strata = source.strata()
    if not strata:
        remedy = unknown_words(words_in(book.read()), filters) or "loadbook moved shows what is set aside, and why"
        raise NotFoundError("no movement on record fits", remedy=remedy)
    kept_answers.link(book, source if not filters.given() else answerdata.load(book))
    rows: list[dict[str, Any]] = []
    for process, kind in strata:
        if kind in KEPT_ONLY_KINDS:
            continue
        rows += _stratum(source, process, kind, tuple(contents), book.units)
    rows += _live(book, strata)
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    warnings = ["Coverage is an average over part numbers and runs, not a promise for each."]
    return Backtest(table, warnings)


def _stratum(
    source: answerdata.Measured, process: str, kind: str, contents: tuple[float, ...], system: str
) -> list[dict[str, Any]]:
    pieces = source.pieces(process, kind)
    base = {"process": process, "kind": kind}
    try:
        history = History(pieces.frame, source.breaks, source.extra)
        c = history.cells
        counts = {"runs": c.runs, "pieces": len(c.piece_z), "parts": c.parts}
        if len(c.z) < 3 or history.df2 + c.parts < 3:
            raise CalculationError(f"{len(c.z)} means of a run and part number are too few")
        _ = history.fit
    except CalculationError as exc:
        empty = {
            "runs": pieces.frame["run"].nunique(),
            "pieces": len(pieces.frame),
            "parts": pieces.frame["part"].nunique(),
        }
        return [{**base, "what": "known", "group": "all", **empty, "note": f"no back-test: {exc.what}"}]
    out: list[dict[str, Any]] = []
    for known in (True, False):
        what = "known" if known else "new"
        groups = history.scores(known).groups
        for content in contents:
            head = {**base, "what": what, "group": "all", "content": content, **counts}
            needed = calc.groups_needed(content) if known else LEAST_PARTS
            name = "runs" if known else "part numbers"
            if groups - 1 < needed:
                note = f"no back-test: {groups} {name}, {needed + 1} are needed to leave one out"
                out.append({**head, "note": note})
                continue
            thin = "too few repeats of a part number to answer from" if known and history.df2 < LEAST_DF else ""
            names = _class_names(history.edge, system)
            found = _groups(history, known, content)
            out += [{**head, **f, "group": names.get(f["group"], f["group"]), "note": thin} for f in found]
    return out


def _class_names(edge_mm: float | None, system: str) -> dict[str, str]:
    """The spread classes with the section that parts them, in the reader's units."""
    if edge_mm is None:
        return {}
    edge = shown(edge_mm, "mm", system)
    return {THICK: f"{THICK}, over {edge}", THIN: f"{THIN}, up to {edge}"}


def _groups(history: History, known: bool, content: float) -> list[dict[str, Any]]:
    """All, each spread class, and the last fifth of the dates."""
    part = history.cells.part[history.cells.piece_cell]
    day = history.cells.frame["day"].to_numpy(dtype=float)[history.cells.piece_cell]
    edge = float(np.quantile(np.unique(day), 0.8))
    masks = {"all": np.ones(len(part), dtype=bool)}
    classes = np.array(history.piece_class, dtype=object)
    if len(set(classes)) > 1:
        masks |= {str(name): classes == name for name in sorted(set(classes))}
    masks["last fifth of the dates"] = day > edge
    out = []
    for name, mask in masks.items():
        if not mask.any():
            continue
        found = history.coverage(known, content, np.flatnonzero(mask))
        out.append(
            {"group": name, "held": found.held, "held_low": found.low, "held_high": found.high, "runs": found.runs,
             "pieces": found.pieces, "parts": len(np.unique(part[mask]))}
        )  # fmt: skip
    return out


def _live(book: BookFolder, strata: list[tuple[str, str]]) -> list[dict[str, Any]]:
    """The score of saved answers, by process, kind and content; each run counts once per answer."""
    rows = book.read().execute(
        "SELECT a.question, a.part, o.* FROM answer_outcome AS o JOIN answer AS a USING (answer_id)"
    )
    found: dict[tuple[str, str, float], list[Any]] = {}
    for row in rows:
        asked = json.loads(row["question"])
        if (asked["process"], asked["kind"]) in strata:
            found.setdefault((asked["process"], asked["kind"], float(asked["content"])), []).append(row)
    out = []
    for (process, kind, content), some in sorted(found.items()):
        for what, column, nominal in (("saved answers", "inside", content), ("saved bounds", "within_bound", 0.95)):
            by_run: dict[str, list[float]] = {}
            for r in some:
                by_run.setdefault(r["run"], []).append(r[column] / r["pieces"])
            shares = [float(np.mean(v)) for v in by_run.values()]
            low, high = calc.binomial_interval(sum(shares), len(shares))
            out.append(
                {"process": process, "kind": kind, "what": what, "group": "all", "content": nominal,
                 "held": float(np.mean(shares)), "held_low": low, "held_high": high, "runs": len(shares),
                 "pieces": sum(r["pieces"] for r in some), "parts": len({r["part"] for r in some}),
                 "note": f"{len({r['answer_id'] for r in some})} answers measured since"}
            )  # fmt: skip
    return out
