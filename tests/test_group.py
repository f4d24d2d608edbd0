"""The same questions of all plants: kept apart, computed again, guarded."""

from __future__ import annotations

import json
import re
import shlex
import shutil
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import numpy as np
import pandas as pd
import pytest

from loadbook.cli.group import group
from loadbook.cli.main import cli
from loadbook.core.errors import LoadbookError, UsageError
from loadbook.group.duck import DuckEngine
from loadbook.group.manifest import folder_of
from loadbook.group.publish import publish
from loadbook.group.read import open_group
from loadbook.group.recompute import recompute_group
from loadbook.group.spark import in_words
from loadbook.queries.answer import answer
from loadbook.queries.enquiry import Question
from loadbook.queries.plants import GroupSource
from loadbook.queries.reports import run_report
from loadbook.queries.sql import ask_sql
from loadbook.store.book import BookFolder

from .groupcase import EVERYTHING, files, made_books, made_published, made_target  # noqa: F401 - fixtures
from .readme_refresh import README
from .smallbook import put, reading, run, small


@pytest.fixture(scope="module")
def history(tmp_path_factory: pytest.TempPathFactory) -> tuple[BookFolder, str]:
    """A plant with 24 runs of two part numbers, slow and fast, laid and hung, and a group of it alone."""
    folder = tmp_path_factory.mktemp("history")
    book = small(folder / "book")
    put(book, "part", {"part": "P-2", "material": "steel", "shape": "ring", "section_thick_mm": 30.0})
    put(
        book, "characteristic",
        {"part": "P-2", "characteristic": "od", "kind": "outside diameter", "reference_length_mm": 100.0,
         "scale": "um"},
    )  # fmt: skip
    rng = np.random.default_rng(20261125)
    runs, pieces, readings, settings = [], [], [], []
    for number in range(24):
        name, day = f"R{number + 1:02}", f"2026-{1 + number // 4:02}-{3 + 6 * (number % 4):02}"
        rate, luck = float(rng.uniform(40, 160)), rng.normal(0, 3)
        runs.append({"run": name, "furnace": "F1", "cycle": "SR", "cycle_revision": "A", "status": "done",
                     "started": f"{day}T08:00:00Z", "ended": f"{day}T18:00:00Z"})  # fmt: skip
        settings.append({"run": name, "parameter": "heating_rate_peak_c_per_h", "value": rate, "unit": "c_per_h",
                         "source": "stated"})  # fmt: skip
        for serial in range(int(rng.integers(4, 6))):
            part = "P-2" if (number + serial) % 3 == 0 else "00123"
            key = {"part": part, "serial": f"{number}-{serial}"}
            pieces.append({"run": name, **key, "quantity": 1, "setup": "hung" if serial % 2 else "laid"})
            moved_um = 20 + 0.1 * rate + luck + rng.normal(0, 4) + 900 * (number == 7 and serial == 0)
            for stage, value in (("before", 100.0), ("after", 100.0 + moved_um / 1000)):
                readings.append(reading(name, stage, value, None, **key))
    for table, rows in (("run", runs), ("piece", pieces), ("parameter", settings), ("reading", readings)):
        put(book, table, *rows)
    publish(book, str(folder / "target"), "Linz", EVERYTHING)
    return book, str(folder / "target")


def asked(target: str, query: str) -> list[tuple[Any, ...]]:
    return list(ask_sql(GroupSource(target), query).rows())


def test_two_plants_runs_of_one_name_stay_apart(target: str) -> None:
    rows = asked(target, "SELECT plant, run, part, movement_um FROM movement ORDER BY run, serial")
    assert [(p, r, n, m and round(m)) for p, r, n, m in rows] == [
        ("Graz Süd", "Graz Süd/R1", "00123", 50), ("Graz Süd", "Graz Süd/R2", "00123", 50),
        ("Linz", "Linz/R1", "00123", 20), ("Linz", "Linz/R2", "00123", 20),
    ]  # fmt: skip
    assert {r[1] for r in run_report(GroupSource(target), "month_summary").rows} == {"Graz Süd/F1", "Linz/F1"}
    without = run_report(GroupSource(target, without=["linz"]), "month_summary").rows
    assert {r[1] for r in without} == {"Graz Süd/F1"}
    with pytest.raises(UsageError, match=r"Did you mean 'Linz'"):
        open_group(target, ["Lin"])
    samples = asked(target, "SELECT plant, count(*) FROM samples GROUP BY plant ORDER BY plant")
    assert samples == [("Graz Süd", 120), ("Linz", 120)]


def test_a_part_number_that_plants_describe_differently_is_two(target: str, tmp_path: Path) -> None:
    other = small(tmp_path / "c")
    run(other, "R1", 2)
    put(other, "reading", reading("R1", "before", 100.0, None), reading("R1", "after", 100.1, None))
    with other.write() as conn:
        conn.execute("DROP TRIGGER part_kept")
        conn.execute("UPDATE part SET length_mm = 999")
    publish(other, target, "Steyr")
    rows = asked(target, "SELECT DISTINCT part FROM movement ORDER BY part")
    assert rows == [("Graz Süd/00123",), ("Linz/00123",), ("Steyr/00123",)]


HOSTILE = (
    "COPY run TO 'x'", "WITH a AS (COPY run TO 'x') SELECT 1", "SELECT 1; SELECT 2", "ATTACH 'x'",
    "SELECT * FROM read_csv('x.csv')", "SELECT * FROM 'x.csv'", "SET enable_external_access = true",
)  # fmt: skip


@pytest.mark.parametrize("query", HOSTILE[:2] + HOSTILE[-3:-1])
def test_sql_over_a_group_is_guarded(query: str, target: str) -> None:
    before = files(target)
    with pytest.raises(LoadbookError):
        asked(target, query)
    assert files(target) == before


def test_computed_again_is_what_the_book_computed(target: str, books: dict[str, BookFolder]) -> None:
    wanted = {
        t: DuckEngine(open_group(target), {t}).frame(f"SELECT * EXCLUDE ({t}_id) FROM {t} ORDER BY ALL")
        for t in ("parameter", "finding")
    }
    done = recompute_group(target)
    assert (done.runs, done.samples, done.damage) == (2, 240, [])
    assert [p.recomputed is not None for p in open_group(target).plants] == [True, True]
    for table, frame in wanted.items():
        assert len(frame)
        found = DuckEngine(open_group(target), {table}).frame(
            f"SELECT * EXCLUDE ({table}_id) FROM {table} ORDER BY ALL"
        )
        pd.testing.assert_frame_equal(frame, found, rtol=0, atol=1e-9)
    assert (recompute_group(target).runs, recompute_group(target).already) == (0, 2)
    publish(books["Linz"], target, "Linz", EVERYTHING)
    assert [p.stale for p in open_group(target).plants] == [False, True], "the plant's own figures are read again"


def test_a_damaged_trace_is_named_and_the_rest_computed(target: str) -> None:
    linz = Path(target) / "plants" / folder_of("Linz")
    next(linz.rglob("samples-*.parquet")).write_bytes(b"PAR1 no PAR1")
    done = recompute_group(target)
    assert [(p, r) for p, r, _ in done.damage] == [("Linz", "R1")]
    assert done.runs == 1
    assert asked(target, "SELECT count(*) FROM parameter WHERE run = 'Linz/R1'")[0][0] > 0


def test_an_answer_says_which_plants_it_rests_on(history: tuple[BookFolder, str], tmp_path: Path) -> None:
    book, where = history
    question = Question(part="00123", characteristic="od", settings={"heating_rate_peak_c_per_h": 90.0})
    one = answer(book, question)
    assert one.low is not None
    shutil.copytree(where, tmp_path / "two")
    publish(book, str(tmp_path / "two"), "Steyr")
    both = answer(GroupSource(str(tmp_path / "two")), replace(question, plant="Steyr"))
    assert [p["plant"] for p in both.plants or []] == ["Linz", "Steyr"]
    assert both.runs == 2 * one.runs
    left = answer(GroupSource(str(tmp_path / "two"), without=("Steyr",)), question)
    assert left.low == pytest.approx(one.low, rel=1e-9)
    assert left.high == pytest.approx(one.high, rel=1e-9)
    assert left.plants == [{"plant": "Linz", "runs": one.runs, "pieces": one.pieces}]
    assert "Left out: Steyr." in " ".join(left.text)


@pytest.mark.parametrize("name", ["pyspark", "sqlglot"])
def test_without_the_extra_the_mend_is_said(name: str, target: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, name, None)
    with pytest.raises(UsageError, match=r"pip install 'loadbook\[spark\]'"):
        run_report(GroupSource(target, engine="spark"), "month_summary")


def cli_run(*words: str) -> int:
    try:
        cli(list(words), standalone_mode=False)
    except SystemExit as end:
        return int(end.code or 0)
    return 0


def test_at_the_shell(
    books: dict[str, BookFolder], tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.chdir(books["Linz"].path)
    where = str(tmp_path / "group")
    assert cli_run("group", "publish", where, "--plant", "Linz", "--format", "json") == 0
    told = capsys.readouterr()
    assert json.loads(told.out)[0]["runs"] == 2
    assert "customers left out" in told.err.lower()
    assert "Not published, of 2 confidential or export-controlled jobs: 3 runs" in told.err
    assert cli_run("group", "recompute", where) == 0
    assert cli_run("group", "plants", where, "--format", "json") == 0
    assert '"recomputed": "yes"' in capsys.readouterr().out
    assert cli_run("group", "moved", where, "--by", "plant") == 0
    shown = capsys.readouterr()
    assert "outside diameter" in shown.out
    assert "Evidence from Linz (2 runs, 2 pieces)." in shown.err
    assert cli_run("group", "moved", where, "--furnace", "F1") == 2
    assert "Linz/F1" in capsys.readouterr().err
    assert cli_run("group", "publish", where, "--plant", "a/b") == 2
    assert cli_run("group", "publish", "here", "--plant", "Linz") == 2
    assert "inside the book" in capsys.readouterr().err
    assert not Path("here").exists()


def test_the_readmes_commands_are_commands() -> None:
    lines = re.findall(r"^(loadbook group .+?)(?:  +.*)?$", README.read_text(encoding="utf-8"), re.MULTILINE)
    assert len(lines) > 6
    for line in lines:
        words = shlex.split(line)[2:]
        command = group.commands[words[0]]
        command.make_parser(click.Context(command)).parse_args(words[1:])


@pytest.mark.parametrize(
    ("raised", "told"),
    [
        ("An error occurred while calling o1.collect.\n: org.apache.spark.SparkException: Not enough memory\n\tat x",
         "org.apache.spark.SparkException: Not enough memory"),
        ("An exception was thrown from the Python worker.\nTraceback (most recent call last):\n  File\n"
         "loadbook.core.errors.DamageError: this is not what was published", "this is not what was published"),
        ("[PARSE_SYNTAX_ERROR] Syntax error at 'x'.", "[PARSE_SYNTAX_ERROR] Syntax error at 'x'."),
    ],
)  # fmt: skip
def test_what_spark_could_not_do_is_told_by_what_happened(raised: str, told: str) -> None:
    assert in_words(RuntimeError(raised)).what == f"Spark could not do it: {told}"
