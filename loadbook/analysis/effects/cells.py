"""Means per run and part number, and the parameters and factors beside them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from loadbook.analysis.quantiles import Codes, Floats, codes_of

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Column:
    """One parameter beside the cells: values (n,), NaN where the run does not have it.

    unit      as kept in the book ('c_per_h', 'min', ...);  '' for an indicator such as setup 'hung' against 'laid'
    against   for an indicator: what it is compared with;  level  its own level ('hung'), None for a parameter
    stated    share of the values that a person read off a paper chart
    se        (n,) standard error of each value, NaN where it is not known; None: of none
    """

    name: str
    values: Floats
    unit: str = ""
    against: str | None = None
    stated: float = 0.0
    se: Floats | None = None
    level: str | None = None

    @property
    def factor(self) -> str:
        """The factor that an indicator belongs to, or the parameter's name."""
        return self.name if self.level is None else self.name.removesuffix(f": {self.level}")


@dataclass(frozen=True)
class Cells:
    """Means per run and part number, as arrays of equal length.

    y        (n,) mean movement [unit of the working scale];  pieces  (n,) pieces behind it
    run      (n,) codes into runs;  part  (n,) codes into parts;  group  (n,) part and characteristic
    day      (n,) calendar day of the run
    """

    y: Floats
    pieces: Codes
    run: Codes
    part: Codes
    group: Codes
    day: Floats
    runs: tuple[str, ...]
    parts: tuple[str, ...]

    @cached_property
    def run_codes(self) -> tuple[Codes, int]:
        """The run of each cell among the runs that are here, from 0, and how many there are."""
        return codes_of(self.run)

    @cached_property
    def group_codes(self) -> tuple[Codes, int]:
        """The same of groups."""
        return codes_of(self.group)

    def take(self, rows: Codes) -> Cells:
        """The same with some rows only (codes stay those of runs and parts)."""
        return Cells(
            self.y[rows], self.pieces[rows], self.run[rows], self.part[rows], self.group[rows], self.day[rows],
            self.runs, self.parts,
        )  # fmt: skip


def cells_of(pieces: pd.DataFrame, value: str = "y", split: Sequence[str] = ()) -> tuple[Cells, pd.DataFrame]:
    """Means per run and part number (and characteristic, and each column of `split`, such as setup).

    pieces   one row per piece: run, part, characteristic, started, `value`, and the columns of split
    Returns  the cells, and a frame of run, part, characteristic and split, row for row beside them
    """
    import pandas as pd

    rows = pieces[pieces[value].notna()]
    keys = ["run", "part", "characteristic", *split]
    codes, count = codes_of(*[rows[k] for k in keys])
    first = np.full(count, len(rows), dtype=np.intp)
    np.minimum.at(first, codes, np.arange(len(rows), dtype=np.intp))
    n = np.bincount(codes, minlength=count)
    total = np.bincount(codes, weights=rows[value].to_numpy(dtype=np.float64), minlength=count)
    y = total / np.maximum(n, 1)
    head = rows[[*keys, "started"]].iloc[first].reset_index(drop=True)
    head = head.astype(dict.fromkeys(keys, "str"))
    run, runs = pd.factorize(head["run"])
    part, parts = pd.factorize(head["part"])
    group, _ = codes_of(part, head["characteristic"])
    day = days_of(head["started"])
    cells = Cells(y, n.astype(np.intp), run, part, group, day, tuple(runs), tuple(parts))
    return cells, head[keys]


def days_of(started: pd.Series) -> Floats:
    """Calendar days since the earliest of the moments (UTC text as kept, or timestamps)."""
    import pandas as pd

    if not len(started):
        return np.zeros(0, dtype=np.float64)
    moments = pd.to_datetime(started, utc=True, format="ISO8601").dt.tz_localize(None)
    seconds = moments.astype("datetime64[s]").astype("int64").to_numpy().astype(np.float64)
    return np.asarray((seconds - seconds.min()) / 86400.0, dtype=np.float64)


def indicators(labels: pd.Series, name: str) -> list[Column]:
    """One 0/1 column per level of a factor (setup, atmosphere) against its most frequent level."""
    text = labels.astype("string")
    counts = text.value_counts()
    if len(counts) < 2:
        return []
    base = str(counts.index[0])
    known = text.notna().to_numpy()
    out = []
    for level in counts.index[1:]:
        values = np.where(known, (text == level).fillna(False).to_numpy(dtype=np.float64), np.nan)
        # compared with the base level only: pieces of a third level are left out of this column
        values = np.where(known & ((text == level) | (text == base)).fillna(False).to_numpy(), values, np.nan)
        out.append(Column(f"{name}: {level}", values, "", against=base, level=str(level)))
    return out


def matrix(columns: Sequence[Column]) -> Floats:
    """The columns side by side, (n, k)."""
    return np.column_stack([c.values for c in columns])


def columns_of(
    head: pd.DataFrame, parameters: pd.DataFrame, units: Mapping[str, str], names: Sequence[str]
) -> list[Column]:
    """The parameters of each cell's run.

    head        frame with run, row for row beside the cells
    parameters  frame run, parameter, value, source (one row per run and parameter)
    """
    out = []
    for name in names:
        rows = parameters[parameters["parameter"] == name]
        by_run = rows.drop_duplicates("run").set_index("run")
        values = head["run"].map(by_run["value"]).to_numpy(dtype=np.float64)
        stated = head["run"].map(by_run["source"] == "stated")
        known = ~np.isnan(values)
        share = float(stated[known].astype(float).mean()) if known.any() else 0.0
        se = head["run"].map(by_run["se"]).to_numpy(dtype=np.float64) if "se" in by_run else None
        out.append(Column(name, values, units.get(name, ""), stated=share, se=se))
    return out
