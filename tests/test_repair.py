"""A confirmed fault is repaired: whole runs with planted truth, as recorded, confirmed and refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from loadbook.analysis.trace.its90 import emf_mv, shown_c, temperature_c, true_c
from loadbook.analysis.trace.model import Channel, Cycle, Fault, Limit, Segment, Trace
from loadbook.analysis.trace.repair import as_shown, repaired, sorted_out
from loadbook.analysis.trace.validity import prepared
from loadbook.queries.evidence_words import words
from loadbook.render.judged import lacks
from loadbook.store import derived
from loadbook.store.run_records import Confirmation, RunRecord
from tests.published import table
from tests.test_faults import between, lagged, load, loose_from

CYCLE = Cycle(
    "SR", "A",
    segments=(
        Segment(1, "heat", 250.0),
        Segment(2, "hold", 250.0, minutes=20.0, band_low_c=15.0, band_high_c=15.0, soak_by="furnace"),
        Segment(3, "heat", 600.0),
        Segment(4, "hold", 600.0, minutes=60.0, band_low_c=10.0, band_high_c=10.0),
        Segment(5, "cool", 130.0),
    ),
    limits=(Limit(1, "work_tcs", "min", 5.0),),
)  # fmt: skip
Said = tuple[str, str, str]


def worked(trace: Trace, *said: Said, cycle: Cycle = CYCLE) -> derived.RunResults:
    """The run worked through, with decisions (channel, kind, decision)."""
    words = tuple(
        Confirmation(c, kind, decision, "A. B.", "seen", "2026-06-01T00:00:00Z") for c, kind, decision in said
    )
    record = RunRecord("R", {}, cycle, trace.channels, (), (), {}, (), {"started": None}, words, {})
    return derived.work(record, trace)


def verdicts(trace: Trace, channel: str, kind: str) -> tuple[str, str, str]:
    """The run's verdict undecided, confirmed and refused."""
    decisions: list[tuple[Said, ...]] = [(), ((channel, kind, "confirmed"),), ((channel, kind, "refused"),)]
    undecided, confirmed, refused = (worked(trace, *said).judgement.verdict for said in decisions)
    return undecided, confirmed, refused


def traded(trace: Trace, one: str, other: str, from_h: float) -> Trace:
    """Two channels in each other's jack from an hour on."""
    rows, where, values = [trace.row(one), trace.row(other)], between(trace, from_h), trace.values.copy()
    values[np.ix_(rows, where)] = trace.values[np.ix_(rows[::-1], where)]
    return replace(trace, values=values)


def read_as(trace: Trace, name: str, wire: str, read: str) -> Trace:
    """A channel whose wires are one type, on a recorder set to another that stands at 27 °C."""
    values = trace.values.copy()
    values[trace.row(name)] = np.round(shown_c(wire, read, values[trace.row(name)], 27.0), 1)
    return replace(trace, values=values)


def low_all_day(trace: Trace, name: str, share: float) -> Trace:
    values = trace.values.copy()
    values[trace.row(name)] -= share * (values[trace.row(name)] - 20.0)
    return replace(trace, values=values)


def short_of_soak(trace: Trace) -> Trace:
    """A bad run: a work TC that honestly stays 25 °C colder than the others."""
    values = trace.values.copy()
    values[trace.row("W3")] -= 25.0 * (values[trace.row("W3")] - 20.0) / 580.0
    return replace(trace, values=values)


# ---- two channels in each other's jack
def test_two_work_tcs_in_each_others_jack_change_no_verdict_of_a_good_run() -> None:
    trace = traded(load(), "W2", "W6", 4.0)
    assert verdicts(trace, "W2", "swapped") == ("kept", "kept", "kept")
    done = worked(trace, ("W6", "swapped", "confirmed"))
    assert [(r.done, r.fault.start_s) for r in done.repairs] == [("relabelled", 4 * 3600.0)]
    assert np.array_equal(done.repaired.values[2], load().values[2])
    assert np.array_equal(done.trace.values, trace.values)  # as recorded, it is kept
    assert any("W2 and W6 relabelled from 4 h 00 min" in words(r, "si") for r in done.judgement.remarks)


def test_two_work_tcs_in_each_others_jack_do_not_save_a_bad_run() -> None:
    trace = traded(short_of_soak(load()), "W2", "W6", 4.0)
    assert verdicts(trace, "W2", "swapped") == ("broken", "broken", "broken")


def test_a_piece_has_its_own_spread_again_once_its_swap_is_confirmed() -> None:
    """W1 and W2 are of one piece, W5 and W6 of another: crossing W2 and W6 makes either look torn apart."""
    healthy = load()
    pieces = {"W1": "a", "W2": "a", "W5": "b", "W6": "b"}
    healthy = replace(
        healthy, channels=tuple(replace(c, part="P", serial=pieces.get(c.name, c.name)) for c in healthy.channels)
    )
    limited = replace(CYCLE, limits=(Limit(1, "spread", "max", 80.0, phase="heating", scope="piece"),))
    trace = traded(healthy, "W2", "W6", 4.0)
    assert worked(healthy, cycle=limited).judgement.verdict == "kept"
    assert worked(trace, cycle=limited).judgement.verdict == "cannot be told"
    assert worked(trace, ("W2", "swapped", "confirmed"), cycle=limited).judgement.verdict == "kept"
    assert worked(trace, ("W2", "swapped", "refused"), cycle=limited).judgement.verdict == "broken"


def test_a_control_and_a_work_tc_in_each_others_jack_move_the_segments_too() -> None:
    trace = traded(load(), "C1", "W5", 0.0)
    undecided, confirmed, refused = verdicts(trace, "W5", "swapped")
    # as recorded the furnace is still on its way down where the chart ends
    assert (undecided, confirmed, refused) == ("cannot be told", "kept", "cannot be told")
    doubted = [c for c in worked(trace).judgement.clauses if c.verdict == "cannot be told"]
    why = ("have C1 and W5 traded places? as recorded", "the chart ends before the furnace came there")
    assert all(any(w in lacks(c, "si") for w in why) for c in doubted)
    assert worked(trace, ("C1", "swapped", "confirmed")).phases.main_hold == worked(load()).phases.main_hold


def test_a_relabelled_reading_takes_the_calibration_of_its_own_thermocouple() -> None:
    t = np.arange(3) * 60.0
    a = Channel(1, "A", "work", correction=((0.0, 2.0), (600.0, 5.0)))
    b = Channel(2, "B", "work", correction=((0.0, -1.0), (600.0, -4.0)))
    truth = np.array([[100.0, 300.0, 500.0], [90.0, 280.0, 470.0]])
    shown = np.array([as_shown(a, truth[0]), as_shown(b, truth[1])])
    crossed = Trace(t, shown[::-1].copy(), np.zeros((2, 3), np.uint8), (a, b))
    fixed, done = repaired(prepared(crossed), [Fault("swapped", "A", 0.0, 120.0, 0.9, False, (), other="B")])
    assert fixed.values == pytest.approx(truth, abs=1e-9)
    assert [r.done for r in done] == ["relabelled"]


# ---- read by the wrong table
@pytest.mark.parametrize(("wire", "read"), [("K", "N"), ("K", "J"), ("K", "E"), ("J", "K"), ("N", "K"), ("E", "K")])
def test_a_wire_read_by_another_types_table_is_read_again_by_its_own(wire: str, read: str) -> None:
    trace = read_as(load(), "W3", wire, read)
    assert verdicts(trace, "W3", "wrong type") == ("cannot be told", "kept", "broken")
    done = worked(trace, ("W3", "wrong type", "confirmed"))
    (fault,) = [f for f in done.faults if f.kind == "wrong type"]
    assert (fault.channel, fault.wire, fault.table) == ("W3", wire, read)
    (one,) = done.repairs
    row, hot = trace.row("W3"), load().values[3] > 200.0
    assert one.done == "corrected" and one.added_c is not None and 2.0 < one.added_c < 15.0
    assert np.abs(done.repaired.values[row] - load().values[row])[hot].max() < one.added_c
    assert done.repaired.channels[row].expanded_uncertainty_c == pytest.approx(one.added_c)


def test_a_wire_read_by_a_wrong_table_does_not_save_a_bad_run() -> None:
    trace = read_as(short_of_soak(load()), "W3", "K", "N")
    assert worked(trace, ("W3", "wrong type", "confirmed")).judgement.verdict == "broken"


def test_type_voltages_against_published_points() -> None:
    """NIST SRD 60 (Monograph 175), to 0.001 mV; back to a temperature within what half a microvolt is."""
    points = table("nist_its90_emf")
    assert len(points) == 122 and set(points["type"]) == set("BEJKNRST")
    checked = 0
    for letter, own in points.groupby("type"):
        t, emf = own["t90_c"].to_numpy(float), own["emf_mv"].to_numpy(float)
        found = emf_mv(str(letter), t)
        known = np.isfinite(found)  # a type's range here begins where a tolerance is stated
        checked += int(known.sum())
        assert found[known] == pytest.approx(emf[known], abs=0.00051)
        inner = known & (t > t[known].min()) & (t < t[known].max()) & (t > 300.0)
        assert temperature_c(str(letter), emf[inner]) == pytest.approx(t[inner], abs=0.2)
    assert checked > 105


def test_reading_again_undoes_reading_wrong() -> None:
    t = np.arange(50.0, 900.0, 50.0)
    for wire, read in (("K", "N"), ("N", "K"), ("S", "R"), ("K", "J")):
        there = shown_c(wire, read, t)
        known = np.isfinite(there)
        assert known.sum() > 10
        assert true_c(wire, read, there)[known] == pytest.approx(t[known], abs=0.01)


# ---- drift
def test_a_wire_low_all_day_is_at_fault_from_its_beginning() -> None:
    trace = low_all_day(load(), "W4", 0.025)
    assert verdicts(trace, "W4", "drifting") == ("broken", "kept", "broken")
    done = worked(trace, ("W4", "drifting", "confirmed"))
    (fault,) = [f for f in done.faults if f.kind == "drifting"]
    assert fault.start_s == 0.0 and fault.began is not None and fault.began[0] == 0.0
    assert fault.figures["offset_c"] == pytest.approx(-0.025 * 580.0, abs=1.0)
    assert np.isnan(done.repaired.values[trace.row("W4")]).all()
    said = words(done.repairs[0].remark, "si")
    assert "left out" in said and "from 0 h 00 min" in said


def test_a_calibration_made_after_the_run_corrects_a_confirmed_drift() -> None:
    trace = low_all_day(load(), "W4", 0.025)
    found = ((20.0, 0.0), (565.5 + 20.0, 0.025 / 0.975 * 565.5))  # against its own reading
    trace = replace(trace, channels=tuple(replace(c, as_found=found) if c.name == "W4" else c for c in trace.channels))
    assert verdicts(trace, "W4", "drifting") == ("broken", "kept", "broken")
    done = worked(trace, ("W4", "drifting", "confirmed"))
    assert done.repairs[0].done == "corrected" and done.repairs[0].added_c is not None
    assert done.repaired.values[4] == pytest.approx(load().values[4], abs=0.2)


def test_a_drift_that_begins_in_the_run_has_a_range_that_holds_its_beginning() -> None:
    """14 °C from 5 h to 8 h, evenly: it begins at 5 h and half of it is there at 6.5 h."""
    trace = load()
    values = trace.values.copy()
    values[1] -= 14.0 * np.interp(trace.t_s / 3600.0, [5.0, 8.0], [0.0, 1.0])
    (fault,) = worked(replace(trace, values=values)).faults
    assert (fault.kind, fault.channel) == ("drifting", "W1") and fault.began is not None
    assert 2.0 < fault.began[0] / 3600.0 <= 5.0 and 5.0 < fault.began[1] / 3600.0 < 8.0
    assert fault.began[0] < fault.start_s < fault.began[1]


def test_a_verdict_that_hangs_on_when_a_drift_began_says_so() -> None:
    """Six work TCs are asked while heating, which ends at 5 h 45 min: was W1 still good?"""
    trace = load()
    values = trace.values.copy()
    values[1] -= 14.0 * np.interp(trace.t_s / 3600.0, [5.0, 8.0], [0.0, 1.0])
    limited = replace(CYCLE, limits=(Limit(1, "work_tcs", "min", 6.0, phase="heating"),))
    done = worked(replace(trace, values=values), ("W1", "drifting", "confirmed"), cycle=limited)
    (asked,) = [c for c in done.judgement.clauses if c.clause == "work TCs while heating"]
    assert asked.verdict == "cannot be told"
    assert lacks(asked, "si").startswith("when did W1 begin to be at fault (drifting)? from ")


# ---- left out
def test_a_bead_that_came_off_is_left_out_from_its_moment() -> None:
    trace = loose_from(load(), "W5", 4.0)
    done = worked(trace, ("W5", "detached", "confirmed"))
    row = trace.row("W5")
    gone = np.isnan(done.repaired.values[row])
    assert not gone[trace.t_s < 3.8 * 3600.0].any() and gone[trace.t_s > 4.2 * 3600.0].all()
    assert np.isfinite(done.trace.values[row]).all()
    assert words(done.repairs[0].remark, "si").startswith("W5: left out from its fault on (detached), from ")


def test_parameters_rest_on_the_repaired_trace() -> None:
    """K as N reads 110 °C high at 600 °C; the load's own spread while heating is that of its sections."""
    trace = read_as(load(), "W3", "K", "J")

    def spread(*said: Said) -> float:
        found = worked(trace, *said).parameters
        return next(p.value for p in found if p.parameter == "spread_heating_peak_c" and p.channel is None)

    own = next(p.value for p in worked(load()).parameters if p.parameter == "spread_heating_peak_c" and not p.channel)
    assert spread(("W3", "wrong type", "confirmed")) == pytest.approx(own, abs=1.0)
    assert spread() > own + 5.0


def test_what_is_decided_of_one_of_a_pair_is_decided_of_both() -> None:
    pair = [Fault("swapped", a, 0.0, 9.0, 0.9, False, (), other=b) for a, b in (("A", "B"), ("B", "A"))]
    assert sorted_out(pair, [("B", "swapped", "confirmed")]) == (pair, [])
    assert sorted_out(pair, [("A", "swapped", "refused")]) == ([], [])
    assert sorted_out(pair, []) == ([], pair)


def test_lagged_truth_is_what_the_loads_are_made_of() -> None:
    trace = load(noise=0.0, resolution=0.01)
    assert trace.values[1] == pytest.approx(lagged(trace.t_s, trace.values[0], 6.0), abs=0.02)
