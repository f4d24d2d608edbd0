"""A group on Apache Spark: the same views, over the same files, on as many machines as the cluster has."""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
import threading
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loadbook.core import writing
from loadbook.core.errors import LoadbookError, UsageError
from loadbook.store import sandbox
from loadbook.store.session import named_in

from . import plant_movement, transpile
from . import views as groupviews
from .duck import DuckEngine
from .manifest import TRACE
from .parquet import PLANT
from .read import Group, Sound, SoundFile, group_columns, plant_at
from .target import Store
from .transpile import Values

if TYPE_CHECKING:
    import pandas as pd

EXTRA = "pip install 'loadbook[spark]'"
_TYPES = {
    "VARCHAR": "string", "DOUBLE": "double", "BIGINT": "bigint", "BOOLEAN": "boolean", "TIMESTAMP": "timestamp_ntz",
    "DATE": "date", "BLOB": "binary", "INTEGER": "int",
}  # fmt: skip
_TAG = "loadbook-sql"
_TRACE = "run string, channel smallint, quantity string, t_s double, value double, flag smallint"
# the place of a trace's file below the plants, the same for two plants in no case; in a pack its run as well
_PLACE = "substring_index(_metadata.file_path, '/', -3)"
_FILE_INDEX = f"if(startswith(_metadata.file_name, 'samples-'), {_PLACE}, concat({_PLACE}, '/', run))"
_PATTERN = re.compile(r"[][{}*?\\]")  # what makes a path a pattern to Spark


def session(master: str | None = None, settings: Mapping[str, str] | None = None) -> Any:
    """A Spark session; the one there is, if this process has one.

    master    local[*] where none is given; a cluster's address as Spark writes it
    settings  further Spark settings
    Raises    UsageError without pyspark or Java; LoadbookError where Spark does not start
    """
    try:
        import pyspark  # noqa: F401
        import sqlglot  # noqa: F401
        from pyspark.sql import SparkSession
    except ImportError as exc:
        raise UsageError(f"the engine spark is not installed ({exc.name})", remedy=f"Run: {EXTRA}") from exc
    if not os.environ.get("JAVA_HOME") and shutil.which("java") is None:
        raise UsageError("the engine spark needs Java", remedy="Install Java 17 or 21 (JAVA_HOME, or java in the path)")
    master = master or "local[*]"
    # a Spark of another installation would be started with our libraries
    os.environ.pop("SPARK_HOME", None)
    os.environ.setdefault("PYSPARK_PYTHON", sys.executable)
    if master.startswith("local"):
        os.environ.setdefault("SPARK_LOCAL_IP", "127.0.0.1")
    chosen = {
        "spark.ui.enabled": "false",
        "spark.ui.showConsoleProgress": "false",
        "spark.sql.session.timeZone": "UTC",
        "spark.sql.execution.arrow.pyspark.enabled": "true",
        # Parquet packs samples twenty times and more: taken for small, they would be sent to every worker whole
        "spark.sql.sources.fileCompressionFactor": "20",
        "spark.sql.shuffle.partitions": "8" if master.startswith("local") else "200",
        **(settings or {}),
    }
    builder = SparkSession.builder.master(master).appName("loadbook")
    for name, value in chosen.items():
        builder = builder.config(name, value)
    try:
        spark = builder.getOrCreate()
    except Exception as exc:
        raise LoadbookError(
            f"Spark did not start: {_first_line(exc)}", where=master, remedy="See that Java runs and the master answers"
        ) from exc
    spark.sparkContext.setLogLevel("ERROR")
    return spark


class SparkEngine:
    """The tables and views of a group that were asked for, as temporary views of a Spark session."""

    name = "spark"

    def __init__(
        self, group: Group, needs: Iterable[str], spark: Any = None, master: str | None = None, *,
        without_damaged: bool = False,
    ) -> None:  # fmt: skip
        """without_damaged: damaged files are left out and named in left_out; else they are an error"""
        if group.store.in_this_process_only:
            raise UsageError(
                "Spark's workers cannot see what is in memory://", remedy="Publish to a folder they all see"
            )
        self.spark = spark if spark is not None else session(master)
        self._kept: list[Any] = []
        tables, views = groupviews.plan(needs, (groupviews.MOVEMENT,))
        samples = any(view.name == "samples" for view in views)
        movement = any(view.name == groupviews.MOVEMENT for view in views)
        wanted = {*tables, *(groupviews.plan({groupviews.MOVEMENT})[0] if movement else ()), *([TRACE] * samples)}
        sound = group.sound(sorted(wanted), without_damaged=without_damaged, keep=samples)
        self.left_out = sound.left_out
        for table in tables:
            self._table(group, table, sound)
        for view in views:
            text = view.text
            if view.name == groupviews.TRACE_FILES:
                self._published(sound)
            if view.name == "samples":
                self._samples(group, sound)
                text = text.replace("{trace_files}", "published_samples")
            made = self._movement(group, without_damaged) if view.name == groupviews.MOVEMENT else self._run(text)
            if groupviews.times_named(view.name, views) > 1 or view.name == "movement":
                # worked out once and kept by the workers (on their disks where memory is short): a plan in which it
                # stood several times over would be worked out, and thought through, as often
                made = made.cache()
                self._kept.append(made)
            made.createOrReplaceTempView(view.inner)
            if view.asked:
                self._run(groupviews.with_plant(view, made.columns)).createOrReplaceTempView(view.name)

    def columns(self, view: str) -> set[str]:
        """The columns of one of the tables and views asked for."""
        return set(self.spark.table(view).columns)

    def frame(self, sql: str, values: Values = None) -> pd.DataFrame:
        """The rows of our own, trusted SQL (in DuckDB's words) as a frame; parameters as `?` or `$name`."""
        asked = self._run(sql, values)
        try:
            found: pd.DataFrame = asked.toPandas()
        except Exception as exc:
            raise in_words(exc) from exc
        return found

    def enumerations(self, of: str, values: Values = None, but: Collection[str] = ()) -> dict[str, str]:
        """None: a group's texts come as texts."""
        return {}

    def table(self, sql: str, values: Values = None) -> tuple[list[str], list[tuple[Any, ...]]]:
        """(columns, rows) of our own, trusted SQL."""
        found = self._run(sql, values)
        try:
            return list(found.columns), [tuple(r) for r in found.collect()]
        except Exception as exc:
            raise in_words(exc) from exc

    def users_query(self, sql: str, known: Iterable[str], most: int) -> tuple[list[str], list[tuple[Any, ...]]]:
        """(columns, rows) of a stranger's query, rebuilt from its looked-through syntax; one row over `most` at most.

        Raises UsageError for a text that is not one select over the names known; LoadbookError where it fails
        """
        text = transpile.checked(sql, set(known))
        self.spark.addTag(_TAG)
        try:
            found = self.spark.sql(text)
            return list(found.columns), [tuple(r) for r in found.limit(most + 1).collect()]
        except Exception as exc:
            raise in_words(exc) from exc
        finally:
            self.spark.removeTag(_TAG)

    def cancel(self) -> None:
        """End the jobs of a stranger's query."""
        self.spark.interruptTag(_TAG)

    def __enter__(self) -> SparkEngine:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of what the workers keep. The session stays: starting another one takes seconds."""
        for made in self._kept:
            made.unpersist()

    def _run(self, sql: str, values: Values = None) -> Any:
        text = transpile.spark_sql(sql, values)
        try:
            return self.spark.sql(text)
        except Exception as exc:
            raise in_words(exc) from exc

    def _table(self, group: Group, table: str, sound: Sound) -> None:
        columns = {PLANT: "VARCHAR", **group_columns()[table]}
        schema = ", ".join(f"`{name}` {_TYPES[kind]}" for name, kind in columns.items())
        self._read(group, sound.names(table), schema).createOrReplaceTempView(f"published_{table}")
        listed = groupviews.qualified(list(columns)[1:])
        self._run(f"SELECT {listed} FROM published_{table}").createOrReplaceTempView(table)

    def _read(self, group: Group, files: list[str], schema: str) -> Any:
        if not files:
            return self.spark.createDataFrame([], schema)
        addresses = [group.store.url(f) for f in files]
        if not addresses[0].isascii():
            _refuse_bytes(addresses[0], group.store.address)
        # Spark takes each path for a pattern. Told not to (`__globPaths__`), it reads every file once for each of them
        return self.spark.read.schema(schema).parquet(*(_PATTERN.sub(r"\\\g<0>", a) for a in addresses))

    def _published(self, sound: Sound) -> None:
        rows = [(_file_index(f, run), f"{f.plant}/{run}") for f in sound.files[TRACE] for run in f.entry.runs]
        made = self.spark.createDataFrame(rows, "file string, run string")
        made.createOrReplaceTempView(groupviews.PUBLISHED)

    def _movement(self, group: Group, without_damaged: bool) -> Any:
        """The rows of the view, each plant's made by a worker from the plant's own tables (plant_movement.py): a plan
        of Spark's would be thought through and shuffled for all plants at once, though no row rests on two."""
        rows = [
            (json.dumps([group.store.everywhere, p.folder, p.current.number, p.current.sha256, without_damaged]),)
            for p in group.plants
        ]
        plants = self.spark.createDataFrame(self.spark.sparkContext.parallelize(rows, len(rows)), "plant string")
        with DuckEngine(Group(group.store, ()), {groupviews.MOVEMENT}) as empty:
            columns = empty.table(f"DESCRIBE {groupviews.MOVEMENT_ROWS}")[1]
        schema = ", ".join(f"`{name}` {_TYPES[kind]}" for name, kind, *_ in columns)
        return plants.mapInArrow(_movement_of, schema)

    def _samples(self, group: Group, sound: Sound) -> None:
        files = sound.names(TRACE)
        found = self._read(group, files, _TRACE)
        name = _FILE_INDEX if files else "CAST(NULL AS string)"
        columns = ("channel", "t_s", "value", "flag", f"{name} AS file_index")
        found.selectExpr(*columns).createOrReplaceTempView("published_samples")


def _movement_of(batches: Iterable[Any]) -> Iterator[Any]:
    """What runs on a worker: plants in, one a row; their movement out."""
    import pyarrow.parquet as pq

    for batch in batches:
        for text in batch.column(0).to_pylist():
            address, folder, number, sha256, without_damaged = json.loads(text)
            store = Store(address)
            plant = plant_at(store, folder, number, sha256)
            with writing.scratch() as scratch:
                path = plant_movement.of_plant(store, plant, Path(scratch), without_damaged)
                with pq.ParquetFile(path) as file:
                    yield from file.iter_batches()


def _file_index(file: SoundFile, run: str) -> str:
    """What _FILE_INDEX gives for the samples of a run."""
    place = "/".join(file.entry.path.split("/")[-3:])
    return f"{place}/{run}" if file.entry.packed else place


@dataclass
class Asked:
    """What a stranger's query gave."""

    columns: list[str]
    found: list[tuple[Any, ...]]
    left_out: list[Any] = field(default_factory=list)

    def __iter__(self) -> Iterator[tuple[Any, ...]]:
        return iter(self.rows())

    def rows(self) -> list[tuple[Any, ...]]:
        return self.found

    def frame(self) -> pd.DataFrame:
        """The rows as a frame."""
        import pandas as pd

        return pd.DataFrame.from_records(self.found, columns=self.columns)


def ask(
    group: Group, text: str, master: str | None, spark: Any, seconds: float, without_damaged: bool = False
) -> Asked:
    """The answer to a stranger's query: one select over the group's tables and views, functions that only compute.

    Raises UsageError for any other text, or too many rows; LoadbookError where it fails or takes longer than `seconds`
    """
    tables, known_views = groupviews.names()
    known = {*tables, *known_views}
    engine = SparkEngine(group, named_in(text, known) or {"run"}, spark, master, without_damaged=without_damaged)
    done = threading.Event()
    found: list[Any] = []

    def run() -> None:
        try:
            found.append(engine.users_query(text, known, sandbox.MOST_ROWS))
        except Exception as exc:
            found.append(exc)
        finally:
            done.set()

    threading.Thread(target=run, daemon=True).start()
    if not done.wait(seconds):
        engine.cancel()
        raise LoadbookError(
            f"the query ran longer than {seconds:g} s and was ended",
            remedy="Ask for less, or allow more with --seconds",
        )
    if isinstance(found[0], Exception):
        raise found[0]
    columns, rows = found[0]
    if len(rows) > sandbox.MOST_ROWS:
        raise UsageError(f"the answer has more than {sandbox.MOST_ROWS} rows", remedy="Ask for less, or for sums")
    return Asked(columns, rows, list(engine.left_out))


def _refuse_bytes(address: str, target: str) -> None:
    """Raises UsageError for a name that is not text, which Java cannot be given."""
    try:
        address.encode()
    except UnicodeEncodeError as exc:
        raise UsageError(
            "Spark cannot open a folder whose name is not UTF-8 text", where=target,
            remedy="Rename the folder, or use --engine duckdb",
        ) from exc  # fmt: skip


def in_words(exc: Exception) -> LoadbookError:
    """Spark's error as a sentence."""
    return LoadbookError(
        f"Spark could not do it: {_first_line(exc)}", remedy="Repeat with --traceback to see all of it"
    )


def _first_line(exc: Exception) -> str:
    """What happened, of an error that may tell first which call it was, or where a worker's Python was."""
    said = str(exc)
    if ours := re.search(r"^loadbook\.core\.errors\.\w+: (.+)", said, re.MULTILINE):
        return ours[1]
    lines = [line.strip(": ") for line in said.splitlines() if line.strip()]
    at = 1 if len(lines) > 1 and lines[0].startswith("An error occurred while calling") else 0
    return lines[at] if lines else type(exc).__name__
