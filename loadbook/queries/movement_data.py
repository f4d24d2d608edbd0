"""What `moved` and `effect` read: the view `movement` under the filters, and the parameters of its runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from loadbook.core.errors import NotFoundError
from loadbook.core.remarks import Remark, remark
from loadbook.core.vocabulary.parameters import PLANNABLE

from .asked import by_cycles
from .filters import unknown_words
from .source import Source, not_too_many, own_parts, source_of
from .where import of_movement

if TYPE_CHECKING:
    import pandas as pd

    from loadbook.store.book import BookFolder

    from .filters import Filters


def _nothing() -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(columns=["run", "parameter", "value", "unit", "source", "se"])


@dataclass
class MovementData:
    """The rows that a question is about.

    frame        the view `movement`, filtered
    parameters   run, parameter, value, unit, source, se (standard error, where known): one row per run and
                 parameter; achieved (trace, else stated) or, where `asked`, what the cycle or the program asked for
    unmeasured   pieces of the filtered runs without any reading
    believed     (rows of frame,) whether a person said that its reading is no blunder
    left_out     plants of a group that were left out
    broken       runs whose cycle was broken
    asked_parameters  the same columns, what the cycle or the program asked for; empty where that is in parameters
    """

    frame: pd.DataFrame
    parameters: pd.DataFrame
    unmeasured: int
    believed: np.ndarray
    left_out: tuple[str, ...] = ()
    asked_parameters: pd.DataFrame = field(default_factory=_nothing)
    broken: frozenset[str] = frozenset()

    def units(self) -> dict[str, str]:
        """Unit of each parameter, as kept inside."""
        rows = self.parameters.drop_duplicates("parameter")
        return dict(zip(rows["parameter"], rows["unit"], strict=True))

    def shown_or_asked(self) -> pd.DataFrame:
        """What runs achieved, and where nothing shows it what they were asked for (source 'asked')."""
        import pandas as pd

        if self.asked_parameters.empty:
            return self.parameters
        return pd.concat([self.parameters, self.asked_parameters]).drop_duplicates(["run", "parameter"])


# what every calculation reads; treatment columns come on top of these
COLUMNS = (
    "run", "started", "process", "part", "serial", "characteristic", "kind", "side", "scale", "unit", "setup",
    "atmosphere", "position", "before_mm", "after_mm", "nominal_mm", "lower_mm", "upper_mm", "movement_mm",
    "movement_um", "movement_um_per_100mm", "gauge", "expanded_uncertainty_mm", "below_gauge", "way", "corrected_20c",
    "before_scatter_mm", "after_scatter_mm", "repeats", "set_aside", "cycle", "cycle_revision",
)  # fmt: skip


SEVERAL_GAUGES = 0.1  # share of movements read with more than one gauge, from which on it is said


def gauges_apart(frame: pd.DataFrame) -> list[Remark]:
    """Where many movements were read with one gauge before and another after: what these differ by counts as movement.

    frame  movements with `gauge` as the view has it: two names where there were two
    """
    if not len(frame):
        return []
    several = frame["gauge"].astype("string").str.contains("; ", regex=False).fillna(False).to_numpy(dtype=bool)
    if several.sum() <= SEVERAL_GAUGES * len(frame):
        return []
    pair = str(frame.loc[several, "gauge"].mode().iloc[0])
    return [remark("gauges_apart", movements=int(several.sum()), of=len(frame), gauges=pair.split("; ")[:2])]


def load(
    asked_of: BookFolder | Source,
    filters: Filters,
    asked: bool = False,
    also: Sequence[str] = (),
    parameters: Sequence[str] | None = None,
) -> MovementData:
    """Read the rows of a question; `also` names further columns of the view (names it does not have are left out).

    parameters  the parameters that the question is about (None: all that the book has)
    Raises UsageError for a filter that does not apply, NotFoundError where no reading fits.
    """

    import pandas as pd

    source = source_of(asked_of)
    plain = filters.without_where()
    needs = {"movement", "pieces", "parameter", "confirmation", "reading", "run_verdict"}
    with source.records(needs) as records:
        columns = records.columns("movement")
        where, values = source.condition(plain, columns)
        names = list(dict.fromkeys([*COLUMNS, *(c for c in ("plant", *also) if c in columns)]))
        not_too_many(records, where, values, "Ask for less: --part, --family, --kind, --process or --since")
        unmeasured = None if filters.where else _unmeasured(source, records.columns("pieces"), plain)
        rows = f"SELECT {', '.join(names)} FROM movement WHERE {where}"
        kinds = records.enumerations(rows, values, but=("serial",))
        listed = ", ".join(f"CAST({name} AS {kinds[name]}) AS {name}" if name in kinds else name for name in names)
        frame = records.frame(
            f"SELECT {listed} FROM ({rows}) ORDER BY started, run, part, serial, characteristic", values
        )
        if filters.where is not None:
            frame = of_movement(source, filters.where, frame)
        figures = records.frame(*_parameters(asked, parameters))
        planned = _nothing() if asked else records.frame(*_parameters(True, parameters))
        counted = records.table(*unmeasured)[1][0] if unmeasured else (0,)
        believed = records.frame(BELIEVED)
        broken = frozenset(r[0] for r in records.table("SELECT run FROM run_verdict WHERE verdict = 'broken'")[1])
    if frame.empty:
        told = ", ".join(f"--{k} {v}" for k, v in source.given(filters).items()) or f"the whole {source.name}"
        unknown = unknown_words(source.words, filters, source.name)
        raise NotFoundError(f"no readings for {told}", remedy=unknown or source.where_to_look)
    runs = frame["run"].unique()
    figures, planned = _of_runs(figures, runs), _of_runs(planned, runs)
    kept = figures if asked else planned
    more = by_cycles(source, frame, kept, PLANNABLE if parameters is None else parameters)
    if len(more):
        kept = pd.concat([kept, more], ignore_index=True) if len(kept) else more
        figures, planned = (kept, planned) if asked else (figures, kept)
    refused = believed_rows(frame, believed)
    return MovementData(frame, figures, int(counted[0]), refused, source.left_out, planned, broken)


def _of_runs(figures: pd.DataFrame, runs: Any) -> pd.DataFrame:
    once = figures.drop_duplicates(["run", "parameter"])
    return once.loc[once["run"].isin(runs)].reset_index(drop=True)


# the readings that a person said are no blunder
BELIEVED = (
    "SELECT DISTINCT r.run, r.part, r.serial, r.characteristic FROM"
    " (SELECT c.reading_id, c.decision FROM confirmation AS c WHERE c.subject = 'reading'"
    " QUALIFY row_number() OVER (PARTITION BY c.reading_id ORDER BY c.confirmation_id DESC) = 1) AS d"
    " JOIN reading AS r ON r.reading_id = d.reading_id WHERE d.decision = 'refused'"
)


def believed_rows(frame: pd.DataFrame, believed: pd.DataFrame) -> np.ndarray:
    """(rows,) which movements are among the readings of BELIEVED. frame: run, part, serial, characteristic, (plant)"""
    import pandas as pd

    if believed.empty:
        return np.zeros(len(frame), dtype=np.bool_)
    keys = ["run", "part", "serial", "characteristic"]
    rows = frame[keys].assign(part=own_parts(frame))
    return np.asarray(pd.MultiIndex.from_frame(rows).isin(pd.MultiIndex.from_frame(believed[keys])))


def _parameters(asked: bool, names: Sequence[str] | None) -> tuple[str, Sequence[str]]:
    """The query for parameters of runs as a whole, asked or achieved, of these names: what the trace shows stands
    before what was stated."""
    sources = "source = 'asked'" if asked else "source IN ('trace', 'stated')"
    chosen = "true" if names is None else f"parameter IN ({', '.join('?' * len(names))})"
    return (
        f"SELECT run, parameter, value, unit, source, se FROM parameter WHERE channel IS NULL AND {sources}"
        f" AND ({chosen}) ORDER BY run, parameter, source DESC",
        names or (),
    )


def _unmeasured(source: Source, columns: set[str], filters: Filters) -> tuple[str, list[object]] | None:
    """The query for pieces of the same runs and parts without any reading: leaving them out would flatter.

    None where a filter is on what such pieces do not have (characteristics), or free. columns: of the view `pieces`
    """
    if any(name not in columns and name not in ("since", "until") for name in filters.given()):
        return None
    where, values = source.condition(filters, columns)
    # the readings of a group name a plant's own part number
    told = "substr(p.part, 1, length(p.plant) + 1) = p.plant || '/'"
    part = f"CASE WHEN {told} THEN p.part ELSE p.plant || '/' || p.part END" if source.plants else "p.part"
    return (
        f"SELECT coalesce(sum(p.quantity), 0) FROM (SELECT * FROM pieces WHERE {where}) AS p"
        f" ANTI JOIN reading AS r ON r.run = p.run AND r.part = {part} AND r.serial = p.serial WHERE p.status = 'done'",
        values,
    )
