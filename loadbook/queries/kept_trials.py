"""Trials that were kept: saved with their purpose, their runs recognised when they are recorded, and fitted together.

A run is the trial's where its part number is planned, it began after the plan, and it was asked for the planned setting
within an eighth of the trial's range and for the planned level of every further factor; or where a person names it.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from loadbook.core import times
from loadbook.core.errors import NotFoundError, UsageError
from loadbook.core.phrases import many
from loadbook.core.remarks import remark
from loadbook.core.vocabulary.parameters import PLANNED
from loadbook.store.records import add_intake, amend
from loadbook.store.run_records import load_cycle

from .answer_figures import setting
from .history import NO_PROCESS

if TYPE_CHECKING:
    from loadbook.analysis.movement.scale import Stage
    from loadbook.store.book import BookFolder

    from .effect import Effects
    from .trial import Trial

NEAR = 0.125  # of the trial's range: how far from the planned setting a run may have been asked for
NONE_YET = "-"  # a person said that no run on record is this one
MOST_STRAYS = 5


@dataclass(frozen=True)
class Done:
    """A run of one part number as the trial sees it: settings asked (else achieved), levels, pieces measured."""

    run: str
    started: str
    part: str
    characteristic: str
    settings: dict[str, float]
    words: dict[str, str]
    pieces: int
    measured: int


@dataclass(frozen=True)
class Place:
    """One planned run: state 'done', 'not measured', 'open' or 'strayed' (named, but not run as planned)."""

    place: int
    part: str
    characteristic: str
    setting: float
    levels: dict[str, str | float]
    state: str
    named: bool
    done: Done | None


@dataclass(frozen=True)
class KeptTrial:
    """A kept trial with what has been done of it; strays: runs since of its open part numbers that fit none."""

    number: int
    planned_at: str
    purpose: str
    person: str
    process: str
    kind: str
    parameter: str
    low: float
    high: float
    factors: dict[str, list[str | float]]
    pieces: int
    repeats: int
    text: list[str]
    places: tuple[Place, ...]
    strays: tuple[Done, ...]

    def rows(self) -> list[dict[str, Any]]:
        """One row per planned run, in the order drawn."""
        out = []
        for p in self.places:
            d = p.done
            asked = {f"asked_{n}": _level(d, n) if d else None for n in (self.parameter, *self.factors)}
            out.append(
                {"order": p.place, "part": p.part, "characteristic": p.characteristic, self.parameter: p.setting,
                 **p.levels, "state": p.state, "run": d.run if d else None, "started": d.started if d else None,
                 "named": p.named, **asked, "pieces": d.pieces if d else None,
                 "measured": d.measured if d else None}
            )  # fmt: skip
        return out

    def sentences(self, system: str) -> list[str]:
        """What stands of the trial, as a person reads it."""
        count = {s: sum(p.state == s for p in self.places) for s in ("done", "not measured", "strayed", "open")}
        counted = [f"{count['done']} of {many(len(self.places), 'run')} done and measured"]
        if count["not measured"]:
            counted.append(f"{count['not measured']} run but not measured")
        if count["strayed"]:
            counted.append(f"{count['strayed']} not run as planned")
        if count["open"]:
            counted.append(f"{count['open']} still to run")
        out = [f"{'; '.join(counted)}."]
        begun = [p.done.started for p in self.places if p.done]
        if begun != sorted(begun):
            out.append("Not in the order drawn: what changed with time may go with the settings.")
        short = [p for p in self.places if p.done and 0 < p.done.measured < self.pieces]
        if short:
            runs = ", ".join(p.done.run for p in short if p.done)
            out.append(f"Fewer than the {many(self.pieces, 'piece')} counted on were measured in {runs}.")
        for d in self.strays[:MOST_STRAYS]:
            asked = ", ".join(
                setting(n, d.settings[n], system) if n in d.settings else f"{n} {d.words.get(n) or 'not recorded'}"
                for n in (self.parameter, *self.factors)
            )
            out.append(f"{d.run} ran {d.part} since, at {asked}: none of the planned runs.")
        if len(self.strays) > MOST_STRAYS:
            out.append(f"And {many(len(self.strays) - MOST_STRAYS, 'more such run')}.")
        if self.strays:
            out.append(
                f"If one was meant as a planned run: loadbook trial --show {self.number} --run {self._open()}=RUN "
                '--why "..."'
            )
        if count["open"] == count["not measured"] == 0:
            out.append(f"What the settings did: loadbook effect --trial {self.number}")
        return out

    def _open(self) -> int:
        return next((p.place for p in self.places if p.state == "open"), 1)


def save(book: BookFolder, found: Trial, purpose: str, person: str, on: str | None = None) -> int:
    """Keep a plan; returns its number. on: the day it was planned, where that was before today (ISO date)

    Raises UsageError for an empty purpose or name, or a day to come
    """
    if not purpose.strip():
        raise UsageError("a trial is kept with its purpose", remedy='Say it: --purpose "what it is to show"')
    if not person.strip():
        raise UsageError("a trial is kept with who planned it", remedy="Add --person NAME")
    at = times.now()
    if on is not None:
        day = times.first_moment(times.parse_date(on), book.zone)
        if day > at:
            raise UsageError(f"{on} is still to come", remedy="Leave out --on: the plan is of today")
        at = day
    name = found.plan.parameter
    factors = {n: list(dict.fromkeys(of)) for n, of in found.also.items()}
    row = {
        "planned_at": times.stored(at), "purpose": purpose.strip(), "person": person.strip(),
        "process": found.process, "kind": found.kind, "parameter": name, "low": found.low, "high": found.high,
        "factors": _json(factors), "pieces": found.plan.pieces, "repeats": found.repeats or 1,
        "text": _json(found.text),
    }  # fmt: skip
    with book.write() as conn:
        number = conn.execute("SELECT ifnull(max(trial_id), 0) + 1 FROM trial").fetchone()[0]
        runs = [
            {"trial_id": number, "place": r["order"], "part": r["part"], "characteristic": r["characteristic"],
             "setting": r[name], "levels": _json({n: r[n] for n in factors})}
            for r in found.rows()
        ]  # fmt: skip
        tables = {"trial": [row], "trial_run": runs}
        add_intake(conn, "trial", tables, rows_read=1 + len(runs), taken_by=person.strip())
    return int(number)


def kept(book: BookFolder, number: int) -> KeptTrial:
    """A kept trial and what has been done of it. Raises NotFoundError."""
    conn = book.read()
    row = _row(conn, number)
    planned = conn.execute("SELECT * FROM trial_run WHERE trial_id = ? ORDER BY place", (number,)).fetchall()
    candidates = _since(conn, row, planned)
    places, strays = _assigned(row, planned, candidates)
    return KeptTrial(
        number, row["planned_at"], row["purpose"], row["person"], row["process"], row["kind"], row["parameter"],
        row["low"], row["high"], json.loads(row["factors"]), row["pieces"], row["repeats"], json.loads(row["text"]),
        places, strays,
    )  # fmt: skip


def name_run(book: BookFolder, number: int, place: int, run: str, why: str, person: str | None = None) -> None:
    """Say which run was a planned one ('-': none on record is), whatever it was asked for; kept as an amendment.

    Raises NotFoundError (no such trial, place or run), UsageError (it held none of the part, or is another's)
    """
    conn = book.read()
    _row(conn, number)
    row = conn.execute("SELECT * FROM trial_run WHERE trial_id = ? AND place = ?", (number, place)).fetchone()
    if row is None:
        last = conn.execute("SELECT max(place) FROM trial_run WHERE trial_id = ?", (number,)).fetchone()[0]
        raise NotFoundError(f"trial {number} plans no run {place}", remedy=f"It plans 1 to {last}")
    if run != NONE_YET:
        if conn.execute("SELECT 1 FROM run WHERE run = ?", (run,)).fetchone() is None:
            raise NotFoundError(f"the book has no run {run!r}", remedy="loadbook list runs shows them")
        held = conn.execute("SELECT 1 FROM piece WHERE run = ? AND part = ?", (run, row["part"])).fetchone()
        if held is None:
            raise UsageError(f"run {run} held no {row['part']}", remedy=f"Name a run of {row['part']}")
        other = conn.execute(
            "SELECT place FROM trial_run WHERE trial_id = ? AND run = ? AND part = ? AND characteristic = ?"
            " AND place <> ?",
            (number, run, row["part"], row["characteristic"], place),
        ).fetchone()
        if other is not None:
            raise UsageError(
                f"run {run} is planned run {other[0]} already", remedy=f"Change that first: --run {other[0]}=-"
            )
    with book.write() as writing:
        amend(writing, "trial_run", f"{number}/{place}", row["trial_run_id"], {"run": run}, why, person)


def effect_of_trial(
    book: BookFolder, number: int, stage: Stage | None = None, confidence: float = 0.95, system: str | None = None
) -> Effects:
    """The effect of everything that a kept trial varied, in one fit of its own runs.

    Where its pieces were only read after the run, of the plain readings. Raises NotFoundError, UsageError
    """
    import pandas as pd

    from .effect import effect_of
    from .filters import Filters
    from .movement_data import load

    t = kept(book, number)
    done = [p.done for p in t.places if p.done is not None and p.done.measured]
    if len(done) < 2:
        raise UsageError(
            f"trial {number} has {many(len(done), 'measured run')}",
            remedy=f"loadbook trial --show {number} says what is open",
        )
    of = [t.parameter, *t.factors]
    parts = ",".join(sorted({p.part for p in t.places}))
    process = None if t.process == NO_PROCESS else t.process
    data = load(book, Filters(process=process, kind=t.kind, part=parts), also=["furnace"], parameters=of)
    names = ["run", "part", "characteristic", *(["setup"] if "setup" in t.factors else [])]
    wanted = {(d.run, d.part, d.characteristic, *([d.words["setup"]] if "setup" in t.factors else [])) for d in done}
    keys = zip(*(data.frame[n].astype("str").fillna("") for n in names), strict=True)
    keep = pd.Series([k in wanted for k in keys], index=data.frame.index).to_numpy(dtype=bool)
    told = {(d.run, n): v for d in done for n, v in d.settings.items() if n in of}
    parameters = pd.DataFrame(
        [{"run": run, "parameter": n, "value": v, "unit": PLANNED[n].unit, "source": "asked", "se": float("nan")}
         for (run, n), v in told.items()],
        columns=data.parameters.columns,
    )  # fmt: skip
    frame = data.frame[keep].reset_index(drop=True)
    own = replace(
        data, frame=frame, parameters=parameters, believed=data.believed[keep],
        asked_parameters=data.asked_parameters.iloc[:0],
    )  # fmt: skip
    if stage is None and frame["movement_mm"].isna().all():
        stage = "after"
    found = effect_of(own, of, stage, False, confidence, system or book.units, assigned=True)
    missing = len(t.places) - len(done)
    found.remarks.insert(0, remark("trial_so_far", number=number, purpose=t.purpose, runs=len(done), missing=missing))
    return found


def _row(conn: sqlite3.Connection, number: int) -> sqlite3.Row:
    row: sqlite3.Row | None = conn.execute("SELECT * FROM trial WHERE trial_id = ?", (number,)).fetchone()
    if row is None:
        last = conn.execute("SELECT max(trial_id) FROM trial").fetchone()[0]
        remedy = f"The newest is {last}" if last else "None was kept yet: loadbook trial ... --save"
        raise NotFoundError(f"the book has no trial {number}", remedy=remedy)
    return row


def _since(conn: sqlite3.Connection, trial: sqlite3.Row, planned: Sequence[sqlite3.Row]) -> list[Done]:
    """Runs of the planned part numbers that began after the plan, and those that a person named, oldest first."""
    named = {r["run"] for r in planned if r["run"]}
    out = []
    # pieces that stood differently in one run are two runs of a trial that varies the setup
    setup = "coalesce(p.setup, r.setup)" if "setup" in json.loads(trial["factors"]) else "''"
    for part, characteristic in dict.fromkeys((r["part"], r["characteristic"]) for r in planned):
        rows = conn.execute(
            f"SELECT r.run, r.started, r.furnace, r.cycle, r.cycle_revision, {setup} AS stood,"
            " coalesce(r.atmosphere, f.atmosphere) AS atmosphere, sum(p.quantity) AS pieces, c.process,"
            " sum(EXISTS (SELECT 1 FROM reading x WHERE x.run = p.run AND x.part = p.part AND x.serial = p.serial"
            "  AND x.stage = 'after' AND x.characteristic = ?)) AS measured"
            " FROM run r JOIN piece p ON p.run = r.run JOIN furnace f ON f.furnace = r.furnace"
            " LEFT JOIN cycle c ON c.cycle = r.cycle AND c.revision = r.cycle_revision"
            " WHERE p.part = ? AND r.status = 'done' GROUP BY r.run, stood ORDER BY r.started, r.run",
            (characteristic, part),
        ).fetchall()
        for r in rows:
            fits = r["started"] > trial["planned_at"] and r["process"] in (None, trial["process"])
            if not fits and r["run"] not in named:
                continue
            words = {"setup": r["stood"] or "", "atmosphere": r["atmosphere"] or "", "furnace": r["furnace"]}
            out.append(
                Done(
                    r["run"], r["started"], part, characteristic, _settings(conn, r), words, r["pieces"], r["measured"]
                )
            )
    return sorted(out, key=lambda d: (d.started, d.run))


def _settings(conn: sqlite3.Connection, run: sqlite3.Row) -> dict[str, float]:
    """What a run was asked for: noted of the run itself, by its cycle, else what it achieved."""
    from loadbook.analysis.parameters.compute import asked_parameters

    out: dict[str, float] = {}
    for r in conn.execute(
        "SELECT parameter, value FROM parameter WHERE run = ? AND channel IS NULL AND parameter IN"
        f" ({', '.join('?' * len(PLANNED))}) AND source <> 'asked' ORDER BY source", (run["run"], *PLANNED),
    ):  # fmt: skip
        out[r["parameter"]] = r["value"]  # 'stated' comes before 'trace'
    if run["cycle"]:
        cycle = load_cycle(conn, run["cycle"], run["cycle_revision"])
        out |= {p.parameter: p.value for p in asked_parameters(cycle) if p.parameter in PLANNED and p.value is not None}
    for r in conn.execute(
        "SELECT parameter, value FROM parameter WHERE run = ? AND channel IS NULL AND source = 'asked'", (run["run"],)
    ):
        if r["parameter"] in PLANNED:
            out[r["parameter"]] = r["value"]
    return out


def _assigned(
    trial: sqlite3.Row, planned: Sequence[sqlite3.Row], candidates: Sequence[Done]
) -> tuple[tuple[Place, ...], tuple[Done, ...]]:
    """Which run is which planned one: those named first, then each in order of time the nearest that is open."""
    factors = json.loads(trial["factors"])
    found: dict[int, Done] = {}
    left = list(candidates)
    for r in planned:
        mine = [d for d in left if d.run == r["run"] and (d.part, d.characteristic) == (r["part"], r["characteristic"])]
        if mine:
            found[r["place"]] = mine[0]
            left.remove(mine[0])
    strays = []
    for d in left:
        open_ = [
            r for r in planned
            if r["place"] not in found and r["run"] is None
            and (r["part"], r["characteristic"]) == (d.part, d.characteristic)
        ]  # fmt: skip
        fits = [r for r in open_ if _fits(trial, factors, r, d)]
        if fits:
            best = min(fits, key=lambda r: (abs(r["setting"] - d.settings[trial["parameter"]]), r["place"]))
            found[best["place"]] = d
        elif open_:
            strays.append(d)
    places = tuple(
        Place(
            r["place"], r["part"], r["characteristic"], r["setting"], json.loads(r["levels"]),
            _state(trial, factors, r, found.get(r["place"])), bool(r["run"]), found.get(r["place"]),
        )
        for r in planned
    )  # fmt: skip
    return places, tuple(strays)


def _fits(trial: sqlite3.Row, factors: Mapping[str, Sequence[Any]], row: sqlite3.Row, d: Done) -> bool:
    asked = d.settings.get(trial["parameter"])
    if asked is None or abs(asked - row["setting"]) > NEAR * (trial["high"] - trial["low"]) + 1e-9:
        return False
    for name, level in json.loads(row["levels"]).items():
        if name in PLANNED:
            first, second = factors[name]
            value = d.settings.get(name)
            if value is None or abs(value - level) > abs(second - first) / 4:
                return False
        elif d.words.get(name, "").lower() != str(level).lower():
            return False
    return True


def _state(trial: sqlite3.Row, factors: Mapping[str, Sequence[Any]], row: sqlite3.Row, d: Done | None) -> str:
    if d is None:
        return "open"
    if not _fits(trial, factors, row, d):
        return "strayed"
    return "done" if d.measured else "not measured"


def _level(d: Done, name: str) -> str | float | None:
    return d.settings.get(name) if name in PLANNED else d.words.get(name) or None


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)
