"""Sensor faults on small traces made by hand: each kind found, and its honest double left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from loadbook.analysis.faults.channels import channel_view, outside
from loadbook.analysis.faults.find import KINDS, find_faults
from loadbook.analysis.trace.model import MISSING, OPEN, OUT_OF_RANGE, Channel, Event, Fault, Trace
from loadbook.analysis.trace.phases import find_phases
from loadbook.analysis.trace.validity import prepared
from loadbook.core.vocabulary.faults import TERMS
from loadbook.queries.evidence_words import worded

from .trials import own_heat

TAUS_MIN = (6.0, 15.0, 30.0, 45.0, 60.0, 90.0)  # time constants of the six work TCs


def told(fault: Fault, system: str = "si") -> str:
    """A fault's evidence as it is read."""
    return worded(fault.evidence, system)


def furnace(t: np.ndarray) -> np.ndarray:
    """20 °C, 120 °C/h to 250 °C, held 40 min, to 600 °C, held 6 h, cooled at 100 °C/h."""
    hours = np.array([0, 0.25, 2.167, 2.833, 5.75, 11.75, 16.5])
    return np.interp(t / 3600.0, hours, [20.0, 20.0, 250.0, 250.0, 600.0, 600.0, 125.0])


def lagged(t: np.ndarray, drive: np.ndarray, tau_min: float) -> np.ndarray:
    keep = np.exp(-(t[1] - t[0]) / (60.0 * tau_min))
    return np.asarray(lfilter([1.0 - keep], [1.0, -keep], drive, zi=[drive[0] * keep])[0])


def load(step_s: float = 30.0, resolution: float = 0.1, noise: float = 0.15, seed: int = 3) -> Trace:
    """A healthy load: one control TC, six work TCs of TAUS_MIN ('W1' quickest), no events."""
    t = np.arange(0.0, 16.5 * 3600.0, step_s)
    drive = furnace(t)
    values = np.vstack([drive, *[lagged(t, drive, tau) for tau in TAUS_MIN]])
    values = values + np.random.default_rng(seed).normal(0.0, noise, values.shape)
    channels = [Channel(1, "C1", "control", tc_type="K")]
    channels += [Channel(10 + i, f"W{i + 1}", "work", tc_type="K") for i in range(len(TAUS_MIN))]
    values = np.round(values / resolution) * resolution
    return Trace(t, values, np.zeros(values.shape, np.uint8), tuple(channels))


def with_values(trace: Trace, name: str, change: np.ndarray, where: np.ndarray) -> Trace:
    values = trace.values.copy()
    values[trace.row(name), where] = change[where]
    return replace(trace, values=values)


def between(trace: Trace, start_h: float, end_h: float = 99.0) -> np.ndarray:
    return (trace.t_s >= start_h * 3600.0) & (trace.t_s <= end_h * 3600.0)


def of(faults: list[Fault], name: str) -> list[Fault]:
    return [f for f in faults if f.channel == name]


def only(faults: list[Fault], kind: str, name: str) -> Fault:
    """The single suspicion of the list, which must be of this kind and channel."""
    assert [(f.kind, f.channel) for f in faults] == [(kind, name)]
    return faults[0]


@pytest.mark.parametrize("resolution", [0.01, 0.1, 1.0])
@pytest.mark.parametrize("step_s", [10.0, 60.0])
def test_a_healthy_load_of_thin_and_thick_sections_has_no_fault(resolution: float, step_s: float) -> None:
    assert find_faults(load(step_s, resolution)) == []


def test_an_open_circuit_is_certain_and_lasts_as_long_as_its_samples() -> None:
    trace = load()
    where = between(trace, 4.0, 5.0)
    values, flags = trace.values.copy(), trace.flags.copy()
    values[3, where], flags[3, where] = np.nan, OPEN
    fault = only(find_faults(replace(trace, values=values, flags=flags)), "open", "W3")
    assert fault.certain and fault.confidence == 1.0
    assert (fault.start_s, fault.end_s) == (4 * 3600.0, 5 * 3600.0)
    assert "121 samples written as an open circuit" in told(fault)


def test_a_jump_past_the_range_takes_the_sample_on_its_way_along() -> None:
    trace = load()
    start = int(np.searchsorted(trace.t_s, 5 * 3600.0))
    values = trace.values.copy()
    values[2, start] = 900.0  # on the way
    values[2, start + 1 :] = 1400.0  # type K ends at 1372 °C
    ready = prepared(replace(trace, values=values))
    assert ready.flags[2, start + 1] & OUT_OF_RANGE
    fault = only(find_faults(ready), "open", "W2")
    assert fault.start_s == trace.t_s[start]


def test_breaks_close_together_are_one_fault_and_a_gap_of_the_recorder_is_none() -> None:
    trace = load()
    values, flags = trace.values.copy(), trace.flags.copy()
    for minute in (0, 6, 12):
        where = between(trace, 4.0 + minute / 60.0, 4.0 + (minute + 2) / 60.0)
        values[4, where], flags[4, where] = np.nan, OPEN
    recorder_off = between(trace, 8.0, 8.5)
    values[:, recorder_off], flags[:, recorder_off] = np.nan, MISSING
    fault = only(find_faults(replace(trace, values=values, flags=flags)), "open", "W4")
    assert fault.figures["breaks"] == 3


@pytest.mark.parametrize("resolution", [0.1, 1.0])
def test_a_channel_that_stops_dead_is_frozen_until_it_catches_up(resolution: float) -> None:
    trace = load(resolution=resolution)
    start = int(np.searchsorted(trace.t_s, 4.0 * 3600.0))
    held = np.full(len(trace.t_s), trace.values[3, start])
    fault = only(find_faults(with_values(trace, "W3", held, between(trace, 4.0, 5.0))), "frozen", "W3")
    assert abs(fault.start_s - 4.0 * 3600.0) <= 120.0 and abs(fault.end_s - 5.0 * 3600.0) <= 120.0
    assert not fault.certain and "stopped dead" in told(fault)


def test_a_channel_that_freezes_at_the_hold_is_found_when_the_furnace_leaves_it() -> None:
    trace = load()
    start = int(np.searchsorted(trace.t_s, 11.0 * 3600.0))
    held = np.full(len(trace.t_s), trace.values[2, start])
    fault = only(find_faults(with_values(trace, "W2", held, between(trace, 11.0))), "frozen", "W2")
    assert "it would have moved by" in told(fault)


def test_standing_still_with_everything_else_is_no_fault() -> None:
    """A recorder of 2 °C resolution shows a long hold as one number on every channel."""
    trace = load(resolution=2.0, noise=0.05)
    hold = between(trace, 10.0, 11.5)
    assert (np.ptp(trace.values[1:4, hold], axis=1) == 0).all()
    assert find_faults(trace) == []


@pytest.mark.parametrize("size", [12.0, -25.0])
def test_a_jump_that_stays_is_a_step(size: float) -> None:
    trace = load()
    moved = trace.values[4] + size
    faults = of(find_faults(with_values(trace, "W4", moved, between(trace, 3.5))), "W4")
    step = next(f for f in faults if f.kind == "step")
    assert step.start_s == 3.5 * 3600.0
    assert step.figures["jump_c"] == pytest.approx(size, abs=1.0)
    assert {f.kind for f in faults} <= {"step", "drifting"}


def test_a_jump_of_all_channels_together_is_the_recorders() -> None:
    trace = load()
    values = trace.values.copy()
    values[:, between(trace, 7.0)] += 6.0
    assert not [f for f in find_faults(replace(trace, values=values)) if f.kind == "step"]


def glitched(*samples: int, rows: tuple[int, ...] = (2,), by_c: float = 40.0) -> list[Fault]:
    trace = load()
    values = trace.values.copy()
    for row in rows:
        values[row, list(samples)] += by_c
    return find_faults(replace(trace, values=values))


def test_one_glitch_is_a_spike_and_neither_a_step_nor_noise() -> None:
    trace = load()
    (found,) = glitched(400)
    assert (found.kind, found.channel, found.certain) == ("spike", trace.channels[2].name, False)
    assert found.start_s == found.end_s == trace.t_s[400] and found.figures["height_c"] == pytest.approx(40.0, abs=2.0)
    (two,) = glitched(400, 401, by_c=-40.0)
    assert (two.start_s, two.end_s) == (trace.t_s[400], trace.t_s[401]) and two.evidence[0].figures["samples"] == 2
    (several,) = glitched(300, 400, 500)
    assert len(several.spans) == 3 and "2 more of the kind" in worded(several.evidence, "si")


def test_what_several_channels_feel_or_what_is_small_is_no_spike() -> None:
    assert glitched(400, rows=(1, 2, 3)) == []
    assert glitched(400, by_c=8.0) == []


def test_scatter_many_times_the_peers_is_noise() -> None:
    trace = load()
    rough = trace.values[5] + np.random.default_rng(1).normal(0.0, 5.0, len(trace.t_s))
    faults = find_faults(with_values(trace, "W5", rough, between(trace, 6.0, 8.0)))
    fault = only(faults, "noisy", "W5")
    assert fault.start_s == pytest.approx(6 * 3600.0, abs=900.0) and fault.end_s == pytest.approx(8 * 3600.0, abs=900.0)
    assert fault.figures["scatter_c"] == pytest.approx(5.0, rel=0.3)


def loose_from(trace: Trace, name: str, at_h: float, share: float = 0.9) -> Trace:
    """The work TC comes off: from then on a wire of one minute between its piece and the furnace."""
    row = trace.row(name)
    body = lagged(trace.t_s, furnace(trace.t_s), TAUS_MIN[row - 1])
    sees = body + share * (furnace(trace.t_s) - body)
    where = between(trace, at_h)
    wire = body.copy()
    keep = np.exp(-(trace.t_s[1] - trace.t_s[0]) / 60.0)
    wire[where] = lfilter([1 - keep], [1, -keep], sees[where], zi=[body[where][0] * keep])[0]
    wire += np.random.default_rng(5).normal(0.0, 0.15, len(wire))
    return with_values(trace, name, np.round(wire, 1), where)


def test_a_work_tc_that_comes_off_while_heating_is_seen_at_once() -> None:
    fault = only(find_faults(loose_from(load(), "W5", 4.0)), "detached", "W5")
    assert abs(fault.start_s - 4.0 * 3600.0) < 300.0
    assert 0.6 < fault.figures["share"] <= 1.05
    assert fault.figures["after_c"] < 0.5 * fault.figures["before_c"]
    assert "cannot be seen" in told(fault) and not fault.certain


def test_one_that_comes_off_at_the_hold_is_seen_when_the_load_is_cooled() -> None:
    fault = only(find_faults(loose_from(load(), "W4", 11.0)), "detached", "W4")
    assert fault.start_s < 11.0 * 3600.0
    assert fault.figures["tau_after_min"] < 0.4 * fault.figures["tau_before_min"]
    assert "at the hold, it cannot be seen" in told(fault)


def test_a_thin_section_near_the_furnace_all_the_way_is_not_detached() -> None:
    """Five thick sections and one whose lag is that of a bare wire from the start: the place is no evidence."""
    trace = load()
    thin = lagged(trace.t_s, furnace(trace.t_s), 1.0)
    assert find_faults(with_values(trace, "W1", np.round(thin, 1), between(trace, 0.0))) == []


@pytest.mark.parametrize("cold_c", [10.0, 20.0, 30.0])
def test_a_cold_corner_is_reported_at_most_and_never_suspected(cold_c: float) -> None:
    trace = load()
    drive = furnace(trace.t_s)
    corner = lagged(trace.t_s, drive - cold_c * (drive - 20.0) / 580.0, 45.0)
    faults = find_faults(with_values(trace, "W4", np.round(corner, 1), between(trace, 0.0)))
    assert {f.kind for f in faults} <= {"drifting"}
    assert not any(f.certain for f in faults)
    assert [f.figures["offset_c"] for f in of(faults, "W4")] == [pytest.approx(-cold_c, abs=2.5)]
    assert "never removed" in told(of(faults, "W4")[0])


def test_reversed_polarity_falls_when_heated() -> None:
    trace = load()
    fault = only(find_faults(with_values(trace, "W2", 40.0 - trace.values[2], between(trace, 0.0))), "reversed", "W2")
    assert fault.figures["own_c"] == pytest.approx(-fault.figures["peers_c"], rel=0.1)


@pytest.mark.parametrize("scale", [1.17, 1.33, 0.76])
def test_another_types_table_is_an_error_of_scale(scale: float) -> None:
    trace = load()
    read = 20.0 + scale * (trace.values[3] - 20.0)
    fault = only(find_faults(with_values(trace, "W3", read, between(trace, 0.0))), "wrong type", "W3")
    assert fault.figures["share"] == pytest.approx(scale, abs=0.03)


@pytest.mark.parametrize("from_h", [0.0, 4.5])
def test_a_short_in_the_lead_reads_another_place(from_h: float) -> None:
    trace = load()
    lead = 25.0 + 0.06 * (furnace(trace.t_s) - 20.0) + np.random.default_rng(2).normal(0, 0.2, len(trace.t_s))
    fault = only(find_faults(with_values(trace, "W6", lead, between(trace, from_h))), "shorted", "W6")
    assert abs(fault.start_s - from_h * 3600.0) < 900.0


def test_two_channels_that_trade_places_are_both_swapped() -> None:
    trace = load()
    values = trace.values.copy()
    late = between(trace, 4.0)
    values[2, late], values[6, late] = trace.values[6, late], trace.values[2, late]
    faults = find_faults(replace(trace, values=values))
    assert {(f.kind, f.channel) for f in faults} == {("swapped", "W2"), ("swapped", "W6")}
    assert {f.start_s for f in faults} == {4.0 * 3600.0}


def test_a_control_tc_on_a_work_tcs_channel_is_swapped() -> None:
    trace = load()
    values = trace.values.copy()
    values[[0, 5]] = values[[5, 0]]
    faults = [f for f in find_faults(replace(trace, values=values)) if f.kind != "drifting"]
    assert {(f.kind, f.channel) for f in faults} == {("swapped", "C1"), ("swapped", "W5")}


def test_nothing_after_the_end_of_judging_counts() -> None:
    """Thermocouples that are unplugged read open or jump; the run was over."""
    trace = load()
    values, flags = trace.values.copy(), trace.flags.copy()
    late = between(trace, 15.0)
    values[3, late], flags[3, late] = np.nan, OPEN
    values[4, late] = 30.0
    cut = replace(trace, values=values, flags=flags, events=(Event(14.99 * 3600.0, "thermocouples unplugged"),))
    assert find_faults(cut, find_phases(cut, None)) == []
    assert {f.kind for f in find_faults(cut)} >= {"open"}


@pytest.mark.parametrize("keep", [["C1"], ["W1"], ["W1", "W2"], ["W1", "W2", "W3", "W4", "W5", "W6"]])
def test_few_channels_or_no_control_tc_are_no_trouble(keep: list[str]) -> None:
    trace = load()
    rows = [trace.row(name) for name in keep]
    part = replace(
        trace, values=trace.values[rows], flags=trace.flags[rows], channels=tuple(trace.channels[r] for r in rows)
    )
    assert find_faults(part) == []


def test_empty_short_and_valueless_traces_have_no_fault_to_show() -> None:
    trace = load()
    assert channel_view(replace(trace, channels=tuple(replace(c, role="other") for c in trace.channels))) is None
    for stop in (0, 1, 2, 5, 40):
        cut = replace(trace, t_s=trace.t_s[:stop], values=trace.values[:, :stop], flags=trace.flags[:, :stop])
        assert find_faults(cut) == []
    assert find_faults(replace(trace, values=np.full_like(trace.values, np.nan))) == []


def test_uneven_times_and_a_gap_change_nothing() -> None:
    trace = load()
    rng = np.random.default_rng(8)
    kept = np.sort(rng.choice(len(trace.t_s), size=int(0.6 * len(trace.t_s)), replace=False))
    kept = kept[(trace.t_s[kept] < 5.0 * 3600.0) | (trace.t_s[kept] > 5.5 * 3600.0)]
    thinned = replace(trace, t_s=trace.t_s[kept], values=trace.values[:, kept], flags=trace.flags[:, kept])
    assert find_faults(thinned) == []
    loose = loose_from(trace, "W5", 4.0)
    loose = replace(loose, t_s=loose.t_s[kept], values=loose.values[:, kept], flags=loose.flags[:, kept])
    assert [f.kind for f in find_faults(loose)] == ["detached"]


def test_every_kind_is_explained() -> None:
    assert {t.name for t in TERMS} == set(KINDS)


def test_two_tcs_of_one_piece_that_agree_show_its_place_and_no_drift() -> None:
    healthy = load(noise=0.05)
    on_pieces = tuple(
        replace(c, part="P", serial=f"S{(i + 1) // 2}") if c.role == "work" else c
        for i, c in enumerate(healthy.channels)
    )
    cold = healthy.values.copy()
    for name in ("W1", "W2"):
        row = healthy.row(name)
        cold[row] -= 12.0 * np.clip((cold[row] - 100.0) / 500.0, 0.0, 1.0)
    both = replace(healthy, values=cold, channels=on_pieces)
    assert not find_faults(both)
    one = cold.copy()
    one[healthy.row("W2")] = healthy.values[healthy.row("W2")]
    assert only(find_faults(replace(both, values=one)), "drifting", "W1").figures["offset_c"] < -8.0


def test_a_jump_explains_a_channel_that_stands_too_high() -> None:
    healthy = load()
    jumped = with_values(healthy, "W2", healthy.values[healthy.row("W2")] + 40.0, between(healthy, 3.5))
    assert only(find_faults(jumped), "step", "W2").start_s == pytest.approx(3.5 * 3600.0, abs=60.0)


def test_a_gas_quench_bends_every_channel_and_breaks_none() -> None:
    """Gas let in at 8 h: the furnace falls with a time constant of 70 s, sections follow at once or late."""
    healthy = load()
    t, at = healthy.t_s, 8.0 * 3600.0
    late = t >= at
    first = int(np.argmax(late))
    values = healthy.values.copy()
    fall = 20.0 + (values[0, first] - 20.0) * np.exp(-(t[late] - at) / 70.0)
    values[0, late] = fall
    for row, tau_min in enumerate(TAUS_MIN, 1):
        values[row, late] = lagged(t[late], fall - fall[0], tau_min / 4.0) + values[row, first]
    assert not [f for f in find_faults(replace(healthy, values=values)) if f.kind != "drifting"]


def test_a_step_back_is_printed_with_its_own_sign() -> None:
    trace = load()
    jumped = with_values(trace, "W3", trace.values[3] - 14.0, between(trace, 8.0, 9.0))
    fault = next(f for f in of(find_faults(jumped), "W3") if f.kind == "step")
    assert "jumped by -1" in told(fault) and "°C" in told(fault) and "°C" not in told(fault, "us")
    assert ", and back by +1" in told(fault)


def test_an_intermittent_jack_is_one_line_with_its_number_and_what_to_do() -> None:
    trace = load()
    values, flags = trace.values.copy(), trace.flags.copy()
    starts = [3.0, 3.6, 4.7, 6.0, 8.0, 9.5, 11.0]
    for hour in starts:
        where = between(trace, hour, hour + 0.05)
        values[4, where], flags[4, where] = np.nan, OPEN
    faults = find_faults(replace(trace, values=values, flags=flags))
    fault = only(faults, "open", "W4")
    assert fault.figures["breaks"] == len(starts) == len(fault.spans)
    assert "came and went 7 times" in told(fault) and "jack" in told(fault) and "Reseat" in told(fault)
    assert not fault.covers(np.array([5.0 * 3600.0]))[0]  # what it read in between counts


def test_a_lone_oven_or_a_coarse_recorder_makes_no_noise() -> None:
    """A controller that switches on and off, seen by one control TC at 5 min; and a recorder of 5 °C resolution."""
    t = np.arange(0.0, 60 * 3600.0, 300.0)
    wave = 400.0 + np.where(np.arange(len(t)) % 2, 9.0, -9.0) + np.random.default_rng(4).normal(0.0, 3.0, len(t))
    alone = Trace(t, wave[None, :], np.zeros((1, len(t)), np.uint8), (Channel(1, "C1", "control", tc_type="K"),))
    assert find_faults(alone) == []
    steady = np.vstack([wave, *[np.round(lagged(t, wave, tau), 1) for tau in (60.0, 90.0, 120.0)]])
    works = tuple(Channel(10 + i, f"W{i + 1}", "work", tc_type="K") for i in range(3))
    with_load = Trace(t, steady, np.zeros(steady.shape, np.uint8), (*alone.channels, *works))
    assert not [f for f in find_faults(with_load) if f.kind == "noisy"]
    assert not [f for f in find_faults(load(resolution=5.0)) if f.kind == "noisy"]


def test_a_load_that_is_hot_on_one_side_blames_no_sensor() -> None:
    trace = load(noise=0.05)
    values, share = trace.values.copy(), np.clip((trace.values[1:] - 100.0) / 500.0, 0.0, 1.0)
    values[1:] -= np.array([[0.0], [18.0], [0.0], [15.0], [0.0], [20.0]]) * share
    (line,) = find_faults(replace(trace, values=values))
    assert line.kind == "drifting" and line.confidence <= 0.1
    assert "position" in told(line) and "so many sensors do not drift together" in told(line)


def test_a_wire_that_moves_while_the_furnace_stands_is_the_sensor_and_a_steady_place_is_not() -> None:
    trace = load(noise=0.05)
    place = with_values(trace, "W2", trace.values[2] * (1.0 - 15.0 / 600.0), between(trace, 0.0))
    assert "a cold place looks the same and is the likelier cause" in told(only(find_faults(place), "drifting", "W2"))
    going = trace.values[2] - 16.0 * np.interp(trace.t_s / 3600.0, [6.0, 11.75], [0.0, 1.0])
    fault = only(find_faults(with_values(trace, "W2", going, between(trace, 0.0))), "drifting", "W2")
    assert "while the furnace stood, which no place does" in told(fault)


def test_a_bead_loose_before_it_had_a_place_answers_at_two_speeds() -> None:
    trace = load()
    drive = furnace(trace.t_s)
    loose = 0.7 * lagged(trace.t_s, drive, 1.0) + 0.3 * trace.values[5]
    fault = only(find_faults(with_values(trace, "W5", np.round(loose, 1), between(trace, 0.0))), "detached", "W5")
    assert fault.figures["share"] == pytest.approx(0.7, abs=0.1) and fault.start_s == 0.0


@pytest.mark.parametrize(
    ("name", "change", "from_h", "kind"),
    [
        ("W2", lambda t, y: 300.0 + np.random.default_rng(1).normal(0.0, 0.15, t.size), 3.6, "frozen"),
        ("W2", lambda t, y: y - 70.0 * np.clip((t / 3600.0 - 9.0) / 0.3, 0.0, 1.0), 9.0, "detached"),
        ("W2", lambda t, y: y - 40.0 * (np.arange(t.size) % 20 == 0), 7.0, "spike"),
        ("W2", lambda t, y: y + np.random.default_rng(1).normal(0.0, 6.0, t.size), 7.13, "noisy"),
    ],
)
def test_a_fault_has_its_own_name_and_its_own_first_moment(name: str, change, from_h: float, kind: str) -> None:  # type: ignore[no-untyped-def]
    """A dead input that flickers is not a wrong type, nor is a bead that fell away in the soak; spikes by the dozen are
    spikes; noise begins within minutes of its first wild sample and not with a block of ten minutes."""
    trace = load()
    changed = change(trace.t_s, trace.values[trace.row(name)])
    fault = only(find_faults(with_values(trace, name, changed, between(trace, from_h))), kind, name)
    assert fault.start_s == pytest.approx(from_h * 3600.0, abs=900.0 if kind == "spike" else 240.0)


def test_a_zone_whose_input_is_dead_is_said() -> None:
    trace = load()
    zones = np.vstack([trace.values[:1], trace.values[:1] + 1.0, trace.values[:1] - 1.0])
    values = np.vstack([zones, trace.values[1:]])
    channels = (*(Channel(i + 1, f"Z{i + 1}", "control", tc_type="K") for i in range(3)), *trace.channels[1:])
    trace = replace(trace, values=values, flags=np.zeros(values.shape, np.uint8), channels=channels)
    dead = 300.0 + np.random.default_rng(1).normal(0.0, 0.15, trace.t_s.size)
    only(find_faults(with_values(trace, "Z2", dead, between(trace, 3.3))), "frozen", "Z2")


def test_a_wire_that_moves_is_said_among_three() -> None:
    trace = load()
    kept = replace(trace, values=trace.values[:4], flags=trace.flags[:4], channels=trace.channels[:4])
    moved = kept.values[1] - 3.0 * np.clip(kept.t_s / 3600.0 - 4.0, 0.0, None)
    assert find_faults(kept) == []
    only(find_faults(with_values(kept, "W1", moved, between(kept, 0.0))), "drifting", "W1")


HANDLED_MIN = (6.0, 10.0, 16.0)


def handled(how: str, step_s: float, resolution: float, scale: float = 1.0) -> Trace:
    """Three work TCs of HANDLED_MIN put into a furnace that is hot already, or taken out of it to air or into oil while
    it stays hot. scale: how 'W2' is read, from 20 °C on."""
    t, rng = np.arange(0.0, 10.0 * 3600.0, 5.0), np.random.default_rng(4)
    if how == "charged hot":
        drive = np.where(t < 1200.0, 850.0, 850.0 - 120.0 * np.exp(-(t - 1200.0) / 1500.0))
        bodies = [lagged(t, np.where(t < 1200.0, 22.0, drive), tau) for tau in HANDLED_MIN]
    else:
        drive, out = np.minimum(20.0 + t / 18.0, 880.0), 6.0 * 3600.0
        outside = (lambda tau: 2.5 * tau) if how == "air" else (lambda tau: 0.1 * tau)
        bodies = []
        for tau in HANDLED_MIN:
            body, n = lagged(t, drive, tau), int(out / 5.0)
            body[n:] = 25.0 + (body[n] - 25.0) * np.exp(-(t[n:] - out) / (60.0 * outside(tau)))
            bodies.append(body)
    bodies[1] = 20.0 + scale * (bodies[1] - 20.0)
    values = np.vstack([drive, *bodies])[:, :: int(step_s / 5.0)]
    values = np.round((values + rng.normal(0.0, 0.15, values.shape)) / resolution) * resolution
    channels = [
        Channel(1, "C1", "control", tc_type="K"),
        *(Channel(10 + i, f"W{i}", "work", tc_type="K") for i in (1, 2, 3)),
    ]
    return Trace(t[:: int(step_s / 5.0)], values, np.zeros(values.shape, np.uint8), tuple(channels))


@pytest.mark.parametrize(("step_s", "resolution"), [(10.0, 0.1), (60.0, 1.0), (60.0, 5.0), (300.0, 1.0)])
@pytest.mark.parametrize("how", ["charged hot", "air", "oil"])
def test_a_furnace_says_nothing_of_a_load_outside_it(how: str, step_s: float, resolution: float) -> None:
    """The furnace stands at its temperature, to the recorder's step, and the load cold beside it: nothing is frozen,
    shorted, loose or of another type for that."""
    assert find_faults(handled(how, step_s, resolution)) == []


@pytest.mark.parametrize("how", ["charged hot", "air", "oil"])
def test_a_load_that_was_outside_still_shows_a_wrong_type(how: str) -> None:
    found = only(find_faults(handled(how, 60.0, 0.1, scale=0.8)), "wrong type", "W2")
    assert found.start_s == 0.0


def test_what_held_still_and_went_on_from_there_was_not_frozen() -> None:
    """Wet parts stand at 100 °C until they are dry, and rise from there. An input that was dead jumps back, to where
    its section went meanwhile."""
    t = np.arange(0.0, 5.0 * 3600.0, 30.0)
    drive = np.clip(20.0 + t / 24.0, 20.0, 300.0)
    dry = [lagged(t, drive, tau) for tau in (8.0, 12.0, 16.0)]
    wet, stands = dry[0].copy(), int(np.argmax(dry[0] >= 100.0))
    later = stands + 120  # an hour
    wet[stands:later] = 100.0
    dead = wet.copy()
    wet[later:] = drive[later:] - (drive[later] - 100.0) * np.exp(-(t[later:] - t[later]) / 480.0)
    channels = (Channel(1, "C1", "control"), *(Channel(10 + i, f"W{i}", "work") for i in (1, 2, 3, 4)))
    for first, kinds in ((wet, set()), (dead, {"frozen"})):
        values = np.round(np.vstack([drive, first, *dry]), 1)
        found = find_faults(Trace(t, values, np.zeros(values.shape, np.uint8), channels))
        assert {f.kind for f in of(found, "W1")} & {"frozen"} == kinds


@pytest.mark.parametrize("resolution", [5.0, 6.0, 10.0])
def test_a_recorder_in_steps_of_degrees_blames_no_thin_section(resolution: float) -> None:
    """Two channels a step or two apart move at the same moments: no bead hangs loose for that."""
    t = np.arange(0.0, 12.0 * 3600.0, 60.0)
    drive = np.interp(t / 3600.0, [0.0, 5.0, 7.5, 12.0], [20.0, 620.0, 620.0, 150.0])
    values = np.vstack([drive, *[lagged(t, drive, tau) for tau in (5.0, 9.0, 14.0, 20.0)]])
    values = np.round((values + np.random.default_rng(8).normal(0.0, 0.25, values.shape)) / resolution) * resolution
    channels = (Channel(1, "C1", "control"), *(Channel(10 + i, f"W{i}", "work") for i in (1, 2, 3, 4)))
    assert find_faults(Trace(t, values, np.zeros(values.shape, np.uint8), channels)) == []


def test_no_drift_is_told_where_nothing_shows_where_the_load_comes_to_rest() -> None:
    """A recorder of five minutes, not quite even, and a hold of 40 minutes: no figure is no offset."""
    rng = np.random.default_rng(6)
    t = np.arange(0.0, 8.0 * 3600.0, 300.0)
    t = t + rng.uniform(-70.0, 70.0, t.size)
    drive = np.interp(t / 3600.0, [0.0, 4.0, 5.6, 8.0], [20.0, 200.0, 200.0, 60.0])
    fine = np.arange(0.0, 8.1 * 3600.0, 10.0)
    whole = np.interp(fine / 3600.0, [0.0, 4.0, 5.6, 8.0], [20.0, 200.0, 200.0, 60.0])
    values = np.vstack(
        [drive, *[np.interp(t, fine, lagged(fine, whole, tau)) for tau in (3.0, 5.0, 8.0, 11.0, 4.0, 6.0)]]
    )
    values = np.round(values + rng.normal(0.0, 0.15, values.shape))
    channels = (Channel(1, "C1", "control"), *(Channel(10 + i, f"W{i}", "work") for i in range(6)))
    for fault in find_faults(Trace(t, values, np.zeros(values.shape, np.uint8), channels)):
        assert "nan" not in told(fault) and all(np.isfinite(v) for v in fault.figures.values()), told(fault)


ALONE = np.arange(0.0, 12.0 * 3600.0, 60.0)
ALONE_DRIVE = np.interp(ALONE / 3600.0, [0.0, 5.0, 7.5, 12.0], [20.0, 620.0, 620.0, 150.0])
ALONE_BODY = lagged(ALONE, ALONE_DRIVE, 11.0)
STOPPED = int(np.argmax(ALONE_BODY > 300.0))


@pytest.mark.parametrize(
    ("kind", "reads"),
    [
        (None, ALONE_BODY),
        ("wrong type", 20.0 + 1.3 * (ALONE_BODY - 20.0)),
        ("reversed", 20.0 - 0.3 * (ALONE_BODY - 20.0)),
        ("frozen", np.full(ALONE.size, 22.0)),
        ("frozen", np.where(np.arange(ALONE.size) < STOPPED, ALONE_BODY, 300.0)),
        ("noisy", ALONE_BODY + np.where(ALONE > 4e4 / 2, np.random.default_rng(2).normal(0.0, 8.0, ALONE.size), 0.0)),
    ],
)
@pytest.mark.parametrize("resolution", [0.1, 1.0])
def test_a_single_work_tc_beside_its_furnace(kind: str | None, reads: np.ndarray, resolution: float) -> None:
    noise = np.random.default_rng(5).normal(0.0, 0.15, (2, ALONE.size))  # a dead input flickers in its last digits too
    values = np.round((np.vstack([ALONE_DRIVE, reads]) + noise) / resolution) * resolution
    trace = Trace(
        ALONE, values, np.zeros(values.shape, np.uint8), (Channel(1, "C1", "control"), Channel(10, "W1", "work"))
    )
    found = find_faults(trace)
    assert [(f.kind, f.channel) for f in found] == ([(kind, "W1")] if kind else [])
    assert kind != "frozen" or ("the furnace moved" in told(found[0]) and "peer" not in told(found[0]))
    if kind == "frozen" and reads[0] < 21.0:
        assert abs(found[0].start_s - ALONE[STOPPED]) <= 180.0


@pytest.mark.parametrize("resolution", [0.1, 1.0])
def test_an_input_dead_for_an_hour_is_frozen_then_though_its_hold_is_longer(resolution: float) -> None:
    """It flickers in its last digits; at the hold every channel stands within its noise, and longer."""
    trace = load(60.0, 0.01)
    body, stops = trace.values[trace.row("W1")].copy(), int(np.argmax(trace.t_s > 4.0 * 3600.0))
    body[stops : stops + 60] = body[stops] + np.random.default_rng(4).normal(0.0, 0.15, 60)
    values = trace.values.copy()
    values[trace.row("W1")] = body
    values = np.round(values / resolution) * resolution
    (found,) = [f for f in find_faults(replace(trace, values=values)) if f.kind == "frozen"]
    assert found.channel == "W1" and abs(found.start_s - 4.0 * 3600.0) < 300.0
    assert abs(found.end_s - 5.0 * 3600.0) < 180.0


def test_an_offset_of_a_channel_at_rest_is_told_though_it_never_answered_the_furnace() -> None:
    """It stands above the furnace from the start: what seems its rate is none."""
    trace = load()
    values = trace.values.copy()
    values[trace.row("W1")] += 18.0
    assert "drifting" in {f.kind for f in of(find_faults(replace(trace, values=values)), "W1")}


def test_a_wrong_type_is_seen_where_the_furnace_is_switched_on_and_off() -> None:
    drive = ALONE_DRIVE + 6.0 * np.sin(2.0 * np.pi * ALONE / 600.0)
    bodies = [lagged(ALONE, drive, tau) for tau in (6.0, 9.0, 14.0, 20.0)]
    bodies[2] = 20.0 + 0.76 * (bodies[2] - 20.0)
    values = np.round(np.vstack([drive, *bodies]) + np.random.default_rng(5).normal(0.0, 0.15, (5, ALONE.size)), 1)
    channels = (Channel(1, "C1", "control"), *(Channel(10 + i, f"W{i}", "work", tc_type="K") for i in (1, 2, 3, 4)))
    only(find_faults(Trace(ALONE, values, np.zeros(values.shape, np.uint8), channels)), "wrong type", "W3")


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("seed", range(25, 35))
def test_a_load_charged_hot_is_found_to_be_taken_out(seed: int) -> None:
    """However its first readings scatter: what has not warmed yet was not taken out."""
    rng, t = np.random.default_rng(seed), np.arange(600)
    warming = np.where(t < 30, 25.0, 900.0 - 875.0 * np.exp(-np.clip(t - 30, 0, None) / 60.0))
    load = np.where(t < 400, warming, 25.0 + (warming[399] - 25.0) * np.exp(-(t - 400) / 8.0))
    work = np.array([1.0, 0.99, 0.98])[:, None] * load + rng.normal(0.0, 1.5, (3, 600))
    found = outside(work, 900.0 + rng.normal(0.0, 1.0, 600), 60.0)
    assert not found[60:390].any() and found[410:].all()


@pytest.mark.parametrize(
    ("kind", "seed"), [("wet", 404), ("curing", 414), ("transforming", 426), ("transforming", 438)]
)
def test_a_load_with_heat_of_its_own_has_no_loose_bead(kind: str, seed: int) -> None:
    """Wet parts stand at 100 °C and steel near 730 °C, resin warms itself: then they catch up, or pass the furnace."""
    assert own_heat.suspected(own_heat.load(kind, seed)) == []


def test_a_bead_that_comes_off_steel_that_transforms_is_found() -> None:
    trace = own_heat.load("transforming", 438)
    drive = trace.values[trace.rows("control")].mean(axis=0)
    begin = int(np.argmax(drive > 400.0))
    values = trace.values.copy()
    body = values[0, begin:]
    keep = np.exp(-trace.t_s[1] / 60.0)
    sees = body + 0.9 * (drive[begin:] - body)
    values[0, begin:] = lfilter([1.0 - keep], [1.0, -keep], sees, zi=[body[0] * keep])[0]
    found = only(own_heat.suspected(replace(trace, values=values)), "detached", trace.channels[0].name)
    assert abs(found.start_s - trace.t_s[begin]) < 600.0


@pytest.mark.parametrize(
    ("fall", "resolution", "slow_min"), [(2700.0, 0.6, 6.0), (1200.0, 0.1, 6.0), (2700.0, 1.0, 3.0)]
)
def test_zones_of_a_quench_come_down_one_after_the_other(fall: float, resolution: float, slow_min: float) -> None:
    """The first is not shorted for that, nor frozen where it waits for the others and the load."""
    t = np.arange(0.0, 13.0 * 3600.0, 30.0)
    down = 4.5 + 790.0 / fall
    hours = np.array([0.0, 3.0, 4.5, down, down + 1.5, down + 2.5, 13.0])
    asked = np.interp(t / 3600.0, hours, [20.0, 850.0, 850.0, 60.0, 60.0, 190.0, 190.0])
    values = np.vstack([lagged(t, asked, tau) for tau in (1.0, slow_min, slow_min, 9.0, 14.0, 20.0)])
    values += np.random.default_rng(5).normal(0.0, 0.1, values.shape)
    values = np.round(values / resolution) * resolution
    names = [("C1", "control"), ("C2", "control"), ("C3", "control"), ("W1", "work"), ("W2", "work"), ("W3", "work")]
    channels = tuple(Channel(i + 1, name, role, tc_type="K") for i, (name, role) in enumerate(names))  # type: ignore[arg-type]
    trace = Trace(t, values, np.zeros(values.shape, np.uint8), channels)
    assert not [f for f in find_faults(trace) if f.kind in ("frozen", "shorted")]


@pytest.mark.parametrize("taus_min", [(1.0, 1.2, 1.5, 12.0), (1.2,), (1.2, 8.0, 12.0, 14.0)])
def test_a_thin_load_has_no_loose_beads(taus_min: tuple[float, ...]) -> None:
    """Sheet follows the furnace within minutes: a recorder of two minutes does not show how."""
    t = np.arange(0.0, 12.0 * 3600.0, 120.0)
    drive = lagged(t, np.interp(t / 3600.0, [0.0, 4.0, 7.0, 12.0], [20.0, 620.0, 620.0, 100.0]), 3.0)
    values = np.vstack([drive, *[lagged(t, drive, tau) for tau in taus_min]])
    values = np.round(values + np.random.default_rng(2).normal(0.0, 0.1, values.shape), 1)
    channels = (Channel(1, "C1", "control"), *(Channel(10 + i, f"W{i}", "work") for i in range(len(taus_min))))
    assert find_faults(Trace(t, values, np.zeros(values.shape, np.uint8), channels)) == []


@pytest.mark.parametrize("name", ["W3", "W4", "W5"])
def test_a_single_work_tc_that_comes_off_while_the_furnace_rises_is_found(name: str) -> None:
    """Beside its furnace alone, by its own past: no peer to compare it with."""
    trace = load()
    rows = [0, trace.row(name)]
    single = Trace(trace.t_s, trace.values[rows], trace.flags[rows], tuple(trace.channels[i] for i in rows))
    assert find_faults(single) == []
    off = between(trace, 4.5)
    sees = single.values[1, off] + 0.8 * (single.values[0, off] - single.values[1, off])
    keep = np.exp(-30.0 / 150.0)
    loose = single.values[1].copy()
    loose[off] = lfilter([1.0 - keep], [1.0, -keep], sees, zi=[loose[off][0] * keep])[0]
    found = only(find_faults(with_values(single, name, loose, off)), "detached", name)
    assert abs(found.start_s - 4.5 * 3600.0) < 900.0
    assert "than its own earlier rate allows" in told(found)
