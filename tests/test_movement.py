"""Movement on its scale, treatments, the screen, and differences with the run as the unit."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from loadbook.analysis.movement.blunders import across_runs, flagged, flagged_rows, off_nominal
from loadbook.analysis.movement.compare import compare, differences, one_way, paired, spread_test, welch
from loadbook.analysis.movement.describe import describe
from loadbook.analysis.movement.scale import (
    band_labels,
    log_change,
    parse_by,
    set_aside_counts,
    treatment_names,
    with_treatment,
    with_value,
)
from loadbook.core.errors import UsageError

from .published import table


def rows(**more: object) -> pd.DataFrame:
    """Rows of the view `movement` for one bore, two runs of three pieces."""
    frame = pd.DataFrame(
        {
            "run": ["R1"] * 3 + ["R2"] * 3, "part": "PN-1", "serial": list("abcdef"), "characteristic": "bore",
            "process": "stress relief", "kind": "inside diameter", "side": "inside", "scale": "um", "unit": "mm",
            "setup": ["laid"] * 3 + ["hung"] * 3, "before_mm": 80.0, "after_mm": [80.001, 80.002, 80.003] * 2,
            "lower_mm": 79.99, "upper_mm": 80.0025, "expanded_uncertainty_mm": 0.0015,
            "below_gauge": [True, False, False] * 2, "set_aside": None,
        }
    )  # fmt: skip
    frame["movement_mm"] = frame["after_mm"] - frame["before_mm"]
    frame["movement_um"] = frame["movement_mm"] * 1000.0
    frame["movement_um_per_100mm"] = frame["movement_um"] / 0.8
    return frame.assign(**more)


NOTHING = pd.DataFrame(columns=["run", "parameter", "value", "unit", "source"])


def test_scales() -> None:
    assert with_value(rows())["y"].tolist()[:3] == pytest.approx([1.0, 2.0, 3.0])
    per = with_value(rows(scale="um per 100 mm"))
    assert per["unit"].unique().tolist() == ["um per 100 mm"] and per["y"][0] == pytest.approx(1.25)
    log = with_value(rows(scale="log", side="form", kind="flatness", before_mm=0.010, after_mm=0.020))
    assert log["unit"].unique().tolist() == ["log"] and log["y"][0] == pytest.approx(100 * np.log(2.0))
    # a bore is never put under a logarithm, whatever was declared
    assert with_value(rows(scale="log"))["unit"].unique().tolist() == ["um"]


def test_log_floor_is_the_gauge() -> None:
    """A form error of nearly nothing before: floored at sqrt(2) x gauge sd = half the movement's uncertainty."""
    at = log_change(np.array([0.0, 1e-6]), np.array([0.002, 0.002]), np.array([0.001, 0.001]))
    assert at == pytest.approx([100 * np.log(2.0)] * 2)
    blind = with_value(rows(scale="log", side="form", kind="flatness", before_mm=0.0, expanded_uncertainty_mm=np.nan))
    assert blind["y"].isna().all()
    assert blind["set_aside"].unique().tolist() == ["zero reading and no gauge uncertainty"]
    short = with_value(rows(scale="um per 100 mm", movement_um_per_100mm=np.nan))
    assert short["set_aside"].unique().tolist() == ["no reference length"]


def test_set_aside_rows_have_no_figure_and_are_counted() -> None:
    frame = rows(set_aside=[None, "machining between", "machining between", None, "held differently", None])
    frame.loc[frame["set_aside"].notna(), ["movement_um", "movement_mm"]] = np.nan
    valued = with_value(frame)
    assert valued["y"].notna().tolist() == [True, False, False, True, False, True]
    counts = set_aside_counts(valued, ["setup"])
    assert counts.to_dict("records") == [
        {"setup": "laid", "reason": "machining between", "pieces": 2, "runs": 1},
        {"setup": "hung", "reason": "held differently", "pieces": 1, "runs": 1},
    ]
    table_ = describe(valued, ["setup"], np.zeros(6, dtype=bool))
    assert table_.set_index("setup")["set_aside"].to_dict() == {"hung": 1, "laid": 2}


def test_plain_readings_need_no_pair() -> None:
    frame = rows(before_mm=np.nan, set_aside="no before reading")
    after = with_value(frame, "after")
    assert after["y"].tolist() == pytest.approx(frame["after_mm"].tolist()) and after["set_aside"].isna().all()
    void = with_value(rows(set_aside="run void"), "after")
    assert void["y"].isna().all() and (void["set_aside"] == "run void").all()
    assert (with_value(frame, "before")["set_aside"] == "no before reading").all()


def test_hardness_keeps_its_own_unit() -> None:
    frame = rows(kind="hardness", side="other", unit="HRC", movement_mm=-2.0, movement_um=np.nan)
    valued = with_value(frame)
    assert valued["unit"].unique().tolist() == ["HRC"] and valued["y"].tolist() == [-2.0] * 6


def test_description_of_a_treatment() -> None:
    valued = with_value(rows())
    found = describe(valued, ["setup"], np.zeros(6, dtype=bool), 0.95).set_index("setup").loc["laid"]
    assert (found["runs"], found["pieces"], found["parts"]) == (1, 3, 1)
    assert (found["median"], found["low"], found["high"], found["worst"]) == pytest.approx((2.0, 1.0, 3.0, 3.0))
    assert found["over_tolerance"] == pytest.approx(1 / 3)  # 80.003 is past 80.0025
    assert found["below_gauge"] == pytest.approx(1 / 3)
    assert np.isnan(found["mean_low"])  # one run: no interval
    both = describe(valued, [], np.zeros(6, dtype=bool)).iloc[0]
    assert both["runs"] == 2 and both["mean"] == pytest.approx(2.0)


def test_a_piece_outside_before_was_not_pushed_out() -> None:
    found = describe(with_value(rows(before_mm=80.2, after_mm=80.3)), [], np.zeros(6, dtype=bool)).iloc[0]
    assert np.isnan(found["over_tolerance"])


def test_mean_interval_counts_runs() -> None:
    """A-FURN-b: NIST e-Handbook 3.5.1: mean 563.0357; half width t(20) x 4.27626, not the naive 1.96 x 1.9585."""
    furnace = table("nist_furnace_oxide")
    frame = rows().iloc[:1].loc[np.zeros(len(furnace), dtype=int)].reset_index(drop=True)
    frame["run"], frame["serial"] = furnace["run"].astype(str), furnace.index.astype(str)
    frame["y"], frame["unit"] = furnace.iloc[:, 3].astype(float), "angstrom"
    found = describe(frame, [], np.zeros(len(frame), dtype=bool), 0.95).iloc[0]
    assert (found["runs"], found["pieces"]) == (21, 168)
    assert found["mean"] == pytest.approx(563.0357, abs=5e-5)
    assert (found["mean_high"] - found["mean_low"]) / 2 == pytest.approx(2.085963 * 4.27626, rel=1e-5)
    assert found["median"] == pytest.approx(562.50, abs=0.005)


def test_by_is_read_as_written() -> None:
    ways = parse_by(["setup, atmosphere", "heating_rate_peak_c_per_h:150,50,100", "soak_minutes:q4"])
    assert [w.name for w in ways] == ["setup", "atmosphere", "heating_rate_peak_c_per_h", "soak_minutes"]
    assert ways[2].edges == (50.0, 100.0, 150.0) and ways[3].quantiles == 4
    for wrong in ("50,100", "rate:fast", "rate:q1"):
        with pytest.raises(UsageError):
            parse_by([wrong])
    assert [w.name for w in parse_by(["setup,kind", "kind"])] == ["setup", "kind"]
    for two in ("soak_minutes:q4,soak_minutes:50", "started,month", "setup,setup:50"):
        with pytest.raises(UsageError, match="stands twice"):
            parse_by([two])


def test_bands_of_a_parameter() -> None:
    parameters = pd.DataFrame({"run": ["R1", "R2"], "parameter": "rate", "value": [40.0, 100.0], "unit": ""})
    out = with_treatment(with_value(rows()), parse_by(["rate:50,100"]), parameters)
    assert out["rate"].tolist() == ["under 50"] * 3 + ["100 or more"] * 3
    some = with_treatment(with_value(rows()), parse_by(["rate:50"]), parameters[parameters["run"] == "R1"])
    assert some["rate"].tolist()[3:] == ["not known"] * 3
    with pytest.raises(UsageError, match="neither a column of movement"):
        with_treatment(with_value(rows()), parse_by(["speed"]), parameters)
    assert band_labels(np.array([-np.inf, np.nan]), [1.0]).tolist() == ["under 1", "not known"]


def test_the_higher_band_is_compared_with_the_lower_one() -> None:
    """Though the higher one has more runs: its label carries a unit, and says nothing of its place."""
    key = "heating_rate_peak_c_per_h"
    frame = pd.concat([rows(), rows(run=["R3"] * 3 + ["R4"] * 3)], ignore_index=True)
    rates = {"R1": 40.0, "R2": 100.0, "R3": 110.0, "R4": 120.0}
    parameters = pd.DataFrame({"run": list(rates), "parameter": key, "value": list(rates.values()), "unit": "c_per_h"})
    out = with_treatment(with_value(frame), parse_by([f"{key}:50"]), parameters)
    ((pair,),) = [c.pairs for c in differences(out, [key])]
    assert (pair.a, pair.b) == ("under 50 °C/h", "50 °C/h or more")


def test_bands_are_in_the_readers_units() -> None:
    """Edges under a key are in the key's unit, under a name that people say in the book's; the label says which."""
    key = "heating_rate_peak_c_per_h"
    parameters = pd.DataFrame({"run": ["R1", "R2"], "parameter": key, "value": [40.0, 100.0], "unit": "c_per_h"})
    for words, system, bands in (
        (f"{key}:50", "si", ["under 50 °C/h", "50 °C/h or more"]),
        (f"{key}:50", "us", ["under 90 °F/h", "90 °F/h or more"]),
        ("Heating rate, peak:100", "us", ["under 100 °F/h", "100 °F/h or more"]),
        ("setup,heating rate:100", "si", ["under 100 °C/h", "100 °C/h or more"]),
        ("heating_rate_peak_f_per_h:90", "si", ["under 50 °C/h", "50 °C/h or more"]),
        ("heating_rate_peak_f_per_h:90", "us", ["under 90 °F/h", "90 °F/h or more"]),
    ):
        out = with_treatment(with_value(rows()), parse_by([words]), parameters, system)
        assert list(dict.fromkeys(out[key])) == bands
    thick = with_treatment(with_value(rows(length_mm=25.4)), parse_by(["length_mm"]), NOTHING, "us")
    assert set(thick["length_mm"]) == {"1 in"}


def test_processes_and_sides_are_never_pooled() -> None:
    frame = pd.concat([rows(), rows(process="harden"), rows(kind="outside diameter", side="outside")])
    valued = with_value(frame.reset_index(drop=True))
    found = describe(valued, [], np.zeros(len(valued), dtype=bool))
    assert len(found) == 3
    assert {tuple(r) for r in found[["process", "side"]].to_numpy()} == {
        ("harden", "inside"), ("stress relief", "inside"), ("stress relief", "outside"),
    }  # fmt: skip


def gears() -> tuple[np.ndarray, np.ndarray]:
    data = table("gear_runout_laid_hung")
    return data.iloc[:, 1].to_numpy(dtype=float), (data["loading"] == "hung").to_numpy()


def test_gears_laid_and_hung_in_one_load() -> None:
    """A-GEAR-HT: Vardeman & Jobe, chapter 1 (P. Brezler, 1986): means 12.6316 and 17.9487, 90 % interval 3.2 to 7.4.

    The modern figures (Welch t 4.179658, df 59.7934, 95 % 2.77229..7.86199) are computed from the same data.
    """
    y, hung = gears()
    one_run = np.zeros(y.size, dtype=np.intp)
    d = compare(y, one_run, hung, ("laid", "hung"), 0.90)
    assert (d.pieces_a, d.pieces_b) == (38, 39)
    assert (d.mean_a, d.mean_b) == (pytest.approx(12.6316, abs=5e-5), pytest.approx(17.9487, abs=5e-5))
    assert d.difference == pytest.approx(5.31714, abs=5e-6) and d.se == pytest.approx(1.272147, abs=5e-7)
    assert (round(d.low or 0, 1), round(d.high or 0, 1)) == (3.2, 7.4)
    assert d.evidence == "pieces of one run" and "another run may not repeat" in (d.note or "")
    modern = compare(y, one_run, hung, ("laid", "hung"), 0.95)
    assert modern.df == pytest.approx(59.7934, rel=1e-5) and modern.p == pytest.approx(9.6637e-5, rel=1e-4)
    assert (modern.low, modern.high) == (pytest.approx(2.77229, rel=1e-5), pytest.approx(7.86199, rel=1e-5))
    assert (modern.spread_ratio or 0) ** 2 == pytest.approx(3.22863, rel=1e-5)
    assert modern.spread_p == pytest.approx(2.1936e-4, rel=1e-4)
    assert spread_test(y, hung.astype(np.intp)).f == pytest.approx(15.08803, rel=1e-6)


def test_one_run_a_side_is_refused_as_movement_and_labelled_as_plain_readings() -> None:
    y, hung = gears()
    runs = hung.astype(np.intp)
    refused = compare(y, runs, hung, ("laid", "hung"), 0.90)
    assert refused.low is None and refused.refused is not None and "luck of a run" in refused.refused
    plain = compare(y, runs, hung, ("laid", "hung"), 0.90, plain=True)
    assert (round(plain.low or 0, 1), round(plain.high or 0, 1)) == (3.2, 7.4)
    assert plain.evidence == "pieces" and "scatter of runs is not in it" in (plain.note or "")


def test_pairs_inside_runs() -> None:
    """A-PAIR: DAAG pair65 (Maindonald & Braun): mean 6.33333, sd 6.10328, t 3.113081, p 0.0143783,
    95 % 1.64194..11.02473."""
    data = table("pair65_heated_elastic")
    y = np.concatenate([data["ambient"], data["heated"]]).astype(float)
    runs = np.tile(np.arange(len(data), dtype=np.intp), 2)
    d = compare(y, runs, np.repeat([False, True], len(data)), ("ambient", "heated"), 0.95)
    assert d.evidence == "runs that held both"
    assert (d.difference, d.se, d.df) == (pytest.approx(6.33333, rel=1e-5), pytest.approx(2.03443, rel=1e-5), 8)
    assert d.p == pytest.approx(0.0143783, rel=1e-5)
    assert (d.low, d.high) == (pytest.approx(1.64194, rel=1e-5), pytest.approx(11.02473, rel=1e-5))


def test_two_inspectors_on_the_same_bushings() -> None:
    """A-GAGE: Vardeman & Jobe p. 428: mean A-B -0.00009375 in, sd 0.00045529, t -0.823646, p 0.42304."""
    data = table("spanner_bushings")
    gap = (data["student_a_in"] - data["student_b_in"]).to_numpy(dtype=float)
    mean, _, _, se, df, p = paired(gap, 0.95)
    assert (mean, df) == (pytest.approx(-0.00009375), 15)
    assert se * 4 == pytest.approx(0.00045529, abs=5e-9) and p == pytest.approx(0.42304, abs=5e-6)


def test_do_the_batches_differ_at_all() -> None:
    """A-GEARDAT: NIST e-Handbook 1.3.5.4 and 1.3.5.10: F 2.2969 (9, 90), Levene W 1.705910 in single precision."""
    data = table("nist_gear_diameter")
    y, batch = data["diameter_in"].to_numpy(dtype=float), data["batch"].to_numpy()
    found = one_way(y, batch)
    assert (found.df_between, found.df_within) == (9, 90)
    assert found.f == pytest.approx(2.2969, abs=5e-5)
    assert found.ss_between == pytest.approx(0.000729, abs=5e-7)
    assert found.ss_within == pytest.approx(0.003174, abs=5e-7)
    assert spread_test(y, batch).f == pytest.approx(1.705910, abs=1e-5)


@pytest.mark.parametrize(
    ("base", "repeats", "rel"),
    [
        *[(1, n, 1e-9) for n in (21, 201, 2001)],
        *[(10**6, n, 1e-9) for n in (21, 201, 2001)],
        *[(10**12, n, 1e-4) for n in (21, 201, 2001)],
    ],
)
def test_stiff_numbers_keep_their_digits(base: int, repeats: int, rel: float) -> None:
    """A-STRD-AOV: NIST StRD SmLs01 to SmLs09, nine treatments whose F is the number of repeats exactly.

    Written from their design, which repeats two values about each treatment's level: the files hold the same numbers.
    """
    steps = [4, *[3, 5] * ((repeats - 1) // 2)]
    tenths = [base * 10 + step + shift for shift in (0, *(-1, 1) * 4) for step in steps]
    y = np.array([float(f"{t // 10}.{t % 10}") for t in tenths])
    found = one_way(y, np.repeat(np.arange(9), repeats))
    assert (found.df_between, found.df_within) == (8, 9 * (repeats - 1))
    assert found.f == pytest.approx(float(repeats), rel=rel)


@pytest.mark.parametrize(
    ("name", "value", "f", "rel"),
    [("nist_sirstv", "resistance", 1.18046237440255, 1e-10), ("nist_atmwtag", "atomic_weight", 15.9467335677930, 1e-9)],
)
def test_one_way_of_certified_data(name: str, value: str, f: float, rel: float) -> None:
    """A-STRD-AOV: NIST StRD SiRstv and AtmWtAg, certified F."""
    rows = table(name)
    found = one_way(rows[value].to_numpy(dtype=float), rows["instrument"].to_numpy())
    assert found.f == pytest.approx(f, rel=rel)


def test_run_is_the_unit_between_runs() -> None:
    """20 runs a side of 10 pieces, no difference: the run as the unit rejects about 5 %, pieces most of the time."""
    rng = np.random.default_rng(2)
    run = np.repeat(np.arange(20, dtype=np.intp), 10)
    b = run >= 10
    right = wrong = 0
    for _ in range(400):
        y = rng.normal(0, 2, 20)[run] + rng.normal(0, 1, 200)
        found = compare(y, run, b, ("a", "b"), 0.95)
        assert found.evidence == "runs" and found.p is not None
        right += found.p < 0.05
        wrong += welch(y[~b], y[b], 0.95)[5] < 0.05
    assert 0.02 < right / 400 < 0.09
    assert wrong / 400 > 0.3


def test_equal_figures_are_a_sentence() -> None:
    d = compare(np.ones(8), np.arange(8, dtype=np.intp), np.arange(8) > 3, ("a", "b"))
    assert d.refused is not None and "no scatter" in d.refused and d.p is None and d.low is None


def test_other_parts_on_one_side_are_said() -> None:
    frame = pd.concat([rows(run=[f"R{i}"] * 3 + [f"S{i}"] * 3, part="PN-1") for i in range(3)])
    frame = frame.reset_index(drop=True)
    frame["movement_um"] = np.random.default_rng(0).normal(size=len(frame))
    frame.loc[frame["run"] == "S1", "part"] = "PN-2"
    ((pair,),) = [c.pairs for c in differences(with_value(frame), ["setup"])]
    assert pair.evidence == "runs" and "1 part number stood on one side only" in (pair.note or "")
    assert (pair.b, pair.a) == ("hung", "laid")  # equal runs: the first on record is taken from the other


def test_every_kind_takes_the_same_treatment_from_the_other() -> None:
    """Flatness rises when hung, roundness falls: both are told as hung less laid, since laid has more runs in all."""
    rng = np.random.default_rng(5)
    made = []
    for kind, gap in (("flatness", 10.0), ("circularity", -10.0)):
        for i in range(9):
            setup = "hung" if i % 3 == 0 else "laid"
            one = rows(run=f"{kind}{i}", setup=setup, kind=kind, scale="um", side="form").iloc[:3].copy()
            one["movement_um"] = rng.normal(gap * (setup == "hung"), 1.0, len(one))
            made.append(one)
    found = differences(with_value(pd.concat(made, ignore_index=True)), ["setup"])
    assert [(p.b, p.a) for c in found for p in c.pairs] == [("hung", "laid")] * 2
    signs = {c.stratum["kind"]: p.difference for c in found for p in c.pairs}
    assert signs["flatness"] > 5 and signs["circularity"] < -5


def test_treatments_by_any_column() -> None:
    frame = rows(upper_mm=0.1, started=pd.Timestamp("2026-03-04"), length_mm=280.0)
    found = with_treatment(with_value(frame), parse_by(["upper_mm,started,length_mm,year"]), NOTHING)
    assert treatment_names(parse_by(["upper_mm,started,length_mm,year"])) == ["upper", "month", "length_mm", "year"]
    assert set(found["upper"]) == {"0.1 mm"} and set(found["month"]) == {"2026-03"} and set(found["year"]) == {"2026"}
    assert set(found["length_mm"]) == {"280 mm"} and (found["upper_mm"] == 0.1).all()


def test_screen_finds_blunders_and_leaves_normal_scatter_alone() -> None:
    """Runs of 3 to 8 pieces; 1 % blunders of 60 to 150 against a piece scatter of 5."""
    rng = np.random.default_rng(1)
    found = put_in = false = 0
    for pieces in (3, 4, 5, 8):
        for _ in range(40):
            run = np.repeat(np.arange(30, dtype=np.intp), pieces)
            y = rng.normal(0, 6, 30)[run] + rng.normal(0, 5, run.size)
            false += int(flagged(y, run, run % 6).sum())
            wrong = rng.random(y.size) < 0.01
            y = y + wrong * rng.choice([-1, 1], y.size) * rng.uniform(60, 150, y.size)
            hits = flagged(y, run, run % 6)
            found, put_in = found + int((hits & wrong).sum()), put_in + int(wrong.sum())
    assert false == 0
    assert found / put_in > 0.9


def test_screen_never_flags_below_the_gauge_or_in_pairs() -> None:
    y = np.array([0.0, 0.0, 0.0, 1.0] * 6)
    run = np.repeat(np.arange(6, dtype=np.intp), 4)
    assert not flagged(y, run, run * 0, np.full(y.size, 2.0)).any()
    two = np.array([0.0, 500.0] * 10)
    assert not flagged(two, np.repeat(np.arange(10, dtype=np.intp), 2), np.zeros(20, dtype=np.intp)).any()
    assert not flagged(np.full(5, np.nan), np.zeros(5, dtype=np.intp), np.zeros(5, dtype=np.intp)).any()


def test_flagged_readings_stay_in_and_stand_beside() -> None:
    frame = pd.concat([rows(run=[f"R{i}"] * 3 + [f"S{i}"] * 3) for i in range(6)]).reset_index(drop=True)
    frame["movement_um"] = np.random.default_rng(3).normal(2.0, 0.5, len(frame))
    frame.loc[4, "movement_um"] = 250.0
    valued = with_value(frame)
    flags = flagged_rows(valued)
    assert np.flatnonzero(flags).tolist() == [4]
    found = describe(valued, [], flags).iloc[0]
    assert (found["flagged"], found["pieces"]) == (1, 36)
    assert found["worst"] == 250.0 and found["worst_without_flagged"] < 5.0


def test_a_blunder_of_a_run_of_one_piece_is_flagged_across_the_runs_of_its_part_number() -> None:
    """One piece per run, run scatter 5, 2 % blunders of 60 to 150; without blunders fewer than one flag in 500."""
    found, false, planted = 0, 0, 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        y = rng.normal(10.0, 5.0, 100)
        run, part = np.arange(100, dtype=np.intp), np.arange(100, dtype=np.intp) % 5
        false += int(across_runs(y, run, part).sum())
        wrong = rng.random(100) < 0.02
        y = y + wrong * rng.choice([-1.0, 1.0], 100) * rng.uniform(60.0, 150.0, 100)
        flags = across_runs(y, run, part)
        found, planted = found + int(flags[wrong].sum()), planted + int(wrong.sum())
        false += int(flags[~wrong].sum())
    assert planted >= 30 and found >= 0.9 * planted and false <= 8  # of 4,000


def test_two_pieces_that_disagree_are_told_apart_by_the_other_runs() -> None:
    rng = np.random.default_rng(3)
    y = rng.normal(10.0, 2.0, 20)
    y[7] += 80.0
    run = np.repeat(np.arange(10, dtype=np.intp), 2)
    flags = across_runs(y, run, np.zeros(20, dtype=np.intp))
    assert np.flatnonzero(flags).tolist() == [7]
    few = across_runs(y[:10], run[:10], np.zeros(10, dtype=np.intp))
    assert not few.any()  # five runs are too few to say


def test_a_digit_that_slipped_shows_against_nominal() -> None:
    rng = np.random.default_rng(4)
    read = 50.0 + rng.normal(0.0, 0.01, 30)
    read[11] += 0.5
    assert np.flatnonzero(off_nominal(read, np.full(30, 50.0), np.zeros(30, dtype=np.intp))).tolist() == [11]
    assert not off_nominal(read[:5], np.full(5, 50.0), np.zeros(5, dtype=np.intp)).any()
