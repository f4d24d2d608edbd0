"""Which cycle keeps a part's tolerance in the fewest furnace hours: the ways to run it that its own history covers.

What is varied is heating and cooling rate, setup and cycle (and hold and soak, when asked: they serve the material
first). A way is one of the cycles that this part ran by, at its newest revision, with other settings asked.
"""

from __future__ import annotations

import itertools
import sqlite3
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from loadbook.analysis.answers.cells import Asked
from loadbook.analysis.answers.estimate import History
from loadbook.analysis.answers.scale import Scale, harm, sides
from loadbook.analysis.planning import review
from loadbook.analysis.planning.choose import (
    BREAKS,
    OFFERED,
    OUTSIDE,
    PRESENT,
    REACH,
    UNTOLD,
    Way,
    choose,
    goes_with,
    setting_range,
)
from loadbook.analysis.planning.hours import varied
from loadbook.analysis.trace.model import Cycle
from loadbook.core import units
from loadbook.core.errors import NotFoundError, UsageError
from loadbook.core.remarks import Remark, remark
from loadbook.core.vocabulary.parameters import PLANNABLE, PLANNED
from loadbook.store.run_records import load_cycle

from . import answer_terms, choose_words
from . import history as answerdata
from .answer import _asked, answer_of, treatment
from .choose_result import VARIED, Chosen, Planned
from .cycles import furnaces_of, subject_of
from .enquiry import Question, furnace_on_record, subject
from .hours import Quotes
from .review_words import said
from .source import BookSource
from .stock import stock_of_part

if TYPE_CHECKING:
    import pandas as pd

    from loadbook.store.book import BookFolder

HEATING, HOLD, SOAK, COOLING = PLANNABLE
USUALLY = ("heating", "cooling", "setup", "cycle")
FEWEST_OF_A_LEVEL = 2  # runs of the part in a setup, atmosphere or furnace
MOST_VALUES = 8  # of one setting
# steps of a setting that are tried, as people set a controller: (si, us), in the unit kept inside
STEPS = {
    HEATING: ((5.0, 10.0, 20.0, 50.0, 100.0), (10 / 1.8, 25 / 1.8, 50 / 1.8, 100 / 1.8, 200 / 1.8)),
    COOLING: ((5.0, 10.0, 20.0, 50.0, 100.0), (10 / 1.8, 25 / 1.8, 50 / 1.8, 100 / 1.8, 200 / 1.8)),
    HOLD: ((2.0, 5.0, 10.0, 20.0), (5 / 1.8, 10 / 1.8, 25 / 1.8)),
    SOAK: ((15.0, 30.0, 60.0, 120.0), (15.0, 30.0, 60.0, 120.0)),
}


def choose_cycle(
    book: BookFolder, question: Question, keep: float = 0.90, vary: Sequence[str] = USUALLY,
    stock_mm: float | None = None, system: str | None = None,
) -> Chosen:  # fmt: skip
    """The cheapest way inside the evidence to run a part.

    question  a part on record; its cycle (default: the one it ran by last) is the present one, with its settings
    keep      least share of pieces inside the tolerance, with 95 % confidence;  vary  keys of VARIED
    stock_mm  per side: the movement is held to it in the place of a tolerance
    Raises    UsageError, NotFoundError; a history too thin is no error but a result whose `refused` says why
    """
    _check(question, keep, vary)
    source, system = BookSource(book), system or book.units
    furnace_on_record(question, source.words)
    conn = book.read()
    about = subject(conn, question)
    known = answerdata.load(source, kind=about.kind)
    present_cycle = _present(conn, question, known, about.kind)
    question = replace(question, cycle=present_cycle.cycle, cycle_revision=present_cycle.revision)
    asked, process = treatment(conn, question, known)
    process = answerdata.choose_process(known, about.kind, about.part, asked.process, process) or answerdata.NO_PROCESS
    limits, moved = _limits(about, asked, stock_mm)
    now = answer_of(known, asked, about, process, system)
    out = Chosen(now, keep, limits, moved, system=system, varied=tuple(vary))
    if now.reply is None or now.model is None:
        out.remarks += [r for r in now.remarks if r.severity == "refusal"]
        return _worded(out)
    if not now.reply.known:
        out.remarks.append(remark("never_ran", part=about.part, characteristic=about.characteristic))
        return _worded(out)
    if now.reply.outside:
        out.remarks.append(remark("present_beyond", cycle=_name(present_cycle)))
        return _worded(out)
    pieces, history = known.pieces(process, about.kind, about.scale), now.model
    if now.history is not None:  # with all that the model was fitted on
        pieces.frame = now.history
    out.start = start = answer_terms.before(pieces, about, asked)
    out.scale = Scale(about.scale, about.reference_length_mm, start.usual if about.scale == "log" else None)
    present = _filled(history, _asked(asked, about, pieces))
    starts = answer_terms.starts_of(history, present, about, asked, start, limits, moved)
    if starts is None:
        raise UsageError(
            "the tolerance cannot be set against movement", remedy="Take in readings before, or give --before"
        )
    quotes = Quotes(conn, book.furnace_hour)
    ways = _ways(book, quotes, history, present, present_cycle, about.part or "", vary, system, out)
    if all(p.changed for p in out.plans):  # the present way is not among them
        out.plans.clear()
        out.remarks.append(remark("no_hours", cycle=_name(present_cycle)))
        return _worded(out)
    if len(ways) == 1:
        out.remarks.append(_nothing_varied(present, vary))
        return _worded(out)

    def refit(some: pd.DataFrame) -> History:
        return History(some, known.breaks, known.extra, warp=history.warp, gained=history.gained)

    out.choice = choose(history, pieces.frame, refit, ways[0], ways[1:], now.reply, starts, keep)
    _why_none(out, history)
    return _worded(out)


def _worded(out: Chosen) -> Chosen:
    out.remarks.append(remark("code_overrules"))
    out.text = choose_words.sentences(out, out.system)
    return out


def _check(question: Question, keep: float, vary: Sequence[str]) -> None:
    if question.part is None:
        raise UsageError(
            "a cycle is chosen for a part on record: what its own runs showed is what is searched",
            remedy="Give --part; for a new part, loadbook answer says what such parts do",
        )
    if not 0.5 <= keep <= 0.99:
        raise UsageError(f"--keep {keep:g} is not a share to keep", remedy="Give 0.5 to 0.99")
    unknown = [v for v in vary if v not in VARIED]
    if unknown or not vary:
        raise UsageError(f"--vary {', '.join(unknown) or 'nothing'} is not varied", remedy="Vary: " + ", ".join(VARIED))


def _limits(about: Any, question: Question, stock_mm: float | None) -> tuple[tuple[float, float], bool]:
    """(lower, upper) [µm], and whether they are of the movement."""
    if stock_mm is not None:
        side = harm(about.kind)
        if not side:
            raise UsageError(f"{about.kind} takes no stock", remedy="Give --tolerance")
        room = stock_mm * 1000.0 * sides(about.kind)
        return ((-np.inf, room) if side > 0 else (-room, np.inf)), True
    limits = answer_terms.limits_um(about, question)
    if limits is None or about.unit != "mm":
        raise UsageError(
            f"the book has no limits of {about.part}, {about.characteristic}",
            remedy="Give --tolerance or --stock, or amend the characteristic's limits",
        )
    return limits, False


def _present(conn: sqlite3.Connection, question: Question, known: answerdata.Measured, kind: str) -> Cycle:
    """The cycle named, else the one that the part ran by last in the process asked about."""
    if question.cycle is not None:
        return load_cycle(conn, question.cycle, question.cycle_revision)
    process = answerdata.choose_process(known, kind, question.part, question.process, None)
    rows = known.movement
    rows = rows[(rows["part"] == question.part) & (rows["process"] == process) & rows["cycle"].notna()]
    if not len(rows):
        raise NotFoundError(
            f"no run of {question.part} in {process} names a cycle", remedy="Give --cycle: the one it is run by now"
        )
    last = rows.iloc[-1]
    return load_cycle(conn, str(last["cycle"]), str(last["cycle_revision"]))


def _filled(history: History, asked: Asked) -> Asked:
    """The question with what nobody asked for at the part number's own: settings, setup, furnace, atmosphere."""
    series = history.series(asked)
    assert series is not None
    design = history.design
    settings = {
        n: float(m[series]) for n, m in design.series_mean.items() if n in design.active and np.isfinite(m[series])
    }
    usual: dict[str, Any] = {n: design.level(n, asked, series) for n in ("setup", "atmosphere", "furnace")}
    return replace(asked, settings={**settings, **asked.settings}, **usual)


def _name(cycle: Cycle) -> str:
    return f"{cycle.cycle} revision {cycle.revision}"


def _ways(
    book: BookFolder, quotes: Quotes, history: History, present: Asked, now: Cycle, part: str, vary: Sequence[str],
    system: str, out: Chosen,
) -> list[Way]:  # fmt: skip
    """The present way first, then every other; `out.plans` holds each as a shop would run it."""
    conn = book.read()
    about, margin, stock = subject_of(conn, part), book.temper_margin_c, stock_of_part(conn, part)
    written = review.review(now, [about], margin, furnaces_of(conn, now))
    ways: list[Way] = []
    cycles = [now, *(_others(conn, now, part) if "cycle" in vary else [])]
    setups: list[str | None] = _levels(history, present, "setup") if "setup" in vary else [present.setup]
    reviewed: dict[tuple[Any, ...], tuple[list[review.Found], list[review.Found]]] = {}
    for cycle in cycles:
        base = _base(history, present, now, cycle, quotes, part)
        if base is None:
            continue
        names = [n for key, n in VARIED.items() if key in vary and n in history.design.active and n in base.settings]
        grids = [_values(history, base, n, system) for n in names]
        for setup, values in itertools.product(setups, itertools.product(*grids)):
            asked = replace(base, setup=setup, settings={**base.settings, **dict(zip(names, values, strict=True))})
            program = varied(cycle, {n: asked.settings[n] for n in names})
            hours = quotes.of(program, asked.furnace, stock=stock)
            if hours is None:
                continue
            key = (cycle.cycle, cycle.revision, *values)
            if key not in reviewed:
                found = review.review(program, [about], margin, furnaces_of(conn, cycle))
                broken = review.broken(found, written)
                reviewed[key] = broken, [f for f in found if f not in written and f not in broken]
            broken, more = reviewed[key]
            way = Way(asked, hours.quote.at, bool(broken), len(out.plans))
            changed = tuple(n for n in names if abs(asked.settings[n] - present.settings.get(n, np.nan)) > 1e-9)
            changed += ("setup",) * (setup != present.setup) + ("cycle",) * (cycle is not now)
            kept = {n: asked.settings[n] for n in PLANNABLE if n in asked.settings}
            plan = Planned(
                program, kept, setup, asked.furnace, hours, changed,
                tuple(said(f, system) for f in broken), tuple(said(f, system) for f in more),
            )  # fmt: skip
            out.plans.append(plan)
            if changed:
                ways.append(way)
            else:
                ways.insert(0, way)
    return ways


def _others(conn: sqlite3.Connection, now: Cycle, part: str) -> list[Cycle]:
    """Other cycles of the process that this part ran by, each at its newest revision."""
    rows = conn.execute(
        "SELECT DISTINCT c.cycle FROM run JOIN piece USING (run) JOIN cycle AS c ON c.cycle = run.cycle"
        " WHERE piece.part = ? AND c.process = ? AND c.cycle <> ? AND run.status = 'done' ORDER BY c.cycle",
        (part, now.process, now.cycle),
    ).fetchall()
    newest = "SELECT revision FROM cycle WHERE cycle = ? ORDER BY cycle_id DESC LIMIT 1"
    return [load_cycle(conn, r[0], conn.execute(newest, (r[0],)).fetchone()[0]) for r in rows]


def _base(
    history: History, present: Asked, now: Cycle, cycle: Cycle, quotes: Quotes, part: str
) -> Asked | None:  # fmt: skip
    """The question for a cycle as it is written; None where this part never ran in its atmosphere."""
    if cycle is now:
        return present
    from loadbook.analysis.parameters.compute import asked_parameters

    asks = {p.parameter: p.value for p in asked_parameters(cycle)}
    furnace = quotes.furnace_of(cycle, part)
    levels = {v.lower(): v for v in _levels(history, present, "atmosphere") if v}
    atmosphere = levels.get((cycle.atmosphere or "").lower())
    if atmosphere is None or furnace not in _levels(history, present, "furnace"):
        return None
    settings = {**present.settings, **{n: v for n, v in asks.items() if n in present.settings}}
    return replace(present, settings=settings, atmosphere=atmosphere, furnace=furnace)


def _levels(history: History, present: Asked, factor: str) -> list[str | None]:
    """What this part number ran in or with, twice at least, its present one first."""
    c = history.cells
    ran = c.frame[c.series == history.series(present)].groupby(factor)["run"].nunique()
    now = getattr(present, factor)
    return [now, *sorted({str(v) for v, runs in ran.items() if v and runs >= FEWEST_OF_A_LEVEL} - {now})]


def _values(history: History, base: Asked, name: str, system: str) -> list[float]:
    """Values of a setting to try: inside the evidence and a step beyond, as people set them, and the present one."""
    now = base.settings[name]
    inside, beyond = setting_range(history, base, name), setting_range(history, base, name, REACH + 1.0)
    if inside is None or beyond is None:
        return [now]
    low, high = inside
    sd = history.design.within_sd[name]
    for step in STEPS[name][system == "us"]:
        zero = units.c_from_f(0.0) if name == HOLD and system == "us" else 0.0
        first, last = int(np.ceil((low - zero) / step - 1e-9)), int(np.floor((high - zero) / step + 1e-9))
        values = [zero + k * step for k in range(first, last + 1)]
        if len(values) <= MOST_VALUES:
            break
    edges = [zero + (first - 1) * step, zero + (last + 1) * step]
    return sorted({now, *values, *(v for v in edges if v > 0.3 * low and low - 2 * sd <= v <= high + 2 * sd)})


def _nothing_varied(present: Asked, vary: Sequence[str]) -> Remark:
    names = [VARIED[v] for v in vary if VARIED[v] in PLANNED]
    return remark("nothing_varied", part=present.part, parameters=names)


def _why_none(out: Chosen, history: History) -> None:
    """What is to be said where no way is chosen, or where what was varied cannot be told from something else."""
    choice = out.choice
    assert choice is not None
    for name in (VARIED[v] for v in out.varied):
        if name in history.design.active and (other := goes_with(history, name)) is not None:
            out.remarks.append(remark("goes_together", parameter=name, other=other))
    if choice.chosen is None:
        told = [s for s in choice.scored if s.state in (OFFERED, PRESENT)]
        best = max(told, key=lambda s: s.inside.low)
        plan = out.plan(best)
        out.remarks.append(
            remark("none_keeps", keep=out.keep, share=best.inside.share, low=best.inside.low, high=best.inside.high,
                   present=best is choice.present, changed=list(plan.changed), ways=choice.ways,
                   untold=choice.states.get(UNTOLD, 0))
        )  # fmt: skip
    for s in choice.scored:
        if (
            s.state == BREAKS
            and s.inside.low >= out.keep
            and (choice.chosen is None or s.way.hours < choice.chosen.way.hours)
        ):
            first = out.plan(s).breaks[0]
            out.remarks.append(remark("faster_breaks", what=first.remark, where=first.where, hours_h=s.way.hours))
            break
    if any(s.state == OUTSIDE for s in choice.scored):
        out.remarks.append(remark("outside_not_offered"))
