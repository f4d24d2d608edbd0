"""Reports: portable SQL with declared parameters and columns; a shop's own join them behind the guard."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from loadbook.core import times
from loadbook.core.errors import LoadbookError, OpenQuestion, UsageError
from loadbook.queries import reports
from loadbook.queries.sql import ask_sql
from loadbook.store import sql_files
from loadbook.store.book import BookFolder

from .smallbook import put, reading, run, small, trace

SHIPPED = sorted(sql_files.reports()[0])
# what two engines do not read the same way (schema/reports must do without); quantiles go through schema/functions
UNPORTABLE = {
    r"\bquantile_(cont|disc)\b": "quantile_cont", r"\blist\s*\(": "ordered list()", r"(?<!\()\bPIVOT\b": "PIVOT",
    r"\*\s*REPLACE\b": "* REPLACE", r"\bCOLUMNS\s*\(": "COLUMNS()", r"\bASOF\b": "ASOF",
    r"\b(range|generate_series)\s*\(": "range", r"\bdate_diff\b|\bdatediff\b": "date_diff",
    r"\bAT\s+TIME\s+ZONE\b": "AT TIME ZONE", r"\bmode\s*\(": "mode", r"\bLIMIT\s+[\d.]+\s*(%|PERCENT)": "LIMIT n %",
}  # fmt: skip


@pytest.fixture
def book(tmp_path: Path) -> BookFolder:
    """Three runs: slow, fast and aborted; one piece hung and moved 20 µm, one laid and moved 200 µm."""
    made = small(tmp_path / "book")
    run(made, "R1", 2, serials=("1", "2"), piece_setup="hung")
    run(made, "R2", 5, piece_setup="laid")
    run(made, "R3", 9, status="aborted", furnace="F2")
    trace(made, "R1", "t-1")
    for name, moved in (("R1", 0.02), ("R2", 0.2), ("R3", 0.1)):
        put(made, "reading", reading(name, "before", 100.0, None), reading(name, "after", 100.0 + moved, None))
    put(made, "reading", reading("R1", "before", 100.0, None, serial="2"))
    for name, rate in (("R1", 50.0), ("R2", 130.0)):
        put(
            made, "parameter",
            {"run": name, "parameter": "heating_rate_peak_c_per_h", "value": rate, "unit": "c_per_h",
             "source": "stated"},
        )  # fmt: skip
    with made.write() as conn:
        for row in (
            ("R1", "run", "run", "broken", "", None, None), ("R2", "run", "run", "kept", "", None, None),
            ("R1", "clause", "soak 2", "broken", "soak at least 120 min", None, 90.0),
            ("R1", "clause", "spread", "kept", "spread at most 40", None, 12.0),
            ("R1", "fault", "frozen", "suspected", "did not move", "TC 1", None),
        ):  # fmt: skip
            conn.execute(
                "INSERT INTO finding (run, what, name, verdict, text, channel, value, algorithm)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, '1')",
                row,
            )
    put(
        made, "furnace_check",
        {"furnace": "F1", "kind": "leak-up", "done_on": "2025-01-01", "due_on": "2027-01-01"},
        {"furnace": "F1", "kind": "leak-up", "done_on": "2025-06-01", "due_on": "2026-06-01"},
        {"furnace": "F1", "kind": "leak-up", "done_on": "2026-07-01", "due_on": "2027-07-01"},
    )  # fmt: skip
    return made


def shown(book: BookFolder, name: str, **given: str) -> list[dict[str, Any]]:
    found = reports.run_report(book, name, given)
    return [dict(zip(found.columns, row, strict=True)) for row in found.rows]


def test_there_are_twelve() -> None:
    assert len(SHIPPED) >= 12


@pytest.mark.parametrize("name", SHIPPED)
def test_a_report_declares_all_and_gives_the_columns_it_declares(book: BookFolder, name: str) -> None:
    file = sql_files.reports()[0][name]
    assert file.title and file.question.endswith("?") and file.needs and file.columns
    body = re.sub(r"--[^\n]*", "", file.text)
    assert set(re.findall(r"\$(\w+)", body)) - {"zone"} == {p.name for p in file.parameters}  # the clock's
    assert reports.run_report(book, name).columns == [c.name for c in file.columns]
    for column in file.columns:
        ends = re.search(r"_(c_per_h|um|mm|kg|min|minutes)$", column.name)
        if ends and column.type == "number":
            assert column.unit in (ends[1], "min"), f"{column.name} declares {column.unit!r}"


@pytest.mark.parametrize("name", SHIPPED)
def test_a_report_is_written_so_that_two_engines_read_it_the_same_way(name: str) -> None:
    body = re.sub(r"--[^\n]*", "", sql_files.reports()[0][name].text)
    assert [what for pattern, what in UNPORTABLE.items() if re.search(pattern, body, re.IGNORECASE)] == []


@pytest.mark.parametrize(
    "text",
    ["SELECT quantile_cont(x, 0.5)", "SELECT list(x ORDER BY y)", "PIVOT t ON a", "SELECT * REPLACE (1 AS a)",
     "FROM range(3)", "SELECT mode(x)", "LIMIT 10 %", "a ASOF JOIN b", "SELECT x AT TIME ZONE 'UTC'",
     "SELECT date_diff('day', a, b)", "SELECT COLUMNS('a.*')"],
)  # fmt: skip
def test_the_list_of_what_is_not_portable_catches_each(text: str) -> None:
    assert any(re.search(pattern, text, re.IGNORECASE) for pattern in UNPORTABLE)


def test_what_the_reports_say(book: BookFolder) -> None:
    by_setup = {r["setup"]: r for r in shown(book, "movement_by_setup")}
    assert by_setup["hung"]["median_um"] == pytest.approx(20) and by_setup["laid"]["runs"] == 1
    slow, fast = shown(book, "heating_rate_bands")
    assert (slow["band"], fast["band"]) == ("1 slow", "3 fast")
    assert (slow["within_part_um"], fast["within_part_um"]) == (pytest.approx(-90), pytest.approx(90))
    (all_slow,) = shown(book, "heating_rate_bands", slow="9000", fast="9999")
    assert all_slow["within_part_um"] is None, "a part that was run in one band alone compares nothing"
    assert [r["clause"] for r in shown(book, "broken_clauses")] == ["soak 2"]
    assert {r["reason"]: r["pairs"] for r in shown(book, "movement_set_aside")} == {
        "no after reading": 1, "run aborted": 1,
    }  # fmt: skip
    first, second = shown(book, "month_summary")
    assert (first["furnace"], first["runs"], first["cycles_broken"], first["cycles_kept"], first["pieces"]) == (
        "F1", 2, 1, 1, 3,
    )  # fmt: skip
    assert (second["furnace"], second["aborted"]) == ("F2", 1)
    assert [r["run"] for r in shown(book, "worst_movers", most="1")] == ["R2"]
    assert shown(book, "worst_movers")[0]["outside_tolerance"] is True
    assert [(r["run"], r["serial"]) for r in shown(book, "missing_after_readings")] == [("R1", "2")]
    assert shown(book, "past_due", on="2026-06-02")[0]["due_on"].isoformat() == "2026-06-01"
    assert shown(book, "past_due", on="2026-06-01") == []
    assert shown(book, "past_due", on="2026-07-01") == []
    assert shown(book, "failing_thermocouples") == []
    (failed,) = shown(book, "failing_thermocouples", least="1")
    assert (failed["channel"], failed["faults"], failed["mean_uses"]) == ("TC 1", "frozen", 4.0)
    assert {r["furnace"]: r["share_kept"] for r in shown(book, "furnaces_compared")} == {"F1": 0.5}


def test_outside_a_tolerance_of_one_limit(book: BookFolder) -> None:
    """Inside it is false, as with two limits; only where the drawing gives none is it open."""
    limits = {"out": {"upper_mm": 0.05}, "in": {"upper_mm": 0.5}, "least": {"lower_mm": 0.0}, "free": {}}
    put(book, "characteristic", *(
        {"part": "00123", "characteristic": c, "kind": "circularity", "scale": "um"} | given
        for c, given in limits.items()
    ))  # fmt: skip
    put(book, "reading", *(
        reading("R1", stage, value, None, characteristic=c)
        for c in limits for stage, value in (("before", 0.01), ("after", 0.1))
    ))  # fmt: skip
    told = {"out": True, "in": False, "least": False, "free": None}
    movers = shown(book, "worst_movers", kind="circularity")
    assert {r["characteristic"]: r["outside_tolerance"] for r in movers} == told
    read = ask_sql(
        book, "SELECT characteristic, outside_tolerance FROM readings WHERE kind = 'circularity' AND stage = 'after'"
    )
    assert dict(read.rows()) == told
    treated = {r["setup"]: r for r in shown(book, "movement_by_treatment", process="stress relief")}
    assert (treated["hung"]["set_aside"], treated["laid"]["over_tolerance"]) == (1, 1)
    assert shown(book, "movement_by_treatment", process="anneal") == []


def test_values_given_are_read_by_their_type_and_unit(book: BookFolder) -> None:
    found = reports.run_report(book, "heating_rate_bands", {"fast": "200 F/h", "slow": "40"})
    assert found.given == {"fast": pytest.approx(111.111, abs=1e-3), "slow": 40.0}
    for given, error in (
        ({"fast": "quick"}, "rate"), ({"fast": "200 F"}, "not a unit of rate"), ({"fst": "1"}, "Did you mean 'fast'"),
    ):  # fmt: skip
        with pytest.raises(UsageError, match=error):
            reports.run_report(book, "heating_rate_bands", given)
    with pytest.raises((UsageError, OpenQuestion), match="year first"):
        reports.run_report(book, "broken_clauses", {"since": "03/04/2026"})
    with pytest.raises(UsageError, match=r"is an? integer"):
        reports.run_report(book, "worst_movers", {"most": "1.5"})
    with pytest.raises(UsageError, match="Did you mean 'month_summary'"):
        reports.run_report(book, "month_sumary")


def own(book: BookFolder, name: str, text: str) -> None:
    (book.path / "reports").mkdir(exist_ok=True)
    (book.path / "reports" / name).write_text(text, encoding="utf-8")


def test_a_shop_s_own_report_joins_the_list_and_takes_parameters(book: BookFolder) -> None:
    own(
        book, "mine.sql",
        "-- title: Mine\n-- question: Which runs?\n-- parameter: m | month | | - | the month\n"
        "-- parameter: f | text | | | furnace\n"
        "SELECT run FROM runs WHERE started >= CAST($m_start AS TIMESTAMP) AND started < CAST($m_end AS TIMESTAMP)\n"
        "AND ($f IS NULL OR furnace = $f) ORDER BY run -- done",
    )  # fmt: skip
    assert reports.available(book)[0]["mine"].title == "Mine"
    assert [r["run"] for r in shown(book, "mine", m="2026-03")] == ["R1", "R2", "R3"]
    assert [r["run"] for r in shown(book, "mine", m="2026-03", f="F2")] == ["R3"]
    assert shown(book, "mine", m="2026-04") == []
    with pytest.raises(UsageError, match=r"needs m.*m=MONTH \(the month\)"):
        shown(book, "mine")


def test_a_shop_s_own_report_runs_behind_the_guard(book: BookFolder, tmp_path: Path) -> None:
    for number, text in enumerate(
        (f"COPY run TO '{tmp_path.as_posix()}/x.csv'", "SELECT * FROM read_text('/etc/passwd')", "DROP VIEW movement",
         f"WITH a AS (COPY run TO '{tmp_path.as_posix()}/x.csv') SELECT 1")
    ):  # fmt: skip
        own(book, f"bad{number}.sql", text)
        with pytest.raises(LoadbookError):
            shown(book, f"bad{number}")
    assert not (tmp_path / "x.csv").exists()


def test_a_file_that_cannot_join_is_said_and_the_others_work(book: BookFolder) -> None:
    own(book, "month_summary.sql", "SELECT 1")
    own(book, "broken.sql", "-- parameter: x\nSELECT 1")
    (book.path / "reports" / "binary.sql").write_bytes(b"\xff\xfe\x00")
    known, wrong = reports.available(book)
    assert len(known) == len(SHIPPED) and len(wrong) == 3
    assert "the name" in wrong[2] or "has this name" in wrong[2]


def test_sql_errors_help(book: BookFolder) -> None:
    with pytest.raises(UsageError, match=r"no table or view 'movment'.*Did you mean 'movement'\? Views: "):
        ask_sql(book, "SELECT * FROM movment")
    with pytest.raises(UsageError, match=r"no column 'movment_um'.*Did you mean .*movement_um"):
        ask_sql(book, "SELECT movment_um FROM movement")
    with pytest.raises(UsageError, match="syntax error"):
        ask_sql(book, "SELEC 1")
    with pytest.raises(UsageError, match='write "at"'):
        ask_sql(book, "SELECT min(at) FROM event")
    assert ask_sql(book, 'SELECT min("at") FROM event').count == 1


def test_the_commands_as_a_user_meets_them(book: BookFolder, loadbook: Callable[..., Any]) -> None:
    folder = {"LOADBOOK_BOOK": str(book.path)}
    done = loadbook("sql", "SELECT run, count(*) AS n FROM samples GROUP BY run", "--format", "json", **folder)
    assert done.returncode == 0 and json.loads(done.stdout) == [{"run": "R1", "n": 120}]
    done = loadbook("report", "worst_movers", "most=1", "--format", "csv", **folder)
    assert done.stdout.splitlines()[0].startswith("kind,place,run,started") and len(done.stdout.splitlines()) == 2
    assert "Which pieces moved farthest" in done.stderr
    people = loadbook("report", "worst_movers", "most=1", **folder).stdout.splitlines()[2]
    began = json.loads(loadbook("report", "worst_movers", "most=1", "--format", "json", **folder).stdout)[0]["started"]
    assert times.shown(f"{began}Z", book.zone)[:16] in people, "people read the shop's clock, machines UTC"
    assert "Nothing fits" in loadbook("report", "answers_scored", **folder).stderr
    assert all(name in loadbook("report", **folder).stdout for name in SHIPPED)
    assert "must" not in loadbook("report", "past_due", "--about", **folder).stdout
    for words, code, said in (
        (("sql", "DROP TABLE run"), 2, "DROP is not allowed"), (("report", "nothing"), 2, "there is no report"),
        (("report", "past_due", "today"), 2, "is not of the form name=value"),
    ):  # fmt: skip
        done = loadbook(*words, **folder)
        assert (done.returncode, done.stdout) == (code, "") and said in done.stderr and "Traceback" not in done.stderr
    (book.path / "traces/2026/t-1.parquet").unlink()
    query = ("sql", "SELECT count(*) AS n FROM samples", "--format", "csv")
    done = loadbook(*query, **folder)
    assert (done.returncode, done.stdout) == (3, "")
    assert "t-1.parquet: the trace of run R1 cannot be read: the file is missing" in done.stderr
    done = loadbook(*query, "--without-damaged", **folder)
    assert (done.returncode, done.stdout) == (3, "n\n0\n") and "t-1.parquet: the file is missing" in done.stderr


def test_a_bare_number_is_no_rate_in_a_us_book(loadbook: Callable[..., Any], tmp_path: Path) -> None:
    """100 would be °C/h to the report and °F/h to everybody who reads it."""
    small(tmp_path / "us", units="us").close()
    folder: Any = {"cwd": tmp_path / "us"}
    done = loadbook("report", "heating_rate_bands", "slow=100", **folder)
    assert done.returncode != 0
    assert 'slow=100 has no unit. Write slow="100 F/h"' in done.stderr
    done = loadbook("report", "heating_rate_bands", "slow=100 F/h", **folder)
    assert done.returncode == 0
    assert "(slow=100 °F/h, fast=216 °F/h)" in done.stdout + done.stderr
    about = loadbook("report", "heating_rate_bands", "--about", **folder).stdout
    assert "108 °F/h" in about
    assert "slowest_f_per_h" in about
    assert "c_per_h" not in about
