"""The plants of a group as the source of a question's records, on DuckDB or on Spark."""

from __future__ import annotations

import contextlib
import sqlite3
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from loadbook.analysis.trace.model import Limit, Segment
from loadbook.core import times
from loadbook.core.errors import DamageError, NotFoundError, UsageError
from loadbook.core.vocabulary.intake_kinds import BY_TABLE
from loadbook.core.writing import scratch
from loadbook.group import engines, plant_movement, views
from loadbook.group.manifest import TRACE
from loadbook.group.read import Group, open_group
from loadbook.store import sandbox
from loadbook.store.session import named_in

from .enquiry import Question
from .filters import Filters
from .source import Records, Rows

_APART = "LEFT JOIN part_told_apart AS a ON a.number = substr(x.part, length(x.plant) + 2)"
_PART = "CASE WHEN a.number IS NULL THEN substr(x.part, length(x.plant) + 2) ELSE x.part END"
_MATERIAL = "substr(x.material, length(x.plant) + 2)"
_OWN_RUN = f"x.run IN (SELECT x.run FROM piece AS x {_APART} WHERE {_PART} = $part)"
_OF_MATERIAL = ", ".join(
    f"min(x.{c.name}) AS {c.name}" for c in BY_TABLE["material"].columns if c.name not in ("material", "reactive")
)
_OF_CYCLE = f" WHERE cycle = $cycle OR cycle IN (SELECT x.cycle FROM run AS x WHERE {_OWN_RUN})"
_LIMIT = ", ".join(f.name for f in fields(Limit) if f.name != "typed")
_CYCLES = {
    "cycle": "SELECT cycle, revision, coalesce(title, '') AS title, process, atmosphere FROM cycle",
    "cycle_segment": f"SELECT cycle, revision, {', '.join(f.name for f in fields(Segment))} FROM cycle_segment",
    "cycle_limit": f"SELECT cycle, revision, NULL AS typed, {_LIMIT} FROM cycle_limit",
}
# what an enquiry reads, as a book has it: parts and materials without their plant, all else with it
_ENQUIRY = {
    "part": f"SELECT DISTINCT {_PART} AS part, {_MATERIAL} AS material, shape, section_thick_mm, section_thin_mm,"
    f" length_mm, mass_kg, description FROM part AS x {_APART} ORDER BY part, material, shape",
    "material": f"SELECT {_MATERIAL} AS material, bool_or(reactive) AS reactive, {_OF_MATERIAL}"
    f" FROM material AS x GROUP BY {_MATERIAL}",
    "operation": f"SELECT {_PART} AS part, x.operation, NULL AS note FROM operation AS x {_APART}"
    f" WHERE {_PART} = $part",
    "characteristic": f"SELECT DISTINCT {_PART} AS part, characteristic, kind, scale, unit, reference_length_mm,"
    " nominal_mm, lower_mm, upper_mm"
    f" FROM characteristic AS x {_APART} WHERE {_PART} = $part OR x.kind = $kind",
    "run": "SELECT x.run, x.started, x.furnace, x.cycle, x.cycle_revision, x.status"
    f" FROM run AS x WHERE {_OWN_RUN} ORDER BY x.started, x.run",
    "piece": f"SELECT {_PART} AS part, x.run, x.serial, x.condition, x.machining, x.tempered_at_c, x.stock_mm"
    f" FROM piece AS x {_APART} WHERE {_OWN_RUN} ORDER BY x.plant, x.piece_id",
    "channel": "SELECT x.run, x.channel, x.role, x.place, x.serial FROM channel AS x"
    f" WHERE {_OWN_RUN} ORDER BY x.plant, x.channel_id",
    "finding": "SELECT x.run, x.channel, x.what, x.name, x.verdict FROM finding AS x"
    f" WHERE x.what = 'fault' AND {_OWN_RUN} ORDER BY x.plant, x.finding_id",
    "parameter": "SELECT x.run, x.channel, x.parameter, x.source, x.value FROM parameter AS x"
    f" WHERE x.parameter = 'hold_mean_c' AND x.source = 'trace' AND {_OWN_RUN} ORDER BY x.plant, x.parameter_id",
    "furnace_check": "SELECT furnace, kind, done_on, note FROM furnace_check ORDER BY done_on, furnace",
    **{name: f"{sql}{_OF_CYCLE} ORDER BY cycle, revision" for name, sql in _CYCLES.items()},
}


class GroupSource:
    """The plants of a target as one source.

    target   a folder, or an address that fsspec knows
    engine   'duckdb' or 'spark'; master, spark  of Spark: its address, or a session that there is already
    without  plants left out;  plant  only these plants (several: a,b)
    Raises   NotFoundError where nothing was published, UsageError for a plant that is not there
    """

    name = "group"
    where_to_look = "loadbook group report TARGET movement_by_treatment shows what there is"
    verify = "loadbook group verify TARGET"
    own_reports: Path | None = None
    # a break of a whole plant is one of each of its furnaces, and of no other plant's
    breaks = (
        'SELECT b."at", b.what, coalesce(b.furnace, f.furnace) AS furnace FROM history_break AS b'
        " LEFT JOIN furnace AS f ON b.furnace IS NULL AND f.plant = b.plant"
        ' ORDER BY b."at", coalesce(b.furnace, f.furnace)'
    )

    def __init__(
        self, target: str, *, engine: str = "duckdb", without: Sequence[str] = (), plant: str | None = None,
        master: str | None = None, spark: Any = None,
    ) -> None:  # fmt: skip
        found = open_group(target, without)
        self.left_out = found.without
        self.plants = tuple(p.name for p in found.plants)
        if plant is not None:
            only = {self._known(p.strip()) for p in plant.split(",")}
            others = [p for p in self.plants if p not in only]
            found = Group(found.store, [p for p in found.plants if p.name in only], [*without, *others])
            self.plants = tuple(p.name for p in found.plants)
        self.group, self._only = found, plant
        self._target, self._engine, self._master, self._spark = target, engine, master, spark

    @property
    def units(self) -> str:
        return self.group.units()

    @property
    def zone(self) -> ZoneInfo:
        return times.zone_of(self.group.zone())

    @property
    def stale(self) -> list[str]:
        """The plants that published after the group was computed again."""
        return [p.name for p in self.group.plants if p.stale]

    def records(self, needs: Iterable[str]) -> Records:
        return engines.start(self.group, needs, self._engine, self._master, self._spark)

    @contextlib.contextmanager
    def enquiry(self, question: Question) -> Iterator[tuple[sqlite3.Connection, Question]]:
        question = self._of_a_plant(question)
        with _empty() as conn:
            chosen = {"part": question.part, "kind": (question.kind or "").lower(), "cycle": question.cycle}
            with self.records({*_ENQUIRY, views.APART}) as found:
                for name, sql in _ENQUIRY.items():
                    _copied(conn, name, *found.table(sql, {k: v for k, v in chosen.items() if f"${k}" in sql}))
            conn.execute("CREATE INDEX of_run ON parameter (run)")
            if question.plant is None and question.part is not None:
                question = replace(question, plant=_usual_plant(conn, question.part))
            yield conn, question

    @contextlib.contextmanager
    def cycles(self) -> Iterator[sqlite3.Connection]:
        with _empty() as conn:
            with self.records(_CYCLES) as found:
                for name, sql in _CYCLES.items():
                    _copied(conn, name, *found.table(sql))
            yield conn

    def condition(self, filters: Filters, columns: set[str]) -> tuple[str, list[Any]]:
        if filters.customer is not None and not self.group.keeps("customers"):
            raise UsageError("not every plant published its customers", remedy="Leave out --customer")
        for name in ("furnace", "cycle", "job"):
            text = getattr(filters, name)
            if text and any(part.strip().partition("/")[0] not in self.plants for part in text.split(",")):
                raise UsageError(
                    f"--{name} {text!r} is a plant's own: the plant stands before it",
                    remedy=f"Write --{name} '{self.plants[0]}/{text}'",
                )
        return replace(filters, zone=self.zone.key).sql(columns)

    def given(self, filters: Filters) -> dict[str, str]:
        return {**filters.given(), **({"plant": self._only} if self._only else {})}

    def words(self, table: str, column: str) -> set[str]:
        with self.records({table}) as found:
            rows = found.table(f'SELECT DISTINCT "{column}" FROM {table} WHERE "{column}" IS NOT NULL')[1]
        told = {str(row[0]) for row in rows}
        return {name.partition("/")[2] for name in told} if column in views.SHARED else told

    def names(self) -> tuple[list[str], list[str]]:
        return views.names()

    def query(
        self, text: str, parameters: Mapping[str, tuple[str, Any]] | None, seconds: float | None,
        memory_mb: int | None, without_damaged: bool,
    ) -> Rows:  # fmt: skip
        """A stranger's query, in DuckDB's dialect on both engines.

        On DuckDB it goes through the guard of `sql`: a child process that may read the published files and nothing
        else. On Spark the text is looked through and rebuilt, and its jobs are cancelled at the deadline. What the
        cluster's own user may read is Spark's matter.
        """
        if self._engine == "spark":
            from loadbook.group.spark import ask

            return ask(self.group, text, self._master, self._spark, seconds or sandbox.SECONDS, without_damaged)
        tables, known = self.names()
        store = self.group.store
        if store.in_this_process_only or (not store.local and "samples" in named_in(text, {*tables, *known})):
            raise UsageError(
                "a stranger's query may open no network, and samples are read where they lie", where=self._target,
                remedy="Use --engine spark, or copy the target to a folder",
            )  # fmt: skip
        if store.local and "samples" in named_in(text, {*tables, *known}):  # the child, that writes nothing, finds it
            self.group.sound([TRACE], without_damaged=True, keep=True)
        with scratch() as copies:
            if engines.asks_movement(named_in(text, {*tables, *known})):
                with contextlib.suppress(*((DamageError, NotFoundError) if without_damaged else ())):
                    plant_movement.leave(self.group, Path(copies))
            of = {"target": store.address, "without": list(self.group.without), "copies": copies,
                  "without_damaged": without_damaged}  # fmt: skip
            return sandbox.run_over(
                "loadbook.group.engines:for_query", of, text, parameters, seconds=seconds, memory_mb=memory_mb
            )

    def _known(self, plant: str) -> str:
        if plant not in self.plants:
            raise UsageError(f"the group has no plant {plant!r}", remedy="It has: " + ", ".join(self.plants))
        return plant

    def _of_a_plant(self, question: Question) -> Question:
        """The enquiry with its plant's name before its cycle and furnace. Raises UsageError for an unknown plant."""
        if question.plant is None:
            return question
        plant = self._known(question.plant)

        def own(name: str | None) -> str | None:
            return f"{plant}/{name}" if name and "/" not in name else name

        return replace(question, cycle=own(question.cycle), furnace=own(question.furnace))


def _usual_plant(conn: sqlite3.Connection, part: str) -> str | None:
    """The plant that ran the part most; None where none did."""
    runs = Counter(
        r[0].partition("/")[0] for r in conn.execute("SELECT DISTINCT run FROM piece WHERE part = ?", (part,))
    )
    return min(runs, key=lambda plant: (-runs[plant], plant), default=None)


@contextlib.contextmanager
def _empty() -> Iterator[sqlite3.Connection]:
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as conn:
        conn.row_factory = sqlite3.Row
        yield conn


def _copied(conn: sqlite3.Connection, table: str, columns: list[str], rows: list[tuple[Any, ...]]) -> None:
    listed = ", ".join(f'"{c}"' for c in columns)
    conn.execute(f"CREATE TABLE {table} ({table}_id INTEGER PRIMARY KEY, {listed})")
    plain = [[v.isoformat() if hasattr(v, "isoformat") else v for v in row] for row in rows]
    conn.executemany(f"INSERT INTO {table} ({listed}) VALUES ({', '.join('?' * len(columns))})", plain)
