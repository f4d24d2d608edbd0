"""The invented shop: the same seed gives the same bytes, the physics is sound, its stated truth is in its readings."""

from __future__ import annotations

import hashlib
import sqlite3
import subprocess
from collections import defaultdict
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from loadbook.cli import demo as command
from loadbook.store.book import BookFolder

build = command.shop_module("build")
catalogue = command.shop_module("catalogue")
physics = command.shop_module("physics")
readings = command.shop_module("readings")
schedule = command.shop_module("schedule")
sensors = command.shop_module("sensors")
recorders = command.shop_module("recorders")


@pytest.fixture(scope="module")
def made() -> Any:
    return build.build()


def digest(shop: Any, traces: int = 12) -> str:
    """One SHA-256 over every intake file, cycle and the first recorder files."""
    out = hashlib.sha256()
    for kind in build.KINDS:
        out.update(build.csv_text(shop.tables[kind]).encode())
    for name in sorted(shop.cycles):
        out.update(shop.cycles[name].encode())
    for (_, name, data), _ in zip(shop.traces(), range(traces), strict=False):
        out.update(name.encode() + data)
    return out.hexdigest()


@pytest.mark.thorough
def test_the_same_seed_gives_the_same_bytes_and_another_seed_another_shop(made: Any) -> None:
    one, two, other = build.build(first=12), build.build(first=12), build.build(made.seed + 1, first=12)
    assert digest(one) == digest(two)
    assert digest(one) != digest(other)
    assert one.tables["readings"] == made.tables["readings"][: len(one.tables["readings"])]
    cycles = schedule.read_cycles(build.HERE / "cycles")
    others, _ = schedule.plan(made.seed + 1, cycles)
    assert [r.started for r in others] != [r.started for r in made.runs]


def test_the_shop_is_as_large_and_as_mixed_as_it_says(made: Any) -> None:
    runs = made.runs
    traced = [d for d in made.done if not d.plan.paper]
    assert len(traced) >= 150 and len(runs) - len(traced) >= 5
    days = (runs[-1].started - runs[0].started).days
    assert 640 <= days <= 760
    assert {r.furnace for r in runs} == {"F1", "F2", "F3"}
    assert len(catalogue.PARTS) >= 10 and len({p.shape for p in catalogue.PARTS}) >= 6
    assert len({m["family"] for m in catalogue.MATERIALS}) >= 6
    assert {r.cycle.process for r in runs} == {"stress relief", "temper", "age", "anneal", "harden"}
    assert len({r.cycle.cycle for r in runs}) >= 8
    assert len({(r.cycle.cycle, r.cycle.revision) for r in runs}) >= 13
    used = defaultdict(int)
    for row in made.tables["channels"]:
        used[row["run"]] += 1
    assert {8 <= n <= 12 for n in used.values()} == {True} and len(used) == len(traced)
    assert {r.status for r in runs} == {"done", "aborted", "void"}
    assert sum(r.repeats is not None for r in runs) >= 2
    assert len(made.faults) >= 12 and len({text.split(":")[0] for text in made.faults.values()}) >= 9
    assert all(str(row["customer"]).startswith("Customer ") for row in made.tables["jobs"] + made.tables["parts"])
    sampling = {float(np.diff(d.sim.t_s)[0]) for d in traced}
    assert sampling == {30.0}


def test_a_survey_of_one_furnace_is_past_due_for_months(made: Any) -> None:
    rows = [r for r in made.tables["furnace_checks"] if r["kind"] == "uniformity survey"]
    late = {}
    for furnace in ("F1", "F2", "F3"):
        days = sorted({(str(r["done_on"]), str(r["due_on"])) for r in rows if r["furnace"] == furnace})
        gaps = [(due, after[0]) for (_, due), after in pairwise(days) if after[0] > due]
        late[furnace] = gaps
    assert late["F1"] == [] and late["F2"] == []
    assert len(late["F3"]) == 1
    due, again = late["F3"][0]
    assert any(due < f"{r.started:%Y-%m-%d}" < again for r in made.runs if r.furnace == "F3")


def plates(count: int = 4, **more: Any) -> tuple[Any, ...]:
    steel = {"conductivity": 40.0, "density": 7850.0, "specific_heat": 560.0}
    return tuple(
        physics.Body.of(f"b{i}", thick_mm=60, thin_mm=12, mass_kg=20, zones=(0.5, 0.5), **steel, **more)
        for i in range(count)
    )


def relief(top: float = 600.0, rate: float = 100.0) -> Any:
    heat, hold = physics.Step("heat", top, rate), physics.Step("hold", top, 0.0, 60.0, 10.0)
    return physics.Program((heat, hold, physics.Step("cool", 100.0, 90.0)), 150.0, 110.0)


def test_vacuum_heats_slowly_while_it_is_cold_and_well_once_it_is_hot() -> None:
    vacuum, gas = catalogue.FURNACES["F2"], replace(catalogue.FURNACES["F2"], atmosphere="inert")
    loads = [physics.Load(f, plates(emissivity=0.5), relief()) for f in (vacuum, gas)]
    in_vacuum, in_gas = physics.simulate_many(loads, 15.0)
    lag = {}
    for name, sim in (("vacuum", in_vacuum), ("gas", in_gas)):
        for at in (150.0, 550.0):
            k = int(np.argmax(sim.control[0] >= at))
            lag[name, at] = float(sim.control[0, k] - sim.thick[:, k].mean())
            slope = np.gradient(sim.thick.mean(axis=0), sim.t_s) * 3600.0
            lag[name, at, "rate"] = float(slope[k])
    # the furnace climbs at 100 °C/h; radiation grows with the fourth power, convection is there from the start
    assert lag["vacuum", 150.0, "rate"] < 0.5 * lag["gas", 150.0, "rate"]
    assert lag["vacuum", 150.0, "rate"] < 35.0
    assert lag["vacuum", 550.0, "rate"] > 85.0
    assert lag["vacuum", 150.0] > 1.5 * lag["gas", 150.0]


def test_thick_sections_lag_thin_ones_both_ways_and_heat_is_never_made_or_lost() -> None:
    sim = physics.simulate(catalogue.FURNACES["F1"], plates(), relief(), 15.0)
    top = sim.setpoint.max()
    heating = (sim.setpoint < top - 5.0) & (sim.t_s < sim.t_s[np.argmax(sim.setpoint)]) & (sim.t_s > 3600.0)
    assert (sim.thick[:, heating] < sim.thin[:, heating] - 5.0).all()
    cooling = sim.t_s > sim.t_s[-1] - 3 * 3600.0
    assert (sim.thick[:, cooling] > sim.thin[:, cooling]).all()
    assert sim.heat_in_j > 0 and sim.heat_in_j >= sim.heat_kept_j
    assert sim.heat_in_j - sim.heat_lost_j == pytest.approx(sim.heat_kept_j, abs=1e-9 * sim.heat_in_j)
    assert sim.power_w.min() >= 0.0 and sim.power_w.max() <= catalogue.FURNACES["F1"].power_w
    hottest = max(sim.wall.max(), catalogue.FURNACES["F1"].ambient_c)
    assert sim.thick.max() <= hottest and sim.thin.max() <= hottest
    assert sim.thick.min() >= catalogue.FURNACES["F1"].ambient_c - 1e-6


def test_a_uniform_bodys_lag_behind_the_gas_is_rate_times_time_constant() -> None:
    """Newton's law: a lump heated by a ramp follows it r x C/(hA) behind, here with radiation switched off."""
    body = physics.Body("b", (5e4, 5e4), (0.5, 0.5), 1e6, (1e-6, 1e-6), 1e6, emissivity=0.0)
    furnace = replace(catalogue.FURNACES["F3"], wall_m2=500.0, zones=1, zone_c=(0.0,), power_w=2e5)
    sim = physics.simulate(furnace, [body], relief(rate=80.0), 10.0)
    k = int(np.argmax(sim.setpoint >= 500.0))
    slope = (sim.wall[0, k] - sim.wall[0, k - 60]) / (sim.t_s[k] - sim.t_s[k - 60])
    expected = slope * 1e5 / (furnace.h_gas * 1.0)
    assert sim.wall[0, k] - sim.thick[0, k] == pytest.approx(expected, rel=0.02)


def test_a_place_that_sees_the_door_is_colder_and_a_furnace_cannot_cool_faster_than_it_can() -> None:
    warm, corner = plates(1)[0], plates(1, cold=0.014)[0]
    sim = physics.simulate(catalogue.FURNACES["F1"], [warm, corner], relief(), 15.0)
    end = int(np.flatnonzero(sim.setpoint >= sim.setpoint.max() - 0.01)[-1])
    assert 2.0 < sim.thick[0, end] - sim.thick[1, end] < 12.0
    steps = relief().steps
    fast = physics.Program((*steps[:2], physics.Step("cool", 60.0, 5000.0)), 150.0, 110.0)
    free = physics.simulate(replace(catalogue.FURNACES["F1"], damper_w_k=0.0), [warm], fast, 15.0)
    rate = -np.gradient(free.thick[0], free.t_s) * 3600.0
    assert rate.max() < 300.0  # asked for 5000


def cells(made: Any, process: str, side: str) -> list[tuple[str, float, float]]:
    """(part and characteristic, heating rate set, median movement on its working scale) per run, from the readings."""
    worked = {(r["part"], r["serial"]) for r in made.tables["operations"]}  # machined or straightened: set aside
    sums: dict[tuple[str, ...], list[float]] = defaultdict(list)
    for row in made.tables["readings"]:
        if row["value_mm"] != "" and (row["part"], row["serial"]) not in worked:
            key = tuple(row[c] for c in ("run", "part", "serial", "characteristic", "stage"))
            sums[key].append(float(row["value_mm"]))
    settings = {d.plan.run: d.settings for d in made.done}
    plans = {d.plan.run: d.plan for d in made.done}
    found: dict[tuple[str, str, str], list[float]] = defaultdict(list)
    for (run, part, serial, name, stage), values in sums.items():
        after = sums.get((run, part, serial, name, "after"))
        feature = next(f for f in catalogue.BY_PART[part].features if f.name == name)
        if stage == "after" or after is None or readings.side_of(feature.kind) != side:
            continue
        if plans[run].cycle.process != process or plans[run].status != "done":
            continue
        before, last = float(np.mean(values)), float(np.mean(after))
        if side == "form":
            found[run, part, name].append(np.log(max(last, 5e-4) / max(before, 5e-4)))
        else:
            found[run, part, name].append((last - before) / feature.reference_mm * 1e5)
    rate = "heating_rate_peak_c_per_h"
    return [(f"{p} {n}", settings[r][rate], float(np.median(v))) for (r, p, n), v in found.items()]


def slope(rows: list[tuple[str, float, float]], *, inside: bool) -> tuple[float, float]:
    """Least-squares slope against the rate and its standard error; inside: compared inside part numbers only."""
    names = np.array([r[0] for r in rows])
    x, y = np.array([r[1] for r in rows]), np.array([r[2] for r in rows])
    for name in np.unique(names) if inside else [None]:
        these = names == name if inside else np.ones(len(names), bool)
        x[these] -= x[these].mean()
        y[these] -= y[these].mean()
    b = float(x @ y / (x @ x))
    spare = len(x) - (len(np.unique(names)) if inside else 1) - 1
    return b, float(np.sqrt(((y - b * x) ** 2).sum() / spare / (x @ x)))


@pytest.mark.parametrize("side", ["outside", "inside", "form"])
def test_comparing_inside_part_numbers_finds_the_stated_truth_and_pooling_does_not(made: Any, side: str) -> None:
    """Stress relief: the slope of movement against heating rate stated in truth.toml, from the readings' medians."""
    true = made.truth["stress relief"][side]["heating_rate_peak_c_per_h"]
    rows = cells(made, "stress relief", side)
    assert len(rows) > 40
    found, se = slope(rows, inside=True)
    pooled, pooled_se = slope(rows, inside=False)
    assert abs(found - true) < 3.5 * se
    assert np.sign(found) == np.sign(true)
    # delicate parts move more and got slow ramps: pooling misses the truth by more than its error says
    assert abs(pooled - true) > max(3.0 * pooled_se, 0.5 * abs(true))


def test_readings_scatter_as_the_stated_noise_and_gauges_say(made: Any) -> None:
    noise = made.truth["noise"]["size"]
    moved = {(m["run"], m["part"], m["serial"], m["characteristic"]): m for m in made.moved}
    settings = {d.plan.run: d for d in made.done}
    excess = defaultdict(list)
    for (run, part, serial, name), m in moved.items():
        plan = settings[run].plan
        feature = next(f for f in catalogue.BY_PART[part].features if f.name == name)
        if readings.side_of(feature.kind) != "outside" or plan.status != "done":
            continue
        lot = next(x for x in plan.lots if x.part == part and serial in x.serials)
        years = (plan.started - schedule.FIRST_DAY).days / 365.25
        setup = lot.setups[lot.serials.index(serial)]
        mean = readings.expected(made.truth, plan.cycle.process, part, feature, setup, settings[run].settings, years)
        excess[run].append(m["scaled"] - mean)
    assert len(excess) > 100
    between = np.std([np.mean(v) for v in excess.values()])
    pieces = np.array([len(v) for v in excess.values()])
    expected = np.sqrt(noise["run"] ** 2 + noise["part_in_run"] ** 2 + noise["piece"] ** 2 / pieces.mean())
    assert between == pytest.approx(expected, rel=0.25)


def test_a_recorders_file_reads_back_as_what_the_thermocouples_showed(made: Any) -> None:
    from loadbook.core.times import zone_of
    from loadbook.readers.recorder.options import Options
    from loadbook.readers.recorder.read import lasting, look
    from loadbook.readers.recorder.source import Source

    zone = zone_of(catalogue.ZONE)
    for furnace in ("F1", "F2", "F3"):
        done = next(
            d for d in made.done
            if d.plan.furnace == furnace and (d.plan.fault == "open" or d.plan.trouble == "thermocouples lost")
        )  # fmt: skip
        seen = sensors.record(done, made.seed)
        _, encoding, text = recorders.file_text(furnace, done.plan.started, seen)
        first = next(d for d in made.done if d.plan.furnace == furnace and not d.plan.paper)
        _, _, other = recorders.file_text(furnace, first.plan.started, sensors.record(first, made.seed))
        layout = lasting(
            look(Source("first", other.encode(encoding)), Options.named(**command.ANSWERS[furnace]), zone=zone), "kept"
        )
        read = look(Source("file", text.encode(encoding)), Options(), layout=layout, zone=zone)
        assert read.questions == []
        assert [c.name for c in read.reading.channels] == seen.names
        assert read.reading.started.astimezone(zone).replace(tzinfo=None) == done.plan.started
        gone = np.isnan(seen.values)
        assert gone.any() and (np.isnan(read.reading.values) == gone).all()
        temperature = np.array([q == "temperature" for q in seen.quantities])
        error = np.abs(read.reading.values - seen.values)[temperature]
        assert np.nanmax(error) <= 0.0501


TROUBLE = {
    "heated too fast": {"heat 1 rate"},
    "cooled too fast": {"cool 5 rate"},
    "started warm": {"start temperature of the furnace"},
    "soak cut short": {"soak 4"},
    "door opened hot": {"door opened"},
    "gas let in hot": {"gas backfill"},
    "lead too large": {"lead while heating"},
    "leak": {"hold 4 pressure"},
    "cold corner": {"soak 2"},
    "overshoot": {"over-temperature"},
    "thermocouples lost": {"work TCs"},
    "soak too long": {"soak 4 at most"},
    "recorder stopped": {"longest gap"},
}


def test_what_went_wrong_breaks_its_clause_and_a_part_of_the_shop_goes_through_the_real_intake(
    made: Any, tmp_path: Path
) -> None:
    """A part of the shop through `_take_all`, which is what `demo` does with all of it."""
    healthy = [d.plan.run for d in made.done if not (d.plan.trouble or d.plan.fault or d.plan.paper)][::12]
    troubled = {d.plan.run: d.plan.trouble for d in made.done if d.plan.trouble in TROUBLE}
    paper = [d.plan.run for d in made.done if d.plan.paper][:2]
    chosen = {*healthy, *troubled, *paper}
    part = replace(
        made,
        tables={k: [r for r in rows if "run" not in r or r["run"] in ("", *chosen)] for k, rows in made.tables.items()},
        runs=[r for r in made.runs if r.run in chosen],
        done=[d for d in made.done if d.plan.run in chosen],
    )
    part.tables["runs"] = [{**r, "repeats_run": ""} for r in part.tables["runs"]]
    with BookFolder.create(tmp_path / "book", zone=catalogue.ZONE) as book, command._team(book) as team:
        verdicts = command._take_all(book, team, build, part, tmp_path / "files", lambda text, done, whole: None)
        conn = book.read()
        assert set(verdicts) == chosen - set(paper)
        for run, trouble in troubled.items():
            broken = {
                r[0] for r in conn.execute("SELECT name FROM finding WHERE run = ? AND verdict = 'broken'", (run,))
            }
            assert TROUBLE[trouble] <= broken, (run, trouble, broken)
        kept = [verdicts[run] == "kept" for run in healthy]
        assert sum(kept) >= len(kept) - 1
        counts = {t: conn.execute(f"SELECT count(*) FROM {t}").fetchone()[0] for t in ("run", "trace", "reading")}
        assert counts == {"run": len(chosen), "trace": len(verdicts), "reading": len(part.tables["readings"])}
        stated = conn.execute("SELECT DISTINCT source FROM parameter WHERE run = ?", (paper[0],)).fetchall()
        assert [r[0] for r in stated] == ["stated"]
    words = (tmp_path / "files" / "README.txt").read_text(encoding="utf-8")
    assert words.count("loadbook trace take") == len(verdicts) and words.count("trace layout save") == 3


def test_demo_refuses_a_folder_that_is_not_empty(
    loadbook: Callable[..., subprocess.CompletedProcess[str]], tmp_path: Path
) -> None:
    mine = tmp_path / "demo-book"
    mine.mkdir()
    (mine / "note.txt").write_text("mine")
    done = loadbook("demo")
    assert done.returncode == 2
    assert "demo-book: the book's folder is there already and not empty. Name another one" in done.stderr
    assert [p.name for p in mine.iterdir()] == ["note.txt"]
    assert [p.name for p in tmp_path.iterdir()] == ["demo-book"]


def test_demo_wants_a_folder_of_its_own_for_the_files(
    loadbook: Callable[..., subprocess.CompletedProcess[str]], tmp_path: Path
) -> None:
    done = loadbook("demo", "one", "--files", "one")
    assert done.returncode == 2 and "a folder of their own" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_the_shops_bad_thermocouples_are_found_and_its_good_ones_left_alone(made: Any, demo_book: Path) -> None:
    """A load in 50 may raise a false alarm. Two TCs of like places connected to each other's channel from the start,
    and one that comes off a thin section at a low hold, cannot be seen in their run."""
    found: dict[str, set[tuple[str, str]]] = defaultdict(set)
    with closing(sqlite3.connect(demo_book / "book.sqlite")) as conn:
        for run, kind, channel in conn.execute("SELECT run, name, channel FROM finding WHERE what = 'fault'"):
            found[run].add((kind, channel))
    known = {run: tuple(text.split(" with ")[0].split(": ")) for run, text in made.faults.items()}
    lost = {d.plan.run for d in made.done if d.plan.trouble == "thermocouples lost"}
    missed = {run: what for run, what in known.items() if what not in found[run]}
    assert {what[0] for what in missed.values()} <= {"swapped", "detached"} and len(missed) <= 2, missed
    healthy = {d.plan.run for d in made.done if not d.plan.paper} - set(known) - lost
    false = {run: found[run] for run in healthy if any(kind != "drifting" for kind, _ in found[run])}
    assert len(false) <= len(healthy) // 50, false
