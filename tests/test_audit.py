"""No accepted value changes without an amendment; whatever is edited around the guards, verify finds it.

Over the whole schema: for every table and every column, an edit with the triggers taken away and put back is found.
What stands outside the chain is named here with what protects it.
"""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from loadbook.store import chain, derived_checksum, migrations
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake, amend
from loadbook.store.verify import records, verify

from . import crashbook, smallbook

Run = Callable[..., subprocess.CompletedProcess[str]]

# outside the chain, and what protects it instead
OUTSIDE = {
    "setting": "a seal, and triggers that want an amendment",
    "finding": "the run's seal; loadbook recompute computes it again from the trace",
    "answer_outcome": "a seal; loadbook backtest computes it again",
    "parameter": "stated figures stand in the chain; what was computed has the run's seal and loadbook recompute",
    "seal": "the sets that it seals: a seal that was changed does not agree with them",
}
# no records: verify compares the list of steps with the program's own, and nothing that it finds rests on revisions
NO_RECORDS = {"_sqlite_migrations", "revision"}


def types() -> dict[tuple[str, str], str]:
    """(table, column) -> type, of the newest schema."""
    conn = sqlite3.connect(":memory:", isolation_level=None)
    migrations.apply(conn)
    tables = sorted({name for kind, name in migrations.objects(conn) if kind == "table"} - NO_RECORDS)
    return {(t, r[1]): r[2] for t in tables for r in conn.execute(f"PRAGMA table_info({t})")}


TYPES = types()
SCHEMA = {table: [c for t, c in TYPES if t == table] for table, _ in TYPES}


def filler(conn: sqlite3.Connection, table: str, known: dict[str, Any]) -> dict[str, Any]:
    """A row with a value in every column, as far as the table's own rules can be read off its declaration."""
    row: dict[str, Any] = {}
    for _, name, kind, _, _, key in conn.execute(f"PRAGMA table_info({table})"):
        if key or name == "intake_id":
            continue
        row[name] = known.get(name, {"TEXT": f"{table} {name}", "INTEGER": 1, "REAL": 1.5}[kind])
    return row


KNOWN: dict[str, dict[str, Any]] = {
    "": {
        "material": "steel", "part": "00123", "run": "R1", "furnace": "F1", "gauge": "G1", "cycle": "SR",
        "revision": "A", "cycle_revision": "A", "characteristic": "od", "serial": "1", "stage": "before", "typed": "{}",
        "trace_id": "full", "job": "J1",
    },
    "material": {"material": "full", "reactive": 1}, "part": {"part": "full"},
    "characteristic": {"characteristic": "full", "scale": "um"},
    "job": {"job": "J1"}, "furnace": {"furnace": "full"}, "gauge": {"gauge": "full"}, "cycle": {"cycle": "full"},
    "furnace_check": {"done_on": "2026-01-01", "due_on": "2026-02-01", "passed": 1},
    "cycle_segment": {"kind": "heat", "rate_of": "work", "on_leaving": "end", "soak_by": "work", "number": 9},
    "cycle_limit": {"relation": "max", "phase": "any", "scope": "load", "rounding": "fraction", "number": 9},
    "run": {"run": "full", "status": "done", "started": "2026-01-01T00:00:00Z", "ended": "2026-01-02T00:00:00Z",
            "repeats_run": "R1"},
    "piece": {"serial": "full", "axis": "flat"}, "channel": {"role": "work", "channel": "full"},
    "trace": {"state": "withdrawn", "path": "traces/2026/full.parquet"}, "trace_channel": {"number": 9},
    "reading": {"value": None, "repeat": 9, "already_at_20c": 1},
    "parameter": {"source": "stated", "algorithm": None}, "confirmation": {"subject": "fault", "decision": "refused",
                                                                           "reading_id": 1},
    "layout": {"name": "full", "revision": 1}, "operation": {"serial": "full"},
    "approval": {"first_article_of": "00123"}, "precheck": {"verdict": "pass"},
    "trial": {"low": 1.0, "high": 2.0},
}  # fmt: skip
ORDER = [
    "material", "part", "characteristic", "job", "furnace", "furnace_check", "gauge", "calibration", "cycle",
    "cycle_segment", "cycle_limit", "run", "piece", "operation", "channel", "event", "trace", "trace_channel",
    "reading", "parameter", "confirmation", "approval", "nonconformance", "history_break", "answer", "layout",
    "precheck", "trial", "trial_run",
]  # fmt: skip


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A book with a row in every table that has a value in every column, verified clean but for a trace's file."""
    folder = tmp_path_factory.mktemp("audit")
    with smallbook.small(folder / "book") as book:
        smallbook.run(book, "R1", 1)
        for table in ORDER:
            known = {**KNOWN[""], **KNOWN.get(table, {})}
            smallbook.put(book, table, filler(book.read(), table, known))
        with book.write() as conn:
            add_intake(
                conn, "gauges", {"gauge": [{"gauge": "G9", "kind": "tape"}]}, rows_read=2, file_name="g.csv",
                file_sha256="0" * 64, rows_already=1, rows_refused=1, taken_by="tester",
            )  # fmt: skip
            amend(conn, "part", "full", 2, {"shape": "plate"}, "drawing B", "tester")
            conn.execute(
                "INSERT INTO parameter (run, parameter, channel, value, unit, source, se, at_s, note, algorithm)"
                " VALUES ('R1', 'cycle_hours', 'c', 1, 'h', 'trace', 1, 1, 'n', '1')"
            )
            columns = ", ".join(derived_checksum.FINDING)
            values = {"what": "run", "run": "R1", "uncertain": 1}
            row = filler(conn, "finding", values)
            conn.execute(
                f"INSERT INTO finding ({columns}) VALUES ({', '.join('?' * len(row))})",
                [row[c] for c in derived_checksum.FINDING],
            )
            conn.execute(
                "INSERT INTO answer_outcome (answer_id, run, pieces, inside, within_bound) VALUES (1, 'R1', 3, 2, 2)"
            )
            derived_checksum.everything(conn)
        for table, columns_of in SCHEMA.items():
            found = [tuple(r) for r in book.read().execute(f"SELECT * FROM {table}")]
            filled = {c for i, c in enumerate(columns_of) if any(r[i] is not None for r in found)}
            assert set(columns_of) - filled <= ({"value"} if table == "reading" else set()), (
                f"{table}: no value in {set(columns_of) - filled}"
            )
        book.read().execute("PRAGMA wal_checkpoint(TRUNCATE)")
        assert records(book.read()) == []
    return folder / "book"


@pytest.fixture(scope="module")
def tampered(full: Path) -> Iterator[Callable[[str], list[str]]]:
    """Run an edit with every guard and rule taken away, and give back what verify says of the records; undone after."""
    source = sqlite3.connect(full / "book.sqlite", isolation_level=None)
    conn = sqlite3.connect(":memory:", isolation_level=None)
    source.backup(conn)
    source.close()
    conn.row_factory = sqlite3.Row
    conn.execute("PRAGMA foreign_keys = OFF")
    conn.execute("PRAGMA ignore_check_constraints = ON")
    for kind, name in migrations.objects(conn):
        if kind == "trigger":
            conn.execute(f"DROP TRIGGER {name}")

    def edit(sql: str) -> list[str]:
        conn.execute("BEGIN")
        try:
            assert conn.execute(sql).rowcount > 0, "the edit changed nothing"
            return [*chain.check(conn), *derived_checksum.check(conn)]
        finally:
            conn.execute("ROLLBACK")

    yield edit
    assert [*chain.check(conn), *derived_checksum.check(conn)] == []
    conn.close()


def other(table: str, column: str) -> str:
    """An expression that gives another value of the column's type."""
    kinds = {
        "INTEGER": f"ifnull({column} + 1000, 1)", "REAL": f"ifnull({column} + 0.001, 1)",
        "TEXT": f"ifnull({column} || '!', '!')",
    }  # fmt: skip
    return kinds[TYPES[table, column]]


@pytest.mark.parametrize("table", sorted(SCHEMA))
def test_every_cell_that_is_edited_around_the_triggers_is_found(
    table: str, tampered: Callable[[str], list[str]]
) -> None:
    """Each column changed, each value emptied, a row removed: nothing goes unseen."""
    key = SCHEMA[table][0]
    missed = []
    for column in SCHEMA[table]:
        where = f"rowid = (SELECT max(rowid) FROM {table} WHERE {column} IS NOT NULL)"
        if table == "reading" and column == "value":
            continue  # empty here, as the schema wants it where there is value_mm; the next test sets it
        if not tampered(f"UPDATE {table} SET {column} = {other(table, column)} WHERE {where}"):
            missed.append(column)
    # numbers that nothing refers to and nothing shows: the rows themselves are under the seal
    unseen = {"setting": ["setting_id"], "finding": ["finding_id"], "answer_outcome": ["answer_outcome_id"],
              "seal": ["seal_id"], "parameter": ["parameter_id"]}  # fmt: skip
    if table == "parameter":
        assert tampered("UPDATE parameter SET parameter_id = 1000 WHERE source = 'stated'"), "a stated figure's number"
    assert missed == unseen.get(table, [])
    assert tampered(f"DELETE FROM {table} WHERE {key} = (SELECT max({key}) FROM {table})"), "a row removed"
    assert set(unseen) == set(OUTSIDE)


def test_values_put_where_there_was_none_are_found(tampered: Callable[[str], list[str]]) -> None:
    assert tampered("UPDATE reading SET value = 5 WHERE reading_id = (SELECT max(reading_id) FROM reading)")
    assert tampered("UPDATE part SET revision = 'B' WHERE revision IS NULL")
    assert tampered("UPDATE parameter SET intake_id = NULL WHERE source = 'stated'")
    assert tampered("UPDATE parameter SET intake_id = 1 WHERE source = 'trace'")


ROUNDABOUT = {
    "a row put into an old intake": "INSERT INTO furnace (furnace, atmosphere, intake_id) VALUES ('F9', 'air', 1)",
    "a row replaced": "INSERT OR REPLACE INTO gauge (gauge_id, gauge, kind, intake_id) VALUES (1, 'G1', 'tape', 1)",
    "an intake outside the chain": "INSERT INTO intake (kind, rows_read, rows_added, taken_by, taken_at)"
    " VALUES ('parts', 1, 1, 'x', 'y')",
    "an amendment outside the chain": "INSERT INTO amendment (kind, record, row_id, column_name, old_value, new_value,"
    " why, who, at) VALUES ('part', 'full', 2, 'length_mm', '1.5', '9.9', 'w', 'w', 'a')",
    "the same value of another type": "UPDATE intake SET kind = kind || char(0) WHERE intake_id = 1",
    "two rows exchanged": "UPDATE gauge SET gauge = CASE gauge WHEN 'G1' THEN 'G2' ELSE 'G1' END"
    " WHERE gauge IN ('G1', 'G2')",
    "a link renumbered": "UPDATE chain SET link = 1000 WHERE link = (SELECT max(link) FROM chain)",
    "the last bit of a figure": "UPDATE part SET length_mm = length_mm * (1 + 2.3e-16) WHERE part = '00123'",
    "an amended value set back": "UPDATE part SET shape = 'part shape' WHERE part = 'full'",
}


@pytest.mark.parametrize("edit", ROUNDABOUT.values(), ids=ROUNDABOUT.keys())
def test_roundabout_edits_are_found(edit: str, tampered: Callable[[str], list[str]]) -> None:
    try:
        found = tampered(edit)
    except sqlite3.IntegrityError as exc:
        assert "UNIQUE" in str(exc)  # the table's own rule was in the way
        found = tampered(edit.replace("gauge = CASE gauge", "kind = CASE gauge"))
    assert found


def test_every_table_is_in_the_chain_or_named_outside(full: Path) -> None:
    with BookFolder.open(full) as book:
        chained = set(chain.recorded_tables(book.read())) | {"intake", "amendment", "chain"}
    assert chained | set(OUTSIDE) == set(SCHEMA)
    assert chained & set(OUTSIDE) == {"parameter"}


GUARDED = sorted(set(SCHEMA) - {"finding", "answer_outcome", "seal"})


@pytest.mark.parametrize("table", GUARDED)
def test_plain_sql_is_refused(table: str, full: Path, tmp_path: Path) -> None:
    """Every column of every accepted row, with any SQLite tool, foreign keys and recursive triggers off."""
    shutil.copy(full / "book.sqlite", tmp_path / "book.sqlite")
    conn = sqlite3.connect(tmp_path / "book.sqlite", isolation_level=None)
    rows = "WHERE intake_id IS NOT NULL" if table == "parameter" else ""
    for column in SCHEMA[table]:
        before = conn.execute(f"SELECT * FROM {table}").fetchall()
        with pytest.raises(sqlite3.IntegrityError, match=r"amend|never"):
            conn.execute(f"UPDATE {table} SET {column} = {other(table, column)} {rows}")
        assert conn.execute(f"SELECT * FROM {table}").fetchall() == before
    with pytest.raises(sqlite3.IntegrityError, match="never"):
        conn.execute(f"DELETE FROM {table} {rows}")
    conn.close()


def test_an_amendment_without_its_link_lets_an_edit_through_and_verify_names_it(full: Path, tmp_path: Path) -> None:
    """Somebody who knows the triggers writes the amendment by hand: refused by none, found by the chain."""
    shutil.copytree(full, tmp_path / "book")
    with BookFolder.open(tmp_path / "book") as book:
        conn = book.read()
        conn.execute(ROUNDABOUT["an amendment outside the chain"])
        conn.execute("UPDATE part SET length_mm = 9.9 WHERE part = 'full'")
        assert "amendment 2 stands outside the chain" in verify(book).wrong


def test_a_head_kept_elsewhere_finds_what_the_chain_alone_cannot(tmp_path: Path, inside: Run) -> None:
    """The chain's end cut off with all it put in, and the whole chain made anew: both only with --last-link."""
    with smallbook.small(tmp_path / "book") as book:
        smallbook.put(book, "furnace", {"furnace": "F9", "atmosphere": "air"})
        kept = verify(book).last_link
        conn = book.read()
        conn.execute("PRAGMA foreign_keys = OFF")
        for (kind, name), _ in migrations.objects(conn).items():
            if kind == "trigger":
                conn.execute(f"DROP TRIGGER {name}")
        conn.execute("DELETE FROM furnace WHERE furnace = 'F9'")
        last = conn.execute("SELECT max(intake_id) FROM intake").fetchone()[0]
        conn.execute("DELETE FROM chain WHERE intake_id = ?", (last,))
        conn.execute("DELETE FROM intake WHERE intake_id = ?", (last,))
        with book.write() as writing:
            migrations.restore_guards(writing)
    assert inside("verify", "--book", "book").returncode == 0
    said = inside("verify", "--last-link", kept, "--book", "book")
    assert said.returncode == 3
    assert "the chain's end was cut off" in said.stdout
    assert inside("verify", "--last-link", kept[:-1], "--book", "book").returncode == 2, (
        "a head copied in part is not an alarm"
    )
    assert inside("verify", "--last-link", f" {kept.upper()} ", "--book", "book").returncode == 3


def accepted(book: Path) -> dict[tuple[str, int], tuple[Any, ...]]:
    """Every accepted row of a book by table and number."""
    with BookFolder.open(book) as opened:
        conn = opened.read()
        tables = [*chain.recorded_tables(conn), "intake", "amendment", "chain", "setting"]
        found = {}
        for table in tables:
            rows = "WHERE intake_id IS NOT NULL" if table == "parameter" else ""
            for row in conn.execute(f"SELECT * FROM {table} {rows}"):
                found[table, row[0]] = tuple(row)
        return found


COMMANDS = [
    "take readings before.csv after.csv", "take readings before.csv", "take gauges gauges.csv --keep-good",
    "add furnaces furnace=F9 atmosphere=air", "add parts part=00123 material=other", "trace take chart4.csv --run R4",
    "trace take chart1.csv --run R4", "trace look chart1.csv", "trace layout save own chart1.csv",
    "amend parts 00123 shape=plate --why drawing", "amend parts 00123 part=00124 --why renamed",
    "amend traces {trace} state=withdrawn --why wrong", "amend settings units value=us --why asked", "list parts",
    "show part 00123", "find bore", "judge R1", "recompute", "needs", "keep-links kept.links",
    "precheck R1", "precheck R1 --person A --tick racking", "follow chart1.csv --run R4 --once", "page precheck R1",
    "watch add . --furnace F1 --names none*", "watch --once", "watch list", "watch status", "watch drop .",
    "shop --name Kilnside", "shop", "choose --part 00123 --tolerance 0.1",
    "confirm reading 1 --decision confirmed --person A --why blunder",
    "moved", "effect --kind bore", "answer --part 00123 --characteristic bore --save", "trial bore --of soak_minutes",
    "backtest", "report", "report month_summary", "verify", "pack --before 2026-01", "backup kept.zip",
    "restore kept.zip again", "restore kept.zip book --lost-traces", "upgrade", "export 2026-03 -o month.xlsx",
    "explain movement",
]  # fmt: skip


@pytest.fixture(scope="module")
def busy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The crash trial's folder: a book of traced runs, files to take in."""
    folder = tmp_path_factory.mktemp("commands") / "folder"
    crashbook.make(folder)
    (folder / "gauges.csv").write_text("gauge,kind\nG2,micrometer\nG1,tape\n", encoding="utf-8")
    return folder


@pytest.mark.thorough
def test_no_command_changes_an_accepted_value_without_an_amendment(busy: Path, inside: Run) -> None:
    """Every command in turn on one book: rows that were there stay to the bit, but for cells with an amendment."""
    from loadbook.cli.main import COMMANDS as NAMES

    before = accepted(busy / "book")
    trace = next(row[1] for (table, _), row in before.items() if table == "trace")
    changed = 0
    for line in COMMANDS:
        words = [w.format(trace=trace) for w in line.split()]
        done = inside(*words, cwd=busy, LOADBOOK_BOOK="book")
        assert done.returncode in (0, 1, 2, 3), (line, done.stderr)
        assert "unexpected fault" not in done.stderr, (line, done.stderr)
        after = accepted(busy / "book")
        amended = {
            (row[1], row[3], row[4]) for (table, _), row in after.items() if table == "amendment"
        }  # table, number, column
        assert before.keys() <= after.keys(), line
        for (table, number), row in before.items():
            for column, old, new in zip(SCHEMA[table], row, after[table, number], strict=True):
                assert old == new or (table, number, column) in amended, (line, table, number, column)
                changed += old != new
        before = after
    assert changed == 4, "shape, state, units and the folder that is watched no more"
    who = [row for (table, _), row in before.items() if table == "amendment"]
    assert all(row[7] and row[8] and row[9] for row in who), "why, who and when"
    # asked for here, or without a book of their own, or with no effect on records
    without = {"new", "demo", "template", "sql", "cycle", "page", "chart", "letter", "group"}
    assert {line.split()[0] for line in COMMANDS} | without >= set(NAMES)
    assert verify(BookFolder.open(busy / "book")).wrong == []
