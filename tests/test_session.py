"""The analytic session: declared types, an explicit list of trace files, and what is left out is said."""

from __future__ import annotations

import hashlib
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from loadbook.analysis.quantiles import quantile
from loadbook.core.errors import DamageError, LoadbookError, UsageError
from loadbook.queries import history, movement_data
from loadbook.queries.filters import Filters
from loadbook.queries.needs import needs
from loadbook.queries.sql import ask_sql
from loadbook.store import checked_files, session, sql_files
from loadbook.store.book import BookFolder
from tests.thinned import thinned

from .smallbook import put, reading, run, small, trace


@pytest.fixture
def book(tmp_path: Path) -> BookFolder:
    return small(tmp_path / "it's a book")


def rows(book: BookFolder, sql: str) -> list[tuple[Any, ...]]:
    return session.start(book, session.needs_of(book, sql)).connection.execute(sql).fetchall()


def alter(book: BookFolder, statement: str) -> None:
    """Change a row as someone who removed the book's triggers would."""
    with book.write() as conn:
        for (name,) in conn.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
            conn.execute(f'DROP TRIGGER "{name}"')
        conn.execute(statement)


def test_every_view_and_table_is_made_from_an_empty_book(tmp_path: Path) -> None:
    book = BookFolder.create(tmp_path / "empty")
    connection = session.start(book).connection
    tables, views = session.names(book)
    assert {"movement", "runs", "samples", "verdicts", "faults", "readings", "parameters", "pieces"} <= set(views)
    for name in views:
        assert connection.execute(f"SELECT count(*) FROM {name}").fetchall() == [(0,)], name
    assert {"run", "trace_left_out"} <= set(tables)


def test_each_view_needs_what_its_header_says_and_no_more(book: BookFolder) -> None:
    for view in sql_files.views().values():
        assert view.title and view.question, view.name
        session.start(book, {view.name}).connection.execute(f"SELECT * FROM {view.name}").fetchall()


def test_types_are_declared_not_guessed_from_the_first_rows(book: BookFolder) -> None:
    """The first 3,000 rows hold no `held`, no temperature and no gauge; the last one does."""
    run(book, "R1", 2)
    empty = {"held": None, "gauge": None, "already_at_20c": None}
    put(book, "reading", *(reading("R1", "before", 1.0, None, repeat=i, **empty) for i in range(1, 3001)))
    put(
        book, "reading",
        reading("R1", "before", 1.0, "03-01T07", repeat=3001, held="free", piece_temp_c=21.5, already_at_20c=1),
    )  # fmt: skip
    got = rows(book, "SELECT held, piece_temp_c, already_at_20c, read_at, serial FROM reading WHERE held IS NOT NULL")
    assert got == [("free", 21.5, True, datetime(2026, 3, 1, 7), "1")]


def test_text_stays_text_and_moments_and_dates_are_such(book: BookFolder) -> None:
    put(book, "furnace_check", {"furnace": "F1", "kind": "leak-up", "done_on": "2026-01-05", "passed": 1})
    assert rows(book, "SELECT part FROM part") == [("00123",)]
    assert rows(book, "SELECT done_on, passed, at_c FROM furnace_check") == [(date(2026, 1, 5), True, None)]


def test_a_stored_value_that_is_no_moment_is_damage_not_a_gap(book: BookFolder) -> None:
    run(book, "R1", 2)
    put(book, "event", {"run": "R1", "at": "yesterday", "event": "door opened"})
    with pytest.raises(DamageError, match=r"table event.*loadbook verify"):
        session.start(book, {"event"})


def test_samples_are_joined_to_their_trace_by_the_file_they_came_from(book: BookFolder) -> None:
    for number in (1, 2, 3):
        run(book, f"R{number}", number)
        trace(book, f"R{number}", f"t-{number}", base=100.0 * number, samples=10 * number)
    got = rows(
        book, "SELECT run, channel, role, unit, min(value), count(*) FROM samples GROUP BY ALL ORDER BY run, channel"
    )
    assert got[0] == ("R1", "C1", "control", "c", 100.0, 10)
    assert got[-1] == ("R3", "TC 1", "work", "c", 295.0, 30)
    assert next(g for g in got if g[1] == "P")[3:5] == ("mbar", 1e-3)
    (at,) = rows(book, "SELECT min(sampled_at) FROM samples WHERE run = 'R2' AND channel = 'C1' AND t_s = 120")
    assert at == (datetime(2026, 3, 1, 8, 2),)
    assert rows(book, "SELECT run, channel, t_s, flag FROM samples WHERE value IS NULL ORDER BY run")[0] == (
        "R1", "TC 1", 180.0, 2,
    )  # fmt: skip


def test_a_trace_that_says_it_is_another_run_s_is_believed_by_its_row_only(book: BookFolder) -> None:
    run(book, "R1", 1)
    run(book, "R2", 2)
    trace(book, "R1", "t-1", base=100.0)
    second = book.path / trace(book, "R2", "t-2", base=200.0)
    first = (book.path / "traces/2026/t-1.parquet").read_bytes()
    second.write_bytes(first)  # a file that names R1 inside
    alter(book, f"UPDATE trace SET bytes = {len(first)}, sha256 = '{hashlib.sha256(first).hexdigest()}'")
    assert rows(book, "SELECT DISTINCT run FROM samples ORDER BY run") == [("R1",), ("R2",)]


def one_byte(path: Path) -> None:
    """Change one byte in the middle of a file."""
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)


@pytest.mark.parametrize(
    ("hurt", "why"),
    [
        (lambda p: p.unlink(), "the file is missing"),
        (lambda p: p.write_bytes(p.read_bytes()[:-9]), "not the"),
        (lambda p: p.write_bytes(b"x" * p.stat().st_size), "its SHA-256 is another"),
        (lambda p: one_byte(p), "its SHA-256 is another"),
        (lambda p: (p.unlink(), p.mkdir()), "not a regular file"),
    ],
)  # fmt: skip
def test_missing_and_wrong_files_are_left_out_and_said(book: BookFolder, hurt: Any, why: str) -> None:
    run(book, "R1", 1)
    run(book, "R2", 2)
    trace(book, "R1", "t-1")
    hurt(book.path / trace(book, "R2", "t-2"))
    made = session.start(book, {"samples", "trace_left_out"})
    assert made.connection.execute("SELECT DISTINCT run FROM samples").fetchall() == [("R1",)]
    ((said_run, path, said),) = made.connection.execute("SELECT * FROM trace_left_out").fetchall()
    assert (said_run, path) == ("R2", "traces/2026/t-2.parquet") and why.lower() in said.lower()


@pytest.mark.parametrize("looked", thinned([False, True], 2))
def test_samples_over_a_damaged_trace_are_refused_unless_it_is_left_out(book: BookFolder, looked: bool) -> None:
    """One byte changed an average in its fifth digit, and nobody was told."""
    run(book, "R1", 1)
    run(book, "R2", 2)
    trace(book, "R1", "t-1")
    path = book.path / trace(book, "R2", "t-2")
    if looked:  # a file that was found good is looked at again once it has been touched
        assert ask_sql(book, "SELECT count(*) FROM samples").count == 1
    one_byte(path)
    for text in ("SELECT avg(value) FROM samples", "FROM query_table('sam' || 'ples')"):
        with pytest.raises(DamageError, match=r"trace of run R2 cannot be read.*SHA-256") as told:
            ask_sql(book, text)
        assert told.value.where == "traces/2026/t-2.parquet"
    found = ask_sql(book, "SELECT DISTINCT run FROM samples", without_damaged=True)
    assert list(found) == [("R1",)] and [x.run for x in found.left_out] == ["R2"]
    assert ask_sql(book, "SELECT count(*) FROM run").count == 1
    assert list(ask_sql(book, "SELECT run FROM trace_left_out")) == [("R2",)]
    assert ask_sql(book, "SHOW TABLES").count > 10


def test_a_trace_that_was_found_good_is_not_read_again(book: BookFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    run(book, "R1", 1)
    trace(book, "R1", "t-1")
    session.start(book, {"samples"})
    monkeypatch.setattr(checked_files.hashlib, "file_digest", lambda *_: pytest.fail("read again"))
    assert session.start(book, {"samples"}).left_out == []
    (book.path / "snapshot" / "traces.json").write_text('{"form": 1, "traces": {"x": 1}}')
    with pytest.raises(pytest.fail.Exception, match="read again"):
        session.start(book, {"samples"})


def test_a_withdrawn_trace_is_not_read(book: BookFolder) -> None:
    run(book, "R1", 1)
    trace(book, "R1", "t-1")
    alter(book, "UPDATE trace SET state = 'withdrawn'")
    assert rows(book, "SELECT count(*) FROM samples") == [(0,)]


def test_a_stranger_s_trace_path_out_of_the_book_is_left_out(book: BookFolder, tmp_path: Path) -> None:
    run(book, "R1", 1)
    trace(book, "R1", "t-1")
    (tmp_path / "secret.parquet").write_bytes((book.path / "traces/2026/t-1.parquet").read_bytes())
    alter(book, "UPDATE trace SET path = '../secret.parquet'")
    made = session.start(book, {"samples"})
    assert made.files == [] and made.left_out[0].why == "the trace's path leads out of the book"


def test_only_what_is_named_is_copied_and_a_looker_into_the_catalogue_gets_everything(book: BookFolder) -> None:
    assert session.needs_of(book, 'select * from "MOVEMENT" where note = 1') == {"movement"}
    assert session.needs_of(book, "SELECT 1") == set()
    tables, views = session.names(book)
    for text in ("SELECT * FROM information_schema.tables", "SHOW TABLES", "FROM query_table('ru' || 'n')"):
        assert session.needs_of(book, text) == {*tables, *views}
    with pytest.raises(UsageError, match=r"no table or view named runz.*runs"):
        session.start(book, {"runz"})


def test_frame_takes_parameters(book: BookFolder) -> None:
    run(book, "R1", 2)
    run(book, "R2", 3)
    assert session.frame(book, "SELECT run FROM runs WHERE started > ?", [datetime(2026, 3, 3)])["run"].tolist() == [
        "R2"
    ]


def test_a_frame_fetched_in_parts_is_the_frame_fetched_at_once(
    book: BookFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Columns that are empty in some parts or in all, texts that repeat or never do."""
    sql = (
        "SELECT range AS n, 'R' || range AS own, 'P' || range % 3 AS part, NULL::VARCHAR AS never,"
        " CASE WHEN range > 4000 THEN 'late' END AS late, CASE WHEN range < 9 THEN 'early' END AS early,"
        " CASE WHEN range <> 2500 THEN range END AS whole, CASE WHEN range > 3000 THEN range / 7 END AS real,"
        " CASE WHEN range > 5000 THEN range % 2 = 0 END AS yes, TIMESTAMP '2026-01-01' AS at FROM range(6000)"
    )
    with session.start(book, {"run"}) as made:
        at_once = made.connection.execute(sql).df()
        monkeypatch.setattr(session, "_VECTORS", 1)
        pd.testing.assert_frame_equal(made.frame(sql), at_once)
        assert list(made.frame("SELECT 1 AS n WHERE false").columns) == ["n"]


def test_texts_that_repeat_come_as_numbers_in_the_order_of_the_texts(
    book: BookFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(session, "_VECTORS", 1)  # in several parts
    words = "CASE WHEN i % 7 > 0 THEN chr(CAST(66 + i % 3 * 300 AS INTEGER)) || (i * 7919 % 5000) END"
    of = f"SELECT i, {words} AS word, 'S' || i AS serial, NULL::VARCHAR AS none FROM range(20001) AS r(i) WHERE i <> $i"
    with session.start(book, {"run"}) as asked:
        kinds = asked.enumerations(of, {"i": 5}, but=("serial",))
        listed = ", ".join(f"CAST({name} AS {kind}) AS {name}" for name, kind in kinds.items())
        found = asked.frame(f"SELECT i, serial, {listed} FROM ({of}) ORDER BY i", {"i": 5})
        plain = asked.frame(f"{of} ORDER BY i", {"i": 5})
    assert set(kinds) == {"word", "none"}
    assert not found["word"].cat.ordered  # bands are, and are told apart by it
    texts = list(found["word"].cat.categories)
    assert len(texts) > 4000 and texts == sorted(set(plain["word"].dropna()))
    assert found["word"].astype("str").equals(plain["word"]) and found["none"].isna().all()


def test_questions_find_the_same_whether_texts_come_as_texts_or_as_numbers(
    book: BookFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    for day in range(1, 6):
        run(book, f"R{day}", day, serials=("1", "2"))
        for stage, value in (("before", 100.0), ("after", 100.01 + 0.2 * (day == 5))):
            put(book, "reading", *(reading(f"R{day}", stage, value, None, serial=s) for s in ("1", "2")))
    told = []
    for many in (session.MANY, 0):
        monkeypatch.setattr(session, "MANY", many)
        moved = movement_data.load(book, Filters()).frame
        told.append((history.load(book).movement, moved, needs(book)))
        assert (str(moved["part"].dtype) == "category") == (many == 0)
    (past, rows_of, open_), (past_too, rows_too, open_too) = told
    for one, other in ((past, past_too), (rows_of, rows_too)):
        assert len(one) == 10
        pd.testing.assert_frame_equal(*(f.astype(object).where(f.notna(), None) for f in (one, other)))
    assert open_ == open_too and any(n.what == "suspected reading" for n in open_)


def test_parameters_of_a_run_say_whether_trace_or_person_told_them(book: BookFolder) -> None:
    run(book, "R1", 2)
    run(book, "R2", 3)
    run(book, "R3", 4)
    name = "heating_rate_peak_c_per_h"
    for of, source, value in (
        ("R1", "trace", 90.0), ("R1", "asked", 100.0), ("R1", "stated", 70.0), ("R2", "stated", 80.0),
        ("R3", "asked", 60.0),
    ):  # fmt: skip
        more = {"algorithm": "1"} if source == "trace" else {}
        put(
            book,
            "parameter",
            {"run": of, "parameter": name, "value": value, "unit": "c_per_h", "source": source, **more},
        )
    got = rows(book, f"SELECT run, {name}, asked_{name}, parameters_from FROM runs ORDER BY run")
    assert got == [("R1", 90.0, 100.0, "trace"), ("R2", 80.0, None, "stated"), ("R3", None, 60.0, None)]


@pytest.mark.parametrize("size", [1, 2, 3, 19, 20, 168])
def test_the_quantile_of_sql_is_the_quantile_of_the_calculation(book: BookFolder, size: int) -> None:
    values = np.random.default_rng(size).normal(0, 10, size)
    connection = session.start(book, set()).connection
    connection.execute("CREATE TABLE x (v DOUBLE)")
    connection.executemany("INSERT INTO x VALUES (?)", [[float(v)] for v in values] + [[None]])
    for p in (0.0, 0.05, 0.25, 0.5, 0.9, 0.95, 1.0):
        ((found,),) = connection.execute(f"SELECT quantile_np1(v, {p}) FROM x").fetchall()
        assert found == pytest.approx(quantile(values, p), rel=1e-12), p
    connection.close()


def test_the_quantile_of_published_data(book: BookFolder) -> None:
    """NIST/SEMATECH e-Handbook 3.5.1.2: quantiles of 168 oxide thicknesses are (n+1)p ones, not numpy's default."""
    path = Path(__file__).parent.parent / "fixtures" / "published" / "nist_furnace_oxide.csv"
    connection = session.start(book, set()).connection
    connection.execute("CREATE TABLE x AS SELECT * FROM read_csv(?)", [str(path)])
    value = next(d[0] for d in connection.execute("SELECT * FROM x LIMIT 0").description if "thick" in d[0].lower())
    printed = {0.025: 514.23, 0.10: 532.90, 0.25: 546.25, 0.5: 562.50, 0.75: 582.75, 0.9: 595.00, 0.975: 615.10}
    for p, figure in printed.items():
        ((found,),) = connection.execute(f'SELECT quantile_np1("{value}", {p}) FROM x').fetchall()
        assert found == pytest.approx(figure, abs=0.01)


def test_of_no_values_there_is_no_quantile(book: BookFolder) -> None:
    connection = session.start(book, set()).connection
    assert connection.execute("SELECT quantile_np1(x, 0.5) FROM (SELECT NULL::DOUBLE AS x)").fetchall() == [(None,)]


@pytest.mark.parametrize(
    "line",
    ["-- parameter: a | text | | x", "-- parameter: a | colour | | | x", "-- parameter: a b | text | | | x",
     "-- column: a | text"],
)  # fmt: skip
def test_a_header_that_is_not_as_it_should_be_is_said_with_its_line(line: str) -> None:
    with pytest.raises(LoadbookError, match=r"x\.sql:2: a (parameter|column) line is not as it should be"):
        sql_files.parse("x", Path("x.sql"), f"-- title: x\n{line}\nSELECT 1")
