"""Answers that were kept: saved, shown again exactly as given, and scored when their parts are measured."""

from __future__ import annotations

import json
import math
import sqlite3
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from loadbook.analysis.answers.scale import Scale, harm, sides
from loadbook.analysis.movement import scale as movement
from loadbook.analysis.planning import advice
from loadbook.core import times
from loadbook.core.errors import NotFoundError
from loadbook.core.remarks import Remark, from_dict, remark
from loadbook.store import derived_checksum

from . import history
from .enquiry import as_kept

if TYPE_CHECKING:
    import pandas as pd

    from loadbook.store.book import BookFolder

    from .answer_result import Answer
    from .history import Measured


@dataclass(frozen=True)
class Saved:
    """A kept answer: the question, the JSON keys and the sentences as given, when, and its score so far.

    remarks refusal, cautions and advice as codes; of an answer kept before there were codes, what its figures tell
    behind  what stood behind it on that day and is in no key: the part's own runs, the pieces that its advice rests on,
            its tolerance ({} for an answer kept before that was noted);  coded  whether it was kept with codes
    """

    answer_id: int
    answered_at: str
    question: dict[str, Any]
    result: dict[str, Any]
    text: list[str]
    method: str
    evidence_sha256: str
    outcomes: list[dict[str, Any]]
    behind: dict[str, Any] = field(default_factory=dict)
    remarks: list[Remark] = field(default_factory=list)
    coded: bool = True


def save(book: BookFolder, found: Answer, taken_by: str | None = None) -> int:
    """Keep an answer (a refusal too) under an intake of its own; returns its number."""
    from loadbook.store.records import add_intake

    about = found.subject
    asked = {
        **as_kept(found.question), "process": found.process, "kind": about.kind, "scale": about.scale,
        "reference_length_mm": about.reference_length_mm,
    }  # fmt: skip
    row = {
        "answered_at": times.stored(times.now()),
        "question": _json(asked),
        "result": _json({"answer": found.to_json(), "text": found.text, "behind": _behind(book, found)}),
        "method": found.method,
        "evidence_sha256": found.evidence_sha256,
        "part": about.part,
        "characteristic": about.characteristic,
        "job": found.question.job,
        "low": found.low,
        "high": found.high,
        "bound": found.bound,
        "unit": found.unit,
    }
    with book.write() as conn:
        intake = add_intake(conn, "answer", {"answer": [row]}, rows_read=1, taken_by=taken_by)
        number = conn.execute("SELECT answer_id FROM answer WHERE intake_id = ?", (intake,)).fetchone()[0]
    found.answer_id = int(number)
    return found.answer_id


def saved(book: BookFolder, number: int) -> Saved:
    """A kept answer exactly as it was given. Raises NotFoundError."""
    conn = book.read()
    row = conn.execute("SELECT * FROM answer WHERE answer_id = ?", (number,)).fetchone()
    if row is None:
        last = conn.execute("SELECT max(answer_id) FROM answer").fetchone()[0]
        remedy = f"The newest is {last}" if last else "None was saved yet: loadbook answer ... --save"
        raise NotFoundError(f"the book has no answer {number}", remedy=remedy)
    kept, asked = json.loads(row["result"]), json.loads(row["question"])
    behind = kept.get("behind", {})
    carried = kept["answer"].get("remarks")
    if carried is None:
        remarks = _before_codes(asked, kept["answer"], behind)
    else:
        remarks = [r for r in map(from_dict, carried) if r is not None]
    outcomes = conn.execute(
        "SELECT run, pieces, inside, within_bound FROM answer_outcome WHERE answer_id = ? ORDER BY run", (number,)
    )
    return Saved(
        number, row["answered_at"], asked, kept["answer"], kept["text"], row["method"], row["evidence_sha256"],
        [dict(r) for r in outcomes], behind, remarks, carried is not None,
    )  # fmt: skip


# the load's cautions as answers were kept with them before remarks had codes: these sentences never change
_KEPT_WORDS = {
    "Inert gas displaces air: below 19.5 % oxygen an atmosphere is dangerous, vessels hold pockets of gas after "
    "opening, argon sinks. Never reach in or enter without an oxygen reading and a permit.": "inert_gas",
    "Hydrogen has its own code.": "hydrogen",
    "Reactive metals need vacuum or dry inert gas.": "reactive",
    "Vent hollow parts; load dry.": "hollow",
    "Cadmium, zinc, lead, beryllium, magnesium: ask first.": "volatile",
}


def _before_codes(asked: dict[str, Any], result: dict[str, Any], behind: dict[str, Any]) -> list[Remark]:
    """What the figures of an older kept answer tell, and its load's cautions; no sentence of it is taken apart."""
    out = []
    for row in result["outside_range"]:
        if row["run_low"] is None:
            out.append(remark("level_never_run", factor=row["parameter"], level=row["asked"]))
            continue
        named = {"parameter": row["parameter"], "asked": row["asked"], "known": bool(behind.get("known"))}
        out.append(remark("setting_never_run", **named, low=row["run_low"], high=row["run_high"]))
    out += [remark(_KEPT_WORDS[text]) for text in result["cautions"] if text in _KEPT_WORDS]
    per_side = (result["advice"].get("stock") or {}).get("per_side_um")
    if per_side:
        side, kind = harm(asked["kind"]), asked["kind"]
        bound_um = side * per_side * sides(kind)
        out.append(advice.stock(kind, bound_um, side, result["bound_content"], result["bound_confidence"]))
    return out


def _behind(book: BookFolder, found: Answer) -> dict[str, Any]:
    """What a letter tells beside the keys, as it stood on the day of the answer."""
    about = found.subject
    limits = book.read().execute(
        "SELECT lower_mm, upper_mm FROM characteristic WHERE part = ? AND characteristic = ?",
        (about.part, about.characteristic),
    ).fetchone()  # fmt: skip
    reply, grounds = found.reply, found.grounds
    rests = {} if grounds is None else {
        "state": grounds.state, "cycles": grounds.cycles,
        "coldest": [(c.run, c.serial, c.place) for c in grounds.coldest],
    }  # fmt: skip
    return {
        "own": found.own, "own_runs": _own_runs(book, found), "before_um": found.before_um,
        "resolution_um": resolution_um(book, about.part, about.characteristic, about.kind),
        "usual_before_um": _usual_before(found),
        "characteristic": about.characteristic, "shape": about.shape, "family": about.family,
        "known": reply.known if reply else None, "model_only": reply.model_only if reply else None,
        "outside": reply.outside if reply else None,
        "lower_mm": limits["lower_mm"] if limits else None, "upper_mm": limits["upper_mm"] if limits else None, **rests,
    }  # fmt: skip


def _usual_before(found: Answer) -> float | None:
    """The middle reading before [µm] of this part's pieces."""
    about, pieces = found.subject, found.history
    if pieces is None or not len(pieces) or about.part is None:
        return None
    own = pieces[(pieces["part"] == about.part) & (pieces["characteristic"] == about.characteristic)]
    return float(own["before_mm"].median() * 1000.0) if own["before_mm"].notna().any() else None


def _own_runs(book: BookFolder, found: Answer) -> list[dict[str, Any]]:
    """One row per run of this part and characteristic, oldest first: date, pieces, how they moved, what was broken.

    mean, low, high in the answer's unit, None where that cannot be told
    moved_um, after_um  (lowest, mean, highest) as read
    broken  names of the clauses of its cycle that it broke
    """
    about, pieces = found.subject, found.history
    if pieces is None or about.part is None or not len(pieces):
        return []
    scale = Scale(about.scale, about.reference_length_mm, found.before_um)
    told = about.scale != "um per 100 mm" or bool(about.reference_length_mm)
    own = pieces[(pieces["part"] == about.part) & (pieces["characteristic"] == about.characteristic)]
    broken = broken_clauses(book, set(own["run"].astype(str)))
    return [
        {"run": str(run), "date": history.date_of(float(rows["day"].iloc[0]), book.zone), "pieces": len(rows),
         "mean": scale.displayed(rows["z"].mean()) if told else None,
         "low": scale.displayed(rows["z"].min()) if told else None,
         "high": scale.displayed(rows["z"].max()) if told else None,
         "moved_um": _spread(rows["movement_um"]), "after_um": _spread(rows["after_mm"] * 1000.0),
         "broken": broken.get(str(run), [])}
        for run, rows in sorted(own.groupby("run"), key=lambda g: (float(g[1]["day"].iloc[0]), str(g[0])))
    ]  # fmt: skip


def _spread(values: pd.Series) -> list[float] | None:
    """Lowest, mean and highest; None where any is missing."""
    return [float(values.min()), float(values.mean()), float(values.max())] if values.notna().all() else None


def broken_clauses(book: BookFolder, runs: set[str]) -> dict[str, list[str]]:
    """The names of the clauses that runs broke."""
    out: dict[str, list[str]] = {}
    for run, name in book.read().execute(
        "SELECT run, name FROM finding WHERE what = 'clause' AND verdict = 'broken' ORDER BY run, segment, name"
    ):
        if run in runs:
            out.setdefault(run, []).append(name)
    return out


def resolution_um(book: BookFolder, part: str | None, characteristic: str | None, kind: str) -> float | None:
    """The resolution [µm] of the gauge that read most of a characteristic of a part, else of its kind; None where no
    gauge has one on record."""
    sql = (
        "SELECT g.resolution_mm FROM reading AS r JOIN gauge AS g USING (gauge)"
        " JOIN characteristic AS c ON c.part = r.part AND c.characteristic = r.characteristic"
        " WHERE g.resolution_mm IS NOT NULL AND {} GROUP BY 1 ORDER BY count(*) DESC, 1 LIMIT 1"
    )
    conn = book.read()
    row = conn.execute(sql.format("r.part = ? AND r.characteristic = ?"), (part, characteristic)).fetchone()
    row = row or conn.execute(sql.format("c.kind = ?"), (kind,)).fetchone()
    return None if row is None else float(row[0]) * 1000.0


def link(book: BookFolder, source: Measured) -> int:
    """Score every kept answer by what was measured since, and write `answer_outcome` anew; returns how many links.

    An answer is scored by runs that began after it: those of its job where it names one, else those of its part and
    characteristic in its process that were treated as asked (cycle and setup, where it named them). A refusal, and
    an answer on a new part without a job, has no score.
    """
    rows = scores(book, source)
    before = {
        tuple(r) for r in book.read().execute("SELECT answer_id, run, pieces, inside, within_bound FROM answer_outcome")
    }
    if set(rows) != before or not derived_checksum.outcomes_hold(book.read()):
        with book.write() as conn:
            conn.execute("DELETE FROM answer_outcome")
            conn.executemany(
                "INSERT INTO answer_outcome (answer_id, run, pieces, inside, within_bound) VALUES (?, ?, ?, ?, ?)", rows
            )
            derived_checksum.of_outcomes(conn)
    return len(rows)


def with_scores(book: BookFolder) -> list[tuple[sqlite3.Row, list[tuple[int, str, int, int, int]]]]:
    """All kept answers, oldest first, each with its `scores`."""
    rows = book.read().execute("SELECT * FROM answer ORDER BY answer_id").fetchall()
    of: dict[int, list[tuple[int, str, int, int, int]]] = {r["answer_id"]: [] for r in rows}
    for score in scores(book, history.load(book)) if any(r["low"] is not None for r in rows) else ():
        of[score[0]].append(score)
    return [(r, of[r["answer_id"]]) for r in rows]


def scores(book: BookFolder, source: Measured) -> list[tuple[int, str, int, int, int]]:
    """The links that `link` writes, without writing: (answer, run, pieces, inside, within the bound)."""
    kept = book.read().execute("SELECT * FROM answer WHERE low IS NOT NULL ORDER BY answer_id").fetchall()
    return [found for row in kept for found in _scored(row, source.movement)]


def _scored(row: sqlite3.Row, m: pd.DataFrame) -> list[tuple[int, str, int, int, int]]:
    asked = json.loads(row["question"])
    answered = np.datetime64(row["answered_at"].rstrip("Z"), "s")
    fits = (
        m["set_aside"].isna() & (m["kind"] == asked["kind"]) & (m["process"] == asked["process"])
        & (m["started"].to_numpy().astype("datetime64[s]") > answered)
    )  # fmt: skip
    if row["job"] is not None:
        fits &= m["job"] == row["job"]
    elif row["part"] is None:
        return []
    if row["part"] is not None:
        fits &= (m["part"] == row["part"]) & (m["characteristic"] == row["characteristic"])
    for name in ("cycle", "setup"):
        if row["job"] is None and asked.get(name):
            fits &= m[name] == asked[name]
    some = m[fits]
    if some.empty:
        return []
    side = _side(row)
    out = []
    for run, group in movement.with_value(some.assign(scale=asked["scale"])).groupby("run", sort=True):
        scale = Scale(asked["scale"], asked.get("reference_length_mm"))
        z = np.array([scale.displayed(v) for v in group["y"].dropna()])
        if len(z) == 0:
            continue
        inside = int(((z >= row["low"]) & (z <= row["high"])).sum())
        bound = row["bound"]
        within = len(z) if bound is None else int((side * z <= side * bound).sum())
        out.append((int(row["answer_id"]), str(run), len(z), inside, within))
    return out


def _side(row: sqlite3.Row) -> int:
    """Which way the bound was: above the middle, or below."""
    return 1 if row["bound"] is None or row["bound"] >= (row["low"] + row["high"]) / 2 else -1


def _json(value: Any) -> str:
    return json.dumps(_plain(value), ensure_ascii=False, allow_nan=False)


def _plain(value: Any) -> Any:
    if hasattr(value, "item") and getattr(value, "shape", None) == ():
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    return value
