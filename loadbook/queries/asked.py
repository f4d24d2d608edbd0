"""What the cycles of runs ask for: a run keeps its asked settings with its trace, one without a chart keeps none."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loadbook.core.vocabulary.parameters import PLANNABLE

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from .source import Source

COLUMNS = ("run", "parameter", "value", "unit", "source", "se")


def by_cycles(source: Source, runs: pd.DataFrame, kept: pd.DataFrame, names: Sequence[str] = PLANNABLE) -> pd.DataFrame:
    """The asked settings that no run keeps and its cycle states, one row per run and parameter (COLUMNS).

    runs   run, cycle, cycle_revision, any number of rows a run
    kept   run, parameter of those that are kept;  names  the settings that are wanted
    """
    import pandas as pd

    wanted = set(names) & set(PLANNABLE)
    once = runs[["run", "cycle", "cycle_revision"]].drop_duplicates("run").astype("str")
    have = kept[kept["parameter"].isin(wanted)].drop_duplicates(["run", "parameter"])
    lacking = once["run"].map(have.groupby("run").size()).fillna(0).to_numpy() < len(wanted)
    found = []
    asking = list(once[lacking].groupby(["cycle", "cycle_revision"], dropna=True))
    planned_of = {}
    if asking:
        from loadbook.analysis.parameters.compute import asked_parameters
        from loadbook.store.run_records import load_cycle

        with source.cycles() as conn:
            planned_of = {key: asked_parameters(load_cycle(conn, *map(str, key))) for key, _ in asking}
    for key, some in asking:
        planned = planned_of[key]
        told = [(p.parameter, p.value, p.unit, "asked", np.nan) for p in planned if p.parameter in wanted]
        if told:
            rows = some[["run"]].merge(pd.DataFrame(told, columns=list(COLUMNS[1:])), how="cross")
            known = pd.MultiIndex.from_frame(have.loc[have["run"].isin(some["run"]), ["run", "parameter"]])
            found.append(rows[~pd.MultiIndex.from_frame(rows[["run", "parameter"]]).isin(known)])
    return pd.concat(found, ignore_index=True) if found else pd.DataFrame([], columns=list(COLUMNS))
