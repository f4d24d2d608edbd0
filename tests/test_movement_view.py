"""The view `movement`: one truth for what moved, what is set aside, and why."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from loadbook.store import session
from loadbook.store.book import BookFolder

from .smallbook import put, reading, run, small


@pytest.fixture
def book(tmp_path: Path) -> BookFolder:
    return small(tmp_path / "book")


def rows(book: BookFolder, **where: Any) -> list[dict[str, Any]]:
    connection = session.start(book, {"movement"}).connection
    found = connection.execute("SELECT * FROM movement ORDER BY run, serial, characteristic").fetchall()
    names = [d[0] for d in connection.description]
    kept = [dict(zip(names, r, strict=True)) for r in found]
    return [r for r in kept if all(r[k] == v for k, v in where.items())]


def only(book: BookFolder, **where: Any) -> dict[str, Any]:
    (row,) = rows(book, **where)
    return row


def pair(book: BookFolder, name: str, before: str | None, after: str | None, **more: Any) -> None:
    put(book, "reading", reading(name, "before", 100.0, before, **more), reading(name, "after", 100.02, after, **more))


def operation(
    sequence: int, what: str, at: str | None = None, of: str | None = None, serial: str = "1"
) -> dict[str, Any]:
    stored = f"2026-{at}:00:00Z" if at else None
    return {"part": "00123", "serial": serial, "sequence": sequence, "operation": what, "at": stored, "run": of}


def test_after_minus_before_with_its_figures(book: BookFolder) -> None:
    run(book, "R1", 2, piece_setup="hung", piece_stock_mm=0.5)
    pair(book, "R1", "03-01T08", "03-03T08")
    row = only(book)
    assert row["set_aside"] is None and row["way"] == "same" and row["corrected_20c"] == "not needed"
    assert row["movement_mm"] == pytest.approx(0.02) and row["movement_um"] == pytest.approx(20.0)
    assert row["movement_um_per_100mm"] == pytest.approx(20.0)  # reference length 100 mm
    assert row["movement_share_of_tolerance"] == pytest.approx(0.1)  # 20 µm of 0.2 mm
    assert row["expanded_uncertainty_mm"] == pytest.approx((2 * 0.003**2) ** 0.5) and row["below_gauge"] is False
    assert (row["part"], row["setup"], row["atmosphere"], row["process"], row["customer"], row["side"]) == (
        "00123", "hung", "air", "stress relief", "C", "outside",
    )  # fmt: skip


def test_a_reading_without_its_pair_is_kept_counted_and_never_a_zero(book: BookFolder) -> None:
    run(book, "R1", 2, serials=("1", "2"))
    put(book, "reading", reading("R1", "after", 100.0, "03-03T08"), reading("R1", "before", 1.0, None, serial="2"))
    first, second = rows(book)
    assert first["set_aside"] == "no before reading" and second["set_aside"] == "no after reading"
    assert first["movement_mm"] is None and second["movement_um"] is None
    assert first["after_mm"] == 100.0 and second["before_mm"] == 1.0


# what came before or after a piece's run, and what that makes of its two readings
TIMED: list[tuple[list[dict[str, Any]], str | None]] = [
    # the run's own row never counts, timed or not, named or not
    ([operation(10, "run", "03-02T09", "R1")], None),
    ([operation(10, "run", None, "R1")], None),
    ([operation(10, "run")], None),
    ([operation(10, "run", "03-02T10")], None),
    # timed operations
    ([operation(10, "machining", "03-01T12")], "machining between"),
    ([operation(10, "straightening", "03-02T20")], "straightening between"),
    ([operation(10, "machining", "03-01T07"), operation(20, "cleaning", "03-03T09")], None),
    ([operation(10, "machining", "03-01T08")], "order of machining and the reading not recorded"),
    # untimed ones next to the run
    ([operation(10, "machining"), operation(20, "run", None, "R1")], "order of machining and the reading not recorded"),
    ([operation(10, "run", None, "R1"), operation(20, "plating")], "order of plating and the reading not recorded"),
    # untimed ones that a timed neighbour tells
    ([operation(5, "blasting"), operation(10, "machining", "03-01T06"), operation(20, "run", None, "R1")], None),
    ([operation(10, "run", None, "R1"), operation(20, "machining", "03-04T08"), operation(30, "plating")], None),
    # what is certain is named before what is not known
    ([operation(5, "blasting"), operation(10, "straightening", "03-01T12")], "straightening between"),
    # another piece's operation is not this piece's
    ([operation(10, "machining", "03-01T12", serial="2")], None),
]
UNTIMED: list[tuple[list[dict[str, Any]], str | None]] = [
    ([], None),
    ([operation(10, "machining", "03-01T12")], None),  # the run's start stands for the reading
    ([operation(10, "machining", "03-02T12")], "machining between"),
    ([operation(10, "machining"), operation(20, "run", None, "R1")], "order of machining and the reading not recorded"),
    ([operation(10, "run", None, "R1"), operation(20, "cleaning")], "order of cleaning and the reading not recorded"),
    ([operation(10, "machining"), operation(15, "cleaning", "03-01T12"), operation(20, "run", None, "R1")], None),
]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    """The rows of pieces of one run, each with the operations of one case, by the piece's serial."""
    book = small(tmp_path_factory.mktemp("told") / "book")
    cases = {f"{kind}{i}": case for kind, found in (("t", TIMED), ("u", UNTIMED)) for i, (case, _) in enumerate(found)}
    run(book, "R1", 2, serials=tuple(cases))
    for serial, operations in cases.items():
        own = [o | {"serial": serial if o["serial"] == "1" else f"not {serial}"} for o in operations]
        if own:
            put(book, "operation", *own)
        timed = serial.startswith("t")
        pair(book, "R1", "03-01T08" if timed else None, "03-03T08" if timed else None, serial=serial)
    return {r["serial"]: r for r in rows(book)}


@pytest.mark.parametrize("case", range(len(TIMED)))
def test_operations_between_timed_readings(told: dict[str, dict[str, Any]], case: int) -> None:
    row, expected = told[f"t{case}"], TIMED[case][1]
    assert row["set_aside"] == expected
    assert (row["movement_mm"] is None) == (expected is not None)


@pytest.mark.parametrize("case", range(len(UNTIMED)))
def test_operations_beside_untimed_readings(told: dict[str, dict[str, Any]], case: int) -> None:
    assert told[f"u{case}"]["set_aside"] == UNTIMED[case][1]


def test_another_run_between_and_two_runs_in_order(book: BookFolder) -> None:
    run(book, "R1", 2)
    run(book, "R2", 10)
    run(book, "R3", 20)
    pair(book, "R1", "03-01T08", "03-03T08")  # nothing between
    pair(book, "R2", "03-09T08", "03-21T08")  # R3 lies between, no operation row says so
    pair(book, "R3", None, None)  # stands at its own start and end
    assert {r["run"]: r["set_aside"] for r in rows(book)} == {"R1": None, "R2": "another run between", "R3": None}


def test_a_run_that_only_an_operation_row_names_is_between_too(book: BookFolder) -> None:
    run(book, "R1", 2)
    put(book, "operation", operation(30, "run", "03-02T22"))
    pair(book, "R1", "03-01T08", "03-03T08")
    assert only(book)["set_aside"] == "another run between"


@pytest.mark.parametrize(("status", "reason"), [("aborted", "run aborted"), ("void", "run void"), ("done", None)])
def test_aborted_and_void_runs_are_set_aside(book: BookFolder, status: str, reason: str | None) -> None:
    run(book, "R1", 2, status=status)
    pair(book, "R1", "03-01T08", "03-03T08")
    assert only(book)["set_aside"] == reason


def test_readings_on_one_side_of_the_run_tell_nothing_of_it(book: BookFolder) -> None:
    run(book, "R1", 2)
    pair(book, "R1", "03-03T08", "03-04T08")
    assert only(book)["set_aside"] == "run not between the readings"


@pytest.mark.parametrize(
    ("before", "after", "way", "reason"),
    [
        ({"held": "free"}, {"held": "clamped"}, None, "held differently"),
        ({"datum": "A"}, {"datum": "B"}, None, "datum differs"),
        ({"surface": "cleaned"}, {"surface": "as run"}, None, "surface differs"),
        ({"held": None}, {"held": "clamped"}, "unrecorded", None),
        ({"datum": None, "held": "free"}, {"datum": None, "held": "clamped"}, None, "held differently"),
        ({}, {}, "same", None),
    ],
)  # fmt: skip
def test_the_way_a_pair_was_read(
    book: BookFolder, before: dict[str, Any], after: dict[str, Any], way: str | None, reason: str | None
) -> None:
    run(book, "R1", 2)
    put(
        book, "reading",
        reading("R1", "before", 100.0, None, **before), reading("R1", "after", 100.02, None, **after),
    )  # fmt: skip
    row = only(book)
    assert row["set_aside"] == reason
    if way:
        assert row["way"] == way


def test_repeats_are_averaged_with_their_scatter_and_a_mixed_way_compares_with_nothing(book: BookFolder) -> None:
    run(book, "R1", 2, serials=("1", "2"))
    values = (100.000, 100.002, 100.004)
    put(book, "reading", *(reading("R1", "before", v, None, repeat=i) for i, v in enumerate(values, 1)))
    put(book, "reading", *(reading("R1", "after", v + 0.01, None, repeat=i) for i, v in enumerate(values[:2], 1)))
    put(
        book, "reading",
        reading("R1", "before", 100.0, None, serial="2"),
        reading("R1", "before", 100.0, None, serial="2", repeat=2, held="clamped"),
        reading("R1", "after", 100.0, None, serial="2"),
    )  # fmt: skip
    first, second = rows(book)
    assert first["before_mm"] == pytest.approx(100.002) and first["before_scatter_mm"] == pytest.approx(0.002)
    assert first["movement_um"] == pytest.approx(9.0) and first["repeats"] == 2
    assert second["set_aside"] == "held differently"


def test_size_is_corrected_by_the_difference_of_both_expansions(book: BookFolder) -> None:
    """ISO 1: 20 °C. Piece 12e-6/K at 30 °C, gauge 11.5e-6/K at 25 °C: 100 mm reads 100·(1+57.5e-6)/(1+120e-6)."""
    run(book, "R1", 2, serials=("1", "2"))
    warm = {"already_at_20c": None, "piece_temp_c": 30.0, "gauge_temp_c": 25.0}
    put(book, "reading", reading("R1", "before", 100.0, None), reading("R1", "after", 100.0, None, **warm))
    both = {"already_at_20c": 0, "piece_temp_c": 30.0, "gauge_temp_c": 30.0, "gauge": "G2", "serial": "2"}
    put(book, "reading", reading("R1", "before", 100.0, None, **both), reading("R1", "after", 100.01, None, **both))
    first, second = rows(book)
    assert first["after_mm"] == pytest.approx(100 * (1 + 11.5e-6 * 5) / (1 + 12e-6 * 10), abs=1e-12)
    assert first["movement_um"] == pytest.approx(-6.25, abs=0.01) and first["corrected_20c"] == "yes"
    assert second["movement_um"] == pytest.approx(10.0, abs=1e-9), "a steel gauge and a steel piece cancel"


def test_what_cannot_or_need_not_be_corrected_is_taken_as_given_and_marked(book: BookFolder) -> None:
    run(book, "R1", 2, serials=("1", "2", "3"))
    bare = {"already_at_20c": None}
    warm = {"already_at_20c": None, "piece_temp_c": 30.0, "gauge_temp_c": 20.0}
    rest: list[dict[str, Any]] = []
    for more in (
        {**bare}, {**warm, "serial": "2", "gauge": "G3"}, {**warm, "serial": "3", "characteristic": "flat"},
    ):  # fmt: skip
        rest += [reading("R1", "before", 0.02, None, **more), reading("R1", "after", 0.03, None, **more)]
    put(book, "reading", *rest)
    assert [(r["corrected_20c"], round(r["movement_um"], 9)) for r in rows(book)] == [
        ("no temperatures", 10.0), ("no expansion figures", 10.0), ("not needed", 10.0),
    ]  # fmt: skip
    assert [r["side"] for r in rows(book)] == ["outside", "outside", "form"]


def test_hardness_keeps_its_own_unit_and_has_no_micrometres(book: BookFolder) -> None:
    run(book, "R1", 2)
    of = {"characteristic": "hrc", "value_mm": None}
    put(
        book, "reading",
        {**reading("R1", "before", None, None), **of, "value": 52.0},
        {**reading("R1", "after", None, None), **of, "value": 50.0},
    )  # fmt: skip
    row = only(book)
    assert (row["unit"], row["side"], row["movement_mm"], row["movement_um"]) == ("HRC", "other", -2.0, None)
    assert row["expanded_uncertainty_mm"] is None and row["below_gauge"] is None


def test_below_gauge_needs_both_uncertainties(book: BookFolder) -> None:
    run(book, "R1", 2, serials=("1", "2", "3"))
    for serial, after, gauge in (("1", 100.004, "G1"), ("2", 100.005, "G1"), ("3", 100.001, "G3")):
        put(
            book, "reading",
            reading("R1", "before", 100.0, None, serial=serial),
            reading("R1", "after", after, None, serial=serial, gauge=gauge),
        )  # fmt: skip
    assert [r["below_gauge"] for r in rows(book)] == [True, False, None]  # U = 4.243 µm
    assert rows(book)[2]["gauge"] == "G1; G3"


def test_a_blunder_counts_only_once_a_person_confirmed_it_and_the_last_word_stands(book: BookFolder) -> None:
    run(book, "R1", 2)
    pair(book, "R1", None, None)
    put(book, "reading", reading("R1", "after", 109.0, None, repeat=2))
    assert only(book)["after_mm"] == pytest.approx(104.51)
    said = {
        "subject": "reading", "run": "R1", "reading_id": 3, "decision": "confirmed", "person": "AB", "why": "typing",
        "at": "2026-03-05T08:00:00Z",
    }  # fmt: skip
    put(book, "confirmation", said)
    row = only(book)
    assert row["movement_um"] == pytest.approx(20.0) and row["blunders_confirmed"] == 1 and row["set_aside"] is None
    put(book, "confirmation", said | {"reading_id": 2})
    assert only(book)["set_aside"] == "blunder confirmed"
    put(book, "confirmation", said | {"reading_id": 2, "decision": "refused", "at": "2026-03-06T08:00:00Z"})
    assert only(book)["movement_um"] == pytest.approx(20.0)


def test_a_lot_without_serials_is_no_piece(book: BookFolder) -> None:
    run(book, "R1", 2, serials=("lot",), piece_quantity=40)
    pair(book, "R1", None, None, serial="lot")
    row = only(book)
    assert row["set_aside"] == "lot without serials" and row["before_mm"] == 100.0 and row["quantity"] == 40
