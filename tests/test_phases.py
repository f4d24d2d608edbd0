"""Phases along a cycle and without one, on traces whose turns are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from loadbook.analysis.trace.model import Channel, Cycle, Event, Segment
from loadbook.analysis.trace.phases import Phases, find_phases
from tests.tracemaker import control, legs, trace_of, work

# heat 100 °C/h to 149, 1 h, heat to 677, 2 h, cool 130 °C/h to 121
TURNS_H = (0.0, 1.29, 2.29, 7.57, 9.57, 13.8469)
LEVELS = (20.0, 149.0, 149.0, 677.0, 677.0, 121.0)
PROGRAM = legs(list(zip(TURNS_H, LEVELS, strict=True)))
CYCLE = Cycle(
    "two holds",
    "A",
    segments=(
        Segment(1, "heat", 149.0),
        Segment(2, "hold", 149.0, minutes=60.0, band_low_c=8.0, band_high_c=8.0),
        Segment(3, "heat", 677.0),
        Segment(4, "hold", 677.0, minutes=120.0, band_low_c=14.0, band_high_c=14.0),
        Segment(5, "cool", 427.0),
        Segment(6, "cool", 121.0),
    ),
)
CONTROL = control()


def run(until_h: float = 13.8, step_s: float = 60.0, noise: float = 0.0, seed: int = 0, **more: object) -> Phases:
    t = np.arange(0.0, until_h * 3600.0, step_s)
    y = PROGRAM(t) + noise * np.random.default_rng(seed).normal(size=t.size)
    cycle = more.pop("cycle", CYCLE)
    return find_phases(trace_of(t, [(CONTROL, y)], **more), cycle)  # type: ignore[arg-type]


@pytest.mark.parametrize("noise", [0.0, 0.5])
@pytest.mark.parametrize("step_s", [10.0, 60.0, 300.0])
def test_segments_begin_and_end_where_the_program_turned(step_s: float, noise: float) -> None:
    """Bound: entries at the band's edge within a sample and noise/rate; departures within that of the turn."""
    found = run(step_s=step_s, noise=noise)
    assert [(i.segment, i.kind) for i in found.intervals] == [
        (1, "heat"), (2, "hold"), (3, "heat"), (4, "hold"), (5, "cool"), (6, "cool"),
    ]  # fmt: skip
    slack = step_s + (3.0 * noise + 0.8) / 100.0 * 3600.0
    low, main = found.holds
    assert low.start_s == pytest.approx((1.29 - 0.08) * 3600.0, abs=slack)
    assert low.end_s == pytest.approx(2.29 * 3600.0, abs=slack)
    assert main.start_s == pytest.approx((7.57 - 0.14) * 3600.0, abs=slack)
    assert main.end_s == pytest.approx(9.57 * 3600.0, abs=slack)
    assert found.main_hold is main
    crossing = found.interval(6)
    assert crossing is not None and crossing.start_s == pytest.approx((9.57 + 250 / 130) * 3600.0, abs=slack)
    assert not found.missing


def test_masks_share_no_sample_and_cover_the_judged_part() -> None:
    found = run(noise=0.5)
    total = found.heating.astype(int) + found.hold + found.cooling
    assert total[: found.until].tolist() == [1] * found.until
    assert found.mask("start").sum() == 1
    assert found.mask("any").all()


@pytest.mark.parametrize("word", ["door opened", "Thermocouples unplugged"])
def test_judging_ends_with_the_door_or_the_plugs(word: str) -> None:
    found = run(events=[Event(13.0 * 3600.0, word), Event(12.0 * 3600.0, "gas backfill")])
    assert found.until_s == found.judged_until_s == 13.0 * 3600.0
    assert found.ended_by == word
    assert found.until == 13 * 60 + 1
    assert not (found.heating | found.hold | found.cooling)[found.until :].any()


def test_an_event_after_the_trace_ends_nothing() -> None:
    found = run(events=[Event(99.0 * 3600.0, "door opened")])
    assert found.ended_by is None
    assert found.until == found.heating.size


@pytest.mark.parametrize(("until_h", "segments", "missing"), [
    (1.0, [1], [2, 3, 4, 5, 6]), (2.0, [1, 2], [3, 4, 5, 6]), (5.0, [1, 2, 3], [4, 5, 6]), (8.5, [1, 2, 3, 4], [5, 6]),
])  # fmt: skip
def test_a_run_that_stops_early_has_the_segments_it_had(
    until_h: float, segments: list[int], missing: list[int]
) -> None:
    found = run(until_h=until_h)
    assert [i.segment for i in found.intervals] == segments
    assert list(found.missing) == missing


def test_aborted_below_the_hold_then_cooled() -> None:
    t = np.arange(0.0, 10 * 3600.0, 60.0)
    y = legs([(0, 20), (1.29, 149), (2.29, 149), (6.0, 520), (10.0, 60)])(t)
    found = find_phases(trace_of(t, [(CONTROL, y)]), CYCLE)
    third, fifth = found.interval(3), found.interval(5)
    assert third is not None and not third.reached
    assert third.end_s == pytest.approx(6.0 * 3600.0, abs=120.0)
    assert found.missing == (4,)
    assert fifth is not None and found.cooling[400:].all()
    assert found.main == 4 and found.main_hold is None  # what the cycle is for never came
    assert found.hold_of(2) is not None


def test_an_excursion_belongs_to_the_hold() -> None:
    t = np.arange(0.0, 13.8 * 3600.0, 60.0)
    y = PROGRAM(t)
    y[(t > 8.4 * 3600.0) & (t < 8.7 * 3600.0)] = 600.0  # power lost for 18 min
    found = find_phases(trace_of(t, [(CONTROL, y)]), CYCLE)
    hold = found.hold_of(4)
    assert hold is not None and hold.end_s == pytest.approx(9.57 * 3600.0, abs=120.0)
    assert found.hold[int(8.5 * 60)]


def test_a_low_hold_that_was_skipped_is_short_or_missing() -> None:
    for step_s in (60.0, 900.0):
        t = np.arange(0.0, 10 * 3600.0, step_s)
        y = legs([(0, 20), (6.57, 677), (8.57, 677), (10.0, 400)])(t)
        found = find_phases(trace_of(t, [(CONTROL, y)]), CYCLE)
        low = found.hold_of(2)
        assert low is None or low.end_s - low.start_s <= 16.0 / 100.0 * 3600.0
        main = found.hold_of(4)
        assert main is not None and main.end_s == pytest.approx(8.57 * 3600.0, abs=step_s)


def test_steps_without_holds_between() -> None:
    cycle = Cycle("steps", segments=(Segment(1, "heat", 400.0), Segment(2, "heat", 650.0), Segment(3, "hold", 650.0),
                                     Segment(4, "cool", None)))  # fmt: skip
    t = np.arange(0.0, 14 * 3600.0, 60.0)
    y = legs([(0, 20), (3.8, 400), (8.8, 650), (10.8, 650), (14.0, 200)])(t)
    found = find_phases(trace_of(t, [(CONTROL, y)]), cycle)
    second, hold, last = found.interval(2), found.hold_of(3), found.interval(4)
    assert second is not None and second.start_s == pytest.approx(3.8 * 3600.0, abs=120.0)
    assert hold is not None and not hold.band_stated and hold.low_c == pytest.approx(645.0, abs=1e-8)
    assert last is not None and last.end_s == found.until_s and last.reached


def test_two_holds_at_one_level_are_parted_by_their_minutes() -> None:
    cycle = Cycle("twice", segments=(Segment(1, "heat", 600.0), Segment(2, "hold", 600.0, minutes=30.0),
                                     Segment(3, "hold", 600.0, minutes=60.0), Segment(4, "cool", 100.0)))  # fmt: skip
    t = np.arange(0.0, 9 * 3600.0, 60.0)
    y = legs([(0, 20), (5.8, 600), (7.3, 600), (9.0, 200)])(t)
    found = find_phases(trace_of(t, [(CONTROL, y)]), cycle)
    first, second = found.hold_of(2), found.hold_of(3)
    assert first is not None and second is not None
    assert second.start_s - first.start_s == pytest.approx(1800.0, abs=60.0)
    assert second.end_s == pytest.approx(7.3 * 3600.0, abs=180.0)


def test_below_zero_works_downwards() -> None:
    cycle = Cycle("deep", segments=(Segment(1, "cool", -80.0), Segment(2, "hold", -80.0, minutes=60.0),
                                    Segment(3, "heat", 15.0)))  # fmt: skip
    t = np.arange(0.0, 5 * 3600.0, 60.0)
    y = legs([(0, 20), (2, -80), (3, -80), (5, 20)])(t)
    found = find_phases(trace_of(t, [(CONTROL, y)]), cycle)
    hold = found.hold_of(2)
    assert hold is not None and hold.start_s == pytest.approx(1.9 * 3600.0, abs=60.0)
    assert hold.end_s == pytest.approx(3.0 * 3600.0, abs=120.0)


def test_overshoot_past_the_band_is_no_cooling() -> None:
    t = np.arange(0.0, 6 * 3600.0, 60.0)
    y = legs([(0, 20), (1.0, 640), (1.3, 600), (4, 600), (6, 100)])(t)
    cycle = Cycle("fast", segments=(Segment(1, "heat", 600.0), Segment(2, "hold", 600.0), Segment(3, "cool", 100.0)))
    found = find_phases(trace_of(t, [(CONTROL, y)]), cycle)
    assert not found.cooling[: int(3.9 * 60)].any()
    hold = found.hold_of(2)
    assert hold is not None and hold.start_s < 1.3 * 3600.0


def test_the_setpoint_tells_when_the_hold_ended() -> None:
    """A furnace that hardly follows the falling setpoint: the hold ends with the setpoint."""
    t = np.arange(0.0, 8 * 3600.0, 60.0)
    setpoint = legs([(0, 20), (3, 600), (5, 600), (8, 0)])(t)
    y = legs([(0, 20), (3, 600), (5.3, 600), (8, 500)])(t)
    cycle = Cycle("slow", segments=(Segment(1, "heat", 600.0), Segment(2, "hold", 600.0), Segment(3, "cool", None)))
    found = find_phases(trace_of(t, [(CONTROL, y), (Channel(2, "SP", "setpoint"), setpoint)]), cycle)
    hold = found.hold_of(2)
    assert hold is not None and hold.end_s == pytest.approx(5.0 * 3600.0, abs=60.0)


def test_without_a_control_tc_the_median_work_tc_is_followed() -> None:
    t = np.arange(0.0, 13.8 * 3600.0, 60.0)
    rows = [(work(f"TC{k}", k), PROGRAM(t) + 2.0 * k) for k in range(3)]
    rows[2][1][:] = np.nan
    found = find_phases(trace_of(t, rows), CYCLE)
    assert found.reference_is == "work"
    np.testing.assert_allclose(found.reference_c, PROGRAM(t) + 1.0)
    assert [i.segment for i in found.intervals] == [1, 2, 3, 4, 5, 6]


@pytest.mark.parametrize("n", [0, 1, 2, 50])
def test_nothing_usable_is_no_error(n: int) -> None:
    t = np.arange(n) * 60.0
    found = find_phases(trace_of(t, [(CONTROL, np.full(n, np.nan))]), CYCLE)
    assert found.reference_is == "none"
    assert found.missing == (1, 2, 3, 4, 5, 6)
    assert not found.holds and not found.heating.any()


def test_missing_samples_spikes_and_irregular_times() -> None:
    rng = np.random.default_rng(4)
    t = np.cumsum(rng.uniform(20.0, 100.0, 830))
    y = PROGRAM(t) + rng.normal(0.0, 0.4, t.size)
    y[rng.random(t.size) < 0.05] = np.nan
    y[100] = 700.0  # one wild sample before the main hold
    found = find_phases(trace_of(t, [(CONTROL, y)]), CYCLE)
    main = found.hold_of(4)
    assert main is not None
    assert main.start_s == pytest.approx((7.57 - 0.14) * 3600.0, abs=200.0)
    assert main.end_s == pytest.approx(9.57 * 3600.0, abs=250.0)


@pytest.mark.parametrize("noise", [0.0, 0.4])
def test_automatic_segments(noise: float) -> None:
    found = run(noise=noise, cycle=None)
    assert found.automatic and [i.kind for i in found.intervals] == ["heat", "hold", "heat", "hold", "cool"]
    low, main = found.holds
    assert low.target_c == pytest.approx(149.0, abs=1.0)
    assert main.target_c == pytest.approx(677.0, abs=1.0)
    assert main.end_s - main.start_s == pytest.approx(7200.0, abs=900.0)


def test_automatic_without_any_hold_splits_at_the_top() -> None:
    t = np.arange(0.0, 6 * 3600.0, 60.0)
    found = find_phases(trace_of(t, [(CONTROL, legs([(0, 20), (3, 620), (6, 20)])(t))]), None)
    assert [i.kind for i in found.intervals] == ["heat", "cool"]
    assert found.intervals[0].end_s == pytest.approx(3 * 3600.0, abs=120.0)


def test_what_follows_the_last_segment_is_still_a_phase() -> None:
    cycle = Cycle("short", segments=(Segment(1, "heat", 600.0), Segment(2, "hold", 600.0)))
    t = np.arange(0.0, 9 * 3600.0, 60.0)
    found = find_phases(trace_of(t, [(CONTROL, legs([(0, 20), (5.8, 600), (7.3, 600), (9.0, 200)])(t))]), cycle)
    assert [i.segment for i in found.intervals] == [1, 2]
    assert found.cooling[int(7.4 * 60) :].all()


# ---- a chart that is still written: what is not over yet -------------------------------------------------------------
STILL = Cycle(
    "still on", "A",
    segments=(
        Segment(1, "heat", 600.0),
        Segment(2, "hold", 600.0, minutes=120.0, band_low_c=10.0, band_high_c=10.0),
        Segment(3, "cool", 100.0),
    ),
)  # fmt: skip


def so_far(levels: list[tuple[float, float]], cycle: Cycle = STILL) -> list[tuple[int, str]]:
    hours = [h for h, _ in levels]
    t = np.arange(0.0, hours[-1] * 3600.0 + 1.0, 60.0)
    y = np.interp(t / 3600.0, hours, [c for _, c in levels])
    return [(i.segment, i.kind) for i in find_phases(trace_of(t, [(CONTROL, y)]), cycle).intervals]


def test_a_hold_left_for_the_side_that_is_no_way_on_is_still_on() -> None:
    """The furnace shoots over the band: it has not begun to cool."""
    assert so_far([(0.0, 20.0), (6.0, 600.0), (6.5, 600.0), (7.0, 625.0)]) == [(1, "heat"), (2, "hold")]


def test_a_furnace_that_stays_by_the_edge_of_the_band_holds_and_one_that_goes_away_does_not() -> None:
    edge = [(0.0, 20.0), (6.0, 600.0), (6.5, 600.0), (6.6, 588.0)]
    assert so_far([*edge, (6.7, 588.0)])[-1] == (3, "cool")  # not known yet: the way out goes through here too
    assert so_far([*edge, (7.2, 588.0)])[-1] == (2, "hold")
    assert so_far([*edge, (7.2, 560.0)])[-1] == (3, "cool")


def test_a_hold_that_sags_on_the_way_up_is_still_on_while_the_furnace_is_near() -> None:
    up = replace(STILL, segments=(*STILL.segments[:2], Segment(3, "heat", 800.0), Segment(4, "cool", 100.0)))
    sags = [(0.0, 20.0), (6.0, 600.0), (6.5, 600.0), (6.8, 580.0)]
    assert so_far(sags, up) == [(1, "heat"), (2, "hold")]
