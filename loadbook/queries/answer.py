"""How much will it move? The answer from the shop's own history, or a refusal that says what to measure."""

from __future__ import annotations

import hashlib
import sqlite3
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from loadbook.analysis.answers import need as answerneed
from loadbook.analysis.answers.cells import Asked
from loadbook.analysis.answers.estimate import BOUND_PARTS, History, Reply
from loadbook.analysis.answers.fewparts import Kind
from loadbook.analysis.answers.refusal import Refusal
from loadbook.analysis.answers.scale import Scale, harm
from loadbook.analysis.answers.working import fitted, left_out_score
from loadbook.analysis.movement.scale import MOSTLY_GAUGE
from loadbook.analysis.planning.stock import Stock
from loadbook.core.errors import CalculationError, UsageError
from loadbook.core.remarks import Remark, remark
from loadbook.core.vocabulary.intake_kinds import KEPT_ONLY_KINDS, SIZE_KINDS
from loadbook.store.run_records import load_cycle

from . import answer_remarks, answer_terms, answer_words, heating_stress, remark_words
from . import history as answerdata
from .answer_advice import advise
from .answer_physics import physics_of
from .answer_result import Answer
from .enquiry import Question, Subject, check_settings, furnace_on_record, subject
from .history import Measured, Pieces
from .hours import Hours, Quotes
from .source import BookSource, Source, by_plant, evidence, source_of

SIZES_APART = 1.5  # the largest over the smallest from which on it can be told whether movement goes with size
TOLD_BETTER = 4.0  # log score of runs left out
LEAST_WITHIN = 10  # degrees inside runs that another kind needs to say how far its pieces spread

if TYPE_CHECKING:
    from collections.abc import Callable
    from zoneinfo import ZoneInfo

    import pandas as pd

    from loadbook.analysis.trace.model import Cycle
    from loadbook.store.book import BookFolder


def answer(asked_of: BookFolder | Source, question: Question, system: str | None = None) -> Answer:
    """The answer to one enquiry; from a group `Answer.plants` says which plants it rests on.

    question  a cycle or furnace of a group is a plant's own, written 'PLANT/CYCLE'; its plant is the one that will run
              it, and does not limit the evidence (leave plants out for that)
    system  'si' or 'us' for its sentences; None: the book's
    Raises  UsageError, NotFoundError for an enquiry that cannot be understood; a history too thin is no error but
            an answer whose `refused` says why
    """
    if not 0.5 <= question.content <= 0.99:
        raise UsageError(
            f"an interval for {question.content:g} of pieces is not offered", remedy="Give --content 0.5 to 0.99"
        )
    check_settings(question.settings)
    source = source_of(asked_of)
    furnace_on_record(question, source.words)
    with source.enquiry(question) as (conn, asked):
        about = subject(conn, asked)
        history = answerdata.load(source, kind=about.kind if about.part is not None else None)
        asked, process = treatment(conn, asked, history)
        if about.kind not in KEPT_ONLY_KINDS:
            process = answerdata.choose_process(history, about.kind, about.part, asked.process, process)
        found = answer_of(history, asked, about, process or answerdata.NO_PROCESS, system or source.units)
        advise(conn, found)
        found.hours = quotation(source, conn, found)
        if found.refused and about.kind not in KEPT_ONLY_KINDS:
            found.physics = physics_of(conn, asked, about, found.process)
    found.text = answer_words.sentences(found, found.system)
    if source.plants:
        history_of = found.history
        once = None if history_of is None else history_of.drop_duplicates(["run", "part", "serial"])
        found.plants = by_plant(once) if once is not None else []
        found.text += [remark_words.words(r, source.units) for r in evidence(found.plants, source.left_out)]
        if asked.plant is not None and len(source.plants) > 1:
            chosen = "" if question.plant else ", which ran this part most (--plant names another)"
            found.text.append(f"Asked of {asked.plant}{chosen}; what plants differ by is in the width.")
    return found


def treatment(
    conn: sqlite3.Connection, question: Question, history: Measured | None = None
) -> tuple[Question, str | None]:  # fmt: skip
    """The question with what its cycle asks filled in, and the cycle's process.

    history  runs of this revision in another atmosphere than it states count: what it states is not what it was
    """
    if question.cycle is None:
        return question, None
    from loadbook.analysis.parameters.compute import asked_parameters

    cycle = load_cycle(conn, question.cycle, question.cycle_revision)
    asked = {p.parameter: p.value for p in asked_parameters(cycle)}
    filled = replace(
        question, cycle=cycle.cycle, cycle_revision=cycle.revision, settings={**asked, **question.settings},
        atmosphere=question.atmosphere or ran_in(history, cycle) or None,
    )  # fmt: skip
    return filled, cycle.process or None


def ran_in(history: Measured | None, cycle: Cycle) -> str:
    """What a cycle runs in: what it states, unless all its runs on record had something else."""
    if history is None:
        return cycle.atmosphere
    runs = history.movement
    own = runs[(runs["cycle"] == cycle.cycle) & (runs["cycle_revision"] == cycle.revision)]
    had = own.drop_duplicates("run")["atmosphere"].dropna()
    if had.empty or cycle.atmosphere.casefold() in {str(v).casefold() for v in had}:
        return cycle.atmosphere
    return str(had.mode().iloc[0])


def quotation(source: Source, conn: sqlite3.Connection, found: Answer) -> Hours | None:
    """Furnace hours of the answer's cycle with its settings, from its furnace's past runs; None for a group, without a
    cycle, or where its program states no hours."""
    asked = found.question
    if not isinstance(source, BookSource) or asked.cycle is None:
        return None
    cycle = load_cycle(conn, asked.cycle, asked.cycle_revision)
    quotes = Quotes(conn, source.book.furnace_hour)
    stock = Stock(None, found.subject.section_thick_mm, asked.setup)
    return quotes.of(cycle, asked.furnace or quotes.furnace_of(cycle, asked.part), asked.settings, stock)


def answer_of(source: Measured, question: Question, about: Subject, process: str, system: str = "si") -> Answer:
    """`answer` over a history that was read already; without advice and sentences."""
    out = Answer(question, about, process, content=question.content, unit=_unit(about), system=system)
    if about.kind in KEPT_ONLY_KINDS:
        kept = remark("hardness") if about.kind == "hardness" else remark("kept_only", kind=about.kind)
        return _refused(out, kept)
    pieces = source.pieces(process, about.kind, about.scale)
    out.history = pieces.frame
    out.remarks += answer_remarks.of_history(pieces, question.settings)
    if len(pieces.frame) == 0:
        return _refused(out, answer_remarks.nothing_measured(pieces))
    if pieces.below_gauge >= MOSTLY_GAUGE:
        _count(out, pieces)
        return _refused(out, answer_remarks.gauge_too_coarse(pieces))
    if about.scale == "um per 100 mm" and not about.reference_length_mm:
        return _refused(out, remark("length_not_known"))
    asked = _asked(question, about, pieces)
    if source.parts is not None:
        out.history = pieces.frame = heating_stress.add(source.parts, pieces.frame)
        asked = replace(asked, stress_per_rate=heating_stress.of_asked(source.parts, pieces.frame, about, asked))
    others = [] if asked.characteristic else _others(source, process, about.kind)
    out.model = history = fitted(
        pieces.frame, source.breaks, source.extra, others, pieces.flagged, asked.stress_per_rate is not None
    )  # fmt: skip
    start = answer_terms.before(pieces, about, question)
    scale = Scale(about.scale, about.reference_length_mm, start.usual if about.scale == "log" else None)
    _count(out, pieces)
    out.evidence = history.evidence(asked)
    reply = history.ask(asked, question.content, harm(about.kind))
    if isinstance(reply, Refusal):
        return _refused(out, reply.why)
    _tell(out, history, asked, reply, scale, source.zone)
    out.in_um = answer_terms.in_um(history, pieces, asked, reply, scale, start)
    out.in_tolerance = answer_terms.in_tolerance(history, asked, reply, about, question, start)
    if pieces.flagged.any():
        out.remarks.append(_blunders(source, question, about, pieces, asked, scale))
    if history.gained is not None:

        def plain() -> History:
            return History(pieces.frame, source.breaks, source.extra, warp=history.warp, others=others)

        without = _interval(plain, asked, question, scale)
        out.remarks.append(heating_stress.took_part(history, asked, without, _shown_unit(about, scale)))
    out.remarks += answer_remarks.of_reply(history, reply, asked, scale, source.zone)
    out.remarks += answer_remarks.before_far(pieces.frame, about, question.before_mm)
    out.remarks += _other_scale(source, about, pieces.frame, history)
    return out


def _tell(out: Answer, history: History, asked: Asked, reply: Reply, scale: Scale, zone: ZoneInfo) -> None:
    """Fill in the figures, in the unit they are told in, and dates on the shop's calendar."""
    out.reply, out.before_um = reply, scale.before_um
    out.low, out.high, out.median = (
        scale.displayed(reply.low),
        scale.displayed(reply.high),
        scale.displayed(reply.median),
    )
    out.bound = scale.displayed(reply.bound) if np.isfinite(reply.bound) else None
    out.outside_range = [
        {"parameter": name, "asked": a, "run_low": low, "run_high": high}
        for name, (a, low, high) in reply.beyond.settings.items()
    ] + [
        {"parameter": name, "asked": value, "run_low": None, "run_high": None}
        for name, value in reply.new_levels.items()
    ]
    out.assumed = dict(reply.assumed)
    out.forward_test = _tested(reply)
    out.need = _need(answerneed.need(history, asked, reply), reply, scale)
    out.comparables = [
        {
            "run": c.run, "part": c.part, "characteristic": c.characteristic, "date": answerdata.date_of(c.day, zone),
            "setup": c.setup or None, "atmosphere": c.atmosphere or None, "pieces": c.pieces,
            "mean": scale.displayed(c.mean), "low": scale.displayed(c.low), "high": scale.displayed(c.high),
            **c.settings,
            "unit": out.unit, "nearness": c.nearness, "same_part": c.same_part,
        }
        for c in answerneed.comparables(history, asked)
    ]  # fmt: skip
    own = answerneed.own_history(history, asked)
    if own is not None:
        told = {name: scale.displayed(getattr(own, name)) for name in ("mean", "low", "high")}
        out.own = {"runs": own.runs, "pieces": own.pieces, **told}


def _tested(reply: Reply) -> dict[str, Any] | None:
    held, year = reply.tested, reply.last_year
    if held is None or reply.outside:
        return None
    return {
        "held": held.held, "held_low": held.low, "held_high": held.high, "runs": held.runs, "pieces": held.pieces,
        "of": "later runs" if reply.known else "part numbers left out" if reply.parts < BOUND_PARTS else
              "first runs of part numbers",
        "content": reply.content, "widened": reply.widened,
        "last_year": None if year is None else
                     {"held": year.held, "held_low": year.low, "held_high": year.high, "runs": year.runs},
    }  # fmt: skip


def _others(source: Measured, process: str, kind: str) -> list[Kind]:
    """What the shop's other kinds and processes say of how far part numbers and runs differ."""
    if source.movement is None:
        return []
    out = []
    for other in source.strata():
        if other == (process, kind) or other[1] in KEPT_ONLY_KINDS:
            continue
        with suppress(CalculationError):
            history = History(source.pieces(*other).frame, source.breaks)
            if history.cells.parts >= 3 and history.cells.within_df >= LEAST_WITHIN and history.fit.s2 > 0:
                out.append(history.kind())
    return out


def _need(need: answerneed.Need, reply: Reply, scale: Scale) -> dict[str, Any]:
    def width(w: float) -> float:
        return scale.displayed(reply.median + w / 2) - scale.displayed(reply.median - w / 2)

    out: dict[str, Any] = {
        "width": width(need.width),
        "runs_of_this_part": [{"more": k, "width": width(w)} for k, w in need.runs_of_this_part],
        "part_numbers": [{"more": k, "width": width(w)} for k, w in need.part_numbers],
        "least_width": width(need.least_width),
        "groups_missing": need.groups_missing,
        "next_runs": [
            {"part": n.part, "characteristic": n.characteristic, "settings": n.settings, "pieces": n.pieces,
             "width": width(n.width), "bound": scale.displayed(n.bound) if np.isfinite(n.bound) else None}
            for n in need.next_runs
        ],
    }  # fmt: skip
    out["text"] = ""  # filled in with the other sentences, in the book's units
    return out


def _asked(question: Question, about: Subject, pieces: Pieces) -> Asked:
    known = ((pieces.frame["part"] == about.part) & (pieces.frame["characteristic"] == about.characteristic)).any()
    return Asked(
        part=about.part, characteristic=about.characteristic if known else None, material=about.material,
        family=about.family, shape=about.shape, condition=about.condition, setup=question.setup,
        atmosphere=_label(question.atmosphere, pieces, "atmosphere"),
        furnace=question.furnace, plant=question.plant, section_mm=about.section_thick_mm,
        day=answerdata.day_of(question.on) if question.on else None, settings=question.settings,
    )  # fmt: skip


def _other_scale(source: Measured, about: Subject, frame: pd.DataFrame, history: History) -> list[Remark]:
    """Where sizes are worked with in µm though movement goes with size, or the other way round: runs left out tell."""
    per = 100.0 / frame["reference_length_mm"].to_numpy(dtype=float)
    other, turn = {"um": ("um per 100 mm", per), "um per 100 mm": ("um", 1.0 / per)}.get(about.scale, ("", per))
    if not other or about.kind not in SIZE_KINDS or not np.isfinite(per).all() or per.max() < SIZES_APART * per.min():
        return []
    with suppress(CalculationError):
        turned = History(frame.assign(z=frame["z"] * turn), source.breaks, source.extra)
        if left_out_score(turned, np.log(turn)) > left_out_score(history) + TOLD_BETTER:
            return [remark("other_scale", scale=other)]
    return []


def _label(value: str | None, pieces: Pieces, column: str) -> str | None:
    """A label as the history spells it."""
    if value is None:
        return None
    known = {str(v).lower(): str(v) for v in pieces.frame[column].dropna().unique()}
    return known.get(value.lower(), value)


def _blunders(
    source: Measured, question: Question, about: Subject, pieces: Pieces, asked: Asked, scale: Scale
) -> Remark:
    """How many readings look like blunders, and what the interval would be without them."""
    clean = pieces.frame[~pieces.flagged].reset_index(drop=True)
    known = asked.stress_per_rate is not None
    without = _interval(lambda: fitted(clean, source.breaks, source.extra, stress=known), asked, question, scale)
    return remark("blunders", count=int(pieces.flagged.sum()), without=without, unit=_shown_unit(about, scale))


def _interval(fit: Callable[[], History], asked: Asked, question: Question, scale: Scale) -> list[float] | None:
    """The interval of another history; None where there is none."""
    with suppress(CalculationError):
        other = fit().ask(asked, question.content)
        return None if isinstance(other, Refusal) else [scale.displayed(other.low), scale.displayed(other.high)]
    return None


def _shown_unit(about: Subject, scale: Scale) -> str:
    return scale.unit if scale.name == "log" else _unit(about)


def _unit(about: Subject) -> str:
    if about.scale == "log":
        return "%"
    return "um" if about.unit == "mm" else about.unit


def _count(out: Answer, pieces: Pieces) -> None:
    frame = pieces.frame
    pieces_once = frame.drop_duplicates(["run", "part", "serial"])  # a piece with several characteristics is one
    out.runs, out.pieces, out.parts = frame["run"].nunique(), len(pieces_once), frame["part"].nunique()
    listed = "\n".join(sorted(frame["run"].astype(str).unique()))
    out.evidence_sha256 = hashlib.sha256(listed.encode()).hexdigest()


def _refused(out: Answer, why: Remark) -> Answer:
    out.remarks.append(why)
    out.need = {"text": remark_words.needed(why, out.system)}
    return out
