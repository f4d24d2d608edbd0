"""Ways to run a part as a table in the book's units, fewest hours first."""

from __future__ import annotations

from typing import Any

from loadbook.analysis.planning.choose import BREAKS, OFFERED, OUTSIDE, UNTOLD
from loadbook.core.figures import share_range, share_words
from loadbook.queries.answer_figures import moved_by, span
from loadbook.queries.choose_result import Chosen
from loadbook.queries.choose_words import way

CAUTION = (
    "A limit from a code or a customer's specification overrules anything here. It looks at movement and furnace hours "
    "alone: whether hardness, stress relief and structure are reached, takes the metallurgist."
)


def ways_table(found: Chosen) -> tuple[str, list[str], list[list[Any]]]:
    """(title, columns, rows) of the ways worth knowing."""
    choice, system = found.choice, found.system
    assert choice is not None
    now = found.plan(choice.present)
    rows = []
    for s in choice.scored:
        plan, row = found.plan(s), found.row(s)
        keeps = "keeps it" if s.inside.low >= found.keep else "falls short"
        state = {"offered": keeps, "present": f"present, {keeps}"}.get(row["state"], row["state"])
        state = "chosen, the present" if s is choice.chosen and s is choice.present else state
        notes = [f"{x.where}: {x.remark}" for x in (*plan.breaks, *plan.remarks)]
        rows.append(
            [state, way(plan, now, system), plan.hours.said(), plan.hours.money(),
             moved_by(row["median"], row["unit"], system), span(row["low"], row["high"], row["unit"], system),
             share_range(s.inside.share, s.inside.low, s.inside.high), f"{s.own_near} of {s.near}",
             "; ".join(notes)]
        )  # fmt: skip
    content = f"{share_words(found.present.content)} of pieces"
    columns = ["", "way", "furnace hours", "cost", "movement", content, "inside tolerance", "own of near runs"]
    columns.append("remarks")
    empty = [k for k in (3, 8) if all(not r[k] for r in rows)]
    title = f"Ways inside and beside the evidence ({_tried(found)})"
    return (
        title,
        [c for k, c in enumerate(columns) if k not in empty],
        [[v for k, v in enumerate(r) if k not in empty] for r in rows],
    )


def _tried(found: Chosen) -> str:
    assert found.choice is not None
    states = found.choice.states
    told = {
        OFFERED: "offered", OUTSIDE: "outside the evidence",
        UNTOLD: "of which too little is known",
        BREAKS: "breaks a limit" if states.get(BREAKS) == 1 else "break a limit",
    }  # fmt: skip
    return f"{found.choice.ways} looked at: " + ", ".join(
        f"{states[s]} {words}" for s, words in told.items() if s in states
    )
