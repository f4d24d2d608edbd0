"""What `moved` and `effect` read: the view `movement` under the filters, and the parameters of its runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from loadbook.ground.errors import NotFoundError, UsageError
from loadbook.keep.condition import check_condition
from loadbook.keep.session import open_session

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

    from loadbook.keep.book import BookFolder

    from .filters import Filters


@dataclass
class MovementData:
    """The rows that a question is about.

    frame        the view `movement`, filtered
    parameters   run, parameter, value, unit, source: one row per run and parameter; achieved (trace, else stated)
                 or, where `asked`, what the cycle or the program asked for
    unmeasured   pieces of the filtered runs without any reading;  without_pair  how many runs that concerns
    believed     rows (run, part, serial, characteristic) that a person said are no blunder
    """

    frame: pd.DataFrame
    parameters: pd.DataFrame
    unmeasured: int
    unmeasured_runs: int
    believed: pd.DataFrame

    def units(self) -> dict[str, str]:
        """Unit of each parameter, as kept inside."""
        rows = self.parameters.drop_duplicates("parameter")
        return dict(zip(rows["parameter"], rows["unit"], strict=True))


# what every calculation reads; treatment columns come on top of these
COLUMNS = (
    "run", "started", "process", "part", "serial", "characteristic", "kind", "side", "scale", "unit", "setup",
    "atmosphere", "position", "before_mm", "after_mm", "lower_mm", "upper_mm", "movement_mm", "movement_um",
    "movement_um_per_100mm", "expanded_uncertainty_mm", "below_gauge", "way", "corrected_20c", "set_aside",
)  # fmt: skip


def load(book: BookFolder, filters: Filters, asked: bool = False, also: Sequence[str] = ()) -> MovementData:
    """Read the rows of a question; `also` names further columns of the view (names it does not have are left out).

    Raises UsageError for a filter that does not apply, NotFoundError where no reading fits.
    """
    import pandas as pd

    connection = open_session(book, {"movement", "pieces", "parameter", "confirmation", "reading"})
    try:
        columns = {str(r[0]) for r in connection.execute("DESCRIBE movement").fetchall()}
        where, values = filters.sql(columns)
        listed = ", ".join(dict.fromkeys([*COLUMNS, *(c for c in also if c in columns)]))
        frame = _rows(connection, f"SELECT {listed} FROM movement WHERE {where}", values, filters)
        parameters = connection.execute(
            "SELECT run, parameter, value, unit, source FROM parameter WHERE channel IS NULL AND "
            + ("source = 'asked'" if asked else "source IN ('trace', 'stated')")
            + " ORDER BY run, parameter, source DESC"  # trace before stated
        ).df()
        unmeasured = _unmeasured(connection, filters)
        believed = connection.execute(
            "SELECT DISTINCT r.run, r.part, r.serial, r.characteristic FROM confirmation AS c"
            " JOIN reading AS r USING (reading_id) WHERE c.subject = 'reading'"
            " QUALIFY row_number() OVER (PARTITION BY c.reading_id ORDER BY c.at DESC, c.confirmation_id DESC) = 1"
            " AND c.decision = 'refused'"
        ).df()
    finally:
        connection.close()
    if frame.empty:
        known = filters.given()
        told = ", ".join(f"--{k} {v}" for k, v in known.items()) or "the whole book"
        raise NotFoundError(
            f"no readings for {told}", mend="loadbook list readings shows what there is; loadbook take readings adds"
        )
    parameters = parameters.drop_duplicates(["run", "parameter"])
    runs = pd.Index(frame["run"].unique())
    parameters = parameters[parameters["run"].isin(runs)].reset_index(drop=True)
    return MovementData(frame, parameters, *unmeasured, believed)


def _rows(connection: duckdb.DuckDBPyConnection, sql: str, values: list[object], filters: Filters) -> pd.DataFrame:
    import duckdb

    if filters.where is None:
        return connection.execute(sql, values or None).df()
    check_condition(filters.where)
    try:
        return connection.execute(sql, values or None).df()
    except duckdb.Error as exc:
        raise UsageError(
            f"--where {filters.where!r} is no condition over movement: {str(exc).splitlines()[0]}",
            mend='Write it like --where "length_mm > 300"; loadbook sql "DESCRIBE movement" lists the columns',
        ) from exc


def _unmeasured(connection: duckdb.DuckDBPyConnection, filters: Filters) -> tuple[int, int]:
    """Pieces of the same runs and parts that have no reading at all: leaving them out would flatter."""
    columns = {str(r[0]) for r in connection.execute("DESCRIBE pieces").fetchall()}
    given = filters.given()
    if any(name not in columns and name not in ("since", "until") for name in given):
        return 0, 0  # a filter on characteristics or a free condition: pieces without readings have neither
    where, values = filters.sql(columns)
    row = connection.execute(
        f"SELECT coalesce(sum(quantity), 0), count(DISTINCT run) FROM (SELECT * FROM pieces WHERE {where}) AS p"
        " WHERE p.status = 'done' AND NOT EXISTS (SELECT 1 FROM reading AS r"
        " WHERE r.run = p.run AND r.part = p.part AND r.serial = p.serial)",
        values or None,
    ).fetchone()
    assert row is not None
    return int(row[0]), int(row[1])
