"""What Spark gives is what one machine gives: runs computed again, reports, statistics; and its SQL is guarded."""

from __future__ import annotations

import math
import os
import shutil
import signal
import threading
import time
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from loadbook.core.errors import LoadbookError, UsageError
from loadbook.group.duck import DuckEngine
from loadbook.group.publish import publish
from loadbook.group.read import open_group
from loadbook.group.recompute import GroupRecomputed, recompute_group
from loadbook.queries.answer import answer
from loadbook.queries.effect import effect
from loadbook.queries.enquiry import Question
from loadbook.queries.filters import Filters
from loadbook.queries.moved import moved
from loadbook.queries.plants import GroupSource
from loadbook.queries.reports import run_report
from loadbook.queries.sql import ask_sql
from loadbook.store import sql_files
from tests.smallbook import run, small, trace
from tests.test_paths import neighbour

pytestmark = pytest.mark.spark
EXACT = 1e-9


def on_spark(target: Path, spark: Any) -> GroupSource:
    return GroupSource(str(target), engine="spark", spark=spark)


def computed(target: Path) -> dict[str, pd.DataFrame]:
    """Every parameter, finding and verdict as the group reads them, in one order."""
    engine = DuckEngine(open_group(str(target)), {"parameter", "finding"})
    return {
        "parameter": engine.frame(
            "SELECT * EXCLUDE (parameter_id) FROM parameter ORDER BY run, parameter, channel, source"
        ),
        "finding": engine.frame(
            "SELECT * EXCLUDE (finding_id) FROM finding ORDER BY run, what, name, channel, first_s"
        ),
    }


def executors() -> list[int]:
    """Process ids of the executors that this process's own Spark started."""
    parents: dict[int, int] = {}
    words: dict[int, bytes] = {}
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            try:
                stat = (folder / "stat").read_text()
                parents[int(folder.name)] = int(stat.rsplit(")", 1)[1].split()[1])
                words[int(folder.name)] = (folder / "cmdline").read_bytes()
            except OSError:
                continue

    def ours(pid: int) -> bool:
        while pid in parents and pid != os.getpid():
            pid = parents[pid]
        return pid == os.getpid()

    return [pid for pid, text in words.items() if b"CoarseGrainedExecutorBackend" in text and ours(pid)]


def test_reckoned_on_a_cluster_that_loses_a_worker(
    published: Path, alone: Path, spark: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "target"
    shutil.copytree(published, target)
    monkeypatch.chdir(tmp_path)  # the workers run elsewhere
    found: list[GroupRecomputed] = []
    worker = threading.Thread(target=lambda: found.append(recompute_group("target", "spark", spark=spark)))
    worker.start()
    killed = None
    while worker.is_alive() and killed is None:
        if any((target / "recomputed").rglob("*.parquet")):
            killed = executors()[0]
            os.kill(killed, signal.SIGKILL)
        time.sleep(0.05)
    worker.join()
    assert killed is not None, "nothing was written before the end"
    (done,) = found
    assert done.runs > 20
    assert not done.damage
    assert all(p.recomputed is not None for p in open_group(str(target)).plants)
    one, many = computed(alone), computed(target)
    for table in one:
        assert len(one[table]) > 200
        pd.testing.assert_frame_equal(one[table], many[table], check_exact=False, rtol=0, atol=EXACT)
    assert {p.name for p in (alone / "recomputed").rglob("*.parquet")} <= {
        p.name for p in (target / "recomputed").rglob("*.parquet")
    }, "the same rows are the same bytes under the same names"


def given(file: sql_files.SqlFile) -> dict[str, str]:
    """A value for every parameter that has no default."""
    return {p.name: {"date": "2024-12-01", "month": "2024-12"}.get(p.type, "1") for p in file.parameters if
            p.default == "-"} | ({"on": "2026-06-01"} if file.name == "past_due" else {})  # fmt: skip


@pytest.mark.parametrize("name", sorted(sql_files.reports()[0]))
def test_each_report_gives_the_same_rows(name: str, alone: Path, spark: Any) -> None:
    file = sql_files.reports()[0][name]
    here = run_report(GroupSource(str(alone)), name, given(file))
    there = run_report(on_spark(alone, spark), name, given(file))
    assert there.columns == here.columns
    assert len(there.rows) == len(here.rows)
    for a, b in zip(here.rows, there.rows, strict=True):
        assert all(same(x, y) for x, y in zip(a, b, strict=True)), (a, b)


def same(x: Any, y: Any) -> bool:
    if isinstance(x, date):
        return str(x)[:19] == str(y)[:19]
    if isinstance(x, (int, float)) and isinstance(y, (int, float)) and not isinstance(x, bool):
        return math.isclose(x, y, rel_tol=EXACT, abs_tol=EXACT)
    return bool(x == y)


def both(frames: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    one, other = (f.reset_index(drop=True) for f in frames)
    assert len(one)
    pd.testing.assert_frame_equal(one, other, check_dtype=False, rtol=1e-7, atol=1e-7)


def test_statistics_are_the_same(alone: Path, spark: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(alone.parent)  # the workers run elsewhere
    alone = Path(alone.name)
    filters = Filters(kind="outside diameter", process="stress relief", where="length_mm > 10")
    sources = [GroupSource(str(alone)), on_spark(alone, spark)]
    found = [moved(s, filters, ["plant", "heating_rate_peak_c_per_h:60"]) for s in sources]
    both((found[0].table, found[1].table))
    both((found[0].measured, found[1].measured))
    assert found[0].warnings == found[1].warnings
    effects = [effect(s, None, filters, ["heating_rate_peak_c_per_h"]) for s in sources]
    both((effects[0].table, effects[1].table))
    question = Question(part="PN-1002", characteristic="journal", process="stress relief")
    answers = [answer(s, question) for s in sources]
    assert answers[1].advice == answers[0].advice
    assert answers[0].refused is None
    assert answers[1].low == pytest.approx(answers[0].low, rel=1e-6)
    assert answers[1].high == pytest.approx(answers[0].high, rel=1e-6)
    assert answers[1].plants == answers[0].plants
    assert {p["plant"] for p in answers[1].plants or []} <= {"Linz", "Graz Süd", "Steyr"}


ASKED = (
    "SELECT plant, count(*) AS n, max(value) AS hottest FROM samples WHERE role = 'work' GROUP BY plant ORDER BY plant",
    "SELECT run, started + INTERVAL 1 DAY AS later FROM runs WHERE plant = 'Linz' ORDER BY run",
    "WITH a AS (SELECT part, movement_um AS m FROM movement) SELECT part, median(m) AS m FROM a GROUP BY part"
    " ORDER BY part",
    r"SELECT 'it''s \' AS a, '\' AS b, count(*) AS n FROM run",
)


@pytest.mark.parametrize("query", ASKED)
def test_sql_means_the_same(query: str, alone: Path, spark: Any) -> None:
    here = ask_sql(GroupSource(str(alone)), query)
    there = ask_sql(on_spark(alone, spark), query)
    assert there.columns == here.columns
    assert list(here.rows())
    for a, b in zip(here.rows(), there.rows(), strict=True):
        assert all(same(x, y) for x, y in zip(a, b, strict=True)), (a, b)


HOSTILE = (
    "SELECT reflect('java.lang.System', 'getenv')",
    "SELECT java_method('java.lang.System', 'exit', 1)",
    "SELECT try_reflect('java.lang.Runtime', 'getRuntime')",
    "SELECT * FROM csv.`/etc/passwd`",
    'SELECT * FROM text."/etc/passwd"',
    "SELECT * FROM '/etc/passwd'",
    "SELECT * FROM read_csv('/etc/passwd')",
    "SELECT * FROM read_files('/etc/passwd')",
    "SELECT TRANSFORM(run) USING 'cat' AS (a) FROM run",
    "COPY run TO 'x'",
    "WITH a AS (COPY run TO 'x') SELECT 1",
    "INSERT INTO run SELECT * FROM run",
    "CREATE TABLE x AS SELECT 1",
    "SELECT 1; SELECT 2",
    "SET spark.sql.ansi.enabled = false",
    "ADD JAR 'x.jar'",
    "SELECT input_file_name() FROM run",
    "SELECT * FROM published_run",
    "SELECT current_user()",
    "SELECT ai_query('a', 'b')",
)


@pytest.mark.parametrize("query", HOSTILE)
def test_sql_that_would_do_more_than_read_is_refused(query: str, alone: Path, spark: Any) -> None:
    with pytest.raises(LoadbookError) as refused:
        ask_sql(on_spark(alone, spark), query)
    assert "Spark could not do it" not in refused.value.what, "it was the engine that refused, not the guard"


@pytest.mark.parametrize(
    ("name", "beside"),
    [("plant [2]", "plant 2"), ("plant {a,b}", "plant a"), ("back\\[x]\n", "back\\x\n"), ("a?#%41=7", "ax#%41=7")],
    ids=ascii,
)  # fmt: skip
def test_a_path_is_no_pattern(name: str, beside: str, spark: Any, tmp_path: Path) -> None:
    """Every file is read, once, and none of the neighbour's."""
    target = tmp_path / "group"
    with small(tmp_path / "book") as book:
        for number in (1, 2, 3):
            run(book, f"R{number}", number)
            trace(book, f"R{number}", f"t-r{number}", base=20.0 * number)
        publish(book, str(target), "Linz")
    question = "SELECT run, count(*), min(value), max(value) FROM samples GROUP BY run ORDER BY run"
    expected = list(ask_sql(GroupSource(str(target)), question).rows())
    assert [r[1] for r in expected] == [120, 120, 120]
    place = tmp_path / "here" / name
    shutil.copytree(target, place / "target")
    neighbour(place, beside)
    assert ask_sql(on_spark(place / "target", spark), question, seconds=600).rows() == expected


def test_a_name_that_is_not_text_is_refused(published: Path, spark: Any, tmp_path: Path) -> None:
    place = tmp_path / "bytes \udcff"
    shutil.copytree(published, place)
    with pytest.raises(UsageError, match="not UTF-8 text"):
        ask_sql(on_spark(place, spark), "SELECT count(*) FROM runs")
