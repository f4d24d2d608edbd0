"""Advice for one enquiry, from the part's state, the surveys and what past runs of it showed."""

from __future__ import annotations

import re
import sqlite3
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from loadbook.analysis.answers.scale import Scale, harm
from loadbook.analysis.planning import advice

if TYPE_CHECKING:
    from loadbook.store.book import BookFolder

    from .answer import Answer


def advise(book: BookFolder, a: Answer) -> dict[str, Any]:
    """atmosphere, stock, thermocouples, cycle; also adds the cautions that belong to the answer."""
    s, conn = a.subject, book.read()
    air = advice.atmosphere(s.condition, s.machining, s.stock_mm, s.reactive, s.family)
    places = advice.thermocouple_places(
        s.section_thick_mm, s.section_thin_mm, _coldest(conn, a), _lost(conn, s.part), _farthest(conn, s.part)
    )
    gas = a.question.atmosphere or ("inert gas" if "vacuum" in air.choice else None)
    a.cautions += advice.cautions(gas, s.family, s.reactive, s.description, (s.condition or "").split(";"))
    out: dict[str, Any] = {
        "atmosphere": {"choice": air.choice, "reasons": list(air.reasons)},
        "thermocouples": [{"place": place, "reason": reason} for place, reason in places],
    }
    side = harm(s.kind)
    if a.reply is not None:
        out["stock"] = _stock(a, side)
    if a.history is not None and len(a.history):
        scale = Scale(s.scale, s.reference_length_mm)
        told = s.scale != "um per 100 mm" or s.reference_length_mm
        found = advice.kindest_cycle(_like(a.history, a), s.part, side)
        if found and told:
            rows = [{**asdict(c), "mean": scale.displayed(c.mean), "worst": scale.displayed(c.worst)} for c in found]
            out["cycle"] = {
                "choice": found[0].cycle,
                "reason": "its runs moved such pieces least on average; an association (loadbook trial plans a trial)",
                "evidence": rows,
            }
    out.setdefault("cycle", None)
    return out


def _stock(a: Answer, side: int) -> dict[str, Any]:
    assert a.reply is not None
    bound_um = a.bound if a.unit == "um" else None
    if a.unit == "%" and a.bound is not None and a.before_um is not None:
        bound_um = a.bound / 100.0 * a.before_um
    found = advice.stock(a.subject.kind, bound_um, side, a.bound_content, a.bound_confidence)
    return {"per_side_um": found.per_side_um, "text": found.text}


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


def _coldest(conn: sqlite3.Connection, a: Answer) -> str | None:
    """What the newest uniformity survey with a note says, of the furnace asked about or those the part ran in."""
    furnaces = [a.question.furnace] if a.question.furnace else [
        r[0] for r in conn.execute(
            "SELECT DISTINCT r.furnace FROM run AS r JOIN piece AS p USING (run) WHERE p.part = ?", (a.subject.part,)
        )
    ]  # fmt: skip
    if not furnaces:
        return None
    marks = ", ".join("?" * len(furnaces))
    row = conn.execute(
        f"SELECT furnace, done_on, note FROM furnace_check WHERE kind = 'uniformity survey' AND note IS NOT NULL"
        f" AND furnace IN ({marks}) ORDER BY done_on DESC LIMIT 1",
        furnaces,
    ).fetchone()
    return None if row is None else f"{row['furnace']}, survey of {row['done_on']}: {row['note']}"


def _lost(conn: sqlite3.Connection, part: str | None) -> list[tuple[str, str, str]]:
    """(place, fault, run) of work TCs on pieces of this part."""
    rows = conn.execute(
        "SELECT DISTINCT c.place, f.name, f.run FROM finding AS f JOIN channel AS c ON c.run = f.run AND"
        " c.channel = f.channel JOIN piece AS p ON p.run = c.run AND p.serial = c.serial"
        " WHERE f.what = 'fault' AND f.verdict <> 'reported' AND c.role = 'work' AND c.place IS NOT NULL AND p.part = ?"
        " ORDER BY f.run DESC",
        (part,),
    )
    return [(str(r[0]), str(r[1]), str(r[2])) for r in rows]


def _farthest(conn: sqlite3.Connection, part: str | None) -> list[tuple[str, int]]:
    """Place that most often was the coldest of the largest spread at the hold, in runs of this part (two at least)."""
    rows = conn.execute(
        "SELECT DISTINCT x.run, x.note FROM parameter AS x JOIN piece AS p ON p.run = x.run"
        " WHERE x.parameter = 'spread_soak_peak_c' AND x.channel IS NULL AND x.note IS NOT NULL AND p.part = ?",
        (part,),
    ).fetchall()
    seen: dict[str, int] = {}
    for run, note in rows:
        match = re.match(r"(.+) over ([^,]+)", note)
        if match is None:
            continue
        place = conn.execute(
            "SELECT place FROM channel WHERE run = ? AND channel = ? AND place IS NOT NULL",
            (run, match.group(2).strip()),
        ).fetchone()
        if place is not None:
            seen[place[0]] = seen.get(place[0], 0) + 1
    most = max(seen.items(), key=lambda item: item[1], default=None)
    return [most] if most is not None and most[1] >= 2 else []
