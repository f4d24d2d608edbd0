"""A trial that is kept: its runs are recognised, a person's word overrides, and its factors are fitted together."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from loadbook.core.errors import NotFoundError, UsageError
from loadbook.queries.kept_trials import KeptTrial, effect_of_trial, kept, name_run, save
from loadbook.queries.trial import trial
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake

from . import answerbook
from .shops import RATE, Shop

EFFECT = 0.4  # µm per °C/h of the trial's runs
LAID = 8.0  # µm that stood less laid moves more
DAY = 800  # of the plan; the history ends at 730


def book_with_plan(folder: Path, runs: int = 6, units: str = "si") -> tuple[BookFolder, KeptTrial]:
    shop = Shop("plain", 30, 4, seed=3)
    book = answerbook.fill(folder, shop.history(), units=units)
    found = trial(book, "C1", RATE, runs, 60.0, 140.0, also=["setup=laid/stood"])
    day = (answerbook.FIRST + pd.Timedelta(days=DAY)).date().isoformat()
    number = save(book, found, "does the rate matter", "A. B.", day)
    return book, kept(book, number)


def done(
    book: BookFolder,
    name: str,
    day: float,
    part: str,
    rate: float,
    setup: str,
    stages: tuple[str, ...] = ("before", "after"),
    bend: float = 0.0,
) -> None:
    """A run of four pieces as it would be taken in; movement follows rate and setup, with little scatter."""
    rng = np.random.default_rng(sum(map(ord, name)))
    run = {"run": name, "furnace": "F1", "cycle": "SR", "cycle_revision": "A", "started": answerbook.moment(day),
           "status": "done"}  # fmt: skip
    pieces = [{"run": name, "part": part, "serial": f"{name}-{k}", "quantity": 1, "setup": setup} for k in range(4)]
    moved, readings = EFFECT * rate + LAID * (setup == "stood") + bend + rng.normal(0, 0.3), []
    for piece in pieces:
        for stage in stages:
            value = 100.0 + (stage == "after") * (moved + rng.normal(0, 0.5)) / 1000.0
            readings.append(
                {"part": part, "serial": piece["serial"], "characteristic": "C1", "stage": stage, "value_mm": value,
                 "run": name, "gauge": "G1", "held": "free", "datum": "A", "surface": "cleaned",
                 "already_at_20c": 1, "repeat": 1}
            )  # fmt: skip
    asked = (name, RATE, rate, "c_per_h", "asked")
    with book.write() as conn:
        rows = {"run": [run], "piece": pieces, "reading": readings}
        add_intake(conn, "test", rows, rows_read=1, taken_by="test")
        conn.execute("INSERT INTO parameter (run, parameter, value, unit, source) VALUES (?, ?, ?, ?, ?)", asked)


def run_all(
    book: BookFolder, plan: KeptTrial, stages: tuple[str, ...] = ("before", "after"), bend: float = 0.0
) -> None:
    """Every planned run, as planned; the middle ones `bend` µm off the line."""
    for p in plan.places:
        ends = [q.setting for q in plan.places if q.part == p.part]
        off = bend * (min(ends) < p.setting < max(ends))
        done(book, f"T-{p.place}", DAY + p.place, p.part, p.setting, str(p.levels["setup"]), stages, off)


def test_a_kept_plan_recognises_its_runs_as_they_come(tmp_path: Path) -> None:
    book, plan = book_with_plan(tmp_path / "book")
    assert [p.state for p in plan.places] == ["open"] * 6 and "6 still to run" in plan.sentences("si")[0]
    with pytest.raises(UsageError, match="0 measured runs"):
        effect_of_trial(book, plan.number)
    first, second = plan.places[:2]
    done(book, "T-early", DAY - 1, first.part, first.setting, str(first.levels["setup"]))  # before the plan
    done(book, "T-1", DAY + 1, first.part, first.setting + 3.0, str(first.levels["setup"]))  # within an eighth of 80
    done(book, "T-2", DAY + 2, second.part, second.setting, str(second.levels["setup"]), stages=("before",))
    far = next(p for p in plan.places[2:])
    other = "laid" if far.levels["setup"] == "stood" else "stood"
    done(book, "T-far", DAY + 3, far.part, far.setting, other + "?")
    now = kept(book, plan.number)
    assert [p.state for p in now.places[:3]] == ["done", "not measured", "open"]
    assert now.places[0].done is not None and now.places[0].done.run == "T-1"
    assert [d.run for d in now.strays] == ["T-far"]
    assert any("T-far" in line and "none of the planned runs" in line for line in now.sentences("si"))


def test_a_person_says_which_run_it_was(tmp_path: Path) -> None:
    book, plan = book_with_plan(tmp_path / "book")
    first = plan.places[0]
    done(book, "T-off", DAY + 1, first.part, first.setting + 30.0, str(first.levels["setup"]))
    name_run(book, plan.number, 1, "T-off", "the recipe was typed wrong", "A. B.")
    place = kept(book, plan.number).places[0]
    assert (place.state, place.named, place.done.run if place.done else "") == ("strayed", True, "T-off")
    name_run(book, plan.number, 1, "-", "not of the trial after all", "A. B.")
    again = kept(book, plan.number)
    assert again.places[0].state == "open" and again.places[0].named
    for wrong, error in ((("1", 99, "T-off"), NotFoundError), (("1", 1, "R-none"), NotFoundError)):
        with pytest.raises(error):
            name_run(book, plan.number, int(wrong[1]), str(wrong[2]), "why")
    elsewhere = next(p for p in plan.places if p.part != first.part) if len({p.part for p in plan.places}) > 1 else None
    if elsewhere is not None:
        with pytest.raises(UsageError, match="held no"):
            name_run(book, plan.number, elsewhere.place, "T-off", "why")
    with pytest.raises(NotFoundError, match="no trial 9"):
        kept(book, 9)


def test_its_factors_are_fitted_together(tmp_path: Path) -> None:
    book, plan = book_with_plan(tmp_path / "book")
    run_all(book, plan)
    assert "loadbook effect --trial 1" in kept(book, 1).sentences("si")[-1]
    found = effect_of_trial(book, 1)
    rate, setup = found.rows()
    assert rate["fit"] == setup["fit"] == "trial" and rate["runs"] == 6
    assert rate["effect_low"] <= EFFECT <= rate["effect_high"] and rate["effect"] == pytest.approx(EFFECT, abs=0.05)
    sign = 1.0 if setup["parameter"] == "setup: stood" else -1.0
    assert sign * setup["effect"] == pytest.approx(LAID, abs=2.0)
    assert "This is their doing" in rate["verdict"] or "their doing" in rate["verdict"]
    assert found.warnings[0] == "Trial 1 (does the rate matter): 6 runs measured."


@pytest.mark.parametrize(("bend", "said"), [(0.0, "no threshold shows"), (12.0, "there is a bend or a threshold")])
def test_the_middle_runs_show_a_threshold(tmp_path: Path, bend: float, said: str) -> None:
    book, plan = book_with_plan(tmp_path / "book", runs=8)
    run_all(book, plan, bend=bend)
    rate = effect_of_trial(book, 1).rows()[0]
    assert rate["bend_low"] <= bend <= rate["bend_high"] and said in rate["verdict"]


def test_readings_after_suffice(tmp_path: Path) -> None:
    book, plan = book_with_plan(tmp_path / "book")
    run_all(book, plan, stages=("after",))
    assert all(p.state == "done" for p in kept(book, 1).places)
    found = effect_of_trial(book, 1)
    assert found.stage == "after"
    assert found.rows()[0]["effect"] == pytest.approx(EFFECT / 1000.0, rel=0.15)  # plain readings of sizes are in mm


def test_the_command_keeps_shows_and_fits(
    tmp_path: Path, inside: Callable[..., subprocess.CompletedProcess[str]]
) -> None:
    book = answerbook.fill(tmp_path / "book", Shop("plain", 30, 4, seed=3).history(), units="us")
    at = ("--book", str(book.path))
    plan = ("trial", "C1", "--of", "heating rate", "--runs", "8", "--low", "140 F/h", "--high", "280 F/h", "--also",
            "setup=laid/stood", "--also", "soak=60 min/120 min")  # fmt: skip
    assert "--purpose" in inside(*plan, "--save", *at).stderr
    assert "Give --runs 7 or more" in inside(*plan, "--runs", "6", *at).stderr
    told = inside(*plan, "--save", "--purpose", "rate and soak", "--person", "A. B.", *at)
    assert told.returncode == 0, told.stderr
    assert "Kept as trial 1" in told.stderr and "[°F/h]" in told.stdout and "soak minutes" not in told.stdout
    shown = inside("trial", "--show", "1", *at)
    assert shown.returncode == 0 and "8 still to run" in shown.stdout and "°C" not in shown.stdout
    rows = json.loads(inside("trial", "--show", "1", "--format", "json", *at).stdout)
    assert (
        len(rows) == 8 and {r["state"] for r in rows} == {"open"} and {r["soak_minutes"] for r in rows} == {60.0, 120.0}
    )
    early = inside("effect", "--trial", "1", *at)
    assert early.returncode != 0 and "0 measured runs" in early.stderr
    assert "alone" in inside("effect", "flatness", "--trial", "1", *at).stderr
    assert "rate and soak" in inside("list", "trials", *at).stdout
