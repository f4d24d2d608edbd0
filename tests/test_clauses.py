"""Clauses on small traces: every kind of limit kept, broken and not to be told; ranges, sections, pieces."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from loadbook.analysis.trace.model import Channel, Event, Limit, PieceRecord, Trace
from loadbook.queries.evidence_words import worded
from loadbook.render.judged import lacks

from .clausecase import FURNACE, SEGMENTS, STEP, T, changed, judged, one, trace


# ---- no hidden tolerance ----------------------------------------------------------------------------------------
def test_a_limit_met_exactly_is_kept_and_a_hair_beyond_is_broken() -> None:
    made = changed(trace(), "W3", FURNACE - 42.0)
    assert one(made, Limit(1, "spread", "max", 40.0)).verdict == "kept"
    result = one(made, Limit(1, "spread", "max", 40.0 - 1e-9))
    assert result.verdict == "broken" and result.first_s == 0.0 and result.channel == "W1 over W3"
    assert result.lasted_s == pytest.approx(T[-1])


def test_breach_has_its_first_and_worst_moment_and_its_time() -> None:
    bump = 50.0 * np.exp(-0.5 * ((T - 7200.0) / 600.0) ** 2)
    result = one(changed(trace(), "W3", FURNACE - 6.0 - bump), Limit(1, "spread", "max", 40.0, phase="heating"))
    over = 4.0 + bump > 40.0
    assert result.first_s == T[np.argmax(over)]
    assert result.worst_s == 7200.0
    assert result.value == pytest.approx(54.0)
    assert result.lasted_s == pytest.approx(over.sum() * STEP)


# ---- spread by piece and by distance ------------------------------------------------------------------------------
def placed() -> Trace:
    made = trace(behind=(0.0, 10.0, 40.0, 45.0))
    where = [("A", 0.0), ("A", 100.0), ("B", 3000.0), ("B", 3050.0)]
    channels = [made.channels[0]] + [
        replace(c, part="P", serial=s, x_mm=x, y_mm=0.0) for c, (s, x) in zip(made.channels[1:], where, strict=True)
    ]
    return replace(made, channels=tuple(channels))


def test_spread_within_load_piece_and_distance_are_three_things() -> None:
    load = one(placed(), Limit(1, "spread", "max", 100.0))
    piece = one(placed(), Limit(1, "spread", "max", 100.0, scope="piece"))
    near = one(placed(), Limit(1, "spread", "max", 100.0, scope="distance", distance_mm=500.0))
    far = one(placed(), Limit(1, "spread", "max", 100.0, scope="distance", distance_mm=2999.0))
    assert [r.value for r in (load, piece, near, far)] == pytest.approx([45.0, 10.0, 10.0, 35.0])
    assert (piece.channel, far.channel) == ("W1 over W2", "W2 over W4") or far.channel == "W2 over W4"
    assert near.clause == "spread within a distance" and piece.clause == "spread of a piece"


def test_spread_by_place_needs_places() -> None:
    for scope in ("piece", "distance"):
        result = one(trace(), Limit(1, "spread", "max", 40.0, scope=scope, distance_mm=100.0))  # type: ignore[arg-type]
        assert result.verdict == "cannot be told" and "places" in lacks(result, "si")


# ---- lead ---------------------------------------------------------------------------------------------------------
def test_lead_turns_round_while_cooling() -> None:
    made = trace((Channel(9, "C2", "control"), FURNACE - 30.0))
    heating = one(made, Limit(1, "lead", "max", 100.0, phase="heating"))
    cooling = one(made, Limit(1, "lead", "max", 100.0, phase="cooling"))
    assert (heating.value, heating.channel) == (pytest.approx(6.0), "C1 over W3")  # hottest control, coldest work
    assert (cooling.value, cooling.channel) == (pytest.approx(28.0), "W1 over C2")  # hottest work, coldest control


def test_without_a_control_tc_lead_cannot_be_told() -> None:
    made = trace()
    made = replace(made, channels=(replace(made.channels[0], role="other"), *made.channels[1:]))
    result = one(made, Limit(1, "lead", "max", 100.0, phase="heating"))
    assert result.verdict == "cannot be told" and "where a work TC controls" in lacks(result, "si")


# ---- rates by phase, range and section ------------------------------------------------------------------------------
def test_rate_binds_only_in_its_range() -> None:
    steep = np.interp(T, np.array([0.0, 1.0, 3.0, 5.0, 8.0]) * 3600, [20.0, 320.0, 620.0, 620.0, 170.0])
    made = changed(trace(), "C1", steep)
    everywhere = one(made, Limit(1, "heating_rate", "max", 200.0, phase="heating"))
    above = one(made, Limit(1, "heating_rate", "max", 200.0, phase="heating", above_c=330.0))
    never = one(made, Limit(1, "heating_rate", "max", 200.0, phase="heating", above_c=900.0))
    assert everywhere.verdict == "broken" and everywhere.value == pytest.approx(300.0)
    assert above.verdict == "kept" and above.value == pytest.approx(150.0)
    assert never.verdict == "kept" and never.value is None


def test_rate_by_section_takes_the_thickest_piece() -> None:
    rule = Limit(1, "heating_rate", "max", 222.0, "heating", rule="rate/thickness", per_mm=25.4, cap=222.0, floor=56.0)
    thin, thick = PieceRecord("A", "1", 20.0), PieceRecord("B", "1", 50.8)
    assert one(trace(), rule, pieces=[thin]).verdict == "kept"
    result = one(trace(), rule, pieces=[thin, thick])
    assert result.verdict == "broken" and result.limit == pytest.approx(111.0)
    assert "section of 50.8 mm" in worded([result.text], "si") and "of 2 in" in worded([result.text], "us")
    unknown = one(trace(), rule, pieces=[PieceRecord("C", "1")])
    assert unknown.verdict == "cannot be told" and "thickest section of part C" in lacks(unknown, "si")


def test_noise_alone_does_not_break_a_rate_at_the_ends_of_a_segment() -> None:
    """0.8 °C of noise on 200 °C/h: half-filled windows at the ends show 216 °C/h, filled ones never more than 208."""
    noisy = FURNACE + np.random.default_rng(8).normal(0.0, 0.8, T.size)
    by_hand = [np.polyfit(T[:n] / 3600.0, noisy[:n], 1)[0] for n in (9, 10, 11)]
    by_hand += [np.polyfit(T[181 - n : 181] / 3600.0, noisy[181 - n : 181], 1)[0] for n in (9, 10, 11)]
    assert max(by_hand) > 212.0
    result = one(changed(trace(), "C1", noisy), Limit(1, "heating_rate", "max", 212.0, phase="heating"))
    assert result.verdict == "kept" and result.value is not None and result.value > 204.0
    assert result.uncertainty is not None and 4.0 < result.uncertainty < 9.0


def test_rate_of_work_is_of_the_fastest() -> None:
    fast = np.where(T < 10800.0, 20.0 + (FURNACE - 20.0) * 1.05, FURNACE + 30.0)
    result = one(changed(trace(), "W2", fast), Limit(1, "heating_rate_work", "max", 205.0, phase="heating"))
    assert result.verdict == "broken" and result.channel == "W2"


# ---- soak ---------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("rule", "minutes", "verdict"), [("restart", 69.0, "broken"), ("pause", 103.0, "kept"), ("end", 34.0, "broken")]
)
def test_what_leaving_the_band_does(rule: str, minutes: float, verdict: str) -> None:
    """Out of the band for 15 min at 3.75 h; the last TC enters within a few minutes of 3 h."""
    dip = FURNACE - 6.0 - np.where((T >= 3.75 * 3600) & (T < 4.0 * 3600), 20.0, 0.0)
    hold = replace(SEGMENTS[1], on_leaving=rule, minutes=100.0)
    found = judged(changed(trace(), "W3", dip), segments=(SEGMENTS[0], hold, SEGMENTS[2]))
    result = next(c for c in found.clauses if c.clause == "soak 2")
    assert result.verdict == verdict
    first = (3.75 * 3600 - 60.0 - T[np.argmax(dip >= 610.0)]) / 60.0
    second = (T[(T >= 4 * 3600) & (FURNACE - 6.0 >= 610.0)][-1] - 4 * 3600) / 60.0
    expected = {"restart": max(first, second), "pause": first + second, "end": first}[rule]
    assert result.value == pytest.approx(expected, abs=1.01)
    if verdict == "broken":
        assert (result.first_s, result.channel) == (3.75 * 3600, "W3")
    assert any("W3 left the band" in worded([r], "si") for r in found.remarks)


def test_hold_edges() -> None:
    hot = changed(trace(), "W2", FURNACE - 4.0 + np.where((T > 3.5 * 3600) & (T < 3.7 * 3600), 25.0, 0.0))
    found = judged(hot)
    edge = next(c for c in found.clauses if c.clause == "hold 2 upper edge")
    assert edge.verdict == "broken" and edge.channel == "W2" and edge.value == pytest.approx(641.0)
    no_minutes = (SEGMENTS[0], replace(SEGMENTS[1], minutes=None), SEGMENTS[2])
    cold = changed(trace(), "W2", FURNACE - 4.0 - np.where((T > 3.5 * 3600) & (T < 3.7 * 3600), 25.0, 0.0))
    lower = next(c for c in judged(cold, segments=no_minutes).clauses if c.clause == "hold 2 lower edge")
    assert lower.verdict == "broken" and lower.channel == "W2" and lower.first_s == 3.5 * 3600 + STEP
    kept = next(c for c in judged(trace(), segments=no_minutes).clauses if c.clause == "hold 2 lower edge")
    assert kept.verdict == "kept"


def test_without_work_tcs_there_is_only_a_furnace_soak() -> None:
    made = trace(behind=())
    result = next(c for c in judged(made).clauses if c.clause == "soak 2")
    assert result.verdict == "cannot be told" and "the furnace alone was in the band for 1" in lacks(result, "si")
    by_furnace = (SEGMENTS[0], replace(SEGMENTS[1], soak_by="furnace"), SEGMENTS[2])
    assert next(c for c in judged(made, segments=by_furnace).clauses if c.clause == "soak 2").verdict == "kept"


def test_soak_at_most_and_by_section() -> None:
    long = (SEGMENTS[0], replace(SEGMENTS[1], minutes_max=90.0), SEGMENTS[2])
    assert next(c for c in judged(trace(), segments=long).clauses if c.clause == "soak 2 at most").verdict == "broken"
    rule = Limit(1, "soak", "min", 60.0, "hold", 2, rule="time*thickness", per_mm=25.4, floor=15.0)
    assert one(trace(), rule, pieces=[PieceRecord("A", "1", 40.0)]).verdict == "kept"
    short = one(trace(), rule, pieces=[PieceRecord("A", "1", 60.0)])
    assert short.channel == "W3"  # the last to come into the band
    assert short.verdict == "broken" and short.limit == pytest.approx(60.0 * 60.0 / 25.4)


def test_a_target_never_reached_and_segments_never_come_to() -> None:
    cold = trace()
    cold = replace(cold, values=np.minimum(cold.values, 580.0))
    found = {c.clause: c for c in judged(cold).clauses}
    assert found["heat 1 target"].verdict == "broken" and found["heat 1 target"].value == pytest.approx(580.0)
    assert found["soak 2"].verdict == "broken" and found["soak 2"].value == 0.0
    assert lacks(found["hold 2 upper edge"], "si") == "the run never came to segment 2"


# ---- atmosphere, thermocouples, recorder ----------------------------------------------------------------------------
def test_pressure_dew_point_and_oxygen() -> None:
    p = np.where(T < 3600.0, 1.0, 1e-3)
    made = trace(
        (Channel(10, "P", "pressure", "pressure", "mbar"), p),
        (Channel(11, "D", "dew point", "dew point", "c"), np.full(T.size, -60.0)),
        (Channel(12, "O", "oxygen", "oxygen", "ppm"), np.full(T.size, 12.0)),
    )
    assert one(made, Limit(1, "pressure", "max", 1e-2, phase="hold")).verdict == "kept"
    early = one(made, Limit(1, "pressure", "max", 1e-2))
    assert early.verdict == "broken" and early.first_s == 0.0 and early.lasted_s == pytest.approx(3600.0 - 30.0)
    assert one(made, Limit(1, "dew_point", "max", -54.0)).verdict == "kept"
    assert one(made, Limit(1, "dew_point", "max", -65.0)).channel == "D"
    assert one(made, Limit(1, "oxygen", "max", 10.0)).verdict == "broken"
    for quantity in ("pressure", "dew_point", "oxygen"):
        assert one(trace(), Limit(1, quantity, "max", 1.0)).verdict == "cannot be told"
    by_segment = (SEGMENTS[0], replace(SEGMENTS[1], pressure_max_mbar=1e-4), SEGMENTS[2])
    result = next(c for c in judged(made, segments=by_segment).clauses if c.clause == "hold 2 pressure")
    assert result.verdict == "broken" and result.segment == 2


def test_leak_up() -> None:
    rise = np.where(T < 1800.0, 1e-3, 1e-3 + 0.02 * (T - 1800.0) / 3600.0)
    made = trace((Channel(10, "P", "pressure", "pressure", "mbar"), rise))
    limit = Limit(1, "leak_rate", "max", 0.013)
    assert "leak-up started" in lacks(one(made, limit), "si")
    events = (Event(1800.0, "leak-up started"), Event(3600.0, "leak-up ended"))
    result = one(replace(made, events=events), limit)
    assert result.verdict == "broken" and result.value == pytest.approx(0.02, rel=1e-6)
    assert (result.first_s, result.lasted_s, result.channel) == (1800.0, 1800.0, "P")
    assert one(replace(made, events=events), Limit(1, "leak_rate", "max", 0.03)).verdict == "kept"


def test_fewest_work_tcs_and_what_rests_on_them() -> None:
    lost = changed(trace(), "W2", np.where(T > 7200.0, np.nan, FURNACE - 4.0))
    found = judged(lost, Limit(1, "work_tcs", "min", 3.0), Limit(2, "spread", "max", 40.0))
    count, spread = found.clauses[-2:]
    assert count.verdict == "broken" and count.first_s == 7260.0 and count.channel == "W2" and count.value == 2.0
    assert spread.verdict == "cannot be told" and spread.value == pytest.approx(4.0)
    assert found.verdict == "broken"
    assert one(lost, Limit(1, "work_tcs", "min", 2.0)).verdict == "kept"


def test_longest_gap_and_what_was_not_seen() -> None:
    keep = ~((T > 6000.0) & (T < 6000.0 + 1800.0))
    made = trace()
    cut = replace(made, t_s=T[keep], values=made.values[:, keep], flags=made.flags[:, keep])
    found = judged(cut, Limit(1, "gap", "max", 300.0), Limit(2, "spread", "max", 40.0))
    gap, spread = found.clauses[-2:]
    assert gap.verdict == "broken" and gap.first_s == 6000.0 and gap.value == pytest.approx(1800.0)
    assert spread.verdict == "cannot be told" and "nothing was seen for 30 min" in lacks(spread, "si")
    assert one(made, Limit(1, "gap", "max", 300.0)).verdict == "kept"


def test_over_temperature_names_the_hottest_of_all() -> None:
    made = trace((Channel(9, "OT", "over-temperature"), FURNACE + 25.0))
    result = one(made, Limit(1, "over_temperature", "max", 640.0))
    assert result.verdict == "broken" and result.channel == "OT" and result.value == pytest.approx(645.0)
    assert one(trace(), Limit(1, "over_temperature", "max", 640.0)).verdict == "kept"


def test_start_and_events() -> None:
    assert one(trace(), Limit(1, "start_work", "max", 17.9, phase="start")).verdict == "broken"
    assert one(trace(), Limit(1, "start_control", "max", 20.0, phase="start")).verdict == "kept"
    late = changed(trace(), "C1", np.where(T < 1800.0, np.nan, FURNACE))
    assert one(late, Limit(1, "start_control", "max", 20.0, phase="start")).verdict == "cannot be told"
    limit = Limit(1, "event_work", "max", 300.0, event="Fan on")
    opened = replace(trace(), events=(Event(7.0 * 3600 + 20.0, "fan on"),))
    result = one(opened, limit)
    assert result.verdict == "broken" and result.value == pytest.approx(318.0) and result.channel == "W1"
    assert result.worst_s == 7.0 * 3600


def test_judging_ends_where_the_door_opens() -> None:
    """After the door is open the load cools at will: nothing there is judged."""
    wild = FURNACE - 4.0 - np.where(T > 7.5 * 3600, 100.0, 0.0)
    made = replace(changed(trace(), "W2", wild), events=(Event(7.5 * 3600, "door opened"),))
    found = judged(made, Limit(1, "spread", "max", 40.0))
    assert found.clauses[-1].verdict == "kept" and found.judged_until_s == 7.5 * 3600
    assert one(changed(trace(), "W2", wild), Limit(1, "spread", "max", 40.0)).verdict == "broken"


def test_after_the_run_never_cooled() -> None:
    half = trace()
    n = int(4.0 * 60)
    half = replace(half, t_s=T[:n], values=half.values[:, :n], flags=half.flags[:, :n])
    result = one(half, Limit(1, "spread", "max", 40.0, phase="cooling"))
    assert result.verdict == "cannot be told" and "never came to cooling" in lacks(result, "si")
