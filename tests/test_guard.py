"""SQL that a stranger wrote: refused, or ended with a plain message, and not one byte of the book changed."""

from __future__ import annotations

import hashlib
import os
import sys
import time
from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path

import pytest

from loadbook.core.environment import limit_set
from loadbook.core.errors import LoadbookError, UsageError
from loadbook.store import sandbox
from loadbook.store.book import BookFolder

from .smallbook import put, reading, run, small, trace
from .thinned import thinned


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Iterator[BookFolder]:
    folder = tmp_path_factory.mktemp("guard")
    made = small(folder / "a book")
    run(made, "R1", 2)
    trace(made, "R1", "t-1")
    put(made, "reading", reading("R1", "before", 100.0, "03-01T07"), reading("R1", "after", 100.02, "03-03T07"))
    (made.path / "reports").mkdir()
    (made.path / "reports" / "secret.sql").write_text("SELECT 'secret'")
    (folder / "outside.csv").write_text("a,b\n1,2\n")
    (made.path / "traces" / "link.parquet").symlink_to(folder / "outside.csv")
    made.close()  # nothing is left in the write-ahead file: what is in the book is in book.sqlite
    yield made


def state(folder: Path) -> dict[str, str]:
    """Every file around and in the book with its digest (what SQLite's readers leave where they are killed aside: the
    shared memory, and a write-ahead file in which nothing stands)."""
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and not p.name.endswith("-shm") and (p.stat().st_size or not p.name.endswith("-wal"))
    }


BOOK, TRACE, OUT = "{book}", "{book}/traces/2026/t-1.parquet", "{outside}"
REFUSED = [
    # a COPY as a statement, inside WITH, over an existing trace, and hidden behind other things
    f"COPY run TO '{OUT}/x.csv'",
    f"COPY (SELECT 1) TO '{TRACE}' (FORMAT parquet)",
    f"WITH a AS (COPY run TO '{OUT}/x.parquet') SELECT 1",
    f"WITH a AS (COPY (SELECT 1 AS run) TO '{TRACE}') SELECT count(*) FROM samples",
    f"WITH a AS MATERIALIZED (COPY (SELECT 1) TO '{TRACE}' RETURN_FILES) SELECT * FROM a",
    f"SELECT * FROM (WITH a AS (COPY run TO '{OUT}/x.csv') SELECT 1) z",
    f"SELECT (WITH a AS (COPY run TO '{OUT}/x.csv') SELECT 1)",
    f"FROM run UNION ALL (WITH a AS (COPY run TO '{OUT}/x.csv') FROM run)",
    f"SELECT 1) q; COPY run TO '{OUT}/x.csv'; SELECT * FROM (SELECT 1",
    f"SELECT 1\n) q; COPY run TO '{OUT}/x.csv'; --",
    f"SELECT 1 /* ) q; */; COPY run TO '{OUT}/x.csv' --",
    f"SELECT 1 -- \n; COPY run TO '{OUT}/x.csv'",
    f"PIVOT run ON furnace; COPY run TO '{OUT}/x.csv'",
    f"EXPLAIN ANALYZE COPY run TO '{OUT}/x.csv'",
    f"PREPARE p AS COPY run TO '{OUT}/x.csv'",
    # changing data
    "WITH a AS (INSERT INTO run (run) VALUES ('x') RETURNING *) SELECT * FROM a",
    "WITH a AS (DELETE FROM run RETURNING *) SELECT * FROM a",
    "WITH a AS (UPDATE run SET note = 'x' RETURNING *) SELECT * FROM a",
    "DELETE FROM run", "DROP VIEW movement", "CREATE TABLE x AS SELECT 1", "TRUNCATE run", "VACUUM",
    "CREATE MACRO m() AS 1", "BEGIN", "COMMENT ON TABLE run IS 'x'",
    # the engine's own reach
    "ATTACH '{book}/book.sqlite' AS b (TYPE sqlite)", f"ATTACH '{OUT}/new.duckdb'", f"EXPORT DATABASE '{OUT}/x'",
    f"IMPORT DATABASE '{OUT}/x'", "PRAGMA database_list", "SET memory_limit = '90GB'", "RESET lock_configuration",
    "SET enable_external_access = true", "INSTALL httpfs", "LOAD httpfs", f"LOAD '{OUT}/x.duckdb_extension'",
    "CALL pragma_version()", "CREATE SECRET s (TYPE s3)", "USE memory", "CHECKPOINT", "SET VARIABLE x = 1",
    # reading files that are no traces, in the book and out of it
    f"SELECT * FROM read_csv('{OUT}/outside.csv')", f"SELECT * FROM '{OUT}/outside.csv'",
    "SELECT * FROM read_text('/etc/passwd')", "SELECT * FROM read_blob('{book}/book.sqlite')",
    "SELECT * FROM read_text('{book}/reports/secret.sql')", "SELECT * FROM glob('{book}/*')",
    "SELECT * FROM glob('/*')",
    f"SELECT * FROM read_text('{TRACE}/../../../book.sqlite')", "SELECT * FROM read_parquet('{book}/traces/**')",
    "SELECT * FROM read_parquet('{book}/traces/2026/*.parquet')", "SELECT * FROM read_json('/proc/self/environ')",
    "SELECT * FROM parquet_metadata('{book}/book.sqlite')", "SELECT * FROM sniff_csv('/etc/passwd')",
    "SELECT * FROM read_csv('https://example.org/x.csv')", "SELECT * FROM sqlite_scan('{book}/book.sqlite', 'run')",
    "SELECT getenv('HOME')", "SELECT * FROM request", "SELECT * FROM connection",
    f"SELECT * FROM query('COPY run TO ''{OUT}/x.csv''')", "SELECT * FROM query('SELECT 1; DROP VIEW movement')",
    f"SELECT * FROM json_execute_serialized_sql(json_serialize_sql('COPY run TO ''{OUT}/x.csv'''))",
    "SELECT write_log('x'), * FROM read_duckdb('{book}/book.sqlite')",
    # the same by other doors: functions that act, names made up, data sources that are no files
    f"SELECT * FROM enable_logging('QueryLog', storage = 'file', storage_path = '{OUT}/logs')",
    f"SELECT * FROM enable_profiling(format = 'json', save_location = '{OUT}/p.json')",
    "SELECT * FROM add_grammar_extension('x')", f"SELECT * FROM read_duckdb('{OUT}/*')",
    f"SELECT count(*) FROM samples, query('WITH a AS (COPY (SELECT 1) TO ''{TRACE}'') SELECT 1')",
    f"SELECT * FROM samples, destroy_external_resource('query', 'WITH a AS (COPY run TO ''{TRACE}'') SELECT 1')",
    "SELECT * FROM destroy_external_resource('read_text', '/etc/passwd')",
    "SELECT * FROM query('SELECT * FROM read_text(''/etc/passwd'')')",
    f"SELECT * FROM query_table('{OUT}/outside.csv')",
    "SELECT * FROM read_text(['/etc/passwd', '{book}/traces/2026/t-1.parquet'])", "SELECT * FROM read_text('env:HOME')",
    "SELECT * FROM samples, read_text('{book}/traces/link.parquet')", f"FROM samples, read_text('{TRACE}/../../x')",
    "SELECT 1 WHERE EXISTS (FROM glob('/*'))", "FROM (DESCRIBE SELECT * FROM read_text('/etc/passwd'))",
    "SELECT * FROM json_execute_serialized_sql(json_serialize_sql('SELECT * FROM read_text(''/etc/passwd'')'))",
    "SELECT list_transform([1], x -> (SELECT content FROM read_text('/etc/hostname')))", "SELECT load_extension('x')",
    "MERGE INTO run USING piece ON true WHEN MATCHED THEN DELETE", "CALL enable_logging()", "SELECT error('x')",
    "SELECT 1 /* \u202e */ ; SELECT 2", "SELECT 1\uff1b SELECT 2", "SELECT " + "(" * 5000 + "1" + ")" * 5000,
    "SELECT * FROM duckdb_secrets(redact = false)",
    # nothing, or not SQL
    "", " ;; ", "-- only a comment", "SELECT", "SELECT 1; SELECT 2", "SELECT '", "SELECT 1 /*", "\x00",
]  # fmt: skip


@pytest.mark.parametrize("attempt", thinned(REFUSED, 5))
def test_what_a_stranger_tries_is_refused_and_changes_nothing(book: BookFolder, attempt: str) -> None:
    folder = book.path.parent
    before = state(folder)
    sql = attempt.replace(BOOK, book.path.as_posix()).replace(OUT, folder.as_posix())
    with pytest.raises(LoadbookError) as caught:
        sandbox.run_query(book, sql, seconds=20)
    assert "Traceback" not in str(caught.value) and len(str(caught.value)) < 1000
    assert state(folder) == before


def test_there_are_at_least_forty_attempts() -> None:
    assert len(set(REFUSED)) >= 40


HARMLESS = [
    "SELECT * FROM checkpoint()", "SELECT * FROM truncate_duckdb_logs()", "SELECT write_log('x', level := 'error')",
    "SELECT * FROM register_external_resource_type('x', kind := 'y', create_function := 'read_text',"
    " status_function := 'read_text', destroy_function := 'read_text')",
    "SELECT count(*) FROM samples, destroy_external_resource('query', 'SELECT 1')", "SELECT getvariable('x')",
    "SELECT * FROM test_all_types()", "SELECT $$a; COPY run TO 'x'$$", "FROM duckdb_logs()",
]  # fmt: skip


@pytest.mark.parametrize("query", thinned(HARMLESS, 2))
def test_what_acts_on_nothing_but_the_child_changes_nothing(book: BookFolder, query: str) -> None:
    before = state(book.path.parent)
    assert list(sandbox.run_query(book, query, seconds=20).rows()) is not None
    assert state(book.path.parent) == before


GREEDY = [
    "SELECT array_agg(x) FROM (SELECT unnest(range(100000000)) AS x)",
    "SELECT list(a.range) FROM range(100000000) AS a",
    "SELECT repeat('x', 2000000000)",
    "SELECT printf('%1000000000d', 1)",
    "SELECT string_agg(a.range::VARCHAR, ',') FROM range(80000000) AS a",
    "SELECT * FROM range(300000) AS a, range(300000) AS b ORDER BY a.range * b.range DESC",
    "WITH RECURSIVE r(i, t) AS (SELECT 1, 'x' UNION ALL SELECT i + 1, t || t FROM r) SELECT max(length(t)) FROM r",
]


@pytest.mark.parametrize("query", GREEDY)
def test_a_memory_eating_query_ends_within_its_memory(book: BookFolder, query: str) -> None:
    before = state(book.path.parent)
    with pytest.raises(LoadbookError, match="needed more than the 512 MB of memory"):
        sandbox.run_query(book, query, memory_mb=512, seconds=30)
    assert state(book.path.parent) == before
    if sys.platform.startswith("linux"):
        import resource

        largest_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
        assert largest_mb < 900, f"a child took {largest_mb:.0f} MB"


@pytest.mark.parametrize(
    "query",
    [
        "WITH RECURSIVE r(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM r) SELECT count(*) FROM r",
        "SELECT count(*) FROM range(1000000000000)",
        "SELECT count(*) FROM range(100000) a, range(100000) b, range(100000) c WHERE a.range + b.range = c.range",
    ],
)
def test_an_endless_query_ends_at_its_deadline(book: BookFolder, query: str) -> None:
    before = state(book.path.parent)
    began = time.monotonic()
    with pytest.raises(LoadbookError, match=r"ran longer than 0.8 s and was ended"):
        sandbox.run_query(book, query, seconds=0.8)
    assert time.monotonic() - began < 2.8
    assert state(book.path.parent) == before


def test_an_endless_answer_is_refused_with_the_mend(book: BookFolder) -> None:
    with pytest.raises(UsageError, match=r"more than 5000 rows.*LIMIT"):
        sandbox.run_query(book, "SELECT * FROM range(1000000000000)", most_rows=5000)


def test_the_whole_answer_is_bounded(book: BookFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LOADBOOK_SQL_ANSWER_MB", "1")
    with pytest.raises(UsageError, match="the answer is larger than 1 MB"):
        sandbox.run_query(book, "SELECT repeat('x', 1000) FROM range(3000)")
    assert sandbox.run_query(book, "SELECT repeat('x', 1000) FROM range(900)").count == 900


@pytest.mark.parametrize("name", ["LOADBOOK_SQL_SECONDS", "LOADBOOK_SQL_MEMORY_MB", "LOADBOOK_SQL_ANSWER_MB"])
def test_a_limit_that_cannot_be_read_is_not_guessed(
    book: BookFolder, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(name, "60 s")
    with pytest.raises(UsageError, match="is not a limit") as told:
        sandbox.run_query(book, "SELECT 1")
    assert told.value.where == name
    for value in ("nan", "inf", "-1", "0", "1e400", "1e12", "soon"):
        monkeypatch.setenv(name, value)
        with pytest.raises(UsageError, match="is not a limit"):
            limit_set(name, 1.0)


def test_no_digit_of_a_decimal_is_lost(book: BookFolder) -> None:
    query = "SELECT 12345678901234567890.12::DECIMAL(38,2), 1.5, 99999999999999999999999999999999999999::HUGEINT"
    ((long, short, whole),) = sandbox.run_query(book, query).rows()
    assert (str(long), short, whole) == ("12345678901234567890.12", 1.5, 10**38 - 1)


def test_the_child_can_write_into_no_file_even_from_python(book: BookFolder, tmp_path: Path) -> None:
    """The last line of defence, tried without the others: a full give_up_rights, then a plain write."""
    if os.name == "nt":
        pytest.skip("no such limit in Python's library on Windows")
    import subprocess

    target = tmp_path / "written"
    code = (
        "import duckdb, signal\nfrom loadbook.store.sandbox_child import give_up_rights\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "give_up_rights(duckdb.connect(), [], 1024, 10)\n"
        f"import pathlib; pathlib.Path({str(target)!r}).write_text('x' * 10)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.returncode != 0 and "File too large" in done.stderr
    assert not target.exists() or target.read_bytes() == b""


def test_settings_are_locked_and_secrets_none(book: BookFolder) -> None:
    query = "SELECT name, value FROM duckdb_settings() WHERE name IN ('enable_external_access', 'lock_configuration')"
    assert sorted(sandbox.run_query(book, query).rows()) == [
        ("enable_external_access", "false"),
        ("lock_configuration", "true"),
    ]
    assert sandbox.run_query(book, "SELECT * FROM duckdb_secrets()").count == 0


def test_honest_queries_come_back_typed(book: BookFolder) -> None:
    answer = sandbox.run_query(
        book,
        "SELECT run, movement_um, started, CAST(started AS DATE) AS day, 1.5 AS dec, sum(repeats) OVER () AS n,"
        " NULL AS nothing, 'nan'::DOUBLE AS nan, below_gauge, 'ab'::BLOB AS raw, [1, 2] AS list,"
        " 9007199254740993 AS big FROM movement;  -- a remark",
    )
    (row,) = answer.rows()
    assert row[0] == "R1" and row[1] == pytest.approx(20.0) and row[2] == datetime(2026, 3, 2, 8)
    assert row[3:7] == (date(2026, 3, 2), 1.5, 1, None) and row[7] != row[7]
    assert row[8:] == (False, b"ab", [1, 2], 9007199254740993)
    assert list(answer.rows()) and answer.columns[0] == "run" and answer.left_out == []


@pytest.mark.parametrize(
    ("query", "count"),
    [
        ("FROM movement", 1),
        ("PIVOT samples ON channel USING max(value) GROUP BY run", 1),
        ("SELECT * FROM (PIVOT samples ON channel IN ('C1') USING max(value) GROUP BY run)", 1),
        ("DESCRIBE movement", 58),
        ("SELECT table_name FROM information_schema.tables WHERE table_name = 'piece'", 1),
        ("VALUES (1), (2)", 2),
        ("WITH a AS (SELECT 1 AS x) SELECT * FROM a WHERE x = 1;", 1),
        ("SELECT * FROM query_table('run')", 1),
        ("SELECT ')' AS x, '/* -- ;' AS y -- ) q; COPY", 1),
    ],
)  # fmt: skip
def test_what_reads_is_allowed(book: BookFolder, query: str, count: int) -> None:
    assert sandbox.run_query(book, query).count == count


def test_a_large_answer_streams_through(book: BookFolder) -> None:
    answer = sandbox.run_query(book, "SELECT range AS i, range * 0.5 AS half FROM range(200000)")
    assert answer.count == 200_000
    assert sum(i for i, _ in answer.rows()) == 199_999 * 100_000


def test_a_file_called_duckdb_in_the_current_folder_is_not_imported(
    book: BookFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "duckdb.py").write_text("raise SystemExit('imported a stranger')")
    monkeypatch.chdir(tmp_path)
    assert sandbox.run_query(book, "SELECT 1").count == 1


def test_parameters_are_values_never_text(book: BookFolder) -> None:
    answer = sandbox.run_query(
        book, "SELECT $x AS x, $d AS d", {"x": ("text", "1'; DROP"), "d": ("date", date(2026, 3, 1))}
    )
    assert list(answer.rows()) == [("1'; DROP", date(2026, 3, 1))]
