"""The history that answers, back-tests and trials work on: one process and one kind at a time."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np

from loadbook.analysis.answers.cells import Break
from loadbook.analysis.movement import blunders
from loadbook.analysis.movement import scale as movement
from loadbook.core import times
from loadbook.core.errors import UsageError
from loadbook.core.vocabulary.parameters import PLANNABLE

from .asked import by_cycles
from .enquiry import conditions
from .filters import Filters
from .movement_data import BELIEVED, believed_rows
from .source import BookSource, Records, Source, not_too_many, source_of
from .where import of_movement

if TYPE_CHECKING:
    import pandas as pd

    from loadbook.store.book import BookFolder

NEEDS = {"movement", "run_parameter", "history_break", "furnace", "confirmation", "reading"}
COLUMNS = (
    "run", "started", "furnace", "cycle", "cycle_revision", "process", "part", "serial", "material", "family", "shape",
    "condition", "setup", "atmosphere", "job", "heat_number", "section_thick_mm", "characteristic", "kind", "side",
    "scale", "unit", "reference_length_mm", "before_mm", "after_mm", "movement_mm", "movement_um",
    "movement_um_per_100mm", "gauge", "expanded_uncertainty_mm", "below_gauge", "before_scatter_mm", "after_scatter_mm",
    "repeats", "set_aside",
)  # fmt: skip
NO_PROCESS = "process not recorded"


@dataclass
class Pieces:
    """Pieces of one process and kind, as `analysis.answers` wants them, and what is counted beside them.

    frame       run, part, characteristic, z, day, labels, section_mm, plannable settings; also job, serial, cycle
    set_aside   reason -> pieces;  flagged (pieces,) which readings look like blunders
    achieved    share of the settings that are what was achieved or stated, because nothing asked is on record
    below_gauge share of movements smaller than their gauge's uncertainty (0 where no gauge is recorded)
    gauge_um    typical expanded uncertainty of a movement [µm], NaN where not recorded
    """

    process: str
    kind: str
    scale: str
    unit: str
    frame: pd.DataFrame
    set_aside: dict[str, int]
    flagged: np.ndarray
    achieved: float
    below_gauge: float
    gauge_um: float
    paired: bool = True  # before_mm is each piece's own


@dataclass
class Measured:
    """All movement that answers need, read once. extra: further groupings of the model, such as plant; zone: of the
    clocks that its dates are told on; parts: the book's records of parts and materials, None of a group."""

    movement: pd.DataFrame
    breaks: tuple[Break, ...]
    extra: tuple[str, ...] = ()
    zone: ZoneInfo = field(default_factory=lambda: times.zone_of("UTC"))
    parts: sqlite3.Connection | None = None

    def processes(self, kind: str, part: str | None = None) -> list[str]:
        """Processes with readings of a kind (of one part), most runs first."""
        rows = self.movement[self.movement["kind"] == kind]
        if part is not None:
            rows = rows[rows["part"] == part]
        return [str(p) for p in rows.groupby("process")["run"].nunique().sort_values(ascending=False).index]

    def strata(self) -> list[tuple[str, str]]:
        """(process, kind) pairs with any movement that is not set aside."""
        rows = self.movement[self.movement["set_aside"].isna()]
        return sorted({(str(p), str(k)) for p, k in zip(rows["process"], rows["kind"], strict=True)})

    def pieces(self, process: str, kind: str, scale: str | None = None) -> Pieces:
        """The pieces of one process and kind on one working scale (None: the kind's most frequent)."""
        m = self.movement
        rows = m[(m["process"] == process) & (m["kind"] == kind)].reset_index(drop=True)
        if scale is None:
            scale = str(rows["scale"].mode().iloc[0]) if len(rows) else "um"
        if len(rows) == 0:
            empty = rows.assign(z=np.zeros(0), day=np.zeros(0))
            return Pieces(process, kind, scale, "um", empty, {}, np.zeros(0, dtype=bool), 0.0, 0.0, float("nan"))
        rows = movement.with_value(rows.assign(scale=scale))
        reasons = rows["set_aside"].dropna().value_counts()
        kept = rows[rows["y"].notna()].reset_index(drop=True)
        out = kept.assign(z=kept["y"], day=days(kept["started"]), section_mm=kept["section_thick_mm"])
        flagged = (
            blunders.flagged_rows(kept) & ~kept["believed"].to_numpy(dtype=bool) if len(kept) else np.zeros(0, bool)
        )
        asked = kept[[f"{name}_asked" for name in PLANNABLE]].to_numpy(dtype=bool)
        known = kept[list(PLANNABLE)].notna().to_numpy()
        gauge = kept["expanded_uncertainty_mm"].to_numpy(dtype=float) * 1000.0
        return Pieces(
            process, kind, scale, str(kept["unit"].iloc[0]) if len(kept) else "um", out,
            {str(k): int(v) for k, v in reasons.items()}, np.asarray(flagged, dtype=bool),
            float((~asked[known]).mean()) if known.any() else 0.0,
            float(kept["below_gauge"].fillna(False).astype(float).mean()) if len(kept) else 0.0,
            float(np.nanmedian(gauge)) if np.isfinite(gauge).any() else float("nan"),
        )  # fmt: skip


def days(started: pd.Series) -> np.ndarray:
    """Days since 1970-01-01 (UTC) of a column of moments."""
    return np.asarray(started.astype("datetime64[s]").astype("int64"), dtype=float) / 86400.0


def day_of(text: str) -> float:
    """Days since 1970-01-01 of an ISO date (its noon)."""
    date = times.parse_date(text)
    return datetime(date.year, date.month, date.day, 12, tzinfo=UTC).timestamp() / 86400.0


def date_of(day: float, zone: ZoneInfo) -> str:
    """The ISO date of a moment in days since 1970-01-01 (UTC), on the shop's calendar.

    >>> date_of(20513.96, times.zone_of("UTC")), date_of(20513.96, times.zone_of("Europe/Vienna"))
    ('2026-03-01', '2026-03-02')
    """
    return datetime.fromtimestamp(day * 86400.0, tz=zone).date().isoformat()


def load(asked_of: BookFolder | Source, filters: Filters | None = None, kind: str | None = None) -> Measured:
    """Read movement with the plannable settings of its runs (asked; else achieved or stated, marked so) and the breaks.

    kind  only this kind of characteristic
    """
    source = source_of(asked_of)
    with source.records(NEEDS) as records:
        found = _read(source, records, filters or Filters(), kind)
    _ask_the_cycles(source, found.movement)
    return found


def _ask_the_cycles(source: Source, frame: pd.DataFrame) -> None:
    """Where no asked setting of a run is kept, what its cycle asks stands before what was achieved."""
    for n in PLANNABLE:  # Spark's columns may be read only
        frame[n] = frame[n].to_numpy(dtype=np.float64, na_value=np.nan, copy=True)
        frame[f"{n}_asked"] = frame[f"{n}_asked"].to_numpy(dtype=np.bool_, copy=True)
    import pandas as pd

    once = frame.drop_duplicates("run")
    kept = pd.concat([once.loc[once[f"{n}_asked"], ["run"]].assign(parameter=n) for n in PLANNABLE])
    planned = by_cycles(source, frame, kept)
    for name, some in planned.groupby("parameter"):
        told = frame["run"].astype("str").map(some.set_index("run")["value"]).to_numpy(dtype=float)
        here = np.isfinite(told)
        frame.loc[here, str(name)] = told[here]
        frame.loc[here, f"{name}_asked"] = True


def _read(source: Source, records: Records, filters: Filters, kind: str | None) -> Measured:
    where, values = source.condition(filters.without_where(), records.columns("movement"))
    if kind is not None:
        where, values = f"({where}\n) AND kind = ?", [*values, kind]
    remedy = (
        "Leave plants out: --without-plant NAME (repeat)"
        if source.plants
        else "Keep the oldest years in a book of their own"
    )
    not_too_many(records, where, values, remedy)
    names = [*(name for name in COLUMNS if name != "process"), *(("plant",) if source.plants else ())]
    rows = f"SELECT {', '.join(names)}, coalesce(process, '{NO_PROCESS}') AS process FROM movement WHERE {where}"
    kinds = records.enumerations(rows, values, but=("serial",))
    listed = ", ".join(f"CAST(m.{n} AS {kinds[n]}) AS {n}" if n in kinds else f"m.{n}" for n in (*names, "process"))
    settings = ", ".join(
        f"coalesce(p.asked_{n}, p.{n}) AS {n}, p.asked_{n} IS NOT NULL AS {n}_asked" for n in PLANNABLE
    )
    history = (
        f"SELECT {listed}, {settings} FROM ({rows}) AS m LEFT JOIN run_parameter AS p ON p.run = m.run"
        " ORDER BY m.started, m.run, m.part, m.serial, m.characteristic"
    )
    frame = records.frame(history, values)
    if filters.where is not None:
        frame = of_movement(source, filters.where, frame)
    frame["condition"] = _spelled(frame["condition"])
    frame["believed"] = believed_rows(frame, records.frame(BELIEVED))
    breaks = tuple(Break(_moment_day(at), what, furnace) for at, what, furnace in records.table(source.breaks)[1])
    on_record = source.book.read() if isinstance(source, BookSource) else None
    # of one plant nothing can be told of what plants differ by
    return Measured(frame, breaks, ("plant",) if len(source.plants) > 1 else (), source.zone, on_record)


def _spelled(column: pd.Series) -> pd.Series:
    import pandas as pd

    codes, found = pd.factorize(column)
    spelled = np.array([*(conditions(text) for text in found), None], dtype=object)
    return pd.Series(spelled[codes], index=column.index, dtype=object)  # −1, a missing one, is the last


def _moment_day(at: Any) -> float:
    if isinstance(at, str):
        return day_of(at[:10]) - 0.5
    return float(np.datetime64(at, "s").astype("int64")) / 86400.0


def choose_process(source: Measured, kind: str, part: str | None, named: str | None, from_cycle: str | None) -> str:
    """The one process a question is about: named, the cycle's, or the only one there is.

    Raises UsageError where several are possible
    """
    wanted = named or from_cycle
    everywhere = source.processes(kind)
    if wanted is not None:
        if named is not None and everywhere and named not in everywhere:
            raise UsageError(
                f"no reading of {kind} belongs to process {named!r}", remedy="There are: " + ", ".join(everywhere)
            )
        return wanted
    own = source.processes(kind, part) if part is not None else []
    possible = own or everywhere
    if len(possible) > 1:
        raise UsageError(
            f"{kind} was measured for several processes, and they are never put together",
            remedy="Name one with --process (or give --cycle): " + ", ".join(possible),
        )
    return possible[0] if possible else NO_PROCESS
