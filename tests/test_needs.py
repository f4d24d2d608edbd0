"""What needs a person, runs in relation, and verdicts as a filter: on small books whose truth is planted."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from loadbook.core.errors import IntakeError, UsageError
from loadbook.queries.confirm import confirm_reading, reading_named
from loadbook.queries.filters import Filters
from loadbook.queries.judge import judge_run
from loadbook.queries.needs import SETTLED, needs
from loadbook.queries.relations import relations_of
from loadbook.queries.run_choice import chosen_runs
from loadbook.readers.tables.take import add_row
from loadbook.store.book import BookFolder

from .smallbook import put, reading, run, small

Run = Callable[..., subprocess.CompletedProcess[str]]


def finding(book: BookFolder, name: str, verdict: str, what: str = "run", called: str = "run", **more: Any) -> None:
    with book.write() as conn:
        row = {"run": name, "what": what, "name": called, "verdict": verdict, "text": "", "algorithm": "2", **more}
        marks = ", ".join("?" * len(row))
        conn.execute(f"INSERT INTO finding ({', '.join(row)}) VALUES ({marks})", list(row.values()))


def approve(book: BookFolder, name: str, **more: Any) -> None:
    put(book, "approval", {"run": name, "role": "metallurgist", "person": "AB", "decision": "accepted",
                           "at": "2026-04-01T08:00:00Z", **more})  # fmt: skip


@pytest.fixture
def shop(tmp_path: Path) -> BookFolder:
    """R1 kept; R2 broken; R3 cannot be told; R4 void and broken; R5 aborted, repeated by R6; R7 on paper."""
    book = small(tmp_path / "book")
    for day, (name, status) in enumerate(
        {"R1": "done", "R2": "done", "R3": "done", "R4": "void", "R5": "aborted"}.items(), start=1
    ):
        run(book, name, day, status=status)
    run(book, "R6", 6, repeats_run="R5")
    run(book, "R7", 7)
    for name, verdict in {"R1": "kept", "R2": "broken", "R3": "cannot be told", "R4": "broken", "R5": "broken",
                          "R6": "kept"}.items():  # fmt: skip
        finding(book, name, verdict)
    finding(book, "R2", "broken", "clause", "soak 2")
    return book


def listed(book: BookFolder, what: str, **filters: str) -> list[tuple[str | None, str]]:
    return [(n.run, n.why) for n in needs(book, Filters(**filters) if filters else None) if n.what == what]


def test_a_reading_far_from_its_like_waits_until_a_person_decides(tmp_path: Path) -> None:
    """Eight runs of four pieces that shrink by 5 to 8 µm; in one of them one piece is read 150 µm off."""
    book = small(tmp_path / "book")
    assert not needs(book, what="suspected reading")
    for day in range(1, 9):
        run(book, f"R{day}", day, serials=tuple(f"{day}{k}" for k in range(4)))
        for k in range(4):
            off = 0.150 if (day, k) == (5, 2) else 0.0
            for stage, value in (("before", 50.0), ("after", 50.0 - 0.001 * (5 + (day + k) % 4) + off)):
                put(book, "reading", reading(f"R{day}", stage, value, None, serial=f"{day}{k}"))
    (waits,) = needs(book, what="suspected reading")
    assert (waits.run, waits.day, waits.subject) == ("R5", "2026-03-05", "00123 52")
    assert waits.why == "od: 50.000 mm before, 50.142 mm after; far from its like"
    assert not needs(book, Filters(since="2026-03-07"), "suspected reading")
    named = {"part": "00123", "serial": "52", "characteristic": "od", "stage": "after"}
    confirm_reading(book, reading_named(book, named), "refused", "AB", "it was dented")
    assert not needs(book, what="suspected reading")


def test_runs_that_wait_for_a_decision(shop: BookFolder) -> None:
    assert listed(shop, "decision") == [
        ("R2", "broken: soak 2"), ("R3", "cannot be told: "), ("R7", "no trace to judge")
    ]  # fmt: skip
    approve(shop, "R2", decision="rejected")
    approve(shop, "R3", first_article_of="00123")  # a first piece is not the load
    assert [r for r, _ in listed(shop, "decision")] == ["R3", "R7"]
    assert [r for r, _ in listed(shop, "decision", since="2026-03-04")] == ["R7"]


def test_an_aborted_run_waits_until_it_is_repeated(tmp_path: Path) -> None:
    book = small(tmp_path / "book")
    run(book, "A", 1, status="aborted")
    finding(book, "A", "broken")
    assert listed(book, "decision") == [("A", "ABORTED, broken: ")]
    run(book, "B", 2, repeats_run="A")
    finding(book, "B", "kept")
    assert listed(book, "decision") == []


def test_open_nonconformances_faults_and_readings(shop: BookFolder) -> None:
    put(shop, "nonconformance", {"run": "R2", "what": "soak short", "serial": "1"},
        {"run": "R2", "what": "scale", "closed_on": "2026-03-09"})  # fmt: skip
    finding(shop, "R1", "suspected", "fault", "frozen", channel="TC 5")
    finding(shop, "R1", "refused", "fault", "step", channel="TC 1")
    finding(shop, "R4", "suspected", "fault", "frozen", channel="TC 5")  # void: nobody needs to know
    put(shop, "reading", reading("R1", "before", 100.0, "03-01T07"), reading("R2", "before", 100.0, "03-02T07"),
        reading("R2", "after", 100.01, "03-02T19"))  # fmt: skip
    assert listed(shop, "nonconformance") == [("R2", "soak short")]
    assert listed(shop, "suspected fault") == [("R1", "frozen")]
    assert listed(shop, "after reading") == [("R1", "od")]


def test_runs_made_past_due(shop: BookFolder) -> None:
    check = {"furnace": "F1", "kind": "system accuracy", "done_on": "2026-01-01", "due_on": "2026-03-02", "passed": 1}
    put(shop, "furnace_check", check)
    assert [r for r, _ in listed(shop, "check past due")] == ["R3", "R5", "R6", "R7"]
    approve(shop, "R3")  # who decided saw it below the verdict
    put(shop, "furnace_check", {**check, "done_on": "2026-03-06", "due_on": "2026-06-06"})
    assert listed(shop, "check past due") == [("R5", "system accuracy due 2026-03-02")]


def test_first_pieces_by_part_and_cycle_revision(shop: BookFolder) -> None:
    assert [n.run for n in needs(shop) if n.what == "first piece"] == [None]  # one line until the shop begins
    assert listed(shop, "first piece", since="2026-03-01") == [("R1", "SR revision A: not approved")]
    approve(shop, "R1", first_article_of="00123", decision="rejected: bore")
    assert listed(shop, "first piece") == [("R1", "SR revision A: rejected: bore")]
    approve(shop, "R2", first_article_of="00123", at="2026-04-02T08:00:00Z")
    assert listed(shop, "first piece") == []
    put(shop, "cycle", {"cycle": "SR", "revision": "B", "title": "x", "process": "stress relief", "atmosphere": "air",
                        "source_text": ""})  # fmt: skip
    run(shop, "R8", 8, cycle_revision="B")
    assert listed(shop, "first piece") == [("R8", "SR revision B: not approved")]


def test_a_first_article_is_taken_in_for_a_part_of_the_book(shop: BookFolder) -> None:
    given = {"run": "R1", "role": "quality", "person": "CD", "decision": "accepted", "at": "2026-04-01T08:00"}
    add_row(shop, "approvals", {**given, "first_article_of": "00123"})
    add_row(shop, "approvals", given)  # and the load, by the same person at the same moment
    with pytest.raises(IntakeError):
        add_row(shop, "approvals", {**given, "first_article_of": "no such part"})
    assert judge_run(shop, "R1").approvals == (("quality", "CD", "accepted", "2026-04-01T08:00:00Z"),)


def test_the_command(shop: BookFolder, loadbook: Run) -> None:
    done = loadbook("needs", "--book", str(shop.path))
    assert done.returncode == 0
    assert done.stdout.splitlines()[0] == "Decision (3)" and SETTLED["decision"] in done.stdout
    rows = json.loads(loadbook("needs", "--format", "json", "--book", str(shop.path)).stdout)
    assert rows[0] == {"what": "decision", "run": "R2", "day": "2026-03-02", "subject": None, "why": "broken: soak 2"}
    refused = loadbook("needs", "--what", "holidays", "--book", str(shop.path))
    assert refused.returncode != 0 and "There are: decision" in refused.stderr


def test_nothing_waits(tmp_path: Path, loadbook: Run) -> None:
    book = small(tmp_path / "book")
    assert needs(book) == []
    assert "nothing waits" in loadbook("needs", "--book", str(book.path)).stderr


# ---- verdicts as a filter ------------------------------------------------------------------------------------------
def test_runs_by_their_verdict(shop: BookFolder, loadbook: Run) -> None:
    assert chosen_runs(shop, (), Filters(verdict="broken")) == ["R2", "R4", "R5"]
    assert chosen_runs(shop, (), Filters(verdict="broken, cannot be told")) == ["R2", "R3", "R4", "R5"]
    assert chosen_runs(shop, (), Filters(where="verdict <> 'kept'")) == ["R2", "R3", "R4", "R5", "R7"]
    with pytest.raises(UsageError, match="no run is judged 'brokne'"):
        chosen_runs(shop, (), Filters(verdict="brokne"))
    at = ("--book", str(shop.path))
    table = loadbook("list", "runs", "--verdict", "broken", *at).stdout.splitlines()
    assert table[0].split()[:2] == ["run", "verdict"]
    assert [line.split("  ")[1].strip() for line in table[1:]] == ["broken", "VOID, broken", "ABORTED, broken"]
    rows = json.loads(loadbook("list", "runs", "--format", "json", *at).stdout)
    assert [r["verdict"] for r in rows] == ["kept", "broken", "cannot be told", "broken", "broken", "kept", "no trace"]
    assert len(loadbook("list", "pieces", "--verdict", "kept", "--format", "csv", *at).stdout.splitlines()) == 3


# ---- relations -----------------------------------------------------------------------------------------------------
def twice(path: Path, status: str = "done", second: str | None = "R1") -> BookFolder:
    """A piece that grew by 10 µm in R1 and by 15 µm in R2, straightened between the two."""
    book = small(path)
    run(book, "R1", 1, status=status)
    run(book, "R2", 5, **({"repeats_run": second} if second else {}))
    put(
        book, "reading",
        reading("R1", "before", 100.000, "03-01T07"), reading("R1", "after", 100.010, "03-01T19"),
        reading("R2", "before", 100.002, "03-05T07"), reading("R2", "after", 100.017, "03-05T19"),
    )  # fmt: skip
    return book


def straightened(book: BookFolder) -> None:
    put(book, "operation", *(
        {"part": "00123", "serial": "1", "sequence": n, "operation": what, "run": of, "at": at}
        for n, what, of, at in ((10, "run", "R1", None), (20, "straightening", None, "2026-03-03T10:00:00Z"),
                                (30, "run", "R2", None))
    ))  # fmt: skip


def test_a_repeat_names_its_first_run_and_the_other_way_round(tmp_path: Path) -> None:
    book = twice(tmp_path / "book")
    first, second = relations_of(book, "R1"), relations_of(book, "R2")
    assert first is not None and second is not None
    assert (first.words, second.words) == (["repeated by R2"], ["repeats R1"])
    assert first.runs == second.runs == ("R1", "R2")
    (moved,) = second.moved
    assert moved.moved == pytest.approx((0.010, 0.015)) and moved.total == pytest.approx(0.025)


def test_straightened_between_is_rework_and_its_own_movement_is_not_counted(tmp_path: Path) -> None:
    book = twice(tmp_path / "book", second=None)
    assert relations_of(book, "R2") is None
    straightened(book)
    found = relations_of(book, "R2")
    assert found is not None and found.words == ["1 piece straightened since R1"]
    (moved,) = found.moved
    assert moved.between == ("straightening",) and moved.total == pytest.approx(0.025)


def test_a_void_first_run_moved_the_pieces_all_the_same(tmp_path: Path) -> None:
    found = relations_of(twice(tmp_path / "book", status="void"), "R2")
    assert found is not None and found.moved[0].moved == pytest.approx((0.010, 0.015))


def test_without_a_reading_between_the_whole_way_is_told(tmp_path: Path) -> None:
    book = small(tmp_path / "book")
    run(book, "R1", 1, status="aborted")
    run(book, "R2", 5, repeats_run="R1")
    put(book, "reading", reading("R1", "before", 100.000, "03-01T07"), reading("R2", "after", 100.030, "03-05T19"))
    found = relations_of(book, "R2")
    assert found is not None and found.moved[0].moved == (None, None)
    assert found.moved[0].total == pytest.approx(0.030)
    put(book, "operation", {"part": "00123", "serial": "1", "sequence": 5, "operation": "grinding",
                            "at": "2026-03-03T10:00:00Z"})  # fmt: skip
    again = relations_of(book, "R2")
    assert again is not None and again.moved == ()


def test_a_chain_of_three(tmp_path: Path) -> None:
    book = twice(tmp_path / "book")
    run(book, "R3", 9, repeats_run="R2")
    for name in ("R1", "R2", "R3"):
        found = relations_of(book, name)
        assert found is not None and found.runs == ("R1", "R2", "R3")
    alone = small(tmp_path / "other")
    run(alone, "R1", 1)
    assert relations_of(alone, "R1") is None
