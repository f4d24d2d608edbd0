"""--where: one dialect for lists and questions, behind the guard of `sql`, and every failure a plain error."""

from __future__ import annotations

import sys
import time

import pytest

from loadbook.cli.main import cli
from loadbook.core.errors import LoadbookError, UsageError
from loadbook.queries.filters import Filters
from loadbook.queries.history import load as history
from loadbook.queries.movement_data import load
from loadbook.queries.plants import GroupSource
from loadbook.queries.run_choice import chosen_runs, listed_rows
from loadbook.store.book import BookFolder
from loadbook.store.lookup import LISTED
from tests.thinned import thinned

from .groupcase import made_books, made_published, made_target, shop  # noqa: F401 - fixtures

BOMB = "length(" + "replace(" * 8 + "repeat_" + ", 'a', 'aaaaaaaaaaaaaaaaaaaa')" * 8 + ") > 1"
NESTED = BOMB.replace("repeat_", "concat(run, 'aaaaaaaaaaaaaaaa')")  # 16 x 20**8 bytes
HOSTILE = (
    "\u202e", "", "'", "nothing_of_the_sort = 1", "run", "1 = 1) OR (1 = 1", "run = 'x' AND",
    "CAST(run AS INTEGER) = 1",
    "randomblob(1000000000) IS NULL", "read_text('/etc/passwd') = ''", "(SELECT 1) = 1", "repeat('x', 1000000000) = ''",
    "\x00", "a" * 20_000, NESTED, "regexp_matches(run, '(')", "load_extension('x')",
)  # fmt: skip


@pytest.fixture(name="book", scope="module")
def made_book(tmp_path_factory: pytest.TempPathFactory) -> BookFolder:
    return shop(tmp_path_factory.mktemp("where") / "book")


def refused(do: object, where: str) -> str:
    with pytest.raises(UsageError) as told:
        do(Filters(where=where))  # type: ignore[operator]
    return str(told.value)


@pytest.mark.parametrize("where", thinned(HOSTILE, 3), ids=range(len(HOSTILE)))
def test_any_failure_is_a_plain_error_in_lists_and_questions(
    where: str, book: BookFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LOADBOOK_SQL_MEMORY_MB", "512")
    asked = [lambda f: load(book, f), lambda f: history(book, f), lambda f: listed_rows(book, LISTED["runs"], f)]
    for do in asked if where in HOSTILE[:4] else asked[-1:]:  # the child is the same
        assert len(refused(do, where)) < 30_000


@pytest.mark.thorough
def test_a_group_s_too(target: str) -> None:
    for where in HOSTILE[:4]:
        refused(lambda f: load(GroupSource(target), f), where)
    found = load(GroupSource(target), Filters(where="plant = 'Linz' AND run LIKE '%R2'")).frame
    assert found["run"].tolist() == ["Linz/R2"]


def test_at_the_shell_nothing_is_an_unexpected_fault(book: BookFolder, capsys: pytest.CaptureFixture[str]) -> None:
    for words in (("backtest",), ("moved",), ("list", "runs"), ("judge",)):
        try:
            code = 0
            cli([*words, "--where", "\u202e", "--book", str(book.path)], standalone_mode=False)
        except SystemExit as end:
            code = int(end.code or 0)
        except LoadbookError as exc:
            code = exc.exit_code
            print(exc, file=sys.stderr)
        told = capsys.readouterr().err
        assert code == 2, (words, told)
        assert "unexpected fault" not in told and "\u202e" not in told


def test_the_parent_needs_little_memory_and_waits_not_for_long(
    book: BookFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    resource = pytest.importorskip("resource")
    monkeypatch.setenv("LOADBOOK_SQL_SECONDS", "5")
    monkeypatch.setenv("LOADBOOK_SQL_MEMORY_MB", "512")
    refused(lambda f: load(book, f), "run = 'x")  # what is loaded anyhow
    before, began = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, time.monotonic()
    for do in (lambda f: load(book, f), lambda f: listed_rows(book, LISTED["runs"], f)):
        refused(do, NESTED)
    assert time.monotonic() - began < 20
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100_000  # KB


@pytest.mark.thorough
def test_one_dialect_over_records_and_movement(book: BookFolder) -> None:
    def runs(where: str, **more: str) -> list[str]:
        return chosen_runs(book, (), Filters(where=where, **more))

    assert runs("run IN ('R1', 'R4') AND month(started) = 3") == ["R1", "R4"]
    assert runs("operator = 'A. Operator'") == ["R1"]
    assert runs("started >= TIMESTAMP '2026-04-01'", furnace="F1") == ["R2", "R5"]
    assert runs("verdict = 'no trace' AND run ILIKE 'r2'") in ([], ["R2"])
    rows = listed_rows(book, LISTED["jobs"], Filters(where="confidential"))[1]
    assert [r["job"] for r in rows] == ["J2"]
    _, few, total = listed_rows(book, LISTED["pieces"], Filters(where="part = '00123'"), limit=1)
    assert (len(few), total) == (1, 3)
    _, rows, _ = listed_rows(book, LISTED["readings"], Filters(where="kind = 'outside diameter' AND value_mm > 100"))
    assert {r["run"] for r in rows} == {"R1", "R2"}
    for kind, listed in LISTED.items():
        assert listed_rows(book, listed, Filters(where="1 = 0"))[2] == 0, kind
    assert load(book, Filters(where="run = 'R2' AND movement_um > 10")).frame["run"].tolist() == ["R2"]
    assert set(history(book, Filters(where="run = 'R2'")).movement["run"]) == {"R2"}
    assert len(history(book, Filters(where="false")).movement) == 0
