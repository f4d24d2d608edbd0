"""Advice for one enquiry, from the part's state, the surveys and what past runs of it showed."""

from __future__ import annotations

import sqlite3
from dataclasses import asdict
from typing import Any

from loadbook.analysis.answers.scale import Scale, harm
from loadbook.analysis.planning import advice
from loadbook.analysis.planning.advice import Held
from loadbook.core.remarks import Remark, remark

from . import remark_words
from .answer_result import Answer, Grounds

# a work TC on a piece of the part: by run and serial, and only where no piece of another part in that run has the same
# serial, since the channels' table names no part
_TCS = """
SELECT c.channel_id, c.run, c.channel, p.part, c.serial, c.place
FROM channel AS c JOIN piece AS p ON p.run = c.run AND p.serial = c.serial
WHERE p.part = ? AND c.role = 'work' AND c.place IS NOT NULL
  AND NOT EXISTS (SELECT 1 FROM piece AS q WHERE q.run = p.run AND q.serial = p.serial AND q.part <> p.part)
"""
_FAULTS = "SELECT run, channel, name FROM finding WHERE what = 'fault' AND verdict NOT IN ('reported', 'refused')"


def advise(conn: sqlite3.Connection, a: Answer) -> None:
    """Adds the advice and its cautions to an answer's remarks, `advice` by subject, and its grounds."""
    s = a.subject
    air = advice.atmosphere(s.condition, s.machining, s.stock_mm, s.reactive, s.family)
    gas = a.question.atmosphere or ("inert gas" if air.code != "air" else None)
    a.remarks += advice.cautions(gas, s.family, s.reactive, s.description, (s.condition or "").split(";"))
    a.remarks.append(air)
    if a.reply is not None:
        a.remarks.append(_stock(a, harm(s.kind)))
    cycles, runs = _cycles(a)
    if cycles:
        a.remarks.append(remark("cycle", cycle=cycles[0]["cycle"]))
    coldest = tuple(advice.coldest_of_pieces(_held(conn, s.part)))
    place = advice.coldest_place(coldest)
    a.remarks += advice.usual_places(s.section_thick_mm, s.section_thin_mm)
    a.remarks += [*_corner(conn, a), *([place] if place else []), *advice.lost_places(_lost(conn, s.part))]
    a.advice = remark_words.by_subject(a.remarks, cycles, a.system)
    a.grounds = Grounds(s.usual_of, coldest, runs)


def _cycles(a: Answer) -> tuple[list[dict[str, Any]], dict[str, list[str]]]:
    """The evidence of the kindest cycle, and the runs of the part itself behind it where it rests on them."""
    s = a.subject
    if a.history is None or not len(a.history) or (s.scale == "um per 100 mm" and not s.reference_length_mm):
        return [], {}
    pieces = a.history
    if "plant" in pieces and pieces["plant"].nunique() > 1:  # a cycle is a plant's own: others cannot run it
        pieces = pieces[pieces["plant"] == a.question.plant]
    scale = Scale(s.scale, s.reference_length_mm)
    like = _like(pieces, a)
    found = advice.kindest_cycle(like, s.part, harm(s.kind))
    rows = [{**asdict(c), "mean": scale.displayed(c.mean), "worst": scale.displayed(c.worst)} for c in found]
    own = like[like["part"] == s.part]
    runs = {c.cycle: sorted(map(str, own[own["cycle"] == c.cycle]["run"].unique())) for c in found if c.same_part}
    return rows, runs


def _stock(a: Answer, side: int) -> Remark:
    assert a.reply is not None
    if side and a.reply.no_bound == "beyond":
        return remark("stock_never_run", per_side_um=None)
    if side and a.reply.no_bound == "few parts":
        return remark("stock_few_parts", per_side_um=None, parts=a.parts)
    bound_um = a.bound if a.unit == "um" else a.in_um["bound"] if a.in_um else None
    return advice.stock(a.subject.kind, bound_um, side, a.bound_content, a.bound_confidence)


def _like(pieces: Any, a: Answer) -> Any:
    """Pieces of the same part; else of the same material and shape; else of the same material; else all."""
    s = a.subject
    for keys in (("part",), ("material", "shape"), ("material",)):
        rows = pieces
        for key in keys:
            rows = rows[rows[key] == getattr(s, key)]
        if rows["cycle"].nunique() >= 2:
            return rows
    return pieces


def _corner(conn: sqlite3.Connection, a: Answer) -> list[Remark]:
    """The coldest corner, as the newest survey's note says, of the furnace asked about or those the part ran in."""
    furnaces = [a.question.furnace] if a.question.furnace else [
        r[0] for r in conn.execute(
            "SELECT DISTINCT r.furnace FROM run AS r JOIN piece AS p USING (run) WHERE p.part = ?", (a.subject.part,)
        )
    ]  # fmt: skip
    row = conn.execute(
        "SELECT furnace, done_on, note FROM furnace_check WHERE kind = 'uniformity survey' AND note IS NOT NULL"
        f" AND furnace IN ({', '.join('?' * len(furnaces))}) ORDER BY done_on DESC LIMIT 1",
        furnaces,
    ).fetchone()
    if row is None:
        return [remark("tc_corner_not_noted")]
    noted = remark("tc_survey_note", furnace=row["furnace"], done_on=row["done_on"], note=row["note"])
    return [remark("tc_coldest_corner"), noted]


def _held(conn: sqlite3.Connection, part: str | None) -> list[Held]:
    """Work TCs on pieces of this part with their means over the main hold, those with a fault left out.

    CROSS JOIN, ifnull() and the plus sign (no affinity) lead to one look-up a TC by the index `parameter_once`.
    """
    rows = conn.execute(
        f"WITH tc AS ({_TCS}), fault AS ({_FAULTS})"
        " SELECT tc.run, tc.part, tc.serial, tc.place, x.value FROM tc CROSS JOIN parameter AS x ON x.run = tc.run"
        " AND x.parameter = 'hold_mean_c' AND ifnull(x.channel, '') = +tc.channel AND x.source = 'trace'"
        " WHERE NOT EXISTS (SELECT 1 FROM fault WHERE fault.run = tc.run AND fault.channel = tc.channel)"
        " ORDER BY tc.run, tc.serial, tc.channel_id",
        (part,),
    )
    return [Held(*r) for r in rows]


def _lost(conn: sqlite3.Connection, part: str | None) -> list[tuple[str, str, str]]:
    """(place, fault, run) of work TCs on pieces of this part that failed, newest first."""
    rows = conn.execute(
        f"WITH tc AS ({_TCS}), fault AS ({_FAULTS})"
        " SELECT DISTINCT tc.place, fault.name, tc.run FROM tc JOIN fault USING (run, channel) ORDER BY tc.run DESC",
        (part,),
    )
    return [(str(r[0]), str(r[1]), str(r[2])) for r in rows]
